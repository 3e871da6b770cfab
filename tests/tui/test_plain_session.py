"""Plain mode: a job from first start to the record, using only what the program says; a session as text."""

from __future__ import annotations

import csv
import io

import pytest

from shimfit.model import PostState
from shimfit.tui.plain import run_plain
from shimfit.workflow.site import Site


def session(site: Site, *lines: str) -> str:
    """What is said when these lines are typed."""
    said = io.StringIO()
    assert run_plain(site, stdin=io.StringIO("\n".join(lines) + "\n"), stdout=said, ascii=True) == 0
    return said.getvalue()


def test_the_whole_conversation(make_site, tmp_path, golden) -> None:
    site = make_site()
    target = tmp_path / "record.csv"
    said = session(
        site,
        "9n5o",
        ".3n.2o",
        "",
        "1/4n3/8",
        "plumb",
        "note split, replace",
        "left",
        f"write {target}",
        "q",
    )
    golden("plain_session", said.replace(str(target), "record.csv").replace(str(tmp_path), "FOLDER"))
    rows = list(csv.DictReader(target.read_text("utf-8").splitlines()))
    assert [row["decision"] for row in rows[:2]] == ["plumb", "none"]


def test_nothing_but_ascii_and_no_escape_is_said(make_site) -> None:
    said = session(make_site(), "9n5o", "plan", "run", "stock", "help", "again", "q")
    assert said.isascii()
    assert "\x1b" not in said
    assert "TOP leans 9 mm towards next, 5 mm out" in said


def test_setting_up_stock_and_second_looks(tmp_path) -> None:
    site = Site.open(tmp_path / "new.db", environment={})
    said = session(
        site,
        "9n5o",
        "new",
        "mm",
        "heron",
        "jetty",
        "4.8m",
        "every",
        "1.2m",
        "90x90mm",
        "1000mm",
        "",
        "lot F1 flat 1 x8",
        "lot F1 flat 2 x4",
        "lot F9 flat 1 x" + "1" * 5000,
        "lot F1 round 1",
        "gone F1",
        "undo box",
        "3n2i",
        "3n2i",
        "undo",
        "redo",
        "find 4",
        "back",
        "go 9",
        "skip no access",
        "packed next-out=F1",
        "set units inch",
        "set units furlong",
        "open heron/none",
    )
    assert "refused: no run is open" in said
    assert "heron/jetty, post 1, 1 of 5: to read." in said
    assert "in the box: 8 F1" in said
    assert "in the box: 4 F1 (2)" in said, "as the box calls it"
    assert "a count can't be as much as 111111111111" in said
    assert "a lot is typed like" in said
    assert "F1: 0 left" in said
    assert "Enter" in said
    assert "taken back" in said
    assert "brought back" in said
    assert "post 4, 4 of 5" in said
    assert "no post of this run is called '9'" in said
    assert "Skipped: no access." in said
    assert "refused: packed stands alone, without 'next-out=F1': nothing was done" in said
    assert "units can be mm or inch" in said
    assert "none" in said
    run = site.run("heron", "jetty")
    assert run.posts[0].readings
    assert run.posts[2].state is PostState.SKIPPED
    site.close()


def test_the_sample_can_be_worked_to_its_end(tmp_path) -> None:
    site = Site.open(tmp_path / "sample.db", environment={})
    said = session(site, "sample", "run", "stock", "q")
    assert "The sample job is open: nothing in it is real." in said
    assert "In the box:" in said
    site.close()


def test_the_end_of_the_input_ends_it(make_site) -> None:
    assert "post 1> " in session(make_site())


def test_a_stop_from_the_keyboard_is_130(make_site) -> None:
    class Interrupted(io.StringIO):
        def readline(self, size: int = -1) -> str:  # noqa: ARG002 - the stream's signature
            raise KeyboardInterrupt

    said = io.StringIO()
    assert run_plain(make_site(), stdin=Interrupted(), stdout=said) == 130
    assert "on disk" in said.getvalue()


@pytest.mark.parametrize("encoding", ["ascii", "latin-1"])
def test_an_output_that_lacks_a_sign_is_no_reason_to_fall_over(make_site, encoding) -> None:
    raw = io.BytesIO()
    out = io.TextIOWrapper(raw, encoding=encoding)
    site = make_site()
    assert run_plain(site, stdin=io.StringIO("9n5o\nnote größer als gedacht\n"), stdout=out) == 0
    out.flush()
    assert b"TOP leans 9 mm" in raw.getvalue()


def test_a_file_that_is_there_is_written_over_by_a_second_enter(make_site, tmp_path) -> None:
    target = tmp_path / "record.csv"
    target.write_text("mine", "utf-8")
    said = session(make_site(), f"write {target}", "write other.txt", f"write {target}", "", "q")
    assert said.count("record.csv exists already: Enter writes over it") == 2
    assert f"written: {target.name}, in {target.parent}" in said
    assert target.read_text("utf-8") != "mine"
