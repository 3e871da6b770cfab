"""Out of a damaged file: what was logged comes out as it was logged, the rest is said."""

from __future__ import annotations

import random

import pytest

from shimfit.errors import FileError
from shimfit.model import PostState
from shimfit.store.journal import Journal
from shimfit.store.salvage import rows_in, salvage


@pytest.fixture
def worn(crew, tmp_path):
    """(bytes of a closed data file, its events); long answers need overflow pages."""
    north = crew().lay_out(posts=6)
    north.journal.append("stock-added", {"lot": "F2", "form": "flat", "count": 4, "thickness_mm": 2.0})
    for n in range(60):
        post = str(n % 6 + 1)
        north.read(post, 0.001 * (n % 9), text=f"reading {n} — ⅜″ n")
        if n % 4 == 0:
            north.log("noted", {"text": f"{n} " + "long " * 1500}, post=post)
    events = list(north.journal.events())
    north.journal.close()
    return (tmp_path / "north.db").read_bytes(), events


def saved_events(path):
    with Journal.open(path, read_only=True) as journal:
        assert journal.verify() is None
        events = list(journal.events())
        for job in journal.jobs():
            for run in job.runs:
                journal.run(job.name, run)
        return events


def content(event):
    return (event.id, event.step, event.log, event.time, event.stamp, event.kind, event.data_text, event.job)


def test_a_whole_file_comes_out_whole(worn, tmp_path):
    data, events = worn
    (tmp_path / "old.db").write_bytes(data)
    done = salvage(tmp_path / "old.db", tmp_path / "new.db")
    assert done.complete
    assert done.saved == len(events)
    *saved, seen, joined, note = saved_events(tmp_path / "new.db")
    assert [content(event) for event in saved] == [content(event) for event in events]
    assert seen.data["seen"] == {events[0].log: events[-1].seq}
    assert [event.origin.hash for event in saved] == [event.hash for event in events]
    assert (joined.kind, note.kind) == ("box-joined", "salvaged")
    assert note.data == {"source": "old.db", "saved": len(events), "doubtful": 0, "missing": 0}
    with Journal.open(tmp_path / "new.db") as journal:
        assert journal.box().lot("F2").count == 4
        assert journal.run("jetty", "east").post("1").state is PostState.PACK


def test_events_still_in_the_write_ahead_log_come_out_too(crew, tmp_path):
    north = crew().lay_out()
    for n in range(30):
        north.read("1", text=str(n))
    for end in ("", "-wal"):
        (tmp_path / f"old.db{end}").write_bytes((tmp_path / f"north.db{end}").read_bytes())
    assert len((tmp_path / "old.db-wal").read_bytes()) > 100_000
    done = salvage(tmp_path / "old.db", tmp_path / "new.db")
    assert done.complete
    assert done.saved == north.journal.head[0]


def test_rows_that_just_fit_in_a_page_and_just_do_not_come_out(crew, tmp_path):
    """SQLite keeps a record whole up to its page's size less 35 bytes (its file format, section 1.6): here a
    row with a note of 3808 letters, by lengths on both sides of it."""
    north = crew().lay_out()
    for length in range(3790, 3830):
        north.log("noted", {"text": "x" * length}, post="1")
    events = list(north.journal.events())
    north.journal.close()
    assert salvage(tmp_path / "north.db", tmp_path / "new.db").complete
    saved = saved_events(tmp_path / "new.db")[: len(events)]
    assert [content(event) for event in saved] == [content(event) for event in events]


