"""Samples to one reading with its uncertainty: moving, steady, holding, taken, and each in words.

    NO DATA → LISTENING → MOVING → STEADY → HOLDING n s → TAKEN          STALE and FROZEN from any

A window is steady on an axis when the medians of its two halves differ by no more than noise can make them,
and its spread is no more than the sensor usually has at rest. A hold starts with the first steady window.
A knock whose level before and after agrees stays out of the mean; one that moved the level starts the
hold anew. `hold` makes one reading of a still stretch: mean, standard error, drift, uncertainty budget. All
of it runs on the times of the samples: a replay comes to the same answer. Degrees and seconds.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from shimfit.core.sensing.statistics import (
    MAD_TO_SD,
    SampleRing,
    Values,
    mean_uncertainty,
    median,
    memory_time,
    robust_spread,
    settled_from,
    straight_line,
)
from shimfit.core.uncertainty.budget import Budget, Term, budget, largest_of, of_step, rectangular
from shimfit.values import dataclass

# ---------------------------------------------------------------- a still stretch, held


@dataclass(frozen=True, slots=True)
class Steadiness:
    """What counts as standing still, and how long to look."""

    window_s: float = 2.0
    """What one judgement looks at."""
    least_samples: int = 10
    """In a window; a slower sensor is judged on `sparse_samples` instead."""
    sparse_samples: int = 20
    move_deg: float = 0.01
    """A shift or a spread up to this is never called moving (0.17 mm/m)."""
    shaking_deg: float = 0.3
    """A spread over this is shaking, however regular."""
    wander_deg: float = 0.06
    """Noise that wanders by more than this in a second looks like a slow move."""
    hold_s: float = 4.0
    longest_s: float = 15.0
    target_u_deg: float = 0.02
    """A hold goes on until the mean's standard uncertainty is down to this, or for `longest_s`."""
    look_back_s: float = 60.0
    """How far back the sensor's usual spread is learned from."""
    every_s: float = 0.1
    """Stream time from judgement to judgement."""
    knock_s: float = 3.0
    """Unrest for longer than this is no knock any more but movement."""
    moving_s: float = 0.3
    """Acceleration other than gravity for longer than this ends a hold."""
    frozen_s: float = 20.0
    """Identical values for this long, where noise had been seen, are a stuck sensor."""


LEAST_STEP_DEG = 1e-4
"""No sensor is believed to resolve more than this, so no uncertainty is ever zero."""
REMEMBERS = 8.0
"""Memory time in samples from which on a trend may be the noise's own: it leads nowhere."""
DRIFTS = 2.5
"""A trend over the hold this many times what noise makes of one is a drift: the hold's end is what counts."""
CUT = 3.5
"""Samples further than this many robust spreads from the median are left out of the mean."""


@dataclass(frozen=True, slots=True)
class SensorErrors:
    """What is known of the sensor's own errors; standard or half-width as stated, per axis. 0: unknown."""

    step_deg: float = 0.0
    """Output step q; its share is q/√12."""
    zero_u_deg: float = 0.0
    """Standard uncertainty of the zero that was taken off; of the offset while none was found."""
    zero_found: bool = True
    """False: nobody has found the zero, so what is held may be decided out, never plumb."""
    offset_u_deg: float = 0.5
    """Standard uncertainty of the offset until a zero is found, as the sensor sits on the post. 0.5 is a bare
    accelerometer board stuck to a bracket (common practice, no source; data sheets allow it up to 2.9)."""
    turn_u_deg: float = 2.0
    """How squarely it is turned to the opposite face, by the post's faces (common practice, no source)."""
    clamp_u_deg: float = 0.01
    """What clamping it again may change (common practice, no source)."""
    stated_accuracy_deg: float = 0.0
    """Half-width that the maker states (leave its offset part out after a reversal)."""
    per_kelvin_deg: float = 0.0
    kelvin: float = 0.0
    """How far the temperature may have moved since the zero was found."""
    cross_axis: float = 0.0
    """Share of the other direction's lean that may leak in (0.02 = 2 %)."""
    gain: float = 0.0
    """Share of the lean itself that may be wrong."""
    memory_s: float = 0.0
    """How long the sensor remembers, from a long still record: a hold is too short to show slow memory."""
    floor_deg: float = 0.0
    """Where averaging stops helping (the bottom of the Allan deviation)."""

    def budget(self, axis: Axis, other_deg: float, seconds: float) -> Budget:
        """What one direction's uncertainty is made of, as slopes (the tangent's steepness is counted in).

        u² = u_mean² + (b T)²/12 + q²/12 + u_zero² + (MPE/√3)² + (c_T dT/√3)² + (k_cross other/√3)²
        + (k_gain lean/√3)² + u_floor²: b T the drift over the hold, q the output step, MPE stated accuracy.
        """
        slope, other = math.tan(math.radians(axis.mean_deg)), math.tan(math.radians(other_deg))
        per_deg = math.radians(1.0) * (1.0 + slope * slope)
        return budget(
            (
                Term("noise", axis.u_mean_deg * per_deg),
                Term("drift", of_step(abs(axis.drift_deg_per_s * seconds * per_deg))),
                Term("output step", of_step(max(self.step_deg, LEAST_STEP_DEG) * per_deg)),
                Term("zero" if self.zero_found else "no zero", self.zero_u_deg * per_deg),
                Term("accuracy", rectangular(self.stated_accuracy_deg * per_deg)),
                Term("temperature", rectangular(abs(self.per_kelvin_deg * self.kelvin * per_deg))),
                Term("cross-axis", rectangular(self.cross_axis * abs(other))),
                Term("scale", rectangular(self.gain * abs(slope))),
                Term("floor", self.floor_deg * per_deg),
            )
        )


