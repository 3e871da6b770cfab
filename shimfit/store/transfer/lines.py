"""An event as one line of JSON, and back. What is read is checked against its own hash, line by line.

The line holds what the hash covers, so a file can be checked with nothing but SHA-256 (see store.events):
`{"schema":1,"seq":…,"id":…,"step":…,"log":…,"time":…,"stamp":…,"by":…,"job":…,"run":…,"post":…,"kind":…,`
`"data":{…},"prev":…,"hash":…,"origin":null|{"seq":…,"prev":…,"hash":…}}`
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from shimfit.errors import FileError, InternalError
from shimfit.store.chain import altered
from shimfit.store.events import Event, Place, canonical, microseconds
from shimfit.store.shapes import is_whole, wrong_with

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

SCHEMA = 1
_GREATEST = 2**53
"""Whole numbers up to here mean the same in every reader of JSON."""
_NAMES = ("id", "step", "log", "time", "kind", "prev", "hash")
_NAMES_OR_NULL = ("by", "job", "run", "post")


def line_of(event: Event) -> str:
    """One line, without its end."""
    origin = event.origin
    came = None if origin is None else {"seq": origin.seq, "prev": origin.prev, "hash": origin.hash}
    parts = {
        "schema": SCHEMA,
        "seq": event.seq,
        "id": event.id,
        "step": event.step,
        "log": event.log,
        "time": event.time,
        "stamp": event.stamp,
        "by": event.by,
        "job": event.job,
        "run": event.run,
        "post": event.post,
        "kind": event.kind,
        "data": None,
        "prev": event.prev,
        "hash": event.hash,
        "origin": came,
    }
    texts = (
        f'"{key}":{event.data_text if key == "data" else canonical(value)}' for key, value in parts.items()
    )
    return "{" + ",".join(texts) + "}"


def events_of(text: str, name: str, *, outcome: str = "nothing was imported") -> Iterator[Event]:
    """Events of a file's text, in its order; raises FileError naming the line that can't be believed.

    `outcome` ends the error's sentence: what became of the file as a whole.
    """
    before: Event | None = None
    for number, line in enumerate(text.split("\n"), 1):
        if not line.strip():
            continue
        try:
            event = _event_of(line, before)
        except _RefusedError as refused:
            raise FileError(
                f"{name}, line {number}: {refused}; {outcome}", path=name, line=number
            ) from refused
        yield event
        before = event


def lines_of(events: Iterable[Event]) -> Iterator[str]:
    """Lines of several events, each with its end."""
    for event in events:
        yield line_of(event) + "\n"


class _RefusedError(ValueError):
    """Why a line is no event that can be believed."""


def _event_of(line: str, before: Event | None) -> Event:
    row = _row_of(line)
    schema = _whole(row, "schema")
    if schema > SCHEMA:
        raise _RefusedError(f"was written by a newer shimfit (schema {schema}); update shimfit")
    names = {key: _name(row, key) for key in _NAMES}
    scope = {key: None if row.get(key) is None else _name(row, key) for key in _NAMES_OR_NULL}
    try:
        data_text = canonical(row.get("data"))
    except InternalError as error:
        raise _RefusedError("holds a number that can't be measured") from error
    event = Event(
        seq=_whole(row, "seq"),
        id=names["id"],
        step=names["step"],
        log=names["log"],
        time=names["time"],
        stamp=_whole(row, "stamp"),
        by=scope["by"],
        job=scope["job"],
        run=scope["run"],
        post=scope["post"],
        kind=names["kind"],
        data_text=data_text,
        prev=names["prev"],
        hash=names["hash"],
        origin=_origin_of(row.get("origin")),
    )
    _check(event, row.get("data"))
    if before is not None and event.seq == before.seq + 1 and event.prev != before.hash:
        raise _RefusedError("does not follow from the event on the line before")
    return event


def _row_of(line: str) -> Mapping[str, Any]:
    try:
        row = json.loads(line)
    except RecursionError as error:
        raise _RefusedError("is nested too deeply to be an event") from error
    except ValueError as error:
        raise _RefusedError("is not an event in JSON (was the file cut off?)") from error
    if not isinstance(row, dict):
        raise _RefusedError("is not an event in JSON")
    return row


def _origin_of(value: Any) -> Place | None:
    if value is None:
        return None
    if not isinstance(value, dict):
        raise _RefusedError("has an origin that is no place in a log")
    return Place(_whole(value, "seq"), _name(value, "prev"), _name(value, "hash"))


def _whole(row: Mapping[str, Any], key: str) -> int:
    value = row.get(key)
    if isinstance(value, bool) or not isinstance(value, int) or not 0 < value < _GREATEST:
        raise _RefusedError(f"has no whole number as {key}")
    return value


def _name(row: Mapping[str, Any], key: str) -> str:
    value = row.get(key)
    if not isinstance(value, str) or (not value and key != "prev"):
        raise _RefusedError(f"has no text as {key}")
    if not is_whole(value):
        raise _RefusedError(f"has broken characters in {key}")
    return value


def _check(event: Event, data: Any) -> None:
    """What a line says must be what its log wrote, and what this program can keep."""
    if altered(event) is not None:
        raise _RefusedError("was changed after it was logged (its hash does not fit)")
    try:
        earliest = microseconds(event.time)
    except (ValueError, OverflowError) as error:
        raise _RefusedError("has no time with offset") from error
    if event.stamp < earliest:
        raise _RefusedError("is stamped before its own time")
    wrong = wrong_with(event.kind, data, event.job, event.run, event.post)
    if wrong is not None:
        raise _RefusedError(f"holds what can't be read back ({wrong})")
