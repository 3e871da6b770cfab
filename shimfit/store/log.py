"""The log: rows of the event table, the chain of their hashes, and putting events at its end.

The only place that knows the columns. One thread at a time, and errors as SQLite raises them: the journal
sees to threads and sentences.
"""

from __future__ import annotations

import contextlib
import sqlite3
from dataclasses import replace
from heapq import merge
from itertools import takewhile
from operator import attrgetter
from typing import TYPE_CHECKING, Any

from shimfit.errors import FileError, InternalError, UsageError
from shimfit.store.db import DamagedError, open_file
from shimfit.store.events import (
    GENESIS,
    Event,
    Place,
    canonical,
    in_order,
    is_whole,
    microseconds,
    signs_wrong,
    wrong_with,
)
from shimfit.store.undo import UNDONE
from shimfit.values import dataclass

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence
    from datetime import datetime
    from pathlib import Path

    from shimfit.store.db import Opened
    from shimfit.store.events import Draft


# ------------------------------------------------------------ rows

EVERYTHING = 2**62
"""A place behind every event."""
COLUMNS = (
    "seq, id, step, log, time, stamp, by, job, run, post, kind, data, prev, hash, "
    "origin_seq, origin_prev, origin_hash"
)
_AT_ONCE = 500
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
    """Events by the rest of a SELECT (WHERE …, ORDER BY …), each as it was logged.

    Raises DamagedError at the first that is not: nothing is worked out from it, shown or handed on.
    """
    for event in _unchecked(db, rest, values):
        why = altered(event)
        if why is not None:
            raise DamagedError(event.seq, why)
        yield event


def _unchecked(db: sqlite3.Connection, rest: str, values: Sequence[Any] = ()) -> Iterator[Event]:
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


def hash_at(db: sqlite3.Connection, seq: int) -> str | None:
    """Hash of the event at a place, which covers all before it; None without one."""
    row = db.execute("SELECT hash FROM event WHERE seq = ?", (seq,)).fetchone()
    return None if row is None else str(row[0])


def last_of(db: sqlite3.Connection, job: str | None, kind: str) -> Event | None:
    """The latest event of a kind in a job (None: that belongs to none)."""
    rest = "INDEXED BY event_kind WHERE kind = ? AND job IS ? ORDER BY seq DESC LIMIT 1"
    return next(select(db, rest, (kind, job)), None)


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
    """Events of a step, in order; the first one gave the step its id. Imports may have torn them apart."""
    first = by_id(db, step)
    if first is None:
        return []
    rest = "WHERE job IS ? AND stamp >= ? AND step = ? ORDER BY stamp, id"
    return list(select(db, rest, (first.job, first.stamp, step)))


def latest_of_runs(
    db: sqlite3.Connection, job: str, runs: Iterable[str | None], upto: int
) -> tuple[Event, ...]:
    """The latest event of each run of a job (None: of the job itself)."""
    latest = "WHERE job = ? AND run IS ? AND seq <= ? ORDER BY stamp DESC LIMIT 1"
    return tuple(event for run in runs for event in select(db, latest, (job, run, upto)))


def of_run(db: sqlite3.Connection, job: str, run: str, upto: int, after: int = 0) -> list[Event]:
    """Everything that a run's state depends on, in the order it happened; of it, what came behind a place."""
    rest = "INDEXED BY event_scope WHERE job = ? AND run = ? AND seq > ? AND seq <= ?"
    own = select(db, rest, (job, run, after, upto))
    over_it = select(
        db,
        "INDEXED BY event_kind WHERE kind IN ('job-added', 'facts', 'undone', 'merged') AND job = ? "
        "AND run IS NOT ? AND seq > ? AND seq <= ?",
        (job, run, after, upto),
    )
    return in_order([*own, *over_it])


def at(db: sqlite3.Connection, seqs: Iterable[int]) -> list[Event]:
    """Events at some places. Raises DamagedError as `select`, and for one that is not there."""
    wanted = list(seqs)
    some = (wanted[start : start + _AT_ONCE] for start in range(0, len(wanted), _AT_ONCE))
    found = [event for part in some for event in select(db, f"WHERE seq IN ({_marks(part)})", part)]
    gone = set(wanted) - {event.seq for event in found}
    if gone:
        raise DamagedError(min(gone), "it is missing")
    return found


