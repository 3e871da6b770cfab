"""The inclinometer on the screen: target, Space, and a loss that is a banner and no more."""

from __future__ import annotations

from dataclasses import replace

import pytest

from shimfit.core.sensing.watch import WatchState
from shimfit.core.takeup import TakeUp
from shimfit.model import Lean, PostState
from shimfit.tui.session import Outcome
from shimfit.wire.stream import Snapshot, Taken

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
async def test_the_target_follows_and_space_logs(at_screen, columns, rows) -> None:
    sensor = Scripted(MOVING)
    hand = await at_screen(columns, rows, sensor=sensor)
    await hand.sees("6.3 mm off, allowed 2.0 mm", "NEXT 0.5 HOUSE 0.2 mm", "moving", "●")
    await hand.press("space", sees="not yet: moving")
    assert hand.record.readings == ()
    sensor.seen = taken(Lean(0.005, -0.001))
    await hand.press("up")
    await hand.pilot.pause(0.2)
    await hand.press("space", sees="logged: 5.1 of 2.0 mm")
    reading = hand.record.readings[-1]
    assert reading.method == "sensor"
    assert reading.lean == Lean(0.005, -0.001)
    assert hand.record.state is PostState.PACK
    await hand.sees("1 of 2", "NEXT 0.5")
    assert "more" not in hand.row("target"), "nothing is in yet that could be pushed"
    await hand.press("space", sees="? as before the packs. Not in yet: Space")
    assert len(hand.record.readings) == 1, "a second Space was no reading after packing"
    await hand.press("space", sees="mean of")
    assert len(hand.record.readings) == 2
    assert hand.record.state is PostState.PACK
    await hand.leave()
    assert sensor.calls == ["start", "again", "again", "stop"]


async def test_a_loss_is_a_banner_and_typing_goes_on(at_screen) -> None:
    sensor = Scripted(MOVING)
    hand = await at_screen(80, 24, sensor=sensor)
    await hand.sees("●")
    sensor.seen = LOST
    await hand.sees("SENSOR: last value 5 s ago; typing goes on; the link is gone")
    assert "●" not in hand.screen(), "an old value never looks live"
    await hand.press("space", sees="✗ SENSOR: last value 5 s ago")
    await hand.enter("9n5o", sees="▲ pack")
    sensor.seen = MOVING
    await hand.sees("●")
    assert "SENSOR" not in hand.screen()


async def test_plumb_for_the_hold_rings_twice(app_on, at_screen) -> None:
    sensor = Scripted(MOVING)
    rung: list[None] = []

    app = app_on(sensor=sensor)
    app.bell = lambda: rung.append(None)
    hand = await at_screen(40, 20, app=app)
    await hand.sees("●")
    sensor.seen = taken(Lean(0.0005, 0.0))
    await hand.sees("Space logs it")
    await hand.pilot.pause(0.5)
    assert len(rung) == 2
    await hand.pilot.pause(0.2)
    assert len(rung) == 2, "once, not at every look"


def streaming(along: float, across: float) -> Snapshot:
    return replace(MOVING, lean=Lean(along, across))


@pytest.mark.parametrize(("columns", "rows"), [(40, 20), (80, 24)])
async def test_a_bare_post_is_answered_live_and_nothing_is_logged(at_screen, columns, rows) -> None:
    """The live packs are those that the same lean, read and logged, is answered with in kind: same edges."""
    sensor = Scripted(streaming(0.009, 0.005))
    hand = await at_screen(columns, rows, sensor=sensor)
    await hand.sees("TOP leans 9 mm → next, 5 mm ↑ out", "NEXT-OUT corner", "1 ↗")
    assert hand.record.readings == ()
    assert hand.record.prescription is None
    high = hand.page.query_one("#answer").styles.height.value
    sensor.seen = streaming(0.0002, 0.0)
    await hand.sees("0.2 mm off, allowed 2.0 mm")
    await hand.pilot.pause(0.3)
    assert "NEXT-OUT" not in hand.row("answer")
    assert hand.page.query_one("#answer").styles.height.value == high, "rows do not jump"
    sensor.seen = streaming(-0.009, 0.0)
    await hand.sees("← prev", "PREV")


