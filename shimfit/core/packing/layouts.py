"""The front door, and which seats are packed: the layout asked for, or the best of them with the reason.

*Corners.* One corner stays down and the three others are packed; or all four are lifted: one or two flats go
under the corner that stays down and the others get that much thicker. Lifting has a price of its own, more
the higher, so both ways are weighed in one objective and what is proven holds over both. A round foot stays
down on the exact point of its rim, or on three or four packs at its corners.

*Edges.* The tripod lifts at the low edge middles, the one-way layout at one of them: fewer packs and no rock,
but three supports make a narrow base. So fillers go under the low corners that are left without support:
packs no thicker than the gap, so they lift nothing, and near enough to it that the clamp brings them to bear.
They are chosen for the widest base first, then cost.
"""

from __future__ import annotations

import heapq
import itertools
import math
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from shimfit.core.packing.draft import (
    PROVEN,
    SEAT_ORDER,
    Asked,
    Mode,
    bare,
    bed,
    cost_of,
    draft_of,
    first_that_stands,
    packs_of,
    rolls,
    still_good,
)
from shimfit.core.packing.general import GeneralSearch
from shimfit.core.packing.missing import best_that_can_be_done
from shimfit.core.packing.onebox import OneBox, Outcome, Used, serves
from shimfit.core.packing.pieces import to_steps
from shimfit.core.packing.question import (
    NOTHING,
    Build,
    Draft,
    Task,
    ask,
    no_room,
    over_take_up,
)
from shimfit.core.packing.search import Search
from shimfit.core.resting import scaled, scaled_rest
from shimfit.errors import EntryError, positive
from shimfit.model import CORNERS, Face, Seat
from shimfit.quantities import shown
from shimfit.values import dataclass

if TYPE_CHECKING:
    from collections.abc import Sequence

    from shimfit.core.packing.options import Layout
    from shimfit.core.packing.question import Known
    from shimfit.core.packing.tables import Tables
    from shimfit.model import Foot, LayoutName, Lean, Pack, Prescription, Tolerance


def prescribe(
    foot: Foot,
    height_mm: float,
    lean: Lean,
    tolerance: Tolerance,
    tables: Tables,
    *,
    known: Known = NOTHING,
    mode: Mode = PROVEN,
) -> Prescription:
    """The best packs for one post from the box in the tables, with the proof in `status`.

    A lean within the tolerance wants no packs. "proven" is meant of the objective of the tables' options,
    over all packs that the layout allows, lifted or not, in which no two packs share a cut: a plan of the one
    post knows those too (`planning.sharing`).
    EntryError: see `ask`; also when the rod's hole leaves no room for any pack.
    """
    share = positive(known.take_up, "take-up", "")
    tables = tables.view()
    # Asked for lean and tolerance ÷ take-up, reported for both as they are: what is left moves as little.
    asked_for = lean, tolerance
    if share != 1.0:
        asked_for, known = (scaled(lean, 1.0 / share), over_take_up(tolerance, share)), known.by_packs()
    question = ask(foot, height_mm, *asked_for, tables.options.preload_mm, known=known)
    asked = Asked(question, tables, mode)
    if question.tolerance.holds(question.lean, height_mm) and question.stands(question.rests_on(())):
        draft = bare(asked, "corners", "proven")
    else:
        layout = mode.layout or tables.options.layout
        held = None if mode.shown is None else still_good(asked, mode.shown)
        better: Draft | None = None
        if held is not None:
            # It stays unless something is better by more than this, and only that is looked for.
            limit = held.cost.total - tables.options.costs.one
            if layout == "corners" and not rolls(question):
                better, _ = _on_packs(asked, limit)
            else:
                asked, draft = _long_enough(asked, layout)
                better = draft if draft.packs and draft.cost.total < limit else None
            draft = better or held
        else:
            asked, draft = _long_enough(asked, layout)
    answer = draft.prescription(question)
    if share == 1.0:
        return answer
    resting = scaled_rest(answer.resting, share)
    return replace(answer, lean=lean, tolerance=tolerance, resting=resting, take_up=share)


