"""Jobs from one data file to another: export, import that merges without loss, backups by time.

A line of an export holds what the event's hash covers, so a file can be checked with nothing but SHA-256:
`{"schema":1,"seq":…,"id":…,"step":…,"log":…,"time":…,"stamp":…,"by":…,"job":…,"run":…,"post":…,"kind":…,`
`"data":{…},"prev":…,"hash":…,"origin":null|{"seq":…,"prev":…,"hash":…}}`

Imported events go to the end of this log's chain and keep their old place as `origin`, so the record can
still prove them. An event that is here already is skipped: importing twice changes nothing. A file is taken
whole, in one transaction, or not at all.
"""

from __future__ import annotations

import contextlib
import json
import time
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass, fields
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from shimfit.codec import fault, read, shape
from shimfit.errors import FileError, InternalError
from shimfit.outputs import EVENTS, write_whole
from shimfit.store.box import joined_logs
from shimfit.store.db import file_errors
from shimfit.store.events import (
    BOOKKEEPING,
    KINDS,
    UNDONE,
    Draft,
    Event,
    Place,
    altered,
    broken,
    canonical,
    in_order,
    is_whole,
    microseconds,
    said_by,
    signs_wrong,
    wrong_with,
)
from shimfit.store.history import Knowledge, Reported, Voided, gone_on_from

if TYPE_CHECKING:
    from shimfit.store.journal import Journal


# ------------------------------------------------------------ lines

SCHEMA = 1
_MOST_AHEAD = 100 * 365 * 86_400 * 1_000_000
"""Microseconds. A clock that was set back leaves stamps ahead of the time that it shows, at most from today
to 1970 (a flat battery). What is logged later is stamped behind all that came in: bounded by the event's own
time and by today, what is taken here is taken wherever this log is imported."""
_AHEAD = timedelta(hours=24)
"""How far another machine's clock may be ahead of this one's."""
_STOCK = frozenset({"stock-imported", "stock-added", "stock-out", "box-joined"})
PERSONAL = frozenset({"setting"})
"""What belongs to a person and never travels."""
_NAMES = ("id", "step", "log", "time", "kind", "prev", "hash")
_OR_NULL = ("by", "job", "run", "post")
_LINE = shape(
    dict.fromkeys(("schema", "seq", "stamp"), int)
    | dict.fromkeys(_NAMES, str)
    | {f"{key}?": str | None for key in _OR_NULL}
    | {"origin?": Place | None}
)


def line_of(event: Event) -> str:
    """One line, without its end: the event's own fields in their order."""
    texts = [f'"schema":{SCHEMA}']
    for one in fields(Event):
        value = getattr(event, one.name)
        plain = asdict(value) if isinstance(value, Place) else value
        texts.append(f'"data":{value}' if one.name == "data_text" else f'"{one.name}":{canonical(plain)}')
    return "{" + ",".join(texts) + "}"


def events_of(
    text: str, name: str, *, outcome: str = "nothing was imported", now: datetime | None = None
) -> Iterator[Event]:
    """Events of a file's text, in its order; raises FileError naming the line that can't be believed.

    `outcome` ends the error's sentence: what became of the file as a whole. `now`: the clock that no event
    may be far ahead of, or all that is logged after it would be stamped so too; None: any time is believed.
    """
    latest = None if now is None else microseconds((now + _AHEAD).isoformat())
    before: Event | None = None
    for number, line in enumerate(text.split("\n"), 1):
        if not line.strip():
            continue
        try:
            event = _event_of(line, before, latest)
        except _RefusedError as refused:
            raise FileError(f"{name}, line {number}: {refused}; {outcome}") from refused
        yield event
        before = event


def export_schema() -> dict[str, Any]:
    """What a line of an export may hold, as JSON Schema (draft 2020-12); hashes and links it can't check."""
    by_kind = [
        {
            "if": {"properties": {"kind": {"const": kind}}},
            "then": {"properties": {"data": shape(one.data).schema}},
        }
        for kind, one in KINDS.items()
    ]
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **_LINE.schema, "allOf": by_kind}


