"""What a prescription costs in minutes: prices, what seats scatter by, and how the next reading is taken.

cost = work + material + round × (1 ÷ chance of being settled plumb − 1): where a round succeeds with
that chance it takes 1 ÷ chance of them (geometric distribution), the first being paid anyhow. The chance, the
model behind it and why the search stays exact: `chance`. All figures are data (common practice, no source).
"""

from __future__ import annotations

import math
from dataclasses import replace

from shimfit.values import dataclass

LEAST_CHANCE = 0.02
"""A smaller chance counts as this: nobody goes round a post fifty times."""
USUAL_TAPER_SLOPE = 0.025
"""1 in 40 (common practice, no source)."""
USUAL_LEVEL_SLOPE = 0.0005
USUAL_HALF_STEP_SLOPE = 0.0005
USUAL_HAND_SLOPE = 0.0003
"""A level's stated accuracy, half of what is typed apart (a mm in a metre), and the hand's scatter (common
practice, no source)."""


READ_AGAIN_MIN = 1.0
"""Turning the level end for end and reading once more (common practice, no source)."""
WORTH_READING_MIN = 0.5
"""Minutes that one more reading must save beyond its own to be advised: prices are no better known."""


# ---------------------------------------------------------------- prices


@dataclass(frozen=True, slots=True)
class Minutes:
    """What work and material cost, in minutes of the crew (common practice, no source; all are settings)."""

    round: float = 8.0
    """One more round: loosen, set, tighten and read take about 4 minutes, turning the level end for end and
    reading once more 1, the pieces that change 1 to 3; a walk back or a second person come on top, where they
    do. Later rounds took 5.7 to 8.5, 7.1 on average (tests/bench/first_verdict.py). At 8 a tenth fewer posts
    are out at the first reading than at 6, at 10 to 30 no fewer; a post takes as long within a fiftieth."""
    piece: float = 0.5
    """One thing to find, carry and slide in."""
    cut: float = 0.75
    """One cut: a taper at its mark, a wedge off a strip."""
    tip_cut: float = 0.75
    """Cutting off a taper's tip that would foul the rod."""
    saw_set_up: float = 2.0
    """Setting the blade to another angle, once a run; free when the saw stands there already."""
    change: float = 0.5
    """One change of what stands: a taper pushed on, an old pack taken out."""
    lift: float = 6.0
    """Lifting a whole foot off the bed, beside its pieces: nearly as much as a round. Every seat
    comes out, the nut is run back, and the height is struck again against the neighbours'."""
    lift_per_mm: float = 1.0
    """The same for each mm that it is lifted."""
    bought_flat: float = 0.2
    """Price of a bought flat, turned into minutes."""
    bought_taper: float = 0.5
    """Price of one stretch of a bought taper; the rest of it goes back to the box."""
    bought_strip_per_m: float = 3.0
    """Price of a metre of bought strip."""
    thick_per_mm: float = 0.02
    """What a mm of an offcut's thickness is worth to posts to come: thick ends are kept for thick needs."""
    unsolved: float | None = None
    """A post that gets no packs; None: more than any packs can cost, which goes by the price of a round."""


@dataclass(frozen=True, slots=True)
class Scatter:
    """What seats and packs scatter by, one standard deviation each, mm (common practice, no source)."""

    seat_mm: float = 0.08
    """Roughness of a bearing point that was not in the reading packed by: grain, dirt, the cup of a board."""
    pack_mm: float = 0.04
    """Thickness of a pack against what is written on its pieces: a pack of one or two, each 0.03."""
    mark_mm: float = 0.8
    """Where a taper's mark really meets the face; times a usual taper's slope."""
    place_mm: float = 3.0
    """Where along its length a flat bears; times the slope of the gap."""
    factor: float = 1.0
    """Learned: how much more than this the site scatters."""

    def seat_mm2(
        self, *, inner: bool, gap_slope: float = 0.0, bare: bool = False, flat: bool = False
    ) -> float:
        """Variance of the thickness error of a place that bears, mm².

        At the face as a taper at its mark has it; further in (`inner`) somewhere along a gap that grows by
        `gap_slope`. What is searched goes by the place and not by the pieces, so that the cheapest pack of a
        thickness at a place is also the best there. What is said counts what stands there: the bed itself
        (`bare`), or pieces without a mark (`flat`).
        """
        where = self.place_mm * gap_slope if inner else self.mark_mm * USUAL_TAPER_SLOPE
        if bare or (flat and not inner):
            where = 0.0
        return (self.factor * math.hypot(self.seat_mm, 0.0 if bare else self.pack_mm, where)) ** 2


