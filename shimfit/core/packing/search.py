"""The best packs for four seats of one post: every combination that could win is looked at, none other.

*Goal.* The cheapest choices of what stands at three seats; the fourth stays down (or is lifted by a fixed
pack). A choice costs its packs, which come from the tables, and the rest that they lead to (`rests`).

*Arrays.* A seat has one list of N entries for each point that it may bear at, by error: steps, error (mm,
against the need there), cost and row (class of pack), all (N,). With errors a, b, f of the three seats and
the maps of their bearing points (`rests.Four`), the rest is x = x0 + x1 a + x2 b + x3 f, y alike, its rock
n1 a + n2 b + n3 f. Pairs and triples are laid out flat: (P,) places in two lists, (P,) the first of the
third's list and the one after the last.

*Method.* Choices no dearer than a level: first hardly above the bound (the cheapest packs in reach of each
seat and what any rest costs), then further where there are none. For each set of bearing points:

1. What the level leaves for the rest beside the cheapest packs tells how far off it may be: a box. It cuts
   windows of errors out of the lists, and the cheapest packs in these cut the box once more.
2. Entries are dropped that cost more than the level leaves. All triples of what is left are priced, if few.
3. Else pairs of the two shorter lists, each with the stretch of third thicknesses that keeps rock, lean and
   box; the most hopeful first, until no pair's bound lies below the best.

*Exact*, because every bound is below what it stands for, and nothing below the level is left out: for a box
in which every seat has the pieces to itself. `onebox` makes it exact for the one box there is.

*One post and many.* `planning.search` finds the same for a whole run in one go. Asked for one post it takes
four times as long at 200 lots and seven times at 30 (8.3 and 14.4 ms against 1.9 and 2.0, lists and prices
included, the same answers for 100 leans): what it lays out pays for thousands. Hence two loops, over the same
tables and chances.

*Example.* Lists of 51, 97 and 104 entries at 1:500 on a 90 mm foot, bound 11.70 minutes: at a level of 11.76
the rest may be off by 0.1 mm, 4 947 pairs leave the third seat 387 entries in all, and the best costs 11.73.
"""

from __future__ import annotations

import copy
import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from shimfit.core.packing.pieces import to_steps
from shimfit.core.packing.rests import Box, Combo, Four, RestCosts, combos_of, error_windows
from shimfit.core.packing.tables import least_of, range_minima
from shimfit.values import dataclass

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from shimfit.core.packing.pieces import Caps, Row
    from shimfit.core.packing.question import SeatTask, Task
    from shimfit.core.packing.tables import Tables
    from shimfit.model import Pack

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]

TIE = 1e-6
"""Costs closer than this are equal; a rule decides between them."""
BARE = -1
"""Class of an entry without a pack; offers have -2, -3, …"""
_DUST = 1e-9
_SLACK = 1e-6
"""Windows are so much wider where it takes no more than a bound."""
_STEPS = (0.12, 1.4, 4.0, 8.0, math.inf)
"""How far above its bound the search looks, in pieces: first, and then where there is nothing."""
_BRANCHED_STEPS = (4.0, math.inf)
"""The same where somebody goes without what is short: there rarely is anything near the bound."""
_AT_ONCE = 6.0
"""A limit no further above it, in pieces, is looked up to in one go where a screen shows an answer."""
_ALL = 4096
"""Triples up to which all are looked at; else pairs with their stretch of third thicknesses."""
_NEAREST = 30
_FEW = 1000
"""Candidates looked at in one go at first; then twice as many each time."""
_CHUNK = 1 << 16
"""Third-seat candidates looked at in one go: keeps memory flat."""


