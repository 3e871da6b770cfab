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
import itertools
import math
from collections import defaultdict
from dataclasses import replace
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from shimfit.core.packing.options import SHORTEST_INSIDE_MM, USUAL_INSIDE_MM
from shimfit.core.packing.pieces import (
    EPS,
    NO_CAPS,
    NO_COST,
    Caps,
    Prices,
    Row,
    Run,
    Stack,
    Tapered,
    Unit,
    stack_key,
    sum_of,
    to_steps,
)
from shimfit.errors import EntryError

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from shimfit.core.packing.options import Options
    from shimfit.core.packing.question import Place
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


class Classes(NamedTuple):
    """Some rows of a table: R classes, L thicknesses."""

    rows: Sequence[Row]
    packs: Floats
    """(R, L) the cheapest pack of each class."""
    least: Floats
    """(L,) the cheapest pack of any class."""
    minima: list[Floats]

    def least_between(self, start: Ints, stop: Ints) -> Floats:
        """Least of `least[start:stop]`, none of them empty."""
        if not self.minima:
            self.minima.append(range_minima(self.least))
        return least_of(self.minima[0], start, stop)


def range_minima(cost: Floats) -> Floats:
    """(levels, N) the least of 1, 2, 4, … entries from each on."""
    levels, step = [cost], 1
    while 2 * step <= len(cost):
        wider = levels[-1].copy()
        np.minimum(wider[:-step], levels[-1][step:], out=wider[:-step])
        levels.append(wider)
        step *= 2
    return np.stack(levels)


