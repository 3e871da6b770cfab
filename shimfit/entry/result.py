"""What a typed entry turns out to be: not finished, understood, or refused."""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal, TypeAlias

from shimfit.core.lean import from_degrees, from_offset, from_offset_along_post
from shimfit.entry.settings import EntrySettings
from shimfit.model import Face
from shimfit.quantities.typed import MM_PER, Length, NumberForm

LeanUnit: TypeAlias = Literal["mm", "cm", "in", "deg", "mm/m", "cm/m", "in/ft"]
Qualifier: TypeAlias = Literal["strong", "shy"]
RATIOS: dict[str, Fraction] = {
    "mm/m": MM_PER["mm"] / MM_PER["m"],
    "cm/m": MM_PER["cm"] / MM_PER["m"],
    "in/ft": MM_PER["in"] / MM_PER["ft"],
}
MM_PER_LEAN_UNIT: dict[LeanUnit, Fraction] = {"mm": MM_PER["mm"], "cm": MM_PER["cm"], "in": MM_PER["in"]}


@dataclass(frozen=True, slots=True)
class Incomplete:
    """Half typed: nothing to scold. `reason` says what is still missing; Enter on it is refused with that."""

    text: str
    reason: str
    at: int
    meant: str | None = None

    @property
    def refused(self) -> Refused:
        """What it is when nothing more comes (Enter was pressed, or it stands in a file)."""
        return Refused(self.text, self.reason, self.at, self.meant)


@dataclass(frozen=True, slots=True)
class Refused:
    """Can't be meant. The text is kept; the cursor goes to the bad spot."""

    text: str
    reason: str
    """One sentence."""
    at: int
    """Characters before the bad spot."""
    meant: str | None = None
    """What was probably meant, ready to be typed; None without a good guess."""


@dataclass(frozen=True, slots=True)
class Component:
    """The lean of the top in one direction, as it was typed."""

    face: Face
    """The top leans towards this face; of a zero it only names the direction."""
    number: Fraction
    """As typed, exact, in `unit`, before strong or shy; never negative."""
    unit: LeanUnit
    form: NumberForm
    qualifier: Qualifier | None = None
    quarter: Fraction = Fraction(0)
    """A quarter of the tape's graduation in `unit`: what strong adds and shy takes away."""
    step: Fraction = Fraction(1)
    """Smallest difference that this reading tells apart, in `unit`."""
    numerator: int = 0
    """Of a fraction or mixed number: upper number as typed; 0 of others."""
    denominator: int = 1
    """Lower number as typed, not reduced."""
    places: int = 0
    """Digits after the point as typed."""
    minutes: bool = False
    """Degrees were typed with minutes or seconds, and are said back with them."""

    @property
    def in_minutes(self) -> bool:
        """Said with minutes: typed so, or without a decimal that ends (a third of a degree)."""
        return self.unit == "deg" and (self.minutes or not is_decimal(self.number))

    @property
    def unreduced(self) -> bool:
        """Typed like 6/16, which a tape calls 3/8."""
        return self.denominator > 1 and self.numerator % 2 == 0

    @property
    def value(self) -> Fraction:
        """Exact amount in `unit`, strong or shy counted in."""
        if self.qualifier is None:
            return self.number
        return self.number + (self.quarter if self.qualifier == "strong" else -self.quarter)

    @property
    def signed(self) -> Fraction:
        """Amount in `unit`, positive towards next or out."""
        return self.value * self.face.sign

    @property
    def offset_mm(self) -> Fraction | None:
        """Exact offset in mm, without sign; None of degrees and ratios, which need no length."""
        return self.value * MM_PER_LEAN_UNIT[self.unit] if self.unit in MM_PER_LEAN_UNIT else None

    def slope(self, height_mm: float, over_mm: float | None, *, along_post: bool) -> float:
        """Slope of the post, positive towards next or out.

        Offset over a height or a level that is held plumb: δ/h. Straightedge along the post: δ/√(L² − δ²).
        Degrees: tan θ in the direction's own upright plane. Ratios as they stand.
        """
        return self.face.sign * self._tangent(self.value, height_mm, over_mm, along_post=along_post)

    def half_step_slope(self, height_mm: float, over_mm: float | None) -> float:
        """Half of what the reading can't tell apart, as a slope: a rectangular distribution's half-width."""
        return self._tangent(self.step / 2, height_mm, over_mm, along_post=False)

    def _tangent(
        self, amount: Fraction, height_mm: float, over_mm: float | None, *, along_post: bool
    ) -> float:
        if self.unit == "deg":
            return from_degrees(float(amount))
        if self.unit in RATIOS:
            return float(amount * RATIOS[self.unit])
        offset_mm = float(amount * MM_PER_LEAN_UNIT[self.unit])
        if over_mm is None:
            return from_offset(offset_mm, height_mm)
        return (from_offset_along_post if along_post else from_offset)(offset_mm, over_mm)


