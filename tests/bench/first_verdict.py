"""What the first reading after the packs says: shares against what was said of them, by box and limit.

    python tests/bench/first_verdict.py [--posts N] [--scatter F] [--round MINUTES] [--part PART …]

Decks drawn at random, in mm: the bed falls, each corner is as rough as `Scatter` assumes (or F times that)
and was so in part under the bare post (`STAYS`), pieces and marks are off, flats bear somewhere along their
length, packs give their own share, the level has a zero of its own, the hand scatters and what is read is the
nearest millimetre. Packs are prescribed from a box, made with those errors, and the next reading is decided:
all by the program's own functions.

`said` is the mean of what was said of it; turned: plumb by the mean of two readings, turned between; the five
bins are the posts by what was said of that, least first, each with the share that was. Rounds and minutes are
until the post is plumb; while a reading is within the limit and too close, it is read more often and no pack
is changed; `later`: minutes of a round that changed packs. Parts:

* `alone`: every post on a deck of its own, whose take-up is known but for 5 % from post to post.
* `runs`: twenty posts a deck; its take-up is learned from the usual on, by the program's own functions.
* `advice`: as `alone`, and whatever the program says of reading is done: to half a millimetre after.
* `learned`: as `alone`, the site scattering 1.5 times what is usual, learned along the first 200 posts.
* `sources`: what the first verifying reading scatters by, each source taken away in turn.

Always printed first, the same posts in all of them (`--part floor`: nothing else):

* `ceiling`: exact thicknesses at the corners, each post's own take-up known, the same seats, hands and level,
  which nobody can have.
* `floor, exact`: a box that holds every thickness, at the very corners, made without error, from the same
  reading and the same knowledge of the take-up as the program has. The packs then aim at the mean of what the
  lean may be, and among decisions by one reading that is the best for any zone that is symmetric and convex
  (Anderson 1955), so no box and no choice of packs can be plumb more often.
* `floor, made`: the same, each pack as far off as one pack is (`Scatter.pack_mm`): what no choice of packs
  goes below while packs are made of real pieces.
* a box's name, `packs`: what the program chooses from it. What is between it and `floor, made` is all that
  a better choice, or a fuller box, could ever gain; what is below that is seats, reading and take-up.

Measured, 2,000 posts (plumb, out at the first reading, said of it, %; minutes a post):

| | 1:500 plumb | out | said | min | 1:300 plumb | out | said | min |
|---|---|---|---|---|---|---|---|---|
| ceiling | 16.4 | 1.5 | | | 97.3 | .1 | | |
| floor, exact | 15.5 | 4.6 | | | 93.2 | .2 | | |
| floor, made | 12.7 | 4.9 | | | 92.3 | .4 | | |
| rich | 12.5 | 7.6 | 7.5 | 11.9 | 84.3 | .8 | 1.4 | 7.0 |
| boardwalk | 10.4 | 9.8 | 9.3 | 13.0 | 82.0 | 1.2 | 1.6 | 7.0 |
| rich, runs | 11.3 | 7.4 | 8.6 | 11.7 | 83.9 | 1.6 | 2.1 | 7.1 |
| boardwalk, runs | 12.0 | 9.2 | 10.3 | 13.0 | 81.5 | 2.0 | 2.5 | 7.2 |
| rich, 32 mm in | 13.3 | 7.7 | 7.6 | 12.1 | 84.3 | 1.5 | 1.7 | 7.3 |
| boardwalk, 32 mm in | 10.5 | 9.6 | 9.3 | 14.4 | 80.1 | 2.1 | 2.5 | 7.7 |

The last two: as flats, and tapers flatter than the gap, were pushed in before. 20 mm in the base is wider:
flats do where tapers were cut, and of the boardwalk's 14.4 minutes 1.4 are saved, of these lifts (2.0 to 1.2)
and cuts (1.9 to 1.5). 25 mm in (rich, 1:500): out 7.9, 12.1 minutes. All pieces 20 mm in, steep tapers too:
more tips to cut off.

Where a deck's take-up is learned (1:500, rich) 15.0 % of its first three posts are out (17.9 said), 6.0 of
the later ones (6.9). All bins are within 5 points but some of runs, mostly plumb oftener than said: the least
of boardwalk's at 1:500 .43 said and .48, of the first three posts of a deck .34 and .39, at 1:300 .73 and
.84. How much of a seat's roughness stays decides all the rest, and nobody knows it (rich, 1:500, 500 posts,
32 mm in): all of it, 2.0 % out and 69 % settled by two readings; half (.5), 7.0 and 52; 7.7 and 50 are said.
A site's own share is learned with its scatter.

What makes 7.2 out of 4.8 at 1:500, and 82.9 plumb of 93.6 at 1:300 (rich, 1,000 posts, taken away one by
one): pieces 6.5, 85.1; marks and places 6.2, 86.1; flats bearing further in than the face 5.4, 88.2; the
price of work, a round costing all there is, 6.5, 91.0. And what nobody has: the reading before without error
5.8, 86.2; each post's take-up 3.5, 88.1; smooth seats 5.9, 87.5. So out at 5 % is not to be had at 1:500 by
choosing, the floor being 4.9: it takes all of the box's sources together.

Tried for fewer out or more plumb, and not kept (rich; out at 1:500, minutes):

* a round of 10 minutes for 8: out 6.7 for 7.2, .13 minutes dearer, and at 1:300 plumb .5 more for .05.
* the best layout for each post: out 7.2 as with the corners alone, .11 minutes less, at 1:300 the same.
* with flats 32 mm in: rounds of 12, 16, 30 minutes, out 8.5 for 8.8 and .13 to .29 minutes dearer; a lift at
  twice or four times its price (boardwalk), .7 minutes less and 2.3 or 2.7 more out.
* one more reading before the packs go in, the level turned: out 8.7 for 8.8, turned plumb 5 points more, and
  .66 minutes dearer: packs are changed in only half of what two readings leave open.
* every piece to .01 mm by a caliper: out 7.3 for 8.8, .44 minutes a post for three pieces: what measuring
  takes.
* the least lean of a deck packed first: out 7.3 for 8.7 (runs), 12.23 minutes for 12.34; the worst first: out
  25 of the first three posts, 12.45 minutes.
* counting only the rounds that change packs: out 10.5 for 8.8, .16 minutes less.
"""

