"""Options of a run that can be changed later, from what is typed for each: by Setup and by `run set`."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from shimfit.codec import to_json
from shimfit.core.foot import check_foot
from shimfit.entry.result import DEFAULT_NAMES, EntrySettings
from shimfit.errors import EntryError, UsageError
from shimfit.quantities.tolerance import parse_tolerance
from shimfit.quantities.typed import parse_height, parse_length, parse_rod_at
from shimfit.settings import parse_setting

if TYPE_CHECKING:
    from shimfit.model import Tolerance
    from shimfit.standing import RunState
    from shimfit.workflow.site import Site

OPTION_HINTS = {
    "tolerance": "1:500, 3mm/1m, 1/8 over 40, 0.1deg; behind it `each way` or `both together`",
    "rule": "how sure a decision has to be: 95, 2u, or simple (no margin)",
    "height": "height that is read at, above the foot",
    "level": "length that offsets are read over; height: the reading height",
    "faces": "names of your own, like out=lake house=lawn",
    "layout": "corners, tripod or auto",
    "rod": "where the rod pulls off the foot's middle: next=5mm,house=3mm; 0: in the middle",
    "kerf": "width of the saw's cut, like 2.5mm or 3/32",
}
"""Options of a run that can be changed later, each with what it takes."""


def set_option(site: Site, job: str, run: str, name: str, text: str) -> None:
    """Change an option of a run from what was typed; EntryError or UsageError, and nothing is changed."""
    now = site.run(job, run)
    word = text.strip().lower()
    match name:
        case "tolerance":
            site.change_run(job, run, tolerance=to_json(_tolerance(text, now)))
        case "rule":
            site.change_run(job, run, rule=parse_setting("rule", word))
        case "height":
            site.change_run(job, run, height_mm=parse_height(text, now.units))
        case "level":
            gauge_mm = None if word == "height" else parse_length(text, now.units, what="level")
            site.change_run(job, run, gauge_mm=gauge_mm)
        case "faces":
            site.change_run(job, run, face_names=_face_names(word))
        case "rod":
            at_mm = parse_rod_at(text, now.units, {face.value: name for face, name in now.faces.items()})
            site.change_run(job, run, foot=to_json(check_foot(replace(now.foot, rod_at_mm=at_mm))))
        case "kerf":
            site.change_run(job, run, kerf_mm=parse_length(text, now.units, what="kerf", zero_ok=True))
        case _:
            if word not in ("corners", "tripod", "auto"):
                raise UsageError(f"the layout can be corners, tripod or auto, not {text.strip()!r}")
            site.change_run(job, run, layout=word)


def _tolerance(text: str, run: RunState) -> Tolerance:
    """A tolerance; how its directions count stays as it is where nothing is said behind it."""
    limit, way = text.strip(), run.tolerance.per_direction
    for words, each in ((" each way", True), (" both together", False)):
        if limit.lower().endswith(words):
            limit, way = limit[: -len(words)], each
    return parse_tolerance(limit, way, run.units)


def _face_names(text: str) -> dict[str, str]:
    names: dict[str, str] = {}
    for part in text.split():
        face, equals, name = part.partition("=")
        if not equals or face not in DEFAULT_NAMES:
            raise EntryError(f"{part!r}: a face is renamed like out=lake", at=text.find(part))
        names[face] = name
    EntrySettings(faces=dict(DEFAULT_NAMES) | names)  # refuses names that can't be told apart
    return names
