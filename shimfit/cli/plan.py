"""Commands for the whole run: plan, cut, rails, lineup, kit, makeup."""

from __future__ import annotations

import argparse
import json
import signal
import sys
import time
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from shimfit.cli.context import open_site, units_of
from shimfit.errors import Exit, FileError, UsageError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from shimfit.cli.io import Commands, Io
    from shimfit.store.state import RunState

RUN = "JOB/RUN"
BAR = 24


def add_parsers(commands: Commands, common: argparse.ArgumentParser) -> None:
    """Add the commands."""
    plan = commands.add_parser(
        "plan",
        parents=[common],
        help="plan all read posts of a run from one box",
        epilog="example: shimfit plan lakeside/boardwalk --seconds 20",
    )
    plan.add_argument("path", metavar=RUN, nargs="?")
    plan.add_argument("--problem", metavar="FILE", help="a problem as JSON instead of a run (- = stdin)")
    plan.add_argument("--seconds", metavar="S", type=float, default=60.0, help="most time to take")
    plan.add_argument("--line-up", action="store_true", help="aim the tops at one line within the tolerance")
    plan.add_argument(
        "--look", action="store_true", help="only look: leave the posts' own answers as they are"
    )
    plan.set_defaults(run=run_plan)

    cut = commands.add_parser("cut", parents=[common], help="cut sheet and pack labels of the plan")
    cut.add_argument("path", metavar=RUN)
    cut.add_argument("--pdf", metavar="FILE", help="write it to print (- = stdout)")
    cut.add_argument("--paper", choices=("a4", "letter"), default="a4")
    cut.set_defaults(run=run_cut)

    rails = commands.add_parser("rails", parents=[common], help="rail lengths between posts as they stand")
    rails.add_argument("path", metavar=RUN)
    rails.add_argument("--at", required=True, metavar="L[,L…]", help="heights of the rails above the feet")
    rails.add_argument("--depth", metavar="L", default="0mm", help="height of the rail itself")
    rails.add_argument("--limit", metavar="L", help="greatest opening between posts")
    rails.add_argument(
        "--turn", type=float, default=-90.0, metavar="DEG", help="corners turn; + = towards out"
    )
    rails.set_defaults(run=run_rails)

    lineup = commands.add_parser("lineup", parents=[common], help="targets that bring the tops onto one line")
    lineup.add_argument("path", metavar=RUN)
    lineup.add_argument(
        "--off", action="append", default=[], metavar="POST=L", help="foot off the string, + towards out"
    )
    lineup.add_argument("--share", type=float, default=0.5, help="part of the tolerance that aims may take")
    lineup.set_defaults(run=run_lineup)

    kit = commands.add_parser(
        "kit", parents=[common], help="what to cut or buy so that 95 %% of posts can be served"
    )
    kit.add_argument("path", metavar=RUN)
    kit.add_argument("--fall", metavar="S", type=float, help="usual fall of the surface (ratio, like 0.01)")
    kit.add_argument("--posts", type=int, metavar="N", help="posts to serve (default: those of the run)")
    kit.set_defaults(run=run_kit)

    makeup = commands.add_parser(
        "makeup", parents=[common], help="make-up sheet: cut lengths, rods, access holes, pressures"
    )
    makeup.add_argument("path", metavar=RUN)
    _makeup_options(makeup)
    makeup.set_defaults(run=run_makeup)


