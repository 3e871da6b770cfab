"""One post without a box: the exact thicknesses at its seats. Loads nothing of the search."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from shimfit.core.packing.draft import Draft
from shimfit.core.packing.question import Question, ask
from shimfit.model import CORNERS, EDGE_MIDDLES, Cost, Pack, Seat

if TYPE_CHECKING:
    from shimfit.core.packing.options import Options
    from shimfit.model import Foot, LayoutName, Lean, Prescription, Tolerance


def wanted(
    foot: Foot,
    height_mm: float,
    lean: Lean,
    tolerance: Tolerance,
    options: Options,
    *,
    feelers: Mapping[Seat, float] | None = None,
) -> Prescription:
    """The exact thicknesses wanted at the seats, without a box: made is need is gap, and no pieces.

    Also for a lean within the tolerance. The seats are those of the options' layout (auto: corners).
    """
    question = ask(foot, height_mm, lean, tolerance, options.preload_mm, feelers=feelers)
    layout: LayoutName = "corners" if options.layout == "auto" else options.layout
    packs = []
    for seat in _seats_of(question, layout):
        gap = question.plane.at_seat_mm(seat) + question.extra_mm(seat)
        if gap > 0.0:
            x, y = foot.seat_at_mm(seat)
            at = (x - foot.rod_at_mm[0], y - foot.rod_at_mm[1])
            packs.append(Pack(seat=seat, need_mm=gap, made_mm=gap, bears_at_mm=at))
    resting = question.rests_on(packs)
    return Draft(layout, tuple(packs), resting, "proven", Cost(0.0), 0.0).prescription(question)


def _seats_of(question: Question, layout: LayoutName) -> tuple[Seat, ...]:
    """Seats that a layout packs, in the seats' own order."""
    if layout == "corners":
        return CORNERS
    plane = question.plane
    steep = {
        seat: plane.slope_along * seat.sign_along + plane.slope_across * seat.sign_across
        for seat in EDGE_MIDDLES
    }
    low = [seat for seat in EDGE_MIDDLES if steep[seat] > 0.0]
    if layout == "one-way" and low:
        return (max(low, key=lambda seat: (steep[seat], -EDGE_MIDDLES.index(seat))),)
    return tuple(low)
