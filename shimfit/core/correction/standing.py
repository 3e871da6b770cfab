"""How a post stands on its packs, what a reading asks of them, and what to change in exact thicknesses.

The packs in place tilt the foot against the bed by some slopes; the reading is the lean that is left. Both
together say how far the foot must be tilted in the end, whatever the bed is like (`Standing`). `exact_change`
asks no box what it can make.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import field, replace
from typing import TYPE_CHECKING

from shimfit.core.foot import GapPlane, clean, gap_plane
from shimfit.core.packing.question import NOTHING
from shimfit.core.resting import rest_packs, scaled
from shimfit.errors import EntryError, finite, not_negative, positive
from shimfit.model import (
    CORNERS,
    Change,
    Cost,
    Foot,
    Lean,
    Pack,
    Prescription,
    Resting,
    Seat,
    seat_by_signs,
)
from shimfit.values import dataclass

if TYPE_CHECKING:
    from shimfit.core.packing.options import Layout, Options
    from shimfit.core.packing.question import Known
    from shimfit.model import LayoutName, Tolerance

_ROUNDS = 12
_SETTLED = 1e-13
_OUT_OF_REACH_MM = 1000.0


@dataclass(frozen=True, slots=True)
class Correction:
    """What is asked: a post that stands on packs and still leans."""

    foot: Foot
    height_mm: float
    lean: Lean
    """The reading on those packs."""
    tolerance: Tolerance
    now: tuple[Pack, ...]
    """The packs in place; of those from `packs_now` the pieces are not known."""
    known: Known = NOTHING
    """How the next reading is taken, what packs give, corners that do not touch at this reading."""
    low_mm: Mapping[Seat, float] = field(default_factory=dict)
    """Feelers (of earlier readings) that are in the packs' totals already."""
    trimmed: bool = False
    """They are cut flush: no taper can be pushed any more."""

    @property
    def there(self) -> dict[Seat, Pack]:
        """The packs by their seats."""
        return {pack.seat: pack for pack in self.now if pack.made_mm > 0.0}


@dataclass(frozen=True, slots=True)
class Standing:
    """A post on its packs, and what it wants instead."""

    asked: Correction
    wanted: GapPlane
    """Least totals that plumb the post: 0 at the pivot. A constant may be added to all of them."""
    low_mm: Mapping[Seat, float]
    """How much lower than the plane the bed is at corners; part of what is wanted there."""

    def want_mm(self, x_mm: float, y_mm: float, seat: Seat) -> float:
        """Least total wanted where a seat's pack bears, from the foot's centre."""
        return self.wanted.gap_mm(x_mm, y_mm) + self.low_mm.get(seat, 0.0)

    def want_at_mm(self, seat: Seat) -> float:
        """Least total wanted at the seat itself."""
        return self.want_mm(*self.asked.foot.seat_at_mm(seat), seat)

    def bears_at_mm(self, pack: Pack) -> tuple[float, float]:
        """Where a pack bears, from the foot's centre."""
        return pack.bears_at_mm[0] + self.asked.foot.rod_at_mm[0], pack.bears_at_mm[
            1
        ] + self.asked.foot.rod_at_mm[1]

    def rests_on(self, packs: Sequence[Pack], preload_mm: float) -> Resting:
        """How the post is predicted to stand on other packs."""
        take_up = self.asked.known.take_up
        lean = scaled(Lean(self.wanted.slope_along, self.wanted.slope_across), take_up)
        return rest_packs(self.asked.foot, lean, packs, preload_mm, rocks_mm=self.low_mm, take_up=take_up)


def standing_on(asked: Correction, preload_mm: float) -> Standing:
    """The post as it stands, and the totals it wants: tilt now + reading ÷ take-up, as a gap plane.

    The tilt is that of the resting plane through the packs, not the packs themselves: an old rock is not
    frozen in (where it rocks, the middle between its limits, which is the least-squares plane of four equal
    corners). EntryError for what is no number, no foot, or no take-up.
    """
    foot, reading, take_up = asked.foot, asked.lean, positive(asked.known.take_up, "take-up", "")
    filled, hanging = (
        {seat: not_negative(value, f"feeler at {seat}") for seat, value in feelers.items()}
        for feelers in (asked.low_mm, asked.known.feelers)
    )
    hanging = {seat: value for seat, value in hanging.items() if value > 0.0}
    tilt = _tilt(foot, asked.now, preload_mm, filled, frozenset(hanging))
    plane = gap_plane(foot, tilt)
    low = filled | {seat: _low_mm(plane, asked.now, seat, value) for seat, value in hanging.items()}
    along = tilt.slope_along + finite(reading.slope_along, "lean along") / take_up
    across = tilt.slope_across + finite(reading.slope_across, "lean across") / take_up
    return Standing(asked, gap_plane(foot, Lean(along, across)), low)


def predicted_shift_mm(
    foot: Foot,
    before: Sequence[Pack],
    after: Sequence[Pack],
    height_mm: float,
    preload_mm: float,
) -> tuple[float, float]:
    """Shift of the top that a change of packs should give at a take-up of 1: (+next, +out) in mm at height.

    The top goes away from the side that is lifted. It does not depend on the bed's slope. What take-up is
    learned from.
    """
    height = positive(height_mm, "height")
    one, other = (_tilt(foot, packs, preload_mm, {}, frozenset()) for packs in (before, after))
    return (
        height * (one.slope_along - other.slope_along) + 0.0,
        height * (one.slope_across - other.slope_across) + 0.0,
    )


def pack_of(foot: Foot, seat: Seat, thickness_mm: float) -> Pack:
    """A pack given by its thickness alone, bearing at its seat. EntryError for a negative thickness."""
    made = not_negative(thickness_mm, f"pack at {seat}")
    x, y = foot.seat_at_mm(seat)
    return Pack(seat, made, made, (x - foot.rod_at_mm[0], y - foot.rod_at_mm[1]))


