"""The kit for a run of the data file, in the form that the command prints."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from shimfit.contract import lot_to_json
from shimfit.core.kit import kit_for
from shimfit.solve.highs import Highs
from shimfit.workflow.solving import options_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from shimfit.core.kit import Kit
    from shimfit.model import Lot
    from shimfit.workflow.site import Site

HINT = "Offer thinner flats, or a taper to cut (--shop FILE.csv)."


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
    # Of a post that was packed since, or that stood on packs, the lean says nothing of the bed.
    bare = [post.counts for post in state.posts if post.counts is not None and not post.packs_in_place]
    read = [reading.lean for reading in bare if reading.lean is not None]
    count = posts if posts is not None else max(1, len(state.left_to_do))
    made = kit_for(
        state.foot, state.height_mm, state.tolerance, count, site.box().lots,
        options_of(state, site.settings), Highs(),
        fall=fall, read=read if fall is None else (), offered=offered, share=share,
    )  # fmt: skip
    many = f"{count} post{'' if count == 1 else 's'}"
    source = f"a usual fall of {fall:g}" if fall is not None else f"{len(read)} readings"
    return {
        "job": job,
        "run": run,
        "posts": count,
        "served_share": made.served_share,
        "served_without": made.served_without,
        "asked_share": made.asked_share,
        "reached": made.reached,
        "words": f"For {many}, from {source}: {_in_words(made, from_shop=bool(offered))}",
        "lines": [
            {"what": line.what, "count": line.count, "lot": lot_to_json(line.lot)} for line in made.lines
        ],
    }


def _in_words(made: Kit, *, from_shop: bool) -> str:
    """What the box serves, what the kit adds, and plainly so when that is less than was asked for."""
    alone = f"the box alone serves {_percent(made.served_without)} of posts in trial runs"
    if made.reached and not made.lines:
        return f"{alone}. Nothing needs to be bought."
    if made.reached:
        return f"{alone}, with this it serves {_percent(made.served_share)}:"
    short = f"short of the {_percent(made.asked_share)} aimed at"
    if not made.lines:
        shop = "what this shop has" if from_shop else "the usual packers"
        return f"{alone}, {short}, and nothing of {shop} helps. {HINT}"
    served = _percent(made.served_share)
    return f"{alone}, with this it serves {served}, {short}; a few more of each did not help. {HINT}"


def _percent(share: float) -> str:
    """Rounded down: what is short of a goal never reads like the goal."""
    return f"{math.floor(100 * share + 1e-9)} %"
