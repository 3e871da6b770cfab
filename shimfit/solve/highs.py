"""HiGHS behind the protocols of core/planning/program.py. The only file that imports highspy.

HiGHS prints a banner below Python, straight to the process's stdout, as soon as a callback is set on an
object that may talk; highspy sets one in its constructor. `_silent` turns talking off before that, so that
no file descriptor has to be bent (a screen on another thread writes to the same one).
"""

from __future__ import annotations

import math
import time
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Unpack

import numpy as np

from shimfit.core.planning.program import IntegerAnswer, IntegerProgram, LinearAnswer, Sparse
from shimfit.errors import InternalError

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from shimfit.core.planning.program import Effort, Floats, Ints, LinearProgram

_NO_STARTS = np.zeros(0, np.int32)
_NO_VALUES = np.zeros(0, np.float64)
WHOLE = 1e-6
"""So near a whole number is one."""
DIVES = ((0.8, 0.1), (0.9, 0.05), (0.7, 0.02))
"""(share from which columns are rounded up, share of the others that is rounded up where none is so near)."""
MOST_STEPS, LEAST_GAP = 60, 1e-4
"""Roundings of a dive; the gap that a dive tries to stay within is not smaller."""
FEWER = 0.8
"""Share of the columns up to which it is worth stating a program anew without the others."""
DIFFERS = 1e-6
"""Relative difference between the objective reported and cost · x from which an answer is not believed."""


def _silent() -> Any:
    """A HiGHS object that has not printed and will not."""
    import highspy

    class Silent(highspy.Highs):
        def enableCallbacks(self) -> None:  # noqa: N802 - highspy's own name
            self.setOptionValue("output_flag", False)
            super().enableCallbacks()  # type: ignore[no-untyped-call]  # highspy types only half

    highs = Silent()  # type: ignore[no-untyped-call]  # highspy types only half
    highs.setOptionValue("output_flag", False)
    # One thread: answers must not depend on which thread was first.
    highs.setOptionValue("threads", 1)
    highs.setOptionValue("random_seed", 1)
    return highs


class Highs:
    """Solver (see core/planning/program.py); highspy is loaded by the first program."""

    def linear(self) -> LinearProgram:
        """An empty linear program."""
        return _Linear()

    def integer(self, program: IntegerProgram, **effort: Unpack[Effort]) -> IntegerAnswer:
        """Solve an integer program; see Solver.integer."""
        import highspy

        if not program.cost.size:
            return _without_columns(program)
        ends = time.monotonic() + max(0.0, float(effort["seconds"]))
        gap, start, nodes = effort.get("relative_gap", 0.0), effort.get("start"), effort.get("nodes")
        stop, below = effort.get("stop"), effort.get("below", math.inf)

        def at_an_end() -> bool:
            return time.monotonic() >= ends or (stop is not None and stop())

        linear = _Linear()
        linear.add_rows(program.row_lower, program.row_upper)
        linear.add_columns(program.cost, program.column_upper, program.entries)
        relaxed = linear.solve()
        if relaxed is not None and start is not None and _holds(program, start):
            cost, bound = float(program.cost @ start), relaxed.objective
            if cost - bound <= gap * abs(cost) or bound >= below:
                return IntegerAnswer("proven", start, cost, min(bound, cost, below))
            # A column that is dearer by more than the start lies above the bound is in no better answer.
            room = min(cost, below) - bound + WHOLE * abs(cost)
            some = (start > 0.0) | ~program.whole | (_reduced(program, relaxed) <= room)
            if some.sum() <= FEWER * some.size:
                effort = {**effort, "start": start[some], "seconds": ends - time.monotonic()}
                answer = self.integer(_among(program, some), **effort)
                if answer.columns is not None:
                    columns = np.zeros(some.size)
                    columns[some] = answer.columns
                    answer = replace(answer, columns=columns)
                return answer
        if relaxed is not None and not at_an_end():
            dived = _dived(program, linear, relaxed, gap, at_an_end)
            if dived is not None:
                cost, bound = float(program.cost @ dived), relaxed.objective
                if cost - bound <= gap * abs(cost):
                    return IntegerAnswer("proven", dived, cost, min(bound, cost))
                if below == math.inf or cost < below:
                    start, below = dived, math.inf
        highs = _silent()
        # HiGHS stops 1e-4 short of the optimum unless set otherwise.
        highs.setOptionValue("mip_rel_gap", float(gap))
        highs.setOptionValue("mip_abs_gap", 1e-9)
        if nodes is not None:
            highs.setOptionValue("mip_max_nodes", nodes)
        if below < math.inf:
            highs.setOptionValue("objective_bound", below)
        _fill(highs, program)
        kind = np.where(program.whole, int(highspy.HighsVarType.kInteger), 0).astype(np.uint8)
        highs.changeColsIntegrality(kind.size, np.arange(kind.size, dtype=np.int32), kind)
        _listen(highs, stop, effort.get("progress"))
        # Some releases lose an offset of presolve when given a start: what they call proven is not.
        for presolve in ("choose", "off"):
            highs.setOptionValue("presolve", presolve)
            highs.setOptionValue("time_limit", max(0.0, ends - time.monotonic()))
            highs.clearSolver()
            if start is not None and below == math.inf:
                solution = highspy.HighsSolution()
                solution.col_value = start.tolist()
                highs.setSolution(solution)
            highs.run()
            answer = _integer_answer(highs, program)
            if _adds_up(highs, program):
                break
        else:
            answer = replace(answer, status="found", bound=-math.inf)
        # Answers that are no cheaper may be told, though branches so dear were cut off.
        if start is not None and below < math.inf and (answer.objective or math.inf) >= below:
            cost, bound = float(program.cost @ start), min(answer.bound, below)
            return IntegerAnswer("proven" if bound >= below else "found", start, cost, bound)
        return answer


