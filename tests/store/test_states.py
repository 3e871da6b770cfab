"""What was worked out once and is brought forward is what a program that opens the file now works out."""

from __future__ import annotations

import pytest

from shimfit.store import db as files
from shimfit.store.journal import Journal
from shimfit.store.merge import export_text, import_text

F2 = {"lot": "F2", "form": "flat", "count": 4, "thickness_mm": 2.0}


def states(journal):
    """Everything that a journal says of its file."""
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
    files.open_file(path, read_only=False, now="2026-05-04T08:00:00+02:00").close()
    second = Journal.open(path, read_only=True)
    assert (second.log, second.jobs(), second.box().lots) == ("", (), ())
    north, south = crew("north"), crew("south").lay_out(job="pier").lay_out(run="west")
    south.journal.append("stock-added", F2)
    south.read("1", run="west")
    actions = [
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
    for act in actions:
        act()
        if asks_each_time:
            assert states(second) == states(north.journal) == states_now(path)
    assert states(second) == states(north.journal) == states_now(path)
    assert [one.text for one in second.run("jetty", "east").post("3").readings] == [
        "the earlier one",
        "the later one",
    ]
    second.close()


def test_a_log_that_another_program_left_without_an_id_gets_one(tmp_path):
    path = tmp_path / "jetty.db"
    files.open_file(path, read_only=False, now="2026-05-04T08:00:00+02:00").close()
    with Journal.open(path) as second:
        assert second.append("job-added", {"name": "jetty"}).log == second.log != ""
    assert states_now(path)[0] == second.log
