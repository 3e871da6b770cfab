"""Commands for the box and for instruments: import, list, add, out, export; enter, list, check end for end.

Box and instruments are the person's, shared by all jobs.
"""

from __future__ import annotations

from dataclasses import asdict, replace
from typing import Any

from shimfit.cli.io import Args, Io, answered_again, counted_wrong, open_site, units_of
from shimfit.core.cautions import caution_of_material
from shimfit.core.stock import THICKEST_MM, lot_from_row, lots_from_csv, lots_to_csv
from shimfit.entry import EntrySettings, parse_reading
from shimfit.errors import Exit, FileError, UsageError
from shimfit.model import Instrument, Lot
from shimfit.outputs import STOCK_CSV
from shimfit.quantities import shown
from shimfit.quantities.typed import parse_height, parse_length, to_slope
from shimfit.settings import Units
from shimfit.text.phrases import lot_size


def run_import(args: Args, io: Io) -> int:
    """Put the lots of a CSV file in the box: all of them or, when a line is wrong, none."""
    lots = lots_from_csv(*io.text_of(args.file))
    with open_site(args, io, makes=True) as site:
        site.import_stock(lots, args.file)
        answered = answered_again(site, io)
    pieces = sum(lot.count for lot in lots)
    words = f"{shown.counted(len(lots), 'lot')}, {shown.counted(pieces, 'piece')} put in the box"
    if rots := caution_of_material(lot.material or "" for lot in lots):
        io.talk(f"caution: {rots}")
    return io.tell(words, {"lots": len(lots), "pieces": pieces, "answered": answered})


def run_list(args: Args, io: Io) -> int:
    """Show what is in the box."""
    from shimfit.text.plan_phrases import remainder
    from shimfit.workflow.plan import lot_json

    with open_site(args, io, read_only=True) as site:
        box, units = site.box(), args.units or site.settings.units
        wrong = counted_wrong(site, units)
    rows = [lot_json(lot, box.stock) for lot in box.lots]
    lines = [] if rows else ["the box is empty: shimfit stock import FILE.csv"]
    for lot, row in zip(box.lots, rows, strict=True):
        pencilled = f"; {remainder(row, lambda mm: shown.tape(mm, units))}" if "cut_from" in row else ""
        lines.append(_lot_line(lot, units) + pencilled)
    twice = [asdict(one) for one in box.taken_twice]
    faults = {"short": list(map(list, box.short)), "taken_twice": twice, "unread": list(box.unread)}
    io.tell(lines, {"lots": rows, **faults})
    for caution in wrong:
        io.talk(caution)
    return Exit.DONE


def run_export(args: Args, io: Io) -> int:
    """Write the box as CSV."""
    with open_site(args, io, read_only=True) as site:
        lots = site.box().lots
    return io.export(args, lots_to_csv(lots).encode(), STOCK_CSV, {"lots": len(lots)})


def run_out(args: Args, io: Io) -> int:
    """Take a lot, or some of it, out of the box."""
    if args.count is not None and args.count < 1:
        raise UsageError(f"{args.count} pieces can't be gone: say how many are, or none for the whole lot")
    with open_site(args, io) as site:
        words = site.out_of(args.lot, args.count)
        left = site.box().lot(args.lot)
        answered = answered_again(site, io)
    count = 0 if left is None else left.count
    data = {"message": words, "lot": args.lot, "left": count, "state": "in the box" if count else "used up"}
    data["answered"] = answered
    return io.tell(words, data)


def run_add(args: Args, io: Io) -> int:
    """Put one lot in the box."""
    units = units_of(args, io)
    row = {name: getattr(args, name) for name in ("lot", "form", "count", "material", "origin", "note")}
    for name in ("length", "width", "thickness", "thin", "thick"):
        text = getattr(args, name)
        if text is not None:
            row[f"{name}_mm"] = repr(parse_length(text, units, what=name, zero_ok=name == "thin"))
    try:
        lot = lot_from_row(row)
    except FileError as error:
        column = error.column or "lot"
        option = column.upper() if column in ("lot", "form") else f"--{column.removesuffix('_mm')}"
        raise UsageError(f"{option} {error.reason}") from None
    if lot.thickest_mm > THICKEST_MM:
        io.talk(f"caution: {shown.sized(lot.thickest_mm, units)} is thick for a pack; a wrong unit?")
    with open_site(args, io, makes=True) as site:
        lot = replace(lot, lot=site.add_stock(lot))
        answered = answered_again(site, io)
    if rots := caution_of_material([lot.material or ""]):
        io.talk(f"caution: {rots}")
    data = {"lot": lot.lot, "count": lot.count, "answered": answered}
    return io.tell(_lot_line(lot, units), data)


