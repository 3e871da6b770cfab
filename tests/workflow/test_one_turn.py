"""What is logged follows from what was read: between the two nobody else can log."""

from __future__ import annotations

import pytest

from shimfit.errors import UsageError
from shimfit.model import Foot, Instrument, Lot
from shimfit.standing import RunState
from shimfit.store import db as lock
from shimfit.workflow import layout
from shimfit.workflow.reading import (
    Asked,
    log_note,
    log_packs,
    log_photo,
    log_reading,
    log_skipped,
    log_tightened,
    log_trimmed,
    log_turned,
)
from shimfit.workflow.site import Place, Site

AT = Place("jetty", "east", "1")
FOOT = Foot(90.0, 90.0)
POSTS = [{"name": name, "leg": 1, "station_mm": 1200.0 * number} for number, name in enumerate("123")]
MOVES = {
    "job": lambda site: site.add_job("quay"),
    "run": lambda site: site.add_run("jetty", "west", foot=FOOT, height_mm=1000.0, posts=POSTS),
    "change": lambda site: site.change_run("jetty", "east", height_mm=1100.0),
    "insert": lambda site: layout.insert_post(site, "jetty", "east", "600mm"),
    "move": lambda site: layout.move_post(site, Place("jetty", "east", "2"), "1250mm"),
    "remove": lambda site: layout.remove_post(site, Place("jetty", "east", "2")),
    "out": lambda site: site.out_of("F2", 1),
    "read": lambda site: log_reading(site, AT, "1n 2o", sure=True),
    "bed": lambda site: log_reading(site, AT, "6n 10h", Asked(bed=True), sure=True),
    "turned": lambda site: log_turned(site, AT, "3n 1o", "1n 1o", Asked(instrument="level-A")),
    "pack": lambda site: log_packs(site, AT),
    "tighten": lambda site: log_tightened(site, AT),
    "trim": lambda site: log_trimmed(site, AT),
    "skip": lambda site: log_skipped(site, AT, "wet"),
    "note": lambda site: log_note(site, AT, "knot"),
    "photo": lambda site: log_photo(site, AT, "a.jpg"),
    "undo": lambda site: site.undo("jetty"),
    "facts": lambda site: site.tell("jetty", "east", {"weather": "dry"}),
    "issue": lambda site: site.issue("jetty", "east"),
}


@pytest.mark.parametrize("move", MOVES.values(), ids=list(MOVES))
def test_the_turn_is_held_from_the_look_to_the_line(tmp_path, monkeypatch, move):
    with Site.open(tmp_path / "jetty.db") as site:
        site.add_job("jetty")
        site.add_run("jetty", "east", foot=FOOT, height_mm=1000.0, posts=POSTS)
        site.import_stock(
            [Lot("F2", "flat", 40, thickness_mm=1.0), Lot("F5", "flat", 40, thickness_mm=2.5)], ""
        )
        site.add_instrument(Instrument("level-A", "level"))
        log_reading(site, AT, "6n 10h", sure=True)
        logged = []
        write = site.journal.append_all  # takes the turn itself where the move has not

        def written(drafts):
            logged.append(_is_taken(site))
            return write(drafts)

        monkeypatch.setattr(site.journal, "append_all", written)
        move(site)
        assert logged
        assert all(logged)
        assert not _is_taken(site), "and is given back"


CHANGES = {
    "insert": lambda site: layout.insert_post(site, "jetty", "east", "600mm"),
    "move": lambda site: layout.move_post(site, Place("jetty", "east", "2"), "1300mm"),
    "remove": lambda site: layout.remove_post(site, Place("jetty", "east", "2")),
    "replace": lambda site: layout.replace_post(site, AT, "100x100mm", "split"),
}


@pytest.mark.parametrize("change", CHANGES.values(), ids=list(CHANGES))
def test_a_post_is_put_between_marks_that_nobody_else_moves(tmp_path, monkeypatch, change):
    with Site.open(tmp_path / "jetty.db") as site:
        site.add_job("jetty")
        site.add_run("jetty", "east", foot=FOOT, height_mm=1000.0, posts=POSTS)
        marks_of, looked = RunState.marks, []

        def marks(run):
            looked.append(_is_taken(site))
            return marks_of.fget(run)

        monkeypatch.setattr(RunState, "marks", property(marks))
        change(site)
        assert looked == [True]
        assert not _is_taken(site), "and is given back"


@pytest.mark.parametrize(
    ("readings", "said"),
    [
        ((), "the one before was never read"),
        (("6n 10h",), "the one before was read once, left as: pack"),
        (("6n 10h", "0 0"), "the one before was read 2 times, left as: plumb"),
    ],
)
def test_a_post_put_in_anothers_place_is_said_and_taken_back_as_that(tmp_path, readings, said):
    with Site.open(tmp_path / "jetty.db") as site:
        site.add_job("jetty")
        site.add_run("jetty", "east", foot=FOOT, height_mm=1000.0, posts=POSTS)
        site.import_stock([Lot("F1", "flat", 40, thickness_mm=0.5)], "")
        for text in readings:
            log_reading(site, AT, text, sure=True)
        before = site.post(AT)
        layout.replace_post(site, AT, None, "split")
        (note,) = site.post(AT).notes
        assert note.startswith("another post since ")
        assert note.endswith(f": split; {said}")
        assert site.undo("jetty") == "taken back: another post put in at east/1"
        assert site.post(AT).readings == before.readings
        assert site.post(AT).notes == ()


def test_a_post_taken_out_gives_its_packs_back_and_undo_puts_them_under_it_again(tmp_path):
    with Site.open(tmp_path / "jetty.db") as site:
        site.add_job("jetty")
        site.add_run("jetty", "east", foot=FOOT, height_mm=1000.0, posts=POSTS)
        site.import_stock([Lot("F1", "flat", 40, thickness_mm=0.5)], "")
        place = Place("jetty", "east", "2")
        log_reading(site, place, "6n 10h", sure=True)
        full = site.box().lots
        log_packs(site, place)
        packed, packs = site.box().lots, site.post(place).packs_in_place
        assert packs
        assert packed != full
        said = layout.remove_post(site, place)
        assert said == "post 2 is out of the run; its log is kept; its packs are in the box again"
        assert site.box().lots == full
        assert site.undo("jetty") == "taken back: taking out post east/2"
        assert (site.box().lots, site.post(place).packs_in_place) == (packed, packs)


def _is_taken(site):
    handle = lock._take(lock.lock_file(site.journal.path))
    if handle is not None:
        lock.os.close(handle)
    return handle is None


def test_undo_takes_back_what_was_looked_at_or_nothing(tmp_path):
    """Two programs on one file: the other one logs between the look and the key."""
    with Site.open(tmp_path / "jetty.db") as site, Site.open(tmp_path / "jetty.db") as other:
        site.add_job("jetty")
        site.add_run("jetty", "east", foot=FOOT, height_mm=1000.0, posts=POSTS)
        log_reading(site, AT, "6n 10h", sure=True)
        looked_at = site.journal.to_undo("jetty")[0].id
        log_note(other, Place("jetty", "east", "2"), "knot")
        with pytest.raises(UsageError, match="something else was logged meanwhile"):
            site.undo("jetty", looked_at)
        assert other.run("jetty", "east").post("2").notes
        assert site.run("jetty", "east").post("1").reading is not None
        assert "a note at east/2" in site.undo("jetty", site.journal.to_undo("jetty")[0].id)
