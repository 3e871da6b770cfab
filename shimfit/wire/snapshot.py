"""What the live inclinometer shows: frozen values, in the post's directions."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from shimfit.core.steady.hold import decimals
from shimfit.model import Face

if TYPE_CHECKING:
    from shimfit.core.axis_map import AxisMap
    from shimfit.core.steady import Held, WatchState
    from shimfit.model import Lean


@dataclass(frozen=True, slots=True)
class Taken:
    """A reading that was taken by the sensor, in the post's directions."""

    lean: Lean
    u_along: float
    """Standard uncertainty of the slope along."""
    u_across: float
    largest_term: str | None
    """The largest part of the doubt, in words."""
    text: str
    """How it is worded, with U = 2u."""
    held: Held
    """The same in the sensor's own directions, with all that is known of it."""


@dataclass(frozen=True, slots=True)
class Snapshot:
    """All that a screen needs, as of one moment."""

    state: WatchState
    words: str
    lean: Lean | None = None
    """Lean now, in the post's directions; None when nothing good is fresh."""
    age_s: float | None = None
    """Age of the newest good sample; None when none ever came."""
    good_per_s: float = 0.0
    bytes_per_s: float = 0.0
    u: tuple[float, float] | None = None
    """Standard uncertainties of the slopes along and across of the reading taken; None without one."""
    taken: Taken | None = None
    """Only while TAKEN."""
    banner: str | None = None
    """What is wrong with the link or the stream, for a line across the screen; None when all is well."""
    held_s: float = 0.0
    format: str | None = None
    baud: int | None = None
    is_open: bool = False
    description_wanted: str | None = None
    """A description to complete, when text was found whose columns a person must name."""


def taken_of(held: Held, axis_map: AxisMap) -> Taken:
    """A held reading in the post's directions."""
    lean = axis_map.to_post(math.tan(math.radians(held.x_deg)), math.tan(math.radians(held.y_deg)))
    u_along, u_across = axis_map.u_to_post(held.budgets[0].u, held.budgets[1].u)
    along = _in_words(lean.slope_along, u_along, Face.NEXT)
    across = _in_words(lean.slope_across, u_across, Face.OUT)
    return Taken(lean, u_along, u_across, held.largest, f"{along}, {across} (k = 2)", held)


def _in_words(slope: float, u_slope: float, positive: Face) -> str:
    """`0.41 ± 0.02° next`."""
    angle_deg = math.degrees(math.atan(slope))
    expanded_deg = 2 * math.degrees(u_slope) * math.cos(math.radians(angle_deg)) ** 2
    digits = decimals(expanded_deg)
    face = positive if slope >= 0 else positive.opposite
    return f"{abs(angle_deg):.{digits}f} ± {expanded_deg:.{digits}f}° {face}"
