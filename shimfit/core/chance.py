"""The chance of plumb at the next reading: what makes packs worth their minutes.

    cost = work + material + round × (1 ÷ chance − 1)        prices: `objective`

One objective for one post and for many: `packing`, `correction` and `planning` price with these functions.
Numpy and the standard library only; every function takes arrays, so a post or a thousand cost one call.

*Goal.* A round (loosen, set, tighten, read) costs minutes on the knees, a piece costs half of one, turning
the level end for end and reading once more a minute at most. So packs are judged by what the readings to come
will say of them: chance = P(settled plumb), by the mean of two readings, the level turned between. What the
first of them alone will say (plumb, too close, out) is reported beside it (`next_reading`) and not paid for:
packs chosen by a scale too coarse to call anything plumb would be chosen by nothing. A post that two readings
leave open is read on and packed again only where it reads beyond its limit: half of the rounds that the cost
counts (tests/bench/first_verdict.py). Counted in full they keep posts further from the limit.

*Model.* The packs are predicted to leave the top at R = (along, across), mm. The mean is R + N(0, S):

    S = J diag(v) Jᵀ  +  u²  +  last²  +  (u_take_up · shift)(u_take_up · shift)ᵀ

J (2, n) maps thickness errors of the n supports that carry to the top (`resting.tilts_per_mm` × height;
three have a narrow base of their own), v (n,) mm² is what a seat scatters by (`Scatter`: roughness of the
seat, the pieces, the mark, the place of bearing), u is all of the uncertainty of the reading packed by,
last the scatter of the mean, which falls on marks half as far apart, of which so many are called plumb
(`marks_called_plumb`). Of one more reading, the level not turned, the zero cancels: then only the part of u
that is new each time counts. shift is how far the packs take the top. It is plumb inside `Zone`: a disk, or
a rectangle per direction with its corners cut off. All scatters are data (common practice, no source).

*The search stays exact* because for fixed supports S is fixed and the chance is a centred normal's
probability of a shifted symmetric convex set: falling along every ray from R = 0 (T. W. Anderson, Proc. AMS
6, 1955; log-concave: Prékopa 1973). In the axes of S a disk and the density have both mirror symmetries, so
the chance falls in |x| and in |y|: over a segment of rests it is at most what it is at the least |x| and the
least |y| of the segment; a rectangle is bounded by its two slabs. So windows and bounds carry over. The
chance itself is a polynomial fitted to the integral within 1e-8 (`Chances`), the same for every front.

*Example.* Four corners of a 90 mm foot read at 1000 mm: J = ±5.56 mm per mm. A usual level read to 1 mm has
u = 0.51 mm: with v = 0.08² + 0.04² mm² a seat, S = 4 · 5.56² · 0.008 + 0.51² + 0.25² = 1.31 mm² each way.
At 1:500 no single mark but 0, 0 is called plumb (12 in 100 of packs that leave R = 0); the mean of two
readings is on 25 marks of half a millimetre, as much as a disk of 1.41 mm: 53 of 100 are settled, 41 of
R = (1, 0). At 1:300 it is a disk of 2.84 mm, 95 and 89 in 100. At 8 minutes a round the first millimetre
costs 4.4 minutes at 1:500 and 0.6 at 1:300.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache, lru_cache
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from shimfit.core.objective import LEAST_CHANCE, READ_AGAIN_MIN, WORTH_READING_MIN, Reads, Scatter
from shimfit.core.uncertainty.decision import (
    MANY_MARKS,
    marks_called_plumb,
    marks_not_out,
    plumb_up_to,
    sure_beside,
)
from shimfit.model import Chance
from shimfit.values import dataclass

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Zone:
    """Readings that are decided plumb, mm at the top about where it is aimed."""

    along_mm: float
    """Radius of the disk, or half the rectangle's side."""
    across_mm: float
    disk: bool
    decides: bool = True
    """False: no reading with this uncertainty can be called plumb; the zone is then the tolerance itself, so
    that packs are still chosen by the chance that the post truly stands within it."""
    steps: tuple[tuple[float, float], ...] = ()
    """A rectangle whose corners are cut off, as a stair of rectangles: (along, across) halves, the narrowest
    along first; none: the plain rectangle."""

    def scaled(self, by: float) -> Zone:
        """The same so many times as large."""
        steps = tuple((along * by, across * by) for along, across in self.steps)
        return replace(self, along_mm=self.along_mm * by, across_mm=self.across_mm * by, steps=steps)


