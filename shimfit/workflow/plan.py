"""Planning a whole run: a problem from a file or a run from the log in, the contract's answer out.

`plan_problem` touches no data file. `plan_site_run` answers for every post of a run that is read and has
nothing under it, also those that no pack could serve when they were read (another box may), from the box less
what is promised elsewhere. `log_plan` then makes the answers the posts' own, so that screens, labels and
`cut_list_of` see one and the same plan.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import fields, replace
from typing import TYPE_CHECKING, Annotated, Any

from shimfit import codec
from shimfit.codec import chance_to_json, prescription_to_json, resting_to_json, to_json
from shimfit.core import cutting
from shimfit.core.foot import check_foot
from shimfit.core.kit import shop, to_buy
from shimfit.core.ledger import Ledger
from shimfit.core.objective import Minutes
from shimfit.core.packing.options import Options, Saw
from shimfit.core.planning.choosing import PROVEN
from shimfit.core.planning.geometry import PlanPost
from shimfit.core.planning.plan import Effort, Plan, Unsolved, cost_of, plan, set_ups_deg
from shimfit.core.planning.planned import Planned, box_after
from shimfit.core.planning.rounds import Earlier
from shimfit.core.resting import rest_packs, scaled_rest
from shimfit.core.stock import lots_from_rows, natural_key
from shimfit.errors import EntryError, FileError, UsageError
from shimfit.model import PLANNED, Cost, Foot, Lean, Prescription, Within
from shimfit.quantities.typed import DEFAULT_TOLERANCE, parse_tolerance
from shimfit.values import dataclass
from shimfit.workflow.packs import asks_again, here, promised
from shimfit.workflow.site import in_one_turn
from shimfit.workflow.solving import cautions_about, plan_post

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterable, Sequence
    from pathlib import Path

    from shimfit.core.planning.program import Solver
    from shimfit.model import Chance, Lot, Pack, Status
    from shimfit.standing import PostRecord, RunState
    from shimfit.workflow.site import Site

    Chances = Mapping[str, Chance | None]
    """By post; None where nothing is packed."""

Json = dict[str, Any]
SECONDS = 60.0
LONGEST_S = 86_400.0
"""A day: whoever asks for more has slipped on a key."""


def seconds_allowed(seconds: float) -> float:
    """The seconds, when a plan can be given them; UsageError for none, too many and no number at all."""
    if math.isfinite(seconds) and 0.0 < seconds <= LONGEST_S:
        return seconds
    raise UsageError(f"a plan can be given more than 0 and up to {LONGEST_S:.0f} seconds, not {seconds:g}")


def solver() -> Solver:
    """The solver of linear and integer programs; loaded when it is wanted."""
    from shimfit.solve.highs import Highs

    return Highs()


# ---------------------------------------------------------------- of a file

LARGEST_MM = 1e5
"""A larger number in a problem is a slip, not a length of a post."""
_Figure = Annotated[float, Within("a length or slope of a post", -LARGEST_MM, LARGEST_MM)]
_Length = Annotated[float, Within("a length of a post, more than 0", 1e-9, LARGEST_MM)]
_POST = {
    "id": Any,
    "foot_along_mm": _Length,
    "foot_across_mm": _Length,
    "height_mm": _Length,
    "slope_along": _Figure,
    "slope_across": _Figure,
    "round?": bool,
    "rod_hole_mm?": _Figure,
    "rod_at_mm?": tuple[_Figure, _Figure],
    "tolerance?": Any,
    "per_direction?": bool,
    "aim_along_mm?": _Figure | None,
    "aim_across_mm?": _Figure | None,
}
_PRICES = tuple(one.name for one in fields(Minutes))
_OPTIONS = {
    "objective?": Any,  # of older programs, which had two
    "minutes?": Mapping[str, Annotated[float, Within("0 or more", 0.0, LARGEST_MM)]],
    "min_inside_mm?": _Figure,
    "layout?": Any,
    "max_pieces?": int,
    "bearing_mm?": _Figure,
    "inside_mm?": _Figure,
    "bearing_point?": Any,
    "clamp?": {"preload_mm?": _Figure},
}
_SAW = {
    "settings_deg?": tuple[_Figure, ...],
    "kerf_mm?": _Figure,
    "hold_mm?": _Figure,
    "min_thin_mm?": _Figure,
    "stands_at_deg?": _Figure | None,
}
_PROBLEM = {
    "posts": codec.list_of(codec.shape(_POST)),
    "stock": tuple[Mapping[str, Any], ...],
    "options?": _OPTIONS,
    "saw?": _SAW,
}


def read_problem(problem: Mapping[str, Any]) -> tuple[tuple[PlanPost, ...], tuple[Lot, ...], Options]:
    """Posts, lots and options of a problem; FileError naming the place of what can't be believed."""
    if not isinstance(problem, Mapping):
        raise FileError("a problem is one JSON object with posts and stock")
    if problem.get("schema", 1) != 1:
        raise FileError(f"schema: this problem is of form {problem['schema']!r}; this version knows 1")
    if fault := codec.fault(_PROBLEM, problem):
        raise FileError(fault)
    given = codec.read(_PROBLEM, problem)
    options = _options(given.get("options", {}), given.get("saw", {}))
    lots = lots_from_rows(given["stock"], "stock")
    posts = tuple(_post(row, f"posts[{k}]") for k, row in enumerate(given["posts"]))
    seen: set[str] = set()
    for k, post in enumerate(posts):
        if post.name in seen:
            raise FileError(f"posts[{k}].id: there are two posts {post.name}")
        seen.add(post.name)
    return posts, lots, options


