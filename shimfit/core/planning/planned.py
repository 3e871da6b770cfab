"""A post with its packs: how it rests on them, what they take and leave, and posts served one by one.

Posts that planning together left over are served as `packing` serves one post, from some of the box
(`serve_alone`): from what is left, then from what a served neighbour gives back and does without. For those
that no way serves, `why_left_out` is the sentence that a person reads: what is missing, or who has it.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from shimfit.core.cutting import Wedge, assign, takes_mm
from shimfit.core.foot import gap_plane
from shimfit.core.packing.layouts import prescribe
from shimfit.core.packing.options import SHORTEST_INSIDE_MM
from shimfit.core.packing.question import ask
from shimfit.core.packing.tables import build_tables
from shimfit.core.resting import rest_packs
from shimfit.errors import EntryError, InternalError
from shimfit.model import BESIDE_THE_OTHERS, Lean

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from shimfit.core.packing.options import Options
    from shimfit.core.packing.tables import Tables
    from shimfit.core.planning.geometry import PlanPost
    from shimfit.core.planning.program import Patience
    from shimfit.model import Chance, Lot, Pack, Piece, Resting


ROUNDING_MM = 1e-7
"""Where a remainder starts is kept to nine decimals in its name; stretches that meet may overlap by less."""


@dataclass(frozen=True, slots=True)
class Planned:
    """A post that the plan serves."""

    post: PlanPost
    packs: tuple[Pack, ...]
    resting: Resting
    """As predicted, about plumb (an aim is part of it)."""
    cost: float
    """Without set-ups."""
    proven: bool = False
    """By the single search: nothing in the box that it was given is better for this post alone."""

    def chance(self, options: Options) -> Chance | None:
        """What the next reading will say of it, as `prescribe` has it; None where nothing is packed."""
        if not self.packs:
            return None
        post = self.post
        question = ask(
            post.foot,
            post.height_mm,
            Lean(*post.to_correct),
            post.tolerance,
            options.preload_mm,
            reads=post.reads,
            u_take_up=post.u_take_up,
            margin_slope=post.used_slope,
            feelers=dict(post.feelers),
        )
        four = not post.foot.round and all(pack.seat.is_corner for pack in self.packs)
        resting = question.rests_on(self.packs)
        return question.chance_on(self.packs, resting, options.scatter, all_carry=four)[1]


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


# ---------------------------------------------------------------- what packs take from the box, and leave


def wedge_of(goes_to: str, piece: Piece) -> Wedge:
    """A sawn piece as the cut list takes it."""
    assert piece.saw_deg is not None
    assert piece.thin_mm is not None
    assert piece.thick_mm is not None
    return Wedge(goes_to, piece.lot, piece.saw_deg, piece.thin_mm, piece.thick_mm)


def _on_tapers(pieces: Sequence[Piece], lot: Lot, options: Options) -> list[list[tuple[float, float, int]]]:
    """What each copy of a taper gives: (start, end, which piece), mm from the thin end, in that order.

    A piece takes from its trimmed tip to a kerf beyond its mark, on the first copy that is free there.
    """
    assert lot.length_mm is not None
    stretches = []
    for which, piece in enumerate(pieces):
        assert piece.mark_mm is not None
        end = min(lot.length_mm, piece.mark_mm + options.saw.kerf_mm)
        stretches.append((piece.trim_tip_mm, end, which))
    copies: list[list[tuple[float, float, int]]] = []
    for stretch in sorted(stretches):
        free = (taken for taken in copies if taken[-1][1] <= stretch[0] + ROUNDING_MM)
        found = next(free, None)
        if found is None:
            copies.append([stretch])
        else:
            found.append(stretch)
    return copies


def left_of(lots: Sequence[Lot], packs: Iterable[Pack], options: Options) -> tuple[Lot, ...]:
    """The box after these packs were made, for asking one more post.

    A remainder of a taper is a lot of its own, called after where it starts: `T1@120.5` begins 120.5 mm from
    the original thin end. Strips are shorter by what their wedges take.
    """
    by_lot: dict[str, list[Piece]] = defaultdict(list)
    for pack in packs:
        for piece in pack.pieces:
            by_lot[piece.lot].append(piece)
    result: list[Lot] = []
    for lot in lots:
        pieces = by_lot.get(lot.lot, [])
        if not pieces:
            result.append(lot)
        elif lot.is_whole:
            result.append(replace(lot, count=lot.count - len(pieces)))
        elif lot.is_marked:
            result += _tapers_left(lot, pieces, options)
        else:
            result += _strips_left(lot, pieces, options)
    return tuple(lot for lot in result if lot.count > 0)


def _tapers_left(lot: Lot, pieces: Sequence[Piece], options: Options) -> list[Lot]:
    assert lot.length_mm is not None
    copies, thin = _on_tapers(pieces, lot, options), lot.thin_mm or 0.0
    result = [replace(lot, count=lot.count - len(copies))]
    for number, taken in enumerate(copies):
        edges = [0.0, *(edge for start, end, _ in taken for edge in (start, end)), lot.length_mm]
        for start, end_mm in zip(edges[::2], edges[1::2], strict=True):
            # The cut that frees the next piece's tip takes its kerf from what lies before it.
            end = end_mm if end_mm == lot.length_mm else end_mm - options.saw.kerf_mm
            if end - start >= 2 * SHORTEST_INSIDE_MM:
                rest = replace(lot, lot=f"{lot.lot}@{start:.9f}#{number}", count=1, length_mm=end - start)
                thick = thin + lot.taper_slope * end
                result.append(replace(rest, thin_mm=thin + lot.taper_slope * start, thick_mm=thick))
    return result


def _strips_left(lot: Lot, pieces: Sequence[Piece], options: Options) -> list[Lot]:
    strips = assign(lot, [wedge_of(str(k), piece) for k, piece in enumerate(pieces)], options.saw)
    assert lot.length_mm is not None
    if strips is None:
        return []
    result = [replace(lot, count=sum(not on for on in strips))]
    for number, on in enumerate(strips):
        # A setting used already is charged again: a little is kept back, never too much given.
        if on:
            left_mm = lot.length_mm - takes_mm(lot, on, options.saw)
            result.append(replace(lot, lot=f"{lot.lot}@{left_mm:.9f}#{number}", count=1, length_mm=left_mm))
    return result


def as_cut_from(pack: Pack, box: Sequence[Lot]) -> Pack:
    """A pack cut from remainders, named as cut from the lots of the box: marks from the original thin end."""
    names = {lot.lot for lot in box}
    pieces = []
    for piece in pack.pieces:
        name, start = piece.lot, 0.0
        while name not in names:
            name, _, place = name.rpartition("@")
            start += float(place.split("#")[0]) if piece.is_marked else 0.0
        cut = replace(piece, lot=name, copy=None)
        if name != piece.lot:
            mark = None if piece.mark_mm is None else round(piece.mark_mm + start, 9)
            cut = replace(cut, mark_mm=mark, trim_tip_mm=round(piece.trim_tip_mm + start, 9))
        pieces.append(cut)
    return replace(pack, pieces=tuple(pieces))


def with_copies(planned: Mapping[int, Planned], lots: Sequence[Lot], options: Options) -> dict[int, Planned]:
    """The same posts, each piece of a lot of several tapers or strips with the copy it is cut from.

    InternalError when more is sawn from a strip than there is.
    """
    by_name = {lot.lot: lot for lot in lots}
    by_lot: dict[str, list[tuple[tuple[int, int, int], Piece]]] = defaultdict(list)
    """By lot: (post, pack of the post, piece of the pack), piece."""
    for number, one in planned.items():
        for at, pack in enumerate(one.packs):
            for which, piece in enumerate(pack.pieces):
                if not piece.is_whole and by_name[piece.lot].count > 1:
                    by_lot[piece.lot].append(((number, at, which), piece))
    copies: dict[tuple[int, int, int], int] = {}
    for name, some in by_lot.items():
        some.sort(key=lambda one: one[0])
        pieces, lot = [piece for _, piece in some], by_name[name]
        if lot.is_marked:
            on = [[which for _, _, which in taken] for taken in _on_tapers(pieces, lot, options)]
        else:
            wedges = [wedge_of("/".join(map(str, where)), piece) for where, piece in some]
            strips = assign(lot, wedges, options.saw)
            if strips is None:
                raise InternalError(
                    f"the plan saws more from strip {name} than there is; please report the run"
                )
            number_of = {wedge.goes_to: which for which, wedge in enumerate(wedges)}
            on = [[number_of[wedge.goes_to] for wedge in each] for each in strips]
        copies |= {some[which][0]: copy for copy, each in enumerate(on, start=1) for which in each}

    def numbered(number: int, at: int, pack: Pack) -> Pack:
        pieces = enumerate(pack.pieces)
        return replace(
            pack,
            pieces=tuple(replace(piece, copy=copies.get((number, at, which))) for which, piece in pieces),
        )

    return {
        number: replace(one, packs=tuple(numbered(number, at, pack) for at, pack in enumerate(one.packs)))
        for number, one in planned.items()
    }


# ---------------------------------------------------------------- one at a time


def serve_alone(post: PlanPost, lots: Sequence[Lot], box: Sequence[Lot], options: Options) -> Planned | None:
    """A post served from some lots as `prescribe` would; None when it can't be.

    `lots` may be remainders of the `box`: the packs are told as cut from the box's own lots. The cost is the
    plan's: set-ups not counted. EntryError for lots that are none.
    """
    answer = prescribe(
        post.foot,
        post.height_mm,
        Lean(*post.to_correct),
        post.tolerance,
        build_tables(lots, options),
        reads=post.reads,
        u_take_up=post.u_take_up,
        margin_slope=post.used_slope,
        feelers=dict(post.feelers),
    )
    if answer.status in ("impossible", "gave-up") or not answer.within:
        return None
    packs = tuple(as_cut_from(pack, box) for pack in answer.packs)
    resting = resting_on(post, packs, options)
    if resting.lean is None or not post.tolerance.holds(resting.lean, post.height_mm):
        return None
    set_up = sum(amount for name, amount in answer.cost.parts if name == "saw set-ups")
    return Planned(post, packs, resting, answer.cost.total - set_up, answer.status == "proven")


NEIGHBOURS = 8
"""Served posts that are asked to give their pieces back, the likest leans first."""


def from_what_is_left(
    post: PlanPost, planned: Mapping[int, Planned], box: Sequence[Lot], options: Options
) -> Planned | None:
    """The post served from the box less what is planned; None when it can't be."""
    packs = [pack for one in planned.values() for pack in one.packs]
    return serve_alone(post, left_of(box, packs, options), box, options)


