"""The chance of plumb at the next reading against other ways of working it out; prices are data."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
import scipy  # its parts are loaded where they are used

from shimfit.core.chance import Chances, Zone, acceptance_of, next_reading, zone_of
from shimfit.core.objective import READ_AGAIN_MIN, WORTH_READING_MIN, Reads, Scatter, usual_reads
from shimfit.core.resting import tilts_per_mm
from shimfit.core.uncertainty.decision import decide_lean
from shimfit.core.uncertainty.disk import inside_disk
from shimfit.model import Lean
from shimfit.quantities.typed import parse_tolerance

SQUARE = [(45.0, 45.0), (-45.0, 45.0), (45.0, -45.0), (-45.0, -45.0)]


def drawn(n: int, number: int):
    """Covariances, zones and rests as they can occur."""
    rng = np.random.default_rng(number)
    root = rng.normal(size=(n, 2, 2)) * rng.uniform(0.05, 1.0, (n, 1, 1))
    s = root @ np.swapaxes(root, 1, 2) + np.eye(2) * rng.uniform(0.01, 0.3, (n, 1, 1))
    return s, rng.uniform(0.3, 2.0, n), rng.uniform(-1.4, 1.4, (n, 2))


def top_per_error(points):
    """Shift of the top at 1000 mm per mm of error at each of these supports: it goes against the tilt."""
    return -1000.0 * np.array(tilts_per_mm([(x, y, 1.0) for x, y in points])).T


def test_a_disk_agrees_with_the_adaptive_integral():
    s, radius, rest = drawn(300, 1)
    chances = Chances(s[:, [0, 0, 1], [0, 1, 1]], [Zone(r, r, disk=True) for r in radius], 2.0)
    found = chances.at(np.arange(300), rest[:, 0], rest[:, 1])
    for k in range(300):
        w, axes = np.linalg.eigh(s[k])
        x, y = axes.T @ rest[k]
        exact = inside_disk(x, y, math.sqrt(w[0]), math.sqrt(w[1]), radius[k])
        assert found[k] == pytest.approx(exact, abs=4e-6)


def test_a_rectangle_agrees_with_the_bivariate_normal():
    """Reference: scipy.stats.multivariate_normal (Genz)."""
    s, half, rest = drawn(60, 2)
    zones = [Zone(r, 0.8 * r, disk=False) for r in half]
    chances = Chances(s[:, [0, 0, 1], [0, 1, 1]], zones, 2.0)
    found = chances.at(np.arange(60), rest[:, 0], rest[:, 1])
    for k in range(60):
        upper = np.array([half[k], 0.8 * half[k]])
        exact = scipy.stats.multivariate_normal(rest[k], s[k]).cdf(upper, lower_limit=-upper)
        assert found[k] == pytest.approx(exact, abs=2e-5)


def test_the_chance_falls_along_every_ray():
    rng = np.random.default_rng(5)
    s, radius, _ = drawn(50, 6)
    chances = Chances(s[:, [0, 0, 1], [0, 1, 1]], [Zone(r, r, disk=True) for r in radius], 3.0)
    which = np.arange(50)
    angle = rng.uniform(0.0, math.tau, 50)
    before = chances.best()
    for t in np.linspace(0.1, 2.5, 12):
        now = chances.at(which, t * np.cos(angle), t * np.sin(angle))
        assert (now <= before + 2e-6).all()
        before = now


def test_the_worked_example_of_the_module():
    top = top_per_error(SQUARE)
    assert np.abs(top) == pytest.approx(1000.0 / 180.0)
    reads, scatter = usual_reads(), Scatter()
    seats = [scatter.seat_mm2(inner=True)] * 4
    for allowed, best, off in ((2.0, 0.532, 0.411), (10.0 / 3.0, 0.953, 0.894)):
        acceptance = acceptance_of(
            allowed, 1000.0, reads, scatter, per_direction=False, shift_mm=(0.0, 0.0), u_take_up=0.15
        )
        s = acceptance.covariance(*top.tolist(), seats)
        assert s == pytest.approx([1.310, 0.0, 1.310], abs=1e-3)
        chances = Chances([s], [acceptance.zone], allowed)
        assert chances.at(0, [0.0, 1.0], [0.0, 0.0]) == pytest.approx([best, off], abs=2e-3)


@pytest.mark.parametrize(("text", "per_direction"), [("1:500", False), ("1:300", False), ("1:500", True)])
def test_readings_that_fall_on_marks_are_counted_as_they_fall(text, per_direction):
    """Against readings drawn, put on the marks of a millimetre scale and decided one by one."""
    reads, limit = usual_reads(), parse_tolerance(text, per_direction=per_direction)
    allowed, rng = limit.allowed_top_mm(1000.0), np.random.default_rng(11)
    seats = 0.8 + reads.own_along**2 * 1e6 + 0.3**2
    for rest in ((0.0, 0.0), (0.8, -0.5)):
        zone = zone_of(allowed, 1000.0, reads, per_direction=per_direction)
        reported = float(Chances([[seats, 0.0, seats]], [zone], allowed).at(0, [rest[0]], [rest[1]])[0])
        read = np.rint(rest + rng.normal(0.0, math.sqrt(seats), (20000, 2))) / 1000
        marks, times = np.unique(read, axis=0, return_counts=True)
        plumb = sum(
            n
            for mark, n in zip(marks, times, strict=True)
            if decide_lean(
                Lean(*mark), reads.u_along, reads.u_across, limit, 1000.0, steps=(reads.step, reads.step)
            ).decision
            == "plumb"
        )
        assert reported == pytest.approx(plumb / 20000, abs=0.03)


def test_three_supports_have_a_base_of_their_own():
    """A narrow tripod magnifies a seat's error: the plane through three points, solved by hand."""
    top = top_per_error([(-45.0, -45.0), (13.0, -45.0), (-45.0, 13.0)])
    assert top[0] == pytest.approx([1000.0 / 58.0, -1000.0 / 58.0, 0.0])
    assert top[1] == pytest.approx([1000.0 / 58.0, 0.0, -1000.0 / 58.0])


