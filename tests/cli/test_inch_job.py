"""A whole job in inches by command: nothing that a person reads is in millimetres; JSON keys stay `_mm`."""

from __future__ import annotations

import csv
import io
import re

import pypdf
import pytest

from shimfit.quantities import shown

STOCK = "fixtures/stock/porch_box_inch.csv"
MAKEUP = (
    "makeup pier/porch --top 46 --rail 4 --rail-depth 3.5 --hole 1.25 --washer 1 --washer-hole 9/16 "
    "--washer-thick 1/8 --nut 7/16 --past 1/4 --below deck=1 --clamp 4000 --washer-allows 20 --foot-allows 3"
)
JOB = (
    "settings units inch",
    "job new pier --units inch",
    f"stock import {STOCK}",
    "stock list",
    "stock add S1 strip --length 30 --width 1-1/2 --thickness 1/2",
    "stock add Q9 flat --thickness 2.5",  # asks for a wrong unit
    "instrument add level-A --kind level --length 48in --graduation 1/16in",
    "instrument list",
    (
        "run new pier/porch --length 20ft --every 6ft --foot 3.5x3.5in --corner-foot 5.5x5.5in --height 44in "
        "--tolerance 1:500 --units inch --opening 52 --due-days 30"
    ),
    "run show pier/porch",
    "run insert pier/porch --at 90",
    "run move pier/porch/2a --at 92",
    "run remove pier/porch/2a",
    "read pier/porch/1 '1/4n3/8h'",
    "read pier/porch/2 '1/8n 1/16o' --mid '1/8n 0'",
    "read pier/porch/3 '1/8p'",
    "read pier/porch/3 '1/16h'",
    "read pier/porch/4 '1-1/2n 7/8o' --sure",  # more than the box can do
    "plan pier/porch --seconds 2",
    "cut pier/porch",
    "rails pier/porch --at 6,40 --rail-depth 3.5",
    "rails pier/porch --at 60",  # above the posts
    "lineup pier/porch --off 2=1/8",
    "lineup pier/porch --off 2=30",  # no line
    MAKEUP,
    MAKEUP.replace("--rail 4", "--rail 0").replace("--hole 1.25", "--hole 4"),
    "kit pier/porch --posts 1",
    "pack pier/porch/1",
    "tighten pier/porch/1",
    "read pier/porch/1 '1/64n 0'",
    "pack pier/porch/2 next-out=B1@9",  # past the taper's end
    "pack pier/porch/2 next-out=A1",
    "tighten pier/porch/2 --torque '30 lbf ft'",
    "tighten pier/porch/2 --torque '900 lbf ft'",  # asks for a wrong unit
    "read pier/porch/2 '7/8n 3/4o'",  # worse than before: asks
    "read pier/porch/2 '1/16n 0'",
    "read pier/porch/2 '1/16n 0'",
    "job takeup pier",
    "instrument check level-A '1/8n 1/16o' '1/16n 0' --height 44in",
    "record pier/porch --all-readings",
    "due pier/porch --on 2030-01-01",
    "run show pier/porch",
    f"solve '1/4n3/8h' --height 44in --foot 3.5x3.5in --units inch --stock {STOCK}",
    f"solve '1/4n3/8h' --height 44 --foot 3.5x3.5 --units inch --stock {STOCK} --layout tripod",
    "solve '1/4n3/8h' --height 44 --foot 3.5x3.5 --units inch --now next=0.05",
    "stock list",
)
IN_MM = re.compile(r"\d ?mm\b|\bmm/m\b| mm\b|mm²|\bMPa\b|\bN[ ·]?m\b|\d N\b")


DONE: dict[str, str | bytes] = {}
"""What each command of the job said, and the data file after them, once they ran."""


@pytest.fixture
def reported(shimfit, tmp_path):
    """The whole job done, once in a process, and what each command said."""
    file = tmp_path / "test.db"
    if not DONE:
        DONE.update({command: ran.out + ran.err for command in JOB for ran in [shimfit(command)]})
        DONE["file"] = file.read_bytes()
    file.write_bytes(DONE["file"])
    return DONE


