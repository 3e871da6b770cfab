"""One sample from an inclinometer, whatever format it came in."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, NamedTuple, Protocol

from shimfit.core.lean import from_elevations, from_tangent_angles
from shimfit.model import Lean


class Sample(NamedTuple):
    """Angles of lean along the sensor's own x and y, in degrees, at an arrival time.

    A named tuple, because some thousand are made each second.
    """

    time_s: float
    """When its last byte arrived, on the stream's monotonic clock."""
    x_deg: float
    y_deg: float
    moving: bool = False
    """True when the acceleration was not gravity alone: kept and logged, left out of means."""
    clock_jumped: bool = False
    """True when the device's own clock went backwards or leapt: the time base starts anew here."""


class Reader(Protocol):
    """Whole lines in, samples out, the rest counted: what every line format does."""

    format: str
    """`xdr` or `text`."""
    elevation: bool
    """True when each angle is an axis against the horizontal, False when angles are of plumb planes."""

    @property
    def step_deg(self) -> float | None:
        """Output step that the last printed values show; None where it can't be told."""

    def read(self, line: bytes, time_s: float) -> Sample | None:
        """The sample that this line completes, if any. Never raises: what can't be read is counted."""

    def restart(self) -> None:
        """Forget everything that must not be joined across a gap in the stream."""


@dataclass(slots=True)
class Pace:
    """Seconds from sample to sample, from counts over seconds.

    Links deliver in bursts, so neighbouring arrival times say nothing.
    """

    period_s: float | None = None
    """None until a stretch of LEAST_S and LEAST_COUNT was seen."""
    _start_s: float | None = None
    _count: int = 0

    LEAST_S: ClassVar[float] = 2.0
    LEAST_COUNT: ClassVar[int] = 4

    def tick(self, time_s: float) -> None:
        """Count one sample."""
        if self._start_s is None or time_s < self._start_s:
            self._start_s = time_s
            self._count = 0
            return
        self._count += 1
        spent_s = time_s - self._start_s
        if spent_s >= self.LEAST_S and self._count >= self.LEAST_COUNT:
            self.period_s = spent_s / self._count
            self._start_s = time_s
            self._count = 0

    def restart(self) -> None:
        """Begin a new stretch; the last known period stays until it is replaced."""
        self._start_s = None
        self._count = 0


def slopes(x_deg: float, y_deg: float, *, elevation: bool) -> Lean:
    """Slopes along the sensor's x and y (in that order) of a pair of angles of lean in degrees.

    Elevation: each angle is its axis against the horizontal, counted positive where the top leans that
    way (the axis's + end is down). Otherwise each is measured in its own upright plane. Raises EntryError
    for a pair that two axes at right angles can't have.
    """
    if elevation:
        return from_elevations(-x_deg, -y_deg)
    return from_tangent_angles(x_deg, y_deg)