@dataclass(frozen=True, slots=True)
class Understood:
    """Heard. Enter logs it."""

    text: str
    """As typed."""
    along: Component | None
    """Towards next or prev; None = not read."""
    across: Component | None
    """Towards out or house; None = not read."""
    settings: EntrySettings
    over: Length | None = None
    """Length that this entry's offsets were read over, when it was typed; see `over_mm`."""
    at_height: bool = False
    """`@height` was typed: read over the reading height whatever the standing gauge."""
    second_look: str | None = None
    """Why it wants a second Enter by itself (inboard); the post's history is looked at by `second_look()`."""

    @property
    def half(self) -> bool:
        """One direction was read, the other was not."""
        return (self.along is None) != (self.across is None)

    @property
    def is_gauge_only(self) -> bool:
        """Only a gauge length (or `@height`) was typed: a setting from now on, not a reading."""
        return self.along is None and self.across is None

    @property
    def gauge_mm(self) -> float | None:
        """The standing gauge length when only that was typed (`@4'`); None of readings and of `@height`."""
        return self.over.millimetres if self.is_gauge_only and self.over is not None else None

    @property
    def over_mm(self) -> float | None:
        """Length that offsets were read over: typed here, else standing; None = over the reading height."""
        if self.over is not None:
            return self.over.millimetres
        return None if self.at_height else self.settings.gauge_mm

    def slopes(self, height_mm: float) -> tuple[float | None, float | None]:
        """(along, across) as slopes, positive towards next and out; None where nothing was read.

        Raises ValueError when the height is not a positive finite number.
        """
        _check_height(height_mm)
        along_post = self.settings.along_post
        first, second = (
            None if part is None else part.slope(height_mm, self.over_mm, along_post=along_post)
            for part in (self.along, self.across)
        )
        return first, second

    def resolution_slope(self, height_mm: float) -> tuple[float | None, float | None]:
        """Half of the reading's step as slopes (along, across): u = this / √3; None where not read."""
        _check_height(height_mm)
        first, second = (
            None if part is None else part.half_step_slope(height_mm, self.over_mm)
            for part in (self.along, self.across)
        )
        return first, second

    @property
    def words(self) -> str:
        """As the screen says it back: `top leans 1/4 in towards next, 3/8 in towards house`."""
        from shimfit.entry.echo import words

        return words(self)

    @property
    def canonical(self) -> str:
        """Shortest plain way to type the same thing: parses back to the same value under any units."""
        from shimfit.entry.echo import canonical

        return canonical(self)


Heard: TypeAlias = Incomplete | Understood | Refused


def _check_height(height_mm: float) -> None:
    if not (math.isfinite(height_mm) and height_mm > 0):
        raise ValueError(f"the reading height must be more than 0 mm, not {height_mm}")


def is_decimal(value: Fraction) -> bool:
    """True when the value ends after some decimal places."""
    rest = value.denominator
    for prime in (2, 5):
        while rest % prime == 0:
            rest //= prime
    return rest == 1
