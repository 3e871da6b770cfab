"""Lengths from bars: how few bars do, by the same means as a whole run (columns, prices, bound, program).

Set against published cutting-stock optima it tries the solver and the way of columns and prices on a
problem whose answers are known; the product does not cut bars. A pattern is what one bar gives; at
prices π of the lengths the best pattern is a knapsack, and Farley's bound Σ π·demand ÷ (best pattern's
worth) is below every answer. Source: Gilmore and Gomory 1961, Farley 1990 (both from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from shimfit.core.planning.program import IntegerProgram, Sparse
from shimfit.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from shimfit.core.planning.program import Solver

    Floats = NDArray[np.float64]
    Counts = tuple[int, ...]

STEP_MM = 0.1
"""Grid of the knapsack; lengths are rounded up to it, bars down."""
NO_BETTER = 1e-9


@dataclass(frozen=True, slots=True)
class BarPlan:
    """How to cut the bars."""

    bars: tuple[tuple[float, ...], ...]
    """Lengths that each bar gives, longest first."""
    bound: int
    """No answer needs fewer bars."""

    @property
    def proven(self) -> bool:
        """True when no fewer bars can do."""
        return len(self.bars) == self.bound


def fewest_bars(
    lengths_mm: Sequence[float],
    bar_mm: float,
    solver: Solver,
    *,
    kerf_mm: float = 0.0,
    seconds: float = 10.0,
) -> BarPlan:
    """Fewest bars of one length that give all lengths; a kerf is lost between two pieces, not at a bar's end.

    UsageError when a length is none or longer than the bar.
    """
    for length_mm in lengths_mm:
        if not math.isfinite(length_mm) or not 0 < length_mm <= bar_mm:
            raise UsageError(f"a length of {length_mm:g} mm can't be cut from a bar of {bar_mm:g} mm")
    if not lengths_mm:
        return BarPlan((), 0)
    sizes = sorted(set(lengths_mm), reverse=True)
    demand = np.array([sum(length == size for length in lengths_mm) for size in sizes])
    # n pieces and n - 1 kerfs fit in the bar when n pieces with a kerf each fit in bar + kerf.
    steps = np.array([math.ceil((size + kerf_mm) / STEP_MM - 1e-9) for size in sizes])
    room = math.floor((bar_mm + kerf_mm) / STEP_MM + 1e-9)
    patterns = [_alone(k, int(room // steps[k]), int(demand[k]), len(sizes)) for k in range(len(sizes))]
    program = solver.linear()
    program.add_rows(demand.astype(float), np.full(len(sizes), np.inf))
    program.add_columns(np.ones(len(patterns)), np.full(len(patterns), np.inf), _columns(patterns))
    bound = 0.0
    while True:
        answer = program.solve()
        assert answer is not None, "one length a bar is always an answer"
        worth, pattern = _knapsack(np.maximum(0.0, answer.duals), steps, demand, room)
        bound = max(bound, float(answer.duals @ demand) / max(1.0, worth))
        if worth <= 1.0 + NO_BETTER or pattern in patterns:
            break
        patterns.append(pattern)
        program.add_columns(np.ones(1), np.full(1, np.inf), _columns([pattern]))
    columns = _columns(patterns)
    whole = solver.integer(
        IntegerProgram(
            np.ones(len(patterns)), np.full(len(patterns), np.inf), np.ones(len(patterns), bool),
            demand.astype(float), np.full(len(sizes), np.inf), columns,
        ),
        seconds=seconds,
    )  # fmt: skip
    assert whole.columns is not None, "one length a bar is always an answer"
    return BarPlan(_bars(whole.columns, patterns, sizes, demand), math.ceil(bound - 1e-6))


def _alone(which: int, most: int, demand: int, sizes: int) -> Counts:
    return tuple(min(most, demand) if k == which else 0 for k in range(sizes))


def _columns(patterns: Sequence[Counts]) -> Sparse:
    starts: list[int] = []
    index: list[int] = []
    value: list[float] = []
    for pattern in patterns:
        starts.append(len(index))
        for row, count in enumerate(pattern):
            if count:
                index.append(row)
                value.append(float(count))
    return Sparse(np.array(starts, np.int32), np.array(index, np.int32), np.array(value, float))


def _knapsack(
    price: Floats, steps: NDArray[np.int64], demand: NDArray[np.int64], room: int
) -> tuple[float, Counts]:
    """Worth and counts of the best pattern: a bounded knapsack over the grid, size by size."""
    best = np.zeros(room + 1)
    taken: list[NDArray[np.int64]] = []
    for size in range(price.size):
        most = min(int(demand[size]), int(room // steps[size]))
        now, count = best.copy(), np.zeros(room + 1, np.int64)
        for n in range(1, most + 1):
            shift = int(n * steps[size])
            offered = best[: room + 1 - shift] + n * price[size]
            better = offered > now[shift:] + 1e-12
            now[shift:][better] = offered[better]
            count[shift:][better] = n
        best = now
        taken.append(count)
    at, pattern = int(np.argmax(best)), [0] * price.size
    worth = float(best[at])
    for size in reversed(range(price.size)):
        pattern[size] = int(taken[size][at])
        at -= int(pattern[size] * steps[size])
    return worth, tuple(pattern)


def _bars(
    chosen: Floats, patterns: Sequence[Counts], sizes: Sequence[float], demand: NDArray[np.int64]
) -> tuple[tuple[float, ...], ...]:
    """Bars as lengths; what patterns give beyond the demand is left on the bar."""
    left = demand.copy()
    bars = []
    for column, pattern in enumerate(patterns):
        for _ in range(round(chosen[column])):
            counts = np.minimum(pattern, left)
            left = left - counts
            pieces = [size for size, count in zip(sizes, counts, strict=True) for _ in range(count)]
            if pieces:
                bars.append(tuple(pieces))
    return tuple(bars)
