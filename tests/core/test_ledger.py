"""What leaves the box and what goes back: nothing is gained, nothing is lost but the kerf."""

from __future__ import annotations

import json
import random
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shimfit.core.cutting import SHORTEST_KEPT_MM, returned, taken_twice_words
from shimfit.core.ledger import Ledger
from shimfit.core.stock import lot_from_row, lot_to_row
from shimfit.errors import UsageError
from shimfit.model import Lot, Pack, Piece, Seat

TAPER = Lot("T1", "taper", 3, "HDPE", length_mm=200.0, thin_mm=0.5, thick_mm=6.0)
FLAT = Lot("F1", "flat", 5, "PVC", length_mm=60.0, width_mm=40.0, thickness_mm=1.0, origin="bought")
STRIP = Lot("S1", "strip", 1, length_mm=600.0, width_mm=60.0, thickness_mm=40.0)
BOX = (TAPER, FLAT, STRIP)


def pack_of(*pieces: Piece, seat: Seat = Seat.NEXT_OUT) -> Pack:
    made = sum(piece.thickness_mm for piece in pieces)
    return Pack(seat, made, made, (40.0, 40.0), pieces)


def taper_piece(mark_mm: float, trim_mm: float = 0.0, copy: int | None = None) -> Piece:
    thickness = 0.5 + 5.5 * mark_mm / 200.0
    return Piece("T1", "taper", thickness, mark_mm=mark_mm, trim_tip_mm=trim_mm, copy=copy)


def moved(packs: list[Pack], kerf_mm: float = 2.5) -> tuple[dict[str, int], list[Lot]]:
    """(pieces that left, remainders) when packs are made from the box."""
    box = Ledger(BOX)
    data = box.moved([], packs, "3", kerf_mm)
    assert data is not None
    after = box.copy()
    after.count_taken(data, lot_from_row)
    before = {lot.lot for lot in box.lots()}
    used = {row["lot"]: row["count"] for row in data["used"]}
    return used, [lot for lot in after.lots() if lot.lot not in before]


def test_flats_are_counted_and_leave_nothing() -> None:
    used, back = moved([pack_of(Piece("F1", "flat", 1.0), Piece("F1", "flat", 1.0))])
    assert used == {"F1": 2}
    assert back == []


def test_the_thick_rest_of_a_taper_goes_back_with_its_slope() -> None:
    # By hand: mark 80, kerf 2.5: the rest runs from 82.5 to 200 mm, thin edge 0.5 + 0.0275·82.5 = 2.76875.
    used, (rest,) = moved([pack_of(taper_piece(80.0))], kerf_mm=2.5)
    assert used == {"T1": 1}
    assert rest.length_mm == pytest.approx(117.5)
    assert rest.thin_mm == pytest.approx(2.76875)
    assert rest.thick_mm == pytest.approx(6.0)
    assert rest.taper_slope == pytest.approx(TAPER.taper_slope)
    assert (rest.count, rest.lot, rest.material) == (1, "T1.1-82", "HDPE")


def test_a_trimmed_tip_goes_back_too_when_it_is_long_enough() -> None:
    _, (tip, rest) = moved([pack_of(taper_piece(120.0, trim_mm=88.0))], kerf_mm=2.0)
    assert tip.thin_mm == pytest.approx(0.5)
    # The cut that parts the tip takes its kerf from the tip: the piece is what was asked for.
    assert tip.length_mm == pytest.approx(86.0)
    assert rest.length_mm == pytest.approx(200.0 - 122.0)
    _, short = moved([pack_of(taper_piece(50.0, trim_mm=SHORTEST_KEPT_MM - 1))])
    assert all(lot.thin_mm != pytest.approx(0.5) for lot in short)


def test_two_seats_share_one_taper_or_take_one_each() -> None:
    near, far = taper_piece(30.0, copy=1), taper_piece(120.0, trim_mm=88.0, copy=1)
    assert moved([pack_of(near), pack_of(far, seat=Seat.PREV_OUT)])[0] == {"T1": 1}
    other = pack_of(taper_piece(120.0, 88.0, copy=2), seat=Seat.PREV_OUT)
    assert moved([pack_of(near), other])[0] == {"T1": 2}