from __future__ import annotations

import argparse
import math
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from shimfit.core import packing
from shimfit.core.correction.boxed import correct
from shimfit.core.correction.standing import Correction, predicted_shift_mm
from shimfit.core.foot import gap_plane
from shimfit.core.objective import READ_AGAIN_MIN, Minutes, Reads, Scatter, usual_reads
from shimfit.core.packing import Options, build_tables, prescribe
from shimfit.core.packing.question import usual_spread
from shimfit.core.resting import rest_packs
from shimfit.core.stock import lots_from_csv
from shimfit.core.takeup import Book, Left, Observed, learn, learn_scatter, of_material
from shimfit.core.uncertainty.budget import HAND_MM
from shimfit.core.uncertainty.decision import MOST_REPEATS, decide_lean
from shimfit.model import CORNERS, Chance, Foot, Lean, Lot, Pack, Reading, Resting, Seat, Tolerance
from shimfit.quantities.typed import parse_tolerance
from shimfit.text.phrases import GROUP, WORTH_TURNING

FOOT, HEIGHT_MM = Foot(90.0, 90.0), 1000.0
BED_TOP_MM = 9.0
TAKE_UP = 0.9
ZERO_MM = 0.5
TAPER_SLOPE = 0.024
PRELOAD_MM = 0.19
SMOOTH = dict.fromkeys(CORNERS, 0.0)
STAYS = 0.5
"""Correlation of a seat's roughness under the bare post and under its pack (no source): of .5 the difference
is as much as one of them, which is what the program counts."""
LOOSE_TO_READ_MIN = 4.0
"""A round but for its pieces (common practice, no source)."""
MOST_ROUNDS = 12
LEARN_EVERY, LEARN_UP_TO = 20, 200
"""Posts between two looks at how much the site scatters, and the last at which it is looked at."""
WORDS = ("plumb", "too-close", "out")


@dataclass(frozen=True)
class World:
    """What take-up is like (common practice, no source)."""

    deck_u: float = 0.0
    post_u: float = 0.05
    posts: int = 1
    """Of a deck."""


