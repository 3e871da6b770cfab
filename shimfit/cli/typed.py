"""Lengths on the command line, alone and as NAME=LENGTH."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from shimfit.cli.context import units_of
from shimfit.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from shimfit.cli.io import Io


def lengths_of(args: argparse.Namespace, io: Io) -> Callable[[str], float]:
    """What turns a typed length into mm, with the units that bare numbers are in."""
    from shimfit.entry import parse_length

    units = units_of(args, io)
    return lambda text: parse_length(text, units, zero_ok=True)


def pairs_of(given: Sequence[str], lengths: Callable[[str], float]) -> dict[str, float]:
    """NAME=LENGTH, each with its sign; UsageError for what has another form."""
    found = {}
    for text in given:
        name, sign, value = text.partition("=")
        if not sign or not name.strip():
            raise UsageError(f"{text!r}: give it as NAME=LENGTH")
        minus = value.strip().startswith("-")
        length = lengths(value.strip().lstrip("+-"))
        found[name.strip()] = -length if minus else length
    return found
