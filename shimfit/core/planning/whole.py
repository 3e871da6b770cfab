"""From the patterns of the rounds to one plan: the integer program over them, in whole pieces.

The program has what the rounds' linear one leaves out: every point of every taper that could be covered too
often, what a saw setting takes from each strip, and set-ups paid once. Its columns are 0 or 1 (trims of a
setting count strips), its rows by example, x of patterns, u of posts left out, y of settings, z of trims:

    post 3          x1 + x2 + u3 = 1
    flat lot F1     2 x1 + x7 ≤ 12             pieces of it
    taper lot T2    x2 + x5 + x9 ≤ 1           all stretches that cover one point, as many as there are tapers
    setting at 3    x2 - y(0.5°) ≤ 0           y costs a set-up
    strip lot S1    31.5 x2 + … + 6 z ≤ 620    lengths of the wedges and of the slanted trims
    trims on S1     31.5 x2 + … - 370 z ≤ 0    no wedge without its setting's trim
    T2, 40 to 52    x5 + x8 - x2 ≤ 0           begin behind a cut there, and are cut off there (`sharing`)

`worth_offering` chooses the patterns that the program is given, `greedy` a plan that it may begin from.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from shimfit.core.planning.program import IntegerProgram, Sparse
from shimfit.core.planning.sharing import Between, too_many

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from shimfit.core.packing.tables import Tables
    from shimfit.core.planning.master import Master
    from shimfit.core.planning.patterns import Pattern, Stretch
    from shimfit.core.planning.program import Patience, Solver
    from shimfit.core.planning.rounds import Settled

    Floats = NDArray[np.float64]
    Stretches = list[tuple[float, float]]

NOTHING = 1e-6
"""Share of a pattern in a linear program's answer that is none."""
MOST_TURNS = 8
"""Programs in which stretches that begin behind cuts get a cut each, before it is given up."""
QUICK_NODES = 20
"""Nodes of the program where work is counted instead of timed, and where stretches begin behind cuts."""


@dataclass(frozen=True, slots=True)
class Chosen:
    """What the integer program chose."""

    patterns: tuple[Pattern, ...]
    unsolved: tuple[int, ...]
    """Posts left out."""
    objective: float
    proven: bool
    """Best among the patterns that were given."""
    bound: float = -np.inf
    """No set of them costs less."""


@dataclass(frozen=True, slots=True)
class Offered:
    """What the program may choose from."""

    patterns: Sequence[Pattern]
    posts: Sequence[int]
    taken: Sequence[Pattern] = ()
    """Of other posts: what they use is gone, and the settings that they need are paid for."""
    start: Sequence[Pattern] = ()
    """A plan to begin from."""
    strip_share: Mapping[int, float] = field(default_factory=dict)
    """Use only so much of a strip lot, by rank."""
    least_out: int = 0
    """Posts that must be left out at least."""
    between: Sequence[Between] = ()
    """Where stretches begin behind no more cuts than there are."""


class Program:
    """An integer program as it is put together: columns and rows in the order that they come."""

    def __init__(self) -> None:
        self.cost: list[float] = []
        self.upper: list[float] = []
        self.low: list[float] = []
        self.high: list[float] = []
        self.entries: list[tuple[int, int, float]] = []
        """(column, row, value)."""

    def column(self, cost: float, upper: float = 1.0) -> int:
        """A whole number from 0 to `upper`; returns which column it is."""
        self.cost.append(cost)
        self.upper.append(upper)
        return len(self.cost) - 1

    def row(self, low: float, high: float, entries: Mapping[int, float]) -> None:
        """A row low ≤ Σ value · column ≤ high."""
        self.entries += [(column, len(self.low), value) for column, value in entries.items()]
        self.low.append(low)
        self.high.append(high)

    def built(self) -> IntegerProgram:
        """For the solver."""
        entries = sorted(self.entries)
        column, row = (np.array([entry[k] for entry in entries], np.int32) for k in (0, 1))
        starts = np.searchsorted(column, np.arange(len(self.cost))).astype(np.int32)
        values = np.array([value for _, _, value in entries], float)
        return IntegerProgram(
            np.array(self.cost, float), np.array(self.upper, float), np.ones(len(self.cost), bool),
            np.array(self.low, float), np.array(self.high, float), Sparse(starts, row, values),
        )  # fmt: skip


