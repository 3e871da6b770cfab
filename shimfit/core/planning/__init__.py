"""The whole run from one box: which piece serves which post, proven as far as the bound says.

`plan` is the front door. Planning together: `geometry` posts as arrays, `search` what each seat can be given
and the cheapest packs of all posts at once, `patterns` what they take from the box and the packs behind them,
`sharing` which stretches of tapers begin behind which cuts, `master` and `rounds` prices and bound, `exact`
one post with the box's own pieces counted, `every` all patterns that a better plan may hold, `whole` the
integer program and what it is offered, `choosing` from the rounds to what is chosen, saw settings first.

After it: `planned` a served post, which copy each of its pieces is cut from, the box after some packs, and
posts left over served one at a time. `program` is what is given from outside: a solver, and time.
"""

from shimfit.core.planning.geometry import PlanPost
from shimfit.core.planning.plan import Effort, Plan, Unsolved, plan
from shimfit.core.planning.planned import Planned
from shimfit.core.planning.rounds import Earlier

__all__ = ["Earlier", "Effort", "Plan", "PlanPost", "Planned", "Unsolved", "plan"]
