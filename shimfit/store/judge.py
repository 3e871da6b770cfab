"""What a verifying reading decides, and the word that stands at the post for it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from shimfit.core.uncertainty.decision import decide
from shimfit.model import PostState

if TYPE_CHECKING:
    from shimfit.model import Reading, Tolerance, Verdict
    from shimfit.store.state import Rule


def verdict_on(reading: Reading, tolerance: Tolerance, rule: Rule) -> Verdict:
    """Verdict on a reading; its decision is `none` when one direction was not read."""
    return decide(reading, tolerance, rule)


def state_of(verdict: Verdict) -> PostState:
    """Word for a decision; a reading that decides nothing asks to be read again."""
    return _STATES[verdict.decision]


_STATES = {
    "plumb": PostState.PLUMB,
    "out": PostState.OUT,
    "too-close": PostState.TOO_CLOSE,
    "none": PostState.TIGHTEN,
}
