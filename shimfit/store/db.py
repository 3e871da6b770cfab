"""The one embedded SQLite file: its tables, opened safely, or refused in a sentence that says what to do.

WAL with full sync: a commit that returned is on disk. One program writes at a time. Opening
never leaves anything half made: a new file gets its tables in one transaction, and a file that is refused is
not touched.

The tables are built up in numbered steps. A step that was released is never edited: add the next one. A step
and the note that it ran are one transaction, so a crash leaves the file as it was before the step or as it is
after. Every released schema is kept as an SQL dump in fixtures/databases/, and a test
brings each of them to today's.
"""

from __future__ import annotations

import contextlib
import errno
import os
import sqlite3
import sys
import time
from itertools import product
from pathlib import Path
from typing import TYPE_CHECKING, Self

from shimfit.errors import FileError
from shimfit.values import dataclass

if TYPE_CHECKING:
    from collections.abc import Iterator
    from tempfile import TemporaryDirectory


# ------------------------------------------------------------ what went wrong, in a sentence


_FULL = "the disk is full: {path} was not changed; free some space and do it again"
_LOCKED_AWAY = "{path} can't be written (read only): nothing was logged; use --db to name another file"
_NOT_OURS = "{path} is not a shimfit data file: name another file, or see `shimfit salvage`"
_OF_SYSTEM = dict.fromkeys((errno.ENOSPC, errno.EDQUOT), _FULL) | dict.fromkeys(
    (errno.EACCES, errno.EPERM, errno.EROFS), _LOCKED_AWAY
)
_HELD = "another program holds {path}: nothing was logged; close it and do it again"
_OF_SQLITE = {
    "SQLITE_FULL": _FULL,
    "SQLITE_READONLY": _LOCKED_AWAY,
    "SQLITE_PERM": _LOCKED_AWAY,
    "SQLITE_AUTH": _LOCKED_AWAY,
    "SQLITE_CANTOPEN": (
        "{path} can't be opened in its folder: check that the folder exists and can be written"
    ),
    "SQLITE_NOTADB": _NOT_OURS,
    "SQLITE_CORRUPT": (
        "{path} is damaged: `shimfit salvage {path} NEW` saves what can be read into a new file"
    ),
    "SQLITE_BUSY": _HELD,
    "SQLITE_LOCKED": _HELD,
    "SQLITE_IOERR": (
        "{path} could not be read or written (disk error or full): the last step was not logged"
    ),
}
"""Beginning of the error's name -> what to say (https://sqlite.org/rescode.html)."""


@contextlib.contextmanager
def file_errors(path: Path) -> Iterator[None]:
    """Turn what SQLite and the system raise into a FileError that says what to do."""
    try:
        yield
    except FileError:
        raise
    except sqlite3.Error as error:
        name = getattr(error, "sqlite_errorname", "") or ""
        said = next((one for start, one in _OF_SQLITE.items() if name.startswith(start)), "{path}: {error}")
        raise FileError(said.format(path=path, error=error)) from error
    except OSError as error:
        said = _OF_SYSTEM.get(error.errno or 0, "can't use {path}: {error}")
        raise FileError(said.format(path=path, error=error.strerror or error)) from error


# ------------------------------------------------------------ the tables, step by step

APPLICATION_ID = 0x73686D66
"""`shmf`: how SQLite's header says whose file it is."""


