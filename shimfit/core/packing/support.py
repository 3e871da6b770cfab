"""Four supports under a clamped foot as linear maps: thickness errors -> lean left over and rock.

With all four in contact the resting plane is the least-squares plane through the errors, tilted by the
clamp where the rod does not pull through the supports' middle (solver's section 3; the general contact
problem is `core.resting`, which every answer is checked with). Four forces have one freedom left, the
rock q, so contact of all four is an interval of q: for the four corners of a rectangle |q| <= 4 delta.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

from shimfit.core.foot import DUST_MM

if TYPE_CHECKING:
    from collections.abc import Sequence

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
