r"""One event: a row of the log that is never changed, and the hash that chains it to the row before.

The hash is SHA-256 over the row as canonical JSON: keys sorted, no spaces, ASCII with \u escapes, numbers as
Python writes them shortest. The row names the hash before it (`prev`), so changing, dropping or reordering
anything breaks every hash after it. `shimfit record verify` works the chain out again; so can anybody with an
exported file and the few lines of `canonical` and `Event.computed_hash`.

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
from dataclasses import dataclass, field
from datetime import datetime
from json.encoder import encode_basestring_ascii
from typing import TYPE_CHECKING, Any

from shimfit.errors import InternalError

if TYPE_CHECKING:
    from collections.abc import Mapping

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
