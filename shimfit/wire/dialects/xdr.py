"""NMEA 0183 transducer sentences: `$--XDR,type,value,unit,name[,…]*hh`.

Groups of type A and unit D are angles in degrees; everything else is counted as other. The checksum, the
exclusive or of all bytes between `$` and `*`, is required unless the description says otherwise.
"""

from __future__ import annotations

import re
from functools import reduce
from itertools import product
from operator import xor
from typing import TYPE_CHECKING

from shimfit.wire.dialects.numbers import NUMBER, damaged, printed_step
from shimfit.wire.sample import Pace, Sample
from shimfit.wire.tally import Refusal

if TYPE_CHECKING:
    from shimfit.wire.dialects.description import Xdr
    from shimfit.wire.tally import Tally

_BOTH_AXES = re.compile(
    rb"\$[A-Z]{2}XDR,A,(%(n)s),D,([A-Za-z0-9_]+),A,(%(n)s),D,([A-Za-z0-9_]+)\*([0-9A-Fa-f]{2})"
    % {b"n": NUMBER.pattern}
)
"""The sentence that most inclinometers send, read in one go; all others take the long way."""
_DIGITS = b"0123456789abcdefABCDEF"
_HEX = {bytes(pair): int(bytes(pair), 16) for pair in product(_DIGITS, _DIGITS)}
_WAIT_S = 0.25
"""How long one axis waits for the other while the period is not known."""
_LEAST_WAIT_S = 0.05
"""Two sentences of one sample may be torn apart by a link's bursts (USB adapters hand over every 16 ms,
so half a period of a fast sensor would be shorter than the link's own grain)."""
_MOST_NAMES = 256
_BOTH = ((0, 1), (1, 0))


def checksum(body: bytes) -> int:
    """Exclusive or of all bytes.

    A sentence of the usual length is folded as one number, which beats a loop over its bytes.
    """
    if len(body) > 64:
        return reduce(xor, body)
    folded = int.from_bytes(body, "little")
    for half in (256, 128, 64, 32, 16, 8):
        folded ^= folded >> half
    return folded & 0xFF


