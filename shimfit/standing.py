"""How a post stands now, worked out once from its events; every front reads it from here and adds nothing.

Screen, plain mode, commands, JSON, CSV, record on paper, rails, due list and statistics all take a post's
state, the reading that counts, the decision, the packs in place and what to do next from `PostRecord`.
`PostBuilder` works it out event by event; `RunState` holds a run's posts in walking order. Signs and units
are those of `shimfit.model`. This room lies below `store`, which folds a log with it, so that nobody can get
at a post without its standing.

Three questions decide the state. Is the latest reading one that verifies (made after the post was set up: an
answer was given, packs went in, or it was tightened)? Was anything done to the post since? What does the
latest answer ask for? What was done since takes the reading's word away: a post that was packed, cut flush,
tightened or moved is to be read again, and what was decided before is history. A reading of the bed begins
afresh: no post stands there.
"""

from __future__ import annotations

import hashlib
import math
from collections import Counter
from dataclasses import asdict, dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Literal, Protocol

from shimfit import contract
from shimfit.model import Face, PostState

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Mapping, Sequence

    from shimfit.core.bow import Bow
    from shimfit.core.uncertainty import Rule
    from shimfit.model import Decision, Foot, Lean, Lot, Pack, Prescription, Reading, Tolerance, Verdict

PostKind = Literal["line", "corner", "end"]
Units = Literal["mm", "inch"]
Basis = Literal["verified", "predicted", "as read", "unknown"]
"""How it is known how a post stands: by a verifying reading, by what packs should give, or as it was read."""
Step = Literal[
    "read", "read other way", "pack", "change packs", "tighten", "read again", "turn level", "no pack", "ask",
    "none",
]  # fmt: skip
"""What to do next at a post. `no pack`: the box can't do it; `ask`: no answer is there yet."""


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
class Verified:
    """A verifying reading with what it decided."""

    reading: Reading
    verdict: Verdict

    @property
    def plumb(self) -> bool:
        """True when the reading proves the post plumb, doubt counted in."""
        return self.verdict.decision == "plumb"


@dataclass(frozen=True, slots=True)
class Making:
    """How packs are made in a run: what every answer in it depends on."""

    layout: str = "corners"
    """corners, tripod or auto."""
    preload_mm: float | None = None
    """Clamp as the shortening of four equal seats; None = the default."""
    kerf_mm: float | None = None
    """Width of the cut that the saw in use makes; None = the default."""


@dataclass(frozen=True, slots=True)
class Asked:
    """What an answer was worked out for, beside the post and its run's tolerance."""

    making: Making
    rule: Rule
    box: str
    """Mark of what the box held (`box_mark`)."""
    own: Mapping[str, Any]
    """What the settings of whoever asked had a say in, by name: saw, timber, foresight."""
    log: str
    """Id of the log in which it was asked."""


@dataclass(frozen=True)
class Here:
    """Where answers are asked now: this data file, its box, and the settings that have a say in them."""

    log: str
    own: Mapping[str, Any]
    lots: tuple[Lot, ...]

    @property
    def box(self) -> str:
        """Mark of what the box holds."""
        return box_mark(self.lots)

    def asked(self, making: Making, rule: Rule, own: Collection[str]) -> dict[str, Any]:
        """What an answer given here was worked out for, as its event keeps it; own: settings that count."""
        return {
            **asdict(making),
            "rule": rule,
            "box": self.box,
            "own": {key: self.own[key] for key in own},
        }


@lru_cache(maxsize=8)
def box_mark(lots: tuple[Lot, ...]) -> str:
    """A mark that two boxes share when they hold the same, whatever the order and whoever counted them."""
    rows = sorted(repr(replace(lot, note="")) for lot in lots if lot.count)
    return hashlib.sha256("\n".join(rows).encode()).hexdigest()[:16]


