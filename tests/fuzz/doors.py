"""Every way in from outside, as one function of bytes each.

A door takes anything and comes back, or raises a ShimfitError whose one sentence a person can read. Nothing
else may come out: no other exception, no figure that is not finite, no value that does not read back.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from io import StringIO
from typing import Any

from shimfit.errors import ShimfitError
from shimfit.model import Foot, Reading, Tolerance, Verdict

Door = Callable[[bytes], None]
HEIGHT_MM = 1000.0


def entry(data: bytes) -> None:
    """What is typed at a post, in both units."""
    from shimfit.entry import EntrySettings, Incomplete, Refused, Understood, parse_entry

    text = data.decode("utf-8", "replace")
    for units in ("mm", "inch"):
        heard = parse_entry(text, EntrySettings(units=units))
        if isinstance(heard, Incomplete | Refused):
            assert heard.reason
            assert 0 <= heard.at <= len(text)
            continue
        assert isinstance(heard, Understood)
        assert heard.words
        if heard.is_gauge_only:
            continue
        slopes = heard.slopes(HEIGHT_MM)
        assert all(math.isfinite(slope) for slope in slopes if slope is not None)
        again = parse_entry(heard.canonical, EntrySettings(units=units))
        assert isinstance(again, Understood), heard.canonical
        assert again.slopes(HEIGHT_MM) == slopes, heard.canonical


def length(data: bytes) -> None:
    """A length, a foot and a tolerance as options take them."""
    from shimfit.core.tolerance import parse_tolerance
    from shimfit.entry.lengths import parse_foot, parse_length

    text = data.decode("utf-8", "replace")
    with_sentence(lambda: finite(parse_length(text)))
    with_sentence(lambda: finite(parse_length(text, "inch")))
    with_sentence(lambda: finite(parse_foot(text).along_mm))
    with_sentence(lambda: finite(parse_tolerance(text).allowed_top_mm(HEIGHT_MM)))


def stock(data: bytes) -> None:
    """A stock file; what was taken is written and read again without a change."""
    from shimfit.core.stock import lots_from_csv, lots_to_csv

    lots = lots_from_csv(data.decode("utf-8", "replace"), "box.csv")
    for lot in lots:
        for name in ("length_mm", "width_mm", "thickness_mm", "thin_mm", "thick_mm"):
            finite(getattr(lot, name) or 0.0)
    assert lots_from_csv(lots_to_csv(lots), "again.csv") == lots


def dialect(data: bytes) -> None:
    """A sensor's description in TOML."""
    from shimfit.wire.dialects import parse_description

    parse_description(data.decode("utf-8", "replace"), "sensor.toml")


def events(data: bytes) -> None:
    """An exported log, JSON lines; a line that was taken is written as the same line's meaning."""
    from shimfit.store.transfer.lines import events_of, lines_of

    found = list(events_of(data.decode("utf-8", "replace"), "log.jsonl"))
    assert list(events_of("".join(lines_of(found)), "again.jsonl")) == found


def capture(data: bytes) -> None:
    """A recorded stream, with records or bare, played back as if it came now."""
    from shimfit.wire.capture import bare_capture, is_capture, parse_capture, replay
    from shimfit.wire.options import ListenOptions
    from shimfit.wire.stream import Stream

    if is_capture(data):
        recorded = parse_capture(data, "post.capture")
    else:
        recorded = bare_capture(data, "post.bin", timing=None, timing_path="", rate_hz=20.0)
    stream = Stream(ListenOptions())
    end_s = replay(recorded, stream)
    finite(end_s)
    stream.view(end_s)


def answer(data: bytes) -> None:
    """An answer in an event: what the log lets in can be read back, and printed with finite figures."""
    from shimfit.contract import prescription_from_json
    from shimfit.store.shapes import wrong_with

    document = {"answer": json_object(data)}
    if wrong_with("prescribed", document, "job", "run", "1") is None:
        found = prescription_from_json(document["answer"])
        assert all(math.isfinite(pack.made_mm) for pack in found.packs)


def printed(data: bytes) -> None:
    """Names, notes and texts that somebody typed, on paper and in the CSV."""
    from shimfit.report.pdf import record_pdf
    from shimfit.report.record import record_csv
    from shimfit.report.rows import LogStamp, PostRow, RunRecord

    text = data.decode("utf-8", "replace")
    limit = Tolerance("1:500", "ratio", 0.002, source=text)
    read = Reading(
        text, 0.0002, -0.0003, HEIGHT_MM, "verify", by=text, instrument=text, time="2026-05-12T08:00:00Z"
    )
    verdict = Verdict("plumb", 0.0004, 0.002, 0.0001, 0.0002, 0.99, text)
    foot = Foot(90.0, 90.0)
    row = PostRow(
        text, "plumb", foot, HEIGHT_MM, limit, 0.0, after=read, verdict=verdict, notes=(text,), photos=(text,)
    )
    record = RunRecord(text, text, (row,), foot, HEIGHT_MM, limit, text, LogStamp(1, "00"))
    assert record_pdf(record).startswith(b"%PDF")
    import csv

    (back,) = csv.DictReader(StringIO(record_csv(record), newline=""))
    assert back["notes"] == text


DOORS: dict[str, Door] = {
    door.__name__: door for door in (entry, length, stock, dialect, events, capture, answer, printed)
}


def knock(name: str, data: bytes) -> None:
    """Hand bytes to a door; returns when it keeps its promise, raises what breaks it."""
    with_sentence(lambda: DOORS[name](data))


def with_sentence(call: Callable[[], Any]) -> None:
    """Run; a ShimfitError passes when it is one readable sentence."""
    try:
        call()
    except ShimfitError as error:
        said = error
    else:
        return
    assert said.message.strip()
    assert said.message.isprintable(), said.message
    assert said.kind != "internal", said.message


def finite(value: float) -> None:
    """Refuse what is no measure."""
    assert math.isfinite(value), value


def json_object(data: bytes) -> Any:
    """JSON of a file as the command line reads it."""
    from shimfit.errors import FileError

    try:
        found = json.loads(data)
    except (ValueError, RecursionError) as error:
        raise FileError("not JSON") from error
    if not isinstance(found, dict):
        raise FileError("not a JSON object")
    return found
