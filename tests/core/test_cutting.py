"""Marks along a strip: by hand, and by sawing the strip up again."""

import math

import pytest

from shimfit.core import cutting
from shimfit.core.cutting import Cut
from shimfit.core.ledger import Ledger
from shimfit.errors import UsageError
from shimfit.model import Lot, Pack, Piece, Seat

HOLD_MM = 250.0
STRIP = Lot("S1", "strip", 1, length_mm=600.0, width_mm=40.0, thickness_mm=20.0)


def wedge(to, deg, thin, *, lot="S1", width=40.0):
    thick = thin + 2 * width * math.tan(math.radians(deg))
    return Cut(lot, 0, lot, saw_deg=deg, thin_mm=thin, thick_mm=thick, kerf_mm=2.5, goes_to=to)


def test_marks_of_one_setting_by_hand():
    (cut,) = cutting.cut_list({"S1": STRIP}, [wedge("2/out", 1.0, 2.0), wedge("1/out", 1.0, 1.0)], HOLD_MM)
    slant = 20.0 * math.tan(math.radians(1.0))  # half the width
    kerf = 2.5 / math.cos(math.radians(1.0))
    first = slant + 2.5 + (1.0 + 2 * slant)  # mean thickness = thin edge + half the rise of 4 slants
    assert [piece["for"] for piece in cut["pieces"]] == ["1/out", "2/out"]
    assert [piece["mark_along_mm"] for piece in cut["pieces"]] == pytest.approx(
        [first, first + kerf + 2.0 + 2 * slant]
    )
    assert cut["left_mm"] == pytest.approx(600 - (first + kerf + 2.0 + 2 * slant) - kerf - slant)


def test_a_strip_keeps_what_it_is_held_by():
    cut = wedge("1/out", 1.0, 2.0)
    for spare_mm, fits in ((0.0, True), (-0.5, False)):
        length_mm = cutting.takes_mm(STRIP, [cut]) + HOLD_MM + spare_mm
        strip = Lot("S1", "strip", 1, length_mm=length_mm, width_mm=40.0, thickness_mm=20.0)
        assert cutting.Copies("S1", strip, 1).fits(1, cut, HOLD_MM) is fits


def test_what_is_left_and_what_is_taken_make_the_strip():
    wedges = [wedge(f"{k}/next", deg, 0.8 + k / 7) for k, deg in enumerate([0.5, 1.0, 0.5, 1.0, 0.5])]
    cuts = cutting.cut_list({"S1": STRIP}, wedges, HOLD_MM)
    assert [cut["saw_deg"] for cut in cuts] == [0.5, 1.0]
    assert cuts[-1]["left_mm"] == pytest.approx(600 - cutting.takes_mm(STRIP, wedges))
    marks = [piece["mark_along_mm"] for cut in cuts for piece in cut["pieces"]]
    assert marks == sorted(marks)


def test_edges_of_neighbours_never_overlap():
    """Turned over, the cuts slant in turn: at both edges of the strip the pieces lie one behind the other."""
    wedges = [wedge(f"{k}/next", 1.0, 0.9) for k in range(6)]
    (cut,) = cutting.cut_list({"S1": STRIP}, wedges, HOLD_MM)
    slant, kerf = 20.0 * math.tan(math.radians(1.0)), 2.5 / math.cos(math.radians(1.0))
    start = slant + 2.5
    for number, piece in enumerate(cut["pieces"]):
        side = 1 if number % 2 else -1
        for edge in (-1, 1):
            begin, end = start + side * edge * slant, piece["mark_along_mm"] - side * edge * slant
            assert end - begin == pytest.approx(piece["thin_mm"] if side * edge > 0 else piece["thick_mm"])
        start = piece["mark_along_mm"] + kerf


def test_a_strip_is_never_cut_shorter_than_can_be_held():
    many = [wedge(f"{k}/next", 0.5, 4.0) for k in range(60)]
    with pytest.raises(UsageError, match="too short"):
        cutting.cut_list({"S1": STRIP}, many, HOLD_MM)
    two = Lot("S1", "strip", 2, length_mm=600.0, width_mm=40.0, thickness_mm=20.0)
    edges = {"thin_mm": many[0].thin_mm, "thick_mm": many[0].thick_mm}
    pieces = [Piece("S1", "strip", many[0].mean_mm, saw_deg=0.5, **edges)] * 60
    packs = [(str(k), Pack(Seat.NEXT, 0.0, 0.0, (40.0, 0.0), (piece,))) for k, piece in enumerate(pieces)]
    taken = Ledger([two]).take(packs, 2.5, hold_mm=HOLD_MM)
    assert not taken.no_room
    cuts = cutting.cut_list({"S1": two}, taken.cuts, HOLD_MM)
    assert {cut["copy"] for cut in cuts} == {1, 2}
    assert all(cut["left_mm"] >= 250 for cut in cuts)
    assert sum(len(cut["pieces"]) for cut in cuts) == 60
    one = Ledger([STRIP])
    assert one.take(packs, 2.5, hold_mm=HOLD_MM).no_room == {"S1"}


def test_the_saw_is_set_once_per_angle_over_all_strips():
    other = Lot("S2", "strip", 1, length_mm=500.0, width_mm=40.0, thickness_mm=20.0)
    wedges = [
        wedge("1/a", 1.0, 1.0), wedge("2/a", 0.5, 1.0, lot="S2"), wedge("3/a", 0.5, 1.0),
        wedge("4/a", 1.0, 1.0, lot="S2"),
    ]  # fmt: skip
    cuts = cutting.cut_list({"S1": STRIP, "S2": other}, wedges, HOLD_MM)
    assert [cut["saw_deg"] for cut in cuts] == [0.5, 0.5, 1.0, 1.0]


def test_a_pack_moves_where_its_taper_is_of_another_copy_and_not_where_it_is_pushed():
    def of(copy, mark_mm):
        piece = Piece("T1", "taper", 2.0, mark_mm=mark_mm, copy=copy)
        return Pack(Seat.OUT, 2.0, 2.0, (0.0, 45.0), pieces=(piece,))

    assert cutting.moved_packs([of(1, 60.0)], [of(1, 70.0)]) == ([], [])
    assert cutting.moved_packs([of(1, 60.0)], [of(2, 60.0)]) == ([of(1, 60.0)], [of(2, 60.0)])
