"""What a record on paper proves of the log: the same, grown, shorter, another; and the record as it stood.

The running hash is worked out here once more, with nothing but an export's lines and hashlib.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3

import pytest

from shimfit.errors import Exit, UsageError
from shimfit.store.events import Head, head_on_paper
from shimfit.store.journal import Journal

RUN = "--length 1200 --every 1200 --foot 90x90mm --height 1000mm --tolerance 1:500"
RECORD = "record lake/walk"


@pytest.fixture
def paper(shimfit, after):
    """Figure of lake's record. The box, another job and lake again were logged in between."""
    after(
        "job new pond",
        "job new lake",
        f"run new lake/walk {RUN}",
        f"run new pond/walk {RUN}",
        "note pond/walk/1 dry",
        'read lake/walk/1 "6mm n 10mm h"',
        "note lake/walk/1 split",
    )
    return shimfit(f"{RECORD} --json").json["log"]["figure"]


def answer(shimfit, figure, *more):
    ran = shimfit("record", "verify", "--hash", figure, "--json", *more)
    plain = shimfit("record", "verify", "--hash", figure, *more)
    assert plain.code == ran.code
    assert (ran.code == Exit.FILE) == ("error" in ran.json)
    return ran.code, ran.json["answer"]


def outside(path, *statements):
    """Write to the file as somebody with SQL could."""
    db = sqlite3.connect(path)
    with db:
        for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            db.execute(f"DROP TRIGGER {name}")
        for statement in statements:
            assert db.execute(statement).rowcount
    db.close()


def rewritten(path):
    """Change one note and seal every event after it again: a chain that is whole."""
    with Journal.open(path, read_only=True) as journal:
        events = list(journal.events())
    db, prev = sqlite3.connect(path), ""
    with db:
        for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            db.execute(f"DROP TRIGGER {name}")
        for event in events:
            object.__setattr__(event, "data_text", event.data_text.replace("split", "sound"))
            object.__setattr__(event, "prev", prev)
            prev = event.computed_hash()
            row = (event.data_text, event.prev, prev, event.seq)
            db.execute("UPDATE event SET data = ?, prev = ?, hash = ? WHERE seq = ?", row)
    db.close()


def test_same_then_grown_by_figure_count_and_bare_hash(shimfit, paper):
    count, _, running = paper.split(":")
    for figure in (paper, f"{count}:{running}", f"{count} {running[:12].upper()}", running):
        assert answer(shimfit, figure) == (Exit.DONE, "same"), figure
    assert shimfit("note pond/walk/1 wet").code == 0
    assert answer(shimfit, paper) == (Exit.DONE, "same"), "another job went on, not this one"
    assert shimfit("note lake/walk/1 later").code == 0
    assert answer(shimfit, paper) == (Exit.DONE, "grown")
    assert "are unchanged" in shimfit("record", "verify", "--hash", paper).out


def test_the_running_hash_is_what_the_docstring_says(shimfit, paper, tmp_path):
    assert shimfit("export", str(tmp_path / "lake.jsonl"), "--job", "lake").code == 0
    lines = [json.loads(line) for line in (tmp_path / "lake.jsonl").read_text().splitlines()]
    running = ""
    for line in lines:
        running = hashlib.sha256((running + line["hash"]).encode()).hexdigest()
    assert paper == f"{len(lines)}:{lines[0]['hash'][:16]}:{running}"


def test_an_edit_in_the_middle_is_named_whatever_the_paper_says(shimfit, paper, tmp_path):
    outside(
        tmp_path / "test.db", "UPDATE event SET data = replace(data, 'dry', 'wet') WHERE data LIKE '%dry%'"
    )
    for command in (["record", "verify", "--hash", paper], ["record", "lake/walk"]):
        ran = shimfit(*command)
        assert ran.code == Exit.FILE
        assert "is not as it was logged" in ran.err
        assert f"shimfit salvage {tmp_path / 'test.db'} NEW" in ran.err


def test_a_cut_in_the_middle_is_found_without_any_paper(shimfit, paper, tmp_path):
    outside(tmp_path / "test.db", "DELETE FROM event WHERE data LIKE '%dry%'")
    for command in (["record", "verify"], ["record", "verify", "--hash", paper], ["record", "lake/walk"]):
        ran = shimfit(*command)
        assert ran.code == Exit.FILE
        assert "is missing" in ran.err


def test_a_cut_tail_is_shorter(shimfit, paper, tmp_path):
    outside(tmp_path / "test.db", "DELETE FROM event WHERE seq = (SELECT max(seq) FROM event)")
    assert shimfit("record verify").code == Exit.DONE, "the chain alone can't tell"
    assert answer(shimfit, paper) == (Exit.FILE, "shorter")
    assert answer(shimfit, paper.split(":")[-1]) == (Exit.FILE, "another"), "a bare hash can't tell either"
    assert shimfit(f"{RECORD} --as-of {paper}").code == Exit.FILE


