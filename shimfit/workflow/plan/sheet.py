"""The cut sheet of a run, from the answers that its posts wait for."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from shimfit.contract import foot_to_json, pack_to_json, resting_to_json
from shimfit.errors import UsageError
from shimfit.workflow.following import followed_packs
from shimfit.workflow.plan.answer import cuts_json
from shimfit.workflow.remainders import as_in_box

if TYPE_CHECKING:
    from collections.abc import Mapping

    from shimfit.model import Prescription
    from shimfit.workflow.site import Site

Json = dict[str, Any]


def cut_list_of(site: Site, job: str, run: str) -> Json:
    """The cut sheet of a run in the plan's form, from the answers that its bare posts wait for.

    Posts that nothing could serve stand in `unsolved`, with what they were told in `why`. UsageError when no
    post waits for packs.
    """
    from shimfit.workflow.solving import options_of

    state = site.run(job, run)
    bare = [post for post in state.posts if not post.packs_in_place]
    waiting = [
        (post, post.prescription) for post in bare if post.prescription is not None and followed_packs(post)
    ]
    unserved = {
        post.name: post.prescription.why or "no pack from the box can do it"
        for post in bare
        if post.prescription is not None and post.prescription_is_current and _can_not(post.prescription)
    }
    if not waiting:
        raise UsageError(_nothing_to_cut(f"{job}/{run}", unserved))
    box = site.box()
    told = [(post, answer, as_in_box(answer.packs, box.lots, box.used_up)) for post, answer in waiting]
    packs = [(post.name, pack) for post, _, some in told for pack in some]
    return {
        "job": job,
        "run": run,
        "unsolved": list(unserved),
        "why": unserved,
        "posts": [
            {
                "id": post.name,
                "packs": [pack_to_json(pack) for pack in some],
                "resting": resting_to_json(answer.resting, answer.height_mm),
                "post": foot_to_json(post.foot),
            }
            for post, answer, some in told
        ],
        **cuts_json(packs, box.lots, options_of(state, site.settings).saw),
    }


def _can_not(answer: Prescription) -> bool:
    return answer.status in ("impossible", "gave-up")


def _nothing_to_cut(run: str, unserved: Mapping[str, str]) -> str:
    if unserved:
        return (
            f"{run}: no post waits for packs, and nothing in the box serves post {', '.join(unserved)}: "
            f"fill the box, then plan the run (shimfit plan {run})"
        )
    return f"{run}: no post waits for packs; plan the run first (shimfit plan {run})"
