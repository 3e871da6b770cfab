"""Frames of bytes: described ones that come by themselves, and Modbus RTU, polled. No port, no clock.

An answer does not repeat the register address, so a late answer to an earlier request could pass for the
next one. Hence after a timeout the line stays silent for one more timeout, and whatever came meanwhile is
thrown away. Half-duplex adapters may echo the request; the echo is dropped.
"""

from __future__ import annotations

import binascii
import struct
from functools import reduce
from itertools import islice, product
from operator import xor
from typing import TYPE_CHECKING, get_args

import numpy as np

from shimfit.wire.formats import CHECKS, FIELD_FORMS, Field, Form, Order
from shimfit.wire.samples import Input, Measure, Refusal

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from numpy.typing import NDArray

    from shimfit.wire.formats import Binary, Modbus
    from shimfit.wire.samples import Sample, Tally

FAILS_TO_NO_ANSWER = 3
NO_ANSWER = "no answer to three polls in a row: look at station, speed, framing and the two wires"
EXCEPTIONS = {
    1: "it does not know this function",
    2: "it has no such register address",
    3: "it does not take this number of registers",
    4: "it failed",
    6: "it is busy",
}


def _table_entry(byte: int) -> int:
    for _ in range(8):
        byte = (byte >> 1) ^ (0xA001 if byte & 1 else 0)
    return byte


_CRC_TABLE = tuple(_table_entry(byte) for byte in range(256))


def crc16(data: bytes) -> int:
    """CRC-16/MODBUS: start 0xFFFF, polynomial 0xA001 reflected. Goes on the wire low byte first."""
    crc = 0xFFFF
    for byte in data:
        crc = (crc >> 8) ^ _CRC_TABLE[(crc ^ byte) & 0xFF]
    return crc


_CHECKS: dict[str, Callable[[bytes], int]] = {
    "sum8": lambda data: sum(data) & 0xFF,
    "xor8": lambda data: reduce(xor, data, 0),
    "crc16-modbus": crc16,
    # Polynomial 0x1021, start 0xFFFF, not reflected ("CCITT-FALSE": 0x29B1 for 123456789).
    "crc16-ccitt": lambda data: binascii.crc_hqx(data, 0xFFFF),
}


def _check_of(data: bytes, check: str, order: str) -> bytes:
    return _CHECKS[check](data).to_bytes(CHECKS[check], "little" if order == "low-first" else "big")


def with_crc(data: bytes) -> bytes:
    """A Modbus frame as it goes on the wire."""
    return data + _check_of(data, "crc16-modbus", "low-first")


def _is_whole(frame: bytes, check: str, first: int, order: str) -> bool:
    """True when the check at the frame's end is right; it counts from its byte `first` on."""
    size = CHECKS[check]
    return not size or frame[-size:] == _check_of(frame[first:-size], check, order)


def encode_frame(description: Binary, values: Mapping[str, float]) -> bytes:
    """The frame that a device of this description sends of its values (`samples.values_of`)."""
    size = CHECKS[description.check]
    frame = bytearray(description.length)
    frame[: len(description.header)] = description.header
    for field in description.values:
        frame[field.at : field.at + field.size] = field.encoded(values.get(field.name, 0.0))
    if size:
        counted = bytes(frame[description.check_from : -size])
        frame[-size:] = _check_of(counted, description.check, description.check_order)
    return bytes(frame)


def quiet_s(baud: int, bits: int = 11) -> float:
    """Silence between frames: 3.5 characters, and 1.75 ms above 19200 baud (Modbus over serial line)."""
    return 0.00175 if baud > 19200 else 3.5 * bits / baud


