"""Quantities exactly as people write them: `9`, `9.5mm`, `3/8"`, `1-1/4in`, `4'6"`, `1:500`, `3mm/1m`.

One scanner for everything that is typed: lean entries, heights, feet of posts, tolerances and stock tables.
Values are exact fractions; nothing is rounded here. Rules (a bare number needs a setting to know its unit):

    number    := mixed | fraction | decimal | whole
    mixed     := whole ("-" | spaces) fraction        1-1/4   1 1/4     (1¼ as phones write it)
    fraction  := digits "/" denominator               3/8               proper, denominator on a tape
    length    := number [unit] | feet inches          4ft   4'   4' 6"  4ft 6-1/2in
    unit      := mm cm m in inch inches " ft feet foot '
    tolerance := "1:" number | number "deg" | length "/" ("m" | "ft") | length ("/" | "over") length | preset

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
from shimfit.model import Foot, Tolerance
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
_SPELLED: Final[dict[LengthUnit, str]] = {
    "mm": "mm millimetre millimetres millimeter millimeters",
    "cm": "cm centimetre centimetres centimeter centimeters",
    "m": "m metre metres meter meters",
    "in": "in inch inches",
    "ft": "ft foot feet",
}
UNIT_WORDS: Final[dict[str, LengthUnit]] = {
    word: unit for unit, words in _SPELLED.items() for word in words.split()
}
INCH_MARKS: Final = '"″”“'
FEET_MARKS: Final = "'′’‘"
MINUS_MARKS: Final = "-−–"
TAPE_DENOMINATORS: Final = (2, 4, 8, 16, 32, 64)
_ONE_CHARACTER: Final = {"½": "1/2", "¼": "1/4", "¾": "3/4", "⅛": "1/8", "⅜": "3/8", "⅝": "5/8", "⅞": "7/8"}
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

    @property
    def is_fraction(self) -> bool:
        """Written like 3/8 or 1 1/4."""
        return self.form in ("fraction", "mixed")


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


_MIXED = re.compile(r"([0-9]+)(?:-|[^\S\r\n]+)([0-9]+)[/⁄]([0-9]*)")
_FRACTION = re.compile(r"()([0-9]+)[/⁄]([0-9]*)")
_PLAIN = re.compile(r"[0-9]*\.[0-9]*|[0-9]+")
_VULGAR = re.compile(rf"(?:([0-9]+)(?:-|[^\S\r\n]*))?([{''.join(_ONE_CHARACTER)}])")


def scan_number(text: str, pos: int = 0) -> Number | Fault | None:
    """Number that begins at `pos`, a fault with its reason, or None when no number begins there."""
    if pos >= len(text) or not (text[pos] in "0123456789." or text[pos] in _ONE_CHARACTER):
        return None
    if match := _VULGAR.match(text, pos):
        numerator, denominator = _ONE_CHARACTER[match[2]].split("/")
        return _fraction(text, match, (match[1], numerator, denominator))
    mixed = _MIXED.match(text, pos)
    whole_is_nothing = mixed is not None and int(mixed[1][:_LONGEST_NUMBER]) == 0
    if match := _FRACTION.match(text, pos) if mixed is None or whole_is_nothing else mixed:
        return _fraction(text, match, (match[1], match[2], match[3]))
    match = _PLAIN.match(text, pos)
    assert match is not None
    digits, end = match[0], match.end()
    if len(digits) > _LONGEST_NUMBER:
        return _too_long(pos, end)
    if "." not in digits:
        if len(digits) > 1 and digits[0] == "0":
            return Fault(f"{digits} starts with 0: put a space or a point after it", pos + 1, end)
        return Number(Fraction(int(digits)), pos, end, "whole")
    places = len(digits) - digits.index(".") - 1
    if places == 0:
        return Fault(f"{digits} needs a digit after the point", end, end, open=end == len(text))
    return Number(Fraction(digits if digits[0] != "." else "0" + digits), pos, end, "decimal", places=places)


def _too_long(pos: int, end: int) -> Fault:
    return Fault("that number is too long: a key may be stuck", pos, end)


def _fraction(text: str, match: re.Match[str], written: tuple[str | None, str, str]) -> Number | Fault:
    """Judge whole, numerator and denominator as written."""
    pos, end = match.span()
    if end - pos > 2 * _LONGEST_NUMBER:
        return _too_long(pos, end)
    whole, numerator, denominator = written
    if not denominator:
        reason = f"{match[0]} needs the lower number of the fraction"
        return Fault(reason, end, end, open=end == len(text))
    if any(len(part) > 1 and part[0] == "0" for part in (whole or "", numerator, denominator)):
        return Fault(f"{match[0]} has a 0 in front of a number: leave it out", pos, end)
    num, den, above = int(numerator), int(denominator), int(whole or 0)
    one_character = match.re is _VULGAR
    den_at = pos if one_character else end - len(denominator)
    num_at = pos if one_character else den_at - 1 - len(numerator)
    longer = (d for d in TAPE_DENOMINATORS if str(d).startswith(denominator) and d != den)
    grows = end == len(text) and any(0 < num < d for d in longer)
    if den not in TAPE_DENOMINATORS:
        reason = f"/{denominator} is not on a tape ({' '.join(f'/{d}' for d in TAPE_DENOMINATORS)} are)"
        shorter = den // 10
        instead = text[pos : end - 1] if shorter in TAPE_DENOMINATORS and 0 < num < shorter else None
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

    @property
    def system(self) -> Units:
        """Which setting its unit belongs to."""
        return "mm" if self.unit in METRIC else "inch"


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
        raise EntryError(f"{found}: type it like 9mm, 1.2m, 3/8in or 3-1/2in", at=pos)
    if isinstance(number, Fault):
        raise EntryError(f"{what}: {number.reason}", at=number.at, meant=mend(text, start, number))
    if number.form == "whole" and re.match(",[0-9]", text[number.end :]):
        meant = f"{text[: number.end]}.{text[number.end + 1 :]}".strip()
        raise EntryError(f"{what}: the decimal mark is a point, not a comma", at=number.end, meant=meant)
    unit_at, end = skip_spaces(text, number.end), number.end
    found_unit = scan_unit(text, unit_at)
    is_fraction = number.form in ("fraction", "mixed")
    unit: LengthUnit = "in" if is_fraction or units == "inch" else "mm"
    if found_unit is not None:
        unit, end = found_unit
        if is_fraction and unit in METRIC:
            raise EntryError(f"{what}: {unit} takes no fraction: use a decimal point", at=unit_at)
    mm = number.value * MM_PER[unit]
    if found_unit is not None and unit == "ft" and number.form == "whole":
        more, end = _inches_after_feet(text, end)
        mm += more * MM_PER["in"]
    return Length(text[start:end], mm, unit, number.form, end, unit_was_typed=found_unit is not None)


def _inches_after_feet(text: str, pos: int) -> tuple[Fraction, int]:
    """Inches (exact) after whole feet, with their end: the 6-1/2" of 4' 6-1/2"; 0 where none follow."""
    number = scan_number(text, skip_spaces(text, pos))
    if isinstance(number, Number) and number.value < 12:
        unit = scan_unit(text, skip_spaces(text, number.end))
        if unit is not None and unit[0] == "in":
            return number.value, unit[1]
        if unit is None and not text[number.end :].strip():
            return number.value, number.end
    return Fraction(0), pos


def read_length(text: str, units: Units = "mm", *, what: str = "length", zero_ok: bool = False) -> Length:
    """The whole text as one length, exact. Raises EntryError: no number, unknown unit, nothing, a sign."""
    length = scan_length(text, 0, units, what)
    rest = skip_spaces(text, length.end)
    word = _WORD.match(text, rest)
    if _BY.match(text, rest):
        raise EntryError(f"{what}: one length is wanted, not one by another", at=rest)
    if word and not length.unit_was_typed:
        raise EntryError(f"{what}: unknown length unit {word[0]!r}; try mm, cm, m, in or ft", at=rest)
    _refuse_rest(text, rest, what)
    if length.mm == 0 and not zero_ok:
        raise EntryError(f"{_a(what)} can't be 0: type how much it is", at=0)
    return length


def _refuse_rest(text: str, pos: int, what: str) -> None:
    if pos < len(text):
        raise EntryError(f"{what}: what does {text[pos:].strip()[:12]!r} after it mean?", at=pos)


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
WIDEST_FOOT_MM = 1000.0
"""A wider foot is a slip of the unit: 90x90 typed where lengths are inches (own choice)."""

_BY = re.compile(r"\s*(?:[x×*]|\bby\b)\s*", re.IGNORECASE)
_ROUND = re.compile(r"\s*(?:diameter|dia|d|ø|⌀)\s*", re.IGNORECASE)
_AXES: Final = {"next": (0, 1), "prev": (0, -1), "out": (1, 1), "house": (1, -1)}
"""Face -> which of (along, across), and its sign."""


def parse_length(text: str, units: Units = "mm", *, what: str = "length", zero_ok: bool = False) -> float:
    """Length in mm. `what` names it in the refusal ("height", "spacing").

    Raises EntryError (with the bad spot) for no number, an unknown unit, a sign, and 0 unless `zero_ok`.
    """
    return read_length(text, units, what=what, zero_ok=zero_ok).millimetres


def parse_height(text: str, units: Units = "mm") -> float:
    """Reading height in mm. EntryError where no post is read at it: nearly always a slip of the unit."""
    height_mm = parse_length(text, units, what="height")
    if not LOWEST_READ_MM <= height_mm <= HIGHEST_READ_MM:
        given, usual = (
            (f"{height_mm / 25.4:g} in", "40 in") if units == "inch" else (f"{height_mm:g} mm", "1 m")
        )
        raise EntryError(
            f"a reading height of {given} can't be: posts are read about {usual} above the foot; "
            "a wrong unit?",
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
            raise EntryError(f"{text!r} isn't a name and its length: type it like {name or 2}=5mm", at=0)
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
    at_mm: dict[int, float] = {}
    for name, mm in parse_pairs(text.split(","), units).items():
        axis, sign = _AXES.get(own.get(name.casefold(), name.casefold()), (None, 0))
        if axis is None or axis in at_mm:
            raise EntryError(f"type the rod like next=5mm,house=3mm, not {text.strip()!r}", at=0)
        at_mm[axis] = sign * mm
    return at_mm.get(0) or 0.0, at_mm.get(1) or 0.0


_LEAST_BARE_MM: Final[dict[Units, dict[str, float]]] = {
    "mm": {"leg": 75.0, "spacing": 75.0},
    "inch": {"leg": 48 * 25.4, "spacing": 12 * 25.4},
}
"""A bare number of less is a slip of the unit: 2.4 is meant in metres, 12 in feet."""


def parse_spacing(
    text: str, units: Units = "mm", what: Literal["leg", "spacing"] = "spacing", *, said: bool = False
) -> float:
    """How far posts stand apart, or how long a leg is, in mm; EntryError also for a doubtful bare number.

    said: the unit was named with it, so that a leg need be no longer than posts stand apart.
    """
    bare = text.strip()
    length_mm = parse_length(text, units, what=what)
    least_mm = _LEAST_BARE_MM[units]["spacing" if said else what]
    if length_mm < least_mm and bare[-1:].isdigit() and "/" not in bare:
        meant = f"{bare}{'m' if units == 'mm' else 'ft'} or {bare}{'mm' if units == 'mm' else 'in'}"
        raise EntryError(f"a {what} of {bare} in what unit? Type it like {meant}", at=0)
    return length_mm


MOST_KERF_MM: Final = 20.0
"""No saw for wedges cuts as wide (common practice, no source)."""


def parse_kerf(text: str, units: Units = "mm") -> float:
    """Width of the saw's cut in mm. EntryError where no saw cuts so wide: a slip of the unit."""
    kerf_mm = parse_length(text, units, what="kerf", zero_ok=True)
    if kerf_mm > MOST_KERF_MM:
        raise EntryError(f"no saw cuts {text.strip()!r} wide: type it like 2.5mm or 3/32", at=0)
    return kerf_mm


