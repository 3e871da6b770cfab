"""One post, any box: the worked example, the edge cases, and what must be refused."""

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from shimfit.core.foot import gap_plane
from shimfit.core.objective import Minutes, Scatter
from shimfit.core.packing import Known, Mode, Offer, Options, Saw, build_tables, onebox, prescribe, wanted
from shimfit.core.packing.draft import Asked
from shimfit.core.packing.onebox import Used, serves
from shimfit.core.packing.pieces import Stack
from shimfit.core.packing.question import ask
from shimfit.core.resting import rest_packs
from shimfit.errors import EntryError, UsageError
from shimfit.model import CORNERS, Foot, Lean, Lot, Pack, Seat, Tolerance
from tests.referee.weights import InWeights, in_weights

INCH = 25.4
FOOT = Foot(90.0, 90.0)
HEIGHT = 1000.0
ONE_IN_500 = Tolerance("1:500", "ratio", 1 / 500)


def flat(lot: str, thickness_mm: float, count: int = 1, **more) -> Lot:
    return Lot(lot, "flat", count, thickness_mm=thickness_mm, **more)


BOX = (
    flat("F1", 0.25, 8),
    flat("F2", 0.5, 6),
    flat("F3", 0.8, 6),
    flat("F4", 1.3, 4),
    flat("F5", 1.6, 4),
    Lot("T1", "taper", 2, thin_mm=0.8, thick_mm=7.9, length_mm=203.0, origin="bought"),
)
TABLES = build_tables(BOX, Options())


def solve(lean: Lean, lots=BOX, options: Options | None = None, **more):
    tables = TABLES if lots is BOX and options is None else build_tables(lots, options or Options())
    foot, tolerance = more.pop("foot", FOOT), more.pop("tolerance", ONE_IN_500)
    mode = {key: more.pop(key) for key in ("layout", "relaxed", "node_limit") if key in more}
    return prescribe(foot, HEIGHT, lean, tolerance, tables, known=Known(**more), mode=Mode(**mode))


def pieces(answer) -> dict[str, list[str]]:
    return {pack.seat.value: [piece.lot for piece in pack.pieces] for pack in answer.packs}


# ---------------------------------------------------------------- the worked example

EXAMPLE = (
    flat("F1", 0.031 * INCH, 4),
    flat("F2", 0.062 * INCH, 1),
    flat("F3", 0.016 * INCH, 8, origin="bought"),
    Lot("T1", "taper", 2, thin_mm=0.031 * INCH, thick_mm=0.312 * INCH, length_mm=8 * INCH, origin="bought"),
)


@pytest.mark.parametrize(
    ("tolerance", "cost", "far", "top", "rock"),
    [
        (0.088, 60.0, ("F2", 0.062, None), (0.063, -0.027), 0.015),
        (0.033, 165.0, ("T1", 0.067, 1.025), (0.032, 0.005), 0.020),
        (0.0215, 165.0, ("T1", 0.069, 1.082), (0.019, 0.017), 0.022),
    ],
)
def test_worked_example_in_inches(tolerance, cost, far, top, rock) -> None:
    # The solver design's worked example, 3.5 in foot, 44 in high, leaning +0.5473 and -0.3220 in; costs
    # by hand from its weights: three pieces 30, one bought flat 30, then a bought stretch 100 and its cut 5.
    options = InWeights(
        bearing_mm=1.25 * INCH,
        inside_mm=1.25 * INCH,
        bearing_point="corner",
        preload_mm=0.0075 * INCH,
        quantum_mm=0.001 * INCH,
        saw=Saw(kerf_mm=0.1 * INCH),
    )
    asked = Tolerance("given", "ratio", tolerance / 44, per_direction=True)
    lean = Lean(0.5473 / 44, -0.3220 / 44)
    answer = prescribe(Foot(3.5 * INCH, 3.5 * INCH), 44 * INCH, lean, asked, build_tables(EXAMPLE, options))
    assert answer.status == "proven"
    assert answer.within
    assert answer.cost.total == pytest.approx(cost, abs=0.005)
    by_seat = {pack.seat: pack for pack in answer.packs}
    assert {seat.value for seat in by_seat} == {"next-out", "prev-house", "next-house"}
    assert [piece.lot for piece in by_seat[Seat.NEXT_OUT].pieces] == ["F1"]
    assert [piece.lot for piece in by_seat[Seat.PREV_HOUSE].pieces] == ["F3"]
    (piece,) = by_seat[Seat.NEXT_HOUSE].pieces
    lot, thickness, mark = far
    assert piece.lot == lot
    assert piece.thickness_mm == pytest.approx(thickness * INCH, abs=1e-6)
    if mark is not None:
        assert piece.mark_mm == pytest.approx(mark * INCH, abs=0.001 * INCH)
        assert piece.trim_tip_mm == 0.0
    rests = answer.resting.lean.top_mm(44 * INCH)
    assert rests == pytest.approx((top[0] * INCH, top[1] * INCH), abs=0.0006 * INCH)
    assert answer.resting.rock_mm == pytest.approx(rock * INCH, abs=0.0005 * INCH)