def _columns(program: IntegerProgram) -> NDArray[np.int64]:
    """The column of each entry."""
    ends = [*program.entries.starts, program.entries.value.size]
    return np.repeat(np.arange(program.cost.size), np.diff(ends))


def _reduced(program: IntegerProgram, relaxed: LinearAnswer) -> Floats:
    """By how much each column is dearer than what it saves of the rows, at the relaxation's duals."""
    entries = program.entries
    saved = np.bincount(_columns(program), entries.value * relaxed.duals[entries.index], program.cost.size)
    return np.asarray(program.cost - saved)


def _among(program: IntegerProgram, some: NDArray[np.bool_]) -> IntegerProgram:
    """The program without the other columns."""
    entries, column = program.entries, _columns(program)
    kept = some[column]
    starts = np.searchsorted(column[kept], np.flatnonzero(some)).astype(np.int32)
    return IntegerProgram(
        program.cost[some], program.column_upper[some], program.whole[some], program.row_lower,
        program.row_upper, Sparse(starts, entries.index[kept], entries.value[kept]),
    )  # fmt: skip


def _holds(program: IntegerProgram, x: Floats) -> bool:
    """Whether x is an answer at all: a start may be none."""
    entries = program.entries
    reached = np.bincount(entries.index, entries.value * x[_columns(program)], program.row_lower.size)
    room = WHOLE * np.maximum(1.0, np.abs(reached))
    inside = (program.row_lower - room <= reached) & (reached <= program.row_upper + room)
    return bool(inside.all() and (x >= 0.0).all() and (x <= program.column_upper).all())


