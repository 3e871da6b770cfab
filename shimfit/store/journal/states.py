"""States that were worked out once and are kept: brought forward by what was logged since.

Every answer is the state after one and the same event, also while another program goes on logging.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from shimfit.errors import UsageError
from shimfit.store import rows
from shimfit.store.box import BOX_KINDS, BoxFold, fold_box
from shimfit.store.fold import RunFold, fold_run
from shimfit.store.journal.jobs import all_jobs
from shimfit.store.steps import UNDONE

if TYPE_CHECKING:
    from shimfit.store.events import Event
    from shimfit.store.journal.history import History
    from shimfit.store.journal.log import Log
    from shimfit.store.state import BoxState, JobState, RunState


class States:
    """The state of every job, of each run that was asked for and of the box, now or after event `upto`."""

    def __init__(self, log: Log, history: History) -> None:
        self._log = log
        self._history = history
        self._runs: dict[tuple[str, str], RunFold] = {}
        self._box: BoxFold | None = None
        self._jobs_now: tuple[JobState, ...] | None = None
        self._box_now: BoxState | None = None
        """Both as worked out last; None when something was logged since."""
        self._counted = 0
        """Place of the last event that all of the above have seen."""

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
        fresh = rows.between(self._log.db, counted, end) if folds else []
        if not counted or any(event.origin for event in fresh):
            # Import brings events from before others; and a file in which nothing was logged when it was
            # read may have had no log's id then.
            self.forget()
            return
        for event in fresh:
            for fold in folds:
                fold.add(event)

    def jobs(self, upto: int | None = None) -> tuple[JobState, ...]:
        """All jobs, in the order they were added."""
        self._bring_forward()
        if upto is not None:
            return all_jobs(self._log.db, self._history, upto)
        if self._jobs_now is None:
            self._jobs_now = all_jobs(self._log.db, self._history, self._counted)
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
            fold = RunFold(job, run)
            for event in rows.of_run(self._log.db, job, run, self._counted):
                fold.add(event)
            self._runs[job, run] = fold
        return fold.state()

    def _run_then(self, job: str, run: str, upto: int) -> RunState | None:
        return fold_run(rows.of_run(self._log.db, job, run, upto), job, run)

    def box(self, upto: int | None = None) -> BoxState:
        """The box; what can be taken back from it is told of now only."""
        self._bring_forward()
        if upto is not None:
            return fold_box(self._of_box(upto), self._log.id)
        if self._box_now is None:
            self._box_now = replace(
                self._box_kept().state(),
                undo=self._history.undo_words(None),
                redo=self._history.redo_words(None),
            )
        return self._box_now

    def _box_kept(self) -> BoxFold:
        if self._box is None:
            fold = BoxFold(self._log.id)
            for event in self._of_box(self._counted):
                fold.add(event)
            self._box = fold
        return self._box

    def _of_box(self, upto: int) -> list[Event]:
        return rows.of_kinds(self._log.db, (*BOX_KINDS, UNDONE), upto)
