"""Take-up: the filter against closed forms and against many simulated decks."""

import math

import numpy as np
import pytest
import scipy  # its parts are loaded where they are used
from hypothesis import given
from hypothesis import strategies as st

from shimfit.core.takeup import (
    DRIFT,
    LEAST,
    LEAST_FACTOR,
    MOST,
    MOST_FACTOR,
    POST_U,
    SETTING_MM,
    SITE_KNOWN_FROM,
    WILD_TIMES,
    Left,
    Observed,
    SiteScatter,
    TakeUp,
    _density,
    blended,
    learn,
    learn_scatter,
    material_shares,
    of_material,
)
from shimfit.errors import EntryError
from shimfit.model import Lot, Pack, Piece, Seat


def observed(ratio, predicted=(10.0, 0.0), u_reading=0.5, **more):
    measured = (ratio * predicted[0], ratio * predicted[1])
    return Observed(predicted, measured, u_reading, **more)


EXACT = (0.0, 0.0, 0.0)
"""Seats that scatter nothing."""


@pytest.mark.parametrize("way", [(1.0, 0.0), (0.6, 0.8), (0.6, -0.8)])
def test_one_step_is_the_textbook_mean_of_prior_and_observation(way):
    # Two normal estimates combine with weights 1/variance (GUM; no surprise, so Huber does nothing).
    # What posts differ by and what their seats scatter, along the shift, is noise of the one observation.
    predicted, u_reading, seats = 10.0, 0.5, (0.6, 0.2, 0.9)
    along_it = np.array(way) @ np.array([[0.6, 0.2], [0.2, 0.9]]) @ np.array(way)
    variance = (2 * u_reading**2 + along_it) / predicted**2 + POST_U**2
    shift = predicted * way[0], predicted * way[1]
    found = learn({}, observed(0.85, shift, seats_mm2=seats, shares={"oak": 1.0}))
    prior_variance = 0.15**2 + DRIFT
    expected = (0.9 / prior_variance + 0.85 / variance) / (1 / prior_variance + 1 / variance)
    state = found["oak"]
    assert state.mean == pytest.approx(expected)
    assert state.variance == pytest.approx(1 / (1 / prior_variance + 1 / variance))
    assert state.corrections == 1


@pytest.mark.parametrize(("surprises", "counts_as"), [(1.4, 1.0), (1.5, 1.0), (1.6, 1.6 / 1.5), (3.0, 2.0)])
def test_a_surprise_counts_less_from_one_and_a_half_standard_deviations_on(surprises, counts_as):
    # Huber (1964): beyond c standard deviations an observation's pull no longer grows; as a filter step, its
    # variance counts |surprise| / c times. c = 1.5 (from memory).
    variance, prior = 2 * 0.5**2 / 10.0**2 + POST_U**2, 0.15**2 + DRIFT
    ratio = 0.9 + surprises * math.sqrt(prior + variance)
    state = learn({}, observed(ratio, seats_mm2=EXACT, shares={"oak": 1.0}))["oak"]
    gain = prior / (prior + counts_as * variance)
    assert state.mean == pytest.approx(min(MOST, 0.9 + gain * (ratio - 0.9)), rel=1e-12)
    assert state.variance == pytest.approx(prior * (1 - gain), rel=1e-12)


def test_words():
    said = "the last packs moved the top 92 % as far as worked out: allowed for"
    assert TakeUp(0.92, 1e-4, 3).words == said
    assert "nothing learned" in TakeUp().words
    assert TakeUp().u == pytest.approx(0.15)


def test_the_book_is_a_value():
    book = {"oak": TakeUp(0.8, 0.01, 2)}
    learned = learn(book, observed(0.9, shares={"pine": 1.0}))
    assert book == {"oak": TakeUp(0.8, 0.01, 2)}
    assert learned["oak"] == book["oak"]
    assert of_material(learned, "pine").learned
    assert of_material(learned, "never seen") == TakeUp()


@pytest.mark.parametrize(
    "case",
    [
        observed(0.9, predicted=(1.9, 0.0), u_reading=0.1),
        observed(0.9, predicted=(3.0, 0.0), u_reading=2.0),
        observed(0.05, predicted=(9.0, 0.0), u_reading=1.0),
    ],
)
def test_what_teaches_nothing(case):
    book = {"": TakeUp(0.8, 0.01, 2)}
    assert learn(book, case) == book


