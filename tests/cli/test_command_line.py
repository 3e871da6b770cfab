"""The command line as a whole: only the commands that are named are loaded, and nobody can tell."""

from __future__ import annotations

import argparse

import pytest

from shimfit.cli import COMMANDS, build_parser, main
from shimfit.cli.io import Io


def commands_of(parser: argparse.ArgumentParser) -> list[str]:
    """Names of a parser's commands, in the order of its help."""
    choices = (action.choices for action in parser._actions if isinstance(action.choices, dict))
    return [name for names in choices for name in names]


def test_the_table_of_commands_is_what_the_modules_add() -> None:
    for module, names in COMMANDS.items():
        assert commands_of(build_parser([module])) == list(names)
    assert commands_of(build_parser()) == [name for names in COMMANDS.values() for name in names]


@pytest.mark.parametrize(
    "words",
    [["solv"], ["--db", "run", "frob"], ["frob", "--json"], ["stock", "frob"], ["solve", "--frob"], []],
)
def test_a_wrong_call_is_judged_by_the_whole_command_line(words: list[str], capsys) -> None:
    with pytest.raises(Exception) as whole:  # noqa: PT011 - whatever it is, main tells the same
        build_parser().parse_args([*words, "--no-such-option"])
    assert main([*words, "--no-such-option"], Io()) == 2
    assert whole.value.message in capsys.readouterr().err


@pytest.mark.parametrize("words", [["--help"], ["-h"], ["--hel"], ["-h", "solve"], ["--db", "run", "--help"]])
def test_help_lists_every_command(words: list[str], capsys) -> None:
    with pytest.raises(SystemExit):
        main(words, Io())
    told = capsys.readouterr().out
    assert all(f"\n    {name} " in told for names in COMMANDS.values() for name in names)