ALONE, RUNS = World(), World(0.10, 0.03, 20)


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
    bare_mm: dict[Seat, float]
    """How rough the corners are that it stands on before it is packed."""
    take_up: float
    zero_mm: tuple[float, float]
    scatter: Scatter
    """What pieces, marks and places are off by here."""

    def rests(self, packs: tuple[Pack, ...]) -> Resting:
        """How the post really stands; roughness is told above the lowest corner."""
        rough = self.rough_mm if packs else self.bare_mm
        low = min(rough.values())
        rough = {seat: mm - low for seat, mm in rough.items()}
        return rest_packs(FOOT, self.bed, packs, PRELOAD_MM, rocks_mm=rough, take_up=self.take_up)

    def made(self, packs: tuple[Pack, ...]) -> tuple[Pack, ...]:
        """Packs as they come out of the hand."""
        rng, by = np.random.default_rng((*self.number, 1)), self.scatter
        out = []
        for pack in packs:
            error = float(rng.normal(0.0, by.pack_mm * by.factor))
            if any(piece.form != "flat" for piece in pack.pieces):
                error += float(rng.normal(0.0, by.mark_mm * by.factor)) * TAPER_SLOPE
            seat, at = FOOT.seat_at_mm(pack.seat), list(pack.bears_at_mm)
            way = 0 if abs(at[0] - seat[0]) > abs(at[1] - seat[1]) else 1
            if abs(at[way] - seat[way]) > 1e-6:
                at[way] += float(rng.normal(0.0, by.place_mm * by.factor))
            made_mm = max(0.01, pack.made_mm + error)
            out.append(replace(pack, made_mm=made_mm, bears_at_mm=(at[0], at[1])))
        return tuple(out)


def decks(world: World, posts: int, times: float, stays: float = STAYS) -> Iterator[Deck]:
    """Posts at random, one deck after the other."""
    rng, on_deck, bare, usual = *(np.random.default_rng(k) for k in (3, 4, 5)), Scatter(factor=times)
    take_up = TAKE_UP
    for k in range(posts):
        if k % world.posts == 0:
            take_up = float(np.clip(on_deck.normal(TAKE_UP, world.deck_u), 0.6, 1.2))
        bed = rng.normal(0.0, BED_TOP_MM / HEIGHT_MM, 2)
        rough = rng.normal(0.0, usual.seat_mm * times, 4)
        before = stays * rough + math.sqrt(1.0 - stays**2) * bare.normal(0.0, usual.seat_mm * times, 4)
        seats = (dict(zip(CORNERS, one.tolist(), strict=True)) for one in (rough, before))
        own = float(np.clip(rng.normal(take_up, world.post_u), 0.6, 1.2))
        zero = rng.uniform(-ZERO_MM, ZERO_MM, 2).tolist()
        yield Deck(
            (3, k), Lean(float(bed[0]), float(bed[1])), *seats, own, (zero[0], zero[1]), usual,
        )  # fmt: skip


Tops = tuple[float, float]


def read(deck: Deck, lean: Lean, rng: np.random.Generator, turned: int = 1, step_mm: float = 1.0) -> Tops:
    """Offsets as read: the nearest mark of what level and hand make of it. turned: -1, end for end."""
    along, across = (
        round((top + turned * zero + float(rng.normal(0.0, HAND_MM))) / step_mm) * step_mm
        for top, zero in zip(lean.top_mm(HEIGHT_MM), deck.zero_mm, strict=True)
    )
    return along, across


def lean_of(*tops: Tops) -> Lean:
    """The mean of readings."""
    return Lean(*(sum(some) / len(some) / HEIGHT_MM for some in zip(*tops, strict=True)))


def stands(deck: Deck, packs: tuple[Pack, ...], rng: np.random.Generator) -> Lean:
    """Lean of a post on packs; one that rocks at either limit."""
    resting = deck.rests(packs)
    if resting.lean is not None:
        return resting.lean
    assert resting.limits is not None
    return resting.limits[int(rng.random() < 0.5)]


def decided(lean: Lean, how: Reads, tolerance: Tolerance) -> str:
    """Plumb, out or too close."""
    steps = how.step, how.step
    return decide_lean(lean, how.u_along, how.u_across, tolerance, HEIGHT_MM, steps=steps).decision


@dataclass(frozen=True)
class Seen:
    """One post: what was said of its first packs, what the first reading said, what it took to be plumb."""

    nth: int
    """Of its deck, from 0."""
    said: Chance
    first: str
    turned: bool
    """Plumb by the mean of two readings, the level turned between: what `Chance.turned` says, also of a post
    that the first of them calls plumb, where nobody takes the second."""
    rounds: int
    minutes: Counter[str]
    """By what they are spent on."""
    later: tuple[float, float]
    """Minutes of the later rounds that changed packs, and their number."""
    factor: float
    """How much the site scatters, as it was learned by then."""


