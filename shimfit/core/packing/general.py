"""Any set of seats: the search for layouts whose supports do not all touch (tripods, edges, round feet).

Same entries and same proof as the corners' search, but the rest is the contact problem itself, for many
combinations at once: combinations are taken in the order of their packs' cost, and the rest can only add
to it, so the first that no later one can beat is the best.

Hard: every pack carries load, the pivot touches, the lean is within what is allowed, the rock within the
clamp's reach.
"""

from __future__ import annotations

import itertools
import math
from typing import TYPE_CHECKING

import numpy as np

from shimfit.core.packing.search import BARE, Group, Listed, Pool, Search
from shimfit.core.resting.contact import Spring, settle
from shimfit.errors import EntryError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from shimfit.core.packing.search import Choice

    Floats = NDArray[np.float64]
    Bools = NDArray[np.bool_]
    Ints = NDArray[np.int64]

_CHUNK = 2048
_DUST = 1e-9
_CARRIES = 1e-6
"""Share of the clamp force below which a pack is loose."""


class GeneralSearch(Search):
    """One post whose seats are searched against the contact problem."""

    def _make(self) -> None:
        task = self.task
        reach = 2.0 * max((math.hypot(*seat.at_mm) for seat in task.seats), default=0.0)
        # With the pivot touching, no error exceeds what lean and clamp can make between two places.
        spread = task.allowed_mm / task.height_mm * reach + self.pull_mm
        for i, seat in enumerate(task.seats[1:]):
            kinds = (False, True) if self._bears_inside(seat) else (False,)
            for inner in kinds:
                self.groups[i][inner] = self._group(seat, inner, -spread, spread)

    def best(
        self, groups: Sequence[Mapping[bool, Group]], keep: int = 1, limit: float = math.inf
    ) -> list[Choice]:
        """The cheapest choices, best first (see `Search.best`)."""
        pool = Pool(keep, limit)
        kinds = [self._kinds(by_point) for by_point in groups]
        combos = []
        for lists in itertools.product(*kinds):
            bound = sum(float(one.cost.min()) for one in lists)
            combos.append((bound, lists))
        combos.sort(key=lambda item: item[0])
        for bound, lists in combos:
            if bound <= pool.limit:
                self._in_order(lists, pool)
        return pool.sorted()

    def _kinds(self, by_point: Mapping[bool, Group]) -> list[Listed]:
        """Entries of one seat, split by what they rest on: nothing, the face, further in."""
        kinds = []
        for inner, group in sorted(by_point.items()):
            listed = self.entries(group)
            bare = listed.row == BARE
            if not inner and bare.any():
                kinds.append(listed.only(bare))
            if (~bare).any():
                kinds.append(listed.only(~bare))
        return kinds

    def _in_order(self, lists: Sequence[Listed], pool: Pool) -> None:
        points, stiffness, carriers = self._points(lists)
        shape = tuple(len(one.cost) for one in lists)
        cost = np.zeros(shape)
        for axis, one in enumerate(lists):
            cost = cost + one.cost.reshape([-1 if i == axis else 1 for i in range(len(lists))])
        flat = cost.ravel()
        some = np.flatnonzero(flat <= pool.limit)
        some = some[np.argsort(flat[some], kind="stable")]
        for begin in range(0, len(some), _CHUNK):
            part = some[begin : begin + _CHUNK]
            if flat[part[0]] > pool.limit:
                return
            picks = np.unravel_index(part, shape) if shape else ()
            self._rest(lists, picks, flat[part], (points, stiffness, carriers), pool)

    def _points(self, lists: Sequence[Listed]) -> tuple[Floats, Floats, list[int | None]]:
        """Bearing points from the rod and stiffness of all supports, grounds first; which one each seat is."""
        rod = self.task.rod_at_mm
        points = [(g.x_mm, g.y_mm) for g in self.task.grounds]
        stiffness = [g.share for g in self.task.grounds]
        carriers: list[int | None] = []
        for one in lists:
            seat = one.group.seat
            bare = bool(one.row[0] == BARE)
            if bare and not seat.bare_bears:
                carriers.append(None)
                continue
            carriers.append(len(points))
            points.append(seat.at_mm if bare else one.group.at_mm)
            stiffness.append(seat.bare_share if bare else 1.0)
        return np.array(points) - np.array(rod), np.array(stiffness), carriers

    def _rest(
        self,
        lists: Sequence[Listed],
        picks: Sequence[Ints],
        cost: Floats,
        supports: tuple[Floats, Floats, list[int | None]],
        pool: Pool,
    ) -> None:
        points, stiffness, carriers = supports
        errors = np.empty((len(cost), len(points)))
        for i, ground in enumerate(self.task.grounds):
            errors[:, i] = ground.error_mm
        for one, pick, carrier in zip(lists, picks, carriers, strict=True):
            if carrier is not None:
                errors[:, carrier] = one.error[pick]
        planes, good = settle_many(points, stiffness, errors, self.pull_mm)
        depth = errors - planes @ np.column_stack((np.ones(len(points)), points)).T
        good &= depth[:, 0] >= -_DUST
        packed = []
        for one, carrier in zip(lists, carriers, strict=True):
            if carrier is not None and one.row[0] != BARE:
                good &= depth[:, carrier] > _CARRIES * self.pull_mm
                packed.append(carrier)
        h = self.task.height_mm
        x, y = -h * planes[:, 1], -h * planes[:, 2]
        allowed = self.task.allowed_mm + _DUST
        good &= (
            (x * x + y * y <= allowed * allowed)
            if self.task.disk
            else (np.abs(x) <= allowed) & (np.abs(y) <= allowed)
        )
        some = np.flatnonzero(good)
        if not len(some):
            return
        rock = self._rock(points, errors[some], depth[some], packed)
        total = cost[some] + self._soft(x[some], y[some], rock)
        fine = np.flatnonzero((rock <= self.pull_mm - _DUST) & (total <= pool.limit))
        for k in pool.worth_keeping(total[fine]):
            j = int(fine[k])
            g = int(some[j])
            cells = tuple(one.cell(int(pick[g])) for one, pick in zip(lists, picks, strict=True))
            pool.add(float(total[j]), cells, (float(x[g]), float(y[g])), float(rock[j]))

    def _rock(self, points: Floats, errors: Floats, depth: Floats, packed: Sequence[int]) -> Floats:
        """Twice the length of the residuals about the flattest plane through what counts (`core.resting`)."""
        counts = depth > -_DUST
        grounds = len(self.task.grounds)
        counts[:, :grounds] |= errors[:, :grounds] > -_DUST
        counts[:, list(packed)] = True
        rock = np.zeros(len(errors))
        plane = np.column_stack((np.ones(len(points)), points))
        masks, which = np.unique(counts, axis=0, return_inverse=True)
        for i, mask in enumerate(masks):
            if mask.sum() < 4:
                continue
            rows = np.flatnonzero(which.ravel() == i)
            base = plane[mask]
            off = np.eye(len(base)) - base @ np.linalg.pinv(base)
            rock[rows] = 2.0 * np.linalg.norm(errors[rows][:, mask] @ off.T, axis=1)
        return rock


