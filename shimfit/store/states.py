"""The state of jobs, runs and the box: worked out from the log, brought forward, kept for the next opening.

What was worked out of a long log is kept beside it, so that opening it need not begin at its first event: a
file `NAME.snapshot` with a line for each thing kept: the undone steps, the box, each run.
A line stands for the log up to one event: it names that event's place and its hash, which covers all events
before it, the program that worked it out, and is sealed with a hash of its own. It is used only where the log
holds that event with that hash, the program is the same build and the seal fits; the events behind it are
counted in. Anything else (damage, another program, a log that was replaced) is as if it were not there.

Nothing but time hangs on it: it is written when a file is closed, well after what was logged is on disk, and
a program that dies meanwhile leaves the old one or the new one. It holds of each post only what is plain
(its place, its state, what was done); readings, answers, packs and notes are read from the post's own events,
with their hashes, when somebody looks at them.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import sqlite3
from collections import defaultdict
from dataclasses import replace
from functools import cache
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple, Protocol, TypeVar

import shimfit
from shimfit.errors import FileError, UsageError
from shimfit.store import log
from shimfit.store.box import BOX_KINDS, BoxFold, fold_box
from shimfit.store.events import canonical, read_data
from shimfit.store.fold import RunFold, fold_run
from shimfit.store.log import hash_at
from shimfit.store.undo import UNDONE, Step, Voided, to_redo, to_undo, voided, words
from shimfit.values import dataclass

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence
    from collections.abc import Set as AbstractSet

    from shimfit.standing import RunState, Units
    from shimfit.store import box, fold
    from shimfit.store.box import BoxState
    from shimfit.store.events import Event
    from shimfit.store.log import Log

    class Archive(box.Archive, fold.Archive, Protocol):
        """Past events, as far as runs and the box are read on from a snapshot."""


_Fold = TypeVar("_Fold", RunFold, BoxFold)


END = ".snapshot"
_ROOMS = (
    "store",
    "core/uncertainty",
    "core/ledger.py",
    "core/bow.py",
    "standing.py",
    "codec.py",
    "model.py",
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

    def find(self, db: sqlite3.Connection, name: str) -> Kept | None:
        """What is kept under a name, if it is of this log, of this program, and whole."""
        line = self._read().get(name)
        if line is None:
            return None
        try:
            head, _, body = line.partition(b"\t")
            seal, place, hash_, _ = head.decode("ascii").split(" ", 3)
            if seal != _seal(line.split(b" ", 1)[1]):
                return None
            there = hash_at(db, int(place)) == hash_
            return Kept(int(place), hash_, json.loads(body)) if there else None
        except (ValueError, RecursionError):
            return None

    def write(self, kept: Mapping[str, Kept]) -> None:
        """Put these in place of what is kept under their names. What can't be written is done without."""
        lines = dict(self._read())
        for name, one in kept.items():
            body = json.dumps(one.body, separators=(",", ":"))
            line = f"{one.seq} {one.hash} {_key(name)}\t{body}".encode("ascii")
            lines[name] = f"{_seal(line)} ".encode("ascii") + line
        part = self._file.with_name(f".{self._file.name}.part")
        with contextlib.suppress(OSError):
            try:
                with part.open("wb") as file:
                    file.write(b"\n".join(lines.values()))
                part.chmod(self._data_file.stat().st_mode & 0o777)
                part.replace(self._file)
            finally:
                part.unlink(missing_ok=True)
        self._lines = lines

    def _read(self) -> dict[str, bytes]:
        """Name -> line, of those that this program wrote."""
        if self._lines is None:
            try:
                whole = self._file.read_bytes()
            except OSError:
                whole = b""
            lines = (line for line in whole.split(b"\n") if line)
            self._lines = {name: line for line in lines if (name := _name_in(line)) is not None}
        return self._lines


def _name_in(line: bytes) -> str | None:
    try:
        program, name = json.loads(line.partition(b"\t")[0].split(b" ", 3)[3])
    except (ValueError, IndexError, TypeError, RecursionError):
        return None
    return name if program == _program() and isinstance(name, str) else None


def _key(name: str) -> str:
    return canonical([_program(), name])


def _seal(line: bytes) -> str:
    return hashlib.sha256(line).hexdigest()


