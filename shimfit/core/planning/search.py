"""The cheapest packs of many posts at once, proven: lists of what each seat can be given, and the search.

*Goal.* For each of P posts the `keep` cheapest patterns (what stands at the seats A, B, F) at given prices.

*Lists.* A seat wants thicknesses in a window about its need; the tables of the box tell the cheapest pack of
each class at each thickness. Pieces at least as steep as the gap bear at the face (state 0), flatter ones and
flats further in (state 1); with `bearing_point="corner"` all is measured at the face. A list holds, for each
of the W thicknesses of a window in order, the cheapest class with what its mismatch with the gap costs;
a bare seat is thickness 0 at the face, free. One post has 3 seats x 2 states: a choice of states
is a *combination*.

*Search.* A pattern costs the sum of its three entries and what is left over (`Rest`):

    total = c_A + c_B + c_F + round · (1 ÷ chance of plumb at the next reading − 1)

1. The likeliest combination of every post comes first, so that what it costs is a limit for the others. Pairs
   of entries at two seats are laid out whose cost with the cheapest third is below the limit.
2. A pair leaves the third seat an interval of entries: the contact, what is allowed, and how far out a rest
   may lie at the cost that is left (`Rest.reach`). The least cost in it is read off a table of minima over
   1, 2, 4, … entries (two look-ups), what is left over at least off a table of chances at the rest that is
   nearest each way: together a bound of the interval.
3. The `keep` · `LIKELY` intervals of each post with the least bounds are gone through entry by entry; of the
   others, those below the limit that this leaves are halved and bounded again until they are narrow.

*Exact*, because every bound is below what it stands for, and the limit grows until the best found lies below
it: nothing cheaper can then have been left out. Ragged products are laid out flat, all posts in one call.
Arrays: P posts, W thicknesses of a list, T (post, combination) tasks of a chunk, N pairs or entries.

*Example.* A post that leans 8 mm next and 3 mm out in 1 m, at most 1:500, on a foot of 90 x 90 mm wants 0.72
(A), 0.27 (B) and 0.99 mm (F) at the faces. From flats of 0.3 and 1 mm and tapers of 0.2 to 5 mm its lists
there have 61, 17 and 71 entries; B bare costs nothing. The cheapest is combination 2, only B further in: 0.76
of the taper at A (1.27 min), the flat of 0.3 at B (0.50), 0.78 of the taper with that flat at F (1.77), and
9.01 of rounds: 12.54. With 0.75 at A it is 12.55. In a run of 200 posts 16 million pairs were laid out, and
5 million left the third seat an interval, with 118 million entries: one by one 40 s, halved 5.
"""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from shimfit.core.chance import next_rounds
from shimfit.core.objective import LEAST_CHANCE
from shimfit.core.packing.tables import least_of, range_minima
from shimfit.core.planning.geometry import SEATS, STATES

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from shimfit.core.packing.options import Options
    from shimfit.core.packing.pieces import Row
    from shimfit.core.packing.tables import Tables
    from shimfit.core.planning.geometry import Geometry

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]
    Bools = NDArray[np.bool_]

BARE = -1
_DUST = 1e-9
PAIRS_AT_ONCE = 100_000
"""Pairs of entries that are laid out at a time: bounds the memory (about 200 bytes each)."""
LIKELY = 4
"""Pairs, and entries of them, that are priced first, for each pattern that is kept."""
NARROW = 4
"""Entries of the third seat from which an interval is halved."""
NODES = 32
"""Steps of the tables from no lean to all that is allowed."""
LEVELS = 200
"""Chances that reaches are tabulated for, from 0 to 1."""
SLACK = 2e-6
"""More than polynomials and single precision are off by."""
CLASSES_AT_ONCE = 32
"""Classes whose tables are made in one go."""
FIRST_LIMIT = 2.0
GROWTH = 2.0
EPS = 1e-7


# ---------------------------------------------------------------- what each seat can be given


class Choice(NamedTuple):
    """What one seat of a pattern is given."""

    row: int
    """Index among the state's rows; BARE for nothing."""
    steps: int
    """Thickness in quanta, where the pack bears."""
    inner_mm: float | None
    """How far in from the face that is; None at the face (also flats, the same everywhere)."""