class Box:
    """The columns and rows of a program by which posts are served from one box."""

    def __init__(
        self, made: Program, tables: Tables, offered: Offered, more: Mapping[int, int] | None = None
    ) -> None:
        """`more`: columns that say how many pieces of a lot there are, by rank, in place of its count."""
        self.made, self.tables, self.offered, self.more = made, tables, offered, more or {}
        self.of = {pattern.key: made.column(pattern.cost) for pattern in offered.patterns}
        self.left = {post: made.column(tables.options.costs.unsolved) for post in offered.posts}
        self.settings: dict[float, int] = {}
        self.trims: dict[tuple[int, float], int] = {}
        by_post: dict[int, dict[int, float]] = {post: {left: 1.0} for post, left in self.left.items()}
        for pattern in offered.patterns:
            by_post[pattern.post][self.of[pattern.key]] = 1.0
        for entries in by_post.values():
            made.row(1.0, 1.0, entries)
        if offered.least_out:
            made.row(float(offered.least_out), np.inf, dict.fromkeys(self.left.values(), 1.0))
        self._flat_rows()
        self._taper_rows()
        self._rows_between()
        self._strip_rows()

    def _at_most(self, rank: int, room: float, entries: Mapping[int, float], each: float = 1.0) -> None:
        """A row of a lot: `room` beside what pieces that are still to be had give, `each` of them so much."""
        if rank in self.more:
            self.made.row(-np.inf, 0.0, {**entries, self.more[rank]: -each})
        else:
            self.made.row(-np.inf, max(0.0, room), entries)

    def _flat_rows(self) -> None:
        rows: dict[int, dict[int, float]] = defaultdict(dict)
        most, gone = Counter[int](), Counter[int]()
        for pattern in self.offered.patterns:
            for rank, pieces in pattern.uses.flats:
                rows[rank][self.of[pattern.key]] = float(pieces)
                most[rank] += pieces
        for pattern in self.offered.taken:
            gone.update(dict(pattern.uses.flats))
        for rank in sorted(rows):
            room = self.tables.lots[rank].count - gone[rank]
            if most[rank] > room or rank in self.more:
                self._at_most(rank, room, rows[rank])

    def _taper_rows(self) -> None:
        """One row per set of stretches that all cover one point and that no other point's set contains."""
        by_lot: dict[int, list[tuple[float, float, int]]] = defaultdict(list)
        gone: dict[int, Stretches] = defaultdict(list)
        for pattern in self.offered.patterns:
            for rank, from_mm, to_mm, _ in pattern.uses.stretches:
                by_lot[rank].append((from_mm, to_mm, self.of[pattern.key]))
        for pattern in self.offered.taken:
            for rank, from_mm, to_mm, _ in pattern.uses.stretches:
                gone[rank].append((from_mm, to_mm))
        for rank, stretches in sorted(by_lot.items()):
            start, end, columns = (np.array(part) for part in zip(*stretches, strict=True))
            begin = np.unique(np.concatenate([start, [a for a, _ in gone[rank]]]))
            stops = np.sort(np.concatenate([end, [b for _, b in gone[rank]]]))
            for place, point in enumerate(begin):
                # A later start before the next end covers all that this one does.
                if place + 1 < begin.size and not np.any((stops > point) & (stops <= begin[place + 1])):
                    continue
                covered = columns[(start <= point) & (point < end)]
                room = self.tables.lots[rank].count - sum(a <= point < b for a, b in gone[rank])
                if covered.size > room or rank in self.more:
                    self._at_most(rank, room, {int(k): float(n) for k, n in Counter(covered).items()})

    def _rows_between(self) -> None:
        """Between some places stretches begin behind no more cuts than there are."""
        taken = [one for pattern in self.offered.taken for one in pattern.uses.stretches]
        by_lot: dict[int, list[tuple[int, float, float, float]]] = defaultdict(list)
        for pattern in self.offered.patterns:
            for rank, start, end, first in pattern.uses.stretches:
                at = -np.inf if first is None else first
                by_lot[rank].append((self.of[pattern.key], at, start, end))
        arrays = {rank: tuple(map(np.array, zip(*some, strict=True))) for rank, some in by_lot.items()}
        for between in self.offered.between:
            if between.rank not in arrays:
                continue
            column, at_first, at_last, cut = arrays[between.rank]
            more = ((between.first <= at_first) & (at_last <= between.last)).astype(float)
            more -= (between.first <= cut) & (cut <= between.last)
            entries: dict[int, float] = defaultdict(float)
            for k in np.flatnonzero(more).tolist():
                entries[int(column[k])] += float(more[k])
            gone = sum(between.more(one) for one in taken if one.rank == between.rank)
            self.made.row(-np.inf, -float(gone), entries)

    def _strip_rows(self) -> None:
        made, tables = self.made, self.tables
        by_setting: dict[tuple[int, float], dict[int, float]] = defaultdict(dict)
        by_strip: dict[int, dict[float, dict[int, float]]] = defaultdict(
            lambda: defaultdict(lambda: defaultdict(float))
        )
        for pattern in self.offered.patterns:
            column = self.of[pattern.key]
            for rank, length_mm, deg in pattern.uses.lengths:
                by_setting[pattern.post, deg][column] = 1.0
                by_strip[rank][deg][column] += length_mm
        taken = [use for pattern in self.offered.taken for use in pattern.uses.lengths]
        paid = {deg for _, _, deg in taken} | {tables.options.saw.stands_at_deg}
        for (_, deg), entries in sorted(by_setting.items()):
            if deg not in paid:
                if deg not in self.settings:
                    self.settings[deg] = made.column(tables.options.costs.saw_set_up)
                made.row(-np.inf, 0.0, {**entries, self.settings[deg]: -1.0})
        for rank, by_deg in sorted(by_strip.items()):
            lot, usable_mm = tables.lots[rank], tables.usable_mm(tables.lots[rank])
            total: dict[int, float] = defaultdict(float)
            room_mm = lot.count * usable_mm * self.offered.strip_share.get(rank, 1.0)
            room_mm -= sum(length_mm for other, length_mm, _ in taken if other == rank)
            for deg, lengths in sorted(by_deg.items()):
                trim_mm = tables.group_mm(lot, deg)
                for column, length_mm in lengths.items():
                    total[column] += length_mm
                if any((rank, deg) == (other, cut) for other, _, cut in taken):
                    room_mm -= trim_mm
                    continue
                trim = self.trims[rank, deg] = made.column(0.0, float(lot.count))
                total[trim] = trim_mm
                made.row(-np.inf, 0.0, {**lengths, trim: trim_mm - usable_mm})
            self._at_most(rank, room_mm, total, usable_mm)

    def start(self) -> Floats | None:
        """The plan to begin from as the columns have it."""
        if not self.offered.start:
            return None
        x = np.zeros(len(self.made.cost))
        x[list(self.left.values())] = 1.0
        for pattern in self.offered.start:
            if pattern.key in self.of:
                x[self.of[pattern.key]], x[self.left[pattern.post]] = 1.0, 0.0
                for rank, _, deg in pattern.uses.lengths:
                    for column in (self.settings.get(deg), self.trims.get((rank, deg))):
                        if column is not None:
                            x[column] = 1.0
        return x


