"""Units: the one registry (pint) for what files and settings name, and lengths as they are shown.

The entry line parses without pint (`core.lengths`, exact fractions) and agrees with it (property test).
pint is imported and its registry built at the first use of a `to_…` function, never at import.

Rounding happens once, here, at the face. **Ties**: a value that lies exactly between two marks is shown
away from zero, judged on exact fractions, never on binary floats (published tables differ on this: 1/32 in =
0.79375 mm is printed 0.7937 and 0.7938; here it is 0.7938).
"""

from __future__ import annotations

import math
import re
from fractions import Fraction
from functools import cache
from typing import TYPE_CHECKING, Any, Final

from shimfit.core.lengths import MM_PER, Number, Units, scan_number, skip_spaces
from shimfit.errors import EntryError, InternalError

if TYPE_CHECKING:
    from pint import UnitRegistry

QUARTER: Final = Fraction(1, 4)


# ---------------------------------------------------------------- what files and settings name


@cache
def registry() -> UnitRegistry[Any]:
    """The one registry, with exact fractions inside; about half a second the first time."""
    import pint

    return pint.UnitRegistry(non_int_type=Fraction)


def to_mm(text: str) -> float:
    """Length in mm of any length that pint knows (`0.9 m`, `3 ft`, `12 thou`); EntryError otherwise."""
    return to_unit(text, "mm", "length")


def to_slope(text: str) -> float:
    """Slope of an angle (`0.1 deg`, `20 arcsec`: its tangent) or of a ratio (`2 mm/m`, `0.2 percent`).

    A bare number is a ratio. Raises EntryError for anything else.
    """
    quantity = _quantity(text, "slope")
    if not quantity.dimensionless:
        raise EntryError(f"{text.strip()} is no slope: type it like 0.5 mm/m or 0.03 deg")
    ratio = float(quantity.to("dimensionless").magnitude)
    if not any(name in _ANGLES for name in _unit_names(quantity)):
        return ratio
    if abs(ratio) >= math.pi / 2:
        raise EntryError(f"{text.strip()} is no slope: less than 90 deg is")
    return math.tan(ratio)


def to_torque_nm(text: str) -> float:
    """Torque in N m (`40`, `40 Nm`, `30 lbf ft`, `30 ft-lb`); a bare number is N m. EntryError otherwise."""
    number, unit = _split(text, "torque")
    letters = "".join(c for c in unit.lower() if c.isalpha() or c == "/")
    value = _in_unit(number, _TORQUES.get(letters, unit), "newton * meter", "torque")
    if value <= 0.0:
        raise EntryError(f"a torque of {text.strip()} tightens nothing: type it like 40 Nm")
    return value


def to_unit(text: str, unit: str, what: str = "value") -> float:
    """The quantity in `unit` (any that pint knows), for settings such as stresses; EntryError otherwise."""
    number, typed = _split(text, what)
    return _in_unit(number, typed, unit, what)


_ANGLES: Final = frozenset(
    ("radian", "milliradian", "degree", "arcminute", "arcsecond", "milliarcsecond", "grade")
)
_TORQUES: Final = {
    "": "newton * meter",
    "nm": "newton * meter",
    **dict.fromkeys(("lbft", "ftlb", "lbfft", "ftlbf", "ftlbs", "lbsft"), "force_pound * foot"),
    **dict.fromkeys(("lbin", "inlb", "lbfin", "inlbf", "inlbs", "lbsin"), "force_pound * inch"),
}
_NUMBER: Final = re.compile(
    r"\s*([-+]?(?:[0-9]{1,12}(?:\.[0-9]{0,20})?|\.[0-9]{1,20})(?:e[-+]?[0-9]{1,2})?)(?![0-9.])", re.IGNORECASE
)
_FRACTION: Final = re.compile(r"\s*[0-9]+(?:[-\s]+[0-9]+)?/[0-9]")
_FACTOR: Final = re.compile(r"\s*([*/·-]?)\s*([^\W\d]+|[°%'\"′″])(?:\^|\*\*)?([0-9])?\s*")
_SIGNS: Final = {'"': "inch", "″": "inch", "'": "foot", "′": "foot", "°": "degree", "%": "percent"}


def _split(text: str, what: str) -> tuple[Fraction, str]:
    """The exact number, and the text of its unit."""
    if _FRACTION.match(text):
        found = scan_number(text, skip_spaces(text, 0))
        if isinstance(found, Number):
            return found.value, text[found.end :].strip()
        if found is not None:
            raise EntryError(f"{what}: {found.reason}", at=found.at)
    match = _NUMBER.match(text)
    if match is None:
        raise EntryError(f"a {what} is a number with its unit, not {text.strip()[:20]!r}", at=0)
    return Fraction(match[1]), text[match.end() :].strip()


def _quantity(text: str, what: str) -> Any:
    number, unit = _split(text, what)
    return registry().Quantity(number, _unit(unit, what))


