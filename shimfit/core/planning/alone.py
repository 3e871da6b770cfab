"""One post at a time, as `packing` serves it, from some of the box: who is left over asks here."""

from __future__ import annotations

from typing import TYPE_CHECKING

from shimfit.core.packing.answer import prescribe
from shimfit.core.packing.tables import build_tables
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
    plan's: set-ups not counted. EntryError for lots that are none.
    """
    answer = prescribe(
        post.foot,
        post.height_mm,
        Lean(*post.to_correct),
        post.tolerance,
        build_tables(lots, options),
        reads=post.reads,
        u_take_up=post.u_take_up,
        margin_slope=post.used_slope,
        feelers=dict(post.feelers),
    )
    if answer.status in ("impossible", "gave-up") or not answer.within:
        return None
    packs = tuple(as_cut_from(pack, box) for pack in answer.packs)
    resting = resting_on(post, packs, options)
    if resting.lean is None or not post.tolerance.holds(resting.lean, post.height_mm):
        return None
    set_up = sum(amount for name, amount in answer.cost.parts if name == "saw set-ups")
    return Planned(post, packs, resting, answer.cost.total - set_up, answer.status == "proven")
