"""Changes made from the box: what stays costs nothing, nothing is used twice, and the deck agrees."""

import itertools
import math
import os
import random
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shimfit.core.correction.boxed import correct as correct_asked
from shimfit.core.correction.boxed import together
from shimfit.core.correction.standing import Correction, pack_of, packs_now, standing_on
from shimfit.core.cutting import returned
from shimfit.core.foot import gap_plane
from shimfit.core.ledger import Ledger
from shimfit.core.objective import usual_reads
from shimfit.core.packing import Known, Offer, Options, build_tables, prescribe
from shimfit.core.resting import rest_packs
from shimfit.core.resting import scaled as scaled_lean
from shimfit.model import CORNERS, Foot, Lean, Lot, Piece, Seat, Tolerance

FOOT = Foot(90, 90)
HEIGHT = 1000.0
TOLERANCE = Tolerance("1:500", "ratio", 0.002)
OPTIONS = Options()
BOX = (
    Lot("F1", "flat", 2, "ply", thickness_mm=0.8),
    Lot("F2", "flat", 1, "ply", thickness_mm=1.55),
    Lot("F3", "flat", 3, "card", thickness_mm=0.41),
    Lot("F4", "flat", 1, "steel", thickness_mm=0.2),
    Lot("T1", "taper", 2, "pvc", length_mm=200, width_mm=30, thin_mm=0.8, thick_mm=8.0, origin="bought"),
)
TAPER = BOX[4]


def left_in(box, packs):
    """The box after these packs were made."""
    left = Ledger(box)
    left.take([("", pack) for pack in packs], 2.5)
    return left.lots()


def correct(packs, reading, box, *, take_up=1.0, tolerance=TOLERANCE, **more):
    known = Known(take_up=take_up)
    asked = Correction(FOOT, HEIGHT, reading, tolerance, tuple(packs), known, **more)
    return correct_asked(asked, OPTIONS, box)


def front_door(foot, height_mm, lean, tolerance, *, now, options, lots=None, **more):
    packs = packs_now(foot, now) if isinstance(now, dict) else tuple(now)
    return correct_asked(Correction(foot, height_mm, lean, tolerance, packs, **more), options, lots)


def taper_pack(seat, mark):
    thickness = TAPER.thin_mm + TAPER.taper_slope * mark
    piece = Piece("T1", "taper", thickness, mark_mm=mark)
    return replace(pack_of(FOOT, seat, thickness), pieces=(piece,))


def flat_pack(seat, lot, thickness):
    return replace(pack_of(FOOT, seat, thickness), pieces=(Piece(lot, "flat", thickness),))


def test_a_reading_within_the_tolerance_changes_nothing():
    packs = (flat_pack(Seat.NEXT_HOUSE, "F1", 0.8), flat_pack(Seat.NEXT_OUT, "F1", 0.8))
    answer = correct(packs, Lean(0.001, 0.001), BOX)
    assert answer.change == ()
    assert answer.packs == packs
    assert answer.status == "proven"
    assert answer.resting.lean.slope_along == pytest.approx(0.001, abs=1e-12)


def test_pushing_both_tapers_is_the_cheapest_change():
    # Two tapers on the next side, 3.5 mm of lean left: each wants 0.315 mm more, 8.75 mm of push.
    packs = (taper_pack(Seat.NEXT_HOUSE, 20.0), taper_pack(Seat.NEXT_OUT, 20.0))
    answer = correct(packs, Lean(0.0035, 0.0), (*BOX[:4], replace(TAPER, count=0)))
    assert answer.status == "proven"
    assert [change.seat for change in answer.change] == [Seat.NEXT_HOUSE, Seat.NEXT_OUT]
    for change in answer.change:
        assert change.push_mm == pytest.approx((change.to_mm - change.from_mm) / TAPER.taper_slope)
        assert 3.0 < change.push_mm < 12.0
    assert dict(answer.cost.parts)["changes"] == 2 * OPTIONS.minutes.change
    assert answer.within


