"""A post that leans, lags, rings and is knocked, and a sensor on it that is not perfect.

The post's rest comes from the packs under it by the same mechanics that the program predicts with; how it
gets there (lag, ring) and what the sensor adds (noise with a memory, zero, drift) is invented here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from shimfit.core.resting import rest_packs
from shimfit.errors import EntryError
from shimfit.model import Foot, Lean, Pack, Seat

PRELOAD_MM = 0.19
_LAG_S = 0.3
"""The lean follows a pack that goes in."""
_RING_HZ = 4.0
_RING_DAMPING = 0.06
"""A post on its rod rings for about a second."""
_STEP_S = 0.002


@dataclass(frozen=True, slots=True)
class SensorNature:
    """What the sensor adds to the lean. Degrees."""

    noise_deg: float = 0.02
    memory: float = 0.0
    """How much of a sample's error the next one keeps (0 = white noise, 0.95 = strongly low-passed)."""
    zero_x_deg: float = 0.0
    zero_y_deg: float = 0.0
    drift_deg_per_min: float = 0.0
    step_deg: float = 0.001
    """Output step; values are rounded to it."""


class SimulatedPost:
    """One post with its sensor. Deterministic for a seed and a way of calling `advance`."""

    def __init__(
        self,
        foot: Foot,
        base: Lean,
        nature: SensorNature | None = None,
        *,
        seed: int = 1,
    ) -> None:
        """`base` = how the post leans with nothing under it."""
        self.foot = foot
        self.nature = nature or SensorNature()
        self.packs_mm: dict[Seat, float] = {}
        self.turned = False
        """The sensor sits on the opposite face."""
        self.frozen = False
        self._base = base
        self._random = np.random.default_rng(seed)
        self._time_s = 0.0
        self._target = (base.slope_along, base.slope_across)
        self._lagged = list(self._target)
        self._place = list(self._target)
        self._speed = [0.0, 0.0]
        self._pushed = [0.0, 0.0]
        self._shake = 0.0
        self._error = [0.0, 0.0]
        self._last = (0.0, 0.0)

    # ---------------------------------------------------------------- what the person does

    def insert(self, seat: Seat, thickness_mm: float) -> None:
        """Add to the pack under a seat. Raises EntryError when the post could not stand like that."""
        self._pack(seat, self.packs_mm.get(seat, 0.0) + thickness_mm)

    def pull(self, seat: Seat) -> None:
        """Take the pack out."""
        self._pack(seat, 0.0)

    def push(self, along_deg: float, across_deg: float) -> None:
        """Shift the level for good, as a blow to the foot does."""
        self._pushed[0] += math.radians(along_deg)
        self._pushed[1] += math.radians(across_deg)
        self._aim()

    def knock(self, size_deg: float) -> None:
        """A blow to the top: it swings out by about this much and rings down."""
        self._speed[0] += math.radians(size_deg) * 2 * math.pi * _RING_HZ
        self._speed[1] += math.radians(size_deg) * math.pi * _RING_HZ

    def shake(self, size_deg: float) -> None:
        """Shake at 12 Hz with this amplitude from now on; 0 ends it."""
        self._shake = math.radians(size_deg)

    def tip(self, along_deg: float, across_deg: float) -> None:
        """Hold the top this far out of where it rests, as when the axis map is taught; 0 0 lets go."""
        self._pushed = [math.radians(along_deg), math.radians(across_deg)]
        self._aim()

    # ---------------------------------------------------------------- what happens

    def advance(self, seconds: float) -> tuple[float, float]:
        """Let time pass; then what the sensor reports: degrees of lean along its own x and y."""
        end_s = self._time_s + seconds
        while self._time_s < end_s - 1e-12:
            step_s = min(_STEP_S, end_s - self._time_s)
            self._time_s += step_s
            for axis in (0, 1):
                self._move(axis, step_s)
        if not self.frozen:
            self._last = (self._measured(0), self._measured(1))
        return self._last

    @property
    def lean(self) -> Lean:
        """How the post really stands just now."""
        return Lean(self._place[0], self._place[1])

    @property
    def resting(self) -> Lean:
        """How it will stand once it has settled."""
        return Lean(self._target[0], self._target[1])

    # ---------------------------------------------------------------- inside

    def _pack(self, seat: Seat, thickness_mm: float) -> None:
        before = dict(self.packs_mm)
        self.packs_mm = {s: t for s, t in {**before, seat: thickness_mm}.items() if t > 0}
        try:
            self._aim()
        except EntryError:
            self.packs_mm = before
            raise

    def _aim(self) -> None:
        lean = self._base
        if self.packs_mm:
            packs = [self._pack_at(seat, made_mm) for seat, made_mm in self.packs_mm.items()]
            resting = rest_packs(self.foot, self._base, packs, PRELOAD_MM)
            limits = (resting.lean, resting.lean) if resting.limits is None else resting.limits
            one, other = limits
            assert one is not None
            assert other is not None
            lean = Lean(
                (one.slope_along + other.slope_along) / 2, (one.slope_across + other.slope_across) / 2
            )
        self._target = (lean.slope_along + self._pushed[0], lean.slope_across + self._pushed[1])

    def _pack_at(self, seat: Seat, made_mm: float) -> Pack:
        x_mm, y_mm = self.foot.seat_at_mm(seat)
        rod_x_mm, rod_y_mm = self.foot.rod_at_mm
        return Pack(seat, made_mm, made_mm, (x_mm - rod_x_mm, y_mm - rod_y_mm))

    def _move(self, axis: int, step_s: float) -> None:
        """Lag behind the target, then a lightly damped swing about that."""
        self._lagged[axis] += (self._target[axis] - self._lagged[axis]) * step_s / _LAG_S
        omega = 2 * math.pi * _RING_HZ
        pull = omega * omega * (self._lagged[axis] - self._place[axis])
        brake = 2 * _RING_DAMPING * omega * self._speed[axis]
        self._speed[axis] += (pull - brake) * step_s
        self._place[axis] += self._speed[axis] * step_s

    def _measured(self, axis: int) -> float:
        nature = self.nature
        fresh = math.sqrt(1 - nature.memory**2) * nature.noise_deg * self._random.standard_normal()
        self._error[axis] = nature.memory * self._error[axis] + fresh
        place = self._place[axis] + self._shake * math.sin(2 * math.pi * 12 * self._time_s + axis)
        lean_deg = math.degrees(math.atan(place))
        if self.turned:
            lean_deg = -lean_deg
        zero_deg = (nature.zero_x_deg, nature.zero_y_deg)[axis]
        drift_deg = nature.drift_deg_per_min * self._time_s / 60
        value_deg = lean_deg + zero_deg + drift_deg + self._error[axis]
        return round(value_deg / nature.step_deg) * nature.step_deg
