"""How sure a typed reading is: the budget of its two directions, with the instrument that was named."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from shimfit.core.uncertainty import largest_of, typed_budget

if TYPE_CHECKING:
    from shimfit.entry import Understood
    from shimfit.store.state import InstrumentRecord

LEVEL_ACCURACY_SLOPE = 0.0005
"""A carpenter's level of the usual claim, 0.5 mm/m (common practice, no source), when none is named."""


@dataclass(frozen=True, slots=True)
class Doubt:
    """Standard uncertainties of a reading, as slopes."""

    u_along: float
    u_across: float
    largest: str | None
    """The largest term of the worse direction, in words."""


def typed_doubt(heard: Understood, height_mm: float, instrument: InstrumentRecord | None) -> Doubt:
    """Doubt of a typed reading; a direction that was not read counts as 0 and is not looked at."""
    accuracy = LEVEL_ACCURACY_SLOPE
    if instrument is not None and instrument.accuracy_slope is not None:
        accuracy = instrument.accuracy_slope
    u_zero = instrument.u_zero if instrument is not None else None
    budgets = [
        typed_budget(
            slope or 0.0,
            half_step or 0.0,
            accuracy_slope=accuracy,
            u_zero=u_zero,
            length_mm=heard.over_mm or height_mm,
        )
        for slope, half_step in zip(heard.slopes(height_mm), heard.resolution_slope(height_mm), strict=True)
    ]
    along, across = budgets
    return Doubt(along.u, across.u, largest_of(along, across))