@given(st.lists(st.floats(31.0, 195.0), min_size=1, max_size=3, unique=True), st.floats(0.0, 4.0))
def test_no_wood_is_made(marks: list[float], kerf_mm: float) -> None:
    pieces = [taper_piece(mark, mark - 30.0, copy=1) for mark in marks]
    _, back = moved([pack_of(piece) for piece in pieces], kerf_mm)
    assert TAPER.length_mm is not None
    under_the_foot = TAPER.length_mm - min(mark - 30.0 for mark in marks)
    assert sum(rest.length_mm or 0.0 for rest in back) <= TAPER.length_mm - 30.0 + 0.01
    assert all((rest.length_mm or 0.0) >= SHORTEST_KEPT_MM for rest in back)
    assert under_the_foot > 0
    assert len({rest.lot for rest in back}) == len(back)


def test_a_strip_gets_shorter_by_its_wedges() -> None:
    # By hand: two wedges of mean 1.5 mm, kerf 2.5 each, one kerf and 60·tan 1° to trim the first end.
    wedge = Piece("S1", "strip", 2.0, thin_mm=1.0, thick_mm=2.0, saw_deg=1.0)
    _, (rest,) = moved([pack_of(wedge), pack_of(wedge, seat=Seat.NEXT)], kerf_mm=2.5)
    assert rest.length_mm == pytest.approx(600.0 - 2 * (1.5 + 2.5) - 2.5 - 60 * 0.017455, abs=0.01)


def test_what_comes_out_again_goes_back_as_what_it_is_now() -> None:
    flat, short = returned([pack_of(Piece("F1", "flat", 1.0), taper_piece(80.0, 48.0))], BOX)
    assert (flat.lot, flat.thickness_mm, flat.count, flat.origin) == ("F1", 1.0, 1, "bought")
    assert short.form == "taper"
    assert short.length_mm == pytest.approx(32.0)
    assert short.thick_mm == pytest.approx(0.5 + 5.5 * 80 / 200)
    assert short.taper_slope == pytest.approx(TAPER.taper_slope)


def test_a_flat_of_fractions_of_an_inch_comes_out_into_its_own_lot() -> None:
    lots = (replace(FLAT, thickness_mm=25.4 * 3 / 64), TAPER)  # 1.190625 mm; packs have it to 0.01 mm
    box, pack = Ledger(lots), pack_of(Piece("F1", "flat", 1.19))
    for before, after in (([], [pack]), ([pack], [])):
        box.count_taken(box.moved(before, after, "3", 2.5), lot_from_row)
    assert box.lots() == lots
    other = Ledger([replace(lots[0], thickness_mm=1.3)])
    other.count_taken(other.moved([pack], [], "3", 2.5), lot_from_row)
    assert [lot.lot for lot in other.lots()] == ["F1", "F1 (2)"], "counted anew, it is another flat"


def test_promised_pieces_are_not_in_the_box_for_others() -> None:
    packs = [
        pack_of(Piece("F1", "flat", 1.0), taper_piece(30.0, copy=1)),
        pack_of(taper_piece(90.0, 58.0, copy=1)),
    ]
    left = {lot.lot: lot for lot in Ledger(BOX).without(packs)}
    assert {name: lot.count for name, lot in left.items()} == {"T1": 2, "F1": 4, "S1": 1, "T1.1-92": 1}
    # By hand: marks 30 and 90, kerf 2.5: from 92.5 to 200 mm nobody waits for it; 32.5 to 55.5 is too short.
    assert left["T1.1-92"].length_mm == pytest.approx(107.5)
    wider = {lot.lot: lot for lot in Ledger(BOX).without(packs, 6.0)}
    assert wider["T1.1-96"].length_mm == pytest.approx(104.0), "a wider saw leaves less"
    assert "F1" not in {lot.lot for lot in Ledger(BOX).without([pack_of(Piece("F1", "flat", 1.0))] * 9)}


