"""Targets within each post's tolerance that bring the tops of a leg closest to one straight line.

Seen along the leg only the sideways place of a top shows, so the targets are across the run; along it every
post is aimed at plumb. Feet are seldom all on the string; a post that may lean a little can be aimed so that
the eye, which runs along the tops, finds a line.

The linear program is a Chebyshev fit of a line with room in the data: choose aims a, |a| ≤ room,
and a line c0 + c1 · station; minimise max |d + a - line| + 1e-3 Σ|a|, d = how far the foot is off the string.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from shimfit.core.planning.program import Sparse
from shimfit.errors import InternalError, UsageError
from shimfit.values import dataclass

if TYPE_CHECKING:
    from collections.abc import Sequence

    from shimfit.core.planning.program import Floats, Solver

AIM_COST = 1e-3
"""Per mm of aim against 1 per mm of the worst top: an aim that does not help the line is not taken."""
FARTHEST_OFF = 0.1
"""Farthest foot off the string ÷ widest spacing of the run. It bends the line by 1 in 10 at one post, where
feet are usually within a few mm of the string (common practice, no source): more is a slip of the unit or
another line, and no aim within a tolerance helps it."""


@dataclass(frozen=True, slots=True)
class LinePost:
    """One post of a leg, as the line-up sees it."""

    name: str
    leg: int
    station_mm: float
    off_mm: float
    """How far the middle of the foot is off the string across the run, + towards out."""
    room_mm: float
    """How far the top may be aimed off plumb: the part of the tolerance not kept for what packing leaves."""


@dataclass(frozen=True, slots=True)
class Target:
    """Where to aim one top."""

    name: str
    aim_across_mm: float
    """Off plumb at the reading height, + towards out."""
    before_mm: float
    """Off the best line when every post is plumb, + towards out."""
    after_mm: float
    """Off the best line when every post stands as aimed."""


@dataclass(frozen=True, slots=True)
class LegLine:
    """One leg lined up."""

    leg: int
    targets: tuple[Target, ...]
    worst_before_mm: float
    worst_after_mm: float


def line_up(posts: Sequence[LinePost], solver: Solver) -> tuple[LegLine, ...]:
    """Targets of each leg in order; a leg of one or two posts is on a line as it is and gets none.

    Raises UsageError for numbers that are not finite, for negative room, for two posts at one station, or for
    a foot farther off the string than `FARTHEST_OFF` allows.
    """
    for post in posts:
        if not all(map(math.isfinite, (post.station_mm, post.off_mm, post.room_mm))) or post.room_mm < 0:
            raise UsageError(
                f"post {post.name}: station, offset and room have to be finite, room not negative"
            )
    # Feet that stand on no line with the others; the widest spacing is walked round the corners.
    stations_mm = sorted(post.station_mm for post in posts)
    spacing_mm = max((b - a for a, b in pairwise(stations_mm)), default=0.0)
    most_mm = FARTHEST_OFF * spacing_mm
    for post in posts:
        if 0.0 < most_mm < abs(post.off_mm):
            raise UsageError(
                f"post {post.name}: a foot {abs(post.off_mm):g} mm off the string can't be lined up. With "
                f"posts up to {spacing_mm:g} mm apart more than {most_mm:g} mm isn't a line. A wrong unit?"
            )
    lines = []
    for leg in sorted({post.leg for post in posts}):
        own = [post for post in posts if post.leg == leg]
        station_mm, off_mm, room_mm = np.array([(p.station_mm, p.off_mm, p.room_mm) for p in own]).T
        if np.unique(station_mm).size != station_mm.size:
            raise UsageError(f"leg {leg} has two posts at one station")
        _, before_mm = _fit(station_mm, off_mm, np.zeros_like(room_mm), solver)
        aim_mm, after_mm = _fit(station_mm, off_mm, room_mm, solver)
        names = (post.name for post in own)
        targets = map(Target, names, aim_mm.tolist(), before_mm.tolist(), after_mm.tolist())
        worst = (float(np.abs(off).max()) for off in (before_mm, after_mm))
        lines.append(LegLine(leg, tuple(targets), *worst))
    return tuple(lines)


def _fit(station_mm: Floats, off_mm: Floats, room_mm: Floats, solver: Solver) -> tuple[Floats, Floats]:
    """Aims and what stays off the line, both in mm, shape (posts,).

    Columns, all at least 0: aims towards out, aims towards house, c0 up and down, c1 up and down, worst.
    """
    posts = station_mm.size
    if posts <= 2:
        return np.zeros(posts), np.zeros(posts)
    # Stations as -1 … +1: the program is then as well scaled for 3 m as for 300 m.
    middle_mm = (station_mm.min() + station_mm.max()) / 2
    along = (station_mm - middle_mm) / (station_mm.max() - middle_mm)
    one, eye = np.ones((posts, 1)), np.eye(posts)
    slope = along[:, None]
    line = np.hstack([eye, -eye, -one, one, -slope, slope])
    dense = np.vstack([np.hstack([line, -one]), np.hstack([-line, -one])])
    upper = np.concatenate([-off_mm, off_mm])
    cost = np.concatenate([np.full(2 * posts, AIM_COST), np.zeros(4), [1.0]])
    top = np.concatenate([room_mm, room_mm, np.full(5, np.inf)])
    program = solver.linear()
    program.add_rows(np.full(2 * posts, -np.inf), upper)
    column, row = np.nonzero(dense.T)
    starts = np.searchsorted(column, np.arange(dense.shape[1])).astype(np.int32)
    program.add_columns(cost, top, Sparse(starts, row.astype(np.int32), dense[row, column]))
    answer = program.solve()
    if answer is None:
        raise InternalError("the line-up has no answer, though plumb posts are one")
    x = answer.columns
    aim_mm = x[:posts] - x[posts : 2 * posts]
    line_mm = x[-5] - x[-4] + (x[-3] - x[-2]) * along
    return aim_mm, off_mm + aim_mm - line_mm