def _post(row: Mapping[str, Any], where: str) -> PlanPost:
    name = row["id"]
    if not isinstance(name, str | int) or isinstance(name, bool) or not str(name).strip():
        raise FileError(f"{where}.id: a post needs a name")
    beside = {key: row[key] for key in ("round", "rod_hole_mm", "rod_at_mm") if key in row}
    foot, height_mm = Foot(row["foot_along_mm"], row["foot_across_mm"], **beside), row["height_mm"]
    try:
        check_foot(foot)
        text = str(row.get("tolerance", DEFAULT_TOLERANCE))
        tolerance = parse_tolerance(text, row.get("per_direction", False))
    except EntryError as error:
        raise FileError(f"{where}: {error.message}") from error
    aims_mm = [row.get(key) or 0.0 for key in ("aim_along_mm", "aim_across_mm")]
    aim = Lean(*(aim_mm / height_mm for aim_mm in aims_mm)) if any(aims_mm) else None
    if aim is not None and not tolerance.holds(aim, height_mm):
        raise FileError(f"{where}.aim_across_mm: the aim itself is out of the tolerance")
    lean = Lean(row["slope_along"], row["slope_across"])
    if lean.magnitude > 1.0:
        raise FileError(f"{where}.slope_along: a post that leans more than 45° isn't a guard post")
    return PlanPost(str(name), foot, height_mm, lean, tolerance, aim)


def remarks_on(problem: Mapping[str, Any]) -> list[str]:
    """What a problem that was read asks for and is not done as it says, a sentence each."""
    if problem.get("options", {}).get("objective", "minutes") == "minutes":
        return []
    return ["options.objective: weights are not counted any more; packs are chosen by minutes"]