def test_a_taper_that_is_cut_flush_is_not_pushed():
    packs = (taper_pack(Seat.NEXT_HOUSE, 20.0), taper_pack(Seat.NEXT_OUT, 20.0))
    answer = correct(packs, Lean(0.0035, 0.0), (*BOX[:4], replace(TAPER, count=0)), trimmed=True)
    assert answer.within
    assert all(change.push_mm is None for change in answer.change)


def test_after_the_flush_cut_a_taper_of_the_same_lot_is_cut_anew_and_no_push():
    packs = [
        replace(pack, pieces=tuple(replace(one, copy=copy) for one in pack.pieces))
        for copy, pack in enumerate((taper_pack(seat, 20.0) for seat in (Seat.NEXT_HOUSE, Seat.NEXT_OUT)), 1)
    ]
    answer = correct(packs, Lean(0.0035, 0.0), (replace(TAPER, count=3),), trimmed=True)
    assert answer.within
    anew = [piece for pack in answer.packs if pack not in packs for piece in pack.pieces]
    assert anew
    assert not {1, 2} & {piece.copy for piece in anew}, "1 and 2 are under the post, cut flush"
    assert all(change.push_mm is None for change in answer.change)


@pytest.mark.parametrize("inside_mm", [20.0, 32.0, 26.5])
def test_a_pack_that_stays_bears_as_far_in_as_it_was_pushed(inside_mm):
    """Older versions pushed all that is flatter than the gap 32 mm in; crushing may ask for more."""
    at = 45.0 - inside_mm
    packs = [
        replace(flat_pack(seat, "F1", 0.8), bears_at_mm=(at, 45.0 * seat.sign_across))
        for seat in (Seat.NEXT_HOUSE, Seat.NEXT_OUT)
    ]
    for reading in (Lean(0.0, 0.0055), Lean(0.003, 0.0045)):
        answer = correct(packs, reading, BOX)
        assert answer.status == "proven"
        inside = {pack.seat: FOOT.inner_mm(pack) for pack in answer.packs if FOOT.inner_mm(pack)}
        assert inside.pop(Seat.NEXT_HOUSE) == pytest.approx(inside_mm)
        assert inside.get(Seat.PREV_OUT, 20.0) == pytest.approx(20.0)


@pytest.mark.parametrize(("inside_mm", "mark", "reading"), [(0.0, 23.0, 0.0027), (20.0, 35.0, -0.003)])
def test_a_taper_is_as_thick_as_it_is_where_it_comes_to_bear(inside_mm, mark, reading):
    """Steeper than the gap it bears at the face, flatter 20 mm in: t = thin + slope · (mark - 20)."""
    taper = Lot("T2", "taper", 0, "pvc", length_mm=200, width_mm=30, thin_mm=0.8, thick_mm=3.2)
    packs = []
    for seat in (Seat.NEXT_HOUSE, Seat.NEXT_OUT):
        made = 0.8 + 0.012 * (mark - inside_mm)
        piece = Piece("T2", "taper", 0.8 + 0.012 * mark, mark_mm=mark)
        at = (45.0 - inside_mm, 45.0 * seat.sign_across)
        packs.append(replace(pack_of(FOOT, seat, made), pieces=(piece,), bears_at_mm=at))
    answer = correct(packs, Lean(reading, 0.0), (taper,))
    assert answer.within
    for pack in answer.packs:
        assert pack.bears_at_mm[0] == pytest.approx(25.0 + inside_mm), "the other place"
        at = 20.0 - inside_mm
        assert pack.made_mm == pytest.approx(0.8 + 0.012 * (pack.pieces[0].mark_mm - at), abs=0.0051)


@pytest.mark.parametrize(("mark", "lean"), [(22.0, -0.0035), (195.0, 0.0035)])
def test_a_taper_is_pushed_neither_out_from_under_the_foot_nor_past_its_thick_end(mark, lean):
    packs = (taper_pack(Seat.NEXT_HOUSE, mark), taper_pack(Seat.NEXT_OUT, mark))
    answer = correct(packs, Lean(lean, 0.0), (*BOX[:4], replace(TAPER, count=0)))
    assert answer.status == "proven"
    tapers = [piece for pack in answer.packs for piece in pack.pieces if piece.mark_mm is not None]
    assert all(OPTIONS.min_inside_mm <= piece.mark_mm <= TAPER.length_mm for piece in tapers)