@pytest.mark.parametrize("damage", ["header", "schema", "inner page", "half"])
def test_damage_that_stops_sqlite_stops_nothing_that_is_whole(worn, tmp_path, damage):
    data, events = worn
    broken = bytearray(data)
    if damage == "header":
        broken[:100] = bytes(100)
    elif damage == "schema":
        broken[:4096] = random.Random(1).randbytes(4096)
    elif damage == "inner page":
        for page in range(0, len(data), 4096):
            if data[page] == 0x05:
                broken[page : page + 4096] = bytes(4096)
    else:
        del broken[len(broken) // 2 :]
    assert broken != data
    (tmp_path / "old.db").write_bytes(broken)
    done = salvage(tmp_path / "old.db", tmp_path / "new.db")
    saved = {event.id: content(event) for event in saved_events(tmp_path / "new.db")}
    logged = {event.id: content(event) for event in events}
    assert saved.items() >= {key: logged[key] for key in saved if key in logged}.items()
    if damage == "half":
        assert 0.2 * len(events) < done.saved < len(events)
        assert done.cut_off
        assert not done.complete
    else:
        assert done.saved == len(events)


def test_a_damaged_event_is_kept_as_doubtful_and_asks_for_the_post_to_be_read(worn, tmp_path):
    data, events = worn
    at = data.index(b'"text":"reading 57 ')
    (tmp_path / "old.db").write_bytes(data.replace(b'"reading 57 ', b'"reading 77 ', 1))
    assert at > 0
    done = salvage(tmp_path / "old.db", tmp_path / "new.db")
    assert done.saved == len(events) - 1
    (sentence,) = done.doubtful
    bad = next(event for event in events if "reading 57 " in event.data_text)
    assert f"event {bad.seq}, reading jetty/east/{bad.post}" in sentence
    assert done.missing == ()
    with Journal.open(tmp_path / "new.db") as journal:
        post = journal.run("jetty", "east").post(bad.post)
        assert post.state is PostState.TO_READ
        assert sentence in post.conflict
        assert "read this post again" in post.conflict
        assert all("77" not in reading.text for reading in post.readings)
        (doubtful,) = journal.events(kinds=("doubtful",))
        assert "reading 77 " in doubtful.data["data"]


@pytest.mark.parametrize("which", [3, 8, -1])
def test_lost_events_are_counted_by_their_places(worn, tmp_path, which):
    """The last leaf too: an index still tells of the events that stood in it."""
    data, events = worn
    broken = bytearray(data)
    leaves = [page for page in range(4096, len(data), 4096) if data[page] == 0x0D]
    broken[leaves[which] : leaves[which] + 4096] = bytes(4096)
    (tmp_path / "old.db").write_bytes(broken)
    done = salvage(tmp_path / "old.db", tmp_path / "new.db")
    assert done.missing
    assert done.saved + len(done.missing) == len(events)


@pytest.mark.parametrize("number", range(6))
def test_whatever_is_damaged_nothing_false_is_saved(worn, tmp_path, number):
    data, events = worn
    chance = random.Random(number)
    broken = bytearray(data)
    for _ in range(chance.choice([1, 20, 400])):
        at = chance.randrange(len(broken))
        length = chance.choice([1, 8, 200])
        broken[at : at + length] = chance.randbytes(len(broken[at : at + length]))
    (tmp_path / "old.db").write_bytes(broken)
    logged = {event.id: content(event) for event in events}
    try:
        done = salvage(tmp_path / "old.db", tmp_path / "new.db")
    except FileError as error:
        pytest.fail(f"nothing came out: {error}")
    new = [event for event in saved_events(tmp_path / "new.db") if event.origin is not None]
    assert len(new) == done.saved
    assert all(content(event) == logged[event.id] for event in new)
    places = {event.origin.seq for event in new}
    assert places.isdisjoint(done.missing)


def test_random_bytes_hold_nothing_and_stop_nobody(tmp_path):
    chance = random.Random(2)
    for size in (0, 1, 99, 4096, 50_000):
        garbage = bytearray(chance.randbytes(size))
        for page in range(0, size, 4096):
            garbage[page] = 0x0D
        list(rows_in(bytes(garbage), bytes(garbage[:5000])))
        (tmp_path / "old.db").write_bytes(garbage)
        with pytest.raises(FileError, match="no event can be made out"):
            salvage(tmp_path / "old.db", tmp_path / "new.db")
        assert not list(tmp_path.glob("new*"))


def test_nothing_is_overwritten(worn, tmp_path):
    data, _ = worn
    (tmp_path / "old.db").write_bytes(data)
    (tmp_path / "new.db").write_text("mine")
    with pytest.raises(FileError, match="exists"):
        salvage(tmp_path / "old.db", tmp_path / "new.db")
    with pytest.raises(FileError, match="No such file"):
        salvage(tmp_path / "none.db", tmp_path / "new2.db")
    assert (tmp_path / "new.db").read_text() == "mine"
    assert (tmp_path / "old.db").read_bytes() == data


def test_a_salvaged_file_can_be_salvaged_and_merged_again(worn, tmp_path, crew):
    from shimfit.store.merge import export_text, import_text

    data, events = worn
    (tmp_path / "old.db").write_bytes(data)
    salvage(tmp_path / "old.db", tmp_path / "new.db")
    salvage(tmp_path / "new.db", tmp_path / "newer.db")
    south = crew("south")
    south.clock.set("2100-01-01T00:00:00+00:00")
    with Journal.open(tmp_path / "newer.db") as journal:
        assert journal.box().lot("F2").count == 4
        done = import_text(south.journal, export_text(journal), "newer.jsonl")
    assert done.new == len(events) + 6
    assert south.journal.verify() is None
