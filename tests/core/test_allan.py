"""Allan deviation against published values and an independent library; what a still record shows."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy  # its parts are loaded where they are used

from shimfit.core.sensing.statistics import hold_needed_s, overlapping_allan, plot_curve, sensor_character
from shimfit.core.sensing.watch import SensorErrors, hold
from shimfit.errors import EntryError

# NIST SP 1065, Tables 29 and 30 (NBS 14), as in allantools' tests; read there, recomputed
SMALL = np.array([892, 809, 823, 798, 671, 644, 883, 903, 677], dtype=np.float64)


def thousand_points() -> np.ndarray:
    """NIST SP 1065, 12.4: n(i+1) = 16807 n(i) mod 2147483647, from 1234567890, as fractions."""
    n, values = 1234567890, []
    for _ in range(1000):
        values.append(n / 2147483647)
        n = 16807 * n % 2147483647
    return np.array(values)


def test_the_small_published_set():
    assert SMALL.std(ddof=1) == pytest.approx(100.977, abs=5e-4)
    assert overlapping_allan(SMALL, 1) == pytest.approx(91.22945, abs=5e-6)
    assert overlapping_allan(SMALL, 2) == pytest.approx(85.95287, abs=5e-6)


def test_the_published_set_of_a_thousand():
    values = thousand_points()
    assert values[1] * 2147483647 == pytest.approx(395529916)
    assert values.mean() == pytest.approx(0.4897745, abs=5e-8)
    for length, published in ((1, 0.2922319), (10, 0.09159953), (100, 0.03241343)):
        assert overlapping_allan(values, length) == pytest.approx(published, rel=2e-7)


def test_an_independent_library_agrees_on_noise_with_memory_and_drift():
    import allantools  # takes longer to load than most files to run

    draw = np.random.default_rng(4)
    values = 0.02 * draw.normal(size=5000) + np.cumsum(draw.normal(size=5000)) * 1e-4 + 1e-5 * np.arange(5000)
    lengths = [1, 2, 4, 8, 16, 64, 256, 1024]
    taus, theirs, *_ = allantools.oadev(values, rate=1.0, data_type="freq", taus=lengths)
    assert list(taus) == lengths
    ours = [overlapping_allan(values, length) for length in lengths]
    assert ours == pytest.approx(list(theirs), rel=1e-9)


def test_two_averages_have_to_fit():
    with pytest.raises(ValueError, match="do not fit"):
        overlapping_allan(SMALL, 5)
    with pytest.raises(ValueError, match="do not fit"):
        overlapping_allan(SMALL, 0)


def test_white_noise_falls_with_the_root_of_time_and_has_no_bottom_yet():
    values = 0.02 * np.random.default_rng(1).normal(size=20_000)
    character = sensor_character(values, 0.02)
    assert character.spread_deg == pytest.approx(0.02, rel=0.03)
    assert character.memory_s == pytest.approx(0.02, rel=0.2)
    assert character.density_deg == pytest.approx(0.02 / np.sqrt(50), rel=0.1)
    assert abs(character.drift_deg_per_min) < 0.001
    assert character.floor_s > 5


def test_a_wandering_zero_gives_a_bottom_where_averaging_stops_helping():
    draw = np.random.default_rng(2)
    values = 0.02 * draw.normal(size=30_000) + np.cumsum(draw.normal(size=30_000)) * 2e-4
    character = sensor_character(values, 0.02)
    assert not character.still_falling
    assert 0.5 < character.floor_s < 20
    assert 0.001 < character.floor_deg < 0.01


def test_the_uncertainty_of_a_held_mean_counts_the_memory_in():
    """Many holds of a sensor that remembers: their means scatter as each of them says of itself."""
    draw, phi, n = np.random.default_rng(11), 0.8, 400
    noise = scipy.signal.lfilter([1.0], [1.0, -phi], draw.normal(0.0, 0.01, (150, n + 100)))[:, 100:]
    times = np.arange(n) / 20.0
    held = [hold(times, row, np.zeros(n), SensorErrors(), move_deg=1.0) for row in noise]
    scatter = np.std([one.x_deg for one in held], ddof=1)
    # Each sample counted as news, it would be a third of that: √((1 + φ)/(1 − φ)) = 3.
    assert scatter == pytest.approx(3.0 * np.mean([one.x.spread_deg for one in held]) / math.sqrt(n), rel=0.2)
    # Half of the holds say what it is, and a little for a memory of unknown length; next to none say less.
    assert 0.9 * scatter < np.median([one.x.u_mean_deg for one in held]) < 1.35 * scatter
    assert np.percentile([one.x.u_mean_deg for one in held], 5) > 0.7 * scatter


def test_memory_and_drift_are_shown():
    draw = np.random.default_rng(3)
    fresh = draw.normal(size=6000) * 0.01
    values = np.empty(6000)
    values[0] = 0.0
    for k in range(1, 6000):
        values[k] = 0.9 * values[k - 1] + fresh[k]
    character = sensor_character(values + 0.001 * np.arange(6000) * 0.02, 0.02)
    assert character.memory_s == pytest.approx(19 * 0.02, rel=0.25)
    assert character.drift_deg_per_min == pytest.approx(0.06, abs=0.01)


@pytest.mark.parametrize(
    ("micro_g", "u_deg", "seconds"),
    [(75, 0.005, 0.4), (150, 0.005, 1.5), (290, 0.005, 5.5), (400, 0.005, 10.5)],
)
def test_the_hold_that_a_data_sheets_noise_needs(micro_g, u_deg, seconds):
    """T = 0.5 (57.3e-6 N / u)^2 for N in ug/sqrt Hz; the Allan deviation at 1 s is N / sqrt 2."""
    density_deg = 57.3e-6 * micro_g / np.sqrt(2)
    assert hold_needed_s(density_deg, u_deg) == pytest.approx(seconds, abs=0.06)


def test_a_short_record_tells_nothing():
    with pytest.raises(EntryError, match="too short"):
        sensor_character(np.zeros(63), 0.02)
    # 64 samples: eight averages of 8, no longer ones.
    shortest = sensor_character(np.random.default_rng(1).normal(size=64), 0.02)
    assert [round(point.seconds / 0.02) for point in shortest.curve] == [1, 2, 4, 8]


def test_the_curve_is_drawn_falling():
    character = sensor_character(0.02 * np.random.default_rng(1).normal(size=5000), 0.02)
    picture = plot_curve(character.curve)
    rows = [line.split("│", 1)[1] for line in picture.splitlines() if "│" in line]
    marks = [(row.index("●"), at) for at, row in enumerate(rows) if "●" in row]
    assert len(marks) >= 6
    assert [column for column, _ in marks] == sorted(column for column, _ in marks)
    assert "0.02 s" in picture
    assert plot_curve(sensor_character(np.zeros(100), 0.02).curve) == "no scatter to plot"
