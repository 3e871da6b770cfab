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
        "box_apart": False,
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
    assert (
        "jetty/east/2\n  crews worked here that did not know of each other: read it again. c3 read 3mm n 0 ("
        in out
    )


# ---------------------------------------------------------------- two crews apart on one run

BOX = "lot,form,material,count,length_mm,width_mm,thickness_mm,origin\nF1,flat,HDPE,1,,,0.5,bought\n"


@pytest.fixture
def apart(tmp_path):
    """Two crews with one run and one box of one flat, each with a file of its own: a caller for each."""
    files = {name: tmp_path / f"{name}.db" for name in ("north", "south")}

    def crew(name):
        return lambda *words: call(*words, "--db", files[name])

    north, south = map(crew, files)
    stock = tmp_path / "box.csv"
    stock.write_text(BOX)
    for words in (
        ("job", "new", "lake"),
        (
            "run",
            "new",
            "lake/deck",
            "--length",
            "6m",
            "--every",
            "1200",
            "--foot",
            "90x90mm",
            "--height",
            "1m",
        ),
        ("stock", "import", stock),
        ("export", tmp_path / "begun.jsonl"),
    ):
        assert north(*words)[0] == 0
    south("import", tmp_path / "begun.jsonl")
    for name, crew_ in (("north", north), ("south", south)):
        crew_("settings", "by", name)

    def exchange():
        moved = [tmp_path / f"{name}.jsonl" for name in files]
        for crew_, file in zip((north, south), moved, strict=True):
            crew_("export", file, "--force")
        return north("import", moved[1])[1], south("import", moved[0])[1]

    return north, south, exchange


def what_it_says(crew):
    """All that the commands say of the run, but for what is of one file alone."""
    shown = crew("run", "show", "lake/deck")[1]
    whole = json.loads(crew("record", "lake/deck", "--json")[1])
    return shown, {key: value for key, value in whole.items() if key != "log"}


def test_two_crews_who_logged_one_run_apart_are_told_where_and_both_files_say_the_same(apart):
    north, south, exchange = apart
    north("read", "lake/deck/4", "2.5n 0", "--sure")
    north("pack", "lake/deck/4", "next=F1")
    south("read", "lake/deck/4", "7n 5h")
    south("skip", "lake/deck/4", "no rod yet")
    north("run", "move", "lake/deck/5", "--at", "4700")
    south("read", "lake/deck/5", "0.5n 5o")
    south("pack", "lake/deck/5", "out=F1")
    north("run", "set", "lake/deck", "--faces", "out=lake")
    south("run", "set", "lake/deck", "--faces", "out=water")
    south("run", "insert", "lake/deck", "--at", "4690", "--name", "4b")
    north("run", "remove", "lake/deck/2")
    south("read", "lake/deck/2", "3n 3h")
    told_north, told_south = exchange()
    assert "the pieces that they took are not taken out of your box" in told_north
    assert "the pieces" not in told_south, "the one box came along at the beginning"
    assert told_north.splitlines()[2:] == told_south.splitlines()[1:], "each crew is told, in the same words"

    def at(place):
        return told_north.partition(f"lake/deck{place}\n  ")[2].splitlines()[0]

    assert at("") == (
        "two crews lay run deck out differently: north: face names out=lake; south: face names out=water; "
        "the later change stands; no room between the feet of posts 4b and 5: move one, or take it out"
    )
    assert "other: read it again. north read 2.5n 0, packed it (20" in at("/4")
    assert "; south read 7n 5h, skipped it (no rod yet) (20" in at("/4")
    assert at("/4").endswith("; it is shown as the first left it")
    assert "other: read it again. south read 0.5n 5o, packed it (20" in at("/5")
    assert "; north moved it (20" in at("/5")
    assert "other: if it is there, insert it again. north took it out (20" in at("/2")

    shown, record_ = what_it_says(north)
    assert (shown, record_) == what_it_says(south)
    posts = {post["post"]: post for post in record_["posts"]}
    assert (posts["4"]["packs"][0]["seat"], posts["5"]["packs"][0]["seat"]) == ("next", "out")
    assert posts["5"]["station_mm"] == 4700, "it was moved, whoever packed it"
    assert {post["decision"] for post in posts.values()} == {"none"}
    assert f"post 2 was taken out of the run: {at('/2')}" in record_["remarks"]
    assert all(f"  ! {remark}\n" in shown for remark in record_["remarks"])
    for name in ("4", "5"):
        assert posts[name]["notes"].count(at(f"/{name}")) == 1, "the record says it once"
    assert "caution: 1 more of F1 were used than were in the box: count it" in south("stock", "list")[2]

    paper = json.loads(north("record", "lake/deck", "--json")[1])["log"]["figure"]
    assert north("record", "verify", "--hash", paper)[0] == 0
    with pytest.raises(FileError, match="or job lake took the same crews' logs in in another order: hold"):
        south("record", "verify", "--hash", paper)

    settled = ("read", "lake/deck/4", "0.2n 0", "--sure")
    assert "Plumb." in north(*settled)[1]
    exchange()
    exchange()
    shown, record_ = what_it_says(north)
    assert (shown, record_) == what_it_says(south)
    assert [post["decision"] for post in record_["posts"] if post["post"] == "4"] == ["plumb"]
    assert "deck/4" not in "".join(exchange()), "settled: nobody is told again"


def test_records_that_two_crews_issued_apart_are_both_replaced_and_no_figure_is_made_up(apart, tmp_path):
    north, south, exchange = apart
    issued = ("record", "lake/deck", "--number", "001", "--json")
    north("read", "lake/deck/1", "0.3n 0", "--after")
    south("read", "lake/deck/2", "0.3n 0", "--after")
    papers = [json.loads(crew(*issued)[1]) for crew in (north, south)]
    exchange()
    _, record_ = what_it_says(north)
    day = papers[0]["issue"]["time"][:10]
    both = f"001 by north, {day}; 001 by south, {day}"
    assert record_["remarks"] == [f"records were issued apart: {both}: issue one that replaces them"]
    again = ("record", "lake/deck", "--number", "002", "--why", "both", "--json")
    new = json.loads(north(*again)[1])
    assert new["issue"]["replaces"] == papers[0]["log"]["figure"], "as printed on its own paper"
    assert new["issue"]["beside"] == [f"001 by south, {day}"]
    assert (new["issue"]["changed"], new["remarks"]) == (["2"], [])
    office = tmp_path / "office.db"
    for name in ("south", "north"):
        call("import", tmp_path / f"{name}.jsonl", "--db", office)
    paper = call(*again, "--db", office)[1]
    assert json.loads(paper)["issue"]["replaces"] == "", "what stood on theirs can't be told from this file"
    assert sorted(json.loads(paper)["issue"]["beside"]) == both.split("; ")


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


def test_crews_who_moved_a_post_to_one_mark_apart_have_nothing_to_settle(apart):
    north, south, exchange = apart
    for crew, other in ((north, "4710"), (south, "4690")):
        crew("run", "move", "lake/deck/5", "--at", other)
        crew("run", "move", "lake/deck/5", "--at", "4700")
        crew("run", "remove", "lake/deck/2")
        crew("run", "move", "lake/deck/4", "--at", other[:1] + "0" * (len(other) - 1))
    north("run", "move", "lake/deck/3", "--at", "2500")
    south("run", "move", "lake/deck/3", "--at", "2510")
    for told in exchange():
        assert "lake/deck/3" in told
        assert not [one for one in ("lake/deck/2", "lake/deck/4", "lake/deck/5") if one in told]
