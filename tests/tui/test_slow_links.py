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

from shimfit.tui import ESCAPE_MS, NO_SIZE, SIZE_LOOK_S
from shimfit.workflow.site import Site

GAP_S = 0.2
"""What a slow link may put between two bytes."""
READ_S = 0.03
"""Bytes so far apart are read one after another, which is what matters: the patience is set longer."""
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
    "wheel up": b"\x1b[<64;40;12M",
    "wheel down": b"\x1b[<65;40;12M",
    "nothing pasted": b"\x1b[200~\x1b[201~",
}
"""As terminals send them: control functions of ECMA-48, mouse reports of xterm's mode 1006, and the marks
around what is pasted, of its mode 2004."""


def resize(terminal: int, rows: int, columns: int) -> None:
    fcntl.ioctl(terminal, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))


def on_a_terminal(
    path,
    pieces: list[bytes],
    *,
    starts_without_size: bool = False,
    typed: bytes = b"6n10h",
    **environment: str,
) -> bytes:
    """Start the program, send the pieces with a gap after each, then a reading, and quit; what it showed.

    starts_without_size: its terminal has none until it has said so.
    """
    pid, terminal = pty.fork()
    if pid == 0:
        resize(0, *((0, 0) if starts_without_size else (24, 80)))
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
        if starts_without_size:
            look(20, b"needs none")
            look(3 * SIZE_LOOK_S)
            resize(terminal, 24, 80)
        look(20, b"allowed 2.0 mm")
        look(0.5)
        for piece in pieces:
            os.write(terminal, piece)
            look(READ_S)
        os.write(terminal, typed + b"\r")
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


needs_fork = pytest.mark.skipif(not hasattr(os, "fork"), reason="a pseudo-terminal needs fork")


def in_two(*sequences: bytes) -> list[bytes]:
    """Each in two pieces, at every byte; each right behind the rest of the one before."""
    pieces = [b""]
    for whole in sequences:
        for at in range(1, len(whole)):
            pieces[-1] += whole[:at]
            pieces.append(whole[at:])
    return pieces


@needs_fork
def test_a_key_that_comes_in_pieces_puts_nothing_into_a_reading(make_site) -> None:
    site = make_site()
    pieces = in_two(*SEQUENCES.values())
    shown = on_a_terminal(site.journal.path, pieces, ESCDELAY=PATIENT_MS)
    assert readings(site.journal.path) == ["6n10h"]
    assert b"refused" not in shown
    assert b"Traceback" not in shown


@needs_fork
def test_what_is_pasted_in_pieces_is_the_reading_and_nothing_else(make_site) -> None:
    site = make_site()
    pieces = in_two(b"\x1b[200~plumb\x1b[201~\r")
    shown = on_a_terminal(site.journal.path, pieces, typed=b"plumb", ESCDELAY=PATIENT_MS)
    assert readings(site.journal.path) == ["plumb"] * len(pieces), "each paste, and the one typed after them"
    assert b"refused" not in shown
    assert b"Traceback" not in shown


@needs_fork
def test_a_terminal_without_a_size_is_told_once_and_waited_for(make_site) -> None:
    site = make_site()
    shown = on_a_terminal(site.journal.path, [], starts_without_size=True)
    assert shown.startswith(NO_SIZE.strip().encode())
    assert shown.count(b"0 x 0") == 1
    assert readings(site.journal.path) == ["6n10h"]
    assert len(shown) < 200_000, "not drawn over and over"


def test_the_programs_own_patience_covers_such_a_link() -> None:
    assert int(ESCAPE_MS) > 1000 * GAP_S