def of_step_anywhere(db: sqlite3.Connection, step: str, job: str | None, run: str | None) -> list[Event]:
    """Events of a step whichever job they belong to; of one that came by import, those of a run.

    What this log wrote of a step stands together, and its first event gave it its id.
    """
    row = db.execute("SELECT seq FROM event WHERE id = ? AND origin_hash IS NULL", (step,)).fetchone()
    if row is not None:
        own = select(db, "WHERE seq >= ? ORDER BY seq", row)
        return list(takewhile(lambda event: event.step == step, own))
    if run is None:
        return list(select(db, "WHERE step = ?", (step,)))
    return list(select(db, "INDEXED BY event_scope WHERE job = ? AND run = ? AND step = ?", (job, run, step)))


def of_kinds(
    db: sqlite3.Connection,
    kinds: Sequence[str],
    upto: int = EVERYTHING,
    job: str | None = None,
    after: int = 0,
) -> list[Event]:
    """Events of some kinds, of one job or all, in the order they happened."""
    scope, values = ("", ()) if job is None else (" AND job = ?", (job,))
    rest = f"INDEXED BY event_kind WHERE kind IN ({_marks(kinds)}) AND seq > ? AND seq <= ?{scope}"
    return in_order(select(db, rest, (*kinds, after, upto, *values)))


def _marks(values: Sequence[object]) -> str:
    return ", ".join("?" * len(values))


def newest_first(db: sqlite3.Connection, job: str) -> Iterator[Event]:
    """Events of a job, latest first, read as far as the caller looks."""
    return select(db, "INDEXED BY event_order WHERE job = ? ORDER BY stamp DESC, id DESC", (job,))


def newest_first_of_box(db: sqlite3.Connection, kinds: Sequence[str], log: str) -> Iterator[Event]:
    """Events of some kinds that belong to no job and that one log wrote, latest first, as far as needed."""
    of_kind = "INDEXED BY event_kind WHERE kind = ? AND job IS NULL AND log = ? ORDER BY seq DESC"
    return merge(*(select(db, of_kind, (kind, log)) for kind in kinds), key=attrgetter("seq"), reverse=True)


# ------------------------------------------------------------ the chain


@dataclass(frozen=True, slots=True)
class End:
    """Where the next event is chained on."""

    seq: int
    hash: str
    stamp: int
    """Greatest so far."""

    def after(self, events: Sequence[Event]) -> End:
        """The end when these were put behind it."""
        if not events:
            return self
        return End(events[-1].seq, events[-1].hash, max(self.stamp, *(event.stamp for event in events)))


def chained(drafts: Sequence[Draft], time: str, log: str, new_id: Callable[[], str], end: End) -> list[Event]:
    """Events of drafts that are logged in one go, chained to the end of a log."""
    now = microseconds(time)
    seq, prev, stamp, step = end.seq, end.hash, end.stamp, ""
    events: list[Event] = []
    for draft in drafts:
        id_ = new_id()
        step = step or id_
        seq, stamp = seq + 1, max(now, stamp + 1)
        event = _sealed(
            Event(
                seq=seq,
                id=id_,
                step=step,
                log=log,
                time=time,
                stamp=stamp,
                by=draft.by,
                job=draft.job,
                run=draft.run,
                post=draft.post,
                kind=draft.kind,
                data_text=canonical(dict(draft.data)),
                prev=prev,
                hash="",
            )
        )
        prev = event.hash
        events.append(event)
    return events


def moved_here(foreign: Sequence[Event], end: End) -> list[Event]:
    """Events of another log, chained to the end of this one; their first place stays as their origin."""
    seq, prev = end.seq, end.hash
    moved: list[Event] = []
    for event in foreign:
        seq += 1
        here = _sealed(replace(event, seq=seq, prev=prev, hash="", origin=event.first_place))
        prev = here.hash
        moved.append(here)
    return moved


def _sealed(event: Event) -> Event:
    return replace(event, hash=event.computed_hash())


@dataclass(frozen=True, slots=True)
class BadEvent:
    """The first event that is not as it was logged."""

    seq: int
    id: str | None
    """None when even the id can't be read."""
    why: str
    """What does not fit, in words."""

    @property
    def sentence(self) -> str:
        """For the person."""
        return f"event {self.seq} is not as it was logged: {self.why}"


