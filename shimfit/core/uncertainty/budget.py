"""A reading's uncertainty budget (GUM, JCGM 100): independent terms, their root sum of squares, in words.

Everything is a standard uncertainty of a slope (mm/mm) in one direction. A stated limit ±a by itself is a
rectangular distribution, u = a/√3 (Eurachem/CITAC, E.1); a step d of a display or a tape is u = d/√12
(GUM 4.3.7).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from functools import lru_cache
from typing import Final, Literal, TypeAlias

from shimfit.errors import InternalError
from shimfit.values import dataclass

Cure: TypeAlias = Literal["turn", "repeat", "hold", "measure", "replace"]
"""What makes a term smaller: turn the instrument end for end, read again, hold longer, measure the length
better, take a better instrument."""

WORDS: Final[dict[str, tuple[str, Cure]]] = {
    "resolution": ("the spacing of its marks", "repeat"),
    "hand": ("how it was held and read", "repeat"),
    "accuracy": ("the instrument's stated accuracy", "turn"),
    "zero": ("the instrument's zero", "turn"),
    "no zero": ("the sensor's zero, which nobody has found", "turn"),
    "gain": ("the instrument's stated accuracy, its zero taken out", "replace"),
    "length": ("the length that was read over", "measure"),
    "repeat": ("the spread of the repeat readings", "repeat"),
    "reading": ("the single readings", "repeat"),
    "noise": ("the shaking while it was held", "hold"),
    "drift": ("the creeping while it was held", "hold"),
    "output step": ("the steps of the sensor's output", "replace"),
    "temperature": ("the temperature since the zero was found", "turn"),
    "cross-axis": ("the sensor's cross-axis error", "replace"),
    "scale": ("the sensor's gain error", "replace"),
    "floor": ("what the sensor can't average away", "replace"),
    "turning": ("how squarely it was turned", "measure"),
    "clamping": ("how it was clamped again", "turn"),
}
_CURE_BY_WORDS: Final[dict[str, Cure]] = {**dict(WORDS.values()), "the steps of the scale": "repeat"}
"""Those of today, and what older logs call the spacing of the marks."""


HAND_MM: Final = 0.3
"""What one person's readings of the same offset scatter by, one standard deviation: how the level or the line
is held, where the eye is (common practice, no source). Repeat readings teach better (`learned_hand_mm`)."""


@dataclass(frozen=True, slots=True)
class Term:
    """One source of uncertainty."""

    name: str
    """A key of WORDS."""
    u: float
    """Standard uncertainty as a slope, >= 0."""

    def __post_init__(self) -> None:
        if self.name not in WORDS:
            raise InternalError(f"no words for the uncertainty term {self.name!r}")
        if not (math.isfinite(self.u) and self.u >= 0.0):
            raise InternalError(f"the uncertainty term {self.name!r} is {self.u}, which can't be")

    @property
    def words(self) -> str:
        """As a person reads it."""
        return WORDS[self.name][0]

    @property
    def cure(self) -> Cure:
        """What makes it smaller."""
        return WORDS[self.name][1]


@dataclass(frozen=True, slots=True)
class Budget:
    """All terms of one direction of one reading."""

    terms: tuple[Term, ...]

    @property
    def u(self) -> float:
        """Combined standard uncertainty: root sum of squares."""
        return math.hypot(*(term.u for term in self.terms))

    @property
    def largest(self) -> Term | None:
        """The term that counts most; None when there is no uncertainty at all."""
        largest = max(self.terms, key=lambda term: term.u, default=None)
        return largest if largest is not None and largest.u > 0.0 else None

    @property
    def largest_words(self) -> str | None:
        """The largest term in words, as it is kept with a reading."""
        return None if self.largest is None else self.largest.words

    def without(self, cure: Cure) -> Budget:
        """The budget with the terms gone that this cure takes away."""
        return Budget(tuple(term for term in self.terms if term.cure != cure))

    def only(self, cure: Cure) -> Budget:
        """The terms that this cure works on."""
        return Budget(tuple(term for term in self.terms if term.cure == cure))


def budget(terms: Iterable[Term]) -> Budget:
    """Budget of the terms that are not 0, largest first."""
    return Budget(tuple(sorted((t for t in terms if t.u > 0.0), key=lambda t: -t.u)))


def rectangular(half_width: float) -> float:
    """Standard uncertainty of a limit ±half_width: a/√3."""
    return half_width / math.sqrt(3.0)


def of_step(step: float) -> float:
    """Standard uncertainty of a display or scale with this step: d/√12."""
    return step / math.sqrt(12.0)


def largest_of(along: Budget, across: Budget) -> str | None:
    """Words of the largest term of the worse direction, for a reading in two."""
    return max((along, across), key=lambda one: one.u).largest_words


def cure_of(words: str | None) -> Cure | None:
    """The cure of a term by its words, as a stored reading keeps them; None when they are not ours."""
    return None if words is None else _CURE_BY_WORDS.get(words)


def typed_budget(
    slope: float,
    half_step_slope: float,
    *,
    accuracy_slope: float,
    u_zero: float | None,
    length_mm: float,
    length_limit_mm: float = 5.0,
    hand_mm: float = HAND_MM,
) -> Budget:
    """Budget of one direction of a typed reading.

    `half_step_slope` = half of the least difference that the reading shows (`Understood.resolution_slope`);
    `accuracy_slope` = the instrument's stated limit ±; `u_zero` = standard uncertainty of its zero when that
    was found by turning it end for end and taken out of `slope` (then the stated accuracy, which is mostly
    the zero, no longer counts), None when it was not; `length_mm` = height or level length that was read
    over, known within ±`length_limit_mm`; `hand_mm` = what the offset scatters by from reading to reading.
    """
    is_turned = u_zero is not None
    return budget(
        (
            Term("resolution", rectangular(half_step_slope)),
            Term("zero", u_zero or 0.0),
            Term("accuracy", 0.0 if is_turned else rectangular(accuracy_slope)),
            Term("length", abs(slope) * rectangular(length_limit_mm / length_mm)),
            Term("hand", hand_mm / length_mm),
        )
    )


# ---------------------------------------------------------------- several readings of one lean

HAND_KNOWN_FROM: Final = 8.0
"""The usual scatter of a hand counts as so many differences between repeat readings (own choice)."""
LEAST_HAND_MM, MOST_HAND_MM = 0.1, 1.5
"""A steadier or a wilder hand is not believed: few readings of one scale say too little (own choice)."""
_SURE: Final = 3.0
_SAME: Final = 1e-12
"""Slopes this near came from the same typed number."""


@dataclass(frozen=True, slots=True)
class Repeated:
    """One direction, read several times."""

    slope: float
    budget: Budget
    readings: int
    spread: float
    """Sample standard deviation (n - 1) of the readings; 0 for one."""

    @property
    def u(self) -> float:
        """Standard uncertainty of the mean, what all readings share included."""
        return self.budget.u


def combine(slopes: Sequence[float], u_own: Sequence[float], shared: Sequence[Term] = ()) -> Repeated:
    """Weighted mean of readings of the same lean, in one direction.

    `u_own` = each reading's own uncertainty, different every time (steps of the scale, shaking); `shared` =
    the terms that are the same in all of them (accuracy, zero, length) and never average away. Readings that
    scatter more than their own uncertainty allows count as they scatter: the weighted mean's uncertainty is
    widened by the Birge ratio √(χ²/(n - 1)) when that is above 1. Readings that are all the same show that
    the scale rounds and not the hand: then the mean is as unsure as one of them. Raises InternalError for no
    readings or unequal lengths.
    """
    if not slopes or len(slopes) != len(u_own):
        raise InternalError("repeat readings need one uncertainty each")
    n = len(slopes)
    finest = min(u_own)
    weights = [1.0] * n if finest <= 0.0 else [(finest / u) ** 2 for u in u_own]
    mean = math.fsum(w * s for w, s in zip(weights, slopes, strict=True)) / math.fsum(weights)
    spread = _sample_deviation(slopes)
    if finest <= 0.0:
        own = spread / math.sqrt(n)
    else:
        inner = finest / math.sqrt(math.fsum(weights))
        chi_square = math.fsum(((s - mean) / u) ** 2 for s, u in zip(slopes, u_own, strict=True))
        own = inner * max(1.0, math.sqrt(chi_square / (n - 1)) if n > 1 else 1.0)
        if n > 1 and spread <= _SAME:
            own = max(own, finest)
    name = "repeat" if n > 1 else "reading"
    return Repeated(mean, budget((Term(name, own), *shared)), n, spread)


def learned_hand_mm(repeats: Sequence[Sequence[float]], steps_mm: float) -> float:
    """Scatter of the hand, one standard deviation in mm, from groups of repeat readings of one offset each.

    `steps_mm` = standard uncertainty of the scale's steps alone, which is no scatter of the hand. The usual
    variance and the groups' own are averaged by their degrees of freedom (a scaled inverse χ² prior).
    """
    free = sum(len(group) - 1 for group in repeats)
    square = sum(_sample_deviation(group) ** 2 * (len(group) - 1) for group in repeats)
    usual = HAND_MM**2 + steps_mm**2
    known = (HAND_KNOWN_FROM * usual + square) / (HAND_KNOWN_FROM + free)
    return min(MOST_HAND_MM, max(LEAST_HAND_MM, math.sqrt(max(0.0, known - steps_mm**2))))


def agree(slopes: Sequence[float], u_own: Sequence[float]) -> bool:
    """True when the readings can be of one and the same lean: none is further than 3 u from the last one.

    u = the two readings' own uncertainties together. Where they don't agree something moved in between,
    and the last one counts alone.
    """
    return all(
        abs(slope - slopes[-1]) <= _SURE * math.hypot(u, u_own[-1]) + _SAME
        for slope, u in zip(slopes, u_own, strict=True)
    )


def _sample_deviation(values: Sequence[float]) -> float:
    """Sample standard deviation (n - 1), two passes; 0 for one value."""
    n = len(values)
    if n < 2:
        return 0.0
    mean = math.fsum(values) / n
    return math.sqrt(math.fsum((v - mean) ** 2 for v in values) / (n - 1))


@lru_cache(maxsize=64)
def students_t95(freedom: int) -> float:
    """Two-sided 95 % point of Student's t for whole degrees of freedom >= 1; ValueError below 1.

    P(|T| < t) by the finite sums of Abramowitz & Stegun 26.7.3 (odd) and 26.7.4 (even), inverted by halving.
    """
    if freedom < 1:
        raise ValueError("Student's t needs at least one degree of freedom")
    odd = freedom % 2
    low, high = 1.9, 13.0
    while high - low > 1e-12 * high:
        middle = (low + high) / 2
        theta = math.atan(middle / math.sqrt(freedom))
        term = total = 0.0 if freedom == 1 else math.cos(theta) if odd else 1.0
        for k in range(3 if odd else 2, freedom - 1, 2):
            term *= math.cos(theta) ** 2 * (k - 1) / k
            total += term
        inside = 2 / math.pi * (theta + math.sin(theta) * total) if odd else math.sin(theta) * total
        low, high = (middle, high) if inside < 0.95 else (low, middle)
    return (low + high) / 2
