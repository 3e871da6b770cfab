"""Which seats are packed: one layout as told, or the best of them with the reason in words.

*Corners.* One corner stays down and the three others are packed; or all four are lifted: one or two flats go
under the corner that stays down and the others get that much thicker. Lifting has a price of its own, more
the higher, so both ways are weighed in one objective and what is proven holds over both. A round foot stays
down on the exact point of its rim and is never lifted all round.

*Edges.* The tripod lifts at the low edge middles, the one-way layout at one of them: fewer packs and no rock,
but three supports make a narrow base. So fillers go under the low corners that are left without support:
packs no thicker than the gap, so they lift nothing, and near enough to it that the clamp brings them to bear.
They are chosen for the widest base first, then cost.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from shimfit.core.packing.draft import (
    SEAT_ORDER,
    Asked,
    bed,
    cost_of,
    draft_of,
    first_that_stands,
    packs_of,
    rolls,
)
from shimfit.core.packing.general import GeneralSearch, settle_many
from shimfit.core.packing.missing import best_that_can_be_done
from shimfit.core.packing.onebox import Outcome, Used, first_conflict
from shimfit.core.packing.question import Build, SeatTask, Task, corner_places, no_room, place_of
from shimfit.core.packing.search import TIE, Search
from shimfit.core.resting import distance_to_nearest_side
from shimfit.errors import UsageError
from shimfit.model import CORNERS, Face, Seat
from shimfit.quantities import shown

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from shimfit.core.packing.options import Layout
    from shimfit.core.packing.question import Draft
    from shimfit.core.packing.search import Listed
    from shimfit.model import LayoutName

_ARM_STEP = 0.05
"""Bases whose tipping arms differ by less count as equally wide."""
_WORDS: dict[LayoutName, str] = {
    "corners": "packs at the corners",
    "tripod": "packs at the middles of the low edges",
    "one-way": "one pack at the middle of the low edge",
}


def solve_layout(asked: Asked, layout: Layout) -> Draft:
    """The best packs in a layout; `auto` takes the widest base, then the fewest packs, then the least cost.

    The status speaks of the packs that lift in the layout that is taken. Fillers, and so how wide a base the
    other layouts could have, are the best found; `why` says so where there are some.

    UsageError when totals are told (`needs`) for a layout that is not the corners.
    """
    if asked.question.needs is not None and layout not in ("corners", "auto"):
        raise UsageError("Totals at the corners can only be packed at the corners.")
    if layout == "corners" or asked.question.needs is not None:
        return solve_corners(asked)
    if layout == "auto":
        return _best(asked)
    return solve_edges(asked, layout)


def _best(asked: Asked) -> Draft:
    drafts = [solve_corners(asked), solve_edges(asked, "tripod"), solve_edges(asked, "one-way")]
    holding = [draft for draft in drafts if draft.status in ("proven", "found")]
    if not holding:
        nearest = min(drafts, key=lambda draft: _left_mm(asked, draft))
        return replace(nearest, why=f"With {_WORDS[nearest.layout]}: {nearest.why}")
    best = min(holding, key=_rank)
    why = _reason(best, [draft for draft in drafts if draft is not best])
    return replace(best, why=f"{why} {best.why}" if best.why else why)


def _rank(draft: Draft) -> tuple[int, int, float]:
    return -round(draft.resting.tipping_arm / _ARM_STEP), len(draft.packs), round(draft.cost.total, 6)


def _left_mm(asked: Asked, draft: Draft) -> float:
    lean = draft.resting.lean or asked.question.lean
    return round(lean.magnitude * asked.question.height_mm, 6)


def _reason(best: Draft, others: list[Draft]) -> str:
    """Why this layout: against the one that comes next."""
    name = _WORDS[best.layout][0].upper() + _WORDS[best.layout][1:]
    arm = f"the base is {shown.share(best.resting.tipping_arm)} of the widest"
    holding = [draft for draft in others if draft.status in ("proven", "found")]
    if not holding:
        return f"{name}: nothing else in the box makes the post stand ({arm})."
    second = min(holding, key=_rank)
    mine, its = _rank(best), _rank(second)
    if mine[0] != its[0]:
        return f"{name}: {arm}, with {_WORDS[second.layout]} only {shown.share(second.resting.tipping_arm)}."
    if mine[1] != its[1]:
        fewer = f"{mine[1]} packs instead of {its[1]}"
        return f"{name}: as wide a base as with {_WORDS[second.layout]}, and {fewer}."
    return f"{name}: as wide a base and as many packs as with {_WORDS[second.layout]}, from cheaper pieces."


# ---------------------------------------------------------------- corners

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
    best: tuple[Task, Outcome, int] | None = None
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
        task = corner_task(asked, allowed_mm, lift_mm=steps * tables.options.quantum_mm)
        outcome = replace(asked, node_limit=left).solve(task, lift=steps, limit=limit - price)
        left -= outcome.nodes
        finished &= outcome.finished
        if outcome.answer is not None and outcome.answer.cost + price < limit:
            best, limit = (task, outcome, steps), outcome.answer.cost + price
    return None if best is None else draft_of(asked, "corners", *best), finished


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


# ---------------------------------------------------------------- edges

_FILL_STEP = 0.01
"""Bases whose tipping arms differ by less are equally wide."""
_CARRIES = 1e-6
_MOST_SETS, _FEW = 250, 2
"""Sets of fillers up to which all are tried; else so many of the cheapest and of the nearest per corner."""
FILLERS_FOUND = "No better packs to lift it can be made of this box; other fillers may be as good."
"""Of fillers only the thickest for each cost are tried, so the status speaks of the packs that lift."""


def solve_edges(asked: Asked, layout: LayoutName) -> Draft:
    """Best packs at the low edge middles (tripod) or at the steeper one (one-way), with fillers."""

    def task_of(asked: Asked, allowed_mm: float, *, lean_only: bool = False) -> Task:
        return edge_task(asked, layout, allowed_mm, lean_only=lean_only)

    allowed = asked.question.safe_mm
    finished: list[bool] = []

    def solve(allowed_mm: float) -> Draft | None:
        task = task_of(asked, allowed_mm)
        outcome = asked.solve(task, kind=GeneralSearch)
        finished.append(outcome.finished)
        return draft_of(asked, layout, task, outcome) if outcome.answer is not None else None

    draft = first_that_stands(asked, allowed, solve)
    if draft is not None:
        return _with_fillers(asked, draft, allowed)

    def to_itself(asked: Asked) -> Draft | None:
        task = task_of(asked, asked.question.safe_mm)
        outcome = asked.solve(task, kind=GeneralSearch)
        return draft_of(asked, layout, task, outcome) if outcome.answer is not None else None

    return best_that_can_be_done(
        asked, layout, task_of, GeneralSearch, gave_up=not all(finished), to_itself=to_itself
    )


def edge_task(asked: Asked, layout: LayoutName, allowed_mm: float, *, lean_only: bool = False) -> Task:
    """The low edge middles as the search sees them; the bed bears at the pivot and under bare corners."""
    question, plane = asked.question, asked.question.plane
    faces = sorted(
        (face for face in Face if _slope(asked, face) > 0.0), key=lambda face: (-_slope(asked, face), face)
    )
    if layout == "one-way":
        faces = faces[:1]
    seats = []
    # A corner that does not touch is packed with the edges: without it the foot would still rock.
    hanging = [seat for seat in CORNERS if question.feelers.get(seat, 0.0) > 0.0]
    for seat in (*(Seat(face.value) for face in faces), *hanging):
        feeler = question.feelers.get(seat, 0.0)
        place = place_of(plane, seat, asked.options, feeler)
        seats.append(
            SeatTask(
                seat=seat,
                place=place,
                bare_need_mm=plane.at_seat_mm(seat) + feeler,
                at_mm=question.foot.seat_at_mm(seat),
                offers=tuple(question.offers.get(seat, ())),
            )
        )
    if not any(seat.place for seat in seats):
        raise no_room(question.foot)
    down = min(CORNERS, key=lambda seat: (round(plane.at_seat_mm(seat), 9), CORNERS.index(seat)))
    first = SeatTask(down, None, 0.0, question.foot.seat_at_mm(down))
    return asked.task([first, *seats], allowed_mm, grounds=partial(bed, question), lean_only=lean_only)


def _slope(asked: Asked, face: Face) -> float:
    plane = asked.question.plane
    return face.sign * (plane.slope_along if face.is_along else plane.slope_across)


# ---------------------------------------------------------------- fillers


@dataclass(frozen=True, slots=True)
class _Fill:
    """One possible filler: its build, error and cost."""

    build: Build
    error_mm: float
    cost: float
    at_mm: tuple[float, float]


def _with_fillers(asked: Asked, draft: Draft, allowed_mm: float) -> Draft:
    """The draft with the fillers that make its base widest; itself when none do."""
    question = asked.question
    lifts = [build for build in draft.builds if build.seat in {pack.seat for pack in draft.packs}]
    if not lifts or len(lifts) != len(draft.packs):
        return draft
    low = [seat for seat in CORNERS if question.plane.at_seat_mm(seat) + question.extra_mm(seat) > 0.0]
    possible = [_fills(asked, seat, draft) for seat in low]
    if math.prod(1 + len(some) for some in possible) > _MOST_SETS:
        possible = [_fewer(some) for some in possible]
    options = [[None, *some] for some in possible]
    ranked = sorted(
        (_rank_fills(asked, lifts, fills, allowed_mm) for fills in _by_points(options)),
        key=lambda item: item[:3],
    )
    for arm, _, _, fills in ranked:
        if -arm <= round(draft.resting.tipping_arm / _FILL_STEP):
            break
        builds = [*lifts, *(fill.build for fill in fills)]
        used = [Used(b.stack, b.row, b.inner_mm) for b in builds]
        if first_conflict(asked.tables, used):
            continue
        return _filled(asked, draft, builds, fills)
    return draft


def _fewer(fills: list[_Fill]) -> list[_Fill]:
    """Where there are many: the cheapest, and the nearest to the gap."""
    nearest = sorted(fills, key=lambda fill: (-fill.error_mm, fill.cost))
    kept = [*fills[:_FEW], *nearest[:_FEW]]
    return [fill for i, fill in enumerate(kept) if fill not in kept[:i]]


def _by_points(options: Sequence[Sequence[_Fill | None]]) -> Iterator[list[_Fill]]:
    for chosen in itertools.product(*options):
        fills = [fill for fill in chosen if fill is not None]
        if fills:
            yield fills


def _rank_fills(
    asked: Asked, lifts: Sequence[Build], fills: list[_Fill], allowed_mm: float
) -> tuple[int, float, float, list[_Fill]]:
    """(minus the arm in steps, cost, lean left) of a set of fillers; arm 0 when it does not hold."""
    question = asked.question
    q = asked.options.quantum_mm
    at = [build.place.at_mm(build.inner) for build in lifts] + [fill.at_mm for fill in fills]
    errors = [build.steps * q - build.need_mm for build in lifts] + [fill.error_mm for fill in fills]
    packed = [*(build.seat for build in lifts), *(fill.build.seat for fill in fills)]
    grounds = bed(question, packed)
    rod = np.array(question.foot.rod_at_mm)
    points = np.array([*at, *((g.x_mm, g.y_mm) for g in grounds)]) - rod
    e = np.array([*errors, *(g.error_mm for g in grounds)])
    stiffness = np.array([1.0] * len(at) + [g.share for g in grounds])
    pull = 4.0 * question.preload_mm
    planes, good = settle_many(points, stiffness, e[None, :], pull)
    cost = sum(fill.cost for fill in fills)
    depth = e - np.column_stack((np.ones(len(points)), points)) @ planes[0]
    x, y = -question.height_mm * planes[0, 1], -question.height_mm * planes[0, 2]
    left = max(abs(x), abs(y)) if question.tolerance.per_direction else math.hypot(x, y)
    if not good[0] or left > allowed_mm + 1e-9 or depth[: len(at)].min() <= _CARRIES * pull:
        return 0, cost, left, fills
    carrying = [(float(p[0]), float(p[1])) for p, d in zip(points, depth, strict=True) if d > _CARRIES * pull]
    half = min(question.foot.along_mm, question.foot.across_mm) / 2.0
    arm = min(1.0, distance_to_nearest_side(carrying) / half)
    return -round(arm / _FILL_STEP), cost, left, fills


def _fills(asked: Asked, seat: Seat, draft: Draft) -> list[_Fill]:
    """Fillers for one corner: for each cost and bearing point the thickest that lifts nothing."""
    question = asked.question
    place = place_of(question.plane, seat, asked.options, question.extra_mm(seat))
    if place is None:
        return []
    task = asked.task(
        [
            SeatTask(seat, None, 0.0, question.foot.seat_at_mm(seat)),
            SeatTask(seat, place, place.face_need_mm, question.foot.seat_at_mm(seat)),
        ],
        question.allowed_mm,
        grounds=partial(bed, question),
    )
    search = GeneralSearch(task, asked.tables, frozenset(draft.saw_settings_deg))
    fills = []
    for group in search.groups[0].values():
        listed = group.listed(asked.options.quantum_mm)
        for i in _thickest(listed, 4.0 * question.preload_mm):
            cell = listed.cell(i)
            row = group.rows[cell.row]
            inner_mm = place.inside_mm if cell.inner else None
            stack = asked.tables.stack(row, cell.steps, inner_mm=inner_mm)
            assert stack is not None
            build = Build(
                seat, place, cell.inner, cell.steps, row, stack, place.need_mm(cell.inner), purpose="fill"
            )
            fills.append(_Fill(build, cell.error_mm, cell.cost, place.at_mm(cell.inner)))
    return fills


def _thickest(listed: Listed, reach_mm: float) -> list[int]:
    """For each cost the entry nearest below the gap, as far as the clamp can bring it to bear."""
    best: dict[float, int] = {}
    for i in range(len(listed.cost)):
        error = float(listed.error[i])
        if listed.row[i] < 0 or error > 1e-9 or error < -reach_mm:
            continue
        key = round(float(listed.cost[i]), 1)  # a taper's thickness has a price of its own, if a small one
        if key not in best or error > listed.error[best[key]]:
            best[key] = i
    return [best[key] for key in sorted(best)]


def _filled(asked: Asked, draft: Draft, builds: Sequence[Build], fills: Sequence[_Fill]) -> Draft:
    """The draft with its fillers: named anew, for copies and stretches are shared."""
    question = asked.question
    named = packs_of(asked.tables, builds, question.foot.rod_at_mm)
    packs = tuple(sorted(named, key=lambda pack: SEAT_ORDER[pack.seat]))
    resting = question.rests_on(packs)
    if resting.lean is None or not question.stands(resting):
        return draft
    counted, chance = question.chance_on(packs, resting, asked.options.scatter)
    cost = cost_of(
        asked,
        packs,
        bearing=draft.bearing + sum(fill.cost - fill.build.stack.cost for fill in fills),
        set_up=dict(draft.cost.parts).get("saw set-ups", 0.0),
        rock_mm=resting.rock_mm,
        top_mm=resting.lean.top_mm(question.height_mm),
        chance=counted,
    )
    why = FILLERS_FOUND if draft.status == "proven" else draft.why
    return replace(
        draft, packs=packs, resting=resting, cost=cost, builds=tuple(builds), why=why, chance=chance
    )