def _long_enough(asked: Asked, layout: Layout) -> tuple[Asked, Draft]:
    """Packs that bear on the length they should; on less, and saying so, where nothing else stands."""
    refused: EntryError | None = None
    draft: Draft | None = None
    try:
        draft = solve_layout(asked, layout)
    except EntryError as error:
        refused = error
    stands = draft is not None and asked.question.stands(draft.resting)
    less = None if stands else asked.tables.with_shorter()
    while less is not None:
        shorter = replace(asked, tables=less)
        other = solve_layout(shorter, layout)
        if asked.question.stands(other.resting):
            return shorter, _too_short(asked, other)
        less = less.with_shorter()
    if draft is None:
        assert refused is not None
        raise refused
    return asked, _too_short(asked, draft)


def _too_short(asked: Asked, draft: Draft) -> Draft:
    """The same, saying which pieces bear on less than they should, and what leaves no more."""
    wanted, said = asked.options.min_inside_mm - 1e-6, []
    for pack in draft.packs:
        for piece in pack.pieces:
            inside_mm = pack.inside_mm if piece.mark_mm is None else piece.mark_mm - piece.trim_tip_mm
            if inside_mm is not None and inside_mm < wanted:
                place = asked.question.place(pack.seat, asked.options)
                longer = place is not None and place.reach_mm >= wanted
                why = "the box has nothing longer" if longer else "the rod leaves no room"
                said.append(
                    f"{pack.seat}: {piece.lot} reaches only {inside_mm:.0f} mm in, {wanted:.0f} mm are "
                    f"wanted and {why}; look for crushing when it is tightened."
                )
    return replace(draft, cautions=(*draft.cautions, *said))


# ---------------------------------------------------------------- which layout

_ARM_STEP = 0.05
"""A base whose tipping arm is shorter by no more than this is as wide."""
_WORDS: dict[LayoutName, str] = {
    "corners": "packs at the corners",
    "tripod": "packs at the middles of the low edges",
    "one-way": "one pack at the middle of the low edge",
}


def solve_layout(asked: Asked, layout: Layout) -> Draft:
    """The best packs in a layout; `auto`: the least cost of those whose base is as wide as with the corners.

    Where nothing stands at the corners, as wide as the widest. So `auto` never costs more than the corners.

    The status speaks of the packs that lift in the layout that is taken. Fillers, and so how wide a base the
    other layouts could have, are the best found; `why` says so where there are some.
    """
    if layout == "corners":
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
    arms = [draft.resting.tipping_arm for draft in holding]
    wide_enough = (arms[0] if holding[0].layout == "corners" else max(arms)) - _ARM_STEP
    by_cost = sorted(holding, key=lambda draft: (round(draft.cost.total, 6), len(draft.packs)))
    best = next(draft for draft in by_cost if draft.resting.tipping_arm >= wide_enough)
    why = _reason(best, by_cost)
    return replace(best, why=f"{why} {best.why}" if best.why else why)


def _left_mm(asked: Asked, draft: Draft) -> float:
    lean = draft.resting.lean or asked.question.lean
    return round(lean.magnitude * asked.question.height_mm, 6)


def _reason(best: Draft, by_cost: Sequence[Draft]) -> str:
    """Why this layout: what would be less work stands on too narrow a base; what comes next is more work."""
    name = _WORDS[best.layout][0].upper() + _WORDS[best.layout][1:]
    arm = f"the base is {shown.share(best.resting.tipping_arm)} of the widest"
    if len(by_cost) == 1:
        return f"{name}: nothing else in the box makes the post stand ({arm})."
    other = next(draft for draft in by_cost if draft is not best)
    its = _WORDS[other.layout]
    if by_cost[0] is other:
        return f"{name}: {arm}, with {its} only {shown.share(other.resting.tipping_arm)}."
    less = "less work" if best.cost.total < other.cost.total - 1e-6 else "no more work"
    return f"{name}: {less} than {its}, later rounds counted in; {arm}."


