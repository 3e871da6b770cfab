"""Uncertainty budgets, repeat readings and reversal against published numbers and simulation."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shimfit.core.sensing.mounting import FaceReading, Zero, reversal
from shimfit.core.sensing.watch import Axis, SensorErrors
from shimfit.core.uncertainty.budget import (
    Term,
    agree,
    budget,
    combine,
    largest_of,
    learned_hand_mm,
    of_step,
    rectangular,
    typed_budget,
)
from shimfit.errors import InternalError
from shimfit.model import Lean
from tests.referee import printed

# ---------------------------------------------------------------- helpers


def test_rectangular_limits():
    # Eurachem/CITAC guide, E.1 (read): a = 1.5 gives 0.87
    assert rectangular(1.5) == pytest.approx(0.86603, abs=5e-6)
    # JCGM 100, 4.3.7 (from memory, recomputed): within 0.40e-6 gives 0.23e-6
    assert rectangular(0.40) == pytest.approx(0.23094, abs=5e-6)
    # JCGM 100, 4.3.8 (from memory, recomputed): limits -0.12/+0.40 give 0.15e-6: half the whole width
    assert rectangular((0.40 + 0.12) / 2) == pytest.approx(0.15011, abs=5e-6)


def test_a_step_of_a_display():
    # GUM 4.3.7 (second-hand): a 0.1 step gives 0.028868
    assert of_step(0.1) == pytest.approx(0.028868, abs=5e-7)
    assert of_step(0.1) == pytest.approx(rectangular(0.05))


@pytest.mark.parametrize(("percent", "divisor"), [(95.0, 1.95996), (99.0, 2.57583), (50.0, 1 / 1.48260)])
def test_quoted_normal_limits(percent, divisor):
    # NIST TN 1297, 4.3 and 4.4 (read)
    assert 1.0 / printed.from_quoted(1.0, percent) == pytest.approx(divisor, abs=1e-5)


def test_root_sum_of_squares():
    # JCGM 100, H.1, end gauge (from memory, recomputed): 25, 9.7, 2.9, 16.6 nm make 32 nm (31.671)
    terms = budget(
        Term(name, u) for name, u in (("zero", 25.0), ("noise", 9.7), ("floor", 2.9), ("drift", 16.6))
    )
    assert terms.u == pytest.approx(31.671, abs=5e-4)
    assert terms.largest_words == "the instrument's zero"
    assert (terms.largest.u / terms.u) ** 2 == pytest.approx(625 / 31.671**2, rel=1e-4)


def still(mean_deg: float = 0.0, u_deg: float = 0.0, drift_deg_per_s: float = 0.0) -> Axis:
    return Axis(mean_deg, u_deg, drift_deg_per_s, 0.0, 1.0, 0.0)


def test_a_tenth_of_a_degree_can_hardly_decide_two_mm_per_m():
    # A stated accuracy of 0.1 deg = 1.74533 mm/m (derived; common practice, no source): u = 1.008 mm/m
    terms = SensorErrors(stated_accuracy_deg=0.1).budget(still(), 0.0, 4.0)
    assert terms.u * 1000 == pytest.approx(1.008, abs=5e-4)


def test_terms_are_known_and_finite():
    with pytest.raises(InternalError):
        Term("gremlins", 1.0)
    for bad in (math.nan, math.inf, -1.0):
        with pytest.raises(InternalError):
            Term("zero", bad)
    assert budget(()).u == 0.0
    assert budget(()).largest is None


def test_a_typed_reading():
    terms = typed_budget(0.01, 0.0005, accuracy_slope=0.0005, u_zero=None, length_mm=1000.0)
    parts = {term.name: term.u for term in terms.terms}
    assert parts["resolution"] == pytest.approx(0.0005 / math.sqrt(3))
    assert parts["accuracy"] == pytest.approx(0.0005 / math.sqrt(3))
    assert parts["length"] == pytest.approx(0.01 * 5 / 1000 / math.sqrt(3))
    assert parts["hand"] == pytest.approx(0.3 / 1000.0)
    turned = typed_budget(0.01, 0.0005, accuracy_slope=0.0005, u_zero=0.0001, length_mm=1000.0)
    assert {term.name for term in turned.terms} == {"resolution", "hand", "zero", "length"}
    assert turned.u < terms.u


def test_repeats_teach_how_a_hand_scatters():
    """Readings drawn with a scatter of 0.8 mm on a scale of 1 mm: the scatter comes out, not the steps."""
    rng = random.Random(5)
    groups = [[round(rng.gauss(3.2, 0.8)) for _ in range(3)] for _ in range(200)]
    assert learned_hand_mm(groups, 1 / math.sqrt(12)) == pytest.approx(0.8, abs=0.06)
    assert learned_hand_mm([], 0.3) == pytest.approx(0.3)
    # Two readings that agree hardly move what is usual; many that never differ stop at a steady hand.
    assert 0.25 < learned_hand_mm([[3.0, 3.0]], 0.29) < 0.3
    assert learned_hand_mm([[3.0, 3.0]] * 400, 0.29) == pytest.approx(0.1)


def test_a_streamed_reading_is_the_whole_formula():
    per_deg = math.radians(1.0) * (1.0 + 0.02**2)
    known = SensorErrors(
        step_deg=3e-4 / per_deg,
        zero_u_deg=4e-5 / per_deg,
        stated_accuracy_deg=5e-4 / per_deg,
        per_kelvin_deg=2e-5 / per_deg,
        kelvin=-3.0,
        cross_axis=0.01,
        gain=0.005,
        floor_deg=7e-5 / per_deg,
    )
    at = still(math.degrees(math.atan(0.02)), u_deg=1e-4 / per_deg, drift_deg_per_s=-5e-5 / per_deg)
    terms = known.budget(at, math.degrees(math.atan(0.01)), 4.0)
    expected = (
        1e-4**2 + 2e-4**2 / 12 + 3e-4**2 / 12 + 4e-5**2 + 5e-4**2 / 3 + 6e-5**2 / 3
        + (0.01 * 0.01) ** 2 / 3 + (0.005 * 0.02) ** 2 / 3 + 7e-5**2
    )  # fmt: skip
    assert terms.u == pytest.approx(math.sqrt(expected), rel=1e-12)
    assert terms.largest_words == "the instrument's stated accuracy"
    # a coarse sensor with no scatter is still not sure: 0.1 deg steps, 0.029 deg
    coarse = SensorErrors(step_deg=0.1).budget(still(), 0.0, 4.0)
    assert math.degrees(coarse.u) == pytest.approx(0.0289, abs=1e-4)
    assert largest_of(budget([Term("zero", 1.0)]), budget([Term("noise", 2.0)])).startswith("the shaking")


# ---------------------------------------------------------------- repeat readings


def test_one_reading_stays_as_it_is():
    one = combine([0.004], [0.0003], [Term("accuracy", 0.0002)])
    assert (one.slope, one.readings, one.spread) == (0.004, 1, 0.0)
    assert one.u == pytest.approx(math.hypot(0.0003, 0.0002))


def test_what_is_shared_never_averages_away():
    shared = [Term("accuracy", 0.0003)]
    four = combine([0.0011, 0.0009, 0.0011, 0.0009], [0.0004] * 4, shared)
    assert four.u == pytest.approx(math.hypot(0.0002, 0.0003))
    assert four.budget.largest.name == "accuracy"


def test_the_same_number_again_says_nothing_new():
    # a scale that rounds gives the same number each time: its step is counted once, not divided by √n
    assert combine([0.001] * 4, [0.0004] * 4).u == 0.0004
    assert combine([0.001, 0.001 + 1e-6], [0.0004] * 2).u == pytest.approx(0.0004 / math.sqrt(2))


def test_readings_that_scatter_count_as_they_scatter():
    scattered = combine([0.001, 0.003, 0.002], [1e-5] * 3)
    # s = 0.001 (n - 1), so s/√3
    assert scattered.spread == pytest.approx(0.001)
    assert scattered.u == pytest.approx(0.001 / math.sqrt(3), rel=1e-12)
    assert scattered.budget.largest_words == "the spread of the repeat readings"


def test_the_finer_reading_weighs_more():
    both = combine([0.0010, 0.0014], [0.0001, 0.0002])
    assert both.slope == pytest.approx((0.0010 * 4 + 0.0014) / 5)


def test_readings_of_one_lean_agree():
    assert agree([0.0010, 0.0018], [0.0003, 0.0003])
    assert not agree([0.0017, 0.0005], [0.0001, 0.0001])
    assert agree([0.001], [0.0])
    assert not agree([0.0010, 0.0011], [0.0, 0.0])
    # Three standard uncertainties of the difference: √(3² + 4²) = 5 tenths of a mm/m, so 15 of them.
    assert agree([0.00249, 0.0010], [0.0003, 0.0004])
    assert not agree([0.00251, 0.0010], [0.0003, 0.0004])


def test_equal_readings_without_uncertainty_of_their_own():
    assert combine([0.002, 0.002], [0.0, 0.0]).u == 0.0
    assert combine([0.001, 0.003], [0.0, 0.0]).slope == 0.002


def test_no_readings_are_no_mean():
    for slopes, u_own in (([], []), ([1.0], [])):
        with pytest.raises(InternalError):
            combine(slopes, u_own)


# ---------------------------------------------------------------- reversal


def face(along, across=0.0, u=1e-4):
    return FaceReading(along, across, u, u)


def test_the_published_index_error():
    # Mahun, open access surveying, vertical circle index (read): 66 direct, 286 reverse, sum 352, index error
    # (360 - 352)/2 = +4, corrected 70. In our words: 66 = lean + zero, 360 - 286 = 74 is the turned reading
    # with its sign back, so r2 = -74; the zero is -4 (it is what the instrument shows too much).
    found = reversal(face(66.0), face(-74.0))
    assert found.lean.slope_along == 70.0
    assert found.zero.along == -4.0
    # with no error 70 and 290 sum to 360 (read)
    assert reversal(face(70.0), face(-70.0)).zero.along == 0.0


@given(st.floats(-0.05, 0.05), st.floats(-0.05, 0.05), st.floats(-0.01, 0.01), st.floats(-0.01, 0.01))
def test_lean_and_zero_come_apart(along, across, zero_along, zero_across):
    # Reading 1 = T + e, reading 2 = T - e: difference 2e, mean T (curioustab.com, surveying; read)
    first = face(along + zero_along, across + zero_across)
    in_words = reversal(first, face(along - zero_along, across - zero_across).mirrored)
    in_its_own = reversal(first, face(zero_along - along, zero_across - across))
    for found in (in_words, in_its_own):
        assert found.lean.slope_along == pytest.approx(along, abs=1e-15)
        assert found.lean.slope_across == pytest.approx(across, abs=1e-15)
        assert found.zero.along == pytest.approx(zero_along, abs=1e-15)
        assert found.zero.across == pytest.approx(zero_across, abs=1e-15)


def test_the_uncertainty_of_a_reversal():
    found = reversal(face(0.01, u=3e-4), face(-0.01, u=4e-4))
    assert found.u_along == pytest.approx(2.5e-4)
    assert found.zero.u == pytest.approx(2.5e-4)
    assert reversal(face(0.01, u=3e-4), face(-0.01, u=4e-4), u_change=12e-4).u_along == pytest.approx(6.5e-4)


def test_a_turn_that_is_not_square_couples_the_directions():
    # u_eps(along) = |lean across| u(eps)/2, against simulation
    lean, u_turn = Lean(0.004, 0.02), math.radians(2.0)
    rng = random.Random(4)
    found = []
    for _ in range(8000):
        eps = rng.gauss(0.0, u_turn)
        turned = -(lean.slope_along * math.cos(eps) + lean.slope_across * math.sin(eps))
        found.append((lean.slope_along - turned) / 2)
    mean = sum(found) / len(found)
    spread = math.sqrt(sum((x - mean) ** 2 for x in found) / (len(found) - 1))
    exact = FaceReading(lean.slope_along, lean.slope_across, 0.0, 0.0)
    back = FaceReading(-lean.slope_along, -lean.slope_across, 0.0, 0.0)
    assert reversal(exact, back, u_turn_rad=u_turn).u_along == pytest.approx(spread, rel=0.03)


def test_a_face_that_was_not_turned_is_noticed():
    known = Zero(0.0005, 0.0, 5e-5)
    same = reversal(face(0.0105), face(0.0105), known=known)
    assert same.suspicion == "not-turned"
    assert "was it turned" in same.words
    turned = reversal(face(0.0105), face(-0.0095), known=known)
    assert turned.suspicion is None
    assert turned.words is None


def test_the_first_use_asks():
    assert reversal(face(0.0105), face(0.0105)).suspicion == "ask"
    assert reversal(face(0.0001), face(0.0001)).suspicion is None  # a plumb post reads the same turned or not
    assert reversal(face(0.0105), face(-0.0095)).suspicion is None


def test_faces_are_the_same_up_to_three_uncertainties_of_their_difference():
    # u of the difference: √2 · 1e-4, three of it 4.24e-4.
    assert reversal(face(0.0105), face(0.0101)).suspicion == "ask"
    assert reversal(face(0.0105), face(0.01004)).suspicion is None


def test_a_zero_that_jumps_is_reported():
    known = Zero(0.0005, 0.0, 5e-5)
    jumped = reversal(face(0.012), face(-0.008), known=known)
    assert jumped.suspicion == "zero-jumped"
    assert "taper" in jumped.words
    # within three combined u it did not jump
    assert reversal(face(0.0107), face(-0.0095), known=known).suspicion is None
