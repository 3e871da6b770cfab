"""What the search is given besides the post and the box: layout, limits, the saw, and what things cost.

All of it is data: nothing in the search knows a price or a minimum by itself.
"""

from __future__ import annotations

import math
from dataclasses import field, replace
from functools import lru_cache
from typing import Literal

from shimfit.core.objective import LEAST_CHANCE, Minutes, Scatter
from shimfit.errors import UsageError
from shimfit.model import FORMS, LayoutName, Lot
from shimfit.values import dataclass

BearingPoint = Literal["auto", "corner"]
Layout = LayoutName | Literal["auto"]

USUAL_INSIDE_MM = 20.0
"""Length of a piece under the foot where crushing asks no more (common practice, no source). What is flatter
than the gap bears at its inner end: the further in, the narrower the base (tests/bench/first_verdict.py)."""
SHORTEST_INSIDE_MM = 10.0
"""A shorter piece under the foot is never prescribed (common practice, no source)."""
PENCIL_MM = 0.03
"""What stretches of a taper may overlap where they are laid out in hundredths (`cutting.holds`)."""
DEAREST_BUILD_MIN = 250.0
"""Minutes that no packs of one post take to make and put in (common practice, no source)."""
_MOST_PIECES = 4


@dataclass(frozen=True, slots=True)
class Costs:
    """Prices as the search counts them, in one unit: minutes."""

    unsolved: float
    piece: float
    cut: float
    tip_cut: float
    """Trimming the tip of a taper whose stretch begins inside it."""
    saw_set_up: float
    change: float
    """A taper that stays and is pushed on."""
    lift: float
    lift_per_mm: float
    new_flat: float
    """A bought flat, beside its piece."""
    new_taper: float
    """A stretch of a bought taper."""
    new_strip_per_mm: float | None
    """A mm of a bought strip; None: `new_strip` ÷ its length."""
    new_strip: float
    thick_per_mm: float
    """A mm of an offcut taper's thickness."""
    round: float
    """One more: × (1 ÷ chance of plumb at the next reading − 1)."""
    one: float
    """A difference below this is none on the screen: the shown answer stays."""

    def lifting(self, lift_mm: float) -> float:
        """Price of lifting a whole foot so far, beside its pieces."""
        return self.lift + self.lift_per_mm * lift_mm if lift_mm > 0.0 else 0.0

    def new_strip_mm(self, length_mm: float) -> float:
        """Price of a mm of a bought strip that is so long."""
        return self.new_strip / length_mm if self.new_strip_per_mm is None else self.new_strip_per_mm

    def bought(self, lot: Lot) -> float:
        """Price of one whole piece of a bought lot, by how its form is used."""
        length_mm = lot.length_mm or 1.0
        strip = length_mm * self.new_strip_mm(length_mm)
        return {"whole": self.new_flat, "marked": self.new_taper, "sawn": strip}[FORMS[lot.form].use]


@lru_cache(maxsize=64)
def _of_minutes(m: Minutes) -> Costs:
    return Costs(
        unsolved=m.round / LEAST_CHANCE + DEAREST_BUILD_MIN if m.unsolved is None else m.unsolved,
        piece=m.piece,
        cut=m.cut,
        tip_cut=m.tip_cut,
        saw_set_up=m.saw_set_up,
        change=m.change,
        lift=m.lift,
        lift_per_mm=m.lift_per_mm,
        new_flat=m.bought_flat,
        new_taper=m.bought_taper,
        new_strip_per_mm=m.bought_strip_per_m / 1000.0,
        new_strip=0.0,
        thick_per_mm=m.thick_per_mm,
        round=m.round,
        one=m.piece,
    )


@dataclass(frozen=True, slots=True)
class Saw:
    """The saw that wedges are cut on from strips."""

    settings_deg: tuple[float, ...] = ()
    """What it can be set to: half the wedge's angle. Empty: nothing is sawn."""
    kerf_mm: float = 2.5
    """Width that a cut takes away, also of a cut across a taper."""
    hold_mm: float = 250.0
    """Shortest strip that may be left in the hand (common practice, no source)."""
    min_thin_mm: float = 0.8
    """Thinnest edge of a wedge: feather edges break (common practice, no source)."""
    stands_at_deg: float | None = None
    """The setting it is left at now: costs no set-up. None: not known."""


