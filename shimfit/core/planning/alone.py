"""One post at a time, as `packing` serves it, from some of the box: who is left over asks here."""

from __future__ import annotations

from typing import TYPE_CHECKING

from shimfit.core.packing.answer import prescribe
from shimfit.core.packing.tables import build_tables
from shimfit.core.planning.geometry import LIFT_COST, PIVOT, seats_of
from shimfit.core.planning.leftover import as_cut_from
from shimfit.core.planning.planned import Planned, resting_on
from shimfit.model import Lean

if TYPE_CHECKING:
    from collections.abc import Sequence

    from shimfit.core.packing.options import Options
    from shimfit.core.planning.geometry import PlanPost
    from shimfit.model import Lot


def serve_alone(post: PlanPost, lots: Sequence[Lot], box: Sequence[Lot], options: Options) -> Planned | None:
    """A post served from some lots as `prescribe` would; None when it can't be.

    `lots` may be remainders of the `box`: the packs are told as cut from the box's own lots. The cost is the
    plan's: a lift at its price, set-ups not counted. EntryError for lots that are none.
    """
    scale = post.allowed_mm / post.tolerance.allowed_top_mm(post.height_mm)
    answer = prescribe(
        post.foot,
        post.height_mm,
        Lean(*post.to_correct),
        post.tolerance,
        build_tables(lots, options),
        margin_slope=(1.0 - scale) * post.tolerance.allowed_slope(post.height_mm),
        feelers=dict(post.feelers),
    )
    if answer.status in ("impossible", "gave-up") or not answer.within:
        return None
    packs = tuple(as_cut_from(pack, box) for pack in answer.packs)
    resting = resting_on(post, packs, options)
    if resting.lean is None or not post.tolerance.holds(resting.lean, post.height_mm):
        return None
    set_up = sum(amount for name, amount in answer.cost.parts if name == "saw set-ups")
    lifted = any(pack.seat == seats_of(post)[PIVOT] for pack in packs) and not post.foot.round
    extra = LIFT_COST if lifted and answer.layout == "corners" else 0.0
    return Planned(post, packs, resting, answer.cost.total - set_up + extra)
