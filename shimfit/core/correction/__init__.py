"""After tightening: from the packs in place and the new reading to what to change (`correct`).

`standing` works out how the post stands and what it wants instead, in exact thicknesses; `boxed` answers from
the pieces that are there, old packs included.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from shimfit.core.correction.standing import (
    Correction,
    Standing,
    exact_change,
    pack_of,
    packs_now,
    predicted_shift_mm,
    standing_on,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from shimfit.core.packing.options import Options
    from shimfit.model import Lot, Prescription


def correct(asked: Correction, options: Options, lots: Sequence[Lot] | None = None) -> Prescription:
    """What to change under a post that stands on packs and still leans.

    lots: the box without the packs in place (their pieces are put back here), those that are used up with
    count 0, or a taper of theirs has no slope and is never pushed; None = exact thicknesses.
    The answer's `lean` is the reading, `packs` the new totals, `change` what to touch in the seats' order.
    EntryError and UsageError for what can't be asked.
    """
    standing = standing_on(
        asked.foot,
        asked.lean,
        asked.now,
        options.preload_mm,
        take_up=asked.known.take_up,
        low_mm=asked.low_mm,
        feelers_mm=asked.known.feelers,
    )
    if lots is None:
        return exact_change(standing, asked, options)
    from shimfit.core.correction.boxed import change_from_box

    return change_from_box(standing, asked, options, lots)


__all__ = [
    "Correction",
    "Standing",
    "correct",
    "exact_change",
    "pack_of",
    "packs_now",
    "predicted_shift_mm",
    "standing_on",
]
