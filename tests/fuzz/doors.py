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
from shimfit.model import Foot, PostState, Reading, Tolerance, Verdict
from tests.referee.typed_again import typed_again

Door = Callable[[bytes], None]
HEIGHT_MM = 1000.0


def entry(data: bytes) -> None:
    """What is typed at a post, in both units."""
    from shimfit.entry import EntrySettings, Incomplete, Refused, Understood, parse_entry

    text = data.decode("utf-8", "replace")
    for units in ("mm", "inch"):
        parsed = parse_entry(text, EntrySettings(units=units))
        if isinstance(parsed, Incomplete | Refused):
            assert parsed.reason
            assert 0 <= parsed.at <= len(text)
            continue
        assert isinstance(parsed, Understood)
        assert parsed.words
        if parsed.is_gauge_only:
            continue
        slopes = parsed.slopes(HEIGHT_MM)
        assert all(math.isfinite(slope) for slope in slopes if slope is not None)
        again = parse_entry(typed_again(parsed), EntrySettings(units=units))
        assert isinstance(again, Understood), typed_again(parsed)
        assert again.slopes(HEIGHT_MM) == slopes, typed_again(parsed)


def length(data: bytes) -> None:
    """A length, a foot and a tolerance as options take them."""
    from shimfit.quantities.typed import parse_foot, parse_length, parse_tolerance

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
    from shimfit.wire.formats import parse_description

    parse_description(data.decode("utf-8", "replace"), "sensor.toml")


def events(data: bytes) -> None:
    """An exported log, JSON lines; a line that was taken is written as the same line's meaning."""
    from shimfit.store.merge import events_of, line_of

    found = list(events_of(data.decode("utf-8", "replace"), "log.jsonl"))
    assert list(events_of("\n".join(map(line_of, found)), "again.jsonl")) == found


def capture(data: bytes) -> None:
    """A recorded stream, with records or bare, played back as if it came now."""
    from shimfit.wire.capture import bare_capture, is_capture, parse_capture, replay
    from shimfit.wire.stream import ListenOptions, Stream

    if is_capture(data):
        recorded = parse_capture(data, "post.capture")
    else:
        recorded = bare_capture(data, "post.bin", timing=None, timing_path="", rate_hz=20.0)
    stream = Stream(ListenOptions())
    end_s = replay(recorded, stream)
    finite(end_s)
    stream.view(end_s)


def problem(data: bytes) -> None:
    """A plan's problem in a file: what was taken is measurable all through."""
    from shimfit.workflow.plan import read_problem

    posts, lots, options = read_problem(json_object(data))
    for post in posts:
        finite(post.height_mm)
        finite(post.tolerance.allowed_top_mm(post.height_mm))
    for lot in lots:
        finite(lot.thickness_mm or lot.thick_mm or 0.0)
    finite(options.preload_mm)


def answer(data: bytes) -> None:
    """An answer in an event: what the log lets in can be read back, and printed with finite figures."""
    from shimfit.codec import prescription_from_json
    from shimfit.store.events import wrong_with

    document = {"answer": json_object(data)}
    if wrong_with("prescribed", document, "job", "run", "1") is None:
        found = prescription_from_json(document["answer"])
        assert all(math.isfinite(pack.made_mm) for pack in found.packs)


def logged(data: bytes) -> None:
    """Events at a post, whatever they say: what can't be read is left out, the rest becomes a record."""
    from shimfit.report.record import LogStamp, record_csv, record_json, record_lines, run_record
    from shimfit.report.statistics import statistics, statistics_json, statistics_lines
    from shimfit.store.events import Event, canonical
    from shimfit.store.fold import fold_run

    foot = {"along_mm": 90.0, "across_mm": 90.0}
    limit = {"text": "1:500", "kind": "ratio", "slope": 0.002}
    chain: list[tuple[str, Any, str | None]] = [
        ("run-added", {"foot": foot, "height_mm": HEIGHT_MM, "tolerance": limit}, None),
        ("post-added", {"name": "1", "leg": 1, "station_mm": 0.0}, "1"),
    ]
    document = json_object(data)
    found = document.get("events")
    pairs = (
        [one for one in found if isinstance(one, list) and len(one) == 2] if isinstance(found, list) else []
    )
    chain += [(kind, what, "1") for kind, what in pairs if isinstance(kind, str)]
    events_ = [
        Event(
            i,
            f"e{i}",
            f"e{i}",
            "log",
            "2026-05-12T08:00:00+02:00",
            i,
            None,
            "job",
            "run",
            post,
            kind,
            text,
            "",
            "",
        )
        for i, (kind, text, post) in enumerate(((k, canonical(d), p) for k, d, p in chain), 1)
    ]
    run = fold_run(events_, "job", "run")
    assert run is not None
    record = run_record(run, LogStamp(len(events_), "00"))
    figures = statistics(record)
    json.dumps([record_json(record), statistics_json(figures)], allow_nan=False)
    assert record_csv(record)
    assert record_lines(record) + statistics_lines(figures, record)


