"""Answers in sentences, with a small plan of the foot: the same words as the screen's, for stdout."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from shimfit.model import PostState, Reading
from shimfit.standing import PostRecord, RunState
from shimfit.tui.glyphs import glyphs_for
from shimfit.tui.pictures.foot_plan import foot_plan
from shimfit.tui.telling import Words, post_view

if TYPE_CHECKING:
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
        yield f"{view.lean}, at {post.height_mm:g} mm."
    yield f"{PLUMB if view.do.startswith(PLUMB) else view.do}."
    for line in view.packs:
        purpose = "" if line.lifts else "  (only supports)"
        changed = f"  ({line.changed})" if line.changed else ""
        yield f"  {line.number}  {line.where:<18} {line.what}{changed}{purpose}"
    if view.result:
        yield f"{view.result} ({post.tolerance.text})."
    if view.packs and post.prescription is not None:
        answer = post.prescription
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
        state=state,
    )
    run = RunState("", "", answer.post, answer.height_mm, answer.tolerance, units=units, posts=(post,))
    yield f"Understood: {understood}."
    yield from post_lines(run, post, settings)
    if answer.status == "proven" and answer.packs and answer.packs[0].pieces:
        yield "Proven: no better pack can be made of this box."
