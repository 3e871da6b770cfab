"""Cheapest pack of every thickness, one row per class of pack; built once per change of the box.

A class is what decides where a pack bears: flats only, or one tapered piece of a given slope (a taper from
the box or a wedge off the saw) with flats. Row c holds `cheapest[c, T]`, T in grid steps: the min-plus
convolution of the class's tapered piece with stacks of flats. Only values are kept; the pieces of the few
packs that are asked for are found again from the values (`Tables.stack`), which is cheaper than keeping
back pointers for every cell.

* Stacks of flats are a bounded knapsack over the distinct thicknesses, so a single piece is never counted
  twice within one pack; across seats it may be (the search settles that by branching).
* A taper gives every thickness of a stretch at one price, so its convolution is a sliding minimum over the
  stacks of flats, read off a table of minima over windows of 1, 2, 4, … steps: two look-ups per taper.
* Work grows with (distinct thicknesses + tapers) x (grid length), never with the number of pieces.

Prices (of scarce lots in a whole run) are added to the entries, so the same search prices a post.
"""

from __future__ import annotations

import copy
import math
from collections import defaultdict
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from shimfit.core.packing.options import SHORTEST_INSIDE_MM, USUAL_INSIDE_MM
from shimfit.core.packing.stacks import (
    EPS,
    NO_CAPS,
    NO_COST,
    Caps,
    Row,
    Run,
    Stack,
    Unit,
    stack_key,
    sum_of,
    to_steps,
)
from shimfit.core.packing.tapered import ANYWHERE, Prices, Tapered
from shimfit.errors import EntryError

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from shimfit.core.packing.options import Options
    from shimfit.model import Lot

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]

FIRST_LENGTH = 1024
"""Grid steps that tables start with; they grow when a post needs more."""
_MOST_REMEMBERED, _MOST_FEWER = 20_000, 200
FEW_SIZES = 24
"""Sizes of flats up to which stacks without some of them are worked out anew; else as they come up."""
LONGEST = 1 << 16
"""Grid steps beyond which no pack is made (more than half a metre)."""


