"""The front door of planning: posts and a box in, one plan out, with a bound that no plan can beat.

1. Posts within their tolerance get nothing.
2. The others are planned together (`choosing`), round feet on three or four packs each. Those that the batch
   search does not cover (corners that hang, other layouts) are served one by one from what is left.
   In a short run stretches of tapers may begin behind others' cuts (`sharing`).
3. Posts left out are asked once more, and `why` says what is missing. Of a short run each post is asked once
   more what it would take of what the others leave: for a round foot that may be fewer packs.

Stopping early, by time or by the caller, keeps the best plan so far and says so.
"""

from __future__ import annotations

import math
import time
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

from shimfit.core.foot import gap_plane
from shimfit.core.ledger import Ledger
from shimfit.core.packing.options import PENCIL_MM
from shimfit.core.packing.question import place_of
from shimfit.core.packing.tables import build_tables
from shimfit.core.planning.choosing import ENRICH_GAP, PROVEN, choose_together
from shimfit.core.planning.geometry import seats_of
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
from shimfit.core.planning.sharing import laid_out
from shimfit.errors import InternalError
from shimfit.model import Lean

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterable, Mapping, Sequence

    from shimfit.core.packing.options import Options
    from shimfit.core.planning.geometry import PlanPost
    from shimfit.core.planning.program import Solver
    from shimfit.model import Lot

PlanStatus = Literal["proven", "found", "gave-up"]
LEFT_OUT = ("shared cuts", "hanging corners", "edge packs", "rims", "short pieces")
"""What a bound may know nothing of: stretches of tapers that begin behind the cuts of others; posts that rest
on three corners; packs at the middles of edges; round feet on their rims; pieces shorter than asked for."""
SHARE_TOGETHER = 0.9
"""Of the time; the rest is kept for the posts left out, and for why."""
QUICK_S = 0.9
"""That a plan may take longer than it is allowed, for the quick plan of a short run."""
TIMES_ONCE_MORE = 3
"""That the posts of a short run are asked once more at most, all in turn."""
MOST_APART = 12
"""Posts up to which tips cut off apart are another way to begin from."""
MOST_SHARING = 30
"""Posts up to which stretches may share cuts, and each is asked once more alone."""


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
    """No plan costs less, but for those that it leaves out."""
    bound_without: tuple[str, ...]
    """What plans it leaves out may do, which might save more: words of `LEFT_OUT`."""
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


@dataclass(frozen=True, slots=True)
class Effort:
    """How much of a plan is worked out, and who hears of it meanwhile."""

    quick: bool = False
    """Work is counted instead of timed, so that the answer is the same on any machine."""
    swaps: bool = True
    """Posts that nothing is left for are tried with what others have: long where many are left out."""
    why: bool = True
    """Why they are is asked, which posts that are only likely to come need not know."""
    stop: Callable[[], bool] | None = None
    progress: Callable[[float, float | None], None] | None = None
    """Gets (bound, best plan's cost or None) as they move."""
    clock: Callable[[], float] = time.monotonic


