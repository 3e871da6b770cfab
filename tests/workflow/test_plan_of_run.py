"""Planning a run of the data file: who is planned, who is left alone, and what is kept of it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from shimfit.codec import read
from shimfit.core.planning.plan import Effort, Plan, plan
from shimfit.core.stock import lots_from_csv
from shimfit.errors import UsageError
from shimfit.model import Chance, Foot, Lot, Pack, PostState
from shimfit.text.glyphs import ASCII
from shimfit.text.phrases import Words, odds_briefly
from shimfit.text.plan_phrases import plan_lines
from shimfit.workflow.packs import awaited_packs, parse_packs
from shimfit.workflow.plan import cut_list_of, log_plan, plan_site_run, posts_to_plan
from shimfit.workflow.reading import log_packs, log_reading, log_tightened
from shimfit.workflow.site import Place, Site

if TYPE_CHECKING:
    from collections.abc import Iterator

THIN = "lot,form,count,thickness_mm\nF1,flat,6,0.5\nF2,flat,6,0.8\n"
THICK = "lot,form,count,length_mm,thin_mm,thick_mm\nT1,taper,6,200,0.5,8\n"


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    with Site.open(tmp_path / "plan.db", environment={}) as opened:
        opened.add_job("lake")
        posts = [{"name": str(k), "leg": 1, "station_mm": 1200.0 * k} for k in range(1, 5)]
        opened.add_run("lake", "walk", foot=Foot(90.0, 90.0), height_mm=1000.0, posts=posts)
        yield opened


def fill(site: Site, box: str) -> None:
    site.import_stock(lots_from_csv(box, "box"), "box")


def at(post: str) -> Place:
    return Place("lake", "walk", post)


def test_a_post_that_no_pack_could_serve_is_planned_once_the_box_was_filled(site: Site) -> None:
    fill(site, THIN)
    assert log_reading(site, at("1"), "25mm n 12mm o").post.answer.status == "impossible"
    assert site.post(at("1")).state is PostState.OUT
    first = plan_site_run(site, "lake", "walk")
    assert first.answer["unsolved"] == ["1"]
    assert "packs of about" in first.answer["why"]["1"]
    fill(site, THICK)
    made = plan_site_run(site, "lake", "walk")
    assert made.answer["unsolved"] == []
    assert log_plan(site, "lake", "walk", made) == 1
    assert site.post(at("1")).state is PostState.PACK
    assert site.post(at("1")).prescription.take_up == pytest.approx(0.9), "as an answer of its own keeps it"
    assert [post["id"] for post in cut_list_of(site, "lake", "walk")["posts"]] == ["1"]


def test_a_post_that_is_out_on_its_packs_is_changed_there_and_not_planned(site: Site) -> None:
    fill(site, THICK)
    log_reading(site, at("1"), "9mm n 6mm o")
    log_packs(site, at("1"))
    log_reading(site, at("1"), "9mm p 0", sure=True)
    post = site.post(at("1"))
    assert (post.state, bool(post.packs_in_place)) == (PostState.OUT, True)
    assert posts_to_plan(site.run("lake", "walk")) == ()
    with pytest.raises(UsageError, match="no post waits for packs"):
        cut_list_of(site, "lake", "walk")


def test_a_bare_post_that_was_tightened_and_is_out_is_planned_and_cut_for(site: Site) -> None:
    fill(site, THICK)
    log_reading(site, at("1"), "1mm n 0")
    log_tightened(site, at("1"))
    log_reading(site, at("1"), "9mm n 6mm o", sure=True)
    assert site.post(at("1")).state is PostState.OUT
    log_plan(site, "lake", "walk", plan_site_run(site, "lake", "walk"))
    sheet = cut_list_of(site, "lake", "walk")
    assert [bool(post["packs"]) for post in sheet["posts"]] == [True]
    assert sheet["unsolved"] == []


def test_a_reading_after_no_pack_can_do_it_is_again_of_a_bare_post(site: Site) -> None:
    fill(site, THIN)
    log_reading(site, at("1"), "25mm n 12mm o")
    again = log_reading(site, at("1"), "25mm n 12mm o", sure=True)
    assert again.post.packs_in_place == ()
    assert again.reading.stage == "stood"
    assert again.post.answer.change == ()


def test_a_post_that_the_plan_leaves_out_waits_for_nothing_that_others_have(site: Site) -> None:
    fill(site, "lot,form,count,thickness_mm\nF1,flat,2,0.9\nF2,flat,3,0.45\n")
    for name in ("1", "2", "3"):
        log_reading(site, at(name), "10mm n 0")
    made = plan_site_run(site, "lake", "walk")
    assert made.answer["unsolved"]
    log_plan(site, "lake", "walk", made)
    run = site.run("lake", "walk")
    taken = [piece.lot for post in run.posts for pack in awaited_packs(post) for piece in pack.pieces]
    assert taken.count("F1") <= 2
    assert taken.count("F2") <= 3
    sheet = cut_list_of(site, "lake", "walk")
    assert sheet["unsolved"] == made.answer["unsolved"]
    for name in sheet["unsolved"]:
        assert run.post(name).state is PostState.OUT
        assert made.answer["why"][name] in sheet["why"][name]
    assert [post.name for post in posts_to_plan(run)] == ["1", "2", "3"]
    site.undo("lake")
    assert all(
        post.state is not PostState.OUT or post.prescription.why for post in site.run("lake", "walk").posts
    )


def test_a_correction_holds_its_new_pieces_back_and_not_those_it_stands_on(site: Site) -> None:
    fill(site, "lot,form,count,thickness_mm\nF1,flat,4,0.5\nF2,flat,4,0.9\nF3,flat,4,0.3\n")
    log_reading(site, at("1"), "10mm n 0")
    log_packs(site, at("1"))
    log_reading(site, at("1"), "4mm n 0", sure=True)
    post = site.post(at("1"))
    assert post.state is PostState.OUT
    assert post.prescription is not None
    before = [piece.lot for pack in post.packs_in_place for piece in pack.pieces]
    after = [piece.lot for pack in post.prescription.packs for piece in pack.pieces]
    waits = [piece.lot for pack in awaited_packs(post) for piece in pack.pieces]
    assert waits, "a correction that wants more wants new pieces"
    for lot in ("F1", "F2", "F3"):
        assert waits.count(lot) >= after.count(lot) - before.count(lot)
        assert waits.count(lot) <= after.count(lot)


def test_strips_too_short_to_hold_are_named_with_the_reason(site: Site) -> None:
    header = "lot,form,count,length_mm,width_mm,thickness_mm,thin_mm,thick_mm\n"
    fill(site, f"{header}S1,strip,1,230,40,20,,\nS2,strip,1,600,40,20,,\nT1,taper,6,200,,,0.5,8\n")
    log_reading(site, at("1"), "9mm n 6mm o")
    without = cut_list_of(site, "lake", "walk")["unsawn"]
    assert [(row["strip"], "no saw settings are given" in row["why"]) for row in without] == [
        ("S1", True),
        ("S2", True),
    ]
    site.set("saw_deg", "0.5 1")
    (left,) = cut_list_of(site, "lake", "walk")["unsawn"]
    assert left["strip"] == "S1"
    assert "230 mm long" in left["why"]
    assert "250 mm have to stay" in left["why"]


def test_posts_that_share_a_strip_and_a_taper_are_packed_one_after_another(site: Site) -> None:
    header = "lot,form,count,length_mm,width_mm,thickness_mm,thin_mm,thick_mm\n"
    fill(site, f"{header}S1,strip,1,600,40,20,,\nT1,taper,1,200,,,0.5,8\nF1,flat,4,,,0.5,,\n")
    site.set("saw_deg", "0.5 1")
    readings = {"1": "9mm n 5mm o", "2": "8mm n 4mm o", "3": "6mm n 6mm o", "4": "10mm n 3mm o"}
    for name, text in readings.items():
        log_reading(site, at(name), text)
    made = plan_site_run(site, "lake", "walk")
    log_plan(site, "lake", "walk", made)
    served = [post["id"] for post in made.answer["posts"] if post["packs"]]
    sawn = [post["id"] for post in made.answer["posts"] if any(
        piece["form"] == "strip" for pack in post["packs"] for piece in pack["pieces"])]  # fmt: skip
    assert len(sawn) >= 2, "the case is of a strip that serves several posts"
    # One is packed by word, the others by what a reading implies; the sheet always knows what is left.
    assert log_packs(site, at(served[0])) == "packed as prescribed"
    assert len(cut_list_of(site, "lake", "walk")["posts"]) == len(served) - 1
    for name in served[1:]:
        log_reading(site, at(name), "0 0", sure=True)
        assert site.post(at(name)).state is PostState.PLUMB
    box = site.box()
    assert box.short == ()
    (strip,) = [lot for lot in box.lots if lot.form == "strip"]
    pieces = [piece for post in made.answer["posts"] for pack in post["packs"] for piece in pack["pieces"]]
    gone = sum((piece["thin_mm"] + piece["thick_mm"]) / 2 for piece in pieces if piece["form"] == "strip")
    assert 250 < strip.length_mm < 600 - gone


def test_a_taper_of_a_used_up_lot_is_pushed(site: Site) -> None:
    fill(site, "lot,form,count,length_mm,thin_mm,thick_mm\nT1,taper,2,200,0.8,8\n")
    log_reading(site, at("1"), "12mm n 0", sure=True)
    put = [f"{seat}=T1@30mm" for seat in ("next-house", "next-out")]
    log_packs(site, at("1"), parse_packs(put, Foot(90.0, 90.0), None, site.box().lots, "mm"))
    assert all(lot.count == 0 or "." in lot.lot for lot in site.box().lots)
    answer = log_reading(site, at("1"), "3.5mm n 0", sure=True).post.answer
    assert answer.within
    assert len(answer.change) == 2, "out by 1.5 mm more than allowed: leaving all as it is was no answer"
    for change in answer.change:
        assert change.push_mm == pytest.approx((change.to_mm - change.from_mm) / 0.036)
        assert change.push_mm > 0.0


def test_a_planned_row_says_what_the_next_reading_will_as_the_same_packs_alone_would(site: Site) -> None:
    site.set("foresight", "no")
    fill(site, THICK)
    alone = log_reading(site, at("1"), "12mm n 6mm o").post.answer
    made = plan_site_run(site, "lake", "walk")
    (row,) = made.answer["posts"]
    assert alone is not None
    assert alone.chance is not None
    assert read(tuple[Pack, ...], row["packs"]) == alone.packs
    assert row["chance"] == pytest.approx(alone.chance.plumb, abs=1e-9)
    assert 0.0 < row["odds"]["plumb"] < row["odds"]["turned"] < 1.0
    log_plan(site, "lake", "walk", made)
    logged = site.post(at("1")).answer
    assert logged is not None
    assert logged.chance == read(Chance, row["odds"]), "what is logged is what was shown"
    assert cut_list_of(site, "lake", "walk")["posts"][0]["odds"] == row["odds"]
    words = Words(site.run("lake", "walk"), ASCII)
    (headline,) = (text for text, _ in plan_lines(made.answer, words) if text.startswith("post 1"))
    assert headline == f"post 1  {odds_briefly(logged.chance).lower()}"


def test_what_is_told_to_buy_serves_all_however_little_time_there_is_to_plan_again(site: Site) -> None:
    fill(site, "lot,form,count,thickness_mm\nF1,flat,2,0.5\nF2,flat,2,0.8\n")
    for post, typed in (("1", "4mm n 6mm o"), ("2", "7mm p 3mm o"), ("3", "3mm n 8mm o")):
        log_reading(site, at(post), typed)
    first = plan_site_run(site, "lake", "walk")
    log_plan(site, "lake", "walk", first)
    assert first.answer["buy"]["serves"] == first.answer["unsolved"] != []
    given = {post["id"]: post["packs"] for post in first.answer["posts"]}
    assert any(given.values())
    bought = [Lot(**line["lot"] | {"count": line["count"]}) for line in first.answer["buy"]["lines"]]
    site.import_stock(bought, "shop")
    again = plan_site_run(site, "lake", "walk", stop=lambda: True)
    assert again.answer["unsolved"] == []
    kept = {post["id"]: post["packs"] for post in again.answer["posts"]}
    assert all(kept[post] == packs for post, packs in given.items()), "begun from what is on file"
    assert log_plan(site, "lake", "walk", again) == 3
    once_more = plan_site_run(site, "lake", "walk", stop=lambda: True)
    assert once_more.answer["posts"] == again.answer["posts"]


def test_a_plan_made_again_is_no_dearer_than_the_answers_on_file(
    site: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    fill(site, "lot,form,count,thickness_mm\nF1,flat,40,0.5\nF2,flat,40,0.8\nF3,flat,40,2\n")
    for post, typed in (("1", "4mm n 6mm o"), ("2", "7mm p 3mm o")):
        log_reading(site, at(post), typed)
    first = plan_site_run(site, "lake", "walk")
    log_plan(site, "lake", "walk", first)
    assert first.answer["unsolved"] == []

    def dearer(*given: Any, effort: Effort, **more: Any) -> Plan:
        done = plan(*given, effort=effort, **more)
        return done if effort.quick else replace(done, status="found", objective=done.objective + 5.0)

    monkeypatch.setattr("shimfit.workflow.plan.plan", dearer)
    again = plan_site_run(site, "lake", "walk")
    assert again.answer["objective"] == pytest.approx(first.answer["objective"])
    assert again.answer["posts"] == first.answer["posts"]
