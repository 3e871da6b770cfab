"""The whole run from one box: which piece serves which post, proven as far as the bound says.

`plan` is the front door. The rooms: `geometry` posts as arrays, `lists` what each seat can be given,
`search` the cheapest packs of all posts at once, `patterns` what they take from the box, `master` and
`rounds` prices and bound, `whole` the integer program, `program` what is asked of a solver,
`planned` a served post and which copy each of its pieces is cut from.
"""

from shimfit.core.planning.geometry import PlanPost
from shimfit.core.planning.plan import Plan, Unsolved, plan
from shimfit.core.planning.planned import Planned

__all__ = ["Plan", "PlanPost", "Planned", "Unsolved", "plan"]
