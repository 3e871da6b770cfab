"""Commands for runs: lay one out, show it, write its posts, change which posts it has.

`laying_out` is `run new`, `showing` tells where the posts stand, `posts` inserts, moves and removes one.
"""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from shimfit.cli.context import RUN, add_force
from shimfit.cli.run import laying_out, posts, showing

if TYPE_CHECKING:
    from shimfit.cli.io import Commands


def add_parsers(commands: Commands, common: argparse.ArgumentParser) -> None:
    """Add `run`."""
    run = commands.add_parser(
        "run",
        help="lay out a run, show it, change its posts",
        epilog="example:\n  shimfit run show lakeside/boardwalk",
    )
    of_run = run.add_subparsers(metavar="WHAT", required=True)
    laying_out.add_parser(of_run, common)
    show = of_run.add_parser("show", parents=[common], help="where every post stands")
    show.add_argument("path", metavar=RUN, help="the run, like lakeside/boardwalk")
    show.set_defaults(run=showing.run_show)
    export = of_run.add_parser(
        "export", parents=[common], help="write the posts as CSV, with the latest readings"
    )
    export.add_argument("path", metavar=RUN, help="the run, like lakeside/boardwalk")
    export.add_argument("file", metavar="FILE", help="where to write; - is stdout")
    add_force(export)
    export.set_defaults(run=showing.run_export)
    insert = of_run.add_parser(
        "insert",
        parents=[common],
        help="insert a post between two others",
        epilog="example:\n  shimfit run insert lakeside/boardwalk --at 1800mm",
    )
    insert.add_argument("path", metavar=RUN, help="the run, like lakeside/boardwalk")
    insert.add_argument("--at", required=True, metavar="L", help="station: distance from the run's start")
    insert.add_argument("--name", metavar="POST", help="default: the post before it with a letter")
    insert.set_defaults(run=posts.run_insert)
    move = of_run.add_parser(
        "move",
        parents=[common],
        help="move a post along its leg",
        epilog="example:\n  shimfit run move lakeside/boardwalk/3 --at 2450mm",
    )
    move.add_argument("place", metavar="JOB/RUN/POST", help="the post, like lakeside/boardwalk/7")
    move.add_argument(
        "--at", required=True, metavar="L", help="its new station: distance from the run's start"
    )
    move.set_defaults(run=posts.run_move)
    remove = of_run.add_parser("remove", parents=[common], help="take a post out; its log stays")
    remove.add_argument("place", metavar="JOB/RUN/POST", help="the post, like lakeside/boardwalk/7")
    remove.set_defaults(run=posts.run_remove)
