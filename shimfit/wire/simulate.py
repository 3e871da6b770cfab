"""An inclinometer on a post, played: the whole job can be practised and tested with no hardware.

The post's rest comes from the packs under it by the same mechanics that the program predicts with; how it
gets there (lag, ring) and what the sensor adds (noise with a memory, zero, drift) is invented here. Orders, a
line each (`play` reads them live, on a pseudo-terminal):

insert next-out 1.5     a pack goes in (mm)
pull next-out           it comes out again
knock 1.5               a blow to the top, degrees
push 0.1 0              the level shifts for good, degrees along and across
tip 2 0                 hold the top out by so much; `tip 0 0` lets go
shake 0.2               shake from now on; `shake 0` ends it
turn                    the sensor goes to the opposite face
noise 0.05 · drift 0.1 · zero 2.5 -1    the sensor's own errors: degrees, degrees a minute
damage 0.01             share of bytes that arrive damaged
freeze · thaw           the sensor repeats itself
unplug 3 · plug         the link goes away (for so many seconds), and comes back
quit
"""

from __future__ import annotations

import contextlib
import errno
import math
import os
import re
import select
import struct
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from shimfit.core.lean import to_degrees
from shimfit.core.resting import rest_packs
from shimfit.errors import EntryError, FileError, InstrumentError, UsageError
from shimfit.model import Foot, Lean, Pack, Seat
from shimfit.quantities.typed import decimal_number
from shimfit.values import dataclass
from shimfit.wire.formats import Binary, Description, Modbus, Text, Xdr, parse_description
from shimfit.wire.frames import ModbusFrames, encode_frame
from shimfit.wire.lines import encode_text, sentence
from shimfit.wire.samples import values_of

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from shimfit.wire.capture import CaptureWriter


ORDERS: dict[str, tuple[int, int, float, str]] = {
    "insert": (1, 1, -math.inf, ""),
    "noise": (1, 1, 45.0, "a scatter of 0 to 45 degrees"),
    "drift": (1, 1, -math.inf, ""),
    "shake": (1, 1, 45.0, "a swing of 0 to 45 degrees"),
    "damage": (1, 1, 1.0, "a share of the bytes, 0 to 1"),
    **dict.fromkeys(("push", "tip", "zero"), (2, 2, -math.inf, "")),
    **dict.fromkeys(("pull", "turn", "freeze", "thaw", "plug", "quit"), (0, 0, -math.inf, "")),
    "knock": (0, 1, -math.inf, ""),
    "unplug": (0, 1, 1e6, "for some seconds, 0 to a million"),
}
"""Least and most numbers that follow each word (behind its seat, where it has one); where they can't be below
0, the largest and what they are."""


@dataclass(frozen=True, slots=True)
class Order:
    """One order, understood."""

    word: str
    numbers: tuple[float, ...] = ()
    seat: Seat | None = None


Script = tuple[tuple[float, Order], ...]
"""Orders with the seconds at which they are done, in order."""


def parse_order(text: str) -> Order:
    """Read one order; raises EntryError with what is wrong and what there is."""
    word, *rest = text.lower().split() or [""]
    if word not in ORDERS:
        raise EntryError(f"{word!r} isn't an order; the orders are {', '.join(ORDERS)}.", at=0)
    least, most, largest, what = ORDERS[word]
    seat = None
    if word in ("insert", "pull"):
        if len(rest) != most + 1:
            form = "`insert SEAT MM`" if word == "insert" else "`pull SEAT`"
            raise EntryError(f"It is {form}; seats are {', '.join(Seat)}.", at=len(word))
        at, *rest = rest
        if at not in [*Seat]:
            raise EntryError(f"{at!r} isn't a seat; the seats are {', '.join(Seat)}.", at=len(word) + 1)
        seat = Seat(at)
    if not least <= len(rest) <= most:
        wanted = {(0, 0): "no number", (1, 1): "one number"}.get((least, most), f"{most} numbers")
        wanted = wanted if least == most else f"{least} or {most} numbers"
        raise EntryError(f"{word!r} takes {wanted}, not {len(rest)}.", at=len(word))
    numbers = tuple(decimal_number(part.removesuffix("mm") if seat else part) for part in rest)
    for part, number in zip(rest, numbers, strict=True):
        if math.isnan(number):
            raise EntryError(f"{part!r} isn't a number.")
        if what and not 0.0 <= number <= largest:
            raise EntryError(f"{word} is {what}, not {part}.", at=len(word) + 1)
    return Order(word, numbers, seat)


