"""Proof that the log is as it was written: every hash worked out again, from the first event to the last."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from typing import TYPE_CHECKING

from shimfit.store import rows
from shimfit.store.events import GENESIS

if TYPE_CHECKING:
    from shimfit.store.events import Event


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
