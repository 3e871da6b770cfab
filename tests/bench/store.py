"""What logging costs beside the bare sync, and what a log of 100,000 events costs to open.

    python tests/bench/store.py [--events 100000] [--folder DIR]
    python tests/bench/store.py --scale

Both halves of each ratio are measured in turn, in one run, on one disk. First table: one reading on disk
against a bare fsync of as many bytes as a reading's row, appended to a file. Second: opening the file and
reading what the first paint needs (jobs, the last run, the box), in a new process each time, against an empty
data file, in units of a bare Textual app's first paint.

`--scale`: processor time of commands on one run of 200 to 100,000 events, its states kept beside the log as
an earlier command left them, as multiples of the first; and of a run of 10 to 10,000 posts in an open file.
It takes about six minutes, most of it to build the files. Leave the program's own files alone meanwhile: what
another build kept beside a log is not used, so every command would go through its log from the first event.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import pty
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from shimfit import codec
from shimfit.model import Foot, Lean, Pack, Piece, Prescription, Reading, Resting, Seat, Tolerance
from shimfit.store.events import Draft
from shimfit.store.journal import Journal
from shimfit.workflow.reading import log_note, log_reading
from shimfit.workflow.site import Place, Site

TOLERANCE = Tolerance("1:500", "ratio", 0.002)
FOOT = Foot(90.0, 90.0)
PACKS = tuple(
    Pack(seat, 0.9, 0.9, at_mm, (Piece("F2", "flat", 0.9),))
    for seat, at_mm in (
        (Seat.NEXT_OUT, (45.0, 45.0)),
        (Seat.NEXT_HOUSE, (45.0, -45.0)),
        (Seat.PREV_OUT, (-45.0, 45.0)),
    )
)
ANSWER = codec.prescription_to_json(
    Prescription(
        FOOT,
        1000.0,
        Lean(0.009, 0.004),
        TOLERANCE,
        PACKS,
        Resting(Lean(0.0001, 0.0), 0.0, 0.7),
        within=True,
        status="proven",
    ),
    entry="9n 4o",
)
OPEN = """
import resource, sys, time
from shimfit.store.journal import Journal
from shimfit.workflow.site import Place, Site
start = time.perf_counter()
with Journal.open(sys.argv[1], read_only=True) as journal:
    jobs = journal.jobs()
    if jobs:
        job = journal.job(jobs[0].name)
        journal.run(job.name, job.last_run)
    journal.box()
    took = time.perf_counter() - start
