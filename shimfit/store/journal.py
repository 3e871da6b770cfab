"""The journal: log what happened, on disk before it returns, and read the state of anything at any time.

    with Journal.open(path) as journal:
        journal.append("reading", {...}, job="Lake", run="A", post="7")
        journal.run("Lake", "A").post("7").state

One writer at a time. Opened while another program writes: `read_only` is true, `notice` says why, and
`append` raises FileError with the same sentence; `take_over` tries again. Any thread may call its methods.
"""

from __future__ import annotations

import contextlib
import sqlite3
import threading
import uuid
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

from shimfit.errors import FileError, InternalError, UsageError
from shimfit.store import db as files
from shimfit.store import rows
from shimfit.store.box import BOX_KINDS, BoxFold, fold_box
from shimfit.store.chain import BadEvent, End, chained, first_bad, moved_here
from shimfit.store.db import saying_what
from shimfit.store.events import GENESIS, Draft, Event
from shimfit.store.fold import RunFold, fold_run
from shimfit.store.history import History
from shimfit.store.reading import read_data
from shimfit.store.shapes import is_whole, wrong_with
from shimfit.store.state import JobState
from shimfit.store.steps import UNDONE, Step, voided_steps, words

if TYPE_CHECKING:
    from types import TracebackType

    from shimfit.store.state import BoxState, RunState

EVERYTHING = 2**62
"""A position behind every event."""


def wall_clock() -> datetime:
    """Time of day with this place's offset from UTC."""
    return datetime.now().astimezone()


def new_id() -> str:
    """Id that no other event has."""
    return uuid.uuid4().hex


