"""The pieces of one pack: which, and how the cheapest are found again under what a seat may not use."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from shimfit.core.packing.tables import Tables

EPS = 1e-9
NO_COST = 1e300
"""Anything finite is below: keeps thicknesses that no pack makes (infinity) out of comparisons."""


class Unit(NamedTuple):
    """One piece of a flat thickness: the cheapest come first."""

    cost: float
    rank: int
    """The lot's place in natural order."""


class Run(NamedTuple):
    """A tapered lot as far as it costs `cost + per_step·T` for every thickness T from lo to hi."""

    lo: int
    hi: int
    cost: float
    per_step: float
    rank: int


@dataclass(frozen=True, slots=True)
class Row:
    """A class of packs."""

    sigma: float
    """Slope of its tapered piece; 0 for flats only."""
    saw_deg: float | None
    """What the saw is set to; None when nothing is sawn."""
    runs: tuple[Run, ...]
    """Lots that give the tapered piece; empty for flats only."""


class Stack(NamedTuple):
    """The pieces of one pack, as ranks of lots."""

    cost: float
    tail: tuple[int, int] | None
    """(rank, thickness in grid steps) of the tapered piece."""
    flats: tuple[int, ...]
    """Ranks of the flats, in natural order."""


@dataclass(frozen=True)
class Caps:
    """What one seat may not use: set by the search when two seats want the same thing."""

    flats: tuple[tuple[int, int], ...] = ()
    """(rank, most pieces)."""
    points: tuple[tuple[int, float], ...] = ()
    """(rank, mm from the thin end): a stretch of that taper must not cover the point."""
    strips: tuple[tuple[int, int], ...] = ()
    """(rank, thickest wedge in grid steps)."""

    def __bool__(self) -> bool:
        return bool(self.flats or self.points or self.strips)


NO_CAPS = Caps()


def stack_key(stack: Stack) -> tuple[float, int, tuple[int, ...], int]:
    """The rule for ties within one pack: cost, fewer pieces, lowest lots, lowest thickness."""
    ranks = stack.flats if stack.tail is None else (*stack.flats, stack.tail[0])
    return round(stack.cost, 6), len(ranks), tuple(sorted(ranks)), stack.tail[1] if stack.tail else 0


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


def to_steps(thickness_mm: float, quantum_mm: float) -> int:
    """Thickness on the grid, halves away from zero."""
    return math.floor(thickness_mm / quantum_mm + 0.5 + 1e-9)


def sum_of(units: Sequence[Unit], k: int) -> float:
    """Cost of the k cheapest pieces; infinite when there are fewer."""
    return sum(unit.cost for unit in units[:k]) if len(units) >= k else math.inf
