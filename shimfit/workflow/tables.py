"""Posts and readings as tables: CSV in, CSV out, units in the headers. A table is taken whole or not at all.

Posts: `post, station_mm` and, where they differ from the run's, `leg, kind, foot, height_mm,
tolerance, turn_deg`.
Readings: `post, entry` and, where there is something to say, `stage (bed), instrument, by, face`. An entry is
what would be typed at the post, in the same grammar. Any `_mm` header may be `_in` instead.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from shimfit.contract import foot_to_json, tolerance_to_json
from shimfit.core.tolerance import parse_tolerance
from shimfit.entry import hear, parse_foot, parse_length
from shimfit.entry.second_look import looks_like_a_slip
from shimfit.errors import EntryError, FileError, UsageError
from shimfit.workflow.place import Place, check_name
from shimfit.workflow.reading import Asked, Logged, second_look

if TYPE_CHECKING:
    from shimfit.settings import Units
    from shimfit.store.state import RunState
    from shimfit.workflow.site import Site

KINDS = ("line", "corner", "end")


@dataclass(frozen=True, slots=True)
class Row:
    """One line of a table, cells by header; empty cells are left out."""

    file: str
    line: int
    cells: Mapping[str, str]

    def refuse(self, column: str | None, reason: str) -> FileError:
        """The refusal that names file, line and column."""
        where = f"{self.file}, line {self.line}" + (f", {column}" if column else "")
        return FileError(
            f"{where}: {reason}; nothing was taken in", path=self.file, line=self.line, column=column
        )


def rows(text: str, file: str, required: Iterable[str]) -> list[Row]:
    """Rows of a CSV with a header; FileError: an empty file, a missing column, a line too long or short."""
    lines = list(csv.reader(io.StringIO(text, newline=""), strict=False))
    if not lines:
        raise FileError(f"{file} is empty: a header line is wanted first", path=file, line=1)
    header = [name.strip().lower() for name in lines[0]]
    for name in required:
        inches = name.replace("_mm", "_in")
        if name not in header and inches not in header:
            raise FileError(f"{file}, line 1: there is no column {name}", path=file, line=1, column=name)
    found = []
    for number, cells in enumerate(lines[1:], 2):
        if not any(cell.strip() for cell in cells):
            continue
        if len(cells) != len(header):
            raise FileError(
                f"{file}, line {number}: {len(cells)} cells where the header has {len(header)}; "
                "nothing was taken in",
                path=file,
                line=number,
            )
        told = {name: cell.strip() for name, cell in zip(header, cells, strict=True) if cell.strip()}
        found.append(Row(file, number, told))
    return found


def posts_from_csv(text: str, file: str, units: Units) -> list[dict[str, Any]]:
    """`post-added` data of a table of posts, in the table's order; FileError names line and column."""
    found: list[dict[str, Any]] = []
    names: set[str] = set()
    for row in rows(text, file, ("post", "station_mm")):
        try:
            name = check_name(row.cells.get("post", ""), "post")
        except UsageError as error:
            raise row.refuse("post", error.message) from error
        if name in names:
            raise row.refuse("post", f"post {name} is in the table twice")
        names.add(name)
        found.append(_post(row, name, units))
    if not found:
        raise FileError(f"{file} has no posts", path=file)
    return found


def _post(row: Row, name: str, units: Units) -> dict[str, Any]:
    leg = row.cells.get("leg", "1")
    if not leg.isascii() or not leg.isdigit():
        raise row.refuse("leg", f"{leg!r} is no whole number")
    kind = row.cells.get("kind", "line")
    if kind not in KINDS:
        raise row.refuse("kind", f"{kind!r} is not one of {', '.join(KINDS)}")
    data: dict[str, Any] = {"name": name, "leg": int(leg), "kind": kind}
    column = "foot"
    try:
        if "foot" in row.cells:
            data["foot"] = foot_to_json(parse_foot(row.cells["foot"], units))
        column = "tolerance"
        if "tolerance" in row.cells:
            data["tolerance"] = tolerance_to_json(parse_tolerance(row.cells["tolerance"], units=units))
        for column in ("station_mm", "height_mm"):
            length = _length(row, column)
            if length is not None:
                data[column] = length
    except EntryError as error:
        raise row.refuse(column, error.message) from error
    if "turn_deg" in row.cells:
        data["turn_deg"] = _turn(row, kind)
    if "station_mm" not in data:
        raise row.refuse("station_mm", "the station is missing")
    return data


def _turn(row: Row, kind: str) -> float:
    try:
        deg = float(row.cells["turn_deg"])
    except ValueError:
        deg = math.nan
    if kind != "corner" or not math.isfinite(deg) or not 0.0 < abs(deg) < 180.0:
        raise row.refuse("turn_deg", "only a corner turns, and by an angle under 180 degrees (+ towards out)")
    return deg


def _length(row: Row, column: str) -> float | None:
    zero_ok = column == "station_mm"
    if column in row.cells:
        return parse_length(f"{row.cells[column]}mm", "mm", what=column, zero_ok=zero_ok)
    inches = column.replace("_mm", "_in")
    if inches in row.cells:
        return parse_length(f'{row.cells[inches]}"', "inch", what=inches, zero_ok=zero_ok)
    return None


def log_readings(site: Site, job: str, run: str, text: str, file: str, *, sure: bool) -> tuple[Logged, ...]:
    """Log a table of readings once every line was understood; FileError names the line, none is logged."""
    state = site.run(job, run)
    settings = site.entry_settings(state)
    table = rows(text, file, ("post", "entry"))
    for row in table:
        post = state.post(row.cells.get("post", ""))
        if post is None:
            raise row.refuse("post", f"there is no post {row.cells.get('post', '')!r} in {job}/{run}")
        if row.cells.get("stage", "bed") != "bed":
            raise row.refuse(
                "stage", f"{row.cells['stage']!r} is not bed (leave it empty for a post that stands)"
            )
        try:
            heard = hear(row.cells.get("entry", ""), settings)
            doubt = None if sure else second_look(post, heard)
            if doubt is not None:
                raise looks_like_a_slip(doubt)
        except EntryError as error:
            at = "" if error.at is None else f" (after {error.at} characters)"
            raise row.refuse("entry", f"{error.message}{at}") from error
    logged = []
    for row in table:
        asked = Asked(
            bed=row.cells.get("stage") == "bed",
            instrument=row.cells.get("instrument"),
            by=row.cells.get("by"),
            face=row.cells.get("face"),
        )
        place = Place(job, run, row.cells["post"])
        logged.append(site.log_reading(place, row.cells["entry"], asked, sure=True))
    return tuple(logged)


def posts_to_csv(run: RunState) -> str:
    """Posts of a run as a table that `posts_from_csv` reads back, with the latest reading as it was typed."""
    out = io.StringIO(newline="")
    table = csv.writer(out, lineterminator="\r\n")
    header = ["post", "leg", "station_mm", "kind", "foot", "height_mm", "tolerance", "state", "entry"]
    table.writerow([*header, "turn_deg"])
    for post in run.posts:
        table.writerow(
            [
                post.name,
                post.leg,
                repr(post.station_mm),
                post.kind,
                post.foot.text,
                repr(post.height_mm),
                post.tolerance.text,
                str(post.state),
                post.readings[-1].text if post.readings else "",
                "" if post.turn_deg is None else repr(post.turn_deg),
            ]
        )
    return out.getvalue()