# ---------------------------------------------------------------- nothing to do


def test_no_lean_costs_nothing() -> None:
    answer = solve(Lean(0.0, 0.0))
    assert (answer.packs, answer.cost.total, answer.status, answer.within) == ((), 0.0, "proven", True)


def test_lean_within_tolerance_wants_no_packs_however_full_the_box() -> None:
    answer = solve(Lean(0.002 / math.sqrt(2), -0.002 / math.sqrt(2)))
    assert answer.packs == ()
    assert answer.within
    assert solve(Lean(0.0015, 0.0015)).packs != ()
    each = replace(ONE_IN_500, per_direction=True)
    assert solve(Lean(0.0015, 0.0015), tolerance=each).packs == ()


def test_without_a_box_the_exact_gaps_are_wanted_even_within_tolerance() -> None:
    # trade: 100 x 100 foot, next 10 mm and out 5 mm over 1000 mm gives 0, 1.0, 0.5 and 1.5 mm.
    foot = Foot(100.0, 100.0)
    answer = wanted(foot, HEIGHT, Lean(0.01, 0.005), ONE_IN_500, Options())
    made = {pack.seat.value: pack.made_mm for pack in answer.packs}
    assert made == pytest.approx({"next-house": 1.0, "prev-out": 0.5, "next-out": 1.5})
    assert all(pack.need_mm == pack.made_mm and not pack.pieces for pack in answer.packs)
    assert answer.resting.lean.magnitude < 1e-12
    small = wanted(foot, HEIGHT, Lean(0.001, 0.0), ONE_IN_500, Options())
    assert {pack.seat.value for pack in small.packs} == {"next-house", "next-out"}
    tripod = wanted(foot, HEIGHT, Lean(0.01, 0.005), ONE_IN_500, Options(layout="tripod"))
    assert {pack.seat.value: pack.made_mm for pack in tripod.packs} == pytest.approx(
        {"next": 1.25, "out": 1.0}
    )
    one = wanted(foot, HEIGHT, Lean(0.01, 0.0), ONE_IN_500, Options(layout="one-way"))
    assert [pack.seat for pack in one.packs] == [Seat.NEXT]


# ---------------------------------------------------------------- usual posts


def test_single_axis_lean_packs_two_equal_seats() -> None:
    answer = solve(Lean(0.0, -0.0135), tolerance=Tolerance("1:200", "ratio", 0.005))
    assert {pack.seat.value for pack in answer.packs} == {"prev-house", "next-house"}
    first, second = answer.packs
    assert first.made_mm == second.made_mm
    assert answer.resting.rock_mm == pytest.approx(0.0, abs=1e-9)


def test_answer_is_rested_by_the_contact_problem_and_adds_up() -> None:
    answer = solve(Lean(0.011, 0.006))
    again = rest_packs(FOOT, answer.lean, answer.packs, Options().preload_mm)
    assert again == answer.resting
    assert answer.within
    assert answer.cost.total == pytest.approx(sum(amount for _, amount in answer.cost.parts))
    plane = gap_plane(FOOT, answer.lean)
    for pack in answer.packs:
        assert pack.need_mm == pytest.approx(plane.gap_mm(*pack.bears_at_mm), abs=1e-9)