def test_the_zone_is_where_a_reading_is_called_plumb():
    reads = Reads(0.0004, 0.0004, 0.0003, 0.0003)
    zone = zone_of(2.0, 1000.0, reads, per_direction=False)
    assert inside_disk(zone.along_mm, 0.0, 0.4, 0.4, 2.0) == pytest.approx(0.95, abs=1e-4)
    for share, decision in ((1 - 1e-5, "plumb"), (1 + 1e-5, "too-close")):
        lean = Lean(zone.along_mm / 1000 * share, 0.0)
        assert decide_lean(lean, 0.0004, 0.0004, parse_tolerance("1:500"), 1000.0).decision == decision
    assert zone.along_mm < 2.0 - 1.645 * 0.4
    each = zone_of(2.0, 1000.0, reads, per_direction=True)
    assert (each.along_mm, each.disk) == (pytest.approx(2.0 - 1.6448536 * 0.4, abs=1e-5), False)
    assert zone_of(2.0, 1000.0, Reads(0.0, 0.0, 0.0, 0.0, 0.0), per_direction=False) == Zone(
        2.0, 2.0, disk=True
    )


@pytest.mark.parametrize("u", [(0.4, 0.4), (0.3, 0.6)])
def test_a_rectangle_counts_as_plumb_what_the_rule_calls_plumb(u):
    """Against decisions on readings drawn at random: the corners, where P of both is below 0.95, are cut."""
    reads = Reads(u[0] / 1000, u[1] / 1000, 0.0003, 0.0003)
    zone, rng = zone_of(2.0, 1000.0, reads, per_direction=True), np.random.default_rng(9)
    s, limit = np.array([[0.1, 0.04], [0.04, 0.16]]), parse_tolerance("1:500", per_direction=True)
    for rest, more in (((0.0, 0.0), -1e-6), ((1.1, 1.1), 0.025)):
        reported = float(Chances(s[[0, 0, 1], [0, 1, 1]], [zone], 2.0).at(0, [rest[0]], [rest[1]])[0])
        drawn_at = rng.multivariate_normal(rest, s, 4000) / 1000
        plumb = [
            decide_lean(Lean(*one), reads.u_along, reads.u_across, limit, 1000.0).decision == "plumb"
            for one in drawn_at
        ]
        assert reported == pytest.approx(np.mean(plumb), abs=0.025)
        plain = replace(zone, steps=())
        assert Chances(s[[0, 0, 1], [0, 1, 1]], [plain], 2.0).at(0, [rest[0]], [rest[1]])[0] > reported + more


