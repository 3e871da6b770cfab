"""How help is laid out: what a command does stands first, and a line to type is never broken."""

from __future__ import annotations

import argparse
import re
from itertools import groupby
from typing import Any, NoReturn

from shimfit.errors import UsageError


class Help(argparse.HelpFormatter):
    """Sentences are wrapped to the width; an indented line is a command to type and is left whole."""

    def _fill_text(self, text: str, width: int, indent: str) -> str:
        """Wrap paragraph by paragraph; argparse has no public place for this."""
        filled = []
        for kind, lines in groupby(text.splitlines(), key=_kind):
            if kind == "sentence":
                filled.append(super()._fill_text(" ".join(lines), width, indent))
            else:
                filled += list(lines)
        return "\n".join(filled)


def _kind(line: str) -> str:
    return "blank" if not line.strip() else "to type" if line.startswith("  ") else "sentence"


class Parser(argparse.ArgumentParser):
    """argparse, but a wrong call is raised like every other error, so that --json gets its object too."""

    def __init__(self, **given: Any) -> None:
        """As argparse's; the help is laid out by `Help`."""
        super().__init__(**{"formatter_class": Help, **given})

    def error(self, message: str) -> NoReturn:
        """Raise UsageError with argparse's sentence and where to look for the right form."""
        named = re.match(r"argument (?:COMMAND|WHAT): invalid choice: '?([^' ]*)'?", message)
        if named:
            from difflib import get_close_matches

            word = named[1]
            close = get_close_matches(word, _commands(self), 1)
            message = f"there is no command {word!r}" + (f"; did you mean {close[0]}?" if close else "")
        end = "" if message.endswith("?") else ";"
        raise UsageError(f"{message}{end} see {self.prog} --help")


def _commands(parser: argparse.ArgumentParser) -> list[str]:
    actions = parser._actions  # noqa: SLF001 - argparse has no public way to its commands
    return [name for one in actions if isinstance(one.choices, dict) for name in one.choices]


def describe(parser: argparse.ArgumentParser) -> None:
    """Let every command's own help begin with what the list of commands says of it."""
    for action in parser._actions:  # noqa: SLF001 - argparse has no public way to its commands
        if not isinstance(action, argparse._SubParsersAction):  # noqa: SLF001 - nor a public name for them
            continue
        said = {one.dest: one.help for one in action._choices_actions}  # noqa: SLF001 - nor to their help
        for name, command in action.choices.items():
            words = (said.get(name) or "").replace("%%", "%")
            if words and command.description is None:
                command.description = f"{words[0].upper()}{words[1:]}."
            describe(command)