def zone_of(allowed_mm: float, height_mm: float, reads: Reads, *, per_direction: bool) -> Zone:
    """The acceptance zone of the decision rule at the top.

    Disk: the radius up to which a lean is called plumb with the larger u of the two. Per direction: the
    rectangle up to T − w in which also P(both truly within) >= 0.95, which cuts its corners.
    """
    u = reads.u_along * height_mm, reads.u_across * height_mm
    return _zone(allowed_mm, *u, reads.factor, per_direction, reads.step * height_mm)


@lru_cache(maxsize=1024)
def _zone(  # noqa: PLR0917 - remembered by all that it depends on
    allowed: float, u_along: float, u_across: float, factor: float, per_direction: bool, step: float
) -> Zone:
    u, undecided = (u_along, u_across), Zone(allowed, allowed, disk=not per_direction, decides=False)
    if _few_marks(allowed, factor, step):
        columns = marks_called_plumb(allowed, u, step, factor, per_direction=per_direction)
        if not columns:
            return undecided
        return _stair(columns, step) if per_direction else _squares(columns, step)
    if not per_direction:
        radius = plumb_up_to(allowed, max(u), factor, per_direction=False)
        if radius <= 0.0:
            return undecided
        far = math.inf if step <= 0.0 else radius / step + _AT_MARK
        if far > MANY_MARKS:
            return Zone(radius, radius, disk=True)
        return _squares([math.floor(math.sqrt(far * far - k * k)) for k in range(int(far) + 1)], step)
    if factor == 0.0 or max(u) == 0.0:  # nothing is guarded: all marks within, and half a step beyond
        half = allowed if step <= 0.0 else (math.floor(allowed / step + _AT_MARK) + 0.5) * step
        return Zone(half, half, disk=False)

    def beside(value: float, one: float, other: float) -> float:
        """How far the other direction may read when this one reads `value`."""
        return min(allowed - factor * other, sure_beside(value, one, other, allowed))

    along, across = beside(0.0, u_across, u_along), beside(0.0, u_along, u_across)
    if min(along, across) <= 0.0:
        return undecided
    edges = [along * math.sin(math.pi / 2.0 * k / _STAIR) for k in range(_STAIR + 1)]
    steps = []
    for one, other in pairwise(edges):
        # Simpson's mean of the chord over the step: the stair is as large as the zone.
        low, middle, high = (beside(at, u_along, u_across) for at in (one, (one + other) / 2.0, other))
        steps.append((other, (low + 4.0 * middle + high) / 6.0))
    return Zone(along, across, disk=False, steps=tuple(steps))


def _few_marks(allowed: float, factor: float, step: float) -> bool:
    """Decided mark by mark: a guard band on a scale so coarse that it matters."""
    return factor > 0.0 and 0.0 < allowed <= MANY_MARKS * step


def _squares(columns: Sequence[int], step: float) -> Zone:
    """A disk as large as the squares about marks: so many across, each way, beside 0, 1, … along."""
    marks = sum((2 * most + 1) * (1 if along == 0 else 2) for along, most in enumerate(columns))
    radius = step * math.sqrt(marks / math.pi)
    return Zone(radius, radius, disk=True)


def _stair(columns: Sequence[int], step: float) -> Zone:
    """The very squares, as rectangles."""
    steps = tuple(((along + 0.5) * step, (most + 0.5) * step) for along, most in enumerate(columns))
    return Zone(steps[-1][0], steps[0][1], disk=False, steps=steps)


# ---------------------------------------------------------------- where the next reading falls


