"""How sure a reading is, and what may be decided with it. Standard library only.

`budget` what the uncertainty is made of · `repeats` several readings as one ·
`disk` probabilities in two directions · `decision` plumb, out, too close to call · `advice` what settles it.
"""

from __future__ import annotations

from shimfit.core.uncertainty.advice import Closeness, advise
from shimfit.core.uncertainty.budget import (
    HAND_MM,
    Budget,
    Cure,
    Term,
    budget,
    from_quoted,
    largest_of,
    of_step,
    rectangular,
    sensor_budget,
    typed_budget,
)
from shimfit.core.uncertainty.decision import (
    FACTORS,
    ONE_SIDED_95,
    RULE_WORDS,
    SURE,
    Rule,
    decide,
    decide_lean,
    plumb_up_to,
    sure_beside,
    sure_radius,
    u_of_magnitude,
)
from shimfit.core.uncertainty.disk import inside_disk, inside_interval, inside_square, normal_below
from shimfit.core.uncertainty.repeats import Repeated, agree, combine, learned_hand_mm

__all__ = [
    "FACTORS",
    "HAND_MM",
    "ONE_SIDED_95",
    "RULE_WORDS",
    "SURE",
    "Budget",
    "Closeness",
    "Cure",
    "Repeated",
    "Rule",
    "Term",
    "advise",
    "agree",
    "budget",
    "combine",
    "decide",
    "decide_lean",
    "from_quoted",
    "inside_disk",
    "inside_interval",
    "inside_square",
    "largest_of",
    "learned_hand_mm",
    "normal_below",
    "of_step",
    "plumb_up_to",
    "rectangular",
    "sensor_budget",
    "sure_beside",
    "sure_radius",
    "typed_budget",
    "u_of_magnitude",
]