def _lot_line(lot: Lot, units: Units) -> str:
    kind = f"{lot.lot:<10} {lot.count:>4} x {lot.form:<6} {lot_size(lot, units):<34}"
    said = f"{lot.material} {lot.origin}".strip()
    return f"  {kind} {'; '.join(filter(None, (said, lot.note)))}".rstrip()


# ---------------------------------------------------------------- instruments


KINDS = ("level", "plumb-line", "inclinometer")
ROUGHEST = 0.05
"""Slope; what reads no closer than 50 mm in 1 m is no instrument (common practice, no source)."""


def run_instrument_add(args: Args, io: Io) -> int:
    """Enter an instrument."""
    from shimfit.entry.grammar import LONGEST_MM, SHORTEST_MM
    from shimfit.workflow.instruments import enter

    units = units_of(args, io)
    length_mm = parse_length(args.length, units, what="length") if args.length else None
    least_mm = SHORTEST_MM if str(args.length)[-1:].isdigit() else 0.0  # a unit is no slip of it
    if length_mm is not None and not least_mm <= length_mm <= LONGEST_MM:
        than = "longer" if length_mm > LONGEST_MM else "shorter"
        long = f"{length_mm / 1000:g} m" if units == "mm" else shown.distance(length_mm, units)
        raise UsageError(f"a level of {long} is {than} than levels are: a wrong unit?")
    accuracy = None
    if args.accuracy is not None:
        accuracy = to_slope(args.accuracy)
        if accuracy > ROUGHEST:
            raise UsageError(
                f"an accuracy of {1000 * accuracy:g} mm/m is too rough: type it like 0.5mm/m or 0.03deg"
            )
    graduation_mm = parse_length(args.graduation, units, what="graduation") if args.graduation else None
    if graduation_mm is not None and graduation_mm > ROUGHEST * (length_mm or 1000.0):
        wide = shown.sized(graduation_mm, units)
        raise UsageError(f"nothing is read plumb by marks {wide} apart: a wrong unit?")
    instrument = Instrument(
        args.name,
        args.kind,
        length_mm=length_mm,
        accuracy_slope=accuracy,
        graduation_mm=graduation_mm,
        serial=args.serial,
    )
    with open_site(args, io, makes=True) as site:
        cautions = enter(site, instrument)
    lines = [f"{args.name} is entered", *(f"caution: {shown.sentence(one, units)}" for one in cautions)]
    return io.tell(lines, {"instrument": args.name, "cautions": list(cautions)})


def run_instrument_list(args: Args, io: Io) -> int:
    """List instruments."""
    from shimfit.core.instruments import stated_accuracy
    from shimfit.report.words import zero as zero_words
    from shimfit.workflow.instruments import due

    with open_site(args, io, read_only=True) as site:
        instruments, units = site.box().instruments, site.settings.units
        prompts = due(site, site.journal.now().date())
    lines = []
    if not instruments:
        lines.append("no instrument is entered: shimfit instrument add NAME --kind level --accuracy 0.5mm/m")
    for one in instruments:
        zero = f"not checked since it was dropped {one.dropped[:10]}" if one.dropped else "never checked"
        if one.u_zero is not None:
            found = zero_words(one.zero_along, one.zero_across, one.u_zero, units)
            zero = f"{found}, checked {(one.checked or '')[:10]}"
        lines.append(f"  {one.name:<12} {one.kind:<12} ±{shown.slope(stated_accuracy(one), units)}  {zero}")
    data = {"instruments": [asdict(one) for one in instruments], "due": list(prompts)}
    return io.tell([*lines, *prompts], data)


def run_instrument_dropped(args: Args, io: Io) -> int:
    """It was dropped or taken apart: its zero counts no more."""
    from shimfit.workflow.instruments import drop, named

    with open_site(args, io) as site:
        drop(site, named(site, args.name))
    words = f"{args.name}: its zero counts no more; turn it end for end at a post to find it again"
    return io.tell(words, {"instrument": args.name, "zero": None})


def run_instrument_check(args: Args, io: Io) -> int:
    """Find an instrument's zero from two faces."""
    from shimfit.report.words import zero as zero_words
    from shimfit.workflow.instruments import check

    units = units_of(args, io)
    settings = EntrySettings(units=units)
    first, second = parse_reading(args.first, settings), parse_reading(args.second, settings)
    with open_site(args, io) as site:
        found = check(site, args.name, first, second, parse_height(args.height, units))
    data: dict[str, Any] = {
        "instrument": args.name,
        "zero": {"slope_along": found.zero.along, "slope_across": found.zero.across, "u": found.zero.u},
        "lean": {"slope_along": found.lean.slope_along, "slope_across": found.lean.slope_across},
        "question": found.words,
    }
    zero = zero_words(found.zero.along, found.zero.across, found.zero.u, units)
    words = f"{args.name}: {zero}; it is taken off from now on"
    return io.tell(filter(None, (words, shown.sentence(found.words or "", units))), data)
