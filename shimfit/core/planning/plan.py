"""The front door of planning: posts and a box in, one plan out, with a bound that no plan can beat.

1. Posts within their tolerance get nothing. Posts that the batch search does not cover (round feet, other
   layouts) are served one by one at the end.
2. Rounds of prices and patterns (`rounds`), then the integer program over the best patterns (`whole`).
3. Repair: each post left out is asked once more against what is left of the box, then against what one
   served post would give back. Strips that a plan can't be sawn from are told shorter, and chosen again.

Stopping early, by time or by the caller, keeps the best plan so far and says so.
"""

from __future__ import annotations

import math
import time
from collections import defaultdict
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from shimfit.core.cutting import Wedge, assign
from shimfit.core.foot import gap_plane
from shimfit.core.packing.answer import prescribe
from shimfit.core.packing.makeup import Build, packs_of
from shimfit.core.packing.places import place_of
from shimfit.core.packing.tables import Stack, build_tables
from shimfit.core.planning import whole
from shimfit.core.planning.geometry import LIFT_COST, PIVOT, seats_of
from shimfit.core.planning.leftover import as_cut_from, left_of, wedge_of
from shimfit.core.planning.offering import greedy, worth_offering
from shimfit.core.planning.planned import Planned, with_copies
from shimfit.core.planning.rounds import MOST_EXACT, Pricing, Rounds, enrich, generate
from shimfit.core.resting import rest_packs
from shimfit.errors import EntryError, InternalError
from shimfit.model import BESIDE_THE_OTHERS, Lean, Lot, Pack, Resting

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from numpy.typing import NDArray

    from shimfit.core.packing.options import Options
    from shimfit.core.planning.geometry import PlanPost
    from shimfit.core.planning.patterns import Pattern
    from shimfit.core.planning.program import Solver

    Floats = NDArray[np.float64]

PlanStatus = Literal["proven", "found", "gave-up"]

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
NEIGHBOURS = 8
STRIP_TRIES = 6
PROVEN = 1e-6
NOT_ASKED = "left out of a quick plan; why was not asked"


@dataclass(frozen=True, slots=True)
class Unsolved:
    """A post that the plan can't serve."""

    post: PlanPost
    why: str
    """What is missing and what to buy."""


@dataclass(frozen=True, slots=True)
class Plan:
    """One plan for all posts."""

    status: PlanStatus
    """`proven` within 1e-6 of the bound; `found` otherwise; `gave-up`: stopped before any plan was there."""
    objective: float
    bound: float
    """No plan of corner packs costs less."""
    planned: tuple[Planned, ...]
    unsolved: tuple[Unsolved, ...]
    stopped: bool
    """Stopped early by time or the caller: the best so far."""
    set_ups_deg: tuple[float, ...]
    """Saw settings that are paid for."""
    rounds: int
    seconds: float

    @property
    def gap(self) -> float:
        """(objective - bound) ÷ objective; 0 when nothing costs anything."""
        return (self.objective - self.bound) / self.objective if self.objective > 0 else 0.0


def plan(
    posts: Sequence[PlanPost],
    lots: Sequence[Lot],
    options: Options,
    solver: Solver,
    *,
    seconds: float = 60.0,
    stop: Callable[[], bool] | None = None,
    progress: Callable[[float, float | None], None] | None = None,
    clock: Callable[[], float] = time.monotonic,
    to_the_end: bool = True,
) -> Plan:
    """Plan all posts from one box. Deterministic unless the time runs out or `stop` says so.

    `progress` gets (bound, best plan's cost or None) as they move. `to_the_end`: posts left out are asked
    once more one by one, and why, even when the time is up; without it (posts that are only likely to come)
    the time holds, and why is not asked. EntryError for posts and lots that are none.
    """
    began = clock()
    work = _Work(tuple(posts), tuple(lots), options, solver, began + seconds, stop, progress, clock)
    return work.done(began, to_the_end=to_the_end)


