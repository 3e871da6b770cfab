"""Rails between neighbouring posts as they really stand: lengths, end cuts, openings.

A post's foot is at its station; its faces lean with it. At a height z above the foot the next face of the
left post is at

    x = station + half the foot + slope_along · z        (and y = slope_across · z across the run)

so a rail there is as long as the faces are apart, and its two ends are not quite square: the bevel at an end
is the lean of that post along the run. Heights are measured from the foot, the rail runs parallel to the bed.

A corner post stands square to the leg that it ends. Where the run turns by another angle than a right one,
the next leg's rail meets a face aslant in plan: it is mitred, or it fouls by half its thickness times the
tangent.
"""

from __future__ import annotations

import cmath
import math
from itertools import pairwise
from typing import TYPE_CHECKING

from shimfit.core.layout import leaves
from shimfit.core.lean import to_degrees
from shimfit.errors import UsageError
from shimfit.model import Lean
from shimfit.values import dataclass

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from shimfit.core.layout import Mark
    from shimfit.model import Foot


@dataclass(frozen=True, slots=True)
class StandingPost:
    """A post as it stands (or is predicted to stand)."""

    name: str
    station_mm: float
    foot: Foot
    lean: Lean
    height_mm: float
    turn_deg: float = 0.0
    """How far the run turns at this post, + towards out, - towards house; 0 where it runs on."""


@dataclass(frozen=True, slots=True)
class Rail:
    """One rail between two posts, at one height."""

    first: str
    second: str
    at_mm: float
    """Height of the rail's middle above the feet."""
    depth_mm: float
    """Height of the rail itself; 0 = only the middle is given."""
    middle_mm: float
    """Face to face at the rail's middle, along the rail."""
    top_mm: float
    """The same at its upper edge."""
    bottom_mm: float
    """The same at its lower edge."""
    bevel_first_deg: float
    """End cut off square at the first post; + = the top of that post leans into the opening."""
    bevel_second_deg: float
    """End cut off square at the second post; + = the top of that post leans into the opening."""
    mitre_first_deg: float = 0.0
    """The end at the first post off square in plan, where the run turns; + = its out edge is the longer."""
    thick_mm: float = 0.0
    """How thick the rail is across the run; 0 = not given."""

    @property
    def fouls_mm(self) -> float:
        """By how much a square end runs into the first post, the rail's middle at its length."""
        return self.thick_mm / 2 * abs(math.tan(math.radians(self.mitre_first_deg)))

    @property
    def difference_mm(self) -> float:
        """Upper edge less lower edge."""
        return self.top_mm - self.bottom_mm

    @property
    def square_mm(self) -> float:
        """Length of a square-cut rail that goes in: the shorter edge, less what it would foul in plan."""
        return min(self.top_mm, self.bottom_mm) - self.fouls_mm

    @property
    def bevelled_mm(self) -> float:
        """Long point to long point when both ends are cut to the posts: the longer edge."""
        return max(self.top_mm, self.bottom_mm) + self.fouls_mm


@dataclass(frozen=True, slots=True)
class Opening:
    """The clear width between two posts, where it is widest."""

    first: str
    second: str
    widest_mm: float
    """Face to face; negative when the posts overlap."""
    at_mm: float
    """Height above the feet where it is widest."""
    limit_mm: float
    """The user's limit; infinite where none was set."""

    @property
    def over_mm(self) -> float:
        """How much it is wider than the limit; 0 when it is not."""
        return max(0.0, self.widest_mm - self.limit_mm)


def upright(marks: Iterable[Mark], foot: Foot, own: Mapping[str, Foot]) -> list[StandingPost]:
    """Posts plumb on their marks, as laid out. own: feet of posts that have another."""
    plumb = Lean(0.0, 0.0)
    return [
        StandingPost(
            mark.name,
            mark.station_mm,
            own.get(mark.name, foot),
            plumb,
            0.0,
            turn_deg=(90.0 if mark.turn_deg is None else mark.turn_deg) if mark.kind == "corner" else 0.0,
        )
        for mark in marks
    ]


