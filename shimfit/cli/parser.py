"""The command line, read: what was said as values, or refused in a sentence; its help; completions.

What there is stands in settings/commands.txt. Options may stand anywhere behind the command, and be cut short
as long as one alone begins so; what begins with - and is a number, or has a blank in it, is a word.
"""

from __future__ import annotations

import argparse
import re
import shutil
import textwrap
from collections.abc import Iterable, Iterator, Sequence
from functools import partial
from itertools import chain, groupby, pairwise
from typing import Any, NoReturn

from shimfit import __version__
from shimfit.cli.io import Args
from shimfit.errors import UsageError
from shimfit.settings.commands import Command, Option, did_you_mean, page

DESCRIPTION = "Plumb guard posts from the packs in your box: read, pack, tighten, read, hand over."
EPILOG = """\
Without a command the terminal program opens at the last run, or offers the sample job.
`shimfit help` lists topics: how to type a reading, the box, the record, …

  shimfit solve "1/4n 3/8h" --height 44in --foot 3.5x3.5in --units inch
  shimfit read porch/front/2 "1/4 next, 1/8 out"
  shimfit record porch/front --csv -

"""
_HELP = Option("--help", "show this and exit")
_VERSION = Option("--version", "show program's version number and exit")
_NEGATIVE = re.compile(r"-[\d./]")
_OURS = {
    r"argument (\S+): expected one argument": r"\1 wants a value",
    r"argument (\S+): expected 2 arguments": r"\1 wants two values",
    r"argument (\S+): ignored explicit argument (.*)": r"\1 takes no value: not \2",
    r"ambiguous option: (.*) could match (.*)": r"\1 can be \2: say which",
}
"""What argparse says, and how it is said here."""
_WORDS = "words, in this order"
_BESIDE = 24
"""Columns of a help's names at most, before what is said of them."""


def commands() -> tuple[str, ...]:
    """First words of all commands, in the order of --help."""
    return tuple(dict.fromkeys(command.name.split()[0] for command in page().commands))


# ---------------------------------------------------------------- what was said


def parse(argv: Sequence[str]) -> Args:
    """What was said, each option under its name, with its command; UsageError where it can't be.

    Where help or the version is asked for, it is printed and SystemExit raised.
    """
    end = [*argv, "--"].index("--")
    # If -h were declared, argparse would take `-height` for it.
    left, tail = ["--help" if word == "-h" else word for word in argv[:end]], argv[end + 1 :]
    top, words, over = page(frozenset()), list[str](), list[str]()
    # Whether to draw in ASCII alone is a setting, too: not said is not no.
    usual = {one.dest: one.usual for one in (*top.common, *top.first)} | {"ascii": None, "command": None}
    said, prog = Args(**usual), "shimfit"
    left = _Reader(prog, (*top.common, *top.first)).up_to_word(left, said, over)
    if not left:
        _refuse_the_rest(prog, top.common, [*over, *tail])
        return said
    name = word = left.pop(0)
    whole = page(frozenset({name}))
    below = [one.name.partition(" ")[2] for one in whole.commands]
    if name in whole.families:
        prog = f"shimfit {name}"
        left = _Reader(prog, top.common).up_to_word(left, said, over)
        if not left:
            _refuse(f"`{prog}` needs one of {', '.join(below)}", prog)
        word = left.pop(0)
        name = f"{name} {word}"
    command = next((one for one in whole.commands if one.name == name), None)
    if command is None:
        _refuse(f"there is no command {word!r}{did_you_mean(word, below or commands())}", prog)
    values, prog, options = vars(said), f"shimfit {name}", (*top.common, *command.takes)
    values |= {one.dest: one.usual for one in command.takes} | {"command": command}
    reader = _Reader(prog, (one for one in options if not one.is_word))
    while left := reader.up_to_word(left, said, over):
        words.append(left.pop(0))
    words += tail
    try:
        for one in command.takes:
            if one.is_word and one.many == "*":
                values[one.dest], words = words, []
            elif one.is_word and words:
                values[one.dest] = one.value(words.pop(0))
    except UsageError as error:
        _refuse(error.message, prog)
    missing = [one for one in command.takes if one.is_needed and values[one.dest] is None]
    needed = [one.form if one.is_word else one.name for one in missing]
    minus = next(filter(_NEGATIVE.match, argv), "")  # as no entry has it
    if needed:
        side = f" ({minus} has a minus: a reading says the side that the top leans to, like 6p10h)"
        side *= minus != "" and "ENTRY" in needed
        _refuse(f"`{prog}` needs {' and '.join(', '.join(needed).rsplit(', ', 1))}{side}", prog)
    _refuse_the_rest(prog, options, [*over, *words], minus)
    given = [one.name for one in command.takes if values[one.dest] not in (None, one.default, one.usual)]
    for rule in command.rules:
        rule.check(given)
    return said


