"""Every pattern that a better plan may hold: what closes the gap of a small run.

A bound made of halves of patterns lies below every plan. At the prices that prove it, a plan costs the bound
and what each of its patterns costs beyond the cheapest of its post. So none of a better plan's patterns is
dearer by more than the gap, and the integer program over all that are not is the whole truth.

*Example.* A run of four posts with a gap of 1.6 % had 85,000. Most differ only in where a stretch of a taper
ends that no other post comes near: 1,900 were left, and among them a plan that was 1.3 % better than the best
of the rounds' patterns.
"""

from __future__ import annotations

from itertools import combinations, permutations
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from shimfit.core.planning import search
from shimfit.core.planning.geometry import PIVOT, SEATS
from shimfit.core.planning.patterns import Pattern, SeatPack, begun, overused, pieces_cost, uses_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from shimfit.core.packing.tables import Tables
    from shimfit.core.planning.rounds import Pricing

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]

MOST_FOUND, MOST_LAID = 20_000, 200_000
"""Thicknesses at three seats, and ways to make them, beyond which not every pattern is looked at."""
AT_ONCE = 2
"""Lifted feet whose thicknesses are counted in one go."""


def every_pattern(pricing: Pricing, tables: Tables, ceiling: Floats, most: int) -> list[Pattern] | None:
    """Patterns of each post that cost less than its ceiling (P,) at these prices, pivot bare or lifted.

    Left out are those that no plan needs, as another does as well beside the other posts' and costs no more.
    None when more than `most` are left, or too many to be looked at.
    """
    ways = [_Way(0.0, 0.0, None)]
    post, under_pivot, _ = pricing.lifts(tables, ceiling)
    laid = [_lay_out(pricing, tables, ceiling, ways)]
    if post.size and laid[0] is not None:
        if _too_many(pricing, tables, ceiling, post, under_pivot):
            return None
        laid.append(_lay_out(pricing.some(post, under_pivot), tables, ceiling[post], ways))
    if None in laid:
        return None
    every = _Laid(*(np.concatenate(parts) for parts in zip(*laid, strict=True)))
    kept = _needed(every, ways, tables)
    if kept.size > most:
        return None
    found = []
    for n in kept.tolist():
        packs = [ways[k].pack for k in every.ways[n].tolist()]
        some = tuple(pack for pack in packs if pack is not None)
        found.append(Pattern(int(every.post[n]), some, float(every.cost[n]), uses_of(tables, some)))
    return [pattern for pattern in found if overused(pattern.uses, tables.lots) is None]


class _Way(NamedTuple):
    """One way to make what a seat is given."""

    dearer: float
    """By what it costs more than the cheapest at the prices."""
    cost: float
    """Without prices: pieces, cuts, and how it bears."""
    pack: SeatPack | None
    """None: the seat is bare."""


class _Laid(NamedTuple):
    """M patterns as arrays."""

    post: Ints
    ways: Ints
    """(M, 4) what the seats A, B, F and the pivot are given, as places in a list of ways."""
    cost: Floats
    """Without prices."""


def _too_many(pricing: Pricing, tables: Tables, ceiling: Floats, post: Ints, under_pivot: Ints) -> bool:
    """Whether lifted feet can be given more than is looked at; a few at a time, as it may be millions."""
    found = 0
    for first in range(0, post.size, AT_ONCE):
        some = post[first : first + AT_ONCE]
        part = pricing.some(some, under_pivot[first : first + AT_ONCE])
        room, lists = ceiling[some] - part.beneath(tables, part.under_pivot), part.maker.make(tables)
        found += search.cheapest(lists, room, MOST_FOUND, part.rest, room.copy())[1].post.size
        if found >= MOST_FOUND:
            return True
    return False


def _lay_out(pricing: Pricing, tables: Tables, ceiling: Floats, ways: list[_Way]) -> _Laid | None:
    """Every pattern below a ceiling, what is under the pivots as it is; `ways` grows. None: too many."""
    room = ceiling - pricing.beneath(tables, pricing.under_pivot)
    lists = pricing.maker.make(tables)
    _, found = search.cheapest(lists, room, MOST_FOUND, pricing.rest, room.copy())
    post, spare = found.post, room[found.post] - found.total
    if post.size >= MOST_FOUND:
        return None
    state = (found.combination[:, None] >> np.arange(SEATS)) & 1
    at = post[:, None], np.arange(SEATS), state, found.entry
    rest = found.total + pricing.lifting(pricing.under_pivot[post]) - lists.cost[at].sum(axis=1)
    # Each thickness of a seat once, at the most that is left for it; the pivots behind them.
    flat = np.column_stack([np.ravel_multi_index(at, lists.cost.shape), lists.cost.size + post])
    distinct, place = np.unique(flat, return_inverse=True)
    place, widest = place.reshape(flat.shape), np.zeros(distinct.size)
    np.maximum.at(widest, place, spare[:, None])
    first = np.zeros(distinct.size + 1, np.int64)
    for n, (where, more) in enumerate(zip(distinct.tolist(), widest.tolist(), strict=True)):
        first[n] = len(ways)
        if where < lists.cost.size:
            ways += _ways(pricing, tables, lists, np.unravel_index(where, lists.cost.shape), more)
        else:
            ways += _ways_beneath(tables, int(pricing.under_pivot[where - lists.cost.size]), more)
    first[-1] = len(ways)
    dearer, cost = (np.array(part) for part in list(zip(*ways, strict=True))[:2])
    # One seat after the other: its ways for which enough is left.
    row, picked = np.arange(post.size), np.zeros((post.size, 0), np.int64)
    for column in place.T:
        owner, k = search.ragged((first[1:] - first[:-1])[column[row]])
        way = first[column[row]][owner] + k
        spare = spare[owner] - dearer[way]
        some = np.flatnonzero(spare > 0.0)
        if some.size > MOST_LAID:
            return None
        spare, row = spare[some], row[owner[some]]
        picked = np.column_stack([picked[owner[some]], way[some]])
    return _Laid(pricing.numbers[post[row]], picked, rest[row] + cost[picked].sum(axis=1))


