"""Quantities as they are shown: what a tape can be set to, no finer. Rounding happens once, here.

Millimetres to the half; results beside a tolerance to a tenth, because half a millimetre decides there.
Inches as a tape has them, the same on line, list, screen and paper: the nearest quarter of a graduation, said
as its mark, `strong` or `shy` of it, or the mark half way (`3/16" strong`, `7/32"`, `1/4" shy`); what
is small by nature (an uncertainty, a margin), and what a record states, in 64ths. Only what is made on a
saw or by a caliper is in thousandths. Signs are the caller's: a direction names them. JSON and CSV never
pass through here.

**Ties**: a value that lies exactly between two marks is shown away from zero, judged on exact fractions,
never on binary floats (published tables differ on this: 1/32 in = 0.79375 mm is printed 0.7937 and 0.7938;
here it is 0.7938).

`unit` False: a figure beside another that has its unit, `0.8 of 2.0 mm`. Only ` mm` is left out then: an inch
mark is part of its fraction.
"""

from __future__ import annotations

import contextlib
import math
import re
from collections.abc import Iterator
from fractions import Fraction
from functools import partial
from typing import Final

from shimfit.errors import EntryError, InternalError, UsageError
from shimfit.quantities.typed import MM_PER, Units

MM_PER_INCH: Final = float(MM_PER["in"])
HALF: Final = Fraction(1, 2)
TENTH: Final = Fraction(1, 10)
HUNDREDTH: Final = Fraction(1, 100)
FINEST: Final = 64
"""No tape has finer marks to the inch."""
ON_THE_MARK: Final = Fraction(1, 2000)
"""Inches within which a size is the mark: sentences give a hundredth of a millimetre."""
NEVER_SURE: Final = Fraction(1, 1000)
"""No probability is shown nearer to none or to all than this."""
IN_FEET_FROM_IN: Final = 96
"""Inches from which on a distance is in feet."""
PSI_PER_MPA: Final = 145.038
"""NIST SP 811, Appendix B.8: 1 psi = 6.894757 kPa."""
NEWTON_PER_LBF: Final = 4.448222
"""NIST SP 811, Appendix B.8."""
NM_PER_LBF_FT: Final = 1.355818
"""NIST SP 811, Appendix B.8."""


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
    return decimal_text(nearest(exact(value), step))


def decimal_text(value: Fraction, places: int = 0) -> str:
    """Every decimal of a value that ends, at least `places` of them."""
    while 10**places % value.denominator:
        places += 1
    digits = f"{int(abs(value) * 10**places):0{places + 1}d}"
    body = f"{digits[:-places]}.{digits[-places:]}" if places else digits
    return f"-{body}" if value < 0 else body


def fraction_text(value: Fraction) -> str:
    """A mixed number with a blank: `1 1/4`, `3/8`, `2`, `-3/8`."""
    whole, rest = divmod(abs(value), 1)
    body = f"{whole} {rest}" if whole and rest else str(rest or whole)
    return f"-{body}" if value < 0 else body


def plain(mm: float, units: Units, digits: int | None = None) -> str:
    """A length without its unit, all places kept: a tenth of a mm, a thousandth of an inch; never -0."""
    places = digits if digits is not None else 1 if units == "mm" else 3
    value = nearest(exact(mm) / (1 if units == "mm" else MM_PER["in"]), Fraction(1, 10**places))
    return f"{float(value):.{places}f}"


def inches(mm: float | Fraction, graduation: int = 16) -> str:
    """Nearest fraction of an inch on a tape with 1/graduation marks, reduced: `3/8`, `1 1/4`, `-3/8`, `0`."""
    return fraction_text(nearest(exact(mm) / MM_PER["in"], Fraction(1, graduation)))


def on_tape(mm: float, graduation: int = 16) -> tuple[str, str]:
    """A length as a tape says it, sign dropped: the figure, and "", " strong" or " shy" for a quarter more.

    Half way between two marks, and a quarter where there is no mark yet, are said by the finer tape's mark.
    """
    size = abs(exact(mm)) / MM_PER["in"]
    marks, quarters = divmod(int(nearest(size * graduation * 4, Fraction(1))), 4)
    finer = graduation * (2 if quarters == 2 else 4)
    if quarters == 2 or (quarters == 1 and not marks):
        if finer <= FINEST:
            return inches(abs(mm), finer), ""
        if not marks:
            return f"under 1/{graduation}", ""
    at_mark = Fraction(marks + (quarters == 3), graduation) * MM_PER["in"]
    return inches(at_mark, graduation), ("", " strong", " strong", " shy")[quarters]


