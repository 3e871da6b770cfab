"""A post read again with nothing changed: the readings count together, and can settle what one could not."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from shimfit.codec import to_json
from shimfit.errors import EntryError, FileError
from shimfit.model import Foot, Lot, PostState, Reading, Seat
from shimfit.quantities.typed import parse_tolerance
from shimfit.standing import TWO_MUST_AGREE
from shimfit.workflow.reading import Asked, log_packs, log_reading, log_sensor_reading, log_tightened
from shimfit.workflow.site import Place, Site
from shimfit.workflow.tables import log_readings

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


# ---------------------------------------------------------------- read once more before the packs go in

AGAIN = Asked(again=True)


@pytest.fixture
def boxed(site: Site) -> Site:
    taper = Lot("T1", "taper", 6, thin_mm=0.4, thick_mm=5.0, length_mm=180.0)
    site.import_stock([taper, Lot("F1", "flat", 20, thickness_mm=0.5)], "")
    return site


def _count(site: Site) -> int:
    return sum(lot.count for lot in site.box().lots)


def test_read_once_more_before_packing_both_count_and_nothing_went_in(boxed: Site) -> None:
    log_reading(boxed, AT, "5n 7h")
    first, pieces = boxed.post(AT), _count(boxed)
    assert first.implied
    log_reading(boxed, AT, "5n 6h", AGAIN)
    post = boxed.post(AT)
    assert post.reading.slope_across == pytest.approx(-0.0065)
    assert (post.mean_of, post.rounds, post.packs_in_place, _count(boxed)) == (2, 0, (), pieces)
    assert post.state is PostState.PACK
    assert post.before == post.reading, "how it stood before it was packed is the mean of both"
    assert post.prescription_event != first.prescription_event, "packs go by the mean"
    assert not boxed.journal.standing(("observed",), "lake"), "the deck taught nothing"
    with Site.open(boxed.journal.path, environment={}) as reopened:
        assert reopened.post(AT) == post
    log_reading(boxed, AT, "0.5n 0.5h")
    packed = boxed.post(AT)
    assert (packed.reading.stage, packed.rounds, packed.mean_of) == ("verify", 1, 1)
    assert packed.packs_in_place == post.implied
    (taught,) = boxed.journal.standing(("observed",), "lake")
    assert taught.data["measured_mm"] == pytest.approx([0.5 - 5.0, 6.5 - 0.5])


@pytest.mark.parametrize(("level", "zero_counts"), [(None, False), ("level-B", True)])
def test_the_zero_of_one_level_teaches_the_deck_nothing(
    boxed: Site, level: str | None, *, zero_counts: bool
) -> None:
    """Of a difference (GUM F.1.2.3): what is in both readings goes out, what is in one of them stays."""
    first = log_reading(boxed, AT, "5n 7h").reading
    second = log_reading(boxed, AT, "0.5n 0.5h", Asked(instrument=level)).reading
    (taught,) = boxed.journal.standing(("observed",), "lake")
    parts = [(one.u_across if zero_counts else one.u_own_across) or 0.0 for one in (first, second)]
    height_mm = boxed.post(AT).height_mm
    assert taught.data["u_reading_mm"] * 2**0.5 == pytest.approx(math.hypot(*parts) * height_mm)
    assert (first.u_own_across or 1.0) < 0.9 * (first.u_across or 0.0)


def test_what_stands_as_before_the_packs_is_asked_about_and_may_be_either(boxed: Site) -> None:
    """Taken without a word it would be a proof that the packs do nothing, and the deck would learn it."""
    log_reading(boxed, AT, "5n 7h")
    with pytest.raises(EntryError, match="add --again where they are not in yet, --sure where they are in"):
        log_reading(boxed, AT, "5n 6.5h")
    held = Reading("held", 0.0051, -0.0068, 1000.0, method="sensor", u_along=5e-4, u_across=5e-4)
    with pytest.raises(EntryError, match=r"as it did before the packs.*\(it read held\)"):
        log_sensor_reading(boxed, AT, held)
    table = "post,entry,stage\n1,5n 6.5h,{}\n"
    with pytest.raises(FileError, match="again in the column stage"):
        log_readings(boxed, "lake", "walk", table.format(""), "t.csv", sure=False)
    assert len(boxed.post(AT).readings) == 1
    log_readings(boxed, "lake", "walk", table.format("again"), "t.csv", sure=False)
    assert boxed.post(AT).mean_of == 2
    log_sensor_reading(boxed, AT, held, AGAIN)
    assert boxed.post(AT).packs_in_place == ()
    log_reading(boxed, AT, "5n 6.5h", sure=True)
    assert boxed.post(AT).packs_in_place
    assert boxed.post(AT).stands == "out"


def test_two_halves_that_stand_as_before_the_packs_are_asked_about_as_one_reading(boxed: Site) -> None:
    log_reading(boxed, AT, "5n 7h")
    pieces = _count(boxed)
    log_reading(boxed, AT, "5n", sure=True)
    with pytest.raises(EntryError, match="as it did before the packs"):
        log_reading(boxed, AT, "6.5h")
    log_reading(boxed, AT, "6.5h", AGAIN)
    post = boxed.post(AT)
    assert (post.state, post.rounds, post.packs_in_place, _count(boxed)) == (PostState.PACK, 0, (), pieces)
    assert (post.reading.text, post.mean_of) == ("5n 7h; 5n; 6.5h", 2), "they count with the first"
    assert [one.stage for one in post.readings] == ["stood"] * 3
    assert post.before == post.reading
    assert post.reading.slope_across == pytest.approx(-0.00675, abs=1e-4)
    with Site.open(boxed.journal.path, environment={}) as reopened:
        assert reopened.post(AT) == post
    log_reading(boxed, AT, "0.5n", sure=True)
    log_reading(boxed, AT, "0.5h", sure=True)
    assert (boxed.post(AT).rounds, boxed.post(AT).packs_in_place) == (1, post.implied)


def test_a_half_before_the_nut_was_turned_is_no_part_of_a_repeat_after_it(boxed: Site) -> None:
    """What stood before it is another lean: a later half is held against nothing that was read then."""
    log_reading(boxed, AT, "5n 7h")
    log_reading(boxed, AT, "5n", sure=True)
    log_tightened(boxed, AT)
    log_reading(boxed, AT, "0.4n", sure=True)
    log_reading(boxed, AT, "0.4h", sure=True)
    log_reading(boxed, AT, "0.5n 0.4h", AGAIN)
    post = boxed.post(AT)
    assert (post.mean_of, post.reading.stage) == (2, "verify")
    assert "5n" not in post.reading.text.split("; ")


@pytest.mark.parametrize(
    ("entry", "asked"),
    [
        ("8n 6h", "not what the packs would do"),  # as far from where it stood as its readings never are
        ("6n 16h", "not what the packs would do|leaned"),
        ("6.5n 9.5h", "as it did before the packs"),
        ("6n 12h", "not what the packs would do"),  # nearer to that, but no repeat
        ("1n 1h", None),
        ("1p 1.5o", None),  # packs that gave a little more than they usually do
    ],
)
def test_what_was_done_is_taken_from_a_reading_only_where_it_is_clear(
    boxed: Site, entry: str, asked: str
) -> None:
    """From what readings, seats and take-up scatter by: the same question on every front."""
    log_reading(boxed, AT, "6n 10h")
    if asked is None:
        log_reading(boxed, AT, entry)
        assert boxed.post(AT).packs_in_place
        return
    with pytest.raises(EntryError, match=asked):
        log_reading(boxed, AT, entry)
    with pytest.raises(FileError, match=asked):
        log_readings(boxed, "lake", "walk", f"post,entry\n1,{entry}\n", "t.csv", sure=False)
    assert not boxed.post(AT).packs_in_place
    log_reading(boxed, AT, entry, sure=True)
    assert boxed.post(AT).packs_in_place


def test_lines_of_one_post_in_a_table_are_of_one_sitting(boxed: Site) -> None:
    """Two that can be of one lean are a repeat; else packs went in between only where that is said."""
    table = "post,entry\n1,5n 7h\n1,{}\n"
    with pytest.raises(FileError, match=r"line 3.*line 2 says 5n 7h of the same post, of another lean"):
        log_readings(boxed, "lake", "walk", table.format("0.5n 0.5h"), "t.csv", sure=False)
    assert not boxed.post(AT).readings
    log_readings(boxed, "lake", "walk", table.format("5n\n1,6h"), "t.csv", sure=False)
    post = boxed.post(AT)
    assert (post.mean_of, post.packs_in_place, post.rounds) == (2, (), 0)
    boxed.undo("lake")
    boxed.undo("lake")
    log_readings(boxed, "lake", "walk", "post,entry\n1,0.5n 0.5h\n", "t.csv", sure=False)
    assert boxed.post(AT).packs_in_place


def test_halves_in_a_table_are_asked_about_as_one(boxed: Site) -> None:
    log_reading(boxed, AT, "5n 7h")
    with pytest.raises(FileError, match=r"line 3.*as it did before the packs"):
        log_readings(boxed, "lake", "walk", "post,entry\n1,5n\n1,6.5h\n", "t.csv", sure=False)
    log_readings(boxed, "lake", "walk", "post,entry,stage\n1,5n,\n1,6.5h,again\n", "t.csv", sure=False)
    assert boxed.post(AT).mean_of == 2


def test_a_packed_post_that_was_moved_may_wait_for_its_next_packs(boxed: Site) -> None:
    log_reading(boxed, AT, "5n 7h")
    log_reading(boxed, AT, "0 3h")
    boxed.append(boxed.draft(AT, "post-moved", {"station_mm": 150.0}))
    packs = boxed.post(AT).packs_in_place
    with pytest.raises(EntryError, match="as it did before the packs"):
        log_reading(boxed, AT, "0 3h")
    log_reading(boxed, AT, "0.4n 3h", AGAIN)
    post = boxed.post(AT)
    assert (post.mean_of, post.rounds, post.packs_in_place, post.state) == (1, 1, packs, PostState.OUT)


def test_read_once_more_before_a_change_of_packs_is_no_round(boxed: Site) -> None:
    log_reading(boxed, AT, "5n 7h")
    log_reading(boxed, AT, "0 3h")
    post = boxed.post(AT)
    assert (post.rounds, post.state) == (1, PostState.OUT)
    assert post.implied
    log_reading(boxed, AT, "0.5n 3h", AGAIN)
    again = boxed.post(AT)
    assert (again.rounds, again.mean_of, again.packs_in_place) == (1, 2, post.packs_in_place)
    assert again.reading.stage == "verify"
    log_reading(boxed, AT, "0 0")
    assert (boxed.post(AT).rounds, boxed.post(AT).packs_in_place) == (2, again.implied)


def test_a_post_set_on_the_bed_that_was_read_stands_when_it_is_read_before_its_packs(boxed: Site) -> None:
    log_reading(boxed, AT, "5n 7h", Asked(bed=True))
    log_reading(boxed, AT, "5n 6.5h", AGAIN)
    post = boxed.post(AT)
    assert (post.reading.stage, post.mean_of, post.packs_in_place) == ("stood", 1, ())
    assert post.before == post.reading


def test_only_a_post_that_stands_as_it_was_read_is_read_once_more(boxed: Site) -> None:
    with pytest.raises(EntryError, match="nothing was read there yet"):
        log_reading(boxed, AT, "5n 7h", AGAIN)
    log_reading(boxed, AT, "5n 7h")
    with pytest.raises(EntryError, match="both ways"):
        log_reading(boxed, AT, "5n", AGAIN)
    with pytest.raises(EntryError, match="nothing was done since"):
        log_reading(boxed, AT, "1n 7h", AGAIN)
    log_tightened(boxed, AT)
    with pytest.raises(EntryError, match="packed and tightened since it was read"):
        log_reading(boxed, AT, "5n 7h", AGAIN)


def test_a_repeat_taken_back_leaves_the_first_reading_and_its_packs(boxed: Site) -> None:
    log_reading(boxed, AT, "5n 7h")
    first = boxed.post(AT)
    log_reading(boxed, AT, "5n 6h", AGAIN)
    boxed.undo("lake")
    post = boxed.post(AT)
    assert (post.reading, post.implied, post.mean_of) == (first.reading, first.implied, 1)


def test_what_was_read_at_another_mark_is_no_repeat(boxed: Site) -> None:
    before = log_reading(boxed, AT, "5n 7h").reading
    boxed.append(boxed.draft(AT, "post-moved", {"station_mm": 150.0}))
    with pytest.raises(EntryError, match="nothing was read there yet"):
        log_reading(boxed, AT, "5n 6h", AGAIN)
    # As another program may have logged it: still not the mean of two places.
    data = to_json(replace(before, text="5n 6h", slope_across=-0.006)) | {"again": True}
    boxed.append(boxed.draft(AT, "reading", data))
    post = boxed.post(AT)
    assert (post.mean_of, post.reading.slope_across) == (1, -0.006)


def test_a_table_with_a_repeat_that_can_be_none_is_not_logged_at_all(boxed: Site) -> None:
    boxed.append(boxed.draft(("lake", "walk"), "post-added", {"name": "2", "leg": 1, "station_mm": 900.0}))
    table = "post,entry,stage\n1,5n 7h,\n1,5n{},again\n2,5n 7h,{}\n"
    for second, stage, why in ((" 6h", "again", "line 4.*nothing was read"), ("", "", "line 3.*both ways")):
        with pytest.raises(FileError, match=why):
            log_readings(boxed, "lake", "walk", table.format(second, stage), "t.csv", sure=True)
        assert not boxed.post(AT).readings
    log_readings(boxed, "lake", "walk", table.format(" 6h", ""), "t.csv", sure=True)
    assert boxed.post(AT).mean_of == 2


@pytest.mark.parametrize("kind", ["bed", "mid", "after", "rails_on"])
def test_a_reading_of_another_kind_is_not_held_against_the_one_before(boxed: Site, kind: str) -> None:
    """As at half height, which agrees with the top of a straight post and says nothing of its packs."""
    log_reading(boxed, AT, "5n 7h")
    with pytest.raises(EntryError, match="said to be of the bed"):
        log_reading(boxed, AT, "5n 7h", Asked(again=True, **{kind: True}), sure=True)
    held = Reading("held", 0.005, -0.007, 1000.0, method="sensor", u_along=5e-4, u_across=5e-4)
    log_sensor_reading(boxed, AT, held, Asked(**{kind: True}))
    assert len(boxed.post(AT).readings) == 2


def test_a_reading_at_half_height_asks_for_no_answer(boxed: Site) -> None:
    """It says nothing of packs: what is still to be worked out for the top waits for its own time."""
    log_reading(boxed, AT, "5n 7h", Asked(answer_later=True))
    log_reading(boxed, AT, "3n 3h", Asked(mid=True), sure=True)
    assert boxed.post(AT).prescription is None


def test_what_fills_a_hollow_lifts_nothing(boxed: Site) -> None:
    """A foot that rocks, packed as asked: nobody asks, and the deck is not taught that packs give less."""
    log_reading(boxed, AT, "8p 6o", Asked(rocks=((Seat.NEXT_OUT, 0.8),)))
    assert Seat.NEXT_OUT in {pack.seat for pack in boxed.post(AT).implied or ()}
    log_reading(boxed, AT, "0 1o")
    (taught,) = boxed.journal.standing(("observed",), "lake")
    assert taught.data["predicted_mm"] == pytest.approx([8.0, -6.0], abs=2.0)
