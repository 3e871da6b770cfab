"""The as-built record of a run: what it holds, and that as JSON, as CSV and as a table for a person.

How a post stands is `shimfit.standing`; nothing here works it out again.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from shimfit import __version__, csvfile
from shimfit.codec import to_json, tolerance_to_json
from shimfit.core.cautions import FRONTS, TEXTS
from shimfit.core.lean import bow_words
from shimfit.core.uncertainty.decision import Rule
from shimfit.errors import FileError
from shimfit.model import FACE_NAMES, Decision, Face, Instrument, Reading
from shimfit.quantities import shown
from shimfit.report import words
from shimfit.report.due import read_again_lines
from shimfit.report.tables import Column
from shimfit.standing import FACTS, Issue, PostRecord, RunState, Units, standing_json
from shimfit.store.events import Head
from shimfit.text.phrases import seat_name, sentence

if TYPE_CHECKING:
    from shimfit.store.journal import Journal
from shimfit.store.box import BoxState

DECISIONS: tuple[Decision, ...] = ("plumb", "out", "too-close", "none")
PROGRAM = f"shimfit {__version__}"
_GUARD_BAND = (
    "{} (T tolerance, u standard uncertainty): plumb up to T\u00a0−\u00a0{factor}\u00a0u where of 100 posts "
    "called plumb at this limit at most 5 may be out and, of posts standing at T, at most {few} in 100 read "
    "so well; out of plumb from T\u00a0+\u00a0{factor}\u00a0u, too close to call between"
)
RULES: dict[Rule, str] = {
    "95": _GUARD_BAND.format("one-sided 95 % guard band", factor="1.645", few="5"),
    "simple": (
        "simple acceptance (T tolerance): plumb up to T, out of plumb beyond, no guard band; of 100 posts "
        "called plumb at this limit about 50 may be out"
    ),
    "2u": _GUARD_BAND.format("guard band of 2 u", factor="2", few="2.3"),
}


@dataclass(frozen=True, slots=True)
class LogStamp:
    """How far the event log had got when the record was made."""

    events: int
    hash: str
    """Hash of the last event, which covers every one before it."""
    job: Head | None = None
    """How far the record's own job had got; None: not known."""

    @property
    def figure(self) -> str:
        """What is typed from paper to check it: the job's head, or the file's where that is not known."""
        return str(self.job or Head(self.events, "", self.hash))


@dataclass(frozen=True, slots=True)
class RunRecord:
    """The record of a run: the run as it stands, and what a report of it states beside."""

    run: RunState
    log: LogStamp
    instruments: Mapping[str, Instrument | None] = field(default_factory=dict)
    """Those that readings of the run name, by first use, as known when the record was made; None: unknown."""
    zeros: tuple[Instrument, ...] = ()
    """Those instruments as they were each time that their zero was found, in time order."""
    issued: bool = False
    """Nothing was logged since the run's last record was given out."""
    materials: tuple[str, ...] = ()
    """What the packs in place are made of, as the box has it; empty: none in place, or no box at hand."""

    @property
    def issue(self) -> Issue | None:
        """The record as it was given out; None: it is not issued as it stands."""
        return self.run.issues[-1] if self.issued else None

    @property
    def issued_before(self) -> Issue | None:
        """The last record of the run that was given out, where the log has grown since."""
        return None if self.issued or not self.run.issues else self.run.issues[-1]

    @property
    def made(self) -> str | None:
        """Time of the last event (ISO 8601): the record is of that moment."""
        return max((post.last_time for post in self.run.posts if post.last_time), key=_instant, default=None)

    @property
    def unnamed(self) -> bool:
        """Typed readings are among those shown that name no instrument: a usual level stands in for it."""
        return any(one.instrument is None and one.method == "typed" for one in self.readings)

    @property
    def readings(self) -> tuple[Reading, ...]:
        """Readings that the record's figures are of: before and as built."""
        return tuple(one for post in self.run.posts for one in (post.before, post.after) if one is not None)

    @property
    def read_by(self) -> tuple[str, ...]:
        """Who read, in the order of the posts; empty: nobody is named."""
        return tuple(dict.fromkeys(one.by for one in self.readings if one.by))

    @property
    def over(self) -> bool:
        """True when a post that is verified as it stands is over its tolerance."""
        return any(post.is_over for post in self.run.posts)