def figure(mm: float, units: Units, graduation: int = 16) -> tuple[str, str]:
    """A length for block numerals, sign dropped, and the word for its rest: (`29.5`, ""), (`3/8`, " shy")."""
    return (decimals(abs(mm)), "") if units == "mm" else on_tape(mm, graduation)


def angle(deg: float, digits: int = 2, *, sign: bool = False, unit: bool = True) -> str:
    """An angle to `digits` decimals of a degree: `1.50°`; sign: `+` is written too, unit: `°`; never -0."""
    value = float(nearest(exact(deg), Fraction(1, 10**digits)))
    return f"{value or 0.0:{'+' if sign and value else ''}.{digits}f}{'°' if unit else ''}"


def mark(mm: float, units: Units, graduation: int = 16) -> str:
    """A mark to set on paper: `29.5`; inches as the tape has them and exact: `1/4 strong (0.266)`."""
    on_it = "".join(figure(mm, units, graduation))
    return on_it if units == "mm" else f"{on_it} ({plain(mm, units)})"


def unit(units: Units) -> str:
    """The unit's sign."""
    return "mm" if units == "mm" else "in"


def trailing(units: Units) -> str:
    """What stands once behind figures that leave their unit out: ` mm`; nothing where each has its mark."""
    return " mm" if units == "mm" else ""


# ---------------------------------------------------------------- lengths with their unit, sign dropped


def tape(mm: float, units: Units, graduation: int = 16) -> str:
    """A length to set or to look at: `29.5 mm`, `1 3/8"`, `3/8" strong`, `1/16" shy`."""
    return _length(decimals(abs(mm)), mm, units, graduation)


def inside(mm: float, units: Units) -> str:
    """How far in a piece is pushed: whole millimetres, eighths of an inch: `20 mm`, `3/4"`.

    The nearest, more or less: set by eye, it is counted to scatter by more (`Scatter.place_mm`), and what is
    kept free before the rod's hole is more than half an eighth.
    """
    return f"{round(mm)} mm" if units == "mm" else f'{inches(mm, 8)}"'


def lean(mm: float, units: Units, graduation: int = 16) -> str:
    """How far a top leans: as `tape`, but millimetres to a tenth, so that a reading is shown as typed."""
    return _length(decimals(abs(mm), TENTH), mm, units, graduation)


def fine(mm: float, units: Units, graduation: int = 16, *, unit: bool = True) -> str:
    """What was measured, to compare with a tolerance: all tenths of a millimetre; a mark, strong or shy."""
    return _length(plain(abs(mm), "mm"), mm, units, graduation, unit=unit)


def _length(in_mm: str, mm: float, units: Units, graduation: int, *, unit: bool = True) -> str:
    if units == "mm":
        return in_mm + (" mm" if unit else "")
    marked, rest = on_tape(mm, graduation)
    return f'{marked}"{rest}'


def recorded(mm: float, units: Units, *, unit: bool = True) -> str:
    """What a record states of a reading: tenths of a millimetre, 64ths of an inch: `5.2 mm`, `13/64"`."""
    return plain(abs(mm), units) + (" mm" if unit else "") if units == "mm" else f'{inches(abs(mm), FINEST)}"'


def small(mm: float, units: Units, *, unit: bool = True) -> str:
    """An uncertainty, or by how much one misses another: as recorded, or `under 1/64"`."""
    found = recorded(mm, units, unit=unit)
    return f'under 1/{FINEST}"' if found == '0"' and mm else found


def distance(mm: float, units: Units, graduation: int = 16) -> str:
    """A length along a run: as `tape`, in inches from eight feet on in feet: `16'`, `12' 6"`."""
    marked = nearest(exact(mm) / MM_PER["in"], Fraction(1, graduation))
    if units == "mm" or marked < IN_FEET_FROM_IN:
        return tape(mm, units, graduation)
    feet, rest = divmod(marked, 12)
    return f"{feet}' {inches(rest * MM_PER['in'], graduation)}\"" if rest else f"{feet}'"


def thickness(mm: float, units: Units, *, unit: bool = True, step_mm: Fraction = HUNDREDTH) -> str:
    """A thickness to be made: hundredths of a millimetre (`step_mm`) or thousandths of an inch."""
    if units == "mm":
        return decimals(abs(mm), step_mm) + (" mm" if unit else "")
    return f'{plain(abs(mm), units)}"'


def sized(mm: float, units: Units, *, unit: bool = True) -> str:
    """A size that something has: `0.79 mm`; in inches as the tape names it (`3/32"`), else in thousandths."""
    if units == "inch":
        value = abs(exact(mm)) / MM_PER["in"]
        if abs(value - nearest(value, Fraction(1, FINEST))) <= ON_THE_MARK:
            return f'{inches(abs(mm), FINEST)}"'
    return thickness(mm, units, unit=unit)


