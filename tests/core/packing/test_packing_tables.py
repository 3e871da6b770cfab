"""Tables against published stacks and against trying every stack."""

import itertools
import math
import random
import sys
import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from shimfit.core.packing import Mode, Options, Prices, Saw, build_tables, prescribe
from shimfit.core.packing.pieces import Caps
from shimfit.core.packing.tables import FIRST_LENGTH
from shimfit.errors import EntryError
from shimfit.model import Foot, Lean, Lot
from shimfit.quantities.typed import parse_tolerance
from tests.referee.weights import InWeights, weights_of

LIMIT = parse_tolerance("1:300")
PUBLISHED = Path(__file__).parents[3] / "fixtures" / "published" / "set_81_inch.csv"


def _set_81(max_pieces: int):
    """The published 81-piece inch set, one of each (check value 8.5, read), on a grid of 0.0001 in."""
    inches = [float(line) for line in PUBLISHED.read_text().split()[1:]]
    assert len(inches) == 81
    lots = [Lot(f"B{i}", "flat", 1, thickness_mm=inch * 25.4) for i, inch in enumerate(inches, start=1)]
    return build_tables(lots, InWeights(max_pieces=max_pieces, quantum_mm=0.00254)).grown(50_100)


def _blocks(tables, stack) -> list[int]:
    return sorted(tables.steps(tables.lots[rank].thickness_mm) for rank in stack.flats)


def test_published_stack_of_four_is_found_and_three_do_not_do() -> None:
    # Check value 8.3 (read): 5.0073 = 0.1003 + 0.107 + 0.800 + 4.000, four is the fewest.
    tables = _set_81(4)
    stack = tables.stack(tables.rows[0], 50_073)
    assert _blocks(tables, stack) == [1003, 1070, 8000, 40000]
    three = _set_81(3)
    assert three.stack(three.rows[0], 50_073) is None
    assert math.isinf(three.cheapest[0, 50_073])


def test_published_stack_that_is_off_by_one_is_not_repeated() -> None:
    # Check value 8.4 (read): the printed stack for 4.3300 sums to 4.3301; three pieces do it exactly.
    printed = [1001, 1300, 1000, 40000]
    assert sum(printed) == 43_301
    tables = _set_81(4)
    stack = tables.stack(tables.rows[0], 43_300)
    assert _blocks(tables, stack) == [1300, 2000, 40000]
    assert sum(_blocks(tables, stack)) == 43_300


def _every_stack(lots, options, most_steps):
    """Cheapest cost of each thickness by class slope, by trying all multisets of pieces."""
    best: dict[tuple[float, int], float] = {}
    q, weights = options.quantum_mm, weights_of(options)
    pieces = [lot for lot in lots if lot.form == "flat" for _ in range(lot.count)]

    def cost(lot):
        new = {"flat": weights.new_flat_share, "taper": weights.new_taper_share}[lot.form]
        own = weights.piece + (weights.cut if lot.form == "taper" else 0.0)
        return own + (weights.new_material * new if lot.origin == "bought" else 0.0)

    tails = [(0.0, 0, 0.0, 0)]
    for lot in lots:
        if lot.form == "taper":
            sigma = (lot.thick_mm - lot.thin_mm) / lot.length_mm
            for steps in range(1, most_steps):
                mark = (steps * q - lot.thin_mm) / sigma
                if options.min_inside_mm - 1e-9 <= mark <= lot.length_mm + 1e-9:
                    tails.append((round(sigma, 9), steps, cost(lot), 1))
    for sigma, tail, tail_cost, used in tails:
        for n in range(options.max_pieces - used + 1):
            for chosen in itertools.combinations(pieces, n):
                total = tail + sum(round(lot.thickness_mm / q) for lot in chosen)
                if 0 < total < most_steps:
                    key = sigma, total
                    best[key] = min(best.get(key, math.inf), tail_cost + sum(map(cost, chosen)))
    return best


