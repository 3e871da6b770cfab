"""The record's pictures: the run seen from the house, the tops seen from above, one post's plan, a histogram.

Next is to the right and out is up in every plan, as on the screen; a pack is drawn on the side that the top
leans to. All in black and greys that survive a photocopier.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

from shimfit.model import Face
from shimfit.report import words
from shimfit.report.pdf.page import Box

if TYPE_CHECKING:
    from collections.abc import Sequence

    from shimfit.model import Foot, Lean, Pack, Seat
    from shimfit.report.pdf.page import Sheet
    from shimfit.report.record import RunRecord
    from shimfit.report.statistics import Bin
    from shimfit.standing import PostRecord, Units

SMALL = 5.6
"""Type size of what stands in pictures, points."""
_NICE = (1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0)
_PALE = 0.55


@dataclass(frozen=True, slots=True)
class RunScale:
    """How a run is drawn: where each post stands on the paper and how much its lean is exaggerated."""

    xs: tuple[float, ...]
    """Where each foot stands, mm on the paper."""
    pitch: float
    """Room for one post, mm."""
    per_mm: float
    """Millimetres on the paper for 1 mm of lean at the top."""
    post_mm: float
    """Height that posts are drawn at, mm on the paper."""


def run_scale(posts: Sequence[PostRecord], box: Box, post_mm: float) -> RunScale:
    """Stations to scale where that leaves room for each post, evenly otherwise; leans to a round scale."""
    n = len(posts)
    pitch = box.width / max(n, 1)
    even = [box.x + pitch * (i + 0.5) for i in range(n)]
    xs = even
    first, last = posts[0].station_mm, posts[-1].station_mm
    if last > first and n > 1:
        usable = box.width - pitch
        scaled = [box.x + pitch / 2 + usable * (p.station_mm - first) / (last - first) for p in posts]
        nearest = min(b - a for a, b in pairwise(scaled))
        if nearest >= 0.55 * pitch:
            xs, pitch = scaled, min(pitch, nearest)
    most = max((abs(top) for post in posts for top in _tops_along(post)), default=0.0)
    allowed = max(post.tolerance.allowed_top_mm(post.height_mm) for post in posts)
    per_mm = round_down(min(0.75 * pitch, 6.0) / max(most, allowed, 1e-3))
    return RunScale(tuple(xs), pitch, per_mm, post_mm)


def round_down(value: float) -> float:
    """The largest round figure (1, 1.5, 2, 2.5 … times a power of ten) that is not above the value (> 0)."""
    power = 10.0 ** math.floor(math.log10(value))
    return power * max(nice for nice in _NICE if nice * power <= value * (1 + 1e-12))


def elevation(sheet: Sheet, box: Box, posts: Sequence[PostRecord], scale: RunScale) -> None:
    """Posts seen from the house side: dashed as first read, solid as built, ticks = allowed at the top."""
    ground = box.bottom - 1.0
    sheet.line(box.x, ground, box.right, ground, wide=0.35)
    for post, x in zip(posts, scale.xs, strict=True):
        top = ground - scale.post_mm
        allowed = min(post.tolerance.allowed_top_mm(post.height_mm) * scale.per_mm, scale.pitch / 2)
        for side in (-1, 1):
            sheet.line(x + side * allowed, top - 1.0, x + side * allowed, top + 1.0, wide=0.15)
        if post.before and post.before.slope_along is not None:
            lean = post.before.slope_along * post.before.height_mm * scale.per_mm
            sheet.line(x, ground, x + lean, top, wide=0.25, ink=_PALE, dash=0.8)
        if post.after and post.after.slope_along is not None:
            lean = post.after.slope_along * post.after.height_mm * scale.per_mm
            sheet.line(x, ground, x + lean, top, wide=min(0.5, scale.pitch * 0.07))
        elif not (post.before and post.before.slope_along is not None):
            sheet.text(x, ground - scale.post_mm / 2, "?", SMALL + 1, align="centre")
        if post.kind == "corner":
            sheet.polygon([(x - 1, ground + 1), (x + 1, ground + 1), (x, ground)], wide=0, fill=0.0)


def targets(sheet: Sheet, box: Box, posts: Sequence[PostRecord], scale: RunScale) -> None:
    """Tops seen from above: circle or square = allowed, dot = as built, thin line = from where it came."""
    y = box.y + box.height / 2 - 0.9
    room = min(scale.pitch * 0.5, (box.height - 2.2) / 2)
    radius = min(room * 0.62, 2.6)
    for post, x in zip(posts, scale.xs, strict=True):
        allowed = post.tolerance.allowed_top_mm(post.height_mm)
        if post.tolerance.per_direction:
            sheet.rect(Box(x - radius, y - radius, 2 * radius, 2 * radius), wide=0.15)
        else:
            sheet.circle(x, y, radius, wide=0.15)
        sheet.line(x - 0.5, y, x + 0.5, y, wide=0.1, ink=0.5)
        sheet.line(x, y - 0.5, x, y + 0.5, wide=0.1, ink=0.5)
        before = _top(post.before.lean if post.before else None, post, radius / allowed, room)
        after = _top(post.after.lean if post.after else None, post, radius / allowed, room)
        if before:
            ends = after or (0.0, 0.0)
            sheet.line(x + before[0], y - before[1], x + ends[0], y - ends[1], wide=0.15, ink=0.35)
        if after:
            _mark(sheet, x + after[0], y - after[1], post)
        sheet.text(x, box.bottom - 0.2, post.name, SMALL, align="centre", room=scale.pitch * 0.95, bold=True)


def post_plan(sheet: Sheet, box: Box, record: RunRecord, example: PostRecord | None) -> None:
    """One foot from above: faces named, packs on the side that the top leans to, an arrow for the top."""
    foot = example.foot if example else record.foot
    lean = example.before.lean if example and example.before else None
    cx, cy = box.x + box.width / 2, box.y + box.height / 2
    per_mm = min((box.width - 22) / foot.along_mm, (box.height - 9) / foot.across_mm)
    half_x, half_y = foot.along_mm / 2 * per_mm, foot.across_mm / 2 * per_mm
    draw_foot(sheet, (cx, cy), foot, per_mm)
    for pack in example.packs_in_place if example else ():
        draw_pack(sheet, (cx, cy), foot, per_mm, pack)
        figure = words.length(pack.made_mm, record.units, 2 if record.units == "mm" else 3)
        _write_beside(sheet, (cx, cy), (half_x, half_y), pack.seat, figure)
    size = SMALL + 0.4
    names = record.faces
    sheet.text(cx, cy - half_y - 2.4, f"{names[Face.OUT]} ↑ +", size, align="centre", bold=True)
    sheet.text(cx, cy + half_y + 3.9, names[Face.HOUSE], size, align="centre", bold=True)
    sheet.text(cx + half_x + 2.2, cy + 0.7, f"{names[Face.NEXT]} → +", size, bold=True)
    sheet.text(cx - half_x - 2.2, cy + 0.7, names[Face.PREV], size, align="right", bold=True)
    if lean is not None and lean.magnitude > 0:
        far = 0.72 * min(half_x, half_y) / lean.magnitude
        sheet.arrow(cx, cy, cx + lean.slope_along * far, cy - lean.slope_across * far, wide=0.45, head=2.0)


def plan_caption(record: RunRecord, example: PostRecord | None) -> str:
    """What the plan of one post shows, in a sentence or two."""
    general = (
        "Positive is towards next and out. A pack stands on the side that the top leans to: black lifts, "
        "white only fills."
    )
    if example is None or example.before is None or example.before.lean is None:
        return general
    along, across = example.before.lean.top_mm(example.before.height_mm)
    leans = [
        text
        for text in (
            words.towards(along, True, record.faces, record.units),
            words.towards(across, False, record.faces, record.units),
        )
        if " " in text
    ]
    unit = words.unit(record.units)
    read = f"top leaned {', '.join(leans)} {unit}" if leans else "top stood plumb"
    return f"Post {example.name} as first read: {read}. {general}"


def histogram(sheet: Sheet, box: Box, bins: Sequence[Bin]) -> None:
    """How much of the tolerance the verified posts use: one bar a share, counts above."""
    most = max((one.count for one in bins), default=0)
    wide = box.width / len(bins)
    floor = box.bottom - 3.0
    sheet.line(box.x, floor, box.right, floor, wide=0.25)
    for i, one in enumerate(bins):
        x = box.x + i * wide
        tall = (box.height - 6.0) * one.count / most if most else 0.0
        over = math.isinf(one.high)
        if tall:
            bar = Box(x + wide * 0.14, floor - tall, wide * 0.72, tall)
            sheet.rect(bar, wide=0.2, fill=0.1 if over else 0.75)
        sheet.text(x + wide / 2, floor - tall - 0.6, str(one.count), SMALL, align="centre", bold=True)
        sheet.text(x + wide / 2, floor + 2.3, one.label, SMALL - 0.6, align="centre", room=wide * 0.98)


@dataclass(frozen=True, slots=True)
class Trace:
    """One line of a small chart: the points (x, y), drawn solid or dashed."""

    points: tuple[tuple[float, float], ...]
    dashed: bool = False


def chart(sheet: Sheet, box: Box, traces: Sequence[Trace], ends: tuple[str, str], units: Units) -> None:
    """Traces over a common x, with the line of zero and the greatest y at each side of it written beside.

    y is a slope and is written in mm/m or in/ft; `ends` stand under the first and the last x.
    """
    points = [point for trace in traces for point in trace.points]
    first, last = min(x for x, _ in points), max(x for x, _ in points)
    high, low = max(0.0, *(y for _, y in points)), min(0.0, *(y for _, y in points))
    room = 8.0
    per_x = (box.width - room) / ((last - first) or 1.0)
    per_y = (box.height - 4.0) / ((high - low) or 1.0)

    def at(x: float, y: float) -> tuple[float, float]:
        return box.x + room + (x - first) * per_x, box.y + 1.0 + (high - y) * per_y

    zero = at(first, 0.0)[1]
    sheet.line(box.x + room, zero, box.right, zero, wide=0.15)
    for y in {high, 0.0, low}:
        figure = words.slope(y, units, 1 if units == "mm" else 3, sign=True).partition(" ")[0] if y else "0"
        sheet.text(box.x + room - 0.8, at(first, y)[1] + 0.6, figure, SMALL, align="right")
    for trace in traces:
        drawn = [at(x, y) for x, y in trace.points]
        for (x1, y1), (x2, y2) in pairwise(drawn):
            sheet.line(x1, y1, x2, y2, wide=0.3, dash=0.8 if trace.dashed else 0)
        for x, y in drawn:
            sheet.circle(x, y, 0.4, wide=0.2, fill=1.0 if trace.dashed else 0.0)
    sheet.text(box.x + room, box.bottom, ends[0], SMALL)
    sheet.text(box.right, box.bottom, ends[1], SMALL, align="right")


def draw_foot(sheet: Sheet, centre: tuple[float, float], foot: Foot, per_mm: float) -> None:
    """A foot from above with its rod hole; `per_mm` = mm on the paper for 1 mm."""
    cx, cy = centre
    half_x, half_y = foot.along_mm / 2 * per_mm, foot.across_mm / 2 * per_mm
    if foot.round:
        sheet.circle(cx, cy, half_x, wide=0.4, fill=0.93)
    else:
        sheet.rect(Box(cx - half_x, cy - half_y, 2 * half_x, 2 * half_y), wide=0.4, fill=0.93)
    if foot.rod_hole_mm:
        x, y = foot.rod_at_mm
        sheet.circle(cx + x * per_mm, cy - y * per_mm, foot.rod_hole_mm / 2 * per_mm, wide=0.25, fill=1.0)


def draw_pack(sheet: Sheet, centre: tuple[float, float], foot: Foot, per_mm: float, pack: Pack) -> None:
    """A pack at its seat, inside the foot's outline: black when it lifts, white when it only fills."""
    x, y = foot.seat_at_mm(pack.seat)
    px, py = centre[0] + x * per_mm, centre[1] - y * per_mm
    side = 0.17 * min(foot.along_mm, foot.across_mm) * per_mm
    long = 2.6 * side
    along, across = pack.seat.sign_along, pack.seat.sign_across
    wide = side if along else long
    tall = side if across else long
    box = Box(
        px - wide / 2 - along * wide / 2,
        py - tall / 2 + across * tall / 2,
        wide,
        tall,
    )
    sheet.rect(box, wide=0.3, fill=0.0 if pack.purpose == "lift" else 1.0)


