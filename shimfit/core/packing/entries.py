"""What the search picks from: the entries of each seat, the choices it finds, and the best of them so far."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from shimfit.core.packing.stacks import Caps, Row
    from shimfit.core.packing.tables import Tables
    from shimfit.core.packing.task import SeatTask

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]

TIE = 1e-6
"""Costs closer than this are equal; a rule decides between them."""
BARE = -1
"""Class of an entry without a pack; offers have -2, -3, …"""


class Cell(NamedTuple):
    """One entry of a seat: a thickness and the class of pack that makes it."""

    steps: int
    row: int
    inner: bool
    cost: float
    """With the bearing cost."""
    error_mm: float


@dataclass(frozen=True, slots=True)
class Choice:
    """An answer of the search: one cell per seat, in the task's order."""

    cost: float
    cells: tuple[Cell, ...]
    top_mm: tuple[float, float]
    rock_mm: float


# ---------------------------------------------------------------- one seat's entries


class Group:
    """Entries of one seat that bear at one point: classes x thicknesses, and the cheapest class of each."""

    __slots__ = (
        "at_mm",
        "base",
        "best",
        "extra",
        "first",
        "inner",
        "need_mm",
        "offers",
        "row",
        "rows",
        "seat",
        "steps",
        "values",
    )

    def __init__(self, seat: SeatTask, inner: bool, need_mm: float, at_mm: tuple[float, float]) -> None:
        self.seat = seat
        self.inner = inner
        self.need_mm = need_mm
        self.at_mm = at_mm
        self.rows: Sequence[Row] = ()
        self.first = 0
        self.base = 0
        self.extra: Floats = np.empty(0)
        """Bearing cost (and price) of each class, counted into the values."""
        self.values: Floats = np.empty((0, 0))
        self.steps: Ints = np.empty(0, dtype=np.int64)
        self.best: Floats = np.empty(0)
        self.row: Ints = np.empty(0, dtype=np.int64)
        self.offers: list[tuple[int, int, float]] = []

    def capped(self, tables: Tables, caps: Caps) -> Group:
        """A copy under caps.

        Tapered pieces are worked out again, and stacks of flats in a box of few sizes; of many they keep
        their values, which then are bounds that are raised as they come up (`raise_cell`).
        """
        twin = Group(self.seat, self.inner, self.need_mm, self.at_mm)
        twin.rows, twin.first, twin.base = self.rows, self.first, self.base
        twin.offers, twin.extra = self.offers, self.extra
        twin.values = self.values.copy()
        ranks = {cap[0] for cap in (*caps.points, *caps.strips, *caps.within)}
        inner_mm, n = self.inner_mm, self.values.shape[1]
        fewer = tables.fewer_flats(caps)
        for i in range(len(self.values)):
            row = self.row_at(i)
            if fewer is not None or any(run.rank in ranks for run in row.runs):
                fresh = np.empty(n)
                if row.runs:
                    runs = tuple(tables.capped_runs(row, caps, inner_mm))
                    (fewer or tables).convolve(runs, self.base, self.base + n, fresh)
                else:
                    fresh = (fewer or tables).flats[self.base : self.base + n]
                np.maximum(twin.values[i], fresh + self.extra[i], out=twin.values[i])
        twin.settle()
        return twin

    @property
    def inner_mm(self) -> float | None:
        """How far in thicknesses are told; None at the face."""
        return self.seat.place.inside_mm if self.inner and self.seat.place is not None else None

    def row_at(self, index: int) -> Row:
        """The class of pack of one row of values."""
        return self.rows[self.first + index]

    def settle(self) -> None:
        """Work out the cheapest class of every thickness, bare and offers last."""
        n_table = self.values.shape[1]
        extra = len(self.offers)
        steps = np.empty(n_table + extra, dtype=np.int64)
        steps[:n_table] = np.arange(self.base, self.base + n_table)
        best = np.empty(n_table + extra)
        row = np.empty(n_table + extra, dtype=np.int64)
        if n_table and len(self.values):
            row[:n_table] = self.values.argmin(axis=0)
            best[:n_table] = self.values[row[:n_table], np.arange(n_table)]
        else:
            best[:n_table], row[:n_table] = math.inf, 0
        for i, (thickness, code, cost) in enumerate(self.offers):
            steps[n_table + i], best[n_table + i], row[n_table + i] = thickness, cost, code
        self.steps, self.best, self.row = steps, best, row

    def table_cost(self, steps: int, row: int) -> float:
        """What a cell's pieces cost, without the bearing."""
        return float(self.values[row, steps - self.base] - self.extra[row])

    def raise_cell(self, steps: int, row: int, pieces_cost: float) -> None:
        """A cell turned out dearer: set it and choose its thickness's class again."""
        j = steps - self.base
        self.values[row, j] = pieces_cost + self.extra[row]
        i = int(self.values[:, j].argmin())
        self.row[j], self.best[j] = i, self.values[i, j]


class Listed(NamedTuple):
    """What is left of a group for one set of bearing points."""

    group: Group
    steps: Ints
    error: Floats
    cost: Floats
    row: Ints

    @property
    def least(self) -> float:
        """Cost of the cheapest entry; infinite when there is none."""
        return float(self.cost.min()) if len(self.cost) else math.inf

    def only(self, which: NDArray[np.bool_] | Ints) -> Listed:
        """The entries that are picked, in that order."""
        return Listed(self.group, self.steps[which], self.error[which], self.cost[which], self.row[which])

    def cell(self, i: int) -> Cell:
        """One entry as a cell."""
        return Cell(
            int(self.steps[i]), int(self.row[i]), self.group.inner, float(self.cost[i]), float(self.error[i])
        )


class Pool:
    """The cheapest choices so far. `limit`: what a further one must not exceed to count."""

    def __init__(self, keep: int, limit: float) -> None:
        self.keep = keep
        self.limit = limit
        self.found: dict[
            tuple[tuple[int, int, bool], ...], tuple[float, tuple[Cell, ...], tuple[float, float], float]
        ] = {}

    def worth_keeping(self, cost: Floats) -> Iterable[int]:
        """Of new ones, those that can be among the kept, with all that tie."""
        if len(cost) > self.keep:
            edge = np.partition(cost, self.keep - 1)[self.keep - 1]
            chosen = np.flatnonzero(cost <= edge + TIE)
        else:
            chosen = np.arange(len(cost))
        order: Sequence[int] = chosen[np.argsort(cost[chosen], kind="stable")].tolist()
        return order[: self.keep + 16]

    def add(self, cost: float, cells: tuple[Cell, ...], top_mm: tuple[float, float], rock_mm: float) -> None:
        """Take a choice in, if it counts."""
        if cost > self.limit:
            return
        self.found[tuple((cell.steps, cell.row, cell.inner) for cell in cells)] = cost, cells, top_mm, rock_mm
        if len(self.found) >= self.keep:
            costs = sorted(item[0] for item in self.found.values())
            self.limit = min(self.limit, costs[self.keep - 1] + TIE)
            if len(self.found) > 2 * self.keep + 32:
                self.found = {k: v for k, v in self.found.items() if v[0] <= self.limit}

    def sorted(self) -> list[Choice]:
        """Best first; ties by thickness, class and bearing point."""
        ordered = sorted(
            (item for item in self.found.items() if item[1][0] <= self.limit),
            key=lambda item: (round(item[1][0], 6), item[0]),
        )
        down = Cell(0, BARE, False, 0.0, 0.0)
        return [Choice(cost, (down, *cells), top, rock) for _, (cost, cells, top, rock) in ordered]
