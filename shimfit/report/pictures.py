"""What papers draw: the run from the house and from above, a post's plan, a lean against its limit, charts.

Next is to the right and out is up in every plan, as on the screen; a pack is drawn on the side that the top
leans to. All in black and greys that survive a photocopier.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import pairwise
from typing import TYPE_CHECKING, TypeAlias

from shimfit.model import Face, Foot, Lean, Pack, Reading
from shimfit.quantities import shown
from shimfit.report import words
from shimfit.report.page import FINE, Align, Box, Sheet, ascent, leading
from shimfit.report.statistics import zero_histories
from shimfit.text.phrases import entering_face

if TYPE_CHECKING:
    from shimfit.report.record import RunRecord
    from shimfit.standing import PostRecord, Units

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


LEAST_PITCH = 4.6
"""Room for one post in the run's picture, mm on the paper: more posts go on in a band below."""
BAND_MM, GAP_MM = 25.0, 2.0
POST_MM, _TARGET_MM = 11.0, 9.4
"""Height that posts are drawn at, and room for the tops seen from above, mm on the paper."""


def bands_of(posts: Sequence[PostRecord], wide: float) -> list[Sequence[PostRecord]]:
    """The posts in bands of about equal number, as many as one over the width takes."""
    most = max(1, int(wide // LEAST_PITCH))
    count = math.ceil(len(posts) / most) or 1
    per = math.ceil(len(posts) / count)
    return [posts[start : start + per] for start in range(0, len(posts), per)]


def run_picture_mm(posts: Sequence[PostRecord], wide: float) -> float:
    """Height that `run_picture` takes."""
    bands = len(bands_of(posts, wide))
    return bands * BAND_MM + (bands - 1) * GAP_MM


def run_picture(sheet: Sheet, box: Box, posts: Sequence[PostRecord]) -> RunScale:
    """The whole run to one scale: posts from the house side over their tops from above, names below."""
    bands = bands_of(posts, box.width)
    pitch = box.width / max(len(band) for band in bands)
    scales = [run_scale(band, Box(box.x, box.y, pitch * len(band), BAND_MM)) for band in bands]
    if len(bands) > 1:  # stations of several bands can't be to one scale with room for each post
        even = [tuple(box.x + pitch * (i + 0.5) for i in range(len(band))) for band in bands]
        scales = [replace(one, xs=xs, pitch=pitch) for one, xs in zip(scales, even, strict=True)]
    per_mm = min(one.per_mm for one in scales)
    y = box.y
    for band, one in zip(bands, scales, strict=True):
        scale = replace(one, per_mm=per_mm)
        wide = pitch * len(band)
        upper = Box(box.x, y, wide, POST_MM + 3.0)
        elevation(sheet, upper, band, scale)
        targets(sheet, Box(box.x, upper.bottom + 0.6, wide, _TARGET_MM), band, scale)
        # Each post's name where all have room, else every second, fifth, tenth …; none over another.
        halves = [sheet.width(sheet.printable(post.name), FINE) / 2 for post in band]
        step = next((n for n in (1, 2, 5, 10, 20, 50) if 2 * max(halves) + 1.2 <= n * scale.pitch), 100)
        free = box.x
        for number, (post, half, foot_x) in enumerate(zip(band, halves, scale.xs, strict=True)):
            x = min(max(foot_x, box.x + half), box.right - half)
            if (number % step == 0 or number == len(band) - 1) and x - half >= free:
                sheet.text(x, y + BAND_MM, post.name, FINE, align="centre")
                free = x + half + 1.2
        y += BAND_MM + GAP_MM
    return replace(scales[0], per_mm=per_mm)


def run_scale(posts: Sequence[PostRecord], box: Box) -> RunScale:
    """Stations to scale where that leaves room for each post, evenly otherwise; leans to a round scale.

    What is allowed and what was built fit; a lean before packing may be cut short.
    """
    n = len(posts)
    pitch = box.width / max(n, 1)
    xs = [box.x + pitch * (i + 0.5) for i in range(n)]
    first, last = posts[0].station_mm, posts[-1].station_mm
    if last > first and n > 1:
        usable = box.width - pitch
        scaled = [box.x + pitch / 2 + usable * (p.station_mm - first) / (last - first) for p in posts]
        nearest = min(b - a for a, b in pairwise(scaled))
        if nearest >= 0.55 * pitch:
            xs, pitch = scaled, min(pitch, nearest)
    built = [post.after for post in posts if post.after]
    most = max((abs((one.slope_along or 0.0) * one.height_mm) for one in built), default=0.0)
    allowed = max(post.tolerance.allowed_top_mm(post.height_mm) for post in posts)
    per_mm = round_down(min(0.5 * pitch, 5.0) / max(most, 1.2 * allowed, 1e-3))
    return RunScale(tuple(xs), pitch, per_mm)


def round_down(value: float) -> float:
    """The largest round figure (1, 1.5, 2, 2.5 … times a power of ten) that is not above the value (> 0)."""
    power = 10.0 ** math.floor(math.log10(value))
    return power * max(nice for nice in _NICE if nice * power <= value * (1 + 1e-12))


def elevation(sheet: Sheet, box: Box, posts: Sequence[PostRecord], scale: RunScale) -> None:
    """Posts seen from the house side: dashed as first read, solid as built, ticks = allowed at the top."""
    ground = box.bottom - 1.0
    sheet.line(box.x, ground, box.right, ground, wide=0.35)
    room = 0.9 * scale.pitch

    def leaning(reading: Reading | None, x: float, **pen: float) -> bool:
        if reading is None or reading.slope_along is None:
            return False
        off = reading.slope_along * reading.height_mm * scale.per_mm
        edge = box.right - x if off > 0 else x - box.x
        part = min(1.0, min(room, edge) / abs(off)) if off else 1.0  # or it would run into its neighbours
        sheet.line(x, ground, x + off * part, ground - POST_MM * part, **pen)
        return True

    for post, x in zip(posts, scale.xs, strict=True):
        top = ground - POST_MM
        allowed = min(post.tolerance.allowed_top_mm(post.height_mm) * scale.per_mm, scale.pitch / 2)
        for side in (-1, 1):
            sheet.line(x + side * allowed, top - 1.0, x + side * allowed, top + 1.0, wide=0.15)
        before = leaning(post.before, x, wide=0.25, ink=_PALE, dash=0.8)
        built = leaning(post.after, x, wide=min(0.5, scale.pitch * 0.07))
        if not (before or built):
            sheet.text(x, ground - POST_MM / 2, "?", FINE, align="centre")
        if post.kind == "corner":
            sheet.polygon([(x - 1, ground + 1), (x + 1, ground + 1), (x, ground)], wide=0, fill=0.0)


def targets(sheet: Sheet, box: Box, posts: Sequence[PostRecord], scale: RunScale) -> None:
    """Tops seen from above: circle or square = allowed, thin line = from where it came, the mark as built.

    Full dot plumb, ring too close to call or not decided, cross out of plumb.
    """
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
        if after is None:
            continue
        tx, ty = x + after[0], y - after[1]
        if post.decision == "out":
            for side in (-0.8, 0.8):
                sheet.line(tx - 0.8, ty - side, tx + 0.8, ty + side, wide=0.35)
        elif post.decision == "plumb":
            sheet.circle(tx, ty, 0.55, wide=0, fill=0.0)
        else:
            sheet.circle(tx, ty, 0.6, wide=0.3, fill=1.0)


def post_plan(sheet: Sheet, box: Box, record: RunRecord, example: PostRecord | None) -> None:
    """One foot from above: faces named, packs on the side that the top leans to, an arrow for the top."""
    foot = example.foot if example else record.run.foot
    lean = example.before.lean if example and example.before else None
    cx, cy = box.x + box.width / 2, box.y + box.height / 2
    per_mm = min((box.width - 22) / foot.along_mm, (box.height - 15) / foot.across_mm)
    half_x, half_y = foot.along_mm / 2 * per_mm, foot.across_mm / 2 * per_mm
    draw_foot(sheet, (cx, cy), foot, per_mm)
    for pack in example.packs_in_place if example else ():
        draw_pack(sheet, (cx, cy), foot, per_mm, pack, face=entering_face(pack, lean))
        # Its thickness outside the foot: beside a corner, between foot and the face's name at an edge middle.
        along, across = pack.seat.sign_along, pack.seat.sign_across
        x, y = cx, cy - across * half_y + (-0.8 if across > 0 else 2.4)
        if along:
            x = cx + along * (half_x + 1.0)
            y = cy - across * (half_y - 0.8) + (0.8 if across else -2.2)
        align: Align = "left" if along > 0 else "right" if along else "centre"
        sheet.text(x, y, words.thick(pack.made_mm, record.run.units), FINE, align=align)
    names = record.run.faces
    sheet.text(cx, cy - half_y - 4.0, f"{names[Face.OUT]} ↑ +", FINE, align="centre", bold=True)
    sheet.text(cx, cy + half_y + 5.2, names[Face.HOUSE], FINE, align="centre", bold=True)
    sheet.text(cx + half_x + 2.2, cy + 0.7, f"{names[Face.NEXT]} → +", FINE, bold=True)
    sheet.text(cx - half_x - 2.2, cy + 0.7, names[Face.PREV], FINE, align="right", bold=True)
    if lean is not None and lean.magnitude > 0:
        far = 0.72 * min(half_x, half_y) / lean.magnitude
        sheet.arrow(cx, cy, cx + lean.slope_along * far, cy - lean.slope_across * far, wide=0.45, head=2.0)


def plan_caption(record: RunRecord, example: PostRecord | None) -> str:
    """What the plan of one post shows, in a sentence or two."""
    faces = record.run.faces
    general = (
        f"Positive is towards {faces[Face.NEXT]} and {faces[Face.OUT]}. A pack stands on the side that the "
        "top leans to: black lifts, white only fills."
    )
    if example is None or example.before is None or example.before.lean is None:
        return general
    along, across = example.before.lean.top_mm(example.before.height_mm)
    units = record.run.units
    tops = words.towards(along, True, faces, units), words.towards(across, False, faces, units)
    leans = ", ".join(text for text in tops if " " in text)
    read = f"top leaned {leans}{shown.trailing(units)}" if leans else "top stood plumb"
    return f"Post {example.name} as first read: {read}. {general}"


def limit_bar(sheet: Sheet, box: Box, off: float, expanded: float | None, allowed: float) -> None:
    """How far a top is off against its limit: a dot, a whisker of U (the uncertainty), a tick at the limit.

    All three in one unit. The line is 1.6 times the limit long; what goes beyond ends in an arrow.
    """
    y = box.y + box.height / 2
    per = box.width / (1.6 * allowed)
    end = box.right - 1.0
    limit = box.x + allowed * per
    sheet.line(box.x, y, box.right, y, wide=0.12, ink=0.5)
    sheet.line(box.x, y - 0.6, box.x, y + 0.6, wide=0.12, ink=0.5)
    sheet.line(limit, y - 1.25, limit, y + 1.25, wide=0.35)
    at = box.x + off * per
    if expanded is not None:
        low, high = max(box.x, at - expanded * per), at + expanded * per
        if low < end:
            sheet.line(low, y, min(high, end), y, wide=0.4)
        for x in (low, high):
            if box.x < x < end:
                sheet.line(x, y - 0.7, x, y + 0.7, wide=0.25)
    if at > end:
        sheet.arrow(end - 1.2, y, box.right, y, wide=0.4, head=1.2)
    else:
        sheet.circle(at, y, 0.65, wide=0, fill=0.0)


Points: TypeAlias = tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class Chart:
    """One small chart of slopes: solid is along the run, dashed across it."""

    title: str
    along: Points
    """(x, slope); empty: nothing is known that way."""
    across: Points
    ends: tuple[str, str]
    """What stands under its first and its last point."""


def charts_of(record: RunRecord) -> list[Chart]:
    """The run's chart from three posts read before packing on; an instrument's from two checks on."""
    units, faces = shown.slope_unit(record.run.units), record.run.faces
    found: list[Chart] = []

    def add(title: str, points: Sequence[tuple[float, float, float]], *ends: str) -> None:
        along, across = (tuple((point[0], point[way]) for point in points) for way in (1, 2))
        found.append(Chart(title, along, across, (ends[0], ends[1])))

    read = [
        (post.name, (post.station_mm, post.before.lean.slope_along, post.before.lean.slope_across))
        for post in record.run.posts
        if post.before is not None and post.before.lean is not None
    ]
    if len(read) > 2:
        signs = f"solid + {faces[Face.NEXT]}, dashed + {faces[Face.OUT]}"
        title, ends = f"Lean before packing, {units}: {signs}", (read[0][0], read[-1][0])
        add(title, [point for _, point in read], *(f"post {name}" for name in ends))
    for history in zero_histories(record.zeros):
        checks = [one for one in history.checks if one.checked]
        if len(checks) > 1:
            add(
                f"Zero of {history.instrument}, {units}: solid along, dashed across",
                [
                    (datetime.fromisoformat(one.checked or "").timestamp(), one.zero_along, one.zero_across)
                    for one in checks
                ],
                *(words.clock(one.checked) for one in (checks[0], checks[-1])),
            )
    return found


def chart(sheet: Sheet, box: Box, shown_by: Chart, units: Units) -> None:
    """Its points over a common x, with the line of zero, and the greatest slope each way written beside."""
    points = (*shown_by.along, *shown_by.across)
    first, last = min(x for x, _ in points), max(x for x, _ in points)
    high, low = max(0.0, *(y for _, y in points)), min(0.0, *(y for _, y in points))
    room = 11.0
    per_x = (box.width - room) / ((last - first) or 1.0)
    top = ascent(FINE) - 0.7  # the highest figure stands clear of the title
    per_y = (box.height - top - 3.0) / ((high - low) or 1.0)

    def at(x: float, y: float) -> tuple[float, float]:
        return box.x + room + (x - first) * per_x, box.y + top + (high - y) * per_y

    zero = at(first, 0.0)[1]
    sheet.line(box.x + room, zero, box.right, zero, wide=0.15)
    written: list[float] = []
    for y in sorted({high, low, 0.0}, key=abs, reverse=True):
        figure, baseline = shown.slope(y, units, sign=True, unit=False) if y else "0", at(first, y)[1] + 0.7
        if all(abs(baseline - other) >= leading(FINE) for other in written):
            sheet.text(box.x + room - 0.8, baseline, figure, FINE, align="right")
            written.append(baseline)
    for trace, dash in ((shown_by.along, 0.0), (shown_by.across, 0.8)):
        drawn = [at(x, y) for x, y in trace]
        for (x1, y1), (x2, y2) in pairwise(drawn):
            sheet.line(x1, y1, x2, y2, wide=0.3, dash=dash)
        for x, y in drawn:
            sheet.circle(x, y, 0.4, wide=0.2, fill=1.0 if dash else 0.0)
    sheet.text(box.x + room, box.bottom, shown_by.ends[0], FINE)
    sheet.text(box.right, box.bottom, shown_by.ends[1], FINE, align="right")


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


def draw_pack(
    sheet: Sheet, centre: tuple[float, float], foot: Foot, per_mm: float, pack: Pack, *, face: Face
) -> None:
    """A pack at its seat, from a face as far in as it goes: black when it lifts, white when it only fills.

    As wide as on the screen: a third of the side from its corner on, or the middle half.
    """
    x, y = foot.seat_at_mm(pack.seat)
    px, py = centre[0] + x * per_mm, centre[1] - y * per_mm
    along, across = pack.seat.sign_along, pack.seat.sign_across
    deep = (pack.reach_mm or 0.17 * min(foot.along_mm, foot.across_mm)) * per_mm
    share = per_mm / (3.0 if along and across else 2.0)
    wide, tall = (deep, foot.across_mm * share) if face.is_along else (foot.along_mm * share, deep)
    box = Box(px - (1 + along) * wide / 2, py - (1 - across) * tall / 2, wide, tall)
    sheet.rect(box, wide=0.3, fill=0.0 if pack.purpose == "lift" else 1.0)


def _top(lean: Lean | None, post: PostRecord, per_mm: float, room: float) -> tuple[float, float] | None:
    """Where a top lies on the paper, from the circle's centre (+right, +up), pulled in to `room`."""
    if lean is None:
        return None
    x, y = (mm * per_mm for mm in lean.top_mm(post.height_mm))
    pull = min(1.0, room / (math.hypot(x, y) or room))
    return x * pull, y * pull
