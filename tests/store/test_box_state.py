"""The box: lots with what is left of them, instruments, settings."""

from __future__ import annotations

import random

import pytest

from shimfit.store.box import BOX_KINDS, fold_box
from shimfit.store.events import UNDONE, Draft, in_order
from shimfit.store.journal import Journal
from shimfit.store.merge import export_text, import_text

F2 = {"lot": "F2", "form": "flat", "count": 4, "thickness_mm": 2.0}
T1 = {"lot": "T1", "form": "taper", "count": 2, "thin_mm": 0.0, "thick_mm": 6.0, "length_mm": 120.0}


def _left(crew):
    return {lot.lot: lot.count for lot in crew.journal.box().lots}


def test_counted_put_in_taken_out(crew):
    north = crew()
    north.journal.append("stock-imported", {"lots": [F2, T1], "source": "box.csv"})
    assert _left(north) == {"F2": 4, "T1": 2}
    north.journal.append("stock-added", {**F2, "count": 3})
    north.journal.append("stock-out", {"lot": "T1", "count": 1})
    assert _left(north) == {"F2": 7, "T1": 1}
    north.journal.append("stock-out", {"lot": "F2", "count": None})
    box = north.journal.box()
    assert [lot.lot for lot in box.lots] == ["T1"]
    assert [(lot.lot, lot.count) for lot in box.used_up] == [("F2", 0)]
    assert box.lot("F2") is None


def test_counting_again_replaces_what_was_counted_and_leaves_the_rest(crew):
    north = crew()
    north.journal.append("stock-imported", {"lots": [F2, T1], "source": "box.csv"})
    north.journal.append("stock-imported", {"lots": [{**F2, "count": 9}], "source": "box.csv"})
    assert _left(north) == {"F2": 9, "T1": 2}


def test_pieces_used_leave_and_remainders_come_back_as_lots(crew):
    north = crew().lay_out()
    north.journal.append("stock-imported", {"lots": [F2, T1], "source": "box.csv"})
    rest = {**T1, "lot": "T1.1", "count": 1, "thin_mm": 2.0, "length_mm": 80.0}
    north.log("taken", {"used": [{"lot": "T1"}, {"lot": "F2", "count": 2}], "back": [rest]}, post="1")
    assert _left(north) == {"F2": 2, "T1": 1, "T1.1": 1}
    assert north.journal.box().lot("T1.1").taper_slope == T1["thick_mm"] / T1["length_mm"]


def test_unlike_pieces_are_never_mixed_under_one_name(crew):
    north = crew()
    north.journal.append("stock-added", F2)
    north.journal.append("stock-added", {**F2, "thickness_mm": 3.0, "count": 1})
    north.journal.append("stock-added", {**F2, "thickness_mm": 3.0, "count": 1})
    assert _left(north) == {"F2": 4, "F2 (2)": 2}


def test_more_used_than_there_were_is_said_not_hidden(crew):
    north = crew().lay_out()
    north.journal.append("stock-added", F2)
    north.log("taken", {"used": [{"lot": "F2", "count": 6}, {"lot": "gone"}]}, post="1")
    assert north.journal.box().short == (("F2", 2), ("gone", 1))
    assert _left(north) == {}


def test_undo_of_the_box_puts_back(crew):
    north = crew()
    north.journal.append("stock-added", F2)
    north.journal.append("stock-out", {"lot": "F2", "count": 1})
    assert north.journal.to_undo(None)[1] == "lot F2 taken out of the box"
    assert north.journal.undo(None) == "lot F2 taken out of the box"
    assert _left(north) == {"F2": 4}
    assert north.journal.redo(None) == "lot F2 taken out of the box"
    assert _left(north) == {"F2": 3}


def test_undo_of_a_pack_puts_its_pieces_back(crew, packs):
    from shimfit import codec
    from shimfit.store.events import Draft

    north = crew().lay_out()
    north.journal.append("stock-added", F2)
    north.journal.append_all(
        [
            Draft("taken", {"used": [{"lot": "F2"}]}, "jetty", "east", "1"),
            Draft("packed", {"packs": [codec.to_json(packs[0])]}, "jetty", "east", "1"),
        ]
    )
    assert _left(north) == {"F2": 3}
    assert north.journal.undo("jetty") == "packs put in at east/1"
    assert _left(north) == {"F2": 4}
    assert north.post("1").packs_in_place == ()


def test_instruments_keep_their_history(crew):
    north = crew()
    level = {"name": "long level", "kind": "level", "length_mm": 1200.0, "accuracy_slope": 0.0005}
    north.journal.append("instrument", level)
    north.journal.append(
        "instrument", {**level, "zero_along": 0.0002, "u_zero": 0.0001, "checked": "2026-05-04"}
    )
    box = north.journal.box()
    assert [one.zero_along for one in box.instrument_history] == [0.0, 0.0002]
    assert box.instrument("long level").u_zero == 0.0001
    assert len(box.instruments) == 1