def test_a_lot_that_is_not_in_the_box_is_refused() -> None:
    with pytest.raises(UsageError, match="F9"):
        Ledger(BOX).take([("3", pack_of(Piece("F9", "flat", 1.0)))], 2.5)


# ---------------------------------------------------------------- copies, touching, taken twice


def one_by_one(box: Ledger, packs: list[Pack], order: list[int]) -> Ledger:
    for k in order:
        box.take([(str(k), pack) for pack in packs[k : k + 1]], 2.5)
    return box


@settings(max_examples=60, deadline=None)
@given(st.randoms(use_true_random=False))
def test_the_order_of_cutting_does_not_matter(rng: random.Random) -> None:
    """Stretches on three copies and wedges of a strip, all at once and in any order: the same wood is
    left."""
    packs = []
    for copy in (1, 2, 3):
        at = 0.0
        while at < 150.0:
            trim, long = at + rng.choice([0.0, 0.0, 7.5, 33.0]), rng.choice([10.0, 17.35, 28.0])
            packs.append(pack_of(taper_piece(trim + long, trim, copy=copy)))
            at = trim + long + 2.5
    packs += [
        pack_of(Piece("S1", "strip", 2.0, thin_mm=1.0, thick_mm=2.0, saw_deg=rng.choice([0.5, 1.0])))
        for _ in range(4)
    ]

    def left(box: Ledger) -> list[tuple[str, float, float]]:
        return sorted(
            (lot.form, round(lot.length_mm or 0, 6), round(lot.thin_mm or 0, 6)) for lot in box.lots()
        )

    at_once = Ledger(BOX)
    at_once.take([("", pack) for pack in packs], 2.5)
    order = list(range(len(packs)))
    rng.shuffle(order)
    in_turn = one_by_one(Ledger(BOX), packs, order)
    assert left(in_turn) == left(at_once)
    assert not at_once.taken_twice
    assert not in_turn.taken_twice
    assert not in_turn.short


def test_stretches_that_touch_do_not_overlap_and_what_overlaps_is_said() -> None:
    box = Ledger(BOX)
    # 0.1 + 0.2 is not 0.3 in binary fractions.
    box.take(
        [("1", pack_of(taper_piece(0.1 + 0.2, copy=2))), ("2", pack_of(taper_piece(40.0, 0.3, copy=2)))], 0.0
    )
    assert box.taken_twice == ()
    box.take([("3", pack_of(taper_piece(45.0, 30.0, copy=2)))], 2.5)
    (twice,) = box.taken_twice
    assert (twice.lot, twice.copy, twice.from_mm, twice.to_mm) == ("T1", 2, 30.0, 40.0)
    assert twice.goes_to == ("2/next-out", "3/next-out")
    assert "T1 no. 2 was cut twice at 30 to 40 mm" in taken_twice_words(twice)


def remainders(box: Ledger) -> list[str]:
    return [lot.lot for lot in box.lots() if box.parent(lot.lot)]


def test_a_remainder_knows_its_parent_and_gives_its_own_stretches() -> None:
    box = Ledger(BOX)
    box.take([("1", pack_of(taper_piece(60.0, copy=2)))], 2.5)
    (name,) = remainders(box)
    parent = box.parent(name)
    assert parent is not None
    assert (parent.lot, parent.copy, parent.start, parent.end) == ("T1", 2, 6250, 20000)
    assert box.copies("T1") == (1, 3)
    # Planned on copy 2, it lies in the remainder now: 90 mm from the old thin end is 27.5 from the new.
    (reported,) = box.as_it_lies([pack_of(taper_piece(90.0, 70.0, copy=2))])
    piece = reported.pieces[0]
    assert (piece.lot, piece.mark_mm, piece.trim_tip_mm, piece.copy) == (name, 27.5, 7.5, None)
    (whole,) = box.as_it_lies([pack_of(taper_piece(90.0, 70.0, copy=3))])
    assert (whole.pieces[0].lot, whole.pieces[0].copy) == ("T1", 3)


