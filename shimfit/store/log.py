"""The log of an open data file: its events by any question, and putting new ones at its end.

The only place that knows the columns. Any thread may call its methods; what SQLite and the system raise comes
out as a FileError that says what to do.
"""

from __future__ import annotations

import contextlib
import sqlite3
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import fields, replace
from datetime import datetime
from functools import wraps
from heapq import merge
from itertools import groupby, takewhile
from operator import attrgetter
from pathlib import Path
from typing import Any, Concatenate, ParamSpec, Self, TypeVar

from shimfit.errors import FileError, InternalError, UsageError
from shimfit.store.db import Opened, file_errors, open_file
from shimfit.store.events import (
    BOX_KINDS,
    GENESIS,
    UNDONE,
    Draft,
    End,
    Event,
    Head,
    Place,
    altered,
    broken,
    heads,
    in_order,
    is_whole,
    logged,
    moved_here,
    signs_wrong,
    wrong_with,
)

_P = ParamSpec("_P")
_T = TypeVar("_T")
_L = TypeVar("_L", bound="Log")

EVERYTHING = 2**62
"""A place behind every event."""
COLUMNS = (
    "seq, id, step, log, time, stamp, by, job, run, post, kind, data, prev, hash, "
    "origin_seq, origin_prev, origin_hash"
)
_AT_ONCE = 500
_INSERT = f"INSERT INTO event ({COLUMNS}) VALUES ({', '.join('?' * 17)})"  # noqa: S608 - constants only
_GREATEST_STAMP = (
    "SELECT coalesce(max(stamp), 0) FROM event WHERE seq >= "
    "coalesce((SELECT seq FROM event WHERE origin_hash IS NULL ORDER BY seq DESC LIMIT 1), 0)"
)
"""That of the last event of its own, or of one imported since."""


def wall_clock() -> datetime:
    """Time of day with this place's offset from UTC."""
    return datetime.now().astimezone()


def new_id() -> str:
    """Id that no other event has."""
    import uuid  # a look at a file needs none

    return uuid.uuid4().hex


def event_of(row: Sequence[Any]) -> Event:
    """Event of a row with COLUMNS."""
    columns = (*row[:14], None if row[16] is None else Place(*row[14:]))
    return Event(*columns)


_of_event = attrgetter(*(one.name for one in fields(Event) if one.name != "origin"))


def _row_of(event: Event) -> tuple[Any, ...]:
    came = event.origin
    return (*_of_event(event), *((came.seq, came.prev, came.hash) if came else (None,) * 3))


def guarded(method: Callable[Concatenate[_L, _P], _T]) -> Callable[Concatenate[_L, _P], _T]:
    """One thread at a time, and what goes wrong said in a sentence."""

    @wraps(method)
    def one_at_a_time(self: _L, *args: _P.args, **named: _P.kwargs) -> _T:
        with self.guard, file_errors(self.path):
            return method(self, *args, **named)

    return one_at_a_time  # type: ignore[return-value]  # `wraps` calls the log `self`


