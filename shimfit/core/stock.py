"""The box as a table: lots from CSV rows and back. A file is taken whole or not at all.

The columns are the contract of the stock file: `lot, form, material, count, length_mm, width_mm,
thickness_mm, thin_mm, thick_mm, origin, note`; any `_mm` header may be `_in` instead, and its cells may
then hold fractions (`3/8`, `1 1/4`, `1-1/4`). A header with no rows is an empty box, which is a fine
thing to start from; a count of 0 is a lot that is used up but kept in the list.
"""

from __future__ import annotations

import math
import re
from fractions import Fraction
from typing import TYPE_CHECKING, Any, get_args

from shimfit import csvfile
from shimfit.csvfile import Row, in_mm
from shimfit.model import FORMS, Form, Lot, Origin

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping, Sequence

THICKEST_MM = 50.0
"""No flat or taper is thicker but by a slip of the unit (common practice, no source)."""

MM_PER_INCH = Fraction(254, 10)
"""Exact by definition (NIST SP 811, Appendix B.8)."""
MOST_PIECES = 10**6
"""Largest count of a lot; more is taken for a slip of the finger."""
SMALLEST_MM = Fraction(1, 10**9)
LARGEST_MM = Fraction(10**6)
"""Between these a cell is a length of timber; beyond them it is a slip of the finger."""

COLUMNS = (
    *("lot", "form", "material", "count"),
    *("length_mm", "width_mm", "thickness_mm", "thin_mm", "thick_mm"),
    *("origin", "note"),
)
_LENGTHS = tuple(name for name in COLUMNS if name.endswith("_mm"))
_NUMBER = r"(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)"
_DECIMAL = re.compile(rf"[+-]?{_NUMBER}(?:[eE][+-]?[0-9]{{1,3}})?")
_FRACTION = re.compile(r"([+-]?)(?:([0-9]+)(?:\s+|\s*-\s*))?([0-9]+)\s*/\s*([0-9]+)")
_DIGITS = re.compile(r"(\d+)")


def natural_key(lot: str) -> tuple[tuple[int, int, str], ...]:
    """Sort key that puts F2 before F10: runs of digits compare as numbers of any length, the rest as text."""
    return tuple(
        (0, len(part.lstrip("0")), part.lstrip("0")) if part.isdigit() and part.isascii() else (1, 0, part)
        for part in _DIGITS.split(lot)
        if part
    )


# ---------------------------------------------------------------- rows


def lot_from_row(cells: Mapping[str, object]) -> Lot:
    """One lot: keys are the CSV's headers, values text or numbers; empty and None mean not given.

    FileError with column and reason when it can't be believed.
    """
    return _lot(_nameable(Row(cells)))


def lot_to_row(lot: Lot) -> dict[str, object]:
    """A lot as a row in millimetres, in the file's own order; dimensions that are not given are None."""
    return {column: getattr(lot, column) for column in COLUMNS}


def _nameable(row: Row) -> Row:
    """The row, if `pack SEAT=LOT@MARK+LOT` can name its lot, else FileError; older logs are not asked."""
    name = _text(row, "lot")
    if found := [sign for sign in "+@" if sign in name]:
        raise row.refuse("lot", f"is {name!r}; in `pack` a {found[0]} ends a lot's name: call it otherwise")
    return row


def _lot(row: Row) -> Lot:
    lot, material, note = (_text(row, column) for column in ("lot", "material", "note"))
    if not lot:
        raise row.refuse("lot", "is empty; every lot needs a name")
    form: Form = _word(row, "form", get_args(Form))
    origin: Origin = _word(row, "origin", get_args(Origin), "offcut")
    sizes = {column: _length(row, column) for column in _LENGTHS}
    for column, value in sizes.items():
        if value is None and column in FORMS[form].needs:
            raise row.refuse(_header(row, column), f"is missing; a {form} needs it")
    for column, value in sizes.items():
        if value is not None and column not in FORMS[form].needs + FORMS[form].may_have:
            raise row.refuse(_header(row, column), f"is filled in, but a {form} has no such dimension")
    thin, thick = sizes["thin_mm"], sizes["thick_mm"]
    if thin is not None and thick is not None and thin >= thick:
        how = "the same as the thin edge: it is a flat; give it as form flat"
        if thin > thick:
            how = "thinner than the thin edge; the two are the wrong way round"
        raise row.refuse(_header(row, "thick_mm"), f"is {how}")
    return Lot(lot, form, _count(row), material, origin=origin, note=note, **sizes)


def _word(row: Row, column: str, words: Sequence[str], usual: str = "") -> Any:
    text = _text(row, column).lower() or usual
    if text not in words:
        raise row.refuse(column, f"is {text!r}; it must be {', '.join(words[:-1])} or {words[-1]}")
    return text


