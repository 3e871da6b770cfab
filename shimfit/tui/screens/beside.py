"""What stands beside and below a list where the window has room, as parts that one column puts in order.

Words have their rows first, pictures share the rest. The pictures are of a post (how it stood and stands,
its packs, its readings) and of a lot with its cuts.
"""

from __future__ import annotations

import math
from collections import Counter
from functools import partial
from itertools import islice
from typing import TYPE_CHECKING, TypeAlias

from shimfit.model import Face, PostState
from shimfit.quantities import shown
from shimfit.text.canvas import Canvas
from shimfit.text.phrases import broken, clipped, in_order, lot_size
from shimfit.text.pictures import elevation, foot_plan, pair, span_for, target, trend
from shimfit.values import dataclass

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from shimfit.model import Lean, Lot
    from shimfit.standing import PostRecord
    from shimfit.text.canvas import Run
    from shimfit.text.glyphs import Glyphs
    from shimfit.text.phrases import Words
    from shimfit.tui.screens.post_pictures import Snapshot

# ---------------------------------------------------------------- a column


@dataclass(frozen=True, slots=True)
class Drawing:
    """A picture that takes what rows there are for it."""

    draw: Callable[[int, int], Canvas]
    least: int
    most: int
    title: str = ""
    """Stands in a row of its own above it, which is among its rows."""


Part: TypeAlias = "Drawing | Sequence[Run] | None"


def column(width: int, height: int, more: str, *parts: Part) -> Canvas:
    """Parts below one another, a free row between two; None is left out.

    Pictures are given their least rows in their order, as long as there are some, then grow evenly. Words
    that go on beyond the last row end in the sign `more`.
    """
    canvas = Canvas(width, height)
    there = [part if isinstance(part, Drawing) else broken(part, width) for part in parts if part]
    rows = [0 if isinstance(part, Drawing) else len(part) for part in there]
    spare = height + 1 - sum(count + 1 for count in rows if count)
    growing: list[tuple[int, int]] = []
    for index, part in enumerate(there):
        if isinstance(part, Drawing) and part.least < spare:
            rows[index] = part.least
            spare -= part.least + 1
            growing.append((index, part.most))
    while spare > 0 and (growing := [(index, most) for index, most in growing if rows[index] < most]):
        for index, _ in growing[:spare]:
            rows[index] += 1
        spare -= len(growing)
    y = 0
    for part, count in zip(there, rows, strict=True):
        if not count:
            continue
        if isinstance(part, Drawing):
            titled = 1 if part.title else 0
            canvas.put(0, y, part.title, "label")
            canvas.paste(0, y + titled, part.draw(width, count - titled))
        else:
            for row, (text, role) in enumerate(part, start=y):
                is_cut = row == height - 1 and y + count > height
                canvas.put(0, row, clipped(f"{text} {more}", width, more) if is_cut else text, role)
        y += count + 1
    return canvas


# ---------------------------------------------------------------- of a post


def before_after(record: PostRecord, words: Words) -> Drawing | None:
    """Two targets: as first read, and as read again (or as expected of the packs)."""
    first = record.before or record.reading
    going_in = record.going_in
    if first is None or first.lean is None or (record.after is None and going_in is None):
        return None  # nothing is going in, so there is nothing to compare with
    before = first.lean
    after = record.after.lean if record.after else going_in.resting.lean if going_in else None
    title = "after" if record.after is not None else "expected after"

    def draw(width: int, height: int) -> Canvas:
        half = (width - 2) // 2
        left, right = (_still_target(record, words, lean, half, height - 1) for lean in (before, after))
        return pair(left, right, ("before", title))

    return Drawing(draw, 9, 19)


def _still_target(record: PostRecord, words: Words, lean: Lean | None, width: int, height: int) -> Canvas:
    top = lean.top_mm(record.height_mm) if lean else None
    allowed_mm = record.tolerance.allowed_top_mm(record.height_mm)
    return target(
        top,
        allowed_mm,
        span=span_for(math.hypot(*top), allowed_mm) if top else 4.0,
        names=words.names,
        glyphs=words.glyphs,
        width=width,
        height=height,
        legend=[words.off(lean, record, width) if lean else "it would rock"],
    )