def by_swapping(  # noqa: PLR0917 - it takes the quantities it takes
    number: int, posts: Sequence[PlanPost], planned: Mapping[int, Planned], box: Sequence[Lot],
    options: Options, patience: Patience,
) -> dict[int, Planned]:  # fmt: skip
    """Post `number` served from what one served post gives back, and that one anew; nothing when none can."""
    post = posts[number]
    served = [other for other, one in planned.items() if one.packs]
    served.sort(key=lambda other: (_unlike(post, posts[other]), other))
    for other in served[:NEIGHBOURS]:
        if patience.at_an_end():
            break
        packs = [pack for owner, one in planned.items() if owner != other for pack in one.packs]
        mine = serve_alone(post, left_of(box, packs, options), box, options)
        if mine is None:
            continue
        # Its packs name the box's own lots, so they are taken from the whole box together with the others.
        left = left_of(box, [*packs, *mine.packs], options)
        theirs = serve_alone(posts[other], left, box, options)
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
        alone = serve_alone(post, tables.lots, tables.lots, tables.options)
    except EntryError as error:
        return error.message
    if alone is not None:
        return f"the box holds enough for this post alone, {BESIDE_THE_OTHERS}: buy or cut more; {needs}"
    answer = prescribe(post.foot, post.height_mm, Lean(*post.to_correct), post.tolerance, tables)
    return f"{(answer.why or 'nothing in the box makes it').rstrip('.')}; {needs}"


def needs_in_words(post: PlanPost) -> str:
    """The thicknesses that a post wants at its corners, as what to buy or cut."""
    plane = gap_plane(post.foot, Lean(*post.to_correct))
    gaps = sorted({round(gap, 2) for gap in plane.seats_mm.values() if gap > HARDLY_MM})
    listed = ", ".join(f"{gap:g}" for gap in gaps)
    return f"it wants packs of about {listed} mm" if listed else "it wants hardly anything"
