"""The one way that a file is written: whole or not at all, and never over something that can't be had back.

A regular file is written beside its place and renamed over it, so that a crash leaves the old one or the new
one. A symbolic link is followed to what it names; a device or a pipe is written to, never replaced. Refused,
with nothing touched: the data file and what belongs to it (by name and by inode, so also through links), any
other SQLite file, and an existing file of another kind unless it was said that it may go.
"""

from __future__ import annotations

import contextlib
import errno
import os
import stat
from collections.abc import Iterable, Iterator
from pathlib import Path

from shimfit.errors import FileError
from shimfit.values import dataclass

BESIDE = ("-wal", "-shm", "-journal", ".lock", ".snapshot")
"""What stands beside an SQLite data file and is part of it (https://sqlite.org/tempfiles.html); our lock, and
what is kept to open a long log quickly."""
_SQLITE = (b"SQLite format 3\x00", b"\x37\x7f\x06\x82", b"\x37\x7f\x06\x83")
"""First bytes of a database, and of a write-ahead log (https://sqlite.org/fileformat2.html)."""
_LOOKED_AT = 64


@dataclass(frozen=True, slots=True)
class Kind:
    """What a file of one kind begins with; that is how an earlier one is known from somebody's letter."""

    name: str
    starts: tuple[bytes, ...]


PDF = Kind("PDF", (b"%PDF-",))
EVENTS = Kind("export of shimfit", (b'{"schema":',))
SCHEMA_FILE = Kind("JSON Schema", (b'{\n "$schema":',))
RECORD_JSON = Kind("record in JSON", (b'{"schema":',))
RECORD_CSV = Kind("record in CSV", (b"job,",))
POSTS_CSV = Kind("table of posts", (b"post,", b"post;"))
RAILS_CSV = Kind("table of rails", (b"from,", b"from;"))
STOCK_CSV = Kind("stock file", (b"lot,", b"lot;"))
TRACE_CSV = Kind("trace of samples", (b"time_s,",))
CAPTURE = Kind("capture", (b"# shimfit capture ",))


def write_whole(
    path: Path | str, data: bytes, kind: Kind, *, keep: Iterable[Path] = (), force: bool = False
) -> None:
    """Write a file, on disk when this returns; raises FileError in a sentence, with nothing touched.

    keep: data files in use, which nothing may be written over. force: a file of another kind may go.
    """
    place = _place(path, kind, keep, force=force)
    with _reported(path):
        if place.special:
            left = memoryview(data)
            with place.path.open("wb", buffering=0) as pipe:
                while left:
                    left = left[pipe.write(left) :]
            return
        # A name that nobody else has: what is removed after a failure is only what was made here.
        part = place.path.with_name(f".{place.path.name}.{os.getpid()}-{os.urandom(4).hex()}.part")
        try:
            with part.open("xb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            if place.mode is not None:
                part.chmod(place.mode)
            part.replace(place.path)
        except BaseException:
            part.unlink(missing_ok=True)
            raise


def check(path: Path | str, kind: Kind, *, keep: Iterable[Path] = (), force: bool = False) -> None:
    """Refuse now, as `write_whole` would, what can't be written over; for work that ends in a file."""
    _place(path, kind, keep, force=force)


class Growing:
    """A file that is written while things happen (a capture, a trace): what came stays if the power goes.

    All raise FileError, as `write_whole`. Whoever knows the data file has asked `check` before.
    """

    def __init__(self, path: Path | str, kind: Kind) -> None:
        self._path = path
        place = _place(path, kind, (), force=True)
        with _reported(path):
            self._file = place.path.open("wb")

    def write(self, data: bytes) -> None:
        """Add bytes; they may wait in memory."""
        with _reported(self._path):
            self._file.write(data)

    def flush(self) -> None:
        """Hand everything to the system."""
        with _reported(self._path):
            self._file.flush()

    def close(self) -> None:
        """Flush and close; harmless when it was closed before."""
        with _reported(self._path):
            self._file.close()


def fault(path: Path | str, error: OSError) -> FileError:
    """What the system says of a file that can't be written, as a sentence."""
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        return FileError(f"the disk is full: {path} was not written; free some space")
    if error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        return FileError(f"can't write {path}: not allowed there; name another folder")
    return FileError(f"can't write {path}: {error.strerror or error}")


# ---------------------------------------------------------------- where it may go


@dataclass(frozen=True, slots=True)
class _Place:
    path: Path
    """Links followed."""
    special: bool
    """A device or a pipe."""
    mode: int | None
    """Permissions of the file that is there; None without one."""


def _place(path: Path | str, kind: Kind, keep: Iterable[Path], *, force: bool) -> _Place:
    named = Path(path)
    if not named.name:
        raise FileError(f"{str(path)!r} can't be the name of a file")
    with _reported(path):
        target = Path(os.path.realpath(named))
        there = _stat(named)
        _refuse_data_files(named, target, there, keep)
        if there is None:
            return _Place(target, special=False, mode=None)
        if stat.S_ISDIR(there.st_mode):
            raise FileError(f"{path} is a folder: name a file in it")
        if not stat.S_ISREG(there.st_mode):
            return _Place(named, special=True, mode=None)
        if there.st_size and not force:
            start = _start(named).removeprefix(b"\xef\xbb\xbf")
            if not (start.startswith(kind.starts) or start.replace(b'"', b"").startswith(kind.starts)):
                raise FileError(
                    f"{named} exists and is no {kind.name}: name another file, or replace it with --force"
                )
        # A name below /dev or /proc is a file that somebody has open (`/dev/stdout`): it is written to.
        return _Place(target, special=_is_open_file(named), mode=stat.S_IMODE(there.st_mode))


def _stat(path: Path) -> os.stat_result | None:
    try:
        return path.stat()
    except FileNotFoundError:
        return None


def _refuse_data_files(named: Path, target: Path, there: os.stat_result | None, keep: Iterable[Path]) -> None:
    """Refuse a data file and its companions: by name where they are not there yet, else by inode."""
    mine = [whole for one in keep for whole in (one, *(Path(f"{one}{end}") for end in BESIDE))]
    for one in mine:
        its = _stat(one)
        same = there is not None and its is not None and os.path.samestat(there, its)
        if same or target == Path(os.path.realpath(one)):
            raise FileError(f"{named} is part of the data file: name another file")
    for end in BESIDE:
        owner = Path(str(target).removesuffix(end))
        if target.name.endswith(end) and target.name != end and _is_database(owner):
            raise FileError(f"{named} belongs to the database {owner}: name another file")
    if there is not None and stat.S_ISREG(there.st_mode) and _is_database(named):
        raise FileError(f"{named} is a database (SQLite): nothing is written over one; name another file")


def _is_database(path: Path) -> bool:
    return path.is_file() and _start(path).startswith(_SQLITE)


def _start(path: Path) -> bytes:
    with path.open("rb") as file:
        return file.read(_LOOKED_AT)


def _is_open_file(named: Path) -> bool:
    parts = Path(os.path.abspath(named)).parts  # noqa: PTH100 - links must not be followed here
    return os.name == "posix" and parts[1:2] in (("dev",), ("proc",)) and parts[1:3] != ("dev", "shm")


@contextlib.contextmanager
def _reported(path: Path | str) -> Iterator[None]:
    try:
        yield
    except (FileError, BrokenPipeError):
        raise
    except OSError as error:
        raise fault(path, error) from error
    except ValueError as error:  # a name with a zero byte in it
        raise FileError(f"can't write {str(path)!r}: {error}") from error
