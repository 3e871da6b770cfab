"""Lengths as they are said on the screen: what a tape can be set to, no finer.

Inches to the nearest graduation of the chosen tape with `strong` or `shy` for the rest, millimetres to half
a millimetre; results beside a tolerance to a tenth, because half a millimetre decides there. Only what is to
be made on a saw or changed under a foot is told finer.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Literal

MM_PER_INCH = 25.4
SHY = 0.125
"""Share of a graduation from which on the rest is worth a word."""

Units = Literal["mm", "inch"]


def tape(mm: float, units: Units, graduation: int = 16) -> str:
    """A length to set or to look at: `29.5 mm`, `1 3/8"`, `3/8" strong`, `1/16" shy`; sign dropped."""
    if units == "mm":
        return f"{half_mm(mm)} mm"
    whole, rest = sixteenths(mm, graduation)
    if whole == 0 and rest:
        return f'under 1/{graduation}"'
    return f'{fraction(whole, graduation)}"{rest}'


def lean(mm: float, units: Units, graduation: int = 16) -> str:
    """How far a top leans: as `tape`, but millimetres to a tenth, so that a reading is told as typed."""
    return f"{round(abs(mm), 1):g} mm" if units == "mm" else tape(mm, units, graduation)


def both(mm: float, units: Units, graduation: int = 16) -> str:
    """A length in the run's unit with the other beside it: `9.5 mm (3/8")`."""
    return f"{lean(mm, units, graduation)} ({other(mm, units, graduation)})"


def other(mm: float, units: Units, graduation: int = 16) -> str:
    """A length in the unit that is not the run's: `3/8"` beside 9.5 mm."""
    return tape(mm, "inch" if units == "mm" else "mm", graduation)


def fine(mm: float, units: Units) -> str:
    """A result to compare with a tolerance: a tenth of a millimetre, or a sixteenth with strong or shy."""
    return f"{abs(mm):.1f} mm" if units == "mm" else tape(mm, units)


def thickness(mm: float, units: Units) -> str:
    """A thickness to be made: hundredths of a millimetre or thousandths of an inch."""
    if units == "mm":
        return f"{abs(mm):.2f}".rstrip("0").rstrip(".") + " mm"
    return f'{abs(mm) / MM_PER_INCH:.3f}"'


def half_mm(mm: float) -> str:
    """Nearest half millimetre without a unit: `29.5`, `30`."""
    return f"{round(abs(mm) * 2) / 2:g}"


def sixteenths(mm: float, graduation: int = 16) -> tuple[int, str]:
    """Whole graduations of a tape and the word for the rest: ("", " strong" or " shy")."""
    exact = abs(mm) / MM_PER_INCH * graduation
    whole = round(exact)
    rest = exact - whole
    if rest > SHY:
        return whole, " strong"
    if rest < -SHY:
        return whole, " shy"
    return whole, ""


def fraction(graduations: int, graduation: int = 16) -> str:
    """Graduations as a carpenter writes them: `1 3/8`, `3/8`, `2`, `0`."""
    whole, part = divmod(graduations, graduation)
    if part == 0:
        return str(whole)
    over = Fraction(part, graduation)
    text = f"{over.numerator}/{over.denominator}"
    return f"{whole} {text}" if whole else text


def figure(mm: float, units: Units, graduation: int = 16) -> str:
    """A length for block numerals: digits, point, slash and blank only."""
    if units == "mm":
        return half_mm(mm)
    return fraction(sixteenths(mm, graduation)[0], graduation)