@dataclass(frozen=True, slots=True)
class PostRecord:
    """One post as the log says it stands; what was undone is left out, what was removed is not lost."""

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
    """How it stands by the latest reading: a full one, two halves that followed each other at one stage and
    complete each other, or the mean of repeats (texts joined by `; `). None: nothing full was read, or a
    half one came last. Once `changed` says so, it is how the post stood before that."""
    rule: Rule = "95"
    """The run's decision rule."""
    making: Making = Making()
    """How packs are made in the run."""
    left_out: tuple[str | None, ...] = ()
    """Beside each of `readings`: why it does not count for how the post stands now; None = it counts."""
    mean_of: int = 1
    """Whole readings that `reading` is the mean of."""
    changed: str | None = None
    """What was done to the post since `reading`, as in `packed and tightened`; None: nothing, it counts."""
    prescription: Prescription | None = None
    """The latest answer, whether it is still to be followed or not (see `answer`); None when none was given
    since the post was set (a bed reading begins afresh)."""
    prescription_event: str | None = None
    """Id of the event that logged that answer."""
    asked: Asked | None = None
    """What that answer was worked out for, beside the post; None: an older program did not say."""
    prescription_is_current: bool = False
    """The answer is to the latest reading; False once the post was read again."""
    packs_in_place: tuple[Pack, ...] = ()
    """What the post stands on: as logged, or as prescribed once a reading after the prescription said so."""
    half: Reading | None = None
    """A reading of one way that waits for the other; None when none does."""
    implied: tuple[Pack, ...] | None = None
    """Packs that the next thing done here (a full reading, tightening, cutting flush) says went in as the
    latest answer asked; None when an answer asks for none, or something else was logged since."""
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
    """What the reading that counts decides; None when it does not verify, or anything was done since."""
    before: Reading | None = None
    """Last full reading before the post was first packed (or tightened as it stood)."""
    after: Reading | None = None
    """The reading behind `verdict`; None when the post is not verified as it stands now."""
    verifying: tuple[Reading, ...] = ()
    """Every full verifying reading since the post was set, in order, each by itself."""
    conflict: str | None = None
    """Why two crews' logs of this post do not agree, in a sentence; a later reading settles it."""
    packs_in_conflict: bool = False
    """They also say different things of what is under it: that has to be logged before it is read again."""
    last_seq: int = 0
    """Position in the log of the last event that touched the post."""
    last_time: str | None = None
    """Time of the last reading or tightening, ISO 8601 with offset (what a due list counts from)."""
    turn_deg: float | None = None
    """How far the run turns at this corner, + towards out, - towards house; None: not told."""

    # ------------------------------------------------------------ how it stands

    @property
    def counts(self) -> Reading | None:
        """The reading, or mean of readings, that counts for how the post stands now; None: there is none."""
        return None if self.changed or self.conflict or self.skipped else self.reading

    @property
    def told(self) -> tuple[tuple[Reading, str | None], ...]:
        """Every reading with why it does not count for how the post stands now; None = it counts."""
        return tuple(zip(self.readings, self.left_out or (None,) * len(self.readings), strict=True))

    @property
    def contradicted(self) -> int:
        """Readings left out because they can't be of the lean that counts."""
        return self.left_out.count(CONTRADICTS)

    @property
    def decision(self) -> Decision:
        """plumb, out, too-close; none when the post is not verified as it stands now."""
        return self.verdict.decision if self.verdict else "none"

    @property
    def probability(self) -> float | None:
        """Probability that it conforms as it stands; None when not verified, or the doubt is not known."""
        return self.verdict.probability if self.verdict else None

    @property
    def stands(self) -> Decision:
        """`decision`, and also `out` for a post that was read out of plumb and never packed."""
        if self.verdict is None and self.counts is not None and self.state in (PostState.PACK, PostState.OUT):
            return "out" if decide(self.counts, self.tolerance, self.rule).decision == "out" else "none"
        return self.decision

    @property
    def is_over(self) -> bool:
        """True when the reading that verifies shows the post over its tolerance, no margin counted."""
        lean = self.after.lean if self.after else None
        if lean is None or self.after is None:
            return False
        return self.decision == "out" or not self.tolerance.holds(lean, self.after.height_mm)

    @property
    def verified(self) -> tuple[Verified, ...]:
        """What each verifying reading decided, in order, the last as it counts now: history, no result."""
        told = [Verified(one, decide(one, self.tolerance, self.rule)) for one in self.verifying]
        if told and self.verdict is not None and self.after is not None:
            told[-1] = Verified(self.after, self.verdict)
        return tuple(told)

    @property
    def at_first_try(self) -> bool:
        """Plumb now, and proven so at once or by reading again what stood there unchanged."""
        return self.decision == "plumb" and (self.rounds <= 1 or self.verified[0].plumb)

    @property
    def handed_over(self) -> Reading | None:
        """The reading that first proved the post plumb since it was set; None when none did."""
        return next((one.reading for one in self.verified if one.plumb), None)

    @property
    def bow(self) -> Bow | None:
        """By the latest reading at half height and how the post stands; None when one is missing."""
        from shimfit.core.bow import bow_of_post

        return bow_of_post(self.readings, self.reading, self.height_mm)

    @property
    def said_of_readings(self) -> tuple[str, ...]:
        """That several readings count together, and that some were left out: a sentence's part each."""
        if self.counts is None:
            return ()
        told = [f"mean of {self.mean_of} readings"] if self.mean_of > 1 else []
        if self.contradicted:
            many = "1 reading" if self.contradicted == 1 else f"{self.contradicted} readings"
            told.append(f"{many} left out: contradicting those that count")
        return tuple(told)

    @property
    def lean_now(self) -> tuple[Lean | None, Basis]:
        """The lean as it is known now, and how it is known; (None, "unknown") when nothing tells it."""
        if self.verdict is not None and self.reading is not None:
            return self.reading.lean, "verified"
        answer = self.prescription
        followed = self.answer is not None or (self.changed is not None and self.packed_as_prescribed)
        followed = followed and self.prescription_is_current and self.conflict is None
        if followed and answer is not None and answer.resting.lean and answer.status in ("proven", "found"):
            return answer.resting.lean, "predicted" if answer.packs or answer.change else "as read"
        elsewhere = self.changed is not None and ("packed" in self.changed or "moved" in self.changed)
        if self.reading is None or self.reading.lean is None or elsewhere or self.conflict is not None:
            return None, "unknown"
        return self.reading.lean, "as read"

    # ------------------------------------------------------------ what is to be done

    @property
    def wants_answer(self) -> bool:
        """True when it stands out by the reading that counts; plumb or too close, it is not packed."""
        if self.counts is None:
            return False
        return self.verdict is None or self.verdict.decision == "out"

    @property
    def answer(self) -> Prescription | None:
        """What is to be done from here; None when nothing is, or nobody has asked.

        Never the answer to an older reading, nor to another tolerance, rule, foot, height or way of making
        packs, nor one that was carried out already.
        """
        answer = self.prescription
        if answer is None or not self.prescription_is_current or not self.wants_answer:
            return None
        asked = (answer.tolerance.per_direction, answer.height_mm, answer.post)
        if asked != (self.tolerance.per_direction, self.height_mm, self.foot):
            return None
        if self.asked is not None and (self.asked.making, self.asked.rule) != (self.making, self.rule):
            return None
        allowed = self.tolerance.allowed_slope(self.height_mm)
        same = math.isclose(answer.tolerance.allowed_slope(self.height_mm), allowed, rel_tol=1e-9)
        return answer if same else None

    def asks_again(self, here: Here) -> bool:
        """True when an answer is missing: none is there, or what it was worked out from is not so any more.

        That no pack can do it holds for the box that was asked. What one person's saw and timber allow counts
        only where the answer was worked out: another crew's answer is not asked again for being another's.
        """
        if not self.wants_answer:
            return False
        answer, asked = self.answer, self.asked
        if answer is None:
            return True
        if asked is None:
            return self.is_stuck
        if self.is_stuck and asked.box != here.box:
            return True
        return asked.log == here.log and any(here.own.get(key) != value for key, value in asked.own.items())

    @property
    def is_stuck(self) -> bool:
        """True when the answer for how it stands is that there is none."""
        return self.answer is not None and self.answer.status in ("impossible", "gave-up")

    @property
    def awaited(self) -> tuple[Pack, ...] | None:
        """Packs of an open answer that nobody logged otherwise; None when there is none to follow."""
        answer = self.answer
        if answer is None or self.is_stuck or self.state not in (PostState.PACK, PostState.OUT):
            return None
        return answer.packs if answer.packs or answer.change else None

    @property
    def going_in(self) -> Prescription | None:
        """The packs that are being put in: the answer, or what was put in and is to be tightened and read."""
        if self.answer is not None or self.prescription is None:
            return self.answer
        if self.state is not PostState.TIGHTEN or not self.packs_in_place:
            return None
        return replace(self.prescription, packs=self.packs_in_place, change=())

    @property
    def expected(self) -> Lean | None:
        """The lean that packs to go in, or in and not read since, should leave; None: there are none."""
        lean, basis = self.lean_now
        return lean if basis == "predicted" else None

    @property
    def next_step(self) -> Step:
        """What to do next, by the state alone and the answer in force."""
        match self.state:
            case PostState.PLUMB | PostState.SKIPPED:
                return "none"
            case PostState.HALF_READ:
                return "read other way"
            case PostState.TO_READ:
                return "read again" if self.readings else "read"
            case PostState.TOO_CLOSE:
                return "turn level"
            case PostState.TIGHTEN:
                return "read again" if self.changed and self.tightened else "tighten"
        if self.answer is None:
            return "ask"
        if self.is_stuck:
            return "no pack"
        return "change packs" if self.answer.change else "pack"

    @property
    def why(self) -> str:
        """Why that is next, in a sentence's part; empty when there is nothing to add."""
        if self.skipped is not None:
            return f"skipped: {self.skipped}"
        if self.conflict is not None:
            return self.conflict
        if self.changed is not None:
            return f"{self.changed} since it was read"
        match self.next_step:
            case "read again":
                return next((why for why in reversed(self.left_out) if why), "")
            case "tighten":
                return "within tolerance as it stands"
            case "turn level":
                return (self.verdict.advice if self.verdict else None) or ""
            case "no pack":
                return (self.answer.why if self.answer else None) or "no pack from the box can do it"
            case "none" if self.verdict is not None:
                return "plumb"
        return ""


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
    kerf_mm: float | None = None
    """Width of the cut that the saw in use makes; None = the default."""
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

    @property
    def making(self) -> Making:
        """How packs are made in it."""
        return Making(self.layout, self.preload_mm, self.kerf_mm)

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

    @property
    def faces(self) -> dict[Face, str]:
        """What the run calls its four faces."""
        return {face: face.value for face in Face} | {Face(face): name for face, name in self.face_names}

    @property
    def tally(self) -> Counter[Decision]:
        """Posts by how they stand: proven plumb, out (read out and never packed too), too-close, none."""
        return Counter(post.stands for post in self.posts)


