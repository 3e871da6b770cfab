"""Know your sensor: noise, memory, drift, and where averaging stops helping, from a long still record."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shimfit.core.steady.spread import memory_time, robust_spread, straight_line
from shimfit.errors import EntryError

Values = NDArray[np.float64]
LEAST_SAMPLES = 64
_LEAST_PAIRS = 8
"""Averages of a length that must fit into the record for its deviation to be believed."""


def overlapping_allan(values: Values, length: int) -> float:
    """Overlapping Allan deviation of equally spaced values for averages of `length` samples.

    σ²(m) = Σ_j (mean of the m values from j+m on − mean of the m from j on)² ÷ (2 (M − 2m + 1))
    (NIST SP 1065, section 5.2.4, written for fractional frequencies; any unit). Raises ValueError when
    two averages do not fit.
    """
    count = len(values) - 2 * length + 1
    if length < 1 or count < 1:
        raise ValueError(f"two averages of {length} do not fit into {len(values)} values")
    sums = np.concatenate(([0.0], np.cumsum(values - values.mean())))
    means = (sums[length:] - sums[:-length]) / length
    steps = means[length:] - means[:-length]
    return math.sqrt(float(steps @ steps) / (2 * count))


@dataclass(frozen=True, slots=True)
class AllanPoint:
    """One averaging time; degrees."""

    seconds: float
    deviation_deg: float


@dataclass(frozen=True, slots=True)
class SensorCharacter:
    """What a still record tells of one axis. Degrees and seconds."""

    samples: int
    seconds: float
    spread_deg: float
    """Robust standard deviation of single samples."""
    memory_s: float
    """How long the sensor remembers: memory time τ in samples × the period; the period when it does not."""
    density_deg: float
    """What a 1 s mean scatters by, from the short end of the curve (white noise)."""
    drift_deg_per_min: float
    floor_deg: float
    """Bottom of the Allan deviation: keep it as the device's floor."""
    floor_s: float
    """Averaging for longer than this does not help."""
    still_falling: bool
    """True when the curve had not reached its bottom: a longer record would find a lower floor."""
    curve: tuple[AllanPoint, ...]


def sensor_character(values_deg: Values, period_s: float) -> SensorCharacter:
    """Character of one axis from equally spaced samples of a still sensor.

    Raises EntryError for a record that is too short to tell anything.
    """
    n = len(values_deg)
    if n < LEAST_SAMPLES:
        raise EntryError(f"A still record of {n} samples is too short; {LEAST_SAMPLES} are the least.")
    times_s = np.arange(n, dtype=np.float64) * period_s
    slope, residuals = straight_line(times_s, values_deg)
    lengths = _lengths(n)
    curve = tuple(AllanPoint(m * period_s, overlapping_allan(values_deg, m)) for m in lengths)
    bottom = min(curve, key=lambda point: point.deviation_deg)
    return SensorCharacter(
        samples=n,
        seconds=n * period_s,
        spread_deg=robust_spread(residuals),
        memory_s=memory_time(residuals) * period_s,
        density_deg=_one_second(curve),
        drift_deg_per_min=60 * slope,
        floor_deg=bottom.deviation_deg,
        floor_s=bottom.seconds,
        still_falling=bottom is curve[-1],
        curve=curve,
    )


def _lengths(n: int) -> list[int]:
    """1, 2, 4, … samples, while enough averages of that length fit."""
    lengths = [1]
    while 2 * lengths[-1] * _LEAST_PAIRS <= n:
        lengths.append(2 * lengths[-1])
    return lengths


def _one_second(curve: tuple[AllanPoint, ...]) -> float:
    """Deviation of a 1 s mean if the noise were white: from the point nearest to 1 s."""
    nearest = min(curve, key=lambda point: abs(math.log(point.seconds)))
    return nearest.deviation_deg * math.sqrt(nearest.seconds)


def hold_needed_s(density_deg: float, u_deg: float) -> float:
    """Seconds of hold until white noise leaves a mean with standard uncertainty u: ½ (N/u)².

    `density_deg` is the Allan deviation at 1 s; white noise of N °/√Hz (one-sided) has N/√2 there.
    """
    return (density_deg / u_deg) ** 2


def plot_curve(curve: tuple[AllanPoint, ...], width: int = 60, height: int = 12) -> str:
    """The curve as text, both scales logarithmic: averaging time to the right, deviation upwards."""
    points = [(math.log10(p.seconds), math.log10(p.deviation_deg)) for p in curve if p.deviation_deg > 0]
    if len(points) < 2:
        return "no scatter to plot"
    left, right = points[0][0], points[-1][0]
    low, high = min(y for _, y in points), max(y for _, y in points)
    tall = max(high - low, 1e-9)
    rows = [[" "] * width for _ in range(height)]
    for x, y in points:
        column = round((x - left) / (right - left) * (width - 1))
        rows[round((high - y) / tall * (height - 1))][column] = "●"
    lines = [f"{_label(at, high, tall, height)} │{''.join(row).rstrip()}" for at, row in enumerate(rows)]
    start, end = f"{10**left:.3g} s", f"{10**right:.3g} s"
    lines.append(" " * 10 + "└" + "─" * width)
    lines.append(" " * 11 + start + end.rjust(width - len(start)))
    return "\n".join(lines)


def _label(row: int, high: float, tall: float, height: int) -> str:
    if row in (0, height // 2, height - 1):
        return f"{10 ** (high - tall * row / (height - 1)):8.2g}°"
    return " " * 9
