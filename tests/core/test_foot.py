"""The gap plane, against printed examples and a rigid post turned by scipy."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from shimfit.core.foot import DUST_MM, check_foot, gap_plane
from shimfit.core.lean import from_acceleration, from_offset
from shimfit.errors import EntryError
from shimfit.model import CORNERS, Face, Foot, Lean, Seat

slopes = st.floats(-0.05, 0.05)
sides = st.floats(40.0, 300.0)


def test_the_trades_example():
    # 100 × 100 foot, leans next 10 mm and out 5 mm over 1000 mm.
    plane = gap_plane(Foot(100, 100), Lean(0.010, 0.005))
    assert plane.seats_mm == pytest.approx(
        {
            Seat.PREV_HOUSE: 0.0,
            Seat.NEXT_HOUSE: 1.0,
            Seat.PREV_OUT: 0.5,
            Seat.NEXT_OUT: 1.5,
            Seat.NEXT: 1.25,
            Seat.OUT: 1.0,
            Seat.PREV: 0.25,
            Seat.HOUSE: 0.5,
        }
    )
    assert plane.pivot is Seat.PREV_HOUSE
    assert plane.seats_mm[Seat.PREV_HOUSE] == 0.0
    assert plane.edges_mm == {
        Face.NEXT: {Seat.NEXT_HOUSE: pytest.approx(1.0), Seat.NEXT_OUT: pytest.approx(1.5)},
        Face.PREV: {Seat.PREV_HOUSE: 0.0, Seat.PREV_OUT: pytest.approx(0.5)},
        Face.OUT: {Seat.PREV_OUT: pytest.approx(0.5), Seat.NEXT_OUT: pytest.approx(1.5)},
        Face.HOUSE: {Seat.PREV_HOUSE: 0.0, Seat.NEXT_HOUSE: pytest.approx(1.0)},
    }


@pytest.mark.parametrize(
    ("lean_mm", "height_mm", "base_mm", "rise_mm"),
    [
        (0.25 * 25.4, 36 * 25.4, 3.5 * 25.4, 0.0243056 * 25.4),
        (10.0, 900.0, 88.9, 0.987778),
    ],
)
def test_rise_by_similar_triangles(lean_mm, height_mm, base_mm, rise_mm):
    # Similar triangles, derived; pivot on one edge, half the rise on the centre line.
    plane = gap_plane(Foot(base_mm, base_mm), Lean(lean_mm / height_mm, 0.0))
    assert plane.pivot is Seat.PREV
    assert plane.at_seat_mm(Seat.NEXT) == pytest.approx(rise_mm, abs=2e-6)
    assert plane.at_seat_mm(Seat.NEXT_HOUSE) == plane.at_seat_mm(Seat.NEXT_OUT) == plane.at_seat_mm(Seat.NEXT)
    assert plane.gap_mm(0.0, 0.0) == pytest.approx(rise_mm / 2, abs=1e-6)


def test_the_rotation_that_judges_here_is_the_documented_one():
    # scipy 1.15.2 documentation, Rotation.as_rotvec; read here.
    vector = Rotation.from_euler("YX", [-90, -90], degrees=True).as_rotvec(degrees=True)
    assert vector == pytest.approx([-69.2820323] * 3, abs=1e-6)
    assert np.linalg.norm(vector) == pytest.approx(120.0)


@given(sides, sides, st.floats(-5, 5), st.floats(-5, 5))
def test_packs_of_the_gap_plane_plumb_a_rigid_post(along_mm, across_mm, turn_along, turn_across):
    """Turn a rigid square-cut post with its bed; the bed seen from a plumb foot is the gap plane, exactly."""
    turned = Rotation.from_rotvec([-turn_across, turn_along, 0.0], degrees=True)
    top = turned.apply([0.0, 0.0, 1000.0])
    lean = Lean(from_offset(top[0], top[2]), from_offset(top[1], top[2]))
    up_in_post = turned.inv().apply([0.0, 0.0, 1.0])
    assert from_acceleration(*up_in_post).slope_along == pytest.approx(lean.slope_along, abs=1e-14)
    assert from_acceleration(*up_in_post).slope_across == pytest.approx(lean.slope_across, abs=1e-14)

    foot = Foot(along_mm, across_mm)
    plane = gap_plane(foot, lean)
    pivot = plane.pivot_at_mm or (0.0, 0.0)
    bed = turned.apply([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
    for seat in CORNERS:
        x, y = foot.seat_at_mm(seat)
        # How much of the two directions of the bed leads from the pivot to right below this corner.
        share = np.linalg.solve(bed[:, :2].T, [x - pivot[0], y - pivot[1]])
        below = float(share @ bed[:, 2])
        assert plane.at_seat_mm(seat) == pytest.approx(-below, abs=1e-8)


@given(slopes, slopes, sides, sides)
def test_the_gap_is_zero_at_the_pivot_and_nowhere_negative(along, across, along_mm, across_mm):
    plane = gap_plane(Foot(along_mm, across_mm), Lean(along, across))
    gaps = plane.seats_mm
    assert min(gaps.values()) == 0.0
    if plane.pivot is not None:
        assert gaps[plane.pivot] == 0.0
    assert max(gaps.values()) == pytest.approx(
        abs(along) * along_mm + abs(across) * across_mm, abs=2 * DUST_MM
    )


@given(slopes, slopes, sides)
def test_a_round_foot_pivots_on_the_exact_rim(along, across, diameter):
    plane = gap_plane(Foot(diameter, diameter, round=True), Lean(along, across))
    assert plane.pivot is None
    assert plane.edges_mm == {}
    angles = np.linspace(0, 2 * math.pi, 721)
    around = [plane.gap_mm(diameter / 2 * math.cos(a), diameter / 2 * math.sin(a)) for a in angles]
    assert min(around) >= 0.0
    assert min(around) <= math.hypot(along, across) * diameter / 2 * 1e-4
    if plane.pivot_at_mm is not None:
        assert math.hypot(*plane.pivot_at_mm) == pytest.approx(diameter / 2)
        assert plane.gap_mm(*plane.pivot_at_mm) == pytest.approx(0.0, abs=1e-9)
        assert max(around) == pytest.approx(math.hypot(along, across) * diameter, rel=1e-4)


def test_seats_of_a_round_foot_that_leans_one_way():
    plane = gap_plane(Foot(90, 90, round=True), Lean(0.01, 0.0))
    assert plane.at_seat_mm(Seat.PREV) == 0.0
    assert plane.at_seat_mm(Seat.NEXT) == pytest.approx(0.9)
    assert plane.at_seat_mm(Seat.NEXT_OUT) == pytest.approx(0.45 + 0.45 * math.sqrt(0.5))
    assert plane.at_seat_mm(Seat.OUT) == pytest.approx(0.45)


@pytest.mark.parametrize(
    ("lean", "pivot"),
    [
        (Lean(0.01, 0.005), Seat.PREV_HOUSE),
        (Lean(-0.01, 0.005), Seat.NEXT_HOUSE),
        (Lean(0.01, -0.005), Seat.PREV_OUT),
        (Lean(-0.01, -0.005), Seat.NEXT_OUT),
        (Lean(0.01, 0.0), Seat.PREV),
        (Lean(-0.01, -0.0), Seat.NEXT),
        (Lean(0.0, 0.01), Seat.HOUSE),
        (Lean(0.0, -0.01), Seat.OUT),
        (Lean(0.0, 0.0), None),
        (Lean(0.01, 0.1 + 0.2 - 0.3), Seat.PREV),  # the dust of a subtraction is no lean
        (Lean(1e-14, -1e-14), None),
    ],
)
def test_pivot(lean, pivot):
    plane = gap_plane(Foot(90, 140), lean)
    assert plane.pivot is pivot
    assert min(plane.seats_mm.values()) == 0.0


@given(slopes, slopes, sides, sides)
def test_mirror_and_swap(along, across, along_mm, across_mm):
    plane = gap_plane(Foot(along_mm, across_mm), Lean(along, across))
    mirrored = gap_plane(Foot(along_mm, across_mm), Lean(-along, across))
    swapped = gap_plane(Foot(across_mm, along_mm), Lean(across, along))
    for x, y in [(0.3, -0.4), (-0.5, 0.5), (0.5, 0.5), (0.0, 0.1)]:
        gap = plane.gap_mm(x * along_mm, y * across_mm)
        assert mirrored.gap_mm(-x * along_mm, y * across_mm) == pytest.approx(gap, abs=2 * DUST_MM)
        assert swapped.gap_mm(y * across_mm, x * along_mm) == pytest.approx(gap, abs=2 * DUST_MM)


@given(slopes, slopes, sides)
def test_scaling_all_lengths_scales_the_gap(along, across, side):
    small = gap_plane(Foot(side, side * 1.3), Lean(along, across)).seats_mm
    large = gap_plane(Foot(side * 25.4, side * 1.3 * 25.4), Lean(along, across)).seats_mm
    for seat in Seat:
        assert large[seat] == pytest.approx(25.4 * small[seat], rel=1e-12, abs=60 * DUST_MM)


BAD_FEET = [
    Foot(0.0, 90.0),
    Foot(-90.0, 90.0),
    Foot(math.nan, 90.0),
    Foot(90.0, math.inf),
    Foot(90.0, 90.0, rod_hole_mm=90.0),
    Foot(90.0, 140.0, rod_hole_mm=100.0),
    Foot(90.0, 90.0, rod_hole_mm=-1.0),
    Foot(90.0, 90.0, rod_hole_mm=math.nan),
    Foot(90.0, 90.0, rod_at_mm=(40.0, 0.0)),
    Foot(140.0, 70.0, rod_at_mm=(0.0, 30.0)),
    Foot(90.0, 90.0, rod_at_mm=(0.0, math.nan)),
    Foot(90.0, 80.0, round=True),
    Foot(90.0, 90.0, round=True, rod_at_mm=(30.0, 30.0)),
]


@pytest.mark.parametrize("foot", BAD_FEET)
def test_a_foot_that_no_post_has_is_refused(foot):
    with pytest.raises(EntryError):
        check_foot(foot)
    with pytest.raises(EntryError):
        gap_plane(foot, Lean(0.01, 0.0))


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_a_lean_that_is_no_number_is_refused(bad):
    with pytest.raises(EntryError, match="isn't a number"):
        gap_plane(Foot(90, 90), Lean(bad, 0.0))
    with pytest.raises(EntryError, match="isn't a number"):
        gap_plane(Foot(90, 90), Lean(0.0, bad))


def test_a_rod_hole_is_held_against_the_narrow_side():
    with pytest.raises(EntryError, match="as wide as the foot"):
        check_foot(Foot(90.0, 140.0, rod_hole_mm=90.0))


def test_a_rod_hole_of_nothing_is_a_foot_without_one():
    assert check_foot(Foot(90, 90, rod_hole_mm=0.0)).rod_hole_mm == 0.0
