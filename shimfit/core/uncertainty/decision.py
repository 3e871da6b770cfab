"""Plumb, out of plumb, or too close to call: a measured lean against its limit, uncertainty counted in.

value <= T - w and probability >= 0.95: plumb. value >= T + w: out. Between: too close to call (guard bands,
ILAC-G8:09/2019, 4.2; both ways, after ISO 14253-1). The probability that the post conforms is that of the
two-direction normal distribution inside the disk (magnitude) or the square (per direction), not a sum of two:
at T - w with two equal uncertainties it is below 0.95, so the guard band of one direction alone would promise
more than it holds. A level is read in steps: a mark is plumb only if posts standing at the limit are read on
it or on a better one at most as often as the rule allows. Ties, at T - w, at T + w and at 0.95, go as the
signs say. Simple acceptance asks none of it.

When no uncertainty is known it can't be counted in: then the rules with a guard band never say plumb
(too close to call, with the advice to name the instrument); beyond the limit they say out, the safe side.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import lru_cache
from typing import Final, Literal, TypeAlias

from shimfit.core.uncertainty.budget import Budget, Cure, Term, cure_of
from shimfit.core.uncertainty.disk import inside_disk, inside_interval, inside_square, normal_below
from shimfit.errors import InternalError
from shimfit.model import Decision, Lean, Reading, Tolerance, Verdict
from shimfit.values import dataclass

Rule: TypeAlias = Literal["95", "simple", "2u"]
ONE_SIDED_95: Final = 1.6448536269514722
"""Quantile of the normal distribution: 5 % lie above it."""
FACTORS: Final[dict[Rule, float]] = {"95": ONE_SIDED_95, "simple": 0.0, "2u": 2.0}
ZERO_NOT_FOUND: Final = "zero not found: turn the sensor end for end, then read again"
"""Whatever rule decides: a lean and an offset that nobody has looked for can't be kept apart."""
SQUARE_95: Final = 1.9545
"""Quantile of √0.95: two independent directions, each that sure, are both within with 0.95."""
SURE: Final = 0.95
"""Least probability of being truly within the tolerance at which a post is called plumb."""
_SLACK: Final = 1e-12
"""Relative: what rounding may move a value that lies exactly on an edge."""
_SURE_SLACK: Final = 1e-9
"""What the integral's rounding may move a probability of exactly 0.95."""
_WAYS: Final = 24
"""Directions of a quarter turn that a post at the limit is asked for."""
_HAND: Final = math.sqrt(0.2)
_ZERO: Final = math.sqrt(3.0 * 0.8)
"""Standard deviation of the hand and half-width of the zero where a fifth of their variance, 1, is the
hand's: the zero's standard deviation is twice the hand's (own choice)."""
_FAR: Final = 5.0
"""Standard deviations beyond which hand and zero reach no more: the zero ends at 1.55, the hand's is 0.45."""
_AT_MARK: Final = 1e-4
"""Share of a step by which a mark is the same one."""
MANY_MARKS: Final = 20.0
"""Marks to the limit beyond which they lie as good as everywhere."""


