"""Which old packs may stay, and at what price: as they are for nothing, pushed for one handling."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from shimfit.core.packing import Offer, Options

if TYPE_CHECKING:
    from shimfit.core.correction.standing import Standing
    from shimfit.core.packing.question import Place
    from shimfit.model import Lot, Pack, Piece

_LEAST_PUSH_MM = 1.0
"""A shorter push can't be set to a mark (common practice, no source)."""
_AROUND_MM = 0.1
"""How far round its want a pushed taper is offered, on the grid."""


@dataclass(frozen=True, slots=True)
class Old:
    """What the old packs are judged by."""

    standing: Standing
    lots: Sequence[Lot]
    """Lots by which a taper's slope and length are known."""
    options: Options
    trimmed: bool
    """Cut flush: no taper can be pushed any more."""


def offers_of(old: Old, pack: Pack, place: Place, lift_mm: float) -> Iterator[Offer]:
    """The old pack as it is, for nothing; its taper pushed or drawn to near its want, for one handling."""
    # A pack told by its thickness alone bears where it was told: nobody knows how steep it is.
    inner = bool(pack.pieces) and old.options.bearing_point == "auto"
    inner = inner and place.slope > 0.0 and _slope(old, pack) < place.slope
    kept = _bearing(old, pack, place, inner=inner)
    if kept is None:
        return
    yield Offer(replace(kept, made_mm=_on_grid(kept.made_mm, old.options.quantum_mm)), 0.0, inner)
    for pushed in _pushed(old, kept, place.need_mm(inner) + lift_mm):
        yield Offer(pushed, old.options.costs.change, inner)


def _slope(old: Old, pack: Pack) -> float:
    """Slope of a pack's tapered piece; 0 for flats, and for pieces that nothing is known about."""
    for piece in pack.pieces:
        if piece.is_marked:
            lot = _lot(old, piece)
            return lot.taper_slope if lot else 0.0
        if piece.is_sawn and piece.saw_deg is not None:
            return 2.0 * math.tan(math.radians(piece.saw_deg))
    return 0.0


def _lot(old: Old, piece: Piece) -> Lot | None:
    return next((lot for lot in old.lots if lot.lot == piece.lot and lot.form == piece.form), None)


def _bearing(old: Old, pack: Pack, place: Place, *, inner: bool) -> Pack | None:
    """The old pack where it bears under the wanted plane; None when its thickness there is not known."""
    at = place.at_mm(inner)
    rod = old.standing.foot.rod_at_mm
    x, y = old.standing.bears_at_mm(pack)
    moved = math.hypot(at[0] - x, at[1] - y)
    if moved < 1e-6:
        return pack
    slope = _slope(old, pack)
    was_inner = math.hypot(place.face_at_mm[0] - x, place.face_at_mm[1] - y) > 1e-6
    made = pack.made_mm
    if was_inner != inner:
        made += -slope * place.inside_mm if inner else slope * moved
    if made <= 0.0:
        return None
    return replace(pack, made_mm=clean(made), bears_at_mm=(at[0] - rod[0], at[1] - rod[1]))


def _pushed(old: Old, pack: Pack, want_mm: float) -> Iterator[Pack]:
    """The pack with its taper at other marks, thickness on the grid round what is wanted."""
    tapers = [piece for piece in pack.pieces if piece.is_marked]
    lot = _lot(old, tapers[0]) if len(tapers) == 1 and not old.trimmed else None
    if lot is None or tapers[0].mark_mm is None or lot.taper_slope <= 0.0 or lot.length_mm is None:
        return
    q = old.options.quantum_mm
    steps = round(_AROUND_MM / q)
    middle = round(want_mm / q)
    for step in range(middle - steps, middle + steps + 1):
        rise = step * q - pack.made_mm
        push = rise / lot.taper_slope
        mark = tapers[0].mark_mm + push
        inside = tapers[0].mark_mm - tapers[0].trim_tip_mm + push
        if abs(push) < _LEAST_PUSH_MM or mark > lot.length_mm or inside < old.options.min_inside_mm:
            continue
        trim = tapers[0].trim_tip_mm + max(0.0, inside - old.options.bearing_mm)
        piece = replace(
            tapers[0],
            mark_mm=clean(mark),
            thickness_mm=clean(tapers[0].thickness_mm + rise),
            trim_tip_mm=clean(trim),
        )
        pieces = tuple(piece if one is tapers[0] else one for one in pack.pieces)
        yield replace(pack, made_mm=clean(step * q), pieces=pieces)


def _on_grid(thickness_mm: float, quantum_mm: float) -> float:
    """The search knows thicknesses on its grid only; half a step moves a top by a few hundredths."""
    return clean(max(1, round(thickness_mm / quantum_mm)) * quantum_mm)


def clean(value: float) -> float:
    """Without the dust of binary fractions: 1.2000000000000002 is 1.2."""
    return round(value, 9) + 0.0
