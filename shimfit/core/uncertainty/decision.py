"""Plumb, out of plumb, or too close to call: a measured lean against its limit, uncertainty counted in.

value <= T - w and probability >= 0.95: plumb. value >= T + w: out. Between: too close to call (guard bands,
ILAC-G8:09/2019, 4.2; both ways, after ISO 14253-1). The probability that the post conforms is that of the
two-direction normal distribution inside the disk (magnitude) or the square (per direction), not a sum of two:
at T - w with two equal uncertainties it is below 0.95, so the guard band of one direction alone would promise
more than it holds. Ties, at T - w, at T + w and at 0.95, go as the signs say. Simple acceptance asks neither.

When no uncertainty is known it can't be counted in: then the rules with a guard band never say plumb
(too close to call, with the advice to name the instrument); beyond the limit they say out, the safe side.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final, Literal, TypeAlias

from shimfit.core.uncertainty.advice import Closeness, advise
from shimfit.core.uncertainty.budget import Budget, Term
from shimfit.core.uncertainty.disk import inside_disk, inside_interval, inside_square
from shimfit.errors import InternalError
from shimfit.model import Decision, Lean, Reading, Tolerance, Verdict

Rule: TypeAlias = Literal["95", "simple", "2u"]
ONE_SIDED_95: Final = 1.6448536269514722
"""Quantile of the normal distribution: 5 % lie above it."""
FACTORS: Final[dict[Rule, float]] = {"95": ONE_SIDED_95, "simple": 0.0, "2u": 2.0}
RULE_WORDS: Final[dict[Rule, str]] = {
    "95": "guard band 1.645 u, one-sided 95 %",
    "simple": "simple acceptance, no guard band",
    "2u": "guard band 2 u",
}
ZERO_NOT_FOUND: Final = "zero not found: turn the sensor end for end, then read again"
"""Whatever rule decides: a lean and an offset that nobody has looked for can't be told apart."""
SQUARE_95: Final = 1.9545
"""Quantile of √0.95: two independent directions, each that sure, are both within with 0.95."""
SURE: Final = 0.95
"""Least probability of being truly within the tolerance at which a post is called plumb."""
_SLACK: Final = 1e-12
"""Relative: what rounding may move a value that lies exactly on an edge."""
_SURE_SLACK: Final = 1e-9
"""What the integral's rounding may move a probability of exactly 0.95."""


def decide(
    reading: Reading,
    tolerance: Tolerance,
    rule: Rule = "95",
    budgets: tuple[Budget, Budget] | None = None,
) -> Verdict:
    """Verdict on a reading as it was logged; `none` when one direction was not read.

    `budgets` (along, across), when still at hand, make the advice exact; else it goes by what the reading
    kept: its own part of the uncertainty, or its largest term.
    """
    lean = reading.lean
    if lean is None:
        return Verdict("none", None, None, None, 0.0, None, RULE_WORDS[rule])
    verdict = decide_lean(
        lean,
        reading.u_along,
        reading.u_across,
        tolerance,
        reading.height_mm,
        rule=rule,
        budgets=budgets or _kept_budgets(reading),
        largest_term=reading.largest_term,
        method=reading.method,
    )
    if reading.zero_found or verdict.decision == "out":
        return verdict
    return replace(verdict, decision="too-close", advice=ZERO_NOT_FOUND)


def _kept_budgets(reading: Reading) -> tuple[Budget, Budget] | None:
    """Budgets of a typed reading as far as it kept them: the scale's steps are its own, the rest is shared.

    What typed readings share is the instrument's accuracy or zero (the length that was read over is small
    beside it). None of sensor readings, and where no own part was kept.
    """
    parts = ((reading.u_along, reading.u_own_along), (reading.u_across, reading.u_own_across))
    found = [
        Budget((Term("resolution", own), Term("accuracy", math.sqrt(max(0.0, u * u - own * own)))))
        for u, own in parts
        if u is not None and own is not None
    ]
    return (found[0], found[1]) if reading.method == "typed" and len(found) == 2 else None


def decide_lean(
    lean: Lean,
    u_along: float | None,
    u_across: float | None,
    tolerance: Tolerance,
    height_mm: float,
    *,
    rule: Rule = "95",
    budgets: tuple[Budget, Budget] | None = None,
    largest_term: str | None = None,
    method: Literal["typed", "sensor"] = "typed",
) -> Verdict:
    """Verdict on a lean with its standard uncertainties (slopes; None = not known).

    Raises InternalError for a number that is not finite, an uncertainty below 0 or no height.
    """
    _check(lean.slope_along, lean.slope_across)
    _check(*(u for u in (u_along, u_across) if u is not None), lowest=0.0)
    allowed = tolerance.allowed_slope(height_mm) if height_mm > 0.0 else math.nan
    _check(allowed, lowest=0.0)
    if u_along is None or u_across is None:
        return _without_doubt_known(lean, tolerance, allowed, rule)
    allowance = _Allowance(allowed, FACTORS[rule], per_direction=tolerance.per_direction)
    value, u, decision = _judge(lean, u_along, u_across, allowance)
    inside = inside_square if tolerance.per_direction else inside_disk
    probability = inside(lean.slope_along, lean.slope_across, u_along, u_across, allowed)
    factor = FACTORS[rule]
    guard = factor * u
    most_u = max(u_along, u_across)
    if decision == "plumb" and factor > 0.0 and most_u > 0.0 and probability < SURE - _SURE_SLACK:
        decision = "too-close"
        # What it takes is more than the guard band: the factor that this u would need.
        sure = SQUARE_95 * u
        if not tolerance.per_direction:
            sure = allowed - sure_radius(allowed, most_u)
        factor = max(sure, allowed - value) / (u or most_u)  # the lean's own direction may have no u
    advice = None
    if decision == "too-close":
        close = Closeness(value, allowed, u, factor, height_mm, method)
        advice = advise(close, _worse(budgets), largest_term)
    return Verdict(decision, value, allowed, u, guard, probability, RULE_WORDS[rule], advice)


