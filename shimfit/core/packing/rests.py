"""How a foot rests on four packs, as linear maps, and what a rest costs by itself.

With all four in contact the resting plane is the least-squares plane through the errors, tilted by the
clamp where the rod does not pull through the supports' middle (solver's section 3; the general contact
problem is `core.resting`, which every answer is checked with). Four forces have one freedom left, the
rock q, so contact of all four is an interval of q: for the four corners of a rectangle |q| <= 4 delta.

A rest costs the rounds after the next reading. `RestCosts` tells that for
each set of bearing points, and where all rests lie that cost no more than a price: in a box along the axes of
the reading's scatter. There the chance of a disk is even both ways, and the rests of one price or less make a
convex set (log-concave: `chance`), so the set reaches no further along an axis than on that axis itself.
"""

from __future__ import annotations

import itertools
import math
from bisect import bisect_right
from functools import lru_cache
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from shimfit.core.chance import PROFILE, Chances, next_rounds
from shimfit.core.foot import DUST_MM
from shimfit.core.objective import LEAST_CHANCE
from shimfit.core.resting import Point, rock_vector
from shimfit.values import dataclass

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike, NDArray

    from shimfit.core.packing.options import Costs
    from shimfit.core.packing.question import Task

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]

_DUST = 1e-9

Windows = tuple[tuple[float, float], tuple[float, float], tuple[float, float]]


@dataclass(frozen=True, slots=True)
class Four:
    """The maps for one set of bearing points. e_i = thickness less need at support i, in mm."""

    x: tuple[float, ...]
    """Top shift along, in mm, per mm of each error."""
    y: tuple[float, ...]
    """Top shift across."""
    x0: float
    y0: float
    """Top shift by the clamp alone."""
    n: tuple[float, ...]
    """Rock per mm of each error; the length of the vector is 2, as for a rectangle's ±1."""
    q_lo: float
    q_hi: float
    """Rocks at which all four supports carry and none is over the limit; q_lo > q_hi when never."""
    by_top: tuple[tuple[float, float], ...]
    """Errors of supports 1, 2, 3 per mm of top shift along and across, support 0 having none."""
    by_rock: tuple[tuple[float, float], ...]
    """The same with no shift: their middle, and how far they go either way by the rock."""


@lru_cache(maxsize=1024)
def fourfold(
    points: tuple[Point, ...], height_mm: float, pull_mm: float, allowed_mm: float, *, disk: bool
) -> tuple[Four, Windows] | None:
    """Maps and error windows for four bearing points; None when they can't all carry.

    Remembered: they depend on the foot and on which sides are low, not on how far the post leans, so a
    stream of readings asks for the same few over and over.
    """
    four = four_supports(points, height_mm, pull_mm)
    if four is None or four.q_lo > four.q_hi:
        return None
    return four, error_windows(four, allowed_mm, disk=disk)


def four_supports(points: Sequence[Point], height_mm: float, pull_mm: float) -> Four | None:
    """Maps for four bearing points, from the rod in mm; None when they stand on one line.

    pull_mm: clamp force ÷ stiffness of a seat, 4 times the common compression.
    """
    x_mid = sum(p[0] for p in points) / 4.0
    y_mid = sum(p[1] for p in points) / 4.0
    centred = [(p[0] - x_mid, p[1] - y_mid) for p in points]
    xx = sum(dx * dx for dx, _ in centred)
    xy = sum(dx * dy for dx, dy in centred)
    yy = sum(dy * dy for _, dy in centred)
    det = xx * yy - xy * xy
    if det <= 1e-9 * (xx + yy) ** 2:
        return None
    u = [(dx * yy - dy * xy) / det for dx, dy in centred]
    v = [(dy * xx - dx * xy) / det for dx, dy in centred]
    u0 = pull_mm * (x_mid * yy - y_mid * xy) / det
    v0 = pull_mm * (y_mid * xx - x_mid * xy) / det
    n = rock_vector(points)
    lo, hi = -pull_mm, pull_mm
    for (dx, dy), weight in zip(centred, n, strict=True):
        # Force ÷ stiffness of a support: its share of the pull and n·q/4, which must not be negative.
        share = pull_mm / 4.0 - u0 * dx - v0 * dy
        if weight > DUST_MM:
            lo = max(lo, -4.0 * share / weight)
        elif weight < -DUST_MM:
            hi = min(hi, -4.0 * share / weight)
        elif share < 0.0:
            return None
    along, across = tuple(-height_mm * a for a in u), tuple(-height_mm * a for a in v)
    x0, y0 = -height_mm * u0, -height_mm * v0
    inverse = _inverse([along[1:], across[1:], n[1:]])
    middle, half = (lo + hi) / 2.0, (hi - lo) / 2.0
    return Four(
        x=along,
        y=across,
        x0=x0,
        y0=y0,
        n=n,
        q_lo=lo,
        q_hi=hi,
        by_top=tuple((x, y) for x, y, _ in inverse),
        by_rock=tuple((q * middle - x * x0 - y * y0, abs(q) * half) for x, y, q in inverse),
    )


class Box(NamedTuple):
    """Rests (along, across) = (cos·u - sin·v, sin·u + cos·v) with |u| and |v| up to their halves, mm."""

    cos: float
    sin: float
    u_mm: float
    v_mm: float


