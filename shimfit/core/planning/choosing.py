"""The posts planned together: from rounds of prices to the best patterns in whole pieces.

Rounds of prices and patterns (`rounds`), then the integer program (`whole`) over the patterns worth
offering. Of a long run the patterns that the linear program is sure of are taken first, which leaves a small
program. Where posts are left out in parts, plans that leave out fewer and more are told apart
(`_by_settings`). Where the gap stays wide, more patterns about the best prices are looked for and the choice
is made again, as it is with shorter strips where the chosen wedges can't be sawn from them.

A run planned again with a few posts changed keeps its proofs and most of its choice (`_again`). Only posts
that changed are searched; of the others it is chosen anew for those that have what a new one wants, or that
cost most above their cheapest. With one of 200 posts read anew that is .09 of the first plan's work.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from dataclasses import dataclass, field, replace
from heapq import heappop, heappush
from typing import TYPE_CHECKING

import numpy as np

from shimfit.core.ledger import Ledger
from shimfit.core.packing.pieces import Prices
from shimfit.core.planning.every import every_pattern
from shimfit.core.planning.patterns import packs_behind, turned
from shimfit.core.planning.rounds import FEW, MOST_ROUNDS, SECTION, EarlierPlan, Proof, Rounds, Settled
from shimfit.core.planning.whole import Chosen, Offered, choose, dive, greedy, worth_offering

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from shimfit.core.packing.tables import Tables
    from shimfit.core.planning.geometry import PlanPost
    from shimfit.core.planning.patterns import Pattern
    from shimfit.core.planning.program import Patience, Solver
    from shimfit.core.planning.rounds import Earlier

PATTERNS_A_POST = 12
"""Patterns of a post that the integer program is offered at first."""
PROVEN = 1e-6
"""Gap up to which a plan is proven."""
CHOOSING_GAP = 1e-5
"""Gap at which the integer program of a short run may stop."""
ENRICH_GAP = 5e-4
"""Gap from which it is worth looking for more patterns."""
LONG_GAP = 1e-3
"""The same for long runs, whose last hundredths of a percent would cost most of the time."""
LONGER_GAP = 2e-3
"""And for those that begin from a section."""
LONG_CHOOSING_GAP, FIRST_GAP = 4e-4, 1e-2
"""That of a long one, of the whole run's cost; and while it is open which saw settings to pay for: with all
of them branching takes many times as long as with those that turn out worth it."""
SURE = 0.99
"""Share of a pattern in the linear program from which a long run takes it as it is, at first."""
MOSTLY = 2 / 3
"""Share of the posts that are sure from which they are taken as they are, at first."""
STILL_GOOD = (0.3, 0.0)
"""Shares of the posts that keep what an earlier plan gave them: one after the other until that is enough."""
WANTED = 4
"""Patterns of a post that is new, the cheapest, whose lots others are asked to give back."""
MOSTLY_UNCHANGED = 0.75
"""Share of the posts that must be as they were for an earlier plan's proofs to be put right."""
ENRICH_STEPS = ((60, 0.6), (300, 1.5))
"""(patterns a post, cost above its cheapest that is looked at, in pieces)."""
DIVES = 6
"""Of one linear program."""
POSTS_ANEW, IDLE_TRIES = 8, 10
"""Posts that are chosen for anew beside the others; such tries, one after another, that found nothing."""
MOST_TURNED = 600
"""Ways to begin the stretches of the patterns offered beyond which it is not chosen from all at once."""
WIDE_GAP = 2e-3
"""Gap from which that is tried."""
CLOSER_LOOKS = 3
"""Choices of saw settings that more patterns are looked for in."""
MOST_PATTERNS = 6_000
"""Patterns that may matter up to which it is chosen from all of them."""
GOOD_GAP = 4.5e-3
"""(plan - bound) ÷ plan of a short run up to which the bound is raised by all patterns of plans so cheap."""
NEARER, MOST_NEAR = (1.0, 0.5, 0.25, 0.125), 6_000
"""Parts of the way there, the first at which these are no more than that."""
ENRICH_MOST = 12_000
"""Patterns in all, about: more are too many for the integer program."""
SHARE_FOR_ROUNDS = 0.7
"""Of the time; the rest is kept for choosing."""
QUICK_ROUNDS = 12
"""Rounds of prices where work is counted instead of timed."""
STRIP_TRIES = 6
"""Times that a choice is made anew for strips that its wedges can't be sawn from."""
STRIP_SHORTER = 0.93
"""Length that such a strip is then given, as a share of what it had before."""


