"""The best packs for four seats of one post: every combination that could win is looked at, none other.

The seats are one that stays down (or is lifted by a fixed pack) and three that are searched. Costs of packs
come from the tables; what joins the seats is the rest that they lead to: lean left over within what is
allowed, rock within the clamp's reach, and the small costs of both. Steps, per set of bearing points:

1. Each seat's window of thicknesses, from the limits alone; the cheapest class of pack for each thickness.
2. A good answer from a few cheap and a few near entries; then entries and pairs of entries that cannot beat
   it are dropped, and each pair that is left says which third thicknesses keep the limits.

That is exact for a box in which every seat has the pieces to itself. `onebox` makes it exact for
the one box there is: where two seats want the same piece it branches on who goes without, best bound
first; and it pays for each saw setting once, set of settings by set of settings.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from shimfit.core.packing.support import Four, Windows, fourfold
from shimfit.core.packing.tables import Caps, Row, Tables, to_steps

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from numpy.typing import NDArray

    from shimfit.core.packing.places import Place
    from shimfit.model import Pack, Seat

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]

TIE = 1e-6
"""Costs closer than this are equal; a rule decides between them."""
_DUST = 1e-9
_NEAREST = 30
_CHUNK = 1 << 16
"""Third-seat candidates looked at in one go: keeps memory flat."""

BARE = -1
"""Class of an entry without a pack; offers have -2, -3, …"""


@dataclass(frozen=True, slots=True)
class Offer:
    """A pack that may stand at a seat as it is, at a price of its own: kept in place, or pushed a little."""

    pack: Pack
    cost: float = 0.0
    inner: bool = False
    """It bears at the place's inner point."""


@dataclass(frozen=True, slots=True)
class SeatTask:
    """What may stand at one seat."""

    seat: Seat
    place: Place | None
    """None: no room for a piece; the seat can only be bare."""
    bare_need_mm: float
    """Gap at the seat itself."""
    at_mm: tuple[float, float]
    """The seat, from the foot's centre."""
    offers: tuple[Offer, ...] = ()


class Ground(NamedTuple):
    """A place where the bed itself bears: position from the foot's centre, error (minus the gap), stiffness."""

    x_mm: float
    y_mm: float
    error_mm: float
    share: float = 1.0


Grounds = Callable[[tuple["Seat", ...]], Sequence[Ground]]


@dataclass(frozen=True, slots=True)
class Task:
    """One post as the search sees it."""

    seats: tuple[SeatTask, ...]
    """The first stays down (its need is what the others are told against); the others are searched."""
    rod_at_mm: tuple[float, float]
    height_mm: float
    allowed_mm: float
    """Lean at the top that may be left over."""
    disk: bool
    """The limit is on the magnitude; else on each direction."""
    residual_mm: float
    """What the residual is weighed against: the tolerance itself, without margin."""
    steepest: float
    """The steeper of the two slopes, what bearing is weighed against when everything bears at the seat."""
    thin: bool = False
    """Only look at some thicknesses of each seat: the cheapest and the nearest (answers are not proven)."""
    lean_only: bool = False
    """Look for the least lean left over, whatever it costs (when nothing keeps the limits)."""
    grounds: Grounds | None = None
    """Where the bed itself bears, for the seats that are packed; the first is the pivot. None for the
    corners of a rectangle: there it is the seats themselves."""
    row_prices: Mapping[tuple[Seat, float], float] = field(default_factory=dict)
    """Extra price of a saw setting at a seat (whole runs)."""


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
        "first",
        "extra",
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
        """A copy under caps. Tapered pieces are worked out again; stacks of flats keep their values, which
        then are bounds that are raised as they come up (`raise_cell`).
        """
        twin = Group(self.seat, self.inner, self.need_mm, self.at_mm)
        twin.rows, twin.first, twin.base = self.rows, self.first, self.base
        twin.offers, twin.extra = self.offers, self.extra
        twin.values = self.values.copy()
        ranks = {rank for rank, _ in (*caps.points, *caps.strips)}
        inner_mm = self.inner_mm
        for i in range(len(self.values)):
            row = self.row_at(i)
            if any(run.rank in ranks for run in row.runs):
                runs = tuple(tables.capped_runs(row, caps, inner_mm))
                fresh = np.empty(self.values.shape[1])
                tables.convolve(runs, self.base, self.base + len(fresh), fresh)
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
        return Cell(
            int(self.steps[i]), int(self.row[i]), self.group.inner, float(self.cost[i]), float(self.error[i])
        )


