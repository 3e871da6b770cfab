"""Bytes with their arrival times to what stands on the screen: the one path for live links and replays.

No port, no thread, no clock of its own: the time comes with each call.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import field, replace
from typing import TYPE_CHECKING

from shimfit.core.lean import to_degrees
from shimfit.core.sensing.mounting import AxisMap, SensorZero, zero_words
from shimfit.core.sensing.watch import Held, PostWatch, SensorErrors, Steadiness, View, WatchState, decimals
from shimfit.errors import EntryError
from shimfit.model import Face
from shimfit.quantities import shown
from shimfit.values import dataclass
from shimfit.wire.formats import Binary, Description, Modbus
from shimfit.wire.frames import FrameInput, Input, ModbusPoller, ModbusScanner
from shimfit.wire.lines import LineInput
from shimfit.wire.samples import Pace, Refusal, Sample, Tally, slopes

if TYPE_CHECKING:
    from collections.abc import Callable

    from shimfit.model import Lean


@dataclass(frozen=True, slots=True)
class ListenOptions:
    """Settings of one device. Everything has a default that works for an XDR sender."""

    description: Description | None = None
    """The format; None = find it by listening."""
    baud: int | None = None
    """The speed to use, and no other; None = the description's, or hunt where the link has a speed."""
    dtr: bool = True
    """Set DTR when opening: some native USB boards send only then; it restarts some others."""
    steadiness: Steadiness = field(default_factory=Steadiness)
    sensor_errors: SensorErrors = field(default_factory=SensorErrors)
    axis_map: AxisMap = field(default_factory=AxisMap)
    zero: SensorZero | None = None
    """What the sensor reads when plumb, taken off every sample; None = nobody has found it."""

    def sensor_errors_now(self, zero: SensorZero | None) -> SensorErrors:
        """The sensor's errors with what is known of its zero."""
        u_deg = self.sensor_errors.offset_u_deg if zero is None else zero.u_deg
        return replace(self.sensor_errors, zero_u_deg=u_deg, zero_found=zero is not None)


@dataclass(frozen=True, slots=True)
class Taken:
    """A reading that was taken by the sensor, in the post's directions."""

    lean: Lean
    u_along: float
    """Standard uncertainty of the slope along."""
    u_across: float
    largest_term: str | None
    """The largest part of the uncertainty, in words."""
    text: str
    held: Held
    """The same in the sensor's own directions, with all that is known of it."""
    zero_found: bool = True
    """False: nobody has found the sensor's zero, so this may be decided out of plumb, never plumb."""
    u_own: tuple[float, float] | None = None
    """Parts of u along and across that are new at each hold, so average away; None = not known."""


def taken_of(held: Held, axis_map: AxisMap) -> Taken:
    """A held reading in the post's directions; its text is like `0.41 ± 0.02° next, 1.20 ± 0.02° house`."""
    lean = axis_map.to_post(math.tan(math.radians(held.x_deg)), math.tan(math.radians(held.y_deg)))
    u = axis_map.u_to_post(*(one.u for one in held.budgets))
    own = axis_map.u_to_post(*(one.only("hold").u for one in held.budgets))
    words = []
    for slope, u_slope, face in zip(
        (lean.slope_along, lean.slope_across), u, (Face.NEXT, Face.OUT), strict=True
    ):
        angle_deg = to_degrees(slope)
        expanded_deg = 2 * math.degrees(u_slope) * math.cos(math.radians(angle_deg)) ** 2
        places = decimals(expanded_deg)
        towards = face if slope >= 0 else face.opposite
        words.append(f"{abs(angle_deg):.{places}f} ± {expanded_deg:.{places}f}° {towards}")
    return Taken(lean, *u, held.largest, f"{', '.join(words)} (k = 2)", held, held.zero_found, own)


@dataclass(frozen=True, slots=True)
class Snapshot:
    """All that a screen or a command needs, as of one moment."""

    state: WatchState
    words: str
    lean: Lean | None = None
    """Lean now, in the post's directions; None when nothing good is fresh."""
    age_s: float | None = None
    """Age of the newest good sample; None when none ever came."""
    good_per_s: float = 0.0
    bytes_per_s: float = 0.0
    taken: Taken | None = None
    banner: str | None = None
    """What is wrong with the link or the stream, for a line across the screen; None when all is well."""
    held_s: float = 0.0
    format: str | None = None
    baud: int | None = None
    is_open: bool = False
    description_wanted: str | None = None
    """A description to complete, when text was found whose columns the user must name."""
    zero_words: str | None = None
    """What has to be done about the sensor's zero; None while it is known and fresh."""
    zero_found: bool = True
    """False: nobody has found the zero, or it fell: the lean shown is the sensor's, not the post's."""
    knocked: bool = False
    """A moment ago it was knocked, and has come to rest where it was."""
    gave_up: bool = False
    """Bytes come, and none of them can be read at any speed or in any format that is known."""
    fell: bool = False
    """It was in free fall since the link was opened: the zero that was kept counts no more."""


