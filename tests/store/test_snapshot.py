"""A long log opens from what was kept beside it: the same to the byte, or as if nothing were kept.

Random histories of several crews are held against the whole log in `test_crews`.
"""

from __future__ import annotations

import random
import shutil
import sqlite3
from collections import Counter
from pathlib import Path

import pytest

from shimfit.errors import FileError
from shimfit.store.events import Event
from shimfit.store.fold import RunFold
from shimfit.store.history import Voided, voided
from shimfit.store.journal import LAG, Journal, Snapshot
from shimfit.store.log import Log
from shimfit.store.merge import export_text


def beside(path):
    return Path(f"{path}.snapshot")


@pytest.fixture
def long_log(crew, tmp_path):
    """A closed file with more events than are gone through at each opening, and its snapshot."""
    north = crew().lay_out(4)
    for turn in range(LAG // 4 + 5):
        post = str(turn % 4 + 1)
        north.read(post, 0.001 * (turn % 9))
        north.prescribe(post)
        north.log("noted", {"text": f"turn {turn}"}, post=post)
        north.log("taken", {"used": [{"lot": "F2", "count": 1}], "back": []}, post=post)
        if turn % 5 == 0:
            north.journal.undo("jetty")
    north.run()
    north.journal.box()
    north.journal.close()
    assert beside(tmp_path / "north.db").exists()
    return tmp_path / "north.db"


@pytest.fixture
def used(monkeypatch):
    """How often a run was taken up from a snapshot."""
    count = Counter()
    of = RunFold.from_snapshot
    monkeypatch.setattr(RunFold, "from_snapshot", lambda *kept: count.update(["run"]) or of(*kept))
    return count


def said(path, **more):
    with Journal.open(path, **more) as journal:
        box = journal.box()
        return repr((journal.jobs(), journal.run("jetty", "east"), box, box.stock.to_rows()))


def said_by_the_whole_log(path, tmp_path):
    alone = tmp_path / "alone" / path.name
    alone.parent.mkdir(exist_ok=True)
    shutil.copy(path, alone)
    beside(alone).unlink(missing_ok=True)
    return said(alone)


def test_it_is_used_and_what_came_since_is_counted_in(long_log, tmp_path, used):
    assert said(long_log) == said_by_the_whole_log(long_log, tmp_path)
    assert used["run"] == 1
    with Journal.open(long_log) as journal:  # what an older program logs, which knows of no snapshot
        journal.append("noted", {"text": "since"}, job="jetty", run="east", post="2")
        journal.undo("jetty")
        journal.undo("jetty")
    assert said(long_log) == said_by_the_whole_log(long_log, tmp_path)
    assert used["run"] == 2


def test_any_damage_to_it_is_as_if_it_were_not_there(long_log, tmp_path, used):
    whole, kept = said_by_the_whole_log(long_log, tmp_path), beside(long_log).read_bytes()
    chance = random.Random(7)
    for trial in range(40):
        spoiled = bytearray(kept)
        match trial % 4:
            case 0:
                spoiled[chance.randrange(len(kept))] ^= 1 << chance.randrange(8)
            case 1:
                del spoiled[chance.randrange(len(kept)) :]
            case 2:
                at = chance.randrange(len(kept))
                spoiled[at : at + 9] = b"\n123456789"
            case _:
                spoiled = bytearray(chance.randbytes(chance.randrange(400)))
        beside(long_log).write_bytes(spoiled)
        assert said(long_log, read_only=True) == whole
    beside(long_log).write_bytes(kept)
    before = used["run"]
    assert said(long_log) == whole
    assert used["run"] == before + 1


def test_another_programs_or_another_logs_is_not_used(long_log, crew, tmp_path, used, monkeypatch):
    south = crew("south").lay_out(2)
    for _ in range(2 * LAG):
        south.log("noted", {"text": "x"}, post="1")
    south.journal.close()
    shutil.copy(beside(long_log), beside(tmp_path / "south.db"))
    assert said(tmp_path / "south.db") == said_by_the_whole_log(tmp_path / "south.db", tmp_path)
    monkeypatch.setattr("shimfit.store.journal._program", lambda: "0.0.9 another build")
    assert said(long_log, read_only=True) == said_by_the_whole_log(long_log, tmp_path)
    assert not used


@pytest.mark.parametrize("instead", ["folder", "pipe", "read only"])
def test_where_it_can_not_be_written_nothing_is_said_and_nothing_lost(long_log, instead):
    kept = beside(long_log)
    kept.unlink()
    if instead == "folder":
        kept.mkdir()
    elif instead == "pipe":
        kept.symlink_to("/dev/null")
    else:
        kept.touch(0o400)
    with Journal.open(long_log) as journal:
        before = journal.head[0]
        journal.run("jetty", "east")
        journal.append("noted", {"text": "kept"}, job="jetty", run="east", post="1")
    with Journal.open(long_log, read_only=True) as journal:
        assert journal.head[0] == before + 1
        assert journal.verify() is None
    assert not list(long_log.parent.glob(".*.part"))


def _change(path, seq):
    with sqlite3.connect(path) as db:
        db.execute("DROP TRIGGER event_no_update")
        db.execute("UPDATE event SET data = replace(data, '0.00', '0.01') || ' ' WHERE seq = ?", (seq,))
    db.close()


def test_damage_in_an_old_event_is_found_when_its_post_is_looked_at(long_log):
    with Journal.open(long_log) as journal:
        first = next(event for event in journal.events() if event.kind == "reading" and event.post == "2")
    _change(long_log, first.seq)
    with Journal.open(long_log) as journal:
        run = journal.run("jetty", "east")
        assert run.post("1").readings
        with pytest.raises(FileError, match=f"event {first.seq} is not as it was logged.*salvage"):
            _ = run.post("2").readings
        with pytest.raises(FileError, match="not as it was logged"):
            journal.check()
        assert journal.verify()[0] == first.seq
        with pytest.raises(FileError, match="not as it was logged"):
            export_text(journal)


def test_damage_in_the_event_that_it_stands_for_is_found_at_once(long_log):
    with Journal.open(long_log) as journal:
        last = journal.end().seq
    _change(long_log, last)
    with (
        Journal.open(long_log) as journal,
        pytest.raises(FileError, match=f"event {last} is not as it was logged"),
    ):
        journal.run("jetty", "east")


def test_a_post_can_be_looked_at_after_its_file_was_closed(long_log):
    with Journal.open(long_log, read_only=True) as journal:
        run = journal.run("jetty", "east")
    assert [reading.text for reading in run.post("3").readings][:1] == ["0.002 0.0"]


def test_a_state_stays_as_it_was_whatever_is_logged_after_it(long_log):
    with Journal.open(long_log) as journal:
        before, seq = journal.run("jetty", "east"), journal.head[0]
        for _ in range(8):
            journal.undo("jetty")
        assert journal.run("jetty", "east") != before
    assert repr(before) == said_at(long_log, seq)


def said_at(path, seq):
    with Journal.open(path, read_only=True) as journal:
        return repr(journal.run("jetty", "east", upto=seq))


def undone(step, of):
    nowhere = dict.fromkeys(("by", "job", "run", "post"))
    return Event(
        1, step, step, "log", "", 1, kind="undone", data_text=f'{{"of":"{of}"}}', prev="", hash="", **nowhere
    )


@pytest.mark.parametrize("number", range(30))
def test_undo_of_undo_of_undo_is_the_same_counted_one_by_one(number):
    chance = random.Random(number)
    pairs, now = [], Voided()
    steps = [f"s{n}" for n in range(5)]
    for n in range(40):
        step = f"u{n // chance.choice((1, 1, 2))}"
        pairs.append((step, chance.choice([*steps, *(one for one, _ in pairs)])))
        before = voided(pairs[:-1])
        assert now.add(undone(*pairs[-1])) == before ^ voided(pairs)
        assert now.steps == voided(pairs)


def test_what_is_kept_is_a_file_of_the_data_files_own_mode(long_log):
    long_log.chmod(0o600)
    beside(long_log).unlink()
    said(long_log)
    assert beside(long_log).stat().st_mode & 0o777 == 0o600
    with Log.open(long_log, read_only=True) as log:
        assert Snapshot(long_log).find(log, "box") is not None
