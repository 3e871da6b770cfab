"""First-try rate: how often a post is plumb after one round of packing, and how many rounds it takes.

    python tests/bench/first_try.py [--posts N] [--seed S]

Simulated decks, all in mm and all unknown to whoever packs (the oracle excepted): the bed falls, its four
corners are rough, packs give a deck's own take-up, readings, pieces and marks have errors, a few readings
are wild. Every policy meets the same decks, reads with the same level and stops when a reading is within the
tolerance; a round is: loosen, change packs, tighten, read. Posts that read within at once are not counted.

* fixed steps   the rule of thumb: one step of packing more under each side that looks low, both directions
                in one round; the step that does best is chosen afterwards. Also with steps that are halved
                after an overshoot, which is no fixed step any more.
* shimfit       `prescribe`, then `correct`, from a box, by the chance of the next reading; learns take-up.
* best          knows how decks and readings are distributed, combines all readings of the post and the run
                (Bayes, on a grid of take-ups) and makes any thickness: the best that these readings allow.
* oracle        knows bed, roughness and take-up, makes any thickness; the same hands and readings.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from shimfit.core.correction.boxed import correct
from shimfit.core.correction.standing import Correction, predicted_shift_mm
from shimfit.core.foot import gap_plane
from shimfit.core.objective import Reads
from shimfit.core.packing import Known, Options, build_tables, prescribe
from shimfit.core.resting import rest_packs
from shimfit.core.takeup import Book, Observed, TakeUp, learn, of_material
from shimfit.model import CORNERS, Foot, Lean, Lot, Pack, Prescription, Resting, Seat, Tolerance

Floats = NDArray[np.float64]

FOOT = Foot(90.0, 90.0)
HEIGHT_MM = 1000.0
OPTIONS = Options()
POSTS_PER_DECK = 20
MOST_ROUNDS = 15

# What a deck and a pair of hands are like (common practice, no source).
BED_TOP_MM = 9.0
ROUGH_MM = 0.12
TAKE_UP = (0.85, 0.10)
"""Mean and spread from deck to deck."""
TAKE_UP_SCATTER = 0.03
"""From post to post of one deck."""
READING_MM = 0.5
WILD_SHARE, WILD_MM = 0.03, 4.0
MAKING_MM = 0.03
"""A piece's thickness against what is written on it, one standard deviation."""
MARK_MM = 0.8
"""A taper's mark as drawn and met."""
MARK_SLOPE = 0.02
"""Slope of the tapers that marks are for."""

BOX = (
    Lot("offcut .4", "flat", 20, "packs", thickness_mm=0.4),
    Lot("offcut .8", "flat", 20, "packs", thickness_mm=0.8),
    Lot("offcut 1.6", "flat", 20, "packs", thickness_mm=1.6),
    Lot("offcut 3", "flat", 20, "packs", thickness_mm=3.0),
    Lot("scrap taper", "taper", 12, "packs", length_mm=250, width_mm=35, thin_mm=0.5, thick_mm=6.5),
    Lot("thin taper", "taper", 12, "packs", length_mm=250, width_mm=35, thin_mm=0.2, thick_mm=3.2),
)


@dataclass(frozen=True)
class Deck:
    """What is true about one post."""

    bed: Lean
    rough_mm: Mapping[Seat, float]
    take_up: float

    def rests(self, packs: Sequence[Pack]) -> Resting:
        """How the post really stands: bare corners and packs bear on the rough bed."""
        return rest_packs(
            FOOT, self.bed, packs, OPTIONS.preload_mm, rocks_mm=self.rough_mm, take_up=self.take_up
        )


