"""What a verifying reading decides, and the word that stands at the post for it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from shimfit.model import Decision, PostState, Verdict

if TYPE_CHECKING:
    from shimfit.model import Reading, Tolerance
    from shimfit.store.state import Rule


def verdict_on(reading: Reading, tolerance: Tolerance, rule: Rule) -> Verdict | None:
    """Verdict on a full reading."""
    lean = reading.lean
    if lean is None:
        return None
    u = max(reading.u_along or 0.0, reading.u_across or 0.0)
    guard = {"95": 1.645, "simple": 0.0, "2u": 2.0}[rule] * u
    allowed = tolerance.allowed_slope(reading.height_mm)
    value = tolerance.uses(lean, reading.height_mm) * allowed
    decision: Decision = (
        "plumb" if value <= allowed - guard else "out" if value >= allowed + guard else "too-close"
    )
    return Verdict(decision, value, allowed, u, guard, None, rule)


def state_of(verdict: Verdict) -> PostState:
    """Word for a decision; a reading that decides nothing asks to be read again."""
    return _STATES[verdict.decision]


_STATES = {
    "plumb": PostState.PLUMB,
    "out": PostState.OUT,
    "too-close": PostState.TOO_CLOSE,
    "none": PostState.TIGHTEN,
}
