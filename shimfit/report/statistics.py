"""What a run's record says of the work and the deck: first tries, rounds, leans, trends, zeros."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from itertools import groupby, pairwise
from typing import TYPE_CHECKING, Any

from shimfit.core.uncertainty.budget import students_t95
from shimfit.model import Instrument
from shimfit.quantities import shown
from shimfit.report import words
from shimfit.text.phrases import face_of, score_words

if TYPE_CHECKING:
    from shimfit.report.record import RunRecord
    from shimfit.standing import Score

BIN_EDGES = (0.0, 0.25, 0.5, 0.75, 1.0, math.inf)
"""Bins of the histogram, as shares of the tolerance; a lean exactly at an upper edge counts below it."""


@dataclass(frozen=True, slots=True)
class LineFit:
    """A straight line through points by least squares, with what the scatter makes of it."""

    slope: float
    """Change of y per unit of x."""
    at_zero: float
    """y at x = 0."""
    u_slope: float
    """Standard uncertainty of the slope, from the scatter about the line."""
    freedom: int
    """Degrees of freedom: points less two."""

    @property
    def expanded(self) -> float:
        """Half-width of the 95 % interval of the slope, Student's t for the degrees of freedom."""
        return students_t95(self.freedom) * self.u_slope

    @property
    def proven(self) -> bool:
        """True when zero lies outside the 95 % interval of the slope."""
        return abs(self.slope) > self.expanded


@dataclass(frozen=True, slots=True)
class ZeroHistory:
    """How an instrument's zero went, along and across, at each check."""

    instrument: str
    checks: tuple[Instrument, ...]
    moved: float | None
    """Largest change between two checks that follow each other, as a slope; None with fewer than two."""
    beyond_uncertainty: bool
    """A change is larger than U (k = 2) of the difference."""


@dataclass(frozen=True, slots=True)
class Statistics:
    """Figures of one run; shares are 0…1, None where nothing was read or verified."""

    posts: int
    verified: int
    plumb: int
    """Posts that are proven plumb as they stand now."""
    out: int
    """Posts that stand out of plumb, those read out and never packed too."""
    first_try: int
    """Of those verified now, the posts that were proven plumb without being packed a second time."""
    first_share: float | None
    """The same as a share of those verified."""
    rounds_mean: float | None
    rounds: tuple[int, ...]
    """Rounds of each verified post, in walking order."""
    histogram: tuple[int, ...]
    """How many verified posts use which share of their tolerance, by `BIN_EDGES`; the last is over it."""
    fall_along: float | None
    """Mean slope before packing, along: the deck's own fall."""
    fall_across: float | None
    trend_along: LineFit | None
    """Slope before packing against distance along the run in metres; None with fewer than three places."""
    trend_across: LineFit | None
    zeros: tuple[ZeroHistory, ...]
    score: Score
    """How the program's own chances came true."""
    yet_out: float | None
    """Posts called plumb that may be out all the same: the sum of what is left of their probabilities to 1;
    None where none is called plumb, or of one it is not known."""


def statistics(record: RunRecord) -> Statistics:
    """Work out the figures of a run from its record; verified = by a reading that counts as it stands now."""
    verified = [post for post in record.run.posts if post.verdict is not None]
    uses = [
        post.tolerance.uses(post.after.lean, post.after.height_mm)
        for post in verified
        if post.after is not None and post.after.lean is not None
    ]
    tiny = 1e-9  # exactly at the limit is within, whatever the last bit says
    before = [
        (post.station_mm / 1000, post.before.lean)
        for post in record.run.posts
        if post.before is not None and post.before.lean is not None
    ]
    stations = [x for x, _ in before]
    along, across = ([getattr(lean, f"slope_{way}") for _, lean in before] for way in ("along", "across"))
    plumb = [post for post in verified if post.decision == "plumb"]
    chances = [post.probability for post in plumb if post.probability is not None]
    first = sum(post.at_first_try for post in verified)
    rounds = tuple(post.rounds for post in verified)
    return Statistics(
        posts=len(record.run.posts),
        verified=len(verified),
        plumb=len(plumb),
        out=record.run.tally["out"],
        first_try=first,
        first_share=first / len(verified) if verified else None,
        rounds_mean=sum(rounds) / len(rounds) if rounds else None,
        rounds=rounds,
        histogram=tuple(
            sum((low == 0 or low + tiny < share) and share <= high + tiny for share in uses)
            for low, high in pairwise(BIN_EDGES)
        ),
        fall_along=sum(along) / len(along) if along else None,
        fall_across=sum(across) / len(across) if across else None,
        trend_along=fit_line(stations, along),
        trend_across=fit_line(stations, across),
        zeros=zero_histories(record.zeros),
        score=record.run.score,
        yet_out=sum(1.0 - one for one in chances) if plumb and len(chances) == len(plumb) else None,
    )


def fit_line(x: Sequence[float], y: Sequence[float]) -> LineFit | None:
    """Least-squares line; None with fewer than three points or all at one x."""
    n = len(x)
    if n < 3:
        return None
    mean_x, mean_y = math.fsum(x) / n, math.fsum(y) / n
    spread = math.fsum((a - mean_x) ** 2 for a in x)
    if spread <= 1e-18 * max(1.0, *map(abs, x)) ** 2:
        return None
    slope = math.fsum((a - mean_x) * (b - mean_y) for a, b in zip(x, y, strict=True)) / spread
    at_zero = mean_y - slope * mean_x
    rest = math.fsum((b - at_zero - slope * a) ** 2 for a, b in zip(x, y, strict=True))
    return LineFit(slope, at_zero, math.sqrt(rest / (n - 2) / spread), n - 2)