@dataclass
class Hands:
    """One person at one post: reads, makes, and counts rounds. The same errors for every policy."""

    deck: Deck
    seed: tuple[int, ...]
    rounds: int = 0
    readings: list[tuple[float, float]] = field(default_factory=list)

    def read(self, packs: Sequence[Pack]) -> Lean:
        """One reading; a post that rocks is read at either limit."""
        rng = np.random.default_rng((*self.seed, 1, self.rounds))
        resting = self.deck.rests(packs)
        lean = resting.lean
        if lean is None:
            assert resting.limits is not None
            lean = resting.limits[int(rng.random() < 0.5)]
        error = rng.normal(0.0, READING_MM, 2)
        if rng.random() < WILD_SHARE:
            error += rng.normal(0.0, WILD_MM, 2)
        read = Lean(
            lean.slope_along + float(error[0]) / HEIGHT_MM, lean.slope_across + float(error[1]) / HEIGHT_MM
        )
        self.readings.append(read.top_mm(HEIGHT_MM))
        return read

    def make(self, packs: Sequence[Pack], standing: Mapping[Seat, Pack]) -> tuple[Pack, ...]:
        """The packs as they come out: pieces that stay keep their thickness, new ones have errors."""
        self.rounds += 1
        made = []
        for pack in packs:
            old = standing.get(pack.seat)
            if old is not None and old.need_mm == pack.made_mm:
                made.append(old)
                continue
            rng = np.random.default_rng((*self.seed, 2, self.rounds, list(Seat).index(pack.seat)))
            error = float(rng.normal(0.0, MAKING_MM)) * math.sqrt(max(1, len(pack.pieces)))
            if any(piece.form != "flat" for piece in pack.pieces) or not pack.pieces:
                error += float(rng.normal(0.0, MARK_MM)) * MARK_SLOPE
            made.append(replace(pack, need_mm=pack.made_mm, made_mm=max(0.01, pack.made_mm + error)))
        return tuple(made)


Policy = Callable[[Hands, Lean, Tolerance], None]


def exact_packs(tilt: Lean, extra_mm: Mapping[Seat, float] | None = None) -> tuple[Pack, ...]:
    """Packs at the corners that tilt the foot by exactly this, over a rough bed if it is known."""
    plane = gap_plane(FOOT, tilt)
    wants = {seat: plane.at_seat_mm(seat) + (extra_mm or {}).get(seat, 0.0) for seat in CORNERS}
    least = min(wants.values())
    return tuple(
        Pack(seat, round(want - least, 2), round(want - least, 2), FOOT.seat_at_mm(seat))
        for seat, want in wants.items()
        if want - least >= 0.005
    )


# ------------------------------------------------------------------- policies


@dataclass
class FixedSteps:
    """One step of packing more under each side that looks low, one less where it went too far."""

    step_mm: float
    halve: bool = False
    """Go on with half a step in a direction that went too far."""

    def __call__(self, hands: Hands, first: Lean, tolerance: Tolerance) -> None:
        tilt, steps, before = [0.0, 0.0], [self.step_mm, self.step_mm], [0.0, 0.0]
        lean: Lean = first
        packs: tuple[Pack, ...] = ()
        while not tolerance.holds(lean, HEIGHT_MM) and hands.rounds < MOST_ROUNDS:
            sides = (lean.slope_along, lean.slope_across)
            least = min(0.5 * tolerance.allowed_slope(HEIGHT_MM), 0.999 * max(map(abs, sides)))
            for i, slope in enumerate(sides):
                if self.halve and before[i] * slope < 0.0:
                    steps[i] = max(0.1, steps[i] / 2)
                if abs(slope) > least:
                    tilt[i] += math.copysign(steps[i] / FOOT.along_mm, slope)
                    before[i] = slope
            packs = hands.make(exact_packs(Lean(*tilt)), {p.seat: p for p in packs})
            lean = hands.read(packs)


@dataclass
class Shimfit:
    """What the program does: prescribe, correct, learn, each aimed at what the next reading will say."""

    reads = Reads(*(READING_MM / HEIGHT_MM,) * 4, factor=0.0)
    """The level that all policies read with, by the rule that they all stop by: simple acceptance."""
    book: Book = field(default_factory=dict)
    tables = build_tables(BOX, OPTIONS)

    def __call__(self, hands: Hands, first: Lean, tolerance: Tolerance) -> None:
        lean = first
        packs: tuple[Pack, ...] = ()
        made: tuple[Pack, ...] = ()
        while not tolerance.holds(lean, HEIGHT_MM) and hands.rounds < MOST_ROUNDS:
            known = of_material(self.book, "packs")
            answer = self.answer(lean, packs, tolerance, known)
            predicted = predicted_shift_mm(FOOT, packs, answer.packs, HEIGHT_MM, OPTIONS.preload_mm)
            packs = answer.packs
            made = hands.make(packs, {p.seat: p for p in made})
            after = hands.read(made)
            measured = (
                (after.slope_along - lean.slope_along) * HEIGHT_MM,
                (after.slope_across - lean.slope_across) * HEIGHT_MM,
            )
            self.book = learn(self.book, Observed(predicted, measured, READING_MM, 0.5, {"packs": 1.0}))
            lean = after

    def answer(
        self, lean: Lean, packs: tuple[Pack, ...], tolerance: Tolerance, known: TakeUp
    ) -> Prescription:
        """A first prescription, or what to change."""
        if packs:
            reads = Known(self.reads, known.mean, known.u)
            return correct(Correction(FOOT, HEIGHT_MM, lean, tolerance, tuple(packs), reads), OPTIONS, BOX)
        return prescribe(
            FOOT,
            HEIGHT_MM,
            lean,
            tolerance,
            self.tables,
            known=Known(reads=self.reads, take_up=known.mean, u_take_up=known.u),
        )