def test_only_the_part_along_the_predicted_shift_counts():
    along = learn({}, Observed((6.0, 8.0), (6.0 * 0.7, 8.0 * 0.7), 0.5))
    aside = learn({}, Observed((6.0, 8.0), (6.0 * 0.7 - 0.8, 8.0 * 0.7 + 0.6), 0.5))
    assert along[""].mean == pytest.approx(aside[""].mean)
    assert along[""].mean < 0.9


def test_a_wild_reading_moves_little():
    settled = {"": TakeUp(0.9, 0.02**2, 8)}
    honest = learn(settled, observed(0.95))[""].mean - 0.9
    wild = learn(settled, observed(3.0))[""].mean - 0.9
    assert 0 < honest < wild < 3 * 0.02
    # A plain filter would go this far:
    variance = (2 * 0.5**2 + 0.3**2) / 100
    plain = (0.02**2 + DRIFT) / (0.02**2 + DRIFT + variance) * 2.1
    assert wild < plain / 3


@given(st.lists(st.floats(-5, 5), max_size=20))
def test_it_stays_where_decks_are(ratios):
    book = {}
    for ratio in ratios:
        book = learn(book, observed(ratio))
        state = book.get("", TakeUp())
        assert LEAST <= state.mean <= MOST
        assert 0 < state.variance <= 0.15**2 + len(ratios) * DRIFT


def test_a_pack_of_two_materials_teaches_both_by_their_shares():
    found = learn({}, observed(0.7, shares={"oak": 3.0, "plastic": 1.0}))
    assert 0.9 - found["oak"].mean == pytest.approx(3 * (0.9 - found["plastic"].mean))
    both = blended(found, {"oak": 3.0, "plastic": 1.0})
    assert both.mean == pytest.approx(0.75 * found["oak"].mean + 0.25 * found["plastic"].mean)
    assert both.corrections == 1
    # The step of a Kalman filter whose observation is a weighted sum (any textbook), by matrices.
    before, weights = np.diag([0.15**2 + DRIFT] * 2), np.array([0.75, 0.25])
    noise, surprise = (2 * 0.5**2 + SETTING_MM**2) / 10.0**2 + POST_U**2, 0.2
    expected = weights @ before @ weights
    noise *= max(1.0, surprise / math.sqrt(expected + noise) / 1.5)
    after = before - np.outer(before @ weights, weights @ before) / (expected + noise)
    assert [found[name].variance for name in ("oak", "plastic")] == pytest.approx(np.diag(after))
    assert both.variance == pytest.approx((weights**2) @ np.diag(after), rel=1e-9)
    assert blended(found, {}) == TakeUp()
    assert blended(found, {"oak": 1.0, "new": 1.0}).corrections == 0


def test_it_finds_the_decks_own_take_up_through_noise_and_wild_readings():
    rng = np.random.default_rng(3)
    errors, claimed = [], []
    for _ in range(200):
        true = rng.normal(0.85, 0.1)
        book = {}
        for _ in range(10):
            predicted = rng.uniform(4.0, 15.0) * np.array([1.0, 0.3])
            measured = true * predicted + rng.normal(0, math.sqrt(2) * 0.6, 2)
            if rng.random() < 0.05:
                measured += rng.normal(0, 6.0, 2)
            case = Observed(tuple(map(float, predicted)), tuple(map(float, measured)), 0.6)
            book = learn(book, case)
        state = book.get("", TakeUp())
        errors.append(state.mean - true)
        claimed.append(state.u)
    rms = math.sqrt(np.mean(np.square(errors)))
    assert abs(np.mean(errors)) < 0.01
    assert rms < 0.05  # a third of what was known before
    assert 0.6 < np.mean(claimed) / rms < 1.5  # and it says honestly how well it knows


def test_what_is_known_of_the_next_post_is_what_is_known_of_the_deck_and_how_posts_differ():
    """Against many simulated decks: a take-up for each deck, another for each post, rough seats."""
    rng = np.random.default_rng(4)
    off, reported = [], []
    for _ in range(150):
        deck, book = rng.normal(0.9, 0.1), {}
        for _ in range(12):
            shift = rng.normal(0.0, 9.0, 2)
            measured = rng.normal(deck, POST_U) * shift + rng.normal(0.0, math.sqrt(2.0 * 0.42**2 + 1.0), 2)
            book = learn(book, Observed(tuple(shift), tuple(measured), 0.42, (1.0, 0.0, 1.0)))
        state = book.get("", TakeUp())
        off.append(rng.normal(deck, POST_U) - state.mean)
        reported.append(state.u_next)
    assert np.std(off) == pytest.approx(np.mean(reported), rel=0.15)
    assert np.mean(reported) > 1.1 * POST_U


