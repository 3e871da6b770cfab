"""How the post comes to rest: worked examples, direct minimisation by scipy, and every set of contacts."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq, minimize

from shimfit.core.foot import gap_plane
from shimfit.core.resting import (
    Spring,
    Support,
    _rolled,
    distance_to_nearest_side,
    hull,
    rest,
    rest_packs,
    settle,
    supports_of,
)
from shimfit.errors import EntryError
from shimfit.model import CORNERS, Foot, Lean, Pack, Seat
from tests.referee.enumeration import every_contact, furthest_apart

INCH = Foot(3.5, 3.5, rod_hole_mm=0.5)  # worked in inches: nothing in the mechanics knows the unit
DELTA = 0.0075
HEIGHT = 44.0


def corners(foot, e_next_out, e_prev_out, e_prev_house, e_next_house):
    x, y = foot.along_mm / 2, foot.across_mm / 2
    return [
        Support(x, y, e_next_out),
        Support(-x, y, e_prev_out),
        Support(-x, -y, e_prev_house),
        Support(x, -y, e_next_house),
    ]


def packs_for(foot, lean, error=0.0, seats=CORNERS):
    plane = gap_plane(foot, lean)
    rod_x, rod_y = foot.rod_at_mm
    found = []
    for seat in seats:
        x, y = foot.seat_at_mm(seat)
        need = plane.at_seat_mm(seat)
        found.append(Pack(seat, need, need + error, (x - rod_x, y - rod_y)))
    return tuple(found)


# ------------------------------------------------------------------- worked by hand


@pytest.mark.parametrize(
    ("e_out_next", "e_prev_house", "e_next_house", "rock", "top"),
    [
        # 3.5 in post, 44 in high, leaning +.5473, −.3220 in: pivot prev-out, gaps .04354, .02561, .06915 in.
        (0.031 - 0.04354, 0.016 - 0.02561, 0.062 - 0.06915, 0.015, (0.063, -0.027)),
        (0.031 - 0.04354, 0.016 - 0.02561, 0.067 - 0.06915, 0.020, (0.032, 0.005)),
        (0.031 - 0.04354, 0.016 - 0.02561, 0.069 - 0.06915, 0.022, (0.019, 0.017)),
    ],
)
def test_the_worked_example_in_inches(e_out_next, e_prev_house, e_next_house, rock, top):
    found = rest(INCH, corners(INCH, e_out_next, 0.0, e_prev_house, e_next_house), DELTA)
    assert found.unique
    assert found.rock_mm == pytest.approx(rock, abs=6e-4)
    assert found.lean.top_mm(HEIGHT) == pytest.approx(top, abs=1.5e-3)
    assert found.tipping_arm == pytest.approx(1.0)


def test_the_worked_example_from_its_lean():
    # The gap plane's own errors, not typed ones: row 1 again through the packs.
    lean = Lean(0.5473 / HEIGHT, -0.3220 / HEIGHT)
    made = {Seat.NEXT_OUT: 0.031, Seat.PREV_HOUSE: 0.016, Seat.NEXT_HOUSE: 0.062}
    plane = gap_plane(INCH, lean)
    assert plane.pivot is Seat.PREV_OUT
    assert plane.at_seat_mm(Seat.NEXT_OUT) == pytest.approx(0.04354, abs=5e-6)
    assert plane.at_seat_mm(Seat.PREV_HOUSE) == pytest.approx(0.02561, abs=5e-6)
    assert plane.at_seat_mm(Seat.NEXT_HOUSE) == pytest.approx(0.06915, abs=5e-6)
    packs = tuple(
        Pack(seat, plane.at_seat_mm(seat), thick, INCH.seat_at_mm(seat)) for seat, thick in made.items()
    )
    found = rest_packs(INCH, lean, packs, DELTA)
    assert found.lean.top_mm(HEIGHT) == pytest.approx((0.063, -0.027), abs=1e-3)


def test_a_rigid_post_on_the_same_packs_agrees_about_the_signs():
    """Independent of springs: three rigid points decide where the top goes."""
    lean = Lean(0.01, -0.004)
    foot = Foot(90, 90)
    packs = packs_for(foot, lean, seats=(Seat.NEXT_HOUSE, Seat.NEXT_OUT, Seat.PREV_HOUSE))
    thick = replace(packs[0], made_mm=packs[0].need_mm + 0.3)  # next-house lifted too far
    found = rest_packs(foot, lean, (thick, *packs[1:]), 50.0)
    # Too much under next-house sends the top to prev and out.
    assert found.lean.slope_along < 0 < found.lean.slope_across
    # One corner error e moves the top by h·e/(2b) in each direction.
    assert found.lean.slope_along == pytest.approx(-0.3 / 180)
    assert found.lean.slope_across == pytest.approx(0.3 / 180)


def test_one_sixty_fourth_under_a_corner_and_under_an_edge():
    error = 1 / 64
    corner = rest(INCH, corners(INCH, error, 0, 0, 0), DELTA)
    edge = rest(INCH, corners(INCH, error, 0, 0, error), DELTA)
    assert corner.lean.top_mm(HEIGHT)[0] == pytest.approx(-HEIGHT * error / 7, abs=1e-9)
    assert edge.lean.top_mm(HEIGHT) == pytest.approx((-HEIGHT * error / 3.5, 0.0), abs=1e-9)


def test_rocking_is_two_limits():
    found = rest(INCH, corners(INCH, 0.03, 0.0, 0.03, 0.0), DELTA)
    assert found.lean is None
    assert not found.unique
    assert found.rock_mm == pytest.approx(0.06)
    tops = sorted(limit.top_mm(HEIGHT) for limit in found.limits)
    assert tops == [pytest.approx((-0.1886, 0.1886), abs=5e-4), pytest.approx((0.1886, -0.1886), abs=5e-4)]
    assert found.tipping_arm == 0.0


@pytest.mark.parametrize("share", [0.999, 1.0, 1.001])
def test_four_equal_corners_stay_in_contact_up_to_four_deltas_of_rock(share):
    e = share * 4 * DELTA / 2
    found = rest(INCH, corners(INCH, e, 0.0, e, 0.0), DELTA)
    assert found.unique is (share <= 1.0)
    assert found.rock_mm == pytest.approx(2 * e)


def test_a_tripod_is_determinate_and_does_not_rock():
    # Pivot corner and the middles of the two far edges.
    foot, lean = Foot(90, 110), Lean(0.012, 0.009)
    plane = gap_plane(foot, lean)
    assert plane.at_seat_mm(Seat.NEXT) == pytest.approx(0.012 * 90 + 0.009 * 110 / 2)
    assert plane.at_seat_mm(Seat.OUT) == pytest.approx(0.012 * 90 / 2 + 0.009 * 110)
    packs = packs_for(foot, lean, seats=(Seat.NEXT, Seat.OUT))
    found = rest_packs(foot, lean, packs, 0.05)
    assert found.lean.slope_along == pytest.approx(0.0, abs=1e-15)
    assert found.lean.slope_across == pytest.approx(0.0, abs=1e-15)
    assert found.rock_mm == 0.0
    square = rest_packs(Foot(90, 90), lean, packs_for(Foot(90, 90), lean, seats=(Seat.NEXT, Seat.OUT)), 0.05)
    assert square.tipping_arm == pytest.approx(1 / math.sqrt(5))  # |.5·.5 − .5·1| ÷ √1.25 ÷ .5


def test_pivot_and_two_neighbours_alone_are_no_support():
    supports = corners(Foot(90, 90), 0, 0, 0, 0)
    with pytest.raises(EntryError, match="tip over"):
        rest(Foot(90, 90), [supports[1], supports[2], supports[3]], 0.19)


def test_take_up_scales_both_limits_of_rocking():
    # Two corners across from each other are 0.03 in too thick: as above the top lies 44 · 0.03 / 7 in off at
    # either limit, and 80 % of that on a deck that gives 80 % of what packs should.
    share, lean = 0.8, Lean(0.5473 / HEIGHT, -0.3220 / HEIGHT)
    plane = gap_plane(INCH, Lean(lean.slope_along / share, lean.slope_across / share))
    thick = {Seat.NEXT_OUT: 0.13, Seat.PREV_OUT: 0.1, Seat.PREV_HOUSE: 0.13, Seat.NEXT_HOUSE: 0.1}
    packs = [
        Pack(seat, 0.0, plane.at_seat_mm(seat) + more, INCH.seat_at_mm(seat)) for seat, more in thick.items()
    ]
    found = rest_packs(INCH, lean, packs, DELTA, take_up=share)
    assert found.lean is None
    far = share * HEIGHT * 0.03 / 7
    tops = sorted(limit.top_mm(HEIGHT) for limit in found.limits)
    assert tops == [pytest.approx((-far, far)), pytest.approx((far, -far))]


def test_packs_on_two_neighbours_leave_the_post_between_two_limits():
    # The far corner is bare and hangs over its gap: the post stands on the diagonal of the two packs.
    foot, lean = Foot(90, 90), Lean(0.01, 0.01)
    found = rest_packs(foot, lean, packs_for(foot, lean, seats=(Seat.NEXT_HOUSE, Seat.PREV_OUT)), 0.05)
    assert not found.unique
    assert found.tipping_arm == 0.0
    assert found.rock_mm == pytest.approx(1.8)


@pytest.mark.parametrize("foot", [Foot(90, 90), Foot(80, 120), Foot(90, 90, round=True)])
@pytest.mark.parametrize("lean", [Lean(0.0, 0.0), Lean(0.01, 0.0), Lean(-0.004, 0.011), Lean(0.007, 0.007)])
@pytest.mark.parametrize("preload", [0.0, 0.02, 0.19])
def test_no_packs_leave_the_lean_and_exact_packs_leave_none(foot, lean, preload):
    bare = rest_packs(foot, lean, (), preload)
    exact = rest_packs(foot, lean, packs_for(foot, lean), preload)
    for found, expected in ((bare, lean), (exact, Lean(0.0, 0.0))):
        assert found.unique
        assert found.lean.slope_along == pytest.approx(expected.slope_along, abs=1e-14)
        assert found.lean.slope_across == pytest.approx(expected.slope_across, abs=1e-14)
        assert found.rock_mm == pytest.approx(0.0, abs=1e-12)


def test_a_one_way_lean_on_one_pack_pivots_on_the_whole_edge():
    foot, lean = Foot(90, 90), Lean(0.01, 0.0)
    found = rest_packs(foot, lean, packs_for(foot, lean, seats=(Seat.NEXT,)), 0.05)
    # Force balance: half the pull on the pack, a quarter on each pivot corner, so the pack gives twice.
    assert found.lean.slope_along == pytest.approx(0.05 * 4 * (0.5 - 0.25) / 90)
    assert found.lean.slope_across == pytest.approx(0.0, abs=1e-15)
    assert found.tipping_arm == pytest.approx(1 / math.sqrt(5))


def test_a_feeler_thickness_is_part_of_the_seats_gap():
    foot, lean = Foot(90, 90), Lean(0.01, 0.005)
    rocks = {Seat.PREV_HOUSE: 0.8}
    packs = packs_for(foot, lean, seats=(Seat.NEXT_HOUSE, Seat.NEXT_OUT, Seat.PREV_OUT))
    without = rest_packs(foot, lean, packs, 0.05, rocks_mm=rocks)
    assert not without.unique
    filled = Pack(Seat.PREV_HOUSE, 0.8, 0.8, foot.seat_at_mm(Seat.PREV_HOUSE), purpose="fill")
    found = rest_packs(foot, lean, (*packs, filled), 0.05, rocks_mm=rocks)
    assert found.unique
    assert found.lean.magnitude == pytest.approx(0.0, abs=1e-15)
    assert found.rock_mm == pytest.approx(0.0, abs=1e-12)


def test_packs_that_take_up_less_leave_the_rest_of_the_lean():
    foot, lean = Foot(90, 90), Lean(0.01, -0.002)
    packs = packs_for(foot, lean)
    found = rest_packs(foot, lean, packs, 0.05, take_up=0.92)
    assert found.lean.slope_along == pytest.approx(0.08 * 0.01)
    assert found.lean.slope_across == pytest.approx(-0.08 * 0.002)
    assert rest_packs(foot, lean, (), 0.05, take_up=0.92).lean.slope_along == pytest.approx(0.01)


def test_where_the_rod_pulls_tilts_a_soft_post_towards_it():
    # Moment balance of four equal springs: u = 4δ·r/b², the foot sinks on the rod's side.
    foot = Foot(90, 90, rod_at_mm=(5.0, 0.0))
    found = rest(foot, corners(foot, 0, 0, 0, 0), 0.1)
    assert found.lean.slope_along == pytest.approx(4 * 0.1 * 5.0 / 90**2)
    assert found.lean.slope_across == pytest.approx(0.0, abs=1e-15)


def test_a_soft_pack_sinks_more():
    foot = Foot(90, 90)
    soft = [replace(s, stiffness=0.5) if s.x_mm > 0 else s for s in corners(foot, 0, 0, 0, 0)]
    found = rest(foot, soft, 0.1)
    # Each edge carries half of 4δ: 2δ ÷ 2 = δ on the firm one, 2δ ÷ 1 on the soft one.
    assert found.lean.slope_along == pytest.approx(0.1 / 90)


# ------------------------------------------------------------------- against direct minimisation


def energy(plane, springs, pull):
    rows = np.array([[1.0, s.x, s.y] for s in springs])
    e = np.array([s.e for s in springs])
    k = np.array([s.k for s in springs])
    into = np.maximum(0.0, e - rows @ plane)
    return 0.5 * float(k @ into**2) + pull * plane[0], pull * np.array([1.0, 0, 0]) - rows.T @ (k * into)


def minimise(springs, pull):
    """Energy minimum by scipy's BFGS, polished by Newton steps on its own smooth piece."""
    size = max(abs(v) for s in springs for v in (s.x, s.y))
    rows = np.array([[1.0, s.x / size, s.y / size] for s in springs])
    scaled = [Spring(s.x / size, s.y / size, s.e, s.k) for s in springs]
    k = np.array([s.k for s in springs])
    e = np.array([s.e for s in springs])
    start = np.array([e.mean() - pull / k.sum(), 0.0, 0.0])
    found = minimize(energy, start, args=(scaled, pull), jac=True, method="BFGS", options={"gtol": 1e-9})
    plane = found.x
    for _ in range(5):
        pushing = (e - rows @ plane) > 0
        hessian = (rows[pushing].T * k[pushing]) @ rows[pushing]
        if np.linalg.matrix_rank(hessian, tol=1e-6) < 3:
            break
        plane = plane - np.linalg.solve(hessian, energy(plane, scaled, pull)[1])
    return np.array([plane[0], plane[1] / size, plane[2] / size])


