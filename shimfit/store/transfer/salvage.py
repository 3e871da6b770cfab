"""What a damaged data file still holds, saved into a new one; the damaged one is only read.

Each event proves itself by its hash, so what is saved is exactly what was logged. What can be made out but
does not fit its hash is kept as `doubtful` with its text, counts for nothing, and asks for the post to be
read again. A `salvaged` event in the new log says how many of each there were.
"""

from __future__ import annotations

import os
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from shimfit.errors import FileError, UsageError
from shimfit.outputs import BESIDE
from shimfit.store import rows
from shimfit.store.chain import altered
from shimfit.store.events import Draft, microseconds
from shimfit.store.journal import Journal, wall_clock
from shimfit.store.shapes import wrong_with
from shimfit.store.transfer.pages import index_entries_in, is_cut_off, rows_in
from shimfit.store.trouble import saying_what

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from datetime import datetime

    from shimfit.store.events import Event

_COLUMNS = len(rows.COLUMNS.split(","))
_HASH_LENGTH = 64


@dataclass(frozen=True, slots=True)
class Salvaged:
    """What came out of a damaged file."""

    saved: int
    """Events whose hash fits: exactly as logged."""
    doubtful: tuple[str, ...]
    """A sentence on each event that can be made out but is not as it was logged."""
    missing: tuple[int, ...]
    """Positions in the old log of which nothing is left, up to the last that anything tells of."""
    cut_off: bool = False
    """The file is shorter than its header says: later events may be lost that nothing tells of."""

    @property
    def complete(self) -> bool:
        """True when every event that anything tells of is saved."""
        return not (self.doubtful or self.missing or self.cut_off)


def salvage(damaged: Path, new: Path, *, clock: Callable[[], datetime] = wall_clock) -> Salvaged:
    """Save what a damaged data file holds into a new file.

    Raises UsageError when `new` exists, FileError when the old one can't be read or holds no event at all, or
    the new one can't be written (then there is no new file).
    """
    made = (new, *(new.with_name(new.name + end) for end in BESIDE))
    there = [file for file in made if os.path.lexists(file)]
    if there:
        raise UsageError(f"{there[0]} exists: name a file that does not, so that nothing is overwritten")
    with saying_what(damaged):
        database = damaged.read_bytes()
        wal_file = damaged.with_name(damaged.name + "-wal")
        wal = wal_file.read_bytes() if wal_file.exists() else b""
    intact, broken = _sorted_out(database, wal)
    if not intact and not broken:
        raise FileError(f"{damaged}: no event can be made out in it; is it a shimfit data file?")
    missing = _missing(intact, broken, _places(database, wal))
    told = tuple(_told(event) for event in broken)
    try:
        with Journal.open(new, clock=clock) as journal:
            journal.receive(intact, _notes(damaged, intact, broken, len(missing)))
    except BaseException:
        for leftover in made:
            leftover.unlink(missing_ok=True)
        raise
    return Salvaged(len(intact), told, missing, is_cut_off(database))


def _sorted_out(database: bytes, wal: bytes) -> tuple[list[Event], list[Event]]:
    """(events that are as logged, events that are not), each once, by their place in the old log."""
    intact: dict[str, Event] = {}
    broken: dict[int, Event] = {}
    for number, columns in rows_in(database, wal):
        event = _event(number, columns)
        if event is None:
            continue
        if altered(event) is None and _can_be_kept(event):
            intact[event.id] = event
        else:
            broken[event.seq] = event
    there = {event.seq for event in intact.values()}
    left = [event for seq, event in broken.items() if seq not in there]
    return sorted(intact.values(), key=_seq), sorted(left, key=_seq)


def _seq(event: Event) -> int:
    return event.seq


def _event(number: int, columns: tuple[Any, ...]) -> Event | None:
    """Event of a row, or None when the row is of another table or beyond recognition."""
    if len(columns) != _COLUMNS or number <= 0:
        return None
    row = (number, *columns[1:])  # the key column is stored as the row's number
    texts = (*row[1:5], row[10], row[11], row[12], row[13])
    if not all(isinstance(value, str) for value in texts) or not isinstance(row[5], int):
        return None
    if not all(value is None or isinstance(value, str) for value in row[6:10]):
        return None
    if len(row[13]) != _HASH_LENGTH:
        return None
    came = row[14:]
    if came[2] is not None and not (isinstance(came[0], int) and all(isinstance(v, str) for v in came[1:])):
        return None
    return rows.event_of(row)


def _can_be_kept(event: Event) -> bool:
    """Whether an event whose hash fits is one that a log of ours may hold (a made-up row could fit too)."""
    try:
        return event.stamp >= microseconds(event.time) and (
            wrong_with(event.kind, event.data, event.job, event.run, event.post) is None
        )
    except (ValueError, OverflowError, RecursionError):
        return False


def _places(database: bytes, wal: bytes) -> set[int]:
    """Places in the log that the index by job and stamp tells of, also of rows that are gone."""
    entries = (entry for entry in index_entries_in(database, wal) if len(entry) == 3)
    return {
        seq
        for _, stamp, seq in entries
        if isinstance(stamp, int) and isinstance(seq, int) and 0 < seq < stamp
    }


def _missing(intact: Iterable[Event], broken: Iterable[Event], told_of: set[int]) -> tuple[int, ...]:
    found = {event.seq for event in (*intact, *broken)}
    # A damaged number can be anything: a place far behind all others says nothing of those between.
    last = max((event.seq for event in intact), default=0)
    last = max(last, *(seq for seq in told_of if seq <= last + len(told_of)), 0)
    return tuple(seq for seq in range(1, last + 1) if seq not in found)


def _told(event: Event) -> str:
    place = "/".join(_readable(name) for name in (event.job, event.run, event.post) if name)
    return (
        f"event {event.seq}, {_readable(event.kind)} {place} ({_readable(event.time)}): not as it was logged"
    )


def _notes(damaged: Path, intact: list[Event], broken: list[Event], missing: int) -> list[Draft]:
    drafts = [_doubtful(event) for event in broken]
    own_logs = Counter(event.log for event in intact if event.origin is None)
    drafts += [Draft("box-joined", {"log": log}) for log, _ in own_logs.most_common(1)]
    summary = {
        "source": _readable(damaged.name),
        "saved": len(intact),
        "doubtful": len(broken),
        "missing": missing,
    }
    return [*drafts, Draft("salvaged", summary)]


def _doubtful(event: Event) -> Draft:
    data = {
        "kind": _readable(event.kind),
        "why": _told(event),
        "data": _readable(event.data_text),
        "time": _readable(event.time),
        "seq": event.seq,
    }
    names = [
        None if name is None else _readable(name) for name in (event.job, event.run, event.post, event.by)
    ]
    return Draft("doubtful", data, names[0], names[1], names[2], names[3])


def _readable(text: str) -> str:
    """Text with what is no text replaced, so that it can be kept and shown."""
    return text.encode("utf-8", "replace").decode()
