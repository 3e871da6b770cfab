"""The referee of `contact`: tries every set of contacts and keeps those that balance.

Independent of the active set: each subset of supports is taken as the contact, its three equations of
balance are solved as one linear system, and the plane stands if nothing pulls and nothing sinks in. For
n supports that is 2^n systems, so it is for tests and for doubt, not for a live sensor.
"""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from shimfit.core.resting import Plane, Spring

_LOOSE = 1e-9
"""Relative slack of the balance: a set whose forces are negative by less still stands."""


def every_contact(springs: Sequence[Spring], pull: float) -> list[Plane]:
    """Planes (z0, u, v about the rod) at which the foot balances a pull > 0.

    One where the rest is unique; where it rocks, the limits among them: the foot may stand at both, and
    at everything between. Empty when the post would tip over.
    """
    x = np.array([s.x for s in springs])
    y = np.array([s.y for s in springs])
    e = np.array([s.e for s in springs])
    k = np.array([s.k for s in springs])
    rows = np.column_stack([np.ones_like(x), x, y])
    load = np.array([pull, 0.0, 0.0])
    depth_slack = _LOOSE * (float(np.abs(e).max()) + pull / float(k.min()))
    found = []
    for size in range(3, len(springs) + 1):
        for members in combinations(range(len(springs)), size):
            chosen = rows[list(members)]
            weighted = chosen * k[list(members), None]
            if np.linalg.matrix_rank(chosen, tol=_LOOSE * float(np.abs(chosen).max())) < 3:
                continue
            plane = np.linalg.solve(chosen.T @ weighted, weighted.T @ e[list(members)] - load)
            depth = e - rows @ plane
            outside = np.ones(len(springs), dtype=bool)
            outside[list(members)] = False
            if (depth[~outside] >= -depth_slack).all() and (depth[outside] <= depth_slack).all():
                found.append((float(plane[0]), float(plane[1]), float(plane[2])))
    return found


def furthest_apart(planes: Sequence[Plane]) -> tuple[Plane, Plane]:
    """The two planes whose tilts differ most: the same one twice where the rest is unique."""
    return max(
        ((a, b) for a in planes for b in planes),
        key=lambda pair: (pair[0][1] - pair[1][1]) ** 2 + (pair[0][2] - pair[1][2]) ** 2,
    )
