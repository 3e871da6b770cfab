"""What putting other packs under a post moves in the box: pieces taken, remainders and old packs put back."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from shimfit.contract import lot_to_json
from shimfit.core.box import movement, returned
from shimfit.core.correction.boxed import merged
from shimfit.workflow.following import moved_packs
from shimfit.workflow.remainders import as_in_box

if TYPE_CHECKING:
    from shimfit.model import Pack
    from shimfit.store.state import BoxState


def moved_in_box(box: BoxState, before: Sequence[Pack], after: Sequence[Pack]) -> dict[str, Any] | None:
    """Data of a `taken` event for `after` in place of `before`; None when nothing moves."""
    came_out, went_in = moved_packs(before, after)
    back_from_before = returned(came_out, (*box.lots, *box.used_up))
    names = [lot.lot for lot in box.used_up]
    lots = merged((*box.lots, *back_from_before))
    # A flat that the box was counted without is told as short there; it went in all the same.
    known = {lot.lot for lot in lots}
    missing = [lot for lot in box.used_up if lot.lot not in known]
    moved = movement((*lots, *missing), as_in_box(went_in, lots, box.used_up), taken=names)
    # What comes out of one pack and goes into another never was in the box between the two.
    used = Counter(dict(moved.used))
    back = []
    for lot in (*back_from_before, *moved.back):
        if used[lot.lot] > 0:
            used[lot.lot] -= 1
        else:
            back.append(lot_to_json(lot))
    taken = [{"lot": lot, "count": count} for lot, count in used.items() if count]
    return {"used": taken, "back": back} if taken or back else None
