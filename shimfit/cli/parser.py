"""The parsers of the command line, built from commands.txt: one page declares every option and command.

How a line of that page is read stands at its top. Of the page what is wanted is read, and parsers are built
of it: a start that names a command pays for that one.
"""

from __future__ import annotations

import argparse
import re
import textwrap
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import cache, partial
from itertools import chain, groupby
from pathlib import Path
from typing import Any, NoReturn

from shimfit import __version__
from shimfit.errors import UsageError
from shimfit.values import dataclass

DESCRIPTION = "Plumb guard posts from the packs in your box: read, pack, tighten, read, hand over."
EPILOG = """\
Without a command the terminal program opens at the last run, or offers the sample job.
`shimfit help` lists topics: how to type a reading, the box, the record, …

  shimfit solve "1/4n 3/8h" --height 44in --foot 3.5x3.5in --units inch
  shimfit read porch/front/2 "1/4 next, 1/8 out"
  shimfit record porch/front --csv -

"""
KINDS = {"int": int, "number": float}
_LIMITS = re.compile(r"(>?)([-\d.e]+)\.\.([-\d.e]*)")
NARGS: Mapping[str, Any] = {"?": "?", "*": "*", "2": 2}


# ---------------------------------------------------------------- the page


@dataclass(frozen=True, slots=True)
class Option:
    """One option, or one word in its place, as argparse takes it."""

    name: str
    how: Mapping[str, Any]
    once: str = ""
    """An earlier name: still understood, no longer listed."""
    group: str = ""
    """Heading in the command's help; empty: among the others."""

    @property
    def dest(self) -> str:
        """What argparse calls it."""
        return self.name.lstrip("-").replace("-", "_")

    def is_given(self, said: argparse.Namespace) -> bool:
        """True where it was said, and is not what it would be without."""
        value = getattr(said, self.dest)
        return not (value is None or value is False or value == [] or value == self.how.get("default"))

    def add_to(self, parser: argparse._ActionsContainer, **how: Any) -> None:
        """Declare it on a parser; how: what a parser has otherwise."""
        parser.add_argument(self.name, **{**self.how, **how})
        if self.once:
            kept = {key: self.how[key] for key in ("type", "action") if key in self.how}
            kept |= {"help": argparse.SUPPRESS, "default": argparse.SUPPRESS}
            parser.add_argument(self.once, dest=self.dest, **kept)


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

    def check(self, said: argparse.Namespace) -> None:
        """Raise UsageError where options were said that do not go together."""
        given = {one.name for one in self.takes if one.is_given(said)}
        for rule in self.rules:
            rule.check(given)

    @property
    def epilog(self) -> str:
        """What stands below the options in its help: lines to type, then notes."""
        heading = "example:" if len(self.examples) == 1 else "examples:"
        shown = "\n".join([heading, *(f"  {line}" for line in self.examples)]) if self.examples else ""
        return "\n\n".join(part for part in (shown, "\n".join((*self.notes, *self._lengths))) if part)

    @property
    def _lengths(self) -> Iterator[str]:
        """How a length is typed, where the command takes one."""
        forms = {one.name: str(one.how.get("metavar", "")) for one in self.takes}
        every = " ".join(forms.values())
        if re.search("LENGTH|THICKNESS", every):
            of_run = "the run's unit" if "JOB/RUN" in every else "mm"
            unit = "--units" if "--units" in forms else of_run
            yield f"A LENGTH is 9mm, 1.2m, 3/8, 3-1/2in or 4ft; a bare number is in {unit}."

    @property
    def usage(self) -> str:
        """The words and the options that it can't do without; the others are listed below it."""
        words = [one for one in self.takes if not one.name.startswith("-")]
        needed = [f"{one.name} {one.how['metavar']}" for one in self.takes if one.how.get("required")]
        return " ".join(["shimfit", self.name, *map(_word, words), *needed, "[options]"])


@dataclass(frozen=True, slots=True)
class Page:
    """All of commands.txt."""

    common: tuple[Option, ...]
    first: tuple[Option, ...]
    """Of the terminal program, which opens when no command is given."""
    families: Mapping[str, str]
    commands: tuple[Command, ...]


@cache
def page(words: Iterable[str] | None = None) -> Page:
    """The page as it is packed with the program, of the commands whose first word is among some words."""
    text = Path(__file__).with_name("commands.txt").read_text("utf-8")
    return read_page(text, None if words is None else frozenset(words))


def commands() -> tuple[str, ...]:
    """First words of all commands, in the order of --help."""
    return tuple(dict.fromkeys(command.name.split()[0] for command in page().commands))


