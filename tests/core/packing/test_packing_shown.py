"""What is shown stays while it holds and nothing is much better: no flicker."""

import itertools
import math

import pytest

from shimfit.core.packing import Mode, Options, build_tables, prescribe
from shimfit.model import Foot, Lean, Lot, Tolerance

FOOT = Foot(90.0, 90.0)
LIMIT = Tolerance("1:500", "ratio", 1 / 500)
LOTS = [Lot(f"F{i}", "flat", 3, thickness_mm=0.2 + 0.13 * i) for i in range(16)]
TABLES = build_tables(LOTS, Options(bearing_point="corner"))


def live(lean: Lean, shown=None, tables=TABLES):
    return prescribe(FOOT, 1000.0, lean, LIMIT, tables, mode=Mode(shown=shown, relaxed=True))


def pieces(answer):
    return [(pack.seat, [piece.lot for piece in pack.pieces]) for pack in answer.packs]


def test_a_trembling_reading_shows_one_answer() -> None:
    shown, held, flickers = None, [], []
    for i in range(120):
        tremble = 0.00012 * math.sin(1.7 * i)
        lean = Lean(0.0110 + tremble, 0.0060 - 0.8 * tremble)
        shown = live(lean, shown)
        held.append(pieces(shown))
        flickers.append(pieces(live(lean)))
        assert shown.within

    def changes(answers: list) -> int:
        return sum(one != other for one, other in itertools.pairwise(answers))

    assert changes(held) <= 1
    assert changes(flickers) > 20


def test_it_gives_way_when_it_leaves_the_tolerance() -> None:
    first = live(Lean(0.011, 0.006))
    later = live(Lean(0.016, 0.006), first)
    assert pieces(later) != pieces(first)
    assert later.within


def test_it_gives_way_to_what_is_better_by_more_than_one_unit() -> None:
    lean = Lean(0.011, 0.006)
    poor = prescribe(FOOT, 1000.0, lean, LIMIT, build_tables(LOTS[:1], Options(bearing_point="corner")))
    best = live(lean)
    assert live(lean, poor).cost == best.cost


def test_kept_needs_and_rest_follow_the_reading() -> None:
    first = live(Lean(0.0110, 0.0060))
    second = live(Lean(0.0111, 0.0060), first)
    assert pieces(second) == pieces(first)
    assert second.lean.slope_along == 0.0111
    by_seat = {pack.seat: pack for pack in first.packs}
    grown = [pack for pack in second.packs if pack.need_mm > by_seat[pack.seat].need_mm]
    assert grown
    assert second.resting.lean != first.resting.lean


def test_lots_that_have_gone_are_not_kept() -> None:
    lean = Lean(0.011, 0.006)
    first = live(lean)
    used = {piece.lot for pack in first.packs for piece in pack.pieces}
    rest = [lot for lot in LOTS if lot.lot not in used]
    second = live(lean, first, build_tables(rest, Options(bearing_point="corner")))
    assert not used & {piece.lot for pack in second.packs for piece in pack.pieces}


@pytest.mark.parametrize("lean", [Lean(0.001, 0.0), Lean(0.0, 0.0)])
def test_nothing_is_kept_under_a_plumb_post(lean: Lean) -> None:
    assert live(lean, live(Lean(0.011, 0.006))).packs == ()
