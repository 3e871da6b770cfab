"""`shimfit export`, `import` and `salvage` as scripts call them."""

from __future__ import annotations

import io
import json

import pytest

from shimfit.cli import carry_out, record
from shimfit.cli.io import Io
from shimfit.errors import FileError
from shimfit.store.events import KINDS


def call(*words):
    """(exit code, stdout, stderr) of a command."""
    ways = Io(io.StringIO(), io.StringIO())
    code = carry_out([str(word) for word in words], ways)
    return code, ways.stdout.getvalue(), ways.stderr.getvalue()


@pytest.fixture
def files(crew, tmp_path):
    north = crew().lay_out()
    north.read("1")
    north.journal.close()
    return tmp_path / "north.db", tmp_path / "jobs.jsonl", tmp_path / "south.db"


def test_there_and_back(files):
    mine, moved, theirs = files
    code, out, err = call("export", moved, "--db", mine)
    assert (code, out) == (0, "")
    assert "6 events written to" in err
    assert moved.read_text().count("\n") == 6
    code, out, _ = call("import", moved, "--db", theirs)
    assert code == 0
    assert out == "6 new events of jetty; 0 were here already\n"
    code, out, _ = call("import", moved, "--db", theirs, "--json")
    assert json.loads(out) == {
        "schema": 1,
        "new": 0,
        "known": 6,
        "jobs": [],
        "begun_twice": [],
        "box_joined": False,
        "conflicts": [],
    }


def test_stdout_holds_events_only(files):
    mine, *_ = files
    code, out, err = call("export", "-", "--db", mine, "--json")
    assert code == 0
    rows = [json.loads(line) for line in out.splitlines()]
    assert [row["seq"] for row in rows] == [1, 2, 3, 4, 5, 6]
    assert {row["schema"] for row in rows} == {1}
    assert "6 events written to stdout" in err


def test_one_job(files):
    mine, moved, _ = files
    code, out, _ = call("export", moved, "--db", mine, "--job", "jetty", "--json")
    assert (code, json.loads(out)["events"]) == (0, 6)


def test_conflicts_are_said_per_post(files, crew):
    mine, moved, theirs = files
    call("export", moved, "--db", mine)
    call("import", moved, "--db", theirs)
    for path, text in ((mine, "3mm n 0"), (theirs, "5mm n 0")):
        one = crew(f"c{text[0]}", path=path)
        one.read("2", text=text)
        one.journal.close()
    call("export", moved, "--db", mine)
    code, out, _ = call("import", moved, "--db", theirs)
    assert code == 0
    assert "jetty/east/2\n  crews worked here that did not know of each other: reading" in out


def test_salvage_says_what_came_out(files, tmp_path):
    mine, _, _ = files
    data = mine.read_bytes()
    broken = tmp_path / "broken.db"
    broken.write_bytes(data.replace(b"0.009 0.0", b"0.008 0.0"))
    code, out, _ = call("salvage", broken, tmp_path / "new.db")
    assert code == 1
    assert out.startswith("5 events saved as they were logged into")
    assert "counted for nothing: event 6, reading jetty/east/1" in out
    code, out, _ = call("salvage", mine, tmp_path / "new2.db", "--json")
    assert code == 0
    assert json.loads(out)["saved"] == 6


def test_what_can_not_be_read_is_raised_for_the_shell_to_tell(files, tmp_path):
    mine, _, theirs = files
    with pytest.raises(FileError, match="no data file"):
        call("export", "-", "--db", tmp_path / "none.db")
    with pytest.raises(FileError, match="line 1"):
        call("import", mine, "--db", theirs)


def test_missing_events_are_told_as_ranges():
    assert record._ranges((3, 4, 5, 9, 11, 12)) == "3-5, 9, 11-12"


def test_the_schema_of_an_export_names_every_kind_and_needs_no_data_file(tmp_path):
    code, out, _ = call("export", "-", "--schema", "--db", tmp_path / "none.db")
    assert code == 0
    schema = json.loads(out)
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert {one["if"]["properties"]["kind"]["const"] for one in schema["allOf"]} == set(KINDS)
    assert not (tmp_path / "none.db").exists()
    file = tmp_path / "events.schema.json"
    assert [call("export", file, "--schema")[0] for _ in range(2)] == [0, 0]  # and goes over its own kind
    file.write_text("a letter")
    with pytest.raises(FileError, match="is no JSON Schema"):
        call("export", file, "--schema")
