"""A pattern: the packs of one post, what they cost, what they take from the box, and the packs behind it."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass, replace
from heapq import heappop, heappush
from itertools import product
from typing import TYPE_CHECKING, NamedTuple

from shimfit.core.foot import gap_plane
from shimfit.core.packing.draft import packs_of
from shimfit.core.packing.pieces import Caps, Stack
from shimfit.core.packing.question import Build, place_of
from shimfit.core.planning.geometry import PIVOT, seats_of
from shimfit.core.planning.search import BARE, row_of
from shimfit.errors import InternalError
from shimfit.model import Lean

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from shimfit.core.packing.pieces import Row
    from shimfit.core.packing.tables import Tables
    from shimfit.core.planning.geometry import PlanPost
    from shimfit.core.planning.search import Choice
    from shimfit.model import Lot, Pack

OWN_STOCK_TRIES = 24
"""Ways out that are looked at where two seats of a post want one piece."""


@dataclass(frozen=True, slots=True)
class SeatPack:
    """What stands at one seat."""

    seat: int
    """0, 1, 2: the seats A, B, F of the geometry; 3 the pivot."""
    flats: tuple[int, ...]
    """Ranks of the flat lots."""
    tail: tuple[int, int] | None
    """(rank, thickness in quanta where it is measured) of the taper or the wedge."""
    inner_mm: float | None
    """How far in from the face the tail's thickness is measured; None at the face."""
    saw_deg: float | None
    state: int
    """0 bears at the face, 1 further in."""
    steps: int
    """Thickness of the whole pack where it bears, in quanta."""
    behind: tuple[float, float] | None = None
    """Between which places on its taper it begins behind another's cut, mm; None: by itself."""


class Stretch(NamedTuple):
    """What is taken of a taper, mm from its thin end."""

    rank: int
    start: float
    """Where it begins; at last, where it begins behind a cut."""
    end: float
    first: float | None = None
    """Where it begins at first behind a cut; None: by itself."""


@dataclass(frozen=True, slots=True)
class Uses:
    """What a pattern takes; lots by rank."""

    flats: tuple[tuple[int, int], ...]
    """(rank, pieces)."""
    stretches: tuple[Stretch, ...]
    lengths: tuple[tuple[int, float, float], ...]
    """(rank, mm of the strip, saw setting in degrees)."""
    settings: tuple[tuple[int, float], ...]
    """(seat, saw setting)."""

    @property
    def ranks(self) -> list[int]:
        """Of every piece."""
        flats = [rank for rank, pieces in self.flats for _ in range(pieces)]
        tapers, strips = [one.rank for one in self.stretches], [rank for rank, _, _ in self.lengths]
        return [*flats, *tapers, *strips]


@dataclass(frozen=True, slots=True)
class Pattern:
    """The packs of one post."""

    post: int
    packs: tuple[SeatPack, ...]
    cost: float
    """Without prices, without set-ups."""
    uses: Uses

    @property
    def needs(self) -> frozenset[float]:
        """Saw settings that its wedges are cut at."""
        return frozenset(deg for _, deg in self.uses.settings)

    @property
    def key(self) -> tuple[object, ...]:
        """Same key, same pieces at the same seats."""
        return (self.post, self.packs)


def within_own_stock(
    tables: Tables,
    picked: Sequence[tuple[int, int, Choice]],
    extra: float,
    post: int,
    limit: float = math.inf,
) -> tuple[Pattern | None, float]:
    """The cheapest pattern of these thicknesses that the box holds; and what, priced, none is below.

    Where two seats want one piece, each in turn goes without it, the cheapest way out first: so the first
    that the box holds is the best. None when that was not found in a few tries or below the limit, or there
    is none (then +inf).
    """
    first: list[Stack | None] = [_stack(tables, choice, Caps()) for _, _, choice in picked]
    if any(stack is None and choice.row != BARE for stack, (_, _, choice) in zip(first, picked, strict=True)):
        return None, math.inf
    number = 0
    heap = [
        (sum(stack.cost for stack in first if stack is not None), number, first, [Caps() for _ in picked])
    ]
    while heap:
        cost, _, stacks, caps = heappop(heap)
        pattern = _pattern(tables, picked, stacks, extra, post)
        clash = overused(pattern.uses, tables.lots)
        if clash is None:
            return pattern, cost + extra
        if number >= OWN_STOCK_TRIES or cost + extra >= limit:
            return None, cost + extra
        for place, (stack, (_, _, choice)) in enumerate(zip(stacks, picked, strict=True)):
            cap = None if stack is None else _without(caps[place], stack, clash)
            if stack is None or cap is None:
                continue
            other = _stack(tables, choice, cap)
            if other is not None:
                number += 1
                heappush(
                    heap,
                    (
                        cost + other.cost - stack.cost, number,
                        [*stacks[:place], other, *stacks[place + 1 :]],
                        [*caps[:place], cap, *caps[place + 1 :]],
                    ),
                )  # fmt: skip
    return None, math.inf


