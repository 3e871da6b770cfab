"""Going back: timber dries and nuts slacken, so each post proven plumb is due again after the run's interval.

A post that was never proven plumb was never handed over; one that stands out of plumb now is listed as that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

from shimfit.errors import UsageError
from shimfit.quantities import shown
from shimfit.report import words
from shimfit.standing import MOST_DAYS

if TYPE_CHECKING:
    from shimfit.model import Reading
    from shimfit.standing import PostRecord, RunState


@dataclass(frozen=True, slots=True)
class DueRow:
    """A post that was proven plumb, with its first and its latest as-built reading."""

    post: str
    state: str
    handed_over: bool
    """False where it was proven plumb once and is known to be out now."""
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


def due_list(run: RunState, now: datetime) -> list[DueRow]:
    """Posts of a run that were proven plumb, the longest overdue first; the others are not in it.

    `now` carries its offset. Raises UsageError when the run has no interval, or none that can be.
    """
    if run.due_days is None:
        raise UsageError(f"{run.job}/{run.name} has no interval for going back; set one in days")
    if not 0 <= run.due_days <= MOST_DAYS:
        raise UsageError(f"posts can't be due every {run.due_days} days: give 0 or more, at most {MOST_DAYS}")
    interval = timedelta(days=run.due_days)
    found = (_row(post, interval, now) for post in run.posts)
    rows = [row for row in found if row is not None]
    return sorted(rows, key=lambda row: -row.days_over)


def due_json(run: RunState, rows: list[DueRow]) -> dict[str, Any]:
    """The list as one JSON object: before and after side by side, `days_over` < 0 while there is time."""
    return {
        "schema": 1,
        "job": run.job,
        "run": run.name,
        "due_days": run.due_days,
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
                "handed_over": row.handed_over,
            }
            for row in rows
        ],
        "not_handed_over": [{"post": post.name, "state": str(post.state)} for post in _not_handed_over(run)],
    }


def due_lines(run: RunState, rows: list[DueRow]) -> list[str]:
    """The list for a person on the way back to the site."""
    left = [f"post {post.name}: not handed over, {post.state}" for post in _not_handed_over(run)]
    if not rows:
        return [f"{run.job}/{run.name}: no post is proven plumb yet, so none is due.", *left]
    waiting = sum(row.is_due for row in rows)
    name = f"{run.job}/{run.name}"
    every = f"every {run.due_days:g} days"
    lines = [
        f"{name}: {waiting} of {len(rows)} posts proven plumb are due ({every}). Tighten, then read again."
    ]
    for row in rows:
        when = f"due {row.due[:10]}" if not row.is_due else f"DUE since {row.due[:10]}"
        was = "handed over" if row.handed_over else f"{row.state} now, was plumb"
        handed = f"{was} {_said(run, row.first)} on {words.clock(row.first.time)}"
        lines.append(f"post {row.post}: {when}; {handed}")
        if row.moved_mm is not None:
            lines.append(
                f"    last read {_said(run, row.latest)} on {words.clock(row.latest.time)}, moved "
                f"{shown.small(row.moved_mm, run.units)}, {row.state}"
            )
    return lines + left


def first_and_latest(post: PostRecord) -> tuple[Reading, Reading] | None:
    """The reading that a post was handed over with, and its last; the same until somebody went back.

    Handed over: the first that proved it plumb. None when none did.
    """
    first = post.handed_over
    return None if first is None else (first, post.verified[-1].reading)


def _not_handed_over(run: RunState) -> list[PostRecord]:
    return [post for post in run.posts if post.handed_over is None]


def moved_mm(first: Reading, latest: Reading) -> float | None:
    """How far the top moved between two full readings, mm; None when one is not full."""
    if first.lean is None or latest.lean is None:
        return None
    a0, c0 = first.lean.top_mm(latest.height_mm)
    a1, c1 = latest.lean.top_mm(latest.height_mm)
    return math.hypot(a1 - a0, c1 - c0)


def read_again_lines(run: RunState) -> list[str]:
    """Posts that were read again after they had been handed over, both readings side by side."""
    lines = []
    for post in run.posts:
        pair = first_and_latest(post)
        if pair is None or not _went_back(*pair):
            continue
        first, latest = pair
        moved = moved_mm(first, latest)
        how_far = "" if moved is None else f", moved {shown.small(moved, run.units)}"
        lines.append(
            f"Post {post.name}: handed over {_said(run, first)} on {words.clock(first.time)}; "
            f"read again {_said(run, latest)} on {words.clock(latest.time)}{how_far}"
        )
    return lines


def _went_back(first: Reading, latest: Reading) -> bool:
    """A repeat on the spot is no going back; a day later is, and so is the reading with the rails on."""
    if latest is first:
        return False
    if latest.stage == "rails-on" or first.time is None or latest.time is None:
        return True
    return datetime.fromisoformat(latest.time) - datetime.fromisoformat(first.time) >= timedelta(days=1)


def _row(post: PostRecord, interval: timedelta, now: datetime) -> DueRow | None:
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
    over = post.still_handed_over
    return DueRow(post.name, post.state, over, latest.time, due.isoformat(), days_over, first, latest)


def _tops(reading: Reading) -> dict[str, Any]:
    lean = reading.lean
    along, across = lean.top_mm(reading.height_mm) if lean else (None, None)
    return {"top_along_mm": along, "top_across_mm": across, "time": reading.time, "by": reading.by}


def _said(run: RunState, reading: Reading) -> str:
    if reading.lean is None:
        return "half read"
    reported = words.reading(reading, run.faces, run.units, uncertainty=False)
    return ", ".join(reported) + shown.trailing(run.units)
