"""What a typed entry turns out to be (not finished, understood, or refused), and how it is said back.

What the grammar has to know of the run, the tape and the level stands first (`EntrySettings`); then the
results; then the words that say an understood entry back.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import field
from fractions import Fraction
from typing import Literal, TypeAlias

from shimfit.core.lean import from_degrees, from_offset
from shimfit.errors import UsageError
from shimfit.model import Face
from shimfit.quantities.shown import decimal_text, fraction_text
from shimfit.quantities.typed import METRIC, MM_PER, TAPE_DENOMINATORS, Length, Number, Units
from shimfit.values import dataclass

LeanUnit: TypeAlias = Literal["mm", "cm", "in", "deg", "mm/m", "cm/m", "in/ft"]
Qualifier: TypeAlias = Literal["strong", "shy"]
UNITS: dict[LeanUnit, str] = {
    "mm": " mm",
    "cm": " cm",
    "in": " in",
    "deg": "°",
    "mm/m": " mm/m",
    "cm/m": " cm/m",
    "in/ft": " in per ft",
}
"""Each unit of a lean as it is said behind its number."""
RATIOS: dict[str, Fraction] = {
    "mm/m": MM_PER["mm"] / MM_PER["m"],
    "cm/m": MM_PER["cm"] / MM_PER["m"],
    "in/ft": MM_PER["in"] / MM_PER["ft"],
}
MM_PER_LEAN_UNIT: dict[LeanUnit, Fraction] = {"mm": MM_PER["mm"], "cm": MM_PER["cm"], "in": MM_PER["in"]}
DEFAULT_NAMES: Mapping[str, str] = {face.value: face.value for face in Face}
DEFAULT_LETTERS: Mapping[str, str] = {"next": "n", "prev": "p", "out": "o", "house": "h"}
METRIC_GRADUATION_MM = Fraction(1)
MAX_LEAN_MM = 50.8
"""More than this (2 in) is refused as a slip."""
MAX_LEAN_DEG = 3.0
TAKEN_LETTERS = "dms"
"""d is degrees, m begins mm, s is strong: no face may be one of these letters."""


@dataclass(frozen=True, slots=True)
class EntrySettings:
    """Settings of the entry line. Raises UsageError when names or letters of faces can't be told apart."""

    units: Units = "mm"
    """Unit of a bare number; a bare fraction is inches whatever stands here."""
    graduation_in: Fraction = Fraction(1, 16)
    """Finest marks of the inch tape; strong and shy are a quarter of it."""
    gauge_mm: float | None = None
    """Standing gauge length: the level that offsets are read over; None = over the reading height."""
    faces: Mapping[str, str] = field(default_factory=lambda: dict(DEFAULT_NAMES))
    """Names of the four faces in this run, by next, prev, out, house."""
    all_letters: Mapping[Face, str] = field(init=False, repr=False, compare=False)
    """The four letters: n p o h, or of a renamed face its first letter that has no other meaning."""

    vocabulary_key: tuple[tuple[str, ...], tuple[str, ...]] = field(init=False, repr=False, compare=False)
    """Names and letters in lower case, in the order of Face: what the words of this run depend on."""

    def __post_init__(self) -> None:
        names = [self.name(face).lower() for face in Face]
        if len(set(names)) < 4:
            raise UsageError(f"two faces have one name ({' '.join(names)}): give each its own")
        for name in names:
            if len(name) < 2 or not name.isalpha():
                raise UsageError(f"a face's name is one word of letters, not {name!r}")
        found = self._find_letters()
        letters = list(found.values())
        if len(set(letters)) < 4:
            raise UsageError(f"two faces have one letter ({' '.join(letters)}): give each its own")
        object.__setattr__(self, "all_letters", found)
        object.__setattr__(self, "vocabulary_key", (tuple(names), tuple(letters)))

    def name(self, face: Face) -> str:
        """What this run calls the face."""
        return self.faces.get(face, face.value)

    def letter(self, face: Face) -> str:
        """The one letter that stands for the face."""
        return self.all_letters[face]

    def _find_letters(self) -> dict[Face, str]:
        kept = {face: DEFAULT_LETTERS[face] for face in Face if self.name(face) == face.value}
        for face in (face for face in Face if face not in kept):
            wanted = (self.name(face)[0].lower(), DEFAULT_LETTERS[face], *self.name(face).lower())
            taken = {*kept.values(), *TAKEN_LETTERS, "v", "i"}
            kept[face] = next((c for c in wanted if c not in taken), DEFAULT_LETTERS[face])
        return {face: kept[face] for face in Face}

    def quarter(self, unit: LeanUnit) -> Fraction:
        """A quarter of the tape's graduation, in `unit`: what strong and shy stand for; 0 off a tape."""
        if unit == "in":
            return self.graduation_in / 4
        return METRIC_GRADUATION_MM / 4 / MM_PER_LEAN_UNIT[unit] if unit in ("mm", "cm") else Fraction(0)


