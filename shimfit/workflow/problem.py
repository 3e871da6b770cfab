"""A problem for planning as it stands in a file: checked, with the place of what can't be believed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, replace
from typing import TYPE_CHECKING, Annotated, Any

from shimfit import codec
from shimfit.core.foot import check_foot
from shimfit.core.objective import Minutes
from shimfit.core.packing.options import Options, Saw
from shimfit.core.planning.geometry import PlanPost
from shimfit.core.stock import lots_from_rows
from shimfit.errors import EntryError, FileError, UsageError
from shimfit.model import Foot, Lean, Within
from shimfit.quantities.typed import DEFAULT_TOLERANCE, parse_tolerance

if TYPE_CHECKING:
    from shimfit.model import Lot

LARGEST_MM = 1e5
"""A larger number in a problem is a slip, not a length of a post."""
_Figure = Annotated[float, Within("a length or slope of a post", -LARGEST_MM, LARGEST_MM)]
_Length = Annotated[float, Within("a length of a post, more than 0", 1e-9, LARGEST_MM)]
_POST = {
    "id": Any,
    "foot_along_mm": _Length,
    "foot_across_mm": _Length,
    "height_mm": _Length,
    "slope_along": _Figure,
    "slope_across": _Figure,
    "round?": bool,
    "rod_hole_mm?": _Figure,
    "rod_at_mm?": tuple[_Figure, _Figure],
    "tolerance?": Any,
    "per_direction?": bool,
    "aim_along_mm?": _Figure | None,
    "aim_across_mm?": _Figure | None,
}
_PRICES = tuple(one.name for one in fields(Minutes))
_OPTIONS = {
    "objective?": Any,  # of older programs, which had two
    "minutes?": Mapping[str, Annotated[float, Within("0 or more", 0.0, LARGEST_MM)]],
    "min_inside_mm?": _Figure,
    "layout?": Any,
    "max_pieces?": int,
    "bearing_mm?": _Figure,
    "bearing_point?": Any,
    "clamp?": {"preload_mm?": _Figure},
}
_SAW = {
    "settings_deg?": tuple[_Figure, ...],
    "kerf_mm?": _Figure,
    "hold_mm?": _Figure,
    "min_thin_mm?": _Figure,
    "stands_at_deg?": _Figure | None,
}
_PROBLEM = {
    "posts": codec.list_of(codec.shape(_POST)),
    "stock": tuple[Mapping[str, Any], ...],
    "options?": _OPTIONS,
    "saw?": _SAW,
}


def read_problem(problem: Mapping[str, Any]) -> tuple[tuple[PlanPost, ...], tuple[Lot, ...], Options]:
    """Posts, lots and options of a problem; FileError naming the place of what can't be believed."""
    if not isinstance(problem, Mapping):
        raise FileError("a problem is one JSON object with posts and stock")
    if problem.get("schema", 1) != 1:
        raise FileError(f"schema: this problem is of form {problem['schema']!r}; this version knows 1")
    if fault := codec.fault(_PROBLEM, problem):
        raise FileError(fault)
    given = codec.read(_PROBLEM, problem)
    options = _options(given.get("options", {}), given.get("saw", {}))
    lots = lots_from_rows(given["stock"], "stock")
    posts = tuple(_post(row, f"posts[{k}]") for k, row in enumerate(given["posts"]))
    seen: set[str] = set()
    for k, post in enumerate(posts):
        if post.name in seen:
            raise FileError(f"posts[{k}].id: there are two posts {post.name}")
        seen.add(post.name)
    return posts, lots, options


def _post(row: Mapping[str, Any], where: str) -> PlanPost:
    name = row["id"]
    if not isinstance(name, str | int) or isinstance(name, bool) or not str(name).strip():
        raise FileError(f"{where}.id: a post needs a name")
    beside = {key: row[key] for key in ("round", "rod_hole_mm", "rod_at_mm") if key in row}
    foot, height_mm = Foot(row["foot_along_mm"], row["foot_across_mm"], **beside), row["height_mm"]
    try:
        check_foot(foot)
        text = str(row.get("tolerance", DEFAULT_TOLERANCE))
        tolerance = parse_tolerance(text, row.get("per_direction", False))
    except EntryError as error:
        raise FileError(f"{where}: {error.message}") from error
    aims_mm = [row.get(key) or 0.0 for key in ("aim_along_mm", "aim_across_mm")]
    aim = Lean(*(aim_mm / height_mm for aim_mm in aims_mm)) if any(aims_mm) else None
    if aim is not None and not tolerance.holds(aim, height_mm):
        raise FileError(f"{where}.aim_across_mm: the aim itself is out of the tolerance")
    lean = Lean(row["slope_along"], row["slope_across"])
    if lean.magnitude > 1.0:
        raise FileError(f"{where}.slope_along: a post that leans more than 45° isn't a guard post")
    return PlanPost(str(name), foot, height_mm, lean, tolerance, aim)


def remarks_on(problem: Mapping[str, Any]) -> list[str]:
    """What a problem that was read asks for and is not done as it says, a sentence each."""
    if problem.get("options", {}).get("objective", "minutes") == "minutes":
        return []
    return ["options.objective: weights are not counted any more; packs are chosen by minutes"]


def _options(given: dict[str, Any], saw: dict[str, Any]) -> Options:
    """Options that are given, the rest as usual."""
    if (named := given.pop("objective", "minutes")) not in ("minutes", "weights"):
        raise FileError(f"options.objective: there is no objective {named!r}; packs are chosen by minutes")
    prices = given.pop("minutes", {})
    if unknown := [name for name in prices if name not in _PRICES]:
        there_are = ", ".join(_PRICES)
        raise FileError(f"options.minutes.{unknown[0]}: there is no such price; there are {there_are}")
    if "cut" in prices:  # a problem that knows one price of a cut means both
        prices = {"tip_cut": prices["cut"]} | prices
    usual = Options()
    try:
        return replace(
            usual,
            **given.pop("clamp", {}),
            **given,
            minutes=replace(usual.minutes, **{name: float(value) for name, value in prices.items()}),
            saw=Saw(**saw | {"settings_deg": tuple(dict.fromkeys(saw.get("settings_deg", ())))}),
        )
    except UsageError as error:
        raise FileError(f"options: {error.message}") from error
