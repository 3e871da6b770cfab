"""Lengths on the command line, alone and as NAME=LENGTH."""

from __future__ import annotations

from typing import TYPE_CHECKING

from shimfit.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from shimfit.settings import Units

LOWEST_READ_MM, HIGHEST_READ_MM = 50.0, 20_000.0
"""Wide of every post of a guard (common practice, no source)."""


def lengths_in(units: Units) -> Callable[[str], float]:
    """What turns a typed length into mm; `units`: what a bare number is in, the run's as in its readings."""
    from shimfit.entry import parse_length

    return lambda text: parse_length(text, units, zero_ok=True)


def reading_height_mm(text: str, units: Units) -> float:
    """A reading height in mm; UsageError where no post is read at it: nearly always a slip of the unit."""
    from shimfit.entry import parse_length

    height_mm = parse_length(text, units, what="height")
    if not LOWEST_READ_MM <= height_mm <= HIGHEST_READ_MM:
        raise UsageError(
            f"a reading height of {height_mm:g} mm can't be: posts are read about 1 m above the foot, "
            f"from {LOWEST_READ_MM:g} mm to {HIGHEST_READ_MM / 1000:g} m; a wrong unit?"
        )
    return height_mm


def pairs_of(given: Sequence[str], lengths: Callable[[str], float]) -> dict[str, float]:
    """NAME=LENGTH, each with its sign; UsageError for another form, or a name told twice."""
    found = {}
    for text in given:
        name, sign, value = text.partition("=")
        if not sign or not name.strip():
            raise UsageError(f"{text!r}: give it as NAME=LENGTH")
        if name.strip() in found:
            raise UsageError(f"{name.strip()} is told twice: once as {text!r}; give it one length")
        minus = value.strip().startswith("-")
        length = lengths(value.strip().lstrip("+-"))
        found[name.strip()] = -length if minus else length
    return found
