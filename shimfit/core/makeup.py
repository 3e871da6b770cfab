"""The make-up sheet, before the day: what each post and its rod are cut to, and what presses on what.

                 top of the post ─────────┐
                                          │  cut length = top height - height of the bed at the mark
    bottom rail ═══╤══════════════╤═══    │
                   │ access hole  │       │  the hole's middle is the bottom rail's middle
                   └──────┬───────┘       │  the upper washer and nut sit on the hole's floor
                          │ rod           │
    bed ──────────────────┼───────────────┘
    decking, framing …    │
                       washer, nut

The inputs are the user's. Nothing here designs the connection: the sheet adds lengths and compares pressure
with the allowable value that the user gives.
"""

from __future__ import annotations

import math
from collections import Counter
from typing import TYPE_CHECKING

from shimfit.errors import UsageError
from shimfit.values import dataclass

if TYPE_CHECKING:
    from collections.abc import Iterable

    from shimfit.model import Foot

NOT_A_DESIGN = (
    "These are lengths and pressures worked out from what was typed in. They do not design the connection: "
    "height, openings, loads and fixings follow the local code and a licensed professional where one is "
    "required."
)


@dataclass(frozen=True, slots=True)
class BuildUp:
    """What is the same at every post; everything is the user's choice."""

    top_height_mm: float
    """Height of the posts' tops above the datum that the bed's heights are measured from."""
    below: tuple[tuple[str, float], ...]
    """What the rod passes below the foot, downwards: (name, thickness in mm)."""
    bottom_rail_mm: float
    """Height of the bottom rail's lower edge above the bed."""
    bottom_rail_depth_mm: float
    access_hole_mm: float
    washer_outer_mm: float
    washer_hole_mm: float
    washer_mm: float
    nut_mm: float
    past_nut_mm: float
    """Thread that shows beyond each nut."""
    clamp_newton: float
    """Pull of the rod that the pressures are worked out for."""
    washer_allowable_mpa: float
    foot_allowable_mpa: float


@dataclass(frozen=True, slots=True)
class PostMakeUp:
    """One post's line on the sheet."""

    name: str
    cut_length_mm: float
    rod_length_mm: float
    access_hole_height_mm: float
    """The hole's middle above the foot."""


@dataclass(frozen=True, slots=True)
class Pressure:
    """A bearing area and what presses on it."""

    what: str
    area_mm2: float
    pressure_mpa: float
    allowable_mpa: float
    posts: tuple[str, ...] = ()
    """Posts that it is the pressure of; empty: the same at every post."""

    @property
    def share(self) -> float:
        """Pressure ÷ allowable; over 1 is too much."""
        return self.pressure_mpa / self.allowable_mpa


@dataclass(frozen=True, slots=True)
class MakeUpSheet:
    """The whole sheet."""

    posts: tuple[PostMakeUp, ...]
    pressures: tuple[Pressure, ...]
    cautions: tuple[str, ...]
    """What does not fit, then what the sheet is not."""


@dataclass(frozen=True, slots=True)
class ShopLine:
    """So many of one length."""

    what: str
    length_mm: float
    count: int