@dataclass
class Known:
    """What was learned of a deck."""

    world: World
    book: Book = field(default_factory=dict)
    lessons: list[Left] = field(default_factory=list)

    @property
    def take_up(self) -> tuple[float, float]:
        """Mean and standard uncertainty for the next post."""
        if self.world.posts == 1:
            return TAKE_UP, self.world.post_u
        known = of_material(self.book, "packs")
        return known.mean, known.u_next

    def teach(self, tolerance: Tolerance, before: Lean, packs: tuple[Pack, ...], after: Lean) -> None:
        """What the reading after a post's first packs says of the deck."""
        reads, (mean, u) = usual_reads(), self.take_up
        stood = Reading("", before.slope_along, before.slope_across, HEIGHT_MM)
        spread = usual_spread(FOOT, HEIGHT_MM, stood, tolerance, packs, PRELOAD_MM, take_up=mean)
        assert spread is not None
        shift = predicted_shift_mm(FOOT, (), packs, HEIGHT_MM, PRELOAD_MM)
        old, new = before.top_mm(HEIGHT_MM), after.top_mm(HEIGHT_MM)
        moved = new[0] - old[0], new[1] - old[1]
        along, across = shift[0] * u, shift[1] * u
        twice = 2.0 * (reads.own_along * HEIGHT_MM) ** 2
        others = twice + along * along, along * across, twice + across * across
        self.lessons.append(Left((moved[0] - mean * shift[0], moved[1] - mean * shift[1]), spread, others))
        seen = Observed(shift, moved, reads.own_along * HEIGHT_MM, spread, {"packs": 1.0})
        self.book = learn(self.book, seen)


def play(
    lots: tuple[Lot, ...], tolerance: Tolerance, posts: int, times: float, minutes: Minutes,
    *, world: World = ALONE, advised: bool = False, learning: bool = False,
) -> Iterator[Seen]:  # fmt: skip
    """All posts that need packs, each until it is plumb; too close: read once more, the level turned."""
    options = Options(minutes=minutes)
    tables, known = build_tables(lots, options), Known(world)
    usual, step_mm = usual_reads(), 1.0
    for k, deck in enumerate(decks(world, posts, times)):
        if world.posts > 1 and k % world.posts == 0:
            known = Known(world)
        rng = np.random.default_rng((*deck.number, 2))
        bare = stands(deck, (), rng)
        tops = read(deck, bare, rng, step_mm=step_mm)
        lean, spent = lean_of(tops), Counter[str]()
        if tolerance.holds(lean, HEIGHT_MM):
            continue
        mean, u = known.take_up
        once = packing.Known(usual, mean, u)
        answer = prescribe(FOOT, HEIGHT_MM, lean, tolerance, tables, known=once)
        if advised and answer.chance is not None and answer.chance.again is not None:
            spent["read again"] += READ_AGAIN_MIN
            lean = lean_of(tops, read(deck, bare, rng, -1, step_mm))
            twice = replace(once, reads=usual.read_twice)
            answer = prescribe(FOOT, HEIGHT_MM, lean, tolerance, tables, known=twice)
        if (said := answer.chance) is None:
            continue
        first, turned, rounds, later = "", False, 0, [0.0, 0.0]
        while True:
            rounds += 1
            began = spent.total()
            spent.update({name: amount for name, amount in answer.cost.parts if name != "next round"})
            spent["loose to read"] += LOOSE_TO_READ_MIN
            stood, before = stands(deck, deck.made(answer.packs), rng), lean
            tops = read(deck, stood, rng, step_mm=step_mm)
            lean = lean_of(tops)
            if rounds == 1 and (learning or world.posts > 1):
                known.teach(tolerance, before, answer.packs, lean)
            decision = decided(lean, usual, tolerance)
            first = first or decision
            if rounds == 1:
                other = read(deck, stood, np.random.default_rng((*deck.number, 3)), -1, step_mm)
                turned = decided(lean_of(tops, other), usual.settling, tolerance) == "plumb"
            readings, now = [tops], usual
            while decision == "too-close" and len(readings) < MOST_REPEATS - 1:
                if len(readings) > 1 and not tolerance.holds(lean, HEIGHT_MM):
                    break  # packs are changed; while it reads within, nothing is
                turns = (-1,) if len(readings) == 1 else (1, -1)
                readings += [read(deck, stood, rng, turn, step_mm) for turn in turns]
                spent["read again"] += READ_AGAIN_MIN * len(turns)
                lean, now = lean_of(*readings), usual.mean_of(len(readings))
                decision = decided(lean, now, tolerance)
            if answer.change:
                later = [later[0] + spent.total() - began, later[1] + 1.0]
            if decision == "plumb" or rounds >= MOST_ROUNDS:
                break
            if now is not usual:
                now = replace(usual, before=(now.own_along, now.own_across), turned=True)
            asked = FOOT, HEIGHT_MM, lean, tolerance
            asked_again = Correction(*asked, answer.packs, packing.Known(now, mean, u))
            answer = correct(asked_again, options, lots)
        if advised and said.finer is not None and GROUP * (said.finer - said.plumb) >= WORTH_TURNING:
            step_mm, usual = step_mm / 2.0, usual.finer
        if not learning or len(known.lessons) > LEARN_UP_TO:
            factor = options.scatter.factor
            yield Seen(k % world.posts, said, first, turned, rounds, spent, (later[0], later[1]), factor)
        if learning and len(known.lessons) % LEARN_EVERY == 0 and len(known.lessons) <= LEARN_UP_TO:
            factor = learn_scatter(known.lessons).factor
            options = replace(options, scatter=Scatter(factor=factor))
            tables = build_tables(lots, options)


