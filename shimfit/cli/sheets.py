"""Commands whose answer is a sheet for the workshop: rails, lineup; before the day kit, makeup."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict
from itertools import chain
from typing import TYPE_CHECKING, Any

from shimfit import csvfile
from shimfit.cli.io import Args, Io, lengths_in, one_to_stdout, open_run, sheet_facts
from shimfit.core.cautions import cautions_of
from shimfit.core.stock import lots_from_csv
from shimfit.errors import Exit, UsageError
from shimfit.model import Face
from shimfit.outputs import RAILS_CSV
from shimfit.quantities import shown
from shimfit.quantities.typed import Units, parse_pairs, to_unit
from shimfit.report import tables
from shimfit.report.tables import Section, SheetFacts, columns

if TYPE_CHECKING:
    from shimfit.core.lineup import LegLine
    from shimfit.core.makeup import BuildUp, MakeUpSheet, PostMakeUp, Pressure, ShopLine
    from shimfit.workflow.runs import RunRails


LEAST_MITRE_DEG = 0.05
"""A saw is set no finer: below this a rail's end counts as square in plan."""
LEAST_SAID_MM = 0.05
"""An aim below this counts as plumb, tops closer to a line than this as in line."""


def run_rails(args: Args, io: Io) -> int:
    """Print rail lengths; 1 when an opening is over its limit."""
    from shimfit.workflow import runs

    one_to_stdout(args, RAILS_CSV)
    with open_run(args, io) as (site, state):
        facts, lengths = sheet_facts(site, state), lengths_in(args, state.units)
        heights = [lengths("at", part) for part in args.at.split(",")]
        limit = None if args.opening is None else lengths("opening")
        depth, thick = lengths("rail_depth"), lengths("rail_thick")
        found = runs.rails_of(state, heights, depth, limit, turn_deg=args.corner_deg, thick_mm=thick)
    data = rails_json(state.job, state.name, found)
    if args.csv is not None:  # neighbours between which nothing is known have a line without figures
        rows = [row | {"to_verify": " ".join(row["to_verify"])} for row in data["rails"] + data["unknown"]]
        table = csvfile.text_of([_COLUMNS, *([row.get(name) for name in _COLUMNS] for row in rows)])
        io.write_beside(args, args.csv, table.encode(), RAILS_CSV)
    unsure = found.unsure(*found.posts)
    lead = f"{shown.counted(len(found.rails), 'rail')} between {len(found.posts)} posts as they stand."
    if unsure:
        lead += f" Cut no rail to a post before a reading proves it plumb: {', '.join(unsure)}."
    sections = rails_sections(found, state.faces, state.units)
    _print(args, io, "Rails", facts, data, lead=lead, sections=sections, cautions=cautions_of("rails"))
    if unsure and (args.json or "-" in (args.pdf, args.csv)):  # the lead says it where sentences are shown
        known = ", ".join(f"{name} ({found.posts[name].lean_known})" for name in unsure)
        io.talk(f"caution: cut no rail to a post before a reading proves it plumb: {known}")
    return Exit.OVER if any(one.over_mm for one in found.openings) else Exit.DONE


def _print(
    args: Args, io: Io, title: str, facts: SheetFacts, data: dict[str, Any], *,
    lead: str, sections: Sequence[Section], cautions: Sequence[str],
) -> None:  # fmt: skip
    """A sheet on every front that was asked for: on paper, and in sentences or as JSON."""
    if args.pdf is not None:
        from shimfit.report.sheets import sheet_pdf

        page = sheet_pdf(title, facts, sections, lead=lead, cautions=cautions, paper=args.paper)
        io.write_beside(args, args.pdf, page)
    to_stdout = "-" in (args.pdf, vars(args).get("csv"))
    io.tell([] if to_stdout else [lead, *tables.lines(sections), *cautions], data)


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


def _aim(mm: float, units: Units) -> str:
    """A fraction of a millimetre, too fine for sixteenths."""
    return shown.fine(mm, units) if units == "mm" else shown.thickness(mm, units)


