"""A typed reading as it counts: the instrument's zero taken off, and how sure each direction is."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from shimfit.core.instruments import Corrected, correct
from shimfit.core.uncertainty import HAND_MM, largest_of, learned_hand_mm, rectangular
from shimfit.entry import parse_reading
from shimfit.errors import EntryError

if TYPE_CHECKING:
    from shimfit.entry import EntrySettings, Understood
    from shimfit.model import Instrument
    from shimfit.standing import RunState


@dataclass(frozen=True, slots=True)
class Counted:
    """Slopes of a typed reading, zero off, with their standard uncertainties; None where nothing was read."""

    slope_along: float | None
    slope_across: float | None
    u_along: float | None
    u_across: float | None
    u_own_along: float | None
    """The part that is new at each reading and averages away over repeats."""
    u_own_across: float | None
    largest: str | None
    """The largest term of the worse direction, in words."""


def counted(
    parsed: Understood, height_mm: float, instrument: Instrument | None, hand_mm: float = HAND_MM
) -> Counted:
    """What was typed, as it counts; without a named instrument a usual carpenter's level stands in.

    `hand_mm`: what offsets scatter by from reading to reading (`hand_of`).
    """
    over_mm = parsed.over_mm or height_mm
    zeros = (0.0, 0.0) if instrument is None else (instrument.zero_along, instrument.zero_across)
    parts: list[Corrected | None] = [
        None
        if slope is None or half_step is None
        else correct(slope, half_step, zero, instrument, over_mm, hand_mm=hand_mm)
        for slope, half_step, zero in zip(
            parsed.slopes(height_mm), parsed.resolution_slope(height_mm), zeros, strict=True
        )
    ]
    along, across = parts
    known = [part.budget for part in parts if part is not None]
    return Counted(
        None if along is None else along.slope,
        None if across is None else across.slope,
        None if along is None else along.budget.u,
        None if across is None else across.budget.u,
        None if along is None else along.budget.only("repeat").u,
        None if across is None else across.budget.only("repeat").u,
        largest_of(known[0], known[-1]) if known else None,
    )


def hand_of(run: RunState, entry: EntrySettings) -> float:
    """Scatter of the hand in mm, learned from repeats: a run's typed readings that count as one mean."""
    groups: list[list[float]] = []
    steps_mm2: list[float] = []
    for post in run.posts:
        if post.mean_of < 2:
            continue
        some = [
            one
            for one, why in zip(post.readings, post.left_out, strict=True)
            if why is None and one.u_own_along is not None and one.lean is not None and one.method == "typed"
        ]
        leans = [one.lean.top_mm(one.height_mm) for one in some if one.lean is not None]
        groups += [list(offsets) for offsets in zip(*leans, strict=True)]
        for one in some:
            try:
                half_steps = parse_reading(one.text, entry).resolution_slope(one.height_mm)
            except EntryError:  # typed where other words or units were in use
                continue
            steps_mm2 += [rectangular(half * one.height_mm) ** 2 for half in half_steps if half is not None]
    if not steps_mm2:
        return HAND_MM
    return learned_hand_mm(groups, math.sqrt(sum(steps_mm2) / len(steps_mm2)))
