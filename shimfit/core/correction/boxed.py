"""What to change (`correct`), from the pieces that are there: the box, and what the post stands on now.

The old pieces are in the box again and each new total is a fresh stack, but a pack that stays costs nothing
and a taper that is only pushed costs one handling: both are offers to the search, which knows what they are
made of, so nothing is used twice. The pack under the corner that stays down may stay too, and lift the foot.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

from shimfit.core.correction.standing import exact_change, standing_on
from shimfit.core.cutting import named_pieces, returned
from shimfit.core.foot import clean
from shimfit.core.packing import Mode, Offer, Options, Tables, build_tables, prescribe
from shimfit.core.packing.pieces import to_steps
from shimfit.core.packing.question import over_take_up
from shimfit.errors import positive
from shimfit.model import Change, Lean, Lot, Pack, Piece, Prescription, Seat
from shimfit.values import dataclass

if TYPE_CHECKING:
    from shimfit.core.correction.standing import Correction, Standing
    from shimfit.core.packing.options import Layout
    from shimfit.core.packing.question import Place

_LEAST_PUSH_MM = 1.0
"""A shorter push can't be set to a mark (common practice, no source)."""
_AROUND_MM = 0.1
"""How far round its want a pushed taper is offered, on the grid."""
_ANEW = 10_000
"""Copies that a change is cut from are counted from here on: the box's own numbers end before it."""


@dataclass(frozen=True, slots=True)
class _Boxed:
    standing: Standing
    there: dict[Seat, Pack]
    made_of: dict[Seat, tuple[str, ...]]
    """Lots of the box that the old packs' pieces are."""
    tables: Tables
    """Of the box with the old pieces in it."""

    @property
    def options(self) -> Options:
        return self.tables.options


def correct(asked: Correction, options: Options, lots: Sequence[Lot] | None = None) -> Prescription:
    """The cheapest change that brings a post that stands on packs and still leans within the tolerance.

    lots: the box without the packs in place (their pieces are put back here), those that are used up with
    count 0, or a taper of theirs has no slope and is never pushed; None = exact thicknesses.
    A reading within the tolerance changes nothing. `lean` of the answer is the reading, `packs` are the new
    totals and `change` what to touch, in the seats' order; `resting` counts the take-up in. `status` is that
    of the search over everything that was tried. EntryError and UsageError for what can't be asked.
    """
    standing = standing_on(asked, options.preload_mm)
    if lots is None:
        return exact_change(standing, options)
    height_mm, tolerance = positive(asked.height_mm, "height"), asked.tolerance
    known, there = asked.known, asked.there
    if tolerance.holds(asked.lean, height_mm) and not any(known.feelers.values()):
        return _unchanged(standing, options.preload_mm)
    back: list[Lot] = []
    pieces: dict[Seat, tuple[Lot, ...]] = {}
    for seat, pack in there.items():
        pieces[seat] = returned([pack], (*lots, *back))
        back += pieces[seat]
    q = options.quantum_mm
    box = together((*lots, *back), q)
    made_of = {seat: tuple(box[_like(lot, q)].lot for lot in some) for seat, some in pieces.items()}
    boxed = _Boxed(standing, there, made_of, build_tables(tuple(box.values()), options))
    by_packs = replace(
        known,
        shift_mm=asked.lean.top_mm(height_mm),
        feelers=standing.low_mm,
        offers={seat: partial(_offers, boxed) for seat in there},
        inside_mm={seat: mm for seat, pack in there.items() if (mm := asked.foot.inner_mm(pack))},
    ).by_packs()
    answers = [
        prescribe(
            asked.foot,
            height_mm,
            Lean(standing.wanted.slope_along, standing.wanted.slope_across),
            over_take_up(tolerance, known.take_up),
            boxed.tables,
            known=by_packs,
            mode=Mode(layout),
        )
        for layout in _layouts(boxed)
    ]
    return min((_finished(boxed, answer) for answer in answers), key=_rank)


def _layouts(asked: _Boxed) -> tuple[Layout, ...]:
    """Edge middles that are packed may stay packed whatever the layout; the cheapest change counts."""
    layout = asked.options.layout
    if layout == "auto":
        return "auto", "corners"
    if layout == "corners" and any(not seat.is_corner for seat in asked.there):
        return "corners", "tripod", "one-way"
    return (layout,)


