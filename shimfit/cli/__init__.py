"""The command line: arguments in, workflow called, exit code out. Data to stdout, talk to stderr.

settings/commands.txt declares every command and option, `parser` reads what was said, and the other modules
hold the functions that run, loaded when a command is named. What goes wrong is raised as a ShimfitError and
said here, once, as a sentence on stderr and, under --json, as one object on stdout.
"""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Callable, Sequence
from dataclasses import replace
from importlib import import_module
from typing import Any

from shimfit.cli.io import SCHEMA, Args, Io
from shimfit.cli.parser import parse
from shimfit.errors import Exit, FileError, ShimfitError, UsageError

SERVES = {
    "textual": ("textual", "the full screen"),
    "textual_serve": ("textual-serve", "the browser"),
    "segno": ("segno", "a QR code"),
    "fpdf": ("fpdf2", "a PDF"),
    "serial": ("pyserial", "a sensor on a port"),
    "highspy": ("highspy", "a plan"),
}
"""Modules that part of the commands need: package, and what it serves. They come with shimfit and are loaded
when they are needed; where somebody left one out, the rest works."""


def carry_out(argv: Sequence[str], io: Io) -> int:
    """Run what was said; returns its exit code. What goes wrong is raised."""
    args = parse(argv)
    io, command = replace(io, as_json=args.json), args.command
    module, _, function = (command.run if command else "rest.run_terminal").split()[0].partition(".")
    run: Callable[[Args, Io], int] = getattr(import_module(f"shimfit.cli.{module}"), function)
    try:
        return int(run(args, io))
    except ModuleNotFoundError as error:
        serves = SERVES.get((error.name or "").partition(".")[0])
        if serves is None:
            raise
        package, what = serves
        raise UsageError(
            f"{what} needs the package {package}, which isn't installed here: pip install {package}"
        ) from error


def main(argv: Sequence[str], io: Io | None = None) -> int:
    """Run one command; returns its exit code. Never raises but for our own bugs under a debugger."""
    io = io or Io()
    as_json = "--json" in argv
    try:
        return carry_out(argv, io)
    except ShimfitError as error:
        return _tell(error, io, as_json=as_json)
    except KeyboardInterrupt:
        io.talk("stopped; what was logged is kept")
        return 130
    except BrokenPipeError:
        # The reader (head, less) has seen enough: that is no error. Nothing more may be written to the pipe.
        sys.stderr.close()
        return Exit.DONE
    except Exception as error:  # noqa: BLE001 - the last door: said in full, never swallowed
        import traceback

        io.talk("".join(traceback.format_exception(error)).rstrip())
        what = (
            f"this is a mistake of shimfit's own ({type(error).__name__}: {error}); what was logged is kept"
        )
        io.talk(f"shimfit: {what}. Please report it with the lines above.")
        if as_json:
            io.json({"error": {"kind": "internal", "message": what, "at": None}})
        return int(Exit.BUG)


def _tell(error: ShimfitError, io: Io, *, as_json: bool) -> int:
    io.talk(f"shimfit: {error.message}")
    meant = getattr(error, "meant", None)
    if meant:
        io.talk(f"         meant: {meant}?")
    if as_json:
        data: dict[str, Any] = {"kind": error.kind, "message": error.message, "at": error.at}
        # Where stdout itself is what can't be written, the sentence on stderr has said it.
        with contextlib.suppress(FileError):
            io.json({"error": data | ({"meant": meant} if meant else {})})
    return int(error.exit_code)


__all__ = ["SCHEMA", "carry_out", "main"]
