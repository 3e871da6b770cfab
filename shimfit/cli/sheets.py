"""Commands whose answer is a sheet for the workshop: rails, lineup; before the day kit, makeup."""

from __future__ import annotations

import argparse
from dataclasses import asdict, dataclass
from itertools import chain
from typing import TYPE_CHECKING, Any

from shimfit.cli.io import lengths_in, one_to_stdout, open_site, sheet_facts
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
    from shimfit.core.rails import Rail
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
    depth, thick = lengths(args.rail_depth), lengths(args.rail_thick)
    with refused_in(state.units):
        found = runs.rails_of(state, heights, depth, limit, turn_deg=args.corner_deg, thick_mm=thick)
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
        "openings": [
            {"from": one.first, "to": one.second}
            | {key: getattr(one, key) for key in ("widest_mm", "at_mm", "limit_mm", "over_mm")}
            | {"to_verify": list(found.unsure(one.first, one.second))}
            for one in found.openings
        ],
    }


def _rails_csv(found: RunRails) -> str:
    """One line a rail; neighbours between which nothing is known have a line without figures."""
    from shimfit import csvfile

    reported = rails_json("", "", found)
    rows = [
        row | {"to_verify": " ".join(row["to_verify"])} for row in reported["rails"] + reported["unknown"]
    ]
    return csvfile.text_of([_COLUMNS, *(tuple(row.get(name) for name in _COLUMNS) for row in rows)])


@dataclass(frozen=True, slots=True)
class _RailWords:
    """A rail in words: the line at a terminal and the row on paper are put together from them."""

    square: str
    bevelled: str
    bevels: str
    edges: str
    """How its upper edge differs from the lower; empty where it does not, or has no depth."""
    mitre: str
    """How its first end is cut in plan where the run turns, and what a square cut does; empty: square."""
    not_yet: str
    """Posts that it can't be cut to yet; empty when it can."""

    @classmethod
    def of(cls, rail: Rail, found: RunRails, faces: Mapping[Face, str], units: Units) -> _RailWords:
        """The words of a rail."""
        posts = {name: found.posts[name].lean_known for name in found.unsure(rail.first, rail.second)}
        unsure = ", ".join(f"{name} {known.replace(', ', ' but ')}" for name, known in posts.items())
        edges, mitre = "", ""
        bevels = (shown.angle(deg, sign=True) for deg in (rail.bevel_first_deg, rail.bevel_second_deg))
        if rail.depth_mm and abs(rail.difference_mm) >= LEAST_SAID_MM:
            longer = "longer" if rail.difference_mm > 0 else "shorter"
            edges = f"upper edge {_aim(rail.difference_mm, units)} {longer} than the lower"
        if abs(rail.mitre_first_deg) >= LEAST_MITRE_DEG:
            longer = faces[Face.OUT if rail.mitre_first_deg > 0 else Face.HOUSE]
            mitre = (
                f"mitre {shown.angle(abs(rail.mitre_first_deg))} in plan, {longer} edge longer: cut square "
            )
            thick, fouls = shown.lean(rail.thick_mm, units), shown.fine(rail.fouls_mm, units)
            mitre += (
                f"at the middle's length a {thick} rail fouls by {fouls}"
                if rail.thick_mm
                else "it fouls the post (--rail-thick tells by how much)"
            )
        return cls(
            shown.fine(rail.square_mm, units),
            shown.fine(rail.bevelled_mm, units),
            " and ".join(bevels),
            edges,
            mitre,
            f"{unsure}: do not cut yet" if unsure else "",
        )


def _aim(mm: float, units: Units) -> str:
    """A fraction of a millimetre, too fine for sixteenths."""
    return shown.fine(mm, units) if units == "mm" else shown.thickness(mm, units)


def rail_lines(found: RunRails, run: RunState) -> Iterator[str]:
    """The same, a line each: how to cut it square or bevelled."""
    units = run.units
    for rail in found.rails:
        one = _RailWords.of(rail, found, run.faces, units)
        yield (
            f"{rail.first:>4} – {rail.second:<4} at {shown.lean(rail.at_mm, units)}: "
            f"cut square {one.square}; or bevelled {one.bevelled}, ends {one.bevels}"
            + (f", {one.edges}" if one.edges else "")
            + (f"; at {rail.first} {one.mitre}" if one.mitre else "")
            + (f"  [{one.not_yet}]" if one.not_yet else "")
        )
    for first, second in found.unknown:
        lost = ", ".join(name for name in (first, second) if found.lean(name) == "unknown")
        yield f"{first:>4} – {second:<4} not known: no reading says how post {lost} stands now; read it"
    yield "leans: " + ", ".join(f"{name} {post.lean_known}" for name, post in found.posts.items())
    for opening in found.openings:
        if opening.over_mm:
            widest, over = shown.fine(opening.widest_mm, units), shown.fine(opening.over_mm, units)
            limit = shown.lean(opening.limit_mm, units)
            yield f"opening {opening.first} – {opening.second}: {widest}, {over} over the limit of {limit}"