def least_of(minima: Floats, start: Ints, stop: Ints) -> Floats:
    """Least entry from start to before stop, none of them empty: two look-ups in `range_minima`."""
    level = np.frexp(stop - start)[1] - 1
    return np.asarray(np.minimum(minima[level, start], minima[level, stop - (1 << level)]))


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
        self._by_place: dict[float | None, tuple[list[Row], Floats, Floats]] = {}
        self._classes: dict[tuple[float | None, int, int, frozenset[float]], Classes] = {}
        self._cut_up: dict[tuple[int, float | None, tuple[float, ...], tuple[float, float]], list[Run]] = {}
        self._stacks: dict[tuple[int, int, Caps, float | None], Stack | None] = {}
        """Stacks made, by the row (its id: rows live as long as this length), thickness, caps and place."""
        self._find_flats()
        self._fewer: dict[tuple[tuple[int, int], ...], Tables] = {}
        self._flat_row = Row(0.0, None, ())
        self.rows, self.cheapest, self.sigma = self.inner_table(None)
        self.saws = any(row.saw_deg is not None for row in self.rows)
        # Without the list itself: a ring would keep large tables until the collector comes by.
        self._newest[:] = [{name: part for name, part in vars(self).items() if name != "_newest"}]

    def _find_flats(self) -> None:
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
        self.least = float(self.c1.min(initial=math.inf))
        self.stack_flats()

    def stack_flats(self) -> None:
        """Stacks of these flats, and the cheapest of them that may stand beside a tapered piece."""
        most = self.options.max_pieces
        self.g = _flat_tables(self.thick, self.units, self.length, most)
        none = np.where(np.arange(self.length) == 0, 0.0, math.inf)
        self.beside = np.min([none, *self.g[: most - 1]], axis=0)
        """None included."""
        self.flats = np.min(self.g[:most], axis=0)
        """Cheapest stack of flats alone."""
        self._windows: dict[float, list[Floats]] = {}
        two = np.isfinite(self.g[1])
        two[self.thick] = False
        self.only_two_flats: Ints = np.flatnonzero(two)
        """Thicknesses that two flats make and none alone."""

    def fewer_flats(self, caps: Caps) -> Tables | None:
        """These tables where a seat may use fewer flats; None where that is not worth working out at once."""
        if not caps.flats or len(self.thick) > FEW_SIZES:
            return None
        found = self._fewer.get(caps.flats)
        if found is None:
            if len(self._fewer) > _MOST_FEWER:
                self._fewer.clear()
            found = copy.copy(self)
            changed = self._changed(caps)
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

    def convolve(self, runs: Iterable[Run], start: int, stop: int) -> Floats:
        """Cheapest packs with a tapered piece of the runs, for thicknesses start … stop-1."""
        out = np.full(stop - start, math.inf)
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
        return out

    # ------------------------------------------------------------------ asking

    def view(self) -> Tables:
        """The same tables for one question: their growth is seen by views made later, by none before.

        Any number of threads may ask views of one table at once.
        """
        view = object.__new__(type(self))
        vars(view).update(self._newest[0], _newest=self._newest)
        return view

    def with_shorter(self) -> Tables | None:
        """The same box with tapers as short as usual, then as they may ever be; None when these are."""
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

    def inner_table(self, inner_mm: float | None) -> tuple[list[Row], Floats, Floats]:
        """All rows as they bear inner_mm in (None: at the face): flats first, then tapers by slope.

        With their cheapest packs (rows, length), and their slopes.
        """
        key = None if inner_mm is None else round(inner_mm, 6)
        if key not in self._by_place:
            rows = [self._flat_row, *self.taper_rows(inner_mm)]
            packs = [self.flats, *(self.convolve(row.runs, 0, self.length) for row in rows[1:])]
            self._by_place[key] = rows, np.stack(packs), np.array([row.sigma for row in rows])
        return self._by_place[key]

    def classes(self, place: Place, angles: frozenset[float], *, inner: bool) -> Classes:
        """The rows whose packs bear at the face of a place, or further in; sawn at these settings only."""
        corner = self.options.bearing_point == "corner"
        rows, packs, sigma = self.inner_table(place.inside_mm if inner else None)
        if inner:
            first, last = 0, 1 + int(sigma[1:].searchsorted(place.slope - EPS))
        else:
            first, last = 0 if corner else int(sigma.searchsorted(place.slope - EPS)), len(rows)
        key = place.inside_mm if inner else None, first, last, angles
        if key not in self._classes:
            rows, packs = rows[first:last], packs[first:last]
            if self.saws:
                may = [row.saw_deg is None or row.saw_deg in angles for row in rows]
                rows, packs = list(itertools.compress(rows, may)), packs[may]
            self._classes[key] = Classes(rows, packs, packs.min(axis=0, initial=math.inf), [])
        return self._classes[key]

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
        if key not in self._stacks:
            if len(self._stacks) > _MOST_REMEMBERED:
                self._stacks.clear()
            changed, best = self._changed(caps), None
            for run in self.capped_runs(row, caps, inner_mm) if row.runs else (None,):
                for k in range(self.options.max_pieces + (run is None)):
                    for tail, cost in self._tails(run, thickness, k, best.cost if best else math.inf):
                        limit = min(best.cost if best else math.inf, NO_COST) - cost
                        flats = self._flats(thickness - tail, k, limit, changed)
                        if flats is not None:
                            end = (run.rank, tail) if run else None
                            made = Stack(cost + flats[0], end, flats[1])
                            best = min(best or made, made, key=stack_key)
            self._stacks[key] = best
        return self._stacks[key]

    def ways(self, row: Row, thickness: int, limit: float) -> Iterator[Stack]:
        """Every set of pieces that makes one pack of a class and costs no more than the limit."""
        for run in row.runs or (None,):
            for k in range(self.options.max_pieces + (run is None)):
                for tail, cost in self._tails(run, thickness, k, limit):
                    for more, flats in self.flat_ways(thickness - tail, k, limit - cost):
                        yield Stack(cost + more, (run.rank, tail) if run else None, flats)

    def _tails(self, run: Run | None, thickness: int, k: int, limit: float) -> Iterator[tuple[int, float]]:
        """Tapered pieces of a run (no run: flats alone) that k flats complete within the limit, with cost."""
        if run is None:
            yield from [(0, 0.0)] if k else []
        elif k == 0:
            if run.lo <= thickness <= run.hi:
                yield thickness, run.cost + run.per_step * thickness
        elif run.cost + k * self.least <= limit + EPS:
            lo, hi = max(1, thickness - run.hi), thickness - run.lo
            costs = run.cost + run.per_step * (thickness - np.arange(lo, max(lo, hi + 1)))
            totals = self.g[k - 1][lo : lo + len(costs)] + costs
            some = np.flatnonzero(totals <= min(limit, NO_COST) + EPS)
            for j in some[np.argsort(totals[some], kind="stable")].tolist():
                yield thickness - lo - j, float(costs[j])

    def _flats(
        self, thickness: int, k: int, limit: float, changed: Mapping[int, list[Unit]]
    ) -> tuple[float, tuple[int, ...]] | None:
        """Cheapest k flats (by rank) of a total thickness, not dearer than the limit.

        The thinnest first, the rest from what is left, as far as the tables allow hope. changed: what is left
        of the pieces of some thicknesses.
        """
        if k == 0:
            return (0.0, ()) if thickness == 0 else None
        if not 0 < thickness < self.length:
            return None
        if k == 1:
            i = self.index_of.get(thickness)
            units = [] if i is None else changed.get(i, self.units[i])
            return (units[0].cost, (units[0].rank,)) if units and units[0].cost <= limit + EPS else None
        thick = self.thick[: np.searchsorted(self.thick, thickness // k, side="right")]
        bounds = self.c1[: len(thick)] + self.g[k - 2][thickness - thick]
        best: tuple[float, tuple[int, ...]] | None = None
        for i in np.argsort(bounds, kind="stable").tolist():
            if not bounds[i] <= min(limit, best[0] if best else NO_COST) + EPS:
                break
            units = changed.get(i, self.units[i])
            left = {**changed, i: units[1:]}
            found = (
                self._flats(thickness - int(thick[i]), k - 1, limit - units[0].cost, left) if units else None
            )
            if found is not None:
                made = found[0] + units[0].cost, tuple(sorted((*found[1], units[0].rank)))
                best = min(best or made, made, key=lambda one: (round(one[0], 6), one[1]))
        return best

    def flat_ways(
        self, thickness: int, k: int, limit: float, least: tuple[int, int] = (0, 0)
    ) -> Iterator[tuple[float, tuple[int, ...]]]:
        """Every k flats (by rank) of a total thickness that cost no more than the limit, the thinnest first.

        least: (number of the thickness, rank) that none comes before. More of a lot than there are may be
        among them: whoever puts packs together counts.
        """
        if k < 2:
            some = [self.index_of[thickness]] if k and thickness in self.index_of else []
            if k == thickness == 0:
                yield 0.0, ()
        else:
            thick = self.thick[: np.searchsorted(self.thick, thickness // k, side="right")]
            bounds = self.c1[: len(thick)] + self.g[k - 2][thickness - thick]
            some = np.flatnonzero(bounds <= limit + EPS).tolist()
        for i in some:
            for unit in dict.fromkeys(self.units[i]):
                if (i, unit.rank) >= least and unit.cost <= limit + EPS:
                    rest = thickness - int(self.thick[i])
                    for cost, ranks in self.flat_ways(rest, k - 1, limit - unit.cost, (i, unit.rank)):
                        yield cost + unit.cost, tuple(sorted((*ranks, unit.rank)))

    def few_flats(self, thickness: int, caps: Caps = NO_CAPS) -> Stack | None:
        """One flat of this thickness, or two where there is none, within the caps."""
        for k in range(1, min(2, self.options.max_pieces) + 1):
            found = self._flats(thickness, k, math.inf, self._changed(caps))
            if found is not None:
                return Stack(found[0], None, found[1])
        return None

    def _changed(self, caps: Caps) -> dict[int, list[Unit]]:
        """What the caps leave of the pieces of each thickness that they bite at."""
        most = dict(reversed(caps.flats))
        changed: dict[int, list[Unit]] = {}
        for rank in most:
            i = self.index_of.get(self.steps(self.lots[rank].thickness_mm or 0.0))
            if i is not None:
                left = dict(most)
                changed[i] = []
                for unit in self.units[i]:
                    if left.get(unit.rank, 1) > 0:
                        changed[i].append(unit)
                        if unit.rank in left:
                            left[unit.rank] -= 1
        return changed

    def capped_runs(self, row: Row, caps: Caps, inner_mm: float | None) -> list[Run]:
        """The row's runs without what the caps forbid."""
        if not (caps.points or caps.strips or caps.within):
            return list(row.runs)
        thickest = dict(reversed(caps.strips))
        cut = {cap[0] for cap in (*caps.points, *caps.within)}
        runs = [
            run._replace(hi=min(run.hi, thickest.get(run.rank, run.hi)))
            for run in row.runs
            if run.rank not in cut
        ]
        for rank in dict.fromkeys(run.rank for run in row.runs if run.rank in cut):
            banned = tuple(x for of, x in caps.points if of == rank)
            runs += self.runs_within(rank, inner_mm, banned, caps.part(rank))
        return [run for run in runs if run.lo <= run.hi]

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
