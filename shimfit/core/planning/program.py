"""What planning is given from outside: a solver of linear and integer programs, and how long it may take.

core must not know the package that solves, so `solve` is handed in through these protocols. All programs
minimise; every variable is at least 0; matrices come in compressed columns (or rows, where rows are added):
`starts[k]` is where the entries of column k begin in `index` and `value`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal, Protocol, Required, TypedDict, Unpack

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int32]

ProgramStatus = Literal["proven", "found", "impossible", "gave-up"]


@dataclass(frozen=True, slots=True)
class Sparse:
    """Compressed columns (of a program) or rows (that are added to one)."""

    starts: Ints
    index: Ints
    value: Floats


@dataclass(frozen=True, slots=True)
class LinearAnswer:
    """Optimum of a linear program."""

    objective: float
    columns: Floats
    """Value of each column."""
    duals: Floats
    """Change of the optimum per unit of each row's bound (≤ 0 for a ≤ row)."""


class LinearProgram(Protocol):
    """A linear program that grows and keeps its basis, so that solving it again is quick."""

    def add_rows(self, lower: Floats, upper: Floats, entries: Sparse | None = None) -> None:
        """More rows; `entries` (compressed rows) over the columns that are there already."""

    def add_columns(self, cost: Floats, upper: Floats, entries: Sparse) -> None:
        """More columns between 0 and `upper`."""

    def change_cost(self, index: Ints, cost: Floats) -> None:
        """Other costs for some columns."""

    def change_bounds(self, index: Ints, lower: Floats, upper: Floats) -> None:
        """Other bounds for some columns."""

    def change_row_upper(self, index: Ints, upper: Floats) -> None:
        """Other upper bounds for some rows, which have no lower one."""

    def solve(self) -> LinearAnswer | None:
        """The optimum; None when there is no feasible answer. Raises InternalError on any other ending."""


@dataclass(frozen=True, slots=True)
class IntegerProgram:
    """Minimise cost · x over lower ≤ A x ≤ upper, 0 ≤ x ≤ column_upper, x whole where `whole`."""

    cost: Floats
    column_upper: Floats
    whole: NDArray[np.bool_]
    row_lower: Floats
    row_upper: Floats
    entries: Sparse
    """Compressed columns."""


@dataclass(frozen=True, slots=True)
class IntegerAnswer:
    """How an integer program ended."""

    status: ProgramStatus
    """`found` and `gave-up`: stopped by time or by the caller, with and without an answer."""
    columns: Floats | None
    """Whole numbers exactly where asked for; None without an answer."""
    objective: float | None
    bound: float
    """No answer is below this; -inf when nothing is known."""


class Effort(TypedDict, total=False):
    """How an integer program is solved; always alike, unless the time runs out or `stop` says so."""

    seconds: Required[float]
    relative_gap: float
    """(best - bound) ÷ best at which it is good enough; 0 unless said."""
    start: Floats | None
    """A feasible answer to begin from."""
    below: float
    """Only cheaper answers are of use: where there are none the start is the answer, and this the bound."""
    nodes: int | None
    """The most of the tree that are looked at."""
    stop: Callable[[], bool] | None
    """Asked often."""
    progress: Callable[[float, float], None] | None
    """Gets (bound, best) whenever either moves."""


class Solver(Protocol):
    """Makes linear programs and solves integer ones."""

    def linear(self) -> LinearProgram:
        """An empty linear program."""

    def integer(self, program: IntegerProgram, **effort: Unpack[Effort]) -> IntegerAnswer:
        """Solve an integer program."""


@dataclass(frozen=True, slots=True)
class Patience:
    """The end of the time, the caller's word to stop, and the caller's ear."""

    until: float
    """On `clock`, seconds."""
    clock: Callable[[], float]
    stop: Callable[[], bool] | None = None
    progress: Callable[[float, float | None], None] | None = None
    """Gets (bound, best plan's cost or None)."""
    quick: bool = False
    """Work is counted, not timed: few rounds and nodes, and the same answer on any machine."""

    @property
    def seconds_left(self) -> float:
        """Negative when the time is up."""
        return self.until - self.clock()

    def called_off(self) -> bool:
        """True once the caller said stop."""
        return self.stop is not None and self.stop()

    def at_an_end(self) -> bool:
        """True once the time is up or the caller said stop."""
        return self.clock() >= self.until or self.called_off()

    def part(self, share: float) -> Patience:
        """The same, for the first `share` of the time that is left."""
        return replace(self, until=self.clock() + share * max(0.0, self.seconds_left))

    def tell(self, bound: float, best: float | None) -> None:
        """Say how it stands, to whoever listens."""
        if self.progress is not None:
            self.progress(bound, best)