def record_of(journal: Journal, job: str, run: str, paper: Head | None = None) -> RunRecord:
    """The record of a run as a data file holds it now, or held it at the head on a `paper`.

    Raises UsageError for a run that is not there, FileError where an event is not as it was logged or the
    paper is of another log.
    """
    journal.check()
    journal.job(job)
    head = journal.head if paper is None else journal.moment(job, paper)
    if head is None:
        raise FileError(
            f"{journal.path}: job {job} never stood at {paper}: the record is of another log, or this one "
            "was cut; see `shimfit record verify --hash`"
        )
    upto = None if paper is None else head[0]
    stamp = LogStamp(*head, journal.head_of(job, upto=upto))
    state = journal.run(job, run, upto=upto)
    stands = bool(state.issues) and journal.head_of(job, upto=state.issues[-1].seq) == stamp.job
    return run_record(state, stamp, journal.box(upto=upto), issued=stands)


def run_record(
    run: RunState, log: LogStamp, box: BoxState | None = None, *, issued: bool = False
) -> RunRecord:
    """The record of a run as the log stands.

    `box` knows the instruments; without it only their names are known. issued: nothing was logged since the
    run's last record was given out.
    """
    readings = [one for post in run.posts for one in (*post.readings, post.before, post.after)]
    names = dict.fromkeys(one.instrument for one in readings if one is not None and one.instrument)
    known = {name: box.instrument(name) if box else None for name in names}
    history = box.instrument_history if box else ()
    # What else was entered of an instrument since is no other check of its zero.
    found = {(one.name, one.checked): one for one in history if one.name in names and one.checked}
    packed = (pack for post in run.posts for pack in post.packs_in_place)
    lots = {piece.lot for pack in packed for piece in pack.pieces}
    of_lot = {lot.lot: lot.material for lot in (*box.used_up, *box.lots)} if box else {}
    materials = tuple(sorted({of_lot.get(lot) or words.NOT_GIVEN for lot in lots})) if box else ()
    issued = issued and bool(run.issues)
    return RunRecord(run, log, known, tuple(found.values()), issued=issued, materials=materials)


# ---------------------------------------------------------------- as JSON, CSV, text

_READING = (
    *("slope_along", "slope_across", "top_along_mm", "top_across_mm", "u_along_mm", "u_across_mm"),
    *("time", "by", "instrument", "method", "text"),
)
_PLACES = (
    "job=/job run=/run post leg station_mm state",
    *(f"{side}_{key}={side}.{key}" for side in ("before", "after") for key in _READING),
    "tolerance=tolerance.text allowed_top_mm=tolerance.allowed_top_mm decision probability packs rounds",
    "torque torque_nm notes photos bow_along_mm=bow.along_mm bow_across_mm=bow.across_mm stands next why",
    "mean_of readings log_events=/log.events log_hash=/log.hash log_job_events=/log.job.events",
    "log_job_hash=/log.job.hash record_number=/issue.number issued=/issue.time issued_by=/issue.by",
    "issue_why=/issue.why replaces=/issue.replaces changed_posts=/issue.changed",
    *(f"{key}=/facts.{key}" for key in FACTS),
    "program=/program off_mm u_off_mm trimmed materials=/materials",
)
_CSV = {one.partition("=")[0]: one.rpartition("=")[2] for one in " ".join(_PLACES).split()}
"""Column of the CSV -> where its value stands in JSON: in the post's row, or with a `/` in the record."""
_INSTRUMENT = (
    *("length_mm", "accuracy_slope", "graduation_mm"),
    *("zero_along", "zero_across", "u_zero", "checked", "serial"),
)
"""What a record states of an instrument beside its name and kind, as it was known then: keys and fields."""