def test_settings_are_what_was_set_last(crew):
    north = crew()
    north.journal.append("setting", {"key": "units", "value": "inch"})
    north.journal.append("setting", {"key": "units", "value": "mm"})
    north.journal.append("setting", {"key": "hints", "value": False})
    assert north.journal.box().settings == {"units": "mm", "hints": False}
    assert north.journal.box(upto=1).settings == {"units": "inch"}


def test_undo_of_the_box_leaves_what_belongs_to_a_pack(crew, packs):
    """Pieces that were taken in the same step as a reading go back with that step only."""
    from shimfit.store.events import Draft

    north = crew().lay_out()
    north.journal.append("stock-added", F2)
    north.journal.append_all(
        [
            Draft("noted", {"text": "packed"}, "jetty", "east", "1"),
            Draft("taken", {"used": [{"lot": "F2"}]}),
        ]
    )
    assert _left(north) == {"F2": 3}
    assert north.journal.to_undo(None)[1] == "lot F2 put in the box"
    assert north.journal.to_undo("jetty")[1] == "a note at east/1"
    north.journal.undo("jetty")
    assert _left(north) == {"F2": 4}
    north.journal.redo("jetty")
    north.journal.undo(None)
    assert north.journal.box().short == (("F2", 1),)
    north.journal.redo(None)
    assert _left(north) == {"F2": 3}
    assert north.post("1").notes


def test_a_lot_that_is_counted_in_two_rows_counts_whole(crew):
    north = crew()
    north.journal.append("stock-added", F2)
    north.journal.append("stock-imported", {"lots": [F2, {**F2, "count": 3}, {**F2, "thickness_mm": 3.0}]})
    assert _left(north) == {"F2": 7, "F2 (2)": 4}


def test_another_crews_level_of_the_same_name_leaves_the_zero_of_ours(crew):
    from shimfit.store.merge import export_text, import_text

    level = {"name": "long level", "kind": "level"}
    north, south, west = crew("north"), crew("south"), crew("west")
    west.journal.append("instrument", {**level, "name": "short level"})
    north.journal.append("instrument", {**level, "zero_along": 0.0001})
    south.clock.set("2026-05-04T10:00:00+02:00")
    south.journal.append("instrument", {**level, "zero_along": 0.003})
    for other in (south, west):
        import_text(north.journal, export_text(other.journal), "their.jsonl")
    box = north.journal.box()
    assert box.instrument("long level").zero_along == 0.0001
    assert [one.zero_along for one in box.instrument_history if one.name == "long level"] == [0.0001, 0.003]
    assert box.instrument("short level").name == "short level"


@pytest.mark.parametrize("seed", range(4))
def test_a_long_box_is_what_its_events_say_however_many_of_them_are_in_the_base(
    crew, tmp_path, monkeypatch, seed
):
    monkeypatch.setattr("shimfit.store.box._HALF", 2)
    monkeypatch.setattr("shimfit.store.journal.LAG", 1)
    rng, north = random.Random(seed), crew()
    journal = north.journal
    journal.append("stock-added", {**F2, "count": 400})
    journal.box()
    for turn in range(40):
        what = rng.random()
        if what < 0.25:
            (journal.undo if what < 0.15 else journal.redo)(None)
        else:
            out = [Draft("stock-out", {"lot": "F2", "count": rng.randint(1, 3)}) for _ in range(1 + turn % 2)]
            journal.append_all(out)
        events = in_order(journal.events(kinds=(*BOX_KINDS, UNDONE)))
        assert journal.box() == fold_box(events, journal.log)
        if turn % 9 == 8:  # again from what was kept when it was closed
            journal.close()
            journal = Journal.open(tmp_path / "north.db", clock=north.clock)
    journal.close()


def test_a_box_taken_up_again_is_whole_after_an_earlier_crew_sent_its_own(crew, make_clock, monkeypatch):
    """Theirs go before ours by the clock and behind them by place: none of ours is let go of for good."""
    monkeypatch.setattr("shimfit.store.box._HALF", 3)
    monkeypatch.setattr("shimfit.store.journal.LAG", 1)
    north, south = crew("north"), crew("south", clock=make_clock("2026-05-03T08:00:00+02:00"))
    for one in (north, south):
        for _ in range(4):
            one.journal.append("stock-added", F2)
    import_text(north.journal, export_text(south.journal), "south.jsonl")
    assert _left(north) == {"F2": 16}
    north.journal.close()
    assert _left(crew("north again", path=north.journal.path)) == {"F2": 16}
