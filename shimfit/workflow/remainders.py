"""Pieces that were prescribed from a strip or a taper that has been cut since, found again in what is left.

A plan saws wedges for many posts from one strip. When the first of these posts is packed, the strip leaves
the box and its rest goes back under a name of its own; the other posts still say the old name. Here their
pieces are told by the remainder that they come from.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from shimfit.model import Lot, Pack, Piece

PENCIL_MM = 0.6
"""How far a stretch may reach past a remainder's end: less than a cut takes."""
SAME_SLOPE = 1e-6


def as_in_box(packs: Iterable[Pack], lots: Sequence[Lot], used_up: Sequence[Lot]) -> list[Pack]:
    """Packs as they would be made from `lots` now; what was cut and has no remainder left is in hand already.

    used_up: lots that were in the box before. A name that no lot has or had stays as it is.
    """
    return [replace(pack, pieces=tuple(_pieces(pack, lots, used_up))) for pack in packs]


def _pieces(pack: Pack, lots: Sequence[Lot], used_up: Sequence[Lot]) -> Iterable[Piece]:
    there = {lot.lot for lot in lots}
    gone = {lot.lot: lot for lot in used_up}
    for piece in pack.pieces:
        if piece.form == "flat" or piece.lot in there or piece.lot not in gone:
            yield piece
            continue
        rests = [lot for lot in lots if lot.form == piece.form and _root(lot.lot) == _root(piece.lot)]
        fits = [found for rest in rests if (found := _from_rest(piece, gone[piece.lot], rest))]
        if fits:
            yield fits[0]


def _from_rest(piece: Piece, was: Lot, rest: Lot) -> Piece | None:
    """The piece as cut from a remainder, marks from its own thin end; None where it is not in it."""
    if piece.form == "strip":
        same = (rest.width_mm, rest.thickness_mm) == (was.width_mm, was.thickness_mm)
        return replace(piece, lot=rest.lot, copy=None) if same else None
    if rest.thin_mm is None or was.thin_mm is None or rest.length_mm is None or piece.mark_mm is None:
        return None
    if abs(rest.taper_slope - was.taper_slope) > SAME_SLOPE or was.taper_slope <= 0.0:
        return None
    begins_mm = (rest.thin_mm - was.thin_mm) / was.taper_slope
    tip_mm, mark_mm = piece.trim_tip_mm - begins_mm, piece.mark_mm - begins_mm
    if tip_mm < -PENCIL_MM or mark_mm > rest.length_mm + PENCIL_MM:
        return None
    return replace(
        piece, lot=rest.lot, copy=None, mark_mm=min(mark_mm, rest.length_mm), trim_tip_mm=max(0.0, tip_mm)
    )


def _root(name: str) -> str:
    """`S1` of `S1.2`, as remainders are named."""
    return name.split(".", maxsplit=1)[0].split(" from ", maxsplit=1)[0]