# ---------------------------------------------------------------- the first reading alone

SOURCES = ("the reading before", "take-up", "rough seats")
FROM_THE_BOX = ("pieces", "marks, places", "flats bearing further in", "a price of work")
"""What exact thicknesses at the corners have not; the last: a round costs all that there is."""


def verdicts(
    lots: tuple[Lot, ...] | None,
    tolerance: Tolerance,
    posts: int,
    times: float,
    without: tuple[str, ...] = (),
    *,
    made: bool = True,
) -> tuple[dict[str, float], tuple[float, float]]:
    """First verdicts, and what was off at the top: standard deviation each way, 95 % of the magnitude, mm.

    lots None: every thickness can be had at the very corner. made: packs come out as hands make them.
    without: sources of scatter that are taken away; take-up: each post's own is known.
    """
    minutes = Minutes(round=100.0) if "a price of work" in without else Minutes()
    at = "corner" if "flats bearing further in" in without else "auto"
    reads, tables = (
        usual_reads(),
        build_tables(lots, Options(minutes=minutes, bearing_point=at)) if lots else None,
    )
    found, off = [], []
    for drawn in decks(ALONE, posts, times):
        deck, rng = drawn, np.random.default_rng((*drawn.number, 2))
        bare = stands(deck, (), rng)
        lean = lean_of(read(deck, bare, rng))
        if tolerance.holds(lean, HEIGHT_MM):
            continue
        if "rough seats" in without:
            deck = replace(deck, rough_mm=SMOOTH, bare_mm=SMOOTH)
        if "pieces" in without:
            deck = replace(deck, scatter=replace(deck.scatter, pack_mm=0.0))
        if "marks, places" in without:
            deck = replace(deck, scatter=replace(deck.scatter, mark_mm=0.0, place_mm=0.0))
        if "the reading before" in without:
            lean = bare
        share, u = (deck.take_up, 0.0) if "take-up" in without else (TAKE_UP, ALONE.post_u)
        if tables is None:
            plane = gap_plane(FOOT, Lean(lean.slope_along / share, lean.slope_across / share))
            wanted = ((seat, plane.at_seat_mm(seat)) for seat in CORNERS)
            packs = tuple(Pack(seat, mm, mm, FOOT.seat_at_mm(seat)) for seat, mm in wanted if mm > 0.005)
        else:
            how = packing.Known(reads, share, u)
            packs = prescribe(FOOT, HEIGHT_MM, lean, tolerance, tables, known=how).packs
        packs = deck.made(packs) if made else packs
        stood = stands(deck, packs, rng)
        found.append(decided(lean_of(read(deck, stood, rng)), reads, tolerance))
        off.append(stood.top_mm(HEIGHT_MM))
    tops = np.array(off)
    spread = float(tops.std()), float(np.percentile(np.hypot(*tops.T), 95))
    return {word: found.count(word) / len(found) for word in WORDS}, spread


def show_sources(tolerance: Tolerance, posts: int, lots: tuple[Lot, ...]) -> None:
    """What each source of scatter takes, from the rich box and with exact thicknesses."""
    print(
        f"\n{tolerance.text} without …{'':20}{'plumb':>8}{'close':>8}{'out':>8}   mm off (1 s each way; 95 %)"
    )
    for box, where in (("rich box", lots), ("exact", None)):
        for one in ("", *SOURCES, *(FROM_THE_BOX if where else ())):
            shares, (each, most) = verdicts(where, tolerance, posts, 1.0, (one,), made=where is not None)
            print(
                f"{box:10} {one or 'nothing':24}" + "".join(f"{shares[word]:8.1%}" for word in WORDS)
                + f"   {each:.2f}; {most:.2f}"
            )  # fmt: skip