def error_windows(four: Four, allowed: float | Box, *, disk: bool = False) -> Windows:
    """Least and greatest error of supports 1, 2, 3, support 0 having none, within all limits.

    (top x, top y, rock) is an invertible linear map of the three errors, so each error is a combination
    of the three; over a box of limits its extremes are at the ends, over a disk the two top shifts join.
    """
    cos, sin, u_mm, v_mm = allowed if isinstance(allowed, Box) else (1.0, 0.0, allowed, allowed)
    windows = []
    for (by_x, by_y), (middle, by_rock) in zip(four.by_top, four.by_rock, strict=True):
        u, v = cos * by_x + sin * by_y, cos * by_y - sin * by_x
        spread = by_rock + (math.hypot(u, v) * u_mm if disk else abs(u) * u_mm + abs(v) * v_mm)
        windows.append((middle - spread, middle + spread))
    return windows[0], windows[1], windows[2]


def _inverse(m: Sequence[Sequence[float]]) -> list[tuple[float, float, float]]:
    (a, b, c), (d, e, f), (g, h, i) = m
    det = a * (e * i - f * h) - b * (d * i - f * g) + c * (d * h - e * g)
    return [
        ((e * i - f * h) / det, (c * h - b * i) / det, (b * f - c * e) / det),
        ((f * g - d * i) / det, (a * i - c * g) / det, (c * d - a * f) / det),
        ((d * h - e * g) / det, (b * g - a * h) / det, (a * e - b * d) / det),
    ]


# ---------------------------------------------------------------- what a rest costs


@dataclass(frozen=True, slots=True)
class Combo:
    """One set of bearing points."""

    inner: tuple[bool, ...]
    """Of each searched seat: it bears further in."""
    four: Four
    windows: Windows
    """Least and greatest error of each searched seat."""
    start: Floats
    """(3, 1) along, across and rock where none is off."""
    maps: Floats
    """(3, 3) the same per mm that each searched seat is off by."""

    def rests(self, error: Floats, seats: Sequence[int] | slice = slice(None)) -> Floats:
        """(3, N) along, across and rock with errors (n, N) of these seats, mm."""
        found = self.maps[:, seats] @ error
        found += self.start
        return found


@lru_cache(maxsize=256)
def combos_of(
    places: tuple[tuple[Point, ...], ...],
    height_mm: float,
    pull_mm: float,
    allowed_mm: float,
    *,
    disk: bool,
) -> tuple[tuple[Combo, ...], Floats, Ints]:
    """The C sets of bearing points of four seats at which all can carry.

    places: where each seat can bear, mm from the rod: at its face, and where it has one further in. With them
    (C, 3, 4) along², along·across and across² at the top per error² of each seat, and (C, 4) which of its
    places each seat bears at. Remembered as `fourfold` is.
    """
    combos, which = [], []
    for chosen in itertools.product(*(range(len(some)) for some in places)):
        points = tuple(some[i] for some, i in zip(places, chosen, strict=True))
        found = fourfold(points, height_mm, pull_mm, allowed_mm, disk=disk)
        if found is not None:
            four, windows = found
            start = np.array([[four.x0], [four.y0], [0.0]])
            maps = np.array([four.x[1:], four.y[1:], four.n[1:]])
            combos.append(Combo(tuple(map(bool, chosen[1:])), four, windows, start, maps))
            which.append(chosen)
    x, y = np.array([(c.four.x, c.four.y) for c in combos]).reshape(-1, 2, len(places)).swapaxes(0, 1)
    squares = np.stack((x * x, x * y, y * y), axis=1)
    return tuple(combos), squares, np.array(which, dtype=np.int64).reshape(-1, len(places))


class RestCosts:
    """What a rest (along and across, mm) costs by itself, for each set of bearing points c.

    covariances: (C, 3) of the next reading's top, mm²: (along², along·across, across²).
    """

    def __init__(
        self, task: Task, costs: Costs, pull_mm: float, combos: Sequence[Combo], covariances: ArrayLike
    ) -> None:
        self.task, self.costs, self.pull_mm, self.combos = task, costs, pull_mm, combos
        self._falling: dict[int, tuple[tuple[float, float], list[list[float]]]] = {}
        """Axes of a set of bearing points, and minus its profiles, for those that were asked for."""
        self.floors = [0.0] * len(combos)
        """What any rest costs at least."""
        if combos and not task.lean_only:
            zones = [task.acceptance.zone] * len(combos)
            self.chances = Chances(covariances, zones, task.allowed_mm)
            self.floors = (next_rounds(costs.round, self.chances.best()) - _DUST).tolist()

    def at(self, c: int, x: Floats, y: Floats) -> Floats:
        """What these rests cost."""
        if self.task.lean_only:
            return 1e6 * np.hypot(x, y) if self.task.disk else 1e6 * np.maximum(np.abs(x), np.abs(y))
        return next_rounds(self.costs.round, self.chances.at(c, x, y))

    def box(self, c: int, room: float) -> Box | None:
        """Where every rest lies that costs no more than the room for it; None: no closer than the limits."""
        if self.task.lean_only or not self.costs.round:
            return None
        chance = 1.0 / (1.0 + max(room, 0.0) / self.costs.round)
        if chance <= LEAST_CHANCE:
            return None
        # The first step where the chance is too low; beyond the last there is no rest.
        far = self.task.allowed_mm * (1.0 + 1e-9) / PROFILE
        if c not in self._falling:
            self._falling[c] = self.chances.axes(c), (-self.chances.profiles[:, c]).tolist()
        axes, (along, across) = self._falling[c]
        return Box(*axes, far * bisect_right(along, -chance), far * bisect_right(across, -chance))