def test_materials_of_packs_by_thickness():
    lots = [
        Lot("F1", "flat", 1, "oak", thickness_mm=0.8),
        Lot("T1", "taper", 1, "pvc", length_mm=100, thin_mm=1, thick_mm=5),
        Lot("X", "flat", 1, thickness_mm=0.5),
    ]
    pieces = (Piece("F1", "flat", 0.8), Piece("T1", "taper", 1.2), Piece("X", "flat", 0.5))
    packs = [
        Pack(Seat.NEXT, 2.5, 2.5, (45.0, 0.0), pieces),
        Pack(Seat.OUT, 0.8, 0.8, (0.0, 45.0), (Piece("F1", "flat", 0.8),)),
        Pack(Seat.PREV, 0.3, 0.3, (0.0, -45.0)),
    ]
    assert material_shares(packs, lots) == pytest.approx({"oak": 1.6, "pvc": 1.2, "": 0.8})


@pytest.mark.parametrize("bad", [math.nan, math.inf])
def test_what_is_no_number_is_refused(bad):
    for case in (
        Observed((bad, 0.0), (1.0, 0.0), 0.5),
        Observed((10.0, 0.0), (1.0, bad), 0.5),
        Observed((10.0, 0.0), (1.0, 0.0), bad),
        Observed((10.0, 0.0), (1.0, 0.0), 0.5, (bad, 0.0, 1.0)),
        Observed((10.0, 0.0), (9.0, 0.0), 0.5, shares={"oak": bad}),
    ):
        with pytest.raises(EntryError):
            learn({}, case)
    with pytest.raises(EntryError):
        learn({}, Observed((10.0, 0.0), (9.0, 0.0), 0.0))
    with pytest.raises(EntryError):
        blended({}, {"oak": -1.0})


# ---------------------------------------------------------------- scatter

USUAL, NONE = (0.9, 0.1, 0.9), (0.0, 0.0, 0.0)


def posts(times, count, rng, others=(0.4, 0.1, 0.4)):
    """What so many posts of a site show that scatters so many times the usual."""
    xx, xy, yy = (times * times * a + b for a, b in zip(USUAL, others, strict=True))
    drawn = rng.multivariate_normal([0.0, 0.0], [[xx, xy], [xy, yy]], count)
    return [Left((x, y), USUAL, others) for x, y in drawn.tolist()]


def test_without_other_errors_it_is_the_conjugate_posterior():
    """A scaled inverse chi-square about 1 with ν of the prior, ν + 2 n after n posts (Gelman et al., 2.6)."""
    size = USUAL[0] * USUAL[2] - USUAL[1] ** 2
    off = math.sqrt(2.4 * size / USUAL[2]), 0.0  # Mahalanobis distance² 2.4
    for count in (1, 7, 30):
        found = learn_scatter([Left(off, USUAL, NONE)] * count)
        free, square = 2.0 * (SITE_KNOWN_FROM + count), 2.0 * SITE_KNOWN_FROM + 2.4 * count
        mean_log = math.log(square / 2.0) - scipy.special.digamma(free / 2.0)
        assert found == SiteScatter(pytest.approx(math.exp(mean_log / 2.0), rel=0.01), count)


def test_a_site_is_learned_along_the_run_and_one_bad_post_scares_nobody():
    rng = np.random.default_rng(5)
    for times in (0.8, 1.0, 1.5, 2.0):
        found = [learn_scatter(posts(times, 60, rng)).factor for _ in range(12)]
        assert np.mean(found) == pytest.approx(times, rel=0.07)
        assert np.std(found) < 0.15 * times
    assert learn_scatter([]) == SiteScatter(1.0, 0)
    worth = [SiteScatter(factor, 9).is_worth_saying for factor in (0.8, 0.9, 1.1, 1.2)]
    assert worth == [True, False, False, True]
    usual = posts(1.0, 10, rng)
    before = learn_scatter(usual).factor
    for off in (3.0, 5.0, 8.0, 20.0, 5000.0):
        assert learn_scatter([*usual, Left((off, 0.0), USUAL, (0.4, 0.1, 0.4))]).factor < before + 0.2