def test_flats_under_a_sloping_gap_bear_at_their_inner_end_and_tapers_at_the_face() -> None:
    lean = Lean(0.0124, 0.004)
    flats = solve(lean, (flat("A", 0.6, 9), flat("B", 0.25, 9), flat("C", 0.1, 9)))
    for pack in flats.packs:
        inside = pack.seat.sign_along * 45.0 - pack.bears_at_mm[0]
        across = pack.seat.sign_across * 45.0 - pack.bears_at_mm[1]
        assert max(abs(inside), abs(across)) == pytest.approx(20.0)
        assert pack.inside_mm == 20.0
    taper = Lot("T", "taper", 4, thin_mm=0.1, thick_mm=6.0, length_mm=200.0)
    for pack in solve(lean, (taper,)).packs:
        assert pack.bears_at_mm == pytest.approx(FOOT.seat_at_mm(pack.seat))
    corner = solve(lean, (flat("A", 0.5, 9), flat("B", 1.2, 9)), Options(bearing_point="corner"))
    assert all(pack.bears_at_mm == FOOT.seat_at_mm(pack.seat) for pack in corner.packs)


def test_a_taper_flatter_than_the_gap_is_trimmed_and_said() -> None:
    # 1.5 mm in 200 mm is 0.0075, flatter than a gap of 0.02: its tip would jam before the mark.
    lots = (Lot("T", "taper", 6, thin_mm=0.2, thick_mm=1.7, length_mm=200.0), flat("F", 0.6, 9))
    answer = solve(Lean(0.0, 0.02), lots)
    tapered = [pack for pack in answer.packs if any(piece.form == "taper" for piece in pack.pieces)]
    assert answer.status == "proven"
    for pack in tapered:
        piece = next(piece for piece in pack.pieces if piece.form == "taper")
        assert piece.trim_tip_mm == pytest.approx(piece.mark_mm - 20.0)
        assert abs(pack.bears_at_mm[1] - 45.0) == pytest.approx(20.0)
        assert piece.thickness_mm == pytest.approx(0.2 + 0.0075 * piece.mark_mm)
    assert tapered
    assert any("jam" in caution for caution in answer.cautions)


def test_marks_run_from_the_thin_end_before_trimming() -> None:
    taper = Lot("T", "taper", 4, thin_mm=0.1, thick_mm=6.0, length_mm=200.0)
    for pack in solve(Lean(0.015, 0.012), (taper,)).packs:
        (piece,) = pack.pieces
        assert piece.thickness_mm == pytest.approx(0.1 + (6.0 - 0.1) * piece.mark_mm / 200.0)
        assert piece.trim_tip_mm == pytest.approx(max(0.0, piece.mark_mm - 32.0))
        assert piece.copy in (1, 2, 3, 4)


def test_a_wedge_from_a_strip_has_its_edges_and_setting() -> None:
    strip = Lot("S", "strip", 1, length_mm=600.0, width_mm=40.0, thickness_mm=20.0)
    saw = Saw(settings_deg=(0.5, 1.0))
    answer = solve(Lean(0.02, 0.012), (strip,), Options(saw=saw))
    assert answer.within
    assert set(answer.saw_settings_deg) == {piece.saw_deg for pack in answer.packs for piece in pack.pieces}
    for pack in answer.packs:
        (piece,) = pack.pieces
        rise = 2 * 40.0 * math.tan(math.radians(piece.saw_deg))
        assert piece.form == "strip"
        assert piece.thick_mm - piece.thin_mm == pytest.approx(rise)
        assert piece.thin_mm >= saw.min_thin_mm - 1e-9
    assert dict(answer.cost.parts)["saw set-ups"] == 2.0 * len(answer.saw_settings_deg)
    stands = Options(saw=replace(saw, stands_at_deg=answer.saw_settings_deg[0]))
    assert solve(Lean(0.02, 0.012), (strip,), stands).cost.total == pytest.approx(answer.cost.total - 2.0)


# ---------------------------------------------------------------- one box


def test_one_piece_wanted_at_two_seats_goes_to_one_of_them() -> None:
    lots = (flat("ONE", 1.4, 1), flat("NEW", 1.4, 1, origin="bought"), flat("THIN", 0.2, 9))
    lean = Lean(0.0, 0.015)
    answer = solve(lean, lots, Options(bearing_point="corner"))
    used = [piece.lot for pack in answer.packs for piece in pack.pieces]
    assert used.count("ONE") <= 1
    assert answer.status == "proven"
    shared = solve(lean, lots, Options(bearing_point="corner"), relaxed=True)
    assert shared.status == "found"
    assert shared.cost.total <= answer.cost.total