def random_case(rng, n_middles=0):
    foot = Foot(
        float(rng.uniform(60, 200)),
        float(rng.uniform(60, 200)),
        rod_at_mm=(float(rng.uniform(-12, 12)), float(rng.uniform(-12, 12))),
    )
    seats = list(CORNERS) + list(rng.permutation([Seat.NEXT, Seat.OUT, Seat.PREV, Seat.HOUSE])[:n_middles])
    supports = []
    for seat in seats:
        x, y = foot.seat_at_mm(Seat(seat))
        inwards = rng.uniform(0.6, 1.0)
        supports.append(
            Support(x * inwards, y * inwards, float(rng.normal(0, 0.2)), float(rng.uniform(0.3, 3.0)))
        )
    return foot, supports, float(rng.uniform(0.02, 0.4))


def springs_of(foot, supports):
    x, y = foot.rod_at_mm
    return [Spring(s.x_mm - x, s.y_mm - y, s.error_mm, s.stiffness) for s in supports]


@pytest.mark.parametrize("seed", range(60))
def test_rest_is_the_least_energy(seed):
    rng = np.random.default_rng(seed)
    foot, supports, preload = random_case(rng, n_middles=seed % 5)
    springs, pull = springs_of(foot, supports), 4 * preload
    found = rest(foot, supports, preload)
    plane = settle(springs, pull).planes[0]
    least = minimise(springs, pull)
    assert energy(np.array(plane), springs, pull)[0] == pytest.approx(
        energy(least, springs, pull)[0], abs=1e-10
    )
    assert energy(np.array(plane), springs, pull)[1] == pytest.approx(np.zeros(3), abs=1e-9)
    if found.unique:
        assert found.lean.slope_along == pytest.approx(-least[1], abs=1e-9)
        assert found.lean.slope_across == pytest.approx(-least[2], abs=1e-9)


