"""Commands for jobs and runs: begin, lay out, show, insert, move and remove posts."""

from __future__ import annotations

import argparse
import math
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from shimfit.cli.context import open_site
from shimfit.errors import Exit, UsageError

if TYPE_CHECKING:
    from shimfit.cli.io import Commands, Io
    from shimfit.store.state import JobState, PostRecord, RunState
    from shimfit.workflow.site import Site

RUN = "JOB/RUN"


def add_parsers(commands: Commands, common: argparse.ArgumentParser) -> None:
    """Add `job` and `run`."""
    job = commands.add_parser(
        "job", help="begin a job, list jobs", epilog="example: shimfit job new lakeside"
    )
    of_job = job.add_subparsers(metavar="WHAT", required=True)
    new = of_job.add_parser("new", parents=[common], help="begin a job")
    new.add_argument("name", metavar="NAME")
    new.add_argument("--units", choices=("mm", "inch"), help="how lengths are typed and shown in it")
    new.set_defaults(run=run_job_new)
    listed = of_job.add_parser("list", parents=[common], help="list jobs and their runs")
    listed.set_defaults(run=run_job_list)

    takeup = of_job.add_parser(
        "takeup", parents=[common], help="what packs on this deck give of what they should"
    )
    takeup.add_argument("name", metavar="NAME")
    takeup.add_argument("--reset", action="store_true", help="forget what was learned, begin anew")
    takeup.set_defaults(run=run_job_takeup)

    run = commands.add_parser("run", help="lay out a run, show it, change its posts")
    of_run = run.add_subparsers(metavar="WHAT", required=True)
    _add_run_new(of_run, common)
    show = of_run.add_parser("show", parents=[common], help="where every post stands")
    show.add_argument("path", metavar=RUN)
    show.set_defaults(run=run_show)
    export = of_run.add_parser(
        "export", parents=[common], help="write the posts as CSV, with the latest readings"
    )
    export.add_argument("path", metavar=RUN)
    export.add_argument("file", metavar="FILE")
    export.set_defaults(run=run_export)
    insert = of_run.add_parser("insert", parents=[common], help="insert a post between two others")
    insert.add_argument("path", metavar=RUN)
    insert.add_argument("--at", required=True, metavar="L", help="station: distance from the run's start")
    insert.add_argument("--name", metavar="POST", help="default: the post before it with a letter")
    insert.set_defaults(run=run_insert)
    move = of_run.add_parser("move", parents=[common], help="move a post along its leg")
    move.add_argument("place", metavar="JOB/RUN/POST")
    move.add_argument("--at", required=True, metavar="L", help="its new station")
    move.set_defaults(run=run_move)
    remove = of_run.add_parser("remove", parents=[common], help="take a post out; its log stays")
    remove.add_argument("place", metavar="JOB/RUN/POST")
    remove.set_defaults(run=run_remove)


def _add_run_new(of_run: Commands, common: argparse.ArgumentParser) -> None:
    new = of_run.add_parser(
        "new",
        parents=[common],
        help="lay out a run: evenly spaced posts, corners, ends",
        epilog="example: shimfit run new lakeside/boardwalk --length 6m --turn 3.6m --every 1200 "
        "--foot 90x90mm --height 1000mm --tolerance 1:500",
    )
    new.add_argument("path", metavar=RUN)
    new.add_argument(
        "--length", metavar="L", help="length of the first leg, middle of post to middle of post"
    )
    new.add_argument(
        "--turn",
        metavar="L[@DEG]",
        action="append",
        default=[],
        help="turn a corner and go on for L, or L@DEG where it is no right angle towards the house "
        "(+ = towards out); may repeat",
    )
    new.add_argument("--every", metavar="L", help="greatest spacing")
    new.add_argument("--stations", metavar="L,L,…", help="instead: the stations, measured from the start")
    new.add_argument("--table", metavar="FILE.csv", help="instead: a table of posts (post, station_mm, …)")
    new.add_argument("--corners", metavar="L,L,…", default="", help="which of the stations are corners")
    new.add_argument("--foot", required=True, metavar="AxB", help="along x across, or d90mm")
    new.add_argument("--rod", metavar="L", default="14mm", help="diameter of the hole in the foot")
    new.add_argument("--height", required=True, metavar="L", help="reading height")
    new.add_argument("--tolerance", metavar="T", help="1:500, 3mm/1m, 2mm/m, 0.1deg or a preset's name")
    new.add_argument(
        "--per-direction", action="store_true", help="apply it to each direction, not the magnitude"
    )
    new.add_argument(
        "--corner-foot", metavar="AxB", help="foot of the corner and end posts when it is another"
    )
    new.add_argument(
        "--opening", metavar="L", help="greatest clear opening between posts, if there is a limit"
    )
    new.add_argument("--names", metavar="N,P,O,H", help="own names of the faces: next,prev,out,house")
    new.add_argument("--layout", choices=("corners", "tripod", "auto"), default="corners")
    new.add_argument(
        "--due", type=int, metavar="DAYS", help="posts are due to be read again after this many days"
    )
    new.add_argument("--units", choices=("mm", "inch"), help="what a bare number means (default: the job's)")
    new.set_defaults(run=run_new)


