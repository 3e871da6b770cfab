"""Planning a run of the data file: its posts and the box in, an answer for every post out.

Posts that are read and have nothing under them are planned together, also those that no pack could serve
when they were read: another box may. `log_plan` makes the answers the posts' own.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from shimfit.codec import prescription_to_json
from shimfit.core.packing.answer import over_take_up
from shimfit.core.planning.geometry import PlanPost
from shimfit.core.planning.plan import Plan, plan
from shimfit.core.planning.rounds import Earlier
from shimfit.core.resting import rest_packs, scaled
from shimfit.errors import UsageError
from shimfit.model import PLANNED, Cost, Lean, Prescription
from shimfit.workflow.packs import promised_packs
from shimfit.workflow.plan.answer import answer_json, buying_json
from shimfit.workflow.plan.effort import SECONDS, seconds_allowed, solver
from shimfit.workflow.solving import reads_of

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from pathlib import Path

    from shimfit.core.ledger import Ledger
    from shimfit.core.packing.options import Options
    from shimfit.core.planning.plan import Unsolved
    from shimfit.model import Pack
    from shimfit.standing import PostRecord, RunState
    from shimfit.store.box import BoxState
    from shimfit.workflow.site import Site

Json = dict[str, Any]

_EARLIER: dict[tuple[Path, str, str], Earlier] = {}
"""What the last plan made in this process knew, by data file, job and run. After one more reading, most posts
are as they were. One run at a time."""


def _earlier(site: Site, job: str, run: str) -> Earlier:
    key = (site.path, job, run)
    if key not in _EARLIER:
        _EARLIER.clear()
        _EARLIER[key] = Earlier()
    return _EARLIER[key]


@dataclass(frozen=True, slots=True)
class RunPlan:
    """A planned run: the contract's answer and the posts' own answers."""

    answer: Json
    prescriptions: tuple[tuple[str, Prescription], ...]
    """(post, answer) of every post of the plan; an answer without packs says why where none can be had."""


def posts_to_plan(
    run: RunState,
    aims_mm: Mapping[str, float] | None = None,
    take_up: tuple[float, float] = (1.0, 0.0),
) -> tuple[PlanPost, ...]:
    """Posts that are read (stood or on the bed, both directions) and not yet packed.

    `aims_mm`: where to aim tops across the run, from the line-up. `take_up`: (mean, standard uncertainty) of
    what packs give of what they should; everything is told so much larger, as `prescribe` does for one post.
    """
    mean, u = take_up
    found = []
    for post in run.posts:
        lean = _lean_to_plan(post)
        if lean is None or post.reading is None:
            continue
        aim_mm = (aims_mm or {}).get(post.name, 0.0)
        aim = Lean(0.0, aim_mm / post.height_mm) if aim_mm else None
        feelers = tuple((seat, mm) for seat, mm in post.reading.rocks if mm > 0.0)
        found.append(
            PlanPost(
                name=post.name,
                foot=post.foot,
                height_mm=post.height_mm,
                lean=scaled(lean, 1.0 / mean),
                tolerance=post.tolerance if mean == 1.0 else over_take_up(post.tolerance, mean),
                aim=None if aim is None else scaled(aim, 1.0 / mean),
                feelers=feelers,
                reads=reads_of(post).scaled(1.0 / mean),
                u_take_up=u / mean,
            )
        )
    return tuple(found)


def _lean_to_plan(post: PostRecord) -> Lean | None:
    """The lean of a post that is read, wants packs and has nothing under it; None for all others.

    A post that is out with packs under it is changed where it stands, not planned anew; one that was changed
    since it was read, or on which two crews' logs do not agree, is read again first.
    """
    if post.packs_in_place or post.counts is None or not post.wants_answer:
        return None
    return post.counts.lean


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
    earlier: Earlier | None = None,
) -> RunPlan:
    """Plan all posts of a run that are read and not yet packed; `promised` packs are kept for other runs.

    `take_up`: (mean, standard uncertainty). `earlier`: see `plan`. UsageError when no post of
    the run is ready to be planned.
    """
    most_s = seconds_allowed(seconds)
    posts = posts_to_plan(run, aims_mm, take_up)
    if not posts:
        raise UsageError(
            f"{run.job}/{run.name}: no post is read and waiting for packs; read some first "
            "(both directions, stood or --bed)"
        )
    lots = box.stock.without(promised, options.saw.kerf_mm)
    done = plan(posts, lots, options, solver(), seconds=most_s, progress=progress, stop=stop, earlier=earlier)
    as_read = {post.name: post for post in posts_to_plan(run, aims_mm)}
    buying = buying_json(done, lots, options)
    done = _reported_for_readings(_with_copies(done, box.stock, promised, options), as_read, take_up[0])
    reported = answer_json(done, box.stock, options)
    answers = [(one.post.name, _prescription(one, done)) for one in done.planned]
    answers += [(one.post.name, _unserved(one, done, options)) for one in done.unsolved]
    return RunPlan({"job": run.job, "run": run.name, **reported, **buying}, tuple(answers))


def _with_copies(done: Plan, stock: Ledger, promised: Sequence[Pack], options: Options) -> Plan:
    """The plan's pieces with the copies that the box knows, of which the plan was offered only some."""
    packs = [pack for one in done.planned for pack in one.packs]
    numbered = iter(stock.numbered(packs, promised, kerf_mm=options.saw.kerf_mm))
    planned = tuple(replace(one, packs=tuple(next(numbered) for _ in one.packs)) for one in done.planned)
    return replace(done, planned=planned)