def read_page(text: str, wanted: Collection[str] | None = None) -> Page:
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


def _word(one: Option) -> str:
    form = str(one.how.get("metavar", one.name))
    return {"?": f"[{form}]", "*": f"[{form} …]"}.get(one.how.get("nargs", ""), form)


def _options(line: str, shared: Mapping[str, Option]) -> Iterator[Option]:
    """The options of a line: names of shared ones, or one with its help."""
    spec, *texts = re.split(r"\s{2,}", line.strip(), maxsplit=1)
    names = line.split()
    if all(name in shared for name in names):
        yield from (shared[name] for name in names)
    elif not texts or texts[0].startswith("--"):
        raise ValueError(f"commands.txt: {line!r} names no shared option and has no help")
    elif spec in shared:
        yield replace(shared[spec], how={**shared[spec].how, "help": _plain(texts[0])})
    else:
        yield _option(spec, texts[0])


def _rule(line: str) -> Rule:
    spec, says = re.split(r"\s{2,}", line, maxsplit=1)
    word, *names = spec.split()
    at = names.index("with")
    return Rule(word == "only", tuple(names[:at]), tuple(names[at + 1 :]), says)


@cache  # so that an option read twice is equal to itself
def _within(kind: Callable[[str], float], limits: str) -> Callable[[str], float]:
    """What reads a number and refuses one that is not within limits, as the page has them."""
    over, least, most = _LIMITS.fullmatch(limits).groups()  # type: ignore[union-attr]
    low, high = float(least), float(most or "inf")

    def read(text: str) -> float:
        value = kind(text)
        if not (value > low if over else value >= low):
            raise argparse.ArgumentTypeError(f"must be {'more than' if over else 'at least'} {low:g}")
        if value > high:
            raise argparse.ArgumentTypeError(f"must be at most {high:.15g}")
        return value

    read.__name__ = kind.__name__  # argparse says "invalid float value"
    return read


def _option(spec: str, text: str) -> Option:
    name, *words = spec.split()
    how: dict[str, Any] = {"help": _plain(text)}
    once = ""
    while words:
        word = words.pop(0)
        if word in KINDS:
            how["type"] = KINDS[word]
        elif _LIMITS.fullmatch(word):
            how["type"] = _within(how["type"], word)
        elif word in NARGS:
            how["nargs"] = NARGS[word]
        elif word == "!":
            how["required"] = True
        elif word == "…":
            how |= {"action": "append", "default": []}
        elif word == "=":
            value = words.pop(0)
            how["default"] = "" if value == "''" else how.get("type", str)(value)
        elif word.startswith("("):
            once = word[1:-1]
        elif "|" in word and word.islower():
            how |= {"choices": tuple(word.split("|")), "metavar": word}
        else:
            how["metavar"] = word
    if how.get("nargs") == 2:
        how["metavar"] = ("A", "B")
    if name.startswith("--") and not words and not {"metavar", "choices"} & how.keys():
        how["action"] = "store_true"
    return Option(name, how, once)


def _plain(text: str) -> str:
    """Help as argparse takes it, which fills in what stands behind a percent sign."""
    return text.replace("%", "%%")


# ---------------------------------------------------------------- the parsers


class Help(argparse.HelpFormatter):
    """Sentences are wrapped to the width; an indented line is a command to type and is left whole."""

    def _fill_text(self, text: str, width: int, indent: str) -> str:
        """Wrap paragraph by paragraph; argparse has no public place for this."""
        filled: list[str] = []
        for is_sentence, group in groupby(text.splitlines(), lambda line: line[:2].strip() != ""):
            lines = list(group)
            filled += [super()._fill_text(" ".join(lines), width, indent)] if is_sentence else lines
        return "\n".join(filled)

    def _format_usage(self, usage: str | None, *given: Any) -> str:
        """A usage of our own is broken as it is wide, between its words."""
        if usage is None:
            return super()._format_usage(usage, *given)
        text = textwrap.fill(
            usage, self._width, initial_indent="usage: ", subsequent_indent="  ", break_on_hyphens=False
        )
        return f"{text}\n\n"


