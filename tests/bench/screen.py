"""Speed of the terminal program: start-up against a bare app, key to echo, the target at 20 Hz, memory.

`python tests/bench/screen.py` prints one table in about four minutes. Everything is timed side by side, in
children on pseudo-terminals with warm bytecode; judge the ratios, a phone or an old laptop is several times
slower. A key is timed until its echo comes out of the pseudo-terminal, while readings are logged. The
inclinometer beside it is a simulated one on a pseudo-terminal of its own: a hundred samples a second through
thread, parser and snapshot, painted twenty times a second.
"""

from __future__ import annotations

import contextlib
import fcntl
import math
import os
import pty
import re
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
from typing import TYPE_CHECKING

from shimfit.text.glyphs import glyphs_for
from shimfit.text.phrases import wrapped
from shimfit.tui.screens import post_pictures as drawing
from shimfit.tui.setting_up import add_run, parse_lot
from shimfit.workflow.site import Site

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

ROUNDS = 11
SIZES = ((40, 20), (80, 24), (200, 60))
READINGS = ("1/4n3/8h", "6.5mmn10mmh", "1 1/4n3/8h") * 8
KEY_EVERY_S = 0.06
"""A fast typist: 16 keys a second."""
NEVER_S = 5.0
"""A key whose echo has not come by then counts as so much."""
LOTS = (
    "T1 taper 0.5 6 200 x99",
    "T2 taper 0.8 8 200 x99",
    "F1 flat 0.5 x99",
    "F2 flat 1 x99",
    "F4 flat 2 x99",
)
BARE = """
from textual.app import App
from textual.widgets import Label
class Bare(App):
    def compose(self):
        yield Label("bare is painted")
Bare().run()
"""
ENTER, CLEAR, DOWN = b"\r", b"\x15", b"\x1b[B"
ESCAPES = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")
VERSION = ("-m", "shimfit", "--version")
SOLVE = ("-m", "shimfit", "solve", "10mm n 5mm o", "--height", "1000mm", "--foot", "100x100mm", "--json")
BOX = str(Path(__file__).parents[2] / "fixtures" / "stock" / "porch_box_inch.csv")
FROM_A_BOX = (*SOLVE, "--stock", BOX)
BARE_KEYS = """
from textual.app import App
from textual.widgets import Input
class Bare(App):
    def compose(self):
        yield Input()
Bare().run()
"""
OUR_KEYS = """
import sys
from shimfit.workflow.site import Site
from shimfit.tui import run
with Site.open(sys.argv[1], options={"sensor": sys.argv[2]}) as site:
    run(site)
"""
TARGET = """
import sys, math, time, resource, os
from shimfit.core.sensing.watch import WatchState
from shimfit.model import Lean
from shimfit.wire.stream import Snapshot
from shimfit.workflow.sensor import inclinometer_of
from shimfit.workflow.site import Site
from shimfit.tui import set_beat
set_beat()
from shimfit.tui.app import ShimfitApp
class Wire:
    def __init__(self): self.begin = time.monotonic()
    def start(self): pass
    def stop(self): pass
    def again(self): pass
    def snapshot(self):
        t = time.monotonic() - self.begin
        lean = Lean(0.006 * math.cos(t), 0.004 * math.sin(1.3 * t))
        return Snapshot(WatchState.MOVING, "moving", lean=lean, age_s=0.0)
out, path, seconds, streams = sys.argv[1], sys.argv[2], float(sys.argv[3]), sys.argv[4]
class Timed(ShimfitApp):
    def on_ready(self):  # not on_mount: the library calls that of every base, and a second time from here
        self.set_timer(2.0, self.begin)
    def used(self):
        use = resource.getrusage(resource.RUSAGE_SELF)
        return use.ru_utime + use.ru_stime
    def begin(self):
        self.cpu = self.used()
        os.write(2, b"\\x1b]0;BEGIN\\x07")
        self.set_timer(seconds, self.end)
    def end(self):
        os.write(2, b"\\x1b]0;END\\x07")
        os.write(int(out), f"{(self.used() - self.cpu) / seconds}\\n".encode())
        self.leave(0)
options = {"sensor": streams} if streams.startswith("/") else {}
with Site.open(path, options=options) as site:
    sensor = Wire() if streams == "drawn" else inclinometer_of(site)
    Timed(site, sensor=sensor).run()
"""


