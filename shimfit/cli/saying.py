"""Answers in sentences, with a small plan of the foot: the same words as the screen's, for stdout."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from shimfit.tui.glyphs import glyphs_for
from shimfit.tui.pictures.foot_plan import foot_plan
from shimfit.tui.telling import Words, post_view

if TYPE_CHECKING:
    from shimfit.settings import Settings
    from shimfit.store.state import PostRecord, RunState

PLAN_COLUMNS, PLAN_ROWS = 40, 11


def post_lines(run: RunState, post: PostRecord, settings: Settings, *, picture: bool = True) -> Iterator[str]:
    """Everything that is to be said at a post, line by line; the plan shows packs on the low side."""
    glyphs = glyphs_for(ascii_only=settings.ascii)
    words = Words(run, glyphs, graduation=settings.graduation)
    view = post_view(run, post, words)
    if view.lean:
        yield f"{view.lean}, at {post.height_mm:g} mm."
    yield f"{view.do}."
    for line in view.packs:
        purpose = "" if line.lifts else "  (only supports)"
        changed = f"  ({line.changed})" if line.changed else ""
        yield f"  {line.number}  {line.where:<18} {line.what}{changed}{purpose}"
    if view.result:
        yield f"{view.result} ({post.tolerance.text})."
    if picture and view.packs and post.prescription is not None:
        answer = post.prescription
        canvas = foot_plan(
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
        yield from (line.rstrip() for line in canvas.lines())
        yield ""
    yield from view.remarks
