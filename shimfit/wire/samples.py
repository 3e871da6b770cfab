"""Samples: what a line or a frame holds, judged; what was refused, and why, counted."""

from __future__ import annotations

import math
from bisect import insort
from collections import deque
from dataclasses import field, replace
from enum import StrEnum
from typing import TYPE_CHECKING, NamedTuple

from shimfit.core.lean import from_elevations, from_tangent_angles
from shimfit.model import Lean
from shimfit.values import dataclass
from shimfit.wire.formats import PAIR, TANGENT_UNITS, TRIPLE, UNITS

if TYPE_CHECKING:
    from collections.abc import Mapping

    from shimfit.wire.formats import Described


class Refusal(StrEnum):
    """Why bytes did not become a sample. The value is the key in the JSON of `listen`."""

    BAD_CHECKSUM = "bad_checksum"
    NO_CHECKSUM = "no_checksum"
    FIELD_COUNT = "field_count"
    """An XDR sentence whose fields are not its name and whole groups of four."""
    COLUMN_COUNT = "column_count"
    NOT_A_NUMBER = "not_a_number"
    OUT_OF_RANGE = "out_of_range"
    NOT_ONE_G = "not_one_g"
    """An acceleration triple whose size is not between 0.9 and 1.1 g."""
    DAMAGED_BYTE = "damaged_byte"
    """A NUL, control or non-ASCII byte: a byte was lost or made up on the way."""
    TRUNCATED = "truncated"
    """The front of a line that another sentence cut into."""
    UNFINISHED = "unfinished"
    """A line (or an answer) that was not complete when the link was lost."""
    TOO_LONG = "too_long"
    UNPAIRED = "unpaired"
    """One axis without the other in time."""
    REPEAT = "repeat"
    """Same device time and same values as before."""
    BAD_CRC = "bad_crc"
    SHORT_ANSWER = "short_answer"
    NO_ANSWER = "no_answer"
    WRONG_STATION = "wrong_station"
    WRONG_FUNCTION = "wrong_function"
    WRONG_BYTE_COUNT = "wrong_byte_count"
    DEVICE_REFUSED = "device_refused"


@dataclass(slots=True)
class Tally:
    """Running counts of one stream. One owner writes it; copy it to show it elsewhere."""

    bytes: int = 0
    good: int = 0
    """Samples with both directions."""
    other: int = 0
    """Lines that are no errors and no angles: other sentences, comments, start-up chatter."""
    refused: dict[Refusal, int] = field(default_factory=dict)
    falls: int = 0
    """How often the sensor was in free fall, where it sends accelerations."""
    gravity_g: float | None = None
    """Size of the newest acceleration triple; None where none came."""

    def refuse(self, reason: Refusal) -> None:
        """Count a refusal."""
        self.refused[reason] = self.refused.get(reason, 0) + 1

    @property
    def refused_total(self) -> int:
        """All refusals together."""
        return sum(self.refused.values())

    def copy(self) -> Tally:
        """An independent copy, to be shown while this one goes on."""
        return replace(self, refused=dict(self.refused))


class Sample(NamedTuple):
    """Angles of lean along the sensor's own x and y, in degrees. A tuple: thousands come a second."""

    time_s: float
    """When its last byte arrived, on the stream's monotonic clock."""
    x_deg: float
    y_deg: float
    moving: bool = False
    """True when the acceleration was not gravity alone: kept and logged, left out of means."""
    clock_jumped: bool = False
    """True when the device's own clock went backwards or leapt: the time base starts anew here."""


_LEAST_S, _LEAST_COUNT = 2.0, 4


@dataclass(slots=True)
class Pace:
    """Seconds from sample to sample, from counts over seconds: links deliver in bursts."""

    period_s: float | None = None
    """None until a stretch of _LEAST_S and _LEAST_COUNT was seen; then the last that is known."""
    _start_s: float | None = None
    _count: int = 0

    def tick(self, time_s: float) -> None:
        """Count one sample."""
        if self._start_s is None or time_s < self._start_s:
            self._start_s, self._count = time_s, 0
            return
        self._count += 1
        spent_s = time_s - self._start_s
        if spent_s >= _LEAST_S and self._count >= _LEAST_COUNT:
            self.period_s = spent_s / self._count
            self._start_s, self._count = time_s, 0

    def restart(self) -> None:
        """Begin a new stretch."""
        self._start_s = None


def slopes(x_deg: float, y_deg: float, *, elevation: bool) -> Lean:
    """Slopes along the sensor's x and y (in that order) of a pair of angles of lean in degrees.

    Elevation: each angle is its axis against the horizontal, counted positive where the top leans that
    way (the axis's + end is down). Otherwise each is measured in its own upright plane. Raises EntryError
    for a pair that two axes at right angles can't have.
    """
    return from_elevations(-x_deg, -y_deg) if elevation else from_tangent_angles(x_deg, y_deg)


