r"""One event: a row of the log that is never changed, what its data may hold, and the chain that it is in.

The hash is SHA-256 over the row as canonical JSON: keys sorted, no spaces, ASCII with \u escapes, numbers as
Python writes them shortest. The row names the hash before it (`prev`), so changing, dropping or reordering
anything breaks every hash after it. `shimfit record verify` works the chain out again; so can anybody with an
exported file and the few lines of `canonical` and `Event.computed_hash`.

An event that came from another log by import gets a new place in this chain and keeps its old one as `origin`
(position, previous hash, hash there), so it is still provable that it says what it said when it was written.

Order. `seq` is the order in which this file received its events. `stamp` is the order in which they happened,
over all logs: microseconds of UTC, but never less than one more than the stamp before it in the same file
(a hybrid logical clock: Kulkarni, Demirbas et al., 2014, from memory). A clock that is set back can't reorder
a log; the event keeps the time that the clock showed, which is before its stamp.

On paper. A record carries a `Head`, how far a log had got: the number of its events, the first one's hash
and one that covers them all. For the whole file that is the last event's hash; for one job, which can be
exported alone, it is h(n) = SHA-256(h(n-1) + e(n)), h(0) = "", in hexadecimal text; e(n) is the hash that the
job's n-th event had in the log that wrote it, so that a file into which the job was imported keeps it.
Whoever holds the paper compares it as with a signed tree head: it must be that of the new log's first n
entries (RFC 9162, sections 2.1.3 inclusion and 2.1.4 consistency). The proofs there spare a client the
entries; ours has them all in the file, so the list is hashed in order and no tree is needed. `compare` tells
same, grown, shorter and another apart. It shows later change to whoever holds the paper; not who wrote the
log, nor what was never logged.

What its data may hold is checked when it is logged, when it is imported and when it is read: a log may hold
what this version can't read. Keys that are not named here are kept: a newer program may add some. Kinds that
are not named here are kept as well, and ignored by this version.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import field, replace
from datetime import datetime
from functools import cache, lru_cache
from json.encoder import encode_basestring_ascii
from operator import attrgetter
from typing import Any, Literal, NamedTuple

from shimfit import codec
from shimfit.codec import ANSWER, Shape, also, members
from shimfit.core.cutting import Cut, Remainder
from shimfit.errors import LONGEST_NAME, LONGEST_TEXT, InternalError, UsageError, printable, sign_fault
from shimfit.model import Face, Foot, Instrument, Lot, Name, NotNegative, Pack, Positive, Reading, Tolerance
from shimfit.standing import Making
from shimfit.values import dataclass

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

    def computed_hash(self) -> str:
        """Hash that the row should have, from what it says; raises nothing on a damaged row."""
        return _hash(self, Place(self.seq, self.prev, self.hash), self.origin)

    @property
    def first_place(self) -> Place:
        """Its place in the log that wrote it, whether that is this one or another."""
        return self.origin or Place(self.seq, self.prev, self.hash)


def in_order(events: Iterable[Event]) -> list[Event]:
    """Events in the order they happened over all logs."""
    return sorted(events, key=attrgetter("stamp", "id"))


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


# ------------------------------------------------------------ what the data of each kind holds

_Units = Literal["mm", "inch"]
_Rule = Literal["95", "simple", "2u"]
RUN_OPTIONS = {
    "rule?": _Rule,
    "units?": _Units,
    "gauge_mm?": Positive | None,
    "face_names?": Mapping[Face, str] | None,
    "layout?": str,
    "due_days?": int | None,
    "preload_mm?": Positive | None,
    "kerf_mm?": NotNegative | None,
    "max_spacing_mm?": Positive | None,
    "opening_limit_mm?": Positive | None,
}
"""Fields of `standing.RunState` and of its `Making` that a run may say."""
_POST = {
    "name": Name,
    "leg": int,
    "station_mm": float,
    "kind?": Literal["line", "corner", "end"],
    "after?": str | None,
    "foot?": Foot | None,
    "height_mm?": Positive | None,
    "tolerance?": Tolerance | None,
    "turn_deg?": float | None,
}
_ASKED = {key.rstrip("?"): of for key, of in members(Making).items()}
_ASKED |= {"rule": _Rule, "box": str, "own": Mapping[str, Any]}
_CUT = {key: of for key, of in members(Cut).items() if key not in ("piece", "goes_to?")}
_CUT |= {"piece?": str, "for?": str}
_OBSERVED = {
    "predicted_mm": tuple[float, float],
    "measured_mm": tuple[float, float],
    "u_reading_mm": Positive,
    "shares": Mapping[str, NotNegative],
    "left?": {
        "off_mm": tuple[float, float],
        "seats_mm2": tuple[Positive, float, Positive],
        "others_mm2": tuple[NotNegative, float, NotNegative],
    },
}
_CONFLICT = {"run": str, "post": str, "why": str, "packs?": bool}
_SEEN = {"seen?": Mapping[Name, int], "by_time?": Mapping[Name, int]}


def _rows(row: Any) -> Any:
    """A list of what a dict of types says."""
    return codec.list_of(codec.shape(row))


def _wrong_remainder(row: Mapping[str, Any]) -> str | None:
    wrong = codec.shape(Remainder).fault(row["of"]) if "of" in row else None
    return f".of{wrong}" if wrong else None


class Kind(NamedTuple):
    """What an event of one kind holds, where it belongs, and how it is called when it is taken back."""

    data: Any
    """As `shimfit.codec` reads types."""
    of: Literal["post", "run", "job", "box", "file"]
    """It must name job, run and post; job and run; or neither."""
    words: str = ""
    """`{key}` stands for what the data says; `{place}` for job, run and post. Empty: the kind itself."""


_HEAD: dict[str, Any] = {"foot": Foot, "height_mm": Positive, "tolerance": Tolerance}
_FOLLOWS = {"follows?": bool}
KINDS: dict[str, Kind] = {
    "job-added": Kind({"name": Name, "sample?": bool, "units?": _Units}, "job", "new job {name}"),
    "run-added": Kind(_HEAD | RUN_OPTIONS, "run", "new run {place}"),
    "run-changed": Kind(
        {f"{key}?": of for key, of in _HEAD.items()} | RUN_OPTIONS,
        "run",
        "change of {changed} of run {place}",
    ),
    "facts": Kind(Mapping[str, str | None], "job", "what the record says of {place}"),
    "issued": Kind(
        {
            "number?": str,
            "why?": str,
            "replaces?": str | None,
            "changed?": tuple[str, ...],
            "beside?": tuple[str, ...],
        },
        "run",
        "record {number} issued",
    ),
    "post-added": Kind(_POST, "run", "new post {run}/{name}"),
    "post-moved": Kind({"station_mm": float, "leg?": int}, "post", "moving post {run}/{post}"),
    "post-removed": Kind({}, "post", "taking out post {run}/{post}"),
    "reading": Kind({**members(Reading), **_FOLLOWS, "again?": bool}, "post", "reading {text}"),
    "prescribed": Kind({"answer": ANSWER, "asked?": _ASKED}, "post", "the answer"),
    "packed": Kind({"packs": tuple[Pack, ...], "as_prescribed?": bool}, "post", "packs put in"),
    "tightened": Kind({"torque_nm?": NotNegative | None, **_FOLLOWS}, "post", "the nut tightened"),
    "trimmed": Kind(_FOLLOWS, "post", "packs cut flush"),
    "observed": Kind(_OBSERVED, "post"),
    "take-up-reset": Kind({}, "job", "forgetting what the deck taught"),
    "skipped": Kind({"why": str}, "post"),
    "noted": Kind({"text": str}, "post", "a note"),
    "photo": Kind({"file": Name}, "post", "photo {file}"),
    "stock-imported": Kind({"lots": tuple[Lot, ...], "source?": str}, "box", "stock read from {source}"),
    "stock-added": Kind(Lot, "box", "lot {lot} put in the box"),
    "stock-out": Kind({"lot": Name, "count?": int | None}, "box", "lot {lot} taken out of the box"),
    "taken": Kind(
        {
            "used": _rows({"lot": Name, "count?": int}),
            "back?": codec.list_of(also(codec.shape(Lot), _wrong_remainder)),
            "cut?": _rows(_CUT),
        },
        "box",
    ),
    "instrument": Kind(members(Instrument), "box", "instrument {name}"),
    "setting": Kind({"key": Name, "value": Any}, "box", "setting {key} {value}"),
    "box-joined": Kind({"log": Name}, "box"),
    "undone": Kind({"of": Name}, "file"),
    "merged": Kind({"log": Name, "conflicts": _rows(_CONFLICT), **_SEEN}, "file"),
    "salvaged": Kind({"source": str, "saved": int, "doubtful": int, "missing": int}, "file"),
    "doubtful": Kind({"kind": str, "why": str}, "file"),
}
"""Every kind that this version knows. What one does: to a post `store.post`, to the box `store.box`."""
UNDONE = "undone"
BOX_KINDS = tuple(kind for kind, one in KINDS.items() if one.of == "box")
_QUOTES = frozenset({"merged", "salvaged", "doubtful"})
"""Kinds in which the program itself quotes what other events hold."""
BOOKKEEPING = _QUOTES | {"box-joined"}
"""What the program notes of a file as a whole; undo walks past it."""


@cache
def shape_of(kind: str) -> Shape:
    """What the data of a kind must be; worked out for the kinds that a log holds."""
    return codec.shape(KINDS[kind].data)


def words_of(event: Event) -> str:
    """What an event says, for `undo: …`: `reading 1/4n3/8h`."""
    data = read_data(event)[0]
    if data is None:
        return f"{event.kind} that can't be read"
    place = "/".join(filter(None, (event.job, event.run, event.post)))
    said = {"source": "a file"} | {key: value for key, value in data.items() if value}
    said |= {"place": place, "run": event.run, "post": event.post}
    said["changed"] = ", ".join(key.removesuffix("_mm").replace("_", " ") for key in data)
    return (KINDS[event.kind].words or event.kind).format_map(defaultdict(str, said)).replace("  ", " ")


def is_whole(name: str | None) -> bool:
    """True for a name that can be written in any file: None, or text without broken characters."""
    try:
        (name or "").encode()
    except UnicodeEncodeError:
        return False
    return True


def signs_wrong(kind: str, data: Any, names: Iterable[str | None]) -> str | None:
    """Which name or text of an event is too long or would command a terminal; None when none is.

    One rule for what is typed and for what comes in a file. Names: job, run, post and who did it.
    """
    if kind in _QUOTES:
        return None
    for name in names:
        if name is not None and (fault := sign_fault(name, LONGEST_NAME)):
            return f"the name {name[:LONGEST_NAME]!r} {fault}"
    for text in _texts(data):
        if fault := sign_fault(text, LONGEST_TEXT):
            return f"the text {text[:20]!r} {fault}"
    return None


def _texts(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, Mapping):
        for key, one in value.items():
            yield key
            yield from _texts(one)
    elif isinstance(value, list | tuple):
        for one in value:
            yield from _texts(one)


def _cleaned(value: Any) -> Any:
    """The same data with texts that may be shown: an older program let control characters in."""
    if isinstance(value, str):
        return printable(value)
    if isinstance(value, Mapping):
        return {key: _cleaned(one) for key, one in value.items()}
    return [_cleaned(one) for one in value] if isinstance(value, list) else value


def wrong_with(kind: str, data: Any, job: str | None, run: str | None, post: str | None) -> str | None:
    """What is wrong with an event's data or scope, in words; None when it can be read back."""
    if not isinstance(data, Mapping):
        return f"{kind}: the data must be an object"
    of = KINDS[kind].of if kind in KINDS else "file"
    if of in ("run", "post") and (not job or not run):
        return f"{kind}: the job and the run must be named"
    if of == "post" and not post:
        return f"{kind}: the post must be named"
    if kind == "job-added" and job != data.get("name"):
        return "job-added: the event must belong to the job that it adds"
    if kind == "post-added" and post not in (None, data.get("name")):
        return "post-added: the event must belong to the post that it adds"
    fault = shape_of(kind).fault(data) if kind in KINDS else None
    return f"{kind}: {fault.lstrip('. ')}" if fault else None


