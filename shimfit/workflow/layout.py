"""How a run is laid out, and what of it can be changed later, from what is typed."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from shimfit.codec import to_json
from shimfit.core import layout
from shimfit.core.foot import check_foot
from shimfit.core.layout import Mark
from shimfit.entry.grammar import LONGEST_MM, SHORTEST_MM
from shimfit.entry.result import DEFAULT_NAMES, EntrySettings
from shimfit.errors import EntryError, UsageError
from shimfit.model import Tolerance
from shimfit.quantities import shown
from shimfit.quantities.shown import refused_in
from shimfit.quantities.typed import (
    parse_foot,
    parse_height,
    parse_kerf,
    parse_length,
    parse_rod_at,
    parse_tolerance,
)
from shimfit.settings import parse_setting
from shimfit.standing import RunState
from shimfit.workflow.packs import moving
from shimfit.workflow.site import Place, Site, check_name, check_room, in_one_turn

OPTION_HINTS = {
    "tolerance": "1:500, 3mm/1m, 1/8 over 40, 0.1deg; behind it `each way` or `both together`",
    "rule": "how sure a decision has to be: 95, 2u, or simple (no margin)",
    "height": "height that is read at, above the foot",
    "level": "length that offsets are read over; height: the reading height",
    "faces": "names of your own, like out=lake house=lawn",
    "layout": "corners, tripod or auto",
    "rod": "where the rod pulls off the foot's middle: next=5mm,house=3mm; 0: in the middle",
    "kerf": "width of the saw's cut, like 2.5mm or 3/32; 0: pieces are split or snapped off",
}
"""Options of a run that can be changed later, each with what it takes."""


def set_option(site: Site, job: str, run: str, name: str, text: str) -> None:
    """Change an option of a run from what was typed; EntryError or UsageError, and nothing is changed."""
    now = site.run(job, run)
    word = text.strip().lower()
    changes: dict[str, Any]
    match name:
        case "tolerance":
            changes = {"tolerance": to_json(_tolerance(text, now))}
        case "rule":
            changes = {"rule": parse_setting("rule", word)}
        case "height":
            changes = {"height_mm": parse_height(text, now.units)}
        case "level":
            gauge_mm = None if word == "height" else parse_length(text, now.units, what="level")
            if gauge_mm is not None and not SHORTEST_MM <= gauge_mm <= LONGEST_MM:
                raise EntryError(
                    f"{word} is no level: from {SHORTEST_MM} mm up to {LONGEST_MM // 1000} m", at=0
                )
            changes = {"gauge_mm": gauge_mm}
        case "faces":
            changes = {"face_names": _face_names(word)}
        case "rod":
            at_mm = parse_rod_at(text, now.units, {face.value: name for face, name in now.faces.items()})
            changes = {"foot": to_json(check_foot(replace(now.foot, rod_at_mm=at_mm)))}
        case "kerf":
            changes = {"kerf_mm": parse_kerf(text, now.units)}
        case _:
            if word not in ("corners", "tripod", "auto"):
                raise UsageError(f"the layout can be corners, tripod or auto, not {text.strip()!r}")
            changes = {"layout": word}
    site.change_run(job, run, **changes)


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


# ---------------------------------------------------------------- its posts


def post_rows(marks: Iterable[Mark]) -> list[dict[str, Any]]:
    """`post-added` data of posts on their marks."""
    return [
        {"name": mark.name, "leg": mark.leg, "station_mm": mark.station_mm, "kind": mark.kind}
        | ({} if mark.turn_deg is None else {"turn_deg": mark.turn_deg})
        for mark in marks
    ]


@in_one_turn
def insert_post(site: Site, job: str, run: str, text: str, name: str | None = None) -> Place:
    """One more post between two others, at the station typed. EntryError, UsageError: nothing is changed."""
    now = site.run(job, run)
    with refused_in(now.units):
        name = None if name is None else check_name(name, "post")
        marks = layout.insert(now.marks, _station_mm(text, now), name)
    check_room(marks, now.foot, now.feet)
    (row,) = post_rows(mark for mark in marks if now.post(mark.name) is None)
    place = Place(job, run, row["name"])
    site.append(site.draft(place, "post-added", row))
    return place


@in_one_turn
def move_post(site: Site, place: Place, at: str) -> str:
    """Another station for a post, between its neighbours. EntryError or UsageError: nothing is changed."""
    site.post(place)
    now = site.run(place.job, place.run)
    station_mm = _station_mm(at, now)
    with refused_in(now.units):
        check_room(layout.move(now.marks, place.post, station_mm), now.foot, now.feet)
    site.append(site.draft(place, "post-moved", {"station_mm": station_mm}))
    return station_words(site, place)


def station_words(site: Site, place: Place) -> str:
    """Where a post stands, once it was put there."""
    station_mm = site.post(place).station_mm
    return f"post {place.post} stands at {shown.lean(station_mm, site.run(place.job, place.run).units)}"


@in_one_turn
def remove_post(site: Site, place: Place) -> str:
    """Take a post out of its run; the packs under it are in the box again.

    UsageError where it holds two legs, or where too few would be left.
    """
    packs = site.post(place).packs_in_place
    layout.remove(site.run(place.job, place.run).marks, place.post)
    site.append(*moving(site, place, packs, ()), site.draft(place, "post-removed", {}))
    back = "; its packs are in the box again" if packs else ""
    return f"post {place.post} is out of the run; its log is kept{back}"


@in_one_turn
def replace_post(site: Site, place: Place, foot: str | None, why: str) -> str:
    """Another post stands there from now on (foot: its own, None the same); returns what became of it.

    What was logged at the one before stays in the log; the packs under it are in the box again.
    """
    before, run = site.post(place), site.run(place.job, place.run)
    new = parse_foot(foot, run.units) if foot else before.foot
    why = why.strip()
    check_room(run.marks, run.foot, run.feet | {place.post: new})
    added = [
        event.data
        for event in site.journal.standing(("post-added",), place.job)
        if event.run == place.run and event.data["name"] == place.post
    ]
    data = {**added[-1], "station_mm": before.station_mm, "foot": to_json(new)}
    note = f"another post since {site.journal.now().date()}{': ' if why else ''}{why}"
    note += f"; the one before was {before.as_left}"
    drafts = [
        *moving(site, place, before.packs_in_place, ()),
        site.draft(place, "post-removed", {}),
        site.draft(place, "post-added", data),
        site.draft(place, "noted", {"text": note}),
    ]
    site.append(*drafts)
    return f"post {place.post} of {run.name} is another one now, to read; what was logged before is kept"


def _station_mm(text: str, run: RunState) -> float:
    return parse_length(text, run.units, what="station", zero_ok=True)
