r"""One event: a row of the log that is never changed, and the hash that chains it to the row before.

The hash is SHA-256 over the row as canonical JSON: keys sorted, no spaces, ASCII with \u escapes, numbers as
Python writes them shortest. The row names the hash before it (`prev`), so changing, dropping or reordering
anything breaks every hash after it. `shimfit record verify` works the chain out again; so can anybody with an
exported file and the few lines of `canonical` and `Event.computed_hash`.

What a record on paper carries. `Head` is how far a log had got: the number of its events, the first one's
hash and one that covers them all. For the whole file that is the last event's hash; for one job, which can be
exported alone, it is h(n) = SHA-256(h(n-1) + e(n)), h(0) = "", in hexadecimal text; e(n) is the hash that
the job's n-th event had in the log that wrote it, so that a file into which the job was imported keeps it.
Whoever holds the paper compares it as with a signed tree head: it must be that of the new log's
first n entries (RFC 9162, sections 2.1.3 inclusion and 2.1.4 consistency). The proofs there spare a client
the entries; ours has them all in the file, so the list is hashed in order and no tree is needed. `compare`
tells same, grown, shorter and another apart. It shows later change to whoever holds the paper; not who wrote
the log, nor what was never logged.

An event that came from another log by import gets a new place in this chain and keeps its old one as `origin`
(position, previous hash, hash there), so it is still provable that it says what it said when it was written.

Order. `seq` is the order in which this file received its events. `stamp` is the order in which they happened,
over all logs: microseconds of UTC, but never less than one more than the stamp before it in the same file
(a hybrid logical clock: Kulkarni, Demirbas et al., 2014, from memory). A clock that is set back can't reorder
a log; the event keeps the time that the clock showed and `clock_set_back` is true.
"""

from __future__ import annotations

import hashlib
import json
import re
from dataclasses import dataclass, field
from datetime import datetime
from json.encoder import encode_basestring_ascii
from operator import attrgetter
from typing import TYPE_CHECKING, Any, Literal

from shimfit.errors import InternalError, UsageError

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

GENESIS = ""
"""What the first event of a log names as the hash before it."""


@dataclass(frozen=True, slots=True)
class Draft:
    """An event that is about to be logged."""

    kind: str
    data: Mapping[str, Any] = field(default_factory=dict)
    job: str | None = None
    run: str | None = None
    post: str | None = None
    by: str | None = None


@dataclass(frozen=True, slots=True)
class Place:
    """Where an event stands in a log's chain."""

    seq: int
    prev: str
    """Hash of the event before it; GENESIS for the first."""
    hash: str


@dataclass(frozen=True, slots=True)
class Event:
    """One event as it stands in the log."""

    seq: int
    """1, 2, 3 … in this file, without a hole."""
    id: str
    """Unique over all logs."""
    step: str
    """Id of the first event that was logged in the same go; a step is undone whole."""
    log: str
    """Id of the log that wrote it first."""
    time: str
    """ISO 8601 with offset, as the clock showed."""
    stamp: int
    """Order over all logs; see above."""
    by: str | None
    job: str | None
    """None: the box, or the whole file."""
    run: str | None
    post: str | None
    kind: str
    data_text: str
    """The data as canonical JSON, exactly as it is hashed and stored."""
    prev: str
    hash: str
    origin: Place | None = None
    """Its place in the log that wrote it; None when that is this one."""

    @property
    def data(self) -> dict[str, Any]:
        """The data as Python values; a new dict each time."""
        value: dict[str, Any] = json.loads(self.data_text)
        return value

    @property
    def clock_set_back(self) -> bool:
        """True when the clock showed a time before the event that was already logged."""
        return self.stamp > microseconds(self.time)

    def computed_hash(self) -> str:
        """Hash that the row should have, from what it says; raises nothing on a damaged row."""
        return _hash(self, Place(self.seq, self.prev, self.hash), self.origin)

    def computed_origin_hash(self) -> str:
        """Hash that it should have had in the log that wrote it."""
        assert self.origin is not None
        return _hash(self, self.origin, None)

    @property
    def first_place(self) -> Place:
        """Its place in the log that wrote it, whether that is this one or another."""
        return self.origin or Place(self.seq, self.prev, self.hash)


def in_order(events: Iterable[Event]) -> list[Event]:
    """Events in the order they happened over all logs."""
    return sorted(events, key=attrgetter("stamp", "id"))


# ------------------------------------------------------------ what a record on paper carries

_FIRST_SIGNS = 16
_LEAST_SIGNS = 8
_FIGURE = re.compile(
    r"(?:(?P<events>\d{1,16})\s*[:,\s]\s*(?:(?P<first>[0-9a-f]{8,64})\s*[:,\s]\s*)?)?"
    r"(?P<hash>[0-9a-f]{8,64})"
)


@dataclass(frozen=True, slots=True)
class Head:
    """How far a log, or one job's part of it, had got; see above."""

    events: int = 0
    first: str = ""
    """Hash of a job's first event: tells two logs apart when one's end is gone. Empty: the file's head."""
    hash: str = ""
    """Covers all the events; empty without any."""

    def __str__(self) -> str:
        """The figure on paper: `57:<16 signs of the first hash>:<hash>`; what is not known is left out."""
        return ":".join([str(self.events), *([self.first[:_FIRST_SIGNS]] if self.first else []), self.hash])

    def is_at(self, head: Head) -> bool:
        """Whether this, read from paper, means `head`: hashes by their beginning, 0 events: not given."""
        return (
            head.hash.startswith(self.hash)
            and self.events in (0, head.events)
            and head.first.startswith(self.first)
        )


