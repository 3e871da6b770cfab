"""Going back: timber dries and nuts slacken, so each post proven plumb is due again after the run's interval.

A post that was never proven plumb was never handed over; one that stands out of plumb now is listed as that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from shimfit.errors import UsageError
from shimfit.model import Reading
from shimfit.quantities import shown
from shimfit.report import words
from shimfit.standing import PostRecord, RunState, check_due_days


@dataclass(frozen=True, slots=True)
class DueRow:
    """A post that was proven plumb, with its first and its latest as-built reading."""

    post: PostRecord
    first: Reading
    """The reading that the post was first handed over with."""
    latest: Reading
    """The last one; the same as `first` until somebody went back."""
    read: str
    """When it was last verified, ISO 8601."""
    due: str
    """When it is to be tightened and read again."""
    days_over: float
    """Days since it fell due; negative while there is time."""

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
        raise UsageError(f"{run.job}/{run.name} has no interval yet: set one with --due-days DAYS")
    check_due_days(run.due_days)
    rows = []
    for post in run.posts:
        first, latest = post.handed_over, post.verified[-1].reading if post.verified else None
        if first is None or latest is None or latest.time is None:
            continue
        read = datetime.fromisoformat(latest.time)
        due = (read if read.tzinfo else read.replace(tzinfo=now.tzinfo)) + timedelta(days=run.due_days)
        over = (now - due).total_seconds() / 86400
        rows.append(DueRow(post, first, latest, latest.time, due.isoformat(), over))
    return sorted(rows, key=lambda row: -row.days_over)


def moved_mm(first: Reading, latest: Reading) -> float | None:
    """How far the top moved between two full readings, mm; None when one is not full."""
    if first.lean is None or latest.lean is None:
        return None
    return math.dist(first.lean.top_mm(latest.height_mm), latest.lean.top_mm(latest.height_mm))


def due_json(run: RunState, rows: list[DueRow]) -> dict[str, Any]:
    """The list as one JSON object: before and after side by side, `days_over` < 0 while there is time."""

    def tops(reading: Reading) -> dict[str, Any]:
        along, across = reading.lean.top_mm(reading.height_mm) if reading.lean else (None, None)
        return {"top_along_mm": along, "top_across_mm": across, "time": reading.time, "by": reading.by}

    return {
        "schema": 1,
        "job": run.job,
        "run": run.name,
        "due_days": run.due_days,
        "due": [
            {"post": row.post.name, "state": row.post.state, "read": row.read, "due": row.due}
            | {"days_over": row.days_over, "is_due": row.is_due}
            | {"first": tops(row.first), "latest": tops(row.latest)}
            | {"moved_mm": row.moved_mm, "handed_over": row.post.still_handed_over}
            for row in rows
        ],
        "not_handed_over": [
            {"post": post.name, "state": str(post.state)} for post in run.posts if post.handed_over is None
        ],
    }


def due_lines(run: RunState, rows: list[DueRow]) -> list[str]:
    """The list for a person on the way back to the site."""
    name = f"{run.job}/{run.name}"
    left = [f"post {post.name}: not handed over, {post.state}" for post in run.posts if not post.handed_over]
    if not rows:
        return [f"{name}: no post is proven plumb yet, so none is due.", *left]
    due = f"{sum(row.is_due for row in rows)} of {len(rows)} posts proven plumb are due"
    every = f"every {shown.counted(run.due_days, 'day')}" if run.due_days else "0 days: all of them at once"
    lines = [f"{name}: {due} ({every}). Tighten, then read again."]
    for row in rows:
        when = f"DUE since {row.due[:10]}" if row.is_due else f"due {row.due[:10]}"
        was = "handed over" if row.post.still_handed_over else f"{row.post.state} now, was plumb"
        lines.append(f"post {row.post.name}: {when}; {was} {_read(run, row.first)}")
        if row.moved_mm is not None:
            moved = shown.small(row.moved_mm, run.units)
            lines.append(f"    last read {_read(run, row.latest)}, moved {moved}, {row.post.state}")
    return lines + left


def read_again_lines(run: RunState) -> list[str]:
    """Posts that were read again after they had been handed over, both readings side by side.

    A repeat on the spot is no going back; a day later is, and so is the reading with the rails on.
    """
    lines = []
    for post in run.posts:
        first = post.handed_over
        if first is None or (latest := post.verified[-1].reading) is first:
            continue
        times = [datetime.fromisoformat(one.time) for one in (first, latest) if one.time]
        if latest.stage != "rails-on" and len(times) == 2 and times[1] - times[0] < timedelta(days=1):
            continue
        moved = moved_mm(first, latest)
        lines.append(
            f"Post {post.name}: handed over {_read(run, first)}; read again {_read(run, latest)}"
            + ("" if moved is None else f", moved {shown.small(moved, run.units)}")
        )
    return lines


def _read(run: RunState, reading: Reading) -> str:
    """`next 1.2, out 0.3 mm on 2026-05-12 14:05`."""
    tops = ", ".join(words.reading(reading, run.faces, run.units, uncertainty=False))
    reported = tops + shown.trailing(run.units) if reading.lean else "half read"
    return f"{reported} on {words.clock(reading.time)}"
