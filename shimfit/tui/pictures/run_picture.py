"""The run in pictures: the strip (one sign a post) and the run as it stands, leans drawn larger to scale."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from shimfit.model import Face, PostState
from shimfit.quantities import shown
from shimfit.tui.glyphs import ROLES
from shimfit.tui.pictures.canvas import Canvas
from shimfit.tui.pictures.elevation import upright
from shimfit.tui.wrapping import fitting

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from shimfit.quantities.typed import Units
    from shimfit.tui.glyphs import Glyphs

FACTORS = (100, 50, 20, 10, 5, 2, 1)


@dataclass(frozen=True, slots=True)
class Standing:
    """One post of the run as the picture needs it."""

    name: str
    station_mm: float
    state: PostState
    top_mm: tuple[float, float] | None
    """Displacement of the top (+next, +out); None where it was not read in both directions."""
    height_mm: float


def strip(states: Sequence[PostState], here: int, *, glyphs: Glyphs, width: int) -> Canvas:
    """One row: a sign per post in walking order, the one on screen marked and reversed.

    A run longer than the row shows the stretch around `here` (an index), with a sign where it goes on.
    """
    canvas = Canvas(width, 1)
    room = max(1, width - 1)
    first = 0 if len(states) <= room else min(max(0, here - room // 2), len(states) - room)
    last = min(len(states), first + room)
    x = 0
    for index in range(first, last):
        state = states[index]
        role = ROLES[state]
        if index == here:
            canvas.put(x, 0, glyphs.here, "here")
            x += 1
            role += " here"
        sign = glyphs.states[state]
        if (index == first and first > 0) or (index == last - 1 and last < len(states)):
            sign, role = (glyphs.left if index == first else glyphs.right), "label"
        canvas.put(x, 0, sign, role)
        x += 1
    return canvas


def run_as_it_stands(
    posts: Sequence[Standing],
    here: int,
    *,
    names: Mapping[Face, str],
    glyphs: Glyphs,
    width: int,
    height: int,
    units: Units = "mm",
) -> Canvas:
    """Two views of the same run: from the house side (leans to prev and next), and the tops from above.

    The upper rows show each post upright at its station with its lean along the run exaggerated; the
    lower rows show the tops off the line, out above and house below, with the same factor. Posts too
    close to tell apart fall on one another: the list has them all.
    """
    canvas = Canvas(width, height)
    if not posts:
        return canvas
    plan_rows = 5 if height >= 10 else 3
    side_rows = max(2, height - plan_rows - 3)
    margin = max(len(names[Face.OUT]), len(names[Face.HOUSE])) + 3
    start_mm = min(post.station_mm for post in posts)
    length_mm = max(post.station_mm for post in posts) - start_mm or 1.0
    columns_per_mm = (width - 2 * margin) / length_mm
    read = [post for post in posts if post.top_mm is not None]
    factor, columns_per_top_mm = _exaggeration(read, columns_per_mm, width, margin, len(posts))
    middle = side_rows + 1 + plan_rows // 2
    canvas.put(0, side_rows, glyphs.horizontal * width, "frame")
    canvas.line((margin - 1, middle), (width - margin, middle), glyphs.line, "frame")
    canvas.put(0, middle - plan_rows // 2, names[Face.OUT], "label")
    canvas.put(0, middle + plan_rows // 2, names[Face.HOUSE], "label")
    worst_mm = max((abs(post.top_mm[1]) for post in read if post.top_mm), default=0.0)
    for index, post in enumerate(posts):
        x = margin + (post.station_mm - start_mm) * columns_per_mm
        role = ROLES[post.state] + (" here" if index == here else "")
        along, across = post.top_mm or (0.0, 0.0)
        for row in range(side_rows):
            share = (side_rows - row) / side_rows
            upright(canvas, x + 0.5 + along * columns_per_top_mm * share, row, glyphs, role)
        offset = round(across / worst_mm * (plan_rows // 2)) if worst_mm else 0
        sign = glyphs.states[post.state]
        column = int(x + 0.5 + along * columns_per_top_mm)
        canvas.put(min(max(margin - 2, column), width - 1), middle - offset, sign, role)  # off the names
    worst = shown.fine(worst_mm, units)
    cross = "×" if glyphs.blocks else "x"
    forms = (
        f"leans along the run {cross}{factor}; tops from above: furthest {worst}",
        f"leans {cross}{factor}; tops from above, to {worst}",
    )
    canvas.put(0, height - 1, fitting(width, glyphs.more, *forms), "label")
    return canvas


def _exaggeration(
    read: Sequence[Standing], columns_per_mm: float, width: int, margin: int, posts: int
) -> tuple[int, float]:
    """The whole factor that keeps the worst lean within its post's bay, and columns per mm of lean."""
    worst_mm = max((abs(post.top_mm[0]) for post in read if post.top_mm), default=0.0)
    bay = max(1.0, (width - 2 * margin) / max(1, posts - 1) * 0.45)
    factor = next((f for f in FACTORS if worst_mm * f * columns_per_mm <= bay), 1)
    return factor, factor * columns_per_mm


def trend(
    values_mm: Sequence[float], allowed_mm: float, *, glyphs: Glyphs, width: int, height: int
) -> Canvas:
    """How far out of plumb each reading of a post was, oldest first, as bars; the tolerance is a line.

    Bars are to one scale from zero; more readings than fit leave the oldest out.
    """
    canvas = Canvas(width, height)
    shown = list(values_mm)[-max(1, width // 3) :]
    if not shown or height < 1:
        return canvas
    highest = max(*shown, allowed_mm * 1.2)
    steps = len(glyphs.bars)
    line_row = height - 1 - min(height - 1, int(allowed_mm / highest * height))
    canvas.put(0, line_row, glyphs.line * min(width, 3 * len(shown) + 2), "ring")
    for index, value in enumerate(shown):
        eighths = round(value / highest * height * steps)
        role = "within" if value <= allowed_mm else "beyond"
        for level in range(height):
            part = min(steps, eighths - level * steps)
            if part > 0:
                canvas.put(index * 3, height - 1 - level, glyphs.bars[part - 1] * 2, role)
        if eighths <= 0:
            canvas.put(index * 3, height - 1, glyphs.bars[0] * 2, role)
    return canvas
