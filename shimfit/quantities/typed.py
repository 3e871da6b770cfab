"""Numbers, lengths and units exactly as people write them: `9`, `9.5mm`, `3/8"`, `1-1/4in`, `4'6"`, `1.2 cm`.

One scanner for everything that is typed: lean entries, heights, feet of posts, tolerances and stock tables.
Values are exact fractions; nothing is rounded here. Rules (a bare number needs a setting to know its unit):

    number  := mixed | fraction | decimal | whole
    mixed   := whole ("-" | spaces) fraction          1-1/4   1 1/4     (1¼ as phones write it)
    fraction:= digits "/" denominator                 3/8               proper, denominator on a tape
    length  := number [unit] | feet inches            4ft   4'   4' 6"  4ft 6-1/2in
    unit    := mm cm m in inch inches " ft feet foot '

A bare fraction or mixed number is inches whatever the setting: there is no 3/8 mm. The constants are exact
(1 in = 25.4 mm, 1 ft = 304.8 mm: NIST SP 811, Appendix B.8).

Units that only files and settings name (slopes, torques, stresses) are pint's, at the end: it is imported and
its registry built at the first use of a `to_...` function, never at import, and agrees with the scanner
(property test).
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from fractions import Fraction
from functools import cache
from typing import TYPE_CHECKING, Any, Final, Literal, TypeAlias

from shimfit.errors import EntryError
from shimfit.model import Foot
from shimfit.values import dataclass

if TYPE_CHECKING:
    from pint import UnitRegistry

Units: TypeAlias = Literal["mm", "inch"]
LengthUnit: TypeAlias = Literal["mm", "cm", "m", "in", "ft"]
NumberForm: TypeAlias = Literal["whole", "decimal", "fraction", "mixed"]

MM_PER: Final[dict[LengthUnit, Fraction]] = {
    "mm": Fraction(1),
    "cm": Fraction(10),
    "m": Fraction(1000),
    "in": Fraction(254, 10),
    "ft": Fraction(3048, 10),
}
METRIC: Final[frozenset[LengthUnit]] = frozenset(("mm", "cm", "m"))
UNIT_WORDS: Final[dict[str, LengthUnit]] = {
    "mm": "mm",
    "millimetre": "mm",
    "millimetres": "mm",
    "millimeter": "mm",
    "millimeters": "mm",
    "cm": "cm",
    "centimetre": "cm",
    "centimetres": "cm",
    "centimeter": "cm",
    "centimeters": "cm",
    "m": "m",
    "metre": "m",
    "metres": "m",
    "meter": "m",
    "meters": "m",
    "in": "in",
    "inch": "in",
    "inches": "in",
    "ft": "ft",
    "foot": "ft",
    "feet": "ft",
}
INCH_MARKS: Final = '"″”“'
FEET_MARKS: Final = "'′’‘"
MINUS_MARKS: Final = "-−–"
TAPE_DENOMINATORS: Final = (2, 4, 8, 16, 32, 64)
_ONE_CHARACTER_FRACTIONS: Final[dict[str, tuple[int, int]]] = {
    "½": (1, 2),
    "¼": (1, 4),
    "¾": (3, 4),
    "⅛": (1, 8),
    "⅜": (3, 8),
    "⅝": (5, 8),
    "⅞": (7, 8),
}
_LONGEST_NUMBER: Final = 24
"""Signs in one number: 17 digits tell every float apart (IEEE 754), a script sends them, and `0.000` before
them; more is a stuck key. It also keeps integers small enough to convert."""


@dataclass(frozen=True, slots=True)
class Number:
    """A number as it was written, with its place in the text."""

    value: Fraction
    start: int
    end: int
    form: NumberForm
    numerator: int = 0
    """Numerator as written; 0 for whole and decimal."""
    denominator: int = 1
    """Denominator as written, not reduced; 1 for whole and decimal."""
    places: int = 0
    """Digits after the point."""


@dataclass(frozen=True, slots=True)
class Fault:
    """Why there is no good number here."""

    reason: str
    at: int
    """Characters before the bad spot."""
    end: int
    """End of what was read of it."""
    instead: str | None = None
    """What to put in place of text[start:end] where `start` is where the scan began."""
    open: bool = False
    """True when more typing at the end of the text could still make it good."""


_MIXED = re.compile(r"([0-9]+)(-|[^\S\r\n]+)([0-9]+)[/⁄]([0-9]*)")
_FRACTION = re.compile(r"([0-9]+)[/⁄]([0-9]*)")
_DECIMAL = re.compile(r"[0-9]*\.[0-9]*")
_WHOLE = re.compile(r"[0-9]+")
_VULGAR = re.compile(rf"(?:([0-9]+)(?:-|[^\S\r\n]*))?([{''.join(_ONE_CHARACTER_FRACTIONS)}])")


def starts_number(text: str, pos: int) -> bool:
    """True when a number could begin at this character."""
    return pos < len(text) and (text[pos] in "0123456789." or text[pos] in _ONE_CHARACTER_FRACTIONS)


def scan_number(
    text: str, pos: int = 0, denominators: tuple[int, ...] = TAPE_DENOMINATORS
) -> Number | Fault | None:
    """Number that begins at `pos`, a fault with its reason, or None when no number begins there."""
    if not starts_number(text, pos):
        return None
    if match := _VULGAR.match(text, pos):
        numerator, denominator = _ONE_CHARACTER_FRACTIONS[match[2]]
        written = _Written(match[1], str(numerator), str(denominator), one_character=True)
        return _fraction(text, pos, match.end(), written, denominators)
    match = _MIXED.match(text, pos)
    if match and int(match[1][:_LONGEST_NUMBER]) != 0:
        return _fraction(text, pos, match.end(), _Written(match[1], match[3], match[4]), denominators)
    if match := _FRACTION.match(text, pos):
        return _fraction(text, pos, match.end(), _Written(None, match[1], match[2]), denominators)
    if match := _DECIMAL.match(text, pos):
        return _decimal(text, pos, match.end())
    match = _WHOLE.match(text, pos)
    assert match is not None
    return _whole(text, pos, match.end())


def _too_long(pos: int, end: int) -> Fault:
    return Fault("that number is too long: a key may be stuck", pos, end)


def _whole(text: str, pos: int, end: int) -> Number | Fault:
    digits = text[pos:end]
    if len(digits) > _LONGEST_NUMBER:
        return _too_long(pos, end)
    if len(digits) > 1 and digits[0] == "0":
        return Fault(f"{digits} starts with 0: put a space or a point after it", pos + 1, end)
    return Number(Fraction(int(digits)), pos, end, "whole")


def _decimal(text: str, pos: int, end: int) -> Number | Fault:
    digits = text[pos:end]
    if len(digits) > _LONGEST_NUMBER:
        return _too_long(pos, end)
    places = len(digits) - digits.index(".") - 1
    if places == 0:
        return Fault(f"{digits} needs a digit after the point", end, end, open=end == len(text))
    return Number(Fraction(digits if digits[0] != "." else "0" + digits), pos, end, "decimal", places=places)


@dataclass(frozen=True, slots=True)
class _Written:
    """A fraction as it was written."""

    whole: str | None
    numerator: str
    denominator: str
    one_character: bool = False
    """½ and its like."""


def _fraction(text: str, pos: int, end: int, written: _Written, tape: tuple[int, ...]) -> Number | Fault:
    """Judge whole, numerator and denominator as written; `tape` = the denominators that are accepted."""
    if end - pos > 2 * _LONGEST_NUMBER:
        return _too_long(pos, end)
    whole, denominator = written.whole, written.denominator
    if denominator == "":
        reason = f"{text[pos:end]} needs the lower number of the fraction"
        return Fault(reason, end, end, open=end == len(text))
    if any(len(part) > 1 and part[0] == "0" for part in (whole or "", written.numerator, denominator)):
        return Fault(f"{text[pos:end]} has a 0 in front of a number: leave it out", pos, end)
    num, den, above = int(written.numerator), int(denominator), int(whole or 0)
    den_at = pos if written.one_character else end - len(denominator)
    num_at = pos if written.one_character else den_at - 1 - len(written.numerator)
    grows = end == len(text) and any(
        str(d).startswith(denominator) and d != den and 0 < num < d for d in tape
    )
    if den not in tape:
        reason = f"/{denominator} is not on a tape ({' '.join(f'/{d}' for d in tape)} are)"
        shorter = den // 10
        instead = text[pos : end - 1] if shorter in tape and 0 < num < shorter else None
        return Fault(reason, den_at, end, instead, open=grows)
    if num == 0:
        return Fault(f"0/{denominator} is nothing: type 0", num_at, end, str(above))
    if num >= den:
        over, rest = divmod(num, den)
        instead = str(above + over) + (f"-{rest}/{den}" if rest else "")
        after = " after a whole number" if whole else ""
        return Fault(f"{num}/{den}{after} is more than a whole one", num_at, end, instead, open=grows)
    return Number(above + Fraction(num, den), pos, end, "mixed" if whole else "fraction", num, den)


# ---------------------------------------------------------------- whole lengths


@dataclass(frozen=True, slots=True)
class Length:
    """A length as it was typed."""

    text: str
    mm: Fraction
    """Exact millimetres."""
    unit: LengthUnit
    """The unit that it was typed in, or that the setting gave it; of feet and inches, `ft`."""
    form: NumberForm
    end: int
    """Where it ends in the text that it was scanned from."""
    unit_was_typed: bool = True

    @property
    def millimetres(self) -> float:
        """Nearest float of the exact value."""
        return float(self.mm)


_WORD = re.compile(r"[^\W\d_]+")


def scan_unit(text: str, pos: int) -> tuple[LengthUnit, int] | None:
    """Length unit at `pos` and its end; a word must be a unit as a whole. None when there is none."""
    if pos < len(text) and text[pos] in INCH_MARKS:
        return "in", pos + 1
    if pos < len(text) and text[pos] in FEET_MARKS:
        doubled = pos + 1 < len(text) and text[pos + 1] in FEET_MARKS
        return ("in", pos + 2) if doubled else ("ft", pos + 1)
    word = _WORD.match(text, pos)
    unit = UNIT_WORDS.get(word[0].lower()) if word else None
    return (unit, word.end()) if word and unit else None


def _a(what: str) -> str:
    return f"{'an' if what[0] in 'aeiou' else 'a'} {what}"


def scan_length(text: str, pos: int, units: Units, what: str = "length") -> Length:
    """Length that begins at `pos`; what follows it is the caller's. Raises EntryError with the bad spot."""
    start = pos = skip_spaces(text, pos)
    if pos < len(text) and text[pos] in MINUS_MARKS + "+":
        raise EntryError(f"{_a(what)} has no sign: leave out the {text[pos]!r}", at=pos)
    number = scan_number(text, pos)
    if number is None:
        found = f"{text[pos : pos + 12]!r} isn't {_a(what)}" if pos < len(text) else f"the {what} is missing"
        raise EntryError(f"{found}: type it like 900mm, 40in or 3-1/2in", at=pos)
    if isinstance(number, Fault):
        raise EntryError(f"{what}: {number.reason}", at=number.at, meant=mend(text, start, number))
    comma = re.compile(r",[0-9]").match(text, number.end)
    if comma and number.form == "whole":
        meant = f"{text[: number.end]}.{text[number.end + 1 :]}".strip()
        raise EntryError(f"{what}: the decimal mark is a point, not a comma", at=number.end, meant=meant)
    found_unit = scan_unit(text, skip_spaces(text, number.end))
    is_fraction = number.form in ("fraction", "mixed")
    if found_unit is None:
        unit: LengthUnit = "in" if is_fraction or units == "inch" else "mm"
        mm = number.value * MM_PER[unit]
        return Length(text[start : number.end], mm, unit, number.form, number.end, unit_was_typed=False)
    unit, end = found_unit
    if is_fraction and unit in METRIC:
        at = skip_spaces(text, number.end)
        raise EntryError(f"{what}: {unit} takes no fraction: use a decimal point", at=at)
    mm = number.value * MM_PER[unit]
    if unit == "ft" and number.form == "whole":
        inches = _inches_after_feet(text, end)
        if inches is not None:
            mm, end = mm + inches[0] * MM_PER["in"], inches[1]
    return Length(text[start:end], mm, unit, number.form, end)


