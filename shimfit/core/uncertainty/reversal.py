"""Two faces of a post, or a level turned end for end: the lean and the instrument's zero, apart.

In the instrument's own directions the first face reads lean + zero, the opposite face reads zero - lean:

    lean = (r1 - r2)/2    zero = (r1 + r2)/2    u(lean) = u(zero) = √(u1² + u2² + u_d²)/2

A reversal takes out the zero only; gain, cross-axis and turning errors stay. The mean of opposite faces is
the lean of the post's centre line; half of a post's taper lands in the zero.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

from shimfit.model import Lean

SURE: Final = 3.0
"""A difference counts when it is more than this many of its standard uncertainties."""
Doubt = Literal["not-turned", "zero-jumped", "ask"]


@dataclass(frozen=True, slots=True)
class FaceReading:
    """One face as the instrument says it, in the instrument's own two directions (slopes)."""

    along: float
    across: float
    u_along: float
    u_across: float


@dataclass(frozen=True, slots=True)
class Zero:
    """An instrument's zero: what it reads on a plumb post."""

    along: float
    across: float
    u: float
    """Standard uncertainty of each direction."""


@dataclass(frozen=True, slots=True)
class Reversal:
    """What two faces tell apart."""

    lean: Lean
    """In the post's directions, as the first face was held."""
    zero: Zero
    u_along: float
    u_across: float
    doubt: Doubt | None
    """Why it should not be taken as it is; None when nothing speaks against it."""
    words: str | None
    """The doubt as a question for the person."""


def reversal(
    first: FaceReading,
    second: FaceReading,
    *,
    known: Zero | None = None,
    u_change: float = 0.0,
    u_turn_rad: float = 0.0,
) -> Reversal:
    """Lean and zero from a face and its opposite, both in the instrument's own directions.

    `known` = the zero found before; `u_change` = how much the zero may change between faces (clamp,
    temperature); `u_turn_rad` = standard uncertainty of the half turn, which couples the directions.
    """
    lean = Lean((first.along - second.along) / 2.0, (first.across - second.across) / 2.0)
    pair_along = math.hypot(first.u_along, second.u_along, u_change)
    pair_across = math.hypot(first.u_across, second.u_across, u_change)
    u_along = math.hypot(pair_along, lean.slope_across * u_turn_rad) / 2.0
    u_across = math.hypot(pair_across, lean.slope_along * u_turn_rad) / 2.0
    zero = Zero(
        (first.along + second.along) / 2.0,
        (first.across + second.across) / 2.0,
        max(pair_along, pair_across) / 2.0,
    )
    doubt = _doubt(first, second, zero, known, (pair_along, pair_across))
    return Reversal(lean, zero, u_along, u_across, doubt, None if doubt is None else _QUESTIONS[doubt])


def reversal_in_post_words(
    first: FaceReading,
    second: FaceReading,
    *,
    known: Zero | None = None,
    u_change: float = 0.0,
    u_turn_rad: float = 0.0,
) -> Reversal:
    """The same when both readings were typed as the post's lean (towards next, out): r2 = lean - zero."""
    turned = FaceReading(-second.along, -second.across, second.u_along, second.u_across)
    return reversal(first, turned, known=known, u_change=u_change, u_turn_rad=u_turn_rad)


_QUESTIONS: Final[dict[Doubt, str]] = {
    "not-turned": "both readings are the same and the zero would have jumped: was it turned?",
    "zero-jumped": "the zero is not what it was: a tapered post, a moved clamp, or a face not opposite?",
    "ask": "both readings are the same: did you turn it to the opposite face?",
}


def _doubt(
    first: FaceReading, second: FaceReading, zero: Zero, known: Zero | None, pair: tuple[float, float]
) -> Doubt | None:
    """Judge whether the second face looks turned."""
    same = _within(first.along - second.along, pair[0]) and _within(first.across - second.across, pair[1])
    if known is None:
        # A plumb post with a good zero reads the same turned or not, and no harm: only a reading of some
        # size that didn't change is worth the question.
        size = not (_within(zero.along, pair[0] / 2.0) and _within(zero.across, pair[1] / 2.0))
        return "ask" if same and size else None
    jumped = not (
        _within(zero.along - known.along, math.hypot(pair[0] / 2.0, known.u))
        and _within(zero.across - known.across, math.hypot(pair[1] / 2.0, known.u))
    )
    if not jumped:
        return None
    return "not-turned" if same else "zero-jumped"


def _within(difference: float, u: float) -> bool:
    return abs(difference) <= SURE * u
