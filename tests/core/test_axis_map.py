"""The eight ways a sensor can sit on a post, taught by two tips; checked against rotation matrices."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from shimfit.core.sensing.mounting import AxisMap, parse_axis_map, read_tip, teach
from shimfit.errors import EntryError
from shimfit.model import Face

MAPS = [AxisMap(x, y) for x in Face for y in Face if x.is_along != y.is_along]
"""Four turns, mirrored or not."""
SLOPES = st.floats(-0.5, 0.5)
VECTORS = {Face.NEXT: (1, 0), Face.PREV: (-1, 0), Face.OUT: (0, 1), Face.HOUSE: (0, -1)}


@pytest.mark.parametrize("axis_map", MAPS, ids=lambda m: m.text)
def test_each_is_the_matrix_of_its_faces(axis_map):
    matrix = np.array([VECTORS[axis_map.x], VECTORS[axis_map.y]]).T
    for slopes in [(1.0, 0.0), (0.0, 1.0), *np.random.default_rng(7).uniform(-0.5, 0.5, (50, 2))]:
        lean = axis_map.to_post(*slopes)
        assert (lean.slope_along, lean.slope_across) == pytest.approx(tuple(matrix @ slopes))


@given(SLOPES, SLOPES, st.floats(-30, 30))
def test_a_small_turn_is_a_rotation_and_keeps_lengths(x, y, turn_deg):
    lean = AxisMap(turn_deg=turn_deg).to_post(x, y)
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    assert (lean.slope_along, lean.slope_across) == pytest.approx((c * x - s * y, s * x + c * y))
    assert lean.magnitude == pytest.approx(math.hypot(x, y))


def test_uncertainties_go_with_their_axes():
    assert AxisMap(Face.HOUSE, Face.NEXT).u_to_post(1.0, 2.0) == (2.0, 1.0)
    along, across = AxisMap(turn_deg=90).u_to_post(1.0, 2.0)
    assert (along, across) == pytest.approx((2.0, 1.0))


@pytest.mark.parametrize("truth", MAPS, ids=lambda m: m.text)
def test_two_tips_teach_it(truth):
    """Tip the top out, then towards next, with the sensor sitting in any way."""

    def sensed(lean_along, lean_across):
        inverse = np.linalg.inv(np.array([VECTORS[truth.x], VECTORS[truth.y]]).T)
        return tuple(inverse @ (lean_along, lean_across) + (0.3, -0.2))

    rest = sensed(0.01, -0.02)
    first = read_tip(rest, sensed(0.2, 2.0), noise=0.02)
    second = read_tip(rest, sensed(2.0, -0.3), noise=0.02)
    assert teach(first, Face.OUT, second, Face.NEXT) == truth


@pytest.mark.parametrize(
    ("moved", "says"),
    [
        ((0.39, 0.0), "hardly moved"),
        ((2.0, 0.7), "straight"),
        ((-0.7, 2.0), "straight"),
        ((0.0, 0.0), "hardly"),
    ],
)
def test_an_unclear_tip_says_what_to_do_again(moved, says):
    with pytest.raises(EntryError, match=says):
        read_tip((0.0, 0.0), moved, noise=0.02)


def test_three_times_the_other_and_twenty_times_the_noise_is_enough():
    assert read_tip((0.0, 0.0), (-0.4, 0.13), noise=0.02).sign == -1


def test_both_tips_on_one_axis_are_refused():
    tip = read_tip((0, 0), (2, 0), 0.01)
    with pytest.raises(EntryError, match="right angles"):
        teach(tip, Face.OUT, tip, Face.NEXT)
    with pytest.raises(EntryError, match="one line"):
        AxisMap(Face.NEXT, Face.PREV)


@pytest.mark.parametrize("axis_map", [*MAPS, AxisMap(Face.PREV, Face.OUT, 1.5)], ids=lambda m: m.text)
def test_text_comes_back(axis_map):
    assert parse_axis_map(axis_map.text) == axis_map


@pytest.mark.parametrize(
    "text", ["", "x=next", "x=next y=prev", "x=up y=out", "x=next y=out z=1", "x=next y=out turn=nan"]
)
def test_other_text_is_refused(text):
    with pytest.raises(EntryError):
        parse_axis_map(text)


def test_the_picture_shows_each_axis_on_its_side():
    lines = AxisMap(Face.NEXT, Face.OUT).picture().splitlines()
    assert "y" in lines[0]
    assert "↑" in lines[0]
    assert "→ x" in lines[1]
    turned = AxisMap(Face.PREV, Face.HOUSE).picture().splitlines()
    assert "x ←" in turned[1]
    assert "y" in turned[2]
    assert len({m.picture() for m in MAPS}) == 8