@dataclass(frozen=True, slots=True)
class Lists:
    """What each seat can be given, thinnest first; W = the widest window."""

    geometry: Geometry
    cost: Floats
    """(P, 3, 2, W) cost by post, seat, state and thickness; +inf where nothing is that thick."""
    first: Ints
    """(P, 3, 2) thickness of entry 0 in quanta."""
    row: NDArray[np.int16]
    """(P, 3, 2, W) the class behind an entry."""
    quantum_mm: float

    @property
    def error_mm(self) -> Floats:
        """(P, 3, 2, W) thickness less need."""
        return self.start_mm[..., None] + np.arange(self.cost.shape[3]) * self.quantum_mm

    @property
    def start_mm(self) -> Floats:
        """(P, 3, 2) the same of entry 0."""
        return self.first * self.quantum_mm - self.geometry.gap_mm

    def choice(self, post: int, seat: int, state: int, entry: int) -> Choice:
        """What a seat is given when an entry of its list is taken."""
        row = int(self.row[post, seat, state, entry])
        inner = float(self.geometry.inside_mm[post, seat]) if state == 1 and row > 0 else None
        return Choice(row, int(self.first[post, seat, state]) + entry, inner)


class ListMaker:
    """Lists for one set of posts; `make` is called once per set of prices."""

    def __init__(self, geometry: Geometry, options: Options) -> None:
        self.geometry, self.options = geometry, options
        low_mm, high_mm = geometry.low_mm, geometry.high_mm
        q = options.quantum_mm
        possible = np.isfinite(low_mm) & np.isfinite(high_mm)
        low_mm, high_mm = np.where(possible, low_mm, 0.0), np.where(possible, high_mm, -1.0)
        self._low: Ints = np.ceil((geometry.gap_mm + low_mm) / q - 1e-6).astype(np.int64)
        self._last: Ints = np.floor((geometry.gap_mm + high_mm) / q + 1e-6).astype(np.int64)
        self.first = np.maximum(0, self._low)
        """(P, 3, 2) least thickness that a seat may be given, in quanta."""
        self.width: Ints = np.where(possible, np.maximum(0, self._last - self.first + 1), 0)
        """(P, 3, 2) number of thicknesses; 0 = none."""
        self.width[:, :, 1] = np.where(geometry.steep == 0.0, 0, self.width[:, :, 1])
        self.longest = int((self.first + self.width).max(initial=1))
        # Posts of like feet share the length that pieces reach in, and with it the tables of flatter tapers.
        self.reaches_mm = sorted({float(mm) for mm in np.unique(geometry.inside_mm)})

    def make(self, tables: Tables) -> Lists:
        """Lists at the tables' prices."""
        width = max(1, int(self.width.max(initial=1)))
        tables.grown(self.longest + width + 1)
        shape = (len(self.geometry.posts), SEATS, STATES, width)
        cost, row = np.full(shape, np.inf), np.full(shape, BARE, np.int16)
        for reach_mm in self.reaches_mm:
            at = np.nonzero(self.geometry.inside_mm == reach_mm)
            if reach_mm < self.options.room_mm or not at[0].size:
                continue
            for state in range(STATES if self.geometry.combinations > 1 else 1):
                place: tuple[Any, ...] = (*at, state)
                cost[place], row[place] = self._best(tables, reach_mm, place, width)
        steps = self.first[..., None] + np.arange(width)
        inside = np.arange(width) < self.width[..., None]
        cost[~inside] = np.inf
        bare = inside & (steps == 0)
        bare[:, :, 1] = False
        # A round foot that is bare at one of these seats would roll on its rim.
        bare[[post.foot.round for post in self.geometry.posts]] = False
        cost[bare], row[bare] = 0.0, BARE
        return Lists(self.geometry, cost, self.first, row, self.options.quantum_mm)

    def bears_from(self, sigma: Floats, post: Any, seat: Any) -> Any:
        """Which of the classes, by slope, is the first that bears at the face of a seat."""
        return sigma.searchsorted(self.geometry.steep[post, seat] - 1e-12)

    def least_lifted(self, tables: Tables, post: Ints, steps: Ints) -> Floats:
        """(N, 3, 2) the least that a seat can be given costs, where the feet of posts are lifted so far."""
        start = np.maximum(0, self._low[post] + steps[:, None, None])
        stop = self._last[post] + steps[:, None, None] + 1
        tables.grown(int(stop.max(initial=1)))
        least = np.full(start.shape, np.inf)
        for reach_mm in self.reaches_mm:
            if reach_mm < self.options.room_mm:
                continue
            for state in range(STATES):
                packs = tables.inner_table(reach_mm if state else None)[1].min(axis=0)
                packs[0] = np.inf if state else 0.0
                here = np.zeros(start.shape, bool)
                here[:, :, state] = self.geometry.inside_mm[post] == reach_mm
                here &= start < stop
                least[here] = least_of(range_minima(packs), start[here], stop[here])
        return least

    def _best(
        self, tables: Tables, reach_mm: float, place: tuple[Any, ...], width: int
    ) -> tuple[Floats, NDArray[np.int16]]:
        """(N, W) cheapest class of every thickness at N places (post, seat, state) of one reach, and which.

        At the face bear all classes from one on, further in all up to one; where everything bears at the
        seat itself, all.
        """
        post, seat, state = place
        packs, sigma = tables.inner_table(reach_mm if state else None)[1:]
        table, row = _running_best(packs, from_the_end=not state)
        from_class = self.bears_from(sigma, post, seat)
        if self.geometry.combinations == 1:
            from_class = np.zeros_like(from_class)
        # Windows are slices of the table: whole rows are copied, not entries picked.
        at = from_class - state, self.first[place]
        best, which = (sliding_window_view(some, width, axis=1)[at] for some in (table, row))
        return best, which