def test_what_need_not_change_stays():
    # Only out is wrong: the next side's own steps stay where they are.
    packs = (flat_pack(Seat.NEXT_HOUSE, "F1", 0.8), flat_pack(Seat.NEXT_OUT, "F1", 0.8))
    answer = correct(packs, Lean(0.0, 0.0046), left_in(BOX, packs))
    assert answer.within
    assert answer.status == "proven"
    assert {change.seat for change in answer.change} == {Seat.PREV_OUT, Seat.NEXT_OUT}
    kept = next(pack for pack in answer.packs if pack.seat is Seat.NEXT_HOUSE)
    assert kept.pieces == packs[0].pieces


def test_a_pack_that_is_now_at_the_pivot_may_stay():
    # All four corners stand on 0.8; the pivot's own flat stays and the others are told from it.
    box = (Lot("F1", "flat", 4, "ply", thickness_mm=0.8), Lot("F5", "flat", 2, "ply", thickness_mm=1.25))
    packs = tuple(flat_pack(seat, "F1", 0.8) for seat in list(Seat)[:4])
    answer = correct(packs, Lean(0.005, 0.0), left_in(box, packs))
    assert answer.within
    assert [change.seat for change in answer.change] == [Seat.NEXT_HOUSE, Seat.NEXT_OUT]
    assert {change.to_mm for change in answer.change} == {1.25}


def test_packs_that_nobody_knows_the_pieces_of_may_stay_too():
    packs = (pack_of(FOOT, Seat.NEXT_HOUSE, 0.8), pack_of(FOOT, Seat.NEXT_OUT, 0.8))
    answer = correct(packs, Lean(0.0, 0.0056), BOX, tolerance=Tolerance("1:250", "ratio", 0.004))
    assert answer.within
    assert Seat.NEXT_HOUSE not in {change.seat for change in answer.change}


def test_an_empty_box_says_so_and_names_the_seat():
    answer = correct((), Lean(0.01, 0.004), ())
    assert answer.status == "impossible"
    assert not answer.within
    assert answer.why


def used_of(packs):
    return Counter(piece.lot for pack in packs for piece in pack.pieces if piece.form == "flat")


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10**6))
def test_rounds_on_a_simulated_deck(seed):
    """The true bed and take-up are known here only; packs in place come from a first prescription."""
    rng = np.random.default_rng(seed)
    bed = Lean(*map(float, rng.uniform(-0.016, 0.016, 2)))
    rho = float(rng.uniform(0.75, 1.05))
    first = prescribe(FOOT, HEIGHT, bed, TOLERANCE, build_tables(BOX, OPTIONS))
    reading = rest_packs(FOOT, bed, first.packs, OPTIONS.preload_mm, take_up=rho).lean
    if reading is None or not first.packs:
        return
    box = left_in(BOX, first.packs)
    answer = correct(first.packs, reading, box, take_up=rho)
    assert answer.lean == reading
    # 1. The deck does as predicted.
    after = rest_packs(FOOT, bed, answer.packs, OPTIONS.preload_mm, take_up=rho)
    if answer.resting.lean is not None:
        assert after.lean.slope_along == pytest.approx(answer.resting.lean.slope_along, abs=1e-9)
        assert after.lean.slope_across == pytest.approx(answer.resting.lean.slope_across, abs=1e-9)
    if answer.status == "proven":
        assert answer.within
        assert TOLERANCE.holds(after.lean, HEIGHT)
    # 2. Nothing is used twice: box and old flats together have every flat of the answer.
    there = Counter({lot.lot: lot.count for lot in box if lot.form == "flat"})
    there += used_of(first.packs)
    assert not used_of(answer.packs) - there
    # 3. Every change is told and nothing else is.
    old = {pack.seat: pack for pack in first.packs}
    new = {pack.seat: pack for pack in answer.packs}
    reported = {change.seat: change for change in answer.change}
    for seat in Seat:
        before, now = old.get(seat), new.get(seat)
        if seat in reported:
            assert reported[seat].from_mm == (before.made_mm if before else 0.0)
            assert reported[seat].to_mm == (now.made_mm if now else 0.0)
        else:
            assert (before is None) == (now is None)
            assert before is None or before.pieces == now.pieces
    # 4. Starting afresh from the same pieces is never cheaper.
    if answer.within and answer.change:
        asked = Correction(FOOT, HEIGHT, reading, TOLERANCE, first.packs, Known(take_up=rho))
        standing = standing_on(asked, OPTIONS.preload_mm)
        scaled = replace(TOLERANCE, slope=TOLERANCE.slope / rho)
        fresh = prescribe(
            FOOT,
            HEIGHT,
            Lean(standing.wanted.slope_along, standing.wanted.slope_across),
            scaled,
            build_tables(tuple(together((*box, *returned(first.packs, box)), 0.01).values()), OPTIONS),
            known=Known(
                reads=usual_reads().scaled(1.0 / rho),
                shift_mm=scaled_lean(answer.lean, 1.0 / rho).top_mm(HEIGHT),
            ),
        )
        if fresh.within and fresh.packs:
            assert answer.cost.total <= fresh.cost.total + 1e-5


