"""What the data of each kind of event must look like, so that the log only ever holds what can be read back.

Checked when an event is logged, when it is imported and when it is read: a log may hold what this version
can't read. Keys that are not named here are kept: a newer program may add some. Kinds that are not named here
are kept as well, and ignored by this version.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import TYPE_CHECKING, Any, get_args

from shimfit.errors import LONGEST_NAME, LONGEST_TEXT, printable, sign_fault
from shimfit.model import Face, Form, Method, Origin, Purpose, Seat, Stage, Status, ToleranceKind

if TYPE_CHECKING:
    from shimfit.store.events import Event


_GREATEST = 1e12
_STEEPEST = 100.0
"""A post that leans more than 89.4 degrees is none."""

Check = Callable[[Any], str | None]
"""A check gives what the value must be, in words, or None when it is."""


def _number(value: Any) -> str | None:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return "a number"
    # Bounds keep whatever is worked out from it finite; nan compares false.
    return None if -_GREATEST <= value <= _GREATEST else "a number of a size that can be measured"


def _positive(value: Any) -> str | None:
    return _number(value) or (None if value >= 1 / _GREATEST else "more than 0")


def _slope(value: Any) -> str | None:
    return _number(value) or (None if abs(value) <= _STEEPEST else "a slope that a post can have")


def _not_negative(value: Any) -> str | None:
    return _number(value) or (None if value >= 0 else "0 or more")


def _doubt(value: Any) -> str | None:
    return _not_negative(value) or _slope(value)


def _count(value: Any) -> str | None:
    good = isinstance(value, int) and not isinstance(value, bool) and 0 <= value < 2**53
    return None if good else "a whole number, 0 or more"


def _text(value: Any) -> str | None:
    return None if isinstance(value, str) else "text"


def _named(value: Any) -> str | None:
    return None if isinstance(value, str) and value.strip() else "a name"


def _flag(value: Any) -> str | None:
    return None if isinstance(value, bool) else "true or false"


def _anything(_: Any) -> str | None:
    return None


def _one_of(*words: str) -> Check:
    def check(value: Any) -> str | None:
        return None if isinstance(value, str) and value in words else "one of " + ", ".join(words)

    return check


def _or_null(check: Check) -> Check:
    def checked(value: Any) -> str | None:
        return None if value is None else check(value)

    return checked


def _list(check: Check) -> Check:
    def checked(value: Any) -> str | None:
        if not isinstance(value, list | tuple):
            return "a list"
        for number, item in enumerate(value, 1):
            wrong = check(item)
            if wrong:
                return f"a list whose item {number} is {wrong}"
        return None

    return checked


def _pair(first: Check, second: Check) -> Check:
    def checked(value: Any) -> str | None:
        if not isinstance(value, list | tuple) or len(value) != 2:
            return "a pair"
        return first(value[0]) or second(value[1])

    return checked


def _object(must: Mapping[str, Check], may: Mapping[str, Check] | None = None) -> Check:
    optional = may or {}

    def checked(value: Any) -> str | None:
        if not isinstance(value, Mapping):
            return "an object"
        for key, check in must.items():
            if key not in value:
                return f"an object with {key}"
            wrong = check(value[key])
            if wrong:
                return f"an object whose {key} is {wrong}"
        for key, check in optional.items():
            wrong = check(value[key]) if key in value else None
            if wrong:
                return f"an object whose {key} is {wrong}"
        return None

    return checked


def _lot(value: Any) -> str | None:
    """Stock row: like pieces whose dimensions fit their form."""
    wrong = _LOT_ROW(value)
    if wrong:
        return wrong
    needed = {
        "flat": ("thickness_mm",),
        "taper": ("thin_mm", "thick_mm", "length_mm"),
        "strip": ("length_mm", "width_mm", "thickness_mm"),
    }[value["form"]]
    for key in needed:
        if value.get(key) is None:
            return f"a {value['form']} with {key}"
    if value["form"] == "taper" and value["thin_mm"] >= value["thick_mm"]:
        return "a taper whose thin edge is thinner than its thick one"
    return None


def _back(value: Any) -> str | None:
    """A lot that goes back; with `of`, what is left of a copy."""
    return _lot(value) or (_REMAINDER_OF(value["of"]) if "of" in value else None)


_UNITS = _one_of("mm", "inch")
_SEAT = _one_of(*Seat)
_XY = _pair(_number, _number)
_FOOT = _object(
    {"along_mm": _positive, "across_mm": _positive},
    {"round": _flag, "rod_hole_mm": _not_negative, "rod_at_mm": _XY},
)
_TOLERANCE = _object(
    {"text": _text, "kind": _one_of(*get_args(ToleranceKind)), "slope": _positive},
    {
        "amount_mm": _or_null(_positive),
        "gauge_mm": _or_null(_positive),
        "per_direction": _flag,
        "source": _text,
    },
)
_PIECE = _object(
    {"lot": _text, "form": _one_of(*get_args(Form)), "thickness_mm": _number},
    {
        "mark_mm": _or_null(_number),
        "trim_tip_mm": _or_null(_number),
        "copy": _or_null(_count),
        "thin_mm": _or_null(_number),
        "thick_mm": _or_null(_number),
        "saw_deg": _or_null(_number),
    },
)
_PACK = _object(
    {"seat": _SEAT, "need_mm": _number, "made_mm": _number, "bears_at_mm": _XY},
    {"pieces": _list(_PIECE), "purpose": _one_of(*get_args(Purpose))},
)
_LEAN = _object({"slope_along": _or_null(_number), "slope_across": _or_null(_number)})
_FULL_LEAN = _object({"slope_along": _number, "slope_across": _number})
_RESTING = _object(
    {
        "rock_mm": _number,
        "tipping_arm": _number,
        "slope_along": _or_null(_number),
        "slope_across": _or_null(_number),
    },
    {"limits": _or_null(_pair(_FULL_LEAN, _FULL_LEAN))},
)


def _cost(value: Any) -> str | None:
    if not isinstance(value, Mapping) or "total" not in value:
        return "an object with total"
    return next((wrong for amount in value.values() if (wrong := _number(amount))), None)


def _shares(value: Any) -> str | None:
    if not isinstance(value, Mapping):
        return "an object"
    return next((wrong for share in value.values() if (wrong := _not_negative(share))), None)


def _places(value: Any) -> str | None:
    if not isinstance(value, Mapping):
        return "an object"
    return next((wrong for log, seq in value.items() if (wrong := _named(log) or _count(seq))), None)


def _facts(value: Any) -> str | None:
    """What the record says of a job or a run, by key; null takes it back."""
    return (
        None if isinstance(value, Mapping) and not any(map(_FACT, value.values())) else "an object of texts"
    )


_FACT = _or_null(_text)
_CHANCE = _object(dict.fromkeys(("plumb", "too_close", "out", "within", "turned"), _not_negative))
_ANSWER = _object(
    {
        "post": _object(
            {"foot_along_mm": _positive, "foot_across_mm": _positive, "height_mm": _positive},
            {"round": _flag, "rod_hole_mm": _not_negative, "rod_at_mm": _XY},
        ),
        "lean": _FULL_LEAN,
        "tolerance": _TOLERANCE,
        "packs": _list(_PACK),
        "resting": _RESTING,
        "within": _flag,
        "status": _one_of(*get_args(Status)),
        "cost": _cost,
    },
    {
        "why": _or_null(_text),
        "odds": _or_null(
            _object(dict.fromkeys(("plumb", "too_close", "out", "within", "turned"), _not_negative))
        ),
        "layout": _text,
        "change": _list(
            _object(
                {"seat": _SEAT, "from_mm": _number, "to_mm": _number},
                {"push_mm": _or_null(_number)},
            )
        ),
        "cautions": _list(_text),
        "take_up": _number,
        "saw_settings_deg": _list(_number),
    },
)
_LOT_ROW = _object(
    {"lot": _named, "form": _one_of(*get_args(Form)), "count": _count},
    {
        "material": _text,
        "length_mm": _or_null(_positive),
        "width_mm": _or_null(_positive),
        "thickness_mm": _or_null(_positive),
        "thin_mm": _or_null(_not_negative),
        "thick_mm": _or_null(_positive),
        "origin": _one_of(*get_args(Origin)),
        "note": _text,
    },
)
_REMAINDER_OF = _object({"lot": _named, "copy": _count, "start": _count, "end": _count})
_CUT = _object(
    {"lot": _named, "copy": _count},
    {
        "piece": _text,
        "from_mm": _not_negative,
        "to_mm": _not_negative,
        "saw_deg": _or_null(_not_negative),
        "thin_mm": _or_null(_not_negative),
        "thick_mm": _or_null(_not_negative),
        "kerf_mm": _not_negative,
        "for": _text,
    },
)
_FACES = _one_of(*Face)
_RUN_OPTIONS: dict[str, Check] = {
    "rule": _one_of("95", "simple", "2u"),
    "units": _UNITS,
    "gauge_mm": _or_null(_positive),
    "face_names": _or_null(
        lambda value: (
            "names of the four faces"
            if not isinstance(value, Mapping) or any(_FACES(face) or _text(value[face]) for face in value)
            else None
        )
    ),
    "layout": _text,
    "due_days": _or_null(_count),
    "preload_mm": _or_null(_positive),
    "kerf_mm": _or_null(_not_negative),
    "max_spacing_mm": _or_null(_positive),
    "opening_limit_mm": _or_null(_positive),
}

_ASKED = _object(
    {
        "layout": _text,
        "preload_mm": _or_null(_positive),
        "kerf_mm": _or_null(_not_negative),
        "rule": _RUN_OPTIONS["rule"],
        "box": _text,
        "own": lambda value: None if isinstance(value, Mapping) else "an object",
    }
)

SHAPES: dict[str, Check] = {
    "job-added": _object({"name": _named}, {"sample": _flag, "units": _UNITS}),
    "run-added": _object({"foot": _FOOT, "height_mm": _positive, "tolerance": _TOLERANCE}, _RUN_OPTIONS),
    "run-changed": _object(
        {}, {"foot": _FOOT, "height_mm": _positive, "tolerance": _TOLERANCE} | _RUN_OPTIONS
    ),
    "facts": _facts,
    "issued": _object(
        {}, {"number": _text, "why": _text, "replaces": _or_null(_text), "changed": _list(_text)}
    ),
    "post-added": _object(
        {"name": _named, "leg": _count, "station_mm": _number},
        {
            "kind": _one_of("line", "corner", "end"),
            "after": _or_null(_text),
            "foot": _or_null(_FOOT),
            "height_mm": _or_null(_positive),
            "tolerance": _or_null(_TOLERANCE),
            "turn_deg": _or_null(_number),
        },
    ),
    "post-moved": _object({"station_mm": _number}, {"leg": _count}),
    "post-removed": _object({}),
    "reading": _object(
        {
            "text": _text,
            "slope_along": _or_null(_slope),
            "slope_across": _or_null(_slope),
            "height_mm": _positive,
        },
        {
            "stage": _one_of(*get_args(Stage)),
            "method": _one_of(*get_args(Method)),
            "u_along": _or_null(_doubt),
            "u_across": _or_null(_doubt),
            "u_own_along": _or_null(_doubt),
            "u_own_across": _or_null(_doubt),
            "largest_term": _or_null(_text),
            "zero_found": _flag,
            "gauge_mm": _or_null(_positive),
            "instrument": _or_null(_text),
            "face": _or_null(_text),
            "rocks": _list(_pair(_SEAT, _number)),
            "follows": _flag,
        },
    ),
    "prescribed": _object({"answer": _ANSWER}, {"asked": _ASKED}),
    "packed": _object({"packs": _list(_PACK)}, {"as_prescribed": _flag}),
    "tightened": _object({}, {"torque_nm": _or_null(_not_negative), "follows": _flag}),
    "trimmed": _object({}, {"follows": _flag}),
    "observed": _object(
        {
            "predicted_mm": _XY,
            "measured_mm": _XY,
            "u_reading_mm": _positive,
            "shares": _shares,
        }
    ),
    "take-up-reset": _object({}),
    "skipped": _object({"why": _text}),
    "noted": _object({"text": _text}),
    "photo": _object({"file": _named}),
    "stock-imported": _object({"lots": _list(_lot)}, {"source": _text}),
    "stock-added": _lot,
    "stock-out": _object({"lot": _named}, {"count": _or_null(_count)}),
    "taken": _object(
        {"used": _list(_object({"lot": _named}, {"count": _count}))},
        {"back": _list(_back), "cut": _list(_CUT)},
    ),
    "instrument": _object(
        {"name": _named, "kind": _one_of("level", "plumb-line", "inclinometer")},
        {
            "length_mm": _or_null(_positive),
            "accuracy_slope": _or_null(_not_negative),
            "graduation_mm": _or_null(_not_negative),
            "zero_along": _or_null(_number),
            "zero_across": _or_null(_number),
            "u_zero": _or_null(_not_negative),
            "checked": _or_null(_text),
            "axes": _or_null(_text),
            "zero_degc": _or_null(_number),
            "dropped": _or_null(_text),
            "floor_deg": _or_null(_not_negative),
            "memory_s": _or_null(_not_negative),
            "serial": _or_null(_text),
        },
    ),
    "setting": _object({"key": _named, "value": _anything}),
    "undone": _object({"of": _named}),
    "box-joined": _object({"log": _named}),
    "merged": _object(
        {
            "log": _named,
            "conflicts": _list(_object({"run": _text, "post": _text, "why": _text}, {"packs": _flag})),
        },
        {"seen": _places, "by_time": _places},
    ),
    "salvaged": _object({"source": _text, "saved": _count, "doubtful": _count, "missing": _count}),
    "doubtful": _object({"kind": _text, "why": _text}),
}

_NEEDS_POST = frozenset(
    {
        "post-moved",
        "post-removed",
        "reading",
        "prescribed",
        "packed",
        "tightened",
        "trimmed",
        "observed",
        "skipped",
        "noted",
        "photo",
    }
)
_NEEDS_RUN = frozenset({"run-added", "run-changed", "issued", "post-added"}) | _NEEDS_POST


def is_whole(name: str | None) -> bool:
    """True for a name that can be written in any file: None, or text without broken characters."""
    if name is None or name.isascii():
        return True
    try:
        name.encode()
    except UnicodeEncodeError:
        return False
    return True


_QUOTES = frozenset({"merged", "salvaged", "doubtful"})
"""Kinds in which the program itself tells what other events hold."""


def signs_wrong(kind: str, data: Any, names: Iterable[str | None]) -> str | None:
    """Which name or text of an event is too long or would command a terminal; None when none is.

    One rule for what is typed and for what comes in a file. Names: job, run, post and who did it.
    """
    if kind in _QUOTES:
        return None
    for name in names:
        if name is not None and (fault := sign_fault(name, LONGEST_NAME)):
            return f"the name {name[:LONGEST_NAME]!r} {fault}"
    for text in _texts(data):
        if fault := sign_fault(text, LONGEST_TEXT):
            return f"the text {text[:20]!r} {fault}"
    return None


def _texts(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, Mapping):
        for key, one in value.items():
            yield key
            yield from _texts(one)
    elif isinstance(value, list | tuple):
        for one in value:
            yield from _texts(one)


def _cleaned(value: Any) -> Any:
    """The same data with texts that may be shown: an older program let control characters in."""
    if isinstance(value, str):
        return printable(value)
    if isinstance(value, Mapping):
        return {key: _cleaned(one) for key, one in value.items()}
    return [_cleaned(one) for one in value] if isinstance(value, list) else value


def wrong_with(kind: str, data: Any, job: str | None, run: str | None, post: str | None) -> str | None:
    """What is wrong with an event's data or scope, in words; None when it can be read back."""
    if not isinstance(data, Mapping):
        return f"{kind}: the data must be an object"
    if kind in _NEEDS_RUN and (not job or not run):
        return f"{kind}: the job and the run must be named"
    if kind in _NEEDS_POST and not post:
        return f"{kind}: the post must be named"
    if kind == "job-added" and job != data.get("name"):
        return "job-added: the event must belong to the job that it adds"
    if kind == "post-added" and post not in (None, data.get("name")):
        return "post-added: the event must belong to the post that it adds"
    check = SHAPES.get(kind)
    must_be = check(data) if check else None
    return f"{kind}: must be {must_be}" if must_be else None


# ------------------------------------------------------------ reading events


_COMMANDS = re.compile(
    r"\\(?:[bfr]|u00[01][0-9a-f]|u007f|u00[89][0-9a-f]|u202[89a-e]|u206[6-9]|ud[89a-f][0-9a-f]{2})"
)


def read_data(event: Event) -> tuple[dict[str, Any] | None, str]:
    """(data, ""), or (None, why it can't be counted in): a newer program wrote it, or it is damaged."""
    if event.kind not in SHAPES:
        return None, "this version does not know it; update shimfit"
    try:
        data = event.data
    except (ValueError, RecursionError):
        return None, "its data is damaged"
    wrong = wrong_with(event.kind, data, event.job, event.run, event.post)
    if wrong is not None:
        return None, wrong
    # Canonical JSON is ASCII: a character that commands a terminal, or turns the line, is an escape in it.
    return (_cleaned(data) if _COMMANDS.search(event.data_text) else data), ""


def number(value: Any) -> float | None:
    """A number of checked data; None where it is not told."""
    return None if value is None else float(value)


def left_out(event: Event, why: str) -> str:
    """Sentence on an event that is not counted in."""
    return f"event {event.seq} ({event.kind}, {event.time}) was left out: {why}"
