"""Links: the only place that knows pyserial. A link is opened, read, written and closed by one thread.

A port is a URL: a device file, `socket://host:port`, `rfc2217://host:port` or `loop://`. Whatever goes
wrong is an InstrumentError with a sentence that says where to look; pyserial raises five kinds of things.
"""

from __future__ import annotations

import contextlib
import errno
import os
import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol
from urllib.parse import urlsplit

from shimfit.errors import InstrumentError, UsageError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

SPEEDS = (9600, 115200, 38400, 19200, 57600, 4800, 230400, 460800, 921600)
"""In the order in which they are tried when hunting."""
DEFAULT_SPEED = 115200
_MOST = 65536
READ_S = 0.1
"""How long a read waits for the first byte."""
_SOCKET_READ_S = 0.05
_WRITE_S = 2.0
# pyserial lets bare OSError, its own SerialException (an OSError), TypeError (a port closed while it is
# read) and ValueError (bad URL or setting) through; struct and attribute errors were never seen.
_FAULT = (OSError, TypeError, ValueError)


class Link(Protocol):
    """An open link, as the reading thread sees it."""

    url: str

    def read(self) -> bytes:
        """Bytes that came; b"" when none came for a moment. InstrumentError: the link is lost."""

    def write(self, data: bytes) -> None:
        """Send all bytes, for polled formats only. InstrumentError: lost."""

    def empty(self) -> None:
        """Throw away what has come and was not read. InstrumentError: lost."""

    def set_speed(self, baud: int) -> None:
        """Go on at another speed. InstrumentError: lost."""

    def close(self) -> None:
        """Let go; never raises."""


class SerialLink:
    """A link over pyserial."""

    def __init__(self, url: str, port: Any) -> None:
        self.url = url
        self._port = port
        self._is_socket = url.startswith("socket://")

    @contextlib.contextmanager
    def _lost(self) -> Iterator[None]:
        """Whatever goes wrong on an open link means that it is lost."""
        try:
            yield
        except _FAULT as error:
            raise InstrumentError(lost_sentence(self.url, error)) from error

    def read(self) -> bytes:
        """See Link. Sockets tell of one waiting byte at most, so they are read in pieces instead."""
        with self._lost():
            if self._is_socket:
                return bytes(self._port.read(4096))
            waiting = self._port.in_waiting
            if not waiting:
                first = bytes(self._port.read(1))
                waiting = self._port.in_waiting if first else 0
            else:
                first = b""
            return first + bytes(self._port.read(min(waiting, _MOST))) if waiting else first

    def write(self, data: bytes) -> None:
        """See Link."""
        with self._lost():
            self._port.write(data)

    def empty(self) -> None:
        """See Link."""
        with self._lost():
            self._port.reset_input_buffer()

    def set_speed(self, baud: int) -> None:
        """See Link."""
        with self._lost():
            self._port.baudrate = baud

    def close(self) -> None:
        """See Link. pyserial leaves a socket open that was reset by its far end."""
        held = getattr(self._port, "_socket", None)
        for part in (self._port, held):
            with contextlib.suppress(*_FAULT):  # gone already: there is nothing left to let go of
                if part is not None:
                    part.close()


class PairLink:
    """Two sensors, one for each direction, as one link: whole lines of each, in turn."""

    def __init__(self, links: tuple[Link, ...]) -> None:
        self.url = PAIR_OF.join(link.url for link in links)
        self._links = links
        self._rests = [b""] * len(links)

    def read(self) -> bytes:
        """See Link. What is no whole line yet waits, and is given up where it grows too long for one."""
        lines = b""
        for at, link in enumerate(self._links):
            whole, end, rest = (self._rests[at] + link.read()).rpartition(b"\n")
            lines += whole + end
            self._rests[at] = rest if len(rest) <= _LONGEST_LINE else b""
        return lines

    def write(self, data: bytes) -> None:
        """See Link; both read it."""
        for link in self._links:
            link.write(data)

    def empty(self) -> None:
        """See Link."""
        self._rests = [b""] * len(self._links)
        for link in self._links:
            link.empty()

    def set_speed(self, baud: int) -> None:
        """See Link; both go on at it."""
        for link in self._links:
            link.set_speed(baud)

    def close(self) -> None:
        """See Link."""
        for link in self._links:
            link.close()