def record_json(record: RunRecord) -> dict[str, Any]:
    """The record in the contract's form: `{"schema":1,"job","run","posts":[…],"log":{"events","hash"}}`.

    Lengths in mm, slopes as ratios, u = standard uncertainty at the top; not read is null, never zero.
    """

    def issued(issue: Issue | None) -> dict[str, Any] | None:
        if issue is None:
            return None
        return {key: value for key, value in asdict(issue).items() if key not in ("seq", "log")}

    run, log = record.run, record.log
    return {
        "schema": 1,
        "job": run.job,
        "run": run.name,
        "sample": run.sample,
        "program": PROGRAM,
        "issue": issued(record.issue),
        "issued_before": issued(record.issued_before),
        "facts": dict.fromkeys(FACTS) | dict(run.facts),
        "read_by": list(record.read_by),
        "result": {"posts": len(run.posts), **{one: run.tally[one] for one in DECISIONS}},
        "result_words": result_words(run),
        "exceptions": [
            {"post": post.name, "stands": post.stands, "why": why_not_plumb(post, "mm")}
            for post in exceptions(record)
        ],
        "remarks": list(run.remarks),
        "materials": list(record.materials),
        "rule": RULES[run.rule],
        "cautions": [{"id": one, "text": TEXTS[one]} for one in FRONTS["record"]],
        "tolerance": tolerance_to_json(run.tolerance, run.height_mm),
        "instruments": [
            {"name": name, "kind": known.kind if known else ""}
            | {key: getattr(known, key, None) for key in _INSTRUMENT}
            for name, known in record.instruments.items()
        ],
        "posts": [_post(post, run.faces) for post in run.posts],
        "log": {
            "events": log.events, "hash": log.hash, "job": log.job and asdict(log.job), "figure": log.figure
        },
    }  # fmt: skip


def _post(post: PostRecord, faces: dict[Face, str]) -> dict[str, Any]:
    off_mm, u_off_mm = off_of(post)
    return {
        "post": post.name,
        "leg": post.leg,
        "kind": post.kind,
        "station_mm": post.station_mm,
        "height_mm": post.height_mm,
        **standing_json(post),
        "before": _reading(post.before),
        "after": _reading(post.after),
        "tolerance": tolerance_to_json(post.tolerance, post.height_mm),
        "history": [
            {key: getattr(one.verdict, key) for key in ("decision", "probability")}
            | {key: getattr(one.reading, key) for key in ("time", "text")}
            for one in post.verified
        ],
        "off_mm": off_mm,
        "u_off_mm": u_off_mm,
        "packs": [to_json(pack) for pack in post.packs_in_place],
        "as_prescribed": post.packed_as_prescribed is not False,
        "trimmed": post.trimmed,
        "rounds": post.rounds,
        "torque": post.torque_nm,
        "torque_nm": post.torque_nm,
        "notes": notes_of(post, faces),
        "photos": list(post.photos),
        "bow": post.bow
        and {key: getattr(post.bow, key) for key in ("along_mm", "across_mm", "u_along_mm", "u_across_mm")},
        "readings": len(post.readings),
        "all_readings": [
            (_reading(one) or {}) | {"counts": why is None, "left_out": why} for one, why in post.reported
        ],
    }


def _reading(reading: Reading | None) -> dict[str, Any] | None:
    """A reading with its tops: slopes (ratios) times the height that it was taken over, null stays null."""
    if reading is None:
        return None
    tops = {}
    for key in ("top_along", "top_across", "u_along", "u_across"):
        slope = getattr(reading, key.replace("top", "slope"))
        tops[f"{key}_mm"] = None if slope is None else slope * reading.height_mm
    keys = (*_READING, "stage", "face", "height_mm", "gauge_mm", "largest_term")
    return {key: tops[key] if key in tops else getattr(reading, key) for key in keys}


