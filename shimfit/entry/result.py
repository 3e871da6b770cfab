"""What a typed entry turns out to be (not finished, understood, or refused), and how it is said back.

What the grammar has to know of the run, the tape and the level stands first (`EntrySettings`); then the
results; then the words that say an understood entry back, and the shortest way to type it again.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import field
from fractions import Fraction
from typing import Literal, TypeAlias

from shimfit.core.lean import from_degrees, from_offset, from_offset_along_post
from shimfit.errors import UsageError
from shimfit.model import Face
from shimfit.quantities.typed import METRIC, MM_PER, TAPE_DENOMINATORS, Length, NumberForm, Units
from shimfit.values import dataclass

DEFAULT_NAMES: Mapping[str, str] = {face.value: face.value for face in Face}
DEFAULT_LETTERS: Mapping[str, str] = {"next": "n", "prev": "p", "out": "o", "house": "h"}
TAKEN_LETTERS = "dms"
"""d is degrees, m begins mm, s is strong: no face may be one of these letters."""


@dataclass(frozen=True, slots=True)
class EntrySettings:
    """Settings of the entry line. Raises UsageError when names or letters of faces can't be told apart."""

    units: Units = "mm"
    """Unit of a bare number; a bare fraction is inches whatever stands here."""
    denominators: tuple[int, ...] = TAPE_DENOMINATORS
    """Lower numbers of fractions that are accepted."""
    graduation_in: Fraction = Fraction(1, 16)
    """Finest marks of the inch tape; strong and shy are a quarter of it."""
    graduation_mm: Fraction = Fraction(1)
    """Finest marks of the metric tape."""
    gauge_mm: float | None = None
    """Standing gauge length: the level that offsets are read over; None = over the reading height."""
    along_post: bool = False
    """True: a straightedge lies along the post, so that offset ÷ gauge length is a sine."""
    faces: Mapping[str, str] = field(default_factory=lambda: dict(DEFAULT_NAMES))
    """Names of the four faces in this run, by next, prev, out, house."""
    letters: Mapping[str, str] | None = None
    """Letters of the four faces; None = n p o h, or of a renamed face the first letter that is free."""
    max_lean_mm: float = 50.8
    """More than this (2 in) is refused as a slip."""
    max_lean_deg: float = 3.0

    all_letters: Mapping[Face, str] = field(init=False, repr=False, compare=False)
    """The four letters. A renamed face takes its first letter when no other meaning has it."""

    vocabulary_key: tuple[tuple[str, ...], tuple[str, ...]] = field(init=False, repr=False, compare=False)
    """Names and letters in lower case, in the order of Face: what the words of this run depend on."""

    def __post_init__(self) -> None:
        self._check_names()
        object.__setattr__(self, "all_letters", self._find_letters())
        self._check_letters()
        names = tuple(self.name(face).lower() for face in Face)
        object.__setattr__(self, "vocabulary_key", (names, tuple(self.all_letters[face] for face in Face)))

    def name(self, face: Face) -> str:
        """What this run calls the face."""
        return self.faces.get(face, face.value)

    def letter(self, face: Face) -> str:
        """The one letter that stands for the face."""
        return self.all_letters[face]

    def _find_letters(self) -> dict[Face, str]:
        if self.letters is not None:
            return {face: self.letters.get(face, DEFAULT_LETTERS[face]).lower() for face in Face}
        kept = {face: DEFAULT_LETTERS[face] for face in Face if self.name(face) == face.value}
        for face in (face for face in Face if face not in kept):
            wanted = (self.name(face)[0].lower(), DEFAULT_LETTERS[face], *self.name(face).lower())
            taken = {*kept.values(), *TAKEN_LETTERS, "v", "i"}
            kept[face] = next((c for c in wanted if c not in taken), DEFAULT_LETTERS[face])
        return {face: kept[face] for face in Face}

    def _check_names(self) -> None:
        names = [self.name(face).lower() for face in Face]
        if len(set(names)) < 4:
            raise UsageError(f"two faces have one name ({' '.join(names)}): give each its own")
        for name in names:
            if len(name) < 2 or not name.isalpha():
                raise UsageError(f"a face's name is one word of letters, not {name!r}")

    def _check_letters(self) -> None:
        letters = list(self.all_letters.values())
        if len(set(letters)) < 4:
            raise UsageError(f"two faces have one letter ({' '.join(letters)}): give each its own")
        for letter in letters:
            if len(letter) != 1 or not letter.isalpha() or letter in TAKEN_LETTERS:
                raise UsageError(f"{letter!r} can't stand for a face: one letter, not one of d m s")


# ---------------------------------------------------------------- results


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
    """ParseResult. Enter logs it."""

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
        return _words(self)

    @property
    def canonical(self) -> str:
        """Shortest plain way to type the same thing: parses back to the same value under any units."""
        return _canonical(self)


ParseResult: TypeAlias = Incomplete | Understood | Refused


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


# ---------------------------------------------------------------- said back


