"""Column generation: rounds of prices, patterns and the bound that they prove.

*Goal.* For P posts and one box: the linear program that takes patterns in parts (`Master`), all but solved,
and a bound that no plan in whole patterns is below.

*Method.* There are far too many patterns to list. A round solves the program over the N that are known, which
tells what each of the box's R rows is worth; searches every post for its cheapest patterns at prices between
these and the best so far; and takes in those that are new. Duals of few patterns jump: before the first
program the bound is climbed a few steps (`_open`), and at first duals are held about the best prices
(`Master.hold`). A long run begins from the prices of a section of it that has its share of the box, and one
that is planned again from what an earlier plan knew (`EarlierPlan`).

*Exact.* Whatever the prices (none below 0),

    bound = sum over posts of least - sum over rows of price · capacity

where a post's `least` is what its cheapest pattern costs at the prices, or leaving it unsolved. A plan's
patterns cost that much at least, and use no more than the capacities (Lagrange). The search leaves none
out: it is exact for a box that each seat has to itself. Saw settings cost nothing here: a bound holds for
those that were allowed, and `choosing` adds what setting the saw costs. A term of the sum is its post's
alone: with fewer settings only posts whose best used one of the others are searched again (`_round`), and
in a run planned again only those that changed (`once_more`).

Arrays: P posts, N patterns, R rows of the box. Prices and capacities (R,), `least` and ceilings (P,), x (N,).

*Example.* 200 posts and 1,000 pieces in 281 lots or points of tapers, minutes. Four steps before the first
program find 1,421 patterns and climb to 524.59. Then

    program  548.92  539.96  539.67  536.56  536.46  536.45
    bound    527.27  530.35  531.56  536.13  536.39
    new         308     223     199     109      38

with duals held up to the third. Of 2,298 patterns 238 are in use, 162 of them whole; 1 part in 10,000 is left
open. The plan that `choosing` makes of it, with the saw set once, costs 540.76, and none costs below 540.54.
"""

from __future__ import annotations

import math
from copy import copy
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from shimfit.core.packing.tables import Tables
from shimfit.core.planning import geometry as geometries
from shimfit.core.planning import search
from shimfit.core.planning.exact import cheapest_in_box, without_set_ups
from shimfit.core.planning.master import Master
from shimfit.core.planning.patterns import within_own_stock
from shimfit.core.planning.search import ListMaker

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from numpy.typing import NDArray

    from shimfit.core.packing.options import Options
    from shimfit.core.packing.pieces import Prices
    from shimfit.core.planning.geometry import PlanPost
    from shimfit.core.planning.patterns import Pattern
    from shimfit.core.planning.program import Solver
    from shimfit.model import Lot

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int64]

MOST_ROUNDS = 200
"""Linear programs of one set of saw settings: a stop for what would go on for ever, hardly ever reached."""
PATTERNS_A_ROUND = 3
"""Patterns of a post that a round may find, the cheapest at its prices."""
SECTION = 200
"""Posts of a section whose prices a run of twice as many and more begins from."""
PATTERNS_AT_FIRST = 4
"""Patterns of a post that such a run begins with."""
PATTERNS_OF_A_NEW_ONE = 12
"""Patterns of a post that an earlier plan did not know."""
WIDTH, WIDEST = 0.5, 16.0
"""How far duals may lie from the best prices at first, and beyond which they are let go."""
OPENING_ROUNDS = 4
"""Steps up the bound before the first linear program (`Rounds._open`)."""
OPENING_HOPE = 0.03
"""How far above the best bound their target lies at first, as a share of it."""
SMOOTHING = 0.5
"""Share of the best prices in those of a round, the rest being the newest duals; a fifth of it once calm."""
MOST_EXACT = 60
"""Posts up to which pieces that two seats of a post want are counted exactly from the first."""
LIFTS_AT_ONCE = 200
"""Lifted feet that are searched in one go."""
GONE_THROUGH = 60
"""Patterns of a post that are gone through for one that the box holds."""
POSTS_AT_ONCE = 20
"""Posts between two looks at the clock while patterns are gathered about the best prices."""
FEW = 8
"""Posts up to which nothing is left open."""


