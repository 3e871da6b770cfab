"""How fast the wire is read, and what a live inclinometer costs.

    python tests/bench/wire.py [--seconds 6] [--rounds 7]

Parser: bytes a second of CPU time, ours and pynmea2's turn by turn on the same lines, medians of the rounds
and of their ratios. Ours does more on the way (cuts bytes into lines, pairs axes, judges range and numbers);
pynmea2 is handed whole lines in one row, bytes through its stream reader in the other.

Live: a program of its own writes sentences to a pseudo-terminal at a steady rate; the inclinometer reads
them, keeps a capture and works out readings while a snapshot is taken 20 times a second, first by a bare
loop, then by a small Textual program that draws it. Told: CPU of a core for all of that, age of the newest
sample at each look, and whether the capture has every byte.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
import tty
from collections.abc import Callable
from pathlib import Path

import pynmea2

from shimfit.wire.capture import parse_capture
from shimfit.wire.formats import Text, Xdr, parse_description
from shimfit.wire.frames import ModbusFrames, numbers_of, with_crc
from shimfit.wire.inclinometer import Inclinometer
from shimfit.wire.lines import LineInput, checksum
from shimfit.wire.samples import Tally
from shimfit.wire.simulate import FORMATS

CHUNK = 4096
LOOKS_PER_S = 20


def xdr(count: int) -> bytes:
    """The sentence with this number: values go round so that no two neighbours are alike."""
    body = f"IIXDR,A,{1 + count % 97 / 1000:.3f},D,PITCH,A,{-0.5 - count % 89 / 1000:.3f},D,ROLL".encode()
    return b"$%b*%02X\r\n" % (body, checksum(body))


# ---------------------------------------------------------------- parser


def ours(data: bytes, description: Xdr | Text, chunk: int = CHUNK) -> int:
    """Bytes to samples; returns how many."""
    tally = Tally()
    received = LineInput(description, tally)
    return sum(len(received.feed(data[at : at + chunk], 0.0)) for at in range(0, len(data), chunk))


def theirs_by_line(lines: list[str]) -> int:
    """pynmea2, handed whole lines; both values as numbers."""
    good = 0
    for line in lines:
        message = pynmea2.parse(line, check=True)
        float(message.data[1])
        float(message.data[5])
        good += 1
    return good


def theirs_by_stream(text: str) -> int:
    """pynmea2's own reader of a stream, in the same pieces."""
    reader = pynmea2.NMEAStreamReader(errors="raise")
    good = 0
    for at in range(0, len(text), CHUNK):
        for message in reader.next(text[at : at + CHUNK]):
            float(message.data[1])
            float(message.data[5])
            good += 1
    return good


def modbus(frames: list[bytes]) -> int:
    """Answers judged and taken apart."""
    judge = ModbusFrames(FORMATS["modbus"])
    return sum(judge.judge(frame) is None and len(numbers_of(judge.answer, frame)) == 2 for frame in frames)


def rate(work: Callable[[], int], size: int, expected: int) -> float:
    """MB a second of CPU time."""
    start = time.process_time()
    got = work()
    spent = time.process_time() - start
    assert got == expected, (got, expected)
    return size / spent / 1e6


def bench_parser(rounds: int) -> None:
    """Turn by turn, so that whatever else the machine does hits all alike."""
    count = 20_000
    pieces = [xdr(n) for n in range(count)]
    data = b"".join(pieces)
    text = data.decode("ascii")
    lines = text.splitlines()
    described = parse_description("columns = ['time:ms', 'x:deg', 'y:deg']", "bench.toml")
    assert isinstance(described, Text)
    plain = b"".join(b"%d,%.3f,%.3f\r\n" % (20 * n, 1 + n % 97 / 1000, -0.5) for n in range(count))
    answers = [with_crc(bytes([1, 3, 4]) + n.to_bytes(4, "big")) for n in range(count)]
    works: dict[str, tuple[Callable[[], int], int]] = {
        "ours, XDR in 4 kB pieces": (lambda: ours(data, Xdr()), len(data)),
        "ours, XDR in 16 byte pieces": (lambda: ours(data, Xdr(), 16), len(data)),
        "pynmea2, whole lines": (lambda: theirs_by_line(lines), len(data)),
        "pynmea2, stream in 4 kB pieces": (lambda: theirs_by_stream(text), len(data)),
        "ours, text with device clock": (lambda: ours(b"cut\r\n" + plain, described), len(plain)),
        "ours, Modbus answers": (lambda: modbus(answers), 9 * count),
    }
    found: dict[str, list[float]] = {name: [] for name in works}
    for _ in range(rounds):
        for name, (work, size) in works.items():
            found[name].append(rate(work, size, count))
    base = found["pynmea2, whole lines"]
    print(f"{'parser':<34}{'MB/s':>8}{'x pynmea2':>12}")
    for name, rates in found.items():
        ratio = statistics.median(a / b for a, b in zip(rates, base, strict=True))
        print(f"{name:<34}{statistics.median(rates):8.1f}{ratio:12.2f}")


# ---------------------------------------------------------------- live


