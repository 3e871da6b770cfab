"""A post with its packs: how it rests on them, what they take and leave, and posts served one by one.

Posts that planning together left over are served as `packing` serves one post, from some of the box
(`serve_alone`): from what is left, then from what a served neighbour gives back and does without. For those
that no way serves, `why_left_out` is the sentence that a person reads: what is missing, or who has it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING

from shimfit.core.cutting import steps
from shimfit.core.foot import gap_plane
from shimfit.core.ledger import Ledger
from shimfit.core.packing.layouts import prescribe
from shimfit.core.packing.pieces import TIP_MM
from shimfit.core.packing.question import Known, ask
from shimfit.core.packing.tables import build_tables
from shimfit.core.planning.patterns import copies_open
from shimfit.core.resting import rest_packs
from shimfit.errors import EntryError
from shimfit.model import BESIDE_THE_OTHERS, CORNERS, Lean

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from shimfit.core.packing.options import Options
    from shimfit.core.packing.tables import Tables
    from shimfit.core.planning.geometry import PlanPost
    from shimfit.core.planning.program import Patience
    from shimfit.model import Chance, Lot, Pack, Prescription, Resting


CHANCES_KEPT = 2_000
"""Posts with their packs whose chance is kept."""


@dataclass(frozen=True, slots=True)
class Planned:
    """A post that the plan serves."""

    post: PlanPost
    packs: tuple[Pack, ...]
    resting: Resting
    """As predicted, about plumb (an aim is part of it)."""
    cost: float
    """Without set-ups."""
    tips: int = 0
    """Tips of tapers that the cost has cut off."""
    proven: bool = False
    """By the single search: nothing in the box that it was given is better for this post alone."""

    @property
    def cuts(self) -> frozenset[str]:
        """Lots that tapers for its packs are cut from."""
        return frozenset(piece.lot for pack in self.packs for piece in pack.pieces if piece.is_marked)

    def chance(self, options: Options) -> Chance | None:
        """What the next reading will say of it, as `prescribe` has it; None where nothing is packed."""
        return _chance(self.post, self.packs, options) if self.packs else None


@lru_cache(maxsize=CHANCES_KEPT)
def _chance(post: PlanPost, packs: tuple[Pack, ...], options: Options) -> Chance | None:
    """Kept, since most posts of a run that is planned again get what they had."""
    question = ask(
        post.foot,
        post.height_mm,
        Lean(*post.to_correct),
        post.tolerance,
        options.preload_mm,
        known=_known(post),
    )
    four = not post.foot.round and all(pack.seat.is_corner for pack in packs)
    resting = question.rests_on(packs)
    return question.chance_on(packs, resting, options, all_carry=four)


def resting_on(post: PlanPost, packs: Sequence[Pack], options: Options) -> Resting:
    """How the post rests on its packs; the lean is about plumb, so what it is aimed at is part of it."""
    resting = rest_packs(
        post.foot, Lean(*post.to_correct), packs, options.preload_mm, rocks_mm=dict(post.feelers)
    )
    if post.aim is None or resting.lean is None:
        return resting
    lean = Lean(
        resting.lean.slope_along + post.aim.slope_along, resting.lean.slope_across + post.aim.slope_across
    )
    return replace(resting, lean=lean)


# ---------------------------------------------------------------- the box beside the plan


def box_after(lots: Sequence[Lot], packs: Iterable[Pack], options: Options) -> Ledger:
    """The box once these packs of a plan are made."""
    return Ledger(lots).after(packs, options.saw.kerf_mm, options.saw.hold_mm)


def made_together(
    planned: Mapping[int, Planned], lots: Sequence[Lot], options: Options
) -> tuple[dict[int, Planned], frozenset[str]]:
    """The same posts, all made from one box; and lots that have no room for it.

    Each piece of a lot of several tapers or strips says which copy it is cut from. What posts cost is put
    right: the tip is off where a stretch begins at another's cut, and nowhere else.
    """
    packs = [("", pack) for one in planned.values() for pack in one.packs]
    made = Ledger(lots).take(packs, options.saw.kerf_mm, hold_mm=options.saw.hold_mm)
    numbered, cuts = iter(made.packs), iter(made.cuts)
    ends = {(cut.lot, cut.copy, steps(cut.to_mm + cut.kerf_mm)) for cut in made.cuts}
    done = {}
    for number, one in planned.items():
        own = [
            (next(cuts), options.takes_mm(one.post.foot.inner_mm(pack)))
            for pack in one.packs
            for piece in pack.pieces
            if not piece.is_whole
        ]
        tips = sum(
            cut.saw_deg is None
            and cut.to_mm > takes_mm + TIP_MM
            and not any((cut.lot, cut.copy, steps(cut.from_mm) + k) in ends for k in (-1, 0, 1))
            for cut, takes_mm in own
        )
        done[number] = replace(
            one,
            packs=tuple(next(numbered) for _ in one.packs),
            cost=one.cost + options.costs.tip_cut * (tips - one.tips),
            tips=tips,
        )
    return done, made.no_room


# ---------------------------------------------------------------- one at a time


def _known(post: PlanPost) -> Known:
    """What is known of a post, as a question by itself has it."""
    return Known(
        post.reads, u_take_up=post.u_take_up, margin_slope=post.used_slope, feelers=dict(post.feelers)
    )


def _answer(post: PlanPost, tables: Tables) -> Prescription:
    """The best packs of one post that has a box to itself."""
    lean = Lean(*post.to_correct)
    return prescribe(post.foot, post.height_mm, lean, post.tolerance, tables, known=_known(post))


def serve_alone(post: PlanPost, box: Ledger, options: Options) -> Planned | None:
    """A post served from what is left of the box as `prescribe` would; None when it can't be.

    What is cut from a remainder is given as a stretch of the copy that it is of. The cost is the plan's:
    set-ups not counted, and a stretch of a bought taper costs the same whichever is cut first. EntryError for
    lots that are none.
    """
    origin = {lot.lot: lot.origin for lot in (*box.lots(), *box.used_up())}
    parents = [(lot, box.parent(lot.lot)) for lot in box.lots()]
    offered = [lot if rest is None else replace(lot, origin=origin[rest.lot]) for lot, rest in parents]
    tables = build_tables(offered, options)
    answer = _answer(post, tables)
    if answer.status in ("impossible", "gave-up") or not answer.within:
        return None
    packs = copies_open(replace(pack, pieces=tuple(map(box.in_whole, pack.pieces))) for pack in answer.packs)
    resting = resting_on(post, packs, options)
    if resting.lean is None or not post.tolerance.holds(resting.lean, post.height_mm):
        return None
    set_up = sum(amount for name, amount in answer.cost.parts if name == "saw set-ups")
    tips = sum(
        tables.trims_tip(piece.mark_mm or 0.0, post.foot.inner_mm(pack))
        for pack in answer.packs
        for piece in pack.pieces
        if piece.is_marked
    )
    return Planned(post, packs, resting, answer.cost.total - set_up, tips, answer.status == "proven")


NEIGHBOURS = 8
"""Served posts that are asked to give their pieces back, the likest leans first."""


def from_what_is_left(
    post: PlanPost, planned: Iterable[Planned], box: Sequence[Lot], options: Options
) -> Planned | None:
    """The post served from the box less what is planned; None when it can't be."""
    packs = [pack for one in planned for pack in one.packs]
    return serve_alone(post, box_after(box, packs, options), options)


