"""Instruments: what they can decide, when they are due, and how their zero counts."""

from __future__ import annotations

import math
import re
from datetime import date

import pytest

from shimfit.core.instruments import (
    DEFAULT_ACCURACY,
    DEFAULT_LEVEL,
    age_days,
    check_due,
    correct,
    judge,
    stated_accuracy,
)
from shimfit.core.uncertainty.disk import inside_disk
from shimfit.errors import InternalError
from shimfit.model import Instrument
from shimfit.quantities.typed import parse_tolerance

LIMIT = parse_tolerance("1:500")
TODAY = date(2026, 6, 15)


@pytest.mark.parametrize(
    ("mm_per_m", "degrees", "inch_per_inch"),
    [
        # Carpenter's levels, common claims (common practice, no source: two trade articles; recomputed)
        (0.5, 0.028648, 0.0005),
        (1.0, 0.057296, 0.001),
    ],
)
def test_the_unit_chain_of_stated_accuracies(mm_per_m, degrees, inch_per_inch):
    assert math.degrees(math.atan(mm_per_m / 1000)) == pytest.approx(degrees, abs=5e-7)
    level = Instrument("a", "level", accuracy_slope=inch_per_inch)
    assert stated_accuracy(level) * 1000 == pytest.approx(mm_per_m)


def test_fine_levels_in_seconds_of_arc():
    # DIN 877 as cited by sourcebyspec.com (second-hand): 0.02 mm/m is about 4 arc seconds (4.125)
    assert math.degrees(math.atan(0.02e-3)) * 3600 == pytest.approx(4.125, abs=5e-4)
    # US federal item name description 06264 (read): 0.0005 in per ft = 0.04167 mm/m = 8.59 arc seconds
    assert pytest.approx(0.04167, abs=5e-6) == 0.0005 / 12 * 1000
    assert math.degrees(math.atan(0.0005 / 12)) * 3600 == pytest.approx(8.59, abs=5e-3)


def test_sine_and_tangent_differ_as_the_level_makers_say():
    # Eichhorn GME (read): x = 1000 sin a mm/m along the level; at 1 deg 17.4524 against 17.4551 (tan)
    assert 1000 * math.sin(math.radians(1)) == pytest.approx(17.4524, abs=5e-5)
    assert 1000 * math.tan(math.radians(1)) == pytest.approx(17.4551, abs=5e-5)


def test_what_is_common_is_taken_where_nothing_was_entered():
    assert stated_accuracy(Instrument("a", "level")) == 0.0005
    assert stated_accuracy(Instrument("a", "plumb-line")) == 0.0
    assert stated_accuracy(Instrument("a", "inclinometer")) == pytest.approx(math.tan(math.radians(0.1)))
    assert stated_accuracy(DEFAULT_LEVEL) == 0.0005


# ---------------------------------------------------------------- at set-up


def test_a_tenth_of_a_degree_is_said_at_set_up():
    # u = √((1.745/√3)² + 0.3²) = 1.051 mm/m (derived): P(within a disk of 2 mm about 0) is 1 − exp(−2²/2u²)
    # = 0.84, so not even 0 is plumb at 1:500; at 1:300 the same integral is 0.95 at 1.34 mm.
    clip = Instrument(
        "the clip-on", "inclinometer", accuracy_slope=DEFAULT_ACCURACY["inclinometer"], graduation_mm=0.0
    )
    # Its uncertainty: 1.645 u = 1.7 mm; with the guard band of 2 u, 2.1 mm.
    assert "can't decide 2 mm: its uncertainty is ±1.7 mm at the top" in judge(clip, LIMIT, 1000.0)
    assert "can't decide 2 mm: its uncertainty is ±2.1 mm at the top" in judge(clip, LIMIT, 1000.0, "2u")
    wider = judge(clip, parse_tolerance("1:300"), 1000.0)
    assert "can hardly decide 3.3 mm: plumb is sure only up to 1.3 mm" in wider
    assert inside_disk(0.00134, 0.0, 0.0010514, 0.0010514, 1 / 300) == pytest.approx(0.95, abs=1e-3)