def _rails_pdf(found: RunRails, facts: SheetFacts, paper: str) -> bytes:
    """The rails on paper: a table for each height, posts that no rail is cut to yet, openings too wide."""
    from shimfit.report.sheets import TICK, Section, sheet_pdf

    units = facts.units
    heads = (
        *(("", 7.0), ("between", 26.0), ("cut square", 30.0)),
        *(("or bevelled, long points", 34.0), ("bevels", 32.0), ("what else", 0.0)),
    )
    tables: dict[float, list[tuple[str, ...]]] = {}
    for rail in found.rails:
        one = _RailWords.of(rail, found, facts.faces, units)
        between, lengths = f"{rail.first} – {rail.second}", (one.square, one.bevelled)
        else_ = "; ".join(filter(None, (one.not_yet, one.mitre, one.edges)))
        row = ("" if one.not_yet else TICK, between, *lengths, one.bevels, else_)
        tables.setdefault(rail.at_mm, []).append(row)
    said = "Bevels: off square at each end, + where the post's top leans into the opening."
    sections = [
        Section(f"Rails at {shown.lean(at_mm, units)}", heads, rows, said, bold=2)
        for at_mm, rows in tables.items()
    ]
    too_wide = [
        (
            f"{one.first} – {one.second}",
            *(shown.fine(one.widest_mm, units), shown.fine(one.over_mm, units)),
            shown.lean(one.limit_mm, units),
        )
        for one in found.openings
        if one.over_mm
    ]
    wide = (("between", 30.0), ("widest", 34.0), ("over the limit by", 34.0), ("limit", 0.0))
    how: dict[str, list[str]] = {}
    for name, post in found.posts.items():
        how.setdefault(post.lean_known, []).append(name)
    known = [(lean, ", ".join(names)) for lean, names in how.items()]
    sections += [
        Section("Openings wider than the limit", wide, too_wide),
        Section("How each post is known to stand", (("lean", 50.0), ("posts", 0.0)), known),
    ]
    lead, unsure = (
        f"{len(found.rails)} rails between {len(found.posts)} posts as they stand.",
        found.unsure(*found.posts),
    )
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
    hint = "no string-line offsets: add --off POST=L for each foot that is off the string"
    if args.off:
        offsets = " ".join(f"--off {text}" for text in args.off)
        hint = f"packs for these aims: shimfit plan {job}/{run} --line-up {offsets}"
    data = [asdict(leg) for leg in legs]
    for leg in data:
        for target in leg["targets"]:
            target["post"] = target.pop("name")
    said = chain(_lineup_lines(legs, face_names(state), state.units), (hint,))
    return io.tell(said, {"job": job, "run": run, "legs": data})


def _lineup_lines(legs: Iterable[LegLine], names: Mapping[Face, str], units: Units) -> Iterator[str]:
    def sideways(mm: float) -> str:
        return f"{_aim(mm, units)} {names[Face.OUT if mm >= 0 else Face.HOUSE]}"

    for leg in legs:
        if leg.worst_before_mm < LEAST_SAID_MM:
            yield f"leg {leg.leg}: its tops are in line when plumb, nothing to aim ({len(leg.targets)} posts)"
            continue
        before, after = _aim(leg.worst_before_mm, units), _aim(leg.worst_after_mm, units)
        yield f"leg {leg.leg}: tops within {before} of a line when plumb, {after} as aimed"
        for one in leg.targets:
            aim = "plumb" if abs(one.aim_across_mm) < LEAST_SAID_MM else sideways(one.aim_across_mm)
            off = f"off the line {sideways(one.before_mm)}, then {sideways(one.after_mm)}"
            yield f"  {one.name:>4}  aim {aim:<14} {off}"


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
    cautions = cautions_of("kit")
    if args.pdf is not None:
        from shimfit.report.sheets import TICK, Section, sheet_pdf

        rows = [(TICK, str(line["count"]), line["what"]) for line in answer["lines"]]
        table = Section("To cut or buy", (("", 7.0), ("pieces", 18.0), ("what", 0.0)), rows, bold=1)
        page = sheet_pdf("Kit", facts, [table], lead=answer["words"], cautions=cautions, paper=args.paper)
        io.write_paper(args, page)
    said = [answer["words"], *(f"  {line['count']:>3} × {line['what']}" for line in answer["lines"])]
    return io.tell([] if args.pdf == "-" else [*said, *cautions], answer)


