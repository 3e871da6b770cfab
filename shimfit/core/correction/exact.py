"""What to change, in exact thicknesses: no box is asked what it can make."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

from shimfit.core.checks import positive
from shimfit.core.correction.standing import Standing, pack_of
from shimfit.errors import EntryError, UsageError
from shimfit.model import (
    CORNERS,
    Change,
    Cost,
    LayoutName,
    Pack,
    Prescription,
    Resting,
    Seat,
    Tolerance,
    seat_by_signs,
)

if TYPE_CHECKING:
    from shimfit.model import Foot

Layout = LayoutName | Literal["auto"]
QUANTUM_MM = 0.01
"""Grid of thicknesses: a pack that is nearer to its want than half of it stays as it is."""


@dataclass(frozen=True, slots=True)
class _Plan:
    """Totals for one choice of seats and one constant under all of them."""

    layout: LayoutName
    lift_mm: float
    changes: tuple[Change, ...]

    packs: tuple[Pack, ...]
    resting: Resting
    within: bool

    @property
    def effort(self) -> tuple[bool, int, float, int, float]:
        """What a change costs where nothing has a price, after that it must plumb the post.

        Seats touched, then a wide base, packs there, height gained.
        """
        base = -round(self.resting.tipping_arm, 3)
        return not self.within, len(self.changes), base, len(self.packs), round(self.lift_mm, 6)


def exact_change(
    standing: Standing,
    packs: Sequence[Pack],
    height_mm: float,
    tolerance: Tolerance,
    *,
    preload_mm: float,
    layout: Layout = "corners",
) -> Prescription:
    """New totals that plumb the post exactly, with the fewest packs touched.

    Every constant that lets one pack stay as it is is tried, and the seats of the layout as well as the
    edge middles that are packed now. Changes stand in the seats' own order; a seat that keeps its pack is
    not among them. `lean` of the answer is the reading; made is need, and there are no pieces.
    """
    positive(height_mm, "height")
    there = {pack.seat: pack for pack in packs if pack.made_mm > 0.0}

    def plan(name: LayoutName, seats: Sequence[Seat], lift_mm: float) -> _Plan:
        totals = _totals(standing, there, seats, lift_mm)
        new = tuple(_pack(standing, there, seat, total) for seat, total in totals.items() if total > 0.0)
        resting = standing.rests_on(new, preload_mm)
        within = resting.lean is not None and tolerance.holds(resting.lean, height_mm)
        return _Plan(name, lift_mm, _changes(there, totals), new, resting, within)

    plans = [
        plan(name, seats, lift)
        for name, seats in _layouts(standing, there, layout)
        for lift in _lifts(standing, there, seats)
    ]
    best = min(plans, key=lambda plan: plan.effort)
    return Prescription(
        post=standing.foot,
        height_mm=height_mm,
        lean=standing.reading,
        tolerance=tolerance,
        packs=best.packs,
        resting=best.resting,
        within=best.within,
        status="proven",
        layout=best.layout,
        cost=Cost(float(len(best.changes)), (("changes", float(len(best.changes))),)),
        change=best.changes,
    )


def packs_now(foot: Foot, totals_mm: Mapping[Seat, float]) -> tuple[Pack, ...]:
    """Packs in place, told by their totals: `next-out=1.5`. EntryError for a negative or impossible total."""
    for seat, total in totals_mm.items():
        if total > 200.0:
            raise EntryError(f"A pack of {total:g} mm at {seat} is too thick for a pack; check its unit.")
    return tuple(pack_of(foot, seat, totals_mm[seat]) for seat in Seat if totals_mm.get(seat, 0.0) != 0.0)


def _layouts(
    standing: Standing, there: Mapping[Seat, Pack], layout: Layout
) -> Iterator[tuple[LayoutName, tuple[Seat, ...]]]:
    """Seats that may be packed: those of the layout asked for, and those packed now if they differ."""
    if layout not in ("corners", "tripod", "one-way", "auto"):
        raise UsageError(f"There is no layout {layout!r}; use corners, tripod, one-way or auto.")
    middles = _low_edge_middles(standing)
    packed = tuple(seat for seat in there if not seat.is_corner)
    if layout in ("corners", "auto") or not middles:
        yield "corners", CORNERS
        if packed:
            yield "corners", CORNERS + packed
    if middles and (layout in ("tripod", "one-way", "auto") or packed):
        yield "tripod" if len(middles) == 2 else "one-way", middles


def _low_edge_middles(standing: Standing) -> tuple[Seat, ...]:
    """Middles of the edges that the wanted plane lifts; two for a tripod, one for a one-way lean."""
    along = (standing.wanted.slope_along > 0.0) - (standing.wanted.slope_along < 0.0)
    across = (standing.wanted.slope_across > 0.0) - (standing.wanted.slope_across < 0.0)
    return tuple(seat_by_signs(*signs) for signs in ((along, 0), (0, across)) if signs != (0, 0))


def _lifts(standing: Standing, there: Mapping[Seat, Pack], seats: Sequence[Seat]) -> list[float]:
    """Constants to try: none, and those that keep one pack as it is. Only corners can lift a whole post."""
    lifts = [0.0]
    if set(seats) >= set(CORNERS):
        for seat, pack in there.items():
            if seat in seats:
                want = standing.want_mm(*standing.bears_at_mm(pack), seat)
                lifts.append(max(0.0, pack.made_mm - want))
    return lifts


def _totals(
    standing: Standing, there: Mapping[Seat, Pack], seats: Sequence[Seat], lift_mm: float
) -> dict[Seat, float]:
    """What each seat gets; a pack that is near enough stays as it is."""
    totals = {}
    for seat in (seat for seat in Seat if seat in seats):
        old = there.get(seat)
        at = standing.foot.seat_at_mm(seat) if old is None else standing.bears_at_mm(old)
        want = _clean(standing.want_mm(*at, seat) + lift_mm)
        made = 0.0 if old is None else old.made_mm
        totals[seat] = made if abs(want - made) < QUANTUM_MM / 2 else want
    return totals


def _changes(there: Mapping[Seat, Pack], totals: Mapping[Seat, float]) -> tuple[Change, ...]:
    made = {seat: pack.made_mm for seat, pack in there.items()}
    return tuple(
        Change(seat, made.get(seat, 0.0), totals.get(seat, 0.0))
        for seat in Seat
        if made.get(seat, 0.0) != totals.get(seat, 0.0)
    )


def _pack(standing: Standing, there: Mapping[Seat, Pack], seat: Seat, total_mm: float) -> Pack:
    old = there.get(seat)
    if old is None:
        return pack_of(standing.foot, seat, total_mm)
    kept = old.pieces if old.made_mm == total_mm else ()
    return replace(old, need_mm=total_mm, made_mm=total_mm, pieces=kept)


def _clean(value: float) -> float:
    """Without the dust of binary fractions: 1.2000000000000002 is 1.2."""
    return round(value, 9) + 0.0
