"""From what the search found to packs of named pieces, rested once more on the contact problem itself.

`Asked` is a question and the box that it is put to: it asks the search. `draft_of` names the pieces (marks,
trimming, copies, wedges), checks the rest and counts what it costs. `still_good` weighs what the screen shows
against a new reading: it stays while it holds, or the answer would flicker between ties while a sensor
streams.
"""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import field, replace
from functools import cached_property, partial
from typing import TYPE_CHECKING

from shimfit.core.foot import clean
from shimfit.core.objective import LEAST_CHANCE
from shimfit.core.packing.onebox import NODE_LIMIT, OneBox
from shimfit.core.packing.pieces import TOUCH_MM
from shimfit.core.packing.question import (
    Build,
    Draft,
    Ground,
    SeatTask,
    Task,
    Work,
    no_room,
)
from shimfit.core.packing.search import Search
from shimfit.core.resting import supports_of
from shimfit.errors import InternalError
from shimfit.model import CORNERS, Cost, Pack, Piece, Seat
from shimfit.values import dataclass

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from shimfit.core.packing.onebox import Answer, Outcome
    from shimfit.core.packing.options import Layout, Options
    from shimfit.core.packing.question import Grounds, Offer, Place, Question
    from shimfit.core.packing.tables import Tables
    from shimfit.model import LayoutName, Prescription, Status

_AGREES_MM = 1e-6
_DUST = 1e-9
_TIGHTER, _TIGHTER_TIMES = 0.7, 6
SEAT_ORDER = {seat: i for i, seat in enumerate(Seat)}


@dataclass(frozen=True, slots=True)
class Mode:
    """How an answer is looked for."""

    layout: Layout | None = None
    """None: that of the tables' options."""
    relaxed: bool = False
    """At sensor rate: each seat has the box to itself, and the status is never proven."""
    shown: Prescription | None = None
    """What the screen shows now: it stays while it holds and nothing is better by more than a piece."""
    node_limit: int = NODE_LIMIT


PROVEN = Mode()
"""To the end, in the layout of the options."""


@dataclass(frozen=True)
class Asked:
    """A question and the box that it is put to."""

    question: Question
    tables: Tables
    mode: Mode = PROVEN
    work: Work = field(default_factory=Work)

    @property
    def options(self) -> Options:
        """How packs may be made."""
        return self.tables.options

    def solve(
        self,
        task: Task,
        *,
        lift: int = 0,
        limit: float = math.inf,
        kind: type[Search] = Search,
    ) -> Outcome:
        """The search's answer to a task."""
        box, nodes = OneBox(task, self.tables, lift=lift, kind=kind), 0
        while True:
            outcome = box.solve(limit, self.mode.node_limit - nodes, relaxed=self.mode.relaxed)
            nodes += max(1, outcome.nodes)
            done = outcome.finished or outcome.answer is not None or box.every.spent
            if done or nodes >= self.mode.node_limit:
                return outcome

    def task(
        self,
        seats: Sequence[SeatTask],
        allowed_mm: float,
        *,
        grounds: Grounds | None = None,
        lean_only: bool = False,
    ) -> Task:
        """A task of this post; the first seat stays down."""
        return Task(
            seats=tuple(seats),
            rod_at_mm=self.question.foot.rod_at_mm,
            height_mm=self.question.height_mm,
            allowed_mm=allowed_mm,
            disk=not self.question.tolerance.per_direction,
            acceptance=self.question.acceptance(self.options.scatter),
            grounds=grounds,
            lean_only=lean_only,
            thin=rolls(self.question),
            likely_cost=self.mode.shown.cost.total if self.mode.shown else 0.0,
            work=self.work,
        )

    @cached_property
    def four(self) -> OneBox:
        """Three corners to be packed, the one that stays down bare."""
        return OneBox(self.corner_task(self.question.safe_mm, lift_mm=0.0), self.tables)

    def corner_task(
        self,
        allowed_mm: float,
        *,
        lift_mm: float | None = None,
        lean_only: bool = False,
        on: Offer | None = None,
    ) -> Task:
        """The corners as the search sees them: the one with the least need stays down, needs counted from it.

        lift_mm: the one that stays down is lifted so much, on the pack that stands there already where that
        is given (`on`); of a round foot 0 means that the three others are packed, and None that they need not
        be: its rim's exact point stays down, and the corner next to it bare.
        """
        question, plane = self.question, self.question.plane
        needs = {seat: plane.at_seat_mm(seat) + question.extra_mm(seat) for seat in CORNERS}
        down, *others = sorted(CORNERS, key=lambda seat: round(needs[seat], 9))
        others.sort(key=CORNERS.index)
        rolling = rolls(question)
        rim = rolling and lift_mm is None
        shift = 0.0 if rim else (lift_mm or 0.0) - needs[down]
        places = {seat: question.place(seat, self.options, shift) for seat in CORNERS}
        if not any(places.values()):
            raise no_room(question.foot)
        stays = self.seat(down, None if rim else places[down], needs[down] + shift, stays=True)
        seats = [stays if on is None else replace(stays, offers=(on,))]
        for seat in others:
            # A round foot that is bare there would roll.
            need_mm = needs[seat] + shift if rim or not rolling else math.inf
            seats.append(self.seat(seat, places[seat], need_mm))
        grounds = partial(bed, question) if rim else None
        return self.task(seats, allowed_mm, grounds=grounds, lean_only=lean_only)

    def seat(self, seat: Seat, place: Place | None, need_mm: float, *, stays: bool = False) -> SeatTask:
        """A seat with what may stay there; none where it stays down."""
        at_mm = self.question.foot.seat_at_mm(seat)
        offers = () if stays else self.question.known.offers.get(seat, ())
        if callable(offers):
            known = () if place is None else tuple(offers(place))
            return SeatTask(seat, place, need_mm, at_mm, known, to_measure=True)
        return SeatTask(seat, place, need_mm, at_mm, tuple(offers))


