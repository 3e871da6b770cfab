"""Where the posts of a run stand: from leg lengths and a greatest spacing, or from a list of stations.

A station is the distance walked from the start of the run to the post's middle, in mm, right round the
corners: the tape is never set back to zero. Legs are counted from 1. A post at a corner belongs to the leg
that it ends.
"""

from __future__ import annotations

import math
import re
from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING, Literal

from shimfit.errors import UsageError
from shimfit.values import dataclass

if TYPE_CHECKING:
    from collections.abc import Sequence

    from shimfit.model import Foot

MarkKind = Literal["line", "corner", "end"]

SAME_PLACE_MM = 0.5
"""Two marks closer than this are one mark: a pencil line is about that wide."""

MOST_POSTS = 10_000
"""More posts than this in one run is a slip of the unit, not a run."""


@dataclass(frozen=True, slots=True)
class Mark:
    """The place of one post on the deck."""

    name: str
    leg: int
    """Counted from 1; a corner post belongs to the leg that it ends."""
    station_mm: float
    """Distance walked from the start of the run to the post's middle."""
    kind: MarkKind
    turn_deg: float | None = None
    """How far the run turns at a corner, + towards out, - towards house; None: a right angle."""


def lay_out(
    legs_mm: Sequence[float], every_mm: float, turns_deg: Sequence[float | None] = ()
) -> tuple[Mark, ...]:
    """Evenly spaced posts on each leg, both ends and every corner included, named 1, 2, … in walking order.

    `legs_mm` are the lengths of the legs, middle of post to middle of post; `every_mm` is the greatest
    spacing, also middle to middle. Each leg has the fewest equal spaces that are no wider. `turns_deg`:
    how far the run turns before the second, third, … leg (see Mark); None, or no value: a right angle.
    Raises UsageError for a run without legs, for lengths that are not finite and positive, and for more
    posts than MOST_POSTS.
    """
    if not legs_mm:
        raise UsageError("a run needs at least one leg: give its length")
    lengths = [(f"the length of leg {leg}", length_mm) for leg, length_mm in enumerate(legs_mm, start=1)]
    for what, value_mm in (*lengths, ("the greatest spacing", every_mm)):
        if not (math.isfinite(value_mm) and value_mm > 0):
            raise UsageError(f"{what} has to be more than 0 mm, not {value_mm:g}")
    if sum(legs_mm) / every_mm > MOST_POSTS:
        raise UsageError(
            f"a post every {every_mm:g} mm of {sum(legs_mm):g} mm is over {MOST_POSTS} posts: a wrong unit?"
        )
    marks = [Mark("1", 1, 0.0, "end")]
    start_mm = 0.0
    for leg, length_mm in enumerate(legs_mm, start=1):
        # A leg that is a whole number of spacings must not get one more space from the last bit of a float.
        spaces = max(1, math.ceil(length_mm / every_mm - 1e-9))
        for step in range(1, spaces + 1):
            kind: MarkKind = "line"
            if step == spaces:
                kind = "end" if leg == len(legs_mm) else "corner"
            station_mm = start_mm + length_mm * step / spaces
            turn_deg = turns_deg[leg - 1] if kind == "corner" and leg <= len(turns_deg) else None
            marks.append(Mark(str(len(marks) + 1), leg, station_mm, kind, turn_deg))
        start_mm += length_mm
    return tuple(marks)


def from_stations(stations_mm: Sequence[float], corners_mm: Sequence[float] = ()) -> tuple[Mark, ...]:
    """Posts at the stations as listed; a station that is also in `corners_mm` is a corner.

    Raises UsageError when fewer than two stations are given, when they do not rise, or when a corner is not
    one of the stations between the ends.
    """
    if len(stations_mm) < 2:
        raise UsageError("a run needs at least two stations, its two ends")
    for before, after in pairwise(stations_mm):
        if after - before < SAME_PLACE_MM:
            raise UsageError(f"stations have to rise: {after:g} mm comes after {before:g} mm")
    inner = stations_mm[1:-1]
    for corner_mm in corners_mm:
        if not any(abs(corner_mm - station_mm) < SAME_PLACE_MM for station_mm in inner):
            raise UsageError(f"a corner needs a post: {corner_mm:g} mm isn't between the ends")
    marks = []
    leg = 1
    for index, station_mm in enumerate(stations_mm):
        is_corner = any(abs(corner_mm - station_mm) < SAME_PLACE_MM for corner_mm in corners_mm)
        at_end = index in (0, len(stations_mm) - 1)
        kind: MarkKind = "end" if at_end else "corner" if is_corner else "line"
        marks.append(Mark(str(index + 1), leg, station_mm, kind))
        leg += is_corner
    return tuple(marks)


