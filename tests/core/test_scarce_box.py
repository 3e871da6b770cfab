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


def test_one_thin_flat_beats_lifting_the_whole_post_to_stay_inside_the_margin() -> None:
    # 3 mm and 2 mm at the top want 0.27 to 0.45 mm; nothing is thinner than 0.5 mm. One flat leaves more than
    # the margin likes, and is still within the tolerance: four thick packs under all corners are no answer.
    lots = (
        Lot("F1", "flat", 4, thickness_mm=0.5, origin="bought"),
        Lot("F4", "flat", 4, thickness_mm=3.0, origin="offcut"),
        Lot("T1", "taper", 1, length_mm=120.0, thin_mm=0.8, thick_mm=4.0),
    )
    tables = packing.build_tables(lots, packing.Options())
    answer = packing.prescribe(
        Foot(90.0, 90.0), 1000.0, Lean(0.003, 0.002), parse_tolerance("1:500"), tables, margin_slope=0.0015
    )
    assert answer.within
    assert [piece.lot for pack in answer.packs for piece in pack.pieces] == ["F1"]
    assert any("doubt" in caution for caution in answer.cautions)