def settle_many(points: Floats, stiffness: Floats, errors: Floats, pull_mm: float) -> tuple[Floats, Bools]:
    """Resting planes (z0, u, v) for many sets of errors (m, n) on the same supports (n); and which rest in one way.

    Keeps what pushes and adds what penetrates until nothing changes, as `core.resting` does; the few that
    run in a circle or stand on a line are handed to it.
    """
    m = len(errors)
    planes = np.zeros((m, 3))
    good = np.zeros(m, dtype=bool)
    base = np.column_stack((np.ones(len(points)), points))
    members = np.ones(errors.shape, dtype=bool)
    waiting = np.arange(m)
    left: list[int] = []
    for _ in range(2 * len(points) + 4):
        if not len(waiting):
            break
        masks, which = np.unique(members[waiting], axis=0, return_inverse=True)
        still = []
        for i, mask in enumerate(masks):
            rows = waiting[which.ravel() == i]
            weighted = base[mask] * stiffness[mask, None]
            stiff = weighted.T @ base[mask]
            if mask.sum() < 3 or np.linalg.cond(stiff) > 1e12:
                left.extend(rows.tolist())
                continue
            force = errors[rows][:, mask] @ weighted - np.array([pull_mm, 0.0, 0.0])
            planes[rows] = np.linalg.solve(stiff, force.T).T
            pushing = errors[rows] - planes[rows] @ base.T > 0.0
            same = (pushing == mask).all(axis=1)
            good[rows[same]] = True
            members[rows] = pushing
            still.append(rows[~same])
        waiting = np.sort(np.concatenate(still)) if still else np.empty(0, dtype=np.int64)
    for row in [*left, *waiting.tolist()]:
        springs = [
            Spring(float(p[0]), float(p[1]), float(e), float(k))
            for p, e, k in zip(points, errors[row], stiffness, strict=True)
        ]
        try:
            contact = settle(springs, pull_mm)
        except EntryError:
            continue  # the rod pulls outside what carries: the post would tip, so this is no answer
        if len(contact.planes) == 1:
            planes[row], good[row] = contact.planes[0], True
    return planes, good


__all__ = ["GeneralSearch", "settle_many"]
