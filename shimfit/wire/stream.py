"""Bytes with their arrival times to what stands on the screen: the one path for live links and replays.

No port, no thread, no clock of its own: whoever calls `opened`, `feed`, `tick` or `lost` tells the time.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from shimfit.core.steady import PostWatch, View, WatchState
from shimfit.errors import EntryError
from shimfit.wire.gauges import OutputStep, Rates
from shimfit.wire.inputs import make_input
from shimfit.wire.sample import Pace, Sample, slopes
from shimfit.wire.tally import Refusal, Tally

if TYPE_CHECKING:
    from collections.abc import Callable

    from shimfit.core.steady import Held
    from shimfit.wire.options import ListenOptions

STALE_S = 1.0
STALE_PERIODS = 5
DAMAGE_SHARE = 0.1
_MOST_MESSAGES = 50


class Stream:
    """One inclinometer's stream, from opening to whatever the watch says of it."""

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
        """Sentences for the person, oldest first, each once."""
        self.watch = PostWatch(options.steadiness, options.doubts)
        self._input = make_input(options, self.tally, polled=polled)
        self._pace = Pace()
        self._rates = Rates()
        self._step = OutputStep()
        self._last_good_s: float | None = None
        self._last_byte_s: float | None = None
        self._link_down: str | None = None
        self.last_taken: Held | None = None
        """The newest reading that was taken, also when the post has moved since."""
        self.last: Sample | None = None
        """The newest good sample, zero taken off, as angles of lean (each tan of it is a slope)."""

    # ---------------------------------------------------------------- what happens to the link

    def opened(self, now_s: float) -> None:
        """The link is open (again): nothing is joined to what came before."""
        self._restart("link opened")
        self._link_down = None
        self._last_byte_s = None
        self._last_good_s = None
        self._rates.restart()
        self._rates.note(now_s, self.tally)

    def lost(self, why: str) -> None:
        """The link is gone: a line under way is dropped and counted."""
        self._restart(why)
        self._link_down = why
        self._rates.restart()

    def end_of_bytes(self) -> None:
        """A bare file ends here: a line under way can't be told from a cut one. The state stays."""
        self._input.restart(lost=True)

    def new_speed(self) -> None:
        """Another speed is tried: what was heard at the last one was garbage and counts for nothing."""
        self._input.restart(lost=False)
        good, received = self.tally.good, self.tally.bytes
        self.tally.refused.clear()
        self.tally.other = 0
        self.tally.good, self.tally.bytes = good, received

    def feed(self, now_s: float, data: bytes) -> None:
        """Bytes as they came."""
        self.tick(now_s)
        self.tally.bytes += len(data)
        self._last_byte_s = now_s
        for sample in self._input.feed(data, now_s):
            self._take(sample)
        for sentence in self._input.news():
            self.say(sentence)

    def tick(self, now_s: float) -> None:
        """Time passes: stale streams, timed-out polls and damaged stretches show."""
        self._input.check(now_s)
        if self.last is not None and now_s - self.last.time_s > self._patience_s:
            self.watch.restart("no good sample came")
            self._pace.restart()
            self.last = None
        if self._rates.note(now_s, self.tally) and self._is_damaged:
            self.watch.lose_hold(now_s, "too many lines arrived damaged")

    # ---------------------------------------------------------------- polled formats

    def due(self, now_s: float) -> bytes | None:
        """What to send now, for a polled format; empty the link's input first."""
        return self._input.due(now_s)

    def asked(self, now_s: float) -> None:
        """A request went out (as a capture tells)."""
        self._input.asked(now_s)

    # ---------------------------------------------------------------- what there is to see

    @property
    def format(self) -> str | None:
        """`xdr`, `text` or `modbus`; None while it is being found."""
        return self._input.format

    @property
    def needs_description(self) -> str | None:
        """A description to complete, when text was found whose columns a person must name."""
        return self._input.needs_description

    @property
    def found(self) -> bool:
        """True once the format is known and something good came in it."""
        return self.needs_description is not None or (self.format is not None and self.tally.good > 0)

    def age_s(self, now_s: float) -> float | None:
        """Age of the newest good sample; None when none came since the link was opened."""
        return None if self._last_good_s is None else max(0.0, now_s - self._last_good_s)

    def rates(self) -> tuple[float, float]:
        """(good samples, bytes) a second over the last seconds."""
        return self._rates.good_per_s, self._rates.bytes_per_s

    @property
    def period_s(self) -> float | None:
        """Seconds from sample to sample."""
        return self._pace.period_s

    def view(self, now_s: float) -> View:
        """State and words as of now."""
        if self._link_down is not None:
            return View(WatchState.NO_DATA, self._link_down)
        if self.needs_description is not None:
            return View(WatchState.LISTENING, "delimited text: say what its columns are")
        if self._last_good_s is None:
            return self._nothing_yet(now_s)
        if now_s - self._last_good_s > self._patience_s:
            return View(
                WatchState.STALE, f"NO DATA for {now_s - self._last_good_s:.0f} s: {self._hint(now_s)}"
            )
        if self.format is None:
            return View(WatchState.LISTENING, "finding the format")
        if self._is_damaged:
            return View(WatchState.MOVING, f"{self._rates.damaged_share:.0%} of the lines arrive damaged")
        return self.watch.view

    def say(self, sentence: str) -> None:
        """Keep a sentence for the person, once."""
        if sentence not in self.messages and len(self.messages) < _MOST_MESSAGES:
            self.messages.append(sentence)

    # ---------------------------------------------------------------- inside

    def _restart(self, why: str) -> None:
        self._input.restart(lost=True)
        self._pace.restart()
        self.watch.restart(why)
        self.last = None

    def _take(self, sample: Sample) -> None:
        try:
            lean = slopes(sample.x_deg, sample.y_deg, elevation=self._input.elevation)
        except EntryError:
            self.tally.good -= 1
            self.tally.refuse(Refusal.OUT_OF_RANGE)
            return
        if sample.clock_jumped:
            self.say("the sensor's own clock jumped; its time base starts anew")
        self._pace.tick(sample.time_s)
        self._note_step(sample)
        x_deg = math.degrees(math.atan(lean.slope_along)) - self._options.zero_x_deg
        y_deg = math.degrees(math.atan(lean.slope_across)) - self._options.zero_y_deg
        self._last_good_s = sample.time_s
        self.last = Sample(sample.time_s, x_deg, y_deg, sample.moving, sample.clock_jumped)
        if self._on_sample is not None:
            self._on_sample(sample, self.last)
        self.watch.add(sample.time_s, x_deg, y_deg, moving=sample.moving, jumped=sample.clock_jumped)
        self.last_taken = self.watch.view.taken or self.last_taken

    def _note_step(self, sample: Sample) -> None:
        """Keep the sensor's output step among its doubts."""
        if self._step.learn(sample.x_deg) or self.watch.doubts.step_deg == 0.0:
            step_deg = self._step.step_deg(self._input.step_deg)
            if step_deg != self.watch.doubts.step_deg:
                self.watch.doubts = replace(self.watch.doubts, step_deg=step_deg)

    @property
    def _is_damaged(self) -> bool:
        return self._rates.damaged_share > DAMAGE_SHARE

    @property
    def _patience_s(self) -> float:
        return max(STALE_S, STALE_PERIODS * (self._pace.period_s or 0.0))

    def _nothing_yet(self, now_s: float) -> View:
        if self._last_byte_s is None or now_s - self._last_byte_s > STALE_S:
            return View(WatchState.NO_DATA, self._hint(now_s))
        if self.format is None:
            return View(WatchState.LISTENING, "finding the format")
        return View(WatchState.LISTENING, self._hint(now_s))

    def _hint(self, now_s: float) -> str:
        """What to look at."""
        if self._input.no_answer is not None:
            return self._input.no_answer
        if self._last_byte_s is None or now_s - self._last_byte_s > STALE_S:
            return "no bytes come: look at cable, power and pairing"
        return "bytes come but no good lines: wrong speed or format?"
