"""Setting up from single lines, on screen and in plain mode: a new run, its posts, a new lot."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from shimfit.core.stock import THICKEST_MM
from shimfit.errors import EntryError, UsageError
from shimfit.model import FORMS, Lot
from shimfit.quantities import shown
from shimfit.quantities.typed import decimal_number, parse_foot, parse_height, parse_leg, parse_length

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    from shimfit.core.layout import Mark
    from shimfit.model import Foot, Tolerance
    from shimfit.quantities.typed import Units
    from shimfit.standing import RunState
    from shimfit.workflow.site import Site


_UNITS: dict[str, Units] = {"mm": "mm", "inch": "inch", "in": "inch", "inches": "inch", '"': "inch"}


def units_of(site: Site, answers: Mapping[str, str]) -> Units:
    """The unit of a bare number: the job's own, else what was answered, else the setting."""
    known = {one.name: one.units for one in site.jobs()}
    answered = _UNITS.get(answers.get("units", "").strip().lower(), site.settings.units)
    return known.get(answers.get("job", "").strip(), answered)


def run_steps(site: Site, answers: Mapping[str, str]) -> tuple[tuple[str, str], ...]:
    """What a new run asks for, in order: key, and hint with examples in the unit of a bare number.

    The first job of a data file is asked for its unit too.
    """
    inch = units_of(site, answers) == "inch"
    legs, turned = ("32ft 16ft", "16ft@-45") if inch else ("9.6m 4.8m", "4.8m@-45")
    unit = (("units", f"what you read in: mm or inch; Enter: {site.settings.units}"),)
    return (
        *(unit if all(one.sample for one in site.jobs()) else ()),
        ("job", "name of the job, like lakeside"),
        ("run", "name of the run, like boardwalk"),
        ("legs", f"length of each leg: {legs}; {turned} turns 45 deg to the house"),
        ("every", f"greatest spacing of the posts, like {'48in' if inch else '1.2m'}"),
        ("foot", f"foot, along x across: {'3-1/2x3-1/2in, d3-1/2in' if inch else '90x90mm, d90mm'}"),
        ("height", f"height that you read at, above the foot: {'44in' if inch else '1000mm'}"),
        ("tolerance", f"how far out is allowed: 1:500, {'1/8 over 40' if inch else '3mm/1m'}; Enter: 1:500"),
    )


@dataclass(frozen=True, slots=True)
class _NewRun:
    """A run as its answers say it, nothing written yet."""

    units: Units
    foot: Foot
    height_mm: float
    tolerance: Tolerance
    every_mm: float
    marks: tuple[Mark, ...]


def _new_run(site: Site, answers: Mapping[str, str]) -> _NewRun:
    from shimfit.quantities.typed import DEFAULT_TOLERANCE, parse_tolerance

    job, run = answers["job"].strip(), answers["run"].strip()
    known = {one.name: one for one in site.jobs()}
    units = units_of(site, answers)
    for key in ("job", "run"):
        check_answer(site, key, answers[key], answers)
    marks, every_mm = preview_marks(site, answers)
    foot = parse_foot(answers["foot"], units)
    height_mm = parse_height(answers["height"], units)
    tolerance = parse_tolerance(answers["tolerance"].strip() or DEFAULT_TOLERANCE, units=units)
    if job in known and run in known[job].runs:
        raise UsageError(f"there is a run {job}/{run} already; give this one another name")
    return _NewRun(units, foot, height_mm, tolerance, every_mm, marks)


def preview_marks(site: Site, answers: Mapping[str, str]) -> tuple[tuple[Mark, ...], float]:
    """The posts that the answers so far lay out, and their greatest spacing in mm; else none."""
    from shimfit.core.layout import lay_out

    if not answers.get("legs") or not answers.get("every"):
        return (), 0.0
    units = units_of(site, answers)
    legs = _legs(answers["legs"], units)
    every_mm = parse_length(answers["every"], units, what="spacing")
    return tuple(lay_out([mm for mm, _ in legs], every_mm, [deg for _, deg in legs[1:]])), every_mm


def preview_words(site: Site, answers: dict[str, str]) -> str:
    """What would be laid out: `8 posts, 1.2 m apart at most, corner at post 5`; EntryError or UsageError."""
    new = _new_run(site, answers)
    corners = [mark.name for mark in new.marks if mark.kind == "corner"]
    posts = f"{len(new.marks)} posts, {shown.tape(new.every_mm, new.units)} apart at most"
    if not corners:
        return posts
    return f"{posts}, {'corner at post' if len(corners) == 1 else 'corners at posts'} {', '.join(corners)}"


def add_run(site: Site, answers: dict[str, str]) -> RunState:
    """Lay out a run from what was typed for each of run_steps; begins the job if there is none of that name.

    Raises EntryError or UsageError in the words of what is wrong; nothing is written then.
    """
    from shimfit.workflow.layout import post_rows

    job, run, new = answers["job"].strip(), answers["run"].strip(), _new_run(site, answers)
    if all(one.name != job for one in site.jobs()):
        if new.units != site.settings.units:
            site.set("units", new.units)
        site.add_job(job)
    return site.add_run(
        job,
        run,
        foot=new.foot,
        height_mm=new.height_mm,
        tolerance=new.tolerance,
        posts=post_rows(new.marks),
        max_spacing_mm=new.every_mm,
    )


