"""What the batched search leaves open, exactly: one post from one box, and every pattern below a ceiling.

The batched search gives each seat the box to itself. Where its best pattern is not in the box, the single
search branches on who goes without (`cheapest_in_box`); its bound makes the round's bound true to the box,
and its answer is a pattern that can be had. Asked last, where going through the patterns one by one did not
find one.

A bound made of halves of patterns lies below every plan. What closes it is `every_pattern`: at the prices
that prove it, a plan costs the bound and what each of its patterns costs beyond the cheapest of its post. So
none of a better plan's patterns is dearer by more than the gap, and the integer program over all that are not
is the whole truth. Where the gap is small they are few: a run of four posts with a gap of 1.6 % had 113, and
26 when those were left out that a cheaper one of the same pieces replaces.
"""

from __future__ import annotations

import math
from collections import defaultdict
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from shimfit.core.packing.draft import Asked
from shimfit.core.packing.layouts import corner_task
from shimfit.core.packing.question import ask
from shimfit.core.packing.tables import Tables
from shimfit.core.planning import search
from shimfit.core.planning.geometry import PIVOT, SEATS, seats_of
from shimfit.core.planning.patterns import Pattern, SeatPack, overused, pattern_of
from shimfit.model import Lean

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from shimfit.core.packing.onebox import Answer
    from shimfit.core.packing.question import Task
    from shimfit.core.planning.geometry import PlanPost
    from shimfit.core.planning.rounds import Pricing

    Floats = NDArray[np.float64]

NODES = 40
"""Nodes of the branching per question: the bound holds wherever it is stopped."""


def cheapest_in_box(
    post: PlanPost, number: int, tables: Tables, limit: float
) -> tuple[float, Pattern | None]:
    """What no pattern of a post is cheaper than, and the best below `limit`, pivot bare or lifted.

    `number` is the post's among all; `tables` carry the prices, without set-ups.
    """
    along, across = post.to_correct
    question = ask(
        post.foot, post.height_mm, Lean(along, across), post.tolerance, tables.options.preload_mm,
        margin_slope=post.used_slope, reads=post.reads, u_take_up=post.u_take_up,
    )  # fmt: skip
    asked = Asked(question, tables, node_limit=NODES)
    bound, best = limit, None
    for steps in (0, *tables.thick.tolist()):
        lift_mm = steps * tables.options.quantum_mm
        extra = tables.options.costs.lifting(lift_mm)
        floor = 3.0 * tables.options.costs.piece + extra
        if steps and float(tables.c1[tables.index_of[steps]]) + floor >= bound:
            continue
        task = corner_task(asked, post.allowed_mm, lift_mm=lift_mm)
        outcome = asked.solve(task, lift=steps, limit=limit - extra)
        bound = min(bound, outcome.bound + extra)
        if outcome.answer is not None and outcome.answer.cost + extra < limit - 1e-7:
            limit = outcome.answer.cost + extra
            best = _pattern(outcome.answer, task, tables, post, number, extra)
    return bound if math.isfinite(bound) else limit, best


def every_pattern(pricing: Pricing, tables: Tables, ceiling: Floats, most: int) -> list[Pattern] | None:
    """Patterns of each post that cost less than its ceiling (P,) at these prices, pivot bare or lifted.

    Left out are those that no plan needs, as another takes no more of anything and costs no more. None when
    there are more than `most` to be looked at.
    """
    found = _every(pricing, tables, ceiling, most)
    post, under_pivot, _ = pricing.lifts(tables, ceiling)
    if found is not None and post.size:
        lifted = _every(pricing.some(post, under_pivot), tables, ceiling[post], most - len(found))
        found = None if lifted is None else found + lifted
    return None if found is None else _needed(found)


def _every(pricing: Pricing, tables: Tables, ceiling: Floats, most: int) -> list[Pattern] | None:
    """The same with what stands under the pivots as it is, needed or not."""
    lifting = pricing.lifting(pricing.under_pivot)
    room = ceiling - pricing.beneath(tables, pricing.under_pivot)
    lists = pricing.maker.make(tables)
    _, triples = search.cheapest(lists, room, most, pricing.rest, room.copy())
    if triples.post.size >= most:
        return None
    spare = room[triples.post] - triples.total
    rest = triples.total + lifting[triples.post]
    seats = list[list[tuple[int, ...]]]()
    widest = defaultdict[tuple[int, ...], float](float)
    for post, combination, entries, more in zip(
        triples.post.tolist(),
        triples.combination.tolist(),
        triples.entry.tolist(),
        spare.tolist(),
        strict=True,
    ):
        seats.append([(post, seat, (combination >> seat) & 1, entry) for seat, entry in enumerate(entries)])
        if pricing.under_pivot[post]:
            seats[-1].append((post, PIVOT, 0, 0))
        for place in seats[-1]:
            widest[place] = max(widest[place], more)
    for n, places in enumerate(seats):
        rest[n] -= sum(float(lists.cost[place]) for place in places[:SEATS])
    ways = {place: _ways(pricing, tables, lists, place, more) for place, more in widest.items()}
    found: list[Pattern] = []
    for n, places in enumerate(seats):
        for some in _within([ways[place] for place in places], float(spare[n])):
            packs = [way.pack for way in some if way.pack is not None]
            bearing = sum(way.bearing for way in some)
            found.append(
                pattern_of(tables, packs, float(rest[n]) + bearing, int(pricing.numbers[places[0][0]]))
            )
            if len(found) >= most:
                return None
    return [pattern for pattern in found if overused(pattern.uses, tables.lots) is None]


