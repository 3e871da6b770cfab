"""Rails, kit and make-up on paper say what the commands say, in one hand with the record."""

import io
import re
import shlex

import pypdf
import pytest

from shimfit.errors import Exit

RAILS = ("rails", "lake/walk", "--at", "150mm,900mm", "--rail-depth", "90mm", "--rail-thick", "40mm")
MAKEUP = tuple(
    shlex.split(
        "makeup lake/walk --top 1000mm --rail 80mm --rail-depth 90mm --hole 45mm --washer 40mm "
        "--washer-hole 13mm --washer-thick 3mm --nut 10mm --past 10mm --below joist=200mm --clamp 4000 "
        "--washer-allows 4 --foot-allows 2"
    )
)


@pytest.fixture
def lake(after):
    return after(
        "job new lake",
        "run new lake/walk --length 2.4m --turn 1.2m@-45 --every 1200mm --foot 90x90mm --height 1000mm "
        "--names=gate,pier,lake,path",
        *(f"read lake/walk/{post} '0 0' --after" for post in "123"),
    )


def text_of(file):
    reader = pypdf.PdfReader(io.BytesIO(file.read_bytes()))
    for page in reader.pages:
        sizes = {float(one) for one in re.findall(rb"/F\d+ ([\d.]+) Tf", page.get_contents().get_data())}
        assert min(sizes - {1.0}) >= 7.0
    return " ".join(" ".join(page.extract_text().split()) for page in reader.pages)


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_rails_on_paper_have_every_length_and_the_plan_mitre(lake, tmp_path, paper):
    file = tmp_path / "rails.pdf"
    ran = lake(*RAILS, "--pdf", str(file), "--paper", paper)
    assert ran.code == Exit.DONE
    text = text_of(file)
    for said in ran.out.splitlines():
        for figure in re.findall(r"(?:square|bevelled) ([\d.]+ mm)", said):
            assert figure in text
    assert "Rails at 150 mm" in text
    assert "1 – 2 1110.0 mm" in text
    assert "not known" in ran.out  # post 4 was not read: nothing is cut to it
    assert "do not design" not in text
    assert "page 1 of 1" in text


def test_a_corner_that_is_not_square_is_told_in_sentences_json_and_csv(lake, tmp_path):
    lake("read", "lake/walk/4", "0 0", "--after")
    ran = lake(*RAILS)
    assert "at 3 mitre 45.00° in plan, lake edge longer" in ran.out
    assert "a 40 mm rail fouls by 20.0 mm" in ran.out
    assert "-0.00°" not in ran.out
    assert "0.00° and 0.00°" in ran.out
    rail = lake(*RAILS, "--json").json["rails"][-1]
    assert rail["mitre_from_deg"] == pytest.approx(45)
    assert rail["fouls_mm"] == pytest.approx(20)
    assert rail["bevelled_mm"] - rail["square_mm"] == pytest.approx(40)
    head, *_, last = lake(*RAILS, "--csv", "-").out.split("\r\n")[:-1]
    row = dict(zip(head.split(","), last.split(","), strict=True))
    assert float(row["fouls_mm"]) == pytest.approx(20)
    file = tmp_path / "rails.pdf"
    lake(*RAILS, "--pdf", str(file))
    reported = (
        "mitre 45.00° in plan, lake edge longer: cut square at the middle's length a 40 mm rail fouls by 20.0"
    )
    assert reported in text_of(file)
    # Its thickness not given, a square cut is warned of all the same.
    assert "cut square it fouls the post" in lake(*RAILS[:6]).out


def test_make_up_on_paper(lake, tmp_path):
    file = tmp_path / "makeup.pdf"
    ran = lake(*MAKEUP, "--pdf", str(file))
    text = text_of(file)
    for said in (
        "4 posts and their rods.",
        "☐ 4 post 1000 mm",
        "348.5 mm",
        "3.56 of 4.00 MPa 89 %",
        "outer diameter of the washers 40 mm",
        "the rod passes joist 200 mm",
        "pull of the rod 4000 N",
    ):
        assert said in text, said
    assert "pressure under the washer: 3.56 of 4.00 MPa (89 %)" in ran.out


def test_kit_on_paper(lake, tmp_path):
    file, shop = tmp_path / "kit.pdf", tmp_path / "shop.csv"
    shop.write_text(
        "lot,form,count,thickness_mm,length_mm,thin_mm,thick_mm\nA,flat,1,1\nT,taper,1,,200,0.8,8\n"
    )
    ran = lake("kit", "lake/walk", "--fall", "0.02", "--posts", "1", "--shop", str(shop), "--pdf", str(file))
    text = text_of(file)
    lines = re.findall(r"^ +(\d+) × (.+)$", ran.out, re.MULTILINE)
    assert lines
    for count, what in lines:
        assert f"☐ {count} {what.replace(';', '')}" in text
    taper = next(what for _, what in lines if "taper" in what)
    count = next(int(count) for count, what in lines if what == taper)
    assert f"0.8 to 8 mm over 200 mm; {count * (200 + 2.5):g} mm" in taper, "each with its cut"
    assert "does not rot or creep" in text


@pytest.mark.parametrize("command", [RAILS, MAKEUP])
def test_two_answers_never_go_to_stdout(lake, command):
    ran = lake(*command, "--pdf", "-", "--json")
    assert ran.code == Exit.REFUSED
    assert "can go to stdout" in ran.err


def test_a_record_says_what_was_repeated_what_rocked_and_what_was_cut_flush(shimfit, tmp_path) -> None:
    shimfit("job new lake")
    shimfit("stock import fixtures/stock/boardwalk_box.csv")
    shimfit("run new lake/walk --length 1.2m --every 1.2m --foot 90x90mm --height 1000mm")
    for step in (
        "read lake/walk/1 '6mm n 4mm h' --rocks next-out=0.4mm",
        "read lake/walk/1 '7mm n 4mm h' --again",
    ):
        shimfit(step)
    assert shimfit("record lake/walk").out.count("mean of") == 1
    for step in (
        "pack lake/walk/1",
        "tighten lake/walk/1 --torque 40Nm",
        "trim lake/walk/1",
    ):
        shimfit(step)
    said = shimfit("record lake/walk").out
    assert "1: before packing, the mean of what was read: 6mm n 4mm h; 7mm n 4mm h" in said
    assert "1: next-out did not touch when 6mm n 4mm h was read, 0.4 mm free" in said
    assert shimfit("record lake/walk --json").json["posts"][0]["trimmed"] is True
    paper = tmp_path / "record.pdf"
    assert shimfit("record", "lake/walk", "--pdf", str(paper)).code == 0
    reported = " ".join(text_of(paper).split())
    assert "tightened to 40 N m, cut flush" in reported
    assert re.search("Packs are of ((HDPE|PVC|aluminium|ipe),? )+Program", reported)
    assert shimfit("undo lake").code == 0
    assert shimfit("record lake/walk --json").json["posts"][0]["trimmed"] is False
