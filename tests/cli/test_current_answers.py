"""Answers are current or absent, walked by command: what is typed, and what every command says after it."""

from __future__ import annotations

import io
import re
from typing import TYPE_CHECKING, Any

import pytest

from shimfit.store.merge import export_text, import_text
from shimfit.text.glyphs import ASCII
from shimfit.tui.plain import run_plain
from shimfit.tui.session import Session
from shimfit.workflow.layout import set_option
from shimfit.workflow.reading import answer_missing
from shimfit.workflow.site import Place, Site

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

BOX = "lot,form,count,thickness_mm\nF1,flat,12,0.4\nF2,flat,12,0.6\nF3,flat,12,1\n"


@pytest.fixture
def type_(after: Callable[..., Any], tmp_path: Path) -> Callable[..., Any]:
    """Types a command on a run of three posts with an empty box; gives its exit code and its JSON."""
    laid = "run new lake/walk --length 2400mm --every 1200mm --foot 90x90mm --height 1000mm"
    shimfit = after("job new lake", laid)
    (tmp_path / "box.csv").write_text(BOX)
    (tmp_path / "record.csv").touch()

    def typed(*words: str) -> Any:
        ran = shimfit(*words)
        return ran.code, ran.json if "--json" in words else ran.out + ran.err

    return typed


def shown(type_: Callable[..., Any], post: str) -> dict[str, Any]:
    return next(row for row in type_("run", "show", "lake/walk", "--json")[1]["posts"] if row["post"] == post)


def recorded(type_: Callable[..., Any], post: str) -> dict[str, Any]:
    return next(row for row in type_("record", "lake/walk", "--json")[1]["posts"] if row["post"] == post)


def test_packed_after_it_was_plumb_it_is_to_be_read_again(type_, tmp_path) -> None:
    type_("stock", "import", str(tmp_path / "box.csv"))
    type_("read", "lake/walk/3", "8n 3o")
    code, reported = type_("read", "lake/walk/3", "0.5n 0", "--json", "--sure")
    assert (code, reported["state"], reported["answer"], reported["decision"]) == (0, "plumb", None, "plumb")
    assert recorded(type_, "3")["decision"] == "plumb"
    _, reported = type_("pack", "lake/walk/3", "next-out=F1", "--json")
    assert (reported["state"], reported["decision"], reported["next"]) == (
        "tighten & re-read",
        "none",
        "tighten",
    )
    row = recorded(type_, "3")
    assert (row["state"], row["decision"], row["probability"], row["after"]) == (
        "tighten & re-read", "none", None, None
    )  # fmt: skip
    assert (row["changed"], row["history"][-1]["decision"]) == ("packed", "plumb"), "history, no result"
    _, paper = type_("record", "lake/walk")
    assert "0 of 3 posts proven plumb" in paper
    assert "to be read again: packed since it was read; before that plumb" in paper
    _, rails = type_("run", "show", "lake/walk")
    assert "tighten & re-read" in rails


def test_a_post_that_was_moved_since_it_was_read_says_so(type_) -> None:
    type_("read", "lake/walk/2", "12n 0")
    assert type_("run", "move", "lake/walk/2", "--at", "1250mm")[0] == 0
    _, paper = type_("record", "lake/walk")
    assert "2: not verified: read before it was moved; to be read again" in paper


def test_what_was_read_out_and_never_packed_counts_as_out(type_) -> None:
    type_("read", "lake/walk/2", "12n 0")
    assert "1 out of plumb" in type_("record", "lake/walk")[1]


def test_a_box_that_was_filled_answers_every_post_at_once(type_, tmp_path) -> None:
    for post in ("1", "2"):
        code, reported = type_("read", f"lake/walk/{post}", "8n 3o", "--json")
        assert (code, reported["answer"]["status"], reported["next"]) == (1, "impossible", "no pack")
    assert shown(type_, "1")["state"] == "out of plumb"
    _, reported = type_("stock", "import", str(tmp_path / "box.csv"), "--json")
    assert reported["answered"] == ["lake/walk/1", "lake/walk/2"]
    for post in ("1", "2"):
        row = shown(type_, post)
        assert (row["state"], row["next"], len(row["prescribed"]) > 0) == ("pack", "pack", True)
    with Site.open(tmp_path / "test.db", environment={}) as site:
        session = Session(site, ASCII)
        session.go(Place("lake", "walk", "1"))
        assert session.view is not None
        assert session.view.do.startswith("Pack")


