"""Quantities as they are shown: what a tape can be set to, no finer. Rounding happens once, here.

Inches to the nearest graduation of the chosen tape with `strong` or `shy` for the rest, millimetres to half
a millimetre; results beside a tolerance to a tenth, because half a millimetre decides there. Only what is to
be made on a saw or changed under a foot is given finer. Signs are the caller's: a direction names them.

**Ties**: a value that lies exactly between two marks is shown away from zero, judged on exact fractions,
never on binary floats (published tables differ on this: 1/32 in = 0.79375 mm is printed 0.7937 and 0.7938;
here it is 0.7938).
"""

from __future__ import annotations

import contextlib
import math
import re
from collections.abc import Iterator
from fractions import Fraction
from typing import Final

from shimfit.errors import InternalError, UsageError
from shimfit.quantities.typed import MM_PER, Units

MM_PER_INCH: Final = float(MM_PER["in"])
HALF: Final = Fraction(1, 2)
TENTH: Final = Fraction(1, 10)
HUNDREDTH: Final = Fraction(1, 100)
REST: Final = Fraction(1, 8)
"""Share of a graduation from which on the rest is worth a word: half the quarter that a word stands for."""
NEVER_SURE: Final = Fraction(1, 1000)
"""No probability is shown nearer to none or to all than this."""
IN_FEET_FROM_IN: Final = 96
"""Inches from which on a distance is in feet."""
AS_TYPED = Fraction(1, 100)
"""So near to a 1/32, in 1/32, a length is the one that was typed."""


def nearest(value: Fraction, step: Fraction) -> Fraction:
    """The multiple of `step` that is nearest; exactly between two, the one further from zero."""
    steps = math.floor(abs(value) / step + HALF)
    return (steps if value >= 0 else -steps) * step


def exact(value: float | Fraction) -> Fraction:
    """The value as an exact fraction. Raises InternalError for NaN and infinity.

    A float is taken at its shortest decimal (0.79375, not its binary neighbour), so that ties are ties.
    """
    if isinstance(value, Fraction):
        return value
    if not math.isfinite(value):
        raise InternalError(f"a quantity of {value} was to be shown")
    return Fraction(repr(float(value)))


# ---------------------------------------------------------------- figures without a unit


def decimals(value: float | Fraction, step: Fraction = HALF) -> str:
    """Nearest multiple of `step` (whose decimals end), no trailing 0, never -0: `9.5`, `14`, `0.79`."""
    rounded = nearest(exact(value), step)
    digits = 0
    while rounded * 10**digits != int(rounded * 10**digits):
        digits += 1
    text = f"{abs(int(rounded * 10**digits)):0{digits + 1}d}"
    body = f"{text[:-digits]}.{text[-digits:]}" if digits else text
    return f"-{body}" if rounded < 0 else body


def half_mm(mm: float) -> str:
    """Nearest half millimetre, sign dropped: `29.5`, `30`."""
    return decimals(abs(mm))


def inches(mm: float | Fraction, graduation: int = 16) -> str:
    """Nearest fraction of an inch on a tape with 1/graduation marks, reduced: `3/8`, `1 1/4`, `-3/8`, `0`."""
    value = nearest(exact(mm) / MM_PER["in"], Fraction(1, graduation))
    sign = "-" if value < 0 else ""
    whole, rest = divmod(abs(value), 1)
    if not rest:
        return f"{sign}{whole}"
    return f"{sign}{whole} {rest}" if whole else f"{sign}{rest}"


def graduations(mm: float, graduation: int = 16) -> tuple[int, str]:
    """Whole graduations of a tape, sign dropped, and the word for the rest: "", " strong" or " shy"."""
    value = abs(exact(mm)) / MM_PER["in"] * graduation
    whole = int(nearest(value, Fraction(1)))
    rest = value - whole
    return whole, " strong" if rest > REST else " shy" if rest < -REST else ""


def figure(mm: float, units: Units, graduation: int = 16) -> str:
    """A length for block numerals, sign dropped: digits, point, slash and blank only."""
    return half_mm(mm) if units == "mm" else inches(abs(mm), graduation)


def plain(mm: float, units: Units, digits: int | None = None) -> str:
    """A length without its unit, all places kept: a tenth of a mm, a thousandth of an inch; never -0."""
    places = digits if digits is not None else 1 if units == "mm" else 3
    value = nearest(exact(mm) / (1 if units == "mm" else MM_PER["in"]), Fraction(1, 10**places))
    return f"{float(value):.{places}f}"