class Tables(Tapered):
    """The box, ready to be searched. Build it with `build_tables`; it does not change but for its length.

    Its owner alone may make it longer (`grown`); whoever shares it with other threads asks a `view`. What is
    built for a length is never written again (only filled up, an entry at a time), and becomes the newest
    that all views start from in one assignment.
    """

    def __init__(self, lots: Sequence[Lot], options: Options, prices: Prices | None, length: int) -> None:
        super().__init__(lots, options, prices)
        self._with_shorter: list[Tables] = []
        self._newest: list[dict[str, Any]] = []
        """One entry, shared by all views: everything built for the greatest length so far."""
        self._set_length(length)

    # ------------------------------------------------------------------ building

    def _set_length(self, length: int) -> None:
        self.length = length
        self._inner_rows: dict[float, tuple[list[Row], Floats]] = {}
        self._inner_tables: dict[float, tuple[list[Row], Floats, Floats]] = {}
        self._cut_up: dict[tuple[int, float | None, tuple[float, ...], tuple[float, float]], list[Run]] = {}
        self._stacks: dict[tuple[int, int, Caps, float | None], Stack | None] = {}
        """Stacks made, by the row (its id: rows live as long as this length), thickness, caps and place."""
        self._flats()
        self._fewer: dict[tuple[tuple[int, int], ...], Tables] = {}
        flat_row = Row(0.0, None, ())
        self.rows: list[Row] = [flat_row, *self.taper_rows(None)]
        self.sigma = np.array([row.sigma for row in self.rows])
        self.saws = any(row.saw_deg is not None for row in self.rows)
        self.cheapest = np.empty((len(self.rows), length))
        self.cheapest[0] = self.flats
        for i, row in enumerate(self.rows[1:], start=1):
            self.convolve(row.runs, 0, length, self.cheapest[i])
        # Without the list itself: a ring would keep large tables until the collector comes by.
        self._newest[:] = [{name: part for name, part in vars(self).items() if name != "_newest"}]

    def _flats(self) -> None:
        """Distinct thicknesses with their cheapest pieces, and the tables of one, two, … flats."""
        options, prices = self.options, self.prices
        units: dict[int, list[Unit]] = defaultdict(list)
        costs = options.costs
        for rank, lot in enumerate(self.lots):
            if not lot.is_whole or lot.count < 1 or not _long_enough(lot, options.min_inside_mm):
                continue
            assert lot.thickness_mm is not None
            thickness = to_steps(lot.thickness_mm, options.quantum_mm)
            if not 0 < thickness < self.length:
                continue
            cost = costs.piece + prices.flat.get(lot.lot, 0.0)
            if lot.origin == "bought":
                cost += costs.new_flat
            units[thickness].extend([Unit(cost, rank)] * min(lot.count, options.max_pieces))
        self.thick = np.array(sorted(units), dtype=np.int64)
        self.units: list[list[Unit]] = [sorted(units[int(t)]) for t in self.thick]
        self.index_of = {int(t): i for i, t in enumerate(self.thick)}
        self.c1 = np.array([u[0].cost for u in self.units])
        self.c2 = np.array([sum_of(u, 2) for u in self.units])
        self.stack_flats()

    def stack_flats(self) -> None:
        """Stacks of these flats, and the cheapest of them that may stand beside a tapered piece."""
        most = self.options.max_pieces
        self.g = _flat_tables(self.thick, self.units, self.length, most)
        self.beside = np.full(self.length, math.inf)
        """None included."""
        self.beside[0] = 0.0
        for table in self.g[: most - 1]:
            np.minimum(self.beside, table, out=self.beside)
        self._windows: dict[float, list[Floats]] = {}
        self.flats = self.g[0].copy()
        """Cheapest stack of flats alone."""
        for table in self.g[1:most]:
            np.minimum(self.flats, table, out=self.flats)

    def fewer_flats(self, caps: Caps) -> Tables | None:
        """These tables where a seat may use fewer flats; None where that is not worth working out at once."""
        if not caps.flats or len(self.thick) > FEW_SIZES:
            return None
        found = self._fewer.get(caps.flats)
        if found is None:
            if len(self._fewer) > _MOST_FEWER:
                self._fewer.clear()
            found = copy.copy(self)
            changed = FlatView(self, caps).changed
            found.units = [changed.get(i, some) for i, some in enumerate(self.units)]
            found.stack_flats()
            self._fewer[caps.flats] = found
        return found

    def _window_minima(self, per_step: float) -> list[Floats]:
        """Minima of (flats beside a tapered piece − per_step·T) over the 1, 2, 4, … steps up to T.

        Kept with as many leading infinities, so that a window may start before 0.
        """
        levels = self._windows.get(per_step)
        if levels is None:
            level = np.full(2 * self.length, math.inf)
            level[self.length :] = self.beside
            if per_step:
                level[self.length :] -= per_step * np.arange(self.length)
            levels = [level]
            step = 1
            while step < self.length:
                wider = level.copy()
                np.minimum(level[step:], level[:-step], out=wider[step:])
                levels.append(wider)
                level, step = wider, 2 * step
            self._windows[per_step] = levels
        return levels

    def convolve(self, runs: Iterable[Run], start: int, stop: int, out: Floats) -> None:
        """Cheapest packs with a tapered piece of the runs, for thicknesses start … stop-1, into out."""
        out.fill(math.inf)
        for run in runs:
            first = max(start, run.lo)
            if first >= stop:
                continue
            levels = self._window_minima(run.per_step)
            width = run.hi - run.lo + 1
            j = width.bit_length() - 1
            base = self.length + first - run.lo
            n = stop - first
            level = levels[min(j, len(levels) - 1)]
            back = width - (1 << j)
            found = np.minimum(level[base : base + n], level[base - back : base - back + n])
            found += run.cost
            if run.per_step:
                found += run.per_step * np.arange(first, stop)
            part = out[first - start :]
            np.minimum(part, found, out=part)

    # ------------------------------------------------------------------ asking

    def view(self) -> Tables:
        """The same tables for one question: their growth is seen by views made later, by none before.

        Any number of threads may ask views of one table at once.
        """
        view = copy.copy(self)
        vars(view).update(self._newest[0])
        return view

    def with_shorter(self) -> Tables | None:
        """The same box with pieces as short as usual, then as they may ever be; None when these are."""
        shorter = [mm for mm in (USUAL_INSIDE_MM, SHORTEST_INSIDE_MM) if mm < self.options.min_inside_mm]
        if not shorter:
            return None
        if not self._with_shorter:
            options = replace(self.options, min_inside_mm=shorter[0])
            self._with_shorter.append(Tables(self.lots, options, self.prices, FIRST_LENGTH))
        return self._with_shorter[0].view()

    def grown(self, steps: int) -> Tables:
        """These tables, long enough for a pack of `steps`; EntryError when no pack is that thick."""
        if steps >= LONGEST:
            thickness = steps * self.options.quantum_mm
            raise EntryError(f"The lean asks for a pack {thickness:.0f} mm thick: check the reading.")
        if steps >= self.length:
            newest = self._newest[0]
            if steps < newest["length"]:
                vars(self).update(newest)
            else:
                self._set_length(1 << steps.bit_length())
        return self

    def inner_table(self, inner_mm: float) -> tuple[list[Row], Floats, Floats]:
        """All rows as they bear inner_mm in: flats first, then tapers by slope; cheapest packs; slopes."""
        key = round(inner_mm, 6)
        found = self._inner_tables.get(key)
        if found is None:
            rows, cheapest = self.inner_rows(inner_mm)
            found = self._inner_tables[key] = (
                [self.rows[0], *rows],
                np.concatenate((self.cheapest[:1], cheapest)),
                np.array([0.0, *(row.sigma for row in rows)]),
            )
        return found

    def inner_rows(self, inner_mm: float) -> tuple[list[Row], Floats]:
        """Tapered rows with the thickness told inner_mm in from the face, and their cheapest packs."""
        key = round(inner_mm, 6)
        found = self._inner_rows.get(key)
        if found is None:
            rows = self.taper_rows(inner_mm)
            cheapest = np.empty((len(rows), self.length))
            for i, row in enumerate(rows):
                self.convolve(row.runs, 0, self.length, cheapest[i])
            found = self._inner_rows[key] = rows, cheapest
        return found

    def steps(self, thickness_mm: float) -> int:
        """A thickness on the grid."""
        return to_steps(thickness_mm, self.options.quantum_mm)

    # ------------------------------------------------------------------ the pieces of one pack

    def stack(
        self, row: Row, thickness: int, caps: Caps = NO_CAPS, inner_mm: float | None = None
    ) -> Stack | None:
        """The cheapest pieces that make one pack of a class, within the caps; None when there are none.

        Exact within the pack: a piece is counted once. Ties by rule: cost to 1e-6, fewer pieces, lowest
        lots in natural order, lowest thickness.
        """
        key = id(row), thickness, caps, inner_mm
        if key in self._stacks:
            return self._stacks[key]
        if len(self._stacks) > _MOST_REMEMBERED:
            self._stacks.clear()
        view, best = FlatView(self, caps), None
        if not row.runs:
            best = self._flat_stack(view, thickness)
        for run in self.capped_runs(row, caps, inner_mm):
            best = self._better(best, self._tailed(view, run, thickness, best))
        self._stacks[key] = best
        return best

    def ways(self, row: Row, thickness: int, limit: float) -> Iterator[Stack]:
        """Every set of pieces that makes one pack of a class and costs no more than the limit."""
        if not row.runs:
            for k in range(1, self.options.max_pieces + 1):
                for cost, flats in self.flat_ways(thickness, k, limit):
                    yield Stack(cost, None, flats)
        for run in row.runs:
            if run.lo <= thickness <= run.hi and run.cost + run.per_step * thickness <= limit + EPS:
                yield Stack(run.cost + run.per_step * thickness, (run.rank, thickness), ())
            lo, hi = max(1, thickness - run.hi), thickness - run.lo
            for k in range(1, self.options.max_pieces if lo <= hi else 1):
                costs = run.cost + run.per_step * (thickness - np.arange(lo, hi + 1))
                for j in np.flatnonzero(self.g[k - 1][lo : hi + 1] + costs <= limit + EPS).tolist():
                    for cost, flats in self.flat_ways(lo + j, k, limit - float(costs[j])):
                        yield Stack(cost + float(costs[j]), (run.rank, thickness - lo - j), flats)

    def flat_ways(
        self, thickness: int, k: int, limit: float, least: tuple[int, int] = (0, 0)
    ) -> Iterator[tuple[float, tuple[int, ...]]]:
        """Every k flats (by rank) of a total thickness that cost no more than the limit, the thinnest first.

        least: (number of the thickness, rank) that none comes before. More of a lot than there are may be
        among them: whoever puts packs together counts.
        """
        if k == 1:
            i = self.index_of.get(thickness, -1)
            some = [i] if i >= least[0] else []
        else:
            thick = self.thick[: np.searchsorted(self.thick, thickness // k, side="right")]
            bound = self.c1[: len(thick)] + self.g[k - 2][thickness - thick]
            some = [i for i in np.flatnonzero(bound <= limit + EPS).tolist() if i >= least[0]]
        for i in some:
            for unit in dict.fromkeys(self.units[i]):
                if (i, unit.rank) < least or unit.cost > limit + EPS:
                    continue
                if k == 1:
                    yield unit.cost, (unit.rank,)
                    continue
                left = thickness - int(self.thick[i])
                for cost, ranks in self.flat_ways(left, k - 1, limit - unit.cost, (i, unit.rank)):
                    yield cost + unit.cost, tuple(sorted((*ranks, unit.rank)))

    def few_flats(self, thickness: int, caps: Caps = NO_CAPS) -> Stack | None:
        """One flat of this thickness, or two where there is none, within the caps."""
        view = FlatView(self, caps)
        found = view.stack(thickness, 1, math.inf)
        if found is None and self.options.max_pieces > 1:
            found = view.stack(thickness, 2, math.inf)
        return None if found is None else Stack(found[0], None, found[1])

    def capped_runs(self, row: Row, caps: Caps, inner_mm: float | None) -> list[Run]:
        """The row's runs without what the caps forbid."""
        if not (caps.points or caps.strips or caps.within):
            return list(row.runs)
        points: dict[int, list[float]] = defaultdict(list)
        for rank, x in caps.points:
            points[rank].append(x)
        within = {rank: (lo, hi) for rank, lo, hi in caps.within}
        thickest = dict(caps.strips)
        runs: list[Run] = []
        done: set[int] = set()
        for run in row.runs:
            if run.rank in thickest:
                hi = min(run.hi, thickest[run.rank])
                if run.lo <= hi:
                    runs.append(run._replace(hi=hi))
            elif run.rank not in points and run.rank not in within:
                runs.append(run)
            elif run.rank not in done:
                done.add(run.rank)
                part = within.get(run.rank, ANYWHERE)
                found = self.runs_within(run.rank, inner_mm, tuple(sorted(points[run.rank])), part)
                runs.extend(found)
        return runs

    def runs_within(
        self, rank: int, inner_mm: float | None, banned: tuple[float, ...], within: tuple[float, float]
    ) -> list[Run]:
        """`taper_runs`, remembered: a branching asks for the same few over and over."""
        key = rank, inner_mm, banned, within
        found = self._cut_up.get(key)
        if found is None:
            if len(self._cut_up) > _MOST_REMEMBERED:
                self._cut_up.clear()
            found = self._cut_up[key] = self.taper_runs(rank, inner_mm, banned, within)
        return found

    def _flat_stack(self, view: FlatView, thickness: int) -> Stack | None:
        best: Stack | None = None
        for k in range(1, self.options.max_pieces + 1):
            if best is not None and best.cost <= k * view.least + EPS:
                break
            found = view.stack(thickness, k, math.inf if best is None else best.cost)
            if found is not None:
                best = self._better(best, Stack(found[0], None, found[1]))
        return best

    def _tailed(self, view: FlatView, run: Run, thickness: int, best: Stack | None) -> Stack | None:
        """Best pack with a tapered piece of one run."""
        found: Stack | None = best
        if run.lo <= thickness <= run.hi:
            alone = Stack(run.cost + run.per_step * thickness, (run.rank, thickness), ())
            found = self._better(found, alone)
        for k in range(1, self.options.max_pieces):
            limit = math.inf if found is None else found.cost
            if run.cost + run.per_step * run.lo + k * view.least > limit + EPS:
                break
            for cost, flats, tail in view.beside(run, thickness, k, limit):
                found = self._better(found, Stack(cost, (run.rank, tail), flats))
        return found

    @staticmethod
    def _better(a: Stack | None, b: Stack | None) -> Stack | None:
        if a is None or b is None:
            return a or b
        return min(a, b, key=stack_key)


# ---------------------------------------------------------------- small helpers


def build_tables(lots: Sequence[Lot], options: Options, prices: Prices | None = None) -> Tables:
    """Tables of a box; rebuild them when the box, the options or the prices change, never per reading."""
    return Tables(lots, options, prices, FIRST_LENGTH)


def _flat_tables(thick: Ints, units: Sequence[Sequence[Unit]], length: int, most: int) -> list[Floats]:
    """Cheapest exactly 1, 2, … flats of each total: a bounded knapsack, one thickness after the other."""
    tables = [np.full(length, math.inf) for _ in range(max(most, 2))]
    room = np.empty(length)
    for d, some in zip(thick.tolist(), units, strict=True):
        sums = [sum_of(some, k) for k in range(most + 1)]
        # From many pieces to few, so that a table that is read has not had this thickness yet.
        for n in range(most, 0, -1):
            table = tables[n - 1]
            for m in range(1, n):
                left = length - m * d
                if left <= 0 or sums[m] == math.inf:
                    break
                np.add(tables[n - m - 1][:left], sums[m], out=room[:left])
                np.minimum(table[m * d :], room[:left], out=table[m * d :])
            if n * d < length and sums[n] < table[n * d]:
                table[n * d] = sums[n]
    return tables


def _long_enough(lot: Lot, least_mm: float) -> bool:
    """A flat is pushed in to the bearing point, whichever of its sides goes first."""
    if lot.length_mm is None or lot.width_mm is None:
        return True
    return max(lot.length_mm, lot.width_mm) >= least_mm


class FlatView:
    """The flats as one seat may use them: the tables' own arrays, changed where a cap bites."""

    def __init__(self, tables: Tables, caps: Caps, changed: Mapping[int, list[Unit]] | None = None) -> None:
        self.tables = tables
        self.changed: dict[int, list[Unit]] = dict(changed or {})
        if caps.flats:
            self._apply(dict(caps.flats))
        if self.changed:
            self.c1, self.c2, self.g1 = tables.c1.copy(), tables.c2.copy(), tables.g[0].copy()
            for i, units in self.changed.items():
                self.c1[i], self.c2[i] = sum_of(units, 1), sum_of(units, 2)
                self.g1[tables.thick[i]] = self.c1[i]
        else:
            self.c1, self.c2, self.g1 = tables.c1, tables.c2, tables.g[0]
        self.least = float(tables.c1.min()) if len(tables.c1) else math.inf

    def _apply(self, most: Mapping[int, int]) -> None:
        thick = {
            to_steps(self.tables.lots[rank].thickness_mm or 0.0, self.tables.options.quantum_mm)
            for rank in most
        }
        for steps in thick:
            i = self.tables.index_of.get(steps)
            if i is None:
                continue
            left = dict(most)
            units = []
            for unit in self.tables.units[i]:
                if left.get(unit.rank, 1) > 0:
                    units.append(unit)
                    if unit.rank in left:
                        left[unit.rank] -= 1
            self.changed[i] = units

    def units_at(self, i: int) -> list[Unit]:
        """Pieces of one thickness that may be used, the cheapest first."""
        return self.changed.get(i, self.tables.units[i])

    def without(self, i: int) -> FlatView:
        """The view with the cheapest piece of one thickness taken out."""
        return FlatView(self.tables, NO_CAPS, {**self.changed, i: self.units_at(i)[1:]})

    def stack(self, thickness: int, k: int, limit: float) -> tuple[float, tuple[int, ...]] | None:
        """Cheapest k flats of this total thickness, not dearer than the limit; None when there are none."""
        if not 0 < thickness < self.tables.length:
            return None
        if k == 1:
            i = self.tables.index_of.get(thickness)
            units = [] if i is None else self.units_at(i)
            return (units[0].cost, (units[0].rank,)) if units and units[0].cost <= limit + EPS else None
        return self._pair(thickness, limit) if k == 2 else self._more(thickness, k, limit)

    def _pair(self, thickness: int, limit: float) -> tuple[float, tuple[int, ...]] | None:
        n = int(np.searchsorted(self.tables.thick, thickness // 2, side="right"))
        if not n:
            return None
        thick = self.tables.thick[:n]
        totals = self.c1[:n] + self.g1[thickness - thick]
        if 2 * thick[-1] == thickness:
            totals[-1] = self.c2[n - 1]
        least = float(totals.min())
        if not least <= min(limit, NO_COST) + EPS:
            return None
        ties = np.flatnonzero(totals <= least + EPS)
        pairs = [self._pair_ranks(int(i), thickness) for i in ties]
        return least, min(pairs)

    def _pair_ranks(self, i: int, thickness: int) -> tuple[int, ...]:
        other = thickness - int(self.tables.thick[i])
        units = self.units_at(i)
        if other == int(self.tables.thick[i]):
            return tuple(sorted((units[0].rank, units[1].rank)))
        return tuple(sorted((units[0].rank, self.units_at(self.tables.index_of[other])[0].rank)))

    def _more(self, thickness: int, k: int, limit: float) -> tuple[float, tuple[int, ...]] | None:
        """Three or more: the thinnest first, the rest from what is left, as far as the tables allow hope."""
        n = int(np.searchsorted(self.tables.thick, thickness // k, side="right"))
        thick = self.tables.thick[:n]
        bounds = self.c1[:n] + self.tables.g[k - 2][thickness - thick]
        best: tuple[float, tuple[int, ...]] | None = None
        for i in np.argsort(bounds, kind="stable"):
            if not bounds[i] <= min(limit, best[0] if best else NO_COST) + EPS:
                break
            first = self.units_at(int(i))
            found = self.without(int(i)).stack(thickness - int(thick[i]), k - 1, limit - first[0].cost)
            if found is not None:
                candidate = found[0] + first[0].cost, tuple(sorted((*found[1], first[0].rank)))
                if best is None or (round(candidate[0], 6), candidate[1]) < (round(best[0], 6), best[1]):
                    best = candidate
        return best

    def beside(
        self, run: Run, thickness: int, k: int, limit: float
    ) -> list[tuple[float, tuple[int, ...], int]]:
        """Best ways to make a thickness with k flats and a tapered piece: (cost, flats, tail thickness)."""
        lo, hi = max(1, thickness - run.hi), thickness - run.lo
        if hi < lo:
            return []
        totals = (self.g1 if k == 1 else self.tables.g[k - 1])[lo : hi + 1] + run.cost
        if run.per_step:
            totals = totals + run.per_step * (thickness - np.arange(lo, hi + 1))
        ways: list[tuple[float, tuple[int, ...], int]] = []
        for j in np.argsort(totals, kind="stable"):
            if not totals[j] <= min(limit, NO_COST) + EPS:
                break
            tail = thickness - lo - int(j)
            tail_cost = run.cost + run.per_step * tail
            found = self.stack(lo + int(j), k, limit - tail_cost)
            if found is not None:
                limit = min(limit, found[0] + tail_cost)
                ways.append((found[0] + tail_cost, found[1], tail))
        return ways


__all__ = [
    "NO_CAPS",
    "Caps",
    "Prices",
    "Row",
    "Run",
    "Stack",
    "Tables",
    "Unit",
    "build_tables",
    "to_steps",
]
