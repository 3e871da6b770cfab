"""Plan of the foot, seen from above: packs on the side that the top leans to, the top's way as an arrow.

The foot is drawn to scale, and so is the arrow: from the rod to where the middle of the top stands. A
small lean is drawn larger by a whole factor, which the picture names.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from shimfit.model import Face, Foot, Lean, Pack, Seat, seat_by_signs
from shimfit.tui.pictures.canvas import ASPECT, Canvas

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from shimfit.tui.glyphs import Glyphs

FACTORS = (20, 10, 5, 2, 1)
"""How much larger than the foot's scale the arrow may be drawn; the largest that fits is taken."""
SIDE_COLUMNS = 3
"""Columns of a pack that goes in from prev or next."""
LEAST_DRAWN_MM = 0.05
LEAST_COLUMNS, LEAST_ROWS = 9, 3
ROOMY_ROWS = 9
"""From this height on the names of out and house get rows of their own, beyond the packs."""


@dataclass(frozen=True, slots=True)
class _Outline:
    """Where the foot's frame stands on the canvas and what a millimetre is worth."""

    left: int
    top: int
    columns: int
    rows: int
    columns_per_mm: float

    @property
    def middle(self) -> tuple[int, int]:
        return self.left + self.columns // 2, self.top + self.rows // 2


def foot_plan(
    foot: Foot,
    packs: Sequence[Pack],
    lean: Lean | None,
    height_mm: float,
    *,
    names: Mapping[Face, str],
    glyphs: Glyphs,
    width: int,
    height: int,
) -> Canvas:
    """Draw the foot with its packs (numbered in the order given) and the lean of the top over height_mm.

    lean None: not read yet, no arrow. The picture fills width x height cells; below 21 x 7 the outline
    keeps its least size and what does not fit is cut off.
    """
    canvas = Canvas(width, height)
    outline = _outline(foot, names, width, height)
    _draw_foot(canvas, foot, outline, glyphs)
    _draw_names(canvas, outline, names)
    for number, pack in enumerate(packs, start=1):
        face = entering_face(pack.seat, lean)
        _draw_pack(canvas, outline, pack, face=face, number=number, glyphs=glyphs)
    if lean is not None:
        _draw_arrow(canvas, outline, foot, lean.top_mm(height_mm), glyphs)
    return canvas


def entering_face(seat: Seat, lean: Lean | None) -> Face:
    """Face that a pack goes in from: its own at an edge middle; at a corner the low one, the steeper of two.

    On a tie along the run, as in the command line's contract. Without a lean, along the run.
    """
    along = Face.NEXT if seat.sign_along > 0 else Face.PREV
    across = Face.OUT if seat.sign_across > 0 else Face.HOUSE
    if seat.sign_across == 0:
        return along
    if seat.sign_along == 0:
        return across
    if lean is None:
        return along
    low_along = lean.slope_along * seat.sign_along > 0
    low_across = lean.slope_across * seat.sign_across > 0
    if low_along and low_across:
        return along if abs(lean.slope_along) >= abs(lean.slope_across) else across
    return across if low_across else along


