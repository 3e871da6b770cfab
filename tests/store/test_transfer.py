"""Jobs between machines: nothing lost, nothing twice, nothing guessed."""

from __future__ import annotations

import json
import sqlite3
from dataclasses import replace
from datetime import datetime, timedelta
from unittest.mock import Mock

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from shimfit.errors import FileError, UsageError
from shimfit.model import PostState
from shimfit.store import merge
from shimfit.store.events import altered, microseconds
from shimfit.store.journal import Journal
from shimfit.store.merge import (
    backup_if_due,
    check_text,
    export_text,
    import_text,
    write_export,
)

F2 = {"lot": "F2", "form": "flat", "count": 4, "thickness_mm": 2.0}
ORIGINS = {"seq", "prev", "hash"}


def send(sender, receiver, **more):
    return import_text(receiver.journal, export_text(sender.journal), "their.jsonl", **more)


def refused(crew, text):
    """The FileError that importing raises, or None."""
    try:
        import_text(crew.journal, text, "their.jsonl")
    except FileError as error:
        return error
    return None


def seen(crew):
    """The run without what differs between two files that hold the same: places in the log."""
    run = crew.run()
    posts, removed = (
        tuple(replace(post, last_seq=0) for post in group) for group in (run.posts, run.removed)
    )
    return replace(run, posts=posts, removed=removed)


@pytest.fixture
def two(crew):
    """Two crews with the same job, laid out by the first one."""
    north, south = crew("north").lay_out(), crew("south")
    send(north, south)
    south.clock.set("2026-05-04T09:00:00+02:00")
    return north, south


def test_a_job_moves_whole_and_importing_twice_changes_nothing(crew):
    north, south = crew("north").lay_out(), crew("south")
    north.read("1")
    north.prescribe("1")
    north.journal.undo("jetty")
    north.journal.redo("jetty")
    first = send(north, south)
    assert (first.new, first.known, first.jobs, first.conflicts) == (north.journal.head[0], 0, ("jetty",), ())
    assert seen(south) == seen(north)
    assert south.journal.verify() is None
    head = south.journal.head
    second = send(north, south)
    assert (second.new, second.known) == (0, first.new)
    assert south.journal.head == head


def test_what_came_from_another_log_keeps_its_place_there(two):
    north, south = two
    theirs, ours = list(north.journal.events()), list(south.journal.events())
    for mine, other in zip(ours, theirs, strict=False):
        assert (mine.origin.seq, mine.origin.prev, mine.origin.hash) == (other.seq, other.prev, other.hash)
        assert (mine.log, mine.id, mine.time, mine.stamp) == (
            north.journal.log,
            other.id,
            other.time,
            other.stamp,
        )
    forged = replace(mine, origin=replace(mine.origin, hash="0" * 64))
    forged = replace(forged, hash=forged.computed_hash())
    assert "the log that it came from" in altered(forged)
    south.read("1")
    send(south, north)
    back, seen = list(north.journal.events())[-2:]
    assert back.origin.hash == list(south.journal.events())[-1].hash
    assert (seen.kind, seen.data["seen"]) == ("merged", {south.journal.log: back.origin.seq})


@pytest.mark.parametrize("opened_again", [True, False])
def test_what_is_logged_after_an_import_is_later_than_all_that_came(crew, tmp_path, opened_again):
    """Also when the latest of what came stands before others in the file that it came in."""
    south, west, north = crew("south"), crew("west").lay_out(), crew("north")
    south.clock.set("2026-05-05T06:00:00+02:00")
    latest = south.journal.append("job-added", {"name": "pier"})
    send(west, south)
    send(south, north)
    journal = north.journal
    if opened_again:
        north.journal.close()
        journal = Journal.open(tmp_path / "north.db", clock=north.clock)
    assert [event.kind for event in journal.events()][-2:] == ["merged", "merged"]
    event = journal.append("noted", {"text": "x"}, job="jetty", run="east", post="1")
    assert event.stamp > latest.stamp
    assert event.stamp > microseconds(event.time)
    journal.close()