def rails_sections(found: RunRails, faces: Mapping[Face, str], units: Units) -> list[Section]:
    """A table of rails for each height, pairs of which nothing is known, openings too wide, leans."""
    rails: dict[str, list[tuple[str, ...]]] = {}
    for rail in found.rails:
        lengths = (shown.fine(mm, units) for mm in (rail.square_mm, rail.bevelled_mm))
        bevels = (shown.angle(deg, sign=True) for deg in (rail.bevel_first_deg, rail.bevel_second_deg))
        unsure = [
            f"{name} {found.posts[name].lean_known.replace(', ', ' but ')}"
            for name in found.unsure(rail.first, rail.second)
        ]
        else_ = [f"{', '.join(unsure)}: do not cut yet"] if unsure else []
        if abs(rail.mitre_first_deg) >= LEAST_MITRE_DEG:
            longer = faces[Face.OUT if rail.mitre_first_deg > 0 else Face.HOUSE]
            thick, fouls = shown.lean(rail.thick_mm, units), shown.fine(rail.fouls_mm, units)
            else_.append(
                f"at {rail.first} mitre {shown.angle(abs(rail.mitre_first_deg))} in plan, {longer} edge "
                "longer: cut square "
                + (
                    f"at the middle's length a {thick} rail fouls by {fouls}"
                    if rail.thick_mm
                    else "it fouls the post (--rail-thick tells by how much)"
                )
            )
        if rail.depth_mm and abs(rail.difference_mm) >= LEAST_SAID_MM:
            longer = "longer" if rail.difference_mm > 0 else "shorter"
            else_.append(f"upper edge {_aim(rail.difference_mm, units)} {longer} than the lower")
        row = f"{rail.first} – {rail.second}", *lengths, " and ".join(bevels), "; ".join(else_)
        rails.setdefault(shown.lean(rail.at_mm, units), []).append(("" if unsure else tables.TICK, *row))
    unknown = [
        (f"{first} – {second}", ", ".join(name for name in (first, second) if found.lean(name) == "unknown"))
        for first, second in found.unknown
    ]
    too_wide = [
        (
            f"{one.first} – {one.second}",
            *(shown.fine(mm, units) for mm in (one.widest_mm, one.over_mm)),
            shown.lean(one.limit_mm, units),
        )
        for one in found.openings
        if one.over_mm
    ]
    leans: dict[str, list[str]] = {}
    for name, post in found.posts.items():
        leans.setdefault(post.lean_known, []).append(name)
    bevelled = "Bevels: off square at each end, + where the post's top leans into the opening."
    by_height = [
        Section(
            f"Rails at {at}",
            columns(
                *("", ("between", f"{{:^11}} at {at}: "), ("cut square", "cut square {}; ")),
                *(("or bevelled, long points", "or bevelled {}, "), ("bevels", "ends {}")),
                ("what else", "; {}"),
                bold="cut square",
            ),
            rows,
            bevelled,
        )
        for at, rows in rails.items()
    ]
    unread = "no reading says how that stands now; read post {}"
    over = ("between", "opening {}: "), ("widest", "{}, "), ("over the limit by", "{} over ")
    return [
        *by_height,
        Section(
            "Not known yet",
            columns(("between", "{:^11} not known: "), ("no reading says how it stands now", unread)),
            unknown,
        ),
        Section("Openings wider than the limit", columns(*over, ("limit", "the limit of {}")), too_wide),
        Section(
            "How each post is known to stand",
            columns(("lean", "lean {}: "), ("posts", "post {}"), bold="lean"),
            [(lean, ", ".join(names)) for lean, names in leans.items()],
        ),
    ]


def run_lineup(args: Args, io: Io) -> int:
    """Print the targets that bring the tops of each leg closest to a line."""
    from shimfit.workflow.runs import line_up_run

    with open_run(args, io) as (_, state):
        legs = line_up_run(state, parse_pairs(args.off, state.units), args.share)
    hint = "no string-line offsets: add --off POST=L for each foot that is off the string"
    if args.off:
        offsets = " ".join(f"--off {text}" for text in args.off)
        hint = f"packs for these aims: shimfit plan {args.path} --line-up {offsets}"
    data = [asdict(leg) for leg in legs]
    for leg in data:
        for target in leg["targets"]:
            target["post"] = target.pop("name")
    lines = chain(_lineup_lines(legs, state.faces, state.units), (hint,))
    return io.tell(lines, {"job": state.job, "run": state.name, "legs": data})


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


def run_kit(args: Args, io: Io) -> int:
    """Print what to cut or buy before the day."""
    from shimfit.text.plan_phrases import bought_words
    from shimfit.workflow.runs import kit_for_run

    one_to_stdout(args)
    offered = () if args.shop is None else lots_from_csv(*io.text_of(args.shop))
    with open_run(args, io) as (site, state):
        answer = kit_for_run(site, state.job, state.name, fall=args.fall, posts=args.posts, offered=offered)
        facts = sheet_facts(site, state)
    pieces = Section(
        "To cut or buy",
        columns("", ("pieces", "  {:>3} × "), ("what", "{}"), ("if you cut them", "; {}"), bold="pieces"),
        [(tables.TICK, str(line["count"]), *bought_words(line, state.units)) for line in answer["lines"]],
    )
    lead, cautions = answer["words"], cautions_of("kit")
    _print(args, io, "Kit", facts, answer, lead=lead, sections=[pieces], cautions=cautions)
    return Exit.DONE


_BUILD_UP = {
    "top_height_mm": "top", "bottom_rail_mm": "rail", "bottom_rail_depth_mm": "rail_depth",
    "access_hole_mm": "hole", "washer_outer_mm": "washer", "washer_hole_mm": "washer_hole",
    "washer_mm": "washer_thick", "nut_mm": "nut", "past_nut_mm": "past",
}  # fmt: skip
"""Length of the make-up -> the option that gives it."""