_BUILD_UP = {
    "top_height_mm": "top", "bottom_rail_mm": "rail", "bottom_rail_depth_mm": "rail_depth",
    "access_hole_mm": "hole", "washer_outer_mm": "washer", "washer_hole_mm": "washer_hole",
    "washer_mm": "washer_thick", "nut_mm": "nut", "past_nut_mm": "past",
}  # fmt: skip
"""Length of the make-up -> the option that gives it."""


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
        **{field: lengths(getattr(args, option)) for field, option in _BUILD_UP.items()},
        below=tuple(parse_pairs(args.below, state.units).items()),
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


def _pressure(one: Pressure, units: Units) -> tuple[str, str, str, str, str]:
    """Under what, how much of what is allowed, its share, on what area, whether that is too much."""
    of = f" of post {', '.join(one.posts)}" if one.posts else ""
    found, allowed = shown.stress(one.pressure_mpa, units, unit=False), shown.stress(one.allowable_mpa, units)
    area, too_much = shown.area(one.area_mm2, units), "TOO MUCH" if one.share > 1 else ""
    return f"{one.what}{of}", f"{found} of {allowed}", shown.share(one.share), area, too_much


def _post_lengths(sheet: MakeUpSheet, units: Units) -> Iterator[tuple[str, str, str, str]]:
    """Each post with its cut length, its rod, and the middle of its access hole."""
    for post in sheet.posts:
        lengths = post.cut_length_mm, post.rod_length_mm, post.access_hole_height_mm
        cut, rod, hole = (shown.fine(mm, units) for mm in lengths)
        yield post.name, cut, rod, hole


def _sheet_lines(sheet: MakeUpSheet, shop: tuple[ShopLine, ...], units: Units) -> Iterator[str]:
    for name, cut, rod, hole in _post_lengths(sheet, units):
        yield f"{name:>4}  post {cut}, rod {rod}, access hole at {hole}"
    for pressure in sheet.pressures:
        under, found, share, area, too_much = _pressure(pressure, units)
        yield f"pressure under the {under}: {found} ({share}) on {area}{', ' if too_much else ''}{too_much}"
    for one in shop:
        yield f"{one.count:>3} × {one.what} {shown.lean(one.length_mm, units)}"
    for caution in sheet.cautions:
        yield f"! {shown.sentence(caution, units)}"


def _makeup_pdf(sheet: MakeUpSheet, shop: tuple[ShopLine, ...], facts: SheetFacts, paper: str) -> bytes:
    from shimfit.report.sheets import TICK, Section, sheet_pdf

    units = facts.units
    buy = [(TICK, str(one.count), one.what, shown.lean(one.length_mm, units)) for one in shop]
    posts = [(TICK, *row) for row in _post_lengths(sheet, units)]
    pressures = [_pressure(one, units) for one in sheet.pressures]
    pieces = ("", 7.0), ("pieces", 18.0), ("what", 30.0), ("length", 0.0)
    heads = ("", 7.0), ("post", 30.0), ("cut to", 40.0), ("rod", 40.0), ("access hole above the foot", 0.0)
    under = ("under", 50.0), ("pressure of allowed", 44.0), ("share", 18.0), ("on", 30.0), ("", 0.0)
    sections = [
        Section("To cut or buy", pieces, buy, bold=3),
        Section("Each post", heads, posts, bold=1),
        Section("Pressures", under, pressures),
    ]
    over = sum(one.share > 1 for one in sheet.pressures)
    too_much = f"; {over} pressures over the allowable" if over else ""
    lead = f"{len(sheet.posts)} posts and their rods{too_much}."
    cautions = (*(shown.sentence(one, units) for one in sheet.cautions), *cautions_of("makeup"))
    return sheet_pdf("Make-up", facts, sections, lead=lead, cautions=cautions, paper=paper)
