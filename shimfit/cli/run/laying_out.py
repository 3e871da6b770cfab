"""`shimfit run new`: from a length and a spacing, stations or a table to the posts of a run."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from shimfit.cli.context import RUN, once_called, open_site
from shimfit.cli.run.showing import run_json
from shimfit.entry.lengths import parse_height, parse_leg
from shimfit.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from shimfit.cli.io import Commands, Io
    from shimfit.core.layout import Mark, Opening
    from shimfit.model import Foot
    from shimfit.settings import Units
    from shimfit.workflow.site import Site

MOST_DAYS = 36_500
"""A hundred years: `due --every` takes no more either."""


def add_parser(of_run: Commands, common: argparse.ArgumentParser) -> None:
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
    from shimfit.contract import foot_to_json
    from shimfit.core.tolerance import DEFAULT_TOLERANCE, parse_tolerance
    from shimfit.entry import parse_foot, parse_length
    from shimfit.workflow.place import parse_run

    with open_site(args, io) as site:
        job, name = parse_run(args.path)
        units = args.units or site.journal.job(job).units
        rod_mm = parse_length(args.rod_hole, units, what="rod hole", zero_ok=True)
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
        between = check_room(marks, foot, limit)
        if args.due is not None and not 0 <= args.due <= MOST_DAYS:
            raise UsageError(f"posts can't be due after {args.due} days: give 0 or more, at most {MOST_DAYS}")
        run = site.add_run(
            job,
            name,
            foot=foot,
            height_mm=parse_height(args.height, units),
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
        return io.tell(f"{args.path}: {len(run.posts)} posts laid out", run_json(run), as_json=args.json)


def check_room(marks: Sequence[Mark], foot: Foot, limit_mm: float | None = None) -> tuple[Opening, ...]:
    """The openings between posts on their marks; UsageError when two leave no room between their feet."""
    from shimfit.core.layout import openings

    between = openings(marks, foot, limit_mm)
    for one in between:
        if one.clear_mm <= 0:
            raise UsageError(
                f"posts {one.first} and {one.second} leave no room between their feet: a wrong unit?"
            )
    return between


def _table(args: argparse.Namespace, units: Units, io: Io) -> list[dict[str, Any]] | None:
    """Posts of --table, or None; refuses it beside other ways to lay out."""
    if args.table is None:
        return None
    if args.length or args.turn or args.stations or args.corners:
        raise UsageError("give either --table, or --stations, or --length with its turns")
    from shimfit.workflow.tables import posts_from_csv

    return posts_from_csv(io.read_text(args.table), args.table, units)


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
