"""From the patterns of the rounds to one plan: the integer program over them, in whole pieces.

The program has what the rounds' linear one leaves out: every point of every taper that could be covered too
often, what a saw setting takes from each strip, and set-ups paid once.

`worth_offering` chooses the patterns that the program is given, `greedy` a plan that it may begin from.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from shimfit.core.planning.program import IntegerProgram, Sparse

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from numpy.typing import NDArray

    from shimfit.core.packing.tables import Tables
    from shimfit.core.planning.master import Master
    from shimfit.core.planning.patterns import Pattern
    from shimfit.core.planning.program import IntegerAnswer, Solver
    from shimfit.core.planning.rounds import Settled

    Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Chosen:
    """What the integer program chose."""

    patterns: tuple[Pattern, ...]
    unsolved: tuple[int, ...]
    """Posts left out."""
    objective: float
    proven: bool
    """Best among the patterns that were given."""


class _Builder:
    """Rows and columns by hand-written numbers."""

    def __init__(self) -> None:
        self.cost: list[float] = []
        self.upper: list[float] = []
        self.columns: list[dict[int, float]] = []
        self.low: list[float] = []
        self.high: list[float] = []

    def column(self, cost: float, upper: float = 1.0) -> int:
        self.cost.append(cost)
        self.upper.append(upper)
        self.columns.append(defaultdict(float))
        return len(self.cost) - 1

    def row(self, low: float, high: float, entries: Mapping[int, float]) -> None:
        for column, value in entries.items():
            self.columns[column][len(self.low)] += value
        self.low.append(low)
        self.high.append(high)

    def program(self) -> IntegerProgram:
        starts: list[int] = []
        index: list[int] = []
        value: list[float] = []
        for column in self.columns:
            starts.append(len(index))
            for row in sorted(column):
                index.append(row)
                value.append(column[row])
        return IntegerProgram(
            np.array(self.cost, float),
            np.array(self.upper, float),
            np.ones(len(self.cost), bool),
            np.array(self.low, float),
            np.array(self.high, float),
            Sparse(np.array(starts, np.int32), np.array(index, np.int32), np.array(value, float)),
        )


def choose(
    tables: Tables,
    patterns: Sequence[Pattern],
    posts: Sequence[int],
    solver: Solver,
    *,
    seconds: float,
    relative_gap: float = 0.0,
    taken: Sequence[Pattern] = (),
    start: Sequence[Pattern] = (),
    strip_share: Mapping[int, float] | None = None,
    nodes: int | None = None,
    stop: Callable[[], bool] | None = None,
    progress: Callable[[float, float], None] | None = None,
) -> Chosen | None:
    """Best set of patterns for `posts` beside those `taken` already; None when not even a start was found.

    `start`: patterns of a plan to begin from. `strip_share` (by rank): use only so much of a strip lot.
    `nodes`: see `Solver.integer`.
    """
    costs, saw, lots = tables.options.costs, tables.options.saw, tables.lots
    made = _Builder()
    of = {id(pattern): made.column(pattern.cost) for pattern in patterns}
    left = {post: made.column(costs.unsolved) for post in posts}
    by_post: dict[int, dict[int, float]] = {post: {left[post]: 1.0} for post in posts}
    for pattern in patterns:
        by_post[pattern.post][of[id(pattern)]] = 1.0
    for post in posts:
        made.row(1.0, 1.0, by_post[post])
    _flat_rows(made, tables, patterns, of, taken)
    _taper_rows(made, tables, patterns, of, taken)
    settings: dict[float, int] = {}
    trims: dict[tuple[int, float], int] = {}
    paid = {deg for pattern in taken for _, deg in pattern.uses.settings} | {saw.stands_at_deg}
    by_setting: dict[tuple[int, float], dict[int, float]] = defaultdict(dict)
    by_strip: dict[tuple[int, float], dict[int, float]] = defaultdict(lambda: defaultdict(float))
    for pattern in patterns:
        for rank, length_mm, deg in pattern.uses.lengths:
            by_setting[pattern.post, deg][of[id(pattern)]] = 1.0
            by_strip[rank, deg][of[id(pattern)]] += length_mm
    for (_, deg), entries in sorted(by_setting.items()):
        if deg in paid:
            continue
        if deg not in settings:
            settings[deg] = made.column(costs.saw_set_up)
        made.row(-np.inf, 0.0, {**entries, settings[deg]: -1.0})
    spent, trimmed = _strips_taken(taken)
    for rank in sorted({rank for rank, _ in by_strip}):
        lot = lots[rank]
        usable_mm = tables.usable_mm(lot)
        total: dict[int, float] = defaultdict(float)
        room_mm = lot.count * usable_mm * (strip_share or {}).get(rank, 1.0) - spent[rank]
        for deg in sorted(deg for other, deg in by_strip if other == rank):
            trim_mm = tables.group_mm(lot, deg)
            for column, length_mm in by_strip[rank, deg].items():
                total[column] += length_mm
            if (rank, deg) in trimmed:
                room_mm -= trim_mm
                continue
            trims[rank, deg] = made.column(0.0, float(lot.count))
            total[trims[rank, deg]] += trim_mm
            made.row(-np.inf, 0.0, {**by_strip[rank, deg], trims[rank, deg]: trim_mm - usable_mm})
        made.row(-np.inf, max(0.0, room_mm), total)
    answer = solver.integer(
        made.program(),
        seconds=seconds,
        relative_gap=relative_gap,
        start=_start(made, patterns, of, left, settings, trims, start),
        nodes=nodes,
        stop=stop,
        progress=progress,
    )
    return _chosen(answer, patterns, of, left)


def _start(  # noqa: PLR0917 - it takes the quantities it takes
    made: _Builder, patterns: Sequence[Pattern], of: Mapping[int, int], left: Mapping[int, int],
    settings: Mapping[float, int], trims: Mapping[tuple[int, float], int], start: Sequence[Pattern],
) -> Floats | None:  # fmt: skip
    known = {pattern.key: of[id(pattern)] for pattern in patterns}
    if not start:
        return None
    x = np.zeros(len(made.cost))
    served = set()
    for pattern in start:
        column = known.get(pattern.key)
        if column is None:
            continue
        x[column] = 1.0
        served.add(pattern.post)
        for rank, _, deg in pattern.uses.lengths:
            if deg in settings:
                x[settings[deg]] = 1.0
            if (rank, deg) in trims:
                x[trims[rank, deg]] = 1.0
    for post, column in left.items():
        if post not in served:
            x[column] = 1.0
    return x


def _chosen(
    answer: IntegerAnswer, patterns: Sequence[Pattern], of: Mapping[int, int], left: Mapping[int, int]
) -> Chosen | None:
    x = answer.columns
    if x is None or answer.objective is None:
        return None
    picked = tuple(pattern for pattern in patterns if x[of[id(pattern)]] > 0.5)
    unsolved = tuple(post for post, column in left.items() if x[column] > 0.5)
    return Chosen(picked, unsolved, answer.objective, answer.status == "proven")


def _flat_rows(
    made: _Builder, tables: Tables, patterns: Sequence[Pattern], of: Mapping[int, int],
    taken: Sequence[Pattern],
) -> None:  # fmt: skip
    rows: dict[int, dict[int, float]] = defaultdict(dict)
    most: dict[int, int] = defaultdict(int)
    for pattern in patterns:
        for rank, pieces in pattern.uses.flats:
            rows[rank][of[id(pattern)]] = float(pieces)
            most[rank] += pieces
    gone: dict[int, int] = defaultdict(int)
    for pattern in taken:
        for rank, pieces in pattern.uses.flats:
            gone[rank] += pieces
    for rank in sorted(rows):
        room = tables.lots[rank].count - gone[rank]
        if most[rank] > room:
            made.row(-np.inf, float(room), rows[rank])


def _taper_rows(
    made: _Builder, tables: Tables, patterns: Sequence[Pattern], of: Mapping[int, int],
    taken: Sequence[Pattern],
) -> None:  # fmt: skip
    """One row per set of stretches that all cover one point and that no other point's set contains."""
    by_lot: dict[int, list[tuple[float, float, int]]] = defaultdict(list)
    for pattern in patterns:
        for rank, from_mm, to_mm in pattern.uses.stretches:
            by_lot[rank].append((from_mm, to_mm, of[id(pattern)]))
    gone: dict[int, list[tuple[float, float]]] = defaultdict(list)
    for pattern in taken:
        for rank, from_mm, to_mm in pattern.uses.stretches:
            gone[rank].append((from_mm, to_mm))
    for rank in sorted(by_lot):
        stretches = by_lot[rank]
        start, end = (np.array([one[k] for one in stretches], float) for k in (0, 1))
        begin = np.unique(np.concatenate([start, [a for a, _ in gone[rank]]]))
        stops = np.sort(np.concatenate([end, [b for _, b in gone[rank]]]))
        for place, point in enumerate(begin):
            # A later start before the next end covers all that this one does.
            if place + 1 < begin.size and not np.any((stops > point) & (stops <= begin[place + 1])):
                continue
            covered = np.flatnonzero((start <= point) & (point < end))
            room = tables.lots[rank].count - sum(a <= point < b for a, b in gone[rank])
            if covered.size <= room:
                continue
            entries: dict[int, float] = defaultdict(float)
            for k in covered:
                entries[stretches[k][2]] += 1.0
            made.row(-np.inf, float(max(0, room)), entries)


