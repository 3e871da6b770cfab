"""What the record's small charts show: the deck along the run, an instrument's zero over time."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

from shimfit.report import words
from shimfit.report.pdf.pictures import Trace
from shimfit.report.statistics import ZeroHistory, statistics

if TYPE_CHECKING:
    from shimfit.report.record import RunRecord
    from shimfit.standing import Units


@dataclass(frozen=True, slots=True)
class Chart:
    """One small chart: solid is along the run, dashed across it."""

    title: str
    traces: tuple[Trace, ...]
    ends: tuple[str, str]
    """What stands under its first and its last point."""


def charts_of(record: RunRecord) -> list[Chart]:
    """The run's chart from three posts read before packing on; an instrument's from two checks on."""
    zeros = [_zero(history, record.units) for history in statistics(record).zeros if len(history.checks) > 1]
    fall = _fall(record)
    return [one for one in (fall, *zeros) if one is not None]


def _fall(record: RunRecord) -> Chart | None:
    read = [(post, post.before.lean) for post in record.posts if post.before and post.before.lean]
    told = [(post, lean) for post, lean in read if lean is not None]
    if len(told) < 3:
        return None
    return Chart(
        f"Lean before packing along the run, {words.slope_unit(record.units)}: solid + next, dashed + out",
        (
            Trace(tuple((post.station_mm, lean.slope_along) for post, lean in told)),
            Trace(tuple((post.station_mm, lean.slope_across) for post, lean in told), dashed=True),
        ),
        (f"post {told[0][0].name}", f"post {told[-1][0].name}"),
    )


def _zero(history: ZeroHistory, units: Units) -> Chart | None:
    """None when fewer than two checks told the same direction."""
    traces = []
    for name, dashed in (("zero_along", False), ("zero_across", True)):
        values = [
            (datetime.fromisoformat(one.time).timestamp(), getattr(one, name)) for one in history.checks
        ]
        points = tuple((when, zero) for when, zero in values if zero is not None)
        if len(points) > 1:
            traces.append(Trace(points, dashed))
    if not traces:
        return None
    ends = words.clock(history.checks[0].time), words.clock(history.checks[-1].time)
    title = f"Zero of {history.instrument}, {words.slope_unit(units)}: solid along, dashed across"
    return Chart(title, tuple(traces), ends)