def decide(reading: Reading, tolerance: Tolerance, rule: Rule = "95") -> Verdict:
    """Verdict on a reading as it was logged; `none` when one direction was not read.

    The advice goes by what the reading kept: its own part of the uncertainty, or its largest term.
    """
    lean, u_along, u_across = reading.lean, reading.u_along, reading.u_across
    if lean is None:
        return Verdict("none", None, None, None, 0.0, None)
    own = (reading.u_own_along, reading.u_own_across)
    budgets = None
    if reading.method == "typed" and None not in (u_along, u_across, *own):
        # As far as it kept them: the scale's steps are its own; the rest is what typed readings share, the
        # instrument's accuracy or zero (the length that was read over is small beside it).
        along, across = (
            Budget((Term("resolution", part), Term("accuracy", math.sqrt(max(0.0, u * u - part * part)))))
            for u, part in zip((u_along, u_across), own, strict=True)
            if u is not None and part is not None
        )
        budgets = along, across
    verdict = decide_lean(
        lean,
        u_along,
        u_across,
        tolerance,
        reading.height_mm,
        rule=rule,
        budgets=budgets,
        largest_term=reading.largest_term,
        method=reading.method,
        steps=(reading.step_along or 0.0, reading.step_across or 0.0),
    )
    if reading.zero_found or verdict.decision == "out":
        return verdict
    return replace(verdict, decision="too-close", advice=ZERO_NOT_FOUND)


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
    steps: tuple[float, float] = (0.0, 0.0),
) -> Verdict:
    """Verdict on a lean with its standard uncertainties (slopes; None = not known).

    steps: from mark to mark of the scale that it was read off, as slopes (along, across); 0: read anywhere.

    Raises InternalError for a number that is not finite, an uncertainty below 0 or no height.
    """
    _check(lean.slope_along, lean.slope_across)
    _check(*(u for u in (u_along, u_across) if u is not None), lowest=0.0)
    allowed = tolerance.allowed_slope(height_mm) if height_mm > 0.0 else math.nan
    _check(allowed, lowest=0.0)
    factor, per_direction = FACTORS[rule], tolerance.per_direction
    advice = None
    if u_along is None or u_across is None:
        # Nothing says how far off it may be: it can be out, and plumb where that is not asked for.
        value, _, decision = _judge(lean, 0.0, 0.0, _Allowance(allowed, 0.0, per_direction=per_direction))
        if decision == "plumb" and rule != "simple":
            decision = "too-close"
            advice = "the uncertainty of this reading is not known: name the instrument and read again"
        return Verdict(decision, value, allowed, None, 0.0, None, advice)
    allowance = _Allowance(allowed, factor, per_direction=per_direction)
    value, u, decision = _judge(lean, u_along, u_across, allowance)
    probability = allowance.inside(lean.slope_along, lean.slope_across, u_along, u_across, allowed)
    guard = factor * u
    most_u = max(u_along, u_across)
    unsure = u or most_u  # the lean's own direction may be known exactly
    if decision == "plumb" and factor > 0.0 and most_u > 0.0 and probability < SURE - _SURE_SLACK:
        decision = "too-close"
        # What it takes is more than the guard band: the factor that this u would need.
        sure = SQUARE_95 * u if per_direction else allowed - sure_radius(allowed, most_u)
        factor = max(sure, allowed - value) / unsure
    elif decision == "plumb" and not _few_at_limit(lean, (u_along, u_across), steps, allowance):
        decision = "too-close"
        # As if it lay at the far edge of its mark, and never less than what did not do here.
        edge = max(steps) / 2.0 + factor * math.sqrt(max(0.0, most_u**2 - max(steps) ** 2 / 12.0))
        factor = max(edge, (allowed - value) * (1.0 + _AT_MARK)) / unsure
    if decision == "too-close":
        close = _Close(value, allowed, unsure, factor, height_mm, method)
        worse = None if budgets is None else max(budgets, key=lambda one: one.u)
        advice = _advice(close, worse, largest_term)
    return Verdict(decision, value, allowed, u, guard, probability, advice)


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


# ---------------------------------------------------------------- marks of a scale


def _few_at_limit(
    lean: Lean, u: tuple[float, float], steps: tuple[float, float], allowance: _Allowance
) -> bool:
    """True when posts at the limit are called plumb by this mark, or a better one, as seldom as promised."""
    if allowance.factor == 0.0 or min(*steps, *u) <= 0.0:
        return True
    mark, per_direction = (lean.slope_along, lean.slope_across), allowance.per_direction
    found = accepted_at_limit(mark, u, steps, allowance.slope, per_direction=per_direction)
    return found <= normal_below(-allowance.factor) + _SURE_SLACK


@lru_cache(maxsize=4096)
def accepted_at_limit(
    mark: tuple[float, float],
    u: tuple[float, float],
    steps: tuple[float, float],
    allowed: float,
    *,
    per_direction: bool,
) -> float:
    """Share of posts that stand at the limit, leaning any way alike, which read this mark or a better one.

    All are (along, across) in one unit. mark: the reading; u: all of its standard uncertainty, of which
    steps²/12 is the scale's. What is left is taken as normal (a hand) and as mostly rectangular (a level's
    zero), and the larger share counts. Better marks have a smaller magnitude; per direction, a greater
    probability that both are truly within. 0 where the scale has more than MANY_MARKS to the limit.
    """
    if allowed > MANY_MARKS * min(steps):
        return 0.0
    rest = [
        math.sqrt(max(one * one - s * s / 12.0, (s * 0.01) ** 2)) for one, s in zip(u, steps, strict=True)
    ]
    columns = list(_as_good(mark, u, steps, allowed, per_direction=per_direction))
    on_zero = all(abs(m - round(m / s) * s) <= _AT_MARK * s for m, s in zip(mark, steps, strict=True))
    ways = _WAYS if on_zero else 4 * _WAYS  # marks that lie about zero look alike from all four quarters
    found = [0.0, 0.0]
    half = steps[0] / 2.0
    for k in range(ways):
        angle = math.pi / 2.0 / _WAYS * (k + 0.5)
        x, y = math.cos(angle), math.sin(angle)
        size = allowed / max(abs(x), abs(y)) if per_direction else allowed
        x, y = x * size, y * size
        for at, low, high in columns:
            for shape, below in enumerate((normal_below, _zero_and_hand_below)):
                along = below((at + half - x) / rest[0]) - below((at - half - x) / rest[0])
                if along > 0.0:
                    found[shape] += along * (below((high - y) / rest[1]) - below((low - y) / rest[1]))
    return max(found) / ways