def standing_json(post: PostRecord) -> dict[str, Any]:
    """How a post stands, in the keys that the record, `run show`, `read` and what is done at a post share.

    `mean_of`: whole readings that count, 0 when none does; `changed`: what was done since it was read.
    """
    return {
        "state": str(post.state),
        "decision": post.decision,
        "probability": post.probability,
        "stands": post.stands,
        "next": post.next_step,
        "why": post.why,
        "changed": post.changed,
        "mean_of": post.mean_of if post.counts else 0,
    }


CONTRADICTS = "contradicts the readings that count"
CREWS_DISAGREE = "crews logged it that did not know of each other"
READ_AGAIN = "read again since"
HALF = "half: the other way is not read with it"
HALF_SINCE = "read again since, one way so far"
SKIPPED = "the post was skipped since"
MID = "at half height: it shows the bow"


class Logged(Protocol):
    """What the builder asks of an event of the log (`store.events.Event`, which lies above this room)."""

    @property
    def seq(self) -> int:
        """Position in this file."""

    @property
    def id(self) -> str:
        """Unique over all logs."""

    @property
    def log(self) -> str:
        """Id of the log that wrote it first."""

    @property
    def kind(self) -> str:
        """What happened."""

    @property
    def time(self) -> str:
        """ISO 8601 with offset."""

    @property
    def by(self) -> str | None:
        """Who logged it."""


