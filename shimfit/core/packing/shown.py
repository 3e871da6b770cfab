"""What the screen shows, weighed against a new reading: it stays while it holds and nothing is much better.

Without that the answer would flicker between ties while a sensor streams.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from shimfit.core.packing.draft import Draft
from shimfit.core.packing.drafting import rolls
from shimfit.core.packing.makeup import cost_of
from shimfit.core.packing.places import place_of
from shimfit.model import CORNERS

if TYPE_CHECKING:
    from shimfit.core.packing.drafting import Asked
    from shimfit.core.packing.places import Place
    from shimfit.model import Lot, Pack, Prescription

_DUST = 1e-9


def still_good(asked: Asked, shown: Prescription) -> Draft | None:
    """The shown packs under the new reading; None when they do not hold any more, or the box has changed.

    A pack keeps its pieces and where it bears; what it is wanted for and the rest are worked out again.
    """
    question = asked.question
    if not shown.packs or shown.post != question.foot or shown.status not in ("proven", "found"):
        return None
    bearing = 0.0
    packs: list[Pack] = []
    for pack in shown.packs:
        place = place_of(question.plane, pack.seat, asked.options, question.extra_mm(pack.seat))
        again = None if place is None else _again(asked, pack, place)
        if place is None or again is None:
            return None
        packs.append(again)
        slope = place.slope
        if asked.options.bearing_point == "corner":
            slope = max(abs(question.plane.slope_along), abs(question.plane.slope_across))
        if again.pieces:
            mismatch = abs(_sigma(asked, again) - slope) * place.inside_mm
            bearing += mismatch * asked.options.costs.bearing_per_mm
    resting = question.rests_on(packs)
    if resting.lean is None or resting.rock_mm > 4.0 * question.preload_mm:
        return None
    x, y = resting.lean.top_mm(question.height_mm)
    left = max(abs(x), abs(y)) if question.tolerance.per_direction else math.hypot(x, y)
    if left > question.safe_mm + _DUST:
        return None
    counted, chance = question.chance_on(
        packs, resting, asked.options.scatter, all_carry=shown.layout == "corners" and not rolls(question)
    )
    lifts = [pack.made_mm for pack in packs if question.plane.at_seat_mm(pack.seat) <= _DUST]
    cost = cost_of(
        asked.tables,
        packs,
        bearing=bearing,
        set_up=dict(shown.cost.parts).get("saw set-ups", 0.0),
        rock_mm=resting.rock_mm,
        top_mm=(x, y),
        allowed_mm=question.allowed_mm,
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
    lots = [_lot(asked, piece.lot) for piece in pack.pieces]
    if any(lot is None or lot.count < 1 for lot in lots):
        return None
    inner = asked.options.bearing_point == "auto" and _sigma(asked, pack) < place.slope - _DUST
    x, y = place.at_mm(inner)
    rod_x, rod_y = asked.question.foot.rod_at_mm
    if math.dist((x - rod_x, y - rod_y), pack.bears_at_mm) > 1e-6:
        return None
    return replace(pack, need_mm=place.need_mm(inner))


def _lot(asked: Asked, name: str) -> Lot | None:
    rank = asked.tables.rank.get(name)
    return None if rank is None else asked.tables.lots[rank]


def _sigma(asked: Asked, pack: Pack) -> float:
    """Slope of the pack's tapered piece; 0 for flats only."""
    for piece in pack.pieces:
        if piece.saw_deg is not None:
            return 2.0 * math.tan(math.radians(piece.saw_deg))
        if piece.is_marked:
            lot = _lot(asked, piece.lot)
            return lot.taper_slope if lot else 0.0
    return 0.0