def run_job_new(args: argparse.Namespace, io: Io) -> int:
    """Begin a job."""
    with open_site(args, io) as site:
        name = site.add_job(args.name, units=args.units)
        return _said(
            {"job": name}, f"job {name} begun; lay out a run with: shimfit run new {name}/RUN …", args, io
        )


def run_job_list(args: argparse.Namespace, io: Io) -> int:
    """List jobs and their runs."""
    with open_site(args, io, read_only=_exists(args)) as site:
        jobs = site.jobs()
        runs = {job.name: [site.run(job.name, name) for name in job.runs] for job in jobs}
    if args.json:
        io.json({"jobs": [_job_json(job, runs[job.name]) for job in jobs]})
        return Exit.DONE
    if not jobs:
        io.say("no jobs yet: shimfit job new NAME, or shimfit demo for the sample")
    for job in jobs:
        io.say(f"{job.name}{' (sample)' if job.sample else ''}")
        for run in runs[job.name]:
            io.say(f"  {job.name}/{run.name}: {len(run.posts)} posts, {len(run.left_to_do)} left to do")
    return Exit.DONE


def run_job_takeup(args: argparse.Namespace, io: Io) -> int:
    """Say what packs give on a deck, by material; or forget it."""
    from shimfit.core.takeup import TakeUp
    from shimfit.workflow.takeup import book_of, reset

    with open_site(args, io) as site:
        if args.reset:
            return _said({"job": args.name}, reset(site, args.name), args, io)
        site.journal.job(args.name)
        book = book_of(site, args.name)
    if args.json:
        known = [
            {"material": name, "take_up": one.mean, "u": one.u, "corrections": one.corrections}
            for name, one in book.items()
        ]
        io.json({"job": args.name, "materials": known})
        return Exit.DONE
    if not book:
        io.say(TakeUp().words)
    for name, one in book.items():
        io.say(f"{name or 'packs of unknown material'}: {one.words}, ± {200 * one.u:.0f} % (k = 2)")
    return Exit.DONE


def run_new(args: argparse.Namespace, io: Io) -> int:
    """Lay out a run."""
    from shimfit.contract import foot_to_json
    from shimfit.core.layout import openings
    from shimfit.core.tolerance import DEFAULT_TOLERANCE, parse_tolerance
    from shimfit.entry import parse_foot, parse_length
    from shimfit.workflow.place import parse_run

    with open_site(args, io) as site:
        job, name = parse_run(args.path)
        units = args.units or site.journal.job(job).units
        rod_mm = parse_length(args.rod, units, what="rod hole", zero_ok=True)
        foot = parse_foot(args.foot, units, rod_hole_mm=rod_mm)
        table = _table(args, units, io)
        marks = _marks(args, units) if table is None else _marks_of_table(table)
        limit = parse_length(args.opening, units, what="opening") if args.opening else None
        heavy = parse_foot(args.corner_foot, units, rod_hole_mm=rod_mm) if args.corner_foot else None
        posts = [
            {"name": mark.name, "leg": mark.leg, "station_mm": mark.station_mm, "kind": mark.kind}
            | ({"foot": foot_to_json(heavy)} if heavy and mark.kind != "line" else {})
            | ({"turn_deg": mark.turn_deg} if mark.turn_deg is not None else {})
            for mark in marks
        ]
        between = openings(marks, foot, limit)
        tight = next((one for one in between if one.clear_mm <= 0), None)
        if tight is not None:
            raise UsageError(
                f"posts {tight.first} and {tight.second} leave no room between their feet: a wrong unit?"
            )
        if args.due is not None and args.due < 0:
            raise UsageError(f"posts can't be due after {args.due} days: give 0 or more")
        run = site.add_run(
            job,
            name,
            foot=foot,
            height_mm=parse_length(args.height, units, what="height"),
            tolerance=parse_tolerance(args.tolerance or DEFAULT_TOLERANCE, args.per_direction, units),
            posts=posts if table is None else table,
            units=units,
            face_names=_names(args.names),
            layout=args.layout,
            due_days=args.due,
            max_spacing_mm=parse_length(args.every, units, what="spacing") if args.every else None,
            opening_limit_mm=limit,
        )
        for opening in between:
            if opening.over_mm > 0:
                io.talk(
                    f"caution: the opening {opening.first}-{opening.second} is {opening.clear_mm:.0f} mm, "
                    f"{opening.over_mm:.0f} mm over your limit"
                )
        for words in _unfit(site):
            io.talk(f"caution: {words}")
        return _said(_run_json(run), f"{args.path}: {len(run.posts)} posts laid out", args, io)