def _dived(
    program: IntegerProgram, linear: _Linear, relaxed: LinearAnswer, relative_gap: float,
    at_an_end: Callable[[], bool],
) -> Floats | None:  # fmt: skip
    """An answer within the gap of the linear relaxation that a dive found; None: none did.

    A dive rounds up what is nearest to the next whole number, some columns at a time, and solves again from
    the basis it has. Where that becomes dearer than the gap allows it takes back half of them, at last all,
    and rounds one down; where that is too dear too it is given up. It ends in a tenth of the time that
    branching needs for its first good answer, or soon.
    """
    within = relaxed.objective + max(relative_gap, LEAST_GAP) * abs(relaxed.objective)
    for near, share in DIVES:
        low, high = np.zeros(program.cost.size), program.column_upper.copy()
        answer = linear.bounded(np.arange(low.size), low, high)
        if answer is None or at_an_end():
            break
        for _ in range(MOST_STEPS):
            x = answer.columns
            short = np.where(program.whole, np.ceil(x - WHOLE) - x, 0.0)
            open_ = np.flatnonzero(short > WHOLE)
            open_ = open_[np.argsort(short[open_], kind="stable")]
            if not open_.size:
                return np.where(program.whole, np.rint(x), x)
            some = open_[: max(1, int((short[open_] <= 1.0 - near).sum()) or int(share * open_.size))]
            while some.size:
                low[some] = np.ceil(x[some] - WHOLE)
                other = linear.bounded(some, low, high)
                if other is not None and other.objective <= within:
                    break
                low[some] = np.floor(x[some] + WHOLE)
                linear.change_bounds(some, low[some], high[some])
                some = some[: some.size // 2]
            else:
                high[open_[0]] = low[open_[0]]
                other = linear.bounded(open_[:1], low, high)
            if other is None or other.objective > within or at_an_end():
                break
            answer = other
    return None


def _fill(highs: Any, program: IntegerProgram) -> None:
    rows = program.row_lower.size
    highs.addRows(rows, program.row_lower, program.row_upper, 0, _NO_STARTS, _NO_STARTS, _NO_VALUES)
    columns = program.cost.size
    entries = program.entries
    highs.addCols(
        columns, program.cost, np.zeros(columns), program.column_upper, entries.value.size,
        entries.starts, entries.index, entries.value,
    )  # fmt: skip


def _listen(
    highs: Any, stop: Callable[[], bool] | None, progress: Callable[[float, float], None] | None
) -> None:
    last = [-math.inf, math.inf]

    def asked(event: Any) -> None:
        if stop is not None and stop():
            event.interrupt()
        now = [float(event.data_out.mip_dual_bound), float(event.data_out.mip_primal_bound)]
        if progress is not None and now != last and all(map(math.isfinite, now)):
            last[:] = now
            progress(now[0], now[1])

    if stop is not None or progress is not None:
        highs.cbMipInterrupt.subscribe(asked)


def _adds_up(highs: Any, program: IntegerProgram) -> bool:
    """False when the objective that HiGHS tells is not what its own answer costs: nothing is proven then."""
    import highspy

    info = highs.getInfo()
    if info.primal_solution_status != highspy.SolutionStatus.kSolutionStatusFeasible:
        return True
    costs = float(program.cost @ np.array(highs.getSolution().col_value, np.float64))
    return abs(float(info.objective_function_value) - costs) <= DIFFERS * max(1.0, abs(costs))


def _integer_answer(highs: Any, program: IntegerProgram) -> IntegerAnswer:
    import highspy

    ending = highs.getModelStatus()
    info = highs.getInfo()
    bound = float(info.mip_dual_bound)
    kinds = highspy.HighsModelStatus
    if ending in (kinds.kInfeasible, kinds.kUnboundedOrInfeasible):
        return IntegerAnswer("impossible", None, None, math.inf)
    stopped = (kinds.kTimeLimit, kinds.kInterrupt, kinds.kSolutionLimit, kinds.kIterationLimit)
    if ending != kinds.kOptimal and ending not in stopped:
        raise InternalError(f"HiGHS ended with {highs.modelStatusToString(ending)} on an integer program")
    if not math.isfinite(bound):
        bound = -math.inf
    if info.primal_solution_status != highspy.SolutionStatus.kSolutionStatusFeasible:
        return IntegerAnswer("gave-up", None, None, bound)
    values = np.array(highs.getSolution().col_value, np.float64)
    values[program.whole] = np.rint(values[program.whole])
    status = "proven" if ending == kinds.kOptimal else "found"
    objective = float(program.cost @ values)
    return IntegerAnswer(status, values, objective, min(bound, objective))  # type: ignore[arg-type]


def _without_columns(program: IntegerProgram) -> IntegerAnswer:
    if np.any(program.row_lower > 0) or np.any(program.row_upper < 0):
        return IntegerAnswer("impossible", None, None, math.inf)
    return IntegerAnswer("proven", _NO_VALUES.copy(), 0.0, 0.0)


class _Linear:
    """LinearProgram; simplex, from the last basis."""

    def __init__(self) -> None:
        self.highs = _silent()
        self.highs.setOptionValue("presolve", "off")
        self._rows = 0

    def add_rows(self, lower: Floats, upper: Floats, entries: Sparse | None = None) -> None:
        if entries is None:
            self.highs.addRows(lower.size, lower, upper, 0, _NO_STARTS, _NO_STARTS, _NO_VALUES)
        else:
            self.highs.addRows(
                lower.size, lower, upper, entries.value.size, entries.starts, entries.index, entries.value
            )
        self._rows += lower.size

    def add_columns(self, cost: Floats, upper: Floats, entries: Sparse) -> None:
        if not cost.size:
            return
        self.highs.addCols(
            cost.size, cost, np.zeros(cost.size), upper, entries.value.size,
            entries.starts, entries.index, entries.value,
        )  # fmt: skip

    def change_cost(self, index: Ints, cost: Floats) -> None:
        if index.size:
            self.highs.changeColsCost(index.size, index, cost)

    def bounded(self, index: NDArray[Any], lower: Floats, upper: Floats) -> LinearAnswer | None:
        """The optimum with other bounds for some columns, of all that are given."""
        self.change_bounds(index, lower[index], upper[index])
        return self.solve()

    def change_row_upper(self, index: Ints, upper: Floats) -> None:
        for row, most in zip(index.tolist(), upper.tolist(), strict=True):
            self.highs.changeRowBounds(row, -math.inf, most)

    def change_bounds(self, index: NDArray[Any], lower: Floats, upper: Floats) -> None:
        if index.size:
            self.highs.changeColsBounds(index.size, index.astype(np.int32), lower, upper)

    def solve(self) -> LinearAnswer | None:
        import highspy

        highs = self.highs
        highs.run()
        ending = highs.getModelStatus()
        kinds = highspy.HighsModelStatus
        if ending in (kinds.kInfeasible, kinds.kUnboundedOrInfeasible):
            return None
        if ending not in (kinds.kOptimal, kinds.kModelEmpty):
            raise InternalError(f"HiGHS ended with {highs.modelStatusToString(ending)} on a linear program")
        solution = highs.getSolution()
        return LinearAnswer(
            float(highs.getObjectiveValue()),
            np.array(solution.col_value, np.float64),
            np.array(solution.row_dual, np.float64)[: self._rows],
        )