@cache
def _program() -> str:
    """This build: its version and the files that say what is made of events."""
    root = Path(shimfit.__file__).parent
    files = (file for room in _ROOMS for file in sorted((root / room).rglob("*.py")) or [root / room])
    stats = [(file.name, stat.st_size, stat.st_mtime_ns) for file in files if (stat := _stat(file))]
    return f"{shimfit.__version__} {hashlib.sha256(repr(stats).encode()).hexdigest()[:16]}"


def _stat(file: Path) -> os.stat_result | None:
    try:
        return file.stat()
    except OSError:
        return None


# ------------------------------------------------------------ in an open log


class History:
    """What was undone in an open log, and what can be: of each job (None: of the box), and all together."""

    def __init__(self, log: Log, snapshot: Snapshot) -> None:
        self._log = log
        self._snapshot = snapshot
        self._forget()

    def _forget(self) -> None:
        self._counted = 0
        self._rows: list[tuple[int, str | None, str, str]] = []
        self._of_job: defaultdict[str | None, Voided] = defaultdict(Voided)
        self._steps: defaultdict[str | None, set[str]] = defaultdict(set)
        self._all = Voided()

    def _bring_forward(self) -> None:
        db, end = self._log.db, self._log.end().seq
        if end == self._counted:
            return
        if not self._counted:
            kept = self._snapshot.find(db, UNDONE)
            if kept is not None and kept.seq <= end:
                for row in kept.body:
                    self._count(*row)
                self._counted = kept.seq
        if self._counted and self._log.came_in(self._counted):
            self._forget()
        for event in log.of_kinds(db, (UNDONE,), end, after=self._counted):
            data = read_data(event)[0]
            if data is not None:
                self._count(event.seq, event.job, event.step, data["of"])
        self._counted = end

    def _count(self, seq: int, job: str | None, step: str, of: str) -> None:
        self._rows.append((seq, job, step, of))
        self._of_job[job].count(step, of)
        self._all.count(step, of)
        self._steps[job].add(step)

    def everywhere(self) -> AbstractSet[str]:
        """Steps that do not stand."""
        self._bring_forward()
        return self._all.steps

    def of_job(self, job: str | None) -> tuple[AbstractSet[str], AbstractSet[str]]:
        """(steps that do not stand, steps that are an undo or a redo) of a job."""
        self._bring_forward()
        return self._of_job[job].steps, self._steps[job]

    def upto(self, place: int) -> list[tuple[int, str | None, str, str]]:
        """(place, job, step, step that it names) of what was undone up to a place, as it happened."""
        self._bring_forward()
        return [row for row in self._rows if row[0] <= place]

    def pairs(self, upto: int, job: str | None = None) -> list[tuple[str, str]]:
        """(step, step that it names) of what was undone up to a place, in one job or all."""
        return [(step, of) for _, its, step, of in self.upto(upto) if job in (None, its)]

    def to_undo(self, job: str | None) -> tuple[Step, ...]:
        """The step that undo takes back, with the answers that go with it; () when there is none."""
        void, _ = self.of_job(job)
        return to_undo(self._newest_first(job), void)

    def to_redo(self, job: str | None) -> Step | None:
        """The undo that redo takes back, or None."""
        void, undos = self.of_job(job)
        return to_redo(self._newest_first(job), void, undos) if undos else None

    def undo_words(self, job: str | None) -> str | None:
        """What undo would take back."""
        steps = self.to_undo(job)
        return words(steps[0].events) if steps else None

    def redo_words(self, job: str | None) -> str | None:
        """What redo would bring back."""
        step = self.to_redo(job)
        if step is None:
            return None
        taken_back = log.of_step(self._log.db, step.events[0].data["of"])
        return words(taken_back) if taken_back else None

    def _newest_first(self, job: str | None) -> Iterator[Step]:
        if job is None:
            # What was taken for a pack belongs to the step of that pack, and goes back with it.
            found = log.newest_first_of_box(self._log.db, (*set(BOX_KINDS) - {"taken"}, UNDONE), self._log.id)
        else:
            found = log.newest_first(self._log.db, job)
        for _, events in groupby(found, key=lambda event: event.step):
            yield Step(tuple(events)[::-1])


# ------------------------------------------------------------ the jobs


@dataclass(frozen=True, slots=True)
class JobState:
    """One job. Its runs are named here and read one by one with `Journal.run(job, name)`."""

    name: str
    sample: bool = False
    units: Units = "mm"
    runs: tuple[str, ...] = ()
    """Names, in the order they were added."""
    undo: str | None = None
    """What undo would take back, in words; None = nothing."""
    redo: str | None = None
    """What redo would bring back, in words; None = nothing."""
    last_run: str | None = None
    """Run that was worked on last; None when the job has none."""
    last_seq: int = 0
    """Position in the log of the job's last event."""