def angle(deg: float, digits: int = 2, *, sign: bool = False, unit: bool = True) -> str:
    """An angle to `digits` decimals of a degree: `1.50°`; sign: `+` is written too, unit: `°`; never -0."""
    value = float(nearest(exact(deg), Fraction(1, 10**digits)))
    return f"{value or 0.0:{'+' if sign and value else ''}.{digits}f}{'°' if unit else ''}"


def mark(mm: float, units: Units, graduation: int = 16) -> str:
    """A mark to set on paper: `29.4`; inches as the tape has them and exact: `1/4 strong (0.266)`."""
    if units == "mm":
        return plain(mm, units)
    return f"{inches(mm, graduation)}{graduations(mm, graduation)[1]} ({plain(mm, units)})"


def unit(units: Units) -> str:
    """The unit's sign."""
    return "mm" if units == "mm" else "in"


# ---------------------------------------------------------------- lengths with their unit
#
# `unit` False: a figure beside another that has its unit, `0.8 of 2.0 mm`. Only ` mm` is left out then: an
# inch mark is part of its fraction.

MM: Final = " mm"


def tape(mm: float, units: Units, graduation: int = 16) -> str:
    """A length to set or to look at: `29.5 mm`, `1 3/8"`, `3/8" strong`, `1/16" shy`; sign dropped."""
    if units == "mm":
        return f"{half_mm(mm)}{MM}"
    whole, rest = graduations(mm, graduation)
    if whole == 0 and rest:
        return f'under 1/{graduation}"'
    return f'{inches(abs(mm), graduation)}"{rest}'


def distance(mm: float, units: Units, graduation: int = 16) -> str:
    """A length along a run: as `tape`, in inches from eight feet on in feet: `16'`, `12' 6"`."""
    on_tape = nearest(exact(mm) / MM_PER["in"], Fraction(1, graduation))
    if units == "mm" or on_tape < IN_FEET_FROM_IN:
        return tape(mm, units, graduation)
    feet, rest = divmod(on_tape, 12)
    return f"{feet}' {inches(rest * MM_PER['in'], graduation)}\"" if rest else f"{feet}'"


def lean(mm: float, units: Units, graduation: int = 16) -> str:
    """How far a top leans: as `tape`, but millimetres to a tenth, so that a reading is shown as typed."""
    if units == "mm":
        return f"{decimals(abs(mm), TENTH)}{MM}"
    return _thirty_seconds(mm) or tape(mm, units, graduation)


def _thirty_seconds(mm: float) -> str:
    """An odd number of 1/32 as it was typed, `3/32"`, which no coarser mark says; else empty."""
    value = abs(exact(mm)) / MM_PER["in"] * 32
    whole = int(nearest(value, Fraction(1)))
    if whole % 2 == 0 or abs(value - whole) > AS_TYPED:
        return ""
    inches, rest = divmod(whole, 32)
    return f'{inches} {rest}/32"' if inches else f'{rest}/32"'


def fine(mm: float, units: Units, graduation: int = 16, *, unit: bool = True) -> str:
    """A result to compare with a tolerance: a tenth of a millimetre, or a mark, strong or shy."""
    if units == "mm":
        return plain(abs(mm), units) + (MM if unit else "")
    return _thirty_seconds(mm) or tape(mm, units, graduation)


def thickness(mm: float, units: Units, *, unit: bool = True, step_mm: Fraction = HUNDREDTH) -> str:
    """A thickness to be made: hundredths of a millimetre (`step_mm`) or thousandths of an inch."""
    if units == "mm":
        return decimals(abs(mm), step_mm) + (MM if unit else "")
    return f'{plain(abs(mm), units)}"'


def sized(mm: float, units: Units, *, unit: bool = True) -> str:
    """A size that something has: `0.79 mm`; in inches as the tape names it (`3/32"`), else in thousandths."""
    if units == "mm":
        return thickness(mm, units, unit=unit)
    value = abs(exact(mm)) / MM_PER["in"]
    on_tape = nearest(value, FINEST_MARK)
    return f'{inches(abs(mm), 64)}"' if abs(value - on_tape) <= ON_THE_MARK else thickness(mm, units)


def slope(value: float, units: Units, *, sign: bool = False, unit: bool = True) -> str:
    """A slope: `0.12 mm/m`, `0.0014 in/ft`; sign: `+` is written too, unit: False leaves it out."""
    factor, places = (1000.0, 2) if units == "mm" else (12.0, 4)
    return f"{value * factor:{'+' if sign else ''}.{places}f}" + (f" {slope_unit(units)}" if unit else "")


