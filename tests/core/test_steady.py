"""Steadiness against figures simulated beforehand, coverage of the standard error, and real recordings."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shimfit.core.sensing.statistics import (
    SampleRing,
    few,
    mean_uncertainty,
    median,
    memory_time,
    robust_spread,
    settled_from,
    straight_line,
)
from shimfit.core.sensing.watch import Held, PostWatch, SensorErrors, Steadiness, WatchState, hold
from shimfit.report.statistics import students_t95

RATE = 50
FIXTURES = Path(__file__).parents[2] / "fixtures"


def standard_error(values, tau: float) -> float:
    """Of the mean of values with memory time tau, as it is often reckoned: s √(tau/n)."""
    return float(values.std(ddof=1)) * math.sqrt(tau / len(values))


def remembering(draw, n: int, phi: float, sd: float):
    """AR(1) noise: each sample keeps phi of the last one."""
    fresh = draw.normal(size=n) * sd * math.sqrt(1 - phi * phi)
    values = np.empty(n)
    values[0] = draw.normal() * sd
    for k in range(1, n):
        values[k] = phi * values[k - 1] + fresh[k]
    return values


def watch_until_taken(times_s, x_deg, draw) -> Held | None:
    watch = PostWatch()
    y_deg = draw.normal(size=len(times_s)) * 0.003
    for k, time_s in enumerate(times_s):
        watch.add(float(time_s), float(x_deg[k]), float(y_deg[k]))
        if watch.view.taken is not None:
            return watch.view.taken
    return None


def ring_down(t, since, size, decay, hz):
    after = np.clip(t - since, 0, None)
    return np.where(t >= since, size * np.exp(-after / decay) * np.cos(2 * np.pi * hz * after), 0.0)


# name, x(t) in degrees, true level or creep a second, taken of 12 (least, most), latest median time, rms
CASES = [
    ("white", lambda d, t: d.normal(size=len(t)) * 0.02, 0.0, (12, 12), 4.1, 0.0025),
    ("memory 0.9", lambda d, t: remembering(d, len(t), 0.9, 0.02), 0.0, (12, 12), 9, 0.010),
    ("memory 0.97", lambda d, t: remembering(d, len(t), 0.97, 0.02), 0.0, (12, 12), 16, 0.020),
    (
        "wobble dying with 0.7 s",
        lambda d, t: d.normal(size=len(t)) * 0.02 + ring_down(t, 0, 0.5, 0.7, 3),
        0.0,
        (12, 12),
        5.0,
        0.004,
    ),
    ("creep 0.002", lambda d, t: d.normal(size=len(t)) * 0.02 + 0.002 * t, 0.002, (11, 12), 5.0, 0.003),
    ("creep 0.005", lambda d, t: d.normal(size=len(t)) * 0.02 + 0.005 * t, 0.005, (5, 12), 25, 0.005),
    ("creep 0.01, sd 0.005", lambda d, t: d.normal(size=len(t)) * 0.005 + 0.01 * t, 0.01, (0, 0), 0, 0),
    ("creep 0.02", lambda d, t: d.normal(size=len(t)) * 0.02 + 0.02 * t, 0.02, (0, 0), 0, 0),
    ("creep 0.05", lambda d, t: d.normal(size=len(t)) * 0.02 + 0.05 * t, 0.05, (0, 0), 0, 0),
    (
        "12 Hz shaking",
        lambda d, t: d.normal(size=len(t)) * 0.005 + 0.2 * np.sin(2 * np.pi * 12 * t + d.uniform(0, 6)),
        0.0,
        (12, 12),
        4.1,
        0.0025,
    ),
    (
        "knock",
        lambda d, t: d.normal(size=len(t)) * 0.02 + ring_down(t, 2.3, 1.5, 0.1, 8),
        0.0,
        (12, 12),
        4.6,
        0.003,
    ),
    (
        "knock that moved the level",
        lambda d, t: d.normal(size=len(t)) * 0.02 + ring_down(t, 2.3, 1.5, 0.1, 8) + 0.08 * (t >= 2.3),
        (0.08,),
        (12, 12),
        9.0,
        0.006,
    ),
]


@pytest.mark.parametrize("case", CASES, ids=lambda case: case[0])
def test_simulated_posts_come_out_as_they_did_beforehand(case):
    """The design's own simulation (50 Hz, 100 runs each), here with 12 seeded runs and room for luck."""
    name, made, truth, taken, median_s, rms_deg = case
    times_s = np.arange(0, 15 if taken[1] == 0 else 25, 1 / RATE)
    errors, at_s = [], []
    for seed in range(12):
        draw = np.random.default_rng(seed)
        held = watch_until_taken(times_s, made(draw, times_s), draw)
        if held is None:
            continue
        # A creep too slow to be seen is reported for the hold's middle, one that is seen for its end.
        middle_s = held.time_s - held.seconds / 2
        levels = [truth[0]] if isinstance(truth, tuple) else [truth * middle_s, truth * held.time_s]
        level = min(levels, key=lambda one: abs(held.x_deg - one))
        errors.append(held.x_deg - level)
        at_s.append(held.time_s)
        assert held.u_x_deg > 0
    assert taken[0] <= len(errors) <= taken[1], name
    if errors:
        assert float(np.median(at_s)) <= median_s
        assert float(np.sqrt(np.mean(np.square(errors)))) <= rms_deg


