"""How much is drawn, counted instead of timed: what did not change costs nothing, at a key and at a look."""

from __future__ import annotations

import math
from contextlib import contextmanager
from typing import TYPE_CHECKING

import pytest
from textual import events
from textual.widget import Widget

from shimfit.model import Lean
from shimfit.tui.sensing import Live
from shimfit.tui.widgets import EntryLine
from shimfit.workflow.site import Site

if TYPE_CHECKING:
    from collections.abc import Iterator

SMALL_MM = 1e-4
"""At the top: far less than a cell of the target stands for."""


class Work:
    """What was asked to be drawn anew, and how often the screen was laid out."""

    def __init__(self) -> None:
        self.rows: dict[str, set[int]] = {}
        self.layouts = 0

    def laid_out(self, _screen: object) -> None:
        self.layouts += 1


@pytest.fixture
def work(monkeypatch):
    """Counts the work of a page from here on."""

    @contextmanager
    def counting(page) -> Iterator[Work]:
        done = Work()
        real = Widget.refresh

        def refresh(self, *regions, **options):
            rows = done.rows.setdefault(self.id or type(self).__name__, set())
            for region in regions or (self.outer_size.region,):
                rows.update(region.line_range)
            return real(self, *regions, **options)

        page.screen_layout_refresh_signal.subscribe(page, done.laid_out, immediate=True)
        with monkeypatch.context() as patched:
            patched.setattr(Widget, "refresh", refresh)
            yield done
        page.screen_layout_refresh_signal.unsubscribe(page)

    return counting


def live(along: float, across: float) -> Live:
    return Live(Lean(along, across), "moving", "")


@pytest.mark.parametrize("size", [(40, 20), (80, 24), (200, 60)])
async def test_a_look_that_moves_no_cell_draws_nothing(at_screen, work, size) -> None:
    hand = await at_screen(*size)
    page = hand.page
    for _ in range(2):
        page.show_live(live(0.00613, 0.00417))
        await hand.settled()
    with work(page) as done:
        for look in range(60):  # three seconds, so that figures and packs come due
            page.show_live(live(0.00613 + look % 2 * SMALL_MM / 1000, 0.00417))
        await hand.pilot.pause(0.1)
    assert done.rows == {}
    assert done.layouts == 0


@pytest.mark.parametrize("size", [(40, 20), (80, 24)])
async def test_a_moving_mark_draws_the_rows_it_leaves_and_comes_to(at_screen, work, size) -> None:
    hand = await at_screen(*size)
    page = hand.page
    for _ in range(2):
        page.show_live(live(0.007, 0.0))
        await hand.settled()
    for turn in range(1, 6):  # on a circle: another distance may be drawn to another scale
        with work(page) as done:
            page.show_live(live(0.007 * math.cos(turn / 2), 0.007 * math.sin(turn / 2)))
            await hand.pilot.pause(0.1)
        assert done.rows.keys() == {"target"}
        assert len(done.rows["target"]) <= 2 + 2, "left, come to, and two rows of figures"
        assert done.layouts == 0


async def test_a_key_draws_what_is_typed_and_what_it_means(at_screen, work) -> None:
    """From the second key on nothing is laid out, and names, list, sentences and foot are left alone."""
    hand = await at_screen(80, 24)
    page = hand.page
    await hand.type("9n")
    await hand.settled()
    with work(page) as done:
        await hand.type("5")
    assert done.rows.keys() <= {"entry", "echo", "big", "plan"}
    assert done.layouts == 0
    before = page.query_one("#big").text
    with work(page) as done:
        await hand.type("o")
    assert {"entry", "echo", "big", "plan"} == done.rows.keys()
    assert len(done.rows["echo"]) == 1
    assert len(done.rows["big"]) <= 3
    assert page.query_one("#big").text != before
    assert done.layouts == 0


async def test_sign_and_echo_are_drawn_together(at_screen) -> None:
    """The echo is told as the line changes, not by a message that comes a frame later."""
    hand = await at_screen(80, 24)
    page, line = hand.page, hand.page.query_one(EntryLine)
    await hand.type("9n5")
    line.insert_text_at_cursor("o")
    assert "9 mm towards next, 5 mm out" in page.query_one("#echo").text


def burst(app, text: str) -> None:
    """Keys that are all there before the first is looked at, as from a paste or a slow link."""
    for sign in text:
        key = {"\r": "enter", ".": "full_stop", "\x1a": "ctrl+z"}.get(sign, sign)
        app.post_message(events.Key(key, sign))


async def test_keys_keep_their_order_in_a_burst(at_screen) -> None:
    hand = await at_screen(80, 24)
    hand.do("survey")
    burst(hand.app, "9n5o\r8n4o\r7n3")
    await hand.sees("post 3 (3/7)", "› 7n3")
    run = hand.session.run
    assert [post.readings[-1].text for post in run.posts[:2]] == ["9n5o", "8n4o"]
    burst(hand.app, "o\r7n\x1a6n3o\r")  # the line is cleared before the next reading is typed
    await hand.sees("post 4 logged")
    assert [post.readings[-1].text for post in hand.session.run.posts[2:4]] == ["7n3o", "6n3o"]


async def test_a_reading_in_one_burst_on_the_list_is_taken_whole(at_screen) -> None:
    """Its first figure opens the line; what comes behind it is typed there, not taken for a letter."""
    hand = await at_screen(80, 24)
    hand.do("go_run")
    await hand.sees("to read")
    burst(hand.app, "9p5o\r")
    await hand.sees("post 1 logged")
    assert hand.page.NAME == "run"
    assert hand.session.run.posts[0].readings[-1].text == "9p5o"


async def test_the_run_page_asks_how_a_run_is_spoken_of_as_often_for_many_posts_as_for_few(
    app_on, at_screen, monkeypatch
) -> None:
    """To find the unit that was typed last parses a line: of ten thousand posts it took seconds."""
    asked: list[str] = []
    real = Site.echo
    monkeypatch.setattr(Site, "echo", lambda self, place, text: asked.append(text) or real(self, place, text))

    async def looks(legs: str) -> int:
        app = app_on(legs=legs)
        app.session.answers_later = lambda _place: True  # no answer comes between: the page alone is counted
        hand = await at_screen(80, 24, app=app)
        await hand.type("6n10h")
        await hand.pilot.press("enter")
        await hand.settled()
        del asked[:]
        await hand.pilot.press("f2")
        await hand.settled()
        await hand.leave()
        return len(asked)

    few, many = await looks("7.2m"), await looks("96m")
    assert few > 0
    assert many == few
