"""The corners layout: one corner stays down and the three others are packed; or all four are lifted.

Lifting puts one or two flats under the corner that stays down and makes the others that much thicker. It has
a price of its own, more the higher, beside its pieces; so both ways are weighed in one objective, and what is
proven holds over both.

A round foot on three or four corner packs stands on its four corner seats and nowhere else: it is the square
foot through them, and searched as that one. On fewer packs it rolls on its bare rim (`_rim_task`).
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from shimfit.core.packing.drafting import (
    Asked,
    bed,
    draft_of,
    first_that_stands,
    rolls,
)
from shimfit.core.packing.entries import TIE
from shimfit.core.packing.general import GeneralSearch
from shimfit.core.packing.missing import best_that_can_be_done
from shimfit.core.packing.onebox import Down, Outcome
from shimfit.core.packing.places import corner_places
from shimfit.core.packing.search import Search
from shimfit.core.packing.task import SeatTask, Task
from shimfit.model import CORNERS

if TYPE_CHECKING:
    from shimfit.core.packing.draft import Draft


_MOST_LIVE = 6
"""Lifts that are tried at sensor rate."""
_MOST_PAIRS = 400
"""Thicknesses of two flats under the corner that stays down that are tried where one flat is no answer."""


def solve_corners(asked: Asked) -> Draft:
    """Best packs at the corners: down or lifted, whichever costs less; else what there is."""
    # On a rolling rim only some thicknesses are looked at: nothing found there is no proof that nothing is.
    gave_up = rolls(asked.question) and any(lot.count for lot in asked.tables.lots)
    finished: list[bool] = []

    least_rest = 0.0

    def down(allowed_mm: float) -> Draft | None:
        nonlocal least_rest
        draft, outcome = _down(asked, allowed_mm)
        finished.append(draft is not None or outcome.finished)
        least_rest = outcome.least_rest
        return draft

    allowed = asked.question.safe_mm
    best = first_that_stands(asked, allowed, down)
    if rolls(asked.question):
        on_three, outcome = _down(asked, allowed, lift_mm=0.0)
        least_rest = outcome.least_rest
        best = _the_better(best, on_three)
    lifted, done = _lifted(asked, allowed, math.inf if best is None else best.cost.total, least_rest)
    finished.append(done)
    best = _the_better(best, lifted)
    gave_up |= not all(finished)
    if best is not None:
        return replace(best, status="found") if gave_up and best.status == "proven" else best
    return best_that_can_be_done(
        asked, "corners", corner_task, kind_of(asked), gave_up=gave_up, to_itself=_to_itself
    )


def _the_better(one: Draft | None, other: Draft | None) -> Draft | None:
    if one is None or other is None:
        return one or other
    return other if other.cost.total < one.cost.total - TIE else one


def _to_itself(asked: Asked) -> Draft | None:
    """An answer within the tolerance when every seat has the box to itself."""
    allowed = asked.question.safe_mm
    down, _ = _down(asked, allowed)
    return down if down is not None else _lifted(asked, allowed, math.inf, 0.0)[0]


def kind_of(asked: Asked) -> type[Search]:
    """How the corners rest together: four in contact, or any contact on a round foot."""
    return GeneralSearch if rolls(asked.question) else Search


def _down(asked: Asked, allowed_mm: float, lift_mm: float | None = None) -> tuple[Draft | None, Outcome]:
    """Best packs with the corner that stays down bare; lift_mm: see `corner_task`."""
    task = corner_task(asked, allowed_mm, lift_mm=lift_mm)
    outcome = asked.solve(task, kind=kind_of(asked) if lift_mm is None else Search)
    if outcome.answer is not None:
        return draft_of(asked, "corners", task, outcome), outcome
    return None, outcome


def _lifted(asked: Asked, allowed_mm: float, limit: float, least_rest: float) -> tuple[Draft | None, bool]:
    """Best packs cheaper than the limit with one or two flats under the corner that stays down.

    Every thickness is looked at whose lift alone, with the cheapest packs beside it, leaves room below the
    limit; two flats only where one does not make an answer.
    """
    tables, costs = asked.tables, asked.options.costs
    singles = [int(steps) for steps in tables.thick]
    best: tuple[Outcome, Task, Down] | None = None
    finished, left = True, asked.node_limit
    # A foot that is lifted stands on four packs; the three others are searched.
    dearer = 3 - min(3, len(asked.question.offers))  # what stands there already may cost less than a piece
    beside = least_rest + (dearer * float(tables.c1.min()) if len(tables.c1) else math.inf)
    pairs: list[int] | None = None
    tried = 0
    queue = iter(singles)
    while True:
        steps = next(queue, None)
        if steps is None:
            if pairs is not None or best is not None or not math.isinf(limit):
                break
            pairs = np.flatnonzero(np.isfinite(tables.g[1])).tolist()
            finished &= len(pairs) <= _MOST_PAIRS
            queue = iter([one for one in pairs if one not in tables.index_of][:_MOST_PAIRS])
            continue
        price = costs.lifting(steps * tables.options.quantum_mm)
        if price + beside + costs.piece >= limit:
            break
        if left <= 0 or (asked.relaxed and tried >= _MOST_LIVE):
            finished = False
            break
        tried += 1
        down = Down(steps)
        task = corner_task(asked, allowed_mm, lift_mm=steps * tables.options.quantum_mm)
        outcome = replace(asked, node_limit=left).solve(task, down=down, limit=limit - price)
        left -= outcome.nodes
        finished &= outcome.finished
        if outcome.answer is not None and outcome.answer.cost + price < limit:
            best, limit = (outcome, task, down), outcome.answer.cost + price
    if best is None:
        return None, finished
    return draft_of(asked, "corners", best[1], best[0], best[2]), finished


def corner_task(
    asked: Asked, allowed_mm: float, *, lift_mm: float | None = None, lean_only: bool = False
) -> Task:
    """The corners as the search sees them: the one with the least need stays down, needs told from it.

    lift_mm: the one that stays down is lifted so much; of a round foot 0 means that the three others are
    packed, and None that they need not be.
    """
    rolling = rolls(asked.question)
    if rolling and lift_mm is None:
        return _rim_task(asked, allowed_mm, lean_only=lean_only)
    question, plane = asked.question, asked.question.plane
    needs = {seat: plane.at_seat_mm(seat) + question.extra_mm(seat) for seat in CORNERS}
    down = min(CORNERS, key=lambda seat: (round(needs[seat], 9), CORNERS.index(seat)))
    shift = (lift_mm or 0.0) - needs[down]
    places = corner_places(plane, asked.options, {seat: question.extra_mm(seat) + shift for seat in CORNERS})
    order = (down, *(seat for seat in CORNERS if seat != down))
    seats = [
        SeatTask(
            seat=seat,
            place=places[seat],
            # A round foot that is bare there would roll.
            bare_need_mm=needs[seat] + shift if seat == down or not rolling else math.inf,
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