def _inches_after_feet(text: str, pos: int) -> tuple[Fraction, int] | None:
    """Inches (exact) after whole feet, with their end: the 6-1/2" of 4' 6-1/2"; None when none follow."""
    number = scan_number(text, skip_spaces(text, pos))
    if not isinstance(number, Number) or number.value >= 12:
        return None
    unit = scan_unit(text, skip_spaces(text, number.end))
    if unit is not None:
        return (number.value, unit[1]) if unit[0] == "in" else None
    is_last = not text[number.end :].strip()
    return (number.value, number.end) if is_last else None


def read_length(text: str, units: Units = "mm", *, what: str = "length", zero_ok: bool = False) -> Length:
    """The whole text as one length, exact. Raises EntryError: no number, unknown unit, nothing, a sign."""
    length = scan_length(text, 0, units, what)
    rest = skip_spaces(text, length.end)
    if rest < len(text):
        word = _WORD.match(text, rest)
        if word and not length.unit_was_typed:
            raise EntryError(f"{what}: unknown length unit {word[0]!r}; try mm, cm, m, in or ft", at=rest)
        raise EntryError(f"{what}: what does {text[rest:].strip()[:12]!r} after it mean?", at=rest)
    if length.mm == 0 and not zero_ok:
        raise EntryError(f"{_a(what)} can't be 0: type how much it is", at=0)
    return length


