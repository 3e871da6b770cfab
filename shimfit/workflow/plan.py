"""Planning a whole run: a problem from a file or a run from the log in, the contract's answer out.

`plan_problem` touches no data file. `plan_run` answers for every post of a run that is read and not yet
packed, from the box less what is promised elsewhere; `log_plan` then makes the answers the posts' own, so
that screens, labels and `cut_list_of` see one and the same plan.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from shimfit.contract import foot_to_json, lot_to_json, pack_to_json, prescription_to_json, resting_to_json
from shimfit.core import cutting
from shimfit.core.box import movement
from shimfit.core.packing.options import Options, Saw
from shimfit.core.planning.geometry import PlanPost
from shimfit.core.planning.plan import Plan, plan
from shimfit.errors import UsageError
from shimfit.model import Cost, Lean, Lot, Pack, PostState, Prescription
from shimfit.workflow.problem import read_problem

if TYPE_CHECKING:
    from collections.abc import Callable

    from shimfit.store.state import BoxState, PostRecord, RunState
    from shimfit.workflow.site import Site

Json = dict[str, Any]
SECONDS = 60.0

# ---------------------------------------------------------------- a problem from a file


def plan_problem(
    problem: Mapping[str, Any],
    seconds: float = SECONDS,
    progress: Callable[[float, float | None], None] | None = None,
    stop: Callable[[], bool] | None = None,
) -> Json:
    """Answer of a problem (posts, stock, saw, options) in the contract's form.

    `progress` gets (bound, cost of the best plan or None). FileError naming the place (`posts[3].height_mm`)
    for a problem that is none.
    """
    posts, lots, options = read_problem(problem)
    done = plan(posts, lots, options, _solver(), seconds=_seconds(seconds), progress=progress, stop=stop)
    return answer_json(done, lots, options)


def _seconds(seconds: float) -> float:
    if not math.isfinite(seconds) or seconds <= 0:
        raise UsageError(f"planning can't take {seconds:g} s: give it more than 0")
    return seconds


def _solver() -> Any:
    from shimfit.solve.highs import Highs

    return Highs()


# ---------------------------------------------------------------- the answer


def answer_json(done: Plan, lots: Sequence[Lot], options: Options) -> Json:
    """The contract's answer (without the schema number): posts, cuts, what is left over, and the gap."""
    packs = [(one.post.name, pack) for one in done.planned for pack in one.packs]
    return {
        "status": _status(done),
        "bound": done.bound,
        "objective": done.objective,
        "gap": done.gap,
        "stopped": done.stopped,
        "unsolved": [one.post.name for one in done.unsolved],
        "why": {one.post.name: one.why for one in done.unsolved},
        "posts": [
            {
                "id": one.post.name,
                "packs": [pack_to_json(pack) for pack in one.packs],
                "resting": resting_to_json(one.resting, one.post.height_mm),
                "cost": one.cost,
            }
            for one in done.planned
        ],
        **cuts_json(packs, lots, options.saw),
        "seconds": done.seconds,
    }


def cuts_json(packs: Sequence[tuple[str, Pack]], lots: Sequence[Lot], saw: Saw) -> Json:
    """`cuts`, `tapers` and `remainders` of packs given as (post, pack)."""
    by_name = {lot.lot: lot for lot in lots}
    wedges = [
        cutting.Wedge(
            f"{post}/{pack.seat}",
            piece.lot,
            piece.saw_deg or 0.0,
            piece.thin_mm or 0.0,
            piece.thick_mm or 0.0,
        )
        for post, pack in packs
        for piece in pack.pieces
        if piece.form == "strip"
    ]
    tapers = [
        {
            "lot": piece.lot,
            "copy": piece.copy,
            "for": f"{post}/{pack.seat}",
            "mark_mm": piece.mark_mm,
            "trim_tip_mm": piece.trim_tip_mm,
        }
        for post, pack in packs
        for piece in pack.pieces
        if piece.form == "taper"
    ]
    tapers.sort(key=lambda row: (str(row["lot"]), row["copy"] or 0, row["mark_mm"]))
    back = movement(lots, [pack for _, pack in packs], saw.kerf_mm).back
    cuts = []
    for cut in cutting.cut_list(by_name, wedges, saw):
        row: Json = {"strip": cut.strip, "saw_deg": cut.saw_deg}
        if cut.copy is not None:
            row["copy"] = cut.copy
        row["pieces"] = [
            {
                "for": piece.goes_to,
                "thin_mm": piece.thin_mm,
                "thick_mm": piece.thick_mm,
                "mark_along_mm": piece.mark_along_mm,
            }
            for piece in cut.pieces
        ]
        row["left_mm"] = cut.left_mm
        cuts.append(row)
    return {"cuts": cuts, "tapers": tapers, "remainders": [lot_to_json(lot) for lot in back]}


