"""One post after another, and the kit before the day."""

import itertools
import random
from dataclasses import replace

import numpy as np
import pytest

from shimfit.core import foresight, kit
from shimfit.core.packing import Options
from shimfit.core.planning import PlanPost
from shimfit.core.planning.plan import plan
from shimfit.core.planning.planned import box_after
from shimfit.errors import UsageError
from shimfit.model import Foot, Lean, Lot, Seat, Tolerance
from shimfit.solve.highs import Highs
from shimfit.workflow.plan import buying_json

TOLERANCE = Tolerance("1:500", "ratio", 0.002)
WIDE = Tolerance("1:300", "ratio", 1 / 300)
CORNER = Options(bearing_point="corner")
A_PIECE = CORNER.minutes.piece


def post(name, across):
    return PlanPost(name, Foot(90, 90), 1000.0, Lean(0.0, across), TOLERANCE)


def test_leans_drawn_look_like_those_read_and_the_same_seed_draws_the_same():
    rng = np.random.default_rng(5)
    read = [Lean(float(a), float(c)) for a, c in rng.normal((0.001, 0.009), 0.002, (40, 2))]
    drawn = foresight.likely_leans(read, 4000, seed=2)
    assert drawn == foresight.likely_leans(read, 4000, seed=2)
    across = np.array([lean.slope_across for lean in drawn])
    assert across.mean() == pytest.approx(0.009, abs=0.0008)
    assert 0.002 < across.std() < 0.005
    assert len(foresight.likely_leans([], 7, seed=1)) == 7


def test_an_early_post_leaves_what_a_later_one_will_need():
    """Posts that lean alike and one scarce pair that any of them could take: enough plain packers are there,
    at a little more cost for the small lean, for nothing else for the large one."""
    small, large = post("1", 0.0085), post("2", 0.0105)
    lots = [
        Lot("thin", "flat", 2, thickness_mm=0.65, origin="bought"),
        Lot("right", "flat", 2, thickness_mm=0.86),
    ]
    greedy = foresight.without_foresight(small, lots, CORNER)
    assert {piece.lot for pack in greedy.packs for piece in pack.pieces} == {"right"}
    assert foresight.without_foresight(large, box_after(lots, greedy.packs, CORNER).lots(), CORNER) is None
    # What was read before on this deck tells that larger leans come.
    before = [Lean(0.0, 0.0105)] * 400
    first = foresight.with_foresight(small, [*before, small.lean], 1, lots, CORNER, Highs(), seed=3)
    assert {piece.lot for pack in first.packs for piece in pack.pieces} == {"thin"}
    assert foresight.without_foresight(large, box_after(lots, first.packs, CORNER).lots(), CORNER)


@pytest.mark.parametrize("number", [3, 9])
def test_what_is_taken_is_the_best_of_all_ways_to_share_with_the_one_to_come(number, monkeypatch):
    """Against every way to split a small box between two posts, each served by itself from its part."""
    rng = random.Random(number)
    lean = [Lean(rng.uniform(0.002, 0.011), rng.uniform(-0.011, 0.011)) for _ in range(2)]
    mine, other = (replace(post(str(k), 0.0), lean=one, tolerance=WIDE) for k, one in enumerate(lean))
    lots = [
        Lot(f"F{k}", "flat", count, thickness_mm=round(rng.uniform(0.3, 1.8), 1))
        for k, count in enumerate((1, 1, 2, 1))
    ]

    def cost(one, box):
        found = foresight.without_foresight(one, box, CORNER)
        return CORNER.costs.unsolved if found is None else found.cost

    def part(counts):
        return [replace(lot, count=count) for lot, count in zip(lots, counts, strict=True) if count]

    splits = list(itertools.product(*(range(lot.count + 1) for lot in lots)))
    rests = [tuple(lot.count - count for lot, count in zip(lots, split, strict=True)) for split in splits]
    costs = [cost(mine, part(split)) for split in splits]
    best = min(
        own + cost(other, part(rest))
        for own, rest in zip(costs, rests, strict=True)
        if own < CORNER.costs.unsolved
    )
    monkeypatch.setattr(foresight, "likely_leans", lambda *_: (other.lean,))
    given = foresight.with_foresight(mine, [mine.lean], 1, lots, CORNER, Highs())
    in_all = given.cost + cost(other, box_after(lots, given.packs, CORNER).lots())
    assert best - 1e-6 <= in_all <= best + A_PIECE


def test_nothing_to_come_is_the_post_alone():
    lots = [Lot("a", "flat", 2, thickness_mm=0.9)]
    one = post("1", 0.01)
    with_ = foresight.with_foresight(one, [one.lean], 0, lots, CORNER, Highs())
    assert with_ == foresight.without_foresight(one, lots, CORNER)
    assert foresight.with_foresight(one, [one.lean], 0, [], CORNER, Highs()) is None