# ---------------------------------------------------------------- corners

_MOST_LIVE = 6
"""Lifts that are tried at sensor rate."""
_FEW_NODES = 6
"""Nodes that a lift gets before all others have had as many; the first looks at its cheapest choices only."""
_LATER = 4.0
"""How much dearer others may be, in pieces, that are looked at before a lift is branched over."""
_MOST_PAIRS = 400
"""Thicknesses of two flats under the corner that stays down that are tried where one flat is no answer."""


def solve_corners(asked: Asked) -> Draft:
    """Best packs at the corners: down or lifted, whichever costs less; else what there is.

    A round foot may also stand on its rim.
    """
    rolling = rolls(asked.question)
    # On a rolling rim only some thicknesses are looked at: nothing found there is no proof that nothing is.
    best, gave_up = None, rolling and any(lot.count for lot in asked.tables.lots)
    if rolling:
        best = first_that_stands(asked, asked.question.safe_mm, partial(_on_rim, asked))
    on_packs, finished = _on_packs(asked, math.inf if best is None else best.cost.total)
    if on_packs is not None:
        best = on_packs
    gave_up |= not finished
    if best is not None:
        return replace(best, status="found") if gave_up and best.status == "proven" else best
    return best_that_can_be_done(
        asked, "corners", Asked.corner_task, kind_of(asked), gave_up=gave_up, to_itself=_to_itself
    )


def _to_itself(asked: Asked) -> Draft | None:
    """An answer within the tolerance when every seat has the box to itself."""
    on_rim = _on_rim(asked, asked.question.safe_mm) if rolls(asked.question) else None
    return on_rim or _on_packs(asked, math.inf)[0]


def kind_of(asked: Asked) -> type[Search]:
    """How the corners rest together: four in contact, or any contact on a round foot."""
    return GeneralSearch if rolls(asked.question) else Search


def _on_rim(asked: Asked, allowed_mm: float) -> Draft | None:
    """Best packs of a round foot whose rim stays down."""
    task = asked.corner_task(allowed_mm)
    outcome = asked.solve(task, kind=GeneralSearch)
    return None if outcome.answer is None else draft_of(asked, "corners", task, outcome)


