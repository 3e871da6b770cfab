"""The same program in a browser: one process a tab, a page of our own, nothing loaded from elsewhere.

On this machine only, unless `--host` opens it to the network: then the address carries a key that
lets in one browser, once; from then on that browser has a cookie. There is no login and no encryption: it is
for a trusted network, such as the phone's own.
"""

from __future__ import annotations

import json
import logging
import os
import secrets
import select
import shlex
import signal
import socket
import sys
import threading
import time
from collections.abc import Awaitable, Callable
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import SplitResult, urlsplit

from shimfit.errors import Exit, ShimfitError, UsageError

if TYPE_CHECKING:
    from aiohttp import web

    Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]

EVERY_ADDRESS = ("0.0.0.0", "::")  # noqa: S104 - compared with what was asked for, never bound by itself
LOOPBACK = ("localhost", "127.0.0.1", "::1")
PAGE = Path(__file__).with_name("page")
COOKIE = "shimfit"
MOST_TABS = 8
"""Each tab is a program of its own, about 60 MB."""
MOST_COLUMNS, MOST_ROWS = 500, 200
MOST_TYPED = 20_000
"""Characters in one message: a pasted text at most."""
REFUSAL = """<!DOCTYPE html>
<html lang="en"><head><meta charset="utf-8"><title>shimfit</title><link rel="icon" href="data:,">
<meta name="viewport" content="width=device-width, initial-scale=1"></head>
<body style="margin:0;padding:2rem;font:1.2rem monospace;color:#000;background:#fff"><p>{}</p></body></html>
"""
"""What is shown to whoever is not let in, large enough to be read on a phone."""


class Door:
    """Who is let in: on loopback all who ask for this machine by its own name; else who brings the key."""

    def __init__(self, host: str) -> None:
        self.is_open = host in LOOPBACK
        self.key: str | None = None if self.is_open else secrets.token_urlsafe(12)
        self._pass = secrets.token_urlsafe(24)

    def asks_by_its_name(self, host_header: str) -> bool:
        """False for a page elsewhere that points its own name at this machine."""
        return not self.is_open or (_split(f"//{host_header}").hostname or "") in LOOPBACK

    def knows(self, cookie: str | None) -> bool:
        """True for the browser that came with the key."""
        return self.is_open or _same(cookie, self._pass)

    def use(self, key: str | None) -> str | None:
        """The cookie for whoever brings the key, the first time; None otherwise."""
        if self.key is None or not _same(key, self.key):
            return None
        self.key = None
        return self._pass


def _same(given: str | None, secret: str) -> bool:
    """Compared as bytes: of texts only ASCII ones can be compared so, and anything may come."""
    return given is not None and secrets.compare_digest(given.encode("utf-8", "replace"), secret.encode())


def _split(url: str) -> SplitResult:
    """Parts of an address that a browser sent; none of an address that is none."""
    try:
        return urlsplit(url)
    except ValueError:
        return SplitResult("", "", "", "", "")


def cells_of(width: object, height: object) -> tuple[int, int] | None:
    """The size of a browser's terminal within bounds, or None where it is no size at all."""
    try:
        columns, rows = int(width), int(height)  # type: ignore[call-overload] # what came is judged by this
    except (TypeError, ValueError, OverflowError):
        return None
    return min(max(columns, 10), MOST_COLUMNS), min(max(rows, 4), MOST_ROWS)


def qr_of(url: str) -> str:
    """The address as a QR code (ISO/IEC 18004) for a terminal: two modules a character, black on white."""
    from shimfit.report.words import qr_rows

    matrix = qr_rows(url, border=3)
    if len(matrix) % 2:
        matrix.append([False] * len(matrix[0]))
    signs = {(0, 0): " ", (1, 0): "▀", (0, 1): "▄", (1, 1): "█"}
    lines = (
        "".join(signs[int(upper > 0), int(lower > 0)] for upper, lower in zip(*pair, strict=True))
        for pair in zip(matrix[::2], matrix[1::2], strict=True)
    )
    return "".join(f"\x1b[30;107m{line}\x1b[0m\n" for line in lines)


def serve(path: Path | str, *, host: str, port: int, talk: Callable[[str], None]) -> int:
    """Serve until Ctrl+C; says through `talk` where. Raises UsageError when the port can't be had."""
    _check_port(host, port)
    door = Door(host)
    key = f"?key={door.key}" if door.key else ""
    places = [f"http://{name}:{port}/{key}" for name in _names(host)]
    talk(f"shimfit in the browser: {' or '.join(places)}")
    if door.key:
        talk("open to the network: the key works once, in one browser. Ctrl+C ends it.")
        if sys.stderr.isatty():
            sys.stderr.write(qr_of(places[-1]))
    _server(path, host, port, door).serve()
    return Exit.DONE


def _names(host: str) -> list[str]:
    """What the other end can call this machine: by name and, as a phone may not know it, by number."""
    if host in LOOPBACK:
        return ["localhost"]
    if host not in EVERY_ADDRESS:
        return [f"[{host}]" if ":" in host else host]
    number = _own_number()
    return [socket.gethostname(), *([number] if number else [])]