@pytest.mark.parametrize("seed", range(40))
def test_the_limits_of_rocking_are_where_the_energy_starts_to_rise(seed):
    rng = np.random.default_rng(1000 + seed)
    foot = Foot(float(rng.uniform(60, 200)), float(rng.uniform(60, 200)))
    preload = float(rng.uniform(0.0, 0.1))
    high = float(rng.uniform(4.1, 9.0)) * max(preload, 0.02)
    supports = corners(foot, high, 0.0, float(rng.uniform(0.0, 0.01)), float(rng.uniform(-0.3, 0.0)))
    found = rest(foot, supports, preload)
    assert not found.unique
    if preload == 0.0:
        return
    springs, pull = springs_of(foot, supports), 4 * preload
    contact = settle(springs, pull)
    first, second = (np.array(plane) for plane in contact.planes)
    least = energy((first + second) / 2, springs, pull)[0]
    for inside in (0.0, 0.3, 1.0):
        assert energy(first + inside * (second - first), springs, pull)[0] == pytest.approx(least, abs=1e-14)
    # Root of "what the energy rises by", found by scipy on either side.
    for at, outwards in ((first, first - second), (second, second - first)):

        def rise(share, at=at, outwards=outwards):
            return energy(at + share * outwards, springs, pull)[0] - least - 1e-12

        assert rise(0.0) < 0.0 < rise(1.0)
        assert brentq(rise, 0.0, 1.0) == pytest.approx(0.0, abs=1e-3)


