"""The master program: which patterns together use the box best, and what a scarce piece is worth.

Rows: one per post (served once, or left unsolved at a price); one per flat lot (pieces) and per strip lot
(usable length); then, added when an answer breaks them, one per point of a taper (no more stretches cover
it than there are pieces: interval graphs are perfect, so that is all there is to it). Behind the lots' rows
stand two for how many posts may be left out, at least and at most: leaving one out is dearer where too many
are and cheaper where too few. Prices are minus the duals of all rows but the posts'. What a saw is set to
costs nothing here: which settings may be used at all is told by `only`, and `choosing` decides which of them
are worth their set-up.

A row between places of a taper would be worth any price to one who is cut off there, so that pieces would
cost less than nothing, and duals of few patterns jump: cuts that no pattern makes can be had on credit, for
what cutting off a tip costs. Of all prices that earn no more this takes the best.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from shimfit.core.packing.pieces import Prices
from shimfit.core.planning.patterns import Stretch
from shimfit.core.planning.program import Sparse
from shimfit.core.planning.sharing import Between, too_many

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from shimfit.core.packing.tables import Tables
    from shimfit.core.planning.patterns import Pattern
    from shimfit.core.planning.program import Solver

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]

TOO_MUCH = 1e-6
"""Pieces beyond what there is from which a row counts as broken."""
CREDIT_MM = 20.0
"""So many mm of a strip count as a piece."""
ONE_TOO_MANY = 10.0
"""Price of a post left out beyond the most that may be, in those of one left out."""


@dataclass(frozen=True, slots=True)
class _NewRow:
    """A row about to be added: what patterns and the program's own columns count in it, at most `upper`."""

    upper: float
    patterns: dict[int, float]
    own: list[int]
    """Minus one each."""
    limits: tuple[int, float] | Between
    """(rank, mm along a taper) that it limits, or where stretches begin behind cuts."""


