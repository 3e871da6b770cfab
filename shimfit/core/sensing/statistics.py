"""The figures of a stream of samples that may remember each other: spread, memory, deviation, and their ring.

All functions take 1-D float64 arrays in any unit and raise ValueError for an empty one.
"""

from __future__ import annotations

import math
from array import array
from bisect import bisect_left
from dataclasses import dataclass
from itertools import compress

import numpy as np
from numpy import fft
from numpy.typing import NDArray

from shimfit.errors import EntryError

Values = NDArray[np.float64]


MAD_TO_SD = 1.4826
"""1 ÷ (the normal distribution's 75 % point): median absolute deviation to standard deviation."""


def median(values: Values) -> float:
    """Median of finite values, by a plain sort: numpy's own way costs five times that on few samples."""
    _some(values)
    ranked, n = np.sort(values), len(values)
    return float(ranked[(n - 1) // 2] + ranked[n // 2]) / 2


def robust_spread(values: Values) -> float:
    """Standard deviation as the median absolute deviation tells it, × 1.4826: blind to single knocks."""
    return MAD_TO_SD * median(np.abs(values - median(values)))


def straight_line(times_s: Values, values: Values) -> tuple[float, Values]:
    """Least-squares slope (unit per second) and the residuals about the line."""
    _some(values)
    t = times_s - times_s.mean()
    v = values - values.mean()
    spread = float(t @ t)
    slope = float(t @ v) / spread if spread > 0 else 0.0
    return slope, v - slope * t


def memory_time(residuals: Values) -> float:
    """How many samples in a row say the same thing, tau ≥ 1: 1 + 2 Σ ρ_k, in samples.

    The sum runs over the initial run of positive pair sums ρ_2j + ρ_2j+1 > 0 (Geyer 1992, the initial
    positive sequence). Feed residuals about a straight line: a trend left in inflates tau, and lets creep
    pass as noise.
    """
    _some(residuals)
    n = len(residuals)
    centred = residuals - residuals.mean()
    size = 1 << (2 * n - 1).bit_length()
    spectrum = fft.rfft(centred, size)
    covariance = fft.irfft(spectrum * spectrum.conj(), size)[:n]
    if covariance[0] <= 1e-24 * max(1.0, float(np.abs(residuals).max()) ** 2) * n:
        return 1.0
    rho = covariance / covariance[0]
    pairs = rho[: n - n % 2].reshape(-1, 2).sum(axis=1)
    ends = np.flatnonzero(pairs <= 0)
    run = pairs[: ends[0]] if ends.size else pairs
    # pair 0 holds rho_0 = 1, so 2 Σ pairs − 1 = 1 + 2 Σ ρ_k over k ≥ 1
    return float(min(max(1.0, 2.0 * run.sum() - 1.0), n))


_T95 = (12.706, 4.303, 3.182, 2.776, 2.571, 2.447, 2.365, 2.306, 2.262, 2.228)
"""Two-sided 95 % points of Student's t for 1 to 10 degrees of freedom (any handbook's table)."""
_NORMAL95 = 1.960


def few(freedom: float) -> float:
    """By how much Student's t widens a standard uncertainty known from so few independent values, ≥ 1."""
    freedom = max(1.0, freedom)
    if freedom >= len(_T95):
        return 1.0 + (_T95[-1] / _NORMAL95 - 1.0) * len(_T95) / freedom
    at = int(freedom) - 1
    return (_T95[at] + (_T95[at + 1] - _T95[at]) * (freedom - int(freedom))) / _NORMAL95


SLOW = 1.1
"""Block means that differ by this much more than one decaying memory makes them: slow noise with no end."""
SLOW_U = 2.4
"""Standard uncertainty of a mean in such noise ÷ the Allan deviation of its eighths (found by trial on 1/f
noise, tests/bench/coverage.py)."""
_BLOCKS = 8


def mean_uncertainty(values: Values, tau: float, known_tau: float = 0.0) -> float:
    """Standard uncertainty of the mean of values that remember each other, so that 2 u covers 95 %.

    `tau` = memory time in samples as these values show it. A stretch of a few memory times shows its memory
    too short, so a decaying memory (AR(1), its coefficient corrected for the length: Kendall 1954, φ + (1 +
    3 φ)/n) is fitted too and the longer one counts; few independent values widen it by Student's t. Where
    the means of its eighths scatter by more than that memory explains, the noise goes on slower than the
    stretch is long (1/f), and averaging does not help: then those eighths say how unsure the mean is.
    `known_tau` from a long still record does away with both guesses.
    """
    _some(values)
    n = len(values)
    centred = values - values.mean()
    square = float(centred @ centred)
    if n < 3 or square <= 1e-24 * max(1.0, float(np.abs(values).max()) ** 2) * n:
        return 0.0
    variance = square / (n - 1)
    if known_tau > 0.0:
        tau = min(max(tau, known_tau, 1.0), n / 2)
        return math.sqrt(variance * tau / n) * few(n / tau - 1)
    phi = float(centred[1:] @ centred[:-1]) / square
    phi = min(max(0.0, phi + (1 + 3 * phi) / n), 0.999) if phi > 0.0 else 0.0
    tau = max(tau, (1 + phi) / (1 - phi))
    tau = min(tau * (1 + 4 * tau / n), n / 2)  # a stretch that is taken for steady has wandered little
    u = math.sqrt(variance * tau / n) * few(n / tau - (3 if phi > 0.5 else 1))  # its memory is a guess too
    length = n // _BLOCKS
    if length < 4:
        return u
    blocks = centred[: length * _BLOCKS].reshape(_BLOCKS, length).mean(axis=1)
    steps = np.diff(blocks)
    seen = float(steps @ steps) / (2 * len(steps))
    if seen > SLOW**2 * _block_variance(phi, variance, length):
        u = max(u, SLOW_U * math.sqrt(seen))
    return u


def _block_variance(phi: float, variance: float, length: int) -> float:
    """Allan variance of means over so many samples of AR(1) noise of that variance."""
    total = (1 - phi**length) / (1 - phi)
    of_mean = (variance / length) * ((1 + phi) / (1 - phi) - 2 * phi * total / (length * (1 - phi)))
    return of_mean - variance * phi * total * total / (length * length)


def standard_error(values: Values, tau: float) -> float:
    """Standard error of the mean of values with memory time tau: s √(tau/n); 0 for fewer than 2 values."""
    _some(values)
    if len(values) < 2:
        return 0.0
    return float(values.std(ddof=1)) * math.sqrt(tau / len(values))


def _some(values: Values) -> None:
    if len(values) == 0:
        raise ValueError("there are no values")


class SampleRing:
    """Times in seconds (never falling), x and y in degrees, and whether the sample counts in a mean."""

    def __init__(self, span_s: float, most: int = 400_000) -> None:
        """Keeps `span_s` seconds, and never more than `most` samples."""
        self._span_s = span_s
        self._most = most
        self._time = array("d")
        self._x = array("d")
        self._y = array("d")
        self._counts = array("b")
        self._start = 0  # everything before is out of date and waits to be cleared away

    def __len__(self) -> int:
        return len(self._time) - self._start

    def add(self, time_s: float, x_deg: float, y_deg: float, *, counts: bool = True) -> None:
        """Take a sample in, and let the oldest go."""
        self._time.append(time_s)
        self._x.append(x_deg)
        self._y.append(y_deg)
        self._counts.append(counts)
        oldest_s = time_s - self._span_s
        while self._time[self._start] < oldest_s or len(self) > self._most:
            self._start += 1
        if self._start > 4096 and self._start > len(self):
            for column in (self._time, self._x, self._y, self._counts):
                del column[: self._start]
            self._start = 0

    def since(self, time_s: float, *, at_least: int = 0) -> tuple[Values, Values, Values]:
        """Times, x and y of the samples from a time on, or of the last `at_least`; only those that count."""
        first = bisect_left(self._time, time_s, lo=self._start)
        first = max(self._start, min(first, len(self._time) - at_least))
        counts = np.array(self._counts[first:], dtype=np.bool_)
        columns = [np.array(column[first:], dtype=np.float64) for column in (self._time, self._x, self._y)]
        return columns[0][counts], columns[1][counts], columns[2][counts]

    def mean_since(self, time_s: float) -> tuple[float, float] | None:
        """Mean x and y of the (few) samples from a time on that count; None where none does."""
        first = bisect_left(self._time, time_s, lo=self._start)
        counts = self._counts[first:]
        n = sum(counts)
        if not n:
            return None
        x_deg, y_deg = (sum(compress(column[first:], counts)) / n for column in (self._x, self._y))
        return x_deg, y_deg

    def clear(self) -> None:
        """Forget all samples."""
        for column in (self._time, self._x, self._y, self._counts):
            del column[:]
        self._start = 0


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
