"""Speed of the terminal program: start-up against a bare app, key to echo, the target at 20 Hz, memory.

`python tests/bench/screen.py` prints one table. Everything is timed side by side in this run; judge the
ratios, a phone or an old laptop is several times slower.
"""

from __future__ import annotations

import asyncio
import fcntl
import math
import os
import pty
import resource
import select
import statistics
import struct
import subprocess
import sys
import tempfile
import termios
import time
from pathlib import Path

from shimfit.model import Lean
from shimfit.tui.app import ShimfitApp
from shimfit.tui.sensing import Live
from shimfit.tui.setting_up import add_run
from shimfit.tui.widgets.entry_line import EntryLine
from shimfit.workflow.site import Site

BEST_OF = 7
BARE = """
from textual.app import App
from textual.widgets import Label
class Bare(App):
    def compose(self):
        yield Label("bare is painted")
Bare().run()
"""
OURS = """
import sys
from shimfit.workflow.site import Site
from shimfit.tui import run
with Site.open(sys.argv[1]) as site:
    run(site)
"""
SOLVE = ("-m", "shimfit", "solve", "10mm n 5mm o", "--height", "1000mm", "--foot", "100x100mm", "--json")


def data_file(folder: Path, posts: int) -> Path:
    """A run of so many posts."""
    path = folder / f"bench{posts}.db"
    with Site.open(path, environment={}) as site:
        answers = {
            "job": "bench",
            "run": "long",
            "legs": f"{(posts - 1) * 1.2:.1f}m",
            "every": "1.2m",
            "foot": "90x90mm",
            "height": "1000mm",
            "tolerance": "1:500",
        }
        add_run(site, answers)
    return path