def _status(done: Plan) -> str:
    """The plan's own word; `impossible` when nothing was stopped and no post that needs packs was served."""
    if done.status == "gave-up" or not done.unsolved or done.stopped:
        return done.status
    return done.status if any(one.packs for one in done.planned) else "impossible"


# ---------------------------------------------------------------- a run


@dataclass(frozen=True, slots=True)
class RunPlan:
    """A planned run: the contract's answer and the posts' own answers."""

    answer: Json
    prescriptions: tuple[tuple[str, Prescription], ...]
    """(post, answer) of every post that the plan serves."""


def posts_to_plan(
    run: RunState, aims_mm: Mapping[str, float] | None = None, take_up: float = 1.0, u_take_up: float = 0.0
) -> tuple[PlanPost, ...]:
    """Posts that are read (stood or on the bed, both directions) and not yet packed.

    `aims_mm`: where to aim tops across the run, from the line-up. `take_up`: what packs give of what they
    should; the lean is told so much larger.
    """
    from shimfit.workflow.solving import margin_slope

    found = []
    for post in run.posts:
        lean = _lean_to_plan(post)
        if lean is None or post.reading is None:
            continue
        margin = margin_slope(post, lean, u_take_up)
        aim_mm = (aims_mm or {}).get(post.name, 0.0)
        aim = Lean(0.0, aim_mm / post.height_mm) if aim_mm else None
        feelers = tuple((seat, mm) for seat, mm in post.reading.rocks if mm > 0.0)
        larger = Lean(lean.slope_along / take_up, lean.slope_across / take_up)
        found.append(
            PlanPost(post.name, post.foot, post.height_mm, larger, post.tolerance, aim, margin, feelers)
        )
    return tuple(found)


def _lean_to_plan(post: PostRecord) -> Lean | None:
    if post.packs_in_place or post.state not in (PostState.TO_READ, PostState.PACK, PostState.TIGHTEN):
        return None
    return post.reading.lean if post.reading is not None else None


def plan_run(
    run: RunState,
    box: BoxState,
    options: Options,
    *,
    promised: Sequence[Pack] = (),
    aims_mm: Mapping[str, float] | None = None,
    take_up: tuple[float, float] = (1.0, 0.0),
    seconds: float = SECONDS,
    progress: Callable[[float, float | None], None] | None = None,
    stop: Callable[[], bool] | None = None,
) -> RunPlan:
    """Plan all posts of a run that are read and not yet packed; `promised` packs are kept for other runs.

    `take_up`: (mean, standard uncertainty). UsageError when no post of the run is ready to be planned.
    """
    from shimfit.core.box import without

    posts = posts_to_plan(run, aims_mm, *take_up)
    if not posts:
        raise UsageError(
            f"{run.job}/{run.name}: no post is read and waiting for packs; read some first "
            "(both directions, stood or --bed)"
        )
    lots = without(box.lots, promised)
    done = plan(posts, lots, options, _solver(), seconds=_seconds(seconds), progress=progress, stop=stop)
    done = _told_for_readings(done, take_up[0])
    told = answer_json(done, lots, options)
    answers = [(one.post.name, _prescription(one, done)) for one in done.planned]
    return RunPlan({"job": run.job, "run": run.name, **told}, tuple(answers))


def _told_for_readings(done: Plan, take_up: float) -> Plan:
    """Leans as read, rests as little as the packs give."""
    if take_up == 1.0:
        return done
    planned = []
    for one in done.planned:
        lean = one.resting.lean
        small = None if lean is None else Lean(lean.slope_along * take_up, lean.slope_across * take_up)
        read = Lean(one.post.lean.slope_along * take_up, one.post.lean.slope_across * take_up)
        planned.append(
            replace(one, resting=replace(one.resting, lean=small), post=replace(one.post, lean=read))
        )
    return replace(done, planned=tuple(planned))