# ---------------------------------------------------------------- parts


def _write_beside(
    sheet: Sheet, centre: tuple[float, float], half: tuple[float, float], seat: Seat, figure: str
) -> None:
    """A pack's thickness outside the foot: beside a corner, next to the face's name at an edge middle."""
    along, across = seat.sign_along, seat.sign_across
    if along:
        x = centre[0] + along * (half[0] + 1.0)
        y = centre[1] - across * (half[1] - 0.8) + (0.8 if across else -2.2)
        sheet.text(x, y, figure, SMALL, align="left" if along > 0 else "right")
    else:
        y = centre[1] - across * half[1] + (-0.8 if across > 0 else 2.4)
        sheet.text(centre[0] + 5.0, y, figure, SMALL)


def _tops_along(post: PostRecord) -> list[float]:
    readings = (post.before, post.after)
    return [r.slope_along * r.height_mm for r in readings if r and r.slope_along is not None]


def _top(lean: Lean | None, post: PostRecord, per_mm: float, room: float) -> tuple[float, float] | None:
    """Where a top lies on the paper, from the circle's centre (+right, +up), pulled in to `room`."""
    if lean is None:
        return None
    along, across = lean.top_mm(post.height_mm)
    x, y = along * per_mm, across * per_mm
    far = math.hypot(x, y)
    pull = min(1.0, room / far) if far > 0 else 1.0
    return x * pull, y * pull


def _mark(sheet: Sheet, x: float, y: float, post: PostRecord) -> None:
    """As built: full dot plumb, ring too close to call or not decided, cross out of plumb."""
    if post.decision == "out":
        for side in (-1, 1):
            sheet.line(x - 0.8, y - 0.8 * side, x + 0.8, y + 0.8 * side, wide=0.35)
    elif post.decision == "plumb":
        sheet.circle(x, y, 0.55, wide=0, fill=0.0)
    else:
        sheet.circle(x, y, 0.6, wide=0.3, fill=1.0)
