"""What packs leave in the box: for asking one more post, and for telling where its pieces come from."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from typing import TYPE_CHECKING

from shimfit.core.cutting import Wedge, assign, takes_mm
from shimfit.core.ledger import SHORTEST_KEPT_MM
from shimfit.model import Lot, Pack, Piece

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from shimfit.core.packing.options import Options


ROUNDING_MM = 1e-7
"""Where a remainder starts is kept to nine decimals in its name; stretches that meet may overlap by less."""


def stretch_of(piece: Piece, lot: Lot, options: Options) -> tuple[float, float]:
    """What a taper's piece takes, mm from the thin end: from its trimmed tip to a kerf beyond the mark."""
    assert piece.mark_mm is not None
    assert lot.length_mm is not None
    return piece.trim_tip_mm, min(lot.length_mm, piece.mark_mm + options.saw.kerf_mm)


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
            result += _taper_left(lot, pieces, options)
        else:
            result += _strip_left(lot, pieces, options)
    return tuple(lot for lot in result if lot.count > 0)


def _taper_left(lot: Lot, pieces: Sequence[Piece], options: Options) -> list[Lot]:
    assert lot.length_mm is not None
    copies: list[list[tuple[float, float]]] = []
    for start, end in sorted(stretch_of(piece, lot, options) for piece in pieces):
        for taken in copies:
            if taken[-1][1] <= start + ROUNDING_MM:
                taken.append((start, end))
                break
        else:
            copies.append([(start, end)])
    result = [replace(lot, count=lot.count - len(copies))]
    for number, taken in enumerate(copies):
        edges = [0.0, *(edge for stretch in taken for edge in stretch), lot.length_mm]
        for start, end_mm in zip(edges[::2], edges[1::2], strict=True):
            # The cut that frees the next piece's tip takes its kerf from what lies before it.
            end = end_mm if end_mm == lot.length_mm else end_mm - options.saw.kerf_mm
            if end - start >= SHORTEST_KEPT_MM:
                thin = lot.thin_mm or 0.0
                result.append(
                    replace(
                        lot,
                        lot=f"{lot.lot}@{start:.9f}#{number}",
                        count=1,
                        length_mm=end - start,
                        thin_mm=thin + lot.taper_slope * start,
                        thick_mm=thin + lot.taper_slope * end,
                    )
                )
    return result


def _strip_left(lot: Lot, pieces: Sequence[Piece], options: Options) -> list[Lot]:
    strips = assign(lot, [wedge_of(str(k), piece) for k, piece in enumerate(pieces)], options.saw)
    assert lot.length_mm is not None
    if strips is None:
        return []
    whole_ones = sum(not on for on in strips)
    result = [replace(lot, count=whole_ones)]
    for number, on in enumerate(strips):
        # A setting used already is charged again: a little is kept back, never too much given.
        if on:
            left_mm = lot.length_mm - takes_mm(lot, on, options.saw)
            result.append(replace(lot, lot=f"{lot.lot}@{left_mm:.9f}#{number}", count=1, length_mm=left_mm))
    return result


def as_cut_from(pack: Pack, box: Sequence[Lot]) -> Pack:
    """A pack cut from remainders, told as cut from the lots of the box: marks from the original thin end."""
    names = {lot.lot for lot in box}
    pieces = []
    for piece in pack.pieces:
        if piece.lot in names:
            pieces.append(replace(piece, copy=None))
            continue
        name, _, place = piece.lot.rpartition("@")
        start = float(place.split("#")[0]) if piece.is_marked else 0.0
        while name not in names:
            name, _, place = name.rpartition("@")
            start += float(place.split("#")[0]) if piece.is_marked else 0.0
        mark = None if piece.mark_mm is None else round(piece.mark_mm + start, 9)
        trim = piece.trim_tip_mm + start if piece.is_marked else piece.trim_tip_mm
        pieces.append(replace(piece, lot=name, mark_mm=mark, trim_tip_mm=round(trim, 9), copy=None))
    return replace(pack, pieces=tuple(pieces))


def wedge_of(goes_to: str, piece: Piece) -> Wedge:
    """A sawn piece as the cut list takes it."""
    assert piece.saw_deg is not None
    assert piece.thin_mm is not None
    assert piece.thick_mm is not None
    return Wedge(goes_to, piece.lot, piece.saw_deg, piece.thin_mm, piece.thick_mm)
