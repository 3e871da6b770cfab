"""The kit for a run of the data file, in the form that the command prints."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from shimfit.contract import lot_to_json
from shimfit.core.kit import kit_for
from shimfit.model import PostState
from shimfit.solve.highs import Highs
from shimfit.workflow.solving import options_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from shimfit.model import Lot
    from shimfit.workflow.site import Site


def kit_for_run(
    site: Site,
    job: str,
    run: str,
    *,
    fall: float | None = None,
    posts: int | None = None,
    offered: Sequence[Lot] = (),
    share: float = 0.95,
) -> dict[str, Any]:
    """What to cut or buy so that `share` of the run's posts can be served from the box and the kit.

    From the readings of the run when there are any, else from `fall`. UsageError when there is neither.
    """
    state = site.run(job, run)
    read = [
        post.reading.lean
        for post in state.posts
        if post.reading is not None and post.reading.lean is not None and not post.packs_in_place
    ]
    waiting = [post for post in state.posts if post.state not in (PostState.PLUMB, PostState.SKIPPED)]
    count = posts if posts is not None else max(1, len(waiting))
    made = kit_for(
        state.foot, state.height_mm, state.tolerance, count, site.box().lots,
        options_of(state, site.settings), Highs(),
        fall=fall, read=read if fall is None else (), offered=offered, share=share,
    )  # fmt: skip
    source = f"a usual fall of {fall:g}" if fall is not None else f"{len(read)} readings"
    words = (
        f"For {count} posts, from {source}: the box alone serves {100 * made.served_without:.0f} %, with "
        f"this kit {100 * made.served_share:.0f} % of posts in trial runs."
    )
    if not made.lines:
        words += " Nothing needs to be bought."
    return {
        "job": job,
        "run": run,
        "posts": count,
        "served_share": made.served_share,
        "served_without": made.served_without,
        "words": words,
        "lines": [
            {"what": line.what, "count": line.count, "lot": lot_to_json(line.lot)} for line in made.lines
        ],
    }
