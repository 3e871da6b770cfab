"""The chain of hashes: putting events at its end, and proof that they are as they were put there."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from shimfit.store import rows
from shimfit.store.events import GENESIS, Event, canonical, microseconds

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from shimfit.store.events import Draft


@dataclass(frozen=True, slots=True)
class End:
    """Where the next event is chained on."""

    seq: int
    hash: str
    stamp: int
    """Greatest so far."""

    def after(self, events: Sequence[Event]) -> End:
        """The end when these were put behind it."""
        if not events:
            return self
        return End(events[-1].seq, events[-1].hash, max(self.stamp, *(event.stamp for event in events)))


def chained(drafts: Sequence[Draft], time: str, log: str, new_id: Callable[[], str], end: End) -> list[Event]:
    """Events of drafts that are logged in one go, chained to the end of a log."""
    now = microseconds(time)
    seq, prev, stamp, step = end.seq, end.hash, end.stamp, ""
    events: list[Event] = []
    for draft in drafts:
        id_ = new_id()
        step = step or id_
        seq, stamp = seq + 1, max(now, stamp + 1)
        event = _sealed(
            Event(
                seq=seq,
                id=id_,
                step=step,
                log=log,
                time=time,
                stamp=stamp,
                by=draft.by,
                job=draft.job,
                run=draft.run,
                post=draft.post,
                kind=draft.kind,
                data_text=canonical(dict(draft.data)),
                prev=prev,
                hash="",
            )
        )
        prev = event.hash
        events.append(event)
    return events


def moved_here(foreign: Sequence[Event], end: End) -> list[Event]:
    """Events of another log, chained to the end of this one; their first place stays as their origin."""
    seq, prev = end.seq, end.hash
    moved: list[Event] = []
    for event in foreign:
        seq += 1
        here = _sealed(replace(event, seq=seq, prev=prev, hash="", origin=event.first_place))
        prev = here.hash
        moved.append(here)
    return moved


def _sealed(event: Event) -> Event:
    return replace(event, hash=event.computed_hash())


@dataclass(frozen=True, slots=True)
class BadEvent:
    """The first event that is not as it was logged."""

    seq: int
    id: str | None
    """None when even the id can't be read."""
    why: str
    """What does not fit, in words."""

    @property
    def sentence(self) -> str:
        """For the person."""
        return f"event {self.seq} is not as it was logged: {self.why}"


def first_bad(db: sqlite3.Connection) -> BadEvent | None:
    """First bad event of an open log; a page that can't be read counts as one."""
    checker = Checker()
    try:
        for event in rows.select(db, "ORDER BY seq"):
            why = checker.trouble(event)
            if why is not None:
                return BadEvent(checker.seq + 1, event.id, why)
        (said,) = db.execute("PRAGMA integrity_check(1)").fetchone()
    except sqlite3.DatabaseError as error:
        return BadEvent(checker.seq + 1, None, f"the file is damaged there ({error})")
    if said != "ok":
        # Every event is whole, but SQLite would find them by an index that is not.
        what = said.splitlines()[-1]
        return BadEvent(checker.seq + 1, None, f"the file is damaged behind the last event ({what})")
    return None


class Checker:
    """Follows a chain from its beginning."""

    def __init__(self) -> None:
        self.seq = 0
        self._hash = GENESIS

    def trouble(self, event: Event) -> str | None:
        """What is wrong with the next event; None takes it as the new end of the chain."""
        if event.seq != self.seq + 1:
            return f"event {self.seq + 1} is missing"
        if event.prev != self._hash:
            return "it does not follow from the event before it"
        why = altered(event)
        if why is None:
            self.seq, self._hash = event.seq, event.hash
        return why


def altered(event: Event) -> str | None:
    """What an event's own hashes say, without the chain: None when it is as written."""
    if event.computed_hash() != event.hash:
        return "its content was changed after it was logged"
    if event.origin is not None and event.computed_origin_hash() != event.origin.hash:
        return "its content is not what the log that it came from holds"
    return None
