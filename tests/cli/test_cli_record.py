import csv
import io
import json
import sqlite3
from datetime import UTC, datetime, timedelta

import pytest

from shimfit.cli import carry_out
from shimfit.cli.io import Io
from shimfit.codec import to_json
from shimfit.errors import Exit, FileError, UsageError
from shimfit.model import Foot, Tolerance
from shimfit.store.events import Draft
from shimfit.store.journal import Journal

TOLERANCE = Tolerance("1:500", "ratio", 0.002, source="the user's choice")


def reading(along, across, stage, **more):
    data = {
        "text": "typed",
        "slope_along": along,
        "slope_across": across,
        "height_mm": 1000.0,
        "stage": stage,
    }
    return (
        data | {"method": "typed", "u_along": 0.0002, "u_across": 0.0002, "instrument": "long level"} | more
    )


@pytest.fixture
def site_file(tmp_path):
    """A data file with two posts: post 1 plumb, post 2 read and not packed yet."""
    clock = iter(datetime(2026, 5, 12, 8, tzinfo=UTC) + timedelta(minutes=i) for i in range(1000))
    path = tmp_path / "site.db"
    place = {"job": "shore", "run": "walk", "by": "Rowan"}
    drafts = [
        Draft("job-added", {"name": "shore"}, job="shore"),
        Draft(
            "run-added",
            {
                "foot": to_json(Foot(90.0, 90.0)),
                "height_mm": 1000.0,
                "tolerance": to_json(TOLERANCE),
            },
            job="shore",
            run="walk",
        ),
        Draft(
            "post-added", {"name": "1", "leg": 1, "station_mm": 0.0, "kind": "end"}, job="shore", run="walk"
        ),
        Draft(
            "post-added",
            {"name": "2", "leg": 1, "station_mm": 1500.0, "kind": "end"},
            job="shore",
            run="walk",
        ),
        Draft(
            "instrument",
            {"name": "long level", "kind": "level", "length_mm": 1200.0, "accuracy_slope": 0.0005},
        ),
        Draft("reading", reading(0.008, 0.004, "stood"), post="1", **place),
        Draft("tightened", {"torque_nm": 24.0}, post="1", **place),
        Draft("reading", reading(0.0002, -0.0004, "verify"), post="1", **place),
        Draft("reading", reading(0.005, 0.001, "stood"), post="2", **place),
        Draft("noted", {"text": "board cupped, planed"}, post="2", **place),
    ]
    with Journal.open(path, clock=lambda: next(clock)) as journal:
        for draft in drafts:
            journal.append_all([draft])
    return path


@pytest.fixture
def shimfit(site_file):
    """Runs a command: (exit code, stdout, stderr); errors pass through."""

    def run(*argv):
        out, talk = io.StringIO(), io.StringIO()
        code = carry_out([*argv, "--db", str(site_file)], Io(out, talk))
        return code, out.getvalue(), talk.getvalue()

    return run


def add(path, *drafts):
    with Journal.open(path) as journal:
        journal.append_all(list(drafts))


def test_json_is_the_contract_and_agrees_with_the_log(shimfit, site_file):
    code, out, _ = shimfit("record", "shore/walk", "--json")
    answer = json.loads(out)
    assert code == Exit.DONE
    assert answer["schema"] == 1
    one, two = answer["posts"]
    assert (one["decision"], one["torque"]) == ("plumb", 24.0)
    assert one["before"]["top_along_mm"] == pytest.approx(8.0)
    assert one["after"]["top_across_mm"] == pytest.approx(-0.4)
    assert one["after"]["by"] == "Rowan"
    assert (two["decision"], two["after"], two["notes"]) == ("none", None, ["board cupped, planed"])
    assert answer["instruments"][0]["accuracy_slope"] == 0.0005
    with Journal.open(site_file) as journal:
        assert (answer["log"]["events"], answer["log"]["hash"]) == journal.head


def test_csv_to_stdout(shimfit):
    code, out, _ = shimfit("record", "shore/walk", "--csv", "-")
    rows = list(csv.DictReader(io.StringIO(out, newline="")))
    assert code == Exit.DONE
    assert [row["post"] for row in rows] == ["1", "2"]
    assert float(rows[0]["after_top_along_mm"]) == pytest.approx(0.2)