def from_the_side(record: PostRecord, words: Words) -> Drawing | None:
    """Two side views of the post as it was read."""
    lean = record.reading.lean if record.reading else None
    if lean is None:
        return None

    view = partial(elevation, lean, record.height_mm, names=words.names, glyphs=words.glyphs)
    return Drawing(lambda width, height: view(width=width, height=height), 8, 20)


def packs_at(record: PostRecord, words: Words) -> Drawing | None:
    """The foot from above with the packs that go in, or that it stands on; None: no packs."""
    going_in = record.going_in
    packs = going_in.packs if going_in is not None else record.packs_in_place
    if not packs:
        return None
    read = record.reading if going_in is not None else record.before
    lean, what = read.lean if read is not None else None, "packs under it"
    stands, packed_at = None, lean
    if going_in is not None:
        stands, packed_at, what = lean, None, "packs to go in"
    see = partial(foot_plan, record.foot, packs, stands, record.height_mm, packed_at=packed_at)

    def draw(width: int, height: int) -> Canvas:
        wide = min(width, 2 * height + 24)
        return see(names=words.names, glyphs=words.glyphs, width=wide, height=height)

    return Drawing(draw, 8, 28, f"post {record.name}: {what}")


def readings_trend(record: PostRecord, words: Words) -> Drawing | None:
    """How far off each reading of a post was, from two readings on."""
    tops = [
        math.hypot(*reading.lean.top_mm(record.height_mm))
        for reading in record.readings
        if reading.lean is not None and reading.stage != "mid"
    ]
    if len(tops) < 2:
        return None
    arrow = f" {words.glyphs.faces[Face.NEXT]} "
    tops_shown = arrow.join(shown.fine(top, words.units, unit=False) for top in tops[-8:])
    allowed_mm = record.tolerance.allowed_top_mm(record.height_mm)

    chart = partial(trend, tops, allowed_mm, glyphs=words.glyphs)
    title = f"off at the top: {tops_shown}{shown.trailing(words.units)}"
    return Drawing(lambda width, height: chart(width=width, height=height), 6, 9, title)


def post_parts(snapshot: Snapshot, lots: tuple[Lot, ...]) -> Iterator[Part]:
    """The column beside the post: as read and as expected, trend, side views, box, the next posts."""
    record, words = snapshot.record, snapshot.words
    if record is None or words is None:
        return
    yield before_after(record, words)
    yield readings_trend(record, words)
    yield from_the_side(record, words)
    yield _box_rows(snapshot, words, lots)
    yield _next_rows(snapshot, words)


def _box_rows(snapshot: Snapshot, words: Words, lots: tuple[Lot, ...]) -> list[Run]:
    """What this answer takes of the box, and what is there of it."""
    if snapshot.prescription is None or not snapshot.packs:
        return []
    taken = Counter(piece.lot for pack in snapshot.prescription.packs for piece in pack.pieces)
    rows = [
        (f"{lot.lot}: takes {taken[lot.lot]} of {lot.count}, {lot_size(lot, words.units)}", "")
        for lot in lots
        if lot.lot in taken
    ]
    return [("from the box", "label"), *rows] if rows else []


def _next_rows(snapshot: Snapshot, words: Words) -> list[Run]:
    """What the next two posts that are not done want, with their packs where these are known."""
    assert snapshot.run is not None
    coming = (
        post
        for post in snapshot.run.posts[snapshot.index + 1 :]
        if post.state not in (PostState.PLUMB, PostState.SKIPPED)
    )
    rows: list[Run] = []
    for post in islice(coming, 2):
        packs = in_order(post.going_in.packs if post.going_in is not None else ())
        given = words.short_packs(packs)
        state = f"{post.name} {words.glyphs.states[post.state]} {post.state}"
        rows.append((f"{state}: {given}" if given else state, ""))
    return [("next", "label"), *rows] if rows else []


# ---------------------------------------------------------------- of a lot


