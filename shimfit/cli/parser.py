"""The command line, read: what was said as values, or refused in a sentence; its help; completions.

What there is stands in settings/commands.txt. Options may stand anywhere behind the command, and be cut short
as long as one alone begins so; what begins with - and is a number, or has a blank in it, is a word.
"""

from __future__ import annotations

import re
import shutil
import sys
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from itertools import chain, groupby
from typing import NoReturn

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
    top = page(frozenset())
    # Whether to draw in ASCII alone is a setting, too: not said is not no.
    usual = {one.dest: one.usual for one in (*top.common, *top.first)} | {"ascii": None, "command": None}
    line = _Line(argv, usual)
    name = line.next_word("shimfit", (*top.common, _VERSION, *top.first))
    if name is None:
        line.refuse_the_rest("shimfit", top.common)
        return Args(**line.said)
    whole = page(frozenset({name}))
    if name in whole.families:
        second = line.next_word(f"shimfit {name}", top.common)
        known = [one.name.split()[1] for one in whole.commands]
        if second is None:
            _refuse(f"`shimfit {name}` needs one of {', '.join(known)}", f"shimfit {name}")
        if second not in known:
            _refuse(f"there is no command {second!r}{did_you_mean(second, known)}", f"shimfit {name}")
        name = f"{name} {second}"
    command = next((one for one in whole.commands if one.name == name), None)
    if command is None:
        _refuse(f"there is no command {name!r}{did_you_mean(name, commands())}", "shimfit")
    line.said |= {one.dest: one.usual for one in command.takes} | {"command": command}
    line.read_all(command, (*top.common, *command.takes))
    given = {
        one.name for one in command.takes if line.said[one.dest] not in (None, False, one.default, one.usual)
    }
    for rule in command.rules:
        rule.check(given)
    return Args(**line.said)


class _Line:
    """A line that is being read, word by word."""

    def __init__(self, argv: Sequence[str], said: dict[str, object]) -> None:
        self.argv, self.said = argv, said
        self._words = [*argv]
        self._too_much: list[str] = []
        minus = (word for word in argv if _NEGATIVE.match(word))
        self._minus = next(minus, None)
        """What was said with a minus before its number, as no entry has it."""

    def next_word(self, prog: str, options: Sequence[Option]) -> str | None:
        """Take the options before the next word, and that."""
        return next(self._words_of(prog, options), None)

    def read_all(self, command: Command, options: Sequence[Option]) -> None:
        """Take all that is left, of a command."""
        prog, places = f"shimfit {command.name}", [one for one in command.takes if one.is_word]
        words = [*self._words_of(prog, [one for one in options if not one.is_word])]
        for one in places:
            if one.many == "*":
                self.said[one.dest], words = words, []
            elif words:
                self._set(prog, one, words.pop(0))
        needed = [
            one.form if one.is_word else one.name
            for one in command.takes
            if one.is_needed and self.said[one.dest] is None
        ]
        if needed:
            side = f" ({self._minus} has a minus: a reading says the side that the top leans to, like 6p10h)"
            side *= self._minus is not None and "ENTRY" in needed
            _refuse(f"`{prog}` needs {' and '.join(', '.join(needed).rsplit(', ', 1))}{side}", prog)
        self._too_much += words
        self.refuse_the_rest(prog, options)

    def refuse_the_rest(self, prog: str, options: Sequence[Option]) -> None:
        """Refuse what nothing takes."""
        over, known = self._too_much, [one.name for one in options]
        option = next((word.partition("=")[0] for word in over if word.startswith("-")), None)
        if over and "entry" in known and self._minus:
            _refuse(f"an entry has no sign, its letters say which way: not {self._minus}", prog)
        if option is not None:
            _refuse(f"`{prog}` has no option {option}{did_you_mean(option, known)}", prog)
        if over:
            _refuse(
                f"`{' '.join(over)}` is more than `{prog}` takes: put what has blanks in it in quotes", prog
            )

    def _words_of(self, prog: str, options: Sequence[Option]) -> Iterator[str]:
        """The words in their places, one after another; options between them are taken."""
        named = {name: one for one in (*options, _HELP) for name in (one.name, one.once) if name}
        named["-h"] = _HELP
        while self._words:
            word = self._words.pop(0)
            if word == "--":
                yield from self._words
                self._words = []
            elif (name := _option_in(word, named, prog)) is None:
                yield word
            elif name in named:
                self._take(prog, name, word, named)
            else:
                self._too_much.append(word)

    def _take(self, prog: str, name: str, word: str, named: Mapping[str, Option]) -> None:
        """Take an option with what belongs to it."""
        one, (_, equals, joined) = named[name], word.partition("=")
        if one.is_flag and equals:
            _refuse(f"{name} takes no value: not {joined!r}", prog)
        if one in (_HELP, _VERSION):
            print(help_of(prog) if one is _HELP else f"shimfit {__version__}")
            sys.exit(0)
        if one.is_flag:
            self.said[one.dest] = True
            return
        many = 2 if one.many == "2" else 1
        beside = self._words[:many]
        values = [joined] if equals else [each for each in beside if not _option_in(each, named, prog)]
        if len(values) < many:
            value = beside[0] if beside and _NEGATIVE.match(beside[0]) else ""
            how = f"; what begins with - is joined to it, like {name}={value}" if value else ""
            _refuse(f"{name} wants two values" if many == 2 else f"{name} wants a value{how}", prog)
        if not equals:
            del self._words[:many]
        if many == 2:
            self.said[one.dest] = values
        else:
            self._set(prog, one, values[0], name)

    def _set(self, prog: str, one: Option, text: str, called: str = "") -> None:
        try:
            value = one.value(text, called)
        except UsageError as error:
            _refuse(error.message, prog)
        before = self.said[one.dest]
        self.said[one.dest] = [*before, value] if isinstance(before, list) else value


def _option_in(word: str, named: Mapping[str, Option], prog: str) -> str | None:
    """The option that a word names, whole or cut short; the word itself where there is none; None: a word."""
    name = word.partition("=")[0]
    if not word.startswith("-") or word == "-":
        return None
    if name in named or name == "--":
        return name
    found = [one for one in named if one.startswith(name) and name.startswith("--")]
    if len(found) > 1:
        _refuse(f"{word} can be {', '.join(found)}: say which", prog)
    is_word = re.fullmatch(r"-\d+|-\d*\.\d+", word) or " " in word
    return found[0] if found else None if is_word else word


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
