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
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from shimfit.core.chance import Chances, next_rounds
from shimfit.core.packing.question import MOST_RESTS
from shimfit.core.packing.rests import RestCosts
from shimfit.core.packing.search import BARE, Group, Listed, Pool, Search
from shimfit.core.resting import Spring, settle, tilts_per_mm
from shimfit.errors import EntryError

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from shimfit.core.packing.search import Choice

    Floats = NDArray[np.float64]
    Bools = NDArray[np.bool_]
    Ints = NDArray[np.int64]

_CHUNK = 2048
_FIRST_STEP = 0.4
"""How far above the cheapest packs of all the search looks first, in pieces."""
_NEAREST = 12
_NEAREST_SPENT = 8
"""The same when the question has cost its share of contact problems."""
_CALL = 150
"""What looking at any number at once costs besides, in contact problems."""
_HARD_ONE = 30
"""What a contact problem by itself costs, against one of many at once."""
_DUST = 1e-9
_HARDLY = 1e-9
_CARRIES_AT_ALL = 1e-9
"""Share of the clamp force below which a support carries nothing (`Question.chance_on`)."""
_CARRIES = 1e-6
"""Share of the clamp force below which a pack is loose."""


class GeneralSearch(Search):
    """One post whose seats are searched against the contact problem."""

    in_contact = False
    _sparing = False
    """Only some thicknesses are looked at, for the question has had its share of contact problems."""

    def _make(self, like: Search | None) -> None:  # noqa: ARG002 - no two of its tasks rest alike
        task = self.task
        reach = 2.0 * max((math.hypot(*seat.at_mm) for seat in task.seats), default=0.0)
        # With the pivot touching, no error exceeds what lean and clamp can make between two places.
        spread = task.allowed_mm / task.height_mm * reach + self.pull_mm
        for i, seat in enumerate(task.seats[1:]):
            kinds = (False, True) if self._bears_inside(seat) else (False,)
            for inner in kinds:
                self.groups[i][inner] = self._group(seat, inner, -spread, spread)
        self.rests = RestCosts(task, self.costs, self.pull_mm, (), ())
        acceptance = task.acceptance
        alone = Chances([acceptance.base_mm2], [acceptance.zone], task.allowed_mm)
        # Whatever carries: no supports scatter less than not at all.
        self._least = float(next_rounds(self.costs.round, alone.best())[0]) if not task.lean_only else 0.0
        self._known: dict[tuple[object, ...], Chances] = {}

    def best(
        self,
        groups: Sequence[Mapping[bool, Group]],
        keep: int = 1,
        limit: float = math.inf,
        least: float = -math.inf,  # noqa: ARG002 - it goes by what packs cost, not by what choices do
    ) -> list[Choice]:
        """The cheapest choices, best first (see `Search.best`).

        Looked for below a limit that grows until something is found: the rest only adds to what packs cost.
        """
        work = self.task.work
        if work.left < -MOST_RESTS * (2 if self.task.lean_only else 1):
            return []  # not finished, as every question whose work is spent: it gives up
        was_spent = work.spent
        found = self._cheapest_first(groups, keep, limit)
        if not found and work.spent and not was_spent:
            found = self._cheapest_first(groups, keep, limit)
        return found

    def _cheapest_first(
        self, groups: Sequence[Mapping[bool, Group]], keep: int, limit: float
    ) -> list[Choice]:
        """As `best`; from where the question's work is spent on only among some thicknesses."""
        self._sparing = self.task.work.spent
        kinds = [self._kinds(by_point) for by_point in groups]
        most = sum(max((float(one.cost.max()) for one in some), default=0.0) for some in kinds)
        least = sum(min((float(one.cost.min()) for one in some), default=math.inf) for some in kinds)
        pool = Pool(keep, limit)
        low, step = -math.inf, _FIRST_STEP * self.costs.piece
        if self.task.lean_only:
            step = math.inf
        while low < min(most, pool.limit - self._least):
            high = min(least + step, pool.limit - self._least)
            for lists in itertools.product(*kinds):
                self._between(lists, low, high, pool)
            if len(pool.found) >= keep:
                # Whatever is cheaper than the best so far has packs cheaper than it.
                for lists in itertools.product(*kinds):
                    self._between(lists, high, pool.limit - self._least, pool)
                break
            low, step = high, 2.0 * step
        return pool.sorted()

    def _kinds(self, by_point: Mapping[bool, Group]) -> list[Listed]:
        """Entries of one seat, split by what they rest on: nothing, the face, further in."""
        kinds = []
        for inner, group in sorted(by_point.items()):
            listed = group.listed
            bare = listed.row == BARE
            if not inner and bare.any():
                kinds.append(listed.only(bare))
            packs = listed.only(~bare)
            if self.task.lean_only or self.task.thin or self.task.work.spent:
                near = _NEAREST_SPENT if self.task.work.spent else _NEAREST
                packs = packs.only(_some(packs, near, cheapest=0 if self.task.lean_only else near))
            if len(packs.cost):
                kinds.append(packs)
        return kinds

    def _between(self, lists: Sequence[Listed], low: float, high: float, pool: Pool) -> None:
        """Rest every combination whose packs cost more than `low` and at most `high`, cheapest first."""
        least = [float(one.cost.min()) for one in lists]
        total = sum(least)
        lists = [one.only(one.cost <= high - (total - mine)) for one, mine in zip(lists, least, strict=True)]
        if not all(len(one.cost) for one in lists):
            return
        supports = self._supports(lists)
        head, *rest = lists
        tail_cost = np.zeros(())
        for one in rest:
            tail_cost = np.add.outer(tail_cost, one.cost)
        for i in np.argsort(head.cost, kind="stable"):
            cost = float(head.cost[i]) + tail_cost
            picked = np.nonzero((cost > low) & (cost <= min(high, pool.limit - self._least))) if rest else ()
            flat = cost[picked] if rest else np.array([float(head.cost[i])])
            order = np.argsort(flat, kind="stable")
            for begin in range(0, len(order), _CHUNK):
                if self.task.work.spent and not self._sparing:
                    return
                part = order[begin : begin + _CHUNK]
                if not low < flat[part[0]] <= pool.limit - self._least:
                    break
                picks = [np.full(len(part), i), *(index[part] for index in picked)]
                self._rest(lists, picks, flat[part], supports, pool)

    def _supports(self, lists: Sequence[Listed]) -> _Supports:
        """Supports of a set of bearing points: the bed where it bears, then the packs."""
        assert self.task.grounds is not None
        packed = [one for one in lists if one.row[0] != BARE]
        grounds = self.task.grounds(tuple(one.group.seat.seat for one in packed))
        points = [(g.x_mm, g.y_mm) for g in grounds] + [one.group.at_mm for one in packed]
        return _Supports(
            points=np.array(points) - np.array(self.task.rod_at_mm),
            stiffness=np.array([g.share for g in grounds] + [1.0] * len(packed)),
            bare=np.array([g.error_mm for g in grounds]),
            packed=tuple(i for i, one in enumerate(lists) if one.row[0] != BARE),
        )

    def _rest(
        self, lists: Sequence[Listed], picks: Sequence[Ints], cost: Floats, supports: _Supports, pool: Pool
    ) -> None:
        points, n_bare = supports.points, len(supports.bare)
        errors = np.empty((len(cost), len(points)))
        errors[:, :n_bare] = supports.bare
        for column, seat in enumerate(supports.packed, start=n_bare):
            errors[:, column] = lists[seat].error[picks[seat]]
        work = self.task.work
        rough = self.task.thin or self.task.lean_only or work.spent
        work.left -= len(cost) + _CALL
        most_hard = 0 if rough else max(0, work.left) // _HARD_ONE + 1
        planes, good, hard = settle_many(points, supports.stiffness, errors, self.pull_mm, most_hard)
        work.left -= _HARD_ONE * hard
        depth = errors - planes @ np.column_stack((np.ones(len(points)), points)).T
        good &= depth[:, 0] >= -_DUST
        good &= (depth[:, n_bare:] > _CARRIES * self.pull_mm).all(axis=1)
        h = self.task.height_mm
        x, y = -h * planes[:, 1], -h * planes[:, 2]
        good &= self.allows(x, y)
        some = np.flatnonzero(good)
        if not len(some):
            return
        rock = _rock(points, errors[some], depth[some], n_bare)
        if self.task.lean_only:
            total = cost[some] + self.rests.at(0, x[some], y[some])
        else:
            carries = depth[some] > _CARRIES_AT_ALL * self.pull_mm
            total = cost[some] + self._next_round(lists, supports, carries, x[some], y[some])
        fine = np.flatnonzero(rock <= self.pull_mm + _DUST)
        some = some[fine]
        rest = x[some], y[some], rock[fine]
        self.keep(lists, [pick[some] for pick in picks], total[fine], rest, pool)

    def _next_round(
        self, lists: Sequence[Listed], supports: _Supports, carries: Bools, x: Floats, y: Floats
    ) -> Floats:
        """The rounds after the next reading of many rests, each through the supports that carry it (m, n)."""
        seats = [self.scatter_mm2(lists[i].group.seat)[lists[i].group.inner] for i in supports.packed]
        bed = [self.task.acceptance.scatter.seat_mm2(inner=False)] * len(supports.bare)
        variances = np.array([*bed, *seats])
        cost = np.full(len(x), float(next_rounds(self.costs.round, 0.0)))
        for mask, rows in _alike(carries):
            points = supports.points[mask]
            key = (points.tobytes(), variances[mask].tobytes())
            known = self._known.get(key)
            if known is None:
                tilts = tilts_per_mm(np.column_stack((points, supports.stiffness[mask])).tolist())
                if not tilts:
                    continue
                at_top = (variances[mask] * self.task.height_mm**2).tolist()
                along, across = zip(*tilts, strict=True)
                spread = self.task.acceptance.covariance(along, across, at_top)
                known = Chances([spread], [self.task.acceptance.zone], self.task.allowed_mm)
                self._known[key] = known
            cost[rows] = next_rounds(self.costs.round, known.at(0, x[rows], y[rows]))
        return cost


