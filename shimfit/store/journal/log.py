"""The log of an open data file: which program may write to it, where it ends, and putting events there.

One thread at a time, and errors as SQLite raises them: the journal sees to threads and sentences.
"""

from __future__ import annotations

import contextlib
import sqlite3
from typing import TYPE_CHECKING

from shimfit.errors import FileError
from shimfit.store import rows
from shimfit.store.chain import End, chained, moved_here
from shimfit.store.db import open_file
from shimfit.store.journal.drafts import completed

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import datetime
    from pathlib import Path

    from shimfit.store.db import Opened
    from shimfit.store.events import Draft, Event


class Log:
    """The log of an open data file.

    clock: aware time of day. ids: a fresh id each call.
    """

    def __init__(self, opened: Opened, clock: Callable[[], datetime], ids: Callable[[], str]) -> None:
        self._opened = opened
        self._clock = clock
        self._ids = ids
        if not self.read_only:
            self._begin()
        self._look()

    @classmethod
    def open(
        cls, path: Path, *, read_only: bool, clock: Callable[[], datetime], ids: Callable[[], str]
    ) -> Log:
        """Open a data file's log, making the file when it is to be written and is not there."""
        opened = open_file(path, read_only=read_only, now=clock().isoformat())
        try:
            return cls(opened, clock, ids)
        except BaseException:
            opened.close()
            raise

    def close(self) -> None:
        """Close the file and let another program write."""
        self._opened.close()

    @property
    def db(self) -> sqlite3.Connection:
        """Where the rows are; another connection after `take_over`."""
        return self._opened.db

    @property
    def path(self) -> Path:
        """The data file."""
        return self._opened.path

    @property
    def read_only(self) -> bool:
        """True when nothing can be logged here."""
        return self._opened.lock is None

    @property
    def notice(self) -> str | None:
        """Why it is read only although writing was asked for; None otherwise."""
        return self._opened.notice

    @property
    def id(self) -> str:
        """The log's own id; empty as long as no program has written to the file."""
        return self._id

    def end(self) -> End:
        """Where the log ends, behind what another program has logged by now."""
        if self.read_only and rows.last_place(self.db)[0] != self._end.seq:
            self._look()
        return self._end

    def take_over(self) -> bool:
        """Try to become the writer of a log that was read only; True when this program writes now."""
        again = open_file(self.path, read_only=False, now=self._clock().isoformat())
        if again.lock is None:
            again.close()
            return False
        self._opened.close()
        self._opened = again
        self._begin()  # the other program may have died before it did
        self._look()
        return True

    def _begin(self) -> None:
        """Give a new file its log's id."""
        self.db.execute(
            "INSERT INTO log (id, begun) SELECT ?, ? WHERE NOT EXISTS (SELECT 1 FROM log)",
            (self._ids(), self._clock().isoformat()),
        )

    def _look(self) -> None:
        row = self.db.execute("SELECT id FROM log").fetchone()
        self._id: str = row[0] if row else ""
        self._end = End(*rows.last_place(self.db), rows.greatest_stamp(self.db))

    # ------------------------------------------------------------ log

    def append(self, drafts: Sequence[Draft]) -> tuple[Event, ...]:
        """Log several events in one go; raises FileError when it is read only, else as `completed`."""
        return self._write(self._chained(drafts, self._end))

    def receive(self, foreign: Sequence[Event], notes: Sequence[Draft]) -> tuple[Event, ...]:
        """Log events of another log, and what there is to say of them, in one go. Raises as append."""
        moved = moved_here(foreign, self._end)
        return self._write([*moved, *self._chained(notes, self._end.after(moved))])

    def _chained(self, drafts: Sequence[Draft], end: End) -> list[Event]:
        whole = [completed(draft, self.db) for draft in drafts]
        return chained(whole, self._clock().isoformat(timespec="milliseconds"), self.id, self._ids, end)

    def _write(self, events: Sequence[Event]) -> tuple[Event, ...]:
        """Put events that are chained to the end of this log onto disk."""
        if self.read_only:
            raise self._not_the_writer()
        if not events:
            return ()
        try:
            self.db.execute("BEGIN IMMEDIATE")
            rows.insert(self.db, events)
            self.db.execute("COMMIT")
            self._end = self._end.after(events)
        except BaseException:
            if self.db.in_transaction:
                self.db.execute("ROLLBACK")
            # An interruption can fall between the commit and what is remembered of it: look again.
            with contextlib.suppress(sqlite3.Error):
                self._look()
            raise
        return tuple(events)

    def _not_the_writer(self) -> FileError:
        look_only = f"nothing was logged: this file is open to look at only ({self.path})"
        return FileError(self.notice or look_only, path=str(self.path))
