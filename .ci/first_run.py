"""The README's first command as a new user runs it, in a pseudo-terminal, until it quits by itself.

Usage: first_run.py FOLDER COMMAND. The program starts on an empty data file, opens the sample job, logs one
reading and quits (SHIMFIT_REHEARSE); then it is started again as installed, must come back at the same job,
and is left with Ctrl+Q. Exit code 1 and the end of what was on the screen when any of it fails.
"""

from __future__ import annotations

import fcntl
import json
import os
import pty
import re
import select
import struct
import subprocess
import sys
import tempfile
import termios
import time
from collections.abc import Callable

LONGEST_S = 900.0
COLUMNS, ROWS = 80, 24
ESCAPES = re.compile(rb"\x1b(\[[0-?]*[ -/]*[@-~]|\][^\x07\x1b]*(\x07|\x1b\\)|[P_^][^\x1b]*\x1b\\|[@-Z\\-_])")


def in_a_terminal(
    command: str, folder: str, environment: dict[str, str], keys: Callable[[str], bytes | None]
) -> tuple[int, str]:
    """Run a shell command in a pseudo-terminal; (exit code, everything it drew without the escapes).

    keys: called with what was drawn so far, gives what is typed next, once each; None types nothing.
    """
    child, terminal = pty.fork()
    if child == 0:
        os.chdir(folder)
        os.execvpe("bash", ["bash", "-euo", "pipefail", "-c", command], environment)
    fcntl.ioctl(terminal, termios.TIOCSWINSZ, struct.pack("HHHH", ROWS, COLUMNS, 0, 0))
    drawn, started = b"", time.monotonic()
    while time.monotonic() - started < LONGEST_S:
        ready, _, _ = select.select([terminal], [], [], 0.2)
        if ready:
            try:
                part = os.read(terminal, 65536)
            except OSError:  # Linux: the far side is closed
                break
            if not part:
                break
            drawn += part
        typed = keys(plain(drawn))
        if typed is not None:
            os.write(terminal, typed)
    else:
        os.kill(child, 9)
        os.waitpid(child, 0)
        return 124, plain(drawn)
    _, status = os.waitpid(child, 0)
    return os.waitstatus_to_exitcode(status), plain(drawn)


def plain(drawn: bytes) -> str:
    """What was drawn without escape sequences."""
    return ESCAPES.sub(b"", drawn).decode("utf-8", "replace")


def fail(why: str, drawn: str) -> None:
    """Say what went wrong with the end of the screen, and leave."""
    print(drawn[-4000:])
    sys.exit(f"first run: {why}")


def main(folder: str, command: str) -> None:
    """Set up, run, look, come back, leave."""
    with tempfile.TemporaryDirectory() as data:
        environment = {
            **os.environ,
            "TERM": "xterm-256color",
            "LANG": "C.UTF-8",
            "SHIMFIT_DB": f"{data}/first.db",
            "SHIMFIT_REHEARSE": "1",
        }
        started = time.monotonic()
        code, drawn = in_a_terminal(command, folder, environment, lambda _: None)
        if code != 0:
            fail(f"the command ended with {code}", drawn)
        if "post" not in drawn:
            fail("no post was drawn", drawn)
        took_s = time.monotonic() - started
        print(f"first run: set up, drawn, one reading logged, left by itself: {took_s:.0f} s")

        shimfit = f"{folder}/.venv/bin/shimfit"
        listed = subprocess.run(
            [shimfit, "job", "list", "--json"], env=environment, capture_output=True, text=True, check=True
        )
        jobs = json.loads(listed.stdout)["jobs"]
        if not any(job["sample"] for job in jobs):
            fail(f"no sample job is in the data file: {jobs}", drawn)

        del environment["SHIMFIT_REHEARSE"]
        left = False

        def leave(screen: str) -> bytes | None:
            nonlocal left
            if left or "boardwalk" not in screen:
                return None
            left = True
            return b"\x11"  # Ctrl+Q

        code, drawn = in_a_terminal(shimfit, folder, environment, leave)
        if code != 0 or not left:
            fail(f"started again it ended with {code}", drawn)
        print("second run: back at the same run, left with Ctrl+Q")


if __name__ == "__main__":
    main(*sys.argv[1:])