def rate(value: float, units: Units) -> str:
    """A slope that somebody states, to three figures: `0.5 mm/m`, `0.006 in/ft`."""
    return f"{value * (1000.0 if units == 'mm' else 12.0):.3g} {slope_unit(units)}"


def slope_unit(units: Units) -> str:
    """The sign of the unit of slopes."""
    return "mm/m" if units == "mm" else "in/ft"


def area(mm2: float, units: Units) -> str:
    """An area: `6208 mm²`, `9.62 in²`."""
    return f"{mm2:.0f} mm²" if units == "mm" else f"{mm2 / MM_PER_INCH**2:.3g} in²"


def stress(mpa: float, units: Units, *, unit: bool = True) -> str:
    """A pressure to two figures after the comma, or whole psi: `0.64 MPa`, `93 psi`."""
    figure, name = (f"{mpa:.2f}", "MPa") if units == "mm" else (f"{mpa * PSI_PER_MPA:.0f}", "psi")
    return f"{figure} {name}" if unit else figure


def torque(nm: float, units: Units) -> str:
    """A torque: `40 N m`, `30 lbf ft`."""
    return f"{round(nm, 1):g} N m" if units == "mm" else f"{round(nm / NM_PER_LBF_FT, 1):g} lbf ft"


# ---------------------------------------------------------------- sentences


def sentence(text: str, units: Units) -> str:
    """A sentence that the core or the log says in mm, in the run's unit: `±0.92 mm` becomes `±0.036"`.

    The core words its reasons and cautions in mm, and so do the answers that a log keeps. Lengths, their
    ranges, slopes, areas and pressures are put in inches; what a person typed never passes through here.
    """
    return text if units == "mm" else _IN_MM.sub(_in_inches, text)


FINEST_MARK: Final = Fraction(1, 64)
ON_THE_MARK: Final = Fraction(1, 2000)
"""Inches within which a size is the mark: sentences give a hundredth of a millimetre."""
PSI_PER_MPA: Final = 145.038
"""NIST SP 811, Appendix B.8: 1 psi = 6.894757 kPa."""
NM_PER_LBF_FT: Final = 1.355818
"""NIST SP 811, Appendix B.8."""
_NUMBER: Final = r"\d+(?:\.\d+)?(?:e[+-]?\d+)?"
_IN_MM: Final = re.compile(
    rf"(?<![\w.])({_NUMBER})((?: ?(?:to|and|or|x|of|-|–|,) ?{_NUMBER})*) (mm/m|mm²|N/mm²|MPa|mm)(?![\w²/])"
)


def _in_inches(match: re.Match[str]) -> str:
    unit = match[3]
    numbers = f"{match[1]}{match[2]}"
    if unit == "mm":
        return re.sub(_NUMBER, lambda one: sized(float(one[0]), "inch"), numbers)
    factor, own = {
        "mm/m": (0.012, "in/ft"),
        "mm²": (1 / MM_PER_INCH**2, "in²"),
        "N/mm²": (PSI_PER_MPA, "psi"),
        "MPa": (PSI_PER_MPA, "psi"),
    }[unit]
    return re.sub(_NUMBER, lambda one: f"{float(one[0]) * factor:.3g}", numbers) + f" {own}"


# ---------------------------------------------------------------- shares


def share(part: float, places: int = 0, *, down: bool = False) -> str:
    """A part of a whole: `83 %`. It reads 0 % or 100 % only where it is none or all: 99.6 % stays 99.6 %.

    down: cut off, not rounded, so that what is short of a goal never reads like the goal.
    """
    percent = 100 * exact(part)
    if down:
        return f"{math.floor(percent * 10**places + Fraction(1, 10**6)) / 10**places:.{places}f} %"
    while percent not in (0, 100) and nearest(percent, Fraction(1, 10**places)) in (0, 100) and places < 6:
        places += 1
    return f"{float(nearest(percent, Fraction(1, 10**places))):.{places}f} %"


def percent(probability: float | None, places: int = 1) -> str:
    """A probability, never claimed to be 0 or 100 %: `97.3 %`, `> 99.9 %`, `< 0.1 %`; `–` for None."""
    if probability is None or not math.isfinite(probability):
        return "–"
    if probability > 1 - NEVER_SURE:
        return "> 99.9 %"
    return "< 0.1 %" if probability < NEVER_SURE else share(probability, places)


@contextlib.contextmanager
def refused_in(units: Units) -> Iterator[None]:
    """What the core refuses in millimetres is refused in the run's unit."""
    try:
        yield
    except UsageError as error:
        error.message = sentence(error.message, units)
        error.args = (error.message,)
        raise
