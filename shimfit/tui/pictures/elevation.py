"""The post seen from its side, along the run and across it, the lean drawn larger by a whole factor."""

from __future__ import annotations

from typing import TYPE_CHECKING

from shimfit.model import Face, Foot, Lean
from shimfit.tui.pictures.canvas import ASPECT, Canvas

if TYPE_CHECKING:
    from collections.abc import Mapping

    from shimfit.tui.glyphs import Glyphs

FACTORS = (50, 20, 10, 5, 2, 1)
POST_COLUMNS = 5


def elevation(
    foot: Foot,
    lean: Lean,
    height_mm: float,
    *,
    names: Mapping[Face, str],
    glyphs: Glyphs,
    width: int,
    height: int,
) -> Canvas:
    """Draw both side views next to each other: prev … next on the left, house … out on the right.

    The drawn post is height_mm high; its lean is exaggerated by the factor named below it, the same for
    both views. The gap under the low edge is exaggerated with it.
    """
    canvas = Canvas(width, height)
    half = width // 2
    rows = max(2, height - 3)
    columns_per_mm = rows * ASPECT / height_mm
    room = max(1, half // 2 - POST_COLUMNS // 2 - 1)
    tops = lean.top_mm(height_mm)
    factor = next((f for f in FACTORS if max(map(abs, tops)) * f * columns_per_mm <= room), 1)
    views = (
        (0, tops[0], names[Face.PREV], names[Face.NEXT], foot.along_mm),
        (half, tops[1], names[Face.HOUSE], names[Face.OUT], foot.across_mm),
    )
    for left, top_mm, low_name, high_name, _side_mm in views:
        _draw_view(
            canvas, left, half, rows=rows, shift_columns=top_mm * factor * columns_per_mm, glyphs=glyphs
        )
        canvas.put(left + 1, rows + 1, low_name, "label")
        canvas.put_right(left + half - 1, rows + 1, high_name, "label")
    sign = "×" if glyphs.blocks else "x"
    canvas.put_middle(half, height - 1, f"from the side, lean {sign}{factor}", "label")
    return canvas


def _draw_view(
    canvas: Canvas, left: int, width: int, *, rows: int, shift_columns: float, glyphs: Glyphs
) -> None:
    middle = left + width / 2
    canvas.put(left + 1, rows, glyphs.horizontal * (width - 2), "frame")
    for row in range(rows):
        share = (rows - row) / rows
        for side in (-POST_COLUMNS / 2, POST_COLUMNS / 2):
            upright(canvas, middle + side + shift_columns * share, row, glyphs)


def upright(canvas: Canvas, x: float, row: int, glyphs: Glyphs, role: str = "post") -> None:
    """One row of a near-upright line at a fraction of a column: three places in each cell are told apart."""
    column = int(x // 1)
    part = x - column
    sign = glyphs.lean_left if part < 1 / 3 else glyphs.vertical if part < 2 / 3 else glyphs.lean_right
    canvas.put(column, row, sign, role)
