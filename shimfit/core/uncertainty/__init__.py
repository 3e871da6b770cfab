"""How sure a reading is, and what may be decided with it. Standard library only.

`budget` what it is made of, several readings as one · `disk` probabilities in two directions ·
`decision` plumb, out, too close to call, and what settles it.
"""

from __future__ import annotations

from shimfit.core.uncertainty.budget import (
    HAND_MM,
    Budget,
    Cure,
    Repeated,
    Term,
    agree,
    budget,
    combine,
    from_quoted,
    largest_of,
    learned_hand_mm,
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
    Closeness,
    Rule,
    advise,
    decide,
    decide_lean,
    marks_called_plumb,
    marks_not_out,
    plumb_up_to,
    sure_beside,
    sure_radius,
    u_of_magnitude,
)
from shimfit.core.uncertainty.disk import inside_disk, inside_interval, inside_square, normal_below

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
    "marks_called_plumb",
    "marks_not_out",
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
