"""Finding the format by listening. Modbus is never guessed at, and nothing is ever written.

XDR is believed after three good sentences with angles. Text is believed after eight lines in a row with the
same separator and column count, all of them numbers, unless a sentence has passed its checksum; what its
columns mean can't be guessed, so a person has to say.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from shimfit.wire.dialects.numbers import DECIMAL_COMMA, NUMBER

if TYPE_CHECKING:
    from shimfit.wire.dialects.xdr import XdrReader

SENTENCES_TO_BELIEVE = 3
LINES_TO_BELIEVE = 8
_LARGEST = 1e12
"""A device's microsecond counter is the largest number that a line of samples has."""


@dataclass(frozen=True, slots=True)
class TextGuess:
    """How the text is built; what its columns mean is for a person to say."""

    separator: str
    count: int
    decimal: str
    example: str

    def description(self) -> str:
        """A description to be completed, in TOML."""
        columns = ", ".join(["'x:deg'", "'y:deg'", *["'-'"] * (self.count - 2)])
        separator = self.separator.replace("\t", "\\t")
        return (
            f"format = 'text'\nseparator = \"{separator}\"\ndecimal = '{self.decimal}'\n"
            f"columns = [{columns}]  # seen: {self.example}\n"
        )


class Sniffer:
    """Watches lines, beside the reader of sentences, until the format is known."""

    def __init__(self, sentences: XdrReader) -> None:
        self._sentences = sentences
        self._run: TextGuess | None = None
        self._run_length = 0

    @property
    def is_xdr(self) -> bool:
        """True once enough sentences with angles passed."""
        return self._sentences.with_angles >= SENTENCES_TO_BELIEVE

    @property
    def text(self) -> TextGuess | None:
        """How the text is built, once enough lines agreed and no sentence passed its checksum."""
        return self._run if self._run_length >= LINES_TO_BELIEVE and not self._sentences.sentences else None

    def line(self, line: bytes) -> None:
        """Look at a line; sentences are the reader's."""
        guess = None if b"$" in line else _guess(line)
        if guess is None:
            self._run_length = 0
        elif self._run is not None and self._run_length and _same_build(self._run, guess):
            self._run_length += 1
        else:
            self._run, self._run_length = guess, 1

    def restart(self) -> None:
        """Forget the lines that were seen: another speed, another device."""
        self._run = None
        self._run_length = 0


def _same_build(one: TextGuess, other: TextGuess) -> bool:
    return (one.separator, one.count, one.decimal) == (other.separator, other.count, other.decimal)


def _guess(line: bytes) -> TextGuess | None:
    """How this line would be built if it were numbers; None when it is not."""
    if not line.isascii():
        return None
    for separator, decimal in (
        (";", "."),
        (";", ","),
        (", ", "."),
        (",", "."),
        ("\t", "."),
        ("whitespace", "."),
    ):
        if separator == ", ":
            fields = [field.lstrip(b" ") for field in line.split(b",")] if b", " in line else []
        else:
            fields = line.split(None if separator == "whitespace" else separator.encode())
        number = DECIMAL_COMMA if decimal == "," else NUMBER
        if len(fields) >= 2 and all(map(number.fullmatch, fields)):
            if all(abs(float(field.replace(b",", b"."))) <= _LARGEST for field in fields):
                return TextGuess(separator, len(fields), decimal, line.decode("ascii"))
            return None
    return None
