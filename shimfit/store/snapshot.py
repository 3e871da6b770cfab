"""What was worked out of a long log, kept beside it, so that opening it need not begin at its first event.

A file `NAME.snapshot` with a line for each thing kept: the undone steps, the box, each run. A line stands for
the log up to one event: it names that event's place and its hash, which covers all events before it, the
program that worked it out, and is sealed with a hash of its own. It is used only where the log holds that
event with that hash, the program is the same build and the seal fits; the events behind it are counted in.
Anything else (damage, another program, a log that was replaced) is as if it were not there.

Nothing but time hangs on it: it is written when a file is closed, well after what was logged is on disk, and
a program that dies meanwhile leaves the old one or the new one. It holds of each post only what is plain
(its place, its state, what was done); readings, answers, packs and notes are read from the post's own events,
with their hashes, when somebody looks at them.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import shimfit
from shimfit.store.events import canonical

if TYPE_CHECKING:
    from collections.abc import Mapping

    from shimfit.store.log import Log

END = ".snapshot"
_ROOMS = (
    *("store", "core/uncertainty", "core/ledger.py", "core/lean.py"),
    *("standing.py", "codec.py", "model.py"),
)


class Kept(NamedTuple):
    """One thing as it was after event `seq`."""

    seq: int
    hash: str
    """Of that event."""
    body: Any
    """JSON."""


class Snapshot:
    """The snapshot of one data file."""

    def __init__(self, data_file: Path) -> None:
        real = os.path.realpath(data_file)
        self._data_file, self._file = Path(real), Path(f"{real}{END}")
        self._lines: dict[str, bytes] | None = None

    def find(self, log: Log, name: str) -> Kept | None:
        """What is kept under a name, if it is of this log, of this program, and whole."""
        line = self._read().get(name, b"")
        try:
            head, _, body = line.partition(b"\t")
            seal, place, hash_, _ = head.decode("ascii").split(" ", 3)
            if seal != _seal(line.split(b" ", 1)[1]) or log.hash_at(int(place)) != hash_:
                return None
            return Kept(int(place), hash_, json.loads(body))
        except (ValueError, RecursionError):
            return None

    def write(self, kept: Mapping[str, Kept]) -> None:
        """Put these in place of what is kept under their names. What can't be written is done without."""
        lines = dict(self._read())
        for name, one in kept.items():
            body = json.dumps(one.body, separators=(",", ":"))
            line = f"{one.seq} {one.hash} {canonical([_program(), name])}\t{body}".encode("ascii")
            lines[name] = f"{_seal(line)} ".encode("ascii") + line
        part = self._file.with_name(f".{self._file.name}.part")
        with contextlib.suppress(OSError):
            try:
                part.write_bytes(b"\n".join(lines.values()))
                part.chmod(self._data_file.stat().st_mode & 0o777)
                part.replace(self._file)
            finally:
                part.unlink(missing_ok=True)
        self._lines = lines

    def _read(self) -> dict[str, bytes]:
        """Name -> line, of those that this program wrote."""
        if self._lines is None:
            self._lines, whole = {}, b""
            with contextlib.suppress(OSError):
                whole = self._file.read_bytes()
            for line in whole.split(b"\n"):
                with contextlib.suppress(ValueError, IndexError, TypeError, RecursionError):
                    program, name = json.loads(line.partition(b"\t")[0].split(b" ", 3)[3])
                    if program == _program() and isinstance(name, str):
                        self._lines[name] = line
        return self._lines


def _seal(line: bytes) -> str:
    return hashlib.sha256(line).hexdigest()


@cache
def _program() -> str:
    """This build: its version and the files that say what is made of events."""
    root = Path(shimfit.__file__).parent
    files = (file for room in _ROOMS for file in sorted((root / room).rglob("*.py")) or [root / room])
    stats = []
    for file in files:
        with contextlib.suppress(OSError):
            stat = file.stat()
            stats.append((file.name, stat.st_size, stat.st_mtime_ns))
    return f"{shimfit.__version__} {hashlib.sha256(repr(stats).encode()).hexdigest()[:16]}"
