"""The moves behind both front ends, with no terminal at all."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import pytest

from shimfit.errors import EntryError, FileError, UsageError
from shimfit.model import Instrument, PostState, Seat
from shimfit.report.record import exceptions_reported, record_lines, record_of
from shimfit.store.db import Opened
from shimfit.store.events import Event
from shimfit.store.log import Log
from shimfit.text.glyphs import UNICODE
from shimfit.text.phrases import post_view
from shimfit.text.plan_phrases import label_lines
from shimfit.tui.session import Session
from shimfit.tui.setting_up import add_run, check_answer, parse_lot, parse_lots
from shimfit.workflow.layout import set_option
from shimfit.workflow.plan import cut_list_of
from shimfit.workflow.reading import Asked, log_reading


def test_the_next_reading_can_be_another_kind_and_only_that_one(session) -> None:
    assert session.do("kind", "bed").done
    assert session.enter("3n2o").done
    assert session.record.readings[-1].stage == "bed"
    assert session.do("kind", "mid").done
    assert session.enter("9n8o").done
    assert session.record.readings[-1].stage == "mid"
    assert session.enter("0.3n.2o").done
    assert session.record.readings[-1].stage == "verify"


def test_a_rocking_corner_goes_with_the_reading(session) -> None:
    assert session.do("kind", "rocks next-out 0.5").done
    assert session.enter("3n2o").done
    assert session.record.readings[-1].rocks == ((Seat.NEXT_OUT, 0.5),)
    for wrong in ("roof 0.5", "next 0.5", "next-out 50", "next-out=1,next-out=2"):
        assert not session.do("kind", f"rocks {wrong}").done, "no corner, an edge, too far, twice"
    assert not session.do("kind", "sideways").done


def test_what_really_went_in_is_logged(session) -> None:
    session.enter("0 0.4o")
    assert session.do("packed_otherwise", "out=F1+F2").done
    assert [pack.seat for pack in session.record.packs_in_place] == [Seat.OUT]
    refused = session.do("packed_otherwise", "out=Z9")
    assert not refused.done
    assert "Z9" in refused.message


def test_a_turned_level_needs_a_name_and_then_gives_one_reading(session) -> None:
    assert not session.turned("3n2o", "2n1o").done
    session.site.set("instrument", "blue level")
    session.site.add_instrument(Instrument("blue level", "level", 1200.0))
    outcome = session.turned("3n2o", "2n1o")
    assert outcome.done, outcome.message
    assert session.record.readings[-1].text == "3n2o; turned: 2n1o"
    assert session.use_level("level-A").done, "a new one is entered"
    assert session.use_level("blue level").done, "a known one is not entered anew"
    assert not session.use_level(" ").done
    assert [(one.name, one.length_mm) for one in session.site.box().instruments] == [
        ("blue level", 1200.0),
        ("level-A", None),
    ]


def test_what_turning_settles_is_the_first_of_the_two_and_counts_once(session) -> None:
    session.site.set("instrument", "blue level")
    session.site.add_instrument(Instrument("blue level", "level"))
    session.enter("1n1h")
    assert session.to_turn_after == "", "it is to be tightened, not turned"
    session.do("tightened")
    session.enter("1n1h")
    assert session.record.state is PostState.TOO_CLOSE
    assert session.to_turn_after == "1n1h"
    refused = session.turned("1n1h", "0n")
    assert not refused.done
    assert session.to_turn_after == "1n1h", "it is back"
    assert session.turned("1n1h", "0n0h").done
    record = session.record
    assert record.mean_of == 1
    assert record.reading.lean.top_mm(record.height_mm) == pytest.approx((0.5, -0.5))
    assert session.to_turn_after == "", "it was turned"


def test_told_back_in_the_unit_that_was_typed(session) -> None:
    session.enter("1/4n3/8h")
    assert session.view.lean == 'TOP leans 1/4" → next, 3/8" ↓ house'
    session.undo()
    session.enter("6mmn10mmh")
    assert session.view.lean == "TOP leans 6 mm → next, 10 mm ↓ house"


def test_options_of_the_run_change_from_now_on(session) -> None:
    site = session.site
    for name, text in (
        ("tolerance", "3mm/1m"),
        ("height", "1200mm"),
        ("level", "1200mm"),
        ("faces", "out=lake house=lawn"),
        ("layout", "tripod"),
    ):
        set_option(site, "heron", "jetty", name, text)
    run = site.run("heron", "jetty")
    assert run.tolerance.text == "3mm/1m"
    assert run.height_mm == 1200
    assert run.gauge_mm == 1200
    assert dict(run.face_names) == {"out": "lake", "house": "lawn"}
    assert run.making.layout == "tripod"
    set_option(site, "heron", "jetty", "level", "height")
    assert site.run("heron", "jetty").gauge_mm is None
    for name, text in (
        ("tolerance", "soon"),
        ("faces", "out=next"),
        ("faces", "up=sky"),
        ("layout", "round"),
    ):
        with pytest.raises((EntryError, UsageError)):
            set_option(site, "heron", "jetty", name, text)


def test_walking_stops_at_both_ends_in_words(session) -> None:
    assert "first" in session.step(-1).message
    for _ in range(6):
        assert session.step(+1).done
    assert "last" in session.step(+1).message
    assert not session.step(+1).done


def test_an_empty_box_is_said_to_be_empty_and_what_to_make(make_site) -> None:
    site = make_site(empty=True)
    add_run(
        site,
        {
            "job": "mill",
            "run": "stair",
            "legs": "2m, 1m",
            "every": "1m",
            "foot": "90x90mm",
            "height": "1000mm",
            "tolerance": "1:500",
        },
    )
    session = Session(site, UNICODE)
    session.open_last()
    assert [post.name for post in session.run.posts] == ["1", "2", "3", "4"]
    session.enter("9n5o")
    assert session.record.state is PostState.OUT
    assert (session.view.do, session.view.packs) == ("No pack from this box can do it", ())
    # By hand: 9 and 5 mm in 1000 mm open 0.81 and 0.45 mm across a foot of 90 mm; packs give 0.9 of theirs.
    said = session.view.remarks[0]
    assert said.startswith("The box is empty: ")
    for wants in ("next-out wants 1.40 mm", "next-house wants 0.90 mm", "prev-out wants 0.50 mm"):
        assert wants in said
    assert said.endswith("Count into it what there is to pack with.")
    # What a command says of it and what paper does are in the run's own names, too.
    place = replace(session.place, post="2")
    site.change_run(place.job, place.run, face_names={"next": "lake", "house": "garden"})
    logged = log_reading(site, place, "9mm lake 5mm garden", Asked())
    paper = record_lines(record_of(site.journal, place.job, place.run))
    for text in (logged.message, " ".join(paper)):
        assert "lake-garden wants 1.40 mm" in text
        assert "next-house" not in text


@pytest.mark.parametrize(
    ("text", "legs"),
    [
        ("9.6m 4.8m", [(9600, None), (4800, None)]),
        ("9.6m, 4.8m@45 2.4m@-30", [(9600, None), (4800, 45), (2400, -30)]),
        ("7200+3600 @ +45deg", [(7200, None), (3600, 45)]),
        ("12' 6 1/2\" 8'", [(3822.7, None), (2438.4, None)]),
        ("12ft 8ft", [(3657.6, None), (2438.4, None)]),
        ("12', 6in", [(3657.6, None), (152.4, None)]),
    ],
)
def test_legs_and_the_turns_between_them(make_site, text, legs) -> None:
    """Feet and inches are one length; a corner is square unless its leg says how far the run turns."""
    site = make_site(empty=True)
    answers = {"job": "mill", "run": "yard", "legs": text, "every": "30m", "foot": "90x90mm"}
    run = add_run(site, answers | {"height": "1000mm", "tolerance": ""})
    stations = [post.station_mm for post in run.posts]
    assert [end - begin for begin, end in pairwise(stations)] == pytest.approx([mm for mm, _ in legs])
    assert [post.turn_deg for post in run.posts[1:-1]] == [deg for _, deg in legs[1:]]


@pytest.mark.parametrize(
    ("text", "wrong"),
    [
        ("9.6m@45", "first leg"),
        ("9.6m 4.8m@", "under 180"),
        ("9.6m 4.8m@180", "under 180"),
        ("9.6m 4.8q", "q"),
        ("2.4", r"a leg of 2\.4 in what unit\? Type it like 2\.4m"),
        ("9.6m 4.8", "like 4.8m"),
    ],
)
def test_a_leg_that_can_not_be_is_refused_at_once(make_site, text, wrong) -> None:
    with pytest.raises(EntryError, match=wrong):
        check_answer(make_site(empty=True), "legs", text, {})


def test_a_new_run_that_can_not_be_is_refused_at_the_answer_that_makes_it_so(make_site) -> None:
    site = make_site(empty=True)
    answers = {"job": "mill", "run": "yard", "legs": "3m", "every": "1m", "foot": "90x90mm"}
    add_run(site, answers | {"height": "1000mm", "tolerance": ""})
    with pytest.raises(UsageError, match="a run mill/yard already"):
        check_answer(site, "run", "yard", {"job": "mill"})
    with pytest.raises(UsageError, match="no room between their feet"):
        check_answer(site, "foot", "90x90mm", {"job": "mill", "run": "stair", "legs": "3m", "every": "80mm"})
    with pytest.raises(EntryError, match=r"a spacing of 1\.2 in what unit\? Type it like 1\.2m"):
        check_answer(site, "every", "1.2", {"job": "mill", "run": "stair", "legs": "3m"})


@pytest.mark.parametrize(
    ("text", "wrong"),
    [
        ("F9", "typed like"),
        ("F9 flat", "typed like"),
        ("F9 flat 1 2", "a flat takes thickness: 1 to give, not 2"),
        ("T9 taper 2 1 200", "wrong way"),
        ("F9 flat x4", "not 0"),
    ],
)
def test_a_lot_that_makes_no_sense_is_refused(text, wrong) -> None:
    from shimfit.errors import ShimfitError

    with pytest.raises(ShimfitError, match=wrong):
        parse_lot(text, "mm")


def test_a_count_may_stand_apart_and_is_never_taken_for_what_a_lot_is_made_of():
    alike = [parse_lots(text, "mm", ()) for text in ("1.5 x4, 2 x6", "1.5 x 4, 2 X 6")]
    assert alike[0] == alike[1]
    assert [(lot.thickness_mm, lot.count) for lot in alike[0]] == [(1.5, 4), (2.0, 6)]
    for text in ("1.5 x", "1.5 x, 2 x6", "flat 1.5 x"):
        with pytest.raises(EntryError, match="x how many"):
            parse_lots(text, "mm", ())


def test_a_reading_of_another_post_and_one_in_the_place_of_the_last(session) -> None:
    assert "post 4 logged" in session.enter("4:6n10h").message
    assert session.place.post == "4"
    assert session.aim("4:=6n") == "post 4: corrects the last: "
    assert session.enter("=9n10h").message.startswith("corrected: post 4 logged")
    assert [reading.text for reading in session.record.readings] == ["9n10h"]
    assert not session.enter("12:6n10h").done, "no such post"
    assert session.step(-1).done
    refused = session.enter("=3n2o")
    assert not refused.done
    assert "post 3 is not what was logged last" in refused.message
    at = session.enter("4:6n4").at
    assert at is not None
    assert at >= len("4:6n")


def test_near_where_it_stood_with_no_pack_logged_asks_which_it_is(session) -> None:
    assert session.enter("6n10h").done
    asked = session.enter("6n11h")
    assert not asked.done
    assert "Not in yet: Enter, both count; =6n11h corrects the last." in asked.message
    assert session.enter("6n11h").done, "the second Enter: read once more"
    assert session.record.mean_of == 2
    assert session.enter(".5n.5h").done, "near where the packs bring it: nothing is asked"
    assert session.record.state is PostState.PLUMB


def test_nearer_to_where_it_stood_and_of_another_lean_asks_whether_the_last_was_wrong(session) -> None:
    assert session.enter("6n10h").done
    asked = session.enter("6n12.5h")
    assert "=6n12.5h if the last one was wrong" in asked.message
    assert session.enter("6n12.5h").done, "the second Enter: packed and read again"
    assert session.record.packs_in_place


@pytest.mark.parametrize("fix", ["=6.5h", "=5n6.5h"])
def test_what_corrects_the_last_after_a_half_is_the_whole_reading_that_it_asks_of(session, fix) -> None:
    assert session.enter("5n7h").done
    assert session.enter("5n").done
    asked = session.enter("6.5h")
    assert "=6.5h corrects the last" in asked.message
    corrected = session.enter(fix)
    assert corrected.done, corrected.message
    record = session.record
    assert (record.packs_in_place, record.half, record.mean_of) == ((), None, 1)
    assert record.reading.slope_across == pytest.approx(-0.0065)
    assert len(record.readings) == 1
    assert session.enter("5.5n").done
    assert session.enter("=5n").done, "of the same way: in the place of the half"
    assert [one.text for one in session.record.readings][1:] == ["5n"]


@pytest.mark.parametrize("how", ["twice", "+", "kind"])
def test_read_once_more_before_packing(session, how) -> None:
    """Enter a second time, a + before it, or the kind of the next reading: both count, no pack is in."""
    assert session.enter("9n5o").done
    if how == "twice":
        outcome = session.enter("9n5.5o")
        assert not outcome.done
        assert outcome.message.startswith("as before the packs. Not in yet: Enter, both count")
    if how == "kind":
        assert session.do("kind", "again").done
    outcome = session.enter("+9n5.5o" if how == "+" else "9n5.5o")
    assert outcome.done, outcome.message
    assert "mean of 2" in outcome.message
    assert session.record.packs_in_place == ()
    assert session.enter("0.2n.2o").done
    assert session.record.packs_in_place
    assert session.aim("4:+9n5o") == "post 4: once more, no pack in yet: "


def test_a_corrected_reading_stays_of_the_kind_it_was(session) -> None:
    assert session.enter("9n5o").done
    assert session.enter("+9n5.5o").done
    assert "mean of 2" in session.enter("=9n5.2o").message
    refused = session.enter("=9n")
    assert "both ways" in refused.message
    assert [one.text for one in session.record.readings] == ["9n5o", "9n5.2o"]
    session.do("kind", "mid")
    assert session.enter("4n2o").done
    assert session.enter("=4n2.5o").done
    assert (session.record.readings[-1].stage, session.record.packs_in_place) == ("mid", ())


def test_a_turned_level_before_packing_is_no_verifying_reading(session) -> None:
    session.site.set("instrument", "blue level")
    session.site.add_instrument(Instrument("blue level", "level", 1200.0))
    assert session.enter("9n5o").done
    assert not session.turned("9n5o", "8n4o").done
    assert not session.site.box().instrument("blue level").checked, "nothing is kept of what was not logged"
    assert session.turned("9n5o", "8n4o").done
    assert session.record.packs_in_place == ()
    assert session.record.readings[-1].stage == "stood"


def test_what_was_asked_about_is_no_answer_once_the_packs_are_in(session) -> None:
    session.site.set("instrument", "blue level")
    session.site.add_instrument(Instrument("blue level", "level", 1200.0))
    assert session.enter("9n5o").done
    assert not session.turned("9n5o", "8n4o").done
    assert session.do("packed").done
    outcome = session.turned("9n5o", "8n4o")
    assert outcome.done, f"a re-read now, not a repeat: {outcome.message}"
    assert session.record.packs_in_place


def test_a_reading_at_half_height_of_another_post_is_not_answered(session) -> None:
    asked_for = []
    session.answers_later = asked_for.append
    session.do("kind", "mid")
    assert session.enter("2:6n10h").done
    assert session.record.readings[-1].stage == "mid"
    assert asked_for == []


def test_a_plumb_post_says_where_the_retighten_walk_goes_on(session) -> None:
    for _ in range(2):
        session.do("kind", "verify")
        assert session.enter("0 0").done
        session.step(+1)
    assert "post" in session.do("retighten", "0").message
    first, last = session.due
    assert session.place.post == first
    assert session.enter("@1.2m").done
    assert session.record.changed is None, "only a length: nothing was tightened"
    session.enter("0 0.3o")
    assert session.record.mean_of == 1, "read after tightening: not averaged with how it stood before"
    assert session.view.do.endswith("Enter walks on to the next that is due")
    session.step(+1)
    session.enter("0 0")
    assert session.place.post == last
    assert session.view.do.endswith("The last that is due; 2 of 2 read again")


def test_what_is_refused_of_another_post_leaves_one_where_one_stands(session) -> None:
    outcome = session.enter("3:+6n10h")
    assert "nothing was read there yet" in outcome.message
    assert session.place.post == "1"


@pytest.mark.parametrize("mark", ["=", "+"])
def test_a_length_alone_corrects_nothing_and_repeats_nothing(session, mark) -> None:
    assert session.enter("9n5o").done
    assert "type it without" in session.enter(f"{mark}@1.2m").message
    assert [reading.text for reading in session.record.readings] == ["9n5o"]
    assert session.enter("@1.2m").done


def test_how_likely_it_is_to_be_plumb_is_said_before_why_these_packs(session) -> None:
    """A window that is short cuts what comes last."""
    assert session.enter("9n5o").done
    why = "Leaves in the box what the 4 posts to come will likely need."
    answer = replace(session.record.prescription, why=why, status="found")
    remarks = post_view(replace(session.record, prescription=answer), session.words).remarks
    likely = next(row for row, text in enumerate(remarks) if text.startswith("Of 20 posts"))
    assert likely < remarks.index(why) < len(remarks) - 1


@pytest.mark.parametrize("own", ["", "next-out=T2@21"])
def test_once_packs_are_in_nothing_is_said_of_the_choice(session, own) -> None:
    """How many of twenty would read plumb was said of the packs that were prescribed."""
    assert session.enter("9n5o").done
    assert any(text.startswith("Of 20 posts") for text in session.view.remarks)
    assert session.do("packed_otherwise" if own else "packed", own).done
    assert not any(text.startswith(("Of 20", "Good packs", "Leaves")) for text in session.view.remarks)
    assert any("after this" in text for text in session.view.remarks) is not bool(own)


def test_pasted_lines_are_on_disk_as_one_and_come_back_where_the_disk_is_full(session, monkeypatch) -> None:
    lines = session.as_typed(["1\t9n5o", "2\t3n8o", "3\t2n6o"])
    journal, really = session.site.journal, Log._write

    def full_at_the_second(log: Log, events: Sequence[Event]) -> object:
        if any(event.data.get("text") == "3n8o" for event in events):
            raise FileError("the disk is full")
        return really(log, events)

    before = journal.head
    with monkeypatch.context() as patch:
        patch.setattr(Log, "_write", full_at_the_second)
        outcome, left = session.enter_all(lines)
    assert (outcome.done, list(left)) == (False, lines[1:]), "the first stands, the second was not logged"
    assert session.site.journal.verify() is None
    with monkeypatch.context() as patch:
        patch.setattr(Opened, "lost", lambda _: "the data file is gone")
        outcome, left = session.enter_all(lines[1:])
    assert (outcome.done, list(left)) == (False, lines[1:])
    assert [len(post.readings) for post in session.run.posts[:3]] == [1, 0, 0]
    assert session.enter_all(lines[1:])[0].done
    assert [len(post.readings) for post in session.run.posts[:3]] == [1, 1, 1]
    assert journal.head[0] > before[0]


def test_a_lot_that_is_used_up_keeps_its_name(session) -> None:
    session.site.out_of("F1", None)
    assert "F1" not in session.add_lots("2.5 x4")
    assert session.site.box().lot("F5").count == 4


def test_after_another_height_what_is_off_and_what_is_allowed_are_at_the_same(session) -> None:
    session.enter("6n8o")
    place = session.place
    set_option(session.site, place.job, place.run, "height", "1100mm")
    session.refresh()
    # By hand: 10 mm in 1000 mm are 11 mm in 1100 mm, where 1:500 allows 2.2 mm.
    assert session.view.result == "11.0 mm off, allowed 2.2 mm"
    record = record_of(session.site.journal, place.job, place.run)
    assert any("11.0 mm off plumb, 2.2 mm allowed" in why for _, _, why in exceptions_reported(record))


def test_labels_stand_in_the_order_in_which_the_packs_go_in_and_are_numbered(session) -> None:
    session.enter("6n10h")
    seats = [pack.where for pack in session.view.packs]
    made = cut_list_of(session.site, session.place.job, session.place.run)
    made["posts"][0]["packs"].reverse()  # a plan has them as it found them
    labels = [text for text, _ in label_lines(made, session.words)[2:]]
    assert [next(seat for seat in seats if seat in text) for text in labels] == seats


def test_what_the_disk_did_not_keep_is_not_shown_as_logged(session, monkeypatch) -> None:
    """Wherever the file is found gone, the run in view is the one on the disk."""
    lines, tried = session.as_typed(["1\t9n5o", "2\t3n8o"]), 0
    for at in range(40):
        asked = iter(range(100))
        with monkeypatch.context() as patch:
            patch.setattr(
                Opened,
                "lost",
                lambda _, asked=asked, at=at: "the data file is gone" if next(asked) >= at else None,
            )
            outcome, _ = session.enter_all(lines)
        shown = [len(post.readings) for post in session.run.posts]
        place = session.place
        assert shown == [len(post.readings) for post in session.site.run(place.job, place.run).posts], at
        if outcome.done:
            break
        tried += 1
    assert tried > 2
