"""What leaves the box when packs are made, and what goes back into it.

A flat is gone. A taper gives the stretch that goes under the foot and the saw's kerf; the thin tip and the
thick rest are tapers of the same slope and go back when they are long enough to be used again. A strip gives
the length that its wedges take; what is left goes back as a shorter strip. Packs that come out again (a
correction) go back as what they are now: flats whole, wedges as short tapers.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from shimfit.errors import UsageError
from shimfit.model import Lot, Pack, Piece

SHORTEST_KEPT_MM = 30.0
"""A shorter remainder is thrown away: it can't be held and pushed (common practice, no source)."""
KERF_MM = 2.5
"""Width that a cut across a taper takes when the saw's own is not known."""


@dataclass(frozen=True, slots=True)
class Movement:
    """Out of the box, and back into it."""

    used: tuple[tuple[str, int], ...]
    """(lot, whole pieces) that leave, in the order first met."""
    back: tuple[Lot, ...]
    """Remainders, as lots of their own with count 1."""


def movement(
    lots: Sequence[Lot], packs: Iterable[Pack], kerf_mm: float = KERF_MM, *, taken: Iterable[str] = ()
) -> Movement:
    """What making these packs moves. UsageError when a pack names a lot that is not among `lots`.

    taken: names of lots that were in the box before; a remainder gets none of them.
    """
    by_name = {lot.lot: lot for lot in lots}
    flats: Counter[str] = Counter()
    shared: dict[tuple[str, int], list[Piece]] = {}
    for pack in packs:
        for piece in pack.pieces:
            if piece.lot not in by_name:
                raise UsageError(
                    f"there is no lot {piece.lot} in the box; `shimfit stock list` shows what is"
                )
            if piece.form == "flat":
                flats[piece.lot] += 1
            else:
                shared.setdefault((piece.lot, piece.copy or 1), []).append(piece)
    used = Counter(flats)
    back: list[Lot] = []
    names = {*by_name, *taken}
    for (name, _), pieces in shared.items():
        used[name] += 1
        lot = by_name[name]
        rests = (
            _taper_rests(lot, pieces, kerf_mm) if lot.form == "taper" else _strip_rest(lot, pieces, kerf_mm)
        )
        back += [replace(rest, lot=_fresh_name(names, name)) for rest in rests]
    return Movement(tuple(used.items()), tuple(back))


def returned(packs: Iterable[Pack], lots: Sequence[Lot]) -> tuple[Lot, ...]:
    """Packs that come out again, as lots for the box (count 1 each; like flats are told apart by nothing)."""
    by_name = {lot.lot: lot for lot in lots}
    out: list[Lot] = []
    for pack in packs:
        for piece in pack.pieces:
            origin = by_name.get(piece.lot)
            material = origin.material if origin else ""
            if piece.form == "flat":
                size = (origin.length_mm, origin.width_mm) if origin else (None, None)
                out.append(
                    Lot(
                        piece.lot,
                        "flat",
                        1,
                        material,
                        length_mm=size[0],
                        width_mm=size[1],
                        thickness_mm=piece.thickness_mm,
                        origin=origin.origin if origin else "offcut",
                        note=origin.note if origin else "",
                    )
                )
            else:
                out += _as_short_taper(piece, origin, material, pack)
    return tuple(out)


def without(lots: Sequence[Lot], packs: Iterable[Pack]) -> tuple[Lot, ...]:
    """The box less what these packs (promised to other posts) will use; their remainders are not counted on.

    A lot that is promised more often than it is there is left out: the box was counted wrong.
    """
    promised = Counter[str]()
    tapers = set()
    for pack in packs:
        for piece in pack.pieces:
            if piece.form == "flat":
                promised[piece.lot] += 1
            elif (piece.lot, piece.copy) not in tapers:
                tapers.add((piece.lot, piece.copy))
                promised[piece.lot] += 1
    left = (replace(lot, count=max(0, lot.count - promised[lot.lot])) for lot in lots)
    return tuple(lot for lot in left if lot.count)


def _taper_rests(lot: Lot, pieces: Sequence[Piece], kerf_mm: float) -> list[Lot]:
    assert lot.length_mm is not None
    assert lot.thin_mm is not None
    taken = sorted((piece.trim_tip_mm, (piece.mark_mm or 0.0) + kerf_mm) for piece in pieces)
    rests = []
    start = 0.0
    for first, last in [*taken, (lot.length_mm, lot.length_mm)]:
        end = min(first - (kerf_mm if first < lot.length_mm and first > start else 0.0), lot.length_mm)
        if end - start >= SHORTEST_KEPT_MM:
            thin = lot.thin_mm + lot.taper_slope * start
            thick = lot.thin_mm + lot.taper_slope * end
            rests.append(
                replace(lot, count=1, length_mm=end - start, thin_mm=thin, thick_mm=thick, origin="offcut")
            )
        start = max(start, last)
    return rests


def _strip_rest(lot: Lot, pieces: Sequence[Piece], kerf_mm: float) -> list[Lot]:
    assert lot.length_mm is not None
    assert lot.width_mm is not None
    length = kerf_mm
    for angle in {piece.saw_deg or 0.0 for piece in pieces}:
        length += lot.width_mm * math.tan(math.radians(angle))
    for piece in pieces:
        along = ((piece.thin_mm or 0.0) + (piece.thick_mm or 0.0)) / 2
        length += along + kerf_mm / math.cos(math.radians(piece.saw_deg or 0.0))
    left = lot.length_mm - length
    return [replace(lot, count=1, length_mm=left, origin="offcut")] if left >= SHORTEST_KEPT_MM else []


def _as_short_taper(piece: Piece, origin: Lot | None, material: str, pack: Pack) -> list[Lot]:
    """A stretch of a taper or a sawn wedge that comes out from under the foot."""
    if piece.form == "strip":
        thin, thick = piece.thin_mm, piece.thick_mm
        length = origin.width_mm if origin else None
    else:
        slope = origin.taper_slope if origin else 0.0
        length = (piece.mark_mm or 0.0) - piece.trim_tip_mm
        thin, thick = piece.thickness_mm - slope * length, piece.thickness_mm
    if not length or thin is None or thick is None or not 0.0 <= thin < thick:
        return []
    return [
        Lot(
            f"{piece.lot} from {pack.seat}",
            "taper",
            1,
            material,
            length_mm=length,
            thin_mm=thin,
            thick_mm=thick,
            note="was under a post",
        )
    ]


def _fresh_name(taken: set[str], name: str) -> str:
    """Name for a remainder that no lot has or had: `T1.1`, `T1.2` and so on, also of what is left of T1.1."""
    root = name.split(".", maxsplit=1)[0].split(" from ", maxsplit=1)[0]
    tried = 1
    while f"{root}.{tried}" in taken:
        tried += 1
    taken.add(f"{root}.{tried}")
    return f"{root}.{tried}"