def settled_gap(posts: int) -> float:
    """(program - bound) ÷ program at which rounds stop: the more posts, the sooner.

    What is left of a long run is still well below what half a piece costs for every ten posts.
    """
    return 1e-7 if posts <= FEW else 3e-4 if posts <= MOST_EXACT else 6e-4


def in_parts(posts: float) -> bool:
    """Whether a linear program leaves out so many as are no whole number, which are then told apart."""
    return abs(posts - round(posts)) > 0.01


SPLIT_GAP = 1e-2
"""(program - bound) ÷ program at which rounds stop where these are told apart, which moves both anyhow."""
CALM = 5e-3
"""(program - bound) ÷ program at which duals that are held are given more room."""


class Pricing:
    """Searches posts at prices; keeps what does not change from round to round."""

    def __init__(self, posts: Sequence[PlanPost], options: Options, numbers: Ints | None = None) -> None:
        """`numbers` of the posts among all, where they are some."""
        self.posts, self.options = posts, options
        self.maker = ListMaker(geometries.build(posts, options), options)
        self.rest = search.Rest(self.maker.geometry, options)
        self.numbers = np.arange(len(posts)) if numbers is None else numbers
        self.under_pivot: Ints = np.zeros(len(posts), np.int64)
        """(P,) thickness in quanta of the flats that lift the whole foot, 0 = none."""
        self.guess = np.full(len(posts), search.FIRST_LIMIT * self.rest.unit)
        """(P,) how far the best pattern lay above its bound last time: where the next search starts."""

    def some(self, numbers: Ints, under_pivot: Ints | None = None) -> Pricing:
        """That of some of the posts; their whole feet lifted."""
        part, geometry = copy(self), self.maker.geometry.some(numbers)
        part.under_pivot = self.under_pivot[numbers] if under_pivot is None else under_pivot
        lift_mm = part.under_pivot[:, None, None] * self.options.quantum_mm
        part.maker = ListMaker(replace(geometry, gap_mm=geometry.gap_mm + lift_mm), self.options)
        part.posts, part.rest = geometry.posts, self.rest.some(numbers)
        part.numbers, part.guess = self.numbers[numbers], self.guess[numbers]
        return part

    def cheapest(self, tables: Tables, ceiling: Floats, keep: int) -> tuple[Floats, list[Pattern]]:
        """Least priced cost of each post (or its ceiling), and patterns below it that the box holds."""
        lists = self.maker.make(tables)
        least, found = search.cheapest(lists, ceiling, keep, self.rest, self.guess)
        extra = self._extra(lists, found).tolist()
        behind = [self._behind(tables, lists, found[n : n + 1], one)[0] for n, one in enumerate(extra)]
        return least, [pattern for pattern in behind if pattern is not None]

    def _behind(
        self, tables: Tables, lists: search.Lists, found: search.Found, extra: float, limit: float = math.inf
    ) -> tuple[Pattern | None, float]:
        """The pattern behind one that was found, as `within_own_stock` answers it."""
        post, combination, picked = int(found.post[0]), int(found.combination[0]), []
        for seat, entry in enumerate(found.entry[0].tolist()):
            state = (combination >> seat) & 1
            picked.append((seat, state, lists.choice(post, seat, state, entry)))
        if self.under_pivot[post]:
            picked.append((geometries.PIVOT, 0, search.Choice(0, int(self.under_pivot[post]), None)))
        return within_own_stock(tables, picked, extra, int(self.numbers[post]), limit)

    def lifted(self, tables: Tables, ceiling: Floats, *, in_the_box: bool) -> tuple[Floats, list[Pattern]]:
        """The same with a flat under the pivot too, which lifts the whole foot: four packs.

        It is the way out where a need is smaller than the thinnest piece. Each post's likeliest thickness of
        flat comes first, then ever more of the next: what is found rules most of them out.
        """
        least, patterns = ceiling.copy(), []
        post, steps, bound = self.lifts(tables, ceiling)
        order = np.argsort(bound, kind="stable")
        order = order[np.argsort(post[order], kind="stable")]
        rank = np.arange(post.size) - np.searchsorted(post[order], post[order])
        for wave in range(int(rank.max(initial=-1) + 1).bit_length()):
            some = order[(rank + 1 >= 1 << wave) & (rank + 1 < 2 << wave)]
            some = some[bound[some] < least[post[some]] - search.EPS]
            for first in range(0, some.size, LIFTS_AT_ONCE):
                these = some[first : first + LIFTS_AT_ONCE]
                part = self.some(post[these], steps[these])
                most = GONE_THROUGH if in_the_box else 1
                own, more = part.gone_through(tables, least[post[these]], most)
                np.minimum.at(least, post[these], own)
                patterns += more
        return least, patterns

    def lifts(self, tables: Tables, ceiling: Floats) -> tuple[Ints, Ints, Floats]:
        """(N,) posts, flats under their pivots in quanta, and what four packs then are not below.

        Those for which that is below the ceiling: what stands at the pivot and the lift, the cheapest pack
        in the window of each of the others, and what any rest costs.
        """
        tables.grown(self.maker.longest + 1)
        thick, can = tables.thick, self.maker.geometry.can_lift[:, None]
        beside, floor = self.beneath(tables, thick), self.rest.floor
        bound = beside + 3.0 * float(tables.cheapest[:, 1:].min()) + floor.min(axis=1)[:, None]
        post, which = np.nonzero(can & (bound < ceiling[:, None]))
        steps = thick[which]
        packs = self.maker.least_lifted(tables, post, steps)
        each = floor[post] + search.by_combination(packs, floor.shape[1])
        bound = beside[which] + each.min(axis=1, initial=math.inf)
        some = np.flatnonzero(bound < ceiling[post])
        return post[some], steps[some], bound[some]

    def beneath(self, tables: Tables, under_pivot: Ints) -> Floats:
        """What flats under the pivot cost, and lifting the foot by them."""
        flats = np.where(under_pivot > 0, tables.cheapest[0, under_pivot], 0.0)
        return np.asarray(flats + self.lifting(under_pivot))

    def lifting(self, under_pivot: Ints) -> Floats:
        """What lifting feet so many quanta costs."""
        costs, lift_mm = self.options.costs, under_pivot * self.options.quantum_mm
        return np.where(under_pivot > 0, costs.lift + costs.lift_per_mm * lift_mm, 0.0)

    def gone_through(
        self, tables: Tables, ceiling: Floats, most: int = GONE_THROUGH
    ) -> tuple[Floats, list[Pattern]]:
        """A cost that no pattern of these posts in the box is below (up to the ceiling), and their best.

        `cheapest` gives each seat the box to itself. Here up to `most` patterns below the ceiling are gone
        through, cheapest first, each with its own pieces counted, until what comes can be no better. The
        cheapest is looked for first: nearly always the box holds it, and no more need be listed.
        """
        down = self.beneath(tables, self.under_pivot)
        room = np.maximum(0.0, ceiling - down)
        lists = self.maker.make(tables)
        least = ceiling.copy()
        best: dict[int, Pattern] = {}
        doubtful = np.ones(ceiling.size, bool)
        for keep in dict.fromkeys((1, most)):
            below, guess = np.where(doubtful, room, -np.inf), room.copy() if keep > 1 else None
            _, found = search.cheapest(lists, below, keep, self.rest, guess)
            found = found[np.lexsort((np.arange(found.post.size), found.post))]
            extra = self._extra(lists, found).tolist()
            least[doubtful] = ceiling[doubtful]
            doubtful[:] = False
            seen = np.zeros(ceiling.size, np.int64)
            for n, post in enumerate(found.post.tolist()):
                worth, total = float(least[post]), float(found.total[n] + down[post])
                if total >= worth:
                    continue
                seen[post] += 1
                pattern, cost = self._behind(tables, lists, found[n : n + 1], extra[n], worth)
                doubtful[post] = keep < most and (pattern is None or cost > total + search.EPS)
                if pattern is not None and cost < worth and not doubtful[post]:
                    best[post] = pattern
                least[post] = min(worth, total if seen[post] == most else cost)
            if not doubtful.any():
                break
        return least, list(best.values())

    def _extra(self, lists: search.Lists, found: search.Found) -> Floats:
        """What the next round and lifting cost: the total less the pieces and their prices."""
        post, seats = found.post[:, None], np.arange(geometries.SEATS)
        packs = lists.cost[post, seats, (found.combination[:, None] >> seats) & 1, found.entry]
        return np.asarray(found.total + self.lifting(self.under_pivot[found.post]) - packs.sum(axis=1))