def _ways(
    pricing: Pricing, tables: Tables, lists: search.Lists, place: tuple[Any, ...], spare: float
) -> list[_Way]:
    """Every way to make a seat's thickness that costs less than `spare` more than the cheapest.

    place: (post, seat, state, entry) of the lists.
    """
    post, seat, state, _ = map(int, place)
    choice, geometry, least = lists.choice(*map(int, place)), pricing.maker.geometry, float(lists.cost[place])
    if choice.row == search.BARE:
        return [_Way(0.0, 0.0, None)]
    reach_mm = float(geometry.inside_mm[post, seat])
    rows, _, sigma = tables.inner_table(reach_mm if state else None)
    if geometry.combinations > 1:
        first = int(pricing.maker.bears_from(sigma, post, seat))
        rows = rows[:first] if state else rows[first:]
    found = []
    for row in rows:
        inner_mm = reach_mm if state and row.runs else None
        for stack in tables.ways(row, choice.steps, least + spare):
            pack = SeatPack(seat, stack.flats, stack.tail, inner_mm, row.saw_deg, state, choice.steps)
            for dearer, one in begun(tables, pack):
                more = stack.cost + dearer - least
                if more < spare:
                    found.append(_Way(more, pieces_cost(tables, one), one))
    return found


def _ways_beneath(tables: Tables, steps: int, spare: float) -> list[_Way]:
    """The same of the flats under a pivot."""
    if not steps:
        return [_Way(0.0, 0.0, None)]
    least, found = float(tables.cheapest[0, steps]), []
    for stack in tables.ways(tables.rows[0], steps, least + spare):
        pack = SeatPack(PIVOT, stack.flats, None, None, None, 0, steps)
        found.append(_Way(stack.cost - least, pieces_cost(tables, pack), pack))
    return found


def _needed(every: _Laid, ways: Sequence[_Way], tables: Tables) -> Ints:
    """Without those that another of their post replaces, of the same lots and no dearer.

    Where a stretch of a taper begins and ends matters only as far as other posts' patterns tell: all that
    reach from the same of their ends to the same are one, where its own pieces overlap as much. The posts
    with the fewest stretches come first, since what is left of them tells less of the others.
    """
    kinds: dict[object, int] = {}
    kind, lot = np.zeros((2, len(ways)), np.int64)
    start, end, first = np.zeros((3, len(ways)))
    for k, way in enumerate(ways):
        uses, lot[k] = uses_of(tables, () if way.pack is None else (way.pack,)), -1
        behind = False
        for one in uses.stretches:  # of the one taper that a pack may have
            lot[k], start[k], end[k], behind = one.rank, one.start, one.end, one.first is not None
            first[k] = one.start if one.first is None else one.first
        kind[k] = kinds.setdefault((uses.flats, uses.lengths, behind), len(kinds))
    rows = {post: np.flatnonzero(every.post == post) for post in np.unique(every.post).tolist()}
    used = {post: np.unique(every.ways[some]) for post, some in rows.items()}
    for post in sorted(rows, key=lambda one: (used[one].size, one)):
        own, some = used[post], rows[post]
        others = np.unique(
            np.concatenate([np.zeros(0, np.int64), *(used[one] for one in rows if one != post)])
        )
        # Where it begins and ends among the others' ends, from either side.
        places = np.zeros((4, len(ways)), np.int64)
        for rank in np.unique(lot[own][lot[own] >= 0]).tolist():
            theirs, mine = others[lot[others] == rank], own[lot[own] == rank]
            ends = np.unique(np.concatenate([start[theirs], end[theirs], first[theirs]]))
            places[0, mine], places[1, mine] = (
                ends.searchsorted(start[mine], "right"),
                ends.searchsorted(end[mine]),
            )
            places[2, mine], places[3, mine] = (
                ends.searchsorted(end[mine], "right"),
                ends.searchsorted(first[mine]),
            )
        parts = np.column_stack([kind[own], lot[own], *places[:, own]])
        like = np.zeros(len(ways), np.int64)
        like[own] = np.unique(parts, axis=0, return_inverse=True)[1].reshape(-1)
        of = np.take_along_axis(
            every.ways[some], np.argsort(like[every.ways[some]], axis=1, kind="stable"), 1
        )
        overlap = [
            (lot[of[:, i]] >= 0) & (lot[of[:, i]] == lot[of[:, j]])
            & (start[of[:, i]] < end[of[:, j]]) & (start[of[:, j]] < end[of[:, i]])
            for i, j in combinations(range(of.shape[1]), 2)
        ]  # fmt: skip
        overlap += [
            (lot[of[:, i]] >= 0) & (lot[of[:, i]] == lot[of[:, j]])
            & (first[of[:, i]] <= end[of[:, j]]) & (end[of[:, j]] <= start[of[:, i]])
            for i, j in permutations(range(of.shape[1]), 2)
        ]  # fmt: skip
        same = np.column_stack([like[of], *overlap])
        order = np.lexsort((every.cost[some], *same.T))
        new = np.ones(order.size, bool)
        new[1:] = (same[order[1:]] != same[order[:-1]]).any(axis=1)
        rows[post] = np.sort(some[order[new]])
        used[post] = np.unique(every.ways[rows[post]])
    return np.concatenate([np.zeros(0, np.int64), *rows.values()])
