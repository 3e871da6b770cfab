"""The corners layout: one corner stays down, the three others are packed where they need it.

When nothing in the box is thin enough, the post is lifted: one flat under the corner that stays down, and
the others that much thicker. That is only looked at when no answer that leaves that corner bare keeps half
the margin: four packs for a post that will pass beat three that leave it too close to call, and a full margin
is not worth four packs. A round foot stays down on the exact point of its rim instead, and is never lifted
all round.

So for one post lifting comes after everything else, whatever it saves. The plan of a run has one price for
all (planning's LIFT_COST, six pieces): there a lift may save bought material that another post has no other
way without. On drawn posts and boxes of flats both lifted the same in 240 of 243; in the other three the plan
lifted where staying down would have taken bought flats.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

from shimfit.core.packing.drafting import (
    Asked,
    bed,
    draft_of,
    first_that_stands,
    rolls,
)
from shimfit.core.packing.general import GeneralSearch
from shimfit.core.packing.missing import best_that_can_be_done
from shimfit.core.packing.onebox import Down, Outcome
from shimfit.core.packing.places import corner_places
from shimfit.core.packing.search import Search
from shimfit.core.packing.task import SeatTask, Task
from shimfit.model import CORNERS

if TYPE_CHECKING:
    from shimfit.core.packing.draft import Draft


def solve_corners(asked: Asked) -> Draft:
    """Best packs at the corners: within the margin, else the tolerance, else lifted, else what there is."""
    # On a rolling rim only some thicknesses are looked at: nothing found there is no proof that nothing is.
    gave_up = rolls(asked.question) and any(lot.count for lot in asked.tables.lots)
    for way, allowed in _steps(asked):
        finished: list[bool] = []

        def solve(allowed_mm: float, way: Way = way, finished: list[bool] = finished) -> Draft | None:
            draft, done = way(asked, allowed_mm)
            finished.append(done)
            return draft

        draft = first_that_stands(asked, allowed, solve)
        gave_up |= not all(finished)
        if draft is not None:
            return draft
    return best_that_can_be_done(
        asked, "corners", corner_task, kind_of(asked), gave_up=gave_up, to_itself=_to_itself
    )


def _to_itself(asked: Asked) -> Draft | None:
    """An answer within the tolerance when every seat has the box to itself."""
    allowed = asked.question.allowed_mm
    down, _ = _down(asked, allowed)
    return down if down is not None or rolls(asked.question) else _lifted(asked, allowed)[0]


def _steps(asked: Asked) -> list[tuple[Way, float]]:
    """What is tried in turn, with what may be left over in mm."""
    safe, allowed = asked.levels[0], asked.levels[-1]
    between = (safe + allowed) / 2.0
    if rolls(asked.question):
        return [(_down, level) for level in asked.levels]
    if safe == allowed:
        return [(_down, allowed), (_lifted, allowed)]
    return [(_down, safe), (_down, between), (_lifted, between), (_down, allowed), (_lifted, allowed)]


def kind_of(asked: Asked) -> type[Search]:
    """How the corners rest together: four in contact, or any contact on a round foot."""
    return GeneralSearch if rolls(asked.question) else Search


Way = Callable[[Asked, float], tuple["Draft | None", bool]]
"""Best packs that leave at most so many mm, and whether all was looked at."""


def _down(asked: Asked, allowed_mm: float) -> tuple[Draft | None, bool]:
    """Best packs with the corner that stays down bare."""
    task = corner_task(asked, allowed_mm)
    outcome = asked.solve(task, kind=kind_of(asked))
    if outcome.answer is not None:
        return draft_of(asked, "corners", task, outcome), True
    return None, outcome.finished


def _lifted(asked: Asked, allowed_mm: float) -> tuple[Draft | None, bool]:
    """Best packs with a flat under the corner that stays down, for each thickness of flat."""
    tables = asked.tables
    best: tuple[Outcome, Task, Down] | None = None
    limit, finished, left = math.inf, True, asked.node_limit
    for steps in tables.thick.tolist():
        if left <= 0:
            finished = False
            break
        down = Down(steps)
        task = corner_task(asked, allowed_mm, lift_mm=steps * tables.options.quantum_mm)
        outcome = replace(asked, node_limit=left).solve(task, down=down, limit=limit)
        left -= outcome.nodes
        finished &= outcome.finished
        if outcome.answer is not None and outcome.answer.cost < limit:
            best, limit = (outcome, task, down), outcome.answer.cost
    if best is None:
        return None, finished
    return draft_of(asked, "corners", best[1], best[0], best[2]), finished


def corner_task(asked: Asked, allowed_mm: float, *, lift_mm: float = 0.0, lean_only: bool = False) -> Task:
    """The corners as the search sees them: the one with the least need stays down, needs told from it."""
    if rolls(asked.question):
        return _rim_task(asked, allowed_mm, lean_only=lean_only)
    question, plane = asked.question, asked.question.plane
    needs = {seat: plane.at_seat_mm(seat) + question.extra_mm(seat) for seat in CORNERS}
    down = min(CORNERS, key=lambda seat: (round(needs[seat], 9), CORNERS.index(seat)))
    shift = lift_mm - needs[down]
    places = corner_places(plane, asked.options, {seat: question.extra_mm(seat) + shift for seat in CORNERS})
    order = (down, *(seat for seat in CORNERS if seat != down))
    seats = [
        SeatTask(
            seat=seat,
            place=places[seat],
            bare_need_mm=needs[seat] + shift,
            at_mm=question.foot.seat_at_mm(seat),
            offers=tuple(question.offers.get(seat, ())) if seat != down else (),
        )
        for seat in order
    ]
    return asked.task(seats, allowed_mm, lean_only=lean_only)


def _rim_task(asked: Asked, allowed_mm: float, *, lean_only: bool) -> Task:
    """A round foot: the rim's exact point stays down, and the corner next to it stays bare."""
    question, plane = asked.question, asked.question.plane
    needs = {seat: plane.at_seat_mm(seat) + question.extra_mm(seat) for seat in CORNERS}
    near = min(CORNERS, key=lambda seat: (round(needs[seat], 9), CORNERS.index(seat)))
    places = corner_places(plane, asked.options, question.feelers)
    seats = [SeatTask(near, None, needs[near], question.foot.seat_at_mm(near))]
    seats += [
        SeatTask(
            seat=seat,
            place=places[seat],
            bare_need_mm=needs[seat],
            at_mm=question.foot.seat_at_mm(seat),
            offers=tuple(question.offers.get(seat, ())),
        )
        for seat in CORNERS
        if seat != near
    ]
    return asked.task(seats, allowed_mm, grounds=partial(bed, question), lean_only=lean_only)