def _like(lot: Lot, quantum_mm: float) -> tuple[str, object]:
    """What lots are put together by: a piece that was packed is as thick as the grid has it."""
    thickness = None if lot.thickness_mm is None else to_steps(lot.thickness_mm, quantum_mm)
    return lot.lot, (lot.form, lot.length_mm, lot.width_mm, thickness, lot.thin_mm, lot.thick_mm)


def together(lots: Iterable[Lot], quantum_mm: float) -> dict[tuple[str, object], Lot]:
    """Lots with like pieces of one name put together; a name that means two things keeps both apart."""
    found: dict[tuple[str, object], Lot] = {}
    names: Counter[str] = Counter()
    for lot in lots:
        old = found.get(_like(lot, quantum_mm))
        if old is not None:
            found[_like(lot, quantum_mm)] = replace(old, count=old.count + lot.count)
            continue
        names[lot.lot] += 1
        again = names[lot.lot]
        found[_like(lot, quantum_mm)] = lot if again == 1 else replace(lot, lot=f"{lot.lot} ({again})")
    return found


def _rank(answer: Prescription) -> tuple[bool, bool, float, int]:
    """Best first: within, proven or found, cheap, few packs touched."""
    return (
        not answer.within,
        answer.status not in ("proven", "found"),
        round(answer.cost.total, 6),
        len(answer.change),
    )


def _unchanged(standing: Standing, preload_mm: float) -> Prescription:
    """The packs as they are: the post rests as it was just read, whatever was predicted for it."""
    asked, there = standing.asked, standing.asked.there
    packs = tuple(there[seat] for seat in Seat if seat in there)
    predicted = standing.rests_on(packs, preload_mm)
    cautions: tuple[str, ...] = ()
    if not predicted.unique:
        cautions = (
            f"These packs are {predicted.rock_mm:.1f} mm out of one plane: feel whether the post rocks.",
        )
    return Prescription(
        post=asked.foot,
        height_mm=asked.height_mm,
        lean=asked.lean,
        tolerance=asked.tolerance,
        packs=packs,
        resting=replace(predicted, lean=asked.lean, limits=None),
        within=True,
        status="proven",
        cautions=cautions,
    )


def _finished(asked: _Boxed, found: Prescription) -> Prescription:
    """The search's answer as a change, with the rest as it is predicted for the whole post."""
    standing, post = asked.standing, asked.standing.asked
    packs = {pack.seat: _as_it_was(asked, pack) for pack in found.packs}
    lift_mm = _lifted_mm(standing, found)
    new = tuple(
        replace(
            packs[seat],
            need_mm=clean(standing.want_mm(*standing.bears_at_mm(packs[seat]), seat) + lift_mm),
        )
        for seat in Seat
        if seat in packs
    )
    resting = standing.rests_on(new, asked.options.preload_mm)
    return replace(
        found,
        lean=post.lean,
        tolerance=post.tolerance,
        packs=new,
        resting=resting,
        within=resting.lean is not None and post.tolerance.holds(resting.lean, post.height_mm),
        change=tuple(_changes(asked.there, {pack.seat: pack for pack in new})),
    )


def _lifted_mm(standing: Standing, found: Prescription) -> float:
    """How far the whole foot is lifted: by what is under the corner that wants nothing."""
    if found.layout != "corners" or standing.asked.foot.round:
        return 0.0
    corners = [pack for pack in found.packs if pack.seat.is_corner]
    down = min(corners, key=lambda pack: standing.want_at_mm(pack.seat), default=None)
    return down.made_mm if down is not None and len(corners) == 4 else 0.0


def _as_it_was(asked: _Boxed, pack: Pack) -> Pack:
    """A pack that stays, as thick as it is known to be where it bears as before, not as the grid has it."""
    old = asked.there.get(pack.seat)
    same = old is not None and old.pieces == pack.pieces and old.bears_at_mm == pack.bears_at_mm
    if old is not None and same and abs(old.made_mm - pack.made_mm) <= asked.options.quantum_mm:
        return old
    if not asked.standing.asked.trimmed or (old is not None and old.pieces == pack.pieces):
        return pack
    # No taper is pushed here: one that is called like the one under the post is cut anew, from another copy.
    pieces = (one if one.copy is None else replace(one, copy=one.copy + _ANEW) for one in pack.pieces)
    return replace(pack, pieces=tuple(pieces))


# ------------------------------------------------------------------- which old packs may stay


