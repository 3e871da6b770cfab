"""One post worked out event by event into how it stands (`shimfit.standing.PostRecord`).

Three questions decide the state. Is the latest reading one that verifies (made after the post was set up: an
answer was given, packs went in, or it was tightened)? Was anything done to the post since? What does the
latest answer ask for? What was done since takes the reading's word away: a post that was packed, cut flush,
tightened or moved is to be read again, and what was decided before is history. A reading of the bed begins
afresh: no post stands there.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import cached_property
from itertools import compress
from operator import attrgetter
from typing import TYPE_CHECKING, Any

from shimfit import codec
from shimfit.model import OF_A_WAY, Foot, Pack, PostState, Prescription, Reading, Tolerance
from shimfit.standing import (
    CONTRADICTS,
    CREWS_DISAGREE,
    HALF,
    HALF_SINCE,
    MID,
    READ_AGAIN,
    SKIPPED,
    TWO_MUST_AGREE,
    Asked,
    Making,
    PostRecord,
    Score,
    decide,
    one_lean,
)
from shimfit.store.events import Event, shape_of

if TYPE_CHECKING:
    from shimfit.core.uncertainty.decision import Rule


class PostBuilder:
    """State of one post, brought forward by `add`."""

    def __init__(self, added: Event, data: Mapping[str, Any]) -> None:
        self._given: dict[str, Any] = codec.read(shape_of("post-added"), data)
        self.name: str = self._given["name"]
        self.leg: int = self._given["leg"]
        self.station_mm: float = self._given["station_mm"]
        self.readings: list[Reading] = []
        self._left_out: list[str | None] = []
        self._group: list[tuple[Reading, tuple[int, ...]]] = []
        """Whole readings of the post as it stands, with the places of their parts in `readings`."""
        self._is_counted = True
        """Which of them count is worked out; not before somebody looks: of many repeats once."""
        self._reading: Reading | None = None
        self.mean_of = 1
        self._answer_is_current = False
        self._packs_when_read: list[dict[str, Any]] = []
        self._packed_since_answer = False
        self._work: list[str] = []
        """What was done to it since the latest reading, in words."""
        self.notes: list[str] = []
        self.photos: list[str] = []
        self.skipped: str | None = None
        self.rounds = 0
        self._tried: list[tuple[_Answer, Reading]] = []
        """Answers that were followed, each with the first reading after it."""
        self.before: Reading | None = None
        self.last_seq = added.seq
        self.last_time: str | None = None
        self._begin_afresh()

    def _begin_afresh(self) -> None:
        """Nothing is packed; also when the bed was read, so that no post stands there."""
        self._half: tuple[Reading, int] | None = None
        self._before_half: list[tuple[Reading, tuple[int, ...]]] = []
        """The group that counted before the half was read: with its other way it may be a repeat of that."""
        self._answer: _Answer | None = None
        self._put_in_for: _Answer | None = None
        """What the packs in place were put in for, until they are read."""
        self._packs: list[dict[str, Any]] = []
        """Rows of what is in place; made into packs when somebody looks."""
        self._as_prescribed: bool | None = None
        self.packs_by: str | None = None
        """Id of the event that says what is under the post; None: nothing was packed."""
        self.set_up = False
        """An answer was given, packs went in or it was tightened: the next reading verifies."""
        self._round_open = False
        """Something was done, or asked for, since the last verifying reading."""
        self.tightened = self.trimmed = self._verifies = self.packs_in_conflict = False
        self.verifying: list[Reading] = []
        self.torque_nm: float | None = None
        self.conflict: str | None = None

    def add(self, event: Event, data: Mapping[str, Any]) -> None:
        """Bring the state forward by one event of this post and its checked data.

        Kinds that are not named say nothing of how it stands.
        """
        self.last_seq = max(self.last_seq, event.seq)
        match event.kind:
            case "reading":
                self._read(event, data)
            case "prescribed":
                self._prescribe(_Answer(event, data))
            case "packed":
                self._pack(event, data)
            case "tightened":
                packed = self._put_in_as_prescribed(event, data)
                self.tightened = True
                torque_nm = data.get("torque_nm")
                self.torque_nm = None if torque_nm is None else float(torque_nm)
                self.last_time = event.time
                self._work_done(*(["packed"] if packed else []), "tightened")
            case "trimmed":
                packed = self._put_in_as_prescribed(event, data)
                self.trimmed = True
                # Cutting flush can move a pack, so it is read again after it; it is no round by itself.
                if self._packs:
                    self._work_done(*(["packed"] if packed else []), "cut flush", opens_round=packed)
            case "post-moved":
                self._move(data)
            case "skipped":
                self.skipped = data["why"]
            case "noted":
                self.notes.append(data["text"])
            case "photo":
                self.photos.append(data["file"])

    def disagree(self, event: Event, why: str, *, packs: bool) -> None:
        """Crews' logs of this post do not agree: nobody is taken to have followed an answer."""
        self._end_group()
        self.conflict = why
        self.packs_in_conflict = self.packs_in_conflict or packs
        self._put_in_for = None
        self.last_seq = max(self.last_seq, event.seq)
        self._half = None
        if not self._packed_since_answer:
            self._answer = None
            self.set_up = bool(self._work) or self.tightened or self.packs_by is not None
            self._round_open = self._round_open and self.set_up
        self._answer_is_current = False
        self._leave_out(CREWS_DISAGREE)

    def set_aside(self, event: Event, data: Mapping[str, Any]) -> None:
        """Keep what another crew logged without knowing of this one: it decides only where it stands."""
        self.last_seq = max(self.last_seq, event.seq)
        if event.kind == "reading":
            reading = codec.from_json(Reading, data, by=event.by, time=event.time, event=event.id)
            self.readings.append(reading)
            self._left_out.append(MID if reading.stage == "mid" else CREWS_DISAGREE)
        elif event.kind in ("noted", "photo"):
            self.add(event, data)
        elif event.kind == "post-moved":  # where it stands, whoever packed it: the later of two stands
            self.station_mm, self.leg = float(data["station_mm"]), data.get("leg", self.leg)

    # ------------------------------------------------------------ events

    def _read(self, event: Event, data: Mapping[str, Any]) -> None:
        reading = codec.from_json(Reading, data, by=event.by, time=event.time, event=event.id)
        here = len(self.readings)
        self.readings.append(reading)
        self._left_out.append(MID if reading.stage == "mid" else None)
        if reading.stage == "mid":
            return
        self.last_time = event.time
        self.skipped = None
        if not self.packs_in_conflict:
            self.conflict = None
        again = bool(data.get("again"))
        if self._half is None:
            self._before_half = self._group
        elif again and self._before_half:  # of the kind that it repeats, and so is a half that it completes
            self._group, at = self._before_half, self._half[1]
            of = self._group[-1][0].stage
            for place in (at, here) if reading.lean is None else (here,):
                self.readings[place] = replace(self.readings[place], stage="stood" if of == "bed" else of)
            reading, self._half = self.readings[here], (self.readings[at], at)
        asked_for = self._answer_is_current or self._round_open or not self._verifies
        if (asked_for and not again) or not self._alike(reading):
            # Something was done, or asked for, since: what was read before is of another lean.
            self._end_group()
        if reading.stage == "bed":
            self._begin_afresh()
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
        self._group.append((whole, parts))
        if not again:  # packs that were asked for are not in yet: no round is over
            self._verifies = whole.stage in ("verify", "rails-on") or self.set_up
        if self._verifies:
            self.verifying.append(whole)
        if self._verifies and not again:
            if self._round_open and whole.stage != "rails-on":
                self.rounds += 1
            self._round_open = False
            if self._put_in_as_prescribed(event, data):
                self._leave_out("before it was packed")
            self.tightened = True
            if self._put_in_for is not None:
                self._tried.append((self._put_in_for, whole))
                self._put_in_for = None
        self._packs_when_read = self._packs
        self._reading = whole
        self._is_counted = False
        if not self._verifies:
            self._count()
            self.before = self._reading
        self._answer_is_current = False
        self._work = []

    def _count(self) -> None:
        """The mean of the readings in the group that can be of the lean that was read last."""
        if self._is_counted:
            return
        self._is_counted = True
        self._leave_out(READ_AGAIN)
        whole = [reading for reading, _ in self._group]
        agrees = [reading is whole[-1] or one_lean(reading, whole[-1]) for reading in whole]
        self._reading = together(list(compress(whole, agrees)))
        self.mean_of = 1 if self._reading is whole[-1] else sum(agrees)
        for (reading, places), one in zip(self._group, agrees, strict=True):
            counts = one and (self.mean_of > 1 or reading is whole[-1])
            for place in places:
                self._left_out[place] = None if counts else READ_AGAIN if one else CONTRADICTS

    def _end_group(self) -> None:
        self._count()
        self._group = []

    @property
    def _stands_alone(self) -> bool:
        """The latest reading is denied by others, nothing was done in between, and none bears it out."""
        known = self._reading is not None and self._reading.zero_found
        return known and self.mean_of == 1 and CONTRADICTS in self._left_out

    def _leave_out(self, why: str) -> None:
        self._count()
        self._left_out = [why if one in (None, CONTRADICTS) else one for one in self._left_out]

    def _alike(self, reading: Reading) -> bool:
        """Taken like the readings before it, so that they count together."""
        # A reading whose zero nobody had found is no repeat of one whose zero is known.
        how = attrgetter("stage", "height_mm", "instrument", "zero_found")
        return bool(self._group) and reading.stage != "bed" and how(self._group[-1][0]) == how(reading)

    def _put_in_as_prescribed(self, event: Event, data: Mapping[str, Any]) -> bool:
        """What is done after an answer says that it was followed, unless something else was logged.

        An answer that no pack can do it shows the best there is, and nobody is asked to put that in.
        """
        answer = self._answer
        if answer is None or not self._is_open or data.get("follows") is False:
            return False
        self._packs = answer.packs
        self._put_in_for = answer
        self.packs_by = event.id
        self._as_prescribed = True
        self._packed_since_answer = True
        self.trimmed = False
        return True

    @property
    def _is_open(self) -> bool:
        """The latest answer is still to be followed, as far as the log knows."""
        answer = None if self._packed_since_answer else self._answer
        return answer is not None and answer.asks_for_something and answer.can_be_followed

    def _prescribe(self, answer: _Answer) -> None:
        self._answer = answer
        self._answer_is_current = True
        self._packed_since_answer = False
        if answer.can_be_followed:
            self.set_up = True
            self._round_open = self._round_open or not self._verifies or answer.asks_for_something
        elif not self._packs and not self.tightened and not self._work:
            # What was asked for before is taken back, as by a plan that has no pieces left for this post.
            self.set_up = self._round_open = False

    def _pack(self, event: Event, data: Mapping[str, Any]) -> None:
        self._packs = data["packs"]
        self.packs_by = event.id
        self._as_prescribed = bool(data.get("as_prescribed", False))
        self._put_in_for = self._answer if self._as_prescribed else None
        self._packed_since_answer = True
        self.conflict = None
        self.packs_in_conflict = self.tightened = self.trimmed = False
        self._work_done("packed")

    def _work_done(self, *what: str, opens_round: bool = True) -> None:
        self.set_up = True
        self._work += [one for one in what if one not in self._work]
        self._round_open = self._round_open or opens_round
        self.skipped = None
        self._half = None
        self._end_group()
        self._leave_out(f"before it was {what[0]}")

    def _move(self, data: Mapping[str, Any]) -> None:
        """At another mark every reading is of another place; packs that are in go with the post."""
        before = self.station_mm, self.leg
        self.station_mm = float(data["station_mm"])
        self.leg = data.get("leg", self.leg)
        if before == (self.station_mm, self.leg) or not self.readings:
            return
        self._put_in_for = None
        if self._packs or self._verifies or self._work:
            self._work_done("moved", opens_round=False)
            return
        self._end_group()
        self._half = self._reading = self._answer = self.before = None
        self._answer_is_current = self.set_up = self._round_open = False
        self._leave_out("before it was moved")

    # ------------------------------------------------------------ frozen value

    def record(
        self, foot: Foot, height_mm: float, tolerance: Tolerance, rule: Rule, making: Making
    ) -> PostRecord:
        """Frozen value, with the run's foot, height and tolerance where the post has none of its own."""
        self._count()
        given = self._given.get
        tolerance = given("tolerance") or tolerance
        verdict = None
        counts = not (self._work or self.conflict or self.skipped)
        if counts and self._reading is not None and (self._verifies or not self._reading.zero_found):
            verdict = decide(self._reading, tolerance, rule)
            if not self._verifies and verdict.decision != "too-close":
                verdict = None  # out whatever the sensor's zero is: packed as any post that was read
        if verdict is not None and verdict.decision != "out" and self._stands_alone:
            # One of the two is false, and nobody knows which: that is no proof, and no level settles it.
            verdict = replace(verdict, decision="too-close", probability=None, advice=TWO_MUST_AGREE)
        # A reading does not settle what is under the post, where two crews say different things of that.
        shut_out = SKIPPED if self.skipped is not None else CREWS_DISAGREE if self.conflict else None
        # Under another tolerance or rule it may be plumb by now: nobody is asked to put anything in.
        wanted = verdict is None or verdict.decision == "out"
        answer = self._answer
        prescription = None if answer is None else answer.prescription
        score = Score.of(answer.kept_promise(reading, rule) for answer, reading in self._tried)
        packs, then = codec.read(tuple[Pack, ...], self._packs), self._packs_when_read
        own: dict[str, Any] = {name: getattr(self, name) for name in _AS_THEY_ARE}
        own |= {name: tuple(one) for name, one in own.items() if isinstance(one, list)}
        post = PostRecord(
            **own,
            kind=given("kind", "line"),
            turn_deg=given("turn_deg"),
            foot=given("foot") or foot,
            height_mm=given("height_mm") or height_mm,
            tolerance=tolerance,
            rule=rule,
            making=making,
            left_out=tuple(shut_out if why is None else why for why in self._left_out),
            reading=None if self.conflict else self._reading,
            changed=_listed(self._work),
            prescription=prescription,
            prescription_event=None if answer is None else answer.event,
            asked=None if answer is None else answer.asked,
            prescription_is_current=self._answer_is_current,
            packs_in_place=packs,
            half=None if self._half is None else self._half[0],
            implied=prescription.packs if prescription is not None and self._is_open and wanted else None,
            packs_when_read=packs if then is self._packs else codec.read(tuple[Pack, ...], then),
            packed_as_prescribed=self._as_prescribed,
            packed_and_read=score.packed,
            said_plumb=float(score.said),
            read_plumb=score.plumb,
            verdict=verdict,
            after=None if verdict is None else self._reading,
        )
        return replace(post, state=self._state(post))

    def _state(self, post: PostRecord) -> PostState:
        if self.skipped is not None:
            return PostState.SKIPPED
        if self.conflict is not None:
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