def parse_script(text: str) -> Script:
    """Orders with their times: `2 insert next-out 1.5; 8 knock 1` (seconds from the start, in order)."""
    script = []
    for part in filter(None, (piece.strip() for piece in re.split(r"[;\n]", text))):
        when, _, order = part.partition(" ")
        at_s = decimal_number(when)
        if not at_s >= 0.0:
            raise UsageError(f"{part!r} must begin with the second at which it is done, such as `2 {part}`")
        script.append((at_s, parse_order(order)))
    return tuple(sorted(script, key=lambda timed: timed[0]))


PRELOAD_MM = 0.19
_LAG_S = 0.3
"""The lean follows a pack that goes in."""
_RING_HZ = 4.0
_RING_DAMPING = 0.06
"""A post on its rod rings for about a second."""
_STEP_S = 0.002


@dataclass(slots=True)
class SensorNature:
    """What the sensor adds to the lean, as it is now. Degrees."""

    noise_deg: float = 0.02
    memory: float = 0.0
    """How much of a sample's error the next one keeps (0 = white noise, 0.95 = strongly low-passed)."""
    zero_x_deg: float = 0.0
    zero_y_deg: float = 0.0
    drift_deg_per_min: float = 0.0
    step_deg: float = 0.001
    """Output step; values are rounded to it."""


class SimulatedPost:
    """One post with its sensor. Deterministic for a generator number and way of calling `advance`."""

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
        self.nature = replace(nature or SensorNature())
        self.packs_mm: dict[Seat, float] = {}
        self.turned = False
        self.frozen = False
        self._base = base
        self._random = np.random.default_rng(seed)
        self._time_s = 0.0
        self.resting = base
        """How it will stand once it has settled."""
        # Slopes along + j · across.
        self._lagged = self._place = complex(base.slope_along, base.slope_across)
        self._speed = self._pushed = 0j
        self.shake_deg = 0.0
        """Amplitude of a shaking at 12 Hz."""
        self._error = [0.0, 0.0]
        self._last = (0.0, 0.0)

    # ---------------------------------------------------------------- what is done to it

    def pack(self, seat: Seat, thickness_mm: float) -> None:
        """What is under a seat from now on. Raises EntryError when the post could not stand like that."""
        before = self.packs_mm
        self.packs_mm = {s: t for s, t in {**before, seat: thickness_mm}.items() if t > 0}
        try:
            self._aim()
        except EntryError:
            self.packs_mm = before
            raise

    def tip(self, along_deg: float, across_deg: float, *, further: bool = False) -> None:
        """Hold the top this far out of where it rests; 0 0 lets go. `further`: beside what was so far."""
        push = complex(math.radians(along_deg), math.radians(across_deg))
        self._pushed = self._pushed + push if further else push
        self._aim()

    def knock(self, size_deg: float) -> None:
        """A blow to the top: it swings out by about this much and rings down."""
        self._speed += math.radians(size_deg) * (2 + 1j) * math.pi * _RING_HZ

    def _aim(self) -> None:
        """Work out where it comes to rest; the middle where it rocks."""
        stands: tuple[Lean, ...] = (self._base,)
        if self.packs_mm:
            rod_mm, packs = self.foot.rod_at_mm, []
            for seat, made_mm in self.packs_mm.items():
                x_mm, y_mm = self.foot.seat_at_mm(seat)
                packs.append(Pack(seat, made_mm, made_mm, (x_mm - rod_mm[0], y_mm - rod_mm[1])))
            resting = rest_packs(self.foot, self._base, packs, PRELOAD_MM)
            stands = resting.limits or (resting.lean or self._base,)
        middle = (
            sum(complex(one.slope_along, one.slope_across) for one in stands) / len(stands) + self._pushed
        )
        self.resting = Lean(middle.real, middle.imag)

    # ---------------------------------------------------------------- what happens

    def advance(self, seconds: float) -> tuple[float, float]:
        """Let time pass; then what the sensor reports: degrees of lean along its own x and y."""
        end_s = self._time_s + seconds
        omega = 2 * math.pi * _RING_HZ
        target = complex(self.resting.slope_along, self.resting.slope_across)
        while self._time_s < end_s - 1e-12:
            step_s = min(_STEP_S, end_s - self._time_s)
            self._time_s += step_s
            # It lags behind the target, and swings about that.
            self._lagged += (target - self._lagged) * step_s / _LAG_S
            pull = omega * omega * (self._lagged - self._place)
            brake = 2 * _RING_DAMPING * omega * self._speed
            self._speed += (pull - brake) * step_s
            self._place += self._speed * step_s
        if not self.frozen:
            self._last = (self._measured(0, self._place.real), self._measured(1, self._place.imag))
        return self._last

    @property
    def lean(self) -> Lean:
        """How the post really stands just now."""
        return Lean(self._place.real, self._place.imag)

    def _measured(self, axis: int, slope: float) -> float:
        nature = self.nature
        fresh = math.sqrt(1 - nature.memory**2) * nature.noise_deg * self._random.standard_normal()
        self._error[axis] = nature.memory * self._error[axis] + fresh
        shaken = math.radians(self.shake_deg) * math.sin(2 * math.pi * 12 * self._time_s + axis)
        lean_deg = to_degrees(slope + shaken)
        zero_deg = (nature.zero_x_deg, nature.zero_y_deg)[axis]
        drift_deg = nature.drift_deg_per_min * self._time_s / 60
        value_deg = (-lean_deg if self.turned else lean_deg) + zero_deg + drift_deg + self._error[axis]
        return round(value_deg / nature.step_deg) * nature.step_deg