def test_a_pack_stays_only_where_its_pieces_are_not_used_elsewhere():
    # One thick flat: wanted at next-out now, and it is at next-house.
    box = (Lot("F1", "flat", 1, "ply", thickness_mm=0.9), Lot("F9", "flat", 1, "ply", thickness_mm=0.85))
    packs = (flat_pack(Seat.NEXT_HOUSE, "F1", 0.9),)
    bed = Lean(0.01, 0.0)
    reading = rest_packs(FOOT, bed, packs, 0.0).limits
    assert reading is not None  # one corner alone rocks
    answer = correct(packs, Lean(0.005, 0.005), left_in(box, packs))
    assert used_of(answer.packs)["F1"] <= 1
    assert used_of(answer.packs)["F9"] <= 1


@pytest.mark.parametrize("number", range(int(os.environ.get("SHIMFIT_CASES", "12"))))
def test_no_choice_of_what_stays_is_cheaper(number):
    """Each set of packs that may stay, with their pieces out of the box, asked for itself: none beats it."""
    rng = random.Random(number)
    # Shorter pieces are looked for only where nothing else stands, which is another question.
    options = Options(bearing_point="corner", quantum_mm=0.05, min_inside_mm=10.0)
    box = [Lot(f"F{i}", "flat", 1, thickness_mm=rng.randint(8, 50) / 20) for i in range(rng.randint(2, 4))]
    box += [Lot("G", "flat", 2, thickness_mm=rng.randint(4, 20) / 20), replace(TAPER, count=1)]
    limit = Tolerance("1:300", "ratio", 1 / 300)
    first = prescribe(
        FOOT,
        HEIGHT,
        Lean(rng.uniform(-0.01, 0.01), rng.uniform(-0.01, 0.01)),
        limit,
        build_tables(box, options),
    )
    left = left_in(box, first.packs)
    left = (*left, *(replace(lot, count=0) for lot in box if lot.lot not in {one.lot for one in left}))
    reading = Lean(rng.uniform(-0.006, 0.006), rng.uniform(-0.006, 0.006))
    asked = Correction(FOOT, HEIGHT, reading, limit, first.packs, trimmed=True)
    standing = standing_on(asked, options.preload_mm)
    answer = correct_asked(asked, options, left)
    if not answer.change:
        return
    costs, shift_mm = [], reading.top_mm(HEIGHT)
    for size in range(len(first.packs) + 1):
        for stay in itertools.combinations(first.packs, size):
            back = returned([pack for pack in first.packs if pack not in stay], left)
            asked = prescribe(
                FOOT, HEIGHT, Lean(standing.wanted.slope_along, standing.wanted.slope_across), limit,
                build_tables(tuple(together((*left, *back), 0.05).values()), options),
                known=Known(shift_mm=shift_mm, offers={pack.seat: [Offer(pack)] for pack in stay}),
            )  # fmt: skip
            costs.append(asked.cost.total if asked.within else math.inf)
    assert (min(costs) < math.inf) == answer.within
    if answer.within:
        assert answer.cost.total == pytest.approx(min(costs), abs=1e-5)


