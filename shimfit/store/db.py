"""The one embedded SQLite file: opened safely, or refused in a sentence that says what to do.

WAL with full sync: a commit that returned is on disk. One program writes (store.lock); others read. Opening
never leaves anything half made: a new file gets its tables in one transaction, and a file that is refused is
not touched.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from shimfit.errors import FileError
from shimfit.store import migrations, trouble
from shimfit.store.lock import WriterLock, holder
from shimfit.store.trouble import saying_what

if TYPE_CHECKING:
    from tempfile import TemporaryDirectory

_MAGIC = b"SQLite format 3\x00"
_BUSY_MS = 5_000
_TRIES, _PAUSE_S = 40, 0.05


@dataclass(slots=True)
class Opened:
    """An open data file."""

    db: sqlite3.Connection
    path: Path
    lock: WriterLock | None
    """None: read only."""
    notice: str | None = None
    """Why it is read only although writing was asked for; None otherwise."""
    copy: TemporaryDirectory[str] | None = None
    """Where a copy is read from, when the file's folder lets nobody read it in place."""

    def close(self) -> None:
        """Close the file, give the lock back and remove the copy."""
        self.db.close()
        if self.lock is not None:
            self.lock.release()
        if self.copy is not None:
            self.copy.cleanup()


def open_file(path: Path, *, read_only: bool, now: str) -> Opened:
    """Open a data file, making it (and its folder) when it is to be written and does not exist.

    Asked to write while another program writes: opened read only, `notice` says so. Raises FileError for
    everything else that stands in the way.
    """
    with saying_what(path):
        _look_before_touching(path)
        if read_only:
            return _open_to_read(path)
        path.parent.mkdir(parents=True, exist_ok=True)
        lock = WriterLock.take(path)
        if lock is None:
            _wait_until_made(path)
            opened = _open_to_read(path)
            opened.notice = _taken(path)
            return opened
        try:
            return Opened(_open_to_write(path, now), path, lock)
        except BaseException:
            lock.release()
            raise


def _taken(path: Path) -> str:
    number = holder(path)
    who = f"process {number}" if number else "it"
    return f"close the other shimfit to log here ({who} is writing to {path})"


def _wait_until_made(path: Path) -> None:
    """Give another program that was started at the same moment the time to make a new file's tables."""
    for _ in range(_TRIES):
        if path.exists() and _version_seen(path) > 0:
            return
        time.sleep(_PAUSE_S)


def _version_seen(path: Path) -> int:
    with contextlib.suppress(sqlite3.Error), contextlib.closing(_connect(f"{_uri(path)}?mode=ro")) as db:
        return migrations.schema_version(db)
    return 0


def _look_before_touching(path: Path) -> None:
    """Refuse what is no data file of ours without writing a byte."""
    if path.is_dir():
        raise FileError(f"{path} is a folder: name a file in it", path=str(path))
    try:
        with path.open("rb") as file:
            start = file.read(100)
    except FileNotFoundError:
        return
    if not start:
        return
    if not start.startswith(_MAGIC) or len(start) < 100:
        raise FileError(trouble.not_a_data_file(path), path=str(path))
    application_id = int.from_bytes(start[68:72], "big")
    version = int.from_bytes(start[60:64], "big")
    # A file whose first transaction is still in its WAL has an empty header: both numbers are 0.
    if application_id not in (0, migrations.APPLICATION_ID):
        raise _of_another_program(path)
    _refuse_newer(path, version)


def _of_another_program(path: Path) -> FileError:
    return FileError(f"{path} belongs to another program: name another file", path=str(path))


def _refuse_newer(path: Path, version: int) -> None:
    newest = migrations.MIGRATIONS[-1].number
    if version > newest:
        raise FileError(
            f"{path} was written by a newer shimfit (schema {version}, this one knows {newest}): "
            "update shimfit; nothing was changed",
            path=str(path),
        )


def _open_to_write(path: Path, now: str) -> sqlite3.Connection:
    was_there = path.exists()
    is_new = not was_there or path.stat().st_size == 0
    db = _connect(f"{_uri(path)}?mode=rwc")
    try:
        if not is_new:
            _refuse_foreign(db, path)
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = FULL")
        # macOS: fsync alone may stop in the drive's cache.
        db.execute("PRAGMA fullfsync = ON")
        db.execute("PRAGMA checkpoint_fullfsync = ON")
        migrations.migrate(db, now)
        if is_new:
            _sync_folder(path.parent)
    except BaseException:
        db.close()
        if not was_there:
            path.unlink(missing_ok=True)
        raise
    return db


def _refuse_foreign(db: sqlite3.Connection, path: Path) -> None:
    """Refuse by what the WAL says too: the header in the file itself may be older."""
    version = migrations.schema_version(db)
    _refuse_newer(path, version)
    (tables,) = db.execute("SELECT count(*) FROM sqlite_master").fetchone()
    (application_id,) = db.execute("PRAGMA application_id").fetchone()
    if tables and application_id != migrations.APPLICATION_ID:
        raise _of_another_program(path)


def _refuse_older(db: sqlite3.Connection, path: Path) -> None:
    """Refuse to read a file whose tables would first have to be changed."""
    if migrations.pending(db):
        raise FileError(
            f"{path} is from an older shimfit and must be brought up to date: "
            "open it once where it can be written",
            path=str(path),
        )


def _open_to_read(path: Path) -> Opened:
    if not path.exists():
        raise FileError(f"there is no data file {path}", path=str(path))
    with contextlib.ExitStack() as half_open:
        uri, copy = _where_to_read(path)
        if copy is not None:
            half_open.callback(copy.cleanup)
        db = half_open.enter_context(contextlib.closing(_connect(uri)))
        db.execute("PRAGMA query_only = ON")
        _refuse_foreign(db, path)
        _refuse_older(db, path)
        half_open.pop_all()
    return Opened(db, path, None, copy=copy)


def _where_to_read(path: Path) -> tuple[str, TemporaryDirectory[str] | None]:
    """URI of the file, and the copy that it names where the file can't be read in place.

    Reading a WAL file needs a file beside it. Where none can be made, a closed file is complete in itself;
    one that was not closed is read from a copy.
    """
    if os.access(path.parent, os.W_OK):
        return f"{_uri(path)}?mode=ro", None
    wal = path.with_name(path.name + "-wal")
    if not wal.exists() or not wal.stat().st_size:
        return f"{_uri(path)}?immutable=1", None
    copy = _copied(path, wal)
    return f"{_uri(Path(copy.name) / path.name)}?mode=rw", copy


def _copied(*files: Path) -> TemporaryDirectory[str]:
    """Files in a folder of their own (two packages that hardly anybody needs, loaded here)."""
    import shutil
    from tempfile import TemporaryDirectory

    copy = TemporaryDirectory(prefix="shimfit-")
    try:
        for file in files:
            shutil.copyfile(file, Path(copy.name) / file.name)
    except BaseException:
        copy.cleanup()
        raise
    return copy


def _connect(uri: str) -> sqlite3.Connection:
    db = sqlite3.connect(uri, uri=True, isolation_level=None, check_same_thread=False)
    try:
        db.execute(f"PRAGMA busy_timeout = {_BUSY_MS}")
        db.execute("PRAGMA foreign_keys = ON")
        db.execute("PRAGMA recursive_triggers = ON")
    except BaseException:
        db.close()
        raise
    return db


def _uri(path: Path) -> str:
    return path.absolute().as_uri()


def _sync_folder(folder: Path) -> None:
    """A new file's name is on disk only when its folder is (POSIX; Windows has no such call)."""
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
