"""Frames of bytes: described ones that come by themselves, and Modbus RTU, polled. No port, no clock.

An answer does not repeat the register address, so a late answer to an earlier request could pass for the
next one. Hence after a timeout the line stays silent for one more timeout, and whatever came meanwhile is
thrown away. Half-duplex adapters may echo the request; the echo is dropped.
"""

from __future__ import annotations

import struct
from functools import reduce
from operator import xor
from typing import TYPE_CHECKING

import numpy as np

from shimfit.wire.formats import CHECKS, FIELD_FORMS, Field
from shimfit.wire.samples import Measure, Refusal

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from shimfit.wire.formats import Binary, Modbus
    from shimfit.wire.samples import Sample, Tally

FAILS_TO_NO_ANSWER = 3
EXCEPTIONS = {
    1: "it does not know this function",
    2: "it has no such register address",
    3: "it does not take this number of registers",
    4: "it failed",
    6: "it is busy",
}


def crc16(data: bytes) -> int:
    """CRC-16/MODBUS: start 0xFFFF, polynomial 0xA001 reflected. Goes on the wire low byte first."""
    crc = 0xFFFF
    for byte in data:
        crc = (crc >> 8) ^ _CRC_TABLE[(crc ^ byte) & 0xFF]
    return crc


def _table_entry(byte: int) -> int:
    for _ in range(8):
        byte = (byte >> 1) ^ (0xA001 if byte & 1 else 0)
    return byte


_CRC_TABLE = tuple(_table_entry(byte) for byte in range(256))


def with_crc(data: bytes) -> bytes:
    """The frame as it goes on the wire."""
    return data + crc16(data).to_bytes(2, "little")


def quiet_s(baud: int, bits: int = 11) -> float:
    """Silence between frames: 3.5 characters, and 1.75 ms above 19200 baud (Modbus over serial line)."""
    return 0.00175 if baud > 19200 else 3.5 * bits / baud


