"""The log itself: what was logged is there, in order, unchanged, and provably so."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import shutil
import sqlite3
import threading

import pytest

from shimfit.errors import FileError, InternalError, UsageError
from shimfit.store.db import Opened
from shimfit.store.events import Draft, microseconds
from shimfit.store.journal import Journal


def test_what_was_logged_is_there_after_opening_again(crew, tmp_path):
    north = crew()
    north.lay_out()
    logged = north.read("2", 0.01, 0.005, text="10mm n 5mm o")
    north.journal.close()
    with Journal.open(tmp_path / "north.db") as again:
        (*_, last) = again.events()
        assert last == logged
        assert last.data["text"] == "10mm n 5mm o"
        assert again.run("jetty", "east").post("2").readings[0].by == "north"


def test_another_connection_sees_an_event_as_soon_as_append_returns(crew, tmp_path):
    north = crew().lay_out()
    event = north.read("1")
    with sqlite3.connect(tmp_path / "north.db") as other:
        assert other.execute("SELECT id FROM event ORDER BY seq DESC").fetchone() == (event.id,)
    other.close()


def test_several_events_are_logged_in_one_go_or_not_at_all(crew):
    north = crew().lay_out()
    before = north.journal.head
    with pytest.raises(InternalError, match="height_mm"):
        north.journal.append_all(
            [
                Draft("noted", {"text": "good"}, "jetty", "east", "1"),
                Draft(
                    "reading", {"text": "x", "slope_along": 0.0, "slope_across": 0.0}, "jetty", "east", "1"
                ),
            ]
        )
    assert north.journal.head == before
    events = north.journal.append_all(
        [Draft("noted", {"text": str(n)}, "jetty", "east", "1") for n in range(3)]
    )
    assert {event.step for event in events} == {events[0].id}


@pytest.mark.parametrize(
    ("kind", "data", "says"),
    [
        (
            "reading",
            {"text": "x", "slope_along": float("nan"), "slope_across": 0.0, "height_mm": 1.0},
            "number",
        ),
        ("reading", {"text": "x", "slope_along": True, "slope_across": 0.0, "height_mm": 1.0}, "number"),
        ("reading", {"text": "x", "slope_along": 0.0, "slope_across": 0.0, "height_mm": 0}, "more than 0"),
        ("packed", {"packs": [{"seat": "middle"}]}, "seat"),
        ("photo", {"file": " "}, "a name"),
        ("undone", {"of": "no-such-event"}, "no event"),
        (
            "stock-added",
            {"lot": "T", "form": "taper", "count": 1, "thin_mm": 2, "thick_mm": 2, "length_mm": 9},
            "thin",
        ),
    ],
)
def test_an_event_that_could_not_be_read_back_is_never_logged(crew, kind, data, says):
    north = crew().lay_out()
    before = north.journal.head
    with pytest.raises(InternalError, match=says):
        north.log(kind, data, post="1")
    assert north.journal.head == before


def test_what_no_file_could_hold_is_refused_as_typed_whether_name_or_text(crew):
    """A terminal that does not send UTF-8: a slip of the person at it, never our own bug."""
    north = crew().lay_out()
    before = north.journal.head
    for post, text in (("\udcff", "x"), ("1", "caf\udce9")):
        with pytest.raises(UsageError, match=r"a broken character in it .*nothing was logged"):
            north.log("noted", {"text": text}, post=post)
    north.by = "caf\udce9"
    with pytest.raises(UsageError, match="a broken character in it"):
        north.log("noted", {"text": "x"}, post="1")
    assert north.journal.head == before


def test_an_older_files_broken_character_is_shown_as_a_blank_and_kept(crew, monkeypatch):
    north = crew().lay_out()
    monkeypatch.setattr("shimfit.store.log.signs_wrong", lambda *_: None)
    north.log("noted", {"text": "caf\udce9"}, post="1")
    assert north.post("1").notes[0] == "caf "
    (*_, last) = north.journal.events()
    assert last.data["text"] == "caf\udce9"
    assert north.journal.verify() is None


def test_an_interruption_right_after_the_commit_leaves_a_journal_that_goes_on(crew, monkeypatch):
    north = crew().lay_out()
    north.run()

    looks = []

    def interrupted(_):
        looks.append("before the commit, and after it")
        if len(looks) == 2:
            raise KeyboardInterrupt

    monkeypatch.setattr(Opened, "lost", interrupted)
    with pytest.raises(KeyboardInterrupt):
        north.read("1", text="before the interruption")
    monkeypatch.undo()
    north.read("1", text="after it")
    texts = [reading.text for reading in north.post("1").readings]
    assert texts == ["before the interruption", "after it"]
    assert north.journal.verify() is None


def test_what_is_logged_as_one_is_all_on_disk_or_none_of_it(crew):
    north = crew().lay_out()
    north.read("1", text="first")
    before = north.journal.head

    def left_halfway():
        with north.journal.all_or_none():
            north.read("2", text="second")
            assert len(north.post("2").readings) == 1, "what follows can be read from it"
            with contextlib.suppress(InternalError), north.journal.all_or_none():
                north.log("noted", {"text": "part of it"}, post="2")
                north.log("noted", {"no text": 1}, post="2")
            assert north.post("2").notes == ()
            raise EOFError

    with pytest.raises(EOFError):
        left_halfway()
    assert north.journal.head == before
    assert [len(north.post(name).readings) for name in "12"] == [1, 0]
    with north.journal.all_or_none():
        north.read("2", text="again")
        north.read("3", text="third")
    assert [north.post(name).readings[0].text for name in "123"] == ["first", "again", "third"]
    assert north.journal.verify() is None


def test_the_chain_is_what_the_page_on_it_says(crew):
    """Worked out anew from the columns with json and hashlib alone: canonical JSON, SHA-256 (FIPS 180-4)."""
    north = crew().lay_out()
    north.read("1", text='3/8" Überstand → n')
    prev = ""
    for number, event in enumerate(north.journal.events(), 1):
        row = {
            name: getattr(event, name)
            for name in (
                "id",
                "step",
                "log",
                "time",
                "stamp",
                "by",
                "job",
                "run",
                "post",
                "kind",
                "prev",
                "seq",
            )
        }
        row |= {"data": event.data, "origin": None}
        text = json.dumps(row, sort_keys=True, separators=(",", ":"), ensure_ascii=True)
        assert hashlib.sha256(text.encode()).hexdigest() == event.hash
        assert (event.seq, event.prev) == (number, prev)
        prev = event.hash
    assert north.journal.head == (number, prev)
    assert north.journal.verify() is None


REST = "step, log, time, stamp, by, job, run, post, kind, data"


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE event SET data = '{}' WHERE seq = 3",
        "DELETE FROM event WHERE seq = 3",
        "DELETE FROM event",
        "INSERT OR REPLACE INTO event SELECT * FROM event WHERE seq = 3",
        f"REPLACE INTO event SELECT 6, id, {REST}, hash, hash, NULL, NULL, NULL FROM event WHERE seq = 5",
        f"INSERT INTO event SELECT 9, 'new', {REST}, hash, hash, NULL, NULL, NULL FROM event WHERE seq = 5",
        f"INSERT INTO event SELECT 6, 'new', {REST}, 'x', hash, NULL, NULL, NULL FROM event WHERE seq = 5",
        "UPDATE log SET id = 'another'",
        "DELETE FROM log",
    ],
)
@pytest.mark.parametrize("recursive", ["ON", "OFF"])
def test_the_database_itself_refuses_to_change_the_log(crew, tmp_path, statement, recursive):
    crew().lay_out().journal.close()
    db = sqlite3.connect(tmp_path / "north.db", isolation_level=None)
    db.execute(f"PRAGMA recursive_triggers = {recursive}")
    before = db.execute("SELECT * FROM event").fetchall()
    assert len(before) == 5
    with pytest.raises(sqlite3.IntegrityError, match=r"stays as it is|only grows"):
        db.execute(statement)
    assert db.execute("SELECT * FROM event").fetchall() == before
    db.close()


@pytest.mark.parametrize(
    ("change", "seq", "why"),
    [
        ("UPDATE event SET data = replace(data, '1200.0', '1300.0') WHERE seq = 3", 3, "changed"),
        ("UPDATE event SET by = 'somebody else' WHERE seq = 2", 2, "changed"),
        ("DELETE FROM event WHERE seq = 4", 4, "missing"),
        ("UPDATE event SET hash = 'f' || substr(hash, 2) WHERE seq = 5", 5, "changed"),
        ("UPDATE event SET seq = -seq WHERE seq IN (3, 4)", 3, "missing"),
    ],
)
def test_verify_names_the_first_event_that_was_changed_from_outside(crew, tmp_path, change, seq, why):
    crew().lay_out().journal.close()
    db = sqlite3.connect(tmp_path / "north.db", isolation_level=None)
    for (trigger,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        db.execute(f"DROP TRIGGER {trigger}")
    db.execute(change)
    db.close()
    with Journal.open(tmp_path / "north.db", read_only=True) as journal:
        place, reason = journal.verify()
        with pytest.raises(FileError, match=f"event {place} is not as it was logged: "):
            journal.check()
    if "-seq" in change:
        assert place == 1  # rows with a negative number come first: the chain does not begin
    else:
        assert place == seq
        assert why in reason


def test_a_clock_set_back_keeps_its_time_is_flagged_and_changes_no_order(crew):
    north = crew().lay_out()
    first = north.read("1", 0.009)
    north.clock.set("2019-01-01T00:00:00+01:00")
    second = north.read("1", 0.004)
    assert second.time.startswith("2019-01-01T00:00:01.000+01:00")
    assert second.stamp > microseconds(second.time)
    assert first.stamp <= microseconds(first.time)
    assert second.stamp > first.stamp
    assert north.post("1").reading.slope_along == 0.004
    north.clock.set("2027-01-01T00:00:00+01:00")
    third = north.read("1")
    assert third.stamp <= microseconds(third.time)
    assert north.journal.verify() is None


def test_times_carry_the_offset_of_the_place(crew, somewhere_else):
    north = crew()
    north.clock.now = north.clock.now.astimezone(somewhere_else)
    assert north.lay_out().log("noted", {"text": "x"}, post="1").time.endswith("-08:00")


def test_threads_share_a_journal_without_losing_an_event(crew):
    north = crew().lay_out()
    before = north.journal.head[0]

    def work() -> None:
        for n in range(20):
            north.log("noted", {"text": str(n)}, post="1")

    threads = [threading.Thread(target=work) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert north.journal.head[0] == before + 80
    assert north.journal.verify() is None
    assert len(north.post("1").notes) == 80


def test_two_journals_of_one_file_log_in_turn_and_see_each_other(crew, tmp_path):
    north = crew().lay_out()
    with Journal.open(tmp_path / "north.db") as second:
        for number in range(3):
            seen = second.changes_by_others()
            north.read("2")
            assert second.changes_by_others() != seen
            assert len(second.run("jetty", "east").post("2").readings) == number + 1
            second.append("noted", {"text": str(number)}, job="jetty", run="east", post="1")
            assert len(north.post("1").notes) == number + 1
        assert second.undo("jetty") is not None
        assert north.post("1").notes == ("0", "1")
        assert second.verify() is None


def test_what_follows_from_what_was_read_is_logged_before_anybody_else_logs(crew, tmp_path):
    """A count taken from the log and put back, by two programs at once: none is lost."""
    crew().lay_out().journal.close()

    def count_up():
        with Journal.open(tmp_path / "north.db") as journal:
            for _ in range(20):
                with journal.exclusively():
                    n = len(journal.run("jetty", "east").post("1").notes)
                    journal.append("noted", {"text": str(n)}, job="jetty", run="east", post="1")

    threads = [threading.Thread(target=count_up) for _ in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    with Journal.open(tmp_path / "north.db", read_only=True) as journal:
        notes = journal.run("jetty", "east").post("1").notes
        assert list(notes) == [str(n) for n in range(60)]


@pytest.mark.parametrize("end", ["", "-wal"])
@pytest.mark.parametrize("what", ["moved", "replaced"])
@pytest.mark.skipif(os.name != "posix", reason="an open file can't be moved elsewhere")
def test_nothing_is_said_to_be_logged_into_a_file_that_has_lost_its_name(crew, tmp_path, end, what):
    north = crew().lay_out()
    file = tmp_path / f"north.db{end}"
    file.rename(tmp_path / "elsewhere")
    if what == "replaced":
        shutil.copy(tmp_path / "elsewhere", file)
    with pytest.raises(FileError, match="was moved, removed or replaced"):
        north.read("2")


def test_a_journal_opened_to_look_at_logs_nothing(crew, tmp_path):
    crew().lay_out().journal.close()
    with Journal.open(tmp_path / "north.db", read_only=True) as journal:
        assert journal.db.execute("PRAGMA query_only").fetchone() == (1,)
        with pytest.raises(FileError, match="look at only"):
            journal.append("setting", {"key": "units", "value": "inch"})


def test_what_is_not_there_is_named_beside_what_is(crew):
    north = crew().lay_out()
    with pytest.raises(UsageError, match=r"no job 'pier'.*jetty"):
        north.journal.job("pier")
    with pytest.raises(UsageError, match=r"no run 'west'.*east"):
        north.run(run="west")
    with pytest.raises(UsageError, match="no job 'pier'"):
        north.run(job="pier")


def test_jobs_come_in_order_with_their_runs_and_the_last_one_worked_on(crew):
    north = crew().lay_out().lay_out(run="west").lay_out(job="annex", run="deck")
    north.read("1", run="east")
    first, second = north.journal.jobs()
    assert (first.name, first.runs, first.last_run, first.units) == ("jetty", ("east", "west"), "east", "mm")
    assert (second.name, second.runs, second.last_run) == ("annex", ("deck",), "deck")
    assert first.last_seq == north.journal.head[0]


def test_a_new_file_is_closed_without_leaving_a_log_beside_it(crew, tmp_path):
    crew().lay_out().journal.close()
    assert sorted(file.name for file in tmp_path.iterdir()) == ["north.db", "north.db.lock"]