_FAULTY = (WatchState.NO_DATA, WatchState.LISTENING, WatchState.STALE, WatchState.FROZEN)
RATES_OVER_S, DAMAGE_OVER_S, _NOTE_EVERY_S = 2.0, 5.0, 0.25
DAMAGE_SHARE = 0.1
STALE_S, STALE_PERIODS = 1.0, 5
_STEPS_TO_BELIEVE = 5
UNSEEN_STEP_DEG = 0.1
"""The output step until changes were seen; `doubts.step_deg` of the device states it better."""
UNREAD_S = 4.0
"""Bytes that bring nothing for so long are worded as what they look like."""
GARBAGE_BYTES = 600
"""Enough for some lines, or for frames to be found in."""
_MOST_MESSAGES = 50
_DAMAGE = (Refusal.BAD_CHECKSUM, Refusal.NO_CHECKSUM, Refusal.BAD_CRC)
_LOOKS = {
    Refusal.NO_CHECKSUM: "sentences come without their checksums: describe it with checksum = 'optional'",
    Refusal.BAD_CHECKSUM: "what comes fails its checksum: another speed, or a damaged cable",
    Refusal.BAD_CRC: "what comes fails its CRC: another speed, or a damaged cable",
    Refusal.DAMAGED_BYTE: "bytes but no lines: try another speed, or describe its binary frames",
    Refusal.TOO_LONG: "a line that never ends: try another speed, or describe its binary frames",
    Refusal.NOT_A_NUMBER: "lines come without numbers (NaN is not one): is the sensor all right?",
    Refusal.COLUMN_COUNT: "lines come with another number of columns than described",
    Refusal.OUT_OF_RANGE: "leans beyond the range: units other than described, or it lies on its side",
    Refusal.UNPAIRED: "one direction comes without the other: does the other sensor send?",
    Refusal.FIELD_COUNT: "sentences come with fields missing",
}


class Rates:
    """Counts over the last seconds."""

    def __init__(self) -> None:
        self._notes: deque[tuple[float, int, int, int]] = deque()
        self.restart()

    def restart(self) -> None:
        """Nothing comes any more; what comes next is a new beginning."""
        self._notes.clear()
        self.good_per_s = self.bytes_per_s = self.damaged_share = 0.0

    def note(self, now_s: float, tally: Tally) -> bool:
        """Keep the counts as of now, a few times a second; True when it did."""
        notes = self._notes
        if notes and 0 <= now_s - notes[-1][0] < _NOTE_EVERY_S:
            return False
        damaged = sum(tally.refused.get(reason, 0) for reason in _DAMAGE)
        notes.append((now_s, tally.bytes, tally.good, damaged))
        while notes[0][0] < now_s - DAMAGE_OVER_S:
            notes.popleft()
        from_s, received, good, _ = next(note for note in notes if note[0] >= now_s - RATES_OVER_S)
        spent_s = now_s - from_s or math.inf
        self.bytes_per_s, self.good_per_s = (tally.bytes - received) / spent_s, (tally.good - good) / spent_s
        lines_bad = damaged - notes[0][3]
        lines = tally.good - notes[0][2] + lines_bad
        self.damaged_share = lines_bad / lines if lines > 0 and lines_bad > 0 else 0.0
        return True


