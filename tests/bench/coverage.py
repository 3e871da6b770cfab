"""How often U = 2 u covers the lean, by kind of noise: streams of text through the whole way to a reading.

    python tests/bench/coverage.py [STREAMS] [--first NUMBER]     200 of each kind, from generator number 0

Each stream is printed as a sensor prints it, parsed, watched and held as on a post. The lean is known to the
generator; the zero is taken for exactly known, so that only noise, memory, steps and drift are in U. The aim
is 93 %.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from shimfit.core.sensing.mounting import SensorZero
from shimfit.core.sensing.watch import Held, SensorErrors
from shimfit.wire.formats import parse_description
from shimfit.wire.stream import ListenOptions, Stream

AIM = 0.93
LONGEST_S = 40.0
Draw = np.random.Generator
Noise = Callable[[Draw, int], Any]


def remembering(phi: float) -> Noise:
    """AR(1), standard deviation 1."""

    def make(draw: Draw, n: int) -> Any:
        fresh = draw.normal(size=n) * math.sqrt(1 - phi * phi)
        values = np.empty(n)
        values[0] = draw.normal()
        for k in range(1, n):
            values[k] = phi * values[k - 1] + fresh[k]
        return values

    return make


def flicker(draw: Draw, n: int) -> Any:
    """1/f noise of standard deviation 1 about the mean of two minutes; the stream is a stretch of it."""
    total = 6000
    frequency = np.fft.rfftfreq(total)
    frequency[0] = 1.0
    values = np.fft.irfft(np.fft.rfft(draw.normal(size=total)) / np.sqrt(frequency), total)
    values = (values - values.mean()) / values.std()
    start = int(draw.integers(0, total - n))
    return values[start : start + n]


def white(draw: Draw, n: int) -> Any:
    """White, standard deviation 1."""
    return draw.normal(size=n)


def shaking(draw: Draw, n: int) -> Any:
    """12 Hz at 50 samples a second, amplitude 1, over a little white noise."""
    return np.sin(2 * np.pi * 12 * np.arange(n) / 50 + draw.uniform(0, 6)) + 0.025 * draw.normal(size=n)


def settling(draw: Draw, n: int) -> Any:
    """A pack has just gone in, at 50 samples a second: lag and ring die away under white noise of 1."""
    t = np.arange(n) / 50
    return 40 * np.exp(-t / 0.3) + 15 * np.exp(-t / 0.66) * np.cos(2 * np.pi * 4 * t) + draw.normal(size=n)


# name: (noise, its size in degrees, output step, samples a second, creep in degrees a second)
KINDS: dict[str, tuple[Noise, float, float, float, float]] = {
    "white": (white, 0.02, 0.001, 50, 0),
    "white, 10 a second": (white, 0.02, 0.001, 10, 0),
    "white, 2 a second": (white, 0.02, 0.001, 2, 0),
    "AR(0.8)": (remembering(0.8), 0.02, 0.001, 50, 0),
    "AR(0.9)": (remembering(0.9), 0.02, 0.001, 50, 0),
    "AR(0.95)": (remembering(0.95), 0.02, 0.001, 50, 0),
    "AR(0.98)": (remembering(0.98), 0.02, 0.001, 50, 0),
    "AR(0.95), 10 a second": (remembering(0.95), 0.02, 0.001, 10, 0),
    "AR(0.98) of 0.05": (remembering(0.98), 0.05, 0.001, 50, 0),
    "1/f": (flicker, 0.02, 0.001, 50, 0),
    "1/f of 0.05": (flicker, 0.05, 0.001, 50, 0),
    "steps of 0.1, flickering": (white, 0.03, 0.1, 50, 0),
    "steps of 0.1, never changing": (white, 0.0, 0.1, 50, 0),
    "12 Hz shaking": (shaking, 0.2, 0.001, 50, 0),
    "a pack has gone in": (settling, 0.02, 0.001, 50, 0),
    "creep 0.1 a minute": (white, 0.005, 0.001, 50, 0.1 / 60),
}
TEXT = parse_description('format = "text"\ncolumns = ["x:deg", "y:deg"]\nkind = "tangent"\n', "bench")


def held_of(name: str, number: int, sensor_errors: SensorErrors | None = None) -> tuple[Held, float] | None:
    """(reading, lean at its end) of one stream; None when none was taken."""
    noise, size_deg, step_deg, rate_hz, creep = KINDS[name]
    draw = np.random.default_rng([number, len(name)])
    n = round(LONGEST_S * rate_hz)
    lean_deg = draw.uniform(-1, 1)
    x, y = (lean_deg + size_deg * noise(draw, n) for _ in range(2))
    options = ListenOptions(
        description=TEXT, zero=SensorZero(0.0, 0.0, 0.0), sensor_errors=sensor_errors or SensorErrors()
    )
    stream = Stream(options)
    stream.opened(0.0)
    stream.feed(0.0, b"0,0\n")  # the first line is never believed
    for k in range(n):
        time_s = (k + 1) / rate_hz
        values = [round((v + creep * time_s) / step_deg) * step_deg for v in (x[k], y[k])]
        stream.feed(time_s, b"%.3f,%.3f\n" % tuple(values))
        if stream.last_taken is not None:
            return stream.last_taken, lean_deg + creep * time_s
    return None


@dataclass(frozen=True)
class Row:
    """What a kind of noise came to."""

    covered: float
    """Share of both axes' leans within U = 2 u."""
    given: float
    """Share of the streams that gave a reading."""
    rms_deg: float
    u_deg: tuple[float, float, float]
    """10 %, 50 % and 90 % point of u."""
    taken_s: tuple[float, float]
    """Seconds from the stream's beginning until TAKEN: half of them, nine in ten."""


