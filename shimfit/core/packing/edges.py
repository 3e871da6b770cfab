"""Layouts that lift at edge middles: the tripod (pivot and the low edges) and the one-way (one low edge).

Fewer packs than at the corners and no rock, but three supports make a narrow base. So fillers go under the
low corners that are left without support: packs that are no thicker than the gap, so they lift nothing, and
near enough to it that the clamp brings them to bear. They are chosen for the widest base first, then cost.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from shimfit.core.packing.drafting import Asked, bed, draft_of, first_that_stands
from shimfit.core.packing.general import GeneralSearch, settle_many
from shimfit.core.packing.makeup import Build, cost_of, packs_of
from shimfit.core.packing.missing import best_that_can_be_done
from shimfit.core.packing.onebox import Used, first_conflict
from shimfit.core.packing.places import no_room, place_of
from shimfit.core.packing.task import SeatTask
from shimfit.core.resting import distance_to_nearest_side
from shimfit.model import CORNERS, Face, Seat

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from shimfit.core.packing.draft import Draft
    from shimfit.core.packing.entries import Listed
    from shimfit.core.packing.task import Task
    from shimfit.model import Cost, LayoutName, Pack

_ARM_STEP = 0.01
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
        (_rank(asked, lifts, fills, allowed_mm) for fills in _by_points(options)),
        key=lambda item: item[:3],
    )
    for arm, _, _, fills in ranked:
        if -arm <= round(draft.resting.tipping_arm / _ARM_STEP):
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


def _rank(
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
    return -round(arm / _ARM_STEP), cost, left, fills


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
        listed = search.entries(group)
        for i in _thickest(listed, 4.0 * question.preload_mm):
            cell = listed.cell(i)
            row = group.row_at(cell.row)
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
    order = list(Seat)
    packs = tuple(
        sorted(
            packs_of(asked.tables, builds, question.foot.rod_at_mm), key=lambda pack: order.index(pack.seat)
        )
    )
    resting = question.rests_on(packs)
    if not question.stands(resting):
        return draft
    counted, chance = question.chance_on(packs, resting, asked.options.scatter)
    cost = _cost(asked, draft, packs, fills, counted)
    why = FILLERS_FOUND if draft.status == "proven" else draft.why
    return replace(
        draft, packs=packs, resting=resting, cost=cost, builds=tuple(builds), why=why, chance=chance
    )


def _cost(asked: Asked, draft: Draft, packs: tuple[Pack, ...], fills: Sequence[_Fill], chance: float) -> Cost:
    question = asked.question
    resting = question.rests_on(packs)
    assert resting.lean is not None
    bearing = draft.bearing + sum(fill.cost - fill.build.stack.cost for fill in fills)
    return cost_of(
        asked.tables,
        packs,
        bearing=bearing,
        set_up=dict(draft.cost.parts).get("saw set-ups", 0.0),
        rock_mm=resting.rock_mm,
        top_mm=resting.lean.top_mm(question.height_mm),
        allowed_mm=question.allowed_mm,
        chance=chance,
    )
