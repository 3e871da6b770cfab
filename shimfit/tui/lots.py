"""Lots in words, and lots from a file."""

from __future__ import annotations

from typing import TYPE_CHECKING

from shimfit.errors import FileError

if TYPE_CHECKING:
    from pathlib import Path

    from shimfit.model import Lot
    from shimfit.workflow.site import Site

WIDE = 60


def lot_row(lot: Lot, width: int) -> str:
    """One lot in a row: name, count left, form, sizes; material and origin where there is room."""
    match lot.form:
        case "flat":
            size = f"{_mm(lot.thickness_mm)} mm thick"
        case "taper":
            size = f"{_mm(lot.thin_mm)} to {_mm(lot.thick_mm)} over {_mm(lot.length_mm, 1)} mm"
        case _:
            size = f"{_mm(lot.length_mm)} x {_mm(lot.width_mm)} x {_mm(lot.thickness_mm)} mm"
    row = f" {lot.lot:<6}{lot.count:>3} {lot.form:<6}{size}"
    if width >= WIDE:
        row = f"{row:<46} {lot.material:<14} {lot.origin} {lot.note}"
    return row.rstrip()


def load_lots(site: Site, path: Path) -> str:
    """Put the lots of a stock file in the box; raises FileError naming line and column, nothing taken."""
    from shimfit.core.stock import lots_from_csv

    lots = lots_from_csv(_read(path), path.name)
    site.import_stock(lots, path.name)
    return f"{len(lots)} lots from {path.name}"


def _mm(value: float | None, decimals: int = 2) -> str:
    return "?" if value is None else f"{round(value, decimals):g}"


def _read(path: Path) -> str:
    try:
        return path.read_text("utf-8-sig")
    except OSError as error:
        raise FileError(f"can't read {path}: {error.strerror}", path=str(path)) from error
    except UnicodeDecodeError as error:
        raise FileError(f"{path.name} is not a text file (UTF-8 expected)", path=str(path)) from error