def skip_spaces(text: str, pos: int) -> int:
    """First position from `pos` on that holds no white space."""
    while pos < len(text) and text[pos].isspace():
        pos += 1
    return pos


def mend(text: str, start: int, fault: Fault) -> str | None:
    """The text with the faulty number replaced by what was probably meant; None without a good guess."""
    if fault.instead is None:
        return None
    return (text[:start] + fault.instead + text[fault.end :]).strip()


# ---------------------------------------------------------------- heights, feet, named lengths

LOWEST_READ_MM, HIGHEST_READ_MM = 50.0, 20_000.0
"""Wide of every post of a guard (common practice, no source)."""

_BY = re.compile(r"\s*(?:[x×*]|\bby\b)\s*", re.IGNORECASE)
_ROUND = re.compile(r"\s*(?:diameter|dia|d|ø|⌀)\s*", re.IGNORECASE)


def parse_length(text: str, units: Units = "mm", *, what: str = "length", zero_ok: bool = False) -> float:
    """Length in mm. `what` names it in the refusal ("height", "spacing").

    Raises EntryError (with the bad spot) for no number, an unknown unit, a sign, and 0 unless `zero_ok`.
    """
    return read_length(text, units, what=what, zero_ok=zero_ok).millimetres


def parse_height(text: str, units: Units = "mm") -> float:
    """Reading height in mm. EntryError where no post is read at it: nearly always a slip of the unit."""
    height_mm = parse_length(text, units, what="height")
    if not LOWEST_READ_MM <= height_mm <= HIGHEST_READ_MM:
        given = f"{height_mm / 25.4:g} in" if units == "inch" else f"{height_mm:g} mm"
        raise EntryError(
            f"a reading height of {given} can't be: posts are read about "
            f"{'40 in' if units == 'inch' else '1 m'} above the foot; a wrong unit?",
            at=0,
        )
    return height_mm


