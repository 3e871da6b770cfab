"""The posts planned together: from rounds of prices to the best patterns in whole pieces.

Rounds of prices and patterns (`rounds`), then the integer program (`whole`) over the patterns worth
offering. Of a long run the patterns that the linear program is sure of are taken first, which leaves a small
program. Where the gap stays wide, more patterns about the best prices are looked for and the choice is made
again. Strips that the chosen wedges can't be sawn from are told shorter, and chosen again.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from shimfit.core.cutting import Wedge, assign
from shimfit.core.planning import whole
from shimfit.core.planning.building import packs_behind
from shimfit.core.planning.leftover import wedge_of
from shimfit.core.planning.offering import greedy, worth_offering
from shimfit.core.planning.rounds import Pricing, Rounds, enrich, generate

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from shimfit.core.packing.tables import Tables
    from shimfit.core.planning.geometry import PlanPost
    from shimfit.core.planning.patience import Patience
    from shimfit.core.planning.patterns import Pattern
    from shimfit.core.planning.program import Solver

PATTERNS_A_POST = 12
CHOOSING_GAP = 1e-4
ENRICH_GAP = 5e-4
"""Gap from which it is worth looking for more patterns."""
LONG_GAP = 1e-3
"""The same for long runs, whose last hundredths of a percent would cost most of the time."""
LONG_CHOOSING_GAP = 3e-4
SURE = 0.99
"""Share of a pattern in the linear program from which a long run takes it as it is, at first."""
ENRICH_STEPS = ((60, 6.0), (300, 15.0))
"""(patterns a post, cost above its cheapest that is looked at)."""
ENRICH_MOST = 12_000
"""Patterns in all, about: more are too many for the integer program."""
SHARE_FOR_ROUNDS = 0.7
STRIP_TRIES = 6
STRIP_SHORTER = 0.93
"""What is told of a strip whose wedges did not fit, as a share of what was told before."""


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
    posts: Sequence[PlanPost], tables: Tables, solver: Solver, patience: Patience, *, long: bool
) -> Together:
    """The best patterns for rectangular posts that all need packs; a pattern's `post` counts in `posts`.

    `long`: the run is too long to close the last of the gap.
    """
    pricing = Pricing(posts, tables.options, tables)
    until = patience.clock() + SHARE_FOR_ROUNDS * max(0.0, patience.seconds_left)
    rounds = generate(
        pricing,
        solver,
        until=until,
        clock=patience.clock,
        stop=patience.stop,
        progress=None if patience.progress is None else lambda bound, _: patience.tell(bound, None),
    )
    return _Choosing(rounds, solver, patience, long=long).done()


class _Choosing:
    """One choice after the rounds."""

    def __init__(self, rounds: Rounds, solver: Solver, patience: Patience, *, long: bool) -> None:
        self.rounds, self.solver, self.patience, self.long = rounds, solver, patience, long
        self.posts, self.tables = rounds.pricing.posts, rounds.pricing.tables
        self.bound, self.stopped = rounds.bound, rounds.stopped

    def done(self) -> Together:
        """Run all steps."""
        chosen = self._choose((), sure=self._sure()) if self.long else None
        if chosen is None or (
            not self.stopped and chosen.objective - self.bound > LONG_GAP * chosen.objective
        ):
            chosen = self._choose(() if chosen is None else chosen.patterns)
        if chosen is not None and not self.stopped:
            chosen = self._look_closer(chosen)
        if chosen is None:
            return Together(None, self.bound, self.rounds.count, stopped=True)
        self.patience.tell(self.bound, chosen.objective)
        return Together(chosen.patterns, self.bound, self.rounds.count, self.stopped)

    def _sure(self) -> tuple[Pattern, ...]:
        """Patterns that the linear program takes whole: most of a long run, which leaves a small program."""
        return tuple(self.rounds.master.patterns[k] for k in np.flatnonzero(self.rounds.x > SURE))

    def _look_closer(self, chosen: whole.Chosen) -> whole.Chosen:
        """Where the gap is wide, more patterns about the best prices, and choose again from there."""
        enough = LONG_GAP if self.long else ENRICH_GAP
        for keep, spare in ENRICH_STEPS:
            missing = chosen.objective - self.bound
            if missing <= enough * chosen.objective:
                break
            if self.patience.at_an_end():
                self.stopped = True
                break
            most = max(1, ENRICH_MOST // len(self.posts))
            if not enrich(self.rounds, min(missing, spare), min(keep, most), self.patience.at_an_end):
                break
            other = self._choose(chosen.patterns, most=min(2 * keep, 2 * most))
            if other is not None and other.objective < chosen.objective:
                chosen = other
        return chosen

    def _choose(
        self, start: Sequence[Pattern], most: int = PATTERNS_A_POST, sure: Sequence[Pattern] = ()
    ) -> whole.Chosen | None:
        """The integer program; strips that its wedges do not fit on are told shorter, and again.

        `sure` patterns are taken as they are.
        """
        settled = {pattern.post for pattern in sure}
        patterns = [one for one in worth_offering(self.rounds, most, start) if one.post not in settled]
        start = start or greedy(self.tables, patterns, self.rounds)
        shares: dict[int, float] = {}
        chosen, short = None, list[int]()
        for _ in range(STRIP_TRIES):
            other = whole.choose(
                self.tables,
                patterns,
                [post for post in range(len(self.posts)) if post not in settled],
                self.solver,
                seconds=max(0.0, self.patience.seconds_left),
                relative_gap=LONG_CHOOSING_GAP if self.long else CHOOSING_GAP,
                taken=sure,
                start=start,
                strip_share=shares,
                stop=self.patience.at_an_end,
                progress=None if self.patience.progress is None else self._tell,
            )
            if other is None and not sure and not shares:
                other = self._as_begun(start)
            if other is None:
                break
            chosen = self._beside(sure, other) if sure else other
            short = self._too_short(chosen.patterns)
            if not short:
                break
            for rank in short:
                shares[rank] = shares.get(rank, 1.0) * STRIP_SHORTER
        if chosen is not None and short:
            chosen = self._without_strips(chosen, short)
        self.stopped = self.stopped or ((chosen is None or not chosen.proven) and self.patience.at_an_end())
        return chosen

    def _as_begun(self, start: Sequence[Pattern]) -> whole.Chosen:
        """The plan to begin from as the choice: the time was up before the integer program had one."""
        served = {pattern.post for pattern in start}
        left = tuple(post for post in range(len(self.posts)) if post not in served)
        return whole.Chosen(tuple(start), left, self._cost(start, left), proven=False)

    def _cost(self, patterns: Sequence[Pattern], left: Sequence[int]) -> float:
        """What patterns, posts left out and the set-ups to pay for cost."""
        options = self.tables.options
        paid = {deg for pattern in patterns for _, deg in pattern.uses.settings} - {options.saw.stands_at_deg}
        served = sum(pattern.cost for pattern in patterns)
        return served + options.costs.unsolved * len(left) + options.costs.saw_set_up * len(paid)

    def _without_strips(self, chosen: whole.Chosen, ranks: Sequence[int]) -> whole.Chosen:
        """The same without the patterns that take from some strip lots; their posts are left out."""
        kept = tuple(
            pattern
            for pattern in chosen.patterns
            if not any(rank in ranks for rank, _, _ in pattern.uses.lengths)
        )
        gone = {pattern.post for pattern in chosen.patterns} - {pattern.post for pattern in kept}
        left = (*chosen.unsolved, *sorted(gone))
        return whole.Chosen(kept, left, self._cost(kept, left), proven=False)

    def _beside(self, sure: Sequence[Pattern], chosen: whole.Chosen) -> whole.Chosen:
        """What was chosen with what was sure; set-ups that the sure ones pay for are counted here."""
        cost = self._cost(sure, ())
        return replace(
            chosen, patterns=(*sure, *chosen.patterns), objective=chosen.objective + cost, proven=False
        )

    def _tell(self, _: float, best: float) -> None:
        self.patience.tell(self.bound, max(self.bound, best))

    def _too_short(self, patterns: Iterable[Pattern]) -> list[int]:
        """Ranks of the strip lots that the patterns' wedges can't be sawn from."""
        wedges: dict[int, list[Wedge]] = defaultdict(list)
        for pattern in patterns:
            if not pattern.uses.lengths:
                continue
            for pack in packs_behind(self.posts[pattern.post], pattern, self.tables):
                for piece in pack.pieces:
                    if piece.form == "strip":
                        wedges[self.tables.rank[piece.lot]].append(
                            wedge_of(f"{pattern.post}/{pack.seat}", piece)
                        )
        saw = self.tables.options.saw
        return [rank for rank, some in wedges.items() if assign(self.tables.lots[rank], some, saw) is None]
