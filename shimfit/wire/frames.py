"""Frames of bytes: described ones that come by themselves, and Modbus RTU, polled. No port, no clock.

A Modbus answer is laid out as such a frame: its header is station, function and byte count, its check CRC-16.

An answer does not repeat the register address, so a late answer to an earlier request could pass for the
next one. Hence after a timeout the line stays silent for one more timeout, and whatever came meanwhile is
thrown away. Half-duplex adapters may echo the request; the echo is dropped.
"""

from __future__ import annotations

import binascii
import struct
from dataclasses import replace
from functools import reduce
from itertools import product
from operator import xor
from typing import TYPE_CHECKING, get_args

import numpy as np

from shimfit.wire.formats import CHECKS, FIELD_FORMS, Binary, Field, Form, Order
from shimfit.wire.samples import Measure, Refusal

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from numpy.typing import NDArray

    from shimfit.wire.formats import Described, Modbus
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


class Input:
    """One format on one link: bytes with their times in, samples out, the rest counted."""

    format: str | None = None
    """`xdr`, `text`, `binary` or `modbus`; None while it is being found."""
    needs_description: str | None = None
    """A description to complete, when something was found whose values the user must name."""
    no_answer: str | None = None
    """Why nothing comes, where that is known."""

    def __init__(self, description: Described, tally: Tally) -> None:
        self._tally = tally
        self.news: list[str] = []
        """Sentences for the user; whoever shows them takes them out."""
        self.elevation = description.elevation
        """True when each angle is an axis against the horizontal."""

    @property
    def step_deg(self) -> float | None:
        """Output step that the values show; None where they don't."""
        raise NotImplementedError

    def feed(self, data: bytes, now_s: float) -> list[Sample]:
        """Samples that these bytes complete."""
        raise NotImplementedError

    def restart(self, *, lost: bool) -> None:
        """Begin anew; `lost`: a line or frame under way counts as unfinished. It is never parsed."""
        raise NotImplementedError

    def due(self, now_s: float) -> bytes | None:  # noqa: ARG002 - most formats come by themselves
        """What to send now; None for formats that come by themselves."""
        return None

    def asked(self, now_s: float) -> None:
        """A request went out, at this time in a capture."""

    def check(self, now_s: float) -> None:
        """Time passes: requests may time out."""


# ---------------------------------------------------------------- how a frame is laid out


def _table_entry(byte: int) -> int:
    for _ in range(8):
        byte = (byte >> 1) ^ (0xA001 if byte & 1 else 0)
    return byte


_CRC_TABLE = tuple(map(_table_entry, range(256)))


def crc16(data: bytes) -> int:
    """CRC-16/MODBUS: start 0xFFFF, polynomial 0xA001 reflected. Goes on the wire low byte first."""
    crc = 0xFFFF
    for byte in data:
        crc = (crc >> 8) ^ _CRC_TABLE[(crc ^ byte) & 0xFF]
    return crc


_CHECKS: dict[str, Callable[[bytes], int]] = {
    "none": lambda _: 0,
    "sum8": lambda data: sum(data) & 0xFF,
    "xor8": lambda data: reduce(xor, data, 0),
    "crc16-modbus": crc16,
    # Polynomial 0x1021, start 0xFFFF, not reflected ("CCITT-FALSE": 0x29B1 for 123456789).
    "crc16-ccitt": lambda data: binascii.crc_hqx(data, 0xFFFF),
}


def with_crc(data: bytes) -> bytes:
    """A Modbus frame as it goes on the wire."""
    return data + crc16(data).to_bytes(2, "little")


def _checked(of: Binary, frame: bytes) -> bytes:
    """The frame as it is with the right check at its end."""
    size = CHECKS[of.check]
    body = frame[: len(frame) - size]
    check = _CHECKS[of.check](body[of.check_from :])
    return body + check.to_bytes(size, "little" if of.check_order == "low-first" else "big")


def encode_frame(of: Binary, values: Mapping[str, float]) -> bytes:
    """The frame that a device of this description sends of its values (`samples.values_of`)."""
    frame = bytearray(of.length)
    frame[: len(of.header)] = of.header
    for field in of.values:
        frame[field.at : field.at + field.size] = field.encoded(values.get(field.name, 0.0))
    return _checked(of, bytes(frame))


def numbers_of(of: Binary, frame: bytes) -> dict[str, float]:
    """Scaled values of a good frame, by name, in their units."""
    return {field.name: field.number(frame[field.at : field.at + field.size]) for field in of.values}


def quiet_s(baud: int, bits: int = 11) -> float:
    """Silence between frames: 3.5 characters, and 1.75 ms above 19200 baud (Modbus over serial line)."""
    return 0.00175 if baud > 19200 else 3.5 * bits / baud