def _offers(asked: _Boxed, place: Place) -> tuple[Offer, ...]:
    """The old pack as it is, for nothing; its taper pushed or drawn to near its want, for one handling."""
    pack = asked.there[place.seat]
    # A pack given by its thickness alone bears where it was said to: nobody knows how steep it is.
    inner = bool(pack.pieces) and asked.options.bearing_point == "auto"
    inner = inner and place.slope > 0.0 and asked.tables.slope_of(pack) < place.slope
    kept = _bearing(asked, pack, place, inner=inner)
    if kept is None:
        return ()
    q, lots = asked.options.quantum_mm, asked.made_of[place.seat]
    # The search knows thicknesses on its grid only; half a step moves a top by a few hundredths.
    on_grid = clean(max(1, round(kept.made_mm / q)) * q)
    # What bears further in is trimmed there.
    pushed = _pushed(asked, kept, place.need_mm(inner), place.inside_mm if inner else place.reach_mm)
    change = asked.options.costs.change
    return (
        Offer(replace(kept, made_mm=on_grid), 0.0, inner, lots),
        *(Offer(one, change, inner, lots) for one in pushed),
    )


def _bearing(asked: _Boxed, pack: Pack, place: Place, *, inner: bool) -> Pack | None:
    """The old pack where it bears under the wanted plane; None when its thickness there is not known."""
    at = place.at_mm(inner)
    rod = asked.standing.asked.foot.rod_at_mm
    x, y = asked.standing.bears_at_mm(pack)
    moved = math.hypot(at[0] - x, at[1] - y)
    if moved < 1e-6:
        return pack
    slope = asked.tables.slope_of(pack)
    was_inner = math.hypot(place.face_at_mm[0] - x, place.face_at_mm[1] - y) > 1e-6
    made = pack.made_mm
    if was_inner != inner:
        made += -slope * place.inside_mm if inner else slope * moved
    if made <= 0.0:
        return None
    bears_at_mm = at[0] - rod[0], at[1] - rod[1]
    return replace(pack, made_mm=clean(made), bears_at_mm=bears_at_mm, enters=place.enters)


def _pushed(asked: _Boxed, pack: Pack, want_mm: float, reach_mm: float) -> Iterator[Pack]:
    """The pack with its taper at other marks, thickness on the grid round what is wanted.

    reach_mm: the tip of what would go further in is cut off there.
    """
    tapers = [piece for piece in pack.pieces if piece.is_marked]
    if len(tapers) != 1 or asked.standing.asked.trimmed:
        return
    (taper,) = tapers
    lot = asked.tables.lot_of(taper)
    if lot is None or taper.mark_mm is None or lot.taper_slope <= 0.0 or lot.length_mm is None:
        return
    slope, length_mm, q = lot.taper_slope, lot.length_mm, asked.options.quantum_mm
    steps, middle = round(_AROUND_MM / q), round(want_mm / q)
    for step in range(middle - steps, middle + steps + 1):
        rise = step * q - pack.made_mm
        push = rise / slope
        mark = taper.mark_mm + push
        inside = taper.mark_mm - taper.trim_tip_mm + push
        if abs(push) < _LEAST_PUSH_MM or mark > length_mm or inside < asked.options.min_inside_mm:
            continue
        trim = taper.trim_tip_mm + max(0.0, inside - reach_mm)
        piece = replace(
            taper,
            mark_mm=clean(mark),
            thickness_mm=clean(taper.thickness_mm + rise),
            trim_tip_mm=clean(trim),
        )
        pieces = tuple(piece if one is taper else one for one in pack.pieces)
        yield replace(pack, made_mm=clean(step * q), pieces=pieces)


# ------------------------------------------------------------------- what changes


def _changes(there: dict[Seat, Pack], new: dict[Seat, Pack]) -> Iterator[Change]:
    for seat in Seat:
        old, now = there.get(seat), new.get(seat)
        before, after = old.made_mm if old else 0.0, now.made_mm if now else 0.0
        push = None if old is None or now is None else _push_mm(old, now)
        if (old is None and now is None) or push == 0.0:
            continue
        if old and now and not now.pieces and before == after:
            continue  # pieces that nobody knows stay when no others are named
        yield Change(seat, before, after, push)


def _push_mm(old: Pack, new: Pack) -> float | None:
    """How much further a taper goes in where the same pieces are under a seat, 0 as they were; else None."""
    if not old.pieces or named_pieces(old) != named_pieces(new):
        return None
    pairs: Iterable[tuple[Piece, Piece]] = zip(old.pieces, new.pieces, strict=True)
    return clean(sum((b.mark_mm or 0.0) - (a.mark_mm or 0.0) for a, b in pairs if a.is_marked))
