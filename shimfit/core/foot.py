"""The gap plane: how far the foot of the plumbed post stands off the bed, seat by seat.

A post that leans towards X has its low side there: plumbing it lifts the X side. The clearance under the
foot of the plumb post is linear, gap(x, y) = s_along·x + s_across·y − (its least value over the foot), so
it is 0 at the pivot and nowhere negative. Positions are from the foot's centre, (+next, +out), in mm.
Where the rod pulls plays no part here, only in how the post comes to rest.
"""

from __future__ import annotations

import math
from functools import lru_cache

from shimfit.errors import EntryError, finite, not_negative, positive
from shimfit.model import CORNERS, Face, Foot, Lean, Seat, seat_by_signs
from shimfit.values import dataclass

DUST_MM = 1e-9
"""Below this a clearance is rounding, not wood: a slope that lifts the whole foot by less is exactly 0."""


@dataclass(frozen=True, slots=True)
class GapPlane:
    """Clearance between the foot of the plumb post and the bed. Build it with `gap_plane`."""

    foot: Foot
    slope_along: float
    slope_across: float
    at_centre_mm: float

    def gap_mm(self, x_mm: float, y_mm: float) -> float:
        """Gap at a point of the foot, from its centre (+next, +out); exactly 0 at the pivot."""
        gap = (self.slope_along * x_mm + self.slope_across * y_mm) + self.at_centre_mm
        return 0.0 if abs(gap) < DUST_MM else gap

    def at_seat_mm(self, seat: Seat) -> float:
        """Gap at a seat of the perimeter."""
        return self.gap_mm(*self.foot.seat_at_mm(seat))

    def slope_towards(self, face: Face) -> float:
        """How much the gap grows towards a face (ratio)."""
        return face.sign * (self.slope_along if face.is_along else self.slope_across)

    @property
    def seats_mm(self) -> dict[Seat, float]:
        """Gap at all eight seats, in the seats' own order."""
        return {seat: self.at_seat_mm(seat) for seat in Seat}

    @property
    def pivot(self) -> Seat | None:
        """What stays down: a corner; the middle seat of the edge when one slope is 0.

        None when there is no lean, and for a round foot (see `pivot_at_mm`).
        """
        signs = tuple((slope < 0.0) - (slope > 0.0) for slope in (self.slope_along, self.slope_across))
        if self.foot.round or signs == (0, 0):
            return None
        return seat_by_signs(*signs)

    @property
    def pivot_at_mm(self) -> tuple[float, float] | None:
        """Where the gap is 0: a corner, the middle of the edge that stays down, or the rim's exact point.

        None when there is no lean: then the whole foot is down.
        """
        if self.foot.round:
            steepest = math.hypot(self.slope_along, self.slope_across)
            if steepest == 0.0:
                return None
            reach = self.foot.along_mm / 2 / steepest
            return -self.slope_along * reach, -self.slope_across * reach
        pivot = self.pivot
        return None if pivot is None else self.foot.seat_at_mm(pivot)

    @property
    def edges_mm(self) -> dict[Face, dict[Seat, float]]:
        """Gap at both ends of each face's edge, house or prev end first; empty for a round foot."""
        if self.foot.round:
            return {}
        ends = {face: [seat for seat in CORNERS if face in seat] for face in Face}
        return {face: {seat: self.at_seat_mm(seat) for seat in seats} for face, seats in ends.items()}


def gap_plane(foot: Foot, lean: Lean) -> GapPlane:
    """Gap plane that plumbs a post of this foot and lean.

    A slope that would lift the whole foot by less than `DUST_MM` is taken as exactly 0, so that the dust
    of a subtraction can't turn a pivot edge into a pivot corner. EntryError for a foot or lean that is
    none (see `check_foot`).
    """
    check_foot(foot)
    along, across = finite(lean.slope_along, "lean along"), finite(lean.slope_across, "lean across")
    along = 0.0 if abs(along) * foot.along_mm < DUST_MM else along
    across = 0.0 if abs(across) * foot.across_mm < DUST_MM else across
    if foot.round:
        at_centre = math.hypot(along, across) * foot.along_mm / 2
    else:
        at_centre = abs(along) * foot.along_mm / 2 + abs(across) * foot.across_mm / 2
    return GapPlane(foot, along, across, at_centre)


@lru_cache(maxsize=256)
def check_foot(foot: Foot) -> Foot:
    """The foot itself; EntryError when no post can have it.

    Sides above 0, a round foot's two equal, the rod's hole not negative and wholly inside the foot where
    the rod pulls.
    """
    positive(foot.along_mm, "foot along the run")
    positive(foot.across_mm, "foot across the run")
    not_negative(foot.rod_hole_mm, "rod hole")
    x = finite(foot.rod_at_mm[0], "rod's place along")
    y = finite(foot.rod_at_mm[1], "rod's place across")
    if foot.round and foot.along_mm != foot.across_mm:
        raise EntryError(
            f"A round foot has one diameter, not {foot.along_mm:g} mm and {foot.across_mm:g} mm; "
            "type it after a d."
        )
    if foot.rod_hole_mm >= min(foot.along_mm, foot.across_mm):
        raise EntryError(
            f"The rod hole of {foot.rod_hole_mm:g} mm is as wide as the foot {foot.text}; "
            "nothing would be left to stand on."
        )
    hole = foot.rod_hole_mm / 2
    if foot.round:
        inside = math.hypot(x, y) + hole < foot.along_mm / 2
    else:
        inside = abs(x) + hole < foot.along_mm / 2 and abs(y) + hole < foot.across_mm / 2
    if not inside:
        raise EntryError(
            f"The rod hole of {foot.rod_hole_mm:g} mm at {x:g}, {y:g} mm from the centre breaks out of the "
            f"foot {foot.text}; measure where the rod is again."
        )
    return foot


def clean(value: float) -> float:
    """Without the dust of binary fractions: 1.4900000000000002 is 1.49."""
    return round(value, 9) + 0.0
