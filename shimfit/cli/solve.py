"""`shimfit solve`: one post, no data file."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from shimfit.cli.context import once_called, units_of
from shimfit.errors import EntryError, Exit, UsageError
from shimfit.quantities.typed import parse_height

if TYPE_CHECKING:
    from shimfit.cli.io import Commands, Io

EPILOG = """\
examples:
  shimfit solve "10mm n 5mm o" --height 1000mm --foot 100x100mm
  shimfit solve "1/4 next, 3/8 house" --height 44in --foot 3.5x3.5in --stock fixtures/stock/porch_box_inch.csv
  shimfit solve "2mm n 0" --height 1000mm --foot 100x100mm --now next-house=1,next-out=1.5,prev-out=0.5
"""


def add_parsers(commands: Commands, common: argparse.ArgumentParser) -> None:
    """Add `solve`."""
    solve = commands.add_parser(
        "solve",
        parents=[common],
        help="which edges to pack, with what, for one reading",
        epilog=EPILOG,
    )
    solve.add_argument("entry", metavar="ENTRY", help='as you would say it: "1/4 next, 3/8 house"')
    solve.add_argument(
        "--height", required=True, metavar="L", help="height above the foot that the lean was read at"
    )
    solve.add_argument(
        "--foot",
        required=True,
        metavar="AxB",
        help="size of the foot: along the run x across it, or d90mm when round",
    )
    solve.add_argument(
        "--rod-hole",
        metavar="L",
        default="14mm",
        help="diameter of the rod's hole in the foot (default 14mm)",
    )
    once_called(solve, "--rod", "rod_hole")
    solve.add_argument(
        "--tolerance",
        metavar="T",
        help="how far off plumb is allowed: 1:500 (default), 3mm/1m, 2mm/m, 0.1deg or a preset's name",
    )
    solve.add_argument(
        "--per-direction",
        action="store_true",
        help="the tolerance holds in each direction by itself, not over both together",
    )
    solve.add_argument(
        "--stock",
        metavar="FILE.csv",
        help="the packs that you have, as a stock file; without it the exact thicknesses are told",
    )
    solve.add_argument("--now", metavar="SEAT=L,…", help="packs that the post already stands on")
    solve.add_argument(
        "--layout",
        choices=("corners", "tripod", "one-way", "auto"),
        default="corners",
        help="corners (default), middles of the low edges, the middle of one, or whichever is best",
    )
    solve.add_argument("--units", choices=("mm", "inch"), help="what a bare number means")
    solve.add_argument("--sure", action="store_true", help="take it although it looks like a slip")
    solve.set_defaults(run=run)


def run(args: argparse.Namespace, io: Io) -> int:
    """Answer for one post; 1 when the predicted rest is over tolerance or nothing can be done."""
    from shimfit.entry import EntrySettings, hear, parse_foot, parse_length
    from shimfit.entry.second_look import looks_like_a_slip, second_look
    from shimfit.model import Lean
    from shimfit.quantities.tolerance import DEFAULT_TOLERANCE, parse_tolerance
    from shimfit.workflow.by_hand import parse_seat_lengths
    from shimfit.workflow.solving import Question, solve_once

    units = units_of(args, io)
    heard = hear(args.entry, EntrySettings(units=units))
    if heard.half:
        missing = "out or house (across the run)" if heard.along else "next or prev (along the run)"
        raise EntryError(
            f"only half read: how far {missing}? 0 is an answer too, like {args.entry.strip()} 0",
            at=len(args.entry),
        )
    if heard.is_gauge_only:
        raise EntryError(
            "a length to read over is no reading: how far is the top out of plumb?", at=len(args.entry)
        )
    height_mm = parse_height(args.height, units)
    foot = parse_foot(
        args.foot, units, rod_hole_mm=parse_length(args.rod_hole, units, what="rod hole", zero_ok=True)
    )
    tolerance = parse_tolerance(args.tolerance or DEFAULT_TOLERANCE, args.per_direction, units)
    now = parse_seat_lengths(args.now, units) if args.now else None
    doubt = None if args.sure else second_look(heard, None, only_tightened=False, height_mm=height_mm)
    if doubt is not None:
        raise looks_like_a_slip(doubt)
    lots = None
    if args.stock is not None:
        from shimfit.core.stock import lots_from_csv

        lots = lots_from_csv(io.read_text(args.stock), args.stock)
    slope_along, slope_across = heard.slopes(height_mm)
    if slope_along is None or slope_across is None:
        raise UsageError("a reading of both directions is wanted")
    lean = Lean(slope_along, slope_across)
    answer = solve_once(Question(foot, height_mm, lean, tolerance, lots=lots, now=now, layout=args.layout))
    if args.json:
        from shimfit.contract import prescription_to_json
        from shimfit.core.foot import gap_plane

        plane = gap_plane(foot, answer.lean)
        io.json(prescription_to_json(answer, entry=args.entry, understood=heard.words, plane=plane))
    else:
        from shimfit.cli.saying import answer_lines
        from shimfit.settings import load

        typed_inches = any(
            part is not None and part.unit in ("in", "in/ft") for part in (heard.along, heard.across)
        )
        for line in answer_lines(answer, heard.words, load({}), "inch" if typed_inches else units):
            io.say(line)
    solved = answer.within and answer.status in ("proven", "found")
    return Exit.DONE if solved else Exit.OVER