def bed(question: Question, packed: Sequence[Seat]) -> list[Ground]:
    """Where the bed itself bears when these seats are packed, as `core.resting` counts it; pivot first."""
    stand_in = [Pack(seat=seat, need_mm=1.0, made_mm=1.0, bears_at_mm=(1.0, 1.0)) for seat in packed]
    supports = supports_of(question.plane, stand_in, rocks_mm=question.known.feelers)
    bare = sorted((s for s in supports if s.bare), key=lambda s: -s.error_mm)
    return [Ground(s.x_mm, s.y_mm, s.error_mm, s.stiffness) for s in bare]


# ---------------------------------------------------------------- from the search's answer to packs


def draft_of(asked: Asked, layout: LayoutName, task: Task, outcome: Outcome, lift: int = 0) -> Draft:
    """The answer of the search as packs, rested on them once more by the contact problem itself.

    InternalError when that and the search do not agree.
    """
    answer = outcome.answer
    assert answer is not None
    question, options = asked.question, asked.options
    builds, kept = builds_of(asked, task, answer, lift)
    packs = [*packs_of(asked.tables, builds, question.foot.rod_at_mm), *(pack for pack, _ in kept)]
    packs.sort(key=lambda pack: SEAT_ORDER[pack.seat])
    resting = question.rests_on(packs)
    top = answer.choice.top_mm
    rests_mm = resting.lean.top_mm(question.height_mm) if resting.lean else None
    rolling = task.grounds is not None and rolls(question)
    if not rolling and (rests_mm is None or math.dist(top, rests_mm) > _AGREES_MM):
        raise InternalError(
            f"The search and the contact problem disagree on the rest, {top} and {rests_mm} mm at the top; "
            "please report this post and its box."
        )
    four = layout == "corners" and not rolling
    if four and options.costs.round and not task.lean_only:
        # What the search counted: it goes by the same four supports.
        rounds = answer.choice.cost - sum(cell.cost for cell in answer.choice.cells)
        counted = options.costs.round / (options.costs.round + max(0.0, rounds))
    else:
        counted = question.counted_on(packs, resting, options, all_carry=four)
    chance = None if asked.mode.relaxed else question.chance_on(packs, resting, options, all_carry=four)
    cost = cost_of(
        asked,
        packs,
        set_ups=answer.set_up,
        lift_mm=lift * options.quantum_mm,
        chance=counted,
        kept={pack.seat: price for pack, price in kept},
    )
    jams = [
        f"{build.seat}: {asked.tables.lots[build.stack.tail[0]].lot} is flatter than the gap and would jam; "
        "trim its tip first."
        for build in builds
        if build.stack.tail is not None and build.inner
    ]
    return Draft(
        layout=layout,
        packs=tuple(packs),
        resting=resting,
        status="found" if asked.mode.relaxed or rolls(question) or not outcome.finished else "proven",
        cost=cost,
        bound=outcome.bound,
        cautions=tuple(jams),
        chance=chance,
        saw_settings_deg=answer.angles,
        builds=tuple(builds),
    )