_AS_THEY_ARE = (
    *("name", "leg", "station_mm", "mean_of", "tightened", "torque_nm", "trimmed"),
    *("skipped", "rounds", "before", "conflict", "packs_in_conflict", "last_seq", "last_time"),
    *("readings", "notes", "photos", "verifying"),
)
"""Fields of the record that stand in the builder under the same name."""


class _Answer:
    """An answer as logged; read back whole only when somebody looks at it."""

    def __init__(self, event: Event, logged: Mapping[str, Any]) -> None:
        self.event = event.id
        self.asked: Asked | None = None
        if asked := logged.get("asked"):
            making = codec.from_json(Making, asked)
            self.asked = Asked(making, asked["rule"], asked["box"], asked["own"], event.log)
        data = logged["answer"]
        self.can_be_followed = data["status"] in ("proven", "found")
        self.packs: list[dict[str, Any]] = data["packs"]
        self.asks_for_something = bool(self.packs or data.get("change")) or not self.can_be_followed
        self._data = data

    @cached_property
    def prescription(self) -> Prescription:
        return codec.prescription_from_json(self._data)

    def kept_promise(self, reading: Reading, rule: Rule) -> Score:
        """What was said of the first reading after it, and what that said, by the limit it was given for."""
        odds = self._data.get("odds")
        if odds is None or not self.packs:
            return Score()
        # Of every answer that was ever followed: the rest of it is not read for this.
        tolerance = codec.from_json(Tolerance, self._data["tolerance"])
        verdict = decide(reading, tolerance, self.asked.rule if self.asked else rule)
        return Score(1, float(odds["plumb"]), int(verdict.decision == "plumb"))


