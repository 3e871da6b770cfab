"""Pictures of a foot, a post and a run, made of characters: model values to a Canvas, no terminal library.

Orientation, everywhere: seen from above, next is right, prev is left, out is up, house is down; so a
pack is always drawn on the side that the top leans to. What is drawn larger than to scale names its factor.

`foot_plan`: the foot with its packs and the top's way as an arrow. `elevation`: the post from its side, along
and across. `target`: where the top stands from plumb, the tolerance as a ring.
`strip`, `run_as_it_stands`, `trend`: a sign for each post; the run with its leans; a post's readings.

Paper draws its own (report/pictures). One description in mm for both was tried on the foot and came out as
long as the two: of a pack's place whole cells take its side and signs alone.
"""

from __future__ import annotations

import cmath
import math
from itertools import pairwise, product
from typing import TYPE_CHECKING

from shimfit.model import Face, Foot, Lean, Pack, PostState, seat_by_signs
from shimfit.quantities import shown
from shimfit.text.canvas import ASPECT, Canvas
from shimfit.text.glyphs import ROLES
from shimfit.text.phrases import clipped, entering_face, fitting, in_order
from shimfit.values import dataclass

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from shimfit.core.layout import Mark
    from shimfit.quantities.typed import Units
    from shimfit.standing import PostRecord
    from shimfit.text.glyphs import Glyphs

ARROW_FACTORS = (20, 10, 5, 2, 1)
"""How much larger than the foot's scale the arrow may be drawn; the largest that fits is taken."""
SIDE_COLUMNS = 3
"""Columns of a pack that goes in from prev or next."""
WIDEST_TAPER = 48
ARROW_SHARE = 0.42
"""How much of the foot's side it may take from the middle."""
LEAST_DRAWN_MM = 0.05
LEAST_COLUMNS, LEAST_ROWS = 9, 3
ROOMY_ROWS = 9
"""From this height on the names of out and house get rows of their own, beyond the packs."""


LEAST_HATCHED = 4
"""Cells across a foot, its frame counted, up to which one is too coarse to show how far in a piece goes."""