def test_nothing_that_is_told_in_an_inch_job_is_in_millimetres(shimfit, reported) -> None:
    metric = [f"{command}: {line}" for command in JOB for line in reported[command].splitlines()
              if IN_MM.search(line)]  # fmt: skip
    assert not metric, "\n".join(metric)
    assert all(reported[command].strip() for command in JOB), "a command that says nothing proves nothing"
    assert 'flat   3/32" thick' in reported["stock list"]
    assert 'post 46", rod ' in reported[MAKEUP]
    # 4003.4 N on 3.5 x 3.5 in less a hole of 14 mm; 1 lbf = 4.448222 N (NIST SP 811, Appendix B.8).
    assert "of 435 psi" in reported[MAKEUP]
    assert re.search(r"under the foot.*: 7\d of 435 psi \(1[5-9] %\)", reported[MAKEUP]), reported[MAKEUP]
    assert "tightened to 30 lbf ft" in reported["tighten pier/porch/2 --torque '30 lbf ft'"]
    assert "900 lbf ft is more" in reported["tighten pier/porch/2 --torque '900 lbf ft'"]
    assert 'at 44"' in reported["read pier/porch/1 '1/4n3/8h'"]
    assert shimfit("rails pier/porch --at 6 --json").json["rails"][0]["at_mm"] == pytest.approx(152.4)


@pytest.mark.usefixtures("reported")
def test_the_record_and_the_cut_sheet_on_paper_are_in_inches(shimfit, tmp_path) -> None:
    shimfit("read pier/porch/5 '5/16p 1/8o'")
    record, sheet = tmp_path / "record.pdf", tmp_path / "cut.pdf"
    assert shimfit("record", "pier/porch", "--pdf", str(record)).code in (0, 1)
    assert shimfit("cut", "pier/porch", "--pdf", str(sheet)).code == 0
    for paper in (record, sheet):
        pages = [page.extract_text() for page in pypdf.PdfReader(paper).pages]
        metric = [line for page in pages for line in page.splitlines() if IN_MM.search(line)]
        assert not metric, f"{paper.name}: {metric}"
        assert " in" in pages[0]


def test_what_a_person_typed_is_never_turned_into_inches(shimfit) -> None:
    for command in JOB[:2] + JOB[8:9]:
        assert shimfit(command).code == 0
    shimfit("note pier/porch/1 'board planed by 3 mm'")
    assert "board planed by 3 mm" in shimfit("record pier/porch").out


@pytest.mark.parametrize(
    ("said", "in_inches"),
    [
        ("only 1.3 mm inside", 'only 3/64" inside'),
        ("It wants packs of about 0.5, 1.2 and 2.38 mm", 'It wants packs of about 0.020", 3/64" and 3/32"'),
        ("±0.5 mm/m is assumed", "±0.006 in/ft is assumed"),
        ("on 900 mm² press 5.6 N/mm², such as 51 x 51 mm",
         'on 1.4 in² press 812 psi, such as 2.008" x 2.008"'),
        ("12 to 25.4 mm", '0.472" to 1"'),
        ("T3mm stays, post 2 of 5 too", "T3mm stays, post 2 of 5 too"),
    ],
)  # fmt: skip
def test_a_sentence_of_the_core_is_told_in_the_runs_unit(said: str, in_inches: str) -> None:
    # 1 in = 25.4 mm, 1 MPa = 145.038 psi: NIST SP 811, Appendix B.8.
    assert shown.sentence(said, "inch") == in_inches
    assert shown.sentence(said, "mm") == said


