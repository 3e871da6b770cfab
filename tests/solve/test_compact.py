"""The search against scipy.optimize.milp (HiGHS) on the compact model of one post: equal objectives."""

import random

import pytest

from shimfit.core.packing import build_tables, prescribe
from shimfit.model import Foot, Lean, Lot, Tolerance
from tests.referee.weights import InWeights
from tests.solve import compact_model


@pytest.mark.parametrize("seed", range(9))
def test_same_optimum_as_the_integer_program(seed: int) -> None:
    rng = random.Random(seed)
    options = InWeights(bearing_point="corner", quantum_mm=0.05)
    lots = [
        Lot(
            f"F{i}",
            "flat",
            rng.choice((1, 1, 2)),
            thickness_mm=round(rng.uniform(0.25, 3.0) / 0.05) * 0.05,
            origin=rng.choice(("offcut", "offcut", "bought")),
        )
        for i in range(rng.randint(3, 14))
    ]
    for i in range(rng.randint(0, 2)):
        thin = rng.uniform(0.4, 1.2)
        lots.append(
            Lot(
                f"T{i}",
                "taper",
                1,
                thin_mm=thin,
                thick_mm=thin + rng.uniform(0.8, 2.5),
                length_mm=rng.uniform(60.0, 150.0),
                origin=rng.choice(("offcut", "bought")),
            )
        )
    foot = Foot(rng.choice((90.0, 140.0)), 90.0)
    lean = Lean(rng.uniform(-0.014, 0.014), rng.uniform(0.003, 0.014))
    tolerance = Tolerance("1:500", "ratio", 1 / 500, per_direction=True)
    model = compact_model.compact(foot, 1000.0, lean, tolerance, lots=lots, options=options)
    optimum = compact_model.by_scipy(model)
    answer = prescribe(foot, 1000.0, lean, tolerance, build_tables(lots, options))
    lifted = len(answer.packs) == 4
    if optimum is None:
        assert answer.status == "impossible" or lifted
    else:
        assert answer.status == "proven"
        assert not lifted
        assert answer.cost.total == pytest.approx(optimum, abs=1e-5)