def record_csv(record: RunRecord, reported: dict[str, Any] | None = None) -> str:
    """One line a post, RFC 4180 (CRLF, quotes doubled), units in the headers, empty = not known.

    Packs, notes, photos and readings stand in one cell each, parts divided by `; `. Typed texts stand as
    typed; what would begin a formula has an apostrophe before it. reported: its JSON, where that is there.
    """
    reported = reported or record_json(record)

    def cell(value: Any, path: str) -> str:
        for key in path.split("."):
            value = None if value is None else value[key]
        if isinstance(value, float):
            return repr(value)  # every digit: what is read back is what was stored
        return "" if value is None else "; ".join(value) if isinstance(value, list | tuple) else str(value)

    rows = []
    for post, row in zip(record.run.posts, reported["posts"], strict=True):
        own = row | {
            "packs": [words.pack_in_full(pack) for pack in post.packs_in_place],
            "mean_of": row["mean_of"] or None,
            "trimmed": "yes" if row["trimmed"] else None,
            "readings": readings_of(post),
        }
        rows.append([cell(reported if path[0] == "/" else own, path.lstrip("/")) for path in _CSV.values()])
    return csvfile.text_of([tuple(_CSV), *rows])


def record_lines(record: RunRecord, width: int = 100, *, all_readings: bool = False) -> list[str]:
    """The record for a person at a terminal: what it is about, one line a post, what the log says.

    Columns that do not fit in `width` are left out (`_SPARED`), never the decision.
    """
    run, log = record.run, record.log
    lines = [
        f"As-built plumb record: {run.job}/{run.name}" + (" (SAMPLE, invented data)" if run.sample else ""),
        f"Result: {result_words(run)}.",
        *(
            f"  {', '.join(names)}: {words.DECISION_WORDS[stands]}: {why}"
            for names, stands, why in exceptions_reported(record)
        ),
        *(f"  {remark}" for remark in run.remarks),
        "",
        *(f"{name}: {text}" if name else f"  {text}" for name, text in facts_reported(record)),
        f"Tops in {words.recorded_in(run.units)}, towards the side named; ± is U (k = 2, about 95 %).",
        "",
    ]
    columns, cells_of = posts_table(record)
    rows = [[column.head for column in columns], [column.under for column in columns]]
    for post, row in zip(run.posts, cells_of, strict=True):
        decision = row[_DECISION][post.stands == "none" :]
        cells = (*row[:_DECISION], decision, *row[_DECISION + 1 :])
        rows.append([", ".join(filter(None, cell)).replace("\u00a0", " ") for cell in cells])
    widths = [max(map(len, column)) + 2 for column in zip(*rows, strict=True)]
    for column in _SPARED:
        if sum(widths) > width + 2:
            widths[column] = 0
    table = [
        "".join(cell.ljust(wide) for cell, wide in zip(row, widths, strict=True) if wide).rstrip()
        for row in rows
    ]
    lines += [*table[:2], "-" * min(width, max(map(len, table))), *table[2:]]
    for title, below in (
        (
            "Notes",
            [f"{post.name}: {one}" for post in run.posts for one in notes_of(post, run.faces, run.units)],
        ),
        ("All readings", all_readings_lines(record) if all_readings else []),
        ("Read again after handing over", read_again_lines(run)),
    ):
        if below:
            lines += ["", title, *below]
    lines += ["", f"Event log: {log.events} events, hash {log.hash}"]
    return [*lines, f"Events of job {run.job}, to check this record by: {log.figure}"] if log.job else lines


# ---------------------------------------------------------------- a post's row, for a person

_BEFORE, _OFF, _DECISION, _PACKS, _READ = 1, 3, 4, 5, 6
_SPARED = (_READ, _PACKS, _BEFORE)
"""Columns of a post's row that are left out where there is no room for all, these first."""


def posts_table(record: RunRecord) -> tuple[Sequence[Column], list[list[list[str]]]]:
    """Columns, and of each post the lines in them: the same at a terminal and on paper, in the run's unit."""
    run = record.run
    unit = ", mm" if run.units == "mm" else ""  # figures in inches have their mark
    columns = (
        Column("Post", bold=True),
        Column("Before", f"leaned{unit}"),
        Column("As built", f"leans ± U{unit}"),
        Column("Off plumb ± U", f"of allowed{unit}"),
        Column("Decision", "chance · rounds", bold=True),
        Column("Packs in place", f"{shown.unit(run.units)}; f fills only"),
        Column("Read", "by, with"),
    )
    zone = words.shared_offset(tuple(one.time for one in record.readings))
    return columns, [_row(post, run, zone) for post in run.posts]


