"""The front door of planning: posts and a box in, one plan out, with a bound that no plan can beat.

1. Posts within their tolerance get nothing.
2. The others are planned together (`choosing`), round feet on three or four packs each. Those that the batch
   search does not cover (corners that hang, other layouts) are served one by one from what is left.
3. Posts left out are asked once more, and `why` says what is missing. Of a short run each post is asked once
   more what it would take of what the others leave: shorter stretches behind theirs, whose tips are off, and
   for a round foot fewer packs; and the bound is one of such plans too.

Stopping early, by time or by the caller, keeps the best plan so far and says so.
"""

from __future__ import annotations

import math
import time
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

from shimfit.core.foot import gap_plane
from shimfit.core.ledger import Ledger
from shimfit.core.packing.tables import build_tables
from shimfit.core.planning.choosing import PROVEN, choose_together
from shimfit.core.planning.patterns import packs_behind, tips_cut
from shimfit.core.planning.planned import (
    NOT_ASKED,
    Planned,
    by_swapping,
    from_what_is_left,
    made_together,
    resting_on,
    serve_alone,
    why_left_out,
)
from shimfit.core.planning.program import Patience
from shimfit.core.planning.rounds import MOST_EXACT, Earlier
from shimfit.errors import InternalError
from shimfit.model import Lean

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from shimfit.core.packing.options import Options
    from shimfit.core.planning.geometry import PlanPost
    from shimfit.core.planning.program import Solver
    from shimfit.model import Lot

PlanStatus = Literal["proven", "found", "gave-up"]
SHARE_TOGETHER = 0.9
"""Of the time; the rest is kept for the posts left out, and for why."""
SHARE_FOR_SHARING = 0.5
"""Of what is left then, for a bound of plans in which posts share cuts."""
MOST_ONCE_MORE = 30
"""Posts up to which there is such a bound, and each is asked once more alone."""


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
    """No plan costs less in which all four corners carry (of a round foot none of three packs and more)."""
    knows_shared: bool
    """Nor one in which stretches of tapers are shorter and begin behind the cuts of others."""
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
    quick: bool = False,
    swaps: bool = True,
    why: bool = True,
    earlier: Earlier | None = None,
) -> Plan:
    """Plan all posts from one box. Deterministic unless the time runs out or `stop` says so.

    `progress` gets (bound, best plan's cost or None) as they move. The time holds whatever is left to do.
    `quick`: work is counted instead of timed, so that the answer is the same on any machine. `swaps`: posts
    that nothing is left for are tried with what others have, which takes long where many are left out; `why`:
    and why they are is asked, which posts that are only likely to come need not know. `earlier`: what an
    earlier plan of the run knew, which is told what this one knows; posts that have not changed since are
    then searched no more.
    EntryError for posts and lots that are none.
    """
    began = clock()
    patience = Patience(math.inf if quick else began + seconds, clock, stop, progress, quick)
    work = _Work(tuple(posts), tuple(lots), options, solver, patience, earlier)
    work.serve(swaps=swaps)
    return work.plan(began, why=why)