@pytest.mark.parametrize(("times", "most"), [(1.0, 0.005), (1.5, 0.03)])
def test_hardly_a_post_packed_as_asked_is_asked_about(times, most):
    """Also on a deck of which nothing was learned yet and that scatters half as much again as is usual."""
    rng = np.random.default_rng(5)
    seats, others = (2.0, -1.2, 3.5), (0.3, 0.0, 0.3)
    spread = np.array(seats) * times**2 + others
    covariance = [[spread[0], spread[1]], [spread[1], spread[2]]]
    asked = 0
    for x, y in rng.multivariate_normal((0.0, 0.0), covariance, 2000):
        done = Left((x, y), seats, others).done(
            (x + 6.0, y + 9.0), (0.35, 0.0, 0.35), 1.0, again_wanted=False
        )
        asked += done != "as prescribed"
    assert asked / 2000 <= most


def test_far_off_on_a_deck_hardly_known_is_as_likely_as_students_t_says():
    """With scipy's multivariate t of as many degrees of freedom as posts count, two directions each."""
    spread = (2.18, -1.68, 4.03)
    shape = [[spread[0], spread[1]], [spread[1], spread[2]]]
    for at in ((0.5, -1.0), (8.0, -6.0)):
        assert _density(at, spread, 8.0) == pytest.approx(
            scipy.stats.multivariate_t.pdf(at, shape=shape, df=8.0)
        )
        assert _density(at, spread) == pytest.approx(scipy.stats.multivariate_normal.pdf(at, cov=shape))


_WHERE = (2.0, 0.3, 2.0), (0.9, 0.2, 0.9)


def test_what_a_site_scatters_by_goes_with_the_square_of_its_factor():
    left = Left((0.0, 0.0), (0.5, 0.1, 0.3), (0.2, -0.1, 0.4))
    assert left.spread_mm2(2.0) == pytest.approx((2.2, 0.3, 1.6))
    assert left.spread_mm2(2.0, 3.0) == pytest.approx((19.8, 2.7, 14.4))


def test_a_shift_that_is_hardly_read_teaches_nothing():
    noise = math.sqrt(2 * 0.5**2 + SETTING_MM**2)
    assert learn({}, observed(1.95 * noise / 10.0)) == {}
    assert learn({}, observed(2.05 * noise / 10.0)) != {}


def test_a_site_with_a_wild_post_is_learned_as_bayes_says():
    """The posterior of the factor summed up anew, with the mixture's two densities from scipy."""
    seats, others = (0.5, 0.1, 0.4), (0.1, 0.0, 0.2)
    off = [(1.0, -0.4), (-0.6, 0.9), (5.0, 3.5)]
    logs = np.linspace(math.log(LEAST_FACTOR), math.log(MOST_FACTOR), 65)

    def density(at, factor2, times2):
        xx, xy, yy = (times2 * (factor2 * one + other) for one, other in zip(seats, others, strict=True))
        return scipy.stats.multivariate_normal([0, 0], [[xx, xy], [xy, yy]]).pdf(at)

    weights = []
    for log in logs.tolist():
        factor2 = math.exp(2 * log)
        likely = [
            0.97 * density(at, factor2, 1.0) + 0.03 * density(at, MOST_FACTOR**2, WILD_TIMES**2) for at in off
        ]
        weights.append(math.prod(likely) * math.exp(-SITE_KNOWN_FROM * (2 * log + 1 / factor2)))
    expected = math.exp(np.average(logs, weights=weights))
    assert learn_scatter([Left(at, seats, others) for at in off]).factor == pytest.approx(expected, rel=1e-6)


def test_a_site_that_scatters_more_is_given_more_room():
    off = Left((8.0, 6.0), *_WHERE)
    how = {"moved_mm": (-1.0, 13.0), "read_mm2": (0.35, 0.0, 0.35), "again_wanted": False}
    assert off.done(factor=1.0, **how) == "something else"
    assert off.done(factor=2.0, **how) == "as prescribed"


def test_where_one_more_reading_was_asked_for_it_takes_less_to_be_that():
    off = Left((1.4, 0.0), *_WHERE)
    how = {"moved_mm": (-1.1, 0.0), "read_mm2": (0.35, 0.0, 0.35), "factor": 1.0}
    assert off.done(again_wanted=False, **how) == "as prescribed"
    assert off.done(again_wanted=True, **how) == "not packed"