def test_lots_of_one_name_are_put_together_only_when_they_are_alike():
    flat = Lot("F1", "flat", 2, "ply", thickness_mm=0.8)
    both = together([flat, replace(flat, count=1), replace(flat, thickness_mm=0.7)], 0.01).values()
    assert [(lot.lot, lot.count, lot.thickness_mm) for lot in both] == [("F1", 3, 0.8), ("F1 (2)", 2, 0.7)]


def test_the_front_door_leads_to_both_rooms():
    now = {Seat.NEXT_HOUSE: 0.8, Seat.NEXT_OUT: 0.8}
    exact = front_door(FOOT, HEIGHT, Lean(0.0, 0.0046), TOLERANCE, now=now, options=OPTIONS)
    assert [change.to_mm for change in exact.change] == [pytest.approx(0.414), pytest.approx(1.214)]
    boxed = front_door(FOOT, HEIGHT, Lean(0.0, 0.0046), TOLERANCE, now=now, options=OPTIONS, lots=BOX)
    assert boxed == correct(tuple(pack_of(FOOT, s, t) for s, t in now.items()), Lean(0.0, 0.0046), BOX)
    packs = (flat_pack(Seat.NEXT_HOUSE, "F1", 0.8), flat_pack(Seat.NEXT_OUT, "F1", 0.8))
    known = front_door(FOOT, HEIGHT, Lean(0.0, 0.0046), TOLERANCE, now=packs, options=OPTIONS, lots=BOX)
    assert known == correct(packs, Lean(0.0, 0.0046), BOX)


def test_only_what_is_left_to_shift_is_as_unsure_as_the_take_up():
    """Packs for 9 mm stand there, 4.6 mm are left: what a tenth of take-up scatters is of these alone."""
    packs = (flat_pack(Seat.NEXT_HOUSE, "F1", 0.8), flat_pack(Seat.NEXT_OUT, "F1", 0.8))
    odds = [
        front_door(
            FOOT, HEIGHT, Lean(0.0, 0.0046), TOLERANCE,
            now=packs, options=OPTIONS, lots=BOX, known=Known(u_take_up=u),
        ).chance.within
        for u in (0.0, 0.1)
    ]  # fmt: skip
    assert odds[0] - 0.05 < odds[1] < odds[0]


def test_old_packs_off_the_grid_may_stay_as_they_are():
    # 3/64 in is 1.190625 mm: no thickness of the grid.
    now = {Seat.NEXT_HOUSE: 1.190625, Seat.NEXT_OUT: 1.190625}
    answer = front_door(FOOT, HEIGHT, Lean(0.0, 0.0046), TOLERANCE, now=now, options=OPTIONS, lots=BOX)
    assert answer.within
    kept = next(pack for pack in answer.packs if pack.seat is Seat.NEXT_HOUSE)
    assert kept.made_mm == 1.190625
    assert Seat.NEXT_HOUSE not in {change.seat for change in answer.change}


def test_a_fresh_flat_as_thick_as_an_unknown_pack_is_a_change():
    # The unknown pack was told at the corner; a flat of the same thickness bears further in and lifts more.
    box = (Lot("F2", "flat", 4, "ply", thickness_mm=0.8), replace(TAPER, count=2))
    now = {Seat.NEXT_HOUSE: 0.8, Seat.NEXT_OUT: 0.8}
    answer = front_door(FOOT, HEIGHT, Lean(0.004, 0.0), TOLERANCE, now=now, options=OPTIONS, lots=box)
    reported = {change.seat for change in answer.change}
    fresh = [pack.seat for pack in answer.packs if pack.pieces]
    assert fresh
    assert set(fresh) <= reported