_DESCRIBED = {
    "xdr": "format = 'xdr'",
    "xdr-split": "format = 'xdr'\nx = ['PTCH']\ny = ['ROLL']",
    "text": "columns = ['time:ms', 'x:deg', 'y:deg']",
    "triple": "columns = ['time:ms', 'ax:g', 'ay:g', 'az:g']",
    "modbus": """
        format = 'modbus'
        framing = '8N1'
        baud = 115200
        values = [{ name = 'x', address = 0, scale = 0.001 }, { name = 'y', address = 1, scale = 0.001 }]
    """,
}
FORMATS = {name: parse_description(text, name) for name, text in _DESCRIBED.items()}
"""Wire formats that are played by name; any other by its description."""


def encoder_of(name: str, description: Description) -> Callable[[float, float, float], bytes]:
    """What writes one sample, (time in s, x and y in degrees), as a device of this description sends it.

    A polled one's is its answer.
    """
    if isinstance(description, Xdr):
        x, y = (*description.x, "PITCH")[0], (*description.y, "ROLL")[0]
        if name == "xdr-split":
            return lambda _, x_deg, y_deg: (
                sentence(f"IIXDR,A,{x_deg:.3f},D,{x}") + sentence(f"IIXDR,A,{y_deg:.3f},D,{y}")
            )
        return lambda _, x_deg, y_deg: sentence(f"IIXDR,A,{x_deg:.3f},D,{x},A,{y_deg:.3f},D,{y}")
    if isinstance(description, Text):
        return lambda *sample: encode_text(description, values_of(description, *sample))
    if isinstance(description, Binary):
        return lambda *sample: encode_frame(description, values_of(description, *sample))
    answer = ModbusFrames(description).answer
    return lambda *sample: encode_frame(answer, values_of(answer, *sample))


def damage(data: bytes, share: float, random: np.random.Generator) -> bytes:
    """The bytes with single bits flipped in this share of them, as a bad cable does it."""
    if share <= 0:
        return data
    hurt = bytearray(data)
    for at in range(len(hurt)):
        if random.random() < share:
            hurt[at] ^= 1 << int(random.integers(8))
    return bytes(hurt)