class ModbusFrames:
    """Request and answer of one device: builds both, judges the answer. Nothing is remembered."""

    def __init__(self, description: Modbus) -> None:
        self._head = bytes([description.station, description.function])
        self._values = description.values
        self._first = min(value.at for value in description.values)
        words = max(value.at + value.size // 2 for value in description.values) - self._first
        self._bytes = 2 * words
        self.answer_length = 5 + self._bytes
        self.request = with_crc(self._head + struct.pack(">HH", self._first, words))

    def length(self, data: bytes) -> int:
        """Bytes that a frame beginning like this has; 3 while that can't be told yet."""
        if len(data) < 3:
            return 3
        return 5 if data[1] & 0x80 else 5 + data[2]

    def judge(self, frame: bytes) -> Refusal | None:
        """Why the frame is no good answer: length, CRC, station, function, byte count, in that order."""
        if len(frame) < 5 or len(frame) != self.length(frame):
            return Refusal.SHORT_ANSWER
        if with_crc(frame[:-2]) != frame:
            return Refusal.BAD_CRC
        station, function = self._head
        if frame[0] != station:
            return Refusal.WRONG_STATION
        if frame[1] == function | 0x80:
            return Refusal.DEVICE_REFUSED
        if frame[1] != function:
            return Refusal.WRONG_FUNCTION
        return Refusal.WRONG_BYTE_COUNT if frame[2] != self._bytes else None

    def values(self, frame: bytes) -> dict[str, float]:
        """Scaled values of a frame that was judged good, by name, in their registers' units."""
        starts = {value.name: 3 + 2 * (value.at - self._first) for value in self._values}
        return {
            value.name: value.number(frame[starts[value.name] :][: value.size], words=True)
            for value in self._values
        }

    def answer(self, values: Mapping[str, float]) -> bytes:
        """What the device answers of its values (`samples.values_of`)."""
        registers = bytearray(self._bytes)
        for value in self._values:
            at = 2 * (value.at - self._first)
            registers[at : at + value.size] = value.encoded(values.get(value.name, 0.0), words=True)
        return with_crc(self._head + bytes([self._bytes]) + registers)


class FrameInput(Input):
    """What every format of frames shares: the bytes that are no whole frame yet, and what values mean."""

    def __init__(self, description: Binary | Modbus, tally: Tally) -> None:
        super().__init__(description, tally)
        self._got = b""
        self._measure = Measure(description, tally)
        self._step_deg = description.step_deg

    @property
    def step_deg(self) -> float | None:
        """See Input."""
        return self._step_deg

    def restart(self, *, lost: bool) -> None:
        """See Input."""
        if lost and self._got:
            self._tally.refuse(Refusal.UNFINISHED)
        self._got = b""
        self._measure.restart()


class BinaryInput(FrameInput):
    """Described frames that come by themselves; one that fails its check is searched for the next header."""

    format = "binary"

    def __init__(self, description: Binary, tally: Tally) -> None:
        super().__init__(description, tally)
        self._description = description

    def feed(self, data: bytes, now_s: float) -> list[Sample]:
        """See Input."""
        of = self._description
        self._got += data
        samples: list[Sample] = []
        while (start := self._got.find(of.header)) >= 0:
            self._got = self._got[start:]
            if len(self._got) < of.length:
                return samples
            frame = self._got[: of.length]
            if not _is_whole(frame, of.check, of.check_from, of.check_order):
                self._tally.refuse(Refusal.BAD_CHECKSUM)
                self._got = self._got[1:]
                continue
            self._got = self._got[of.length :]
            numbers = {v.name: v.number(frame[v.at : v.at + v.size]) for v in of.values}
            sample = self._measure.sample(numbers, now_s)
            samples += [] if sample is None else [sample]
        keep = len(of.header) - 1  # a header may be half here
        self._got = self._got[-keep:] if keep else b""
        return samples


_LONGEST_FRAME = 64
_FRAMES_TO_BELIEVE, _DIFFERENT = 10, 6
_HEADER = 2
"""Bytes of a header that is proposed: more that never changed may be values."""


def _ways_to_check(header: int) -> Iterator[tuple[str, int, str]]:
    """(check, first byte that it counts in, its order), but for no check at all."""
    for check, size in CHECKS.items():
        for first in range(min(header, 4) + 1) if size else ():
            for order in get_args(Order) if size == 2 else ("high-first",):
                yield check, first, order


def propose_frames(data: bytes) -> str | None:
    """A description to be completed for bytes that come in frames, and what it makes of the last; or None.

    Frames are believed where the same first bytes come back at one distance and a check at the end is right
    in every one of them: bytes received at a wrong speed, and text, have none. What the values mean the user
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
                frames = [row.tobytes() for row in table]
                rights = (one for one in _ways_to_check(header) if all(_is_whole(f, *one) for f in frames))
                found += [(-header, start, check) for check in islice(rights, 1)]
        if found:
            header, start, check = min(found)
            return _proposal(received[start : start + rows * length].reshape(rows, length), -header, *check)
    return None


def _proposal(table: NDArray[np.uint8], header: int, check: str, first: int, check_order: str) -> str:
    length, header = table.shape[1], min(header, _HEADER)
    form, order, at, scale = _pair_of(table, header, length - CHECKS[check])
    size = Field("x", 0, form).size
    values = [Field(name, at + k * size, form, order, scale) for k, name in enumerate("xy")]
    last = table[-1].tobytes()
    x, y = (value.number(last[value.at : value.at + size]) for value in values)
    rest = f"type = '{form}', order = '{order}', scale = {scale}, unit = 'deg'"
    rows = "".join(f"  {{ name = '{v.name}', offset = {v.at}, {rest} }},\n" for v in values)
    return (
        f"format = 'binary'\nheader = '{last[:header].hex(' ').upper()}'\nlength = {length}\n"
        f"check = '{check}'\ncheck_from = {first}\ncheck_order = '{check_order}'\n"
        f"values = [\n{rows}]\n# received: {last.hex(' ').upper()}\n"
        f"# comes to: x {x:+.4g}, y {y:+.4g} degrees (the scale is a guess)\n"
    )


_GUESSED: tuple[tuple[Form, float, float], ...] = (
    ("float32", 1.0, 90.0),
    ("int32", 0.001, 90_000.0),
    ("int16", 0.01, 9_000.0),
)
"""Types that values may be of, with the scale that is guessed and the largest raw value."""


def _pair_of(table: NDArray[np.uint8], header: int, end: int) -> tuple[Form, Order, int, float]:
    """(type, order, offset, scale) of two values side by side: the largest that change little."""
    found: list[tuple[int, float, int, Form, Order, float]] = []
    for (form, scale, largest), order in product(_GUESSED, reversed(get_args(Order))):
        kind = np.dtype(("<" if order == "low-first" else ">") + FIELD_FORMS[form])
        for at in range(header, end - 2 * kind.itemsize + 1):
            with np.errstate(invalid="ignore"):  # bytes that are no number in this type are passed over below
                raw = (
                    np.ascontiguousarray(table[:, at : at + 2 * kind.itemsize]).view(kind).astype(np.float64)
                )
            size, steps = np.abs(raw), np.abs(np.diff(raw, axis=0))
            tiny = form == "float32" and np.median(size) < 1e-4
            never_changes = not (steps != 0).any(axis=0).all()
            if not np.isfinite(raw).all() or size.max() > largest or tiny or never_changes:
                continue
            change = float(steps.mean(axis=0).max()) / largest
            found.append((-kind.itemsize, change, at, form, order, scale))
    if not found:
        return "int16", "low-first", header, 0.01
    _, _, at, form, order, scale = min(found)
    return form, order, at, scale


class ModbusInput(FrameInput):
    """What both ways of receiving answers share: a good one becomes a sample, a bad one a count."""

    format = "modbus"

    def __init__(self, description: Modbus, tally: Tally) -> None:
        super().__init__(description, tally)
        self._frames = ModbusFrames(description)

    def _take(self, frame: bytes, now_s: float) -> tuple[Refusal | None, list[Sample]]:
        """(why the frame is no good answer, its sample); counts what it refuses."""
        why = self._frames.judge(frame)
        if why is None:
            sample = self._measure.sample(self._frames.values(frame), now_s)
            return None, [] if sample is None else [sample]
        if why is Refusal.DEVICE_REFUSED:
            reason = EXCEPTIONS.get(frame[2], f"code {frame[2]}")
            self._news.append(f"the device refused the request: {reason}")
        self._tally.refuse(why)
        return why, []


class ModbusPoller(ModbusInput):
    """Asks, waits, judges. The owner of the port sends what `due` hands out and feeds what comes."""

    def __init__(self, description: Modbus, tally: Tally) -> None:
        super().__init__(description, tally)
        self._poll_s, self._timeout_s = description.poll_s, description.timeout_s
        self._quiet_s = quiet_s(description.baud)
        self._asked_s: float | None = None
        self._next_s = float("-inf")
        self._fails = 0
        self._echo_seen = False

    def due(self, now_s: float) -> bytes | None:
        """The request, when it is time to ask; None while waiting or silent. Empty the input first."""
        if self._asked_s is not None or now_s < self._next_s:
            return None
        self.asked(now_s)
        return self._frames.request

    def asked(self, now_s: float) -> None:
        """See Input. Whatever came before the request is no answer."""
        self.check(now_s)
        self._asked_s, self._got, self._echo_seen = now_s, b"", False

    def feed(self, data: bytes, now_s: float) -> list[Sample]:
        """See Input."""
        self.check(now_s)
        if self._asked_s is None:
            return []  # late, or noise: nothing was asked
        self._got += data
        request = self._frames.request
        if not self._echo_seen:
            if request.startswith(self._got):
                self._echo_seen = self._got == request
                self._got = b"" if self._echo_seen else self._got
                return []  # an echo of the request, whole or its beginning
            if len(self._got) >= len(request):
                self._got, self._echo_seen = self._got.removeprefix(request), True
        length = self._frames.length(self._got)
        if len(self._got) < max(length, 5):
            return []
        why, samples = self._take(self._got[:length], now_s)
        self._done(why is None, self._asked_s + self._poll_s, now_s)
        return samples

    def check(self, now_s: float) -> None:
        """Let a request that got no (whole) answer time out, and be silent for one more timeout."""
        if self._asked_s is None or now_s - self._asked_s < self._timeout_s:
            return
        self._tally.refuse(Refusal.SHORT_ANSWER if self._got else Refusal.NO_ANSWER)
        self._done(False, self._asked_s + 2 * self._timeout_s, now_s)

    def _done(self, good: bool, next_s: float, now_s: float) -> None:
        self._fails = 0 if good else self._fails + 1
        self.no_answer = NO_ANSWER if self._fails >= FAILS_TO_NO_ANSWER else None
        self._asked_s, self._got = None, b""
        self._next_s = max(next_s, now_s + self._quiet_s)

    def restart(self, *, lost: bool) -> None:
        """See Input."""
        super().restart(lost=lost)
        self._asked_s, self._next_s = None, float("-inf")


class ModbusScanner(ModbusInput):
    """Answers from a bare file of bytes, where nothing tells when a request went out.

    A frame with a right CRC is judged as an answer; where one should begin but its CRC is wrong, that
    is counted and the search goes on one byte further.
    """

    def feed(self, data: bytes, now_s: float) -> list[Sample]:
        """See Input."""
        self._got += data
        samples = []
        while (length := self._next_length()) is not None:
            frame, self._got = self._got[:length], self._got[length:]
            if frame == self._frames.request or length == 1:
                continue
            why, found = self._take(frame, now_s)
            samples += found
            if why is Refusal.BAD_CRC:
                self._got = frame[1:] + self._got  # a good one may begin inside it
        return samples

    def _next_length(self) -> int | None:
        """Bytes to take next: a request, an answer, or 1 to pass over; None while that can't be told."""
        got, request, usual = self._got, self._frames.request, self._frames.answer_length
        if request.startswith(got[: len(request)]):
            return len(request) if len(got) >= len(request) else None
        if len(got) < 5:
            return None
        if got[0] == request[0] and got[1] | 0x80 == request[1] | 0x80:
            length = self._frames.length(got)
            return length if len(got) >= length else None
        if len(got) < usual:
            return None
        return usual if with_crc(got[: usual - 2]) == got[:usual] else 1