@dataclass(frozen=True, slots=True)
class Settled:
    """What the rounds know about one choice of saw settings, all of them set up for nothing."""

    allowed: frozenset[float]
    out: tuple[int, int]
    """How many posts may be left out, at least and at most."""
    objective: float
    """Optimum of the last linear program."""
    bound: float
    """No plan with these settings costs less, its set-ups not counted."""
    x: Floats
    """(columns,) the linear program's answer."""
    price: Floats
    """Prices that proved the bound, by row."""
    least: Floats
    """(P,) what each post's cheapest pattern costs at these prices, or less."""
    left_out: float
    """How many posts the linear program leaves out, in parts."""

    @property
    def in_parts(self) -> bool:
        """Whether these are no whole number."""
        return in_parts(self.left_out)


@dataclass(frozen=True, slots=True)
class Proof:
    """No plan of some settings and counts is below the bound.

    The plans use the saw settings `allowed`, pay `to_pay` for setting the saw and leave out as many posts as
    `out` says. The bound is `to_pay` + the sum of `least` - what the rows are worth at the prices.
    """

    allowed: frozenset[float]
    out: tuple[int, int]
    to_pay: float
    prices: Prices
    leaving: float
    """What leaving a post out costs at the prices."""
    least: Mapping[str, float]
    """By post: what its cheapest pattern costs at these prices, or less."""