_EVENT_LOG = """
    CREATE TABLE migration (number INTEGER PRIMARY KEY, name TEXT NOT NULL, time TEXT NOT NULL);
    CREATE TABLE log (id TEXT PRIMARY KEY NOT NULL, begun TEXT NOT NULL);
    CREATE TABLE event (
            seq    INTEGER PRIMARY KEY,
            id     TEXT NOT NULL UNIQUE,
            step   TEXT NOT NULL,
            log    TEXT NOT NULL,
            time   TEXT NOT NULL,
            stamp  INTEGER NOT NULL,
            by     TEXT,
            job    TEXT,
            run    TEXT,
            post   TEXT,
            kind   TEXT NOT NULL,
            data   TEXT NOT NULL,
            prev   TEXT NOT NULL,
            hash   TEXT NOT NULL,
            origin_seq  INTEGER,
            origin_prev TEXT,
            origin_hash TEXT
        );
    CREATE INDEX event_scope ON event (job, run, stamp);
    CREATE INDEX event_kind ON event (kind, job);
    CREATE INDEX event_order ON event (job, stamp);
    -- The link is checked here too, so INSERT OR REPLACE and a row out of order are refused even for a
    -- program that opens the file without recursive_triggers.
    CREATE TRIGGER event_links BEFORE INSERT ON event
        WHEN NEW.seq IS NOT (SELECT coalesce(max(seq), 0) + 1 FROM event)
          OR NEW.prev IS NOT coalesce((SELECT hash FROM event ORDER BY seq DESC LIMIT 1), '')
          OR EXISTS (SELECT 1 FROM event WHERE id = NEW.id)
        BEGIN SELECT RAISE(ABORT, 'the log only grows at its end'); END;
"""
"""The log: it only grows."""
_STAYS = "".join(
    f"CREATE TRIGGER {table}_no_{change.lower()} BEFORE {change} ON {table} "
    "BEGIN SELECT RAISE(ABORT, 'what is in the log stays as it is'); END;"
    for table, change in product(("event", "log"), ("UPDATE", "DELETE"))
)
"""Nothing in it is changed: append-only by the database's own rules."""
MIGRATIONS: tuple[tuple[str, str], ...] = (("event log", _EVENT_LOG + _STAYS),)
"""Name and SQL of each step; its number is its place, from 1."""


def schema_version(db: sqlite3.Connection) -> int:
    """Number of the last step that ran; 0 for a new file."""
    (version,) = db.execute("PRAGMA user_version").fetchone()
    return int(version)


def migrate(db: sqlite3.Connection, now: str) -> None:
    """Run what this file has not seen, in order, each in a transaction of its own with its note.

    The connection must be in autocommit mode (isolation_level None). Raises sqlite3.Error when a step fails;
    the steps before it stay, the failed one leaves nothing.
    """
    done = schema_version(db)
    for number, (name, sql) in enumerate(MIGRATIONS[done:], done + 1):
        try:
            db.executescript(f"BEGIN IMMEDIATE; {sql}")
            db.execute("INSERT INTO migration (number, name, time) VALUES (?, ?, ?)", (number, name, now))
            db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            db.execute(f"PRAGMA user_version = {number:d}")
            db.execute("COMMIT")
        except BaseException:
            # The original error is what the reader needs; a full disk may already have rolled back.
            if db.in_transaction:
                db.execute("ROLLBACK")
            raise


# ------------------------------------------------------------ one writer at a time
#
# A lock of the operating system on a file beside the data file, waited for. A program holds it while it
# writes, or from its first look to its last line where what it logs follows from what it saw. The system
# drops it when the program ends, however it ends (kill -9, power): there is never a stale one. The file
# itself stays; it holds the number of the process that wrote last.

PATIENCE_S = 10.0
"""How long a writer waits for its turn; a command takes a fraction of a second."""
_FIRST_PAUSE_S, _LONGEST_PAUSE_S = 0.002, 0.05
_NUMBER = 20
"""Signs that the number of a process has at most; blanks fill it up."""
_FAR = 1 << 20
"""Windows locks bytes, and locked bytes can't be read: lock one far behind the process number."""


class WritersTurn:
    """The right to write to one data file. Whoever is in it may enter it again (`with turn:`)."""

    def __init__(self, data_file: Path) -> None:
        self._data_file = data_file
        self._depth = 0
        self._handle: int | None = None

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
        file, end_s, pause_s = lock_file(self._data_file), time.monotonic() + PATIENCE_S, _FIRST_PAUSE_S
        while (handle := _take(file)) is None:
            if time.monotonic() >= end_s:
                who = "another program"
                with contextlib.suppress(OSError, ValueError):
                    who = f"process {int(file.read_text(encoding='ascii'))}"
                raise FileError(
                    f"{who} has been writing to {self._data_file} for {PATIENCE_S:g} s: nothing was logged; "
                    "do it again when that one is done"
                )
            time.sleep(pause_s)
            pause_s = min(2 * pause_s, _LONGEST_PAUSE_S)
        return handle