def _running_best(packs: Floats, *, from_the_end: bool) -> tuple[Floats, NDArray[np.int16]]:
    """(R + 1, L) least of (R, L) over the classes from each on or up to each, and which, the first of equals.

    The last row is of no class.
    """
    shape = len(packs) + 1, packs.shape[1]
    best, which = np.full(shape, np.inf), np.full(shape, BARE, np.int16)
    for k in reversed(range(len(packs))) if from_the_end else range(len(packs)):
        before = k + 1 if from_the_end else k - 1
        better = packs[k] <= best[before] if from_the_end else packs[k] < best[before]
        best[k] = np.where(better, packs[k], best[before])
        which[k] = np.where(better, np.int16(k), which[before])
    return best, which


def states_of(combinations: int) -> Ints:
    """(C, 3) state of each seat."""
    return (np.arange(combinations)[:, None] >> np.arange(SEATS)) & 1


def by_combination(cost: Floats, combinations: int) -> Floats:
    """(N, C) sums over the seats of what each costs in its state (N, 3, 2)."""
    return np.asarray(cost[:, np.arange(SEATS), states_of(combinations)].sum(axis=2), float)


def row_of(tables: Tables, choice: Choice) -> Row:
    """The tables' row behind a choice that is not bare."""
    return tables.inner_table(choice.inner_mm)[0][choice.row]


# ---------------------------------------------------------------- what is left over


def _falling(table: Floats) -> Floats:
    """(…, n, m) the greatest value from each place on, both ways."""
    for axis in (-2, -1):
        table = np.flip(np.maximum.accumulate(np.flip(table, axis), axis=axis), axis)
    return table