def first_paint(arguments: list[str], sentinel: bytes) -> tuple[float, float]:
    """(seconds from fork to the sentinel on an 80 x 24 pseudo-terminal, resident MB a moment later)."""
    start = time.perf_counter()
    pid, terminal = pty.fork()
    if pid == 0:
        fcntl.ioctl(0, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        os.environ.update({"TERM": "xterm-256color", "LANG": "C.UTF-8"})
        os.execv(sys.executable, [sys.executable, *arguments])
    got = b""
    while sentinel not in got:
        if select.select([terminal], [], [], 20)[0]:
            got += os.read(terminal, 65536)
        else:
            raise RuntimeError(f"no first paint: {got[-500:]!r}")
    seconds = time.perf_counter() - start
    end = time.perf_counter() + 0.3
    while time.perf_counter() < end:
        if select.select([terminal], [], [], 0.05)[0]:
            os.read(terminal, 65536)
    pages = int(Path(f"/proc/{pid}/statm").read_text("ascii").split()[1])
    os.kill(pid, 9)
    os.waitpid(pid, 0)
    os.close(terminal)
    return seconds, pages * resource.getpagesize() / 2**20


def command(arguments: tuple[str, ...]) -> float:
    """Seconds that a command takes."""
    start = time.perf_counter()
    subprocess.run([sys.executable, *arguments], check=True, capture_output=True)
    return time.perf_counter() - start


async def bare_key(columns: int, rows: int) -> list[float]:
    """Seconds from a key to the line drawn again in a bare app with one line editor."""
    from textual.app import App
    from textual.widgets import Input

    class Bare(App[None]):
        def compose(self):
            yield Input()

    times: list[float] = []
    app = Bare()
    async with app.run_test(size=(columns, rows)) as pilot:
        await pilot.pause()
        line = app.query_one(Input)
        for sign in "9.5mmn13mmo" * 8:
            start = time.perf_counter()
            line.insert_text_at_cursor(sign)
            drawn = asyncio.Event()
            app.screen.call_after_refresh(drawn.set)
            await drawn.wait()
            times.append(time.perf_counter() - start)
            await asyncio.sleep(0.01)
    return times


async def key_to_echo(path: Path, columns: int, rows: int) -> list[float]:
    """Seconds from a key to its echo drawn, for many keys, an inclinometer painting at 20 Hz beside it."""
    times: list[float] = []
    with Site.open(path) as site:
        app = ShimfitApp(site)
        async with app.run_test(size=(columns, rows)) as pilot:
            await pilot.pause()
            page, line = app._home, app.page.query_one(EntryLine)
            turn = iter(range(10**9))
            wander = app.set_interval(1 / 20, lambda: page.show_live(_wandering(next(turn))))
            for text in ["3/8n1/2o", "9.5mmn13mmo", "1 1/4n3/8h"] * 5:
                line.value = ""
                await pilot.pause()
                for sign in text:
                    start = time.perf_counter()
                    line.insert_text_at_cursor(sign)
                    while page.sight.heard is None or page.sight.heard.text != line.value:  # noqa: ASYNC110 - polled on purpose
                        await asyncio.sleep(0)
                    drawn = asyncio.Event()
                    page.call_after_refresh(drawn.set)
                    await drawn.wait()
                    times.append(time.perf_counter() - start)
                    await asyncio.sleep(0.01)
            wander.stop()
    return times


def _wandering(turn: int) -> Live:
    angle = turn / 7
    return Live(Lean(0.006 * math.cos(angle), 0.004 * math.sin(1.3 * angle)), "moving", "")


TARGET = """
import sys, math, time, threading, resource, os
from shimfit.model import Lean
from shimfit.workflow.site import Site
from shimfit.tui.app import ShimfitApp
class Wire:
    state = "MOVING"; words = "moving"; banner = None; age_s = 0.0; taken = None
    def __init__(self): self.begin = time.monotonic()
    def start(self): pass
    def stop(self): pass
    def again(self): pass
    def snapshot(self):
        t = time.monotonic() - self.begin
        self.lean = Lean(0.006 * math.cos(t), 0.004 * math.sin(1.3 * t))
        return self
seconds = float(sys.argv[2])
streams = sys.argv[3] == "yes"
class Timed(ShimfitApp):
    def on_mount(self):
        super().on_mount()
        self.set_timer(1.0, self.begin)
    def begin(self):
        use = resource.getrusage(resource.RUSAGE_SELF)
        self.cpu = use.ru_utime + use.ru_stime
        os.write(2, b"\\x1b]0;BEGIN\\x07")
        self.set_timer(seconds, self.end)
    def end(self):
        os.write(2, b"\\x1b]0;END\\x07")
        use = resource.getrusage(resource.RUSAGE_SELF)
        open(sys.argv[1] + ".cpu", "w").write(str((use.ru_utime + use.ru_stime - self.cpu) / seconds))
        self.leave(0)
with Site.open(sys.argv[1]) as site:
    Timed(site, sensor=Wire() if streams else None).run()
"""


def target_at_20_hz(path: Path, *, streams: bool, seconds: float = 6.0) -> tuple[float, float]:
    """(share of one core, bytes/s on the wire) while the target is drawn at 20 Hz, 80 x 24."""
    pid, terminal = pty.fork()
    if pid == 0:
        fcntl.ioctl(0, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        os.environ.update({"TERM": "xterm-256color", "LANG": "C.UTF-8"})
        os.execv(
            sys.executable,
            [sys.executable, "-c", TARGET, str(path), str(seconds), "yes" if streams else "no"],
        )
    got = b""
    while True:
        try:
            part = os.read(terminal, 65536)
        except OSError:
            break
        if not part:
            break
        got += part
    os.waitpid(pid, 0)
    os.close(terminal)
    between = got.partition(b"]0;BEGIN")[2].partition(b"\x1b]0;END")[0]
    return float(Path(f"{path}.cpu").read_text("ascii")), len(between) / seconds


def spread(times: list[float]) -> str:
    """Median and 99th percentile in words."""
    ordered = sorted(times)
    p99 = ordered[int(len(ordered) * 0.99)]
    return f"median {1000 * statistics.median(ordered):.1f}, p99 {1000 * p99:.1f} ms"


def row(what: str, figure: str, goal: str = "") -> None:
    """One row of the table."""
    print(f"{what:<46} {figure:>22}   {goal}")


def main() -> None:
    """Measure and print."""
    with tempfile.TemporaryDirectory() as folder:
        small, large = data_file(Path(folder), 24), data_file(Path(folder), 1000)
        bare, ours, memory_bare, memory_ours = [], [], [], []
        for _ in range(BEST_OF):
            for arguments, sentinel, times, sizes in (
                (["-c", BARE], b"bare is painted", bare, memory_bare),
                (["-c", OURS, str(small)], b"allowed 2.0 mm", ours, memory_ours),
            ):
                seconds, megabytes = first_paint(arguments, sentinel)
                times.append(seconds)
                sizes.append(megabytes)
        nothing = min(command(("-c", "pass")) for _ in range(BEST_OF))
        version = min(command(("-m", "shimfit", "--version")) for _ in range(BEST_OF))
        solve = min(command(SOLVE) for _ in range(BEST_OF))
        row(f"best of {BEST_OF}, seconds", "", "goal")
        row("bare app, first paint 80x24", f"{min(bare):.3f} s")
        row(
            "shimfit, first paint 80x24, 24 posts",
            f"{min(ours):.3f} s = {min(ours) / min(bare):.2f} x",
            "<= 1.6 x",
        )
        row("python -c pass", f"{nothing:.3f} s")
        row("shimfit --version", f"{version:.3f} s = {version / nothing:.2f} x", "<= 4 x python -c pass")
        row("shimfit solve", f"{solve:.3f} s = {solve / min(bare):.2f} x", "<= 1.0 x bare app")
        megabytes = statistics.median(memory_ours)
        row(
            "resident before the solver loads",
            f"{megabytes:.0f} MB = {megabytes / statistics.median(memory_bare):.2f} x",
            "<= 1.5 x bare app",
        )
        told = spread(asyncio.run(bare_key(80, 24)))
        row("key to line drawn, bare app with a line editor", told)
        for columns, rows in ((40, 20), (80, 24), (200, 60)):
            told = spread(asyncio.run(key_to_echo(large, columns, rows)))
            row(f"key to echo, 1,000 posts, sensor, {columns}x{rows}", told, "p99 <= 50 ms")
        idle, _ = target_at_20_hz(small, streams=False)
        busy, wire = target_at_20_hz(small, streams=True)
        row("target at 20 Hz, 80x24", f"{100 * busy:.1f} % of a core", f"<= 5 % (idle {100 * idle:.1f} %)")
        row("target at 20 Hz, bytes on the wire", f"{wire / 1000:.1f} kB/s", "<= 20 kB/s")


if __name__ == "__main__":
    main()