@dataclass(frozen=True, slots=True)
class EarlierPlan:
    """What planning knew of a run when it was done; all by the posts' names."""

    posts: Mapping[str, PlanPost]
    prices: Prices
    """With every saw setting allowed."""
    proofs: Sequence[Proof]
    """Together of every plan: which settings it may use and which it pays for is split up among them."""
    patterns: Mapping[str, Sequence[Pattern]]
    chosen: Mapping[str, Pattern]
    gap: float
    """(plan - bound) ÷ plan of the last plan that was made anew."""

    def unchanged(self, posts: Sequence[PlanPost]) -> dict[int, str]:
        """Number and name of the posts that are as they were."""
        return {number: post.name for number, post in enumerate(posts) if self.posts.get(post.name) == post}


class Earlier:
    """What an earlier plan knew, for planning again with a few posts changed: of one box and its options."""

    def __init__(self) -> None:
        self.box: tuple[tuple[Lot, ...], Options] | None = None
        self.known: EarlierPlan | None = None

    def of(self, tables: Tables) -> EarlierPlan | None:
        """What is known of this box; None when it is another, or none was planned from."""
        return self.known if self.box == (tables.lots, tables.options) else None

    def keep(self, tables: Tables, known: EarlierPlan) -> None:
        """Take in what a choice left behind, in place of what was there."""
        self.box, self.known = (tables.lots, tables.options), known


