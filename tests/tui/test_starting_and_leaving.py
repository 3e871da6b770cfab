"""The real program on a pseudo-terminal: what the first paint loads, and how the terminal is left."""

from __future__ import annotations

import fcntl
import os
import pty
import select
import signal
import struct
import subprocess
import sys
import termios
import time

import pytest

RUN = """
import sys
from shimfit.workflow.site import Site
from shimfit.tui import run
s = Site.open(sys.argv[1])
"""
LEAVE_ALTERNATE, MOUSE_OFF, CURSOR_ON = b"\x1b[?1049l", b"\x1b[?1000l", b"\x1b[?25h"


def start(script: str, *arguments: str, **environment: str) -> tuple[int, int]:
    """(pid, terminal) of a fresh interpreter on an 80 x 24 pseudo-terminal."""
    pid, terminal = pty.fork()
    if pid == 0:
        os.environ.update({"TERM": "xterm-256color", "LANG": "C.UTF-8", "COLORTERM": "", **environment})
        os.execv(sys.executable, [sys.executable, "-c", script, *arguments])
    fcntl.ioctl(terminal, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    return pid, terminal


def read_until(terminal: int, text: bytes, seconds: float = 60.0) -> bytes:
    """Everything that came up to a text; fails when it does not come."""
    got, end = b"", time.monotonic() + seconds
    while text not in got:
        assert time.monotonic() < end, got[-2000:]
        if select.select([terminal], [], [], 0.1)[0]:
            got += os.read(terminal, 65536)
    return got


def leave(pid: int, terminal: int) -> tuple[int, bytes]:
    """(exit code, what came last) once the program is gone."""
    got = b""
    while True:
        try:
            part = os.read(terminal, 65536)
        except OSError:  # the far end is closed
            break
        if not part:
            break
        got += part
    os.close(terminal)
    return os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]), got


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP, signal.SIGINT])
def test_signals_restore_the_terminal_and_say_so(make_site, number) -> None:
    site = make_site()
    site.close()
    pid, terminal = start(RUN + "sys.exit(run(s))", str(site.journal.path))
    read_until(terminal, b"allowed 2.0 mm")
    os.kill(pid, number)
    code, last = leave(pid, terminal)
    assert code == 128 + number
    for restored in (LEAVE_ALTERNATE, MOUSE_OFF, CURSOR_ON):
        assert restored in last


REHEARSE = (
    RUN
    + """
code = run(s, rehearse=True)
from textual.constants import MAX_FPS
print("BEAT", MAX_FPS)
sys.exit(code)
"""
)


@pytest.mark.parametrize(("own", "beat"), [({}, b"BEAT 120"), ({"TEXTUAL_FPS": "30"}, b"BEAT 30")])
def test_the_rehearsal_logs_one_reading_and_quits_by_itself(tmp_path, own, beat) -> None:
    """On the beat that frames are painted on, which a person may choose himself."""
    from shimfit.workflow.site import Site

    path = tmp_path / "rehearsed.db"
    pid, terminal = start(REHEARSE, str(path), **own)
    code, last = leave(pid, terminal)
    assert code == 0, last[-2000:]
    assert beat in last
    assert LEAVE_ALTERNATE in last
    with Site.open(path) as site:
        place = site.last_place()
        assert place is not None
        assert site.post(place).readings[-1].text == "3mmn2mmo"


FIRST_PAINT = (
    RUN
    + """
from shimfit.tui.app import ShimfitApp
import asyncio
async def paint():
    async with ShimfitApp(s).run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        print("LOADED", " ".join(sorted(name for name in sys.modules if "." not in name)))
asyncio.run(paint())
"""
)
NOT_LOADED = ("numpy", "highspy", "pint", "serial", "scipy", "fpdf", "textual_serve", "aiohttp")


def test_the_first_paint_loads_no_heavy_package(make_site) -> None:
    site = make_site()
    site.close()
    done = subprocess.run(
        [sys.executable, "-c", FIRST_PAINT, str(site.journal.path)],
        capture_output=True,
        text=True,
        check=True,
    )
    loaded = done.stdout.partition("LOADED ")[2].split()
    assert "textual" in loaded
    assert not set(NOT_LOADED) & set(loaded)


def test_words_pictures_and_plain_mode_load_no_terminal_library() -> None:
    script = (
        "import sys, shimfit.tui, shimfit.tui.plain, shimfit.text.phrases, shimfit.text.pictures;"
        "assert 'textual' not in sys.modules and 'rich' not in sys.modules and 'numpy' not in sys.modules"
    )
    subprocess.run([sys.executable, "-c", script], check=True)


IN_PIECES = """
import sys
from shimfit.tui import set_beat
set_beat()
from textual import _parser, events
from textual._xterm_parser import XTermParser
now = 0.0
_parser.get_time = lambda: now
keys = ["[A", "[B", "OP", "[15~", "[1;5C", "[5~", "[Z", "[<0;12;7M", "[<0;12;7m", "[<65;3;9M"]
typed = []
for key in keys:
    sequence = chr(27) + key
    for cut in range(1, len(sequence)):
        parser, found = XTermParser(), []
        for piece in (sequence[:cut], sequence[cut:]):
            found += [*parser.tick(), *parser.feed(piece)]
            now += 0.2
        found += parser.tick()
        typed += [(sequence, cut, one) for one in found if isinstance(one, events.Key) and one.is_printable]
sys.exit(f"typed: {typed}" if typed else 0)
"""


def test_a_key_that_comes_in_pieces_types_nothing() -> None:
    """A slow link: keys and taps that a terminal sends as several bytes, split anywhere, 200 ms between."""
    clean = {name: value for name, value in os.environ.items() if name != "ESCDELAY"}
    subprocess.run([sys.executable, "-c", IN_PIECES], check=True, timeout=60, env=clean)
    hasty = subprocess.run([sys.executable, "-c", IN_PIECES], check=False, env=clean | {"ESCDELAY": "100"})
    assert hasty.returncode != 0, "by the library's own patience the rest of a key is typed"
