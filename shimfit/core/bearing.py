"""Are the packs wide enough? Pressure of each pack under the clamp against what timber takes.

First what timber takes, then the rod's pull from the torque on its nut, then the seats' shares of the pull
and the verdict in words. This says whether a pack is crushed, not whether a guard is strong.

**Timber.** Fc-perp is a limit of deformation, not of breaking: it stands for 0.04 in (1 mm) of crushing in
the standard test; for half of that use 0.73 of it (NDS 4.2.6 commentary, second-hand). A deck is wet: 0.67 of
it (NDS Table 4A adjustment, second-hand).

**Pull.** T = K·F·d with the nut factor K of the thread's finish; a torque says little about the pull: like
bolts at one torque have been measured 30 % apart when lubricated, 56 % when dry. Source of K and of those
bolts: Shigley's Mechanical Engineering Design, 9th edition, Tables 8-15, 8-14 (both read, page 439) and 8-13
(dry, from memory: its printed mean and standard deviation come out of the twenty pulls). Bolts of a
workshop, on steel: a rod on timber scatters no less.

**How far in.** A flat under a gap that grows outwards by a slope touches at its inner end, and no further
than its thickness ÷ slope. That never limits how far in it is pushed: a corner's gap is none a whole side of
the foot further in, so thickness ÷ slope is the side less the length pushed in, and a rod up the middle lets
none go in by half a side. What limits it is the clamp. On a bed whose pressure grows with depth, a length l
that would be pressed δ when even touches √(2 · l · δ ÷ slope): of 32 mm at 0.19 mm all 32 at a slope of
0.012, 26 at 0.018. So where crushing asks for more than is usual, a piece is pushed in so far.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from shimfit.core.foot import gap_plane
from shimfit.core.resting import shares_of_pull, supports_of
from shimfit.errors import EntryError, not_negative, positive
from shimfit.quantities import shown
from shimfit.values import dataclass

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from shimfit.model import Foot, Lean, Pack, Seat

# ---------------------------------------------------------------- what timber takes

MPA_PER_PSI = 0.006894757293168361
"""Exact: 4.4482216152605 N per pound-force over 25.4² mm²."""
WET_FACTOR = 0.67
HALF_CRUSHING_FACTOR = 0.73
_TABLE_4A = "NDS 2018 Supplement Table 4A, as transcribed in public source code"
_MEMORY = "NDS Supplement Table 4A"


@dataclass(frozen=True, slots=True)
class Timber:
    """One row of the table."""

    species: str
    fc_perp_mpa: float
    """Reference value dry, at 0.04 in of crushing."""
    source: str
    mark: str
    """How the value is known: second-hand, from memory, the user's own."""

    def allowed_mpa(self, *, wet: bool = True, half_crushing: bool = False) -> float:
        """Allowed pressure: wet unless said to be dry; half_crushing for 0.02 in instead of 0.04 in."""
        factor = (WET_FACTOR if wet else 1.0) * (HALF_CRUSHING_FACTOR if half_crushing else 1.0)
        return self.fc_perp_mpa * factor


TIMBERS = tuple(
    Timber(species, fc_perp_psi * MPA_PER_PSI, source, mark)
    for species, fc_perp_psi, source, mark in (
        ("Douglas Fir-Larch", 625, _TABLE_4A, "second-hand (two transcriptions agree)"),
        ("Southern Pine", 565, _TABLE_4A, "second-hand (two transcriptions agree)"),
        ("Hem-Fir", 405, _TABLE_4A, "second-hand (two transcriptions agree)"),
        ("Spruce-Pine-Fir", 425, _TABLE_4A, "second-hand (two transcriptions agree)"),
        ("Douglas Fir-South", 520, _TABLE_4A, "second-hand (one transcription)"),
        ("Western Cedars", 425, _MEMORY, "from memory, not verified"),
        ("Redwood (close grain)", 650, _MEMORY, "from memory, not verified"),
        ("Redwood (open grain)", 425, _MEMORY, "from memory, not verified"),
    )
)
"""The table that a user starts from."""


def timber_named(species: str, timbers: tuple[Timber, ...] = TIMBERS) -> Timber:
    """Row of the table by name, without regard to case; EntryError names what there is."""
    by_name = {timber.species.casefold(): timber for timber in timbers}
    if found := by_name.get(species.strip().casefold()):
        return found
    raise EntryError(f"There is no timber {species!r}; use one of {', '.join(t.species for t in timbers)}.")


# ---------------------------------------------------------------- the pull of the rod

NUT_FACTORS = {
    "black finish": 0.30,
    "zinc plated": 0.20,
    "lubricated": 0.18,
    "cadmium plated": 0.16,
    "anti-seize": 0.12,
    "special nuts": 0.09,
}
"""K by the thread's finish (Shigley Table 8-15, read)."""

TORQUE_SCATTER_LUBRICATED = 2.881 / 34.180
"""Standard deviation ÷ mean of the pull of ten lubricated bolts at 90 N·m (Shigley Table 8-14, read)."""
TORQUE_SCATTER_DRY = 4.909 / 34.260
"""The same of twenty bolts that were not lubricated (Shigley Table 8-13, from memory)."""
DRY_FINISHES = ("black finish", "zinc plated")
"""Finishes whose friction nothing evens out; the others are lubricated or lubricate themselves."""


@dataclass(frozen=True, slots=True)
class Clamp:
    """Pull of the rod and how it is known."""

    force_n: float
    u_force_n: float
    """Standard uncertainty: the scatter of torque, wider for a dry nut; 0 where a force is stated."""
    source: str
    """In words: `30 N·m on M12, zinc plated` or `as stated`."""


def force_from_torque_n(torque_nm: float, diameter_mm: float, nut_factor: float) -> float:
    """Pull of a nut in newtons: F = T ÷ (K·d), d the thread's major diameter. EntryError for bad numbers."""
    torque = not_negative(torque_nm, "torque", "N·m")
    return torque * 1000.0 / (positive(nut_factor, "nut factor", "") * positive(diameter_mm, "rod diameter"))


def clamp_from_torque(torque_nm: float, diameter_mm: float, finish: str = "zinc plated") -> Clamp:
    """Clamp of a nut by its finish (see `NUT_FACTORS`), with the scatter of torque as its uncertainty."""
    if finish not in NUT_FACTORS:
        raise EntryError(f"There is no nut factor for {finish!r}; use one of {', '.join(NUT_FACTORS)}.")
    force = force_from_torque_n(torque_nm, diameter_mm, NUT_FACTORS[finish])
    scatter = TORQUE_SCATTER_DRY if finish in DRY_FINISHES else TORQUE_SCATTER_LUBRICATED
    return Clamp(force, force * scatter, f"{torque_nm:g} N·m on a {diameter_mm:g} mm rod, {finish}")


# ---------------------------------------------------------------- pressures


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
    supports = supports_of(gap_plane(foot, lean), lifting)
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
    the square that has the area is given to the millimetre above.
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
