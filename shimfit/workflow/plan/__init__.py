"""Planning a whole run: a problem from a file or a run from the log in, the contract's answer out.

`plan_problem` touches no data file. `plan_site_run` answers for every post of a run that is read and bare,
from the box less what is promised elsewhere; `log_plan` then makes the answers the posts' own, so that
screens, labels and `cut_list_of` see one and the same plan.
"""

from shimfit.workflow.plan.answer import answer_json, cuts_json, unsawn
from shimfit.workflow.plan.effort import SECONDS
from shimfit.workflow.plan.from_file import plan_problem
from shimfit.workflow.plan.of_run import RunPlan, log_plan, plan_run, plan_site_run, posts_to_plan
from shimfit.workflow.plan.sheet import cut_list_of

__all__ = [
    "SECONDS",
    "RunPlan",
    "answer_json",
    "cut_list_of",
    "cuts_json",
    "log_plan",
    "plan_problem",
    "plan_run",
    "plan_site_run",
    "posts_to_plan",
    "unsawn",
]
