"""A problem for planning as it stands in a file: checked, with the place of what can't be believed."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import fields
from typing import TYPE_CHECKING, Any

from shimfit.core.foot import check_foot
from shimfit.core.objective import Minutes
from shimfit.core.packing.options import Options, Saw
from shimfit.core.planning.geometry import PlanPost
from shimfit.core.stock import lots_from_rows
from shimfit.errors import EntryError, FileError, UsageError
from shimfit.model import Foot, Lean
from shimfit.quantities.tolerance import DEFAULT_TOLERANCE, parse_tolerance

if TYPE_CHECKING:
    from shimfit.model import Lot

LARGEST_MM = 1e5
"""A larger number in a problem is a slip, not a length of a post."""


def read_problem(problem: Mapping[str, Any]) -> tuple[tuple[PlanPost, ...], tuple[Lot, ...], Options]:
    """Posts, lots and options of a problem; FileError naming the place of what can't be believed."""
    if not isinstance(problem, Mapping):
        raise FileError("a problem is one JSON object with posts and stock")
    if problem.get("schema", 1) != 1:
        raise FileError(f"schema: this problem is of form {problem['schema']!r}; this version knows 1")
    options = _options(_table(problem, "options"), _table(problem, "saw"))
    stock = _rows(problem, "stock")
    lots = lots_from_rows(stock, "stock")
    posts = tuple(_post(row, f"posts[{k}]") for k, row in enumerate(_rows(problem, "posts")))
    seen: set[str] = set()
    for k, post in enumerate(posts):
        if post.name in seen:
            raise FileError(f"posts[{k}].id: there are two posts {post.name}")
        seen.add(post.name)
    return posts, lots, options


def _post(row: Mapping[str, Any], where: str) -> PlanPost:
    if not isinstance(row, Mapping):
        raise FileError(f"{where}: a post is an object")
    name = row.get("id")
    if not isinstance(name, str | int) or isinstance(name, bool) or not str(name).strip():
        raise FileError(f"{where}.id: a post needs a name")
    rod_at = row.get("rod_at_mm", [0.0, 0.0])
    if not isinstance(rod_at, Sequence) or isinstance(rod_at, str) or len(rod_at) != 2:
        raise FileError(f"{where}.rod_at_mm: give two numbers, along and across")
    foot = Foot(
        _number(row, "foot_along_mm", where, least=0.0),
        _number(row, "foot_across_mm", where, least=0.0),
        bool(row.get("round", False)),
        _number({"rod_hole_mm": 14.0, **row}, "rod_hole_mm", where, least=None),
        (
            _number(dict(enumerate(rod_at)), 0, f"{where}.rod_at_mm"),
            _number(dict(enumerate(rod_at)), 1, where),
        ),
    )
    per_direction = row.get("per_direction", False)
    if not isinstance(per_direction, bool):
        raise FileError(f"{where}.per_direction: is true or false")
    try:
        check_foot(foot)
        tolerance = parse_tolerance(str(row.get("tolerance", DEFAULT_TOLERANCE)), per_direction)
    except EntryError as error:
        raise FileError(f"{where}: {error.message}") from error
    height_mm = _number(row, "height_mm", where, least=0.0)
    aim = None
    if row.get("aim_along_mm") or row.get("aim_across_mm"):
        aims = [_number({name: 0.0, **row}, name, where) for name in ("aim_along_mm", "aim_across_mm")]
        aim = Lean(aims[0] / height_mm, aims[1] / height_mm)
        if not tolerance.holds(aim, height_mm):
            raise FileError(f"{where}.aim_across_mm: the aim itself is out of the tolerance")
    lean = Lean(_number(row, "slope_along", where), _number(row, "slope_across", where))
    if lean.magnitude > 1.0:
        raise FileError(f"{where}.slope_along: a post that leans more than 45° isn't a guard post")
    return PlanPost(str(name), foot, height_mm, lean, tolerance, aim)


