"""Tripods, one-way packs, fillers, round feet, which layout is taken; rested by the contact problem."""

import itertools
import math

import numpy as np
import pytest

from shimfit.core.foot import gap_plane
from shimfit.core.packing import Known, Mode, Options, build_tables, layouts, prescribe
from shimfit.core.packing.draft import Asked
from shimfit.core.packing.general import settle_many
from shimfit.core.packing.layouts import solve_layout
from shimfit.core.packing.question import Draft, Work, ask
from shimfit.core.packing.rests import error_windows, four_supports
from shimfit.core.resting import Support, rest, rest_packs
from shimfit.model import CORNERS, Cost, Foot, Lean, Lot, Resting, Seat, Tolerance

FOOT = Foot(90.0, 90.0)
HEIGHT = 1000.0
LIMIT = Tolerance("1:500", "ratio", 1 / 500)
LOTS = tuple(Lot(f"F{i}", "flat", 4, thickness_mm=0.1 + 0.15 * i) for i in range(14))
CORNER = Options(bearing_point="corner")
TABLES = build_tables(LOTS, CORNER)


def solve(lean: Lean, layout: str, foot: Foot = FOOT, tables=TABLES, **more):
    return prescribe(foot, HEIGHT, lean, LIMIT, tables, known=Known(**more), mode=Mode(layout=layout))


def test_tripod_packs_the_low_edges_and_fills_the_low_corners() -> None:
    answer = solve(Lean(0.012, 0.008), "tripod")
    lifts = {pack.seat for pack in answer.packs if pack.purpose == "lift"}
    fills = {pack.seat for pack in answer.packs if pack.purpose == "fill"}
    assert lifts == {Seat.NEXT, Seat.OUT}
    assert fills
    assert fills <= {Seat.NEXT_OUT, Seat.NEXT_HOUSE, Seat.PREV_OUT}
    assert (answer.status, answer.layout) == ("proven", "tripod")
    assert answer.resting == rest_packs(FOOT, answer.lean, answer.packs, CORNER.preload_mm)
    bare = [pack for pack in answer.packs if pack.purpose == "lift"]
    alone = rest_packs(FOOT, answer.lean, bare, CORNER.preload_mm)
    assert answer.resting.tipping_arm > alone.tipping_arm
    for pack in answer.packs:
        if pack.purpose == "fill":
            assert pack.made_mm <= pack.need_mm + 1e-9


def test_one_way_lean_takes_one_pack_at_the_low_edge() -> None:
    answer = solve(Lean(0.0, -0.012), "one-way")
    assert [pack.seat for pack in answer.packs if pack.purpose == "lift"] == [Seat.HOUSE]
    assert answer.within
    two_way = solve(Lean(0.012, 0.012), "one-way")
    assert (two_way.status, two_way.within) == ("impossible", False)
    assert two_way.why


def test_tripod_is_the_best_of_all_pairs_of_packs() -> None:
    # Every pair of stacks from a small box, rested by the contact problem one by one.
    lots = [Lot(f"F{i}", "flat", 2, thickness_mm=t) for i, t in enumerate((0.9, 1.05, 1.1, 1.25, 1.35))]
    tables = build_tables(lots, Options(bearing_point="corner", max_pieces=1))
    lean = Lean(0.011, 0.007)
    answer = solve(lean, "tripod", tables=tables)
    lifts = [pack for pack in answer.packs if pack.purpose == "lift"]
    plane = gap_plane(FOOT, lean)
    best = math.inf
    for a, b in itertools.product((0.9, 1.05, 1.1, 1.25, 1.35), repeat=2):
        supports = [
            Support(45.0, 0.0, a - plane.at_seat_mm(Seat.NEXT)),
            Support(0.0, 45.0, b - plane.at_seat_mm(Seat.OUT)),
            *(Support(*FOOT.seat_at_mm(seat), -plane.at_seat_mm(seat), bare=True) for seat in CORNERS),
        ]
        resting = rest(FOOT, supports, 0.19)
        if resting.lean is None or resting.lean.magnitude > 0.002:
            continue
        x, y = resting.lean.top_mm(HEIGHT)
        bearing = 2 * 0.011 * 32.0 / 0.254
        best = min(best, 20.0 + bearing + 4.0 * resting.rock_mm / 0.76 + 2.0 * (abs(x) + abs(y)) / 2.0)
    rested = rest_packs(FOOT, lean, lifts, 0.19)
    x, y = rested.lean.top_mm(HEIGHT)
    mine = 20.0 + 2 * 0.011 * 32.0 / 0.254 + 4.0 * rested.rock_mm / 0.76 + abs(x) + abs(y)
    assert mine == pytest.approx(best, abs=1e-6)


