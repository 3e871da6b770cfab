"""What a carpenter types, understood: one line, two directions.

The grammar (the same on screen, in plain mode, on the command line and in files):

    reading   := "plumb" | "ok" | amount [amount] [over]          in any order; spaces , ; are free
    amount    := [tape] number [unit] [tape] direction            3/8n   9mm o   strong 1/2 out
               | direction [tape] number [unit] [tape]            next 1/4, house 3/8   (all amounts this way)
               | "0"                                              the direction that the other is not
    number    := 3/8 | 1 1/4 | 1-1/4 | 9 | .375 | ½               fractions of a tape only, never improper
    unit      := mm | cm | in inch " | d deg ° [min ' [sec "]] | mm/m | cm/m | in/ft (or per)
    tape      := + s strong heavy full | - shy scant light        a quarter graduation up or down
    direction := n p o h | next prev out house | > < ^ v → ← ↑ ↓ | the run's own names and letters
    over      := ("@" | "over" | "per") (length | "height")       alone: from now on

Rules that keep it honest
- A number other than 0 carries its direction: the letter is the check on the number.
- A bare fraction or mixed number is inches; another bare number is in the setting's unit.
- A sign stands behind its number (shy, strong); before a number it is refused: the other way has a letter.
- n p o h were chosen so that no key beside a right one names the opposite side. `i` (inboard) lies beside
  o, so it asks for a second Enter; `b` is not bound.
- A reading of one direction is half a reading, never a zero.
- An offset was read over the reading height, or over the gauge length that stands or was typed (δ/L);
  only where the setting says straightedge along the post it is a sine. Degrees are tangents, ratios stand.

`parse_entry` is called on every key: Incomplete while more may come (never scolds), Understood with the
words that say it back, or Refused with the reason, the place and what was probably meant. Values are exact
fractions. `parse_reading` is the same when nothing more comes. No outside package and no numpy is loaded: the
first screen waits for this room.
"""

from __future__ import annotations

from shimfit.entry.result import EntrySettings, Incomplete, NotUnderstood, ParseResult, Refused, Understood
from shimfit.errors import EntryError

__all__ = [
    "EntrySettings",
    "Incomplete",
    "ParseResult",
    "Refused",
    "Understood",
    "parse_entry",
    "parse_reading",
]

_DEFAULT = EntrySettings()


def parse_entry(text: str, settings: EntrySettings = _DEFAULT) -> ParseResult:
    """Live parse of the line as it stands: call it on every key. Never raises on any text."""
    from shimfit.entry.grammar import parse  # the grammar: no screen needs it before a key is pressed

    return parse(text, settings)


def parse_reading(text: str, settings: EntrySettings = _DEFAULT) -> Understood:
    """The entry when nothing more comes: Enter was pressed, or it stands in a command or a file.

    Raises EntryError (reason, `at`, `meant`) when it is refused or not finished.
    """
    parsed = parse_entry(text, settings)
    if isinstance(parsed, NotUnderstood):
        raise EntryError(parsed.reason, at=parsed.at, meant=parsed.meant)
    return parsed
