"""Where packs can go under one foot, which way they are pushed in, how far, and what is wanted there."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from shimfit.errors import EntryError
from shimfit.model import CORNERS, Face, Foot, Seat

if TYPE_CHECKING:
    from collections.abc import Mapping

    from shimfit.core.foot import GapPlane
    from shimfit.core.packing.options import Options

_FACE_OF = {face.value: face for face in Face}


@dataclass(frozen=True, slots=True)
class Place:
    """One seat of one post. Positions are from the foot's centre (+next, +out), in mm."""

    seat: Seat
    enters: Face
    """The face that the pack is pushed in from."""
    slope: float
    """How much the gap grows outwards along the push (ratio); 0 where it does not."""
    inside_mm: float
    """How far in a piece bears: the bearing length, or less where the rod's hole is nearer."""
    face_at_mm: tuple[float, float]
    """The seat itself, where a piece at least as steep as the gap bears."""
    inner_at_mm: tuple[float, float]
    """Where a flatter piece bears."""
    face_need_mm: float
    inner_need_mm: float

    def at_mm(self, inner: bool) -> tuple[float, float]:
        """Where a pack bears."""
        return self.inner_at_mm if inner else self.face_at_mm

    def need_mm(self, inner: bool) -> float:
        """Thickness wanted where a pack bears."""
        return self.inner_need_mm if inner else self.face_need_mm


def place_of(plane: GapPlane, seat: Seat, options: Options, extra_mm: float = 0.0) -> Place | None:
    """The place at a seat; None when the rod's hole leaves no room for a piece there.

    extra_mm is added to the need: the feeler thickness of a corner that does not touch, or what turns the
    gap into a total told otherwise.
    """
    foot = plane.foot
    enters = _entry(plane, seat)
    slope = max(0.0, _slope_towards(plane, enters))
    inside = min(options.bearing_mm, _reach_mm(foot, seat, enters, options))
    if inside < options.room_mm:
        return None
    at = foot.seat_at_mm(seat)
    inner = _moved(at, enters, -inside)
    if options.bearing_point == "corner":
        inner = at
    return Place(
        seat=seat,
        enters=enters,
        slope=slope,
        inside_mm=inside,
        face_at_mm=at,
        inner_at_mm=inner,
        face_need_mm=plane.gap_mm(*at) + extra_mm,
        inner_need_mm=plane.gap_mm(*inner) + extra_mm,
    )


def corner_places(
    plane: GapPlane, options: Options, extra_mm: Mapping[Seat, float]
) -> dict[Seat, Place | None]:
    """Places at the four corners; EntryError when the rod's hole leaves room at none of them."""
    places = {seat: place_of(plane, seat, options, extra_mm.get(seat, 0.0)) for seat in CORNERS}
    if not any(places.values()):
        raise no_room(plane.foot)
    return places


def no_room(foot: Foot) -> EntryError:
    """The refusal when no piece fits between the faces and the rod."""
    return EntryError(
        f"The rod hole of {foot.rod_hole_mm:g} mm leaves no room for packs under a foot of {foot.text}; "
        "check the hole and the foot."
    )


def _entry(plane: GapPlane, seat: Seat) -> Face:
    """A face for itself; at a corner its low face, the steeper of two, along the run on a tie."""
    if not seat.is_corner:
        return _FACE_OF[seat.value]
    along = Face.NEXT if seat.sign_along > 0 else Face.PREV
    across = Face.OUT if seat.sign_across > 0 else Face.HOUSE
    return across if _slope_towards(plane, across) > _slope_towards(plane, along) else along


def _slope_towards(plane: GapPlane, face: Face) -> float:
    return face.sign * (plane.slope_along if face.is_along else plane.slope_across)


def _reach_mm(foot: Foot, seat: Seat, enters: Face, options: Options) -> float:
    """How far a piece can go in: to the rod's hole less the clearance, or past it in a lane of its own."""
    axis = 0 if enters.is_along else 1
    at = foot.seat_at_mm(seat)
    keep_off = foot.rod_hole_mm / 2 + options.clearance_mm
    if seat.is_corner and options.lane_mm is not None:
        beside = abs(at[1 - axis] - foot.rod_at_mm[1 - axis]) - keep_off
        if options.lane_mm <= beside:
            return 2.0 * abs(at[axis])
    return enters.sign * (at[axis] - foot.rod_at_mm[axis]) - keep_off


def _moved(at: tuple[float, float], face: Face, by_mm: float) -> tuple[float, float]:
    step = face.sign * by_mm
    return (at[0] + step, at[1]) if face.is_along else (at[0], at[1] + step)