def warm(folder: Path) -> dict[str, str]:
    """What the children run with: bytecode kept here, a usual terminal, no data file of one's own."""
    reported = {name: text for name, text in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    return reported | {
        "PYTHONPYCACHEPREFIX": str(folder / "bytecode"),
        "TERM": "xterm-256color",
        "LANG": "C.UTF-8",
        "SHIMFIT_DB": str(folder / "none.db"),
    }


def data_file(folder: Path, posts: int) -> Path:
    """A run of so many posts, and a box to pack them from."""
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
        for lot in LOTS:
            site.add_stock(parse_lot(lot, "mm"))
    return path


class Terminal:
    """A child on a pseudo-terminal."""

    def __init__(
        self, arguments: Sequence[str], environment: dict[str, str], columns: int = 80, rows: int = 24
    ) -> None:
        """Give the child's own reports a pipe: `{pipe}` among the arguments is its number."""
        self.reports, pipe = os.pipe()
        os.set_inheritable(pipe, True)
        self.shown = b""
        self.began_s = time.perf_counter()
        self.pid, self.terminal = pty.fork()
        if self.pid == 0:
            fcntl.ioctl(0, termios.TIOCSWINSZ, struct.pack("HHHH", rows, columns, 0, 0))
            words = [str(pipe) if word == "{pipe}" else word for word in arguments]
            os.execve(sys.executable, [sys.executable, *words], environment)
        os.close(pipe)

    def take(self, seconds: float) -> bytes:
        """Take what is shown next, if it comes within so long; returns what the child reported."""
        ready = select.select([self.terminal, self.reports], [], [], max(0.0, seconds))[0]
        if self.terminal in ready:
            try:
                self.shown += os.read(self.terminal, 65536)
            except OSError:  # the child is gone
                return os.read(self.reports, 65536)
        return os.read(self.reports, 65536) if self.reports in ready else b""

    def look(self, seconds: float) -> None:
        """Take what is shown for so long."""
        end_s = time.perf_counter() + seconds
        while (left_s := end_s - time.perf_counter()) > 0:
            self.take(left_s)

    def wait_for(self, sentinel: bytes) -> float:
        """Seconds from the start until it is shown."""
        while sentinel not in self.shown:
            self.take(0.1)
            if time.perf_counter() - self.began_s > 20:
                raise RuntimeError(f"no {sentinel!r}: {self.shown[-500:]!r}")
        return time.perf_counter() - self.began_s

    def press(self, keys: bytes) -> float:
        """Press keys; returns when."""
        pressed_s = time.perf_counter()
        os.write(self.terminal, keys)
        return pressed_s

    def end(self) -> None:
        """End the child and let go of everything."""
        with contextlib.suppress(ProcessLookupError):
            os.kill(self.pid, 9)
        os.waitpid(self.pid, 0)
        os.close(self.terminal)
        os.close(self.reports)


def first_paint(arguments: list[str], sentinel: bytes, environment: dict[str, str]) -> tuple[float, float]:
    """(seconds from fork to the sentinel on an 80 x 24 pseudo-terminal, resident MB a moment later)."""
    child = Terminal(arguments, environment)
    seconds = child.wait_for(sentinel)
    child.look(0.3)
    pages = int(Path(f"/proc/{child.pid}/statm").read_text("ascii").split()[1])
    child.end()
    return seconds, pages * resource.getpagesize() / 2**20


def command(arguments: tuple[str, ...], environment: dict[str, str]) -> float:
    """Seconds that a command takes."""
    start = time.perf_counter()
    subprocess.run([sys.executable, *arguments], check=True, capture_output=True, env=environment)
    return time.perf_counter() - start


@contextlib.contextmanager
def inclinometer(folder: Path, environment: dict[str, str]) -> Iterator[str]:
    """A simulated inclinometer, 100 samples a second, on a post that somebody tips about all the time."""
    link = folder / "inclinometer"
    orders = "; ".join(
        f"{turn / 2} tip {0.4 * math.cos(turn):.2f} {0.3 * math.sin(1.3 * turn):.2f}" for turn in range(1200)
    )
    words = ["-m", "shimfit", "simulate", "--link", str(link), "--rate", "100", "--do", orders]
    played = subprocess.Popen(
        [sys.executable, *words],
        stdin=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env=environment,
    )
    try:
        while not link.exists():
            time.sleep(0.05)
        yield str(link)
    finally:
        played.terminate()
        played.wait()


def keys_to_echo(
    child: Terminal, echoes: Mapping[str, str], begin_anew: Sequence[bytes]
) -> tuple[list[float], list[float]]:
    """Seconds from a key pressed to its echo on the wire: of the first keys of a reading, and of all others.

    echoes: what is to be shown for what is on the line. A key that leaves it as it was is not timed.
    """
    firsts: list[float] = []
    others: list[float] = []
    child.look(3.0)
    for reading in READINGS:
        before = ""
        for length, sign in enumerate(reading, start=1):
            echo, since = echoes[reading[:length]], len(child.shown)
            pressed_s = child.press(sign.encode())
            while echo != before and echo not in ESCAPES.sub(
                "", child.shown[since:].decode(errors="replace")
            ):
                child.take(NEVER_S)
                if time.perf_counter() - pressed_s > NEVER_S:
                    print(f"{echo!r} did not come: it counts as {NEVER_S:g} s", file=sys.stderr)
                    break
            if echo != before:
                (firsts if length == 1 else others).append(time.perf_counter() - pressed_s)
            before = echo
            child.look(KEY_EVERY_S - (time.perf_counter() - pressed_s))
        for key in begin_anew:
            child.press(key)
            child.look(0.4)
    child.end()
    return firsts, others


def echoes_of(path: Path, columns: int) -> dict[str, str]:
    """What is to stand on the echo row for all that comes to be on the line: as much as fits one row."""
    with Site.open(path, read_only=True) as site:
        place = site.last_place()
        lines = {reading[:length] for reading in READINGS for length in range(1, len(reading) + 1)}
        reported = {
            line: drawing.echo_words(site.echo(place, line), "", glyphs_for(ascii_only=False), columns)[0]
            for line in lines
        }
    return {line: wrapped(text, columns)[0] for line, text in reported.items()}


def target_at_20_hz(
    path: Path, environment: dict[str, str], streams: str, seconds: float = 6.0
) -> tuple[float, float]:
    """(share of one core, bytes/s on the wire) at 80 x 24. streams: `no`, `drawn` (no thread), or a link."""
    child = Terminal(["-c", TARGET, "{pipe}", str(path), str(seconds), streams], environment)
    share = b""
    while not share:
        share = child.take(1.0)
    child.look(0.2)
    child.end()
    between = child.shown.partition(b"]0;BEGIN")[2].partition(b"\x1b]0;END")[0]
    return float(share), len(between) / seconds


def p99(times: list[float]) -> float:
    """99th percentile, ms."""
    return 1000 * sorted(times)[int(len(times) * 0.99)]


def median(times: list[float]) -> float:
    """Median, ms."""
    return 1000 * statistics.median(times)


def row(what: str, figure: str, goal: str = "") -> None:
    """One row of the table."""
    print(f"{what:<44} {figure:>34}   {goal}", flush=True)


def starting(small: Path, environment: dict[str, str]) -> None:
    """First paint, memory, commands. Each round times all of them; told is the median of the rounds' ratios.

    The machine's own pace drifts by a third within minutes: only what ran next to each other is compared.
    """
    ours = ["-m", "shimfit", "--db", str(small)]
    rounds: list[dict[str, float]] = []
    for turn in range(ROUNDS + 1):
        bare_s, bare_mb = first_paint(["-c", BARE], b"bare is painted", environment)
        ours_s, ours_mb = first_paint(ours, b"allowed 2.0 mm", environment)
        times = {"bare": bare_s, "bare MB": bare_mb, "ours": ours_s, "ours MB": ours_mb}
        for name, words in (
            ("pass", ("-c", "pass")),
            ("version", VERSION),
            ("solve", SOLVE),
            ("from a box", FROM_A_BOX),
        ):
            times[name] = command(words, environment)
        if turn:  # the first one only warms the bytecode
            rounds.append(times)

    def reported(name: str, beside: str) -> str:
        ratio = statistics.median(times[name] / times[beside] for times in rounds)
        return f"{statistics.median(times[name] for times in rounds):.3f} s = {ratio:.2f} x"

    for name, words in (("bare", "bare app, first paint 80x24"), ("pass", "python -c pass")):
        row(words, f"{statistics.median(times[name] for times in rounds):.3f} s")
    row("shimfit, first paint 80x24, 24 posts", reported("ours", "bare"), "<= 1.6 x bare app")
    row("shimfit --version", reported("version", "pass"), "<= 4 x python -c pass")
    row("shimfit solve, exact thicknesses", reported("solve", "bare"), "<= 1.0 x bare app")
    row("shimfit solve --stock", reported("from a box", "bare"), "<= 1.0 x bare app")
    ratio = statistics.median(times["ours MB"] / times["bare MB"] for times in rounds)
    megabytes = statistics.median(times["ours MB"] for times in rounds)
    row("resident before the solver loads", f"{megabytes:.0f} MB = {ratio:.2f} x", "<= 1.5 x bare app")


def typing(large: Path, link: str, environment: dict[str, str]) -> None:
    """Key to echo: the bare app with a line editor, then ours, at each size."""
    for columns, rows in SIZES:
        child = Terminal(["-c", BARE_KEYS], environment, columns, rows)
        firsts, others = keys_to_echo(child, {line: line for line in echoes_of(large, columns)}, [CLEAR])
        bare = firsts + others
        row(f"bare line editor, {columns}x{rows}", f"median {median(bare):.1f}, p99 {p99(bare):.1f} ms")
        child = Terminal(["-c", OUR_KEYS, str(large), link], environment, columns, rows)
        firsts, others = keys_to_echo(child, echoes_of(large, columns), [ENTER, CLEAR, DOWN])
        ours = firsts + others
        reported = f"median {median(ours):.1f}, p99 {p99(ours):.1f} ms = {p99(ours) / p99(bare):.1f} x"
        row(f"key to echo, 1,000 posts, 100 Hz, {columns}x{rows}", reported, "p99 <= 50 ms")
        row(
            "  first keys of a reading / all others",
            f"median {median(firsts):.1f} / {median(others):.1f} ms",
            f"worst {1000 * max(firsts):.1f} / {1000 * max(others):.1f} ms of {len(ours)} keys",
        )


def streaming(small: Path, link: str, environment: dict[str, str]) -> None:
    """CPU and bytes while the target moves."""
    idle, _ = target_at_20_hz(small, environment, "no")
    drawn, wire = target_at_20_hz(small, environment, "drawn")
    row("target at 20 Hz, 80x24", f"{100 * drawn:.1f} % of a core", f"<= 5 % (idle {100 * idle:.1f} %)")
    row("target at 20 Hz, bytes on the wire", f"{wire / 1000:.1f} kB/s", "<= 20 kB/s")
    reading, wire = target_at_20_hz(small, environment, link)
    row("  with the thread that hears 100 Hz", f"{100 * reading:.1f} % of a core, {wire / 1000:.1f} kB/s")


def main() -> None:
    """Measure and print."""
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as name:
        folder = Path(name)
        environment = warm(folder)
        small, large = data_file(folder, 24), data_file(folder, 1000)
        row(f"medians of {ROUNDS}, load {os.getloadavg()[0]:.1f}", "", "goal")
        starting(small, environment)
        with inclinometer(folder, environment) as link:
            streaming(small, link, environment)
            typing(large, link, environment)
        row(f"load at the end {os.getloadavg()[0]:.1f}", "")


if __name__ == "__main__":
    main()
