"""Jobs between machines: nothing lost, nothing twice, nothing guessed."""

from __future__ import annotations

import json
import sqlite3
from dataclasses import replace
from datetime import datetime

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from shimfit.errors import FileError, UsageError
from shimfit.model import PostState
from shimfit.store.journal import Journal
from shimfit.store.merge import (
    backup_due,
    backup_if_due,
    check_text,
    export_text,
    import_text,
    last_backup,
    write_backup,
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
    return replace(run, posts=posts, removed=removed, last_seq=0)


@pytest.fixture
def two(crew):
    """Two crews with the same job, laid out by the first one."""
    anna, ben = crew("anna").lay_out(), crew("ben")
    send(anna, ben)
    ben.clock.set("2026-05-04T09:00:00+02:00")
    return anna, ben


def test_a_job_moves_whole_and_importing_twice_changes_nothing(crew):
    anna, ben = crew("anna").lay_out(), crew("ben")
    anna.read("1")
    anna.prescribe("1")
    anna.journal.undo("jetty")
    anna.journal.redo("jetty")
    first = send(anna, ben)
    assert (first.new, first.known, first.jobs, first.conflicts) == (anna.journal.head[0], 0, ("jetty",), ())
    assert seen(ben) == seen(anna)
    assert ben.journal.verify() is None
    head = ben.journal.head
    second = send(anna, ben)
    assert (second.new, second.known) == (0, first.new)
    assert ben.journal.head == head


def test_what_came_from_another_log_keeps_its_place_there(two):
    anna, ben = two
    theirs, ours = list(anna.journal.events()), list(ben.journal.events())
    for mine, other in zip(ours, theirs, strict=False):
        assert (mine.origin.seq, mine.origin.prev, mine.origin.hash) == (other.seq, other.prev, other.hash)
        assert (mine.log, mine.id, mine.time, mine.stamp) == (
            anna.journal.log,
            other.id,
            other.time,
            other.stamp,
        )
        assert mine.computed_origin_hash() == other.hash
    ben.read("1")
    send(ben, anna)
    back = list(anna.journal.events())[-1]
    assert back.origin.hash == list(ben.journal.events())[-1].hash


@pytest.mark.parametrize("opened_again", [True, False])
def test_what_is_logged_after_an_import_is_later_than_all_that_came(crew, tmp_path, opened_again):
    """Also when the latest of what came stands before others in the file that it came in."""
    ben, carol, anna = crew("ben"), crew("carol").lay_out(), crew("anna")
    ben.clock.set("2030-01-01T08:00:00+01:00")
    latest = ben.journal.append("job-added", {"name": "pier"})
    send(carol, ben)
    send(ben, anna)
    journal = anna.journal
    if opened_again:
        anna.journal.close()
        journal = Journal.open(tmp_path / "anna.db", clock=anna.clock)
    assert [event.kind for event in journal.events()][-1] == "post-added"
    event = journal.append("noted", {"text": "x"}, job="jetty", run="east", post="1")
    assert event.stamp > latest.stamp
    assert event.clock_set_back
    journal.close()


def test_crews_at_different_posts_merge_without_a_word(two):
    anna, ben = two
    anna.read("1")
    ben.read("2")
    ben.log("noted", {"text": "wet"}, post="1")
    assert send(ben, anna).conflicts == ()
    assert send(anna, ben).conflicts == ()
    assert seen(anna) == seen(ben)
    assert [post.state for post in anna.run().posts] == [PostState.PACK, PostState.PACK, PostState.TO_READ]
    assert anna.post("1").notes[0].text == "wet"
    assert send(ben, anna).new == 0, "the logs have settled"


def test_both_read_one_post_is_shown_and_settled_by_reading_again(two):
    anna, ben = two
    anna.read("1", 0.009, text="9mm n 0")
    ben.read("1", 0.003, text="3mm n 0")
    done = send(ben, anna)
    (conflict,) = done.conflicts
    assert (conflict.job, conflict.run, conflict.post, conflict.packs) == ("jetty", "east", "1", False)
    assert "reading 9mm n 0 at east/1" in conflict.why
    assert "reading 3mm n 0 at east/1" in conflict.why
    assert "by ben" in conflict.why
    post = anna.post("1")
    assert post.state is PostState.TO_READ
    assert post.conflict == conflict.why
    assert [reading.text for reading in post.readings] == ["9mm n 0", "3mm n 0"]
    assert anna.run().conflicts == (post,)
    assert send(anna, ben).conflicts == (), "the other log learns of it from the first one's note"
    assert seen(ben) == seen(anna)
    ben.clock.set("2026-05-05T08:00:00+02:00")
    ben.read("1", 0.004)
    assert ben.post("1").conflict is None
    assert ben.post("1").state is PostState.PACK
    send(ben, anna)
    assert seen(ben) == seen(anna)


def test_both_packed_one_post_asks_what_is_under_it(two, packs):
    anna, ben = two
    for crew, pack in zip(two, packs, strict=False):
        crew.read("1")
        crew.pack("1", pack)
    (conflict,) = send(ben, anna).conflicts
    assert conflict.packs
    assert "say what is under it" in conflict.why
    anna.clock.set("2026-05-05T08:00:00+02:00")
    anna.read("1", 0.0001)
    assert anna.post("1").state is PostState.TO_READ, "a reading alone does not say whose packs are there"
    anna.pack("1", packs[1])
    anna.read("1", 0.0001)
    assert anna.post("1").state is PostState.PLUMB


def test_a_post_that_one_crew_took_out_keeps_what_the_other_did_there(two):
    anna, ben = two
    anna.log("post-removed", {}, post="1")
    ben.read("1", 0.003)
    (conflict,) = send(ben, anna).conflicts
    assert "taking out post east/1" in conflict.why
    run = anna.run()
    assert run.post("1") is None
    assert [reading.slope_along for reading in run.removed[0].readings] == [0.003]
    assert run.conflicts == run.removed
    anna.clock.set("2026-05-05T08:00:00+02:00")
    anna.log("post-added", {"name": "1", "leg": 1, "station_mm": 1200.0}, post="1")
    assert anna.post("1").readings == ()


def test_what_one_crew_took_back_does_not_clash(two):
    anna, ben = two
    anna.read("1")
    anna.journal.undo("jetty")
    ben.read("1", 0.003)
    assert send(ben, anna).conflicts == ()
    assert anna.post("1").reading.slope_along == 0.003


def test_a_job_begun_by_both_is_one_job_and_its_differences_are_shown(crew):
    anna = crew("anna").lay_out()
    ben = crew("ben").lay_out(posts=4, height_mm=900.0)
    ben.read("2")
    done = send(ben, anna)
    assert done.begun_twice == ("jetty",)
    (conflict,) = done.conflicts
    assert conflict.post == ""
    assert "lay run east out differently" in conflict.why
    assert anna.run().conflict == conflict.why
    assert anna.post("2").state is PostState.PACK
    assert anna.run().height_mm == 1000.0
    send(anna, ben)
    assert seen(ben).height_mm == 1000.0, "the run that was laid out first stands in both files"


def test_posts_laid_out_differently_are_told_apart_from_equal_ones(crew):
    anna, ben = crew("anna").lay_out(), crew("ben")
    ben.lay_out()
    assert send(ben, anna).conflicts == ()
    for crew_, station in ((anna, 4800.0), (ben, 5000.0)):
        crew_.log("post-added", {"name": "4", "leg": 1, "station_mm": station, "kind": "end"}, post="4")
    (conflict,) = send(ben, anna).conflicts
    assert "post east/4 out differently" in conflict.why


def test_the_box_comes_along_to_a_new_machine_only(crew):
    anna, ben = crew("anna").lay_out(), crew("ben")
    anna.journal.append("stock-added", F2)
    anna.journal.append("setting", {"key": "units", "value": "inch"})
    assert send(anna, ben).box_joined
    assert ben.journal.box().lot("F2").count == 4
    assert ben.journal.box().settings == {"units": "inch"}
    carl = crew("carl")
    carl.journal.append("stock-added", {**F2, "lot": "C1"})
    assert not send(ben, carl).box_joined
    assert [lot.lot for lot in carl.journal.box().lots] == ["C1"]
    assert carl.journal.verify() is None


def test_the_other_crews_packs_do_not_empty_this_box(crew):
    anna, ben = crew("anna").lay_out(), crew("ben")
    send(anna, ben)
    for one in (anna, ben):
        one.journal.append("stock-added", F2)
    ben.log("taken", {"used": [{"lot": "F2", "count": 3}]}, post="1")
    send(ben, anna)
    assert anna.journal.box().lot("F2").count == 4
    assert ben.journal.box().lot("F2").count == 1


def test_the_box_is_poured_in_when_asked(crew):
    anna, ben = crew("anna"), crew("ben")
    for one, lot in ((anna, "A1"), (ben, "B1")):
        one.journal.append("stock-added", {**F2, "lot": lot})
    assert send(ben, anna, with_box=True).box_joined
    assert [lot.lot for lot in anna.journal.box().lots] == ["A1", "B1"]
    dora = crew("dora")
    send(anna, dora)
    assert [lot.lot for lot in dora.journal.box().lots] == ["A1", "B1"]


def test_one_job_of_several(crew):
    anna, ben = crew("anna").lay_out().lay_out(job="pier"), crew("ben")
    import_text(ben.journal, export_text(anna.journal, "pier"), "pier.jsonl")
    assert [job.name for job in ben.journal.jobs()] == ["pier"]
    with pytest.raises(UsageError, match="no job"):
        export_text(anna.journal, "nowhere")


# ---------------------------------------------------------------- a file that can't be believed


def _lines(crew):
    return export_text(crew.journal).splitlines()


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('"station_mm":2400.0', '"station_mm":2500.0', "line 4: was changed after it was logged"),
        ('"by":"anna"', '"by":"carl"', "line 2: was changed"),
        ('"schema":1', '"schema":9', "line 1: was written by a newer shimfit"),
        ('"kind":"job-added"', '"kind":7', "line 1: has no text as kind"),
        ('"data":{"name":"jetty"', '"data":{"name":"jetty","n":1e999', "line 1: holds a number"),
        ("}\n{", "\n{", "line 1: is not an event in JSON"),
        ('"seq":1,', '"seq":true,', "line 1: has no whole number as seq"),
        ('"origin":null', '"origin":7', "line 1: has an origin that is no place"),
    ],
)
def test_a_line_that_was_edited_is_refused_by_its_number(crew, old, new, says):
    anna, ben = crew("anna").lay_out(), crew("ben")
    text = export_text(anna.journal)
    assert old in text
    with pytest.raises(FileError, match=says) as caught:
        import_text(ben.journal, text.replace(old, new, 1), "their.jsonl")
    assert "nothing was imported" in caught.value.message
    assert ben.journal.head[0] == 0


