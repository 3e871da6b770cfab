"""One base for every error; each says whose fault it is and carries what a screen needs to say it.

The kinds keep apart what a person can put right by typing (entry, usage), by looking at a cable
(instrument), by looking at a file (file), and what only we can put right (internal). Each is also the
builtin that a caller without shimfit in mind would catch.
"""

from __future__ import annotations

import math
import re
from enum import IntEnum
from typing import ClassVar, Literal

ErrorKind = Literal["entry", "usage", "device", "file", "internal"]


class Exit(IntEnum):
    """Exit codes of the command line (a contract)."""

    DONE = 0
    OVER = 1
    """Ran, but something is over tolerance or cannot be solved."""
    REFUSED = 2
    DEVICE = 3
    FILE = 4
    BUG = 70
    """Our own mistake (EX_SOFTWARE of sysexits.h), kept apart from everything that a person can put right."""


def one_line(text: str) -> str:
    """Text as one printable line: what was typed or read is quoted in messages and may hold anything.

    A line break would make two sentences of one, an escape sequence would write on the person's terminal.
    """
    return text if text.isprintable() else "".join(sign if sign.isprintable() else " " for sign in text)


_COMMANDS_A_TERMINAL = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069\ud800-\udfff]"
)
"""Control characters (ISO/IEC 6429 C0 and C1) but tab and line feed, Unicode's line and paragraph separators,
its embeddings, overrides and isolates of direction (UAX #9), and halves of a pair that are no character."""
LONGEST_NAME = 80
LONGEST_TEXT = 20_000


def printable(text: str) -> str:
    """Text that can be put on a terminal: what would command it, or turn the reading direction, is a blank.

    Line ends and tabs stay; what is in the log stays as it was typed.
    """
    return _COMMANDS_A_TERMINAL.sub(" ", text)


def escaped(text: str) -> str:
    """JSON text with the same signs as JSON's own escapes: equal for every reader, harmless on a terminal."""
    return _COMMANDS_A_TERMINAL.sub(lambda found: f"\\u{ord(found[0]):04x}", text)


def sign_fault(text: str, longest: int) -> str | None:
    """Why a text can't be kept, whether it was typed or came in a file: too long, or with control signs."""
    if len(text) > longest:
        return f"is {len(text)} characters long, more than {longest}"
    found = _COMMANDS_A_TERMINAL.search(text)
    if found is None:
        return None
    what = "a broken character" if "\ud800" <= found[0] <= "\udfff" else "a control character"
    return f"has {what} in it (U+{ord(found[0]):04X})"


class ShimfitError(Exception):
    """Base of all. The message is one sentence: what is wrong, where, and what to do."""

    kind: ClassVar[ErrorKind] = "internal"
    exit_code: ClassVar[Exit] = Exit.BUG

    def __init__(self, message: str, *, at: int | None = None) -> None:
        self.message = one_line(message)
        super().__init__(self.message)
        self.at = at
        """Characters before the bad spot of what was typed; None where there is no spot."""

    def __str__(self) -> str:
        return self.message


class EntryError(ShimfitError, ValueError):
    """What the person typed can't be understood or is refused; typing it differently puts it right."""

    kind = "entry"
    exit_code = Exit.REFUSED

    def __init__(self, message: str, *, at: int | None = None, meant: str | None = None) -> None:
        super().__init__(message, at=at)
        self.meant = meant
        """What was probably meant, ready to be typed; None when there is no good guess."""


class UsageError(ShimfitError, ValueError):
    """A command was called with options that do not go together or name nothing that exists."""

    kind = "usage"
    exit_code = Exit.REFUSED


class InstrumentError(ShimfitError, OSError):
    """The inclinometer or its link does not do what it should."""

    kind = "device"
    exit_code = Exit.DEVICE


class FileError(ShimfitError, OSError):
    """A file can't be read, written or believed."""

    kind = "file"
    exit_code = Exit.FILE

    def __init__(self, message: str, *, column: str | None = None, reason: str | None = None) -> None:
        super().__init__(message)
        self.column = column
        """Header of the column in a table; None where the whole line is meant."""
        self.reason = reason or self.message
        """What is wrong, without the place."""


class InternalError(ShimfitError, RuntimeError):
    """A promise that our own code makes was broken: report it; nothing that was logged is lost."""


# ---------------------------------------------------------------- a number that is none gets no further


def finite(value: float, what: str) -> float:
    """The value as a float; EntryError when it is NaN or infinite. `what` names it in the sentence."""
    number = float(value)
    if not math.isfinite(number):
        raise EntryError(f"The {what} is {number}, which isn't a number; type it again.")
    return number


def positive(value: float, what: str, unit: str = "mm") -> float:
    """The value as a float; EntryError when it is NaN, infinite, zero or negative."""
    number = finite(value, what)
    if number <= 0.0:
        raise EntryError(f"The {what} is {f'{number:g} {unit}'.rstrip()}; it must be more than 0.")
    return number


def not_negative(value: float, what: str, unit: str = "mm") -> float:
    """The value as a float; EntryError when it is NaN, infinite or negative."""
    number = finite(value, what)
    if number < 0.0:
        raise EntryError(f"The {what} is {f'{number:g} {unit}'.rstrip()}; it can't be less than 0.")
    return number
