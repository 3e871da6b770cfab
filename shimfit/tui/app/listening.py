"""The inclinometer of the program: looked at by the clock, taken with a key, taught its directions."""

from __future__ import annotations

from typing import TYPE_CHECKING

from shimfit.tui.desk import Outcome
from shimfit.tui.sensing import LOOKS_PER_SECOND, look, take

if TYPE_CHECKING:
    from shimfit.tui.app.program import ShimfitApp
    from shimfit.tui.sensing import Sensor


class Listening:
    """Holds the inclinometer, or none, from the program's start to its end."""

    def __init__(self, app: ShimfitApp, sensor: Sensor | None) -> None:
        self._app = app
        self._sensor = sensor

    def start(self) -> None:
        """Listen, and look at what was heard at the screen's pace."""
        if self._sensor is not None:
            self._sensor.start()
            self._app.set_interval(1 / LOOKS_PER_SECOND, self._look)

    def stop(self) -> None:
        """Stop listening, before the terminal is given back."""
        if self._sensor is not None:
            self._sensor.stop()

    def _look(self) -> None:
        page = self._app.pages.home
        if self._sensor is not None and self._app.page is page:
            page.show_live(look(self._sensor))

    def take(self) -> Outcome:
        """Log the reading that it holds; refused, with the reason, while there is none."""
        return self._none() if self._sensor is None else take(self._app.desk, self._sensor)

    def _none(self) -> Outcome:
        words = self._app.desk.keys.spell("no inclinometer is set up: F5, sensor")
        return Outcome(words, done=False, bell="refused")

    def teach(self) -> None:
        """Ask for two tips of the top, which tell the sensor's directions."""
        if self._sensor is None:
            self._app.tell(self._none())
            return
        from shimfit.tui.screens.axes import AxesScreen

        self._app.push_screen(AxesScreen(self._app.desk, self._sensor, self._taught))

    def _taught(self, text: str) -> None:
        """Keep the axes that were taught; the inclinometer is listened to anew with them."""
        desk = self._app.desk
        desk.site.set("sensor_axes", text)
        if desk.settings.sensor and self._sensor is not None:
            from shimfit.workflow.sensor import inclinometer_of

            self._sensor.stop()
            self._sensor = inclinometer_of(desk.site)
            if self._sensor is not None:
                self._sensor.start()
        self._app.tell(Outcome(f"the sensor points {text}"))
