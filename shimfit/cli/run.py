"""Commands for jobs and runs: begin a job, lay a run out, show it, write its posts, change its posts."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import asdict, replace
from shlex import quote
from typing import TYPE_CHECKING, Any

from shimfit.cli.io import Args, Io, answered_again, open_run, open_site, words_of
from shimfit.codec import to_json, tolerance_to_json
from shimfit.core.foot import check_foot
from shimfit.entry import EntrySettings
from shimfit.errors import UsageError
from shimfit.model import Face, Foot, Tolerance
from shimfit.outputs import POSTS_CSV
from shimfit.quantities import shown
from shimfit.quantities.shown import refused_in
from shimfit.quantities.typed import (
    DEFAULT_TOLERANCE,
    parse_foot,
    parse_height,
    parse_kerf,
    parse_leg,
    parse_length,
    parse_rod_at,
    parse_spacing,
    parse_tolerance,
)
from shimfit.settings import Units
from shimfit.standing import FACTS, PostRecord, RunState, standing_json
from shimfit.workflow.site import parse_run

if TYPE_CHECKING:
    from shimfit.core.layout import Mark
    from shimfit.text.phrases import Words

OPTIONS = ("tolerance", "rule", "height", "level", "faces", "layout", "rod_at", "kerf")
"""Options of a run that `run set` changes."""


def run_job_new(args: Args, io: Io) -> int:
    """Begin a job."""
    with open_site(args, io, makes=True) as site:
        name = site.add_job(args.name, units=args.units)
        words = f"job {name} is ready; lay out a run with: shimfit run new {quote(f'{name}/RUN')} …"
        return io.tell(words, {"job": name})


def run_job_list(args: Args, io: Io) -> int:
    """List jobs and their runs."""
    with open_site(args, io, read_only=True) as site:
        jobs = [(job, [site.run(job.name, name) for name in job.runs]) for job in site.jobs()]
    said = [] if jobs else ["no jobs yet: shimfit job new NAME, or shimfit demo for the sample"]
    rows: list[dict[str, Any]] = []
    for job, runs in jobs:
        said.append(f"{job.name}{' (sample)' if job.sample else ''}")
        rows.append({"job": job.name, "sample": job.sample, "units": job.units, "runs": []})
        for run in runs:
            posts, left = len(run.posts), len(run.left_to_do)
            reported = f"{posts} posts, {left} left to do; tolerance {tolerance_words(run.tolerance)}"
            said.append(f"  {job.name}/{run.name}: {reported}")
            rows[-1]["runs"].append({"run": run.name, "posts": posts, "left_to_do": left})
    return io.tell(said, {"jobs": rows})


def run_set(args: Args, io: Io) -> int:
    """Change options of a run; say, or show, what the records of a job or a run state beside readings."""
    from shimfit.workflow.layout import set_option

    job, run = parse_run(args.path) if "/" in args.path else (args.path, None)
    given = {key: text.strip() or None for key in FACTS if (text := getattr(args, key)) is not None}
    options = {name: text for name in OPTIONS if (text := getattr(args, name, None)) is not None}
    if options and run is None:
        raise UsageError(f"that is a run's own: say which, like {job}/boardwalk")
    with open_site(args, io, read_only=not (given or options)) as site:
        for name, text in options.items():
            set_option(site, job, str(run), name.removesuffix("_at"), text)
        if options:
            answered_again(site, io, job)
        if given:
            site.tell(job, run, given)
        facts = dict(site.facts(job, run))
    said = [f"{name.replace('_', ' ')}: {text}" for name, text in options.items()]
    if given or not options:
        said += [f"{name}: {facts.get(key, 'not given')}" for key, name in FACTS.items()]
    reported = {key: facts.get(key) for key in FACTS}
    return io.tell(said, {"job": job, "run": run, "facts": reported, "options": options})


def run_job_takeup(args: Args, io: Io) -> int:
    """Say what packs give on a deck, by material; or forget it."""
    from shimfit.core.takeup import TakeUp
    from shimfit.workflow.packs import book_of, reset, scatter_of

    with open_site(args, io, read_only=not args.reset) as site:
        if args.reset:
            return io.tell(reset(site, args.name), {"job": args.name})
        site.journal.job(args.name)
        book, scatter = book_of(site, args.name), scatter_of(site, args.name)
    known = []
    said = [] if book else [TakeUp().words]
    for name, one in book.items():
        said.append(f"{name or 'packs of unknown material'}: {one.words}, ± {shown.share(2 * one.u)} (k = 2)")
        known.append({"material": name, "take_up": one.mean, "u": one.u, "corrections": one.corrections})
    of_posts = f" (from {shown.counted(scatter.posts, 'post')})" if scatter.posts else ""
    said.append(f"seats and packs: {scatter.words}{of_posts}")
    learned = {"scatter": scatter.factor, "scatter_posts": scatter.posts}
    return io.tell(said, {"job": args.name, "materials": known, **learned})


# ---------------------------------------------------------------- a run


def run_new(args: Args, io: Io) -> int:
    """Lay out a run."""
    from shimfit.core.rails import openings, upright
    from shimfit.workflow.instruments import fitness
    from shimfit.workflow.layout import post_rows
    from shimfit.workflow.tables import posts_from_csv

    job, name = parse_run(args.path)
    with open_site(args, io) as site, refused_in(args.units or site.journal.job(job).units) as units:
        rod_mm = parse_length(args.rod_hole, units, what="rod hole", zero_ok=True)
        names = _names(args.names)
        rod_at_mm = parse_rod_at(args.rod_at, units, names)

        def foot_of(text: str) -> Foot:
            return check_foot(replace(parse_foot(text, units, rod_hole_mm=rod_mm), rod_at_mm=rod_at_mm))

        foot = foot_of(args.foot)
        tolerance = parse_tolerance(args.tolerance or DEFAULT_TOLERANCE, args.per_direction, units)
        if args.table is not None:
            posts = posts_from_csv(*io.text_of(args.table), units, tolerance)
        else:
            posts = post_rows(_marks(args, units))
        limit_mm = parse_length(args.opening, units, what="opening") if args.opening else None
        heavy = foot_of(args.corner_foot) if args.corner_foot else None
        for post in posts:
            if heavy is not None and post["kind"] != "line":
                post.setdefault("foot", to_json(heavy))
        run = site.add_run(
            job,
            name,
            foot=foot,
            height_mm=parse_height(args.height, units),
            tolerance=tolerance,
            posts=posts,
            units=units,
            face_names=names,
            layout=args.layout,
            due_days=args.due_days,
            max_spacing_mm=parse_spacing(args.every, units) if args.every else None,
            opening_limit_mm=limit_mm,
            kerf_mm=None if args.kerf is None else parse_kerf(args.kerf, units),
        )
        for one in openings(upright(run.marks, run.foot, run.feet), limit_mm or math.inf):
            if one.over_mm > 0:
                clear, over = (shown.lean(mm, units) for mm in (one.widest_mm, one.over_mm))
                gap = f"the opening {one.first}-{one.second} is {clear}"
                io.talk(f"caution: {gap}, {over} over your limit")
        # What the instrument in use can't decide on the runs that there are.
        instrument = site.box().instrument(site.settings.instrument) if site.settings.instrument else None
        for words in () if instrument is None else fitness(site, instrument):
            io.talk(f"caution: {shown.sentence(words, units)}")
        return io.tell(f"{args.path}: {len(run.posts)} posts laid out", run_json(run))


def _marks(args: Args, units: Units) -> tuple[Mark, ...]:
    from shimfit.core.layout import from_stations, lay_out

    def listed(text: str) -> list[float]:
        parts = [part for part in text.split(",") if part.strip()]
        return [parse_length(part, units, what="station", zero_ok=True) for part in parts]

    if args.stations:
        return from_stations(listed(args.stations), listed(args.corners))
    if not args.length or not args.every:
        raise UsageError("give --length and --every (and --turn for each further leg), or --stations")
    said = args.units is not None
    turns = [parse_leg(text, units, said=said) for text in args.turn]
    legs_mm = [parse_spacing(args.length, units, "leg", said=said), *(mm for mm, _ in turns)]
    return lay_out(legs_mm, parse_spacing(args.every, units), [deg for _, deg in turns])


def _names(text: str | None) -> dict[str, str] | None:
    if text is None:
        return None
    names = [name.strip() for name in text.split(",")]
    if len(names) != 4 or not all(names):
        raise UsageError("--names takes four: next,prev,out,house, for example --names=gate,pier,lake,path")
    named = dict(zip(("next", "prev", "out", "house"), names, strict=True))
    EntrySettings(faces=named)  # refuses names that can't be told apart
    return {face: name for face, name in named.items() if face != name}


# ---------------------------------------------------------------- where the posts stand


def run_show(args: Args, io: Io) -> int:
    """Show where every post of a run stands."""
    from shimfit.workflow.packs import as_told

    with open_run(args, io) as (site, run):
        # All of it is read before anything is said: damage is an error, not half a run.
        data = run_json(as_told(site, run)) if io.as_json else {}
        said = [] if io.as_json else list(_run_lines(run, words_of(run, site.settings)))
    return io.tell(said, data)


def _run_lines(run: RunState, words: Words) -> Iterator[str]:
    from shimfit.report.words import foot as foot_words
    from shimfit.text.phrases import rod_words, score_words

    foot, height = foot_words(run.foot, run.units), shown.lean(run.height_mm, run.units, words.graduation)
    limit = f"tolerance {tolerance_words(run.tolerance)}"
    yield f"{run.job}/{run.name}: foot {foot}, read at {height}, {limit}"
    off, kerf_mm = rod_words(run), run.making.kerf_mm
    rod = [f"rod off the middle: {off}"] if off else []
    cuts = f"saw cuts {shown.sized(kerf_mm, words.units)} wide" if kerf_mm else "nothing is lost in a cut"
    saw = [] if kerf_mm is None else [cuts]
    if rod or saw:
        yield f"  {', '.join((*rod, *saw))}"
    yield from (f"  ! {remark}" for remark in run.remarks)
    for post in run.posts:
        own = "" if post.tolerance == run.tolerance else f"  tolerance {tolerance_words(post.tolerance)}"
        yield post_line(post, words) + own
        if post.conflict:
            yield f"      ! {post.conflict}"
    yield f"{len(run.left_to_do)} of {len(run.posts)} left to do"
    if reported := score_words(run.score):
        yield reported


def run_export(args: Args, io: Io) -> int:
    """Write the posts of a run as CSV."""
    from shimfit.workflow.tables import posts_to_csv

    with open_run(args, io) as (_, run):
        text = posts_to_csv(run)
    return io.export(args, text.encode(), POSTS_CSV, {"posts": len(run.posts)})


def run_json(run: RunState) -> dict[str, Any]:
    """A run and where every post stands, as `run show --json` and `run new --json` give it."""
    plain = ("leg", "station_mm", "kind", "turn_deg")
    return {
        "job": run.job,
        "run": run.name,
        "foot": to_json(run.foot),
        "height_mm": run.height_mm,
        "tolerance": tolerance_to_json(run.tolerance, run.height_mm),
        "units": run.units,
        "kerf_mm": run.making.kerf_mm,
        "score": asdict(run.score),
        "remarks": list(run.remarks),
        "posts": [
            {
                "post": post.name,
                **{key: getattr(post, key) for key in plain},
                "foot": to_json(post.foot),
                **standing_json(post),
                "tolerance": tolerance_to_json(post.tolerance, post.height_mm),
                "reading": to_json(post.reading) if post.reading else None,
                "packs_in_place": to_json(post.packs_in_place),
                "prescribed": to_json(post.answer.packs) if post.answer else [],
                "rounds": post.rounds,
                "conflict": post.conflict,
                "notes": list(post.notes),
            }
            for post in run.posts
        ],
    }


def tolerance_words(tolerance: Tolerance) -> str:
    """`1:500`, or `1:500 in each direction` where each is judged by itself."""
    return tolerance.text + (" in each direction" if tolerance.per_direction else "")


def post_line(post: PostRecord, words: Words) -> str:
    """Where a post stands, in a line of `run show`."""
    lean = post.reading.lean if post.reading else None
    leans = ""
    if lean is not None:
        top_mm, ways = lean.top_mm(post.height_mm), ((Face.NEXT, Face.PREV), (Face.OUT, Face.HOUSE))
        parts = (
            f"{shown.lean(mm, words.units, words.graduation)} {words.names[way[mm < 0]]}"
            for mm, way in zip(top_mm, ways, strict=True)
        )
        leans = f"{'was' if post.changed else 'top'} {', '.join(parts)}"
    corner = "" if post.kind == "line" else f" ({post.kind})"
    station = shown.lean(post.station_mm, words.units, words.graduation)
    return f"  {post.name + corner:<12} {station:>12}  {post.state:<18} {leans}".rstrip()


# ---------------------------------------------------------------- one post of a run


def run_insert(args: Args, io: Io) -> int:
    """Insert a post between two others."""
    from shimfit.workflow.layout import insert_post, station_words

    with open_site(args, io) as site:
        new = insert_post(site, *parse_run(args.path), args.at, args.name)
        return io.tell(station_words(site, new), {"post": new.post})
