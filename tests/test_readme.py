"""The README's examples are run as they stand, in order, on one fresh data file; every command has one."""

from __future__ import annotations

import argparse
import io
import re
import shlex
from contextlib import redirect_stdout
from pathlib import Path

import pytest

from shimfit.cli import build_parser, main
from shimfit.cli.io import Io

ROOT = Path(__file__).resolve().parent.parent
TEXT = (ROOT / "README.md").read_text(encoding="utf-8")
EXAMPLES = [
    line
    for block in re.findall(r"<!-- example -->\s*```sh\n(.*?)```", TEXT, re.DOTALL)
    for line in block.splitlines()
    if line.strip()
]
NOT_RUN_IN_A_TEST = {"serve"}
"""Commands that go on until they are stopped; the text names them, their own tests run them."""


def command_paths(parser: argparse.ArgumentParser, path: tuple[str, ...] = ()) -> list[tuple[str, ...]]:
    below = [action for action in parser._actions if isinstance(action, argparse._SubParsersAction)]
    if not below:
        return [path]
    return [
        found for name, child in below[0].choices.items() for found in command_paths(child, (*path, name))
    ]


def test_every_example_does_what_it_shows(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SHIMFIT_DB", str(tmp_path / "readme.db"))
    (tmp_path / "fixtures").symlink_to(ROOT / "fixtures")
    monkeypatch.chdir(tmp_path)
    assert len(EXAMPLES) > 30
    for line in EXAMPLES:
        out, err = io.StringIO(), io.StringIO()
        words = shlex.split(line)
        assert words[0] == "shimfit"
        code = main(words[1:], Io(out, err))
        assert code == 0, f"{line}\n{out.getvalue()}\n{err.getvalue()}"
        assert out.getvalue().strip() or err.getvalue().strip(), line


def test_every_command_has_an_example_or_is_named() -> None:
    shown = [tuple(shlex.split(line)[1:]) for line in EXAMPLES]
    for path in command_paths(build_parser()):
        has_example = any(words[: len(path)] == path for words in shown)
        assert has_example or f"shimfit {' '.join(path)}" in TEXT, (
            f"README has no example of {' '.join(path)}"
        )
        assert has_example or path[0] in NOT_RUN_IN_A_TEST


def test_every_command_says_what_it_does() -> None:
    for path in command_paths(build_parser()):
        out = io.StringIO()
        with redirect_stdout(out), pytest.raises(SystemExit) as left:
            main([*path, "--help"])
        assert left.value.code == 0
        assert len(out.getvalue()) > 80, path


@pytest.mark.parametrize("name", re.findall(r"\]\((fixtures/pictures/[^)]+)\)", TEXT))
def test_pictures_that_the_readme_shows_are_there(name: str) -> None:
    picture = (ROOT / name).read_text(encoding="utf-8")
    assert picture.lstrip().startswith("<svg")
