"""Commands whose answer is a sheet for the workshop: rails, lineup; before the day kit, makeup."""

from __future__ import annotations

import argparse
from dataclasses import asdict
from itertools import chain
from typing import TYPE_CHECKING, Any

from shimfit.cli.io import (
    lengths_in,
    one_to_stdout,
    open_site,
    sheet_facts,
)
from shimfit.core.cautions import cautions_of
from shimfit.errors import Exit, UsageError
from shimfit.model import Face
from shimfit.outputs import RAILS_CSV
from shimfit.quantities import shown
from shimfit.quantities.shown import refused_in
from shimfit.quantities.typed import parse_pairs, to_unit

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from shimfit.cli.io import Io
    from shimfit.core.lineup import LegLine
    from shimfit.core.makeup import MakeUpSheet, Pressure, ShopLine
    from shimfit.core.rails import Rail, StandingOpening
    from shimfit.quantities.typed import Units
    from shimfit.report.words import SheetFacts
    from shimfit.standing import RunState
    from shimfit.workflow.runs import RunRails


LEAST_MITRE_DEG = 0.05
"""A saw is set no finer: below this a rail's end counts as square in plan."""
LEAST_SAID_MM = 0.05
"""An aim below this counts as plumb, tops closer to a line than this as in line."""


def run_rails(args: argparse.Namespace, io: Io) -> int:
    """Print rail lengths; 1 when an opening is over its limit."""
    from shimfit.workflow import runs
    from shimfit.workflow.site import parse_run

    job, run = parse_run(args.path)
    one_to_stdout(args, RAILS_CSV)
    with open_site(args, io, read_only=True) as site:
        state, facts = site.run(job, run), sheet_facts(site, job, run)
    lengths = lengths_in(state.units)
    heights = [lengths(part) for part in args.at.split(",")]
    limit = None if args.opening is None else lengths(args.opening)
    with refused_in(state.units):
        found = runs.rails_of(
            state,
            heights,
            lengths(args.rail_depth),
            limit,
            turn_deg=args.corner_deg,
            thick_mm=lengths(args.rail_thick),
        )
    if args.pdf is not None:
        io.write_paper(args, _rails_pdf(found, facts, args.paper))
    if args.csv is not None:
        io.write(args.csv, _rails_csv(found).encode(), RAILS_CSV, args)
    said = () if "-" in (args.csv, args.pdf) else chain(rail_lines(found, state), cautions_of("rails"))
    io.tell(said, rails_json(job, run, found))
    unsure = [f"{name} ({found.posts[name].lean_known})" for name in found.unsure(*found.posts)]
    if unsure:
        io.talk(f"caution: cut no rail to a post before a reading proves it plumb: {', '.join(unsure)}")
    return Exit.OVER if any(one.over_mm for one in found.openings) else Exit.DONE


_RAIL = {
    "from": "first", "to": "second", "at_mm": "at_mm", "length_mm": "middle_mm", "top_mm": "top_mm",
    "bottom_mm": "bottom_mm", "difference_mm": "difference_mm", "square_mm": "square_mm",
    "bevelled_mm": "bevelled_mm", "bevel_from_deg": "bevel_first_deg", "bevel_to_deg": "bevel_second_deg",
    "mitre_from_deg": "mitre_first_deg", "thick_mm": "thick_mm", "fouls_mm": "fouls_mm",
}  # fmt: skip
"""Key of a rail in JSON, and its column in the table -> its field."""
_COLUMNS = (
    *("from", "to", "at_mm", "length_mm", "top_mm", "bottom_mm", "square_mm", "bevelled_mm"),
    *("bevel_from_deg", "bevel_to_deg", "from_lean", "to_lean", "to_verify"),
    *("mitre_from_deg", "mitre_to_deg", "thick_mm", "fouls_mm"),
)