def _options(given: dict[str, Any], saw: dict[str, Any]) -> Options:
    """Options that are given, the rest as usual."""
    if (named := given.pop("objective", "minutes")) not in ("minutes", "weights"):
        raise FileError(f"options.objective: there is no objective {named!r}; packs are chosen by minutes")
    prices = given.pop("minutes", {})
    if unknown := [name for name in prices if name not in _PRICES]:
        there_are = ", ".join(_PRICES)
        raise FileError(f"options.minutes.{unknown[0]}: there is no such price; there are {there_are}")
    if "cut" in prices:  # a problem that knows one price of a cut means both
        prices = {"tip_cut": prices["cut"]} | prices
    usual = Options()
    # A problem that knows one length means both.
    least_mm = max(usual.inside_mm, given.get("min_inside_mm", 0.0))
    inside_mm = given.pop("inside_mm", given.get("bearing_mm", least_mm))
    try:
        return replace(
            usual,
            inside_mm=inside_mm,
            **given.pop("clamp", {}),
            **given,
            minutes=replace(usual.minutes, **{name: float(value) for name, value in prices.items()}),
            saw=Saw(**saw | {"settings_deg": tuple(dict.fromkeys(saw.get("settings_deg", ())))}),
        )
    except UsageError as error:
        raise FileError(f"options: {error.message}") from error


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
    done = plan(posts, lots, options, solver(), seconds=most_s, effort=Effort(stop=stop, progress=progress))
    answer = answer_json(done, Ledger(lots), options, _chances(done, options))
    left = box_after(lots, _packs(done.planned), options).lots()
    return answer | buying_json(done, left, options, stop) | {"remarks": remarks_on(problem)}


# ---------------------------------------------------------------- of the data file


_EARLIER: dict[tuple[Path, str, str], Earlier] = {}
"""What the last plan made in this process knew, by data file, job and run. After one more reading, most posts
are as they were. One run at a time."""


@dataclass(frozen=True, slots=True)
class RunPlan:
    """A planned run: the contract's answer and the posts' own answers."""

    answer: Json
    prescriptions: tuple[tuple[str, Prescription], ...]
    """(post, answer) of every post of the plan; an answer without packs says why where none can be had."""
    basis: object
    """What it was worked out from."""


def posts_to_plan(
    run: RunState,
    aims_mm: Mapping[str, float] | None = None,
    take_up: tuple[float, float] = (1.0, 0.0),
    only: Collection[str] | None = None,
) -> tuple[PlanPost, ...]:
    """Posts (of these) that are read (stood or on the bed, both directions) and not yet packed.

    `aims_mm`: where to aim tops across the run, from the line-up. `take_up`: (mean, standard uncertainty) of
    what packs give of what they should.
    """
    posts = (post for post in run.posts if only is None or post.name in only)
    leans = [(post, lean) for post in posts if (lean := _lean_to_plan(post)) is not None]
    return tuple(
        plan_post(post, run, lean, take_up, (aims_mm or {}).get(post.name, 0.0)) for post, lean in leans
    )


def _lean_to_plan(post: PostRecord) -> Lean | None:
    """The lean of a post that is read, wants packs and has nothing under it; None for all others.

    A post that is out with packs under it is changed where it stands, not planned anew; one that was changed
    since it was read, or on which two crews' logs do not agree, is read again first.
    """
    if post.packs_in_place or post.counts is None or not post.wants_answer:
        return None
    return post.counts.lean