def first_bad(db: sqlite3.Connection) -> BadEvent | None:
    """First bad event of an open log; a page that can't be read counts as one."""
    checker = Checker()
    try:
        for event in _unchecked(db, "ORDER BY seq"):
            why = checker.fault(event)
            if why is not None:
                return BadEvent(checker.seq + 1, event.id, why)
        (said,) = db.execute("PRAGMA integrity_check(1)").fetchone()
    except sqlite3.DatabaseError as error:
        return BadEvent(checker.seq + 1, None, f"the file is damaged there ({error})")
    if said != "ok":
        # Every event is whole, but SQLite would find them by an index that is not.
        what = said.splitlines()[-1]
        return BadEvent(checker.seq + 1, None, f"the file is damaged behind the last event ({what})")
    return None


class Checker:
    """Follows a chain from its beginning."""

    def __init__(self) -> None:
        self.seq = 0
        self._hash = GENESIS

    def fault(self, event: Event) -> str | None:
        """What is wrong with the next event; None takes it as the new end of the chain."""
        if event.seq != self.seq + 1:
            return f"event {self.seq + 1} is missing"
        if event.prev != self._hash:
            return "it does not follow from the event before it"
        why = altered(event)
        if why is None:
            self.seq, self._hash = event.seq, event.hash
        return why


def altered(event: Event) -> str | None:
    """What an event's own hashes say, without the chain: None when it is as written."""
    if event.computed_hash() != event.hash:
        return "its content was changed after it was logged"
    if event.origin is not None and event.computed_origin_hash() != event.origin.hash:
        return "its content is not what the log that it came from holds"
    return None


def completed(draft: Draft, db: sqlite3.Connection) -> Draft:
    """Draft with the scope that its data names; an `undone` names the whole step, whatever event it named.

    Raises UsageError for a name or text that is too long or holds control characters or broken ones,
    InternalError when the data is not what its kind must hold: a program error, never a typing error.
    """
    if draft.kind == "job-added" and draft.job is None:
        draft = replace(draft, job=draft.data.get("name"))
    if draft.kind == "post-added" and draft.post is None:
        draft = replace(draft, post=draft.data.get("name"))
    names = (draft.job, draft.run, draft.post, draft.by)
    wrong = wrong_with(draft.kind, draft.data, draft.job, draft.run, draft.post)
    typed = signs_wrong(draft.kind, draft.data, names)
    if wrong is None and typed is not None:
        raise UsageError(f"{typed}: nothing was logged")
    if wrong is None and not all(map(is_whole, names)):
        wrong = f"{draft.kind}: a name holds broken characters"
    if wrong is None and draft.kind == UNDONE:
        named = by_id(db, draft.data["of"])
        if named is None:
            wrong = f"undone: there is no event {draft.data['of']}"
        else:
            draft = replace(draft, data={**draft.data, "of": named.step})
    if wrong:
        raise InternalError(f"this can't be logged: {wrong}")
    return draft


# ------------------------------------------------------------ the log of an open file


