"""The journal: log what happened, on disk before it returns, and read the state of anything at any time.

    with Journal.open(path) as journal:
        journal.append("reading", {...}, job="Lake", run="A", post="7")
        journal.run("Lake", "A").post("7").state

One writer at a time. Opened while another program writes: `read_only` is true, `notice` says why, and
`append` raises FileError with the same sentence; `take_over` tries again. Any thread may call its methods.

Rooms: `log` who writes, where the log ends and what is put there; `drafts` what may be logged; `states` what
was worked out and is brought forward; `jobs` which there are; `history` what can be taken back.
"""

from __future__ import annotations

import threading
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

from shimfit.store import rows
from shimfit.store.chain import first_bad
from shimfit.store.events import Draft
from shimfit.store.journal.history import History
from shimfit.store.journal.log import Log
from shimfit.store.journal.states import States
from shimfit.store.steps import UNDONE, standing, words
from shimfit.store.trouble import saying_what

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from types import TracebackType

    from shimfit.store.chain import BadEvent
    from shimfit.store.events import Event
    from shimfit.store.state import BoxState, JobState, RunState
    from shimfit.store.steps import Step


def wall_clock() -> datetime:
    """Time of day with this place's offset from UTC."""
    return datetime.now().astimezone()


def new_id() -> str:
    """Id that no other event has."""
    import uuid  # a look at a file needs none

    return uuid.uuid4().hex


class Journal:
    """An open data file."""

    def __init__(self, log: Log) -> None:
        self._log = log
        self._guard = threading.RLock()
        self._history = History(log)
        self._states = States(log, self._history)

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
        with saying_what(file):
            return cls(Log.open(file, read_only=read_only, clock=clock, ids=ids))

    def close(self) -> None:
        """Close the file and let another program write."""
        with self._guard:
            self._log.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
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
    def notice(self) -> str | None:
        """Why it is read only although writing was asked for; None otherwise."""
        return self._log.notice

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

    def take_over(self) -> bool:
        """Try to become the writer, as when the other program was closed; True when this one writes now."""
        with self._guard, saying_what(self.path):
            if self.read_only and self._log.take_over():
                self._states.forget()
            return not self.read_only

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

    def exclusively(self) -> threading.RLock:
        """Lock to hold (`with`) while reading and then logging what follows from it."""
        return self._guard

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
            end = rows.EVERYTHING if upto is None else upto
            found = rows.as_received(self._log.db, job, run, kinds, end)
        yield from found

    def standing(self, kinds: Sequence[str], job: str) -> list[Event]:
        """Events of some kinds of a job that were not undone, in the order they happened."""
        with self._guard, saying_what(self.path):
            found = rows.of_kinds(self._log.db, (*kinds, UNDONE), job=job)
        return standing(found)

    def event(self, event_id: str) -> Event | None:
        """The event of that id, or None."""
        with self._guard, saying_what(self.path):
            return rows.by_id(self._log.db, event_id)

    def verify(self) -> BadEvent | None:
        """Work the whole chain out again: the first event that is not as it was logged, or None."""
        with self._guard:
            return first_bad(self._log.db)

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

    def undo(self, job: str | None, *, by: str | None = None) -> str | None:
        """Take back the last step of a job (None: of the box); what it was in words, or None."""
        with self._guard, saying_what(self.path):
            steps = self._history.to_undo(job)
            if not steps:
                return None
            self._take_back(steps, job, by)
            return words(steps[0].events)

    def redo(self, job: str | None, *, by: str | None = None) -> str | None:
        """Bring back what was undone last; what it was in words, or None when there is nothing."""
        with self._guard, saying_what(self.path):
            step = self._history.to_redo(job)
            if step is None:
                return None
            said = self._history.redo_words(job)
            self._take_back((step,), job, by)
            return said

    def _take_back(self, steps: Sequence[Step], job: str | None, by: str | None) -> None:
        firsts = [step.events[0] for step in steps]
        self._log.append([Draft(UNDONE, {"of": one.step}, job, one.run, one.post, by) for one in firsts])