GRID = np.linspace(0.5, 1.2, 141)


def _prior() -> Floats:
    return np.exp(-0.5 * ((GRID - TAKE_UP[0]) / TAKE_UP[1]) ** 2)


@dataclass
class Best:
    """Bayes with the true distributions, all readings of the post and the run; any thickness."""

    prior: Floats = field(default_factory=_prior)

    def __call__(self, hands: Hands, first: Lean, tolerance: Tolerance) -> None:
        tilts = [np.zeros(2)]
        reads = [np.array(first.top_mm(HEIGHT_MM))]
        lean: Lean = first
        packs: tuple[Pack, ...] = ()
        prior = _blurred(self.prior)
        while not tolerance.holds(lean, HEIGHT_MM) and hands.rounds < MOST_ROUNDS:
            weight, bed = self.posterior(prior, tilts, reads)
            # Least mean square of what is left: tilt = E[ρ·bed] ÷ E[ρ²].
            tilt = (weight * GRID) @ bed / (weight @ GRID**2)
            wanted = exact_packs(Lean(float(tilt[0]) / HEIGHT_MM, float(tilt[1]) / HEIGHT_MM))
            packs = hands.make(wanted, {p.seat: p for p in packs})
            lean = hands.read(packs)
            tilts.append(tilt)
            reads.append(np.array(lean.top_mm(HEIGHT_MM)))
        self.prior = self.posterior(prior, tilts, reads)[0]

    @staticmethod
    def posterior(prior: Floats, tilts: Sequence[Floats], reads: Sequence[Floats]) -> tuple[Floats, Floats]:
        """Weight of each take-up and, for each, the bed's lean at the top; wild readings weigh less."""
        making = HEIGHT_MM / FOOT.along_mm * math.hypot(MAKING_MM, MARK_MM * MARK_SLOPE)
        sigma = np.array([READING_MM] + [math.hypot(READING_MM, making)] * (len(reads) - 1))
        t, r = np.array(tilts), np.array(reads)
        tops = r[None] + GRID[:, None, None] * t[None]
        wild = math.hypot(READING_MM, WILD_MM) / READING_MM
        trust = np.ones(tops.shape[:2])
        for _ in range(8):
            w = trust / sigma**2
            bed = np.einsum("gk,gkd->gd", w, tops) / w.sum(axis=1)[:, None]
            z2 = (((tops - bed[:, None, :]) / sigma[None, :, None]) ** 2).sum(axis=2)
            honest = (1 - WILD_SHARE) * np.exp(-0.5 * z2)
            odd = WILD_SHARE / wild**2 * np.exp(-0.5 * z2 / wild**2)
            trust = (honest + odd / wild**2) / (honest + odd)
        weight = prior * np.prod(honest + odd, axis=1)
        return weight / weight.sum(), bed


def _blurred(weight: Floats) -> Floats:
    """What is known of the next post's take-up: the deck's, with the scatter from post to post."""
    steps = GRID[:, None] - GRID[None, :]
    spread: Floats = np.exp(-0.5 * (steps / TAKE_UP_SCATTER) ** 2) @ weight
    return spread


class Oracle:
    """Knows everything but its own errors."""

    def __call__(self, hands: Hands, first: Lean, tolerance: Tolerance) -> None:
        deck = hands.deck
        tilt = Lean(deck.bed.slope_along / deck.take_up, deck.bed.slope_across / deck.take_up)
        lean, packs = first, ()
        while not tolerance.holds(lean, HEIGHT_MM) and hands.rounds < MOST_ROUNDS:
            packs = hands.make(exact_packs(tilt, deck.rough_mm), {})
            lean = hands.read(packs)