def test_crews_at_different_posts_merge_without_a_word(two):
    north, south = two
    north.read("1")
    south.read("2")
    south.log("noted", {"text": "wet"}, post="1")
    assert send(south, north).conflicts == ()
    assert send(north, south).conflicts == ()
    assert seen(north) == seen(south)
    assert [post.state for post in north.run().posts] == [PostState.PACK, PostState.PACK, PostState.TO_READ]
    assert north.post("1").notes[0] == "wet"
    assert (send(south, north).new, send(north, south).new) == (1, 0), "each says once what it has seen"
    assert send(south, north).new == 0, "the logs have settled"


def test_what_is_taken_back_says_whose_it_was(two):
    north, south = two
    south.read("2", 0.009, 0.005)
    send(south, north)
    found = north.journal.to_undo("jetty")
    assert found is not None
    assert found[1].endswith(", by south")
    assert north.journal.undo("jetty") == found[1]


def test_both_read_one_post_is_shown_and_settled_by_reading_again(two):
    north, south = two
    north.read("1", 0.009, text="9mm n 0")
    south.read("1", 0.003, text="3mm n 0")
    done = send(south, north)
    (conflict,) = done.conflicts
    assert (conflict.job, conflict.run, conflict.post, conflict.packs) == ("jetty", "east", "1", False)
    assert "north read 9mm n 0 (2026" in conflict.why
    assert "south read 3mm n 0 (2026" in conflict.why
    post = north.post("1")
    assert post.state is PostState.TO_READ
    assert post.conflict == conflict.why
    assert [reading.text for reading in post.readings] == ["9mm n 0", "3mm n 0"]
    assert north.run().conflicts == (post,)
    assert send(north, south).conflicts == done.conflicts, "each crew is told, in the same words"
    north.log("noted", {"text": "dry"}, post="2")
    assert send(north, south).conflicts == (), "what was told before is not told again"
    assert seen(south) == seen(north)
    south.clock.set("2026-05-05T08:00:00+02:00")
    south.read("1", 0.004)
    assert south.post("1").conflict is None
    assert south.post("1").state is PostState.PACK
    send(south, north)
    assert seen(south) == seen(north)


def test_both_packed_one_post_asks_what_is_under_it(two, packs):
    north, south = two
    for crew, pack in zip(two, packs, strict=False):
        crew.read("1")
        crew.pack("1", pack)
    (conflict,) = send(south, north).conflicts
    assert conflict.packs
    assert "say what is under it" in conflict.why
    north.clock.set("2026-05-05T08:00:00+02:00")
    north.read("1", 0.0001)
    assert north.post("1").state is PostState.TO_READ, "a reading alone does not say whose packs are there"
    north.pack("1", packs[1])
    north.read("1", 0.0001)
    assert north.post("1").state is PostState.PLUMB


def test_a_post_that_one_crew_took_out_keeps_what_the_other_did_there(two):
    north, south = two
    north.log("post-removed", {}, post="1")
    south.read("1", 0.003)
    (conflict,) = send(south, north).conflicts
    assert " took it out (" in conflict.why
    assert "if it is there, insert it again" in conflict.why
    run = north.run()
    assert run.post("1") is None
    assert [reading.slope_along for reading in run.removed[0].readings] == [0.003]
    assert run.conflicts == run.removed
    north.clock.set("2026-05-05T08:00:00+02:00")
    north.log("post-added", {"name": "1", "leg": 1, "station_mm": 1200.0}, post="1")
    assert north.post("1").readings == ()


def test_what_one_crew_took_back_does_not_clash(two):
    north, south = two
    north.read("1")
    north.journal.undo("jetty")
    south.read("1", 0.003)
    assert send(south, north).conflicts == ()
    assert north.post("1").reading.slope_along == 0.003


def test_nobody_takes_back_what_another_crew_has_gone_on_from(two, packs):
    north, south = two
    north.read("1", 0.009, text="9mm n 0")
    north.prescribe("1", (packs[0],))
    send(north, south)
    north.journal.undo("jetty")
    south.log("tightened", {}, post="1")
    (conflict,) = send(south, north).conflicts
    assert (conflict.post, conflict.packs) == ("1", False)
    assert "one crew took back reading 9mm n 0 (20" in conflict.why
    assert "had gone on from: read it again. It stands all the same; south tightened it (" in conflict.why
    assert send(north, south).conflicts == (conflict,), "each crew is told, in the same words"
    for one in (north, south):
        assert one.post("1").packs_in_place == (packs[0],), "what the south crew put in is still under it"
        assert one.post("1").conflict == conflict.why
        assert send(one, one).new == 0
    north.clock.set("2026-05-05T08:00:00+02:00")
    north.read("1", 0.0001)
    assert (north.post("1").state, north.post("1").conflict) == (PostState.PLUMB, None)
    assert send(north, south).conflicts == ()
    assert south.post("1").state is PostState.PLUMB
    assert send(south, north).conflicts == ()
    assert north.post("1").state is PostState.PLUMB, "settled stays settled, whoever merges later"