class Stream:
    """One inclinometer's stream, from opening to what the watch finds."""

    def __init__(
        self,
        options: ListenOptions,
        *,
        on_sample: Callable[[Sample, Sample], None] | None = None,
        polled: bool = True,
    ) -> None:
        """`on_sample` sees every good sample, as parsed and as lean with the zero taken off.

        `polled` False: Modbus answers with no word of the requests.
        """
        self._options = options
        self._on_sample = on_sample
        self.tally = Tally()
        self.messages: list[str] = []
        """Sentences for the user, oldest first, each once."""
        self.zero = options.zero
        """What is taken off; None = not found, or lost in a fall."""
        self.watch = PostWatch(options.steadiness, options.sensor_errors_now(options.zero))
        described = options.description
        self.input: Input
        """What turns bytes into samples; asks, where the format is polled, and finds out what it is."""
        if isinstance(described, Modbus):
            self.input = (ModbusPoller if polled else ModbusScanner)(described, self.tally)
        elif isinstance(described, Binary):
            self.input = FrameInput(described, self.tally)
        else:
            self.input = LineInput(described, self.tally)
        self._pace = Pace()
        self._rates = Rates()
        self._reported: tuple[float, float] | None = None
        """x and y of the newest sample, as parsed."""
        self._least_change_deg, self._changes = math.inf, 0
        """The smallest change that either axis ever made, and how many were seen."""
        self._last_good_s: float | None = None
        self._last_byte_s: float | None = None
        self._first_byte_s: float | None = None
        self._bytes_before = 0
        """Bytes that came at speeds tried before this one."""
        self._link_down: str | None = None
        self.last_taken: Held | None = None
        """The newest reading that was taken, also when the post has moved since."""
        self.fell = False
        """The sensor was in free fall: the zero that was known is not believed any more."""
        self.last: Sample | None = None
        """The newest good sample, zero taken off, as angles of lean (each tan of it is a slope)."""

    # ---------------------------------------------------------------- what happens to the link

    def opened(self, now_s: float) -> None:
        """The link is open (again): nothing is joined to what came before."""
        self.lost("link opened")
        self._link_down = self._last_byte_s = self._first_byte_s = self._last_good_s = None
        self._rates.note(now_s, self.tally)

    def lost(self, why: str) -> None:
        """The link is gone: a line under way is dropped and counted."""
        self.input.restart(lost=True)
        self._rates.restart()
        self._restart(why)
        self._link_down = why

    def _restart(self, why: str) -> None:
        self._pace.restart()
        self.watch.restart(why)
        self.last = None

    def new_speed(self) -> None:
        """Another speed is tried: what was received at the last one was garbage and counts for nothing."""
        self.input.restart(lost=False)
        self.tally.refused.clear()
        self.tally.other = 0
        self._bytes_before = self.tally.bytes

    def feed(self, now_s: float, data: bytes) -> None:
        """Bytes as they came."""
        self.tick(now_s)
        self.tally.bytes += len(data)
        self._last_byte_s = now_s
        if self._first_byte_s is None:
            self._first_byte_s = now_s
        for sample in self.input.feed(data, now_s):
            self._take(sample)
        if self.tally.falls and not self.fell:
            self.fell, self.zero = True, None
            step_deg = self.watch.sensor_errors.step_deg
            self.watch.sensor_errors = replace(self._options.sensor_errors_now(None), step_deg=step_deg)
            self.watch.lose_hold(now_s, "the sensor fell")
            self.say("the sensor fell: its zero is not what it was")
        while self.input.news:
            self.say(self.input.news.pop(0))

    def tick(self, now_s: float) -> None:
        """Time passes: stale streams, timed-out polls and damaged stretches show."""
        self.input.check(now_s)
        if self.last is not None and now_s - self.last.time_s > self._patience_s:
            self._restart("no good sample came")
        if self._rates.note(now_s, self.tally) and self._rates.damaged_share > DAMAGE_SHARE:
            self.watch.lose_hold(now_s, "too many lines arrived damaged")

    def say(self, sentence: str) -> None:
        """Keep a sentence for the user, once."""
        if sentence not in self.messages and len(self.messages) < _MOST_MESSAGES:
            self.messages.append(sentence)

    def _take(self, sample: Sample) -> None:
        try:
            lean = slopes(sample.x_deg, sample.y_deg, elevation=self.input.elevation)
        except EntryError:
            self.tally.good -= 1
            self.tally.refuse(Refusal.OUT_OF_RANGE)
            return
        if sample.clock_jumped:
            self.say("the sensor's own clock jumped; its time starts again from here")
        self._pace.tick(sample.time_s)
        self._learn_step((sample.x_deg, sample.y_deg))
        x_deg, y_deg = map(to_degrees, (lean.slope_along, lean.slope_across))
        if self.zero is not None:
            x_deg, y_deg = x_deg - self.zero.x_deg, y_deg - self.zero.y_deg
        self._last_good_s = sample.time_s
        self.last = sample._replace(x_deg=x_deg, y_deg=y_deg)
        if self._on_sample is not None:
            self._on_sample(sample, self.last)
        self.watch.add(sample.time_s, x_deg, y_deg, moving=sample.moving, jumped=sample.clock_jumped)
        self.last_taken = self.watch.view.taken or self.last_taken

    def _learn_step(self, reported: tuple[float, float]) -> None:
        """Keep the output step among the sensor's errors: the smallest change, at least what is printed.

        Until enough changes were seen the step is not known, however many decimals are printed: a sensor that
        goes in tenths of a degree and prints three decimals sends the same number for ever, and is up to half
        a tenth off.
        """
        last, self._reported = self._reported, reported
        if self._options.sensor_errors.step_deg > 0.0:
            return
        before = (self._least_change_deg, self._changes >= _STEPS_TO_BELIEVE)
        for value, earlier in zip(reported, last or reported, strict=True):
            if value != earlier:
                self._changes += 1
                self._least_change_deg = min(self._least_change_deg, abs(value - earlier))
        known = self._changes >= _STEPS_TO_BELIEVE
        if last is None or before != (self._least_change_deg, known):
            seen_deg = self._least_change_deg if known else UNSEEN_STEP_DEG
            step_deg = max(self.input.step_deg or 0.0, seen_deg)
            if step_deg != self.watch.sensor_errors.step_deg:
                self.watch.sensor_errors = replace(self.watch.sensor_errors, step_deg=step_deg)

    # ---------------------------------------------------------------- what there is to see

    @property
    def found(self) -> bool:
        """True once the format is known and something good came in it."""
        return self.input.needs_description is not None or (
            self.input.format is not None and self.tally.good > 0
        )

    @property
    def is_garbage(self) -> bool:
        """Enough bytes came at this speed, none of them good and no line whole: it is another speed."""
        came = self.tally.bytes - self._bytes_before
        return came > GARBAGE_BYTES and not (self.found or self.tally.good or self.tally.other)

    @property
    def zero_words(self) -> str | None:
        """What has to be done about the zero; None while it is known and fresh."""
        words = zero_words(self.zero)
        return f"the sensor fell; {words}" if self.fell and words is not None else words

    @property
    def period_s(self) -> float | None:
        """Seconds from sample to sample."""
        return self._pace.period_s

    @property
    def _patience_s(self) -> float:
        return max(STALE_S, STALE_PERIODS * (self.period_s or 0.0))

    def unread_s(self, now_s: float) -> float:
        """For how long bytes have come with nothing good among them; 0 once something was."""
        if self.tally.good or self.input.needs_description is not None or self._first_byte_s is None:
            return 0.0
        return now_s - self._first_byte_s

    def snapshot(self, now_s: float) -> Snapshot:
        """All that there is to see, but for the lean now and what only the link knows."""
        view = self.view(now_s)
        return Snapshot(
            state=view.state,
            words=view.words,
            age_s=None if self._last_good_s is None else max(0.0, now_s - self._last_good_s),
            good_per_s=self._rates.good_per_s,
            bytes_per_s=self._rates.bytes_per_s,
            taken=None if view.taken is None else taken_of(view.taken, self._options.axis_map),
            banner=f"{view.state}: {view.words}" if view.state in _FAULTY else None,
            held_s=view.held_s,
            format=self.input.format,
            description_wanted=self.input.needs_description,
            zero_words=self.zero_words,
            zero_found=self.zero is not None,
            knocked=view.knocked,
            fell=self.fell,
        )

    def view(self, now_s: float) -> View:
        """State and words as of now."""
        if self._link_down is not None:
            return View(WatchState.NO_DATA, self._link_down)
        if self.input.needs_description is not None:
            text = "delimited text: say what its columns are"
            what = text if self.input.format == "text" else "binary frames: say what their values are"
            return View(WatchState.LISTENING, what)
        if self._last_good_s is None:
            finding = self.input.format is None and self.unread_s(now_s) < UNREAD_S
            if self._is_silent(now_s):
                return View(WatchState.NO_DATA, self._hint(now_s))
            return View(WatchState.LISTENING, "finding the format" if finding else self._hint(now_s))
        quiet_s = now_s - self._last_good_s
        if quiet_s > self._patience_s:
            return View(WatchState.STALE, f"NO DATA for {quiet_s:.0f} s: {self._hint(now_s)}")
        if self.input.format is None:
            return View(WatchState.LISTENING, "finding the format")
        if self._rates.damaged_share > DAMAGE_SHARE:
            share = shown.share(self._rates.damaged_share)
            return View(WatchState.MOVING, f"{share} of the lines arrive damaged")
        return self.watch.view

    def _is_silent(self, now_s: float) -> bool:
        return self._last_byte_s is None or now_s - self._last_byte_s > STALE_S

    def _hint(self, now_s: float) -> str:
        """What to look at, and what to try."""
        if self.input.no_answer is not None:
            return self.input.no_answer
        if self._is_silent(now_s):
            return "no bytes come: look at cable, power and pairing"
        tally = self.tally
        worst = max(tally.refused, key=lambda reason: tally.refused[reason], default=None)
        if worst is Refusal.NOT_ONE_G and tally.gravity_g is not None:
            return f"gravity comes out as {tally.gravity_g:.2f} g: its range or scale is another"
        if worst in _LOOKS and tally.refused[worst] > tally.other:
            return _LOOKS[worst]
        if tally.other:
            return "lines come, none with a lean: describe them (--format FILE.toml), NaN is not a number"
        return _LOOKS[Refusal.DAMAGED_BYTE]
