"""Lengths and feet of posts as people type them, for options, setups and questions on screen."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable

from shimfit.core.lengths import Length, Units, read_length, scan_length, skip_spaces
from shimfit.errors import EntryError
from shimfit.model import Foot

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
        raise EntryError(
            f"a reading height of {height_mm:g} mm can't be: posts are read about 1 m above the foot, "
            f"from {LOWEST_READ_MM:g} mm to {HIGHEST_READ_MM / 1000:g} m; a wrong unit?",
            at=0,
        )
    return height_mm


def parse_pairs(given: Iterable[str], units: Units = "mm") -> dict[str, float]:
    """NAME=LENGTH, in mm, each with its sign (`2=5mm`, `next=-1/4in`).

    Raises EntryError for another form, a name that is told twice, and what `parse_length` refuses.
    """
    found: dict[str, float] = {}
    for text in given:
        name, sign, value = text.partition("=")
        name, value = name.strip(), value.strip()
        if not sign or not name:
            raise EntryError(f"{text!r}: give it as NAME=LENGTH", at=0)
        if name in found:
            raise EntryError(f"{name} is told twice: once as {text!r}; give it one length", at=0)
        length_mm = parse_length(value.lstrip("+-"), units, zero_ok=True)
        found[name] = -length_mm if value.startswith("-") else length_mm
    return found


def parse_leg(text: str, units: Units = "mm") -> tuple[float, float | None]:
    """Length of a leg in mm, and how far the run turns before it: `3.6m@45`, `12ft@-30`; None: not said.

    Degrees, + towards out, - towards house, under 180. Raises EntryError with the bad spot.
    """
    length, sign, angle = text.partition("@")
    length_mm = parse_length(length, units, what="leg")
    if not sign:
        return length_mm, None
    try:
        turn_deg = float(angle.strip().removesuffix("deg").removesuffix("°"))
    except ValueError:
        turn_deg = math.nan
    if not math.isfinite(turn_deg) or not 0.0 < abs(turn_deg) < 180.0:
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