# ---------------------------------------------------------------- spread, memory, standard error


def test_robust_spread_is_the_standard_deviation_of_normal_values_and_blind_to_knocks():
    values = np.random.default_rng(3).normal(size=20_000)
    assert robust_spread(values) == pytest.approx(1.0, rel=0.02)
    values[::50] += 1000
    assert robust_spread(values) == pytest.approx(1.0, rel=0.05)


@pytest.mark.parametrize("phi", [0.0, 0.3, 0.6, 0.9])
def test_memory_time_of_remembering_noise(phi):
    """Known for AR(1): tau = (1 + phi) / (1 - phi)."""
    draw = np.random.default_rng(11)
    found = [memory_time(remembering(draw, 4000, phi, 1.0)) for _ in range(20)]
    assert float(np.mean(found)) == pytest.approx((1 + phi) / (1 - phi), rel=0.12)


def test_a_trend_left_in_inflates_the_memory_time():
    draw = np.random.default_rng(5)
    times_s = np.arange(200) / 50
    values = draw.normal(size=200) * 0.01 + 0.02 * times_s
    assert memory_time(straight_line(times_s, values)[1]) < 2
    assert memory_time(values) > 20


# phi: coverage of a nominal 95 % interval with s/sqrt(n), and with tau and Student's t (2000 runs beforehand)
COVERAGE = [(0.0, 95, 96), (0.3, 84, 95), (0.6, 67, 94), (0.9, 33, 91), (0.95, 23, 87)]


@pytest.mark.parametrize(("phi", "plain", "with_memory"), COVERAGE)
def test_coverage_of_the_standard_error(phi, plain, with_memory):
    from scipy.stats import t as student

    draw = np.random.default_rng(17)
    hits = np.zeros(2)
    runs = 250
    for _ in range(runs):
        values = remembering(draw, 200, phi, 1.0)
        tau = memory_time(values)
        off = abs(values.mean())
        hits[0] += off <= 1.96 * standard_error(values, 1.0)
        hits[1] += off <= student.ppf(0.975, max(1.0, 200 / tau - 1)) * standard_error(values, tau)
    assert 100 * hits[0] / runs == pytest.approx(plain, abs=7)
    assert 100 * hits[1] / runs == pytest.approx(with_memory, abs=6)


@given(st.lists(st.floats(-45, 45), min_size=1, max_size=60))
def test_figures_of_any_values_are_finite_and_never_negative(values):
    array = np.array(values)
    tau = memory_time(array)
    assert 1.0 <= tau <= len(values)
    assert 0.0 <= robust_spread(array) < 200
    assert 0.0 <= mean_uncertainty(array, 4.0) < 1e4
    assert 0 <= settled_from(array) <= len(values) / 2 + 5


def test_no_values_are_refused():
    for figure in (robust_spread, memory_time):
        with pytest.raises(ValueError, match="no values"):
            figure(np.array([]))


# ---------------------------------------------------------------- one hold


def still(n=200, sd=0.02, seed=1, level=1.0):
    draw = np.random.default_rng(seed)
    return np.arange(n) / RATE, level + draw.normal(size=n) * sd, draw.normal(size=n) * sd


