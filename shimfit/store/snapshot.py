"""What was worked out of a long log, kept beside it, so that opening it need not begin at its first event.

A file `NAME.snapshot` beside the data file, a line for each thing kept: the undone steps, the box, each run.
A line stands for the log up to one event: it names that event's place and its hash, which covers all events
before it, the program that worked it out, and is sealed with a hash of its own. It is used only where the log
holds that event with that hash, the program is the same build and the seal fits; the events behind it are
counted in. Anything else (damage, another program, a log that was replaced) is as if it were not there.

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
from shimfit.store.log import hash_at

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Mapping

END = ".snapshot"
_ROOMS = (
    "store",
    "core/uncertainty",
    "core/ledger.py",
    "core/bow.py",
    "standing.py",
    "codec.py",
    "model.py",
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

    def find(self, db: sqlite3.Connection, name: str) -> Kept | None:
        """What is kept under a name, if it is of this log, of this program, and whole."""
        line = self._read().get(name)
        if line is None:
            return None
        try:
            head, _, body = line.partition(b"\t")
            seal, place, hash_, _ = head.decode("ascii").split(" ", 3)
            if seal != _seal(line.split(b" ", 1)[1]):
                return None
            there = hash_at(db, int(place)) == hash_
            return Kept(int(place), hash_, json.loads(body)) if there else None
        except (ValueError, RecursionError):
            return None

    def write(self, kept: Mapping[str, Kept]) -> None:
        """Put these in place of what is kept under their names. What can't be written is done without."""
        lines = dict(self._read())
        for name, one in kept.items():
            body = json.dumps(one.body, separators=(",", ":"))
            line = f"{one.seq} {one.hash} {_key(name)}\t{body}".encode("ascii")
            lines[name] = f"{_seal(line)} ".encode("ascii") + line
        part = self._file.with_name(f".{self._file.name}.part")
        with contextlib.suppress(OSError):
            try:
                with part.open("wb") as file:
                    file.write(b"\n".join(lines.values()))
                part.chmod(self._data_file.stat().st_mode & 0o777)
                part.replace(self._file)
            finally:
                part.unlink(missing_ok=True)
        self._lines = lines

    def _read(self) -> dict[str, bytes]:
        """Name -> line, of those that this program wrote."""
        if self._lines is None:
            try:
                whole = self._file.read_bytes()
            except OSError:
                whole = b""
            lines = (line for line in whole.split(b"\n") if line)
            self._lines = {name: line for line in lines if (name := _name_in(line)) is not None}
        return self._lines


def _name_in(line: bytes) -> str | None:
    try:
        program, name = json.loads(line.partition(b"\t")[0].split(b" ", 3)[3])
    except (ValueError, IndexError, TypeError, RecursionError):
        return None
    return name if program == _program() and isinstance(name, str) else None


def _key(name: str) -> str:
    return canonical([_program(), name])


def _seal(line: bytes) -> str:
    return hashlib.sha256(line).hexdigest()


@cache
def _program() -> str:
    """This build: its version and the files that say what is made of events."""
    root = Path(shimfit.__file__).parent
    files = (file for room in _ROOMS for file in sorted((root / room).rglob("*.py")) or [root / room])
    stats = [(file.name, stat.st_size, stat.st_mtime_ns) for file in files if (stat := _stat(file))]
    return f"{shimfit.__version__} {hashlib.sha256(repr(stats).encode()).hexdigest()[:16]}"


def _stat(file: Path) -> os.stat_result | None:
    try:
        return file.stat()
    except OSError:
        return None
