"""What is said when nothing keeps the limits: each cause is told, and is the cause.

Where a remedy is named the test carries it out and the post must stand.
"""

import math
from dataclasses import replace

import pytest

from shimfit.core.packing import Mode, Options, Saw, build_tables, prescribe
from shimfit.core.packing.layouts import FILLERS_FOUND
from shimfit.core.resting import rest_packs
from shimfit.model import Foot, Lean, Lot, Tolerance

FOOT = Foot(90.0, 90.0)
HEIGHT = 1000.0
ONE_IN_500 = Tolerance("1:500", "ratio", 1 / 500)
CORNER = Options(bearing_point="corner")
MANY = tuple(Lot(f"F{i}", "flat", 9, thickness_mm=round(0.1 + 0.15 * i, 2)) for i in range(14))


def flat(lot: str, thickness_mm: float, count: int = 1) -> Lot:
    return Lot(lot, "flat", count, thickness_mm=thickness_mm)


def solve(lean: Lean, lots, options: Options = CORNER, foot: Foot = FOOT, **more):
    return prescribe(foot, HEIGHT, lean, ONE_IN_500, build_tables(lots, options), mode=Mode(**more))


@pytest.mark.parametrize(
    ("lean", "stays"),
    [
        (Lean(0.010, 0.005), "5.0 mm towards out stay"),
        (Lean(0.010, -0.005), "5.0 mm towards house stay"),
        (Lean(0.004, -0.010), "4.0 mm towards next stay"),
        (Lean(-0.004, 0.010), "4.0 mm towards prev stay"),
    ],
)
def test_one_way_says_which_direction_stays(lean: Lean, stays: str) -> None:
    answer = solve(lean, MANY, layout="one-way")
    assert answer.status == "impossible"
    assert answer.why.startswith("A one-way layout takes out a lean in one direction only:")
    assert stays in answer.why
    assert "nearest" not in answer.why
    # The cause is the layout: the same box does it at the corners.
    assert solve(lean, MANY).within


def test_a_hole_that_leaves_no_room_is_the_cause() -> None:
    # Packs go in from next at both low corners; the rod stands near that face, so none can go in.
    foot = Foot(90.0, 90.0, rod_hole_mm=16.0, rod_at_mm=(30.0, 0.0))
    answer = solve(Lean(0.012, 0.0), MANY, foot=foot)
    assert answer.status == "impossible"
    assert "no room for a pack at next-house, which wants 1.08 mm" in answer.why
    assert solve(Lean(0.012, 0.0), MANY, foot=replace(foot, rod_hole_mm=0.0, rod_at_mm=(0.0, 0.0))).within


@pytest.mark.parametrize("foot", [Foot(90.0, 90.0, round=True), Foot(70.0, 70.0)])
@pytest.mark.parametrize(
    "lean", [Lean(0.008, -0.004), Lean(-0.006, 0.0), Lean(0.003, 0.007), Lean(-0.004, 0.009)]
)
def test_where_a_rod_beside_the_middle_leaves_no_room_nothing_is_put(foot: Foot, lean: Lean) -> None:
    foot = replace(foot, rod_at_mm=(5.0, -3.0))
    for options in (Options(), CORNER):
        answer = solve(lean, MANY, options, foot=foot)
        assert (answer.status, answer.within) in {("proven", True), ("found", True), ("gave-up", False)}
        assert rest_packs(foot, lean, answer.packs, options.preload_mm) == answer.resting


def test_no_piece_at_all() -> None:
    assert "The box is empty" in solve(Lean(0.01, 0.0), ()).why


@pytest.mark.parametrize("layout", ["corners", "tripod", "one-way"])
@pytest.mark.parametrize("bearing", ["corner", "auto"])
def test_no_piece_of_that_thickness(layout: str, bearing: str) -> None:
    lots = (flat("A", 3.0, 9), flat("B", 0.1, 1))
    answer = solve(Lean(0.016, 0.0), lots, Options(bearing_point=bearing, max_pieces=1), layout=layout)
    assert answer.status == "impossible"
    assert "wants 1.44 mm" in answer.why
    assert "the nearest that the box makes there is" in answer.why
    fitting = tuple(flat(f"C{i}", round(0.86 + 0.04 * i, 2), 3) for i in range(20))
    options = Options(bearing_point=bearing, max_pieces=1)
    assert solve(Lean(0.016, 0.0), (*lots, *fitting), options, layout=layout).within