@settings(max_examples=150, deadline=None)
@given(st.integers(0, 10**6), st.integers(0, 4))
def test_active_set_and_every_set_of_contacts_agree(seed, n_middles):
    rng = np.random.default_rng(seed)
    foot, supports, preload = random_case(rng, n_middles)
    if seed % 3 == 0:  # centred and regular: where lines and ties are
        foot = replace(foot, rod_at_mm=(0.0, 0.0))
        supports = [
            replace(s, x_mm=x, y_mm=y, stiffness=1.0, error_mm=float(rng.integers(-3, 4)) / 10)
            for s, (x, y) in zip(
                supports, (foot.seat_at_mm(seat) for seat in (*CORNERS, *list(Seat)[4:])), strict=False
            )
        ]
    springs = springs_of(foot, supports)
    referee = every_contact(springs, 4 * preload)
    contact = settle(springs, 4 * preload)
    one, other = furthest_apart(referee)
    reach = max(foot.along_mm, foot.across_mm)
    if len(contact.planes) == 1:
        assert np.allclose(one, other, atol=1e-9)
        assert np.allclose(contact.planes[0], one, atol=1e-9)
    else:
        assert math.hypot(one[1] - other[1], one[2] - other[2]) * reach > 1e-9
        first, second = contact.planes
        either_way = [(one, other), (other, one)]
        assert any(np.allclose((first, second), pair, atol=1e-9) for pair in either_way)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10**6))