def run_show(args: argparse.Namespace, io: Io) -> int:
    """Show where every post of a run stands."""
    from shimfit.workflow.place import parse_run

    with open_site(args, io, read_only=_exists(args)) as site:
        run = site.run(*parse_run(args.path))
    if args.json:
        io.json(_run_json(run))
        return Exit.DONE
    io.say(
        f"{run.job}/{run.name}: foot {run.foot.text}, read at {run.height_mm:g} mm, "
        f"tolerance {run.tolerance.text}"
    )
    if run.conflict:
        io.say(f"  ! {run.conflict}")
    for post in run.posts:
        io.say(_post_line(post))
        if post.conflict:
            io.say(f"      ! {post.conflict}")
    io.say(f"{len(run.left_to_do)} of {len(run.posts)} left to do")
    return Exit.DONE


def run_export(args: argparse.Namespace, io: Io) -> int:
    """Write the posts of a run as CSV."""
    from shimfit.workflow.place import parse_run
    from shimfit.workflow.tables import posts_to_csv

    with open_site(args, io, read_only=_exists(args)) as site:
        text = posts_to_csv(site.run(*parse_run(args.path)))
    io.write_bytes(args.file, text.encode("utf-8"))
    return Exit.DONE


def run_insert(args: argparse.Namespace, io: Io) -> int:
    """Insert a post between two others."""
    from shimfit.core import layout
    from shimfit.entry import parse_length
    from shimfit.workflow.place import Place, parse_run

    with open_site(args, io) as site:
        job, name = parse_run(args.path)
        run = site.run(job, name)
        marks = layout.insert(
            _marks_of(run), parse_length(args.at, run.units, what="station", zero_ok=True), args.name
        )
        new = next(mark for mark in marks if run.post(mark.name) is None)
        data = {"leg": new.leg, "station_mm": new.station_mm, "kind": new.kind}
        site.add_post(Place(job, name, new.name), data)
        return _said({"post": new.name}, f"post {new.name} stands at {new.station_mm:g} mm", args, io)


def run_move(args: argparse.Namespace, io: Io) -> int:
    """Move a post along its leg."""
    from shimfit.core import layout
    from shimfit.entry import parse_length
    from shimfit.workflow.place import parse_place

    with open_site(args, io) as site:
        place = parse_place(args.place)
        site.post(place)
        run = site.run(place.job, place.run)
        station_mm = parse_length(args.at, run.units, what="station", zero_ok=True)
        layout.move(_marks_of(run), place.post, station_mm)
        site.move_post(place, station_mm)
        return _said({"post": place.post}, f"post {place.post} stands at {station_mm:g} mm", args, io)


def run_remove(args: argparse.Namespace, io: Io) -> int:
    """Take a post out of a run."""
    from shimfit.core import layout
    from shimfit.workflow.place import parse_place

    with open_site(args, io) as site:
        place = parse_place(args.place)
        site.post(place)
        layout.remove(_marks_of(site.run(place.job, place.run)), place.post)
        site.remove_post(place)
        return _said({"post": place.post}, f"post {place.post} is out of the run; its log is kept", args, io)


def _table(args: argparse.Namespace, units: Any, io: Io) -> list[dict[str, Any]] | None:
    """Posts of --table, or None; refuses it beside other ways to lay out."""
    if args.table is None:
        return None
    if args.length or args.turn or args.stations:
        raise UsageError("give either --table, or --stations, or --length with its turns")
    from shimfit.workflow.tables import posts_from_csv

    return posts_from_csv(io.read_text(args.table), args.table, units)


def _marks_of_table(table: list[dict[str, Any]]) -> Any:
    from shimfit.core.layout import Mark

    return tuple(
        Mark(post["name"], post["leg"], post["station_mm"], post["kind"], post.get("turn_deg"))
        for post in table
    )