@dataclass(frozen=True, slots=True)
class Acceptance:
    """What settles one post, but for its supports: what is added to J diag(v) Jᵀ, and where that is plumb."""

    zone: Zone
    base_mm2: tuple[float, float, float]
    """Readings and take-up: (along², along·across, across²)."""
    scatter: Scatter

    def covariance(
        self, along: Sequence[float], across: Sequence[float], seats_mm2: Sequence[float]
    ) -> tuple[float, float, float]:
        """S from the two rows of J and the seats' variances, for one set of supports."""
        xx, xy, yy = self.base_mm2
        for x, y, v in zip(along, across, seats_mm2, strict=True):
            xx, xy, yy = xx + x * x * v, xy + x * y * v, yy + y * y * v
        return xx, xy, yy


def acceptance_of(
    allowed_mm: float,
    height_mm: float,
    reads: Reads,
    scatter: Scatter,
    *,
    per_direction: bool,
    shift_mm: tuple[float, float],
    u_take_up: float,
) -> Acceptance:
    """Of one post: see the module."""
    zone, along, across = _settled(allowed_mm, height_mm, reads, per_direction)
    sx, sy = shift_mm[0] * u_take_up, shift_mm[1] * u_take_up
    return Acceptance(zone, (along + sx * sx, sx * sy, across + sy * sy), scatter)


@lru_cache(maxsize=256)
def _settled(
    allowed_mm: float, height_mm: float, reads: Reads, per_direction: bool
) -> tuple[Zone, float, float]:
    """Where two readings settle it, and what they read less the reading packed by: along, across, mm²."""
    last = reads.settling
    zone = zone_of(allowed_mm, height_mm, last, per_direction=per_direction)
    along, across = (one * height_mm * height_mm for one in reads.off_by(last))
    return zone, along, across


def next_reading(
    rests_mm: Sequence[tuple[float, tuple[float, float]]],
    spread_mm2: tuple[float, float, float],
    allowed_mm: float,
    height_mm: float,
    reads: Reads,
    *,
    per_direction: bool,
    round_min: float = 0.0,
) -> Chance:
    """What the next reading will say of packs: see `Chance`.

    rests_mm: where it may rest, with their shares.
    spread_mm2: of supports and take-up, S without its readings (along², along·across, across²).
    round_min: price of a later round, which one more reading before the packs go in is weighed against.
    """
    xx, xy, yy = spread_mm2
    shares, places = zip(*rests_mm, strict=True)
    whole = Zone(allowed_mm, allowed_mm, disk=not per_direction)

    def spread(last: Reads | None, before: Reads = reads) -> tuple[float, float, float]:
        along, across = (one * height_mm * height_mm for one in before.off_by(last))
        return xx + along, xy, yy + across

    def marks(last: Reads, which: Callable[..., tuple[int, ...]]) -> Zone | None:
        """Those of a coarse scale one by one; a disk as large lacks corners, where 2 of 100 are read."""
        step, u = last.step * height_mm, (last.u_along * height_mm, last.u_across * height_mm)
        few = _few_marks(allowed_mm, last.factor, step)
        columns = few and which(allowed_mm, u, step, last.factor, per_direction=per_direction)
        return _stair(columns, step) if columns else None

    def plumb(last: Reads) -> Zone:
        zone = marks(last, marks_called_plumb)
        return zone or zone_of(allowed_mm, height_mm, last, per_direction=per_direction)

    guard = reads.factor * height_mm * max(reads.u_along, reads.u_across)
    beyond = marks(reads, marks_not_out) or whole.scaled(1.0 + guard / allowed_mm)
    settling, finer = reads.settling, reads.finer
    settled, by_one, by_two = plumb(settling), spread(settling), spread(settling, reads.read_twice)
    # Packs are changed where the mean of two readings is beyond the limit; within it, it is read on.
    asked = [
        (plumb(reads), spread(reads)),
        (beyond, spread(reads)),
        (settled, by_one),
        (settled, by_two),
        (whole, by_one),
        (whole, by_two),
        (whole, spread(None)),
        *([(plumb(finer), spread(finer))] if reads.step > 0.0 else ()),
    ]
    found = (_inside(asked, places) @ np.array(shares)).tolist()
    at_once, not_beyond, turned, again, kept, kept_then, within = found[:7]
    not_out = max(at_once, not_beyond) if guard else at_once
    saves_min = round_min * (kept_then - kept) - READ_AGAIN_MIN
    pays = saves_min >= WORTH_READING_MIN
    return Chance(
        plumb=at_once,
        too_close=not_out - at_once,
        out=1.0 - not_out,
        within=within,
        turned=turned,
        finer=max(at_once, found[7]) if reads.step > 0.0 else None,
        again=again if pays else None,
        saves_min=saves_min if pays else None,
    )


