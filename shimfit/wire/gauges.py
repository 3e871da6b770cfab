"""Small gauges on a stream: what comes a second, how much of it is damaged, and the sensor's output step."""

from __future__ import annotations

import math
from collections import deque
from typing import TYPE_CHECKING

from shimfit.wire.tally import Refusal

if TYPE_CHECKING:
    from shimfit.wire.tally import Tally

RATES_OVER_S = 2.0
DAMAGE_OVER_S = 5.0
_NOTE_EVERY_S = 0.25
_STEPS_TO_BELIEVE = 5
_DAMAGE = (Refusal.BAD_CHECKSUM, Refusal.NO_CHECKSUM, Refusal.BAD_CRC)


class OutputStep:
    """The sensor's output step q, from the smallest change it ever makes."""

    def __init__(self) -> None:
        self._last: float | None = None
        self._smallest = math.inf
        self._changes = 0

    def learn(self, value_deg: float) -> bool:
        """Take in a value; True when the smallest change became smaller or believable."""
        last, self._last = self._last, value_deg
        change = abs(value_deg - last) if last is not None else 0.0
        if change == 0.0:
            return False
        self._changes += 1
        if change < self._smallest:
            self._smallest = change
            return True
        return self._changes == _STEPS_TO_BELIEVE

    def step_deg(self, printed_deg: float | None) -> float:
        """The step: what was seen once enough changes were, and never less than what is printed."""
        seen_deg = self._smallest if self._changes >= _STEPS_TO_BELIEVE else 0.0
        return max(printed_deg or 0.0, seen_deg)


class Rates:
    """Counts over the last seconds."""

    def __init__(self) -> None:
        self._notes: deque[tuple[float, int, int, int]] = deque()
        self.good_per_s = 0.0
        self.bytes_per_s = 0.0
        self.damaged_share = 0.0

    def restart(self) -> None:
        """Nothing comes any more; what comes next is a new beginning."""
        self._notes.clear()
        self.good_per_s = self.bytes_per_s = self.damaged_share = 0.0

    def note(self, now_s: float, tally: Tally) -> bool:
        """Keep the counts as of now, a few times a second; True when it did."""
        if self._notes and 0 <= now_s - self._notes[-1][0] < _NOTE_EVERY_S:
            return False
        damaged = sum(tally.refused.get(reason, 0) for reason in _DAMAGE)
        self._notes.append((now_s, tally.bytes, tally.good, damaged))
        while self._notes[0][0] < now_s - DAMAGE_OVER_S:
            self._notes.popleft()
        self._work_out(now_s)
        return True

    def _work_out(self, now_s: float) -> None:
        first = next((note for note in self._notes if note[0] >= now_s - RATES_OVER_S), self._notes[-1])
        _, received, good, damaged = self._notes[-1]
        spent_s = now_s - first[0]
        self.bytes_per_s = (received - first[1]) / spent_s if spent_s > 0 else 0.0
        self.good_per_s = (good - first[2]) / spent_s if spent_s > 0 else 0.0
        lines_bad = damaged - self._notes[0][3]
        lines = good - self._notes[0][2] + lines_bad
        self.damaged_share = lines_bad / lines if lines > 0 and lines_bad > 0 else 0.0