def _zero_and_hand_below(z: float) -> float:
    """P(a rectangular zero + a normal hand half as wide < z), both together of standard deviation 1."""
    if abs(z) > _FAR:
        return 0.0 if z < 0.0 else 1.0
    return (_normal_loss(z + _ZERO) - _normal_loss(z - _ZERO)) / (2.0 * _ZERO)


def _normal_loss(t: float) -> float:
    """Integral of P(hand < x) over x up to t."""
    q = t / _HAND
    return t * normal_below(q) + _HAND * math.exp(-0.5 * q * q) / math.sqrt(2.0 * math.pi)


def _as_good(
    mark: tuple[float, float],
    u: tuple[float, float],
    steps: tuple[float, float],
    allowed: float,
    *,
    per_direction: bool,
) -> Iterator[tuple[float, float, float]]:
    """(along, from, to) of the marks as good as this one, column by column: across, with their half steps."""
    size = math.hypot(*mark)
    sure = inside_square(*mark, *u, allowed) if per_direction else 0.0
    reach = allowed if per_direction else size
    step, beside = steps
    for k in range(
        math.ceil((-reach - mark[0]) / step - _AT_MARK), math.floor((reach - mark[0]) / step + _AT_MARK) + 1
    ):
        at = mark[0] + k * step
        far = reach if per_direction else math.sqrt(max(0.0, size * size - at * at))
        low = math.ceil((-far - mark[1]) / beside - _AT_MARK)
        high = math.floor((far - mark[1]) / beside + _AT_MARK)
        if per_direction:  # a little less than this very mark has, so that rounding leaves the mark itself in
            least = sure * (1.0 - _SURE_SLACK)
            as_sure = [
                j
                for j in range(low, high + 1)
                if inside_square(at, mark[1] + j * beside, *u, allowed) >= least
            ]
            low, high = min(as_sure, default=1), max(as_sure, default=0)
        if low <= high:
            yield at, mark[1] + (low - 0.5) * beside, mark[1] + (high + 0.5) * beside


@lru_cache(maxsize=1024)
def marks_called_plumb(
    allowed: float, u: tuple[float, float], step: float, factor: float, *, per_direction: bool
) -> tuple[int, ...]:
    """Most marks across that are called plumb beside 0, 1, 2 … marks along, on a scale that counts from 0.

    Empty when none is. The same answer as `decide_lean` gives mark by mark.
    """
    allowance = _Allowance(allowed, factor, per_direction=per_direction)

    def is_plumb(lean: Lean) -> bool:
        return (
            _judge(lean, *u, allowance)[2] == "plumb"
            and allowance.inside(lean.slope_along, lean.slope_across, *u, allowed) >= SURE - _SURE_SLACK
            and _few_at_limit(lean, u, (step, step), allowance)
        )

    return _columns(is_plumb, step, int(allowed / step + _AT_MARK))


@lru_cache(maxsize=1024)
def marks_not_out(
    allowed: float, u: tuple[float, float], step: float, factor: float, *, per_direction: bool
) -> tuple[int, ...]:
    """As `marks_called_plumb`, of the marks that are not called out: plumb and too close to call."""
    allowance = _Allowance(allowed, factor, per_direction=per_direction)
    most = int((allowed + factor * max(u)) / step + 1.0)
    return _columns(lambda lean: _judge(lean, *u, allowance)[2] != "out", step, most)


def _columns(holds: Callable[[Lean], bool], step: float, most: int) -> tuple[int, ...]:
    """Most marks across, up to `most`, at which a test that falls outwards holds: one figure a mark along."""
    across, columns = most, []
    for along in range(most + 1):
        while across >= 0 and not holds(Lean(along * step, across * step)):
            across -= 1
        if across < 0:
            break
        columns.append(across)
    return tuple(columns)


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
    slope: float
    factor: float
    """Guard band ÷ u."""
    per_direction: bool

    @property
    def inside(self) -> Callable[[float, float, float, float, float], float]:
        """Probability of being truly within, of the lean, its uncertainties and the limit."""
        return inside_square if self.per_direction else inside_disk


