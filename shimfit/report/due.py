"""Going back: timber dries and nuts slacken, so each verified post is due again after the run's interval."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

from shimfit.errors import UsageError
from shimfit.report import words

if TYPE_CHECKING:
    from shimfit.model import Reading
    from shimfit.report.rows import PostRow, RunRecord


@dataclass(frozen=True, slots=True)
class DueRow:
    """A verified post with its first and its latest as-built reading."""

    post: str
    state: str
    read: str
    """When it was last verified (ISO 8601)."""
    due: str
    """When it is to be tightened and read again (ISO 8601)."""
    days_over: float
    """Days since it fell due; negative while there is time."""
    first: Reading
    """The reading that the post was first handed over with."""
    latest: Reading
    """The last one; the same as `first` until somebody went back."""

    @property
    def is_due(self) -> bool:
        """True from the due moment on."""
        return self.days_over >= 0

    @property
    def moved_mm(self) -> float | None:
        """How far the top moved between first and latest, mm; None until somebody went back."""
        return None if self.latest is self.first else moved_mm(self.first, self.latest)


def due_list(record: RunRecord, now: datetime) -> list[DueRow]:
    """Verified posts of a run, the longest overdue first; posts never verified are not in it.

    `now` carries its offset. Raises UsageError when the run has no interval.
    """
    if record.due_days is None:
        raise UsageError(f"{record.job}/{record.run} has no interval for going back; set one in days")
    interval = timedelta(days=record.due_days)
    found = (_row(post, interval, now) for post in record.posts)
    rows = [row for row in found if row is not None]
    return sorted(rows, key=lambda row: -row.days_over)


def due_json(record: RunRecord, rows: list[DueRow]) -> dict[str, Any]:
    """The list as one JSON object: before and after side by side, `days_over` < 0 while there is time."""
    return {
        "schema": 1,
        "job": record.job,
        "run": record.run,
        "due_days": record.due_days,
        "due": [
            {
                "post": row.post,
                "state": row.state,
                "read": row.read,
                "due": row.due,
                "days_over": row.days_over,
                "is_due": row.is_due,
                "first": _tops(row.first),
                "latest": _tops(row.latest),
                "moved_mm": row.moved_mm,
            }
            for row in rows
        ],
    }


def due_lines(record: RunRecord, rows: list[DueRow]) -> list[str]:
    """The list for a person on the way back to the site."""
    if not rows:
        return [f"{record.job}/{record.run}: no post is verified yet, so none is due."]
    waiting = sum(row.is_due for row in rows)
    name = f"{record.job}/{record.run}"
    every = f"every {record.due_days:g} days"
    lines = [f"{name}: {waiting} of {len(rows)} verified posts are due ({every}). Tighten, then read again."]
    for row in rows:
        when = f"due {row.due[:10]}" if not row.is_due else f"DUE since {row.due[:10]}"
        handed = f"handed over {_said(record, row.first)} on {words.clock(row.first.time)}"
        lines.append(f"post {row.post}: {when}; {handed}")
        if row.moved_mm is not None:
            moved = words.length(row.moved_mm, record.units)
            lines.append(
                f"    last read {_said(record, row.latest)} on {words.clock(row.latest.time)}, moved "
                f"{moved} {words.unit(record.units)}, {row.state}"
            )
    return lines


def first_and_latest(post: PostRow) -> tuple[Reading, Reading] | None:
    """The reading that a post was handed over with, and its last; the same until somebody went back.

    Handed over: the first that proved it plumb, else the first that tried to. None when nothing was verified.
    """
    if not post.verified:
        return None
    proven = [check.reading for check in post.verified if check.plumb]
    return (proven or [post.verified[0].reading])[0], post.verified[-1].reading


def moved_mm(first: Reading, latest: Reading) -> float | None:
    """How far the top moved between two full readings, mm; None when one is not full."""
    if first.lean is None or latest.lean is None:
        return None
    a0, c0 = first.lean.top_mm(latest.height_mm)
    a1, c1 = latest.lean.top_mm(latest.height_mm)
    return math.hypot(a1 - a0, c1 - c0)


def read_again_lines(record: RunRecord) -> list[str]:
    """Posts that were read again after they had been handed over, both readings side by side."""
    lines = []
    for post in record.posts:
        pair = first_and_latest(post)
        if pair is None or not _went_back(*pair):
            continue
        first, latest = pair
        moved = moved_mm(first, latest)
        how_far = "" if moved is None else f", moved {words.length(moved, record.units)}"
        lines.append(
            f"Post {post.post}: handed over {_said(record, first)} on {words.clock(first.time)}; "
            f"read again {_said(record, latest)} on {words.clock(latest.time)}{how_far}"
        )
    return lines


def _went_back(first: Reading, latest: Reading) -> bool:
    """A repeat on the spot is no going back; a day later is, and so is the reading with the rails on."""
    if latest is first:
        return False
    if latest.stage == "rails-on" or first.time is None or latest.time is None:
        return True
    return datetime.fromisoformat(latest.time) - datetime.fromisoformat(first.time) >= timedelta(days=1)


def _row(post: PostRow, interval: timedelta, now: datetime) -> DueRow | None:
    pair = first_and_latest(post)
    if pair is None or pair[1].time is None:
        return None
    first, latest = pair
    assert latest.time is not None
    read = datetime.fromisoformat(latest.time)
    if read.tzinfo is None:
        read = read.replace(tzinfo=now.tzinfo)
    due = read + interval
    days_over = (now - due).total_seconds() / 86400
    return DueRow(post.post, post.state, latest.time, due.isoformat(), days_over, first, latest)


def _tops(reading: Reading) -> dict[str, Any]:
    lean = reading.lean
    along, across = lean.top_mm(reading.height_mm) if lean else (None, None)
    return {"top_along_mm": along, "top_across_mm": across, "time": reading.time, "by": reading.by}


def _said(record: RunRecord, reading: Reading) -> str:
    lean = reading.lean
    if lean is None:
        return "half read"
    along, across = lean.top_mm(reading.height_mm)
    unit = words.unit(record.units)
    return (
        f"{words.towards(along, True, record.faces, record.units)}, "
        f"{words.towards(across, False, record.faces, record.units)} {unit}"
    )
