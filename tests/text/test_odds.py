"""A chance told in counts of a group that is named."""

from dataclasses import replace

import pytest

from shimfit.model import Chance
from shimfit.text.phrases import GROUP, odds, odds_briefly, read_first, verify_by


def chance(plumb, close, turned=None, within=None, **more):
    turned = plumb if turned is None else turned
    return Chance(plumb, close, 1.0 - plumb - close, turned if within is None else within, turned, **more)


def test_counts_name_the_group_and_add_up_to_it():
    said = odds(chance(0.87, 0.1))
    assert said == (
        "Of 20 posts packed like this about 17 read plumb at once, 2 are too close to call, 1 is packed again"
    )
    assert odds(chance(0.02, 0.9)).startswith("Of 20 posts packed like this none reads plumb at once, 18 are")
    assert odds_briefly(chance(0.87, 0.1)) == "About 17 of 20 read plumb at once"
    assert odds_briefly(chance(0.02, 0.9)) == "None of 20 read plumb at once"
    assert odds_briefly(chance(0.1, 0.85, 0.5)) == "About 2 of 20 plumb, 10 if level turned"
    assert odds(chance(1.0, 0.0)) == "Of 20 posts packed like this about 20 read plumb at once"


@pytest.mark.parametrize("number", range(40))
def test_counts_are_within_one_of_the_shares(number):
    plumb = number / 40
    close = (1.0 - plumb) * (number % 7) / 7
    found = chance(plumb, close)
    counts = [int(word) for word in odds(found).replace(",", "").split() if word.isdigit()][1:]
    assert sum(counts) == GROUP
    if plumb > 0.05:
        assert abs(counts[0] - GROUP * plumb) <= 1.0


def test_the_level_is_turned_where_it_and_not_the_packs_leave_it_open():
    assert (
        verify_by(chance(0.4, 0.5, 0.7)) == "Read it end for end after this: then about 14 of 20 read plumb"
    )
    assert not verify_by(chance(0.6, 0.3, 0.65))


def test_a_better_level_is_named_where_turning_this_one_does_not_show_it():
    turned = "Read it end for end after this: then about 10 of 20 read plumb"
    assert verify_by(chance(0.1, 0.85, 0.5, 0.75)) == turned
    assert verify_by(chance(0.1, 0.85, 0.5, 0.8)) == f"{turned}; a longer or finer level shows up to 16"
    better = "A longer or finer level shows up to 16 of 20 plumb after this"
    assert verify_by(chance(0.1, 0.85, 0.2, 0.8)) == better


def test_reading_finer_costs_nothing_and_is_named_before_turning():
    found = chance(0.1, 0.85, 0.5, 0.55, finer=0.44)
    assert odds_briefly(found) == "About 2 of 20 plumb, 9 with strong/shy"
    finer = "Read it between the marks too (strong, shy) after this: then about 9 of 20 read plumb"
    assert verify_by(found) == finer
    assert verify_by(found, briefly=True) == "Read it between the marks too after this", "one row of a phone"
    assert verify_by(chance(0.1, 0.85, 0.5, 0.55, finer=0.12)) == verify_by(chance(0.1, 0.85, 0.5, 0.55))


def test_one_more_reading_before_the_packs_is_advised_with_the_minutes_that_it_saves():
    how = "Read it once more before packing, the level turned end for end"
    found = chance(0.45, 0.5, 0.45, again=0.55, saves_min=2.2)
    assert read_first(found) == f"{how}: that saves about 2 minutes"
    assert read_first(replace(found, saves_min=0.6)) == f"{how}: that saves about 1 minute"
    assert read_first(found, briefly=True) == "First read again, turned: saves 2 min"
    logged_before = replace(found, saves_min=None)
    assert read_first(logged_before) == how
    assert not read_first(chance(0.45, 0.5, 0.45))
