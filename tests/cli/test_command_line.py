"""The command line as a whole: only the commands that are named are loaded, and nobody can tell."""

from __future__ import annotations

import importlib
import inspect
import re
import sys
from importlib.resources import files

import pytest

from shimfit.cli import main
from shimfit.cli.io import Io
from shimfit.cli.parser import commands, parse
from shimfit.errors import UsageError
from shimfit.settings.commands import page, read_page

NAMES = [*commands()]
PAGE = files("shimfit.settings").joinpath("commands.txt").read_text("utf-8")


def test_of_the_page_only_the_named_command_is_read_and_it_is_the_same() -> None:
    for name in NAMES:
        assert page(frozenset({name})).commands == tuple(
            one for one in page().commands if one.name.split()[0] == name
        )


def test_every_command_has_a_function_that_runs_it() -> None:
    for command in page().commands:
        own, *step = command.run.split()
        module, _, function = own.partition(".")
        run = getattr(importlib.import_module(f"shimfit.cli.{module}"), function)
        assert [*inspect.signature(run).parameters] == ["args", "io"], command.name
        assert bool(step) == (own == "post.at_post")
        for one in step:  # its parameters are what the command takes, so nothing that is typed is passed over
            module, _, function = one.partition(".")
            logs = getattr(importlib.import_module(f"shimfit.workflow.{module}"), function)
            taken = [option.name.lstrip("-").replace("-", "_") for option in command.takes]
            assert [*inspect.signature(logs).parameters] == ["site", *taken], command.name


def test_an_option_is_declared_once_or_says_something_of_its_own() -> None:
    shared, *_ = PAGE.split("== every command")
    for line in PAGE.removeprefix(shared).splitlines():
        spec, *said = re.split(r"\s{2,}", line.strip(), maxsplit=1)
        declared = re.search(rf"^{re.escape(spec)}  +(.*)$", shared, re.MULTILINE)
        assert not (said and declared) or said[0] != declared[1], f"{line}: name it alone"


@pytest.mark.parametrize("line", ["    --frob", "    --frob  --height"])
def test_a_line_of_the_page_that_is_none_is_our_mistake(line: str) -> None:
    with pytest.raises(ValueError, match="frob"):
        read_page(PAGE + line + "\n", None)


def test_what_goes_together_is_about_what_the_command_takes_and_refuses_the_rest() -> None:
    rules = [(command, rule) for command in page().commands for rule in command.rules]
    assert len(rules) > 10
    for command, rule in rules:
        assert {*rule.these, *rule.others} <= {one.name for one in command.takes}, command.name
        for one in rule.these:
            alone, beside = [one], [one, rule.others[-1]]
            refused, taken = (alone, beside) if rule.only else (beside, alone)
            rule.check(taken)
            rule.check(rule.others)
            with pytest.raises(UsageError) as error:
                rule.check(refused)
            assert error.value.message == rule.says.format(refused[-1])


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("simulate --rate 0", "--rate must be at least 0.1"),
        ("simulate --rate 5001", "--rate must be at most 5000"),
        ("simulate --step 0", "--step must be more than 0"),
        ("simulate --noise nan", "--noise must be at least 0"),
        ("listen x.cap --baud 7", "--baud must be at least 50"),
        ("listen x.cap --baud fast", "--baud is a whole number, not 'fast'"),
        ("plan --off 2=3 lake/walk", "for --line-up"),
        ("read lake/walk/1 3n2o --table x.csv", "either one entry or --table"),
        ("run new lake/walk --stations 0,1m --length 1m --foot 90x90mm --height 1m", "not both"),
        ("record lake/walk --as-of 1:2:3 --number 7", "--as-of prints what was"),
    ],
)
def test_limits_and_rules_of_the_page_hold_before_anything_is_opened(line: str, said: str, capsys) -> None:
    assert main([*line.split(), "--db", "/nowhere/at/all.db"], Io()) == 2
    assert said in capsys.readouterr().err


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("read a/b/5 --bed 6n", {"place": "a/b/5", "entry": "6n", "bed": True}),
        ("read --bed a/b/5 6n --json", {"place": "a/b/5", "entry": "6n", "bed": True, "json": True}),
        ("--db x read a/b/5 6n", {"db": "x", "bed": False, "ascii": None}),
        ("--asc read a/b/5 6n --db=x=y", {"db": "x=y", "ascii": True}),
        ("stock add -- -3 flat", {"lot": "-3", "form": "flat"}),
        ("note a/b/5 -- -h", {"place": "a/b/5", "text": "-h"}),
        ("stock add T9 flat --note=--", {"note": "--"}),
        ("listen --reversal a.cap b.cap --axes x", {"reversal": ["a.cap", "b.cap"], "axes": "x"}),
    ],
)
def test_options_stand_anywhere_and_are_cut_short(line: str, said: dict[str, object]) -> None:
    args = vars(parse(line.split()))
    assert {name: args[name] for name in said} == said


