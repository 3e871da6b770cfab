"""What a deck teaches: how much of a change its packs give (take-up), and how much it scatters.

measured change of lean ÷ predicted change, after tightening. Packs crush, boards give and dirt fills: here it
was about 0.9 before anything is known. A scalar Kalman filter with Huber weights learns it from each
correction and shrugs at wild readings. States are values: learning returns a new book, and forgetting a
material is leaving it out.

Scatter: a post that stood bare and was packed teaches by what was left, e, against what was predicted. With A
what seats and pieces should scatter it by and B what readings and take-up do, e ~ N(0, f² A + B): f is how
many times the usual this deck scatters. Before any post f² is a scaled inverse χ² about 1, as if
SITE_KNOWN_FROM posts had shown the usual; a few posts in a hundred are taken as wild, so that one teaches
little. (Bayes by the definition, on a grid; the conjugate prior of a variance: Gelman et al., Bayesian Data
Analysis, 2.6.)
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import field
from typing import TYPE_CHECKING, Literal

from shimfit.errors import EntryError, finite, not_negative, positive
from shimfit.quantities import shown
from shimfit.values import dataclass

if TYPE_CHECKING:
    from shimfit.model import Lot, Pack

Spread = tuple[float, float, float]
"""A covariance at the top, mm²: along², along·across, across²."""
PRIOR_MEAN = 0.9
PRIOR_U = 0.15
"""Before anything is learned: mean and standard uncertainty (common practice, no source)."""
HUBER = 1.5
"""Surprise in standard deviations from which an observation counts less."""
LEAST, MOST = 0.4, 1.3
"""No deck gives less or more than this: beyond it a reading is wrong."""
DRIFT = 1e-5
"""Variance gained from one correction to the next: a deck changes along a run."""
POST_U = 0.03
"""What posts of one deck differ by, one standard deviation (common practice, no source): however well the
deck is known, the next post is not known better."""
SITE_KNOWN_FROM = 4.0
"""The usual scatter of a site counts as so many posts that were packed and read (own choice)."""
WILD_SHARE, WILD_TIMES = 0.03, 1.5
"""Posts whose reading or packs are wrong in some other way, and how much wider than on the wildest site those
fall (own choice)."""
CLEARLY = 0.75
"""Packs are taken to have gone in from the reading alone where that is so likely (own choice): of posts that
were packed as asked hardly one in a hundred is asked about, on a site half as wild again as is usual two."""
LEAST_FACTOR, MOST_FACTOR = 0.5, 3.0
"""A calmer or a wilder site is not believed."""
WORTH_FACTOR = 0.15
"""So much more or less than usual is worth a word."""
_FACTORS, _NO_CHANCE = 64, 1e-300
LEAST_SHIFT_MM = 2.032
"""A predicted shift of the top below this (0.08 in) teaches nothing."""
SETTING_MM = 0.3
"""How exactly packs are changed, as a shift of the top (common practice, no source)."""
NOISE_TIMES = 2.0
"""A shift below this many times the noise teaches nothing."""


@dataclass(frozen=True, slots=True)
class TakeUp:
    """What is known about one material: mean and variance of measured ÷ predicted."""

    mean: float = PRIOR_MEAN
    variance: float = PRIOR_U**2
    corrections: int = 0
    """Corrections that it was learned from; 0 = only the prior."""

    @property
    def u(self) -> float:
        """Standard uncertainty."""
        return math.sqrt(self.variance)

    @property
    def u_next(self) -> float:
        """The same of the next post: the deck's, and what its posts differ by."""
        return math.hypot(self.u, POST_U)

    @property
    def learned(self) -> bool:
        """True from the first correction that taught something."""
        return self.corrections > 0

    @property
    def words(self) -> str:
        """For the screen: what packs give here, and that it is counted in."""
        if not self.learned:
            usual = f"packs usually give {shown.share(self.mean)} of the change (common practice, no source)"
            return f"nothing learned here yet; {usual}"
        return given_words(self.mean)[0]


def given_words(mean: float) -> tuple[str, str]:
    """What packs give here, and that it is counted in; and the same for a row of a phone."""
    percent = shown.share(mean)
    said = f"the last packs moved the top {percent} as far as worked out: allowed for"
    return said, f"packs here gave {percent}: allowed for"


Book = Mapping[str, TakeUp]
"""Take-up by material; a material that is not in it is known by the prior alone."""


def of_material(book: Book, material: str) -> TakeUp:
    """What is known about a material."""
    return book.get(material, TakeUp())