def write_steadily(descriptor: int, per_s: int, seconds: float) -> None:
    """The sensor: a program of its own. A full terminal is waited for, so nothing is lost on this side."""
    total = round(per_s * seconds)
    start = time.monotonic()
    sent = 0
    while sent < total:
        due = min(total, int((time.monotonic() - start) * per_s) + 1)
        if due > sent:
            data = b"".join(map(xdr, range(sent, due)))
            while data:
                data = data[os.write(descriptor, data) :]
            sent = due
        time.sleep(max(0.0005, min(0.005, 1 / per_s)))


class Looks:
    """What 20 looks a second saw, and what they cost; the first second is for everything to settle."""

    SETTLE_S = 1.0

    def __init__(self, sensor: Inclinometer, begin: Callable[[], None]) -> None:
        self._sensor = sensor
        self._begin = begin
        self._start: tuple[float, float] | None = None
        self._began_s: float | None = None
        self.ages_ms: list[float] = []
        self.share = 0.0

    def look(self) -> str:
        """One look: what would be drawn."""
        now_s = time.monotonic()
        if self._began_s is None:
            self._begin()
            self._began_s = now_s
        seen = self._sensor.snapshot()
        if self._start is None and now_s - self._began_s >= self.SETTLE_S:
            self._start = time.process_time(), now_s
        if self._start is not None and seen.age_s is not None:
            self.ages_ms.append(1000 * seen.age_s)
            self.share = (time.process_time() - self._start[0]) / max(1e-9, time.monotonic() - self._start[1])
        if seen.lean is None:
            return seen.words
        along, across = 1000 * seen.lean.slope_along, 1000 * seen.lean.slope_across
        return f"{along:+7.2f} {across:+7.2f}  {seen.state}  {seen.words}"


def look_bare(looks: Looks, seconds: float) -> None:
    """Only snapshots."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        looks.look()
        time.sleep(1 / LOOKS_PER_S)


def look_drawn(looks: Looks, seconds: float) -> None:
    """A small Textual program that draws each snapshot."""
    from textual.app import App, ComposeResult
    from textual.widgets import Static

    class Screen(App[None]):
        def compose(self) -> ComposeResult:
            yield Static("", id="lean")

        def on_mount(self) -> None:
            self.set_interval(1 / LOOKS_PER_S, self.draw_lean)
            self.set_timer(seconds, self.exit)

        def draw_lean(self) -> None:
            self.query_one("#lean", Static).update(looks.look())

    Screen().run(headless=True, size=(80, 24))


def live(per_s: int, seconds: float, watch: Callable[[Looks, float], None], folder: Path) -> str:
    """One row of the table. The sensor speaks for longer than it is looked at."""
    ours_end, theirs_end = os.openpty()
    tty.setraw(theirs_end)
    path = folder / "bench.cap"
    sensor = Inclinometer(os.ttyname(theirs_end), capture_path=str(path))
    sensor.start()
    assert sensor.opened.wait(10)
    speaks_s = seconds + 2 * Looks.SETTLE_S
    command = [sys.executable, __file__, "--write", str(ours_end), str(per_s), str(speaks_s)]
    writers: list[subprocess.Popen[bytes]] = []
    looks = Looks(sensor, lambda: writers.append(subprocess.Popen(command, pass_fds=(ours_end,))))
    watch(looks, seconds + Looks.SETTLE_S)
    writers[0].wait()
    sent = b"".join(map(xdr, range(round(per_s * speaks_s))))
    end = time.monotonic() + 5
    while sensor.tally().bytes < len(sent) and time.monotonic() < end:
        time.sleep(0.01)
    sensor.stop()
    for number in (ours_end, theirs_end):
        os.close(number)
    kept = b"".join(entry.data for entry in parse_capture(path.read_bytes(), str(path)).entries)
    ages_ms = sorted(looks.ages_ms)
    share, good = f"{100 * looks.share:.1f} %", f"{sensor.tally().good} of {sent.count(b'$')}"
    ages = "".join(f"{ages_ms[int(part * (len(ages_ms) - 1))]:9.1f}" for part in (0.5, 0.99, 1.0))
    return f"{per_s:>8}{share:>10}{ages}{good:>18}{'  all' if kept == sent else '  NOT ALL'}"


def bench_live(seconds: float) -> None:
    """Both rates, bare and drawn."""
    print(f"\n{'lines/s':>8}{'CPU':>10}{'age ms':>9}{'99 %':>9}{'most':>9}{'samples':>18}  bytes in capture")
    with tempfile.TemporaryDirectory() as folder:
        for name, watch in (
            ("20 snapshots a second", look_bare),
            ("drawn by Textual 20 times a second", look_drawn),
        ):
            print(name)
            for per_s in (200, 2000):
                print(live(per_s, seconds, watch, Path(folder)))


def main() -> None:
    """Run both benches."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--seconds", type=float, default=6.0, help="of each live run")
    parser.add_argument("--rounds", type=int, default=7, help="of the parser's turns")
    parser.add_argument("--write", nargs=3, help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.write:
        write_steadily(int(args.write[0]), int(args.write[1]), float(args.write[2]))
        return
    bench_parser(args.rounds)
    bench_live(args.seconds)


if __name__ == "__main__":
    main()
