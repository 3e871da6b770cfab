"""Instruments, two faces, half height, take-up and crushing, as they are used by command."""

from __future__ import annotations

import pytest

NEW_RUN = "run new lake/walk --length 3600 --every 1200 --foot 90x90mm --height 1000mm --tolerance 1:500"


@pytest.fixture
def lake(after):
    return after("job new lake", NEW_RUN, "stock import fixtures/stock/boardwalk_box.csv")


def test_an_instrument_that_cannot_decide_the_tolerance_is_said_when_it_is_entered(lake) -> None:
    # A stated 0.1 deg is u = 1.745/√3 = 1.008 mm/m: P(within 2 mm) is at most 1 - exp(-2²/2u²) = 0.86.
    said = lake("instrument add clamp --kind inclinometer --accuracy 0.1deg").out
    assert "can't decide 2 mm" in said
    assert "caution" not in lake("instrument add level-A --accuracy 0.2mm/m").out


def test_the_zero_found_end_for_end_is_taken_off_and_its_doubt_is_smaller(lake) -> None:
    lake("instrument add level-A --accuracy 0.5mm/m")
    plain = lake("read", "lake/walk/1", "4mm n 8mm o", "--instrument", "level-A", "--json").json["reading"]
    # By hand: faces 3 and 1 mm/m along, both 1 mm/m across: zero (3 - 1)/2 = 1 along, 0 across.
    zero = lake(
        "instrument", "check", "level-A", "3.0mm n 1.0mm o", "1.0mm n 1.0mm o", "--height", "1m", "--json"
    ).json["zero"]
    assert zero["slope_along"] == pytest.approx(0.001)
    assert zero["slope_across"] == pytest.approx(0.0, abs=1e-12)
    turned = lake("read", "lake/walk/2", "4mm n 8mm o", "--instrument", "level-A", "--json").json["reading"]
    assert turned["slope_along"] == pytest.approx(0.003)
    assert turned["u_along"] < plain["u_along"]
    assert turned["text"] == "4mm n 8mm o"


def test_two_faces_give_one_reading_and_the_zero_is_not_in_it(lake) -> None:
    lake("instrument add level-A --accuracy 0.5mm/m")
    ran = lake(
        "read", "lake/walk/1", "9mm n 1mm o", "--turned", "5mm n 1mm o", "--instrument", "level-A", "--json"
    )
    assert ran.json["reading"]["slope_along"] == pytest.approx(0.007)
    words = ("lake/walk/2", "9mm n 1mm o", "--turned", "9mm n 1mm o", "--instrument", "level-A")
    assert lake("read", *words, "--json").json["reading"]["slope_along"] == pytest.approx(0.009)


def test_a_reading_at_half_height_shows_the_bow_and_packs_nothing_for_it(lake) -> None:
    ran = lake("read", "lake/walk/1", "10mm n 0", "--mid", "9mm n 0", "--json")
    # By hand: half way up the line stands 5 mm off; the middle was read at 9 mm: bowed 4 mm towards next.
    assert "bowed" in ran.json["message"]
    assert "4.0 mm next" in ran.json["message"]
    assert ran.json["answer"]["lean"]["top_along_mm"] == pytest.approx(10.0)


def test_take_up_is_learned_shown_counted_in_undone_and_forgotten(lake) -> None:
    first = lake("read", "lake/walk/1", "12mm n 12mm o", "--json").json["answer"]
    assert first["take_up"] == pytest.approx(0.9)
    assert len(first["packs"]) == 3
    for pack in first["packs"]:
        # By hand: 12 mm in 1 m opens 0.012 mm a mm from the pivot, 45 mm back each way; packs give 0.9 of it.
        x_mm, y_mm = pack["bears_at_mm"]
        assert pack["need_mm"] == pytest.approx(0.012 * (x_mm + 45 + y_mm + 45) / 0.9, abs=1e-6)
    lake("read", "lake/walk/1", "4mm n 4mm o", "--sure")
    known = lake("job takeup lake --json").json["materials"]
    assert known
    assert all(one["take_up"] < 0.9 for one in known)
    assert "allowed for" in lake("job takeup lake").out
    lake("undo lake")
    lake("undo lake")
    assert lake("job takeup lake --json").json["materials"] == []
    lake("redo lake")
    lake("job takeup lake --reset")
    assert lake("job takeup lake --json").json["materials"] == []
    assert "forgetting what the deck taught" in lake("undo lake").out