def test_packs_taken_back_under_another_crews_reading_are_to_be_named(two, packs):
    north, south = two
    north.read("1", 0.009)
    north.pack("1", packs[0])
    send(north, south)
    north.journal.undo("jetty")
    south.read("1", 0.0001)
    (conflict,) = send(south, north).conflicts
    assert conflict.packs
    assert "from: say what is under it, then read it again. It stands all the same; " in conflict.why
    assert north.post("1").packs_in_place == (packs[0],)


def test_a_run_that_one_crew_took_back_stands_where_another_worked_in_it(two):
    north, south = two
    north.journal.undo("jetty")
    assert north.journal.jobs()[0].runs == ()
    south.read("1", 0.009)
    (conflict,) = send(south, north).conflicts
    assert "one crew took back new post east/1 (20" in conflict.why
    assert len(north.run().posts) == 3
    assert north.run().post("2").conflict is None, "nobody did anything there"


def test_what_is_brought_back_comes_with_the_import_or_neither_does(two, monkeypatch):
    north, south = two
    north.read("1", 0.009)
    send(north, south)
    north.journal.undo("jetty")
    south.log("tightened", {}, post="1")
    head = north.journal.head
    with monkeypatch.context() as patch:
        patch.setattr(merge, "brought_back", Mock(side_effect=KeyboardInterrupt))
        with pytest.raises(KeyboardInterrupt):
            send(south, north)
    assert north.journal.head == head
    assert north.post("1").readings == ()
    assert send(south, north).new > 0
    assert len(north.post("1").readings) == 1


def test_a_run_laid_out_apart_says_what_is_not_set(two):
    north, south = two
    north.log("run-changed", {"preload_mm": 0.2, "face_names": {"out": "lake"}})
    south.log("run-changed", {"preload_mm": None, "face_names": {}})
    (conflict,) = send(south, north).conflicts
    south_set = "south: face names not set, preload not set; "
    assert f": face names out=lake, preload 0.2 mm; {south_set}" in conflict.why


def test_a_post_that_another_stands_for_is_an_earlier_one(two):
    north, _ = two
    north.read("1")
    north.log("post-removed", {}, post="1")
    assert north.run().remarks == ("post 1 was taken out of the run: read once, left as: pack",)
    north.log("post-added", {"name": "1", "leg": 1, "station_mm": 1200.0}, post="1")
    assert north.run().remarks == ("an earlier post 1 was taken out of the run: read once, left as: pack",)


def test_a_clock_that_is_a_day_behind_is_said_and_the_order_holds(two):
    north, south = two
    south.read("1", 0.009)
    south.prescribe("1")
    north.clock.set("2026-05-03T10:00:00+02:00")
    send(south, north)
    north.read("1", 0.0001)
    send(north, south)
    said = "clocks were up to 23 h apart: times are as each showed, the order is as it happened"
    for one in (north, south):
        assert one.post("1").state is PostState.PLUMB, "read after the packs, whatever the clock showed"
        assert [reading.slope_along for reading in one.post("1").readings] == [0.009, 0.0001]
        assert one.run().remarks == (said,)


def test_what_is_taken_back_by_a_crew_that_knew_of_all_is_gone(two):
    north, south = two
    north.read("1", 0.009)
    send(north, south)
    south.read("1", 0.008)
    send(south, north)
    north.journal.undo("jetty")
    north.journal.undo("jetty")
    assert send(north, south).conflicts == ()
    assert south.post("1").readings == ()


def test_a_job_begun_by_both_is_one_job_and_its_differences_are_shown(crew):
    north = crew("north").lay_out()
    south = crew("south").lay_out(posts=4, height_mm=900.0)
    south.read("2")
    done = send(south, north)
    assert done.begun_twice == ("jetty",)
    (conflict,) = done.conflicts
    assert conflict.post == ""
    assert "lay run east out differently" in conflict.why
    assert north.run().conflict == conflict.why
    assert north.post("2").state is PostState.PACK
    assert north.run().height_mm == 1000.0
    send(north, south)
    assert seen(south).height_mm == 1000.0, "the run that was laid out first stands in both files"


