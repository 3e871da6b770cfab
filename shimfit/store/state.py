"""What the log says: frozen values read from events, at the end of the log or at any past event.

Nothing here is ever stored: `store.fold` works these values out from the events, and the screens, the record
and the solvers read them. Signs and units are those of `shimfit.model`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

from shimfit.model import PostState

if TYPE_CHECKING:
    from collections.abc import Mapping

    from shimfit.model import Foot, Lot, Pack, Prescription, Reading, Tolerance, Verdict

PostKind = Literal["line", "corner", "end"]
Units = Literal["mm", "inch"]
Rule = Literal["95", "simple", "2u"]
InstrumentKind = Literal["level", "plumb-line", "inclinometer"]


@dataclass(frozen=True, slots=True)
class Note:
    """A sentence that somebody left at a post."""

    text: str
    time: str
    """ISO 8601 with offset."""
    by: str | None = None
    event: str | None = None
    """Id of the event that logged it."""


@dataclass(frozen=True, slots=True)
class PostRecord:
    """Everything that the log says of one post; what was undone is left out, what was removed is not lost."""

    name: str
    leg: int
    """Which leg of the run (1 = the first); a corner post belongs to the leg that it ends."""
    station_mm: float
    """Distance along the run from its start."""
    kind: PostKind
    foot: Foot
    """The post's own foot, or the run's."""
    height_mm: float
    """Reading height: the post's own, or the run's."""
    tolerance: Tolerance
    """The post's own, or the run's."""
    readings: tuple[Reading, ...] = ()
    """Every active reading in order, half ones and those at half height (stage `mid`) too."""
    reading: Reading | None = None
    """How it stands by the latest reading: a full one, or two halves that followed each other at one stage
    and complete each other (texts joined by `; `). None: nothing full was read, or a half one came last."""
    prescription: Prescription | None = None
    """The latest answer; None when none was given since the post was set (a bed reading begins afresh)."""
    prescription_event: str | None = None
    """Id of the event that logged that answer."""
    prescription_is_current: bool = False
    """The answer is to the latest reading; False once the post was read again."""
    packs_in_place: tuple[Pack, ...] = ()
    """What the post stands on: as logged, or as prescribed once a reading after the prescription said so."""
    packed_as_prescribed: bool | None = None
    """None: no packs in place. True also when a reading after the prescription implied it."""
    tightened: bool = False
    """Tightened since the packs went in, as logged or as a verifying reading implied."""
    torque_nm: float | None = None
    """Torque of the last tightening; None = not said."""
    trimmed: bool = False
    """Packs cut flush since they went in."""
    notes: tuple[Note, ...] = ()
    skipped: str | None = None
    """Why the post was skipped; None when it was not, or was taken up again."""
    photos: tuple[str, ...] = ()
    """File names as given."""
    rounds: int = 0
    """Times that the post was packed (or tightened) and then read: 1 = plumb at first try, if plumb."""
    state: PostState = PostState.TO_READ
    verdict: Verdict | None = None
    """What the latest verifying reading decides; None when the latest reading does not verify."""
    before: Reading | None = None
    """Last full reading before the post was first packed (or tightened as it stood)."""
    after: Reading | None = None
    """Latest full reading since; None while the post has been set afresh and not verified."""
    conflict: str | None = None
    """Why two crews' logs of this post do not agree, in a sentence; a later reading settles it."""
    last_seq: int = 0
    """Position in the log of the last event that touched the post."""
    last_time: str | None = None
    """Time of the last reading or tightening, ISO 8601 with offset (what a due list counts from)."""
    turn_deg: float | None = None
    """How far the run turns at this corner, + towards out, - towards house; None: not told."""