class _Reader(argparse.ArgumentParser):
    """Reads options as far as the next word; what argparse refuses is refused in our words."""

    def __init__(self, prog: str, options: Iterable[Option]) -> None:
        super().__init__(prog, usage="", add_help=False, argument_default=argparse.SUPPRESS)
        # As in Python 3.11; a later one takes `-3mm` for a number, too.
        self._negative_number_matcher = re.compile(r"-\d+$|-\d*\.\d+$")
        for one in options:
            for name in filter(None, (one.name, one.once)):
                if one.is_flag:
                    self.add_argument(name, dest=one.dest, action="store_true")
                else:
                    many, action = 2 if one.many == "2" else None, "append" if one.many == "…" else "store"
                    read = partial(_value, one, name)
                    self.add_argument(name, dest=one.dest, nargs=many, action=action, type=read)
        if prog == "shimfit":
            self.add_argument("--version", action="version", version=f"shimfit {__version__}")
        self.add_argument("--help", action="help")
        self.add_argument("left", nargs=argparse.REMAINDER)

    def up_to_word(self, words: Sequence[str], said: Args, over: list[str]) -> list[str]:
        """Take options, unknown ones into `over`, as far as the next word; that and all behind it."""
        self.words = words
        over += self.parse_known_args(words, said)[1]
        left: list[str] = vars(said).pop("left")
        return left

    def format_help(self) -> str:
        """Help as it is laid out from the page."""
        return f"{help_of(self.prog)}\n"

    def error(self, message: str) -> NoReturn:
        """Raise UsageError."""
        for theirs, ours in _OURS.items():
            message = re.sub(theirs, ours, message)
        name, _, wants = message.partition(" ")
        beside = (b for a, b in pairwise(self.words) if name.startswith(a) and _NEGATIVE.match(b))
        if wants == "wants a value" and (value := next(beside, None)):
            message += f"; what begins with - is joined to it, like {name}={value}"
        _refuse(message, self.prog)

    def _get_values(self, action: argparse.Action, texts: list[str]) -> Any:
        """As argparse's, which before Python 3.13 finds no value in `--note=--`."""
        return self._get_value(action, "--") if texts == ["--"] else super()._get_values(action, texts)


def _value(one: Option, called: str, text: str) -> Any:
    try:
        return one.value(text, called)
    except UsageError as error:  # a ValueError, too: argparse would say something of its own
        raise argparse.ArgumentError(None, error.message) from error


def _refuse_the_rest(prog: str, options: Iterable[Option], over: Sequence[str], minus: str = "") -> None:
    """Refuse what nothing takes."""
    known = [one.name for one in options]
    option = next((word.partition("=")[0] for word in over if word.startswith("-")), None)
    if over and "entry" in known and minus:
        _refuse(f"an entry has no sign, its letters say which way: not {minus}", prog)
    if option is not None:
        _refuse(f"`{prog}` has no option {option}{did_you_mean(option, known)}", prog)
    if over:
        _refuse(f"`{' '.join(over)}` is more than `{prog}` takes: put what has blanks in it in quotes", prog)


def _refuse(message: str, prog: str) -> NoReturn:
    raise UsageError(f"{message}{'' if message.endswith('?') else ';'} see {prog} --help")


# ---------------------------------------------------------------- help

_Rows = Sequence[tuple[str, str]]
"""What is typed, and what it does."""


