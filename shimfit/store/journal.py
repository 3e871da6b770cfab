"""The journal: log what happened, on disk before it returns, and read the state of anything at any time.

    with Journal.open(path) as journal:
        journal.append("reading", {...}, job="Lake", run="A", post="7")
        journal.run("Lake", "A").post("7").state

Several programs may have the file open: each waits for its turn to write, and sees what the others have
logged at its next look. Where what is logged follows from what was read, both stand in one
`with journal.exclusively():`, or the program keeps its turn from the start (`open(hold=True)`). Any thread
may call its methods.
"""

from __future__ import annotations

import contextlib
import threading
from collections import deque
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from shimfit.errors import FileError, UsageError
from shimfit.store import log
from shimfit.store.box import BOX_KINDS
from shimfit.store.db import damaged, saying_what
from shimfit.store.events import Draft, Head, heads, read_data
from shimfit.store.log import Log, first_bad
from shimfit.store.states import History, Snapshot, States
from shimfit.store.undo import UNDONE, words

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence

    from shimfit.standing import RunState
    from shimfit.store.box import BoxState
    from shimfit.store.events import Event
    from shimfit.store.log import BadEvent
    from shimfit.store.states import JobState
    from shimfit.store.undo import Step


def wall_clock() -> datetime:
    """Time of day with this place's offset from UTC."""
    return datetime.now().astimezone()


def new_id() -> str:
    """Id that no other event has."""
    import uuid  # a look at a file needs none

    return uuid.uuid4().hex


