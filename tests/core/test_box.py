"""What leaves the box and what goes back: nothing is gained, nothing is lost but the kerf."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shimfit.core.box import SHORTEST_KEPT_MM, movement, returned, without
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


def test_flats_are_counted_and_leave_nothing() -> None:
    moved = movement(BOX, [pack_of(Piece("F1", "flat", 1.0), Piece("F1", "flat", 1.0))])
    assert moved.used == (("F1", 2),)
    assert moved.back == ()


def test_the_thick_rest_of_a_taper_goes_back_with_its_slope() -> None:
    # By hand: mark 80, kerf 2.5: the rest runs from 82.5 to 200 mm, thin edge 0.5 + 0.0275·82.5 = 2.76875.
    moved = movement(BOX, [pack_of(taper_piece(80.0))], kerf_mm=2.5)
    (rest,) = moved.back
    assert moved.used == (("T1", 1),)
    assert rest.length_mm == pytest.approx(117.5)
    assert rest.thin_mm == pytest.approx(2.76875)
    assert rest.thick_mm == pytest.approx(6.0)
    assert rest.taper_slope == pytest.approx(TAPER.taper_slope)
    assert (rest.count, rest.lot, rest.material) == (1, "T1.1", "HDPE")


def test_a_trimmed_tip_goes_back_too_when_it_is_long_enough() -> None:
    moved = movement(BOX, [pack_of(taper_piece(120.0, trim_mm=88.0))], kerf_mm=2.0)
    tip, rest = moved.back
    assert tip.thin_mm == pytest.approx(0.5)
    # The cut that parts the tip takes its kerf from the tip: the piece is what was asked for.
    assert tip.length_mm == pytest.approx(86.0)
    assert rest.length_mm == pytest.approx(200.0 - 122.0)
    short = movement(BOX, [pack_of(taper_piece(50.0, trim_mm=SHORTEST_KEPT_MM - 1))])
    assert all(lot.thin_mm != pytest.approx(0.5) for lot in short.back)


def test_two_seats_share_one_taper_or_take_one_each() -> None:
    near, far = taper_piece(30.0, copy=1), taper_piece(120.0, trim_mm=88.0, copy=1)
    shared = movement(BOX, [pack_of(near), pack_of(far, seat=Seat.PREV_OUT)])
    assert shared.used == (("T1", 1),)
    separate = movement(BOX, [pack_of(near), pack_of(taper_piece(120.0, 88.0, copy=2), seat=Seat.PREV_OUT)])
    assert separate.used == (("T1", 2),)


@given(st.lists(st.floats(31.0, 195.0), min_size=1, max_size=3, unique=True), st.floats(0.0, 4.0))
def test_no_wood_is_made(marks: list[float], kerf_mm: float) -> None:
    pieces = [taper_piece(mark, mark - 30.0, copy=1) for mark in marks]
    moved = movement(BOX, [pack_of(piece) for piece in pieces], kerf_mm)
    assert TAPER.length_mm is not None
    under_the_foot = TAPER.length_mm - min(mark - 30.0 for mark in marks)
    assert sum(rest.length_mm or 0.0 for rest in moved.back) <= TAPER.length_mm - 30.0 + 1e-9
    assert all((rest.length_mm or 0.0) >= SHORTEST_KEPT_MM for rest in moved.back)
    assert under_the_foot > 0
    assert len({rest.lot for rest in moved.back}) == len(moved.back)


def test_a_strip_gets_shorter_by_its_wedges() -> None:
    # By hand: two wedges of mean 1.5 mm, kerf 2.5 each, one kerf and 60·tan 1° to square the end.
    wedge = Piece("S1", "strip", 2.0, thin_mm=1.0, thick_mm=2.0, saw_deg=1.0)
    moved = movement(BOX, [pack_of(wedge), pack_of(wedge, seat=Seat.NEXT)], kerf_mm=2.5)
    (rest,) = moved.back
    assert rest.length_mm == pytest.approx(600.0 - 2 * (1.5 + 2.5) - 2.5 - 60 * 0.017455, abs=0.01)


def test_what_comes_out_again_goes_back_as_what_it_is_now() -> None:
    flat, short = returned([pack_of(Piece("F1", "flat", 1.0), taper_piece(80.0, 48.0))], BOX)
    assert (flat.lot, flat.thickness_mm, flat.count, flat.origin) == ("F1", 1.0, 1, "bought")
    assert short.form == "taper"
    assert short.length_mm == pytest.approx(32.0)
    assert short.thick_mm == pytest.approx(0.5 + 5.5 * 80 / 200)
    assert short.taper_slope == pytest.approx(TAPER.taper_slope)


def test_promised_pieces_are_not_in_the_box_for_others() -> None:
    packs = [
        pack_of(Piece("F1", "flat", 1.0), taper_piece(30.0, copy=1)),
        pack_of(taper_piece(90.0, 58.0, copy=1)),
    ]
    left = {lot.lot: lot.count for lot in without(BOX, packs)}
    assert left == {"T1": 2, "F1": 4, "S1": 1}
    assert "F1" not in {lot.lot for lot in without(BOX, [pack_of(Piece("F1", "flat", 1.0))] * 9)}


def test_a_lot_that_is_not_in_the_box_is_refused() -> None:
    with pytest.raises(UsageError, match="F9"):
        movement(BOX, [pack_of(Piece("F9", "flat", 1.0))])
