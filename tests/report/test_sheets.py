import io
import re
from dataclasses import replace

import pypdf
import pytest

from shimfit.core.cautions import cautions_of
from shimfit.errors import UsageError
from shimfit.model import Foot, Lot
from shimfit.quantities.shown import mark
from shimfit.quantities.typed import parse_tolerance
from shimfit.report.sheets import cut_sheet_pdf
from shimfit.report.tables import SheetFacts
from shimfit.standing import RunState

RUN = RunState("North shore boardwalk", "Lake side", Foot(90.0, 90.0), 1000.0, parse_tolerance("1:500"))
FACTS = SheetFacts(RUN, made="2026-05-12T07:00:00+00:00")


def pack(seat, made, *pieces, purpose="lift"):
    at = [0.0, 45.0]
    return {
        "seat": seat,
        "purpose": purpose,
        "need_mm": made,
        "made_mm": made,
        "bears_at_mm": at,
        "pieces": list(pieces),
    }


def plan_of(posts):
    """A plan in the contract's form for an invented box: one strip, one taper lot of two, one flat lot."""
    sawn = {
        "lot": "S2",
        "form": "strip",
        "thickness_mm": 1.9,
        "thin_mm": 1.0,
        "thick_mm": 2.6,
        "saw_deg": 0.5,
    }
    answer = {"schema": 1, "status": "found", "unsolved": ["99"], "posts": [], "cuts": [], "remainders": []}
    pieces, at = [], 0.0
    for i in range(posts):
        taper = {
            "lot": "T1",
            "form": "taper",
            "thickness_mm": 1.0,
            "mark_mm": 29.4 + i,
            "trim_tip_mm": 0.0,
            "copy": 1 + i % 2,
        }
        flat = {"lot": "F2", "form": "flat", "thickness_mm": 0.49}
        answer["posts"].append(
            {
                "id": str(i + 1),
                "packs": [
                    pack("next-out", 1.49, taper, flat),
                    pack("out", 1.9, sawn),
                    pack("prev-out", 0.4, flat, purpose="fill"),
                ],
            }
        )
        at += 4.3
        pieces.append({"for": f"{i + 1}/out", "thin_mm": 1.0, "thick_mm": 2.6, "mark_along_mm": at})
    answer["posts"].append({"id": "plumb one", "packs": []})
    half = len(pieces) // 2
    answer["cuts"] = [
        {"strip": "S2", "saw_deg": 0.5, "pieces": pieces[: half or 1], "left_mm": 311.0},
        {"strip": "S3", "saw_deg": 1.0, "pieces": pieces[half:], "left_mm": 290.0},
    ]
    answer["remainders"] = [
        {
            "lot": "S2.1",
            "cut_from": {"lot": "S2", "copy": 1, "start_mm": 589.0},
            "form": "strip",
            "count": 1,
            "length_mm": 311.0,
            "width_mm": 60.0,
            "thickness_mm": 18.0,
        }
    ]
    return answer


def text_of(data):
    pages = pypdf.PdfReader(io.BytesIO(data)).pages
    return " ".join(" ".join(page.extract_text().split()) for page in pages)


def test_saw_settings_marks_and_caution_stand_in_it():
    text = text_of(cut_sheet_pdf(plan_of(4), FACTS))
    for said in (
        "Set the saw to 0.50° (half the taper)",
        "Set the saw to 1.00° (half the taper)",
        "turn the strip over after every cut",
        "at 2 saw settings: 0.50°, 1.00°",
        "Strip S2: 2 pieces, 311 mm left over",
        "NOT SERVED from this box: post 99",
        "T1 no. 2 30.5 post 2 next-out 1.00",
        "rest of S2 no. 1 from 589 mm, strip, 1×: length 311 mm, width 60 mm, thickness 18 mm",
        "Never hold a small offcut by hand near the blade",
        "Packs: 12, for 4 posts; 1 post without. To saw: 4 pieces",
    ):
        assert said in text, said


def test_marks_are_in_cutting_order_with_the_step_from_the_last():
    text = text_of(cut_sheet_pdf(plan_of(4), FACTS))
    first = text.index("1 4.30 4.30 post 1 out 1.00 2.60")
    second = text.index("2 8.60 4.30 post 2 out 1.00 2.60")
    assert first < second


def test_every_pack_has_a_label_with_post_seat_and_thickness():
    text = text_of(cut_sheet_pdf(plan_of(12), FACTS))
    labels = text[text.index("Pack labels") :]
    for post in range(1, 13):
        assert f"Post {post} next-out 1.49 mm lifts" in labels
        assert f"Post {post} prev-out 0.40 mm only fills" in labels
    assert "T1 no. 1 to mark 29.5 + F2 0.49, in from next" in labels, "a corner has two faces to push in from"
    assert "S2 wedge 1.00–2.60" in labels


def test_own_face_names_on_sheet_and_labels():
    names = (("next", "north"), ("prev", "south"), ("out", "lake"), ("house", "road"))
    text = text_of(cut_sheet_pdf(plan_of(2), SheetFacts(replace(RUN, face_names=names))))
    assert "post 1 north-lake" in text
    assert "Post 1 north-lake" in text


@pytest.mark.parametrize(("paper", "size"), [("a4", (595.28, 841.89)), ("letter", (612.0, 792.0))])
def test_long_plans_run_over_pages_of_the_paper_asked_for(paper, size):
    pages = pypdf.PdfReader(io.BytesIO(cut_sheet_pdf(plan_of(30), FACTS, paper=paper))).pages
    assert len(pages) > 4
    assert all([float(side) for side in page.mediabox[2:]] == pytest.approx(size, abs=0.5) for page in pages)