def enough_gap(posts: int, *, long: bool) -> float:
    """(plan - bound) ÷ plan at which no more is looked for; half of `PROVEN` where nothing is left open."""
    if posts >= 2 * SECTION:
        return LONGER_GAP
    if long:
        return LONG_GAP
    return ENRICH_GAP if posts > FEW else PROVEN / 2


@dataclass(frozen=True, slots=True)
class Together:
    """What was chosen for all posts at once."""

    patterns: tuple[Pattern, ...] | None
    """None: stopped before anything was chosen."""
    bound: float
    """No choice costs less."""
    rounds: int
    stopped: bool


def choose_together(
    posts: Sequence[PlanPost],
    tables: Tables,
    solver: Solver,
    patience: Patience,
    *,
    long: bool,
    earlier: Earlier | None = None,
) -> Together:
    """The best patterns for rectangular posts that all need packs; a pattern's `post` counts in `posts`.

    `long`: the run is too long to close the last of the gap. `earlier`: what an earlier plan knew; it is
    given what this one knows.
    """
    before = None if earlier is None else earlier.of(tables)
    choosing = _Choosing(posts, tables, solver, patience, long=long, before=before)
    done = choosing.done()
    if earlier is not None and done.patterns is not None and not (done.stopped or patience.quick):
        earlier.keep(tables, choosing.known(done.patterns))
    return done


@dataclass(frozen=True, slots=True, order=True)
class _Node:
    """Plans that pay for the saw settings in `paid` and use none but those in `allowed`."""

    bound: float
    """None of them costs less, its set-ups counted."""
    number: int
    settled: Settled = field(compare=False)
    """What the rounds know of these settings, or of more."""
    allowed: frozenset[float] = field(compare=False)
    out: tuple[int, int] = field(compare=False)
    """How many posts they leave out, at least and at most."""
    paid: frozenset[float] = field(compare=False)
    more: bool = field(compare=False, default=False)
    """At least one more has to be paid for."""
    closed: bool = field(compare=False, default=False)
    """Every plan that may be better was looked at."""