# ------------------------------------------------------------ reading events

_COMMANDS = re.compile(
    r"\\(?:[bfr]|u00[01][0-9a-f]|u007f|u00[89][0-9a-f]|u202[89a-e]|u206[6-9]|ud[89a-f][0-9a-f]{2})"
)


def read_data(event: Event) -> tuple[Mapping[str, Any] | None, str]:
    """(data, ""), or (None, why it can't be counted in): a newer program wrote it, or it is damaged.

    The latest are kept: who looks must not change them.
    """
    return _read(event.kind, event.data_text, event.job, event.run, event.post)


@lru_cache(maxsize=512)
def _read(
    kind: str, text: str, job: str | None, run: str | None, post: str | None
) -> tuple[Mapping[str, Any] | None, str]:
    if kind not in KINDS:
        return None, "this version does not know it; update shimfit"
    try:
        data = json.loads(text)
    except (ValueError, RecursionError):
        return None, "its data is damaged"
    if wrong := wrong_with(kind, data, job, run, post):
        return None, wrong
    # Canonical JSON is ASCII: a character that commands a terminal, or turns the line, is an escape in it.
    return (_cleaned(data) if _COMMANDS.search(text) else data), ""


def said_by(event: Event) -> Mapping[str, Any]:
    """The data; nothing where it can't be read."""
    return read_data(event)[0] or {}