_LEAST_G, _MOST_G = 0.9, 1.1
"""A post at rest feels 1 g. Further off is a knock, or a chip whose range or scale is not what was stated."""
_FALL_G, _FALL_SAMPLES = 0.3, 3
"""So little for so many samples in a row is a fall (0.1 s is 5 cm): its zero is not what it was."""
_MOVING_SHARE = 0.02
"""The triple's size off its own median by more than this is more than gravity: the post is moving."""
_KEPT_SIZES = 201
_JUMP_PERIODS, _LEAST_FOR_PERIOD = 5, 8
"""The device's clock leapt: by so many of its periods, once so many samples have shown them."""


def values_of(description: Described, time_s: float, x_deg: float, y_deg: float) -> dict[str, float]:
    """What a device of this description measures of a lean, by name, in its units: `Measure` turned round."""
    tan_x, tan_y = math.tan(math.radians(x_deg)), math.tan(math.radians(y_deg))
    up = 1 / math.sqrt(1 + tan_x * tan_x + tan_y * tan_y)
    known = {"time": time_s, "x": x_deg, "y": y_deg, "ax": -tan_x * up, "ay": -tan_y * up, "az": up}
    slope = {"x": tan_x, "y": tan_y}
    return {"time": time_s} | {
        name: (-1.0 if name in description.flip else 1.0)
        * (slope if unit in TANGENT_UNITS else known)[name]
        / UNITS[name][unit]
        for name, unit in description.units.items()
        if name in known
    }


class Measure:
    """Numbers by name in, a judged sample out; remembers what has to be compared with earlier ones."""

    def __init__(self, description: Described, tally: Tally) -> None:
        units = description.units
        self._tally = tally
        self._range_deg = description.range_deg
        self._is_triple = "ax" in units
        self._measured = [
            (
                name,
                (-1.0 if name in description.flip else 1.0) * UNITS[name][units[name]],
                units[name] in TANGENT_UNITS,
            )
            for name in (TRIPLE if self._is_triple else PAIR)
        ]
        self._time_worth_s = UNITS["time"][units["time"]] if "time" in units else None
        self._sizes: deque[float] = deque()
        self._ranked_sizes: list[float] = []
        self._falling = 0
        self._last: tuple[float, list[float]] | None = None
        self._clock_from_s, self._clock_count = 0.0, 0

    def sample(self, values: Mapping[str, float], time_s: float) -> Sample | None:
        """Judge the values of one line or answer; counts what it refuses."""
        judged = self._judge(values, time_s)
        if isinstance(judged, Refusal):
            self._tally.refuse(judged)
            return None
        self._tally.good += 1
        return judged

    def _judge(self, values: Mapping[str, float], time_s: float) -> Sample | Refusal:
        numbers = [
            math.degrees(math.atan(values[name] * worth)) if is_slope else values[name] * worth
            for name, worth, is_slope in self._measured
        ]
        moving = jumped = False
        if not all(map(math.isfinite, numbers)):
            return Refusal.NOT_A_NUMBER
        if self._is_triple:
            size = math.hypot(*numbers)
            self._tally.gravity_g = size
            self._falling = self._falling + 1 if size < _FALL_G else 0
            self._tally.falls += self._falling == _FALL_SAMPLES
            if not _LEAST_G <= size <= _MOST_G:
                return Refusal.NOT_ONE_G
            along, across, up = numbers
            if up <= 0:
                return Refusal.OUT_OF_RANGE
            x_deg, y_deg = math.degrees(math.atan2(-along, up)), math.degrees(math.atan2(-across, up))
            moving = self._is_moving(size)
        else:
            x_deg, y_deg = numbers
        if abs(x_deg) > self._range_deg or abs(y_deg) > self._range_deg:
            return Refusal.OUT_OF_RANGE
        if self._time_worth_s is not None:
            now = values["time"] * self._time_worth_s, numbers
            if now == self._last:
                return Refusal.REPEAT
            jumped = self._clock_jumped(now[0])
            self._last = now
        return Sample(time_s, x_deg, y_deg, moving, jumped)

    def _is_moving(self, size: float) -> bool:
        """The triple's size is off the median of those before it; takes it in."""
        ranked = self._ranked_sizes
        median = ranked[len(ranked) // 2] if ranked else size
        if len(self._sizes) >= _KEPT_SIZES:
            ranked.remove(self._sizes.popleft())
        self._sizes.append(size)
        insort(ranked, size)
        return abs(size - median) > _MOVING_SHARE * median

    def _clock_jumped(self, device_s: float) -> bool:
        """The device's own clock went backwards, or leapt."""
        last_s = device_s if self._last is None else self._last[0]
        step_s, count = device_s - last_s, self._clock_count
        leapt = count >= _LEAST_FOR_PERIOD and step_s > _JUMP_PERIODS * (last_s - self._clock_from_s) / count
        if self._last is None or step_s < 0 or leapt:
            self._clock_from_s, self._clock_count = device_s, 0
        else:
            self._clock_count += 1
        return step_s < 0 or leapt

    def restart(self) -> None:
        """Compare nothing across a gap."""
        self._last, self._clock_count = None, 0