def parse_leg(text: str, units: Units = "mm", *, said: bool = False) -> tuple[float, float | None]:
    """Length of a leg in mm, and how far the run turns before it: `3.6m@45`, `12ft@-30`; None: not said.

    Degrees, + towards out, - towards house, under 180. Raises EntryError with the bad spot.
    """
    length, sign, angle = text.partition("@")
    length_mm = parse_spacing(length, units, "leg", said=said)
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
    round_mark, by = _ROUND.match(text), _BY.search(text)
    if round_mark and not text[round_mark.end() :].strip():
        round_mark = None
    if round_mark:
        sides = [(text, round_mark.end())]
    elif by:
        sides = [(text[: by.start()], 0), (text, by.end())]
    else:
        raise EntryError(f"a foot is along x across, like 90x90mm, or d90mm when round, not {text!r}", at=0)
    lengths = [_side(side, start, units) for side, start in sides]
    typed = next((length.system for length in lengths if length.unit_was_typed), units)
    if typed != units:
        lengths = [
            length if length.unit_was_typed else _side(side, start, typed)
            for length, (side, start) in zip(lengths, sides, strict=True)
        ]
    along, across = lengths[0].millimetres, lengths[-1].millimetres
    foot = Foot(along, across, round=bool(round_mark), rod_hole_mm=rod_hole_mm)
    narrow = min(along, across)
    if max(along, across) > WIDEST_FOOT_MM:
        raise EntryError(f"a foot of {text.strip()} is wider than {WIDEST_FOOT_MM:g} mm: a wrong unit?", at=0)
    if rod_hole_mm >= narrow:
        raise EntryError(f"the rod's hole ({rod_hole_mm:g} mm) leaves no foot of {narrow:g} mm", at=0)
    return foot


