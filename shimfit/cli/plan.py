"""Commands that ask for an answer: solve (one post, no data file); plan, cut (a whole run from one box)."""

from __future__ import annotations

import json
import signal
import sys
import time
from collections.abc import Callable, Iterator
from types import SimpleNamespace as Args
from typing import Any

from shimfit.cli.io import Io, on_signal, one_to_stdout, open_run, open_site, sheet_facts, units_of, words_of
from shimfit.codec import prescription_to_json
from shimfit.core.foot import gap_plane
from shimfit.core.stock import lots_from_csv
from shimfit.entry import EntrySettings, parse_reading
from shimfit.errors import EntryError, Exit, FileError, UsageError
from shimfit.model import Foot, Lean, PostState, Prescription, Reading
from shimfit.quantities import shown
from shimfit.quantities.typed import (
    DEFAULT_TOLERANCE,
    parse_foot,
    parse_height,
    parse_length,
    parse_pairs,
    parse_tolerance,
)
from shimfit.settings import Settings, Units, load, minutes_of
from shimfit.standing import PostRecord, RunState
from shimfit.text.phrases import post_view
from shimfit.text.plan_phrases import gap_words, outcome_words, plan_lines, progress_bar, progress_words

UNREAD = (PostState.TO_READ, PostState.HALF_READ)


# ---------------------------------------------------------------- solve


def run_solve(args: Args, io: Io) -> int:
    """Answer for one post; 1 when the predicted rest is over tolerance or nothing can be done."""
    with shown.refused_in(units_of(args, io)) as units:
        return _solve(args, io, units)


def _solve(args: Args, io: Io, units: Units) -> int:
    from shimfit.core import packing

    end = len(args.entry)
    parsed = parse_reading(args.entry, EntrySettings(units=units))
    if parsed.half:
        missing = "out or house (across the run)" if parsed.along else "next or prev (along the run)"
        like = f"0 is an answer too, like {args.entry.strip()} 0"
        raise EntryError(f"only half read: how far {missing}? {like}", at=end)
    if parsed.is_gauge_only:
        raise EntryError("that's only the length to read over: how far is the top out of plumb?", at=end)
    height_mm = parse_height(args.height, units)
    hole_mm = parse_length(args.rod_hole, units, what="rod hole", zero_ok=True)
    foot = parse_foot(args.foot, units, rod_hole_mm=hole_mm)
    tolerance = parse_tolerance(args.tolerance or DEFAULT_TOLERANCE, args.per_direction, units)
    now = None
    if args.now:
        from shimfit.workflow.packs import parse_seat_lengths

        now = parse_seat_lengths(args.now, units)
    if parsed.second_look and not args.sure:
        from shimfit.workflow.reading import looks_like_a_slip

        raise looks_like_a_slip(parsed.second_look)
    lots = None
    if args.stock is not None:
        lots = lots_from_csv(*io.text_of(args.stock))
    slope_along, slope_across = parsed.slopes(height_mm)
    if slope_along is None or slope_across is None:
        raise UsageError("both directions are needed")
    options = packing.Options(layout=args.layout, minutes=minutes_of(load({})))
    asked = (foot, height_mm, Lean(slope_along, slope_across), tolerance)
    if now is not None:
        from shimfit.core.correction.boxed import correct
        from shimfit.core.correction.standing import Correction, packs_now

        answer = correct(Correction(*asked, packs_now(foot, now)), options, lots)
    elif lots is None:
        answer = packing.wanted(*asked, options)
    else:
        answer = packing.prescribe(*asked, packing.build_tables(lots, options))
    if args.json:
        io.json(answer_json(answer, args.entry, parsed.words))
    else:
        inches = any(part.unit in ("in", "in/ft") for part in parsed.parts)
        for line in answer_lines(answer, parsed.words, load({}), "inch" if inches else units):
            io.say(line)
    return Exit.DONE if answer.within and answer.status in ("proven", "found") else Exit.OVER


def answer_json(answer: Prescription, entry: str, understood: str) -> dict[str, Any]:
    """An answer with the gap plane of the lean that was read."""
    plane = gap_plane(answer.post, answer.lean)
    return prescription_to_json(answer, entry=entry, understood=understood, plane=plane)


def post_lines(run: RunState, post: PostRecord, settings: Settings) -> Iterator[str]:
    """Everything that is to be said at a post, line by line; the plan shows packs on the low side."""
    from shimfit.text.pictures import foot_plan

    words = words_of(run, settings)
    view = post_view(post, words)
    if view.lean:
        yield f"{view.lean}, at {shown.lean(post.height_mm, words.units, words.graduation)}."
    yield f"{view.do}."
    for line in view.packs:
        purpose = "" if line.lifts else "  (only supports)"
        changed = f"  ({line.changed})" if line.changed else ""
        yield f"  {line.number}  {line.where:<18} {line.what}{changed}{purpose}"
    if view.result:
        yield f"{view.result} ({post.tolerance.text})."
    answer = post.going_in
    if view.packs and answer is not None:
        asked = (post.foot, answer.packs, answer.lean, post.height_mm)
        picture = foot_plan(*asked, names=words.names, glyphs=words.glyphs, width=40, height=11)
        yield from ("", picture.text(), "")
    yield from view.remarks


def answer_lines(answer: Prescription, understood: str, settings: Settings, units: Units) -> Iterator[str]:
    """An answer without a data file: what was understood, then as at a post of a run."""
    impossible = answer.status in ("impossible", "gave-up")
    state = PostState.PACK if answer.packs or impossible else PostState.TIGHTEN
    reading = Reading(understood, answer.lean.slope_along, answer.lean.slope_across, answer.height_mm)
    post = PostRecord(
        name="",
        leg=1,
        station_mm=0.0,
        kind="line",
        foot=answer.post,
        height_mm=answer.height_mm,
        tolerance=answer.tolerance,
        readings=(reading,),
        reading=reading,
        prescription=answer,
        prescription_is_current=True,
        state=state,
    )
    run = RunState("", "", answer.post, answer.height_mm, answer.tolerance, units=units, posts=(post,))
    yield f"Understood: {understood}."
    yield from post_lines(run, post, settings)
    if answer.status == "proven" and answer.packs and answer.packs[0].pieces:
        yield "Proven: no better pack can be made of this box."


# ---------------------------------------------------------------- plan


def run_plan(args: Args, io: Io) -> int:
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


def run_cut(args: Args, io: Io) -> int:
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