def test_posts_laid_out_differently_are_told_apart_from_equal_ones(crew):
    north, south = crew("north").lay_out(), crew("south")
    south.lay_out()
    assert send(south, north).conflicts == ()
    for crew_, station in ((north, 4800.0), (south, 5000.0)):
        crew_.log("post-added", {"name": "4", "leg": 1, "station_mm": station, "kind": "end"}, post="4")
    (conflict,) = send(south, north).conflicts
    assert "post east/4 out differently" in conflict.why


def test_the_box_comes_along_to_a_new_machine_only(crew):
    north, south = crew("north").lay_out(), crew("south")
    north.journal.append("stock-added", F2)
    north.journal.append("setting", {"key": "units", "value": "inch"})
    assert send(north, south).box_joined
    assert south.journal.box().lot("F2").count == 4
    assert south.journal.box().settings == {}, "a person's settings never travel"
    dock = crew("dock")
    dock.journal.append("stock-added", {**F2, "lot": "C1"})
    assert not send(south, dock).box_joined
    assert [lot.lot for lot in dock.journal.box().lots] == ["C1"]
    assert dock.journal.verify() is None


def test_the_other_crews_packs_do_not_empty_this_box(crew):
    north, south = crew("north").lay_out(), crew("south")
    send(north, south)
    for one in (north, south):
        one.journal.append("stock-added", F2)
    south.log("taken", {"used": [{"lot": "F2", "count": 3}]}, post="1")
    send(south, north)
    assert north.journal.box().lot("F2").count == 4
    assert south.journal.box().lot("F2").count == 1


def test_the_box_is_poured_in_when_asked(crew):
    north, south = crew("north"), crew("south")
    for one, lot in ((north, "A1"), (south, "B1")):
        one.journal.append("stock-added", {**F2, "lot": lot})
    assert send(south, north, with_box=True).box_joined
    assert [lot.lot for lot in north.journal.box().lots] == ["A1", "B1"]
    night = crew("night")
    send(north, night)
    assert [lot.lot for lot in night.journal.box().lots] == ["A1", "B1"]


def test_one_job_of_several(crew):
    north, south = crew("north").lay_out().lay_out(job="pier"), crew("south")
    import_text(south.journal, export_text(north.journal, "pier"), "pier.jsonl")
    assert [job.name for job in south.journal.jobs()] == ["pier"]
    with pytest.raises(UsageError, match="no job"):
        export_text(north.journal, "nowhere")


# ---------------------------------------------------------------- a file that can't be believed


def _lines(crew):
    return export_text(crew.journal).splitlines()


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('"station_mm":2400.0', '"station_mm":2500.0', "line 4: was changed after it was logged"),
        ('"by":"north"', '"by":"dock"', "line 2: was changed"),
        ('"schema":1', '"schema":9', "line 1: was written by a newer shimfit"),
        ('"kind":"job-added"', '"kind":7', "line 1: is no event: kind must be text, not 7"),
        ('"data":{"name":"jetty"', '"data":{"name":"jetty","n":1e999', "line 1: holds a number"),
        ("}\n{", "\n{", "line 1: is not an event in JSON"),
        ('"seq":1,', '"seq":true,', "line 1: is no event: seq must be a whole number"),
        ('"origin":null', '"origin":7', "line 1: is no event: origin must be an object, not 7"),
    ],
)
def test_a_line_that_was_edited_is_refused_by_its_number(crew, old, new, says):
    north, south = crew("north").lay_out(), crew("south")
    text = export_text(north.journal)
    assert old in text
    with pytest.raises(FileError, match=says) as caught:
        import_text(south.journal, text.replace(old, new, 1), "their.jsonl")
    assert "nothing was imported" in caught.value.message
    assert south.journal.head[0] == 0


def test_an_event_put_between_two_others_is_refused(crew):
    north, south = crew("north").lay_out(), crew("south")
    lines = _lines(north)
    anna2 = crew("anna2").lay_out()
    lines[2] = _lines(anna2)[2]
    with pytest.raises(FileError, match="line 3: does not follow"):
        import_text(south.journal, "\n".join(lines), "their.jsonl")