class Parser(argparse.ArgumentParser):
    """argparse, but a wrong call is raised like every other error, so that --json gets its object too."""

    def __init__(self, **given: Any) -> None:
        """As argparse's; the help is laid out by `Help`."""
        # Every argument that is declared is tried on a formatter: none asks the terminal for its width.
        super().__init__(**{"formatter_class": partial(Help, width=80), **given})
        self._positionals.title = "words, in this order"

    def format_help(self) -> str:
        """The help, as wide as the terminal."""
        self.formatter_class = Help
        return super().format_help()

    def parse_known_args(self, args: Any = None, namespace: Any = None) -> Any:
        """As argparse's; what was said is kept for the sentence that refuses it."""
        self.said = [*(args or ()), ""]
        return super().parse_known_args(args, namespace)

    def parse_args(self, args: Any = None, namespace: Any = None) -> argparse.Namespace:  # type: ignore[override]
        """As argparse's; what is too much is refused by the command that it was said to."""
        said: argparse.Namespace
        said, over = self.parse_known_args(args, namespace)
        if over:
            command: Command | None = said.command
            prog = self.prog if command is None else f"{self.prog} {command.name}"
            takes = (*page().common, *(() if command is None else command.takes))
            _refuse(self._too_much(prog, over, {one.name for one in takes}), prog)
        return said

    def error(self, message: str) -> NoReturn:
        """Raise UsageError with argparse's sentence put for people, and where to look for the right form."""
        for form, sentence in _SENTENCES.items():
            if found := re.match(form, message):
                message = sentence(self, *found.groups())
                break
        _refuse(message, self.prog)

    @property
    def minus(self) -> str | None:
        """What was said with a minus before its number, as no entry has it."""
        return next((word for word in self.said if re.match(r"-[\d./]", word)), None)

    def _too_much(self, prog: str, over: Sequence[str], known: Collection[str]) -> str:
        if "entry" in known and self.minus:
            return f"an entry has no sign, its letters say which way: not {self.minus}"
        option = next((word.partition("=")[0] for word in over if word.startswith("-")), None)
        if option is None:
            return f"`{' '.join(over)}` is more than `{prog}` takes: put what has blanks in it in quotes"
        return f"`{prog}` has no option {option}{_close(option, known)}"

    @property
    def commands(self) -> list[str]:
        """Its commands; argparse has no public way to them."""
        return [name for one in self._actions if isinstance(one.choices, dict) for name in one.choices]


def _refuse(message: str, prog: str) -> NoReturn:
    raise UsageError(f"{message}{'' if message.endswith('?') else ';'} see {prog} --help")


def _close(word: str, known: Iterable[str]) -> str:
    from difflib import get_close_matches

    close = get_close_matches(word, list(known), 1)
    return f"; did you mean {close[0]}?" if close else ""


def _choice(parser: Parser, of: str, word: str, choices: str) -> str:
    if of in ("COMMAND", "WHAT"):
        return f"there is no command {word!r}{_close(word, parser.commands)}"
    known = re.findall(r"[\w-]+", choices)
    what = f"{of} is" if of.startswith("-") else "say"
    return f"{what} {', '.join(known[:-1])} or {known[-1]}, not {word!r}{_close(word, known)}"


def _needed(parser: Parser, what: str) -> str:
    if what == "WHAT":
        return f"`{parser.prog}` needs one of {', '.join(parser.commands)}"
    side = f" ({parser.minus} has a minus: a reading says the side that the top leans to, like 6p10h)"
    side *= parser.minus is not None and "ENTRY" in what
    return f"`{parser.prog}` needs {' and '.join(what.rsplit(', ', 1))}{side}"


def _no_value(parser: Parser, of: str) -> str:
    value = parser.said[parser.said.index(of) + 1] if of in parser.said else ""
    joined = f"; what begins with - is joined to it, like {of}={value}" if re.match(r"-[\d./]", value) else ""
    return f"{of} wants a value{joined}"


_SENTENCES: Mapping[str, Callable[..., str]] = {
    r"argument (--\S+): (must be .*)": lambda _, of, what: f"{of} {what}",
    r"argument (\S+): invalid choice: '?([^' ]*)'? ?\(choose from (.*)\)": _choice,
    r"argument (\S+): invalid int value: (.*)": lambda _, of, word: f"{of} is a whole number, not {word}",
    r"argument (\S+): invalid float value: (.*)": lambda _, of, word: f"{of} is a number, not {word}",
    r"argument (\S+): expected one argument": _no_value,
    r"argument (\S+): expected 2 arguments": lambda _, of: f"{of} wants two values",
    r"argument (\S+): ignored explicit argument (.*)": lambda _, of, word: f"{of} takes no value: not {word}",
    r"ambiguous option: (\S+) could match (.*)": lambda _, of, which: f"{of} can be {which}: say which",
    r"the following arguments are required: (.*)": _needed,
}
"""What argparse says of a wrong call, and the same as a sentence."""


