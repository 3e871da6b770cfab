"""`shimfit` without a command: the terminal program, or line by line where there is no full screen."""

from __future__ import annotations

import argparse
import os
import sys
from typing import TYPE_CHECKING

from shimfit import settings
from shimfit.cli.context import open_site
from shimfit.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from shimfit.cli.io import Io

COERCED = ("C.UTF-8", "C.utf8", "UTF-8")
"""What the interpreter sets LC_CTYPE to when the locale is C."""


def run(args: argparse.Namespace, io: Io) -> int:
    """Open at the last run, or offer the sample job."""
    if args.json:
        raise UsageError("--json goes with a command; see shimfit --help")
    look_only = _can_only_be_read(settings.data_file(args.db))
    with open_site(args, io, read_only=look_only, makes=True, hold=False) as site:
        ascii_only = site.settings.ascii or asks_for_ascii(os.environ)
        if args.plain or not full_screen():
            from shimfit.tui.plain import run_plain

            return run_plain(site, ascii=ascii_only)
        from shimfit.tui import run as run_screen

        # SHIMFIT_REHEARSE: open the sample, log one reading and quit; to try a new machine.
        rehearse = bool(os.environ.get("SHIMFIT_REHEARSE"))
        return run_screen(site, theme=args.theme, ascii=ascii_only, rehearse=rehearse)


def _can_only_be_read(path: Path) -> bool:
    """True for a data file on a disk, or in a folder, that may not be written: it is opened to look at."""
    return path.is_file() and not (os.access(path, os.W_OK) and os.access(path.parent, os.W_OK))


def asks_for_ascii(environment: Mapping[str, str]) -> bool:
    """True where the person's own locale is C or POSIX, named by him.

    The interpreter's encoding does not tell: in these two locales it writes UTF-8 all the same, and sets
    LC_CTYPE to a UTF-8 locale (PEP 538, 540). With no locale named at all the encoding decides.
    """
    plain = ("C", "POSIX")
    return environment.get("LC_ALL", "") in plain or (
        not environment.get("LC_ALL")
        and environment.get("LANG", "") in plain
        and environment.get("LC_CTYPE", "") in ("", *plain, *COERCED)
    )


def full_screen() -> bool:
    """True when there is a terminal that can be drawn on; Textual writes to stderr and reads stdin."""
    return sys.stdin.isatty() and sys.stderr.isatty() and os.environ.get("TERM", "dumb") not in ("dumb", "")