def test_what_is_thrown_out_of_the_box_is_not_asked_for_any_more(type_, tmp_path) -> None:
    type_("stock", "import", str(tmp_path / "box.csv"))
    type_("read", "lake/walk/1", "8n 3o")
    used = {piece["lot"] for pack in shown(type_, "1")["prescribed"] for piece in pack["pieces"]}
    lot = min(used)
    _, said = type_("stock", "out", lot, "--json")
    assert said["answered"] == ["lake/walk/1"]
    row = shown(type_, "1")
    assert row["next"] == "pack"
    assert lot not in {piece["lot"] for pack in row["prescribed"] for piece in pack["pieces"]}


def test_a_lot_added_in_plain_mode_answers_the_posts_that_are_not_in_view_too(type_, tmp_path) -> None:
    for post in ("1", "2"):
        type_("read", f"lake/walk/{post}", "8n 3o")
    with Site.open(tmp_path / "test.db", environment={}) as site:
        said = io.StringIO()
        typed = f"open lake/walk\nload {tmp_path / 'box.csv'}\nrun\nq\n"
        run_plain(site, stdin=io.StringIO(typed), stdout=said, ascii=True)
        assert said.getvalue().count(": pack") >= 2
        assert [post.next_step for post in site.run("lake", "walk").posts[:2]] == ["pack", "pack"]


def test_a_changed_tolerance_makes_a_new_answer_and_drops_the_old_one(type_, tmp_path) -> None:
    type_("stock", "import", str(tmp_path / "box.csv"))
    type_("read", "lake/walk/1", "4n 0")
    assert shown(type_, "1")["next"] == "pack"
    with Site.open(tmp_path / "test.db", environment={}) as site:
        at = Place("lake", "walk", "1")
        set_option(site, "lake", "walk", "tolerance", "1:200")
        post = site.post(at)
        assert (post.answer, post.next_step, post.lean_now[1]) == (None, "ask", "as read")
        assert answer_missing(site) == ([at], [])
        assert site.post(at).next_step == "tighten", "4 mm are within 1:200 as it stands"


OAK = "lot,form,count,length_mm,width_mm,thickness_mm\nS1,strip,2,900,60,20\n"


@pytest.mark.parametrize(
    ("before", "change"),
    [
        ((), ("settings", "saw_deg", "0.5 1 1.5")),
        ((), ("settings", "foresight", "no")),
        ((("settings", "torque_nm", "30"),), ("settings", "timber", "Western Cedars")),
        ((("settings", "timber", "Western Cedars"),), ("settings", "torque_nm", "30")),
    ],
)
def test_a_changed_setting_that_has_a_say_makes_a_new_answer(type_, tmp_path, before, change) -> None:
    type_("stock", "import", str(tmp_path / "box.csv"))
    for words in before:
        type_(*words)
    type_("read", "lake/walk/1", "8n 3o")
    type_("settings", "theme", "dark")
    with Site.open(tmp_path / "test.db", environment={}) as site:
        first = site.post(Place("lake", "walk", "1")).prescription_event
    _, said = type_(*change)
    with Site.open(tmp_path / "test.db", environment={}) as site:
        second = site.post(Place("lake", "walk", "1"))
        assert second.prescription_event != first
        assert second.answer is not None
        assert answer_missing(site) == ([], []), "once is enough"
    assert "new answer for lake/walk/1" in said


def test_a_saw_that_can_be_set_serves_the_post_that_no_pack_could(type_, tmp_path) -> None:
    (tmp_path / "strips.csv").write_text(OAK)
    type_("stock", "import", str(tmp_path / "strips.csv"))
    _, reported = type_("read", "lake/walk/1", "40n 15o", "--json", "--sure")
    assert (reported["next"], reported["answer"]["status"]) == ("no pack", "impossible")
    type_("settings", "saw_deg", "0.5 1 1.5 2")
    assert shown(type_, "1")["next"] == "pack"
    type_("undo", "box")
    assert shown(type_, "1")["next"] == "no pack", "taken back, it can't be sawn any more"


@pytest.mark.parametrize(("option", "text"), [("kerf", "6mm"), ("rule", "2u"), ("layout", "tripod"),
                                              ("height", "1100mm"), ("rod", "next=4mm")])  # fmt: skip
def test_a_changed_option_of_the_run_drops_the_answer_on_every_machine(type_, tmp_path, option, text) -> None:
    type_("stock", "import", str(tmp_path / "box.csv"))
    type_("read", "lake/walk/1", "8n 3o")
    at = Place("lake", "walk", "1")
    with (
        Site.open(tmp_path / "test.db", environment={}) as site,
        Site.open(tmp_path / "other.db", environment={}, options={"saw_deg": "1 2"}) as other,
    ):
        set_option(site, "lake", "walk", option, text)
        import_text(other.journal, export_text(site.journal, "lake"), "lake.jsonl")
        assert site.post(at).answer is other.post(at).answer is None
        assert site.post(at).next_step == other.post(at).next_step == "ask"
        answer_missing(site)
        assert site.post(at).answer is not None
        import_text(other.journal, export_text(site.journal, "lake"), "lake.jsonl")
        assert other.post(at).answer == site.post(at).answer
        assert answer_missing(other) == ([], []), (
            "another crew's answer is theirs: its saw and box are not ours"
        )