class Journal:
    """An open data file."""

    def __init__(self, opened: files.Opened, clock: Callable[[], datetime], ids: Callable[[], str]) -> None:
        self._opened = opened
        self._clock = clock
        self._ids = ids
        self._guard = threading.RLock()
        self._runs: dict[tuple[str, str], RunFold] = {}
        self._box: BoxFold | None = None
        self._jobs: tuple[JobState, ...] | None = None
        self._box_now: BoxState | None = None
        """Both as worked out last; None when something was logged since."""
        self._fresh: list[Event] = []
        """Logged, but not yet counted into the states above."""
        self._end = End(0, GENESIS, 0)
        self._log = ""
        with saying_what(self.path):
            if self._opened.lock is not None:
                self._begin_log()
            self._look_at_end()

    # ------------------------------------------------------------ open and close

    @classmethod
    def open(
        cls,
        path: Path | str,
        *,
        read_only: bool = False,
        clock: Callable[[], datetime] = wall_clock,
        ids: Callable[[], str] = new_id,
    ) -> Journal:
        """Open a data file; made when it is not there and is to be written.

        clock: aware time of day. ids: a fresh id each call. Raises FileError (folder or file can't be
        written, full disk, not a data file, newer schema, damaged), each with one sentence.
        """
        file = Path(path)
        opened = files.open_file(file, read_only=read_only, now=clock().isoformat())
        try:
            return cls(opened, clock, ids)
        except BaseException:
            opened.close()
            raise

    def close(self) -> None:
        """Close the file and let another program write."""
        with self._guard:
            self._opened.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @property
    def path(self) -> Path:
        """The data file."""
        return self._opened.path

    @property
    def read_only(self) -> bool:
        """True when nothing can be logged here."""
        return self._opened.lock is None

    @property
    def notice(self) -> str | None:
        """Why it is read only although writing was asked for; None otherwise."""
        return self._opened.notice

    @property
    def log(self) -> str:
        """Id of this file's log."""
        return self._log

    @property
    def head(self) -> tuple[int, str]:
        """(number of events, hash of the last): what a printed record is sealed with."""
        with self._guard:
            self._catch_up()
            return self._end.seq, self._end.hash

    def take_over(self) -> bool:
        """Try to become the writer, as when the other program was closed; True when this one writes now."""
        with self._guard:
            if not self.read_only:
                return True
            again = files.open_file(self.path, read_only=False, now=self._clock().isoformat())
            if again.lock is None:
                again.close()
                return False
            self._opened.close()
            self._opened = again
            self._look_at_end()
            return True

    def _begin_log(self) -> None:
        """Give a new file its log's id."""
        db = self._opened.db
        db.execute(
            "INSERT INTO log (id, begun) SELECT ?, ? WHERE NOT EXISTS (SELECT 1 FROM log)",
            (self._ids(), self._clock().isoformat()),
        )

    def _look_at_end(self) -> None:
        db = self._opened.db
        self._runs.clear()
        self._box = None
        self._jobs = self._box_now = None
        self._fresh.clear()
        row = db.execute("SELECT id FROM log").fetchone()
        self._log = row[0] if row else ""
        seq, hash_ = db.execute("SELECT seq, hash FROM event ORDER BY seq DESC LIMIT 1").fetchone() or (
            0,
            GENESIS,
        )
        self._end = End(seq, hash_, rows.greatest_stamp(db))

    def _catch_up(self) -> None:
        """A reader looks whether the writer has logged something since."""
        if not self.read_only:
            return
        with saying_what(self.path):
            (seq,) = self._opened.db.execute("SELECT coalesce(max(seq), 0) FROM event").fetchone()
            if seq != self._end.seq:
                self._look_at_end()

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

    def append_all(self, drafts: Sequence[Draft]) -> tuple[Event, ...]:
        """Log several events in one go: all are on disk when this returns, or none is.

        Raises FileError when they can't be written (nothing was logged), InternalError when an event's data
        is not what its kind must hold (nothing was logged: a program error, never a typing error).
        """
        with self._guard:
            filled = [self._filled(draft) for draft in drafts]
            return self._write(chained(filled, self._now(), self._log, self._ids, self._end))

    def receive(self, foreign: Sequence[Event], notes: Sequence[Draft] = ()) -> tuple[Event, ...]:
        """Log events of another log (import, salvage) and what there is to say of it, in one go.

        Each gets a place at the end of this chain and keeps the one it was written at as its origin. Raises
        FileError when they can't be written (nothing was logged).
        """
        with self._guard:
            moved = moved_here(foreign, self._end)
            filled = [self._filled(note) for note in notes]
            end = self._end.after(moved)
            return self._write([*moved, *chained(filled, self._now(), self._log, self._ids, end)])

    def _now(self) -> str:
        return self._clock().isoformat(timespec="milliseconds")

    def exclusively(self) -> threading.RLock:
        """Lock to hold (`with`) while reading and then logging what follows from it."""
        return self._guard

    def _write(self, events: Sequence[Event]) -> tuple[Event, ...]:
        """Put events that are chained to the end of this log onto disk."""
        with self._guard, saying_what(self.path):
            if self._opened.lock is None:
                raise self._not_the_writer()
            if not events:
                return ()
            db = self._opened.db
            db.execute("BEGIN IMMEDIATE")
            try:
                rows.insert(db, events)
                db.execute("COMMIT")
                self._count_in(events)
            except BaseException:
                if db.in_transaction:
                    db.execute("ROLLBACK")
                # An interruption can fall between the commit and what is remembered of it: look again.
                with contextlib.suppress(sqlite3.Error):
                    self._look_at_end()
                raise
            return tuple(events)

    def _not_the_writer(self) -> FileError:
        look_only = f"nothing was logged: this file is open to look at only ({self.path})"
        return FileError(self.notice or look_only, path=str(self.path))

    def _filled(self, draft: Draft) -> Draft:
        """Draft with the scope that its data names, checked."""
        if draft.kind == "job-added" and draft.job is None:
            draft = replace(draft, job=draft.data.get("name"))
        if draft.kind == "post-added" and draft.post is None:
            draft = replace(draft, post=draft.data.get("name"))
        wrong = wrong_with(draft.kind, draft.data, draft.job, draft.run, draft.post)
        if wrong is None and not all(map(is_whole, (draft.job, draft.run, draft.post, draft.by))):
            wrong = f"{draft.kind}: a name holds broken characters"
        if wrong is None and draft.kind == UNDONE:
            named = rows.by_id(self._opened.db, draft.data["of"])
            if named is None:
                wrong = f"undone: there is no event {draft.data['of']}"
            else:
                draft = replace(draft, data={**draft.data, "of": named.step})
        if wrong:
            raise InternalError(f"this can't be logged: {wrong}")
        return draft

    @property
    def _history(self) -> History:
        return History(self._opened.db, self._log)

    def _count_in(self, events: Sequence[Event]) -> None:
        """Take events that are on disk as the new end; states are brought forward when they are asked for."""
        self._end = self._end.after(events)
        self._fresh += events

    def _bring_forward(self) -> None:
        """Count what was logged since into the states that were already worked out."""
        self._catch_up()
        fresh, self._fresh = self._fresh, []
        if fresh:
            self._jobs = self._box_now = None
        if any(event.origin for event in fresh):
            # Import brings events from before others: work everything out again.
            self._runs.clear()
            self._box = None
            return
        for event in fresh:
            for fold in self._runs.values():
                fold.add(event)
            if self._box is not None:
                self._box.add(event)

    # ------------------------------------------------------------ events

    def events(
        self,
        job: str | None = None,
        *,
        run: str | None = None,
        kinds: Sequence[str] = (),
        upto: int | None = None,
    ) -> Iterator[Event]:
        """Events in the order this file received them: all, or of one job, run or some kinds, up to one."""
        where = "WHERE seq <= ?"
        values: list[Any] = [EVERYTHING if upto is None else upto]
        for name, value in (("job", job), ("run", run)):
            if value is not None:
                where += f" AND {name} = ?"
                values.append(value)
        if kinds:
            where += f" AND kind IN ({', '.join('?' * len(kinds))})"
            values += kinds
        with self._guard, saying_what(self.path):
            found = list(rows.select(self._opened.db, f"{where} ORDER BY seq", values))
        yield from found

    def standing(self, kinds: Sequence[str], job: str) -> list[Event]:
        """Events of some kinds of a job that were not undone, in the order they happened."""
        with self._guard, saying_what(self.path):
            found = rows.of_kinds(self._opened.db, (*kinds, UNDONE), EVERYTHING, job)
        readable = [event for event in found if read_data(event)[0] is not None]
        void = voided_steps(event for event in readable if event.kind == UNDONE)
        return [event for event in readable if event.kind != UNDONE and event.step not in void]

    def event(self, event_id: str) -> Event | None:
        """The event of that id, or None."""
        with self._guard, saying_what(self.path):
            return rows.by_id(self._opened.db, event_id)

    def verify(self) -> BadEvent | None:
        """Work the whole chain out again: the first event that is not as it was logged, or None."""
        with self._guard:
            return first_bad(self._opened.db)

    # ------------------------------------------------------------ state

    def jobs(self, *, upto: int | None = None) -> tuple[JobState, ...]:
        """All jobs, in the order they were added."""
        with self._guard, saying_what(self.path):
            self._bring_forward()
            if upto is None and self._jobs is not None:
                return self._jobs
            end = EVERYTHING if upto is None else upto
            found = rows.of_kinds(self._opened.db, ("job-added", "run-added", UNDONE), end)
            readable = [event for event in found if read_data(event)[0] is not None]
            void = voided_steps(event for event in readable if event.kind == UNDONE)
            standing = [event for event in readable if event.step not in void and event.job]
            jobs = {event.job: event for event in reversed(standing) if event.kind == "job-added"}
            ordered = sorted(jobs.values(), key=lambda event: (event.stamp, event.id))
            jobs_then = tuple(self._job_state(event, standing, end) for event in ordered)
            if upto is None:
                self._jobs = jobs_then
            return jobs_then

    def job(self, name: str, *, upto: int | None = None) -> JobState:
        """One job; raises UsageError naming those that there are."""
        found = self.jobs(upto=upto)
        for job in found:
            if job.name == name:
                return job
        there_are = ", ".join(job.name for job in found) or "none yet"
        raise UsageError(f"there is no job {name!r}; the jobs are: {there_are}")

    def _job_state(self, added: Event, standing: Sequence[Event], end: int) -> JobState:
        assert added.job is not None
        runs = tuple(
            dict.fromkeys(
                event.run for event in standing if event.kind == "run-added" and event.job == added.job
            )
        )
        latest = rows.latest_of_runs(self._opened.db, added.job, (None, *runs), end)
        touched = [event for event in latest if event.run is not None]
        return JobState(
            name=added.job,
            sample=bool(added.data.get("sample", False)),
            units=added.data.get("units", "mm"),
            runs=tuple(run for run in runs if run),
            undo=self._history.undo_words(added.job),
            redo=self._history.redo_words(added.job),
            last_run=max(touched, key=lambda event: event.stamp).run if touched else None,
            last_seq=max((event.seq for event in latest), default=0),
        )

    def run(self, job: str, run: str, *, upto: int | None = None) -> RunState:
        """One run, now or as it was after event `upto`; raises UsageError naming those that there are."""
        with self._guard, saying_what(self.path):
            self._bring_forward()
            state = self._run_now(job, run) if upto is None else self._run_then(job, run, upto)
            if state is None:
                there_are = ", ".join(self.job(job, upto=upto).runs) or "none yet"
                raise UsageError(f"there is no run {run!r} in job {job!r}; its runs are: {there_are}")
            return state

    def _run_now(self, job: str, run: str) -> RunState | None:
        fold = self._runs.get((job, run))
        if fold is None:
            fold = RunFold(job, run)
            for event in rows.of_run(self._opened.db, job, run, EVERYTHING):
                fold.add(event)
            self._runs[job, run] = fold
        return fold.state()

    def _run_then(self, job: str, run: str, upto: int) -> RunState | None:
        return fold_run(rows.of_run(self._opened.db, job, run, upto), job, run)

    def box(self, *, upto: int | None = None) -> BoxState:
        """The box, now or as it was after event `upto`."""
        with self._guard, saying_what(self.path):
            self._bring_forward()
            if upto is not None:
                return fold_box(rows.of_kinds(self._opened.db, (*BOX_KINDS, UNDONE), upto), self._log)
            if self._box is None:
                self._box = BoxFold(self._log)
                for event in rows.of_kinds(self._opened.db, (*BOX_KINDS, UNDONE), EVERYTHING):
                    self._box.add(event)
            if self._box_now is None:
                self._box_now = replace(
                    self._box.state(),
                    undo=self._history.undo_words(None),
                    redo=self._history.redo_words(None),
                )
            return self._box_now

    # ------------------------------------------------------------ undo

    def undo(self, job: str | None, *, by: str | None = None) -> str | None:
        """Take back the last step of a job (None: of the box); what it was in words, or None."""
        with self._guard, saying_what(self.path):
            steps = self._history.to_undo(job)
            if not steps:
                return None
            return self._take_back(steps, job, by)

    def redo(self, job: str | None, *, by: str | None = None) -> str | None:
        """Bring back what was undone last; what it was in words, or None when there is nothing."""
        with self._guard, saying_what(self.path):
            step = self._history.to_redo(job)
            if step is None:
                return None
            said = self._history.redo_words(job)
            self._take_back((step,), job, by)
            return said

    def _take_back(self, steps: Sequence[Step], job: str | None, by: str | None) -> str:
        self.append_all(
            [
                Draft(UNDONE, {"of": step.id}, job, step.events[0].run, step.events[0].post, by)
                for step in steps
            ]
        )
        return words(steps[0].events)
