"""A box with almost nothing in it is answered as quickly as a full one: found, or honestly impossible."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from shimfit.core import packing
from shimfit.core.planning import PlanPost, plan
from shimfit.core.stock import lots_from_csv
from shimfit.model import Foot, Lean, Lot
from shimfit.quantities.typed import parse_tolerance
from shimfit.solve.highs import Highs


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
        known=packing.Known(margin_slope=margin_slope),
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
        Foot(90.0, 90.0),
        1000.0,
        Lean(0.0033, 0.0022),
        tolerance,
        tables,
        known=packing.Known(margin_slope=margin_slope),
    )
    assert answer.within
    assert answer.resting.lean is not None
    assert 1000.0 * answer.resting.lean.magnitude <= 2.0 - 500.0 * margin_slope + 1e-9
    assert max(pack.made_mm for pack in answer.packs) < 2.2


@pytest.mark.parametrize("number", range(6))
def test_one_post_and_a_plan_of_one_serve_the_same_tiny_box(number: int) -> None:
    # 24.6 mm towards prev at 1067 mm on a foot of 100 x 140, 2 mm/m each way: only tapers, and few of them.
    rng = random.Random(number)
    lots = []
    for i in range(rng.randint(2, 4)):
        thin, length = round(rng.uniform(0.5, 1.5), 2), round(rng.uniform(120.0, 240.0))
        thick = round(thin + length * rng.uniform(0.012, 0.03), 2)
        lots.append(
            Lot(f"T{i}", "taper", rng.choice((1, 1, 2)), thin_mm=thin, thick_mm=thick, length_mm=length)
        )
    foot, lean, tolerance = (
        Foot(100.0, 140.0),
        Lean(-24.6 / 1067.0, 0.0),
        parse_tolerance("2mm/m", per_direction=True),
    )
    options = packing.Options(quantum_mm=0.05)  # a grid that is quickly gone through: both search the same
    alone = packing.prescribe(foot, 1067.0, lean, tolerance, packing.build_tables(lots, options))
    run = plan([PlanPost("P1", foot, 1067.0, lean, tolerance)], lots, options, Highs())
    assert alone.status in ("proven", "impossible")
    assert alone.within == (not run.unsolved)
    if alone.within:
        assert run.objective == pytest.approx(alone.cost.total, abs=1e-5)


def test_stretches_of_one_taper_that_just_touch_are_both_cut_from_it() -> None:
    # The marks of 1.30 and 2.32 mm are 34 mm apart: a bearing length and a kerf, to the last binary digit.
    taper = Lot("T1", "taper", 1, thin_mm=0.4, thick_mm=6.4, length_mm=200.0)
    flat = Lot("F1", "flat", 1, thickness_mm=1.02)
    options = packing.Options(bearing_point="corner", saw=packing.Saw(kerf_mm=2.0))
    answer = packing.prescribe(
        Foot(90.0, 90.0),
        1000.0,
        Lean(1.02 / 90.0, 1.30 / 90.0),
        parse_tolerance("1:500"),
        packing.build_tables([taper, flat], options),
    )
    assert answer.status == "proven"
    made = {pack.made_mm: pack.pieces[0].lot for pack in answer.packs}
    assert made == {1.02: "F1", 1.30: "T1", 2.32: "T1"}