def plan_site_run(
    site: Site,
    job: str,
    run: str,
    *,
    seconds: float = SECONDS,
    off_mm: Mapping[str, float] | None = None,
    progress: Callable[[float, float | None], None] | None = None,
    stop: Callable[[], bool] | None = None,
    only: Collection[str] | None = None,
) -> RunPlan:
    """Plan all posts of a run that are read and not yet packed; nothing is logged.

    `off_mm`: aim at the targets of the line-up of feet that stand so far off the string (by post, + out).
    `only`: just these posts, from what no other waits for, and quickly: the work is counted, not timed.
    UsageError when no post of the run is ready to be planned.
    """
    from shimfit.workflow.packs import book_of, of_lots, options_of, scatter_of
    from shimfit.workflow.runs import line_up_run

    most_s, state, box = seconds_allowed(seconds), site.run(job, run), site.box()
    known = of_lots(book_of(site, job), box.lots)
    legs = () if off_mm is None else line_up_run(state, off_mm)
    aims = {target.name: target.aim_across_mm for leg in legs for target in leg.targets}
    posts = posts_to_plan(state, aims, (known.mean, known.u_next), only)
    if not posts:
        raise UsageError(
            f"{job}/{run}: no post is read and waiting for packs; read some first "
            "(both directions, stood or --bed)"
        )
    options = options_of(state, site.settings, site_scatter=scatter_of(site, job).factor)
    names = {post.name for post in posts}
    kept, basis = _kept(site, job, run, names), _basis(site, job, run, names)
    lots = box.stock.without(kept, options.saw.kerf_mm)
    if only is None:
        key = (site.journal.path, job, run)
        if (earlier := _EARLIER.get(key)) is None:
            _EARLIER.clear()
            earlier = _EARLIER[key] = Earlier()
        effort = Effort(stop=stop, progress=progress)
    else:
        earlier, effort = None, Effort(quick=True, swaps=False)
    done = plan(posts, lots, options, solver(), seconds=most_s, effort=effort, earlier=earlier)
    stands = [] if only is not None or off_mm else _on_file(site, state, posts, kept)
    if stands and (begun := _beside(stands, posts, box.stock.without(
        [*kept, *_packs(stands)], options.saw.kerf_mm), options, done)):  # fmt: skip
        done = begun
    else:
        stands = []
    chances = _chances(done, options)
    # The pieces with the copies that the box knows, of which the plan was offered only some; leans and limits
    # as read, and rests as little as the packs give.
    new = [one for one in done.planned if one not in stands]
    gone = [*kept, *_packs(stands)]
    numbered = iter(box.stock.numbered(_packs(new), gone, kerf_mm=options.saw.kerf_mm))
    as_read = {post.name: post for post in posts_to_plan(state, aims, only=only)}
    made_new = {
        one.post.name: replace(
            one,
            packs=tuple(next(numbered) for _ in one.packs),
            resting=scaled_rest(one.resting, known.mean),
        )
        for one in new
    }
    planned = tuple(
        replace(made_new.get(one.post.name, one), post=as_read[one.post.name]) for one in done.planned
    )
    left = box.stock.without([*kept, *_packs(planned)], options.saw.kerf_mm)
    buying = buying_json(done, left, options, stop, shop(state.units))
    unsolved = tuple(replace(one, post=as_read[one.post.name]) for one in done.unsolved)
    done = replace(done, planned=planned, unsolved=unsolved)
    answer = answer_json(done, box.stock, options, chances)
    every: list[Planned | Unsolved] = [*planned, *unsolved]
    given = []
    for one in every:
        record = state.post(one.post.name)
        assert record is not None
        made = _prescription(one, done, options, chances.get(one.post.name), known.mean)
        said = cautions_about(made, record, box.lots, options, site.settings)
        given.append((one.post.name, replace(made, cautions=said)))
    return RunPlan({"job": job, "run": run, **answer, **buying}, tuple(given), basis)


def _packs(planned: Iterable[Planned]) -> list[Pack]:
    return [pack for one in planned for pack in one.packs]


def _on_file(site: Site, state: RunState, posts: Sequence[PlanPost], kept: Sequence[Pack]) -> list[Planned]:
    """What an earlier plan gave these posts, as far as it still holds and the box has it."""
    stands = []
    for post in posts:
        record = state.post(post.name)
        answer = None if record is None or asks_again(site, record) else record.answer
        if answer is not None and answer.why == PLANNED and answer.packs and record and record.awaited:
            stands.append(Planned(post, answer.packs, answer.resting, answer.cost.total))
    return [] if site.box().stock.lacking([*kept, *_packs(stands)]) else stands


def _beside(
    stands: Sequence[Planned], posts: Sequence[PlanPost], left: Sequence[Lot], options: Options, anew: Plan
) -> Plan | None:
    """What stands, and the other posts planned from what is left; None where planning anew is as good.

    The others get what the list of what to buy was made with, where that was bought. Where all are served
    anew, only few others are looked at: then it is hardly any work to be no dearer than what is on file.
    """
    if anew.status == "proven" or not (anew.unsolved or 2 * len(stands) >= len(posts)):
        return None
    names = {one.post.name for one in stands}
    rest = plan([post for post in posts if post.name not in names], left, options, solver(), effort=QUICK)
    by_name = {one.post.name: one for one in (*stands, *rest.planned)}
    planned = tuple(by_name[post.name] for post in posts if post.name in by_name)
    objective = cost_of(planned, len(rest.unsolved), options)
    if (len(rest.unsolved), objective) >= (len(anew.unsolved), anew.objective * (1.0 - PROVEN)):
        return None
    why = {one.post.name: one for one in anew.unsolved} | {one.post.name: one for one in rest.unsolved}
    return replace(
        anew,
        status="found",
        objective=objective,
        bound=min(anew.bound, objective),
        planned=planned,
        unsolved=tuple(why[one.post.name] for one in rest.unsolved),
        set_ups_deg=set_ups_deg(planned),
    )