def blended(book: Book, shares: Mapping[str, float]) -> TakeUp:
    """Take-up of a pack made of several materials, by their shares of its thickness (any scale).

    Empty shares: the prior. Materials are taken as independent.
    """
    weights = _weights(shares)
    if not weights:
        return TakeUp()
    known = {material: of_material(book, material) for material in weights}
    return TakeUp(
        mean=sum(w * known[m].mean for m, w in weights.items()),
        variance=sum(w * w * known[m].variance for m, w in weights.items()),
        corrections=min(known[m].corrections for m in weights),
    )


@dataclass(frozen=True, slots=True)
class Observed:
    """One correction as it was read: tops in mm at the reading height, (+next, +out)."""

    predicted_mm: tuple[float, float]
    """Shift of the top that the packs should give, at a take-up of 1."""
    measured_mm: tuple[float, float]
    """Shift between the readings before and after."""
    u_reading_mm: float
    """Standard uncertainty of one reading of the top, per direction."""
    seats_mm2: Spread | None = None
    """What seats and pieces scatter the top by where a post stood bare before; None: a change of packs."""
    shares: Mapping[str, float] = field(default_factory=dict)
    """Material of the packs that were changed, by thickness; empty = not known, learned under ''."""


def material_shares(packs: Iterable[Pack], lots: Iterable[Lot]) -> dict[str, float]:
    """Thickness of each material in packs, in mm: what `Observed.shares` and `blended` take.

    Pieces of lots that are not known, or whose material is not given, stand under ''.
    """
    material_of = {lot.lot: lot.material for lot in lots}
    shares: dict[str, float] = {}
    for pack in packs:
        for piece in pack.pieces:
            material = material_of.get(piece.lot, "")
            shares[material] = shares.get(material, 0.0) + piece.thickness_mm
        if not pack.pieces and pack.made_mm > 0.0:
            shares[""] = shares.get("", 0.0) + pack.made_mm
    return shares


def learn(book: Book, observed: Observed) -> Book:
    """Book after a correction; the book that was given is left as it is, and returned if nothing is learned.

    The ratio is the measured shift's part along the predicted one ÷ its length, with the variance
    (2·u_reading² + u_setting²) ÷ predicted². Nothing is learned from a predicted shift below 2 mm or twice
    the noise, nor from a measured one below twice the noise. One Kalman step for all materials of the pack:
    ratio = Σ weight × take-up + noise. EntryError for what is no number.
    """
    predicted = math.hypot(*(finite(v, "predicted shift") for v in observed.predicted_mm))
    measured = math.hypot(*(finite(v, "measured shift") for v in observed.measured_mm))
    setting2 = SETTING_MM**2
    if observed.seats_mm2 is not None and predicted > 0.0:
        x, y = (one / predicted for one in observed.predicted_mm)
        xx, xy, yy = observed.seats_mm2
        setting2 = not_negative(xx * x * x + 2.0 * xy * x * y + yy * y * y, "scatter of the seats")
    noise = math.sqrt(2.0 * positive(observed.u_reading_mm, "uncertainty of the reading") ** 2 + setting2)
    if predicted < max(LEAST_SHIFT_MM, NOISE_TIMES * noise) or measured < NOISE_TIMES * noise:
        return book
    pairs = zip(observed.predicted_mm, observed.measured_mm, strict=True)
    ratio = sum(p * m for p, m in pairs) / predicted**2
    u_ratio = math.hypot(noise / predicted, POST_U)
    weights = _weights(observed.shares or {"": 1.0})
    prior = {m: of_material(book, m) for m in weights}
    variances = {m: state.variance + DRIFT for m, state in prior.items()}
    surprise = ratio - sum(w * prior[m].mean for m, w in weights.items())
    known = sum(w * w * variances[m] for m, w in weights.items())
    # Huber: beyond 1.5 standard deviations the observation counts as if it were noisier.
    widening = max(1.0, abs(surprise) / math.sqrt(known + u_ratio**2) / HUBER)
    total = known + u_ratio**2 * widening
    stepped = dict(book)
    for material, weight in weights.items():
        gain = variances[material] * weight / total
        stepped[material] = TakeUp(
            mean=min(MOST, max(LEAST, prior[material].mean + gain * surprise)),
            variance=variances[material] * (1.0 - gain * weight),
            corrections=prior[material].corrections + 1,
        )
    return stepped


def _weights(shares: Mapping[str, float]) -> dict[str, float]:
    """Shares that sum to 1, without those that are 0."""
    for material, share in shares.items():
        if not (math.isfinite(share) and share >= 0.0):
            raise EntryError(f"The share of {material or 'the pack'} is {share}; it must be 0 or more.")
    total = sum(shares.values())
    return {m: share / total for m, share in shares.items() if share > 0.0} if total > 0.0 else {}


# ---------------------------------------------------------------- scatter


Done = Literal["as prescribed", "not packed", "something else"]
"""What was done at a post that waited for packs, before it was read again."""