@pytest.mark.parametrize("words", [["--help"], ["-h"], ["--hel"], ["-h", "solve"], ["--db", "run", "--help"]])
def test_help_lists_every_command(words: list[str], capsys) -> None:
    with pytest.raises(SystemExit):
        main(words, Io())
    reported = capsys.readouterr().out
    assert all(f"\n    {name} " in reported for name in NAMES)


@pytest.mark.parametrize(
    ("module", "line", "says"),
    [
        ("fpdf", "record lake/walk --pdf out.pdf", "a PDF needs the package fpdf2"),
        ("textual_serve", "serve", "the browser needs the package textual-serve"),
        ("serial", "listen --ports", "a sensor on a port needs the package pyserial"),
    ],
)
def test_a_package_that_was_left_out_is_named(
    shimfit, monkeypatch: pytest.MonkeyPatch, module: str, line: str, says: str
) -> None:
    shimfit("job new lake")
    shimfit("run new lake/walk --length 2.4m --every 1.2m --foot 90x90mm --height 1000mm")
    ours = ("shimfit.wire.link", "shimfit.report.asbuilt", "shimfit.tui.serve", "shimfit.report.page")
    for name in [name for name in sys.modules if name.split(".")[0] == module or name in ours]:
        parent, _, leaf = name.rpartition(".")
        if name in ours:  # so that the package, too, gets its own module back and not one of two
            monkeypatch.setattr(sys.modules[parent], leaf, sys.modules[name])
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, module, None)
    ran = shimfit(line)
    assert ran.code == 2
    assert f"{says}, which isn't installed here" in ran.err
    assert shimfit("run show lake/walk").code == 0


def test_help_of_a_command_that_is_no_topic_is_its_own(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as left:
        main(["help", "tighten"], Io())
    assert left.value.code == 0
    assert "usage: shimfit tighten" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("read lake/walk/1 1/8 n 0", "`n 0` is more than `shimfit read` takes: put what has blanks in it"),
        ("read lake/walk/1 -6n2o", "an entry has no sign, its letters say which way"),
        ("read lake/walk/1 -6 2", "an entry has no sign, its letters say which way: not -6;"),
        ("run show lake/walk --jsom", "`shimfit run show` has no option --jsom; did you mean --json?"),
        ("solve 1n1o --height -3mm", "--height wants a value; what begins with - is joined to it, like"),
        ("plan lake/walk --seconds", "--seconds wants a value; see shimfit plan --help"),
        ("run new lake/walk", "`shimfit run new` needs --foot and --height"),
        ("stock", "`shimfit stock` needs one of import, list, export, out, add"),
        ("stock add T9 flatt", "say flat, taper or strip, not 'flatt'; did you mean flat?"),
        ("run set lake/walk --rule 2", "--rule is 95, 2u or simple, not '2'; did you mean 2u?"),
        ("listen --reversal a.cap --json", "--reversal wants two values; see shimfit listen --help"),
        ("run set lake/walk -height 1m", "has no option -height; did you mean --height?"),
        ("run show lake/walk --json=yes", "--json takes no value: not 'yes'"),
        ("solve 1n1o --he 1", "--he can be --height, --help: say which"),
    ],
)
def test_a_wrong_call_is_refused_in_a_sentence_of_what_was_typed(line: str, said: str, capsys) -> None:
    assert main([*line.split(), "--db", "/nowhere/at/all.db"], Io()) == 2
    assert said in capsys.readouterr().err


def test_help_begins_with_what_a_command_can_not_do_without(capsys) -> None:
    with pytest.raises(SystemExit):
        main(["run", "new", "--help"], Io())
    reported = capsys.readouterr().out
    assert reported.startswith("usage: shimfit run new JOB/RUN --foot ALONGxACROSS --height LENGTH [options]")
    assert "A LENGTH is 9mm, 1.2m, 3/8, 3-1/2in or 4ft; a bare number is in --units." in reported


def test_a_bare_length_at_a_post_is_said_to_be_in_its_runs_unit(capsys) -> None:
    with pytest.raises(SystemExit):
        main(["run", "move", "--help"], Io())
    assert "a bare number is in the run's unit" in " ".join(capsys.readouterr().out.split())
