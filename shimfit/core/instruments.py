"""What a lean is read with: how far it may be off, when it was checked, and which limits it can decide.

A level's stated accuracy is mostly its zero: turning it end for end shows the zero, takes it out of later
readings and leaves only how well it was found. Zeros are kept with their date, since a knock changes them.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Final, Literal, Protocol, TypeAlias

from shimfit.core.uncertainty.budget import Budget, Term, budget, of_step, rectangular, typed_budget
from shimfit.core.uncertainty.decision import FACTORS, Rule
from shimfit.errors import InternalError
from shimfit.model import Tolerance

InstrumentKind: TypeAlias = Literal["level", "plumb-line", "inclinometer"]
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


class InstrumentLike(Protocol):
    """What is kept of an instrument; the log's record of it fits too."""

    @property
    def name(self) -> str:
        """What the carpenter calls it."""

    @property
    def kind(self) -> InstrumentKind:
        """Level, plumb line or inclinometer."""

    @property
    def length_mm(self) -> float | None:
        """Length of a level; None where it has none."""

    @property
    def accuracy_slope(self) -> float | None:
        """Maker's limit as a slope, ±; None = not known."""

    @property
    def graduation_mm(self) -> float | None:
        """Step of the scale that offsets are read with; None = as typed."""

    @property
    def zero_along(self) -> float:
        """Slope that it shows on a plumb post, along; taken off readings."""

    @property
    def zero_across(self) -> float:
        """The same across."""

    @property
    def u_zero(self) -> float | None:
        """Standard uncertainty of the zero (slope); None = never turned end for end."""

    @property
    def checked(self) -> str | None:
        """When it was last turned end for end, ISO 8601; None = never."""


@dataclass(frozen=True, slots=True)
class Instrument:
    """An instrument; see InstrumentLike for the fields."""

    name: str
    kind: InstrumentKind
    length_mm: float | None = None
    accuracy_slope: float | None = None
    graduation_mm: float | None = None
    zero_along: float = 0.0
    zero_across: float = 0.0
    u_zero: float | None = None
    checked: str | None = None
    axes: str | None = None
    """A sensor's: how its x and y lay on the post when the zero was found; None = not told."""
    zero_degc: float | None = None
    """Temperature at which the zero was found; None = not told."""
    floor_deg: float | None = None
    """A sensor's: what averaging can't get below, from a long still record."""
    memory_s: float | None = None
    """A sensor's: how long it remembers, from a long still record."""


DEFAULT_LEVEL: Final = Instrument("a level", "level", accuracy_slope=DEFAULT_ACCURACY["level"])
"""What an unnamed instrument is taken for."""


def stated_accuracy(instrument: InstrumentLike) -> float:
    """Limit ± as a slope: the maker's, or what is common for the kind where none was entered."""
    if instrument.accuracy_slope is not None:
        return instrument.accuracy_slope
    return DEFAULT_ACCURACY[instrument.kind]


# ---------------------------------------------------------------- doubt of a reading


@dataclass(frozen=True, slots=True)
class Corrected:
    """A typed direction with the instrument's zero taken off, and its doubt."""

    slope: float
    budget: Budget


def correct(
    slope: float,
    half_step_slope: float,
    zero: float,
    instrument: InstrumentLike | None,
    over_mm: float,
) -> Corrected:
    """One direction as it counts: zero off, doubt from the instrument and from the reading's own step.

    `zero` = the instrument's zero in this direction; it counts only when it was found (u_zero is set).
    `over_mm` = height or level length that was read over. A reading can't be finer than the instrument's
    own graduation. `instrument` None = DEFAULT_LEVEL.
    """
    used: InstrumentLike = DEFAULT_LEVEL if instrument is None else instrument
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
    )
    return Corrected(slope - found, terms)


# ---------------------------------------------------------------- can it decide this limit?

Fitness: TypeAlias = Literal["fit", "hardly", "never"]


@dataclass(frozen=True, slots=True)
class Judgement:
    """Whether an instrument can decide a tolerance."""

    fitness: Fitness
    u: float
    """Standard uncertainty of one reading, as a slope."""
    plumb_up_to: float
    """Largest slope that it can call plumb; 0 when it never can."""
    words: str | None
    """What to say at set-up; None when it is fit."""


def judge(
    instrument: InstrumentLike,
    tolerance: Tolerance,
    height_mm: float,
    rule: Rule = "95",
    step_mm: float = 1.0,
) -> Judgement:
    """Say before the first post whether readings with this instrument can be decided at all.

    `step_mm` = graduation of the tape where the instrument has none. `hardly`: only posts in the inner half
    of the tolerance can be called plumb. `never`: not even a reading of 0 can.
    """
    if not height_mm > 0.0:
        raise InternalError(f"an instrument was judged for a height of {height_mm} mm")
    step = instrument.graduation_mm if instrument.graduation_mm is not None else step_mm
    over = instrument.length_mm if instrument.kind == "level" and instrument.length_mm else height_mm
    zero = Term("accuracy", rectangular(stated_accuracy(instrument)))
    if instrument.u_zero is not None:
        zero = Term("zero", instrument.u_zero)
    u = budget((Term("resolution", of_step(step / over)), zero)).u
    allowed = tolerance.allowed_slope(height_mm)
    room = allowed - FACTORS[rule] * u
    if room >= allowed / 2.0:
        return Judgement("fit", u, room, None)
    doubt = f"±{FACTORS[rule] * u * height_mm:.2g} mm at the top"
    limit = f"{allowed * height_mm:.2g} mm"
    turned = zero.name == "accuracy" and zero.u > of_step(step / over) and instrument.kind != "plumb-line"
    cure = "turn it end for end once, or take a better one" if turned else "a finer one is needed"
    if room <= 0.0:
        words = f"{instrument.name} can't decide {limit}: its doubt is {doubt}; {cure}"
        return Judgement("never", u, 0.0, words)
    sure = f"plumb is sure only up to {room * height_mm:.2g} mm"
    return Judgement("hardly", u, room, f"{instrument.name} can hardly decide {limit}: {sure}; {cure}")


# ---------------------------------------------------------------- checks


def age_days(instrument: InstrumentLike, today: date) -> int | None:
    """Days since its zero was found; None when it never was."""
    if instrument.checked is None:
        return None
    return (today - datetime.fromisoformat(instrument.checked).date()).days


def check_due(instrument: InstrumentLike, today: date, due_days: int = DUE_DAYS) -> str | None:
    """The prompt to check it by turning it end for end, when that is due; None when it is not.

    How a level is checked is US Army TM 9-243, page 10-3 (read). A plumb line has no zero to check.
    """
    if instrument.kind == "plumb-line":
        return None
    days = age_days(instrument, today)
    if days is not None and 0 <= days < due_days:
        return None
    if days is None:
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
