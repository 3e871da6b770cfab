"""When a reading is too close to call: what would settle it, and by how much."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

from shimfit.core.uncertainty.budget import Budget, Cure, cure_of

MOST_REPEATS: Final = 9
"""Nobody reads a post more often than this."""


@dataclass(frozen=True, slots=True)
class Closeness:
    """A compared value that lies too near its limit."""

    value: float
    allowed: float
    u: float
    factor: float
    """Guard band ÷ u."""
    height_mm: float
    method: Literal["typed", "sensor"] = "typed"

    @property
    def wanted_u(self) -> float:
        """Uncertainty at which this very value would be decided."""
        return abs(self.allowed - self.value) / self.factor

    def top(self, slope: float) -> str:
        """A slope as mm at the top."""
        return f"{slope * self.height_mm:.2g} mm"


def advise(close: Closeness, budget: Budget | None, largest_term: str | None) -> str:
    """One or two sentences: the cheapest thing that settles it with numbers at the top, else what is left."""
    good_to = f"this reading is good to ±{close.top(close.factor * close.u)} at the top"
    if budget is not None:
        for settle in (_by_turning, _by_reading_finer, _by_holding, _by_repeating):
            sentence = settle(close, budget)
            if sentence is not None:
                return f"{good_to}; {sentence}"
    else:
        sentence = _by_words(close, cure_of(largest_term))
        if sentence is not None:
            return f"{good_to}, most of it {largest_term}; {sentence}"
    return f"{good_to}; {_what_is_left(close)}"


def _by_turning(close: Closeness, budget: Budget) -> str | None:
    """Two readings end for end: the zero and its like go, the rest is averaged over two."""
    if not budget.only("turn").terms:
        return None
    rest = math.hypot(budget.without("turn").without("repeat").u, budget.only("repeat").u / math.sqrt(2.0))
    if rest > close.wanted_u:
        return None
    return (
        f"turn it end for end and read again: that leaves ±{close.top(close.factor * rest)}, "
        f"and ±{close.top(close.factor * close.wanted_u)} is enough"
    )


def _by_reading_finer(close: Closeness, budget: Budget) -> str | None:
    """Strong or shy halve the step of a tape."""
    steps = math.hypot(*(term.u for term in budget.terms if term.name == "resolution"))
    rest = math.sqrt(max(0.0, budget.u**2 - steps**2))
    finer = math.hypot(rest, steps / 2.0)
    if close.method != "typed" or steps == 0.0 or finer > close.wanted_u:
        return None
    return f"read it between the marks too (strong, shy): that leaves ±{close.top(close.factor * finer)}"


def _by_holding(close: Closeness, budget: Budget) -> str | None:
    """A hold k times as long makes the noise √k smaller."""
    noise = budget.only("hold").u
    room = close.wanted_u**2 - budget.without("hold").u ** 2
    if noise == 0.0 or room <= 0.0:
        return None
    times = math.ceil((noise**2 / room) * 10.0 - 1e-9) / 10.0
    return f"hold it {times:g} times as long" if 1.0 < times <= 20.0 else None


def _by_repeating(close: Closeness, budget: Budget) -> str | None:
    """Several readings make what is different each time √(their number) smaller."""
    each = budget.only("repeat").u
    room = close.wanted_u**2 - budget.without("repeat").u ** 2
    if each == 0.0 or room <= 0.0:
        return None
    readings = math.ceil(each**2 / room - 1e-9)
    if not 1 < readings <= MOST_REPEATS:
        return None
    return f"read it {readings} times afresh: where they differ a little, their mean settles it"


def _by_words(close: Closeness, cure: Cure | None) -> str | None:
    enough = f"±{close.top(close.factor * close.wanted_u)} would settle it"
    match cure:
        case "turn":
            return f"turn it end for end and read again: {enough}"
        case "hold":
            return f"hold it longer: {enough}"
        case "repeat":
            return f"read it afresh and between the marks too (strong, shy): {enough}"
        case "measure":
            return f"measure that again: {enough}"
        case _:
            return None


def _what_is_left(close: Closeness) -> str:
    """No reading settles it: a better instrument, or less lean."""
    guard = close.factor * close.u
    limit = close.wanted_u * close.factor
    better = f"an instrument with ±{close.top(limit)} at the top ({limit * 1000:.2g} mm/m) would settle it"
    less = close.value - (close.allowed - guard)
    repack = f"packing the top back by {close.top(less)} makes it plumb for sure"
    if limit < 0.1 * guard:
        return f"it lies on the limit, where no instrument helps: {repack}"
    if close.allowed <= guard:
        return f"this instrument can't decide {close.top(close.allowed)}: {better}"
    return f"{better}, or {repack}"