print(took, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
"""
BARE_APP = """
from textual.app import App
class Bare(App):
    def on_ready(self):
        self.exit()
Bare().run()
"""


def reading(slope: float, stage: str = "stood") -> dict:
    """Data of one reading event."""
    return codec.to_json(
        Reading("9n 4o", slope, 0.0004, 1000.0, stage, u_along=3e-4, u_across=3e-4)  # type: ignore[arg-type]
    )


def layout(run: str, posts: int) -> list[Draft]:
    """Drafts of a run."""
    head = {
        "foot": codec.to_json(FOOT),
        "height_mm": 1000.0,
        "tolerance": codec.to_json(TOLERANCE),
    }
    rows = ({"name": str(n + 1), "leg": 1, "station_mm": 1200.0 * n, "kind": "line"} for n in range(posts))
    return [Draft("run-added", head, "pier", run), *(Draft("post-added", row, "pier", run) for row in rows)]


def history(run: str, post: str) -> list[Draft]:
    """Ten events of one post: read, answered, packed, tightened, read, answered, packed, read, noted."""
    scope = ("pier", run, post)
    taken = {"used": [{"lot": "F2", "count": 3}], "back": []}
    packed = {"packs": [codec.to_json(pack) for pack in PACKS], "as_prescribed": True}
    return [
        Draft("reading", reading(0.009), *scope),
        Draft("prescribed", {"answer": ANSWER}, *scope),
        Draft("taken", taken, *scope),
        Draft("packed", packed, *scope),
        Draft("tightened", {"torque_nm": 40.0}, *scope),
        Draft("reading", reading(0.0031, "verify"), *scope),
        Draft("prescribed", {"answer": ANSWER}, *scope),
        Draft("packed", packed, *scope),
        Draft("reading", reading(0.0004, "verify"), *scope),
        Draft("noted", {"text": "re-tighten in spring"}, *scope),
    ]


def measure_append(folder: Path, rounds: int) -> None:
    """Print the first table."""
    bare, logged, prescribed = [], [], []
    row = b"x" * 700
    with (
        Journal.open(folder / "append.db") as journal,
        (folder / "bare").open("wb", buffering=0) as file,
    ):
        journal.append("job-added", {"name": "pier"})
        journal.append_all(layout("north", 20))
        for n in range(rounds):
            post = str(n % 20 + 1)
            start = time.perf_counter()
            file.write(row)
            os.fsync(file.fileno())
            bare.append(time.perf_counter() - start)
            start = time.perf_counter()
            journal.append("reading", reading(0.009), job="pier", run="north", post=post)
            logged.append(time.perf_counter() - start)
            start = time.perf_counter()
            journal.append("prescribed", {"answer": ANSWER}, job="pier", run="north", post=post)
            prescribed.append(time.perf_counter() - start)
    base = statistics.median(bare)
    print(f"on disk, median (95 %) of {rounds}, in turn")
    for name, times in (("bare fsync", bare), ("a reading", logged), ("an answer (2 kB)", prescribed)):
        middle, late = statistics.median(times), sorted(times)[int(0.95 * len(times))]
        print(f"  {name:<18}{middle * 1e3:8.2f} ms ({late * 1e3:6.2f})   x {middle / base:.2f}   goal <= 2")


def build(path: Path, events: int, posts_a_run: int) -> int:
    """A job of about so many events; returns how many."""
    with Journal.open(path) as journal:
        journal.append("job-added", {"name": "pier"})
        lot = {"lot": "F2", "form": "flat", "count": 10**6, "thickness_mm": 0.9}
        journal.append("stock-imported", {"lots": [lot], "source": "box.csv"})
        run = 0
        while journal.head[0] < events:
            run += 1
            name = f"run {run}"
            drafts = layout(name, posts_a_run)
            for n in range(posts_a_run):
                drafts += history(name, str(n + 1))
            journal.append_all(drafts)
        return journal.head[0]


def measure_open(path: Path, repeats: int = 5) -> tuple[float, float]:
    """(ms, MB) of opening in a new process, the median."""
    times, sizes = [], []
    for _ in range(repeats):
        done = subprocess.run(
            [sys.executable, "-c", OPEN, str(path)], check=True, capture_output=True, text=True
        )
        took, kilobytes = done.stdout.split()
        times.append(float(took) * 1e3)
        sizes.append(float(kilobytes) / 1024)
    return statistics.median(times), statistics.median(sizes)


def first_paint(repeats: int = 5) -> float:
    """ms from the start of a program that is a bare Textual app to its first paint, in a pseudo-terminal."""
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        child, terminal = pty.fork()
        if child == 0:
            os.environ.update(TERM="xterm-256color", COLUMNS="80", LINES="24")
            os.execv(sys.executable, [sys.executable, "-c", BARE_APP])
        with contextlib.suppress(OSError):  # how a pseudo-terminal says that the other end is gone
            while os.read(terminal, 65536):
                pass
        os.waitpid(child, 0)
        os.close(terminal)
        times.append(time.perf_counter() - start)
    return statistics.median(times) * 1e3


def measure_events(folder: Path, events: int) -> None:
    """Print the second table."""
    empty = folder / "empty.db"
    Journal.open(empty).close()
    print("\nopened to the last run, with its posts and the box; a new process each")
    print(
        f"  {'':<34}{'events':>8}{'MB file':>9}{'ms':>8}{'MB':>7}   more than empty / paint (ms), goal <= 1"
    )
    base, size = measure_open(empty)
    print(f"  {'empty':<34}{0:>8}{empty.stat().st_size / 1e6:>9.1f}{base:>8.1f}{size:>7.0f}")
    for name, posts in (
        ("runs of 24 posts", 24),
        ("runs of 200 posts", 200),
        ("one run of all posts", -(-events // 11)),
    ):
        path = folder / f"{posts}.db"
        count = build(path, events, posts)
        took, size = measure_open(path, repeats=5 if posts <= 200 else 1)
        paint = first_paint()  # in turn with what it is compared to: the machine has other work
        ratio = (took - base) / paint
        megabytes = path.stat().st_size / 1e6
        print(
            f"  {name:<34}{count:>8}{megabytes:>9.1f}{took:>8.1f}{size:>7.0f}   x {ratio:.2f} ({paint:.0f})"
        )
        if posts == 24:
            measure_rest(path)


def measure_rest(path: Path) -> None:
    """Print what else a large log costs, once each."""
    with Journal.open(path) as journal:
        start = time.perf_counter()
        assert journal.verify() is None
        print(f"  {'  … whole chain verified':<34}{'':>17}{(time.perf_counter() - start) * 1e3:>8.0f}")
        job = journal.jobs()[0]
        journal.run(job.name, job.runs[0])
        times = []
        for _ in range(20):
            start = time.perf_counter()
            journal.append("noted", {"text": "x"}, job=job.name, run=job.runs[0], post="1")
            logged = time.perf_counter()
            journal.run(job.name, job.runs[0])
            times.append(time.perf_counter() - logged)
        print(f"  {'  … state brought forward by one':<34}{'':>17}{statistics.median(times) * 1e3:>8.2f}")
        start = time.perf_counter()
        journal.undo(job.name)
        print(f"  {'  … undo':<34}{'':>17}{(time.perf_counter() - start) * 1e3:>8.1f}")
        start = time.perf_counter()
        journal.run(job.name, job.runs[0], upto=journal.head[0] // 2)
        print(f"  {'  … a run as it was half way':<34}{'':>17}{(time.perf_counter() - start) * 1e3:>8.1f}")


def build_one_run(path: Path, events: int, posts: int) -> None:
    """One run with about so many events, ten of a post in one go after another."""
    with Journal.open(path) as journal:
        journal.append("job-added", {"name": "pier"})
        lots = [
            {"lot": "F2", "form": "flat", "count": 10**5, "thickness_mm": 0.9},
            {"lot": "T1", "form": "taper", "count": 40, "thin_mm": 0.5, "thick_mm": 6.0, "length_mm": 250.0},
        ]
        journal.append("stock-imported", {"lots": lots, "source": "box.csv"})
        journal.append_all(layout("north", posts))
        for n in range(max(0, events - journal.head[0]) // 10):
            journal.append_all(history("north", str(n % posts + 1)))
        journal.run("pier", "north")
        journal.box()


COMMANDS = {
    "note": ("note", "pier/north/3", "all well"),
    "read": ("read", "pier/north/3", "6n 10h", "--sure"),
    "undo": ("undo", "pier"),
    "run show": ("run", "show", "pier/north"),
}
PROGRAM = "import sys; from shimfit.cli import main; sys.exit(main(sys.argv[1:]))"


def of_children() -> float:
    """Processor time of all children so far, in s."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def measure_scale(folder: Path, rounds: int) -> None:
    """Print the third and the fourth table."""
    files = {events: folder / f"{events}.db" for events in (200, 2_000, 20_000, 100_000)}
    for events, path in files.items():
        build_one_run(path, events, max(15, events // 13))
    times: dict[tuple[str, int], list[float]] = {}
    for _ in range(rounds):
        for events, path in files.items():
            for name, words in COMMANDS.items():
                before = of_children()
                subprocess.run(
                    [sys.executable, "-c", PROGRAM, "--db", str(path), *words],
                    check=False,
                    stdout=subprocess.DEVNULL,
                )
                times.setdefault((name, events), []).append(of_children() - before)
    print("\nprocessor time of a command on one run, s (x that at 200 events; goal for 20,000 <= 1.5)")
    print(f"  {'events':<12}" + "".join(f"{events:>18,}" for events in files))
    for name in COMMANDS:
        middle = {events: statistics.median(times[name, events]) for events in files}
        cells = (f"{middle[events]:>10.3f} x {middle[events] / middle[200]:<5.2f}" for events in files)
        print(f"  {name:<12}" + "".join(cells))
    measure_posts(folder)


def measure_posts(folder: Path) -> None:
    """Print what a run of many posts costs in an open file."""
    print("\na run of many posts, processor time in ms")
    print(f"  {'posts':<12}{'opened':>10}{'a note':>10}{'a reading':>12}")
    for posts in (10, 1_000, 10_000):
        path = folder / f"posts-{posts}.db"
        build_one_run(path, 0, posts)
        with Site.open(path) as site:
            start = time.process_time()
            site.run("pier", "north")
            opened = time.process_time() - start
            noted, read = [], []
            for n in range(1, 9):
                place = Place("pier", "north", str(n))
                start = time.process_time()
                log_note(site, place, "all well")
                site.run("pier", "north")
                noted.append(time.process_time() - start)
                start = time.process_time()
                log_reading(site, place, "6n 10h", sure=True)
                read.append(time.process_time() - start)
        reported = (opened, statistics.median(noted), statistics.median(read))
        print(f"  {posts:<12,}" + "".join(f"{s * 1e3:>10.1f}" for s in reported))


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("--events", type=int, default=100_000)
    parser.add_argument("--rounds", type=int, default=200)
    parser.add_argument("--folder", type=Path, default=None, help="where to write (default: a temporary one)")
    parser.add_argument("--scale", action="store_true", help="the third and the fourth table instead")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=args.folder) as folder:
        if args.scale:
            measure_scale(Path(folder), min(args.rounds, 3))
            return
        measure_append(Path(folder), args.rounds)
        measure_events(Path(folder), args.events)
    print(f"\nthis process, at most: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main()