class Rest:
    """What the lean left over costs, exactly and by bounds: for P posts, each with its C combinations.

    Rests are tabulated in steps, `NODES` of them from no lean to all that is allowed, turned into the
    axes in which a disk's chance falls both ways: `linear` (P, C, 3, 3) and `constant` (P, C, 3) are the
    geometry's maps from errors to (x, y, rock) in these.

    The table has at each node the best chance of all that lie further out in its quarter, so it falls
    outwards both ways; between nodes a chance is at most the straight line's and what that is off by
    (`Chances.curved`). So one look at the point that is nearest each way bounds a whole segment.
    """

    def __init__(self, geometry: Geometry, options: Options) -> None:
        costs, (posts, each) = options.costs, geometry.rock_low.shape
        self.round, self.unit = costs.round, costs.piece / 10.0
        """Price of one more; a tenth of a piece, the unit of first limits."""
        self.classes: Ints = np.arange(posts * each).reshape(posts, each)
        """(P, C) rows of the tables."""
        self.linear, self.constant = geometry.linear.copy(), geometry.constant.copy()
        self.linear[:, :, :2] *= NODES
        self.constant[:, :, :2] *= NODES
        if not self.round:
            return
        self.chances = geometry.chances(options.scatter)
        cos, sin = (np.array(one) for one in zip(*map(self.chances.axes, range(posts * each)), strict=True))
        turn = np.array([[cos, sin], [-sin, cos]]).transpose(2, 0, 1).reshape(posts, each, 2, 2)
        self.linear[:, :, :2] = turn @ self.linear[:, :, :2]
        self.constant[:, :, :2] = (turn @ self.constant[:, :, :2, None])[..., 0]
        self.off = np.asarray(self.chances.curved / (8.0 * NODES**2) + SLACK)
        """(classes,) added to what is between nodes."""
        self.table = np.empty((posts * each, NODES + 1, 2 * NODES + 1), np.float32)
        """(classes, x = 0 … allowed, y = -allowed … allowed)."""
        self.wide = np.empty((2, posts * each, LEVELS + 1), np.float32)
        """(way, classes, levels) how far out a chance of level ÷ LEVELS is found, in steps; -1: nowhere."""
        levels, nodes = np.arange(LEVELS + 1) / LEVELS, np.arange(NODES + 1.0)
        for first in range(0, posts * each, CLASSES_AT_ONCE):
            some = slice(first, first + CLASSES_AT_ONCE)
            half = self.chances.in_axes(np.arange(-NODES, NODES + 1) / NODES, some)[:, NODES:]
            half[:, :, NODES:] = _falling(half[:, :, NODES:])
            half[:, :, NODES::-1] = _falling(half[:, :, NODES::-1])
            half[:, 0] = np.maximum(half[:, 0], half[:, 0, ::-1])
            self.table[some] = half
            for k, one in enumerate(half, first):
                for way, profile in enumerate((one[:, NODES], one[0, NODES:])):
                    reached = profile[::-1] + self.off[k]
                    self.wide[way, k] = np.interp(levels, reached, nodes[::-1], left=NODES, right=-1.0)

    @property
    def floor(self) -> Floats:
        """(P, C) what any rest of a combination costs at least."""
        if not self.round:
            return np.zeros(self.classes.shape)
        return next_rounds(self.round, self.chances.best()[self.classes]) - _DUST

    def some(self, posts: Ints) -> Rest:
        """That of some of the posts."""
        part = copy(self)
        for name in ("classes", "linear", "constant"):
            setattr(part, name, getattr(self, name)[posts])
        return part

    def at(self, post: Ints, combination: Ints, x: Floats, y: Floats) -> Floats:
        """(N,) exactly, of rests (x, y) in steps."""
        if not self.round:
            return np.zeros(x.size)
        which = self.classes[post, combination]
        return next_rounds(self.round, self.chances.at_own(which, x / NODES, y / NODES))

    def at_least(self, which: Ints, x: Floats, y: Floats) -> Floats:
        """(N,) never above `at` for this rest of a class, nor for any that is further out in its quarter."""
        if not self.round:
            return np.zeros(x.size)
        turned = np.where(x < 0.0, -y, y)
        right, up = np.minimum(np.abs(x), NODES), np.minimum(np.maximum(turned, -NODES), NODES) + NODES
        i, j = np.minimum(right.astype(np.int32), NODES - 1), np.minimum(up.astype(np.int32), 2 * NODES - 1)
        right -= i
        up -= j
        flat, wide = self.table.reshape(-1), 2 * NODES + 1
        at = (which * (NODES + 1) + i) * wide + j
        low, high = flat[at], flat[at + wide]
        low = low + (flat[at + 1] - low) * up
        high = high + (flat[at + wide + 1] - high) * up
        return next_rounds(self.round, low + (high - low) * right + self.off[which])

    def reach(self, which: Ints, room: Floats) -> tuple[Floats, Floats]:
        """(N,) each way, how far out a rest costs no more than `room`, in steps; below 0: no rest does."""
        if not self.round:
            return np.full(room.size, NODES + _DUST), np.full(room.size, NODES + _DUST)
        chance = self.round / (self.round + np.maximum(room, 0.0)) - SLACK
        at = which * (LEVELS + 1) + (np.maximum(chance, 0.0) * LEVELS).astype(np.int32)
        return self.wide[0].reshape(-1)[at] + _DUST, self.wide[1].reshape(-1)[at] + _DUST


