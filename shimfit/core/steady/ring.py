"""The last stretch of samples, as plain arrays: bounded in time and in number."""

from __future__ import annotations

from array import array
from bisect import bisect_left
from itertools import compress

import numpy as np
from numpy.typing import NDArray

Values = NDArray[np.float64]


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
