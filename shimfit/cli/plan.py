"""Commands for the whole run from one box: plan, cut."""

from __future__ import annotations

import argparse
import json
import signal
import sys
import time
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from shimfit.cli.context import open_site
from shimfit.errors import Exit, FileError, UsageError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from shimfit.cli.io import Commands, Io
    from shimfit.store.state import RunState

RUN = "JOB/RUN"
BAR = 24


def add_parsers(commands: Commands, common: argparse.ArgumentParser) -> None:
    """Add `plan` and `cut`."""
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
