"""Commands for handing over: record (text, JSON, CSV, PDF), record verify, due."""

from __future__ import annotations

import argparse
import shutil
from typing import TYPE_CHECKING

from shimfit.cli.context import add_force, once_called, open_site
from shimfit.errors import Exit, FileError, UsageError
from shimfit.outputs import PDF, RECORD_CSV

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import datetime

    from shimfit.cli.io import Commands, Io
    from shimfit.report.record import RunRecord
    from shimfit.store.events import Event
    from shimfit.workflow.site import Site

VERIFY = "verify"


def add_parsers(commands: Commands, common: argparse.ArgumentParser) -> None:
    """Add `record` and `due`."""
    record = commands.add_parser(
        "record",
        parents=[common],
        help="the as-built plumb record of a run, or `record verify`",
        epilog="example:\n  shimfit record lakeside/boardwalk --pdf record.pdf --paper letter",
    )
    record.add_argument(
        "run_path",
        metavar="JOB/RUN | verify",
        help="a run; `verify` works out the event log's hash chain again",
    )
    record.add_argument("--pdf", metavar="FILE", help="write it to print and sign (- = stdout)")
    record.add_argument("--csv", metavar="FILE", help="write one line a post (- = stdout)")
    record.add_argument(
        "--paper", choices=("a4", "letter"), default="a4", help="paper of the PDF (default a4)"
    )
    record.add_argument(
        "--all-readings",
        action="store_true",
        help="also list every reading, on paper and on screen (JSON and CSV always have them)",
    )
    record.add_argument(
        "--hash", metavar="HASH", help="with verify: the hash that stands on a record, whole or its beginning"
    )
    record.add_argument(
        "--file", metavar="FILE", help="with verify: check what `export` wrote instead of the data file"
    )
    add_force(record)
    record.set_defaults(run=run_record)

    due = commands.add_parser(
        "due",
        parents=[common],
        help="posts to tighten and read again: timber dries and nuts slacken",
        epilog="example:\n  shimfit due lakeside/boardwalk --due-days 90",
    )
    due.add_argument("run_path", metavar="JOB/RUN", help="the run, like lakeside/boardwalk")
    due.add_argument(
        "--due-days", dest="every", metavar="DAYS", type=_days, help="set the run's interval from now on"
    )
    once_called(due, "--every", "every", type=_days)
    due.add_argument("--on", metavar="DATE", help="what will be due then (2026-09-01; default: now)")
    due.set_defaults(run=run_due)


def run_record(args: argparse.Namespace, io: Io) -> int:
    """Print or write the record; 1 when a verified post is over its tolerance, 4 when the log was altered."""
    if args.run_path == VERIFY:
        return run_verify(args, io)
    if args.file is not None:
        raise UsageError("--file goes with `record verify`: it checks an export without a data file")
    if args.hash is not None:
        raise UsageError("--hash goes with `record verify`: it looks for a printed record's hash in the log")
    if [args.pdf, args.csv].count("-") + args.json > 1:
        raise UsageError("only one of --pdf -, --csv - and --json can go to stdout; give the others a file")
    from shimfit.report.record import exit_code, record_csv, record_json, record_lines
    from shimfit.report.statistics import statistics, statistics_json, statistics_lines

    with open_site(args, io, read_only=True) as site:
        _check_chain(site)
        record = record_of(site, args.run_path)
    if args.pdf:
        from shimfit.report.pdf import record_pdf

        io.write(args.pdf, record_pdf(record, args.paper, all_readings=args.all_readings), PDF, args)
        _wrote(args.pdf, io)
    if args.csv:
        io.write(args.csv, record_csv(record).encode(), RECORD_CSV, args)
        _wrote(args.csv, io)
    if args.json:
        io.json(record_json(record) | {"figures": statistics_json(statistics(record))})
    elif not (args.pdf or args.csv):
        width = shutil.get_terminal_size((120, 24)).columns
        told = record_lines(record, width, all_readings=args.all_readings)
        for line in (*told, "", *statistics_lines(statistics(record), record)):
            io.say(line)
    return exit_code(record)