def _on_packs(asked: Asked, limit: float) -> tuple[Draft | None, bool]:
    """Best packs cheaper than the limit, and whether nothing is left to look at.

    The corner that stays down is bare, or the whole foot is lifted by one flat or two under it. What an
    answer costs at least is worked out for many lifts at once. They are searched where that is least, up to
    where it leaves no room below the limit: first with the box for every seat alone, then, where seats want
    the same piece, from the one box, a few nodes each; last those that take many. Two flats only where
    nothing else makes an answer.
    """
    tables, costs, q = asked.tables, asked.options.costs, asked.options.quantum_mm
    best: tuple[Task, Outcome, int] | None = None
    finished, left, tried = True, asked.mode.node_limit, 0
    on_four = asked.four
    boxes: dict[tuple[int, bool], OneBox] = {(0, False): on_four}
    down = on_four.task.seats[0]
    stands = next(iter(asked.seat(down.seat, down.place, 0.0).offers), None)

    def settle(
        steps: int, nodes: int, *, on_old: bool = False, next_low: float = -math.inf
    ) -> tuple[float, bool]:
        """Search one lift (0 nodes: every seat alone): what no answer is cheaper than that is left there.

        And whether it was the nodes that stopped it. on_old: on the pack that stands there already. next_low:
        what no answer of the next lift is cheaper than.
        """
        nonlocal best, limit, left
        price, alone = costs.lifting(steps * q), not nodes
        if (steps, on_old) not in boxes:
            on = stands if on_old else None
            task = asked.corner_task(asked.question.safe_mm, lift_mm=steps * q, on=on)
            boxes[steps, on_old] = OneBox(task, tables, lift=steps, like=on_four.every)
        box, last = boxes[steps, on_old], best is None and nodes > _FEW_NODES
        up_to = next_low + _LATER * costs.piece - price
        outcome = box.solve(limit - price, nodes, relaxed=alone, last=last, up_to=up_to)
        left -= 0 if alone else max(1, outcome.nodes)
        if outcome.answer is not None:
            if alone and not asked.mode.relaxed and not serves(tables, outcome.answer.used):
                return outcome.bound + price, False
            if outcome.answer.cost + price < limit:
                # Whether it is the best is known when all lifts have been looked at.
                best = box.task, replace(outcome, finished=True), steps
                limit = outcome.answer.cost + price
        if outcome.finished:
            return math.inf, False
        return outcome.bound + price, outcome.nodes >= nodes

    low, _ = settle(0, 0)
    if stands is not None:
        # What stands under the corner that stays down may stay: the foot is lifted by that, for nothing.
        steps = to_steps(stands.pack.made_mm, q)
        bound, _ = settle(steps, 0, on_old=True)
        while bound < limit and left > 0 and not asked.mode.relaxed:
            bound, _ = settle(steps, left, on_old=True)
        finished &= bound >= limit
    # A foot that is lifted stands on four packs; what stands there already may cost less than a piece.
    dearer = 3 - min(3, len(asked.question.known.offers))
    packs_and_rest = dearer * tables.least + min(on_four.every.rests.floors, default=math.inf)
    single, pairs = tables.thick, tables.only_two_flats
    if down.place is None:  # the rod leaves no room there
        single, pairs = single[:0], pairs[:0]
    in_reach = single < tables.length // 2
    # (when it is its turn, number, nodes, what no answer is cheaper than).
    hopes = [(low, -1, 1, low)] if low < limit and not asked.mode.relaxed else []
    hard: list[tuple[float, int]] = []
    # Thick flats apart: tables long enough for them may not be needed.
    ways = ((single[in_reach], 1), (single[~in_reach], 1), (pairs[:_MOST_PAIRS], 2))
    # Usually what stands on the bed is so cheap that no lift is worth a look.
    lifted = costs.lift + tables.least + packs_and_rest < limit
    for lifts, flats in ways if lifted or hopes else ():
        if flats == 2:
            if not math.isinf(limit):
                break
            finished &= len(pairs) <= _MOST_PAIRS
        beside = costs.lift + costs.lift_per_mm * q * lifts + tables.g[flats - 1][lifts]
        some = np.flatnonzero(beside + packs_and_rest < limit)
        steps_up, beside = lifts[some], beside[some]
        least = (beside + on_four.every.least_lifted(steps_up)).tolist() if some.size else []
        hopes += [(low, i, 0, low) for i, low in enumerate(least) if low < limit]
        heapq.heapify(hopes)
        while hopes and left > 0 and (not asked.mode.relaxed or tried < _MOST_LIVE):
            _, i, nodes, low = heapq.heappop(hopes)
            if low >= limit:
                continue
            steps = int(steps_up[i]) if i >= 0 else 0
            tried += 1
            bound, stopped = settle(steps, min(nodes, left), next_low=hopes[0][0] if hopes else -math.inf)
            low = max(low, bound)
            if low < limit and asked.mode.relaxed:
                finished = False
            elif stopped and nodes > 1:
                hard.append((low, steps))
            elif low < math.inf:
                # What has to be branched over waits for those that cost hardly more: one may be made at once.
                more, later = (_FEW_NODES, _LATER * costs.piece) if stopped else (max(nodes, 1), 0.0)
                heapq.heappush(hopes, (low + later, i, more, low))
        for bound, steps in sorted(hard):
            while bound < limit and left > 0:
                bound = settle(steps, left)[0]  # noqa: PLW2901
            finished &= bound >= limit
        finished &= all(low >= limit for _, _, _, low in hopes)
        hopes, hard = [], []
    return None if best is None else draft_of(asked, "corners", *best), finished


