"""How a post stands now, worked out once from its events; every front reads it from here and adds nothing.

Screen, plain mode, commands, JSON, CSV, record on paper, rails, due list and statistics all take a post's
state, the reading that counts, the decision, the packs in place and what to do next from `PostRecord`.
`store.post` works it out event by event; `RunState` holds a run's posts in walking order. Signs and units are
those of `shimfit.model`. This room lies below `store`, so that nobody can get at a post without its standing.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import asdict, astuple, field, fields, replace
from functools import lru_cache
from itertools import pairwise
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Literal

from shimfit.errors import UsageError
from shimfit.model import (
    FACE_NAMES,
    Decision,
    Face,
    Foot,
    Lean,
    Lot,
    NotNegative,
    Pack,
    Positive,
    PostState,
    Prescription,
    Reading,
    Seat,
    Tolerance,
    Verdict,
)
from shimfit.values import dataclass

if TYPE_CHECKING:
    from shimfit.core.layout import Mark
    from shimfit.core.lean import Bow
    from shimfit.core.uncertainty.decision import Rule

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
class Verified:
    """A verifying reading with what it decided."""

    reading: Reading
    verdict: Verdict

    @property
    def plumb(self) -> bool:
        """True when the reading proves the post plumb, uncertainty counted in."""
        return self.verdict.decision == "plumb"


@dataclass(frozen=True, slots=True)
class Score:
    """How the program's own chances came true: packs that went in as prescribed and were then read.

    Each time counts, not each post once: the last packs of a post are those that came out plumb.
    """

    packed: int = 0
    said: float = 0.0
    """Of them said to read plumb at once: the sum of the chances that were given."""
    plumb: int = 0
    """Of them read plumb at once."""

    @classmethod
    def of(cls, scores: Iterable[Score]) -> Score:
        """All of them together."""
        every = tuple(scores)
        return cls(sum(s.packed for s in every), sum(s.said for s in every), sum(s.plumb for s in every))


@dataclass(frozen=True, slots=True)
class Making:
    """How packs are made in a run: what every answer in it depends on."""

    layout: str = "corners"
    """corners, tripod or auto."""
    preload_mm: Positive | None = None
    """Clamp as the shortening of four equal seats; None = the default."""
    kerf_mm: NotNegative | None = None
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
    import hashlib

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
    packs_when_read: tuple[Pack, ...] = ()
    """What it stood on at `reading`."""
    packed_as_prescribed: bool | None = None
    """None: no packs in place. True also when a reading after the prescription implied it."""
    tightened: bool = False
    """Tightened since the packs went in, as logged or as a verifying reading implied."""
    torque_nm: float | None = None
    """Torque of the last tightening; None = not said."""
    trimmed: bool = False
    """Packs cut flush since they went in."""
    notes: tuple[str, ...] = ()
    """Sentences that somebody left at the post."""
    skipped: str | None = None
    """Why the post was skipped; None when it was not, or was taken up again."""
    photos: tuple[str, ...] = ()
    """File names as given."""
    rounds: int = 0
    """Times that the post was packed (or tightened) and then read: 1 = plumb at first try, if plumb."""
    packed_and_read: int = 0
    """Times that it was packed as prescribed, with a chance given, and then read: see `Score`."""
    said_plumb: float = 0.0
    read_plumb: int = 0
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
    """How far the run turns at this corner, + towards out, - towards house; None: not known."""
    _whole: Callable[[], PostRecord] | None = field(default=None, init=False, repr=False, compare=False)
    """Where the rest of the post is, when only its brief is here; see `from_brief`."""

    if not TYPE_CHECKING:

        def __getattr__(self, name: str) -> Any:
            """What is not here yet of a post of which a brief was kept, asked for the first time."""
            whole = object.__getattribute__(self, "_whole")
            if whole is None or name not in _USUAL:
                raise AttributeError(name)
            post = whole()
            for one in _USUAL:
                object.__setattr__(self, one, getattr(post, one))
            return getattr(self, name)

    # ------------------------------------------------------------ how it stands

    @property
    def counts(self) -> Reading | None:
        """The reading, or mean of readings, that counts for how the post stands now; None: there is none."""
        return None if self.changed or self.conflict or self.skipped else self.reading

    @property
    def stood(self) -> Reading | None:
        """How it stood by its last whole reading, also while half of the next one waits for the other way."""
        return self.reading if self.half is None else (None, self.before, *self.verifying)[-1]

    @property
    def reported(self) -> tuple[tuple[Reading, str | None], ...]:
        """Every reading with why it does not count for how the post stands now; None = it counts."""
        return tuple(zip(self.readings, self.left_out or (None,) * len(self.readings), strict=True))

    @property
    def contradicted(self) -> int:
        """Readings left out because they can't be of the lean that counts."""
        return self.left_out.count(CONTRADICTS)

    @property
    def is_contradicted(self) -> bool:
        """True when one more reading must say which of two is right: neither proves the post plumb."""
        return self.verdict is not None and self.verdict.advice == TWO_MUST_AGREE

    @property
    def is_settled_by_turning(self) -> bool:
        """True where the level, or the sensor, turned end for end settles what is too close to call."""
        return "end for end" in self.why

    @property
    def decision(self) -> Decision:
        """plumb, out, too-close; none when the post is not verified as it stands now."""
        return self.verdict.decision if self.verdict else "none"

    @property
    def probability(self) -> float | None:
        """Probability that it conforms as it stands; None when not verified, or u is not known."""
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
        found = [Verified(one, decide(one, self.tolerance, self.rule)) for one in self.verifying]
        if found and self.verdict is not None and self.after is not None:
            found[-1] = Verified(self.after, self.verdict)
        return tuple(found)

    @property
    def at_first_try(self) -> bool:
        """Plumb now, and proven so at once or by reading again what stood there unchanged."""
        return self.decision == "plumb" and (self.rounds <= 1 or self.verified[0].plumb)

    @property
    def handed_over(self) -> Reading | None:
        """The reading that first proved the post plumb since it was set; None when none did."""
        return next((one.reading for one in self.verified if one.plumb), None)

    @property
    def still_handed_over(self) -> bool:
        """True for a post that was proven plumb and is not known to be out by now."""
        return self.handed_over is not None and self.stands != "out"

    @property
    def as_left(self) -> str:
        """How often it was read and how it was left, of a post that is not there any more."""
        count = len(self.readings)
        read = f"read {'once' if count == 1 else f'{count} times'}, left as: {self.state}"
        return self.conflict or (read if count else "never read")

    @property
    def bow(self) -> Bow | None:
        """By the latest reading at half height and how the post stands; None when one is missing."""
        from shimfit.core.lean import bow_of_post

        return bow_of_post(self.readings, self.reading, self.height_mm)

    @property
    def said_of_readings(self) -> tuple[str, ...]:
        """That several readings count together, and that some were left out: a sentence's part each."""
        if self.counts is None:
            return ()
        parts = [f"mean of {self.mean_of} readings"] if self.mean_of > 1 else []
        if self.contradicted and not self.is_contradicted:
            many = "1 reading" if self.contradicted == 1 else f"{self.contradicted} readings"
            parts.append(f"{many} left out: contradicting those that count")
        return tuple(parts)

    @property
    def lean_now(self) -> tuple[Lean | None, Basis]:
        """The lean as it is known now, and how it is known; (None, "unknown") when it is not known."""
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

    @property
    def lean_known(self) -> str:
        """How its lean is known, in words: `predicted`, `verified, out of plumb`."""
        return self.lean_now[1] + _BESIDE.get(self.decision, "")

    @property
    def packed_since(self) -> tuple[tuple[Pack, ...], tuple[Pack, ...]] | None:
        """(packs when it was read, packs now) once they are others where it stood; else None.

        Packs that the next reading will say went in count as in.
        """
        if self.reading is None or self.conflict is not None or "moved" in (self.changed or ""):
            return None
        now = self.packs_in_place if self.implied is None else self.implied
        return None if now == self.packs_when_read else (self.packs_when_read, now)

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
                return "read again" if self.is_contradicted else "turn level"
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
            case "read again" if self.is_contradicted:
                return TWO_MUST_AGREE
            case "read again":
                why = next((why for why in reversed(self.left_out) if why), "")
                return f"read {why}" if why.startswith("before ") else why
            case "tighten":
                return "within tolerance as it stands"
            case "turn level":
                return (self.verdict.advice if self.verdict else None) or ""
            case "no pack":
                return (self.answer.why if self.answer else None) or "no pack from the box can do it"
            case "none" if self.verdict is not None:
                return "plumb"
        return ""


