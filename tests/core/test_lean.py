"""Slopes from readings, against sine and tangent as printed and rigid rotations by scipy."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from shimfit.core import lean
from shimfit.errors import EntryError
from tests.referee import printed

# higherprecision.com FAQ (27°) and shopdawg.com sine bar page (18°), read here; 30°: general article.
SINE_BAR = [(5.0, 27.0, 2.270), (5.0, 18.0, 1.545), (5.0, 30.0, 2.500)]


@pytest.mark.parametrize(("length", "angle_deg", "rise"), SINE_BAR)
def test_an_offset_along_the_post_is_a_sine_bar(length, angle_deg, rise):
    slope = printed.from_offset_along_post(rise, length)
    assert lean.to_degrees(slope) == pytest.approx(angle_deg, abs=0.01)
    exact = length * math.sin(math.radians(angle_deg))
    assert printed.from_offset_along_post(exact, length) == pytest.approx(
        lean.from_degrees(angle_deg), rel=1e-14
    )


def test_sine_and_tangent_of_one_degree_as_the_level_makers_print_them():
    # Eichhorn GME technical explanations: x = 1000 sin(a); read here. 17.4524 against 17.4551 mm/m.
    assert 1000 * lean.from_degrees(1.0) == pytest.approx(17.4551, abs=5e-5)
    assert 1000 * lean.from_offset(17.4524, 1000.0) == pytest.approx(17.4524)
    assert 1000 * printed.from_offset_along_post(17.4524, 1000.0) == pytest.approx(17.4551, abs=5e-5)


def test_height_and_gauge_length_differ_by_six_hundredths_of_a_percent_at_two_degrees():
    offset = 1000 * math.sin(math.radians(2.0))
    ratio = printed.from_offset_along_post(offset, 1000.0) / lean.from_offset(offset, 1000.0)
    assert ratio - 1 == pytest.approx(0.0006, abs=1e-5)


def gravity_in(post: Rotation) -> tuple[float, float, float]:
    """Reaction of gravity in the axes of a turned post."""
    along, across, up = post.inv().apply([0.0, 0.0, 1.0])
    return float(along), float(across), float(up)


@given(st.floats(-40, 40), st.floats(-40, 40), st.floats(0.2, 30.0))
def test_acceleration_gives_the_slopes_of_the_turned_post(tilt_along, tilt_across, gravity):
    # Independent: a rigid rotation. In the post's own axes the plumb line through the foot's centre
    # passes the height of the top displaced by (−slope): the lean of the post in its own frame.
    post = Rotation.from_euler("YX", [tilt_along, tilt_across], degrees=True)
    along, across, up = gravity_in(post)
    found = lean.from_acceleration(along * gravity, across * gravity, up * gravity)
    assert found.slope_along == pytest.approx(-along / up, abs=1e-12)
    # The plane of the level bed, seen from the post's axes, is the gap plane: n·(x, y, z) = 0.
    bed = post.inv().apply([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
    for x, y, z in bed:
        assert z == pytest.approx(found.slope_along * x + found.slope_across * y, abs=1e-12)


def test_a_post_that_leans_next_reads_a_positive_slope_along():
    post = Rotation.from_euler("Y", 3.0, degrees=True)  # turns the top (+z) towards +x
    top = post.apply([0.0, 0.0, 1000.0])
    assert top[0] > 0
    found = lean.from_acceleration(*gravity_in(post))
    assert found.slope_along == pytest.approx(math.tan(math.radians(3.0)), rel=1e-12)
    assert found.slope_across == pytest.approx(0.0, abs=1e-15)


@given(st.floats(-40, 40), st.floats(-40, 40))
def test_elevations_are_the_same_post_as_its_acceleration(tilt_along, tilt_across):
    post = Rotation.from_euler("XY", [tilt_along, tilt_across], degrees=True)
    elevations = [math.degrees(math.asin(post.apply(axis)[2])) for axis in ([1, 0, 0], [0, 1, 0])]
    by_angle = lean.from_elevations(*elevations)
    by_acceleration = lean.from_acceleration(*gravity_in(post))
    assert by_angle.slope_along == pytest.approx(by_acceleration.slope_along, abs=1e-10)
    assert by_angle.slope_across == pytest.approx(by_acceleration.slope_across, abs=1e-10)


@pytest.mark.parametrize(("angle", "cross_term_deg"), [(1.0, 0.00015), (3.0, 0.004)])
def test_elevation_and_tangent_differ_only_in_the_cross_term(angle, cross_term_deg):
    sines = lean.from_elevations(-angle, -angle)
    tangents = lean.from_tangent_angles(angle, angle)
    difference = lean.to_degrees(sines.slope_along) - lean.to_degrees(tangents.slope_along)
    assert difference == pytest.approx(cross_term_deg, rel=0.1)


BAD = [math.nan, math.inf, -math.inf]


@pytest.mark.parametrize("bad", BAD)
def test_what_is_no_number_is_refused_everywhere(bad):
    calls = [
        lambda: lean.from_offset(bad, 1000.0),
        lambda: lean.from_offset(1.0, bad),
        lambda: printed.from_offset_along_post(bad, 1000.0),
        lambda: printed.from_offset_along_post(1.0, bad),
        lambda: lean.from_degrees(bad),
        lambda: lean.to_degrees(bad),
        lambda: lean.from_acceleration(bad, 0.0, 1.0),
        lambda: lean.from_acceleration(0.0, bad, 1.0),
        lambda: lean.from_acceleration(0.0, 0.0, bad),
        lambda: lean.from_elevations(bad, 0.0),
        lambda: lean.from_elevations(0.0, bad),
    ]
    for call in calls:
        with pytest.raises(EntryError, match="isn't a number"):
            call()


def test_lengths_of_nothing_and_impossible_leans_are_refused():
    for call in (
        lambda: lean.from_offset(1.0, 0.0),
        lambda: lean.from_offset(1.0, -1000.0),
        lambda: printed.from_offset_along_post(1000.0, 1000.0),
        lambda: printed.from_offset_along_post(-1001.0, 1000.0),
        lambda: lean.from_degrees(90.0),
        lambda: lean.from_acceleration(0.0, 0.0, -1.0),
        lambda: lean.from_acceleration(1.0, 0.0, 0.0),
        lambda: lean.from_elevations(60.0, 60.0),
    ):
        with pytest.raises(EntryError):
            call()
