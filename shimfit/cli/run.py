"""Commands for runs: lay one out, show it, write its posts, change which posts it has."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from shimfit.cli.context import RUN, add_force, once_called, open_site, told_in
from shimfit.errors import Exit, UsageError
from shimfit.model import Face
from shimfit.outputs import POSTS_CSV
from shimfit.quantities import shown
from shimfit.quantities.typed import parse_height, parse_leg, parse_rod_at

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from shimfit.cli.io import Commands, Io
    from shimfit.core.layout import Mark, Opening
    from shimfit.model import Foot, Tolerance
    from shimfit.settings import Units
    from shimfit.standing import PostRecord, RunState
    from shimfit.text.phrases import Words
    from shimfit.workflow.site import Site


def add_parsers(commands: Commands, common: argparse.ArgumentParser) -> None:
    """Add `run`."""
    run = commands.add_parser(
        "run",
        help="lay out a run, show it, change its posts",
        epilog="example:\n  shimfit run show lakeside/boardwalk",
    )
    of_run = run.add_subparsers(metavar="WHAT", required=True)
    _add_new(of_run, common)
    show = of_run.add_parser("show", parents=[common], help="where every post stands")
    show.add_argument("path", metavar=RUN, help="the run, like lakeside/boardwalk")
    show.set_defaults(run=run_show)
    export = of_run.add_parser(
        "export", parents=[common], help="write the posts as CSV, with the latest readings"
    )
    export.add_argument("path", metavar=RUN, help="the run, like lakeside/boardwalk")
    export.add_argument("file", metavar="FILE", help="where to write; - is stdout")
    add_force(export)
    export.set_defaults(run=run_export)
    insert = of_run.add_parser(
        "insert",
        parents=[common],
        help="insert a post between two others",
        epilog="example:\n  shimfit run insert lakeside/boardwalk --at 1800mm",
    )
    insert.add_argument("path", metavar=RUN, help="the run, like lakeside/boardwalk")
    insert.add_argument("--at", required=True, metavar="L", help="station: distance from the run's start")
    insert.add_argument("--name", metavar="POST", help="default: the post before it with a letter")
    insert.set_defaults(run=run_insert)
    move = of_run.add_parser(
        "move",
        parents=[common],
        help="move a post along its leg",
        epilog="example:\n  shimfit run move lakeside/boardwalk/3 --at 2450mm",
    )
    move.add_argument("place", metavar="JOB/RUN/POST", help="the post, like lakeside/boardwalk/7")
    move.add_argument(
        "--at", required=True, metavar="L", help="its new station: distance from the run's start"
    )
    move.set_defaults(run=run_move)
    remove = of_run.add_parser("remove", parents=[common], help="take a post out; its log stays")
    remove.add_argument("place", metavar="JOB/RUN/POST", help="the post, like lakeside/boardwalk/7")
    remove.set_defaults(run=run_remove)


# ---------------------------------------------------------------- run new


MOST_DAYS = 36_500
"""A hundred years: `due --every` takes no more either."""


def _add_new(of_run: Commands, common: argparse.ArgumentParser) -> None:
    """Add `run new`."""
    new = of_run.add_parser(
        "new",
        parents=[common],
        help="lay out a run: evenly spaced posts, corners, ends",
        epilog="example:\n  shimfit run new lakeside/boardwalk --length 6m --turn 3.6m --every 1200 "
        "--foot 90x90mm --height 1000mm --tolerance 1:500",
    )
    new.add_argument("path", metavar=RUN, help="the run, like lakeside/boardwalk")
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
    new.add_argument(
        "--every", metavar="L", help="greatest spacing: posts are spread evenly, none farther apart"
    )
    new.add_argument("--stations", metavar="L,L,…", help="instead: the stations, measured from the start")
    new.add_argument("--table", metavar="FILE.csv", help="instead: a table of posts (post, station_mm, …)")
    new.add_argument(
        "--corners", metavar="L,L,…", default="", help="with --stations: which of them are corners"
    )
    new.add_argument(
        "--foot",
        required=True,
        metavar="AxB",
        help="size of the foot: along the run x across it, or d90mm when round",
    )
    new.add_argument(
        "--rod-hole",
        metavar="L",
        default="14mm",
        help="diameter of the rod's hole in the foot (default 14mm)",
    )
    once_called(new, "--rod", "rod_hole")
    new.add_argument(
        "--rod-at",
        metavar="FACE=L,…",
        default="0",
        help="where the rod pulls when not in the middle of the foot, like next=5mm,house=3mm",
    )
    new.add_argument("--kerf", metavar="L", help="width of the saw's cut (default 2.5mm)")
    new.add_argument(
        "--height", required=True, metavar="L", help="height above the foot that leans are read at"
    )
    new.add_argument(
        "--tolerance",
        metavar="T",
        help="how far off plumb is allowed: 1:500 (default), 3mm/1m, 2mm/m, 0.1deg or a preset's name",
    )
    new.add_argument(
        "--per-direction",
        action="store_true",
        help="the tolerance holds in each direction by itself, not over both together",
    )
    new.add_argument(
        "--corner-foot", metavar="AxB", help="foot of the corner and end posts when it is another"
    )
    new.add_argument(
        "--opening", metavar="L", help="greatest clear opening between posts, if there is a limit"
    )
    new.add_argument("--names", metavar="N,P,O,H", help="own names of the faces: next,prev,out,house")
    new.add_argument(
        "--layout",
        choices=("corners", "tripod", "auto"),
        default="corners",
        help="where packs go: corners (default), middles of the low edges, or whichever is best",
    )
    new.add_argument(
        "--due-days",
        dest="due",
        type=int,
        metavar="DAYS",
        help="posts are due to be read again after this many days",
    )
    once_called(new, "--due", "due", type=int)
    new.add_argument("--units", choices=("mm", "inch"), help="what a bare number means (default: the job's)")
    new.set_defaults(run=run_new)


def run_new(args: argparse.Namespace, io: Io) -> int:
    """Lay out a run."""
    from dataclasses import replace

    from shimfit.contract import foot_from_json, foot_to_json
    from shimfit.core.foot import check_foot
    from shimfit.entry import parse_foot, parse_length
    from shimfit.quantities.tolerance import DEFAULT_TOLERANCE, parse_tolerance
    from shimfit.workflow.place import parse_run

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
        table = _table(args, units, tolerance, io)
        marks = _marks(args, units) if table is None else _marks_of_table(table)
        limit = parse_length(args.opening, units, what="opening") if args.opening else None
        heavy = foot_of(args.corner_foot) if args.corner_foot else None
        posts = table or [
            {"name": mark.name, "leg": mark.leg, "station_mm": mark.station_mm, "kind": mark.kind}
            | ({"turn_deg": mark.turn_deg} if mark.turn_deg is not None else {})
            for mark in marks
        ]
        for post in posts:
            if heavy is not None and post["kind"] != "line":
                post.setdefault("foot", foot_to_json(heavy))
        own = {post["name"]: foot_from_json(post["foot"]) for post in posts if post.get("foot")}
        between = check_room(marks, foot, limit, own)
        if args.due is not None and not 0 <= args.due <= MOST_DAYS:
            raise UsageError(f"posts can't be due after {args.due} days: give 0 or more, at most {MOST_DAYS}")
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
            due_days=args.due,
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
        for words in _unfit(site):
            io.talk(f"caution: {shown.sentence(words, units)}")
        return io.tell(f"{args.path}: {len(run.posts)} posts laid out", run_json(run), as_json=args.json)


def check_room(
    marks: Sequence[Mark], foot: Foot, limit_mm: float | None = None, own: Mapping[str, Foot] | None = None
) -> tuple[Opening, ...]:
    """The openings between posts on their marks; UsageError when two leave no room between their feet.

    own: feet of posts that have another than the run's.
    """
    from shimfit.core.layout import openings

    between = openings(marks, foot, limit_mm, own)
    for one in between:
        if one.clear_mm <= 0:
            raise UsageError(
                f"posts {one.first} and {one.second} leave no room between their feet: a wrong unit?"
            )
    return between


def _table(
    args: argparse.Namespace, units: Units, tolerance: Tolerance, io: Io
) -> list[dict[str, Any]] | None:
    """Posts of --table, or None; refuses it beside other ways to lay out."""
    if args.table is None:
        return None
    if args.length or args.turn or args.stations or args.corners:
        raise UsageError("give either --table, or --stations, or --length with its turns")
    from shimfit.workflow.tables import posts_from_csv

    return posts_from_csv(io.read_text(args.table), args.table, units, tolerance)


def _marks_of_table(table: list[dict[str, Any]]) -> tuple[Mark, ...]:
    from shimfit.core.layout import Mark

    return tuple(
        Mark(post["name"], post["leg"], post["station_mm"], post["kind"], post.get("turn_deg"))
        for post in table
    )


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
        raise UsageError("--names wants four: next,prev,out,house, for example --names=gate,pier,lake,path")
    named = dict(zip(("next", "prev", "out", "house"), names, strict=True))
    from shimfit.entry import EntrySettings

    EntrySettings(faces=named)  # refuses names that can't be told apart
    return {face: name for face, name in named.items() if face != name}


def _unfit(site: Site) -> tuple[str, ...]:
    """What the instrument in use can't decide on the runs that there are."""
    name = site.settings.instrument
    instrument = site.box().instrument(name) if name else None
    if instrument is None:
        return ()
    from shimfit.workflow.instruments import fitness

    return fitness(site, instrument)