def test_an_instrument_that_can_not_decide_leaves_the_tolerance_as_the_zone():
    zone = zone_of(2.0, 1000.0, Reads(0.001, 0.001, 0.0005, 0.0005), per_direction=False)
    assert zone == Zone(2.0, 2.0, disk=True, decides=False)


def test_scatter_of_a_seat():
    face = Scatter().seat_mm2(inner=False, gap_slope=0.02)
    assert face == pytest.approx(0.0064 + 0.0016 + 0.02**2)
    assert Scatter().seat_mm2(inner=True, gap_slope=0.02) == pytest.approx(0.0064 + 0.0016 + 0.06**2)
    assert Scatter(factor=1.5).seat_mm2(inner=False) == pytest.approx(2.25 * face)


WAYS = {
    "as before": ({}, False, False),
    "read finer after": ({"finer": True}, False, False),
    "turned after": ({}, True, False),
    "turned before and after": ({"before": True}, True, True),
    "turned before": ({"before": True}, False, True),
}


@pytest.mark.parametrize("way", WAYS)
def test_what_the_reading_before_and_the_reading_after_share_goes_out(way):
    """Against readings drawn: a zero in each, the hand, the marks of the scale; decided one by one."""
    how, turned_after, turned_before = WAYS[way]
    rng, n, allowed, rest = np.random.default_rng(12), 40_000, 10.0 / 3.0, np.array((0.9, -0.4))
    reads = usual_reads()
    finer, packed_by = (
        reads.finer if how.get("finer") else reads,
        reads.read_twice if turned_before else reads,
    )
    last = finer.settling if turned_after else finer
    zero = rng.uniform(-0.5, 0.5, (n, 2))

    def read(top, sign, step):
        return np.rint((top + sign * zero + rng.normal(0.0, 0.3, (n, 2))) / step) * step

    bed = rng.uniform(-8.0, 8.0, (n, 2))
    before = read(bed, 1, 1.0)
    if turned_before:
        before = (before + read(bed, -1, 1.0)) / 2.0
    stands = bed - before + rest + rng.normal(0.0, 0.9, (n, 2))
    step = last.step * 1000.0
    after = read(stands, 1, finer.step * 1000.0)
    if turned_after:
        after = (after + read(stands, -1, finer.step * 1000.0)) / 2.0
    near = after[np.hypot(*after.T) <= allowed]
    marks, times = np.unique(near, axis=0, return_counts=True)
    limit = parse_tolerance("1:300")
    plumb = sum(
        many
        for mark, many in zip(marks / 1000.0, times, strict=True)
        if decide_lean(
            Lean(*mark), last.u_along, last.u_across, limit, 1000.0, steps=(last.step, last.step)
        ).decision
        == "plumb"
    )
    variances = [0.9**2 + one * 1e6 for one in packed_by.off_by(last)]
    zone = zone_of(allowed, 1000.0, last, per_direction=False)
    chance = Chances([[variances[0], 0.0, variances[1]]], [zone], allowed)
    assert float(chance.at(0, [rest[0]], [rest[1]])[0]) == pytest.approx(plumb / n, abs=0.02)
    assert step == pytest.approx(1.0 / (1 + turned_after) / (1 + bool(how.get("finer"))))


def test_the_next_reading_alone_is_what_readings_drawn_are_decided():
    """One reading, not the mean of two: at 1:500 and a scale of 1 mm only the mark 0, 0 is plumb."""
    rng, n, reads, limit = np.random.default_rng(14), 20_000, usual_reads(), parse_tolerance("1:500")
    zero, bed = rng.uniform(-0.5, 0.5, (n, 2)), rng.uniform(-8.0, 8.0, (n, 2))

    def read(top):
        return np.rint(top + zero + rng.normal(0.0, 0.3, (n, 2)))

    after = read(bed - read(bed) + (0.6, -0.3) + rng.normal(0.0, 0.7, (n, 2)))
    said = Counter[str]()
    for mark, many in zip(*np.unique(after, axis=0, return_counts=True), strict=True):
        u = reads.u_along, reads.u_across
        steps = reads.step, reads.step
        said[decide_lean(Lean(*mark / 1000.0), *u, limit, 1000.0, steps=steps).decision] += int(many)
    found = next_reading([(1.0, (0.6, -0.3))], (0.49, 0.0, 0.49), 2.0, 1000.0, reads, per_direction=False)
    assert found.plumb == pytest.approx(said["plumb"] / n, abs=0.01)
    assert found.out == pytest.approx(said["out"] / n, abs=0.01)