def parse_pairs(given: Iterable[str], units: Units = "mm") -> dict[str, float]:
    """NAME=LENGTH, in mm, each with its sign (`2=5mm`, `next=-1/4in`).

    Raises EntryError for another form, a name that is given twice, and what `parse_length` refuses.
    """
    found: dict[str, float] = {}
    for text in given:
        name, sign, value = text.partition("=")
        name, value = name.strip(), value.strip()
        if not sign or not name:
            raise EntryError(f"{text!r}: type it as NAME=LENGTH", at=0)
        if name in found:
            raise EntryError(f"{name} is given twice, once as {text!r}; give it one length", at=0)
        length_mm = parse_length(value.lstrip("+-"), units, zero_ok=True)
        found[name] = -length_mm if value.startswith("-") else length_mm
    return found


def parse_rod_at(
    text: str, units: Units = "mm", faces: Mapping[str, str] | None = None
) -> tuple[float, float]:
    """Where the rod pulls, off the foot's middle: `next=5mm,house=3mm`; `0` in the middle.

    (along, across) in mm, + next, + out. faces: the run's own name of each face. Raises EntryError for what
    is no face, and for two that lie on one line.
    """
    if text.strip() in ("", "0"):
        return 0.0, 0.0
    own = {name.casefold(): face for face, name in (faces or {}).items()}
    axes = {"next": (0, 1), "prev": (0, -1), "out": (1, 1), "house": (1, -1)}
    at_mm: list[float | None] = [None, None]
    for name, mm in parse_pairs(text.split(","), units).items():
        axis, sign = axes.get(own.get(name.casefold(), name.casefold()), (None, 0))
        if axis is None or at_mm[axis] is not None:
            raise EntryError(f"type the rod like next=5mm,house=3mm, not {text.strip()!r}", at=0)
        at_mm[axis] = sign * mm
    return at_mm[0] or 0.0, at_mm[1] or 0.0


