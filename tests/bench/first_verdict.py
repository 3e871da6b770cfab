"""What the first reading after the packs says: shares against what was said of them, by box and limit.

    python tests/bench/first_verdict.py [--posts N] [--scatter F] [--learn N] [--round MINUTES]

Decks drawn at random, in mm: the bed falls, each corner is as rough as `Scatter` assumes (or F times that),
pieces and marks are off, flats bear somewhere along their length, the deck takes up its own share, the level
has a zero of its own, the hand scatters and what is read is the nearest millimetre. Packs are prescribed
from a box, made with those errors, and the next reading is decided: all by the program's own functions.

`said` is the mean of what was said of it; settled: plumb without another round, what was too close read once
more with the level turned; the five bins are the posts by what was said of that, least first, each with the
share that was. Rounds and minutes are until the post is plumb. `ceiling`: exact thicknesses at the corners,
the deck's own take-up known, the same seats, hands and level.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from shimfit.core.correction import correct, predicted_shift_mm
from shimfit.core.foot import gap_plane
from shimfit.core.objective import Minutes, Reads, Scatter, usual_reads
from shimfit.core.packing import Options, build_tables, prescribe
from shimfit.core.packing.question import usual_spread
from shimfit.core.resting import rest_packs
from shimfit.core.stock import lots_from_csv
from shimfit.core.takeup import Left, learn_scatter
from shimfit.core.uncertainty.budget import HAND_MM
from shimfit.core.uncertainty.decision import decide_lean
from shimfit.model import CORNERS, Foot, Lean, Lot, Pack, Reading, Resting, Seat, Tolerance
from shimfit.quantities.typed import parse_tolerance

FOOT, HEIGHT_MM = Foot(90.0, 90.0), 1000.0
BED_TOP_MM = 9.0
TAKE_UP, U_TAKE_UP = 0.9, 0.05
"""A deck whose take-up is learned: mean and spread from post to post."""
ZERO_MM = 0.5
TAPER_SLOPE = 0.024
PRELOAD_MM = 0.19
LOOSE_TO_READ_MIN, TURN_MIN = 4.0, 1.0
"""A round but for its pieces; reading once more, the level turned (common practice, no source)."""
MOST_ROUNDS = 12
LEARN_EVERY, LEARN_UP_TO = 20, 200
"""Posts between two looks at how much the site scatters, and the last at which it is looked at."""
WORDS = ("plumb", "too-close", "out")


def _flats(*thick_mm: float) -> tuple[Lot, ...]:
    return tuple(Lot(f"F{mm:g}", "flat", 20, "packs", thickness_mm=mm) for mm in thick_mm)


def _taper(name: str, thin_mm: float, thick_mm: float) -> Lot:
    return Lot(name, "taper", 12, "packs", length_mm=250.0, width_mm=35.0, thin_mm=thin_mm, thick_mm=thick_mm)


BOARDWALK = Path(__file__).parents[2] / "fixtures" / "stock" / "boardwalk_box.csv"
BOXES = {
    "rich": (*_flats(0.4, 0.8, 1.6, 3.0), _taper("T1", 0.5, 6.5), _taper("T2", 0.2, 3.2)),
    "boardwalk": lots_from_csv(BOARDWALK.read_text("utf-8"), "box"),
    "flats only": _flats(0.25, 0.5, 0.8, 1.0, 1.5, 2.0, 3.0, 5.0),
}


@dataclass(frozen=True)
class Deck:
    """What is true about one post."""

    number: tuple[int, int]
    bed: Lean
    rough_mm: dict[Seat, float]
    take_up: float
    zero_mm: tuple[float, float]
    times: float
    """How much more than assumed everything here scatters."""

    def rests(self, packs: tuple[Pack, ...]) -> Resting:
        """How the post really stands; roughness is told above the lowest corner."""
        low = min(self.rough_mm.values())
        rough = {seat: mm - low for seat, mm in self.rough_mm.items()}
        return rest_packs(FOOT, self.bed, packs, PRELOAD_MM, rocks_mm=rough, take_up=self.take_up)

    def made(self, packs: tuple[Pack, ...]) -> tuple[Pack, ...]:
        """Packs as they come out of the hand."""
        rng, usual = np.random.default_rng((*self.number, 1)), Scatter()
        out = []
        for pack in packs:
            error = float(rng.normal(0.0, usual.pack_mm * self.times))
            if any(piece.form != "flat" for piece in pack.pieces):
                error += float(rng.normal(0.0, usual.mark_mm * self.times)) * TAPER_SLOPE
            seat, at = FOOT.seat_at_mm(pack.seat), list(pack.bears_at_mm)
            way = 0 if abs(at[0] - seat[0]) > abs(at[1] - seat[1]) else 1
            if abs(at[way] - seat[way]) > 1e-6:
                at[way] += float(rng.normal(0.0, usual.place_mm * self.times))
            made_mm = max(0.01, pack.made_mm + error)
            out.append(replace(pack, made_mm=made_mm, bears_at_mm=(at[0], at[1])))
        return tuple(out)


def decks(posts: int, times: float) -> Iterator[Deck]:
    """Posts at random."""
    rng, usual = np.random.default_rng(3), Scatter()
    for k in range(posts):
        bed = rng.normal(0.0, BED_TOP_MM / HEIGHT_MM, 2)
        rough = rng.normal(0.0, usual.seat_mm * times, 4).tolist()
        take_up = float(np.clip(rng.normal(TAKE_UP, U_TAKE_UP), 0.6, 1.2))
        zero = rng.uniform(-ZERO_MM, ZERO_MM, 2).tolist()
        yield Deck(
            (3, k), Lean(float(bed[0]), float(bed[1])), dict(zip(CORNERS, rough, strict=True)), take_up,
            (zero[0], zero[1]), times,
        )  # fmt: skip


def read(deck: Deck, lean: Lean, rng: np.random.Generator, turned: int = 1) -> tuple[float, float]:
    """Offsets as read: the nearest millimetre of what level and hand make of it. turned: -1, end for end."""
    along, across = (
        float(round(top + turned * zero + float(rng.normal(0.0, HAND_MM))))
        for top, zero in zip(lean.top_mm(HEIGHT_MM), deck.zero_mm, strict=True)
    )
    return along, across


def stands(deck: Deck, packs: tuple[Pack, ...], rng: np.random.Generator) -> Lean:
    """Lean of a post on packs; one that rocks at either limit."""
    resting = deck.rests(packs)
    if resting.lean is not None:
        return resting.lean
    assert resting.limits is not None
    return resting.limits[int(rng.random() < 0.5)]


def decided(tops: tuple[float, float], how: Reads, tolerance: Tolerance) -> str:
    """Plumb, out or too close."""
    lean = Lean(tops[0] / HEIGHT_MM, tops[1] / HEIGHT_MM)
    steps = how.step, how.step
    return decide_lean(lean, how.u_along, how.u_across, tolerance, HEIGHT_MM, steps=steps).decision


@dataclass(frozen=True)
class Seen:
    """One post: what was said of its first packs, what the first reading said, what it took to be plumb."""

    said_plumb: float
    said_out: float
    said_settled: float
    first: str
    settled: bool
    """Plumb without another round: at once, or once more with the level turned."""
    rounds: int
    minutes: float
    factor: float
    """How much the site scatters, as it was learned by then."""


def left_of(
    tops: tuple[float, float], packs: tuple[Pack, ...], after: tuple[float, float], tolerance: Tolerance
) -> Left:
    """What a post's first packs teach of the scatter."""
    reads = usual_reads()
    stood = Reading("", tops[0] / HEIGHT_MM, tops[1] / HEIGHT_MM, HEIGHT_MM)
    spread = usual_spread(FOOT, HEIGHT_MM, stood, tolerance, packs, PRELOAD_MM, take_up=TAKE_UP)
    assert spread is not None
    shift = predicted_shift_mm(FOOT, (), packs, HEIGHT_MM, PRELOAD_MM)
    along, across = shift[0] * U_TAKE_UP, shift[1] * U_TAKE_UP
    read = 2.0 * (reads.own_along * HEIGHT_MM) ** 2
    off = after[0] - tops[0] - TAKE_UP * shift[0], after[1] - tops[1] - TAKE_UP * shift[1]
    return Left(off, spread, (read + along * along, along * across, read + across * across))


