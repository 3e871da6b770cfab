"""Angles and triples to slopes, against an independent library and against each other."""

from __future__ import annotations

import math

import numpy as np
import pytest
from ahrs.filters import Tilt
from hypothesis import given
from hypothesis import strategies as st
from receiving import FIXTURES

from shimfit.core.lean import from_acceleration
from shimfit.errors import EntryError
from shimfit.model import Foot, Lean
from shimfit.wire.samples import Pace, slopes
from shimfit.wire.simulate import SimulatedPost


def roll_and_pitch(triples: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Of an independent library's attitude: the quaternion's roll and pitch."""
    q = Tilt(acc=triples).Q
    w, x, y, z = q.T
    roll = np.arctan2(2 * (w * x + y * z), 1 - 2 * (x * x + y * y))
    pitch = np.arcsin(np.clip(2 * (w * y - z * x), -1, 1))
    return roll, pitch


def recorded() -> np.ndarray:
    path = FIXTURES / "published" / "imu"
    rows = [
        np.loadtxt(path / name, delimiter=",", skiprows=1)
        for name in ("moved_then_still.csv", "device_clock.csv")
    ]
    return np.vstack([r[:, 1:] for r in rows])


def made_up() -> np.ndarray:
    draw = np.random.default_rng(9)
    tangents = draw.uniform(-1, 1, size=(1000, 2))
    return np.column_stack([-tangents, np.ones(1000)]) * draw.uniform(0.5, 20, size=(1000, 1))


@pytest.mark.parametrize("triples", [recorded(), made_up()], ids=["recorded", "made up"])
def test_slopes_of_triples_are_those_of_an_independent_attitude(triples):
    """t_y = -tan(roll), t_x = tan(pitch) / cos(roll): order matters, so both are compared."""
    upright = triples[triples[:, 2] > 0.3 * np.linalg.norm(triples, axis=1)]
    assert len(upright) > 900
    roll, pitch = roll_and_pitch(upright)
    leans = [from_acceleration(*row) for row in upright]
    along = np.array([lean.slope_along for lean in leans])
    across = np.array([lean.slope_across for lean in leans])
    # that library keeps single rounding errors of a quaternion: 1e-7 rad near level
    assert np.allclose(across, -np.tan(roll), atol=1e-7)
    assert np.allclose(along, np.tan(pitch) / np.cos(roll), atol=1e-7)


@given(st.floats(-40, 40), st.floats(-40, 40))
def test_elevations_are_the_triple_they_come_from(x_deg, y_deg):
    """An axis whose + end is down by theta reports sin(theta); sign: positive leans that way."""
    lean = slopes(x_deg, y_deg, elevation=True)
    sin_x, sin_y = math.sin(math.radians(x_deg)), math.sin(math.radians(y_deg))
    triple = from_acceleration(-sin_x, -sin_y, math.sqrt(1 - sin_x**2 - sin_y**2))
    assert (lean.slope_along, lean.slope_across) == pytest.approx((triple.slope_along, triple.slope_across))
    assert math.copysign(1, lean.slope_along) == math.copysign(1, x_deg) or x_deg == 0


@pytest.mark.parametrize(("lean_deg", "difference_deg"), [(1.0, 0.00015), (3.0, 0.004)])
def test_elevation_and_tangent_differ_only_in_the_cross_term(lean_deg, difference_deg):
    """0.00015 degrees at 1 degree on both axes, 0.004 at 3 (worked out beforehand)."""
    assert slopes(lean_deg, 0.0, elevation=True).slope_along == pytest.approx(
        math.tan(math.radians(lean_deg))
    )
    both = slopes(lean_deg, lean_deg, elevation=True).slope_along
    assert math.degrees(math.atan(both)) - lean_deg == pytest.approx(difference_deg, rel=0.1)
    plain = slopes(lean_deg, lean_deg, elevation=False)
    assert plain.slope_along == plain.slope_across == pytest.approx(math.tan(math.radians(lean_deg)))


def test_a_pair_that_can_not_be_is_refused():
    with pytest.raises(EntryError):
        slopes(60.0, 60.0, elevation=True)


@pytest.mark.parametrize("burst", [1, 5, 16])
def test_the_period_comes_from_counts_over_seconds_not_from_neighbours(burst):
    pace = Pace()
    for count in range(500):
        pace.tick((count // burst) * burst * 0.01)
    assert pace.period_s == pytest.approx(0.01, rel=0.08)
    pace.restart()
    assert pace.period_s == pytest.approx(0.01, rel=0.08)


def test_a_push_of_the_played_post_adds_to_the_last_and_a_tip_does_not():
    post = SimulatedPost(Foot(90, 90), Lean(0.0, 0.0))
    post.tip(1.0, -0.5)
    post.tip(0.5, 0.25, further=True)
    assert post.resting.slope_along == pytest.approx(math.radians(1.5))
    assert post.resting.slope_across == pytest.approx(math.radians(-0.25))
    post.tip(0.0, 0.0)
    assert post.resting == Lean(0.0, 0.0)
