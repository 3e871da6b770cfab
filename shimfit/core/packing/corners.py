"""The corners layout: one corner stays down, the three others are packed where they need it.

When nothing in the box is thin enough, the post is lifted: one flat under the corner that stays down, and
the others that much thicker. That is only looked at when no answer leaves that corner bare.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from shimfit.core.packing.draft import Draft
from shimfit.core.packing.makeup import Build, cost_of, packs_of
from shimfit.core.packing.onebox import NODE_LIMIT, Answer, Down, Outcome, inner_mm_of, row_of, solve_one_box
from shimfit.core.packing.places import corner_places
from shimfit.core.packing.search import SeatTask, Task
from shimfit.errors import InternalError
from shimfit.model import CORNERS, Pack, Seat

if TYPE_CHECKING:
    from shimfit.core.packing.places import Place
    from shimfit.core.packing.question import Question
    from shimfit.core.packing.tables import Tables

_AGREES_MM = 1e-6


def solve_corners(
    question: Question, tables: Tables, *, relaxed: bool = False, node_limit: int = NODE_LIMIT
) -> Draft:
    """Best packs at the corners: within the margin, else within the tolerance, else the best that can be done."""
    levels = [question.safe_mm] if question.safe_mm > 0.0 else []
    if question.safe_mm < question.allowed_mm:
        levels.append(question.allowed_mm)
    gave_up = False
    for allowed in levels:
        draft, finished = _within(question, tables, allowed, relaxed=relaxed, node_limit=node_limit)
        gave_up |= not finished
        if draft is not None:
            return draft
    return _best_that_can_be_done(question, tables, gave_up=gave_up, node_limit=node_limit)


def _within(
    question: Question, tables: Tables, allowed_mm: float, *, relaxed: bool, node_limit: int
) -> tuple[Draft | None, bool]:
    """Best packs that leave at most this much, and whether all was looked at."""
    task = corner_task(question, tables, allowed_mm)
    outcome = solve_one_box(task, tables, relaxed=relaxed, node_limit=node_limit)
    if outcome.answer is not None:
        return _draft(question, tables, task, Down(), outcome, relaxed=relaxed), True
    lifted, finished = _lifted(question, tables, allowed_mm, relaxed=relaxed, node_limit=node_limit)
    return lifted, finished and outcome.finished


def _lifted(
    question: Question, tables: Tables, allowed_mm: float, *, relaxed: bool, node_limit: int
) -> tuple[Draft | None, bool]:
    """Best packs with a flat under the corner that stays down, for each thickness of flat."""
    best: tuple[Outcome, Task, Down] | None = None
    limit, finished = math.inf, True
    for steps in tables.thick.tolist():
        down = Down(steps)
        task = corner_task(question, tables, allowed_mm, steps * tables.options.quantum_mm)
        outcome = solve_one_box(task, tables, down=down, limit=limit, relaxed=relaxed, node_limit=node_limit)
        finished &= outcome.finished
        if outcome.answer is not None and outcome.answer.cost < limit:
            best, limit = (outcome, task, down), outcome.answer.cost
    if best is None:
        return None, finished
    return _draft(question, tables, best[1], best[2], best[0], relaxed=relaxed), finished


def corner_task(
    question: Question, tables: Tables, allowed_mm: float, lift_mm: float = 0.0, *, lean_only: bool = False
) -> Task:
    """The four corners as the search sees them: the one with the least need stays down, needs told from it."""
    plane = question.plane
    needs = {seat: plane.at_seat_mm(seat) + question.extra_mm(seat) for seat in CORNERS}
    down = min(CORNERS, key=lambda seat: (round(needs[seat], 9), CORNERS.index(seat)))
    shift = lift_mm - needs[down]
    extra = {seat: question.extra_mm(seat) + shift for seat in CORNERS}
    places = corner_places(plane, tables.options, extra)
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
    return Task(
        seats=(seats[0], seats[1], seats[2], seats[3]),
        rod_at_mm=question.foot.rod_at_mm,
        height_mm=question.height_mm,
        allowed_mm=allowed_mm,
        disk=not question.tolerance.per_direction,
        residual_mm=question.allowed_mm,
        steepest=max(abs(plane.slope_along), abs(plane.slope_across)),
        lean_only=lean_only,
    )


# ---------------------------------------------------------------- from the search's answer to packs


def _draft(
    question: Question, tables: Tables, task: Task, down: Down, outcome: Outcome, *, relaxed: bool
) -> Draft:
    answer = outcome.answer
    assert answer is not None
    packs, bearing, kept, cautions = _packs(question, tables, task, down, answer)
    resting = question.rests_on(packs)
    top = answer.choice.top_mm
    if resting.lean is not None:
        x, y = resting.lean.top_mm(question.height_mm)
        if abs(x - top[0]) > _AGREES_MM or abs(y - top[1]) > _AGREES_MM:
            raise InternalError(
                f"The search and the contact problem disagree on the rest ({top} and {(x, y)} mm); "
                "please report this post and its box."
            )
    cost = cost_of(
        tables, packs, bearing, answer.set_up, answer.choice.rock_mm, top, question.allowed_mm, kept
    )
    if math.hypot(*top) > question.safe_mm + 1e-9 and question.safe_mm < question.allowed_mm:
        used = question.tolerance.uses(resting.lean, question.height_mm) if resting.lean else 1.0
        cautions = (
            *cautions,
            f"This rests within the tolerance, but nearer to it than the doubt ({used:.0%}).",
        )
    return Draft(
        layout="corners",
        packs=packs,
        resting=resting,
        status="found" if relaxed or not outcome.finished else "proven",
        cost=cost,
        bound=outcome.bound,
        cautions=cautions,
        saw_settings_deg=answer.angles,
    )


def _packs(
    question: Question, tables: Tables, task: Task, down: Down, answer: Answer
) -> tuple[tuple[Pack, ...], float, dict[Seat, float], tuple[str, ...]]:
    """Packs in the seats' own order, their bearing cost, what kept packs are charged, and cautions."""
    from shimfit.core.packing.search import Search

    search = Search(task, tables, frozenset(answer.angles))
    builds: list[Build] = []
    offered: list[Pack] = []
    kept: dict[Seat, float] = {}
    cautions: list[str] = []
    bearing = 0.0
    for i, (seat, cell, stack) in enumerate(zip(task.seats, answer.choice.cells, answer.stacks, strict=True)):
        place = seat.place
        if cell.row <= -2:
            offer = seat.offers[-2 - cell.row]
            offered.append(offer.pack)
            kept[seat.seat] = offer.cost
            continue
        if stack is None or place is None:
            continue
        if i == 0:
            builds.append(
                Build(
                    seat.seat,
                    place,
                    inner=False,
                    steps=down.steps,
                    row=tables.rows[0],
                    stack=stack,
                    need_mm=seat.bare_need_mm,
                )
            )
            continue
        row = row_of(search.groups, i - 1, cell)
        bearing += cell.cost - stack.cost
        builds.append(Build(seat.seat, place, cell.inner, cell.steps, row, stack, place.need_mm(cell.inner)))
        if inner_mm_of(search, i, cell) is not None and stack.tail is not None:
            cautions.append(
                f"{seat.seat}: {tables.lots[stack.tail[0]].lot} is flatter than the gap; trim its tip "
                "before it goes in, or the tip jams first."
            )
    packs = [*packs_of(tables, builds, question.foot.rod_at_mm), *offered]
    order = list(Seat)
    return tuple(sorted(packs, key=lambda pack: order.index(pack.seat))), bearing, kept, tuple(cautions)


