"""Commands for the box: import, list, add, out, export. The box is one, shared by all jobs."""

from __future__ import annotations

import argparse
from dataclasses import asdict
from typing import TYPE_CHECKING

from shimfit.cli.context import add_force, answered_again, open_site, units_of
from shimfit.core.cautions import caution_of_material
from shimfit.errors import Exit, FileError, UsageError
from shimfit.outputs import STOCK_CSV
from shimfit.quantities import shown

if TYPE_CHECKING:
    from shimfit.cli.io import Commands, Io
    from shimfit.model import Lot
    from shimfit.settings import Units

THICKEST_MM = 50.0
"""A flat or taper thicker than this is asked about (common practice, no source)."""


def add_parsers(commands: Commands, common: argparse.ArgumentParser) -> None:
    """Add `stock`."""
    stock = commands.add_parser(
        "stock",
        help="the box of packs, one for all jobs",
        epilog="example:\n  shimfit stock import fixtures/stock/boardwalk_box.csv",
    )
    of_stock = stock.add_subparsers(metavar="WHAT", required=True)
    imported = of_stock.add_parser(
        "import", parents=[common], help="put counted lots in the box, from a CSV file"
    )
    imported.add_argument(
        "file",
        metavar="FILE",
        help="one lot a line: lot, form, count, thickness_mm, …; `stock export -` shows the form (- = stdin)",
    )
    imported.set_defaults(run=run_import)
    listed = of_stock.add_parser("list", parents=[common], help="what is in the box")
    listed.add_argument("--units", choices=("mm", "inch"), help="what sizes are told in")
    listed.set_defaults(run=run_list)
    export = of_stock.add_parser("export", parents=[common], help="write the box as CSV")
    export.add_argument("file", metavar="FILE", help="where to write; - is stdout")
    add_force(export)
    export.set_defaults(run=run_export)
    out = of_stock.add_parser(
        "out", parents=[common], help="I'm out of this: take a lot, or N of it, out of the box"
    )
    out.add_argument("lot", metavar="LOT", help="name of the lot, as in `stock list`")
    out.add_argument(
        "count", metavar="N", nargs="?", type=int, help="how many pieces are gone; none: all of it"
    )
    out.set_defaults(run=run_out)
    add = of_stock.add_parser(
        "add",
        parents=[common],
        help="put one lot in the box",
        epilog="example:\n  shimfit stock add T9 taper --length 200mm --thin 0.5mm --thick 6mm --count 2",
    )
    add.add_argument("lot", metavar="LOT", help="a name to find it by, like T9")
    add.add_argument(
        "form",
        choices=("flat", "taper", "strip"),
        help="flat: one thickness; taper: thin to thick, to cut from; strip: wood to saw wedges from",
    )
    add.add_argument("--count", default="1", metavar="N", help="how many alike (default 1)")
    for name, what in (
        ("length", "of a taper or strip (wanted), of a flat if it is less than the seat"),
        ("width", "of a strip (wanted): its wedges are that long"),
        ("thickness", "of a flat or strip (wanted)"),
        ("thin", "thickness of a taper's thin end (wanted)"),
        ("thick", "thickness of a taper's thick end (wanted)"),
    ):
        add.add_argument(f"--{name}", metavar="L", help=what)
    add.add_argument("--material", default="", metavar="NAME", help="what it is of, like hdpe or oak")
    add.add_argument("--origin", choices=("offcut", "bought"), default="offcut", help="default: offcut")
    add.add_argument("--note", default="", metavar="TEXT", help="a word to keep with it")
    add.add_argument("--units", choices=("mm", "inch"), help="what a bare number means")
    add.set_defaults(run=run_add)


def run_import(args: argparse.Namespace, io: Io) -> int:
    """Put the lots of a CSV file in the box: all of them or, when a line is wrong, none."""
    from shimfit.core.stock import lots_from_csv

    lots = lots_from_csv(io.read_text(args.file), args.file)
    with open_site(args, io, makes=True) as site:
        site.import_stock(lots, args.file)
        answered = answered_again(site, io)
    pieces = sum(lot.count for lot in lots)
    words = f"{len(lots)} lots, {pieces} pieces are in the box"
    if rots := caution_of_material(lot.material or "" for lot in lots):
        io.talk(f"caution: {rots}")
    return io.tell(words, {"lots": len(lots), "pieces": pieces, "answered": answered}, as_json=args.json)