# ---------------------------------------------------------------- results


@dataclass(frozen=True, slots=True)
class NotUnderstood:
    """No reading: the text is kept, and the cursor goes to the bad spot."""

    text: str
    reason: str
    """What is wrong or still missing, in one sentence."""
    at: int
    """Characters before the bad spot."""
    meant: str | None = None
    """What was probably meant, ready to be typed; None without a good guess."""


class Incomplete(NotUnderstood):
    """Half typed: nothing to scold. Enter on it is refused with its reason."""

    __slots__ = ()


class Refused(NotUnderstood):
    """Can't be meant."""

    __slots__ = ()


@dataclass(frozen=True, slots=True)
class Component:
    """The lean of the top in one direction, as it was typed."""

    face: Face
    """The top leans towards this face; of a zero it only names the direction."""
    number: Fraction
    """Exact, in `unit`, minutes and seconds of a degree counted in, before strong or shy; never negative."""
    unit: LeanUnit
    typed: Number
    """The number as it was written, fractions not reduced."""
    qualifier: Qualifier | None = None
    quarter: Fraction = Fraction(0)
    """A quarter of the tape's graduation in `unit`: what strong adds and shy takes away."""
    step: Fraction = Fraction(1)
    """Smallest difference that this reading tells apart, in `unit`."""
    minutes: bool = False
    """Degrees were typed with minutes or seconds, and are said back with them."""

    @property
    def in_minutes(self) -> bool:
        """Said with minutes: typed so, or without a decimal that ends (a third of a degree)."""
        return self.unit == "deg" and (self.minutes or not is_decimal(self.number))

    @property
    def value(self) -> Fraction:
        """Exact amount in `unit`, strong or shy counted in."""
        if self.qualifier is None:
            return self.number
        return self.number + (self.quarter if self.qualifier == "strong" else -self.quarter)

    @property
    def offset_mm(self) -> Fraction | None:
        """Exact offset in mm, without sign; None of degrees and ratios, which need no length."""
        return self.value * MM_PER_LEAN_UNIT[self.unit] if self.unit in MM_PER_LEAN_UNIT else None

    def tangent(self, amount: Fraction, height_mm: float) -> float:
        """The slope that an amount in this unit is, without sign.

        Offset over a height, or over a level that is held plumb: δ/h. Degrees: tan θ in the direction's own
        upright plane. Ratios as they stand.
        """
        if self.unit == "deg":
            return from_degrees(float(amount))
        if self.unit in RATIOS:
            return float(amount * RATIOS[self.unit])
        return from_offset(float(amount * MM_PER_LEAN_UNIT[self.unit]), height_mm)