@pytest.mark.parametrize(("columns", "rows"), [(40, 20), (80, 24)])
async def test_with_packs_in_the_push_that_is_left_is_told(at_screen, columns, rows) -> None:
    """By hand: 2.5 mm at 1000 mm is 0.225 mm across a 90 mm foot; T1 rises 5.5 in 200 mm: 8.2 mm to push.

    Packs whose take-up nobody has measured yet give a little less than they should, so a little more is told.
    """
    sensor = Scripted(streaming(0.009, 0.0))
    hand = await at_screen(columns, rows, sensor=sensor)
    assert hand.session.enter("9n0").done
    for _ in range(200):  # the packs are worked out behind the screen
        if hand.record.prescription is not None:
            break
        await hand.pilot.pause(0.05)
    assert {piece.lot for pack in hand.record.prescription.packs for piece in pack.pieces} == {"T1"}
    hand.page.show()
    sensor.seen = streaming(0.0025, 0.0)
    push_mm = round(90 * 0.0025 / TakeUp().mean / (5.5 / 200) * 2) / 2
    assert 8 <= push_mm <= 10
    await hand.sees(f"T1 push {push_mm:g} mm more")
    assert "mark" in hand.row("big"), "prescribed: the mark to set stays in large figures"
    assert hand.session.do("packed").done
    hand.page.show()
    await hand.sees("T1 push more")
    assert "mm more" in hand.row("big")
    sensor.seen = streaming(0.0, 0.0)
    await hand.sees("leave it so")


async def test_the_engine_is_asked_at_the_figures_pace(at_screen, monkeypatch) -> None:
    from shimfit.workflow.solving import LivePacking

    asked: list[Lean] = []
    real = LivePacking.look

    def counted(self, lean):
        asked.append(lean)
        return real(self, lean)

    monkeypatch.setattr(LivePacking, "look", counted)
    sensor = Scripted(streaming(0.009, 0.005))
    hand = await at_screen(80, 24, sensor=sensor)
    await hand.sees("NEXT-OUT corner")
    asked.clear()
    await hand.pilot.pause(0.6)
    assert asked == [], "the top did not move"
    for step in range(20):
        sensor.seen = streaming(0.009 + step / 2000, 0.005)
        await hand.pilot.pause(0.05)
    assert 1 <= len(asked) <= 4, "two a second at most, however often the sensor sends"


async def test_zero_not_found_goes_once_it_is_found_and_is_not_said_of_a_silent_sensor(at_screen) -> None:
    found = taken(Lean(0.005, -0.001))
    unknown = replace(found, zero_found=False, zero_words="zero not found: turn it end for end")
    sensor = Scripted(unknown)
    hand = await at_screen(40, 20, sensor=sensor)
    await hand.sees("zero not found")
    sensor.seen = replace(unknown, banner="the link is gone", lean=None, age_s=6.0)
    await hand.sees("SENSOR: last value 6 s ago")
    assert "zero not found" not in hand.screen(), "what is silent has another trouble"
    sensor.seen = unknown
    await hand.sees("zero not found")
    sensor.seen = found
    await hand.sees("it stands still: Space logs it", "5.1 mm off")
    assert "zero not found" not in hand.screen()


@pytest.mark.parametrize(("columns", "rows"), [(40, 20), (80, 24)])
async def test_while_it_streams_the_target_has_rows_to_be_read_from(at_screen, columns, rows) -> None:
    """Three rows of target tell nothing; on a phone how far it is off stands under it, not above too."""
    sensor = Scripted(streaming(0.006, -0.008))
    hand = await at_screen(columns, rows, sensor=sensor)
    await hand.enter("6n10h", sees=("1 of 3", "10.0", "NEXT-HOUSE raise 1.4 mm"))
    drawn = hand.row("target").splitlines()
    assert len(drawn) - 2 >= 5, "two rows of it are words"
    assert ("11.7 off now" in await hand.settled()) is (columns > 40)
    # A question of three rows takes the row of what comes after before it takes the target's.
    hand.page.say(Outcome("word " * 22, done=False, asks=True))
    assert "word\n" in await hand.settled()
    assert len(hand.row("target").splitlines()) - 2 >= 4