def _reported_for_readings(done: Plan, as_read: Mapping[str, PlanPost], take_up: float) -> Plan:
    """Leans and limits as read, rests as little as the packs give."""
    if take_up == 1.0:
        return done
    planned = []
    for one in done.planned:
        left = one.resting.lean
        resting = replace(one.resting, lean=None if left is None else scaled(left, take_up))
        planned.append(replace(one, resting=resting, post=as_read[one.post.name]))
    unsolved = tuple(replace(one, post=as_read[one.post.name]) for one in done.unsolved)
    return replace(done, planned=tuple(planned), unsolved=unsolved)


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
        why=PLANNED,
        cost=Cost(one.cost),
        saw_settings_deg=tuple(sorted(used)),
    )


def _unserved(one: Unsolved, done: Plan, options: Options) -> Prescription:
    """The answer of a post that gets nothing: it waits for no pieces, since others have them now."""
    post = one.post
    return Prescription(
        post=post.foot,
        height_mm=post.height_mm,
        lean=post.lean,
        tolerance=post.tolerance,
        packs=(),
        resting=rest_packs(post.foot, post.lean, (), options.preload_mm, rocks_mm=dict(post.feelers)),
        within=False,
        status="gave-up" if done.stopped else "impossible",
        why=f"Planned with the whole run: {one.why}.",
    )


def plan_site_run(
    site: Site,
    job: str,
    run: str,
    *,
    seconds: float = SECONDS,
    line_up: bool = False,
    off_mm: Mapping[str, float] | None = None,
    progress: Callable[[float, float | None], None] | None = None,
    stop: Callable[[], bool] | None = None,
) -> RunPlan:
    """Plan a run of the data file; nothing is logged.

    `line_up`: aim at the targets of the line-up of feet that stand `off_mm` the string (by post, + out).
    """
    from shimfit.workflow.packs import book_of, of_lots, options_of

    state, box = site.run(job, run), site.box()
    known = of_lots(book_of(site, job), box.lots)
    aims = None
    if line_up:
        from shimfit.workflow.runs import line_up_run

        aims = {
            target.name: target.aim_across_mm for leg in line_up_run(state, off_mm) for target in leg.targets
        }
    return plan_run(
        state,
        box,
        options_of(state, site.settings),
        promised=promised_packs(
            site, lambda place, post: place == (job, run) and _lean_to_plan(post) is not None
        ),
        aims_mm=aims,
        take_up=(known.mean, known.u),
        seconds=seconds,
        progress=progress,
        stop=stop,
        earlier=_earlier(site, job, run),
    )


def log_plan(site: Site, job: str, run: str, made: RunPlan) -> int:
    """Make the plan's answers the posts' own (one transaction); returns how many posts got packs."""
    from shimfit.store.events import Draft
    from shimfit.workflow.reading import here

    by, state = site.settings.by or None, site.run(job, run)
    asked = here(site).asked(state.making, state.rule, ("saw_deg",))
    drafts = [
        Draft("prescribed", {"answer": prescription_to_json(answer), "asked": asked}, job, run, name, by)
        for name, answer in made.prescriptions
    ]
    site.journal.append_all(drafts)
    return sum(bool(answer.packs) for _, answer in made.prescriptions)
