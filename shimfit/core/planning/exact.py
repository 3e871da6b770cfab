"""One post at the prices of a round, with the box's own pieces counted: where two seats want one piece.

The batched search gives each seat the box to itself. Where its best pattern is not in the box, the single
search branches on who goes without; its bound makes the round's bound true to the box, and its answer is a
pattern that can be had. Asked last, where going through the patterns one by one did not find one.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from shimfit.core.packing.draft import Asked, Mode
from shimfit.core.packing.question import Known, ask
from shimfit.core.packing.tables import Tables
from shimfit.core.planning.geometry import seats_of
from shimfit.core.planning.patterns import Pattern, SeatPack, begun, pattern_of
from shimfit.model import Lean

if TYPE_CHECKING:
    from shimfit.core.packing.onebox import Answer
    from shimfit.core.packing.question import Task
    from shimfit.core.planning.geometry import PlanPost

NODES = 40
"""Nodes of the branching per question: the bound holds wherever it is stopped."""


def cheapest_in_box(
    post: PlanPost, number: int, tables: Tables, limit: float
) -> tuple[float, Pattern | None]:
    """What no pattern of a post is cheaper than, and the best below `limit`, pivot bare or lifted.

    `number` is the post's among all; `tables` carry the prices, without set-ups.
    """
    along, across = post.to_correct
    question = ask(
        post.foot, post.height_mm, Lean(along, across), post.tolerance, tables.options.preload_mm,
        known=Known(post.reads, u_take_up=post.u_take_up, margin_slope=post.used_slope),
    )  # fmt: skip
    asked = Asked(question, tables, Mode(node_limit=NODES))
    bound, best = limit, None
    for steps in (0, *tables.thick.tolist()):
        lift_mm = steps * tables.options.quantum_mm
        extra = tables.options.costs.lifting(lift_mm)
        floor = 3.0 * tables.options.costs.piece + extra
        if steps and float(tables.c1[tables.index_of[steps]]) + floor >= bound:
            continue
        task = asked.corner_task(post.allowed_mm, lift_mm=lift_mm)
        outcome = asked.solve(task, lift=steps, limit=limit - extra)
        bound = min(bound, outcome.bound + extra)
        if outcome.answer is not None and outcome.answer.cost + extra < limit - 1e-7:
            limit = outcome.answer.cost + extra
            best = _pattern(outcome.answer, task, tables, post, number, extra)
    return bound if math.isfinite(bound) else limit, best


def _pattern(  # noqa: PLR0917 - a private step of the function above, with its state in hand
    answer: Answer, task: Task, tables: Tables, post: PlanPost, number: int, lift: float
) -> Pattern:
    names = seats_of(post)
    packs = []
    # What is left over once the packs are paid.
    extra = lift + answer.choice.cost - sum(cell.cost for cell in answer.choice.cells)
    for seat, cell, used in zip(task.seats, answer.choice.cells, answer.used, strict=True):
        if used is None or seat.place is None:
            continue
        stack, row = used.stack, used.row
        which = names.index(seat.seat)
        inner = cell.inner and which < 3
        steps = sum(tables.steps(tables.lots[rank].thickness_mm or 0.0) for rank in stack.flats)
        steps += stack.tail[1] if stack.tail is not None else 0
        inner_mm = seat.place.inside_mm if inner and row.sigma > 0 else None
        pack = SeatPack(which, stack.flats, stack.tail, inner_mm, row.saw_deg, int(inner), steps)
        packs.append(begun(tables, pack)[0][1])
    packs.sort(key=lambda pack: pack.seat)
    return pattern_of(tables, packs, extra, number)


def without_set_ups(tables: Tables) -> Tables:
    """The same box and prices with set-ups that cost nothing."""
    return Tables(tables.lots, tables.options.without_set_ups(), tables.prices, tables.length)