def row_of(name: str, numbers: range, sensor_errors: SensorErrors | None = None) -> Row:
    """One kind, by streams of these generator numbers."""
    hits, errors, us, taken_s, given = [], [], [], [], 0
    for number in numbers:
        found = held_of(name, number, sensor_errors)
        if found is None:
            continue
        held, lean_deg = found
        given += 1
        taken_s.append(held.time_s)
        for value, u in ((held.x_deg, held.u_x_deg), (held.y_deg, held.u_y_deg)):
            errors.append(value - lean_deg)
            us.append(u)
            hits.append(abs(value - lean_deg) <= 2 * u)
    if not given:
        return Row(0.0, 0.0, 0.0, (0.0, 0.0, 0.0), (0.0, 0.0))
    low, middle, high = (float(point) for point in np.percentile(us, (10, 50, 90)))
    half, most = (float(point) for point in np.percentile(taken_s, (50, 90)))
    rms_deg = float(np.sqrt(np.mean(np.square(errors))))
    return Row(float(np.mean(hits)), given / len(numbers), rms_deg, (low, middle, high), (half, most))


def main() -> int:
    """Print the table; 1 when a kind is under the aim."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("streams", nargs="?", type=int, default=200, help="of each kind (default 200)")
    parser.add_argument("--first", type=int, default=0, help="first generator number (default 0)")
    parser.add_argument("--kind", help="only kinds with this in their name")
    args = parser.parse_args()
    numbers = range(args.first, args.first + args.streams)
    print(f"{'kind':<32} covered   given  rms error   u: 10 %    50 %    90 %   TAKEN after: half, 90 %")
    worst = 1.0
    known = replace(SensorErrors(), memory_s=99 / 50)
    for name in KINDS:
        if args.kind and args.kind not in name:
            continue
        for reported, sensor_errors in (
            (name, None),
            *([(f"{name}, memory known", known)] if name == "AR(0.98)" else []),
        ):
            row = row_of(name, numbers, sensor_errors)
            worst = min(worst, row.covered)
            points = "  ".join(f"{u:6.4f}" for u in row.u_deg)
            print(
                f"{reported:<32} {100 * row.covered:6.1f}%  {100 * row.given:5.1f}%  {row.rms_deg:8.4f}°   "
                f"{points}°  {row.taken_s[0]:5.1f} s  {row.taken_s[1]:5.1f} s",
                flush=True,
            )
    return 0 if worst >= AIM else 1


if __name__ == "__main__":
    sys.exit(main())