class XdrReader:
    """Sentences in, samples out; pairs up the axes where each has a sentence of its own."""

    format = "xdr"

    def __init__(self, description: Xdr, tally: Tally) -> None:
        self._tally = tally
        self._range_deg = description.range_deg
        self._checksum_required = description.checksum_required
        self._x_names = tuple(name.strip().upper().encode() for name in description.x)
        self._y_names = tuple(name.strip().upper().encode() for name in description.y)
        self._axes: dict[bytes, int | None] = {}
        self._waiting: tuple[int, float, float] | None = None  # axis, degrees, time
        self._pace = Pace()
        self.elevation = description.elevation
        self._last_digits = b""
        self.sentences = 0
        """Sentences of any kind whose checksum was right."""
        self.with_angles = 0
        """Those that had an angle of ours."""

    @property
    def step_deg(self) -> float | None:
        """Value of the last printed digit, in degrees; None until an angle came."""
        return printed_step(self._last_digits) if self._last_digits else None

    def read(self, line: bytes, time_s: float) -> Sample | None:
        """The sample that this line completes, or None; what it is instead is counted."""
        usual = _BOTH_AXES.fullmatch(line)
        if usual is not None and self._waiting is None:
            one, one_name, two, two_name, digits = usual.groups()
            axes = self._axis(one_name), self._axis(two_name)
            first, second = float(one), float(two)
            limit = self._range_deg
            if (
                axes in _BOTH
                and -limit <= first <= limit
                and -limit <= second <= limit
                and _HEX[digits] == checksum(line[1:-3])
            ):
                self._last_digits = two
                self._tally.good += 1
                self.sentences += 1
                self.with_angles += 1
                return Sample(time_s, first, second) if axes == (0, 1) else Sample(time_s, second, first)
        return self._read(line, time_s)

    def _read(self, line: bytes, time_s: float) -> Sample | None:
        """Any line, step by step, so that each refusal has its reason."""
        sentence = self._sentence(line)
        if sentence is None:
            return None
        body = self._checked(sentence)
        if body is None:
            return None
        fields = body.split(b",")
        if len(fields) == 1 or len(fields[0]) != 5 or not fields[0].endswith(b"XDR"):
            self._tally.other += 1
            return None
        if len(fields) % 4 != 1:
            self._tally.refuse(Refusal.FIELD_COUNT)
            return None
        angles = self._angles(fields)
        if angles is None:
            return None
        self.with_angles += 1
        return self._sample(angles, time_s)

    def restart(self) -> None:
        """Forget an axis that waits for the other."""
        self._waiting = None
        self._pace.restart()

    def _sentence(self, line: bytes) -> bytes | None:
        """From the last `$` on; None where there is none."""
        start = line.rfind(b"$")
        if start == 0:
            return line
        if start > 0:
            self._tally.refuse(Refusal.TRUNCATED)
            return line[start:]
        if damaged(line):
            self._tally.refuse(Refusal.DAMAGED_BYTE)
        else:
            self._tally.other += 1
        return None

    def _checked(self, sentence: bytes) -> bytes | None:
        """What stands between `$` and `*`, when the sum says that it arrived as sent."""
        body, star, digits = sentence[1:].rpartition(b"*")
        if damaged(sentence):
            self._tally.refuse(Refusal.DAMAGED_BYTE)
        elif not star:
            if not self._checksum_required:
                return sentence[1:]
            self._tally.refuse(Refusal.NO_CHECKSUM)
        elif _HEX.get(digits) != checksum(body):
            self._tally.refuse(Refusal.BAD_CHECKSUM)
        else:
            self.sentences += 1
            return body
        return None

    def _angles(self, fields: list[bytes]) -> list[tuple[int, float]] | None:
        """(axis, degrees) of each group that is an angle of ours; None when one is refused."""
        angles = []
        for at in range(1, len(fields), 4):
            value = fields[at + 1]
            if fields[at] != b"A" or fields[at + 2] != b"D" or not value:
                continue
            axis = self._axis(fields[at + 3])
            if axis is None:
                continue
            if not NUMBER.fullmatch(value):
                self._tally.refuse(Refusal.NOT_A_NUMBER)
                return None
            degrees = float(value)
            if not -self._range_deg <= degrees <= self._range_deg:
                self._tally.refuse(Refusal.OUT_OF_RANGE)
                return None
            self._last_digits = value
            angles.append((axis, degrees))
        if not angles:
            self._tally.other += 1
        return angles or None

    def _axis(self, name: bytes) -> int | None:
        """0 for x, 1 for y, None for any other name; case, spaces and a suffix do not matter."""
        try:
            return self._axes[name]
        except KeyError:
            plain = name.strip().upper()
            axis = 0 if plain.startswith(self._x_names) else 1 if plain.startswith(self._y_names) else None
            if len(self._axes) < _MOST_NAMES:
                self._axes[name] = axis
            return axis

    def _sample(self, angles: list[tuple[int, float]], time_s: float) -> Sample | None:
        """Pair up x and y; an axis that stays alone is dropped and counted."""
        if len(angles) == 2 and angles[0][0] != angles[1][0]:
            if self._waiting is not None:
                self._tally.refuse(Refusal.UNPAIRED)
                self._waiting = None
            (first, one), (_, other) = angles
            return self._good(time_s, one if first == 0 else other, other if first == 0 else one)
        sample = None
        for axis, degrees in angles:
            sample = self._pair(axis, degrees, time_s) or sample
        return sample

    def _pair(self, axis: int, degrees: float, time_s: float) -> Sample | None:
        waiting = self._waiting
        if waiting is not None and waiting[0] != axis and time_s - waiting[2] <= self._patience_s:
            self._waiting = None
            return self._good(
                time_s, degrees if axis == 0 else waiting[1], degrees if axis == 1 else waiting[1]
            )
        if waiting is not None:
            self._tally.refuse(Refusal.UNPAIRED)
        self._waiting = (axis, degrees, time_s)
        return None

    @property
    def _patience_s(self) -> float:
        """Half a period."""
        if self._pace.period_s is None:
            return _WAIT_S
        return max(self._pace.period_s / 2, _LEAST_WAIT_S)

    def _good(self, time_s: float, x_deg: float, y_deg: float) -> Sample:
        self._tally.good += 1
        self._pace.tick(time_s)
        return Sample(time_s, x_deg, y_deg)