def all_jobs(
    db: sqlite3.Connection, history: History, upto: int, void: AbstractSet[str]
) -> tuple[JobState, ...]:
    """All jobs after event `upto`, in the order they were added; a job that was begun twice stands once."""
    found = log.of_kinds(db, ("job-added", "run-added"), upto)
    heads = [event for event in found if event.step not in void and read_data(event)[0] is not None]
    added = {event.job: event for event in reversed(heads) if event.kind == "job-added"}
    ordered = sorted(added.values(), key=lambda event: (event.stamp, event.id))
    return tuple(_job(db, history, event, _runs(event, heads), upto) for event in ordered)


def _runs(added: Event, heads: Sequence[Event]) -> tuple[str, ...]:
    own = (event for event in heads if event.kind == "run-added" and event.job == added.job)
    return tuple(dict.fromkeys(event.run for event in own if event.run))


def _job(
    db: sqlite3.Connection, history: History, added: Event, runs: tuple[str, ...], upto: int
) -> JobState:
    assert added.job is not None
    latest = log.latest_of_runs(db, added.job, (None, *runs), upto)
    touched = [event for event in latest if event.run is not None]
    return JobState(
        name=added.job,
        sample=bool(added.data.get("sample", False)),
        units=added.data.get("units", "mm"),
        runs=runs,
        undo=history.undo_words(added.job),
        redo=history.redo_words(added.job),
        last_run=max(touched, key=lambda event: event.stamp).run if touched else None,
        last_seq=max((event.seq for event in latest), default=0),
    )


# ------------------------------------------------------------ states


LAG = 100
"""Events that a snapshot may be behind; to count them in takes some hundredths of a second."""
FAR_BEHIND = 2_000
"""What took so long to work out is kept at once, not only when the file is closed."""
_BOX = "box"


