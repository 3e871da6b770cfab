"""The data file while it is open: settings in force, jobs and posts, the next and the previous post."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

from shimfit import settings as settings_room
from shimfit.errors import UsageError
from shimfit.settings import Settings
from shimfit.store.events import Draft
from shimfit.store.journal import Journal, wall_clock
from shimfit.workflow.place import Place

if TYPE_CHECKING:
    from types import TracebackType

    from shimfit.standing import PostRecord, RunState
    from shimfit.store.state import BoxState, JobState
    from shimfit.workflow.solving import Solver


class Opened:
    """An open data file: its settings, what it holds, where one stands in it."""

    def __init__(
        self,
        journal: Journal,
        *,
        options: Mapping[str, Any] | None = None,
        environment: Mapping[str, str] | None = None,
        clock: Callable[[], datetime] = wall_clock,
    ) -> None:
        self.journal = journal
        self._clock = clock
        self._options = dict(options or {})
        self._environment = environment
        self._solver: Solver | None = None
        self._settings = Settings()
        self._settings_of: Mapping[str, Any] | None = None
        """The stored settings that `_settings` was worked out from."""

    @classmethod
    def open(
        cls,
        path: Path | str,
        *,
        read_only: bool = False,
        hold: bool = False,
        empty_ok: bool = False,
        options: Mapping[str, Any] | None = None,
        environment: Mapping[str, str] | None = None,
        clock: Callable[[], datetime] = wall_clock,
    ) -> Self:
        """Open a data file, made when it is not there; raises FileError in one sentence.

        hold, empty_ok: as for Journal.open.
        options: settings given on the command line (None = not given); they win over what is stored.
        """
        journal = Journal.open(path, read_only=read_only, hold=hold, empty_ok=empty_ok, clock=clock)
        return cls(journal, options=options, environment=environment, clock=clock)

    def close(self) -> None:
        """Close the file and let another program write."""
        self.journal.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    # ------------------------------------------------------------ what there is

    @property
    def path(self) -> Path:
        """The data file."""
        return self.journal.path

    @property
    def read_only(self) -> bool:
        """True when the file was opened only to be looked at."""
        return self.journal.read_only

    @property
    def settings(self) -> Settings:
        """Settings in force: stored, then environment, then options."""
        stored = self.journal.box().settings
        if stored is not self._settings_of:
            self._settings = settings_room.load(stored, environment=self._environment, options=self._options)
            self._settings_of = stored
        return self._settings

    @property
    def solver(self) -> Solver:
        """What answers for posts; it keeps its tables while the box stays the same."""
        if self._solver is None:
            from shimfit.workflow.solving import Solver

            self._solver = Solver()
        return self._solver

    def jobs(self) -> tuple[JobState, ...]:
        """All jobs, in the order they were added."""
        return self.journal.jobs()

    def run(self, job: str, run: str) -> RunState:
        """One run; UsageError naming those that there are."""
        return self.journal.run(job, run)

    def box(self) -> BoxState:
        """The carpenter's box, one for all jobs."""
        return self.journal.box()

    def now(self) -> datetime:
        """Time of day by the data file's clock, with its offset."""
        return self._clock()

    def log(self) -> tuple[int, str]:
        """(number of events, hash of the last): what a printed record is sealed with."""
        return self.journal.head

    def post(self, place: Place) -> PostRecord:
        """One post; UsageError naming those that there are."""
        run = self.run(place.job, place.run)
        found = run.post(place.post)
        if found is None:
            names = ", ".join(post.name for post in run.posts) or "none yet"
            raise UsageError(f"there is no post {place.post!r} in {place.run_path}; its posts are: {names}")
        return found

    # ------------------------------------------------------------ walking

    def last_place(self) -> Place | None:
        """Where to go on: in the run worked on last, the post touched last, or the one to do next."""
        jobs = [job for job in self.jobs() if job.last_run or job.runs]
        if not jobs:
            return None
        job = max(jobs, key=lambda one: one.last_seq)
        run = self.run(job.name, job.last_run or job.runs[0])
        if not run.posts:
            return None
        touched = max(run.posts, key=lambda post: post.last_seq)
        has_history = touched.readings or touched.notes or touched.skipped is not None
        return Place(job.name, run.name, touched.name if has_history else run.posts[0].name)

    def next_post(self, place: Place) -> Place | None:
        """Next post in walking order; None behind the last."""
        return self._neighbour(place, 1)

    def previous_post(self, place: Place) -> Place | None:
        """Previous post in walking order; None before the first."""
        return self._neighbour(place, -1)

    def _neighbour(self, place: Place, step: int) -> Place | None:
        names = [post.name for post in self.run(place.job, place.run).posts]
        index = names.index(self.post(place).name) + step
        return replace(place, post=names[index]) if 0 <= index < len(names) else None

    # ------------------------------------------------------------ for what is logged

    def _draft(self, place: Place, kind: str, data: dict[str, Any]) -> Draft:
        return Draft(kind, data, place.job, place.run, place.post, self.settings.by or None)
