"""What SQLite and the system say, in one sentence with what to do."""

from __future__ import annotations

import errno
import os
import sqlite3
from pathlib import Path

import pytest

from shimfit.errors import FileError
from shimfit.store.db import file_errors


@pytest.mark.parametrize(
    ("number", "says"),
    [
        (errno.ENOSPC, "full"),
        (errno.EDQUOT, "full"),
        (errno.EROFS, "read only"),
        (errno.EACCES, "read only"),
        (errno.EIO, "Input/output"),
    ],
)
def test_system_errors_are_worded(number, says):
    with pytest.raises(FileError, match=says), file_errors(Path("jetty.db")):
        raise OSError(number, os.strerror(number))


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("SQLITE_FULL", "free some space"),
        ("SQLITE_READONLY_DIRECTORY", "can't be written"),
        ("SQLITE_CANTOPEN", "check that the folder exists"),
        ("SQLITE_NOTADB", "not a shimfit data file"),
        ("SQLITE_CORRUPT_INDEX", "salvage jetty.db NEW"),
        ("SQLITE_BUSY_SNAPSHOT", "another program holds"),
        ("SQLITE_LOCKED", "another program holds"),
        ("SQLITE_IOERR_WRITE", "was not logged"),
        ("SQLITE_TOOBIG", "jetty.db: what SQLite says"),
    ],
)
def test_database_errors_are_worded(name, says):
    """Names of result codes: "Result and Error Codes", sqlite.org (from memory)."""
    error = sqlite3.OperationalError("what SQLite says")
    error.sqlite_errorname = name
    with pytest.raises(FileError, match=says) as caught, file_errors(Path("jetty.db")):
        raise error
    assert "jetty.db" in caught.value.message


def test_what_is_a_sentence_already_stays_as_it_is():
    sentence = FileError("a sentence")
    with pytest.raises(FileError) as caught, file_errors(Path("jetty.db")):
        raise sentence
    assert caught.value is sentence
