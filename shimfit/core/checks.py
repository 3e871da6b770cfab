"""Refusals that every formula here shares: a number that is no number never gets any further."""

from __future__ import annotations

import math

from shimfit.errors import EntryError


def finite(value: float, what: str) -> float:
    """The value as a float; EntryError when it is NaN or infinite. `what` names it in the sentence."""
    number = float(value)
    if not math.isfinite(number):
        raise EntryError(f"The {what} is {number}, which isn't a number; type it again.")
    return number


def positive(value: float, what: str, unit: str = "mm") -> float:
    """The value as a float; EntryError when it is NaN, infinite, zero or negative."""
    number = finite(value, what)
    if number <= 0.0:
        raise EntryError(f"The {what} is {_with_unit(number, unit)}; it must be more than 0.")
    return number


def not_negative(value: float, what: str, unit: str = "mm") -> float:
    """The value as a float; EntryError when it is NaN, infinite or negative."""
    number = finite(value, what)
    if number < 0.0:
        raise EntryError(f"The {what} is {_with_unit(number, unit)}; it can't be less than 0.")
    return number


def _with_unit(number: float, unit: str) -> str:
    return f"{number:g} {unit}".rstrip()
