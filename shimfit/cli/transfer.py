"""`shimfit export`, `import` and `salvage`: jobs from one machine to another, and out of a damaged file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from shimfit.cli.io import open_site
from shimfit.errors import Exit
from shimfit.outputs import EVENTS

if TYPE_CHECKING:
    import argparse

    from shimfit.cli.io import Io
    from shimfit.store.merge import Conflict, Imported
    from shimfit.store.salvage import Salvaged


def run_export(args: argparse.Namespace, io: Io) -> int:
    """Write the log, or one job of it."""
    from shimfit.store.merge import export_text

    with open_site(args, io, read_only=True) as site:
        text = export_text(site.journal, args.job)
    io.write(args.file, text.encode(), EVENTS, args)
    count = text.count("\n")
    if args.json and args.file != "-":
        io.json({"file": args.file, "events": count})
    else:
        io.talk(f"{count} events written to {'stdout' if args.file == '-' else args.file}")
    return Exit.DONE


def run_import(args: argparse.Namespace, io: Io) -> int:
    """Merge an export into the data file."""
    from shimfit.store.merge import import_text

    text = io.read_text(args.file)
    with open_site(args, io, makes=True) as site:
        name = "standard input" if args.file == "-" else args.file
        done = import_text(site.journal, text, name, with_box=args.box)
    if args.json:
        io.json(_imported_json(done))
    else:
        _say_imported(done, io)
    return Exit.DONE


def run_salvage(args: argparse.Namespace, io: Io) -> int:
    """Save what a damaged file still holds."""
    from shimfit.store.salvage import salvage

    done = salvage(Path(args.file), Path(args.new))
    if args.json:
        io.json(
            {
                "new": args.new,
                "saved": done.saved,
                "doubtful": list(done.doubtful),
                "missing": list(done.missing),
                "cut_off": done.cut_off,
            }
        )
    else:
        _say_salvaged(done, args.new, io)
    return Exit.DONE if done.complete else Exit.OVER


def _imported_json(done: Imported) -> dict[str, Any]:
    return {
        "new": done.new,
        "known": done.known,
        "jobs": list(done.jobs),
        "begun_twice": list(done.begun_twice),
        "box_joined": done.box_joined,
        "conflicts": [_conflict_json(conflict) for conflict in done.conflicts],
    }


def _conflict_json(conflict: Conflict) -> dict[str, Any]:
    return {
        "job": conflict.job,
        "run": conflict.run,
        "post": conflict.post or None,
        "why": conflict.why,
        "packs": conflict.packs,
    }


def _say_imported(done: Imported, io: Io) -> None:
    if not done.new and not done.known:
        io.say("nothing to import: the file has no events")
        return
    if not done.new:
        io.say("nothing new: everything in the file is here already")
        return
    jobs = f" of {', '.join(done.jobs)}" if done.jobs else ""
    io.say(f"{done.new} new events{jobs}; {done.known} were here already")
    for job in done.begun_twice:
        io.say(f"job {job} was started in both files: it is one job now")
    if done.box_joined:
        io.say("the box of stock came along")
    for conflict in done.conflicts:
        io.say("/".join(name for name in (conflict.job, conflict.run, conflict.post) if name))
        io.say(f"  {conflict.why}")


def _say_salvaged(done: Salvaged, new: str, io: Io) -> None:
    io.say(f"{done.saved} events saved as they were logged into {new}")
    for sentence in done.doubtful:
        io.say(f"kept, but counted for nothing: {sentence}")
    if done.missing:
        io.say(f"nothing is left of {len(done.missing)} events: {_ranges(done.missing)}")
    if done.cut_off:
        io.say("the file was cut off: events logged later may be lost without a trace")


def _ranges(numbers: tuple[int, ...]) -> str:
    """Numbers in order with their gaps: `3-5, 9`."""
    ranges: list[list[int]] = []
    for number in numbers:
        if ranges and number == ranges[-1][1] + 1:
            ranges[-1][1] = number
        else:
            ranges.append([number, number])
    return ", ".join(str(low) if low == high else f"{low}-{high}" for low, high in ranges)