# ---------------------------------------------------------------- where the posts stand


def run_show(args: argparse.Namespace, io: Io) -> int:
    """Show where every post of a run stands."""
    from shimfit.cli.saying import words_of
    from shimfit.workflow.place import parse_run

    with open_site(args, io, read_only=True) as site:
        run = site.run(*parse_run(args.path))
        words = words_of(run, site.settings)
    if args.json:
        io.json(run_json(run))
        return Exit.DONE
    io.say(
        f"{run.job}/{run.name}: foot {_foot(run.foot, words)}, read at {_told(run.height_mm, words)}, "
        f"tolerance {tolerance_words(run.tolerance)}"
    )
    if run.foot.rod_at_mm != (0.0, 0.0) or run.kerf_mm is not None:
        io.say(f"  {', '.join(_rod_and_saw(run, words))}")
    if run.conflict:
        io.say(f"  ! {run.conflict}")
    for post in run.posts:
        own = "" if post.tolerance == run.tolerance else f"  tolerance {tolerance_words(post.tolerance)}"
        io.say(_post_line(post, words) + own)
        if post.conflict:
            io.say(f"      ! {post.conflict}")
    io.say(f"{len(run.left_to_do)} of {len(run.posts)} left to do")
    return Exit.DONE


def run_export(args: argparse.Namespace, io: Io) -> int:
    """Write the posts of a run as CSV."""
    from shimfit.workflow.place import parse_run
    from shimfit.workflow.tables import posts_to_csv

    with open_site(args, io, read_only=True) as site:
        text = posts_to_csv(site.run(*parse_run(args.path)))
    io.write(args.file, text.encode(), POSTS_CSV, args)
    return Exit.DONE