def test_one_more_reading_before_the_packs_is_advised_where_the_packs_changed_less_often_pay_for_it():
    """Against readings drawn: packs are changed where the mean of two readings is beyond the limit."""
    rng, n, allowed, reads = np.random.default_rng(13), 40_000, 2.0, usual_reads()
    zero = rng.uniform(-0.5, 0.5, (n, 2))

    def read(top, sign):
        return np.rint(top + sign * zero + rng.normal(0.0, 0.3, (n, 2)))

    bed, off = rng.uniform(-8.0, 8.0, (n, 2)), rng.normal(0.0, 0.9, (n, 2))
    changed = []
    for before in (read(bed, 1), (read(bed, 1) + read(bed, -1)) / 2.0):
        stands = bed - before + off
        mean = (read(stands, 1) + read(stands, -1)) / 2.0
        changed.append((np.hypot(*mean.T) > allowed).mean())

    def said(round_min):
        one, spread = [(1.0, (0.0, 0.0))], (0.81, 0.0, 0.81)
        return next_reading(one, spread, allowed, 1000.0, reads, per_direction=False, round_min=round_min)

    assert said(8.0).again is None, "at the usual price a minute of reading saves less than it takes"
    dear = said(60.0)
    assert dear.again > dear.turned
    assert dear.saves_min == pytest.approx(60.0 * (changed[0] - changed[1]) - READ_AGAIN_MIN, abs=0.4)
    # It grows by what a minute of rounds is worth: said from where it saves half a minute beyond its own.
    a_round = (dear.saves_min + READ_AGAIN_MIN) / 60.0
    for saves, is_said in ((0.9 * WORTH_READING_MIN, False), (1.1 * WORTH_READING_MIN, True)):
        assert (said((saves + READ_AGAIN_MIN) / a_round).again is not None) == is_said


def test_take_up_scatters_along_the_shift_and_seats_through_the_supports():
    """Against matrices: s sᵀ u² for a shift s, J diag(v) Jᵀ for the seats."""

    def base(u_take_up):
        return acceptance_of(
            2.0,
            1000.0,
            usual_reads(),
            Scatter(),
            per_direction=False,
            shift_mm=(3.0, -4.0),
            u_take_up=u_take_up,
        )

    known, unknown = base(0.0), base(0.1)
    assert np.subtract(unknown.base_mm2, known.base_mm2) == pytest.approx((0.09, -0.12, 0.16))
    j, v = np.array([(5.0, 2.0, -1.0), (1.0, -3.0, 4.0)]), (0.1, 0.2, 0.3)
    seats = j @ np.diag(v) @ j.T
    (xx, xy), (_, yy) = seats
    assert np.subtract(known.covariance(*j, v), known.base_mm2) == pytest.approx((xx, xy, yy))


def test_without_a_guard_all_marks_within_are_plumb_to_half_a_step_beyond():
    reads = replace(usual_reads(), factor=0.0, step=0.0005)
    zone = zone_of(2.0, 1000.0, reads, per_direction=True)
    assert (zone.along_mm, zone.across_mm) == pytest.approx((2.25, 2.25))


def test_out_is_beyond_the_guard_of_the_worse_direction():
    """A sensor twice as unsure along: out from the limit and the guard of that, by another integral."""
    reads = Reads(0.0008, 0.0004, 0.0008, 0.0004)
    found = next_reading([(1.0, (1.0, 0.5))], (0.2, 0.0, 0.2), 2.0, 1000.0, reads, per_direction=False)
    along, across = (math.sqrt(0.2 + 1e6 * one) for one in reads.off_by(reads))
    not_out = inside_disk(1.0, 0.5, along, across, 2.0 + reads.factor * 0.8)
    assert found.out == pytest.approx(1.0 - not_out, abs=1e-6)