def test_auto_takes_the_least_work_of_bases_as_wide_as_at_the_corners() -> None:
    answer = solve(Lean(0.012, 0.008), "auto")
    assert answer.layout == "corners"
    assert answer.why.startswith("Packs at the corners: less work than packs at the middles of the low edges")
    # With tapers a one-way lean is less work at the middle of the edge, on a base as wide.
    box = [Lot(f"F{i}", "flat", 9, thickness_mm=t) for i, t in enumerate((0.3, 0.5, 1.0, 1.6))]
    tapers = Lot("T", "taper", 6, length_mm=200.0, thin_mm=0.8, thick_mm=8.0)
    tables, taken = build_tables([*box, tapers], Options()), []
    for lean in (Lean(0.0001, -0.0097), Lean(-0.0067, -0.002), Lean(0.009, 0.0068), Lean(0.006, 0.001)):
        every = [solve(lean, layout, tables=tables) for layout in ("corners", "tripod", "one-way")]
        narrowest = every[0].resting.tipping_arm - 0.05
        wide = [one for one in every if one.within and one.resting.tipping_arm > narrowest]
        best = solve(lean, "auto", tables=tables)
        assert best.cost.total == min(one.cost.total for one in wide)
        taken.append(best.layout)
    assert taken == ["one-way", "tripod", "corners", "corners"]
    # One flat that fits the low edge's middle, and nothing for two corners: the one-way is all there is.
    alone = build_tables([Lot("F", "flat", 1, thickness_mm=1.1)], CORNER)
    single = solve(Lean(0.0, 0.012), "auto", tables=alone)
    assert single.layout in ("one-way", "tripod")
    assert len(single.packs) == 1
    assert single.why
    nothing = solve(Lean(0.012, 0.012), "auto", tables=build_tables([], CORNER))
    assert nothing.status == "impossible"


def test_auto_gives_up_a_twentieth_of_the_base_for_less_work_and_no_more(monkeypatch) -> None:
    arms = {"corners": (0.80, 5.0), "tripod": (0.76, 4.0), "one-way": (0.74, 3.0)}

    def found(layout):
        arm, cost = arms[layout]
        return Draft(layout, (), Resting(Lean(0.0, 0.0), 0.0, arm), "found", Cost(cost), cost)

    monkeypatch.setattr(layouts, "solve_corners", lambda _: found("corners"))
    monkeypatch.setattr(layouts, "solve_edges", lambda _, layout: found(layout))
    asked = Asked(ask(FOOT, HEIGHT, Lean(0.012, 0.008), LIMIT, CORNER.preload_mm), TABLES)
    assert solve_layout(asked, "auto").layout == "tripod"


@pytest.mark.parametrize("turn", [0, 20, 45, 70, 90, 135, 200, 300])
def test_round_foot_rests_in_tolerance_whichever_way_it_leans(turn: int) -> None:
    foot = Foot(90.0, 90.0, round=True)
    lean = Lean(0.012 * math.cos(math.radians(turn)), 0.012 * math.sin(math.radians(turn)))
    answer = solve(lean, "corners", foot=foot)
    assert answer.status == "found"
    assert answer.within
    assert answer.resting == rest_packs(foot, lean, answer.packs, CORNER.preload_mm)
    plane = gap_plane(foot, lean)
    for pack in answer.packs:
        # Exact rim gap: r·(s + s·cos of the angle between seat and lean).
        assert pack.need_mm == pytest.approx(plane.at_seat_mm(pack.seat), abs=1e-9)


