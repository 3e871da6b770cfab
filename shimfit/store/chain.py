"""The hash chain: events put at its end, checked from its beginning, and held against a hash on paper.

What a record on paper carries. `Head` is how far a log had got: the number of its events, the first one's
hash and one that covers them all. For the whole file that is the last event's hash; for one job, which can be
exported alone, it is h(n) = SHA-256(h(n-1) + e(n)), h(0) = "", in hexadecimal text; e(n) is the hash that
the job's n-th event had in the log that wrote it, so that a file into which the job was imported keeps it.
Whoever holds the paper compares it as with a signed tree head: it must be that of the new log's
first n entries (RFC 9162, sections 2.1.3 inclusion and 2.1.4 consistency). The proofs there spare a client
the entries; ours has them all in the file, so the list is hashed in order and no tree is needed. `compare`
tells same, grown, shorter and another apart. It shows later change to whoever holds the paper; not who wrote
the log, nor what was never logged.
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import replace
from typing import TYPE_CHECKING, Literal

from shimfit.errors import UsageError
from shimfit.store.events import GENESIS, Event, canonical, microseconds
from shimfit.values import dataclass

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence

    from shimfit.store.events import Draft


# ------------------------------------------------------------ at its end


@dataclass(frozen=True, slots=True)
class End:
    """Where the next event is chained on."""

    seq: int
    hash: str
    stamp: int
    """Greatest so far."""

    def after(self, events: Sequence[Event]) -> End:
        """The end when these were put behind it."""
        if not events:
            return self
        return End(events[-1].seq, events[-1].hash, max(self.stamp, *(event.stamp for event in events)))


def chained(drafts: Sequence[Draft], time: str, log: str, new_id: Callable[[], str], end: End) -> list[Event]:
    """Events of drafts that are logged in one go, chained to the end of a log."""
    now = microseconds(time)
    prev, stamp, step = end.hash, end.stamp, ""
    events: list[Event] = []
    for seq, draft in enumerate(drafts, end.seq + 1):
        id_, stamp = new_id(), max(now, stamp + 1)
        step = step or id_
        scope = draft.by, draft.job, draft.run, draft.post
        text = canonical(dict(draft.data))
        events.append(_sealed(Event(seq, id_, step, log, time, stamp, *scope, draft.kind, text, prev, "")))
        prev = events[-1].hash
    return events


def moved_here(foreign: Sequence[Event], end: End) -> list[Event]:
    """Events of another log, chained to the end of this one; their first place stays as their origin."""
    prev, moved = end.hash, list[Event]()
    for seq, event in enumerate(foreign, end.seq + 1):
        moved.append(_sealed(replace(event, seq=seq, prev=prev, hash="", origin=event.first_place)))
        prev = moved[-1].hash
    return moved


def _sealed(event: Event) -> Event:
    return replace(event, hash=event.computed_hash())


# ------------------------------------------------------------ from its beginning


@dataclass(frozen=True, slots=True)
class BadEvent:
    """The first event that is not as it was logged."""

    seq: int
    id: str | None
    """None when even the id can't be read."""
    why: str
    """What does not fit, in words."""

    @property
    def sentence(self) -> str:
        """For the person."""
        return f"event {self.seq} is not as it was logged: {self.why}"


class Checker:
    """Follows a chain from its beginning."""

    def __init__(self) -> None:
        self.seq = 0
        self._hash = GENESIS

    def fault(self, event: Event) -> str | None:
        """What is wrong with the next event; None takes it as the new end of the chain."""
        if event.seq != self.seq + 1:
            return f"event {self.seq + 1} is missing"
        if event.prev != self._hash:
            return "it does not follow from the event before it"
        why = altered(event)
        if why is None:
            self.seq, self._hash = event.seq, event.hash
        return why


def altered(event: Event) -> str | None:
    """What an event's own hashes say, without the chain: None when it is as written."""
    if event.computed_hash() != event.hash:
        return "its content was changed after it was logged"
    if event.origin is not None and event.computed_origin_hash() != event.origin.hash:
        return "its content is not what the log that it came from holds"
    return None


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