def test_estimators_under_a_knock_are_as_good_as_they_were_beforehand():
    """rms of the mean after the cut 0.0023 where the ideal is 0.0021 and the plain mean has 0.0049."""
    errors, plain = [], []
    for seed in range(60):
        times_s, x, y = still(n=90, seed=seed, level=0.0)
        x += ring_down(times_s, 0.5, 1.5, 0.1, 8)
        held = hold(times_s, x, y, SensorErrors(), 0.01)
        assert isinstance(held, Held)
        errors.append(held.x_deg)
        plain.append(x.mean())
    rms, rms_plain = (float(np.sqrt(np.mean(np.square(e)))) for e in (errors, plain))
    assert rms < 0.0030
    assert rms_plain > 1.2 * rms


def test_a_drift_that_is_more_than_noise_is_refused_in_words():
    times_s, x, y = still(sd=0.003)
    answer = hold(times_s, x + 0.01 * times_s, y, SensorErrors(), 0.01)
    assert isinstance(answer, str)
    assert "x creeps +0.6" in answer


def test_the_uncertainty_is_the_root_sum_of_squares_of_its_terms():
    """GUM: half-widths count by sqrt 3, a step by sqrt 12; all at a lean of nothing, so slopes are angles."""
    times_s, x, y = still(sd=0.0, level=0.0)
    sensor_errors = SensorErrors(
        step_deg=0.1, zero_u_deg=0.02, stated_accuracy_deg=0.05, per_kelvin_deg=0.03, kelvin=2, floor_deg=0.01
    )
    held = hold(times_s, x, y, sensor_errors, 0.01)
    assert isinstance(held, Held)
    wanted = math.sqrt(0.1**2 / 12 + 0.02**2 + 0.05**2 / 3 + 0.06**2 / 3 + 0.01**2)
    assert held.u_x_deg == pytest.approx(wanted, rel=1e-9)
    assert held.u_y_deg == pytest.approx(wanted, rel=1e-9)
    assert "temperature" in held.largest


def test_cross_axis_and_gain_grow_with_the_leans():
    times_s, x, y = still(sd=0.0, level=3.0)
    held = hold(times_s, x, y, SensorErrors(cross_axis=0.02, gain=0.01), 0.01)
    assert isinstance(held, Held)
    assert held.u_y_deg == pytest.approx(0.02 * 3.0 / math.sqrt(3), rel=0.01)
    assert held.u_x_deg == pytest.approx(0.01 * 3.0 / math.sqrt(3), rel=0.01)


def test_the_uncertainty_is_never_zero():
    times_s, x, y = still(sd=0.0)
    held = hold(times_s, x, y, SensorErrors(), 0.01)
    assert isinstance(held, Held)
    assert held.u_x_deg > 0


def test_a_flicker_between_two_steps_is_not_cut_away():
    times_s = np.arange(200) / RATE
    flicker = np.where(np.arange(200) % 4 == 0, 0.4, 0.5)
    held = hold(times_s, flicker, np.zeros(200), SensorErrors(step_deg=0.1), 0.15)
    assert isinstance(held, Held)
    assert held.x_deg == pytest.approx(0.475)


# ---------------------------------------------------------------- the state machine


class Post:
    def __init__(self, **settings) -> None:
        self.watch = PostWatch(Steadiness(**settings))
        self.draw = np.random.default_rng(2)
        self.now = 0.0

    def go(self, seconds, level=0.0, sd=0.01, moving=False):
        seen = []
        for _ in range(round(seconds * RATE)):
            self.now += 1 / RATE
            self.watch.add(
                self.now,
                level + float(self.draw.normal()) * sd,
                float(self.draw.normal()) * sd,
                moving=moving,
            )
            if not seen or seen[-1] is not self.watch.view.state:
                seen.append(self.watch.view.state)
        return seen


def test_states_in_order_and_again_after_a_new_level():
    post = Post()
    assert post.go(5) == [WatchState.MOVING, WatchState.STEADY, WatchState.HOLDING, WatchState.TAKEN]
    assert post.watch.view.taken.x_deg == pytest.approx(0.0, abs=0.005)
    seen = post.go(8, level=0.5)
    assert seen[0] is WatchState.TAKEN
    assert WatchState.MOVING in seen
    assert seen[-1] is WatchState.TAKEN
    assert post.watch.view.taken.x_deg == pytest.approx(0.5, abs=0.005)


