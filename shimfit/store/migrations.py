"""The tables, built up in numbered steps. A step that was released is never edited: add the next one.

A step and the note that it ran are one transaction, so a crash leaves the file as it was before the step or
as it is after. `pending` only reads. Every released schema is kept as an SQL dump in fixtures/databases/, and
a test brings each of them to today's.
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

APPLICATION_ID = 0x73686D66
"""`shmf`: how SQLite's header says whose file it is."""


@dataclass(frozen=True, slots=True)
class Migration:
    """One numbered step from a schema to the next."""

    number: int
    name: str
    run: Callable[[sqlite3.Connection], None]


def _001_event_log(db: sqlite3.Connection) -> None:
    """Make the log, append-only by the database's own rules."""
    db.execute("CREATE TABLE migration (number INTEGER PRIMARY KEY, name TEXT NOT NULL, time TEXT NOT NULL)")
    db.execute("CREATE TABLE log (id TEXT PRIMARY KEY NOT NULL, begun TEXT NOT NULL)")
    db.execute(
        """
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
        )
        """
    )
    db.execute("CREATE INDEX event_scope ON event (job, run, stamp)")
    db.execute("CREATE INDEX event_kind ON event (kind, job)")
    db.execute("CREATE INDEX event_order ON event (job, stamp)")
    _refuse(db, "event", "UPDATE")
    _refuse(db, "event", "DELETE")
    _refuse(db, "log", "UPDATE")
    _refuse(db, "log", "DELETE")
    # The link is checked here too, so INSERT OR REPLACE and a row out of order are refused even for a
    # program that opens the file without recursive_triggers.
    db.execute(
        """
        CREATE TRIGGER event_links BEFORE INSERT ON event
        WHEN NEW.seq IS NOT (SELECT coalesce(max(seq), 0) + 1 FROM event)
          OR NEW.prev IS NOT coalesce((SELECT hash FROM event ORDER BY seq DESC LIMIT 1), '')
          OR EXISTS (SELECT 1 FROM event WHERE id = NEW.id)
        BEGIN SELECT RAISE(ABORT, 'the log only grows at its end'); END
        """
    )


def _refuse(db: sqlite3.Connection, table: str, change: str) -> None:
    db.execute(
        f"CREATE TRIGGER {table}_no_{change.lower()} BEFORE {change} ON {table} "
        "BEGIN SELECT RAISE(ABORT, 'what is in the log stays as it is'); END"
    )


MIGRATIONS: tuple[Migration, ...] = (Migration(1, "event log", _001_event_log),)


def schema_version(db: sqlite3.Connection) -> int:
    """Number of the last step that ran; 0 for a new file."""
    (version,) = db.execute("PRAGMA user_version").fetchone()
    return int(version)


def pending(db: sqlite3.Connection, steps: Sequence[Migration] | None = None) -> tuple[Migration, ...]:
    """Steps that this file has not seen; changes nothing."""
    version = schema_version(db)
    return tuple(step for step in (MIGRATIONS if steps is None else steps) if step.number > version)


def migrate(db: sqlite3.Connection, now: str, steps: Sequence[Migration] | None = None) -> None:
    """Run what is pending, in order, each in a transaction of its own with its note.

    The connection must be in autocommit mode (isolation_level None). Raises sqlite3.Error when a step fails;
    the steps before it stay, the failed one leaves nothing.
    """
    for step in pending(db, steps):
        db.execute("BEGIN IMMEDIATE")
        try:
            step.run(db)
            db.execute(
                "INSERT INTO migration (number, name, time) VALUES (?, ?, ?)", (step.number, step.name, now)
            )
            db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            db.execute(f"PRAGMA user_version = {step.number:d}")
            db.execute("COMMIT")
        except BaseException:
            # The original error is what the reader needs; a full disk may already have rolled back.
            if db.in_transaction:
                db.execute("ROLLBACK")
            raise