def _own_number() -> str | None:
    """This machine's address in its network; None without one."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # RFC 5737: an address of nobody; nothing is sent
        except OSError:
            return None
        number: str = probe.getsockname()[0]
        return number


def _check_port(host: str, port: int) -> None:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except (OSError, OverflowError) as error:
            raise UsageError(
                f"port {port} on {host} can't be had: {error}; give another --host or --port"
            ) from error


async def _never_in_a_frame(_: web.Request, response: web.StreamResponse) -> None:
    """No page elsewhere may show this one in a frame and have it tapped unseen."""
    response.headers["X-Frame-Options"] = "DENY"
    response.headers["Content-Security-Policy"] = "frame-ancestors 'none'"


async def _received(text: str, websocket: web.WebSocketResponse, tab: Any) -> bool:
    """Do what a message of the page says; False for what is none."""
    try:
        kind, *rest = json.loads(text)
        if kind == "stdin" and len(rest[0]) <= MOST_TYPED:
            await tab.send_bytes(rest[0].encode("utf-8", "replace"))
        elif kind == "resize" and (size := cells_of(rest[0]["width"], rest[0]["height"])) is not None:
            await tab.set_terminal_size(*size)
        elif kind == "ping" and len(text) <= MOST_TYPED:
            await websocket.send_json(["pong", rest[0]])
        elif kind in ("blur", "focus"):
            await getattr(tab, kind)()
        else:
            return False
    except (ValueError, TypeError, LookupError, AttributeError, RecursionError):
        return False
    return True


def _server(path: Path | str, host: str, port: int, door: Door) -> Any:
    """The web server; its library is imported here, nobody else pays for it."""
    from aiohttp import WSCloseCode, WSMsgType, web
    from textual_serve.server import Server

    def refused(why: str) -> web.HTTPForbidden:
        return web.HTTPForbidden(text=REFUSAL.format(escape(why)), content_type="text/html")

    @web.middleware
    async def guard(request: web.Request, handler: Handler) -> web.StreamResponse:
        if not door.asks_by_its_name(request.host):
            raise refused("shimfit answers only to this machine's own name")
        origin = request.headers.get("Origin")
        if origin is not None and _split(origin).netloc != request.host:
            raise refused("another page can't use shimfit")
        if door.knows(request.cookies.get(COOKIE)):
            return await handler(request)
        if request.method != "GET":  # a preview that only asks whether the page is there
            raise refused("shimfit is asked for by GET")
        granted = door.use(request.query.get("key"))
        if granted is None:
            raise refused(
                "The address carries a key that works once, in one browser. Use that browser, "
                "or start shimfit serve again: it tells a new key."
            )
        answer = web.HTTPFound("/")  # so that the key does not stay in the browser's history as the page
        answer.set_cookie(COOKIE, granted, httponly=True, samesite="Strict")
        return answer

    class ShimfitServer(Server):
        """One tab, one process; our page, our words."""

        tabs = 0

        def initialize_logging(self) -> None:
            logging.basicConfig(level=logging.WARNING, format="%(message)s")

        async def _make_app(self) -> web.Application:
            app: web.Application = await super()._make_app()
            app.middlewares.append(guard)
            app.on_response_prepare.append(_never_in_a_frame)
            return app

        async def handle_websocket(self, request: web.Request) -> Any:
            """A tab: refused in words where it is no socket, of no size, or one too many."""
            width, height = request.query.get("width", "80"), request.query.get("height", "24")
            size = cells_of(width, height)
            if size is None or not web.WebSocketResponse().can_prepare(request):
                raise web.HTTPBadRequest(text="this is for the page's own socket, with a width and a height")
            if self.tabs >= MOST_TABS:
                raise web.HTTPServiceUnavailable(text=f"{MOST_TABS} tabs are open already: close one")
            self.tabs += 1
            try:
                query = {"width": str(size[0]), "height": str(size[1])}
                return await super().handle_websocket(
                    request.clone(rel_url=request.rel_url.with_query(query))
                )
            finally:
                self.tabs -= 1

        async def _process_messages(self, websocket: web.WebSocketResponse, app_service: Any) -> None:
            """Hear the tab's messages, until one comes that the page never sends."""
            async for message in websocket:
                if message.type is not WSMsgType.TEXT:
                    continue
                if not await _received(message.data, websocket, app_service):
                    await websocket.close(code=WSCloseCode.POLICY_VIOLATION, message=b"not understood")
                    return

        async def on_startup(self, app: web.Application) -> None:
            """Nothing: where it runs was said already."""

        async def handle_index(self, request: web.Request) -> Any:
            # Under whatever name the browser came, the page's parts are fetched by the same name.
            self.public_url = f"{request.scheme}://{request.host}"
            return await super().handle_index(request)

    command = shlex.join([sys.executable, "-m", "shimfit.tui.serve", str(Path(path).absolute())])
    return ShimfitServer(command, host=host, port=port, title="shimfit", templates_path=str(PAGE))


# ---------------------------------------------------------------- in a tab: python -m shimfit.tui.serve FILE

LEAVING_S = 3.0


def _leave_with_the_server() -> None:
    """End this program when the server's end of the pipe is gone, however the server ended (kill -9)."""
    poll = select.poll()
    poll.register(sys.stdin.fileno(), 0)  # nothing is asked for: the poll says only that it was hung up
    poll.poll()
    os.kill(os.getpid(), signal.SIGTERM)
    time.sleep(LEAVING_S)
    os._exit(1)


def run_tab(path: str) -> int:
    """One browser tab's program under the web server's driver: open the data file and run the screen."""
    from shimfit.tui import run
    from shimfit.workflow.site import Site

    if hasattr(select, "poll"):
        threading.Thread(target=_leave_with_the_server, daemon=True).start()
    with Site.open(path) as site:
        return run(site, ascii=False)


if __name__ == "__main__":
    try:
        sys.exit(run_tab(sys.argv[1]))
    except ShimfitError as error:
        sys.stderr.write(f"shimfit: {error.message}\n")
        sys.exit(error.exit_code)
