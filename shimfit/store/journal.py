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
import sqlite3
import threading
from collections import defaultdict, deque
from dataclasses import replace
from datetime import datetime
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from shimfit.errors import FileError, UsageError
from shimfit.store import log
from shimfit.store.box import BOX_KINDS, BoxFold, fold_box
from shimfit.store.db import damaged, saying_what
from shimfit.store.events import Draft, Head, canonical, heads
from shimfit.store.fold import RunFold, fold_run
from shimfit.store.log import Log, first_bad
from shimfit.store.shapes import read_data
from shimfit.store.snapshot import Kept, Snapshot
from shimfit.store.state import JobState
from shimfit.store.steps import UNDONE, Step, Voided, to_redo, to_undo, voided, words

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence
    from collections.abc import Set as AbstractSet

    from shimfit.standing import RunState
    from shimfit.store.events import Event
    from shimfit.store.log import BadEvent
    from shimfit.store.state import BoxState


_Fold = TypeVar("_Fold", RunFold, BoxFold)


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
        self._undone = Undone(log, self._snapshot)
        self._history = History(log, self._undone)
        self._states = States(log, self._history, self._undone, self._snapshot, self)
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
            void, _ = self._undone.of_job(job)
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


# ------------------------------------------------------------ what can be taken back


class Undone:
    """What was undone in an open log, brought forward; of each job, and all together."""

    def __init__(self, log: Log, snapshot: Snapshot) -> None:
        self._log = log
        self._snapshot = snapshot
        self._forget()

    def _forget(self) -> None:
        self._counted = 0
        self._rows: list[tuple[int, str | None, str, str]] = []
        self._of_job: defaultdict[str | None, Voided] = defaultdict(Voided)
        self._steps: defaultdict[str | None, set[str]] = defaultdict(set)
        self._all = Voided()

    def _bring_forward(self) -> None:
        db, end = self._log.db, self._log.end().seq
        if end == self._counted:
            return
        if not self._counted:
            kept = self._snapshot.find(db, UNDONE)
            if kept is not None and kept.seq <= end:
                for row in kept.body:
                    self._count(*row)
                self._counted = kept.seq
        if self._counted and self._log.came_in(self._counted):
            self._forget()
        for event in log.of_kinds(db, (UNDONE,), end, after=self._counted):
            data = read_data(event)[0]
            if data is not None:
                self._count(event.seq, event.job, event.step, data["of"])
        self._counted = end

    def _count(self, seq: int, job: str | None, step: str, of: str) -> None:
        self._rows.append((seq, job, step, of))
        self._of_job[job].count(step, of)
        self._all.count(step, of)
        self._steps[job].add(step)

    def everywhere(self) -> AbstractSet[str]:
        """Steps that do not stand."""
        self._bring_forward()
        return self._all.steps

    def of_job(self, job: str | None) -> tuple[AbstractSet[str], AbstractSet[str]]:
        """(steps that do not stand, steps that are an undo or a redo) of a job."""
        self._bring_forward()
        return self._of_job[job].steps, self._steps[job]

    def upto(self, place: int) -> list[tuple[int, str | None, str, str]]:
        """(place, job, step, step that it names) of what was undone up to a place, as it happened."""
        self._bring_forward()
        return [row for row in self._rows if row[0] <= place]

    def pairs(self, upto: int, job: str | None = None) -> list[tuple[str, str]]:
        """(step, step that it names) of what was undone up to a place, in one job or all."""
        return [(step, of) for _, its, step, of in self.upto(upto) if job in (None, its)]


class History:
    """The steps of an open log, newest first. A job of None means the box."""

    def __init__(self, log: Log, undone: Undone) -> None:
        self._log = log
        self._undone = undone

    def to_undo(self, job: str | None) -> tuple[Step, ...]:
        """The step that undo takes back, with the answers that go with it; () when there is none."""
        void, _ = self._undone.of_job(job)
        return to_undo(self._newest_first(job), void)

    def to_redo(self, job: str | None) -> Step | None:
        """The undo that redo takes back, or None."""
        void, undos = self._undone.of_job(job)
        return to_redo(self._newest_first(job), void, undos) if undos else None

    def undo_words(self, job: str | None) -> str | None:
        """What undo would take back."""
        steps = self.to_undo(job)
        return words(steps[0].events) if steps else None

    def redo_words(self, job: str | None) -> str | None:
        """What redo would bring back."""
        step = self.to_redo(job)
        if step is None:
            return None
        taken_back = log.of_step(self._log.db, step.events[0].data["of"])
        return words(taken_back) if taken_back else None

    def _newest_first(self, job: str | None) -> Iterator[Step]:
        if job is None:
            # What was taken for a pack belongs to the step of that pack, and goes back with it.
            found = log.newest_first_of_box(self._log.db, (*set(BOX_KINDS) - {"taken"}, UNDONE), self._log.id)
        else:
            found = log.newest_first(self._log.db, job)
        for _, events in groupby(found, key=lambda event: event.step):
            yield Step(tuple(events)[::-1])


