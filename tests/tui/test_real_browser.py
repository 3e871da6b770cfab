"""The page in a real browser, where there is one (Chromium): it opens, loads nothing from elsewhere, hears.

The browser is driven by its own debugging protocol over a socket. Not seen here: soft keyboards, real glass.
"""

from __future__ import annotations

import asyncio
import itertools
import json
import shutil
import socket
import subprocess
import sys
import time
from typing import TYPE_CHECKING, Any

import aiohttp
import pytest

from shimfit.workflow.site import Site

if TYPE_CHECKING:
    from pathlib import Path

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium on this machine")

SERVE = """
import sys
from shimfit.tui.serve import serve
serve(sys.argv[1], host="127.0.0.1", port=int(sys.argv[2]), talk=print)
"""
PATIENCE_S = 60.0
BETWEEN_TAPS_S = 0.35
"""Two taps in less are one double tap, to the browser."""
WIDTH, HEIGHT = 360, 740  # a small phone, held upright
LEFT_OVER = "getComputedStyle(document.querySelector('.closed')).display"
FIELD = "document.querySelector('.xterm-helper-textarea')"
INPUT_MODE, TOP = f"{FIELD}.inputMode", f"{FIELD}.getBoundingClientRect().top"


class Tab:
    """One tab of the browser."""

    def __init__(self, link: aiohttp.ClientWebSocketResponse) -> None:
        self._link = link
        self._numbers = itertools.count(1)
        self.requested: list[str] = []
        self.sent: list[str] = []

    async def ask(self, method: str, **parameters: Any) -> dict[str, Any]:
        """Give an order and wait for its answer; what happened meanwhile is noted."""
        number = next(self._numbers)
        await self._link.send_json({"id": number, "method": method, "params": parameters})
        while True:
            reported = json.loads(await asyncio.wait_for(self._link.receive_str(), PATIENCE_S))
            if reported.get("method") == "Network.requestWillBeSent":
                self.requested.append(reported["params"]["request"]["url"])
            elif reported.get("method") == "Network.webSocketCreated":
                self.requested.append(reported["params"]["url"])
            elif reported.get("method") == "Network.webSocketFrameSent":
                self.sent.append(reported["params"]["response"]["payloadData"])
            if reported.get("id") == number:
                assert "error" not in reported, reported
                return reported["result"]

    async def value(self, expression: str) -> Any:
        """What an expression is on the page."""
        return (await self.ask("Runtime.evaluate", expression=expression))["result"].get("value")

    async def until(self, expression: str) -> None:
        """Wait until an expression is true on the page."""
        end = asyncio.get_running_loop().time() + PATIENCE_S
        while not await self.value(expression):
            assert asyncio.get_running_loop().time() < end, f"{expression} did not come"
            await asyncio.sleep(0.1)

    async def until_sent(self, part: str, times: int) -> None:
        """Wait until so many messages to the program hold a text."""
        end = asyncio.get_running_loop().time() + PATIENCE_S
        while sum(part in message for message in self.sent) < times:
            assert asyncio.get_running_loop().time() < end, self.sent
            await self.value("0")

    async def tap(self, x: float, y: float) -> None:
        """Touch the glass."""
        points = [{"x": x, "y": y}]
        await self.ask("Input.dispatchTouchEvent", type="touchStart", touchPoints=points)
        await self.ask("Input.dispatchTouchEvent", type="touchEnd", touchPoints=[])
        await asyncio.sleep(BETWEEN_TAPS_S)

    async def draw_a_finger(self, x: float, start: float, end: float) -> None:
        """Over the glass, from one height to another."""
        for step in range(9):
            points = [{"x": x, "y": start + (end - start) * step / 8}]
            kind = "touchMove" if step else "touchStart"
            await self.ask("Input.dispatchTouchEvent", type=kind, touchPoints=points)
        await self.ask("Input.dispatchTouchEvent", type="touchEnd", touchPoints=[])
        await asyncio.sleep(BETWEEN_TAPS_S)