def test_an_empty_plan_makes_one_page():
    data = cut_sheet_pdf({"posts": [], "cuts": [], "remainders": []}, FACTS)
    assert len(pypdf.PdfReader(io.BytesIO(data)).pages) == 1


def test_same_plan_same_bytes():
    assert cut_sheet_pdf(plan_of(5), FACTS) == cut_sheet_pdf(plan_of(5), FACTS)


def test_unknown_paper_is_refused():
    with pytest.raises(UsageError):
        cut_sheet_pdf(plan_of(1), FACTS, paper="a3")


@pytest.mark.parametrize(
    ("mm", "said"),
    [
        (25.4, "1 (1.000)"),
        (25.4 * 1.15625, "1 5/32 (1.156)"),
        (12.7, "1/2 (0.500)"),
        (0.0, "0 (0.000)"),
        # 0.400 is nearest to 26/64, 0.266 is 1/64 past 1/4: the same words as on the screen.
        (0.400 * 25.4, "13/32 (0.400)"),
        (0.266 * 25.4, "1/4 strong (0.266)"),
        (25.4 * 0.99, "1 shy (0.990)"),
    ],
)
def test_marks_in_inches_are_named_as_the_tape_has_them(mm, said):
    assert mark(mm, "inch") == said


def test_marks_in_millimetres():
    assert mark(29.44, "mm") == "29.5"


def test_tapers_are_listed_by_piece_and_mark_with_what_is_trimmed():
    plan = plan_of(3)
    plan["posts"][0]["packs"][0]["pieces"][0] |= {"mark_mm": 72.9, "trim_tip_mm": 40.9}
    text = text_of(cut_sheet_pdf(plan, FACTS))
    assert text.index("T1 no. 1 31.5 post 3") < text.index("T1 no. 1 73 post 1 next-out 1.00 41")
    assert "T1 no. 1 to mark 73, tip cut off 41" in text


def test_a_plan_without_wedges_says_that_nothing_is_sawn():
    plan = plan_of(1)
    plan["cuts"] = []
    assert "No wedges to saw." in text_of(cut_sheet_pdf(plan, FACTS))


def test_answers_that_were_not_planned_together_are_alternatives_and_no_cut_sheet():
    plan = plan_of(2)
    plan["posts"][0]["packs"][0]["pieces"][0] |= {"mark_mm": 72.9, "trim_tip_mm": 40.9}
    taper = {"lot": "T1", "copy": 1, "mark_mm": 72.9, "trim_tip_mm": 40.9}
    plan["alternatives"] = [
        {"post": "1", "cuts": [], "tapers": [taper], "remainders": []},
        {"post": "2", "cuts": [], "tapers": [], "remainders": []},
    ]
    plan["cuts"] = []
    text = text_of(cut_sheet_pdf(plan, FACTS))
    assert "Not planned together: alternatives, no cut sheet" in text
    assert "Post 1: T1 no. 1 to 73, tip cut off 41" in text
    assert "Post 2: flats only" in text
    assert "Tapers: marks from the original thin end" not in text


def test_a_wedge_s_tip_to_cut_stands_on_table_and_label():
    plan = plan_of(1)
    pieces = plan["posts"][0]["packs"][0]["pieces"]
    cut = plan["cuts"][0]["pieces"][0]
    wedge = {"lot": "S1", "form": "strip", "thickness_mm": 1.2, "trim_tip_mm": 17.7, "saw_deg": 0.5}
    wedge |= {"thin_mm": cut["thin_mm"], "thick_mm": cut["thick_mm"]}
    pieces[:] = [wedge]
    cut["for"] = f"1/{plan['posts'][0]['packs'][0]['seat']}"
    document = pypdf.PdfReader(io.BytesIO(cut_sheet_pdf(plan, FACTS)))
    sheet, labels = (page.extract_text() for page in document.pages)
    assert "17.5" in sheet
    assert "tip cut off 17.5" in " ".join(labels.split())


def test_what_rots_is_warned_of_on_sheet_and_labels_and_each_page_of_labels_has_its_cautions():
    facts = replace(
        FACTS, lots=(Lot("T1", "taper", 2, material="cedar shingle"), Lot("F2", "flat", 9, material="hdpe"))
    )
    pages = [
        page.extract_text() for page in pypdf.PdfReader(io.BytesIO(cut_sheet_pdf(plan_of(30), facts))).pages
    ]
    labels = [" ".join(page.split()) for page in pages if "Pack labels" in page]
    assert len(labels) > 1
    for page in (" ".join(pages[0].split()), *labels):
        assert "cedar shingle: rots or creeps under a guard" in page
    for page in labels:
        for text in cautions_of("labels"):
            assert text in page


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_every_page_s_foot_is_black_whatever_was_filled_last(paper):
    # What was filled white on a page must not colour the foot that is written when all pages are there.
    document = pypdf.PdfReader(io.BytesIO(cut_sheet_pdf(plan_of(30), FACTS, paper=paper)))
    for page in document.pages:
        foot = page.get_contents().get_data().rpartition(b"/F")[2]
        assert re.search(rb"q 0(?:\.0+)? g BT|q 0 0 0 rg BT|q 0(?:\.0+)? g\s+BT", foot), foot[:200]


@pytest.mark.parametrize("units", ["mm", "inch"])
def test_no_tip_of_nothing_is_cut_off(units):
    """What no tape shows is neither in the table nor on the label."""
    plan = plan_of(1)
    plan["posts"][0]["packs"][0]["pieces"][0] |= {"trim_tip_mm": 0.1}
    text = text_of(cut_sheet_pdf(plan, replace(FACTS, run=replace(RUN, units=units))))
    assert "T1 no. 1" in text
    assert "tip cut off" not in text