def test_a_reading_is_gone_while_the_post_moves():
    post = Post()
    post.go(5)
    post.go(1.2, level=0.5)
    assert post.watch.view.taken is None
    assert post.watch.view.state is WatchState.MOVING


def test_a_creep_too_slow_for_one_window_ends_a_reading_in_the_end():
    post = Post()
    post.go(5)
    first = post.watch.view.taken
    for step in range(100):
        post.go(0.5, level=0.0015 * step)
    assert first is not None
    assert post.watch.view.taken is not first


def test_shaking_is_named_however_regular():
    watch = PostWatch()
    for k in range(200):
        watch.add(k / RATE, 0.6 * math.sin(12 * 2 * math.pi * k / RATE + 0.3), 0.0)
    assert watch.view.state is WatchState.MOVING
    assert watch.view.words.startswith("shaking")


def test_a_reading_is_made_of_three_samples_at_least():
    times_s, x_deg, y_deg = np.arange(3) / RATE, np.full(3, 0.3), np.full(3, 0.1)
    assert hold(times_s[:2], x_deg[:2], y_deg[:2], SensorErrors(), 0.05) == "too few samples"
    assert hold(times_s, x_deg, y_deg, SensorErrors(), 0.05).samples == 3


def test_a_hold_goes_on_until_the_uncertainty_is_small_enough_or_for_the_longest_time():
    post = Post(target_u_deg=0.0008)
    post.go(5, sd=0.02)
    assert post.watch.view.state is WatchState.HOLDING
    assert "so far" in post.watch.view.words
    post.go(12, sd=0.02)
    assert post.watch.view.state is WatchState.TAKEN
    assert post.watch.view.taken.seconds == pytest.approx(15, abs=0.3)


def test_again_holds_anew():
    post = Post()
    post.go(5)
    post.watch.lose_hold(post.now, "holding anew")
    assert post.watch.view.taken is None
    post.go(3.8)
    assert post.watch.view.state is WatchState.HOLDING
    post.go(0.5)
    assert post.watch.view.state is WatchState.TAKEN


def test_too_few_samples_are_gathered_first():
    post = Post()
    assert post.go(1.9) == [WatchState.MOVING]
    assert post.watch.view.words.startswith("gathering samples: ")


def test_moving_samples_stay_out_of_the_mean():
    post = Post()
    post.go(3)
    post.go(0.2, level=2.0, moving=True)
    post.go(2)
    assert post.watch.view.state is WatchState.TAKEN
    assert post.watch.view.taken.x_deg == pytest.approx(0.0, abs=0.005)


# ---------------------------------------------------------------- the ring


def test_the_ring_keeps_its_span_and_its_number():
    ring = SampleRing(2.0, most=150)
    for k in range(20_000):
        ring.add(k / 100, float(k), float(-k), counts=k % 2 == 0)
    assert len(ring) == 150
    assert len(ring._time) < 5000, "old samples are cleared away"
    times_s, x, y = ring.since(199.9)
    assert list(x) == [19990, 19992, 19994, 19996, 19998]
    assert list(y) == [-v for v in x]
    assert times_s[0] == pytest.approx(199.9)
    assert len(ring.since(1e9, at_least=20)[0]) == 10
    ring.clear()
    assert len(ring) == 0


@settings(deadline=None)
@given(st.lists(st.floats(0, 1), max_size=200), st.floats(0.1, 5))
def test_the_ring_gives_what_a_list_would(steps, span_s):
    ring = SampleRing(span_s)
    times_s = list(np.cumsum(steps))
    for time_s in times_s:
        ring.add(float(time_s), float(time_s), 0.0)
    kept = [t for t in times_s if t >= times_s[-1] - span_s] if times_s else []
    assert list(ring.since(-1.0)[0]) == pytest.approx(kept)


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=300))
def test_the_median_is_numpy_s(values):
    assert median(np.array(values)) == pytest.approx(float(np.median(values)), rel=1e-15)


# ---------------------------------------------------------------- real recordings


def recording(name: str):
    with (FIXTURES / "published" / "imu" / name).open(encoding="ascii", newline="") as file:
        rows = [[float(cell) for cell in row] for row in list(csv.reader(file))[1:]]
    return np.array(rows)


