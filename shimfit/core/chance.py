"""The chance of plumb at the next reading: what makes packs worth their minutes.

    cost = work + material + round × (1 − chance)        prices: `objective`

One objective for one post and for many: `packing`, `correction` and `planning` price with these functions.
Numpy and the standard library only; every function takes arrays, so a post or a thousand cost one call.

*Goal.* A round (loosen, set, tighten, read) costs minutes on the knees, a piece costs half of one. So packs
are judged by what the next reading will say of them: chance = P(it is decided plumb).

*Model.* The packs are predicted to leave the top at R = (along, across), mm. The next reading is R + N(0, S):

    S = J diag(v) Jᵀ  +  2 · own²  +  (u_take_up · shift)(u_take_up · shift)ᵀ

J (2, n) maps thickness errors of the n supports that carry to the top (`top_per_error`; with three supports
their own narrow base), v (n,) mm² is what a seat scatters by (`Scatter`: roughness of the seat, the
pieces, the mark, the place of bearing), own is the part of a reading's uncertainty that is new each time
(steps of the scale, the hand) and counts twice: the reading packed by and the one that verifies; what all
readings with one instrument share (its zero) moves both alike and cancels. shift is how far the packs take
the top. It is decided plumb inside `Zone`: a disk, or a rectangle per direction, of the tolerance less the
guard band, in which also P(truly within) >= 0.95. All scatters are data (common practice, no source).

*The search stays exact* because for fixed supports S is fixed and the chance is a centred normal's
probability of a shifted symmetric convex set: log-concave in R and falling along every ray from R = 0
(T. W. Anderson, Proc. AMS 6, 1955; Prékopa 1973). `Chances.at_most` bounds it from above by tables along the
axes of S and their diagonal: in these axes set and density have both mirror symmetries, so the chance falls
in |x| and in |y|, hence

    chance(x, y) <= min(chance(|x|, 0), chance(0, |y|), chance(d, d)),  d = min(|x|, |y|),

and between table points a log-concave function stays below the chord before it, drawn out. A rectangle is
bounded by its two slabs. So cost >= work + material + round × (1 − at_most): windows and bounds carry over.

*Example.* Four corners of a 90 mm foot read at 1000 mm: J = ±5.56 mm per mm. A usual level read to 1 mm has
u = 0.48 mm, own 0.38: with v = 0.08² + 0.04² mm² a seat, S = 4 · 5.56² · 0.008 + 2 · 0.38² = 1.28 mm² each
way; at 1:500 the zone is a disk of 1.14 mm: packs that leave R = 0 are plumb at the next reading in 40 of
100, R = (1, 0) in 29, and at 1:300 (zone 2.51 mm) in 91 and 83. 1 mm less is worth 4 · 0.1 minutes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import TYPE_CHECKING

import numpy as np

from shimfit.core.objective import Reads, Scatter
from shimfit.core.uncertainty import sure_radius
from shimfit.model import Chance

if TYPE_CHECKING:
    from collections.abc import Sequence

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


def zone_of(allowed_mm: float, height_mm: float, reads: Reads, *, per_direction: bool) -> Zone:
    """The acceptance zone of the decision rule at the top.

    Disk: the radius T − w or that of P(truly within) = 0.95, the smaller, with the larger u of the two; per
    direction: T − w each (the corners of the rectangle, where P of both is a little below 0.95 and the
    verdict is too close, count as plumb here).
    """
    return _zone(
        allowed_mm, reads.u_along * height_mm, reads.u_across * height_mm, reads.factor, per_direction
    )


@lru_cache(maxsize=1024)
def _zone(allowed: float, u_along: float, u_across: float, factor: float, per_direction: bool) -> Zone:
    if per_direction:
        sides = allowed - factor * u_along, allowed - factor * u_across
        decides = min(sides) > 0.0
        return Zone(*(sides if decides else (allowed, allowed)), disk=False, decides=decides)
    u = max(u_along, u_across)
    radius = allowed - factor * u
    if factor > 0.0 and u > 0.0:
        radius = min(radius, sure_radius(allowed, u))
    if radius <= 0.0:
        return Zone(allowed, allowed, disk=True, decides=False)
    return Zone(radius, radius, disk=True)


# ---------------------------------------------------------------- where the next reading falls


def top_per_error(points_mm: ArrayLike, height_mm: ArrayLike, stiffness: ArrayLike = 1.0) -> Floats:
    """J (…, 2, n): shift of the top, mm, per mm of thickness error at each of n supports that all carry.

    points_mm (…, n, 2) from any origin, stiffness (…, n) relative. Least squares: the resting plane
    θ = (AᵀKA)⁻¹AᵀK e with rows (1, x, y); the top goes against the tilt. Points must not stand on one line.
    """
    at = np.asarray(points_mm, dtype=np.float64)
    rows = np.concatenate((np.ones((*at.shape[:-1], 1)), at), axis=-1)
    weighted = rows * np.broadcast_to(np.asarray(stiffness, dtype=np.float64), at.shape[:-1])[..., None]
    fit = np.linalg.solve(np.swapaxes(rows, -1, -2) @ weighted, np.swapaxes(weighted, -1, -2))
    height = np.asarray(height_mm, dtype=np.float64)[..., None, None]
    return np.asarray(-height * fit[..., 1:, :], dtype=np.float64)


def covariance(  # noqa: PLR0917 - it takes the quantities it takes
    top: Floats,
    seats_mm2: ArrayLike,
    height_mm: ArrayLike,
    reads: Reads,
    shift_mm: ArrayLike,
    u_take_up: ArrayLike,
) -> Floats:
    """S (…, 3) = (along², along·across, across²) of the next reading at the top, mm².

    top: J (…, 2, n); seats_mm2 (…, n) variances; shift_mm (…, 2): how far the packs take the top.
    """
    v = np.asarray(seats_mm2, dtype=np.float64)
    h = np.asarray(height_mm, dtype=np.float64)
    shift = np.asarray(shift_mm, dtype=np.float64) * np.asarray(u_take_up, dtype=np.float64)[..., None]
    x, y = top[..., 0, :], top[..., 1, :]
    sx, sy = shift[..., 0], shift[..., 1]
    return np.stack(
        (
            (x * x * v).sum(-1) + 2.0 * (reads.own_along * h) ** 2 + sx * sx,
            (x * y * v).sum(-1) + sx * sy,
            (y * y * v).sum(-1) + 2.0 * (reads.own_across * h) ** 2 + sy * sy,
        ),
        axis=-1,
    )


@dataclass(frozen=True, slots=True)
class Outlook:
    """One post's next reading but for its supports: what is added to J diag(v) Jᵀ, and where it is plumb."""

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