PAIR_OF = ","
"""Between the ports of two sensors, one for each direction."""
_LONGEST_LINE = 1024


def open_link(
    url: str, *, baud: int = DEFAULT_SPEED, framing: str = "8N1", dtr: bool = True, read_s: float = READ_S
) -> Link:
    """Open a link, alone (another program on the same port would steal bytes).

    Two ports with a comma between them are two sensors, one for each direction. Raises UsageError for a URL
    that names no kind of link, InstrumentError when it can't be opened.
    """
    if PAIR_OF in url:
        return _open_both(url, baud=baud, framing=framing, dtr=dtr, read_s=read_s)
    import serial

    bad_url = UsageError(
        f"{url} isn't a port or link: give a port such as {_example_port()}, socket://host:port or rfc2217://host:port"
    )
    try:
        port = serial.serial_for_url(
            url,
            do_not_open=True,
            baudrate=baud,
            bytesize=int(framing[0]),
            parity=framing[1],
            stopbits=int(framing[2]),
            timeout=min(read_s, _SOCKET_READ_S) if url.startswith("socket://") else read_s,
            write_timeout=None if "://" in url else _WRITE_S,
            exclusive=True,
        )
        _check_network(url)
        port.dtr = dtr
    except ValueError as error:
        raise bad_url from error
    try:
        port.open()
    except _FAULT as error:
        raise InstrumentError(open_sentence(url, error)) from error
    return SerialLink(url, port)


def _open_both(url: str, *, baud: int, framing: str, dtr: bool, read_s: float) -> Link:
    opened: list[Link] = []
    try:
        for each in map(str.strip, url.split(PAIR_OF)):
            link = open_link(each, baud=baud, framing=framing, dtr=dtr, read_s=read_s / 2)
            opened += [link]
    except (InstrumentError, UsageError):
        for link in opened:
            link.close()
        raise
    return PairLink(tuple(opened))


def _check_network(url: str) -> None:
    """ValueError for a network URL without host or port: pyserial trips over it only while opening."""
    parts = urlsplit(url)
    if parts.scheme in ("socket", "rfc2217") and not (parts.hostname and parts.port):
        raise ValueError("host and port are missing")


# ---------------------------------------------------------------- what an error means


def open_sentence(url: str, error: Exception) -> str:
    """Why a link can't be opened, and what to do."""
    number = getattr(error, "errno", None)
    if number is None:
        number = _errno_in(str(error))
    match number:
        case errno.ENOENT | errno.ENODEV | errno.ENXIO:
            return f"there is no {url}: is it plugged in, and is this its name? (`shimfit listen --ports`)"
        case errno.EACCES | errno.EPERM:
            return f"{url} may not be opened by you: join the group that owns it (often `dialout` or `uucp`)"
        case errno.EBUSY | errno.EAGAIN:
            who = _holder(url) or "another program, or a service that probes for modems,"
            return f"{url} is taken: {who} has it open; end that first"
        case errno.ECONNREFUSED:
            return f"{url} refuses the connection: is the far end switched on and listening on that port?"
        case _:
            return f"{url} can't be opened: {_plain(error)}"


def _holder(url: str) -> str | None:
    """Who has a port open, where this system tells: `shimfit (process 4711)`; None where it doesn't."""
    port = os.path.realpath(url)
    for process in Path("/proc").glob("[0-9]*"):
        try:
            holds = {os.readlink(each) for each in (process / "fd").iterdir()}  # noqa: PTH115 - as text
            words = (process / "cmdline").read_bytes().split(b"\0")
        except OSError:  # another user's, or gone meanwhile
            continue
        if port not in holds or _FAR_END in holds or process.name == str(os.getpid()):
            continue
        names = [Path(os.fsdecode(word)).name for word in words[:4]]
        return f"{'shimfit' if 'shimfit' in names else names[0]} (process {process.name})"
    return None