def _prescription(one: Any, done: Plan) -> Prescription:
    post: PlanPost = one.post
    lean = one.resting.lean
    used = {piece.saw_deg for pack in one.packs for piece in pack.pieces if piece.saw_deg is not None}
    return Prescription(
        post=post.foot,
        height_mm=post.height_mm,
        lean=post.lean,
        tolerance=post.tolerance,
        packs=one.packs,
        resting=one.resting,
        within=lean is not None and post.tolerance.holds(lean, post.height_mm),
        status="proven" if done.status == "proven" else "found",
        why="planned with the whole run",
        cost=Cost(one.cost),
        saw_settings_deg=tuple(sorted(used)),
    )


def plan_site_run(
    site: Site,
    job: str,
    run: str,
    *,
    seconds: float = SECONDS,
    line_up: bool = False,
    progress: Callable[[float, float | None], None] | None = None,
    stop: Callable[[], bool] | None = None,
) -> RunPlan:
    """Plan a run of the data file; nothing is logged. `line_up`: aim at the targets of the line-up."""
    from shimfit.workflow.solving import options_of
    from shimfit.workflow.takeup import book_of, of_lots

    state, box = site.run(job, run), site.box()
    known = of_lots(book_of(site, job), box.lots)
    aims = None
    if line_up:
        from shimfit.workflow.standing import line_up_run

        aims = {target.name: target.aim_across_mm for leg in line_up_run(state) for target in leg.targets}
    return plan_run(
        state,
        box,
        options_of(state, site.settings),
        promised=[pack for answer in promised_elsewhere(site, job, run) for pack in answer.packs],
        aims_mm=aims,
        take_up=(known.mean, known.u) if known.learned else (1.0, 0.0),
        seconds=seconds,
        progress=progress,
        stop=stop,
    )


def promised_elsewhere(site: Site, job: str, run: str) -> list[Prescription]:
    """Prescriptions of other runs, and of this run's posts that a plan does not touch, still in the box."""
    found = []
    for other in site.jobs():
        for name in other.runs:
            here = (other.name, name) == (job, run)
            for post in site.run(other.name, name).posts:
                waiting = post.state is PostState.PACK and post.prescription is not None
                if waiting and not (here and _lean_to_plan(post) is not None):
                    assert post.prescription is not None
                    found.append(post.prescription)
    return found


def log_plan(site: Site, job: str, run: str, made: RunPlan) -> int:
    """Make the plan's answers the posts' own (one transaction); returns how many posts got packs."""
    from shimfit.store.events import Draft

    by = site.settings.by or None
    drafts = [
        Draft("prescribed", {"answer": prescription_to_json(answer)}, job, run, name, by)
        for name, answer in made.prescriptions
    ]
    site.journal.append_all(drafts)
    return sum(bool(answer.packs) for _, answer in made.prescriptions)


def cut_list_of(site: Site, job: str, run: str) -> Json:
    """The cut sheet of a run in the plan's form, from the answers that its posts wait for.

    UsageError when no post waits for packs.
    """
    from shimfit.workflow.solving import options_of

    state = site.run(job, run)
    waiting = [
        (post, post.prescription)
        for post in state.posts
        if post.prescription is not None and not post.packs_in_place and post.state is PostState.PACK
    ]
    if not waiting:
        raise UsageError(
            f"{job}/{run}: no post waits for packs; plan the run first (shimfit plan {job}/{run})"
        )
    packs = [(post.name, pack) for post, answer in waiting for pack in answer.packs]
    return {
        "job": job,
        "run": run,
        "unsolved": [post.name for post in state.posts if post.state is PostState.OUT],
        "posts": [
            {
                "id": post.name,
                "packs": [pack_to_json(pack) for pack in answer.packs],
                "resting": resting_to_json(answer.resting, answer.height_mm),
                "post": foot_to_json(post.foot),
            }
            for post, answer in waiting
        ],
        **cuts_json(packs, site.box().lots, options_of(state, site.settings).saw),
    }


__all__ = [
    "RunPlan",
    "answer_json",
    "cut_list_of",
    "cuts_json",
    "log_plan",
    "plan_problem",
    "plan_run",
    "plan_site_run",
    "posts_to_plan",
    "promised_elsewhere",
    "read_problem",
]
