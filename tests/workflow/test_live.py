"""At sensor rate: the same packs as the logged answer where nothing is scarce, then how far to push on."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from shimfit.core.stock import lots_from_csv
from shimfit.model import Foot, Lean, Seat
from shimfit.workflow.packs import options_of
from shimfit.workflow.reading import Asked, log_reading
from shimfit.workflow.site import Place, Site
from shimfit.workflow.solving import LivePacking

AT = Place("lake", "walk", "1")


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    with Site.open(tmp_path / "live.db", environment={}) as opened:
        opened.add_job("lake")
        opened.add_run(
            "lake",
            "walk",
            foot=Foot(100.0, 100.0),
            height_mm=1000.0,
            posts=[{"name": "1", "leg": 1, "station_mm": 0.0}],
        )
        box = "lot,form,count,length_mm,thin_mm,thick_mm\nT1,taper,9,200,0.5,6\n"
        opened.import_stock(lots_from_csv(box, "box"), "box")
        yield opened


def test_a_bare_post_is_answered_at_every_look_and_nothing_is_logged(site: Site) -> None:
    live = LivePacking(site, AT)
    before = site.journal.head
    first = live.look(Lean(0.012, 0.012))
    assert first.answer is not None
    assert first.answer.within
    assert first.answer.status != "proven"
    assert {pack.seat for pack in first.answer.packs} == {Seat.NEXT_HOUSE, Seat.PREV_OUT, Seat.NEXT_OUT}
    assert site.journal.head == before


def test_noise_does_not_make_the_answer_flicker(site: Site) -> None:
    live = LivePacking(site, AT)
    shown = [live.look(Lean(0.010 + 1e-5 * (-1) ** k, 0.005)).answer for k in range(6)]
    marks = [
        tuple(piece.mark_mm for pack in answer.packs for piece in pack.pieces) for answer in shown if answer
    ]
    assert len(marks) == 6
    assert len(set(marks)) == 1


def test_a_corner_that_will_be_logged_as_hanging_is_packed_in_the_live_answer_too(site: Site) -> None:
    """With the feeler counted: what is shown before Enter is for the post that the answer after it is for."""
    rocks, lean = ((Seat.NEXT_HOUSE, 0.5),), Lean(0.012, 0.006)
    wanted = {
        hangs: {pack.seat: pack.need_mm for pack in found.packs}
        for hangs in (False, True)
        if (found := LivePacking(site, AT, rocks if hangs else ()).look(lean).answer)
    }
    assert wanted[True][Seat.NEXT_HOUSE] == pytest.approx(wanted[False][Seat.NEXT_HOUSE] + 0.5, abs=1e-6)
    logged = log_reading(site, AT, "12mm n 6mm o", asked=Asked(rocks=rocks)).post.answer
    assert logged is not None
    assert {pack.seat: pack.need_mm for pack in logged.packs} == pytest.approx(wanted[True], abs=1e-6)


def test_a_lean_within_tolerance_asks_for_nothing(site: Site) -> None:
    advice = LivePacking(site, AT).look(Lean(0.001, 0.001))
    assert advice.within
    assert advice.answer is None
    assert advice.pushes == ()


def test_packs_that_are_short_say_how_far_to_push(site: Site) -> None:
    log_reading(site, AT, "10mm n 5mm o")
    advice = LivePacking(site, AT).look(Lean(0.0045, 0.0))
    # By hand: 4.5 mm/m over the 100 mm foot is 0.45 mm, 0.5 mm with the usual take-up of 0.9, under both
    # corners of the next edge; T1 gains 5.5 mm in 200: 18.2 mm further in. prev-out is as it should be.
    pushes = {push.seat: push for push in advice.pushes}
    assert set(pushes) == {Seat.NEXT_HOUSE, Seat.NEXT_OUT}
    for push in pushes.values():
        assert push.raise_mm == pytest.approx(0.5)
        assert push.push_mm == pytest.approx(0.5 * 200 / 5.5)
        assert push.lot == "T1"


def test_pieces_reach_as_far_in_as_timber_and_torque_ask(site: Site) -> None:
    run, settings = site.run("lake", "walk"), site.settings
    assert options_of(run, settings).min_inside_mm == 20.0
    soft = replace(settings, timber="Spruce-Pine-Fir")
    assert options_of(run, soft).min_inside_mm == 20.0  # without a torque nothing is known of the pull
    # 20 N·m on 12 mm, zinc plated: 20 000 ÷ (0.2 · 12) = 8333 N; a quarter on 40 mm at 1.9633 N/mm²: 26.5 mm.
    assert options_of(run, replace(soft, torque_nm=20.0)).min_inside_mm == pytest.approx(26.53, abs=0.01)
    assert options_of(run, soft, torque_nm=20.0).min_inside_mm == pytest.approx(26.53, abs=0.01)
    hard = options_of(run, soft, torque_nm=90.0)
    assert hard.inside_mm == hard.min_inside_mm == hard.bearing_mm == 32.0  # the longest that is pushed in