def rolls(question: Question) -> bool:
    """True for a round foot: its rim rolls to where the post really tilts, which the search takes as plumb.

    So its answers are reported as found, not proven, and are taken only when they really rest in tolerance.
    """
    return question.foot.round


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
    asked: Asked, task: Task, answer: Answer, lift: int
) -> tuple[list[Build], list[tuple[Pack, float]]]:
    """Packs before their pieces are named, and packs that stay with their price."""
    builds: list[Build] = []
    kept: list[tuple[Pack, float]] = []
    # A round foot's needs are searched from the corner that stays down, and reported from its rim.
    rim = rolls(asked.question) and task.grounds is None
    rim_mm = asked.question.plane.at_seat_mm(task.seats[0].seat) if rim else 0.0
    for i, (seat, cell, used) in enumerate(zip(task.seats, answer.choice.cells, answer.used, strict=True)):
        if cell.row <= -2:
            offer = seat.offers[-2 - cell.row]
            kept.append((offer.pack, offer.cost))
        elif used is not None and seat.place is not None:
            need_mm = seat.place.need_mm(cell.inner) if i else seat.bare_need_mm
            steps = cell.steps if i else lift
            builds.append(
                Build(seat.seat, seat.place, cell.inner, steps, used.row, used.stack, need_mm + rim_mm)
            )
    return builds, kept


# ---------------------------------------------------------------- pieces with names


def packs_of(tables: Tables, builds: Sequence[Build], rod_at_mm: tuple[float, float]) -> tuple[Pack, ...]:
    """Packs with their pieces, in the order of the builds."""
    copies = _copies(tables, builds)
    return tuple(_pack(tables, build, rod_at_mm, copies.get(i)) for i, build in enumerate(builds))


def _pack(tables: Tables, build: Build, rod_at_mm: tuple[float, float], copy: int | None) -> Pack:
    q = tables.options.quantum_mm
    x, y = build.place.at_mm(build.inner)
    pieces = []
    if build.stack.tail is not None:
        rank, steps = build.stack.tail
        lot, row = tables.lots[rank], build.row
        inside = build.inner_mm or build.place.reach_mm
        at_face = steps * q + (build.inner_mm or 0.0) * row.sigma
        named = partial(Piece, lot.lot, lot.form, clean(at_face), copy=copy)
        if lot.is_marked:
            mark = tables.mark_mm(rank, steps, build.inner_mm)
            pieces.append(named(mark_mm=clean(mark), trim_tip_mm=clean(max(0.0, mark - inside))))
        else:
            assert lot.width_mm is not None
            assert row.saw_deg is not None
            rise = 2.0 * lot.width_mm * math.tan(math.radians(row.saw_deg))
            tip = clean(max(0.0, lot.width_mm - inside))
            thin, thick = clean(at_face - rise), clean(at_face)
            pieces.append(named(trim_tip_mm=tip, thin_mm=thin, thick_mm=thick, saw_deg=row.saw_deg))
    for rank in build.stack.flats:
        lot = tables.lots[rank]
        pieces.append(Piece(lot.lot, lot.form, clean(tables.steps(lot.thickness_mm or 0.0) * q)))
    return Pack(
        seat=build.seat,
        need_mm=clean(build.need_mm),
        made_mm=clean(build.steps * q),
        bears_at_mm=(clean(x - rod_at_mm[0]), clean(y - rod_at_mm[1])),
        pieces=tuple(pieces),
        purpose=build.purpose,
        inside_mm=build.place.inside_mm if build.stack.flats else None,
        enters=build.place.enters,
    )


def _copies(tables: Tables, builds: Sequence[Build]) -> dict[int, int]:
    """Which of several like tapers or strips each build uses: the first that is free, by left end.

    For stretches of one length scale that is never more copies than the most that cover one point
    (interval graphs are perfect).
    """
    uses: dict[int, list[tuple[float, float, int]]] = defaultdict(list)
    for i, build in enumerate(builds):
        if build.stack.tail is None:
            continue
        rank, steps = build.stack.tail
        lot = tables.lots[rank]
        if lot.count > 1 and lot.is_marked:
            uses[rank].append((*tables.stretch(rank, steps, build.inner_mm), i))
    copies: dict[int, int] = {}
    for stretches in uses.values():
        taken_to: list[float] = []
        for start, end, i in sorted(stretches):
            copy = next((k for k, to in enumerate(taken_to) if to <= start + TOUCH_MM), len(taken_to))
            taken_to[copy : copy + 1] = [end]
            copies[i] = copy + 1
    return copies