Defaults = tuple["Foot", float, "Tolerance", "Rule", Making]
"""What a run says of posts that don't say it themselves: foot, reading height, tolerance, rule, making."""
_OF_RUN = ("foot", "height_mm", "tolerance", "rule", "making")
_USUAL = {each.name: each.default for each in fields(PostRecord) if each.init}


def brief_of(post: PostRecord, defaults: Defaults) -> dict[str, Any]:
    """What of a post is plain, in JSON, to be kept in a snapshot; `more` names what else there is of it.

    What is as in most posts, or as the run says, is left out. How it stands, all that a list of posts asks
    for beside, is a row of fields.
    """
    usual = _USUAL | dict(zip(_OF_RUN, defaults, strict=True))
    unusual = {name: value for name in usual if (value := getattr(post, name)) != usual[name]}
    unusual.pop("after", None)  # the reading, where there is a verdict
    plain: dict[str, Any] = {
        name: value for name, value in unusual.items() if isinstance(value, str | int | float | None)
    }
    plain |= {name: astuple(unusual[name]) for name in _ROWS if name in unusual}
    return plain | {"more": " ".join(sorted(unusual.keys() - plain.keys()))}


def _reading(row: Sequence[Any]) -> Reading:
    *plain, rocks = row
    reading = Reading(*plain)
    return replace(reading, rocks=tuple((Seat(seat), mm) for seat, mm in rocks)) if rocks else reading