def insert(marks: Sequence[Mark], station_mm: float, name: str | None = None) -> tuple[Mark, ...]:
    """One more line post between the ends; the other posts keep their names.

    Unless named, the post is called after the one before it: a post after 3 becomes 3a, the next one 3b.
    Raises UsageError when the station is outside the ends or taken, or the name is taken.
    """
    if not marks or not marks[0].station_mm < station_mm < marks[-1].station_mm:
        raise UsageError(f"a new post has to stand between the ends: {station_mm:g} mm is outside")
    for mark in marks:
        if abs(mark.station_mm - station_mm) < SAME_PLACE_MM:
            raise UsageError(f"post {mark.name} stands at {station_mm:g} mm already")
    place = next(index for index, mark in enumerate(marks) if mark.station_mm > station_mm)
    before = marks[place - 1]
    taken = {mark.name for mark in marks}
    if name is None:
        name = _name_after(before.name, taken)
    elif name in taken:
        raise UsageError(f"there is a post {name} already: give another name")
    leg = before.leg + (before.kind == "corner")
    new = Mark(name, leg, station_mm, "line")
    return (*marks[:place], new, *marks[place:])


def move(marks: Sequence[Mark], name: str, station_mm: float) -> tuple[Mark, ...]:
    """The same posts with one of them at another station; their order stays as it is.

    Raises UsageError when there is no such post, or the station is not between its neighbours.
    """
    place = _index(marks, name)
    if place > 0 and station_mm < marks[place - 1].station_mm + SAME_PLACE_MM:
        raise UsageError(f"post {name} can't stand before post {marks[place - 1].name}")
    if place < len(marks) - 1 and station_mm > marks[place + 1].station_mm - SAME_PLACE_MM:
        raise UsageError(f"post {name} can't stand behind post {marks[place + 1].name}")
    return (*marks[:place], replace(marks[place], station_mm=station_mm), *marks[place + 1 :])


def remove(marks: Sequence[Mark], name: str) -> tuple[Mark, ...]:
    """The posts without one of them. An end that goes makes its neighbour the end.

    Raises UsageError when there is no such post, when it stands at a corner, or when fewer than two would
    be left.
    """
    place = _index(marks, name)
    if marks[place].kind == "corner":
        raise UsageError(
            f"post {name} stands at a corner and holds two legs: move it, or lay out the run again"
        )
    left = [*marks[:place], *marks[place + 1 :]]
    if len(left) < 2:
        raise UsageError("a run needs at least two posts")
    for end in (0, -1):
        left[end] = replace(left[end], kind="end")
    return tuple(left)


def leaves(foot: Foot, turn_deg: float) -> tuple[float, float]:
    """Where a direction turned from along by `turn_deg` leaves a foot: mm from its middle, mitre in degrees.

    A ray from the middle of a rectangle leaves by the side that it meets first: half a side ÷ cos or sin.
    The mitre is how far from square, in plan, a rail is cut there, + = its out edge is the longer one: 0 at a
    side that it meets squarely, and at a round post, which wants no mitre but a hollow.
    """
    if foot.round:
        return foot.along_mm / 2, 0.0
    along, across = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    sides = [
        (half / abs(part), normal_deg)
        for half, part, normal_deg in (
            (foot.along_mm / 2, along, 0.0 if along > 0 else 180.0),
            (foot.across_mm / 2, across, 90.0 if across > 0 else -90.0),
        )
        if abs(part) > 1e-12
    ]
    reach, normal_deg = min(sides, key=lambda side: side[0])
    # At s mm towards out off the rail's middle, the side is s · tan(turn - normal) farther along the rail.
    off_deg = (turn_deg - normal_deg + 180.0) % 360.0 - 180.0
    return reach, -off_deg if abs(off_deg) > 1e-9 else 0.0


def _index(marks: Sequence[Mark], name: str) -> int:
    for index, mark in enumerate(marks):
        if mark.name == name:
            return index
    raise UsageError(f"there is no post {name}: the run has {', '.join(mark.name for mark in marks)}")


def _name_after(name: str, taken: set[str]) -> str:
    stem = re.sub(r"(?<=\d)[a-z]+$", "", name)
    for letter in "abcdefghijklmnopqrstuvwxyz":
        if stem + letter not in taken:
            return stem + letter
    return _name_after(name + "a", taken)
