"""Posts on their marks: counted by hand."""

import math

import pytest

from shimfit.core import layout
from shimfit.core.rails import openings, upright
from shimfit.errors import UsageError
from shimfit.model import Foot


def stations(marks):
    return [mark.station_mm for mark in marks]


def test_one_leg_gets_the_fewest_equal_spaces():
    marks = layout.lay_out([5000], 1800)
    assert stations(marks) == pytest.approx([0, 5000 / 3, 10000 / 3, 5000])
    assert [mark.name for mark in marks] == ["1", "2", "3", "4"]
    assert [mark.kind for mark in marks] == ["end", "line", "line", "end"]


@pytest.mark.parametrize("spaces", range(1, 60))
def test_a_whole_number_of_spacings_gets_no_extra_post(spaces):
    assert len(layout.lay_out([spaces * 1.1], 1.1)) == spaces + 1


def test_a_corner_post_ends_its_leg_and_the_tape_runs_on():
    marks = layout.lay_out([3000, 1000, 2400], 1500)
    assert [(m.leg, m.station_mm, m.kind) for m in marks] == [
        (1, 0, "end"), (1, 1500, "line"), (1, 3000, "corner"), (2, 4000, "corner"), (3, 5200, "line"),
        (3, 6400, "end"),
    ]  # fmt: skip
    assert layout.from_stations(stations(marks), [3000, 4000]) == marks


@pytest.mark.parametrize(
    ("legs", "every"),
    [([], 1000), ([0], 1000), ([-1], 1000), ([math.nan], 1), ([1000], math.inf), ([1000], 0)],
)
def test_lengths_that_are_none_are_refused(legs, every):
    with pytest.raises(UsageError):
        layout.lay_out(legs, every)


def test_two_stations_within_half_a_millimetre_are_one():
    with pytest.raises(UsageError, match="stations have to rise"):
        layout.from_stations([0, 1000, 1000.4, 2000])


def test_inserted_posts_are_named_after_the_one_before():
    marks = layout.lay_out([3000, 2000], 1500)
    marks = layout.insert(marks, 2000)
    marks = layout.insert(marks, 2500)
    marks = layout.insert(marks, 3500)
    assert [(m.name, m.leg) for m in marks] == [
        ("1", 1), ("2", 1), ("2a", 1), ("2b", 1), ("3", 1), ("3a", 2), ("4", 2), ("5", 2),
    ]  # fmt: skip
    for wrong in (-1, 0, 5000, 6000, 2000.2, math.nan):
        with pytest.raises(UsageError):
            layout.insert(marks, wrong)
    with pytest.raises(UsageError, match="already"):
        layout.insert(marks, 700, name="4")


def test_a_moved_post_stays_between_its_neighbours():
    marks = layout.lay_out([3000], 1000)
    assert stations(layout.move(marks, "2", 1200)) == [0, 1200, 2000, 3000]
    for place_mm in (1999.8, 2100):
        with pytest.raises(UsageError, match="behind post 3"):
            layout.move(marks, "2", place_mm)
    with pytest.raises(UsageError, match="before post 1"):
        layout.move(marks, "2", 0.2)
    with pytest.raises(UsageError, match="no post 9"):
        layout.move(marks, "9", 2100)


def test_removing_an_end_makes_a_new_end_and_a_corner_is_kept():
    marks = layout.lay_out([2000, 2000], 1000)
    assert [m.kind for m in layout.remove(marks, "5")] == ["end", "line", "corner", "end"]
    with pytest.raises(UsageError, match="corner"):
        layout.remove(marks, "3")
    with pytest.raises(UsageError, match="two posts"):
        layout.remove(layout.lay_out([500], 1000), "1")


def test_openings_lose_half_a_post_on_each_side():
    marks = layout.lay_out([2000, 1000], 1000)
    found = openings(upright(marks, Foot(90, 70), {}), 900)
    # Along the first leg 1000 - 90; after the corner 1000 - 70/2 - 90/2.
    assert [(o.first, o.second, o.widest_mm, o.over_mm) for o in found] == [
        ("1", "2", 910, 10), ("2", "3", 910, 10), ("3", "4", 920, 20),
    ]  # fmt: skip
    assert [o.over_mm for o in openings(upright(marks, Foot(90, 70), {}))] == [0, 0, 0]
