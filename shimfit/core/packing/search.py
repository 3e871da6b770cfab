"""The best packs for four seats of one post: every combination that could win is looked at, none other.

*Goal.* The cheapest choices of what stands at three seats; the fourth stays down (or is lifted by a fixed
pack). A choice costs its packs, which come from the tables, and the rest that they lead to (`rests`).

*Method.* A seat has one list of entries for each point it may bear at: a thickness, its error against the
need there, the cheapest class of pack that makes it. Then, for each set of bearing points:

1. Windows of errors, from the limits alone, cut the three lists.
2. A good answer from a few cheap and a few near entries; entries that can't beat it are dropped.
3. Pairs (a, b) of the two shorter lists whose packs leave room below the best answer. Each leaves the third
   seat the interval of errors that keeps lean and rock, cut to where rings say that the rest may still pay.
4. A pair's bound is its packs, the cheapest third entry in the interval and the ring that it lies in; pairs
   are looked at entry by entry, the most hopeful first, until no bound lies below the best answer.

*Exact*, because every bound is below what it stands for: for a box in which every seat has the pieces to
itself. `onebox` makes it exact for the one box there is.

*Example*, in round figures, not measured. At 1:500 on a 90 mm foot a window is some 0.4 mm, 40 entries:
64 000 triples. 1 600 pairs leave 600 with an interval; the rings leave 60, and some 100 triples are priced.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from shimfit.core.packing.pieces import to_steps
from shimfit.core.packing.rests import Combo, Four, RestCosts, error_windows, fourfold

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from shimfit.core.packing.pieces import Caps, Row
    from shimfit.core.packing.question import Place, SeatTask, Task
    from shimfit.core.packing.rests import Windows
    from shimfit.core.packing.tables import Tables

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]

TIE = 1e-6
"""Costs closer than this are equal; a rule decides between them."""
BARE = -1
"""Class of an entry without a pack; offers have -2, -3, …"""
_DUST = 1e-9
_SLACK = 1e-6
"""Windows are so much wider where it takes no more than a bound."""
_LEVELS = 6
"""Distances of a rest by which the bound of a lift is told apart."""
_HARDLY = 1e-7
"""Decides between like costs only."""
_NEAREST = 30
_FEW = 1000
"""Candidates looked at in one go at first; then twice as many each time."""
_CHUNK = 1 << 16
"""Third-seat candidates looked at in one go: keeps memory flat."""
_LIKELY = 48
"""Choices that are priced first where there are more: what the best of them costs rules most others out."""


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
    """Entries of one seat that bear at one point: R classes x T thicknesses, and the cheapest class of each.

    `offers` are (steps, class, cost) of a bare seat and of packs that may stay. `settle` fills in `steps`,
    `best` and `row` (T + offers,): each entry's thickness, least cost and class.
    """

    def __init__(self, seat: SeatTask, inner: bool) -> None:
        place = seat.place
        self.seat, self.inner = seat, inner
        self.need_mm = place.need_mm(inner) if place is not None else seat.bare_need_mm
        self.at_mm = place.at_mm(inner) if place is not None else seat.at_mm
        self.inner_mm = place.inside_mm if inner and place is not None else None
        """How far in thicknesses are told; None at the face."""
        self.rows: Sequence[Row] = ()
        self.base = 0
        """Thickness of the first column of values, in steps."""
        self.extra: Floats = np.empty(0)
        """(R,) bearing cost and price of each class, counted into the values."""
        self.values: Floats = np.empty((0, 0))
        """(R, T)."""
        self.offers: list[tuple[int, int, float]] = []

    def capped(self, tables: Tables, caps: Caps) -> Group:
        """A copy under caps.

        Tapered pieces are worked out again, and stacks of flats in a box of few sizes; of many they keep
        their values, which then are bounds that are raised as they come up (`raise_cell`).
        """
        twin = Group(self.seat, self.inner)
        twin.rows, twin.base, twin.offers, twin.extra = self.rows, self.base, self.offers, self.extra
        twin.values = self.values.copy()
        ranks = {cap[0] for cap in (*caps.points, *caps.strips, *caps.within)}
        fewer, stop = tables.fewer_flats(caps), self.base + self.values.shape[1]
        for i, row in enumerate(self.rows):
            if fewer is None and not any(run.rank in ranks for run in row.runs):
                continue
            if row.runs:
                runs = tables.capped_runs(row, caps, self.inner_mm)
                fresh = (fewer or tables).convolve(runs, self.base, stop)
            else:
                fresh = (fewer or tables).flats[self.base : stop]
            np.maximum(twin.values[i], fresh + self.extra[i], out=twin.values[i])
        twin.settle()
        return twin

    def settle(self) -> None:
        """Work out the cheapest class of every thickness, bare and offers last."""
        classes, count = self.values.shape
        row = self.values.argmin(axis=0) if classes else np.zeros(count, dtype=np.int64)
        best = self.values[row, np.arange(count)] if classes else np.full(count, math.inf)
        steps, code, cost = np.array(self.offers or np.empty((0, 3)), dtype=np.float64).T
        self.steps: Ints = np.concatenate((np.arange(self.base, self.base + count), steps.astype(np.int64)))
        self.best: Floats = np.concatenate((best, cost))
        self.row: Ints = np.concatenate((row, code.astype(np.int64)))

    def raise_cell(self, steps: int, row: int, pieces_cost: float) -> None:
        """A cell turned out dearer: set it and choose its thickness's class again."""
        j = steps - self.base
        self.values[row, j] = pieces_cost + self.extra[row]
        i = int(self.values[:, j].argmin())
        self.row[j], self.best[j] = i, self.values[i, j]

    def listed(self, quantum_mm: float) -> Listed:
        """The entries that exist, with their errors."""
        found = np.flatnonzero(self.best < math.inf)
        steps = self.steps[found]
        need = np.where(steps == 0, self.seat.bare_need_mm, self.need_mm)
        error = np.asarray(steps * quantum_mm - need, dtype=np.float64)
        return Listed(self, steps, error, self.best[found], self.row[found])


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
        self.found: dict[tuple[tuple[int, int, bool], ...], Choice] = {}

    def worth_keeping(self, cost: Floats) -> Iterable[int]:
        """Of new ones, those that can be among the kept, with all that tie."""
        chosen = np.arange(len(cost))
        if len(cost) > self.keep:
            chosen = np.flatnonzero(cost <= np.partition(cost, self.keep - 1)[self.keep - 1] + TIE)
        order: Sequence[int] = chosen[np.argsort(cost[chosen], kind="stable")].tolist()
        return order[: self.keep + 16]

    def add(self, choice: Choice) -> None:
        """Take a choice in, if it counts."""
        if choice.cost > self.limit:
            return
        self.found[tuple((cell.steps, cell.row, cell.inner) for cell in choice.cells)] = choice
        if len(self.found) >= self.keep:
            costs = sorted(item.cost for item in self.found.values())
            self.limit = min(self.limit, costs[self.keep - 1] + TIE)
            if len(self.found) > 2 * self.keep + 32:
                self.found = {k: v for k, v in self.found.items() if v.cost <= self.limit}

    def sorted(self) -> list[Choice]:
        """Best first; ties by thickness, class and bearing point."""
        within = (item for item in self.found.items() if item[1].cost <= self.limit)
        return [choice for _, choice in sorted(within, key=lambda item: (round(item[1].cost, 6), item[0]))]