def _unfit(site: Site) -> tuple[str, ...]:
    """What the instrument in use can't decide on the runs that there are."""
    name = site.settings.instrument
    instrument = site.box().instrument(name) if name else None
    if instrument is None:
        return ()
    from shimfit.workflow.instruments import fitness

    return fitness(site, instrument)


def _marks(args: argparse.Namespace, units: Any) -> Any:
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
    if not args.length or not args.every:
        raise UsageError("give --length and --every (and --turn for each further leg), or --stations")
    turns = [_turn(text) for text in args.turn]
    legs = [parse_length(text, units, what="leg") for text in (args.length, *(length for length, _ in turns))]
    marks = lay_out(legs, parse_length(args.every, units, what="spacing"))
    corners = iter([deg for _, deg in turns])
    return tuple(replace(mark, turn_deg=next(corners)) if mark.kind == "corner" else mark for mark in marks)


def _turn(text: str) -> tuple[str, float | None]:
    """`3.6m@45` → the leg's length as typed and how far the run turns before it; None where it isn't said."""
    length, sign, angle = text.partition("@")
    if not sign:
        return text, None
    try:
        deg = float(angle.strip().removesuffix("deg").removesuffix("°"))
    except ValueError:
        deg = math.nan
    if not math.isfinite(deg) or not 0.0 < abs(deg) < 180.0:
        raise UsageError(
            f"a corner turns by an angle under 180 degrees, like 3.6m@45 or 3.6m@-30, not {text!r}"
        )
    return length, deg


def _marks_of(run: RunState) -> Any:
    from shimfit.core.layout import Mark

    return tuple(Mark(post.name, post.leg, post.station_mm, post.kind, post.turn_deg) for post in run.posts)


def _names(text: str | None) -> dict[str, str] | None:
    if text is None:
        return None
    names = [name.strip() for name in text.split(",")]
    if len(names) != 4 or not all(names):
        raise UsageError("--names wants four: next,prev,out,house, for example --names=gate,pier,lake,path")
    named = dict(zip(("next", "prev", "out", "house"), names, strict=True))
    from shimfit.entry import EntrySettings

    EntrySettings(faces=named)  # refuses names that can't be told apart
    return {face: name for face, name in named.items() if face != name}


def _job_json(job: JobState, runs: Sequence[RunState]) -> dict[str, Any]:
    return {
        "job": job.name,
        "sample": job.sample,
        "units": job.units,
        "runs": [
            {"run": run.name, "posts": len(run.posts), "left_to_do": len(run.left_to_do)} for run in runs
        ],
    }


def _run_json(run: RunState) -> dict[str, Any]:
    from shimfit.contract import foot_to_json, pack_to_json, reading_to_json, tolerance_to_json

    return {
        "job": run.job,
        "run": run.name,
        "foot": foot_to_json(run.foot),
        "height_mm": run.height_mm,
        "tolerance": tolerance_to_json(run.tolerance, run.height_mm),
        "units": run.units,
        "posts": [
            {
                "post": post.name,
                "leg": post.leg,
                "station_mm": post.station_mm,
                "kind": post.kind,
                "turn_deg": post.turn_deg,
                "foot": foot_to_json(post.foot),
                "state": str(post.state),
                "reading": reading_to_json(post.reading) if post.reading else None,
                "packs_in_place": [pack_to_json(pack) for pack in post.packs_in_place],
                "prescribed": [pack_to_json(pack) for pack in post.prescription.packs]
                if post.prescription
                else [],
                "rounds": post.rounds,
                "conflict": post.conflict,
                "notes": [note.text for note in post.notes],
            }
            for post in run.posts
        ],
    }


def _post_line(post: PostRecord) -> str:
    lean = post.reading.lean if post.reading else None
    told = ""
    if lean is not None:
        along, across = lean.top_mm(post.height_mm)
        told = (
            f"top {abs(along):.1f} mm {'next' if along >= 0 else 'prev'}, "
            f"{abs(across):.1f} mm {'out' if across >= 0 else 'house'}"
        )
    corner = "" if post.kind == "line" else f" ({post.kind})"
    return f"  {post.name + corner:<12} {post.station_mm:>8.0f} mm  {post.state:<18} {told}"


def _exists(args: argparse.Namespace) -> bool:
    from shimfit.settings import data_file

    return data_file(args.db).exists()


def _said(data: dict[str, Any], words: str, args: argparse.Namespace, io: Io) -> int:
    if args.json:
        io.json(data)
    else:
        io.say(words)
    return Exit.DONE
