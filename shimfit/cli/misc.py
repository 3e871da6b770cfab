"""The rest: settings, the sample job, the browser, completions."""

from __future__ import annotations

import argparse
from dataclasses import asdict
from typing import TYPE_CHECKING

from shimfit.cli.context import answered_again, open_site
from shimfit.errors import Exit, UsageError

if TYPE_CHECKING:
    from shimfit.cli.io import Commands, Io

SHELLS = ("bash", "zsh", "fish")


def add_parsers(commands: Commands, common: argparse.ArgumentParser) -> None:
    """Add `settings`, `demo`, `serve`, `completion`."""
    settings = commands.add_parser(
        "settings",
        parents=[common],
        help="show or change settings",
        epilog="example:\n  shimfit settings units inch",
    )
    settings.add_argument("key", metavar="KEY", nargs="?", help="which setting; none: all are shown")
    settings.add_argument("value", metavar="VALUE", nargs="?", help="its new value; none: it is shown")
    settings.set_defaults(run=run_settings)

    demo = commands.add_parser("demo", parents=[common], help="write the sample jobs, to try everything on")
    demo.add_argument("--remove", action="store_true", help="take the sample jobs out again")
    demo.set_defaults(run=run_demo)

    serve = commands.add_parser(
        "serve",
        parents=[common],
        help="the same program in a browser",
        description="The same program in a browser, until Ctrl+C. Opened to the network, the address carries "
        "a key that works once, in one browser; there is no encryption: for a network that you trust.",
        epilog="example, for a phone in the same network:\n  shimfit serve --host 0.0.0.0",
    )
    serve.add_argument(
        "--host", default="127.0.0.1", help="address to listen on (default: this machine only)"
    )
    serve.add_argument("--port", type=int, default=8300, help="port to listen on (default 8300)")
    serve.set_defaults(run=run_serve)

    numbers = commands.add_parser(
        "numbers",
        parents=[common],
        help="every default number, with its source or the mark that there is none",
        epilog="example:\n  shimfit numbers kerf",
    )
    numbers.add_argument("words", metavar="WORD", nargs="*", help="only rows with all of these words")
    numbers.set_defaults(run=run_numbers)

    completion = commands.add_parser(
        "completion",
        parents=[common],
        help="completions for your shell",
        epilog='example:\n  eval "$(shimfit completion bash)"',
    )
    completion.add_argument("shell", choices=SHELLS)
    completion.set_defaults(run=run_completion)


def run_settings(args: argparse.Namespace, io: Io) -> int:
    """Show all settings, or one, or change one."""
    with open_site(args, io, read_only=args.value is None, makes=args.value is not None) as site:
        if args.value is not None:
            site.set(args.key, args.value)
            answered_again(site, io)
        values = asdict(site.settings)
    if args.key is not None:
        if args.key not in values:
            raise UsageError(f"there is no setting {args.key!r}; the settings are {', '.join(values)}")
        values = {args.key: values[args.key]}
    if args.json:
        io.json({"settings": values})
        return Exit.DONE
    for key, value in values.items():
        io.say(f"{key} {_shown(value)}")
    return Exit.DONE


def run_demo(args: argparse.Namespace, io: Io) -> int:
    """Write the sample jobs, or take them out again."""
    with open_site(args, io, makes=True) as site:
        if args.remove:
            words = site.remove_sample()
        else:
            place = site.write_sample()
            words = f"the sample is written: begin at {place}, or just type shimfit"
    return io.tell(words, as_json=args.json)


def run_serve(args: argparse.Namespace, io: Io) -> int:
    """Serve the terminal program to a browser."""
    from shimfit.settings import data_file
    from shimfit.tui.serve import serve

    return serve(data_file(args.db), host=args.host, port=args.port, talk=io.talk)


def run_numbers(args: argparse.Namespace, io: Io) -> int:
    """Print the table of default numbers, or the rows with some words."""
    from shimfit.text.numbers import about, number_lines, numbers_json

    rows = about(args.words)
    if not rows:
        raise UsageError(
            f"no number has {' '.join(args.words)!r} in its row; `shimfit numbers` prints them all"
        )
    if args.json:
        io.json(numbers_json(rows))
        return Exit.DONE
    for line in number_lines(rows):
        io.say(line)
    return Exit.DONE


def run_completion(args: argparse.Namespace, io: Io) -> int:
    """Print the completion script of a shell."""
    from shimfit.cli import build_parser
    from shimfit.cli.completion import script

    io.say(script(build_parser(), args.shell))
    return Exit.DONE


def _shown(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value) if value != "" else "-"