@dataclass(frozen=True, slots=True)
class _Combo:
    """One set of bearing points."""

    inner: tuple[bool, ...]
    four: Four
    windows: Windows
    """Least and greatest error of each searched seat."""


class Search:
    """One post against one set of tables: windows and entries are made once, then asked many times."""

    def __init__(self, task: Task, tables: Tables, angles: frozenset[float] = frozenset()) -> None:
        self.task = task
        self.tables = tables
        self.weights = tables.options.weights
        self.pull_mm = 4.0 * tables.options.preload_mm
        self.angles = angles
        self.combos: list[_Combo] = []
        self.groups: list[dict[bool, Group]] = [{} for _ in task.seats[1:]]
        self._make()

    # -------------------------------------------------------------- set-up

    def _make(self) -> None:
        task = self.task
        rod = task.rod_at_mm
        free = task.seats[1:]
        down = task.seats[0].at_mm
        windows: list[dict[bool, tuple[float, float]]] = [{}, {}, {}]
        kinds = [(False, True) if self._bears_inside(seat) else (False,) for seat in free]
        for inner in itertools.product(*kinds):
            points = [down]
            for seat, inside in zip(free, inner, strict=True):
                points.append(seat.place.inner_at_mm if inside and seat.place else seat.at_mm)
            from_rod = tuple((x - rod[0], y - rod[1]) for x, y in points)
            found = fourfold(from_rod, task.height_mm, self.pull_mm, task.allowed_mm, disk=task.disk)
            if found is None:
                continue
            self.combos.append(_Combo(inner, *found))
            for window, inside, (lo, hi) in zip(windows, inner, found[1], strict=True):
                old = window.get(inside, (lo, hi))
                window[inside] = min(lo, old[0]), max(hi, old[1])
        for i, seat in enumerate(free):
            for inside, (lo, hi) in windows[i].items():
                self.groups[i][inside] = self._group(seat, inside, lo, hi)

    def _bears_inside(self, seat: SeatTask) -> bool:
        return (
            seat.place is not None and self.tables.options.bearing_point == "auto" and seat.place.slope > 0.0
        )

    def _group(self, seat: SeatTask, inner: bool, lo_mm: float, hi_mm: float) -> Group:
        place, q = seat.place, self.tables.options.quantum_mm
        need = place.need_mm(inner) if place is not None else seat.bare_need_mm
        at = place.at_mm(inner) if place is not None else seat.at_mm
        group = Group(seat, inner, need, at)
        lo = max(1, math.ceil((need + lo_mm) / q - _DUST))
        hi = math.floor((need + hi_mm) / q + _DUST)
        if place is not None and hi >= lo:
            self.tables.grown(hi)
            self._fill(group, place, lo, hi)
        else:
            group.values = np.empty((0, 0))
        if not inner and seat.bare_need_mm + lo_mm <= _DUST:
            group.offers.append((0, BARE, 0.0))
        for k, offer in enumerate(seat.offers):
            if offer.inner == inner:
                group.offers.append((to_steps(offer.pack.made_mm, q), -2 - k, offer.cost))
        group.settle()
        return group

    def _fill(self, group: Group, place: Place, lo: int, hi: int) -> None:
        """Classes that bear at the group's point, with their bearing cost."""
        tables = self.tables
        corner = tables.options.bearing_point == "corner"
        slope = self.task.steepest if corner else place.slope
        if group.inner:
            rows, cheapest, sigma = tables.inner_table(place.inside_mm)
            n = 1 + int(np.searchsorted(sigma[1:], slope - _DUST))
            group.rows, group.first = rows, 0
            block, sigma = cheapest[:n, lo : hi + 1], sigma[:n]
        else:
            first = 0 if corner else int(np.searchsorted(tables.sigma, slope - _DUST))
            group.rows, group.first = tables.rows, first
            block, sigma = tables.cheapest[first:, lo : hi + 1], tables.sigma[first:]
        extra = np.abs(sigma - slope)
        extra *= place.inside_mm * self.weights.bearing_per_mm
        if tables.saws:
            for i in range(len(extra)):
                angle = group.row_at(i).saw_deg
                if angle is not None:
                    allowed = angle in self.angles
                    extra[i] += self.task.row_prices.get((place.seat, angle), 0.0) if allowed else math.inf
        group.base, group.extra = lo, extra
        group.values = block + extra[:, None]

    # -------------------------------------------------------------- the relaxed optimum

    def best(
        self, groups: Sequence[Mapping[bool, Group]], keep: int = 1, limit: float = math.inf
    ) -> list[Choice]:
        """The cheapest choices, best first, at most `keep` of them and none dearer than the limit.

        Ties within 1e-6 are all kept while the best is looked for, so that the rule can decide.
        """
        pool = Pool(keep, limit)
        lists = []
        entries = [{inside: self.entries(one) for inside, one in group.items()} for group in groups]
        for combo in self.combos:
            listed = [entries[i][inside] for i, inside in enumerate(combo.inner)]
            bound = sum(one.least for one in listed)
            if bound <= limit and bound < math.inf:
                lists.append((bound, combo, listed))
        lists.sort(key=lambda item: (item[0], item[1].inner))
        for bound, combo, listed in lists:
            if bound <= pool.limit:
                self._in_combo(combo, listed, pool)
        return pool.sorted()

    def entries(self, group: Group) -> Listed:
        """The entries of a group that exist, with their errors."""
        found = np.flatnonzero(group.best < math.inf)
        steps = group.steps[found]
        need = np.where(steps == 0, group.seat.bare_need_mm, group.need_mm)
        error = np.asarray(steps * self.tables.options.quantum_mm - need, dtype=np.float64)
        return Listed(group, steps, error, group.best[found], group.row[found])

    def _soft(self, x: Floats, y: Floats, q: Floats) -> Floats:
        """Cost of the rest itself."""
        if self.task.lean_only:
            return 1e6 * np.hypot(x, y) if self.task.disk else 1e6 * np.maximum(np.abs(x), np.abs(y))
        return (self.weights.rock / self.pull_mm) * np.abs(q) + (
            self.weights.residual / self.task.residual_mm
        ) * (np.abs(x) + np.abs(y))

    def _in_combo(self, combo: _Combo, listed: Sequence[Listed], pool: Pool) -> None:
        four = combo.four
        kept = []
        for one, (lo, hi) in zip(listed, combo.windows, strict=True):
            inside = (one.error >= lo - _DUST) & (one.error <= hi + _DUST)
            kept.append(one.only(inside))
        if self.task.lean_only:
            # The least lean is only told as the best that was found: thicknesses near the need do.
            kept = [one.only(np.argsort(np.abs(one.error), kind="stable")[:_NEAREST]) for one in kept]
        if not all(len(one.cost) for one in kept):
            return
        self._first_guess(four, kept, pool)
        least = [float(one.cost.min()) for one in kept]
        total = sum(least)
        for i, one in enumerate(kept):
            good = one.cost <= pool.limit - (total - least[i])
            kept[i] = one.only(good)
            if not len(kept[i].cost):
                return
        self._all_pairs(four, kept, pool)

    def _first_guess(self, four: Four, kept: Sequence[Listed], pool: Pool) -> None:
        """A small product of the cheapest and the nearest entries, so that a limit is there early."""
        chosen = []
        for one in kept:
            n = len(one.cost)
            if n <= 8:
                chosen.append(np.arange(n))
                continue
            near = np.abs(one.error)
            picks = np.concatenate((np.lexsort((near, one.cost))[:5], np.argsort(near, kind="stable")[:4]))
            chosen.append(np.unique(picks))
        a, b, c = np.meshgrid(*chosen, indexing="ij")
        self._offer(four, kept, (a.ravel(), b.ravel(), c.ravel()), pool)

    def _all_pairs(self, four: Four, kept: Sequence[Listed], pool: Pool) -> None:
        """Every pair of two seats with the stretch of third thicknesses that keeps the limits."""
        third = max(range(3), key=lambda i: (len(kept[i].cost), -i))
        i, j = (k for k in range(3) if k != third)
        one, two = kept[i], kept[j]
        order = np.argsort(kept[third].error, kind="stable")
        last = kept[third].only(order)
        cheapest = float(last.cost.min())
        a, b = np.nonzero(one.cost[:, None] + two.cost[None, :] <= pool.limit - cheapest)
        if not len(a):
            return
        x = four.x0 + four.x[i + 1] * one.error[a] + four.x[j + 1] * two.error[b]
        y = four.y0 + four.y[i + 1] * one.error[a] + four.y[j + 1] * two.error[b]
        q = four.n[i + 1] * one.error[a] + four.n[j + 1] * two.error[b]
        lo, hi = self._third_window(four, third + 1, x, y, q)
        start = np.searchsorted(last.error, lo - _DUST)
        stop = np.searchsorted(last.error, hi + _DUST, side="right")
        count = np.maximum(stop - start, 0)
        some = np.flatnonzero(count)
        if not len(some):
            return
        pair_cost = one.cost[a[some]] + two.cost[b[some]]
        some = some[np.argsort(pair_cost, kind="stable")]
        ends = np.cumsum(count[some])
        cuts = np.searchsorted(ends, np.arange(_CHUNK, int(ends[-1]) + _CHUNK, _CHUNK), side="left") + 1
        begin = 0
        for cut in np.unique(np.minimum(cuts, len(some))):
            part = some[begin:cut]
            begin = int(cut)
            if not len(part):
                continue
            if float(one.cost[a[part[0]]] + two.cost[b[part[0]]]) + cheapest > pool.limit:
                return
            pairs = np.repeat(part, count[part])
            offset = np.arange(len(pairs)) - np.repeat(np.cumsum(count[part]) - count[part], count[part])
            c = start[pairs] + offset
            ordered: list[Ints] = [a[pairs], b[pairs]]
            ordered.insert(third, c)
            seats = list(kept)
            seats[third] = last
            self._offer(four, seats, (ordered[0], ordered[1], ordered[2]), pool)

    def _third_window(self, four: Four, k: int, x: Floats, y: Floats, q: Floats) -> tuple[Floats, Floats]:
        """Least and greatest error of the third seat, for each pair, that keeps rock and lean."""
        lo, hi = _between(four.n[k], q, four.q_lo, four.q_hi)
        allowed = self.task.allowed_mm
        if not self.task.disk:
            for slope, at in ((four.x[k], x), (four.y[k], y)):
                low, high = _between(slope, at, -allowed, allowed)
                lo, hi = np.maximum(lo, low), np.minimum(hi, high)
            return lo, hi
        square = four.x[k] ** 2 + four.y[k] ** 2
        middle = -(four.x[k] * x + four.y[k] * y) / square
        off_line = (four.x[k] * y - four.y[k] * x) ** 2 / square
        half = np.sqrt(
            np.maximum(allowed * allowed + _DUST - off_line, -1.0),
            where=off_line <= allowed * allowed + _DUST,
            out=np.full(len(x), -math.inf),
        )
        half /= math.sqrt(square)
        return np.maximum(lo, middle - half), np.minimum(hi, middle + half)

    def _offer(self, four: Four, seats: Sequence[Listed], picks: tuple[Ints, Ints, Ints], pool: Pool) -> None:
        """Evaluate triples in full and hand those that count to the pool."""
        e = [one.error[pick] for one, pick in zip(seats, picks, strict=True)]
        x = four.x0 + four.x[1] * e[0] + four.x[2] * e[1] + four.x[3] * e[2]
        y = four.y0 + four.y[1] * e[0] + four.y[2] * e[1] + four.y[3] * e[2]
        q = four.n[1] * e[0] + four.n[2] * e[1] + four.n[3] * e[2]
        cost = seats[0].cost[picks[0]] + seats[1].cost[picks[1]] + seats[2].cost[picks[2]]
        cost = cost + self._soft(x, y, q)
        allowed = self.task.allowed_mm + _DUST
        ok = (cost <= pool.limit) & (q >= four.q_lo - _DUST) & (q <= four.q_hi + _DUST)
        if self.task.disk:
            ok &= x * x + y * y <= allowed * allowed
        else:
            ok &= (np.abs(x) <= allowed) & (np.abs(y) <= allowed)
        good = np.flatnonzero(ok)
        if not len(good):
            return
        for k in pool.worth_keeping(cost[good]):
            g = int(good[k])
            cells = tuple(one.cell(int(pick[g])) for one, pick in zip(seats, picks, strict=True))
            pool.add(float(cost[g]), cells, (float(x[g]), float(y[g])), float(q[g]))


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


def _between(slope: float, at: Floats, lo: float, hi: float) -> tuple[Floats, Floats]:
    """Range of e with lo <= at + slope·e <= hi."""
    if abs(slope) < 1e-12:
        fits = (at >= lo - _DUST) & (at <= hi + _DUST)
        return np.where(fits, -math.inf, math.inf), np.where(fits, math.inf, -math.inf)
    a, b = (lo - at) / slope, (hi - at) / slope
    return (a, b) if slope > 0 else (b, a)
