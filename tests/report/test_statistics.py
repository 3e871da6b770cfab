import math
import random
import re
from dataclasses import replace

import numpy as np
import pytest
import scipy  # its parts are loaded where they are used
from hypothesis import given
from hypothesis import strategies as st

from shimfit.model import Instrument
from shimfit.report.record import LogStamp, record_lines, run_record
from shimfit.report.statistics import (
    BIN_EDGES,
    fit_line,
    statistics,
    statistics_lines,
    students_t95,
    zero_histories,
)

LOG = LogStamp(1, "00")


@pytest.mark.parametrize("freedom", [1, 2, 3, 4, 5, 7, 10, 19, 30, 198, 999])
def test_students_t_is_scipys(freedom):
    assert students_t95(freedom) == pytest.approx(scipy.stats.t.ppf(0.975, freedom), rel=1e-10)


@pytest.mark.parametrize(
    ("freedom", "printed"),
    # Student's t, 95 % two-sided, as in the tables of JCGM 100 (GUM) annex G, Table G.2: from memory.
    [(1, 12.71), (2, 4.30), (3, 3.18), (5, 2.57), (10, 2.23), (20, 2.09), (50, 2.01)],
)
def test_students_t_is_the_printed_table(freedom, printed):
    assert round(students_t95(freedom), 2) == printed


def test_students_t_needs_freedom():
    with pytest.raises(ValueError, match="degree"):
        students_t95(0)


@given(
    st.lists(
        st.tuples(st.floats(-100, 100), st.floats(-0.05, 0.05)),
        min_size=3,
        max_size=40,
        unique_by=lambda point: round(point[0], 3),
    )
)
def test_line_and_its_doubt_are_scipys(points):
    x, y = zip(*points, strict=True)
    ours, theirs = fit_line(x, y), scipy.stats.linregress(x, y)
    assert ours.slope == pytest.approx(theirs.slope, rel=1e-7, abs=1e-12)
    assert ours.at_zero == pytest.approx(theirs.intercept, rel=1e-7, abs=1e-11)
    assert ours.u_slope == pytest.approx(theirs.stderr, rel=1e-5, abs=1e-9)


def test_line_through_a_short_published_set():
    # Anscombe's first quartet (1973), as printed: 0.500, 3.00, standard error 0.118: from memory.
    x = [10, 8, 13, 9, 11, 14, 6, 4, 12, 7, 5]
    y = [8.04, 6.95, 7.58, 8.81, 8.33, 9.96, 7.24, 4.26, 10.84, 4.82, 5.68]
    fit = fit_line(x, y)
    assert (round(fit.slope, 3), round(fit.at_zero, 2), round(fit.u_slope, 3)) == (0.5, 3.0, 0.118)


@pytest.mark.parametrize(("x", "y"), [((), ()), ((1.0, 2.0), (0, 1)), ((3.0, 3.0, 3.0), (1, 2, 3))])
def test_no_line_where_none_is_determined(x, y):
    assert fit_line(x, y) is None


def test_interval_of_the_trend_holds_the_true_slope_as_often_as_it_says():
    chance = random.Random(5)
    x = [1.5 * i for i in range(8)]
    hits = 0
    for _ in range(400):
        fit = fit_line(x, [0.002 + 0.0003 * a + chance.gauss(0, 0.001) for a in x])
        hits += abs(fit.slope - 0.0003) <= fit.expanded
    # 95 % of 400 = 380, binomial 99.9 % range.
    low, high = scipy.stats.binom.interval(0.999, 400, 0.95)
    assert low <= hits <= high


def test_figures_of_a_run_against_a_plain_count(boardwalk, toolbox):
    run = boardwalk(40, seed=3)
    record = run_record(run, LOG, toolbox)
    figures = statistics(record)
    ends = [post.after.lean.magnitude / 0.002 for post in run.posts]
    counts, _ = np.histogram(ends, bins=[*BIN_EDGES[:-1], 1e9])
    assert list(figures.histogram) == list(counts)
    assert figures.plumb == sum(post.verdict.decision == "plumb" for post in run.posts)
    assert figures.rounds == tuple(post.rounds for post in run.posts)
    assert figures.rounds_mean == pytest.approx(np.mean([post.rounds for post in run.posts]))
    firsts = [row.decision == "plumb" and row.verified[0].plumb for row in record.run.posts]
    assert figures.first_share == pytest.approx(np.mean(firsts))
    assert figures.fall_across == pytest.approx(np.mean([post.before.slope_across for post in run.posts]))
    stations = [post.station_mm / 1000 for post in run.posts]
    slopes = [post.before.slope_across for post in run.posts]
    assert figures.trend_across.slope == pytest.approx(np.polyfit(stations, slopes, 1)[0])


def test_a_post_that_came_plumb_at_its_second_try_is_no_first_try(boardwalk, stands_by):
    run = boardwalk(1)
    bad = replace(run.posts[0].after, slope_along=0.004)
    good = replace(run.posts[0].after, slope_along=0.0001, slope_across=0.0)
    post = stands_by(run.posts[0], bad, good, rounds=2)
    figures = statistics(run_record(replace(run, posts=(post,)), LOG))
    assert (figures.first_try, figures.plumb, figures.rounds) == (0, 1, (2,))