def _row(post: PostRecord, run: RunState, zone: str | None) -> list[list[str]]:
    """What stands in each column, a line each; zone: the offset that all times have in common."""
    faces, units = run.faces, run.units
    off_mm, u_off_mm = off_of(post)
    off = "–" if off_mm is None else shown.recorded(off_mm, units, unit=False)
    off += "" if u_off_mm is None else words.plus_minus(2 * u_off_mm, units)
    limit = f"of {shown.recorded(post.tolerance.allowed_top_mm(post.height_mm), units, unit=False)}"
    apart = units == "inch" and off_mm is not None  # a fraction and its word are long
    rounds = [shown.counted(post.rounds, "round").replace(" ", "\u00a0")] if post.rounds else []
    waits = "" if post.verdict else _waits(post)
    packs = (words.pack(pack, faces, units).replace(" ", "\u00a0") for pack in post.packs_in_place)
    done = [f"tightened to {shown.torque(post.torque_nm, units)}"] if post.torque_nm else []
    done += ["cut flush"] * (post.trimmed and bool(post.packs_in_place))
    reading, read = post.after or post.before, ["–"]
    if reading is not None:
        usual = "inclinometer" if reading.method == "sensor" else "level not named"
        when = words.clock(reading.time, offset=zone is None) + " (before)" * (post.after is None)
        read = [when, f"{reading.by or words.NOT_GIVEN}, {reading.instrument or usual}"]
    return [
        [post.name, *([post.kind] if post.kind == "corner" else [])],
        words.reading(post.before, faces, units, uncertainty=False),
        words.reading(post.after, faces, units, uncertainty=True),
        ([off, limit] if apart else [f"{off} {limit}"])
        + ([f"({post.tolerance.text})"] if post.tolerance != run.tolerance else []),
        [
            words.DECISION_WORDS[post.stands],
            waits or " · ".join([shown.percent(post.probability), *rounds]),
        ],
        [" · ".join(packs), *([", ".join(done)] if done else [])],
        read,
    ]


def off_of(post: PostRecord) -> tuple[float | None, float | None]:
    """How far the top is off as built, as it is compared with the tolerance, mm; its standard uncertainty."""
    built, u = post.after, post.verdict.u if post.verdict else None
    if built is None:
        return None, None
    return words.worst_of(built, post), None if u is None else u * post.height_mm


# ---------------------------------------------------------------- parts


def notes_of(post: PostRecord, faces: Mapping[Face, str], units: Units = "mm") -> list[str]:
    """What has to be said of a post besides its figures: what counts, what went in, skipped, notes, bow."""
    notes = []
    if post.changed is not None and post.conflict is None:
        before = post.verified[-1].verdict if post.verifying else None
        was = f"; before that {words.DECISION_WORDS[before.decision]}" if before is not None else ""
        notes.append(f"to be read again: {post.why}{was}")
    if post.packs_in_place and post.packed_as_prescribed is False:
        notes.append("packed with something else than prescribed")
    if post.skipped is not None:
        notes.append(f"skipped: {post.skipped}")
    first = post.before
    from_several = first is not None and first.is_mean
    # What counts is what was read before packing: the sentence below says it with the readings.
    notes += post.said_of_readings[from_several and post.counts == first :]
    notes += post.notes
    if post.conflict is not None:
        notes.append(post.conflict)
    if post.bow is not None:
        notes.append(bow_words(post.bow, faces, lambda mm: shown.recorded(mm, units)))
    if first is not None and from_several:
        notes.append(f"before packing, the mean of what was read: {first.text}")
    for read in post.readings:
        for seat, mm in read.rocks:
            free = f", {shown.thickness(mm, units)} free" if mm else ""
            notes.append(f"{seat_name(seat, faces)} did not touch when {read.text} was read{free}")
    return notes