def check_answer(site: Site, key: str, text: str, answers: Mapping[str, str]) -> None:
    """Refuse one answer of run_steps as soon as it is typed; raises EntryError or UsageError.

    answers: those before it.
    """
    from shimfit.quantities.typed import parse_tolerance

    units, given = units_of(site, answers), text.strip()
    match key:
        case "units":
            if given and given.lower() not in _UNITS:
                raise EntryError("a reading is in mm or in inch; each can name another unit", at=0)
        case "job" | "run":
            if not given or "/" in given:
                raise EntryError(f"the name of a {key} is not empty and has no slash in it", at=0)
        case "every":
            parse_length(text, units, what="spacing")
        case "tolerance":
            if given:
                parse_tolerance(text, units=units)
        case "legs":
            _legs(text, units)
        case "height":
            parse_height(text, units)
        case "foot":
            parse_foot(text, units)


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


def _legs(text: str, units: Units) -> list[tuple[float, float | None]]:
    """Each leg's length in mm and how far the run turns before it; None: a right angle."""
    parts = [part for part in _BETWEEN_LEGS.split(_AFTER_A_TURN.sub(r"\1, ", text.strip())) if part]
    legs = [parse_leg(part, units) for part in parts or [text]]
    if legs[0][1] is not None:
        raise EntryError("the first leg has no corner before it: the angle goes with the leg after it", at=0)
    return legs


_LOT_HINTS: dict[Units, str] = {
    "mm": "thicknesses: 1.5 x4, 2 x6; or taper 0.5 6 200 x2; strip 600 40 12",
    "inch": "thicknesses: 1/16 x4, 1/8 x6; or taper 1/32 5/16 7 x2; strip 24 1-1/2 1/2",
}
_BETWEEN_LOTS = re.compile(r"[;\n]|,(?=\s|$)")
THICKEST_BARE_IN = 0.75
"""A bare number of inches above this is asked about where it is a pack's thickness: 1.5 is meant in mm."""
_COUNT = re.compile(r"^[x×](\d+)$", re.IGNORECASE)


def _refuse_bare_millimetres(length: str) -> None:
    """1.5 in a job in inches is a flat of 1.5 mm more often than one of an inch and a half."""
    if decimal_number(length) > THICKEST_BARE_IN:  # not true of a fraction, nor of one with its unit
        raise EntryError(f'{length} inches thick? Type the unit: {length}mm or {length}"', at=0)


def lot_hint(units: Units) -> str:
    """How lots are typed, in the unit that a bare number has."""
    return _LOT_HINTS[units]


def parse_lots(text: str, units: Units, taken: Collection[str]) -> list[Lot]:
    """One lot, or several with `;` or a comma and a blank between them; raises EntryError.

    `flat 1.5 x4` without a name gets the next that is free. Thicknesses alone are flats, and are counted:
    `1.5 1.5 2 x6`. taken: names in the box.
    """
    names, lots = set(taken), list[Lot]()
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
    sizes = [part for part in parts if (not _COUNT.match(part) and part[0].isdigit()) or part[0] == "."]
    material = " ".join(part for part in parts if part not in sizes and not _COUNT.match(part))
    counts: dict[float, tuple[str, int]] = {}
    last = 0.0
    for part in parts:
        if part in sizes:
            last = parse_length(part, units, what="thickness")
            if last > THICKEST_MM:
                raise EntryError(
                    f"{part} is no thickness of a flat; a lot is typed like {lot_hint(units)}", at=0
                )
            size, count = counts.get(last, (part, 0))
            counts[last] = size, count + 1
        elif counted := _COUNT.match(part):
            size, count = counts[last]
            counts[last] = size, count - 1 + int(counted[1])
    return [f"flat {size} x{count} {material}" for size, count in counts.values()]


def parse_lot(text: str, units: Units) -> Lot:
    """A lot from `NAME flat|taper|strip lengths… [xCOUNT] [material]`, as in lot_hint; raises EntryError."""
    from shimfit.core.stock import lot_from_row

    parts = text.split()
    material = list[str]()
    while len(parts) > 3 and not any(sign.isdigit() for sign in parts[-1]):
        material.insert(0, parts.pop())
    if len(parts) < 3 or parts[1].lower() not in FORMS:
        raise EntryError(f"a lot is typed like {lot_hint(units)}", at=0)
    form = next(one for one in FORMS if one == parts[1].lower())
    names = FORMS[form].needs
    count = 1
    counted = _COUNT.match(parts[-1])
    if counted:
        count = int(counted[1])
        parts = parts[:-1]
    lengths = parts[2:]
    if len(lengths) != len(names):
        wanted = ", ".join(name.removesuffix("_mm") for name in names)
        raise EntryError(f"a {form} takes {wanted}: {len(names)} to give, not {len(lengths)}", at=0)
    row: dict[str, object] = {"lot": parts[0], "form": form, "count": count, "material": " ".join(material)}
    for name, length in zip(names, lengths, strict=True):
        what = name.removesuffix("_mm")
        row[name] = parse_length(length, units, what=what, zero_ok=name == "thin_mm")
        if units == "inch" and what in ("thickness", "thin", "thick") and FORMS[form].use != "sawn":
            _refuse_bare_millimetres(length)
    return lot_from_row(row)
