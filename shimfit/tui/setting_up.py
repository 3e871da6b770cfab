"""Setting up from single lines, on screen and in plain mode: a new run, its posts, a new lot."""

from __future__ import annotations

import re
from functools import partial
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from shimfit.core.layout import lay_out
from shimfit.core.stock import THICKEST_MM, lot_from_row
from shimfit.errors import EntryError, UsageError
from shimfit.model import FORMS, Lot
from shimfit.quantities import shown
from shimfit.quantities.typed import (
    DEFAULT_TOLERANCE,
    decimal_number,
    parse_foot,
    parse_height,
    parse_leg,
    parse_length,
    parse_spacing,
    parse_tolerance,
    whole_number,
)
from shimfit.workflow.site import Site, check_room

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Mapping

    from shimfit.core.layout import Mark
    from shimfit.quantities.typed import Units
    from shimfit.standing import RunState


# ---------------------------------------------------------------- a run

_UNITS: dict[str, Units] = {"mm": "mm", "inch": "inch", "in": "inch", "inches": "inch", '"': "inch"}
_AFTER_A_TURN = re.compile(r"(@\s*[-+]?[\d.]+\s*(?:deg|°)?)\s+(?=\d)")
_INCHES = r"\d[\d\s/.-]*(?:[\"″”]|in)"
_BETWEEN_LEGS = re.compile(
    rf"""
      \s*[,;]\s*
    | (?<=[A-Za-z\d"'])\s*\+\s*
    | (?<=[A-SU-Za-su-z"])\s+(?=\d)
    | (?<=[Tt'])\s+(?=\d)(?!{_INCHES})   # 12' 6" is one length
    """,
    re.VERBOSE,
)


def _unit(text: str, units: Units) -> Units:
    given = text.strip().lower()
    if given and given not in _UNITS:
        raise EntryError("a reading is in mm or in inch; each can name another unit", at=0)
    return _UNITS.get(given, units)


def _name(of: str, text: str, _units: Units) -> str:
    name = text.strip()
    if not name or "/" in name:
        raise EntryError(f"the name of a {of} is not empty and has no slash in it", at=0)
    return name


def _legs(text: str, units: Units) -> list[tuple[float, float | None]]:
    """Each leg's length in mm and how far the run turns before it; None: a right angle."""
    parts = [part for part in _BETWEEN_LEGS.split(_AFTER_A_TURN.sub(r"\1, ", text.strip())) if part]
    legs = [parse_leg(part, units) for part in parts or [text]]
    if legs[0][1] is not None:
        raise EntryError("the first leg has no corner before it: the angle goes with the leg after it", at=0)
    return legs


_LEGS = "length of each leg: {}; {} turns 45 deg to the house"
_STEPS: dict[str, tuple[str, str, Callable[[str, Units], Any]]] = {
    "units": ("what you read in: mm or inch; Enter: {units}", "", _unit),
    "job": ("name of the job, like lakeside", "", partial(_name, "job")),
    "run": ("name of the run, like boardwalk", "", partial(_name, "run")),
    "legs": (_LEGS.format("9.6m 4.8m", "4.8m@-45"), _LEGS.format("32ft 16ft", "16ft@-45"), _legs),
    "every": (
        "greatest spacing of the posts, like 1.2m",
        "greatest spacing of the posts, like 48in",
        parse_spacing,
    ),
    "foot": (
        "foot, along x across: 90x90mm, d90mm",
        "foot, along x across: 3-1/2x3-1/2in, d3-1/2in",
        parse_foot,
    ),
    "height": (
        "height that you read at, above the foot: 1000mm",
        "height that you read at, above the foot: 44in",
        parse_height,
    ),
    "tolerance": (
        "how far out is allowed: 1:500, 3mm/1m; Enter: 1:500",
        "how far out is allowed: 1:500, 1/8 over 40; Enter: 1:500",
        lambda text, units: parse_tolerance(text.strip() or DEFAULT_TOLERANCE, units=units),
    ),
}
"""What a new run asks for, in order: hint, the one in inches where it is another, what takes the answer."""


def units_of(site: Site, answers: Mapping[str, str]) -> Units:
    """The unit of a bare number: the job's own, else what was answered, else the setting."""
    known = {one.name: one.units for one in site.jobs()}
    answered = _UNITS.get(answers.get("units", "").strip().lower(), site.settings.units)
    return known.get(answers.get("job", "").strip(), answered)