TRIPOD_BOX = (
    Lot("F1", "flat", 4, "ply", thickness_mm=0.8),
    Lot("F2", "flat", 4, "ply", thickness_mm=0.4),
    Lot("F3", "flat", 4, "card", thickness_mm=0.15),
    TAPER,
)


def middles_now():
    return (flat_pack(Seat.NEXT, "F1", 0.8), flat_pack(Seat.OUT, "F1", 0.8))


@pytest.mark.parametrize("layout", ["corners", "tripod", "auto"])
def test_packs_at_the_edge_middles_are_corrected_in_every_layout(layout):
    options = replace(OPTIONS, layout=layout)
    now = middles_now()
    reading = Lean(0.004, 0.001)
    answer = front_door(FOOT, HEIGHT, reading, TOLERANCE, now=now, options=options, lots=TRIPOD_BOX)
    assert answer.within
    assert answer.status in ("proven", "found")
    standing = standing_on(Correction(FOOT, HEIGHT, reading, TOLERANCE, now), OPTIONS.preload_mm)
    rest = standing.rests_on(answer.packs, OPTIONS.preload_mm)
    assert rest == answer.resting
    assert TOLERANCE.holds(rest.lean, HEIGHT)
    assert answer.change
    if layout == "tripod":
        assert answer.layout == "tripod"


def test_a_feeler_at_a_corner_goes_into_its_total():
    packs = (flat_pack(Seat.NEXT_HOUSE, "F1", 0.8), flat_pack(Seat.NEXT_OUT, "F1", 0.8))
    box = (*TRIPOD_BOX, Lot("F9", "flat", 2, "ply", thickness_mm=0.9))
    answer = front_door(
        FOOT, HEIGHT, Lean(0.0005, 0.0), TOLERANCE,
        now=packs, options=OPTIONS, lots=box, known=Known(feelers={Seat.PREV_OUT: 0.9}),
    )  # fmt: skip
    filled = next(pack for pack in answer.packs if pack.seat is Seat.PREV_OUT)
    assert filled.made_mm == pytest.approx(0.9, abs=0.3)
    assert answer.resting.unique
    assert answer.within


def test_a_reading_within_counts_more_than_a_predicted_rock():
    # Opposite corners alone should rock; it was read within the tolerance, so feel it and leave it.
    packs = (flat_pack(Seat.NEXT_OUT, "F2", 1.55), flat_pack(Seat.PREV_HOUSE, "F2", 1.55))
    answer = correct(packs, Lean(0.001, 0.0), BOX)
    assert answer.change == ()
    assert answer.within
    assert answer.resting.lean == Lean(0.001, 0.0)
    assert "feel whether the post rocks" in answer.cautions[0]


@pytest.mark.parametrize("number", [25, 33])
def test_a_round_foot_on_four_packs_may_stay_on_the_one_that_lifts_it(number):
    # The box could lift it by flats of its own too, each 0.5 min to carry: what stands there costs nothing.
    chance = random.Random(number)
    foot = Foot(90.0, 90.0, round=True, rod_hole_mm=1.0)
    there = [
        replace(pack_of(foot, seat, made), pieces=(Piece(f"old {seat}", "flat", made),))
        for seat, made in ((seat, round(4.0 + chance.uniform(-0.6, 0.6), 2)) for seat in CORNERS)
    ]
    lean = Lean(chance.uniform(-0.012, 0.012), chance.uniform(-0.012, 0.012))
    lots = [Lot(f"F{i}", "flat", 1, thickness_mm=round(0.4 + 0.35 * i, 2)) for i in range(8)]
    gone = [Lot(pack.pieces[0].lot, "flat", 0, thickness_mm=pack.made_mm) for pack in there]
    answer = front_door(
        foot,
        HEIGHT,
        lean,
        Tolerance("1:300", "ratio", 1 / 300),
        now=there,
        options=Options(bearing_point="corner", bearing_mm=20.0),
        lots=[*lots, *gone],
    )
    assert answer.within
    assert len(answer.packs) == 4
    changed = {one.seat for one in answer.change}
    down = min(CORNERS, key=lambda seat: gap_plane(foot, lean).at_seat_mm(seat))
    assert down not in changed
    assert len(changed) < 4
