"""Help: every command says what it does, and the lines to type in it are taken by the command line."""

from __future__ import annotations

import re
import shlex

import pytest

from shimfit.cli.parser import help_of, parse
from shimfit.settings.commands import Command, page

PROGS = [
    "shimfit",
    *(f"shimfit {name}" for name in (*page().families, *(one.name for one in page().commands))),
]
TYPED = re.compile(r"^  (shimfit .*)$", re.MULTILINE)
LINES = [line for one in PROGS for line in TYPED.findall(help_of(one))]


@pytest.mark.parametrize("command", page().commands, ids=lambda one: one.name)
def test_every_command_says_what_it_does_and_what_it_wants(command: Command) -> None:
    assert command.says
    assert command.examples
    assert all(one.says or one.choices for one in command.takes)


@pytest.mark.parametrize("line", LINES)
def test_lines_to_type_are_taken(line: str) -> None:
    typed = re.split(r"\s{3,}", line)[0]  # a remark may stand beside it
    assert parse(shlex.split(typed)[1:]).command


def test_lines_to_type_are_left_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    wide = {one: TYPED.findall(help_of(one)) for one in PROGS}
    monkeypatch.setenv("COLUMNS", "40")
    assert len(LINES) > 30
    for prog in PROGS:
        reported = help_of(prog)
        assert TYPED.findall(reported) == wide[prog]
        sentences = [line for line in reported.splitlines() if not line.startswith(("  ", "usage"))]
        assert all(len(line) <= 40 for line in sentences), prog
