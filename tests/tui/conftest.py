"""A small run of our own on a fixed clock, and screens as text."""

from __future__ import annotations

import asyncio
import inspect
import os
import time
from contextlib import AsyncExitStack
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, ClassVar

import pytest
from textual import _wait
from textual.css.stylesheet import Stylesheet

from shimfit.text.glyphs import UNICODE
from shimfit.tui.app import ShimfitApp
from shimfit.tui.session import Session
from shimfit.tui.setting_up import add_run, parse_lot
from shimfit.tui.widgets import EntryLine
from shimfit.workflow.site import Site

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable

    from shimfit.standing import PostRecord
    from shimfit.tui.screens.page import Page

# How long the pilot sleeps before it looks whether the program is idle: after every key, three times
# over. A fiftieth of a second each was a third of these tests; idle is the same share of a shorter look.
_wait.SLEEP_GRANULARITY, _wait.SLEEP_IDLE = 1 / 250, 1 / 5000

_parse_rules, _parsed = Stylesheet._parse_rules, {}


def _parse_once(sheet: Stylesheet, css: str, **how: object) -> list:
    """Every program has the same style sheets: with the same colours they are parsed once in a process."""
    key = (css, *how.values(), *sheet._variables.items())
    if key not in _parsed:
        _parsed[key] = _parse_rules(sheet, css, **how)
    return _parsed[key]


Stylesheet._parse_rules = _parse_once

_AT_THE_END = pytest.StashKey[AsyncExitStack]()
LOTS = (
    "T1 taper 0.5 6 200 x4",
    "T2 taper 0.8 8 200 x2",
    "F1 flat 0.5 x20",
    "F2 flat 1 x20",
    "F3 flat 1.5 x20",
    "F4 flat 2 x20",
)


class Clock:
    """A minute passes at every look, so that readings have times of their own that never change."""

    def __init__(self, now: datetime = datetime(2026, 5, 4, 8, 0, tzinfo=UTC)) -> None:
        self.now = now

    def __call__(self) -> datetime:
        self.now += timedelta(minutes=1)
        return self.now


def lay_out(path: Path, units: str, legs: str) -> Site:
    """An invented jetty: 7 posts of 90 x 90 mm, read at 1000 mm, 1:500, a box with flats and tapers."""
    site = Site.open(path, clock=Clock(), environment={})
    site.set("units", units)
    answers = {
        "job": "heron",
        "run": "jetty",
        "legs": legs,
        "every": "1.2m",
        "foot": "90x90mm",
        "height": "1000mm",
        "tolerance": "1:500",
    }
    add_run(site, answers)
    for lot in LOTS:
        site.add_stock(parse_lot(lot, "mm"))
    return site


@cache
def laid_out(units: str, legs: str) -> tuple[bytes, datetime]:
    """The file of a jetty as most tests begin with it, laid out once in a process; and its clock."""
    with TemporaryDirectory() as folder, lay_out(path := Path(folder) / "jetty.db", units, legs) as site:
        now = site.journal._clock.now - timedelta(minutes=1)  # opening asks for the time
        site.close()
        return path.read_bytes(), now


@pytest.fixture
def make_site(tmp_path: Path):
    """Opens data files that are closed again when the test is over."""
    opened: list[Site] = []

    def make(units: str = "mm", legs: str = "7.2m", *, empty: bool = False) -> Site:
        path = tmp_path / f"shimfit{len(opened)}.db"
        if empty:
            site = Site.open(path, clock=Clock(), environment={})
        elif opened:
            site = lay_out(path, units, legs)  # another crew's own, not a copy of the first one's
        else:
            data, now = laid_out(units, legs)
            path.write_bytes(data)
            site = Site.open(path, clock=Clock(now), environment={})
        opened.append(site)
        return site

    yield make
    for site in opened:
        site.close()


@pytest.fixture
def session(make_site: Callable[..., Site]) -> Session:
    """The moves on a fresh jetty, with no screen."""
    session = Session(make_site(), UNICODE)
    assert session.open_last()
    return session


@pytest.fixture
def app_on(make_site: Callable[..., Site]):
    """The program on a fresh jetty."""

    def make(units: str = "mm", *, empty: bool = False, legs: str = "7.2m", **options: object) -> ShimfitApp:
        return ShimfitApp(make_site(units, legs, empty=empty), **options)

    return make


Seen = str | tuple[str, ...]


def _each(texts: Seen) -> tuple[str, ...]:
    return (texts,) if isinstance(texts, str) else texts


