"""Kill -9 while a job is being logged, over and over, and look at what is on disk afterwards.

    python tests/bench/kill9.py [--trials 1000] [--seed 1]

Each trial forks a program that opens a data file (a new one every 25 trials), logs a scripted job and says
through a pipe which events it was told are on disk; it is killed at a random moment, in one of five while it
is still opening. It closes and opens the file again every few steps, so that it is also killed while the
snapshot is written. Then the file is opened as the next program would. Counted: acknowledged events that are
missing or changed, steps that are there in part, chains that do not verify, states that are not the replay of
what was acknowledged, states from the snapshot that are not those of the whole log. Exits 1 when any of them
is not 0. A kill does not test a loss of power: that rests on
the full sync, whose cost tests/bench/store.py measures.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import signal
import sys
import tempfile
import time
from collections import Counter, defaultdict
from pathlib import Path
from typing import Any

from shimfit.model import PostState
from shimfit.store import journal as states
from shimfit.store.box import fold_box
from shimfit.store.events import Draft
from shimfit.store.fold import RunFold, fold_run
from shimfit.store.journal import Journal

POSTS = 6
STEPS_A_SESSION = 4
TOLERANCE = {"text": "1:500", "kind": "ratio", "slope": 0.002}


def scripted_job(path: Path, said: int, trial: int) -> None:
    """Log until killed; after each step that returned, say its events' ids and texts."""
    chance = random.Random(trial)
    for n in range(0, 100_000, STEPS_A_SESSION):
        with Journal.open(path) as journal:
            if not journal.jobs():
                journal.append_all(_layout())
            _session(journal, chance, said, (trial, n))


def _session(journal: Journal, chance: random.Random, said: int, number: tuple[int, int]) -> None:
    """Some steps in one file, of which the states are kept beside it when it is closed."""
    trial, first = number
    for n in range(first, first + STEPS_A_SESSION):
        events = _step(journal, chance, f"{trial}-{n}", str(n % POSTS + 1))
        reported = [[event.id, event.kind, event.post, event.data.get("text")] for event in events]
        os.write(said, (json.dumps(reported) + "\n").encode())
        journal.run("pier", "north")
    journal.box()


def _layout() -> list[Draft]:
    head = {"foot": {"along_mm": 90, "across_mm": 90}, "height_mm": 1000, "tolerance": TOLERANCE}
    return [
        Draft("job-added", {"name": "pier"}, "pier"),
        Draft("run-added", head, "pier", "north"),
        *(
            Draft("post-added", {"name": str(n + 1), "leg": 1, "station_mm": 1200 * n}, "pier", "north")
            for n in range(POSTS)
        ),
    ]


def _step(journal: Journal, chance: random.Random, text: str, post: str):
    reading = {
        "text": text,
        "slope_along": chance.uniform(-0.01, 0.01),
        "slope_across": 0.0,
        "height_mm": 1000,
        "u_along": 0.0003,
        "u_across": 0.0003,
    }
    what = chance.random()
    if what < 0.7:
        return [journal.append("reading", reading, job="pier", run="north", post=post)]
    if what < 0.9:
        scope = ("pier", "north", post)
        return journal.append_all(
            [
                Draft("taken", {"used": [{"lot": "F2"}]}, *scope),
                Draft("packed", {"packs": []}, *scope),
                Draft("reading", reading, *scope),
            ]
        )
    note = journal.append("noted", {"text": text}, job="pier", run="north", post=post)
    journal.undo("pier")
    return [note]


def one_trial(path: Path, trial: int, chance: random.Random) -> tuple[list[list], bool]:
    """(what was acknowledged, step by step; whether it was killed while opening)."""
    parse_reading, say = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(parse_reading)
        try:
            scripted_job(path, say, trial)
        finally:
            os._exit(3)
    os.close(say)
    with os.fdopen(parse_reading, "rb") as pipe:
        while_opening = chance.random() < 0.2
        first = b"" if while_opening else pipe.readline()
        time.sleep(chance.uniform(0.0, 0.012 if while_opening else 0.06))
        os.kill(child, signal.SIGKILL)
        _, status = os.waitpid(child, 0)
        if not os.WIFSIGNALED(status):
            raise SystemExit(f"trial {trial}: the job ended by itself (status {status})")
        lines = (first + pipe.read()).split(b"\n")
    # The last line may have been cut off: what was not said whole was not acknowledged.
    return [json.loads(line) for line in lines[:-1]], while_opening


def look_at(path: Path, acknowledged: list[list], seen: Counter) -> None:
    """Open the file as the next program would, and count what is wrong."""
    with Journal.open(path, hold=True) as journal:  # raises where the dead program's turn is not free
        seen["chain broken"] += journal.verify() is not None
        events = list(journal.events())
        there = {event.id: event for event in events}
        for step in acknowledged:
            for id_, kind, post, text in step:
                event = there.get(id_)
                seen["acknowledged"] += 1
                seen["lost"] += event is None
                if event is not None:
                    same = (event.kind, event.post, event.data.get("text")) == (kind, post, text)
                    seen["changed"] += not same
        seen["events found"] = seen["events found before"] + len(events)
        steps: defaultdict[str, list[str]] = defaultdict(list)
        for event in events:
            steps[event.step].append(event.kind)
        packed = [kinds for kinds in steps.values() if "packed" in kinds]
        seen["steps in part"] += sum(kinds != ["taken", "packed", "reading"] for kinds in packed)
        if events:
            seen["state is not the replay"] += not _is_replay(journal, events)
            whole = repr((fold_run(events, "pier", "north"), fold_box(events, journal.log)))
            seen["snapshot is wrong"] += repr((journal.run("pier", "north"), journal.box())) != whole


def _is_replay(journal: Journal, events: list) -> bool:
    run = journal.run("pier", "north")
    if fold_run(events, "pier", "north") != run:
        return False
    for post in run.posts:
        texts = [e.data["text"] for e in events if e.kind == "reading" and e.post == post.name]
        if [reading.text for reading in post.readings] != texts:
            return False
        if texts and post.state in (PostState.TO_READ, PostState.HALF_READ):
            return False
    return True


BAD = ("lost", "changed", "steps in part", "chain broken", "state is not the replay", "snapshot is wrong")


def main() -> int:
    """Run the trials and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("--trials", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    chance = random.Random(args.seed)
    seen: Counter = Counter(dict.fromkeys(BAD, 0))
    states.LAG = 3  # a snapshot is written at nearly every closing
    taken_up = RunFold.from_snapshot

    def counted(*kept: Any) -> RunFold:
        seen["opened from a snapshot"] += 1
        return taken_up(*kept)

    RunFold.from_snapshot = counted  # type: ignore[method-assign]
    started = time.perf_counter()
    with tempfile.TemporaryDirectory() as folder:
        for trial in range(args.trials):
            path = Path(folder) / f"pier-{trial // 25}.db"
            if trial % 25 == 0:
                seen["events found before"] = seen["events found"]
            acknowledged, while_opening = one_trial(path, trial, chance)
            seen["killed while opening" if while_opening else "killed while logging"] += 1
            look_at(path, acknowledged, seen)
    print(f"kill -9, {args.trials} trials in {time.perf_counter() - started:.0f} s")
    for name in (
        "killed while opening",
        "killed while logging",
        "acknowledged",
        "events found",
        "opened from a snapshot",
        *BAD,
    ):
        print(f"  {name:<26}{seen[name]:>8}")
    return int(any(seen[name] for name in BAD))


if __name__ == "__main__":
    sys.exit(main())