class PostBuilder:
    """State of one post, brought forward by `add`; `record` costs the post's own history only."""

    def __init__(self, added: Logged, data: dict[str, Any]) -> None:
        self.name: str = data["name"]
        self.leg: int = data["leg"]
        self.station_mm = float(data["station_mm"])
        self._kind: PostKind = data.get("kind", "line")
        self._foot = _maybe(contract.foot_from_json, data.get("foot"))
        self._height_mm = _maybe(float, data.get("height_mm"))
        self._tolerance = _maybe(contract.tolerance_from_json, data.get("tolerance"))
        self._turn_deg = _maybe(float, data.get("turn_deg"))
        self._readings: list[Reading] = []
        self._left_out: list[str | None] = []
        self._half: tuple[Reading, int] | None = None
        self._group: list[tuple[Reading, tuple[int, ...]]] = []
        """Whole readings of the post as it stands, with the places of their parts in `_readings`."""
        self._reading: Reading | None = None
        self._mean_of = 1
        self._verifies = False
        self._answer: _Answer | None = None
        self._answer_is_current = False
        self._packs: list[dict[str, Any]] = []
        """Rows of what is in place; made into packs when somebody looks."""
        self._as_prescribed: bool | None = None
        self.packs_by: str | None = None
        """Id of the event that says what is under the post; None: nothing was packed."""
        self._packed_since_answer = False
        self._work: list[str] = []
        """What was done to it since the latest reading, in words."""
        self._set_up = False
        """An answer was given, packs went in or it was tightened: the next reading verifies."""
        self._round_open = False
        """Something was done, or asked for, since the last verifying reading."""
        self._tightened = False
        self._torque_nm: float | None = None
        self._trimmed = False
        self._notes: list[Note] = []
        self._photos: list[str] = []
        self._skipped: str | None = None
        self._rounds = 0
        self._before: Reading | None = None
        self._verifying: list[Reading] = []
        self._conflict: str | None = None
        self._packs_in_conflict = False
        self._last_seq = added.seq
        self._last_time: str | None = None
        self._done: tuple[Any, PostRecord] | None = None

    def add(self, event: Logged, data: dict[str, Any]) -> None:
        """Bring the state forward by one event of this post and its checked data."""
        self._done = None
        self._last_seq = max(self._last_seq, event.seq)
        match event.kind:
            case "reading":
                self._read(event, data)
            case "prescribed":
                self._prescribe(event, data)
            case "packed":
                self._pack(event, data)
            case "tightened":
                self._tighten(event, data)
            case "trimmed":
                self._trim(event)
            case "skipped":
                self._skipped = data["why"]
            case "noted":
                self._notes.append(Note(data["text"], event.time, event.by, event.id))
            case "photo":
                self._photos.append(data["file"])
            case "post-moved":
                self._move(data)

    @property
    def is_set_up(self) -> bool:
        """The next reading verifies, as far as the log knows."""
        return self._set_up

    @property
    def is_in_conflict(self) -> bool:
        """Crews' logs of this post do not agree."""
        return self._conflict is not None

    def disagree(self, event: Logged, why: str, *, packs: bool) -> None:
        """Crews' logs of this post do not agree: nobody is taken to have followed an answer."""
        self._done = None
        self._conflict = why
        self._packs_in_conflict = self._packs_in_conflict or packs
        self._last_seq = max(self._last_seq, event.seq)
        self._half = None
        self._group = []
        if not self._packed_since_answer:
            self._answer = None
            self._set_up = bool(self._work) or self._tightened or self.packs_by is not None
            self._round_open = self._round_open and self._set_up
        self._answer_is_current = False
        self._leave_out(CREWS_DISAGREE)

    def set_aside(self, event: Logged, data: dict[str, Any]) -> None:
        """Keep what another crew logged without knowing of this one: shown, and decides nothing."""
        self._done = None
        self._last_seq = max(self._last_seq, event.seq)
        if event.kind == "reading":
            reading = contract.reading_from_json(data, by=event.by, time=event.time, event=event.id)
            self._readings.append(reading)
            self._left_out.append(MID if reading.stage == "mid" else CREWS_DISAGREE)
        elif event.kind in ("noted", "photo"):
            self.add(event, data)

    def record(
        self, foot: Foot, height_mm: float, tolerance: Tolerance, rule: Rule, making: Making
    ) -> PostRecord:
        """Frozen value, with the run's foot, height and tolerance where the post has none of its own."""
        defaults = (foot, height_mm, tolerance, rule, making)
        if self._done is None or self._done[0] != defaults:
            self._done = (defaults, self._record(*defaults))
        return self._done[1]

    # ------------------------------------------------------------ events

    def _read(self, event: Logged, data: dict[str, Any]) -> None:
        reading = contract.reading_from_json(data, by=event.by, time=event.time, event=event.id)
        here = len(self._readings)
        self._readings.append(reading)
        self._left_out.append(MID if reading.stage == "mid" else None)
        if reading.stage == "mid":
            return
        self._last_time = event.time
        self._skipped = None
        if not self._packs_in_conflict:
            self._conflict = None
        if reading.stage == "bed":
            self._begin_afresh()
        if self._answer_is_current or self._round_open or not self._verifies or not self._alike(reading):
            # Something was done, or asked for, since: what was read before is of another lean.
            self._group = []
        half, self._half = self._half, None
        whole = completed(half[0] if half else None, reading)
        if whole is None:
            self._leave_out(HALF_SINCE)
            self._left_out[here] = HALF
            self._half = (reading, here)
            self._reading = None
            self._answer_is_current = False
            self._work = []
            return
        parts = (here,) if half is None or whole is reading else (half[1], here)
        self._read_whole(whole, parts)

    def _read_whole(self, reading: Reading, parts: tuple[int, ...]) -> None:
        self._group.append((reading, parts))
        self._verifies = reading.stage in ("verify", "rails-on") or self._set_up
        if self._verifies:
            self._verifying.append(reading)
            if self._round_open and reading.stage != "rails-on":
                self._rounds += 1
            self._round_open = False
            if self._put_in_as_prescribed(reading.event):
                self._leave_out("before it was packed")
            self._tightened = True
        self._leave_out(READ_AGAIN)
        self._count()
        if not self._verifies:
            self._before = self._reading
        self._answer_is_current = False
        self._work = []

    def _count(self) -> None:
        """The mean of the readings in the group that can be of the lean that was read last."""
        last = self._group[-1][0]
        agreeing = [one for one in self._group if one[0] is last or _agree(one[0], last)]
        self._reading = together([reading for reading, _ in agreeing])
        self._mean_of = 1 if self._reading is last else len(agreeing)
        counted = agreeing if self._mean_of > 1 else self._group[-1:]
        for one in self._group:
            why = None if one in counted else CONTRADICTS if one not in agreeing else READ_AGAIN
            for place in one[1]:
                self._left_out[place] = why

    def _leave_out(self, why: str) -> None:
        self._left_out = [why if one in (None, CONTRADICTS) else one for one in self._left_out]

    def _alike(self, reading: Reading) -> bool:
        """Taken like the readings before it, so that they count together."""
        if not self._group or reading.stage == "bed":
            return False
        last = self._group[-1][0]
        # A reading whose zero nobody had found is no repeat of one whose zero is known.
        return (last.stage, last.height_mm, last.instrument, last.zero_found) == (
            reading.stage,
            reading.height_mm,
            reading.instrument,
            reading.zero_found,
        )

    def _put_in_as_prescribed(self, by: str | None) -> bool:
        """A reading after an answer says that it was followed, unless something else was logged.

        An answer that no pack can do it shows the best there is, and nobody is asked to put that in.
        """
        answer = self._answer
        if answer is None or not self._is_open:
            return False
        self._packs = answer.packs
        self.packs_by = by
        self._as_prescribed = True
        self._packed_since_answer = True
        self._trimmed = False
        return True

    @property
    def _is_open(self) -> bool:
        """The latest answer is still to be followed, as far as the log knows."""
        answer = self._answer
        if answer is None or self._packed_since_answer:
            return False
        return answer.asks_for_something and answer.can_be_followed

    def _prescribe(self, event: Logged, data: dict[str, Any]) -> None:
        self._answer = answer = _Answer(event, data)
        self._answer_is_current = True
        self._packed_since_answer = False
        if answer.can_be_followed:
            self._set_up = True
            self._round_open = self._round_open or not self._verifies or answer.asks_for_something
        elif not self._packs and not self._tightened and not self._work:
            # What was asked for before is taken back, as by a plan that has no pieces left for this post.
            self._set_up = self._round_open = False

    def _pack(self, event: Logged, data: dict[str, Any]) -> None:
        self._packs = data["packs"]
        self.packs_by = event.id
        self._as_prescribed = bool(data.get("as_prescribed", False))
        self._packed_since_answer = True
        self._conflict = None
        self._packs_in_conflict = False
        self._tightened = False
        self._trimmed = False
        self._work_done("packed")

    def _tighten(self, event: Logged, data: dict[str, Any]) -> None:
        packed = self._put_in_as_prescribed(event.id)
        self._tightened = True
        self._torque_nm = _maybe(float, data.get("torque_nm"))
        self._last_time = event.time
        self._work_done(*(["packed"] if packed else []), "tightened")

    def _trim(self, event: Logged) -> None:
        """Cutting flush can move a pack: the verifying reading comes after it. It is no round of its own."""
        packed = self._put_in_as_prescribed(event.id)
        self._trimmed = True
        if self._packs:
            self._work_done(*(["packed"] if packed else []), "cut flush", opens_round=packed)

    def _work_done(self, *what: str, opens_round: bool = True) -> None:
        self._set_up = True
        self._work += [one for one in what if one not in self._work]
        self._round_open = self._round_open or opens_round
        self._skipped = None
        self._half = None
        self._group = []
        self._leave_out(f"before it was {what[0]}")

    def _move(self, data: dict[str, Any]) -> None:
        """At another mark every reading is of another place; packs that are in go with the post."""
        before = self.station_mm, self.leg
        self.station_mm = float(data["station_mm"])
        self.leg = data.get("leg", self.leg)
        if before == (self.station_mm, self.leg) or not self._readings:
            return
        if self._packs or self._verifies or self._work:
            self._work_done("moved", opens_round=False)
            return
        self._half = self._reading = self._answer = self._before = None
        self._answer_is_current = self._set_up = self._round_open = False
        self._leave_out("before it was moved")

    def _begin_afresh(self) -> None:
        """The bed was read, so no post stands there and nothing is packed."""
        self._half = None
        self._answer = None
        self._packs = []
        self._as_prescribed = None
        self.packs_by = None
        self._set_up = self._round_open = self._tightened = self._trimmed = False
        self._verifies = False
        self._verifying = []
        self._torque_nm = None
        self._conflict = None
        self._packs_in_conflict = False

    # ------------------------------------------------------------ frozen value

    def _record(
        self, foot: Foot, height_mm: float, tolerance: Tolerance, rule: Rule, making: Making
    ) -> PostRecord:
        own = self._tolerance or tolerance
        verdict = None
        counts = not (self._work or self._conflict or self._skipped)
        if counts and self._verifies and self._reading is not None:
            verdict = decide(self._reading, own, rule)
        answer = self._answer
        prescription = None if answer is None else answer.prescription
        post = PostRecord(
            name=self.name,
            leg=self.leg,
            station_mm=self.station_mm,
            kind=self._kind,
            turn_deg=self._turn_deg,
            foot=self._foot or foot,
            height_mm=self._height_mm or height_mm,
            tolerance=own,
            rule=rule,
            making=making,
            readings=tuple(self._readings),
            left_out=tuple(
                SKIPPED if why is None and self._skipped is not None else why for why in self._left_out
            ),
            mean_of=self._mean_of,
            reading=None if self._conflict else self._reading,
            changed=_listed(self._work),
            prescription=prescription,
            prescription_event=None if answer is None else answer.event,
            asked=None if answer is None else answer.asked,
            prescription_is_current=self._answer_is_current,
            packs_in_place=contract.packs_from_json(self._packs),
            half=None if self._half is None else self._half[0],
            implied=prescription.packs if prescription is not None and self._is_open else None,
            packed_as_prescribed=self._as_prescribed,
            tightened=self._tightened,
            torque_nm=self._torque_nm,
            trimmed=self._trimmed,
            notes=tuple(self._notes),
            skipped=self._skipped,
            photos=tuple(self._photos),
            rounds=self._rounds,
            verdict=verdict,
            before=self._before,
            after=None if verdict is None else self._reading,
            verifying=tuple(self._verifying),
            conflict=self._conflict,
            packs_in_conflict=self._packs_in_conflict,
            last_seq=self._last_seq,
            last_time=self._last_time,
        )
        return replace(post, state=self._state(post))

    def _state(self, post: PostRecord) -> PostState:
        if self._skipped is not None:
            return PostState.SKIPPED
        if self._conflict is not None:
            return PostState.TO_READ
        if self._work:
            return PostState.TIGHTEN
        if self._reading is None:
            return PostState.HALF_READ if self._half else PostState.TO_READ
        if post.verdict is not None:
            return _STATES[post.verdict.decision]
        answer = post.answer
        if answer is None:
            return PostState.PACK
        if answer.status == "impossible":
            return PostState.OUT
        follow = answer.packs or answer.change or answer.status == "gave-up"
        return PostState.PACK if follow else PostState.TIGHTEN