def test_an_answer_gets_the_copies_that_are_not_promised() -> None:
    box = Ledger(BOX)
    box.take([("1", pack_of(taper_piece(60.0, copy=1)))], 2.5)
    promised = [pack_of(taper_piece(90.0, copy=2))]
    assert [lot.count for lot in box.without(promised) if lot.lot == "T1"] == [1]
    (named,) = box.numbered([pack_of(taper_piece(50.0))], promised)
    assert named.pieces[0].copy == 3


def test_counting_again_keeps_the_numbers_of_copies_and_what_is_left_of_others() -> None:
    box = Ledger(BOX)
    box.take([("1", pack_of(taper_piece(60.0, copy=2)))], 2.5)
    (rest,) = remainders(box)
    box.count_again([replace(TAPER, count=2)])
    assert box.copies("T1") == (1, 3)
    assert rest in {lot.lot for lot in box.lots()}
    box.count_again([replace(TAPER, count=4, length_mm=100.0)])
    lots = {lot.lot: lot for lot in box.lots()}
    assert (lots["T1"].count, lots["T1"].length_mm, lots[rest].length_mm) == (4, 100.0, 137.5)
    box.out(rest)
    assert rest not in {lot.lot for lot in box.lots()}


def test_entries_from_before_copies_were_told_apart_keep_their_meaning() -> None:
    box = Ledger(BOX)
    rest = replace(TAPER, lot="T1.1", count=1, length_mm=117.5, thin_mm=2.76875)
    strip = replace(STRIP, lot="S1.1", length_mm=560.0)
    data = {
        "used": [{"lot": "T1", "count": 1}, {"lot": "F1", "count": 2}, {"lot": "S1", "count": 1}],
        "back": [lot_to_row(rest), lot_to_row(strip)],
    }
    box.count_taken(data, lot_from_row)
    assert {lot.lot: lot.count for lot in box.lots()} == {"T1": 2, "F1": 3, "T1.1": 1, "S1.1": 1}
    lots = {lot.lot: lot for lot in box.lots()}
    assert lots["T1.1"].length_mm == pytest.approx(117.5)
    assert lots["S1.1"].length_mm == pytest.approx(560.0)
    (reported,) = box.as_it_lies([pack_of(taper_piece(110.0, 90.0, copy=1))])
    assert (reported.pieces[0].lot, reported.pieces[0].mark_mm) == ("T1.1", 27.5)


def test_packs_lack_what_was_thrown_out_or_cut_for_others() -> None:
    ledger = Ledger([replace(TAPER, count=2), Lot("F1", "flat", 2, thickness_mm=1.0)])
    flat, long = Piece("F1", "flat", 1.0), taper_piece(80.0, copy=2)
    packs = [
        pack_of(flat, flat),
        pack_of(long, seat=Seat.NEXT),
        pack_of(Piece("Z9", "flat", 1.0), seat=Seat.OUT),
    ]
    assert ledger.lacking(packs) == frozenset()
    ledger.out("F1", 1)
    assert ledger.lacking(packs) == {"F1"}
    cut, thrown = ledger.copy(), ledger.copy()
    cut.take([("3", packs[1])], 2.5)
    assert cut.lacking(packs[1:]) == {"T1"}, "another has it"
    assert cut.as_it_lies(packs[1:2]) == [replace(packs[1], pieces=())]
    behind = pack_of(taper_piece(102.5, 82.5, copy=2))
    short = ledger.copy()
    short.take([("4", behind), ("5", pack_of(taper_piece(60.0, 30.0, copy=2)))], 2.5)
    tip = pack_of(taper_piece(27.5, copy=2))
    assert short.lacking([tip]) == frozenset(), "too short to be kept, but it is what the plan wants"
    assert short.as_it_lies([tip]) == [tip], "and goes by its stretch of the copy"
    thrown.out("T1", 1)
    assert thrown.lacking(packs[1:]) == {"T1"}, "copies leave the last first"
    assert thrown.lacking([pack_of(taper_piece(80.0, copy=1))]) == frozenset()
    one = pack_of(taper_piece(80.0, copy=1))
    assert thrown.lacking([one, pack_of(taper_piece(110.0, 82.5, copy=1))]) == frozenset()
    assert thrown.lacking([one, pack_of(taper_piece(110.0, 79.0, copy=1))]) == {"T1"}, "both want 79 to 80 mm"
    thrown.out("T1")
    assert thrown.as_it_lies([one]) == [replace(one, pieces=())]
    assert [lot.lot for lot in thrown.without([one])] == ["F1"], "nothing is left of what is not there"
    cut.out("T1.2-82")
    assert cut.lacking([pack_of(taper_piece(190.0, 150.0, copy=2))]) == {"T1"}, "the rest of it is gone"


