"""How the simulated sensor speaks: a sample in, bytes out; or a Modbus request in, an answer out."""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING

from shimfit.errors import UsageError
from shimfit.wire.dialects import Modbus, Register
from shimfit.wire.dialects.xdr import checksum
from shimfit.wire.modbus import ModbusFrames, with_crc

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy as np

FORMATS = ("xdr", "xdr-split", "text", "triple", "modbus")
SIMULATED_MODBUS = Modbus(
    values=(
        Register("x", 0, "int16", scale=0.001, unit="deg"),
        Register("y", 1, "int16", scale=0.001, unit="deg"),
    ),
    station=1,
    framing="8N1",
    baud=115200,
)
"""What `--format modbus` answers to; hardware_notes has it as a description."""


@dataclass(frozen=True, slots=True)
class Voice:
    """One wire format, spoken."""

    format: str
    say: Callable[[float, float, float], bytes] | None
    """(time in s, x and y in degrees) to bytes; None where the sensor speaks only when asked."""


def voice(name: str) -> Voice:
    """The voice of that name; raises UsageError for another."""
    says: dict[str, Callable[[float, float, float], bytes] | None] = {
        "xdr": _xdr,
        "xdr-split": _xdr_split,
        "text": _text,
        "triple": _triple,
        "modbus": None,
    }
    if name not in says:
        raise UsageError(f"no format {name!r} to simulate; there are {', '.join(FORMATS)}")
    return Voice(name, says[name])


def sentence(body: str) -> bytes:
    """`$body*hh` with its checksum and CRLF."""
    data = body.encode("ascii")
    return b"$%b*%02X\r\n" % (data, checksum(data))


def _xdr(_time_s: float, x_deg: float, y_deg: float) -> bytes:
    return sentence(f"IIXDR,A,{x_deg:.3f},D,PITCH,A,{y_deg:.3f},D,ROLL")


def _xdr_split(_time_s: float, x_deg: float, y_deg: float) -> bytes:
    return sentence(f"IIXDR,A,{x_deg:.3f},D,PTCH") + sentence(f"IIXDR,A,{y_deg:.3f},D,ROLL")


def _text(time_s: float, x_deg: float, y_deg: float) -> bytes:
    return f"{1000 * time_s:.0f},{x_deg:.3f},{y_deg:.3f}\r\n".encode("ascii")


def _triple(time_s: float, x_deg: float, y_deg: float) -> bytes:
    """Gravity's reaction in the sensor's axes, in g; the exact inverse of what is read from it."""
    tan_x, tan_y = math.tan(math.radians(x_deg)), math.tan(math.radians(y_deg))
    up = 1 / math.sqrt(1 + tan_x * tan_x + tan_y * tan_y)
    return f"{1000 * time_s:.0f},{-tan_x * up:.6f},{-tan_y * up:.6f},{up:.6f}\r\n".encode("ascii")


class ModbusVoice:
    """Answers polls as a device of that description; bytes that are no request to it stay unanswered."""

    def __init__(self, description: Modbus = SIMULATED_MODBUS) -> None:
        self._description = description
        self._request = ModbusFrames(description).request
        self._heard = b""

    def hear(self, data: bytes, x_deg: float, y_deg: float) -> bytes:
        """What to answer to these bytes."""
        self._heard += data
        answer = b""
        while len(self._heard) >= len(self._request):
            if self._heard.startswith(self._request):
                self._heard = self._heard[len(self._request) :]
                answer += self._answer(x_deg, y_deg)
            else:
                self._heard = self._heard[1:]
        return answer

    def _answer(self, x_deg: float, y_deg: float) -> bytes:
        words = struct.pack(">hh", round(x_deg / 0.001), round(y_deg / 0.001))
        head = bytes([self._description.station, self._description.function, len(words)])
        return with_crc(head + words)


def damage(data: bytes, share: float, random: np.random.Generator) -> bytes:
    """The bytes with single bits flipped in this share of them, as a bad cable does it."""
    if share <= 0:
        return data
    hurt = bytearray(data)
    for at in range(len(hurt)):
        if random.random() < share:
            hurt[at] ^= 1 << int(random.integers(8))
    return bytes(hurt)