def test_wood_that_another_post_was_promised_is_told_when_it_is_cut(type_, tmp_path) -> None:
    taper = "lot,form,count,length_mm,thin_mm,thick_mm,thickness_mm\nT1,taper,2,120,0.5,4,\n"
    (tmp_path / "taper.csv").write_text(taper)
    type_("stock", "import", str(tmp_path / "taper.csv"))
    assert type_("read", "lake/walk/1", "0 12o")[0] == 0
    assert type_("read", "lake/walk/3", "0 21o")[0] == 0
    type_("read", "lake/walk/2", "0 12h", "--sure")
    _, said = type_("pack", "lake/walk/2", "next-house=T1@110mm", "prev-house=T1@110mm")
    assert "no answer any more for lake/walk/1, lake/walk/3: `shimfit plan" in said
    assert shown(type_, "1")["next"] == "no pack"
    assert "twice" not in type_("stock", "list")[1]
    assert "packs put in at walk/2" in type_("undo", "lake")[1], "not what two posts were answered since"
    assert shown(type_, "1")["next"] == shown(type_, "3")["next"] == "pack"


@pytest.mark.parametrize("others", [False, True])
def test_a_taper_is_pushed_on_where_its_own_wood_goes_on(type_, tmp_path, others) -> None:
    (tmp_path / "taper.csv").write_text("lot,form,count,length_mm,thin_mm,thick_mm\nT1,taper,2,100,0.5,4\n")
    type_("stock", "import", str(tmp_path / "taper.csv"))
    type_("pack", "lake/walk/1", "next-out=T1@30mm", "next-house=T1@30mm")
    if others:
        type_("pack", "lake/walk/2", "next-out=T1.1-32@60mm", "next-house=T1.2-32@60mm")
    _, said = type_("read", "lake/walk/1", "6n 0", "--sure")
    assert ("mm more)" in said) is not others
    type_("pack", "lake/walk/1")
    assert "twice" not in type_("stock", "list")[1]


def test_once_a_cut_is_taken_back_no_answer_names_what_was_left_of_it(type_, tmp_path) -> None:
    taper = "lot,form,count,length_mm,thin_mm,thick_mm,thickness_mm\nT1,taper,1,240,0.5,6,\nF1,flat,1,,,,1\n"
    (tmp_path / "taper.csv").write_text(taper)
    type_("stock", "import", str(tmp_path / "taper.csv"))
    type_("settings", "foresight", "no")

    def asked() -> list[dict[str, Any]]:
        posts = type_("run", "show", "lake/walk", "--json")[1]["posts"]
        return [piece for post in posts for pack in post["prescribed"] for piece in pack["pieces"]]

    type_("read", "lake/walk/2", "0 14o")
    type_("pack", "lake/walk/1", "out=T1@30mm")
    assert "T1.1-32" in {piece["lot"] for piece in asked()}
    type_("undo")
    assert {piece["lot"] for piece in asked()} <= {"T1", "F1"}


def test_of_a_taper_that_another_post_was_cut_from_the_page_says_what_the_sheet_says(type_, tmp_path) -> None:
    taper = "lot,form,count,length_mm,thin_mm,thick_mm,thickness_mm\nT1,taper,2,240,0.5,6,\n"
    (tmp_path / "taper.csv").write_text(taper)
    type_("stock", "import", str(tmp_path / "taper.csv"))
    type_("settings", "foresight", "no")
    for post, entry in (("1", "0 12o"), ("2", "0 18o")):
        type_("read", f"lake/walk/{post}", entry)
    assert type_("plan", "lake/walk")[0] == 0
    type_("pack", "lake/walk/1")
    asked = type_("run", "show", "lake/walk", "--json")[1]["posts"][1]["prescribed"]
    lots = {lot["lot"] for lot in type_("stock", "list", "--json")[1]["lots"]}
    assert {piece["lot"] for pack in asked for piece in pack["pieces"]} <= lots, "and so says the run"
    sheet, said = type_("cut", "lake/walk")[1], io.StringIO()
    marks = re.findall(r"T1\S* push to [\d.]+ mm.*", sheet)
    with Site.open(tmp_path / "test.db", environment={}) as site:
        run_plain(site, stdin=io.StringIO("next\nq\n"), stdout=said, ascii=True)
    assert {mark[:5] for mark in marks} == {"T1.1-", "T1.2-"}
    assert all(mark in said.getvalue() for mark in marks)