def plan(
    posts: Sequence[PlanPost],
    lots: Sequence[Lot],
    options: Options,
    solver: Solver,
    *,
    seconds: float = 60.0,
    effort: Effort = Effort(),
    earlier: Earlier | None = None,
) -> Plan:
    """Plan all posts from one box. Deterministic unless the time runs out or `stop` says so.

    The seconds hold whatever is left to do. `earlier`: what an earlier plan of the run knew, which is told
    what this one knows; posts that have not changed since are then searched no more.
    EntryError for posts and lots that are none.
    """
    began = effort.clock()
    ends = math.inf if effort.quick else began + seconds
    patience = Patience(ends, effort.clock, effort.stop, effort.progress, effort.quick)
    work = _Work(tuple(posts), tuple(lots), options, solver, patience, earlier)
    work.serve(swaps=effort.swaps)
    work.keep_the_quick_plan(swaps=effort.swaps)
    return work.plan(began, why=effort.why)


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
        self.knows_shared = not self.may_share
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
        if not any(lot.count for lot in self.lots):
            self.bound, self.knows_shared = self._cost(self.planned), True
            return
        if len(self.together) == 1 and not self.one_by_one:
            self._serve_the_only_one(self.together[0])
        if self.together:
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
        if len(self.together) <= (1 if self.patience.quick else MOST_SHARING) and not self._close():
            self._serve_from_remainders()

    def keep_the_quick_plan(self, *, swaps: bool) -> None:
        """However soon the time was up, the plan of a short run is no dearer than its quick plan.

        Its work is counted, and takes a second at most where 20 posts are planned on a quiet machine: so much
        longer than it is allowed a plan may take.
        """
        self.stopped = self.stopped or self.patience.at_an_end()
        if self.stopped and len(self.together) <= MOST_SHARING and not self.patience.called_off():
            until = self.patience.until + QUICK_S
            counted = replace(self.patience, until=until, progress=None, quick=True)
            quick = _Work(self.posts, self.lots, self.options, self.solver, counted, None)
            quick.serve(swaps=swaps)
            self.planned = min(self.planned, quick.planned, key=self._cost)

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
        for _ in range(TIMES_ONCE_MORE):
            before = self._cost(self.planned)
            for number, one in list(self.planned.items()):
                others = [theirs for other, theirs in self.planned.items() if other != number]
                if not one.packs or not (one.post.foot.round or any(theirs.cuts for theirs in others)):
                    continue
                if self.patience.at_an_end():
                    return
                found = from_what_is_left(self.posts[number], others, self.lots, self.options)
                if found is None:
                    continue
                # What began behind this post's cuts pays for a cut of its own where these have moved.
                trial, fits = self._made({**self.planned, number: found})
                if fits and self._cost(trial) < self._cost(self.planned) - PROVEN:
                    self.planned = trial
            if self._cost(self.planned) >= before - PROVEN or self._close():
                return

    def _close(self) -> bool:
        """So near the bound that no more is looked for."""
        cost, rolls = self._cost(self.planned), any(self.posts[n].foot.round for n in self.together)
        return self.knows_shared and not rolls and cost - self.bound <= ENRICH_GAP * cost

    def _made(self, planned: Mapping[int, Planned]) -> tuple[dict[int, Planned], bool]:
        """The posts at what they cost made together; which copies they are cut from stays open.

        False where the box has no room for that.
        """
        made, no_room = made_together(planned, self.lots, self.options)
        return {n: replace(one, packs=planned[n].packs) for n, one in made.items()}, not no_room

    def _serve_together(self) -> None:
        """All at once; where posts are few, what is best with tips cut off apart may lead further."""
        few = len(self.together) <= MOST_SHARING and not self.patience.quick
        shares = self.may_share and few and self._as_long_as_bears()
        ways = [True] * shares
        if not shares or len(self.together) <= MOST_APART:
            ways.append(False)
        best, best_cost = self.planned, self._cost(self.planned)
        if self.together[0] in self.planned:  # by itself, its tips cut off apart
            ways.remove(False)
        stand = {number: one for number, one in self.planned.items() if number not in self.together}
        share = SHARE_TOGETHER / max(1, len(ways))
        for way in ways:
            self.planned = dict(stand)
            self._choose(share_cuts=way, patience=self.patience.part(share))
            if way:
                self.planned, fits = self._made(self.planned)
                if not fits:
                    ways += [False] * (False not in ways)
                    continue
            if len(ways) > 1:
                self._serve_from_remainders()
            if (cost := self._cost(self.planned)) < best_cost:
                best, best_cost = self.planned, cost
            if self._close():
                break
        self.planned = best

    def _as_long_as_bears(self) -> bool:
        """Whether rods leave every seat room for a bearing length: else tips are off further in."""
        planes = (
            (post, gap_plane(post.foot, Lean(*post.to_correct)))
            for post in (self.posts[number] for number in self.together)
        )
        places = (place_of(plane, seat, self.options) for post, plane in planes for seat in seats_of(post))
        return all(one.reach_mm > self.options.bearing_mm - PENCIL_MM for one in places if one)

    def _choose(self, *, share_cuts: bool, patience: Patience) -> None:
        """Plan together; of plans that share cuts what is shown holds of all."""
        posts = [self.posts[number] for number in self.together]
        long = len(self.posts) > MOST_EXACT
        tables = build_tables(self.lots, replace(self.options, share_cuts=share_cuts))
        chosen = choose_together(posts, tables, self.solver, patience, long=long, earlier=self.earlier)
        self.rounds, self.stopped = self.rounds + chosen.rounds, self.stopped or chosen.stopped
        known = self.bound and (chosen.stopped if share_cuts else self.knows_shared)
        if not known:
            self.bound, self.knows_shared = chosen.bound, share_cuts or not self.may_share
        for pattern in laid_out(chosen.patterns or ()):
            post = posts[pattern.post]
            packs = packs_behind(post, pattern, tables)
            resting, tips = resting_on(post, packs, self.options), tips_cut(tables, pattern)
            self.planned[self.together[pattern.post]] = Planned(post, packs, resting, pattern.cost, tips)

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
            self._status(objective, planned),
            objective,
            bound,
            self._bound_without(planned),
            tuple(planned[number] for number in sorted(planned)),
            tuple(
                Unsolved(
                    self.posts[number],
                    why_left_out(self.posts[number], self.tables, self.patience) if why else NOT_ASKED,
                )
                for number in self._left_out()
            ),
            self.stopped,
            set_ups_deg(planned.values()),
            self.rounds,
            self.patience.clock() - began,
        )

    def _status(self, objective: float, planned: Mapping[int, Planned]) -> PlanStatus:
        if self.stopped and self.together and not any(number in self.planned for number in self.together):
            return "gave-up"
        cut_short = self.stopped or self.patience.at_an_end() or self._bound_without(planned)
        close = abs(objective - self.bound) <= PROVEN * max(1.0, objective)
        return "proven" if close and not cut_short else "found"

    def _bound_without(self, planned: Mapping[int, Planned]) -> tuple[str, ...]:
        """What the bound leaves out that this run's plans may do."""
        least_mm, pieces = self.options.min_inside_mm - PENCIL_MM, _marked(planned)
        some = (
            not self.knows_shared,
            any(self.posts[n].feelers or self.posts[n].allowed_mm <= 0.0 for n in self.one_by_one),
            self.options.layout != "corners",
            any(self.posts[n].foot.round for n in self.together),
            self.may_share and (len(planned) < len(self.posts) or any(mm < least_mm for mm in pieces)),
        )
        return tuple(word for word, left_out in zip(LEFT_OUT, some, strict=True) if left_out)

    def _cost(self, planned: Mapping[int, Planned]) -> float:
        return cost_of(planned.values(), len(self.posts) - len(planned), self.options)


def set_ups_deg(planned: Iterable[Planned]) -> tuple[float, ...]:
    """Settings of the saw that a plan's wedges are cut at, degrees, each once."""
    pieces = (piece for one in planned for pack in one.packs for piece in pack.pieces)
    return tuple(sorted({piece.saw_deg for piece in pieces if piece.saw_deg is not None}))


def cost_of(planned: Collection[Planned], left_out: int, options: Options) -> float:
    """Of the posts served, of those left out, and of the settings that the saw is not at already; minutes."""
    costs = options.costs
    paid = [deg for deg in set_ups_deg(planned) if deg != options.saw.stands_at_deg]
    return sum(one.cost for one in planned) + costs.unsolved * left_out + costs.saw_set_up * len(paid)


def _marked(planned: Mapping[int, Planned]) -> list[float]:
    """Lengths under the foot of the tapers of a plan, mm."""
    pieces = (piece for one in planned.values() for pack in one.packs for piece in pack.pieces)
    return [piece.mark_mm - piece.trim_tip_mm for piece in pieces if piece.mark_mm is not None]
