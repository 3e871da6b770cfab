"""After tightening: from the packs in place and the new reading to what to change (`correct`).

`standing` works out how the post stands and what it wants instead, in exact thicknesses; `boxed` answers from
the pieces that are there, old packs included.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from shimfit.core.correction.standing import (
    Standing,
    exact_change,
    pack_of,
    packs_now,
    predicted_shift_mm,
    standing_on,
)
from shimfit.core.packing.question import NOTHING

if TYPE_CHECKING:
    from shimfit.core.packing.options import Options
    from shimfit.core.packing.question import Known
    from shimfit.model import Foot, Lean, Lot, Pack, Prescription, Seat, Tolerance


def correct(
    foot: Foot,
    height_mm: float,
    lean: Lean,
    tolerance: Tolerance,
    *,
    now: Mapping[Seat, float] | Sequence[Pack],
    options: Options,
    lots: Sequence[Lot] | None = None,
    known: Known = NOTHING,
    low_mm: Mapping[Seat, float] | None = None,
    trimmed: bool = False,
) -> Prescription:
    """What to change under a post that stands on packs and still leans.

    lean: the reading on those packs. now: the packs, or their totals in mm where the pieces are not known.
    lots: the box without the packs in place (their pieces are put back here), those that are used up with
    count 0, or a taper of theirs has no slope and is never pushed; None = exact thicknesses.
    known: how the next reading is taken, what packs give, corners that do not touch at this reading.
    low_mm: feelers that are in the packs' totals already. trimmed: cut flush.
    The answer's `lean` is the reading, `packs` the new totals, `change` what to touch in the seats' order.
    EntryError and UsageError for what can't be asked.
    """
    packs = packs_now(foot, now) if isinstance(now, Mapping) else tuple(now)
    feelers_mm, take_up = known.feelers, known.take_up
    standing = standing_on(
        foot, lean, packs, options.preload_mm, take_up=take_up, low_mm=low_mm, feelers_mm=feelers_mm
    )
    if lots is None:
        return exact_change(
            standing, packs, height_mm, tolerance, preload_mm=options.preload_mm, layout=options.layout
        )
    from shimfit.core.correction.boxed import change_from_box

    return change_from_box(
        standing,
        packs,
        height_mm,
        tolerance,
        lots=lots,
        options=options,
        known=known,
        trimmed=trimmed,
    )


__all__ = ["Standing", "correct", "exact_change", "pack_of", "packs_now", "predicted_shift_mm", "standing_on"]
