"""Commands for handing over: record, record verify, due; export, import, salvage."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from datetime import datetime
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, Any

from shimfit.cli.io import Args, Io, one_to_stdout, open_site
from shimfit.errors import Exit, FileError, UsageError
from shimfit.outputs import EVENTS, RECORD_CSV, SCHEMA_FILE
from shimfit.quantities import shown
from shimfit.store.events import Event, compare, head_on_paper
from shimfit.workflow.site import parse_run

if TYPE_CHECKING:
    from shimfit.store.merge import Imported
    from shimfit.store.salvage import Salvaged

VERIFY = "verify"


def run_record(args: Args, io: Io) -> int:
    """Print or write the record; 1 when a verified post is over its tolerance, 4 when the log was altered."""
    if args.path == VERIFY:
        return run_verify(args, io)
    if args.file is not None:
        raise UsageError("--file goes with `record verify`: it checks an export without a data file")
    if args.hash is not None:
        raise UsageError("--hash goes with `record verify`: it compares a printed record's with the log")
    one_to_stdout(args, RECORD_CSV)
    from shimfit.report.record import record_csv, record_json, record_lines, record_of
    from shimfit.report.statistics import statistics, statistics_json, statistics_lines

    issues = args.issue or args.number is not None or args.why is not None
    with open_site(args, io, read_only=not issues) as site:
        paper = None if args.as_of is None else head_on_paper(args.as_of)
        job, run = parse_run(args.path)
        if issues:
            site.issue(job, run, (args.number or "").strip(), (args.why or "").strip())
        record = record_of(site.journal, job, run, paper)
        folders = (Path.cwd(), site.journal.path.absolute().parent)
    if args.pdf:
        from shimfit.report.asbuilt import record_pdf

        page = record_pdf(record, args.paper, all_readings=args.all_readings, photos=folders)
        io.write_beside(args, args.pdf, page)
    if args.csv:
        io.write_beside(args, args.csv, record_csv(record).encode(), RECORD_CSV)
    if args.json:
        io.json(record_json(record) | {"figures": statistics_json(statistics(record))})
    elif not (args.pdf or args.csv):
        width = shutil.get_terminal_size((120, 24)).columns
        data = record_lines(record, width, all_readings=args.all_readings)
        for line in (*data, "", *statistics_lines(statistics(record), record)):
            io.say(line)
    return Exit.OVER if record.over else Exit.DONE


def run_verify(args: Args, io: Io) -> int:
    """Work every hash out again and hold the log against a paper's; 4 when it is broken, cut or another."""
    from shimfit.store.merge import check_text

    if args.issue or args.number is not None or args.why is not None:
        raise UsageError("`record verify` checks the log itself and issues nothing: name a run to issue")
    if args.pdf or args.csv or args.as_of is not None:
        raise UsageError("`record verify` checks the log itself; it takes no --pdf, no --csv and no --as-of")
    if args.file is not None:
        text, name = io.text_of(args.file)
        events, whole = check_text(text, name)
    else:
        with open_site(args, io, read_only=True) as site:
            site.journal.check()
            name, events, whole = str(site.journal.path), tuple(site.journal.events()), True
    last = events[-1].hash if events else ""
    data = {"file": args.file} if args.file is not None else {}
    data |= {"log": {"events": len(events), "hash": last}, "whole": whole, "sealed_at": None}
    reported = (
        f"{name} is whole: {len(events)} events, each as it was logged; hash of the last: {last or 'none'}."
    )
    if not whole:
        reported = (
            f"{name} is part of a log: each of its {len(events)} events is as it was logged.\n"
            "Whether events were left out can only be seen in an export of everything, or against a paper."
        )
    answer, sentence = ({}, "") if args.hash is None else _held_against(args.hash, events, name, whole=whole)
    refused = answer.get("answer") in ("shorter", "another")
    if refused and not args.json:
        raise FileError(sentence)
    error = {"error": {"kind": "file", "message": sentence, "at": None}} if refused else {}
    io.tell(filter(None, (reported, sentence)), data | {"answer": None} | answer | error)
    return Exit.FILE if refused else Exit.DONE


def _held_against(
    figure: str, events: Sequence[Event], name: str, *, whole: bool
) -> tuple[dict[str, Any], str]:
    """Which of the four answers it is, as JSON and in a sentence."""
    found = compare(events, head_on_paper(figure))
    whose = "the file" if found.job is None else f"job {found.job}"
    or_else = "" if found.paper else ", or this one was cut: give the count too (57:…) to tell the two apart"
    if found.job is not None:
        or_else = (
            f", or job {found.job} took the same crews' logs in in another order: hold the paper against an "
            "export of the file that it was made from (--file)"
        )
    sentence = {
        "same": f"The same: {whose} stands at the paper's {found.paper} events.",
        "grown": f"Grown since: {whose} has {found.now} events, the paper's {found.paper} are unchanged.",
        "shorter": f"shorter than the paper: {name} has {found.now} of its {found.paper} events; "
        "its end was cut",
        "another": f"another log: {name} never stood at {figure}{or_else}",
    }[found.answer]
    if found.place is not None and found.job is None and not whole:
        sentence += (
            " What was left out of this export is not proved by the file's hash: the job's figure does."
        )
    counts = {"paper_events": found.paper or None, "events": found.now}
    return {"answer": found.answer, "sealed_at": found.place, "job": found.job, **counts}, sentence


