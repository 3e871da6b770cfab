"""What can be taken back and brought back, looked up in the log from its end; said in words."""

from __future__ import annotations

from itertools import groupby
from typing import TYPE_CHECKING

from shimfit.store import rows
from shimfit.store.box import BOX_KINDS
from shimfit.store.event_data import read_data
from shimfit.store.steps import UNDONE, Step, to_redo, to_undo, voided_steps, words

if TYPE_CHECKING:
    from collections.abc import Iterator

    from shimfit.store.journal.log import Log


class History:
    """The steps of an open log, newest first. A job of None means the box."""

    def __init__(self, log: Log) -> None:
        self._log = log

    def to_undo(self, job: str | None) -> tuple[Step, ...]:
        """The step that undo takes back, with the answers that go with it; () when there is none."""
        void, _ = self._void(job)
        return to_undo(self._newest_first(job), void)

    def to_redo(self, job: str | None) -> Step | None:
        """The undo that redo takes back, or None."""
        void, undos = self._void(job)
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
        taken_back = rows.of_step(self._log.db, step.events[0].data["of"])
        return words(taken_back) if taken_back else None

    def _newest_first(self, job: str | None) -> Iterator[Step]:
        if job is None:
            # What was taken for a pack belongs to the step of that pack, and goes back with it.
            found = rows.newest_first_of_box(
                self._log.db, (*set(BOX_KINDS) - {"taken"}, UNDONE), self._log.id
            )
        else:
            found = rows.newest_first(self._log.db, job)
        for _, events in groupby(found, key=lambda event: event.step):
            yield Step(tuple(events)[::-1])

    def _void(self, job: str | None) -> tuple[frozenset[str], frozenset[str]]:
        """(steps that do not stand, steps that are an undo or a redo)."""
        every = rows.of_kinds(self._log.db, (UNDONE,), job=job)
        undone = [event for event in every if event.job == job and read_data(event)[0]]
        return voided_steps(undone), frozenset(event.step for event in undone)