class Journal(contextlib.AbstractContextManager["Journal"]):
    """An open data file."""

    def __init__(self, log: Log) -> None:
        self._log = log
        self._guard = threading.RLock()
        self._held = contextlib.ExitStack()
        self._snapshot = Snapshot(log.path)
        self._history = History(log, self._snapshot)
        self._states = States(log, self._history, self._snapshot, self)
        self._is_closed = False

    # ------------------------------------------------------------ open and close

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
    ) -> Journal:
        """Open a data file; made when it is not there and is to be written.

        hold: keep other programs from writing until it is closed, as a command does that looks, then logs.
        empty_ok: to look at a file that is not there is to see one in which nothing was logged; none is made.
        clock: aware time of day. ids: a fresh id each call. Raises FileError (folder or file can't be
        written, full disk, not a data file, newer schema, damaged, another program writes for too long),
        each with one sentence.
        """
        file = Path(path)
        with saying_what(file), contextlib.ExitStack() as half_open:
            journal = cls(Log.open(file, read_only=read_only, empty_ok=empty_ok, clock=clock, ids=ids))
            half_open.callback(journal.close)
            if hold:
                journal._held.enter_context(journal._log.turn())
            half_open.pop_all()
        return journal

    def close(self) -> None:
        """Close the file and let another program write; then keep what was worked out, for the next."""
        with self._guard:
            kept = {} if self._is_closed else self._states.to_keep()
            self._is_closed = True
            self._log.close()
        self._held.close()
        if kept:
            self._snapshot.write(kept)

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def path(self) -> Path:
        """The data file."""
        return self._log.path

    @property
    def read_only(self) -> bool:
        """True when nothing can be logged here."""
        return self._log.read_only

    @property
    def log(self) -> str:
        """Id of this file's log."""
        return self._log.id

    @property
    def head(self) -> tuple[int, str]:
        """(number of events, hash of the last): what a printed record is sealed with."""
        with self._guard, saying_what(self.path):
            end = self._log.end()
            return end.seq, end.hash

    def changes_by_others(self) -> int:
        """A number that is another one when another program has logged something meanwhile."""
        with self._guard, saying_what(self.path):
            return self._log.changes()

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
        with self._guard, saying_what(self.path):
            return self._log.append(drafts)

    def receive(self, foreign: Sequence[Event], notes: Sequence[Draft] = ()) -> tuple[Event, ...]:
        """Log events of another log (import, salvage) and what there is to say of it, in one go.

        Each gets a place at the end of this chain and keeps the one it was written at as its origin. Raises
        FileError when they can't be written (nothing was logged).
        """
        with self._guard, saying_what(self.path):
            return self._log.receive(foreign, notes)

    @contextlib.contextmanager
    def exclusively(self) -> Iterator[None]:
        """Keep threads and other programs from logging while this one reads and logs what follows from it.

        Raises FileError when another program writes for too long.
        """
        with self._guard, contextlib.ExitStack() as held:
            with saying_what(self.path):
                held.enter_context(self._log.turn())
            yield

    def now(self) -> datetime:
        """Time of day by this file's clock."""
        return self._log.now()

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
        with self._guard, saying_what(self.path):
            end = log.EVERYTHING if upto is None else upto
            found = log.as_received(self._log.db, job, run, kinds, end)
        yield from found

    def last(self, job: str | None, kind: str) -> Event | None:
        """The latest event of a kind in a job (None: that belongs to none), as this file received them."""
        with self._guard, saying_what(self.path):
            return log.last_of(self._log.db, job, kind)

    def at(self, seqs: Iterable[int]) -> list[Event]:
        """Events at some places, also when the file was closed meanwhile; FileError for a damaged one."""
        with self._guard, saying_what(self.path):
            if not self._is_closed:
                return log.at(self._log.db, seqs)
            again = Log.open(self.path, read_only=True, empty_ok=False, clock=wall_clock, ids=new_id)
            with contextlib.closing(again):
                return log.at(again.db, seqs)

    def of_step(self, job: str | None, run: str | None, step: str) -> list[Event]:
        """Events of a step, wherever they belong to; of one that came by import, those of a run if named."""
        with self._guard, saying_what(self.path):
            return log.of_step_anywhere(self._log.db, step, job, run)

    def of_box(self, after: int, upto: int) -> list[Event]:
        """Events of the box behind a place, up to another one."""
        with self._guard, saying_what(self.path):
            return log.of_kinds(self._log.db, BOX_KINDS, upto, after=after)

    def standing(self, kinds: Sequence[str], job: str) -> list[Event]:
        """Events of some kinds of a job that were not undone, in the order they happened."""
        with self._guard, saying_what(self.path):
            void, _ = self._history.of_job(job)
            found = log.of_kinds(self._log.db, kinds, job=job)
            return [event for event in found if event.step not in void and read_data(event)[0] is not None]

    def event(self, event_id: str) -> Event | None:
        """The event of that id, or None."""
        with self._guard, saying_what(self.path):
            return log.by_id(self._log.db, event_id)

    def verify(self) -> BadEvent | None:
        """Work the whole chain out again: the first event that is not as it was logged, or None."""
        with self._guard:
            return first_bad(self._log.db)

    def check(self) -> None:
        """Raises FileError (what is wrong, how to save the rest) unless every event is as it was logged."""
        bad = self.verify()
        if bad is not None:
            raise FileError(damaged(self.path, bad.sentence), path=str(self.path))

    def head_of(self, job: str, *, upto: int | None = None) -> Head:
        """How far a job's events had got, now or after event `upto`: what its record carries."""
        return next(iter(deque(heads(self.events(job, upto=upto)), maxlen=1)), Head())

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

    # ------------------------------------------------------------ state

    def jobs(self, *, upto: int | None = None) -> tuple[JobState, ...]:
        """All jobs, in the order they were added."""
        with self._guard, saying_what(self.path):
            return self._states.jobs(upto)

    def job(self, name: str, *, upto: int | None = None) -> JobState:
        """One job; raises UsageError naming those that there are."""
        with self._guard, saying_what(self.path):
            return self._states.job(name, upto)

    def run(self, job: str, run: str, *, upto: int | None = None) -> RunState:
        """One run, now or as it was after event `upto`; raises UsageError naming those that there are."""
        with self._guard, saying_what(self.path):
            return self._states.run(job, run, upto)

    def box(self, *, upto: int | None = None) -> BoxState:
        """The box, now or as it was after event `upto`."""
        with self._guard, saying_what(self.path):
            return self._states.box(upto)

    # ------------------------------------------------------------ undo

    def undo(self, job: str | None, *, by: str | None = None, step: str | None = None) -> str | None:
        """Take back the last step of a job (None: of the box); what it was in words, or None.

        step: id of the step that is meant; UsageError, and nothing taken back, when another is the last.
        """
        with self.exclusively(), saying_what(self.path):
            steps = self._history.to_undo(job)
            if not steps:
                return None
            if step is not None and steps[0].id != step:
                last = words(steps[0].events)
                raise UsageError(f"something else was logged meanwhile ({last}): look, then take it back")
            self._take_back(steps, job, by)
            return words(steps[0].events)

    def redo(self, job: str | None, *, by: str | None = None) -> str | None:
        """Bring back what was undone last; what it was in words, or None when there is nothing."""
        with self.exclusively(), saying_what(self.path):
            step = self._history.to_redo(job)
            if step is None:
                return None
            said = self._history.redo_words(job)
            self._take_back((step,), job, by)
            return said

    def to_undo(self, job: str | None) -> tuple[Step, str] | None:
        """The step that undo takes back, and what it was in words; None when there is none."""
        with self._guard, saying_what(self.path):
            steps = self._history.to_undo(job)
            return (steps[0], words(steps[0].events)) if steps else None

    def _take_back(self, steps: Sequence[Step], job: str | None, by: str | None) -> None:
        firsts = [step.events[0] for step in steps]
        self._log.append([Draft(UNDONE, {"of": one.step}, job, one.run, one.post, by) for one in firsts])
