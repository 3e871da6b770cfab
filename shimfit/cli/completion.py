"""Completions made from the parsers themselves, so that they can't drift: one line a command, its words."""

from __future__ import annotations

import argparse
from collections.abc import Iterator


def script(parser: argparse.ArgumentParser, shell: str) -> str:
    """Completion script for bash, zsh or fish."""
    table = dict(_words(parser, ()))
    return {"bash": _bash, "zsh": _zsh, "fish": _fish}[shell](table)


Table = dict[tuple[str, ...], list[str]]
"""Command words typed so far -> what may follow."""


def _words(
    parser: argparse.ArgumentParser, path: tuple[str, ...]
) -> Iterator[tuple[tuple[str, ...], list[str]]]:
    words: list[str] = []
    below: list[tuple[str, argparse.ArgumentParser]] = []
    for action in parser._actions:  # noqa: SLF001 - argparse has no public way to list its actions
        words += [option for option in action.option_strings if option.startswith("--")]
        if isinstance(action, argparse._SubParsersAction):  # noqa: SLF001 - likewise
            below = list(action.choices.items())
        elif action.choices and not action.option_strings:
            words += [str(choice) for choice in action.choices]
    yield path, [name for name, _ in below] + words
    for name, child in below:
        yield from _words(child, (*path, name))


def _bash(table: Table) -> str:
    cases = "\n".join(
        f'    "{" ".join(path)}") words="{" ".join(words)}" ;;' for path, words in table.items()
    )
    return f"""\
_shimfit() {{
  local current="${{COMP_WORDS[COMP_CWORD]}}" path="" word words=""
  for word in "${{COMP_WORDS[@]:1:COMP_CWORD-1}}"; do
    case "$word" in -*|*/*|*\\ *) ;; *) path="${{path:+$path }}$word" ;; esac
  done
  while :; do
    case "$path" in
{cases}
    esac
    [[ -n "$words" || "$path" != *" "* ]] && break
    path="${{path% *}}"
  done
  COMPREPLY=($(compgen -W "$words" -- "$current"))
  [[ ${{#COMPREPLY[@]}} -eq 0 ]] && COMPREPLY=($(compgen -f -- "$current"))
}}
complete -F _shimfit shimfit"""


def _zsh(table: Table) -> str:
    return "autoload -U +X bashcompinit && bashcompinit\n" + _bash(table)


def _fish(table: Table) -> str:
    lines = ["complete -c shimfit -e"]
    for path, words in table.items():
        seen = [f"__fish_seen_subcommand_from {word}" for word in path]
        condition = "; and ".join(seen) if seen else "__fish_use_subcommand"
        plain = " ".join(word for word in words if not word.startswith("--"))
        if plain:
            lines.append(f"complete -c shimfit -n '{condition}' -a '{plain}'")
        lines += [
            f"complete -c shimfit -n '{condition}' -l {word[2:]}" for word in words if word.startswith("--")
        ]
    return "\n".join(lines)
