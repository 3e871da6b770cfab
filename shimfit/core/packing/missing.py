"""When nothing keeps the limits: what is missing, in words that are true, and the best that was found.

The causes are tried from the outside in, and each is only named where it is shown to be the cause:

1. Room and layout: packs of exactly the thicknesses wanted, wherever there is room, would not do either.
2. Sharing: with every seat having the box to itself it would do, so it is pieces that are wanted twice.
3. A seat for which the box makes nothing near enough, whatever stands at the others.
4. Else every seat has something near enough alone, and no set of them does together.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from shimfit.core.packing.draft import Asked, bare, draft_of, rolls
from shimfit.core.packing.onebox import Used, lacking
from shimfit.core.packing.question import Draft
from shimfit.model import Pack
from shimfit.quantities import shown

if TYPE_CHECKING:
    from shimfit.core.packing.question import SeatTask, Task
    from shimfit.core.packing.search import Search
    from shimfit.model import LayoutName

_ROUGH_NODES = 20
"""Nodes for the best that can be done: it is reported as found, not as proven."""
_DUST_MM = 1e-9
_NOT_ALL_TRIED = "Not every way to build it could be tried in the time there was."
_ROLLS = (
    "A round foot rolls on its rim: only some of the packs that the box makes are tried under it, and none "
    "of these holds the tolerance; others may. Put in what comes nearest and read again."
)


TaskOf = Callable[..., "Task"]
"""A layout's task: (asked, what may be left over at the top in mm, lean_only=False)."""


def best_that_can_be_done(
    asked: Asked,
    layout: LayoutName,
    task_of: TaskOf,
    kind: type[Search],
    *,
    gave_up: bool,
    to_itself: Callable[[Asked], Draft | None],
) -> Draft:
    """The packs that leave the least lean, none included; says what is missing.

    to_itself: the layout's answer when every seat has the box to itself.
    """
    question = asked.question
    unpacked = question.lean.magnitude * question.height_mm
    why = _why(asked, layout, task_of, kind, gave_up=gave_up, to_itself=to_itself)
    allowed = question.allowed_mm
    roughly = replace(asked, mode=replace(asked.mode, node_limit=min(asked.mode.node_limit, _ROUGH_NODES)))
    while allowed < unpacked:
        allowed = min(2.0 * allowed, unpacked)
        task = task_of(asked, allowed, lean_only=True)
        outcome = roughly.solve(task, kind=kind)
        if outcome.answer is not None:
            best = draft_of(asked, layout, task, outcome)
            if not best.packs:
                break
            left = math.hypot(*outcome.answer.choice.top_mm)
            return Draft(
                layout=layout,
                packs=best.packs,
                resting=best.resting,
                status="gave-up" if gave_up else "impossible",
                cost=best.cost,
                bound=math.inf,
                # A share: the lean is asked for larger where packs give less than they should.
                why=f"{why} The best packs of it leave {shown.share(left / unpacked)} of the lean.",
                cautions=best.cautions,
                saw_settings_deg=best.saw_settings_deg,
            )
    if any(lot.count for lot in asked.tables.lots):
        why = f"{why} No packs were found that bring it nearer."
    return bare(asked, layout, "gave-up" if gave_up else "impossible", why)


# ---------------------------------------------------------------- the causes


def _why(
    asked: Asked,
    layout: LayoutName,
    task_of: TaskOf,
    kind: type[Search],
    *,
    gave_up: bool,
    to_itself: Callable[[Asked], Draft | None],
) -> str:
    rolling = rolls(asked.question)
    if gave_up and rolling:
        return _ROLLS
    task = task_of(asked, asked.question.allowed_mm)
    if not any(lot.count for lot in asked.tables.lots):
        # What each seat wants, so that it can be made before anything is counted in.
        seats = [seat for seat in task.seats if seat.bare_need_mm > _DUST_MM]
        wants = [f"{seat.seat} wants {seat.bare_need_mm:.2f} mm" for seat in seats]
        return f"The box is empty: {', '.join(wants)}. Count into it what there is to pack with."
    cause = "" if rolling else _layout_or_room(asked, layout, task)
    if cause:
        return cause
    if not asked.mode.relaxed:
        cause = _wanted_twice(asked, to_itself(replace(asked, mode=replace(asked.mode, relaxed=True))))
        if cause:
            return f"{_NOT_ALL_TRIED} {cause}" if gave_up else cause
    return _NOT_ALL_TRIED if gave_up else _thickness(asked, task, kind)