def test_an_event_put_between_two_others_is_refused(crew):
    anna, ben = crew("anna").lay_out(), crew("ben")
    lines = _lines(anna)
    anna2 = crew("anna2").lay_out()
    lines[2] = _lines(anna2)[2]
    with pytest.raises(FileError, match="line 3: does not follow"):
        import_text(ben.journal, "\n".join(lines), "their.jsonl")


def test_an_id_that_says_two_things_is_refused(crew, tmp_path):
    anna, ben = crew("anna").lay_out(), crew("ben")
    send(anna, ben)
    twin = crew("twin")
    twin.journal._log._ids = iter([event.id for event in anna.journal.events()]).__next__
    twin.lay_out()
    with pytest.raises(FileError, match="one thing there and another here"):
        send(twin, ben)


def test_a_damaged_event_here_does_not_stop_an_import(two, tmp_path):
    anna, ben = two
    anna.read("1")
    anna.journal.undo("jetty")
    anna.journal.append("box-joined", {"log": "an old machine"})
    anna.journal.close()
    ben.read("1")
    db = sqlite3.connect(tmp_path / "anna.db", isolation_level=None)
    db.execute("DROP TRIGGER event_no_update")
    db.execute("UPDATE event SET data = '{}' WHERE kind IN ('undone', 'box-joined')")
    db.close()
    with Journal.open(tmp_path / "anna.db") as journal:
        done = import_text(journal, export_text(ben.journal), "their.jsonl")
        assert [one.post for one in done.conflicts] == ["1"], "what was taken back stands again, and clashes"
        assert journal.verify().seq == 7