@pytest.mark.parametrize("seed", range(8))
def test_every_thickness_costs_what_trying_everything_says(seed: int) -> None:
    rng = random.Random(seed)
    options = InWeights(quantum_mm=0.1, max_pieces=rng.choice([1, 2, 3]))
    origin = ["offcut", "bought"]
    lots = [
        Lot(
            f"F{i}",
            "flat",
            rng.randint(0, 3),
            thickness_mm=rng.randint(2, 15) / 10,
            origin=rng.choice(origin),
        )
        for i in range(5)
    ]
    lots += [
        Lot("T1", "taper", 1, thin_mm=0.75, thick_mm=2.0, length_mm=80.0, origin=rng.choice(origin)),
        Lot("T2", "taper", 1, thin_mm=1.2, thick_mm=1.8, length_mm=25.0),
    ]
    tables = build_tables(lots, options)
    want = _every_stack(lots, options, 60)
    for i, row in enumerate(tables.rows):
        for steps in range(1, 60):
            assert tables.cheapest[i, steps] == pytest.approx(want.get((row.sigma, steps), math.inf))
            stack = tables.stack(row, steps)
            if math.isinf(tables.cheapest[i, steps]):
                assert stack is None
                continue
            assert stack.cost == pytest.approx(tables.cheapest[i, steps])
            flats = sum(tables.steps(tables.lots[rank].thickness_mm) for rank in stack.flats)
            assert flats + (stack.tail[1] if stack.tail else 0) == steps
            assert all(stack.flats.count(rank) <= tables.lots[rank].count for rank in stack.flats)


def test_caps_take_pieces_points_and_wedges_away() -> None:
    lots = [
        Lot("F1", "flat", 2, thickness_mm=1.0),
        Lot("F2", "flat", 1, thickness_mm=1.0, origin="bought"),
        Lot("T1", "taper", 1, thin_mm=1.0, thick_mm=5.0, length_mm=100.0),
        Lot("S1", "strip", 1, length_mm=400.0, width_mm=40.0, thickness_mm=20.0),
    ]
    tables = build_tables(lots, InWeights(saw=Saw(settings_deg=(1.0,))))
    flats, taper = tables.rows[0], next(r for r in tables.rows if r.saw_deg is None and r.runs)
    wedge = next(r for r in tables.rows if r.saw_deg == 1.0)
    f1, t1, s1 = tables.rank["F1"], tables.rank["T1"], tables.rank["S1"]
    assert tables.stack(flats, 200).cost == 20.0
    assert tables.stack(flats, 200, Caps(flats=((f1, 1),))).cost == 50.0
    assert tables.stack(flats, 200, Caps(flats=((f1, 0),))) is None
    assert tables.stack(taper, 300).tail == (t1, 300)
    start, end = tables.stretch(t1, 300, None)
    assert (start, end) == (50.0 - 32.0, 50.0 + 2.5)
    around = tables.stack(taper, 300, Caps(points=((t1, 40.0),)))
    assert around.flats
    covered = tables.stretch(t1, around.tail[1], None)
    assert not covered[0] <= 40.0 < covered[1]
    assert tables.stack(wedge, 330).tail == (s1, 330)
    assert tables.stack(wedge, 330, Caps(strips=((s1, 329),))).tail == (s1, 230)


