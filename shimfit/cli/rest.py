"""The rest: settings, sample job, browser, numbers, help, completions; and the terminal program itself."""

from __future__ import annotations

import io as io_room
import os
import shutil
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict
from pathlib import Path

from shimfit import settings
from shimfit.cli import main
from shimfit.cli.io import Args, Io, answered_again, open_site
from shimfit.cli.parser import commands, completions, parse
from shimfit.errors import UsageError
from shimfit.settings.commands import Runs


def run_settings(args: Args, io: Io) -> int:
    """Show all settings, or one, or change one."""
    with open_site(args, io, read_only=args.value is None, makes=args.value is not None) as site:
        if args.value is not None:
            site.set(args.key, args.value)
            answered_again(site, io)
        values, name = asdict(site.settings), site.settings.instrument
        if args.key == "instrument" and args.value and site.box().instrument(name) is None:
            io.talk(f"caution: no instrument {name} is entered yet: shimfit instrument add {name} …")
    if args.key is not None:
        if args.key not in values:
            raise UsageError(f"there is no setting {args.key!r}; the settings are {', '.join(values)}")
        values = {args.key: values[args.key]}
    lines = (f"{key} {settings.shown(key, value) or '-'}" for key, value in values.items())
    return io.tell(lines, {"settings": values})


def run_demo(args: Args, io: Io) -> int:
    """Write the sample jobs, or take them out again."""
    from shimfit.workflow.sample import remove_sample, write_sample

    with open_site(args, io, makes=True) as site:
        if args.remove:
            words = remove_sample(site)
        else:
            place = write_sample(site)
            words = f"the sample is written: begin at {place}, or just type shimfit"
    return io.tell(words)


def run_serve(args: Args, io: Io) -> int:
    """Serve the terminal program to a browser."""
    from shimfit.tui.serve import serve

    return serve(settings.data_file(args.db), host=args.host, port=args.port, talk=io.talk)


def run_numbers(args: Args, io: Io) -> int:
    """Print the table of default numbers, or the rows with some words."""
    from shimfit.text.topics import about, number_lines, numbers_json

    rows = about(args.words)
    if not rows:
        raise UsageError(
            f"no number has {' '.join(args.words)!r} in its row; `shimfit numbers` prints them all"
        )
    return io.tell(number_lines(rows), numbers_json(rows))


def run_completion(args: Args, io: Io) -> int:
    """Print the completion script of a shell."""
    script = completions(args.shell)
    return io.tell(script, {"shell": args.shell, "script": script})


def run_help(args: Args, io: Io) -> int:
    """List the topics, or print one; of a command that is no topic, its own help."""
    from shimfit.text.topics import topic_text, topics

    if args.topic is None:
        data = {topic.name: topic.says for topic in topics()}
        lines = [f"  {name:<12} {says}" for name, says in data.items()]
        lines.append("`shimfit help TOPIC` says more; `shimfit COMMAND --help` has a command's options.")
        return io.tell(lines, {"topics": data})
    if args.topic not in {topic.name for topic in topics()} and args.topic in commands():
        parse([args.topic, "--help"])
    text = topic_text(args.topic, shutil.get_terminal_size((100, 24)).columns)
    return io.tell(text, {"topic": args.topic, "text": text})


# ---------------------------------------------------------------- no command: the terminal program


COERCED = ("C.UTF-8", "C.utf8", "UTF-8")
"""What the interpreter sets LC_CTYPE to when the locale is C."""


def run_terminal(args: Args, io: Io) -> int:
    """Open at the last run, or offer the sample job."""
    if args.json:
        raise UsageError("--json goes with a command; see shimfit --help")
    file = settings.data_file(args.db)
    # On a disk, or in a folder, that may not be written it is opened to look at.
    look_only = file.is_file() and not (os.access(file, os.W_OK) and os.access(file.parent, os.W_OK))
    with open_site(args, io, read_only=look_only, makes=True, hold=False) as site:
        ascii_only = site.settings.ascii or asks_for_ascii(os.environ)
        if args.plain or not full_screen():
            from shimfit.tui.plain import run_plain

            return run_plain(site, ascii=ascii_only, commands=command_line(site.journal.path))
        from shimfit.tui import run as run_screen

        return run_screen(
            site,
            theme=args.theme,
            ascii=ascii_only,
            # Open the sample, log one reading and quit; to try a new machine.
            rehearse=bool(os.environ.get("SHIMFIT_REHEARSE")),
            commands=command_line(site.journal.path),
        )


class _Relay(io_room.StringIO):
    """Hands on all that is written to it."""

    def __init__(self, to: Callable[[str], None]) -> None:
        super().__init__()
        self._to = to

    def write(self, text: str) -> int:
        """Hand it on."""
        self._to(text)
        return len(text)


def command_line(file: Path) -> Runs:
    """What runs a command of the screen, or of plain mode, on the file that is open."""

    def run(words: Sequence[str], to: Callable[[str], None], stop: Callable[[], bool]) -> int:
        out = _Relay(to)
        try:
            return main([*words, "--db", str(file)], Io(out, out, keyboard=False, stop=stop))
        except SystemExit as left:  # help was asked for
            return left.code if isinstance(left.code, int) else 0

    return run


def asks_for_ascii(environment: Mapping[str, str]) -> bool:
    """True where the user's own locale is C or POSIX, and named.

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