@dataclass(frozen=True, slots=True)
class Options:
    """How packs may be made and what is asked of them. UsageError when they contradict themselves."""

    layout: Layout = "corners"
    max_pieces: int = 3
    """Most pieces in one pack."""
    bearing_mm: float = 32.0
    """The longest stretch of a piece that is pushed in: where a taper steeper than the gap is trimmed."""
    inside_mm: float = USUAL_INSIDE_MM
    """How far in a piece is pushed that is not: it bears there. More where crushing asks for it
    (`bearing.shortest_length_mm`), and so does `min_inside_mm`."""
    bearing_point: BearingPoint = "auto"
    """auto: pieces flatter than the gap bear at their inner end; corner: everything at the seat itself."""
    preload_mm: float = 0.19
    """Common compression of four equal seats under the clamp."""
    saw: Saw = field(default_factory=Saw)
    minutes: Minutes = field(default_factory=Minutes)
    scatter: Scatter = field(default_factory=Scatter)
    min_inside_mm: float = USUAL_INSIDE_MM
    """Shortest length of a piece under the foot. Where the box leaves nothing so long, `prescribe` goes down
    to USUAL_INSIDE_MM, then to SHORTEST_INSIDE_MM, and says so."""
    clearance_mm: float = 2.0
    """Kept free between a piece and the rod's hole (common practice, no source)."""
    quantum_mm: float = 0.01
    """Grid that thicknesses are kept on; all exactness is meant on it."""
    share_cuts: bool = False
    """Stretches of tapers may begin behind others' cuts: in a plan, which knows the others."""

    @property
    def room_mm(self) -> float:
        """How far in a piece must be able to go for a seat to be one at all."""
        return min(self.min_inside_mm, USUAL_INSIDE_MM)

    @property
    def costs(self) -> Costs:
        """What packs are chosen by."""
        return _of_minutes(self.minutes)

    def takes_mm(self, inner_mm: float | None) -> float:
        """Length of a taper that a stretch takes before its mark; inner_mm: how far in it bears."""
        return self.bearing_mm if inner_mm is None else inner_mm

    def least_mm(self, inner_mm: float | None) -> float:
        """The same behind another's cut, at least."""
        return (self.min_inside_mm if inner_mm is None else inner_mm) - PENCIL_MM

    def without_set_ups(self) -> Options:
        """The same with set-ups of the saw that cost nothing."""
        return replace(self, minutes=replace(self.minutes, saw_set_up=0.0))

    def __post_init__(self) -> None:
        """Refuse what no pack can be made with."""
        if self.layout not in ("corners", "tripod", "one-way", "auto"):
            raise UsageError(f"There is no layout {self.layout!r}; use corners, tripod, one-way or auto.")
        if self.bearing_point not in ("auto", "corner"):
            raise UsageError(f"There is no bearing point {self.bearing_point!r}; use auto or corner.")
        if not 1 <= self.max_pieces <= _MOST_PIECES:
            raise UsageError(f"A pack has 1 to {_MOST_PIECES} pieces, not {self.max_pieces}.")
        for name, value, least in (
            ("bearing length", self.bearing_mm, max(self.inside_mm, self.min_inside_mm)),
            ("length pushed in", self.inside_mm, self.min_inside_mm),
            ("preload", self.preload_mm, 1e-6),
            ("shortest inside length", self.min_inside_mm, 1e-6),
            ("clearance", self.clearance_mm, 0.0),
            ("thickness grid", self.quantum_mm, 1e-4),
            ("kerf", self.saw.kerf_mm, 0.0),
            ("holding length", self.saw.hold_mm, 0.0),
            ("thinnest edge", self.saw.min_thin_mm, 0.0),
        ):
            if not (math.isfinite(value) and value >= least):
                raise UsageError(f"The {name} is {value:g} mm; it must be at least {least:g} mm.")
        for angle in self.saw.settings_deg:
            if not (math.isfinite(angle) and 0.0 < angle < 45.0):
                raise UsageError(f"The saw can't be set to {angle:g}° for wedges; use more than 0, below 45.")
