"""What a carpenter types, heard right: one line, two directions."""

from __future__ import annotations

from shimfit.core.lengths import Length, Units, read_length
from shimfit.entry.lengths import parse_foot, parse_length
from shimfit.entry.parser import parse
from shimfit.entry.result import Component, Heard, Incomplete, Refused, Understood
from shimfit.entry.settings import EntrySettings
from shimfit.errors import EntryError

__all__ = [
    "Component",
    "EntrySettings",
    "Heard",
    "Incomplete",
    "Length",
    "Refused",
    "Understood",
    "Units",
    "hear",
    "parse_entry",
    "parse_foot",
    "parse_length",
    "read_length",
]

_DEFAULT = EntrySettings()


def parse_entry(text: str, settings: EntrySettings = _DEFAULT) -> Heard:
    """Live parse of the line as it stands: call it on every key. Never raises on any text."""
    return parse(text, settings)


def hear(text: str, settings: EntrySettings = _DEFAULT) -> Understood:
    """The entry when nothing more comes: Enter was pressed, or it stands in a command or a file.

    Raises EntryError (reason, `at`, `meant`) when it is refused or not finished.
    """
    heard = parse_entry(text, settings)
    if isinstance(heard, Incomplete):
        heard = heard.refused
    if isinstance(heard, Refused):
        raise EntryError(heard.reason, at=heard.at, meant=heard.meant)
    return heard