def _words(parsed: Understood) -> str:
    """`top leans 1/4 in towards next, 3/8 in towards house over 48 in`."""
    if parsed.is_gauge_only:
        if parsed.over is None:
            return "from now on offsets are read over the reading height"
        return f"from now on offsets are read over {length_text(parsed.over)}"
    return f"{_lean_words(parsed)}{_over_words(parsed)}"


def _lean_words(parsed: Understood) -> str:
    along, across = parsed.along, parsed.across
    if along and across and not (along.value or across.value):
        return "top is plumb both ways"
    said = [_one(part, parsed.settings) for part in (along, across) if part and part.value]
    plumb = [way for part, way in ((along, "along"), (across, "across")) if part and not part.value]
    missing = [way for part, way in ((along, "along"), (across, "across")) if part is None]
    sentence = f"top leans {', '.join(said)}" if said else "top is"
    if plumb:
        sentence += f"{',' if said else ''} plumb {plumb[0]} the run"
    if missing:
        sentence += f"; {missing[0]} the run not read yet"
    return sentence


def _one(part: Component, settings: EntrySettings) -> str:
    amount = number_text(part) + ("" if part.in_minutes else _SAID_UNITS[part.unit])
    if part.qualifier:
        amount += f" {part.qualifier}"
    name = settings.name(part.face)
    if part.face is Face.OUT and name == Face.OUT.value:
        return f"{amount} out"
    return f"{amount} towards {name}"


def _over_words(parsed: Understood) -> str:
    parts = [part for part in (parsed.along, parsed.across) if part is not None]
    if all(part.offset_mm is None or not part.value for part in parts):
        return ""  # degrees and ratios have no length, and nothing over any length is plumb
    if parsed.over is not None:
        return f" over {length_text(parsed.over)}"
    return ""


def _canonical(parsed: Understood) -> str:
    """`1/4n 3/8h @48in`; letters as the run has them, unit always written unless it is a fraction."""
    parts = [_typed(part, parsed.settings) for part in (parsed.along, parsed.across) if part is not None]
    if parsed.over is not None:
        parts.append(f"@{_gauge_typed(parsed.over)}")
    elif parsed.at_height:
        parts.append("@height")
    return " ".join(parts)


def _typed(part: Component, settings: EntrySettings) -> str:
    sign = {"strong": "+", "shy": "-", None: ""}[part.qualifier]
    unit = "" if part.form in ("fraction", "mixed") and part.unit == "in" else _TYPED_UNITS[part.unit]
    text = number_text(part)
    if part.in_minutes:
        text, unit = _degrees_and_minutes(part.number), ""
    return f"{text}{unit}{sign}{settings.letter(part.face)}"


_TYPED_UNITS = {
    "mm": "mm",
    "cm": "cm",
    "in": '"',
    "deg": "d",
    "mm/m": "mm/m",
    "cm/m": "cm/m",
    "in/ft": "in/ft",
}


def number_text(part: Component) -> str:
    """The number as it is said, before strong or shy, in its own unit: `1 1/4`, `0.375`, `0.6`."""
    if part.form in ("fraction", "mixed"):
        return fraction_text(part.number)
    if part.in_minutes:
        return _degrees_and_minutes(part.number)
    return decimal_text(part.number, part.places)


_SAID_UNITS = {
    "mm": " mm", "cm": " cm", "in": " in", "deg": "°", "mm/m": " mm/m", "cm/m": " cm/m",
    "in/ft": " in per ft",
}  # fmt: skip


def fraction_text(value: Fraction) -> str:
    """Mixed number with a space: `1 1/4`, `3/8`, `2`."""
    whole, rest = divmod(value, 1)
    if not rest:
        return str(whole)
    return f"{whole} {rest}" if whole else str(rest)


def decimal_text(value: Fraction, places: int = 0) -> str:
    """Every decimal of a value that ends, at least `places` of them."""
    while value * 10**places != int(value * 10**places):
        places += 1
    digits = f"{int(value * 10**places):0{places + 1}d}"
    return f"{digits[:-places]}.{digits[-places:]}" if places else digits


def _degrees_and_minutes(value: Fraction) -> str:
    degrees, rest = divmod(value, 1)
    minutes, rest = divmod(rest * 60, 1)
    seconds = f"{decimal_text(rest * 60)}″" if rest else ""
    return f"{degrees}°{minutes}′{seconds}"


def length_text(length: Length) -> str:
    """A gauge length in the unit that it was typed in; feet are said as inches: `48 in`, `1200 mm`."""
    if length.unit in METRIC:
        return f"{decimal_text(length.mm)} mm"
    return f"{_inches(length)} in"


def _gauge_typed(length: Length) -> str:
    if length.unit in METRIC:
        return f"{decimal_text(length.mm)}mm"
    return f"{_inches(length).replace(' ', '-')}in"


def _inches(length: Length) -> str:
    inches = length.mm / MM_PER["in"]
    return fraction_text(inches) if inches.denominator in (1, *TAPE_DENOMINATORS) else decimal_text(inches)