def build_parser(words: Iterable[str] | None = None) -> Parser:
    """Parser of the whole command line, or of the commands whose first word is among some words.

    --json and --db are understood before or after the command: a default that is set twice would hide what
    was given first, so the commands' own have none.
    """
    from shimfit.core.cautions import cautions_of

    whole = page(None if words is None else frozenset(words))
    caution = textwrap.fill(cautions_of("first start")[0], 110)
    parser = Parser(prog="shimfit", description=DESCRIPTION, epilog=EPILOG + caution)
    for one in whole.common:
        one.add_to(parser)
    parser.add_argument("--version", action="version", version=f"shimfit {__version__}")
    for one in whole.first:
        one.add_to(parser, **({"default": None} if one.name == "--ascii" else {}))
    parser.set_defaults(command=None)
    below = parser.add_subparsers(metavar="COMMAND", title="commands", parser_class=Parser, prog="shimfit")
    families: dict[str, Any] = {}
    for command in whole.commands:
        first, _, second = command.name.partition(" ")
        if not second:
            _add(below, first, command, whole)
            continue
        if first not in families:
            summary = whole.families[first]
            of_it = [one for one in whole.commands if one.name.startswith(f"{first} ")]
            shown = "\n".join(["examples:", *(f"  {one.examples[0]}" for one in of_it)])
            family = below.add_parser(first, help=summary, description=_sentence(summary), epilog=shown)
            for one in whole.common:
                one.add_to(family, default=argparse.SUPPRESS)
            families[first] = family.add_subparsers(metavar="WHAT", required=True)
        _add(families[first], second, command, whole)
    return parser


def _add(below: Any, name: str, command: Command, whole: Page) -> None:
    parser = below.add_parser(
        name,
        help=_plain(command.says),
        description=_sentence(command.says),
        epilog=command.epilog,
        usage=_plain(command.usage),
        add_help=False,
    )
    for heading, options in groupby(command.takes, key=lambda one: one.group):
        place = parser.add_argument_group(heading) if heading else parser
        for one in options:
            one.add_to(place)
    every = parser.add_argument_group("as with every command")
    for one in whole.common:
        one.add_to(every, default=argparse.SUPPRESS)
    every.add_argument("-h", "--help", action="help", help="show this and exit")
    parser.set_defaults(command=command)


def _sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:]}."


# ---------------------------------------------------------------- completions


def completions(shell: str) -> str:
    """Completion script for bash, zsh or fish, of every command's words and options."""
    whole = page()
    common = [one.name for one in whole.common]
    # Command words typed so far -> what may follow.
    table = {"": [*commands(), "--help", "--version", *common, *(one.name for one in whole.first)]}
    for family in whole.families:
        table[family] = [one.name.split()[1] for one in whole.commands if one.name.startswith(f"{family} ")]
    for command in whole.commands:
        options = [one.name for one in command.takes if one.name.startswith("-")]
        placed = [one.how.get("choices", ()) for one in command.takes if not one.name.startswith("-")]
        table[command.name] = [*chain(*placed), "--help", *common, *options]
    if shell == "fish":
        return "\n".join(["complete -c shimfit -e", *chain(*(_fish(*row) for row in table.items()))])
    cases = "\n".join(f'    "{path}") words="{" ".join(words)}" ;;' for path, words in table.items())
    zsh = "autoload -U +X bashcompinit && bashcompinit\n" if shell == "zsh" else ""
    return zsh + _BASH.replace("CASES", cases)


_BASH = """\
_shimfit() {
  local current="${COMP_WORDS[COMP_CWORD]}" path="" word words=""
  for word in "${COMP_WORDS[@]:1:COMP_CWORD-1}"; do
    case "$word" in -*|*/*|*\\ *) ;; *) path="${path:+$path }$word" ;; esac
  done
  while :; do
    case "$path" in
CASES
    esac
    [[ -n "$words" || "$path" != *" "* ]] && break
    path="${path% *}"
  done
  COMPREPLY=($(compgen -W "$words" -- "$current"))
  [[ ${#COMPREPLY[@]} -eq 0 ]] && COMPREPLY=($(compgen -f -- "$current"))
}
complete -F _shimfit shimfit"""


def _fish(path: str, words: Sequence[str]) -> Iterator[str]:
    seen = [f"__fish_seen_subcommand_from {word}" for word in path.split()] or ["__fish_use_subcommand"]
    line = f"complete -c shimfit -n '{'; and '.join(seen)}'"
    if plain := " ".join(word for word in words if not word.startswith("--")):
        yield f"{line} -a '{plain}'"
    yield from (f"{line} -l {word[2:]}" for word in words if word.startswith("--"))
