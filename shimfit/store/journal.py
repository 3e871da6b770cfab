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
from dataclasses import replace
from typing import TYPE_CHECKING, Any, TypeVar

from shimfit.errors import FileError, UsageError
from shimfit.store.box import BoxFold, fold_box
from shimfit.store.db import file_errors
from shimfit.store.events import BOX_KINDS, UNDONE, Draft, canonical, read_data
from shimfit.store.fold import RunFold, fold_run
from shimfit.store.log import Log, guarded
from shimfit.store.snapshot import Kept, Snapshot
from shimfit.store.undo import History, voided, words
from shimfit.values import dataclass

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from collections.abc import Set as AbstractSet
    from datetime import datetime

    from shimfit.standing import RunState, Units
    from shimfit.store.box import BoxState
    from shimfit.store.db import Opened
    from shimfit.store.events import Event
    from shimfit.store.undo import Step

_Fold = TypeVar("_Fold", RunFold, BoxFold)

LAG = 100
"""Events that a snapshot may be behind; to count them in takes some hundredths of a second."""
FAR_BEHIND = 2_000
"""What took so long to work out is kept at once, not only when the file is closed."""
_BOX = "box"


@dataclass(frozen=True, slots=True)
class JobState:
    """One job. Its runs are named here and read one by one with `Journal.run(job, name)`."""

    name: str
    sample: bool = False
    units: Units = "mm"
    runs: tuple[str, ...] = ()
    """Names, in the order they were added."""
    undo: str | None = None
    """What undo would take back, in words; None = nothing."""
    redo: str | None = None
    """What redo would bring back, in words; None = nothing."""
    last_run: str | None = None
    """Run that was worked on last; None when the job has none."""
    last_seq: int = 0
    """Position in the log of the job's last event."""


