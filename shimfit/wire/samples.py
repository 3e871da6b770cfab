"""Bytes to lines, numbers to samples, and the count of all that became none: what every format shares.

No port, no clock. Lines: CR or LF ends one, and empty lines are nothing (so CR, LF, CRLF, LFCR and CRCRLF all
work). NUL and 0xFF at the start of a line are breaks and noise and are stripped. A line of more than LONGEST
bytes is dropped up to its end and counted once. Cutting the same bytes into other chunks changes neither
lines nor counts. Numbers are strict, on ASCII bytes: text is never handed to float() untested, which takes
"nan", "inf", "1_000", blanks and digits of other scripts.
"""

from __future__ import annotations

import math
import re
from bisect import insort
from collections import deque
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import TYPE_CHECKING, ClassVar, NamedTuple

from shimfit.core.lean import from_elevations, from_tangent_angles
from shimfit.model import Lean
from shimfit.wire.formats import ANGLE_UNITS, FORCE_UNITS, PAIR, TANGENT_UNITS, TIME_UNITS, TRIPLE

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

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

    def refuse(self, reason: Refusal, count: int = 1) -> None:
        """Count a refusal."""
        self.refused[reason] = self.refused.get(reason, 0) + count

    @property
    def refused_total(self) -> int:
        """All refusals together."""
        return sum(self.refused.values())

    def copy(self) -> Tally:
        """An independent copy, to be shown while this one goes on."""
        return replace(self, refused=dict(self.refused))


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


class Input:
    """One format on one link: bytes with their times in, samples out, the rest counted."""

    format: str | None = None
    """`xdr`, `text`, `binary` or `modbus`; None while it is being found."""
    needs_description: str | None = None
    """A description to complete, when something was found whose values a person must name."""

    def __init__(self, description: Described, tally: Tally) -> None:
        self._description = description
        self._tally = tally
        self._news: list[str] = []
        self.elevation = description.elevation
        """True when each angle is an axis against the horizontal."""

    @property
    def step_deg(self) -> float | None:
        """Output step that the values show; None where it can't be told."""
        return None

    @property
    def no_answer(self) -> str | None:
        """Why nothing comes, where the format can tell."""
        return None

    def feed(self, data: bytes, now_s: float) -> list[Sample]:
        """Samples that these bytes complete."""
        raise NotImplementedError

    def news(self) -> list[str]:
        """Sentences for the person since the last call."""
        news, self._news = self._news, []
        return news

    def restart(self, *, lost: bool) -> None:
        """Begin anew; `lost`: a line or frame under way counts as unfinished."""
        raise NotImplementedError

    def due(self, now_s: float) -> bytes | None:  # noqa: ARG002 - most formats come by themselves
        """What to send now; None for formats that come by themselves."""
        return None

    def asked(self, now_s: float) -> None:
        """A request went out, as a capture tells."""

    def check(self, now_s: float) -> None:
        """Time passes: requests may time out."""


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


LONGEST = 1024
"""Bytes of a line, its end not counted; NMEA 0183 allows 82, chatter at start-up is longer."""
_LINE_NOISE = b"\x00\xff"


class LineFramer:
    """Cuts a byte stream into lines; hold one per link."""

    def __init__(self, tally: Tally, *, drop_first: bool = False) -> None:
        """`drop_first`: the first line after a start is not believed ("12.4" cut to "2.4" looks fine)."""
        self._tally = tally
        self._drop_first = drop_first
        self._rest = b""
        self._overlong = False
        self._first = drop_first

    def feed(self, chunk: bytes) -> list[bytes]:
        """Whole lines that these bytes complete, without their ends, in order."""
        if b"\n" not in chunk and b"\r" not in chunk:
            self._keep(self._rest + chunk)
            return []
        *whole, rest = (self._rest + chunk).replace(b"\r", b"\n").split(b"\n")
        lines = []
        for raw in whole:
            line = raw.lstrip(_LINE_NOISE)
            if self._overlong:
                self._overlong = False  # the end of a line that was counted when it grew too long
                self._first = False
            elif not line:
                continue
            elif self._first:
                self._first = False
            elif len(line) > LONGEST:
                self._tally.refuse(Refusal.TOO_LONG)
            else:
                lines.append(line)
        self._keep(rest)
        return lines

    def _keep(self, rest: bytes) -> None:
        """Hold back the unfinished line, at most LONGEST bytes of it."""
        if self._overlong:
            self._rest = b""
            return
        rest = rest.lstrip(_LINE_NOISE)
        if len(rest) > LONGEST:
            if not self._first:
                self._tally.refuse(Refusal.TOO_LONG)
            self._overlong = True
            rest = b""
        self._rest = rest

    def restart(self, *, lost: bool) -> None:
        """Begin anew: after opening, a change of speed or a loss.

        `lost`: the link went away, so a line that was under way counts as unfinished. An unfinished line
        is never parsed.
        """
        if lost and self._rest and not self._first:
            self._tally.refuse(Refusal.UNFINISHED)
        self._rest = b""
        self._overlong = False
        self._first = self._drop_first


NUMBER = re.compile(rb"[+-]?(?:[0-9]+(?:\.[0-9]+)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
DECIMAL_COMMA = re.compile(rb"[+-]?(?:[0-9]+(?:,[0-9]+)?|,[0-9]+)(?:[eE][+-]?[0-9]+)?")
PRINTABLE = bytes(range(0x20, 0x7F))


def damaged(line: bytes, allowed: bytes = PRINTABLE) -> bool:
    """True when a byte stands in the line that no such line has."""
    return bool(line.translate(None, allowed))


def printed_step(digits: bytes) -> float:
    """Value of the last digit that was printed: 0.01 for `-1.23`, 1 for `12`."""
    mantissa, _, exponent = digits.lower().partition(b"e")
    decimals = len(mantissa.partition(b".")[2])
    return 10.0 ** max(-300, min(300, int(exponent or b"0") - decimals))


_LEAST_G, _MOST_G = 0.9, 1.1
"""A post at rest feels 1 g. Further off is a knock, or a chip whose range or scale is not what was stated."""
_FALL_G = 0.3
_FALL_SAMPLES = 3
"""So little for so many samples in a row is a fall (0.1 s is 5 cm): its zero is not what it was."""
_MOVING_SHARE = 0.02
"""The triple's size off its own median by more than this is more than gravity: the post is moving."""
_KEPT_NORMS = 201
_JUMP_PERIODS = 5
_LEAST_FOR_PERIOD = 8


class Measure:
    """Numbers by name in, a judged sample out; remembers what has to be compared with earlier ones."""

    def __init__(self, description: Described, tally: Tally, *, count_worth: float = 1.0) -> None:
        """`count_worth`: what a value in counts is worth, in g or degrees, unless it comes scaled."""
        units = description.units
        self._tally = tally
        self._range_deg = description.range_deg
        self._is_triple = "ax" in units
        names = TRIPLE if self._is_triple else PAIR
        self._convert = [
            (
                name,
                _conversion(
                    name,
                    units[name],
                    (-1.0 if name in description.flip else 1.0)
                    * (count_worth if units[name] == "count" else 1.0),
                ),
            )
            for name in names
        ]
        self._time_worth_s = TIME_UNITS[units["time"]] if "time" in units else None
        self._norms = _RunningMedian()
        self._falling = 0
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
            self._tally.gravity_g = norm
            self._falling = self._falling + 1 if norm < _FALL_G else 0
            if self._falling == _FALL_SAMPLES:
                self._tally.falls += 1
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