def parse_leg(text: str, units: Units = "mm") -> tuple[float, float | None]:
    """Length of a leg in mm, and how far the run turns before it: `3.6m@45`, `12ft@-30`; None: not said.

    Degrees, + towards out, - towards house, under 180. Raises EntryError with the bad spot.
    """
    length, sign, angle = text.partition("@")
    length_mm = parse_length(length, units, what="leg")
    if not sign:
        return length_mm, None
    turn_deg = decimal_number(re.sub(r"(deg|°)\s*$", "", angle))
    if not 0.0 < abs(turn_deg) < 180.0:
        raise EntryError(
            f"a corner turns by an angle under 180 degrees, like 3.6m@45 or 3.6m@-30, not {text.strip()!r}",
            at=len(length) + 1,
        )
    return length_mm, turn_deg


def parse_foot(text: str, units: Units = "mm", *, rod_hole_mm: float = 14.0) -> Foot:
    """Foot `AxB` = along x across (`90x90mm`, `3-1/2"x3-1/2"`), or round `d90mm`.

    A side without a unit takes the other side's. Raises EntryError: not two sides, no area, a rod hole
    as wide as the foot.
    """
    round_mark = _ROUND.match(text)
    if round_mark and text[round_mark.end() :].strip():
        diameter = _sides(text, [round_mark.end()], units)[0]
        foot = Foot(diameter, diameter, round=True, rod_hole_mm=rod_hole_mm)
    else:
        by = _BY.search(text)
        if by is None:
            raise EntryError(
                f"a foot is along x across, like 90x90mm, or d90mm when round, not {text!r}", at=0
            )
        along, across = _sides(text, [0, by.end()], units, ends=[by.start(), len(text)])
        foot = Foot(along, across, rod_hole_mm=rod_hole_mm)
    narrow = min(foot.along_mm, foot.across_mm)
    if rod_hole_mm >= narrow:
        raise EntryError(f"the rod's hole ({rod_hole_mm:g} mm) leaves no foot of {narrow:g} mm", at=0)
    return foot


def _sides(text: str, starts: list[int], units: Units, ends: list[int] | None = None) -> list[float]:
    """Sides in mm; positions in errors are those of the whole text."""
    stops = ends or [len(text)]
    lengths = [_side(text[:stop], start, units) for start, stop in zip(starts, stops, strict=True)]
    typed = next((length.unit for length in lengths if length.unit_was_typed), None)
    if typed is not None:
        assumed: Units = "inch" if typed in ("in", "ft") else "mm"
        lengths = [
            length if length.unit_was_typed else _side(text[:stop], start, assumed)
            for length, start, stop in zip(lengths, starts, stops, strict=True)
        ]
    return [length.millimetres for length in lengths]


def _side(text: str, start: int, units: Units) -> Length:
    length = scan_length(text, start, units, "side of a foot")
    rest = skip_spaces(text, length.end)
    if rest < len(text):
        raise EntryError(f"side of a foot: what does {text[rest:].strip()[:12]!r} after it mean?", at=rest)
    if length.mm == 0:
        raise EntryError("a foot with no area can't stand: a side is more than 0", at=start)
    return length


# ---------------------------------------------------------------- what files and settings name


@cache
def registry() -> UnitRegistry[Any]:
    """The one registry, with exact fractions inside; about half a second the first time."""
    import pint

    return pint.UnitRegistry(non_int_type=Fraction)


def to_slope(text: str) -> float:
    """Slope of an angle (`0.1 deg`, `20 arcsec`: its tangent) or of a ratio (`2 mm/m`, `0.2 percent`).

    A bare number is a ratio. Raises EntryError for anything else.
    """
    quantity = _quantity(text, "slope")
    if not quantity.dimensionless:
        raise EntryError(f"{text.strip()} isn't a slope: type it like 0.5 mm/m or 0.03 deg")
    ratio = float(quantity.to("dimensionless").magnitude)
    if not any(name in _ANGLES for name in _unit_names(quantity)):
        return ratio
    if abs(ratio) >= math.pi / 2:
        raise EntryError(f"{text.strip()} isn't a slope: give less than 90 deg")
    return math.tan(ratio)


