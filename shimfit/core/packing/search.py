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
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import TYPE_CHECKING

import numpy as np

from shimfit.core.chance import Chances, next_rounds
from shimfit.core.objective import LEAST_CHANCE
from shimfit.core.packing.entries import BARE, Choice, Group, Listed, Pool
from shimfit.core.packing.support import Four, Windows, fourfold
from shimfit.core.packing.tables import Tables, to_steps
from shimfit.core.packing.task import Task

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from shimfit.core.packing.places import Place
    from shimfit.core.packing.task import SeatTask

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]

_DUST = 1e-9
_HARDLY = 1e-7
"""Decides between like costs only."""
_NEAREST = 30
_MANY = 500
"""Candidates beyond which it pays to bound the pairs first."""
_FEW = 1000
"""Candidates looked at in one go at first; then twice as many each time."""
_CHUNK = 1 << 16
"""Third-seat candidates looked at in one go: keeps memory flat."""
_LIKELY = 48
"""Choices that are priced first where there are more: what the best of them costs rules most others out."""
_RADII, _ANGLES = 28, 9
"""Distances from none to the reach, and rays of a quarter turn, at which a class's rounds are priced."""
_NONE_AND_HALF = np.array([0.0, 0.5])
"""Shares of the reach whose chances tell how much wider one direction is than the other."""
_OFF = 1e-7
"""More than the chance's polynomials are off by."""
_FAR = 1e9
"""A price above all others, where none is known."""
_CELLS = 40
"""Cells of a grid from none to the reach, each way."""


@dataclass(frozen=True, slots=True)
class _Combo:
    """One set of bearing points."""

    inner: tuple[bool, ...]
    four: Four
    windows: Windows
    """Least and greatest error of each searched seat."""


