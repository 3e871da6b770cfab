"""What all layouts share: asking the search, and turning its answer into packs."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from shimfit.core.packing.draft import Draft
from shimfit.core.packing.makeup import Build, cost_of, packs_of
from shimfit.core.packing.onebox import NODE_LIMIT, Down, inner_mm_of, solve_one_box
from shimfit.core.packing.search import Search
from shimfit.core.packing.task import Ground, Task, Work
from shimfit.core.resting import supports_of
from shimfit.errors import InternalError
from shimfit.model import Pack, Seat

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from shimfit.core.packing.onebox import Answer, Outcome
    from shimfit.core.packing.options import Options
    from shimfit.core.packing.question import Question
    from shimfit.core.packing.tables import Tables
    from shimfit.core.packing.task import Grounds, SeatTask
    from shimfit.model import LayoutName

_AGREES_MM = 1e-6
_TIGHTER, _TIGHTER_TIMES = 0.7, 6
_SEAT_ORDER = {seat: i for i, seat in enumerate(Seat)}


@dataclass(frozen=True, slots=True)
class Asked:
    """A question and the box that it is put to."""

    question: Question
    tables: Tables
    relaxed: bool = False
    """Each seat has the box to itself: at sensor rate."""
    node_limit: int = NODE_LIMIT
    work: Work = field(default_factory=Work)

    @property
    def options(self) -> Options:
        """How packs may be made."""
        return self.tables.options

    def solve(
        self,
        task: Task,
        *,
        down: Down | None = None,
        limit: float = math.inf,
        kind: type[Search] = Search,
    ) -> Outcome:
        """The search's answer to a task."""
        return solve_one_box(
            task,
            self.tables,
            down=down or Down(),
            limit=limit,
            node_limit=self.node_limit,
            relaxed=self.relaxed,
            kind=kind,
        )

    def task(
        self,
        seats: Sequence[SeatTask],
        allowed_mm: float,
        *,
        grounds: Grounds | None = None,
        lean_only: bool = False,
    ) -> Task:
        """A task of this post; the first seat stays down."""
        plane = self.question.plane
        return Task(
            seats=tuple(seats),
            rod_at_mm=self.question.foot.rod_at_mm,
            height_mm=self.question.height_mm,
            allowed_mm=allowed_mm,
            disk=not self.question.tolerance.per_direction,
            residual_mm=self.question.allowed_mm,
            outlook=self.question.outlook(self.options.scatter),
            steepest=max(abs(plane.slope_along), abs(plane.slope_across)),
            grounds=grounds,
            lean_only=lean_only,
            thin=rolls(self.question),
            work=self.work,
        )


def bed(question: Question, packed: Sequence[Seat]) -> list[Ground]:
    """Where the bed itself bears when these seats are packed, as `core.resting` counts it; pivot first."""
    stand_in = [Pack(seat=seat, need_mm=1.0, made_mm=1.0, bears_at_mm=(1.0, 1.0)) for seat in packed]
    supports = supports_of(question.plane, stand_in, stiffness={}, rocks_mm=question.feelers)
    bare = sorted((s for s in supports if s.bare), key=lambda s: -s.error_mm)
    return [Ground(s.x_mm, s.y_mm, s.error_mm, s.stiffness) for s in bare]


# ---------------------------------------------------------------- from the search's answer to packs


def draft_of(
    asked: Asked, layout: LayoutName, task: Task, outcome: Outcome, down: Down | None = None
) -> Draft:
    """The answer of the search as packs, rested on them once more by the contact problem itself.

    InternalError when that and the search do not agree.
    """
    answer = outcome.answer
    assert answer is not None
    question = asked.question
    builds, kept, bearing = builds_of(asked, task, answer, down or Down())
    packs = _in_order([*packs_of(asked.tables, builds, question.foot.rod_at_mm), *(p for p, _ in kept)])
    resting = question.rests_on(packs)
    top, rock = answer.choice.top_mm, answer.choice.rock_mm
    rolling = task.grounds is not None and rolls(question)
    if not rolling:
        _check(answer, resting.lean.top_mm(question.height_mm) if resting.lean else None)
    elif resting.lean is not None:
        top, rock = resting.lean.top_mm(question.height_mm), resting.rock_mm
    lift_mm = (down or Down()).steps * asked.options.quantum_mm
    four = layout == "corners" and not rolling
    if asked.relaxed and four and asked.options.costs.round:
        # What the search counted: it told the same four supports.
        counted, chance = _counted(answer, asked.options.costs.round), None
    else:
        counted, chance = question.chance_on(
            packs, resting, asked.options.scatter, all_carry=four, in_full=not asked.relaxed
        )
    cost = cost_of(
        asked.tables,
        packs,
        bearing=bearing,
        set_up=answer.set_up,
        rock_mm=rock,
        top_mm=top,
        allowed_mm=question.allowed_mm,
        lift_mm=lift_mm,
        chance=counted,
        kept={pack.seat: price for pack, price in kept},
    )
    return Draft(
        layout=layout,
        packs=packs,
        resting=resting,
        status="found" if asked.relaxed or rolls(question) or not outcome.finished else "proven",
        cost=cost,
        bound=outcome.bound,
        cautions=_jams(asked, task, answer),
        chance=chance,
        saw_settings_deg=answer.angles,
        builds=tuple(builds),
        bearing=bearing,
    )