def _inside(asked: Sequence[tuple[Zone, tuple[float, float, float]]], rests_mm: ArrayLike) -> Floats:
    """(M, R) P(rest + N(0, S) lies in the zone) of each zone and S with each rest; 0 where none decides.

    Gauss and Legendre along; across in closed form. Arrays are (M, R, steps both ways, nodes); across is a
    normal of its own, given along.
    """
    rests = np.array(rests_mm)
    found = np.zeros((len(asked), len(rests)))
    for disk in (True, False):
        alike = [k for k, (zone, _) in enumerate(asked) if zone.decides and zone.disk is disk]
        if alike:
            found[alike] = _inside_alike([asked[k] for k in alike], rests, disk=disk)
    return found


def _inside_alike(
    asked: Sequence[tuple[Zone, tuple[float, float, float]]], rests: Floats, *, disk: bool
) -> Floats:
    """The same of disks alone, or of stairs; a short stair ends in steps that add nothing."""
    s = np.array([spread for _, spread in asked])
    stairs = [zone.steps or ((zone.along_mm, zone.across_mm),) for zone, _ in asked]
    most = max(map(len, stairs))
    steps = np.array([(*stair, *stair[-1:] * (most - len(stair))) for stair in stairs])
    radius = np.array([zone.along_mm for zone, _ in asked])
    least = (_SHARPEST * radius) ** 2
    u = np.sqrt(np.maximum(s[:, 0], least))
    slope = s[:, 1] / (u * u)
    beside = np.sqrt(np.maximum(s[:, 2] - slope * s[:, 1], least))
    u, slope, beside, radius = (one[:, None, None, None] for one in (u, slope, beside, radius))
    along, across = rests.T[:, :, None, None]
    edges = np.concatenate((np.zeros_like(steps[:, :1, 0]), steps[:, :, 0]), axis=1)
    ends = np.array(((edges[:, :-1], -edges[:, 1:]), (edges[:, 1:], -edges[:, :-1])))
    ends = ends.transpose(0, 2, 1, 3).reshape(2, len(s), 1, 2 * most, 1)
    # No further than counts; what a clipped end then lies beyond is nothing wide.
    ends = np.minimum(np.maximum(ends, along - _TAIL * u), along + _TAIL * u)
    low, high = np.minimum(np.maximum(ends, -radius), radius)
    at, weight = _legendre(_NODES_ALONE)
    if disk:  # x = r sin t keeps the chord smooth at the rim
        low, high = np.arcsin(low / radius), np.arcsin(high / radius)
        t = low + (high - low) * at
        x, half = radius * np.sin(t), radius * np.cos(t)
        wide = half * (high - low)
    else:
        x, wide = low + (high - low) * at, high - low
        half = np.concatenate((steps[:, :, 1], steps[:, :, 1]), axis=1)[:, None, :, None]
    off = x - along
    density = np.exp(-0.5 * (off / u) ** 2) / (u * math.sqrt(2.0 * math.pi))
    within = _between(across + slope * off, beside, half)
    return np.asarray(np.minimum(1.0, (weight * wide * density * within).sum(axis=(2, 3))))


# ---------------------------------------------------------------- the chance

