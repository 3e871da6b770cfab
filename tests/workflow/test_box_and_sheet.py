"""Box, plan and cut sheet agree: plan, cut, pack every post, and hold the box against the sheet."""

from __future__ import annotations

import os
import random
import sqlite3
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import pytest

from shimfit.core.stock import lots_from_csv
from shimfit.errors import UsageError
from shimfit.model import Foot, Lot
from shimfit.text.plan_phrases import remainder
from shimfit.workflow.plan import cut_list_of, log_plan, lot_json, plan_site_run
from shimfit.workflow.reading import Asked, log_packs, log_reading
from shimfit.workflow.site import Place, Site

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

ROUNDS = int(os.environ.get("SHIMFIT_BOX_ROUNDS", "6"))
LOTS = """lot,form,count,length_mm,width_mm,thickness_mm,thin_mm,thick_mm
T1,taper,1,200,40,,0.8,8
T2,taper,3,250,40,,1,9
F1,flat,12,,,0.5,,
F2,flat,8,,,1,,
"""
STRIPS = """lot,form,count,length_mm,width_mm,thickness_mm,thin_mm,thick_mm
S1,strip,2,420,40,20,,
S2,strip,1,330,38,25,,
T1,taper,2,180,40,,0.5,7.5
F1,flat,6,,,0.8,,
"""
READINGS = ("8mm n 3mm o", "6mm n 10mm h", "3mm p 7mm o", "5mm n 5mm o", "9mm p 2mm h", "2mm n 8mm h")


def opened(folder: Path, posts: int) -> Site:
    site = Site.open(folder / "box.db", environment={})
    site.add_job("lake")
    rows = [{"name": str(k), "leg": 1, "station_mm": 1200.0 * k} for k in range(1, posts + 1)]
    site.add_run("lake", "walk", foot=Foot(90.0, 90.0), height_mm=1000.0, posts=rows)
    site.set("foresight", "no")  # what it leaves in the box is nothing to the sheet; one random box has it
    return site


def at(post: str) -> Place:
    return Place("lake", "walk", post)


def sizes(lots: Sequence[Lot]) -> list[tuple[str, float, float]]:
    """Tapers and strips of a box by what they are, whatever they are called."""
    found = [(lot.form, round(lot.length_mm or 0.0, 4), round(lot.thin_mm or 0.0, 4)) for lot in lots
             for _ in range(lot.count) if lot.form != "flat"]  # fmt: skip
    return sorted(found)


def hundredths(length_mm: float) -> int:
    return round(length_mm * 100)


def check_sheet(sheet: dict[str, Any], box: Sequence[Lot], kerf_mm: float = 2.5) -> None:
    """No stretch of a copy is cut twice, no strip is cut shorter than it can be held, no copy is made up."""
    count = {lot.lot: lot.count for lot in box}
    stretches: dict[tuple[str, int], list[tuple[int, int]]] = {}
    for row in sheet["tapers"]:
        copy = row["copy"] or 1
        assert copy <= max(count[row["lot"]], 1)
        ends = hundredths(row["trim_tip_mm"]), hundredths(row["mark_mm"] + kerf_mm)
        stretches.setdefault((row["lot"], copy), []).append(ends)
    for some in stretches.values():
        some.sort()
        assert all(one[1] <= other[0] for one, other in pairwise(some)), some
    for cut in sheet["cuts"]:
        assert cut["left_mm"] >= 250.0 - 1e-6


def plan(site: Site, readings: Sequence[str], *, answered: bool = True) -> dict[str, Any]:
    """Read all, each post answered by itself before the plan or not at all, and plan; what was planned."""
    for name, text in enumerate(readings, 1):
        log_reading(site, at(str(name)), text, Asked(answer_later=not answered), sure=True)
    made = plan_site_run(site, "lake", "walk", seconds=4.0 if answered else 0.5)
    log_plan(site, "lake", "walk", made)
    return made.answer


