"""The README's examples are run as they stand, in order, on one fresh data file; every command has one."""

from __future__ import annotations

import io
import re
import shlex
from contextlib import redirect_stdout
from pathlib import Path

import pytest

from shimfit.cli import main
from shimfit.cli.io import Io
from shimfit.cli.parser import commands, parse
from shimfit.settings.commands import page
from shimfit.text.topics import topics

ROOT = Path(__file__).resolve().parent.parent
TEXT = (ROOT / "README.md").read_text(encoding="utf-8")
EXAMPLES = re.findall(r"^\| [^|]+ \| `(shimfit [^`]+)` \|$", TEXT, re.MULTILINE)
"""The rows of the tables by task."""
MOST_LINES = 160
BEGUN_WITH = {"solve", "note", "demo", "help"}
"""Commands that the README shows and no topic."""


def test_every_example_does_what_it_shows(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SHIMFIT_DB", str(tmp_path / "readme.db"))
    (tmp_path / "fixtures").symlink_to(ROOT / "fixtures")
    monkeypatch.chdir(tmp_path)
    assert len(EXAMPLES) > 35
    for line in EXAMPLES:
        out, err = io.StringIO(), io.StringIO()
        words = shlex.split(line)
        assert words[0] == "shimfit"
        code = main(words[1:], Io(out, err))
        assert code == 0, f"{line}\n{out.getvalue()}\n{err.getvalue()}"
        assert out.getvalue().strip() or err.getvalue().strip(), line


def test_what_it_shows_as_said_is_what_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    shown = re.findall(r"```console\n\$ (shimfit [^\n]+)\n(.*?)```", TEXT, re.DOTALL)
    assert shown
    for line, reported in shown:
        out = io.StringIO()
        assert main(shlex.split(line)[1:], Io(out, io.StringIO())) == 0
        said = iter(out.getvalue().splitlines())
        for wanted in reported.splitlines():
            assert wanted in said, "a line that is not said, or not in this order"
    assert "Of 20 posts packed like this" in shown[0][1]


def test_it_is_short_and_its_two_commands_are_two() -> None:
    assert len(TEXT.splitlines()) <= MOST_LINES
    assert re.findall(r"<!-- command: (\w+) -->\n```sh\n[^\n]+\n```", TEXT) == ["run", "tests"]


def test_every_line_to_type_in_a_topic_is_taken() -> None:
    typed = [
        re.split(r"\s{3,}", line.strip())[0]
        for topic in topics()
        for line in topic.text.splitlines()
        if line.startswith("  shimfit ")
    ]
    assert len(typed) > 60
    for line in typed:
        parse(shlex.split(line)[1:])
    assert {*commands()} - {line.split()[1] for line in typed} <= BEGUN_WITH


def test_topics_are_listed_and_name_no_other_command(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "40")
    assert main(["help"]) == 0
    listed = capsys.readouterr().out
    for topic in topics():
        assert f"  {topic.name} " in listed
        assert main(["help", topic.name]) == 0
        assert (
            topic.text.split()
            == capsys.readouterr().out.split(maxsplit=1 + len(topic.says.split()))[-1].split()
        )
    assert main(["help", "recrod"]) == 2
    assert "did you mean record?" in capsys.readouterr().err
    for word in re.findall(r"`shimfit ([a-z]+)", TEXT + "".join(topic.text for topic in topics())):
        assert word in commands(), word
    for name in re.findall(r"`shimfit help (\w+)`", TEXT):
        assert name in {topic.name for topic in topics()}


def test_every_command_says_what_it_does() -> None:
    for command in page().commands:
        out = io.StringIO()
        with redirect_stdout(out), pytest.raises(SystemExit) as left:
            main([*command.name.split(), "--help"])
        assert left.value.code == 0
        assert len(out.getvalue()) > 80, command.name


@pytest.mark.parametrize("name", re.findall(r"\]\((fixtures/pictures/[^)]+)\)", TEXT))
def test_pictures_that_the_readme_shows_are_there(name: str) -> None:
    picture = (ROOT / name).read_text(encoding="utf-8")
    assert picture.lstrip().startswith("<svg")