def _take(file: Path) -> int | None:
    """The lock's handle, or None when somebody else (or another journal of this program) holds it."""
    handle = os.open(file, os.O_RDWR | os.O_CREAT, 0o644)
    try:
        # Somebody may have removed the file between the two: a lock that nobody finds locks nothing.
        if not _lock(handle) or not _is(file, os.fstat(handle)):
            os.close(handle)
            return None
    except BaseException:
        os.close(handle)
        raise
    # The number only makes a sentence clearer: a full disk is no reason to refuse the lock. It is written
    # over the last one, and only where it is another: to cut a file short first takes a disk milliseconds.
    with contextlib.suppress(OSError):
        number = f"{os.getpid():<{_NUMBER}}".encode("ascii")
        if os.read(handle, _NUMBER + 1) != number:
            os.lseek(handle, 0, os.SEEK_SET)
            os.write(handle, number)
    return handle


def _is(file: Path, stat: os.stat_result) -> bool:
    """Whether a name is still that of a file."""
    try:
        return os.path.samestat(file.stat(), stat)
    except OSError:
        return False


def lock_file(data_file: Path) -> Path:
    """The file that is locked: beside the data file itself, by whatever link it is named."""
    return Path(f"{os.path.realpath(data_file)}.lock")


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


# ------------------------------------------------------------ opening

_MAGIC = b"SQLite format 3\x00"
_BUSY_MS = 5_000


@dataclass(slots=True)
class Opened:
    """An open data file."""

    db: sqlite3.Connection
    path: Path
    turn: WritersTurn | None
    """Taken for each write; None: read only."""
    copy: TemporaryDirectory[str] | None = None
    """Where a copy is read from, when the file's folder lets nobody read it in place."""

    files: tuple[os.stat_result, ...] = ()
    """The data file and its write-ahead log, as they were opened to be written."""

    def lost(self) -> str | None:
        """Why what is written now would be found by nobody: the file was moved or replaced. None: it's there.

        SQLite goes on writing to a file that has lost its name, and to a write-ahead log that has.
        """
        for name, opened in zip(_written(self.path), self.files, strict=True):
            if not _is(name, opened):
                return f"{name} was moved, removed or replaced while it was open; start again"
        return None

    def close(self) -> None:
        """Close the file, give the turn back and remove the copy."""
        self.db.close()
        if self.turn is not None:
            self.turn.release()
        if self.copy is not None:
            self.copy.cleanup()


def open_file(path: Path, *, read_only: bool, empty_ok: bool = False, now: str) -> Opened:
    """Open a data file, making it (and its folder) when it is to be written and does not exist.

    Raises FileError for everything that stands in the way.
    """
    with file_errors(path):
        _look_before_touching(path)
        _refuse_hard_links(path, read_only=read_only)
        if not read_only:
            return _open_to_write(path, now)
        if path.exists() or not empty_ok:
            return _open_to_read(path)
        db = _connect("file::memory:")
        migrate(db, now)
        return Opened(db, path, None)


def _written(path: Path) -> tuple[Path, Path]:
    """What SQLite writes to: links are followed, the write-ahead log stands beside the file itself."""
    real = os.path.realpath(path)
    return Path(real), Path(f"{real}-wal")


def _look_before_touching(path: Path) -> None:
    """Refuse what is no data file of ours without writing a byte."""
    if path.is_dir():
        raise FileError(f"{path} is a folder: name a file in it")
    start = b""
    with contextlib.suppress(FileNotFoundError), path.open("rb") as file:
        start = file.read(100)
    if not start:
        return
    if not start.startswith(_MAGIC) or len(start) < 100:
        raise FileError(_NOT_OURS.format(path=path))
    # A file whose first transaction is still in its WAL has an empty header: both numbers are 0.
    application_id = int.from_bytes(start[68:72], "big")
    _refuse_foreign(path, int.from_bytes(start[60:64], "big"), is_ours=application_id in (0, APPLICATION_ID))


def _refuse_foreign(path: Path, version: int, *, is_ours: bool) -> None:
    if not is_ours:
        raise FileError(f"{path} belongs to another program: name another file")
    newest = len(MIGRATIONS)
    if version > newest:
        raise FileError(
            f"{path} was written by a newer shimfit (schema {version}, this one knows {newest}): "
            "update shimfit; nothing was changed"
        )