def _makeup_options(parser: argparse.ArgumentParser) -> None:
    lengths = (
        ("--top", "height of the tops above the datum"),
        ("--rail", "height of the bottom rail's lower edge above the bed"),
        ("--rail-depth", "height of the bottom rail itself"),
        ("--hole", "diameter of the access hole"),
        ("--washer", "outer diameter of the washers"),
        ("--washer-hole", "inner diameter of the washers"),
        ("--washer-thick", "thickness of a washer"),
        ("--nut", "height of a nut"),
        ("--past", "thread that shows beyond each nut"),
    )
    for name, text in lengths:
        parser.add_argument(name, required=True, metavar="L", help=text)
    parser.add_argument(
        "--below", action="append", default=[], metavar="NAME=L", help="what the rod passes below, downwards"
    )
    parser.add_argument(
        "--bed", action="append", default=[], metavar="POST=L", help="height of the bed there"
    )
    parser.add_argument("--clamp", required=True, type=float, metavar="N", help="pull of the rod in newtons")
    parser.add_argument("--washer-allows", required=True, type=float, metavar="MPA")
    parser.add_argument("--foot-allows", required=True, type=float, metavar="MPA")
    parser.add_argument(
        "--step", metavar="L", default="1mm", help="lengths on the shop list are rounded up to"
    )


# ---------------------------------------------------------------- plan


def run_plan(args: argparse.Namespace, io: Io) -> int:
    """Plan a run or a problem; 1 when a post can't be served or is predicted out of its tolerance."""
    if (args.path is None) == (args.problem is None):
        raise UsageError("name a run (JOB/RUN) or give --problem FILE, one of the two")
    from shimfit.workflow import plan as planning

    with _interruptible() as stop:
        progress = _bar(io) if not args.json or sys.stderr.isatty() else None
        if args.problem is not None:
            problem = _read_problem(args.problem, io)
            answer = planning.plan_problem(problem, args.seconds, progress, stop)
        else:
            from shimfit.workflow.place import parse_run

            job, run = parse_run(args.path)
            with open_site(args, io, read_only=args.look) as site:
                made = planning.plan_site_run(
                    site, job, run, seconds=args.seconds, line_up=args.line_up, progress=progress, stop=stop
                )
                if not args.look:
                    planning.log_plan(site, job, run, made)
                answer = made.answer
    if answer["stopped"]:
        io.talk("stopped early: this is the best plan so far")
    if args.json:
        io.json(answer)
    else:
        _say_plan(answer, io)
    over = any(_is_out(post) for post in answer["posts"])
    return Exit.OVER if answer["unsolved"] or over else Exit.DONE


def _is_out(post: dict[str, Any]) -> bool:
    return bool(post["packs"]) and post["resting"]["slope_along"] is None


def _read_problem(name: str, io: Io) -> dict[str, Any]:
    text = io.read_text(name)
    try:
        problem = json.loads(text, parse_constant=_no_constant)
    except json.JSONDecodeError as error:
        raise FileError(
            f"{name}, line {error.lineno}, column {error.colno}: not JSON ({error.msg})",
            path=name,
            line=error.lineno,
        ) from error
    except RecursionError as error:
        raise FileError(f"{name}: no problem is nested that deep", path=name) from error
    if not isinstance(problem, dict):
        raise FileError(f"{name}: a problem is one JSON object with posts and stock", path=name)
    return problem


def _no_constant(text: str) -> float:
    raise FileError(f"{text} is no number that a problem can hold")


def _say_plan(answer: dict[str, Any], io: Io) -> None:
    posts = answer["posts"]
    served = [post for post in posts if post["packs"]]
    io.say(
        f"{len(served)} posts packed, {len(posts) - len(served)} stand as they are, "
        f"{len(answer['unsolved'])} not served. Cost {answer['objective']:.1f}, no plan below "
        f"{answer['bound']:.1f}: gap {100 * answer['gap']:.2f} % ({answer['status']})."
    )
    for post in served:
        packs = "; ".join(_pack_words(pack) for pack in post["packs"])
        io.say(f"  {post['id']:>4}  {packs}")
    for name in answer["unsolved"]:
        io.say(f"  {name:>4}  not served: {answer['why'][name]}")
    _say_cuts(answer, io)


def _pack_words(pack: dict[str, Any]) -> str:
    pieces = []
    for piece in pack["pieces"]:
        text = piece["lot"]
        if piece.get("copy"):
            text += f" ({piece['copy']})"
        if piece["form"] == "taper":
            text += f" to {piece['mark_mm']:.1f}"
        elif piece["form"] == "strip":
            text += f" wedge {piece['thin_mm']:.2f}-{piece['thick_mm']:.2f}"
        else:
            text += f" {piece['thickness_mm']:.2f}"
        pieces.append(text)
    return f"{pack['seat']} {pack['made_mm']:.2f}: {' + '.join(pieces)}"


