"""Values of one sample, in whatever unit they were sent, to angles of lean; shared by text and Modbus."""

from __future__ import annotations

import math
from bisect import insort
from collections import deque
from typing import TYPE_CHECKING

from shimfit.wire.dialects.description import (
    ANGLE_UNITS,
    FORCE_UNITS,
    PAIR,
    TANGENT_UNITS,
    TIME_UNITS,
    TRIPLE,
)
from shimfit.wire.sample import Sample
from shimfit.wire.tally import Refusal

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from shimfit.wire.tally import Tally

_LEAST_G, _MOST_G = 0.5, 1.5
_MOVING_SHARE = 0.02
"""The triple's size off its own median by more than this is more than gravity: the post is moving."""
_KEPT_NORMS = 201
_JUMP_PERIODS = 5
_LEAST_FOR_PERIOD = 8


class Measure:
    """Numbers by name in, a judged sample out; remembers what has to be compared with earlier ones."""

    def __init__(
        self,
        units: Mapping[str, str],
        tally: Tally,
        *,
        scales: Mapping[str, float],
        range_deg: float,
    ) -> None:
        """`units` by name; `scales`: worth of one count, and the sign, of each measured name."""
        self._tally = tally
        self._range_deg = range_deg
        self._is_triple = "ax" in units
        names = TRIPLE if self._is_triple else PAIR
        self._convert = [(name, _conversion(name, units[name], scales.get(name, 1.0))) for name in names]
        self._time_worth_s = TIME_UNITS[units["time"]] if "time" in units else None
        self._norms = _RunningMedian()
        self._clock = _DeviceClock()

    def sample(self, values: Mapping[str, float], time_s: float) -> Sample | None:
        """Judge the values of one line or answer; counts what it refuses."""
        numbers = [convert(values[name]) for name, convert in self._convert]
        if not all(map(math.isfinite, numbers)):
            self._tally.refuse(Refusal.NOT_A_NUMBER)
            return None
        moving = False
        if self._is_triple:
            norm = math.hypot(*numbers)
            if not _LEAST_G <= norm <= _MOST_G:
                self._tally.refuse(Refusal.NOT_ONE_G)
                return None
            along, across, up = numbers
            if up <= 0:
                self._tally.refuse(Refusal.OUT_OF_RANGE)
                return None
            x_deg, y_deg = math.degrees(math.atan2(-along, up)), math.degrees(math.atan2(-across, up))
            moving = self._norms.is_off(norm)
        else:
            x_deg, y_deg = numbers
        if abs(x_deg) > self._range_deg or abs(y_deg) > self._range_deg:
            self._tally.refuse(Refusal.OUT_OF_RANGE)
            return None
        repeat, jumped = self._compare_clock(values, numbers)
        if repeat:
            self._tally.refuse(Refusal.REPEAT)
            return None
        self._tally.good += 1
        return Sample(time_s, x_deg, y_deg, moving, jumped)

    def _compare_clock(self, values: Mapping[str, float], numbers: list[float]) -> tuple[bool, bool]:
        """(repeat, jumped) by the device's own time, where it sends one."""
        if self._time_worth_s is None:
            return False, False
        return self._clock.compare(values["time"] * self._time_worth_s, tuple(numbers))

    def restart(self) -> None:
        """Compare nothing across a gap."""
        self._clock.restart()


def _conversion(name: str, unit: str, scale: float) -> Callable[[float], float]:
    """From the sent unit to g (triple) or degrees (pair), scale and sign included."""
    if name in TRIPLE:
        worth = FORCE_UNITS[unit] * scale
        return lambda value: value * worth
    if unit in TANGENT_UNITS:
        worth = TANGENT_UNITS[unit] * scale
        return lambda value: math.degrees(math.atan(value * worth))
    worth = ANGLE_UNITS[unit] * scale
    return lambda value: value * worth


class _RunningMedian:
    """Median of the last some hundred sizes of a triple."""

    def __init__(self) -> None:
        self._order: deque[float] = deque()
        self._sorted: list[float] = []

    def is_off(self, norm: float) -> bool:
        """True when this size is more than 2 % off the median of those before it; takes it in."""
        median = self._sorted[len(self._sorted) // 2] if self._sorted else norm
        if len(self._order) >= _KEPT_NORMS:
            self._sorted.remove(self._order.popleft())
        self._order.append(norm)
        insort(self._sorted, norm)
        return abs(norm - median) > _MOVING_SHARE * median


class _DeviceClock:
    """The device's own time: repeats, and a clock that went backwards or leapt."""

    def __init__(self) -> None:
        self._last: tuple[float, tuple[float, ...]] | None = None
        self._start_s = 0.0
        self._count = 0

    def compare(self, time_s: float, values: tuple[float, ...]) -> tuple[bool, bool]:
        """(repeat, jumped)."""
        last = self._last
        if last == (time_s, values):
            return True, False
        self._last = (time_s, values)
        if last is None:
            self._start(time_s)
            return False, False
        step_s = time_s - last[0]
        if step_s < 0 or self._leapt(step_s, last[0]):
            self._start(time_s)
            return False, True
        self._count += 1
        return False, False

    def _leapt(self, step_s: float, last_s: float) -> bool:
        if self._count < _LEAST_FOR_PERIOD:
            return False
        return step_s > _JUMP_PERIODS * (last_s - self._start_s) / self._count

    def _start(self, time_s: float) -> None:
        self._start_s = time_s
        self._count = 0

    def restart(self) -> None:
        self._last = None
        self._count = 0
