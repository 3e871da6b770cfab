"""What a damaged data file still holds, saved into a new one; the damaged one is only read.

Each event proves itself by its hash, so what is saved is exactly what was logged. What can be made out but
does not fit its hash is kept as `doubtful` with its text, counts for nothing, and asks for the post to be
read again. A `salvaged` event in the new log says how many of each there were.

SQLite gives up on a file whose header, schema or inner pages are damaged, although most rows are whole. Every
row of an event lies in a leaf page of a table b-tree, which says by itself what it holds; so each page of the
file, and of the write-ahead log beside it, is looked at alone. What is found is a candidate only: it is
believed when its hash fits. (Measured with 4,000 events: given a good first page, SQLite's own look-ups save
as much of a file that was cut, overwritten or lost its header; none where the table's inner pages are gone,
and this way all.) Format: "Database File Format", sqlite.org, sections 1.6, 2.1, 4 (from memory,
checked by reading back files that SQLite wrote).
"""

from __future__ import annotations

import contextlib
import os
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from operator import attrgetter
from pathlib import Path
from typing import Any

from shimfit.errors import FileError
from shimfit.outputs import BESIDE
from shimfit.store import log
from shimfit.store.db import file_errors
from shimfit.store.events import Draft, Event, altered, microseconds, wrong_with
from shimfit.store.journal import Journal
from shimfit.store.merge import what_was_seen

_OR_NULL = (str, type(None))
_TYPES: tuple[Any, ...] = (
    *(int, str, str, str, str, int),
    *(_OR_NULL,) * 4,
    *(str, str, str, str),
    *((int, type(None)), _OR_NULL, _OR_NULL),
)
"""What each of `log.COLUMNS` holds."""
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


def salvage(damaged: Path, new: Path) -> Salvaged:
    """Save what a damaged data file holds into a new file.

    Raises FileError when `new` exists, the old one can't be read or holds no event at all, or the new one
    can't be written (then there is no new file).
    """
    made = (new, *(new.with_name(new.name + end) for end in BESIDE))
    there = [file for file in made if os.path.lexists(file)]
    if there:
        raise FileError(f"{there[0]} exists: name a file that does not, so that nothing is overwritten")
    with file_errors(damaged):
        database = damaged.read_bytes()
        wal_file = damaged.with_name(damaged.name + "-wal")
        wal = wal_file.read_bytes() if wal_file.exists() else b""
    intact, broken = _sorted_out(database, wal)
    if not intact and not broken:
        raise FileError(f"{damaged}: no event can be made out in it; is it a shimfit data file?")
    found = {event.seq for event in (*intact, *broken)}
    # The index by job and stamp tells of places, also of rows that are gone. A damaged number can be
    # anything: a place far behind all others says nothing of those between.
    entries = (entry[1:] for _, entry in rows_in(database, wal, _INDEX_LEAF) if len(entry) == 3)
    numbers = ((at, seq) for at, seq in entries if isinstance(at, int) and isinstance(seq, int))
    places = {seq for stamp, seq in numbers if 0 < seq < stamp}
    last = max((event.seq for event in intact), default=0)
    last = max(last, *(seq for seq in places if seq <= last + len(places)), 0)
    missing = tuple(seq for seq in range(1, last + 1) if seq not in found)
    summary = {
        "source": _readable(damaged.name),
        "saved": len(intact),
        "doubtful": len(broken),
        "missing": len(missing),
    }
    own_logs = Counter(event.log for event in intact if event.origin is None)
    notes = [_doubtful(event) for event in broken]
    notes += [Draft("box-joined", {"log": log}) for log, _ in own_logs.most_common(1)]
    try:
        with Journal.open(new) as journal:
            seen = what_was_seen((), intact, journal.log)
            journal.receive(intact, [*seen, *notes, Draft("salvaged", summary)])
    except BaseException:
        for leftover in made:
            leftover.unlink(missing_ok=True)
        raise
    return Salvaged(len(intact), tuple(map(_named, broken)), missing, is_cut_off(database))


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
    by_place = attrgetter("seq")
    return sorted(intact.values(), key=by_place), sorted(left, key=by_place)


def _event(number: int, columns: tuple[Any, ...]) -> Event | None:
    """Event of a row, or None when the row is of another table or beyond recognition."""
    if len(columns) != len(_TYPES) or number <= 0:
        return None
    row = (number, *columns[1:])  # the key column is stored as the row's number
    fits = all(isinstance(value, type_) for value, type_ in zip(row, _TYPES, strict=True))
    came = row[14:]
    whole_origin = came[2] is None or None not in came
    return log.event_of(row) if fits and whole_origin and len(row[13]) == _HASH_LENGTH else None


def _can_be_kept(event: Event) -> bool:
    """Whether an event whose hash fits is one that a log of ours may hold (a made-up row could fit too)."""
    try:
        return event.stamp >= microseconds(event.time) and (
            wrong_with(event.kind, event.data, event.job, event.run, event.post) is None
        )
    except (ValueError, OverflowError, RecursionError):
        return False


def _named(event: Event) -> str:
    place = "/".join(_readable(name) for name in (event.job, event.run, event.post) if name)
    return (
        f"event {event.seq}, {_readable(event.kind)} {place} ({_readable(event.time)}): not as it was logged"
    )


def _doubtful(event: Event) -> Draft:
    data = {
        "kind": _readable(event.kind),
        "why": _named(event),
        "data": _readable(event.data_text),
        "time": _readable(event.time),
        "seq": event.seq,
    }
    names = (event.job, event.run, event.post, event.by)
    return Draft("doubtful", data, *(None if name is None else _readable(name) for name in names))


