"""`shimfit` without a command: the terminal program, or line by line where there is no full screen."""

from __future__ import annotations

import argparse
import os
import sys
from typing import TYPE_CHECKING

from shimfit.cli.context import open_site
from shimfit.errors import UsageError

if TYPE_CHECKING:
    from shimfit.cli.io import Io


def run(args: argparse.Namespace, io: Io) -> int:
    """Open at the last run, or offer the sample job."""
    if args.json:
        raise UsageError("--json goes with a command; see shimfit --help")
    with open_site(args, io) as site:
        if args.plain or not full_screen():
            from shimfit.tui.plain import run_plain

            return run_plain(site, ascii=site.settings.ascii)
        from shimfit.tui import run as run_screen

        # SHIMFIT_REHEARSE: open the sample, log one reading and quit; to try a new machine.
        rehearse = bool(os.environ.get("SHIMFIT_REHEARSE"))
        return run_screen(site, theme=args.theme, ascii=site.settings.ascii, rehearse=rehearse)


def full_screen() -> bool:
    """True when there is a terminal that can be drawn on; Textual writes to stderr and reads stdin."""
    return sys.stdin.isatty() and sys.stderr.isatty() and os.environ.get("TERM", "dumb") not in ("dumb", "")