# ------------------------------------------------------------ the jobs


def all_jobs(
    db: sqlite3.Connection, history: History, upto: int, void: AbstractSet[str]
) -> tuple[JobState, ...]:
    """All jobs after event `upto`, in the order they were added; a job that was begun twice stands once."""
    found = log.of_kinds(db, ("job-added", "run-added"), upto)
    heads = [event for event in found if event.step not in void and read_data(event)[0] is not None]
    added = {event.job: event for event in reversed(heads) if event.kind == "job-added"}
    ordered = sorted(added.values(), key=lambda event: (event.stamp, event.id))
    return tuple(_job(db, history, event, _runs(event, heads), upto) for event in ordered)


def _runs(added: Event, heads: Sequence[Event]) -> tuple[str, ...]:
    own = (event for event in heads if event.kind == "run-added" and event.job == added.job)
    return tuple(dict.fromkeys(event.run for event in own if event.run))


def _job(
    db: sqlite3.Connection, history: History, added: Event, runs: tuple[str, ...], upto: int
) -> JobState:
    assert added.job is not None
    latest = log.latest_of_runs(db, added.job, (None, *runs), upto)
    touched = [event for event in latest if event.run is not None]
    return JobState(
        name=added.job,
        sample=bool(added.data.get("sample", False)),
        units=added.data.get("units", "mm"),
        runs=runs,
        undo=history.undo_words(added.job),
        redo=history.redo_words(added.job),
        last_run=max(touched, key=lambda event: event.stamp).run if touched else None,
        last_seq=max((event.seq for event in latest), default=0),
    )


# ------------------------------------------------------------ states


LAG = 100
"""Events that a snapshot may be behind; to count them in takes some hundredths of a second."""
FAR_BEHIND = 2_000
"""What took so long to work out is kept at once, not only when the file is closed."""
_BOX = "box"