def help_of(prog: str) -> str:
    """The help of the program, of a family of commands or of one command, as wide as the terminal."""
    name = prog.partition(" ")[2]
    whole = page()
    below = [one for one in whole.commands if f"{one.name} ".startswith(f"{name} ".lstrip())]
    common = [(_typed(one), one.says) for one in whole.common]
    if name and [one.name for one in below] == [name]:
        return _help_of_command(below[0], common)
    options = [("-h, --help", "show this help message and exit"), *common]
    if name:
        rows = [(f"  {one.name.partition(' ')[2]}", one.says) for one in below]
        examples = "\n".join(["examples:", *(f"  {one.examples[0]}" for one in below)])
        sections = [(_WORDS, [("WHAT", ""), *rows]), ("options", options)]
        return _laid_out(f"{prog} WHAT [options]", whole.families[name], sections, examples)
    from shimfit.core.cautions import cautions_of

    options += [(_typed(one), one.says) for one in (_VERSION, *whole.first)]
    says = {one.name: one.says for one in whole.commands} | dict(whole.families)
    rows = [(f"  {one}", says[one]) for one in commands()]
    sections = [("options", options), ("commands", [("COMMAND", ""), *rows])]
    epilog = EPILOG + textwrap.fill(cautions_of("first start")[0], 110)
    return _laid_out("shimfit [COMMAND] [options]", DESCRIPTION.rstrip("."), sections, epilog)


def _help_of_command(one: Command, common: _Rows) -> str:
    """What it takes, by its headings; lines to type, then notes, and how a length is typed."""
    words = [each for each in one.takes if each.is_word]
    forms = {"?": "[{}]", "*": "[{} …]"}
    typed = [forms.get(each.many, "{}").format(each.form) for each in words]
    typed += [f"{each.name} {each.form}" for each in one.takes if each.is_needed and not each.is_word]
    sections: list[tuple[str, _Rows]] = [(_WORDS, [(each.form, each.says) for each in words])]
    options = [each for each in one.takes if not each.is_word]
    for heading, some in groupby(options, key=lambda each: each.group or "options"):
        sections.append((heading, [(_typed(each), each.says) for each in some]))
    sections.append(("as with every command", [*common, ("-h, --help", _HELP.says)]))
    below = "\n".join([f"example{'s' * (len(one.examples) > 1)}:", *(f"  {line}" for line in one.examples)])
    every = " ".join(each.form for each in one.takes)
    if re.search("LENGTH|THICKNESS", every):
        of_run = "the run's unit" if "JOB/RUN" in every else "mm"
        unit = "--units" if any(each.name == "--units" for each in one.takes) else of_run
        notes = *one.notes, f"A LENGTH is 9mm, 1.2m, 3/8, 3-1/2in or 4ft; a bare number is in {unit}."
    else:
        notes = one.notes
    usage = " ".join(["shimfit", one.name, *typed, "[options]"])
    return _laid_out(usage, one.says, sections, "\n\n".join(filter(None, (below, "\n".join(notes)))))


def _typed(one: Option) -> str:
    return f"{one.name} {one.form}".rstrip()


def _laid_out(usage: str, says: str, sections: Sequence[tuple[str, _Rows]], epilog: str) -> str:
    """Sentences are wrapped to the width; an indented line is a command to type and is left whole."""
    width = shutil.get_terminal_size().columns - 2
    longest = max(len(name.lstrip()) for _, rows in sections for name, _ in rows)
    beside = min(longest + 4, _BESIDE, max(width - 20, 4))
    lines = textwrap.wrap(f"usage: {usage}", width, subsequent_indent="  ", break_on_hyphens=False)
    lines += ["", *textwrap.wrap(f"{says[0].upper()}{says[1:]}.", width)]
    for heading, rows in sections:
        lines += ["", f"{heading}:"] if rows else []
        for name, text in rows:
            first, *rest = textwrap.wrap(text, max(width - beside, 11)) or [""]
            if len(name) > beside - 4:
                first, rest = "", [first, *rest]
            lines += [f"  {name:<{beside - 2}}{first}".rstrip(), *(" " * beside + row for row in rest if row)]
    lines.append("")
    for is_sentence, group in groupby(epilog.splitlines(), lambda line: line[:2].strip() != ""):
        some = [*group]
        lines += textwrap.wrap(" ".join(some), width) if is_sentence else some
    return "\n".join(lines)


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
        options = [one.name for one in command.takes if not one.is_word]
        placed = [one.choices for one in command.takes if one.is_word]
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