# ------------------------------------------------------------------- the run


def decks(posts: int, seed: int) -> list[list[Deck]]:
    """Decks of posts: one take-up a deck, a bed for each post."""
    rng = np.random.default_rng(seed)
    found = []
    for _ in range(math.ceil(posts / POSTS_PER_DECK)):
        take_up = float(np.clip(rng.normal(*TAKE_UP), 0.55, 1.15))
        deck = []
        for _ in range(POSTS_PER_DECK):
            bed = Lean(*(float(v) / HEIGHT_MM for v in rng.normal(0.0, BED_TOP_MM, 2)))
            rough = {
                seat: float(abs(v)) for seat, v in zip(CORNERS, rng.normal(0.0, ROUGH_MM, 4), strict=True)
            }
            deck.append(
                Deck(bed, rough, float(np.clip(take_up + rng.normal(0.0, TAKE_UP_SCATTER), 0.5, 1.2)))
            )
        found.append(deck)
    return found


def play(make_policy: Callable[[], Policy], world: list[list[Deck]], tolerance: Tolerance) -> list[int]:
    """Rounds of every post that needs packing, in order."""
    rounds = []
    for d, deck in enumerate(world):
        policy = make_policy()
        for p, post in enumerate(deck):
            hands = Hands(post, (d, p))
            first = hands.read(())
            if tolerance.holds(first, HEIGHT_MM):
                continue
            policy(hands, first, tolerance)
            rounds.append(hands.rounds)
    return rounds


STEPS_MM = (0.25, 0.3, 0.4, 0.5, 0.65, 0.8, 1.0)


def main() -> None:
    """Play all policies on the same decks and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--posts", type=int, default=400)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    world = decks(args.posts, args.seed)
    for text, slope in (("1:500", 1 / 500), ("1:300", 1 / 300)):
        tolerance = Tolerance(text, "ratio", slope)
        fixed = {step: play(partial(FixedSteps, step), world, tolerance) for step in STEPS_MM}
        best_step = min(STEPS_MM, key=lambda step: float(np.mean(fixed[step])))
        policies: dict[str, Callable[[], Policy]] = {
            f"fixed steps of {best_step:g} mm (best step)": partial(FixedSteps, best_step),
            "steps of 0.8 mm, halved": partial(FixedSteps, 0.8, halve=True),
            "shimfit": Shimfit,
            "best with the same readings": Best,
            "oracle": Oracle,
        }
        rounds = {name: play(make, world, tolerance) for name, make in policies.items()}
        show(text, slope, rounds, fixed)


def show(
    text: str, slope: float, rounds: Mapping[str, Sequence[int]], fixed: Mapping[float, Sequence[int]]
) -> None:
    """The table of one tolerance."""
    best = np.array(rounds["best with the same readings"])
    print(f"\ntolerance {text}: {slope * HEIGHT_MM:.2f} mm at the top, {len(best)} posts to pack")
    print(f"{'':36}{'first try':>10}{'mean rounds':>13}{'p95':>5}{'÷ best':>8}{'± (1 s)':>9}")
    rng = np.random.default_rng(0)
    picks = rng.integers(0, len(best), (2000, len(best)))
    for name, some in rounds.items():
        counts = np.array(some)
        ratios = counts[picks].mean(axis=1) / best[picks].mean(axis=1)
        print(
            f"{name:36}{np.mean(counts == 1):10.1%}{counts.mean():13.3f}{np.percentile(counts, 95):5.0f}"
            f"{counts.mean() / best.mean():8.3f}{ratios.std():9.3f}"
        )
    ours = float(np.mean(rounds["shimfit"]))
    steps = ", ".join(f"{step:g} mm {np.mean(some):.2f}" for step, some in fixed.items())
    print(f"fixed steps, mean rounds: {steps}")
    shares = [f"{ours / np.mean(some):.2f} of {name}" for name, some in rounds.items() if "step" in name]
    print(f"shimfit needs {', '.join(shares)} (goal 0.33)")


if __name__ == "__main__":
    main()
