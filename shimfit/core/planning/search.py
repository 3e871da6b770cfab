"""The cheapest packs of many posts at once, proven: lists of what each seat can be given, and the search.

*Goal.* For each of P posts the `keep` cheapest patterns (what stands at the seats A, B, F) at given prices.

*Lists.* A seat wants thicknesses in a window about its need; the tables of the box tell the cheapest pack of
each class at each thickness. Pieces at least as steep as the gap bear at the face (state 0), flatter ones and
flats further in (state 1); with `bearing_point="corner"` everything is told at the face. A list holds, for
each of the W thicknesses of a window in order, the cheapest class with what its mismatch with the gap costs;
a bare seat is thickness 0 at the face, free. One post has 3 seats x 2 states: a choice of states is a
*combination*.

*Search.* A pattern costs the sum of its three entries and what is left over (`rest`):

    total = c_A + c_B + c_F + round · (1 ÷ chance of plumb at the next reading − 1)

or, where a price is put on them, residual · (|along| + |across|) + rock · |rock| in place of the last.

1. For a combination, pairs of two seats are laid out whose cost with the cheapest third is below a limit.
2. Each pair leaves the third seat an interval of thicknesses: what the tolerance and the contact allow is a
   segment of a line. The cheapest entry in it is read off a table of minima over 1, 2, 4, … entries (two
   look-ups); with the least that can be left over on the segment that is a bound of the pair.
3. The entries that gave the bounds are priced in full: the `keep` best of them are a limit for the rest, and
   only pairs whose bound is below it are looked at entry by entry.

*Exact*, because every bound is below what it stands for, and the limit grows until the best found lies below
it: nothing cheaper can then have been left out. Ragged products are laid out flat, all posts in one call.

*Example.* Lists of 80, 80 and 120 entries make 768 000 triples. On a scarce box for 200 posts 17.7 million
pairs were laid out in 12 rounds; 0.6 million had a bound below their limit, 0.3 million were looked at entry
by entry.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from shimfit.core.chance import next_rounds
from shimfit.core.objective import LEAST_CHANCE
from shimfit.core.planning.geometry import SEATS, STATES

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from shimfit.core.chance import Chances
    from shimfit.core.packing.options import Options
    from shimfit.core.packing.pieces import Row
    from shimfit.core.packing.tables import Tables
    from shimfit.core.planning.geometry import Geometry

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]
    Bools = NDArray[np.bool_]

BARE = -1
_DUST = 1e-9
PAIRS_AT_ONCE = 40_000
"""Pairs of entries that are laid out at a time: bounds the memory (about 200 bytes each)."""
LIKELY = 8
"""Pairs, and entries of them, that are priced first, for each pattern that is kept."""
FIRST_LIMIT = 2.0
GROWTH = 2.0
EPS = 1e-7


# ---------------------------------------------------------------- what each seat can be given


class Choice(NamedTuple):
    """What one seat of a pattern is given."""

    row: int
    """Index among the state's rows; BARE for nothing."""
    steps: int
    """Thickness in quanta, told where the pack bears."""
    inner_mm: float | None
    """How far in from the face it is told; None at the face (also flats, the same everywhere)."""


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
        self.first: Ints = np.maximum(0, np.ceil((geometry.gap_mm + low_mm) / q - 1e-6)).astype(np.int64)
        """(P, 3, 2) least thickness that a seat may be given, in quanta."""
        last = np.floor((geometry.gap_mm + high_mm) / q + 1e-6).astype(np.int64)
        self.width: Ints = np.where(possible, np.maximum(0, last - self.first + 1), 0)
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
            post, seat = at
            face: tuple[Any, ...] = (post, seat, 0)
            inner: tuple[Any, ...] = (post, seat, 1)
            if reach_mm < self.options.room_mm or not at[0].size:
                continue
            steep = self.geometry.steep[at]
            rows, cheapest, sigma = tables.rows, tables.cheapest, tables.sigma
            bears = sigma[:, None] >= steep - 1e-12
            if self.geometry.combinations == 1:
                bears[:] = True
            cost[face], row[face] = self._best(rows, cheapest, bears, face)
            if self.geometry.combinations > 1:
                rows, cheapest, sigma = tables.inner_table(reach_mm)
                bears = sigma[:, None] < steep - 1e-12
                bears[0] = True
                cost[inner], row[inner] = self._best(rows, cheapest, bears, inner)
        steps = self.first[..., None] + np.arange(width)
        inside = np.arange(width) < self.width[..., None]
        cost[~inside] = np.inf
        bare = inside & (steps == 0)
        bare[:, :, 1] = False
        # A round foot that is bare at one of these seats would roll on its rim.
        bare[[post.foot.round for post in self.geometry.posts]] = False
        cost[bare], row[bare] = 0.0, BARE
        return Lists(self.geometry, cost, self.first, row, self.options.quantum_mm)

    def _best(
        self, rows: list[Row], cheapest: Floats, bears: Bools, place: tuple[Any, ...]
    ) -> tuple[Floats, NDArray[np.int16]]:
        """(N, W) cheapest class of every thickness at N places (post, seat, state); bears (R, N): who may."""
        at = place[:2]
        reach = self.geometry.inside_mm[at]
        sigma = np.array([kind.sigma for kind in rows])
        extra = np.abs(sigma[:, None] - self.geometry.weighed[at]) * reach * self.options.costs.bearing_per_mm
        extra[~bears] = np.inf
        first, width = self.first[place], max(1, int(self.width.max(initial=1)))
        best = np.full((first.size, width), np.inf)
        which = np.full(best.shape, BARE, np.int16)
        for k in range(len(rows)):
            some = np.flatnonzero(bears[k])
            if not some.size:
                continue
            # Windows are slices of the table: whole rows are copied, not entries picked.
            seen = np.lib.stride_tricks.sliding_window_view(cheapest[k], width)[first[some]]
            seen = seen + extra[k, some, None]
            better = seen < best[some]
            best[some] = np.where(better, seen, best[some])
            which[some] = np.where(better, np.int16(k), which[some])
        return best, which


