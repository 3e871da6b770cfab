"""The pieces of one pack: which, and how the cheapest are found again under what a seat may not use."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Sequence

EPS = 1e-9
TOUCH_MM = 1e-7
"""Stretches of a taper that overlap by no more only touch: they are worked out from both ends."""
NO_COST = 1e300
"""Anything finite is below: keeps thicknesses that no pack makes (infinity) out of comparisons."""


class Unit(NamedTuple):
    """One piece of a flat thickness: the cheapest come first."""

    cost: float
    rank: int
    """The lot's place in natural order."""


class Run(NamedTuple):
    """A tapered lot as far as it costs `cost + per_step·T` for every thickness T from lo to hi."""

    lo: int
    hi: int
    cost: float
    per_step: float
    rank: int


@dataclass(frozen=True, slots=True)
class Row:
    """A class of packs."""

    sigma: float
    """Slope of its tapered piece; 0 for flats only."""
    saw_deg: float | None
    """What the saw is set to; None when nothing is sawn."""
    runs: tuple[Run, ...]
    """Lots that give the tapered piece; empty for flats only."""


class Stack(NamedTuple):
    """The pieces of one pack, as ranks of lots."""

    cost: float
    tail: tuple[int, int] | None
    """(rank, thickness in grid steps) of the tapered piece."""
    flats: tuple[int, ...]
    """Ranks of the flats, in natural order."""


@dataclass(frozen=True)
class Caps:
    """What one seat may not use: set by the search when two seats want the same thing."""

    flats: tuple[tuple[int, int], ...] = ()
    """(rank, most pieces)."""
    points: tuple[tuple[int, float], ...] = ()
    """(rank, mm from the thin end): a stretch of that taper must not cover the point."""
    strips: tuple[tuple[int, int], ...] = ()
    """(rank, thickest wedge in grid steps)."""
    within: tuple[tuple[int, float, float], ...] = ()
    """(rank, from, to) mm from the thin end: all that a stretch of that taper may take; none if to < from."""

    def __bool__(self) -> bool:
        return bool(self.flats or self.points or self.strips or self.within)


NO_CAPS = Caps()


def stack_key(stack: Stack) -> tuple[float, int, tuple[int, ...], int]:
    """The rule for ties within one pack: cost, fewer pieces, lowest lots, lowest thickness."""
    ranks = stack.flats if stack.tail is None else (*stack.flats, stack.tail[0])
    return round(stack.cost, 6), len(ranks), tuple(sorted(ranks)), stack.tail[1] if stack.tail else 0


def to_steps(thickness_mm: float, quantum_mm: float) -> int:
    """Thickness on the grid, halves away from zero."""
    return math.floor(thickness_mm / quantum_mm + 0.5 + 1e-9)


def sum_of(units: Sequence[Unit], k: int) -> float:
    """Cost of the k cheapest pieces; infinite when there are fewer."""
    return sum(unit.cost for unit in units[:k]) if len(units) >= k else math.inf