class _RefusedError(ValueError):
    """Why a line is no event that can be believed."""


def _event_of(line: str, before: Event | None, latest: int | None) -> Event:
    """What a line says must be what its log wrote, and what this program can keep."""
    try:
        row = json.loads(line)
    except RecursionError as error:
        raise _RefusedError("is nested too deeply to be an event") from error
    except ValueError as error:
        raise _RefusedError("is not an event in JSON (was the file cut off?)") from error
    if not isinstance(row, dict):
        raise _RefusedError("is not an event in JSON")
    if isinstance(schema := row.get("schema"), int) and schema > SCHEMA:
        raise _RefusedError(f"was written by a newer shimfit (schema {schema}); update shimfit")
    if wrong := fault(_LINE, row):
        raise _RefusedError(f"is no event: {wrong}")
    given, data = read(_LINE, row), row.get("data")
    origin: Place | None = given.get("origin")
    names = {key: given.get(key) for key in (*_NAMES, *_OR_NULL)}
    if origin is not None:
        names |= {"origin's hash": origin.hash, "origin's prev": origin.prev}
    for key, name in names.items():
        if not is_whole(name):
            raise _RefusedError(f"has broken characters in {key}")
        if name == "" and not key.endswith("prev"):
            raise _RefusedError(f"is no event: {key} is empty")
    if 0 in (given.pop("schema"), given["seq"], given["stamp"], origin and origin.seq):
        raise _RefusedError("is no event: places and stamps count from 1")
    try:
        event = Event(**dict.fromkeys(_OR_NULL) | given, data_text=canonical(data))
    except InternalError as error:
        raise _RefusedError("holds a number that can't be measured") from error
    if altered(event) is not None:
        raise _RefusedError("was changed after it was logged (its hash does not fit)")
    try:
        earliest = microseconds(event.time)
    except (ValueError, OverflowError) as error:
        raise _RefusedError("has no time with offset") from error
    if event.stamp < earliest:
        raise _RefusedError("is stamped before its own time")
    if event.stamp > min(earliest, time.time_ns() // 1000) + _MOST_AHEAD:
        raise _RefusedError("is stamped more than 100 years after its own time, or after today")
    if wrong := wrong_with(event.kind, data, event.job, event.run, event.post):
        raise _RefusedError(f"holds what can't be read back ({wrong})")
    if typed := signs_wrong(event.kind, data, (event.job, event.run, event.post, event.by)):
        raise _RefusedError(f"holds what nobody can type: {typed}")
    if latest is not None and event.stamp > latest:
        raise _RefusedError(
            f"{event.kind} of {event.time} is stamped more than 24 h ahead of this machine's clock: "
            "set right the clock that is wrong, or take the file in when that time has come"
        )
    if before is not None and event.seq == before.seq + 1 and event.prev != before.hash:
        raise _RefusedError("does not follow from the event on the line before")
    return event


def check_text(text: str, name: str) -> tuple[tuple[Event, ...], bool]:
    """Work out every hash of an export's text again; raises FileError naming the first line that is wrong.

    Its events, and whether they are the whole log from its first event on. A part of a log (one job) can't be
    followed link by link; what its lines say is checked all the same.
    """
    events = tuple(events_of(text, name, outcome="what stands before it can be believed, nothing after it"))
    if not events:
        raise FileError(f"{name} holds no events: is it what `shimfit export` wrote?")
    pairs = zip(events, (None, *events), strict=False)
    return events, all(broken(event, before) is None for event, before in pairs)


# ------------------------------------------------------------ conflicts


@dataclass(frozen=True, slots=True)
class Conflict:
    """One post (or run) on which crews' logs do not agree (store.history)."""

    job: str
    run: str
    post: str
    """Empty: the run itself was laid out differently."""
    why: str
    """A sentence with what each log holds, the same in every file."""
    packs: bool = False
    """They say different things of what is under the post."""


# ------------------------------------------------------------ export and import


@dataclass(frozen=True, slots=True)
class Imported:
    """What an import did."""

    new: int
    """Events that were not here yet."""
    known: int
    """Events that were."""
    jobs: tuple[str, ...]
    """Jobs that the new events belong to."""
    conflicts: tuple[Conflict, ...]
    box_joined: bool
    """The box of the other file became part of this one's."""
    box_apart: bool = False
    """Pieces were taken there from a box that is not part of this one's: they are not counted here."""
    begun_twice: tuple[str, ...] = ()
    """Jobs that both files began by themselves, and that are one job from now on."""


def export_text(journal: Journal, job: str | None = None) -> str:
    """The log without what is personal, or one job of it, as JSON lines; UsageError when there is none."""
    journal.check()
    if job is not None:
        journal.job(job)
    return "".join(f"{line_of(event)}\n" for event in journal.events(job) if event.kind not in PERSONAL)


def write_export(journal: Journal, path: Path) -> None:
    """Write an export whole or not at all, on disk when this returns; raises FileError."""
    write_whole(path, export_text(journal).encode(), EVENTS, keep=[journal.path])


def import_text(journal: Journal, text: str, name: str, *, with_box: bool = False) -> Imported:
    """Merge the events of an export into this log.

    with_box: take the other file's box along. It comes along unasked when this file's box was never used.
    Raises FileError (line and reason; nothing was imported), or what Journal.append_all raises.
    """
    with journal.all_or_none():
        given: dict[str, Event] = {}
        new: list[Event] = []
        for event in events_of(text, name, now=journal.now()):
            if event.kind in PERSONAL:
                continue
            first = given.setdefault(event.id, event)
            there = journal.event(event.id) if first is event else first
            if there is None:
                new.append(event)
            elif there.first_place.hash != event.first_place.hash:
                what = f"event {event.id} says one thing there and another here"
                raise FileError(f"{name}: {what}; nothing was imported")
        other_logs = _boxes_to_join(journal, given.values(), with_box=with_box)
        notes = [Draft("box-joined", {"log": log}) for log in other_logs]
        jobs = tuple(dict.fromkeys(event.job for event in new if event.job))
        there_are = {job.name for job in journal.jobs()}
        begun_twice = tuple(one.job for one in new if one.kind == "job-added" and one.job in there_are)
        before = set(_conflicts(journal, jobs))
        here = [event for job in jobs for event in journal.events(job)]
        journal.receive(new, [*notes, *what_was_seen(here, new, journal.log, given.values())])
        # Also of what was here already: a file that an older program merged is set right by this.
        journal.append_all(
            brought_back(journal, dict.fromkeys(event.job for event in given.values() if event.job))
        )
        conflicts = tuple(one for one in _conflicts(journal, jobs) if one not in before)
        ours = joined_logs(journal.log, journal.events(kinds=("box-joined",)))
        apart = any(event.kind == "taken" and event.log not in ours for event in new)
        return Imported(
            len(new), len(given) - len(new), jobs, conflicts, bool(other_logs), apart, begun_twice
        )


def brought_back(journal: Journal, jobs: Iterable[str]) -> list[Draft]:
    """An undo of each undo by which a crew took back what another had gone on from (store.history)."""
    drafts: dict[str, Draft] = {}
    for job in jobs:
        void, knowledge, history = Voided(), Knowledge(), list[Reported]()
        for event in in_order(journal.events(job)):
            void.add(event)
            if event.kind == "merged":
                knowledge.add(event.log, said_by(event))
            history.append(Reported(event, knowledge.of(event.log)))
        for undo in (one for one in history if one.event.kind == UNDONE):
            event = undo.event
            if event.step not in void.steps and gone_on_from(history, undo, knowledge)[1]:
                drafts[event.step] = Draft(UNDONE, {"of": event.step}, job, event.run, event.post)
    return [*drafts.values()]


def _conflicts(journal: Journal, jobs: Iterable[str]) -> Iterator[Conflict]:
    """Every post (and run, post empty) of some jobs on which crews' logs do not agree."""
    there_are = {job.name: job for job in journal.jobs()}
    for job in (there_are[name] for name in jobs if name in there_are):
        for run in (journal.run(job.name, name) for name in job.runs):
            if laid_out := "; ".join(filter(None, (run.conflict, run.crowded))):
                yield Conflict(job.name, run.name, "", laid_out)
            for post in run.conflicts:
                yield Conflict(job.name, run.name, post.name, post.conflict or "", post.packs_in_conflict)


def _boxes_to_join(journal: Journal, given: Iterable[Event], *, with_box: bool) -> tuple[str, ...]:
    """Logs whose box is poured into this one: that of the file that was exported, if it has one.

    It does not matter which of several files comes first, nor whether its events were here already.
    """
    exporters = dict.fromkeys(
        event.log
        for event in given
        if event.origin is None and event.kind in _STOCK and event.log != journal.log
    )
    own = [event for event in journal.events(kinds=[*_STOCK, "taken"]) if event.log == journal.log]
    joined = {said_by(event).get("log") for event in own if event.kind == "box-joined"}
    if not with_box and any(event.kind != "box-joined" for event in own):
        return ()
    return tuple(log for log in exporters if log not in joined)


def what_was_seen(
    here: Iterable[Event], new: Sequence[Event], log: str, given: Iterable[Event] = ()
) -> list[Draft]:
    """What a log says of work that it receives: it knows of it from now on (store.history).

    Nothing is said of what only says so itself, so that logs settle. here: events of the same jobs that are
    there. new: what comes. given: all that stands in the file that it comes from, in that file's order.
    """
    known: dict[str, list[Event]] = {
        event.job: [] for event in new if event.job and event.kind not in BOOKKEEPING
    }
    for event in here:
        if event.job in known:
            known[event.job].append(event)
    drafts = []
    for job, before in known.items():
        coming = [event for event in new if event.job == job]
        seen: dict[str, int] = {}
        for event in (*before, *coming):
            seen[event.log] = max(seen.get(event.log, 0), event.first_place.seq)
        seen.pop(log, None)
        there = [event for event in given if event.job == job]
        wrote = dict.fromkeys(event.log for event in there if event.origin is None)
        pairs = ((log, before), *((one, there) for one in wrote))
        by_time = {one: place for one, events in pairs if (place := _by_time_upto(events, one))}
        data: dict[str, Any] = {"log": coming[0].log, "conflicts": [], "seen": seen}
        drafts.append(Draft("merged", data | ({"by_time": by_time} if by_time else {}), job=job))
    return drafts


def _by_time_upto(events: Iterable[Event], log: str) -> int:
    """Last place of a log where it knew of others' work without having said so (older programs did not)."""
    last, pending = 0, False
    for event in events:
        if event.log != log:
            pending = pending or event.kind not in BOOKKEEPING
        elif event.kind == "merged" and "seen" in said_by(event):
            pending = False
        elif pending:
            last = event.first_place.seq
    return last


# ------------------------------------------------------------ backups

_NAME = "shimfit-backup-%Y%m%d-%H%M%S.jsonl"


def backup_if_due(journal: Journal, folder: Path | None, days: int, now: datetime) -> Path | None:
    """Write a backup when one is due: days > 0, and the newest is that old or there is none.

    JSON lines, restored by `shimfit import`. folder None: beside the data file. Its file, or None when it is
    not due. Raises FileError when it can't be written: say so, and go on; nothing logged depends on it.
    """
    place = folder or journal.path.parent
    if days <= 0 or not journal.head[0]:
        return None
    made = []  # local times, by the files' own names
    for file in place.glob("shimfit-backup-*.jsonl") if place.is_dir() else ():
        with contextlib.suppress(ValueError):  # a file of the user's that only looks like one
            made.append(datetime.strptime(file.name, _NAME))  # noqa: DTZ007 - names hold local time
    if made and now.replace(tzinfo=None) - max(made) < timedelta(days=days):
        return None
    with file_errors(place):
        place.mkdir(parents=True, exist_ok=True)
    write_export(journal, place / now.strftime(_NAME))
    return place / now.strftime(_NAME)