def test_a_piece_that_fits_into_a_rest_goes_by_the_name_that_the_box_has_for_it() -> None:
    box = Ledger(BOX)
    box.take([("1", pack_of(taper_piece(150.0, 110.0, copy=2)))], 2.5)
    of_the_rest = pack_of(replace(taper_piece(60.0, 40.0), lot="T1.2-0"), seat=Seat.NEXT)
    # The search took a whole one of T1; its stretch fits into the thin end of copy 2, cut anyway.
    packs = box.numbered([of_the_rest, pack_of(taper_piece(90.0, 70.0))])
    lies = [(pack.pieces[0].lot, pack.pieces[0].copy, pack.pieces[0].mark_mm) for pack in packs]
    assert lies == [("T1.2-0", None, 60.0), ("T1.2-0", None, 90.0)]


def test_what_is_cut_from_the_rest_of_a_promised_piece_is_a_stretch_of_it_whatever_is_cut_first() -> None:
    one = Ledger([replace(TAPER, count=1)])
    first = pack_of(taper_piece(80.0), seat=Seat.NEXT)
    (rest,) = one.without([first])
    mark_mm = 40.0
    asked = pack_of(Piece(rest.lot, "taper", rest.thin_mm + rest.taper_slope * mark_mm, mark_mm=mark_mm))
    (reported,) = one.numbered([asked], [first])
    (piece,) = reported.pieces
    assert (piece.lot, piece.copy, piece.mark_mm, piece.trim_tip_mm) == ("T1", None, 122.5, 82.5)
    assert piece.thickness_mm == pytest.approx(0.5 + 5.5 * 122.5 / 200.0)
    boxes = set()
    for order in ((first, reported), (reported, first)):
        box = one.copy()
        for pack in order:
            data = box.moved([], box.as_it_lies([pack]), "3", 2.5)
            box.count_taken(data, lot_from_row)
        assert box.taken_twice == ()
        boxes.add(repr(box.lots()))
    assert len(boxes) == 1
    assert "T1.1-125" in boxes.pop()


def test_of_a_rest_that_is_promised_in_the_middle_what_is_before_and_behind_is_offered() -> None:
    box = Ledger([replace(TAPER, count=1)])
    box.take([("1", pack_of(taper_piece(20.0)))], 2.5)
    offered = {lot.lot: lot.length_mm for lot in box.without([pack_of(taper_piece(120.0, 90.0))])}
    assert offered == {"T1.1-22": pytest.approx(65.0), "T1.1-122": pytest.approx(77.5)}


def test_a_taper_that_is_pushed_on_takes_more_of_its_copy() -> None:
    box = Ledger([replace(TAPER, count=1)])
    packed, pushed = pack_of(taper_piece(80.0)), pack_of(taper_piece(90.0))
    box.count_taken(box.moved([], [packed], "3", 2.5), lot_from_row)
    assert {lot.lot: lot.length_mm for lot in box.lots()} == {"T1.1-82": pytest.approx(117.5)}
    data = box.moved([packed], [pushed], "3", 2.5)
    box.count_taken(data, lot_from_row)
    # By hand: mark 90, kerf 2.5: the rest runs from 92.5 to 200 mm.
    assert {lot.lot: lot.length_mm for lot in box.lots()} == {"T1.1-92": pytest.approx(107.5)}
    assert box.taken_twice == ()
    drawn = box.moved([pushed], [packed], "3", 2.5)
    assert drawn is None, "drawn back nothing is cut, and nothing grows again"
    assert box.moved([packed], [pushed], "3", 2.5) is None, "it was cut that far already"