def walk(site: Site, answer: dict[str, Any], order: Sequence[str]) -> int:
    """Cut, pack all in an order; how many posts were planned."""
    planned = {post["id"] for post in answer["posts"] if post["packs"]}
    if not planned:
        return 0
    before = site.box().lots
    sheet = cut_list_of(site, "lake", "walk")
    assert sheet["planned"]
    assert sheet["alternatives"] == []
    check_sheet(sheet, before)
    assert sheet["remainders"] == answer["remainders"]
    whole = {lot.lot: lot.count for lot in before}
    cut = {(row["lot"], row["copy"]) for row in sheet["tapers"]}
    cut |= {(row["strip"], row.get("copy")) for row in sheet["cuts"]}
    for lot, _ in cut:
        whole[lot] -= 1
    for name in order:
        if name in planned:
            log_packs(site, at(name))
    box = site.box()
    kept = [Lot(**{**row_of(lot), "count": whole[lot.lot]}) for lot in before]
    back = [
        Lot(**{key: value for key, value in row.items() if key != "cut_from"}) for row in sheet["remainders"]
    ]
    assert sizes(box.lots) == sizes([*kept, *back])
    # What is pencilled on the wood is found in the box, whatever was packed first.
    ours = [lot_json(lot, box.stock) for lot in box.lots if lot.lot not in whole]
    pencilled = [
        sorted(remainder(row, "{:.1f} mm".format) for row in rows) for rows in (ours, sheet["remainders"])
    ]
    assert pencilled[0] == pencilled[1]
    assert len(set(pencilled[0])) == len(pencilled[0])
    assert {row["lot"] for row in ours} == {row["lot"] for row in sheet["remainders"]}, "one name on both"
    copies: dict[str, list[int]] = {}
    for post in answer["posts"]:
        for piece in (piece for pack in post["packs"] for piece in pack["pieces"] if "copy" in piece):
            named = copies.setdefault(piece["lot"], [])
            named += [piece["copy"]] if piece["copy"] not in named else []
    assert all(named == sorted(named) for named in copies.values()), "no. 1 is named before no. 2"
    assert box.taken_twice == ()
    assert box.short == ()
    return len(planned)


def row_of(lot: Lot) -> dict[str, Any]:
    return {name: getattr(lot, name) for name in lot.__slots__}


@pytest.mark.parametrize(("box", "saw"), [(LOTS, ""), (STRIPS, "0.5 1")])
def test_what_the_sheet_says_goes_back_is_what_the_box_holds(tmp_path: Path, box: str, saw: str) -> None:
    """Whatever is packed first."""
    with opened(tmp_path, 6) as site:
        if saw:
            site.set("saw_deg", saw)
        site.import_stock(lots_from_csv(box, "box"), "box")
        answer = plan(site, READINGS)
        other = tmp_path / "other.db"
        with sqlite3.connect(other) as copy:
            site.journal.db.backup(copy)
        copy.close()
        assert walk(site, answer, "123456") >= 3
    with Site.open(other, environment={}) as site:
        assert walk(site, answer, "642135") >= 3


def random_box(rng: random.Random) -> str:
    """A box of a size that a plan has to share: few tapers in lots of several, perhaps strips, some flats."""
    rows = ["lot,form,count,length_mm,width_mm,thickness_mm,thin_mm,thick_mm"]
    for k in range(rng.randint(1, 2)):
        thin = round(rng.uniform(0.3, 1.2), 2)
        thick = round(thin + rng.uniform(5.0, 9.0), 2)
        rows.append(
            f"T{k},taper,{rng.randint(1, 3)},{rng.choice([160, 190.5, 203.2, 240])},40,,{thin},{thick}"
        )
    rows += [
        f"S{k},strip,{rng.randint(1, 2)},{rng.randint(300, 420)},{rng.randint(36, 44)},20,,"
        for k in range(rng.randint(0, 2))
    ]
    rows += [
        f"F{k},flat,{rng.randint(1, 6)},,,{round(rng.uniform(0.2, 1.8), 2)},,"
        for k in range(rng.randint(1, 4))
    ]
    return "\n".join(rows) + "\n"


@pytest.mark.parametrize("number", range(ROUNDS))
def test_box_and_sheet_agree_in_random_boxes(tmp_path: Path, number: int) -> None:
    rng = random.Random(number)
    with opened(tmp_path, 4) as site:
        site.set("saw_deg", "0.5 1")
        site.set("foresight", "yes" if number % ROUNDS == 3 else "no")
        site.import_stock(lots_from_csv(random_box(rng), "box"), "box")
        readings = [
            f"{rng.randint(3, 11)}mm {rng.choice('np')} {rng.randint(0, 9)}mm {rng.choice('oh')}"
            for _ in "1234"
        ]
        order = list("1234")
        rng.shuffle(order)
        walk(site, plan(site, readings, answered=False), order)


def test_after_the_plan_was_packed_the_next_plan_starts_from_what_is_left(tmp_path: Path) -> None:
    """Copies keep their numbers: what one plan cut is not offered to the next, nor counted twice."""
    with opened(tmp_path, 6) as site:
        site.import_stock(lots_from_csv(LOTS, "box"), "box")
        for name, text in enumerate(READINGS[:3], 1):
            log_reading(site, at(str(name)), text)
        log_plan(site, "lake", "walk", plan_site_run(site, "lake", "walk", seconds=1.0))
        first = cut_list_of(site, "lake", "walk")
        log_packs(site, at("2"))  # one of three is packed, two still wait
        for name, text in enumerate(READINGS[3:], 4):
            log_reading(site, at(str(name)), text)
        sheet = cut_list_of(site, "lake", "walk")
        assert {post["id"] for post in first["posts"]} - {"2"} <= {post["id"] for post in sheet["posts"]}
        for post in sheet["posts"]:
            log_packs(site, at(post["id"]))
        box = site.box()
        assert box.taken_twice == ()
        assert box.short == ()