def row_of(tables: Tables, choice: Choice) -> Row:
    """The tables' row behind a choice that is not bare."""
    return tables.inner_table(choice.inner_mm)[0][choice.row]


# ---------------------------------------------------------------- the search


@dataclass(frozen=True, slots=True)
class Found:
    """Best patterns, by post, cheapest first."""

    post: Ints
    combination: Ints
    entry: Ints
    """(N, 3) place in the lists of seats A, B, F."""
    total: Floats

    def __getitem__(self, chosen: Ints | Bools) -> Found:
        """Some of them."""
        return Found(self.post[chosen], self.combination[chosen], self.entry[chosen], self.total[chosen])


@dataclass(frozen=True, slots=True)
class Rest:
    """What is left over, in cost: a share of lean along or across, and of rock."""

    residual: Floats
    """(P,) cost of a whole share of lean."""
    rock: float
    round: float = 0.0
    """Price of one more; the chances are told where it is not 0."""
    chances: Chances | None = None
    classes: Ints | None = None
    """(P, C) class of each post's combinations among the chances."""
    unit: float = 1.0
    """A tenth of a piece, which first limits are told in."""

    @property
    def floor(self) -> Floats:
        """(P, C) what any rest of a combination costs at least; (P, 1) nothing where there are no chances."""
        if self.chances is None or self.classes is None:
            return np.zeros((self.residual.size, 1))
        return next_rounds(self.round, self.chances.best()[self.classes]) - _DUST

    def some(self, posts: Ints) -> Rest:
        """That of some of the posts."""
        classes = None if self.classes is None else self.classes[posts]
        return replace(self, residual=self.residual[posts], classes=classes)