class Cell(NamedTuple):
    """One entry of a seat: a thickness and the class of pack that makes it."""

    steps: int
    row: int
    inner: bool
    cost: float
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

    `offers` are (steps, class, cost) of a bare seat and of packs that may stay.
    """

    def __init__(self, seat: SeatTask, inner: bool, quantum_mm: float) -> None:
        place = seat.place
        self.seat, self.inner, self.quantum_mm = seat, inner, quantum_mm
        self.need_mm = place.need_mm(inner) if place is not None else seat.bare_need_mm
        self.at_mm = place.at_mm(inner) if place is not None else seat.at_mm
        self.inner_mm = place.inside_mm if inner and place is not None else None
        """How far in thicknesses are measured; None at the face."""
        self.rows: Sequence[Row] = ()
        self.base = 0
        """Thickness of the first column of values, in steps."""
        self.values: Floats = np.empty((0, 0))
        """(R, T)."""
        self.least: Floats | None = None
        """(T,) the least of each column; None where it is not known."""
        self.offers: list[tuple[int, int, float]] = []
        self._listed: Listed | None = None

    def capped(self, tables: Tables, caps: Caps) -> Group:
        """A copy under caps.

        Tapered pieces are worked out again, and stacks of flats in a box of few sizes; of many they keep
        their values, which then are bounds that are raised as they come up (`raise_cell`).
        """
        twin = copy.copy(self)
        made_of = [[tables.rank[lot] for lot in offer.lots] for offer in self.seat.offers]
        twin.offers = [one for one in self.offers if one[1] == BARE or caps.leave(made_of[-2 - one[1]])]
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
            np.maximum(twin.values[i], fresh, out=twin.values[i])
        twin.forget()
        return twin

    def forget(self) -> None:
        """Values have changed: what follows is worked out anew."""
        self.least, self._listed = None, None

    @property
    def _least(self) -> Floats:
        """(T,) the cheapest of each thickness."""
        if self.least is None:
            self.least = self.values.min(axis=0, initial=math.inf)
        return self.least

    @property
    def cheapest(self) -> float:
        """Cost of the cheapest entry; infinite when there is none."""
        least = float(self._least.min(initial=math.inf))
        return min(least, *(price for _, _, price in self.offers)) if self.offers else least

    @property
    def listed(self) -> Listed:
        """The entries that exist: the cheapest pack of every thickness, bare and offers, by error."""
        if self._listed is None:
            self._listed = self._list()
        return self._listed

    def _list(self) -> Listed:
        found = (self._least < math.inf).nonzero()[0]
        steps, cost, row = found + self.base, self._least[found], np.zeros(found.size, dtype=np.int64)
        error = np.asarray(steps * self.quantum_mm - self.need_mm, dtype=np.float64)
        if self.offers:
            some, code, price = np.array(self.offers, dtype=np.float64).T
            off = some * self.quantum_mm - np.where(some == 0, self.seat.bare_need_mm, self.need_mm)
            error = np.concatenate((error, off))
            order = error.argsort(kind="stable")
            error = error[order]
            steps = np.concatenate((steps, some.astype(np.int64)))[order]
            row = np.concatenate((row, code.astype(np.int64)))[order]
            cost = np.concatenate((cost, price))[order]
        return Listed(self, steps, error, cost, row)

    def raise_cell(self, steps: int, row: int, cost: float) -> None:
        """A cell turned out dearer: set it and choose its thickness's class again."""
        self.values = self.values.copy()  # it may be a part of the tables'
        self.values[row, steps - self.base] = cost
        self.forget()


class Listed:
    """Entries of a group, or some of them: all (N,), by error."""

    __slots__ = ("_numbers", "cost", "error", "group", "row", "steps")

    def __init__(self, group: Group, steps: Ints, error: Floats, cost: Floats, row: Ints) -> None:
        """row: 0 for packs; a bare seat and offers have less."""
        self.group, self.steps, self.error, self.cost, self.row = group, steps, error, cost, row
        self._numbers: tuple[list[float], list[float]] | None = None

    @property
    def numbers(self) -> tuple[list[float], list[float]]:
        """Errors and costs as plain numbers: a handful is looked at sooner than numpy is called."""
        if self._numbers is None:
            self._numbers = self.error.tolist(), self.cost.tolist()
        return self._numbers

    def between(self, lo_mm: float, hi_mm: float) -> Span:
        """The entries with an error in a window."""
        return Span(self, 0, self.error.size, math.inf).between(lo_mm, hi_mm)

    def only(self, which: NDArray[np.bool_] | Ints | slice) -> Listed:
        """The entries that are picked, in that order."""
        return Listed(self.group, self.steps[which], self.error[which], self.cost[which], self.row[which])

    def cell(self, i: int) -> Cell:
        """One entry as a cell, with the cheapest class of its thickness."""
        steps, row, group = int(self.steps[i]), int(self.row[i]), self.group
        if row >= 0:
            row = int(group.values[:, steps - group.base].argmin())
        return Cell(steps, row, group.inner, float(self.cost[i]), float(self.error[i]))