def run_steps(site: Site, answers: Mapping[str, str]) -> tuple[tuple[str, str], ...]:
    """What a new run asks for, in order: key, and hint with examples in the unit of a bare number.

    The first job of a data file is asked for its unit too.
    """
    inch, is_first = units_of(site, answers) == "inch", all(one.sample for one in site.jobs())
    return tuple(
        (key, (in_inches if inch and in_inches else hint).format(units=site.settings.units))
        for key, (hint, in_inches, _) in _STEPS.items()
        if key != "units" or is_first
    )


def check_answer(site: Site, key: str, text: str, answers: Mapping[str, str]) -> Any:
    """Refuse one answer of run_steps as soon as it is typed, or say what it means; EntryError or UsageError.

    answers: those before it.
    """
    meant = _STEPS[key][2](text, units_of(site, answers))
    job = answers.get("job", "").strip()
    if key == "run" and any(meant in one.runs for one in site.jobs() if one.name == job):
        raise UsageError(f"there is a run {job}/{meant} already; give this one another name")
    if key == "foot":
        check_room(preview_marks(site, answers), meant, {})
    return meant


def preview_marks(site: Site, answers: Mapping[str, str]) -> tuple[Mark, ...]:
    """The posts that the answers so far lay out; none yet: none."""
    if not answers.get("legs") or not answers.get("every"):
        return ()
    legs, every_mm = (check_answer(site, key, answers[key], answers) for key in ("legs", "every"))
    return tuple(lay_out([mm for mm, _ in legs], every_mm, [deg for _, deg in legs[1:]]))


def _new_run(site: Site, answers: Mapping[str, str]) -> dict[str, Any]:
    """What each answer means; EntryError or UsageError."""
    return {key: check_answer(site, key, answers[key], answers) for key in _STEPS if key != "units"}


def preview_words(site: Site, answers: Mapping[str, str]) -> str:
    """What would be laid out: `8 posts, 1.2 m apart at most, corner at post 5`; EntryError or UsageError."""
    _new_run(site, answers)
    marks, units = preview_marks(site, answers), units_of(site, answers)
    apart_mm = max(after.station_mm - before.station_mm for before, after in pairwise(marks))
    corners = [mark.name for mark in marks if mark.kind == "corner"]
    posts = f"{len(marks)} posts, {shown.tape(apart_mm, units)} apart at most"
    at = "corner at post" if len(corners) == 1 else "corners at posts"
    return f"{posts}, {at} {', '.join(corners)}" if corners else posts


def add_run(site: Site, answers: Mapping[str, str]) -> RunState:
    """Lay out a run from what was typed for each of run_steps; begins the job if there is none of that name.

    Raises EntryError or UsageError in the words of what is wrong; nothing is written then.
    """
    from shimfit.workflow.layout import post_rows

    new, marks, units = _new_run(site, answers), preview_marks(site, answers), units_of(site, answers)
    if all(one.name != new["job"] for one in site.jobs()):
        if units != site.settings.units:
            site.set("units", units)
        site.add_job(new["job"])
    return site.add_run(
        new["job"],
        new["run"],
        foot=new["foot"],
        height_mm=new["height"],
        tolerance=new["tolerance"],
        posts=post_rows(marks),
        max_spacing_mm=new["every"],
    )


# ---------------------------------------------------------------- a lot

_LOT_HINTS: dict[Units, str] = {
    "mm": "thicknesses: 1.5 x4, 2 x6; or taper 0.5 6 200 x2; strip 600 40 12",
    "inch": "thicknesses: 1/16 x4, 1/8 x6; or taper 1/32 5/16 7 x2; strip 24 1-1/2 1/2",
}
_BETWEEN_LOTS = re.compile(r"[;\n]|,(?=\s|$)")
THICKEST_BARE_IN = 0.75
"""A bare number of inches above this is asked about where it is a pack's thickness: 1.5 is meant in mm."""
_COUNT = re.compile(r"^[x×](\d+)$", re.IGNORECASE)
_COUNT_APART = re.compile(r"(?<!\S)([x×])\s+(?=\d+(?![^\s,;]))", re.IGNORECASE)
_UNCOUNTED = re.compile(r"(?<!\S)[x×](?![^\s,;])", re.IGNORECASE)