def to_torque_nm(text: str) -> float:
    """Torque in N m (`40`, `40 Nm`, `30 lbf ft`, `30 ft-lb`); a bare number is N m. EntryError otherwise."""
    number, unit = _split(text, "torque")
    letters = "".join(c for c in unit.lower() if c.isalpha() or c == "/")
    value = _in_unit(number, _TORQUES.get(letters, unit) or "N*m", "N*m", "torque")
    if value <= 0.0:
        raise EntryError(f"a torque of {text.strip()} tightens nothing: type it like 40 Nm")
    return value


def to_unit(text: str, unit: str, what: str = "value") -> float:
    """What was typed in `unit`, any that pint knows (`kN`, `N/mm^2`); a bare number is in it already.

    EntryError for what is no such quantity.
    """
    number, typed = _split(text, what)
    return _in_unit(number, typed or unit, unit, what)


_ANGLES: Final = frozenset(
    ("radian", "milliradian", "degree", "arcminute", "arcsecond", "milliarcsecond", "grade")
)
_TORQUES: Final = {
    "nm": "newton * meter",
    **dict.fromkeys(("lbft", "ftlb", "lbfft", "ftlbf", "ftlbs", "lbsft"), "force_pound * foot"),
    **dict.fromkeys(("lbin", "inlb", "lbfin", "inlbf", "inlbs", "lbsin"), "force_pound * inch"),
}
_NUMBER: Final = re.compile(
    r"\s*([-+]?(?:[0-9]{1,12}(?:\.[0-9]{0,20})?|\.[0-9]{1,20})(?:e[-+]?[0-9]{1,2})?)(?![0-9.])", re.IGNORECASE
)
_TYPED_FRACTION: Final = re.compile(r"\s*[0-9]+(?:[-\s]+[0-9]+)?/[0-9]")
_FACTOR: Final = re.compile(r"\s*([*/·-]?)\s*([^\W\d]+|[°%'\"′″])(?:\^|\*\*)?([0-9])?\s*")
_SIGNS: Final = {'"': "inch", "″": "inch", "'": "foot", "′": "foot", "°": "degree", "%": "percent"}


def decimal_number(text: str) -> float:
    """A signed decimal number, the whole text: `-2.5`, `1e-3`.

    NaN for anything else, which no check of a range lets through: `float` would take `inf`, `1_000` and the
    digits of other scripts for numbers.
    """
    match = _NUMBER.fullmatch(text.strip())
    return math.nan if match is None else float(match[1])


def _split(text: str, what: str) -> tuple[Fraction, str]:
    """The exact number, and the text of its unit."""
    if _TYPED_FRACTION.match(text):
        found = scan_number(text, skip_spaces(text, 0))
        if isinstance(found, Number):
            return found.value, text[found.end :].strip()
        if found is not None:
            raise EntryError(f"{what}: {found.reason}", at=found.at)
    match = _NUMBER.match(text)
    if match is None:
        raise EntryError(f"{_a(what)} is a number with its unit, not {text.strip()[:20]!r}", at=0)
    return Fraction(match[1]), text[match.end() :].strip()


def _quantity(text: str, what: str) -> Any:
    number, unit = _split(text, what)
    return registry().Quantity(number, _unit(unit, what))


def _in_unit(number: Fraction, typed: str, unit: str, what: str) -> float:
    import pint

    try:
        return float(registry().Quantity(number, _unit(typed, what)).to(unit).magnitude)
    except pint.PintError as error:
        raise EntryError(f"{typed} isn't {_a(what)}; use a unit like {unit}") from error


def _unit(text: str, what: str) -> Any:
    """The unit as a pint unit. Names are looked up one by one: pint never evaluates what was typed."""
    import pint

    product: Any = registry().Unit("dimensionless")
    pos = 0
    while pos < len(text):
        factor = _FACTOR.match(text, pos)
        if factor is None or (pos == 0 and factor[1]):
            raise EntryError(f"{what}: unknown unit {text[:20]!r}")
        try:
            one = registry().Unit(_SIGNS.get(factor[2], factor[2])) ** int(factor[3] or 1)
        except (pint.PintError, ValueError) as error:
            raise EntryError(f"{what}: unknown unit {factor[2][:20]}") from error
        product = product / one if factor[1] == "/" else product * one
        pos = factor.end()
    return product


def _unit_names(quantity: Any) -> list[str]:
    return [name for name, _ in quantity.unit_items()]
