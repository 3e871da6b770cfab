"""A bowed post, and a foot that rocks: both are shown and kept, and a bow is never packed for.

Plumb is the line from the foot's centre to the top's centre. A second reading at half height shows how far
the post's middle stands off that line.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from shimfit.core.checks import positive
from shimfit.model import Face, Lean, Reading


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
    uncertainties = [
        None if one.u_along is None or one.u_across is None else (one.u_along, one.u_across)
        for one in (full, half)
    ]
    return bow(full.lean, half.lean, height_mm, uncertainties[0], uncertainties[1])


def bow_words(
    found: Bow, faces: Mapping[Face, str] | None = None, say: Callable[[float], str] | None = None
) -> str:
    """A bow in a sentence; `faces` = what the run calls its four faces, `say` = a length in its unit (mm)."""
    length = say or (lambda mm: f"{mm:.1f} mm")
    if found.is_sure is False:
        return f"straight within what was read ({length(found.size_mm)})"
    names = faces or {face: face.value for face in Face}
    along = f"{length(abs(found.along_mm))} {names[Face.NEXT if found.along_mm >= 0 else Face.PREV]}"
    across = f"{length(abs(found.across_mm))} {names[Face.OUT if found.across_mm >= 0 else Face.HOUSE]}"
    return f"bowed, its middle stands {along} and {across} off the line: kept, not packed for"