def readings_of(post: PostRecord) -> list[str]:
    """Every reading of a post, as typed, with why it does not count now: `1.2 n 0 [read again since]`."""
    return [
        f"{words.clock(one.time)} {one.stage} {one.text}".strip() + (f" [{why}]" if why else "")
        for one, why in post.reported
    ]


def all_readings_lines(record: RunRecord) -> list[str]:
    """Every reading of every post in a line, those that do not count with the reason."""
    return [f"{post.name}: {reported}" for post in record.run.posts for reported in readings_of(post)]


def why_not_plumb(post: PostRecord, units: Units, faces: Mapping[Face, str] = FACE_NAMES) -> str:
    """Why a post is not proven plumb and what it waits for, in a sentence's parts; lengths in `units`.

    Why no pack does it comes in whole sentences: they stand by themselves.
    """
    parts = []
    reading = post.after or (post.counts if post.stands == "out" else None)
    off = words.worst_of(reading, post) if reading is not None else None
    if off is not None:
        allowed_mm = post.tolerance.allowed_top_mm(post.height_mm)
        parts.append(f"{shown.recorded(off, units)} off plumb, {shown.recorded(allowed_mm, units)} allowed")
    if post.conflict is not None or post.skipped is not None:
        parts.append(post.why)  # what crews typed, and that they are to read it again
    else:
        parts += [sentence(part, faces, units) for part in (post.why, WAITS[post.next_step]) if part]
    said = parts[0] if parts else ""
    for part in parts[1:]:
        said = f"{said.rstrip('.')}{'. ' if part[0].isupper() else '; '}{part}"
    return said


def _waits(post: PostRecord) -> str:
    """What a post waits for, in a row, which has no room for why."""
    by_state = "no packs serve it" if post.next_step == "no pack" else str(post.state)
    return WAITS[post.next_step] or by_state


WAITS = {
    "read": "not read yet",
    "read other way": "read in one direction only",
    "pack": "packs not in yet",
    "change packs": "packs not changed yet",
    "tighten": "to be tightened and read",
    "read again": "to be read again",
    "ask": "no packs worked out yet",
    "turn level": "",
    "no pack": "",
    "none": "",
}
"""What a post waits for, by its next step; empty where `why` says it."""


def exceptions(record: RunRecord) -> list[PostRecord]:
    """Posts that are not proven plumb: out first, then too close to call, then not verified."""
    found = (post for post in record.run.posts if post.stands != "plumb")
    return sorted(found, key=lambda post: DECISIONS.index(post.stands))


def exceptions_reported(record: RunRecord) -> list[tuple[list[str], Decision, str]]:
    """Names of posts that stand alike for the same reason, how they stand, why."""
    alike: dict[tuple[Decision, str], list[str]] = {}
    for post in exceptions(record):
        why = why_not_plumb(post, record.run.units, record.run.faces)
        alike.setdefault((post.stands, why), []).append(post.name)
    return [(names, stands, why) for (stands, why), names in alike.items()]