@dataclass(frozen=True, slots=True)
class Axis:
    """One direction of a held reading; degrees."""

    mean_deg: float
    u_mean_deg: float
    """Standard error of the mean, memory counted in."""
    drift_deg_per_s: float
    drift_limit_deg: float
    """Three standard errors of what the drift makes over the hold."""
    tau: float
    """Memory time in samples."""
    spread_deg: float


@dataclass(frozen=True, slots=True)
class Held:
    """One reading: lean along the sensor's x and y in degrees with standard uncertainties (k = 1)."""

    x_deg: float
    y_deg: float
    u_x_deg: float
    u_y_deg: float
    budgets: tuple[Budget, Budget]
    """What the uncertainty of x and of y is made of, as slopes."""
    seconds: float
    samples: int
    """In the mean, after the cut."""
    time_s: float
    """When it was taken, on the stream's clock."""
    x: Axis
    y: Axis
    zero_found: bool = True
    """False: nobody has found the sensor's zero; its offset is in the uncertainty of both directions."""

    @property
    def u_hold_deg(self) -> tuple[float, float]:
        """Standard uncertainties of x and y without what turning end for end takes out."""
        along, across = (one.without("turn").u for one in self.budgets)
        return _in_degrees(along, self.x_deg), _in_degrees(across, self.y_deg)

    @property
    def largest(self) -> str | None:
        """The largest part of the uncertainty, in words."""
        return largest_of(*self.budgets)

    def text(self) -> str:
        """As it is shown: `x +0.41 ± 0.02°, y -1.20 ± 0.02° (k = 2)`."""
        digits = decimals(2 * max(self.u_x_deg, self.u_y_deg))
        return (
            f"x {self.x_deg:+.{digits}f} ± {2 * self.u_x_deg:.{digits}f}°, "
            f"y {self.y_deg:+.{digits}f} ± {2 * self.u_y_deg:.{digits}f}° (k = 2)"
        )


def decimals(expanded_u_deg: float) -> int:
    """Decimals that an uncertainty leaves worth printing: 2 for 0.02, 3 for 0.004; 2 to 4."""
    if expanded_u_deg <= 0:
        return 4
    return min(4, max(2, math.ceil(-math.log10(expanded_u_deg))))


def hold(
    times_s: Values, x_deg: Values, y_deg: Values, sensor_errors: SensorErrors, move_deg: float
) -> Held | str:
    """One reading from a still stretch, or why not, in words.

    Cuts what lies beyond 3.5 robust spreads from the median on either axis, means the rest, and refuses
    a drift b that is more than noise: |b| T > max(move_deg, 3 u(b) T).
    """
    if len(times_s) < 3:
        return "too few samples"
    keep = _within(x_deg, sensor_errors.step_deg) & _within(y_deg, sensor_errors.step_deg)
    keep[: max(settled_from(x_deg), settled_from(y_deg))] = False
    times_s, x_deg, y_deg = times_s[keep], x_deg[keep], y_deg[keep]
    seconds = float(times_s[-1] - times_s[0])
    x, y = (_axis(times_s, values, sensor_errors.memory_s) for values in (x_deg, y_deg))
    for name, axis in (("x", x), ("y", y)):
        if abs(axis.drift_deg_per_s) * seconds > max(move_deg, axis.drift_limit_deg):
            return f"still moving: {name} creeps {60 * axis.drift_deg_per_s:+.2f}° a minute"
    budgets = sensor_errors.budget(x, y.mean_deg, seconds), sensor_errors.budget(y, x.mean_deg, seconds)
    return Held(
        x_deg=x.mean_deg,
        y_deg=y.mean_deg,
        u_x_deg=_in_degrees(budgets[0].u, x.mean_deg),
        u_y_deg=_in_degrees(budgets[1].u, y.mean_deg),
        budgets=budgets,
        seconds=seconds,
        samples=len(times_s),
        time_s=float(times_s[-1]),
        x=x,
        y=y,
        zero_found=sensor_errors.zero_found,
    )


def _in_degrees(u_slope: float, lean_deg: float) -> float:
    return math.degrees(u_slope) * math.cos(math.radians(lean_deg)) ** 2