def test_one_job_of_several_is_checked_line_by_line_and_not_as_a_chain(crew):
    anna = crew().lay_out().lay_out(job="annex", run="deck")
    anna.read("1")
    whole = check_text(export_text(anna.journal), "all.jsonl")
    part = check_text(export_text(anna.journal, "jetty"), "jetty.jsonl")
    assert (whole.chain, whole.last) == (True, anna.journal.head[1])
    assert (part.chain, len(part.events)) == (False, 6)


def test_blank_lines_and_windows_ends_are_nothing(crew):
    anna, ben = crew("anna").lay_out(), crew("ben")
    text = "\r\n\r\n".join(_lines(anna)) + "\r\n\n"
    assert import_text(ben.journal, text, "their.jsonl").new == 5


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
        assert error.line is not None
        assert "\n" not in error.message
    assert fuzzed.journal.head == before


_IN_DATA = st.sampled_from(["text", "slope_along", "height_mm", "stage", "rocks", "packs"])


@_FEW
@given(
    line=st.integers(0, 7),
    where=st.tuples(_KEYS | st.sampled_from(["hash", "origin"])) | st.tuples(st.just("data"), _IN_DATA),
    value=_JSON,
)
def test_any_change_of_a_line_is_refused_or_is_no_change(fuzzed, full_lines, line, where, value):
    rows = [json.loads(text) for text in full_lines]
    place = rows[line % len(rows)]
    for key in where[:-1]:
        place = place[key]
    place[where[-1]] = value
    error = refused(fuzzed, "\n".join(map(json.dumps, rows)))
    if error is None:
        assert rows == [json.loads(text) for text in full_lines]
    else:
        assert "\n" not in error.message


