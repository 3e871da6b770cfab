"""Column generation: rounds of prices, patterns and the bound that they prove.

Each round solves the master over the patterns so far, takes prices between the best and the newest (raw
duals jump), and searches every post's cheapest pattern at these prices. Whatever the prices,

    bound = Σ_posts min(unsolved, cheapest pattern) - Σ_rows price · capacity + Σ_settings min(0, set-up - paid)

is below every plan (Lagrange), since the search is exact for a box that each seat has to itself.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from shimfit.core.packing.tables import Tables
from shimfit.core.planning import geometry as geometries
from shimfit.core.planning import search
from shimfit.core.planning.lists import ListMaker
from shimfit.core.planning.master import Master
from shimfit.core.planning.patterns import spell_out

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from shimfit.core.packing.options import Options
    from shimfit.core.planning.geometry import PlanPost
    from shimfit.core.planning.patterns import Pattern
    from shimfit.core.planning.program import Solver

    Floats = NDArray[np.float64]

MOST_ROUNDS = 200
PATTERNS_A_ROUND = 3
OPENING_ROUNDS = 8
OPENING_HOPE = 0.03
SMOOTHING = 0.5
SETTLED = 3e-4
"""(program - bound) ÷ program at which rounds stop."""


@dataclass
class Pricing:
    """Searches posts at prices; keeps what does not change from round to round."""

    posts: Sequence[PlanPost]
    options: Options
    tables: Tables
    """Without prices."""
    maker: ListMaker = field(init=False)
    guess: Floats = field(init=False)
    """(P,) how far the best pattern lay above its bound last time: where the next search starts."""

    def __post_init__(self) -> None:
        """Geometry of all posts, once."""
        self.maker = ListMaker(geometries.build(self.posts, self.options), self.options)
        self.guess = np.full(len(self.posts), search.FIRST_LIMIT)

    def cheapest(
        self,
        tables: Tables,
        ceiling: Floats,
        keep: int,
        set_up: dict[float, Floats] | None = None,
        numbers: Sequence[int] | None = None,
    ) -> tuple[Floats, list[Pattern]]:
        """Least priced cost of each post (or its ceiling), and patterns below the ceiling that the box holds."""
        lists, choices = self.maker.make(tables, set_up)
        weights = self.options.weights
        geometry = self.maker.geometry
        least, found = search.cheapest(
            geometry, lists, ceiling, keep, rock_cost=weights.rock, residual_cost=weights.residual,
            guess=self.guess,
        )  # fmt: skip
        extra = found.total.copy()
        for seat in range(geometries.SEATS):
            state = (found.combination >> seat) & 1
            entry = found.entry[:, seat]
            extra -= lists.cost[found.post, seat, state, entry]
            extra += self._bearing(choices, tables, found.post, seat, state, entry)
        own = range(len(self.posts)) if numbers is None else numbers
        return least, spell_out(tables, choices, found, extra, own)

    def _bearing(self, choices, tables, post, seat, state, entry) -> Floats:  # noqa: ANN001 - see below
        """Mismatch cost of the chosen classes."""
        geometry = self.maker.geometry
        row = choices.row[post, seat, state, entry]
        sigma = np.zeros(post.size)
        outer = np.array([kind.sigma for kind in tables.rows])
        at_face = (state == 0) & (row >= 0)
        sigma[at_face] = outer[row[at_face]]
        for reach_mm in self.maker.reaches_mm:
            here = (state == 1) & (row > 0) & (geometry.inside_mm[post, seat] == reach_mm)
            if here.any():
                inner = np.array([kind.sigma for kind in tables.inner_rows(reach_mm)[0]])
                sigma[here] = inner[row[here] - 1]
        mismatch = np.abs(sigma - geometry.weighed[post, seat]) * geometry.inside_mm[post, seat]
        return np.where(row >= 0, mismatch * self.options.weights.bearing_per_mm, 0.0)


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
    unsolved = np.full(count, options.weights.unsolved)
    master = Master(tables, count, solver)
    least, patterns = pricing.cheapest(tables, unsolved, PATTERNS_A_ROUND)
    master.add(patterns)
    best_bound, best_price = float(least.sum()), np.zeros(master.capacity.size)
    best_bound, best_price = _open(master, pricing, best_bound, best_price, progress)
    stopped = False
    number = 0
    last = np.inf
    while True:
        objective, x, duals, _ = master.solve()
        # Once the program hardly moves its duals are calm: lean on them.
        share = SMOOTHING if last - objective > SETTLED * objective else SMOOTHING / 5
        last = objective
        if progress is not None:
            progress(best_bound, objective)
        settled = objective - best_bound <= SETTLED * max(1.0, objective)
        if master.settle_credit(calm=settled):
            last = np.inf
            continue
        if settled or number >= MOST_ROUNDS:
            break
        if clock() >= until or (stop is not None and stop()):
            stopped = True
            break
        number += 1
        best_price = _grown(best_price, duals.price.size)
        price = share * best_price + (1.0 - share) * duals.price
        bound, new = _round(master, pricing, price)
        if bound > best_bound:
            best_bound, best_price = bound, price
        if not new and not np.array_equal(price, duals.price):
            bound, new = _round(master, pricing, duals.price)
            if bound > best_bound:
                best_bound, best_price = bound, duals.price.copy()
            if not new:
                break
    best_bound = min(best_bound, objective)
    return Rounds(master, pricing, objective, best_bound, x, best_price, number, clock() - began, stopped)


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
        bound, _ = _round(master, pricing, price)
        if bound > best:
            best, best_price = bound, price
        else:
            hope /= 2.0
        if progress is not None:
            progress(best, bound)
    return best, best_price


def _round(master: Master, pricing: Pricing, price: Floats) -> tuple[float, int]:
    """Search all posts at these prices: (bound, new patterns)."""
    options = pricing.options
    count = len(pricing.posts)
    ceiling = np.full(count, options.weights.unsolved)
    np.minimum.at(ceiling, master.post, master.priced(price))
    tables = Tables(pricing.tables.lots, options, master.prices(price), pricing.tables.length)
    least, patterns = pricing.cheapest(tables, ceiling, PATTERNS_A_ROUND, master.seat_prices(price, count))
    bound = float(least.sum()) + master.outside_bound(price)
    return bound, master.add(patterns)


def _grown(price: Floats, size: int) -> Floats:
    return np.concatenate([price, np.zeros(size - price.size)])
