"""Doubts about an entry that parses well: each asks for a second Enter, never for a dialog.

A post's own history catches what a grammar can't: a lean far from the last reading, or on the other side
though only the nut was turned. Two more look at the slips that fingers make on a fraction: 6/16 is 3/8 on a
tape (a neighbouring key makes it out of 5/16), and 1.2 in is 1/2 with the point beside the slash.
"""

from __future__ import annotations

from typing import Final

from shimfit.core.lengths import TAPE_DENOMINATORS
from shimfit.entry.echo import fraction_text, number_text
from shimfit.entry.result import Component, Understood
from shimfit.model import Face, Reading

FAR: Final = 0.004
"""A change of slope (4 mm per m) that tightening alone does not make. Common practice, no source."""
FAR_SHARE: Final = 0.5
"""… or half of the last reading when that is more."""
WORSE: Final = 0.002
"""After packing the lean gets smaller; a direction that grew by more than this is looked at again."""
FLIP: Final = 0.001
"""A lean under 1 mm per m has no side to speak of."""


def second_look(
    understood: Understood, previous: Reading | None, only_tightened: bool, height_mm: float
) -> str | None:
    """Why the entry wants a second Enter, in a sentence; None when nothing speaks against it.

    `previous` = the post's last reading, None for the first; `only_tightened` = since then only the nut was
    turned, no pack was moved. Slopes of both are compared, so the gauge length may differ.
    """
    if understood.is_gauge_only:
        return None
    if understood.second_look is not None:
        return understood.second_look
    for part in (understood.along, understood.across):
        doubt = None if part is None else _finger_slip(part)
        if doubt is not None:
            return doubt
    if previous is None:
        return None
    now = understood.slopes(height_mm)
    last = (previous.slope_along, previous.slope_across)
    for new, old, faces in zip(now, last, _FACES, strict=True):
        if new is not None and old is not None:
            doubt = _against_history(new, old, only_tightened=only_tightened)
            if doubt is not None:
                return _sentence(doubt, new, old, faces, understood, height_mm)
    return None


_FACES: Final = ((Face.NEXT, Face.PREV), (Face.OUT, Face.HOUSE))


def _against_history(new: float, old: float, *, only_tightened: bool) -> str | None:
    """`flipped`, `far` or `worse`, of one direction."""
    if only_tightened:
        if new * old < 0 and min(abs(new), abs(old)) > FLIP:
            return "flipped"
        return "far" if abs(new - old) > max(FAR, FAR_SHARE * abs(old)) else None
    return "worse" if abs(new) > abs(old) + max(WORSE, FAR_SHARE * abs(old)) else None


def _sentence(
    doubt: str, new: float, old: float, faces: tuple[Face, Face], understood: Understood, height_mm: float
) -> str:
    def side(slope: float) -> str:
        return understood.settings.name(faces[0] if slope >= 0 else faces[1])

    before = f"{abs(old) * height_mm:.1f} mm towards {side(old)}"
    if doubt == "flipped":
        return f"it leaned {before} and only the nut was turned: now towards {side(new)}? Enter again if so"
    after = f"{abs(new) * height_mm:.1f} mm"
    if doubt == "far":
        return f"it leaned {before}, only the nut was turned, and now {after}? Enter again if so"
    return f"it leaned {before} before packing and now {after} towards {side(new)}? Enter again if so"


def _finger_slip(part: Component) -> str | None:
    """Looks like a fraction with one key wrong."""
    if part.unreduced:
        return f"is that {fraction_text(part.number)}? A tape says no {_as_typed(part)}: Enter again if so"
    if part.unit != "in" or part.form != "decimal" or part.number < 1 or part.places > 2:
        return None
    whole, digits = number_text(part).split(".")
    if int(digits) in TAPE_DENOMINATORS and int(whole) < int(digits):
        return f"{whole}.{digits} in, or {whole}/{digits}? Enter again if the point is meant"
    return None


def _as_typed(part: Component) -> str:
    """The fraction that was typed, before it was reduced."""
    return f"{part.numerator}/{part.denominator}"