def outlook_of(
    allowed_mm: float,
    height_mm: float,
    reads: Reads,
    scatter: Scatter,
    *,
    per_direction: bool,
    shift_mm: tuple[float, float],
    u_take_up: float,
) -> Outlook:
    """The outlook of one post: see the module."""
    zone = zone_of(allowed_mm, height_mm, reads, per_direction=per_direction)
    sx, sy = shift_mm[0] * u_take_up, shift_mm[1] * u_take_up
    along, across = 2.0 * (reads.own_along * height_mm) ** 2, 2.0 * (reads.own_across * height_mm) ** 2
    return Outlook(zone, (along + sx * sx, sx * sy, across + sy * sy), scatter)


def foretold(  # noqa: PLR0917 - it takes the quantities it takes
    rest_mm: tuple[float, float],
    supports_mm2: tuple[float, float, float],
    take_up_mm2: tuple[float, float, float],
    allowed_mm: float,
    height_mm: float,
    reads: Reads,
    *,
    per_direction: bool,
) -> Chance:
    """What the next reading will say of packs: see `Chance`.

    supports_mm2: J diag(v) Jᵀ; take_up_mm2: the rank-one part of S; both (along², along·across, across²).
    """

    def spread(times: float) -> tuple[float, float, float]:
        own = times * (reads.own_along * height_mm) ** 2, times * (reads.own_across * height_mm) ** 2
        xx, xy, yy = (a + b for a, b in zip(supports_mm2, take_up_mm2, strict=True))
        return xx + own[0], xy, yy + own[1]

    def inside(zone: Zone, times: float) -> float:
        return float(Chances([spread(times)], [zone], allowed_mm).at(0, [rest_mm[0]], [rest_mm[1]])[0])

    # The level turned end for end: the zero goes, the own part is averaged over two.
    halved = reads.own_along / math.sqrt(2.0), reads.own_across / math.sqrt(2.0)
    turned = zone_of(
        allowed_mm, height_mm, Reads(*halved, *halved, reads.factor), per_direction=per_direction
    )
    zone = zone_of(allowed_mm, height_mm, reads, per_direction=per_direction)
    guard = reads.factor * max(reads.u_along, reads.u_across) * height_mm
    beyond = Zone(allowed_mm + guard, allowed_mm + guard, disk=not per_direction)
    plumb = inside(zone, 2.0) if zone.decides else 0.0
    not_out = max(plumb, inside(beyond, 2.0))
    # Truly within: the reading packed by is all that is not known, its shared part too.
    shared = [
        u * u - own * own for u, own in ((reads.u_along, reads.own_along), (reads.u_across, reads.own_across))
    ]
    xx, xy, yy = spread(1.0)
    truly = (xx + max(0.0, shared[0]) * height_mm**2, xy, yy + max(0.0, shared[1]) * height_mm**2)
    whole = Zone(allowed_mm, allowed_mm, disk=not per_direction)
    within = float(Chances([truly], [whole], allowed_mm).at(0, [rest_mm[0]], [rest_mm[1]])[0])
    return Chance(
        plumb=plumb,
        too_close=not_out - plumb,
        out=1.0 - not_out,
        within=within,
        turned=inside(turned, 1.5) if turned.decides else 0.0,
    )