def run_makeup(args: Args, io: Io) -> int:
    """Print the make-up sheet and the shop list; 1 when a pressure is over the allowable."""
    from shimfit.core import makeup

    one_to_stdout(args)
    with open_run(args, io) as (site, state):
        facts, lengths = sheet_facts(site, state), lengths_in(args, state.units)
        beds = parse_pairs(args.bed_height, state.units)
        beds_typed = dict(beds)
        build_up = makeup.BuildUp(
            **{field: lengths(option) for field, option in _BUILD_UP.items()},
            below=tuple(parse_pairs(args.below, state.units).items()),
            clamp_newton=to_unit(args.clamp, "N", "force"),
            washer_allowable_mpa=to_unit(args.washer_allows, "MPa", "pressure"),
            foot_allowable_mpa=to_unit(args.foot_allows, "MPa", "pressure"),
        )
        posts = [(post.name, beds.pop(post.name, 0.0), post.foot) for post in state.posts]
        if beds:
            raise UsageError(f"{args.path} has no post {', '.join(beds)}")
        sheet = makeup.make_up(posts, build_up)
        usual_mm = 1.0 if state.units == "mm" else 25.4 / 16
        shop = makeup.shop_list(sheet, usual_mm if args.step is None else lengths("step"))
    pressures = [asdict(one) | {"share": one.share} for one in sheet.pressures]
    data = {"job": state.job, "run": state.name} | asdict(sheet)
    data |= {"pressures": pressures, "shop": list(map(asdict, shop))}
    over = sum(one.share > 1 for one in sheet.pressures)
    too_much = f"; {shown.counted(over, 'pressure')} over the allowable" if over else ""
    lead = f"{len(sheet.posts)} posts and their rods{too_much}."
    cautions = (*(shown.sentence(one, state.units) for one in sheet.cautions), *cautions_of("makeup"))
    sections = [*_makeup_sections(sheet, shop, state.units), _given(args, build_up, beds_typed, state.units)]
    _print(args, io, "Make-up", facts, data, lead=lead, sections=sections, cautions=cautions)
    return Exit.OVER if over else Exit.DONE


def _given(args: Args, made: BuildUp, beds: Mapping[str, float], units: Units) -> Section:
    """What it was worked out from, in the words of the command's own page; beds: heights in mm."""
    says = {one.dest: one.says.partition(", like ")[0] for one in args.command.takes}
    given = [(says[option], getattr(made, field)) for field, option in _BUILD_UP.items()]
    given += [(f"the rod passes {name}", mm) for name, mm in made.below]
    given += [(f"height of the bed at post {name} above the datum", mm) for name, mm in beds.items()]
    rows = [(what, f"{'-' if mm < 0 else ''}{shown.sized(mm, units)}") for what, mm in given]
    rows += [
        (says["clamp"], shown.force(made.clamp_newton, units)),
        (says["washer_allows"], shown.stress(made.washer_allowable_mpa, units)),
        (says["foot_allows"], shown.stress(made.foot_allowable_mpa, units)),
    ]
    return Section("Worked out from", columns(("what", "{}: "), ("as given", "{}")), rows)


def _makeup_sections(sheet: MakeUpSheet, shop: Sequence[ShopLine], units: Units) -> list[Section]:
    """What to cut or buy, each post, each pressure against what is allowed."""

    def pressure(one: Pressure) -> tuple[str, ...]:
        of = f" (post{'s' * (len(one.posts) > 1)} {', '.join(one.posts)})" if one.posts else ""
        found = shown.stress(one.pressure_mpa, units, unit=False)
        allowed, area = shown.stress(one.allowable_mpa, units), shown.area(one.area_mm2, units)
        too_much = "TOO MUCH" if one.share > 1 else ""
        return f"{one.what}{of}", f"{found} of {allowed}", shown.share(one.share), area, too_much

    def post(one: PostMakeUp) -> tuple[str, ...]:
        lengths = one.cut_length_mm, one.rod_length_mm, one.access_hole_height_mm
        return tables.TICK, one.name, *(shown.fine(mm, units) for mm in lengths)

    shopped = [(tables.TICK, str(one.count), one.what, shown.lean(one.length_mm, units)) for one in shop]
    to_buy = "", ("pieces", "{:>3} × "), ("what", "{} "), ("length", "{}")
    of_a_post = "", ("post", "{:>4}  "), ("cut to", "post {}, "), ("rod", "rod {}, ")
    of_an_area = ("under", "pressure under the {}: "), ("pressure of allowed", "{}"), ("share", " ({})")
    access = "access hole above the foot", "access hole at {}"
    return [
        Section("To cut or buy", columns(*to_buy, bold="length"), shopped),
        Section("Each post", columns(*of_a_post, access, bold="post"), list(map(post, sheet.posts))),
        Section(
            "Pressures",
            columns(*of_an_area, ("on", " on {}"), ("", ", {}"), bold="under"),
            list(map(pressure, sheet.pressures)),
        ),
    ]
