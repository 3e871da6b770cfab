"""Instruments: entered once, checked by turning them end for end, judged before the first post.

A typed reading counts with its instrument's zero taken off, and with how sure each direction is (`counted`).
"""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date
from typing import TYPE_CHECKING, Any

from shimfit.core.instruments import check_due, correct, judge
from shimfit.core.uncertainty.budget import HAND_MM, Budget, largest_of, learned_hand_mm, rectangular
from shimfit.entry import EntrySettings, Understood, parse_reading
from shimfit.errors import EntryError, UsageError
from shimfit.model import OF_A_WAY, Instrument, Reading
from shimfit.standing import RunState
from shimfit.workflow.site import Site, check_name

if TYPE_CHECKING:
    from shimfit.core.sensing.mounting import FaceReading, Reversal, Zero


def enter(site: Site, instrument: Instrument) -> tuple[str, ...]:
    """Enter an instrument; returns what it can't decide on the runs that there are, in sentences."""
    check_name(instrument.name, "level or other instrument")
    site.add_instrument(instrument)
    return fitness(site, instrument)


def fitness(site: Site, instrument: Instrument) -> tuple[str, ...]:
    """Where this instrument can hardly, or never, decide the tolerance; a sentence a run, none when fit."""
    unfit = []
    for job in site.jobs():
        for name in job.runs:
            run = site.run(job.name, name)
            words = judge(instrument, run.tolerance, run.height_mm, run.rule)
            if words:
                unfit.append(f"{job.name}/{name}: {words}")
    return tuple(unfit)


def named(site: Site, name: str) -> Instrument:
    """The instrument of that name; UsageError naming those that there are."""
    found = site.box().instrument(name)
    if found is None:
        names = ", ".join(one.name for one in site.box().instruments)
        entered = f"entered are: {names}" if names else "none is entered yet (shimfit instrument add)"
        raise UsageError(f"there is no instrument {name!r}; {entered}")
    return found


def due(site: Site, today: date) -> tuple[str, ...]:
    """Prompts to check instruments that are in use and due to be turned end for end."""
    in_use = site.settings.instrument
    prompts = (check_due(one, today) for one in site.box().instruments if in_use in ("", one.name))
    return tuple(prompt for prompt in prompts if prompt is not None)


def check(site: Site, name: str, first: Understood, second: Understood, height_mm: float) -> Reversal:
    """Find an instrument's zero from two readings of one post, the second with it turned end for end.

    The zero is kept with the instrument from now on. EntryError when a reading is half; UsageError, nothing
    kept, when the second looks as if it was not turned.
    """
    instrument = named(site, name)
    found = reversal_of(instrument, first, second, height_mm)
    if found.suspicion == "not-turned":
        raise UsageError(f"{found.words} Nothing was kept.")
    keep_zero_of(site, instrument, found.zero)
    return found


def with_zero(instrument: Instrument, zero: Zero) -> Instrument:
    """The instrument as it is known once its zero was found."""
    return replace(instrument, zero_along=zero.along, zero_across=zero.across, u_zero=zero.u, axes=None)


def drop(site: Site, instrument: Instrument) -> None:
    """It was dropped or taken apart: the zero that was found counts no more; the log keeps what it was."""
    bare = replace(instrument, zero_along=0.0, zero_across=0.0, u_zero=None, checked=None, axes=None)
    site.add_instrument(replace(bare, dropped=site.journal.now().isoformat(timespec="seconds")))


def keep_zero_of(site: Site, instrument: Instrument, zero: Zero) -> None:
    """Keep the zero that two faces showed with the instrument, from now on taken off."""
    known = replace(with_zero(instrument, zero), checked=site.journal.now().isoformat(timespec="seconds"))
    site.add_instrument(known)


def reversal_of(instrument: Instrument, first: Understood, second: Understood, height_mm: float) -> Reversal:
    """Two faces as typed, zero still in them: only what differs from face to face is their own."""
    from shimfit.core.sensing.mounting import Zero, reversal
    from shimfit.core.sensing.watch import SensorErrors

    known = None
    if instrument.u_zero is not None:
        known = Zero(instrument.zero_along, instrument.zero_across, instrument.u_zero)
    # With the zero taken as found (u 0) and none taken off, the budget holds what is each reading's own.
    bare = replace(instrument, zero_along=0.0, zero_across=0.0, u_zero=0.0)
    one, other = (_face(parsed, height_mm, bare) for parsed in (first, second))
    usual = SensorErrors()  # a level lies on its own edge; an inclinometer is clamped anew, and turned by eye
    clamped = instrument.kind == "inclinometer"
    return reversal(
        one,
        other.mirrored,
        known=known,
        u_change=math.radians(usual.clamp_u_deg) if clamped else 0.0,
        u_turn_rad=math.radians(usual.turn_u_deg) if clamped else 0.0,
    )


def _face(parsed: Understood, height_mm: float, bare: Instrument) -> FaceReading:
    from shimfit.core.sensing.mounting import FaceReading

    part = counted(parsed, height_mm, bare)
    if part.slope_along is None or part.slope_across is None:
        raise EntryError("read both directions on both faces; 0 is a reading too", at=len(parsed.text))
    return FaceReading(part.slope_along, part.slope_across, part.u_along or 0.0, part.u_across or 0.0)


# ---------------------------------------------------------------- a typed reading as it counts


def counted(
    parsed: Understood, height_mm: float, instrument: Instrument | None, hand_mm: float = HAND_MM
) -> Reading:
    """What was typed, as it counts: zero off, with standard uncertainties; None where nothing was read.

    Without a named instrument a usual carpenter's level stands in. `hand_mm`: what offsets scatter by from
    reading to reading (`hand_of`).
    """
    over_mm = parsed.over_mm or height_mm
    zeros = (0.0, 0.0) if instrument is None else (instrument.zero_along, instrument.zero_across)
    read: dict[str, Any] = {"slope_along": None, "slope_across": None}
    known: list[Budget] = []
    both = zip(parsed.slopes(height_mm), parsed.resolution_slope(height_mm), zeros, strict=True)
    for way, (slope, half_step, zero) in zip(("along", "across"), both, strict=True):
        if slope is None or half_step is None:
            continue
        part = correct(slope, half_step, zero, instrument, over_mm, hand_mm=hand_mm)
        known.append(part.budget)
        values = part.slope, part.budget.u, part.budget.only("repeat").u, part.step
        read |= {f"{of}_{way}": value for of, value in zip(OF_A_WAY, values, strict=True)}
    return Reading(
        text=parsed.text.strip(),
        **read,
        height_mm=height_mm,
        largest_term=largest_of(known[0], known[-1]) if known else None,
        gauge_mm=parsed.over_mm,
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