def foot_plan(
    foot: Foot, packs: Sequence[Pack], lean: Lean | None, height_mm: float, *, packed_at: Lean | None = None,
    names: Mapping[Face, str], glyphs: Glyphs, width: int, height: int,
) -> Canvas:  # fmt: skip
    """Draw the foot with its packs (numbered as they are listed) and the lean of the top over height_mm.

    lean None: not read yet, no arrow. packed_at: the lean that the packs went in at, where it is another;
    they stay drawn on the side that they went in from, and what lies under the foot as far in as it goes. The
    picture fills width x height cells; below 21 x 7 the outline keeps its least size and what does not fit is
    cut off.
    """
    canvas, roomy = Canvas(width, height), height >= ROOMY_ROWS
    beside = max(len(names[Face.PREV]), len(names[Face.NEXT])) + 1 + SIDE_COLUMNS
    room_columns = max(LEAST_COLUMNS, width - 2 * beside)
    room_rows = max(LEAST_ROWS, height - (4 if roomy else 2))
    columns_per_mm = min(room_columns / foot.along_mm, room_rows * ASPECT / foot.across_mm)
    columns = max(LEAST_COLUMNS, round(foot.along_mm * columns_per_mm))
    rows = max(LEAST_ROWS, round(foot.across_mm * columns_per_mm / ASPECT))
    left, top = (width - columns) // 2, (height - rows) // 2
    right, bottom = left + columns, top + rows  # just outside the frame
    x, y = left + columns // 2, top + rows // 2
    corners = "/\\\\/" if foot.round else glyphs.corners
    canvas.box(left, top, columns, rows, (glyphs.horizontal, glyphs.vertical, corners))
    canvas.put(x, y, glyphs.rod, "frame")

    if roomy:
        canvas.put_middle(x, top - 2, names[Face.OUT], "label")
        canvas.put_middle(x, bottom + 1, names[Face.HOUSE], "label")
    else:  # beside the corners, where no pack is ever drawn
        canvas.put(right + 1, top - 1, names[Face.OUT], "label")
        canvas.put(right + 1, bottom, names[Face.HOUSE], "label")
    canvas.put_right(left - SIDE_COLUMNS - 1, y, names[Face.PREV], "label")
    canvas.put(right + SIDE_COLUMNS + 1, y, names[Face.NEXT], "label")

    sides = {  # of each face: the cells beyond it that its packs take, and those from the frame inwards
        Face.NEXT: (range(right, right + SIDE_COLUMNS), range(right - 1, left - 1, -1)),
        Face.PREV: (range(left - SIDE_COLUMNS, left), range(left, right)),
        Face.OUT: (range(top - 1, top), range(top, bottom)),
        Face.HOUSE: (range(bottom, bottom + 1), range(bottom - 1, top - 1, -1)),
    }
    framed = set(product(range(left + 1, right - 1), range(top + 1, bottom - 1)))
    for number, pack in enumerate(in_order(packs), start=1):
        face = entering_face(pack, lean if packed_at is None else packed_at)
        if face.is_along:
            stretch, cells_per_mm = _stretch(top, rows, -pack.seat.sign_across), columns_per_mm
        else:
            stretch, cells_per_mm = _stretch(left, columns, pack.seat.sign_along), columns_per_mm / ASPECT
        beyond, inwards = sides[face]
        # The frame takes the first cell: what is under the foot at all is seen inside it.
        deep = round(pack.reach_mm * cells_per_mm)
        deep = max(2, deep) if pack.reach_mm and len(inwards) > LEAST_HATCHED else deep
        outside, under = (
            {(deep, side) if face.is_along else (side, deep) for deep, side in product(depths, stretch)}
            for depths in (beyond, inwards[:deep])
        )
        for cell in outside:
            canvas.put(*cell, glyphs.lift if pack.purpose == "lift" else glyphs.fill, pack.purpose)
        for cell in under & framed:
            canvas.put(*cell, glyphs.fill, pack.purpose)
        middle = beyond[len(beyond) // 2], stretch[len(stretch) // 2]
        canvas.put(*(middle if face.is_along else middle[::-1]), str(number), "number")

    along_mm, across_mm = (0.0, 0.0) if lean is None else lean.top_mm(height_mm)
    if max(abs(along_mm), abs(across_mm)) < LEAST_DRAWN_MM:
        return canvas
    share = max(abs(along_mm) / foot.along_mm, abs(across_mm) / foot.across_mm)
    factor = next((factor for factor in ARROW_FACTORS if share * factor <= ARROW_SHARE), 1)
    # Kept off the frame: a small picture loses length, not the direction.
    end = (
        x + _within(along_mm * factor * columns_per_mm, columns // 2 - 1),
        y - _within(across_mm * factor * columns_per_mm / ASPECT, rows // 2 - 1),
    )
    canvas.line((x, y), end, glyphs.line, "arrow")
    canvas.put(x, y, glyphs.rod, "frame")
    # One of eight directions, 22.5 degrees either side of each.
    signs = (
        0 if abs(one) * 2.414 < abs(other) else 1 if one > 0 else -1
        for one, other in ((along_mm, across_mm), (across_mm, along_mm))
    )
    canvas.put(*end, glyphs.seats[seat_by_signs(*signs)][0], "arrow")
    if factor > 1:
        canvas.put(0, canvas.height - 1, f"arrow {glyphs.times}{factor}", "label")
    return canvas


def _stretch(first: int, cells: int, sign: int) -> range:
    """Cells along a side that a pack takes: the middle half, or the end third that the sign points to."""
    length = max(1, cells // (3 if sign else 2))
    start = first + (0, (cells - length) // 2, cells - length)[sign + 1]
    return range(start, start + length)


def _within(cells: float, room: int) -> int:
    return min(max(-max(0, room), round(cells)), max(0, room))


# ---------------------------------------------------------------- the post from its side

SIDE_FACTORS = (50, 20, 10, 5, 2, 1)
POST_COLUMNS = 5


def taper_side(
    mark_mm: float, length_mm: float, mark: str, *, glyphs: Glyphs, width: int, height: int
) -> Canvas:
    """A taper from the side, its thin end under the post and its mark at the post's face: three rows, or two.

    mark_mm, length_mm: from the thin end to the mark, and to the thick end. mark: what the mark is, in words.
    """
    canvas = Canvas(width, height)
    wide = max(12, min(width, WIDEST_TAPER))
    face = min(max(2, round(mark_mm / length_mm * wide)), wide - 2)
    top = height - 2
    if top > 0:
        if face > len("post"):
            canvas.put((face - len("post")) // 2, 0, "post", "label")
        canvas.put(face, 0, glyphs.vertical, "frame")
    for x in range(wide):
        canvas.put(x, top, glyphs.bars[x * len(glyphs.bars) // wide], "lift")
    canvas.put(face, top, glyphs.vertical, "frame")
    canvas.put(0, height - 1, "thin", "label")
    if wide < width or len(mark) + 14 <= wide:
        canvas.put_right(wide, height - 1, "thick", "label")
    reported = f"{glyphs.faces[Face.OUT]} {mark}"
    canvas.put(min(max(5, face), max(5, wide - len(reported) - 6)), height - 1, reported, "strong")
    return canvas


def elevation(
    lean: Lean, height_mm: float, *, names: Mapping[Face, str], glyphs: Glyphs, width: int, height: int
) -> Canvas:
    """Draw both side views next to each other: prev … next on the left, house … out on the right.

    The drawn post is height_mm high; its lean is exaggerated by the factor named below it, the same for
    both views.
    """
    canvas, half, rows = Canvas(width, height), width // 2, max(2, height - 3)
    columns_per_mm = rows * ASPECT / height_mm
    room = max(1, half // 2 - POST_COLUMNS // 2 - 1)
    tops = lean.top_mm(height_mm)
    factor = next((f for f in SIDE_FACTORS if max(map(abs, tops)) * f * columns_per_mm <= room), 1)
    for left, top_mm, low, high in (
        (0, tops[0], Face.PREV, Face.NEXT),
        (half, tops[1], Face.HOUSE, Face.OUT),
    ):
        canvas.put(left + 1, rows, glyphs.horizontal * (half - 2), "frame")
        for row in range(rows):
            x = left + half / 2 + top_mm * factor * columns_per_mm * (rows - row) / rows
            for side in (-POST_COLUMNS / 2, POST_COLUMNS / 2):
                upright(canvas, x + side, row, glyphs)
        canvas.put(left + 1, rows + 1, names[low], "label")
        canvas.put_right(left + half - 1, rows + 1, names[high], "label")
    canvas.put_middle(half, height - 1, f"from the side, lean {glyphs.times}{factor}", "label")
    return canvas


def upright(canvas: Canvas, x: float, row: int, glyphs: Glyphs, role: str = "post") -> None:
    """One row of a near-upright line at a fraction of a column: three places in each cell are distinct."""
    column = int(x // 1)
    part = x - column
    sign = glyphs.lean_left if part < 1 / 3 else glyphs.vertical if part < 2 / 3 else glyphs.lean_right
    canvas.put(column, row, sign, role)


# ---------------------------------------------------------------- the top from above: a target

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


def target(
    top_mm: tuple[float, float] | None, allowed_mm: float, *, span: float, names: Mapping[Face, str],
    glyphs: Glyphs, width: int, height: int, legend: Sequence[str] = (), role: str = "",
) -> Canvas:  # fmt: skip
    """Where the top stands from plumb: a cross, the tolerance as a ring, the top's mark; below it the legend.

    top_mm: displacement of the top (+next, +out); None: not known, no mark. allowed_mm: radius of the ring.
    span: half width in tolerances. role: the mark's look; empty: as it is within the ring or beyond.
    """
    canvas = Canvas(width, height)
    rows = max(0, height - len(legend))
    x, y = width // 2, rows // 2
    half_rows = max(1, min(rows // 2, int((width - 1) / 2 / ASPECT)))
    half_columns = round(half_rows * ASPECT)
    rows_per_mm = half_rows / (span * allowed_mm)
    canvas.line((x - half_columns, y), (x + half_columns, y), glyphs.horizontal, "frame")
    canvas.line((x, y - half_rows), (x, y + half_rows), glyphs.vertical, "frame")
    radius = allowed_mm * rows_per_mm
    points = max(8, int(radius * 16))
    for point in range(points):
        spot = cmath.rect(radius, 2 * math.pi * point / points)
        canvas.put(x + round(spot.real * ASPECT), y + round(spot.imag), glyphs.ring, "ring")
    canvas.put(x, y, glyphs.plumb, "frame")
    canvas.put_middle(x, y - half_rows, names[Face.OUT], "label")
    canvas.put_middle(x, y + half_rows, names[Face.HOUSE], "label")
    # On a small target the names stand outside, or they would cover the cross.
    left, right = len(names[Face.PREV]), len(names[Face.NEXT])
    inside = half_columns > max(left, right)
    canvas.put_right(x - half_columns + (left if inside else -1), y, names[Face.PREV], "label")
    canvas.put_right(x + half_columns + 1 + (0 if inside else right + 1), y, names[Face.NEXT], "label")
    if top_mm is not None:
        column, row = x + round(top_mm[0] * rows_per_mm * ASPECT), y - round(top_mm[1] * rows_per_mm)
        role = role or ("within" if math.hypot(*top_mm) <= allowed_mm else "beyond")
        canvas.put(min(max(0, column), width - 1), min(max(0, row), rows - 1), glyphs.top, role)
    for index, text in enumerate(legend):
        reported = clipped(text, width, glyphs.more)
        canvas.put_middle(x, rows + index, reported, "strong" if index else "label")
    return canvas


def pair(left: Canvas, right: Canvas, titles: tuple[str, str]) -> Canvas:
    """Two pictures side by side, each under its title."""
    beside = left.width + 2
    canvas = Canvas(beside + right.width, max(left.height, right.height) + 1)
    canvas.put_middle(left.width // 2, 0, titles[0], "label")
    canvas.put(beside + max(0, (right.width - len(titles[1])) // 2), 0, titles[1], "label")
    canvas.paste(0, 1, left)
    canvas.paste(beside, 1, right)
    return canvas


# ---------------------------------------------------------------- the run

PLAN_MARGIN = 6
"""Columns left free beside the run seen from above, for names and lengths."""
RUN_FACTORS = (100, 50, 20, 10, 5, 2, 1)


@dataclass(frozen=True, slots=True)
class PostInRun:
    """One post of a run, as its pictures need it."""

    name: str
    station_mm: float
    """From the run's start, along its legs."""
    state: PostState
    turn_deg: float | None = None
    """How far the run turns here, + towards out; None: straight on."""
    top_mm: tuple[float, float] | None = None
    """Displacement of the top (+next, +out); None where it was not read in both directions."""


def strip(states: Sequence[PostState], here: int, *, glyphs: Glyphs, width: int) -> Canvas:
    """One row: a cell per post in walking order; the one on screen is a mark, its state stands above.

    A run longer than the row shows the stretch around `here` (an index), with a sign where it goes on.
    """
    canvas = Canvas(width, 1)
    room = max(1, width)
    first = 0 if len(states) <= room else min(max(0, here - room // 2), len(states) - room)
    last = min(len(states), first + room)
    for x, index in enumerate(range(first, last)):
        state = states[index]
        sign, role = glyphs.states[state], ROLES[state]
        if index == here:
            sign, role = glyphs.here, f"{role} here"
        elif (index == first and first > 0) or (index == last - 1 and last < len(states)):
            sign, role = (glyphs.left if index == first else glyphs.right), "label"
        canvas.put(x, 0, sign, role)
    return canvas


def run_as_it_stands(
    posts: Sequence[PostInRun], here: int, *, names: Mapping[Face, str], glyphs: Glyphs,
    width: int, height: int, units: Units = "mm",
) -> Canvas:  # fmt: skip
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
    # The whole factor that keeps the worst lean within its post's bay, and columns per mm of lean.
    worst_along_mm = max((abs(post.top_mm[0]) for post in read if post.top_mm), default=0.0)
    bay = max(1.0, (width - 2 * margin) / max(1, len(posts) - 1) * 0.45)
    factor = next((f for f in RUN_FACTORS if worst_along_mm * f * columns_per_mm <= bay), 1)
    columns_per_top_mm = factor * columns_per_mm
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
    forms = (
        f"leans along the run {glyphs.times}{factor}; tops from above: furthest {worst}",
        f"leans {glyphs.times}{factor}; tops from above, to {worst}",
    )
    canvas.put(0, height - 1, fitting(width, glyphs.more, *forms), "label")
    return canvas


RIGHT_ANGLE_DEG = 90.0
"""What a corner turns by, to the house, where no angle was given."""


def turn_of(post: PostRecord | Mark) -> float | None:
    """How far the run turns at a post, + towards out; None: it goes straight on there."""
    if post.kind != "corner":
        return None
    return -RIGHT_ANGLE_DEG if post.turn_deg is None else post.turn_deg


def run_in_plan(
    posts: Sequence[PostInRun], here: int, *, length: Callable[[float], str], names: Mapping[Face, str],
    glyphs: Glyphs, width: int, height: int,
) -> Canvas:  # fmt: skip
    """The run from above, legs and corners to scale: a sign a post, its name, each leg's length.

    The first leg runs to the right, out above it. length: says a length in the run's unit.
    """
    canvas = Canvas(width, height)
    if not posts:
        return canvas
    at, heading, places, legs = 0j, 0.0, [0j], [0]
    for index, (post, following) in enumerate(pairwise(posts)):
        if post.turn_deg is not None:
            heading += math.radians(post.turn_deg)
            legs.append(index)
        at += (following.station_mm - post.station_mm) * cmath.rect(1.0, heading)
        places.append(at)
    legs.append(len(posts) - 1)
    left, right = min(p.real for p in places), max(p.real for p in places)
    low, high = min(p.imag for p in places), max(p.imag for p in places)
    room = max(1, width - 2 * PLAN_MARGIN), max(1, height - 3)
    scale = min(room[0] / max(right - left, 1.0), room[1] * ASPECT / max(high - low, 1.0))

    def cell(place: complex) -> tuple[int, int]:
        x, y = (place.real - left) * scale, (high - place.imag) * scale / ASPECT
        return PLAN_MARGIN + round(x), 1 + round(y)

    for one, other in pairwise(places):
        (x, y), (x_end, y_end) = cell(one), cell(other)
        sign = glyphs.horizontal if y == y_end else glyphs.vertical if x == x_end else glyphs.line
        canvas.line((x, y), (x_end, y_end), sign, "frame")
    longest_name = max(len(post.name) for post in posts)
    for start, end in pairwise(legs):
        x, y = cell((places[start] + places[end]) / 2)
        reported = length(posts[end].station_mm - posts[start].station_mm)
        steep = abs((places[end] - places[start]).imag) > abs((places[end] - places[start]).real)
        beside = y + 1 if y + 2 < height else y - 2  # the last row says what is seen
        if steep:  # beside the leg, on the side where it fits; its posts' names are on the left
            x = x + 2 if x + 2 + len(reported) <= width else x - 3 - longest_name - len(reported)
            canvas.put(x, y, reported, "label")
        else:
            canvas.put(x - len(reported) // 2, beside, reported, "label")
    last = -width
    for index, (post, place) in enumerate(zip(posts, places, strict=True)):
        x, y = cell(place)
        canvas.put(x, y, glyphs.states[post.state], ROLES[post.state] + (" here" if index == here else ""))
        role = "strong" if index == here else "label"
        if post.turn_deg is None and cell(places[index - 1])[0] == x and index:
            canvas.put_right(x - 1, y, post.name, role)
        elif abs(x - last) > len(post.name) + 1 or post.turn_deg is not None:
            canvas.put(x, y - 1, post.name, role)
            last = x
    seen = f"from above, {names[Face.OUT]} is up along the first leg"
    briefly = f"from above; {names[Face.OUT]} is up at first"
    canvas.put(0, height - 1, fitting(width, glyphs.more, seen, briefly), "label")
    return canvas


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
        eighths = max(1, round(value / highest * height * steps))
        role = "within" if value <= allowed_mm else "beyond"
        for level in range(height):
            part = min(steps, eighths - level * steps)
            if part > 0:
                canvas.put(index * 3, height - 1 - level, glyphs.bars[part - 1] * 2, role)
    return canvas