def head_on_paper(text: str) -> Head:
    """Head of a figure as it stands on paper: count, first hash and hash, count and hash, or the hash alone.

    Raises UsageError for anything else. What was not given is 0 or empty.
    """
    said = text.strip().lower()
    # What was scanned from a record's square names the run before the figure.
    found = _FIGURE.fullmatch(said) or _FIGURE.fullmatch((said.split() or [""])[-1])
    if found is None:
        raise UsageError(
            f"{text!r} isn't a record's figure: type it as printed (57:1f0c…:9a2e…), or at least the first "
            f"{_LEAST_SIGNS} signs of the hash"
        )
    return Head(int(found["events"] or 0), found["first"] or "", found["hash"])


def heads(events: Iterable[Event]) -> Iterator[Head]:
    """Head of one job after each of its events, which come in the file's order."""
    first = running = GENESIS
    for count, event in enumerate(events, 1):
        written = event.first_place.hash
        first = first or written
        running = hashlib.sha256((running + written).encode("ascii")).hexdigest()
        yield Head(count, first, running)


@dataclass(frozen=True, slots=True)
class Compared:
    """A log held against the head on a record."""

    answer: Literal["same", "grown", "shorter", "another"]
    """Grown: the paper's part is unchanged. Shorter: the end was cut. Another: other events stand there (or
    the count was not given, and nothing tells a cut from another log)."""
    job: str | None = None
    """Whose head it is; None: the whole file's, or not found."""
    paper: int = 0
    """Number of events on paper, as given or found."""
    now: int = 0
    """Number of events now."""
    place: int | None = None
    """Place in the file of the last event that the paper knew."""


def compare(events: Sequence[Event], paper: Head) -> Compared:
    """Hold the events of a file, or of an export, against a head read from paper."""
    jobs: dict[str, list[Event]] = {}
    for event in events:
        if event.job is not None:
            jobs.setdefault(event.job, []).append(event)
    logs: list[tuple[str | None, Sequence[Event], list[Head]]] = [
        *((job, own, list(heads(own))) for job, own in jobs.items()),
        (None, events, [Head(event.seq, "", event.hash) for event in events]),
    ]
    for job, own, known in logs:
        for event, head in zip(own, known, strict=True):
            if paper.is_at(head):
                answer: Literal["same", "grown"] = "same" if head == known[-1] else "grown"
                return Compared(answer, job, head.events, known[-1].events, event.seq)
    alike = [(job, known[-1]) for job, _, known in logs if known and known[-1].first.startswith(paper.first)]
    # Without the first hash any of the jobs may be the paper's: shorter is certain when all are.
    cut = any if paper.first else all
    if alike and paper.events and cut(head.events < paper.events for _, head in alike):
        job, head = next(one for one in alike if one[1].events < paper.events)
        return Compared("shorter", job, paper.events, head.events)
    return Compared("another", paper=paper.events, now=len(events))


# ------------------------------------------------------------ the hash


def _hash(event: Event, place: Place, origin: Place | None) -> str:
    """Written out, for speed: every event that a state is read from is checked. The data is canonical."""
    came = "null"
    if origin is not None:
        came = f'{{"hash":{_text(origin.hash)},"prev":{_text(origin.prev)},"seq":{origin.seq}}}'
    row = (
        f'{{"by":{_text(event.by)},"data":{event.data_text},"id":{_text(event.id)},"job":{_text(event.job)},'
        f'"kind":{_text(event.kind)},"log":{_text(event.log)},"origin":{came},"post":{_text(event.post)},'
        f'"prev":{_text(place.prev)},"run":{_text(event.run)},"seq":{place.seq},"stamp":{event.stamp},'
        f'"step":{_text(event.step)},"time":{_text(event.time)}}}'
    )
    # A damaged file can hold any text; what can't be ASCII can't have been hashed by us either.
    return hashlib.sha256(row.encode("utf-8", "surrogatepass")).hexdigest()


def _text(value: object) -> str:
    if isinstance(value, str):
        return encode_basestring_ascii(value)
    return "null" if value is None else canonical(str(value))


_CANONICAL = json.JSONEncoder(sort_keys=True, separators=(",", ":"), ensure_ascii=True, allow_nan=False)


def canonical(value: Any) -> str:
    """Value as canonical JSON; raises InternalError for what JSON has no form for (inf, nan, objects)."""
    try:
        return _CANONICAL.encode(value)
    except (TypeError, ValueError, RecursionError) as error:
        raise InternalError(f"this can't be kept as an event: {error}") from error


def microseconds(time: str) -> int:
    """UTC microseconds since 1970 of an ISO 8601 time with offset; raises ValueError for anything else."""
    moment = datetime.fromisoformat(time)
    if moment.tzinfo is None:
        raise ValueError(f"{time} has no offset from UTC")
    return round(moment.timestamp() * 1_000_000)