_ROWS: dict[str, Callable[[Sequence[Any]], Any]] = {"reading": _reading, "verdict": lambda row: Verdict(*row)}


def from_brief(brief: dict[str, Any], defaults: Defaults, whole: Callable[[], PostRecord]) -> PostRecord:
    """The post of a brief: what it leaves out is there once somebody looks, taken from `whole` then.

    Equal to that in every way.
    """
    post = object.__new__(PostRecord)
    known: dict[str, Any] = _USUAL | dict(zip(_OF_RUN, defaults, strict=True)) | brief
    known["state"] = PostState(known["state"])
    known |= {name: read(known[name]) for name, read in _ROWS.items() if name in brief}
    known["after"] = known["reading"] if known["verdict"] else None
    for name in known.keys() - {"more", *known["more"].split()}:
        object.__setattr__(post, name, known[name])
    object.__setattr__(post, "_whole", whole)
    return post


MOST_DAYS = 36_500
"""A hundred years: the longest interval for going back to a post."""


def check_due_days(days: int | None) -> None:
    """Raise UsageError for an interval that no calendar holds; None: the run has none."""
    if days is not None and not 0 <= days <= MOST_DAYS:
        raise UsageError(f"posts can't be due after {days} days: give 0 or more, at most {MOST_DAYS}")


FACTS = MappingProxyType(
    {
        "customer": "customer",
        "site": "site",
        "site_address": "site's address",
        "firm": "firm",
        "firm_address": "firm's address",
        "weather": "weather",
        "temperature": "temperature",
        "moisture": "timber's moisture",
    }
)
"""What a record says of a job beside its readings, each with its name: typed, none is needed."""


