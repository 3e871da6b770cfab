"""What only some screens have: the target while an inclinometer streams, the column beside the post."""

from __future__ import annotations

import math
from collections import Counter
from itertools import islice
from typing import TYPE_CHECKING

from shimfit.model import Face, PostState
from shimfit.quantities import shown
from shimfit.text.canvas import Canvas
from shimfit.text.phrases import lot_size, state_word, wrapped
from shimfit.text.pictures import (
    Backdrop,
    backdrop,
    elevation,
    mark_cell,
    pair,
    span_for,
    target,
    trend,
    with_mark,
)
from shimfit.tui.screens.post_snapshot import LOOKS_PER_FIGURE, in_order, next_step

if TYPE_CHECKING:
    from shimfit.model import Lean, Lot
    from shimfit.standing import PostRecord
    from shimfit.text.canvas import Run
    from shimfit.text.phrases import Words
    from shimfit.tui.screens.post_snapshot import Snapshot

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
        self._reported: tuple[str, ...] = ()
        self._seen: object = None
        self._shown: Canvas | None = None

    def forget(self) -> None:
        """Another post is on screen: its scale is its own."""
        self._span = None

    def draw(self, snapshot: Snapshot, width: int, height: int) -> Canvas:
        """The target as it is now."""
        record, words, live = snapshot.record, snapshot.words, snapshot.live
        if record is None or words is None or live is None or height < 3:
            return Canvas(width, height)
        width, height = min(width, WIDEST), min(height, TALLEST)
        allowed_mm = record.tolerance.allowed_top_mm(record.height_mm)
        top_mm = live.lean.top_mm(record.height_mm) if live.lean else None
        if top_mm is not None:
            self._span = span_for(math.hypot(*top_mm), allowed_mm, self._span)
        scene = self._backdrop(snapshot, words, allowed_mm, width, height)
        if live.lean is None:
            self._reported = (live.word,)
        elif not live.zero_found:
            self._reported = ("zero not found:", "turn it end for end")
        elif snapshot.looks % LOOKS_PER_FIGURE == 0 or len(self._reported) < LEGEND_ROWS:
            self._reported = (
                words.off(live.lean, record, width),
                next_step(snapshot.advice, live.lean, record, words, width),
            )
        cell = mark_cell(top_mm, scene.rows_per_mm, scene.middle) if top_mm else None
        role = _role(top_mm, allowed_mm, zero_found=live.zero_found)
        seen = (id(scene), cell, self._reported, role)
        if self._shown is None or seen != self._seen:
            self._seen = seen
            self._shown = with_mark(scene, top_mm, role, snapshot.glyphs, *self._reported)
        return self._shown

    def _backdrop(
        self, snapshot: Snapshot, words: Words, allowed_mm: float, width: int, height: int
    ) -> Backdrop:
        span = self._span or 4.0
        key = (span, allowed_mm, width, height, tuple(words.names.values()), snapshot.glyphs.top)
        if self._scene is None or key != self._key:
            self._key = key
            self._scene = backdrop(
                allowed_mm,
                span=span,
                names=words.names,
                glyphs=snapshot.glyphs,
                width=width,
                height=height,
                legend_rows=LEGEND_ROWS,
            )
        return self._scene


def before_after(snapshot: Snapshot, width: int, height: int) -> Canvas:
    """Two targets: as first read, and as read again (or as expected of the packs)."""
    record, words = snapshot.record, snapshot.words
    first = (record.before or record.reading) if record is not None else None
    if record is None or words is None or first is None or first.lean is None:
        return Canvas(width, height)
    after: Lean | None = None
    title = "expected after"
    if record.after is not None:
        after, title = record.after.lean, "after"
    elif record.going_in is not None:
        after = record.going_in.resting.lean
    else:
        return Canvas(width, height)  # nothing is going in, so there is nothing to compare with
    half = (width - 2) // 2
    left, right = (_standing_target(snapshot, lean, half, height - 1) for lean in (first.lean, after))
    return pair(left, right, ("before", title))


def _standing_target(snapshot: Snapshot, lean: Lean | None, width: int, height: int) -> Canvas:
    record, words = snapshot.record, snapshot.words
    assert record is not None
    assert words is not None
    top = lean.top_mm(record.height_mm) if lean else None
    allowed_mm = record.tolerance.allowed_top_mm(record.height_mm)
    return target(
        top,
        allowed_mm,
        span=span_for(math.hypot(*top), allowed_mm) if top else 4.0,
        names=words.names,
        glyphs=snapshot.glyphs,
        width=width,
        height=height,
        legend=_legend(words, lean, record, width),
    )


