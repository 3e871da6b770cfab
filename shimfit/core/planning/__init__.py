"""The whole run from one box: which piece serves which post, proven as far as the bound says.

`plan` is the front door. Planning together: `geometry` posts as arrays, `lists` what each seat can be given,
`search` the cheapest packs of all posts at once, `patterns` what they take from the box, `master` and
`rounds` prices and bound, `exact` one post with the box's own pieces counted, `offering` and `whole` the
integer program and what it is offered, `choosing` from the rounds to what is chosen, `building` the packs of
a chosen pattern. After it: `alone` one post from what is left, `repair` posts left out asked once more, `why`
what is missing, `leftover` the box after some packs, `planned` a served post and which copy each of its
pieces is cut from. `program` is what is asked of a solver, `patience` how long all may take.
"""

from shimfit.core.planning.geometry import PlanPost
from shimfit.core.planning.plan import Plan, Unsolved, plan
from shimfit.core.planning.planned import Planned

__all__ = ["Plan", "PlanPost", "Planned", "Unsolved", "plan"]
