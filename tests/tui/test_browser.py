"""The program in a browser: who is let in, what the page loads, and a reading through the socket."""

from __future__ import annotations

import asyncio
import socket
import subprocess
import sys
import time

import aiohttp
import pytest

from shimfit.errors import UsageError
from shimfit.tui.serve import COOKIE, PAGE, Door, serve
from shimfit.tui.serve import _names as names_for

SERVE = """
import sys
from shimfit.tui.serve import serve
serve(sys.argv[1], host="127.0.0.1", port=int(sys.argv[2]), talk=print)
"""


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def test_the_page_loads_nothing_from_elsewhere() -> None:
    page = (PAGE / "app_index.html").read_text("utf-8")
    assert "http://" not in page
    assert "https://" not in page
    assert 'name="viewport"' in page
    assert "{{ font_size }}" in page


def test_the_key_works_once_and_only_the_one_who_brought_it_comes_back() -> None:
    door = Door("0.0.0.0")
    assert not door.is_open
    assert door.use("guess") is None
    key = door.key
    cookie = door.use(key)
    assert cookie is not None
    assert door.knows(cookie)
    assert not door.knows(None)
    assert not door.knows("guess")
    assert door.use(key) is None


def test_on_loopback_only_this_machines_own_name_is_answered() -> None:
    door = Door("127.0.0.1")
    assert door.is_open
    assert door.asks_by_its_name("localhost:8300")
    assert door.asks_by_its_name("127.0.0.1:8300")
    assert door.asks_by_its_name("[::1]:8300")
    assert not door.asks_by_its_name("elsewhere.example:8300")


@pytest.mark.parametrize(
    ("host", "names"),
    [
        ("127.0.0.1", ["localhost"]),
        ("::1", ["localhost"]),
        ("192.0.2.7", ["192.0.2.7"]),
        ("fd00::7", ["[fd00::7]"]),
        ("0.0.0.0", ["the-shed", "192.0.2.9"]),
    ],
)
def test_what_this_machine_is_called_from_elsewhere(monkeypatch, host, names) -> None:
    monkeypatch.setattr("socket.gethostname", lambda: "the-shed")
    monkeypatch.setattr("shimfit.tui.serve._own_number", lambda: "192.0.2.9")
    assert names_for(host) == names


def test_a_taken_port_is_said() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        with pytest.raises(UsageError, match="can't be had"):
            serve("any.db", host="127.0.0.1", port=taken.getsockname()[1], talk=print)


def test_a_reading_through_the_browser(make_site) -> None:
    site = make_site()
    site.close()
    port = free_port()
    server = subprocess.Popen(
        [sys.executable, "-c", SERVE, str(site.path), str(port)], stdout=subprocess.DEVNULL
    )
    try:
        asyncio.run(_visit(port))
    finally:
        server.terminate()
        server.wait(20)

    from shimfit.workflow.site import Site

    with Site.open(site.path, environment={}) as again:
        assert [reading.text for reading in again.run("heron", "jetty").posts[0].readings] == ["9n5o"]


async def _visit(port: int) -> None:
    here = f"http://127.0.0.1:{port}"
    async with aiohttp.ClientSession() as browser:
        await _up(browser, here)
        async with browser.get(here, headers={"Host": "elsewhere.example"}) as answer:
            assert answer.status == 403
            assert answer.content_type == "text/html"
            assert 'name="viewport"' in await answer.text(), "can be read on a phone"
        async with browser.get(here, headers={"Origin": "http://elsewhere.example"}) as answer:
            assert answer.status == 403
        async with browser.get(f"{here}/?fontsize=22") as answer:
            assert 'data-font-size="22"' in await answer.text()
            assert COOKIE not in answer.cookies
        async with browser.ws_connect(f"{here}/ws?width=80&height=24", headers={"Origin": here}) as tab:
            await _read_until(tab, b"allowed 2.0 mm")
            await tab.send_json(["stdin", "9n5o\r"])
            await _read_until(tab, b"logged")


async def _up(browser: aiohttp.ClientSession, here: str) -> None:
    end = time.monotonic() + 60
    while True:
        try:
            async with browser.get(here) as answer:
                assert answer.status == 200
                return
        except aiohttp.ClientConnectorError:
            assert time.monotonic() < end
            await asyncio.sleep(0.1)


async def _read_until(tab: aiohttp.ClientWebSocketResponse, text: bytes) -> None:
    got = b""
    while text not in got:
        message = await asyncio.wait_for(tab.receive(), 60)
        assert message.type in (aiohttp.WSMsgType.BINARY, aiohttp.WSMsgType.TEXT), got[-500:]
        if message.type == aiohttp.WSMsgType.BINARY:
            got += message.data