class Stage:
    """The post, its sensor and the link's state; carries out orders. Knows no port and no clock."""

    def __init__(
        self,
        post: SimulatedPost,
        wire_format: str,
        script: Script = (),
        *,
        seed: int = 1,
        description: Description | None = None,
    ) -> None:
        """`description`: of a format that has no name here. Raises UsageError for one that is not played."""
        description = description or FORMATS.get(wire_format)
        if description is None:
            raise UsageError(
                f"no format {wire_format!r} to simulate; there are {', '.join(FORMATS)} or FILE.toml"
            )
        self.post = post
        self.plugged = True
        self.quitting = False
        self._damage = 0.0
        self._back_s = math.inf
        self._encode = encoder_of(wire_format, description)
        self._request = ModbusFrames(description).request if isinstance(description, Modbus) else b""
        self._received = b""
        self._orders = list(script)
        self._random = np.random.default_rng(seed + 1)
        self._sample = (0.0, 0.0)

    @property
    def is_polled(self) -> bool:
        """True where the sensor sends only when asked."""
        return bool(self._request)

    def due(self, now_s: float) -> Iterator[Order]:
        """The script's orders that are due now, each once."""
        while self._orders and self._orders[0][0] <= now_s:
            yield self._orders.pop(0)[1]

    def obey(self, order: Order, now_s: float) -> None:
        """Carry out the order. Raises EntryError when it can't be done."""
        post, numbers = self.post, order.numbers
        match order.word:
            case "insert" | "pull":
                assert order.seat is not None
                post.pack(order.seat, post.packs_mm.get(order.seat, 0.0) + numbers[0] if numbers else 0.0)
            case "knock":
                post.knock(*(numbers or (1.5,)))
            case "push" | "tip":
                post.tip(*numbers, further=order.word == "push")
            case "shake":
                post.shake_deg = numbers[0]
            case "turn":
                post.turned = not post.turned
            case "noise":
                post.nature.noise_deg = numbers[0]
            case "drift":
                post.nature.drift_deg_per_min = numbers[0]
            case "zero":
                post.nature.zero_x_deg, post.nature.zero_y_deg = numbers
            case "freeze" | "thaw":
                post.frozen = order.word == "freeze"
            case "damage":
                self._damage = numbers[0]
            case "unplug":
                self.plugged, self._back_s = False, now_s + (numbers[0] if numbers else math.inf)
            case "plug":
                self.plugged = True
            case "quit":
                self.quitting = True

    def step(self, now_s: float, seconds: float) -> bytes:
        """Let time pass up to now; what the sensor sends then."""
        if now_s >= self._back_s:
            self._back_s, self.plugged = math.inf, True
        self._sample = self.post.advance(seconds)
        return b"" if self.is_polled or not self.plugged else self._sent(now_s)

    def answer(self, data: bytes) -> bytes:
        """What a polled sensor answers to bytes from the link; those that are no request stay unanswered."""
        if not self.is_polled:
            return b""
        self._received += data
        asked = self._received.count(self._request)
        keep = len(self._request) - 1  # a request may be half here
        self._received = self._received.rpartition(self._request)[2][-keep:]
        return self._sent(0.0, asked)

    def _sent(self, time_s: float, times: int = 1) -> bytes:
        return damage(times * self._encode(time_s, *self._sample), self._damage, self._random)


def played(stage: Stage, seconds: float, rate_hz: float) -> Iterator[tuple[float, bytes]]:
    """(time, bytes) of each sample, until the time is over or an order ends it."""
    count = 0
    while count < seconds * rate_hz - 1e-9 and not stage.quitting:
        count += 1
        now_s = count / rate_hz
        for order in stage.due(now_s):
            stage.obey(order, now_s)
        yield now_s, stage.step(now_s, 1 / rate_hz)


def record(stage: Stage, seconds: float, rate_hz: float, capture: CaptureWriter) -> None:
    """Play into a capture, as fast as the computer can. Raises EntryError for an order that can't be done."""
    capture.event(0.0, "opened", "simulated")
    was_plugged = True
    for now_s, data in played(stage, seconds, rate_hz):
        if stage.plugged != was_plugged:
            was_plugged = stage.plugged
            capture.event(now_s, *(("opened", "plugged in again") if was_plugged else ("error", "unplugged")))
        if data:
            capture.data(now_s, data)
    capture.event(seconds, "closed")


# ---------------------------------------------------------------- on a pseudo-terminal

_UNREAD_MOST = 3000
"""Bytes that nobody read and that are thrown away then: a sensor does not wait for its listener."""
_LONGEST_ORDER = 200


def _points_at(link: Path) -> str:
    """What the link names now; "" where it is no link, or gone."""
    try:
        return os.readlink(link)  # noqa: PTH115 - compared as text
    except OSError:
        return ""


