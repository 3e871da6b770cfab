"""The box never lags the posts: what the log says went in has left it, what came out lies in it again."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from types import SimpleNamespace
from typing import TYPE_CHECKING, cast

import pytest

from shimfit.core.ledger import Ledger
from shimfit.core.objective import Minutes
from shimfit.core.stock import lots_from_csv
from shimfit.errors import UsageError
from shimfit.model import Foot, Lean, Lot, Pack, Piece, PostState, Prescription, Reading, Resting, Seat
from shimfit.quantities.typed import parse_tolerance
from shimfit.settings import Settings, minutes_of, parse_setting
from shimfit.standing import Making, PostRecord, RunState
from shimfit.tui import setting_up
from shimfit.workflow.packs import as_told, asks_again, awaited_packs
from shimfit.workflow.reading import (
    Asked,
    answer_now,
    log_packs,
    log_reading,
    log_tightened,
    log_trimmed,
)
from shimfit.workflow.site import Place, Site

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

BOX = """lot,form,count,thickness_mm
F1,flat,12,0.4
F2,flat,12,0.6
F3,flat,12,1
"""
AT = Place("lake", "walk", "1")


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    with Site.open(tmp_path / "box.db", environment={}) as opened:
        opened.add_job("lake")
        rows = [{"name": str(k), "leg": 1, "station_mm": 1200.0 * k} for k in (1, 2)]
        opened.add_run("lake", "walk", foot=Foot(90.0, 90.0), height_mm=1000.0, posts=rows)
        opened.import_stock(lots_from_csv(BOX, "box"), "box")
        yield opened


def held(site: Site) -> Counter[str]:
    """Flats in the box and under posts together."""
    found = Counter({lot.lot: lot.count for lot in site.box().lots})
    for post in site.run("lake", "walk").posts:
        found.update(piece.lot for pack in post.packs_in_place for piece in pack.pieces)
    return found


ALL = Counter(F1=12, F2=12, F3=12)


@pytest.mark.parametrize("then", ["trim", "tighten", "read", "halves", "bed after"])
def test_packs_that_are_taken_as_put_in_leave_the_box_at_once(site: Site, then: str) -> None:
    log_reading(site, AT, "8mm n 3mm o")
    assert site.post(AT).implied
    match then:
        case "trim":
            log_trimmed(site, AT)
            assert site.post(AT).changed == "packed and cut flush"
        case "tighten":
            log_tightened(site, AT)
        case "read":
            log_reading(site, AT, "0.5mm n 0", sure=True)
        case "halves":
            log_reading(site, AT, "0.5mm n", sure=True)
            assert (site.post(AT).packs_in_place, held(site)) == ((), ALL)
            log_reading(site, AT, "1mm o", sure=True)
        case "bed after":
            log_packs(site, AT)
            log_reading(site, AT, "4mm n 2mm o", Asked(bed=True), sure=True)
            assert site.post(AT).packs_in_place == ()
            assert {lot.lot: lot.count for lot in site.box().lots} == ALL
    if then != "bed after":
        assert site.post(AT).packs_in_place
    assert held(site) == ALL
    while site.journal.undo("lake", by=None) is not None and site.journal.jobs():
        if site.journal.jobs()[0].runs:
            assert held(site) == ALL, "what is taken back is taken back from the box too"
        else:
            break


# ---------------------------------------------------------------- prices


def test_packs_follow_the_prices_that_are_set_and_are_asked_again_for_others(site: Site) -> None:
    """A piece that takes a quarter of an hour is used where it must be; the old price, the old packs."""
    log_reading(site, AT, "9mm n 0")
    usual = site.post(AT).implied
    usual_pieces = sum(len(pack.pieces) for pack in usual)
    assert minutes_of(site.settings) == Minutes()
    site.set("minutes_piece", "15")
    assert asks_again(site, site.post(AT))
    dear = answer_now(site, AT)
    assert sum(len(pack.pieces) for pack in dear.packs) < usual_pieces
    assert dict(dear.cost.parts)["pieces"] == 15.0 * sum(len(pack.pieces) for pack in dear.packs)
    assert not asks_again(site, site.post(AT))
    site.set("minutes_piece", "0.5")
    assert asks_again(site, site.post(AT))
    assert answer_now(site, AT).packs == usual


def test_money_is_turned_into_minutes_by_what_an_hour_is_worth() -> None:
    prices = minutes_of(Settings(money_hour=45.0, money_flat=0.9, money_taper=1.5, money_strip_m=3.0))
    bought = prices.bought_flat, prices.bought_taper, prices.bought_strip_per_m
    assert bought == pytest.approx((1.2, 2.0, 4.0))
    with pytest.raises(UsageError, match="more than 0"):
        parse_setting("money_hour", "0")


# ---------------------------------------------------------------- where posts stand


def test_posts_that_leave_no_room_between_their_feet_are_refused_on_every_front(site: Site) -> None:
    """A wrong unit: 60 mm apart with feet of 90 mm, by command, on the screen and in plain mode alike."""
    answers = {"units": "mm", "job": "quay", "run": "walk", "legs": "3m", "every": "60mm", "foot": "90x90"}
    answers |= {"height": "1000mm", "tolerance": ""}
    rows = [{"name": str(k), "leg": 1, "station_mm": 60.0 * k} for k in range(3)]
    for lay_out in (
        lambda: setting_up.preview_words(site, answers),
        lambda: setting_up.add_run(site, answers),
        lambda: site.add_run("lake", "two", foot=Foot(90.0, 90.0), height_mm=1000.0, posts=rows),
    ):
        with pytest.raises(UsageError, match="leave no room between their feet: a wrong unit"):
            lay_out()
    assert [(job.name, job.runs) for job in site.jobs()] == [("lake", ("walk",))], "nothing was begun"
    setting_up.add_run(site, answers | {"every": "1m"})
    small = [row | {"foot": {"along_mm": 40.0, "across_mm": 40.0}} for row in rows]
    assert site.add_run("lake", "two", foot=Foot(90.0, 90.0), height_mm=1000.0, posts=small).posts


def test_of_a_lot_that_is_under_the_post_already_another_stretch_is_still_waited_for() -> None:
    """What comes out was cut: a correction that wants more of that lot cuts it anew; a flat only moves."""

    def packs(seat: Seat, *pieces: Piece) -> tuple[Pack, ...]:
        return (Pack(seat, 1.0, 1.0, (0.0, 0.0), pieces),)

    flat = Piece("F1", "flat", 0.5)
    under = packs(Seat.NEXT_OUT, Piece("T1", "taper", 1.0, mark_mm=20.0, copy=1), flat)
    anew = Piece("T1", "taper", 1.8, mark_mm=48.7, trim_tip_mm=22.5, copy=2)
    post = SimpleNamespace(packs_in_place=under, implied=packs(Seat.NEXT_HOUSE, anew, flat), making=Making())
    assert awaited_packs(cast("PostRecord", post)) == packs(Seat.NEXT_HOUSE, anew)
    on = replace(under[0].pieces[0], thickness_mm=1.9, mark_mm=50.0, trim_tip_mm=30.0)
    post = SimpleNamespace(packs_in_place=under, implied=packs(Seat.NEXT_OUT, on, flat), making=Making())
    behind = replace(on, trim_tip_mm=22.5)  # the mark was at 20, and the saw takes 2.5
    assert awaited_packs(cast("PostRecord", post)) == packs(Seat.NEXT_OUT, behind), "it is pushed on"


def test_a_taper_that_is_only_pushed_is_called_what_it_is_under_the_post_not_what_lies_in_the_box() -> None:
    def of_taper(mark_mm: float, tip_mm: float = 0.0, copy: int | None = None) -> Pack:
        piece = Piece("T1", "taper", 1.0, mark_mm=mark_mm, trim_tip_mm=tip_mm, copy=copy)
        return Pack(Seat.NEXT_OUT, 1.0, 1.0, (0.0, 0.0), (piece,))

    stock = Ledger([Lot("T1", "taper", 2, length_mm=200.0, thin_mm=0.5, thick_mm=6.0)])
    stock.take([("1", of_taper(20.0, copy=1)), ("2", of_taper(20.0, copy=2))])
    limit, foot, lean = parse_tolerance("1:500"), Foot(90.0, 90.0), Lean(0.005, 0.0)
    on, read = (of_taper(50.0, 30.0),), Reading("5n 0", 0.005, 0.0, 1000.0)
    answer = Prescription(foot, 1000.0, lean, limit, on, Resting(Lean(0.0, 0.0), 0.0, 1.0), True, "found")
    post = PostRecord(
        name="1", leg=1, station_mm=0.0, kind="line", foot=foot, height_mm=1000.0, tolerance=limit,
        packs_in_place=(of_taper(20.0),), prescription=answer, prescription_is_current=True,
        state=PostState.OUT, readings=(read,), reading=read,
    )  # fmt: skip
    run = RunState("lake", "walk", foot, 1000.0, limit, posts=(post,))
    site = cast("Site", SimpleNamespace(box=lambda: SimpleNamespace(stock=stock)))
    assert as_told(site, run).posts == (post,)
    bare = replace(run, posts=(replace(post, packs_in_place=()),))
    told = as_told(site, bare).posts[0].prescription
    assert told is not None
    assert told.packs[0].pieces[0].lot == "T1.1-22", "where it is cut anew, from what is left"


def test_a_lot_is_taken_out_to_its_last_piece_and_no_further(site: Site) -> None:
    with pytest.raises(UsageError, match="only 12 of F1 are in the box, not 13"):
        site.out_of("F1", 13)
    assert site.out_of("F1", 12) == "F1: 0 left"
    assert [lot.count for lot in site.box().lots if lot.lot == "F1"] in ([], [0])


def test_a_post_that_the_box_cannot_serve_is_told_why_it_has_no_packs(site: Site) -> None:
    """It was read: to read it again would not help."""
    log_reading(site, AT, "45mm n 40mm o", sure=True)
    with pytest.raises(UsageError, match=r"for post 1: .* wants .*\. Get more, or say what went in"):
        log_packs(site, AT)