class _Work:
    """One planning session."""

    def __init__(  # noqa: PLR0917 - what a session is given, all of it
        self,
        posts: tuple[PlanPost, ...],
        lots: tuple[Lot, ...],
        options: Options,
        solver: Solver,
        patience: Patience,
        earlier: Earlier | None,
    ) -> None:
        self.earlier = earlier
        self.posts, self.lots, self.options = posts, lots, options
        self.solver, self.patience = solver, patience
        self.tables = build_tables(lots, options)
        self.planned: dict[int, Planned] = {}
        """By the post's number."""
        self.together: list[int] = []
        self.one_by_one: list[int] = []
        self.stopped = False
        self.bound, self.rounds = 0.0, 0
        self.may_share = any(lot.is_marked and (lot.length_mm or 0.0) > options.bearing_mm for lot in lots)
        """Stretches of tapers may begin behind the cuts of others, their tips off already."""
        for number, post in enumerate(posts):
            self._sort(number, post)
        self.knows_shared = not self.may_share or len(self.together) < 2
        """The bound is one of such plans too."""

    def _sort(self, number: int, post: PlanPost) -> None:
        """Plumb as it is, for the batch search, or for one by one."""
        gap_plane(post.foot, Lean(*post.to_correct))
        if post.stands:
            self.planned[number] = Planned(post, (), resting_on(post, (), self.options), 0.0)
        elif post.feelers or post.allowed_mm <= 0.0 or self.options.layout not in ("corners", "auto"):
            self.one_by_one.append(number)
        else:
            self.together.append(number)

    # ---------------------------------------------------------------- serving

    def serve(self, *, swaps: bool) -> None:
        """Serve all posts that can be: together, one by one, then once more those left out."""
        alone = len(self.together) == 1 and not self.one_by_one
        if alone:
            self._serve_the_only_one(self.together[0])
        if self.together and self.together[0] not in self.planned:
            self._serve_together()
        for number in self.one_by_one:
            if self.patience.at_an_end():
                self.stopped = True
                break
            self._serve_from_what_is_left(number)
        for number in self._left_out():
            if self.patience.at_an_end():
                self.stopped = True
            elif not self._serve_from_what_is_left(number) and swaps:
                self.planned |= by_swapping(
                    number, self.posts, self.planned, self.lots, self.options, self.patience
                )
        if len(self.together) <= (1 if self.patience.quick else MOST_ONCE_MORE):
            self._serve_from_remainders()
        if self.may_share and 2 <= len(self.together) <= MOST_ONCE_MORE:
            self._bound_with_shared_cuts()

    def _serve_the_only_one(self, number: int) -> None:
        """One post that wants packs has the box to itself: the single search, where it proves its answer."""
        found = serve_alone(self.posts[number], Ledger(self.lots), self.options)
        if found is not None and found.proven:
            self.planned[number] = found
            self.bound = self._cost(self.planned)

    def _serve_from_remainders(self) -> None:
        """Each post once more from what the others leave: the single search knows two cheaper ways.

        Planning together gives a stretch of a taper all that bears, its tip cut off. Behind a stretch that is
        cut anyway the tip is off: a shorter one that begins there saves a cut. A round foot may stand on its
        rim, on fewer packs.
        """
        self.planned, _ = self._made(self.planned)
        for number, one in list(self.planned.items()):
            others = [theirs for other, theirs in self.planned.items() if other != number]
            if not one.packs or not (one.post.foot.round or any(theirs.cuts for theirs in others)):
                continue
            if self.patience.at_an_end():
                break
            found = from_what_is_left(self.posts[number], others, self.lots, self.options)
            if found is None:
                continue
            # What began behind this post's cuts pays for a cut of its own where these have moved.
            trial, fits = self._made({**self.planned, number: found})
            if fits and self._cost(trial) < self._cost(self.planned) - PROVEN:
                self.planned = trial

    def _made(self, planned: Mapping[int, Planned]) -> tuple[dict[int, Planned], bool]:
        """The posts at what they cost made together; which copies they are cut from stays open.

        False where the box has no room for that.
        """
        made, no_room = made_together(planned, self.lots, self.options)
        return {n: replace(one, packs=planned[n].packs) for n, one in made.items()}, not no_room

    def _serve_together(self) -> None:
        posts = [self.posts[number] for number in self.together]
        long = len(self.posts) > MOST_EXACT
        patience = self.patience.part(SHARE_TOGETHER)
        chosen = choose_together(posts, self.tables, self.solver, patience, long=long, earlier=self.earlier)
        self.bound, self.rounds, self.stopped = chosen.bound, chosen.rounds, chosen.stopped
        for pattern in chosen.patterns or ():
            post = posts[pattern.post]
            packs = packs_behind(post, pattern, self.tables)
            resting, tips = resting_on(post, packs, self.options), tips_cut(self.tables, pattern)
            self.planned[self.together[pattern.post]] = Planned(post, packs, resting, pattern.cost, tips)

    def _bound_with_shared_cuts(self) -> None:
        """What the time that is left proves of plans in which posts share cuts; the plan is made by then.

        No stretch takes less, or costs less, than if every tip were off.
        """
        if self.stopped or self.patience.quick:
            return
        posts = [self.posts[number] for number in self.together]
        off = build_tables(self.lots, replace(self.options, tips_off=True))
        time_for_it = self.patience.part(SHARE_FOR_SHARING)
        shared = choose_together(posts, off, self.solver, time_for_it, long=len(posts) > MOST_EXACT)
        if not shared.stopped:
            self.bound, self.knows_shared = shared.bound, True

    def _serve_from_what_is_left(self, number: int) -> bool:
        found = from_what_is_left(self.posts[number], self.planned.values(), self.lots, self.options)
        if found is not None:
            self.planned[number] = found
        return found is not None

    def _left_out(self) -> list[int]:
        return [number for number in range(len(self.posts)) if number not in self.planned]

    # ---------------------------------------------------------------- the plan

    def plan(self, began: float, *, why: bool) -> Plan:
        """What was served as a plan; why the others are not."""
        planned, no_room = made_together(self.planned, self.lots, self.options)
        for lot in self.lots:
            if lot.is_sawn and lot.lot in no_room:
                raise InternalError(
                    f"the plan saws more from strip {lot.lot} than there is; please report the run"
                )
        objective = self._cost(planned)
        bound = min(self.bound, objective)
        return Plan(
            self._status(objective),
            objective,
            bound,
            self.knows_shared,
            tuple(planned[number] for number in sorted(planned)),
            tuple(
                Unsolved(
                    self.posts[number],
                    why_left_out(self.posts[number], self.tables, self.patience) if why else NOT_ASKED,
                )
                for number in self._left_out()
            ),
            self.stopped,
            self._set_ups_deg(planned),
            self.rounds,
            self.patience.clock() - began,
        )

    def _status(self, objective: float) -> PlanStatus:
        if self.stopped and self.together and not any(number in self.planned for number in self.together):
            return "gave-up"
        cut_short = self.stopped or self.patience.at_an_end()
        # A round foot may also roll on its rim, on fewer packs than are planned with.
        rolls = any(self.posts[number].foot.round for number in self.together)
        looked_at_all = self.knows_shared and not (self.one_by_one or rolls or cut_short)
        # Pieces shorter than asked for, of which the bound is none, may cost less.
        proven = abs(objective - self.bound) <= PROVEN * max(1.0, objective) and looked_at_all
        return "proven" if proven else "found"

    def _set_ups_deg(self, planned: Mapping[int, Planned]) -> tuple[float, ...]:
        pieces = (piece for one in planned.values() for pack in one.packs for piece in pack.pieces)
        return tuple(sorted({piece.saw_deg for piece in pieces if piece.saw_deg is not None}))

    def _cost(self, planned: Mapping[int, Planned]) -> float:
        """Of the served posts, of those left out, and of the settings that the saw is not at already."""
        costs = self.options.costs
        paid = [deg for deg in self._set_ups_deg(planned) if deg != self.options.saw.stands_at_deg]
        served = sum(one.cost for one in planned.values())
        return served + costs.unsolved * (len(self.posts) - len(planned)) + costs.saw_set_up * len(paid)