def run_list(args: argparse.Namespace, io: Io) -> int:
    """Show what is in the box."""
    from shimfit.core.ledger import taken_twice_words
    from shimfit.report.words import length, unit
    from shimfit.text.plan_phrases import remainder
    from shimfit.workflow.plan.answer import lot_json

    with open_site(args, io, read_only=True) as site:
        box, units = site.box(), args.units or site.settings.units
    if args.json:
        io.json(
            {
                "lots": [lot_json(lot, box.stock) for lot in box.lots],
                "short": [list(one) for one in box.short],
                "taken_twice": [asdict(one) for one in box.taken_twice],
            }
        )
        return Exit.DONE
    if not box.lots:
        io.say("the box is empty: shimfit stock import FILE.csv")
    for lot in box.lots:
        row = lot_json(lot, box.stock)
        said = (
            f"; {remainder(row, lambda mm: f'{length(mm, units)} {unit(units)}')}"
            if "cut_from" in row
            else ""
        )
        io.say(_lot_line(lot, units) + said)
    for name, count in box.short:
        io.talk(f"caution: {count} more of {name} were used than were in the box: count it again")
    for one in box.taken_twice:
        io.talk(f"caution: {shown.sentence(taken_twice_words(one), units)}")
    return Exit.DONE


def run_export(args: argparse.Namespace, io: Io) -> int:
    """Write the box as CSV."""
    from shimfit.core.stock import lots_to_csv

    with open_site(args, io, read_only=True) as site:
        io.write(args.file, lots_to_csv(site.box().lots).encode(), STOCK_CSV, args)
    return Exit.DONE


def run_out(args: argparse.Namespace, io: Io) -> int:
    """Take a lot, or some of it, out of the box."""
    if args.count is not None and args.count < 1:
        raise UsageError(f"{args.count} pieces can't be gone: say how many are, or none for the whole lot")
    with open_site(args, io) as site:
        words = site.out_of(args.lot, args.count)
        left = site.box().lot(args.lot)
    count = 0 if left is None else left.count
    told = {"message": words, "lot": args.lot, "left": count, "state": "in the box" if count else "used up"}
    return io.tell(words, told, as_json=args.json)


def run_add(args: argparse.Namespace, io: Io) -> int:
    """Put one lot in the box."""
    from shimfit.core.stock import lot_from_row
    from shimfit.entry import parse_length

    units = units_of(args, io)
    row = {
        "lot": args.lot,
        "form": args.form,
        "count": args.count,
        "material": args.material,
        "origin": args.origin,
        "note": args.note,
    }
    for name in ("length", "width", "thickness", "thin", "thick"):
        text = getattr(args, name)
        if text is not None:
            row[f"{name}_mm"] = repr(parse_length(text, units, what=name, zero_ok=name == "thin"))
    try:
        lot = lot_from_row(row)
    except FileError as error:
        # Told as what was typed: no file, no column.
        reason = error.message.partition(": ")[2].rstrip(".")
        column = error.column or "lot"
        option = column.upper() if column in ("lot", "form") else f"--{column.removesuffix('_mm')}"
        raise UsageError(f"{option} {reason}") from None
    thickest_mm = max(lot.thickness_mm or 0.0, lot.thick_mm or 0.0)
    if lot.form != "strip" and thickest_mm > THICKEST_MM:
        io.talk(f"caution: {shown.sized(thickest_mm, units)} is thick for a pack; a wrong unit?")
    with open_site(args, io, makes=True) as site:
        site.add_stock(lot)
        answered = answered_again(site, io)
    if rots := caution_of_material([lot.material or ""]):
        io.talk(f"caution: {rots}")
    told = {"lot": lot.lot, "count": lot.count, "answered": answered}
    return io.tell(_lot_line(lot, units), told, as_json=args.json)


def _lot_line(lot: Lot, units: Units) -> str:
    from shimfit.text.phrases import lot_size

    kind = f"{lot.lot:<10} {lot.count:>4} x {lot.form:<6} {lot_size(lot, units):<34}"
    return f"  {kind} {lot.material} {lot.origin} {lot.note}".rstrip()
