"""What packs leave: remainders with their kerf, told by where they start."""

import numpy as np
import pytest

from shimfit.core.cutting import assign
from shimfit.core.packing import Options, Saw
from shimfit.core.planning import PlanPost, plan
from shimfit.core.planning.planned import as_cut_from, left_of, wedge_of
from shimfit.model import Foot, Lean, Lot, Pack, Piece, Seat, Tolerance
from shimfit.solve.highs import Highs

OPTIONS = Options(saw=Saw((1.0,), kerf_mm=2.5, hold_mm=250.0))
TAPER = Lot("T", "taper", 1, length_mm=200.0, thin_mm=1.0, thick_mm=9.0)


def pack(*pieces):
    return Pack(Seat.NEXT_OUT, 1.0, 1.0, (45.0, 45.0), pieces)


def taper(mark, trim, *, lot="T"):
    return Piece(lot, "taper", 1.0 + 0.04 * mark, mark_mm=mark, trim_tip_mm=trim)


def test_a_taper_leaves_its_tip_and_its_rest_less_the_kerfs():
    tip, rest = left_of([TAPER], [pack(taper(100.0, 68.0))], OPTIONS)
    # The cut at 68 takes 65.5 … 68 from the tip, the one at the mark 100 … 102.5 from the rest.
    assert (tip.length_mm, tip.thin_mm, tip.thick_mm) == pytest.approx((65.5, 1.0, 3.62))
    assert (rest.length_mm, rest.thin_mm, rest.thick_mm) == pytest.approx((97.5, 5.1, 9.0))


def test_pieces_of_remainders_are_told_from_the_original_thin_end():
    lots = left_of([TAPER], [pack(taper(60.0, 28.0))], OPTIONS)
    rest = lots[-1]
    first = as_cut_from(pack(taper(50.0, 18.0, lot=rest.lot)), [TAPER])
    assert first.pieces[0].lot == "T"
    assert (first.pieces[0].mark_mm, first.pieces[0].trim_tip_mm) == pytest.approx((112.5, 80.5))
    again = left_of(lots, [pack(taper(50.0, 18.0, lot=rest.lot))], OPTIONS)[-1]
    second = as_cut_from(pack(taper(20.0, 0.0, lot=again.lot)), [TAPER])
    assert (second.pieces[0].mark_mm, second.pieces[0].trim_tip_mm) == pytest.approx((135.0, 115.0))


def test_flats_and_strips_get_fewer_and_shorter():
    strip = Lot("S", "strip", 2, length_mm=600.0, width_mm=40.0, thickness_mm=20.0)
    wedge = Piece("S", "strip", 2.4, thin_mm=1.0, thick_mm=2.3963, saw_deg=1.0)
    flat, whole, cut = left_of(
        [Lot("F", "flat", 3, thickness_mm=1.0), strip], [pack(wedge, Piece("F", "flat", 1.0))], OPTIONS
    )
    assert (flat.lot, flat.count) == ("F", 2)
    assert (whole.lot, whole.count, whole.length_mm) == ("S", 1, 600.0)
    assert cut.length_mm == pytest.approx(600 - 1.69815 - 2.5004 - 0.6982 - 2.5, abs=1e-3)


@pytest.mark.parametrize(("seed", "length_mm"), [(0, 275), (1, 290), (3, 280), (6, 270)])
def test_a_short_strip_never_makes_a_whole_plan_fail(seed, length_mm):
    """Two posts that swap their pieces may not both be cut from what one of them left of a strip."""
    rng = np.random.default_rng(seed)
    tolerance = Tolerance("1:500", "ratio", 0.002)
    posts = [
        PlanPost(str(k), Foot(90, 90), 1000.0, Lean(*rng.normal(0.004, 0.008, 2)), tolerance)
        for k in range(4)
    ]
    lots = [Lot(f"F{k}", "flat", 1, thickness_mm=round(float(rng.uniform(0.3, 2.5)), 2)) for k in range(6)]
    strip = Lot("S1", "strip", 1, length_mm=float(length_mm), width_mm=38.0, thickness_mm=20.0)
    saw = Saw((0.5, 1.0))
    done = plan(posts, [*lots, strip], Options(saw=saw), Highs(), seconds=2)
    wedges = [
        wedge_of(f"{one.post.name}/{pack.seat}", piece)
        for one in done.planned
        for pack in one.packs
        for piece in pack.pieces
        if piece.form == "strip"
    ]
    assert assign(strip, wedges, saw) is not None
    assert len(done.planned) + len(done.unsolved) == len(posts)
