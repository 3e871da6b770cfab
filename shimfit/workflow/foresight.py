"""Packing as one reads: where the box is scarce, this post leaves what the posts to come will need.

Asked for only when pieces may run out before the run ends: then this post is planned together with as many
likely posts as are still to be read, and its packs out of that plan are prescribed. Reading all posts first
and planning the run is still better; the setting `foresight no` turns it off.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from shimfit.core.foresight import MOST_SAMPLED, with_foresight
from shimfit.core.packing.answer import over_take_up
from shimfit.core.planning.geometry import PlanPost
from shimfit.core.resting import scaled, scaled_rest
from shimfit.model import Lot, PostState, Prescription
from shimfit.solve.highs import Highs

if TYPE_CHECKING:
    from collections.abc import Sequence

    from shimfit.core.objective import Reads
    from shimfit.core.packing import Options
    from shimfit.standing import PostRecord, RunState

PACKS_A_POST = 3
SCARCE_BELOW = 2.0
"""Pieces for each pack that is still wanted; with more, no post can take what another will miss."""
USE_OF_TAPER_MM = 60.0
"""Length that one use takes from a taper, its kerf and waste included."""
TO_COME = (PostState.TO_READ, PostState.HALF_READ)


def to_come(run: RunState, post: PostRecord) -> int:
    """Posts of the run that are still to be read, this one not counted."""
    return sum(1 for one in run.posts if one.name != post.name and one.state in TO_COME)


def is_scarce(lots: Sequence[Lot], posts: int) -> bool:
    """True when the box holds fewer than two pieces for each pack that so many posts will want."""
    pieces = 0.0
    for lot in lots:
        pieces += lot.count * max(1.0, (lot.cut_from_mm or 0.0) / USE_OF_TAPER_MM)
    return pieces < SCARCE_BELOW * PACKS_A_POST * posts


def far_sighted(
    answer: Prescription,
    run: RunState,
    post: PostRecord,
    lots: Sequence[Lot],
    *,
    options: Options,
    reads: Reads,
    take_up: tuple[float, float],
) -> Prescription:
    """The answer, or the packs that leave more for the posts to come; its lean is the one asked for.

    `take_up`: (mean, standard uncertainty). Deterministic: the likely leans are drawn with the post's own
    number as their start.
    """
    mean, u = take_up
    others = to_come(run, post)
    if not answer.packs or not others or not is_scarce(lots, others + 1):
        return answer
    read = [one.before.lean for one in run.posts if one.before is not None and one.before.lean is not None]
    asked = PlanPost(
        name=post.name,
        foot=post.foot,
        height_mm=post.height_mm,
        lean=scaled(answer.lean, 1.0 / mean),
        tolerance=over_take_up(post.tolerance, mean),
        reads=reads.scaled(1.0 / mean),
        u_take_up=u / mean,
    )
    found = with_foresight(
        asked,
        [scaled(lean, 1.0 / mean) for lean in (*read, answer.lean)],
        min(others, MOST_SAMPLED),
        lots,
        options,
        Highs(),
        seed=1,
    )
    if found is None or found.packs == answer.packs:
        return answer
    resting = scaled_rest(found.resting, mean)
    if resting.lean is None or not post.tolerance.holds(resting.lean, post.height_mm):
        return answer
    which = "post to come" if others == 1 else f"{others} posts to come"
    return replace(
        answer,
        packs=found.packs,
        resting=resting,
        within=True,
        status="found",
        why=f"Leaves in the box what the {which} will likely need.",
        cost=replace(answer.cost, total=found.cost, parts=()),
        chance=found.chance(options),
    )