def test_an_id_that_says_two_things_is_refused(crew, tmp_path):
    north, south = crew("north").lay_out(), crew("south")
    send(north, south)
    twin = crew("twin")
    twin.journal._ids = iter([event.id for event in north.journal.events()]).__next__
    twin.lay_out()
    with pytest.raises(FileError, match="one thing there and another here"):
        send(twin, south)


def test_nothing_is_worked_out_from_a_damaged_event_or_handed_on(two, tmp_path):
    """Nor is anything taken in beside it; what does not depend on it is still there to look at."""
    north, south = two
    north.lay_out(job="pier")
    north.read("1", 0.0031)
    north.journal.close()
    path = tmp_path / "north.db"
    db = sqlite3.connect(path, isolation_level=None)
    db.execute("DROP TRIGGER event_no_update")
    db.execute("UPDATE event SET data = replace(data, '0.0031', '0.0035')")
    db.close()
    text = export_text(south.journal)
    with Journal.open(path) as journal:
        assert journal.run("pier", "east").posts
        for use in (
            lambda: journal.run("jetty", "east"),
            lambda: journal.undo("jetty"),
            lambda: export_text(journal),
            lambda: export_text(journal, "pier"),
            lambda: backup_if_due(journal, tmp_path / "b", 7, north.clock.now),
            lambda: import_text(journal, text, "their.jsonl"),
        ):
            with pytest.raises(FileError, match=r"event 11 is not as it was logged.*shimfit salvage"):
                use()
        assert journal.verify()[0] == 11


def test_one_job_of_several_is_checked_line_by_line_and_not_as_a_chain(crew):
    north = crew().lay_out().lay_out(job="annex", run="deck")
    north.read("1")
    whole = check_text(export_text(north.journal), "all.jsonl")
    part = check_text(export_text(north.journal, "jetty"), "jetty.jsonl")
    assert (whole[0][-1].hash, whole[1]) == (north.journal.head[1], True)
    assert (len(part[0]), part[1]) == (6, False)


def test_blank_lines_and_windows_ends_are_nothing(crew):
    north, south = crew("north").lay_out(), crew("south")
    text = "\r\n\r\n".join(_lines(north)) + "\r\n\n"
    assert import_text(south.journal, text, "their.jsonl").new == 5


