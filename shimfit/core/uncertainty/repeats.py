"""Several readings of the same post as one."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from shimfit.core.uncertainty.budget import HAND_MM, Budget, Term, budget
from shimfit.errors import InternalError

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
    scatter more than their own uncertainty says count as they scatter: the weighted mean's uncertainty is
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