def choose(
    tables: Tables,
    offered: Offered,
    solver: Solver,
    patience: Patience,
    gap: float = 0.0,
    *,
    below: float = math.inf,
) -> Chosen | None:
    """The best set of the patterns offered, or the start where none costs `below`; None without a start.

    The patience's time and word to stop hold; who listens hears of the program itself.
    """
    between = dict.fromkeys([*offered.between, *_each_behind(offered.patterns)])
    for _ in range(MOST_TURNS):
        made = Program()
        box = Box(made, tables, replace(offered, between=tuple(between)))
        answer = solver.integer(
            made.built(),
            seconds=max(0.0, patience.seconds_left),
            relative_gap=gap,
            start=box.start(),
            below=below,
            nodes=QUICK_NODES if patience.quick or between else None,
            stop=patience.at_an_end,
            progress=patience.progress,
        )
        x = answer.columns
        if x is None or answer.objective is None:
            return None
        picked = tuple(pattern for pattern in offered.patterns if x[box.of[pattern.key]] > 0.5)
        broken = _broken((*picked, *offered.taken))
        if not broken:
            unsolved = tuple(post for post, column in box.left.items() if x[column] > 0.5)
            return Chosen(picked, unsolved, answer.objective, answer.status == "proven", answer.bound)
        between |= dict.fromkeys(broken)
    return None