class Log:
    """The log of an open data file."""

    def __init__(self, opened: Opened, clock: Callable[[], datetime], ids: Callable[[], str]) -> None:
        self._opened = opened
        self.db = opened.db
        """Where the rows are."""
        self.path = opened.path
        """The data file."""
        self.read_only = opened.turn is None
        """True when nothing can be logged here."""
        self._clock = clock
        self._ids = ids
        self.guard = threading.RLock()
        """Held by the thread that is at work here."""
        self._held = contextlib.ExitStack()
        self._is_closed = False
        self._seen = -1
        self._looked_through = (0, 0, 0)
        """Nothing between the first two places came from another log but what stands up to the third."""
        self._look()
        if not self.read_only and not self._id:
            with self._turn():
                self.db.execute(
                    "INSERT INTO log (id, begun) SELECT ?, ? WHERE NOT EXISTS (SELECT 1 FROM log)",
                    (self._ids(), self._clock().isoformat()),
                )
            self._look()

    @classmethod
    def open(
        cls,
        path: Path | str,
        *,
        read_only: bool = False,
        hold: bool = False,
        empty_ok: bool = False,
        clock: Callable[[], datetime] = wall_clock,
        ids: Callable[[], str] = new_id,
    ) -> Self:
        """Open a data file; made when it is not there and is to be written.

        hold: keep other programs from writing until it is closed, as a command does that looks, then logs.
        empty_ok: to look at a file that is not there is to see one in which nothing was logged; none is made.
        clock: aware time of day. ids: a fresh id each call. Raises FileError (folder or file can't be
        written, full disk, not a data file, newer schema, damaged, another program writes for too long),
        each with one sentence.
        """
        file = Path(path)
        with file_errors(file), contextlib.ExitStack() as half_open:
            opened = open_file(file, read_only=read_only, empty_ok=empty_ok, now=clock().isoformat())
            half_open.callback(opened.close)
            log = cls(opened, clock, ids)
            if hold:
                log._held.enter_context(log._turn())
            half_open.pop_all()
        return log

    def close(self) -> None:
        """Close the file and let another program write."""
        with self.guard:
            self._is_closed = True
            self._opened.close()
        self._held.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def log(self) -> str:
        """This log's own id; empty as long as no program has written to the file."""
        return self._id

    @property
    def head(self) -> tuple[int, str]:
        """(number of events, hash of the last): what a printed record is sealed with."""
        end = self.end()
        return end.seq, end.hash

    def now(self) -> datetime:
        """Time of day by the clock that events are stamped with."""
        return self._clock()

    @guarded
    def end(self) -> End:
        """Where the log ends, behind what another program has logged by now."""
        if self.changes_by_others() != self._seen:
            self._look()
        return self._end

    @guarded
    def changes_by_others(self) -> int:
        """A number that is another one when another program has written (https://sqlite.org/pragma.html)."""
        (number,) = self.db.execute("PRAGMA data_version").fetchone()
        return int(number)

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

    def _look(self) -> None:
        self._seen = self.changes_by_others()
        row = self.db.execute("SELECT id FROM log").fetchone()
        self._id: str = row[0] if row else ""
        last = self.db.execute("SELECT seq, hash FROM event ORDER BY seq DESC LIMIT 1").fetchone()
        self._end = End(*(last or (0, GENESIS)), *self.db.execute(_GREATEST_STAMP).fetchone())

    def _turn(self) -> contextlib.AbstractContextManager[object]:
        """Keep other programs from writing meanwhile; FileError when the turn doesn't come in time.

        A file that is only looked at has no turn to wait for.
        """
        return self._opened.turn or contextlib.nullcontext()

    # ------------------------------------------------------------ log

    def append(
        self,
        kind: str,
        data: dict[str, Any] | None = None,
        *,
        job: str | None = None,
        run: str | None = None,
        post: str | None = None,
        by: str | None = None,
    ) -> Event:
        """Log one event; it is on disk when this returns. Raises as append_all."""
        return self.append_all([Draft(kind, data or {}, job, run, post, by)])[0]

    @guarded
    def append_all(self, drafts: Sequence[Draft]) -> tuple[Event, ...]:
        """Log several events in one go: all are on disk when this returns, or none is.

        Raises FileError when they can't be written (nothing was logged), UsageError for a name or text that
        can't be kept, InternalError when an event's data is not what its kind must hold (nothing was logged:
        a program error, never a typing error).
        """
        return self.receive((), drafts)

    @guarded
    def receive(self, foreign: Sequence[Event], notes: Sequence[Draft] = ()) -> tuple[Event, ...]:
        """Log events of another log (import, salvage) and what there is to say of it, in one go.

        Each gets a place at the end of this chain and keeps the one it was written at as its origin. Raises
        as append_all.
        """
        with self._turn():
            events = moved_here(foreign, self.end())
            time = self._clock().isoformat(timespec="milliseconds")
            end = self._end.after(events)
            events += logged(list(map(self._completed, notes)), time, self._id, self._ids, end)
            return self._write(events)

    @contextlib.contextmanager
    def exclusively(self) -> Iterator[None]:
        """Keep threads and other programs from logging while this one reads and logs what follows from it.

        Raises FileError when another program writes for too long.
        """
        with self.guard, contextlib.ExitStack() as held:
            with file_errors(self.path):
                held.enter_context(self._turn())
            yield

    @contextlib.contextmanager
    def all_or_none(self) -> Iterator[None]:
        """The same, and all that is logged meanwhile is on disk when this ends, or none of it is.

        None where it ends with an error, or is killed. One inside another is part of it.
        """
        if self.read_only:
            raise FileError(f"nothing was logged: this file is open to look at only ({self.path})")

        def refuse_lost(outcome: str) -> None:
            if lost := self._opened.lost():
                raise FileError(f"{lost}: {outcome}")

        with self.exclusively():
            steps = "BEGIN IMMEDIATE", "COMMIT", "ROLLBACK"
            if self.db.in_transaction:
                steps = "SAVEPOINT part", "RELEASE part", "ROLLBACK TO part"
            begin, keep, drop = steps
            try:
                with file_errors(self.path):
                    self.db.execute(begin)
                yield
                with file_errors(self.path):
                    refuse_lost("nothing was logged")
                    self.db.execute(keep)
                    refuse_lost("what was just logged went with it")
            except BaseException:
                if self.db.in_transaction:
                    self.db.execute(drop)
                # An interruption can fall between the commit and what is remembered of it: look again.
                with contextlib.suppress(sqlite3.Error):
                    self._look()
                self._looked_through = (0, 0, 0)
                self._forget()
                raise

    def _forget(self) -> None:
        """What was worked out from the log may be of events that are not in it: work it out again."""

    def _completed(self, draft: Draft) -> Draft:
        """With the scope that its data names; an `undone` names the whole step, whatever event it named."""
        if draft.kind == "job-added" and draft.job is None:
            draft = replace(draft, job=draft.data.get("name"))
        if draft.kind == "post-added" and draft.post is None:
            draft = replace(draft, post=draft.data.get("name"))
        names = (draft.job, draft.run, draft.post, draft.by)
        wrong = wrong_with(draft.kind, draft.data, draft.job, draft.run, draft.post)
        if wrong is None and (typed := signs_wrong(draft.kind, draft.data, names)):
            raise UsageError(f"{typed}: nothing was logged")
        if wrong is None and not all(map(is_whole, names)):
            wrong = f"{draft.kind}: a name holds broken characters"
        if wrong is None and draft.kind == UNDONE:
            if named := self.event(draft.data["of"]):
                return replace(draft, data={**draft.data, "of": named.step})
            wrong = f"undone: there is no event {draft.data['of']}"
        if wrong:
            raise InternalError(f"this can't be logged: {wrong}")
        return draft

    def _write(self, events: Sequence[Event]) -> tuple[Event, ...]:
        """Put events that are chained to the end of this log onto disk."""
        if events:
            with self.all_or_none():
                self.db.executemany(_INSERT, map(_row_of, events))
                self._end = self._end.after(events)
        return tuple(events)

    # ------------------------------------------------------------ events

    def _select(self, rest: str, *values: object) -> Iterator[Event]:
        """Events by the rest of a SELECT (WHERE …, ORDER BY …), each as it was logged.

        Raises FileError at the first that is not: nothing is worked out from it, shown or handed on.
        """
        for event in self._unchecked(rest, *values):
            why = altered(event)
            if why is not None:
                raise self._damaged(event.seq, why)
            yield event

    def _unchecked(self, rest: str, *values: object) -> Iterator[Event]:
        return map(event_of, self.db.execute(f"SELECT {COLUMNS} FROM event {rest}", values))  # noqa: S608 - constants only

    @guarded
    def events(
        self,
        job: str | None = None,
        *,
        kinds: Sequence[str] = (),
        after: int = 0,
        upto: int | None = None,
    ) -> list[Event]:
        """Events in the order this file received them: all, or of one job or some kinds, between two."""
        rest = f"INDEXED BY event_kind WHERE kind IN ({_marks(kinds)})" if kinds else "WHERE TRUE"
        rest += " AND seq > ? AND seq <= ?"
        values = [*kinds, after, EVERYTHING if upto is None else upto]
        if job is not None:
            rest, values = f"{rest} AND job = ?", [*values, job]
        return list(self._select(f"{rest} ORDER BY seq", *values))

    @guarded
    def last(self, job: str | None, kind: str) -> Event | None:
        """The latest event of a kind in a job (None: that belongs to none), as this file received them."""
        rest = "INDEXED BY event_kind WHERE kind = ? AND job IS ? ORDER BY seq DESC LIMIT 1"
        return next(self._select(rest, kind, job), None)

    @guarded
    def event(self, event_id: str) -> Event | None:
        """The event of that id, or None."""
        return next(self._select("WHERE id = ?", event_id), None)

    @guarded
    def at(self, seqs: Iterable[int]) -> list[Event]:
        """Events at some places, also of a file closed meanwhile; FileError for one damaged or gone."""
        if self._is_closed:
            with Log.open(self.path, read_only=True) as again:
                return again.at(seqs)
        wanted = list(seqs)
        some = (wanted[start : start + _AT_ONCE] for start in range(0, len(wanted), _AT_ONCE))
        found = [one for part in some for one in self._select(f"WHERE seq IN ({_marks(part)})", *part)]
        if gone := set(wanted) - {event.seq for event in found}:
            raise self._damaged(min(gone), "it is missing")
        return found

    @guarded
    def of_step(self, job: str | None, run: str | None, step: str) -> list[Event]:
        """Events of a step, wherever they belong to; of one that came by import, those of a run if named.

        What this log wrote of a step stands together, and its first event gave it its id.
        """
        found = self.db.execute("SELECT seq FROM event WHERE id = ? AND origin_hash IS NULL", (step,))
        if row := found.fetchone():
            own = self._select("WHERE seq >= ? ORDER BY seq", *row)
            return list(takewhile(lambda event: event.step == step, own))
        if run is None:
            return list(self._select("WHERE step = ?", step))
        rest = "INDEXED BY event_scope WHERE job = ? AND run = ? AND step = ?"
        return list(self._select(rest, job, run, step))

    @guarded
    def of_run(self, job: str, run: str, upto: int, after: int = 0) -> list[Event]:
        """All that a run's state depends on, in the order it happened; of it, what came behind a place."""
        own = "INDEXED BY event_scope WHERE job = ? AND run = ? AND seq > ? AND seq <= ?"
        over_it = (
            "INDEXED BY event_kind WHERE kind IN ('job-added', 'facts', 'undone', 'merged') AND job = ? "
            "AND run IS NOT ? AND seq > ? AND seq <= ?"
        )
        which = job, run, after, upto
        return in_order([*self._select(own, *which), *self._select(over_it, *which)])

    @guarded
    def latest_of_runs(self, job: str, runs: Iterable[str | None], upto: int) -> list[Event]:
        """The latest event of each run of a job (None: of the job itself)."""
        latest = "WHERE job = ? AND run IS ? AND seq <= ? ORDER BY stamp DESC LIMIT 1"
        return [event for run in runs for event in self._select(latest, job, run, upto)]

    def newest_steps(self, job: str | None) -> Iterator[tuple[Event, ...]]:
        """Steps of a job (None: what this log wrote of the box), latest first, as far as the caller looks."""
        if job is None:
            # What was taken for a pack belongs to the step of that pack, and goes back with it.
            kinds = (*set(BOX_KINDS) - {"taken"}, UNDONE)
            of_kind = "INDEXED BY event_kind WHERE kind = ? AND job IS NULL AND log = ? ORDER BY seq DESC"
            each = (self._select(of_kind, kind, self._id) for kind in kinds)
            found: Iterable[Event] = merge(*each, key=attrgetter("seq"), reverse=True)
        else:
            found = self._select("INDEXED BY event_order WHERE job = ? ORDER BY stamp DESC, id DESC", job)
        for _, events in groupby(found, key=attrgetter("step")):
            yield tuple(events)[::-1]

    # ------------------------------------------------------------ the chain

    @guarded
    def hash_at(self, seq: int) -> str | None:
        """Hash of the event at a place, which covers all before it; None without one."""
        row = self.db.execute("SELECT hash FROM event WHERE seq = ?", (seq,)).fetchone()
        return None if row is None else str(row[0])

    def verify(self) -> tuple[int, str] | None:
        """Work the chain out again: (place, why) of the first event that is not as it was logged, or None.

        A page that can't be read counts as one.
        """
        place, before = 1, None
        with self.guard:
            try:
                for event in self._unchecked("ORDER BY seq"):
                    if why := broken(event, before):
                        return place, why
                    place, before = place + 1, event
                (said,) = self.db.execute("PRAGMA integrity_check(1)").fetchone()
            except sqlite3.DatabaseError as error:
                return place, f"the file is damaged there ({error})"
        # Every event is whole, but SQLite may find them by an index that is not.
        last = said.splitlines()[-1]
        return None if said == "ok" else (place, f"the file is damaged behind the last event ({last})")

    def check(self) -> None:
        """Raises FileError (what is wrong, how to save the rest) unless every event is as it was logged."""
        if (bad := self.verify()) is not None:
            raise self._damaged(*bad)

    def _damaged(self, place: int, why: str) -> FileError:
        """Nothing is worked out from what is not as it was logged."""
        save = f"`shimfit salvage {self.path} NEW` saves what can be believed into a new file"
        return FileError(f"{self.path}: event {place} is not as it was logged: {why}; {save}")

    def head_of(self, job: str, *, upto: int | None = None) -> Head:
        """How far a job's events had got, now or after event `upto`: what its record carries."""
        return [Head(), *heads(self.events(job, upto=upto))][-1]

    def moment(self, job: str, paper: Head) -> tuple[int, str] | None:
        """The file's `head` when a record with this figure was made; None when it is of another log.

        A job's figure stands until its next event: what was logged of the box till then counts in.
        """
        before, found = (0, ""), False
        own = heads(self.events(job))
        for event in self.events():
            if event.job == job:
                if found:
                    return before
                found = paper.is_at(next(own))
            before = event.seq, event.hash
            if paper.is_at(Head(event.seq, "", event.hash)):
                return before
        return before if found else None


def _marks(values: Sequence[object]) -> str:
    return ", ".join("?" * len(values))