def _side(text: str, start: int, units: Units) -> Length:
    length = scan_length(text, start, units, "side of a foot")
    _refuse_rest(text, skip_spaces(text, length.end), "side of a foot")
    if length.mm == 0:
        raise EntryError("a foot with no area can't stand: a side is more than 0", at=start)
    return length


# ---------------------------------------------------------------- tolerances
#
# No published plumb figure for guard, railing or fence posts was found, so none is claimed here: the limit
# is the user's choice, and the record says so. Two kinds are kept apart (BRANZ, Build 155): a *ratio* scales
# with height (`1:500`, `2mm/m`, `0.1deg`, `1/4in/ft`); a *gauge* tolerance is a fixed amount in a length and
# is not scaled down below it (`3mm/1m`, `1/8in/40in`, `1/8 over 40in`).


@dataclass(frozen=True, slots=True)
class Preset:
    """A published limit of something else that stands plumb."""

    name: str
    text: str
    what: str
    """What it was published for."""
    source: str
    mark: Literal["read", "second-hand"] = "read"
    """`read`: the text was read. `second-hand`: read on a page that quotes it."""

    @property
    def tolerance(self) -> Tolerance:
        """The tolerance with its source, for the magnitude."""
        return parse_tolerance(self.name)


_NAHB = "NAHB Residential Construction Performance Guidelines"
_BRANZ = "BRANZ, Build 155, Within tolerance"
_WARRANTY = "UK new-homes warranty technical manual V7 (2014), 1.1.5 and 1.1.6"
PRESETS: Final[tuple[Preset, ...]] = (
    Preset("steel-column", "1:500", "a steel column", "AISC 303-16, 7.13.1.1"),
    Preset("framed-wall", "3/8in/32in", "a wood-framed wall", f"{_NAHB}, 4-1-1", "second-hand"),
    Preset("concrete-wall", "1-1/2in/8ft", "a concrete wall", f"{_NAHB}, 2-13", "second-hand"),
    Preset("wall-rise", "5mm/2.4m", "a wall's rise", f"{_BRANZ}, Figure 3"),
    Preset("wall-surface", "4mm/2m", "a wall's surface", _BRANZ),
    Preset("masonry-5m", "10mm/5m", "masonry, in any 5 m", _WARRANTY),
)
DEFAULT_TOLERANCE: Final = "1:500"
"""What is used when nobody said: the figure of the preset steel-column."""
STEEPEST: Final = 0.1
"""A tolerance of 1 in 10 or more is a slip."""
_RATIO = re.compile(r"\s*1\s*(?::|in\b|/(?=\s*[0-9]{3}))\s*([0-9]{1,9}(?:\.[0-9]{1,9})?)\s*$", re.IGNORECASE)
_DEGREES = re.compile(r"\s*(.*?)\s*(?:degrees|degree|deg|d|°)\s*$", re.IGNORECASE)
_PER_UNIT = re.compile(r"\s*(?:/|per)\s*(m|metre|meter|ft|foot|'|′|’)\s*$", re.IGNORECASE)
_OVER = re.compile(r"\s*(?:/|\bper\b|\bover\b|\bin\s+(?=[0-9]))\s*", re.IGNORECASE)


