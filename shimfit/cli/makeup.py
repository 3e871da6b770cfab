"""Commands for before the day: kit, makeup."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from shimfit.cli.io import lengths_in, one_to_stdout, open_site, sheet_facts
from shimfit.core.cautions import cautions_of
from shimfit.errors import Exit, UsageError
from shimfit.quantities import shown
from shimfit.quantities.shown import refused_in
from shimfit.quantities.typed import parse_pairs

if TYPE_CHECKING:
    from collections.abc import Iterator

    from shimfit.cli.io import Io
    from shimfit.core.makeup import MakeUpSheet, Pressure, ShopLine
    from shimfit.quantities.typed import Units
    from shimfit.report.sheets import SheetFacts


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
    if args.json:
        io.json(answer)
    elif args.pdf != "-":
        io.say(answer["words"])
        for line in answer["lines"]:
            io.say(f"  {line['count']:>3} × {line['what']}")
        for text in cautions_of("kit"):
            io.say(text)
    return Exit.DONE


def _in(text: str, unit: str, what: str) -> float:
    """What was typed, in the unit; a bare number is in it already. EntryError."""
    from shimfit.quantities.typed import to_unit

    return to_unit(text if text.strip()[-1:].isalpha() or "/" in text else f"{text} {unit}", unit, what)


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
        clamp_newton=_in(args.clamp, "N", "force"),
        washer_allowable_mpa=_in(args.washer_allows, "MPa", "pressure"),
        foot_allowable_mpa=_in(args.foot_allows, "MPa", "pressure"),
    )
    posts = [(post.name, beds.pop(post.name, 0.0), post.foot) for post in state.posts]
    if beds:
        raise UsageError(f"{args.path} has no post {', '.join(beds)}")
    with refused_in(state.units):
        sheet = makeup.make_up(posts, build_up)
        shop = makeup.shop_list(sheet, lengths(args.step or ("1mm" if state.units == "mm" else "1/16in")))
    if args.pdf is not None:
        io.write_paper(args, _makeup_pdf(sheet, shop, facts, args.paper))
    if args.json:
        from dataclasses import asdict

        data = asdict(sheet)
        for pressure, row in zip(sheet.pressures, data["pressures"], strict=True):
            row["share"] = pressure.share
        io.json({"job": job, "run": run, **data, "shop": [asdict(line) for line in shop]})
    elif args.pdf != "-":
        for line in _sheet_lines(sheet, shop, state.units):
            io.say(line)
        for text in cautions_of("makeup"):
            io.say(text)
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
