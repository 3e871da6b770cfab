"""The figures of a stream of samples that may remember each other: spread, memory, deviation, and their ring.

All functions take 1-D float64 arrays in any unit and raise ValueError for an empty one.
"""

from __future__ import annotations

import math
from array import array
from bisect import bisect_left
from functools import lru_cache

import numpy as np
from numpy import fft
from numpy.typing import NDArray

from shimfit.core.uncertainty.budget import students_t95
from shimfit.errors import EntryError
from shimfit.values import dataclass

Values = NDArray[np.float64]


MAD_TO_SD = 1.4826
"""1 ÷ (the normal distribution's 75 % point): median absolute deviation to standard deviation."""


def median(values: Values) -> float:
    """Median of finite values, by a plain sort: numpy's own way costs five times that on few samples."""
    _some(values)
    ranked, n = np.sort(values), len(values)
    return float(ranked[(n - 1) // 2] + ranked[n // 2]) / 2


def robust_spread(values: Values) -> float:
    """Standard deviation from the median absolute deviation, × 1.4826: blind to single knocks."""
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


SETTLES = 0.6
"""A beginning is left out where that makes the mean's standard error smaller by this factor, squared."""
_BATCH = 5


def settled_from(values: Values) -> int:
    """Index from which on the values have settled: the tail of a movement before it is left out.

    Marginal standard error rule (White 1997, "MSER-5"): of the starts in the first half, in means of five
    values, the one with the least Σ(v - mean)² ÷ m² of the m means that remain; 0 where leaving the
    beginning out hardly helps, or a straight line through all does as well (a creep, not a tail).
    """
    m = len(values) // _BATCH
    if m < 16:
        return 0
    means = values[len(values) - m * _BATCH :].reshape(m, _BATCH).mean(axis=1)
    means -= means.mean()
    left = np.arange(m, 0, -1, dtype=np.float64)
    sums, squares = np.cumsum(means[::-1])[::-1], np.cumsum(means[::-1] ** 2)[::-1]
    errors = ((squares - sums * sums / left) / left**2)[: m // 2 + 1]
    best = int(errors.argmin())
    about_line = straight_line(left, means)[1]
    least = min(float(errors[0]), float(about_line @ about_line) / m**2)
    return len(values) - (m - best) * _BATCH if errors[best] < SETTLES * least else 0


_NORMAL95 = 1.960


def few(freedom: float) -> float:
    """By how much Student's t widens a standard uncertainty known from so few independent values, ≥ 1."""
    freedom, most = max(1.0, freedom), 10
    if freedom >= most:
        return 1.0 + (students_t95(most) / _NORMAL95 - 1.0) * most / freedom
    low, high = (students_t95(int(freedom) + one) for one in (0, 1))
    return (low + (high - low) * (freedom - int(freedom))) / _NORMAL95


LASTS_S = 200.0
"""1/f noise is taken to go on for this long: a zero is minutes old when it is used."""
_MEMORIES, _LONGEST_MEMORY = 16, 4.0
"""Memories thought of, up to so many stretches: what remembers for longer needs a long still record."""
_MEMORY_WHITE = (0.0, 0.1, 0.3, 0.6, 0.85)
"""Shares of white noise beside a decaying memory, and beside 1/f noise."""
_FLICKER_WHITE = (0.0, 0.1, 0.3, 0.6, 0.8, 0.9, 0.95)
_PRIOR_WHITE, _PRIOR_MEMORY, _PRIOR_FLICKER = 0.8, 0.1, 0.1
"""How likely each family is before anything was measured (common practice, no source)."""
_LEAST_FOR_A_SPECTRUM = 8


@dataclass(frozen=True, slots=True)
class _Spectra:
    """Shapes that the noise of n samples may have, each of variance about 1."""

    starts: NDArray[np.intp]
    """First frequency of each band, from 0 = the stretch's own; bands widen by a quarter."""
    counts: Values
    """Frequencies in each band."""
    density: Values
    """(shape, band): power, 1 for white noise."""
    mean_variance: Values
    """(shape,): variance of the mean of the n samples."""
    log_prior: Values


@lru_cache(maxsize=128)
def _spectra(n: int, tau: float, lasts: float) -> _Spectra:
    """`tau` > 0: the memory is known, in samples; `lasts`: how many stretches 1/f noise goes on for."""
    starts = [0]
    while (following := max(starts[-1] + 1, int(1.25 * starts[-1]))) < (n - 1) // 2:
        starts.append(following)
    ends = np.array([*starts[1:], (n - 1) // 2], dtype=np.float64)
    index = np.sqrt((np.array(starts) + 1.0) * ends)  # of each band's middle: 1 is one swing a stretch
    density, mean_variance, prior = [], [], []

    def add(white: float, shape: Values, of_mean: float, weight: float) -> None:
        density.append((1 - white) * shape + white)
        mean_variance.append((1 - white) * of_mean + white / n)
        prior.append(math.log(weight))

    def add_memory(memory: float, whites: tuple[float, ...], weight: float) -> None:
        phi = (memory - 1) / (memory + 1)
        shape = (1 - phi * phi) / (1 - 2 * phi * np.cos(2 * math.pi * index / n) + phi * phi)
        of_mean = (memory - 2 * phi * (1 - phi**n) / (n * (1 - phi) ** 2)) / n
        for white in whites:
            add(white, shape, of_mean, weight / len(whites))

    if tau > 0.0:
        add_memory(max(1.0, tau), (0.0,), 1.0)
    else:
        add(1.0, np.ones(len(index)), 0.0, _PRIOR_WHITE)
        for memory in np.geomspace(1.6, _LONGEST_MEMORY * n, _MEMORIES):
            add_memory(float(memory), _MEMORY_WHITE, _PRIOR_MEMORY / _MEMORIES)
        for white in _FLICKER_WHITE:
            shape = n / (2 * math.log(n / 2) * index)
            add(white, shape, math.log(lasts) / math.log(n / 2), _PRIOR_FLICKER / len(_FLICKER_WHITE))
    return _Spectra(
        np.array(starts), ends - starts, np.array(density), np.array(mean_variance), np.array(prior)
    )


def mean_uncertainty(values: Values, seconds: float, known_tau: float = 0.0) -> float:
    """Standard uncertainty of the mean of evenly spaced values that may remember each other; 2 u covers 95 %.

    The noise's spectrum may be white, of a decaying memory (AR(1)) beside white noise, or 1/f beside white
    noise. Each shape of these families is weighted by how likely it makes the periodogram (Whittle 1953; a
    shape's size is the likeliest one), and u² is the weighted mean of what each shape makes of the mean's
    variance: a short stretch, in which a long memory and 1/f noise look alike, counts both. `seconds` =
    length of the stretch. `known_tau` in samples, from a long still record, leaves one shape only.
    """
    _some(values)
    n = len(values)
    centred = values - values.mean()
    square = float(centred @ centred)
    if n < 3 or square <= 1e-24 * max(1.0, float(np.abs(values).max()) ** 2) * n:
        return 0.0
    if n < _LEAST_FOR_A_SPECTRUM:
        return math.sqrt(square / (n - 1) * max(1.0, known_tau) / n) * few(n - 1)
    power = np.abs(fft.rfft(centred)[1 : (n - 1) // 2 + 1]) ** 2 / n
    shapes = _spectra(n, round(known_tau, 1), max(math.e, round(LASTS_S / max(seconds, 1e-3), 1)))
    spectrum = np.add.reduceat(power, shapes.starts) / shapes.counts
    size = (spectrum / shapes.density) @ shapes.counts / len(power)
    log_likely = shapes.log_prior - np.log(shapes.density) @ shapes.counts - len(power) * np.log(size)
    weight = np.exp(log_likely - log_likely.max())
    variance = float(weight @ (size * shapes.mean_variance) / weight.sum())
    return math.sqrt(variance) * few(n - 2)


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
    """What a still record shows of one axis. Degrees and seconds."""

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

    Raises EntryError for a record that is too short to show anything.
    """
    n = len(values_deg)
    if n < LEAST_SAMPLES:
        raise EntryError(f"A still record of {n} samples is too short; {LEAST_SAMPLES} are the least.")
    slope, residuals = straight_line(np.arange(n, dtype=np.float64) * period_s, values_deg)
    lengths = [1]  # 1, 2, 4, … samples, while enough averages of that length fit
    while 2 * lengths[-1] * _LEAST_PAIRS <= n:
        lengths.append(2 * lengths[-1])
    curve = tuple(AllanPoint(m * period_s, overlapping_allan(values_deg, m)) for m in lengths)
    bottom = min(curve, key=lambda point: point.deviation_deg)
    at_1_s = min(curve, key=lambda point: abs(math.log(point.seconds)))
    return SensorCharacter(
        samples=n,
        seconds=n * period_s,
        spread_deg=robust_spread(residuals),
        memory_s=memory_time(residuals) * period_s,
        density_deg=at_1_s.deviation_deg * math.sqrt(at_1_s.seconds),
        drift_deg_per_min=60 * slope,
        floor_deg=bottom.deviation_deg,
        floor_s=bottom.seconds,
        still_falling=bottom is curve[-1],
        curve=curve,
    )


def characters_of(times_s: Values, x_deg: Values, y_deg: Values) -> dict[str, SensorCharacter]:
    """Of both axes of a still record, by name; raises EntryError when it is too short."""
    n = len(times_s)
    period_s = float(times_s[-1] - times_s[0]) / (n - 1) if n > 1 else 1.0
    return {name: sensor_character(v, period_s or 1.0) for name, v in (("x", x_deg), ("y", y_deg))}


def character_lines(name: str, one: SensorCharacter) -> list[str]:
    """One axis's character in sentences."""
    longer = " (still falling there: a longer record would show more)" if one.still_falling else ""
    lines = [
        f"{name}: {one.samples} samples in {one.seconds:.0f} s",
        f"  single samples scatter by {one.spread_deg:.4f}°, and remember for {one.memory_s:.2f} s",
        f"  drift {one.drift_deg_per_min:+.4f}° a minute",
        f"  averaging stops helping at {one.floor_s:.3g} s: floor {one.floor_deg:.4f}°{longer}",
    ]
    if one.density_deg > 0:
        lines.append(f"  ± 0.02° (k = 2) takes a hold of {hold_needed_s(one.density_deg, 0.01):.1f} s")
    return lines


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
    lines = []
    for at, row in enumerate(rows):
        labelled = at in (0, height // 2, height - 1)
        label = f"{10 ** (high - tall * at / (height - 1)):8.2g}°" if labelled else " " * 9
        lines.append(f"{label} │{''.join(row).rstrip()}")
    start, end = f"{10**left:.3g} s", f"{10**right:.3g} s"
    return "\n".join([*lines, " " * 10 + "└" + "─" * width, " " * 11 + start + end.rjust(width - len(start))])