class _Answer:
    """An answer as logged; read back whole only when somebody looks at it."""

    def __init__(self, event: Logged, told: Mapping[str, Any]) -> None:
        self.event = event.id
        self.asked = _maybe(lambda asked: _asked(asked, event.log), told.get("asked"))
        data = told["answer"]
        self.can_be_followed = data["status"] in ("proven", "found")
        self.packs: list[dict[str, Any]] = data["packs"]
        self.asks_for_something = bool(self.packs or data.get("change")) or not self.can_be_followed
        self._data = data

    @property
    def prescription(self) -> Prescription:
        return contract.prescription_from_json(self._data)


def _asked(told: Mapping[str, Any], log: str) -> Asked:
    making = Making(told["layout"], _maybe(float, told["preload_mm"]), _maybe(float, told["kerf_mm"]))
    return Asked(making, told["rule"], told["box"], told["own"], log)


_STATES = {
    "plumb": PostState.PLUMB,
    "out": PostState.OUT,
    "too-close": PostState.TOO_CLOSE,
    "none": PostState.TIGHTEN,
}


# ---------------------------------------------------------------- readings


def decide(reading: Reading, tolerance: Tolerance, rule: Rule) -> Verdict:
    """Verdict on a reading; its decision is `none` when one direction was not read."""
    from shimfit.core import uncertainty  # no run needs it before a post was read again

    return uncertainty.decide(reading, tolerance, rule)


