"""Repeat readings as one, against the law of propagation worked out by hand."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from shimfit.model import Reading
from shimfit.store.post import completed, together


def _read(along, u, own):
    return Reading(
        "x", along, 0.0, 1000.0, "verify", u_along=u, u_across=u, u_own_along=own, u_own_across=own
    )


def test_what_repeat_readings_share_never_averages_away():
    """JCGM 100:2008, 5.2 (from memory): what two readings share adds up whole, the rest as 1/√n."""
    one = together([_read(0.0010, 5e-4, 3e-4), _read(0.0011, 5e-4, 3e-4)])
    assert one.slope_along == pytest.approx(0.00105)
    assert one.u_along == pytest.approx(math.hypot(4e-4, 3e-4 / math.sqrt(2)))
    assert one.u_own_along is None
    assert one.text == "x; x"


def test_readings_that_can_not_be_of_one_lean_leave_the_latest():
    latest = _read(0.0100, 5e-4, 3e-4)
    assert together([_read(0.0010, 5e-4, 3e-4), latest]) is latest
    unknown = _read(0.0010, None, None)
    assert together([latest, unknown]) is unknown


@pytest.mark.parametrize(("apart_in_u", "one_lean"), [(2.9, True), (3.1, False)])
def test_readings_further_apart_than_three_u_are_not_of_one_lean(apart_in_u, one_lean):
    """u of the two together: 3e-4 √2 for two of 3e-4 each."""
    apart = apart_in_u * 3e-4 * math.sqrt(2)
    latest = _read(0.0010 + apart, 3e-4, 3e-4)
    found = together([_read(0.0010, 3e-4, 3e-4), latest])
    assert (found is latest) is not one_lean
    if one_lean:
        assert found.slope_along == pytest.approx(0.0010 + apart / 2)


@pytest.mark.parametrize("along_first", [True, False])
def test_two_halves_are_worth_what_both_directions_read_at_once_are(along_first):
    """Whichever was read last: else repeats settle one direction only, and advice hangs on the order."""
    whole = replace(_read(0.0010, 5e-4, 3e-4), u_own_across=2e-4, step_along=1e-3, step_across=5e-4)
    along = replace(whole, slope_across=None, u_across=None, u_own_across=None, step_across=None)
    across = replace(whole, slope_along=None, u_along=None, u_own_along=None, step_along=None)
    first, last = (along, across) if along_first else (across, along)
    assert completed(first, last) == replace(whole, text="x; x")