@dataclass(frozen=True, slots=True)
class Understood:
    """ParseResult. Enter logs it."""

    text: str
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
    """Why it wants a second Enter by itself: inboard, or a slip that fingers make on a fraction."""

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

    @property
    def parts(self) -> list[Component]:
        """What was read, along before across."""
        return [part for part in (self.along, self.across) if part is not None]

    def slopes(self, height_mm: float) -> tuple[float | None, float | None]:
        """(along, across) as slopes, positive towards next and out; None where nothing was read.

        Raises ValueError when the height is not a positive finite number.
        """
        return self._tangents(height_mm, lambda part: (part.value, part.face.sign))

    def resolution_slope(self, height_mm: float) -> tuple[float | None, float | None]:
        """Half of the reading's step as slopes (along, across): u = this / √3; None where not read."""
        return self._tangents(height_mm, lambda part: (part.step / 2, 1))

    def _tangents(
        self, height_mm: float, of: Callable[[Component], tuple[Fraction, int]]
    ) -> tuple[float | None, float | None]:
        if not (math.isfinite(height_mm) and height_mm > 0):
            raise ValueError(f"the reading height must be more than 0 mm, not {height_mm}")

        def one(part: Component | None) -> float | None:
            if part is None:
                return None
            amount, sign = of(part)
            return sign * part.tangent(amount, height_mm if self.over_mm is None else self.over_mm)

        return one(self.along), one(self.across)

    @property
    def words(self) -> str:
        """As the screen says it back: `top leans 1/4 in towards next, 3/8 in towards house over 48 in`."""
        if self.is_gauge_only:
            over = "the reading height" if self.over is None else length_text(self.over)
            return f"from now on offsets are read over {over}"
        if len(self.parts) == 2 and not any(part.value for part in self.parts):
            return "top is plumb both ways"
        ways = tuple(zip((self.along, self.across), ("along", "across"), strict=True))
        said = [_one(part, self.settings) for part in self.parts if part.value]
        sentence = f"top leans {', '.join(said)}" if said else "top is"
        for way in (way for part, way in ways if part is not None and not part.value):
            sentence += f"{',' if said else ''} plumb {way} the run"
        for way in (way for part, way in ways if part is None):
            sentence += f"; {way} the run not read yet"
        # Degrees and ratios have no length, and nothing over any length is plumb.
        if self.over is not None and any(part.offset_mm is not None and part.value for part in self.parts):
            sentence += f" over {length_text(self.over)}"
        return sentence


ParseResult: TypeAlias = Incomplete | Understood | Refused


def is_decimal(value: Fraction) -> bool:
    """True when the value ends after some decimal places: no prime but 2 and 5 is in its denominator."""
    return pow(10, value.denominator.bit_length(), value.denominator) == 0


# ---------------------------------------------------------------- said back


def _one(part: Component, settings: EntrySettings) -> str:
    amount = number_text(part) + ("" if part.in_minutes else UNITS[part.unit])
    if part.qualifier:
        amount += f" {part.qualifier}"
    name = settings.name(part.face)
    return f"{amount} out" if part.face is Face.OUT and name == "out" else f"{amount} towards {name}"


def number_text(part: Component) -> str:
    """The number as it is said, before strong or shy, in its own unit: `1 1/4`, `0.375`, `0°36′`."""
    if part.typed.is_fraction:
        return fraction_text(part.number)
    if not part.in_minutes:
        return decimal_text(part.number, part.typed.places)
    degrees, rest = divmod(part.number, 1)
    minutes, rest = divmod(rest * 60, 1)
    return f"{degrees}°{minutes}′" + (f"{decimal_text(rest * 60)}″" if rest else "")


def length_text(length: Length) -> str:
    """A gauge length in the unit that it was typed in; feet are said as inches: `48 in`, `1200 mm`."""
    if length.unit in METRIC:
        return f"{decimal_text(length.mm)} mm"
    inches = length.mm / MM_PER["in"]
    on_tape = inches.denominator in (1, *TAPE_DENOMINATORS)
    return f"{fraction_text(inches) if on_tape else decimal_text(inches)} in"
