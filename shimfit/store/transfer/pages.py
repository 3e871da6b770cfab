"""Rows of the event table straight from the bytes of a damaged file, page by page, without SQLite's help.

SQLite gives up on a file whose header, schema or inner pages are damaged, although most rows are whole. Every
row of an event lies in a leaf page of a table b-tree, which says by itself what it holds; so each page of the
file, and of the write-ahead log beside it, is looked at alone. What is found is a candidate only: the caller
believes it when its hash fits. Format: "Database File Format", sqlite.org, sections 1.6, 2.1, 4 (from memory,
checked by reading back files that SQLite wrote).
"""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

_LEAF = 0x0D
_INDEX_LEAF = 0x0A
_FILE_HEADER = 100
_WAL_HEADER = 32
_FRAME_HEADER = 24
_SIZES = tuple(1 << power for power in range(9, 17))
_INTEGER_BYTES = {1: 1, 2: 2, 3: 3, 4: 4, 5: 6, 6: 8}

Value = int | str | bytes | None
Row = tuple[int, tuple[Value, ...]]
"""(row number, columns)."""


def rows_in(database: bytes, wal: bytes = b"") -> Iterator[Row]:
    """Every row that a leaf page holds, from the file and from its write-ahead log; order means nothing."""
    for page, start, pages in _all_pages(database, wal):
        if _kind(page, start) == _LEAF:
            for offset in _cells(page, start):
                with contextlib.suppress(IndexError, ValueError):  # damaged; the cells beside it need not be
                    yield _row_of_cell(page, offset, pages)


def index_entries_in(database: bytes, wal: bytes = b"") -> Iterator[tuple[Value, ...]]:
    """Every entry that a leaf page of an index holds: the indexed columns, then the number of the row."""
    for page, start, pages in _all_pages(database, wal):
        if _kind(page, start) == _INDEX_LEAF:
            for offset in _cells(page, start):
                with contextlib.suppress(IndexError, ValueError):
                    length, at = _varint(page, offset)
                    yield _columns(_payload(page, at, length, pages, (len(page) - 12) * 64 // 255 - 23))


def is_cut_off(database: bytes) -> bool:
    """True when a readable header says that the file has more pages than there are."""
    pages = int.from_bytes(database[28:32], "big")
    return database.startswith(b"SQLite") and len(database) < pages * _page_size(database, b"")


_Page = tuple[bytes, int, list[bytes]]
"""(the page, where its header begins, all pages by number for the sake of overflow)."""


def _all_pages(database: bytes, wal: bytes) -> Iterator[_Page]:
    size = _page_size(database, wal)
    pages = [database[start : start + size] for start in range(0, len(database), size)]
    for index, page in enumerate(pages):
        yield page, _FILE_HEADER if index == 0 else 0, pages
    yield from _pages_of_wal(wal, size, pages)


def _page_size(database: bytes, wal: bytes) -> int:
    """Page size as the header says, else as the log's header says, else SQLite's usual one."""
    said = int.from_bytes(database[16:18], "big")
    said = 65536 if said == 1 else said
    if said in _SIZES:
        return said
    said = int.from_bytes(wal[8:12], "big")
    return said if said in _SIZES else 4096


def _pages_of_wal(wal: bytes, size: int, pages: list[bytes]) -> Iterator[_Page]:
    """Pages in the log. Their overflow pages may lie in the log too: the latest one counts."""
    latest = list(pages)
    frames = []
    for start in range(_WAL_HEADER, len(wal), _FRAME_HEADER + size):
        number = int.from_bytes(wal[start : start + 4], "big")
        page = wal[start + _FRAME_HEADER : start + _FRAME_HEADER + size]
        if 0 < number < len(pages) + len(wal) // size + 2:
            latest.extend(b"" for _ in range(number - len(latest)))
            latest[number - 1] = page
            frames.append((number, page))
    for number, page in frames:
        yield page, _FILE_HEADER if number == 1 else 0, latest


def _kind(page: bytes, start: int) -> int:
    return page[start] if len(page) > start + 8 else 0


def _cells(page: bytes, start: int) -> Iterator[int]:
    """Where the cells of a leaf page begin."""
    count = int.from_bytes(page[start + 3 : start + 5], "big")
    for cell in range(min(count, len(page) // 4)):
        at = start + 8 + 2 * cell
        yield int.from_bytes(page[at : at + 2], "big")


def _row_of_cell(page: bytes, offset: int, pages: list[bytes]) -> Row:
    length, at = _varint(page, offset)
    number, at = _varint(page, at)
    return number, _columns(_payload(page, at, length, pages, len(page) - 35))


def _payload(page: bytes, at: int, length: int, pages: list[bytes], most: int) -> bytes:
    """Record of a cell, gathered from its overflow pages when it does not fit in the page (`most` bytes)."""
    usable = len(page)
    if length <= most:
        return page[at : at + length]
    least = (usable - 12) * 32 // 255 - 23
    local = least + (length - least) % (usable - 4)
    local = local if local <= most else least
    payload = page[at : at + local]
    following = int.from_bytes(page[at + local : at + local + 4], "big")
    for _ in range(len(pages)):
        if len(payload) >= length or following == 0:
            break
        overflow = pages[following - 1]
        payload += overflow[4 : 4 + length - len(payload)]
        following = int.from_bytes(overflow[:4], "big")
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
        value, at = _value(record, at, type_)
        values.append(value)
    return tuple(values)


def _value(record: bytes, at: int, type_: int) -> tuple[Value, int]:
    if type_ == 0:
        return None, at
    if type_ in (8, 9):
        return type_ - 8, at
    if type_ in _INTEGER_BYTES:
        end = at + _INTEGER_BYTES[type_]
        return int.from_bytes(record[at:end], "big", signed=True), end
    if type_ < 12:
        raise ValueError("no event holds a column of this type")
    end = at + (type_ - 12) // 2
    if end > len(record):
        raise ValueError("a column that ends behind its record")
    raw = record[at:end]
    return (raw.decode("utf-8", "surrogateescape") if type_ % 2 else raw), end


def _varint(data: bytes, at: int) -> tuple[int, int]:
    """Big-endian number of 1 to 9 bytes, 7 bits each, and where it ends."""
    value = 0
    for index in range(8):
        byte = data[at + index]
        value = value << 7 | byte & 0x7F
        if byte < 0x80:
            return value, at + index + 1
    return value << 8 | data[at + 8], at + 9