def test_rails_say_of_every_post_how_its_lean_is_known(shimfit, tmp_path) -> None:
    for command in (
        "job new pier",
        "run new pier/a --length 7.2m --every 1200 --foot 90x90mm --height 1m",
        "stock import fixtures/stock/boardwalk_box.csv",
        "read pier/a/1 '6mm n 4mm o'",  # packed and read: verified
        "read pier/a/1 '0 0.2mm o' --sure",
        "read pier/a/2 '6mm n 4mm o'",  # answered: predicted
        "read pier/a/3 '1mm n 0'",  # stands as it is: as read
        "read pier/a/4 '3mm n'",  # half
        "read pier/a/6 '6mm n 4mm o'",  # out after packing
        "read pier/a/6 '9mm n 4mm o' --sure",
        "read pier/a/7 '6mm n 4mm o'",
        "read pier/a/7 '0 0.2mm o' --sure",
    ):
        assert shimfit(command).code in (0, 1), command
    reported = shimfit("rails", "pier/a", "--at", "500", "--json", "--csv", str(tmp_path / "rails.csv"))
    assert reported.code == 0
    known = {post["post"]: (post["lean"], post["decision"]) for post in reported.json["posts"]}
    assert known == {
        "1": ("verified", "plumb"), "2": ("predicted", "none"), "3": ("as read", "none"),
        "4": ("unknown", "none"), "5": ("unknown", "none"), "6": ("verified", "out"),
        "7": ("verified", "plumb"),
    }  # fmt: skip
    rails = {(rail["from"], rail["to"]): rail["to_verify"] for rail in reported.json["rails"]}
    assert rails == {("1", "2"): ["2"], ("2", "3"): ["2", "3"], ("6", "7"): ["6"]}
    assert [(one["from"], one["to"]) for one in reported.json["unknown"]] == [
        ("3", "4"),
        ("4", "5"),
        ("5", "6"),
    ]
    assert "cut no rail" in reported.err
    assert "6 (verified, out of plumb)" in reported.err
    rows = list(csv.DictReader(io.StringIO((tmp_path / "rails.csv").read_text())))
    assert [(row["from"], row["to"], row["to_verify"]) for row in rows] == [
        ("1", "2", "2"), ("2", "3", "2 3"), ("6", "7", "6"),
        ("3", "4", "3 4"), ("4", "5", "4 5"), ("5", "6", "5 6"),
    ]  # fmt: skip
    assert [row["length_mm"] for row in rows[3:]] == ["", "", ""]
    lines = shimfit("rails pier/a --at 500").out
    assert "; 2 predicted, 3 as read: do not cut yet" in lines
    assert "; 6 verified but out of plumb: do not cut yet" in lines
    assert "no reading says how that stands now; read post 4, 5" in lines


def test_a_round_foot_is_worded_and_seats_are_taken_by_the_names_that_are_printed(shimfit) -> None:
    shimfit("job new pier --units inch")
    shimfit(f"stock import {STOCK}")
    shimfit("run new pier/ramp --stations 0,36 --foot d4in --height 44in --names gate,pier,lake,path")
    assert 'pier/ramp: foot 4" across, round, read at 44"' in shimfit("run show pier/ramp").out
    assert "lake/path is still to be read" in shimfit("read pier/ramp/2 1/8g").out
    shimfit("read pier/ramp/1 '1/4g 1/8l' --rocks pier-path=1/64")
    assert shimfit("pack pier/ramp/1 pier-lake=A1 Gate-Lake=A2 prev-house=A1").code == 0
    posts = shimfit("run show pier/ramp --json").json["posts"]
    assert [pack["seat"] for pack in posts[0]["packs_in_place"]] == ["prev-out", "next-out", "prev-house"]
    assert "the seats are pier-path, gate-path" in shimfit("pack pier/ramp/1 middle=A1").err


def test_a_record_states_what_was_read_between_the_marks(shimfit) -> None:
    shimfit("job new porch --units inch")
    shimfit("run new porch/front --length 8ft --every 4ft --foot 3.5x3.5 --height 44")
    shimfit("read", "porch/front/1", "13/64 n 7/32 h")
    shimfit("read", "porch/front/2", "1/16 strong n 3/32 o")
    said = shimfit("record porch/front").out
    assert 'next 13/64", house 7/32"' in said
    assert 'next 5/64", out 3/32"' in said
    assert "Tops in inches, to the nearest 1/64, towards the side named" in said