def _kept(site: Site, job: str, run: str, names: Collection[str]) -> list[Pack]:
    """What all other posts wait for."""
    return promised(site, lambda at, post: (at.job, at.run) == (job, run) and post.name in names)


def _basis(site: Site, job: str, run: str, names: Collection[str]) -> object:
    """All that these posts are planned by, to see whether it was changed meanwhile."""
    posts = (post for post in site.run(job, run).posts if post.name in names)
    stand = [(post.name, post.readings, post.packs_in_place, post.state) for post in posts]
    return stand, site.box().lots, _kept(site, job, run, names)


def share_out(site: Site, job: str, run: str, names: Collection[str]) -> None:
    """Answer these posts by one plan, as far as they are read, lean too much and stand bare.

    Whoever read them all at once has no first and last among them, and one plan of all is worked out sooner
    than an answer for each that leaves enough for the others.
    """
    posts = [post for post in site.run(job, run).posts if post.name in names and asks_again(site, post)]
    leans = [(post, lean) for post in posts if (lean := _lean_to_plan(post)) is not None]
    wanted = {post.name for post, lean in leans if not post.tolerance.holds(lean, post.height_mm)}
    if len(wanted) > 1 and not site.journal.read_only:  # what was changed meanwhile keeps what it has
        log_plan(site, job, run, plan_site_run(site, job, run, only=wanted), here(site).own)


def _chances(done: Plan, options: Options) -> Chances:
    """What the next reading will say of each post's packs."""
    return {one.post.name: one.chance(options) for one in done.planned}


def _prescription(
    one: Planned | Unsolved, done: Plan, options: Options, chance: Chance | None, take_up: float
) -> Prescription:
    """The post's own answer; one that gets nothing waits for no pieces, since others have them now."""
    post = one.post
    if isinstance(one, Unsolved):
        packs: tuple[Pack, ...] = ()
        resting = rest_packs(post.foot, post.lean, (), options.preload_mm, rocks_mm=dict(post.feelers))
        status: Status = "gave-up" if done.stopped else "impossible"
        why, cost, within = f"Planned with the others: {one.why}.", Cost(0.0), False
    else:
        packs, resting, why, cost = one.packs, one.resting, PLANNED, Cost(one.cost)
        status = "proven" if done.status == "proven" else "found"
        within = resting.lean is not None and post.tolerance.holds(resting.lean, post.height_mm)
    used = {piece.saw_deg for pack in packs for piece in pack.pieces if piece.saw_deg is not None}
    return Prescription(
        post=post.foot,
        height_mm=post.height_mm,
        lean=post.lean,
        tolerance=post.tolerance,
        packs=packs,
        resting=resting,
        within=within,
        status=status,
        why=why,
        cost=cost,
        take_up=take_up,
        scatter=options.scatter.factor,
        saw_settings_deg=tuple(sorted(used)),
        chance=chance,
    )


@in_one_turn
def log_plan(site: Site, job: str, run: str, made: RunPlan, own: Collection[str] | None = None) -> int | None:
    """Make the plan's answers the posts' own (one transaction); returns how many posts got packs.

    own: settings that a post is answered anew for where they change. None: somebody asked for the plan, which
    is a step to be taken back; else each answer goes with its post.
    None, and nothing is logged: the posts, the box or what others wait for were changed while it was planned.
    """
    if _basis(site, job, run, {name for name, _ in made.prescriptions}) != made.basis:
        return None
    state = site.run(job, run)
    asked = here(site).asked(state.making, state.rule, ("saw_deg",) if own is None else own)
    drafts = [
        site.draft((job, run, name), "prescribed", {"answer": prescription_to_json(answer), "asked": asked})
        for name, answer in made.prescriptions
    ]
    for step in [drafts] if own is None else [[draft] for draft in drafts]:
        site.append(*step)
    return sum(bool(answer.packs) for _, answer in made.prescriptions)