_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=8,
)
_KEYS = st.sampled_from(
    [
        "schema",
        "seq",
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
        "data",
        "prev",
    ]
)
_FEW = settings(
    max_examples=60,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


@_FEW
@given(
    lines=st.lists(
        st.text(max_size=30)
        | _JSON.map(json.dumps)
        | st.dictionaries(_KEYS, _JSON).map(json.dumps)
        | st.sampled_from(["[" * 100_000, "9" * 5000, '{"schema":1}', '{"a":1e400}', "\ud800", "\x00"]),
        max_size=4,
    )
)
def test_any_lines_are_refused_in_a_sentence_or_taken(crew, lines, fuzzed):
    before = fuzzed.journal.head
    error = refused(fuzzed, "\n".join(lines))
    if error is not None:
        assert ", line " in error.message
        assert "\n" not in error.message
    assert fuzzed.journal.head == before


AS_IT_IS = object()
_IN_DATA = st.sampled_from(["text", "slope_along", "height_mm", "stage", "rocks", "packs"])


@_FEW
@given(
    line=st.integers(0, 7),
    where=st.tuples(_KEYS | st.sampled_from(["hash", "origin"])) | st.tuples(st.just("data"), _IN_DATA),
    value=_JSON | st.just(AS_IT_IS),
)
def test_any_change_of_a_line_is_refused_or_is_no_change(fuzzed, full_lines, line, where, value):
    rows = [json.loads(text) for text in full_lines]
    place = rows[line % len(rows)]
    for key in where[:-1]:
        place = place[key]
    if value is not AS_IT_IS:
        place[where[-1]] = value
    error = refused(fuzzed, "\n".join(map(json.dumps, rows)))
    if error is None:
        assert rows == [json.loads(text) for text in full_lines]
    else:
        assert "\n" not in error.message


@pytest.fixture
def full_lines(crew):
    north = crew("full").lay_out()
    north.read("1")
    north.prescribe("1")
    return _lines(north)


@pytest.fixture
def fuzzed(crew):
    return crew("fuzzed").lay_out()


# ---------------------------------------------------------------- merging any two histories

_WORK = st.lists(
    st.tuples(
        st.sampled_from(["read", "pack", "noted", "undo", "redo", "removed", "moved"]), st.sampled_from("123")
    ),
    max_size=6,
)


def _work(crew, actions, packs):
    for kind, post in actions:
        match kind:
            case "read":
                crew.read(post, 0.001)
            case "pack":
                crew.pack(post, packs[0])
            case "noted":
                crew.log("noted", {"text": "x"}, post=post)
            case "undo":
                crew.journal.undo("jetty")
            case "redo":
                crew.journal.redo("jetty")
            case "removed":
                crew.log("post-removed", {}, post=post)
            case _:
                crew.log("post-moved", {"station_mm": 300.0}, post=post)


_number = iter(range(10**9))


@settings(
    max_examples=15,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(_WORK, _WORK)
def test_two_logs_become_the_same_whatever_was_done(crew, packs, norths, souths):
    n = next(_number)
    north, south = crew(f"north{n}").lay_out(), crew(f"south{n}")
    north.log("noted", {"text": "begun"}, post="1")
    send(north, south)
    _work(north, norths, packs)
    south.clock.set("2026-05-04T08:00:20+02:00")
    _work(south, souths, packs)
    norths_then = {event.id for event in north.journal.events()}
    souths_then = {event.id for event in south.journal.events()}
    send(south, north)
    send(north, south)
    send(south, north)
    both = {event.id for event in north.journal.events()}
    assert both == {event.id for event in south.journal.events()}
    assert both >= norths_then | souths_then
    most = 2 + 2 * (len(norths) + len(souths))
    assert len(both) <= len(norths_then | souths_then) + most, (
        "each says once what it has seen and brings back"
    )
    there = [one for one in (north, south) if one.journal.jobs() and one.journal.jobs()[0].runs]
    if there:
        assert seen(north) == seen(south)
    assert north.journal.verify() is None
    assert south.journal.verify() is None
    north.journal.close()
    south.journal.close()


# ---------------------------------------------------------------- backups


def test_a_backup_is_due_by_its_own_name(crew, tmp_path):
    north = crew("north").lay_out()
    folder = tmp_path / "backups"
    now = datetime.fromisoformat("2026-05-04T12:00:00+02:00")
    assert backup_if_due(north.journal, folder, 0, now) is None
    file = backup_if_due(north.journal, folder, 7, now)
    assert file.name == "shimfit-backup-20260504-120000.jsonl"
    (folder / "shimfit-backup-of-mine.jsonl").touch()
    week = datetime.fromisoformat("2026-05-11T12:00:00+02:00")
    assert backup_if_due(north.journal, folder, 7, week - timedelta(seconds=1)) is None
    assert backup_if_due(north.journal, folder, 7, week) == folder / "shimfit-backup-20260511-120000.jsonl"
    south = crew("south")
    assert import_text(south.journal, file.read_text(), file.name).new == 5


def test_a_backup_is_written_when_it_is_due_and_there_is_something(crew, tmp_path):
    north = crew("north")
    now = datetime.fromisoformat("2026-05-04T12:00:00+02:00")
    assert backup_if_due(north.journal, None, 7, now) is None, "nothing was logged yet"
    north.lay_out()
    assert backup_if_due(north.journal, None, 0, now) is None
    file = backup_if_due(north.journal, None, 7, now)
    assert file.parent == tmp_path
    assert backup_if_due(north.journal, None, 7, now) is None
    assert file.read_text() == export_text(north.journal)


def test_an_export_is_written_whole_or_not_at_all(crew, tmp_path, monkeypatch):
    north = crew("north").lay_out()
    target = tmp_path / "out.jsonl"
    target.write_text('{"schema":1,"seq":1}')

    def fails(_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", fails)
    with pytest.raises(FileError, match="full"):
        write_export(north.journal, target)
    assert target.read_text() == '{"schema":1,"seq":1}'
    assert not list(tmp_path.glob("*.part"))
    monkeypatch.undo()
    write_export(north.journal, target)
    assert target.read_text() == export_text(north.journal)
