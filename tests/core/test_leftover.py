"""What packs leave: remainders with their kerf, told by where they start."""

import numpy as np
import pytest

from shimfit.core.cutting import SHORTEST_KEPT_MM
from shimfit.core.ledger import Ledger
from shimfit.core.packing import Options, Saw
from shimfit.core.planning import PlanPost, plan
from shimfit.core.planning.plan import Effort
from shimfit.core.planning.planned import box_after
from shimfit.core.stock import lot_from_row
from shimfit.model import Foot, Lean, Lot, Pack, Piece, Seat, Tolerance
from shimfit.solve.highs import Highs

OPTIONS = Options(saw=Saw((1.0,), kerf_mm=2.5, hold_mm=250.0))
TAPER = Lot("T", "taper", 1, length_mm=200.0, thin_mm=1.0, thick_mm=9.0)


def pack(*pieces):
    return Pack(Seat.NEXT_OUT, 1.0, 1.0, (45.0, 45.0), pieces)


def taper(mark, trim, *, lot="T"):
    return Piece(lot, "taper", 1.0 + 0.04 * mark, mark_mm=mark, trim_tip_mm=trim)


def left_of(lots, packs):
    return box_after(lots, packs, OPTIONS).lots()


def test_a_taper_leaves_its_tip_and_its_rest_less_the_kerfs():
    tip, rest = left_of([TAPER], [pack(taper(100.0, 68.0))])
    # The cut at 68 takes 65.5 … 68 from the tip, the one at the mark 100 … 102.5 from the rest.
    assert (tip.length_mm, tip.thin_mm, tip.thick_mm) == pytest.approx((65.5, 1.0, 3.62))
    assert (rest.length_mm, rest.thin_mm, rest.thick_mm) == pytest.approx((97.5, 5.1, 9.0))


def test_what_is_left_is_written_without_the_dust_of_binary_fractions():
    lots = [
        lot for mark in range(70, 150) for lot in left_of([TAPER], [pack(taper(mark + 0.3, mark - 31.7))])
    ]
    sizes = [mm for lot in lots for mm in (lot.length_mm, lot.thin_mm, lot.thick_mm)]
    assert len(lots) == 160
    assert max(len(f"{mm!r}".partition(".")[2]) for mm in sizes) <= 9


def test_pieces_of_remainders_are_given_from_the_original_thin_end():
    box = box_after([TAPER], [pack(taper(60.0, 28.0))], OPTIONS)
    rest = box.lots()[-1]
    first = box.in_whole(taper(50.0, 18.0, lot=rest.lot))
    assert (first.lot, first.mark_mm, first.trim_tip_mm) == ("T", pytest.approx(112.5), pytest.approx(80.5))
    box = box.after([pack(taper(50.0, 18.0, lot=rest.lot))], 2.5)
    second = box.in_whole(taper(20.0, 0.0, lot=box.lots()[-1].lot))
    assert (second.mark_mm, second.trim_tip_mm) == pytest.approx((135.0, 115.0))


def test_flats_and_strips_get_fewer_and_shorter():
    strip = Lot("S", "strip", 2, length_mm=600.0, width_mm=40.0, thickness_mm=20.0)
    wedge = Piece("S", "strip", 2.4, thin_mm=1.0, thick_mm=2.3963, saw_deg=1.0)
    flat, whole, cut = left_of(
        [Lot("F", "flat", 3, thickness_mm=1.0), strip], [pack(wedge, Piece("F", "flat", 1.0))]
    )
    assert (flat.lot, flat.count) == ("F", 2)
    assert (whole.lot, whole.count, whole.length_mm) == ("S", 1, 600.0)
    assert cut.length_mm == pytest.approx(600 - 1.69815 - 2.5004 - 0.6982 - 2.5, abs=0.01)


@pytest.mark.parametrize("number", range(6))
def test_what_a_plan_serves_its_posts_from_is_what_the_box_then_keeps(number):
    """Posts served one by one (they rock), packed in any order from the real box: nothing is missing."""
    rng = np.random.default_rng(number)
    tolerance, foot = Tolerance("1:300", "ratio", 1 / 300), Foot(90, 90)
    posts = [
        PlanPost(str(k), foot, 1000.0, Lean(*lean), tolerance, feelers=((Seat.NEXT_OUT, 0.2),))
        for k, lean in enumerate(rng.normal(0.012, 0.006, (4, 2)))
    ]
    lots = [
        Lot("T1", "taper", 3, length_mm=130.0, thin_mm=0.4, thick_mm=5.0),
        Lot("S1", "strip", 1, length_mm=420.0, width_mm=38.0, thickness_mm=30.0),
        Lot("F1", "flat", 9, thickness_mm=0.5),
    ]
    options = Options(saw=Saw((0.5, 1.0)))
    done = plan(posts, lots, options, Highs(), seconds=1)
    assert len(done.planned) > 2
    packs = {one.post.name: one.packs for one in done.planned}
    box = Ledger(lots)
    for name in rng.permutation(list(packs)):
        data = box.moved([], box.as_it_lies(packs[name]), name, options.saw.kerf_mm)
        if data is not None:
            box.count_taken(data, lot_from_row)
    assert not box.short
    assert not box.taken_twice
    kept = {(lot.form, round(lot.length_mm or 0.0, 6), lot.count) for lot in box.lots()}
    all_packs = [pack for some in packs.values() for pack in some]
    promised = {
        (lot.form, round(lot.length_mm or 0.0, 6), lot.count)
        for lot in box_after(lots, all_packs, options).lots()
    }
    assert promised == kept
    assert all((lot.length_mm or SHORTEST_KEPT_MM) >= SHORTEST_KEPT_MM for lot in box.lots())


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
    done = plan(posts, [*lots, strip], Options(saw=saw), Highs(), effort=Effort(quick=True))
    packs = [(one.post.name, pack) for one in done.planned for pack in one.packs]
    assert not Ledger([*lots, strip]).take(packs, hold_mm=saw.hold_mm).no_room
    assert len(done.planned) + len(done.unsolved) == len(posts)