def play(
    lots: tuple[Lot, ...], tolerance: Tolerance, posts: int, times: float, *, learn: int = 0, minutes: Minutes
) -> Iterator[Seen]:
    """All posts that need packs, each until it is plumb; too close: read once more, the level turned."""
    options = Options(minutes=minutes)
    tables, reads = build_tables(lots, options), usual_reads()
    lessons: list[Left] = []
    known: Any = {"reads": reads, "take_up": TAKE_UP, "u_take_up": U_TAKE_UP}
    for deck in decks(posts, times):
        rng = np.random.default_rng((*deck.number, 2))
        tops = read(deck, deck.bed, rng)
        lean = Lean(tops[0] / HEIGHT_MM, tops[1] / HEIGHT_MM)
        if tolerance.holds(lean, HEIGHT_MM):
            continue
        answer = prescribe(FOOT, HEIGHT_MM, lean, tolerance, tables, **known)
        if (said := answer.chance) is None:
            continue
        first, settled, rounds, spent = "", False, 0, 0.0
        while True:
            rounds += 1
            spent += answer.cost.total - dict(answer.cost.parts).get("next round", 0.0) + LOOSE_TO_READ_MIN
            lean = stands(deck, deck.made(answer.packs), rng)
            before, tops = tops, read(deck, lean, rng)
            if rounds == 1 and learn:
                lessons.append(left_of(before, answer.packs, tops, tolerance))
            decision = decided(tops, reads, tolerance)
            first = first or decision
            if decision == "too-close":
                spent += TURN_MIN
                other = read(deck, lean, rng, -1)
                tops = (tops[0] + other[0]) / 2.0, (tops[1] + other[1]) / 2.0
                decision = decided(tops, reads.settling, tolerance)
            settled = settled or (rounds == 1 and decision == "plumb")
            if decision == "plumb" or rounds >= MOST_ROUNDS:
                break
            lean = Lean(tops[0] / HEIGHT_MM, tops[1] / HEIGHT_MM)
            answer = correct(
                FOOT, HEIGHT_MM, lean, tolerance, now=answer.packs, options=options, lots=lots, **known
            )
        if len(lessons) >= learn:
            yield Seen(
                said.plumb, said.out, said.turned, first, settled, rounds, spent, options.scatter.factor
            )
        if lessons and len(lessons) % LEARN_EVERY == 0 and len(lessons) <= LEARN_UP_TO:
            options = replace(options, scatter=Scatter(factor=learn_scatter(lessons).factor))
            tables = build_tables(lots, options)


