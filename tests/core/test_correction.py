"""What to change after a reading: the contract's example, true decks simulated, and no old rock frozen in."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shimfit.core.correction.boxed import correct
from shimfit.core.correction.standing import Correction, packs_now, predicted_shift_mm, standing_on
from shimfit.core.foot import gap_plane
from shimfit.core.packing import Known, Options
from shimfit.core.resting import rest_packs
from shimfit.errors import EntryError
from shimfit.model import CORNERS, Change, Foot, Lean, Seat, Tolerance, seat_by_signs

FOOT = Foot(100, 100)
TIGHT = Tolerance("1:500", "ratio", 0.002)
PRELOAD = 0.19


def asked_of(foot, reading, totals, *, height=1000.0, low_mm=None, **known):
    return Correction(foot, height, reading, TIGHT, packs_now(foot, totals), Known(**known), low_mm or {})


def change_of(foot, reading, totals, *, layout="corners", **more):
    return correct(asked_of(foot, reading, totals, **more), Options(layout=layout, preload_mm=PRELOAD))


def test_the_contracts_example():
    now = {Seat.NEXT_HOUSE: 1.0, Seat.NEXT_OUT: 1.5, Seat.PREV_OUT: 0.5}
    answer = change_of(FOOT, Lean(0.002, 0.0), now)
    assert answer.change == (Change(Seat.NEXT_HOUSE, 1.0, 1.2), Change(Seat.NEXT_OUT, 1.5, 1.7))
    assert {pack.seat: pack.made_mm for pack in answer.packs} == {
        Seat.NEXT_HOUSE: 1.2,
        Seat.PREV_OUT: 0.5,
        Seat.NEXT_OUT: 1.7,
    }
    assert answer.lean == Lean(0.002, 0.0)
    assert answer.within
    assert answer.resting.lean.magnitude == pytest.approx(0.0, abs=1e-15)


def test_a_plumb_post_changes_nothing():
    now = {Seat.NEXT_HOUSE: 1.0, Seat.NEXT_OUT: 1.5, Seat.PREV_OUT: 0.5}
    assert change_of(FOOT, Lean(0.0, 0.0), now).change == ()


def test_take_up_asks_for_more():
    now = {Seat.NEXT_HOUSE: 1.0, Seat.NEXT_OUT: 1.0}
    answer = change_of(FOOT, Lean(0.001, 0.0), now, take_up=0.8)
    assert [c.to_mm for c in answer.change] == [pytest.approx(1.125)] * 2


def test_a_corner_that_hangs_over_its_pack_wants_the_feeler_on_top_of_it():
    now = {Seat.NEXT_HOUSE: 1.0, Seat.NEXT_OUT: 1.5, Seat.PREV_OUT: 0.5}
    hangs = standing_on(asked_of(FOOT, Lean(0.0, 0.0), now, feelers={Seat.NEXT_OUT: 0.4}), PRELOAD)
    assert hangs.want_at_mm(Seat.NEXT_OUT) == pytest.approx(1.9)
    assert hangs.want_at_mm(Seat.NEXT_HOUSE) == pytest.approx(1.0)


def test_an_overshoot_takes_away():
    now = {Seat.NEXT_HOUSE: 1.0, Seat.NEXT_OUT: 1.5, Seat.PREV_OUT: 0.5}
    answer = change_of(FOOT, Lean(0.0, -0.005), now)
    # Out is no longer wanted: the post leans house by just what the out side gives.
    assert answer.change == (Change(Seat.PREV_OUT, 0.5, 0.0), Change(Seat.NEXT_OUT, 1.5, 1.0))


def test_a_constant_that_keeps_a_pack_is_found():
    # All four corners are lifted by 2 mm; nobody should pull out 2 mm everywhere for a small correction.
    now = {Seat.PREV_HOUSE: 2.0, Seat.NEXT_HOUSE: 3.0, Seat.PREV_OUT: 2.0, Seat.NEXT_OUT: 3.0}
    answer = change_of(FOOT, Lean(0.002, 0.0), now)
    # Either 3.2 on the next side or, with as few packs touched and less height, 1.8 on the prev side.
    assert answer.change == (Change(Seat.PREV_HOUSE, 2.0, 1.8), Change(Seat.PREV_OUT, 2.0, 1.8))


def test_old_rock_is_not_frozen_in():
    # next-out is .4 too thick for the other three: the new totals lie in one plane again.
    now = {Seat.NEXT_HOUSE: 1.0, Seat.NEXT_OUT: 1.9, Seat.PREV_OUT: 0.5}
    answer = change_of(FOOT, Lean(0.001, 0.0), now)
    assert answer.resting.rock_mm == pytest.approx(0.0, abs=1e-9)
    totals = dict.fromkeys(CORNERS, 0.0) | {p.seat: p.made_mm for p in answer.packs}
    rock = totals[Seat.NEXT_OUT] - totals[Seat.PREV_OUT] - totals[Seat.NEXT_HOUSE] + totals[Seat.PREV_HOUSE]
    assert rock == pytest.approx(0.0, abs=1e-9)
    # Least squares through the old totals: slopes ((1 + 1.9) − .5)/200 and ((1.9 + .5) − 1)/200.
    along = (totals[Seat.NEXT_OUT] - totals[Seat.PREV_OUT]) / 100
    across = (totals[Seat.NEXT_OUT] - totals[Seat.NEXT_HOUSE]) / 100
    assert along == pytest.approx(0.012 + 0.001)
    assert across == pytest.approx(0.007)


def test_a_tripod_stays_a_tripod_when_that_touches_less():
    lean = Lean(0.012, 0.009)
    plane = gap_plane(FOOT, lean)
    now = {seat: plane.at_seat_mm(seat) for seat in (Seat.NEXT, Seat.OUT)}
    answer = change_of(FOOT, Lean(0.001, 0.0), now)
    assert answer.layout == "tripod"
    assert [change.seat for change in answer.change] == [Seat.NEXT, Seat.OUT]
    assert answer.change[0].to_mm == pytest.approx(plane.at_seat_mm(Seat.NEXT) + 0.1)
    assert answer.change[1].to_mm == pytest.approx(plane.at_seat_mm(Seat.OUT) + 0.05)
    assert answer.resting.lean.magnitude == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("foot", [Foot(90, 90), Foot(80, 120), Foot(90, 90, round=True)])
@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10**6))
def test_one_correction_plumbs_any_post_on_any_packs(foot, seed):
    """Independent deck: the true bed slope is known here and not told; totals are arbitrary."""
    rng = np.random.default_rng(seed)
    bed = Lean(*map(float, rng.uniform(-0.02, 0.02, 2)))
    rho = float(rng.uniform(0.7, 1.1))
    plane = gap_plane(foot, bed)
    totals = {
        seat: max(0.0, plane.at_seat_mm(seat) + float(rng.uniform(-0.1, 0.1)))
        for seat in CORNERS
        if plane.at_seat_mm(seat) > 0.05
    }
    packs = packs_now(foot, totals)
    reading = rest_packs(foot, bed, packs, PRELOAD, take_up=rho).lean
    if reading is None:
        return
    answer = change_of(foot, reading, totals, take_up=rho)
    after = rest_packs(foot, bed, answer.packs, PRELOAD, take_up=rho)
    assert after.unique
    assert after.lean.magnitude * 1000 < 0.15  # packs within half a hundredth stay as they are
    assert after.rock_mm < 0.025
    for pack in answer.packs:
        assert pack.made_mm > 0.0


MIRROR_ALONG = {seat: seat_by_signs(-seat.sign_along, seat.sign_across) for seat in Seat}
SWAP = {seat: seat_by_signs(seat.sign_across, seat.sign_along) for seat in Seat}


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.floats(0.0, 3.0), min_size=4, max_size=4),
    st.floats(-0.01, 0.01),
    st.floats(-0.01, 0.01),
    st.floats(0.6, 1.6),
)
def test_mirror_images_swapped_axes_and_inches_change_alike(thicknesses, along, across, ratio):
    foot = Foot(90.0, 90.0 * ratio)
    now = {seat: round(t, 2) for seat, t in zip(CORNERS, thicknesses, strict=True)}

    def totals(foot, reading, now):
        standing = standing_on(asked_of(foot, reading, now), 0.05)
        return standing, {seat: standing.want_at_mm(seat) for seat in Seat}

    standing, wants = totals(foot, Lean(along, across), now)
    _, mirrored = totals(foot, Lean(-along, across), {MIRROR_ALONG[s]: t for s, t in now.items()})
    turned = Foot(foot.across_mm, foot.along_mm)
    _, swapped = totals(turned, Lean(across, along), {SWAP[s]: t for s, t in now.items()})
    for seat in Seat:
        assert mirrored[MIRROR_ALONG[seat]] == pytest.approx(wants[seat], abs=1e-8)
        assert swapped[SWAP[seat]] == pytest.approx(wants[seat], abs=1e-8)
    assert min(wants.values()) == pytest.approx(0.0, abs=1e-9)
    inch = Foot(foot.along_mm / 25.4, foot.across_mm / 25.4, rod_hole_mm=0.5)
    now_in = {s: t / 25.4 for s, t in now.items()}
    scaled = standing_on(asked_of(inch, Lean(along, across), now_in), 0.05 / 25.4)
    assert scaled.wanted.slope_along == pytest.approx(standing.wanted.slope_along, abs=1e-9)
    assert scaled.wanted.slope_across == pytest.approx(standing.wanted.slope_across, abs=1e-9)


def test_a_corner_that_hangs_gets_its_feeler():
    now = {Seat.NEXT_HOUSE: 1.0, Seat.NEXT_OUT: 1.5, Seat.PREV_OUT: 0.5}
    answer = change_of(FOOT, Lean(0.0, 0.0), now, feelers={Seat.PREV_HOUSE: 0.3})
    assert answer.change == (Change(Seat.PREV_HOUSE, 0.0, 0.3),)
    # The next reading knows it: nothing more to do, though the totals are no plane.
    later = change_of(FOOT, Lean(0.0, 0.0), {**now, Seat.PREV_HOUSE: 0.3}, low_mm={Seat.PREV_HOUSE: 0.3})
    assert later.change == ()


def test_the_shift_that_a_change_should_give():
    before = packs_now(FOOT, {Seat.NEXT_HOUSE: 1.0, Seat.NEXT_OUT: 1.5, Seat.PREV_OUT: 0.5})
    after = packs_now(FOOT, {Seat.NEXT_HOUSE: 1.2, Seat.NEXT_OUT: 1.7, Seat.PREV_OUT: 0.5})
    # 0.2 mm more under 100 mm: 2 mm a metre towards prev.
    assert predicted_shift_mm(FOOT, before, after, 1000.0, PRELOAD) == pytest.approx((-2.0, 0.0))
    assert predicted_shift_mm(FOOT, (), before, 1000.0, PRELOAD) == pytest.approx((-10.0, -5.0))
    round_foot = Foot(90, 90, round=True)
    lean = Lean(0.01, 0.0)
    plane = gap_plane(round_foot, lean)
    exact = packs_now(round_foot, {seat: plane.at_seat_mm(seat) for seat in CORNERS})
    assert predicted_shift_mm(round_foot, (), exact, 1000.0, PRELOAD) == pytest.approx((-10.0, 0.0))


def test_without_packs_it_is_the_first_prescription():
    lean = Lean(0.01, 0.005)
    answer = change_of(FOOT, lean, {})
    plane = gap_plane(FOOT, lean)
    assert {p.seat: p.made_mm for p in answer.packs} == pytest.approx(
        {seat: plane.at_seat_mm(seat) for seat in (Seat.NEXT_HOUSE, Seat.PREV_OUT, Seat.NEXT_OUT)}
    )
    tripod = change_of(FOOT, lean, {}, layout="tripod")
    assert [p.seat for p in tripod.packs] == [Seat.NEXT, Seat.OUT]


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_what_is_no_number_is_refused(bad):
    with pytest.raises(EntryError):
        packs_now(FOOT, {Seat.NEXT: bad})
    for call in (
        lambda: change_of(FOOT, Lean(bad, 0.0), {}),
        lambda: change_of(FOOT, Lean(0.0, 0.0), {}, height=bad),
        lambda: change_of(FOOT, Lean(0.0, 0.0), {}, take_up=bad),
        lambda: change_of(FOOT, Lean(0.0, 0.0), {}, low_mm={Seat.NEXT_OUT: bad}),
        lambda: change_of(FOOT, Lean(0.0, 0.0), {}, feelers={Seat.NEXT_OUT: bad}),
    ):
        with pytest.raises(EntryError):
            call()


def test_packs_that_are_none_are_refused():
    with pytest.raises(EntryError):
        packs_now(FOOT, {Seat.NEXT: -0.5})
    with pytest.raises(EntryError, match="unit"):
        packs_now(FOOT, {Seat.NEXT: 1500.0})
    assert packs_now(FOOT, {Seat.NEXT: 0.0}) == ()