def run_verify(args: argparse.Namespace, io: Io) -> int:
    """Work the whole hash chain out again; 4 when it is broken or the hash given is not in it."""
    if args.pdf or args.csv:
        raise UsageError("`record verify` checks the whole data file; it takes no --pdf and no --csv")
    if args.file is not None:
        return _verify_file(args, io)
    with open_site(args, io, read_only=True) as site:
        _check_chain(site)
        events, last = site.log()
        sealed = _sealed(site.journal.events(), args.hash, str(site.path)) if args.hash is not None else None
    if args.json:
        io.json({"log": {"events": events, "hash": last}, "whole": True, "sealed_at": sealed})
        return Exit.DONE
    io.say(
        f"The event log is whole: {events} events, each as it was logged; hash of the last: {last or 'none'}."
    )
    _say_sealed(sealed, io)
    return Exit.DONE


def _verify_file(args: argparse.Namespace, io: Io) -> int:
    """The same for an export, by somebody who has no data file: each event's hash, then the chain."""
    from shimfit.store.merge import check_text

    name = "standard input" if args.file == "-" else args.file
    checked = check_text(io.read_text(args.file), name)
    events = len(checked.events)
    sealed = _sealed(checked.events, args.hash, name) if args.hash is not None else None
    if args.json:
        log = {"events": events, "hash": checked.last}
        io.json({"file": args.file, "log": log, "whole": checked.chain, "sealed_at": sealed})
        return Exit.DONE
    if checked.chain:
        io.say(f"{name} is whole: {events} events, each as it was logged; hash of the last: {checked.last}.")
    else:
        io.say(f"{name} is part of a log: each of its {events} events is as it was logged.")
        io.say("Whether events were left out can only be seen in an export of everything.")
    _say_sealed(sealed, io)
    return Exit.DONE


def _say_sealed(sealed: int | None, io: Io) -> None:
    if sealed is not None:
        io.say(
            f"The hash given is that of event {sealed}: the record that carries it was made from this log."
        )


def run_due(args: argparse.Namespace, io: Io) -> int:
    """List the posts of a run that are to be tightened and read again, the longest overdue first."""
    from shimfit.report.due import due_json, due_lines, due_list
    from shimfit.workflow.place import parse_run

    now = _moment(args.on)
    with open_site(args, io, read_only=args.every is None) as site:
        if args.every is not None:
            job, run = parse_run(args.run_path)
            site.change_run(job, run, due_days=args.every)
        record = record_of(site, args.run_path)
    if record.due_days is None:
        raise UsageError(f"{args.run_path} has no interval for going back yet: set one with --due-days DAYS")
    rows = due_list(record, now)
    if args.json:
        answer = due_json(record, rows)
        del answer["schema"]  # io.json writes it
        io.json(answer)
        return Exit.DONE
    for line in due_lines(record, rows):
        io.say(line)
    return Exit.DONE


def record_of(site: Site, run_path: str) -> RunRecord:
    """The record of JOB/RUN as the open data file tells it."""
    from shimfit.report.record import LogStamp
    from shimfit.report.record import run_record as gather
    from shimfit.workflow.place import parse_run

    job, run = parse_run(run_path)
    return gather(site.run(job, run), LogStamp(*site.log()), site.box())


# ---------------------------------------------------------------- parts


def _check_chain(site: Site) -> None:
    bad = site.journal.verify()
    if bad is not None:
        raise FileError(
            f"{site.path}: {bad.sentence}; what is before it can be believed, nothing after it can",
            path=str(site.path),
        )


def _sealed(events: Iterable[Event], given: str, where: str) -> int:
    """Position of the event whose hash a record carries; FileError when there is none in `where`."""
    sought = given.strip().lower()
    if len(sought) < 8:
        raise UsageError("give at least the first 8 signs of the hash")
    for event in events:
        if event.hash.startswith(sought):
            return event.seq
    raise FileError(
        f"no event in {where} has the hash {given}: the record is of another log, or this one was cut",
        path=where,
    )


def _wrote(name: str, io: Io) -> None:
    if name != "-":
        io.talk(f"wrote {name}")


def _days(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= 36500:
        raise argparse.ArgumentTypeError(f"{text!r} is no number of days: a whole number from 1 on is wanted")
    return int(text)


def _moment(text: str | None) -> datetime:
    from datetime import datetime

    if text is None:
        return datetime.now().astimezone()
    try:
        when = datetime.fromisoformat(text)
    except ValueError:
        raise UsageError(f"{text!r} is no date: write it as 2026-09-01") from None
    if len(text.strip()) <= len("2026-09-01"):  # a day: what falls due at any time of it is due on it
        when = when.replace(hour=23, minute=59, second=59, microsecond=999_999)
    return when if when.tzinfo else when.astimezone()
