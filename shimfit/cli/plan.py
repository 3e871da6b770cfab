"""Commands for the whole run from one box: plan, cut."""

from __future__ import annotations

import argparse
import json
import signal
import sys
import time
from collections.abc import Callable
from typing import Any

from shimfit.cli.io import Io, on_signal, one_to_stdout, open_run, open_site, sheet_facts, words_of
from shimfit.errors import Exit, FileError, UsageError
from shimfit.model import Foot, PostState
from shimfit.quantities.typed import DEFAULT_TOLERANCE, parse_pairs, parse_tolerance
from shimfit.settings import load
from shimfit.standing import RunState
from shimfit.text.plan_phrases import gap_words, outcome_words, plan_lines, progress_bar, progress_words

UNREAD = (PostState.TO_READ, PostState.HALF_READ)


# ---------------------------------------------------------------- plan


def run_plan(args: argparse.Namespace, io: Io) -> int:
    """Plan a run or a problem; 1 when a post can't be served or is predicted out of its tolerance."""
    if (args.path is None) == (args.problem is None):
        raise UsageError("name a run (JOB/RUN) or give --problem FILE, one of the two")
    if args.line_up and not args.off:
        io.talk("caution: no string-line offsets, so all tops are aimed at plumb: add --off POST=L")
    from shimfit.workflow import plan as planning

    unread: list[str] = []
    asked: list[object] = []

    def interrupted(*what: object) -> None:
        if asked:  # the first Ctrl+C stops the planning with the best so far, a second ends the program
            raise KeyboardInterrupt
        asked.append(what)

    with on_signal(signal.SIGINT, interrupted) as is_ours:
        stop = (lambda: bool(asked)) if is_ours else io.stop
        progress = _progress(io) if not args.json or sys.stderr.isatty() else None
        if args.problem is not None:
            problem = _read_problem(args.problem, io)
            answer = planning.plan_problem(problem, args.seconds, progress, stop)
            for remark in answer["remarks"]:
                io.talk(remark)
            # Plain face names and millimetres.
            plain = RunState("", "", Foot(90.0, 90.0), 1000.0, parse_tolerance(DEFAULT_TOLERANCE))
            words = words_of(plain, load({}))
        else:
            from shimfit.workflow.site import parse_run

            job, run = parse_run(args.path)
            with open_site(args, io, read_only=args.look, hold=False) as site:
                off_mm = parse_pairs(args.off, site.run(job, run).units)
                made = planning.plan_site_run(
                    site,
                    job,
                    run,
                    seconds=args.seconds,
                    off_mm=off_mm if args.line_up else None,
                    progress=progress,
                    stop=stop,
                )
                if not args.look and planning.log_plan(site, job, run, made) is None:
                    io.talk(
                        "caution: the run or the box was changed while it was planned: nothing is "
                        "kept of this plan; plan again"
                    )
                answer = made.answer
                state = site.run(job, run)
                words = words_of(state, site.settings)
                unread = [post.name for post in state.posts if post.state in UNREAD]
    rest = [f"not read yet, so not in the plan: post {', '.join(unread)}"] if unread else []
    lines = [text for text, _ in plan_lines(answer, words)]
    io.tell([f"{outcome_words(answer)}. {gap_words(answer)}", *lines, *rest], answer)
    over = any(post["packs"] and post["resting"]["slope_along"] is None for post in answer["posts"])
    return Exit.OVER if answer["unsolved"] or over else Exit.DONE


def _read_problem(name: str, io: Io) -> dict[str, Any]:
    def no_constant(text: str) -> float:
        raise FileError(f"{text} isn't a number a problem can hold")

    text, name = io.text_of(name)
    try:
        problem = json.loads(text, parse_constant=no_constant)
    except json.JSONDecodeError as error:
        where = f"{name}, line {error.lineno}, column {error.colno}"
        raise FileError(f"{where}: not JSON ({error.msg})") from error
    except RecursionError as error:
        raise FileError(f"{name}: no problem is nested that deep") from error
    except ValueError as error:
        raise FileError(f"{name}: a number in it has more digits than are read") from error
    if not isinstance(problem, dict):
        raise FileError(f"{name}: a problem is one JSON object with posts and stock")
    return problem


# ---------------------------------------------------------------- cut


def run_cut(args: argparse.Namespace, io: Io) -> int:
    """Print or write the cut sheet of the answers that a run's posts wait for."""
    one_to_stdout(args)
    from shimfit.workflow.plan import cut_list_of

    with open_run(args, io) as (site, state):
        answer = cut_list_of(site, state.job, state.name)
        words, facts = words_of(state, site.settings), sheet_facts(site, state)
    if args.pdf is not None:
        from shimfit.report.sheets import cut_sheet_pdf

        io.write_beside(args, args.pdf, cut_sheet_pdf(answer, facts, paper=args.paper))
    return io.tell([text for text, _ in plan_lines(answer, words)] if args.pdf is None else (), answer)


# ---------------------------------------------------------------- while it is planned

BAR = 24
BETWEEN_S = 0.5
"""Least time between two lines of progress."""


def _progress(io: Io) -> Callable[[float, float | None], None]:
    """Says how the bound closes in, twice a second at most."""
    last_s = 0.0

    def say(bound: float, best: float | None) -> None:
        nonlocal last_s
        if time.monotonic() - last_s >= BETWEEN_S:
            last_s = time.monotonic()
            bar = progress_bar(bound, best, BAR, "#", ".")
            io.talk(f"  [{bar}] {progress_words(bound, best)}")

    return say