# ---------------------------------------------------------------- when nothing keeps the limits


def _best_that_can_be_done(question: Question, tables: Tables, *, gave_up: bool, node_limit: int) -> Draft:
    """The packs that leave the least lean, bare included; says which seat misses what."""
    bare = question.rests_on(())
    unpacked = question.lean.magnitude * question.height_mm
    allowed = question.allowed_mm
    found: Outcome | None = None
    task = corner_task(question, tables, allowed, lean_only=True)
    while found is None and allowed < unpacked:
        allowed = min(2.0 * allowed, unpacked)
        task = corner_task(question, tables, allowed, lean_only=True)
        outcome = solve_one_box(task, tables, node_limit=node_limit)
        found = outcome if outcome.answer is not None else None
    why = _what_is_missing(question, tables)
    if found is None:
        top = question.lean.top_mm(question.height_mm)
        cost = cost_of(tables, (), 0.0, 0.0, 0.0, top, question.allowed_mm)
        return Draft("corners", (), bare, "gave-up" if gave_up else "impossible", cost, math.inf, why)
    best = _draft(question, tables, task, Down(), found, relaxed=False)
    left = math.hypot(*(best.resting.lean or question.lean).top_mm(question.height_mm))
    why = f"{why} The best that the box can do leaves {left:.1f} mm at the top."
    return Draft(
        "corners",
        best.packs,
        best.resting,
        "gave-up" if gave_up else "impossible",
        best.cost,
        math.inf,
        why,
        tuple(c for c in best.cautions if "nearer to it" not in c),
        best.saw_settings_deg,
    )


def _what_is_missing(question: Question, tables: Tables) -> str:
    """The seat whose need is farthest from any pack, and the nearest thickness that the box makes."""
    task = corner_task(question, tables, question.allowed_mm)
    worst: tuple[float, SeatTask, float, float | None] | None = None
    for seat in task.seats[1:]:
        place = seat.place
        if place is None or seat.bare_need_mm <= 0.0:
            continue
        wanted = place.face_need_mm
        nearest = _nearest_mm(tables, wanted)
        off = math.inf if nearest is None else abs(nearest - wanted)
        if worst is None or off > worst[0]:
            worst = off, seat, wanted, nearest
    if worst is None:
        return "The packs that the box makes together leave the post out of tolerance."
    _, seat, wanted, nearest = worst
    if nearest is None:
        return f"The box is empty: {seat.seat} wants {wanted:.2f} mm."
    return f"{seat.seat} wants {wanted:.2f} mm; the nearest that the box makes is {nearest:.2f} mm."


def _nearest_mm(tables: Tables, wanted_mm: float) -> float | None:
    """The thickness nearest to a wanted one that any pack makes; None when there is none."""
    import numpy as np

    steps = max(1, tables.steps(wanted_mm))
    tables.grown(2 * steps + 1)
    made = np.flatnonzero(np.isfinite(tables.cheapest).any(axis=0))
    if not len(made):
        return None
    return float(made[np.abs(made - steps).argmin()]) * tables.options.quantum_mm


def place_text(place: Place) -> str:
    """A place in words."""
    return str(place.seat)
