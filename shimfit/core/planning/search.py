"""The cheapest packs of many posts at once, proven: one list of thicknesses per seat, three lists per post.

A pattern's cost is the sum of its three packs' costs (read off the tables) plus what lean and rock are left:

    total = c_A + c_B + c_F + residual · (|along| + |across|) + rock · |rock|

For each post the bound is the sum of the cheapest entries. Patterns are enumerated up to a limit above it
that grows until the best found lies below the limit: nothing cheaper can then have been left out. All posts
go through the same few numpy calls; ragged products are laid out flat.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from shimfit.core.planning.geometry import SEATS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from shimfit.core.planning.geometry import Geometry

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]

PAIRS_AT_ONCE = 20_000
"""Pairs of entries that are laid out at a time: bounds the memory (about 100 bytes each)."""
FIRST_LIMIT = 2.0
GROWTH = 1.5
EPS = 1e-7


@dataclass(frozen=True, slots=True)
class Lists:
    """What each seat can be given, cheapest first."""

    cost: Floats
    """(P, 3, 2, W) cost by post, seat, state; +inf behind the last entry."""
    error_mm: Floats
    """(P, 3, 2, W) thickness less need."""


@dataclass(frozen=True, slots=True)
class Found:
    """Best patterns, by post, cheapest first."""

    post: Ints
    combination: Ints
    entry: Ints
    """(N, 3) place in the lists of seats A, B, F."""
    total: Floats


def cheapest(
    geometry: Geometry,
    lists: Lists,
    ceiling: Floats,
    keep: int,
    *,
    rock_cost: float,
    residual_cost: float,
    guess: Floats | None = None,
) -> tuple[Floats, Found]:
    """(P,) least total of each post or its ceiling where nothing is cheaper; and up to `keep` patterns each.

    Exact: no pattern of a post is cheaper than the figure returned. `ceiling` (P,) may be +inf. `guess` (P,)
    says how far above the bound the best may lie; the search starts there, and leaves what it found out.
    """
    hunt = _Hunt(geometry, lists, rock_cost, residual_cost)
    best = ceiling.copy()
    base = hunt.base.min(axis=1)
    step = np.full(best.size, FIRST_LIMIT) if guess is None else guess + FIRST_LIMIT / 4
    parts: list[Found] = []
    waiting = base < best - EPS
    while waiting.any():
        limit = np.where(waiting, np.minimum(best, base + step), -np.inf)
        found = hunt.below(limit, keep)
        least = np.full(best.size, np.inf)
        np.minimum.at(least, found.post, found.total)
        done = waiting & ((least < np.inf) | (limit >= best - EPS) | ~(base + step < hunt.most))
        best = np.where(done, np.minimum(best, least), best)
        parts.append(_of(found, done))
        waiting &= ~done
        step = step * GROWTH
    if guess is not None:
        known = np.isfinite(best) & np.isfinite(base)
        guess[known] = np.maximum(0.0, best - base)[known]
    return best, _joined(parts)


class _Hunt:
    """One search: the lists of one set of prices."""

    def __init__(self, geometry: Geometry, lists: Lists, rock_cost: float, residual_cost: float) -> None:
        self.geometry, self.lists = geometry, lists
        self.rock_cost = rock_cost
        self.residual = residual_cost * geometry.residual_share
        count = len(geometry.posts)
        bits = (np.arange(geometry.combinations)[:, None] >> np.arange(SEATS)) & 1
        self.bits = bits
        first = lists.cost[:, :, :, 0]
        self.base = np.zeros((count, geometry.combinations))
        for seat in range(SEATS):
            self.base += first[:, seat, bits[:, seat]]
        self.base[geometry.rock_low > geometry.rock_high] = np.inf
        finite = lists.cost[np.isfinite(lists.cost)]
        self.most = 3 * float(finite.max(initial=0.0)) + rock_cost + 2 * residual_cost + 1.0
        # No pattern costs more than the dearest three entries and all of rock and residual.
        self.most += float(self.base[np.isfinite(self.base)].max(initial=0.0))

    def below(self, limit: Floats, keep: int) -> Found:
        """Up to `keep` cheapest patterns of each post that cost less than its limit."""
        post, combination = np.nonzero(self.base < limit[:, None] - EPS)
        counts = self._counts(post, combination, limit)
        # The longest list comes last: it is cut down by what the other two leave.
        order = np.argsort(counts, axis=1, kind="stable")
        parts = [
            self._chunk(post[part], combination[part], order[part], counts[part].min(axis=1), limit, keep)
            for part in _chunks(np.sort(counts, axis=1)[:, :2].prod(axis=1))
        ]
        return _best_of_each(_joined(parts), keep)

    def _counts(self, post: Ints, combination: Ints, limit: Floats) -> Ints:
        counts = np.empty((post.size, SEATS), np.int64)
        slack = limit[post] - self.base[post, combination]
        for seat in range(SEATS):
            cost = self.lists.cost[post, seat, self.bits[combination, seat]]
            counts[:, seat] = (cost < (cost[:, 0] + slack)[:, None]).sum(1)
        return counts

    def _chunk(  # noqa: PLR0917 - it takes the quantities it takes
        self, post: Ints, combination: Ints, order: Ints, shortest: Ints, limit: Floats, keep: int
    ) -> Found:
        """Patterns of some tasks (post, combination); seats in the order given, shortest list first."""
        lists = self.lists
        width = lists.cost.shape[3]
        cost, error = lists.cost.reshape(-1), lists.error_mm.reshape(-1)
        rows = np.stack(
            [
                ((post * SEATS + order[:, k]) * 2 + self.bits[combination, order[:, k]]) * width
                for k in range(SEATS)
            ],
            axis=1,
        )
        third_least = cost[rows[:, 2]]
        # For each entry of the first seat, as many of the second as their costs together allow.
        task, i = _ragged(shortest)
        spent = cost[rows[task, 0] + i]
        number = _count_below(cost, rows[task, 1], width, limit[post[task]] - EPS - spent - third_least[task])
        pair, j = _ragged(number)
        task, i, spent = task[pair], i[pair], spent[pair]
        at_first, at_second = rows[task, 0] + i, rows[task, 1] + j
        spent = spent + cost[at_second]
        top = limit[post[task]]
        linear = self.geometry.linear[post, combination]
        start = self.geometry.constant[post, combination][task]
        seat = order[task]
        by_task = linear[task]
        lines = np.arange(task.size)
        start = start + by_task[lines, :, seat[:, 0]] * error[at_first][:, None]
        start += by_task[lines, :, seat[:, 1]] * error[at_second][:, None]
        slope = by_task[lines, :, seat[:, 2]]
        low, high = self.geometry.rock_low[post, combination], self.geometry.rock_high[post, combination]
        left = self._least_left(start, slope, low[task], high[task], self.residual[post][task])
        room = top - spent - left
        kept = np.flatnonzero(third_least[task] < room - EPS)
        task, i, j = task[kept], i[kept], j[kept]
        spent, start, slope = spent[kept], start[kept], slope[kept]
        top = top[kept]
        number = _count_below(cost, rows[task, 2], width, room[kept])
        return self._triples(
            post, combination, order, rows, task, i, j, spent, start, slope, top, number, low, high, keep
        )

    def _least_left(
        self, start: Floats, slope: Floats, low: Floats, high: Floats, residual: Floats
    ) -> Floats:
        """Least cost of what is left over, whatever the third seat is given; +inf when nothing is allowed."""
        reach_low, reach_high = np.full(len(start), -np.inf), np.full(len(start), np.inf)
        one_share = np.ones(len(start))
        bounds = ((-one_share, one_share), (-one_share, one_share), (low, high))
        with np.errstate(divide="ignore", invalid="ignore"):
            for k, (least, most) in enumerate(bounds):
                one, other = (least - start[:, k]) / slope[:, k], (most - start[:, k]) / slope[:, k]
                reach_low = np.fmax(reach_low, np.minimum(one, other))
                reach_high = np.fmin(reach_high, np.maximum(one, other))
            turning = -start / slope
        result = np.full(len(start), np.inf)
        for k in range(3):
            at = np.where(np.isfinite(turning[:, k]), turning[:, k], 0.0)[:, None]
            result = np.minimum(result, self._left(np.abs(start + slope * at), residual))
        return np.where(reach_low <= reach_high + 1e-9, result, np.inf)

    def _left(self, shares: Floats, residual: Floats) -> Floats:
        return residual * (shares[:, 0] + shares[:, 1]) + self.rock_cost * shares[:, 2]

    def _triples(  # noqa: PLR0917 - it takes the quantities it takes
        self, post: Ints, combination: Ints, order: Ints, rows: Ints, task: Ints, i: Ints, j: Ints,
        spent: Floats, start: Floats, slope: Floats, top: Floats, number: Ints, low: Floats, high: Floats,
        keep: int,
    ) -> Found:  # fmt: skip
        cost, error = self.lists.cost.reshape(-1), self.lists.error_mm.reshape(-1)
        parts = []
        for part in _chunks(number):
            pair, k = _ragged(number[part])
            pair += part.start
            of = task[pair]
            at = rows[of, 2] + k
            shares = start[pair] + slope[pair] * error[at][:, None]
            total = spent[pair] + cost[at] + self._left(np.abs(shares), self.residual[post[of]])
            size = np.where(
                self.geometry.disk[post[of]],
                np.hypot(shares[:, 0], shares[:, 1]),
                np.abs(shares[:, :2]).max(1, initial=0.0),
            )
            good = (size <= 1.0 + 1e-9) & (shares[:, 2] >= low[of] - 1e-9) & (shares[:, 2] <= high[of] + 1e-9)
            good &= total < top[pair] - EPS
            good = np.flatnonzero(good)
            of, pair = of[good], pair[good]
            entry = np.empty((good.size, SEATS), np.int64)
            lines = np.arange(good.size)
            for place, values in enumerate((i[pair], j[pair], k[good])):
                entry[lines, order[of, place]] = values
            parts.append(_best_of_each(Found(post[of], combination[of], entry, total[good]), keep))
        return _joined(parts)


def _ragged(counts: Ints) -> tuple[Ints, Ints]:
    """For counts (3, 2): owners 0 0 0 1 1 and places 0 1 2 0 1."""
    owner = np.repeat(np.arange(counts.size), counts)
    ends = np.cumsum(counts)
    return owner, np.arange(owner.size) - np.repeat(ends - counts, counts)


def _chunks(counts: Ints) -> list[slice]:
    """Slices of about PAIRS_AT_ONCE in all."""
    if not counts.size:
        return []
    ends = np.cumsum(counts)
    marks = np.searchsorted(ends, np.arange(PAIRS_AT_ONCE, ends[-1], PAIRS_AT_ONCE), side="left") + 1
    edges = np.unique(np.concatenate([[0], marks, [counts.size]]))
    return [slice(int(a), int(b)) for a, b in pairwise(edges.tolist())]


def _count_below(cost: Floats, start: Ints, width: int, limit: Floats) -> Ints:
    """How many of the `width` sorted entries from each start are below the limit: bisections, all at once."""
    low, high = np.zeros(start.size, np.int64), np.full(start.size, width, np.int64)
    for _ in range(width.bit_length()):
        middle = (low + high) // 2
        below = cost[start + np.minimum(middle, width - 1)] < limit
        open_ = low < high
        low = np.where(open_ & below, middle + 1, low)
        high = np.where(open_ & ~below, middle, high)
    return low


def _best_of_each(found: Found, keep: int) -> Found:
    """The `keep` cheapest of each post; ties by combination and entries, never by where they were found."""
    if not found.post.size:
        return found
    order = np.lexsort(
        (found.entry[:, 2], found.entry[:, 1], found.entry[:, 0], found.combination,
         np.round(found.total, 6), found.post)
    )  # fmt: skip
    post = found.post[order]
    first = np.searchsorted(post, post, side="left")
    order = order[np.arange(post.size) - first < keep]
    return Found(found.post[order], found.combination[order], found.entry[order], found.total[order])


def _of(found: Found, chosen: NDArray[np.bool_]) -> Found:
    mask = chosen[found.post]
    return Found(found.post[mask], found.combination[mask], found.entry[mask], found.total[mask])


def _joined(parts: list[Found]) -> Found:
    if not parts:
        return Found(
            np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros((0, SEATS), np.int64), np.zeros(0)
        )
    return Found(
        np.concatenate([part.post for part in parts]),
        np.concatenate([part.combination for part in parts]),
        np.concatenate([part.entry for part in parts]),
        np.concatenate([part.total for part in parts]),
    )