def parse_tolerance(text: str, per_direction: bool = False, units: Units = "mm") -> Tolerance:
    """Tolerance as typed, or a preset's name; `per_direction` applies it to each direction by itself.

    Raises EntryError (with the bad spot): not a tolerance, nothing, too wide to be one.
    """
    name, source = text.strip(), "the user's choice"
    preset = next((one for one in PRESETS if one.name == name.lower()), None)
    if preset is not None:
        quoted = " (quoted at second hand)" if preset.mark == "second-hand" else ""
        text, source = (
            preset.text,
            f"preset {preset.name}: {preset.source}, published for {preset.what}{quoted}",
        )
    elif text.replace(" ", "") == DEFAULT_TOLERANCE:
        source += f"; the figure of preset steel-column: {PRESETS[0].source}"
    slope, at, amount_mm, gauge_mm = _tolerance(text, units)
    if slope <= 0:
        raise EntryError("a tolerance of nothing can't be met: type it like 1:500 or 3mm/1m", at=at)
    if slope >= STEEPEST:
        raise EntryError("1 in 10 or more is too wide for a tolerance: type it like 1:500 or 3mm/1m", at=at)
    kind: Literal["gauge", "ratio"] = "ratio" if gauge_mm is None else "gauge"
    return Tolerance(name, kind, float(slope), amount_mm, gauge_mm, per_direction, source)