def test_two_like_lots_are_used_in_natural_order() -> None:
    lots = (flat("F10", 1.4, 2), flat("F2", 1.4, 2))
    answer = solve(Lean(0.0, 0.015), lots, Options(bearing_point="corner"))
    assert {piece.lot for pack in answer.packs for piece in pack.pieces} == {"F2"}
    assert answer == solve(Lean(0.0, 0.015), lots[::-1], Options(bearing_point="corner"))


@pytest.mark.parametrize(("second_mm", "overlap"), [(84.0, True), (84.5, False), (85.0, False)])
def test_stretches_of_a_taper_that_overlap_by_half_a_millimetre_do_and_that_touch_do_not(second_mm, overlap):
    """A stretch reaches from 32 mm inside its mark to a kerf of 2.5 mm beyond it: at 50 mm to 52.5 mm."""
    taper = Lot("T", "taper", 1, length_mm=200.0, thin_mm=1.0, thick_mm=5.0)
    tables = build_tables([taper], Options())
    (row,) = tables.rows[1:]
    marks = (second_mm, 50.0)
    used = [Used(Stack(1.0, (0, tables.steps(1.0 + 0.02 * mark)), ()), row, None) for mark in marks]
    pair = onebox._overlap(tables, [None, *used])
    assert (pair is not None) == overlap == (not serves(tables, used))
    if pair is not None:
        assert (pair[1].seat, pair[2].seat) == (2, 1), "the thinner first"


def test_one_taper_serves_two_seats_only_where_its_stretches_keep_apart() -> None:
    taper = Lot("T", "taper", 1, thin_mm=0.1, thick_mm=6.0, length_mm=200.0)
    alone = solve(Lean(0.0, 0.015), (taper,), Options(bearing_point="corner"))
    marks = sorted(piece.mark_mm for pack in alone.packs for piece in pack.pieces)
    assert all(b - 32.0 >= a + 2.5 - 1e-9 for a, b in pairwise(marks))
    both = solve(Lean(0.0, 0.015), (replace(taper, count=2),), Options(bearing_point="corner"))
    assert both.status == "proven"
    assert len(both.packs) == 2
    assert {piece.copy for pack in both.packs for piece in pack.pieces} == {1, 2}


def test_what_a_seat_may_take_of_a_taper_is_where_a_piece_so_steep_bears() -> None:
    """Steeper than the gap: at the face alone, where a stretch begins 32 mm inside its mark."""
    tables = build_tables([Lot("T", "taper", 1, length_mm=200.0, thin_mm=0.3, thick_mm=6.3)], Options())
    asked = Asked(ask(FOOT, HEIGHT, Lean(0.015, 0.013), ONE_IN_500, 0.19), tables)
    box = onebox._Settings(asked.four.every, 0)
    for seat, groups in enumerate(box.root.groups, 1):
        face = groups[False]
        top = face.base + face.values.shape[1] - 1
        assert set(groups) == {False, True}, "at the face, and further in, where flats bear"
        begins = max(0.0, (top * 0.01 - 0.3) / 0.03 - 32.0)
        assert begins > 5.0
        assert box._may_take(box.root, 0, seat)[1] == pytest.approx(begins)


def test_a_short_strip_gives_no_more_than_its_length() -> None:
    strip = Lot("S", "strip", 1, length_mm=258.5, width_mm=25.0, thickness_mm=20.0)
    answer = solve(Lean(0.0, 0.015), (strip,), Options(saw=Saw(settings_deg=(0.5,))))
    assert answer.status == "impossible"
    longer = solve(Lean(0.0, 0.015), (replace(strip, count=2),), Options(saw=Saw(settings_deg=(0.5,))))
    assert longer.status == "proven"


# ---------------------------------------------------------------- thin needs, thick needs, no needs