def rails(
    posts: Sequence[StandingPost], at_mm: Sequence[float], depth_mm: float = 0.0, thick_mm: float = 0.0
) -> tuple[Rail, ...]:
    """Rails between neighbours, posts in walking order; for each pair, each height.

    depth_mm, thick_mm: of the rail, upright and across the run; 0 = not given. Raises UsageError when a
    height lies outside the posts or two posts leave no room for a rail.
    """
    for what, size_mm in (("depth", depth_mm), ("thickness", thick_mm)):
        if not math.isfinite(size_mm) or size_mm < 0:
            raise UsageError(f"a rail's {what} can't be {size_mm:g} mm")
    _check_turns(posts)
    found = []
    for first, second in pairwise(posts):
        highest_mm = min(first.height_mm, second.height_mm)
        for middle_mm in at_mm:
            top_mm, bottom_mm = middle_mm + depth_mm / 2, middle_mm - depth_mm / 2
            if not math.isfinite(middle_mm) or bottom_mm < 0 or top_mm > highest_mm + 1e-9:
                raise UsageError(
                    f"a rail at {middle_mm:g} mm does not meet posts {first.name} and {second.name}, "
                    f"which stand from 0 to {highest_mm:g} mm"
                )
            middle, top, bottom = (_clear_mm(first, second, z_mm) for z_mm in (middle_mm, top_mm, bottom_mm))
            if middle <= 0:
                raise UsageError(f"posts {first.name} and {second.name} leave no room for a rail")
            bevels = (
                to_degrees(_in_next_leg(first, _slopes(first)).real),
                -to_degrees(second.lean.slope_along),
            )
            _, mitre = leaves(first.foot, first.turn_deg)
            lengths = middle, top, bottom
            found.append(
                Rail(first.name, second.name, middle_mm, depth_mm, *lengths, *bevels, mitre, thick_mm)
            )
    return tuple(found)


def openings(posts: Sequence[StandingPost], limit_mm: float = math.inf) -> tuple[Opening, ...]:
    """Where neighbours stand widest apart, from foot to reading height, against the user's limit."""
    _check_turns(posts)
    found = []
    for first, second in pairwise(posts):
        top_mm = min(first.height_mm, second.height_mm)
        widest_mm, at_mm = max((_clear_mm(first, second, z_mm), z_mm) for z_mm in (0.0, top_mm))
        found.append(Opening(first.name, second.name, widest_mm, at_mm, limit_mm))
    return tuple(found)


def _clear_mm(first: StandingPost, second: StandingPost, z_mm: float) -> float:
    """Face to face along the rail at a height; negative when the faces have passed each other.

    Places are complex numbers: along the rail's leg, and across it.
    """
    # The corner post is square to the leg that it ends; the rail's middle leaves it where this leg does.
    face = first.station_mm + leaves(first.foot, first.turn_deg)[0]
    start = face + _in_next_leg(first, _slopes(first) * z_mm)
    end = second.station_mm - second.foot.along_mm / 2 + _slopes(second) * z_mm
    between = end - start
    return math.copysign(abs(between), between.real) if between.real else 0.0


def _slopes(post: StandingPost) -> complex:
    """Its lean along and across its own leg."""
    return complex(post.lean.slope_along, post.lean.slope_across)


def _in_next_leg(post: StandingPost, off: complex) -> complex:
    """What is along and across the leg that ends at the post, in the directions of the next one."""
    return off * cmath.rect(1.0, -math.radians(post.turn_deg))


def _check_turns(posts: Sequence[StandingPost]) -> None:
    for post in posts:
        if not math.isfinite(post.turn_deg) or abs(post.turn_deg) >= 180.0:
            raise UsageError(
                f"a run turns by less than 180 degrees at a corner, not by {post.turn_deg:g} "
                f"as at post {post.name}"
            )
