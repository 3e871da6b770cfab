"""A plan in the contract's form: posts, cuts, what is left of the box, what can't be sawn, and the gap."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from shimfit.contract import lot_to_json, pack_to_json, resting_to_json
from shimfit.core import cutting
from shimfit.core.box import movement

if TYPE_CHECKING:
    from collections.abc import Sequence

    from shimfit.core.packing.options import Options, Saw
    from shimfit.core.planning.plan import Plan
    from shimfit.model import Lot, Pack

Json = dict[str, Any]


def answer_json(done: Plan, lots: Sequence[Lot], options: Options) -> Json:
    """The contract's answer (without the schema number): posts, cuts, what is left over, and the gap."""
    packs = [(one.post.name, pack) for one in done.planned for pack in one.packs]
    return {
        "status": _status(done),
        "bound": done.bound,
        "objective": done.objective,
        "gap": done.gap,
        "stopped": done.stopped,
        "unsolved": [one.post.name for one in done.unsolved],
        "why": {one.post.name: one.why for one in done.unsolved},
        "posts": [
            {
                "id": one.post.name,
                "packs": [pack_to_json(pack) for pack in one.packs],
                "resting": resting_to_json(one.resting, one.post.height_mm),
                "cost": one.cost,
            }
            for one in done.planned
        ],
        **cuts_json(packs, lots, options.saw),
        "seconds": done.seconds,
    }


def cuts_json(packs: Sequence[tuple[str, Pack]], lots: Sequence[Lot], saw: Saw) -> Json:
    """`cuts`, `tapers`, `remainders` and `unsawn` of packs given as (post, pack)."""
    by_name = {lot.lot: lot for lot in lots}
    wedges = [
        cutting.Wedge(
            f"{post}/{pack.seat}",
            piece.lot,
            piece.saw_deg or 0.0,
            piece.thin_mm or 0.0,
            piece.thick_mm or 0.0,
        )
        for post, pack in packs
        for piece in pack.pieces
        if piece.form == "strip"
    ]
    tapers = [
        {
            "lot": piece.lot,
            "copy": piece.copy,
            "for": f"{post}/{pack.seat}",
            "mark_mm": piece.mark_mm,
            "trim_tip_mm": piece.trim_tip_mm,
        }
        for post, pack in packs
        for piece in pack.pieces
        if piece.form == "taper"
    ]
    tapers.sort(key=lambda row: (str(row["lot"]), row["copy"] or 0, row["mark_mm"]))
    back = movement(lots, [pack for _, pack in packs], saw.kerf_mm).back
    cuts = []
    for cut in cutting.cut_list(by_name, wedges, saw):
        row: Json = {"strip": cut.strip, "saw_deg": cut.saw_deg}
        if cut.copy is not None:
            row["copy"] = cut.copy
        row["pieces"] = [
            {
                "for": piece.goes_to,
                "thin_mm": piece.thin_mm,
                "thick_mm": piece.thick_mm,
                "mark_along_mm": piece.mark_along_mm,
            }
            for piece in cut.pieces
        ]
        row["left_mm"] = cut.left_mm
        cuts.append(row)
    return {
        "cuts": cuts,
        "tapers": tapers,
        "remainders": [lot_to_json(lot) for lot in back],
        "unsawn": unsawn(lots, saw),
    }


def unsawn(lots: Sequence[Lot], saw: Saw) -> list[Json]:
    """Strips that no wedge can be sawn from, each with the reason."""
    strips = [lot for lot in lots if lot.form == "strip" and lot.count]
    told = [(strip.lot, _why_unsawn(strip, saw)) for strip in strips]
    return [{"strip": name, "why": why} for name, why in told if why is not None]


def _why_unsawn(strip: Lot, saw: Saw) -> str | None:
    if not saw.settings_deg:
        return "no saw settings are told, so nothing is sawn (shimfit settings saw_deg, like 0.5 1)"
    assert strip.length_mm is not None
    least_mm = min(cutting.takes_mm(strip, [_least_wedge(strip, deg, saw)], saw) for deg in saw.settings_deg)
    if strip.length_mm >= saw.hold_mm + least_mm:
        return None
    return (
        f"{strip.length_mm:.0f} mm long: the least wedge takes {math.ceil(least_mm)} mm, and "
        f"{saw.hold_mm:.0f} mm have to stay to hold it by"
    )


def _least_wedge(lot: Lot, deg: float, saw: Saw) -> cutting.Wedge:
    assert lot.width_mm is not None
    thick_mm = saw.min_thin_mm + 2.0 * lot.width_mm * math.tan(math.radians(deg))
    return cutting.Wedge("", lot.lot, deg, saw.min_thin_mm, thick_mm)


def _status(done: Plan) -> str:
    """The plan's own word; `impossible` when nothing was stopped and no post that needs packs was served."""
    if done.status == "gave-up" or not done.unsolved or done.stopped:
        return done.status
    return done.status if any(one.packs for one in done.planned) else "impossible"
