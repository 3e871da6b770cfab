"""Column generation: rounds of prices, patterns and the bound that they prove.

Each round solves the master over the patterns so far, takes prices between the best and the newest (raw
duals jump), and searches every post's cheapest pattern at these prices. Whatever the prices,

    bound = Σ_posts min(unsolved, cheapest pattern) - Σ_rows price · capacity
            + Σ_settings min(0, set-up - paid)

is below every plan (Lagrange), since the search is exact for a box that each seat has to itself.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from shimfit.core.packing.tables import Tables
from shimfit.core.planning import geometry as geometries
from shimfit.core.planning import search
from shimfit.core.planning.exact import cheapest_in_box, without_set_ups
from shimfit.core.planning.master import Master
from shimfit.core.planning.patterns import spell_out
from shimfit.core.planning.search import ListMaker

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from shimfit.core.packing.options import Options
    from shimfit.core.planning.geometry import PlanPost
    from shimfit.core.planning.patterns import Pattern
    from shimfit.core.planning.program import Solver

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]

MOST_ROUNDS = 200
PATTERNS_A_ROUND = 3
OPENING_ROUNDS = 4
OPENING_HOPE = 0.03
SMOOTHING = 0.5
MOST_EXACT = 60
"""Posts up to which pieces that two seats of a post want are counted exactly: the gap of small boxes."""
POSTS_AT_ONCE = 20
"""Posts between two looks at the clock while patterns are gathered about the best prices."""
SETTLED = 3e-4
SETTLED_LONG = 6e-4
"""(program - bound) ÷ program at which rounds stop; a long run (more than MOST_EXACT posts) can do with less:
what is left is still well below what half a piece costs for every ten posts."""

CALM = 2e-2
"""The same while stock is on credit: that program is only a way to sane prices, not to an answer."""


@dataclass
class Pricing:
    """Searches posts at prices; keeps what does not change from round to round."""

    posts: Sequence[PlanPost]
    options: Options
    tables: Tables
    """Without prices."""
    maker: ListMaker = field(init=False)
    rest: search.Rest = field(init=False)
    guess: Floats = field(init=False)
    """(P,) how far the best pattern lay above its bound last time: where the next search starts."""

    def __post_init__(self) -> None:
        """Geometry of all posts, once."""
        geometry = geometries.build(self.posts, self.options)
        self.maker = ListMaker(geometry, self.options)
        self.rest = search.rest_of(geometry, self.options)
        self.guess = np.full(len(self.posts), search.FIRST_LIMIT)

    def cheapest(
        self,
        tables: Tables,
        ceiling: Floats,
        keep: int,
        set_up: dict[float, Floats] | None = None,
        numbers: Sequence[int] | None = None,
    ) -> tuple[Floats, list[Pattern]]:
        """Least priced cost of each post (or its ceiling), and patterns below it that the box holds."""
        least, found, lists = self._found(self.maker, tables, ceiling, keep, set_up, self.guess, self.rest)
        own = range(len(self.posts)) if numbers is None else numbers
        extra = self._extra(self.maker, lists, tables, found)
        return least, spell_out(tables, lists, found, extra.tolist(), own)

    def lifted(
        self, tables: Tables, ceiling: Floats, keep: int, set_up: dict[float, Floats] | None = None
    ) -> tuple[Floats, list[Pattern]]:
        """The same with a flat under the pivot too, which lifts the whole foot: four packs.

        Each thickness of flat is tried, cheapest first, for the posts where four packs at their cheapest
        come below the ceiling; it is the way out where a need is smaller than the thinnest piece.
        """
        tables.grown(self.maker.longest + 1)
        least, patterns = ceiling.copy(), []
        if not tables.thick.size:
            return least, []
        costs = self.options.costs
        floor = costs.lifting(float(tables.thick[0]) * self.options.quantum_mm)
        floor += float(tables.c1.min()) + 3.0 * float(tables.cheapest[:, 1:].min())
        doubtful = np.flatnonzero(ceiling > floor)
        if not doubtful.size:
            return least, []
        extra_by_setting = {deg: extra[doubtful] for deg, extra in (set_up or {}).items()}
        plain = geometries.build([self.posts[int(k)] for k in doubtful], self.options)
        rest = self.rest.some(doubtful)
        for steps in tables.thick[np.argsort(tables.c1, kind="stable")].tolist():
            lift = costs.lifting(steps * self.options.quantum_mm)
            down = float(tables.cheapest[0, steps]) + lift
            room = least[doubtful] - down
            raised = replace(plain, gap_mm=plain.gap_mm + steps * self.options.quantum_mm)
            maker = ListMaker(raised, self.options)
            best, found, lists = self._found(
                maker, tables, np.maximum(0.0, room), keep, extra_by_setting, None, rest
            )
            least[doubtful] = np.where(room > 0.0, np.minimum(best, room) + down, least[doubtful])
            extra = self._extra(maker, lists, tables, found)
            patterns += spell_out(
                tables,
                lists,
                found,
                (extra + lift).tolist(),
                doubtful.tolist(),
                under_pivot=steps,
            )
        return least, patterns

    def _found(  # noqa: PLR0917 - it takes the quantities it takes
        self, maker: ListMaker, tables: Tables, ceiling: Floats, keep: int,
        set_up: dict[float, Floats] | None, guess: Floats | None, rest: search.Rest,
    ) -> tuple[Floats, search.Found, search.Lists]:  # fmt: skip
        lists = maker.make(tables, set_up)
        least, found = search.cheapest(lists, ceiling, keep, rest, guess)
        return least, found, lists

    def _extra(self, maker: ListMaker, lists: search.Lists, tables: Tables, found: search.Found) -> Floats:
        """What lean, rock and bearing cost: the total less the pieces and their prices."""
        extra = found.total.copy()
        for seat in range(geometries.SEATS):
            state = (found.combination >> seat) & 1
            entry = found.entry[:, seat]
            extra -= lists.cost[found.post, seat, state, entry]
            extra += self._bearing(maker, lists, tables, (found.post, seat, state, entry))
        return extra

    def _bearing(
        self, maker: ListMaker, lists: search.Lists, tables: Tables, chosen: tuple[Ints, int, Ints, Ints]
    ) -> Floats:
        """Mismatch cost of the chosen classes."""
        geometry = maker.geometry
        post, seat, state, entry = chosen
        row = lists.row[post, seat, state, entry]
        sigma = np.zeros(post.size)
        outer = np.array([kind.sigma for kind in tables.rows])
        at_face = (state == 0) & (row >= 0)
        sigma[at_face] = outer[row[at_face]]
        for reach_mm in maker.reaches_mm:
            here = (state == 1) & (row > 0) & (geometry.inside_mm[post, seat] == reach_mm)
            if here.any():
                sigma[here] = tables.inner_table(reach_mm)[2][row[here]]
        mismatch = np.abs(sigma - geometry.weighed[post, seat]) * geometry.inside_mm[post, seat]
        return np.where(row >= 0, mismatch * self.options.costs.bearing_per_mm, 0.0)


@dataclass
class Rounds:
    """How the rounds ended."""

    master: Master
    pricing: Pricing
    objective: float
    """Optimum of the last linear program."""
    bound: float
    x: Floats
    price: Floats
    """Prices that proved the bound (rows added later count 0)."""
    count: int
    seconds: float
    stopped: bool


def generate(
    pricing: Pricing,
    solver: Solver,
    *,
    until: float,
    clock: Callable[[], float] = time.monotonic,
    stop: Callable[[], bool] | None = None,
    progress: Callable[[float, float], None] | None = None,
) -> Rounds:
    """Rounds until the bound meets the program, the time `until` (on `clock`) is up, or `stop` says so."""
    began = clock()
    tables, options = pricing.tables, pricing.options
    count = len(pricing.posts)
    unsolved = np.full(count, options.costs.unsolved)
    master = Master(tables, count, solver)
    least, patterns = pricing.cheapest(tables, unsolved, PATTERNS_A_ROUND)
    master.add(patterns)
    best_bound, best_price = float(least.sum()), np.zeros(master.capacity.size)
    best_bound, best_price = _open(master, pricing, best_bound, best_price, progress)
    stopped = lifts = False
    enough = SETTLED if count <= MOST_EXACT else SETTLED_LONG
    number = 0
    last = np.inf
    while True:
        objective, x, duals, _ = master.solve()
        # Once the program hardly moves its duals are calm: lean on them.
        share = SMOOTHING if last - objective > enough * objective else SMOOTHING / 5
        last = objective
        if progress is not None:
            progress(best_bound, objective)
        settled = objective - best_bound <= enough * max(1.0, objective)
        if master.settle_credit(calm=objective - best_bound <= CALM * max(1.0, objective)):
            last = np.inf
            continue
        if settled and not lifts:
            # Lifted feet seldom pay: they are looked for once the rest is settled, and counted from then on.
            lifts = True
            best_price = _grown(best_price, master.capacity.size)
            best_bound, new = _round(master, pricing, best_price, lifts=True)
            if new:
                last = np.inf
                continue
            settled = objective - best_bound <= enough * max(1.0, objective)
        if settled or number >= MOST_ROUNDS:
            break
        if clock() >= until or (stop is not None and stop()):
            stopped = True
            break
        number += 1
        best_price = _grown(best_price, duals.price.size)
        price = share * best_price + (1.0 - share) * duals.price
        bound, new = _round(master, pricing, price, lifts=lifts)
        if bound > best_bound:
            best_bound, best_price = bound, price
        if not new:
            if not np.array_equal(price, duals.price):
                bound, new = _round(master, pricing, duals.price, lifts=lifts)
                if bound > best_bound:
                    best_bound, best_price = bound, duals.price.copy()
            if not new and lifts:
                break
            if not new:
                lifts = True
                best_bound, new = _round(master, pricing, best_price, lifts=True)
                if not new:
                    break
    if not lifts:
        # Stopped before lifted feet were counted: the bound has to hold for them too.
        best_bound, _ = _round(master, pricing, _grown(best_price, master.capacity.size), lifts=True)
    return Rounds(
        master, pricing, objective, best_bound, x, _grown(best_price, master.capacity.size), number,
        clock() - began, stopped,
    )  # fmt: skip


def enrich(rounds: Rounds, spare: float, keep: int, at_an_end: Callable[[], bool] = lambda: False) -> int:
    """More patterns: those of each post within `spare` of its cheapest at the best prices, up to `keep`.

    A pattern beyond (best plan - bound) of the cheapest can be in no better plan, so with the whole of that
    as spare and no post cut short, the integer program over what is there then is exact. Some posts at a
    time, as long as it is not `at_an_end`. Returns how many were new.
    """
    master, pricing, price = rounds.master, rounds.pricing, rounds.price
    count = len(pricing.posts)
    ceiling = np.full(count, pricing.options.costs.unsolved)
    np.minimum.at(ceiling, master.post, master.priced(price))
    tables = Tables(pricing.tables.lots, pricing.options, master.prices(price), pricing.tables.length)
    set_up = master.seat_prices(price, count)
    found: list[Pattern] = []
    for first in range(0, count, POSTS_AT_ONCE):
        if at_an_end():
            break
        some = slice(first, first + POSTS_AT_ONCE)
        part = Pricing(pricing.posts[some], pricing.options, pricing.tables)
        part.guess = np.full(len(part.posts), pricing.options.costs.unsolved)
        extra = {deg: mine[some] for deg, mine in set_up.items()}
        numbers = range(first, first + len(part.posts))
        found += part.cheapest(tables, ceiling[some] + spare, keep, extra, numbers)[1]
    return master.add(found)


def _open(
    master: Master,
    pricing: Pricing,
    bound: float,
    best_price: Floats,
    progress: Callable[[float, float], None] | None,
) -> tuple[float, Floats]:
    """A few steps up the bound before the first linear program, whose raw duals would be wild without them.

    Subgradient steps (Polyak) towards a target a little above the best bound, each row in shares of its
    capacity; the target comes nearer whenever a step does not climb.
    """
    best, price, hope = bound, best_price, OPENING_HOPE
    for _ in range(OPENING_ROUNDS):
        over = master.usage(master.priced(price)) - master.capacity
        over = np.where((price <= 0.0) & (over < 0.0), 0.0, over)
        length = float((over * over / np.maximum(master.capacity, 1e-9)).sum())
        if length <= 0.0:
            break
        step = (best * (1.0 + hope) - bound) / length
        price = np.maximum(0.0, price + step * over / np.maximum(master.capacity, 1e-9))
        bound, _ = _round(master, pricing, price, lifts=False)
        if bound > best:
            best, best_price = bound, price
        else:
            hope /= 2.0
        if progress is not None:
            progress(best, bound)
    return best, best_price


def _round(master: Master, pricing: Pricing, price: Floats, *, lifts: bool) -> tuple[float, int]:
    """Search all posts at these prices: (bound, new patterns). The bound counts lifted feet if `lifts`."""
    options = pricing.options
    count = len(pricing.posts)
    ceiling = np.full(count, options.costs.unsolved)
    np.minimum.at(ceiling, master.post, master.priced(price))
    tables = Tables(pricing.tables.lots, options, master.prices(price), pricing.tables.length)
    set_up = master.seat_prices(price, count)
    least, patterns = pricing.cheapest(tables, ceiling, PATTERNS_A_ROUND, set_up)
    if lifts:
        least, more = pricing.lifted(tables, least, 1, set_up)
        patterns += more
    new = master.add(patterns)
    if lifts and count <= MOST_EXACT:
        least, more = _true_to_the_box(master, pricing, tables, price, least)
        new += master.add(more)
    return float(least.sum()) + master.outside_bound(price), new


def _true_to_the_box(
    master: Master, pricing: Pricing, tables: Tables, price: Floats, least: Floats
) -> tuple[Floats, list[Pattern]]:
    """Cheapest of each post with its own pieces counted, for posts whose best pattern is not in the box."""
    count = len(pricing.posts)
    have = np.full(count, pricing.options.costs.unsolved)
    np.minimum.at(have, master.post, master.priced(price))
    doubtful = np.flatnonzero(least < have - 1e-6)
    set_up = master.seat_prices(price, count)
    bare = without_set_ups(tables)
    exact, patterns = least.copy(), []
    for post in doubtful.tolist():
        row_prices = {
            (seat, deg): float(extra[post, seat]) for deg, extra in set_up.items() for seat in range(3)
        }
        found = cheapest_in_box(pricing.posts[post], post, bare, row_prices, float(have[post]))
        exact[post] = max(least[post], found.bound)
        if found.pattern is not None:
            patterns.append(found.pattern)
    return exact, patterns


def _grown(price: Floats, size: int) -> Floats:
    return np.concatenate([price, np.zeros(size - price.size)])
