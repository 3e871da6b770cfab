"""`shimfit solve` answers in the form that scripts rely on, and refuses in one sentence with its code."""

from __future__ import annotations

import math

import pytest

BOX = "fixtures/stock/boardwalk_box.csv"
ASKED = ("solve", "10mm n 5mm o", "--height", "1000mm", "--foot", "100x100mm", "--tolerance", "1:500")


def test_the_contract_example_without_a_box(shimfit) -> None:
    # Numbers: worked by hand from similar triangles. 10 mm in 1000 mm over a 100 mm foot lifts 1 mm.
    ran = shimfit(*ASKED, "--json")
    reported = ran.json
    assert ran.code == 0
    assert reported["schema"] == 1
    assert reported["understood"] == "top leans 10 mm towards next, 5 mm out"
    assert reported["post"] == {
        "foot_along_mm": 100,
        "foot_across_mm": 100,
        "height_mm": 1000,
        "rod_hole_mm": 14,
    }
    assert reported["lean"]["slope_along"] == pytest.approx(0.01, rel=1e-12)
    assert reported["pivot"] == "prev-house"
    gaps = {"prev-house": 0, "next-house": 1, "prev-out": 0.5, "next-out": 1.5}
    gaps |= {"next": 1.25, "out": 1.0, "prev": 0.25, "house": 0.5}
    assert reported["gap_mm"] == pytest.approx(gaps, abs=1e-12)
    assert reported["edges"]["out"] == {
        "from": "prev-out",
        "from_mm": pytest.approx(0.5),
        "to": "next-out",
        "to_mm": pytest.approx(1.5),
    }
    made = {pack["seat"]: (pack["made_mm"], pack["need_mm"], pack["pieces"]) for pack in reported["packs"]}
    assert made == {
        "next-house": (pytest.approx(1.0), pytest.approx(1.0), []),
        "prev-out": (pytest.approx(0.5), pytest.approx(0.5), []),
        "next-out": (pytest.approx(1.5), pytest.approx(1.5), []),
    }
    assert reported["resting"]["top_along_mm"] == pytest.approx(0, abs=1e-9)
    assert reported["resting"]["unique"] is True
    assert reported["tolerance"]["allowed_top_mm"] == pytest.approx(2.0)
    assert (reported["within"], reported["status"], reported["change"]) == (True, "proven", [])


def test_with_a_box_only_lots_of_the_box_are_used_and_marks_tell_their_thickness(shimfit) -> None:
    reported = shimfit(*ASKED, "--stock", BOX, "--json").json
    assert reported["status"] == "proven"
    assert reported["within"] is True
    tapers = {"T1": (0.5, 6.0, 200.0), "T2": (1.0, 7.0, 160.0), "T3": (0.8, 4.0, 120.0)}
    flats = {"F1": 0.5, "F2": 1.0, "F3": 2.0, "F4": 3.0, "F5": 0.8, "F6": 1.6}
    for pack in reported["packs"]:
        assert pack["made_mm"] == pytest.approx(sum(piece["thickness_mm"] for piece in pack["pieces"]))
        for piece in pack["pieces"]:
            if piece["form"] == "flat":
                assert piece["thickness_mm"] == flats[piece["lot"]]
                assert "mark_mm" not in piece
            else:
                thin, thick, length = tapers[piece["lot"]]
                at_mark = thin + (thick - thin) * piece["mark_mm"] / length
                assert piece["thickness_mm"] == pytest.approx(at_mark, abs=1e-9)
    top = math.hypot(reported["resting"]["top_along_mm"], reported["resting"]["top_across_mm"])
    assert top <= reported["tolerance"]["allowed_top_mm"]


def test_a_lean_within_tolerance_wants_nothing_from_the_box(shimfit) -> None:
    reported = shimfit("solve", "1mm n 1mm h", *ASKED[2:], "--stock", BOX, "--json").json
    assert reported["packs"] == []
    assert reported["within"] is True


