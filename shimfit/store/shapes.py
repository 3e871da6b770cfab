"""What the data of each kind of event must look like, so that the log only ever holds what can be read back.

Checked when an event is logged, when it is imported and when it is read: a log may hold what this version
can't read. Keys that are not named here are kept: a newer program may add some. Kinds that are not named here
are kept as well, and ignored by this version.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from functools import cache
from typing import TYPE_CHECKING, Any, Literal

from shimfit import codec
from shimfit.codec import ANSWER, Shape, also, members
from shimfit.core.ledger import Remainder
from shimfit.errors import LONGEST_NAME, LONGEST_TEXT, printable, sign_fault
from shimfit.model import Face, Foot, Instrument, Lot, Name, NotNegative, Pack, Positive, Reading, Tolerance

if TYPE_CHECKING:
    from shimfit.store.events import Event

_Pair = tuple[float, float]
_Units = Literal["mm", "inch"]
_Rule = Literal["95", "simple", "2u"]
_RUN = {
    "rule?": _Rule,
    "units?": _Units,
    "gauge_mm?": Positive | None,
    "face_names?": Mapping[Face, str] | None,
    "layout?": str,
    "due_days?": int | None,
    "preload_mm?": Positive | None,
    "kerf_mm?": NotNegative | None,
    "max_spacing_mm?": Positive | None,
    "opening_limit_mm?": Positive | None,
}
_POST = {
    "name": Name,
    "leg": int,
    "station_mm": float,
    "kind?": Literal["line", "corner", "end"],
    "after?": str | None,
    "foot?": Foot | None,
    "height_mm?": Positive | None,
    "tolerance?": Tolerance | None,
    "turn_deg?": float | None,
}
_ASKED = {
    "layout": str,
    "preload_mm": Positive | None,
    "kerf_mm": NotNegative | None,
    "rule": _Rule,
    "box": str,
    "own": Mapping[str, Any],
}
_CUT = {
    "lot": Name,
    "copy": int,
    "piece?": str,
    "from_mm?": NotNegative,
    "to_mm?": NotNegative,
    "saw_deg?": NotNegative | None,
    "thin_mm?": NotNegative | None,
    "thick_mm?": NotNegative | None,
    "kerf_mm?": NotNegative,
    "for?": str,
}
_SEEN = {"seen?": Mapping[Name, int], "by_time?": Mapping[Name, int]}
_CONFLICT = {"run": str, "post": str, "why": str, "packs?": bool}
_OBSERVED = {
    "predicted_mm": _Pair,
    "measured_mm": _Pair,
    "u_reading_mm": Positive,
    "shares": Mapping[str, NotNegative],
}


def _wrong_remainder(row: Mapping[str, Any]) -> str | None:
    wrong = codec.shape(Remainder).fault(row["of"]) if "of" in row else None
    return f".of{wrong}" if wrong else None


def _rows(row: Any) -> Any:
    """A list of what a dict of types tells."""
    return codec.list_of(codec.shape(row))


SHAPES: dict[str, Any] = {
    "job-added": {"name": Name, "sample?": bool, "units?": _Units},
    "run-added": {"foot": Foot, "height_mm": Positive, "tolerance": Tolerance, **_RUN},
    "run-changed": {"foot?": Foot, "height_mm?": Positive, "tolerance?": Tolerance, **_RUN},
    "facts": Mapping[str, str | None],
    "issued": {"number?": str, "why?": str, "replaces?": str | None, "changed?": tuple[str, ...]},
    "post-added": _POST,
    "post-moved": {"station_mm": float, "leg?": int},
    "post-removed": {},
    "reading": {**members(Reading), "follows?": bool},
    "prescribed": {"answer": ANSWER, "asked?": _ASKED},
    "packed": {"packs": tuple[Pack, ...], "as_prescribed?": bool},
    "tightened": {"torque_nm?": NotNegative | None, "follows?": bool},
    "trimmed": {"follows?": bool},
    "observed": _OBSERVED,
    "take-up-reset": {},
    "skipped": {"why": str},
    "noted": {"text": str},
    "photo": {"file": Name},
    "stock-imported": {"lots": tuple[Lot, ...], "source?": str},
    "stock-added": Lot,
    "stock-out": {"lot": Name, "count?": int | None},
    "taken": {
        "used": _rows({"lot": Name, "count?": int}),
        "back?": codec.list_of(also(codec.shape(Lot), _wrong_remainder)),
        "cut?": _rows(_CUT),
    },
    "instrument": members(Instrument),
    "setting": {"key": Name, "value": Any},
    "undone": {"of": Name},
    "box-joined": {"log": Name},
    "merged": {"log": Name, "conflicts": _rows(_CONFLICT), **_SEEN},
    "salvaged": {"source": str, "saved": int, "doubtful": int, "missing": int},
    "doubtful": {"kind": str, "why": str},
}
"""What the data of each kind holds, as `shimfit.codec` reads types."""


@cache
def _shape_of(kind: str) -> Shape:
    """Worked out for the kinds that a log holds."""
    return codec.shape(SHAPES[kind])


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
    fault = _shape_of(kind).fault(data) if kind in SHAPES else None
    return f"{kind}: {fault.lstrip('. ')}" if fault else None


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
