"""Planning a problem from a file; no data file is touched."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from shimfit.core.ledger import Ledger
from shimfit.core.planning.plan import plan
from shimfit.workflow.plan.answer import answer_json, buying_json
from shimfit.workflow.plan.effort import SECONDS, seconds_allowed, solver
from shimfit.workflow.problem import read_problem

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

Json = dict[str, Any]


def plan_problem(
    problem: Mapping[str, Any],
    seconds: float = SECONDS,
    progress: Callable[[float, float | None], None] | None = None,
    stop: Callable[[], bool] | None = None,
) -> Json:
    """Answer of a problem (posts, stock, saw, options) in the contract's form.

    `progress` gets (bound, cost of the best plan or None). FileError naming the place (`posts[3].height_mm`)
    for a problem that is none, UsageError for seconds that are none.
    """
    most_s = seconds_allowed(seconds)
    posts, lots, options = read_problem(problem)
    done = plan(posts, lots, options, solver(), seconds=most_s, progress=progress, stop=stop)
    return answer_json(done, Ledger(lots), options) | buying_json(done, lots, options)
