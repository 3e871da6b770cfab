"""Commands for instruments: enter one, list them, check one by turning it end for end."""

from __future__ import annotations

import argparse
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from shimfit.cli.context import open_site, units_of
from shimfit.errors import Exit, UsageError
from shimfit.quantities import shown
from shimfit.quantities.typed import parse_height

if TYPE_CHECKING:
    from shimfit.cli.io import Commands, Io
    from shimfit.settings import Units

KINDS = ("level", "plumb-line", "inclinometer")
ROUGHEST = 0.05
"""Slope; what reads no closer than 50 mm in 1 m is no instrument (common practice, no source)."""
LONGEST_MM = 10_000.0


def add_parsers(commands: Commands, common: argparse.ArgumentParser) -> None:
    """Add `instrument`."""
    instrument = commands.add_parser(
        "instrument",
        help="levels and other instruments: enter, list, check end for end",
        epilog="example:\n  shimfit instrument add level-A --kind level --length 600mm --accuracy 0.5mm/m",
    )
    of_instrument = instrument.add_subparsers(metavar="WHAT", required=True)
    add = of_instrument.add_parser(
        "add", parents=[common], help="enter an instrument, or what is now known of it"
    )
    add.add_argument("name", metavar="NAME", help="a name to find it by, like level-A")
    add.add_argument("--kind", choices=KINDS, default="level", help="default: level")
    add.add_argument("--length", metavar="L", help="length of a level")
    add.add_argument(
        "--accuracy", metavar="A", help="maker's limit: 0.5mm/m, 0.03deg (default: usual for the kind)"
    )
    add.add_argument("--graduation", metavar="L", help="step of its scale")
    add.add_argument("--units", choices=("mm", "inch"), help="what a bare number means")
    add.set_defaults(run=run_add)
    listed = of_instrument.add_parser("list", parents=[common], help="instruments, with the zero and its age")
    listed.set_defaults(run=run_list)
    check = of_instrument.add_parser(
        "check",
        parents=[common],
        help="find its zero: read a post, turn it end for end, read again",
        epilog='example:\n  shimfit instrument check level-A "3mm n 1mm o" "1mm n 1mm o" --height 1m',
    )
    check.add_argument("name", metavar="NAME", help="as it was entered")
    check.add_argument("first", metavar="ENTRY", help='what it read at a post: "3mm n 1mm o"')
    check.add_argument("second", metavar="ENTRY2", help="the same post, the instrument turned end for end")
    check.add_argument(
        "--height", required=True, metavar="L", help="height above the foot that it was read at"
    )
    check.add_argument("--units", choices=("mm", "inch"), help="what a bare number means")
    check.set_defaults(run=run_check)


def run_add(args: argparse.Namespace, io: Io) -> int:
    """Enter an instrument."""
    from shimfit.core.instruments import Instrument
    from shimfit.entry import parse_length
    from shimfit.workflow.instruments import enter

    units = units_of(args, io)
    length_mm = parse_length(args.length, units, what="length") if args.length else None
    if length_mm is not None and length_mm > LONGEST_MM:
        raise UsageError(f"a level of {length_mm / 1000:g} m is none: a wrong unit?")
    accuracy = None
    if args.accuracy is not None:
        from shimfit.quantities.typed import to_slope

        accuracy = to_slope(args.accuracy)
        if accuracy > ROUGHEST:
            raise UsageError(
                f"an accuracy of {1000 * accuracy:g} mm/m is none: type it like 0.5mm/m or 0.03deg"
            )
    instrument = Instrument(
        args.name,
        args.kind,
        length_mm=length_mm,
        accuracy_slope=accuracy,
        graduation_mm=parse_length(args.graduation, units, what="graduation") if args.graduation else None,
    )
    with open_site(args, io, makes=True) as site:
        cautions = enter(site, instrument)
    if args.json:
        io.json({"instrument": args.name, "cautions": list(cautions)})
    else:
        io.say(f"{args.name} is entered")
    for caution in [] if args.json else cautions:
        io.say(f"caution: {shown.sentence(caution, units)}")
    return Exit.DONE


def run_list(args: argparse.Namespace, io: Io) -> int:
    """List instruments."""
    from shimfit.core.instruments import stated_accuracy
    from shimfit.workflow.instruments import due

    with open_site(args, io, read_only=True) as site:
        instruments, units = site.box().instruments, site.settings.units
        prompts = due(site, site.now().date())
    if args.json:
        io.json({"instruments": [asdict(one) for one in instruments], "due": list(prompts)})
        return Exit.DONE
    if not instruments:
        io.say("no instrument is entered: shimfit instrument add NAME --kind level --accuracy 0.5mm/m")
    for one in instruments:
        zero = "never checked"
        if one.u_zero is not None:
            found = _zero(one.zero_along, one.zero_across, one.u_zero, units)
            zero = f"{found}, checked {(one.checked or '')[:10]}"
        io.say(f"  {one.name:<12} {one.kind:<12} ±{shown.slope(stated_accuracy(one), units)}  {zero}")
    for prompt in prompts:
        io.say(prompt)
    return Exit.DONE


def run_check(args: argparse.Namespace, io: Io) -> int:
    """Find an instrument's zero from two faces."""
    from shimfit.entry import EntrySettings, hear
    from shimfit.workflow.instruments import check

    units = units_of(args, io)
    settings = EntrySettings(units=units)
    first, second = hear(args.first, settings), hear(args.second, settings)
    with open_site(args, io) as site:
        found = check(site, args.name, first, second, parse_height(args.height, units))
    told: dict[str, Any] = {
        "instrument": args.name,
        "zero": {"slope_along": found.zero.along, "slope_across": found.zero.across, "u": found.zero.u},
        "lean": {"slope_along": found.lean.slope_along, "slope_across": found.lean.slope_across},
        "question": found.words,
    }
    if args.json:
        io.json(told)
        return Exit.DONE
    zero = _zero(found.zero.along, found.zero.across, found.zero.u, units)
    io.say(f"{args.name}: {zero}; it is taken off from now on")
    if found.words:
        io.say(shown.sentence(found.words, units))
    return Exit.DONE


def _zero(along: float, across: float, u: float, units: Units) -> str:
    both = f"{shown.slope(along, units, sign=True, unit=False)} along, "
    both += f"{shown.slope(across, units, sign=True, unit=False)} across"
    return f"zero {both} ± {shown.slope(2 * u, units)} (k = 2)"
