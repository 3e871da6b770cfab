"""Links: the only place that knows pyserial. A link is opened, read, written and closed by one thread.

A port is a URL: a device file, `socket://host:port`, `rfc2217://host:port` or `loop://`. Whatever goes
wrong is an InstrumentError with a sentence on where to look; pyserial raises five kinds of things.
"""

from __future__ import annotations

import contextlib
import errno
import os
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

from shimfit.errors import InstrumentError, UsageError
from shimfit.values import dataclass

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

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


PAIR_OF = ","
"""Between the ports of two sensors, one for each direction."""
_LONGEST_LINE = 1024


class Link:
    """An open link, as the reading thread sees it; of two sensors, one for each direction, it is both ports.

    What goes wrong on an open link is an InstrumentError: the link is lost.
    """

    def __init__(self, ports: Mapping[str, Any]) -> None:
        """`ports`: pyserial's, by URL."""
        self.url = PAIR_OF.join(ports)
        self._ports = ports
        self._rests = dict.fromkeys(ports, b"")

    def _each(self, do: Callable[[str, Any], Any]) -> list[Any]:
        came = []
        for url, port in self._ports.items():
            try:
                came.append(do(url, port))
            except _FAULT as error:
                raise InstrumentError(lost_sentence(url, error)) from error
        return came

    def read(self) -> bytes:
        """Bytes that came; b"" when none came for a moment."""
        return b"".join(self._each(_waiting if len(self._ports) == 1 else self._whole_lines))

    def _whole_lines(self, url: str, port: Any) -> bytes:
        """What is no whole line yet waits, and is given up where it grows too long for one."""
        whole, end, rest = (self._rests[url] + _waiting(url, port)).rpartition(b"\n")
        self._rests[url] = rest if len(rest) <= _LONGEST_LINE else b""
        return bytes(whole + end)

    def write(self, data: bytes) -> None:
        """Send all bytes, for polled formats only."""
        self._each(lambda _, port: port.write(data))

    def empty(self) -> None:
        """Throw away what has come and was not read."""
        self._rests = dict.fromkeys(self._ports, b"")
        self._each(lambda _, port: port.reset_input_buffer())

    def set_speed(self, baud: int) -> None:
        """Go on at another speed."""
        self._each(lambda _, port: setattr(port, "baudrate", baud))

    def close(self) -> None:
        """Let go; never raises. pyserial leaves a socket open that was reset by its far end."""
        for port in self._ports.values():
            held = getattr(port, "_socket", None)
            for part in (port, held):
                with contextlib.suppress(*_FAULT):  # gone already: there is nothing left to let go of
                    if part is not None:
                        part.close()


def _waiting(url: str, port: Any) -> bytes:
    """What waits at a port. Sockets report one waiting byte at most, so they are read in pieces instead."""
    if url.startswith("socket://"):
        return bytes(port.read(4096))
    first = b"" if port.in_waiting else bytes(port.read(1))
    waiting = min(port.in_waiting, _MOST)
    return first + bytes(port.read(waiting)) if waiting else first


def open_link(
    url: str, *, baud: int = DEFAULT_SPEED, framing: str = "8N1", dtr: bool = True, read_s: float = READ_S
) -> Link:
    """Open a link, alone (another program on the same port would steal bytes).

    Two ports with a comma between them are two sensors, one for each direction. Raises UsageError for a URL
    that names no kind of link, InstrumentError when it can't be opened.
    """
    import serial

    names = [each.strip() for each in url.split(PAIR_OF)]
    example = "COM3" if os.name == "nt" else "/dev/ttyUSB0"
    forms = f"give a port such as {example}, socket://host:port or rfc2217://host:port"
    opened: dict[str, Any] = {}
    for name in names:
        slow = name.startswith("socket://")
        try:
            parts = urlsplit(name)
            opened[name] = serial.serial_for_url(
                name,
                do_not_open=True,
                baudrate=baud,
                bytesize=int(framing[0]),
                parity=framing[1],
                stopbits=int(framing[2]),
                timeout=min(read_s, _SOCKET_READ_S if slow else read_s) / len(names),
                write_timeout=None if "://" in name else _WRITE_S,
                exclusive=True,
            )
            opened[name].dtr = dtr
            # pyserial trips over a missing host or port only while opening.
            whole = parts.scheme not in ("socket", "rfc2217") or bool(parts.hostname and parts.port)
        except ValueError as error:
            raise UsageError(f"{name} isn't a port or link: {forms}") from error
        if not whole:
            raise UsageError(f"{name} isn't a port or link: {forms}")
    link = Link(opened)
    for name, port in opened.items():
        try:
            port.open()
        except _FAULT as error:
            link.close()
            raise InstrumentError(open_sentence(name, error)) from error
    return link


# ---------------------------------------------------------------- what an error means


def open_sentence(url: str, error: Exception) -> str:
    """Why a link can't be opened, and what to do."""
    number = getattr(error, "errno", None)
    in_words = re.search(r"\[Errno (\d+)\]", str(error))
    if number is None and in_words:  # some of pyserial's exceptions carry it in words only
        number = int(in_words[1])
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
    """Who has a port open, where this system knows: `shimfit (process 4711)`; else None."""
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
    name = f"{device} {description}".lower()
    if "rfcomm" in device.lower() or "bluetooth" in name:
        return "Bluetooth serial"
    if not is_usb and not is_native_usb(device):
        return _BUILT_IN
    kind = "USB board" if is_native_usb(device) else "USB serial adapter"
    return f"{kind} ({description})" if description else kind


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
    for name in ("serial_number", "location"):
        wanted = getattr(known, name)
        for port in now:
            if wanted and (port.usb, getattr(port, name)) == (known.usb, wanted):
                return port.url
    return None