def test_options_of_a_run_are_changed_by_command_and_answered_anew(type_, tmp_path) -> None:
    type_("stock", "import", str(tmp_path / "box.csv"))
    type_("read", "lake/walk/1", "8n 3o")
    change = ("--kerf", "3mm", "--rod-at", "next=4mm", "--tolerance", "1:300 each way", "--rule", "2u")
    _, said = type_("run", "set", "lake/walk", *change)
    assert "new answer for lake/walk/1" in said
    _, reported = type_("run", "show", "lake/walk")
    assert "tolerance 1:300 in each direction" in reported
    assert "rod off the middle: next=4 mm, saw cuts 3 mm wide" in reported
    _, reported = type_("run", "show", "lake/walk", "--json")
    assert (reported["kerf_mm"], reported["foot"]["rod_at_mm"]) == (3.0, [4.0, 0.0])
    assert reported["posts"][0]["next"] == "pack"
    _, listed = type_("job", "list")
    assert "tolerance 1:300 in each direction" in listed
    code, said = type_("run", "set", "lake", "--kerf", "3mm")
    assert (code, "say which" in said) == (2, True)


def test_what_a_wider_limit_made_needless_is_not_taken_to_have_gone_in(type_, tmp_path) -> None:
    type_("stock", "import", str(tmp_path / "box.csv"))
    type_("read", "lake/walk/1", "8n 3o")
    _, reported = type_("read", "lake/walk/1", "4n 0", "--json", "--sure")
    assert (reported["state"], reported["next"]) == ("out of plumb", "change packs")
    before, (_, box) = shown(type_, "1")["packs_in_place"], type_("stock", "list", "--json")
    type_("run", "set", "lake/walk", "--tolerance", "1:100")
    assert shown(type_, "1")["state"] == "plumb"
    _, reported = type_("tighten", "lake/walk/1", "--json")
    assert (reported["state"], reported["changed"]) == ("tighten & re-read", "tightened")
    assert shown(type_, "1")["packs_in_place"] == before
    assert type_("stock", "list", "--json")[1] == box


def test_on_the_limit_nobody_is_sent_to_turn_a_level_that_settles_nothing(type_, tmp_path) -> None:
    type_("stock", "import", str(tmp_path / "box.csv"))
    type_("read", "lake/walk/1", "8n 3o")
    _, said = type_("read", "lake/walk/1", "2n 0", "--sure")
    assert "2.0 mm off, allowed 2.0 mm, on the limit" in said
    assert "it lies on the limit, where no instrument helps" in said
    assert "Too close to call: what settles it is said below." in said
    assert "turned end for end" not in said


def test_too_close_lists_what_is_to_be_done_from_here_and_not_what_was(type_, tmp_path) -> None:
    type_("stock", "import", str(tmp_path / "box.csv"))
    type_("read", "lake/walk/1", "8n 3o")
    code, reported = type_("read", "lake/walk/1", "1.9n 0", "--json", "--sure")
    assert (code, reported["state"], reported["next"], reported["answer"]) == (
        0,
        "too close to call",
        "turn level",
        None,
    )
    _, said = type_("read", "lake/walk/1", "1.9n 0", "--sure")
    assert "read it afresh and between the marks too (strong, shy)" in said
    assert "turned end for end" not in said, "that would settle nothing"
    assert "No answer" not in said
    assert "Pack" not in said
    assert "mean of 2" in said
    assert recorded(type_, "1")["mean_of"] == shown(type_, "1")["mean_of"] == 2


def test_what_was_left_out_is_said_and_every_reading_stays(type_, tmp_path) -> None:
    type_("stock", "import", str(tmp_path / "box.csv"))
    for text in ("8n 3o", "0.5n 0", "0.5n 0", "4p 1h"):
        _, said = type_("read", "lake/walk/2", text, "--sure")
    assert "2 readings left out: contradicting those that count" in said
    row = recorded(type_, "2")
    assert row["readings"] == 4
    assert [one["counts"] for one in row["all_readings"]] == [False, False, False, True]
    out = tmp_path / "readings.csv"
    type_("record", "lake/walk", "--csv", str(out))
    assert all(text in out.read_text() for text in ("8n 3o", "0.5n 0", "4p 1h"))


def test_a_plan_is_the_answer_of_every_post_at_once(type_, tmp_path) -> None:
    for post in ("1", "2", "3"):
        type_("read", f"lake/walk/{post}", "6n 2o")
    type_("stock", "import", str(tmp_path / "box.csv"))
    _, plan = type_("plan", "lake/walk", "--seconds", "2", "--json")
    for post in plan["posts"]:
        row = shown(type_, post["id"])
        assert row["prescribed"] == post["packs"]
        assert row["next"] == "pack"
