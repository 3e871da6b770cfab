"""Rails between leaning posts: by hand, and by points in space."""

import math

import numpy as np
import pytest

from shimfit.core import rails
from shimfit.core.rails import StandingPost
from shimfit.errors import UsageError
from shimfit.model import Foot, Lean

FOOT = Foot(90, 70)


def post(name, station_mm, along=0.0, across=0.0, **more):
    return StandingPost(name, station_mm, FOOT, Lean(along, across), 1000.0, **more)


def test_plumb_posts_leave_the_spacing_less_one_foot():
    (rail,) = rails.rails([post("1", 0), post("2", 1500)], [500], 90)
    assert (rail.top_mm, rail.middle_mm, rail.bottom_mm) == (1410, 1410, 1410)
    assert (rail.difference_mm, rail.bevel_first_deg) == (0, 0)


def test_posts_that_lean_apart_make_the_upper_edge_longer():
    pair = [post("1", 0, -0.004), post("2", 1500, 0.002)]
    low, high = rails.rails(pair, [100, 900], 100)
    # Six thousandths apart: 0.6 mm at 100, 5.4 mm at 900, and 0.6 mm over a rail 100 deep.
    assert low.middle_mm == pytest.approx(1410.6)
    assert high.middle_mm == pytest.approx(1415.4)
    assert high.difference_mm == pytest.approx(0.6)
    assert high.square_mm == pytest.approx(1415.1)
    assert high.bevelled_mm == pytest.approx(1415.7)
    assert high.bevel_first_deg == pytest.approx(-math.degrees(math.atan(0.004)))
    assert high.bevel_second_deg == pytest.approx(-math.degrees(math.atan(0.002)))


def test_sideways_offsets_lengthen_a_rail_by_pythagoras():
    pair = [post("1", 0, across=-0.02), post("2", 1500, across=0.03)]
    (rail,) = rails.rails(pair, [1000])
    assert rail.middle_mm == pytest.approx(math.hypot(1410, 50))


@pytest.mark.parametrize("turn_deg", [90, -90, 30, -45, 135])
def test_round_a_corner_by_points_in_space(turn_deg):
    corner = post("1", 0, 0.01, -0.006, turn_deg=turn_deg)
    after = post("2", 1200, 0.003, 0.002)
    (rail,) = rails.rails([corner, after], [800])
    # World axes: x along the first leg, y towards out. The second leg walks along (cos, sin) of the turn.
    turn = math.radians(turn_deg)
    walk, out = np.array([math.cos(turn), math.sin(turn)]), np.array([-math.sin(turn), math.cos(turn)])
    # Where the new leg leaves the corner post's foot: walked in thousandths until outside.
    steps = np.linspace(0.0, 100.0, 100_001)[:, None] * walk
    inside = (np.abs(steps) <= (FOOT.along_mm / 2, FOOT.across_mm / 2)).all(1)
    start = np.array([0.01, -0.006]) * 800 + steps[inside][-1]
    end = walk * (1200 - FOOT.along_mm / 2 + 0.003 * 800) + out * 0.002 * 800
    assert rail.middle_mm == pytest.approx(np.linalg.norm(end - start), abs=0.01)


@pytest.mark.parametrize("turn_deg", [math.nan, math.inf, 180.0, -720.0])
def test_a_turn_that_is_none_is_refused(turn_deg):
    pair = [post("1", 0, turn_deg=turn_deg), post("2", 1500)]
    with pytest.raises(UsageError, match="less than 180 degrees"):
        rails.rails(pair, [500])
    with pytest.raises(UsageError, match="less than 180 degrees"):
        rails.openings(pair, 1400)


def test_openings_are_told_where_they_are_widest():
    found = rails.openings([post("1", 0, -0.004), post("2", 1500), post("3", 3000, -0.01)], 1412)
    found = np.array([(o.widest_mm, o.at_mm, o.over_mm) for o in found])
    assert found == pytest.approx(np.array([(1414, 1000, 2), (1410, 0, 0)]))


@pytest.mark.parametrize("at_mm", [-5, 20, 990, math.nan])
def test_a_rail_that_misses_the_posts_is_refused(at_mm):
    with pytest.raises(UsageError, match="does not meet"):
        rails.rails([post("1", 0), post("2", 1500)], [at_mm], 60)


def test_posts_that_touch_have_no_rail():
    with pytest.raises(UsageError, match="no room"):
        rails.rails([post("1", 0), post("2", 80)], [500])


# ---------------------------------------------------------------- round a corner that is not square


@pytest.mark.parametrize("turn_deg", [30, -30, 44, -60, 75, 120, -150])
def test_a_mitred_end_lies_flat_on_the_face_by_points_in_space(turn_deg):
    corner, after = post("1", 0, turn_deg=turn_deg), post("2", 1200)
    (rail,) = rails.rails([corner, after], [500], 0.0, 4.0)
    # World axes: x along the first leg, y towards out. The rail's edges lie 2 mm off its middle line; each is
    # walked from far off towards the post until it meets the foot's rectangle.
    turn = math.radians(turn_deg)
    walk, out = np.array([math.cos(turn), math.sin(turn)]), np.array([-math.sin(turn), math.cos(turn)])
    steps = np.linspace(200.0, 0.0, 400_001)
    reach = []
    for aside in (2.0, -2.0):
        points = steps[:, None] * walk + aside * out
        inside = (np.abs(points) <= (FOOT.along_mm / 2, FOOT.across_mm / 2)).all(1)
        reach.append(steps[inside.argmax()])
    at_out, at_house = reach
    # Longer at the out edge by as much as the post is farther back there.
    assert math.degrees(math.atan((at_house - at_out) / 4.0)) == pytest.approx(rail.mitre_first_deg, abs=0.05)
    fouls = max(at_out, at_house) - (at_out + at_house) / 2
    assert rail.fouls_mm == pytest.approx(fouls, abs=0.001)
    assert rail.square_mm == pytest.approx(rail.middle_mm - fouls, abs=0.001)


def test_a_rail_of_40_mm_at_45_degrees_fouls_by_20_when_cut_square():
    square = Foot(90, 90)
    corner = StandingPost("1", 0, square, Lean(0, 0), 1000.0, turn_deg=-45)
    (rail,) = rails.rails([corner, post("2", 1200)], [500], 0.0, 40.0)
    assert rail.fouls_mm == pytest.approx(20.0)
    assert rail.mitre_first_deg == pytest.approx(45.0)


@pytest.mark.parametrize("turn_deg", [0, 90, -90])
def test_a_right_angle_wants_no_mitre_and_a_round_post_none_at_all(turn_deg):
    corner = post("1", 0, turn_deg=turn_deg)
    assert rails.rails([corner, post("2", 1200)], [500], 0, 40)[0].mitre_first_deg == 0
    hollow = StandingPost("1", 0, Foot(90, 90, round=True), Lean(0, 0), 1000.0, turn_deg=30)
    assert rails.rails([hollow, post("2", 1200)], [500], 0, 40)[0].fouls_mm == 0


@pytest.mark.parametrize("thick_mm", [-1.0, math.inf])
def test_a_thickness_that_is_none_is_refused(thick_mm):
    with pytest.raises(UsageError, match="thickness"):
        rails.rails([post("1", 0), post("2", 1500)], [500], 0, thick_mm)