_LEAST_U = 0.05
"""Smallest standard deviation ÷ reach that is distinguished: below, the edge is as good as sharp."""
_DEGREE_A_SHARE = 2.8
"""Degree of the polynomials × (least standard deviation ÷ reach): leaves 1e-8 (measured, 0.1 … 0.6)."""
_LEAST_DEGREE = 6
_MORE_NODES = 8
_NODES_ALONE, _TAIL, _SHARPEST = 40, 8.0, 1e-4
"""Of one integral alone: places, standard deviations that count, least of these ÷ the zone's half."""
_AT_MARK = 1e-9
_STAIR = 5
"""Steps that stand for a cut corner."""
_FACTOR_MOST, _FACTOR_STEP = 5.6, 0.2
"""Values of what both directions of a rectangle share (trapezium rule)."""
_MUCH_SHARED = 0.7
"""Correlation up to which every other of these values will do: the sums differ by 1e-8 at most."""
_MOST_SHARED = 0.98
"""Correlation beyond which two directions are taken as one that is."""
_SLACK = 1e-6
"""More than polynomials are off by where the scatter is a tenth of the reach or more: added to bounds."""
_AT_ONCE = 1 << 13
"""Rests of different classes that are worked out in one go: keeps memory flat."""
_CLASSES_AT_ONCE = 32
"""Classes whose integrals are worked out in one go: their tables stay in the processor's own memory."""
_Z_MOST, _Z_STEPS = 8.0, 256
PROFILE = 64
"""Steps of the profiles from no rest to the reach."""


@cache
def _normal_table() -> Floats:
    """(4, N) Taylor's series of the standard normal's distribution at the steps, per step and its powers."""
    z = np.arange(-_Z_MOST * _Z_STEPS, _Z_MOST * _Z_STEPS + 1) / _Z_STEPS
    below = [0.5 * math.erfc(-one / math.sqrt(2.0)) for one in z.tolist()]
    first = np.exp(-0.5 * z * z) / (math.sqrt(2.0 * math.pi) * _Z_STEPS)
    second, third = -first * z / (2.0 * _Z_STEPS), first * (z * z - 1.0) / (6.0 * _Z_STEPS**2)
    return np.stack((np.array(below), first, second, third))


def normal_below(z: Floats) -> Floats:
    """P(standard normal < z), from the nearest step by Taylor's series: within 1e-12."""
    d = np.minimum(np.maximum(z, -_Z_MOST), _Z_MOST)
    d *= _Z_STEPS
    step = np.rint(d)
    d -= step
    step += _Z_MOST * _Z_STEPS
    found, first, second, third = _normal_table().take(step.astype(np.intp), axis=1)
    third *= d
    second += third
    second *= d
    first += second
    first *= d
    found += first
    return np.asarray(found)


def _between(x: Floats, u: Floats | float, half: Floats | float) -> Floats:
    """P(-half < x + u · standard normal < half)."""
    return np.asarray(normal_below((half - x) / u) - normal_below((-half - x) / u))


@cache
def _chebyshev(degree: int) -> tuple[Floats, Floats]:
    """Nodes z (n,) in -1 … 1 and the matrix (n, n) from values there to coefficients."""
    angle = math.pi * (np.arange(degree + 1) + 0.5) / (degree + 1)
    fit = np.cos(np.arange(degree + 1)[:, None] * angle) * (2.0 / (degree + 1))
    fit[0] /= 2.0
    return np.cos(angle), fit


@cache
def _half_disk(degree: int) -> tuple[Floats, Floats, Floats, Floats]:
    """Shares of the reach at the nodes of squares; sine and cosine of chords of a disk, and their weights."""
    turn, weight = _legendre(degree + _MORE_NODES)
    angle = turn * (math.pi / 2.0)
    cosine = np.cos(angle)
    shares = np.sqrt((1.0 + _chebyshev(degree)[0]) / 2.0)
    return shares, np.sin(angle), cosine, cosine * weight * (math.pi / 2.0 / math.sqrt(2.0 * math.pi))


@cache
def _along_axis(count: int) -> tuple[Floats, Floats]:
    """(n,) T_k(-1), the middle of a polynomial of squares; (n, N) T_k at the steps of a profile."""
    shares = np.arange(PROFILE + 1) / PROFILE
    return np.asarray((-1.0) ** np.arange(count), np.float64), _powers(2.0 * shares * shares - 1.0, count)


@cache
def _legendre(nodes: int) -> tuple[Floats, Floats]:
    """Places and weights of the integral from 0 to 1."""
    at, weight = np.polynomial.legendre.leggauss(nodes)
    return (at + 1.0) / 2.0, weight / 2.0


