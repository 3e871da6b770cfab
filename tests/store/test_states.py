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
    path = tmp_path / "anna.db"
    opened = files.open_file(path, read_only=False, now="2026-05-04T08:00:00+02:00")
    second = Journal.open(path)
    assert (second.read_only, second.log, second.jobs(), second.box().lots) == (True, "", (), ())
    opened.close()
    anna, ben = crew("anna"), crew("ben").lay_out(job="pier").lay_out(run="west")
    ben.journal.append("stock-added", F2)
    ben.read("1", run="west")
    deeds = [
        lambda: anna.journal.append("stock-added", F2),
        anna.lay_out,
        lambda: anna.read("1"),
        lambda: anna.prescribe("1"),
        lambda: import_text(ben.journal, export_text(anna.journal), "ours.jsonl"),
        lambda: ben.read("3", text="the earlier one"),
        lambda: anna.clock.set("2026-05-04T09:00:00+02:00"),
        lambda: anna.read("3", text="the later one"),
        lambda: anna.journal.append("stock-out", {"lot": "F2", "count": 1}),
        lambda: anna.journal.undo("jetty"),
        lambda: anna.journal.undo(None),
        lambda: anna.journal.redo("jetty"),
        lambda: import_text(anna.journal, export_text(ben.journal), "their.jsonl", with_box=True),
        lambda: anna.read("2", run="west"),
    ]
    for deed in deeds:
        deed()
        if asks_each_time:
            assert states(second) == states(anna.journal) == states_now(path)
    assert states(second) == states(anna.journal) == states_now(path)
    assert [one.text for one in second.run("jetty", "east").post("3").readings] == [
        "the earlier one",
        "the later one",
    ]
    second.close()


def test_the_program_that_takes_over_tells_of_the_file_that_is_there_now(crew, tmp_path):
    """While the other one was closed, an older copy was put in its place."""
    path = tmp_path / "anna.db"
    anna = crew().lay_out()
    anna.journal.close()
    shutil.copy(path, tmp_path / "copy.db")
    writer = Journal.open(path)
    second = Journal.open(path)
    writer.append("noted", {"text": "x"}, job="jetty", run="east", post="1")
    assert second.run("jetty", "east").post("1").notes
    writer.close()
    (tmp_path / "copy.db").replace(path)
    for left in ("anna.db-wal", "anna.db-shm"):
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
    anna, ben = crew("anna"), crew("ben")
    ben.clock.set("2026-05-04T07:00:00+02:00")
    ben.journal.append("job-added", {"name": "jetty", "units": "inch"})
    ben.lay_out(run="west")
    anna.lay_out()
    import_text(anna.journal, export_text(ben.journal), "their.jsonl")
    job = anna.journal.job("jetty")
    assert (job.units, job.runs) == ("inch", ("west", "east"))
    assert job.last_run == "east", "worked on last, although it came into the file first"
    assert job.last_seq == anna.journal.head[0]


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
    anna = crew().lay_out()
    anna.journal.append("stock-added", F2)
    anna.read("1")
    anna.journal.close()
    path = tmp_path / "anna.db"
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
    anna = crew().lay_out().lay_out(run="west")
    states(anna.journal)
    anna.read("1")
    anna.log("noted", {"text": "x"}, post="1")
    left, add = [at], RunFold.add

    def interrupted(fold, event):
        left[0] -= 1
        if left[0] == 0:
            raise KeyboardInterrupt
        add(fold, event)

    monkeypatch.setattr(RunFold, "add", interrupted)
    with pytest.raises(KeyboardInterrupt):
        anna.run()
    assert states(anna.journal) == states_now(anna.journal.path)
    assert len(anna.post("1").readings) == len(anna.post("1").notes) == 1