def _say_cuts(answer: dict[str, Any], io: Io) -> None:
    setting = None
    for cut in answer["cuts"]:
        if cut["saw_deg"] != setting:
            setting = cut["saw_deg"]
            io.say(f"Saw at {setting:g}°: trim the first end, turn the strip over after every cut.")
        copy = f" ({cut['copy']})" if "copy" in cut else ""
        marks = ", ".join(f"{p['mark_along_mm']:.1f} {p['for']}" for p in cut["pieces"])
        io.say(f"  strip {cut['strip']}{copy}: {marks}; {cut['left_mm']:.0f} left")
    if answer["cuts"]:
        io.say(
            "Never hold a small offcut by hand near the blade: leave it on the long strip, use a stop and a "
            "hold-down, and wear eye protection."
        )
    for lot in answer["remainders"]:
        io.say(f"  back to the box: {lot['lot']} {lot['form']}, {lot.get('length_mm', 0):.0f} long")


@contextmanager
def _interruptible() -> Iterator[Callable[[], bool]]:
    """Ctrl+C asks the planning to stop with the best so far; a second one ends the program."""
    asked: list[object] = []

    def heard(number: int, frame: object) -> None:
        if asked:
            raise KeyboardInterrupt
        asked.append((number, frame))

    try:
        before = signal.signal(signal.SIGINT, heard)
    except ValueError:  # not the main thread: whoever runs us listens for Ctrl+C
        yield lambda: False
        return
    try:
        yield lambda: bool(asked)
    finally:
        signal.signal(signal.SIGINT, before)


def _bar(io: Io) -> Callable[[float, float | None], None]:
    """Progress on stderr: the bound closing in; twice a second at most."""
    last = [0.0]

    def show(bound: float, best: float | None) -> None:
        now = time.monotonic()
        if now - last[0] < 0.5:
            return
        last[0] = now
        if best is None:
            io.talk(f"  [{'·' * BAR}] no plan below {bound:.1f}")
            return
        share = min(1.0, max(0.0, bound / best)) if best > 0 else 1.0
        full = int(share * BAR)
        io.talk(f"  [{'█' * full}{'·' * (BAR - full)}] {bound:.1f} … {best:.1f}")

    return show


# ---------------------------------------------------------------- cut


def run_cut(args: argparse.Namespace, io: Io) -> int:
    """Print or write the cut sheet of the answers that a run's posts wait for."""
    if args.pdf == "-" and args.json:
        raise UsageError("only one of --pdf - and --json can go to stdout; give the PDF a file")
    from shimfit.workflow.place import parse_run
    from shimfit.workflow.plan import cut_list_of

    job, run = parse_run(args.path)
    with open_site(args, io, read_only=True) as site:
        answer = cut_list_of(site, job, run)
        state, made = site.run(job, run), site.now().isoformat(timespec="seconds")
    if args.pdf:
        io.write_bytes(args.pdf, _cut_pdf(answer, state, made, args.paper))
        if args.pdf != "-":
            io.talk(f"wrote {args.pdf}")
    if args.json:
        io.json(answer)
    elif not args.pdf:
        for post in answer["posts"]:
            packs = "; ".join(_pack_words(pack) for pack in post["packs"])
            io.say(f"  {post['id']:>4}  {packs}")
        _say_cuts(answer, io)
    return Exit.DONE


def _cut_pdf(answer: dict[str, Any], state: RunState, made: str, paper: str) -> bytes:
    from shimfit.model import Face
    from shimfit.report.rows import PLAIN_FACES
    from shimfit.report.sheets import SheetFacts, cut_sheet_pdf

    own = {Face(face): name for face, name in state.face_names}
    facts = SheetFacts(
        job=state.job,
        run=state.name,
        units=state.units,
        faces={**PLAIN_FACES, **own},
        feet={post.name: post.foot for post in state.posts},
        made=made,
        sample=state.sample,
    )
    return cut_sheet_pdf(answer, facts, paper=paper)