class Journal(Log):
    """An open data file: its log, and the state of jobs, runs and the box, brought forward with it."""

    def __init__(self, opened: Opened, clock: Callable[[], datetime], ids: Callable[[], str]) -> None:
        super().__init__(opened, clock, ids)
        self._snapshot = Snapshot(opened.path)
        self._history = History(self, self._snapshot)
        self._runs: dict[tuple[str, str], RunFold] = {}
        self._box: BoxFold | None = None
        self._jobs_now: tuple[JobState, ...] | None = None
        self._box_now: BoxState | None = None
        """Both as worked out last; None when something was logged since."""
        self._counted = 0
        """Place of the last event that all of the above have seen."""
        self._kept: dict[str, int] = {}
        """Name in the snapshot -> place that it stands for there; 0 when there is nothing to go on from."""

    def close(self) -> None:
        """Close the file and let another program write; then keep what was worked out, for the next."""
        with self.guard:
            kept = {} if self._is_closed else self._to_keep()
            super().close()
        if kept:
            self._snapshot.write(kept)

    # ------------------------------------------------------------ state

    @guarded
    def jobs(self, *, upto: int | None = None) -> tuple[JobState, ...]:
        """All jobs, in the order they were added."""
        self._bring_forward()
        if upto is not None:
            return self._all_jobs(upto, voided(self._history.pairs(upto)))
        if self._jobs_now is None:
            self._jobs_now = self._all_jobs(self._counted, self._history.everywhere())
        return self._jobs_now

    def _all_jobs(self, upto: int, void: AbstractSet[str]) -> tuple[JobState, ...]:
        """A job that was begun twice stands once."""
        found = self.of_kinds(("job-added", "run-added"), upto)
        heads = [event for event in found if event.step not in void and read_data(event)[0] is not None]
        first = {event.job: event for event in reversed(heads) if event.kind == "job-added"}
        added = sorted(first.values(), key=lambda event: (event.stamp, event.id))
        return tuple(self._job(event, heads, upto) for event in added)

    def _job(self, added: Event, heads: Sequence[Event], upto: int) -> JobState:
        assert added.job is not None
        own = (event for event in heads if event.kind == "run-added" and event.job == added.job)
        runs = tuple(dict.fromkeys(event.run for event in own if event.run))
        latest = self.latest_of_runs(added.job, (None, *runs), upto)
        touched = [event for event in latest if event.run is not None]
        return JobState(
            name=added.job,
            sample=bool(added.data.get("sample", False)),
            units=added.data.get("units", "mm"),
            runs=runs,
            undo=self._history.undo_words(added.job),
            redo=self._history.redo_words(added.job),
            last_run=max(touched, key=lambda event: event.stamp).run if touched else None,
            last_seq=max((event.seq for event in latest), default=0),
        )

    def job(self, name: str, *, upto: int | None = None) -> JobState:
        """One job; raises UsageError naming those that there are."""
        found = self.jobs(upto=upto)
        for job in found:
            if job.name == name:
                return job
        there_are = ", ".join(job.name for job in found) or "none yet"
        raise UsageError(f"there is no job {name!r}; the jobs are: {there_are}")

    @guarded
    def run(self, job: str, run: str, *, upto: int | None = None) -> RunState:
        """One run, now or as it was after event `upto`; raises UsageError naming those that there are."""
        self._bring_forward()
        past = None if upto is None else fold_run(self.of_run(job, run, upto), job, run)
        state = self._run_now(job, run) if upto is None else past
        if state is None:
            there_are = ", ".join(self.job(job, upto=upto).runs) or "none yet"
            raise UsageError(f"there is no run {run!r} in job {job!r}; its runs are: {there_are}")
        return state

    def _run_now(self, job: str, run: str) -> RunState | None:
        fold = self._runs.get((job, run))
        if fold is None:
            name = _run_name(job, run)

            def taken_up(kept: Kept) -> RunFold:
                return RunFold.from_snapshot(job, run, kept.body, self._history.pairs(kept.seq, job), self)

            fold = self._taken_up(name, taken_up) or RunFold(job, run)
            for event in self.of_run(job, run, self._counted, self._kept[name]):
                fold.add(event)
            self._runs[job, run] = fold
            fold.state()
            self._keep_at_once(name)
        return fold.state()

    @guarded
    def box(self, *, upto: int | None = None) -> BoxState:
        """The box, now or after event `upto`; what can be taken back from it is said of now only."""
        self._bring_forward()
        if upto is not None:
            return fold_box(self.of_kinds((*BOX_KINDS, UNDONE), upto), self.log)
        if self._box_now is None:
            undo, redo = self._history.undo_words(None), self._history.redo_words(None)
            self._box_now = replace(self._box_fold().state(), undo=undo, redo=redo)
        return self._box_now

    def _box_fold(self) -> BoxFold:
        if self._box is None:

            def taken_up(kept: Kept) -> BoxFold:
                return BoxFold.from_snapshot(
                    self.log, kept.body, kept.seq, self._history.pairs(kept.seq), self
                )

            fold = self._taken_up(_BOX, taken_up)
            if fold is None:
                fold = BoxFold(self.log, self)
                fold.take_in(self.of_box(0, self._counted), self._history.pairs(self._counted))
            else:
                for event in self.of_kinds((*BOX_KINDS, UNDONE), self._counted, after=self._kept[_BOX]):
                    fold.add(event)
            self._box = fold
            self._keep_at_once(_BOX)
        return self._box

    @guarded
    def standing(self, kinds: Sequence[str], job: str) -> list[Event]:
        """Events of some kinds of a job that were not undone, in the order they happened."""
        void = self._history.of_job(job)
        found = self.of_kinds(kinds, job=job)
        return [event for event in found if event.step not in void and read_data(event)[0] is not None]

    # ------------------------------------------------------------ brought forward, and kept

    def _forget(self) -> None:
        """Work everything out again when it is asked for."""
        self._runs.clear()
        self._box = None
        self._jobs_now = self._box_now = None

    def _bring_forward(self) -> None:
        """Count in what was logged since."""
        end = self.end().seq
        if end == self._counted:
            return
        self._jobs_now = self._box_now = None
        try:
            folds = [*self._runs.values(), *(() if self._box is None else (self._box,))]
            fresh = self.between(self._counted, end) if folds else []
            if not self._counted or any(event.origin for event in fresh):
                # Import brings events from before others; and a file in which nothing was logged when it
                # was read may have had no log's id then.
                self._forget()
                fresh = []
            for event in fresh:
                for fold in folds:
                    fold.add(event)
            self._counted = end
        except BaseException:
            # Interrupted: some have seen an event that others have not.
            self._forget()
            raise

    def _taken_up(self, name: str, take_up: Callable[[Kept], _Fold]) -> _Fold | None:
        """A fold as it was kept; None when it isn't, or more than its own log's events came since."""
        self._kept[name] = 0
        kept = self._snapshot.find(self, name)
        if kept is None or kept.seq > self._counted or self.came_in(kept.seq):
            return None
        try:
            fold = take_up(kept)
        except (KeyError, TypeError, ValueError, AttributeError):
            return None
        self._kept[name] = kept.seq
        return fold

    def _to_keep(self) -> dict[str, Kept]:
        """What is worth keeping of what was worked out here, by its name in the snapshot."""
        folds = {_run_name(*key): fold.to_snapshot for key, fold in self._runs.items()}
        folds |= {} if self._box is None else {_BOX: self._box.to_snapshot}
        with contextlib.suppress(FileError, sqlite3.Error):
            late = [name for name in folds if self._counted >= self._kept.get(name, 0) + LAG]
            hash_ = self.hash_at(self._counted) if late else None
            if hash_ is not None:
                found: dict[str, Any] = {one: body for one in late if (body := folds[one]()) is not None}
                found[UNDONE] = self._history.upto(self._counted)
                return {name: Kept(self._counted, hash_, body) for name, body in found.items()}
        return {}

    def _keep_at_once(self, name: str) -> None:
        """Keep what took long to work out: the program may be ended before it closes the file."""
        if self._counted >= self._kept.get(name, 0) + FAR_BEHIND:
            kept = self._to_keep()
            self._snapshot.write(kept)
            self._kept |= dict.fromkeys(kept, self._counted)

    # ------------------------------------------------------------ undo

    def undo(self, job: str | None, *, by: str | None = None, step: str | None = None) -> str | None:
        """Take back the last step of a job (None: of the box); what it was in words, or None.

        step: id of the step that is meant; UsageError, and nothing taken back, when another is the last.
        """
        with self.exclusively(), file_errors(self.path):
            steps = self._history.to_undo(job)
            if not steps:
                return None
            last = words(steps[0].events)
            if step is not None and steps[0].id != step:
                raise UsageError(f"something else was logged meanwhile ({last}): look, then take it back")
            self._take_back(steps, job, by)
            return last

    def redo(self, job: str | None, *, by: str | None = None) -> str | None:
        """Bring back what was undone last; what it was in words, or None when there is nothing."""
        with self.exclusively(), file_errors(self.path):
            step = self._history.to_redo(job)
            if step is None:
                return None
            said = self._history.redo_words(job)
            self._take_back((step,), job, by)
            return said

    @guarded
    def to_undo(self, job: str | None) -> tuple[Step, str] | None:
        """The step that undo takes back, and what it was in words; None when there is none."""
        steps = self._history.to_undo(job)
        return (steps[0], words(steps[0].events)) if steps else None

    def _take_back(self, steps: Sequence[Step], job: str | None, by: str | None) -> None:
        firsts = [step.events[0] for step in steps]
        self.append_all([Draft(UNDONE, {"of": one.step}, job, one.run, one.post, by) for one in firsts])


def _run_name(job: str, run: str) -> str:
    return f"run {canonical([job, run])}"