@pytest.mark.parametrize("turn", [0, 26, 63, 110, 215, 300])
def test_a_round_foot_on_three_or_four_packs_is_the_square_one_through_its_seats(turn: int) -> None:
    """Whether it is lifted or not; and where nothing is as thin as its needs, it is lifted."""
    lean = Lean(0.0067 * math.cos(math.radians(turn)), 0.0067 * math.sin(math.radians(turn)))
    thick = build_tables([Lot(f"F{i}", "flat", 4, thickness_mm=0.9 + 0.13 * i) for i in range(9)], CORNER)
    lifted = solve(lean, "corners", foot=Foot(90.0, 90.0, round=True), tables=thick)
    assert lifted.within
    assert {pack.seat for pack in lifted.packs} == set(CORNERS)
    side = 90.0 / math.sqrt(2.0)
    square = solve(lean, "corners", foot=Foot(side, side), tables=thick)
    assert [pack.pieces for pack in square.packs] == [pack.pieces for pack in lifted.packs]
    assert square.cost.total == pytest.approx(lifted.cost.total, abs=1e-9)
    for mine, its in zip(lifted.resting.lean.top_mm(HEIGHT), square.resting.lean.top_mm(HEIGHT), strict=True):
        assert mine == pytest.approx(its, abs=1e-6)
    assert solve(lean, "corners", foot=Foot(90.0, 90.0, round=True)).cost.total < lifted.cost.total


def test_quarter_turns_of_a_round_foot_cost_the_same() -> None:
    foot = Foot(90.0, 90.0, round=True)
    costs = [
        solve(Lean(*lean), "corners", foot=foot).cost.total
        for lean in ((0.012, 0.0), (-0.012, 0.0), (0.0, 0.012))
    ]
    assert costs == pytest.approx([costs[0]] * 3)


def test_many_rests_at_once_are_each_the_contact_problem() -> None:
    rng = np.random.default_rng(3)
    points = np.array([(-45, -45), (45, -45), (-45, 45), (13, 45), (45, 0), (0, 45)], dtype=float)
    errors = rng.uniform(-0.6, 0.6, (200, 6))
    planes, good, _ = settle_many(points, np.ones(6), errors, 0.76)
    for e, plane, one in zip(errors, planes, good, strict=True):
        supports = [Support(float(p[0]), float(p[1]), float(x)) for p, x in zip(points, e, strict=True)]
        resting = rest(FOOT, supports, 0.19)
        assert one == (resting.lean is not None)
        if one:
            assert (-plane[1], -plane[2]) == pytest.approx(
                (resting.lean.slope_along, resting.lean.slope_across), abs=1e-9
            )


def test_four_supports_are_the_published_formulas() -> None:
    # Solver design section 3: u = (sum of + side less sum of - side)/(2 b),
    # q = e(++) - e(-+) + e(--) - e(+-).
    points = [(-45.0, -40.0), (45.0, -40.0), (-45.0, 40.0), (45.0, 40.0)]
    four = four_supports(points, 1000.0, 0.76)
    assert four is not None
    assert four.x == pytest.approx([1000 / 180, -1000 / 180, 1000 / 180, -1000 / 180])
    assert four.y == pytest.approx([1000 / 160, 1000 / 160, -1000 / 160, -1000 / 160])
    assert np.abs(four.n) == pytest.approx([1.0] * 4)
    assert (four.q_lo, four.q_hi) == pytest.approx((-0.76, 0.76))
    windows = error_windows(four, 2.0, disk=False)
    # Neighbours |e| <= b·tol/h + q_max/2, far corner |e| <= (b_x + b_y)·tol/h.
    assert windows[0][1] == pytest.approx(90 * 0.002 + 0.38)
    assert windows[1][1] == pytest.approx(80 * 0.002 + 0.38)
    assert windows[2][1] == pytest.approx(170 * 0.002)
    assert four_supports([(0.0, 0.0), (1.0, 1.0), (2.0, 2.0), (3.0, 3.0)], 1000.0, 0.76) is None


def test_feeler_is_filled_in_a_tripod_too() -> None:
    answer = solve(Lean(0.0, 0.012), "tripod", feelers={Seat.NEXT_HOUSE: 0.4})
    assert answer.within
    assert answer.resting == rest_packs(
        FOOT, answer.lean, answer.packs, CORNER.preload_mm, rocks_mm={Seat.NEXT_HOUSE: 0.4}
    )


def test_a_crowded_box_costs_no_more_than_its_share_and_is_not_called_proven() -> None:
    lean = Lean(0.012, 0.008)
    full = solve(lean, "tripod")
    asked = Asked(ask(FOOT, HEIGHT, lean, LIMIT, CORNER.preload_mm), TABLES, work=Work(1))
    short = solve_layout(asked, "tripod")
    assert full.status == "proven"
    assert short.status == "found"
    assert asked.question.stands(short.resting)
    lifts = [sum(len(p.pieces) for p in one.packs if p.purpose == "lift") for one in (full, short)]
    assert lifts[1] >= lifts[0]