def together(readings: Sequence[Reading]) -> Reading:
    """Repeat readings of a post that nothing was changed at, as one: what they share never averages away.

    Each direction is the weighted mean with the doubt of the mean (`core.uncertainty.combine`); the rest is
    the latest reading's. The latest reading alone counts where a doubt is not known, and where the readings
    can't be of one lean (`core.uncertainty.agree`): then something moved that nobody logged.
    """
    latest = readings[-1]
    along = _mean([(one.slope_along, one.u_along, one.u_own_along) for one in readings])
    across = _mean([(one.slope_across, one.u_across, one.u_own_across) for one in readings])
    if len(readings) < 2 or along is None or across is None:
        return latest
    return replace(
        latest,
        text="; ".join(one.text for one in readings),
        slope_along=along[0],
        slope_across=across[0],
        u_along=along[1],
        u_across=across[1],
        u_own_along=None,
        u_own_across=None,
    )


def _agree(one: Reading, last: Reading) -> bool:
    """True when both can be of one lean; also where a doubt is not known: nothing speaks against it then."""
    from shimfit.core.uncertainty import agree

    def parts(reading: Reading) -> list[tuple[float | None, float | None]]:
        return [
            (reading.slope_along, reading.u_own_along or reading.u_along),
            (reading.slope_across, reading.u_own_across or reading.u_across),
        ]

    for (slope, u), (slope_last, u_last) in zip(parts(one), parts(last), strict=True):
        if slope is None or slope_last is None or u is None or u_last is None:
            continue
        if not agree([slope, slope_last], [u, u_last]):
            return False
    return True