def test_reading_again_what_was_too_close_to_call_is_still_the_first_try(boardwalk, stands_by):
    run = boardwalk(1)
    near = replace(run.posts[0].after, slope_along=0.0019, slope_across=0.0)
    good = replace(near, slope_along=0.0012)
    post = stands_by(run.posts[0], near, good, rounds=1)
    figures = statistics(run_record(replace(run, posts=(post,)), LOG))
    assert (figures.first_try, figures.plumb) == (1, 1)


def test_a_deck_that_falls_away_is_said_with_its_side_and_a_level_one_is_not(boardwalk):
    run = boardwalk(20)
    falling, level = [], []
    chance = random.Random(1)
    for i, post in enumerate(run.posts):
        noise = chance.gauss(0, 0.0003)
        for posts, slope in ((falling, 0.0008 * i + noise), (level, noise)):
            before = replace(post.before, slope_along=noise, slope_across=slope)
            posts.append(replace(post, before=before))
    text = {}
    for name, posts in (("falling", falling), ("level", level)):
        record = run_record(replace(run, posts=tuple(posts)), LOG)
        text[name] = " ".join(statistics_lines(statistics(record), record))
    assert "falls away across it" in text["falling"]
    assert "more towards out" in text["falling"]
    assert "falls away" not in text["level"]


def test_exactly_at_the_tolerance_is_within(boardwalk, stands_by):
    run = boardwalk(1)
    after = replace(run.posts[0].after, slope_along=0.002, slope_across=0.0)
    post = stands_by(run.posts[0], after)
    figures = statistics(run_record(replace(run, posts=(post,)), LOG))
    assert figures.histogram == (0, 0, 0, 1, 0)
    assert math.isinf(BIN_EDGES[-1])


def test_zero_over_time_tells_a_knock_from_uncertainty():
    def check(when, zero):
        return Instrument("level", "level", zero_along=zero, u_zero=0.00005, checked=when)

    day = "2026-05-{:02d}T08:00:00+02:00"
    (steady,) = zero_histories([check(day.format(9), 0.00010), check(day.format(2), 0.00012)])
    assert not steady.beyond_uncertainty
    assert steady.moved == pytest.approx(0.00002)
    assert steady.checks[0].checked < steady.checks[1].checked
    (knocked,) = zero_histories([check(day.format(2), 0.0001), check(day.format(9), 0.0004)])
    assert knocked.beyond_uncertainty


def test_a_zero_that_was_found_once_is_one_check_whatever_else_was_entered_since(boardwalk, toolbox):
    name = next(iter(run_record(boardwalk(3), LOG, toolbox).instruments))
    found = Instrument(name, "level", u_zero=0.00005, checked="2026-05-02T08:00:00+02:00")
    entered = (found, replace(found, memory_s=0.8), replace(found, floor_deg=0.001))
    record = run_record(boardwalk(3), LOG, replace(toolbox, instrument_history=entered))
    (zero,) = statistics(record).zeros
    assert (len(zero.checks), zero.moved) == (1, None)
    assert any(f"{name}: zero checked once" in line for line in statistics_lines(statistics(record), record))


def test_what_plumb_promises_is_said_with_its_group_and_of_this_run(boardwalk):
    run = boardwalk(12)
    for rule, share in (("95", "at most 5"), ("2u", "at most 5"), ("simple", "about 50")):
        record = run_record(replace(run, rule=rule), LOG)
        figures = statistics(record)
        called = [post for post in run.posts if post.verdict.decision == "plumb"]
        expected = sum(1.0 - post.verdict.probability for post in called)
        assert figures.yet_out == pytest.approx(expected)
        few = "under 0.1" if expected < 0.05 else f"about {expected:.1f}"
        assert f"posts proven plumb ({few} of them out), " in statistics_lines(figures, record)[0]
        promise = f"of 100 posts called plumb at this limit {share} may be out"
        assert re.search(promise, " ".join(record_lines(record)))


def test_nothing_verified_is_said_so(boardwalk, stands_by):
    run = boardwalk(2)
    posts = tuple(stands_by(replace(post, before=None)) for post in run.posts)
    record = run_record(replace(run, posts=posts), LOG)
    figures = statistics(record)
    assert (figures.first_share, figures.rounds_mean, figures.trend_along) == (None, None, None)
    assert statistics_lines(figures, record) == ["2 posts, none verified as they stand."]


def test_half_read_posts_do_not_bend_the_trend(boardwalk):
    run = boardwalk(6)
    half = replace(run.posts[0], before=replace(run.posts[0].before, slope_across=None))
    with_half = statistics(run_record(replace(run, posts=(half, *run.posts[1:])), LOG))
    without = statistics(run_record(replace(run, posts=run.posts[1:]), LOG))
    assert with_half.trend_across == without.trend_across