# ---------------------------------------------------------------- the search


@dataclass(frozen=True, slots=True)
class Found:
    """Best patterns, by post, cheapest first."""

    post: Ints
    combination: Ints
    entry: Ints
    """(N, 3) place in the lists of seats A, B, F."""
    total: Floats

    def __getitem__(self, chosen: Ints | Bools | slice) -> Found:
        """Some of them."""
        return Found(self.post[chosen], self.combination[chosen], self.entry[chosen], self.total[chosen])


def cheapest(
    lists: Lists, ceiling: Floats, keep: int, rest: Rest, guess: Floats | None = None
) -> tuple[Floats, Found]:
    """(P,) least total of each post or its ceiling where nothing is cheaper; and up to `keep` patterns each.

    Exact: no pattern of a post is cheaper than the figure returned. `ceiling` (P,) may be +inf. `guess` (P,)
    says how far above the bound the best may lie; the search starts there, and leaves what it found out.
    """
    hunt = _Hunt(lists, rest)
    best = ceiling.copy()
    base = hunt.base.min(axis=1)
    first = FIRST_LIMIT * rest.unit
    step = np.full(best.size, first) if guess is None else guess + first / 4
    parts: list[Found] = []
    waiting = base < best - EPS
    while waiting.any():
        limit = np.where(waiting, np.minimum(best, base + step), -np.inf)
        found = hunt.below(limit, keep)
        least = np.full(best.size, np.inf)
        np.minimum.at(least, found.post, found.total)
        done = waiting & ((least < np.inf) | (limit >= best - EPS) | ~(base + step < hunt.most))
        best = np.where(done, np.minimum(best, least), best)
        parts.append(found[done[found.post]])
        waiting &= ~done
        step = step * GROWTH
    if guess is not None:
        known = np.isfinite(best) & np.isfinite(base)
        guess[known] = np.maximum(0.0, best - base)[known]
    return best, _joined(parts)


@dataclass(frozen=True, slots=True)
class _Tasks:
    """(post, combination) to be searched: all (T,) but where said.

    The seats come in the order laid out, the longest list last. With entries i, j, k of the three lists each
    of (x, y, rock) is by_k · (k - turn), where turn = begin + by_i · i + by_j · j is where it is none: so all
    that is left over is a count of entries of the third list.
    """

    post: Ints
    combination: Ints
    which: Ints
    """Row of the tables of what is left over."""
    order: Ints
    """(T, 3)."""
    rows: Ints
    """(T, 3) where the seats' lists begin in the flat arrays."""
    shortest: Ints
    begin: Floats
    by_i: Floats
    by_j: Floats
    by_k: Floats
    """(3, T) each."""
    rock_low: Floats
    rock_high: Floats
    """Interval of the rock in entries about its turn."""


@dataclass(frozen=True, slots=True)
class _Pairs:
    """Entries of the first two seats with a part of the third's list: all (N,) but where said."""

    task: Ints
    i: Ints
    j: Ints
    spent: Floats
    turn: Floats
    """(3, N) entries of the third list at which x, y and rock are none."""
    low: Ints
    high: Ints
    """First and last entry of the third seat."""
    bound: Floats

    def some(self, chosen: Ints | Bools) -> _Pairs:
        """Some of them."""
        return _Pairs(
            self.task[chosen], self.i[chosen], self.j[chosen], self.spent[chosen], self.turn[:, chosen],
            self.low[chosen], self.high[chosen], self.bound[chosen],
        )  # fmt: skip


