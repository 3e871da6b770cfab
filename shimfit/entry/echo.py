"""Saying an understood entry back, in words and as it would be typed."""

from __future__ import annotations

from fractions import Fraction

from shimfit.entry.result import Component, Understood
from shimfit.entry.settings import EntrySettings
from shimfit.model import Face
from shimfit.quantities.typed import METRIC, MM_PER, TAPE_DENOMINATORS, Length


def words(heard: Understood) -> str:
    """`top leans 1/4 in towards next, 3/8 in towards house over 48 in`."""
    if heard.is_gauge_only:
        if heard.over is None:
            return "from now on offsets are read over the reading height"
        return f"from now on offsets are read over {length_text(heard.over)}"
    return f"{_lean_words(heard)}{_over_words(heard)}"


def _lean_words(heard: Understood) -> str:
    along, across = heard.along, heard.across
    if along and across and not (along.value or across.value):
        return "top is plumb both ways"
    said = [_one(part, heard.settings) for part in (along, across) if part and part.value]
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


def _over_words(heard: Understood) -> str:
    parts = [part for part in (heard.along, heard.across) if part is not None]
    if all(part.offset_mm is None or not part.value for part in parts):
        return ""  # degrees and ratios have no length, and nothing over any length is plumb
    if heard.over is not None:
        return f" over {length_text(heard.over)}"
    return ""


def canonical(heard: Understood) -> str:
    """`1/4n 3/8h @48in`; letters as the run has them, unit always written unless it is a fraction."""
    parts = [_typed(part, heard.settings) for part in (heard.along, heard.across) if part is not None]
    if heard.over is not None:
        parts.append(f"@{_gauge_typed(heard.over)}")
    elif heard.at_height:
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
