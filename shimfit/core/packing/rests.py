"""How a foot rests on four packs, as linear maps, and what a rest costs by itself.

With all four in contact the resting plane is the least-squares plane through the errors, tilted by the
clamp where the rod does not pull through the supports' middle (solver's section 3; the general contact
problem is `core.resting`, which every answer is checked with). Four forces have one freedom left, the
rock q, so contact of all four is an interval of q: for the four corners of a rectangle |q| <= 4 delta.

A rest costs the rounds after the next reading (in weights: its lean and its rock). `RestCosts` tells that for
each set of bearing points, and from below what a whole line of rests costs: `Rings` by how far they are off.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import TYPE_CHECKING

import numpy as np

from shimfit.core.chance import Chances, next_rounds
from shimfit.core.foot import DUST_MM
from shimfit.core.objective import LEAST_CHANCE

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from shimfit.core.packing.options import Costs
    from shimfit.core.packing.question import Task

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]

_DUST = 1e-9
_MANY = 500
"""Rests beyond which it pays to bound them by rings first."""
_RADII, _ANGLES = 28, 9
"""Distances from none to the reach, and rays of a quarter turn, at which a class's rounds are priced."""
_NONE_AND_HALF = np.array([0.0, 0.5])
"""Shares of the reach whose chances tell how much wider one direction is than the other."""
_OFF = 1e-7
"""More than the chance's polynomials are off by."""
_FAR = 1e9
"""A price above all others, where none is known."""
_CELLS = 40
"""Cells of a grid from none to the reach, each way."""

Point = tuple[float, float]
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
    n = _rock_vector(points)
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
    return Four(
        x=tuple(-height_mm * a for a in u),
        y=tuple(-height_mm * a for a in v),
        x0=-height_mm * u0,
        y0=-height_mm * v0,
        n=n,
        q_lo=lo,
        q_hi=hi,
    )


def _rock_vector(points: Sequence[Point]) -> tuple[float, ...]:
    """The one combination of four errors that no plane can take up, of length 2."""
    a, b, c, d = points
    raw = (_area(b, c, d), -_area(a, c, d), _area(a, b, d), -_area(a, b, c))
    size = math.sqrt(sum(value * value for value in raw)) / 2.0
    return tuple(value / size for value in raw)


def _area(p: Point, q: Point, r: Point) -> float:
    return (q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0])


def error_windows(four: Four, allowed_mm: float, *, disk: bool) -> Windows:
    """Least and greatest error of supports 1, 2, 3, support 0 having none, within all limits.

    (top x, top y, rock) is an invertible linear map of the three errors, so each error is a combination
    of the three; over a box of limits its extremes are at the ends, over a disk the two top shifts join.
    """
    m = [four.x[1:], four.y[1:], four.n[1:]]
    inverse = _inverse(m)
    middle, half = (four.q_lo + four.q_hi) / 2.0, (four.q_hi - four.q_lo) / 2.0
    windows = []
    for row in inverse:
        mid = -row[0] * four.x0 - row[1] * four.y0 + row[2] * middle
        lean = math.hypot(row[0], row[1]) if disk else abs(row[0]) + abs(row[1])
        spread = lean * allowed_mm + abs(row[2]) * half
        windows.append((mid - spread, mid + spread))
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
    covariance: tuple[float, float, float]
    """Of the next reading's top, mm²: (along², along·across, across²)."""


