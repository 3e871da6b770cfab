"""Commands for jobs: begin one, list them, what packs on a job's deck give."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from shlex import quote
from typing import TYPE_CHECKING, Any

from shimfit.cli.context import open_site
from shimfit.errors import Exit

if TYPE_CHECKING:
    from shimfit.cli.io import Commands, Io
    from shimfit.standing import RunState
    from shimfit.store.state import JobState


def add_parsers(commands: Commands, common: argparse.ArgumentParser) -> None:
    """Add `job`."""
    job = commands.add_parser(
        "job", help="begin a job, list jobs", epilog="example:\n  shimfit job new lakeside"
    )
    of_job = job.add_subparsers(metavar="WHAT", required=True)
    new = of_job.add_parser("new", parents=[common], help="begin a job")
    new.add_argument("name", metavar="NAME", help="what it is called, like lakeside")
    new.add_argument("--units", choices=("mm", "inch"), help="how lengths are typed and shown in it")
    new.set_defaults(run=run_job_new)
    listed = of_job.add_parser("list", parents=[common], help="list jobs and their runs")
    listed.set_defaults(run=run_job_list)

    takeup = of_job.add_parser(
        "takeup", parents=[common], help="what packs on this deck give of what they should"
    )
    takeup.add_argument("name", metavar="NAME", help="the job")
    takeup.add_argument("--reset", action="store_true", help="forget what was learned, begin anew")
    takeup.set_defaults(run=run_job_takeup)


def run_job_new(args: argparse.Namespace, io: Io) -> int:
    """Begin a job."""
    with open_site(args, io, makes=True) as site:
        name = site.add_job(args.name, units=args.units)
        words = f"job {name} begun; lay out a run with: shimfit run new {quote(f'{name}/RUN')} …"
        return io.tell(words, {"job": name}, as_json=args.json)


def run_job_list(args: argparse.Namespace, io: Io) -> int:
    """List jobs and their runs."""
    with open_site(args, io, read_only=True) as site:
        jobs = site.jobs()
        runs = {job.name: [site.run(job.name, name) for name in job.runs] for job in jobs}
    if args.json:
        io.json({"jobs": [_job_json(job, runs[job.name]) for job in jobs]})
        return Exit.DONE
    if not jobs:
        io.say("no jobs yet: shimfit job new NAME, or shimfit demo for the sample")
    for job in jobs:
        io.say(f"{job.name}{' (sample)' if job.sample else ''}")
        for run in runs[job.name]:
            io.say(f"  {job.name}/{run.name}: {len(run.posts)} posts, {len(run.left_to_do)} left to do")
    return Exit.DONE


def run_job_takeup(args: argparse.Namespace, io: Io) -> int:
    """Say what packs give on a deck, by material; or forget it."""
    from shimfit.core.takeup import TakeUp
    from shimfit.workflow.takeup import book_of, reset

    with open_site(args, io, read_only=not args.reset) as site:
        if args.reset:
            return io.tell(reset(site, args.name), {"job": args.name}, as_json=args.json)
        site.journal.job(args.name)
        book = book_of(site, args.name)
    if args.json:
        known = [
            {"material": name, "take_up": one.mean, "u": one.u, "corrections": one.corrections}
            for name, one in book.items()
        ]
        io.json({"job": args.name, "materials": known})
        return Exit.DONE
    if not book:
        io.say(TakeUp().words)
    for name, one in book.items():
        io.say(f"{name or 'packs of unknown material'}: {one.words}, ± {200 * one.u:.0f} % (k = 2)")
    return Exit.DONE


def _job_json(job: JobState, runs: Sequence[RunState]) -> dict[str, Any]:
    return {
        "job": job.name,
        "sample": job.sample,
        "units": job.units,
        "runs": [
            {"run": run.name, "posts": len(run.posts), "left_to_do": len(run.left_to_do)} for run in runs
        ],
    }