# ---------------------------------------------------------------- the answer


QUICK = Effort(quick=True)
MOST_TO_BUY_FOR = 40
"""Posts not served that a list of what to buy is made for: a longer list is another box."""


def answer_json(done: Plan, stock: Ledger, options: Options, chances: Chances) -> Json:
    """The contract's answer (without the schema number): posts, cuts, what is left over, and the gap."""
    packs = [(one.post.name, pack) for one in done.planned for pack in one.packs]
    out, price, missing = len(done.unsolved), options.costs.unsolved, done.objective - done.bound
    served = done.objective - out * price
    return {
        "status": _status(done),
        "bound": done.bound,
        "objective": done.objective,
        "gap": done.gap,
        # What plans the bound leaves out may do: they might cost less.
        "bound_without": list(done.bound_without),
        "knows_shared": "shared cuts" not in done.bound_without,
        "stopped": done.stopped,
        "unsolved": [one.post.name for one in done.unsolved],
        # A post that is not served costs more than any packs: so many of them the bound leaves room for.
        "more_to_serve": min(out, int(missing / price + 1e-9)),
        # Of what the posts served cost: beside the price of those that are not it would look like little.
        "gap_served": min(1.0, missing / served) if served > 0 else done.gap,
        "why": {one.post.name: one.why for one in done.unsolved},
        "posts": [
            {
                "id": one.post.name,
                "packs": [to_json(pack) for pack in one.packs],
                "resting": resting_to_json(one.resting, one.post.height_mm),
                "cost": one.cost,
                **chance_to_json(chances[one.post.name]),
            }
            for one in done.planned
        ],
        **cuts_json(packs, stock, options.saw),
        "seconds": done.seconds,
    }


def cuts_json(packs: Sequence[tuple[str, Pack]], stock: Ledger, saw: Saw) -> Json:
    """`cuts`, `tapers`, `remainders` and `unsawn` of packs, given as (post, pack) and made from the box.

    The remainders are what the box will hold once these packs are made, however they come to be made in turn.
    """
    after = stock.copy()
    made = after.take(packs, saw.kerf_mm)
    cut = [piece for pack in made.packs for piece in pack.pieces if not piece.is_whole]
    pieces = list(zip(cut, made.cuts, strict=True))
    wedges = [replace(cut, copy=piece.copy or 0) for piece, cut in pieces if piece.is_sawn]
    tapers = [
        {
            "lot": piece.lot,
            "copy": piece.copy,
            "for": cut.goes_to,
            "mark_mm": piece.mark_mm,
            "trim_tip_mm": piece.trim_tip_mm,
            "thickness_mm": piece.thickness_mm,
        }
        for piece, cut in pieces
        if piece.is_marked
    ]
    tapers.sort(key=lambda row: (natural_key(str(row["lot"])), row["copy"] or 0, row["mark_mm"]))
    by_name = {lot.lot: lot for lot in (*stock.lots(), *stock.used_up())}
    before = {lot.lot for lot in stock.lots()}
    return {
        "cuts": cutting.cut_list(by_name, wedges, saw.hold_mm),
        "tapers": tapers,
        "remainders": [lot_json(lot, after) for lot in after.lots() if lot.lot not in before],
        "unsawn": unsawn(stock.lots(), saw),
    }


