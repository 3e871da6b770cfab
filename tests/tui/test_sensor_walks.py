"""Walks with the sensor at the post: two tips of the top, two faces, and what is refused on the way."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from shimfit.core.sensing.mounting import AxisMap, parse_axis_map
from shimfit.core.sensing.watch import SensorErrors, WatchState, hold
from shimfit.model import Lean
from shimfit.tui import sensing
from shimfit.tui.widgets import Rows
from shimfit.wire import link as links
from shimfit.wire.stream import Snapshot, taken_of
from shimfit.workflow.sensor import options_of, record_of


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
async def test_two_tips_teach_it_and_what_is_unclear_is_asked_again(at_screen, columns, rows) -> None:
    sensor = Mounted()
    hand = await at_screen(columns, rows, sensor=sensor)
    hand.do("axes")
    await hand.sees("TEACH THE SENSOR", "1 Leave the post alone")
    if rows == 20:
        assert "Esc: all as it was" in hand.screen(), "the headline is whole at 40 columns"
    sensor.samples, sensor.words = 2, "no data"
    await hand.press("enter", sees=("too few samples", "no data"))
    sensor.samples = 50
    await hand.press("enter", sees="2 Tip the top straight towards OUT")
    await hand.press("space", sees="hardly moved")
    sensor.x_deg, sensor.y_deg = 2.3, 1.5
    await hand.press("enter", sees="Both axes moved")
    sensor.x_deg, sensor.y_deg = 0.35, -2.2  # towards out: y went down
    await hand.press("enter", sees="3 Tip the top straight towards NEXT")
    assert "Both axes moved" not in hand.screen()
    await hand.press("enter", sees="Both tips moved y")
    sensor.x_deg, sensor.y_deg = 2.3, -0.15
    await hand.press("enter", sees=("Is this how it sits", "+→ x"))
    assert hand.session.settings.sensor_axes == "x=next y=out", "nothing is kept before it is said"
    await hand.press("enter", sees="the sensor points x=next y=house")
    kept = parse_axis_map(hand.session.settings.sensor_axes)
    # By hand: tipped out by 2 degrees the sensor's own y fell by 2, so its y leans towards house.
    assert kept.to_post(0.0, -0.035).slope_across == pytest.approx(0.035)
    assert kept.to_post(0.035, 0.0).slope_along == pytest.approx(0.035)


async def test_leaving_keeps_the_axes_as_they_were(at_screen) -> None:
    hand = await at_screen(80, 24, sensor=Mounted())
    hand.do("axes")
    logged = hand.session.site.journal.head
    await hand.press("enter", sees="2 Tip the top")
    await hand.press("escape", sees=("Post", "›"))
    assert hand.session.settings.sensor_axes == "x=next y=out"
    assert hand.session.site.journal.head == logged


async def test_without_a_sensor_it_says_where_one_is_set_up(at_screen) -> None:
    hand = await at_screen(60, 20)
    hand.do("axes")
    await hand.sees("no inclinometer is set up: F5, sensor")


class Held(Mounted):
    """A sensor with a zero that holds still whenever it is looked at; `face` is +1 or -1."""

    def __init__(self) -> None:
        super().__init__()
        self.face, self.lean, self.zero = 1.0, (0.2, -0.1), (1.0, -0.4)
        self.steady = True

    def snapshot(self) -> Snapshot:
        moving = Snapshot(WatchState.MOVING, "moving: x shifts", lean=Lean(0.01, 0.0), age_s=0.0)
        if not self.steady:
            return moving
        times = np.linspace(0.0, 4.0, 200)
        scatter = 0.002 * np.resize([1.0, -1.0], 200)
        x, y = (self.face * lean + zero for lean, zero in zip(self.lean, self.zero, strict=True))
        held = hold(times, x + scatter, y - scatter, SensorErrors(zero_u_deg=0.5, zero_found=False), 0.01)
        return replace(
            moving,
            state=WatchState.TAKEN,
            taken=taken_of(held, AxisMap()),
            zero_words="zero not found: turn it end for end",
            zero_found=False,
        )


@pytest.mark.parametrize(("columns", "rows"), [(40, 20), (80, 24)])
async def test_the_zero_walk_tells_a_turn_that_was_none_and_keeps_the_zero(at_screen, columns, rows) -> None:
    sensor = Held()
    hand = await at_screen(columns, rows, sensor=sensor)
    await hand.sees("zero not found", "turn it end for end")
    hand.do("zero")
    await hand.sees("FIND THE SENSOR'S ZERO", "1 Sensor on one face", "it stands still: Space")
    sensor.steady = False
    await hand.press("space", sees="Not yet: moving")
    sensor.steady = True
    await hand.sees("it stands still: Space")
    await hand.press("space", sees="2 Turn it end for end")
    await hand.press("space")  # not turned
    await hand.sees("both readings are the same")
    await hand.press("space", sees="2 Turn it end for end")
    sensor.face = -1.0
    await hand.press("space", sees=("zero x +1.00 y -0.40", "3.5 mm → next", "3 Enter keeps"))
    assert options_of(hand.session.site).zero is None, "nothing is kept before it is said"
    hand.app.listening.anew = lambda: None  # the settings name no port here
    await hand.press("space", sees="the zero is kept")
    zero = options_of(hand.session.site).zero
    assert (zero.x_deg, zero.y_deg) == pytest.approx((1.0, -0.4), abs=1e-3)
    assert zero.u_deg < 0.02
    hand.do("dropped")
    await hand.sees("turn it end for end")
    assert options_of(hand.session.site).zero is None


async def test_while_the_zero_is_unknown_nothing_is_called_plumb_and_no_packs_are_advised(
    app_on, at_screen
) -> None:
    sensor = Held()
    sensor.lean, sensor.zero = (0.985, 0.0), (-0.985, 0.0)  # 17.2 mm in 1 m, glued as much the other way
    rung: list[None] = []

    app = app_on(sensor=sensor)
    app.bell = lambda: rung.append(None)
    hand = await at_screen(40, 20, app=app)
    await hand.sees("zero not found", "turn it end for end")
    assert "leave it so" not in hand.screen()
    assert app.page.snapshot.advice is None
    await hand.press("space", sees="logged")
    reading = app.session.record.readings[-1]
    assert not reading.zero_found
    assert reading.u_along >= 0.008
    assert len(rung) == 1, "logged; not plumb"
    assert "stands plumb" not in hand.screen()
    assert "TOP zero" not in hand.screen()
    # Five times the limit, and by its own uncertainty not out: no word of a close call.
    hand.do("next_post")
    sensor.zero = (-0.32, 0.0)
    await hand.press("space", sees="shows 11.6 mm off, zero")
    assert "Too close to call" not in hand.screen()
    await hand.sees("Read again, sensor turned end for end")
    assert hand.screen().count("zero not found") == 2, "in its row and under the target"
    await hand.enter("6n9o", sees="▲ pack")  # nothing to hold it against


@pytest.mark.parametrize("size", [(40, 20), (80, 24)])
async def test_ports_stand_in_setup_and_what_is_chosen_is_listened_to_at_once(
    app_on, at_screen, monkeypatch, size
) -> None:
    found = (links.Port("/dev/ttyUSB0", "USB serial adapter"), links.Port("/dev/ttyS0", "built-in port"))
    monkeypatch.setattr(links, "ports", lambda: found)
    listened: list[str] = []

    app = app_on(sensor=Mounted())

    def sensor_of(site):
        listened.append(site.settings.sensor)
        return Mounted()

    def mark(name: str) -> None:
        rows = [entry.row for entry in app.page.entries()]
        app.page.query_one("#list", Rows).mark(next(at for at, row in enumerate(rows) if name in row))

    monkeypatch.setattr(sensing, "sensor_of", sensor_of)
    hand = await at_screen(*size, app=app)
    app.do("go_setup")
    await hand.sees("new run")
    mark("/dev/ttyUSB0")
    await hand.sees("/dev/ttyUSB0", "listens to the inclinometer there")
    assert "/dev/ttyS0" not in hand.screen(), "a built-in port mostly leads nowhere"
    await hand.press("enter", sees="sensor: /dev/ttyUSB0")
    assert app.session.settings.sensor == "/dev/ttyUSB0"
    assert listened == ["/dev/ttyUSB0"]
    mark("sensor zero")
    await hand.sees("find it")
    await hand.sees("sensor zero   not found")
    await hand.press("enter", sees="FIND THE SENSOR'S ZERO")


@pytest.mark.parametrize("size", [(40, 20), (80, 24)])
async def test_a_still_record_tells_noise_and_drift_and_is_kept(at_screen, size) -> None:
    """Scatter of 0.01 degrees that changes its sign from sample to sample has no memory beyond one."""
    sensor = Mounted()
    hand = await at_screen(*size, sensor=sensor)
    hand.do("noise")
    await hand.sees("MEASURE NOISE AND DRIFT", "1 Fix it to something that stands")
    await hand.press("enter", sees=("2 Leave it", "of 110 s"))
    await hand.press("enter", sees=("A still record of 50", "64 are the least"))
    sensor.samples = 400
    await hand.press("enter", sees=("3 Enter keeps it", "x: 400 samples", "scatter by 0.0148°"))
    assert record_of(hand.session.site) is None, "nothing is kept before it is said"
    hand.app.listening.anew = lambda: None
    await hand.press("enter", sees="its noise is kept")
    kept = record_of(hand.session.site)
    assert kept.floor_deg == pytest.approx(0.0, abs=1e-9), "two neighbours have the same mean each time"
    assert 0.0 < kept.memory_s < 0.1
    hand.do("noise")
    await hand.press("enter")
    await hand.press("escape", sees="›")
    assert record_of(hand.session.site) == kept


class Unknown(Mounted):
    """A device that nobody has described."""

    seen = Snapshot(WatchState.LISTENING, "finding the format", bytes_per_s=900.0)

    def __init__(self) -> None:
        super().__init__()
        self.calls: list[str] = []

    def start(self) -> None:
        self.calls.append("start")

    def stop(self) -> None:
        self.calls.append("stop")

    def snapshot(self) -> Snapshot:
        return self.seen


DESCRIBED = "format = 'text'\ncolumns = ['x:deg', 'y:deg']\n# comes to: x +0.3, y -0.2 degrees\n"


@pytest.mark.parametrize("size", [(40, 20), (80, 24)])
async def test_what_an_unknown_device_sends_is_shown_and_its_description_kept(
    at_screen, size, monkeypatch
) -> None:
    live, unknown = Unknown(), Unknown()
    monkeypatch.setattr("shimfit.workflow.sensor.undescribed", lambda _site: unknown)
    monkeypatch.setattr(sensing, "sensor_of", lambda _site: live)
    hand = await at_screen(*size, sensor=live)
    hand.do("sends")
    await hand.sees("no inclinometer is set up")
    hand.session.site.set("sensor", "/dev/ttyUSB0")
    hand.do("sends")
    await hand.sees("WHAT THE SENSOR SENDS", "1 Listening", "900 bytes a second")
    assert (live.calls, unknown.calls) == (["start", "stop"], ["start"]), "one listener at a time"
    await hand.press("enter", sees="Nothing to keep")
    unknown.seen = Snapshot(WatchState.LISTENING, "text", format="xdr", baud=9600, good_per_s=20.0)
    await hand.sees("xdr sentences at 9600 baud, 20 a second")
    unknown.seen = Snapshot(WatchState.LISTENING, "text", description_wanted=DESCRIBED, baud=9600)
    await hand.sees("2 Do x and y below say how it leans?", "comes to: x +0.3, y -0.2 degrees")
    await hand.press("enter", sees="listened to by sensor.toml")
    assert (live.calls, unknown.calls) == (["start", "stop", "start"], ["start", "stop"])
    options = options_of(hand.session.site)
    assert options.description.units == {"x": "deg", "y": "deg"}
    assert options.description.baud == 9600


async def test_the_port_is_lent_to_a_command_that_listens_itself(at_screen, monkeypatch) -> None:
    live = Unknown()
    monkeypatch.setattr(sensing, "sensor_of", lambda _site: live)
    hand = await at_screen(80, 24, sensor=live)
    hand.app.lend_sensor()
    assert live.calls == ["start", "stop"]
    await hand.press("space", sees="no inclinometer is set up")
    hand.app.command_ran(hand.session.settings)
    assert live.calls == ["start", "stop", "start"]
    hand.app.command_ran(hand.session.settings)
    assert live.calls == ["start", "stop", "start"], "taken back once"