def _options(reported: Mapping[str, Any], saw: Mapping[str, Any]) -> Options:
    plain = Options()
    clamp = reported.get("clamp", {})
    if not isinstance(clamp, Mapping):
        raise FileError("options.clamp: is an object with preload_mm")
    angles = saw.get("settings_deg", [])
    if not isinstance(angles, Sequence) or isinstance(angles, str):
        raise FileError("saw.settings_deg: is a list of angles in degrees")
    degrees = tuple(_number(dict(enumerate(angles)), k, "saw.settings_deg") for k in range(len(angles)))
    usual = plain.saw
    pieces = reported.get("max_pieces", plain.max_pieces)
    if not isinstance(pieces, int) or isinstance(pieces, bool):
        raise FileError(f"options.max_pieces: {pieces!r} isn't a whole number")
    stands_at = saw.get("stands_at_deg")
    prices = reported.get("minutes", {})
    if not isinstance(prices, Mapping):
        raise FileError("options.minutes: is an object with prices in minutes, like round and piece")
    known = {one.name: getattr(plain.minutes, one.name) for one in fields(Minutes)}
    unknown = [name for name in prices if name not in known]
    if unknown:
        raise FileError(f"options.minutes.{unknown[0]}: there is no such price; there are {', '.join(known)}")
    minutes = {name: _number({**known, **prices}, name, "options.minutes") for name in known}
    for name, value in minutes.items():
        if value < 0.0:
            raise FileError(f"options.minutes.{name}: has to be 0 or more, not {value:g}")
    try:
        return Options(
            objective=reported.get("objective", plain.objective),
            minutes=Minutes(**minutes),
            min_inside_mm=_number(
                {"min_inside_mm": plain.min_inside_mm, **reported}, "min_inside_mm", "options"
            ),
            layout=reported.get("layout", plain.layout),
            max_pieces=pieces,
            bearing_mm=_number({"bearing_mm": plain.bearing_mm, **reported}, "bearing_mm", "options"),
            bearing_point=reported.get("bearing_point", plain.bearing_point),
            preload_mm=_number({"preload_mm": plain.preload_mm, **clamp}, "preload_mm", "options.clamp"),
            saw=Saw(
                tuple(dict.fromkeys(degrees)),
                _number({"kerf_mm": usual.kerf_mm, **saw}, "kerf_mm", "saw"),
                _number({"hold_mm": usual.hold_mm, **saw}, "hold_mm", "saw"),
                _number({"min_thin_mm": usual.min_thin_mm, **saw}, "min_thin_mm", "saw"),
                None if stands_at is None else _number(saw, "stands_at_deg", "saw"),
            ),
        )
    except UsageError as error:
        raise FileError(f"options: {error.message}") from error


def _number(row: Mapping[Any, Any], key: Any, where: str, least: float | None = None) -> float:
    """A finite number; with `least`, one above it."""
    value = row.get(key)
    place = f"{where}.{key}" if isinstance(key, str) else f"{where}[{key}]"
    if isinstance(value, bool) or not isinstance(value, int | float):
        said = "is missing" if value is None else f"{value!r} isn't a number"
        raise FileError(f"{place}: {said}")
    if not math.isfinite(value) or abs(value) > LARGEST_MM:
        raise FileError(f"{place}: {value!r} isn't a length or slope of a post")
    if least is not None and value <= least:
        raise FileError(f"{place}: has to be more than {least:g}, not {value:g}")
    return float(value)


def _rows(problem: Mapping[str, Any], key: str) -> Sequence[Mapping[str, Any]]:
    rows = problem.get(key)
    if not isinstance(rows, list):
        raise FileError(f"{key}: is missing" if rows is None else f"{key} must be a list")
    for k, row in enumerate(rows):
        if not isinstance(row, Mapping):
            raise FileError(f"{key}[{k}] must be an object")
    return rows


def _table(problem: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    table = problem.get(key, {})
    if not isinstance(table, Mapping):
        raise FileError(f"{key} must be an object")
    return table
