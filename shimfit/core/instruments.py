"""What a lean is read with: how far it may be off, when it was checked, and which limits it can decide.

A level's stated accuracy is mostly its zero: turning it end for end shows the zero, takes it out of later
readings and leaves only how well it was found. Zeros are kept with their date, since a knock changes them.
"""

from __future__ import annotations

import math
from datetime import date, datetime
from typing import Final

from shimfit.core.uncertainty.budget import HAND_MM, Budget, Term, budget, of_step, rectangular, typed_budget
from shimfit.core.uncertainty.decision import FACTORS, Rule, plumb_up_to
from shimfit.errors import InternalError
from shimfit.model import Instrument, InstrumentKind, Tolerance
from shimfit.values import dataclass

DUE_DAYS: Final = 30
"""A level is turned end for end at least this often. Common practice, no source; a setting."""
DEFAULT_ACCURACY: Final[dict[InstrumentKind, float]] = {
    # 0.5 mm/m is the common claim for carpenter's levels (common practice, no source: two trade articles).
    "level": 0.0005,
    # A line has no zero to be wrong; its swing and the tape are in the reading's own step.
    "plumb-line": 0.0,
    # Consumer class: 0.1 degrees (common practice, no source).
    "inclinometer": 0.0017453310241888004,
}


DEFAULT_LEVEL: Final = Instrument("a level", "level", accuracy_slope=DEFAULT_ACCURACY["level"])
"""What an unnamed instrument is taken for."""


def stated_accuracy(instrument: Instrument) -> float:
    """Limit ± as a slope: the maker's, or what is common for the kind where none was entered."""
    if instrument.accuracy_slope is not None:
        return instrument.accuracy_slope
    return DEFAULT_ACCURACY[instrument.kind]


# ---------------------------------------------------------------- uncertainty of a reading


@dataclass(frozen=True, slots=True)
class Corrected:
    """A typed direction with the instrument's zero taken off, and its uncertainty."""

    slope: float
    budget: Budget
    step: float
    """From mark to mark of the scale, as a slope."""


def correct(
    slope: float,
    half_step_slope: float,
    zero: float,
    instrument: Instrument | None,
    over_mm: float,
    *,
    hand_mm: float = HAND_MM,
) -> Corrected:
    """One direction as it counts: zero off, uncertainty from the instrument and from the reading's own step.

    `zero` = the instrument's zero in this direction; it counts only when it was found (u_zero is set).
    `over_mm` = height or level length that was read over. A reading can't be finer than the instrument's
    own graduation. `instrument` None = DEFAULT_LEVEL. `hand_mm`: what the offset scatters by.
    """
    used: Instrument = DEFAULT_LEVEL if instrument is None else instrument
    step = half_step_slope
    if used.graduation_mm is not None:
        step = max(step, used.graduation_mm / over_mm / 2.0)
    found = 0.0 if used.u_zero is None else zero
    terms = typed_budget(
        slope - found,
        step,
        accuracy_slope=stated_accuracy(used),
        u_zero=used.u_zero,
        length_mm=over_mm,
        hand_mm=hand_mm,
    )
    return Corrected(slope - found, terms, 2.0 * step)


# ---------------------------------------------------------------- can it decide this limit?


def judge(
    instrument: Instrument,
    tolerance: Tolerance,
    height_mm: float,
    rule: Rule = "95",
    step_mm: float = 1.0,
) -> str | None:
    """What to say before the first post where an instrument can't decide a tolerance; None when it can.

    `step_mm` = graduation of the tape where the instrument has none. It can hardly: only posts in the inner
    half of the tolerance can be called plumb. It can't: not even a reading of 0 can.
    """
    if not height_mm > 0.0:
        raise InternalError(f"an instrument was judged for a height of {height_mm} mm")
    step = instrument.graduation_mm if instrument.graduation_mm is not None else step_mm
    over = instrument.length_mm if instrument.kind == "level" and instrument.length_mm else height_mm
    zero = Term("accuracy", rectangular(stated_accuracy(instrument)))
    if instrument.u_zero is not None:
        zero = Term("zero", instrument.u_zero)
    u = budget((Term("resolution", of_step(step / over)), Term("hand", HAND_MM / over), zero)).u
    allowed = tolerance.allowed_slope(height_mm)
    room = plumb_up_to(allowed, u, FACTORS[rule], per_direction=tolerance.per_direction)
    if room >= allowed / 2.0:
        return None
    uncertainty = f"±{(allowed - room if room else FACTORS[rule] * u) * height_mm:.2g} mm at the top"
    limit = f"{allowed * height_mm:.2g} mm"
    own = math.hypot(of_step(step), HAND_MM) / over
    turned = zero.name == "accuracy" and zero.u > own and instrument.kind != "plumb-line"
    cure = "turn it end for end once, or take a better one" if turned else "a finer one is needed"
    if room <= 0.0:
        return f"{instrument.name} can't decide {limit}: its uncertainty is {uncertainty}; {cure}"
    sure = f"plumb is sure only up to {room * height_mm:.2g} mm"
    return f"{instrument.name} can hardly decide {limit}: {sure}; {cure}"


# ---------------------------------------------------------------- checks


def age_days(instrument: Instrument, today: date) -> int | None:
    """Days since its zero was found; None when it never was."""
    if instrument.checked is None:
        return None
    return (today - datetime.fromisoformat(instrument.checked).date()).days


def check_due(instrument: Instrument, today: date, due_days: int = DUE_DAYS) -> str | None:
    """The prompt to check it by turning it end for end, when that is due; None when it is not.

    How a level is checked is US Army TM 9-243, page 10-3 (read). A plumb line has no zero to check.
    """
    if instrument.kind == "plumb-line":
        return None
    days = age_days(instrument, today)
    if days is not None and 0 <= days < due_days:
        return None
    if days is None and instrument.dropped:
        since = f"{instrument.name} was dropped and not checked since"
    elif days is None:
        since = f"{instrument.name} was never checked"
    elif days < 0:
        since = f"{instrument.name} was checked on a day to come: look at this machine's date"
    else:
        since = f"{instrument.name} was checked {days} days ago"
    return f"{since}: {HOW_TO_CHECK[instrument.kind]}"


HOW_TO_CHECK: Final[dict[InstrumentKind, str]] = {
    "level": (
        "hold it to a face, read, turn it end for end on the same spot and read again; "
        "twice the same lean means that it is true"
    ),
    "inclinometer": "hold it to a face, read, turn it to the opposite face and read again",
    "plumb-line": "",
}