# ---------------------------------------------------------------- the search


class Search:
    """One post against one set of tables: windows and entries are made once, then asked many times."""

    in_contact = True
    """All four supports carry: what a rest costs does not hang on what the packs are made of."""

    def __init__(
        self, task: Task, tables: Tables, angles: frozenset[float] = frozenset(), like: Search | None = None
    ) -> None:
        self.task, self.tables, self.angles = task, tables, angles
        self.costs = tables.options.costs
        self.pull_mm = 4.0 * tables.options.preload_mm
        self.groups: list[dict[bool, Group]] = [{} for _ in task.seats[1:]]
        self._make(like)

    # -------------------------------------------------------------- windows and entries

    def _make(self, like: Search | None) -> None:
        # What a rest costs hangs on the bearing points, not on how high the foot is lifted.
        self.rests: RestCosts = self._rests() if like is None else like.rests
        for i, seat in enumerate(self.task.seats[1:]):
            windows: dict[bool, list[tuple[float, float]]] = {}
            for combo in self.rests.combos:
                windows.setdefault(combo.inner[i], []).append(combo.windows[i])
            for inside, some in windows.items():
                lo, hi = min(low for low, _ in some), max(high for _, high in some)
                self.groups[i][inside] = self._group(seat, inside, lo, hi)

    def _rests(self) -> RestCosts:
        task, free = self.task, self.task.seats[1:]
        combos: list[Combo] = []
        variances = [self.scatter_mm2(seat) for seat in task.seats]
        kinds = [(False, True) if self._bears_inside(seat) else (False,) for seat in free]
        for inner in itertools.product(*kinds):
            points = [task.seats[0].at_mm]
            for seat, inside in zip(free, inner, strict=True):
                points.append(seat.place.inner_at_mm if inside and seat.place else seat.at_mm)
            from_rod = tuple((x - task.rod_at_mm[0], y - task.rod_at_mm[1]) for x, y in points)
            found = fourfold(from_rod, task.height_mm, self.pull_mm, task.allowed_mm, disk=task.disk)
            if found is None:
                continue
            four, limits = found
            seats_mm2 = [v[inside] for v, inside in zip(variances, (False, *inner), strict=True)]
            combos.append(Combo(inner, four, limits, task.outlook.covariance(four.x, four.y, seats_mm2)))
        return RestCosts(task, self.costs, self.pull_mm, combos)

    def scatter_mm2(self, seat: SeatTask) -> tuple[float, float]:
        """Variance of the thickness error of a place: at its face, and further in."""
        scatter = self.task.outlook.scatter
        slope = seat.place.slope if seat.place is not None else 0.0
        return scatter.seat_mm2(inner=False), scatter.seat_mm2(inner=True, gap_slope=slope)

    def _bears_inside(self, seat: SeatTask) -> bool:
        return (
            seat.place is not None and self.tables.options.bearing_point == "auto" and seat.place.slope > 0.0
        )

    def _group(self, seat: SeatTask, inner: bool, lo_mm: float, hi_mm: float) -> Group:
        """Classes that bear at a seat's point with their bearing cost, thicknesses with errors lo … hi."""
        tables, place, q = self.tables, seat.place, self.tables.options.quantum_mm
        group = Group(seat, inner)
        lo = max(1, math.ceil((group.need_mm + lo_mm) / q - _DUST))
        hi = math.floor((group.need_mm + hi_mm) / q + _DUST)
        if place is not None and hi >= lo:
            tables.grown(hi)
            group.base = lo
            group.rows, cheapest, group.extra = self._classes(place, inner)
            group.values = cheapest[:, lo : hi + 1] + group.extra[:, None]
        if not inner and seat.bare_need_mm + lo_mm <= _DUST:
            group.offers.append((0, BARE, 0.0))
        for k, offer in enumerate(seat.offers):
            if offer.inner == inner:
                group.offers.append((to_steps(offer.pack.made_mm, q), -2 - k, offer.cost))
        group.settle()
        return group

    def _classes(self, place: Place, inner: bool) -> tuple[Sequence[Row], Floats, Floats]:
        """Classes that bear at a place's point: (R,), their packs (R, length), what is added to each (R,)."""
        tables = self.tables
        corner = tables.options.bearing_point == "corner"
        slope = self.task.steepest if corner else place.slope
        rows, cheapest, sigma = tables.rows, tables.cheapest, tables.sigma
        some = slice(0 if corner else int(np.searchsorted(sigma, slope - _DUST)), None)
        if inner:
            rows, cheapest, sigma = tables.inner_table(place.inside_mm)
            some = slice(1 + int(np.searchsorted(sigma[1:], slope - _DUST)))
        extra = np.abs(sigma[some] - slope) * (place.inside_mm * self.costs.bearing_per_mm)
        if tables.saws:
            for i, row in enumerate(rows[some]):
                if row.saw_deg is not None:
                    price = self.task.row_prices.get((place.seat, row.saw_deg), 0.0)
                    extra[i] += price if row.saw_deg in self.angles else math.inf
        return rows[some], cheapest[some], extra

    # -------------------------------------------------------------- lifted

    def least_lifted(self, lifts: Ints) -> Floats:
        """What any answer costs at least when the whole foot is lifted by so many steps more (N, C).

        For each of the C sets of bearing points: the cheapest pack in each seat's window, all lifts at once,
        and what any rest there costs. Without what lifting and the pack under the seat that stays down cost.
        """
        combos = self.rests.combos
        least = np.tile(np.array(self.rests.floors), (len(lifts), 1))
        for i, groups in enumerate(self.groups):
            for inner in groups:
                those = [c for c, combo in enumerate(combos) if combo.inner[i] == inner]
                least[:, those] += self._least_in(i, inner, lifts, [combos[c].windows[i] for c in those])
        return least

    def closer_lifted(self, lifts: Ints, least: Floats, room: Floats) -> Floats:
        """`least_lifted` told closer where it leaves room (N,): apart for rests near by and ever further off.

        Near ones are cheap, but leave narrow windows for what the packs may be off by.
        """
        closer = least.copy()
        for c in np.flatnonzero((least < room[:, None]).any(axis=0)).tolist():
            some = np.flatnonzero(least[:, c] < room)
            levels = self._by_distance(c)
            each = np.tile([price for price, _ in levels], (len(some), 1))
            for i, inner in enumerate(self.rests.combos[c].inner):
                each += self._least_in(i, inner, lifts[some], [windows[i] for _, windows in levels])
            closer[some, c] = np.maximum(least[some, c], each.min(axis=1))
        return closer

    def _by_distance(self, c: int) -> list[tuple[float, Windows]]:
        """Of rests from near to far off: what they cost at least, and the windows of their errors."""
        combo, floor, rings = self.rests.combos[c], self.rests.floors[c], self.rests.rings(c)
        if rings is None:
            return [(floor, combo.windows)]
        levels = []
        ends = np.linspace(0, len(rings.radii) - 1, _LEVELS + 1).astype(int).tolist()
        for start, end in itertools.pairwise(ends):
            windows = combo.windows
            if end < ends[-1]:
                far = float(rings.radii[end]) * max(1.0, rings.wide)
                near = error_windows(combo.four, far, disk=True)
                one, two, three = (
                    (max(lo, low), min(hi, high)) for (lo, hi), (low, high) in zip(windows, near, strict=True)
                )
                windows = one, two, three
            levels.append((max(floor, float(rings.at_least(rings.radii[[start]])[0])), windows))
        return levels

    def _least_in(self, i: int, inner: bool, lifts: Ints, windows: Sequence[tuple[float, float]]) -> Floats:
        """Least cost of what may stand at a searched seat, for each lift and window of errors (N, W)."""
        seat, group, q = self.task.seats[1 + i], self.groups[i][inner], self.tables.options.quantum_mm
        up, (lo, hi) = lifts[:, None], np.array(windows).T
        cost = np.where((up * q + seat.bare_need_mm + lo <= _SLACK) & (not inner), 0.0, math.inf)
        if seat.place is not None:
            start = up + np.ceil((group.need_mm + lo) / q - _SLACK).astype(np.int64)
            stop = up + np.floor((group.need_mm + hi) / q + _SLACK).astype(np.int64) + 1
            start = np.maximum(start, 1)
            stop = np.maximum(stop, start + 1)
            first, last = int(start.min()), int(stop.max())
            self.tables.grown(last)
            _, packs, extra = self._classes(seat.place, inner)
            values = (packs[:, first:last] + extra[:, None]).min(axis=0, initial=math.inf)
            cost = np.minimum(cost, _least_between(values, start - first, stop - first))
        for offer in seat.offers:
            if offer.inner == inner:
                error = to_steps(offer.pack.made_mm, q) * q - group.need_mm - up * q
                near = (error >= lo - _SLACK) & (error <= hi + _SLACK)
                cost = np.where(near, np.minimum(cost, offer.cost), cost)
        return cost

    # -------------------------------------------------------------- the relaxed optimum

    def best(
        self, groups: Sequence[Mapping[bool, Group]], keep: int = 1, limit: float = math.inf
    ) -> list[Choice]:
        """The cheapest choices, best first, at most `keep` of them and none dearer than the limit.

        Ties within 1e-6 are all kept while the best is looked for, so that the rule can decide.
        """
        pool = Pool(keep, limit)
        q = self.tables.options.quantum_mm
        entries = [{inside: one.listed(q) for inside, one in group.items()} for group in groups]
        lists = []
        for c, combo in enumerate(self.rests.combos):
            listed = [entries[i][inside] for i, inside in enumerate(combo.inner)]
            bound = sum(one.least for one in listed) + self.rests.floors[c]
            if bound <= limit and bound < math.inf:
                lists.append((bound, combo.inner, c, listed))
        lists.sort(key=lambda item: item[:2])
        for bound, _, c, listed in lists:
            if bound <= pool.limit:
                self._in_combo(c, listed, pool)
        return pool.sorted()

    def _in_combo(self, c: int, listed: Sequence[Listed], pool: Pool) -> None:
        kept = []
        for one, (lo, hi) in zip(listed, self.rests.combos[c].windows, strict=True):
            some = one.only((one.error >= lo - _DUST) & (one.error <= hi + _DUST))
            if self.task.lean_only:
                # The least lean is only told as the best that was found: thicknesses near the need do.
                some = some.only(np.argsort(np.abs(some.error), kind="stable")[:_NEAREST])
            kept.append(some)
        if not all(len(one.cost) for one in kept):
            return
        if not pool.found:
            self._first_guess(c, kept, pool)
        least = [one.least for one in kept]
        total = sum(least) + self.rests.floors[c]
        kept = [
            one.only(one.cost <= pool.limit - (total - mine)) for one, mine in zip(kept, least, strict=True)
        ]
        if all(len(one.cost) for one in kept):
            self._all_pairs(c, kept, pool)

    def _first_guess(self, c: int, kept: Sequence[Listed], pool: Pool) -> None:
        """A small product of the cheapest and the nearest entries, so that a limit is there early."""
        chosen = []
        for one in kept:
            some = np.arange(len(one.cost))
            if len(some) > 8:
                near = np.abs(one.error)
                cheapest = np.argsort(one.cost + _HARDLY * near, kind="stable")[:5].tolist()
                some = np.array(sorted({*cheapest, *np.argsort(near, kind="stable")[:4].tolist()}))
            chosen.append(some)
        i, j, k = _triples(len(chosen[0]), len(chosen[1]), len(chosen[2]))
        self._offer(c, kept, (chosen[0][i], chosen[1][j], chosen[2][k]), pool)

    def _all_pairs(self, c: int, kept: Sequence[Listed], pool: Pool) -> None:
        """Every pair of two seats with the stretch of third thicknesses that may still win."""
        four, floor = self.rests.combos[c].four, self.rests.floors[c]
        third = max(range(3), key=lambda i: (len(kept[i].cost), -i))
        i, j = (k for k in range(3) if k != third)
        one, two = kept[i], kept[j]
        last = kept[third].only(np.argsort(kept[third].error, kind="stable"))
        cheapest = last.least
        a, b = np.nonzero(one.cost[:, None] + two.cost[None, :] <= pool.limit - cheapest - floor)
        at_a, at_b = one.error[a], two.error[b]
        x = four.x0 + four.x[i + 1] * at_a + four.x[j + 1] * at_b
        y = four.y0 + four.y[i + 1] * at_a + four.y[j + 1] * at_b
        q = four.n[i + 1] * at_a + four.n[j + 1] * at_b
        lo, hi = self._third_window(four, third + 1, x, y, q)
        start, stop = _inside(last.error, lo, hi)
        some = np.flatnonzero(stop > start)
        if not len(some):
            return
        a, b, x, y, q, lo, hi, start, stop = _picked(some, a, b, x, y, q, lo, hi, start, stop)
        packs = one.cost[a] + two.cost[b]
        rings = self.rests.rings(c, int((stop - start).sum()))
        if rings is None:
            rest = np.maximum(self.rests.least_between(c, third + 1, (x, y, q), (lo, hi)), floor)
        else:
            step, middle, off = rings.line(third + 1, x, y)
            far = rings.no_further(pool.limit - cheapest - packs)
            with np.errstate(invalid="ignore"):
                half = np.sqrt((far * far - off) / step)  # not a number where nothing is near enough
            lo, hi = np.maximum(lo, middle - half), np.minimum(hi, middle + half)
            beside = np.minimum(np.maximum(middle, lo), hi) - middle
            lo, hi = np.where(np.isnan(half), math.inf, lo), np.where(np.isnan(half), -math.inf, hi)
            start, stop = _inside(last.error, lo, hi)
            some = np.flatnonzero(stop > start)
            a, b, packs, start, stop = _picked(some, a, b, packs, start, stop)
            rest = np.maximum(rings.at_least(np.sqrt(off + step * beside * beside)[some]), floor)
        if not len(a):
            return
        bound = packs + _least_between(last.cost, start, stop) + rest
        order = np.argsort(bound, kind="stable")
        a, b, bound, start, count = _picked(order, a, b, bound, start, stop - start)
        ends = np.cumsum(count)
        begin, size = 0, _FEW
        while begin < len(bound) and bound[begin] <= pool.limit:
            # The most hopeful first: what they lead to rules the others out.
            spent = ends[begin - 1] if begin else 0
            until = max(begin + 1, int(np.searchsorted(ends, spent + size)))
            until = min(until, int(np.searchsorted(bound, pool.limit, side="right")))
            n, part = count[begin:until], slice(begin, until)
            begin, size = until, min(2 * size, _CHUNK)
            offset = np.arange(int(n.sum())) - np.repeat(np.cumsum(n) - n, n)
            picks = [np.repeat(a[part], n), np.repeat(b[part], n)]
            picks.insert(third, np.repeat(start[part], n) + offset)
            seats = list(kept)
            seats[third] = last
            self._offer(c, seats, picks, pool)

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
        room = allowed * allowed + _DUST - (four.x[k] * y - four.y[k] * x) ** 2 / square
        half = np.where(room >= 0.0, np.sqrt(np.maximum(room, 0.0) / square), -math.inf)
        return np.maximum(lo, middle - half), np.minimum(hi, middle + half)

    def _offer(self, c: int, seats: Sequence[Listed], picks: Sequence[Ints], pool: Pool) -> None:
        """Evaluate triples (N,) and hand those that count to the pool, the most hopeful first."""
        four, rings = self.rests.combos[c].four, self.rests.rings(c, len(picks[0]))
        packs = np.sum([one.cost[pick] for one, pick in zip(seats, picks, strict=True)], axis=0)
        e = [one.error[pick] for one, pick in zip(seats, picks, strict=True)]
        x = four.x0 + four.x[1] * e[0] + four.x[2] * e[1] + four.x[3] * e[2]
        y = four.y0 + four.y[1] * e[0] + four.y[2] * e[1] + four.y[3] * e[2]
        q = four.n[1] * e[0] + four.n[2] * e[1] + four.n[3] * e[2]
        ok = (q >= four.q_lo - _DUST) & (q <= four.q_hi + _DUST) & self.allows(x, y)
        bound = packs + (self.rests.floors[c] if rings is None else rings.at_least(rings.off(x, y)))
        good = np.flatnonzero(ok & (bound <= pool.limit))
        parts = [good]
        if rings is not None and len(good) > 2 * _LIKELY:
            good = good[np.argsort(bound[good], kind="stable")]
            parts = [good[:_LIKELY], good[_LIKELY:]]
        for part in parts:
            good = part[bound[part] <= pool.limit]
            if len(good):
                total = packs[good] + self.rests.at(c, x[good], y[good], q[good])
                self.keep(seats, [pick[good] for pick in picks], total, (x[good], y[good], q[good]), pool)

    def allows(self, x: Floats, y: Floats) -> NDArray[np.bool_]:
        """Which leans left over are within what is allowed."""
        allowed = self.task.allowed_mm + _DUST
        if self.task.disk:
            return np.asarray(x * x + y * y <= allowed * allowed)
        return np.asarray((np.abs(x) <= allowed) & (np.abs(y) <= allowed))

    def keep(
        self,
        seats: Sequence[Listed],
        picks: Sequence[Ints],
        cost: Floats,
        rest: tuple[Floats, Floats, Floats],
        pool: Pool,
    ) -> None:
        """Hand those that count to the pool; picks: each seat's entries, rest: (along, across, rock)."""
        fine = np.flatnonzero(cost <= pool.limit)
        down = Cell(0, BARE, False, 0.0, 0.0)
        for k in pool.worth_keeping(cost[fine]):
            j = int(fine[k])
            cells = (one.cell(int(pick[j])) for one, pick in zip(seats, picks, strict=True))
            x, y, rock = (float(part[j]) for part in rest)
            pool.add(Choice(float(cost[j]), (down, *cells), (x, y), rock))


