"""What a plan may cost: seconds, and the solver that it is given to."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from shimfit.errors import UsageError

if TYPE_CHECKING:
    from shimfit.core.planning.program import Solver

SECONDS = 60.0
LONGEST_S = 86_400.0
"""A day: whoever asks for more has slipped on a key."""


def seconds_allowed(seconds: float) -> float:
    """The seconds, when a plan can be given them; UsageError for none, too many and no number at all."""
    if math.isfinite(seconds) and 0.0 < seconds <= LONGEST_S:
        return seconds
    raise UsageError(f"a plan can be given more than 0 and up to {LONGEST_S:.0f} seconds, not {seconds:g}")


def solver() -> Solver:
    """The solver of linear and integer programs; loaded when it is wanted."""
    from shimfit.solve.highs import Highs

    return Highs()