def test_sentences_say_where_the_top_leans_and_which_edge_to_pack(shimfit) -> None:
    ran = shimfit(*ASKED, "--stock", BOX)
    assert ran.code == 0
    assert "TOP leans 10 mm" in ran.out
    assert "Pack the NEXT and OUT edges" in ran.out
    assert "Proven" in ran.out


def test_an_inch_entry_is_answered_with_a_box_in_inches(shimfit) -> None:
    ran = shimfit(
        'solve "1/4 next, 3/8 house" --height 44in --foot 3.5x3.5in --units inch '
        "--stock fixtures/stock/porch_box_inch.csv --json"
    )
    assert ran.code == 0
    assert ran.json["lean"]["slope_along"] == pytest.approx(0.25 / 44, rel=1e-12)
    assert ran.json["post"]["foot_along_mm"] == pytest.approx(88.9)


def test_packs_that_are_changed_say_the_face_that_their_bearing_is_reckoned_from(shimfit, tmp_path) -> None:
    """Of a corner's two faces: what is left of the lean may be lower on the other one."""
    flats = "".join(f"F{mm},flat,6,{mm}\n" for mm in (0.3, 0.5, 0.8, 1.5))
    (tmp_path / "box.csv").write_text(f"lot,form,count,thickness_mm\n{flats}")
    on = ("--now", "prev-out=0.5mm,next-out=2mm", "--stock", str(tmp_path / "box.csv"), "--json")
    answer = shimfit("solve", "3mm n 3mm o", "--height", "1000mm", "--foot", "140x140mm", *on).json
    (pack,) = (pack for pack in answer["packs"] if pack["seat"] == "next-out")
    assert (pack["bears_at_mm"], pack["enters"]) == ([70.0, 50.0], "out")


def test_a_box_that_cannot_do_it_says_which_seat_and_what_is_missing(shimfit, tmp_path) -> None:
    box = tmp_path / "thin.csv"
    box.write_text("lot,form,count,thickness_mm\nF1,flat,2,0.1\n")
    ran = shimfit(*ASKED, "--stock", str(box), "--json")
    assert ran.code == 1
    reported = ran.json
    assert reported["status"] == "impossible"
    assert reported["within"] is False
    assert "next-out" in reported["why"]


REFUSALS = [
    ("no direction", ["10mm", "--height", "1m", "--foot", "9x9mm"], "entry"),
    ("unknown unit", ["10furlongs n 0", "--height", "1m", "--foot", "90x90mm"], "entry"),
    ("half read", ["10mm n", "--height", "1m", "--foot", "90x90mm"], "entry"),
    ("height zero", ["10mm n 0", "--height", "0", "--foot", "90x90mm"], "entry"),
    ("height negative", ["10mm n 0", "--height=-5mm", "--foot", "90x90mm"], "entry"),
    ("height in no unit", ["10mm n 0", "--height", "3stone", "--foot", "90x90mm"], "entry"),
    ("foot with no area", ["10mm n 0", "--height", "1m", "--foot", "0x90mm"], "entry"),
    ("foot of one side", ["10mm n 0", "--height", "1m", "--foot", "90mm"], "entry"),
    ("hole as wide as the foot", ["10mm n 0", "--height", "1m", "--foot", "14x90mm"], "entry"),
    (
        "tolerance of nothing",
        ["10mm n 0", "--height", "1m", "--foot", "90x90mm", "--tolerance", "0mm/m"],
        "entry",
    ),
    ("no foot", ["10mm n 0", "--height", "1m"], "usage"),
    ("no such option", ["10mm n 0", "--height", "1m", "--foot", "90x90mm", "--depth", "3"], "usage"),
]


