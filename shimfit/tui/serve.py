"""The same program in a browser: one process a tab, a page of our own, nothing loaded from elsewhere.

On this machine only, unless told otherwise. Opened to the network, the address carries a key that lets in
one browser, once; from then on that browser has a cookie. There is no login and no encryption: it is for
a trusted network, such as the phone's own.
"""

from __future__ import annotations

import logging
import secrets
import shlex
import socket
import sys
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

from shimfit.errors import Exit, UsageError

if TYPE_CHECKING:
    from aiohttp import web

    Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]

LOOPBACK = ("localhost", "127.0.0.1", "::1")
PAGE = Path(__file__).with_name("page")
COOKIE = "shimfit"


class Door:
    """Who is let in: on loopback all who ask for this machine by its own name; else who brings the key."""

    def __init__(self, host: str) -> None:
        self.is_open = host in LOOPBACK
        self.key: str | None = None if self.is_open else secrets.token_urlsafe(12)
        self._pass = secrets.token_urlsafe(24)

    def asks_by_its_name(self, host_header: str) -> bool:
        """False for a page elsewhere that points its own name at this machine."""
        name = urlsplit(f"//{host_header}").hostname or ""
        return not self.is_open or name in LOOPBACK

    def knows(self, cookie: str | None) -> bool:
        """True for the browser that came with the key."""
        return self.is_open or (cookie is not None and secrets.compare_digest(cookie, self._pass))

    def use(self, key: str | None) -> str | None:
        """The cookie for whoever brings the key, the first time; None otherwise."""
        if self.key is None or key is None or not secrets.compare_digest(key, self.key):
            return None
        self.key = None
        return self._pass


def serve(path: Path | str, *, host: str, port: int, talk: Callable[[str], None]) -> int:
    """Serve until Ctrl+C; says through `talk` where. Raises UsageError when the port can't be had."""
    _check_port(host, port)
    door = Door(host)
    where = "localhost" if door.is_open else socket.gethostname()
    key = f"?key={door.key}" if door.key else ""
    talk(f"shimfit in the browser: http://{where}:{port}/{key}")
    if door.key:
        talk("open to the network: the address works once, in one browser. Ctrl+C ends it.")
    _server(path, host, port, door).serve()
    return Exit.DONE


def _check_port(host: str, port: int) -> None:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except (OSError, OverflowError) as error:
            raise UsageError(f"port {port} on {host} can't be had: {error}; give another --port") from error


def _server(path: Path | str, host: str, port: int, door: Door) -> Any:
    """The web server; its library is imported here, nobody else pays for it."""
    from aiohttp import web
    from textual_serve.server import Server

    @web.middleware
    async def guard(request: web.Request, handler: Handler) -> web.StreamResponse:
        if not door.asks_by_its_name(request.host):
            raise web.HTTPForbidden(text="shimfit answers only to this machine's own name")
        origin = request.headers.get("Origin")
        if origin is not None and urlsplit(origin).netloc != request.host:
            raise web.HTTPForbidden(text="another page can't use shimfit")
        if door.knows(request.cookies.get(COOKIE)):
            return await handler(request)
        granted = door.use(request.query.get("key"))
        if granted is None:
            raise web.HTTPForbidden(
                text="the address carries a key that works once; start shimfit serve again"
            )
        answer = web.HTTPFound("/")  # so that the key does not stay in the browser's history as the page
        answer.set_cookie(COOKIE, granted, httponly=True, samesite="Strict")
        return answer

    class ShimfitServer(Server):
        """One tab, one process; our page, our words."""

        def initialize_logging(self) -> None:
            logging.basicConfig(level=logging.WARNING, format="%(message)s")

        async def _make_app(self) -> web.Application:
            app: web.Application = await super()._make_app()
            app.middlewares.append(guard)
            return app

        async def on_startup(self, app: web.Application) -> None:
            """Nothing: where it runs was said already."""

        async def handle_index(self, request: web.Request) -> Any:
            # Under whatever name the browser came, the page's parts are fetched by the same name.
            self.public_url = f"{request.scheme}://{request.host}"
            return await super().handle_index(request)

    command = shlex.join([sys.executable, "-m", "shimfit.tui.served", str(Path(path).absolute())])
    return ShimfitServer(command, host=host, port=port, title="shimfit", templates_path=str(PAGE))
