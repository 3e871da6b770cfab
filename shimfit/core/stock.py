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
from typing import TYPE_CHECKING

from shimfit import csvfile
from shimfit.errors import FileError
from shimfit.model import Form, Lot, Origin

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

MM_PER_INCH = Fraction(254, 10)
"""Exact by definition (NIST SP 811, Appendix B.8)."""
MOST_PIECES = 10**6
"""Largest count of a lot; more is taken for a slip of the finger."""
SMALLEST_MM = Fraction(1, 10**9)
LARGEST_MM = Fraction(10**6)
"""Between these a cell is a length of timber; beyond them it is a slip of the finger."""

COLUMNS = (
    "lot",
    "form",
    "material",
    "count",
    "length_mm",
    "width_mm",
    "thickness_mm",
    "thin_mm",
    "thick_mm",
    "origin",
    "note",
)
_LENGTHS = tuple(name for name in COLUMNS if name.endswith("_mm"))
_REQUIRED = ("lot", "form", "count")
_FORM_NEEDS: dict[Form, tuple[str, ...]] = {
    "flat": ("thickness_mm",),
    "taper": ("length_mm", "thin_mm", "thick_mm"),
    "strip": ("length_mm", "width_mm", "thickness_mm"),
}
_FORM_MAY_HAVE: dict[Form, tuple[str, ...]] = {
    "flat": ("length_mm", "width_mm"),
    "taper": ("width_mm",),
    "strip": (),
}
_NUMBER = r"(?:\d+(?:\.\d*)?|\.\d+)"
_DECIMAL = re.compile(rf"[+-]?{_NUMBER}(?:[eE][+-]?\d{{1,3}})?")
_FRACTION = re.compile(r"([+-]?)(?:(\d+)(?:\s+|\s*-\s*))?(\d+)\s*/\s*(\d+)")
_DIGITS = re.compile(r"(\d+)")


class _CellError(ValueError):
    """What is wrong with one cell, before the line is known."""

    def __init__(self, column: str, reason: str) -> None:
        super().__init__(reason)
        self.column = column
        self.reason = reason


def natural_key(lot: str) -> tuple[tuple[int, int, str], ...]:
    """Sort key that puts F2 before F10: runs of digits compare as numbers, the rest as text."""
    return tuple(
        (0, int(part), "") if part.isdigit() and part.isascii() else (1, 0, part)
        for part in _DIGITS.split(lot)
        if part
    )


# ---------------------------------------------------------------- rows


def lot_from_row(row: Mapping[str, object], *, name: str | None = None, line: int | None = None) -> Lot:
    """One lot from a row: keys are the CSV's headers, values text or numbers; empty and None mean not told.

    FileError naming the line, the column and the reason when the row can't be believed. `name` is what
    the file is called in the sentence.
    """
    try:
        return _lot(row)
    except _CellError as slip:
        raise _refusal(name, line, slip.column, slip.reason) from None


def lot_to_row(lot: Lot) -> dict[str, object]:
    """A lot as a row in millimetres, in the file's own order; dimensions that are not told are None."""
    return {column: getattr(lot, column) for column in COLUMNS}


def _lot(row: Mapping[str, object]) -> Lot:
    lot = _text(row, "lot")
    if not lot:
        raise _CellError("lot", "is empty; every lot needs a name")
    form = _form(row)
    lengths = {column: _length(row, column) for column in _LENGTHS}
    for column in _FORM_NEEDS[form]:
        if lengths[column] is None:
            raise _CellError(_header(row, column), f"is empty; a {form} needs it")
    allowed = _FORM_NEEDS[form] + _FORM_MAY_HAVE[form]
    for column, value in lengths.items():
        if value is not None and column not in allowed:
            raise _CellError(_header(row, column), f"is filled in, but a {form} has no such dimension")
    if form == "taper":
        _check_taper(row, lengths)
    return Lot(
        lot=lot,
        form=form,
        count=_count(row),
        material=_text(row, "material"),
        origin=_origin(row),
        note=_text(row, "note"),
        **lengths,
    )