class _Hunt:
    """One search: the lists of one set of prices."""

    def __init__(self, lists: Lists, rest: Rest) -> None:
        self.geometry, self.lists, self.rest = lists.geometry, lists, rest
        geometry = lists.geometry
        self.width = lists.cost.shape[3]
        self.cost = lists.cost.reshape(-1)
        self.start_mm = lists.start_mm.reshape(-1)
        self.order = np.argsort(lists.cost, axis=3, kind="stable").astype(np.int16).reshape(-1)
        """Flat places of the entries, cheapest first within each list."""
        self.by_cost = np.take_along_axis(lists.cost, self.order.reshape(lists.cost.shape), axis=3).reshape(
            -1
        )
        self.bits = states_of(geometry.combinations)
        first = lists.cost.min(axis=3)
        self.least = first.reshape(-1)
        self.floor = rest.floor
        """(P, C) what any rest of a combination costs at least."""
        self.base = self.floor + by_combination(first, geometry.combinations)
        self.base[geometry.rock_low > geometry.rock_high] = np.inf
        # No pattern costs more than the dearest three entries and all that can be left over.
        finite = self.cost[np.isfinite(self.cost)]
        self.most = 3 * float(finite.max(initial=0.0)) + rest.round / LEAST_CHANCE + 1
        self.most += float(self.base[np.isfinite(self.base)].max(initial=0.0))

    @cached_property
    def minima(self) -> Floats:
        """(K, …) the least cost among the 2^k entries from each place of the lists on."""
        least = self.lists.cost.reshape(-1, self.width)
        levels, step = [least.reshape(-1)], 1
        while 2 * step <= self.width:
            least = least.copy()
            least[:, :-step] = np.minimum(least[:, :-step], least[:, step:])
            levels.append(least.reshape(-1))
            step *= 2
        return np.stack(levels)

    def below(self, limit: Floats, keep: int) -> Found:
        """Up to `keep` cheapest patterns of each post that cost less than its limit."""
        limit, parts = limit.copy(), list[Found]()
        likeliest = np.argsort(self.base, axis=1, kind="stable")
        # The likeliest combination of every post first: what is found is a limit for the others.
        for some in (likeliest[:, :1], likeliest[:, 1:]):
            post = np.repeat(np.arange(limit.size), some.shape[1])
            combination = some.reshape(-1)
            worth = self.base[post, combination] < limit[post] - EPS
            post, combination = post[worth], combination[worth]
            lists = (post[:, None] * SEATS + np.arange(SEATS)) * STATES + self.bits[combination]
            slack = limit[post] - self.base[post, combination]
            counts = _count_below(
                self.by_cost, lists * self.width, self.width, self.least[lists] + slack[:, None]
            )
            # The longest list comes last: it is only looked up, never laid out.
            order = np.argsort(counts, axis=1, kind="stable")
            sizes = np.take_along_axis(counts, order, axis=1)
            lists = np.take_along_axis(lists, order, axis=1)
            for part in _chunks(sizes[:, :2].prod(axis=1)):
                tasks = self._tasks(post[part], combination[part], order[part], lists[part], sizes[part])
                parts += self._chunk(tasks, limit, keep)
        return _best_of_each(_joined(parts), keep)

    def _tasks(self, post: Ints, combination: Ints, order: Ints, lists: Ints, sizes: Ints) -> _Tasks:
        geometry, rest, q = self.geometry, self.rest, self.lists.quantum_mm
        linear = np.take_along_axis(rest.linear[post, combination], order[:, None, :], axis=2)
        begin = rest.constant[post, combination] + np.einsum("tks,ts->tk", linear, self.start_mm[lists])
        by_k = linear[:, :, 2] * q
        with np.errstate(divide="ignore", invalid="ignore"):
            by = -q * linear[:, :, :2] / by_k[:, :, None]
            ends = [
                end[post, combination] / by_k[:, 2]
                for end in (geometry.rock_low - _DUST, geometry.rock_high + _DUST)
            ]
            begin = -begin / by_k
        return _Tasks(
            post, combination, rest.classes[post, combination], order, lists * self.width, sizes[:, 0],
            begin.T.copy(), by[:, :, 0].T.copy(), by[:, :, 1].T.copy(), by_k.T.copy(),
            np.minimum(*ends), np.maximum(*ends),
        )  # fmt: skip

    def _chunk(self, tasks: _Tasks, limit: Floats, keep: int) -> list[Found]:
        """Patterns of some tasks; the limits of their posts come down to the worst that is kept."""
        pairs = self._pairs(tasks, limit)
        parts: list[Found] = []
        # The likeliest first: what they cost is a limit that leaves few of the others to be looked at.
        first = np.zeros(pairs.task.size, bool)
        first[_first_of_each(tasks.post[pairs.task], pairs.bound, LIKELY * keep)] = True
        parts += self._entries(tasks, pairs.some(first), limit, keep)
        pairs = pairs.some(~first)
        while pairs.task.size:
            pairs = pairs.some(pairs.bound < limit[tasks.post[pairs.task]] - EPS)
            narrow = pairs.high - pairs.low < NARROW
            parts += self._entries(tasks, pairs.some(narrow), limit, keep)
            pairs = self._halves(tasks, pairs.some(~narrow))
        return parts

    def _pairs(self, tasks: _Tasks, limit: Floats) -> _Pairs:
        """Pairs of the first two seats that may be below the limit with the cheapest third."""
        rows = tasks.rows
        task, i = ragged(tasks.shortest)
        spent = self.by_cost[rows[task, 0] + i]
        room = limit[tasks.post[task]] - EPS - spent - self.least[rows[task, 2] // self.width]
        floor = self.floor[tasks.post[task], tasks.combination[task]]
        number = _count_below(self.by_cost, rows[task, 1], self.width, room - floor)
        i = self.order[rows[task, 0] + i].astype(np.int64)
        turn_i = tasks.begin[:, task] + tasks.by_i[:, task] * i
        one, j = ragged(number)
        of = task[one]
        place = rows[of, 1] + j
        spent_j = self.by_cost[place]
        j = self.order[place].astype(np.int64)
        turn = np.stack([turn_i[k][one] + tasks.by_j[k][of] * j for k in range(3)])
        low, high = tasks.rock_low[of] + turn[2], tasks.rock_high[of] + turn[2]
        for k, reach in enumerate(self.rest.reach(tasks.which[of], room[one] - spent_j)):
            with np.errstate(divide="ignore"):
                entries = reach / np.abs(tasks.by_k[k])[of]
            low, high = np.maximum(low, turn[k] - entries), np.minimum(high, turn[k] + entries)
        low, high = np.ceil(np.maximum(low, 0.0)), np.floor(np.minimum(high, self.width - 1.0))
        kept = np.flatnonzero(low <= high)
        of, one = of[kept], one[kept]
        pairs = _Pairs(
            of, i[one], j[kept], spent[one] + spent_j[kept], turn[:, kept],
            low[kept].astype(np.int64), high[kept].astype(np.int64), np.empty(0),
        )  # fmt: skip
        return self._worth(tasks, pairs)

    def _worth(self, tasks: _Tasks, pairs: _Pairs) -> _Pairs:
        """The same with what each costs at least."""
        task = pairs.task
        nearest = []
        for k in range(2):
            by, turn = tasks.by_k[k][task], pairs.turn[k]
            one, other = by * (pairs.low - turn), by * (pairs.high - turn)
            nearest.append(np.maximum(np.minimum(one, other), 0.0) + np.minimum(np.maximum(one, other), 0.0))
        level = _LOG2[pairs.high - pairs.low + 1]
        begin = tasks.rows[task, 2]
        flat, each = self.minima.reshape(-1), self.minima.shape[1]
        begin = begin + level * each
        third = np.minimum(flat[begin + pairs.low], flat[begin + pairs.high + 1 - (1 << level)])
        bound = pairs.spent + third + self.rest.at_least(tasks.which[task], *nearest)
        return replace(pairs, bound=bound)

    def _halves(self, tasks: _Tasks, pairs: _Pairs) -> _Pairs:
        """Each one's interval of third entries in two."""
        middle = (pairs.low + pairs.high) // 2
        twice = pairs.some(np.repeat(np.arange(pairs.task.size), 2))
        low, high = twice.low.copy(), twice.high.copy()
        low[1::2], high[::2] = middle + 1, middle
        return self._worth(tasks, replace(twice, low=low, high=high))

    def _entries(self, tasks: _Tasks, pairs: _Pairs, limit: Floats, keep: int) -> list[Found]:
        """Patterns of pairs with every entry of their intervals: the cheapest allowed below the limit."""
        parts = []
        for part in _chunks(pairs.high - pairs.low + 1):
            pair, k = ragged((pairs.high - pairs.low + 1)[part])
            pair += part.start
            k += pairs.low[pair]
            task = pairs.task[pair]
            post = tasks.post[task]
            total = pairs.spent[pair] + self.cost[tasks.rows[task, 2] + k]
            x, y = (tasks.by_k[way][task] * (k - pairs.turn[way][pair]) for way in range(2))
            bound = total + self.rest.at_least(tasks.which[task], x, y)
            worth = bound < limit[post] - EPS
            far = np.where(self.geometry.disk[post], np.hypot(x, y), np.maximum(np.abs(x), np.abs(y)))
            worth = np.flatnonzero(worth & (far <= NODES * (1.0 + 1e-9)))
            likely = np.zeros(worth.size, bool)
            likely[_first_of_each(post[worth], bound[worth], LIKELY * keep)] = True
            for some in (worth[likely], worth[~likely]):
                at = some[bound[some] < limit[post[some]] - EPS]
                owner, combination = post[at], tasks.combination[task[at]]
                cost = total[at] + self.rest.at(owner, combination, x[at], y[at])
                good = np.flatnonzero(cost < limit[owner] - EPS)
                at = at[good]
                entry = np.empty((at.size, SEATS), np.int64)
                for place, values in enumerate((pairs.i[pair[at]], pairs.j[pair[at]], k[at])):
                    entry[np.arange(at.size), tasks.order[task[at], place]] = values
                found = _best_of_each(Found(owner[good], combination[good], entry, cost[good]), keep)
                _lower(limit, found, keep)
                parts.append(found)
        return parts


_LOG2 = np.array([0, *(n.bit_length() - 1 for n in range(1, 1 << 14))], np.int64)


def _lower(limit: Floats, found: Found, keep: int) -> None:
    """Bring the limits of posts down to the `keep`-th best pattern that is known of each."""
    order = np.lexsort((found.total, found.post))
    post, total = found.post[order], found.total[order]
    last = np.flatnonzero(np.arange(post.size) - np.searchsorted(post, post, side="left") == keep - 1)
    limit[post[last]] = np.minimum(limit[post[last]], total[last] + 3 * EPS)


def _first_of_each(post: Ints, bound: Floats, most: int) -> Ints:
    """Places of the `most` least bounds of each post."""
    order = np.lexsort((bound, post))
    post = post[order]
    return np.asarray(order[np.arange(post.size) - np.searchsorted(post, post) < most], np.int64)


def ragged(counts: Ints) -> tuple[Ints, Ints]:
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
    low, high = np.zeros(start.shape, np.int64), np.full(start.shape, width, np.int64)
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
    order = np.lexsort((found.total, found.post))
    post = found.post[order]
    rank = np.arange(post.size) - np.searchsorted(post, post, side="left")
    if rank.max() >= keep:
        total = found.total[order]
        last = np.full(int(post[-1]) + 1, np.inf)
        at = np.flatnonzero(rank == keep - 1)
        last[post[at]] = total[at]
        order = order[total <= last[post] + 1e-6]
    some = found[order]
    again = np.lexsort(
        (some.entry[:, 2], some.entry[:, 1], some.entry[:, 0], some.combination, np.round(some.total, 6),
         some.post)
    )  # fmt: skip
    post = some.post[again]
    first = np.searchsorted(post, post, side="left")
    return some[again[np.arange(post.size) - first < keep]]


def _joined(parts: list[Found]) -> Found:
    if not parts:
        return Found(
            np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros((0, SEATS), np.int64), np.zeros(0)
        )
    return Found(*(np.concatenate([getattr(part, name) for part in parts]) for name in Found.__slots__))
