"""Commands for before the day: kit, makeup."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from shimfit.cli.io import lengths_in, open_site, told_in
from shimfit.core.cautions import cautions_of
from shimfit.errors import Exit, UsageError
from shimfit.quantities import shown
from shimfit.quantities.typed import parse_pairs

if TYPE_CHECKING:
    from collections.abc import Iterator

    from shimfit.cli.io import Io
    from shimfit.core.makeup import MakeUpSheet, ShopLine
    from shimfit.quantities.typed import Units


def run_kit(args: argparse.Namespace, io: Io) -> int:
    """Print what to cut or buy before the day."""
    from shimfit.core.stock import lots_from_csv
    from shimfit.workflow.kit import kit_for_run
    from shimfit.workflow.place import parse_run

    job, run = parse_run(args.path)
    offered = () if args.shop is None else lots_from_csv(io.read_text(args.shop), args.shop)
    with open_site(args, io, read_only=True) as site:
        answer = kit_for_run(site, job, run, fall=args.fall, posts=args.posts, offered=offered)
    if args.json:
        io.json(answer)
    else:
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
    from shimfit.workflow.place import parse_run

    job, run = parse_run(args.path)
    with open_site(args, io, read_only=True) as site:
        state = site.run(job, run)
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
    with told_in(state.units):
        sheet = makeup.make_up(posts, build_up)
        shop = makeup.shop_list(sheet, lengths(args.step or ("1mm" if state.units == "mm" else "1/16in")))
    if args.json:
        from dataclasses import asdict

        told = asdict(sheet)
        for pressure, row in zip(sheet.pressures, told["pressures"], strict=True):
            row["share"] = pressure.share
        io.json({"job": job, "run": run, **told, "shop": [asdict(line) for line in shop]})
    else:
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
        under = f" of post {', '.join(pressure.posts)}" if pressure.posts else ""
        found = shown.stress(pressure.pressure_mpa, units, unit=False)
        yield (
            f"pressure under the {pressure.what}{under}: {found} "
            f"of {shown.stress(pressure.allowable_mpa, units)} ({100 * pressure.share:.0f} %) on "
            f"{shown.area(pressure.area_mm2, units)}{too_much}"
        )
    for one in shop:
        yield f"{one.count:>3} × {one.what} {shown.lean(one.length_mm, units)}"
    for caution in sheet.cautions:
        yield f"! {shown.sentence(caution, units)}"
