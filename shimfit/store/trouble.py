"""What SQLite and the system say when a file can't be used, as one sentence for the person."""

from __future__ import annotations

import contextlib
import errno
import sqlite3
from typing import TYPE_CHECKING

from shimfit.errors import FileError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@contextlib.contextmanager
def saying_what(path: Path) -> Iterator[None]:
    """Turn what SQLite and the system raise into a FileError that says what to do."""
    try:
        yield
    except FileError:
        raise
    except sqlite3.Error as error:
        raise FileError(_of_database(path, error), path=str(path)) from error
    except OSError as error:
        raise FileError(_of_system(path, error), path=str(path)) from error


def not_a_data_file(path: Path) -> str:
    """It is a file of another kind."""
    return f"{path} is not a shimfit data file: name another file, or see `shimfit salvage`"


def _full(path: Path) -> str:
    return f"the disk is full: {path} was not changed; free some space and do it again"


def _locked_away(path: Path) -> str:
    return f"{path} can't be written (read only): nothing was logged; use --db to name another file"


def _of_system(path: Path, error: OSError) -> str:
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        return _full(path)
    if error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        return _locked_away(path)
    return f"can't use {path}: {error.strerror or error}"


def _of_database(path: Path, error: sqlite3.Error) -> str:
    name = getattr(error, "sqlite_errorname", "") or ""
    if name.startswith("SQLITE_FULL"):
        return _full(path)
    if name.startswith(("SQLITE_READONLY", "SQLITE_PERM", "SQLITE_AUTH")):
        return _locked_away(path)
    if name.startswith("SQLITE_CANTOPEN"):
        return f"{path} can't be opened in its folder: check that the folder exists and can be written"
    if name.startswith("SQLITE_NOTADB"):
        return not_a_data_file(path)
    if name.startswith("SQLITE_CORRUPT"):
        return f"{path} is damaged: `shimfit salvage {path} NEW` saves what can be read into a new file"
    if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return f"another program holds {path}: nothing was logged; close it and do it again"
    if name.startswith("SQLITE_IOERR"):
        return f"{path} could not be read or written (disk error or full): the last step was not logged"
    return f"{path}: {error}"
