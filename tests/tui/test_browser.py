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
from shimfit.tui.serve import COOKIE, PAGE, Door, cells_of, qr_of, serve
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
        [sys.executable, "-c", SERVE, str(site.journal.path), str(port)], stdout=subprocess.DEVNULL
    )
    try:
        asyncio.run(_visit(port))
    finally:
        server.terminate()
        server.wait(20)

    from shimfit.workflow.site import Site

    with Site.open(site.journal.path, environment={}) as again:
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


def test_any_key_cookie_and_address_is_judged_without_a_fault() -> None:
    door = Door("0.0.0.0")
    for odd in ("clé", "\udc80", "", "\x00"):
        assert door.use(odd) is None
        assert not door.knows(odd)
    assert not Door("127.0.0.1").asks_by_its_name("[::1")
    assert door.key is not None


@pytest.mark.parametrize(
    ("reported", "size"),
    [
        ((100_000, 100_000), (500, 200)),
        (("80", "24"), (80, 24)),
        ((0, -5), (10, 4)),
        (("wide", 24), None),
        ((None, 24), None),
        ((float("inf"), 24), None),
        (({}, []), None),
    ],
)
def test_a_browsers_size_is_bounded(reported: tuple[object, object], size: tuple[int, int] | None) -> None:
    assert cells_of(*reported) == size


@pytest.mark.parametrize("url", ["http://192.0.2.7:8300/?key=abc", "http://192.0.2.7:8300/?key=" + "k" * 40])
def test_the_address_is_a_qr_code(url: str) -> None:
    """Drawn again from the characters, it is the code that the library makes (ISO/IEC 18004)."""
    import segno

    rows = [line.removeprefix("\x1b[30;107m").removesuffix("\x1b[0m") for line in qr_of(url).splitlines()]
    upper, lower = "▀█", "▄█"
    drawn = [[int(sign in half) for sign in row] for row in rows for half in (upper, lower)]
    wanted = [
        [int(bool(module)) for module in row] for row in segno.make(url, micro=False).matrix_iter(border=3)
    ]
    assert drawn[: len(wanted)] == wanted
    assert not any(map(any, drawn[len(wanted) :]))


@pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")
def test_what_comes_is_judged_and_a_killed_server_leaves_nothing_behind(make_site) -> None:
    site = make_site()
    site.close()
    port = free_port()
    server = subprocess.Popen(
        [sys.executable, "-c", SERVE, str(site.journal.path), str(port)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
    )
    try:
        children = asyncio.run(_misuse(port, server))
    finally:
        server.kill()
        _, errors = server.communicate()
    assert b"Traceback" not in errors
    end = time.monotonic() + 10
    while any(map(_lives, children)) and time.monotonic() < end:
        time.sleep(0.05)
    assert not any(map(_lives, children))


async def _misuse(port: int, server: subprocess.Popen[bytes]) -> list[int]:
    here = f"http://127.0.0.1:{port}"
    async with aiohttp.ClientSession() as browser:
        await _up(browser, here)
        async with browser.get(here) as page:
            assert page.headers["X-Frame-Options"] == "DENY"
        for path, headers in (("/ws", {}), ("/ws?width=wide", {"Upgrade": "websocket"})):
            async with browser.get(here + path, headers=headers) as answer:
                assert answer.status == 400
        async with browser.get(here, headers={"Origin": "http://[::1"}) as answer:
            assert answer.status == 403
        async with browser.ws_connect(f"{here}/ws?width=100000&height=100000") as tab:
            await _read_until(tab, b"to read")
            for odd in ('["resize", {"width": 100000, "height": 100000}]', '["ping", 1]'):
                await tab.send_str(odd)
            children = _children(server.pid)
            assert children
            for odd in ("{}", "[]", "nonsense", '["stdin", 5]', '["resize", {"width": "wide"}]'):
                async with browser.ws_connect(f"{here}/ws?width=80&height=24") as other:
                    await other.send_str(odd)
                    async for _ in other:
                        pass
                    assert other.close_code == 1008
            server.kill()
            return children


def _children(parent: int) -> list[int]:
    listed = subprocess.run(["ps", "-eo", "pid,ppid"], capture_output=True, text=True, check=True).stdout
    pairs = [tuple(map(int, line.split())) for line in listed.splitlines()[1:]]
    own = [pid for pid, ppid in pairs if ppid == parent]
    return own + [pid for pid, ppid in pairs if ppid in own]


def _lives(pid: int) -> bool:
    listed = subprocess.run(
        ["ps", "-o", "stat=", "-p", str(pid)], capture_output=True, text=True, check=False
    )
    return listed.stdout.strip()[:1] not in ("", "Z")
