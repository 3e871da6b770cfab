"""What a verifying reading decides, and the word that stands at the post for it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from shimfit.model import PostState

if TYPE_CHECKING:
    from shimfit.model import Reading, Tolerance, Verdict
    from shimfit.store.state import Rule


def verdict_on(reading: Reading, tolerance: Tolerance, rule: Rule) -> Verdict:
    """Verdict on a reading; its decision is `none` when one direction was not read."""
    from shimfit.core.uncertainty import decide  # no run needs it before a post was read again

    return decide(reading, tolerance, rule)


def together(readings: Sequence[Reading]) -> Reading:
    """Repeat readings of a post that nothing was changed at, as one: what they share never averages away.

    Each direction is the weighted mean with the doubt of the mean (`core.uncertainty.combine`); the rest is
    the latest reading's. The latest reading alone counts where a doubt is not known, and where the readings
    can't be of one lean (`core.uncertainty.agree`): then something moved that nobody logged.
    """
    latest = readings[-1]
    along = _mean([(one.slope_along, one.u_along, one.u_own_along) for one in readings])
    across = _mean([(one.slope_across, one.u_across, one.u_own_across) for one in readings])
    if len(readings) < 2 or along is None or across is None:
        return latest
    return replace(
        latest,
        text="; ".join(one.text for one in readings),
        slope_along=along[0],
        slope_across=across[0],
        u_along=along[1],
        u_across=across[1],
        u_own_along=None,
        u_own_across=None,
    )


def _mean(
    parts: Sequence[tuple[float | None, float | None, float | None]],
) -> tuple[float, float] | None:
    """(slope, u) of one direction; an own part that is not told counts as shared by all readings."""
    from shimfit.core.uncertainty import Term, agree, combine

    known = [(slope, u, own or 0.0) for slope, u, own in parts if slope is not None and u is not None]
    if len(known) != len(parts) or not agree(
        [slope for slope, _, _ in known], [own or u for _, u, own in known]
    ):
        return None
    shared = max(math.sqrt(max(0.0, u * u - own * own)) for _, u, own in known)
    mean = combine([slope for slope, _, _ in known], [own for _, _, own in known], [Term("accuracy", shared)])
    return mean.slope, mean.u


def state_of(verdict: Verdict) -> PostState:
    """Word for a decision; a reading that decides nothing asks to be read again."""
    return _STATES[verdict.decision]


_STATES = {
    "plumb": PostState.PLUMB,
    "out": PostState.OUT,
    "too-close": PostState.TOO_CLOSE,
    "none": PostState.TIGHTEN,
}
