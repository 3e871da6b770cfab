"""Commands for jobs and runs: begin a job, lay a run out, show it, write its posts, change its posts."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from shlex import quote
from typing import TYPE_CHECKING, Any

from shimfit.cli.io import answered_again, open_site, words_of
from shimfit.errors import Exit, UsageError
from shimfit.model import Face, Foot
from shimfit.outputs import POSTS_CSV
from shimfit.quantities import shown
from shimfit.quantities.typed import parse_height, parse_leg, parse_rod_at
from shimfit.standing import FACTS, MOST_DAYS

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from shimfit.cli.io import Io
    from shimfit.core.layout import Mark
    from shimfit.model import Tolerance
    from shimfit.settings import Units
    from shimfit.standing import PostRecord, RunState
    from shimfit.store.journal import JobState
    from shimfit.text.phrases import Words


def run_job_new(args: argparse.Namespace, io: Io) -> int:
    """Begin a job."""
    with open_site(args, io, makes=True) as site:
        name = site.add_job(args.name, units=args.units)
        words = f"job {name} is ready; lay out a run with: shimfit run new {quote(f'{name}/RUN')} …"
        return io.tell(words, {"job": name})


OPTIONS = ("tolerance", "rule", "height", "level", "faces", "layout", "rod_at", "kerf")
"""Options of a run that `run set` changes."""


def run_job_list(args: argparse.Namespace, io: Io) -> int:
    """List jobs and their runs."""
    with open_site(args, io, read_only=True) as site:
        jobs = site.jobs()
        runs = {job.name: [site.run(job.name, name) for name in job.runs] for job in jobs}
    said = [] if jobs else ["no jobs yet: shimfit job new NAME, or shimfit demo for the sample"]
    for job in jobs:
        said.append(f"{job.name}{' (sample)' if job.sample else ''}")
        for run in runs[job.name]:
            reported = f"{len(run.posts)} posts, {len(run.left_to_do)} left to do"
            said.append(f"  {job.name}/{run.name}: {reported}; tolerance {tolerance_words(run.tolerance)}")
    return io.tell(said, {"jobs": [_job_json(job, runs[job.name]) for job in jobs]})


def run_set(args: argparse.Namespace, io: Io) -> int:
    """Change options of a run; say, or show, what the records of a job or a run state beside readings."""
    from shimfit.workflow.layout import set_option
    from shimfit.workflow.site import parse_run

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


def run_job_takeup(args: argparse.Namespace, io: Io) -> int:
    """Say what packs give on a deck, by material; or forget it."""
    from shimfit.core.takeup import TakeUp
    from shimfit.workflow.packs import book_of, reset, scatter_of

    with open_site(args, io, read_only=not args.reset) as site:
        if args.reset:
            return io.tell(reset(site, args.name), {"job": args.name})
        site.journal.job(args.name)
        book, scatter = book_of(site, args.name), scatter_of(site, args.name)
    known = [
        {"material": name, "take_up": one.mean, "u": one.u, "corrections": one.corrections}
        for name, one in book.items()
    ]
    said = [] if book else [TakeUp().words]
    for name, one in book.items():
        said.append(f"{name or 'packs of unknown material'}: {one.words}, ± {shown.share(2 * one.u)} (k = 2)")
    said.append(
        f"seats and packs: {scatter.words}" + (f" (from {scatter.posts} posts)" if scatter.posts else "")
    )
    learned = {"scatter": scatter.factor, "scatter_posts": scatter.posts}
    return io.tell(said, {"job": args.name, "materials": known, **learned})


def _job_json(job: JobState, runs: Sequence[RunState]) -> dict[str, Any]:
    return {
        "job": job.name,
        "sample": job.sample,
        "units": job.units,
        "runs": [
            {"run": run.name, "posts": len(run.posts), "left_to_do": len(run.left_to_do)} for run in runs
        ],
    }


# ---------------------------------------------------------------- a run


def run_new(args: argparse.Namespace, io: Io) -> int:
    """Lay out a run."""
    from dataclasses import replace

    from shimfit.codec import from_json, to_json
    from shimfit.core.foot import check_foot
    from shimfit.core.layout import Mark
    from shimfit.entry import parse_foot, parse_length
    from shimfit.quantities.typed import DEFAULT_TOLERANCE, parse_tolerance
    from shimfit.workflow.instruments import fitness
    from shimfit.workflow.layout import check_room, post_rows
    from shimfit.workflow.site import parse_run
    from shimfit.workflow.tables import posts_from_csv

    with open_site(args, io) as site:
        job, name = parse_run(args.path)
        units = args.units or site.journal.job(job).units
        rod_mm = parse_length(args.rod_hole, units, what="rod hole", zero_ok=True)
        names = _names(args.names)
        rod_at_mm = parse_rod_at(args.rod_at, units, names)

        def foot_of(text: str) -> Foot:
            return check_foot(replace(parse_foot(text, units, rod_hole_mm=rod_mm), rod_at_mm=rod_at_mm))

        foot = foot_of(args.foot)
        tolerance = parse_tolerance(args.tolerance or DEFAULT_TOLERANCE, args.per_direction, units)
        table = None
        if args.table is not None:
            if args.length or args.turn or args.stations or args.corners:
                raise UsageError("give either --table, or --stations, or --length with its turns")
            table = posts_from_csv(io.read_text(args.table), args.table, units, tolerance)
        marks = (
            _marks(args, units)
            if table is None
            else tuple(
                Mark(post["name"], post["leg"], post["station_mm"], post["kind"], post.get("turn_deg"))
                for post in table
            )
        )
        limit = parse_length(args.opening, units, what="opening") if args.opening else None
        heavy = foot_of(args.corner_foot) if args.corner_foot else None
        posts = table or post_rows(marks)
        for post in posts:
            if heavy is not None and post["kind"] != "line":
                post.setdefault("foot", to_json(heavy))
        own = {post["name"]: from_json(Foot, post["foot"]) for post in posts if post.get("foot")}
        between = check_room(marks, foot, limit, own)
        if args.due_days is not None and not 0 <= args.due_days <= MOST_DAYS:
            raise UsageError(
                f"posts can't be due after {args.due_days} days: give 0 or more, at most {MOST_DAYS}"
            )
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
            max_spacing_mm=parse_length(args.every, units, what="spacing") if args.every else None,
            opening_limit_mm=limit,
            kerf_mm=None if args.kerf is None else parse_length(args.kerf, units, what="kerf", zero_ok=True),
        )
        for opening in between:
            if opening.over_mm > 0:
                clear, over = (shown.lean(mm, units) for mm in (opening.clear_mm, opening.over_mm))
                io.talk(
                    f"caution: the opening {opening.first}-{opening.second} is {clear}, "
                    f"{over} over your limit"
                )
        # What the instrument in use can't decide on the runs that there are.
        instrument = site.box().instrument(site.settings.instrument) if site.settings.instrument else None
        for words in () if instrument is None else fitness(site, instrument):
            io.talk(f"caution: {shown.sentence(words, units)}")
        return io.tell(f"{args.path}: {len(run.posts)} posts laid out", run_json(run))


def _marks(args: argparse.Namespace, units: Units) -> tuple[Mark, ...]:
    from shimfit.core.layout import from_stations, lay_out
    from shimfit.entry import parse_length

    def listed(text: str) -> list[float]:
        return [
            parse_length(part, units, what="station", zero_ok=True)
            for part in text.split(",")
            if part.strip()
        ]

    if args.stations:
        if args.length or args.turn:
            raise UsageError("give either the stations, or a length with its turns, not both")
        return from_stations(listed(args.stations), listed(args.corners))
    if args.corners:
        raise UsageError("--corners says which of the --stations are corners; after --length give --turn")
    if not args.length or not args.every:
        raise UsageError("give --length and --every (and --turn for each further leg), or --stations")
    turns = [parse_leg(text, units) for text in args.turn]
    legs_mm = [parse_length(args.length, units, what="leg"), *(mm for mm, _ in turns)]
    return lay_out(legs_mm, parse_length(args.every, units, what="spacing"), [deg for _, deg in turns])


def _names(text: str | None) -> dict[str, str] | None:
    if text is None:
        return None
    names = [name.strip() for name in text.split(",")]
    if len(names) != 4 or not all(names):
        raise UsageError("--names takes four: next,prev,out,house, for example --names=gate,pier,lake,path")
    named = dict(zip(("next", "prev", "out", "house"), names, strict=True))
    from shimfit.entry import EntrySettings

    EntrySettings(faces=named)  # refuses names that can't be told apart
    return {face: name for face, name in named.items() if face != name}


# ---------------------------------------------------------------- where the posts stand


def run_show(args: argparse.Namespace, io: Io) -> int:
    """Show where every post of a run stands."""
    from shimfit.workflow.site import parse_run

    with open_site(args, io, read_only=True) as site:
        run = site.run(*parse_run(args.path))
        # All of it is read before anything is said: damage is an error, not half a run.
        data = run_json(run) if io.as_json else {}
        said = [] if io.as_json else list(_run_lines(run, words_of(run, site.settings)))
    return io.tell(said, data)


def _run_lines(run: RunState, words: Words) -> Iterator[str]:
    from shimfit.text.phrases import score_words

    yield (
        f"{run.job}/{run.name}: foot {_foot(run.foot, words)}, read at {_length(run.height_mm, words)}, "
        f"tolerance {tolerance_words(run.tolerance)}"
    )
    if run.foot.rod_at_mm != (0.0, 0.0) or run.kerf_mm is not None:
        yield f"  {', '.join(_rod_and_saw(run, words))}"
    if run.conflict:
        yield f"  ! {run.conflict}"
    for post in run.posts:
        own = "" if post.tolerance == run.tolerance else f"  tolerance {tolerance_words(post.tolerance)}"
        yield post_line(post, words) + own
        if post.conflict:
            yield f"      ! {post.conflict}"
    yield f"{len(run.left_to_do)} of {len(run.posts)} left to do"
    if reported := score_words(run.score):
        yield reported


def run_export(args: argparse.Namespace, io: Io) -> int:
    """Write the posts of a run as CSV."""
    from shimfit.workflow.site import parse_run
    from shimfit.workflow.tables import posts_to_csv

    with open_site(args, io, read_only=True) as site:
        run = site.run(*parse_run(args.path))
        text = posts_to_csv(run)
    io.write(args.file, text.encode(), POSTS_CSV, args)
    io.wrote(args.file, {"posts": len(run.posts)})
    return Exit.DONE


def run_json(run: RunState) -> dict[str, Any]:
    """A run and where every post stands, as `run show --json` and `run new --json` give it."""
    from dataclasses import asdict

    from shimfit.codec import to_json, tolerance_to_json
    from shimfit.standing import standing_json

    return {
        "job": run.job,
        "run": run.name,
        "foot": to_json(run.foot),
        "height_mm": run.height_mm,
        "tolerance": tolerance_to_json(run.tolerance, run.height_mm),
        "units": run.units,
        "kerf_mm": run.kerf_mm,
        "score": asdict(run.score),
        "posts": [
            {
                "post": post.name,
                "leg": post.leg,
                "station_mm": post.station_mm,
                "kind": post.kind,
                "turn_deg": post.turn_deg,
                "foot": to_json(post.foot),
                **standing_json(post),
                "tolerance": tolerance_to_json(post.tolerance, post.height_mm),
                "reading": to_json(post.reading) if post.reading else None,
                "packs_in_place": [to_json(pack) for pack in post.packs_in_place],
                "prescribed": [to_json(pack) for pack in post.answer.packs] if post.answer else [],
                "rounds": post.rounds,
                "conflict": post.conflict,
                "notes": [note.text for note in post.notes],
            }
            for post in run.posts
        ],
    }


def tolerance_words(tolerance: Tolerance) -> str:
    """`1:500`, or `1:500 in each direction` where each is judged by itself."""
    return tolerance.text + (" in each direction" if tolerance.per_direction else "")


def _rod_and_saw(run: RunState, words: Words) -> Iterator[str]:
    from shimfit.text.phrases import rod_words

    if off := rod_words(run):
        yield f"rod off the middle: {off}"
    if run.kerf_mm is not None:
        yield f"saw cuts {shown.sized(run.kerf_mm, words.units)} wide"


def _length(mm: float, words: Words) -> str:
    return shown.lean(mm, words.units, words.graduation)


def _foot(foot: Foot, words: Words) -> str:
    if foot.round or words.units == "mm":
        return foot.text
    return f"{_length(foot.along_mm, words)} x {_length(foot.across_mm, words)}"


def post_line(post: PostRecord, words: Words) -> str:
    """Where a post stands, in a line of `run show`."""
    lean = post.reading.lean if post.reading else None
    leans = ""
    if lean is not None:
        along, across = lean.top_mm(post.height_mm)
        top = "was" if post.changed else "top"
        leans = (
            f"{top} {_length(along, words)} {words.names[Face.NEXT if along >= 0 else Face.PREV]}, "
            f"{_length(across, words)} {words.names[Face.OUT if across >= 0 else Face.HOUSE]}"
        )
    corner = "" if post.kind == "line" else f" ({post.kind})"
    station = _length(post.station_mm, words)
    return f"  {post.name + corner:<12} {station:>12}  {post.state:<18} {leans}".rstrip()


# ---------------------------------------------------------------- one post of a run


def run_insert(args: argparse.Namespace, io: Io) -> int:
    """Insert a post between two others."""
    from shimfit.workflow.layout import insert_post, station_words
    from shimfit.workflow.site import parse_run

    with open_site(args, io) as site:
        new = insert_post(site, *parse_run(args.path), args.at, args.name)
        return io.tell(station_words(site, new), {"post": new.post})