@pytest.fixture
def full_lines(crew):
    anna = crew("full").lay_out()
    anna.read("1")
    anna.prescribe("1")
    return _lines(anna)


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


def _work(crew, deeds, packs):
    for kind, post in deeds:
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
def test_two_logs_become_the_same_whatever_was_done(crew, packs, hers, his):
    n = next(_number)
    anna, ben = crew(f"anna{n}").lay_out(), crew(f"ben{n}")
    anna.log("noted", {"text": "begun"}, post="1")
    send(anna, ben)
    _work(anna, hers, packs)
    ben.clock.set("2026-05-04T08:00:20+02:00")
    _work(ben, his, packs)
    hers_then = {event.id for event in anna.journal.events()}
    his_then = {event.id for event in ben.journal.events()}
    send(ben, anna)
    send(anna, ben)
    send(ben, anna)
    both = {event.id for event in anna.journal.events()}
    assert both == {event.id for event in ben.journal.events()}
    assert both >= hers_then | his_then
    assert len(both) <= len(hers_then | his_then) + 1, "no more than one note on the merge"
    there = [one for one in (anna, ben) if one.journal.jobs() and one.journal.jobs()[0].runs]
    if there:
        assert seen(anna) == seen(ben)
    assert anna.journal.verify() is None
    assert ben.journal.verify() is None
    anna.journal.close()
    ben.journal.close()


# ---------------------------------------------------------------- backups


def test_a_backup_is_due_by_its_own_name(crew, tmp_path):
    anna = crew("anna").lay_out()
    folder = tmp_path / "backups"
    now = datetime.fromisoformat("2026-05-04T12:00:00+02:00")
    assert not backup_due(folder, 0, now)
    assert backup_due(folder, 7, now)
    file = write_backup(anna.journal, folder, now)
    assert file.name == "shimfit-backup-20260504-120000.jsonl"
    (folder / "shimfit-backup-of-mine.jsonl").touch()
    assert last_backup(folder) == now.replace(tzinfo=None)
    assert not backup_due(folder, 7, datetime.fromisoformat("2026-05-11T11:59:59+02:00"))
    assert backup_due(folder, 7, datetime.fromisoformat("2026-05-11T12:00:00+02:00"))
    ben = crew("ben")
    assert import_text(ben.journal, file.read_text(), file.name).new == 5


def test_a_backup_is_written_when_it_is_due_and_there_is_something(crew, tmp_path):
    anna = crew("anna")
    now = datetime.fromisoformat("2026-05-04T12:00:00+02:00")
    assert backup_if_due(anna.journal, None, 7, now) is None, "nothing was logged yet"
    anna.lay_out()
    assert backup_if_due(anna.journal, None, 0, now) is None
    file = backup_if_due(anna.journal, None, 7, now)
    assert file.parent == tmp_path
    assert backup_if_due(anna.journal, None, 7, now) is None
    assert file.read_text() == export_text(anna.journal)


def test_an_export_is_written_whole_or_not_at_all(crew, tmp_path, monkeypatch):
    anna = crew("anna").lay_out()
    target = tmp_path / "out.jsonl"
    target.write_text('{"schema":1,"seq":1}')

    def fails(_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", fails)
    with pytest.raises(FileError, match="full"):
        write_export(anna.journal, target)
    assert target.read_text() == '{"schema":1,"seq":1}'
    assert not list(tmp_path.glob("*.part"))
    monkeypatch.undo()
    write_export(anna.journal, target)
    assert target.read_text() == export_text(anna.journal)
