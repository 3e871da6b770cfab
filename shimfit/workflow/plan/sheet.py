"""The cut sheet of a run, from the answers that its posts wait for."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from shimfit.codec import resting_to_json, to_json
from shimfit.errors import UsageError
from shimfit.model import PLANNED
from shimfit.workflow.plan.answer import cuts_json

if TYPE_CHECKING:
    from collections.abc import Mapping

    from shimfit.model import Pack
    from shimfit.workflow.site import Site

Json = dict[str, Any]


def cut_list_of(site: Site, job: str, run: str) -> Json:
    """The cut sheet of a run in the plan's form, from the answers that its bare posts wait for.

    Only answers that were planned together, or one alone, make a sheet. Others stand in `alternatives`,
    each with what it would take from the box by itself, and `planned` is False. Posts that nothing could
    serve stand in `unsolved`, with what they were told in `why`. UsageError when no post waits for packs.
    """
    from shimfit.workflow.packs import options_of

    state = site.run(job, run)
    bare = [post for post in state.posts if not post.packs_in_place]
    waiting = [(post, post.answer) for post in bare if post.answer is not None and post.awaited]
    unserved = {post.name: post.why for post in bare if post.answer is not None and post.is_stuck}
    if not waiting:
        raise UsageError(_nothing_to_cut(f"{job}/{run}", unserved))
    box, saw = site.box(), options_of(state, site.settings).saw
    lying = {post.name: box.stock.as_it_lies(answer.packs) for post, answer in waiting}
    together = {post.name for post, answer in waiting if answer.why == PLANNED or len(waiting) == 1}

    def cuts(names: set[str]) -> Json:
        packs: list[tuple[str, Pack]] = [
            (name, pack) for name in lying if name in names for pack in lying[name]
        ]
        return cuts_json(packs, box.stock, saw)

    return {
        "job": job,
        "run": run,
        "unsolved": list(unserved),
        "why": unserved,
        "planned": any(answer.why == PLANNED for _, answer in waiting),
        "posts": [
            {
                "id": post.name,
                "packs": [to_json(pack) for pack in lying[post.name]],
                "resting": resting_to_json(answer.resting, answer.height_mm),
                "post": to_json(post.foot),
            }
            for post, answer in waiting
        ],
        **cuts(together),
        "alternatives": [{"post": name, **_alone(cuts({name}))} for name in lying if name not in together],
    }


def _alone(cuts: Json) -> Json:
    return {key: cuts[key] for key in ("cuts", "tapers", "remainders")}


def _nothing_to_cut(run: str, unserved: Mapping[str, str]) -> str:
    if unserved:
        return (
            f"{run}: no post waits for packs, and nothing in the box serves post {', '.join(unserved)}: "
            f"fill the box, then plan the run (shimfit plan {run})"
        )
    return f"{run}: no post waits for packs; plan the run first (shimfit plan {run})"