@pytest.mark.parametrize(("words", "kind"), [row[1:] for row in REFUSALS], ids=[row[0] for row in REFUSALS])
def test_refusals_are_one_sentence_with_exit_code_2(shimfit, words, kind) -> None:
    plain = shimfit("solve", *words)
    assert plain.code == 2
    assert plain.out == ""
    assert plain.err.startswith("shimfit: ")
    reported = shimfit("solve", *words, "--json")
    assert reported.code == 2
    assert reported.json["error"]["kind"] == kind
    assert reported.json["error"]["message"] in reported.err


def test_the_bad_spot_is_told_in_characters(shimfit) -> None:
    reported = shimfit("solve", "6mm n 10mm z", "--height", "44in", "--foot", "3.5x3.5in", "--json").json
    assert reported["error"]["at"] == 11


BAD_BOXES = [
    ("missing column", "lot,form,thickness_mm\nF1,flat,1\n", "count"),
    ("wrong number", "lot,form,count,thickness_mm\nF1,flat,3,1\nF2,flat,3,one\n", "line 3"),
    ("thin over thick", "lot,form,count,length_mm,thin_mm,thick_mm\nT1,taper,1,200,6,1\n", "line 2"),
    ("equal edges", "lot,form,count,length_mm,thin_mm,thick_mm\nT1,taper,1,200,3,3\n", "flat"),
    ("negative", "lot,form,count,thickness_mm\nF1,flat,3,-1\n", "line 2"),
    ("half a piece", "lot,form,count,thickness_mm\nF1,flat,2.5,1\n", "line 2"),
    ("unknown form", "lot,form,count,thickness_mm\nF1,round,2,1\n", "line 2"),
    ("twice", "lot,form,count,thickness_mm\nF1,flat,2,1\nF1,flat,2,1\n", "line 3"),
    ("empty file", "", "empty"),
]


@pytest.mark.parametrize(("text", "said"), [row[1:] for row in BAD_BOXES], ids=[row[0] for row in BAD_BOXES])
def test_a_bad_box_is_refused_whole_with_exit_code_4(shimfit, tmp_path, text, said) -> None:
    box = tmp_path / "box.csv"
    box.write_text(text)
    for command in (["solve", *ASKED[1:], "--stock", str(box)], ["stock", "import", str(box)]):
        ran = shimfit(*command)
        assert ran.code == 4
        assert said in ran.err
    assert shimfit("stock", "list", "--json").json["lots"] == []


def test_a_binary_file_and_a_missing_file_are_no_box(shimfit, tmp_path) -> None:
    box = tmp_path / "box.csv"
    box.write_bytes(b"lot,form,count\n\xff\xfe\x00\x01")
    ran = shimfit(*ASKED, "--stock", str(box), "--json")
    assert (ran.code, ran.json["error"]["kind"]) == (4, "file")
    assert "line 2" in ran.err
    missing = shimfit(*ASKED, "--stock", str(tmp_path / "none.csv"))
    assert missing.code == 4
    assert "none.csv" in missing.err


@pytest.mark.parametrize(
    ("entry", "mirrored"),
    [("10mm n 5mm o", "10mm p 5mm o"), ("10mm n 5mm o", "10mm n 5mm h"), ("10mm n 5mm o", "10mm p 5mm h")],
)
def test_mirror_images_are_answered_alike(shimfit, entry, mirrored) -> None:
    first = shimfit("solve", entry, *ASKED[2:], "--stock", BOX, "--json").json
    second = shimfit("solve", mirrored, *ASKED[2:], "--stock", BOX, "--json").json
    assert first["cost"]["total"] == pytest.approx(second["cost"]["total"], abs=1e-6)
    swap = {"next": "prev", "prev": "next"} if "p" in mirrored.split("mm")[1] else {}
    swap |= {"out": "house", "house": "out"} if mirrored.endswith("h") else {}

    def seat(name: str) -> str:
        return "-".join(swap.get(part, part) for part in name.split("-"))

    assert {seat(p["seat"]) for p in first["packs"]} == {p["seat"] for p in second["packs"]}