def buying_json(
    done: Plan,
    left: Sequence[Lot],
    options: Options,
    stop: Callable[[], bool] | None = None,
    offered: Sequence[Lot] = (),
) -> Json:
    """`buy`: the few pieces beside what is `left` of the box that would serve posts not served, and which.

    Left out when all are served, and when somebody waits for an end. Where the time was up, a longer plan
    might serve one or the other without: `more_to_serve` says how many at most.
    """
    if not done.unsolved or done.status == "gave-up" or (stop is not None and stop()):
        return {}
    missing = to_buy([one.post for one in done.unsolved][:MOST_TO_BUY_FOR], left, options, solver(), offered)
    if not missing.lines:
        return {}
    from shimfit.workflow.runs import bought_json

    lines = bought_json(missing.lines, options.saw.kerf_mm)
    return {"buy": {"lines": lines, "serves": list(missing.serves)}}


def lot_json(lot: Lot, stock: Ledger) -> Json:
    """A lot of the box; a remainder says what it was cut from: `cut_from` lot, copy and where it begins."""
    row: Json = to_json(lot)
    parent = stock.parent(lot.lot)
    if parent is not None:
        row["cut_from"] = {"lot": parent.lot, "copy": parent.copy, "start_mm": parent.start_mm}
    return row


def unsawn(lots: Sequence[Lot], saw: Saw) -> list[Json]:
    """Strips that no wedge can be sawn from, each with the reason."""
    found = []
    for strip in lots:
        if not strip.is_sawn or not strip.count:
            continue
        if not saw.settings_deg:
            why = "no saw settings are given, so nothing is sawn (shimfit settings saw_deg, like 0.5 1)"
            found.append({"strip": strip.lot, "why": why})
            continue
        assert strip.length_mm is not None
        assert strip.width_mm is not None
        thin_mm, wide_mm = saw.min_thin_mm, 2.0 * strip.width_mm
        wedge = cutting.Cut(strip.lot, 1, strip.lot, thin_mm=thin_mm, kerf_mm=saw.kerf_mm)
        thick_mm = {deg: thin_mm + wide_mm * math.tan(math.radians(deg)) for deg in saw.settings_deg}
        least = [replace(wedge, saw_deg=deg, thick_mm=mm) for deg, mm in thick_mm.items()]
        takes_mm = min(cutting.takes_mm(strip, [one]) for one in least)
        if strip.length_mm < saw.hold_mm + takes_mm:
            why = (
                f"{strip.length_mm:.0f} mm long: the least wedge takes {math.ceil(takes_mm)} mm, and "
                f"{saw.hold_mm:.0f} mm have to stay to hold it by"
            )
            found.append({"strip": strip.lot, "why": why})
    return found


def _status(done: Plan) -> str:
    """The plan's own word; `impossible` when nothing was stopped and no post that needs packs was served."""
    if done.status == "gave-up" or not done.unsolved or done.stopped:
        return done.status
    return done.status if any(one.packs for one in done.planned) else "impossible"


# ---------------------------------------------------------------- the cut sheet


def cut_list_of(site: Site, job: str, run: str) -> Json:
    """The cut sheet of a run in the plan's form, from the answers that its bare posts wait for.

    Only answers that were planned together, or one alone, make a sheet. Others stand in `alternatives`,
    each with what it would take from the box by itself, and `planned` is False. Posts that nothing could
    serve stand in `unsolved`, with the reason in `why`. UsageError when no post waits for packs.
    """
    from shimfit.workflow.packs import options_of

    state = site.run(job, run)
    bare = [post for post in state.posts if not post.packs_in_place]
    waiting = [(post, post.answer) for post in bare if post.answer is not None and post.awaited]
    unserved = {post.name: post.why for post in bare if post.answer is not None and post.is_stuck}
    if not waiting:
        first = "; plan the run first"
        if unserved:
            names = ", ".join(unserved)
            first = f", and nothing in the box serves post {names}: fill the box, then plan the run"
        raise UsageError(f"{job}/{run}: no post waits for packs{first} (shimfit plan {job}/{run})")
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
                **chance_to_json(answer.chance),
            }
            for post, answer in waiting
        ],
        **cuts(together),
        "alternatives": [
            {"post": name} | {key: one for key, one in cuts({name}).items() if key != "unsawn"}
            for name in lying
            if name not in together
        ],
    }