def ceiling(tolerance: Tolerance, posts: int, times: float) -> dict[str, float]:
    """First verdicts where every thickness can be had at the very corner and the take-up is known."""
    found, reads = [], usual_reads()
    for deck in decks(posts, times):
        rng = np.random.default_rng((*deck.number, 2))
        tops = read(deck, deck.bed, rng)
        lean = Lean(tops[0] / HEIGHT_MM / deck.take_up, tops[1] / HEIGHT_MM / deck.take_up)
        if tolerance.holds(Lean(tops[0] / HEIGHT_MM, tops[1] / HEIGHT_MM), HEIGHT_MM):
            continue
        plane = gap_plane(FOOT, lean)
        packs = tuple(
            Pack(seat, mm, mm, FOOT.seat_at_mm(seat))
            for seat in CORNERS
            if (mm := plane.at_seat_mm(seat)) > 0.005
        )
        found.append(decided(read(deck, stands(deck, packs, rng), rng), reads, tolerance))
    return {word: found.count(word) / len(found) for word in WORDS}


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--posts", type=int, default=400)
    parser.add_argument("--scatter", type=float, default=1.0)
    parser.add_argument("--learn", type=int, default=0)
    parser.add_argument("--round", type=float, default=Minutes().round)
    args = parser.parse_args()
    minutes = replace(Minutes(), round=args.round)
    print(
        f"{'':18}{'plumb (said)':>15}{'close':>8}{'out (said)':>16}{'settled (said)':>17}{'rounds':>8}"
        f"{'minutes':>9}   settled, said → happened in five"
    )
    for text in ("1:500", "1:300"):
        tolerance = parse_tolerance(text)
        best = ceiling(tolerance, args.posts, args.scatter)
        print(f"{'ceiling':12}{text:6}{best['plumb']:8.1%}{best['too-close']:15.1%}{best['out']:9.1%}")
        for name, lots in BOXES.items():
            seen = sorted(
                play(tuple(lots), tolerance, args.posts, args.scatter, learn=args.learn, minutes=minutes),
                key=lambda one: one.said_settled,
            )
            happened = {word: sum(one.first == word for one in seen) / len(seen) for word in WORDS}

            def mean(of: str, some: list[Seen] = seen) -> float:
                return float(np.mean([getattr(one, of) for one in some]))

            bins = []
            for some in np.array_split(np.arange(len(seen)), 5):
                part = [seen[k] for k in some]
                bins.append(f"{mean('said_settled', part):.2f}→{mean('settled', part):.2f}")
            print(
                f"{name:12}{text:6}{happened['plumb']:8.1%} ({mean('said_plumb'):.0%})"
                f"{happened['too-close']:8.1%}{happened['out']:9.1%} ({mean('said_out'):.1%})"
                f"{mean('settled'):10.1%} ({mean('said_settled'):.0%})"
                f"{mean('rounds'):8.2f}{mean('minutes'):9.2f}   {'  '.join(bins)}"
                f"   x {mean('factor'):.2f}"
            )


if __name__ == "__main__":
    main()
