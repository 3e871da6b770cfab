"""Questions about an entry that parses well: each wants a second Enter, never a dialog.

A post's own history catches what a grammar can't: a lean far from the last reading, or on the other side
though only the nut was turned. Two more look at the slips that fingers make on a fraction: 6/16 is 3/8 on a
tape (a neighbouring key makes it out of 5/16), and 1.2 in is 1/2 with the point beside the slash.
"""

from __future__ import annotations

from typing import Final

from shimfit.entry.result import Component, Understood, number_text
from shimfit.errors import EntryError
from shimfit.model import Face, Reading
from shimfit.quantities import shown
from shimfit.quantities.typed import TAPE_DENOMINATORS
from shimfit.standing import one_lean

FAR: Final = 0.004
"""A change of slope (4 mm per m) that tightening alone does not make. Common practice, no source."""
FAR_SHARE: Final = 0.5
"""… or half of the last reading when that is more."""
WORSE: Final = 0.002
"""After packing the lean gets smaller; a direction that grew by more than this is looked at again."""
FLIP: Final = 0.001
"""A lean under 1 mm per m has no side to speak of."""
AS_BEFORE: Final = "it stands as it did before the packs"
"""Packs were worked out, nobody said that they went in, and the top is where it was."""
UNLIKE: Final = "that is not what the packs would do"
"""The same, and it is neither where it was nor where they would bring it."""
_FACES: Final = {"along": (Face.NEXT, Face.PREV), "across": (Face.OUT, Face.HOUSE)}
"""The side that a positive slope leans to, and the other."""


def second_look(
    understood: Understood,
    previous: Reading | None,
    only_tightened: bool,
    height_mm: float,
    *,
    repeat: Reading | None = None,
) -> str | None:
    """Why the entry wants a second Enter, in a sentence; None when nothing speaks against it.

    `previous` = the post's last reading, None for the first; `only_tightened` = since then only the nut was
    turned, no pack was moved. Slopes of both are compared, so the gauge length may differ. `repeat` = the
    entry as it would be logged, where nothing at all was done since `previous`: then the two can differ by
    their own uncertainty and by no more.
    """
    if understood.is_gauge_only:
        return None
    if understood.second_look is not None:
        return understood.second_look
    for part in understood.parts:
        if question := _finger_slip(part):
            return question
    if previous is None:
        return None
    now = understood.slopes(height_mm)
    last = (previous.slope_along, previous.slope_across)
    both = [
        (old, new, way)
        for old, new, way in zip(last, now, _FACES, strict=True)
        if old is not None and new is not None
    ]
    for old, new, way in both:
        flipped = new * old < 0 and min(abs(new), abs(old)) > FLIP
        if repeat is not None:
            if one_lean(previous, repeat, (way,)):
                continue
            meanwhile = ", nothing was done since, and now"
        elif only_tightened and (flipped or abs(new - old) > max(FAR, FAR_SHARE * abs(old))):
            meanwhile = ", only the nut was turned, and now"
        elif not only_tightened and abs(new) > abs(old) + max(WORSE, FAR_SHARE * abs(old)):
            meanwhile = " before packing and now"
        else:
            continue
        before, after = (
            f"{shown.fine(slope * height_mm, understood.settings.units)} towards "
            + understood.settings.name(_FACES[way][slope < 0])
            for slope in (old, new)
        )
        return f"it leaned {before}{meanwhile} {after}? Enter again if so"
    return None


def looks_like_a_slip(question: str, *, again: str = "--again") -> EntryError:
    """The refusal where nobody can press Enter twice: the same question, and how to say that it is so.

    again: what says that it is read once more, no pack in yet.
    """
    if question in (AS_BEFORE, UNLIKE):
        how = f"{again} where they are not in yet, --sure where they are in and the nut is tight"
        return EntryError(f"{question}: add {how}", at=0)
    if "Enter again" in question:
        return EntryError(question.replace("Enter again", "add --sure"), at=0)
    return EntryError(f"{question}: add --sure if it is so", at=0)


def _finger_slip(part: Component) -> str | None:
    """Looks like a fraction with one key wrong."""
    typed = part.typed
    if typed.denominator > 1 and typed.numerator % 2 == 0:  # 6/16, which a tape calls 3/8
        as_typed = f"{typed.numerator}/{typed.denominator}"
        return f"is that {shown.fraction_text(part.number)}? A tape says no {as_typed}: Enter again if so"
    if part.unit != "in" or typed.form != "decimal" or part.number < 1 or typed.places > 2:
        return None
    whole, digits = number_text(part).split(".")
    if int(digits) in TAPE_DENOMINATORS and int(whole) < int(digits):
        return f"{whole}.{digits} in, or {whole}/{digits}? Enter again if the point is meant"
    return None
