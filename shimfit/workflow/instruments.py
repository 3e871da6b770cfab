"""Instruments: entered once, checked by turning them end for end, judged before the first post."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from shimfit.core.instruments import check_due, judge
from shimfit.core.sensing.hold import SensorErrors
from shimfit.core.sensing.mounting import FaceReading, Reversal, Zero, reversal_in_post_words
from shimfit.errors import EntryError, UsageError
from shimfit.model import Instrument, Reading
from shimfit.workflow.doubt import counted
from shimfit.workflow.place import check_name
from shimfit.workflow.reading import Asked, Logged, log_ready, stage_of

if TYPE_CHECKING:
    from datetime import date

    from shimfit.entry import Understood
    from shimfit.workflow.place import Place
    from shimfit.workflow.site import Site


def enter(site: Site, instrument: Instrument) -> tuple[str, ...]:
    """Enter an instrument; returns what it can't decide on the runs that there are, in sentences."""
    check_name(instrument.name, "level or other instrument")
    site.add_instrument(instrument)
    return fitness(site, instrument)


def fitness(site: Site, instrument: Instrument) -> tuple[str, ...]:
    """Where this instrument can hardly, or never, decide the tolerance; a sentence a run, none when fit."""
    said = []
    for job in site.jobs():
        for name in job.runs:
            run = site.run(job.name, name)
            words = judge(instrument, run.tolerance, run.height_mm, run.rule).words
            if words:
                said.append(f"{job.name}/{name}: {words}")
    return tuple(said)


def named(site: Site, name: str) -> Instrument:
    """The instrument of that name; UsageError naming those that there are."""
    found = site.box().instrument(name)
    if found is None:
        names = ", ".join(one.name for one in site.box().instruments) or "none yet"
        raise UsageError(f"there is no instrument {name!r}; entered are: {names}")
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
    found = _reversal(instrument, first, second, height_mm)
    if found.suspicion == "not-turned":
        raise UsageError(f"{found.words} Nothing was kept.")
    _keep_zero(site, instrument, found.zero)
    return found


def log_turned(site: Site, place: Place, first_text: str, second_text: str, asked: Asked) -> Logged:
    """Log one reading from two faces: its lean is free of the instrument's zero, which is kept beside it."""
    post = site.post(place)
    name = asked.instrument or site.settings.instrument
    if not name:
        raise UsageError("name the instrument that was turned: --instrument NAME")
    instrument = named(site, name)
    first, second = (_understood(site, place, text) for text in (first_text, second_text))
    found = _reversal(instrument, first, second, post.height_mm)
    if found.suspicion == "not-turned":
        raise UsageError(f"{found.words} Nothing was logged.")
    _keep_zero(site, instrument, found.zero)
    reading = Reading(
        text=f"{first_text.strip()}; turned: {second_text.strip()}",
        slope_along=found.lean.slope_along,
        slope_across=found.lean.slope_across,
        height_mm=post.height_mm,
        stage=stage_of(post, asked),
        u_along=found.u_along,
        u_across=found.u_across,
        largest_term=counted(first, post.height_mm, replace_zero(instrument, found.zero)).largest,
        gauge_mm=first.over_mm,
        instrument=name,
        face=asked.face,
        rocks=asked.rocks,
    )
    return log_ready(site, place, reading, asked)


def replace_zero(instrument: Instrument, zero: Zero) -> Instrument:
    """The instrument as it is known once its zero was found."""
    return replace(instrument, zero_along=zero.along, zero_across=zero.across, u_zero=zero.u, axes=None)


def drop(site: Site, instrument: Instrument) -> None:
    """It was dropped or taken apart: the zero that was found counts no more; the log keeps what it was."""
    bare = replace(instrument, zero_along=0.0, zero_across=0.0, u_zero=None, checked=None, axes=None)
    site.add_instrument(replace(bare, dropped=site.now().isoformat(timespec="seconds")))


def _keep_zero(site: Site, instrument: Instrument, zero: Zero) -> None:
    known = replace(replace_zero(instrument, zero), checked=site.now().isoformat(timespec="seconds"))
    site.add_instrument(known)


def _reversal(instrument: Instrument, first: Understood, second: Understood, height_mm: float) -> Reversal:
    """Two faces as typed, zero still in them: only what differs from face to face is their own."""
    known = None
    if instrument.u_zero is not None:
        known = Zero(instrument.zero_along, instrument.zero_across, instrument.u_zero)
    # With the zero taken as found (u 0) and none taken off, the budget holds what is each reading's own.
    bare = replace(instrument, zero_along=0.0, zero_across=0.0, u_zero=0.0)
    faces = [_face(parsed, height_mm, bare) for parsed in (first, second)]
    if instrument.kind != "inclinometer":
        return reversal_in_post_words(*faces, known=known)
    usual = SensorErrors()  # a level lies on its own edge; an inclinometer is clamped anew, and turned by eye
    return reversal_in_post_words(
        *faces,
        known=known,
        u_change=math.radians(usual.clamp_u_deg),
        u_turn_rad=math.radians(usual.turn_u_deg),
    )


def _face(parsed: Understood, height_mm: float, bare: Instrument) -> FaceReading:
    part = counted(parsed, height_mm, bare)
    if part.slope_along is None or part.slope_across is None:
        raise EntryError("read both directions on both faces; 0 is a reading too", at=len(parsed.text))
    return FaceReading(part.slope_along, part.slope_across, part.u_along or 0.0, part.u_across or 0.0)


def _understood(site: Site, place: Place, text: str) -> Understood:
    from shimfit.entry import parse_reading

    return parse_reading(text, site.entry_settings(site.run(place.job, place.run)))
