"""A still stretch of samples to one reading: mean, standard error, drift, uncertainty budget.

Degrees and seconds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shimfit.core.sensing.statistics import mean_uncertainty, robust_spread, settled_from, straight_line
from shimfit.core.uncertainty.budget import Budget, largest_of, sensor_budget


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
    """Noise of a sensor that wanders by more than this in a second can't be told from a slow move."""
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


Values = NDArray[np.float64]


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
    """What is known of the sensor's own errors; standard or half-width as said, per axis. 0 = none known."""

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
        """What one direction's uncertainty is made of, as slopes (the tangent's steepness is counted in)."""
        slope = math.tan(math.radians(axis.mean_deg))
        per_deg = math.radians(1.0) * (1.0 + slope * slope)
        return sensor_budget(
            slope,
            math.tan(math.radians(other_deg)),
            u_mean=axis.u_mean_deg * per_deg,
            drift_over_hold=axis.drift_deg_per_s * seconds * per_deg,
            output_step=max(self.step_deg, LEAST_STEP_DEG) * per_deg,
            u_zero=self.zero_u_deg * per_deg,
            zero_found=self.zero_found,
            accuracy=self.stated_accuracy_deg * per_deg,
            temperature=self.per_kelvin_deg * self.kelvin * per_deg,
            cross_axis=self.cross_axis,
            gain=self.gain,
            u_floor=self.floor_deg * per_deg,
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

    def u_statistical_deg(self, seconds: float) -> float:
        """Standard error joined by what the drift leaves open: the part that holding on can lower."""
        return math.hypot(self.u_mean_deg, self.drift_deg_per_s * seconds / math.sqrt(12))


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
