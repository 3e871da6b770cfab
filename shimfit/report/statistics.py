"""What a run's record says of the work and the deck: first tries, rounds, leans, trends, zeros."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from itertools import groupby, pairwise
from typing import TYPE_CHECKING, Any

from shimfit.quantities import shown
from shimfit.report import words
from shimfit.text.phrases import score_words

if TYPE_CHECKING:
    from shimfit.model import Instrument
    from shimfit.report.record import RunRecord
    from shimfit.standing import PostRecord, Score, Units

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
class Bin:
    """How many verified posts use this share of their tolerance."""

    low: float
    high: float
    """inf for the last: over the tolerance."""
    count: int

    @property
    def label(self) -> str:
        """The bin in words: `25-50 %`, `over`."""
        if math.isinf(self.high):
            return "over"
        return f"{self.low * 100:.0f}–{shown.share(self.high)}"


@dataclass(frozen=True, slots=True)
class ZeroHistory:
    """How an instrument's zero went, along and across, at each check."""

    instrument: str
    checks: tuple[Instrument, ...]
    moved: float | None
    """Largest change between two checks that follow each other, as a slope; None with fewer than two."""
    beyond_uncertainty: bool
    """The change is larger than U (k = 2) of the difference."""


@dataclass(frozen=True, slots=True)
class Statistics:
    """Figures of one run."""

    posts: int
    verified: int
    plumb: int
    """Posts that are proven plumb as they stand now."""
    out: int
    """Posts that stand out of plumb, those read out and never packed too."""
    first_try: int
    """Of those verified now, the posts that were proven plumb without being packed a second time."""
    rounds: tuple[int, ...]
    """Rounds of each verified post, in walking order."""
    histogram: tuple[Bin, ...]
    fall_along: float | None
    """Mean slope before packing, along: the deck's own fall; None when nothing was read."""
    fall_across: float | None
    trend_along: LineFit | None
    """Slope before packing against distance along the run in metres; None with fewer than three places."""
    trend_across: LineFit | None
    zeros: tuple[ZeroHistory, ...]
    score: Score
    """How the program's own chances came true."""

    @property
    def first_share(self) -> float | None:
        """Share of verified posts plumb at first try (0…1); None when none was verified."""
        return self.first_try / self.verified if self.verified else None

    @property
    def rounds_mean(self) -> float | None:
        """Rounds per verified post; None when none was verified."""
        return sum(self.rounds) / len(self.rounds) if self.rounds else None


def statistics(record: RunRecord) -> Statistics:
    """Work out the figures of a run from its record; verified = by a reading that counts as it stands now."""
    verified = [post for post in record.run.posts if post.verdict is not None]
    fell = [(post.station_mm / 1000, post.before.lean) for post in record.run.posts if post.before]
    places = [(x, lean) for x, lean in fell if lean is not None]
    stations = [x for x, _ in places]
    along = [lean.slope_along for _, lean in places]
    across = [lean.slope_across for _, lean in places]
    return Statistics(
        posts=len(record.run.posts),
        verified=len(verified),
        plumb=sum(post.decision == "plumb" for post in verified),
        out=record.run.tally["out"],
        first_try=sum(post.at_first_try for post in verified),
        rounds=tuple(post.rounds for post in verified),
        histogram=_histogram(verified),
        fall_along=sum(along) / len(along) if along else None,
        fall_across=sum(across) / len(across) if across else None,
        trend_along=fit_line(stations, along),
        trend_across=fit_line(stations, across),
        zeros=zero_histories(record.zeros),
        score=record.run.score,
    )


