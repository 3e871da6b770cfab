"""Packing as one reads from a scarce box: post 1 leaves what the posts to come will likely need."""

from __future__ import annotations

from pathlib import Path

import pytest

from shimfit.core.stock import lots_from_csv
from shimfit.model import Foot
from shimfit.workflow.reading import log_packs, log_reading
from shimfit.workflow.site import Place, Site
from shimfit.workflow.solving import is_scarce

READINGS = ["9mm n 12mm o", "10mm n 11mm o", "8mm n 12.5mm o"]
# Whoever takes a taper where flats would do leaves a later post without.
BOX = """lot,form,count,thickness_mm,length_mm,thin_mm,thick_mm,origin
F0,flat,4,0.8,,,,offcut
F1,flat,1,1.5,,,,bought
F2,flat,1,0.8,,,,bought
F3,flat,3,1.2,,,,bought
T0,taper,1,,120,0.5,3,offcut
"""


def served(tmp_path: Path, foresight: str) -> tuple[int, list[str]]:
    with Site.open(tmp_path / f"{foresight}.db", environment={}) as site:
        site.add_job("lake")
        posts = [{"name": str(k + 1), "leg": 1, "station_mm": 1200.0 * k} for k in range(len(READINGS))]
        site.add_run("lake", "walk", foot=Foot(90.0, 90.0), height_mm=1000.0, posts=posts)
        site.import_stock(lots_from_csv(BOX, "box"), "box")
        site.set("foresight", foresight)
        whys = []
        for k, text in enumerate(READINGS):
            at = Place("lake", "walk", str(k + 1))
            answer = log_reading(site, at, text).prescription
            assert answer is not None
            whys.append(answer.why or "")
            if answer.status in ("proven", "found"):
                log_packs(site, at)
        return sum(1 for post in site.run("lake", "walk").posts if post.packs_in_place), whys


@pytest.mark.slow
def test_foresight_serves_more_and_says_why(tmp_path: Path) -> None:
    without, _ = served(tmp_path, "no")
    with_it, whys = served(tmp_path, "yes")
    assert (without, with_it) == (2, 3)
    assert ["to come will likely need" in why for why in whys] == [True, True, False]


def test_a_full_box_is_not_planned_ahead_for() -> None:
    lots = lots_from_csv(BOX, "box")
    assert is_scarce(lots, 4)
    assert not is_scarce(lots, 1)