def test_pdf_and_csv_files_at_once(shimfit, tmp_path):
    code, out, talk = shimfit(
        "record",
        "shore/walk",
        "--pdf",
        str(tmp_path / "r.pdf"),
        "--csv",
        str(tmp_path / "r.csv"),
        "--paper",
        "letter",
    )
    assert (code, out) == (Exit.DONE, "")
    assert (tmp_path / "r.pdf").read_bytes().startswith(b"%PDF")
    assert (tmp_path / "r.csv").read_text().startswith("job,run,post")
    assert talk.count("wrote") == 2


def test_sentences_without_options(shimfit):
    code, out, _ = shimfit("record", "shore/walk")
    assert code == Exit.DONE
    for said in ("1:500", "next 8.0, out 4.0", "plumb", "board cupped, planed", "Plumb at first try: 1 of 1"):
        assert said in out, said


def test_a_verified_post_over_tolerance_makes_exit_1(shimfit, site_file):
    place = {"job": "shore", "run": "walk", "post": "1"}
    add(site_file, Draft("tightened", {}, **place), Draft("reading", reading(0.006, 0.0, "verify"), **place))
    code, out, _ = shimfit("record", "shore/walk", "--json")
    assert code == Exit.OVER
    assert json.loads(out)["posts"][0]["decision"] == "out"


def test_one_thing_only_goes_to_stdout(shimfit):
    with pytest.raises(UsageError, match="stdout"):
        shimfit("record", "shore/walk", "--json", "--csv", "-")
    with pytest.raises(UsageError, match="stdout"):
        shimfit("record", "shore/walk", "--pdf", "-", "--csv", "-")


def test_unknown_run_names_those_that_there_are(shimfit):
    with pytest.raises(UsageError, match="walk"):
        shimfit("record", "shore/wall")


def test_verify_says_whole_and_finds_a_printed_hash(shimfit, site_file):
    with Journal.open(site_file) as journal:
        events, last = journal.head
    add(site_file, Draft("noted", {"text": "later"}, job="shore", run="walk", post="1"))
    code, out, _ = shimfit("record", "verify", "--hash", last[:16], "--json")
    answer = json.loads(out)
    assert code == Exit.DONE
    assert (answer["whole"], answer["sealed_at"]) == (True, events)
    assert answer["log"]["events"] == events + 1
    assert "is whole" in shimfit("record", "verify")[1]


def test_verify_refuses_a_hash_that_is_not_in_the_log(shimfit):
    with pytest.raises(FileError, match="another log") as raised:
        shimfit("record", "verify", "--hash", "0123456789abcdef")
    assert raised.value.exit_code == Exit.FILE


def altered(path):
    """Change what was logged at event 8 behind the program's back, as somebody with SQL could."""
    with sqlite3.connect(path) as db:
        triggers = db.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for (name,) in triggers:
            db.execute(f"DROP TRIGGER {name}")
        table = db.execute(
            "SELECT name FROM sqlite_master WHERE type='table' AND sql LIKE '%prev%'"
        ).fetchone()[0]
        columns = [row[1] for row in db.execute(f"PRAGMA table_info({table})")]
        column = next(name for name in columns if name.startswith("data"))
        changed = db.execute(
            f"UPDATE {table} SET {column} = replace({column}, '0.0002', '0.0001') WHERE seq = 8"
        ).rowcount
        assert changed == 1
    db.close()


@pytest.mark.parametrize("command", [("record", "verify"), ("record", "shore/walk", "--json")])
def test_an_altered_log_is_refused_naming_the_event(shimfit, site_file, command):
    altered(site_file)
    with pytest.raises(FileError, match="event 8") as raised:
        shimfit(*command)
    assert raised.value.exit_code == Exit.FILE


def test_due_sets_the_interval_and_lists_what_is_due(shimfit):
    with pytest.raises(UsageError, match="--due-days"):
        shimfit("due", "shore/walk")
    code, out, _ = shimfit("due", "shore/walk", "--due-days", "90", "--on", "2026-09-01")
    assert code == Exit.DONE
    assert "1 of 1 posts proven plumb are due (every 90 days)" in out
    code, out, _ = shimfit("due", "shore/walk", "--on", "2026-06-01", "--json")
    answer = json.loads(out)
    assert (answer["schema"], answer["due_days"]) == (1, 90)
    assert [(row["post"], row["is_due"]) for row in answer["due"]] == [("1", False)]


def test_due_refuses_what_is_no_date(shimfit):
    with pytest.raises(UsageError, match="2026-09-01"):
        shimfit("due", "shore/walk", "--on", "next spring")
