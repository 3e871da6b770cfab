"""Are the packs wide enough? Pressure of each pack under the clamp against what timber takes.

The rod's pull: `bolt`; what timber takes: `timber`; here the seats' shares of the pull and the verdict in
words. This says whether a pack is crushed, not whether a guard is strong.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from shimfit.core.bearing.bolt import Clamp, clamp_from_torque, stated_clamp
from shimfit.core.bearing.timber import TIMBERS, Timber, bearing_area_factor, timber_named
from shimfit.core.checks import not_negative, positive
from shimfit.core.foot import gap_plane
from shimfit.core.resting import shares_of_pull, supports_of
from shimfit.quantities import shown

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from shimfit.model import Foot, Lean, Pack, Seat


@dataclass(frozen=True, slots=True)
class Pressure:
    """What one pack carries, and what it may carry."""

    seat: Seat
    force_n: float
    area_mm2: float
    stress_mpa: float
    allowed_mpa: float

    @property
    def holds(self) -> bool:
        """True when the timber is not pressed harder than allowed; exactly at the limit holds."""
        return self.stress_mpa <= self.allowed_mpa * (1.0 + 1e-12)

    @property
    def area_needed_mm2(self) -> float:
        """Smallest area that would hold this force."""
        return self.force_n / self.allowed_mpa


def contact_length_mm(bearing_mm: float, compression_mm: float, mismatch_slope: float) -> float:
    """How much of a pack's length touches: min(l, δ ÷ |σ − s|).

    compression_mm: crushing of the pack at its contacting end; mismatch_slope: the pieces' slope less the
    gap's, ratio. A pack of the gap's own slope touches along its whole length.
    """
    length = positive(bearing_mm, "bearing length")
    crushed = not_negative(compression_mm, "compression of the pack")
    mismatch = abs(mismatch_slope)
    return length if mismatch * length <= crushed else crushed / mismatch


def shortest_length_mm(clamp: Clamp, allowed_mpa: float, width_mm: float, *, seats: int = 4) -> float:
    """Length that a piece must touch along: one seat's share of the pull ÷ (pressure · width).

    EntryError for a pressure or width that is not above 0.
    """
    allowed = positive(allowed_mpa, "allowed pressure", "N/mm²")
    return clamp.force_n / seats / (allowed * positive(width_mm, "width"))


def pressures(
    foot: Foot,
    lean: Lean,
    packs: Sequence[Pack],
    clamp: Clamp,
    allowed_mpa: float,
    *,
    areas_mm2: Mapping[Seat, float],
    preload_mm: float,
) -> tuple[Pressure, ...]:
    """Pressure of every pack: its share of the clamp at rest ÷ its area, against the allowed pressure.

    Shares are those of the resting post (its bare corners carry too), so two packs of a tripod carry a third
    each where four corners carry a quarter. areas_mm2: contact length × width of each packed seat.
    EntryError for areas or pressures that are not above 0.
    """
    allowed = positive(allowed_mpa, "allowed pressure", "N/mm²")
    lifting = [pack for pack in packs if pack.made_mm > 0.0]
    supports = supports_of(gap_plane(foot, lean), lifting, stiffness={}, rocks_mm={})
    shares = shares_of_pull(foot, supports, preload_mm)
    found = []
    for pack, share in zip(lifting, shares, strict=False):  # packs come first, bare corners after them
        force = share * clamp.force_n
        area = positive(areas_mm2[pack.seat], f"area of the pack at {pack.seat}", "mm²")
        found.append(Pressure(pack.seat, force, area, force / area, allowed))
    return tuple(found)


def caution(pressure: Pressure, timber: str = "the timber", *, clamp: Clamp | None = None) -> str | None:
    """What to say about a pack that is too small, with the area needed; None when it holds.

    clamp: how surely the pull is known, said when by torque alone (k = 2). Sizes are rounded up to 10 mm²;
    the square that has the area is told to the millimetre above.
    """
    if pressure.holds:
        return None
    needed = math.ceil(pressure.area_needed_mm2 / 10.0) * 10
    side = math.ceil(math.sqrt(pressure.area_needed_mm2))
    uncertainty = ""
    if clamp is not None and clamp.u_force_n:
        width = shown.share(2.0 * clamp.u_force_n / clamp.force_n)
        uncertainty = f" (known by torque alone: give or take {width})"
    return (
        f"The pack at {pressure.seat} is too small: {pressure.force_n / 1000:.1f} kN{uncertainty} on "
        f"{pressure.area_mm2:.0f} mm² press {pressure.stress_mpa:.1f} N/mm², {timber} allows "
        f"{pressure.allowed_mpa:.1f} N/mm²; it needs {needed:.0f} mm², such as {side} x {side} mm, or less "
        "torque."
    )


__all__ = [
    "TIMBERS",
    "Clamp",
    "Pressure",
    "Timber",
    "bearing_area_factor",
    "caution",
    "clamp_from_torque",
    "contact_length_mm",
    "pressures",
    "shortest_length_mm",
    "stated_clamp",
    "timber_named",
]
