"""A stranger checks an export: whole, a part of a log, changed, cut, or of another log."""

from __future__ import annotations

import json

import pytest

from shimfit.errors import Exit

RUN = "run new lake/walk --length 1200 --every 1200 --foot 90x90mm --height 1000mm --tolerance 1:500"


@pytest.fixture
def exported(shimfit, after, tmp_path):
    """Path of an export of everything; the data file is gone."""
    after("job new lake", RUN, "job new pond", "note lake/walk/1 split")
    file = tmp_path / "crew.jsonl"
    assert shimfit("export", str(file)).code == 0
    assert shimfit("export", str(tmp_path / "lake.jsonl"), "--job", "lake").code == 0
    for path in tmp_path.glob("test.db*"):
        path.unlink()
    return file


def test_a_whole_export_is_checked_without_a_data_file(shimfit, exported, tmp_path):
    lines = exported.read_text().splitlines()
    first, last = json.loads(lines[0]), json.loads(lines[-1])
    ran = shimfit("record", "verify", "--file", str(exported), "--hash", first["hash"][:12], "--json")
    assert ran.code == Exit.DONE
    assert ran.json["whole"] is True
    assert ran.json["log"] == {"events": len(lines), "hash": last["hash"]}
    assert ran.json["sealed_at"] == 1
    assert "is whole" in shimfit("record", "verify", "--file", str(exported)).out
    assert not (tmp_path / "test.db").exists()


def test_one_job_is_a_part_and_is_said_to_be_one(shimfit, exported):
    ran = shimfit("record", "verify", "--file", str(exported.with_name("lake.jsonl")))
    assert ran.code == Exit.DONE
    assert "is part of a log" in ran.out
    assert "is whole" not in ran.out


def test_a_line_left_out_is_not_whole(shimfit, exported):
    lines = exported.read_text().splitlines(keepends=True)
    exported.write_text("".join(lines[:2] + lines[3:]))
    assert shimfit("record", "verify", "--file", str(exported), "--json").json["whole"] is False


def test_a_changed_line_is_named(shimfit, exported):
    text = exported.read_text()
    number = next(i for i, line in enumerate(text.splitlines(), 1) if "split" in line)
    exported.write_text(text.replace("split", "sound"))
    ran = shimfit("record", "verify", "--file", str(exported))
    assert ran.code == Exit.FILE
    assert f"line {number}" in ran.err
    assert "imported" not in ran.err


def test_a_hash_of_what_was_cut_off_is_missed(shimfit, exported):
    lines = exported.read_text().splitlines(keepends=True)
    cut = json.loads(lines[-1])["hash"]
    exported.write_text("".join(lines[:-1]))
    ran = shimfit("record", "verify", "--file", str(exported), "--hash", cut)
    assert ran.code == Exit.FILE
    assert "this one was cut" in ran.err


@pytest.mark.parametrize(
    ("text", "code", "said"),
    [("", Exit.FILE, "no events"), ("nothing\n", Exit.FILE, "line 1"), (None, Exit.FILE, "none.jsonl")],
)
def test_what_is_no_export_is_refused(shimfit, tmp_path, text, code, said):
    file = tmp_path / "none.jsonl"
    if text is not None:
        file.write_text(text)
    ran = shimfit("record", "verify", "--file", str(file), "--json")
    assert ran.code == code
    assert said in ran.json["error"]["message"]


def test_file_goes_with_verify_only(shimfit, exported):
    assert shimfit("record", "lake/walk", "--file", str(exported)).code == Exit.REFUSED