# ---------------------------------------------------------------- edges

_FILL_STEP = 0.01
"""Bases whose tipping arms differ by less are equally wide."""
_CARRIES = 1e-6
"""Share of the pull below which a pack is loose."""
_MOST_SETS, _FEW = 250, 2
"""Sets of fillers up to which all are tried; else so many of the cheapest and of the nearest per corner."""
FILLERS_FOUND = "No better packs to lift it can be made of this box; other fillers may be as good."
"""Of fillers only the thickest for each cost are tried, so the status speaks of the packs that lift."""


def solve_edges(asked: Asked, layout: LayoutName) -> Draft:
    """Best packs at the low edge middles (tripod) or at the steeper one (one-way), with fillers."""
    finished: list[bool] = []

    def task_of(asked: Asked, allowed_mm: float, *, lean_only: bool = False) -> Task:
        return edge_task(asked, layout, allowed_mm, lean_only=lean_only)

    def solve(asked: Asked, allowed_mm: float) -> Draft | None:
        task = task_of(asked, allowed_mm)
        outcome = asked.solve(task, kind=GeneralSearch)
        finished.append(outcome.finished)
        return draft_of(asked, layout, task, outcome) if outcome.answer is not None else None

    allowed = asked.question.safe_mm
    draft = first_that_stands(asked, allowed, partial(solve, asked))
    if draft is not None:
        return _with_fillers(asked, draft, allowed)
    gave_up = not all(finished)
    return best_that_can_be_done(
        asked, layout, task_of, GeneralSearch, gave_up=gave_up, to_itself=lambda asked: solve(asked, allowed)
    )


def edge_task(asked: Asked, layout: LayoutName, allowed_mm: float, *, lean_only: bool = False) -> Task:
    """The low edge middles as the search sees them; the bed bears at the pivot and under bare corners."""
    question, plane = asked.question, asked.question.plane
    low = [face for face in Face if plane.slope_towards(face) > 0.0]
    faces = sorted(low, key=lambda face: (-plane.slope_towards(face), face))
    # A corner that does not touch is packed with the edges: without it the foot would still rock.
    hanging = [seat for seat in CORNERS if question.known.feelers.get(seat, 0.0) > 0.0]
    seats = []
    for seat in (*(Seat(face.value) for face in faces[: 1 if layout == "one-way" else None]), *hanging):
        place = question.place(seat, asked.options)
        seats.append(asked.seat(seat, place, plane.at_seat_mm(seat) + question.extra_mm(seat)))
    if not any(seat.place for seat in seats):
        raise no_room(question.foot)
    down = min(CORNERS, key=lambda seat: (round(plane.at_seat_mm(seat), 9), CORNERS.index(seat)))
    seats.insert(0, asked.seat(down, None, 0.0, stays=True))
    return asked.task(seats, allowed_mm, grounds=partial(bed, question), lean_only=lean_only)


# ---------------------------------------------------------------- fillers


@dataclass(frozen=True, slots=True)
class _Fill:
    """One possible filler."""

    build: Build
    error_mm: float
    cost: float