def _some(listed: Listed, nearest: int, cheapest: int) -> Ints:
    """The entries nearest to the need, and the cheapest, the nearest of them first."""
    near = np.abs(listed.error)
    return np.unique(
        np.concatenate(
            (np.argsort(near, kind="stable")[:nearest], np.lexsort((near, listed.cost))[:cheapest])
        )
    )


class _Supports(NamedTuple):
    """What the foot rests on for one set of bearing points, the bed first."""

    points: Floats
    """(n, 2) from the rod, in mm."""
    stiffness: Floats
    bare: Floats
    """Errors of the supports that are the bed itself."""
    packed: tuple[int, ...]
    """Which of the searched seats the others are, in order."""


def _rock(points: Floats, errors: Floats, depth: Floats, n_bare: int) -> Floats:
    """Twice the length of the residuals about the flattest plane through what counts (`core.resting`)."""
    counts = depth > -_DUST
    counts[:, :n_bare] |= errors[:, :n_bare] > -_DUST
    counts[:, n_bare:] = True
    rock = np.zeros(len(errors))
    plane = np.column_stack((np.ones(len(points)), points))
    for mask, rows in _alike(counts):
        if mask.sum() < 4:
            continue
        base = plane[mask]
        off = np.eye(len(base)) - base @ np.linalg.pinv(base)
        rock[rows] = 2.0 * np.linalg.norm(errors[rows][:, mask] @ off.T, axis=1)
    return rock


