"""How far out of plumb a post may stand: what people type for it, and stated presets with their source.

No published plumb figure for guard, railing or fence posts was found, so none is claimed here: the limit is
the user's choice, and the record says so. Two kinds are kept apart (BRANZ, Build 155):

- a *ratio* scales with height: `1:500`, `2mm/m`, `0.1deg`, `1/4in/ft`;
- a *gauge* tolerance is a fixed amount in a length and is not scaled down below it: `3mm/1m`, `1/8in/40in`,
  `1/8 over 40in`.
"""

from __future__ import annotations

import math
import re
from fractions import Fraction
from typing import Final, Literal

from shimfit.errors import EntryError
from shimfit.model import Tolerance
from shimfit.quantities.typed import (
    Fault,
    Length,
    Number,
    Units,
    read_length,
    scan_length,
    scan_number,
    skip_spaces,
)
from shimfit.values import dataclass

Mark = Literal["read", "second-hand"]


@dataclass(frozen=True, slots=True)
class Preset:
    """A published limit of something else that stands plumb."""

    name: str
    text: str
    """As it would be typed."""
    what: str
    """What it was published for."""
    source: str
    mark: Mark
    """`read`: the text was read. `second-hand`: read on a page that quotes it."""

    @property
    def tolerance(self) -> Tolerance:
        """The tolerance with its source, for the magnitude."""
        return parse_tolerance(self.name)


PRESETS: Final[tuple[Preset, ...]] = (
    Preset("steel-column", "1:500", "a steel column", "AISC 303-16, 7.13.1.1", "read"),
    Preset(
        "framed-wall",
        "3/8in/32in",
        "a wood-framed wall",
        "NAHB Residential Construction Performance Guidelines, 4-1-1",
        "second-hand",
    ),
    Preset(
        "concrete-wall",
        "1-1/2in/8ft",
        "a concrete wall",
        "NAHB Residential Construction Performance Guidelines, 2-13",
        "second-hand",
    ),
    Preset("wall-rise", "5mm/2.4m", "a wall's rise", "BRANZ, Build 155, Within tolerance, Figure 3", "read"),
    Preset("wall-surface", "4mm/2m", "a wall's surface", "BRANZ, Build 155, Within tolerance", "read"),
    Preset(
        "masonry-5m",
        "10mm/5m",
        "masonry, in any 5 m",
        "UK new-homes warranty technical manual V7 (2014), 1.1.5 and 1.1.6",
        "read",
    ),
)
DEFAULT_TOLERANCE: Final = "1:500"
"""What is used when nobody said: the figure of the preset steel-column."""
_BY_NAME = {preset.name: preset for preset in PRESETS}
_RATIO = re.compile(r"\s*1\s*(?::|in\b|/(?=\s*[0-9]{3}))\s*([0-9]{1,9}(?:\.[0-9]{1,9})?)\s*$", re.IGNORECASE)
_DEGREES = re.compile(r"\s*(.*?)\s*(?:degrees|degree|deg|d|°)\s*$", re.IGNORECASE)
_PER_UNIT = re.compile(r"\s*(?:/|per)\s*(m|metre|meter|ft|foot|'|′|’)\s*$", re.IGNORECASE)
_OVER = re.compile(r"\s*(?:/|\bper\b|\bover\b|\bin\s+(?=[0-9]))\s*", re.IGNORECASE)
STEEPEST: Final = 0.1
"""A tolerance of 1 in 10 or more is a slip."""


def preset_named(name: str) -> Preset | None:
    """The preset of that name, or None."""
    return _BY_NAME.get(name.strip().lower())