def rails_json(job: str, run: str, found: RunRails) -> dict[str, Any]:
    """The rails of a run, as `rails --json` gives them."""

    def known(first: str, second: str) -> dict[str, Any]:
        leans = {"from_lean": found.lean(first), "to_lean": found.lean(second)}
        return leans | {"to_verify": list(found.unsure(first, second))}

    def opening(one: StandingOpening) -> dict[str, Any]:
        row = asdict(one)
        ends = {"from": row.pop("first"), "to": row.pop("second")}
        return ends | row | {"over_mm": one.over_mm, "to_verify": list(found.unsure(one.first, one.second))}

    return {
        "job": job,
        "run": run,
        "rails": [
            {key: getattr(rail, name) for key, name in _RAIL.items()}
            | {"mitre_to_deg": 0.0}
            | known(rail.first, rail.second)
            for rail in found.rails
        ],
        "posts": [
            {"post": name, "lean": found.lean(name), "decision": post.decision}
            for name, post in found.posts.items()
        ],
        "unknown": [{"from": first, "to": second} | known(first, second) for first, second in found.unknown],
        "openings": [opening(one) for one in found.openings],
    }


def _rails_csv(found: RunRails) -> str:
    """One line a rail; neighbours between which nothing is known have a line without figures."""
    from shimfit import csvfile

    reported = rails_json("", "", found)
    rows = [
        row | {"to_verify": " ".join(row["to_verify"])} for row in reported["rails"] + reported["unknown"]
    ]
    return csvfile.text_of([_COLUMNS, *(tuple(row.get(name) for name in _COLUMNS) for row in rows)])


def rail_lines(found: RunRails, run: RunState) -> Iterator[str]:
    """The same, a line each."""
    units = run.units
    for rail in found.rails:
        aslant = _mitre(rail, run.faces, units)
        not_yet = _not_yet(rail, found)
        yield (
            _rail_line(rail, units)
            + (f"; at {rail.first} {aslant}" if aslant else "")
            + (f"  [{not_yet}]" if not_yet else "")
        )
    for first, second in found.unknown:
        lost = ", ".join(name for name in (first, second) if found.lean(name) == "unknown")
        yield f"{first:>4} – {second:<4} not known: no reading says how post {lost} stands now; read it"
    yield "leans: " + ", ".join(f"{name} {post.lean_known}" for name, post in found.posts.items())
    for one in found.openings:
        if one.over_mm:
            widest, over = shown.fine(one.widest_mm, units), shown.fine(one.over_mm, units)
            yield (
                f"opening {one.first} – {one.second}: {widest}, {over} over the limit of "
                f"{shown.lean(one.limit_mm, units)}"
            )


def _rail_line(rail: Rail, units: Units) -> str:
    """How to cut it square or bevelled; the edges differ only when the rail has a depth."""
    square, bevelled = shown.fine(rail.square_mm, units), shown.fine(rail.bevelled_mm, units)
    return (
        f"{rail.first:>4} – {rail.second:<4} at {shown.lean(rail.at_mm, units)}: cut square {square}; or "
        f"bevelled {bevelled}, ends {_bevels(rail)}{_edges(rail, units)}"
    )


def _bevels(rail: Rail) -> str:
    first, second = (shown.angle(deg, sign=True) for deg in (rail.bevel_first_deg, rail.bevel_second_deg))
    return f"{first} and {second}"


def _edges(rail: Rail, units: Units) -> str:
    if not rail.depth_mm or abs(rail.difference_mm) < LEAST_SAID_MM:
        return ""
    longer = "longer" if rail.difference_mm > 0 else "shorter"
    size = shown.fine if units == "mm" else shown.thickness
    return f", upper edge {size(abs(rail.difference_mm), units)} {longer} than the lower"


def _mitre(rail: Rail, faces: Mapping[Face, str], units: Units) -> str:
    """How its first end is cut in plan where the run turns, and what a square cut does; empty: square."""
    if abs(rail.mitre_first_deg) < LEAST_MITRE_DEG:
        return ""
    longer = faces[Face.OUT if rail.mitre_first_deg > 0 else Face.HOUSE]
    said = f"mitre {shown.angle(abs(rail.mitre_first_deg))} in plan, {longer} edge longer"
    if not rail.thick_mm:
        return f"{said}: cut square it fouls the post (--rail-thick tells by how much)"
    thick, fouls = shown.lean(rail.thick_mm, units), shown.fine(rail.fouls_mm, units)
    return f"{said}: cut square at the middle's length a {thick} rail fouls by {fouls}"


