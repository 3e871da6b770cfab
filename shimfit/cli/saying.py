"""What commands say in sentences, in the words of the screen: a post, a run's plan, its progress."""

from __future__ import annotations

import time
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from shimfit.model import Foot, PostState, Reading
from shimfit.quantities import shown
from shimfit.quantities.tolerance import DEFAULT_TOLERANCE, parse_tolerance
from shimfit.settings import load
from shimfit.standing import PostRecord, RunState
from shimfit.text.glyphs import glyphs_for
from shimfit.text.phrases import Words, post_view
from shimfit.text.pictures import foot_plan
from shimfit.text.plan_phrases import gap_words, outcome_words, plan_lines, progress_bar, progress_words

if TYPE_CHECKING:
    from collections.abc import Iterator

    from shimfit.cli.io import Io
    from shimfit.model import Prescription
    from shimfit.settings import Settings, Units

PLAN_COLUMNS, PLAN_ROWS = 40, 11
PLUMB = "Plumb"
"""All that a command says of a plumb post; the screen adds the key that walks on."""


def post_lines(run: RunState, post: PostRecord, settings: Settings) -> Iterator[str]:
    """Everything that is to be said at a post, line by line; the plan shows packs on the low side."""
    glyphs = glyphs_for(ascii_only=settings.ascii)
    words = Words(run, glyphs, graduation=settings.graduation)
    view = post_view(post, words)
    if view.lean:
        yield f"{view.lean}, at {shown.lean(post.height_mm, words.units, words.graduation)}."
    yield f"{PLUMB if view.do.startswith(PLUMB) else view.do}."
    for line in view.packs:
        purpose = "" if line.lifts else "  (only supports)"
        changed = f"  ({line.changed})" if line.changed else ""
        yield f"  {line.number}  {line.where:<18} {line.what}{changed}{purpose}"
    if view.result:
        yield f"{view.result} ({post.tolerance.text})."
    answer = post.going_in
    if view.packs and answer is not None:
        picture = foot_plan(
            post.foot,
            answer.packs,
            answer.lean,
            post.height_mm,
            names=words.names,
            glyphs=glyphs,
            width=PLAN_COLUMNS,
            height=PLAN_ROWS,
        )
        yield ""
        yield picture.text()
        yield ""
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


# ---------------------------------------------------------------- a plan

BAR = 24
BETWEEN_S = 0.5
"""Least time between two lines of progress."""


class Progress:
    """Hears how the bound closes in and says it, twice a second at most."""

    def __init__(self, io: Io) -> None:
        self._io = io
        self._last_s = 0.0

    def __call__(self, bound: float, best: float | None) -> None:
        """Say it, unless something was said just now."""
        now_s = time.monotonic()
        if now_s - self._last_s >= BETWEEN_S:
            self._last_s = now_s
            bar = progress_bar(bound, best, BAR, "#", ".")
            self._io.talk(f"  [{bar}] {progress_words(bound, best)}")


def words_of(run: RunState, settings: Settings) -> Words:
    """How a run's plan is told: its faces, its unit, its tape."""
    return Words(run, glyphs_for(ascii_only=settings.ascii), graduation=settings.graduation)


def words_without_a_run() -> Words:
    """Plain face names and millimetres, as a problem from a file is told."""
    run = RunState("", "", Foot(90.0, 90.0), 1000.0, parse_tolerance(DEFAULT_TOLERANCE))
    return words_of(run, load({}))


def outcome_lines(answer: dict[str, Any], words: Words) -> Iterator[str]:
    """How many posts are served and how good the plan is, then the sheet."""
    yield f"{outcome_words(answer)}. {gap_words(answer)}"
    yield from sheet_lines(answer, words)


def sheet_lines(answer: dict[str, Any], words: Words) -> Iterator[str]:
    """Posts not served, pack labels, cut sheet."""
    for text, _ in plan_lines(answer, words):
        yield text