def test_a_wider_saw_cuts_otherwise(tmp_path: Path) -> None:
    """What a kerf takes is in the plan, on the sheet and in the box: 5 mm is not 2.5."""
    left = {}
    for kerf_mm in (2.5, 5.0):
        folder = tmp_path / str(kerf_mm)
        folder.mkdir()
        with opened(folder, 2) as site:
            site.change_run("lake", "walk", kerf_mm=kerf_mm)
            site.import_stock(lots_from_csv(LOTS, "box"), "box")
            log_reading(site, at("1"), READINGS[1])
            sheet = cut_list_of(site, "lake", "walk")
            assert sheet["tapers"]
            check_sheet(sheet, site.box().lots, kerf_mm)
            log_packs(site, at("1"))
            names = {row["lot"] for row in sheet["remainders"]}
            assert names <= {lot.lot for lot in site.box().lots}
            marks = {(row["lot"], row["copy"]): row["mark_mm"] for row in sheet["tapers"]}
            left[kerf_mm] = (
                marks,
                {
                    (row["cut_from"]["lot"], row["cut_from"]["copy"]): row["cut_from"]["start_mm"]
                    for row in sheet["remainders"]
                },
            )
    for kerf_mm, (marks, starts) in left.items():
        for (lot, copy), start_mm in starts.items():
            assert start_mm == pytest.approx(
                marks[lot, copy if (lot, copy) in marks else None] + kerf_mm, abs=0.01
            )


def test_only_the_stretch_that_a_post_waits_for_is_withheld_from_the_others(tmp_path: Path) -> None:
    """Two tapers, one for each corner, serve two posts, whichever of them is packed first."""
    box = "lot,form,count,length_mm,width_mm,thin_mm,thick_mm\nT1,taper,2,240,40,0.2,8\n"
    for order in ("12", "21"):
        folder = tmp_path / order
        folder.mkdir()
        with opened(folder, 2) as site:
            site.import_stock(lots_from_csv(box, "box"), "box")
            for name in "12":
                logged = log_reading(site, at(name), "7mm n 0" if name == "1" else "24mm n 0", sure=True)
                assert logged.post.answer is not None
                assert logged.post.answer.packs, (name, logged.post.answer.why)
            for name in order:
                log_packs(site, at(name))
            assert site.box().taken_twice == ()
            assert site.box().short == ()


def test_without_a_plan_each_answer_stands_by_itself(tmp_path: Path) -> None:
    with opened(tmp_path, 6) as site:
        site.import_stock(lots_from_csv(LOTS, "box"), "box")
        log_reading(site, at("1"), READINGS[1])
        alone = cut_list_of(site, "lake", "walk")
        assert (alone["planned"], alone["alternatives"]) == (False, [])
        assert alone["tapers"]
        for name, text in enumerate(READINGS[2:4], 2):
            log_reading(site, at(str(name)), text)
        several = cut_list_of(site, "lake", "walk")
        assert (several["cuts"], several["tapers"], several["remainders"]) == ([], [], [])
        assert not several["planned"]
        rows = several["alternatives"]
        assert [row["post"] for row in rows] == [post["id"] for post in several["posts"]]
        pieces = [(taper["lot"], taper["copy"] or 1) for row in rows for taper in row["tapers"]]
        assert pieces, "some answer cuts a taper"


def test_a_pack_of_ones_own_leaves_the_copies_that_others_wait_for(tmp_path: Path) -> None:
    from shimfit.workflow.packs import parse_packs

    with opened(tmp_path, 3) as site:
        site.import_stock(lots_from_csv(LOTS, "box"), "box")
        for name, text in enumerate(("5mm n 0", READINGS[0]), 1):
            log_reading(site, at(str(name)), text)
        waits = {(row["lot"], row["copy"]) for post in cut_list_of(site, "lake", "walk")["alternatives"]
                 for row in post["tapers"] if row["copy"]}  # fmt: skip
        log_reading(site, at("3"), READINGS[2])
        log_packs(
            site, at("3"), parse_packs(["prev-out=T2@60mm"], Foot(90.0, 90.0), None, site.box().lots, "mm")
        )
        whole = set(site.box().stock.copies("T2"))
        assert {copy for lot, copy in waits if lot == "T2"} <= whole
        assert len(whole) == 2


def test_there_is_no_sheet_where_no_post_waits(tmp_path: Path) -> None:
    with opened(tmp_path, 1) as site, pytest.raises(UsageError, match="no post waits for packs"):
        cut_list_of(site, "lake", "walk")