def _in_unit(number: Fraction, typed: str, unit: str, what: str) -> float:
    import pint

    try:
        return float(registry().Quantity(number, _unit(typed, what)).to(unit).magnitude)
    except pint.PintError as error:
        called = typed or "a bare number"
        raise EntryError(f"{called} is no unit of a {what}: one like {unit} is") from error


def _unit(text: str, what: str) -> Any:
    """The unit as a pint unit. Names are looked up one by one: pint never evaluates what was typed."""
    import pint

    product: Any = registry().Unit("dimensionless")
    pos = 0
    while pos < len(text):
        factor = _FACTOR.match(text, pos)
        if factor is None or (pos == 0 and factor[1]):
            raise EntryError(f"{what}: {text[:20]!r} is no unit that is known")
        try:
            one = registry().Unit(_SIGNS.get(factor[2], factor[2])) ** int(factor[3] or 1)
        except (pint.PintError, ValueError) as error:
            raise EntryError(f"{what}: {factor[2][:20]} is no unit that is known") from error
        product = product / one if factor[1] == "/" else product * one
        pos = factor.end()
    return product


def _unit_names(quantity: Any) -> list[str]:
    return [name for name, _ in quantity.unit_items()]


# ---------------------------------------------------------------- lengths as they are shown


def nearest(value: Fraction, step: Fraction) -> Fraction:
    """The multiple of `step` that is nearest; exactly between two, the one further from zero."""
    count = abs(value) / step
    steps = math.floor(count + Fraction(1, 2))
    return (steps if value >= 0 else -steps) * step


def exact(mm: float | Fraction) -> Fraction:
    """The length as an exact fraction of mm. Raises InternalError for NaN and infinity.

    A float is taken at its shortest decimal (0.79375, not its binary neighbour), so that ties are ties.
    """
    if isinstance(mm, Fraction):
        return mm
    if not math.isfinite(mm):
        raise InternalError(f"a length of {mm} was to be shown")
    return Fraction(repr(float(mm)))


def format_mm(mm: float | Fraction, step: Fraction = Fraction(1, 2)) -> str:
    """Whole or half millimetres, no trailing nought: `9.5`, `14`; the unit is the caller's."""
    return _decimal(nearest(exact(mm), step))


def format_inches(mm: float | Fraction, denominator: int = 16) -> str:
    """Nearest fraction of an inch on a tape with 1/denominator marks, reduced: `3/8`, `1 1/4`, `0`."""
    return _mixed(nearest(exact(mm) / MM_PER["in"], Fraction(1, denominator)))


def format_push(mm: float | Fraction, units: Units, denominator: int = 16) -> str:
    """How far to push, on the tape: nearest mark with `strong` or `shy` for the rest.

    The rest counts from a quarter of a graduation on: 1 3/8, 1 3/8 strong, 1 7/16 shy, 1 7/16.
    """
    unit = MM_PER["in"] if units == "inch" else Fraction(1)
    mark = Fraction(1, denominator) if units == "inch" else Fraction(1)
    value = exact(mm) / unit
    at = nearest(value, mark)
    rest = value - at
    said = _mixed(at) if units == "inch" else _decimal(at)
    if abs(rest) < QUARTER * mark:
        return said
    return f"{said} {'strong' if (rest > 0) == (value > 0) else 'shy'}"


def format_length(mm: float | Fraction, units: Units, denominator: int = 16, *, both: bool = False) -> str:
    """A length with its unit, `3/8 in` or `9.5 mm`; `both` sets the other unit beside it."""
    inch, metric = f"{format_inches(mm, denominator)} in", f"{format_mm(mm)} mm"
    first, second = (inch, metric) if units == "inch" else (metric, inch)
    return f"{first} ({second})" if both else first


def format_degrees(slope: float) -> str:
    """A slope as degrees with two decimals: `0.41°`."""
    if not math.isfinite(slope):
        raise InternalError(f"a slope of {slope} was to be shown")
    degrees = nearest(exact(math.degrees(math.atan(slope))), Fraction(1, 100))
    return f"{_decimal(degrees, 2)}°"


def _mixed(inches: Fraction) -> str:
    sign = "-" if inches < 0 else ""
    whole, rest = divmod(abs(inches), 1)
    if not rest:
        return f"{sign}{whole}"
    return f"{sign}{whole} {rest}" if whole else f"{sign}{rest}"


def _decimal(value: Fraction, places: int | None = None) -> str:
    """Exact decimals of a value whose decimals end; `places` fixes their number."""
    digits = 0 if places is None else places
    while places is None and value * 10**digits != int(value * 10**digits):
        digits += 1
    scaled = abs(int(value * 10**digits))
    text = f"{scaled:0{digits + 1}d}"
    body = f"{text[:-digits]}.{text[-digits:]}" if digits else text
    return f"-{body}" if value < 0 and scaled else body
