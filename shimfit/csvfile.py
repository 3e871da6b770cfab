"""Files of text; tables in them as spreadsheets write and read them: lines in, lines out (RFC 4180).

Read: a byte order mark is passed over; commas part the columns or, as where the comma is the decimal sign,
semicolons. Written: a text that a spreadsheet would take for a formula gets an apostrophe before it, which
reading takes off again (CWE-1236, improper neutralization of formula elements in a CSV file).
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from shimfit.errors import FileError
from shimfit.values import dataclass

_FORMULA = re.compile(r"'*[=+\-@\t\r＝＋－＠]")
_NUMBER = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?")
MOST_LINES = 50_000
"""Read in a second or two; a table of more is no box and no run."""
LONGEST_NUMBER = 80
"""Signs of a cell that is read as one number."""
_DECIMAL_COMMA = re.compile(r"[+-]?[0-9]+,[0-9]+")


def file_bytes(name: str | Path, *, called: str = "") -> bytes:
    """What is in a file; FileError (missing, unreadable). called: how it is called, else by its name."""
    if not str(name) or "\0" in str(name):
        raise FileError(f"{str(name)!r} can't be the name of a file")
    try:
        return Path(name).read_bytes()
    except OSError as error:
        raise FileError(f"can't read {called or name}: {error.strerror}") from error


def file_text(name: str | Path, *, called: str = "", data: bytes | None = None) -> str:
    """Text of a UTF-8 file, without a byte order mark; FileError (missing, unreadable, not text).

    data: what was read of it, as from stdin.
    """
    called = called or str(name)
    data = file_bytes(name, called=called) if data is None else data
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = error.object.count(b"\n", 0, error.start) + 1
        raise FileError(f"{called}, line {line}: not a text file (UTF-8 expected)") from error


def lines(text: str, name: str, *, most: int = MOST_LINES) -> Iterator[tuple[int, list[str]]]:
    """(number of the line, its cells) of each line that is not empty; FileError where it is no CSV."""
    if (many := text.count("\n")) > most:
        raise FileError(
            f"{name} has {many:,} lines, and at most {most:,} are read: the wrong file, or take like "
            "pieces together in one line with their count; nothing was taken in"
        )
    text = text.removeprefix("\ufeff")
    header = text.lstrip().split("\n", 1)[0]
    separator = ";" if header.count(";") > header.count(",") else ","
    reader = csv.reader(io.StringIO(text, newline=""), strict=True, delimiter=separator)
    try:
        for cells in reader:
            if any(cell.strip() for cell in cells):
                yield reader.line_num, [_as_written(cell) for cell in cells]
    except csv.Error as slip:
        line = reader.line_num
        raise Row({}, name, line).refuse(None, f"not a CSV table ({slip})") from None


@dataclass(frozen=True, slots=True)
class Row:
    """One line of a table: cells by header. Lengths are given in `_mm`, or in `_in` instead."""

    cells: Mapping[str, Any]
    file: str = ""
    """Empty: it was typed, and is called by its columns alone."""
    line: int | None = None

    def refuse(self, column: str | None, reason: str) -> FileError:
        """The refusal that names file, line and column."""
        line = None if self.line is None else f"line {self.line}"
        where = ", ".join(part for part in (self.file, line, column and f"column {column}") if part)
        sentence = f"{where}: {reason}" + ("; nothing was taken in" if self.file else "")
        return FileError(sentence, column=column, reason=reason)


def rows(
    text: str,
    file: str,
    required: Iterable[str],
    known: Sequence[str],
    *,
    ragged: bool = False,
    also: Callable[[Collection[str]], str | None] = lambda _: None,
) -> Iterator[Row]:
    """Rows of a CSV with a header, empty cells left out; any `_mm` column may be `_in` instead.

    ragged: cells may be missing at a line's end, as spreadsheets drop them. also: what is missing beside
    `required`, given the columns that are there. FileError: an empty file, an unknown, doubled or missing
    column, a line too long or short.
    """
    header: list[str] = []
    for number, cells in lines(text, file):
        if not header:
            header = [name.strip().lower() for name in cells]
            _check_header(header, Row({}, file, number), required, known, also)
        elif len(cells) > len(header) or (len(cells) < len(header) and not ragged):
            raise Row({}, file, number).refuse(None, cells_fault(cells, len(header)))
        else:
            pairs = zip(header, cells, strict=False)
            yield Row({name: cell.strip() for name, cell in pairs if cell.strip()}, file, number)
    if not header:
        raise FileError(f"{file} is empty: it needs a header line first, {','.join(known[:4])},…")


def _check_header(
    header: Sequence[str],
    row: Row,
    required: Iterable[str],
    known: Sequence[str],
    also: Callable[[Collection[str]], str | None],
) -> None:
    for name in header:
        if in_mm(name) not in known:
            raise row.refuse(name or None, f"isn't a column of such a table; there are {', '.join(known)}")
        if header.count(name) > 1:
            raise row.refuse(name, "stands in the header twice")
    there = {in_mm(name) for name in header}
    missing = next((name for name in required if name not in there), None) or also(there)
    if missing:
        raise row.refuse(missing, "is missing from the header, and is needed")


def in_mm(header: str) -> str:
    """The column's name in mm."""
    return header.removesuffix("_in") + "_mm" if header.endswith("_in") else header


def number_fault(cell: str) -> str:
    """What is wrong with a cell that should hold a number."""
    if len(cell) > LONGEST_NUMBER:
        return f"{cell[:12]}… is too long for a number"
    if _DECIMAL_COMMA.fullmatch(cell.strip()):
        return f"{cell!r} has a decimal comma: write {cell.strip().replace(',', '.')}"
    if any(sign.isdecimal() and not sign.isascii() for sign in cell):
        return f"{cell!r} has digits that can't be read here: write 0 to 9"
    return f"{cell!r} isn't a number"


def cells_fault(cells: Sequence[str], columns: int) -> str:
    """What is wrong with a line that has more or fewer cells than the header."""
    more = "; a decimal comma, or one in a text without quotes?" if len(cells) > columns else ""
    return f"{len(cells)} cells where the header has {columns}{more}"


def text_of(rows: Iterable[Iterable[object]]) -> str:
    """Rows as text, lines ended by CR LF; None is an empty cell."""
    out = io.StringIO(newline="")
    table = csv.writer(out, lineterminator="\r\n")
    for row in rows:
        table.writerow([_defused(cell) if isinstance(cell, str) else cell for cell in row])
    return out.getvalue()


def _defused(cell: str) -> str:
    return f"'{cell}" if _FORMULA.match(cell) and not _NUMBER.fullmatch(cell) else cell


def _as_written(cell: str) -> str:
    return cell[1:] if cell.startswith("'") and _FORMULA.match(cell) else cell
