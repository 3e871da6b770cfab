"""Target: where the top stands from plumb, seen from above, with the tolerance as a ring.

The same picture serves the stream of an inclinometer and the pair before/after.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from shimfit.model import Face
from shimfit.tui.pictures.canvas import ASPECT, Canvas
from shimfit.tui.wrapping import clipped

if TYPE_CHECKING:
    from collections.abc import Mapping

    from shimfit.tui.glyphs import Glyphs

SPANS = (2.0, 4.0, 8.0, 16.0, 32.0, 64.0)
"""The target's half width, in tolerances; the first that holds the mark is taken."""


def span_for(reach_mm: float, allowed_mm: float, last: float | None = None) -> float:
    """How many tolerances the target's half width stands for, so that a top that far off is on it.

    last: what was shown before; it is kept until the mark leaves it or fits the half of it well (no
    flicker between two scales).
    """
    need = reach_mm / allowed_mm
    if last is not None and last * 0.4 <= need <= last:
        return last
    return next((span for span in SPANS if need <= span * 0.95), SPANS[-1])


@dataclass(frozen=True, slots=True)
class Backdrop:
    """A target without its mark: cross, ring and names, to be drawn once for many marks."""

    canvas: Canvas
    middle: tuple[int, int]
    rows_per_mm: float
    rows: int
    """Rows of the target itself; below them is room for a legend."""


def backdrop(
    allowed_mm: float,
    *,
    span: float,
    names: Mapping[Face, str],
    glyphs: Glyphs,
    width: int,
    height: int,
    legend_rows: int = 1,
) -> Backdrop:
    """Draw all but the mark. allowed_mm: radius of the ring; span: half width in tolerances."""
    canvas = Canvas(width, height)
    rows = max(0, height - legend_rows)
    x, y = width // 2, rows // 2
    half_rows = max(1, min(rows // 2, int(width / 2 / ASPECT)))
    half_columns = round(half_rows * ASPECT)
    rows_per_mm = half_rows / (span * allowed_mm)
    canvas.line((x - half_columns, y), (x + half_columns, y), glyphs.horizontal, "frame")
    canvas.line((x, y - half_rows), (x, y + half_rows), glyphs.vertical, "frame")
    _draw_ring(canvas, (x, y), allowed_mm * rows_per_mm, glyphs)
    canvas.put(x, y, glyphs.plumb, "frame")
    canvas.put_middle(x, y - half_rows, names[Face.OUT], "label")
    canvas.put_middle(x, y + half_rows, names[Face.HOUSE], "label")
    # On a small target the names stand outside, or they would cover the cross.
    inside = half_columns > max(len(names[Face.PREV]), len(names[Face.NEXT]))
    left, right = len(names[Face.PREV]), len(names[Face.NEXT])
    canvas.put_right(x - half_columns + (left if inside else -1), y, names[Face.PREV], "label")
    canvas.put_right(x + half_columns + 1 + (0 if inside else right + 1), y, names[Face.NEXT], "label")
    return Backdrop(canvas, (x, y), rows_per_mm, rows)


def with_mark(
    scene: Backdrop, top_mm: tuple[float, float] | None, role: str, glyphs: Glyphs, *legend: str
) -> Canvas:
    """The target with the top's mark on it (None: not known) in its colour, and a row for each legend."""
    canvas = scene.canvas.copy()
    if top_mm is not None:
        column, row = mark_cell(top_mm, scene.rows_per_mm, scene.middle)
        on_canvas = min(max(0, column), canvas.width - 1), min(max(0, row), scene.rows - 1)
        canvas.put(*on_canvas, glyphs.top, role)
    for index, text in enumerate(legend):
        told = clipped(text, canvas.width, glyphs.more)
        canvas.put_middle(scene.middle[0], scene.rows + index, told, "label" if index == 0 else "strong")
    return canvas


def target(
    top_mm: tuple[float, float] | None,
    allowed_mm: float,
    *,
    span: float,
    names: Mapping[Face, str],
    glyphs: Glyphs,
    width: int,
    height: int,
    legend: str = "",
) -> Canvas:
    """Draw a target at once.

    top_mm: displacement of the top (+next, +out); None = not known, no mark. allowed_mm: radius of the
    ring. span: half width of the target in tolerances. names: labels at the four sides.
    """
    scene = backdrop(
        allowed_mm,
        span=span,
        names=names,
        glyphs=glyphs,
        width=width,
        height=height,
        legend_rows=1 if legend else 0,
    )
    role = "within" if top_mm is None or math.hypot(*top_mm) <= allowed_mm else "beyond"
    return with_mark(scene, top_mm, role, glyphs, *([legend] if legend else []))


def mark_cell(top_mm: tuple[float, float], rows_per_mm: float, middle: tuple[int, int]) -> tuple[int, int]:
    """Cell that the top's mark falls in."""
    return (
        middle[0] + round(top_mm[0] * rows_per_mm * ASPECT),
        middle[1] - round(top_mm[1] * rows_per_mm),
    )


def _draw_ring(canvas: Canvas, middle: tuple[int, int], radius_rows: float, glyphs: Glyphs) -> None:
    points = max(8, int(radius_rows * 16))
    for point in range(points):
        angle = 2 * math.pi * point / points
        x = middle[0] + round(math.cos(angle) * radius_rows * ASPECT)
        y = middle[1] + round(math.sin(angle) * radius_rows)
        canvas.put(x, y, glyphs.ring, "ring")


def pair(left: Canvas, right: Canvas, titles: tuple[str, str], *, gap: int = 2) -> Canvas:
    """Two pictures side by side, each under its title."""
    canvas = Canvas(left.width + gap + right.width, max(left.height, right.height) + 1)
    canvas.put_middle(left.width // 2, 0, titles[0], "label")
    canvas.put(left.width + gap + max(0, (right.width - len(titles[1])) // 2), 0, titles[1], "label")
    canvas.paste(0, 1, left)
    canvas.paste(left.width + gap, 1, right)
    return canvas
