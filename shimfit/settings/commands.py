"""The command line as values: every command and option of commands.txt, for the shell and for the screen.

How a line of that page is read stands at its top. A start that names a command reads the lines of that one.
"""

from __future__ import annotations

import re
import shlex
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any, TypeAlias

from shimfit.errors import UsageError
from shimfit.values import dataclass

Runs: TypeAlias = Callable[[Sequence[str], Callable[[str], None], Callable[[], bool]], int]
"""What runs the words of a command on the open data file: all that it says goes to the second, the third says
when to stop; returns the exit code."""
_NUMBERS: Mapping[str, type[float]] = {"int": int, "number": float}
_LIMITS = re.compile(r"(>?)([-\d.e]+)\.\.([-\d.e]*)")


@dataclass(frozen=True, slots=True)
class Option:
    """One option (`--height`), or one word in its place (`place`)."""

    name: str
    says: str
    form: str = ""
    """What stands for its value: `LENGTH`, `mm|inch`; empty: it is there or not."""
    number: str = ""
    """`int` or `number`; empty: a text."""
    limits: str = ""
    """What a number is within: `0.1..5000`, `>0..60`, `0..` without an upper end."""
    choices: tuple[str, ...] = ()
    default: Any = None
    many: str = ""
    """`?` may be left out, `*` any number, `2` two values, `…` may be given again."""
    is_needed: bool = False
    once: str = ""
    """An earlier name: still understood, no longer listed."""
    group: str = ""
    """Heading in the command's help; empty: among the others."""

    @property
    def label(self) -> str:
        """`height`, `place`."""
        return self.name.lstrip("-")

    @property
    def dest(self) -> str:
        """What holds its value in what was said."""
        return self.label.replace("-", "_")

    @property
    def is_word(self) -> bool:
        """True: it stands in its place; False: it is an option with a name."""
        return not self.name.startswith("-")

    @property
    def is_flag(self) -> bool:
        """It has no value."""
        return not (self.form or self.is_word)

    @property
    def usual(self) -> Any:
        """Its value where it is not said."""
        return False if self.is_flag else [] if self.many in ("*", "…") else self.default

    @property
    def asks(self) -> str:
        """What it takes, and what for: `LENGTH: how long it is`."""
        return f"{self.form}: {self.says}" if self.form and self.many != "2" else self.says

    def value(self, text: str, called: str = "") -> Any:
        """What a text means here; UsageError where it can't be. called: its name, as it was said."""
        called = called or (self.form if self.is_word else self.name)
        if self.choices and text not in self.choices:
            *others, last = self.choices
            what = "say" if self.is_word else f"{called} is"
            close = did_you_mean(text, self.choices)
            raise UsageError(f"{what} {', '.join(others)} or {last}, not {text!r}{close}")
        if not self.number:
            return text
        try:
            value = _NUMBERS[self.number](text)
        except ValueError:
            whole = "whole " if self.number == "int" else ""
            raise UsageError(f"{called} is a {whole}number, not {text!r}") from None
        if limits := _LIMITS.fullmatch(self.limits):
            over, least, most = limits[1], float(limits[2]), float(limits[3] or "inf")
            if not (value > least if over else value >= least):
                raise UsageError(f"{called} must be {'more than' if over else 'at least'} {least:g}")
            if value > most:
                raise UsageError(f"{called} must be at most {most:.15g}")
        return value

    def words(self, value: str) -> list[str]:
        """How a value is said on the command line; ValueError for quotes that do not close."""
        if self.is_flag:
            return [self.name]
        parts = shlex.split(value) if self.many in ("*", "2", "…") else [value]
        if self.is_word:
            return parts
        return [self.name, *parts] if self.many == "2" else [f"{self.name}={part}" for part in parts]

    def fault(self, value: str) -> str:
        """Why a value can't be, before the command itself judges it; empty: it may."""
        if self.is_needed and not value.strip():
            return f"{self.label} is needed: {self.asks}"
        try:
            words = self.words(value.strip())
        except ValueError:
            return "a quotation mark is not closed"
        if self.is_word and any(word.startswith("-") and word != "-" for word in words):
            return f"{self.label} can't begin with -"
        return ""


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """`; did you mean flat?`, to be said behind what is refused; empty where nothing is close."""
    from difflib import get_close_matches

    close = get_close_matches(word, list(known), 1)
    return f"; did you mean {close[0]}?" if close else ""


@dataclass(frozen=True, slots=True)
class Rule:
    """Which of a command's options go together: `these` not beside any of `others`, or only beside one."""

    only: bool
    these: tuple[str, ...]
    others: tuple[str, ...]
    says: str
    """`{}` in it: those of `these`, or of `others` where they are not to be there, that were given."""

    def check(self, given: Iterable[str]) -> None:
        """Raise UsageError when what was given breaks it."""
        one, other = ([name for name in names if name in given] for names in (self.these, self.others))
        if one and bool(other) != self.only:
            names = (name if name.startswith("-") else name.upper() for name in other or one)
            raise UsageError(self.says.format(", ".join(names)))


