"""From what was measured to slopes, exactly: no small-angle shortcuts.

A slope is mm of lean per mm of height, the tangent of the angle in each direction's own upright plane.
Every function raises EntryError for a number that is NaN or infinite, and says when a length is 0 or an
angle too steep to be a lean.

A bowed post is shown and kept, and a bow is never packed for: plumb is the line from the foot's centre to the
top's centre. A second reading at half height shows how far the post's middle stands off that line.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence

from shimfit.errors import EntryError, finite, positive
from shimfit.model import FACE_NAMES, Face, Lean, Reading
from shimfit.values import dataclass


def from_offset(offset_mm: float, height_mm: float) -> float:
    """Slope of an offset read over a vertical height: offset ÷ height. Sign as the offset's.

    This is the everyday case: a plumb line, or a level held plumb with one end touching and the gap at
    the other end taken horizontally (then the level's length is a height).
    """
    return finite(offset_mm, "offset") / positive(height_mm, "height")


def from_degrees(angle_deg: float) -> float:
    """Slope of an angle from plumb, typed for one direction: s = tan θ in that direction's upright plane."""
    angle = finite(angle_deg, "angle")
    if abs(angle) >= 90.0:
        raise EntryError(f"{angle:g}° can't be a lean; a post leans less than 90° from plumb.")
    return math.tan(math.radians(angle))


def to_degrees(slope: float) -> float:
    """Angle from plumb of a slope, in degrees: the inverse of `from_degrees`."""
    return math.degrees(math.atan(finite(slope, "slope")))


def from_acceleration(along: float, across: float, up: float) -> Lean:
    """Slopes of a three-axis acceleration at rest: (−along/up, −across/up). Any common unit.

    Axes: along and across the run, up the post; at rest the triple is gravity's reaction, so it points
    up. Size of gravity and a common gain error cancel. EntryError when the up part is not above 0: the
    sensor lies on its side or upside down.
    """
    vertical = finite(up, "acceleration up the post")
    if vertical <= 0.0:
        raise EntryError(
            f"The acceleration up the post is {vertical:g}; the sensor's z axis must point up the post."
        )
    return Lean(
        -finite(along, "acceleration along") / vertical,
        -finite(across, "acceleration across") / vertical,
    )


def from_elevations(along_deg: float, across_deg: float) -> Lean:
    """Slopes from the elevation of two level axes: each angle is an axis against the horizontal.

    Positive: the axis's + end is UP, so the top leans the other way and the slope is negative. Each axis
    reports the arcsine of its own gravity component, u = sin θ; with the third component
    √(1 − u_along² − u_across²) the slopes are −u ÷ that. EntryError when both can't be true of two axes
    at right angles.
    """
    along = math.sin(math.radians(finite(along_deg, "angle along")))
    across = math.sin(math.radians(finite(across_deg, "angle across")))
    level_part = along * along + across * across
    if level_part >= 1.0:
        raise EntryError(
            f"{along_deg:g}° and {across_deg:g}° can't both be elevations of two axes at right angles; "
            "check the sensor's axes and units."
        )
    return from_acceleration(along, across, math.sqrt(1.0 - level_part))


def from_tangent_angles(along_deg: float, across_deg: float) -> Lean:
    """Slopes from two angles that are each measured in their own upright plane: s = tan θ, signs kept."""
    return Lean(from_degrees(along_deg), from_degrees(across_deg))


# ---------------------------------------------------------------- a bow


@dataclass(frozen=True, slots=True)
class Bow:
    """How far the middle of the post stands off the line from foot to top."""

    along_mm: float
    """Positive towards next."""
    across_mm: float
    """Positive towards out."""
    u_along_mm: float | None = None
    u_across_mm: float | None = None

    @property
    def size_mm(self) -> float:
        """Distance from the line."""
        return math.hypot(self.along_mm, self.across_mm)

    @property
    def is_sure(self) -> bool | None:
        """True when it is more than twice its uncertainty; None when that is not known."""
        if self.u_along_mm is None or self.u_across_mm is None:
            return None
        return self.size_mm > 2.0 * max(self.u_along_mm, self.u_across_mm)


def bow(
    full: Lean,
    half: Lean,
    height_mm: float,
    u_full: tuple[float, float] | None = None,
    u_half: tuple[float, float] | None = None,
) -> Bow:
    """Bow from the lean over the whole height and the lean over its lower half (slopes and their u).

    Middle off the line = (half slope - full slope) × height/2, in each direction.
    """
    reach = positive(height_mm, "reading height") / 2.0
    uncertainties: tuple[float | None, float | None] = (None, None)
    if u_full is not None and u_half is not None:
        uncertainties = (math.hypot(u_full[0], u_half[0]) * reach, math.hypot(u_full[1], u_half[1]) * reach)
    return Bow(
        (half.slope_along - full.slope_along) * reach,
        (half.slope_across - full.slope_across) * reach,
        *uncertainties,
    )


def bow_of_post(readings: Sequence[Reading], full: Reading | None, height_mm: float) -> Bow | None:
    """Bow by the latest full reading at half height (stage mid) and how the post stands, `full`.

    `readings` in time order, `height_mm` of the whole reading. None when either reading is missing.
    """
    half = next((one for one in reversed(readings) if one.stage == "mid" and one.lean), None)
    if half is None or half.lean is None or full is None or full.lean is None:
        return None
    u_full, u_half = (
        None if one.u_along is None or one.u_across is None else (one.u_along, one.u_across)
        for one in (full, half)
    )
    return bow(full.lean, half.lean, height_mm, u_full, u_half)


def bow_words(
    found: Bow, faces: Mapping[Face, str] | None = None, say: Callable[[float], str] | None = None
) -> str:
    """A bow in a sentence; `faces` = what the run calls its four faces, `say` = a length in its unit (mm)."""
    length = say or (lambda mm: f"{mm:.1f} mm")
    if found.is_sure is False:
        return f"straight within what was read ({length(found.size_mm)})"
    names = faces or FACE_NAMES
    along = f"{length(abs(found.along_mm))} {names[Face.NEXT if found.along_mm >= 0 else Face.PREV]}"
    across = f"{length(abs(found.across_mm))} {names[Face.OUT if found.across_mm >= 0 else Face.HOUSE]}"
    return f"bowed, its middle stands {along} and {across} off the line: kept, not packed for"
