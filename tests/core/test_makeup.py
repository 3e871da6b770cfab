"""The make-up sheet, added up by hand."""

from dataclasses import replace

import pytest

from shimfit.core import makeup
from shimfit.errors import UsageError
from shimfit.model import Foot

BUILD_UP = makeup.BuildUp(
    top_height_mm=1060.0,
    below=(("decking", 28.0), ("blocking", 145.0)),
    bottom_rail_mm=80.0,
    bottom_rail_depth_mm=60.0,
    access_hole_mm=45.0,
    washer_outer_mm=40.0,
    washer_hole_mm=13.0,
    washer_mm=3.0,
    nut_mm=10.0,
    past_nut_mm=5.0,
    clamp_newton=8000.0,
    washer_allowable_mpa=8.0,
    foot_allowable_mpa=2.5,
)
FOOT = Foot(90, 90)


def test_lengths_add_up():
    sheet = makeup.make_up([("1", 0.0, FOOT), ("2", 12.5, FOOT), ("3", -4.0, FOOT)], BUILD_UP)
    assert [post.cut_length_mm for post in sheet.posts] == [1060, 1047.5, 1064]
    # Hole's middle 80 + 30; its floor 22.5 lower; decking, blocking; washer, nut and thread at both ends.
    assert sheet.posts[0].access_hole_height_mm == 110
    assert sheet.posts[0].rod_length_mm == 87.5 + 28 + 145 + 2 * 18
    assert sheet.cautions == (makeup.NOT_A_DESIGN,)


def test_pressures_are_force_over_ring_and_foot():
    washer, foot = makeup.make_up([("1", 0.0, FOOT)], BUILD_UP).pressures
    assert washer.area_mm2 == pytest.approx(1123.90, abs=0.01)  # 1256.64 - 132.73
    assert washer.share == pytest.approx(8000 / 1123.90 / 8, rel=1e-5)
    assert foot.area_mm2 == pytest.approx(8100 - 153.94, abs=0.01)
    assert foot.share == pytest.approx(0.4027, abs=1e-4)
    round_foot = makeup.make_up([("1", 0.0, Foot(90, 90, round=True, rod_hole_mm=0))], BUILD_UP).pressures[1]
    assert round_foot.area_mm2 == pytest.approx(6361.73, abs=0.01)


def test_known_pressure_from_psi():
    # 625 psi = 4.30922 MPa (NDS Supplement Table 4A, second-hand): a share of 1 exactly at the allowable.
    area_mm2 = makeup.make_up([("1", 0.0, FOOT)], BUILD_UP).pressures[1].area_mm2
    at_limit = replace(BUILD_UP, clamp_newton=4.30922 * area_mm2, foot_allowable_mpa=4.30922)
    assert makeup.make_up([("1", 0.0, FOOT)], at_limit).pressures[1].share == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("changed", "word"),
    [
        ({"access_hole_mm": 65.0}, "cover"),
        ({"bottom_rail_mm": -0.0, "bottom_rail_depth_mm": 40.0}, "through the foot"),
        ({"bottom_rail_mm": 0.0, "bottom_rail_depth_mm": 45.0}, "through the foot"),  # its floor at 0
        ({"nut_mm": 40.0}, "do not go into"),
        ({"washer_outer_mm": 50.0}, "wider than"),
    ],
)
def test_what_does_not_fit_is_said(changed, word):
    sheet = makeup.make_up([("1", 0.0, FOOT)], replace(BUILD_UP, **changed))
    assert any(word in caution for caution in sheet.cautions[:-1])


def test_shop_list_counts_lengths_rounded_up():
    sheet = makeup.make_up([("1", 0.0, FOOT), ("2", 3.0, FOOT), ("3", 6.0, FOOT), ("4", 5.0, FOOT)], BUILD_UP)
    lines = makeup.shop_list(sheet, step_mm=5.0)
    assert [(line.what, line.length_mm, line.count) for line in lines] == [
        ("post", 1060, 2), ("post", 1055, 2), ("rod", 300, 4),
    ]  # fmt: skip


@pytest.mark.parametrize(
    "changed",
    [{"clamp_newton": 0.0}, {"nut_mm": -1.0}, {"washer_hole_mm": 41.0}, {"top_height_mm": float("nan")}],
)
def test_nonsense_is_refused(changed):
    with pytest.raises(UsageError):
        makeup.make_up([("1", 0.0, FOOT)], replace(BUILD_UP, **changed))


def test_a_bed_above_the_tops_names_its_post():
    with pytest.raises(UsageError, match="post 2"):
        makeup.make_up([("1", 0.0, FOOT), ("2", 950.0, FOOT)], BUILD_UP)  # up to the hole's middle, 110 mm


def test_every_post_is_judged_on_its_own_foot() -> None:
    # By hand: 4000 N on 90² - π/4·14² = 7946 mm² is 0.503 MPa; on π/4·(90² - 14²) = 6208 mm² it is 0.644.
    round_foot = Foot(90, 90, round=True, rod_hole_mm=14)
    square = Foot(90, 90, rod_hole_mm=14)
    marks = [("1", 0.0, square), ("2", 0.0, round_foot), ("3", 0.0, square)]
    _, first, second = makeup.make_up(marks, replace(BUILD_UP, clamp_newton=4000.0)).pressures
    assert (first.posts, second.posts) == (("1", "3"), ("2",))
    assert first.pressure_mpa == pytest.approx(0.5034, abs=1e-4)
    assert second.pressure_mpa == pytest.approx(0.6443, abs=1e-4)
