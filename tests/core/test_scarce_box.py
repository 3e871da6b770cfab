"""A box with almost nothing in it is answered as quickly as a full one: found, or honestly impossible."""

from __future__ import annotations

from pathlib import Path

import pytest

from shimfit.core import packing
from shimfit.core.stock import lots_from_csv
from shimfit.model import Foot, Lean, Lot
from shimfit.quantities.tolerance import parse_tolerance


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
    # One taper is too short for three packs (0.9, 1.3 and 2.2 mm); cut in two, two of them are enough.
    if count == 1:
        assert (answer.status, answer.within) == ("impossible", False)
        assert answer.why is not None
        assert "with 1 more of T1 the post would stand" in answer.why
    else:
        assert (answer.status, answer.within, answer.why) == ("proven", True, None)
        assert answer.resting.lean is not None
        assert answer.resting.lean.magnitude <= 0.002 - margin_slope


BOX = lots_from_csv(Path("fixtures/stock/boardwalk_box.csv").read_text(encoding="utf-8"), "box")


@pytest.mark.parametrize("margin_slope", [0.0, 0.0005, 0.001, 0.0015])
def test_a_small_lean_and_no_thin_piece(margin_slope: float) -> None:
    # 3 mm and 2 mm at the top want 0.2 to 0.5 mm, and nothing is thinner than 0.5 mm. Thick packs under all
    # four corners would keep any margin; they are no answer while something thinner keeps half of it.
    tables = packing.build_tables(BOX, packing.Options())
    tolerance = parse_tolerance("1:500")
    answer = packing.prescribe(
        Foot(90.0, 90.0), 1000.0, Lean(0.0033, 0.0022), tolerance, tables, margin_slope=margin_slope
    )
    assert answer.within
    assert answer.resting.lean is not None
    assert 1000.0 * answer.resting.lean.magnitude <= 2.0 - 500.0 * margin_slope + 1e-9
    assert max(pack.made_mm for pack in answer.packs) < 2.2