# ---------------------------------------------------------------- the chance

_NODES = 24
_TAIL = 5.0
_POINTS = 13
_LEAST_U = 0.02
"""Smallest standard deviation ÷ zone that is integrated: below, the edge is as good as sharp."""
_SLACK = 1e-5
"""What the quadrature and the table of the normal distribution may be off by: added to bounds."""
_SLACK_RECTANGLE = 3e-4
"""The same for a rectangle whose directions go together, where the inner edge is sharp."""
_Z_MOST, _Z_STEPS = 8.0, 256


@cache
def _normal_table() -> Floats:
    z = np.arange(-_Z_MOST * _Z_STEPS, _Z_MOST * _Z_STEPS + 2) / _Z_STEPS
    return np.array([0.5 * math.erfc(-one / math.sqrt(2.0)) for one in z.tolist()])


def normal_below(z: Floats) -> Floats:
    """P(standard normal < z), read off a table: within 1e-6."""
    table = _normal_table()
    at = (np.clip(z, -_Z_MOST, _Z_MOST) + _Z_MOST) * _Z_STEPS
    i = at.astype(np.int32)
    low = table[i]
    return np.asarray(low + (at - i) * (table[i + 1] - low))


@cache
def _gauss() -> tuple[Floats, Floats]:
    nodes, weights = np.polynomial.legendre.leggauss(_NODES)
    return nodes, weights


