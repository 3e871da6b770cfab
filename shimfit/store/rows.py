"""Rows of the event table <-> events. The only place that knows the columns."""

from __future__ import annotations

from heapq import merge
from itertools import takewhile
from operator import attrgetter
from typing import TYPE_CHECKING, Any

from shimfit.store.events import GENESIS, Event, Place

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterable, Iterator, Sequence

EVERYTHING = 2**62
"""A place behind every event."""
COLUMNS = (
    "seq, id, step, log, time, stamp, by, job, run, post, kind, data, prev, hash, "
    "origin_seq, origin_prev, origin_hash"
)
_INSERT = f"INSERT INTO event ({COLUMNS}) VALUES ({', '.join('?' * 17)})"  # noqa: S608 - constants only


def event_of(row: Sequence[Any]) -> Event:
    """Event of a row with COLUMNS."""
    seq, id_, step, log, time, stamp, by, job, run, post, kind, data, prev, hash_, *came = row
    origin = None if came[2] is None else Place(*came)
    return Event(seq, id_, step, log, time, stamp, by, job, run, post, kind, data, prev, hash_, origin)


def insert(db: sqlite3.Connection, events: Iterable[Event]) -> None:
    """Put events at the end of the log; the caller holds the transaction."""
    db.executemany(
        _INSERT,
        [
            (
                *(event.seq, event.id, event.step, event.log, event.time, event.stamp, event.by),
                *(event.job, event.run, event.post, event.kind, event.data_text, event.prev, event.hash),
                *((event.origin.seq, event.origin.prev, event.origin.hash) if event.origin else (None,) * 3),
            )
            for event in events
        ],
    )


def select(db: sqlite3.Connection, rest: str, values: Sequence[Any] = ()) -> Iterator[Event]:
    """Events by the rest of a SELECT (WHERE …, ORDER BY …)."""
    for row in db.execute(f"SELECT {COLUMNS} FROM event {rest}", values):  # noqa: S608 - constants only
        yield event_of(row)


def last_place(db: sqlite3.Connection) -> tuple[int, str]:
    """Place and hash of the last event; 0 and GENESIS without one."""
    row = db.execute("SELECT seq, hash FROM event ORDER BY seq DESC LIMIT 1").fetchone()
    return (0, GENESIS) if row is None else (row[0], row[1])


def greatest_stamp(db: sqlite3.Connection) -> int:
    """Latest stamp in the log: that of the last event of its own, or of one imported since."""
    (stamp,) = db.execute(
        "SELECT coalesce(max(stamp), 0) FROM event WHERE seq >= "
        "coalesce((SELECT seq FROM event WHERE origin_hash IS NULL ORDER BY seq DESC LIMIT 1), 0)"
    ).fetchone()
    return int(stamp)


def by_id(db: sqlite3.Connection, event_id: str) -> Event | None:
    """The event of that id, or None."""
    return next(select(db, "WHERE id = ?", (event_id,)), None)


def as_received(
    db: sqlite3.Connection,
    job: str | None = None,
    run: str | None = None,
    kinds: Sequence[str] = (),
    upto: int = EVERYTHING,
) -> list[Event]:
    """Events in the order this file received them: all, or of one job, run or some kinds, up to one."""
    where = "WHERE seq <= ?"
    values: list[Any] = [upto]
    for name, value in (("job", job), ("run", run)):
        if value is not None:
            where += f" AND {name} = ?"
            values.append(value)
    if kinds:
        where += f" AND kind IN ({_marks(kinds)})"
        values += kinds
    return list(select(db, f"{where} ORDER BY seq", values))


def between(db: sqlite3.Connection, after: int, upto: int) -> list[Event]:
    """Events behind a place, up to another one."""
    return list(select(db, "WHERE seq > ? AND seq <= ? ORDER BY seq", (after, upto)))


def of_step(db: sqlite3.Connection, step: str) -> list[Event]:
    """Events of a step, in order; they were logged side by side, the first one gave the step its id."""
    first = by_id(db, step)
    if first is None:
        return []
    behind = select(db, "WHERE seq >= ? ORDER BY seq", (first.seq,))
    return list(takewhile(lambda event: event.step == step, behind))


def latest_of_runs(
    db: sqlite3.Connection, job: str, runs: Iterable[str | None], upto: int
) -> tuple[Event, ...]:
    """The latest event of each run of a job (None: of the job itself)."""
    latest = "WHERE job = ? AND run IS ? AND seq <= ? ORDER BY stamp DESC LIMIT 1"
    return tuple(event for run in runs for event in select(db, latest, (job, run, upto)))


def of_run(db: sqlite3.Connection, job: str, run: str, upto: int) -> list[Event]:
    """Everything that a run's state depends on, in the order it happened."""
    own = select(db, "WHERE job = ? AND run = ? AND seq <= ?", (job, run, upto))
    over_it = select(
        db,
        "WHERE kind IN ('job-added', 'undone', 'merged') AND job = ? AND run IS NOT ? AND seq <= ?",
        (job, run, upto),
    )
    return in_order([*own, *over_it])


def of_kinds(
    db: sqlite3.Connection, kinds: Sequence[str], upto: int = EVERYTHING, job: str | None = None
) -> list[Event]:
    """Events of some kinds, of one job or all, in the order they happened."""
    scope, values = ("", ()) if job is None else (" AND job = ?", (job,))
    found = select(db, f"WHERE kind IN ({_marks(kinds)}) AND seq <= ?{scope}", (*kinds, upto, *values))
    return in_order(found)


def _marks(values: Sequence[str]) -> str:
    return ", ".join("?" * len(values))


def newest_first(db: sqlite3.Connection, job: str) -> Iterator[Event]:
    """Events of a job, latest first, read as far as the caller looks."""
    return select(db, "INDEXED BY event_order WHERE job = ? ORDER BY stamp DESC, id DESC", (job,))


def newest_first_of_box(db: sqlite3.Connection, kinds: Sequence[str], log: str) -> Iterator[Event]:
    """Events of some kinds that belong to no job and that one log wrote, latest first, as far as needed."""
    of_kind = "INDEXED BY event_kind WHERE kind = ? AND job IS NULL AND log = ? ORDER BY seq DESC"
    return merge(*(select(db, of_kind, (kind, log)) for kind in kinds), key=attrgetter("seq"), reverse=True)


def in_order(events: Iterable[Event]) -> list[Event]:
    """Events in the order they happened over all logs."""
    return sorted(events, key=attrgetter("stamp", "id"))