def test_a_real_sensor_that_is_handled_and_then_lies_still():
    """Beforehand: 1.76 degrees from 3.6 s on, 2 s means 1.777, 1.763, 1.751; it creeps a little."""
    rows = recording("moved_then_still.csv")
    watch = PostWatch()
    states = []
    for time_s, ax, ay, az in rows:
        watch.add(time_s, math.degrees(math.atan2(-ax, az)), math.degrees(math.atan2(-ay, az)))
        states.append((time_s, watch.view.state))
    assert all(state is WatchState.MOVING for time_s, state in states if time_s < 3.6)
    for start_s, beforehand in ((3.9, 1.777), (5.9, 1.763), (7.9, 1.751)):
        part = rows[(rows[:, 0] >= start_s) & (rows[:, 0] < start_s + 2)]
        x, y = (np.degrees(np.arctan2(-part[:, axis], part[:, 3])) for axis in (1, 2))
        held = hold(part[:, 0], x, y, SensorErrors(), 0.5)
        assert isinstance(held, Held)
        assert math.hypot(held.x_deg, held.y_deg) == pytest.approx(beforehand, abs=2 * held.u_x_deg)
        assert 0.005 < held.u_x_deg < 0.15


def test_a_real_recording_that_creeps_has_more_uncertainty_than_its_scatter_shows():
    """Beforehand: the plain standard error of its longest steady run is far below what memory says."""
    rows = recording("counts.csv")
    x_deg = np.degrees(np.arctan2(-rows[:, 1], rows[:, 0]))
    run = x_deg[:600]
    tau = memory_time(straight_line(np.arange(600.0), run)[1])
    assert tau > 1.8
    assert standard_error(run, tau) > 1.3 * standard_error(run, 1.0)


def test_a_knock_that_changed_nothing_is_shown_for_a_moment():
    post = Post()
    post.go(6)
    assert not post.watch.view.knocked
    post.go(0.3, level=1.5)
    post.go(3)
    assert post.watch.view.state is WatchState.TAKEN
    assert post.watch.view.knocked
    assert post.watch.view.words.endswith("a knock, the level has stayed")
    post.go(6)
    assert not post.watch.view.knocked


def test_a_slow_sensor_counts_down_to_its_first_window():
    watch = PostWatch()
    reported = []
    for second in range(25):
        watch.add(float(second), 0.01 * (second % 3), 0.0)
        if watch.view.words.startswith("gathering"):
            reported.append(int(watch.view.words.split()[2]))
    assert reported[2:] == sorted(reported[2:], reverse=True), reported
    assert reported[-1] == 1
    assert 15 <= max(reported) <= 20
    assert watch.view.state is WatchState.TAKEN, "20 samples are a window, and long enough to be held"


def test_what_was_taken_is_not_given_up_for_a_flicker_of_the_noise():
    """A shift just over what a hold begins under ends no reading; half as much again does."""
    slight, clear = Post(), Post()
    for post, level in ((slight, 0.013), (clear, 0.017)):
        post.go(6, sd=0.0005)
        first = post.watch.view.taken
        assert first is not None
        seen = post.go(1.5, sd=0.0005, level=level)
        assert (WatchState.MOVING in seen) == (post is clear)


def test_few_values_widen_as_students_t_does():
    """Beside the report's own inversion of the finite sums (Abramowitz & Stegun 26.7.3-4)."""
    for freedom in (1, 2, 5, 10, 30, 200):
        assert 1.960 * few(freedom) == pytest.approx(students_t95(freedom), rel=0.01)
    assert few(2) > few(2.5) > few(3)


@pytest.mark.parametrize("seconds", [4, 12])
@pytest.mark.parametrize("phi", [0.0, 0.8, 0.9, 0.98])
def test_two_u_of_a_mean_covers_noise_that_remembers(phi, seconds):
    """At 50 Hz; by the stretch's own memory alone AR(0.98) is covered in 68 to 85 %."""
    draw = np.random.default_rng(4)
    n, hits, us, errors = 50 * seconds, 0, [], []
    for _ in range(200):
        values = remembering(draw, n, phi, 0.02) if phi else draw.normal(size=n) * 0.02
        us.append(mean_uncertainty(values, seconds))
        errors.append(float(values.mean()))
        hits += abs(errors[-1]) <= 2 * us[-1]
    assert hits / 200 >= 0.93
    if n > 40 * (1 + phi) / (1 - phi):  # the stretch is long enough to know the memory from it
        assert float(np.median(us)) < 1.5 * float(np.sqrt(np.mean(np.square(errors))))


