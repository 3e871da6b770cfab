"""The target while an inclinometer streams: what does not move is drawn once, the mark at sensor rate."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from shimfit.text.canvas import Canvas
from shimfit.text.pictures import Backdrop, backdrop, mark_cell, span_for, with_mark
from shimfit.tui.screens.post.advice import LOOKS_PER_FIGURE, next_step

if TYPE_CHECKING:
    from shimfit.text.phrases import Words
    from shimfit.tui.screens.post.sight import Sight

LEGEND_ROWS = 2
WIDEST, TALLEST = 64, 25


def _role(top_mm: tuple[float, float] | None, allowed_mm: float, *, zero_found: bool) -> str:
    """Colour of the mark; one whose zero nobody has found is neither within nor beyond."""
    if top_mm is None or not zero_found:
        return "label"
    return "within" if math.hypot(*top_mm) <= allowed_mm else "beyond"


class LiveTarget:
    """Draws the target, remembering its scale and all that did not change since the last time."""

    def __init__(self) -> None:
        self._span: float | None = None
        self._key: object = None
        self._scene: Backdrop | None = None
        self._told: tuple[str, ...] = ()
        self._seen: object = None
        self._shown: Canvas | None = None

    def forget(self) -> None:
        """Another post is on screen: its scale is its own."""
        self._span = None

    def draw(self, sight: Sight, width: int, height: int) -> Canvas:
        """The target as it is now."""
        record, words, live = sight.record, sight.words, sight.live
        if record is None or words is None or live is None or height < 3:
            return Canvas(width, height)
        width, height = min(width, WIDEST), min(height, TALLEST)
        allowed_mm = record.tolerance.allowed_top_mm(record.height_mm)
        top_mm = live.lean.top_mm(record.height_mm) if live.lean else None
        if top_mm is not None:
            self._span = span_for(math.hypot(*top_mm), allowed_mm, self._span)
        scene = self._backdrop(sight, words, allowed_mm, width, height)
        if live.lean is None:
            self._told = (live.word,)
        elif not live.zero_found:
            self._told = ("zero not found:", "turn it end for end")
        elif sight.looks % LOOKS_PER_FIGURE == 0 or len(self._told) < LEGEND_ROWS:
            self._told = (
                words.off(live.lean, record, width),
                next_step(sight.advice, live.lean, record, words, width),
            )
        cell = mark_cell(top_mm, scene.rows_per_mm, scene.middle) if top_mm else None
        role = _role(top_mm, allowed_mm, zero_found=live.zero_found)
        seen = (id(scene), cell, self._told, role)
        if self._shown is None or seen != self._seen:
            self._seen = seen
            self._shown = with_mark(scene, top_mm, role, sight.glyphs, *self._told)
        return self._shown

    def _backdrop(self, sight: Sight, words: Words, allowed_mm: float, width: int, height: int) -> Backdrop:
        span = self._span or 4.0
        key = (span, allowed_mm, width, height, tuple(words.names.values()), sight.glyphs.top)
        if self._scene is None or key != self._key:
            self._key = key
            self._scene = backdrop(
                allowed_mm,
                span=span,
                names=words.names,
                glyphs=sight.glyphs,
                width=width,
                height=height,
                legend_rows=LEGEND_ROWS,
            )
        return self._scene