@dataclass(frozen=True, slots=True)
class Issue:
    """A record of the run that was given out."""

    time: str
    """ISO 8601 with offset."""
    number: str = ""
    by: str | None = None
    why: str = ""
    """Why it was issued anew; empty for the first."""
    replaces: str = ""
    """Figure of the record that it replaces, as printed on that; empty for the first."""
    changed: tuple[str, ...] = ()
    """Posts whose rows are not those of the record that it replaces."""
    beside: tuple[str, ...] = ()
    """Records that another crew issued, which it replaces too, in words."""
    seq: int = 0
    """Position in the log of its event."""
    log: str = ""
    """Id of the log that it was issued from."""

    @property
    def called(self) -> str:
        """`001 by crew north, 2026-05-12`."""
        return f"{self.number or 'without a number'} by {self.by or 'one crew'}, {self.time[:10]}"


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
    making: Making = Making()
    """How packs are made in it."""
    due_days: int | None = None
    """Days after which posts are due to be tightened and read again; None = no due list."""
    max_spacing_mm: float | None = None
    """Widest spacing of posts that was asked for; None = stations were given."""
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
    clocks_apart_s: float = 0.0
    """The most that a clock showed less than another whose log had come in, s."""
    unread: tuple[str, ...] = ()
    """Events that this version could not understand, a sentence each; they stay in the log."""
    facts: tuple[tuple[str, str], ...] = ()
    """(key of FACTS, what was typed): the job's, and over them the run's own."""
    issues: tuple[Issue, ...] = ()
    """Records of the run that were given out, in order."""
    issues_valid: tuple[Issue, ...] = ()
    """Of these, those that no later one replaces: more than one where crews issued apart."""

    def post(self, name: str) -> PostRecord | None:
        """The post of that name, or None."""
        return next((post for post in self.posts if post.name == name), None)

    @property
    def conflicts(self) -> tuple[PostRecord, ...]:
        """Posts on which two crews' logs do not agree, also those that one of them took out."""
        return tuple(post for post in (*self.posts, *self.removed) if post.conflict is not None)

    @property
    def remarks(self) -> tuple[str, ...]:
        """What to know besides its posts: crews that disagree, posts taken out, events left out."""
        there = {post.name for post in self.posts}
        called = ((f"{'an earlier ' * (one.name in there)}post {one.name}", one) for one in self.removed)
        out = (f"{name} was taken out of the run: {one.as_left}" for name, one in called)
        apart = round(self.clocks_apart_s / 3600)
        times = f"clocks were up to {apart} h apart: times are as each showed, the order is as it happened"
        valid = "; ".join(one.called for one in self.issues_valid)
        papers = f"records were issued apart: {valid}: issue one that replaces them"
        is_twice = len(self.issues_valid) > 1
        found = (
            self.conflict,
            self.crowded,
            self.spread,
            papers if is_twice else None,
            times if apart else None,
        )
        return (*filter(None, found), *out, *self.unread)

    @property
    def warning(self) -> str | None:
        """What every screen of the run warns of; None: nothing."""
        return next(filter(None, (self.conflict, *self.unread, self.spread)), None)

    @property
    def marks(self) -> tuple[Mark, ...]:
        """Where its posts stand, in walking order."""
        from shimfit.core.layout import Mark

        return tuple(Mark(one.name, one.leg, one.station_mm, one.kind, one.turn_deg) for one in self.posts)

    @property
    def feet(self) -> dict[str, Foot]:
        """The feet of its posts, by name."""
        return {post.name: post.foot for post in self.posts}

    @property
    def crowded(self) -> str | None:
        """Posts with no room between their feet, as two crews may set them, in a sentence; None: all have."""
        from shimfit.core.rails import openings, upright

        found = openings(upright(self.marks, self.foot, self.feet))
        pairs = [f"{one.first} and {one.second}" for one in found if one.widest_mm <= 0]
        return (
            f"no room between the feet of posts {', '.join(pairs)}: move one, or take it out"
            if pairs
            else None
        )

    @property
    def spread(self) -> str | None:
        """Neighbours further apart than was asked for, as a post taken out leaves them, in a sentence."""
        from shimfit.core.layout import SAME_PLACE_MM
        from shimfit.quantities import shown

        most_mm = self.max_spacing_mm
        if most_mm is None:
            return None
        apart = ((a, b, b.station_mm - a.station_mm) for a, b in pairwise(self.posts))
        wide = [
            f"{a.name} and {b.name} ({shown.tape(mm, self.units)})"
            for a, b, mm in apart
            if mm > most_mm + SAME_PLACE_MM
        ]
        asked = shown.tape(most_mm, self.units)
        which = ", ".join(wide)
        return f"posts {which} are farther apart than the {asked} asked for: see the code" if wide else None

    @property
    def left_to_do(self) -> tuple[PostRecord, ...]:
        """Posts that are neither plumb nor skipped."""
        done = (PostState.PLUMB, PostState.SKIPPED)
        return tuple(post for post in self.posts if post.state not in done)

    @property
    def faces(self) -> dict[Face, str]:
        """What the run calls its four faces."""
        return {**FACE_NAMES} | {Face(face): name for face, name in self.face_names}

    @property
    def score(self) -> Score:
        """How the chances that were given in this run came true, removed posts left out."""
        return Score.of(Score(p.packed_and_read, p.said_plumb, p.read_plumb) for p in self.posts)

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


_BESIDE = {"out": ", out of plumb", "too-close": ", too close to call"}
CONTRADICTS = "contradicts the readings that count"
TWO_MUST_AGREE = (
    "it contradicts the reading before and nothing was done in between: read once more, two that agree count"
)
CREWS_DISAGREE = "crews logged it that did not know of each other"
READ_AGAIN = "read again since"
HALF = "half: the other way is not read with it"
HALF_SINCE = "read again since, one way so far"
SKIPPED = "the post was skipped since"
MID = "at half height: it shows the bow"


def one_lean(one: Reading, other: Reading, ways: Sequence[str] = ("along", "across")) -> bool:
    """True when both can be of one lean, by their own uncertainties; also where one is not known."""
    from shimfit.core.uncertainty.budget import agree

    for way in ways:
        slopes = [getattr(reading, f"slope_{way}") for reading in (one, other)]
        us = [getattr(reading, f"u_own_{way}") or getattr(reading, f"u_{way}") for reading in (one, other)]
        if None not in (*slopes, *us) and not agree(slopes, us):
            return False
    return True


@lru_cache(maxsize=4096)
def decide(reading: Reading, tolerance: Tolerance, rule: Rule) -> Verdict:
    """Verdict on a reading; its decision is `none` when one direction was not read.

    Kept: an integral each, and a record asks for the same reading's many times.
    """
    from shimfit.core.uncertainty import decision

    return decision.decide(reading, tolerance, rule)
