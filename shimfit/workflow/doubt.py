"""A typed reading as it counts: the instrument's zero taken off, and how sure each direction is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from shimfit.core.instruments import Corrected, correct
from shimfit.core.uncertainty import largest_of

if TYPE_CHECKING:
    from shimfit.entry import Understood
    from shimfit.model import Instrument


@dataclass(frozen=True, slots=True)
class Counted:
    """Slopes of a typed reading, zero off, with their standard uncertainties; None where nothing was read."""

    slope_along: float | None
    slope_across: float | None
    u_along: float | None
    u_across: float | None
    u_own_along: float | None
    """The part that is new at each reading and averages away over repeats."""
    u_own_across: float | None
    largest: str | None
    """The largest term of the worse direction, in words."""


def counted(heard: Understood, height_mm: float, instrument: Instrument | None) -> Counted:
    """What was typed, as it counts; without a named instrument a usual carpenter's level stands in."""
    over_mm = heard.over_mm or height_mm
    zeros = (0.0, 0.0) if instrument is None else (instrument.zero_along, instrument.zero_across)
    parts: list[Corrected | None] = [
        None if slope is None or half_step is None else correct(slope, half_step, zero, instrument, over_mm)
        for slope, half_step, zero in zip(
            heard.slopes(height_mm), heard.resolution_slope(height_mm), zeros, strict=True
        )
    ]
    along, across = parts
    known = [part.budget for part in parts if part is not None]
    return Counted(
        None if along is None else along.slope,
        None if across is None else across.slope,
        None if along is None else along.budget.u,
        None if across is None else across.budget.u,
        None if along is None else along.budget.only("repeat").u,
        None if across is None else across.budget.only("repeat").u,
        largest_of(known[0], known[-1]) if known else None,
    )