class _Rounds:
    """What the rounds of a rest cost at least, by how far it is off: for one set of bearing points.

    Off is a distance in the axes of the reading's scatter, each in its own measure (u, v), in which rests of
    one price lie on nearly round curves. `least[i]` is below the price of every rest `radii[i]` off or more;
    `slope[i]` is what it grows by from there on.
    """

    def __init__(self, search: Search, c: int) -> None:
        four = search.combos[c].four
        self.cos, self.sin = search.chances.axes(c)
        self.wide = search.wide[c]
        self.u, self.v = self._turned(np.array(four.x), np.array(four.y))
        self.most = float(next_rounds(search.costs.round, 0.0))
        reach = search.task.allowed_mm * (1.0 + 1e-9)
        if search.task.disk:
            self.radii, self.least, self.slope = _disk_rings(search, c, reach)
        else:
            self.radii, self.least = _grid_rings(search, c, reach)
            self.slope = np.zeros(len(self.radii))

    def at_least(self, off: Floats) -> Floats:
        """Never above what rests so far off cost."""
        i = np.searchsorted(self.radii, off, side="right") - 1
        return np.minimum(self.least[i] + self.slope[i] * (off - self.radii[i]), self.most) - _DUST

    def off(self, x: Floats, y: Floats) -> Floats:
        """How far off a rest is."""
        return np.hypot(*self._turned(x, y))

    def _turned(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        return (self.cos * x + self.sin * y) / self.wide, self.cos * y - self.sin * x

    def no_further(self, room: Floats) -> Floats:
        """Distance beyond which every rest costs more than the room for it."""
        i = np.searchsorted(self.least, np.where(room >= self.most, math.inf, room), side="right")
        return np.where(i < len(self.radii), self.radii[np.minimum(i, len(self.radii) - 1)], math.inf)

    def line(self, k: int, x: Floats, y: Floats) -> tuple[float, Floats, Floats]:
        """Of the rests (x, y) moved on by the error of seat k: step², the nearest error, distance²."""
        u, v = self._turned(x, y)
        du, dv = float(self.u[k]), float(self.v[k])
        step = du * du + dv * dv
        return step, -(du * u + dv * v) / step, (du * v - dv * u) ** 2 / step


def _disk_rings(search: Search, c: int, reach: float) -> tuple[Floats, Floats, Floats]:
    """Radii, the least price from each on, and how it grows: proven, of a disk.

    The chance is the normal density's integral over a disk moved by the rest: a convolution of two
    log-concave functions, so log-concave (Prékopa, Acta Sci. Math. 34, 1973). Hence the price g, an affine
    function of 1 ÷ chance, is convex; a disk in the axes of the scatter makes it even in u and in v, so it
    grows along every ray. It is worked out on rays from none to a quarter turn, mirrored beyond. Take two
    neighbouring rays, A and B on them at one radius: whatever lies on the arc from A to B costs at least what
    the ray to it costs where it crosses the chord AB. On that line g is convex: it lies above the lines
    through P, A and through B, Q, where P and Q are where the line meets the next ray on either side (what
    they cost at most is read between two radii of their ray, along which g is convex too). The lowest point
    of these two lines between A and B is the bound of the sector; a fan of straight lines in place of the
    arc loses little. From a ring outwards g grows at least as it has grown from the middle.

    Example: rays 11.25° apart, |AB| = 0.196 r, P and Q at 1.040 r, each 1.041 |AB| away from A and from B.
    """
    wide, price = search.wide[c], search.costs.round
    shares, angle = (np.arange(_RADII + 1) / _RADII) ** 1.5, np.linspace(0.0, math.pi / 2.0, _ANGLES)
    half = angle[1] / 2.0
    radii = reach * max(1.0, 1.0 / wide) * shares
    x, y = radii[:, None] * np.cos(angle) * wide, radii[:, None] * np.sin(angle)
    chance = search.chances.at_own(c, x.reshape(-1), y.reshape(-1)).reshape(x.shape)
    low = price * (1.0 / np.maximum(chance + _OFF, LEAST_CHANCE / 2.0) - 1.0)
    high = price * (1.0 / np.maximum(chance - _OFF, _OFF) - 1.0)
    high[np.maximum(x, y) > reach] = _FAR  # no chance is known there
    at, i = _further_out(math.cos(half) / math.cos(3.0 * half))
    outer = np.full(low.shape, _FAR)
    outer[: len(i)] = high[i] * (1.0 - at)[:, None] + high[i + 1] * at[:, None]
    outer = outer[:, [1, *range(_ANGLES), _ANGLES - 2]]
    apart = (math.cos(half) * math.tan(3.0 * half) / math.sin(half) - 1.0) / 2.0
    a, b = low[:, :-1], low[:, 1:]
    fall, rise = (a - outer[:, : _ANGLES - 1]) / apart, (outer[:, 3:] - b) / apart
    with np.errstate(divide="ignore", invalid="ignore"):
        cross = np.minimum(np.maximum((a - b + rise) / (rise - fall), 0.0), 1.0)
    between = np.maximum(a + fall * cross, b - rise * (1.0 - cross))
    sector = np.where(fall >= 0.0, a, np.where(rise <= 0.0, b, between))
    # A sector that is out of reach at this radius has no rest in it.
    off = np.hypot(wide * np.cos(angle), np.sin(angle))
    sector[radii[:, None] * np.minimum(off[:-1], off[1:]) > reach * (1.0 + 1e-9)] = math.inf
    least = np.maximum.accumulate(sector.min(axis=1))
    slope = np.zeros(len(radii))
    slope[1:] = np.maximum(np.where(least[1:] < math.inf, least[1:] - high[0, 0], 0.0) / radii[1:], 0.0)
    return radii, least, slope


@cache
def _further_out(by: float) -> tuple[Floats, Ints]:
    """Between which radii lies so many times each of them: share of the way, and the nearer one's number."""
    shares = (np.arange(_RADII + 1) / _RADII) ** 1.5
    wanted = by * shares[by * shares < 1.0]
    i = np.minimum(np.searchsorted(shares, wanted, side="right") - 1, _RADII - 1)
    return (wanted - shares[i]) / (shares[i + 1] - shares[i]), i


def _grid_rings(search: Search, c: int, reach: float) -> tuple[Floats, Floats]:
    """Radii, and the least price from each on, of limits per direction.

    Such a zone is a stair with its corners cut off, so nothing is convex: but between the nodes of a grid the
    chance is no more than at the best of them and what a straight line is off by (`Chances.curved`). Every
    rest so far off lies in a cell that reaches as far; half the plane does, for the other is its mirror.
    """
    if search.grid is None:
        search.grid = search.chances.in_axes(np.linspace(-1.0, 1.0, 2 * _CELLS + 1))[:, _CELLS:]
    chance = search.grid[c]
    best = np.maximum(chance[1:], chance[:-1])
    best = np.maximum(best[:, 1:], best[:, :-1]) + search.chances.curved[c] / (8.0 * _CELLS**2) + _OFF
    price = search.costs.round * (1.0 / np.maximum(best, LEAST_CHANCE / 2.0) - 1.0)
    right, up = np.arange(1, _CELLS + 1), np.abs(np.arange(-_CELLS, _CELLS) + 0.5) + 0.5
    far = np.hypot(right[:, None] / search.wide[c], up) / _CELLS * reach
    radii = np.linspace(0.0, float(far.max()), 2 * _CELLS + 1)
    least = np.full(len(radii), math.inf)
    np.minimum.at(least, np.searchsorted(radii, far.reshape(-1), side="right") - 1, price.reshape(-1))
    return radii, np.minimum.accumulate(least[::-1])[::-1]


class Search:
    """One post against one set of tables: windows and entries are made once, then asked many times."""

    in_contact = True
    """All four supports carry: what a rest costs does not hang on what the packs are made of."""

    def __init__(self, task: Task, tables: Tables, angles: frozenset[float] = frozenset()) -> None:
        self.task = task
        self.tables = tables
        self.costs = tables.options.costs
        self.pull_mm = 4.0 * tables.options.preload_mm
        self.angles = angles
        self.combos: list[_Combo] = []
        self.groups: list[dict[bool, Group]] = [{} for _ in task.seats[1:]]
        self._known_rounds: dict[int, _Rounds] = {}
        self.grid: Floats | None = None
        """Chances on a grid, half a plane of each set of bearing points, where limits are per direction."""
        self.least_rest = 0.0
        """What any rest costs at least, whichever places bear."""
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
        if self.costs.round and self.combos:
            outlook, variances = task.outlook, [self._scatter(seat) for seat in task.seats]
            spreads = [
                outlook.covariance(
                    combo.four.x,
                    combo.four.y,
                    [v[inside] for v, inside in zip(variances, (False, *combo.inner), strict=True)],
                )
                for combo in self.combos
            ]
            self.chances = Chances(spreads, [outlook.zone] * len(spreads), task.allowed_mm)
            rounds = next_rounds(self.costs.round, self.chances.best())
            # By how much half the reach takes off the chance each way: measures that make both alike.
            some = self.chances.in_axes(_NONE_AND_HALF)
            less = np.maximum(some[:, :1, 0] - np.stack((some[:, 1, 0], some[:, 0, 1]), axis=1), 1e-9)
            self.wide: list[float] = np.sqrt(less[:, 1] / less[:, 0]).tolist()
            self.least_soft: list[float] = (rounds - _DUST).tolist()
            self.least_rest = min(self.least_soft)

    def _scatter(self, seat: SeatTask) -> tuple[float, float]:
        """Variance of the thickness error of a place: at its face, and further in."""
        scatter = self.task.outlook.scatter
        slope = seat.place.slope if seat.place is not None else 0.0
        return scatter.seat_mm2(inner=False), scatter.seat_mm2(inner=True, gap_slope=slope)

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
        extra *= place.inside_mm * self.costs.bearing_per_mm
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
        for c, combo in enumerate(self.combos):
            listed = [entries[i][inside] for i, inside in enumerate(combo.inner)]
            bound = sum(one.least for one in listed) + self._floor(c)
            if bound <= limit and bound < math.inf:
                lists.append((bound, c, listed))
        lists.sort(key=lambda item: (item[0], self.combos[item[1]].inner))
        for bound, c, listed in lists:
            if bound <= pool.limit:
                self._in_combo(c, listed, pool)
        return pool.sorted()

    def _floor(self, c: int) -> float:
        """What any rest on these bearing points costs at least."""
        return self.least_soft[c] if self.costs.round and not self.task.lean_only else 0.0

    def entries(self, group: Group) -> Listed:
        """The entries of a group that exist, with their errors."""
        found = np.flatnonzero(group.best < math.inf)
        steps = group.steps[found]
        need = np.where(steps == 0, group.seat.bare_need_mm, group.need_mm)
        error = np.asarray(steps * self.tables.options.quantum_mm - need, dtype=np.float64)
        return Listed(group, steps, error, group.best[found], group.row[found])

    def _soft(self, c: int, x: Floats, y: Floats, q: Floats) -> Floats:
        """Cost of the rest itself on bearing points c."""
        if self.task.lean_only:
            return 1e6 * np.hypot(x, y) if self.task.disk else 1e6 * np.maximum(np.abs(x), np.abs(y))
        if self.costs.round:
            return next_rounds(self.costs.round, self.chances.at(c, x, y))
        return (self.costs.rock / self.pull_mm) * np.abs(q) + (
            self.costs.residual / self.task.residual_mm
        ) * (np.abs(x) + np.abs(y))

    def _in_combo(self, c: int, listed: Sequence[Listed], pool: Pool) -> None:
        combo = self.combos[c]
        kept = []
        for one, (lo, hi) in zip(listed, combo.windows, strict=True):
            inside = (one.error >= lo - _DUST) & (one.error <= hi + _DUST)
            kept.append(one.only(inside))
        if self.task.lean_only:
            # The least lean is only told as the best that was found: thicknesses near the need do.
            kept = [one.only(np.argsort(np.abs(one.error), kind="stable")[:_NEAREST]) for one in kept]
        if not all(len(one.cost) for one in kept):
            return
        if not pool.found:
            self._first_guess(c, kept, pool)
        least = [float(one.cost.min()) for one in kept]
        total = sum(least) + self._floor(c)
        for i, one in enumerate(kept):
            good = one.cost <= pool.limit - (total - least[i])
            kept[i] = one.only(good)
            if not len(kept[i].cost):
                return
        self._all_pairs(c, kept, pool)

    def _first_guess(self, c: int, kept: Sequence[Listed], pool: Pool) -> None:
        """A small product of the cheapest and the nearest entries, so that a limit is there early."""
        chosen = []
        for one in kept:
            n = len(one.cost)
            if n <= 8:
                chosen.append(np.arange(n))
                continue
            near = np.abs(one.error)
            cheapest = np.argsort(one.cost + _HARDLY * near, kind="stable")[:5].tolist()
            nearest = np.argsort(near, kind="stable")[:4].tolist()
            chosen.append(np.array(sorted({*cheapest, *nearest})))
        i, j, k = _triples(len(chosen[0]), len(chosen[1]), len(chosen[2]))
        self._offer(c, kept, (chosen[0][i], chosen[1][j], chosen[2][k]), pool)

    def _all_pairs(self, c: int, kept: Sequence[Listed], pool: Pool) -> None:
        """Every pair of two seats with the stretch of third thicknesses that may still win."""
        four, floor = self.combos[c].four, self._floor(c)
        third = max(range(3), key=lambda i: (len(kept[i].cost), -i))
        i, j = (k for k in range(3) if k != third)
        one, two = kept[i], kept[j]
        order = np.argsort(kept[third].error, kind="stable")
        last = kept[third].only(order)
        cheapest = float(last.cost.min())
        a, b = np.nonzero(one.cost[:, None] + two.cost[None, :] <= pool.limit - cheapest - floor)
        if not len(a):
            return
        packs, at_a, at_b = one.cost[a] + two.cost[b], one.error[a], two.error[b]
        x = four.x0 + four.x[i + 1] * at_a + four.x[j + 1] * at_b
        y = four.y0 + four.y[i + 1] * at_a + four.y[j + 1] * at_b
        q = four.n[i + 1] * at_a + four.n[j + 1] * at_b
        lo, hi = self._third_window(four, third + 1, x, y, q)
        start = np.searchsorted(last.error, lo - _DUST)
        stop = np.searchsorted(last.error, hi + _DUST, side="right")
        some = np.flatnonzero(stop > start)
        if not len(some):
            return
        many = int((stop[some] - start[some]).sum())
        rounds = self._rounds(c, many)
        if rounds is not None:
            step, middle, off = rounds.line(third + 1, x[some], y[some])
            far = rounds.no_further(pool.limit - cheapest - packs[some])
            with np.errstate(invalid="ignore"):
                half = np.sqrt((far * far - off) / step)  # not a number where nothing is near enough
            near = ~np.isnan(half)
            some, middle, off, half = some[near], middle[near], off[near], half[near]
            lo, hi = np.maximum(lo[some], middle - half), np.minimum(hi[some], middle + half)
            beside = np.minimum(np.maximum(middle, lo), hi) - middle
            rest = np.maximum(rounds.at_least(np.sqrt(off + step * beside * beside)), floor)
            start[some] = np.searchsorted(last.error, lo - _DUST)
            stop[some] = np.searchsorted(last.error, hi + _DUST, side="right")
            near = stop[some] > start[some]
            some, rest = some[near], rest[near]
        elif self.task.lean_only or many <= _MANY:
            rest = np.full(len(some), floor)
        else:
            # The best rest that any third thickness could give these two.
            known = x[some], y[some], q[some]
            rest = np.maximum(self._least_soft(c, third + 1, known, (lo[some], hi[some])), floor)
        if not len(some):
            return
        bound = packs[some] + _least_between(last.cost, start[some], stop[some]) + rest
        order = np.argsort(bound, kind="stable")
        some, bound = some[order], bound[order]
        count = stop[some] - start[some]
        ends = np.cumsum(count)
        begin, size = 0, _FEW
        while begin < len(some) and bound[begin] <= pool.limit:
            # The most hopeful first: what they lead to rules the others out.
            spent = ends[begin - 1] if begin else 0
            stop_at = max(begin + 1, int(np.searchsorted(ends, spent + size)))
            stop_at = min(stop_at, int(np.searchsorted(bound, pool.limit, side="right")))
            part, n = some[begin:stop_at], count[begin:stop_at]
            begin, size = stop_at, min(2 * size, _CHUNK)
            pairs = np.repeat(part, n)
            offset = np.arange(len(pairs)) - np.repeat(np.cumsum(n) - n, n)
            ordered: list[Ints] = [a[pairs], b[pairs]]
            ordered.insert(third, start[pairs] + offset)
            seats = list(kept)
            seats[third] = last
            self._offer(c, seats, (ordered[0], ordered[1], ordered[2]), pool)

    def _rounds(self, c: int, many: int) -> _Rounds | None:
        """Bounds by distance where there are many to bound; None without rounds."""
        if many <= _MANY or not self.costs.round or self.task.lean_only:
            return None
        found = self._known_rounds.get(c)
        if found is None:
            found = self._known_rounds[c] = _Rounds(self, c)
        return found

    def _least_soft(
        self, c: int, k: int, rest: tuple[Floats, Floats, Floats], window: tuple[Floats, Floats]
    ) -> Floats:
        """Least cost of the rest itself over the third seat's window, for each pair.

        It is convex and made of straight parts in the third error, so it is least where one of lean along,
        lean across and rock is 0, or at an end of the window. In minutes: the chance's bound along the line.
        """
        four = self.combos[c].four
        if self.costs.round:
            most = self.chances.at_most_along(c, rest[:2], (four.x[k], four.y[k]), window)
            return next_rounds(self.costs.round, most) - _DUST
        slopes = four.x[k], four.y[k], four.n[k]
        least = np.full(len(rest[0]), math.inf)
        for slope, at in zip(slopes, rest, strict=True):
            if slope == 0.0:
                continue
            e = np.minimum(np.maximum(-at / slope, window[0]), window[1])
            parts = [value + factor * e for value, factor in zip(rest, slopes, strict=True)]
            np.minimum(least, self._soft(c, parts[0], parts[1], parts[2]), out=least)
        return least - _DUST

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

    def _offer(self, c: int, seats: Sequence[Listed], picks: tuple[Ints, Ints, Ints], pool: Pool) -> None:
        """Evaluate triples and hand those that count to the pool, the most hopeful first."""
        four, rounds = self.combos[c].four, self._rounds(c, len(picks[0]))
        packs = seats[0].cost[picks[0]] + seats[1].cost[picks[1]] + seats[2].cost[picks[2]]
        e = [one.error[pick] for one, pick in zip(seats, picks, strict=True)]
        x = four.x0 + four.x[1] * e[0] + four.x[2] * e[1] + four.x[3] * e[2]
        y = four.y0 + four.y[1] * e[0] + four.y[2] * e[1] + four.y[3] * e[2]
        q = four.n[1] * e[0] + four.n[2] * e[1] + four.n[3] * e[2]
        allowed = self.task.allowed_mm + _DUST
        ok = (q >= four.q_lo - _DUST) & (q <= four.q_hi + _DUST)
        if self.task.disk:
            ok &= x * x + y * y <= allowed * allowed
        else:
            ok &= (np.abs(x) <= allowed) & (np.abs(y) <= allowed)
        bound = packs + (self._floor(c) if rounds is None else rounds.at_least(rounds.off(x, y)))
        good = np.flatnonzero(ok & (bound <= pool.limit))
        parts = [good]
        if rounds is not None and len(good) > 2 * _LIKELY:
            good = good[np.argsort(bound[good], kind="stable")]
            parts = [good[:_LIKELY], good[_LIKELY:]]
        for part in parts:
            good = part[bound[part] <= pool.limit]
            if not len(good):
                return
            cost = packs[good] + self._soft(c, x[good], y[good], q[good])
            fine = np.flatnonzero(cost <= pool.limit)
            for k in pool.worth_keeping(cost[fine]):
                j = int(fine[k])
                g = int(good[j])
                cells = tuple(one.cell(int(pick[g])) for one, pick in zip(seats, picks, strict=True))
                pool.add(float(cost[j]), cells, (float(x[g]), float(y[g])), float(q[g]))


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
