"""Lengths on the command line."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

    from shimfit.settings import Units


def lengths_in(units: Units) -> Callable[[str], float]:
    """What turns a typed length into mm; `units`: what a bare number is in, the run's as in its readings."""
    from shimfit.entry import parse_length

    return lambda text: parse_length(text, units, zero_ok=True)