class Chances:
    """Chances of C classes, each with its own S and zone (a post's set of bearing points, say).

    covariances (C, 3) mm² as from `covariance`; zones: one each; allowed_mm (C,): as far as R is asked for.

    Each class is a polynomial Σ c_ij T_i T_j (Chebyshev), fitted once to the integral at a few rests:

    * a disk in the axes of S, where the two directions are independent. The integral over the chords at
      x = r sin t is then a product of a matrix in the one direction and a matrix in the other; both are even,
      so the polynomial is one of x² and y² (degree 8 where the scatter is a quarter of the reach or more).
    * a rectangle in its own axes. What both directions share is one normal factor; given it they are
      independent, so the integral over that factor (trapezium rule) is a product of two matrices again.
    """

    def __init__(self, covariances: ArrayLike, zones: list[Zone], allowed_mm: ArrayLike) -> None:
        s = np.asarray(covariances, dtype=np.float64).reshape(-1, 3)
        halves = np.array([(zone.along_mm, zone.across_mm) for zone in zones]).reshape(-1, 2)
        self.along, self.across = halves.T
        self.disk = np.array([zone.disk for zone in zones], dtype=bool)
        self._all_disks, self._zones = all(zone.disk for zone in zones), zones
        self.reach = np.broadcast_to(np.asarray(allowed_mm, dtype=np.float64), (len(s),)) * (1.0 + 1e-9)
        sxx, sxy, syy = s[:, 0], s[:, 1], s[:, 2]
        apart = syy - sxx
        angle = np.where(self.disk, 0.5 * np.arctan2(-2.0 * sxy, apart), 0.0)
        self._cos, self._sin = np.cos(angle), np.sin(angle)
        middle, half = (sxx + syy) / 2.0, np.hypot(apart / 2.0, sxy)
        own = np.where(self.disk, (middle - half, middle + half), (sxx, syy))
        self._u1, self._u2 = np.sqrt(np.maximum(own, (_LEAST_U * self.reach) ** 2))
        self._shared = np.where(self.disk, 0.0, sxy / (self._u1 * self._u2))
        """Correlation of a rectangle's two directions."""
        self._poly: Floats | None = None
        self._best: Floats | None = None
        self._profiles: Floats | None = None

    def at(self, c: Ints | int, along_mm: ArrayLike, across_mm: ArrayLike) -> Floats:
        """Chance of the rests R = (along, across) of classes c, all (N,) or scalars; R within the reach."""
        rest = np.array((along_mm, across_mm), dtype=np.float64)
        if rest.ndim != 2 or not isinstance(c, int):
            return self.at_own(c, *self._turned(c, rest[0], rest[1]))
        # All of one class: a handful of rests is asked for again and again.
        poly, cos, sin = self._coefficients[c], self._cos[c], self._sin[c]
        z = np.array(((cos, sin), (-sin, cos))) / self.reach[c] @ rest
        if self.disk[c]:
            z *= z
            z += z
            z -= 1.0
        powers = _powers(np.minimum(np.maximum(z, -1.0, out=z), 1.0, out=z).ravel(), len(poly))
        left, right = powers[:, : z.shape[1]], powers[:, z.shape[1] :]
        found = np.einsum("kn,kn->n", poly.T @ left, right)
        return np.asarray(np.minimum(np.maximum(found, 0.0, out=found), 1.0, out=found))

    def best(self) -> Floats:
        """(C,) chance of the best rest of all, R = 0."""
        if self._best is None:
            poly = self._coefficients
            if self._all_disks:
                none, _ = _along_axis(poly.shape[1])
                found = (poly @ none) @ none
            else:
                # T_k of the middle of a rectangle, and of a disk's, whose polynomials are of squares.
                at = _powers(np.where(self.disk, -1.0, 0.0), poly.shape[1]).T
                found = np.einsum("ci,cij,cj->c", at, poly, at)
            self._best = np.minimum(np.maximum(found, 0.0), 1.0)
        return self._best

    def axes(self, c: int) -> tuple[float, float]:
        """Cosine and sine of the turn to a class's own axes, in which a disk's chance is even both ways."""
        return float(self._cos[c]), float(self._sin[c])

    def in_axes(self, shares: Floats, some: slice = slice(None)) -> Floats:
        """(C, n, n) chances at these shares of the reach, first along by across of a class's own axes."""
        poly, disk = self._coefficients[some], self.disk[some]
        found = np.empty((len(poly), shares.size, shares.size))
        for which in (disk, ~disk):
            if which.any():
                z = 2.0 * shares * shares - 1.0 if which is disk else shares
                powers = _powers(z, len(poly[0]))
                found[which] = powers.T @ poly[which] @ powers
        return np.asarray(np.minimum(np.maximum(found, 0.0), 1.0))

    def _turned(self, c: Ints | int, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        cos, sin = self._cos[c], self._sin[c]
        return cos * x + sin * y, cos * y - sin * x

    @property
    def curved(self) -> Floats:
        """(C,) no less than the second derivatives of the chance each way, added up, at shares of the reach.

        That of P(-h < x + u · normal < h) in x is at most twice the steepest slope of the normal's density,
        0.242, ÷ u², and a mean of such has no more; u is what is left of a direction once the other is known.
        """
        alone = 1.0 - np.minimum(np.abs(self._shared), _MOST_SHARED) ** 2
        # A cut corner is a sum of such with differences in one direction: twice as much.
        times = np.array([4.0 if zone.steps else 2.0 for zone in self._zones])
        return np.asarray(times * 0.242 * (self.reach**2 / alone) * (self._u1**-2 + self._u2**-2))

    @property
    def profiles(self) -> Floats:
        """(2, C, n) chance that no rest further off has more, along and across, at n shares of the reach.

        That of a rest that is none the other way (a disk, in the axes of S), or of the slab.
        """
        if self._profiles is None:
            poly = self._coefficients
            # None the other way.
            none, at = _along_axis(poly.shape[1])
            found = np.array((poly @ none, none @ poly)) @ at
            if not self._all_disks:
                far = self.reach[:, None] * (np.arange(PROFILE + 1) / PROFILE)
                for axis, (u, half) in enumerate(((self._u1, self.along), (self._u2, self.across))):
                    slab = _between(far, u[:, None], half[:, None])
                    found[axis] = np.where(self.disk[:, None], found[axis], slab)
            self._profiles = np.minimum(np.maximum(found, 0.0), 1.0) + _SLACK
        return self._profiles

    # -------------------------------------------------------------- the polynomials

    @property
    def _coefficients(self) -> Floats:
        """(C, n, n)."""
        if self._poly is None:
            least = np.minimum(self._u1, self._u2) / self.reach
            if not self._all_disks:
                alone = np.sqrt(1.0 - np.minimum(np.abs(self._shared), _MOST_SHARED))
                least = np.where(self.disk, least, least * alone)
            degree = math.ceil(_DEGREE_A_SHARE / max(float(least.min(initial=1.0)), _LEAST_U))
            degree = max(_LEAST_DEGREE, degree if self._all_disks else 2 * degree)
            fit = _chebyshev(degree)[1]
            values = np.empty((len(least), degree + 1, degree + 1))
            for which, integral in ((self.disk, self._over_disks), (~self.disk, self._over_rectangles)):
                own = np.flatnonzero(which)
                for first in range(0, own.size, _CLASSES_AT_ONCE):
                    some = own[first : first + _CLASSES_AT_ONCE]
                    values[some] = integral(some, degree)
            self._poly = fit @ values @ fit.T
        return self._poly

    def _over_disks(self, c: Ints, degree: int) -> Floats:
        """(c, n, n) chances at x² and y² = (1 + z)/2 · reach²."""
        shares, sine, cosine, weight = _half_disk(degree)
        u1, u2, radius, reach = (one[c, None] for one in (self._u1, self._u2, self.along, self.reach))
        x, deep = (reach / u1 * shares)[:, :, None], (radius / u1 * sine)[:, None]
        y, half = (reach / u2 * shares)[:, None], (radius / u2 * cosine)[:, :, None]
        off = np.array((deep - x, deep + x))
        off *= off
        off *= -0.5
        near, far = np.exp(off, out=off)
        near += far
        near *= (radius / u1 * weight)[:, None]
        low, high = normal_below(np.array((half - y, half + y)))
        high += low
        high -= 1.0
        return np.asarray(near @ high)

    def _over_rectangles(self, c: Ints, degree: int) -> Floats:
        """(c, n, n) chances at x and y = z · reach."""
        z, _ = _chebyshev(degree)
        at = (z * self.reach[c, None])[:, :, None]
        apart = _FACTOR_STEP * (1 if np.abs(self._shared[c]).max() > _MUCH_SHARED else 2)
        factor = np.arange(-_FACTOR_MOST, _FACTOR_MOST + apart / 2.0, apart)
        weight = np.exp(-0.5 * factor * factor)
        shared = np.minimum(np.abs(self._shared[c]), _MOST_SHARED)[:, None, None]
        stairs = [self._zones[k].steps or ((self.along[k], self.across[k]),) for k in c.tolist()]
        most = max(len(stair) for stair in stairs)
        # (c, steps, 2); a short stair ends in steps that add nothing.
        halves = np.array([[*stair, *[stair[-1]] * (most - len(stair))] for stair in stairs])
        sides = []
        for u, sign, way in ((self._u1[c], np.ones(len(c)), 0), (self._u2[c], np.sign(self._shared[c]), 1)):
            moved = at + (sign * u)[:, None, None] * np.sqrt(shared) * factor
            alone = np.sqrt(1.0 - shared) * u[:, None, None]
            # Rests and factors lie evenly about 0: what is below -half is what is above half, turned round.
            below = [normal_below((halves[:, k, way, None, None] - moved) / alone) for k in range(most)]
            sides.append([one + one[:, ::-1, ::-1] - 1.0 for one in below])
        found = np.zeros((len(c), len(z), len(z)))
        before = np.zeros_like(sides[0][0])
        for one, other in zip(*sides, strict=True):
            found += ((one - before) * (weight / weight.sum())) @ np.swapaxes(other, 1, 2)
            before = one
        return found

    def at_own(self, c: Ints | int, x: Floats, y: Floats) -> Floats:
        """As `at`, of rests (x, y) in the classes' own axes; beyond the reach as at the nearest within."""
        poly, reach, disk = self._coefficients, self.reach[c], self.disk[c]
        shape = np.broadcast_shapes(np.shape(c), np.shape(x), np.shape(y))
        all_disks = bool(np.all(disk))
        places = []
        for at in (x, y):
            z = np.minimum(np.maximum(at / reach, -1.0), 1.0)
            if all_disks:
                z = 2.0 * z * z - 1.0
            elif np.any(disk):
                z = np.where(disk, 2.0 * z * z - 1.0, z)
            places.append(np.broadcast_to(z, shape).reshape(-1))
        which = np.broadcast_to(c, shape).reshape(-1)
        found = np.empty(which.size)
        for first in range(0, which.size, _AT_ONCE):
            some = slice(first, first + _AT_ONCE)
            left, right = (_powers(z[some], len(poly[0])) for z in places)
            found[some] = np.einsum("in,nij,jn->n", left, poly[which[some]], right, optimize=_ORDER)
        return np.asarray(np.minimum(np.maximum(found, 0.0), 1.0).reshape(shape))


_ORDER = ["einsum_path", (0, 1), (0, 1)]


def _powers(z: Floats, count: int) -> Floats:
    """(count, N) Chebyshev polynomials T_0 … at z."""
    found = np.empty((count, z.size))
    found[0], found[1] = 1.0, z
    known = 2
    while known < count:
        # T_(n + j) = 2 T_n T_j - T_(n - j): as many more as there are, in one go.
        n, more = known - 1, min(known - 1, count - known)
        np.multiply(found[1 : more + 1], 2.0 * found[n], out=found[known : known + more])
        found[known : known + more] -= found[n - more : n][::-1]
        known += more
    return found


def next_rounds(price: float, chance: Floats | float) -> Floats:
    """Minutes of the rounds after the first: where each succeeds with this chance it takes 1 ÷ chance."""
    return np.asarray(price * (1.0 / np.maximum(chance, LEAST_CHANCE) - 1.0))