class Hand:
    """Types, waits and reads the screen of a running program, and looks behind it at what was logged."""

    NAMES: ClassVar[dict[str, str]] = {
        "/": "slash",
        ".": "full_stop",
        " ": "space",
        "+": "plus",
        "-": "minus",
        "@": "at",
        "'": "apostrophe",
        ",": "comma",
        "?": "question_mark",
    }

    def __init__(self, app: ShimfitApp, pilot, leave: Callable[[], Awaitable[None]]) -> None:
        self.app = app
        self.pilot = pilot
        self.do = app.do
        self.leave = leave

    @property
    def session(self) -> Session:
        return self.app.session

    @property
    def record(self) -> PostRecord:
        """The post in view, as the log has it."""
        return self.app.session.record

    @property
    def page(self) -> Page:
        """The page in front."""
        return self.app.page

    @property
    def typed(self) -> str:
        """What stands on the line."""
        return self.app.page.line.value

    def screen(self) -> str:
        """The characters on the screen, trailing blanks cut off."""
        width, height = self.app.size
        strips = self.app.screen._compositor.render_strips()
        rows = ["".join(segment.text for segment in strip)[:width].rstrip() for strip in strips]
        return "\n".join(rows[:height]) + "\n"

    def row(self, name: str) -> str:
        """Text of one picture by its id."""
        return self.app.page.query_one(f"#{name}").text

    async def type(self, text: str, *, sees: Seen = ()) -> None:
        """Press the keys of a text, one by one."""
        await self.pilot.press(*(self.NAMES.get(sign, sign) for sign in text))
        await self.pilot.pause()
        await self.sees(*_each(sees))

    async def press(self, *keys: str, sees: Seen = ()) -> None:
        """Press named keys; an answer that Enter asks for is given half a second to come."""
        await self.pilot.press(*keys)
        await self.pilot.pause()
        for _ in range(25 if "enter" in keys else 0):
            if not self.app.session.working:
                break
            await self.pilot.pause(0.02)
        await self.sees(*_each(sees))

    async def enter(self, text: str, *, sees: Seen = ()) -> None:
        """Put a text on the line (pasted: `type` presses every key) and press Enter."""
        line = self.app.page.query_one(EntryLine)
        line.value = text
        line.cursor_position = len(text)
        await self.press("enter", sees=sees)

    async def settled(self) -> str:
        """The screen once nothing is worked out behind it and it has stopped changing."""
        last, alike = self.screen(), 0
        for _ in range(500):
            await self.pilot.pause(0.02)
            now, at_work = self.screen(), self.app.session.working or self.app.page._work is not None
            alike = alike + 1 if now == last and not at_work else 0
            last = now
            if alike == 4:
                break
        return last

    async def sees(self, *texts: str, patience_s: float = 10.0) -> None:
        """Wait until every text is on the screen; fails showing the screen that was there instead."""
        until_s = time.monotonic() + patience_s
        while time.monotonic() < until_s:
            there = self.screen()
            if all(text in there for text in texts):
                return
            await self.pilot.pause(0.02)
        raise AssertionError(f"{texts} did not come; the screen is\n{self.screen()}")


@pytest.fixture
def at_screen(app_on: Callable[..., ShimfitApp], request: pytest.FixtureRequest):
    """Starts the program at a size, on a fresh jetty unless one is given; left when the test is over."""
    at_the_end = request.node.stash[_AT_THE_END] = AsyncExitStack()

    async def start(
        columns: int, rows: int, units: str = "mm", *, app: ShimfitApp | None = None, **options: object
    ) -> Hand:
        app = app or app_on(units, **options)
        pilot = await at_the_end.enter_async_context(app.run_test(size=(columns, rows)))
        await pilot.pause()
        return Hand(app, pilot, at_the_end.aclose)

    return start


@pytest.fixture
def golden():
    """Compares text with a file in screens/; SHIMFIT_REWRITE_SCREENS=1 writes it anew, for you to review."""

    def same(name: str, text: str) -> None:
        path = Path(__file__).with_name("screens") / f"{name}.txt"
        if os.environ.get("SHIMFIT_REWRITE_SCREENS"):
            path.parent.mkdir(exist_ok=True)
            path.write_text(text, "utf-8")
        assert text == path.read_text("utf-8"), f"{name} changed: review it, then rewrite"

    return same


@pytest.hookimpl(tryfirst=True)
def pytest_pyfunc_call(pyfuncitem: pytest.Function) -> bool | None:
    """A test that is a coroutine runs to its end on a loop of its own (no plugin needed)."""
    if not inspect.iscoroutinefunction(pyfuncitem.function):
        return None
    given = {name: pyfuncitem.funcargs[name] for name in pyfuncitem._fixtureinfo.argnames}

    async def to_its_end() -> None:
        async with pyfuncitem.stash.get(_AT_THE_END, AsyncExitStack()):
            await pyfuncitem.function(**given)

    asyncio.run(to_its_end())
    return True
