"""Pictures for wide screens: before and after, the side elevation, the trend, the lots that are needed."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from shimfit.model import Face
from shimfit.text.canvas import Canvas
from shimfit.text.pictures import elevation, pair, span_for, target, trend

if TYPE_CHECKING:
    from shimfit.model import Lean, Lot
    from shimfit.standing import PostRecord
    from shimfit.text.phrases import Words
    from shimfit.tui.screens.post.sight import Sight


def before_after(sight: Sight, width: int, height: int) -> Canvas:
    """Two targets: as first read, and as read again (or as expected of the packs)."""
    record, words = sight.record, sight.words
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
    left, right = (_target(sight, lean, half, height - 1) for lean in (first.lean, after))
    return pair(left, right, ("before", title))


def _target(sight: Sight, lean: Lean | None, width: int, height: int) -> Canvas:
    record, words = sight.record, sight.words
    assert record is not None
    assert words is not None
    top = lean.top_mm(record.height_mm) if lean else None
    allowed_mm = record.tolerance.allowed_top_mm(record.height_mm)
    return target(
        top,
        allowed_mm,
        span=span_for(math.hypot(*top), allowed_mm) if top else 4.0,
        names=words.names,
        glyphs=sight.glyphs,
        width=width,
        height=height,
        legend=_legend(words, lean, record, width),
    )


def _legend(words: Words, lean: Lean | None, record: PostRecord, width: int) -> str:
    if lean is None:
        return "it would rock"
    return words.off(lean, record, width)


def from_the_side(sight: Sight, width: int, height: int) -> Canvas:
    """Two side views of the post as it stands."""
    record, words = sight.record, sight.words
    if record is None or words is None or record.reading is None or record.reading.lean is None:
        return Canvas(width, height)
    return elevation(
        record.foot,
        record.reading.lean,
        record.height_mm,
        names=words.names,
        glyphs=sight.glyphs,
        width=width,
        height=height,
    )


def readings_trend(sight: Sight, width: int, height: int) -> Canvas:
    """How far off each reading of this post was, from two readings on."""
    canvas = Canvas(width, height)
    record = sight.record
    if record is None:
        return canvas
    tops = [
        math.hypot(*reading.lean.top_mm(record.height_mm))
        for reading in record.readings
        if reading.lean is not None and reading.stage != "mid"
    ]
    if len(tops) < 2:
        return canvas
    arrow = f" {sight.glyphs.faces[Face.NEXT]} "
    canvas.put(0, 0, "off at the top, mm: " + arrow.join(f"{top:.1f}" for top in tops[-8:]), "label")
    allowed_mm = record.tolerance.allowed_top_mm(record.height_mm)
    canvas.paste(0, 1, trend(tops, allowed_mm, glyphs=sight.glyphs, width=width, height=height - 2))
    return canvas


def from_the_box(sight: Sight, lots: tuple[Lot, ...], width: int, height: int) -> Canvas:
    """What is left of the lots that this answer takes from."""
    canvas = Canvas(width, height)
    if sight.prescription is None or not sight.packs:
        return canvas
    wanted = {piece.lot for pack in sight.prescription.packs for piece in pack.pieces}
    found = [lot for lot in lots if lot.lot in wanted]
    if found:
        canvas.put(0, 0, "from the box", "label")
    for y, lot in enumerate(found, start=1):
        canvas.put(0, y, f"{lot.lot}: {lot.form} {lot.material}".rstrip() + f", {lot.count} left")
    return canvas