def _check(*numbers: float, lowest: float = -math.inf) -> None:
    for number in numbers:
        if not (math.isfinite(number) and number >= lowest):
            raise InternalError(f"a verdict was asked of {number}, which is no measurement")


def _judge(
    lean: Lean, u_along: float, u_across: float, allowance: _Allowance
) -> tuple[float, float, Decision]:
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


# ---------------------------------------------------------------- what settles it

COVERAGE: Final = 2.0
"""Coverage factor of an uncertainty that a person reads (JCGM 100:2008, 6.2.1)."""
MOST_REPEATS: Final = 9
"""Nobody reads a post more often than this."""
_CURES: Final[dict[Cure, str]] = {
    "turn": "turn it end for end and read again",
    "hold": "hold it longer",
    "repeat": "read it afresh and between the marks too (strong, shy)",
    "measure": "measure that again",
}


@dataclass(frozen=True, slots=True)
class _Close:
    """A compared value that lies too near its limit."""

    value: float
    allowed: float
    u: float
    factor: float
    """Guard band ÷ u."""
    height_mm: float
    method: Literal["typed", "sensor"]

    @property
    def wanted_u(self) -> float:
        """Uncertainty at which this very value would be decided."""
        return abs(self.allowed - self.value) / self.factor

    def top(self, slope: float) -> str:
        return f"{slope * self.height_mm:.2g} mm"

    def good_to(self, u: float) -> str:
        """`±0.8 mm`: the expanded uncertainty U = 2 u at the top, as the record gives it; no guard band."""
        return f"±{self.top(COVERAGE * u)}"


def _advice(close: _Close, budget: Budget | None, largest_term: str | None) -> str:
    """One or two sentences: the cheapest thing that settles it with numbers at the top, else what is left."""
    good_to, wanted = f"this reading is good to {close.good_to(close.u)} at the top", close.wanted_u
    cure = _CURES.get(cure_of(largest_term) or "replace") if budget is None else None
    if cure is not None:
        return f"{good_to}, most of it {largest_term}; {cure}: {close.good_to(wanted)} would settle it"
    settling = None if budget is None else next(_settling(close, budget), None)
    if settling is not None:
        return f"{good_to}; {settling}"
    # No reading settles it: a better instrument, or less lean.
    guard = close.factor * close.u
    fine = f"{close.good_to(wanted)} at the top ({COVERAGE * wanted * 1000:.2g} mm/m)"
    better = f"an instrument good to {fine} settles it"
    less = close.value - (close.allowed - guard)
    repack = f"packing the top back by {close.top(less)} makes it plumb for sure"
    if wanted * close.factor < 0.1 * guard:
        return f"{good_to}; it lies on the limit, where no instrument helps: {repack}"
    if close.allowed <= guard:
        return f"{good_to}; this instrument can't decide {close.top(close.allowed)}: {better}"
    return f"{good_to}; {better}, or {repack}"


def _settling(close: _Close, budget: Budget) -> Iterator[str]:
    """What settles it with this instrument, the cheapest first."""
    wanted = close.wanted_u
    each, noise = budget.only("repeat").u, budget.only("hold").u
    # Two readings end for end: the zero and its like go, the rest is averaged over two.
    turned = math.hypot(budget.without("turn").without("repeat").u, each / math.sqrt(2.0))
    if budget.only("turn").terms and turned <= wanted:
        yield (
            f"{_CURES['turn']}: that leaves {close.good_to(turned)}, and {close.good_to(wanted)} is enough"
        )
    # Strong or shy halve the step of a tape.
    steps = math.hypot(*(term.u for term in budget.terms if term.name == "resolution"))
    finer = math.hypot(math.sqrt(max(0.0, budget.u**2 - steps**2)), steps / 2.0)
    if close.method == "typed" and steps > 0.0 and finer <= wanted:
        yield f"read it between the marks too (strong, shy): that leaves {close.good_to(finer)}"
    # A hold k times as long makes the noise √k smaller.
    room = wanted**2 - budget.without("hold").u ** 2
    if noise > 0.0 and room > 0.0:
        times = math.ceil((noise**2 / room) * 10.0 - 1e-9) / 10.0
        if 1.0 < times <= 20.0:
            yield f"hold it {times:g} times as long"
    # Several readings make what is different each time √(their number) smaller.
    room = wanted**2 - budget.without("repeat").u ** 2
    if each > 0.0 and room > 0.0 and 1 < (readings := math.ceil(each**2 / room - 1e-9)) <= MOST_REPEATS:
        yield f"read it {readings} times afresh: where they differ a little, their mean settles it"