def test_need_thinner_than_the_thinnest_piece_lifts_all_four() -> None:
    # One low edge of 0.27 mm and nothing below 1 mm: bare is out of tolerance, so the post goes up.
    lots = (flat("A", 1.0, 4), flat("B", 1.3, 4))
    answer = solve(Lean(0.003, 0.0), lots, Options(bearing_point="corner"))
    assert {pack.seat.value for pack in answer.packs} == {"prev-house", "next-house", "prev-out", "next-out"}
    assert answer.within
    assert answer.status == "proven"
    assert (
        solve(Lean(0.003, 0.0), (flat("A", 1.0, 3),), Options(bearing_point="corner")).status == "impossible"
    )


def test_lean_beyond_the_thickest_stack_says_what_is_missing() -> None:
    lots = (flat("A", 1.0, 9), flat("B", 0.5, 9))
    answer = solve(Lean(0.05, 0.03), lots)
    assert answer.status == "impossible"
    assert not answer.within
    assert "next-out wants 7.20 mm" in answer.why
    assert "3.00 mm" in answer.why
    assert answer.packs != ()
    left = math.hypot(*answer.resting.lean.top_mm(HEIGHT))
    assert left < math.hypot(50.0, 30.0)
    assert f"leave {100 * left / 58.3:.0f} % of the lean" in answer.why


def test_empty_box_says_so() -> None:
    answer = solve(Lean(0.01, 0.0), ())
    assert (answer.status, answer.packs, answer.within) == ("impossible", (), False)
    assert "The box is empty" in answer.why
    assert answer.resting.lean.slope_along == pytest.approx(0.01)
    used_up = solve(Lean(0.01, 0.0), (flat("F", 0.9, 0),))
    assert used_up.status == "impossible"


def test_a_million_pieces_are_as_quick_as_nine() -> None:
    many = tuple(replace(lot, count=10**6) for lot in BOX)
    assert solve(Lean(0.011, 0.006), many).within


def test_node_limit_gives_up_honestly(monkeypatch) -> None:
    monkeypatch.setattr(onebox, "_CHOICES", ())
    lots = (flat("F0", 1.35, 1), flat("F1", 1.2, 1))
    answer = solve(Lean(0.0, 0.015), lots, Options(bearing_point="corner"), node_limit=1)
    assert answer.status in ("gave-up", "found")


# ---------------------------------------------------------------- margin, feelers, keeping


def test_a_rest_that_eats_the_limit_is_worth_a_piece_more() -> None:
    # One flat of 1.10 leaves 1.8 mm of 3.33 at the top; with a 0.15 beside it, 0.2: half a minute for a piece
    # buys more than that of the next round.
    lean, limit = Lean(0.0, 0.0145), Tolerance("1:300", "ratio", 1 / 300)
    lots = (flat("A", 1.15, 2), flat("B", 0.15, 2))
    corner = Options(bearing_point="corner")
    best = prescribe(Foot(90.0, 90.0), 1000.0, lean, limit, build_tables(lots, corner))
    plain = prescribe(Foot(90.0, 90.0), 1000.0, lean, limit, build_tables(lots, in_weights(corner)))
    assert [len(pack.pieces) for pack in plain.packs] == [1, 1]
    assert [len(pack.pieces) for pack in best.packs] == [2, 2]
    assert best.chance.turned > plain.chance.turned + 0.1
    for answer in (best, plain):
        reported = answer.chance
        assert reported.plumb + reported.too_close + reported.out == pytest.approx(1.0)
    # What is said knows that flats have no marks and bare corners no packs; what is searched does not.
    rounds = dict(best.cost.parts)["next round"]
    said = Minutes().round * (1.0 / best.chance.turned - 1.0)
    assert said < rounds < said + 0.25


def test_an_aim_uses_up_its_part_of_the_tolerance() -> None:
    kept = solve(Lean(0.0, 0.0145), margin_slope=0.0015)
    assert kept.resting.lean.magnitude <= 0.0005 + 1e-12