class Rounds:
    """Rounds of prices over one growing linear program, for one choice of saw settings after another."""

    def __init__(
        self,
        posts: Sequence[PlanPost],
        tables: Tables,
        solver: Solver,
        at_an_end: Callable[[], bool] = lambda: False,
        progress: Callable[[float, float], None] | None = None,
        *,
        most: int = MOST_ROUNDS,
        share: float = 1.0,
        rough: bool = False,
    ) -> None:
        """`tables` are without prices; `share` of the box, or so many: see `Master`.

        `rough`: nobody hears what is proven, so no post is searched by itself for what its bound lacks.
        """
        self.posts, self.options, self.solver = posts, tables.options, solver
        self.settled: list[Settled] = []
        self.least = np.zeros(0)
        """Of the last round."""
        self.at_an_end, self.progress, self.most = at_an_end, progress, most
        self.master = Master(tables, len(posts), solver, share)
        self.count, self.rough = 0, rough
        self.counted = len(posts) <= MOST_EXACT
        """Pieces that two seats of a post want are counted exactly: at once, or where no more is found."""
        self.stopped = self.one_by_one = self.splits = False
        """`splits`: where posts are left out in parts, it is asked again with their number told."""
        self.out = 0, len(posts)
        self.tables, self.allowed_options = tables, tables.options
        """Without prices; options with the settings that are allowed for now."""

    @cached_property
    def pricing(self) -> Pricing:
        """Of all posts; made once they are searched."""
        return Pricing(self.posts, self.options)

    def first(self, prices: Prices | None = None) -> Settled:
        """All settings allowed; from these prices on, where an earlier plan knew them."""
        if prices is not None or len(self.posts) >= 2 * SECTION:
            price = self.master.by_row(self._of_a_section() if prices is None else prices)
            bound, _ = self._round(price, lifts=False, keep=PATTERNS_AT_FIRST)
            return self._settle(bound, price, lifts=False, cutoff=math.inf)
        price = np.zeros(self.master.capacity.size)
        self.least, patterns = self.pricing.cheapest(self.tables, self._ceiling(price), PATTERNS_A_ROUND)
        self.master.add(patterns)
        bound, price = self._open(float(self.least.sum()), price)
        return self._settle(bound, price, lifts=False, cutoff=math.inf)

    def _of_a_section(self) -> Prices:
        """Prices of a section of the run that has its share of the box: near those of the whole."""
        every = round(len(self.posts) / SECTION)
        # What a section costs is not what the run does: who listens hears that there is no bound yet.
        listener = self.progress
        progress = None if listener is None else lambda _, objective: listener(-math.inf, objective)
        part = Rounds(
            self.posts[::every], self.tables, self.solver, self.at_an_end, progress, most=self.most,
            share=self.master.share / every,
        )  # fmt: skip
        settled = part.first()
        self.count += part.count
        # Bests of posts lie about as far above their bounds as the section's do.
        self.pricing.guess[:] = np.median(part.pricing.guess)
        return part.master.prices(settled.price)

    def narrowed(
        self, wider: Settled, allowed: frozenset[float], out: tuple[int, int], cutoff: float = math.inf
    ) -> Settled:
        """Fewer settings or counts of posts left out, from the prices and patterns of more.

        Given up once the bound is at `cutoff`.
        """
        self.allow(allowed, out)
        price = self.master.grown(wider.price)
        bound, _ = self._round(price, lifts=True, known=wider.least)
        if bound >= cutoff:
            return replace(wider, allowed=allowed, out=out, bound=bound, price=price, least=self.least)
        return self._settle(bound, price, lifts=True, cutoff=cutoff)

    def allow(self, allowed: frozenset[float], out: tuple[int, int]) -> None:
        """Patterns and tables with these settings only; so many posts left out."""
        self.out = out
        self.master.leave_out(*out)
        self.master.only(allowed)
        saw = replace(self.options.saw, settings_deg=tuple(sorted(allowed)))
        self.allowed_options = replace(self.options, saw=saw)

    def in_use(self) -> list[Pattern]:
        """Patterns that any of the linear programs took, in part at least."""
        used = {k for one in self.settled for k in np.flatnonzero(one.x > 1e-9).tolist()}
        return [self.master.patterns[k] for k in sorted(used)]

    def all_but(self, known: Iterable[int]) -> Pricing | None:
        """Of the other posts; None when there are none."""
        new = np.setdiff1d(np.arange(len(self.posts)), list(known))
        return Pricing([self.posts[k] for k in new], self.options, new) if new.size else None

    def once_more(self, proof: Proof, known: Mapping[int, float], new: Pricing | None) -> Settled:
        """What is known at the prices of an earlier plan, for which only new posts are searched."""
        self.allow(proof.allowed, proof.out)
        price = self.master.by_row(proof.prices, proof.leaving)
        tables, _ = self._priced(price)
        least = np.full(len(self.posts), proof.leaving)
        least[list(known)] = list(known.values())
        if new is not None:
            some = new.numbers
            least[some], patterns = new.cheapest(tables, least[some], PATTERNS_OF_A_NEW_ONE)
            least[some], more = new.lifted(tables, least[some], in_the_box=False)
            self.master.add([*patterns, *more])
        bound = float(least.sum()) - self.master.worth_of_stock(price)
        x = np.zeros(self.master.cost.size)
        return Settled(proof.allowed, proof.out, bound, bound, x, price, least, 0.0)

    def _settle(self, best_bound: float, best_price: Floats, *, lifts: bool, cutoff: float) -> Settled:
        master = self.master
        settled = settled_gap(len(self.posts))
        number, last, best_least = 0, np.inf, self.least
        # The duals of few patterns jump: they are held about the best prices until these are calm.
        master.hold(best_price, WIDTH)
        while True:
            objective, x, raw = master.solve()
            enough = SPLIT_GAP if self.splits and in_parts(master.left_out) else settled
            # Once the program hardly moves its duals are calm: lean on them.
            share = SMOOTHING if last - objective > enough * objective else SMOOTHING / 5
            last = objective
            if self.progress is not None:
                self.progress(best_bound, objective)
            missing = objective - best_bound
            if master.width:
                if not master.pulls:
                    master.let_go()
                    continue
                if missing <= CALM * max(1.0, objective):
                    if master.width > WIDEST:
                        master.let_go()
                    else:
                        master.hold(best_price, 4.0 * master.width)
                    continue
            close = missing <= enough * max(1.0, objective)
            if close and not lifts:
                # Lifted feet seldom pay: looked for once the rest is settled, and counted from then on.
                lifts = True
                best_price = self.master.grown(best_price)
                best_bound, new = self._round(best_price, lifts=True, known=best_least)
                best_least = self.least
                if new:
                    last = np.inf
                    continue
                close = objective - best_bound <= enough * max(1.0, objective)
            if close or number >= self.most or best_bound >= cutoff:
                break
            if self.at_an_end():
                self.stopped = True
                break
            number += 1
            best_price = self.master.grown(best_price)
            price = share * best_price + (1.0 - share) * raw
            bound, new = self._round(price, lifts=lifts)
            if bound > best_bound:
                best_bound, best_price, best_least = bound, price, self.least
                if master.width:
                    master.hold(best_price, master.width)
            if not new and not np.array_equal(price, raw):
                bound, new = self._round(raw, lifts=lifts)
                if bound > best_bound:
                    best_bound, best_price, best_least = bound, raw.copy(), self.least
            if not new and master.width:
                master.let_go()
                continue
            if not new and not lifts:
                lifts = True
                best_bound, new = self._round(best_price, lifts=True, known=best_least)
                best_least = self.least
            if not new:
                if self.rough or self.one_by_one or (self.counted and len(self.posts) > MOST_EXACT):
                    break
                self.counted, self.one_by_one = True, self.counted
        if not lifts:
            # Stopped before lifted feet were counted: the bound has to hold for them too.
            best_bound, _ = self._round(self.master.grown(best_price), lifts=True, known=best_least)
            best_least = self.least
        self.count += number
        allowed = frozenset(self.allowed_options.saw.settings_deg)
        price = self.master.grown(best_price)
        done = Settled(allowed, self.out, objective, best_bound, x, price, best_least, master.left_out)
        self.settled.append(done)
        return done

    def _open(self, bound: float, best_price: Floats) -> tuple[float, Floats]:
        """A few steps up the bound before the first linear program: its raw duals would be wild.

        Subgradient steps (Polyak) towards a target a little above the best bound, each row in shares of its
        capacity; the target comes nearer whenever a step does not climb.
        """
        master = self.master
        best, price, best_least, hope = bound, best_price, self.least, OPENING_HOPE
        for _ in range(OPENING_ROUNDS):
            over = master.usage(master.priced(price)) - master.capacity
            over = np.where((price <= 0.0) & (over < 0.0), 0.0, over)
            length = float((over * over / np.maximum(master.capacity, 1e-9)).sum())
            if length <= 0.0:
                break
            step = (best * (1.0 + hope) - bound) / length
            price = np.maximum(0.0, price + step * over / np.maximum(master.capacity, 1e-9))
            bound, _ = self._round(price, lifts=False)
            if bound > best:
                best, best_price, best_least = bound, price, self.least
            else:
                hope /= 2.0
            if self.progress is not None:
                self.progress(best, bound)
        self.least = best_least
        return best, best_price

    def _priced(self, price: Floats) -> tuple[Tables, Floats]:
        """Tables at these prices, and what each post's cheapest known pattern costs at them."""
        prices = self.master.prices(price)
        tables = Tables(self.tables.lots, self.allowed_options, prices, self.tables.length)
        return tables, self._ceiling(price)

    def _ceiling(self, price: Floats) -> Floats:
        ceiling = np.full(len(self.posts), self.master.leaving(price))
        np.minimum.at(ceiling, self.master.post, self.master.priced(price))
        return ceiling

    def _round(
        self, price: Floats, *, lifts: bool, keep: int = PATTERNS_A_ROUND, known: Floats | None = None
    ) -> tuple[float, int]:
        """Search all posts at these prices, lifted feet too if `lifts`: (bound, how many are new).

        `known`: what they cost at least at these prices, lifts or more saw settings not counted. A post that
        has a pattern so cheap is searched for lifts only.
        """
        tables, ceiling = self._priced(price)
        part, least, some = self.pricing, np.zeros(len(self.posts)), np.arange(len(self.posts))
        if known is not None:
            least, some = known.copy(), np.flatnonzero(ceiling > known + 1e-6)
            part = self.pricing.some(some)
        found, patterns = part.cheapest(tables, ceiling[some], keep)
        least[some], self.pricing.guess[some] = np.maximum(least[some], found), part.guess
        new = self.master.add(patterns)
        have = self._ceiling(price)
        doubtful = np.flatnonzero(
            (least < have - 1e-6) & (self.counted | (have >= self.master.leaving(price)))
        )
        if doubtful.size:
            least[doubtful], more = self.pricing.some(doubtful).gone_through(tables, have[doubtful])
            new += self.master.add(more)
        if lifts:
            least, more = self.pricing.lifted(tables, least, in_the_box=self.counted)
            new += self.master.add(more)
            if self.one_by_one:
                new += self._true_to_the_box(tables, price, least)
        self.least = least
        return float(least.sum()) - self.master.worth_of_stock(price), new

    def _true_to_the_box(self, tables: Tables, price: Floats, least: Floats) -> int:
        """Posts whose best pattern in the box is still not known, one at a time; how many were new."""
        have, bare, patterns = self._ceiling(price), without_set_ups(tables), []
        for post in np.flatnonzero(least < have - 1e-6).tolist():
            bound, pattern = cheapest_in_box(self.posts[post], post, bare, float(have[post]))
            least[post] = max(least[post], bound)
            patterns += [] if pattern is None else [pattern]
        return self.master.add(patterns)

    def enrich(self, settled: Settled, spare: float, keep: int) -> int:
        """More patterns: those of each post within `spare` of its cheapest at the best prices, up to `keep`.

        A pattern beyond (best plan - bound) of the cheapest can be in no better plan, so with the whole of
        that as spare and no post cut short, the integer program over what is there then is exact. Some posts
        at a time, as long as there is time. Returns how many were new.
        """
        self.allow(settled.allowed, settled.out)
        pricing, leaving = self.pricing, self.master.leaving(settled.price)
        tables, ceiling = self._priced(self.master.grown(settled.price))
        found: list[Pattern] = []
        for first in range(0, len(self.posts), POSTS_AT_ONCE):
            if self.at_an_end():
                break
            some = np.arange(first, min(first + POSTS_AT_ONCE, len(self.posts)))
            part = pricing.some(some)
            part.guess = np.full(some.size, leaving)
            found += part.cheapest(tables, ceiling[some] + spare, keep)[1]
        return self.master.add(found)

    def within(self, settled: Settled, best: float) -> tuple[Tables, Floats]:
        """Tables at the best prices, and what at these no pattern of a plan below `best` costs (P,).

        `best` without set-ups.
        """
        self.allow(settled.allowed, settled.out)
        price = self.master.grown(settled.price)
        bound = float(settled.least.sum()) - self.master.worth_of_stock(price)
        return self._priced(price)[0], settled.least + best - bound