def run_due(args: Args, io: Io) -> int:
    """List the posts of a run that are to be tightened and read again, the longest overdue first."""
    from shimfit.report.due import due_json, due_lines, due_list
    from shimfit.report.record import record_of

    now = _moment(args.on)
    with open_site(args, io, read_only=args.due_days is None) as site:
        if args.due_days is not None:
            site.change_run(*parse_run(args.path), due_days=args.due_days)
        run = record_of(site.journal, *parse_run(args.path)).run
    rows = due_list(run, now)
    return io.tell(due_lines(run, rows), due_json(run, rows))


# ---------------------------------------------------------------- parts


def _moment(text: str | None) -> datetime:
    if text is None:
        return datetime.now().astimezone()
    try:
        when = datetime.fromisoformat(text)
    except ValueError:
        raise UsageError(f"{text!r} isn't a date: type it like 2026-09-01") from None
    if len(text.strip()) <= len("2026-09-01"):  # a day: what falls due at any time of it is due on it
        when = when.replace(hour=23, minute=59, second=59, microsecond=999_999)
    return when if when.tzinfo else when.astimezone()


def run_export(args: Args, io: Io) -> int:
    """Write the log, or one job of it."""
    from shimfit.store.merge import export_schema, export_text

    if args.schema:
        schema = f"{json.dumps(export_schema(), indent=1)}\n".encode()
        return io.export(args, schema, SCHEMA_FILE, {}, "what a line may hold is")
    with open_site(args, io, read_only=True) as site:
        text = export_text(site.journal, args.job)
    count = text.count("\n")
    return io.export(args, text.encode(), EVENTS, {"events": count}, shown.counted(count, "event"))


def run_import(args: Args, io: Io) -> int:
    """Merge an export into the data file."""
    from shimfit.store.merge import import_text

    text, name = io.text_of(args.file)
    with open_site(args, io, makes=True) as site:
        done = import_text(site.journal, text, name, with_box=args.box)
    conflicts = [asdict(one) | {"post": one.post or None} for one in done.conflicts]
    return io.tell(_imported_lines(done), asdict(done) | {"conflicts": conflicts})


def run_salvage(args: Args, io: Io) -> int:
    """Save what a damaged file still holds."""
    from shimfit.store.salvage import salvage

    done = salvage(Path(args.file), Path(args.new))
    io.tell(_salvaged_lines(done, args.new), {"new": args.new} | asdict(done))
    return Exit.DONE if done.complete else Exit.OVER


def _imported_lines(done: Imported) -> Iterator[str]:
    if not done.new and not done.known:
        yield "nothing to import: the file has no events"
        return
    if not done.new:
        yield "nothing new: everything in the file is here already"
        return
    jobs = f" of {', '.join(done.jobs)}" if done.jobs else ""
    yield f"{shown.counted(done.new, 'new event')}{jobs}; {done.known} were here already"
    for job in done.begun_twice:
        yield f"job {job} was started in both files: it is one job now"
    if done.box_joined:
        yield "the box of stock came along"
    if done.box_apart:
        yield "the pieces that they took are not taken out of your box: `--box` makes the two boxes one"
    for conflict in done.conflicts:
        yield "/".join(name for name in (conflict.job, conflict.run, conflict.post) if name)
        yield f"  {conflict.why}"


def _salvaged_lines(done: Salvaged, new: str) -> Iterator[str]:
    yield f"{shown.counted(done.saved, 'event')} saved as they were logged into {new}"
    for sentence in done.doubtful:
        yield f"kept, but counted for nothing: {sentence}"
    if done.missing:
        yield f"nothing is left of {len(done.missing)} events: {_ranges(done.missing)}"
    if done.cut_off:
        yield "the file was cut off: events logged later may be lost without a trace"


def _ranges(numbers: tuple[int, ...]) -> str:
    """Numbers in order with their gaps: `3-5, 9`."""
    # What follows one another is as far from its place in the row.
    groups = groupby(enumerate(numbers), key=lambda at: at[1] - at[0])
    rows = [[number for _, number in group] for _, group in groups]
    return ", ".join(f"{row[0]}-{row[-1]}" if len(row) > 1 else str(row[0]) for row in rows)