def _mean(
    parts: Sequence[tuple[float | None, float | None, float | None]],
) -> tuple[float, float] | None:
    """(slope, u) of one direction; an own part that is not told counts as shared by all readings."""
    from shimfit.core.uncertainty import Term, agree, combine

    known = [(slope, u, own or 0.0) for slope, u, own in parts if slope is not None and u is not None]
    if len(known) != len(parts) or not agree(
        [slope for slope, _, _ in known], [own or u for _, u, own in known]
    ):
        return None
    shared = max(math.sqrt(max(0.0, u * u - own * own)) for _, u, own in known)
    mean = combine([slope for slope, _, _ in known], [own for _, _, own in known], [Term("accuracy", shared)])
    return mean.slope, mean.u


def completed(half: Reading | None, reading: Reading) -> Reading | None:
    """The reading when it is full, or when it completes a half one that came just before; else None."""
    if reading.lean is not None:
        return reading
    if half is None or half.stage != reading.stage or half.height_mm != reading.height_mm:
        return None
    one = half if half.slope_along is not None else reading
    other = reading if one is half else half
    if one.slope_along is None or other.slope_across is None:
        return None
    return replace(
        reading,
        text=f"{half.text}; {reading.text}",
        slope_along=one.slope_along,
        u_along=one.u_along,
        slope_across=other.slope_across,
        u_across=other.u_across,
        rocks=half.rocks + reading.rocks,
    )


def _listed(words: Sequence[str]) -> str | None:
    """`packed, tightened and cut flush`; None for nothing."""
    return " and ".join(part for part in (", ".join(words[:-1]), *words[-1:]) if part) or None


def _maybe(make: Callable[[Any], Any], value: Any) -> Any:
    return None if value is None else make(value)
