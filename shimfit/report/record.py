"""The as-built record as JSON, as CSV and as a table for a person, all from the same rows."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from shimfit import csvfile
from shimfit.contract import pack_to_json, tolerance_to_json
from shimfit.core.bow import bow_words
from shimfit.errors import Exit
from shimfit.report import words
from shimfit.report.due import read_again_lines

if TYPE_CHECKING:
    from shimfit.core.bow import Bow
    from shimfit.model import Face, Reading
    from shimfit.report.rows import PostRow, RunRecord

_READING_KEYS = (
    "slope_along",
    "slope_across",
    "top_along_mm",
    "top_across_mm",
    "u_along_mm",
    "u_across_mm",
    "time",
    "by",
    "instrument",
    "method",
    "text",
)
CSV_HEADER = (
    "job",
    "run",
    "post",
    "leg",
    "station_mm",
    "state",
    *(f"before_{key}" for key in _READING_KEYS),
    *(f"after_{key}" for key in _READING_KEYS),
    "tolerance",
    "allowed_top_mm",
    "decision",
    "probability",
    "packs",
    "rounds",
    "torque",
    "torque_nm",
    "notes",
    "photos",
    "bow_along_mm",
    "bow_across_mm",
    "log_events",
    "log_hash",
)


def record_json(record: RunRecord) -> dict[str, Any]:
    """The record in the contract's form: `{"schema":1,"job","run","posts":[…],"log":{"events","hash"}}`.

    Lengths in mm, slopes as ratios, u = standard uncertainty at the top; not read is null, never zero.
    """
    return {
        "schema": 1,
        "job": record.job,
        "run": record.run,
        "sample": record.sample,
        "rule": record.rule,
        "tolerance": tolerance_to_json(record.tolerance, record.height_mm),
        "instruments": [
            {
                "name": item.name,
                "kind": item.kind,
                "length_mm": item.length_mm,
                "accuracy_slope": item.accuracy_slope,
                "graduation_mm": item.graduation_mm,
                "zero_along": item.zero_along,
                "zero_across": item.zero_across,
                "u_zero": item.u_zero,
                "checked": item.checked,
            }
            for item in record.instruments
        ],
        "posts": [_post(post, record.faces) for post in record.posts],
        "log": {"events": record.log.events, "hash": record.log.hash},
    }


def record_csv(record: RunRecord) -> str:
    """One line a post, RFC 4180 (CRLF, quotes doubled), units in the headers, empty = not known.

    Packs, notes and photos stand in one cell each, parts divided by `; `. Typed texts stand as typed;
    one that would begin a formula has an apostrophe before it.
    """
    return csvfile.text_of([CSV_HEADER, *(_cells(record, post) for post in record.posts)])


def _cells(record: RunRecord, post: PostRow) -> tuple[object, ...]:
    return (
        record.job,
        record.run,
        post.post,
        post.leg,
        _figure(post.station_mm),
        post.state,
        *_reading_cells(post.before),
        *_reading_cells(post.after),
        post.tolerance.text,
        _figure(post.tolerance.allowed_top_mm(post.height_mm)),
        post.decision,
        _figure(post.verdict.probability if post.verdict else None),
        "; ".join(words.pack_in_full(pack) for pack in post.packs),
        post.rounds,
        _figure(post.torque_nm),  # the contract's name, and the same with its unit
        _figure(post.torque_nm),
        "; ".join(notes_of(post, record.faces)),
        "; ".join(post.photos),
        _figure(post.bow.along_mm if post.bow else None),
        _figure(post.bow.across_mm if post.bow else None),
        record.log.events,
        record.log.hash,
    )


def exit_code(record: RunRecord) -> Exit:
    """`Exit.OVER` when a verified post is over its tolerance; the lean before packing never counts."""
    return Exit.OVER if record.over else Exit.DONE


def record_lines(record: RunRecord, width: int = 100) -> list[str]:
    """The record for a person at a terminal: what it is about, one line a post, what the log says.

    Columns that do not fit in `width` are left out from the right: notes first, never the decision.
    """
    limit = words.tolerance(record.tolerance, record.height_mm, record.units)
    lines = [
        f"As-built plumb record: {record.job}/{record.run}"
        + (" (SAMPLE, invented data)" if record.sample else ""),
        f"Tolerance {limit}; {record.tolerance.source}.",
        f"Decision: {record.rule}",
        *("Instrument " + text for text in words.instruments(record)),
        f"Tops in {words.unit_name(record.units)}, towards the side named; ± is U (k = 2).",
        "",
    ]
    table: list[tuple[str, ...]] = [("post", "before", "after", "allowed", "decision", "prob.", "packs")]
    table += [_person_row(record, post) for post in record.posts]
    lines += _table(table, width)
    noted = [f"{post.post}: {note}" for post in record.posts for note in notes_of(post, record.faces)]
    if noted:
        lines += ["", "Notes", *noted]
    again = read_again_lines(record)
    if again:
        lines += ["", "Read again after handing over", *again]
    lines += ["", f"Event log: {record.log.events} events, hash {record.log.hash}"]
    return lines


# ---------------------------------------------------------------- parts


def _post(post: PostRow, faces: dict[Face, str]) -> dict[str, Any]:
    return {
        "post": post.post,
        "leg": post.leg,
        "kind": post.kind,
        "station_mm": post.station_mm,
        "height_mm": post.height_mm,
        "state": post.state,
        "before": _reading(post.before),
        "after": _reading(post.after),
        "tolerance": tolerance_to_json(post.tolerance, post.height_mm),
        "decision": post.decision,
        "probability": post.verdict.probability if post.verdict else None,
        "packs": [pack_to_json(pack) for pack in post.packs],
        "as_prescribed": post.as_prescribed,
        "rounds": post.rounds,
        "torque": post.torque_nm,
        "torque_nm": post.torque_nm,
        "notes": notes_of(post, faces),
        "photos": list(post.photos),
        "bow": _bow(post.bow),
        "readings": len(post.readings),
    }


def _reading(reading: Reading | None) -> dict[str, Any] | None:
    if reading is None:
        return None
    height = reading.height_mm
    return {
        "slope_along": reading.slope_along,
        "slope_across": reading.slope_across,
        "top_along_mm": _times(reading.slope_along, height),
        "top_across_mm": _times(reading.slope_across, height),
        "u_along_mm": _times(reading.u_along, height),
        "u_across_mm": _times(reading.u_across, height),
        "time": reading.time,
        "by": reading.by,
        "instrument": reading.instrument,
        "method": reading.method,
        "text": reading.text,
        "stage": reading.stage,
        "face": reading.face,
        "height_mm": height,
        "gauge_mm": reading.gauge_mm,
        "largest_term": reading.largest_term,
    }


def _bow(found: Bow | None) -> dict[str, Any] | None:
    """How far the post's middle stands off the line; u = standard uncertainty, null = unknown."""
    if found is None:
        return None
    return {
        "along_mm": found.along_mm,
        "across_mm": found.across_mm,
        "u_along_mm": found.u_along_mm,
        "u_across_mm": found.u_across_mm,
    }