# ---------------------------------------------------------------- other quantities


_UNITS: Final[dict[str, dict[Units, tuple[float, str, str]]]] = {
    "slope": {"mm": (1000.0, ".2f", "mm/m"), "inch": (12.0, ".4f", "in/ft")},
    "rate": {"mm": (1000.0, ".3g", "mm/m"), "inch": (12.0, ".3g", "in/ft")},
    "area": {"mm": (1.0, ".0f", "mm²"), "inch": (1 / MM_PER_INCH**2, ".3g", "in²")},
    "force": {"mm": (1.0, ".0f", "N"), "inch": (1 / NEWTON_PER_LBF, ".0f", "lbf")},
    "stress": {"mm": (1.0, ".2f", "MPa"), "inch": (PSI_PER_MPA, ".0f", "psi")},
}
"""Of each quantity: how many of its unit one of ours is, how it is written, the unit's sign."""


def _quantity(kind: str, value: float, units: Units, *, sign: bool = False, unit: bool = True) -> str:
    factor, form, name = _UNITS[kind][units]
    figure = f"{value * factor:{'+' if sign else ''}{form}}"
    return f"{figure} {name}" if unit else figure


slope = partial(_quantity, "slope")
"""A slope (ratio): `0.12 mm/m`, `0.0014 in/ft`; sign: `+` is written too, unit: False leaves it out."""
rate = partial(_quantity, "rate")
"""A slope that somebody states, to three figures: `0.5 mm/m`, `0.006 in/ft`."""
area = partial(_quantity, "area")
"""An area in mm²: `6208 mm²`, `9.62 in²`."""
force = partial(_quantity, "force")
"""A force in N: `4000 N`, `899 lbf`."""
stress = partial(_quantity, "stress")
"""A pressure in N/mm², to two figures after the point, or whole psi: `0.64 MPa`, `93 psi`."""


def slope_unit(units: Units) -> str:
    """The sign of the unit of slopes."""
    return _UNITS["slope"][units][2]


def torque(nm: float, units: Units) -> str:
    """A torque: `40 N m`, `30 lbf ft`."""
    return f"{round(nm, 1):g} N m" if units == "mm" else f"{round(nm / NM_PER_LBF_FT, 1):g} lbf ft"


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


def counted(count: int, what: str) -> str:
    """So many of a thing: `1 post`, `3 posts`."""
    return f"{count} {what}{'' if count == 1 else 's'}"


# ---------------------------------------------------------------- sentences

_NUMBER: Final = r"\d+(?:\.\d+)?(?:e[+-]?\d+)?"
_IN_MM: Final = re.compile(
    rf"(?P<small>±|\b(?:back by|decide|moved|only) )?(?<![\w.])"
    rf"(?P<numbers>{_NUMBER}(?: ?(?:to|and|or|x|of|-|–|,) ?{_NUMBER})*) "
    r"(?P<unit>mm/m|mm²|N/mm²|MPa|mm)(?![\w²/])(?P<after> (?:inside|beyond|off|over)\b| in(?=[,);.]|$))?"
)
_IN_INCHES: Final = {row["mm"][2]: (row["inch"][0] / row["mm"][0], row["inch"][2]) for row in _UNITS.values()}
_IN_INCHES["N/mm²"] = _IN_INCHES["MPa"]


def sentence(text: str, units: Units) -> str:
    """A sentence that the core or the log says in mm, in the run's unit: `±0.92 mm` becomes `±1/32"`.

    The core words its reasons and cautions in mm, and so do the answers that a log keeps. Lengths, their
    ranges, slopes, areas and pressures are put in inches: as `small` what tells one lean from another, as
    `sized` the rest; what a person typed never passes through here.
    """
    return text if units == "mm" else _IN_MM.sub(_in_inches, text)


def _in_inches(match: re.Match[str]) -> str:
    before, after = match["small"] or "", match["after"] or ""
    if match["unit"] == "mm":
        say = inside if after == " in" else small if before or after else sized
        return before + re.sub(_NUMBER, lambda one: say(float(one[0]), "inch"), match["numbers"]) + after
    factor, own = _IN_INCHES[match["unit"]]
    numbers = re.sub(_NUMBER, lambda one: f"{float(one[0]) * factor:.3g}", match["numbers"])
    return f"{before}{numbers} {own}{after}"


@contextlib.contextmanager
def refused_in(units: Units) -> Iterator[Units]:
    """What the core refuses in millimetres is refused in the run's unit."""
    try:
        yield units
    except (EntryError, UsageError) as error:
        error.message = sentence(error.message, units)
        error.args = (error.message,)
        raise