class Log:
    """The log of an open data file.

    clock: aware time of day. ids: a fresh id each call.
    """

    def __init__(self, opened: Opened, clock: Callable[[], datetime], ids: Callable[[], str]) -> None:
        self._opened = opened
        self._clock = clock
        self._ids = ids
        self._seen = -1
        self._looked_through = (0, 0, 0)
        """Nothing between the first two places came from another log but what stands up to the third."""
        self._look()
        if not self.read_only and not self._id:
            self._begin()

    @classmethod
    def open(
        cls,
        path: Path,
        *,
        read_only: bool,
        empty_ok: bool,
        clock: Callable[[], datetime],
        ids: Callable[[], str],
    ) -> Log:
        """Open a data file's log, making the file when it is to be written and is not there."""
        opened = open_file(path, read_only=read_only, empty_ok=empty_ok, now=clock().isoformat())
        try:
            return cls(opened, clock, ids)
        except BaseException:
            opened.close()
            raise

    def close(self) -> None:
        """Close the file and let another program write."""
        self._opened.close()

    @contextlib.contextmanager
    def turn(self) -> Iterator[None]:
        """Keep other programs from writing meanwhile; raises FileError when the turn doesn't come in time.

        A file that is only looked at has no turn to wait for.
        """
        if self._opened.turn is None:
            yield
            return
        with self._opened.turn:
            yield

    @property
    def db(self) -> sqlite3.Connection:
        """Where the rows are."""
        return self._opened.db

    @property
    def path(self) -> Path:
        """The data file."""
        return self._opened.path

    @property
    def read_only(self) -> bool:
        """True when nothing can be logged here."""
        return self._opened.turn is None

    @property
    def id(self) -> str:
        """The log's own id; empty as long as no program has written to the file."""
        return self._id

    def now(self) -> datetime:
        """Time of day by the clock that events are stamped with."""
        return self._clock()

    def end(self) -> End:
        """Where the log ends, behind what another program has logged by now."""
        if self.changes() != self._seen:
            self._look()
        return self._end

    def came_in(self, after: int) -> bool:
        """Whether anything behind a place was written by another log: it may have happened before."""
        first, last, foreign = self._looked_through
        end = self.end().seq
        for low, high in ((last, end), (after, first)) if last else ((after, end),):
            rest = "SELECT max(seq) FROM event WHERE seq > ? AND seq <= ? AND origin_hash IS NOT NULL"
            (found,) = self.db.execute(rest, (low, high)).fetchone() if low < high else (None,)
            foreign = max(foreign, found or 0)
        self._looked_through = min(after, first) if last else after, end, foreign
        return foreign > after

    def changes(self) -> int:
        """A number that is another one when another program has written (https://sqlite.org/pragma.html)."""
        (number,) = self.db.execute("PRAGMA data_version").fetchone()
        return int(number)

    def _begin(self) -> None:
        """Give a new file its log's id."""
        with self.turn():
            self.db.execute(
                "INSERT INTO log (id, begun) SELECT ?, ? WHERE NOT EXISTS (SELECT 1 FROM log)",
                (self._ids(), self._clock().isoformat()),
            )
        self._look()

    def _look(self) -> None:
        self._seen = self.changes()
        row = self.db.execute("SELECT id FROM log").fetchone()
        self._id: str = row[0] if row else ""
        self._end = End(*last_place(self.db), greatest_stamp(self.db))

    # ------------------------------------------------------------ log

    def append(self, drafts: Sequence[Draft]) -> tuple[Event, ...]:
        """Log several events in one go; raises FileError when it is read only, else as `completed`."""
        with self.turn():
            return self._write(self._chained(drafts, self.end()))

    def receive(self, foreign: Sequence[Event], notes: Sequence[Draft]) -> tuple[Event, ...]:
        """Log events of another log, and what there is to say of them, in one go. Raises as append."""
        with self.turn():
            moved = moved_here(foreign, self.end())
            return self._write([*moved, *self._chained(notes, self._end.after(moved))])

    def _chained(self, drafts: Sequence[Draft], end: End) -> list[Event]:
        whole = [completed(draft, self.db) for draft in drafts]
        return chained(whole, self._clock().isoformat(timespec="milliseconds"), self.id, self._ids, end)

    def _write(self, events: Sequence[Event]) -> tuple[Event, ...]:
        """Put events that are chained to the end of this log onto disk."""
        if self.read_only:
            raise self._not_the_writer()
        if not events:
            return ()
        try:
            self.db.execute("BEGIN IMMEDIATE")
            insert(self.db, events)
            self._refuse_lost("nothing was logged")
            self.db.execute("COMMIT")
            self._refuse_lost("what was just logged went with it")
            self._end = self._end.after(events)
        except BaseException:
            if self.db.in_transaction:
                self.db.execute("ROLLBACK")
            # An interruption can fall between the commit and what is remembered of it: look again.
            with contextlib.suppress(sqlite3.Error):
                self._look()
            raise
        return tuple(events)

    def _refuse_lost(self, outcome: str) -> None:
        lost = self._opened.lost()
        if lost is not None:
            raise FileError(f"{lost}: {outcome}", path=str(self.path))

    def _not_the_writer(self) -> FileError:
        return FileError(
            f"nothing was logged: this file is open to look at only ({self.path})", path=str(self.path)
        )