def rest_of(geometry: Geometry, options: Options) -> Rest:
    """What is left over, at the prices of the objective."""
    costs = options.costs
    residual = costs.residual * geometry.residual_share
    if not costs.round:
        return Rest(residual, costs.rock, unit=costs.piece / 10.0)
    shape = len(geometry.posts), geometry.combinations
    classes = np.arange(shape[0] * shape[1]).reshape(shape)
    chances = geometry.chances(options.scatter)
    return Rest(residual, costs.rock, costs.round, chances, classes, costs.piece / 10.0)


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
    of (lean along, lean across, rock) is a share C · (k - turn), where turn = begin + by_i · i + by_j · j is
    where that share is none: so all that is left over is told in entries of the third list.
    """

    post: Ints
    combination: Ints
    order: Ints
    """(T, 3)."""
    rows: Ints
    """(T, 3) where the seats' lists begin in the flat arrays."""
    shortest: Ints
    begin: Floats
    by_i: Floats
    by_j: Floats
    """(3, T) each."""
    share: Floats
    """(3, T) C, shares per entry of the third list."""
    cost: Floats
    """(3, T) cost per entry that it is off its turn."""
    middle: Bools
    """No cost outweighs the two others: what is left is least at the middle turn, else at the heaviest."""
    heaviest: Ints
    rock_low: Floats
    rock_high: Floats
    """Interval of the rock in entries about its turn."""


