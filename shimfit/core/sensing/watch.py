"""The state machine over a stream of samples: moving, steady, holding, taken, and each in words.

    NO DATA → LISTENING → MOVING → STEADY → HOLDING n s → TAKEN          STALE and FROZEN from any

A window is steady on an axis when the medians of its two halves differ by no more than noise can make them,
and its spread is no more than the sensor usually has at rest. A hold starts with the first steady window.
A knock whose level before and after agrees stays out of the mean; one that moved the level starts the
hold anew. All of it runs on the times of the samples: a replay comes to the same answer.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from shimfit.core.sensing.hold import Held, SensorErrors, Steadiness, hold
from shimfit.core.sensing.statistics import SampleRing, median, memory_time, robust_spread, straight_line

Values = NDArray[np.float64]


MEDIAN_TO_MEAN = 1.25
"""Standard error of a median is this much larger than that of a mean (√(π/2), normal distribution)."""
_USUAL_QUANTILE = 0.1
_USUAL_S = 10.0
"""What is usual is known after so long."""
_WANDER_SPREADS, _WANDER_SHIFTS = 2.0, 4.5
"""Times its median that the spread and the shift of noise that wanders come to: 3 standard deviations."""
_FLICKER_STEPS = 1.5
"""A value between two steps makes a robust spread of 1.48 steps."""
_KNOCK = 8.0
"""A sample this many spreads off the level is no noise."""
_KNOCK_SHOWN_S = 5.0
"""A knock that changed nothing is shown for so long."""
_LEAVE = 1.5
"""What was taken is given up only for unrest this much above what a hold begins under: no flicker."""
_SLACK_S = 1e-6
"""Times are sums of steps: 3.9999999 s is 4 s."""


class WatchState(StrEnum):
    """Where the stream stands; the words stand on the screen."""

    NO_DATA = "NO DATA"
    LISTENING = "LISTENING"
    MOVING = "MOVING"
    STEADY = "STEADY"
    HOLDING = "HOLDING"
    TAKEN = "TAKEN"
    STALE = "STALE"
    FROZEN = "FROZEN"


@dataclass(frozen=True, slots=True)
class View:
    """What the watch has to say."""

    state: WatchState
    words: str
    held_s: float = 0.0
    """How long the present hold has lasted; 0 where there is none."""
    taken: Held | None = None
    """The reading; only while TAKEN."""
    knocked: bool = False
    """A moment ago something moved it, and it has come to rest at the level where it was."""


@dataclass(frozen=True, slots=True)
class _Window:
    """One axis of what is judged at once."""

    level_deg: float
    shift_deg: float
    """Between the medians of its halves."""
    spread_deg: float
    tau: float
    half: int
    farthest_deg: float
    """How far the last moment's samples lay from the level, at most."""

    @property
    def u_level_deg(self) -> float:
        """Standard uncertainty of the window's median."""
        return MEDIAN_TO_MEAN * self.spread_deg * math.sqrt(self.tau / (2 * self.half))