def _tilt(
    foot: Foot,
    packs: Sequence[Pack],
    preload_mm: float,
    low_mm: Mapping[Seat, float],
    hanging: frozenset[Seat],
) -> Lean:
    """Slopes of the foot over the bed. A rectangle is settled at once; a round foot's pivot moves with it.

    Corners that hang in the air are put out of reach, so that the plane is that of the others; that is seen
    finger tight, so nothing is compressed then.
    """
    preload = 0.0 if hanging else preload_mm
    rocks = {**low_mm, **dict.fromkeys(hanging, _OUT_OF_REACH_MM)}
    along = across = 0.0
    for _ in range(_ROUNDS):
        resting = rest_packs(foot, Lean(along, across), packs, preload, rocks_mm=rocks)
        left = resting.lean or _between(foot, resting, hanging)
        along, across = along - left.slope_along, across - left.slope_across
        if abs(left.slope_along) + abs(left.slope_across) < _SETTLED:
            break
    return Lean(along, across)


def _between(foot: Foot, resting: Resting, hanging: frozenset[Seat]) -> Lean:
    """Where a rocking post stood when it was read: at the limit that lifts the corners that hang.

    Without such a corner nobody knows; the middle is the least-squares plane of four equal corners.
    """
    assert resting.limits is not None
    one, other = resting.limits
    if not hanging:
        return Lean((one.slope_along + other.slope_along) / 2, (one.slope_across + other.slope_across) / 2)

    def lifts_mm(limit: Lean) -> float:
        places = (foot.seat_at_mm(seat) for seat in hanging)
        return sum(-limit.slope_along * x - limit.slope_across * y for x, y in places)

    return max(one, other, key=lifts_mm)


def _low_mm(plane: GapPlane, packs: Sequence[Pack], seat: Seat, feeler_mm: float) -> float:
    """How much lower the bed is under a corner that hangs by its feeler over what is there now."""
    there = sum(pack.made_mm for pack in packs if pack.seat is seat)
    return max(0.0, there + feeler_mm - plane.at_seat_mm(seat)) if seat in CORNERS else feeler_mm


# ---------------------------------------------------------------- what to change, in exact thicknesses

QUANTUM_MM = 0.01
"""Grid of thicknesses: a pack that is nearer to its want than half of it stays as it is."""


def exact_change(standing: Standing, options: Options) -> Prescription:
    """New totals that plumb the post exactly, with the fewest packs touched.

    Every constant that lets one pack stay as it is is tried, and the seats of the layout as well as the
    edge middles that are packed now. Changes stand in the seats' own order; a seat that keeps its pack is
    not among them. `lean` of the answer is the reading; made is need, and there are no pieces.
    """
    asked, preload_mm = standing.asked, options.preload_mm
    foot, there = asked.foot, asked.there
    height_mm, tolerance = positive(asked.height_mm, "height"), asked.tolerance

    def totals(name: LayoutName, seats: Sequence[Seat], lift_mm: float) -> Prescription:
        new, changes = [], []
        for seat in Seat:
            old = there.get(seat)
            made = total = old.made_mm if old else 0.0
            if seat not in seats:
                total = 0.0
            else:
                at = foot.seat_at_mm(seat) if old is None else standing.bears_at_mm(old)
                want = clean(standing.want_mm(*at, seat) + lift_mm)
                # A pack that is near enough stays as it is.
                total = made if abs(want - made) < QUANTUM_MM / 2 else want
            if total != made:
                changes.append(Change(seat, made, total))
            if total > 0.0:
                pack = old or pack_of(foot, seat, total)
                pieces = pack.pieces if made == total else ()
                new.append(replace(pack, need_mm=total, made_mm=total, pieces=pieces))
        resting = standing.rests_on(new, preload_mm)
        within = resting.lean is not None and tolerance.holds(resting.lean, height_mm)
        return Prescription(
            post=foot,
            height_mm=height_mm,
            lean=asked.lean,
            tolerance=tolerance,
            packs=tuple(new),
            resting=resting,
            within=within,
            status="proven",
            layout=name,
            cost=Cost(float(len(changes)), (("changes", float(len(changes))),)),
            change=tuple(changes),
        )

    def effort(way: tuple[Prescription, float]) -> tuple[bool, int, float, int, float]:
        """What a change costs where nothing has a price, after that it must plumb the post.

        Seats touched, then a wide base, packs there, height gained.
        """
        found, lift_mm = way
        base = -round(found.resting.tipping_arm, 3)
        return not found.within, len(found.change), base, len(found.packs), round(lift_mm, 6)

    ways = (
        (totals(name, seats, lift), lift)
        for name, seats in _layouts(standing, there, options.layout)
        for lift in _lifts(standing, there, seats)
    )
    return min(ways, key=effort)[0]


def packs_now(foot: Foot, totals_mm: Mapping[Seat, float]) -> tuple[Pack, ...]:
    """Packs in place, given by totals: `next-out=1.5`. EntryError for a negative or impossible total."""
    for seat, total in totals_mm.items():
        if total > 200.0:
            raise EntryError(f"A pack of {total:g} mm at {seat} is too thick for a pack; check its unit.")
    return tuple(pack_of(foot, seat, totals_mm[seat]) for seat in Seat if totals_mm.get(seat, 0.0) != 0.0)


def _layouts(
    standing: Standing, there: Mapping[Seat, Pack], layout: Layout
) -> Iterator[tuple[LayoutName, tuple[Seat, ...]]]:
    """Seats that may be packed: those of the layout asked for, and those packed now if they differ."""
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