def overused(uses: Uses, lots: Sequence[Lot]) -> tuple[int, float | None] | None:
    """The first lot that a pattern alone uses more of than there is: (rank, point of a taper or None)."""
    for rank, pieces in uses.flats:
        if pieces > lots[rank].count:
            return rank, None
    for rank, start, *_ in uses.stretches:
        covering = sum(a <= start < b for other, a, b, _ in uses.stretches if other == rank)
        if covering > lots[rank].count:
            return rank, start
    return None


def _stack(tables: Tables, choice: Choice, caps: Caps) -> Stack | None:
    if choice.row == BARE:
        return None
    return tables.stack(row_of(tables, choice), choice.steps, caps, choice.inner_mm)


def _without(caps: Caps, stack: Stack, clash: tuple[int, float | None]) -> Caps | None:
    """Caps under which the stack must do with one piece less of the lot; None when it does not use it."""
    rank, point = clash
    if point is not None:
        if stack.tail is None or stack.tail[0] != rank:
            return None
        return Caps(caps.flats, (*caps.points, (rank, point)), caps.strips)
    pieces = stack.flats.count(rank)
    if not pieces:
        return None
    others = tuple(cap for cap in caps.flats if cap[0] != rank)
    return Caps((*others, (rank, pieces - 1)), caps.points, caps.strips)


def _pattern(
    tables: Tables, picked: Sequence[tuple[int, int, Choice]], stacks: Sequence[Stack | None], extra: float,
    post: int,
) -> Pattern:  # fmt: skip
    packs = []
    for (seat, state, choice), stack in zip(picked, stacks, strict=True):
        if stack is None:
            continue
        saw_deg = row_of(tables, choice).saw_deg
        pack = SeatPack(seat, stack.flats, stack.tail, choice.inner_mm, saw_deg, state, choice.steps)
        packs.append(begun(tables, pack)[0][1])
    return pattern_of(tables, packs, extra, post)


def begun(tables: Tables, pack: SeatPack) -> list[tuple[float, SeatPack]]:
    """A pack whose taper begins by itself and behind another's cut, the cheaper first.

    With what that costs more than the cheaper at the prices.
    """
    if pack.tail is None or pack.saw_deg is not None:
        return [(0.0, pack)]
    own, behind = tables.begins(*pack.tail, pack.inner_mm)
    if not math.isfinite(behind):
        return [(0.0, pack)]
    after = replace(pack, behind=tables.behind(*pack.tail, pack.inner_mm))
    ways = [(own, replace(pack, behind=None)), (behind, after)]
    return [(cost - min(own, behind), one) for cost, one in sorted(ways, key=lambda way: way[0])]


def turned(tables: Tables, pattern: Pattern) -> list[Pattern]:
    """A pattern with each of its stretches begun by itself and behind another's cut."""
    each = [[one for _, one in begun(tables, pack)] for pack in pattern.packs]
    extra = pattern.cost - sum(pieces_cost(tables, pack) for pack in pattern.packs)
    return [pattern_of(tables, packs, extra, pattern.post) for packs in product(*each)]


def pattern_of(tables: Tables, packs: Sequence[SeatPack], extra: float, post: int) -> Pattern:
    """A pattern of these packs; `extra` is what the next round and lifting cost."""
    cost = extra + sum(pieces_cost(tables, pack) for pack in packs)
    return Pattern(post, tuple(packs), cost, uses_of(tables, packs))


def uses_of(tables: Tables, packs: Sequence[SeatPack]) -> Uses:
    """What packs take from the box."""
    flats: Counter[int] = Counter()
    stretches, lengths, settings = [], [], []
    for pack in packs:
        flats.update(pack.flats)
        if pack.tail is None:
            continue
        rank, steps = pack.tail
        if pack.saw_deg is None:
            first, last = pack.behind or (None, None)
            end = tables.stretch(rank, steps, pack.inner_mm)[1]
            own = max(
                0.0, tables.mark_mm(rank, steps, pack.inner_mm) - tables.options.takes_mm(pack.inner_mm)
            )
            stretches.append(Stretch(rank, own if last is None else last, end, first))
        else:
            lengths.append((rank, strip_length_mm(tables, pack), pack.saw_deg))
            settings.append((pack.seat, pack.saw_deg))
    return Uses(tuple(sorted(flats.items())), tuple(stretches), tuple(lengths), tuple(settings))


