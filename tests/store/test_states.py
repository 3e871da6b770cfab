"""What was worked out once and is brought forward is what a program that opens the file now works out."""

from __future__ import annotations

import shutil

import pytest

from shimfit.errors import FileError
from shimfit.store import db as files
from shimfit.store.fold import RunFold
from shimfit.store.journal import Journal
from shimfit.store.merge import export_text, import_text

F2 = {"lot": "F2", "form": "flat", "count": 4, "thickness_mm": 2.0}


def states(journal):
    """Everything that a journal tells of its file."""
    jobs = journal.jobs()
    runs = [journal.run(job.name, run) for job in jobs for run in job.runs]
    return journal.log, journal.head, jobs, runs, journal.box()


def states_now(path):
    with Journal.open(path, read_only=True) as fresh:
        return states(fresh)


@pytest.mark.parametrize("asks_each_time", [True, False])
def test_a_program_that_reads_along_tells_what_one_tells_that_opens_the_file_now(
    crew, tmp_path, asks_each_time
):
    """From before the log had an id, through undo, the box, a job of another crew and its box."""
    path = tmp_path / "north.db"
    opened = files.open_file(path, read_only=False, now="2026-05-04T08:00:00+02:00")
    second = Journal.open(path)
    assert (second.read_only, second.log, second.jobs(), second.box().lots) == (True, "", (), ())
    opened.close()
    north, south = crew("north"), crew("south").lay_out(job="pier").lay_out(run="west")
    south.journal.append("stock-added", F2)
    south.read("1", run="west")
    deeds = [
        lambda: north.journal.append("stock-added", F2),
        north.lay_out,
        lambda: north.read("1"),
        lambda: north.prescribe("1"),
        lambda: import_text(south.journal, export_text(north.journal), "ours.jsonl"),
        lambda: south.read("3", text="the earlier one"),
        lambda: north.clock.set("2026-05-04T09:00:00+02:00"),
        lambda: north.read("3", text="the later one"),
        lambda: north.journal.append("stock-out", {"lot": "F2", "count": 1}),
        lambda: north.journal.undo("jetty"),
        lambda: north.journal.undo(None),
        lambda: north.journal.redo("jetty"),
        lambda: import_text(north.journal, export_text(south.journal), "their.jsonl", with_box=True),
        lambda: north.read("2", run="west"),
    ]
    for deed in deeds:
        deed()
        if asks_each_time:
            assert states(second) == states(north.journal) == states_now(path)
    assert states(second) == states(north.journal) == states_now(path)
    assert [one.text for one in second.run("jetty", "east").post("3").readings] == [
        "the earlier one",
        "the later one",
    ]
    second.close()


def test_the_program_that_takes_over_tells_of_the_file_that_is_there_now(crew, tmp_path):
    """While the other one was closed, an older copy was put in its place."""
    path = tmp_path / "north.db"
    north = crew().lay_out()
    north.journal.close()
    shutil.copy(path, tmp_path / "copy.db")
    writer = Journal.open(path)
    second = Journal.open(path)
    writer.append("noted", {"text": "x"}, job="jetty", run="east", post="1")
    assert second.run("jetty", "east").post("1").notes
    writer.close()
    (tmp_path / "copy.db").replace(path)
    for left in ("north.db-wal", "north.db-shm"):
        (tmp_path / left).unlink(missing_ok=True)
    assert second.take_over()
    second.append("skipped", {"why": "later"}, job="jetty", run="east", post="2")
    assert states(second) == states_now(path)
    assert not second.run("jetty", "east").post("1").notes
    second.close()


def test_the_program_that_takes_over_gives_the_log_its_id_where_the_other_one_could_not(tmp_path):
    path = tmp_path / "jetty.db"
    opened = files.open_file(path, read_only=False, now="2026-05-04T08:00:00+02:00")
    with Journal.open(path) as second:
        assert (second.read_only, second.log) == (True, "")
        opened.close()
        assert second.take_over()
        assert second.append("job-added", {"name": "jetty"}).log == second.log != ""
    assert states_now(path)[0] == second.log


def test_a_job_that_both_crews_began_is_the_one_that_was_begun_first(crew):
    north, south = crew("north"), crew("south")
    south.clock.set("2026-05-04T07:00:00+02:00")
    south.journal.append("job-added", {"name": "jetty", "units": "inch"})
    south.lay_out(run="west")
    north.lay_out()
    import_text(north.journal, export_text(south.journal), "their.jsonl")
    job = north.journal.job("jetty")
    assert (job.units, job.runs) == ("inch", ("west", "east"))
    assert job.last_run == "east", "worked on last, although it came into the file first"
    assert job.last_seq == north.journal.head[0]


class _Fails:
    """A connection that fails at one of its statements."""

    def __init__(self, db, at) -> None:
        self._db, self._left = db, at

    def execute(self, *statement):
        self._left -= 1
        if self._left == 0:
            raise files.sqlite3.OperationalError("disk I/O error")
        return self._db.execute(*statement)


def test_an_error_at_any_read_leaves_nothing_half_worked_out(crew, tmp_path):
    north = crew().lay_out()
    north.journal.append("stock-added", F2)
    north.read("1")
    north.journal.close()
    path = tmp_path / "north.db"
    expected = states_now(path)
    for at in range(1, 100):
        with Journal.open(path, read_only=True) as journal:
            good = journal._log._opened.db
            journal._log._opened.db = _Fails(good, at)
            try:
                assert states(journal) == expected
                whole = True
            except FileError:
                whole = False
            journal._log._opened.db = good
            assert states(journal) == expected
        if whole:
            break
    assert 10 < at < 99


@pytest.mark.parametrize("at", [1, 2, 3])
def test_an_interruption_while_events_are_counted_in_counts_each_once(crew, monkeypatch, at):
    north = crew().lay_out().lay_out(run="west")
    states(north.journal)
    north.read("1")
    north.log("noted", {"text": "x"}, post="1")
    left, add = [at], RunFold.add

    def interrupted(fold, event):
        left[0] -= 1
        if left[0] == 0:
            raise KeyboardInterrupt
        add(fold, event)

    monkeypatch.setattr(RunFold, "add", interrupted)
    with pytest.raises(KeyboardInterrupt):
        north.run()
    assert states(north.journal) == states_now(north.journal.path)
    assert len(north.post("1").readings) == len(north.post("1").notes) == 1
