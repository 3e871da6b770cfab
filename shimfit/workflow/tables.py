"""Posts and readings as tables: CSV in, CSV out, units in the headers. A table is taken whole or not at all.

Posts: `post, station_mm` and, where they differ from the run's, `leg, kind, foot, height_mm, tolerance,
per_direction (yes, no), turn_deg, rod_hole_mm` and where the rod pulls, `rod_along_mm, rod_across_mm`.
Readings: `post, entry` and, where there is something to say, `stage (bed, again), instrument, by, face`. An
entry is what would be typed at the post, in the same grammar. Any `_mm` header may be `_in` instead.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from typing import Any

from shimfit import csvfile
from shimfit.codec import to_json
from shimfit.core.stock import lots_from_csv
from shimfit.csvfile import Row
from shimfit.entry import parse_reading
from shimfit.errors import EntryError, FileError, UsageError
from shimfit.model import Reading, Tolerance
from shimfit.quantities.typed import (
    DEFAULT_TOLERANCE,
    decimal_number,
    parse_foot,
    parse_length,
    parse_tolerance,
)
from shimfit.settings import Units
from shimfit.standing import PostRecord, RunState, one_lean
from shimfit.store.post import completed
from shimfit.workflow.packs import parse_face
from shimfit.workflow.reading import (
    Asked,
    Logged,
    check_again,
    log_all,
    looks_like_a_slip,
    second_look,
    typed_reading,
)
from shimfit.workflow.site import Place, Site, check_name

KINDS = ("line", "corner", "end")
POSTS = (
    *("post", "leg", "station_mm", "kind", "foot", "height_mm", "tolerance", "per_direction", "turn_deg"),
    *("rod_hole_mm", "rod_along_mm", "rod_across_mm", "state", "entry"),
)
"""Columns of a table of posts; state and entry tell of an export, and are passed over when it is read."""
READINGS = ("post", "entry", "stage", "instrument", "by", "face")


def posts_from_csv(
    text: str, file: str, units: Units, tolerance: Tolerance | None = None
) -> list[dict[str, Any]]:
    """`post-added` data of a table of posts, in the table's order; FileError names line and column.

    tolerance: the run's; a row that does not say whether each direction counts by itself takes it from there.
    """
    found: dict[str, dict[str, Any]] = {}
    for row in csvfile.rows(text, file, ("post", "station_mm"), POSTS):
        try:
            name = check_name(row.cells.get("post", ""), "post")
        except UsageError as error:
            raise row.refuse("post", error.message) from error
        if name in found:
            raise row.refuse("post", f"post {name} is in the table twice")
        found[name] = {"name": name} | _post(row, units, tolerance or parse_tolerance(DEFAULT_TOLERANCE))
    if not found:
        raise FileError(f"{file} has no posts")
    return list(found.values())


def _post(row: Row, units: Units, run: Tolerance) -> dict[str, Any]:
    cells = row.cells
    leg, kind = cells.get("leg", "1"), cells.get("kind", "line")
    if not leg.isascii() or not leg.isdigit():
        raise row.refuse("leg", f"{leg!r} isn't a whole number")
    if len(leg) > len(str(csvfile.MOST_LINES)):
        raise row.refuse("leg", f"{leg[:12]}… is no leg of a run")
    if kind not in KINDS:
        raise row.refuse("kind", f"{kind!r} is not one of {', '.join(KINDS)}")
    data: dict[str, Any] = {"leg": int(leg), "kind": kind}
    column = "foot"
    try:
        if "foot" in cells:
            data["foot"] = _foot(row, units)
        column = "tolerance"
        if "tolerance" in cells or "per_direction" in cells:
            said = cells.get("per_direction", "yes" if run.per_direction else "no").lower()
            if said not in ("yes", "no"):
                raise row.refuse("per_direction", f"{said!r} is not yes or no")
            usual = replace(run, per_direction=said == "yes")
            text = cells.get("tolerance")
            own = parse_tolerance(text, usual.per_direction, units) if text else usual
            if text or own != run:
                data["tolerance"] = to_json(own)
        for column in ("station_mm", "height_mm"):
            length = _length(row, column)
            if length is not None:
                data[column] = length
    except EntryError as error:
        raise row.refuse(column, error.message) from error
    if "turn_deg" in cells:
        data["turn_deg"] = turn = decimal_number(cells["turn_deg"])
        if kind != "corner" or not 0.0 < abs(turn) < 180.0:
            why = "only a corner turns, and by an angle under 180 degrees (+ towards out)"
            raise row.refuse("turn_deg", why)
    if "station_mm" not in data:
        raise row.refuse("station_mm", "the station is missing")
    return data


def _foot(row: Row, units: Units) -> dict[str, Any]:
    hole_mm = _length(row, "rod_hole_mm")
    foot = parse_foot(row.cells["foot"], units, rod_hole_mm=14.0 if hole_mm is None else hole_mm)
    at_mm = []
    for column in ("rod_along_mm", "rod_across_mm"):
        at_mm.append(decimal_number(row.cells.get(column, "0")))
        if not abs(at_mm[-1]) < 1000.0:
            raise row.refuse(column, csvfile.number_fault(row.cells[column]))
    data: dict[str, Any] = to_json(foot)
    return data | {"rod_at_mm": at_mm}


def _length(row: Row, column: str) -> float | None:
    zero_ok = column in ("station_mm", "rod_hole_mm")
    inches = column.replace("_mm", "_in")
    if column in row.cells:
        if not math.isfinite(decimal_number(row.cells[column])):
            raise row.refuse(column, csvfile.number_fault(row.cells[column]))
        return parse_length(f"{row.cells[column]}mm", "mm", what=column, zero_ok=zero_ok)
    if inches in row.cells:
        return parse_length(f'{row.cells[inches]}"', "inch", what=inches, zero_ok=zero_ok)
    return None


def log_readings(site: Site, job: str, run: str, text: str, file: str, *, sure: bool) -> tuple[Logged, ...]:
    """Log a table of readings once every line was understood; FileError names the line, none is logged.

    All of them are on disk before any is answered, and one plan shares the box out among them.
    """
    state = site.run(job, run)
    settings = site.entry_settings(state)
    known = tuple(dict.fromkeys((*READINGS, *POSTS)))
    table = list(csvfile.rows(text, file, ("post", "entry"), known))
    said: list[tuple[Place, str, Asked]] = []
    halves: dict[Place, Reading | None] = {}
    wholes: dict[Place, tuple[Reading, int | None]] = {}
    for row in table:
        cell = row.cells.get
        post = state.post(cell("post", ""))
        if post is None:
            raise row.refuse("post", f"there is no post {cell('post', '')!r} in {job}/{run}")
        place, stage = Place(job, run, post.name), cell("stage") or ""
        if stage not in ("", "bed", "again"):
            other = "or again, read once more with no pack in yet; leave it empty for a post that stands"
            raise row.refuse("stage", f"{stage!r} is not bed ({other})")
        try:
            face = parse_face(cell("face", ""), settings.faces) if cell("face") else None
        except UsageError as error:
            raise row.refuse("face", error.message) from error
        who = cell("by"), cell("instrument")
        asked = Asked(stage == "bed", again=stage == "again", by=who[0], instrument=who[1], face=face)
        try:
            parsed = parse_reading(cell("entry", ""), settings)
            if half := halves.get(place):
                post = replace(post, half=half)
            now = typed_reading(site, place, post, parsed, asked)
            whole = completed(post.half, now)
            if place in wholes and not asked.bed:
                asked = replace(asked, again=asked.again or _is_repeat(whole, *wholes[place], sure=sure))
            elif question := None if sure else second_look(site, place, post, parsed, asked):
                raise looks_like_a_slip(question, again="again in the column stage")
            check_again(post, now, asked, in_turn=place in wholes)
            halves[place] = now if whole is None else None
            if whole is not None:
                wholes[place] = whole, row.line
        except EntryError as error:
            at = f" (after {error.at} characters)" if error.at else ""
            raise row.refuse("entry", f"{error.message}{at}") from error
        said.append((place, cell("entry", ""), asked))
    return log_all(site, said)


def _is_repeat(whole: Reading | None, first: Reading, line: int | None, *, sure: bool) -> bool:
    """True where a reading is once more that of an earlier line of the same post.

    A table is read at one sitting: EntryError where the two can't be of one lean and it is not `sure` that
    packs went in between.
    """
    if whole is None or one_lean(first, whole):
        return whole is not None
    if not sure:
        between = "a table is read at one sitting. Give what was read after packing by itself, or add --sure"
        raise EntryError(f"line {line} says {first.text} of the same post, of another lean: {between}", at=0)
    return False


def posts_to_csv(run: RunState) -> str:
    """Posts of a run as a table that `posts_from_csv` reads back, with the latest reading as it was typed."""
    return csvfile.text_of([POSTS, *(_cells(post) for post in run.posts)])


def _cells(post: PostRecord) -> tuple[object, ...]:
    foot = post.foot
    sides = (foot.along_mm,) if foot.round else (foot.along_mm, foot.across_mm)
    return (
        post.name,
        post.leg,
        _exactly(post.station_mm),
        post.kind,
        ("d" if foot.round else "") + "x".join(map(_exactly, sides)) + "mm",
        _exactly(post.height_mm),
        post.tolerance.text,
        "yes" if post.tolerance.per_direction else "no",
        None if post.turn_deg is None else _exactly(post.turn_deg),
        _exactly(foot.rod_hole_mm),
        *(_exactly(mm) for mm in foot.rod_at_mm),
        str(post.state),
        post.readings[-1].text if post.readings else None,
    )


def _exactly(number: float) -> str:
    """Every digit, and no power of ten: a cell is typed lengths' grammar."""
    return f"{Decimal(repr(number)):f}"


def load_lots(site: Site, path: Path, is_stopped: Callable[[], bool] = bool) -> str:
    """Put the lots of a stock file in the box; raises FileError naming line and column, nothing taken.

    is_stopped: asked before anything is taken; UsageError where it says so.
    """
    lots = lots_from_csv(csvfile.file_text(path), path.name)
    if is_stopped():
        raise UsageError(f"stopped: nothing was taken from {path.name}")
    site.import_stock(lots, path.name)
    return f"{len(lots)} lots from {path.name}"