def strip_length_mm(tables: Tables, pack: SeatPack) -> float:
    """Length of the strip that a pack's wedge takes with its kerf."""
    assert pack.tail is not None
    assert pack.saw_deg is not None
    return tables.wedge_mm(tables.lots[pack.tail[0]], pack.saw_deg, thick_edge_mm(tables, pack))


def thick_edge_mm(tables: Tables, pack: SeatPack) -> float:
    """Thickness of a pack's tail at the face (a wedge's thick edge)."""
    assert pack.tail is not None
    rank, steps = pack.tail
    slope = (
        tables.lots[rank].taper_slope if pack.saw_deg is None else 2 * math.tan(math.radians(pack.saw_deg))
    )
    return steps * tables.options.quantum_mm + slope * (pack.inner_mm or 0.0)


def pieces_cost(tables: Tables, pack: SeatPack) -> float:
    """Pieces, cuts and new material, without prices."""
    costs, lots = tables.options.costs, tables.lots
    cost = 0.0
    for rank in pack.flats:
        cost += costs.piece
        if lots[rank].origin == "bought":
            cost += costs.new_flat
    if pack.tail is not None:
        rank, steps = pack.tail
        lot = lots[rank]
        cost += costs.piece + costs.cut
        if pack.saw_deg is None:
            mark_mm = tables.mark_mm(rank, steps, pack.inner_mm)
            if pack.behind is None and tables.trims_tip(mark_mm, pack.inner_mm):
                cost += costs.tip_cut
            if lot.origin == "bought":
                cost += costs.new_taper
            elif lot.origin == "offcut":
                cost += costs.thick_per_mm * steps * tables.options.quantum_mm
        elif lot.origin == "bought":
            assert lot.length_mm is not None
            cost += costs.new_strip_mm(lot.length_mm) * strip_length_mm(tables, pack)
    return cost


def tips_cut(tables: Tables, pattern: Pattern) -> int:
    """Tips of tapers that are cut off for a pattern."""
    own = (one for one in pattern.packs if one.tail and one.saw_deg is None and one.behind is None)
    tails = ((*one.tail, one.inner_mm) for one in own if one.tail)
    return sum(tables.trims_tip(tables.mark_mm(*tail), tail[-1]) for tail in tails)


def packs_behind(post: PlanPost, pattern: Pattern, tables: Tables) -> tuple[Pack, ...]:
    """Packs of a post's pattern; `tables` are those that the pattern was made from (prices don't matter).

    Which copies they are cut from is left open: the posts share them (`made_together`).
    InternalError when a pack has no room at its seat.
    """
    options = tables.options
    plane = gap_plane(post.foot, Lean(*post.to_correct))
    seats = seats_of(post)
    lift_mm = sum(pack.steps for pack in pattern.packs if pack.seat == PIVOT) * options.quantum_mm
    # Needs are searched from the corner that stays down; of a round foot the rim beside it is lower.
    rim_mm = plane.at_seat_mm(seats[PIVOT])
    builds = []
    for pack in pattern.packs:
        place = place_of(plane, seats[pack.seat], options, lift_mm - rim_mm)
        if place is None:
            raise InternalError("a plan put a pack where there is no room for one; please report the run")
        inner = pack.state == 1
        stack = Stack(0.0, pack.tail, pack.flats)
        need_mm = place.need_mm(inner) + rim_mm
        builds.append(Build(place.seat, place, inner, pack.steps, _row_of(tables, pack), stack, need_mm))
    packs = copies_open(packs_of(tables, builds, post.foot.rod_at_mm))
    return tuple(map(_behind, packs, (pack.behind for pack in pattern.packs)))


def _behind(pack: Pack, behind: tuple[float, float] | None) -> Pack:
    """A pack whose taper begins behind another's cut."""
    if behind is None:
        return pack
    pieces = (replace(one, trim_tip_mm=behind[0]) if one.is_marked else one for one in pack.pieces)
    return replace(pack, pieces=tuple(pieces))


def copies_open(packs: Iterable[Pack]) -> tuple[Pack, ...]:
    """Packs that don't say which of several tapers or strips they are cut from."""
    return tuple(
        replace(pack, pieces=tuple(replace(piece, copy=None) for piece in pack.pieces)) for pack in packs
    )


def _row_of(tables: Tables, pack: SeatPack) -> Row:
    """The class of pack that it was chosen from: same saw setting, and its tail's lot among the class's."""
    return next(
        row
        for row in tables.inner_table(pack.inner_mm)[0]
        if row.saw_deg == pack.saw_deg
        and (pack.tail is None) == (not row.runs)
        and (pack.tail is None or any(run.rank == pack.tail[0] for run in row.runs))
    )