def sure_radius(allowed: float, u: float) -> float:
    """Largest magnitude with P(truly within the disk) >= 0.95, u in both directions; 0 when none has it."""
    return _most(allowed, lambda value: inside_disk(value, 0.0, u, u, allowed) >= SURE) if u else allowed


def sure_beside(value: float, u: float, u_beside: float, allowed: float) -> float:
    """Largest |other direction| with P(both truly within ±allowed) >= 0.95 when this one reads `value`."""
    here = inside_interval(value, u, allowed)
    return _most(allowed, lambda other: here * inside_interval(other, u_beside, allowed) >= SURE)


def plumb_up_to(allowed: float, u: float, rule_factor: float, *, per_direction: bool) -> float:
    """Largest lean in one direction, none in the other, that is called plumb; 0 when not even none is.

    The one rule for readings (`decide`), for what a next reading may be (`core.chance`) and for what an
    instrument can decide (`core.instruments.judge`): u in both directions.
    """
    guarded = max(0.0, allowed - rule_factor * u)
    if rule_factor == 0.0 or u == 0.0:
        return guarded
    return min(guarded, sure_beside(0.0, u, u, allowed) if per_direction else sure_radius(allowed, u))


def _most(allowed: float, holds: Callable[[float], bool]) -> float:
    """Largest value up to `allowed` at which a falling test holds, within 1e-6; 0 when it never does."""
    if not holds(0.0):
        return 0.0
    low, high = 0.0, allowed
    while high - low > 1e-6 * allowed:
        middle = (low + high) / 2.0
        low, high = (middle, high) if holds(middle) else (low, middle)
    return low


_WORST_FIRST: Final[tuple[Decision, ...]] = ("out", "too-close", "plumb")


@dataclass(frozen=True, slots=True)
class _Allowance:
    """What a value is compared with."""

    slope: float
    factor: float
    """Guard band ÷ u."""
    per_direction: bool


def _check(*numbers: float, lowest: float = -math.inf) -> None:
    for number in numbers:
        if not (math.isfinite(number) and number >= lowest):
            raise InternalError(f"a verdict was asked of {number}, which is no measurement")


def _judge(
    lean: Lean, u_along: float, u_across: float, allowance: _Allowance
) -> tuple[float, float, Decision]:
    """Compared value, its uncertainty, and the decision."""
    allowed, factor = allowance.slope, allowance.factor
    if not allowance.per_direction:
        value, u = lean.magnitude, u_of_magnitude(lean, u_along, u_across)
        return value, u, _compare(value, allowed, factor * u)
    both = [(abs(lean.slope_along), u_along), (abs(lean.slope_across), u_across)]
    decisions = {_compare(value, allowed, factor * u) for value, u in both}
    decision = next(found for found in _WORST_FIRST if found in decisions)
    value, u = max(both, key=lambda one: (one[0] + factor * one[1], one[0]))
    return value, u, decision


def u_of_magnitude(lean: Lean, u_along: float, u_across: float) -> float:
    """Standard uncertainty of hypot(along, across), first order; the larger of the two where it is 0."""
    size = lean.magnitude
    if size == 0.0:
        return max(u_along, u_across)
    return math.hypot(lean.slope_along / size * u_along, lean.slope_across / size * u_across)


def _compare(value: float, allowed: float, guard: float) -> Decision:
    slack = _SLACK * allowed
    if value <= allowed - guard + slack:
        return "plumb"
    return "out" if value >= allowed + guard - slack else "too-close"


def _without_doubt_known(lean: Lean, tolerance: Tolerance, allowed: float, rule: Rule) -> Verdict:
    """Verdict where no uncertainty came with the reading."""
    worst = max(abs(lean.slope_along), abs(lean.slope_across))
    value = worst if tolerance.per_direction else lean.magnitude
    if value > allowed * (1.0 + _SLACK):
        return Verdict("out", value, allowed, None, 0.0, None, RULE_WORDS[rule])
    if rule == "simple":
        return Verdict("plumb", value, allowed, None, 0.0, None, RULE_WORDS[rule])
    advice = "the uncertainty of this reading is not known: name the instrument and read again"
    return Verdict("too-close", value, allowed, None, 0.0, None, RULE_WORDS[rule], advice)


def _worse(budgets: tuple[Budget, Budget] | None) -> Budget | None:
    return None if budgets is None else max(budgets, key=lambda one: one.u)