def _within(values: Values, step_deg: float) -> NDArray[np.bool_]:
    """True where a value lies within the cut; a flicker by one output step is never cut."""
    off = np.abs(values - np.median(values))
    return np.asarray(off <= max(CUT * robust_spread(values), 1.5 * step_deg), dtype=np.bool_)


def _axis(times_s: Values, values: Values, memory_s: float) -> Axis:
    """One axis; where its drift is more than noise makes, the value is that of the hold's end.

    Noise that remembers wanders by itself, and a trend of it leads nowhere: then the mean is kept.
    The end of a straight line through n values lies half a hold from its middle: u² = u_mean² + (T/2)² u_b²,
    which is twice the u of the mean.
    """
    slope, residuals = straight_line(times_s, values)
    n = len(values)
    seconds = float(times_s[-1] - times_s[0])
    known_tau = memory_s * (n - 1) / seconds if seconds > 0.0 else 0.0
    scatter = float(residuals.std(ddof=2)) if n > 2 else 0.0
    u_deg = mean_uncertainty(residuals, seconds, known_tau)
    tau = max(1.0, n * (u_deg / scatter) ** 2) if scatter > 0.0 else 1.0
    noise_deg = math.sqrt(12.0) * u_deg
    drifts = tau <= REMEMBERS and abs(slope) * seconds > DRIFTS * noise_deg > 0.0
    if not drifts:
        u_deg = mean_uncertainty(values, seconds, known_tau)
    return Axis(
        mean_deg=float(values.mean()) + (slope * seconds / 2.0 if drifts else 0.0),
        u_mean_deg=2.0 * u_deg if drifts else u_deg,
        drift_deg_per_s=slope,
        drift_limit_deg=3.0 * noise_deg,
        tau=tau,
        spread_deg=scatter,
    )


# ---------------------------------------------------------------- the watch

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
        return MEDIAN_TO_MEAN * self.spread_deg * math.sqrt(self.tau / (2 * self.half))


def _window_of(times_s: Values, values: Values) -> _Window:
    half, level_deg = len(values) // 2, median(values)
    off_deg = np.abs(values - level_deg)
    return _Window(
        level_deg=level_deg,
        shift_deg=abs(median(values[-half:]) - median(values[:half])),
        spread_deg=MAD_TO_SD * median(off_deg),
        tau=memory_time(straight_line(times_s, values)[1]),
        half=half,
        farthest_deg=float(off_deg[-max(3, half // 10) :].max()),
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
        assert self._first_s is not None
        spent_s = now_s - self._first_s
        columns = self._ring.since(now_s - self._s.window_s)
        enough = spent_s >= self._s.window_s - _SLACK_S
        if len(columns[0]) < self._s.least_samples:
            columns = self._ring.since(now_s, at_least=self._s.sparse_samples)
            enough = len(columns[0]) >= self._s.sparse_samples
        if not enough:  # how long still, at the pace at which they have come so far
            count, missing_s = len(self._ring), self._s.window_s - spent_s
            if count > 1 and (count - 1) / max(spent_s, 1e-9) * self._s.window_s < self._s.least_samples:
                missing_s = (self._s.sparse_samples - count) * spent_s / (count - 1)
            wait_s = max(1.0, math.ceil(missing_s))
            self.view = View(WatchState.MOVING, f"gathering samples: {wait_s:.0f} s to go")
            return
        times_s, x_deg, y_deg = columns
        axes = (_window_of(times_s, x_deg), _window_of(times_s, y_deg))
        why = self._unrest(now_s, axes)
        if why is not None:
            if self._hold_from_s is not None:
                if self._unrest_s is None:
                    self._unrest_s, self._hit = max(self._steady_s, self._hold_from_s), False
                self._hit = self._hit or self._is_hit(axes)
                if now_s - self._unrest_s > self._s.knock_s:
                    self.lose_hold(-math.inf, why)
            self.view = View(WatchState.MOVING, why)
            return
        self._noise_seen = self._noise_seen or any(axis.spread_deg > 0 for axis in axes)
        if self._is_hit(axes):
            self._knock_s = now_s  # too short to be unrest: the window's medians are blind to it
        self._steady(now_s, float(times_s[0]), axes)

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
        if axis.spread_deg > 0 or not self._noise_seen:  # a stuck stretch shows nothing of its noise
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
        # Standard error joined by what the drift leaves open: the part that holding on can lower.
        u_deg = max(
            math.hypot(axis.u_mean_deg, axis.drift_deg_per_s * answer.seconds / math.sqrt(12))
            for axis in (answer.x, answer.y)
        )
        assert self._tried_from_s is not None
        if u_deg <= self._s.target_u_deg or now_s - self._tried_from_s >= self._s.longest_s:
            self._taken = answer
            self.view = View(WatchState.TAKEN, answer.text(), held_s, answer)
        else:
            words = f"holding {held_s:.0f} s: ± {2 * u_deg:.3f}° so far"
            self.view = View(WatchState.HOLDING, words, held_s)