def _picked(which: Ints, *arrays: Any) -> Any:
    return (one[which] for one in arrays)


def _inside(error: Floats, lo: Floats, hi: Floats) -> tuple[Ints, Ints]:
    """First entry and the one after the last of each interval of errors; the errors are sorted."""
    return np.searchsorted(error, lo - _DUST), np.searchsorted(error, hi + _DUST, side="right")


def _least_between(cost: Floats, start: Ints, stop: Ints) -> Floats:
    """Least of cost[start:stop], none of them empty: two look-ups in minima over 1, 2, 4, … entries."""
    levels, step = [cost], 1
    while 2 * step <= len(cost):
        wider = levels[-1].copy()
        np.minimum(wider[:-step], levels[-1][step:], out=wider[:-step])
        levels.append(wider)
        step *= 2
    level = np.frexp(stop - start)[1] - 1
    table = np.stack(levels)
    return np.asarray(np.minimum(table[level, start], table[level, stop - (1 << level)]), dtype=np.float64)


@lru_cache(maxsize=1024)
def _triples(a: int, b: int, c: int) -> tuple[Ints, Ints, Ints]:
    """All triples of indices below a, b and c, as three columns."""
    i, j, k = np.indices((a, b, c)).reshape(3, -1)
    return i, j, k


def _between(slope: float, at: Floats, lo: float, hi: float) -> tuple[Floats, Floats]:
    """Range of e with lo <= at + slope·e <= hi."""
    if abs(slope) < 1e-12:
        fits = (at >= lo - _DUST) & (at <= hi + _DUST)
        return np.where(fits, -math.inf, math.inf), np.where(fits, math.inf, -math.inf)
    a, b = (lo - at) / slope, (hi - at) / slope
    return (a, b) if slope > 0 else (b, a)