def test_a_rewritten_chain_is_another_log(shimfit, paper, tmp_path):
    rewritten(tmp_path / "test.db")
    assert shimfit("record verify").code == Exit.DONE, "the chain alone can't tell"
    assert answer(shimfit, paper) == (Exit.FILE, "another")
    assert shimfit("note lake/walk/1 more").code == 0
    assert answer(shimfit, paper) == (Exit.FILE, "another")


def test_another_job_is_another_log_however_long(shimfit, paper, tmp_path):
    for job in ("pond", "lake"):
        assert shimfit("export", str(tmp_path / f"{job}.jsonl"), "--job", job).code == 0
    assert answer(shimfit, paper, "--file", str(tmp_path / "lake.jsonl")) == (Exit.DONE, "same")
    assert answer(shimfit, paper, "--file", str(tmp_path / "pond.jsonl")) == (Exit.FILE, "another")


def test_an_export_of_one_job_against_its_paper(shimfit, paper, tmp_path):
    file = tmp_path / "lake.jsonl"
    assert shimfit("note lake/walk/1 later").code == 0
    assert shimfit("export", str(file), "--job", "lake").code == 0
    lines = file.read_text().splitlines(keepends=True)
    assert answer(shimfit, paper, "--file", str(file)) == (Exit.DONE, "grown")
    file.write_text("".join(lines[:-2]))
    assert answer(shimfit, paper, "--file", str(file)) == (Exit.FILE, "shorter")
    file.write_text("".join(lines[:2] + lines[3:]))
    assert answer(shimfit, paper, "--file", str(file)) == (Exit.FILE, "another"), "one left out in the middle"


def test_a_fresh_import_keeps_the_figure(shimfit, paper, tmp_path, monkeypatch):
    assert shimfit("export", str(tmp_path / "lake.jsonl"), "--job", "lake").code == 0
    monkeypatch.setenv("SHIMFIT_DB", str(tmp_path / "other.db"))
    assert shimfit("import", str(tmp_path / "lake.jsonl")).code == 0
    assert answer(shimfit, paper) == (Exit.DONE, "grown"), "it says itself that it was received"


def test_the_record_as_it_stood_byte_for_byte(shimfit, paper, tmp_path):
    before = {ending: tmp_path / f"before.{ending}" for ending in ("pdf", "csv")}
    write = [word for ending, file in before.items() for word in (f"--{ending}", str(file))]
    assert shimfit("record", "lake/walk", *write).code == 0
    said, reported = shimfit(RECORD).out, shimfit(f"{RECORD} --json").out
    of_file = json.loads(reported)["log"]["hash"]
    for command in ("note lake/walk/1 later", "undo lake", "undo lake", "note pond/walk/1 wet"):
        assert shimfit(command).code == 0
    assert shimfit(RECORD).out != said
    for figure in (paper, of_file):
        assert shimfit(f"{RECORD} --as-of {figure}").out == said
        assert shimfit(f"{RECORD} --json --as-of {figure}").out == reported
        again = [word.replace("before", "again") for word in write]
        assert shimfit("record", "lake/walk", "--as-of", figure, *again, "--force").code == 0
        for ending, file in before.items():
            assert (tmp_path / f"again.{ending}").read_bytes() == file.read_bytes(), ending


def test_as_of_a_file_hash_knows_the_box_of_that_moment(shimfit, paper):
    reported = shimfit(f"{RECORD} --json").json
    assert shimfit("instrument add long --kind level --length 1200mm").code == 0
    assert shimfit("note pond/walk/1 wet").code == 0
    now = shimfit(f"{RECORD} --json").json
    assert now["log"]["figure"] == paper
    assert now["log"]["hash"] != reported["log"]["hash"]
    assert shimfit(f"{RECORD} --json --as-of {reported['log']['hash']}").json == reported
    assert shimfit(f"{RECORD} --json --as-of {paper}").json == now, "as last printed before the job went on"


@pytest.mark.parametrize("figure", ["", "1234567", "57:xyz", "12:12345678:", "no hash at all"])
def test_what_is_no_figure_is_refused(figure):
    with pytest.raises(UsageError, match="as printed"):
        head_on_paper(figure)


def test_a_figure_of_digits_alone_is_a_hash():
    assert head_on_paper("12345678") == Head(0, "", "12345678")
    assert head_on_paper("57:12345678:" + "9" * 64) == Head(57, "12345678", "9" * 64)
