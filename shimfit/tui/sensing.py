"""The inclinometer on the screen: looked at by the clock, taken with a key, never a call per sample."""

from __future__ import annotations

import math
import time
from typing import TYPE_CHECKING

from shimfit.tui.session import NO_RUN, Outcome, refused
from shimfit.values import dataclass

if TYPE_CHECKING:
    from shimfit.model import Lean
    from shimfit.tui.session import Session
    from shimfit.wire.inclinometer import Inclinometer
    from shimfit.wire.stream import Snapshot, Taken
    from shimfit.workflow.site import Site


LOOKS_PER_SECOND = 20
HOLD_S = 20.0
"""Longest that plain mode waits: 4 s on a still post, 15 where the sensor remembers."""
LOST_S = 2.0
"""Trouble that lasts so long is reported; a link that is only just being opened is given the time."""
NOT_YET = "not yet: "
READY = "it stands still: Space logs it, or type"
KNOCKED = "a knock, the level stayed: Space logs it"
WALKS = ("axes", "zero", "noise", "sends")
"""Actions that are a walk with the sensor, a few steps each."""
SETTINGS = ("sensor", "sensor_format", "sensor_baud", "sensor_axes", "instrument")
"""Settings that the inclinometer is listened to anew for."""


@dataclass(frozen=True, slots=True)
class Live:
    """One look at the inclinometer."""

    lean: Lean | None
    """None while there is nothing fresh and good: an old value never looks live."""
    word: str
    fault: str
    """What stands on the banner; empty when all is well."""
    taken: Taken | None = None
    zero_found: bool = True
    """False: nobody has found the sensor's zero; what it shows is shown, and nothing follows from it."""

    @property
    def believed(self) -> Lean | None:
        """The lean that packs and words may follow from; None while the sensor's zero is not known."""
        return self.lean if self.zero_found else None


def look(sensor: Inclinometer) -> Live:
    """Take one look."""
    seen = sensor.snapshot()
    if seen.banner is None:
        word = (KNOCKED if seen.knocked else READY) if seen.taken else seen.words
        if seen.zero_words is not None and (seen.taken is not None or not seen.zero_found):
            word = seen.zero_words
        return Live(seen.lean, word, "", seen.taken, seen.zero_found)
    # What must be known first: a narrow screen cuts the rest.
    age = f"last value {seen.age_s:.0f} s ago; typing" if seen.age_s is not None else "typing"
    return Live(None, seen.words, f"SENSOR: {age} goes on; {seen.banner}", None, seen.zero_found)


def sensor_of(site: Site) -> Inclinometer | None:
    """The inclinometer that is set up, not started; None when none is."""
    if not site.settings.sensor:
        return None
    from shimfit.workflow.sensor import inclinometer_of

    return inclinometer_of(site)


def take(session: Session, sensor: Inclinometer) -> Outcome:
    """Log the reading that the inclinometer holds, and hold anew; refused while there is none, and why."""
    record = session.record
    if record is None:
        return NO_RUN
    live = look(sensor)
    if live.taken is None:
        return refused(live.fault or f"{NOT_YET}{live.word}")
    from shimfit.workflow.sensor import reading_of

    outcome = session.take(reading_of(live.taken, record.height_mm))
    if not outcome.asks:  # else the next key logs what is held
        sensor.again()
    return outcome


def lasting_fault(sensor: Inclinometer) -> str:
    """What is wrong with the link, when it does not come right by itself within LOST_S; else empty."""
    from shimfit.workflow.sensor import watch

    watch(sensor, lambda seen: seen.banner is None, seconds=LOST_S)
    return look(sensor).fault


def hold(sensor: Inclinometer) -> Live:
    """Wait for the post to stand still: the look that holds a reading, or the last one if none came."""
    from shimfit.workflow.sensor import watch

    lost_s = math.inf

    def is_over(seen: Snapshot) -> bool:
        nonlocal lost_s
        now_s = time.monotonic()
        lost_s = math.inf if seen.banner is None else min(lost_s, now_s + LOST_S)
        return seen.taken is not None or now_s >= lost_s

    watch(sensor, is_over, seconds=HOLD_S)
    return look(sensor)


class Listening:
    """Holds the inclinometer, or none, from the program's start to its end."""

    def __init__(self, site: Site, sensor: Inclinometer | None) -> None:
        self._site = site
        self.sensor = sensor
        self.is_lent = False
        """Somebody else listens to the port just now."""

    def start(self) -> None:
        """Listen."""
        if self.sensor is not None:
            self.sensor.start()

    def stop(self) -> None:
        """Stop listening, before the terminal is given back."""
        if self.sensor is not None:
            self.sensor.stop()

    def anew(self) -> None:
        """Listen as settings and log say now. Raises ShimfitError, and listens as before."""
        sensor = sensor_of(self._site)
        self.stop()
        self.sensor, self.is_lent = sensor, False
        self.start()

    def lend(self) -> None:
        """Let go of the port: another listener on it would steal bytes from this one, and the reverse.

        `anew` takes it back.
        """
        self.stop()
        self.is_lent = self.is_lent or self.sensor is not None
        self.sensor = None