def zero_histories(checks: Sequence[Instrument]) -> tuple[ZeroHistory, ...]:
    """Checks grouped by instrument, each in time order."""

    def instant(check: Instrument) -> float:
        try:
            return datetime.fromisoformat(check.checked or "").timestamp()
        except ValueError:
            return 0.0

    found = []
    ordered = sorted(checks, key=lambda check: (check.name, instant(check)))
    for name, group in groupby(ordered, key=lambda check: check.name):
        own = tuple(group)
        # Each change with U (k = 2) of the difference; infinite where one of the two is not known.
        moves = [
            (
                max(abs(new.zero_along - old.zero_along), abs(new.zero_across - old.zero_across)),
                math.inf
                if old.u_zero is None or new.u_zero is None
                else 2 * math.hypot(old.u_zero, new.u_zero),
            )
            for old, new in pairwise(own)
        ]
        largest = max((moved for moved, _ in moves), default=None)
        found.append(ZeroHistory(name, own, largest, any(moved > sure for moved, sure in moves)))
    return tuple(found)


# ---------------------------------------------------------------- in words and as JSON


def statistics_lines(figures: Statistics, record: RunRecord) -> list[str]:
    """The figures in sentences, for a screen or the record's page."""
    if figures.first_share is None or figures.rounds_mean is None:
        lines = [f"{figures.posts} posts, none verified as they stand."]
    else:
        names = [*(f"{100 * low:.0f}–{shown.share(high)}" for low, high in pairwise(BIN_EDGES[:-1])), "over"]
        used = (f"{name}: {count}" for name, count in zip(names, figures.histogram, strict=True))
        yet = ""
        if figures.yet_out is not None:
            few = "under 0.1" if figures.yet_out < 0.05 else f"about {figures.yet_out:.1f}"
            yet = f" ({few} of them out)"
        proven = f"{figures.plumb} of {figures.posts} posts proven plumb"
        first = f"{figures.first_try} of {figures.verified} ({shown.share(figures.first_share)})"
        # Said once where it is the same as the score below.
        alike = (figures.first_try, figures.verified) == (figures.score.plumb, figures.score.packed)
        rounds = f"{figures.rounds_mean:.2f} on average, at most {max(figures.rounds)}"
        lines = [
            f"{proven}{yet}, {figures.verified} verified, {figures.out} out of plumb.",
            f"{'Rounds' if alike else f'Plumb at first try: {first}; rounds'} per post: {rounds}.",
            f"Posts by share of the tolerance used: {', '.join(used)}.",
        ]
    if reported := score_words(figures.score):
        lines.append(f"{reported}.")
    lines += _fall_lines(figures, record)
    for history in figures.zeros:
        times = [words.clock(check.checked) for check in history.checks]
        if history.moved is None:
            lines.append(f"{history.instrument}: zero checked once, {times[0]}.")
            continue
        knocked = "more than its uncertainty: look for a knock"
        lines.append(
            f"{history.instrument}: zero checked {len(times)} times, {times[0]} to {times[-1]}, moved "
            f"{shown.slope(history.moved, record.run.units)} at most between checks, "
            f"{knocked if history.beyond_uncertainty else 'within its uncertainty'}."
        )
    return lines


def _fall_lines(figures: Statistics, record: RunRecord) -> list[str]:
    """How the deck falls on average, and along and across the run."""
    if figures.fall_along is None or figures.fall_across is None:
        return []
    units, faces = record.run.units, record.run.faces
    span_mm, per = 1000.0 if units == "mm" else 304.8, shown.slope_unit(units)
    step, over, finer = ("metre", f" {per}", 2) if units == "mm" else ("foot", " a foot", 4)
    along, across = (
        words.towards(fall * span_mm, way, faces, units)
        for fall, way in ((figures.fall_along, True), (figures.fall_across, False))
    )
    lines = [f"Before packing, on average: leans {along} and {across}{over}."]
    for fit, is_along, way in (
        (figures.trend_along, True, "along the run"),
        (figures.trend_across, False, "across it"),
    ):
        if fit is None:
            continue
        # The fit is per metre of run; a foot of it changes as much less.
        digits = finer if fit.expanded * 1000 >= 0.05 else finer + 1
        change, expanded = (
            shown.plain(value * span_mm / 1000 * span_mm, units, digits)
            for value in (abs(fit.slope), fit.expanded)
        )
        if fit.proven:
            more = f"{change} ±{expanded} {per} more towards {faces[face_of(fit.slope, is_along)]}"
            lines.append(f"The deck falls away {way}: each {step} {more} (95 %).")
        else:
            lines.append(f"No trend {way}: {change} ±{expanded} {per} per {step} (95 %).")
    return lines


def statistics_json(figures: Statistics) -> dict[str, Any]:
    """The figures for another program: shares 0…1, slopes as ratios, trends in slope per metre of run."""

    def fit(one: LineFit | None) -> dict[str, Any] | None:
        if one is None:
            return None
        return {"per_m": one.slope, "u_per_m": one.u_slope, "freedom": one.freedom, "proven": one.proven}

    zero = ("zero_along", "zero_across", "u_zero")
    return asdict(figures) | {
        "histogram": [
            {"from": low, "to": None if math.isinf(high) else high, "count": count}
            for (low, high), count in zip(pairwise(BIN_EDGES), figures.histogram, strict=True)
        ],
        "trend_along": fit(figures.trend_along),
        "trend_across": fit(figures.trend_across),
        "zeros": [
            {
                "instrument": one.instrument,
                "moved": one.moved,
                "beyond_doubt": one.beyond_uncertainty,
                "checks": [
                    {"time": check.checked} | {key: getattr(check, key) for key in zero}
                    for check in one.checks
                ],
            }
            for one in figures.zeros
        ],
    }
