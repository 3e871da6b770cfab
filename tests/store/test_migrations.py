"""Every released schema comes to today's, whole or not at all."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from shimfit.errors import FileError
from shimfit.model import PostState
from shimfit.store import db as migrations
from shimfit.store.db import MIGRATIONS, migrate, schema_version
from shimfit.store.journal import Journal

DUMPS = sorted((Path(__file__).parents[2] / "fixtures" / "databases").glob("schema_*.sql"))
SCHEMA = "SELECT type, name, tbl_name, sql FROM sqlite_master ORDER BY name"


def restore(dump: Path, path: Path) -> None:
    db = sqlite3.connect(path)
    db.executescript(dump.read_text(encoding="utf-8"))
    db.close()


def today() -> sqlite3.Connection:
    db = sqlite3.connect(":memory:", isolation_level=None)
    migrate(db, "2026-01-01T00:00:00+00:00")
    return db


def test_there_is_a_dump_of_every_released_schema():
    assert [dump.stem for dump in DUMPS] == [f"schema_{number + 1}" for number in range(len(MIGRATIONS))]


@pytest.mark.parametrize("dump", DUMPS, ids=lambda dump: dump.stem)
def test_a_file_of_a_released_schema_is_adopted_with_all_that_is_in_it(tmp_path, dump):
    path = tmp_path / "old.db"
    restore(dump, path)
    with Journal.open(path) as journal:
        assert journal.verify() is None
        assert schema_version(journal.db) == len(MIGRATIONS)
        run = journal.run("jetty", "east")
        assert [post.state for post in run.posts] == [
            PostState.PLUMB,
            PostState.HALF_READ,
            PostState.TO_READ,
        ]
        assert run.post("1").readings[0].text == "9mm n 0"
        assert journal.box().lot("F2").count == 4
        assert journal.redo("jetty") == "a note at east/3"
        db, new = journal.db, today()
        assert db.execute(SCHEMA).fetchall() == new.execute(SCHEMA).fetchall()
        new.close()


@pytest.mark.parametrize("dump", DUMPS, ids=lambda dump: dump.stem)
def test_the_dump_has_the_chain_that_was_released(tmp_path, dump):
    """The hash of a released log's end, written down then: the form of the hash can't drift."""
    path = tmp_path / "old.db"
    restore(dump, path)
    with Journal.open(path) as journal:
        assert journal.head == HEADS[dump.stem]


def test_each_step_leaves_its_note():
    db = today()
    notes = db.execute("SELECT number, name FROM migration ORDER BY number").fetchall()
    assert notes == [(number, name) for number, (name, _) in enumerate(MIGRATIONS, 1)]
    migrate(db, "2027-01-01T00:00:00+00:00")
    assert db.execute("SELECT count(*) FROM migration").fetchone() == (len(MIGRATIONS),)
    db.close()


def test_a_step_that_fails_half_way_leaves_nothing(monkeypatch):
    db, steps = today(), MIGRATIONS
    before = list(db.iterdump())
    half = "CREATE TABLE half (made TEXT); INSERT INTO nowhere VALUES (1);"
    monkeypatch.setattr(migrations, "MIGRATIONS", (*steps, ("the next", half)))
    with pytest.raises(sqlite3.OperationalError, match="nowhere"):
        migrate(db, "2027-01-01T00:00:00+00:00")
    assert list(db.iterdump()) == before
    assert schema_version(db) == len(steps)
    monkeypatch.setattr(migrations, "MIGRATIONS", (*steps, ("the next", "CREATE TABLE good (n INT);")))
    migrate(db, "2027-01-01T00:00:00+00:00")
    assert schema_version(db) == len(steps) + 1
    db.close()


def test_an_older_file_is_not_changed_by_looking_at_it(crew, tmp_path, monkeypatch):
    crew().lay_out().journal.close()
    path = tmp_path / "north.db"
    before = path.read_bytes()
    more = (*MIGRATIONS, ("the next", "CREATE TABLE more (n INT);"))
    monkeypatch.setattr(migrations, "MIGRATIONS", more)
    with pytest.raises(FileError, match="older shimfit"):
        Journal.open(path, read_only=True)
    assert path.read_bytes() == before


HEADS = {
    "schema_1": (12, "6f6e46d63eef7c7e7c6bcd95f3cff3cc7ac47a76f35a2b9272b5c3fd470c0c60"),
}