def by_swapping(  # noqa: PLR0917 - it takes the quantities it takes
    number: int, posts: Sequence[PlanPost], planned: Mapping[int, Planned], box: Sequence[Lot],
    options: Options, patience: Patience,
) -> dict[int, Planned]:  # fmt: skip
    """Post `number` served from what one served post gives back, and that one anew; nothing when none can.

    The first neighbour that can: to look on for the cheapest is as much work again, and where more than one
    could (in one of 12 small runs), it was the first. A post served is worth hundreds of minutes.
    """
    post = posts[number]
    served = [other for other, one in planned.items() if one.packs]
    served.sort(key=lambda other: (_unlike(post, posts[other]), other))
    for other in served[:NEIGHBOURS]:
        if patience.at_an_end():
            break
        packs = [pack for owner, one in planned.items() if owner != other for pack in one.packs]
        mine = serve_alone(post, box_after(box, packs, options), options)
        if mine is None:
            continue
        # Its packs name the box's own lots, so they are taken from the whole box together with the others.
        theirs = serve_alone(posts[other], box_after(box, [*packs, *mine.packs], options), options)
        if theirs is not None:
            return {number: mine, other: theirs}
    return {}


def _unlike(one: PlanPost, other: PlanPost) -> float:
    """How unlike two leans are: likely to want like pieces when small."""
    a, b = one.to_correct, other.to_correct
    return abs(abs(a[0]) - abs(b[0])) + abs(abs(a[1]) - abs(b[1]))


NOT_ASKED = "left out of a quick plan; why was not asked"
HARDLY_MM = 0.05
"""A gap below this is nothing to buy a pack for: no shim is that thin."""


def why_left_out(post: PlanPost, tables: Tables, patience: Patience) -> str:
    """What is missing, asked of the whole box: then the box itself can't; else the others took it."""
    needs = needs_in_words(post)
    if patience.called_off():
        return f"planning was stopped before this post was served; {needs}"
    if patience.at_an_end():
        return f"the time was up before this post was served: allow more; {needs}"
    try:
        answer = _answer(post, tables)
    except EntryError as error:
        return error.message
    if answer.within and answer.status in ("proven", "found"):
        return f"the box holds enough for this post alone, {BESIDE_THE_OTHERS}: buy or cut more; {needs}"
    return f"{(answer.why or 'nothing in the box makes it').rstrip('.')}; {needs}"


def needs_in_words(post: PlanPost) -> str:
    """The thicknesses that a post wants at its corners, as what to buy or cut."""
    plane, feelers = gap_plane(post.foot, Lean(*post.to_correct)), dict(post.feelers)
    wanted = (round(plane.at_seat_mm(seat) + feelers.get(seat, 0.0), 2) for seat in CORNERS)
    listed = ", ".join(f"{mm:g}" for mm in sorted({mm for mm in wanted if mm > HARDLY_MM}))
    return f"it wants packs of about {listed} mm" if listed else "it wants hardly anything"