def cost_of(
    asked: Asked,
    packs: Iterable[Pack],
    *,
    set_ups: float = 0.0,
    lift_mm: float = 0.0,
    chance: float = 1.0,
    kept: Mapping[Seat, float] | None = None,
) -> Cost:
    """The cost of packs with its parts in the objective's unit (no prices), most important first.

    set_ups: of the saw, which the search knows. kept: what packs that stand there already are charged instead
    of their pieces. lift_mm: how far the whole foot is lifted. chance: of plumb at the next reading.
    """
    tables, costs = asked.tables, asked.options.costs
    material = pieces = cuts = 0.0
    kept = kept or {}
    for pack in packs:
        inner_mm = asked.question.foot.inner_mm(pack)
        for piece in pack.pieces if pack.seat not in kept else ():
            lot = tables.lots[tables.rank[piece.lot]]
            bought = lot.origin == "bought"
            pieces += costs.piece
            cuts += costs.cut if not piece.is_whole else 0.0
            if piece.mark_mm is not None and tables.trims_tip(piece.mark_mm, inner_mm):
                cuts += costs.tip_cut
            if piece.is_marked:
                # As the tables count it: a taper's thickness is measured where its pack bears.
                tail_mm = pack.made_mm - sum(one.thickness_mm for one in pack.pieces if one.is_whole)
                material += costs.new_taper if bought else costs.thick_per_mm * tail_mm
            elif piece.is_whole:
                material += costs.new_flat if bought else 0.0
            elif bought and lot.length_mm and piece.saw_deg and piece.thick_mm:
                wedge_mm = tables.wedge_mm(lot, piece.saw_deg, piece.thick_mm)
                material += costs.new_strip_mm(lot.length_mm) * wedge_mm
    parts = (
        ("next round", costs.round * (1.0 / max(chance, LEAST_CHANCE) - 1.0)),
        ("lift", costs.lifting(lift_mm)),
        ("material", material),
        ("pieces", pieces),
        ("cuts", cuts),
        ("saw set-ups", set_ups),
        ("changes", sum(kept.values())),
    )
    return Cost(sum(amount for _, amount in parts), tuple(part for part in parts if part[1]))


def bare(asked: Asked, layout: LayoutName, status: Status, why: str | None = None) -> Draft:
    """The post as it stands, without packs; what it costs is counted as if the next reading were plumb."""
    question = asked.question
    resting = question.rests_on(())
    cost = cost_of(asked, ())
    bound = cost.total if status == "proven" else math.inf
    return Draft(layout, (), resting, status, cost, bound, why)


# ---------------------------------------------------------------- what the screen shows


def still_good(asked: Asked, shown: Prescription) -> Draft | None:
    """The shown packs under the new reading; None when they do not hold any more, or the box has changed.

    A pack keeps its pieces and where it bears; what it is wanted for and the rest are worked out again.
    """
    question = asked.question
    if not shown.packs or shown.post != question.foot or shown.status not in ("proven", "found"):
        return None
    packs: list[Pack] = []
    for pack in shown.packs:
        place = question.place(pack.seat, asked.options)
        again = None if place is None else _again(asked, pack, place)
        if place is None or again is None:
            return None
        packs.append(again)
    resting = question.rests_on(packs)
    if resting.lean is None or resting.rock_mm > 4.0 * question.preload_mm:
        return None
    if question.left_mm(resting.lean) > question.safe_mm + _DUST:
        return None
    corners = shown.layout == "corners" and not rolls(question)
    top_mm = resting.lean.top_mm(question.height_mm)
    if asked.mode.relaxed and corners:
        counted = asked.four.every.chance_of(packs, top_mm)
    else:
        counted = question.counted_on(packs, resting, asked.options, all_carry=corners)
    relaxed = asked.mode.relaxed
    chance = None if relaxed else question.chance_on(packs, resting, asked.options, all_carry=corners)
    lifts = [pack.made_mm for pack in packs if question.plane.at_seat_mm(pack.seat) <= _DUST]
    cost = cost_of(
        asked,
        packs,
        set_ups=dict(shown.cost.parts).get("saw set-ups", 0.0),
        lift_mm=max(lifts, default=0.0) if len(packs) == len(CORNERS) else 0.0,
        chance=counted,
    )
    return Draft(
        layout=shown.layout,
        packs=tuple(packs),
        resting=resting,
        status="found",
        cost=cost,
        bound=-math.inf,
        why=shown.why,
        cautions=shown.cautions,
        saw_settings_deg=shown.saw_settings_deg,
        chance=chance,
    )


def _again(asked: Asked, pack: Pack, place: Place) -> Pack | None:
    """The pack under the new need; None when it would bear elsewhere or its lots have gone."""
    for piece in pack.pieces:
        lot = asked.tables.lot_of(piece)
        if lot is None or not lot.count:
            return None
    slope = asked.tables.slope_of(pack)
    inner = asked.options.bearing_point == "auto" and slope < place.slope - _DUST
    x, y = place.at_mm(inner)
    rod_x, rod_y = asked.question.foot.rod_at_mm
    if math.dist((x - rod_x, y - rod_y), pack.bears_at_mm) > 1e-6:
        return None
    return replace(pack, need_mm=place.need_mm(inner))
