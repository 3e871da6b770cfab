"""The journal: log what happened, on disk before it returns, and read the state of anything at any time.

    with Journal.open(path) as journal:
        journal.append("reading", {...}, job="Lake", run="A", post="7")
        journal.run("Lake", "A").post("7").state

Several programs may have the file open: each waits for its turn to write, and sees what the others have
logged at its next look. Where what is logged follows from what was read, both stand in one
`with journal.exclusively():`, or the program keeps its turn from the start (`open(hold=True)`). Any thread
may call its methods.

What was worked out of a long log is kept beside it, so that opening it need not begin at its first event.
A file `NAME.snapshot` with a line for each thing kept: the undone steps, the box, each run. A line stands for
the log up to one event: it names that event's place and its hash, which covers all events before it, the
program that worked it out, and is sealed with a hash of its own. It is used only where the log holds that
event with that hash, the program is the same build and the seal fits; the events behind it are counted in.
Anything else (damage, another program, a log that was replaced) is as if it were not there.

Nothing but time hangs on it: it is written when a file is closed, well after what was logged is on disk, and
a program that dies meanwhile leaves the old one or the new one. It holds of each post what is plain (its
place, its state, what was done), the reading that counts and what that decides; all readings, answers, packs
and notes are read from the post's own events, with their hashes, when somebody looks at them. What is taken
from here is of the events as they were logged: damage to one of them since does not change it, and is found
where that event is read, as for JSON, a record, more work at that post or `record verify`.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import sqlite3
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple, TypeVar

import shimfit
from shimfit.errors import FileError, UsageError
from shimfit.standing import RunState, Units
from shimfit.store.box import BoxFold, BoxState, fold_box
from shimfit.store.db import Opened, file_errors
from shimfit.store.events import BOX_KINDS, UNDONE, Draft, Event, canonical, in_order, read_data
from shimfit.store.fold import RunFold, fold_run
from shimfit.store.history import Step, Voided, to_redo, to_undo, whose, words
from shimfit.store.log import Log, guarded
from shimfit.values import dataclass

_Fold = TypeVar("_Fold", RunFold, BoxFold, Voided)

LAG = 100
"""Events that a snapshot may be behind; to count them in takes some hundredths of a second."""
FAR_BEHIND = 2_000
"""What took so long to work out is kept at once, not only when the file is closed."""


# ------------------------------------------------------------ what is kept beside a log

END = ".snapshot"
_ROOMS = (
    *("store", "core/uncertainty", "core/ledger.py", "core/cutting.py", "core/lean.py"),
    *("standing.py", "codec.py", "model.py"),
)


class Kept(NamedTuple):
    """One thing as it was after event `seq`."""

    seq: int
    hash: str
    """Of that event."""
    body: Any
    """JSON."""


class Snapshot:
    """The snapshot of one data file."""

    def __init__(self, data_file: Path) -> None:
        real = os.path.realpath(data_file)
        self._data_file, self._file = Path(real), Path(f"{real}{END}")
        self._lines: dict[str, bytes] | None = None

    def find(self, log: Log, name: str) -> Kept | None:
        """What is kept under a name, if it is of this log, of this program, and whole.

        FileError where the event that it stands for is damaged.
        """
        line = self._read().get(name, b"")
        try:
            head, _, body = line.partition(b"\t")
            seal, place, hash_, _ = head.decode("ascii").split(" ", 3)
            if seal != _seal(line.split(b" ", 1)[1]) or log.hash_at(int(place)) != hash_:
                return None
            log.at([int(place)])
            return Kept(int(place), hash_, json.loads(body))
        except (ValueError, RecursionError):
            return None

    def write(self, kept: Mapping[str, Kept]) -> None:
        """Put these in place of what is kept under their names. What can't be written is done without."""
        lines = dict(self._read())
        for name, one in kept.items():
            body = json.dumps(one.body, separators=(",", ":"))
            line = f"{one.seq} {one.hash} {canonical([_program(), name])}\t{body}".encode("ascii")
            lines[name] = f"{_seal(line)} ".encode("ascii") + line
        part = self._file.with_name(f".{self._file.name}.part")
        with contextlib.suppress(OSError):
            try:
                part.write_bytes(b"\n".join(lines.values()))
                part.chmod(self._data_file.stat().st_mode & 0o777)
                part.replace(self._file)
            finally:
                part.unlink(missing_ok=True)
        self._lines = lines

    def _read(self) -> dict[str, bytes]:
        """Name -> line, of those that this program wrote."""
        if self._lines is None:
            self._lines, whole = {}, b""
            with contextlib.suppress(OSError):
                whole = self._file.read_bytes()
            for line in whole.split(b"\n"):
                with contextlib.suppress(ValueError, IndexError, TypeError, RecursionError):
                    program, name = json.loads(line.partition(b"\t")[0].split(b" ", 3)[3])
                    if program == _program() and isinstance(name, str):
                        self._lines[name] = line
        return self._lines