def facts_reported(record: RunRecord) -> list[tuple[str, str]]:
    """What a report of a measurement states beside its figures, name and text; `not given` where it was not.

    The list is that of ISO/IEC 17025:2017, 7.8.2 and 7.8.3 (from memory), as far as a post's plumb goes.
    """
    run, issue, facts = record.run, record.issue, dict(record.run.facts)

    def of(key: str) -> str:
        return ", ".join(facts[one] for one in (key, f"{key}_address") if one in facts) or words.NOT_GIVEN

    made = words.clock(record.made)
    logged = f"{words.NOT_GIVEN}{f', logged up to {made}' if made else ''}"
    moments = sorted((one.time for one in record.readings if one.time), key=_instant)
    days = list(dict.fromkeys(words.clock(time)[:10] for time in (*moments[:1], *moments[-1:])))
    zone = words.shared_offset(tuple(moments))
    other: dict[str, list[str]] = {}  # posts whose foot or reading height is not the run's
    for post in run.posts:
        own = [words.foot(post.foot, run.units)] * (post.foot != run.foot)
        own += [f"at {shown.lean(post.height_mm, run.units)}"] * (post.height_mm != run.height_mm)
        if own:
            other.setdefault(" ".join(own), []).append(post.name)
    height = shown.lean(run.height_mm, run.units)
    tolerance = words.tolerance(run.tolerance, run.height_mm, run.units)
    instruments = words.instruments(record.instruments, run.units, unnamed=record.unnamed)
    return [
        ("Record number", (issue.number if issue else "") or words.NOT_GIVEN),
        ("Date of issue", words.clock(issue.time, offset=True) if issue else logged),
        ("Replaces", _replaces(record)),
        *((key.capitalize(), of(key)) for key in ("firm", "customer", "site")),
        ("Read", (" to ".join(days) + (f", times in {zone}" if zone else "")) or "not read yet"),
        ("Read by", ", ".join(record.read_by) or words.NOT_GIVEN),
        *((FACTS[key].capitalize(), of(key)) for key in ("weather", "temperature", "moisture")),
        (
            "Posts",
            f"foot {words.foot(run.foot, run.units)}, read at {height} above the foot"
            + "".join(f"; post {', '.join(names)}: {what}" for what, names in other.items()),
        ),
        ("Tolerance", f"{tolerance}; source: {run.tolerance.source}"),
        ("Decision rule", RULES[run.rule]),
        ("Method", _method(record)),
        ("Instruments" if len(instruments) > 1 else "Instrument", instruments[0]),
        *(("", text) for text in instruments[1:]),
        *([("Packs are of", ", ".join(record.materials))] if record.materials else []),
        ("Program", PROGRAM),
    ]


def _replaces(record: RunRecord) -> str:
    issue, before = record.issue, record.issued_before
    if before is not None:
        number = f"record {before.number}" if before.number else "the record"
        return f"nothing: {number} was issued {words.clock(before.time)}, and the log has grown since"
    if issue is None:
        return "nothing: this record is not issued"
    if not issue.replaces and not issue.beside:
        return "nothing: first issue"
    changed = f"posts changed: {', '.join(issue.changed)}" if issue.changed else "no post changed"
    earlier = [one for one in record.run.issues[:-1] if one.log == issue.log] or record.run.issues[-2:-1]
    which = f"record {earlier[-1].number}" if earlier and earlier[-1].number else "the record"
    papers = [f"{which} of {issue.replaces}"] if issue.replaces else []
    papers += [f"record {one}" for one in issue.beside]
    return f"{'; and '.join(papers)}, because: {issue.why or words.NOT_GIVEN}; {changed}"


def _method(record: RunRecord) -> str:
    typed = sum(one.method == "typed" for one in record.readings)
    counts = {"typed": typed, "from an inclinometer": len(record.readings) - typed}
    how = ", ".join(f"{count} {what}" for what, count in counts.items() if count)
    # As an older log may name what is no face.
    faces = dict.fromkeys(one.face for one in record.readings if one.face)
    names: dict[str, str] = {face.value: name for face, name in record.run.faces.items()}
    held = f"; held to {', '.join(names.get(one, one) for one in faces)}" if faces else ""
    method = "lean of the top over the foot's middle, read in two directions, packed, tightened, read again"
    return f"{method}; readings: {how}{held}" if how else method


def result_words(run: RunState) -> str:
    """`3 of 9 posts proven plumb; 2 out of plumb, 4 not verified`."""
    counts = run.tally
    others = [f"{counts[one]} {words.DECISION_WORDS[one]}" for one in DECISIONS[1:] if counts[one]]
    plumb = f"{counts['plumb']} of {len(run.posts)} posts proven plumb"
    return f"{plumb}; {', '.join(others)}" if others else plumb


def _instant(iso: str) -> datetime:
    when = datetime.fromisoformat(iso)
    return when if when.tzinfo else when.replace(tzinfo=UTC)
