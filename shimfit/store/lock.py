"""One writer at a time for a data file: a lock of the operating system on a file beside it, waited for.

A program holds it while it writes, or from its first look to its last line where what it logs follows from
what it saw. The system drops the lock when the program ends, however it ends (kill -9, power), so there is
never a stale one to clear away. The file itself stays; it holds the number of the process that wrote last.
"""

from __future__ import annotations

import contextlib
import os
import sys
import time
from pathlib import Path
from typing import Self

from shimfit.errors import FileError

PATIENCE_S = 10.0
"""How long a writer waits for its turn; a command takes a fraction of a second."""
_FIRST_PAUSE_S, _LONGEST_PAUSE_S = 0.002, 0.05
_FAR = 1 << 20
"""Windows locks bytes, and locked bytes can't be read: lock one far behind the process number."""


class WritersTurn:
    """The right to write to one data file. Whoever is in it may enter it again (`with turn:`)."""

    def __init__(self, data_file: Path) -> None:
        self._data_file = data_file
        self._depth = 0
        self._handle: int | None = None

    @property
    def taken(self) -> bool:
        """True while this program may write."""
        return self._handle is not None

    def __enter__(self) -> Self:
        """Wait for the turn. Raises FileError naming who holds it, OSError where no lock can be made."""
        if not self._depth:
            self._handle = self._wait()
        self._depth += 1
        return self

    def __exit__(self, *_: object) -> None:
        """Give it back; the file stays, because removing it could take away another's lock."""
        if self._depth == 1:
            self.release()
        self._depth = max(0, self._depth - 1)

    def release(self) -> None:
        """Give it back whatever is open still, as when the data file is closed."""
        self._depth = 0
        if self._handle is not None:
            os.close(self._handle)
            self._handle = None

    def _wait(self) -> int:
        end_s = time.monotonic() + PATIENCE_S
        pause_s = _FIRST_PAUSE_S
        while (handle := _take(lock_file(self._data_file))) is None:
            if time.monotonic() >= end_s:
                number = holder(self._data_file)
                who = f"process {number}" if number else "another program"
                raise FileError(
                    f"{who} has been writing to {self._data_file} for {PATIENCE_S:g} s: nothing was logged; "
                    "do it again when that one is done",
                    path=str(self._data_file),
                )
            time.sleep(pause_s)
            pause_s = min(2 * pause_s, _LONGEST_PAUSE_S)
        return handle


def _take(file: Path) -> int | None:
    """The lock's handle, or None when somebody else (or another journal of this program) holds it."""
    handle = os.open(file, os.O_RDWR | os.O_CREAT, 0o644)
    try:
        # Somebody may have removed the file between the two: a lock that nobody finds locks nothing.
        if not _lock(handle) or not _is_still(file, handle):
            os.close(handle)
            return None
    except BaseException:
        os.close(handle)
        raise
    # The number only makes a sentence clearer: a full disk is no reason to refuse the lock.
    with contextlib.suppress(OSError):
        os.ftruncate(handle, 0)
        os.write(handle, str(os.getpid()).encode())
    return handle


def _is_still(file: Path, handle: int) -> bool:
    try:
        return os.path.samestat(file.stat(), os.fstat(handle))
    except FileNotFoundError:
        return False


def lock_file(data_file: Path) -> Path:
    """The file that is locked: beside the data file itself, by whatever link it is named."""
    return Path(f"{os.path.realpath(data_file)}.lock")


def holder(data_file: Path) -> int | None:
    """Process that wrote its number into the lock file last; None when it can't be told."""
    try:
        return int(lock_file(data_file).read_text(encoding="ascii"))
    except (OSError, ValueError):
        return None


if sys.platform == "win32":
    import msvcrt

    def _lock(handle: int) -> bool:
        os.lseek(handle, _FAR, os.SEEK_SET)
        try:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        except PermissionError:
            return False
        finally:
            os.lseek(handle, 0, os.SEEK_SET)
        return True

else:
    import fcntl

    def _lock(handle: int) -> bool:
        try:
            # flock, not lockf: it belongs to the open file, so two journals of one program see each other.
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True