def _strips_taken(taken: Sequence[Pattern]) -> tuple[dict[int, float], set[tuple[int, float]]]:
    spent: dict[int, float] = defaultdict(float)
    trimmed = set()
    for pattern in taken:
        for rank, length_mm, deg in pattern.uses.lengths:
            spent[rank] += length_mm
            trimmed.add((rank, deg))
    return spent, trimmed


def worth_offering(master: Master, settled: Settled, most: int, start: Sequence[Pattern]) -> list[Pattern]:
    """The patterns of each post that cost least beyond what serving it is worth, with those in use."""
    if not master.patterns:
        return []
    master.only(settled.allowed)
    priced = master.priced(settled.price)
    priced[np.flatnonzero(settled.x > 1e-9)] = -np.inf
    known = {pattern.key for pattern in start}
    if known:
        priced[[k for k, pattern in enumerate(master.patterns) if pattern.key in known]] = -np.inf
    order = np.lexsort((np.arange(priced.size), priced, master.post))
    post = master.post[order]
    first = np.searchsorted(post, post)
    kept = np.sort(order[(np.arange(post.size) - first < most) & (priced[order] < np.inf)])
    return [master.patterns[k] for k in kept]


def greedy(
    tables: Tables,
    patterns: Sequence[Pattern],
    share: Mapping[tuple[object, ...], float],
    taken: Sequence[Pattern] = (),
) -> list[Pattern]:
    """A plan to begin from beside those `taken`: what the linear program is surest of, as the box allows."""
    ordered = sorted(patterns, key=lambda p: (-share.get(p.key, 0.0), p.cost, p.post))
    flats: Counter[int] = Counter()
    stretches: dict[int, list[tuple[float, float]]] = defaultdict(list)
    served = {pattern.post for pattern in taken}
    for pattern in taken:
        _take(pattern, flats, stretches)
    begun = []
    for pattern in ordered:
        if pattern.post in served or pattern.uses.lengths:
            continue
        if any(flats[rank] + n > tables.lots[rank].count for rank, n in pattern.uses.flats):
            continue
        new: Mapping[int, list[tuple[float, float]]] = _with(stretches, pattern)
        if any(_covered(new[rank]) > tables.lots[rank].count for rank, _, _ in pattern.uses.stretches):
            continue
        _take(pattern, flats, stretches)
        served.add(pattern.post)
        begun.append(pattern)
    return begun


def _take(pattern: Pattern, flats: Counter[int], stretches: dict[int, list[tuple[float, float]]]) -> None:
    for rank, n in pattern.uses.flats:
        flats[rank] += n
    for rank, start, end in pattern.uses.stretches:
        stretches[rank].append((start, end))


def _with(
    stretches: Mapping[int, list[tuple[float, float]]], pattern: Pattern
) -> dict[int, list[tuple[float, float]]]:
    new: dict[int, list[tuple[float, float]]] = {}
    for rank, start, end in pattern.uses.stretches:
        new.setdefault(rank, list(stretches.get(rank, ()))).append((start, end))
    return new


def _covered(stretches: Sequence[tuple[float, float]]) -> int:
    """Most stretches that cover one point."""
    return max(sum(a <= start < b for a, b in stretches) for start, _ in stretches)
