"""Jobs from one data file to another: export, and import that merges without loss.

Imported events go to the end of this log's chain and keep their old place as `origin`, so the record can
still prove them. An event that is here already is skipped: importing twice changes nothing. A file is taken
whole, in one transaction, or not at all.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from shimfit.errors import FileError
from shimfit.outputs import EVENTS, write_whole
from shimfit.store.box import BOX_KINDS
from shimfit.store.event_data import read_data
from shimfit.store.events import Draft
from shimfit.store.transfer.conflicts import Conflict, find_conflicts
from shimfit.store.transfer.lines import events_of, lines_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from shimfit.store.events import Event
    from shimfit.store.journal import Journal


@dataclass(frozen=True, slots=True)
class Imported:
    """What an import did."""

    new: int
    """Events that were not here yet."""
    known: int
    """Events that were."""
    jobs: tuple[str, ...]
    """Jobs that the new events belong to."""
    conflicts: tuple[Conflict, ...]
    box_joined: bool
    """The box of the other file became part of this one's."""
    begun_twice: tuple[str, ...] = ()
    """Jobs that both files began by themselves, and that are one job from now on."""


def export_text(journal: Journal, job: str | None = None) -> str:
    """The whole log, or one job of it, as JSON lines; raises UsageError when there is no such job."""
    if job is not None:
        journal.job(job)
    return "".join(lines_of(journal.events(job)))


def write_export(journal: Journal, path: Path, job: str | None = None) -> None:
    """Write an export whole or not at all, on disk when this returns; raises FileError."""
    write_whole(path, export_text(journal, job).encode(), EVENTS, keep=[journal.path])


def import_text(journal: Journal, text: str, name: str, *, with_box: bool = False) -> Imported:
    """Merge the events of an export into this log.

    with_box: take the other file's box along. It comes along unasked when this file's box was never used.
    Raises FileError (line and reason; nothing was imported), or what Journal.append_all raises.
    """
    with journal.exclusively():
        given = _unique(events_of(text, name), name)
        new = [event for event in given.values() if not _is_known(journal, event, name)]
        if not new:
            return Imported(0, len(given), (), (), box_joined=False)
        conflicts = _conflicts(journal, new, given)
        begun_twice = _begun_twice(journal, new)
        other_logs = _boxes_to_join(journal, given.values(), with_box=with_box)
        journal.receive(new, _notes(new, conflicts, other_logs))
        jobs = tuple(dict.fromkeys(event.job for event in new if event.job))
        return Imported(len(new), len(given) - len(new), jobs, conflicts, bool(other_logs), begun_twice)


def _unique(events: Iterable[Event], name: str) -> dict[str, Event]:
    given: dict[str, Event] = {}
    for event in events:
        there = given.setdefault(event.id, event)
        if there.first_place.hash != event.first_place.hash:
            raise _two_contents(name, event)
    return given


def _is_known(journal: Journal, event: Event, name: str) -> bool:
    there = journal.event(event.id)
    if there is None:
        return False
    if there.first_place.hash != event.first_place.hash:
        raise _two_contents(name, event)
    return True


def _two_contents(name: str, event: Event) -> FileError:
    return FileError(
        f"{name}: event {event.id} says one thing there and another here; nothing was imported", path=name
    )


def _conflicts(journal: Journal, new: Sequence[Event], given: dict[str, Event]) -> tuple[Conflict, ...]:
    jobs = dict.fromkeys(event.job for event in new if event.job)
    unseen = (event for job in jobs for event in journal.events(job) if event.id not in given)
    return find_conflicts(unseen, new)


def _begun_twice(journal: Journal, new: Sequence[Event]) -> tuple[str, ...]:
    here = {job.name for job in journal.jobs()}
    return tuple(event.job for event in new if event.kind == "job-added" and event.job in here)


def _boxes_to_join(journal: Journal, given: Iterable[Event], *, with_box: bool) -> tuple[str, ...]:
    """Logs whose box is poured into this one: that of the file that was exported, if it has one."""
    exporters = tuple(
        dict.fromkeys(
            event.log
            for event in given
            if event.origin is None and event.kind in BOX_KINDS and event.log != journal.log
        )
    )
    own = [event for event in journal.events(kinds=BOX_KINDS) if event.log == journal.log]
    joining = (read_data(event)[0] for event in own if event.kind == "box-joined")
    joined = {data["log"] for data in joining if data}
    if own and not with_box:
        return ()
    return tuple(log for log in exporters if log not in joined)


def _notes(new: Sequence[Event], conflicts: Sequence[Conflict], other_logs: Sequence[str]) -> list[Draft]:
    """What this log says of the import itself; nothing where there is nothing to say, so that logs settle."""
    drafts = [Draft("box-joined", {"log": log}) for log in other_logs]
    for job in dict.fromkeys(conflict.job for conflict in conflicts):
        rows = [
            {"run": one.run, "post": one.post, "why": one.why, "packs": one.packs}
            for one in conflicts
            if one.job == job
        ]
        other = next(event.log for event in new if event.job == job)
        drafts.append(Draft("merged", {"log": other, "conflicts": rows}, job=job))
    return drafts