def test_packs_that_the_clamp_would_crush_are_said_with_the_area_they_need(lake) -> None:
    quiet = lake("read", "lake/walk/1", "6mm n 10mm h", "--json").json["answer"]["cautions"]
    lake("settings", "timber", "Hem-Fir")
    lake("settings torque_nm 40")
    said = lake("read", "lake/walk/2", "6mm n 10mm h", "--json").json["answer"]["cautions"]
    assert not any("too small" in one for one in quiet)
    assert any("too small" in one and "mm²" in one for one in said)


def test_a_foot_that_rocks_gets_the_feeler_at_the_corner_that_hangs(lake) -> None:
    firm = lake("read", "lake/walk/1", "6mm n 10mm h", "--json").json["answer"]
    rocks = lake("read", "lake/walk/2", "6mm n 10mm h", "--rocks", "prev-house=0.8mm", "--json").json[
        "answer"
    ]

    def beyond_the_gap(answer) -> float:
        # Gap plane of 6 mm next and 10 mm house in 1000 on a 90 mm foot, where the pack bears, over the usual
        # take-up of 0.9: 6e-3 x - 10e-3 y + (6e-3 + 10e-3) 45.
        pack = next(pack for pack in answer["packs"] if pack["seat"] == "prev-house")
        along, across = pack["bears_at_mm"]
        return pack["need_mm"] - (0.006 * along - 0.010 * across + 0.016 * 45.0) / 0.9

    assert beyond_the_gap(firm) == pytest.approx(0.0, abs=0.01)
    assert beyond_the_gap(rocks) == pytest.approx(0.8, abs=0.01)
    for wrong in (["next=1mm"], ["next-out=50mm"], ["next-out=1mm", "next-out=2mm"]):
        words = [word for one in wrong for word in ("--rocks", one)]
        assert lake("read", "lake/walk/3", "9mm n 0", *words).code == 2, wrong


def test_a_filler_that_ended_the_rocking_is_not_taken_for_lift_at_the_next_reading(lake) -> None:
    lake("read", "lake/walk/1", "6mm n 10mm h", "--rocks", "prev-house=2mm")
    change = lake("read", "lake/walk/1", "3mm n 0", "--sure", "--json").json["answer"]["change"]
    # 3 mm towards next over a 90 mm foot wants 0.3 mm under the next edge. Taken for lift, the 2 mm under
    # prev-house would want the whole post lifted on the prev-out side to hold it up.
    assert "prev-out" not in {one["seat"] for one in change}


def test_an_instrument_that_was_dropped_has_no_zero_until_it_is_turned_again(lake) -> None:
    lake("instrument add level-A --kind level --length 1200mm --accuracy 0.5mm/m --serial L-7")
    lake("instrument", "check", "level-A", "3mm n 1mm o", "1mm n 1mm o", "--height", "1m")
    assert "checked" in lake("instrument list").out
    assert "counts no more" in lake("instrument dropped level-A").out
    (known,) = lake("instrument list --json").json["instruments"]
    assert (known["u_zero"], known["checked"], known["zero_along"]) == (None, None, 0.0)
    assert (known["serial"], known["length_mm"]) == ("L-7", 1200.0), "what it is stays known"
    assert known["event"]
    assert known["time"][:10] == known["dropped"][:10], "and when this was entered, for programs"
    listed = lake("instrument list").out
    assert "not checked since it was dropped 20" in listed
    assert "never" not in listed
    lake("read", "lake/walk/1", "4mm n 8mm o", "--instrument", "level-A")
    record = lake("record lake/walk").out
    assert "serial L-7" in record
    assert "last check: none since it was dropped 20" in record
    lake("instrument", "check", "level-A", "3mm n 1mm o", "1mm n 1mm o", "--height", "1m")
    assert "last check: turned end for end 20" in lake("record lake/walk").out
    assert "dropped" not in lake("instrument list").out
