"""Line-up against straight lines by numpy and the same program by scipy."""

import numpy as np
import pytest
from scipy.optimize import linprog

from shimfit.core import lineup
from shimfit.core.lineup import LinePost
from shimfit.errors import UsageError
from shimfit.solve.highs import Highs


def leg(off_mm, room_mm, *, number=1, spacing_mm=1500.0):
    rooms = np.broadcast_to(room_mm, len(off_mm))
    return [
        LinePost(str(i + 1), number, i * spacing_mm, float(off), float(room))
        for i, (off, room) in enumerate(zip(off_mm, rooms, strict=True))
    ]


def tops(posts, line):
    return np.array([p.off_mm + t.aim_across_mm for p, t in zip(posts, line.targets, strict=True)])


@pytest.mark.parametrize("seed", range(4))
def test_with_room_enough_the_tops_lie_on_a_line_by_least_squares(seed):
    posts = leg(np.random.default_rng(seed).normal(0, 1.5, 12), 8.0)
    (line,) = lineup.line_up(posts, Highs())
    station = [p.station_mm for p in posts]
    fit = np.polyfit(station, tops(posts, line), 1)
    assert np.polyval(fit, station) == pytest.approx(tops(posts, line), abs=1e-6)
    assert line.worst_after_mm == pytest.approx(0, abs=1e-6)
    assert line.worst_before_mm > 1


@pytest.mark.parametrize("seed", range(4))
def test_aims_stay_in_their_room_and_no_line_is_closer(seed):
    rng = np.random.default_rng(seed)
    off, room = rng.normal(0, 4, 15), rng.uniform(0, 2, 15)
    posts = leg(off, room)
    (line,) = lineup.line_up(posts, Highs())
    aims = np.array([t.aim_across_mm for t in line.targets])
    assert np.all(np.abs(aims) <= room + 1e-9)
    # scipy's own statement: minimise the worst over aims (free in their room) and a free line.
    n, station = 15, np.array([p.station_mm for p in posts])
    rows = np.hstack([np.eye(n), -np.ones((n, 1)), -station[:, None], np.zeros((n, 1))])
    a = np.vstack([rows, -rows])
    a[:, -1] = -1
    best = linprog(
        np.eye(n + 3)[-1], a, np.concatenate([-off, off]),
        bounds=[*zip(-room, room, strict=True), (None, None), (None, None), (0, None)],
    ).fun  # fmt: skip
    assert line.worst_after_mm == pytest.approx(best, abs=0.02)
    residual = tops(posts, line) - np.polyval(np.polyfit(station, tops(posts, line), 1), station)
    assert line.worst_after_mm <= np.max(np.abs(residual)) + 0.02
    assert line.worst_after_mm <= line.worst_before_mm


def test_a_straight_leg_is_left_alone():
    (line,) = lineup.line_up(leg(np.linspace(-3, 4, 9), 3.0), Highs())
    assert [t.aim_across_mm for t in line.targets] == pytest.approx([0] * 9, abs=1e-9)
    assert line.worst_before_mm == pytest.approx(0, abs=1e-9)


def test_legs_are_lined_up_one_by_one_and_two_posts_are_a_line():
    lines = lineup.line_up([*leg([0, 9, 0], 1.0), *leg([0, 5], 1.0, number=2)], Highs())
    assert [line.leg for line in lines] == [1, 2]
    # Of 9 off in the middle a line keeps 4.5 each way; aims of 1 on all three take 1 of it.
    assert (lines[0].worst_before_mm, lines[0].worst_after_mm) == pytest.approx((4.5, 3.5))
    assert [t.aim_across_mm for t in lines[0].targets] == pytest.approx([1, -1, 1])
    assert [t.aim_across_mm for t in lines[1].targets] == [0, 0]
    assert lineup.line_up([], Highs()) == ()


def test_numbers_that_are_none_are_refused():
    with pytest.raises(UsageError, match="post 2"):
        lineup.line_up(leg([0, float("nan"), 0], 1.0), Highs())
    with pytest.raises(UsageError, match="one station"):
        lineup.line_up(leg([0, 1, 0], 1.0, spacing_mm=0.0), Highs())


def test_a_foot_on_no_line_with_the_others_is_refused():
    # A tenth of the widest spacing: 150 mm at 1.5 m. Usual is a few mm (common practice, no source).
    assert len(lineup.line_up(leg([0, 150, 0], 1.0), Highs())) == 1
    with pytest.raises(UsageError, match=r"post 2: a foot 151 mm off .* more than 150 mm isn't a line"):
        lineup.line_up(leg([0, -151, 0], 1.0), Highs())
    # Also in a leg that is always on one line; the spacing is walked round the corner.
    far = LinePost("4", 2, 4500.0, 50_000.0, 1.0)
    with pytest.raises(UsageError, match="post 4: a foot 50000 mm"):
        lineup.line_up([*leg([0, 0, 0], 1.0), far], Highs())
