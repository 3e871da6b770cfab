"""The search against the referee that tries everything, on many small boxes."""

import os
import random
from dataclasses import replace

import pytest

from shimfit.core.packing import Options, Saw, build_tables, prescribe
from shimfit.errors import UsageError
from shimfit.model import Foot, Lean, Lot, Tolerance
from tests.referee.brute import best_corners
from tests.referee.weights import in_weights

GRID_MM = 0.05


def _post(rng: random.Random):
    lots = [
        Lot(
            f"F{i}",
            "flat",
            rng.randint(1, 2),
            thickness_mm=round(rng.uniform(0.3, 2.5) / GRID_MM) * GRID_MM,
            origin=rng.choice(["offcut", "offcut", "bought"]),
        )
        for i in range(1, rng.randint(2, 5))
    ]
    if rng.random() < 0.4:
        thin = rng.uniform(0.4, 1.0)
        lots.append(
            Lot(
                "T1",
                "taper",
                rng.randint(1, 2),
                thin_mm=thin,
                thick_mm=thin + rng.uniform(0.3, 1.2),
                length_mm=rng.choice([40.0, 60.0, 90.0, 120.0]),
                origin=rng.choice(["offcut", "bought"]),
            )
        )
    saw = Saw()
    if rng.random() < 0.15:
        lots.append(
            Lot(
                "S1",
                "strip",
                1,
                length_mm=rng.choice([257.0, 262.0, 270.0, 400.0]),
                width_mm=rng.choice([25.0, 40.0]),
                thickness_mm=20.0,
                origin=rng.choice(["offcut", "bought"]),
            )
        )
        saw = Saw(settings_deg=(0.5, 1.0), stands_at_deg=rng.choice([None, 0.5]))
    options = Options(
        bearing_point=rng.choice(["auto", "corner"]),
        quantum_mm=GRID_MM,
        saw=saw,
        preload_mm=rng.choice([0.1, 0.19, 0.3]),
        max_pieces=rng.choice([2, 3]),
    )
    foot = Foot(
        rng.choice([89.0, 90.0, 140.0]),
        rng.choice([90.0, 120.0]),
        rod_at_mm=rng.choice([(0.0, 0.0), (4.0, -3.0)]),
    )
    lean = Lean(rng.choice([0.0, rng.uniform(-0.016, 0.016)]), rng.uniform(-0.016, 0.016))
    tolerance = Tolerance("given", "ratio", rng.choice([1 / 300, 1 / 500]), per_direction=rng.random() < 0.5)
    return foot, rng.choice([900.0, 1000.0, 1100.0]), lean, tolerance, lots, options


def _scarce_post(rng: random.Random):
    """A box of one short taper and a few single flats: seats want the same piece nearly always."""
    foot, height_mm, lean, tolerance, _, options = _post(rng)
    thin, length = rng.uniform(0.4, 1.0), rng.choice([60.0, 75.0, 90.0])
    lots = [
        Lot(
            "T1",
            "taper",
            1,
            thin_mm=thin,
            thick_mm=thin + length * rng.uniform(0.012, 0.02),
            length_mm=length,
        )
    ]
    lots += [
        Lot(f"F{i}", "flat", 1, thickness_mm=round(rng.uniform(0.5, 2.5), 1))
        for i in range(rng.randint(0, 2))
    ]
    options = replace(options, max_pieces=2, saw=Saw(), quantum_mm=2 * GRID_MM)
    return foot, height_mm, lean, tolerance, lots, options


def _agreed(post) -> str | None:
    """The answer's status, both agreeing; None where the post stands within or there is too much to try."""
    foot, height_mm, lean, tolerance, lots, options = post
    if tolerance.holds(lean, height_mm):
        return None
    try:
        referee = best_corners(foot, height_mm, lean, tolerance, lots=lots, options=options)
    except UsageError:
        return None
    answer = prescribe(foot, height_mm, lean, tolerance, build_tables(lots, options))
    if referee is None:
        assert answer.status == "impossible"
        assert not answer.within
    else:
        assert answer.status == "proven"
        assert answer.cost.total == pytest.approx(referee.cost, abs=5e-5)
    return answer.status


@pytest.mark.parametrize("first", [8, 101])
def test_where_seats_want_the_same_piece_search_and_referee_agree(first: int) -> None:
    """Set SHIMFIT_CASES to try that many posts instead of three (a few seconds each)."""
    stood = compared = 0
    cases = int(os.environ.get("SHIMFIT_CASES", "3"))
    for number in range(first, first + cases):
        found = _agreed(_scarce_post(random.Random(number)))
        compared += found is not None
        stood += found == "proven"
    assert compared >= cases // 3
    assert stood >= 1


@pytest.mark.parametrize("block", range(6))
def test_search_and_referee_agree(block: int) -> None:
    """By minutes and by bare weights in turn."""
    compared = 0
    for number in range(10 * block, 10 * block + 10):
        *post, options = _post(random.Random(number))
        found = _agreed((*post, in_weights(options) if number % 2 else options))
        compared += found is not None
    assert compared >= 3


def test_the_one_piece_may_go_where_neither_of_two_that_want_it_stands() -> None:
    """What is wanted by two seats goes to the third, or the box has no answer."""
    made = ((1, 1.95), (1, 1.5), (1, 1.0), (2, 0.9))
    lots = [Lot(f"F{i}", "flat", count, thickness_mm=mm) for i, (count, mm) in enumerate(made)]
    asked = Foot(90.0, 90.0), 1000.0, Lean(0.004, 0.012), Tolerance("1:300", "ratio", 1 / 300)
    assert _agreed((*asked, lots, Options(quantum_mm=GRID_MM))) == "proven"


def test_referee_refuses_what_it_can_not_try() -> None:
    lots = [Lot(f"F{i}", "flat", 3, thickness_mm=0.1 * i) for i in range(1, 30)]
    with pytest.raises(UsageError, match="too many"):
        best_corners(
            Foot(90.0, 90.0),
            1000.0,
            Lean(0.01, 0.01),
            Tolerance("1:100", "ratio", 0.009),
            lots=lots,
            options=Options(quantum_mm=0.1),
        )


def test_referee_counts_the_one_piece_once() -> None:
    lots = [
        Lot("ONE", "flat", 1, thickness_mm=1.35),
        Lot("NEW", "flat", 1, thickness_mm=1.35, origin="bought"),
    ]
    asked = (Foot(90.0, 90.0), 1000.0, Lean(0.0, 0.015), Tolerance("1:500", "ratio", 0.002))
    options = Options(bearing_point="corner")
    both = best_corners(*asked, lots=lots, options=options)
    assert both is not None
    assert sorted(use.lot for pack in both.packs for use in pack.uses) == ["NEW", "ONE"]
    alone = best_corners(*asked, lots=[replace(lots[0], count=2)], options=options)
    assert alone is not None
    assert alone.cost == pytest.approx(both.cost - 0.2, abs=1e-4)