def lot_hint(units: Units) -> str:
    """How lots are typed, in the unit that a bare number has."""
    return _LOT_HINTS[units]


def parse_lots(text: str, units: Units, taken: Collection[str]) -> list[Lot]:
    """One lot, or several with `;` or a comma and a blank between them; raises EntryError.

    `flat 1.5 x4` without a name gets the next that is free. Thicknesses alone are flats, and are counted:
    `1.5 1.5 2 x6`. taken: names in the box.
    """
    names, lots = set(taken), list[Lot]()
    text = _COUNT_APART.sub(r"\1", text)  # `1.5 x 4`
    if half := _UNCOUNTED.search(text):
        raise EntryError("x how many? A lot is typed like " + lot_hint(units), at=half.end())
    parts = [part for part in _BETWEEN_LOTS.split(text) if part.strip()]
    for part in [each for one in parts for each in _counted(one, units)]:
        first = part.split()[0].lower()
        if first in FORMS:
            letter = first[0].upper()
            name = next(f"{letter}{n}" for n in range(1, 10_000) if f"{letter}{n}" not in names)
            part = f"{name} {part}"  # noqa: PLW2901 - the same lot, named
        lots.append(parse_lot(part, units))
        names.add(lots[-1].lot)
    if not lots:
        raise EntryError(f"a lot is typed like {lot_hint(units)}", at=0)
    return lots


def _counted(text: str, units: Units) -> list[str]:
    """Thicknesses alone as flats, each size once with its count; anything else as it is. EntryError."""
    parts = text.split()
    if not parts[0][0].isdigit() and parts[0][0] != ".":
        return [text]
    material = list[str]()
    counts: dict[float, tuple[str, int]] = {}
    last = 0.0
    for part in parts:
        if counted := _COUNT.match(part):
            size, count = counts[last]
            counts[last] = size, count - 1 + whole_number(counted[1], "a count")
        elif part[0].isdigit() or part[0] == ".":
            last = parse_length(part, units, what="thickness")
            if last > THICKEST_MM:
                raise EntryError(
                    f"{part} is no thickness of a flat; a lot is typed like {lot_hint(units)}", at=0
                )
            size, count = counts.get(last, (part, 0))
            counts[last] = size, count + 1
        elif part.lower() in FORMS:  # `12 flat 1mm`: no flat of 12 mm that is made of flat
            raise EntryError(f"a {part.lower()} is typed like {lot_hint(units)}", at=0)
        else:
            material.append(part)
    return [f"flat {size} x{count} {' '.join(material)}" for size, count in counts.values()]


def parse_lot(text: str, units: Units) -> Lot:
    """A lot from `NAME flat|taper|strip lengths… [xCOUNT] [material]`, as in lot_hint; raises EntryError."""
    parts, material, count = text.split(), list[str](), 1
    while len(parts) > 3 and not any(sign.isdigit() for sign in parts[-1]):
        material.insert(0, parts.pop())
    if len(parts) < 3 or parts[1].lower() not in FORMS:
        raise EntryError(f"a lot is typed like {lot_hint(units)}", at=0)
    form = next(one for one in FORMS if one == parts[1].lower())
    if counted := _COUNT.match(parts[-1]):
        count, parts = whole_number(counted[1], "a count"), parts[:-1]
    lengths, wanted = parts[2:], [name.removesuffix("_mm") for name in FORMS[form].needs]
    if len(lengths) != len(wanted):
        raise EntryError(
            f"a {form} takes {', '.join(wanted)}: {len(wanted)} to give, not {len(lengths)}", at=0
        )
    row: dict[str, object] = {"lot": parts[0], "form": form, "count": count, "material": " ".join(material)}
    for what, length in zip(wanted, lengths, strict=True):
        row[f"{what}_mm"] = parse_length(length, units, what=what, zero_ok=what == "thin")
        # 1.5 in a job in inches is a flat of 1.5 mm more often than one of an inch and a half; this is not
        # true of a fraction, nor of one with its unit.
        is_pack = what in ("thickness", "thin", "thick") and FORMS[form].use != "sawn"
        if units == "inch" and is_pack and decimal_number(length) > THICKEST_BARE_IN:
            raise EntryError(f'{length} inches thick? Type the unit: {length}mm or {length}"', at=0)
    return lot_from_row(row)