def run_json(run: RunState) -> dict[str, Any]:
    """A run and where every post stands, as `run show --json` and `run new --json` give it."""
    from shimfit.contract import foot_to_json, pack_to_json, reading_to_json, tolerance_to_json
    from shimfit.standing import standing_json

    return {
        "job": run.job,
        "run": run.name,
        "foot": foot_to_json(run.foot),
        "height_mm": run.height_mm,
        "tolerance": tolerance_to_json(run.tolerance, run.height_mm),
        "units": run.units,
        "kerf_mm": run.kerf_mm,
        "posts": [
            {
                "post": post.name,
                "leg": post.leg,
                "station_mm": post.station_mm,
                "kind": post.kind,
                "turn_deg": post.turn_deg,
                "foot": foot_to_json(post.foot),
                **standing_json(post),
                "tolerance": tolerance_to_json(post.tolerance, post.height_mm),
                "reading": reading_to_json(post.reading) if post.reading else None,
                "packs_in_place": [pack_to_json(pack) for pack in post.packs_in_place],
                "prescribed": [pack_to_json(pack) for pack in post.answer.packs] if post.answer else [],
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


def _told(mm: float, words: Words) -> str:
    return shown.lean(mm, words.units, words.graduation)


def _foot(foot: Foot, words: Words) -> str:
    if foot.round or words.units == "mm":
        return foot.text
    return f"{_told(foot.along_mm, words)} x {_told(foot.across_mm, words)}"


def _post_line(post: PostRecord, words: Words) -> str:
    lean = post.reading.lean if post.reading else None
    told = ""
    if lean is not None:
        along, across = lean.top_mm(post.height_mm)
        top = "was" if post.changed else "top"
        told = (
            f"{top} {_told(along, words)} {words.names[Face.NEXT if along >= 0 else Face.PREV]}, "
            f"{_told(across, words)} {words.names[Face.OUT if across >= 0 else Face.HOUSE]}"
        )
    corner = "" if post.kind == "line" else f" ({post.kind})"
    return f"  {post.name + corner:<12} {_told(post.station_mm, words):>12}  {post.state:<18} {told}".rstrip()


# ---------------------------------------------------------------- one post of a run


def run_insert(args: argparse.Namespace, io: Io) -> int:
    """Insert a post between two others."""
    from shimfit.core import layout
    from shimfit.entry import parse_length
    from shimfit.workflow.place import Place, parse_run

    with open_site(args, io) as site:
        job, name = parse_run(args.path)
        run = site.run(job, name)
        station_mm = parse_length(args.at, run.units, what="station", zero_ok=True)
        with told_in(run.units):
            marks = layout.insert(_marks_of(run), station_mm, args.name)
        check_room(marks, run.foot, own=_feet_of(run))
        new = next(mark for mark in marks if run.post(mark.name) is None)
        data = {"leg": new.leg, "station_mm": new.station_mm, "kind": new.kind}
        site.add_post(Place(job, name, new.name), data)
        return io.tell(
            f"post {new.name} stands at {shown.lean(station_mm, run.units)}",
            {"post": new.name},
            as_json=args.json,
        )


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
        check_room(layout.move(_marks_of(run), place.post, station_mm), run.foot, own=_feet_of(run))
        site.move_post(place, station_mm)
        return io.tell(
            f"post {place.post} stands at {shown.lean(station_mm, run.units)}",
            {"post": place.post},
            as_json=args.json,
        )


def run_remove(args: argparse.Namespace, io: Io) -> int:
    """Take a post out of a run."""
    from shimfit.core import layout
    from shimfit.workflow.place import parse_place

    with open_site(args, io) as site:
        place = parse_place(args.place)
        site.post(place)
        layout.remove(_marks_of(site.run(place.job, place.run)), place.post)
        site.remove_post(place)
        return io.tell(
            f"post {place.post} is out of the run; its log is kept", {"post": place.post}, as_json=args.json
        )


def _feet_of(run: RunState) -> dict[str, Foot]:
    return {post.name: post.foot for post in run.posts}


def _marks_of(run: RunState) -> tuple[Mark, ...]:
    from shimfit.core.layout import Mark

    return tuple(Mark(post.name, post.leg, post.station_mm, post.kind, post.turn_deg) for post in run.posts)