def _layout_or_room(asked: Asked, layout: LayoutName, task: Task) -> str:
    """No room for a pack, or a one-way pack under a two-way lean; empty when neither is the cause."""
    question = asked.question
    rod_x, rod_y = question.foot.rod_at_mm
    exact, no_room = [], []
    for seat in task.seats[1:]:
        need = seat.bare_need_mm
        if need <= _DUST_MM:
            continue
        if seat.place is None:
            no_room.append(seat)
            continue
        at = seat.at_mm[0] - rod_x, seat.at_mm[1] - rod_y
        exact.append(Pack(seat=seat.seat, need_mm=need, made_mm=need, bears_at_mm=at))
    resting = question.rests_on(exact)
    if question.stands(resting):
        return ""
    if no_room:
        worst = max(no_room, key=lambda seat: seat.bare_need_mm)
        wants = f"{worst.bare_need_mm:.2f} mm"
        return f"The rod's hole leaves no room for a pack at {worst.seat}, which wants {wants}."
    if layout == "one-way" and resting.lean is not None:
        # It takes out a lean in one direction only: what stays in the other, when that is too much.
        x, y = resting.lean.top_mm(question.height_mm)
        place = task.seats[1].place
        stays, towards = abs(x), "next" if x > 0.0 else "prev"
        if place is not None and place.enters.is_along:
            stays, towards = abs(y), "out" if y > 0.0 else "house"
        if stays > question.allowed_mm:
            return (
                f"A one-way layout takes out a lean in one direction only: {stays:.1f} mm towards {towards} "
                f"stay, {question.allowed_mm:.1f} mm are allowed."
            )
    return ""


def _wanted_twice(asked: Asked, draft: Draft | None) -> str:
    """The lots that are wanted more often than they are there; empty when that is not it."""
    if draft is None or not asked.question.stands(draft.resting):
        return ""
    tables = asked.tables
    more = lacking(tables, [Used(build.stack, build.row, build.inner_mm) for build in draft.builds])
    if not more:
        return ""
    seats: dict[int, list[str]] = {rank: [] for rank in more}
    for build in draft.builds:
        for rank in more.keys() & set(build.stack.ranks):
            seats[rank].append(str(build.seat))
    short = []
    for rank, n in more.items():
        lot, (*most, last) = tables.lots[rank], seats[rank]
        who = f"{', '.join(most)} and {last} want" if most else f"{last} wants"
        short.append((f"{who} {lot.lot}", f"{n} more of {lot.lot}"))
    return (
        f"{'; '.join(who for who, _ in short)}, more than the box has: "
        f"with {' and '.join(what for _, what in short)} the post would stand."
    )


class _Near(NamedTuple):
    """The thickness nearest to what a seat wants where it bears."""

    off_mm: float
    seat: SeatTask
    wants_mm: float
    made_mm: float
    thickest_mm: float
    inner: bool


def _thickness(asked: Asked, task: Task, kind: type[Search]) -> str:
    """The seat for which nothing is near enough; else that they do not go together."""
    angles = frozenset(row.saw_deg for row in asked.tables.rows if row.saw_deg is not None)
    search = kind(task, asked.tables, angles)
    alone: list[_Near] = []
    packed: list[_Near] = []
    for seat, groups in zip(task.seats[1:], search.groups, strict=True):
        near = _nearest(asked, seat)
        if near is None and seat.bare_need_mm > 0.0 and not seat.offers:
            return f"The box has no piece that fits: {seat.seat} wants {seat.bare_need_mm:.2f} mm."
        if near is None:
            continue
        packed.append(near)
        if not any(len(group.listed.cost) for group in groups.values()):
            alone.append(near)
    if alone:
        return _how_near(asked, max(alone, key=lambda near: near.off_mm))
    said = "Each corner has a pack that nearly fits, but together they leave it leaning or rocking too much"
    if not packed:
        return f"{said}."
    near = max(packed, key=lambda near: near.off_mm)
    return f"{said}; the farthest off: {_how_near(asked, near)}"


def _how_near(asked: Asked, near: _Near) -> str:
    seat, wants = near.seat, f"{near.seat.bare_need_mm:.2f} mm"
    if near.inner and near.seat.place is not None and asked.options.bearing_point == "auto":
        wants += f" ({near.wants_mm:.2f} mm for a flat, {near.seat.place.inside_mm:.0f} mm in)"
    is_thickest = near.made_mm < near.wants_mm and near.made_mm >= near.thickest_mm - _DUST_MM
    what = "the thickest stack" if is_thickest else "the nearest"
    return f"{seat.seat} wants {wants}, {what} that the box makes there is {near.made_mm:.2f} mm."


def _nearest(asked: Asked, seat: SeatTask) -> _Near | None:
    """The pack nearest to the need, at the face or where flatter pieces bear; None when there is none."""
    place, tables = seat.place, asked.tables
    if place is None or seat.bare_need_mm <= 0.0:
        return None
    q = asked.options.quantum_mm
    tables.grown(2 * max(1, tables.steps(seat.bare_need_mm)))
    corner = asked.options.bearing_point == "corner"
    first = 0 if corner else int(np.searchsorted(tables.sigma, place.slope - _DUST_MM))
    blocks = [(False, tables.cheapest[first:])]
    if not corner and place.slope > 0.0:
        _, cheapest, sigma = tables.inner_table(place.inside_mm)
        blocks.append((True, cheapest[: 1 + int(np.searchsorted(sigma[1:], place.slope - _DUST_MM))]))
    found = []
    for inner, block in blocks:
        made = np.flatnonzero(np.isfinite(block).any(axis=0)) * q
        if len(made):
            wants = place.need_mm(inner)
            nearest = float(made[np.abs(made - wants).argmin()])
            found.append(_Near(abs(nearest - wants), seat, wants, nearest, float(made[-1]), inner))
    return min(found, key=lambda near: near.off_mm) if found else None
