"""The data of an event from the log, checked: a log may hold what this version can't read."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from shimfit.store.shapes import SHAPES, wrong_with

if TYPE_CHECKING:
    from shimfit.store.events import Event


def read_data(event: Event) -> tuple[dict[str, Any] | None, str]:
    """(data, ""), or (None, why it can't be counted in): a newer program wrote it, or it is damaged."""
    if event.kind not in SHAPES:
        return None, "this version does not know it; update shimfit"
    try:
        data = event.data
    except (ValueError, RecursionError):
        return None, "its data is damaged"
    wrong = wrong_with(event.kind, data, event.job, event.run, event.post)
    return (data, "") if wrong is None else (None, wrong)


def number(value: Any) -> float | None:
    """A number of checked data; None where it is not told."""
    return None if value is None else float(value)


def left_out(event: Event, why: str) -> str:
    """Sentence on an event that is not counted in."""
    return f"event {event.seq} ({event.kind}, {event.time}) was left out: {why}"