def test_a_good_level_has_nothing_to_say():
    assert judge(Instrument("the long level", "level", 1200.0), LIMIT, 1000.0) is None


def test_turning_it_once_makes_it_fit():
    worn = Instrument("the worn level", "level", 1200.0, accuracy_slope=0.001)
    assert re.search("can hardly decide .*turn it end for end", judge(worn, LIMIT, 1000.0))
    turned = Instrument(
        "the worn level", "level", 1200.0, 0.001, zero_along=0.0012, u_zero=0.0002, checked="2026-06-01"
    )
    assert judge(turned, LIMIT, 1000.0) is None


def test_no_guard_band_no_judgement():
    rough = Instrument("rough", "inclinometer", accuracy_slope=0.01)
    assert judge(rough, LIMIT, 1000.0, "simple") is None
    assert "can't decide" in judge(rough, LIMIT, 1000.0)


def test_a_height_of_nothing_is_no_question():
    with pytest.raises(InternalError):
        judge(DEFAULT_LEVEL, LIMIT, 0.0)


# ---------------------------------------------------------------- readings


def test_a_zero_counts_only_when_it_was_found():
    turned = Instrument("l", "level", zero_along=0.0004, u_zero=0.0001, checked="2026-06-01")
    found = correct(0.0100, 0.0005, 0.0004, turned, 1000.0)
    assert found.slope == pytest.approx(0.0096)
    assert {term.name for term in found.budget.terms} == {"resolution", "hand", "zero", "length"}
    never = Instrument("l", "level", zero_along=0.0004)
    assert correct(0.0100, 0.0005, 0.0004, never, 1000.0).slope == 0.0100


def test_nobody_reads_finer_than_the_scale():
    coarse = Instrument("l", "level", graduation_mm=2.0)
    found = correct(0.0, 0.00005, 0.0, coarse, 1000.0)
    assert {t.name: t.u for t in found.budget.terms}["resolution"] == pytest.approx(0.001 / math.sqrt(3))


def test_a_plumb_line_has_only_the_tape_and_the_hand():
    found = correct(0.0, 0.0005, 0.0, Instrument("line", "plumb-line"), 1000.0)
    assert [term.name for term in found.budget.terms] == ["hand", "resolution"]


def test_an_unnamed_instrument_is_a_common_level():
    assert correct(0.01, 0.0005, 0.0, None, 1000.0) == correct(0.01, 0.0005, 0.0, DEFAULT_LEVEL, 1000.0)


# ---------------------------------------------------------------- checks


def test_the_prompt_to_turn_it_end_for_end():
    level = Instrument("the long level", "level", checked="2026-05-01")
    said = check_due(level, TODAY)
    # US Army TM 9-243, page 10-3 (read): note the bubble, turn it end for end, same place means accurate
    assert "45 days ago" in said
    assert "turn it end for end on the same spot" in said
    assert check_due(level, TODAY, due_days=60) is None
    assert age_days(level, TODAY) == 45
    assert "30 days ago" in check_due(Instrument("l", "level", checked="2026-05-16"), TODAY)
    assert check_due(Instrument("l", "level", checked="2026-05-17"), TODAY) is None


def test_never_checked_and_checked_tomorrow():
    assert "never checked" in check_due(Instrument("l", "level"), TODAY)
    assert age_days(Instrument("l", "level"), TODAY) is None
    assert "a day to come" in check_due(Instrument("l", "level", checked="2026-07-01T08:00:00+02:00"), TODAY)


def test_a_plumb_line_is_never_due():
    assert check_due(Instrument("line", "plumb-line"), TODAY) is None


def test_an_inclinometer_is_turned_to_the_opposite_face():
    assert "opposite face" in check_due(Instrument("clip", "inclinometer"), TODAY)