class Master:
    """The restricted linear program with its columns. Rows and columns only ever grow."""

    def __init__(self, tables: Tables, posts: int, solver: Solver, share: float = 1.0) -> None:
        """`share` of the box, for a section of the run that stands for the whole; or so many like it."""
        self.tables, self.share = tables, share
        self.posts = posts
        self.costs = tables.options.costs
        self.patterns: list[Pattern] = []
        self.keys: set[tuple[object, ...]] = set()
        self.cost = np.zeros(0)
        self._on_credit = np.zeros(0)
        self.post = np.zeros(0, np.int64)
        self._program = solver.linear()
        lots = tables.lots
        self.lot_row: dict[int, int] = {}
        capacity: list[float] = []
        for rank, lot in enumerate(lots):
            if lot.is_whole and lot.count > 0:
                self.lot_row[rank] = posts + len(capacity)
                capacity.append(share * lot.count)
            elif lot.is_sawn and lot.count > 0 and tables.usable_mm(lot) > 0:
                self.lot_row[rank] = posts + len(capacity)
                capacity.append(share * lot.count * tables.usable_mm(lot))
        self._own_rows = len(capacity)
        """Rows of lots; those of posts left out and of points come after."""
        self.least_out, self.most_out = self._own_rows, self._own_rows + 1
        """Rows, without the posts', of how many posts may be left out."""
        self.left_out = 0.0
        """How many the last answer leaves out, in parts."""
        self.capacity = np.array([*capacity, 0.0, float(posts)])
        self.points: dict[int, list[tuple[float, int]]] = defaultdict(list)
        """Taper's rank → (point, row)."""
        self.between: dict[int, dict[Between, int]] = defaultdict(dict)
        """Taper's rank → where stretches that begin behind cuts are no more than the cuts → row."""
        self._cuts: dict[tuple[int, float], int] = {}
        """(taper's rank, place) → the program's column of cuts there that no pattern makes, on credit."""
        self._bit = {deg: 1 << k for k, deg in enumerate(tables.options.saw.settings_deg)}
        self._needs = np.zeros(0, np.int64)
        """Saw settings of each pattern, as bits."""
        self.allowed: frozenset[float] | None = None
        """Saw settings that patterns may use for now; None: all."""
        # The program's own first columns: a post left unsolved, stock on credit, a post left out too many.
        tapers = [rank for rank, lot in enumerate(lots) if lot.is_marked and lot.count > 0]
        self._on_credit_of = {rank: k for k, rank in enumerate([*self.lot_row, *tapers])}
        self.own_columns = posts + len(self._on_credit_of) + self._own_rows + 1
        self._at = np.zeros(0, np.int32)
        """(N,) the patterns' columns, behind these and among those of cuts."""
        self.width = 0.0
        """How far duals may lie from the prices they are held about; 0: not held."""
        self._entries: list[tuple[Ints, Ints, Floats]] = []
        self._flat_entries: tuple[Ints, Ints, Floats] | None = None
        self._stretches: dict[int, list[tuple[int, Stretch]]] = defaultdict(list)
        self._start()

    @property
    def _columns(self) -> int:
        return self.own_columns + self._at.size + len(self._cuts)

    @property
    def rows(self) -> int:
        """Rows so far."""
        return self.posts + self.capacity.size

    def _start(self) -> None:
        one = np.ones(self.posts)
        self._program.add_rows(one, np.full(self.posts, np.inf))
        self._program.add_rows(np.full(self.capacity.size, -np.inf), self.capacity)
        out = np.array([self.least_out, self.most_out]) + self.posts
        index = np.column_stack([np.arange(self.posts), np.tile(out, (self.posts, 1))])
        starts = 3 * np.arange(self.posts, dtype=np.int32)
        self._program.add_columns(
            one * self.costs.unsolved,
            np.full(self.posts, np.inf),
            Sparse(starts, index.ravel().astype(np.int32), np.tile([1.0, -1.0, 1.0], self.posts)),
        )
        owed, known = len(self._on_credit_of), self._own_rows
        rows = np.arange(known, dtype=np.int32)
        self._program.add_columns(
            np.zeros(owed + known),
            np.zeros(owed + known),
            Sparse(
                np.concatenate([np.minimum(np.arange(owed), known), known + rows]).astype(np.int32),
                np.concatenate([rows, rows]) + self.posts,
                np.concatenate([-np.ones(known), np.ones(known)]),
            ),
        )
        self._program.add_columns(
            np.array([ONE_TOO_MANY * self.costs.unsolved]),
            np.array([np.inf]),
            Sparse(np.zeros(1, np.int32), out[1:].astype(np.int32), -np.ones(1)),
        )
        self._piece = np.array(
            [
                self.costs.piece / (CREDIT_MM if self.tables.lots[rank].is_sawn else 1.0)
                for rank in self._on_credit_of
            ],
            float,
        )

    def hold(self, price: Floats, width: float) -> None:
        """Keep duals about these prices: stock is lent for somewhat more, and taken back for somewhat less.

        `width` in shares of a price, and in pieces. Raw duals of few patterns jump; what they are held about
        is known to be near. The program's optimum is then at most what it is without.
        """
        self.width = width
        price = self.grown(price)
        worth = np.zeros(len(self._on_credit_of))
        worth[: self._own_rows] = price[: self._own_rows]
        for rank, points in self.points.items():
            worth[self._on_credit_of[rank]] = sum(price[row - self.posts] for _, row in points)
        lent = worth * (1.0 + width) + width * self._piece
        back = np.maximum(0.0, worth * (1.0 - width) - width * self._piece)[: self._own_rows]
        index = np.arange(self.posts, self.own_columns - 1, dtype=np.int32)
        self._program.change_cost(index, np.concatenate([lent, -back]))
        self._program.change_bounds(index, np.zeros(index.size), np.full(index.size, np.inf))
        self._price_cuts(price)

    def _price_cuts(self, price: Floats | None = None) -> None:
        """Cuts on credit at what a tip costs, or held about prices."""
        cost = np.full(len(self._cuts), self.costs.tip_cut)
        if price is not None:
            worth = [price[self._holding(*at) - self.posts].sum() for at in self._cuts]
            cost = np.minimum(cost, np.array(worth) * (1.0 + self.width) + self.width * self.costs.piece)
        self._program.change_cost(np.array([*self._cuts.values()], np.int32), cost)

    def _holding(self, rank: int, place: float) -> NDArray[np.int32]:
        """Rows between whose places a place of a taper is."""
        rows = [row for one, row in self.between[rank].items() if one.first <= place <= one.last]
        return np.array(sorted(rows), np.int32)

    def let_go(self) -> None:
        """Duals as they come."""
        self.width = 0.0
        index = np.arange(self.posts, self.own_columns - 1, dtype=np.int32)
        self._program.change_bounds(index, np.zeros(index.size), np.zeros(index.size))
        self._price_cuts()

    @property
    def pulls(self) -> bool:
        """True while duals would lie elsewhere if they were not held."""
        return bool(self._on_credit.max(initial=0.0) > TOO_MUCH)

    # ---------------------------------------------------------------- columns

    def add(self, patterns: Iterable[Pattern]) -> int:
        """Take patterns in; those known already are passed over. Returns how many were new."""
        new = []
        for pattern in patterns:
            key = pattern.key
            if key not in self.keys:
                self.keys.add(key)
                new.append(pattern)
        if not new:
            return 0
        first = len(self.patterns)
        starts: list[int] = []
        index: list[int] = []
        value: list[float] = []
        column: list[int] = []
        for offset, pattern in enumerate(new):
            starts.append(len(index))
            for row, amount in sorted(self._rows_of(pattern, first + offset).items()):
                index.append(row)
                value.append(amount)
                column.append(first + offset)
        self.patterns += new
        self.cost = np.concatenate([self.cost, [pattern.cost for pattern in new]])
        self.post = np.concatenate([self.post, np.array([pattern.post for pattern in new], np.int64)])
        needs = [sum(self._bit[deg] for deg in pattern.needs) for pattern in new]
        self._needs = np.concatenate([self._needs, np.array(needs, np.int64)])
        rows, values = np.array(index, np.int64), np.array(value, float)
        self._entries.append((np.array(column, np.int64), rows, values))
        self._flat_entries = None
        self._program.add_columns(
            self.cost[first:].copy(),
            np.full(len(new), np.inf),
            Sparse(np.array(starts, np.int32), rows.astype(np.int32), values),
        )
        columns = np.arange(self._columns, self._columns + len(new), dtype=np.int32)
        self._at = np.concatenate([self._at, columns])
        return len(new)

    def _rows_of(self, pattern: Pattern, column: int) -> dict[int, float]:
        entries: dict[int, float] = defaultdict(float)
        entries[pattern.post] = 1.0
        uses = pattern.uses
        for rank, pieces in uses.flats:
            entries[self.lot_row[rank]] += pieces
        for rank, length_mm, _ in uses.lengths:
            entries[self.lot_row[rank]] += length_mm
        for one in uses.stretches:
            self._stretches[one.rank].append((column, one))
            for point, row in self.points[one.rank]:
                if one.start <= point < one.end:
                    entries[row] += 1.0
            for between, row in self.between[one.rank].items():
                if more := between.more(one):
                    entries[row] += more
        return entries

    def only(self, allowed: frozenset[float] | None) -> None:
        """Patterns that use other saw settings than these are out of the program until set otherwise."""
        before, self.allowed = self.out(), allowed
        out = self.out()
        changed = np.flatnonzero(out != before)
        self._bound_patterns(changed, np.zeros(changed.size), np.where(out[changed], 0.0, np.inf))

    def _bound_patterns(self, index: Ints, lower: Floats, upper: Floats) -> None:
        self._program.change_bounds(self._at[index], lower, upper)

    def take(self, taken: list[int], gone: list[int], leaving: float) -> None:
        """Patterns that are taken whole, and out; what leaving a post out costs: until `free`."""
        lower, upper = np.zeros(self.cost.size), np.where(self.out(), 0.0, np.inf)
        lower[taken], upper[gone] = 1.0, 0.0
        self._bound_patterns(np.arange(self.cost.size), lower, upper)
        self._program.change_cost(np.arange(self.posts, dtype=np.int32), np.full(self.posts, leaving))

    def free(self) -> None:
        """Nothing is taken."""
        self.take([], [], self.costs.unsolved)

    def leave_out(self, least: int, most: int) -> None:
        """How many posts may be left out, until set otherwise."""
        rows = np.array([self.least_out, self.most_out])
        self.capacity[rows] = -least, most
        self._program.change_row_upper((rows + self.posts).astype(np.int32), self.capacity[rows])

    def leaving(self, price: Floats) -> float:
        """What it costs at these prices to leave a post out."""
        return float(self.costs.unsolved - price[self.least_out] + price[self.most_out])

    def out(self) -> NDArray[np.bool_]:
        """Which patterns are out of the program for now."""
        if self.allowed is None:
            return np.zeros(self.cost.size, bool)
        banned = sum(bit for deg, bit in self._bit.items() if deg not in self.allowed)
        return np.asarray((self._needs & banned) != 0, bool)

    # ---------------------------------------------------------------- solving

    def solve(self) -> tuple[float, Floats, Floats]:
        """Optimum over the patterns so far, every row that it breaks added: (objective, x, prices by row)."""
        while True:
            answer = self._program.solve()
            assert answer is not None, "leaving every post unsolved is always an answer"
            x, self._answer = answer.columns[self._at], answer.columns
            self._on_credit = answer.columns[self.posts : self.own_columns - 1]
            self.left_out = float(answer.columns[: self.posts].sum())
            if not self._add_broken_rows(x):
                price = np.maximum(0.0, -answer.duals[self.posts : self.rows])
                return answer.objective, x, price

    def _add_broken_rows(self, x: Floats) -> bool:
        broken = [
            row
            for rank, stretches in self._stretches.items()
            for row in (self._broken_point(rank, stretches, x), self._too_many(rank, stretches, x))
        ]
        rows = [row for row in broken if row is not None]
        if rows:
            self._append(rows)
        return bool(rows)

    def _broken_point(self, rank: int, stretches: Sequence[tuple[int, Stretch]], x: Floats) -> _NewRow | None:
        """The point of a taper that stretches cover most too often; None when all fit."""
        if not stretches:
            return None
        column, start, end = _along(stretches)
        used = x[column]
        some = used > TOO_MUCH
        if not some.any():
            return None
        count = self.share * self.tables.lots[rank].count
        begin = np.unique(start[some])
        covers = (start[some][None] <= begin[:, None]) & (begin[:, None] < end[some][None])
        over = covers @ used[some] - count
        # A point that has its row may be over while stock is on credit.
        over[np.isin(begin, [point for point, _ in self.points[rank]])] = 0.0
        worst = int(np.argmax(over))
        if over[worst] <= TOO_MUCH:
            return None
        return self._row_at(rank, float(begin[worst]), (column, start, end))

    def _row_at(self, rank: int, point: float, stretches: tuple[Ints, Floats, Floats]) -> _NewRow:
        column, start, end = stretches
        amounts: dict[int, float] = defaultdict(float)
        for chosen in np.flatnonzero((start <= point) & (point < end)):
            amounts[int(column[chosen])] += 1.0
        upper = self.share * self.tables.lots[rank].count
        return _NewRow(upper, amounts, [self.posts + self._on_credit_of[rank]], (rank, point))

    def _too_many(self, rank: int, stretches: Sequence[tuple[int, Stretch]], x: Floats) -> _NewRow | None:
        """Where most stretches of a taper begin behind too few cuts; None when all can."""
        lent = [(Stretch(rank, at, at), column) for (of, at), column in self._cuts.items() if of == rank]
        used = [*x[[column for column, _ in stretches]], *self._answer[[column for _, column in lent]]]
        found = too_many(rank, [*(one for _, one in stretches), *(one for one, _ in lent)], np.array(used))
        return None if found is None else self._row_between(found)

    def _row_between(self, between: Between) -> _NewRow:
        amounts: dict[int, float] = defaultdict(float)
        for column, one in self._stretches[between.rank]:
            amounts[column] += between.more(one)
        lent = [
            column
            for (rank, at), column in self._cuts.items()
            if rank == between.rank and between.first <= at <= between.last
        ]
        return _NewRow(0.0, {k: more for k, more in amounts.items() if more}, lent, between)

    def _append(self, rows: Sequence[_NewRow]) -> None:
        starts: list[int] = []
        index: list[int] = []
        value: list[float] = []
        entries: list[tuple[int, int, float]] = []
        for number, row in enumerate(rows, start=self.rows):
            if isinstance(row.limits, Between):
                self.between[row.limits.rank][row.limits] = number
            else:
                self.points[row.limits[0]].append((row.limits[1], number))
            starts.append(len(index))
            index += [*row.own, *self._at[list(row.patterns)].tolist()]
            value += [-1.0] * len(row.own) + list(row.patterns.values())
            entries += [(k, number, amount) for k, amount in row.patterns.items()]
        upper = np.array([row.upper for row in rows])
        self._program.add_rows(
            np.full(len(rows), -np.inf),
            upper,
            Sparse(np.array(starts, np.int32), np.array(index, np.int32), np.array(value, float)),
        )
        self.capacity = np.concatenate([self.capacity, upper])
        self._entries.append(
            (
                np.array([entry[0] for entry in entries], np.int64),
                np.array([entry[1] for entry in entries], np.int64),
                np.array([entry[2] for entry in entries], float),
            )
        )
        self._flat_entries = None
        for between in (row.limits for row in rows if isinstance(row.limits, Between)):
            self._lend_cuts(between.rank, between.first)

    def _lend_cuts(self, rank: int, place: float) -> None:
        """A column of cuts at a place of a taper, where most may be earned: where some row begins."""
        if (rank, place) not in self._cuts:
            rows = self._holding(rank, place)
            entries = Sparse(np.zeros(1, np.int32), rows, -np.ones(rows.size))
            self._program.add_columns(np.array([self.costs.tip_cut]), np.array([np.inf]), entries)
            self._cuts[rank, place] = self._columns

    # ---------------------------------------------------------------- prices

    def grown(self, price: Floats) -> Floats:
        """Prices by row, with those of rows that came later: none."""
        return np.concatenate([price, np.zeros(self.capacity.size - price.size)])

    def prices(self, price: Floats) -> Prices:
        """The rows' prices as the tables take them."""
        price = self.grown(price)
        lots = self.tables.lots
        flat: dict[str, float] = {}
        strip: dict[str, float] = {}
        for rank, row in self.lot_row.items():
            value = float(price[row - self.posts])
            if value > 0.0:
                (flat if lots[rank].is_whole else strip)[lots[rank].lot] = value
        taper = {
            lots[rank].lot: [(point, float(price[row - self.posts])) for point, row in sorted(points)]
            for rank, points in self.points.items()
            if any(price[row - self.posts] > 0.0 for _, row in points)
        }
        behind: dict[str, list[tuple[float, float, float]]] = defaultdict(list)
        for one, row in sorted(pair for places in self.between.values() for pair in places.items()):
            if price[row - self.posts] > 0.0:
                behind[lots[one.rank].lot].append((one.first, one.last, float(price[row - self.posts])))
        return Prices(flat, taper, behind, strip)

    def by_row(self, prices: Prices, leaving: float | None = None) -> Floats:
        """Prices of the tables, and of leaving a post out, by row; points without a row yet are given one."""
        new = []
        for name, points in sorted(prices.taper.items()):
            rank = self.tables.rank[name]
            known = {point for point, _ in self.points[rank]}
            parts = _along(self._stretches[rank])
            new += [self._row_at(rank, point, parts) for point, _ in points if point not in known]
        behind = {
            Between(self.tables.rank[name], first, last): value
            for name, places in sorted(prices.behind.items())
            for first, last, value in places
        }
        new += [self._row_between(one) for one in behind if one not in self.between[one.rank]]
        if new:
            self._append(new)
        price = np.zeros(self.capacity.size)
        dearer = 0.0 if leaving is None else leaving - self.costs.unsolved
        price[self.least_out], price[self.most_out] = max(0.0, -dearer), max(0.0, dearer)
        for rank, row in self.lot_row.items():
            lot = self.tables.lots[rank]
            price[row - self.posts] = (prices.flat if lot.is_whole else prices.strip_per_mm).get(lot.lot, 0.0)
        for name, points in prices.taper.items():
            rows = dict(self.points[self.tables.rank[name]])
            for point, value in points:
                price[rows[point] - self.posts] = value
        for one, value in behind.items():
            price[self.between[one.rank][one] - self.posts] = value
        return price

    def priced(self, price: Floats) -> Floats:
        """Cost of every pattern so far at other prices; +inf for those that are out."""
        if self._flat_entries is None:
            parts = list(zip(*self._entries, strict=True)) if self._entries else []
            self._flat_entries = (
                (np.concatenate(parts[0]), np.concatenate(parts[1]), np.concatenate(parts[2]))
                if parts
                else (np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros(0))
            )
            self._entries = [self._flat_entries]
        column, row, value = self._flat_entries
        padded = np.concatenate([np.zeros(self.posts), self.grown(price)])
        extra = np.asarray(np.bincount(column, weights=value * padded[row], minlength=self.cost.size), float)
        priced = np.asarray(self.cost + extra, float)
        priced[self.out()] = np.inf
        return priced

    def usage(self, priced: Floats) -> Floats:
        """What the box's rows would give if each post took its cheapest pattern at these costs."""
        order = np.lexsort((np.arange(priced.size), priced, self.post))
        first = np.ones(order.size, bool)
        first[1:] = self.post[order][1:] != self.post[order][:-1]
        chosen = np.zeros(priced.size)
        chosen[order[first]] = 1.0
        assert self._flat_entries is not None
        column, row, value = self._flat_entries
        used = np.bincount(row, weights=value * chosen[column], minlength=self.rows)
        return np.asarray(used[self.posts :], float)

    def worth_of_stock(self, price: Floats) -> float:
        """Of the whole box at these prices."""
        return float(price @ self.capacity[: price.size])


def _along(stretches: Iterable[tuple[int, Stretch]]) -> tuple[Ints, Floats, Floats]:
    """Column, start and end of stretches."""
    parts = np.array([(column, one.start, one.end) for column, one in stretches], float).reshape(-1, 3)
    return parts[:, 0].astype(np.int64), parts[:, 1], parts[:, 2]