def left_out(event: Event, why: str) -> str:
    """Sentence on an event that is not counted in."""
    return f"event {event.seq} ({event.kind}, {event.time}) was left out: {why}"


# ------------------------------------------------------------ the chain, at its end


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


def chained(events: Iterable[Event], end: End) -> list[Event]:
    """Events as they stand behind the end of a log, each with its place and hash there."""
    prev, placed = end.hash, list[Event]()
    for seq, event in enumerate(events, end.seq + 1):
        here = replace(event, seq=seq, prev=prev, hash="")
        placed.append(replace(here, hash=here.computed_hash()))
        prev = placed[-1].hash
    return placed


def logged(drafts: Sequence[Draft], time: str, log: str, new_id: Callable[[], str], end: End) -> list[Event]:
    """Events of drafts that are logged in one go, chained to the end of a log."""
    now, stamp = microseconds(time), end.stamp
    ids = [new_id() for _ in drafts]
    events: list[Event] = []
    for id_, draft in zip(ids, drafts, strict=True):
        stamp = max(now, stamp + 1)
        scope = draft.by, draft.job, draft.run, draft.post
        text = canonical(dict(draft.data))
        events.append(Event(0, id_, ids[0], log, time, stamp, *scope, draft.kind, text, "", ""))
    return chained(events, end)


def moved_here(foreign: Iterable[Event], end: End) -> list[Event]:
    """Events of another log, chained to the end of this one; their first place stays as their origin."""
    return chained((replace(event, origin=event.first_place) for event in foreign), end)


# ------------------------------------------------------------ the chain, from its beginning


def broken(event: Event, before: Event | None) -> str | None:
    """What is wrong with an event behind the one before it in its log (None: it is the first)."""
    seq, prev = (0, GENESIS) if before is None else (before.seq, before.hash)
    if event.seq != seq + 1:
        return f"event {seq + 1} is missing"
    return "it does not follow from the event before it" if event.prev != prev else altered(event)


def altered(event: Event) -> str | None:
    """What an event's own hashes say, without the chain: None when it is as written."""
    if event.computed_hash() != event.hash:
        return "its content was changed after it was logged"
    if event.origin is not None and _hash(event, event.origin, None) != event.origin.hash:
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
    """Whose head it is; None: the whole file's, or not found. Of another: the job that began with the paper's
    first event and took in a crew's log since, perhaps in another order than the file of the paper did."""
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
    merged = next((job for job, _ in alike if any(one.origin for one in jobs.get(job or "", ()))), None)
    return Compared("another", merged if paper.first else None, paper.events, len(events))