def _count(row: Row) -> int:
    raw = row.cells.get("count")
    if _is_empty(raw):
        raise row.refuse("count", "is empty; say how many pieces there are (0 when used up)")
    value = _number(row, "count")
    if value.denominator != 1:
        raise row.refuse("count", f"is {_shown(raw)}; pieces are counted whole")
    if value < 0:
        raise row.refuse("count", f"is {_shown(raw)}; there can't be fewer than 0 pieces")
    if value > MOST_PIECES:
        raise row.refuse("count", f"is {_shown(raw)}; more than {MOST_PIECES} pieces is a slip of the finger")
    return int(value)


def _length(row: Row, column: str) -> float | None:
    """A dimension in mm from its _mm or _in cell; None when neither is filled in."""
    inch = column.removesuffix("_mm") + "_in"
    filled = [header for header in (column, inch) if not _is_empty(row.cells.get(header))]
    if not filled:
        return None
    if len(filled) == 2:
        raise row.refuse(inch, f"and {column} are both filled in; give one of them")
    header = filled[0]
    value = _number(row, header)
    if value <= 0:
        raise row.refuse(header, f"is {_shown(row.cells[header])}; it must be more than 0")
    exact_mm = value * MM_PER_INCH if header == inch else value
    if not SMALLEST_MM <= exact_mm < LARGEST_MM:  # asked of the fraction: 1e400 has no float
        raise row.refuse(header, f"is {_shown(row.cells[header])}; no piece in a box is that size")
    return float(exact_mm)


def _number(row: Row, column: str) -> Fraction:
    """Exact value of a cell: a decimal number, or a fraction in a column of inches."""
    raw = row.cells[column]
    if isinstance(raw, bool) or not isinstance(raw, str | int | float):
        raise row.refuse(column, f"is {_shown(raw)}, which isn't a number")
    if not isinstance(raw, str):
        if not math.isfinite(raw):
            raise row.refuse(column, f"is {raw}, which isn't a number")
        return Fraction(str(raw))
    text = raw.strip()
    if len(text) > csvfile.LONGEST_NUMBER:
        raise row.refuse(column, csvfile.number_fault(text))
    if _DECIMAL.fullmatch(text):
        return Fraction(text)
    parts = _FRACTION.fullmatch(text)
    if parts is None:
        raise row.refuse(column, csvfile.number_fault(text))
    if not column.endswith("_in"):
        raise row.refuse(column, f"is {text!r}; fractions are for _in columns, mm are decimal")
    sign, whole, above, below = parts.groups()
    if int(below) == 0:
        raise row.refuse(column, f"is {text!r}, a fraction over 0")
    value = int(whole or 0) + Fraction(int(above), int(below))
    return -value if sign == "-" else value


def _text(row: Row, column: str) -> str:
    value = row.cells.get(column)
    return "" if value is None else str(value).strip()


def _is_empty(value: object) -> bool:
    return value is None or (isinstance(value, str) and not value.strip())


def _shown(value: object) -> str:
    return value.strip() if isinstance(value, str) else repr(value)


def _header(row: Row, column: str) -> str:
    """The header that the file itself uses for a dimension: its _in form where that one is there."""
    inch = column.removesuffix("_mm") + "_in"
    return inch if inch in row.cells and column not in row.cells else column


# ---------------------------------------------------------------- the whole table


def lots_from_rows(table: Iterable[Mapping[str, object]], name: str = "the stock") -> tuple[Lot, ...]:
    """Lots from rows as they stand in a problem's `stock`; FileError as for `lots_from_csv`.

    The line in the error is the row's number, counted from 1.
    """
    found = [Row(cells, name, number) for number, cells in enumerate(table, start=1)]
    for row in found:
        for header in row.cells:
            if in_mm(header) not in COLUMNS:
                raise row.refuse(header, "isn't a column of a stock file")
    return _unique(found)


def lots_from_csv(text: str, name: str) -> tuple[Lot, ...]:
    """Lots of a stock file, in the file's order; `name` is the file's name, for the error.

    FileError naming line, column and reason for the first thing that can't be believed: nothing of the
    file is taken then. An empty file is refused (the header is required); a header alone is an empty box.
    """
    table = csvfile.rows(text, name, ("lot", "form", "count"), COLUMNS, ragged=True, also=_no_thickness)
    return _unique(map(_nameable, table))


def _no_thickness(there: Collection[str]) -> str | None:
    """A table without a single way to tell a thickness can't be stock."""
    if not {"thickness_mm", "thin_mm", "thick_mm"} & set(there):
        return "thickness_mm"
    edges = [name for name in ("thin_mm", "thick_mm") if name not in there]
    return edges[0] if len(edges) == 1 else None


def lots_to_csv(lots: Sequence[Lot]) -> str:
    """The box as a stock file in millimetres; reading it back gives the same lots."""
    return csvfile.text_of([COLUMNS, *(lot_to_row(lot).values() for lot in lots)])


def _unique(table: Iterable[Row]) -> tuple[Lot, ...]:
    lots: dict[str, Lot] = {}
    lines: dict[str, int | None] = {}
    for row in table:
        lot = _lot(row)
        if lot.lot in lots:
            raise row.refuse("lot", f"is {lot.lot!r} again, as on line {lines[lot.lot]}; a lot has one row")
        lots[lot.lot], lines[lot.lot] = lot, row.line
    return tuple(lots.values())
