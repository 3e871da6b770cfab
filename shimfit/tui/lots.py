"""Lots in words, and lots from a file."""

from __future__ import annotations

from typing import TYPE_CHECKING

from shimfit.errors import FileError
from shimfit.quantities import shown

if TYPE_CHECKING:
    from pathlib import Path

    from shimfit.model import Lot
    from shimfit.quantities.typed import Units
    from shimfit.workflow.site import Site

WIDE = 60


def lot_row(lot: Lot, width: int, units: Units) -> str:
    """One lot in a row: name, count left, form, sizes; material and origin where there is room."""
    size = lot_size(lot, units)
    row = f" {lot.lot:<6}{lot.count:>3} {lot.form:<6}{size}"
    if width >= WIDE:
        row = f"{row:<46} {lot.material:<14} {lot.origin} {lot.note}"
    return row.rstrip()


def lot_size(lot: Lot, units: Units) -> str:
    """What a lot measures: `2.38 mm thick`, `1.19 to 7.94 mm over 177.8 mm`, `3/64" to 5/16" over 7"`."""

    def told(mm: float | None) -> str:
        return "?" if mm is None else shown.sized(mm, units)

    match lot.form:
        case "flat":
            return f"{told(lot.thickness_mm)} thick"
        case "taper":
            thin = told(lot.thin_mm).removesuffix(" mm")
            return f"{thin} to {told(lot.thick_mm)} over {told(lot.length_mm)}"
    sizes = " x ".join(told(mm).removesuffix(" mm") for mm in (lot.length_mm, lot.width_mm, lot.thickness_mm))
    return f"{sizes} mm" if units == "mm" else sizes


def load_lots(site: Site, path: Path) -> str:
    """Put the lots of a stock file in the box; raises FileError naming line and column, nothing taken."""
    from shimfit.core.stock import lots_from_csv

    lots = lots_from_csv(_read(path), path.name)
    site.import_stock(lots, path.name)
    return f"{len(lots)} lots from {path.name}"


def _read(path: Path) -> str:
    try:
        return path.read_text("utf-8-sig")
    except OSError as error:
        raise FileError(f"can't read {path}: {error.strerror}", path=str(path)) from error
    except UnicodeDecodeError as error:
        raise FileError(f"{path.name} is not a text file (UTF-8 expected)", path=str(path)) from error