class RestCosts:
    """What a rest (along, across and rock, mm) costs by itself, for each set of bearing points c."""

    def __init__(self, task: Task, costs: Costs, pull_mm: float, combos: Sequence[Combo]) -> None:
        self.task, self.costs, self.pull_mm, self.combos = task, costs, pull_mm, combos
        self.floors = [0.0] * len(combos)
        """What any rest costs at least."""
        self.grid: Floats | None = None
        """Chances on a grid, half a plane of each set of bearing points, where limits are per direction."""
        self._rings: dict[int, Rings] = {}
        if not costs.round or not combos or task.lean_only:
            return
        zones = [task.outlook.zone] * len(combos)
        self.chances = Chances([combo.covariance for combo in combos], zones, task.allowed_mm)
        self.floors = (next_rounds(costs.round, self.chances.best()) - _DUST).tolist()
        # By how much half the reach takes off the chance each way: measures that make both alike.
        some = self.chances.in_axes(_NONE_AND_HALF)
        less = np.maximum(some[:, :1, 0] - np.stack((some[:, 1, 0], some[:, 0, 1]), axis=1), 1e-9)
        self.wide: list[float] = np.sqrt(less[:, 1] / less[:, 0]).tolist()

    def at(self, c: int, x: Floats, y: Floats, q: Floats) -> Floats:
        """What these rests cost."""
        if self.task.lean_only:
            return 1e6 * np.hypot(x, y) if self.task.disk else 1e6 * np.maximum(np.abs(x), np.abs(y))
        if self.costs.round:
            return next_rounds(self.costs.round, self.chances.at(c, x, y))
        residual = self.costs.residual / self.task.residual_mm
        return self.costs.rock / self.pull_mm * np.abs(q) + residual * (np.abs(x) + np.abs(y))

    def rings(self, c: int, many: float = math.inf) -> Rings | None:
        """Bounds by distance where there are many rests to bound; None without rounds."""
        if many <= _MANY or not self.costs.round or self.task.lean_only:
            return None
        if c not in self._rings:
            self._rings[c] = Rings(self, c)
        return self._rings[c]

    def least_between(
        self, c: int, k: int, rest: tuple[Floats, Floats, Floats], window: tuple[Floats, Floats]
    ) -> Floats | float:
        """Least that rests moved on by an error of support k within a window cost; the floor where few.

        In weights it is convex and made of straight parts, so it is least where one of lean along, lean
        across and rock is 0, or at an end of the window.
        """
        if self.task.lean_only or self.costs.round or len(rest[0]) <= _MANY:
            return self.floors[c]
        four = self.combos[c].four
        slopes = four.x[k], four.y[k], four.n[k]
        least = np.full(len(rest[0]), math.inf)
        for slope, at in zip(slopes, rest, strict=True):
            if slope != 0.0:
                e = np.minimum(np.maximum(-at / slope, window[0]), window[1])
                x, y, q = (value + factor * e for value, factor in zip(rest, slopes, strict=True))
                np.minimum(least, self.at(c, x, y, q), out=least)
        return least - _DUST


