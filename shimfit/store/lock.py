"""One writer for a data file: a lock of the operating system on a file beside it.

The system drops the lock when the program ends, however it ends (kill -9, power), so there is never a stale
one to clear away. The file itself may stay; it holds the number of the process that writes, for the sentence.
"""

from __future__ import annotations

import contextlib
import os
import sys
from pathlib import Path

_FAR = 1 << 20
"""Windows locks bytes, and locked bytes can't be read: lock one far behind the process number."""


class WriterLock:
    """The right to write to one data file; given back by `release` or by the program's end."""

    def __init__(self, handle: int) -> None:
        self._handle: int | None = handle

    @classmethod
    def take(cls, data_file: Path) -> WriterLock | None:
        """The lock, or None when another program (or another journal of this one) holds it.

        Raises OSError when the folder can't be written.
        """
        handle = os.open(lock_file(data_file), os.O_RDWR | os.O_CREAT, 0o644)
        try:
            locked = _lock(handle)
        except OSError:
            os.close(handle)
            raise
        if not locked:
            os.close(handle)
            return None
        # The number only makes a sentence clearer: a full disk is no reason to refuse the lock.
        with contextlib.suppress(OSError):
            os.ftruncate(handle, 0)
            os.write(handle, str(os.getpid()).encode())
        return cls(handle)

    def release(self) -> None:
        """Give the right back; the file stays, because removing it could take away another's lock."""
        if self._handle is not None:
            os.close(self._handle)
            self._handle = None


def lock_file(data_file: Path) -> Path:
    """The file beside the data file that is locked."""
    return data_file.with_name(data_file.name + ".lock")


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
            # flock, not lockf: it belongs to the open file, so two journals in one program see each other.
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True
