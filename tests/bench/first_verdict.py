"""What the first reading after the packs says: shares against what was said of them, by box and limit.

    python tests/bench/first_verdict.py [--posts N] [--scatter F]

Decks drawn at random, in mm: the bed falls, each corner is as rough as `Scatter` assumes (or F times that),
pieces and marks are off, flats bear somewhere along their length, the deck takes up its own share, the level
has a zero of its own, the hand scatters and what is read is the nearest millimetre. Packs are prescribed
from a box, made with those errors, and the next reading is decided: all by the program's own functions.

`said` is the mean of what was said; the five bins are the posts by what was said of them, least first, each
with the share that was plumb.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from shimfit.core.objective import Scatter, usual_reads
from shimfit.core.packing import Options, build_tables, prescribe
from shimfit.core.resting import rest_packs
from shimfit.core.stock import lots_from_csv
from shimfit.core.uncertainty import HAND_MM, decide_lean
from shimfit.model import CORNERS, Foot, Lean, Lot, Pack, Resting, Seat, Tolerance
from shimfit.quantities.tolerance import parse_tolerance

FOOT, HEIGHT_MM = Foot(90.0, 90.0), 1000.0
BED_TOP_MM = 9.0
TAKE_UP, U_TAKE_UP = 0.9, 0.05
"""A deck whose take-up is learned: mean and spread from post to post."""
ZERO_MM = 0.5
TAPER_SLOPE = 0.024
PRELOAD_MM = 0.19


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


def read(deck: Deck, lean: Lean, rng: np.random.Generator) -> Lean:
    """A reading: the nearest millimetre of what level and hand make of it."""
    tops = [
        round(top + zero + float(rng.normal(0.0, HAND_MM)))
        for top, zero in zip(lean.top_mm(HEIGHT_MM), deck.zero_mm, strict=True)
    ]
    return Lean(tops[0] / HEIGHT_MM, tops[1] / HEIGHT_MM)


@dataclass(frozen=True)
class Seen:
    """One post after its first packs."""

    said_plumb: float
    said_out: float
    decision: str
    minutes: float


def play(lots: tuple[Lot, ...], tolerance: Tolerance, posts: int, times: float) -> Iterator[Seen]:
    """First packs and the reading after, of all posts that need packs."""
    tables, reads = build_tables(lots, Options()), usual_reads()
    for deck in decks(posts, times):
        rng = np.random.default_rng((*deck.number, 2))
        first = read(deck, deck.bed, rng)
        if tolerance.holds(first, HEIGHT_MM):
            continue
        answer = prescribe(
            FOOT, HEIGHT_MM, first, tolerance, tables, reads=reads, take_up=TAKE_UP, u_take_up=U_TAKE_UP
        )
        if answer.chance is None:
            continue
        resting = deck.rests(deck.made(answer.packs))
        lean = resting.lean
        if lean is None:
            assert resting.limits is not None
            lean = resting.limits[int(rng.random() < 0.5)]
        verdict = decide_lean(read(deck, lean, rng), reads.u_along, reads.u_across, tolerance, HEIGHT_MM)
        work = answer.cost.total - dict(answer.cost.parts).get("next round", 0.0)
        yield Seen(answer.chance.plumb, answer.chance.out, verdict.decision, work)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--posts", type=int, default=400)
    parser.add_argument("--scatter", type=float, default=1.0)
    args = parser.parse_args()
    print(
        f"{'':18}{'plumb (said)':>15}{'close':>8}{'out (said)':>16}{'minutes':>9}   said → happened in five"
    )
    for text in ("1:500", "1:300"):
        for name, lots in BOXES.items():
            seen = sorted(
                play(tuple(lots), parse_tolerance(text), args.posts, args.scatter),
                key=lambda one: one.said_plumb,
            )
            shares = {
                word: sum(one.decision == word for one in seen) / len(seen)
                for word in ("plumb", "too-close", "out")
            }
            said = [
                float(np.mean([getattr(one, name_of) for one in seen]))
                for name_of in ("said_plumb", "said_out")
            ]
            bins = []
            for some in np.array_split(np.arange(len(seen)), 5):
                happened = np.mean([seen[k].decision == "plumb" for k in some])
                bins.append(f"{np.mean([seen[k].said_plumb for k in some]):.2f}→{happened:.2f}")
            minutes = math.fsum(one.minutes for one in seen) / len(seen)
            print(
                f"{name:12}{text:6}{shares['plumb']:8.1%} ({said[0]:.0%}){shares['too-close']:8.1%}"
                f"{shares['out']:9.1%} ({said[1]:.1%}){minutes:9.2f}   {'  '.join(bins)}"
            )


if __name__ == "__main__":
    main()