class States:
    """The state of every job, of each run that was asked for and of the box, now or after event `upto`."""

    def __init__(self, log: Log, history: History, snapshot: Snapshot, archive: Archive) -> None:
        self._log = log
        self._history = history
        self._snapshot = snapshot
        self._archive = archive
        self._runs: dict[tuple[str, str], RunFold] = {}
        self._box: BoxFold | None = None
        self._jobs_now: tuple[JobState, ...] | None = None
        self._box_now: BoxState | None = None
        """Both as worked out last; None when something was logged since."""
        self._counted = 0
        """Place of the last event that all of the above have seen."""
        self._kept: dict[str, int] = {}
        """Name in the snapshot -> place that it stands for there; 0 when there is nothing to go on from."""

    def forget(self) -> None:
        """Work everything out again when it is asked for."""
        self._runs.clear()
        self._box = None
        self._jobs_now = self._box_now = None

    def _bring_forward(self) -> None:
        """Count in what was logged since."""
        end = self._log.end().seq
        if end == self._counted:
            return
        self._jobs_now = self._box_now = None
        try:
            self._count_in(self._counted, end)
            self._counted = end
        except BaseException:
            # Interrupted: some have seen an event that others have not.
            self.forget()
            raise

    def _count_in(self, counted: int, end: int) -> None:
        folds = [*self._runs.values(), *(() if self._box is None else (self._box,))]
        fresh = log.between(self._log.db, counted, end) if folds else []
        if not counted or any(event.origin for event in fresh):
            # Import brings events from before others; and a file in which nothing was logged when it was
            # read may have had no log's id then.
            self.forget()
            return
        for event in fresh:
            for fold in folds:
                fold.add(event)

    # ------------------------------------------------------------ from a snapshot, and to it

    def _taken_up(self, name: str, take_up: Callable[[Kept], _Fold]) -> _Fold | None:
        """A fold as it was kept; None when it isn't, or more than its own log's events came since."""
        self._kept[name] = 0
        kept = self._snapshot.find(self._log.db, name)
        if kept is None or kept.seq > self._counted or self._log.came_in(kept.seq):
            return None
        try:
            fold = take_up(kept)
        except (KeyError, TypeError, ValueError, AttributeError):
            return None
        self._kept[name] = kept.seq
        return fold

    def to_keep(self) -> dict[str, Kept]:
        """What is worth keeping of what was worked out here, by its name in the snapshot."""
        folds = {_run_name(*key): fold.to_snapshot for key, fold in self._runs.items()}
        folds |= {} if self._box is None else {_BOX: self._box.to_snapshot}
        with contextlib.suppress(FileError, sqlite3.Error):
            late = [name for name in folds if self._counted >= self._kept.get(name, 0) + LAG]
            hash_ = log.hash_at(self._log.db, self._counted) if late else None
            if hash_ is not None:
                found: dict[str, Any] = {one: body for one in late if (body := folds[one]()) is not None}
                found[UNDONE] = self._history.upto(self._counted)
                return {name: Kept(self._counted, hash_, body) for name, body in found.items()}
        return {}

    def _keep_at_once(self, name: str) -> None:
        """Keep what took long to work out: the program may be ended before it closes the file."""
        if self._counted >= self._kept.get(name, 0) + FAR_BEHIND:
            kept = self.to_keep()
            self._snapshot.write(kept)
            self._kept |= dict.fromkeys(kept, self._counted)

    # ------------------------------------------------------------ jobs, runs, the box

    def jobs(self, upto: int | None = None) -> tuple[JobState, ...]:
        """All jobs, in the order they were added."""
        self._bring_forward()
        if upto is not None:
            void = voided(self._history.pairs(upto))
            return all_jobs(self._log.db, self._history, upto, void)
        if self._jobs_now is None:
            self._jobs_now = all_jobs(self._log.db, self._history, self._counted, self._history.everywhere())
        return self._jobs_now

    def job(self, name: str, upto: int | None = None) -> JobState:
        """One job; raises UsageError naming those that there are."""
        found = self.jobs(upto)
        for job in found:
            if job.name == name:
                return job
        there_are = ", ".join(job.name for job in found) or "none yet"
        raise UsageError(f"there is no job {name!r}; the jobs are: {there_are}")

    def run(self, job: str, run: str, upto: int | None = None) -> RunState:
        """One run; raises UsageError naming those that there are."""
        self._bring_forward()
        state = self._run_now(job, run) if upto is None else self._run_then(job, run, upto)
        if state is None:
            there_are = ", ".join(self.job(job, upto).runs) or "none yet"
            raise UsageError(f"there is no run {run!r} in job {job!r}; its runs are: {there_are}")
        return state

    def _run_now(self, job: str, run: str) -> RunState | None:
        fold = self._runs.get((job, run))
        if fold is None:
            name = _run_name(job, run)
            fold = self._taken_up(name, lambda kept: self._run_kept(job, run, kept)) or RunFold(job, run)
            for event in log.of_run(self._log.db, job, run, self._counted, self._kept[name]):
                fold.add(event)
            self._runs[job, run] = fold
            fold.state()
            self._keep_at_once(name)
        return fold.state()

    def _run_kept(self, job: str, run: str, kept: Kept) -> RunFold:
        return RunFold.from_snapshot(job, run, kept.body, self._history.pairs(kept.seq, job), self._archive)

    def _run_then(self, job: str, run: str, upto: int) -> RunState | None:
        return fold_run(log.of_run(self._log.db, job, run, upto), job, run)

    def box(self, upto: int | None = None) -> BoxState:
        """The box; what can be taken back from it is said of now only."""
        self._bring_forward()
        if upto is not None:
            found = log.of_kinds(self._log.db, (*BOX_KINDS, UNDONE), upto)
            return fold_box(found, self._log.id)
        if self._box_now is None:
            self._box_now = replace(
                self._box_kept().state(),
                undo=self._history.undo_words(None),
                redo=self._history.redo_words(None),
            )
        return self._box_now

    def _box_kept(self) -> BoxFold:
        if self._box is None:
            fold = self._taken_up(_BOX, self._box_of)
            if fold is None:
                fold = BoxFold(self._log.id, self._archive)
                fold.take_in(self._of_box(self._counted), self._history.pairs(self._counted))
            else:
                kinds = (*BOX_KINDS, UNDONE)
                for event in log.of_kinds(self._log.db, kinds, self._counted, after=self._kept[_BOX]):
                    fold.add(event)
            self._box = fold
            self._keep_at_once(_BOX)
        return self._box

    def _box_of(self, kept: Kept) -> BoxFold:
        pairs = self._history.pairs(kept.seq)
        return BoxFold.from_snapshot(self._log.id, kept.body, kept.seq, pairs, self._archive)

    def _of_box(self, upto: int) -> list[Event]:
        return log.of_kinds(self._log.db, BOX_KINDS, upto)


def _run_name(job: str, run: str) -> str:
    return f"run {canonical([job, run])}"