def test_a_push_into_wood_that_another_post_has_is_told() -> None:
    box = Ledger([replace(TAPER, count=1)])
    packed, pushed = pack_of(taper_piece(80.0)), pack_of(taper_piece(90.0))
    box.count_taken(box.moved([], [packed], "3", 2.5), lot_from_row)
    (rest,) = box.lots()
    other = pack_of(Piece(rest.lot, "taper", 3.0, mark_mm=30.0))
    box.count_taken(box.moved([], [other], "4", 2.5), lot_from_row)
    box.count_taken(box.moved([packed], [pushed], "3", 2.5), lot_from_row)
    (twice,) = box.taken_twice
    assert (twice.from_mm, twice.to_mm) == (82.5, 90.0)


def test_copies_are_numbered_as_they_are_first_named() -> None:
    packs = [pack_of(taper_piece(150.0, copy=2)), pack_of(taper_piece(140.0, copy=1), seat=Seat.NEXT)]
    reported = Ledger([TAPER]).numbered(packs)
    assert [pack.pieces[0].copy for pack in reported] == [1, 2]
    left = Ledger([TAPER]).numbered(packs, [pack_of(taper_piece(120.0, copy=1))])
    assert [pack.pieces[0].copy for pack in left] == [2, 3]


def test_the_mark_on_a_remainder_fits_on_it_however_often_it_is_packed_anew() -> None:
    """A piece of T1 no. 2 is cut, comes out, is cut again, for twelve rounds; so is a wedge off a strip."""
    box = Ledger(BOX)
    wedge = Piece("S1", "strip", 2.0, thin_mm=1.0, thick_mm=2.0, saw_deg=1.0)
    stood = [pack_of(taper_piece(140.0, 20.0, copy=2)), pack_of(wedge, seat=Seat.NEXT)]
    box.count_taken(box.moved([], stood, "3", 2.5), lot_from_row)
    seen = {lot.lot for lot in box.lots()}
    assert seen == {"T1", "F1", "T1.2-142", "S1.1"}
    for _ in range(12):
        named = returned(stood, (*box.lots(), *box.used_up()))
        again = []
        for pack, lot in zip(stood, named, strict=True):
            mark_mm = (lot.length_mm or 0.0) - 2.0
            mm = (lot.thin_mm or 0.0) + lot.taper_slope * mark_mm
            again.append(
                replace(pack, pieces=(Piece(lot.lot, "taper", mm, mark_mm=mark_mm, trim_tip_mm=1.0),))
            )
        box.count_taken(box.moved(stood, again, "3", 2.5), lot_from_row)
        stood = again
        seen |= {lot.lot for lot in (*box.lots(), *box.used_up())}
    assert len(seen) > 12
    assert max(map(len, seen)) <= len("T1.2-142b")
    assert {"T1.2-20", "T1.2-21", "T1.2-31", "S1.w1"} <= seen
    assert not box.taken_twice


def test_what_older_logs_called_long_is_marked_short_when_it_is_cut_again() -> None:
    long = replace(TAPER, lot="T1.2-24 from next-out.1-30 from prev-out", count=1, length_mm=100.0)
    box = Ledger([long])
    box.take([("3", pack_of(Piece(long.lot, "taper", 2.0, mark_mm=40.0)))], 2.5)
    assert [lot.lot for lot in box.lots()] == ["T1.2-66"]
    other = Ledger([replace(long, lot="T1.2-24"), replace(TAPER, lot="T1.2-66", count=1)])
    other.take([("3", pack_of(Piece("T1.2-24", "taper", 2.0, mark_mm=40.0)))], 2.5)
    assert [lot.lot for lot in other.lots()] == ["T1.2-66", "T1.2-66b"], "no name stands for two pieces"