def test_feeler_of_a_rocking_foot_is_part_of_the_need() -> None:
    lean = Lean(0.0, 0.0145)
    plain = solve(lean, options=Options(bearing_point="corner"))
    rocking = solve(lean, options=Options(bearing_point="corner"), feelers={Seat.NEXT_OUT: 0.6})
    need = {pack.seat: pack.need_mm for pack in plain.packs}
    assert {pack.seat: pack.need_mm for pack in rocking.packs}[Seat.NEXT_OUT] == pytest.approx(
        need[Seat.NEXT_OUT] + 0.6
    )
    assert rocking.resting.unique
    still = solve(Lean(0.0, 0.0), feelers={Seat.NEXT_OUT: 1.2})
    assert [pack.seat for pack in still.packs] == [Seat.NEXT_OUT]


def test_what_stands_there_may_stay_for_nothing() -> None:
    lean = Lean(0.0, 0.0145)
    corner = Options(bearing_point="corner")
    first = solve(lean, options=corner)
    keep = {pack.seat: pack for pack in first.packs}
    again = solve(lean, options=corner, offers={seat: [Offer(one)] for seat, one in keep.items()})
    assert again.packs == first.packs
    assert set(dict(again.cost.parts)) == {"next round"}  # neither work nor material
    pack = replace(first.packs[0], made_mm=2.9, pieces=())
    other = solve(lean, options=corner, offers={pack.seat: [Offer(pack)]})
    assert {p.seat: p.made_mm for p in other.packs}[pack.seat] != 2.9
    dear = solve(lean, options=corner, offers={first.packs[0].seat: [Offer(first.packs[0], 500.0)]})
    assert dear.cost.total == pytest.approx(first.cost.total)


# ---------------------------------------------------------------- refused


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_numbers_that_are_none_are_refused(bad: float) -> None:
    with pytest.raises(EntryError):
        solve(Lean(bad, 0.0))
    with pytest.raises(EntryError):
        solve(Lean(0.0, bad))
    with pytest.raises(EntryError):
        prescribe(FOOT, bad, Lean(0.01, 0.0), ONE_IN_500, TABLES)
    with pytest.raises(EntryError):
        prescribe(Foot(bad, 90.0), HEIGHT, Lean(0.01, 0.0), ONE_IN_500, TABLES)
    with pytest.raises(EntryError):
        solve(Lean(0.01, 0.0), margin_slope=bad)
    with pytest.raises(EntryError):
        solve(Lean(0.01, 0.0), feelers={Seat.NEXT_OUT: bad})
    with pytest.raises(EntryError):
        solve(Lean(0.01, 0.0), tolerance=Tolerance("bad", "ratio", bad))


def test_other_nonsense_is_refused_by_kind() -> None:
    for height in (0.0, -5.0):
        with pytest.raises(EntryError):
            prescribe(FOOT, height, Lean(0.01, 0.0), ONE_IN_500, TABLES)
    for foot in (Foot(0.0, 90.0), Foot(90.0, -1.0), Foot(90.0, 90.0, rod_hole_mm=90.0)):
        with pytest.raises(EntryError):
            solve(Lean(0.01, 0.0), foot=foot)
    with pytest.raises(EntryError, match="no room"):
        solve(Lean(0.01, 0.0), foot=Foot(40.0, 40.0, rod_hole_mm=30.0))
    with pytest.raises(EntryError, match="check the reading"):
        solve(Lean(9.0, 0.0))
    with pytest.raises(EntryError):
        solve(Lean(0.01, 0.0), tolerance=Tolerance("0", "ratio", 0.0))
    for wrong in (
        {"max_pieces": 0},
        {"preload_mm": 0.0},
        {"preload_mm": math.nan},
        {"bearing_mm": 1.0},
        {"layout": "three"},
        {"bearing_point": "edge"},
        {"saw": Saw(settings_deg=(50.0,))},
        {"saw": Saw(kerf_mm=math.inf)},
    ):
        with pytest.raises(UsageError):
            Options(**wrong)


def test_kept_pack_off_its_seat_counts_where_it_bears() -> None:
    pack = Pack(Seat.NEXT_OUT, 1.0, 1.0, (13.0, 45.0))
    answer = solve(Lean(0.01, 0.0), offers={Seat.NEXT_OUT: [Offer(pack, inner=True)]})
    assert answer.status == "proven"


