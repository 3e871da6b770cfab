"""From what the log says of a run to the rows of its record."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING

from shimfit.core.bow import bow_of_post
from shimfit.errors import InternalError
from shimfit.model import Face, Reading, Tolerance, Verdict
from shimfit.report.rows import InstrumentUsed, LogStamp, PostRow, RunRecord, Verified, ZeroCheck
from shimfit.store.judge import verdict_on

if TYPE_CHECKING:
    from shimfit.store.state import BoxState, InstrumentRecord, PostRecord, Rule, RunState

Judge = Callable[[Reading, Tolerance], Verdict]
"""What a full reading decides under the run's rule."""
VERIFYING = ("verify", "rails-on")
RULES: dict[Rule, str] = {
    "95": (
        "one-sided 95 % guard band (T tolerance, u standard uncertainty): plumb up to "
        "T\u00a0−\u00a01.645\u00a0u, out of plumb from T\u00a0+\u00a01.645\u00a0u, too close to call between"
    ),
    "simple": (
        "simple acceptance (T tolerance): plumb up to T, out of plumb beyond, no guard band; a post that "
        "stands at the limit is as likely over it as within"
    ),
    "2u": (
        "guard band of 2 u (T tolerance, u standard uncertainty): plumb up to T\u00a0−\u00a02\u00a0u, "
        "out of plumb from T\u00a0+\u00a02\u00a0u, too close to call between"
    ),
}


def run_record(
    run: RunState, log: LogStamp, box: BoxState | None = None, *, judge: Judge | None = None
) -> RunRecord:
    """The record of a run as the log stands.

    `box` knows the instruments; without it only their names are told. `judge` decides earlier verifying
    readings; None = the run's own rule.
    """
    decide = judge or _rule(run.rule)
    names = _instrument_names(run)
    history = box.instrument_history if box else ()
    return RunRecord(
        job=run.job,
        run=run.name,
        posts=tuple(_post(post, decide) for post in run.posts),
        foot=run.foot,
        height_mm=run.height_mm,
        tolerance=run.tolerance,
        rule=RULES[run.rule],
        log=log,
        units=run.units,
        faces={face: face.value for face in Face} | {Face(face): name for face, name in run.face_names},
        instruments=tuple(_instrument(name, box.instrument(name) if box else None) for name in names),
        unnamed=any(
            reading is not None and reading.instrument is None and reading.method == "typed"
            for post in run.posts
            for reading in (post.before, post.after)
        ),
        zeros=tuple(
            ZeroCheck(one.name, one.checked, one.zero_along, one.zero_across, one.u_zero)
            for one in history
            if one.name in names and one.checked
        ),
        made=max((post.last_time for post in run.posts if post.last_time), key=_instant, default=None),
        due_days=run.due_days,
        sample=run.sample,
    )


def _post(post: PostRecord, decide: Judge) -> PostRow:
    verified = _verified(post, decide)
    after = verified[-1] if verified and post.after is not None else None
    return PostRow(
        post=post.name,
        state=post.state.value,
        foot=post.foot,
        height_mm=post.height_mm,
        tolerance=post.tolerance,
        station_mm=post.station_mm,
        leg=post.leg,
        kind=post.kind,
        before=post.before,
        after=after.reading if after else post.after,
        verdict=post.verdict or (after.verdict if after else None),
        verified=verified,
        readings=post.readings,
        packs=post.packs_in_place,
        as_prescribed=post.packed_as_prescribed is not False,
        rounds=post.rounds,
        torque_nm=post.torque_nm,
        skipped=post.skipped,
        notes=tuple(note.text for note in post.notes) + ((post.conflict,) if post.conflict else ()),
        photos=post.photos,
        bow=bow_of_post(post.readings, post.reading, post.height_mm),
    )


def _verified(post: PostRecord, decide: Judge) -> tuple[Verified, ...]:
    """Verifying readings in order, halves that complete each other joined; the last as the log decided it."""
    found: list[Verified] = []
    half: Reading | None = None
    for reading in post.readings:
        if reading.stage not in VERIFYING:
            half = None
            continue
        whole = reading if reading.lean is not None else joined(half, reading)
        half = None if whole else reading
        if whole:
            found.append(Verified(whole, decide(whole, post.tolerance)))
    if found and post.verdict is not None and post.after is not None:
        found[-1] = Verified(post.after, post.verdict)
    return tuple(found)


def joined(first: Reading | None, second: Reading) -> Reading | None:
    """Two half readings of one stage as one, texts joined; None when they do not complete each other."""
    if first is None or first.stage != second.stage or first.height_mm != second.height_mm:
        return None
    along = first.slope_along if second.slope_along is None else second.slope_along
    across = first.slope_across if second.slope_across is None else second.slope_across
    if along is None or across is None:
        return None
    return replace(
        second,
        text=f"{first.text}; {second.text}",
        slope_along=along,
        slope_across=across,
        u_along=first.u_along if second.slope_along is None else second.u_along,
        u_across=first.u_across if second.slope_across is None else second.u_across,
    )


def _instrument_names(run: RunState) -> list[str]:
    """Instruments that readings of the run name, in the order of their first use."""
    names: dict[str, None] = {}
    for post in run.posts:
        for reading in (*post.readings, post.before, post.after):
            if reading is not None and reading.instrument:
                names.setdefault(reading.instrument)
    return list(names)


def _instrument(name: str, known: InstrumentRecord | None) -> InstrumentUsed:
    if known is None:
        return InstrumentUsed(name)
    return InstrumentUsed(
        name=known.name,
        kind=known.kind,
        length_mm=known.length_mm,
        accuracy_slope=known.accuracy_slope,
        graduation_mm=known.graduation_mm,
        zero_along=known.zero_along,
        zero_across=known.zero_across,
        u_zero=known.u_zero,
        checked=known.checked,
    )


def _instant(iso: str) -> datetime:
    when = datetime.fromisoformat(iso)
    return when if when.tzinfo else when.replace(tzinfo=UTC)


def _rule(rule: Rule) -> Judge:
    def decide(reading: Reading, limit: Tolerance) -> Verdict:
        verdict = verdict_on(reading, limit, rule)
        if verdict is None:
            raise InternalError("a half reading was asked for a decision")
        return verdict

    return decide