def _not_yet(rail: Rail, found: RunRails) -> str:
    unsure = ", ".join(f"{name} {found.lean(name)}" for name in found.unsure(rail.first, rail.second))
    return f"{unsure}: do not cut yet" if unsure else ""


def _rails_pdf(found: RunRails, facts: SheetFacts, paper: str) -> bytes:
    """The rails on paper: a table for each height, posts that no rail is cut to yet, openings too wide."""
    from shimfit.report.sheets import TICK, Section, sheet_pdf

    units = facts.units
    unsure = found.unsure(*found.posts)
    heights = list(dict.fromkeys(rail.at_mm for rail in found.rails))
    heads = (
        *(("", 7.0), ("between", 26.0), ("cut square", 30.0)),
        *(("or bevelled, long points", 34.0), ("bevels", 32.0), ("what else", 0.0)),
    )
    sections = []
    for at_mm in heights:
        rows = []
        for rail in (one for one in found.rails if one.at_mm == at_mm):
            not_yet = _not_yet(rail, found)
            edges = _edges(rail, units).removeprefix(", ")
            lengths = (shown.fine(rail.square_mm, units), shown.fine(rail.bevelled_mm, units))
            said = "; ".join(filter(None, (not_yet, _mitre(rail, facts.faces, units), edges)))
            rows.append(
                ("" if not_yet else TICK, f"{rail.first} – {rail.second}", *lengths, _bevels(rail), said)
            )
        said = "Bevels: off square at each end, + where the post's top leans into the opening."
        sections.append(Section(f"Rails at {shown.lean(at_mm, units)}", heads, rows, said, bold=2))
    too_wide = [
        (
            f"{one.first} – {one.second}",
            shown.fine(one.widest_mm, units),
            shown.fine(one.over_mm, units),
            shown.lean(one.limit_mm, units),
        )
        for one in found.openings
        if one.over_mm
    ]
    wide = (("between", 30.0), ("widest", 34.0), ("over the limit by", 34.0), ("limit", 0.0))
    sections.append(Section("Openings wider than the limit", wide, too_wide))
    how: dict[str, list[str]] = {}
    for name, post in found.posts.items():
        how.setdefault(post.lean_known, []).append(name)
    known = [(lean, ", ".join(names)) for lean, names in how.items()]
    sections.append(Section("How each post is known to stand", (("lean", 50.0), ("posts", 0.0)), known))
    lead = f"{len(found.rails)} rails between {len(found.posts)} posts as they stand."
    if unsure:
        lead += f" Cut no rail to a post before a reading proves it plumb: {', '.join(unsure)}."
    return sheet_pdf("Rails", facts, sections, lead=lead, cautions=cautions_of("rails"), paper=paper)


def run_lineup(args: argparse.Namespace, io: Io) -> int:
    """Print the targets that bring the tops of each leg closest to a line."""
    from shimfit.text.phrases import face_names
    from shimfit.workflow.runs import line_up_run
    from shimfit.workflow.site import parse_run

    job, run = parse_run(args.path)
    with open_site(args, io, read_only=True) as site:
        state = site.run(job, run)
    with refused_in(state.units):
        legs = line_up_run(state, parse_pairs(args.off, state.units), args.share)
    if args.off:
        offsets = " ".join(f"--off {text}" for text in args.off)
        hint = f"packs for these aims: shimfit plan {job}/{run} --line-up {offsets}"
    else:
        hint = "no string-line offsets: add --off POST=L for each foot that is off the string"
    data = [asdict(leg) for leg in legs]
    for leg in data:
        for target in leg["targets"]:
            target["post"] = target.pop("name")
    said = chain(_lineup_lines(legs, face_names(state), state.units), (hint,))
    return io.tell(said, {"job": job, "run": run, "legs": data})