def _alike(members: Bools) -> Iterator[tuple[Bools, Ints]]:
    """Each set of supports that occurs, with the rows that have it."""
    codes = members @ (1 << np.arange(members.shape[1]))
    order = np.argsort(codes, kind="stable")
    for rows in np.split(order, np.flatnonzero(np.diff(codes[order])) + 1):
        yield members[rows[0]], rows


def settle_many(
    points: Floats, stiffness: Floats, errors: Floats, pull_mm: float, most_hard: int = MOST_RESTS
) -> tuple[Floats, Bools, int]:
    """Resting planes (z0, u, v) of many error sets (m, n) on the same supports (n); which rest in one way.

    Keeps what pushes and adds what penetrates until nothing changes, as `core.resting` does; the few that
    run in a circle or stand on a line are handed to it, so many at most (the others count as rocking), and
    how many is the third that is returned.
    """
    planes, good = np.zeros((len(errors), 3)), np.zeros(len(errors), dtype=bool)
    base = np.column_stack((np.ones(len(points)), points))
    members = np.ones(errors.shape, dtype=bool)
    waiting = np.arange(len(errors))
    left: list[int] = []
    for _ in range(2 * len(points) + 4):
        if not len(waiting):
            break
        still = []
        for mask, alike in _alike(members[waiting]):
            rows = waiting[alike]
            weighted = base[mask] * stiffness[mask, None]
            stiff = weighted.T @ base[mask]
            if mask.sum() < 3 or np.linalg.cond(stiff) > 1e12:
                left.extend(rows.tolist())
                continue
            force = errors[rows][:, mask] @ weighted - np.array([pull_mm, 0.0, 0.0])
            planes[rows] = np.linalg.solve(stiff, force.T).T
            depth = errors[rows] - planes[rows] @ base.T
            pushing = depth > 0.0
            same = (pushing == mask).all(axis=1)
            # A member that hardly pushes may be all that keeps the others off one line.
            sure = (depth[:, mask] > _HARDLY * pull_mm).all(axis=1)
            good[rows[same & sure]] = True
            left.extend(rows[same & ~sure].tolist())
            members[rows] = pushing
            still.append(rows[~same])
        waiting = np.sort(np.concatenate(still)) if still else np.empty(0, dtype=np.int64)
    hard = [*left, *waiting.tolist()][:most_hard]
    for row in hard:
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
    return planes, good, len(hard)
