"""What is heard: which pattern rings for what, beats that rise towards plumb, silence at one key."""

from __future__ import annotations

import threading
from types import SimpleNamespace

import pytest

from shimfit.model import Lean
from shimfit.settings import Settings
from shimfit.tui import sound as sound_room
from shimfit.tui.sensing import Live
from shimfit.tui.sound import PATTERNS_S, SLOWEST_FROM, Sound, beat_s


class Rung:
    """Counts rings; a timer rings at once and is written down."""

    def __init__(self) -> None:
        self.times_s: list[float] = []

    def bell(self) -> None:
        self.times_s.append(0.0)

    def set_timer(self, delay, _callback) -> None:
        self.times_s.append(delay)


def heard(settings: Settings, pattern: str) -> tuple[float, ...]:
    rung = Rung()
    Sound(rung, lambda: settings).ring(pattern)
    return tuple(rung.times_s)


def test_each_pattern_has_its_rhythm_and_no_bell_is_silence() -> None:
    assert {heard(Settings(), name) for name in PATTERNS_S} == set(PATTERNS_S.values())
    assert len(set(map(len, PATTERNS_S.values()))) == len(PATTERNS_S), "told apart by their number alone"
    assert all(heard(Settings(bell=False), name) == () for name in PATTERNS_S)


def test_beats_come_faster_towards_plumb() -> None:
    shares = [SLOWEST_FROM * step / 20 for step in range(41)]
    seconds = [beat_s(share) for share in shares]
    assert seconds == sorted(seconds)
    assert beat_s(0.0) == beat_s(1.0) < beat_s(2.0) < beat_s(SLOWEST_FROM) == beat_s(100.0)


@pytest.mark.parametrize(
    ("share", "settings", "least", "most"),
    [
        (0.5, Settings(), 19, 21),  # 3 s at the fastest
        (50.0, Settings(), 1, 2),
        (None, Settings(), 0, 0),
        (0.5, Settings(cadence=False), 0, 0),
        (0.5, Settings(bell=False), 0, 0),
    ],
)
def test_so_many_beats_in_three_seconds_of_looks(monkeypatch, share, settings, least, most) -> None:
    now = SimpleNamespace(s=0.0)
    monkeypatch.setattr(sound_room, "time", SimpleNamespace(monotonic=lambda: now.s))
    rung = Rung()
    sound = Sound(rung, lambda: settings)
    for _ in range(300):
        sound.beat(share)
        now.s += 0.01
    assert least <= len(rung.times_s) <= most


def test_a_beat_is_not_waited_for_once_the_top_has_come_near(monkeypatch) -> None:
    now = SimpleNamespace(s=0.0)
    monkeypatch.setattr(sound_room, "time", SimpleNamespace(monotonic=lambda: now.s))
    rung = Rung()
    sound = Sound(rung, Settings)
    sound.beat(50.0)
    now.s = 0.1
    sound.beat(1.0)
    now.s = 0.3
    sound.beat(1.0)
    assert len(rung.times_s) == 1


async def test_one_key_silences_all_and_what_rings_on_the_page(app_on, at_screen) -> None:
    app = app_on()
    rung: list[str] = []
    ring = app.sound.ring
    app.sound.ring = lambda pattern: (rung.append(pattern), ring(pattern))[0]
    hand = await at_screen(80, 24, app=app)
    await hand.enter("9n5o")
    await hand.enter("9x")
    assert rung == ["logged", "refused"]
    shares: list[float | None] = []
    app.sound.beat = shares.append
    await hand.sees("▲ pack")
    for lean in (Lean(0.009, 0.005), Lean(0.001, 0.0)):
        app.home.show_live(Live(lean, "moving", ""))
    app.home.show_live(Live(lean, "moving", "", zero_found=False))
    assert shares[-2] == pytest.approx(0.5)  # 1 mm of the allowed 2 mm
    assert shares[-1] is None, "a sensor whose zero is not known says nothing"
    await hand.press("escape", "ctrl+g", sees="sound: off")
    assert not app.session.settings.bell
    await hand.press("ctrl+g", sees="sound: on")


async def test_writing_is_seen_to_run_and_a_refusal_keeps_the_question(
    at_screen, monkeypatch, tmp_path
) -> None:
    from shimfit.tui import handover

    monkeypatch.chdir(tmp_path)
    real, goes_on = handover.write_whole, threading.Event()

    def slowly(*given, **more):
        assert goes_on.wait(20)
        return real(*given, **more)

    monkeypatch.setattr(handover, "write_whole", slowly)
    hand = await at_screen(80, 24)
    await hand.press("f4", "e", sees="file›")
    await hand.enter("mine.csv", sees="writing mine.csv… ")
    goes_on.set()
    await hand.sees("written: mine.csv")
    goes_on.clear()
    assert (tmp_path / "mine.csv").exists()
    await hand.press("e")
    await hand.enter("mine.csv", sees=("exists already: Enter writes over it", "file›"))
    await hand.press("enter", sees="writing mine.csv… ")
    await hand.press("e")  # the page has its keys; the writing goes on and says so
    await hand.enter("other.csv", sees=("one after the other", "file›"))
    goes_on.set()
    await hand.sees("written: mine.csv")


async def test_a_stock_file_is_read_beside_the_screen_and_can_be_stopped(
    at_screen, monkeypatch, tmp_path
) -> None:
    from shimfit.workflow import tables

    (tmp_path / "box.csv").write_text("lot,form,thickness_mm,count\nQ7,flat,1.5,4\n")
    monkeypatch.chdir(tmp_path)
    real, goes_on = tables.lots_from_csv, threading.Event()

    def slowly(*given):
        assert goes_on.wait(20)
        return real(*given)

    monkeypatch.setattr(tables, "lots_from_csv", slowly)
    hand = await at_screen(80, 24)
    await hand.press("f3", "i")
    await hand.enter("box.csv", sees=("reading box.csv… ", " s; Esc stops it", "The box: "))
    await hand.press("escape", sees="stopping, box.csv… ")
    goes_on.set()
    await hand.sees("stopped: nothing was taken from box.csv")
    assert hand.session.site.box().lot("Q7") is None
    goes_on.clear()
    await hand.press("i")
    await hand.enter("box.csv", sees=("reading box.csv… ", " s; Esc stops it"))
    goes_on.set()
    await hand.sees("1 lots from box.csv", "Q7")
    assert hand.session.site.box().lot("Q7").count == 4