def test_a_piece_that_older_logs_named_keeps_its_name_when_its_thick_end_is_cut_off() -> None:
    """The event of the second cut does not name it, as nothing changed: it is known by where it begins."""
    box = Ledger([replace(TAPER, lot="T1 from next", count=1)])
    first = pack_of(Piece("T1 from next", "taper", 1.0, mark_mm=30.0))
    data = box.moved([], [first], "3", 2.5)
    (row,) = data["back"]
    row["lot"] = "T1 from next.1-32"  # as it was called then
    box.count_taken(data, lot_from_row)
    second = pack_of(Piece("T1 from next.1-32", "taper", 5.0, mark_mm=150.0, trim_tip_mm=100.0))
    data = box.moved([], [second], "4", 2.5)
    assert data["back"] == []
    box.count_taken(data, lot_from_row)
    assert {lot.lot: lot.length_mm for lot in box.lots()} == {"T1 from next.1-32": pytest.approx(97.5)}


def test_an_open_answer_of_an_older_log_finds_the_piece_that_comes_out_under_the_name_it_gave_it() -> None:
    """Such an answer puts the piece from under one corner under another, cut shorter."""
    box = Ledger([TAPER])
    stood = [pack_of(Piece("T1", "taper", 3.0, mark_mm=80.0))]
    box.count_taken(box.moved([], stood, "3", 2.5), lot_from_row)
    name = f"T1 from {stood[0].seat}"
    (other,) = (seat for seat in Seat if seat.name == "PREV_HOUSE")
    again = [replace(stood[0], seat=other, pieces=(Piece(name, "taper", 2.0, mark_mm=40.0),))]
    box.count_taken(box.moved(stood, again, "3", 2.5), lot_from_row)
    mm = {lot.lot: lot.length_mm for lot in box.lots()}
    assert name not in mm, "it is under the post"
    assert mm["T1.1-42"] == pytest.approx(37.5), "what was cut off it is back"
    assert not box.short
    assert not box.taken_twice


def any_piece(rng: random.Random, names: list[str]) -> Piece:
    name = rng.choice(names)
    copy = rng.choice([None, None, 1, 2, 4])
    if name.startswith("F"):
        return Piece(name, "flat", 1.0)
    if name.startswith("S"):
        return Piece(name, "strip", 2.0, thin_mm=1.0, thick_mm=2.0, saw_deg=rng.choice([0.5, 1.0]), copy=copy)
    trim_mm = rng.choice([0.0, 20.0, 55.5, 100.0])
    return Piece(
        name, "taper", 3.0, mark_mm=trim_mm + rng.choice([10.0, 28.0, 60.0]), trim_tip_mm=trim_mm, copy=copy
    )


@pytest.mark.parametrize("number", range(40))
def test_what_is_kept_of_any_history_goes_on_as_the_box_itself(number: int) -> None:
    """Packs in and out, counts and throwing out, through events as they are logged; kept and read back."""
    rng = random.Random(number)
    box, twin = Ledger(BOX), Ledger(BOX)
    for _ in range(10):
        names = [lot.lot for lot in (*box.lots(), *box.used_up())]
        seats = rng.sample(list(Seat), 3)
        came_out, went_in = (
            [pack_of(*(any_piece(rng, names) for _ in range(2)), seat=seat) for seat in part]
            for part in (seats[:1], seats[1:])
        )
        assert box.lacking(went_in) == twin.lacking(went_in)
        assert box.without(went_in) == twin.without(went_in)
        assert box.as_it_lies(went_in) == twin.as_it_lies(went_in)
        data = box.moved(came_out, went_in, "3", 2.5, promised=lambda packs=came_out: packs)
        assert data is not None
        lot, count = rng.choice(names), rng.choice([None, 1, 9])
        for one in (box, twin):
            one.count_taken(json.loads(json.dumps(data)), lot_from_row)
            one.out(lot, count)
            one.count_again([replace(FLAT, count=4)])
        twin = Ledger.from_rows(json.loads(json.dumps(twin.to_rows())))
        assert twin.to_rows() == box.copy().to_rows()
        assert (twin.lots(), twin.short, twin.taken_twice) == (box.lots(), box.short, box.taken_twice)