def printed(data: bytes) -> None:
    """Names, notes and texts that somebody typed, on paper and in the CSV."""
    from shimfit.report.asbuilt import record_pdf
    from shimfit.report.record import LogStamp, RunRecord, record_csv
    from shimfit.standing import PostRecord, RunState

    text = data.decode("utf-8", "replace")
    limit = Tolerance("1:500", "ratio", 0.002, source=text)
    read = Reading(
        text, 0.0002, -0.0003, HEIGHT_MM, "verify", by=text, instrument=text, time="2026-05-12T08:00:00Z"
    )
    verdict = Verdict("plumb", 0.0004, 0.002, 0.0001, 0.0002, 0.99)
    foot = Foot(90.0, 90.0)
    row = PostRecord(
        text, 1, 0.0, "line", foot, HEIGHT_MM, limit, reading=read, after=read, verifying=(read,),
        verdict=verdict, state=PostState.PLUMB, notes=(text,), photos=(text,),
    )  # fmt: skip
    record = RunRecord(RunState(text, text, foot, HEIGHT_MM, limit, posts=(row,)), LogStamp(1, "00"))
    assert record_pdf(record).startswith(b"%PDF")
    import csv

    (back,) = csv.DictReader(StringIO(record_csv(record), newline=""))
    assert back["notes"] in (text, f"'{text}")
    assert not back["notes"].startswith(("=", "@"))


DOORS: dict[str, Door] = {
    door.__name__: door
    for door in (entry, length, stock, dialect, events, capture, problem, answer, logged, printed)
}


PIECE = {"lot": "T1", "form": "taper", "thickness_mm": 1.0, "mark_mm": 29.4, "trim_tip_mm": 0.0}
PACK = {"seat": "next-out", "purpose": "lift", "need_mm": 1.5, "made_mm": 1.49, "bears_at_mm": [45.0, 45.0]}
LEAN = {"slope_along": 0.01, "slope_across": 0.005, "top_along_mm": 10.0, "top_across_mm": 5.0}
ANSWER = {
    "post": {"foot_along_mm": 90.0, "foot_across_mm": 90.0, "height_mm": 1000.0, "rod_hole_mm": 14.0},
    "lean": LEAN,
    "packs": [PACK | {"pieces": [PIECE]}],
    "change": [{"seat": "next", "from_mm": 1.0, "to_mm": 1.2}],
    "resting": LEAN | {"rock_mm": 0.0, "tipping_arm": 0.7, "unique": True},
    "tolerance": {"text": "1:500", "kind": "ratio", "slope": 0.002, "per_direction": False, "source": "user"},
    "within": True,
    "status": "proven",
    "why": None,
    "cost": {"total": 12.0},
    "cautions": [],
    "layout": "corners",
}
EVENT = {
    "schema": 1,
    "seq": 1,
    "id": "a1",
    "step": "a1",
    "log": "l1",
    "time": "2026-05-12T08:00:00+02:00",
    "stamp": 1_778_565_600_000_000,
    "by": None,
    "job": "j",
    "run": "r",
    "post": "1",
    "kind": "reading",
    "data": {"text": "9n", "slope_along": 0.009, "slope_across": None, "height_mm": 1000.0},
    "prev": "",
    "hash": "00",
    "origin": None,
}
LOGGED: list[list[Any]] = [
    ["reading", EVENT["data"] | {"slope_across": 0.004, "u_along": 0.0002, "u_across": 0.0002}],
    ["prescribed", {"answer": ANSWER}],
    ["packed", {"packs": ANSWER["packs"], "as_prescribed": True}],
    ["tightened", {"torque_nm": 24.0}],
    ["reading", EVENT["data"] | {"slope_along": 0.0002, "slope_across": 0.0, "stage": "verify"}],
    ["noted", {"text": "board cupped"}],
    ["photo", {"file": "IMG_7.jpg"}],
    ["skipped", {"why": "rod missing"}],
    ["trimmed", {}],
]
"""Kind and data of events at one post."""


