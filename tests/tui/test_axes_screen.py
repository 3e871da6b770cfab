"""Teaching the sensor's directions at the post: two tips of the top, and what is refused on the way."""

from __future__ import annotations

import numpy as np
import pytest

from shimfit.core.sensing.mounting import parse_axis_map
from shimfit.core.sensing.watch import WatchState
from shimfit.wire.inclinometer import Snapshot


class Mounted:
    """A sensor that is mounted somehow: says x and y of its own, in degrees."""

    def __init__(self) -> None:
        self.x_deg, self.y_deg = 0.3, -0.2
        self.samples = 50
        self.words = "moving"

    def start(self) -> None: ...

    def stop(self) -> None: ...

    def again(self) -> None: ...

    def snapshot(self) -> Snapshot:
        return Snapshot(WatchState.MOVING, self.words, age_s=0.0)

    def history(self, seconds: float):
        count = self.samples
        scatter = 0.01 * np.resize([1.0, -1.0], count)
        return np.linspace(0.0, seconds, count), self.x_deg + scatter, self.y_deg - scatter


@pytest.mark.parametrize(("columns", "rows"), [(40, 20), (40, 10)])
def test_two_tips_teach_it_and_what_is_unclear_is_asked_again(
    app_on, running, wait_for, columns, rows
) -> None:
    sensor = Mounted()

    async def story() -> None:
        app = app_on(sensor=sensor)
        async with running(app, columns, rows) as hand:
            app.do("axes")
            await hand.sees("TEACH THE SENSOR", "1 Leave the post alone")
            if rows == 20:
                assert "Esc: all as it was" in hand.screen(), "the headline is whole at 40 columns"
            sensor.samples, sensor.words = 2, "no data"
            await hand.press("enter")
            await hand.sees("Too few samples", "no data")
            sensor.samples = 50
            await hand.press("enter")
            await hand.sees("2 Tip the top straight towards OUT")
            await hand.press("space")
            await hand.sees("hardly moved")
            sensor.x_deg, sensor.y_deg = 2.3, 1.5
            await hand.press("enter")
            await hand.sees("Both axes moved")
            sensor.x_deg, sensor.y_deg = 0.35, -2.2  # towards out: y went down
            await hand.press("enter")
            await hand.sees("3 Tip the top straight towards NEXT")
            assert "Both axes moved" not in hand.screen()
            await hand.press("enter")
            await hand.sees("Both tips moved y")
            sensor.x_deg, sensor.y_deg = 2.3, -0.15
            await hand.press("enter")
            await hand.sees("Is this how it sits", "+→ x")
            assert app.desk.settings.sensor_axes == "x=next y=out", "nothing is kept before it is said"
            await hand.press("enter")
            await hand.sees("the sensor points x=next y=house")
            kept = parse_axis_map(app.desk.settings.sensor_axes)
            # By hand: tipped out by 2 degrees the sensor's own y fell by 2, so its y leans towards house.
            assert kept.to_post(0.0, -0.035).slope_across == pytest.approx(0.035)
            assert kept.to_post(0.035, 0.0).slope_along == pytest.approx(0.035)

    wait_for(story())


def test_leaving_keeps_the_axes_as_they_were(app_on, running, wait_for) -> None:
    async def story() -> None:
        app = app_on(sensor=Mounted())
        async with running(app, 80, 24) as hand:
            app.do("axes")
            logged = app.desk.site.log()
            await hand.press("enter")
            await hand.sees("2 Tip the top")
            await hand.press("escape")
            await hand.sees("Post", "›")
            assert app.desk.settings.sensor_axes == "x=next y=out"
            assert app.desk.site.log() == logged

    wait_for(story())


def test_without_a_sensor_it_says_where_one_is_set_up(app_on, running, wait_for) -> None:
    async def story() -> None:
        app = app_on()
        async with running(app, 60, 20) as hand:
            app.do("axes")
            await hand.sees("no inclinometer is set up: F5, sensor")

    wait_for(story())