def lot_side(lot: Lot, marks: Sequence[tuple[float, str]], words: Words) -> Drawing:
    """A lot from its side, as long as there is room for; below it what is marked on it, a row each.

    marks: (mm from the thin end, or from the end that is sawn first, and what is there).
    """
    own = (4, 12) if lot.is_marked else (3, 3)  # what is as thick everywhere needs no height
    draw = partial(_draw_lot, lot, marks, words)
    return Drawing(draw, min(3, len(marks)) + own[0], len(marks) + own[1], f"{lot.lot} from the side")


def _draw_lot(lot: Lot, marks: Sequence[tuple[float, str]], words: Words, width: int, height: int) -> Canvas:
    glyphs, canvas = words.glyphs, Canvas(width, height)
    captions = min(len(marks), max(0, height - 2))
    body = height - captions - 1
    wide = width if lot.length_mm else max(8, width // 3)  # a flat's length is seldom known
    thin, thick = _ends_mm(lot)
    canvas.paste(0, 0, _bar((wide, body), (thin / thick, 1.0), glyphs, "lift"))
    canvas.put(0, body, shown.sized(thin, words.units) if thin else "", "label")
    if thin != thick:
        canvas.put_right(wide, body, shown.sized(thick, words.units), "label")
    for row, (at_mm, text) in enumerate(sorted(marks)[:captions], start=body + 1):
        x = min(wide - 1, round(at_mm / (lot.length_mm or at_mm or 1.0) * wide))
        for above in range(body, row):
            canvas.put(x, above, glyphs.vertical, "frame")
        arrow = glyphs.faces[Face.OUT]
        if x + len(text) + 2 <= width:
            canvas.put(x, row, f"{arrow} {text}", "strong")
        else:
            canvas.put_right(x + 1, row, f"{text} {arrow}", "strong")
    return canvas


def box_side(lots: Sequence[Lot], marked: str, glyphs: Glyphs, width: int, height: int) -> Canvas:
    """The pieces of a box from their sides, all to one scale; one without a length is drawn short.

    Each has as many rows as there are, six at most, one of them free. marked: the lot that stands
    out, and is among those drawn.
    """
    canvas = Canvas(width, height)
    left = max(len(lot.lot) for lot in lots) + 1
    room = max(4, width - left)
    rows = min(6, max(1, height // len(lots)))
    fitting = max(1, height // rows)
    longest_mm = max(lot.length_mm or 0.0 for lot in lots) or 1.0
    thickest_mm = max(lot.thickest_mm for lot in lots) or 1.0
    first = next((number for number, lot in enumerate(lots) if lot.lot == marked), 0)
    top = min(max(0, first - fitting // 2), max(0, len(lots) - fitting))
    for y, lot in enumerate(lots[top : top + fitting]):
        is_marked = lot.lot == marked
        wide = max(4, round((lot.length_mm or 0.0) / longest_mm * room))
        body = max(1, rows - 1)
        canvas.put(0, y * rows + body - 1, lot.lot, "strong here" if is_marked else "")
        thin, thick = (min(1.0, mm / thickest_mm) for mm in _ends_mm(lot))
        role = "lift" if is_marked else "post"
        canvas.paste(left, y * rows, _bar((wide, body), (thin, thick), glyphs, role))
    return canvas


def _ends_mm(lot: Lot) -> tuple[float, float]:
    """Thickness at both ends; a flat or a strip is the same at both."""
    same = lot.thickness_mm or 1.0
    return (same, same) if lot.thin_mm is None or lot.thick_mm is None else (lot.thin_mm, lot.thick_mm)


def _bar(size: tuple[int, int], shares: tuple[float, float], glyphs: Glyphs, role: str) -> Canvas:
    """A piece from its side in (columns, rows); shares: how much of the rows its two ends fill."""
    canvas, steps = Canvas(*size), len(glyphs.bars)
    for x in range(canvas.width):
        share = shares[0] + (shares[1] - shares[0]) * (x + 0.5) / canvas.width
        level = max(1, round(share * canvas.height * steps))
        for row in range(-(-level // steps)):
            bar = glyphs.bars[min(steps, level - row * steps) - 1]
            canvas.put(x, canvas.height - 1 - row, bar, role)
    return canvas