def _each_behind(patterns: Iterable[Pattern]) -> Iterator[Between]:
    """Where each stretch may begin behind a cut."""
    for pattern in patterns:
        for one in pattern.uses.stretches:
            if one.first is not None:
                yield Between(one.rank, one.first, one.start)


def _broken(patterns: Iterable[Pattern]) -> list[Between]:
    """Where stretches of a plan begin behind too few cuts, most of all in each lot."""
    by_lot: dict[int, list[Stretch]] = defaultdict(list)
    for pattern in patterns:
        for one in pattern.uses.stretches:
            by_lot[one.rank].append(one)
    found = (too_many(rank, some, np.ones(len(some))) for rank, some in by_lot.items())
    return [one for one in found if one is not None]


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


class _Room:
    """What is left of the box as patterns take from it, one after the other; strips are not counted."""

    def __init__(self, tables: Tables, taken: Iterable[Pattern] = ()) -> None:
        self.lots = tables.lots
        self.taken: list[Pattern] = []
        self.flats: Counter[int] = Counter()
        self.stretches: dict[int, Stretches] = defaultdict(list)
        self.served: set[int] = set()
        for pattern in taken:
            self.take(pattern)

    def take(self, pattern: Pattern) -> None:
        """It has what it uses."""
        self.taken.append(pattern)
        self.served.add(pattern.post)
        self.flats.update(dict(pattern.uses.flats))
        for one in pattern.uses.stretches:
            self.stretches[one.rank].append((one.start, one.end))

    def holds(self, pattern: Pattern) -> bool:
        """Whether it fits, and every stretch that begins behind a cut then has one of its own."""
        return self.fits(pattern) and not _broken((*self.taken, pattern))

    def fits(self, pattern: Pattern) -> bool:
        """Whether its post has none yet, nothing is sawn for it, and no lot then gives more than it has."""
        if pattern.post in self.served or pattern.uses.lengths:
            return False
        if any(self.flats[rank] + pieces > self.lots[rank].count for rank, pieces in pattern.uses.flats):
            return False
        for rank in {one.rank for one in pattern.uses.stretches}:
            own = [(one.start, one.end) for one in pattern.uses.stretches if one.rank == rank]
            every = [*self.stretches[rank], *own]
            if any(sum(a <= start < b for a, b in every) > self.lots[rank].count for start, _ in every):
                return False
        return True


def greedy(
    tables: Tables,
    patterns: Iterable[Pattern],
    share: Mapping[tuple[object, ...], float],
    taken: Sequence[Pattern] = (),
) -> list[Pattern]:
    """A plan to begin from beside those `taken`: what the linear program is surest of, as the box allows."""
    room = _Room(tables, taken)
    for pattern in sorted(patterns, key=lambda p: (-share.get(p.key, 0.0), p.cost, p.post)):
        if room.holds(pattern):
            room.take(pattern)
    return room.taken[len(taken) :]


def dive(master: Master, settled: Settled, leaving: float) -> list[Pattern]:
    """A plan by rounding: what the linear program is surest of is taken, and it is solved beside that again.

    `leaving`: what leaving a post out costs meanwhile. All that it takes whole is taken at once.
    """
    room, taken, gone = _Room(master.tables), list[int](), list[int]()
    master.only(settled.allowed)
    master.leave_out(*settled.out)
    open_ = list(range(len(master.patterns)))
    while True:
        out = {k for k in open_ if not room.fits(master.patterns[k])}
        gone += [k for k in out if k not in taken]
        open_ = [k for k in open_ if k not in out]
        master.take(taken, gone, leaving)
        x = master.solve()[1]
        sure = sorted((k for k in open_ if x[k] > NOTHING), key=lambda k: -x[k])
        if not sure:
            master.free()
            return room.taken
        before = len(taken)
        for k in sure:
            if (len(taken) == before or x[k] >= 1.0 - NOTHING) and room.holds(master.patterns[k]):
                room.take(master.patterns[k])
                taken.append(k)
        if len(taken) == before:  # each waits for another's cut
            gone.append(sure[0])
            open_.remove(sure[0])