def sealed(row: dict[str, Any]) -> bytes:
    """The event's line with the hash that it should have."""
    from shimfit.store.events import Event, canonical

    scope = {
        key: row[key] for key in ("id", "step", "log", "time", "stamp", "by", "job", "run", "post", "kind")
    }
    event = Event(seq=row["seq"], data_text=canonical(row["data"]), prev=row["prev"], hash="", **scope)
    return json.dumps(row | {"hash": event.computed_hash()}).encode()


PROBLEM: dict[str, Any] = {
    "schema": 1,
    "posts": [
        {
            "id": "3",
            "foot_along_mm": 90,
            "foot_across_mm": 90.0,
            "height_mm": 1000,
            "slope_along": 0.01,
            "slope_across": -0.004,
            "tolerance": "1:500",
            "rod_hole_mm": 14,
            "per_direction": False,
            "rod_at_mm": [0, 0],
        }
    ],
    "stock": [
        {"lot": "F1", "form": "flat", "count": 4, "thickness_mm": 0.5},
        {"lot": "T1", "form": "taper", "count": 1, "length_mm": 200, "thin_mm": 0.5, "thick_mm": "6"},
        {"lot": "S1", "form": "strip", "count": 1, "length_mm": 900, "width_mm": 60, "thickness_mm": 18},
    ],
    "saw": {"kerf_mm": 2.5, "settings_deg": [0.5, 1.0], "hold_mm": 250, "min_thin_mm": 0.8},
    "options": {
        "layout": "corners",
        "max_pieces": 3,
        "bearing_mm": 32,
        "bearing_point": "auto",
        "clamp": {"preload_mm": 0.19},
    },
}
STOCK = b"""lot,form,material,count,length_mm,width_mm,thickness_mm,thin_mm,thick_mm,origin,note
F1,flat,hdpe,4,,,1.5,,,bought,
T1,taper,oak,2,200,40,,0.5,6,offcut,"dry, straight"
S1,strip,larch,1,900,60,18,,,offcut,
"""
XDR = b"$WIXDR,A,+02.9,D,PITCH,A,+00.7,D,ROLL*07\r\n"
SEEDS: dict[str, list[bytes]] = {
    "entry": [b"1/4n3/8h", b"6mm n 10mm h", b"strong 1/4n shy 3/8h", b".6dn.8do", b"3/16n1/8o@4'", b"plumb"],
    "length": [b'1-1/4"', b"90x90mm", b"1:500", b"3mm/1m", b"0.1deg"],
    "stock": [STOCK],
    "dialect": [
        b'format = "xdr"\nx = ["PTCH"]\ny = ["ROLL"]\n',
        b'format = "text"\ncolumns = ["x:deg", "y:deg"]\nbaud = 9600\n',
        b'format = "modbus"\n[[values]]\nname = "x"\naddress = 0\n[[values]]\nname = "y"\naddress = 1\n',
    ],
    "events": [sealed(EVENT)],
    "capture": [XDR * 5, b"# shimfit capture 1\n@0.5 %d\n" % len(XDR) + XDR + b"\n!1.0 closed\n"],
    "problem": [json.dumps(PROBLEM).encode()],
    "answer": [json.dumps(ANSWER).encode()],
    "logged": [json.dumps({"events": LOGGED}).encode()],
}
"""What each door lets in: where the longer run sets out from."""


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
        json.dumps(found, allow_nan=False)
    except (ValueError, RecursionError) as error:
        raise FileError("not JSON") from error
    if not isinstance(found, dict):
        raise FileError("not a JSON object")
    return found
