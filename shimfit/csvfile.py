"""Tables as text, as spreadsheets write and read them: lines in, lines out (RFC 4180).

Read: a byte order mark is passed over; commas part the columns or, as where the comma is the decimal sign,
semicolons. Written: a text that a spreadsheet would take for a formula gets an apostrophe before it, which
reading takes off again (CWE-1236, improper neutralization of formula elements in a CSV file).
"""

from __future__ import annotations

import csv
import io
import re
from typing import TYPE_CHECKING

from shimfit.errors import FileError

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

_FORMULA = re.compile(r"'*[=+\-@\t\r＝＋－＠]")
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
MOST_LINES = 50_000
"""Read in a second or two; a table of more is no box and no run."""
_DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d+")


def lines(text: str, name: str, *, outcome: str = "nothing was taken in") -> Iterator[tuple[int, list[str]]]:
    """(number of the line, its cells) of each line that is not empty; FileError where it is no CSV."""
    if (many := text.count("\n")) > MOST_LINES:
        raise FileError(
            f"{name} has {many:,} lines, and at most {MOST_LINES:,} are read: the wrong file, or take like "
            f"pieces together in one line with their count; {outcome}",
            path=name,
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
        raise FileError(
            f"{name}, line {line}: not a CSV table ({slip}); {outcome}", path=name, line=line
        ) from None


def number_fault(cell: str) -> str:
    """What is wrong with a cell that should hold a number."""
    if _DECIMAL_COMMA.fullmatch(cell.strip()):
        return f"{cell!r} has a decimal comma: write {cell.strip().replace(',', '.')}"
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
