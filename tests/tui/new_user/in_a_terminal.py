"""The real program in a pseudo-terminal, its screen read back by a terminal in memory.

Nothing here sleeps: what is waited for is text on the screen, for as long as a slow machine may need. What
is typed goes through the terminal's line, byte by byte as keys send it.
"""

from __future__ import annotations

import contextlib
import difflib
import os
import re
import select
import signal
import sys
import time
from pathlib import Path

import pyte

PATIENCE_S = 90.0
"""How long a text may take to come on a slow machine that is busy with other things."""
_NOW = re.compile(r"\b\d{4}-\d\d-\d\d(?:\s+\d\d:\d\d)?|UTC[+-]\d\d:\d\d")
"""When it was read, and in which zone: another each time."""
QUIET_S = 0.5
KEYS = {
    "Enter": "\r",
    "Esc": "\x1b",
    "Tab": "\t",
    "End": "\x1b[F",
    "F1": "\x1bOP",
    "F2": "\x1bOQ",
    "F3": "\x1bOR",
    "F4": "\x1bOS",
    "F5": "\x1b[15~",
    "^Q": "\x11",
}
"""What a terminal of the xterm family sends for a key that the screen names."""
NOT_EMULATED = re.compile(rb"\x1b\[\?\d+\$p|\x1b\[[<>=][0-9;]*u|\x1bP.*?\x1b\\|\x1b_.*?\x1b\\", re.DOTALL)
"""Questions to the terminal that the one in memory would print: it answers none of them."""
HALF_SENT = re.compile(rb"\x1b(?:\[[0-?]*[ -/]*)?$|\x1b[P_][^\x1b]*$")
"""The beginning of an escape sequence whose end is still to come."""


class Terminal:
    """A program, its pseudo-terminal and what is on the screen."""

    def __init__(self, columns: int, rows: int) -> None:
        self.screen = pyte.Screen(columns, rows)
        self._stream = pyte.ByteStream(self.screen)
        self.sent = b""
        """Every byte that the program wrote."""
        self._waiting = b""
        self._pid = 0
        self._end = -1
        self.code: int | None = None
        """Exit code, once it is over."""

    def start(
        self, folder: Path, environment: dict[str, str], *arguments: str, before: object = None
    ) -> Terminal:
        """Run `python -m shimfit` in a folder; before(): called in the new process, before it is shimfit."""
        import fcntl
        import pty
        import struct
        import termios

        size = struct.pack("HHHH", self.screen.lines, self.screen.columns, 0, 0)
        inherited = {
            name: value
            for name, value in os.environ.items()
            if not name.startswith(("SHIMFIT_", "LC_")) and name not in ("LANG", "COLORTERM", "NO_COLOR")
        }
        pid, end = pty.fork()
        if pid == 0:
            try:
                fcntl.ioctl(0, termios.TIOCSWINSZ, size)
                os.chdir(folder)
                if callable(before):
                    before()
                command = [sys.executable, "-m", "shimfit", *arguments]
                os.execve(sys.executable, command, {**inherited, **environment})
            finally:
                os._exit(99)
        self._pid, self._end = pid, end
        return self

    # ------------------------------------------------------------ typing

    def type(self, text: str) -> None:
        """Type characters."""
        os.write(self._end, text.encode())

    def press(self, key: str) -> None:
        """Press a key by the name that the screen has for it."""
        self.type(KEYS.get(key, key))

    def enter(self, text: str) -> None:
        """Type a line."""
        self.type(text + KEYS["Enter"])

    # ------------------------------------------------------------ looking

    @property
    def text(self) -> str:
        """The screen, trailing blanks cut off."""
        return "\n".join(row.rstrip() for row in self.screen.display) + "\n"

    @property
    def words(self) -> str:
        """The screen as running text: a sentence is found also where it is broken between rows."""
        return " ".join(self.text.split())

    def sees(self, *texts: str, gone: str | None = None) -> str:
        """Wait until every text is there (and `gone` is not); fails with the screen that was there instead.

        A text is found as written, or as a regular expression where it starts with `~`.
        """

        def there() -> bool:
            words = self.words
            return all(_found(text, words) for text in texts) and (gone is None or gone not in words)

        self._until(there, f"{texts} did not come")
        return self.text

    def settles(self) -> None:
        """Wait until nothing more comes: a screen may be half painted when its first rows are seen."""
        while self._hear(QUIET_S):
            pass

    def looks(self, file: Path, mask: dict[str, str] | None = None) -> None:
        """Wait until the screen is as recorded; SHIMFIT_REWRITE_SCREENS=1 records it anew, for review."""

        def masked() -> str:
            text = self.text
            for pattern, instead in (mask or {}).items():
                text = re.sub(pattern, instead, text, flags=re.DOTALL)
            return _NOW.sub(lambda one: re.sub(r"\d", "0", one[0]), text)

        if os.environ.get("SHIMFIT_REWRITE_SCREENS"):
            self.settles()
            file.write_text(masked(), "utf-8")
        wanted = file.read_text("utf-8")
        try:
            self._until(lambda: masked() == wanted, "")
        except AssertionError:
            rows = difflib.unified_diff(wanted.splitlines(), masked().splitlines(), "recorded", "now", n=30)
            raise AssertionError(f"{file.name}: review it, then rewrite\n" + "\n".join(rows)) from None

    def _until(self, there: object, why: str) -> None:
        assert callable(there)
        end = time.monotonic() + PATIENCE_S
        while not there():
            assert time.monotonic() < end, f"{why}; the screen is\n{self.text}"
            if not self._hear(0.2) and self.code is not None:
                assert there(), f"{why}; it left with {self.code}, the screen is\n{self.text}"

    def _hear(self, seconds: float) -> bool:
        """Take in what the program writes; False when nothing came in that time, or it is over."""
        if self.code is not None or not select.select([self._end], [], [], seconds)[0]:
            return False
        try:
            data = os.read(self._end, 65536)
        except OSError:  # Linux: the far side is closed
            data = b""
        if not data:
            self.code = os.waitstatus_to_exitcode(os.waitpid(self._pid, 0)[1])
            os.close(self._end)
            return False
        self.sent += data
        data = NOT_EMULATED.sub(b"", self._waiting + data)
        half = HALF_SENT.search(data)
        cut = half.start() if half else len(data)
        self._waiting = data[cut:]
        self._stream.feed(data[:cut])
        return True

    # ------------------------------------------------------------ leaving

    def leaves(self) -> int:
        """Wait until the program is over; its exit code."""
        self._until(lambda: self.code is not None, "it did not leave")
        assert self.code is not None
        return self.code

    def end(self) -> None:
        """End the program if it still runs."""
        if self.code is None:
            with contextlib.suppress(ProcessLookupError):
                os.kill(self._pid, signal.SIGKILL)
            with contextlib.suppress(ChildProcessError):
                os.waitpid(self._pid, 0)
            os.close(self._end)
            self.code = -signal.SIGKILL


def _found(text: str, words: str) -> bool:
    if text.startswith("~"):
        return re.search(text[1:], words) is not None
    return text in words
