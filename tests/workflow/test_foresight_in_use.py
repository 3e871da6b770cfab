"""Packing as one reads from a scarce box: post 1 leaves what the posts to come will likely need."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import pytest

from shimfit.core.stock import lots_from_csv
from shimfit.model import PLANNED, Foot, Prescription
from shimfit.standing import PostRecord
from shimfit.tui.background import Answering
from shimfit.workflow import plan, solving
from shimfit.workflow.reading import Asked, answer_missing, log_packs, log_reading, missing_answers
from shimfit.workflow.site import Place, Site
from shimfit.workflow.solving import is_scarce
from shimfit.workflow.tables import log_readings

READINGS = ["9mm n 12mm o", "10mm n 11mm o", "8mm n 12.5mm o"]
# Whoever takes a taper where flats would do leaves a later post without.
BOX = """lot,form,count,thickness_mm,length_mm,thin_mm,thick_mm,origin
F0,flat,4,0.8,,,,offcut
F1,flat,1,1.5,,,,bought
F2,flat,1,0.8,,,,bought
F3,flat,3,1.2,,,,bought
T0,taper,1,,120,0.5,3,offcut
"""


@contextmanager
def scarce(
    tmp_path: Path, foresight: str, readings: Sequence[str] = READINGS, box: str = BOX
) -> Iterator[Site]:
    with Site.open(tmp_path / f"{foresight}.db", environment={}) as site:
        site.add_job("lake")
        posts = [{"name": str(k + 1), "leg": 1, "station_mm": 1200.0 * k} for k in range(len(readings))]
        site.add_run("lake", "walk", foot=Foot(90.0, 90.0), height_mm=1000.0, posts=posts)
        site.import_stock(lots_from_csv(box, "box"), "box")
        site.set("foresight", foresight)
        yield site


def served(tmp_path: Path, foresight: str) -> tuple[int, list[str]]:
    """Two posts from offcuts and bought flats: whoever takes the cheapest leaves one without."""
    readings = ["6mm n 8mm o", "6mm n 6mm o"]
    box = "lot,form,count,thickness_mm,origin\nF0,flat,1,1,offcut\nF1,flat,3,0.4,bought\n"
    box += "F2,flat,3,0.5,bought\nF3,flat,3,1.5,offcut\n"
    with scarce(tmp_path, foresight, readings, box) as site:
        whys = []
        for k, text in enumerate(readings):
            at = Place("lake", "walk", str(k + 1))
            answer = log_reading(site, at, text).post.answer
            assert answer is not None
            whys.append(answer.why or "")
            if answer.status in ("proven", "found"):
                log_packs(site, at)
        return sum(1 for post in site.run("lake", "walk").posts if post.packs_in_place), whys


def test_foresight_serves_more_and_says_why(tmp_path: Path) -> None:
    without, _ = served(tmp_path, "no")
    with_it, whys = served(tmp_path, "yes")
    assert (without, with_it) == (1, 2)
    assert ["to come will likely need" in why for why in whys] == [True, False]


def test_a_full_box_is_not_planned_ahead_for() -> None:
    lots = lots_from_csv(BOX, "box")
    assert is_scarce(lots, 4)
    assert not is_scarce(lots, 1)


TABLE = "post,entry\n" + "".join(f"{k},{text}\n" for k, text in enumerate(READINGS, 1))


def test_the_posts_of_a_table_share_the_box_out(tmp_path: Path) -> None:
    """Answered one by one as the table has them, the last would find nothing left: see above."""
    with scarce(tmp_path, "no") as site:
        logged = log_readings(site, "lake", "walk", TABLE, "t.csv", sure=False)
        assert [one.message for one in logged] == ["logged, pack"] * 3
        assert {one.post.answer.why for one in logged if one.post.answer} == {PLANNED}
        # Each of them is its post's own answer: asked again for other prices and no sooner; to be followed.
        assert answer_missing(site) == ([], [])
        site.set("minutes_round", "9")
        assert missing_answers(site) == [one.place for one in logged]
        site.set("minutes_round", "8")
        for one in logged:
            log_packs(site, one.place)
        assert all(post.packs_in_place for post in site.run("lake", "walk").posts)


def test_posts_that_are_read_while_another_is_answered_share_the_box_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    let_go, work_out = threading.Event(), solving.prescription_for

    def slow(site: Site, place: Place, post: PostRecord) -> Prescription | None:
        assert let_go.wait(60.0)
        return work_out(site, place, post)

    with scarce(tmp_path, "no") as site:
        monkeypatch.setattr(solving, "prescription_for", slow)
        answering = Answering(site)
        for k, text in enumerate(READINGS, 1):
            at = Place("lake", "walk", str(k))
            log_reading(site, at, text, Asked(answer_later=True))
            assert not answering.ask(at)
        let_go.set()
        came: list[tuple[Place, str]] = []
        for _ in range(6000):
            came += answering.collect()
            if len(came) == len(READINGS):
                break
            time.sleep(0.01)
        assert [why for _, why in came] == [""] * 3
        whys = [(post.answer and post.answer.why) or "" for post in site.run("lake", "walk").posts]
        assert ["lanned with" in why for why in whys] == [False, True, True]


def test_a_table_is_on_disk_before_the_first_of_it_is_answered(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class CutShortError(Exception):
        pass

    def cut_short(*_: object, **__: object) -> None:
        raise CutShortError

    with scarce(tmp_path, "no") as site:
        with monkeypatch.context() as cut:
            cut.setattr(plan, "plan_site_run", cut_short)
            cut.setattr(solving, "prescription_for", cut_short)
            with pytest.raises(CutShortError):
                log_readings(site, "lake", "walk", TABLE, "t.csv", sure=False)
        posts = site.run("lake", "walk").posts
        assert [post.reading.text for post in posts if post.reading] == READINGS
        assert not any(post.answer for post in posts)


def test_what_is_logged_while_a_table_is_planned_is_not_overwritten(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plans, at = plan.plan_site_run, Place("lake", "walk", "2")

    def meanwhile(site: Site, *asked: str, **how: object) -> plan.RunPlan:
        made = plans(site, *asked, **how)  # type: ignore[arg-type]
        log_packs(site, at, ())
        return made

    with scarce(tmp_path, "no") as site:
        monkeypatch.setattr(plan, "plan_site_run", meanwhile)
        log_readings(site, "lake", "walk", TABLE, "t.csv", sure=False)
        assert [bool(post.implied) for post in site.run("lake", "walk").posts] == [True, False, True]
        assert all(
            post.answer is None or post.answer.why != PLANNED for post in site.run("lake", "walk").posts
        )