def _check_taper(row: Mapping[str, object], lengths: Mapping[str, float | None]) -> None:
    thin, thick = lengths["thin_mm"], lengths["thick_mm"]
    assert thin is not None
    assert thick is not None
    if thin == thick:
        raise _CellError(
            _header(row, "thick_mm"), "is the same as the thin edge: it is a flat; give it as form flat"
        )
    if thin > thick:
        raise _CellError(
            _header(row, "thick_mm"), "is thinner than the thin edge; the two are the wrong way round"
        )


def _form(row: Mapping[str, object]) -> Form:
    text = _text(row, "form").lower()
    for form in _FORM_NEEDS:
        if text == form:
            return form
    raise _CellError("form", f"is {text!r}; it must be flat, taper or strip")


def _origin(row: Mapping[str, object]) -> Origin:
    text = _text(row, "origin").lower()
    if text in ("", "offcut"):
        return "offcut"
    if text == "bought":
        return "bought"
    raise _CellError("origin", f"is {text!r}; it must be offcut or bought")


def _count(row: Mapping[str, object]) -> int:
    raw = row.get("count")
    if _is_empty(raw):
        raise _CellError("count", "is empty; say how many pieces there are (0 when used up)")
    value = _number(raw, "count", fractions=False)
    if value.denominator != 1:
        raise _CellError("count", f"is {_shown(raw)}; pieces are counted whole")
    if value < 0:
        raise _CellError("count", f"is {_shown(raw)}; there can't be fewer than 0 pieces")
    if value > MOST_PIECES:
        raise _CellError("count", f"is {_shown(raw)}; more than {MOST_PIECES} pieces is a slip of the finger")
    return int(value)


def _length(row: Mapping[str, object], column: str) -> float | None:
    """A dimension in mm from its _mm or _in cell; None when neither is filled in."""
    inch = column.removesuffix("_mm") + "_in"
    reported = [header for header in (column, inch) if not _is_empty(row.get(header))]
    if not reported:
        return None
    if len(reported) == 2:
        raise _CellError(inch, f"and {column} are both filled in; give one of them")
    header = reported[0]
    raw = row[header]
    value = _number(raw, header, fractions=header == inch)
    if value <= 0:
        raise _CellError(header, f"is {_shown(raw)}; it must be more than 0")
    exact_mm = value * MM_PER_INCH if header == inch else value
    if not SMALLEST_MM <= exact_mm < LARGEST_MM:  # asked of the fraction: 1e400 has no float
        raise _CellError(header, f"is {_shown(raw)}; no piece in a box is that size")
    return float(exact_mm)


def _number(raw: object, column: str, *, fractions: bool) -> Fraction:
    """Exact value of a cell: a decimal number, or a fraction where inches are told."""
    if isinstance(raw, bool) or not isinstance(raw, str | int | float):
        raise _CellError(column, f"is {_shown(raw)}, which isn't a number")
    if not isinstance(raw, str):
        if not math.isfinite(raw):
            raise _CellError(column, f"is {raw}, which isn't a number")
        return Fraction(str(raw))
    text = raw.strip()
    if _DECIMAL.fullmatch(text):
        return Fraction(text)
    parts = _FRACTION.fullmatch(text)
    if parts and fractions:
        sign, whole, above, below = parts.groups()
        if int(below) == 0:
            raise _CellError(column, f"is {text!r}, a fraction over 0")
        value = int(whole or 0) + Fraction(int(above), int(below))
        return -value if sign == "-" else value
    if parts:
        raise _CellError(column, f"is {text!r}; fractions are for _in columns, mm are decimal")
    raise _CellError(column, csvfile.number_fault(text))


def _text(row: Mapping[str, object], column: str) -> str:
    value = row.get(column)
    return "" if value is None else str(value).strip()


def _is_empty(value: object) -> bool:
    return value is None or (isinstance(value, str) and not value.strip())


def _shown(value: object) -> str:
    return value.strip() if isinstance(value, str) else repr(value)


def _header(row: Mapping[str, object], column: str) -> str:
    """The header that the file itself uses for a dimension: its _in form where that one is there."""
    inch = column.removesuffix("_mm") + "_in"
    return inch if inch in row and column not in row else column


# ---------------------------------------------------------------- the whole table