class _Way(NamedTuple):
    """One way to make what a seat is given."""

    dearer: float
    """By what it costs more than the cheapest, prices and bearing counted."""
    bearing: float
    pack: SeatPack | None
    """None: the seat is bare."""


def _ways(
    pricing: Pricing, tables: Tables, lists: search.Lists, place: tuple[int, ...], spare: float
) -> list[_Way]:
    """Every way to make a seat's thickness that costs less than `spare` more than the cheapest, in order.

    place: (post, seat, state, entry) of the lists, or the pivot of a post.
    """
    post, seat, state, entry = place
    if seat == PIVOT:
        steps, reach_mm, slope = int(pricing.under_pivot[post]), 0.0, 0.0
        rows, bears, least = tables.rows[:1], np.ones((1, 1), bool), float(tables.cheapest[0, steps])
    else:
        choice, geometry = lists.choice(post, seat, state, entry), pricing.maker.geometry
        if choice.row == search.BARE:
            return [_Way(0.0, 0.0, None)]
        steps, least = choice.steps, float(lists.cost[place])
        reach_mm, slope = float(geometry.inside_mm[post, seat]), float(geometry.weighed[post, seat])
        rows, _, bears = pricing.maker.bearing(tables, reach_mm, geometry.steep[post, seat, None], state)
    found = []
    for row, does in zip(rows, bears[:, 0].tolist(), strict=True):
        bearing = abs(row.sigma - slope) * reach_mm * tables.options.costs.bearing_per_mm
        inner_mm = reach_mm if state and row.runs else None
        for stack in tables.ways(row, steps, least + spare - bearing) if does else ():
            pack = SeatPack(seat, stack.flats, stack.tail, inner_mm, row.saw_deg, state, steps)
            found.append(_Way(stack.cost + bearing - least, bearing, pack))
    return sorted(found, key=lambda way: way.dearer)


def _within(ways: Sequence[Sequence[_Way]], spare: float) -> Iterator[tuple[_Way, ...]]:
    """One way for each seat, as many times as that costs less than `spare` beyond the cheapest."""
    if not ways:
        yield ()
        return
    for way in ways[0]:
        if way.dearer >= spare:
            break
        for others in _within(ways[1:], spare - way.dearer):
            yield (way, *others)


def _needed(patterns: Sequence[Pattern]) -> list[Pattern]:
    """Without those that another of their post replaces: the same lots, no more of any, no dearer."""
    kept = defaultdict[object, list[list[tuple[int, float, float, float]]]](list)
    found = []
    for pattern in sorted(patterns, key=lambda one: one.cost):
        cuts = sorted((rank, 0.0, start, -end) for rank, start, end in pattern.uses.stretches)
        cuts += sorted((rank, deg, -length_mm, 0.0) for rank, length_mm, deg in pattern.uses.lengths)
        like = kept[pattern.post, pattern.uses.flats, tuple(cut[:2] for cut in cuts)]
        if not any(all(map(_no_more, one, cuts)) for one in like):
            like.append(cuts)
            found.append(pattern)
    return found


def _no_more(one: tuple[int, float, float, float], other: tuple[int, float, float, float]) -> bool:
    """Whether a cut takes nothing that another of the same lot, at the same setting, leaves."""
    return one[2] >= other[2] and one[3] >= other[3]


def _pattern(  # noqa: PLR0917 - a private step of the function above, with its state in hand
    answer: Answer, task: Task, tables: Tables, post: PlanPost, number: int, lift: float
) -> Pattern:
    names = seats_of(post)
    packs = []
    # What is left over once the packs are paid, and how the tapers differ from the gap.
    extra = lift + answer.choice.cost - sum(cell.cost for cell in answer.choice.cells)
    for seat, cell, used in zip(task.seats, answer.choice.cells, answer.used, strict=True):
        if used is None or seat.place is None:
            continue
        stack, row = used.stack, used.row
        which = names.index(seat.seat)
        inner = cell.inner and which < 3
        steps = sum(tables.steps(tables.lots[rank].thickness_mm or 0.0) for rank in stack.flats)
        steps += stack.tail[1] if stack.tail is not None else 0
        if which < 3:
            slope = task.steepest if tables.options.bearing_point == "corner" else seat.place.slope
            extra += abs(row.sigma - slope) * seat.place.inside_mm * tables.options.costs.bearing_per_mm
        packs.append(
            SeatPack(
                which, stack.flats, stack.tail, seat.place.inside_mm if inner and row.sigma > 0 else None,
                row.saw_deg, int(inner), steps,
            )
        )  # fmt: skip
    packs.sort(key=lambda pack: pack.seat)
    return pattern_of(tables, packs, extra, number)


def without_set_ups(tables: Tables) -> Tables:
    """The same box and prices with set-ups that cost nothing."""
    return Tables(tables.lots, tables.options.without_set_ups(), tables.prices, tables.length)