class Rings:
    """What the rounds of a rest cost at least, by how far it is off: for one set of bearing points.

    Off is a distance in the axes of the reading's scatter, each in its own measure (u, v), in which rests of
    one price lie on nearly round curves. `least[i]` is below the price of every rest `radii[i]` off or more;
    `slope[i]` is what it grows by from there on.
    """

    def __init__(self, rests: RestCosts, c: int) -> None:
        four = rests.combos[c].four
        self.cos, self.sin = rests.chances.axes(c)
        self.wide = rests.wide[c]
        self.u, self.v = self._turned(np.array(four.x), np.array(four.y))
        self.most = float(next_rounds(rests.costs.round, 0.0))
        reach = rests.task.allowed_mm * (1.0 + 1e-9)
        if rests.task.disk:
            self.radii, self.least, self.slope = _disk_rings(rests, c, reach)
        else:
            self.radii, self.least = _grid_rings(rests, c, reach)
            self.slope = np.zeros(len(self.radii))

    def at_least(self, off: Floats) -> Floats:
        """Never above what rests so far off cost."""
        i = np.searchsorted(self.radii, off, side="right") - 1
        return np.minimum(self.least[i] + self.slope[i] * (off - self.radii[i]), self.most) - _DUST

    def off(self, x: Floats, y: Floats) -> Floats:
        """How far off a rest is."""
        return np.hypot(*self._turned(x, y))

    def _turned(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        return (self.cos * x + self.sin * y) / self.wide, self.cos * y - self.sin * x

    def no_further(self, room: Floats) -> Floats:
        """Distance beyond which every rest costs more than the room for it."""
        i = np.searchsorted(self.least, np.where(room >= self.most, math.inf, room), side="right")
        return np.where(i < len(self.radii), self.radii[np.minimum(i, len(self.radii) - 1)], math.inf)

    def line(self, k: int, x: Floats, y: Floats) -> tuple[float, Floats, Floats]:
        """Of the rests (x, y) moved on by the error of seat k: step², the nearest error, distance²."""
        u, v = self._turned(x, y)
        du, dv = float(self.u[k]), float(self.v[k])
        step = du * du + dv * dv
        return step, -(du * u + dv * v) / step, (du * v - dv * u) ** 2 / step


def _disk_rings(rests: RestCosts, c: int, reach: float) -> tuple[Floats, Floats, Floats]:
    """Radii, the least price from each on, and how it grows: proven, of a disk.

    The chance is the normal density's integral over a disk moved by the rest: a convolution of two
    log-concave functions, so log-concave (Prékopa, Acta Sci. Math. 34, 1973). Hence the price g, an affine
    function of 1 ÷ chance, is convex; a disk in the axes of the scatter makes it even in u and in v, so it
    grows along every ray. It is worked out on rays from none to a quarter turn, mirrored beyond. Take two
    neighbouring rays, A and B on them at one radius: whatever lies on the arc from A to B costs at least what
    the ray to it costs where it crosses the chord AB. On that line g is convex: it lies above the lines
    through P, A and through B, Q, where P and Q are where the line meets the next ray on either side (what
    they cost at most is read between two radii of their ray, along which g is convex too). The lowest point
    of these two lines between A and B is the bound of the sector; a fan of straight lines in place of the
    arc loses little. From a ring outwards g grows at least as it has grown from the middle.

    Example: rays 11.25° apart, |AB| = 0.196 r, P and Q at 1.040 r, each 1.041 |AB| away from A and from B.
    """
    wide, price = rests.wide[c], rests.costs.round
    shares, angle = (np.arange(_RADII + 1) / _RADII) ** 1.5, np.linspace(0.0, math.pi / 2.0, _ANGLES)
    half = angle[1] / 2.0
    radii = reach * max(1.0, 1.0 / wide) * shares
    x, y = radii[:, None] * np.cos(angle) * wide, radii[:, None] * np.sin(angle)
    chance = rests.chances.at_own(c, x.reshape(-1), y.reshape(-1)).reshape(x.shape)
    low = price * (1.0 / np.maximum(chance + _OFF, LEAST_CHANCE / 2.0) - 1.0)
    high = price * (1.0 / np.maximum(chance - _OFF, _OFF) - 1.0)
    high[np.maximum(x, y) > reach] = _FAR  # no chance is known there
    at, i = _further_out(math.cos(half) / math.cos(3.0 * half))
    outer = np.full(low.shape, _FAR)
    outer[: len(i)] = high[i] * (1.0 - at)[:, None] + high[i + 1] * at[:, None]
    outer = outer[:, [1, *range(_ANGLES), _ANGLES - 2]]
    apart = (math.cos(half) * math.tan(3.0 * half) / math.sin(half) - 1.0) / 2.0
    a, b = low[:, :-1], low[:, 1:]
    fall, rise = (a - outer[:, : _ANGLES - 1]) / apart, (outer[:, 3:] - b) / apart
    with np.errstate(divide="ignore", invalid="ignore"):
        cross = np.minimum(np.maximum((a - b + rise) / (rise - fall), 0.0), 1.0)
    between = np.maximum(a + fall * cross, b - rise * (1.0 - cross))
    sector = np.where(fall >= 0.0, a, np.where(rise <= 0.0, b, between))
    # A sector that is out of reach at this radius has no rest in it.
    off = np.hypot(wide * np.cos(angle), np.sin(angle))
    sector[radii[:, None] * np.minimum(off[:-1], off[1:]) > reach * (1.0 + 1e-9)] = math.inf
    least = np.maximum.accumulate(sector.min(axis=1))
    slope = np.zeros(len(radii))
    slope[1:] = np.maximum(np.where(least[1:] < math.inf, least[1:] - high[0, 0], 0.0) / radii[1:], 0.0)
    return radii, least, slope


@cache
def _further_out(by: float) -> tuple[Floats, Ints]:
    """Between which radii lies so many times each of them: share of the way, and the nearer one's number."""
    shares = (np.arange(_RADII + 1) / _RADII) ** 1.5
    wanted = by * shares[by * shares < 1.0]
    i = np.minimum(np.searchsorted(shares, wanted, side="right") - 1, _RADII - 1)
    return (wanted - shares[i]) / (shares[i + 1] - shares[i]), i


def _grid_rings(rests: RestCosts, c: int, reach: float) -> tuple[Floats, Floats]:
    """Radii, and the least price from each on, of limits per direction.

    Such a zone is a stair with its corners cut off, so nothing is convex: but between the nodes of a grid the
    chance is no more than at the best of them and what a straight line is off by (`Chances.curved`). Every
    rest so far off lies in a cell that reaches as far; half the plane does, for the other is its mirror.
    """
    if rests.grid is None:
        rests.grid = rests.chances.in_axes(np.linspace(-1.0, 1.0, 2 * _CELLS + 1))[:, _CELLS:]
    chance = rests.grid[c]
    best = np.maximum(chance[1:], chance[:-1])
    best = np.maximum(best[:, 1:], best[:, :-1]) + rests.chances.curved[c] / (8.0 * _CELLS**2) + _OFF
    price = rests.costs.round * (1.0 / np.maximum(best, LEAST_CHANCE / 2.0) - 1.0)
    right, up = np.arange(1, _CELLS + 1), np.abs(np.arange(-_CELLS, _CELLS) + 0.5) + 0.5
    far = np.hypot(right[:, None] / rests.wide[c], up) / _CELLS * reach
    radii = np.linspace(0.0, float(far.max()), 2 * _CELLS + 1)
    least = np.full(len(radii), math.inf)
    np.minimum.at(least, np.searchsorted(radii, far.reshape(-1), side="right") - 1, price.reshape(-1))
    return radii, np.minimum.accumulate(least[::-1])[::-1]
