"""The inclinometer on the screen: looked at by the clock, taken with a key, never a call per sample."""

from __future__ import annotations

import math
import time
from typing import TYPE_CHECKING, Any, Protocol

from shimfit.errors import ShimfitError
from shimfit.tui.session import Outcome
from shimfit.values import dataclass

if TYPE_CHECKING:
    from collections.abc import Callable

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
    """State in words."""
    fault: str
    """What stands on the banner; empty when all is well."""
    taken: Taken | None = None
    """A reading that is ready to be logged."""
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
        return Outcome("no run is open", done=False, bell="refused")
    live = look(sensor)
    if live.taken is None:
        return Outcome(live.fault or f"not yet: {live.word}", done=False, bell="refused")
    from shimfit.workflow.sensor import reading_of

    outcome = session.take(reading_of(live.taken, record.height_mm))
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


class Home(Protocol):
    """The page that shows what comes in."""

    def show_live(self, live: Live) -> None:
        """Draw what the inclinometer shows."""

    def no_sensor(self) -> None:
        """Nothing is listened to any more."""


class Host(Protocol):
    """The part of the program that listening needs."""

    session: Session

    @property
    def home(self) -> Home:
        """The page that shows what comes in."""

    @property
    def page(self) -> object:
        """The page in front."""

    def tell(self, outcome: Outcome) -> None:
        """Say what came of a move."""

    def set_interval(self, interval: float, callback: Callable[[], None]) -> object:
        """Call again and again."""

    def push_screen(self, screen: Any) -> object:
        """Show a screen in front of the page."""


class Listening:
    """Holds the inclinometer, or none, from the program's start to its end."""

    def __init__(self, app: Host, sensor: Inclinometer | None) -> None:
        self._app = app
        self._sensor = sensor
        self._looks = False
        self._lent = False
        """Somebody else listens to the port just now."""

    def start(self) -> None:
        """Listen, and look at what came in at the screen's pace."""
        if self._sensor is None:
            return
        self._sensor.start()
        if not self._looks:
            self._looks = True
            self._app.set_interval(1 / LOOKS_PER_SECOND, self._look)

    def stop(self) -> None:
        """Stop listening, before the terminal is given back."""
        if self._sensor is not None:
            self._sensor.stop()

    def anew(self) -> None:
        """Listen as settings and log say now. Raises ShimfitError, and listens as before."""
        sensor = sensor_of(self._app.session.site)
        self.stop()
        self._sensor, self._lent = sensor, False
        if sensor is None:
            self._app.home.no_sensor()
        self.start()

    def lend(self) -> None:
        """Let go of the port: another listener on it would steal bytes from this one, and the reverse."""
        self.stop()
        self._lent = self._lent or self._sensor is not None
        self._sensor = None

    def take_back(self) -> None:
        """Listen again once the port was lent, and given back. Raises ShimfitError as `anew`."""
        if self._lent:
            self.anew()

    def _look(self) -> None:
        page = self._app.home
        if self._sensor is None:
            return
        if self._sensor.snapshot().fell and not self._app.session.site.read_only:
            self.forget_zero("the sensor fell: its zero counts no more; turn it end for end")
        if self._app.page is page:
            page.show_live(look(self._sensor))

    def take(self) -> Outcome:
        """Log the reading that it holds; refused, with the reason, while there is none."""
        return self._none() if self._sensor is None else take(self._app.session, self._sensor)

    def _none(self) -> Outcome:
        words = self._app.session.keys.spell("no inclinometer is set up: F5, sensor")
        return Outcome(words, done=False, bell="refused")

    def walk(self, name: str) -> None:
        """Begin one of WALKS; what it keeps is listened by at once."""
        site, session = self._app.session.site, self._app.session
        if self._sensor is None or (name == "sends" and not site.settings.sensor):
            self._app.tell(self._none())
            return
        from shimfit.tui.screens.sensor import AxesWalk, DescribeWalk, StillWalk, ZeroWalk
        from shimfit.workflow.sensor import undescribed

        if name == "sends":
            self.lend()
            self._app.push_screen(DescribeWalk(session, undescribed(site), self.after, self._given_back))
            return
        walks = {"axes": AxesWalk, "zero": ZeroWalk, "noise": StillWalk}
        self._app.push_screen(walks[name](session, self._sensor, self.after))

    def _given_back(self) -> None:
        try:
            self.take_back()
        except ShimfitError as error:
            self._app.tell(Outcome(error.message, done=False, bell="refused"))

    def forget_zero(self, words: str = "its zero counts no more: turn it end for end") -> None:
        """It was dropped: the zero that was found is not believed any more."""
        from shimfit.workflow.sensor import forget_zero

        forget_zero(self._app.session.site)
        self.after(words)

    def after(self, words: str) -> None:
        """What is kept of the sensor has changed: listen anew with it, and say so."""
        session = self._app.session
        try:
            if session.settings.sensor and self._sensor is not None:
                self.anew()
        except ShimfitError as error:
            self._app.tell(Outcome(error.message, done=False, bell="refused"))
            return
        session.refresh()
        self._app.tell(Outcome(words))