def test_a_rigid_rest_is_the_limit_of_a_light_pull(seed):
    rng = np.random.default_rng(seed)
    foot, supports, _ = random_case(rng, 2)
    rigid, light = rest(foot, supports, 0.0), rest(foot, supports, 1e-9)
    assert rigid.lean.slope_along == pytest.approx(light.lean.slope_along, abs=1e-7)
    assert rigid.lean.slope_across == pytest.approx(light.lean.slope_across, abs=1e-7)


# ------------------------------------------------------------------- mirror, swap, scale


@given(
    st.lists(st.floats(-0.3, 0.3), min_size=4, max_size=4),
    st.floats(0.01, 0.3),
    st.floats(0.5, 2.0),
)
def test_mirror_swap_and_scale(errors, preload, ratio):
    foot = Foot(90.0, 90.0 * ratio)
    supports = corners(foot, *errors)
    found = rest(foot, supports, preload)
    mirrored = rest(foot, [replace(s, x_mm=-s.x_mm) for s in supports], preload)
    turned = Foot(foot.across_mm, foot.along_mm)
    swapped = rest(turned, [replace(s, x_mm=s.y_mm, y_mm=s.x_mm) for s in supports], preload)
    inch = Foot(foot.along_mm / 25.4, foot.across_mm / 25.4, rod_hole_mm=0.5)
    scaled = rest(
        inch,
        [replace(s, x_mm=s.x_mm / 25.4, y_mm=s.y_mm / 25.4, error_mm=s.error_mm / 25.4) for s in supports],
        preload / 25.4,
    )
    assert found.unique == mirrored.unique == swapped.unique == scaled.unique
    assert mirrored.rock_mm == pytest.approx(found.rock_mm, abs=1e-12)
    assert swapped.rock_mm == pytest.approx(found.rock_mm, abs=1e-12)
    assert scaled.rock_mm * 25.4 == pytest.approx(found.rock_mm, abs=1e-12)
    if found.unique:
        along, across = found.lean.slope_along, found.lean.slope_across
        assert mirrored.lean.slope_along == pytest.approx(-along, abs=1e-12)
        assert mirrored.lean.slope_across == pytest.approx(across, abs=1e-12)
        assert swapped.lean.slope_along == pytest.approx(across, abs=1e-12)
        assert scaled.lean.slope_along == pytest.approx(along, abs=1e-12)
        q = errors[0] - errors[1] + errors[2] - errors[3]
        assert found.rock_mm == pytest.approx(abs(q), abs=1e-12)


# ------------------------------------------------------------------- the base, and bad input


