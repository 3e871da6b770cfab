"""What the command line promises to scripts: keys, meanings and exit codes, each by the real commands."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

ONE = ("solve", "10mm n 5mm o", "--height", "1000mm", "--foot", "100x100mm")
HEADER = "lot,form,material,count,length_mm,width_mm,thickness_mm,thin_mm,thick_mm,origin,note\n"
ERROR_KEYS = {"kind", "message", "at"}


def box(tmp_path: Path, rows: str, header: str = HEADER) -> str:
    file = tmp_path / "box.csv"
    file.write_text(header + rows, encoding="utf-8")
    return str(file)


def test_one_post_has_every_key_of_the_contract(shimfit: Callable[..., Any]) -> None:
    reported = shimfit(*ONE, "--json").json
    assert {
        *("schema", "entry", "understood", "post", "lean", "pivot", "gap_mm", "edges", "packs", "change"),
        *("resting", "tolerance", "within", "status", "why", "cost", "cautions"),
    } <= set(reported)
    assert reported["gap_mm"] == pytest.approx(
        {
            "prev-house": 0,
            "next-house": 1.0,
            "prev-out": 0.5,
            "next-out": 1.5,
            "next": 1.25,
            "out": 1.0,
            "prev": 0.25,
            "house": 0.5,
        }
    )
    assert reported["edges"]["next"] == {"from": "next-house", "from_mm": 1.0, "to": "next-out", "to_mm": 1.5}
    assert all(pack["made_mm"] == pack["need_mm"] and pack["pieces"] == [] for pack in reported["packs"])


@pytest.mark.parametrize(
    ("entry", "pivot"),
    [("10mm n 5mm o", "prev-house"), ("10mm n 0", "prev"), ("0 5mm h", "out"), ("plumb", None)],
)
def test_the_pivot_is_a_corner_a_face_or_nothing(
    shimfit: Callable[..., Any], entry: str, pivot: str | None
) -> None:
    reported = shimfit("solve", entry, "--height", "1000mm", "--foot", "100x100mm", "--json").json
    assert reported["pivot"] == pivot


def test_a_round_foot_has_eight_seats_no_pivot_and_no_edges(shimfit: Callable[..., Any]) -> None:
    reported = shimfit("solve", "10mm n 5mm o", "--height", "1000mm", "--foot", "d100mm", "--json").json
    assert reported["pivot"] is None
    assert "edges" not in reported
    assert len(reported["gap_mm"]) == 8


def test_packs_in_place_give_new_totals_and_what_to_change(shimfit: Callable[..., Any]) -> None:
    now = "next-house=1,next-out=1.5,prev-out=0.5"
    ran = shimfit("solve", "2mm n 0", "--height", "1000mm", "--foot", "100x100mm", "--now", now, "--json")
    change = {one["seat"]: (one["from_mm"], one["to_mm"]) for one in ran.json["change"]}
    assert change == {"next-house": pytest.approx((1.0, 1.2)), "next-out": pytest.approx((1.5, 1.7))}


def test_within_tolerance_with_a_box_needs_no_packs(shimfit: Callable[..., Any], tmp_path: Path) -> None:
    stock = box(tmp_path, "F1,flat,oak,9,,,0.5,,,offcut,\n")
    ran = shimfit("solve", "1mm n 0", "--height", "1000mm", "--foot", "100x100mm", "--stock", stock, "--json")
    assert (ran.code, ran.json["packs"], ran.json["within"]) == (0, [], True)


@pytest.mark.parametrize("rows", ["", "F1,flat,oak,0,,,0.5,,,offcut,\n"])
def test_an_empty_box_is_told_as_impossible_and_exits_1(
    shimfit: Callable[..., Any], tmp_path: Path, rows: str
) -> None:
    ran = shimfit(*ONE, "--stock", box(tmp_path, rows), "--json")
    assert (ran.code, ran.json["status"], ran.json["within"]) == (1, "impossible", False)
    assert ran.json["why"]


def test_inch_columns_take_fractions(shimfit: Callable[..., Any], tmp_path: Path) -> None:
    shimfit(
        "stock", "import", box(tmp_path, "F1,flat,9,3/8,offcut\n", "lot,form,count,thickness_in,origin\n")
    )
    assert shimfit("stock list --json").json["lots"][0]["thickness_mm"] == pytest.approx(9.525)


def test_a_lot_is_called_as_the_box_calls_it_where_its_name_is_taken(shimfit: Callable[..., Any]) -> None:
    shimfit("stock", "add", "T1", "flat", "--count", "3", "--thickness", "2mm")
    note = ("--material", "HDPE", "--origin", "offcut", "--note", "was under a post")
    added = shimfit("stock", "add", "T1", "flat", "--count", "4", "--thickness", "3mm", *note)
    assert added.out.split()[:2] == ["T1", "(2)"]
    listed = shimfit("stock list").out
    assert added.out in listed
    assert "HDPE offcut; was under a post\n" in listed


def test_a_taper_is_listed_as_a_tape_reads_it_and_kept_exactly(shimfit: Callable[..., Any]) -> None:
    shimfit("stock", "add", "T1", "taper", "--length", "91.62mm", "--thin", "1.12mm", "--thick", "6mm")
    assert "1.12 to 6 mm over 91.5 mm" in shimfit("stock list").out
    assert shimfit("stock list --json").json["lots"][0]["length_mm"] == pytest.approx(91.62)


@pytest.mark.parametrize("size", ["nan", "inf", "1e400", "1e-400", "-2", "0", "0x10"])
def test_a_size_that_no_piece_has_is_refused_by_line_and_column(
    shimfit: Callable[..., Any], tmp_path: Path, size: str
) -> None:
    ran = shimfit("stock", "import", box(tmp_path, f"F1,flat,oak,1,,,{size},,,offcut,\n"), "--json")
    assert ran.code == 4
    assert set(ran.json["error"]) >= ERROR_KEYS
    assert "line 2, column thickness_mm" in ran.json["error"]["message"]
    assert shimfit("stock list --json").json["lots"] == []


@pytest.mark.parametrize(
    ("line", "code", "kind"),
    [
        ("solve '10mm n' --height 1000mm --foot 90x90mm", 2, "entry"),
        ("solve '10mm n 0' --height 0 --foot 90x90mm", 2, "entry"),
        ("solve '10mm n 0' --height 1e400 --foot 90x90mm", 2, "entry"),
        ("solve '10mm n 0' --height 1000mm --foot 0x90mm", 2, "entry"),
        ("solve '10mm n 0' --height 1000mm --foot 90x90mm --bogus", 2, "usage"),
        ("listen /nowhere/at-all", 3, "device"),
        ("stock import /nowhere/box.csv", 4, "file"),
        ("simulate --capture /nowhere/x.cap --seconds 1e400", 2, "usage"),
        ("run new lake/a --length 6m --every 0.001mm --foot 90x90mm --height 1000mm", 2, "usage"),
    ],
)
def test_every_refusal_has_its_kind_and_exit_code(
    shimfit: Callable[..., Any], line: str, code: int, kind: str
) -> None:
    shimfit("job new lake")
    ran = shimfit(f"{line} --json")
    assert (ran.code, ran.json["schema"], ran.json["error"]["kind"]) == (code, 1, kind)
    assert ran.json["error"]["message"] in ran.err


@pytest.fixture
def lake(after: Callable[..., Any]) -> Callable[..., Any]:
    """A run of two posts."""
    return after("job new lake", "run new lake/a --length 1200 --every 1200 --foot 90x90mm --height 1000mm")


def test_a_line_that_is_refused_in_its_second_entry_logs_nothing(lake: Callable[..., Any]) -> None:
    before = lake("record verify --json").json["log"]["events"]
    ran = lake("read", "lake/a/1", "9mm n 3mm o", "--mid", "6furlong n", "--json")
    assert ran.code == 2
    assert lake("record verify --json").json["log"]["events"] == before


def test_a_tolerance_that_is_none_names_the_forms_and_the_presets(shimfit: Callable[..., Any]) -> None:
    ran = shimfit(*ONE, "--tolerance", "bogus", "--json")
    assert ran.code == 2
    assert "1:500" in ran.json["error"]["message"]
    assert "steel-column" in ran.json["error"]["message"]


def test_a_bed_reading_is_no_reading_after_packing(lake: Callable[..., Any]) -> None:
    assert lake("read lake/a/1 '1mm n 0' --bed --rails-on").code == 2
    assert lake("read lake/a/1 '1mm n 0' --bed --after").code == 2


def test_a_skipped_post_says_why(lake: Callable[..., Any]) -> None:
    assert lake("skip", "lake/a/1", " ").code == 2
    assert lake("skip", "lake/a/1", "no rod yet").code == 0


def test_an_instrument_that_nobody_entered_is_pointed_out(lake: Callable[..., Any]) -> None:
    ran = lake("read lake/a/1 '1mm n 0' --instrument level-Q --json")
    assert ran.code == 0
    assert "level-Q is not entered" in ran.err
    assert ran.json["reading"]["instrument"] == "level-Q"


def test_the_record_has_a_row_a_post_with_the_promised_keys(lake: Callable[..., Any]) -> None:
    lake("read", "lake/a/1", "0.2mm n 0", "--by", "the crew")
    reported = lake("record lake/a --json").json
    assert {"schema", "job", "run", "posts", "log"} <= set(reported)
    row = reported["posts"][0]
    assert {
        *("post", "state", "before", "after", "tolerance", "decision", "probability", "packs", "rounds"),
        *("torque", "notes"),
    } <= set(row)
    assert {
        *("slope_along", "slope_across", "top_along_mm", "top_across_mm", "u_along_mm", "u_across_mm"),
        *("time", "by", "instrument", "method"),
    } <= set(row["before"] or row["after"])


@pytest.fixture
def listening(tmp_path: Path) -> Iterator[subprocess.Popen[bytes]]:
    """`listen` on a pseudo-terminal on which nothing ever comes."""
    ours, theirs = os.openpty()
    words = [
        sys.executable,
        "-m",
        "shimfit",
        "listen",
        os.ttyname(theirs),
        "--capture",
        str(tmp_path / "c.cap"),
    ]
    child = subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
    yield child
    child.kill()
    child.communicate()
    os.close(ours)
    os.close(theirs)


@pytest.mark.parametrize(("sent", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)])
def test_a_stopped_listener_says_which_signal(
    listening: subprocess.Popen[bytes], tmp_path: Path, sent: signal.Signals, code: int
) -> None:
    assert listening.stdout is not None
    assert listening.stdout.readline(), "the first line about the link"
    listening.send_signal(sent)
    assert listening.wait(20) == code
    assert (tmp_path / "c.cap").read_bytes().startswith(b"# shimfit capture 1")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
@pytest.mark.parametrize("more", [(), ("--json",)])
def test_an_answer_that_can_not_be_written_is_a_file_error_in_one_sentence(more: tuple[str, ...]) -> None:
    with Path("/dev/full").open("w") as full:
        ran = subprocess.run(
            [sys.executable, "-m", "shimfit", *ONE, *more],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert ran.returncode == 4
    assert ran.stderr.strip().startswith("shimfit: the disk is full: the answer was not written")
    assert "Traceback" not in ran.stderr