def _window_of(times_s: Values, values: Values) -> _Window:
    half = len(values) // 2
    return _Window(
        level_deg=median(values),
        shift_deg=abs(median(values[-half:]) - median(values[:half])),
        spread_deg=robust_spread(values),
        tau=memory_time(straight_line(times_s, values)[1]),
        half=half,
        farthest_deg=float(np.abs(values[-max(3, half // 10) :] - median(values)).max()),
    )


Axes = tuple[_Window, _Window]


class PostWatch:
    """Feed it samples; look at `view`."""

    def __init__(self, settings: Steadiness | None = None, sensor_errors: SensorErrors | None = None) -> None:
        self._s = settings or Steadiness()
        self.sensor_errors = sensor_errors or SensorErrors()
        self._ring = SampleRing(max(self._s.longest_s + self._s.knock_s, self._s.window_s) + 25.0)
        # (time, spread, shift) of the windows of the last minute, by axis.
        self._usual: tuple[deque[tuple[float, float, float]], ...] = (deque(), deque())
        self._noise_seen = False
        self._taken: Held | None = None
        self.restart("no samples yet")

    # ---------------------------------------------------------------- samples in, or a new beginning

    def restart(self, why: str) -> None:
        """The stream was cut: nothing may be joined across it. What the sensor's noise is stays known."""
        self._ring.clear()
        self._first_s: float | None = None
        self._next_s = -math.inf
        self._moving_since_s: float | None = None
        self._same: tuple[float, float, float] | None = None  # x, y, since when
        self._knock_s = -math.inf
        self._taken = None
        self._tried_from_s: float | None = None
        self.lose_hold(-math.inf, why)

    def lose_hold(self, now_s: float, why: str) -> None:
        """End a hold, and a reading; the next one begins from now on."""
        if self._taken is not None:
            self._tried_from_s = None
        self._hold_from_s: float | None = None
        self._not_before_s = now_s
        self._gaps: list[tuple[float, float]] = []
        self._unrest_s: float | None = None
        self._hit = False
        self._steady_s = -math.inf
        self._taken = None
        self.view = View(WatchState.MOVING, why)

    def again(self, now_s: float) -> None:
        """Forget the reading that was taken and hold anew from now on."""
        self.lose_hold(now_s, "holding anew")

    def add(
        self, time_s: float, x_deg: float, y_deg: float, *, moving: bool = False, jumped: bool = False
    ) -> None:
        """Take in a sample; times must not fall. `moving`: acceleration other than gravity."""
        if jumped:
            self.lose_hold(time_s, "the sensor's clock jumped")
        if self._first_s is None:
            self._first_s = self._next_s = time_s
        self._ring.add(time_s, x_deg, y_deg, counts=not moving)
        if self._same is None or self._same[:2] != (x_deg, y_deg):
            self._same = (x_deg, y_deg, time_s)
        if not moving:
            self._moving_since_s = None
        elif self._moving_since_s is None:
            self._moving_since_s = time_s
        if time_s >= self._next_s - _SLACK_S:
            self._next_s = time_s + self._s.every_s
            self._judge(time_s)

    # ---------------------------------------------------------------- is it still?

    def _judge(self, now_s: float) -> None:
        if self._moving_since_s is not None and now_s - self._moving_since_s > self._s.moving_s:
            self.lose_hold(now_s, "moving: more than gravity acts on the sensor")
            return
        # Identical values for long where noise had been seen: a stuck sensor, not a still post.
        same_s = now_s - self._same[2] if self._same is not None else 0.0
        if self._noise_seen and same_s >= self._s.frozen_s:
            self.lose_hold(-math.inf, "sensor frozen?")
            self.view = View(WatchState.FROZEN, f"sensor frozen? the same value for {same_s:.0f} s")
            return
        times_s, x_deg, y_deg = self._window(now_s)
        if not len(times_s):
            self.view = View(WatchState.MOVING, f"gathering samples: {self._missing_s(now_s):.0f} s to go")
            return
        axes = (_window_of(times_s, x_deg), _window_of(times_s, y_deg))
        why = self._unrest(now_s, axes)
        if why is not None:
            self._unsteady(now_s, why, axes)
            return
        self._noise_seen = self._noise_seen or any(axis.spread_deg > 0 for axis in axes)
        if self._is_hit(axes):
            self._knock_s = now_s  # too short to be unrest: the window's medians are blind to it
        self._steady(now_s, float(times_s[0]), axes)

    def _window(self, now_s: float) -> tuple[Values, Values, Values]:
        """Samples to judge, or none while there are not enough."""
        assert self._first_s is not None
        s = self._s
        columns = self._ring.since(now_s - s.window_s)
        enough = now_s - self._first_s >= s.window_s - _SLACK_S
        if len(columns[0]) < s.least_samples:
            columns = self._ring.since(now_s, at_least=s.sparse_samples)
            enough = len(columns[0]) >= s.sparse_samples
        return columns if enough else (columns[0][:0], columns[1][:0], columns[2][:0])

    def _missing_s(self, now_s: float) -> float:
        """Seconds until there are enough samples to judge, at the pace at which they have come so far."""
        assert self._first_s is not None
        spent_s, count = now_s - self._first_s, len(self._ring)
        if count < 2 or (count - 1) / max(spent_s, 1e-9) * self._s.window_s >= self._s.least_samples:
            return max(1.0, math.ceil(self._s.window_s - spent_s))
        return max(1.0, math.ceil((self._s.sparse_samples - count) * spent_s / (count - 1)))

    def _unrest(self, now_s: float, axes: Axes) -> str | None:
        """Why the window is not steady, or None when it is."""
        s = self._s
        why = None
        slack = 1.0 if self._taken is None else _LEAVE
        for name, axis, usual in zip("xy", axes, self._usual, strict=True):
            rest_deg, spread_deg, shift_deg = self._at_rest(now_s, axis, usual)
            h = axis.half
            noise_deg = 3 * MEDIAN_TO_MEAN * rest_deg * math.sqrt(2 * min(axis.tau, h / 4) / h)
            if axis.spread_deg > s.shaking_deg:
                return f"shaking: {name} scatters by {axis.spread_deg:.2f}°"
            if axis.shift_deg > slack * max(self._move_deg, noise_deg, shift_deg):
                why = why or f"moving: {name} shifts by {axis.shift_deg:.3f}° a second"
            elif axis.spread_deg > slack * max(self._move_deg, 2 * rest_deg, spread_deg):
                why = why or f"unsettled: {name} scatters by {axis.spread_deg:.3f}°, {rest_deg:.3f}° at rest"
        return why

    def _at_rest(
        self, now_s: float, axis: _Window, usual: deque[tuple[float, float, float]]
    ) -> tuple[float, float, float]:
        """What the sensor scatters by at rest, a low point of its spreads over the last minute.

        And the most that its spread, and the shift within a window, come to where the noise wanders by
        itself: some times what they usually are, once that is known, and never more than a slow move.
        """
        if axis.spread_deg > 0 or not self._noise_seen:  # a stuck stretch says nothing of its noise
            usual.append((now_s, axis.spread_deg, axis.shift_deg))
        while usual and usual[0][0] < now_s - self._s.look_back_s:
            usual.popleft()
        if not usual:
            return 0.0, 0.0, 0.0
        spreads, shifts = (sorted(each[at] for each in usual) for at in (1, 2))
        rest_deg = spreads[int(_USUAL_QUANTILE * (len(spreads) - 1))]
        if usual[-1][0] - usual[0][0] < _USUAL_S:
            return rest_deg, 0.0, 0.0
        middle = len(usual) // 2
        return (
            rest_deg,
            min(_WANDER_SPREADS * spreads[middle], self._s.wander_deg),
            min(_WANDER_SHIFTS * shifts[middle], self._s.wander_deg),
        )

    @property
    def _move_deg(self) -> float:
        """What is never called moving: the setting, and a flicker by one output step of a coarse sensor."""
        return max(self._s.move_deg, _FLICKER_STEPS * self.sensor_errors.step_deg)

    def _is_hit(self, axes: Axes) -> bool:
        """The last moment lies further off than any noise: something has hit the post."""
        return any(
            axis.farthest_deg
            > max(_KNOCK * sorted(each[1] for each in usual)[len(usual) // 2], 3 * self._move_deg)
            for axis, usual in zip(axes, self._usual, strict=True)
            if usual
        )

    def _unsteady(self, now_s: float, why: str, axes: Axes) -> None:
        if self._hold_from_s is not None:
            if self._unrest_s is None:
                self._unrest_s = max(self._steady_s, self._hold_from_s)
                self._hit = False
            self._hit = self._hit or self._is_hit(axes)
            if now_s - self._unrest_s > self._s.knock_s:
                self.lose_hold(-math.inf, why)
        self.view = View(WatchState.MOVING, why)

    # ---------------------------------------------------------------- the hold

    def _steady(self, now_s: float, window_from_s: float, axes: Axes) -> None:
        fresh = self._hold_from_s is None
        if self._hold_from_s is None:
            self._hold_from_s = max(window_from_s, self._not_before_s)
            if self._tried_from_s is None:
                self._tried_from_s = self._hold_from_s
        elif self._unrest_s is not None and self._same_level(axes):
            if window_from_s > self._unrest_s:  # a knock: it stays out of the mean
                self._gaps.append((self._unrest_s, window_from_s))
            self._unrest_s = None
            if self._hit:
                self._knock_s = now_s
        elif self._unrest_s is not None or self._crept(axes):  # a new level
            self._hold_from_s = max(window_from_s, self._not_before_s)
            if self._taken is not None or self._tried_from_s is None:
                self._tried_from_s = self._hold_from_s
            self._gaps, self._unrest_s, self._taken = [], None, None
        self._steady_s = now_s
        held_s = max(0.0, now_s - self._hold_from_s - sum(end - start for start, end in self._gaps))
        if self._taken is not None:
            self.view = View(WatchState.TAKEN, self._taken.text(), held_s, self._taken)
        elif held_s >= self._s.hold_s - _SLACK_S:
            self._finish(now_s, held_s)
        elif fresh:
            self.view = View(WatchState.STEADY, "steady", held_s)
        else:
            self.view = View(WatchState.HOLDING, f"holding {held_s:.0f} s of {self._s.hold_s:.0f}", held_s)
        if now_s - self._knock_s < _KNOCK_SHOWN_S:
            words = f"{self.view.words}; a knock, the level has stayed"
            self.view = replace(self.view, words=words, knocked=True)

    def _same_level(self, axes: Axes) -> bool:
        """The level now agrees with that before the unrest."""
        assert self._unrest_s is not None
        times_s, x_deg, y_deg = self._held_samples()
        before = times_s <= self._unrest_s - self._s.every_s
        if int(before.sum()) < 3:
            return False
        for axis, values in zip(axes, (x_deg[before], y_deg[before]), strict=True):
            earlier = _window_of(times_s[before], values)
            u_deg = math.hypot(axis.u_level_deg, earlier.u_level_deg)
            if abs(axis.level_deg - earlier.level_deg) > max(self._move_deg, 3 * u_deg):
                return False
        return True

    def _crept(self, axes: Axes) -> bool:
        """The post has left the level that was taken, too slowly for one window to show it."""
        if self._taken is None:
            return False
        taken = ((self._taken.x_deg, self._taken.x), (self._taken.y_deg, self._taken.y))
        return any(
            abs(axis.level_deg - mean_deg)
            > max(2 * self._move_deg, 4 * math.hypot(axis.u_level_deg, held.u_mean_deg))
            for axis, (mean_deg, held) in zip(axes, taken, strict=True)
        )

    def _held_samples(self) -> tuple[Values, Values, Values]:
        assert self._hold_from_s is not None
        times_s, x_deg, y_deg = self._ring.since(self._hold_from_s)
        keep = np.ones(len(times_s), dtype=np.bool_)
        for start_s, end_s in self._gaps:
            keep &= (times_s < start_s) | (times_s > end_s)
        return times_s[keep], x_deg[keep], y_deg[keep]

    def _finish(self, now_s: float, held_s: float) -> None:
        """End the hold with a reading or a refusal, or go on while that makes the uncertainty smaller."""
        answer = hold(*self._held_samples(), self.sensor_errors, self._move_deg)
        if isinstance(answer, str):
            self.lose_hold(now_s, answer)
            return
        u_deg = max(axis.u_statistical_deg(answer.seconds) for axis in (answer.x, answer.y))
        assert self._tried_from_s is not None
        if u_deg <= self._s.target_u_deg or now_s - self._tried_from_s >= self._s.longest_s:
            self._taken = answer
            self.view = View(WatchState.TAKEN, answer.text(), held_s, answer)
        else:
            words = f"holding {held_s:.0f} s: ± {2 * u_deg:.3f}° so far"
            self.view = View(WatchState.HOLDING, words, held_s)