def rolls(question: Question) -> bool:
    """True for a round foot: its rim rolls to where the post really tilts, which the search takes as plumb.

    So its answers are told as found, not proven, and are taken only when they really rest in tolerance.
    """
    return question.foot.round and question.needs is None


def first_that_stands(
    asked: Asked, allowed_mm: float, solve: Callable[[float], Draft | None]
) -> Draft | None:
    """The layout's answer; of a round foot the first, asked ever closer, that really rests in tolerance."""
    for _ in range(_TIGHTER_TIMES if rolls(asked.question) else 1):
        draft = solve(allowed_mm)
        if draft is None or asked.question.stands(draft.resting):
            return draft
        allowed_mm *= _TIGHTER
    return None


def builds_of(
    asked: Asked, task: Task, answer: Answer, down: Down
) -> tuple[list[Build], list[tuple[Pack, float]], float]:
    """Packs before their pieces are named, packs that stay with their price, and the bearing cost."""
    builds: list[Build] = []
    kept: list[tuple[Pack, float]] = []
    bearing = 0.0
    # A round foot's needs are searched from the corner that stays down, and reported from its rim.
    rim = rolls(asked.question) and task.grounds is None
    rim_mm = asked.question.plane.at_seat_mm(task.seats[0].seat) if rim else 0.0
    for i, (seat, cell, stack) in enumerate(zip(task.seats, answer.choice.cells, answer.stacks, strict=True)):
        place = seat.place
        if cell.row <= -2:
            offer = seat.offers[-2 - cell.row]
            kept.append((offer.pack, offer.cost))
        elif stack is not None and place is not None and i == 0:
            flats = asked.tables.rows[0]
            builds.append(
                Build(
                    seat.seat,
                    place,
                    inner=False,
                    steps=down.steps,
                    row=flats,
                    stack=stack,
                    need_mm=seat.bare_need_mm + rim_mm,
                )
            )
        elif stack is not None and place is not None:
            row = answer.rows[i]
            assert row is not None
            bearing += cell.cost - stack.cost
            need_mm = place.need_mm(cell.inner) + rim_mm
            builds.append(Build(seat.seat, place, cell.inner, cell.steps, row, stack, need_mm))
    return builds, kept, bearing


def _counted(answer: Answer, price: float) -> float:
    """The chance of plumb that the rounds of an answer were counted by."""
    rounds = answer.choice.cost - sum(cell.cost for cell in answer.choice.cells)
    return price / (price + max(0.0, rounds))


def _check(answer: Answer, rests_mm: tuple[float, float] | None) -> None:
    top = answer.choice.top_mm
    if rests_mm is None or math.dist(top, rests_mm) > _AGREES_MM:
        raise InternalError(
            f"The search and the contact problem disagree on the rest, {top} and {rests_mm} mm at the top; "
            "please report this post and its box."
        )


def _jams(asked: Asked, task: Task, answer: Answer) -> tuple[str, ...]:
    said = []
    for i, (cell, stack) in enumerate(zip(answer.choice.cells, answer.stacks, strict=True)):
        if stack is not None and stack.tail is not None and inner_mm_of(task, i, cell) is not None:
            lot = asked.tables.lots[stack.tail[0]].lot
            said.append(
                f"{task.seats[i].seat}: {lot} is flatter than the gap and would jam; trim its tip first."
            )
    return tuple(said)


def _in_order(packs: Sequence[Pack]) -> tuple[Pack, ...]:
    return tuple(sorted(packs, key=lambda pack: _SEAT_ORDER[pack.seat]))