def _tolerance(text: str, units: Units) -> tuple[Fraction | float, int, float | None, float | None]:
    """Slope, the spot to blame where it can't be one; amount and length of a gauge tolerance in mm."""
    if ratio := _RATIO.match(text):
        if Fraction(ratio[1]) == 0:
            raise EntryError("1:0 isn't a tolerance: type it like 1:500", at=ratio.start(1))
        return 1 / Fraction(ratio[1]), ratio.start(1), None, None
    if (degrees := _DEGREES.match(text)) and (number := scan_number(degrees[1])) is not None:
        at = degrees.start(1)
        plain = isinstance(number, Number) and number.form in ("whole", "decimal")
        if not isinstance(number, Number) or not plain or number.end != len(degrees[1]):
            raise EntryError(f"{degrees[1]} isn't a number of degrees: type it like 0.1deg", at=at)
        return math.tan(math.radians(number.value)), at, None, None
    if not any(sign.isdigit() for sign in text):
        raise EntryError(
            f"{text.strip()!r} isn't a tolerance: try 1:500, 3mm/1m, 2mm/m, 0.1deg, or a preset's name"
            f" ({', '.join(preset.name for preset in PRESETS)})",
            at=0,
        )
    amount = scan_length(text, 0, units, "tolerance")
    if per := _PER_UNIT.fullmatch(text, amount.end):
        return amount.mm / MM_PER["m" if per[1].lower().startswith("m") else "ft"], 0, None, None
    over = _OVER.match(text, amount.end)
    if over is None or not text[over.end() :].strip():
        at = skip_spaces(text, amount.end)
        raise EntryError(f"a tolerance of {amount.text} in what length? Like 3mm/1m, 2mm/m or 1:500", at=at)
    # A length without a unit takes the amount's.
    own = amount.system if amount.unit_was_typed or amount.form in ("fraction", "mixed") else units
    try:
        length = read_length(text[over.end() :], own, what="tolerance's length")
    except EntryError as error:
        raise EntryError(error.message, at=None if error.at is None else error.at + over.end()) from error
    return amount.mm / length.mm, 0, amount.millimetres, length.millimetres


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
    number, unit = _split(text, "slope")
    quantity = registry().Quantity(number, _unit(unit, "slope"))
    if not quantity.dimensionless:
        raise EntryError(f"{text.strip()} isn't a slope: type it like 0.5 mm/m or 0.03 deg")
    ratio = float(quantity.to("dimensionless").magnitude)
    if _ANGLES.isdisjoint(name for name, _ in quantity.unit_items()):
        return ratio
    if abs(ratio) >= math.pi / 2:
        raise EntryError(f"{text.strip()} isn't a slope: give less than 90 deg")
    return math.tan(ratio)