def test_prices_are_added_to_what_uses_them() -> None:
    lots = [
        Lot("F1", "flat", 2, thickness_mm=1.0),
        Lot("T1", "taper", 1, thin_mm=1.0, thick_mm=5.0, length_mm=100.0),
        Lot("S1", "strip", 1, length_mm=400.0, width_mm=40.0, thickness_mm=20.0),
    ]
    options = InWeights(saw=Saw(settings_deg=(1.0,)))
    prices = Prices(flat={"F1": 7.0}, taper={"T1": [(40.0, 3.0), (50.0, 4.0)]}, strip_per_mm={"S1": 2.0})
    plain, priced = build_tables(lots, options), build_tables(lots, options, prices)
    assert priced.cheapest[0, 200] == plain.cheapest[0, 200] + 14.0
    taper = next(i for i, r in enumerate(priced.rows) if r.saw_deg is None and r.runs)
    # At 3.00 mm the mark is 50 mm: 18 to 52.5 mm are taken, so both points;
    # at 2.52 mm (6 to 40.5) only the first.
    assert priced.cheapest[taper, 300] == 15.0 + 7.0
    assert priced.cheapest[taper, 252] == 15.0 + 3.0
    assert priced.cheapest[taper, 499] == 15.0
    wedge = next(i for i, r in enumerate(priced.rows) if r.saw_deg == 1.0)
    length = priced.wedge_mm(priced.lots[priced.rank["S1"]], 1.0, 3.0)
    assert priced.cheapest[wedge, 300] == pytest.approx(15.0 + 2.0 * length)


def test_what_is_thicker_than_the_tables_are_long_is_there_to_their_very_end() -> None:
    lots = [
        Lot("T1", "taper", 1, thin_mm=1.0, thick_mm=20.0, length_mm=600.0),
        Lot("S1", "strip", 1, length_mm=3000.0, width_mm=90.0, thickness_mm=20.0),
    ]
    tables = build_tables(lots, Options(saw=Saw(settings_deg=(1.0,))))
    last = tables.length - 1
    assert len(tables.rows) == 3
    for row in tables.rows[1:]:
        assert max(run.hi for run in row.runs) == last
        assert tables.stack(row, last).tail[1] == last
    assert (tables.cheapest[1:, last] < math.inf).all()


def test_dead_lots_give_nothing() -> None:
    lots = [
        Lot("F1", "flat", 0, thickness_mm=1.0),
        Lot("F2", "flat", 1, thickness_mm=2.0, length_mm=5.0, width_mm=8.0),
        Lot("T1", "taper", 1, thin_mm=1.0, thick_mm=5.0, length_mm=9.0),
        Lot("S1", "strip", 1, length_mm=250.0, width_mm=40.0, thickness_mm=20.0),
    ]
    tables = build_tables(lots, InWeights(saw=Saw(settings_deg=(1.0,))))
    assert len(tables.rows) == 1
    assert not (tables.cheapest < math.inf).any()
    assert tables.thick.dtype == int
    with pytest.raises(EntryError, match="check the reading"):
        tables.grown(10**6)


def _leaning(mm_per_m: float, tables) -> tuple[float, str]:
    found = prescribe(
        Foot(100.0, 140.0), 1000.0, Lean(mm_per_m / 1000, 0.003), LIMIT, tables, mode=Mode(relaxed=True)
    )
    return found.cost.total, found.status


def test_threads_that_share_tables_while_these_grow_all_get_the_answers_of_one_alone() -> None:
    # 128 calls: eight threads at once, from packs that the tables begin with to some eight times as thick.
    lots = [Lot(f"F{k}", "flat", 4, thickness_mm=1.0 + 2.5 * k) for k in range(4)]
    lots += [Lot("T1", "taper", 4, length_mm=300.0, width_mm=40.0, thin_mm=0.5, thick_mm=8.0)]
    options = Options(quantum_mm=0.005)
    leans = [4.0, 90.0, 14.0, 70.0, 8.0, 120.0, 20.0, 110.0]
    alone = [_leaning(lean, build_tables(lots, options)) for lean in leans]
    every, gate = sys.getswitchinterval(), threading.Barrier(len(leans))

    def one(lean: float, shared) -> tuple[float, str]:
        gate.wait()
        return _leaning(lean, shared)

    sys.setswitchinterval(1e-5)
    try:
        with ThreadPoolExecutor(len(leans)) as crew:
            for _ in range(16):
                shared = build_tables(lots, options)
                assert list(crew.map(one, leans, [shared] * len(leans))) == alone
                assert shared.view().length > shared.length == FIRST_LENGTH
    finally:
        sys.setswitchinterval(every)