@dataclass(frozen=True, slots=True)
class Left:
    """What was left of a lean once a bare post was packed, against what was predicted."""

    off_mm: tuple[float, float]
    """Read less predicted, at the top."""
    seats_mm2: Spread
    """What seats and pieces should scatter it by, on a usual site."""
    others_mm2: Spread
    """What both readings and the take-up should."""

    def spread_mm2(self, factor: float, widened: float = 1.0) -> Spread:
        """What it scatters by in all, on a site that scatters so many times the usual."""
        xx, xy, yy = (
            widened**2 * (factor**2 * seats + others)
            for seats, others in zip(self.seats_mm2, self.others_mm2, strict=True)
        )
        return xx, xy, yy

    def done(
        self, moved_mm: tuple[float, float], read_mm2: Spread, factor: float, *, again_wanted: bool
    ) -> Done:
        """What the new reading says was done: as prescribed only where that is clearly the likeliest (Bayes).

        moved_mm: from the reading before to the new one, which read_mm2 scatters where nothing was done;
        factor: the site's own, believed as far as `SITE_KNOWN_FROM` posts tell it. again_wanted: the answer
        asked for one more reading before the packs, so that either is as usual; else a reading with no pack
        in is as rare as one that is wrong in some other way.
        """
        shares: dict[Done, tuple[float, float]] = {
            "as prescribed": (1.0, _density(self.off_mm, self.spread_mm2(factor), 2.0 * SITE_KNOWN_FROM)),
            "not packed": (1.0 if again_wanted else WILD_SHARE, _density(moved_mm, read_mm2)),
            "something else": (
                WILD_SHARE,
                _density(self.off_mm, self.spread_mm2(MOST_FACTOR, WILD_TIMES)) + _NO_CHANCE,
            ),
        }
        likely = {done: share * density for done, (share, density) in shares.items()}
        if likely["as prescribed"] >= CLEARLY * sum(likely.values()):
            return "as prescribed"
        return max("not packed", "something else", key=likely.__getitem__)


def _density(at_mm: tuple[float, float], spread: Spread, freedom: float = math.inf) -> float:
    """The normal distribution of two directions, per mm²; Student's t where the spread has so few degrees."""
    (x, y), (xx, xy, yy) = at_mm, spread
    size = xx * yy - xy * xy
    distance2 = (yy * x * x - 2.0 * xy * x * y + xx * y * y) / size
    few = math.isfinite(freedom)
    log = (freedom / 2.0 + 1.0) * math.log1p(distance2 / freedom) if few else distance2 / 2.0
    return math.exp(-log) / (2.0 * math.pi * math.sqrt(size))


@dataclass(frozen=True, slots=True)
class SiteScatter:
    """How much a deck scatters."""

    factor: float = 1.0
    """Times the usual."""
    posts: int = 0

    @property
    def words(self) -> str:
        """For the screen: how much, and that it is counted in."""
        if not self.posts:
            return "nothing learned here yet; seats and packs scatter as usual (common practice, no source)"
        return f"this deck scatters {self.factor:.1f} x what is usual: allowed for"

    @property
    def is_worth_saying(self) -> bool:
        """True where it is not as good as the usual."""
        return abs(self.factor - 1.0) >= WORTH_FACTOR


def learn_scatter(posts: Iterable[Left]) -> SiteScatter:
    """What posts teach, in any order."""
    lessons = tuple(posts)
    if not lessons:
        return SiteScatter()
    import numpy as np

    square = np.exp(2.0 * np.linspace(math.log(LEAST_FACTOR), math.log(MOST_FACTOR), _FACTORS + 1))
    seats, others = (np.array([getattr(one, of) for one in lessons]) for of in ("seats_mm2", "others_mm2"))
    # (factors and one more, posts, 3): the last as wide as wild posts fall, whatever the factor.
    spread = np.append(square, MOST_FACTOR**2)[:, None, None] * seats + others
    spread[-1] *= WILD_TIMES**2
    xx, xy, yy = np.moveaxis(spread, 2, 0)
    x, y = np.array([one.off_mm for one in lessons]).T
    size = xx * yy - xy * xy
    density = np.exp(-0.5 * (yy * x * x - 2.0 * xy * x * y + xx * y * y) / size) / np.sqrt(size)
    likely = (1.0 - WILD_SHARE) * density[:-1] + WILD_SHARE * density[-1]
    # A post that is off beyond all sense is as unlikely by every factor: it teaches nothing.
    logs = np.log(np.maximum(likely, _NO_CHANCE)).sum(axis=1)
    # ln of the scaled inverse χ² of f², in ln f; two directions a post.
    logs -= SITE_KNOWN_FROM * (np.log(square) + 1.0 / square)
    weights = np.exp(logs - logs.max())
    return SiteScatter(math.exp(float(weights @ np.log(square) / weights.sum()) / 2.0), len(lessons))