def lots_from_rows(rows: Iterable[Mapping[str, object]], name: str | None = None) -> tuple[Lot, ...]:
    """Lots from rows as they stand in a problem's `stock`; FileError as for `lots_from_csv`.

    The line in the error is the row's number, counted from 1.
    """
    lots: list[Lot] = []
    lines: dict[str, int] = {}
    for number, row in enumerate(rows, start=1):
        for header in row:
            if not isinstance(header, str) or _plain(header) is None:
                raise _refusal(name, number, str(header), "isn't a column of a stock file")
        lots.append(_unique(lot_from_row(row, name=name, line=number), lines, name, number))
    return tuple(lots)


def lots_from_csv(text: str, name: str) -> tuple[Lot, ...]:
    """Lots of a stock file, in the file's order; `name` is the file's name, for the error.

    FileError naming line, column and reason for the first thing that can't be believed: nothing of the
    file is taken then. An empty file is refused (the header is required); a header alone is an empty box.
    """
    headers: list[str] | None = None
    lots: list[Lot] = []
    lines: dict[str, int] = {}
    for line, cells in csvfile.lines(text, name):
        if headers is None:
            headers = _headers(cells, name, line)
            continue
        if len(cells) > len(headers):
            raise _refusal(name, line, None, csvfile.cells_fault(cells, len(headers)))
        row: dict[str, object] = dict(zip(headers, cells, strict=False))
        lots.append(_unique(lot_from_row(row, name=name, line=line), lines, name, line))
    if headers is None:
        raise FileError(
            f"{name} is empty; a stock file starts with the header {','.join(COLUMNS[:4])},…", path=name
        )
    return tuple(lots)


def lots_to_csv(lots: Sequence[Lot]) -> str:
    """The box as a stock file in millimetres; reading it back gives the same lots."""
    return csvfile.text_of([COLUMNS, *(lot_to_row(lot).values() for lot in lots)])


def _headers(cells: Sequence[str], name: str, line: int) -> list[str]:
    headers = [cell.strip().lower() for cell in cells]
    seen: set[str] = set()
    for header in headers:
        plain = _plain(header)
        if plain is None:
            raise _refusal(
                name, line, header, "isn't a column of a stock file; the columns are " + ", ".join(COLUMNS)
            )
        if header in seen:
            raise _refusal(name, line, header, "stands in the header twice")
        seen.add(header)
    for column in _REQUIRED:
        if column not in seen:
            raise _refusal(name, line, column, "is missing from the header")
    _check_dimensions(seen, name, line)
    return headers


def _check_dimensions(seen: set[str], name: str, line: int) -> None:
    """A table without a single way to tell a thickness can't be stock."""
    reported = {_plain(header) for header in seen}
    if not reported & {"thickness_mm", "thin_mm"}:
        raise _refusal(name, line, "thickness_mm", "is missing from the header")
    for one, other in (("thin_mm", "thick_mm"), ("thick_mm", "thin_mm")):
        if one in reported and other not in reported:
            raise _refusal(name, line, other, "is missing from the header")


def _plain(header: str) -> str | None:
    """The column's name in mm; None when there is no such column."""
    plain = header.removesuffix("_in") + "_mm" if header.endswith("_in") else header
    return plain if plain in COLUMNS else None


def _unique(lot: Lot, lines: dict[str, int], name: str | None, line: int) -> Lot:
    if lot.lot in lines:
        raise _refusal(
            name, line, "lot", f"is {lot.lot!r} again, as on line {lines[lot.lot]}; a lot has one row"
        )
    lines[lot.lot] = line
    return lot


def _refusal(name: str | None, line: int | None, column: str | None, reason: str) -> FileError:
    places = [name or "The stock"]
    if line is not None:
        places.append(f"line {line}")
    if column is not None:
        places.append(f"column {column}")
    return FileError(f"{', '.join(places)}: {reason}.", path=name, line=line, column=column)


__all__ = [
    "COLUMNS",
    "MM_PER_INCH",
    "lot_from_row",
    "lot_to_row",
    "lots_from_csv",
    "lots_from_rows",
    "lots_to_csv",
    "natural_key",
]