def _with_fillers(asked: Asked, draft: Draft, allowed_mm: float) -> Draft:
    """The draft with the fillers that make its base widest; itself when none do."""
    question = asked.question
    if not draft.builds or len(draft.builds) != len(draft.packs):
        return draft
    low = [seat for seat in CORNERS if question.plane.at_seat_mm(seat) + question.extra_mm(seat) > 0.0]
    possible = [_fills(asked, seat, draft) for seat in low]
    if math.prod(1 + len(some) for some in possible) > _MOST_SETS:
        for i, some in enumerate(possible):
            # The cheapest, and the nearest to the gap.
            nearest = sorted(some, key=lambda fill: (-fill.error_mm, fill.cost))
            possible[i] = list({id(fill): fill for fill in (*some[:_FEW], *nearest[:_FEW])}.values())
    ranked = []
    for chosen in itertools.product(*([None, *some] for some in possible)):
        fills = [fill for fill in chosen if fill is not None]
        if not fills:
            continue
        packs = _packs(asked, draft, fills)
        resting = question.rests_on(packs)
        left = math.inf if resting.lean is None else question.left_mm(resting.lean)
        if left <= allowed_mm + 1e-9 and min(question.shares_on(packs)[: len(packs)]) > _CARRIES:
            arm = -round(resting.tipping_arm / _FILL_STEP)
            ranked.append((arm, sum(fill.cost for fill in fills), left, fills))
    for arm, _, _, fills in sorted(ranked, key=lambda item: item[:3]):
        if -arm <= round(draft.resting.tipping_arm / _FILL_STEP):
            break
        builds = [*draft.builds, *(fill.build for fill in fills)]
        if serves(asked.tables, [Used(b.stack, b.row, b.inner_mm) for b in builds]):
            return _filled(asked, draft, fills)
    return draft


def _packs(asked: Asked, draft: Draft, fills: Sequence[_Fill]) -> tuple[Pack, ...]:
    """Packs that lift and fillers: named together, for copies and stretches are shared."""
    builds = [*draft.builds, *(fill.build for fill in fills)]
    named = packs_of(asked.tables, builds, asked.question.foot.rod_at_mm)
    return tuple(sorted(named, key=lambda pack: SEAT_ORDER[pack.seat]))


def _fills(asked: Asked, seat: Seat, draft: Draft) -> list[_Fill]:
    """Fillers for one corner: for each cost and bearing point the thickest that lifts nothing."""
    question = asked.question
    place = question.place(seat, asked.options)
    if place is None:
        return []
    seats = [
        asked.seat(seat, None, 0.0, stays=True),
        asked.seat(seat, place, place.face_need_mm, stays=True),
    ]
    task = asked.task(seats, question.allowed_mm, grounds=partial(bed, question))
    search = GeneralSearch(task, asked.tables, frozenset(draft.saw_settings_deg))
    fills = []
    for group in search.groups[0].values():
        listed = group.listed
        best: dict[float, int] = {}
        for i, error in enumerate(listed.error.tolist()):
            # As far below the gap as the clamp can bring it to bear.
            if listed.row[i] >= 0 and -4.0 * question.preload_mm <= error <= 1e-9:
                # A taper's thickness has a price of its own, if a small one.
                key = round(float(listed.cost[i]), 1)
                if key not in best or error > listed.error[best[key]]:
                    best[key] = i
        for _, i in sorted(best.items()):
            cell = listed.cell(i)
            row, need_mm = group.rows[cell.row], place.need_mm(cell.inner)
            stack = asked.tables.stack(row, cell.steps, inner_mm=group.inner_mm)
            assert stack is not None
            build = Build(seat, place, cell.inner, cell.steps, row, stack, need_mm, purpose="fill")
            fills.append(_Fill(build, cell.error_mm, cell.cost))
    return fills


def _filled(asked: Asked, draft: Draft, fills: Sequence[_Fill]) -> Draft:
    """The draft with its fillers."""
    question, packs = asked.question, _packs(asked, draft, fills)
    resting = question.rests_on(packs)
    if resting.lean is None or not question.stands(resting):
        return draft
    counted = question.counted_on(packs, resting, asked.options)
    chance = question.chance_on(packs, resting, asked.options)
    cost = cost_of(
        asked,
        packs,
        set_ups=dict(draft.cost.parts).get("saw set-ups", 0.0),
        chance=counted,
    )
    why = FILLERS_FOUND if draft.status == "proven" else draft.why
    builds = (*draft.builds, *(fill.build for fill in fills))
    return replace(draft, packs=packs, resting=resting, cost=cost, builds=builds, why=why, chance=chance)