@dataclass(frozen=True, slots=True)
class RunState:
    """One run and its posts in walking order."""

    job: str
    name: str
    foot: Foot
    height_mm: float
    tolerance: Tolerance
    rule: Rule = "95"
    """Decision rule: one-sided 95 % guard band, simple acceptance, or w = 2u."""
    units: Units = "mm"
    """How lengths are typed and shown in this run."""
    gauge_mm: float | None = None
    """Level length that offsets are read over from now on; None = the reading height."""
    face_names: tuple[tuple[str, str], ...] = ()
    """(face, the run's own name for it), only those renamed: (("out", "lake"),)."""
    layout: str = "corners"
    """corners, tripod or auto."""
    due_days: int | None = None
    """Days after which posts are due to be tightened and read again; None = no due list."""
    preload_mm: float | None = None
    """Clamp as the shortening of four equal seats; None = the default."""
    max_spacing_mm: float | None = None
    opening_limit_mm: float | None = None
    """Greatest clear opening; None = not checked."""
    posts: tuple[PostRecord, ...] = ()
    """In walking order: by leg, then by station."""
    removed: tuple[PostRecord, ...] = ()
    """Posts taken out of the run, with everything logged at them."""
    sample: bool = False
    """Part of the sample job."""
    conflict: str | None = None
    """Two crews' logs lay the run out differently: how, in a sentence."""
    last_seq: int = 0
    """Position in the log of the last event that touched the run; 0 = none."""
    unread: tuple[str, ...] = ()
    """Events that this version could not understand, a sentence each; they stay in the log."""

    def post(self, name: str) -> PostRecord | None:
        """The post of that name, or None."""
        return next((post for post in self.posts if post.name == name), None)

    @property
    def conflicts(self) -> tuple[PostRecord, ...]:
        """Posts on which two crews' logs do not agree, also those that one of them took out."""
        return tuple(post for post in (*self.posts, *self.removed) if post.conflict is not None)

    @property
    def left_to_do(self) -> tuple[PostRecord, ...]:
        """Posts that are neither plumb nor skipped."""
        done = (PostState.PLUMB, PostState.SKIPPED)
        return tuple(post for post in self.posts if post.state not in done)


@dataclass(frozen=True, slots=True)
class JobState:
    """One job. Its runs are named here and read one by one with `Journal.run(job, name)`."""

    name: str
    sample: bool = False
    units: Units = "mm"
    runs: tuple[str, ...] = ()
    """Names, in the order they were added."""
    undo: str | None = None
    """What undo would take back, in words; None = nothing."""
    redo: str | None = None
    """What redo would bring back, in words; None = nothing."""
    last_run: str | None = None
    """Run that was worked on last; None when the job has none."""
    last_seq: int = 0
    """Position in the log of the job's last event."""


@dataclass(frozen=True, slots=True)
class InstrumentRecord:
    """An instrument as it was entered last; earlier entries are its history."""

    name: str
    kind: InstrumentKind
    length_mm: float | None = None
    accuracy_slope: float | None = None
    """Maker's accuracy as a slope (ratio), as a limit; None = not known."""
    graduation_mm: float | None = None
    zero_along: float = 0.0
    """Slope that it shows on a plumb post, along; taken off readings."""
    zero_across: float = 0.0
    u_zero: float | None = None
    """Standard uncertainty of the zero (slope); None = never checked end for end."""
    checked: str | None = None
    """When it was last turned end for end, ISO 8601; None = never."""
    axes: str | None = None
    """A sensor's: how its x and y lay on the post when the zero was found; None = not told."""
    zero_degc: float | None = None
    """Temperature at which the zero was found; None = not told."""
    floor_deg: float | None = None
    """A sensor's: what averaging can't get below, from a long still record."""
    memory_s: float | None = None
    """A sensor's: how long it remembers, from a long still record."""
    time: str | None = None
    """When this was entered."""
    event: str | None = None


@dataclass(frozen=True, slots=True)
class BoxState:
    """The carpenter's box: what is left, his instruments and settings. One box for all jobs."""

    lots: tuple[Lot, ...] = ()
    """What is left, count > 0, in the order it came in; remainders are lots of their own."""
    used_up: tuple[Lot, ...] = ()
    """Lots that were in the box and are out, count 0."""
    short: tuple[tuple[str, int], ...] = ()
    """(lot, pieces) that were logged as used but were not in the box: the box was counted wrong."""
    instruments: tuple[InstrumentRecord, ...] = ()
    """Latest entry of each instrument, in the order they were first entered."""
    instrument_history: tuple[InstrumentRecord, ...] = ()
    """Every entry in order: the zero over time."""
    settings: Mapping[str, Any] = field(default_factory=dict)
    """Key -> value as last set; read only."""
    undo: str | None = None
    """What undo would take back from the box, in words; None = nothing."""
    redo: str | None = None
    last_seq: int = 0
    unread: tuple[str, ...] = ()
    """Events of the box that this version could not understand, a sentence each."""

    def lot(self, name: str) -> Lot | None:
        """What is left of a lot, or None."""
        return next((lot for lot in self.lots if lot.lot == name), None)

    def instrument(self, name: str) -> InstrumentRecord | None:
        """The instrument of that name, or None."""
        return next((one for one in self.instruments if one.name == name), None)