class Span(NamedTuple):
    """A stretch of a list: the entries with an error in a window."""

    listed: Listed
    start: int
    stop: int
    least: float
    """Cost of the cheapest; infinite when there is none."""

    def between(self, lo_mm: float, hi_mm: float) -> Span:
        """Those with an error in a window too."""
        errors, costs = self.listed.numbers
        start = bisect_left(errors, lo_mm - _DUST, self.start, self.stop)
        stop = bisect_right(errors, hi_mm + _DUST, start, self.stop)
        return Span(self.listed, start, stop, min(costs[start:stop], default=math.inf))

    def up_to(self, most: float) -> Listed:
        """Those that cost no more."""
        cost = self.listed.cost[self.start : self.stop]
        return self.listed.only((cost <= most).nonzero()[0] + self.start)


def whole(listed: Listed) -> Span:
    """All of a list."""
    _, costs = listed.numbers
    return Span(listed, 0, len(costs), min(costs, default=math.inf))


class Pool:
    """The cheapest choices so far. `limit`: what a further one must not exceed to count."""

    def __init__(self, keep: int, limit: float) -> None:
        self.keep = keep
        self.limit = limit
        self.found: dict[tuple[tuple[int, int, bool], ...], Choice] = {}

    def worth_keeping(self, cost: Floats) -> Sequence[int]:
        """Of new ones, those that can be among the kept, with all that tie; the cheapest first."""
        most = self.limit
        if cost.size > self.keep:
            last = cost.min() if self.keep == 1 else np.partition(cost, self.keep - 1)[self.keep - 1]
            most = min(most, float(last) + TIE)
        chosen = (cost <= most).nonzero()[0]
        if chosen.size > 1:
            chosen = chosen[cost[chosen].argsort(kind="stable")][: self.keep + 16]
        found: Sequence[int] = chosen.tolist()
        return found

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

    @property
    def spent(self) -> bool:
        """The question has cost its share of contact problems, and more would be needed."""
        return not self.in_contact and self.task.work.spent

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
        task = self.task
        rod_x, rod_y = task.rod_at_mm
        places = []
        for i, seat in enumerate(task.seats):
            points = [seat.at_mm]
            if i and seat.place is not None and self._bears_inside(seat):
                points.append(seat.place.inner_at_mm)
            places.append(tuple((x - rod_x, y - rod_y) for x, y in points))
        combos, squares, which = combos_of(
            tuple(places), task.height_mm, self.pull_mm, task.allowed_mm, disk=task.disk
        )
        seats_mm2 = np.array([self.scatter_mm2(seat) for seat in task.seats])
        from_seats = (squares * seats_mm2[range(len(places)), which][:, None]).sum(axis=2)
        return RestCosts(task, self.costs, self.pull_mm, combos, from_seats + task.acceptance.base_mm2)

    def chance_of(self, packs: Iterable[Pack], top_mm: tuple[float, float]) -> float:
        """The chance that the objective counts of packs that leave the top there; 0 where all can't carry."""
        rod_x, rod_y = self.task.rod_at_mm
        bears_mm = {pack.seat: (pack.bears_at_mm[0] + rod_x, pack.bears_at_mm[1] + rod_y) for pack in packs}
        inner = tuple(math.dist(bears_mm.get(s.seat, s.at_mm), s.at_mm) > _SLACK for s in self.task.seats[1:])
        c = next((c for c, combo in enumerate(self.rests.combos) if combo.inner == inner), None)
        return 0.0 if c is None else float(self.rests.chances.at(c, [top_mm[0]], [top_mm[1]])[0])

    def scatter_mm2(self, seat: SeatTask) -> tuple[float, float]:
        """Variance of the thickness error of a place: at its face, and further in."""
        scatter = self.task.acceptance.scatter
        slope = seat.place.slope if seat.place is not None else 0.0
        return scatter.seat_mm2(inner=False), scatter.seat_mm2(inner=True, gap_slope=slope)

    def _bears_inside(self, seat: SeatTask) -> bool:
        return (
            seat.place is not None and self.tables.options.bearing_point == "auto" and seat.place.slope > 0.0
        )

    def _group(self, seat: SeatTask, inner: bool, lo_mm: float, hi_mm: float) -> Group:
        """Classes that bear at a seat's point, thicknesses with errors lo … hi."""
        tables, place, q = self.tables, seat.place, self.tables.options.quantum_mm
        group = Group(seat, inner, q)
        lo, hi = 1, 0
        if place is not None:
            lo = max(1, math.ceil((group.need_mm + lo_mm) / q - _DUST))
            hi = math.floor((group.need_mm + hi_mm) / q + _DUST)
        if place is not None and hi >= lo:
            classes = tables.grown(hi).classes(place, self.angles, inner=inner)
            group.base, group.rows = lo, classes.rows
            group.values, group.least = classes.packs[:, lo : hi + 1], classes.least[lo : hi + 1]
        if not inner and seat.bare_need_mm + lo_mm <= _DUST:
            group.offers.append((0, BARE, 0.0))
        for k, offer in enumerate(seat.offers):
            if offer.inner == inner:
                group.offers.append((to_steps(offer.pack.made_mm, q), -2 - k, offer.cost))
        return group

    # -------------------------------------------------------------- lifted

    def least_lifted(self, lifts: Ints) -> Floats:
        """What any answer costs at least when the whole foot is lifted by so many steps more (N,).

        For the best set of bearing points: the cheapest pack in each seat's window, all lifts at once, and
        what any rest there costs. Without what lifting and the pack under the seat that stays down cost.
        """
        least = np.tile(self.rests.floors, (len(lifts), 1))
        for i, groups in enumerate(self.groups):
            for inside in groups:
                those = [c for c, combo in enumerate(self.rests.combos) if combo.inner[i] == inside]
                if those:
                    lo, hi = np.array([self.rests.combos[c].windows[i] for c in those]).T
                    least[:, those] += self._least_in(i, inside, lifts, lo, hi)
        return np.asarray(least.min(axis=1, initial=math.inf))

    def _least_in(self, i: int, inner: bool, lifts: Ints, lo: Floats, hi: Floats) -> Floats:
        """Least cost of what may stand at a searched seat, for each lift and window of errors (N, W)."""
        seat, group, q = self.task.seats[1 + i], self.groups[i][inner], self.tables.options.quantum_mm
        up, need_mm, bare_mm = lifts[:, None], group.need_mm, math.inf if inner else seat.bare_need_mm
        # In steps, as far as a lift of no steps goes.
        cost = np.where(up <= (_SLACK - bare_mm - lo) / q, 0.0, math.inf)
        if seat.place is not None:
            start = np.maximum(up + np.ceil((need_mm + lo) / q - _SLACK).astype(np.int64), 1)
            stop = up + np.floor((need_mm + hi) / q + _SLACK).astype(np.int64) + 1
            stop = np.maximum(stop, start + 1)
            classes = self.tables.grown(int(stop.max())).classes(seat.place, self.angles, inner=inner)
            cost = np.minimum(cost, classes.least_between(start, stop))
        if seat.to_measure:
            cost = np.minimum(cost, 0.0)
        for offer in seat.offers:
            if offer.inner == inner:
                error = to_steps(offer.pack.made_mm, q) * q - group.need_mm - up * q
                near = (error >= lo - _SLACK) & (error <= hi + _SLACK)
                cost = np.where(near, np.minimum(cost, offer.cost), cost)
        return cost

    # -------------------------------------------------------------- the relaxed optimum

    def best(
        self,
        groups: Sequence[Mapping[bool, Group]],
        keep: int = 1,
        limit: float = math.inf,
        least: float = -math.inf,
    ) -> list[Choice]:
        """The cheapest choices, best first, at most `keep` of them and none dearer than the limit.

        least: none is cheaper, where more is known than the groups tell. Looked for below a limit that grows
        from what no choice is cheaper than until enough are found: most posts have one hardly above it. Ties
        within 1e-6 are all kept, so that the rule can decide.
        """
        bounds, combos = [], self.rests.combos
        one, two, three = ({inside: some.cheapest for inside, some in group.items()} for group in groups)
        for c, combo in enumerate(combos):
            a, b, f = combo.inner
            bounds.append((one[a] + two[b] + three[f] + self.rests.floors[c], combo.inner, c))
        bounds.sort()
        lists: dict[int, list[Span]] = {}
        steps = _STEPS if least == -math.inf else _BRANCHED_STEPS
        least = max(least, bounds[0][0]) if bounds else math.inf
        levels = [least + step * self.costs.piece for step in steps]
        if self.task.likely_cost > least:
            near = limit < least + _AT_ONCE * self.costs.piece
            levels = [limit] if near else [self.task.likely_cost + self.costs.piece, *levels[2:]]
        for level in levels[-1:] if self.task.lean_only else levels:
            level = min(limit, level)  # noqa: PLW2901
            pool = Pool(keep, level)
            for bound, _, c in bounds:
                if not bound <= pool.limit or bound == math.inf:
                    break
                if c not in lists:
                    lists[c] = self._within(groups, combos[c])
                self._in_combo(c, lists[c], pool)
            if pool.limit < level or level >= limit:
                break
        return pool.sorted()

    def _within(self, groups: Sequence[Mapping[bool, Group]], combo: Combo) -> list[Span]:
        """The entries of each seat that its window of errors leaves."""
        found = []
        for group, inside, window in zip(groups, combo.inner, combo.windows, strict=True):
            one = group[inside].listed.between(*window)
            if self.task.lean_only:
                # The least lean is only reported as the best that was found: thicknesses near the need do.
                near = np.argsort(np.abs(one.listed.error[one.start : one.stop]), kind="stable")[:_NEAREST]
                one = whole(one.listed.only(np.sort(near) + one.start))
            found.append(one)
        return found

    def _paying(self, c: int, spans: Sequence[Span], limit: float) -> tuple[list[Listed], Box | None] | None:
        """What of each list may be in a choice up to the limit, and the box of its rests; None if none."""
        floor = self.rests.floors[c]
        room = limit - sum(one.least for one in spans)
        if not room >= floor:
            return None
        box = self.rests.box(c, room)
        if box is not None:
            # What the packs leave for the rest tells how far off it may be, and so which packs.
            windows = error_windows(self.rests.combos[c].four, box)
            spans = [one.between(*window) for one, window in zip(spans, windows, strict=True)]
            room = limit - sum(one.least for one in spans)
            if not room >= floor:
                return None
            box = self.rests.box(c, room)
        return [one.up_to(one.least + room - floor) for one in spans], box

    def _in_combo(self, c: int, spans: Sequence[Span], pool: Pool) -> None:
        """Every choice of one set of bearing points that is no dearer than the pool's limit."""
        found = self._paying(c, spans, pool.limit)
        if found is None:
            return
        kept, box = found
        one, two, three = (one.cost for one in kept)
        if one.size * two.size * three.size > _ALL:
            self._all_pairs(c, kept, box, pool)
        else:
            packs = one[:, None, None] + two[:, None] + three
            self._offer(c, kept, (packs <= pool.limit - self.rests.floors[c]).nonzero(), pool)

    def _all_pairs(self, c: int, kept: Sequence[Listed], box: Box | None, pool: Pool) -> None:
        """Every pair of two seats with the stretch of third thicknesses that may still win."""
        combo, floor = self.rests.combos[c], self.rests.floors[c]
        third = max(range(3), key=lambda i: (len(kept[i].cost), -i))
        others = [k for k in range(3) if k != third]
        one, two, last = *(kept[k] for k in others), kept[third]
        least = float(last.cost.min(initial=math.inf))
        a, b = (one.cost[:, None] + two.cost <= pool.limit - least - floor).nonzero()
        rest = combo.rests(np.array((one.error.take(a), two.error.take(b))), others)
        lo, hi = self._third_window(combo.four, third + 1, rest, box)
        start, stop = _inside(last.error, lo, hi)
        some = (stop > start).nonzero()[0]
        if not some.size:
            return
        a, b, start, stop = a[some], b[some], start[some], stop[some]
        bound = one.cost[a] + two.cost[b] + least_of(range_minima(last.cost), start, stop) + floor
        order = bound.argsort(kind="stable")
        a, b, bound, start, count = a[order], b[order], bound[order], start[order], (stop - start)[order]
        ends = count.cumsum()
        before, begin, size = pool.limit, 0, _FEW
        while begin < len(bound) and bound[begin] <= pool.limit:
            # The most hopeful first: what they lead to rules the others out.
            spent = ends[begin - 1] if begin else 0
            if begin and pool.limit < before and ends[-1] - spent > _ALL:
                # Far fewer rests may pay now.
                self._in_combo(c, [whole(one) for one in kept], pool)
                return
            until = max(begin + 1, int(np.searchsorted(ends, spent + size)))
            until = min(until, int(np.searchsorted(bound, pool.limit, side="right")))
            n, part = count[begin:until], slice(begin, until)
            begin, size = until, min(2 * size, _CHUNK)
            offset = np.arange(int(n.sum())) - (n.cumsum() - n).repeat(n)
            picks = [a[part].repeat(n), b[part].repeat(n)]
            picks.insert(third, start[part].repeat(n) + offset)
            self._offer(c, kept, picks, pool)

    def _third_window(self, four: Four, k: int, rest: Floats, box: Box | None) -> tuple[Floats, Floats]:
        """Least and greatest error of the third seat, for each pair, that keeps rock, lean and the box."""
        x, y, q = rest
        lo, hi = _between(four.n[k], q, four.q_lo, four.q_hi)
        allowed, dx, dy = self.task.allowed_mm, four.x[k], four.y[k]
        limits = [] if self.task.disk else [(dx, x, allowed), (dy, y, allowed)]
        if box is not None:
            limits.append((box.cos * dx + box.sin * dy, box.cos * x + box.sin * y, box.u_mm))
            limits.append((box.cos * dy - box.sin * dx, box.cos * y - box.sin * x, box.v_mm))
        for slope, at, most in limits:
            low, high = _between(slope, at, -most, most)
            lo, hi = np.maximum(lo, low), np.minimum(hi, high)
        if self.task.disk and (box is None or math.hypot(box.u_mm, box.v_mm) > allowed):
            square = dx * dx + dy * dy
            middle = -(dx * x + dy * y) / square
            room = allowed * allowed + _DUST - (dx * y - dy * x) ** 2 / square
            half = np.where(room >= 0.0, np.sqrt(np.maximum(room, 0.0) / square), -math.inf)
            lo, hi = np.maximum(lo, middle - half), np.minimum(hi, middle + half)
        return lo, hi

    def _offer(self, c: int, seats: Sequence[Listed], picks: Sequence[Ints], pool: Pool) -> None:
        """Evaluate triples (N,) and hand those that count to the pool."""
        if not picks[0].size:
            return
        combo = self.rests.combos[c]
        rest = combo.rests(np.array([one.error.take(pick) for one, pick in zip(seats, picks, strict=True)]))
        x, y, q = rest
        i, j, k = (one.cost.take(pick) for one, pick in zip(seats, picks, strict=True))
        packs = i + j
        packs += k
        good = self.allows(x, y)
        good &= q >= combo.four.q_lo - _DUST
        good &= q <= combo.four.q_hi + _DUST
        good &= packs <= pool.limit - self.rests.floors[c]
        some = good.nonzero()[0]
        if some.size:
            x, y, q = rest.take(some, axis=1)
            total = packs.take(some) + self.rests.at(c, x, y)
            self.keep(seats, [pick.take(some) for pick in picks], total, (x, y, q), pool)

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
        down = Cell(0, -2 if self.task.seats[0].offers else BARE, False, 0.0, 0.0)
        for j in pool.worth_keeping(cost):
            cells = (one.cell(int(pick[j])) for one, pick in zip(seats, picks, strict=True))
            x, y, rock = (float(part[j]) for part in rest)
            pool.add(Choice(float(cost[j]), (down, *cells), (x, y), rock))


def _inside(error: Floats, lo: Floats, hi: Floats) -> tuple[Ints, Ints]:
    """First entry and the one after the last of each interval of errors; the errors are sorted."""
    return np.searchsorted(error, lo - _DUST), np.searchsorted(error, hi + _DUST, side="right")


def _between(slope: float, at: Floats, lo: float, hi: float) -> tuple[Floats, Floats]:
    """Range of e with lo <= at + slope·e <= hi."""
    if abs(slope) < 1e-12:
        fits = (at >= lo - _DUST) & (at <= hi + _DUST)
        return np.where(fits, -math.inf, math.inf), np.where(fits, math.inf, -math.inf)
    a, b = (lo - at) / slope, (hi - at) / slope
    return (a, b) if slope > 0 else (b, a)