def statistics_lines(figures: Statistics, record: RunRecord) -> list[str]:
    """The figures in sentences, for a screen or the record's page."""
    if not figures.verified:
        lines = [f"{figures.posts} posts, none verified as they stand."]
    else:
        assert figures.rounds_mean is not None
        assert figures.first_share is not None
        first = shown.share(figures.first_share)
        lines = [
            (
                f"{figures.plumb} of {figures.posts} posts proven plumb, {figures.verified} verified, "
                f"{figures.out} out of plumb."
            ),
            (
                f"Plumb at first try: {figures.first_try} of {figures.verified} ({first}); "
                f"rounds per post: {figures.rounds_mean:.2f} on average, at most {max(figures.rounds)}."
            ),
            "Share of the tolerance used: "
            + ", ".join(f"{one.label}: {one.count}" for one in figures.histogram)
            + " posts.",
        ]
    if reported := score_words(figures.score):
        lines.append(f"{reported}.")
    lines += _fall_lines(figures, record)
    lines += [_zero_line(history, record.run.units) for history in figures.zeros]
    return lines


def statistics_json(figures: Statistics) -> dict[str, Any]:
    """The figures for another program: shares 0…1, slopes as ratios, trends in slope per metre of run."""
    return {
        "posts": figures.posts,
        "verified": figures.verified,
        "plumb": figures.plumb,
        "out": figures.out,
        "first_try": figures.first_try,
        "first_share": figures.first_share,
        "rounds_mean": figures.rounds_mean,
        "score": asdict(figures.score),
        "histogram": [
            {"from": one.low, "to": None if math.isinf(one.high) else one.high, "count": one.count}
            for one in figures.histogram
        ],
        "fall_along": figures.fall_along,
        "fall_across": figures.fall_across,
        "trend_along": _fit_json(figures.trend_along),
        "trend_across": _fit_json(figures.trend_across),
        "zeros": [
            {
                "instrument": history.instrument,
                "moved": history.moved,
                "beyond_doubt": history.beyond_uncertainty,
                "checks": [
                    {
                        "time": check.checked,
                        "zero_along": check.zero_along,
                        "zero_across": check.zero_across,
                        "u_zero": check.u_zero,
                    }
                    for check in history.checks
                ],
            }
            for history in figures.zeros
        ],
    }


def fit_line(x: Sequence[float], y: Sequence[float]) -> LineFit | None:
    """Least-squares line; None with fewer than three points or all at one x."""
    n = len(x)
    if n < 3:
        return None
    mean_x, mean_y = math.fsum(x) / n, math.fsum(y) / n
    spread = math.fsum((a - mean_x) ** 2 for a in x)
    if spread <= 1e-18 * max(1.0, *(abs(a) for a in x)) ** 2:
        return None
    slope = math.fsum((a - mean_x) * (b - mean_y) for a, b in zip(x, y, strict=True)) / spread
    at_zero = mean_y - slope * mean_x
    rest = math.fsum((b - at_zero - slope * a) ** 2 for a, b in zip(x, y, strict=True))
    return LineFit(slope, at_zero, math.sqrt(rest / (n - 2) / spread), n - 2)


def students_t95(freedom: int) -> float:
    """Two-sided 95 % point of Student's t for whole degrees of freedom >= 1.

    Inverts the finite sums of Abramowitz & Stegun 26.7.3 and 26.7.4 by halving; ValueError below 1.
    """
    if freedom < 1:
        raise ValueError("Student's t needs at least one degree of freedom")
    low, high = 1.9, 13.0
    while high - low > 1e-12 * high:
        middle = (low + high) / 2
        if _inside_t(middle, freedom) < 0.95:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def zero_histories(checks: Sequence[Instrument]) -> tuple[ZeroHistory, ...]:
    """Checks grouped by instrument, each in time order."""
    ordered = sorted(checks, key=lambda check: (check.name, _instant(check.checked or "")))
    groups = groupby(ordered, key=lambda check: check.name)
    return tuple(_zero_history(name, tuple(group)) for name, group in groups)


# ---------------------------------------------------------------- parts


def _fit_json(fit: LineFit | None) -> dict[str, Any] | None:
    if fit is None:
        return None
    return {"per_m": fit.slope, "u_per_m": fit.u_slope, "freedom": fit.freedom, "proven": fit.proven}


