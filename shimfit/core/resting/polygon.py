"""The support polygon: how wide a base the post stands on."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

    Point = tuple[float, float]


def hull(points: Iterable[Point]) -> list[Point]:
    """Corners of the convex hull, anticlockwise (Andrew's monotone chain); fewer than 3 for a line."""
    ordered = sorted(set(points))
    if len(ordered) < 3:
        return ordered
    return _half(ordered)[:-1] + _half(ordered[::-1])[:-1]


def _half(ordered: list[Point]) -> list[Point]:
    chain: list[Point] = []
    for point in ordered:
        while len(chain) >= 2 and _turn(chain[-2], chain[-1], point) <= 0.0:
            chain.pop()
        chain.append(point)
    return chain


def _turn(a: Point, b: Point, c: Point) -> float:
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])


def distance_to_nearest_side(points: Iterable[Point]) -> float:
    """Distance from the origin to the nearest side of the points' hull, in the points' unit.

    0 when the origin is outside, on a side, or when the points stand on one line.
    """
    corners = hull(points)
    if len(corners) < 3:
        return 0.0
    sides = zip(corners, corners[1:] + corners[:1], strict=True)
    nearest = min((a[0] * b[1] - b[0] * a[1]) / math.hypot(b[0] - a[0], b[1] - a[1]) for a, b in sides)
    return max(0.0, nearest)
