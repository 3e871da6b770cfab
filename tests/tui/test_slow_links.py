"""A link that delivers a key in pieces: on a real terminal, split at every byte, nothing of it is typed."""

from __future__ import annotations

import fcntl
import os
import pty
import select
import struct
import sys
import termios
import time

import pytest

from shimfit.tui import ESCAPE_MS
from shimfit.workflow.site import Site

GAP_S = 0.2
PATIENT_MS = "3000"
"""The test's own patience: a busy machine may make a gap longer, which is not what is looked at here."""
SEQUENCES = {
    "up": b"\x1b[A",
    "down, application mode": b"\x1bOB",
    "page down": b"\x1b[6~",
    "F12": b"\x1b[24~",
    "back tab": b"\x1b[Z",
    "focus lost": b"\x1b[O",
    "focus come": b"\x1b[I",
    "ctrl and right": b"\x1b[1;5C",
    "mouse moved": b"\x1b[<35;40;12M",
}
"""As terminals send them: control functions of ECMA-48, and a mouse report of xterm's mode 1006."""


def on_a_terminal(path, pieces: list[bytes], **environment: str) -> bytes:
    """Start the program, send the pieces with a gap after each, then a reading, and quit; what it showed."""
    pid, terminal = pty.fork()
    if pid == 0:
        fcntl.ioctl(0, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        own = {"TERM": "xterm-256color", "LANG": "C.UTF-8", **environment}
        words = [sys.executable, "-m", "shimfit", "--db", str(path)]
        os.execve(sys.executable, words, {**os.environ, **own})
    shown = b""

    def look(seconds: float, wanted: bytes = b"\0") -> None:
        nonlocal shown
        end_s = time.monotonic() + seconds
        while wanted not in shown and (left_s := end_s - time.monotonic()) > 0:
            if select.select([terminal], [], [], left_s)[0]:
                try:
                    shown += os.read(terminal, 65536)
                except OSError:
                    return  # it has ended

    try:
        look(20, b"allowed 2.0 mm")
        look(0.5)
        for piece in pieces:
            os.write(terminal, piece)
            look(GAP_S)
        os.write(terminal, b"6n10h\r")
        look(10, b"logged")
        os.write(terminal, b"\x11")  # Ctrl+Q
        look(10)
    finally:
        os.kill(pid, 9)
        os.waitpid(pid, 0)
        os.close(terminal)
    return shown


def readings(path) -> list[str]:
    """All that was logged as a reading, as typed."""
    with Site.open(path, read_only=True, environment={}) as site:
        return [reading.text for post in site.run("heron", "jetty").posts for reading in post.readings]


@pytest.mark.skipif(not hasattr(os, "fork"), reason="a pseudo-terminal needs fork")
def test_a_key_that_comes_in_pieces_puts_nothing_into_a_reading(make_site) -> None:
    site = make_site()
    pieces = [b""]
    for whole in SEQUENCES.values():
        for at in range(1, len(whole)):
            pieces[-1] += whole[:at]  # right behind the rest of the one before
            pieces.append(whole[at:])
    shown = on_a_terminal(site.path, pieces, ESCDELAY=PATIENT_MS)
    assert readings(site.path) == ["6n10h"]
    assert b"refused" not in shown
    assert b"Traceback" not in shown


def test_the_programs_own_patience_covers_such_a_link() -> None:
    assert int(ESCAPE_MS) > 1000 * GAP_S