# ---------------------------------------------------------------- the next reading


@dataclass(frozen=True, slots=True)
class Reads:
    """How the next reading is taken and judged: standard uncertainties as slopes, (along, across)."""

    u_along: float
    """All of it."""
    u_across: float
    own_along: float
    """The part that is new at each reading; the rest, a level's zero, is in all of them."""
    own_across: float
    factor: float = 1.6448536269514722
    """Guard band ÷ u; 0 = simple acceptance, without the 0.95 either."""
    step: float = 0.0
    """Of the scale that is read, as a slope: readings fall on its marks; 0: anywhere (a sensor)."""
    before: tuple[float, float] | None = None
    """The own part of the reading packed by, where that was taken in another way; None: as the next."""
    turned: bool = False
    """The level was turned end for end in the reading packed by: no zero is in it."""

    def scaled(self, by: float) -> Reads:
        """The same with every uncertainty so many times as large."""
        u, own = (self.u_along * by, self.u_across * by), (self.own_along * by, self.own_across * by)
        before = self.before and (self.before[0] * by, self.before[1] * by)
        return Reads(*u, *own, self.factor, self.step * by, before, self.turned)

    @property
    def settling(self) -> Reads:
        """The mean of two readings, the level turned end for end between them: its zero goes out.

        The own part is averaged over two, and their mean falls on marks half as far apart. That is how a
        reading too close to call is settled, in a minute and without a round; simple acceptance has none.
        """
        return self if self.factor == 0.0 else self.mean_of(2)

    def mean_of(self, readings: int) -> Reads:
        """The mean of so many, half of them from the other face: on marks as much closer."""
        own = self.own_along / math.sqrt(readings), self.own_across / math.sqrt(readings)
        return Reads(*own, *own, self.factor, self.step / readings, self.before, self.turned)

    @property
    def read_twice(self) -> Reads:
        """The same, packed by the mean of two readings, the level turned between them."""
        before = self.own_along / math.sqrt(2.0), self.own_across / math.sqrt(2.0)
        return replace(self, before=before, turned=True)

    @property
    def finer(self) -> Reads:
        """Read between the marks too: on marks half as far apart."""
        gone = self.step * self.step / 16.0  # of step²/12 a quarter is left
        parts = self.u_along, self.u_across, self.own_along, self.own_across
        finer = [math.sqrt(max(0.0, u * u - gone)) for u in parts]
        how = self.factor, self.step / 2.0, self.before, self.turned
        return Reads(finer[0], finer[1], finer[2], finer[3], *how)

    @property
    def parts(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """Along and across: (own part, variance of what all readings share) as slopes."""
        along, across = (
            (own, max(0.0, u * u - own * own))
            for u, own in ((self.u_along, self.own_along), (self.u_across, self.own_across))
        )
        return along, across

    def off_by(self, last: Reads | None = None) -> tuple[float, float]:
        """Variances, along and across, of what `last` reads less the reading packed by, as slopes².

        Without the steps of its scale, which are in the zone of its marks. None: of what truly stands.
        A zero that is in both cancels, one that only one of them has does not.
        """
        found = []
        for k, (own, zero2) in enumerate(self.parts):
            before = own if self.before is None else self.before[k]
            last_own, last_zero2 = (0.0, 0.0) if last is None else last.parts[k]
            scatter2 = max(0.0, last_own * last_own - (last.step * last.step / 12.0 if last else 0.0))
            found.append(before * before + abs((0.0 if self.turned else zero2) - last_zero2) + scatter2)
        return found[0], found[1]


def usual_reads(factor: float = 1.6448536269514722) -> Reads:
    """A usual level, typed to a millimetre in a metre, in a usual hand."""
    own = math.hypot(USUAL_HALF_STEP_SLOPE / math.sqrt(3.0), USUAL_HAND_SLOPE)
    u = math.hypot(own, USUAL_LEVEL_SLOPE / math.sqrt(3.0))
    return Reads(u, u, own, own, factor, 2.0 * USUAL_HALF_STEP_SLOPE)