def notes_of(post: PostRow, faces: dict[Face, str]) -> list[str]:
    """What has to be said of a post besides its figures: packed otherwise, skipped and why, notes, bow."""
    notes = list(post.notes)
    if post.bow is not None:
        notes.append(bow_words(post.bow, faces))
    if post.skipped is not None:
        notes.insert(0, f"skipped: {post.skipped}")
    if post.packs and not post.as_prescribed:
        notes.insert(0, "packed with something else than prescribed")
    return notes


def _times(slope: float | None, height_mm: float) -> float | None:
    return None if slope is None else slope * height_mm


def _reading_cells(reading: Reading | None) -> list[str]:
    answer = _reading(reading)
    if answer is None:
        return [""] * len(_READING_KEYS)
    return [
        _figure(answer[key]) if isinstance(answer[key], float) else (answer[key] or "")
        for key in _READING_KEYS
    ]


def _figure(value: float | None) -> str:
    # repr keeps every digit: what is read back is what was stored.
    return "" if value is None else repr(float(value))


def _person_row(record: RunRecord, post: PostRow) -> tuple[str, ...]:
    allowed = words.length(post.tolerance.allowed_top_mm(post.height_mm), record.units)
    decision = words.DECISION_WORDS[post.decision] if post.decision != "none" else post.state
    return (
        post.post,
        _person_reading(record, post.before, doubt=False),
        _person_reading(record, post.after, doubt=True),
        allowed,
        decision,
        words.percent(post.verdict.probability if post.verdict else None),
        ", ".join(words.pack(pack, record.faces, record.units) for pack in post.packs),
    )


def _person_reading(record: RunRecord, reading: Reading | None, *, doubt: bool) -> str:
    if reading is None:
        return "–"
    parts = []
    for slope, u, along in (
        (reading.slope_along, reading.u_along, True),
        (reading.slope_across, reading.u_across, False),
    ):
        if slope is None:
            parts.append("not read")
            continue
        text = words.towards(slope * reading.height_mm, along, record.faces, record.units)
        expanded = words.expanded_mm(u, reading.height_mm)
        if doubt and expanded is not None:
            text += f" ±{words.length(expanded, record.units)}"
        parts.append(text)
    return ", ".join(parts)


def _table(rows: list[tuple[str, ...]], width: int) -> list[str]:
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    kept = len(widths)
    while kept > 5 and sum(widths[:kept]) + 2 * (kept - 1) > width:
        kept -= 1
    lines = ["  ".join(cell.ljust(widths[i]) for i, cell in enumerate(row[:kept])).rstrip() for row in rows]
    return [lines[0], "-" * min(width, len(lines[0])), *lines[1:]]