@dataclass(frozen=True, slots=True)
class Command:
    """One command: `run new` is the command `new` of the family `run`."""

    name: str
    run: str
    """`module.function` below shimfit.cli."""
    says: str
    takes: tuple[Option, ...] = ()
    examples: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    rules: tuple[Rule, ...] = ()
    elsewhere: str = ""
    """Why the screen does not run it; empty: it does."""


@dataclass(frozen=True, slots=True)
class Page:
    """All of commands.txt."""

    common: tuple[Option, ...]
    first: tuple[Option, ...]
    """Of the terminal program, which opens when no command is given."""
    families: Mapping[str, str]
    commands: tuple[Command, ...]


@cache
def page(words: frozenset[str] | None = None) -> Page:
    """The page as it is packed with the program, of the commands whose first word is among some words."""
    return read_page(Path(__file__).with_name("commands.txt").read_text("utf-8"), words)


def read_page(text: str, wanted: Collection[str] | None) -> Page:
    """The page in its parts; ValueError for a line that is none (our own mistake).

    wanted: first words of the commands that are read; None: all.
    """
    parts: dict[str, list[str]] = {}
    for line in text.splitlines():
        if line.startswith("== "):
            parts[line[3:]] = []
        elif line.strip() and not line.startswith("#"):
            parts[[*parts][-1]].append(line)
    shared = {one.name: one for line in parts["options"] for one in _options(line, {})}
    families = dict(re.split(r"\s{2,}", line, maxsplit=1) for line in parts["families"])
    commands: list[Command] = []
    group, reads = "", False
    for line in parts["commands"]:
        if not line.startswith(" "):
            reads = wanted is None or line.split(maxsplit=1)[0] in wanted
        if not reads:
            continue
        if not line.startswith(" "):
            name, run, summary = re.split(r"\s{2,}", line, maxsplit=2)
            commands.append(Command(name, run, summary))
            group = ""
            continue
        one, word = commands[-1], line.strip()
        if word.startswith("eg "):
            one = replace(one, examples=(*one.examples, word[3:]))
        elif word.startswith("note "):
            one = replace(one, notes=(*one.notes, word[5:]))
        elif word.startswith("elsewhere "):
            one = replace(one, elsewhere=word[10:])
        elif word.endswith(":"):
            group = word[:-1]
        elif word.startswith(("only ", "not ")):
            one = replace(one, rules=(*one.rules, _rule(word)))
        else:
            taken = (replace(each, group=group) for each in _options(word, shared))
            one = replace(one, takes=(*one.takes, *taken))
        commands[-1] = one
    common, first = (
        tuple(each for line in parts[part] for each in _options(line, shared))
        for part in ("every command", "no command")
    )
    return Page(common, first, families, tuple(commands))


def _options(line: str, shared: Mapping[str, Option]) -> Iterator[Option]:
    """The options of a line: names of shared ones, or one with its help."""
    spec, *texts = re.split(r"\s{2,}", line.strip(), maxsplit=1)
    names = line.split()
    if all(name in shared for name in names):
        yield from (shared[name] for name in names)
    elif not texts or texts[0].startswith("--"):
        raise ValueError(f"commands.txt: {line!r} names no shared option and has no help")
    elif spec in shared:
        yield replace(shared[spec], says=texts[0])
    else:
        yield _option(spec, texts[0])


def _rule(line: str) -> Rule:
    spec, says = re.split(r"\s{2,}", line, maxsplit=1)
    word, *names = spec.split()
    at = names.index("with")
    return Rule(word == "only", tuple(names[:at]), tuple(names[at + 1 :]), says)


def _option(spec: str, says: str) -> Option:
    name, *words = spec.split()
    how: dict[str, Any] = {}
    while words:
        word = words.pop(0)
        if word in _NUMBERS:
            how["number"] = word
        elif _LIMITS.fullmatch(word):
            how["limits"] = word
        elif word in ("?", "*", "2", "…"):
            how["many"] = word
        elif word == "!":
            how["is_needed"] = True
        elif word == "=":
            value = words.pop(0)
            how["default"] = "" if value == "''" else _NUMBERS.get(how.get("number", ""), str)(value)
        elif word.startswith("("):
            how["once"] = word[1:-1]
        else:
            how["form"] = word
            if "|" in word and word.islower():
                how["choices"] = tuple(word.split("|"))
    if not name.startswith("-"):
        how["is_needed"] = how.get("many") not in ("?", "*")
    elif how.get("many") == "2":
        how["form"] = "A B"
    return Option(name, says, **how)
