"""What the screen needs of an inclinometer: the newest snapshot in words, never a call per sample."""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from shimfit.model import Reading
from shimfit.tui.desk.outcome import Outcome

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from shimfit.model import Lean
    from shimfit.tui.desk import Desk
    from shimfit.wire.inclinometer import Snapshot, Taken
    from shimfit.workflow.site import Site

    Values = NDArray[np.float64]

LOOKS_PER_SECOND = 20
HOLD_S = 12.0
"""Longest that plain mode waits for the post to stand still; a hold takes 2 to 5 s on a still post."""
LOST_S = 2.0
"""Trouble that lasts so long is told; a link that is only just being opened is given the time."""
READY = "it stands still: Space logs it, or type"


class Sensor(Protocol):
    """The part of wire.inclinometer.Inclinometer that is used here."""

    def start(self) -> None:
        """Begin to listen; returns at once."""

    def stop(self) -> None:
        """Let go of the port; waits a second at most."""

    def snapshot(self) -> Snapshot:
        """The newest values and state; never waits for the port."""

    def history(self, seconds: float) -> tuple[Values, Values, Values]:
        """Times (s), x and y (degrees, in the sensor's own directions) over the last seconds."""

    def again(self) -> None:
        """Forget the reading that was taken and hold anew."""


@dataclass(frozen=True, slots=True)
class Live:
    """One look at the inclinometer."""

    lean: Lean | None
    """None while there is nothing fresh and good: an old value never looks live."""
    word: str
    """State in words."""
    trouble: str
    """What stands on the banner; empty when all is well."""
    taken: Taken | None = None
    """A reading that is ready to be logged."""

    def reading(self, height_mm: float) -> Reading | None:
        """The reading that was taken, to be told at a height; None while there is none."""
        taken = self.taken
        if taken is None:
            return None
        return Reading(
            text=taken.text,
            slope_along=taken.lean.slope_along,
            slope_across=taken.lean.slope_across,
            height_mm=height_mm,
            method="sensor",
            u_along=taken.u_along,
            u_across=taken.u_across,
            largest_term=taken.largest_term,
        )


def look(sensor: Sensor) -> Live:
    """Take one look."""
    seen = sensor.snapshot()
    if seen.banner is None:
        return Live(seen.lean, READY if seen.taken else seen.words, "", seen.taken)
    # What he must know first: a narrow screen cuts the rest.
    age = f"last value {seen.age_s:.0f} s ago; typing" if seen.age_s is not None else "typing"
    return Live(None, seen.words, f"SENSOR: {age} goes on; {seen.banner}", None)


def sensor_of(site: Site) -> Sensor | None:
    """The inclinometer that is set up, not started; None when none is."""
    if not site.settings.sensor:
        return None
    from shimfit.workflow.sensor import inclinometer_of

    return inclinometer_of(site)


def take(desk: Desk, sensor: Sensor) -> Outcome:
    """Log the reading that the inclinometer holds, and hold anew; refused while there is none, and why."""
    record = desk.record
    if record is None:
        return Outcome("no run is open", done=False, bell="refused")
    live = look(sensor)
    reading = live.reading(record.height_mm)
    if reading is None:
        return Outcome(live.trouble or f"not yet: {live.word}", done=False, bell="refused")
    outcome = desk.take(reading)
    sensor.again()
    return outcome


def lasting_trouble(sensor: Sensor) -> str:
    """What is wrong with the link, when it does not come right by itself within LOST_S; else empty."""
    end_s = time.monotonic() + LOST_S
    while (trouble := look(sensor).trouble) and time.monotonic() < end_s:
        time.sleep(1 / LOOKS_PER_SECOND)
    return trouble


def hold(sensor: Sensor) -> Live:
    """Wait for the post to stand still: the look that holds a reading, or the last one if none came."""
    start_s = good_s = time.monotonic()
    while True:
        live, now_s = look(sensor), time.monotonic()
        if not live.trouble:
            good_s = now_s
        if live.taken is not None or now_s - start_s >= HOLD_S or now_s - good_s >= LOST_S:
            return live
        time.sleep(1 / LOOKS_PER_SECOND)
