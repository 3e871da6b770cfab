"""Published cutting-stock and bin-packing instances with their optimum, and scipy's own program."""

import csv
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import Bounds, LinearConstraint, milp

from shimfit.errors import UsageError
from shimfit.solve.highs import Highs
from tests.referee.bars import fewest_bars

PUBLISHED = Path(__file__).parents[2] / "fixtures" / "published" / "cutting_packing_small.csv"


def published():
    with PUBLISHED.open(newline="", encoding="utf-8") as file:
        for row in csv.DictReader(file):
            lengths = []
            for item in row["items_with_demand"].split(";"):
                size, _, count = item.partition("x")
                lengths += [float(size)] * int(count or 1)
            yield pytest.param(
                lengths, float(row["stock"]), int(row["published_optimum"].split()[0]), id=row["id"]
            )


@pytest.mark.parametrize(("lengths", "bar", "optimum"), list(published()))
def test_published_optimum(lengths, bar, optimum):
    done = fewest_bars(lengths, bar, Highs())
    assert (len(done.bars), done.proven) == (optimum, True)
    assert sorted(length for bar in done.bars for length in bar) == sorted(lengths)
    assert all(sum(one) <= bar for one in done.bars)


@pytest.mark.parametrize("seed", range(3))
def test_as_few_as_scipys_assignment_program(seed):
    rng = np.random.default_rng(seed)
    lengths, bar, kerf = rng.integers(200, 1200, 7).astype(float), 2400.0, 3.0
    done = fewest_bars(lengths.tolist(), bar, Highs(), kerf_mm=kerf)
    assert all(sum(one) + kerf * (len(one) - 1) <= bar + 1e-9 for one in done.bars)
    assert sorted(length for one in done.bars for length in one) == sorted(lengths)
    # Columns: bar b used, then piece i on bar b.
    n, bars = lengths.size, lengths.size
    cost = np.concatenate([np.ones(bars), np.zeros(n * bars)])
    serve = np.hstack([np.zeros((n, bars)), np.kron(np.eye(n), np.ones(bars))])
    fit = np.hstack([-(bar + kerf) * np.eye(bars), np.kron(lengths + kerf, np.eye(bars)).reshape(bars, -1)])
    theirs = milp(
        cost, integrality=np.ones(cost.size), bounds=Bounds(0, 1),
        constraints=[LinearConstraint(serve, 1, 1), LinearConstraint(fit, -np.inf, 0)],
    )  # fmt: skip
    assert len(done.bars) == round(theirs.fun)
    assert done.bound <= len(done.bars)


def test_nothing_and_nonsense():
    assert fewest_bars([], 100.0, Highs()).bars == ()
    for wrong in ([101.0], [0.0], [float("nan")]):
        with pytest.raises(UsageError):
            fewest_bars(wrong, 100.0, Highs())
