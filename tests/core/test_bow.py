"""A bowed post and a rocking foot."""

from __future__ import annotations

import pytest

from shimfit.core.lean import bow
from shimfit.errors import EntryError
from shimfit.model import Lean


def test_a_straight_post_has_no_bow():
    straight = bow(Lean(0.01, -0.004), Lean(0.01, -0.004), 1000.0)
    assert (straight.along_mm, straight.across_mm, straight.size_mm) == (0.0, 0.0, 0.0)


def test_the_middle_off_the_line():
    # Foot at 0, top 4 mm towards next at 1000 mm, middle 5 mm at 500 mm: 3 mm off the line's 2 mm.
    found = bow(Lean(0.004, 0.0), Lean(0.010, -0.002), 1000.0)
    assert found.along_mm == pytest.approx(3.0)
    assert found.across_mm == pytest.approx(-1.0)
    assert found.size_mm == pytest.approx(10**0.5)


def test_a_bow_within_its_uncertainty_is_not_sure():
    u = (0.0005, 0.0005)
    found = bow(Lean(0.004, 0.0), Lean(0.010, 0.0), 1000.0, u, u)
    assert found.u_along_mm == pytest.approx(0.5 * 2**0.5 / 2)
    assert found.is_sure
    assert bow(Lean(0.004, 0.0), Lean(0.005, 0.0), 1000.0, u, u).is_sure is False
    assert bow(Lean(0.004, 0.0), Lean(0.005, 0.0), 1000.0).is_sure is None


@pytest.mark.parametrize("height", [0.0, -5.0, float("nan")])
def test_a_bow_needs_a_height(height):
    with pytest.raises(EntryError):
        bow(Lean(0.0, 0.0), Lean(0.0, 0.0), height)
