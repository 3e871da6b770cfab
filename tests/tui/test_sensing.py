"""The inclinometer on the screen: target, Space, and a loss that is a banner and no more."""

from __future__ import annotations

from dataclasses import replace

import pytest

from shimfit.core.steady import WatchState
from shimfit.model import Lean, PostState
from shimfit.wire.inclinometer import Snapshot, Taken

MOVING = Snapshot(WatchState.MOVING, "moving", lean=Lean(0.006, -0.002), age_s=0.0)
LOST = Snapshot(WatchState.STALE, "no data", age_s=5.0, banner="the link is gone")


class Scripted:
    """Shows what the test says; a stand-in for the link only, the snapshots are the real ones."""

    def __init__(self, snapshot: Snapshot) -> None:
        self.seen = snapshot
        self.calls: list[str] = []

    def start(self) -> None:
        self.calls.append("start")

    def stop(self) -> None:
        self.calls.append("stop")

    def again(self) -> None:
        self.calls.append("again")

    def snapshot(self) -> Snapshot:
        return self.seen


def taken(lean: Lean) -> Snapshot:
    reading = Taken(lean, 0.0001, 0.0001, "scatter", "held 4 s", held=None)
    return replace(MOVING, state=WatchState.TAKEN, lean=lean, taken=reading)


@pytest.mark.parametrize(("columns", "rows"), [(40, 20), (80, 24)])
def test_the_target_follows_and_space_logs(app_on, running, wait_for, columns, rows) -> None:
    sensor = Scripted(MOVING)

    async def job() -> None:
        app = app_on(sensor=sensor)
        async with running(app, columns, rows) as hand:
            await hand.sees("6.3 mm off, allowed 2.0 mm", "NEXT 0.5 HOUSE 0.2 mm", "moving", "●")
            await hand.press("space")
            await hand.sees("not yet: moving")
            assert app.desk.record.readings == ()
            sensor.seen = taken(Lean(0.005, -0.001))
            await hand.press("up")
            await hand.pilot.pause(0.2)
            await hand.press("space")
            await hand.sees("logged: pack")
            reading = app.desk.record.readings[-1]
            assert reading.method == "sensor"
            assert reading.lean == Lean(0.005, -0.001)
            assert app.desk.record.state is PostState.PACK
        assert sensor.calls == ["start", "again", "stop"]

    wait_for(job())


def test_a_loss_is_a_banner_and_typing_goes_on(app_on, running, wait_for) -> None:
    sensor = Scripted(MOVING)

    async def job() -> None:
        app = app_on(sensor=sensor)
        async with running(app, 80, 24) as hand:
            await hand.sees("●")
            sensor.seen = LOST
            await hand.sees("SENSOR: the link is gone, last value 5 s ago. Typing goes on.")
            assert "●" not in hand.screen(), "an old value never looks live"
            await hand.press("space")
            await hand.sees("✗ SENSOR: the link is gone")
            await hand.enter("9n5o")
            await hand.sees("▲ pack")
            sensor.seen = MOVING
            await hand.sees("●")
            assert "SENSOR" not in hand.screen()

    wait_for(job())


def test_plumb_for_the_hold_rings_twice(app_on, running, wait_for) -> None:
    sensor = Scripted(MOVING)
    rung: list[None] = []

    async def job() -> None:
        app = app_on(sensor=sensor)
        app.bell = lambda: rung.append(None)
        async with running(app, 40, 20) as hand:
            await hand.sees("●")
            sensor.seen = taken(Lean(0.0005, 0.0))
            await hand.sees("Space logs it")
            assert len(rung) == 2
            await hand.pilot.pause(0.2)
            assert len(rung) == 2, "once, not at every look"

    wait_for(job())
