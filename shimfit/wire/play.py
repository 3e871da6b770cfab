"""Plays the simulated post on a pseudo-terminal, in real time. Needs a POSIX system."""

from __future__ import annotations

import contextlib
import errno
import fcntl
import math
import os
import select
import struct
import termios
import time
import tty
from pathlib import Path
from typing import TYPE_CHECKING

from shimfit.errors import EntryError, FileError, InstrumentError
from shimfit.wire.simulate import parse_order

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from shimfit.wire.simulate import Order, Stage

_UNREAD_MOST = 3000
"""Bytes that nobody read and that are thrown away then: a sensor does not wait for its listener."""
_LONGEST_ORDER = 200


class Player:
    """Plays on a pseudo-terminal in real time, with a name of its own choice; unplugging takes it away."""

    def __init__(self, stage: Stage, rate_hz: float, link: Path | None) -> None:
        self._stage = stage
        self._rate_hz = rate_hz
        self._link = link
        self._ends: tuple[int, int] | None = None
        self._received = b""
        self._terminal = ""
        self.name = ""
        """Where a listener finds the sensor."""

    def plug(self) -> None:
        """Make the pseudo-terminal and its name. Raises InstrumentError where there can't be one."""
        try:
            ours, theirs = os.openpty()
            # Raw: a cooked terminal turns LF into CRLF and echoes.
            tty.setraw(theirs)
            os.set_blocking(ours, False)
            self._ends = ours, theirs
            self.name = self._terminal = os.ttyname(theirs)
            if self._link is not None:
                self._make_link(self._link)
                self.name = str(self._link)
        except FileError:
            self._close_ends()
            raise
        except OSError as error:
            self._close_ends()
            raise InstrumentError(
                f"can't play on {self._link or 'a pseudo-terminal'}: {error.strerror}"
            ) from error

    def unplug(self) -> None:
        """Take the pseudo-terminal and its name away."""
        if self._ends is None:
            return
        self._close_ends()
        if self._link is not None and self._points_at() == self._terminal:
            self._link.unlink()

    def _close_ends(self) -> None:
        for end in self._ends or ():
            os.close(end)
        self._ends = None

    def play(self, seconds: float, typed: Sequence[int], tell: Callable[[str], None]) -> None:
        """Play until the time is over or an order ends it. `typed`: file numbers to read orders from."""
        start_s = time.monotonic()
        last_s, count = 0.0, 0
        watched = set(typed)
        try:
            while not self._stage.quitting:
                now_s = time.monotonic() - start_s
                if now_s >= seconds:
                    break
                for order in self._stage.due(now_s):
                    self._obey(order, now_s, tell)
                if now_s * self._rate_hz >= count:
                    self._send(self._stage.step(now_s, now_s - last_s))
                    last_s, count = now_s, math.floor(now_s * self._rate_hz) + 1
                self._follow_plug(tell)
                self._wait(count / self._rate_hz - (time.monotonic() - start_s), watched, now_s, tell)
        finally:
            self.unplug()

    # ---------------------------------------------------------------- inside

    def _follow_plug(self, tell: Callable[[str], None]) -> None:
        if self._stage.plugged and self._ends is None:
            self.plug()
            tell(f"plugged in at {self.name}")
        elif not self._stage.plugged and self._ends is not None:
            self.unplug()
            tell("unplugged")

    def _wait(self, seconds: float, watched: set[int], now_s: float, tell: Callable[[str], None]) -> None:
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
            elif data:
                self._obey_typed(data, now_s, tell)
            else:
                watched.discard(number)  # the keyboard's end was closed

    def _obey_typed(self, data: bytes, now_s: float, tell: Callable[[str], None]) -> None:
        *lines, rest = (self._received + data).replace(b"\r", b"\n").split(b"\n")
        self._received = rest[-_LONGEST_ORDER:]
        for line in filter(None, lines):
            try:
                self._obey(parse_order(line.decode("ascii", "replace")), now_s, tell)
            except EntryError as error:
                tell(error.message)

    def _obey(self, order: Order, now_s: float, tell: Callable[[str], None]) -> None:
        try:
            self._stage.obey(order, now_s)
        except EntryError as error:
            tell(error.message)
            return
        rest = self._stage.post.resting
        tell(
            f"{order.word}: the post settles at {1000 * rest.slope_along:+.2f} along, "
            f"{1000 * rest.slope_across:+.2f} across (mm per m)"
        )

    def _send(self, data: bytes) -> None:
        if self._ends is None or not data:
            return
        ours, theirs = self._ends
        if _unread(theirs) > _UNREAD_MOST:
            termios.tcflush(theirs, termios.TCIFLUSH)
        with contextlib.suppress(BlockingIOError):  # nobody listens: a sensor does not wait
            os.write(ours, data)

    def _make_link(self, link: Path) -> None:
        """Give the pseudo-terminal a fixed name. What is there already is not ours, and stays.

        But for a link to a terminal that is gone: one such is left where a simulation was killed.
        """
        left_over = self._points_at()
        if left_over is not None and left_over.startswith("/dev/") and not link.exists():
            link.unlink()
        try:
            link.symlink_to(self._terminal)
        except FileExistsError:
            raise FileError(
                f"{link} exists: name another place for the link, or remove it", path=str(link)
            ) from None

    def _points_at(self) -> str | None:
        """What the link names now; None where it is no link, or gone."""
        try:
            return None if self._link is None else os.readlink(self._link)  # noqa: PTH115 - compared as text
        except OSError:
            return None


def _unread(terminal: int) -> int:
    """Bytes that wait to be read by whoever listens."""
    count: int = struct.unpack("i", fcntl.ioctl(terminal, termios.FIONREAD, struct.pack("i", 0)))[0]
    return count