def _outline(foot: Foot, names: Mapping[Face, str], width: int, height: int) -> _Outline:
    beside = max(len(names[Face.PREV]), len(names[Face.NEXT])) + 1 + SIDE_COLUMNS
    room_columns = max(LEAST_COLUMNS, width - 2 * beside)
    room_rows = max(LEAST_ROWS, height - (4 if height >= ROOMY_ROWS else 2))
    columns_per_mm = min(room_columns / foot.along_mm, room_rows * ASPECT / foot.across_mm)
    columns = max(LEAST_COLUMNS, round(foot.along_mm * columns_per_mm))
    rows = max(LEAST_ROWS, round(foot.across_mm * columns_per_mm / ASPECT))
    return _Outline((width - columns) // 2, (height - rows) // 2, columns, rows, columns_per_mm)


def _draw_foot(canvas: Canvas, foot: Foot, outline: _Outline, glyphs: Glyphs) -> None:
    corners = (" ", " ", " ", " ") if foot.round else glyphs.corners
    canvas.box(
        outline.left,
        outline.top,
        outline.columns,
        outline.rows,
        (glyphs.horizontal, glyphs.vertical, corners),
    )
    if foot.round:
        right, bottom = outline.left + outline.columns - 1, outline.top + outline.rows - 1
        for x, y, sign in (
            (outline.left, outline.top, "/"),
            (right, outline.top, "\\"),
            (outline.left, bottom, "\\"),
            (right, bottom, "/"),
        ):
            canvas.put(x, y, sign, "frame")
    canvas.put(*outline.middle, glyphs.rod, "frame")


def _draw_names(canvas: Canvas, outline: _Outline, names: Mapping[Face, str]) -> None:
    x, y = outline.middle
    if canvas.height >= ROOMY_ROWS:
        canvas.put_middle(x, outline.top - 2, names[Face.OUT], "label")
        canvas.put_middle(x, outline.top + outline.rows + 1, names[Face.HOUSE], "label")
    else:  # beside the corners, where no pack is ever drawn
        beside = outline.left + outline.columns + 1
        canvas.put(beside, outline.top - 1, names[Face.OUT], "label")
        canvas.put(beside, outline.top + outline.rows, names[Face.HOUSE], "label")
    canvas.put_right(outline.left - SIDE_COLUMNS - 1, y, names[Face.PREV], "label")
    canvas.put(outline.left + outline.columns + SIDE_COLUMNS + 1, y, names[Face.NEXT], "label")


def _draw_pack(
    canvas: Canvas, outline: _Outline, pack: Pack, *, face: Face, number: int, glyphs: Glyphs
) -> None:
    sign = glyphs.lift if pack.purpose == "lift" else glyphs.fill
    role = pack.purpose
    if face.is_along:
        rows = _stretch(outline.rows, pack.seat.sign_across, downwards=True)
        x = outline.left + outline.columns if face is Face.NEXT else outline.left - SIDE_COLUMNS
        for row in rows:
            canvas.put(x, outline.top + row, sign * SIDE_COLUMNS, role)
        canvas.put(x + SIDE_COLUMNS // 2, outline.top + rows[len(rows) // 2], str(number), "number")
        return
    columns = _stretch(outline.columns, pack.seat.sign_along, downwards=False)
    y = outline.top - 1 if face is Face.OUT else outline.top + outline.rows
    canvas.put(outline.left + columns[0], y, sign * len(columns), role)
    canvas.put(outline.left + columns[len(columns) // 2], y, str(number), "number")


def _stretch(cells: int, sign: int, *, downwards: bool) -> range:
    """Cells along a side that a pack takes: the middle half, or the end third that the sign points to."""
    if sign == 0:
        length = max(1, cells // 2)
        start = (cells - length) // 2
        return range(start, start + length)
    length = max(1, cells // 3)
    at_start = sign > 0 if downwards else sign < 0
    return range(length) if at_start else range(cells - length, cells)


def _draw_arrow(
    canvas: Canvas, outline: _Outline, foot: Foot, top_mm: tuple[float, float], glyphs: Glyphs
) -> None:
    along_mm, across_mm = top_mm
    x, y = outline.middle
    factor = next((f for f in FACTORS if _fits(f, along_mm, across_mm, foot)), 1)
    columns = _inside(along_mm * factor * outline.columns_per_mm, outline.columns)
    rows = -_inside(across_mm * factor * outline.columns_per_mm / ASPECT, outline.rows)
    if max(abs(along_mm), abs(across_mm)) < LEAST_DRAWN_MM:
        return
    end = x + columns, y + rows
    canvas.line((x, y), end, glyphs.line, "arrow")
    canvas.put(x, y, glyphs.rod, "frame")
    canvas.put(*end, glyphs.seats[_towards(along_mm, across_mm)][0], "arrow")
    if factor > 1:
        sign = "×" if glyphs.blocks else "x"
        canvas.put(0, canvas.height - 1, f"arrow {sign}{factor}", "label")


def _fits(factor: int, along_mm: float, across_mm: float, foot: Foot) -> bool:
    return abs(along_mm) * factor <= 0.42 * foot.along_mm and abs(across_mm) * factor <= 0.42 * foot.across_mm


def _inside(cells: float, side: int) -> int:
    """Whole cells from the middle, kept off the frame: a small picture loses length, not the direction."""
    room = max(0, side // 2 - 1)
    return min(max(-room, round(cells)), room)


def _towards(along: float, across: float) -> Seat:
    """The one of eight directions that a lean points to (22.5 degrees either side of each)."""
    sign_along = 0 if abs(along) * 2.414 < abs(across) else (1 if along > 0 else -1)
    sign_across = 0 if abs(across) * 2.414 < abs(along) else (1 if across > 0 else -1)
    return seat_by_signs(sign_along, sign_across)
