"""Help: every command says what it does, and the lines to type in it are taken by the command line."""

from __future__ import annotations

import argparse
import re
import shlex
from collections.abc import Iterator

import pytest

from shimfit.cli import build_parser

PARSER = build_parser()


def commands(parser: argparse.ArgumentParser) -> Iterator[argparse.ArgumentParser]:
    """All commands below a parser, and theirs."""
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for command in action.choices.values():
                yield command
                yield from commands(command)


ALL = list(commands(PARSER))
TYPED = re.compile(r"^  (shimfit .*)$", re.MULTILINE)
LINES = [line for one in [PARSER, *ALL] for line in TYPED.findall(one.epilog or "")]


@pytest.mark.parametrize("command", ALL, ids=lambda one: one.prog)
def test_every_command_says_what_it_does_and_what_it_wants(command: argparse.ArgumentParser) -> None:
    assert command.description
    for action in command._actions:
        assert action.help or isinstance(action, argparse._SubParsersAction) or action.choices, action.dest


@pytest.mark.parametrize("line", LINES)
def test_lines_to_type_are_taken(line: str) -> None:
    typed = re.split(r"\s{3,}", line)[0]  # a remark may stand beside it
    assert PARSER.parse_args(shlex.split(typed)[1:]).command


def test_lines_to_type_are_left_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    assert len(LINES) > 30
    for command in [PARSER, *ALL]:
        reported = command.format_help()
        assert all(line in reported for line in LINES if line in (command.epilog or ""))
        sentences = [line for line in reported.splitlines() if not line.startswith(("  ", "usage"))]
        assert all(len(line) <= 40 for line in sentences), command.prog