def _legend(words: Words, lean: Lean | None, record: PostRecord, width: int) -> str:
    if lean is None:
        return "it would rock"
    return words.off(lean, record, width)


def from_the_side(snapshot: Snapshot, width: int, height: int) -> Canvas:
    """Two side views of the post as it stands."""
    record, words = snapshot.record, snapshot.words
    if record is None or words is None or record.reading is None or record.reading.lean is None:
        return Canvas(width, height)
    return elevation(
        record.foot,
        record.reading.lean,
        record.height_mm,
        names=words.names,
        glyphs=snapshot.glyphs,
        width=width,
        height=height,
    )


def readings_trend(snapshot: Snapshot, width: int, height: int) -> Canvas:
    """How far off each reading of this post was, from two readings on."""
    canvas = Canvas(width, height)
    record = snapshot.record
    if record is None:
        return canvas
    tops = [
        math.hypot(*reading.lean.top_mm(record.height_mm))
        for reading in record.readings
        if reading.lean is not None and reading.stage != "mid"
    ]
    if len(tops) < 2:
        return canvas
    arrow = f" {snapshot.glyphs.faces[Face.NEXT]} "
    units = snapshot.words.units if snapshot.words is not None else "mm"
    tops_shown = arrow.join(shown.fine(top, units, unit=False) for top in tops[-8:])
    canvas.put(0, 0, f"off at the top, {shown.unit(units)}: {tops_shown}", "label")
    allowed_mm = record.tolerance.allowed_top_mm(record.height_mm)
    canvas.paste(0, 1, trend(tops, allowed_mm, glyphs=snapshot.glyphs, width=width, height=height - 2))
    return canvas


def box_rows(snapshot: Snapshot, lots: tuple[Lot, ...]) -> list[Run]:
    """What this answer takes of the box, and what is there of it."""
    if snapshot.prescription is None or not snapshot.packs:
        return []
    taken = Counter(piece.lot for pack in snapshot.prescription.packs for piece in pack.pieces)
    found = [lot for lot in lots if lot.lot in taken]
    units = snapshot.words.units if snapshot.words is not None else "mm"
    rows = [
        (f"{lot.lot}: takes {taken[lot.lot]} of {lot.count}, {lot_size(lot, units)}", "") for lot in found
    ]
    return [("from the box", "label"), *rows] if rows else []


def next_rows(snapshot: Snapshot, count: int = 2) -> list[Run]:
    """What the next posts that are not done want, with their packs where these are known."""
    run, words = snapshot.run, snapshot.words
    if run is None or words is None:
        return []
    done = (PostState.PLUMB, PostState.SKIPPED)
    rows: list[Run] = []
    for post in islice((post for post in run.posts[snapshot.index + 1 :] if post.state not in done), count):
        sign = snapshot.glyphs.states[post.state]
        packs = post.going_in.packs if post.going_in is not None else ()
        seats = snapshot.glyphs.seats
        told = ", ".join(f"{seats[pack.seat]} {words.short_pieces(pack)}" for pack in in_order(packs))
        rows.append((f"{post.name} {sign} {state_word(post.state)}{f': {told}' if told else ''}", ""))
    return [("next", "label"), *rows] if rows else []


PAIR_ROWS, LEAST_PAIR_ROWS = 15, 9
SIDE_VIEW_ROWS, LEAST_SIDE_VIEW_ROWS = 18, 8
TREND_ROWS = 7


def beside(snapshot: Snapshot, lots: tuple[Lot, ...], width: int, height: int) -> Canvas:
    """The column beside the post: as read and as expected, side views, trend, box, the next posts.

    What is in words has its rows first, the pictures share the rest.
    """
    canvas = Canvas(width, height)
    told = [
        [(row, role) for text, role in rows for row in wrapped(text, width)]
        for rows in (box_rows(snapshot, lots), next_rows(snapshot))
        if rows
    ]
    left = height - sum(len(rows) + 1 for rows in told)
    y = 0
    readings = len(snapshot.record.readings) if snapshot.record is not None else 0
    for draw, least, most in (
        (before_after, LEAST_PAIR_ROWS, PAIR_ROWS),
        (readings_trend, TREND_ROWS, TREND_ROWS if readings > 1 else 0),
        (from_the_side, LEAST_SIDE_VIEW_ROWS, SIDE_VIEW_ROWS),
    ):
        rows = min(most, left - y)
        if rows >= least and (picture := draw(snapshot, width, rows)).text().strip():
            canvas.paste(0, y, picture)
            y += rows + 1
    for block in told:
        for text, role in block:
            canvas.put(0, y, text, role)
            y += 1
        y += 1
    return canvas