# ---------------------------------------------------------------- the table


def show(name: str, text: str, seen: list[Seen]) -> None:
    """One row."""
    if not seen:
        return
    seen = sorted(seen, key=lambda one: one.said.turned)

    def mean(of: Callable[[Seen], float], some: list[Seen] = seen) -> float:
        return float(np.mean([of(one) for one in some]))

    happened = {word: mean(lambda one, word=word: one.first == word) for word in WORDS}
    bins = []
    for some in np.array_split(np.arange(len(seen)), 5):
        part = [seen[k] for k in some]
        bins.append(f"{mean(lambda one: one.said.turned, part):.2f}→{mean(lambda one: one.turned, part):.2f}")
    later = sum(one.later[0] for one in seen) / max(1, sum(one.later[1] for one in seen))
    print(
        f"{name:20}{text:6}{happened['plumb']:8.1%} ({mean(lambda one: one.said.plumb):.0%})"
        f"{happened['too-close']:8.1%}{happened['out']:9.1%} ({mean(lambda one: one.said.out):.1%})"
        f"{mean(lambda one: one.turned):10.1%} ({mean(lambda one: one.said.turned):.0%})"
        f"{mean(lambda one: one.rounds):8.2f}{mean(lambda one: one.minutes.total()):9.2f}{later:7.1f}"
        f"   {'  '.join(bins)}   x {mean(lambda one: one.factor):.2f}"
    )
    spent = sum((one.minutes for one in seen), Counter[str]())
    shares = ", ".join(f"{name} {all_ / len(seen):.2f}" for name, all_ in spent.most_common())
    print(f"{'':26}{shares}", flush=True)


PARTS = ("floor", "alone", "advice", "runs", "learned", "sources")
FIRST_POSTS = 3
"""Of a deck: its take-up is hardly known."""


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--posts", type=int, default=400)
    parser.add_argument("--scatter", type=float, default=1.0)
    parser.add_argument("--round", type=float, default=Minutes().round)
    parser.add_argument("--part", nargs="+", choices=PARTS, default=PARTS)
    parser.add_argument("--box", nargs="+", choices=BOXES, default=list(BOXES))
    args = parser.parse_args()
    minutes = replace(Minutes(), round=args.round)
    print(
        f"{'':26}{'plumb (said)':>15}{'close':>8}{'out (said)':>16}{'turned (said)':>17}{'rounds':>8}"
        f"{'minutes':>9}{'later':>7}   turned, said → happened in five"
    )
    for text in ("1:500", "1:300"):
        tolerance = parse_tolerance(text)
        rows: list[tuple[str, tuple[Lot, ...] | None, tuple[str, ...], bool]] = [
            ("ceiling", None, ("take-up",), False),
            ("floor, exact", None, (), False),
            ("floor, made", None, (), True),
            *((f"{box}, packs", tuple(BOXES[box]), (), True) for box in args.box),
        ]
        for name, lots, without, made in rows:
            shares, _ = verdicts(lots, tolerance, args.posts, args.scatter, without, made=made)
            print(
                f"{name:20}{text:6}"
                + "".join(f"{shares[w]:{n}.1%}" for w, n in zip(WORDS, (8, 15, 9), strict=True))
            )
        for box in args.box:
            how = tuple(BOXES[box]), tolerance, args.posts
            if "alone" in args.part:
                show(box, text, list(play(*how, args.scatter, minutes)))
            if "advice" in args.part:
                show(f"{box}, advice", text, list(play(*how, args.scatter, minutes, advised=True)))
            if "runs" in args.part:
                seen = list(play(*how, args.scatter, minutes, world=RUNS))
                show(f"{box}, runs", text, seen)
                show(f"  posts 1 to {FIRST_POSTS}", text, [one for one in seen if one.nth < FIRST_POSTS])
                show("  later", text, [one for one in seen if one.nth >= FIRST_POSTS])
            if "learned" in args.part:
                show(f"{box}, x 1.5", text, list(play(*how, 1.5, minutes, learning=True)))
        if "sources" in args.part:
            show_sources(tolerance, args.posts, tuple(BOXES["rich"]))


if __name__ == "__main__":
    main()
