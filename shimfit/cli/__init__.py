"""The command line: arguments in, workflow called, exit code out. Data to stdout, talk to stderr.

Each module beside this one holds one command or a family that belongs together; it adds its parsers and
sets the function that runs. What goes wrong is raised as a ShimfitError and told here, once, as a sentence
on stderr and, under --json, as one object on stdout.
"""

from __future__ import annotations

import argparse
import contextlib
import sys
from collections.abc import Iterable, Sequence
from importlib import import_module
from typing import Any

from shimfit import __version__
from shimfit.cli.help import Parser, describe
from shimfit.cli.io import SCHEMA, Io
from shimfit.errors import Exit, FileError, ShimfitError, UsageError

COMMANDS = {
    "solve": ("solve",),
    "job": ("job",),
    "run": ("run",),
    "post": ("read", "pack", "tighten", "trim", "skip", "note", "photo", "undo", "redo"),
    "stock": ("stock",),
    "plan": ("plan", "cut"),
    "rails": ("rails", "lineup"),
    "makeup": ("kit", "makeup"),
    "instrument": ("instrument",),
    "record": ("record", "due"),
    "listen": ("listen",),
    "simulate": ("simulate",),
    "transfer": ("export", "import", "salvage"),
    "misc": ("settings", "demo", "serve", "numbers", "completion"),
}
"""Modules of shimfit.cli and the commands that each holds, in the order that --help lists them."""

EPILOG = """\
Without a command the terminal program opens at the last run, or offers the sample job.

  shimfit solve "1/4n 3/8h" --height 44in --foot 3.5x3.5in --units inch
  shimfit read porch/front/2 "1/4 next, 1/8 out"
  shimfit record porch/front --csv -

A guard keeps people from falling. shimfit makes posts plumb; it does not design the connection.
Height, openings, loads and fixings follow the local code and a licensed professional where one is required.
"""


def build_parser(modules: Iterable[str] = tuple(COMMANDS)) -> Parser:
    """Parser of the whole command line, or of the commands in some of its modules."""
    # Said before or after the command: a default that is set twice would hide what was said first.
    common = _common(argparse.SUPPRESS, said=argparse.SUPPRESS)

    parser = Parser(
        prog="shimfit",
        description="Plumb guard posts from the packs in your box: read, pack, tighten, read, hand over.",
        epilog=EPILOG,
        parents=[_common(None, said=False)],
    )
    parser.add_argument("--version", action="version", version=f"shimfit {__version__}")
    parser.add_argument(
        "--plain", action="store_true", help="line by line, for screen readers and plain terminals"
    )
    parser.add_argument("--ascii", action="store_true", default=None, help="draw with ASCII signs only")
    parser.add_argument("--theme", choices=("sun", "dark", "term"), help="colours of the terminal program")
    parser.add_argument(
        "--sensor", metavar="URL", help="inclinometer to listen to: a device name or a serial URL"
    )
    parser.set_defaults(run=None)
    commands = parser.add_subparsers(metavar="COMMAND", title="commands", parser_class=Parser)
    for name in modules:
        import_module(f"shimfit.cli.{name}").add_parsers(commands, common)
    describe(parser)
    return parser


def _parsed(argv: Sequence[str]) -> argparse.Namespace:
    """What was said. Only the modules of the commands that it names are loaded: all take a fifth of a start.

    A word may be a command's name by chance (a file called `run`): one module more is loaded then. Where what
    is loaded does not take the words, the whole command line judges them: its sentence names every command.
    """
    named = [module for module, names in COMMANDS.items() if not set(names).isdisjoint(argv)]
    if any(word == "-h" or word.startswith("--h") for word in argv):  # argparse takes --hel for --help
        named = list(COMMANDS)
    try:
        return build_parser(named).parse_args(argv)
    except UsageError:
        return build_parser().parse_args(argv)


def _common(default: str | None, *, said: bool | str) -> argparse.ArgumentParser:
    """Options of every command; a parser of its own each time, since argparse shares what it is given."""
    common = argparse.ArgumentParser(add_help=False)
    common.add_argument(
        "--json", action="store_true", default=said, help="print one JSON object instead of sentences"
    )
    common.add_argument(
        "--db", metavar="FILE", default=default, help="data file (default: SHIMFIT_DB, else your data folder)"
    )
    return common


def main(argv: Sequence[str], io: Io | None = None) -> int:
    """Run one command; returns its exit code. Never raises but for our own bugs under a debugger."""
    io = io or Io()
    as_json = "--json" in argv
    try:
        args = _parsed(argv)
        if args.run is None:
            from shimfit.cli.terminal import run

            return run(args, io)
        return int(args.run(args, io))
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
        return _tell_bug(error, io, as_json=as_json)


def _tell(error: ShimfitError, io: Io, *, as_json: bool) -> int:
    io.talk(f"shimfit: {error.message}")
    meant = getattr(error, "meant", None)
    if meant:
        io.talk(f"         meant: {meant}?")
    if as_json:
        told: dict[str, Any] = {"kind": error.kind, "message": error.message, "at": error.at}
        if meant:
            told["meant"] = meant
        # Where stdout itself is what can't be written, the sentence on stderr has said it.
        with contextlib.suppress(FileError):
            io.json({"error": told})
    return int(error.exit_code)


def _tell_bug(error: Exception, io: Io, *, as_json: bool) -> int:
    import traceback

    io.talk("".join(traceback.format_exception(error)).rstrip())
    message = f"this is a mistake of shimfit's own ({type(error).__name__}: {error}); what was logged is kept"
    io.talk(f"shimfit: {message}. Please report it with the lines above.")
    if as_json:
        io.json({"error": {"kind": "internal", "message": message, "at": None}})
    return int(Exit.BUG)


__all__ = ["COMMANDS", "SCHEMA", "build_parser", "main"]