def _inside_t(t: float, freedom: int) -> float:
    """P(|T| < t): A(t|v) of Abramowitz & Stegun 26.7.3 (odd v) and 26.7.4 (even v)."""
    theta = math.atan(t / math.sqrt(freedom))
    cosine, sine = math.cos(theta), math.sin(theta)
    odd = freedom % 2
    if freedom == 1:
        return 2 * theta / math.pi
    term = cosine if odd else 1.0
    total = term
    for k in range(3 if odd else 2, freedom - 1, 2):
        term *= cosine**2 * (k - 1) / k
        total += term
    return 2 / math.pi * (theta + sine * total) if odd else sine * total


def _histogram(verified: list[PostRecord]) -> tuple[Bin, ...]:
    shares = []
    for post in verified:
        lean = post.after.lean if post.after else None
        if lean is not None and post.after is not None:
            shares.append(post.tolerance.uses(lean, post.after.height_mm))
    tiny = 1e-9  # exactly at the limit is within, whatever the last bit says
    bins = []
    for low, high in pairwise(BIN_EDGES):
        above = -math.inf if low == 0 else low + tiny
        bins.append(Bin(low, high, sum(above < share <= high + tiny for share in shares)))
    return tuple(bins)


def _fall_lines(figures: Statistics, record: RunRecord) -> list[str]:
    if figures.fall_along is None or figures.fall_across is None:
        return []
    units = record.run.units
    span_mm, per = 1000.0 if units == "mm" else 304.8, shown.slope_unit(units)
    metre, finer = ("metre", 2) if units == "mm" else ("foot", 4)
    words_of = [
        words.towards(fall * span_mm, along, record.run.faces, units)
        for fall, along in ((figures.fall_along, True), (figures.fall_across, False))
    ]
    over = f" {per}" if units == "mm" else " a foot"
    lines = [f"Before packing, on average: leans {words_of[0]} and {words_of[1]}{over}."]
    for fit, along, way in (
        (figures.trend_along, True, "along the run"),
        (figures.trend_across, False, "across it"),
    ):
        if fit is None:
            continue
        digits = finer if fit.expanded * 1000 >= 0.05 else finer + 1
        # The fit is per metre of run; a foot of it changes as much less.
        change, expanded = (
            shown.plain(value * span_mm / 1000 * span_mm, units, digits)
            for value in (abs(fit.slope), fit.expanded)
        )
        if fit.proven:
            side = words.side(fit.slope, along, record.run.faces)
            more = f"{change} ±{expanded} {per} more towards {side}"
            lines.append(f"The deck falls away {way}: each {metre} {more} (95 %).")
        else:
            lines.append(f"No trend {way}: {change} ±{expanded} {per} per {metre} (95 %).")
    return lines


def _zero_history(name: str, checks: tuple[Instrument, ...]) -> ZeroHistory:
    moved: float | None = None
    beyond = False
    for earlier, later in pairwise(checks):
        for old, new in ((earlier.zero_along, later.zero_along), (earlier.zero_across, later.zero_across)):
            change = abs(new - old)
            moved = change if moved is None else max(moved, change)
            if earlier.u_zero is not None and later.u_zero is not None:
                beyond = beyond or change > 2 * math.hypot(earlier.u_zero, later.u_zero)
    return ZeroHistory(name, checks, moved, beyond)


def _zero_line(history: ZeroHistory, units: Units) -> str:
    times = [words.clock(check.checked) for check in history.checks]
    if history.moved is None:
        return f"{history.instrument}: zero checked once, {times[0]}."
    knocked = "more than its uncertainty: look for a knock"
    said = knocked if history.beyond_uncertainty else "within its uncertainty"
    return (
        f"{history.instrument}: zero checked {len(times)} times, {times[0]} to {times[-1]}, "
        f"moved {shown.slope(history.moved, units)} at most between checks, {said}."
    )


def _instant(iso: str) -> float:
    try:
        return datetime.fromisoformat(iso).timestamp()
    except ValueError:
        return 0.0
