"""What the person wants done to the simulated post, in words, one order a line.

insert next-out 1.5     a pack goes in (mm, or any length as it is typed elsewhere)
pull next-out           it comes out again
knock 1.5               a blow to the top, degrees
push 0.1 0              the level shifts for good, degrees along and across
tip 2 0                 hold the top out by so much; `tip 0 0` lets go
shake 0.2               shake from now on; `shake 0` ends it
turn                    the sensor goes to the opposite face
noise 0.05 · drift 0.1 · zero 2.5 -1    the sensor's own errors: degrees, degrees a minute
damage 0.01             share of bytes that arrive damaged
freeze · thaw           the sensor repeats itself
unplug 3 · plug         the link goes away (for so many seconds), and comes back
quit
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from shimfit.errors import EntryError, UsageError
from shimfit.model import Seat

_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)")
_NUMBERS_OF = {
    "knock": (0, 1),
    "push": (2, 2),
    "tip": (2, 2),
    "shake": (1, 1),
    "noise": (1, 1),
    "drift": (1, 1),
    "zero": (2, 2),
    "damage": (1, 1),
    "turn": (0, 0),
    "freeze": (0, 0),
    "thaw": (0, 0),
    "unplug": (0, 1),
    "plug": (0, 0),
    "quit": (0, 0),
}
"""Least and most numbers that follow the word."""


@dataclass(frozen=True, slots=True)
class Order:
    """One order, understood."""

    word: str
    numbers: tuple[float, ...] = ()
    seat: Seat | None = None


Script = tuple[tuple[float, Order], ...]
"""Orders with the seconds at which they are done, in order."""


def parse_order(text: str) -> Order:
    """Read one order; raises EntryError with what is wrong and what there is."""
    word, *rest = text.split() or [""]
    word = word.lower()
    if word in ("insert", "pull"):
        return _pack_order(word, rest)
    if word not in _NUMBERS_OF:
        raise EntryError(f"{word!r} is no order; there are insert, pull, {', '.join(_NUMBERS_OF)}.", at=0)
    least, most = _NUMBERS_OF[word]
    if not least <= len(rest) <= most:
        raise EntryError(f"{word!r} takes {_how_many(least, most)}, not {len(rest)}.", at=len(word))
    return Order(word, tuple(_number(part) for part in rest))


def _pack_order(word: str, rest: list[str]) -> Order:
    wanted = 2 if word == "insert" else 1
    if len(rest) != wanted:
        form = "`insert SEAT MM`" if word == "insert" else "`pull SEAT`"
        raise EntryError(f"It is {form}; seats are {', '.join(Seat)}.", at=len(word))
    try:
        seat = Seat(rest[0].lower())
    except ValueError as error:
        raise EntryError(f"{rest[0]!r} is no seat; there are {', '.join(Seat)}.", at=len(word) + 1) from error
    numbers = tuple(_number(part.removesuffix("mm")) for part in rest[1:])
    return Order(word, numbers, seat)


def parse_script(text: str) -> Script:
    """Orders with their times: `2 insert next-out 1.5; 8 knock 1` (seconds from the start, in order)."""
    script = []
    for part in filter(None, (piece.strip() for piece in re.split(r"[;\n]", text))):
        when, _, order = part.partition(" ")
        if not _NUMBER.fullmatch(when):
            raise UsageError(f"{part!r} must begin with the second at which it is done, such as `2 {part}`")
        script.append((float(when), parse_order(order)))
    return tuple(sorted(script, key=lambda timed: timed[0]))


def _number(text: str) -> float:
    if not _NUMBER.fullmatch(text):
        raise EntryError(f"{text!r} is no number.")
    return float(text)


def _how_many(least: int, most: int) -> str:
    if least == most:
        return {0: "no number", 1: "one number"}.get(most, f"{most} numbers")
    return f"{least} or {most} numbers"