class Player:
    """Plays on a pseudo-terminal in real time, with a name of its own choice; unplugging takes it away.

    Needs a POSIX system: elsewhere `plug` raises ImportError.
    """

    def __init__(self, stage: Stage, rate_hz: float, link: Path | None) -> None:
        self._stage = stage
        self._rate_hz = rate_hz
        self._link = link
        self._ends: tuple[int, int] | None = None
        self._received = b""
        self._terminal = ""
        self.name = ""

    def plug(self) -> None:
        """Make the pseudo-terminal and its name; what is there already is not ours, and stays.

        But for a link to a terminal that is gone: one such is left where a simulation was killed. Raises
        FileError where something else is there, InstrumentError where there can't be a terminal.
        """
        import tty

        link = self._link
        try:
            self._ends = ours, theirs = os.openpty()
            tty.setraw(theirs)  # a cooked terminal turns LF into CRLF and echoes
            os.set_blocking(ours, False)
            self.name = self._terminal = os.ttyname(theirs)
            if link is not None:
                if _points_at(link).startswith("/dev/") and not link.exists():
                    link.unlink()
                link.symlink_to(self._terminal)
                self.name = str(link)
        except OSError as error:
            self._close_ends()
            if isinstance(error, FileExistsError):
                words = f"{link} exists: name another place for the link, or remove it"
                raise FileError(words) from None
            words = f"can't play on {link or 'a pseudo-terminal'}: {error.strerror}"
            raise InstrumentError(words) from error

    def unplug(self) -> None:
        """Take the pseudo-terminal and its name away."""
        if self._ends is None:
            return
        self._close_ends()
        if self._link is not None and _points_at(self._link) == self._terminal:
            self._link.unlink()

    def _close_ends(self) -> None:
        for end in self._ends or ():
            os.close(end)
        self._ends = None

    def play(self, seconds: float, typed: Sequence[int], say: Callable[[str], None]) -> None:
        """Play until the time is over or an order ends it. `typed`: file numbers to read orders from."""
        start_s, last_s, count = time.monotonic(), 0.0, 0
        watched, stage = set(typed), self._stage
        try:
            while not stage.quitting and (now_s := time.monotonic() - start_s) < seconds:
                for order in stage.due(now_s):
                    self._obey(order, now_s, say)
                if now_s * self._rate_hz >= count:
                    self._send(stage.step(now_s, now_s - last_s))
                    last_s, count = now_s, math.floor(now_s * self._rate_hz) + 1
                if stage.plugged and self._ends is None:
                    self.plug()
                    say(f"plugged in at {self.name}")
                elif not stage.plugged and self._ends is not None:
                    self.unplug()
                    say("unplugged")
                self._wait(count / self._rate_hz - (time.monotonic() - start_s), watched, now_s, say)
        finally:
            self.unplug()

    def _wait(self, seconds: float, watched: set[int], now_s: float, say: Callable[[str], None]) -> None:
        """Until the next sample is due, receive what is typed or comes over the link."""
        ours = [] if self._ends is None else [self._ends[0]]
        ready, _, _ = select.select([*watched, *ours], [], [], max(0.0, seconds))
        for number in ready:
            try:
                data = os.read(number, 4096)
            except OSError as error:
                if error.errno not in (errno.EAGAIN, errno.EIO):
                    raise
                continue
            if number in ours and self._stage.is_polled:
                self._send(self._stage.answer(data))
            elif not data:
                watched.discard(number)  # the keyboard's end was closed
            else:
                *lines, rest = (self._received + data).replace(b"\r", b"\n").split(b"\n")
                self._received = rest[-_LONGEST_ORDER:]
                for line in filter(None, lines):
                    self._obey(line.decode("ascii", "replace"), now_s, say)

    def _obey(self, order: Order | str, now_s: float, say: Callable[[str], None]) -> None:
        try:
            order = parse_order(order) if isinstance(order, str) else order
            self._stage.obey(order, now_s)
        except EntryError as error:
            say(error.message)
            return
        rest = self._stage.post.resting
        say(
            f"{order.word}: the post settles at {1000 * rest.slope_along:+.2f} along, "
            f"{1000 * rest.slope_across:+.2f} across (mm per m)"
        )

    def _send(self, data: bytes) -> None:
        import fcntl
        import termios

        if self._ends is None or not data:
            return
        ours, theirs = self._ends
        unread = struct.unpack("i", fcntl.ioctl(theirs, termios.FIONREAD, struct.pack("i", 0)))[0]
        if unread > _UNREAD_MOST:
            termios.tcflush(theirs, termios.TCIFLUSH)
        with contextlib.suppress(BlockingIOError):  # nobody listens: a sensor does not wait
            os.write(ours, data)