@dataclass(frozen=True, slots=True)
class _Pairs:
    """Pairs of entries, the third seat open: all (N,) but where said."""

    task: Ints
    i: Ints
    j: Ints
    spent: Floats
    turn: Floats
    """(3, N) entries of the third list at which lean along, lean across and rock are none."""
    low: Ints
    high: Ints
    """First and last entry of the third seat that may do."""
    left: Floats
    """The least that is left over in between."""

    def some(self, chosen: Ints) -> _Pairs:
        """Some of them."""
        return _Pairs(
            self.task[chosen], self.i[chosen], self.j[chosen], self.spent[chosen], self.turn[:, chosen],
            self.low[chosen], self.high[chosen], self.left[chosen],
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
        bits = (np.arange(geometry.combinations)[:, None] >> np.arange(SEATS)) & 1
        self.bits = bits
        first = lists.cost.min(axis=3)
        self.least = first.reshape(-1)
        self.base = np.zeros((len(geometry.posts), geometry.combinations))
        for seat in range(SEATS):
            self.base += first[:, seat, bits[:, seat]]
        self.floor = np.zeros_like(self.base)
        """(P, C) what any rest of a combination costs at least."""
        if rest.chances is not None and rest.classes is not None:
            self.floor = rest.floor
            self.base += self.floor
        self.base[geometry.rock_low > geometry.rock_high] = np.inf
        # No pattern costs more than the dearest three entries and all that can be left over.
        finite = self.cost[np.isfinite(self.cost)]
        self.most = (
            3 * float(finite.max(initial=0.0)) + rest.rock + 2 * float(rest.residual.max(initial=0.0)) + 1
        )
        self.most += rest.round / LEAST_CHANCE
        self.most += float(self.base[np.isfinite(self.base)].max(initial=0.0))

    @cached_property
    def minima(self) -> NDArray[np.int16]:
        """(K, …) entry of the least cost among the 2^k from each place of the lists on."""
        least = self.lists.cost.reshape(-1, self.width)
        at = np.broadcast_to(np.arange(self.width, dtype=np.int16), least.shape)
        levels, step = [at.reshape(-1)], 1
        while 2 * step <= self.width:
            better = least[:, step:] < least[:, :-step]
            at, least, before = at.copy(), least.copy(), (at, least)
            at[:, :-step] = np.where(better, before[0][:, step:], at[:, :-step])
            least[:, :-step] = np.where(better, before[1][:, step:], least[:, :-step])
            levels.append(at.reshape(-1))
            step *= 2
        return np.stack(levels)

    def below(self, limit: Floats, keep: int) -> Found:
        """Up to `keep` cheapest patterns of each post that cost less than its limit."""
        limit = limit.copy()
        post, combination = np.nonzero(self.base < limit[:, None] - EPS)
        lists = (post[:, None] * SEATS + np.arange(SEATS)) * STATES + self.bits[combination]
        slack = limit[post] - self.base[post, combination]
        counts = _count_below(
            self.by_cost, lists * self.width, self.width, self.least[lists] + slack[:, None]
        )
        # The longest list comes last: it is only looked up, never laid out.
        order = np.argsort(counts, axis=1, kind="stable")
        sizes = np.take_along_axis(counts, order, axis=1)
        lists = np.take_along_axis(lists, order, axis=1)
        parts = [
            self._chunk(self._tasks(post[part], combination[part], order[part], lists[part], sizes[part]),
                        limit, keep)
            for part in _chunks(sizes[:, :2].prod(axis=1))
        ]  # fmt: skip
        return _best_of_each(_joined(parts), keep)

    def _tasks(self, post: Ints, combination: Ints, order: Ints, lists: Ints, sizes: Ints) -> _Tasks:
        geometry, q = self.geometry, self.lists.quantum_mm
        linear = np.take_along_axis(geometry.linear[post, combination], order[:, None, :], axis=2)
        begin = geometry.constant[post, combination] + np.einsum("tks,ts->tk", linear, self.start_mm[lists])
        share = linear[:, :, 2] * q
        with np.errstate(divide="ignore", invalid="ignore"):
            by = -q * linear[:, :, :2] / share[:, :, None]
            rock = geometry.rock_low[post, combination], geometry.rock_high[post, combination]
            rock = rock[0] / share[:, 2], rock[1] / share[:, 2]
            begin = -begin / share
        residual = self.rest.residual[post]
        cost = np.abs(share) * np.stack([residual, residual, np.full(post.size, self.rest.rock)], 1)
        return _Tasks(
            post, combination, order, lists * self.width, sizes[:, 0], begin.T.copy(), by[:, :, 0].T.copy(),
            by[:, :, 1].T.copy(), share.T.copy(), cost.T.copy(), 2 * cost.max(axis=1) < cost.sum(axis=1),
            cost.argmax(axis=1), np.minimum(*rock), np.maximum(*rock),
        )  # fmt: skip

    def _chunk(self, tasks: _Tasks, limit: Floats, keep: int) -> Found:
        """Patterns of some tasks; the limits of their posts come down to the worst that is kept."""
        pairs = self._pairs(tasks, limit)
        if not pairs.task.size:
            return _joined([])
        at = self._cheapest_between(tasks, pairs)
        bound = pairs.spent + pairs.left + self.cost[tasks.rows[pairs.task, 2] + at]
        post = tasks.post[pairs.task]
        # The likeliest first: what they cost is a limit that leaves few of the others to be priced.
        likely = _first_of_each(post, bound, LIKELY * keep)
        _lower(limit, self._patterns(tasks, pairs.some(likely), at[likely], limit, keep), keep)
        pairs = pairs.some(np.flatnonzero(bound < limit[post] - EPS))
        parts = []
        for part in _chunks(pairs.high - pairs.low + 1):
            pair, k = _ragged((pairs.high - pairs.low + 1)[part])
            pair += part.start
            k += pairs.low[pair]
            post = tasks.post[pairs.task[pair]]
            cost = pairs.spent[pair] + pairs.left[pair] + self.cost[tasks.rows[pairs.task[pair], 2] + k]
            worth = np.flatnonzero(cost < limit[post] - EPS)
            likely = worth[_first_of_each(post[worth], cost[worth], LIKELY * keep)]
            _lower(limit, self._patterns(tasks, pairs.some(pair[likely]), k[likely], limit, keep), keep)
            worth = worth[cost[worth] < limit[post[worth]] - EPS]
            parts.append(
                _best_of_each(self._patterns(tasks, pairs.some(pair[worth]), k[worth], limit, keep), keep)
            )
        return _joined(parts)

    def _pairs(self, tasks: _Tasks, limit: Floats) -> _Pairs:
        """Pairs of the first two seats that may be below the limit with the cheapest third."""
        rows = tasks.rows
        task, i = _ragged(tasks.shortest)
        spent = self.by_cost[rows[task, 0] + i]
        room = limit[tasks.post[task]] - EPS - spent - self.least[rows[task, 2] // self.width]
        floor = self.floor[tasks.post[task], tasks.combination[task]]
        number = _count_below(self.by_cost, rows[task, 1], self.width, room - floor)
        i = self.order[rows[task, 0] + i].astype(np.int64)
        turn_i = tasks.begin[:, task] + tasks.by_i[:, task] * i
        one, j = _ragged(number)
        of = task[one]
        place = rows[of, 1] + j
        spent_j = self.by_cost[place]
        j = self.order[place].astype(np.float64)
        turn = np.stack([turn_i[k][one] + tasks.by_j[k][of] * j for k in range(3)])
        low, high = _segment(tasks, of, turn, self.geometry.disk)
        low, high = np.ceil(np.maximum(low - 1e-6, 0.0)), np.floor(np.minimum(high + 1e-6, self.width - 1.0))
        kept = np.flatnonzero(low <= high)
        low, high = self._worth(
            tasks, of[kept], turn[:, kept], (low[kept], high[kept]), room[one[kept]] - spent_j[kept]
        )
        some = low <= high
        kept, low, high = kept[some], low[some], high[some]
        left = self._least_left(tasks, of[kept], turn[:, kept], (low, high))
        worth = spent_j[kept] + left < room[one[kept]]
        kept, left, low, high = kept[worth], left[worth], low[worth], high[worth]
        one = one[kept]
        return _Pairs(
            of[kept], i[one], j[kept].astype(np.int64), spent[one] + spent_j[kept], turn[:, kept],
            low.astype(np.int64), high.astype(np.int64), left,
        )  # fmt: skip

    def _worth(
        self, tasks: _Tasks, of: Ints, turn: Floats, ends: tuple[Floats, Floats], room: Floats
    ) -> tuple[Floats, Floats]:
        """The part of each pair's segment where what is left over may cost less than the room for it."""
        if self.rest.chances is None or self.rest.classes is None:
            return ends
        along, across = tasks.share[0][of], tasks.share[1][of]
        least = 1.0 / (1.0 + np.maximum(room, 0.0) / self.rest.round) - _DUST
        low, high = self.rest.chances.segment(
            self.rest.classes[tasks.post[of], tasks.combination[of]],
            (-along * turn[0], -across * turn[1]), (along, across), ends, least,
        )  # fmt: skip
        return np.ceil(low - 1e-6), np.floor(high + 1e-6)

    def _least_left(self, tasks: _Tasks, of: Ints, turn: Floats, ends: tuple[Floats, Floats]) -> Floats:
        """(N,) the least that anything left over costs on each pair's segment of third entries."""
        if self.rest.chances is None or self.rest.classes is None:
            return _least_left(tasks, of, turn, *ends)
        along, across = tasks.share[0][of], tasks.share[1][of]
        most = self.rest.chances.at_most_along(
            self.rest.classes[tasks.post[of], tasks.combination[of]],
            (-along * turn[0], -across * turn[1]),
            (along, across),
            ends,
        )
        return next_rounds(self.rest.round, most) - _DUST

    def _cheapest_between(self, tasks: _Tasks, pairs: _Pairs) -> Ints:
        """Entry of the third seat with the least cost in each pair's interval."""
        level = _LOG2[pairs.high - pairs.low + 1]
        begin = tasks.rows[pairs.task, 2]
        one = self.minima[level, begin + pairs.low].astype(np.int64)
        other = self.minima[level, begin + pairs.high + 1 - (1 << level)].astype(np.int64)
        return np.asarray(np.where(self.cost[begin + other] < self.cost[begin + one], other, one), np.int64)

    def _patterns(self, tasks: _Tasks, pairs: _Pairs, k: Ints, limit: Floats, keep: int) -> Found:
        """Patterns of pairs with entry k at the third seat: the cheapest allowed ones below the limit."""
        geometry, task = self.geometry, pairs.task
        post, combination = tasks.post[task], tasks.combination[task]
        off = k - pairs.turn
        total = pairs.spent + self.cost[tasks.rows[task, 2] + k]
        for one in range(3):
            total += tasks.cost[one][task] * np.abs(off[one])
        x, y, rock = (tasks.share[one][task] * off[one] for one in range(3))
        good = np.where(geometry.disk[post], np.hypot(x, y), np.maximum(np.abs(x), np.abs(y))) <= 1.0 + 1e-9
        good &= rock >= geometry.rock_low[post, combination] - 1e-9
        good &= rock <= geometry.rock_high[post, combination] + 1e-9
        good &= total < limit[post] - EPS
        kept = np.flatnonzero(good)
        if self.rest.chances is not None and self.rest.classes is not None:
            # In full only what may still be below the limit.
            chances, price = self.rest.chances, self.rest.round
            classes, below = self.rest.classes[post, combination], limit[post] - EPS
            kept = kept[total[kept] + self.floor[post, combination][kept] < below[kept]]
            likely = chances.at_most(classes[kept], x[kept], y[kept])
            rough = next_rounds(price, likely)
            # Of those that may be cheapest, by what they cost at most.
            most = total[kept] + next_rounds(price, likely - chances.off(classes[kept]))
            enough = np.full(limit.size, np.inf)
            _lower(enough, Found(post[kept], kept, kept, most), keep)
            kept = kept[total[kept] + rough < np.minimum(below[kept], enough[post[kept]])]
            total[kept] += next_rounds(price, chances.at(classes[kept], x[kept], y[kept]))
            kept = kept[total[kept] < below[kept]]
        entry = np.empty((kept.size, SEATS), np.int64)
        lines, order = np.arange(kept.size), tasks.order[task[kept]]
        for place, values in enumerate((pairs.i, pairs.j, k)):
            entry[lines, order[:, place]] = values[kept]
        return Found(post[kept], combination[kept], entry, total[kept])


_LOG2 = np.array([0, *(n.bit_length() - 1 for n in range(1, 1 << 14))], np.int64)


def _segment(tasks: _Tasks, of: Ints, turn: Floats, disk_of: Bools) -> tuple[Floats, Floats]:
    """(N,) interval of entries that are allowed: box or disk of the lean, interval of the rock."""
    low, high = tasks.rock_low[of] + turn[2], tasks.rock_high[of] + turn[2]
    disk = disk_of[tasks.post]
    if disk.any():
        # g (k - x)² + h (k - y)² ≤ 1 lies between middle ± √((1 - (x - y)² g h / (g + h)) / (g + h)).
        g, h = tasks.share[0] ** 2, tasks.share[1] ** 2
        both = np.where(disk, g + h, 1.0)
        apart = turn[0] - turn[1]
        room = ((1.0 + 1e-9) / both)[of] - apart * apart * (g * h / both**2)[of]
        root = np.where(room >= 0.0, np.sqrt(np.maximum(room, 0.0)), -1.0)
        middle = turn[1] + apart * (g / both)[of]
        if disk.all():
            return np.maximum(low, middle - root), np.minimum(high, middle + root)
        here = disk[of]
        low, high = (
            np.where(here, np.maximum(low, middle - root), low),
            np.where(here, np.minimum(high, middle + root), high),
        )
    with np.errstate(divide="ignore"):
        for k in range(2):
            # Infinite where this share doesn't move with the third seat, or a disk has told it already.
            reach = np.where(disk, np.inf, 1.0 / np.abs(tasks.share[k]))[of]
            low, high = np.maximum(low, turn[k] - reach), np.minimum(high, turn[k] + reach)
    return low, high


def _least_left(tasks: _Tasks, of: Ints, turn: Floats, low: Floats, high: Floats) -> Floats:
    """(N,) the least that is left over within low … high: Σ cost · |k - turn| at its weighted median."""
    one, other = np.minimum(turn[0], turn[1]), np.maximum(turn[0], turn[1])
    at = np.maximum(one, np.minimum(other, turn[2]))
    if not tasks.middle.all():
        heaviest = np.take_along_axis(turn, tasks.heaviest[of][None], axis=0)[0]
        at = np.where(tasks.middle[of], at, heaviest)
    at = np.minimum(np.maximum(at, low), high)
    left = tasks.cost[0][of] * np.abs(at - turn[0])
    left += tasks.cost[1][of] * np.abs(at - turn[1])
    left += tasks.cost[2][of] * np.abs(at - turn[2])
    return np.asarray(left, np.float64)


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
