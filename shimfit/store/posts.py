"""One post, worked out event by event: what it stands on, how it was read, what to do next.

The builder is changed inside; `record` hands out a frozen value and costs the post's own history only.

Three questions decide the state. Is the latest reading one that verifies (made after the post was set up:
an answer was given, packs went in, or it was tightened)? Was anything done to the post since? What does the
latest answer ask for? A reading of the bed begins afresh: no post stands there.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from shimfit import contract
from shimfit.model import PostState
from shimfit.store.judge import state_of, together, verdict_on
from shimfit.store.shapes import number
from shimfit.store.state import Note, PostRecord

if TYPE_CHECKING:
    from shimfit.model import Foot, Prescription, Reading, Tolerance, Verdict
    from shimfit.store.events import Event
    from shimfit.store.state import PostKind, Rule


class PostBuilder:
    """State of one post, brought forward by `add`."""

    def __init__(self, added: Event, data: dict[str, Any]) -> None:
        self.name: str = data["name"]
        self.leg: int = data["leg"]
        self.station_mm = float(data["station_mm"])
        self._kind: PostKind = data.get("kind", "line")
        self._foot = _maybe(contract.foot_from_json, data.get("foot"))
        self._height_mm = number(data.get("height_mm"))
        self._tolerance = _maybe(contract.tolerance_from_json, data.get("tolerance"))
        self._turn_deg = number(data.get("turn_deg"))
        self._readings: list[Reading] = []
        self._half: Reading | None = None
        self._reading: Reading | None = None
        self._verifies = False
        self._answer: _Answer | None = None
        self._answer_is_current = False
        self._packs: list[dict[str, Any]] = []
        """Rows of what is in place; made into packs when somebody looks."""
        self._as_prescribed: bool | None = None
        self._packed_since_answer = False
        self._touched = False
        """Packed or tightened since the latest reading."""
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
        self._repeats: tuple[Reading, ...] = ()
        self._rounds = 0
        self._before: Reading | None = None
        self._after: Reading | None = None
        self._conflict: str | None = None
        self._packs_in_conflict = False
        self._last_seq = added.seq
        self._last_time: str | None = None
        self._done: tuple[Any, PostRecord] | None = None

    def add(self, event: Event, data: dict[str, Any]) -> None:
        """Bring the state forward by one event of this post and its checked data."""
        self._done = None
        self._last_seq = max(self._last_seq, event.seq)
        match event.kind:
            case "reading":
                self._read(event, data)
            case "prescribed":
                self._prescribe(event, data)
            case "packed":
                self._pack(data)
            case "tightened":
                self._tighten(event, data)
            case "trimmed":
                self._trimmed = True
            case "skipped":
                self._skipped = data["why"]
            case "noted":
                self._notes.append(Note(data["text"], event.time, event.by, event.id))
            case "photo":
                self._photos.append(data["file"])
            case "post-moved":
                self.station_mm = float(data["station_mm"])
                self.leg = data.get("leg", self.leg)

    def disagree(self, event: Event, why: str, *, packs: bool) -> None:
        """Two crews' logs of this post do not agree."""
        self._done = None
        self._conflict = why
        self._packs_in_conflict = packs
        self._last_seq = max(self._last_seq, event.seq)

    def record(self, foot: Foot, height_mm: float, tolerance: Tolerance, rule: Rule) -> PostRecord:
        """Frozen value, with the run's foot, height and tolerance where the post has none of its own."""
        defaults = (foot, height_mm, tolerance, rule)
        if self._done is None or self._done[0] != defaults:
            self._done = (defaults, self._record(*defaults))
        return self._done[1]

    # ------------------------------------------------------------ events

    def _read(self, event: Event, data: dict[str, Any]) -> None:
        reading = contract.reading_from_json(data, by=event.by, time=event.time, event=event.id)
        self._readings.append(reading)
        if reading.stage == "mid":
            return
        self._last_time = event.time
        self._skipped = None
        if not self._packs_in_conflict:
            self._conflict = None
        if reading.stage == "bed":
            self._begin_afresh()
        nothing_changed = self._verifies and not (
            self._touched or self._round_open or self._answer_is_current
        )
        whole = _completed(self._half, reading)
        self._half = reading if whole is None else None
        if whole is not None:
            alike = nothing_changed and self._alike(whole)
            self._repeats = (*self._repeats, whole) if alike else (whole,)
            whole = together(self._repeats)
        self._reading = whole
        self._answer_is_current = False
        self._touched = False
        if whole is not None:
            self._read_whole(whole)

    def _alike(self, reading: Reading) -> bool:
        """Taken like the readings before it, so that they count together."""
        last = self._repeats[-1] if self._repeats else None
        if last is None or reading.stage == "bed":
            return False
        # A reading whose zero nobody had found is no repeat of one whose zero is known.
        return (last.stage, last.height_mm, last.instrument, last.zero_found) == (
            reading.stage,
            reading.height_mm,
            reading.instrument,
            reading.zero_found,
        )

    def _read_whole(self, reading: Reading) -> None:
        self._verifies = reading.stage in ("verify", "rails-on") or self._set_up
        if not self._verifies:
            self._before = reading
            self._after = None
            return
        self._after = reading
        if self._round_open and reading.stage != "rails-on":
            self._rounds += 1
        self._round_open = False
        self._put_in_as_prescribed()
        self._tightened = True

    def _put_in_as_prescribed(self) -> None:
        """A reading after an answer says that it was followed, unless something else was logged.

        An answer that no pack can do it shows the best there is, and nobody is asked to put that in.
        """
        answer = self._answer
        if answer is None or self._packed_since_answer or not answer.asks_for_something:
            return
        if not answer.can_be_followed:
            return
        self._packs = answer.packs
        self._as_prescribed = True
        self._packed_since_answer = True
        self._trimmed = False

    def _prescribe(self, event: Event, data: dict[str, Any]) -> None:
        self._answer = answer = _Answer(event.id, data["answer"])
        self._answer_is_current = True
        self._packed_since_answer = False
        if answer.can_be_followed:
            self._set_up = True
            self._round_open = self._round_open or not self._verifies or answer.asks_for_something
        elif not self._packs and not self._tightened and not self._touched:
            # What was asked for before is taken back, as by a plan that has no pieces left for this post.
            self._set_up = self._round_open = False

    def _pack(self, data: dict[str, Any]) -> None:
        self._packs = data["packs"]
        self._as_prescribed = bool(data.get("as_prescribed", False))
        self._packed_since_answer = True
        self._conflict = None
        self._packs_in_conflict = False
        self._tightened = False
        self._trimmed = False
        self._work_done()

    def _tighten(self, event: Event, data: dict[str, Any]) -> None:
        self._put_in_as_prescribed()
        self._tightened = True
        self._torque_nm = number(data.get("torque_nm"))
        self._last_time = event.time
        self._work_done()

    def _work_done(self) -> None:
        self._set_up = True
        self._touched = True
        self._round_open = True
        self._skipped = None

    def _begin_afresh(self) -> None:
        """The bed was read, so no post stands there and nothing is packed."""
        self._half = None
        self._answer = None
        self._packs = []
        self._as_prescribed = None
        self._set_up = self._round_open = self._tightened = self._trimmed = False
        self._torque_nm = None
        self._conflict = None
        self._packs_in_conflict = False

    # ------------------------------------------------------------ frozen value

    def _record(self, foot: Foot, height_mm: float, tolerance: Tolerance, rule: Rule) -> PostRecord:
        own = self._tolerance or tolerance
        verdict = None
        if self._verifies and self._reading is not None:
            verdict = verdict_on(self._reading, own, rule)
        return PostRecord(
            name=self.name,
            leg=self.leg,
            station_mm=self.station_mm,
            kind=self._kind,
            turn_deg=self._turn_deg,
            foot=self._foot or foot,
            height_mm=self._height_mm or height_mm,
            tolerance=own,
            readings=tuple(self._readings),
            reading=self._reading,
            prescription=None if self._answer is None else self._answer.prescription,
            prescription_event=None if self._answer is None else self._answer.event,
            prescription_is_current=self._answer_is_current,
            packs_in_place=contract.packs_from_json(self._packs),
            packed_as_prescribed=self._as_prescribed,
            tightened=self._tightened,
            torque_nm=self._torque_nm,
            trimmed=self._trimmed,
            notes=tuple(self._notes),
            skipped=self._skipped,
            photos=tuple(self._photos),
            rounds=self._rounds,
            state=self._state(verdict),
            verdict=verdict,
            before=self._before,
            after=self._after,
            conflict=self._conflict,
            last_seq=self._last_seq,
            last_time=self._last_time,
        )

    def _state(self, verdict: Verdict | None) -> PostState:
        if self._skipped is not None:
            return PostState.SKIPPED
        if self._conflict is not None:
            return PostState.TO_READ
        if self._touched:
            return PostState.TIGHTEN
        if self._reading is None:
            return PostState.HALF_READ if self._half else PostState.TO_READ
        if verdict is not None:
            return state_of(verdict)
        if self._answer is None or not self._answer_is_current:
            return PostState.PACK
        if self._answer.status == "impossible":
            return PostState.OUT
        return PostState.PACK if self._answer.asks_for_something else PostState.TIGHTEN


class _Answer:
    """An answer as logged; read back whole only when somebody looks at it."""

    def __init__(self, event: str, data: dict[str, Any]) -> None:
        self.event = event
        self.status: str = data["status"]
        self.can_be_followed = self.status in ("proven", "found")
        self.packs: list[dict[str, Any]] = data["packs"]
        self.asks_for_something = bool(self.packs or data.get("change")) or not self.can_be_followed
        self._data = data

    @property
    def prescription(self) -> Prescription:
        return contract.prescription_from_json(self._data)


def _completed(half: Reading | None, reading: Reading) -> Reading | None:
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


def _maybe(make: Callable[[Any], Any], value: Any) -> Any:
    return None if value is None else make(value)