@pytest.mark.parametrize("asked", [20.0, 26.0, 32.0])
def test_pieces_reach_as_far_in_as_asked_or_the_answer_says_which_do_not(asked) -> None:
    box = [Lot("T1", "taper", 4, thin_mm=0.5, thick_mm=5.5, length_mm=200.0)]
    tolerance, said = Tolerance("1:300", "ratio", 1 / 300), 0
    for lean in (Lean(0.012, 0.0), Lean(0.014, 0.005), Lean(0.009, 0.004), Lean(0.016, 0.011)):
        answer = solve(lean, box, Options(inside_mm=asked, min_inside_mm=asked), tolerance=tolerance)
        assert answer.within
        for pack in answer.packs:
            inside = pack.pieces[0].mark_mm - pack.pieces[0].trim_tip_mm
            short = [words for words in answer.cautions if words.startswith(f"{pack.seat}: T1 reaches only")]
            assert len(short) == (inside < asked - 1e-6)
            assert inside >= 20.0 - 1e-6  # what crushing asks more is given up first
            said += len(short)
    assert (said > 0) == (asked > 20.0)


def test_flats_that_the_rod_leaves_no_room_for_are_said() -> None:
    """From the face of a foot of 60 mm to a rod of 14 mm, less 2 mm, are 21 mm; crushing wants 28."""
    options, flats = Options(inside_mm=28.0, min_inside_mm=28.0), (flat("A", 0.6, 9), flat("B", 0.25, 9))
    for foot, inside_mm in ((Foot(60.0, 60.0), 21.0), (Foot(90.0, 90.0), 28.0)):
        answer = prescribe(
            foot,
            1000.0,
            Lean(0.011, 0.004),
            Tolerance("1:200", "ratio", 1 / 200),
            build_tables(flats, options),
        )
        assert answer.packs
        for pack in answer.packs:
            assert pack.inside_mm == foot.inner_mm(pack) == pytest.approx(inside_mm)
        said = [words for words in answer.cautions if "reaches only 21 mm in, 28 mm are wanted" in words]
        assert len(said) == (inside_mm < 28.0) * sum(len(pack.pieces) for pack in answer.packs)
        assert all("the rod leaves no room" in words for words in said)


@pytest.mark.parametrize("rock_mm", [0.1, 0.5, 0.74])
def test_a_post_that_nearly_rocks_is_said_to_tip(rock_mm):
    """Against seats drawn at random, each by the contact problem: second moments, and the share that tips."""
    foot, lean, scatter = Foot(90.0, 90.0), Lean(0.009, 0.007), Scatter()
    plane = gap_plane(foot, lean)
    need = {seat: plane.at_seat_mm(seat) + 1.0 for seat in CORNERS}
    need[Seat.NEXT_OUT] += rock_mm
    packs = [Pack(seat, mm, mm, foot.seat_at_mm(seat)) for seat, mm in need.items()]
    asked = ask(foot, 1000.0, lean, ONE_IN_500, 0.19)
    resting = asked.rests_on(packs)
    assert resting.lean is not None
    flat = asked.seats_spread(packs, scatter, all_carry=True)
    assert flat is not None
    at_rest = resting.lean.top_mm(1000.0)
    rests = [(share, np.subtract(at, at_rest)) for share, at in asked.rests_mm(packs, scatter, resting)]
    said = np.add(flat, sum(share * np.array((x * x, x * y, y * y)) for share, (x, y) in rests))
    rng, tops, tipped = np.random.default_rng(21), [], 0
    for _ in range(1200):
        errors = rng.normal(0.0, math.sqrt(scatter.seat_mm2(inner=False)), 4)
        some = [replace(pack, made_mm=pack.made_mm + e) for pack, e in zip(packs, errors, strict=True)]
        drawn = asked.rests_on(some)
        tipped += drawn.lean is None
        one = drawn.lean or drawn.limits[int(rng.random() < 0.5)]
        tops.append(np.subtract(one.top_mm(1000.0), at_rest))
    x, y = np.array(tops).T
    assert said == pytest.approx([np.mean(x * x), np.mean(x * y), np.mean(y * y)], rel=0.15, abs=0.15)
    assert sum(share for share, _ in rests) == pytest.approx(1.0)
    assert 1.0 - rests[0][0] == pytest.approx(tipped / 1200, abs=0.22)  # by seven nodes
    assert (rests[0][0] == 1.0) == (rock_mm < 0.5)
