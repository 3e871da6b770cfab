"""A post read again with nothing changed: the readings count together, and can settle what one could not."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from shimfit.errors import EntryError
from shimfit.model import Foot, PostState
from shimfit.quantities.typed import parse_tolerance
from shimfit.standing import TWO_MUST_AGREE
from shimfit.workflow.reading import log_packs, log_reading, log_tightened
from shimfit.workflow.site import Place, Site

AT = Place("lake", "walk", "1")


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    with Site.open(tmp_path / "repeat.db", environment={}) as opened:
        opened.add_job("lake")
        opened.add_run(
            "lake",
            "walk",
            foot=Foot(90.0, 90.0),
            height_mm=1000.0,
            tolerance=parse_tolerance("1:500"),
            posts=[{"name": "1", "leg": 1, "station_mm": 0.0}],
        )
        yield opened


def test_repeats_average_what_is_their_own_and_keep_what_they_share(site: Site) -> None:
    log_reading(site, AT, "1mm n 0")
    log_reading(site, AT, "2mm n 0", sure=True)
    one = site.post(AT).reading
    assert one is not None
    assert one.u_along is not None
    assert one.u_own_along is not None
    log_reading(site, AT, "1mm n 0", sure=True)
    both = site.post(AT).reading
    assert both is not None
    assert both.u_along is not None
    assert both.slope_along == pytest.approx(0.0015)
    assert both.text == "2mm n 0; 1mm n 0"
    shared = (one.u_along**2 - one.u_own_along**2) ** 0.5
    # Two readings 1 mm apart scatter more (0.707) than their own 0.289 says: the Birge ratio widens it.
    birge = ((0.5**2 + 0.5**2) / (1000 * one.u_own_along) ** 2) ** 0.5
    own = one.u_own_along / 2**0.5 * birge
    assert both.u_along == pytest.approx((shared**2 + own**2) ** 0.5, rel=1e-3)
    assert len(site.post(AT).readings) == 3


def test_reading_again_settles_what_was_too_close(site: Site) -> None:
    log_reading(site, AT, "9mm n 0")
    log_packs(site, AT, site.post(AT).packs_in_place)
    log_reading(site, AT, "1mm n 1mm o", sure=True)
    assert site.post(AT).state is PostState.TOO_CLOSE
    before = site.post(AT).verdict
    for text in ("1mm n 1mm o", "1mm n 0", "1mm n 0", "0 1mm o", "1mm n 0"):
        log_reading(site, AT, text, sure=True)
    after = site.post(AT)
    assert after.state is PostState.PLUMB
    assert before is not None
    assert after.verdict is not None
    assert (after.verdict.u or 0.0) < (before.u or 0.0)
    assert after.rounds == 1


def test_packs_changed_in_between_begin_a_new_count(site: Site) -> None:
    log_reading(site, AT, "1mm n 0")
    log_reading(site, AT, "2mm n 0", sure=True)
    log_tightened(site, AT)
    log_reading(site, AT, "0 0", sure=True)
    reading = site.post(AT).reading
    assert reading is not None
    assert (reading.text, reading.slope_along) == ("0 0", 0.0)


def _read_twice_against_each_other(site: Site) -> None:
    log_reading(site, AT, "9.5mm n 6.5mm o")  # from an empty box: no pack can do it
    log_tightened(site, AT)
    log_reading(site, AT, "2.2mm n 0.5mm o", sure=True)
    assert site.post(AT).state is PostState.TOO_CLOSE
    log_reading(site, AT, "0.5mm n 0.5mm o", sure=True)  # the nut was turned, and nobody said so


def test_a_reading_that_another_denies_proves_nothing_until_a_third_bears_it_out(site: Site) -> None:
    """Of two readings that can't be of one lean one is wrong, and nobody knows which."""
    _read_twice_against_each_other(site)
    post = site.post(AT)
    assert post.reading is not None
    assert post.reading.slope_along == 0.0005, "the latest is shown"
    assert (post.state, post.next_step) == (PostState.TOO_CLOSE, "read again")
    assert post.probability is None
    assert post.why == TWO_MUST_AGREE
    log_reading(site, AT, "0.4mm n 0.5mm o")  # asked for, so nobody asks whether it is so
    post = site.post(AT)
    assert (post.state, post.mean_of, post.contradicted) == (PostState.PLUMB, 2, 1)


def test_the_first_of_two_may_be_the_one_that_is_borne_out(site: Site) -> None:
    _read_twice_against_each_other(site)
    log_reading(site, AT, "2.2mm n 0.4mm o")
    post = site.post(AT)
    assert (post.mean_of, post.contradicted) == (2, 1)
    assert post.why != TWO_MUST_AGREE


def test_a_nut_that_was_turned_in_between_ends_the_contradiction(site: Site) -> None:
    _read_twice_against_each_other(site)
    log_tightened(site, AT)
    log_reading(site, AT, "0.5mm n 0.5mm o")
    assert site.post(AT).state is PostState.PLUMB


def test_a_repeat_that_cannot_be_of_the_same_lean_is_asked_about_however_small_it_is(site: Site) -> None:
    log_reading(site, AT, "9.5mm n 6.5mm o")
    log_tightened(site, AT)
    log_reading(site, AT, "0.3mm n 0.2mm o", sure=True)
    with pytest.raises(EntryError, match="nothing was done since"):
        log_reading(site, AT, "1.9mm n 0.2mm o")
    log_reading(site, AT, "0.5mm n 0.3mm o")  # as near as two readings of one level come
    assert site.post(AT).mean_of == 2


def test_one_that_lies_on_the_limit_is_denied_as_well(site: Site) -> None:
    """No finer level settles which of two is wrong; and the third, which was asked for, is not doubted."""
    log_reading(site, AT, "9.5mm n 6.5mm o")
    log_tightened(site, AT)
    log_reading(site, AT, "0.3mm n 0.2mm o", sure=True)
    log_reading(site, AT, "1.9mm n 0.2mm o", sure=True)
    assert site.post(AT).why == TWO_MUST_AGREE
    log_reading(site, AT, "0.4mm n 0.2mm o")
    post = site.post(AT)
    assert (post.state, post.mean_of, post.contradicted) == (PostState.PLUMB, 2, 1)