class _Work:
    """One planning session."""

    def __init__(  # noqa: PLR0917 - it takes the quantities it takes
        self, posts: tuple[PlanPost, ...], lots: tuple[Lot, ...], options: Options, solver: Solver,
        until: float, stop: Callable[[], bool] | None, progress: Callable[[float, float | None], None] | None,
        clock: Callable[[], float],
    ) -> None:  # fmt: skip
        self.posts, self.lots, self.options, self.solver = posts, lots, options, solver
        self.until, self.stop, self.progress, self.clock = until, stop, progress, clock
        self.tables = build_tables(lots, options)
        self.planned: dict[int, Planned] = {}
        self.why: dict[int, str] = {}
        self.stopped = False
        self.bound, self.rounds = 0.0, 0
        self.batch: list[int] = []
        self.single: list[int] = []
        self.long = len(posts) > MOST_EXACT
        for number, post in enumerate(posts):
            self._sort(number, post)

    def _sort(self, number: int, post: PlanPost) -> None:
        along, across = post.to_correct
        gap_plane(post.foot, Lean(along, across))
        allowed = post.allowed_mm + post.margin_slope * post.height_mm
        size = max(abs(along), abs(across)) if post.tolerance.per_direction else math.hypot(along, across)
        if size * post.height_mm <= allowed * (1 + 1e-12):
            self.planned[number] = Planned(post, (), self._resting(post, ()), 0.0)
        elif (
            post.foot.round
            or post.feelers
            or post.allowed_mm <= 0.0
            or self.options.layout not in ("corners", "auto")
        ):
            self.single.append(number)
        else:
            self.batch.append(number)

    def _out_of_time(self) -> bool:
        return self.clock() >= self.until or (self.stop is not None and self.stop())

    def done(self, began: float, *, to_the_end: bool) -> Plan:
        """Run all steps."""
        if self.batch:
            self._plan_batch()
        for number in self.single:
            self._serve_alone(number)
        unsolved = [number for number in range(len(self.posts)) if number not in self.planned]
        unsolved = self._repair(unsolved, to_the_end=to_the_end)
        packs = [pack for one in self.planned.values() for pack in one.packs]
        set_ups = sorted(
            {piece.saw_deg for pack in packs for piece in pack.pieces if piece.saw_deg is not None}
        )
        weights = self.options.weights
        objective = sum(one.cost for one in self.planned.values()) + weights.unsolved * len(unsolved)
        paid = [deg for deg in set_ups if deg != self.options.saw.stands_at_deg]
        objective += weights.saw_set_up * len(paid)
        self.bound = min(self.bound, objective)
        proven = objective - self.bound <= PROVEN * max(1.0, objective) and not self.single
        gave_up = self.stopped and bool(self.batch) and not any(n in self.planned for n in self.batch)
        self.planned = with_copies(self.planned, self.lots, self.options)
        return Plan(
            "gave-up" if gave_up else "proven" if proven else "found",
            objective,
            self.bound,
            tuple(self.planned[number] for number in sorted(self.planned)),
            tuple(
                Unsolved(self.posts[number], self._why(number) if to_the_end else NOT_ASKED)
                for number in unsolved
            ),
            self.stopped,
            tuple(set_ups),
            self.rounds,
            self.clock() - began,
        )

    # ---------------------------------------------------------------- all at once

    def _plan_batch(self) -> None:
        posts = [self.posts[number] for number in self.batch]
        pricing = Pricing(posts, self.options, self.tables)
        rounds = generate(
            pricing,
            self.solver,
            until=self.clock() + SHARE_FOR_ROUNDS * max(0.0, self.until - self.clock()),
            clock=self.clock,
            stop=self.stop,
            progress=None if self.progress is None else self._tell,
        )
        self.bound, self.rounds, self.stopped = rounds.bound, rounds.count, rounds.stopped
        chosen = self._choose(rounds, [], sure=self._sure(rounds)) if self.long else None
        if chosen is None or (
            not self.stopped and chosen.objective - self.bound > LONG_GAP * chosen.objective
        ):
            chosen = self._choose(rounds, () if chosen is None else chosen.patterns)
        if chosen is not None and not self.stopped:
            chosen = self._look_closer(rounds, chosen)
        if chosen is None:
            self.stopped = True
            return
        for pattern in chosen.patterns:
            number = self.batch[pattern.post]
            self.planned[number] = self._planned(self.posts[number], pattern)
        if self.progress is not None:
            self.progress(self.bound, chosen.objective)

    def _look_closer(self, rounds: Rounds, chosen: whole.Chosen) -> whole.Chosen:
        """Where the gap is wide, more patterns about the best prices, and choose again from there."""
        enough = LONG_GAP if self.long else ENRICH_GAP
        for keep, spare in ENRICH_STEPS:
            missing = chosen.objective - self.bound
            if missing <= enough * chosen.objective or self._out_of_time():
                break
            most = max(1, ENRICH_MOST // len(self.batch))
            if not enrich(rounds, min(missing, spare), min(keep, most)):
                break
            other = self._choose(rounds, chosen.patterns, most=min(2 * keep, 2 * most))
            if other is not None and other.objective < chosen.objective:
                chosen = other
        return chosen

    def _tell(self, bound: float, _: float) -> None:
        assert self.progress is not None
        self.progress(bound, None)

    def _sure(self, rounds: Rounds) -> tuple[Pattern, ...]:
        """Patterns that the linear program takes whole: most of a long run, which leaves a small program."""
        return tuple(rounds.master.patterns[k] for k in np.flatnonzero(rounds.x > SURE))

    def _choose(
        self,
        rounds: Rounds,
        start: Sequence[Pattern],
        most: int = PATTERNS_A_POST,
        sure: Sequence[Pattern] = (),
    ) -> whole.Chosen | None:
        """The integer program; strips that its wedges do not fit on are told shorter, and again.

        `sure` patterns are taken as they are.
        """
        settled = {pattern.post for pattern in sure}
        patterns = [one for one in worth_offering(rounds, most, start) if one.post not in settled]
        start = start or greedy(self.tables, patterns, rounds)
        shares: dict[int, float] = {}
        chosen = None
        for _ in range(STRIP_TRIES):
            chosen = whole.choose(
                self.tables,
                patterns,
                [post for post in range(len(self.batch)) if post not in settled],
                self.solver,
                seconds=max(0.5, self.until - self.clock()),
                relative_gap=LONG_CHOOSING_GAP if self.long else CHOOSING_GAP,
                taken=sure,
                start=start,
                strip_share=shares,
                stop=self.stop,
                progress=None if self.progress is None else self._tell_whole,
            )
            if chosen is None:
                return None
            if sure:
                chosen = self._beside(sure, chosen)
            bad = [
                rank for rank, wedges in self._wedges(chosen.patterns).items() if not self._fit(rank, wedges)
            ]
            if not bad:
                break
            for rank in bad:
                shares[rank] = shares.get(rank, 1.0) * 0.93
        else:
            assert chosen is not None
            kept = [
                pattern
                for pattern in chosen.patterns
                if not any(rank in bad for rank, _, _ in pattern.uses.lengths)
            ]
            gone = {pattern.post for pattern in chosen.patterns} - {pattern.post for pattern in kept}
            chosen = replace(
                chosen, patterns=tuple(kept), unsolved=(*chosen.unsolved, *sorted(gone)), proven=False
            )
        self.stopped = self.stopped or (not chosen.proven and self._out_of_time())
        return chosen

    def _beside(self, sure: Sequence[Pattern], chosen: whole.Chosen) -> whole.Chosen:
        """What was chosen with what was sure; set-ups that the sure ones pay for are counted here."""
        stands = self.options.saw.stands_at_deg
        paid = {deg for pattern in sure for _, deg in pattern.uses.settings} - {stands}
        cost = sum(pattern.cost for pattern in sure) + self.options.weights.saw_set_up * len(paid)
        return replace(
            chosen, patterns=(*sure, *chosen.patterns), objective=chosen.objective + cost, proven=False
        )

    def _tell_whole(self, _: float, best: float) -> None:
        assert self.progress is not None
        self.progress(self.bound, max(self.bound, best))

    def _wedges(self, patterns: Iterable[Pattern]) -> dict[int, list[Wedge]]:
        found: dict[int, list[Wedge]] = defaultdict(list)
        for pattern in patterns:
            if not pattern.uses.lengths:
                continue
            for pack in self._builds(self.posts[self.batch[pattern.post]], pattern):
                for piece in pack.pieces:
                    if piece.form == "strip":
                        found[self.tables.rank[piece.lot]].append(
                            wedge_of(f"{pattern.post}/{pack.seat}", piece)
                        )
        return found

    def _fit(self, rank: int, wedges: Sequence[Wedge]) -> bool:
        return assign(self.tables.lots[rank], wedges, self.options.saw) is not None

    # ---------------------------------------------------------------- packs of a pattern

    def _builds(self, post: PlanPost, pattern: Pattern) -> tuple[Pack, ...]:
        tables = self.tables
        along, across = post.to_correct
        plane = gap_plane(post.foot, Lean(along, across))
        seats = seats_of(post)
        lift = sum(pack.steps for pack in pattern.packs if pack.seat == PIVOT)
        lift_mm = lift * self.options.quantum_mm
        builds = []
        for pack in pattern.packs:
            place = place_of(plane, seats[pack.seat], self.options, lift_mm)
            if place is None:
                raise InternalError("a plan put a pack where there is no room for one; please report the run")
            inner = pack.state == 1
            row = next(
                row
                for row in (tables.rows if pack.inner_mm is None else tables.inner_rows(pack.inner_mm)[0])
                if row.saw_deg == pack.saw_deg and (pack.tail is None) == (not row.runs)
                and (pack.tail is None or any(run.rank == pack.tail[0] for run in row.runs))
            )  # fmt: skip
            builds.append(
                Build(
                    place.seat, place, inner, pack.steps, row, Stack(0.0, pack.tail, pack.flats),
                    place.need_mm(inner),
                )
            )  # fmt: skip
        return packs_of(tables, builds, post.foot.rod_at_mm)

    def _planned(self, post: PlanPost, pattern: Pattern) -> Planned:
        packs = self._builds(post, pattern)
        return Planned(post, packs, self._resting(post, packs), pattern.cost)

    def _resting(self, post: PlanPost, packs: Sequence[Pack]) -> Resting:
        along, across = post.to_correct
        resting = rest_packs(
            post.foot, Lean(along, across), packs, self.options.preload_mm, rocks_mm=dict(post.feelers)
        )
        if post.aim is None or resting.lean is None:
            return resting
        lean = Lean(
            resting.lean.slope_along + post.aim.slope_along, resting.lean.slope_across + post.aim.slope_across
        )
        return replace(resting, lean=lean)

    # ---------------------------------------------------------------- one by one, from what is left

    def left(self, without: Iterable[int] = ()) -> tuple[Lot, ...]:
        """The box less what the plan uses; `without`: posts whose packs do not count."""
        gone = set(without)
        packs = [pack for number, one in self.planned.items() if number not in gone for pack in one.packs]
        return left_of(self.lots, packs, self.options)

    def _serve_alone(self, number: int) -> bool:
        post = self.posts[number]
        found = self._alone(post, self.left())
        if found is None:
            return False
        self.planned[number] = found
        return True

    def _alone(self, post: PlanPost, lots: Sequence[Lot]) -> Planned | None:
        """A post served from some lots as `prescribe` would; None when it can't be."""
        along, across = post.to_correct
        scale = post.allowed_mm / post.tolerance.allowed_top_mm(post.height_mm)
        margin = (1.0 - scale) * post.tolerance.allowed_slope(post.height_mm)
        answer = prescribe(
            post.foot,
            post.height_mm,
            Lean(along, across),
            post.tolerance,
            build_tables(lots, self.options),
            margin_slope=margin,
            feelers=dict(post.feelers),
        )
        if answer.status in ("impossible", "gave-up") or not answer.within:
            return None
        packs = tuple(as_cut_from(pack, self.lots) for pack in answer.packs)
        set_up = sum(amount for name, amount in answer.cost.parts if name == "saw set-ups")
        resting = self._resting(post, packs)
        lean = resting.lean
        if lean is None or not post.tolerance.holds(lean, post.height_mm):
            return None
        lifted = any(pack.seat == seats_of(post)[PIVOT] for pack in packs) and not post.foot.round
        extra = LIFT_COST if lifted and answer.layout == "corners" else 0.0
        return Planned(post, packs, resting, answer.cost.total - set_up + extra)

    def _repair(self, unsolved: list[int], *, to_the_end: bool) -> list[int]:
        """Posts still left out after asking what is left, and what one served neighbour would give back.

        This counts for more than the cost, so it is done `to_the_end` even when the time is up.
        """
        still = []
        for number in unsolved:
            if (self.stop is not None and self.stop()) or (not to_the_end and self._out_of_time()):
                self.stopped = True
                still.append(number)
            elif not (self._serve_alone(number) or self._swap(number)):
                still.append(number)
        return still

    def _swap(self, number: int) -> bool:
        post = self.posts[number]
        served = [other for other, one in self.planned.items() if one.packs]
        served.sort(key=lambda other: (_distance(post, self.posts[other]), other))
        for other in served[:NEIGHBOURS]:
            if self.stop is not None and self.stop():
                return False
            lots = self.left(without=[other])
            mine = self._alone(post, lots)
            if mine is None:
                continue
            theirs = self._alone(self.posts[other], left_of(lots, mine.packs, self.options))
            if theirs is not None:
                self.planned[number], self.planned[other] = mine, theirs
                return True
        return False

    def _why(self, number: int) -> str:
        """What is missing, from the whole box first: then the box itself can't; else the others took it."""
        post = self.posts[number]
        needs = needs_in_words(post)
        if self.stop is not None and self.stop():
            return f"planning was stopped before this post was served; {needs}"
        try:
            alone = self._alone(post, self.lots)
        except EntryError as error:
            return error.message
        if alone is not None:
            return f"the box holds enough for this post alone, {BESIDE_THE_OTHERS}: buy or cut more; {needs}"
        along, across = post.to_correct
        answer = prescribe(post.foot, post.height_mm, Lean(along, across), post.tolerance, self.tables)
        return f"{answer.why or 'nothing in the box makes it'}; {needs}"


def _distance(one: PlanPost, other: PlanPost) -> float:
    """How unlike two leans are: likely to want like pieces when small."""
    a, b = one.to_correct, other.to_correct
    return abs(abs(a[0]) - abs(b[0])) + abs(abs(a[1]) - abs(b[1]))


def needs_in_words(post: PlanPost) -> str:
    """The thicknesses that a post wants at its corners, as what to buy or cut."""
    along, across = post.to_correct
    plane = gap_plane(post.foot, Lean(along, across))
    gaps = sorted({round(gap, 2) for gap in plane.seats_mm.values() if gap > 0.005})
    listed = ", ".join(f"{gap:g}" for gap in gaps)
    return f"it wants packs of about {listed} mm" if listed else "it wants hardly anything"
