"""Commands for the posts as they stand, and are to stand, beside each other: rails, lineup."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from shimfit.cli.io import (
    check_output,
    lengths_in,
    open_site,
    told_in,
)
from shimfit.errors import Exit
from shimfit.model import Face
from shimfit.outputs import RAILS_CSV
from shimfit.quantities import shown
from shimfit.quantities.typed import parse_pairs

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from shimfit.cli.io import Io
    from shimfit.core.lineup import LegLine
    from shimfit.core.rails import Rail
    from shimfit.settings import Units
    from shimfit.workflow.standing import RunRails

LEAST_SAID_MM = 0.05
"""An aim below this is told as plumb, tops closer to a line than this as in line."""


def run_rails(args: argparse.Namespace, io: Io) -> int:
    """Print rail lengths; 1 when an opening is over its limit."""
    from shimfit.workflow import standing
    from shimfit.workflow.place import parse_run

    job, run = parse_run(args.path)
    check_output(args, args.csv, RAILS_CSV)
    with open_site(args, io, read_only=True) as site:
        state = site.run(job, run)
    lengths = lengths_in(state.units)
    heights = [lengths(part) for part in args.at.split(",")]
    limit = None if args.opening is None else lengths(args.opening)
    with told_in(state.units):
        found = standing.rails_of(state, heights, lengths(args.rail_depth), limit, turn_deg=args.corner_deg)
    if args.csv is not None:
        io.write(args.csv, _rails_csv(found).encode(), RAILS_CSV, args)
    if args.json:
        io.json(rails_json(job, run, found))
    elif args.csv != "-":
        for line in rail_lines(found, state.units):
            io.say(line)
    unsure = [f"{name} ({found.posts[name].lean_known})" for name in found.unsure(*found.posts)]
    if unsure:
        io.talk(f"caution: cut no rail to a post before a reading proves it plumb: {', '.join(unsure)}")
    return Exit.OVER if any(one.over_mm for one in found.openings) else Exit.DONE


def rails_json(job: str, run: str, found: RunRails) -> dict[str, Any]:
    """The rails of a run, as `rails --json` gives them."""
    return {
        "job": job,
        "run": run,
        "rails": [
            {
                "from": rail.first,
                "to": rail.second,
                "at_mm": rail.at_mm,
                "length_mm": rail.middle_mm,
                "top_mm": rail.top_mm,
                "bottom_mm": rail.bottom_mm,
                "difference_mm": rail.difference_mm,
                "square_mm": rail.square_mm,
                "bevelled_mm": rail.bevelled_mm,
                "bevel_from_deg": rail.bevel_first_deg,
                "bevel_to_deg": rail.bevel_second_deg,
                "from_lean": found.lean(rail.first),
                "to_lean": found.lean(rail.second),
                "to_verify": list(found.unsure(rail.first, rail.second)),
            }
            for rail in found.rails
        ],
        "posts": [
            {"post": name, "lean": found.lean(name), "decision": post.decision}
            for name, post in found.posts.items()
        ],
        "unknown": [{"from": first, "to": second} for first, second in found.unknown],
        "openings": [
            {
                "from": one.first,
                "to": one.second,
                "widest_mm": one.widest_mm,
                "at_mm": one.at_mm,
                "limit_mm": one.limit_mm,
                "over_mm": one.over_mm,
                "to_verify": list(found.unsure(one.first, one.second)),
            }
            for one in found.openings
        ],
    }


def _rails_csv(found: RunRails) -> str:
    """One line a rail; neighbours that nothing is told between have a line without figures."""
    from shimfit import csvfile

    header = (
        *("from", "to", "at_mm", "length_mm", "top_mm", "bottom_mm", "square_mm", "bevelled_mm"),
        *("bevel_from_deg", "bevel_to_deg", "from_lean", "to_lean", "to_verify"),
    )

    def known(first: str, second: str) -> tuple[str, str, str]:
        return found.lean(first), found.lean(second), " ".join(found.unsure(first, second))

    told = [
        (
            *(rail.first, rail.second, rail.at_mm, rail.middle_mm, rail.top_mm, rail.bottom_mm),
            *(rail.square_mm, rail.bevelled_mm, rail.bevel_first_deg, rail.bevel_second_deg),
            *known(rail.first, rail.second),
        )
        for rail in found.rails
    ]
    untold = [(first, second, *[None] * 8, *known(first, second)) for first, second in found.unknown]
    return csvfile.text_of([header, *told, *untold])


def rail_lines(found: RunRails, units: Units) -> Iterator[str]:
    """The same, a line each."""
    for rail in found.rails:
        unsure = ", ".join(f"{name} {found.lean(name)}" for name in found.unsure(rail.first, rail.second))
        yield _rail_line(rail, units) + (f"  [{unsure}: do not cut yet]" if unsure else "")
    for first, second in found.unknown:
        lost = ", ".join(name for name in (first, second) if found.lean(name) == "unknown")
        yield f"{first:>4} – {second:<4} not known: nothing tells how post {lost} stands now; read it"
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
    edges = ""
    if rail.depth_mm and abs(rail.difference_mm) >= LEAST_SAID_MM:
        longer = "longer" if rail.difference_mm > 0 else "shorter"
        told = shown.fine if units == "mm" else shown.thickness
        edges = f", upper edge {told(abs(rail.difference_mm), units)} {longer} than the lower"
    square, bevelled = shown.fine(rail.square_mm, units), shown.fine(rail.bevelled_mm, units)
    return (
        f"{rail.first:>4} – {rail.second:<4} at {shown.lean(rail.at_mm, units)}: cut square {square}; or "
        f"bevelled {bevelled}, ends {rail.bevel_first_deg:+.2f}° and {rail.bevel_second_deg:+.2f}°{edges}"
    )


def run_lineup(args: argparse.Namespace, io: Io) -> int:
    """Print the targets that bring the tops of each leg closest to a line."""
    from shimfit.text.phrases import face_names
    from shimfit.workflow.place import parse_run
    from shimfit.workflow.standing import line_up_run

    job, run = parse_run(args.path)
    with open_site(args, io, read_only=True) as site:
        state = site.run(job, run)
    with told_in(state.units):
        legs = line_up_run(state, parse_pairs(args.off, state.units), args.share)
    if args.json:
        io.json(
            {
                "job": job,
                "run": run,
                "legs": [
                    {
                        "leg": leg.leg,
                        "worst_before_mm": leg.worst_before_mm,
                        "worst_after_mm": leg.worst_after_mm,
                        "targets": [
                            {
                                "post": target.name,
                                "aim_across_mm": target.aim_across_mm,
                                "before_mm": target.before_mm,
                                "after_mm": target.after_mm,
                            }
                            for target in leg.targets
                        ],
                    }
                    for leg in legs
                ],
            }
        )
        return Exit.DONE
    for line in _lineup_lines(legs, face_names(state), state.units):
        io.say(line)
    if args.off:
        told = " ".join(f"--off {text}" for text in args.off)
        io.say(f"packs for these aims: shimfit plan {job}/{run} --line-up {told}")
    else:
        io.say("no foot is told to be off the string: tell those that are with --off POST=L")
    return Exit.DONE


def _lineup_lines(legs: Iterable[LegLine], names: Mapping[Face, str], units: Units) -> Iterator[str]:
    # Aims are fractions of a millimetre: too fine for sixteenths.
    told = shown.fine if units == "mm" else shown.thickness

    def sideways(mm: float) -> str:
        return f"{told(mm, units)} {names[Face.OUT if mm >= 0 else Face.HOUSE]}"

    for leg in legs:
        if leg.worst_before_mm < LEAST_SAID_MM:
            yield f"leg {leg.leg}: its tops are in line when plumb, nothing to aim ({len(leg.targets)} posts)"
            continue
        yield (
            f"leg {leg.leg}: tops within {told(leg.worst_before_mm, units)} of a line when plumb, "
            f"{told(leg.worst_after_mm, units)} as aimed"
        )
        for target in leg.targets:
            aim = "plumb" if abs(target.aim_across_mm) < LEAST_SAID_MM else sideways(target.aim_across_mm)
            yield (
                f"  {target.name:>4}  aim {aim:<14} off the line {sideways(target.before_mm)}, "
                f"then {sideways(target.after_mm)}"
            )
