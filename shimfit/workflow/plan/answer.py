"""A plan in the contract's form: posts, cuts, what is left of the box, what can't be sawn, and the gap."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from shimfit.codec import resting_to_json, to_json
from shimfit.core import cutting
from shimfit.core.kit import to_buy
from shimfit.core.ledger import STEPS_PER_MM
from shimfit.core.planning.leftover import left_of
from shimfit.core.stock import natural_key
from shimfit.workflow.plan.effort import solver

if TYPE_CHECKING:
    from collections.abc import Sequence

    from shimfit.core.ledger import Ledger
    from shimfit.core.packing.options import Options, Saw
    from shimfit.core.planning.plan import Plan
    from shimfit.model import Lot, Pack

Json = dict[str, Any]
MOST_TO_BUY_FOR = 40
"""Posts not served that a list of what to buy is made for: a longer list is another box."""


def answer_json(done: Plan, stock: Ledger, options: Options) -> Json:
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
                "packs": [to_json(pack) for pack in one.packs],
                "resting": resting_to_json(one.resting, one.post.height_mm),
                "cost": one.cost,
            }
            for one in done.planned
        ],
        **cuts_json(packs, stock, options.saw),
        "seconds": done.seconds,
    }


def cuts_json(packs: Sequence[tuple[str, Pack]], stock: Ledger, saw: Saw) -> Json:
    """`cuts`, `tapers`, `remainders` and `unsawn` of packs, given as (post, pack) and made from the box.

    The remainders are what the box will hold once these packs are made, however they come to be made in turn.
    """
    after = stock.copy()
    made = after.take(packs, saw.kerf_mm).packs
    pieces = [
        (f"{post}/{pack.seat}", piece)
        for (post, _), pack in zip(packs, made, strict=True)
        for piece in pack.pieces
    ]
    wedges = [
        cutting.Wedge(
            goes_to, piece.lot, piece.saw_deg or 0.0, piece.thin_mm or 0.0, piece.thick_mm or 0.0, piece.copy
        )
        for goes_to, piece in pieces
        if piece.form == "strip"
    ]
    tapers = [
        {
            "lot": piece.lot,
            "copy": piece.copy,
            "for": goes_to,
            "mark_mm": piece.mark_mm,
            "trim_tip_mm": piece.trim_tip_mm,
            "thickness_mm": piece.thickness_mm,
        }
        for goes_to, piece in pieces
        if piece.form == "taper"
    ]
    tapers.sort(key=lambda row: (natural_key(str(row["lot"])), row["copy"] or 0, row["mark_mm"]))
    by_name = {lot.lot: lot for lot in (*stock.lots(), *stock.used_up())}
    cuts = [
        {
            "strip": cut.strip,
            "saw_deg": cut.saw_deg,
            **({} if cut.copy is None else {"copy": cut.copy}),
            "pieces": [
                {
                    "for": piece.goes_to,
                    "thin_mm": piece.thin_mm,
                    "thick_mm": piece.thick_mm,
                    "mark_along_mm": piece.mark_along_mm,
                }
                for piece in cut.pieces
            ],
            "left_mm": cut.left_mm,
        }
        for cut in cutting.cut_list(by_name, wedges, saw)
    ]
    before = {lot.lot for lot in stock.lots()}
    return {
        "cuts": cuts,
        "tapers": tapers,
        "remainders": [lot_json(lot, after) for lot in after.lots() if lot.lot not in before],
        "unsawn": unsawn(stock.lots(), saw),
    }


def buying_json(done: Plan, lots: Sequence[Lot], options: Options) -> Json:
    """`buy`: the few pieces beside the box that would serve posts not served, and which of them they serve.

    Left out when all are served, and when planning was stopped: it might have served them.
    """
    if done.stopped or not done.unsolved:
        return {}
    left = left_of(lots, [pack for one in done.planned for pack in one.packs], options)
    missing = to_buy([one.post for one in done.unsolved][:MOST_TO_BUY_FOR], left, options, solver())
    if not missing.lines:
        return {}
    lines = [{"what": line.what, "count": line.count, "lot": to_json(line.lot)} for line in missing.lines]
    return {"buy": {"lines": lines, "serves": list(missing.serves)}}


def lot_json(lot: Lot, stock: Ledger) -> Json:
    """A lot of the box; a remainder says what it was cut from: `cut_from` lot, copy and where it begins."""
    row: Json = to_json(lot)
    parent = stock.parent(lot.lot)
    if parent is not None:
        start_mm = parent.start / STEPS_PER_MM
        row["cut_from"] = {"lot": parent.lot, "copy": parent.copy, "start_mm": start_mm}
    return row


def unsawn(lots: Sequence[Lot], saw: Saw) -> list[Json]:
    """Strips that no wedge can be sawn from, each with the reason."""
    strips = [lot for lot in lots if lot.form == "strip" and lot.count]
    reported = [(strip.lot, _why_unsawn(strip, saw)) for strip in strips]
    return [{"strip": name, "why": why} for name, why in reported if why is not None]


def _why_unsawn(strip: Lot, saw: Saw) -> str | None:
    if not saw.settings_deg:
        return "no saw settings are given, so nothing is sawn (shimfit settings saw_deg, like 0.5 1)"
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