def _seal(line: bytes) -> str:
    return hashlib.sha256(line).hexdigest()


@cache
def _program() -> str:
    """This build: its version and the files that say what is made of events."""
    root = Path(shimfit.__file__).parent
    files = (file for room in _ROOMS for file in sorted((root / room).rglob("*.py")) or [root / room])
    stats = []
    for file in files:
        with contextlib.suppress(OSError):
            stat = file.stat()
            stats.append((file.name, stat.st_size, stat.st_mtime_ns))
    return f"{shimfit.__version__} {hashlib.sha256(repr(stats).encode()).hexdigest()[:16]}"


# ------------------------------------------------------------ the journal


@dataclass(frozen=True, slots=True)
class JobState:
    """One job. Its runs are named here and read one by one with `Journal.run(job, name)`."""

    name: str
    sample: bool = False
    units: Units = "mm"
    runs: tuple[str, ...] = ()
    """Names, in the order they were added."""
    last_run: str | None = None
    """Run that was worked on last; None when the job has none."""
    last_seq: int = 0
    """Position in the log of the job's last event."""


class Journal(Log):
    """An open data file: its log, and the state of jobs, runs and the box, brought forward with it."""

    def __init__(self, opened: Opened, clock: Callable[[], datetime], ids: Callable[[], str]) -> None:
        super().__init__(opened, clock, ids)
        self._snapshot = Snapshot(opened.path)
        self._folds: dict[str, RunFold | BoxFold | Voided] = {}
        """What is brought forward, by its name in the snapshot."""
        self._jobs_now: tuple[JobState, ...] | None = None
        self._box_now: BoxState | None = None
        """Both as worked out last; None when something was logged since."""
        self._counted = 0
        """Place of the last event that all of the above have seen."""
        self._kept: dict[str, int] = {}
        """Name in the snapshot -> place that it stands for there; 0 when there is nothing to go on from."""

    def close(self) -> None:
        """Close the file and let another program write; then keep what was worked out, for the next."""
        with self.guard:
            kept = {} if self._is_closed else self._to_keep()
            super().close()
        if kept:
            self._snapshot.write(kept)

    # ------------------------------------------------------------ state

    @guarded
    def jobs(self, *, upto: int | None = None) -> tuple[JobState, ...]:
        """All jobs, in the order they were added; a job that was begun twice stands once."""
        self._bring_forward()
        if upto is None and self._jobs_now is not None:
            return self._jobs_now
        place = self._counted if upto is None else upto
        void = self._undone().upto(place).steps
        found = in_order(self.events(kinds=("job-added", "run-added"), upto=place))
        heads = [event for event in found if event.step not in void and read_data(event)[0] is not None]
        first = {event.job: event for event in reversed(heads) if event.kind == "job-added"}
        jobs = tuple(self._job(event, heads, place) for event in in_order(first.values()))
        if upto is None:
            self._jobs_now = jobs
        return jobs

    def _job(self, added: Event, heads: Sequence[Event], upto: int) -> JobState:
        assert added.job is not None
        own = (event for event in heads if event.kind == "run-added" and event.job == added.job)
        runs = tuple(dict.fromkeys(event.run for event in own if event.run))
        latest = self.latest_of_runs(added.job, (None, *runs), upto)
        touched = [event for event in latest if event.run is not None]
        return JobState(
            name=added.job,
            sample=bool(added.data.get("sample", False)),
            units=added.data.get("units", "mm"),
            runs=runs,
            last_run=max(touched, key=lambda event: event.stamp).run if touched else None,
            last_seq=max((event.seq for event in latest), default=0),
        )

    def job(self, name: str, *, upto: int | None = None) -> JobState:
        """One job; raises UsageError naming those that there are."""
        found = self.jobs(upto=upto)
        for job in found:
            if job.name == name:
                return job
        there_are = ", ".join(job.name for job in found) or "none yet"
        raise UsageError(f"there is no job {name!r}; the jobs are: {there_are}")

    @guarded
    def run(self, job: str, run: str, *, upto: int | None = None) -> RunState:
        """One run, now or as it was after event `upto`; raises UsageError naming those that there are."""
        self._bring_forward()
        if upto is not None:
            state = fold_run(self.of_run(job, run, upto), job, run)
        else:
            state = self._run_fold(job, run).state()
        if state is None:
            there_are = ", ".join(self.job(job, upto=upto).runs) or "none yet"
            raise UsageError(f"there is no run {run!r} in job {job!r}; its runs are: {there_are}")
        return state

    def _run_fold(self, job: str, run: str) -> RunFold:
        def taken_up(kept: Kept | None) -> RunFold:
            fold, after = RunFold(job, run), 0
            if kept is not None:
                undone, after = self._undone().upto(kept.seq, job), kept.seq
                fold = RunFold.from_snapshot(job, run, kept.body, undone, self)
            for event in self.of_run(job, run, self._counted, after):
                fold.add(event)
            fold.state()
            return fold

        return self._fold(f"run {canonical([job, run])}", taken_up)

    @guarded
    def box(self, *, upto: int | None = None) -> BoxState:
        """The box, now or after event `upto`."""
        self._bring_forward()
        if upto is not None:
            return fold_box(in_order(self.events(kinds=(*BOX_KINDS, UNDONE), upto=upto)), self.log)
        if self._box_now is None:
            self._box_now = self._fold("box", self._box_taken_up).state()
        return self._box_now

    def _box_taken_up(self, kept: Kept | None) -> BoxFold:
        if kept is None:
            fold = BoxFold(self.log, self, self._undone().upto(self._counted))
            fold.work_out(self.events(kinds=BOX_KINDS, upto=self._counted))
            return fold
        fold = BoxFold.from_snapshot(self.log, kept.body, kept.seq, self._undone().upto(kept.seq), self)
        for event in in_order(self.events(kinds=(*BOX_KINDS, UNDONE), after=kept.seq, upto=self._counted)):
            fold.add(event)
        return fold

    @guarded
    def standing(self, kinds: Sequence[str], job: str) -> list[Event]:
        """Events of some kinds of a job that were not undone, in the order they happened."""
        void = self._undone().steps
        found = in_order(self.events(job, kinds=kinds))
        return [event for event in found if event.step not in void and read_data(event)[0] is not None]

    # ------------------------------------------------------------ brought forward, and kept

    def _forget(self) -> None:
        """Work everything out again when it is asked for."""
        self._folds.clear()
        self._jobs_now = self._box_now = None
        self._counted = 0

    def _bring_forward(self) -> None:
        """Count in what was logged since."""
        end = self.end().seq
        if end == self._counted:
            return
        self._jobs_now = self._box_now = None
        try:
            fresh = self.events(after=self._counted, upto=end) if self._folds else []
            if not self._counted or any(event.origin for event in fresh):
                # Import brings events from before others; and a file in which nothing was logged when it
                # was read may have had no log's id then.
                self._forget()
            for fold in self._folds.values():
                for event in fresh:
                    fold.add(event)
            self._counted = end
        except BaseException:
            # Interrupted: some have seen an event that others have not.
            self._forget()
            raise

    def _fold(self, name: str, taken_up: Callable[[Kept | None], _Fold]) -> _Fold:
        """What is brought forward under a name, at first taken up from the snapshot, or from the log alone.

        Not from a snapshot behind which more than this log's own events came.
        """
        fold = self._folds.get(name)
        if fold is None:
            self._kept[name] = 0
            kept = self._snapshot.find(self, name)
            if kept is not None and kept.seq <= self._counted and not self.came_in(kept.seq):
                with contextlib.suppress(KeyError, TypeError, ValueError, AttributeError):
                    fold = taken_up(kept)
                    self._kept[name] = kept.seq
            fold = self._folds[name] = fold or taken_up(None)
            if self._counted >= self._kept[name] + FAR_BEHIND:
                # It took long to work out, and the program may be ended before it closes the file.
                found = self._to_keep()
                self._snapshot.write(found)
                self._kept |= dict.fromkeys(found, self._counted)
        return fold  # type: ignore[return-value]  # its name says of which class it is

    def _to_keep(self) -> dict[str, Kept]:
        """What is worth keeping of what was worked out here, by its name in the snapshot."""
        with contextlib.suppress(FileError, sqlite3.Error):
            late = {n: one for n, one in self._folds.items() if self._counted >= self._kept.get(n, 0) + LAG}
            hash_ = self.hash_at(self._counted) if late else None
            if hash_ is not None:
                bodies = {name: fold.to_snapshot() for name, fold in late.items()}
                return {n: Kept(self._counted, hash_, body) for n, body in bodies.items() if body is not None}
        return {}

    # ------------------------------------------------------------ what was undone

    def _undone(self) -> Voided:
        """What does not stand by now."""

        def taken_up(kept: Kept | None) -> Voided:
            undone = Voided(kept.body if kept else ())
            late = self.events(kinds=(UNDONE,), after=kept.seq if kept else 0, upto=self._counted)
            for event in in_order(late):
                undone.add(event)
            return undone

        self._bring_forward()
        return self._fold(UNDONE, taken_up)

    def _to_undo(self, job: str | None) -> tuple[Step, ...]:
        return to_undo(map(Step, self.newest_steps(job)), self._undone().steps)

    def undo(self, job: str | None, *, by: str | None = None, step: str | None = None) -> str | None:
        """Take back the last step of a job (None: of the box); what it was in words, or None.

        step: id of the step that is meant; UsageError, and nothing taken back, when another is the last.
        """
        with self.exclusively(), file_errors(self.path):
            steps = self._to_undo(job)
            if not steps:
                return None
            last = words(steps[0].events) + whose(steps[0].events)
            if step is not None and steps[0].id != step:
                raise UsageError(f"something else was logged meanwhile ({last}): look, then take it back")
            self._take_back(steps, job, by)
            return last

    def redo(self, job: str | None, *, by: str | None = None) -> str | None:
        """Bring back what was undone last; what it was in words, or None when there is nothing."""
        with self.exclusively(), file_errors(self.path):
            undone = self._undone()
            step = to_redo(map(Step, self.newest_steps(job)), undone.steps, undone.undos)
            if step is None:
                return None
            first = step.events[0]
            brought_back = self.of_step(first.job, first.run, first.data["of"])
            self._take_back((step,), job, by)
            return words(brought_back) if brought_back else None

    @guarded
    def to_undo(self, job: str | None) -> tuple[Step, str] | None:
        """The step that undo takes back, and what it was in words; None when there is none."""
        steps = self._to_undo(job)
        return (steps[0], words(steps[0].events) + whose(steps[0].events)) if steps else None

    def _take_back(self, steps: Sequence[Step], job: str | None, by: str | None) -> None:
        firsts = [step.events[0] for step in steps]
        self.append_all([Draft(UNDONE, {"of": one.step}, job, one.run, one.post, by) for one in firsts])