def make_up(marks: Iterable[tuple[str, float, Foot]], build_up: BuildUp) -> MakeUpSheet:
    """The sheet for posts given as (name, height of the bed at the mark above the datum in mm, own foot).

    Raises UsageError for inputs that are not finite or not positive where they have to be, and for a post
    whose bed is above the tops.
    """
    for what, value in (
        ("the access hole", build_up.access_hole_mm),
        ("the bottom rail's depth", build_up.bottom_rail_depth_mm),
        ("the clamp force", build_up.clamp_newton),
        ("the allowable pressure under the washer", build_up.washer_allowable_mpa),
        ("the allowable pressure under the foot", build_up.foot_allowable_mpa),
        ("the washer's rim", build_up.washer_outer_mm - build_up.washer_hole_mm),
    ):
        if not math.isfinite(value) or value <= 0:
            raise UsageError(f"{what} has to be more than 0, not {value:g}")
    marks = tuple(marks)
    sizes_mm = (
        build_up.bottom_rail_mm, build_up.washer_hole_mm, build_up.washer_mm, build_up.nut_mm,
        build_up.past_nut_mm, *(mm for _, mm in build_up.below), *(foot.rod_hole_mm for _, _, foot in marks),
    )  # fmt: skip
    if not all(math.isfinite(size_mm) and size_mm >= 0 for size_mm in sizes_mm):
        raise UsageError("thicknesses and heights of the make-up can't be negative")
    if not math.isfinite(build_up.top_height_mm):
        raise UsageError("the height of the tops has to be a number")
    hole_height_mm = build_up.bottom_rail_mm + build_up.bottom_rail_depth_mm / 2
    end_mm = build_up.washer_mm + build_up.nut_mm + build_up.past_nut_mm
    floor_mm = hole_height_mm - build_up.access_hole_mm / 2
    rod_mm = floor_mm + sum(thickness for _, thickness in build_up.below) + 2 * end_mm
    posts = []
    feet: dict[Foot, list[str]] = {}
    for name, bed_mm, foot in marks:
        narrow_mm = min(foot.along_mm, foot.across_mm)
        if not math.isfinite(narrow_mm) or narrow_mm <= 0:
            raise UsageError(f"the foot has to be more than 0, not {narrow_mm:g}")
        feet.setdefault(foot, []).append(name)
        cut_mm = build_up.top_height_mm - bed_mm
        if not math.isfinite(cut_mm) or cut_mm <= hole_height_mm:
            raise UsageError(f"post {name}: the bed at {bed_mm:g} mm leaves no post above the access hole")
        posts.append(PostMakeUp(name, cut_mm, rod_mm, hole_height_mm))
    clamp = build_up.clamp_newton
    washer_mm2 = math.pi / 4 * (build_up.washer_outer_mm**2 - build_up.washer_hole_mm**2)
    pressures = [Pressure("washer", washer_mm2, clamp / washer_mm2, build_up.washer_allowable_mpa)]
    for foot, names in feet.items():
        whole_mm2 = foot.along_mm * foot.across_mm * (math.pi / 4 if foot.round else 1.0)
        foot_mm2 = whole_mm2 - math.pi / 4 * foot.rod_hole_mm**2
        own = tuple(names) if len(feet) > 1 else ()
        pressures.append(
            Pressure("foot, whole", foot_mm2, clamp / foot_mm2, build_up.foot_allowable_mpa, own)
        )
    hole_mm, depth_mm = build_up.access_hole_mm, build_up.bottom_rail_depth_mm
    cautions = []
    if hole_mm > depth_mm:
        cautions.append(
            f"the bottom rail ({depth_mm:g} mm deep) does not cover the access hole ({hole_mm:g} mm)"
        )
    if floor_mm <= 0:
        cautions.append(
            "the access hole is cut through the foot: raise the bottom rail or drill a smaller hole"
        )
    if end_mm > hole_mm:
        cautions.append(
            f"washer, nut and thread ({end_mm:g} mm) do not go into the access hole ({hole_mm:g} mm)"
        )
    if build_up.washer_outer_mm > hole_mm:
        cautions.append("the washer is wider than the access hole")
    return MakeUpSheet(tuple(posts), tuple(pressures), (*cautions, NOT_A_DESIGN))


def shop_list(sheet: MakeUpSheet, step_mm: float = 1.0) -> tuple[ShopLine, ...]:
    """Posts, then rods, counted by length (rounded up to the step), longest first."""
    if not math.isfinite(step_mm) or step_mm <= 0:
        raise UsageError(f"lengths can't be rounded to {step_mm:g} mm")
    lengths = (
        ("post", [post.cut_length_mm for post in sheet.posts]),
        ("rod", [post.rod_length_mm for post in sheet.posts]),
    )
    counted = Counter(
        (what, math.ceil(length_mm / step_mm - 1e-9) * step_mm)
        for what, some in lengths
        for length_mm in some
    )
    ordered = sorted(counted.items(), key=lambda line: (line[0][0], -line[0][1]))
    return tuple(ShopLine(what, length_mm, count) for (what, length_mm), count in ordered)