def test_beyond_the_thickest_stack_tells_the_largest_correction_found() -> None:
    answer = solve(Lean(0.05, 0.03), (flat("A", 1.0, 9), flat("B", 0.5, 9)))
    assert "next-out wants 7.20 mm, the thickest stack that the box makes there is 3.00 mm." in answer.why
    left = math.hypot(*answer.resting.lean.top_mm(HEIGHT))
    assert f"The best packs of it leave {100 * left / 58.3:.0f} % of the lean." in answer.why


def test_one_flat_wanted_at_two_seats() -> None:
    lots = (flat("A", 1.2, 1),)
    answer = solve(Lean(0.0, 0.0133), lots)
    assert answer.status == "impossible"
    assert answer.why.startswith("prev-out and next-out want A, more than the box has: with 1 more of A ")
    assert solve(Lean(0.0, 0.0133), (flat("A", 1.2, 2),)).within


def test_one_taper_wanted_at_three_seats() -> None:
    taper = Lot("T1", "taper", 1, thin_mm=0.5, thick_mm=6.0, length_mm=200.0)
    lean = Lean(0.0145, 0.0145)
    answer = solve(lean, (taper,), Options())
    assert answer.status == "impossible"
    assert "want T1, more than the box has: with " in answer.why
    assert "nearest" not in answer.why
    more = int(answer.why.split("with ")[1].split(" more of T1")[0])
    assert solve(lean, (replace(taper, count=1 + more),), Options()).within


def test_one_strip_wanted_at_two_seats() -> None:
    strip = Lot("S1", "strip", 1, length_mm=262.0, width_mm=40.0)
    options = Options(bearing_point="corner", saw=Saw(settings_deg=(0.5,)))
    answer = solve(Lean(0.0, 0.030), (strip,), options)
    assert answer.status == "impossible"
    assert "prev-out and next-out want S1, more than the box has: with 1 more of S1" in answer.why
    assert solve(Lean(0.0, 0.030), (replace(strip, count=2),), options).within


def test_lifting_all_four_wants_one_more() -> None:
    # Too thin a gap for a bare corner: it would do lifted, with a fourth piece.
    options = Options(bearing_point="corner", max_pieces=1)
    answer = solve(Lean(0.003, 0.0), (flat("A", 1.0, 2), flat("B", 1.27, 1)), options)
    assert "with 1 more of B the post would stand" in answer.why
    assert solve(Lean(0.003, 0.0), (flat("A", 1.0, 2), flat("B", 1.27, 2)), options).within


def test_near_enough_alone_but_not_together() -> None:
    # Each low corner may be 0.25 mm too thin alone when the others are right; all three may not.
    answer = solve(Lean(0.0, 0.0133), (flat("A", 0.95, 9),), Options(bearing_point="corner", max_pieces=1))
    assert answer.status == "impossible"
    assert "together they leave it leaning or rocking" in answer.why
    assert "wants 1.20 mm" in answer.why


def test_giving_up_claims_no_cause() -> None:
    # Two corners want the one piece: no more is looked for after the first choice.
    answer = solve(Lean(0.0, 0.015), (flat("F0", 1.2, 1),), node_limit=1)
    assert answer.status == "gave-up"
    assert answer.why.startswith("Not every way to build it could be tried in the time there was.")


def test_auto_says_which_layout_came_nearest() -> None:
    answer = solve(Lean(0.012, 0.012), (flat("A", 5.0, 9),), layout="auto")
    assert answer.status == "impossible"
    assert answer.why.startswith("With ")


def test_fillers_are_told_as_found() -> None:
    answer = solve(Lean(0.012, 0.008), MANY, layout="tripod")
    assert any(pack.purpose == "fill" for pack in answer.packs)
    assert answer.why == FILLERS_FOUND


def test_a_round_foot_without_an_answer_is_told_as_what_it_is() -> None:
    lots = [Lot("F1", "flat", 4, thickness_mm=3.0)]
    limit = Tolerance("1:500", "ratio", 1 / 500)
    answer = prescribe(
        Foot(90.0, 90.0, round=True), 1000.0, Lean(0.006, 0.003), limit, build_tables(lots, Options())
    )
    assert answer.status == "gave-up"
    assert "A round foot rolls on its rim" in answer.why
    assert "steps of the search" not in answer.why


def test_every_pack_that_would_jam_is_told_also_where_nothing_keeps_the_limits() -> None:
    # 0.5 to 1.3 over 120 mm is flatter than a gap of 24 mm in a metre: both stretches bear at their tips.
    lots = (Lot("T1", "taper", 2, thin_mm=0.5, thick_mm=1.3, length_mm=120.0),)
    answer = solve(Lean(0.024, 0.0), lots, Options())
    assert answer.status == "impossible"
    assert [caution.split(":")[0] for caution in answer.cautions] == [str(pack.seat) for pack in answer.packs]
    assert len(answer.cautions) == 2