def _lineup_lines(legs: Iterable[LegLine], names: Mapping[Face, str], units: Units) -> Iterator[str]:
    # Aims are fractions of a millimetre: too fine for sixteenths.
    size = shown.fine if units == "mm" else shown.thickness

    def sideways(mm: float) -> str:
        return f"{size(mm, units)} {names[Face.OUT if mm >= 0 else Face.HOUSE]}"

    for leg in legs:
        if leg.worst_before_mm < LEAST_SAID_MM:
            yield f"leg {leg.leg}: its tops are in line when plumb, nothing to aim ({len(leg.targets)} posts)"
            continue
        yield (
            f"leg {leg.leg}: tops within {size(leg.worst_before_mm, units)} of a line when plumb, "
            f"{size(leg.worst_after_mm, units)} as aimed"
        )
        for target in leg.targets:
            aim = "plumb" if abs(target.aim_across_mm) < LEAST_SAID_MM else sideways(target.aim_across_mm)
            yield (
                f"  {target.name:>4}  aim {aim:<14} off the line {sideways(target.before_mm)}, "
                f"then {sideways(target.after_mm)}"
            )


# ---------------------------------------------------------------- before the day


def run_kit(args: argparse.Namespace, io: Io) -> int:
    """Print what to cut or buy before the day."""
    from shimfit.core.stock import lots_from_csv
    from shimfit.workflow.runs import kit_for_run
    from shimfit.workflow.site import parse_run

    job, run = parse_run(args.path)
    one_to_stdout(args)
    offered = () if args.shop is None else lots_from_csv(io.read_text(args.shop), args.shop)
    with open_site(args, io, read_only=True) as site:
        answer = kit_for_run(site, job, run, fall=args.fall, posts=args.posts, offered=offered)
        facts = sheet_facts(site, job, run)
    if args.pdf is not None:
        io.write_paper(args, _kit_pdf(answer, facts, args.paper))
    said = [answer["words"], *(f"  {line['count']:>3} × {line['what']}" for line in answer["lines"])]
    return io.tell([] if args.pdf == "-" else [*said, *cautions_of("kit")], answer)


def run_makeup(args: argparse.Namespace, io: Io) -> int:
    """Print the make-up sheet and the shop list; 1 when a pressure is over the allowable."""
    from shimfit.core import makeup
    from shimfit.workflow.site import parse_run

    job, run = parse_run(args.path)
    one_to_stdout(args)
    with open_site(args, io, read_only=True) as site:
        state, facts = site.run(job, run), sheet_facts(site, job, run)
    lengths = lengths_in(state.units)
    beds = parse_pairs(args.bed_height, state.units)
    build_up = makeup.BuildUp(
        top_height_mm=lengths(args.top),
        below=tuple(parse_pairs(args.below, state.units).items()),
        bottom_rail_mm=lengths(args.rail),
        bottom_rail_depth_mm=lengths(args.rail_depth),
        access_hole_mm=lengths(args.hole),
        washer_outer_mm=lengths(args.washer),
        washer_hole_mm=lengths(args.washer_hole),
        washer_mm=lengths(args.washer_thick),
        nut_mm=lengths(args.nut),
        past_nut_mm=lengths(args.past),
        clamp_newton=to_unit(args.clamp, "N", "force"),
        washer_allowable_mpa=to_unit(args.washer_allows, "MPa", "pressure"),
        foot_allowable_mpa=to_unit(args.foot_allows, "MPa", "pressure"),
    )
    posts = [(post.name, beds.pop(post.name, 0.0), post.foot) for post in state.posts]
    if beds:
        raise UsageError(f"{args.path} has no post {', '.join(beds)}")
    with refused_in(state.units):
        sheet = makeup.make_up(posts, build_up)
        shop = makeup.shop_list(sheet, lengths(args.step or ("1mm" if state.units == "mm" else "1/16in")))
    if args.pdf is not None:
        io.write_paper(args, _makeup_pdf(sheet, shop, facts, args.paper))
    pressures = [asdict(one) | {"share": one.share} for one in sheet.pressures]
    data = (
        {"job": job, "run": run} | asdict(sheet) | {"pressures": pressures, "shop": list(map(asdict, shop))}
    )
    said = () if args.pdf == "-" else chain(_sheet_lines(sheet, shop, state.units), cautions_of("makeup"))
    io.tell(said, data)
    return Exit.OVER if any(pressure.share > 1 for pressure in sheet.pressures) else Exit.DONE