class ModbusFrames:
    """Request and answer of one device: builds the one, judges the other. Nothing is remembered."""

    def __init__(self, description: Modbus) -> None:
        self._station = description.station
        self._function = description.function
        self._values = description.values
        self._first = min(value.at for value in description.values)
        words = max(value.at + value.size // 2 for value in description.values) - self._first
        self._bytes = 2 * words
        self.answer_length = 5 + self._bytes
        self.request = with_crc(struct.pack(">BBHH", self._station, self._function, self._first, words))

    def length(self, data: bytes) -> int:
        """Bytes that a frame beginning like this has; 3 while that can't be told yet."""
        if len(data) < 3:
            return 3
        return 5 if data[1] & 0x80 else 5 + data[2]

    def judge(self, frame: bytes) -> Refusal | None:
        """Why the frame is no good answer: length, CRC, station, function, byte count, in that order."""
        if len(frame) < 5 or len(frame) != self.length(frame):
            return Refusal.SHORT_ANSWER
        if crc16(frame[:-2]) != int.from_bytes(frame[-2:], "little"):
            return Refusal.BAD_CRC
        if frame[0] != self._station:
            return Refusal.WRONG_STATION
        if frame[1] == self._function | 0x80:
            return Refusal.DEVICE_REFUSED
        if frame[1] != self._function:
            return Refusal.WRONG_FUNCTION
        if frame[2] != self._bytes:
            return Refusal.WRONG_BYTE_COUNT
        return None

    def values(self, frame: bytes) -> dict[str, float]:
        """Scaled values of a frame that was judged good, by name, in their registers' units."""
        starts = {value.name: 3 + 2 * (value.at - self._first) for value in self._values}
        return {
            value.name: value.number(frame[starts[value.name] :][: value.size], words=True)
            for value in self._values
        }


def crc16_ccitt(data: bytes) -> int:
    """CRC-16 with polynomial 0x1021, start 0xFFFF, not reflected ("CCITT-FALSE": 0x29B1 for 123456789)."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte << 8
        for _ in range(8):
            crc = (crc << 1 ^ 0x1021 if crc & 0x8000 else crc << 1) & 0xFFFF
    return crc


_CHECKS: dict[str, Callable[[bytes], int]] = {
    "sum8": lambda data: sum(data) & 0xFF,
    "xor8": lambda data: reduce(xor, data, 0),
    "crc16-modbus": crc16,
    "crc16-ccitt": crc16_ccitt,
}


class BinaryScanner:
    """Described frames out of a stream of bytes; one that fails its check is searched for the next header."""

    def __init__(self, description: Binary, tally: Tally) -> None:
        self._of = description
        self._tally = tally
        self._got = b""
        self.elevation = description.elevation
        self.step_deg = description.step_deg
        self._measure = Measure(description, tally)

    def feed(self, data: bytes, now_s: float) -> list[Sample]:
        """Samples of the frames that these bytes complete."""
        self._got += data
        samples: list[Sample] = []
        while True:
            start = self._got.find(self._of.header)
            if start < 0:
                keep = len(self._of.header) - 1  # a header may be half here
                self._got = self._got[-keep:] if keep else b""
                return samples
            self._got = self._got[start:]
            if len(self._got) < self._of.length:
                return samples
            frame = self._got[: self._of.length]
            if not self._is_whole(frame):
                self._tally.refuse(Refusal.BAD_CHECKSUM)
                self._got = self._got[1:]
                continue
            self._got = self._got[self._of.length :]
            numbers = {v.name: v.number(frame[v.at : v.at + v.size]) for v in self._of.values}
            sample = self._measure.sample(numbers, now_s)
            samples += [] if sample is None else [sample]

    def _is_whole(self, frame: bytes) -> bool:
        size = CHECKS[self._of.check]
        if not size:
            return True
        said = int.from_bytes(frame[-size:], "little" if self._of.check_low_first else "big")
        return said == _CHECKS[self._of.check](frame[self._of.check_from : -size])

    def restart(self, *, lost: bool) -> None:
        """Begin anew; a frame that was under way is never parsed."""
        if lost and self._got:
            self._tally.refuse(Refusal.UNFINISHED)
        self._got = b""
        self._measure.restart()


_LONGEST_FRAME = 64
_FRAMES_TO_BELIEVE, _DIFFERENT = 10, 6
_HEADER = 2
"""Bytes of a header that is proposed: more that never changed may be values."""


def propose_frames(data: bytes) -> str | None:
    """A description to be completed for bytes that come in frames, and what it makes of the last; or None.

    Frames are believed where the same first bytes come back at one distance and a check at the end is right
    in every one of them: bytes received at a wrong speed, and text, have none. What the values mean a person
    has to say; types and order are those in which they hardly change from frame to frame.
    """
    received = np.frombuffer(data, dtype=np.uint8)
    for length in range(5, min(_LONGEST_FRAME, len(received) // (_FRAMES_TO_BELIEVE + 1)) + 1):
        rows = len(received) // length - 1
        whole = received[: (rows + 1) * length].reshape(rows + 1, length)
        found = []
        for start in np.flatnonzero((whole == whole[0]).all(axis=0)).tolist():
            table = received[start : start + rows * length].reshape(rows, length)
            same = (table == table[0]).all(axis=0)
            header = int(same.argmin())
            if header and len(np.unique(table, axis=0)) >= _DIFFERENT:
                found += [(-header, start, check) for check in _check_of(table, header)[:1]]
        if found:
            header, start, check = min(found)
            return _proposal(received[start : start + rows * length].reshape(rows, length), -header, *check)
    return None


def _check_of(table: NDArray[np.uint8], header: int) -> list[tuple[str, int, bool]]:
    """(check, first byte that it counts in, low byte first) of what is right in every frame."""
    frames = [row.tobytes() for row in table]
    return [
        (check, first, low_first)
        for check, size in CHECKS.items()
        for first in (range(min(header, 4) + 1) if size else ())
        for low_first in ((False, True) if size == 2 else (False,))
        if all(
            _CHECKS[check](frame[first:-size])
            == int.from_bytes(frame[-size:], "little" if low_first else "big")
            for frame in frames
        )
    ]


def _proposal(table: NDArray[np.uint8], header: int, check: str, first: int, low_first: bool) -> str:
    length, header = table.shape[1], min(header, _HEADER)
    form, order, at, scale = _pair_of(table, header, length - CHECKS[check])
    size = Field("x", 0, form).size
    values = [Field(name, at + k * size, form, order == "low-first", scale) for k, name in enumerate("xy")]
    last = table[-1].tobytes()
    x, y = (value.number(last[value.at : value.at + size]) for value in values)
    rest = f"type = '{form}', order = '{order}', scale = {scale}, unit = 'deg'"
    rows = "".join(f"  {{ name = '{v.name}', offset = {v.at}, {rest} }},\n" for v in values)
    order_of_check = "low-first" if low_first else "high-first"
    return (
        f"format = 'binary'\nheader = '{last[:header].hex(' ').upper()}'\nlength = {length}\n"
        f"check = '{check}'\ncheck_from = {first}\ncheck_order = '{order_of_check}'\n"
        f"values = [\n{rows}]\n# received: {last.hex(' ').upper()}\n"
        f"# comes to: x {x:+.4g}, y {y:+.4g} degrees (the scale is a guess)\n"
    )


def _pair_of(table: NDArray[np.uint8], header: int, end: int) -> tuple[str, str, int, float]:
    """(type, order, offset, scale) of two values side by side: the largest that change little."""
    found = []
    for form, scale, largest in (
        ("float32", 1.0, 90.0),
        ("int32", 0.001, 90_000.0),
        ("int16", 0.01, 9_000.0),
    ):
        for order in ("low-first", "high-first"):
            kind = np.dtype(("<" if order == "low-first" else ">") + FIELD_FORMS[form])
            for at in range(header, end - 2 * kind.itemsize + 1):
                pair = (
                    np.ascontiguousarray(table[:, at : at + 2 * kind.itemsize]).view(kind).astype(np.float64)
                )
                size = np.abs(pair)
                changes = (np.diff(pair, axis=0) != 0).any(axis=0).all()
                tiny = form == "float32" and np.median(size) < 1e-4
                if not np.isfinite(pair).all() or size.max() > largest or tiny or not changes:
                    continue
                steps = np.abs(np.diff(pair, axis=0)).mean(axis=0).max() / largest
                found.append((-kind.itemsize, steps, at, form, order, scale))
    if not found:
        return "int16", "low-first", header, 0.01
    _, _, at, form, order, scale = min(found)
    return form, order, at, scale


class ModbusLink:
    """What both ways of listening share: a good frame becomes a sample, a bad one a count."""

    format = "modbus"

    def __init__(self, description: Modbus, tally: Tally) -> None:
        self._tally = tally
        self.frames = ModbusFrames(description)
        self.elevation = description.elevation
        self.refused_because: str | None = None
        """What the device said when it refused, in words."""
        self.step_deg = description.step_deg
        self._measure = Measure(description, tally)

    def take(self, frame: bytes, time_s: float) -> tuple[bool, Sample | None]:
        """(frame was good, its sample); counts what it refuses."""
        why = self.frames.judge(frame)
        if why is None:
            return True, self._measure.sample(self.frames.values(frame), time_s)
        if why is Refusal.DEVICE_REFUSED:
            self.refused_because = EXCEPTIONS.get(frame[2], f"code {frame[2]}")
        self._tally.refuse(why)
        return False, None

    def restart(self) -> None:
        """Compare nothing across a gap."""
        self._measure.restart()


class ModbusPoller:
    """Asks, waits, judges. The owner of the port sends what `due` hands out and feeds what comes."""

    def __init__(self, description: Modbus, tally: Tally) -> None:
        self.link = ModbusLink(description, tally)
        self._tally = tally
        self._timeout_s = description.timeout_s
        self._poll_s = description.poll_s
        self._quiet_s = quiet_s(description.baud)
        self._asked_s: float | None = None
        self._next_s = float("-inf")
        self._got = b""
        self._fails = 0
        self._echo_seen = False

    @property
    def no_answer(self) -> bool:
        """True after three failed polls in a row."""
        return self._fails >= FAILS_TO_NO_ANSWER

    def due(self, now_s: float) -> bytes | None:
        """The request, when it is time to ask; None while waiting or silent. Empty the input first."""
        if self._asked_s is not None or now_s < self._next_s:
            return None
        self.asked(now_s)
        return self.link.frames.request

    def asked(self, now_s: float) -> None:
        """A request went out: whatever came before it is no answer."""
        self._asked_s = now_s
        self._got = b""
        self._echo_seen = False

    def feed(self, data: bytes, now_s: float) -> list[Sample]:
        """Bytes that came; the sample that they complete, if any."""
        self.check(now_s)
        if self._asked_s is None:
            return []  # late, or noise: nothing was asked
        self._got += data
        if not self._drop_echo():
            return []
        length = self.link.frames.length(self._got)
        if len(self._got) < max(length, 5):
            return []
        good, sample = self.link.take(self._got[:length], now_s)
        self._done(good, self._asked_s + self._poll_s, now_s)
        return [] if sample is None else [sample]

    def check(self, now_s: float) -> None:
        """Let a request that got no (whole) answer time out."""
        if self._asked_s is None or now_s - self._asked_s < self._timeout_s:
            return
        self._tally.refuse(Refusal.SHORT_ANSWER if self._got else Refusal.NO_ANSWER)
        self._done(False, self._asked_s + 2 * self._timeout_s, now_s)

    def restart(self, *, lost: bool) -> None:
        """Begin anew after opening or a loss."""
        if lost and self._got:
            self._tally.refuse(Refusal.UNFINISHED)
        self._asked_s = None
        self._next_s = float("-inf")
        self._got = b""
        self.link.restart()

    def _drop_echo(self) -> bool:
        """True when what is left is (the beginning of) an answer."""
        request = self.link.frames.request
        if self._echo_seen:
            return True
        if len(self._got) < len(request):
            return not request.startswith(self._got)
        self._got = self._got.removeprefix(request)
        self._echo_seen = True
        return True

    def _done(self, good: bool, next_s: float, now_s: float) -> None:
        self._fails = 0 if good else self._fails + 1
        self._asked_s = None
        self._got = b""
        self._next_s = max(next_s, now_s + self._quiet_s)


class ModbusScanner:
    """Answers from a bare file of bytes, where nothing tells when a request went out.

    A frame with a right CRC is judged as an answer; where one should begin but its CRC is wrong, that
    is counted and the search goes on one byte further.
    """

    def __init__(self, description: Modbus, tally: Tally) -> None:
        self.link = ModbusLink(description, tally)
        self._tally = tally
        self._request = self.link.frames.request
        self._heads = (self._request[:2], bytes([self._request[0], self._request[1] | 0x80]))
        self._usual = self.link.frames.answer_length
        self._got = b""

    def feed(self, data: bytes, now_s: float) -> list[Sample]:
        """Samples of the answers that these bytes complete."""
        self._got += data
        samples = []
        while (length := self._next_length()) is not None:
            frame, self._got = self._got[:length], self._got[length:]
            if frame == self._request:
                continue
            if length > 1:
                good, sample = self.link.take(frame, now_s)
                samples += [] if sample is None else [sample]
                if not good and self.link.frames.judge(frame) is Refusal.BAD_CRC:
                    self._got = frame[1:] + self._got  # a good one may begin inside it
        return samples

    def _next_length(self) -> int | None:
        """Bytes to take next: a request, an answer, or 1 to pass over; None while that can't be told."""
        got = self._got
        if self._request.startswith(got[: len(self._request)]):
            return len(self._request) if len(got) >= len(self._request) else None
        if len(got) < 5:
            return None
        if got[:2] in self._heads:
            length = self.link.frames.length(got)
            return length if len(got) >= length else None
        if len(got) < self._usual:
            return None
        frame = got[: self._usual]
        return self._usual if crc16(frame[:-2]) == int.from_bytes(frame[-2:], "little") else 1

    def restart(self, *, lost: bool) -> None:
        """Begin anew; a frame that was under way is never parsed."""
        if lost and self._got:
            self._tally.refuse(Refusal.UNFINISHED)
        self._got = b""
        self.link.restart()
