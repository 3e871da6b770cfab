"""A box with almost nothing in it is answered as quickly as a full one: found, or honestly impossible."""

from __future__ import annotations

import pytest

from shimfit.core import packing
from shimfit.core.tolerance import parse_tolerance
from shimfit.model import Foot, Lean, Lot


@pytest.mark.timeout(30)
@pytest.mark.parametrize("count", [1, 2, 3])
@pytest.mark.parametrize("margin_slope", [0.0, 0.0012])
def test_one_lot_of_tapers_for_three_seats(count: int, margin_slope: float) -> None:
    lots = (Lot("T1", "taper", count, length_mm=200.0, thin_mm=0.5, thick_mm=6.0),)
    tables = packing.build_tables(lots, packing.Options())
    answer = packing.prescribe(
        Foot(90.0, 90.0),
        1000.0,
        Lean(0.010, 0.0144),
        parse_tolerance("1:500"),
        tables,
        margin_slope=margin_slope,
    )
    used = {(piece.lot, piece.copy or 1) for pack in answer.packs for piece in pack.pieces}
    assert len(used) <= count
    assert answer.status in ("proven", "found", "impossible", "gave-up")
    assert answer.within or answer.why