_STATES = {
    "plumb": PostState.PLUMB,
    "out": PostState.OUT,
    "too-close": PostState.TOO_CLOSE,
    "none": PostState.TIGHTEN,
}


def together(readings: Sequence[Reading]) -> Reading:
    """Repeat readings of a post that nothing was changed at, as one: what they share never averages away.

    Each direction is the weighted mean with the mean's uncertainty (`core.uncertainty.combine`); the rest is
    the latest reading's. The latest reading alone counts where an uncertainty is not known, and where they
    can't be of one lean (`core.uncertainty.agree`): then something moved that nobody logged.
    """
    latest = readings[-1]
    if len(readings) < 2:
        return latest
    means = [_mean(readings, way) for way in ("along", "across")]
    if None in means:
        return latest
    both: dict[str, Any] = {name: value for mean in means for name, value in (mean or {}).items()}
    return replace(latest, text="; ".join(one.text for one in readings), **both)


def _mean(readings: Sequence[Reading], way: str) -> dict[str, float | None] | None:
    """What the mean of several holds of one direction; None where they are not of one lean, or u is unknown.

    An own part that is not known counts as shared by all. The mean of n readings off one scale falls on marks
    an n-th as far apart, where all were read off one.
    """
    from shimfit.core.uncertainty.budget import Term, agree, combine

    slopes, us, own, steps = ([getattr(one, f"{of}_{way}") for one in readings] for of in OF_A_WAY)
    own = [part or 0.0 for part in own]
    if None in (*slopes, *us) or not agree(slopes, [part or u for part, u in zip(own, us, strict=True)]):
        return None
    shared = max(math.sqrt(max(0.0, u * u - part * part)) for part, u in zip(own, us, strict=True))
    mean = combine(slopes, own, [Term("accuracy", shared)])
    step = None if None in steps else max(steps) / len(steps)
    return {f"slope_{way}": mean.slope, f"u_{way}": mean.u, f"u_own_{way}": None, f"step_{way}": step}


def completed(half: Reading | None, reading: Reading) -> Reading | None:
    """The reading when it is full, or when it completes a half one that came just before; else None."""
    if reading.lean is not None:
        return reading
    if half is None or half.stage != reading.stage or half.height_mm != reading.height_mm:
        return None
    one, other = (half, reading) if half.slope_along is not None else (reading, half)
    if one.slope_along is None or other.slope_across is None:
        return None
    ways = [(f"{of}_{way}", which) for way, which in (("along", one), ("across", other)) for of in OF_A_WAY]
    both: dict[str, Any] = {name: getattr(which, name) for name, which in ways}
    return replace(reading, text=f"{half.text}; {reading.text}", rocks=half.rocks + reading.rocks, **both)


def _listed(words: Sequence[str]) -> str | None:
    """`packed, tightened and cut flush`; None for nothing."""
    return " and ".join(part for part in (", ".join(words[:-1]), *words[-1:]) if part) or None