class States:
    """The state of every job, of each run that was asked for and of the box, now or after event `upto`."""

    def __init__(
        self, log: Log, history: History, undone: Undone, snapshot: Snapshot, archive: Journal
    ) -> None:
        self._log = log
        self._history = history
        self._undone = undone
        self._snapshot = snapshot
        self._archive = archive
        self._runs: dict[tuple[str, str], RunFold] = {}
        self._box: BoxFold | None = None
        self._jobs_now: tuple[JobState, ...] | None = None
        self._box_now: BoxState | None = None
        """Both as worked out last; None when something was logged since."""
        self._counted = 0
        """Place of the last event that all of the above have seen."""
        self._kept: dict[str, int] = {}
        """Name in the snapshot -> place that it stands for there; 0 when there is nothing to go on from."""

    def forget(self) -> None:
        """Work everything out again when it is asked for."""
        self._runs.clear()
        self._box = None
        self._jobs_now = self._box_now = None

    def _bring_forward(self) -> None:
        """Count in what was logged since."""
        end = self._log.end().seq
        if end == self._counted:
            return
        self._jobs_now = self._box_now = None
        try:
            self._count_in(self._counted, end)
            self._counted = end
        except BaseException:
            # Interrupted: some have seen an event that others have not.
            self.forget()
            raise

    def _count_in(self, counted: int, end: int) -> None:
        folds = [*self._runs.values(), *(() if self._box is None else (self._box,))]
        fresh = log.between(self._log.db, counted, end) if folds else []
        if not counted or any(event.origin for event in fresh):
            # Import brings events from before others; and a file in which nothing was logged when it was
            # read may have had no log's id then.
            self.forget()
            return
        for event in fresh:
            for fold in folds:
                fold.add(event)

    # ------------------------------------------------------------ from a snapshot, and to it

    def _taken_up(self, name: str, take_up: Callable[[Kept], _Fold]) -> _Fold | None:
        """A fold as it was kept; None when it isn't, or more than its own log's events came since."""
        self._kept[name] = 0
        kept = self._snapshot.find(self._log.db, name)
        if kept is None or kept.seq > self._counted or self._log.came_in(kept.seq):
            return None
        try:
            fold = take_up(kept)
        except (KeyError, TypeError, ValueError, AttributeError):
            return None
        self._kept[name] = kept.seq
        return fold

    def to_keep(self) -> dict[str, Kept]:
        """What is worth keeping of what was worked out here, by its name in the snapshot."""
        folds = {_run_name(*key): fold.to_snapshot for key, fold in self._runs.items()}
        folds |= {} if self._box is None else {_BOX: self._box.to_snapshot}
        with contextlib.suppress(FileError, sqlite3.Error):
            late = [name for name in folds if self._counted >= self._kept.get(name, 0) + LAG]
            hash_ = log.hash_at(self._log.db, self._counted) if late else None
            if hash_ is not None:
                found: dict[str, Any] = {one: body for one in late if (body := folds[one]()) is not None}
                found[UNDONE] = self._undone.upto(self._counted)
                return {name: Kept(self._counted, hash_, body) for name, body in found.items()}
        return {}

    def _keep_at_once(self, name: str) -> None:
        """Keep what took long to work out: the program may be ended before it closes the file."""
        if self._counted >= self._kept.get(name, 0) + FAR_BEHIND:
            kept = self.to_keep()
            self._snapshot.write(kept)
            self._kept |= dict.fromkeys(kept, self._counted)

    # ------------------------------------------------------------ jobs, runs, the box

    def jobs(self, upto: int | None = None) -> tuple[JobState, ...]:
        """All jobs, in the order they were added."""
        self._bring_forward()
        if upto is not None:
            void = voided(self._undone.pairs(upto))
            return all_jobs(self._log.db, self._history, upto, void)
        if self._jobs_now is None:
            self._jobs_now = all_jobs(self._log.db, self._history, self._counted, self._undone.everywhere())
        return self._jobs_now

    def job(self, name: str, upto: int | None = None) -> JobState:
        """One job; raises UsageError naming those that there are."""
        found = self.jobs(upto)
        for job in found:
            if job.name == name:
                return job
        there_are = ", ".join(job.name for job in found) or "none yet"
        raise UsageError(f"there is no job {name!r}; the jobs are: {there_are}")

    def run(self, job: str, run: str, upto: int | None = None) -> RunState:
        """One run; raises UsageError naming those that there are."""
        self._bring_forward()
        state = self._run_now(job, run) if upto is None else self._run_then(job, run, upto)
        if state is None:
            there_are = ", ".join(self.job(job, upto).runs) or "none yet"
            raise UsageError(f"there is no run {run!r} in job {job!r}; its runs are: {there_are}")
        return state

    def _run_now(self, job: str, run: str) -> RunState | None:
        fold = self._runs.get((job, run))
        if fold is None:
            name = _run_name(job, run)
            fold = self._taken_up(name, lambda kept: self._run_kept(job, run, kept)) or RunFold(job, run)
            for event in log.of_run(self._log.db, job, run, self._counted, self._kept[name]):
                fold.add(event)
            self._runs[job, run] = fold
            fold.state()
            self._keep_at_once(name)
        return fold.state()

    def _run_kept(self, job: str, run: str, kept: Kept) -> RunFold:
        return RunFold.from_snapshot(job, run, kept.body, self._undone.pairs(kept.seq, job), self._archive)

    def _run_then(self, job: str, run: str, upto: int) -> RunState | None:
        return fold_run(log.of_run(self._log.db, job, run, upto), job, run)

    def box(self, upto: int | None = None) -> BoxState:
        """The box; what can be taken back from it is told of now only."""
        self._bring_forward()
        if upto is not None:
            found = log.of_kinds(self._log.db, (*BOX_KINDS, UNDONE), upto)
            return fold_box(found, self._log.id)
        if self._box_now is None:
            self._box_now = replace(
                self._box_kept().state(),
                undo=self._history.undo_words(None),
                redo=self._history.redo_words(None),
            )
        return self._box_now

    def _box_kept(self) -> BoxFold:
        if self._box is None:
            fold = self._taken_up(_BOX, self._box_of)
            if fold is None:
                fold = BoxFold(self._log.id, self._archive)
                fold.take_in(self._of_box(self._counted), self._undone.pairs(self._counted))
            else:
                kinds = (*BOX_KINDS, UNDONE)
                for event in log.of_kinds(self._log.db, kinds, self._counted, after=self._kept[_BOX]):
                    fold.add(event)
            self._box = fold
            self._keep_at_once(_BOX)
        return self._box

    def _box_of(self, kept: Kept) -> BoxFold:
        pairs = self._undone.pairs(kept.seq)
        return BoxFold.from_snapshot(self._log.id, kept.body, kept.seq, pairs, self._archive)

    def _of_box(self, upto: int) -> list[Event]:
        return log.of_kinds(self._log.db, BOX_KINDS, upto)


def _run_name(job: str, run: str) -> str:
    return f"run {canonical([job, run])}"