def test_what_a_decaying_memory_can_explain_is_one_u_and_not_two():
    """12 s of AR(0.8): nine u in ten lie within a factor of 2, and none is far out."""
    draw = np.random.default_rng(8)
    us = [mean_uncertainty(remembering(draw, 600, 0.8, 0.02), 12.0) for _ in range(100)]
    low, high = np.percentile(us, (5, 95))
    assert high < 2 * low
    assert max(us) < 3 * low


def test_a_memory_that_is_known_counts_however_short_the_hold_shows_it():
    values = np.random.default_rng(3).normal(size=200) * 0.02
    plain = mean_uncertainty(values, 4.0)
    assert mean_uncertainty(values, 4.0, known_tau=50.0) > 3 * plain
    slow = remembering(np.random.default_rng(3), 200, 0.96, 0.02)
    assert mean_uncertainty(slow, 4.0, known_tau=49.0) == pytest.approx(0.02 * math.sqrt(49 / 200), rel=0.4)
    assert mean_uncertainty(np.full(50, 0.3), 1.0) == 0.0
    three = np.array([0.1, 0.2, 0.3])
    assert mean_uncertainty(three, 3.0) == pytest.approx(0.1 / math.sqrt(3) * few(2))
    assert mean_uncertainty(three, 3.0, known_tau=4.0) == pytest.approx(0.2 / math.sqrt(3) * few(2))


def test_the_tail_of_a_movement_is_left_out_and_a_creep_is_not():
    times = np.arange(0, 4, 0.02)
    draw = np.random.default_rng(6)
    noise = 0.005 * draw.normal(size=200)
    tail = 0.5 * np.exp(-times / 0.3)
    assert 0.8 <= times[settled_from(noise + tail)] <= 1.9
    step = np.where(times < 1.5, 0.03, 0.0)
    assert times[settled_from(noise + step)] == pytest.approx(1.5, abs=0.11)
    assert settled_from(noise) == 0
    assert settled_from(noise + 0.01 * times) == 0


def test_a_hold_counts_in_the_memory_that_a_long_still_record_showed():
    times, draw = np.arange(0, 4, 0.02), np.random.default_rng(5)
    x_deg, y_deg = draw.normal(size=len(times)) * 0.02, draw.normal(size=len(times)) * 0.02
    plain = hold(times, x_deg, y_deg, SensorErrors(), 0.05)
    known = hold(times, x_deg, y_deg, SensorErrors(memory_s=0.4), 0.05)  # 20 samples for one: √20 = 4.5 times
    assert known.y.u_mean_deg > 3.0 * plain.y.u_mean_deg


def test_what_a_known_memory_wanders_by_itself_is_no_drift():
    times, draw = np.arange(0, 4, 0.02), np.random.default_rng(2)
    wandering = 0.00025 * times + 0.001 * draw.normal(size=len(times))
    still_deg = 0.001 * draw.normal(size=len(times))
    plain = hold(times, wandering, still_deg, SensorErrors(), 0.01)
    known = hold(times, wandering, still_deg, SensorErrors(memory_s=0.1), 0.01)
    assert plain.x_deg == pytest.approx(known.x_deg + 0.00025 * 2, abs=2e-4), "the end of the hold"
    assert known.x_deg == pytest.approx(wandering.mean(), abs=2e-4), "its mean"
    assert known.x.drift_limit_deg > 2.0 * plain.x.drift_limit_deg


@pytest.mark.parametrize("way", [1, -1])
def test_a_drift_is_reported_for_the_end_of_the_hold(way):
    times = np.arange(0, 4, 0.02)
    draw = np.random.default_rng(6)
    creeping = way * 0.0024 * times + 0.001 * draw.normal(size=len(times))
    held = hold(times, creeping, 0.001 * draw.normal(size=len(times)), SensorErrors(), 0.01)
    assert way * held.x_deg == pytest.approx(0.0024 * 4, abs=2 * held.u_x_deg)
    assert way * held.x_deg > 0.0080
