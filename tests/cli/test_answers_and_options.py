"""Answers tell the state after the step; an option has one meaning, and its earlier name goes on working."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

SENT = "1117.5999999999999mm"
"""44 in, as a script sends the float."""
MAKEUP = (
    "makeup pier/east --top 1m --rail 100mm --rail-depth 90mm --hole 30mm --washer 40mm --washer-hole 14mm "
    "--washer-thick 3mm --nut 10mm --past 5mm --clamp 5000 --washer-allows 9 --foot-allows 9"
)


@pytest.fixture
def pier(after: Callable[..., Any]) -> Callable[..., Any]:
    laid = "run new pier/east --stations 0,1200,2400 --foot 90x90mm --height 1000mm"
    box = "stock import fixtures/stock/boardwalk_box.csv"
    return after("job new pier", laid, box, "read pier/east/1 6n10h")


def test_every_step_answers_with_the_state_after_it(pier: Callable[..., Any]) -> None:
    def state(*words: str) -> Any:
        reported = pier(*words, "--json").json
        assert reported["message"]
        assert reported["place"] == "pier/east/1"
        shown = pier("run", "show", "pier/east", "--json").json["posts"][0]["state"]
        assert reported["state"] == shown
        return reported["state"]

    assert state("pack", "pier/east/1") == state("note", "pier/east/1", "knot on the house side")
    tightened = state("tighten", "pier/east/1", "--torque", "20Nm")
    state("undo", "pier")
    assert state("redo", "pier") == tightened
    state("trim", "pier/east/1")
    state("photo", "pier/east/1", "one.jpg")
    assert state("skip", "pier/east/1", "no rod yet") == "skipped"


def test_a_lot_that_goes_out_answers_with_what_is_left(pier: Callable[..., Any]) -> None:
    first = pier("stock", "list", "--json").json["lots"][0]
    reported = pier("stock", "out", first["lot"], "1", "--json").json
    assert (reported["lot"], reported["left"], reported["state"]) == (
        first["lot"],
        first["count"] - 1,
        "in the box",
    )
    reported = pier("stock", "out", first["lot"], "--json").json
    assert (reported["left"], reported["state"]) == (0, "used up")


def test_a_table_of_readings_exits_as_its_worst_reading_would(
    pier: Callable[..., Any], tmp_path: Path
) -> None:
    pier("stock", "out", "F1")
    for lot in pier("stock", "list", "--json").json["lots"]:
        pier("stock", "out", lot["lot"])
    single = pier("read", "pier/east/2", "6n10h").code
    table = tmp_path / "readings.csv"
    table.write_text("post,entry\n3,6n10h\n")
    assert pier("read", "pier/east", "--table", str(table)).code == single == 1


def test_an_empty_import_says_so(pier: Callable[..., Any], tmp_path: Path) -> None:
    (tmp_path / "nothing.jsonl").write_text("")
    assert "the file has no events" in pier("import", str(tmp_path / "nothing.jsonl")).out


@pytest.mark.parametrize(
    "words",
    [
        ("job", "list"),
        ("run", "show", "pier/east"),
        ("stock", "list"),
        ("stock", "export", "-"),
        ("instrument", "list"),
        ("settings",),
        ("read", "pier/east/1", "6n10h"),
        ("note", "pier/east/1", "knot"),
        ("record", "pier/east"),
        ("export", "-"),
    ],
)
def test_a_mistyped_data_file_makes_neither_file_nor_folder(
    shimfit: Callable[..., Any], tmp_path: Path, words: tuple[str, ...]
) -> None:
    ran = shimfit(*words, "--db", str(tmp_path / "typo" / "site.db"))
    assert ran.code == 4
    assert "there is no data file" in ran.err
    assert not (tmp_path / "typo").exists()


@pytest.mark.parametrize("words", [("job", "list"), ("stock", "list"), ("instrument", "list"), ("settings",)])
def test_before_anything_is_begun_there_is_nothing_to_show_and_none_is_made(
    shimfit: Callable[..., Any], tmp_path: Path, words: tuple[str, ...]
) -> None:
    assert shimfit(*words, "--json").code == 0
    assert list(tmp_path.iterdir()) == []


def test_lengths_may_have_seventeen_digits(shimfit: Callable[..., Any]) -> None:
    reported = shimfit("solve", "6n10h", "--height", SENT, "--foot", "90x90mm", "--json").json
    assert reported["post"]["height_mm"] == 1117.5999999999999


@pytest.mark.parametrize(
    ("now", "before"),
    [
        ("solve 6n10h --height 1m --foot 90x90mm --rod-hole 20mm", "--rod-hole>--rod"),
        ("rails pier/east --at 900mm --rail-depth 90mm", "--rail-depth>--depth"),
        ("rails pier/east --at 900mm --opening 1m", "--opening>--limit"),
        ("rails pier/east --at 900mm --corner-deg 45", "--corner-deg>--turn"),
        ("due pier/east --due-days 90", "--due-days>--every"),
        (
            f"{MAKEUP} --bed-height 1=5mm",
            "--bed-height>--bed",
        ),
    ],
)
def test_an_options_earlier_name_means_the_same(
    pier: Callable[..., Any], now: str, before: str, capsys: pytest.CaptureFixture[str]
) -> None:
    for post in ("2", "3"):
        pier("read", f"pier/east/{post}", "1/4n3/8h", "--sure")
    new, old = before.split(">")
    first, second = pier(f"{now} --json"), pier(f"{now.replace(f'{new} ', f'{old} ')} --json")
    assert first.code in (0, 1)
    assert (first.code, first.out) == (second.code, second.out)
    with pytest.raises(SystemExit):
        pier(f"{now.split(maxsplit=1)[0]} --help")
    assert f"{old} " not in capsys.readouterr().out