def test_the_hull_of_a_square_with_points_inside_and_on_its_sides():
    square = [(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)]
    assert hull([*square, (0.0, 0.0), (1.0, 0.0), (-1.0, -1.0)]) == square
    assert distance_to_nearest_side(square) == 1.0
    assert distance_to_nearest_side([(x + 0.4, y) for x, y in square]) == pytest.approx(0.6)
    assert distance_to_nearest_side([(x + 1.4, y) for x, y in square]) == 0.0
    assert distance_to_nearest_side([(-1.0, -1.0), (0.0, 0.0), (2.0, 2.0)]) == 0.0
    assert distance_to_nearest_side([]) == 0.0


def test_an_off_centre_rod_narrows_the_base():
    foot = Foot(90, 120, rod_at_mm=(0.0, 20.0))
    found = rest(foot, corners(foot, 0, 0, 0, 0), 0.1)
    assert found.tipping_arm == pytest.approx(40 / 45)


def test_four_corners_with_moved_bearing_points_that_lie_in_a_plane_do_not_rock():
    foot = Foot(90, 90)
    places = [(13.0, 45.0), (-45.0, 45.0), (-45.0, -45.0), (45.0, -45.0)]
    supports = [Support(x, y, 0.002 * x - 0.001 * y) for x, y in places]
    assert rest(foot, supports, 0.1).rock_mm == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_what_is_no_number_is_refused(bad):
    foot = Foot(90, 90)
    good = corners(foot, 0, 0, 0, 0)
    for change in ({"x_mm": bad}, {"y_mm": bad}, {"error_mm": bad}, {"stiffness": bad}):
        with pytest.raises(EntryError):
            rest(foot, [replace(good[0], **change), *good[1:]], 0.1)
    with pytest.raises(EntryError):
        rest(foot, good, bad)
    with pytest.raises(EntryError):
        rest_packs(foot, Lean(bad, 0.0), (), 0.1)
    with pytest.raises(EntryError):
        rest_packs(foot, Lean(0.0, 0.0), (), 0.1, take_up=bad)


def test_impossible_rests_are_refused():
    foot = Foot(90, 90)
    good = corners(foot, 0, 0, 0, 0)
    for call in (
        lambda: rest(foot, good, -0.1),
        lambda: rest(foot, [replace(good[0], stiffness=0.0), *good[1:]], 0.1),
        lambda: rest(foot, [replace(good[0], x_mm=0.0, y_mm=0.0), *good[1:]], 0.1),
        lambda: rest(foot, [], 0.1),
        lambda: rest(foot, good[:2], 0.1),
        lambda: rest(foot, good[:2], 0.0),
        lambda: rest(replace(foot, rod_at_mm=(30.0, 0.0)), [replace(s, x_mm=s.x_mm / 2) for s in good], 0.1),
        lambda: rest(replace(foot, rod_hole_mm=95.0), good, 0.1),
    ):
        with pytest.raises(EntryError):
            call()


@pytest.mark.parametrize("off", [1e-5, -1e-5, 1e-3])
def test_a_round_foot_on_one_thick_pack_lies_on_the_rim_across_from_it_from_either_side(off):
    """One pack 1.6 mm at one end of a diameter of 90, the rim down at the other: 1.6 / 90 less the lean.

    Down on one side of there it would tip to the other, 15 mm apart at a post of 1 m.
    """
    foot, lean = Foot(90, 90, round=True), Lean(0.006 + off, 0.006 - off)
    packs = (Pack(Seat.NEXT_OUT, 1.0, 1.6, foot.seat_at_mm(Seat.NEXT_OUT), ()),)
    found = rest_packs(foot, lean, packs, 0.19).lean
    each = 1.6 / 90 / math.sqrt(2)
    assert found.slope_along == pytest.approx(lean.slope_along - each, abs=2e-5)
    assert found.slope_across == pytest.approx(lean.slope_across - each, abs=2e-5)


def test_a_round_foot_rolls_until_its_rim_is_down_where_it_leans_to():
    foot, lean = Foot(100, 100, round=True), Lean(0.01, 0.0)
    packs = (Pack(Seat.NEXT_OUT, 0.6, 0.6, foot.seat_at_mm(Seat.NEXT_OUT), ()),)
    found, plane = rest_packs(foot, lean, packs, 0.19), gap_plane(foot, lean)
    again = rest(foot, supports_of(plane, packs, rim_at_mm=_rolled(plane, found)), 0.19)
    assert again.lean.slope_along == pytest.approx(found.lean.slope_along, abs=5e-5)
    assert again.lean.slope_across == pytest.approx(found.lean.slope_across, abs=5e-5)