_FAR_END = "/dev/ptmx"
"""Who holds this plays the sensor on a pseudo-terminal, and is no listener."""


def lost_sentence(url: str, error: Exception) -> str:
    """What to look at when an open link fails."""
    text = str(error).lower()
    if "://" not in url:
        return f"{url} is gone: look at the plug and the cable"
    if "reset" in text or "disconnected" in text or "reader thread" in text:
        return f"{url}: the far end closed the connection"
    return f"{url} is lost: {_plain(error)}"


def _errno_in(text: str) -> int | None:
    """Error number in a message: some of pyserial's exceptions carry it in words only."""
    found = re.search(r"\[Errno (\d+)\]", text)
    return int(found[1]) if found else None


def _plain(error: Exception) -> str:
    number = getattr(error, "errno", None)
    return os.strerror(number) if isinstance(number, int) else str(error) or type(error).__name__


# ---------------------------------------------------------------- ports


@dataclass(frozen=True, slots=True)
class Port:
    """A port that this computer has."""

    url: str
    seems: str
    """What it seems to be, in words."""
    usb: str | None = None
    """`vendor:product` in hex."""
    serial_number: str | None = None
    location: str | None = None
    """Which socket it hangs on."""

    @property
    def is_likely(self) -> bool:
        """False for built-in ports that mostly lead nowhere."""
        return self.seems != _BUILT_IN


_BUILT_IN = "built-in port"


def ports() -> tuple[Port, ...]:
    """Ports of this computer with what they seem to be, likely ones first."""
    from serial.tools import list_ports

    found = [
        Port(
            url=info.device,
            seems=_seems(info.device, info.description or "", is_usb=info.vid is not None),
            usb=None if info.vid is None else f"{info.vid:04x}:{info.pid:04x}",
            serial_number=info.serial_number or None,
            location=info.location or None,
        )
        for info in list_ports.comports()
    ]
    return tuple(sorted(found, key=lambda port: (not port.is_likely, port.url)))


def _seems(device: str, description: str, *, is_usb: bool) -> str:
    name = device.lower()
    if "rfcomm" in name or "bluetooth" in name or "bluetooth" in description.lower():
        return "Bluetooth serial"
    if is_native_usb(device):
        return f"USB board ({description})" if description else "USB board"
    if is_usb:
        return f"USB serial adapter ({description})" if description else "USB serial adapter"
    return _BUILT_IN


def is_native_usb(url: str) -> bool:
    """True for boards that are USB devices themselves: they take any speed."""
    return any(part in url.lower() for part in ("ttyacm", "usbmodem"))


def speeds_to_try(url: str, last_good: int | None) -> Sequence[int]:
    """Speeds to hunt through: one where the link has none (network, pseudo-terminal, USB boards)."""
    if PAIR_OF in url:
        tried = [speeds_to_try(each.strip(), last_good) for each in url.split(PAIR_OF)]
        return max(tried, key=len)
    if "://" in url or is_native_usb(url) or os.path.realpath(url).startswith(("/dev/pts/", "/dev/ptmx")):
        return (last_good or DEFAULT_SPEED,)
    return tuple(dict.fromkeys(((last_good,) if last_good else ()) + SPEEDS))


def find_again(known: Port | None, now: Sequence[Port]) -> str | None:
    """Under which name a device came back: by USB serial number, then by kind and socket; None = unknown."""
    if known is None or known.usb is None:
        return None
    for port in now:
        if known.serial_number and (port.usb, port.serial_number) == (known.usb, known.serial_number):
            return port.url
    for port in now:
        if known.location and (port.usb, port.location) == (known.usb, known.location):
            return port.url
    return None


def _example_port() -> str:
    return "COM3" if os.name == "nt" else "/dev/ttyUSB0"