class _Choosing:
    """From the rounds to a choice."""

    def __init__(
        self, posts: Sequence[PlanPost], tables: Tables, solver: Solver, patience: Patience, *, long: bool,
        before: EarlierPlan | None,
    ) -> None:  # fmt: skip
        self.before, self.unchanged = before, {} if before is None else before.unchanged(posts)
        self.posts, self.tables = posts, tables
        self.solver, self.patience, self.long = solver, patience, long
        self.enough = enough_gap(len(self.posts), long=long)
        # Where stretches begin behind cuts, or by themselves, there are many ways of each pattern.
        self.some_anew = tables.options.share_cuts and len(posts) > FEW
        self.steps = ENRICH_STEPS[: 1 if self.some_anew else None]
        self.set_up = self.tables.options.costs.saw_set_up
        stands = self.tables.options.saw.stands_at_deg
        self.free = frozenset() if stands is None else frozenset([stands])
        """Settings that cost nothing."""
        self.bound, self.stopped = 0.0, False
        self.proofs: list[Proof] = []
        self.gap, self.prices = math.inf, Prices()
        rounds = patience.part(SHARE_FOR_ROUNDS)
        of_the_bound = None if patience.progress is None else lambda bound, _: patience.tell(bound, None)
        most = QUICK_ROUNDS if patience.quick else MOST_ROUNDS
        self.rounds = Rounds(
            posts, tables, solver, rounds.at_an_end, of_the_bound, most=most, rough=patience.quick
        )
        self.rounds.splits = not (long or patience.quick)

    def done(self) -> Together:
        """What was planned before with the few posts that changed in their new places; else all anew."""
        chosen, before = None, self.before
        if before is not None:
            self.rounds.master.add(
                replace(pattern, post=number)
                for number, name in self.unchanged.items()
                for pattern in before.patterns[name]
            )
            if len(self.unchanged) >= MOSTLY_UNCHANGED * len(self.posts):
                chosen = self._again(before)
        if chosen is None or not self._enough(chosen):
            chosen = self._anew(chosen)
        if chosen is None:
            return Together(None, self.bound, self.rounds.count, stopped=True)
        self.patience.tell(self.bound, chosen.objective)
        return Together(chosen.patterns, self.bound, self.rounds.count, self.stopped)

    def known(self, chosen: Sequence[Pattern]) -> EarlierPlan:
        """For planning again."""
        patterns: dict[str, list[Pattern]] = {post.name: [] for post in self.posts}
        for pattern in worth_offering(self.rounds.master, self.best, PATTERNS_A_POST, chosen):
            patterns[self.posts[pattern.post].name].append(pattern)
        by_name = {post.name: post for post in self.posts}
        given = {self.posts[pattern.post].name: pattern for pattern in chosen}
        return EarlierPlan(by_name, self.prices, self.proofs, patterns, given, self.gap)

    def _again(self, before: EarlierPlan) -> Chosen | None:
        """From the plan before, with its proofs put right for the posts that changed.

        A bound loses what the old post cost at its prices and gains what the new one does: the rest stands.
        """
        new, settled, proofs = self.rounds.all_but(self.unchanged), None, []
        self.bound = math.inf
        for proof in before.proofs:
            least = {number: proof.least[name] for number, name in self.unchanged.items()}
            known = self.rounds.once_more(proof, least, new)
            proofs.append(replace(proof, least=self._by_name(known)))
            if known.bound + proof.to_pay < self.bound:
                self.bound, settled = known.bound + proof.to_pay, known
        assert settled is not None
        self.proofs, self.best, self.prices, self.gap = proofs, settled, before.prices, before.gap
        begun = self._as_before(settled)
        gap = self.enough if self.long else max(before.gap, CHOOSING_GAP)
        best: Chosen | None = None
        for share in STILL_GOOD:
            chosen = self._choose(settled, begun, sure=self._still_good(settled, begun, share), quick=True)
            best = min(filter(None, (best, chosen)), key=lambda one: one.objective, default=None)
            if best is not None and best.objective - self.bound <= gap * best.objective:
                break
            gap = self.enough
        return best

    def _anew(self, chosen: Chosen | None) -> Chosen | None:
        """All steps, from the prices of the plan before where there was one, and what it made of the run."""
        root = self.rounds.first(None if self.before is None else self.before.prices)
        self.bound, self.stopped = max(self.bound, root.bound), self.rounds.stopped
        self.rounds.progress = None
        self.prices = self.rounds.master.prices(root.price)
        begun = self._as_before(root) if chosen is None else chosen.patterns
        self.rounds.at_an_end = self.patience.part(SHARE_FOR_ROUNDS).at_an_end
        if not (self.long or self.patience.quick):
            dived = self._dived(root, self._as_begun(begun))
            # The same is chosen from next, unless it is open which saw settings to pay for.
            use = any(self.rounds.master.patterns[k].needs - self.free for k in np.flatnonzero(root.x > 1e-9))
            first = use or root.in_parts or self.stopped
            chosen = self._choose(root, dived.patterns, quick=root.in_parts) if first else dived
        sure = self._sure(root) if self.long and chosen is None else ()
        # Where few posts are sure, so is little: what is left may not fit beside them.
        if len(sure) > MOSTLY * len(self.posts):
            chosen = self._choose(root, begun, sure=sure)
        if chosen is None or (self.long and not self.stopped and not self._enough(chosen)):
            begun = begun if chosen is None else chosen.patterns
            chosen = self._choose(root, begun, gap=FIRST_GAP if self.long else 0.0)
        if chosen is not None and not self.stopped and not self.patience.quick:
            chosen = self._by_settings(root, chosen)
            self.gap = (chosen.objective - self.bound) / max(chosen.objective, 1e-9)
        return chosen

    def _by_name(self, settled: Settled) -> dict[str, float]:
        return {post.name: cost for post, cost in zip(self.posts, settled.least.tolist(), strict=True)}

    def _sure(self, settled: Settled) -> tuple[Pattern, ...]:
        """Patterns that the linear program takes whole: most of a long run, which leaves a small program.

        None where it was stopped while stock was on credit, of which it takes more than there is.
        """
        if self.rounds.master.pulls:
            return ()
        return tuple(self.rounds.master.patterns[k] for k in np.flatnonzero(settled.x > SURE))

    def _as_before(self, settled: Settled) -> tuple[Pattern, ...]:
        """What an earlier plan gave posts that have not changed, and what goes beside it for the others."""
        before = {} if self.before is None else self.before.chosen
        kept = [
            replace(before[name], post=number) for number, name in self.unchanged.items() if name in before
        ]
        if not kept:
            return ()
        offered = worth_offering(self.rounds.master, settled, PATTERNS_A_POST, kept)
        return (*kept, *greedy(self.tables, offered, {}, kept))

    def _still_good(self, settled: Settled, begun: Sequence[Pattern], share: float) -> tuple[Pattern, ...]:
        """Those of an earlier plan that stay: others have nothing the new posts want, and are cheap for them.

        What lies between a plan and its bound is the sum of what patterns cost above their posts' cheapest at
        the prices, and of stock that is left over: the posts of the largest of them are chosen for anew.
        """
        master, cost = self.rounds.master, self._cost_by_key(settled)
        wanted = set[int]()
        for post in {pattern.post for pattern in master.patterns} - set(self.unchanged):
            theirs = sorted(
                (one for one in master.patterns if one.post == post), key=lambda one: cost[one.key]
            )
            wanted.update(rank for one in theirs[:WANTED] for rank in one.uses.ranks)
        left = Counter({rank: self.tables.lots[rank].count for rank in wanted})
        left.subtract(rank for one in begun for rank in one.uses.ranks if rank in wanted)

        def over(one: Pattern) -> tuple[bool, float, int]:
            """Whether it has what a new post wants; what it costs too much."""
            has = any(rank in wanted and left[rank] <= 0 for rank in one.uses.ranks)
            return has, cost.get(one.key, math.inf) - float(settled.least[one.post]), one.post

        kept = sorted((one for one in begun if one.post in self.unchanged), key=over)
        return tuple(kept[: math.floor(share * len(self.posts))])

    def _cost_by_key(self, settled: Settled) -> dict[tuple[object, ...], float]:
        """What the patterns cost at the prices."""
        master = self.rounds.master
        priced = master.priced(master.grown(settled.price)).tolist()
        return {pattern.key: price for pattern, price in zip(master.patterns, priced, strict=True)}

    def _enough(self, chosen: Chosen) -> bool:
        return chosen.objective - self.bound <= self.enough * chosen.objective

    def _by_settings(self, root: Settled, chosen: Chosen) -> Chosen:
        """Which saw settings to pay for: the least bound over all choices, and a closer look at the best.

        Where posts are left out in parts, plans that leave out fewer are first told from those that leave out
        more: of half a post the linear program makes half a post's price. Best first. The open choice with
        the least bound is asked which setting d that is not paid for yet the linear program uses most. Then a
        plan sets the saw to nothing more; or to d; or to something more but not d: two of the three cost one
        more set-up at once, which often is all that need be known of them.
        A choice that uses only what it pays for is settled: its bound is the bound of all, and patterns about
        its prices are looked for.
        """
        every = self.free if self.set_up > 0.0 else root.allowed
        heap = [_Node(root.bound, 0, root, root.allowed, root.out, every)]
        number, looked = 0, 0
        left: list[_Node] = []
        while heap and not self._enough(chosen):
            if self.patience.at_an_end():
                self.stopped = True
                break
            node = heappop(heap)
            if not looked:
                self.bound = max(self.bound, min(node.bound, chosen.objective))
            if node.closed or node.bound >= chosen.objective * (1.0 - self.enough) or looked >= CLOSER_LOOKS:
                left.append(node)
                break
            wider = node.settled
            if (node.allowed, node.out) != (wider.allowed, wider.out):
                to_pay = self._to_pay(node)
                settled = self.rounds.narrowed(wider, node.allowed, node.out, chosen.objective - to_pay)
                heappush(heap, replace(node, bound=max(node.bound, settled.bound + to_pay), settled=settled))
                if node.out != wider.out and settled.bound + to_pay < chosen.objective:
                    chosen = self._dived(settled, chosen)
                continue
            fewer = math.floor(wider.left_out)
            # Where even so many are too few for the program, to ask again would tell nothing new.
            if self.rounds.splits and wider.in_parts and fewer < node.out[1]:
                for out in ((fewer + 1, node.out[1]), (node.out[0], fewer)):
                    number += 1
                    heappush(heap, replace(node, number=number, out=out))
                continue
            use = self._use(node)
            if not use and not node.more:
                chosen, bound = self._look_closer(node, chosen)
                looked += bound is None
                if bound is None or looked:
                    left.append(node)
                else:
                    heappush(heap, replace(node, bound=max(node.bound, bound), closed=True))
                continue
            open_ = sorted(node.allowed - node.paid)
            most = max(open_, key=lambda deg: use.get(deg, 0.0))
            ways = [
                replace(node, paid=node.paid | {most}, more=False),
                replace(node, allowed=node.allowed - {most}, more=True),
            ]
            if not node.more:
                ways.append(replace(node, allowed=node.paid & node.allowed))
            for way in ways:
                if way.more and not way.allowed - way.paid:
                    continue
                number += 1
                bound = max(node.bound, node.settled.bound + self._to_pay(way))
                heappush(heap, replace(way, number=number, bound=bound))
        left += heap
        if min(node.bound for node in left) >= self.bound - PROVEN or not self.proofs:
            # What is shown with some settings, the less to pay the better, holds for all that share it.
            left.sort(key=self._to_pay, reverse=True)
            least = {(node.settled.allowed, node.settled.out): node for node in left}
            self.proofs, self.best = list(map(self._proof, least.values())), min(left).settled
        return chosen

    def _proof(self, node: _Node) -> Proof:
        """What is known of a node, without the posts' numbers and the program's rows."""
        settled = node.settled
        prices = self.rounds.master.prices(settled.price)
        leaving = self.rounds.master.leaving(settled.price)
        return Proof(
            settled.allowed, settled.out, self._to_pay(node), prices, leaving, self._by_name(settled)
        )

    def _dived(self, settled: Settled, chosen: Chosen) -> Chosen:
        """The best of some dives, or what was there: the dearer leaving a post out, the more are served."""
        unsolved = self.tables.options.costs.unsolved
        low = min(max(1.0, self.rounds.master.leaving(settled.price)), unsolved)
        for leaving in dict.fromkeys(np.geomspace(low, unsolved, DIVES).tolist()):
            if self.patience.at_an_end():
                break
            other = self._as_begun(dive(self.rounds.master, settled, leaving))
            chosen = min(chosen, other, key=lambda one: one.objective)
        return chosen

    def _to_pay(self, node: _Node) -> float:
        """What setting the saw costs at least."""
        return self.set_up * (len(node.paid - self.free) + node.more)

    def _use(self, node: _Node) -> dict[float, float]:
        """How much the linear program uses settings that are not paid for."""
        use: dict[float, float] = defaultdict(float)
        patterns = self.rounds.master.patterns
        for k in np.flatnonzero(node.settled.x > 1e-9).tolist():
            for deg in patterns[k].needs - node.paid:
                use[deg] += float(node.settled.x[k])
        return use

    def _look_closer(self, node: _Node, chosen: Chosen) -> tuple[Chosen, float | None]:
        """Choose among these settings; where the gap is wide, from more patterns about the best prices.

        From every pattern that matters as soon as these are few: then also what no plan of the node is below,
        else None. Where the gap stays wide they are few that a plan below some cheaper goal may hold: either
        one is found there, or the goal is a bound.
        """
        offered = worth_offering(self.rounds.master, node.settled, PATTERNS_A_POST, chosen.patterns)
        wide = self.some_anew and sum(2 ** len(one.uses.stretches) for one in offered) > MOST_TURNED
        for keep, pieces in ((0, 0.0), *self.steps):
            missing = chosen.objective - node.bound
            if missing <= self.enough * chosen.objective:
                break
            if self.patience.at_an_end():
                self.stopped = True
                break
            most = max(1, ENRICH_MOST // len(self.posts))
            if keep and not self.rounds.enrich(
                node.settled, min(missing, pieces * self.tables.options.costs.piece), min(keep, most)
            ):
                break
            offer = min(2 * keep, 2 * most) if keep else PATTERNS_A_POST
            if self.some_anew and (keep or wide):
                chosen = self._bettered(node, chosen)
            other = None if wide else self._choose(node.settled, chosen.patterns, most=offer)
            if other is not None and other.objective < chosen.objective:
                chosen = other
            if not self.long and (done := self._from_every(node, chosen, chosen.objective)):
                return done
        good = chosen.objective * (1.0 - GOOD_GAP)
        for part in NEARER if not self.long else ():
            if node.bound >= good:
                break
            done = self._from_every(node, chosen, node.bound + part * (good - node.bound), MOST_NEAR)
            if done is not None:
                return done
        return chosen, None

    def _from_every(
        self, node: _Node, chosen: Chosen, goal: float, most: int = MOST_PATTERNS
    ) -> tuple[Chosen, float] | None:
        """The best from every pattern that a plan below `goal` may hold; what none of the node is below.

        None where these patterns are more than `most`, and where there is no time left to look.
        """
        if self.patience.at_an_end():
            return None
        within = self.rounds.within(node.settled, goal - self._to_pay(node))
        every = every_pattern(self.rounds.pricing, *within, most)
        if every is None:
            return None
        below = goal if goal < chosen.objective else math.inf
        other = self._choose(node.settled, chosen.patterns, every=every, below=below)
        assert other is not None, "the plan so far is an answer"
        best = min(other, chosen, key=lambda one: one.objective)
        return best, min(other.bound, goal, chosen.objective)

    def _choose(
        self,
        settled: Settled,
        start: Sequence[Pattern],
        most: int = PATTERNS_A_POST,
        sure: Sequence[Pattern] = (),
        every: Sequence[Pattern] = (),
        *,
        quick: bool = False,
        gap: float = 0.0,
        below: float = math.inf,
    ) -> Chosen | None:
        """The integer program; strips that its wedges do not fit on are taken as shorter, and again.

        `sure` patterns are taken as they are. It is chosen from `every`, if given, in place of the rounds'.
        `quick`: few nodes are looked at. `gap`: one that is good enough where the usual is smaller.
        """
        done = {pattern.post for pattern in sure}
        master = self.rounds.master
        patterns = every or worth_offering(master, settled, most, start)
        patterns = [one for one in patterns if one.post not in done]
        if self.tables.options.share_cuts:
            patterns = [one for some in patterns for one in turned(self.tables, some)]
        # What it begins from may be turned, of patterns that are not offered.
        start = [one for one in start if one.post not in done]
        patterns = list({one.key: one for one in (*patterns, *start)}.values())
        share = {p.key: float(x) for p, x in zip(master.patterns, settled.x, strict=False)}
        start = start or greedy(self.tables, patterns, share, sure)
        shares: dict[int, float] = {}
        # What may be missing is a share of the whole run, of which the sure ones are a part.
        rest = max(settled.objective - sum(pattern.cost for pattern in sure), 0.1 * settled.objective)
        usual = LONG_CHOOSING_GAP * settled.objective / rest if self.long else min(CHOOSING_GAP, self.enough)
        gap = max(gap, usual)
        open_posts = [post for post in range(len(self.posts)) if post not in done]
        patience = replace(self.patience, quick=quick or self.patience.quick)
        if patience.progress is not None:
            patience = replace(patience, progress=self._tell)
        chosen, short, bound = None, list[int](), math.inf
        for _ in range(STRIP_TRIES):
            between = [one for places in master.between.values() for one in places]
            offered = Offered(patterns, open_posts, sure, start, shares, settled.out[0], between)
            other = choose(self.tables, offered, self.solver, patience, gap, below=below)
            if other is None and not sure and not shares:
                other = self._as_begun(start)
            if other is None:
                break
            # Strips are as long as they are in the first program: what it proves holds.
            bound = min(bound, other.bound)
            chosen = replace(self._beside(sure, other) if sure else other, bound=bound)
            short = self._too_short(chosen.patterns)
            if not short:
                break
            for rank in short:
                shares[rank] = shares.get(rank, 1.0) * STRIP_SHORTER
        if chosen is not None and short:
            chosen = self._without_strips(chosen, short)
        self.stopped = self.stopped or ((chosen is None or not chosen.proven) and self.patience.at_an_end())
        return chosen

    def _bettered(self, node: _Node, chosen: Chosen) -> Chosen:
        """Some posts at a time chosen for anew beside the others, each from twice as many patterns as usual.

        Oftener those that cost much above their cheapest at the prices. Where stretches share cuts the
        program of a run takes ten times as long: stopped early, it leaves posts out.
        """
        settled, unsolved = node.settled, self.tables.options.costs.unsolved
        cost, draw, idle = self._cost_by_key(settled), np.random.default_rng(0), 0
        while idle < IDLE_TRIES and chosen.objective - node.bound > WIDE_GAP * chosen.objective:
            if self.patience.at_an_end():
                self.stopped = True
                break
            over = np.full(len(self.posts), unsolved)
            for one in chosen.patterns:
                above = cost.get(one.key, one.cost) - settled.least[one.post]
                over[one.post] = min(max(0.0, above), unsolved)
            over += over.mean() / 10.0
            anew = draw.choice(over.size, min(over.size, POSTS_ANEW), replace=False, p=over / over.sum())
            sure = [one for one in chosen.patterns if one.post not in anew]
            other = self._choose(settled, chosen.patterns, most=2 * PATTERNS_A_POST, sure=sure)
            idle += 1
            if other is not None and other.objective < chosen.objective - PROVEN:
                chosen, idle = other, 0
        return chosen

    def _as_begun(self, start: Sequence[Pattern]) -> Chosen:
        """A plan to begin from as the choice."""
        served = {pattern.post for pattern in start}
        left = tuple(post for post in range(len(self.posts)) if post not in served)
        return Chosen(tuple(start), left, self._cost(start, left), proven=False)

    def _cost(self, patterns: Sequence[Pattern], left: Sequence[int]) -> float:
        """What patterns, posts left out and the set-ups to pay for cost."""
        settings = {deg for pattern in patterns for deg in pattern.needs}
        served = sum(pattern.cost for pattern in patterns)
        set_ups = self.set_up * len(settings - self.free)
        return served + self.tables.options.costs.unsolved * len(left) + set_ups

    def _without_strips(self, chosen: Chosen, ranks: Sequence[int]) -> Chosen:
        """The same without the patterns that take from some strip lots; their posts are left out."""
        kept = tuple(
            pattern
            for pattern in chosen.patterns
            if not any(rank in ranks for rank, _, _ in pattern.uses.lengths)
        )
        gone = {pattern.post for pattern in chosen.patterns} - {pattern.post for pattern in kept}
        left = (*chosen.unsolved, *sorted(gone))
        return Chosen(kept, left, self._cost(kept, left), proven=False)

    def _beside(self, sure: Sequence[Pattern], chosen: Chosen) -> Chosen:
        """What was chosen with what was sure; set-ups that the sure ones pay for are counted here."""
        cost = self._cost(sure, ())
        return replace(
            chosen, patterns=(*sure, *chosen.patterns), objective=chosen.objective + cost, proven=False
        )

    def _tell(self, _: float, best: float | None) -> None:
        self.patience.tell(self.bound, None if best is None else max(self.bound, best))

    def _too_short(self, patterns: Iterable[Pattern]) -> list[int]:
        """Ranks of the strip lots that the patterns' wedges can't be sawn from."""
        packs = [
            ("", pack)
            for pattern in patterns
            if pattern.uses.lengths
            for pack in packs_behind(self.posts[pattern.post], pattern, self.tables)
            if any(piece.is_sawn for piece in pack.pieces)
        ]
        saw, lots = self.tables.options.saw, self.tables.lots
        no_room = Ledger(lots).take(packs, saw.kerf_mm, hold_mm=saw.hold_mm).no_room if packs else ()
        return [rank for rank, lot in enumerate(lots) if lot.is_sawn and lot.lot in no_room]