class ModbusFrames:
    """Request and answer of one device: builds both, judges the answer. Nothing is remembered."""

    def __init__(self, description: Modbus) -> None:
        head = bytes([description.station, description.function])
        first = min(value.at for value in description.values)
        words = max(value.at + value.size // 2 for value in description.values) - first
        self.request = with_crc(head + struct.pack(">HH", first, words))
        values = (replace(one, at=3 + 2 * (one.at - first), of_words=True) for one in description.values)
        self.answer = Binary(
            kind=description.kind,
            flip=description.flip,
            range_deg=description.range_deg,
            values=tuple(values),
            header=head + bytes([2 * words]),
            length=5 + 2 * words,
            check="crc16-modbus",
            check_order="low-first",
        )
        """How an answer is laid out."""

    def length(self, data: bytes) -> int:
        """Bytes that a frame beginning like this has; 3 while that is not known yet."""
        if len(data) < 3:
            return 3
        return 5 if data[1] & 0x80 else 5 + data[2]

    def judge(self, frame: bytes) -> Refusal | None:
        """Why the frame is no good answer: length, CRC, station, function, byte count, in that order."""
        station, function, count = self.answer.header
        if len(frame) < 5 or len(frame) != self.length(frame):
            return Refusal.SHORT_ANSWER
        if with_crc(frame[:-2]) != frame:
            return Refusal.BAD_CRC
        if frame[0] != station:
            return Refusal.WRONG_STATION
        if frame[1] == function | 0x80:
            return Refusal.DEVICE_REFUSED
        if frame[1] != function:
            return Refusal.WRONG_FUNCTION
        return Refusal.WRONG_BYTE_COUNT if frame[2] != count else None


# ---------------------------------------------------------------- frames received


class FrameInput(Input):
    """Frames that come by themselves. One that fails its check is searched for the beginning of the next."""

    format = "binary"

    def __init__(self, layout: Binary, tally: Tally) -> None:
        super().__init__(layout, tally)
        self._got = b""
        self._layout = layout
        self._measure = Measure(layout, tally)

    @property
    def step_deg(self) -> float | None:
        """See Input."""
        return self._layout.step_deg

    def feed(self, data: bytes, now_s: float) -> list[Sample]:
        """See Input."""
        self._got += data
        samples: list[Sample] = []
        while (length := self._next_length()) is not None:
            frame, self._got = self._got[:length], self._got[length:]
            if not self._take(frame, now_s, samples):
                self._got = frame[1:] + self._got
        return samples

    def _next_length(self) -> int | None:
        """Bytes to take next; None while that is not known. What can't be a beginning is dropped."""
        of = self._layout
        start = self._got.find(of.header)
        if start < 0:
            keep = len(of.header) - 1  # a header may be half here
            self._got = self._got[-keep:] if keep else b""
            return None
        self._got = self._got[start:]
        return of.length if len(self._got) >= of.length else None

    def _take(self, frame: bytes, now_s: float, samples: list[Sample]) -> bool:
        """A good frame becomes a sample, a bad one a count; False where a good one may begin inside it."""
        is_whole = frame == _checked(self._layout, frame)
        if is_whole:
            self._sample(frame, now_s, samples)
        else:
            self._tally.refuse(Refusal.BAD_CHECKSUM)
        return is_whole

    def _sample(self, frame: bytes, now_s: float, samples: list[Sample]) -> None:
        sample = self._measure.sample(numbers_of(self._layout, frame), now_s)
        if sample is not None:
            samples.append(sample)

    def restart(self, *, lost: bool) -> None:
        """See Input."""
        if lost and self._got:
            self._tally.refuse(Refusal.UNFINISHED)
        self._got = b""
        self._measure.restart()


class ModbusScanner(FrameInput):
    """Answers from a bare file of bytes, where no request is marked.

    A frame with a right CRC is judged as an answer; where one should begin but its CRC is wrong, that
    is counted and the search goes on one byte further.
    """

    format = "modbus"

    def __init__(self, description: Modbus, tally: Tally) -> None:
        self._frames = ModbusFrames(description)
        super().__init__(self._frames.answer, tally)

    def _next_length(self) -> int | None:
        """A request, an answer, or 1 to pass over."""
        got, request, usual = self._got, self._frames.request, self._layout.length
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

    def _take(self, frame: bytes, now_s: float, samples: list[Sample]) -> bool:
        if frame == self._frames.request or len(frame) == 1:
            return True
        return self._judged(frame, now_s, samples) is not Refusal.BAD_CRC

    def _judged(self, frame: bytes, now_s: float, samples: list[Sample]) -> Refusal | None:
        """Why the frame is no good answer."""
        why = self._frames.judge(frame)
        if why is None:
            self._sample(frame, now_s, samples)
            return None
        if why is Refusal.DEVICE_REFUSED:
            reason = EXCEPTIONS.get(frame[2], f"code {frame[2]}")
            self.news.append(f"the device refused the request: {reason}")
        self._tally.refuse(why)
        return why


class ModbusPoller(ModbusScanner):
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
        samples: list[Sample] = []
        if self._asked_s is None:
            return samples  # late, or noise: nothing was asked
        self._got += data
        request = self._frames.request
        if not self._echo_seen:
            if request.startswith(self._got):  # an echo of the request, whole or its beginning
                self._echo_seen = self._got == request
                self._got = b"" if self._echo_seen else self._got
                return samples
            if len(self._got) >= len(request):
                self._got, self._echo_seen = self._got.removeprefix(request), True
        length = self._frames.length(self._got)
        if len(self._got) >= max(length, 5):
            why = self._judged(self._got[:length], now_s, samples)
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


# ---------------------------------------------------------------- finding frames

_LONGEST_FRAME = 64
_FRAMES_TO_BELIEVE, _DIFFERENT = 10, 6
_HEADER = 2
"""Bytes of a header that is proposed: more that never changed may be values."""


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
        found: list[tuple[int, Binary, NDArray[np.uint8]]] = []
        for start in np.flatnonzero((whole == whole[0]).all(axis=0)).tolist():
            table = received[start : start + rows * length].reshape(rows, length)
            never_changed = int((table == table[0]).all(axis=0).argmin())
            if never_changed and len(np.unique(table, axis=0)) >= _DIFFERENT:
                checked = _checked_frames(table, never_changed)
                found += [] if checked is None else [(never_changed, checked, table)]
        if found:
            _, checked, table = max(found, key=lambda one: one[0])
            return _proposal(checked, table)
    return None


def _checked_frames(table: NDArray[np.uint8], never_changed: int) -> Binary | None:
    """The frames with a check that is right in every one, a frame a row; None where none is."""
    frames = [row.tobytes() for row in table]
    for check, size in CHECKS.items():
        for first in range(min(never_changed, 4) + 1) if size else ():
            for order in get_args(Order) if size == 2 else ("high-first",):
                of = Binary(
                    values=(),
                    header=frames[-1][: min(never_changed, _HEADER)],
                    length=table.shape[1],
                    check=check,  # type: ignore[arg-type] # a key of CHECKS
                    check_from=first,
                    check_order=order,
                )
                if all(frame == _checked(of, frame) for frame in frames):
                    return of
    return None


def _proposal(of: Binary, table: NDArray[np.uint8]) -> str:
    values = _pair_of(table, len(of.header), of.length - CHECKS[of.check])
    last = table[-1].tobytes()
    comes_to = numbers_of(replace(of, values=values), last)
    rows = "".join(
        f"  {{ name = '{v.name}', offset = {v.at}, type = '{v.type}', order = '{v.order}', "
        f"scale = {v.scale}, unit = 'deg' }},\n"
        for v in values
    )
    return (
        f"format = 'binary'\nheader = '{of.header.hex(' ').upper()}'\nlength = {of.length}\n"
        f"check = '{of.check}'\ncheck_from = {of.check_from}\ncheck_order = '{of.check_order}'\n"
        f"values = [\n{rows}]\n# received: {last.hex(' ').upper()}\n"
        f"# comes to: x {comes_to['x']:+.4g}, y {comes_to['y']:+.4g} degrees (the scale is a guess)\n"
    )


_GUESSED: tuple[tuple[Form, float, float], ...] = (
    ("float32", 1.0, 90.0),
    ("int32", 0.001, 90_000.0),
    ("int16", 0.01, 9_000.0),
)
"""Types that values may be of, with the scale that is guessed and the largest raw value."""


def _pair_of(table: NDArray[np.uint8], header: int, end: int) -> tuple[Field, Field]:
    """X and y as two values side by side: the largest that change little."""
    found: list[tuple[int, float, int, Form, Order, float]] = []
    for (form, scale, largest), order in product(_GUESSED, reversed(get_args(Order))):
        kind = np.dtype(("<" if order == "low-first" else ">") + FIELD_FORMS[form])
        for at in range(header, end - 2 * kind.itemsize + 1):
            with np.errstate(invalid="ignore"):  # bytes that are no number in this type are passed over below
                pair = np.ascontiguousarray(table[:, at : at + 2 * kind.itemsize])
                raw = pair.view(kind).astype(np.float64)
            size, steps = np.abs(raw), np.abs(np.diff(raw, axis=0))
            tiny = form == "float32" and np.median(size) < 1e-4
            never_changes = not (steps != 0).any(axis=0).all()
            if not np.isfinite(raw).all() or size.max() > largest or tiny or never_changes:
                continue
            change = float(steps.mean(axis=0).max()) / largest
            found.append((-kind.itemsize, change, at, form, order, scale))
    found.sort()
    _, _, at, form, order, scale = (found or [(-2, 0.0, header, "int16", "low-first", 0.01)])[0]
    x = Field("x", at, form, order, scale)
    return x, replace(x, name="y", at=at + x.size)