def _sheet_lines(sheet: MakeUpSheet, shop: tuple[ShopLine, ...], units: Units) -> Iterator[str]:
    for post in sheet.posts:
        cut, rod = shown.fine(post.cut_length_mm, units), shown.fine(post.rod_length_mm, units)
        yield (
            f"{post.name:>4}  post {cut}, rod {rod}, access hole at "
            f"{shown.fine(post.access_hole_height_mm, units)}"
        )
    for pressure in sheet.pressures:
        too_much = ", TOO MUCH" if pressure.share > 1 else ""
        under, found, share = _pressure(pressure, units)
        area = shown.area(pressure.area_mm2, units)
        yield f"pressure under the {under}: {found} ({share}) on {area}{too_much}"
    for one in shop:
        yield f"{one.count:>3} × {one.what} {shown.lean(one.length_mm, units)}"
    for caution in sheet.cautions:
        yield f"! {shown.sentence(caution, units)}"


def _pressure(pressure: Pressure, units: Units) -> tuple[str, str, str]:
    """Under what, how much of what is allowed, and its share."""
    of = f" of post {', '.join(pressure.posts)}" if pressure.posts else ""
    found = shown.stress(pressure.pressure_mpa, units, unit=False)
    allowed = shown.stress(pressure.allowable_mpa, units)
    return f"{pressure.what}{of}", f"{found} of {allowed}", shown.share(pressure.share)


def _kit_pdf(answer: dict[str, Any], facts: SheetFacts, paper: str) -> bytes:
    from shimfit.report.sheets import TICK, Section, sheet_pdf

    rows = [(TICK, str(line["count"]), line["what"]) for line in answer["lines"]]
    table = Section("To cut or buy", (("", 7.0), ("pieces", 18.0), ("what", 0.0)), rows, bold=1)
    return sheet_pdf("Kit", facts, [table], lead=answer["words"], cautions=cautions_of("kit"), paper=paper)


def _makeup_pdf(sheet: MakeUpSheet, shop: tuple[ShopLine, ...], facts: SheetFacts, paper: str) -> bytes:
    from shimfit.report.sheets import TICK, Section, sheet_pdf

    units = facts.units
    buy = [(TICK, str(one.count), one.what, shown.lean(one.length_mm, units)) for one in shop]
    posts = [
        (
            TICK,
            post.name,
            shown.fine(post.cut_length_mm, units),
            shown.fine(post.rod_length_mm, units),
            shown.fine(post.access_hole_height_mm, units),
        )
        for post in sheet.posts
    ]
    pressures = [
        (*_pressure(one, units), shown.area(one.area_mm2, units), "TOO MUCH" if one.share > 1 else "")
        for one in sheet.pressures
    ]
    heads = ("", 7.0), ("post", 30.0), ("cut to", 40.0), ("rod", 40.0), ("access hole above the foot", 0.0)
    under = ("under", 50.0), ("pressure of allowed", 44.0), ("share", 18.0), ("on", 30.0), ("", 0.0)
    sections = [
        Section("To cut or buy", (("", 7.0), ("pieces", 18.0), ("what", 30.0), ("length", 0.0)), buy, bold=3),
        Section("Each post", heads, posts, bold=1),
        Section("Pressures", under, pressures),
    ]
    over = sum(one.share > 1 for one in sheet.pressures)
    too_much = f"; {over} pressures over the allowable" if over else ""
    lead = f"{len(sheet.posts)} posts and their rods{too_much}."
    said = [shown.sentence(one, units) for one in sheet.cautions]
    cautions = (*said, *cautions_of("makeup"))
    return sheet_pdf("Make-up", facts, sections, lead=lead, cautions=cautions, paper=paper)