def test_on_a_phone_sized_page(make_site, tmp_path) -> None:
    site = make_site()
    site.close()
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    server = subprocess.Popen(
        [sys.executable, "-c", SERVE, str(site.journal.path), str(port)], stdout=subprocess.DEVNULL
    )
    browser = subprocess.Popen(
        [
            CHROMIUM,
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--no-first-run",
            "--remote-debugging-port=0",
            f"--user-data-dir={tmp_path / 'browser'}",
            "about:blank",
        ],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        asyncio.run(
            _visit(f"http://localhost:{port}/", _debugging_port(tmp_path / "browser"), site.journal.path)
        )
    finally:
        for process in (browser, server):
            process.terminate()
            process.wait(20)


def _readings(path: Path) -> list[str]:
    with Site.open(path, read_only=True, environment={}) as site:
        return [reading.text for reading in site.run("heron", "jetty").posts[0].readings]


def _debugging_port(folder: Path) -> int:
    """The port that the browser took for its debugging protocol: it writes it into its folder."""
    reported, end = folder / "DevToolsActivePort", time.monotonic() + PATIENCE_S
    while not reported.exists() or not reported.read_text().strip():
        assert time.monotonic() < end, "the browser did not start"
        time.sleep(0.1)
    return int(reported.read_text().split()[0])


async def _visit(page: str, debugging_port: int, data: Path) -> None:
    devtools, end = f"http://127.0.0.1:{debugging_port}", time.monotonic() + PATIENCE_S
    async with aiohttp.ClientSession() as session:
        while True:
            tabs = await _tabs(session, devtools)
            if tabs and await _answers(session, page):
                break
            assert time.monotonic() < end, "nothing answers"
            await asyncio.sleep(0.1)
        async with session.ws_connect(tabs[0]["webSocketDebuggerUrl"], max_msg_size=0) as link:
            await _work(Tab(link), page, data)


async def _tabs(session: aiohttp.ClientSession, devtools: str) -> list[dict[str, Any]]:
    async with session.get(f"{devtools}/json/list") as answer:
        return [tab for tab in await answer.json() if tab["type"] == "page"]


async def _answers(session: aiohttp.ClientSession, page: str) -> bool:
    try:
        async with session.get(page) as answer:
            return answer.status == 200
    except aiohttp.ClientConnectorError:
        return False


async def _work(tab: Tab, page: str, data: Path) -> None:
    await tab.ask("Network.enable")
    metrics = {"width": WIDTH, "height": HEIGHT, "deviceScaleFactor": 0, "mobile": True}
    await tab.ask("Emulation.setDeviceMetricsOverride", **metrics)
    await tab.ask("Emulation.setTouchEmulationEnabled", enabled=True)
    await tab.ask("Page.navigate", url=page)
    await tab.until("document.body?.classList.contains('-first-byte')")
    await tab.until("[...document.fonts].every(font => font.status === 'loaded')")
    assert await tab.value("document.documentElement.scrollWidth") == WIDTH, "nothing sticks out"
    assert await tab.value("innerWidth") == WIDTH, "the page is not shrunk to fit"
    assert all(url.startswith((page, page.replace("http", "ws"), "data:")) for url in tab.requested)
    assert any("/ws?width=40&" in url for url in tab.requested), "the letters fit the glass"

    assert await tab.value(INPUT_MODE) == "none", "no soft keyboard yet"
    await tab.until(f"{TOP} > {HEIGHT / 2}")  # the cursor stands on the line above the keys
    row, line = await tab.value(f"{FIELD}.getBoundingClientRect().height"), await tab.value(TOP)
    await tab.tap(WIDTH * 0.9, row / 2)  # Setup
    await tab.until(f"{TOP} < {HEIGHT / 2}")
    await tab.draw_a_finger(WIDTH / 2, HEIGHT * 0.8, HEIGHT * 0.8 - 8.9 * row)
    await tab.until_sent("[<65;", 3)  # the wheel of xterm's mode 1006, turned down
    await tab.tap(WIDTH * 0.08, row / 2)  # Post
    await tab.until(f"{TOP} > {HEIGHT / 2}")
    assert await tab.value(INPUT_MODE) == "none"
    await tab.tap(WIDTH / 2, line + row / 2)  # the line: one types here
    await tab.until(f"{INPUT_MODE} === 'url'")
    await tab.until(f"document.activeElement === {FIELD}")
    await tab.ask("Input.insertText", text="9n5")
    await tab.tap(WIDTH / 2, line + row * 1.5)  # out, a key below the line: the keyboard stays
    assert await tab.value(INPUT_MODE) == "url"
    await tab.until_sent("[<0;", 4 * 2)  # four taps, each pressed and let go
    enter = {"key": "Enter", "code": "Enter", "windowsVirtualKeyCode": 13}
    for kind in ("keyDown", "keyUp"):
        await tab.ask("Input.dispatchKeyEvent", type=kind, **enter)
    end = time.monotonic() + PATIENCE_S
    while _readings(data) != ["9n5o"]:
        assert time.monotonic() < end, "what was typed was not logged"
        await asyncio.sleep(0.1)
    assert await tab.value(LEFT_OVER) == "none"
    await tab.ask("Input.insertText", text="q")  # on the empty line: leave
    await tab.until(f"{LEFT_OVER} === 'flex'")
    assert "kept" in await tab.value("document.querySelector('.closed').textContent")