# ---------------------------------------------------------------- rails, lineup


def run_rails(args: argparse.Namespace, io: Io) -> int:
    """Print rail lengths; 1 when an opening is over its limit."""
    from shimfit.workflow import standing
    from shimfit.workflow.place import parse_run

    job, run = parse_run(args.path)
    lengths = _lengths(args, io)
    with open_site(args, io, read_only=True) as site:
        state = site.run(job, run)
    heights = [lengths(part) for part in args.at.split(",")]
    found = standing.rails_of(state, heights, lengths(args.depth), turn_deg=args.turn)
    limit = None if args.limit is None else lengths(args.limit)
    openings = standing.openings_of(state, limit, turn_deg=args.turn)
    if args.json:
        io.json(
            {
                "job": job,
                "run": run,
                "rails": [
                    {
                        "from": rail.first,
                        "to": rail.second,
                        "at_mm": rail.at_mm,
                        "length_mm": rail.middle_mm,
                        "top_mm": rail.top_mm,
                        "bottom_mm": rail.bottom_mm,
                        "difference_mm": rail.difference_mm,
                        "square_mm": rail.square_mm,
                        "bevelled_mm": rail.bevelled_mm,
                        "bevel_from_deg": rail.bevel_first_deg,
                        "bevel_to_deg": rail.bevel_second_deg,
                    }
                    for rail in found
                ],
                "openings": [
                    {
                        "from": one.first,
                        "to": one.second,
                        "widest_mm": one.widest_mm,
                        "at_mm": one.at_mm,
                        "limit_mm": one.limit_mm,
                        "over_mm": one.over_mm,
                    }
                    for one in openings
                ],
            }
        )
    else:
        for rail in found:
            io.say(
                f"{rail.first:>4} – {rail.second:<4} at {rail.at_mm:g}: square {rail.square_mm:.1f}, "
                f"bevelled {rail.bevelled_mm:.1f} mm; top {rail.difference_mm:+.1f} against bottom, ends "
                f"{rail.bevel_first_deg:+.2f}° {rail.bevel_second_deg:+.2f}°"
            )
        for one in openings:
            if one.over_mm:
                io.say(f"opening {one.first} – {one.second}: {one.widest_mm:.1f} mm, {one.over_mm:.1f} over")
    return Exit.OVER if any(one.over_mm for one in openings) else Exit.DONE


def run_lineup(args: argparse.Namespace, io: Io) -> int:
    """Print the targets that bring the tops of each leg closest to a line."""
    from shimfit.workflow.place import parse_run
    from shimfit.workflow.standing import line_up_run

    job, run = parse_run(args.path)
    lengths = _lengths(args, io)
    with open_site(args, io, read_only=True) as site:
        state = site.run(job, run)
    legs = line_up_run(state, _pairs(args.off, lengths), args.share)
    if args.json:
        io.json(
            {
                "job": job,
                "run": run,
                "legs": [
                    {
                        "leg": leg.leg,
                        "worst_before_mm": leg.worst_before_mm,
                        "worst_after_mm": leg.worst_after_mm,
                        "targets": [
                            {
                                "post": target.name,
                                "aim_across_mm": target.aim_across_mm,
                                "before_mm": target.before_mm,
                                "after_mm": target.after_mm,
                            }
                            for target in leg.targets
                        ],
                    }
                    for leg in legs
                ],
            }
        )
        return Exit.DONE
    for leg in legs:
        io.say(
            f"leg {leg.leg}: tops within {leg.worst_before_mm:.1f} mm of a line when plumb, "
            f"{leg.worst_after_mm:.1f} mm as aimed"
        )
        for target in leg.targets:
            io.say(
                f"  {target.name:>4}  aim {target.aim_across_mm:+.1f} out   off the line "
                f"{target.before_mm:+.1f} → {target.after_mm:+.1f}"
            )
    return Exit.DONE


