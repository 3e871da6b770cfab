"""One run as the record shows it: frozen rows from which text, JSON, CSV and PDF are made."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

from shimfit.model import Face

if TYPE_CHECKING:
    from shimfit.core.bow import Bow
    from shimfit.model import Decision, Foot, Pack, Reading, Tolerance, Verdict

Units = Literal["mm", "inch"]
PLAIN_FACES = {face: face.value for face in Face}


@dataclass(frozen=True, slots=True)
class InstrumentUsed:
    """An instrument that readings of the run name, as it was known when the record was made."""

    name: str
    kind: str = ""
    """level, plumb-line or inclinometer."""
    length_mm: float | None = None
    accuracy_slope: float | None = None
    """Stated accuracy (half-width) as a slope."""
    graduation_mm: float | None = None
    zero_along: float | None = None
    zero_across: float | None = None
    u_zero: float | None = None
    """Standard uncertainty of the zero, as a slope."""
    checked: str | None = None
    """When it was last turned end for end (ISO 8601); None = never in this log."""


@dataclass(frozen=True, slots=True)
class ZeroCheck:
    """One check of an instrument's zero."""

    instrument: str
    time: str
    zero_along: float | None
    zero_across: float | None
    u_zero: float | None


@dataclass(frozen=True, slots=True)
class Verified:
    """A verifying reading with what it decided."""

    reading: Reading
    verdict: Verdict

    @property
    def plumb(self) -> bool:
        """True when the reading proves the post plumb, doubt counted in."""
        return self.verdict.decision == "plumb"


@dataclass(frozen=True, slots=True)
class PostRow:
    """One post of the record."""

    post: str
    state: str
    foot: Foot
    height_mm: float
    """Height that tops are told at."""
    tolerance: Tolerance
    station_mm: float
    """Distance along the run from its first post."""
    leg: int = 1
    kind: str = "line"
    """line, corner or end."""
    before: Reading | None = None
    """The reading that the first packs were worked out from."""
    after: Reading | None = None
    """The last verifying reading."""
    verdict: Verdict | None = None
    """What `after` decides."""
    verified: tuple[Verified, ...] = ()
    """Every verifying reading in time order, `after` the last."""
    readings: tuple[Reading, ...] = ()
    """Every reading in time order, also half and mid readings."""
    packs: tuple[Pack, ...] = ()
    """What stands under the post."""
    as_prescribed: bool = True
    """False when something else than the prescription went in."""
    rounds: int = 0
    """How often the post was packed and read again."""
    torque_nm: float | None = None
    skipped: str | None = None
    """Why it was passed over; None when it was not."""
    notes: tuple[str, ...] = ()
    photos: tuple[str, ...] = ()
    bow: Bow | None = None
    """By the latest reading at half height; None when there was none."""

    @property
    def decision(self) -> Decision:
        """plumb, out, too-close, or none when nothing was verified."""
        return self.verdict.decision if self.verdict else "none"

    @property
    def over(self) -> bool:
        """True when a verifying reading shows the post over its tolerance, no margin counted."""
        lean = self.after.lean if self.after else None
        if lean is None or self.after is None:
            return False
        return self.decision == "out" or not self.tolerance.holds(lean, self.after.height_mm)


@dataclass(frozen=True, slots=True)
class LogStamp:
    """How far the event log had got when the record was made."""

    events: int
    hash: str
    """Hash of the last event, which covers every one before it."""


@dataclass(frozen=True, slots=True)
class RunRecord:
    """One run of a job, in walking order."""

    job: str
    run: str
    posts: tuple[PostRow, ...]
    foot: Foot
    height_mm: float
    tolerance: Tolerance
    rule: str
    """The decision rule in words."""
    log: LogStamp
    units: Units = "mm"
    faces: dict[Face, str] = field(default_factory=lambda: dict(PLAIN_FACES))
    """What the run calls its four faces."""
    instruments: tuple[InstrumentUsed, ...] = ()
    unnamed: bool = False
    """Typed readings are among those shown that name no instrument: a usual level stands in for it."""
    zeros: tuple[ZeroCheck, ...] = ()
    """Checks of those instruments in time order."""
    made: str | None = None
    """Time of the last event (ISO 8601): the record is of that moment."""
    due_days: float | None = None
    sample: bool = False
    """Invented data to try the program with."""

    @property
    def over(self) -> bool:
        """True when a verified post is over its tolerance."""
        return any(post.over for post in self.posts)