class Chances:
    """Chances of C classes, each with its own S and zone (a post's set of bearing points, say).

    covariances (C, 3) mm² as from `covariance`; zones: one each; allowed_mm (C,): as far as R is asked for.
    """

    def __init__(self, covariances: ArrayLike, zones: list[Zone], allowed_mm: ArrayLike) -> None:
        s = np.asarray(covariances, dtype=np.float64).reshape(-1, 3)
        self.along = np.array([zone.along_mm for zone in zones])
        self.across = np.array([zone.across_mm for zone in zones])
        self.disk = np.array([zone.disk for zone in zones])
        self._reach = np.broadcast_to(np.asarray(allowed_mm, dtype=np.float64), (len(s),)) * (1.0 + 1e-9)
        sxx, sxy, syy = s[:, 0], s[:, 1], s[:, 2]
        # A disk is told in the axes of S, where the two directions are independent; a rectangle in its own.
        # The sharper one is integrated over, so that the other sees a smooth edge.
        angle = np.where(self.disk, 0.5 * np.arctan2(-2.0 * sxy, syy - sxx), 0.0)
        self._cos, self._sin = np.cos(angle), np.sin(angle)
        middle, half = (sxx + syy) / 2.0, np.hypot((sxx - syy) / 2.0, sxy)
        first = np.where(self.disk, np.maximum(middle - half, 0.0), sxx)
        second = np.where(self.disk, middle + half, syy)
        least = (_LEAST_U * np.minimum(self.along, self.across)) ** 2
        first, second = np.maximum(first, least), np.maximum(second, least)
        self._lean_on = np.where(self.disk, 0.0, sxy / first)
        """Rectangle: how the second direction goes with the first."""
        self._u1 = np.sqrt(first)
        self._u2 = np.sqrt(second)
        self._v2 = np.sqrt(np.maximum(second - self._lean_on**2 * first, least))
        self._tables: tuple[Floats, Floats] | None = None

    def at(self, c: Ints | int, along_mm: ArrayLike, across_mm: ArrayLike) -> Floats:
        """Chance of the rests R = (along, across) of classes c, all (N,) or scalars."""
        x, y = self._turned(c, np.asarray(along_mm, np.float64), np.asarray(across_mm, np.float64))
        return self._inside(c, x, y)

    def at_most(self, c: Ints | int, along_mm: ArrayLike, across_mm: ArrayLike) -> Floats:
        """The same or more, for a tenth of the time: never below `at`."""
        x, y = self._turned(c, np.asarray(along_mm, np.float64), np.asarray(across_mm, np.float64))
        return self._bounded(c, np.abs(x), np.abs(y))

    def _bounded(self, c: Ints | int, x: Floats, y: Floats) -> Floats:
        """Bound of rests at least so far off (x, y >= 0) in the class's own axes."""
        if self.disk[c].all():
            return self._read_off(c, x, y) + _SLACK
        found = np.minimum(_between(x, self._u1[c], self.along[c]), _between(y, self._u2[c], self.across[c]))
        if self.disk[c].any():
            found = np.where(self.disk[c], self._read_off(c, x, y), found)
        return np.asarray(found + _SLACK_RECTANGLE)

    def at_most_along(
        self,
        c: Ints | int,
        start: tuple[Floats, Floats],
        step: tuple[float, float],
        ends: tuple[Floats, Floats],
    ) -> Floats:
        """Never below `at` for any of the rests start + t · step, t between the ends (each (N,))."""
        x, y = self._turned(c, *start)
        dx, dy = self._turned(c, np.asarray(step[0]), np.asarray(step[1]))
        nearest = []
        for at, by in ((x, dx), (y, dy)):
            one, other = at + by * ends[0], at + by * ends[1]
            nearest.append(np.where(one * other <= 0.0, 0.0, np.minimum(np.abs(one), np.abs(other))))
        return self._bounded(c, nearest[0], nearest[1])

    def best(self) -> Floats:
        """(C,) chance of the best rest of all, R = 0."""
        zero = np.zeros(len(self._u1))
        return self._inside(np.arange(len(self._u1)), zero, zero)

    def _turned(self, c: Ints | int, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        cos, sin = self._cos[c], self._sin[c]
        return cos * x + sin * y, cos * y - sin * x

    def _inside(self, c: Ints | int, x: Floats, y: Floats) -> Floats:
        """∫ density of the first direction × P(second within the chord there), by Gauss-Legendre."""
        r, u1, v2, disk = self.along[c], self._u1[c], self._v2[c], self.disk[c]
        x, y = np.broadcast_arrays(x, y)
        # x = r sin t keeps the integrand smooth at the rim of a disk.
        low, high = np.maximum(-r, x - _TAIL * u1), np.minimum(r, x + _TAIL * u1)
        low, high = np.minimum(low, r), np.maximum(high, -r)
        start, stop = np.arcsin(low / r), np.arcsin(high / r)
        nodes, weights = _gauss()
        half = np.maximum(stop - start, 0.0)[..., None] / 2.0
        t = (start + stop)[..., None] / 2.0 + half * nodes
        sin, cos = np.sin(t), np.cos(t)
        r_, u_, v_ = (np.asarray(a)[..., None] for a in (r, u1, v2))
        z = (r_ * sin - x[..., None]) / u_
        chord = np.where(np.asarray(disk)[..., None], r_ * cos, np.asarray(self.across[c])[..., None])
        middle = y[..., None] + np.asarray(self._lean_on[c])[..., None] * z * u_
        inside = normal_below((chord - middle) / v_) - normal_below((-chord - middle) / v_)
        density = np.exp(-0.5 * z * z) * cos * inside
        found = (density @ weights) * half[..., 0] * r / (u1 * math.sqrt(2.0 * math.pi))
        return np.asarray(np.clip(found, 0.0, 1.0), dtype=np.float64)

    def _read_off(self, c: Ints | int, x: Floats, y: Floats) -> Floats:
        """Bound of a disk from its tables: (C, 3, G) values along both axes and the diagonal, and slopes."""
        values, slopes = self._tables or self._tabulate()
        scale = (_POINTS - 1) / self._reach[c]
        found = None
        for line, at in ((0, x), (1, y), (2, np.minimum(x, y))):
            place = np.minimum(at * scale, _POINTS - 1.0)
            i = place.astype(np.int64)
            bound = values[c, line, i] + slopes[c, line, i] * (place - i)
            found = bound if found is None else np.minimum(found, bound)
        assert found is not None
        return np.asarray(found)

    def _tabulate(self) -> tuple[Floats, Floats]:
        n = len(self._u1)
        steps = np.arange(_POINTS) / (_POINTS - 1)
        line = steps * self._reach[:, None]
        zero = np.zeros_like(line)
        x, y = np.stack((line, zero, line), 1), np.stack((zero, line, line), 1)
        classes = np.repeat(np.arange(n), 3 * _POINTS)
        values = self._inside(classes, x.reshape(-1), y.reshape(-1)).reshape(n, 3, _POINTS)
        slopes = np.zeros_like(values)
        # Log-concave: past a point it falls at least by the factor of the step before it; a chord of that
        # exponential lies above it.
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = np.where(values[..., :-1] > 0.0, values[..., 1:] / values[..., :-1], 1.0)
        slopes[..., 1:] = values[..., 1:] * (np.minimum(ratio, 1.0) - 1.0)
        self._tables = values, slopes
        return self._tables


def _between(x: Floats, u: Floats | float, half: Floats | float) -> Floats:
    return np.asarray(normal_below((half - x) / u) - normal_below((-half - x) / u))
