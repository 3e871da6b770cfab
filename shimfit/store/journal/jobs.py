"""The jobs of a log: which there are, their runs in order, and what was worked on last."""

from __future__ import annotations

from typing import TYPE_CHECKING

from shimfit.store import rows
from shimfit.store.state import JobState
from shimfit.store.steps import UNDONE, standing

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Sequence

    from shimfit.store.events import Event
    from shimfit.store.journal.history import History


def all_jobs(db: sqlite3.Connection, history: History, upto: int) -> tuple[JobState, ...]:
    """All jobs after event `upto`, in the order they were added; a job that was begun twice stands once."""
    found = rows.of_kinds(db, ("job-added", "run-added", UNDONE), upto)
    heads = standing(found)
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
    latest = rows.latest_of_runs(db, added.job, (None, *runs), upto)
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