def _look_inside(db: sqlite3.Connection, path: Path) -> None:
    """Refuse by what the WAL says too: the header in the file itself may be older."""
    (tables,) = db.execute("SELECT count(*) FROM sqlite_master").fetchone()
    (application_id,) = db.execute("PRAGMA application_id").fetchone()
    _refuse_foreign(path, schema_version(db), is_ours=not tables or application_id == APPLICATION_ID)


def _refuse_hard_links(path: Path, *, read_only: bool) -> None:
    """Refuse a file that has a second name of its own: SQLite's write-ahead log goes by the name.

    Programs that use two names don't see each other's, and spoil the file (https://sqlite.org/howtocorrupt.html,
    section 2.5). To look at it is harmless where no name beside it has a log that this one would miss.
    """
    try:
        stat = path.stat()
    except FileNotFoundError:
        return
    if stat.st_nlink < 2:
        return
    real = Path(os.path.realpath(path))
    with os.scandir(real.parent) as entries:
        names = [entry.name for entry in entries if entry.inode() == stat.st_ino and entry.name != real.name]
    others = map(real.with_name, names)
    other = next((one for one in others if os.path.samestat(one.stat(), stat)), None)
    log = None if other is None else Path(f"{other}-wal")
    if read_only and not (log is not None and log.exists() and log.stat().st_size):
        return
    name = "another name" if other is None else f"another name, {other.name}"
    raise FileError(
        f"{path} has {name} (a hard link): programs that use both would spoil it; "
        f"remove the other name, or work on a copy (`cp {path} NEW.db`)"
    )


def _open_to_write(path: Path, now: str) -> Opened:
    path.parent.mkdir(parents=True, exist_ok=True)
    turn = WritersTurn(path)
    with contextlib.ExitStack() as making, contextlib.ExitStack() as half_open:
        if not path.exists() or not path.stat().st_size:
            making.enter_context(turn)
        was_there = path.exists()
        is_new = not was_there or not path.stat().st_size
        if not was_there:
            half_open.callback(path.unlink, missing_ok=True)
        db = half_open.enter_context(contextlib.closing(_connect(f"{path.absolute().as_uri()}?mode=rwc")))
        if not is_new:
            _look_inside(db, path)
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("PRAGMA synchronous = FULL")
        # macOS: fsync alone may stop in the drive's cache.
        db.execute("PRAGMA fullfsync = ON")
        db.execute("PRAGMA checkpoint_fullfsync = ON")
        if schema_version(db) < len(MIGRATIONS):
            with turn:
                migrate(db, now)
        if is_new and os.name == "posix":
            # A new file's name is on disk only when its folder is; Windows has no such call.
            handle = os.open(path.parent, os.O_RDONLY)
            try:
                os.fsync(handle)
            finally:
                os.close(handle)
        files = tuple(name.stat() for name in _written(path))
        half_open.pop_all()
    return Opened(db, path, turn, files=files)


def _open_to_read(path: Path) -> Opened:
    if not path.exists():
        raise FileError(f"there is no data file {path}")
    with contextlib.ExitStack() as half_open:
        uri, copy = f"{path.absolute().as_uri()}?mode=ro", None
        if not os.access(path.parent, os.W_OK):
            # Reading a WAL file needs a file beside it. Where none can be made, a closed file is complete in
            # itself; one that was not closed is read from a copy.
            uri = f"{path.absolute().as_uri()}?immutable=1"
            _, wal = _written(path)
            if wal.exists() and wal.stat().st_size:
                import shutil  # two packages that hardly anybody needs
                from tempfile import TemporaryDirectory

                copy = TemporaryDirectory(prefix="shimfit-")
                half_open.callback(copy.cleanup)
                for file in (path, wal):
                    shutil.copyfile(file, Path(copy.name) / file.name)
                uri = f"{(Path(copy.name) / path.name).as_uri()}?mode=rw"
        db = half_open.enter_context(contextlib.closing(_connect(uri)))
        db.execute("PRAGMA query_only = ON")
        _look_inside(db, path)
        if schema_version(db) < len(MIGRATIONS):  # reading it, its tables would first have to be changed
            raise FileError(
                f"{path} is from an older shimfit and must be brought up to date: "
                "open it once where it can be written"
            )
        half_open.pop_all()
    return Opened(db, path, None, copy=copy)


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