def parse_tolerance(text: str, per_direction: bool = False, units: Units = "mm") -> Tolerance:
    """Tolerance as typed, or a preset's name; `per_direction` applies it to each direction by itself.

    Raises EntryError (with the bad spot): not a tolerance, nothing, too wide to be one.
    """
    preset = preset_named(text)
    if preset is not None:
        source = f"preset {preset.name}: {preset.source}, published for {preset.what}"
        if preset.mark == "second-hand":
            source += " (quoted at second hand)"
        return _parse(preset.text, text.strip(), per_direction, units, source)
    source = "the user's choice"
    if text.replace(" ", "") == DEFAULT_TOLERANCE:
        source = f"the user's choice; the figure of preset steel-column: {_BY_NAME['steel-column'].source}"
    return _parse(text, text.strip(), per_direction, units, source)


def _parse(text: str, said: str, per_direction: bool, units: Units, source: str) -> Tolerance:
    if ratio := _RATIO.match(text):
        length = Fraction(ratio[1])
        if length == 0:
            raise EntryError("1:0 isn't a tolerance: type it like 1:500", at=ratio.start(1))
        return _scaled(said, 1 / length, per_direction, source, ratio.start(1))
    if (degrees := _DEGREES.match(text)) and _looks_like_number(degrees[1]):
        slope = math.tan(math.radians(_degrees(degrees[1], degrees.start(1))))
        return _scaled(said, slope, per_direction, source, degrees.start(1))
    if not any(sign.isdigit() for sign in text):
        raise EntryError(
            f"{text.strip()!r} isn't a tolerance: try 1:500, 3mm/1m, 2mm/m, 0.1deg, or a preset's name"
            f" ({', '.join(_BY_NAME)})",
            at=0,
        )
    amount = scan_length(text, 0, units, "tolerance")
    if per := _PER_UNIT.fullmatch(text, amount.end):
        below = Fraction(1000) if per[1].lower().startswith("m") else Fraction(3048, 10)
        return _scaled(said, amount.mm / below, per_direction, source, 0)
    over = _OVER.match(text, amount.end)
    if over is None or not text[over.end() :].strip():
        at = skip_spaces(text, amount.end)
        raise EntryError(f"a tolerance of {amount.text} in what length? Like 3mm/1m, 2mm/m or 1:500", at=at)
    return _gauge(said, amount, _gauge_length(text, over.end(), amount, units), per_direction, source)


def _gauge_length(text: str, start: int, amount: Length, units: Units) -> Length:
    """The length below the line; without a unit it takes the amount's."""
    if amount.unit_was_typed or amount.form in ("fraction", "mixed"):
        units = "inch" if amount.unit in ("in", "ft") else "mm"
    try:
        return read_length(text[start:], units, what="tolerance's length")
    except EntryError as error:
        at = None if error.at is None else error.at + start
        raise EntryError(error.message, at=at) from error


def _gauge(said: str, amount: Length, gauge: Length, per_direction: bool, source: str) -> Tolerance:
    slope = _checked(amount.mm / gauge.mm, 0)
    return Tolerance(
        said,
        "gauge",
        slope,
        amount.millimetres,
        gauge.millimetres,
        per_direction=per_direction,
        source=source,
    )


def _scaled(said: str, slope: Fraction | float, per_direction: bool, source: str, at: int) -> Tolerance:
    return Tolerance(said, "ratio", _checked(slope, at), per_direction=per_direction, source=source)


def _checked(slope: Fraction | float, at: int) -> float:
    """Slope as a float, when it can be a tolerance."""
    if slope <= 0:
        raise EntryError("a tolerance of nothing can't be met: type it like 1:500 or 3mm/1m", at=at)
    if slope >= STEEPEST:
        raise EntryError("1 in 10 or more is too wide for a tolerance: type it like 1:500 or 3mm/1m", at=at)
    return float(slope)


def _looks_like_number(text: str) -> bool:
    return isinstance(scan_number(text, 0), Number | Fault)


def _degrees(text: str, at: int) -> Fraction:
    number = scan_number(text, 0)
    if not isinstance(number, Number) or number.end != len(text) or number.form not in ("whole", "decimal"):
        raise EntryError(f"{text} isn't a number of degrees: type it like 0.1deg", at=at)
    return number.value