NO_NUT_NM: Final = 10_000.0
"""No rod that fits a post's foot takes a torque near it (common practice, no source)."""


def to_torque_nm(text: str) -> float:
    """Torque in N m (`40`, `40 Nm`, `30 lbf ft`, `30 ft-lb`); a bare number is N m. EntryError otherwise."""
    number, unit = _split(text, "torque")
    letters = "".join(c for c in unit.lower() if c.isalpha() or c == "/")
    value = _in_unit(number, _TORQUES.get(letters, unit) or "N*m", "N*m", "torque")
    if value <= 0.0:
        raise EntryError(f"a torque of {text.strip()} tightens nothing: type it like 40 Nm")
    if value > NO_NUT_NM:
        raise EntryError(f"a torque of {text.strip()} is no nut's: type it like 40 Nm or 30 lbf ft")
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
_MOST_DIGITS: Final = 12
_NUMBER: Final = re.compile(
    r"\s*([-+]?(?:[0-9]{1,12}(?:\.[0-9]{0,20})?|\.[0-9]{1,20})(?:e[-+]?[0-9]{1,2})?)(?![0-9.])", re.IGNORECASE
)
_TYPED_FRACTION: Final = re.compile(
    rf"\s*(?:[0-9]+(?:[-\s]+[0-9]+)?/[0-9]|(?:[0-9]+[-\s]*)?[{''.join(_ONE_CHARACTER)}])"
)
_FACTOR: Final = re.compile(r"\s*([*/·-]?)\s*([^\W\d]+|[°%'\"′″])(?:\^|\*\*)?([0-9])?\s*")
_SIGNS: Final = {'"': "inch", "″": "inch", "'": "foot", "′": "foot", "°": "degree", "%": "percent"}


def decimal_number(text: str) -> float:
    """A signed decimal number, the whole text: `-2.5`, `1e-3`.

    NaN for anything else, which no check of a range lets through: `float` would take `inf`, `1_000` and the
    digits of other scripts for numbers.
    """
    match = _NUMBER.fullmatch(text.strip())
    return math.nan if match is None else float(match[1])


def whole_number(text: str, what: str) -> int:
    """A count as it is typed: `12`. EntryError for anything else, also for more digits than are counted."""
    digits = text.strip()
    if not (digits.isascii() and digits.isdigit()):
        raise EntryError(f"{what} is a whole number, not {digits[:20]!r}", at=0)
    if len(digits) > _MOST_DIGITS:
        raise EntryError(f"{what} can't be as much as {digits[:_MOST_DIGITS]}…", at=0)
    return int(digits)


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


def _in_unit(number: Fraction, typed: str, unit: str, what: str) -> float:
    import pint

    try:
        return float(registry().Quantity(number, _unit(typed, what)).to(unit).magnitude)
    except pint.PintError as error:
        known = "N m or lbf ft" if what == "torque" else unit
        raise EntryError(f"{typed} isn't the unit of {_a(what)}; use one like {known}") from error


def _unit(text: str, what: str) -> Any:
    """The unit as a pint unit. Names are looked up one by one: pint never evaluates what was typed."""
    import pint

    product: Any = registry().Unit("dimensionless")
    pos = 0
    while pos < len(text):
        factor = _FACTOR.match(text, pos)
        if factor is None or (pos == 0 and factor[1]) or factor[2] in _ONE_CHARACTER:
            raise EntryError(f"{what}: unknown unit {text[:20]!r}")
        try:
            one = registry().Unit(_SIGNS.get(factor[2], factor[2])) ** int(factor[3] or 1)
        except (pint.PintError, ValueError) as error:
            raise EntryError(f"{what}: unknown unit {factor[2][:20]}") from error
        product = product / one if factor[1] == "/" else product * one
        pos = factor.end()
    return product