def test_a_kit_for_an_empty_box_serves_the_share_asked_for_and_comes_out_again():
    made, again = (
        kit.kit_for(Foot(90, 90), 1000.0, TOLERANCE, 1, [], CORNER, Highs(), fall=0.006) for _ in range(2)
    )
    assert made.served_share >= 0.95
    assert made.served_without < 0.5
    assert all(line.count > 0 for line in made.lines)
    # A pack at each of two or three seats, of a flat or a stretch of a taper; nobody knows yet which way it
    # leans, so there are sizes to choose from: not many more than that.
    assert 0 < sum(line.count for line in made.lines) <= 3 * 3
    assert made == again


def test_a_kit_serves_posts_that_a_level_hardly_ever_proves_plumb():
    # Half the usual tolerance: the rounds of any packs come to more than the dearest ones take to make.
    tight = Tolerance("1:1000", "ratio", 0.001)
    assert kit.kit_for(Foot(90, 90), 1000.0, tight, 1, [], CORNER, Highs(), fall=0.004).served_share >= 0.95


def test_what_serves_nobody_more_is_not_bought():
    def made(lots, offered):
        return kit.kit_for(
            Foot(90, 90), 1000.0, TOLERANCE, 3, lots, CORNER, Highs(), fall=0.01, offered=offered
        )

    # Flats of one thickness serve a post now and then at most; blocks of 9 mm serve none.
    short = made([], [Lot("0.9", "flat", 1, thickness_mm=0.9)])
    assert not short.reached
    assert short.served_share < short.asked_share == 0.95
    assert bool(short.lines) == (short.served_share > short.served_without)
    useless = made([], [Lot("block", "flat", 1, thickness_mm=9.0)])
    assert (useless.lines, useless.served_share, useless.reached) == ((), 0.0, False)
    plenty = [Lot(f"F{k}", "flat", 40, thickness_mm=round(0.1 * k, 1)) for k in range(1, 30)]
    full = made(plenty, [])
    assert (full.lines, full.reached) == ((), True)
    assert full.served_share == full.served_without


def test_a_kit_needs_a_fall_or_readings():
    def ask(**given):
        return kit.kit_for(Foot(90, 90), 1000.0, TOLERANCE, 3, [], CORNER, Highs(), **given)

    with pytest.raises(UsageError, match="fall"):
        ask()
    box = [Lot("x", "flat", 1, thickness_mm=1.0)]
    with pytest.raises(UsageError, match="another name"):
        kit.kit_for(Foot(90, 90), 1000.0, TOLERANCE, 3, box, CORNER, Highs(), fall=0.01, offered=box)


@pytest.mark.parametrize("to_come", [0, 2])
def test_a_round_foot_stands_on_its_rim_with_posts_to_come_in_mind_too(to_come):
    foot, limit = Foot(90, 90, round=True), Tolerance("1:300", "ratio", 1 / 300)
    lots = [Lot(f"F{k}", "flat", 9, thickness_mm=t) for k, t in enumerate((0.3, 0.4, 0.9, 1.2))]
    post = PlanPost("1", foot, 1000.0, lean := Lean(0.0, 0.01), limit)
    given = foresight.with_foresight(post, [lean], to_come, lots, Options(), Highs())
    assert given is not None
    assert len(given.packs) < 3


def test_an_inch_shop_sells_by_the_marks_of_a_tape():
    for lot in kit.shop("inch"):
        for mm in (lot.thickness_mm, lot.thin_mm, lot.thick_mm, lot.length_mm):
            assert mm is None or mm / 25.4 * 64 == pytest.approx(round(mm / 25.4 * 64), abs=1e-9)
    assert kit.KitLine(kit.shop()[-1], 4).stock_mm(2.5) == 4 * (200.0 + 2.5)


def test_what_to_buy_is_said_where_the_time_was_up_and_takes_few_pieces():
    posts = [post(str(k), across) for k, across in enumerate((0.004, 0.006, 0.009))]
    lots = [Lot("block", "flat", 1, thickness_mm=9.0)]
    done = plan(posts, lots, CORNER, Highs())
    assert len(done.unsolved) == 3
    up = buying_json(replace(done, stopped=True), lots, CORNER)["buy"]
    assert up["serves"] == ["0", "1", "2"]
    bought = [replace(Lot(**{"count": 1, **line["lot"]}), count=line["count"]) for line in up["lines"]]
    assert not plan(posts, [*lots, *bought], CORNER, Highs()).unsolved
    # Two packs a post at least; what a plan takes that has plenty of everything is no fewer.
    assert 6 <= sum(lot.count for lot in bought) <= 12
    assert buying_json(replace(done, stopped=True), lots, CORNER, lambda: True) == {}
    # Posts that are all served one by one: nothing is asked of the program for them.
    hanging = replace(posts[2], feelers=((Seat.NEXT_OUT, 1.0),))
    alone = plan([hanging], lots, CORNER, Highs())
    assert buying_json(alone, lots, CORNER)["buy"]["serves"] == ["2"]