# ---------------------------------------------------------------- kit, makeup


def run_kit(args: argparse.Namespace, io: Io) -> int:
    """Print what to cut or buy before the day."""
    from shimfit.workflow.kit import kit_for_run
    from shimfit.workflow.place import parse_run

    job, run = parse_run(args.path)
    with open_site(args, io, read_only=True) as site:
        answer = kit_for_run(site, job, run, fall=args.fall, posts=args.posts)
    if args.json:
        io.json(answer)
    else:
        io.say(answer["words"])
        for line in answer["lines"]:
            io.say(f"  {line['count']:>3} × {line['what']}")
    return Exit.DONE


def run_makeup(args: argparse.Namespace, io: Io) -> int:
    """Print the make-up sheet and the shop list; 1 when a pressure is over the allowable."""
    from shimfit.core import makeup
    from shimfit.workflow.place import parse_run

    job, run = parse_run(args.path)
    lengths = _lengths(args, io)
    with open_site(args, io, read_only=True) as site:
        state = site.run(job, run)
    beds = _pairs(args.bed, lengths)
    build_up = makeup.BuildUp(
        top_height_mm=lengths(args.top),
        below=tuple(_pairs(args.below, lengths).items()),
        bottom_rail_mm=lengths(args.rail),
        bottom_rail_depth_mm=lengths(args.rail_depth),
        access_hole_mm=lengths(args.hole),
        washer_outer_mm=lengths(args.washer),
        washer_hole_mm=lengths(args.washer_hole),
        washer_mm=lengths(args.washer_thick),
        nut_mm=lengths(args.nut),
        past_nut_mm=lengths(args.past),
        clamp_newton=args.clamp,
        washer_allowable_mpa=args.washer_allows,
        foot_allowable_mpa=args.foot_allows,
    )
    named = [(post.name, beds.pop(post.name, 0.0)) for post in state.posts]
    if beds:
        raise UsageError(f"{args.path} has no post {', '.join(beds)}")
    sheet = makeup.make_up(named, state.foot, build_up)
    shop = makeup.shop_list(sheet, lengths(args.step))
    if args.json:
        from dataclasses import asdict

        told = asdict(sheet)
        for pressure, row in zip(sheet.pressures, told["pressures"], strict=True):
            row["share"] = pressure.share
        io.json({"job": job, "run": run, **told, "shop": [asdict(line) for line in shop]})
    else:
        for post in sheet.posts:
            io.say(
                f"{post.name:>4}  post {post.cut_length_mm:.1f}  rod {post.rod_length_mm:.1f}  hole at "
                f"{post.access_hole_height_mm:.1f} mm"
            )
        for pressure in sheet.pressures:
            io.say(
                f"{pressure.what}: {pressure.area_mm2:.0f} mm², {pressure.pressure_mpa:.2f} of "
                f"{pressure.allowable_mpa:g} MPa ({100 * pressure.share:.0f} %)"
            )
        for line in shop:
            io.say(f"{line.count:>3} × {line.what} {line.length_mm:g} mm")
        for caution in sheet.cautions:
            io.say(f"! {caution}")
    return Exit.OVER if any(pressure.share > 1 for pressure in sheet.pressures) else Exit.DONE


# ---------------------------------------------------------------- lengths as typed


def _lengths(args: argparse.Namespace, io: Io) -> Callable[[str], float]:
    from shimfit.entry import parse_length

    units = units_of(args, io)
    return lambda text: parse_length(text, units, zero_ok=True)


def _pairs(given: Sequence[str], lengths: Callable[[str], float]) -> dict[str, float]:
    found = {}
    for text in given:
        name, sign, value = text.partition("=")
        if not sign or not name.strip():
            raise UsageError(f"{text!r}: give it as NAME=LENGTH")
        minus = value.strip().startswith("-")
        length = lengths(value.strip().lstrip("+-"))
        found[name.strip()] = -length if minus else length
    return found