def _readable(text: str) -> str:
    """Text with what is no text replaced, so that it can be kept and shown."""
    return text.encode("utf-8", "replace").decode()


# ------------------------------------------------------------ pages

_TABLE_LEAF = 0x0D
_INDEX_LEAF = 0x0A
_FILE_HEADER = 100
_WAL_HEADER = 32
_FRAME_HEADER = 24
_SIZES = tuple(1 << power for power in range(9, 17))
_INTEGER_BYTES = {1: 1, 2: 2, 3: 3, 4: 4, 5: 6, 6: 8}

Value = int | str | bytes | None
Row = tuple[int, tuple[Value, ...]]
"""(row number, columns)."""


def rows_in(database: bytes, wal: bytes = b"", kind: int = _TABLE_LEAF) -> Iterator[Row]:
    """Every row that a leaf page holds, from the file and from its write-ahead log; order means nothing.

    Of an index (kind _INDEX_LEAF) every entry, as number 0: the indexed columns, then the number of the row.
    """
    for page, start, pages in _all_pages(database, wal):
        if len(page) <= start + 8 or page[start] != kind:
            continue
        most = len(page) - 35 if kind == _TABLE_LEAF else (len(page) - 12) * 64 // 255 - 23
        for cell in range(min(_number(page, start + 3, 2), len(page) // 4)):
            number, at = 0, _number(page, start + 8 + 2 * cell, 2)
            with contextlib.suppress(IndexError, ValueError):  # damaged; the cells beside it need not be
                length, at = _varint(page, at)
                if kind == _TABLE_LEAF:
                    number, at = _varint(page, at)
                yield number, _columns(_payload(page, at, length, pages, most))


def is_cut_off(database: bytes) -> bool:
    """True when a readable header says that the file has more pages than there are."""
    size = _number(database, 28, 4) * _page_size(database, b"")
    return database.startswith(b"SQLite") and len(database) < size


def _all_pages(database: bytes, wal: bytes) -> Iterator[tuple[bytes, int, list[bytes]]]:
    """(page, where its header begins, all pages by number), of the file, then of the log.

    Overflow pages of those in the log may lie there too: the latest one counts.
    """
    size = _page_size(database, wal)
    pages = [database[start : start + size] for start in range(0, len(database), size)]
    for index, page in enumerate(pages):
        yield page, _FILE_HEADER if index == 0 else 0, pages
    latest, frames = list(pages), []
    for start in range(_WAL_HEADER, len(wal), _FRAME_HEADER + size):
        number, body = _number(wal, start, 4), start + _FRAME_HEADER
        if 0 < number < len(pages) + len(wal) // size + 2:
            latest.extend(b"" for _ in range(number - len(latest)))
            latest[number - 1] = wal[body : body + size]
            frames.append((number, latest[number - 1]))
    for number, page in frames:
        yield page, _FILE_HEADER if number == 1 else 0, latest


def _page_size(database: bytes, wal: bytes) -> int:
    """Page size as the header says, else as the log's header says, else SQLite's usual one."""
    said = _number(database, 16, 2)
    sizes = (65536 if said == 1 else said, _number(wal, 8, 4), 4096)
    return next(size for size in sizes if size in _SIZES)


def _number(data: bytes, at: int, length: int) -> int:
    return int.from_bytes(data[at : at + length], "big")


def _payload(page: bytes, at: int, length: int, pages: list[bytes], most: int) -> bytes:
    """Record of a cell, gathered from its overflow pages when it does not fit in the page (`most` bytes)."""
    usable = len(page)
    if length <= most:
        return page[at : at + length]
    least = (usable - 12) * 32 // 255 - 23
    local = least + (length - least) % (usable - 4)
    local = local if local <= most else least
    payload = page[at : at + local]
    following = _number(page, at + local, 4)
    for _ in range(len(pages)):
        if len(payload) >= length or following == 0:
            break
        overflow = pages[following - 1]
        payload += overflow[4 : 4 + length - len(payload)]
        following = _number(overflow, 0, 4)
    return payload


def _columns(record: bytes) -> tuple[Value, ...]:
    header_length, at = _varint(record, 0)
    if header_length > len(record):
        raise ValueError("a record shorter than its header")
    types = []
    while at < header_length:
        type_, at = _varint(record, at)
        types.append(type_)
    values: list[Value] = []
    at = header_length
    for type_ in types:
        if type_ in (0, 8, 9):
            values.append(None if type_ == 0 else type_ - 8)
            continue
        if type_ not in _INTEGER_BYTES and type_ < 12:
            raise ValueError("no event holds a column of this type")
        start, at = at, at + (_INTEGER_BYTES[type_] if type_ < 12 else (type_ - 12) // 2)
        raw = record[start:at]
        if type_ < 12:
            values.append(int.from_bytes(raw, "big", signed=True))
        elif at > len(record):
            raise ValueError("a column that ends behind its record")
        else:
            values.append(raw.decode("utf-8", "surrogateescape") if type_ % 2 else raw)
    return tuple(values)


def _varint(data: bytes, at: int) -> tuple[int, int]:
    """Big-endian number of 1 to 9 bytes, 7 bits each, and where it ends."""
    value = 0
    for index in range(8):
        byte = data[at + index]
        value = value << 7 | byte & 0x7F
        if byte < 0x80:
            return value, at + index + 1
    return value << 8 | data[at + 8], at + 9
