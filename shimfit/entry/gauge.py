"""The length that offsets were read over: `@4'`, `over 48`, `per 4ft`, `@height`."""

from __future__ import annotations

from typing import Final

from shimfit.entry.cursor import Cursor
from shimfit.entry.tokens import Token, lower
from shimfit.errors import EntryError
from shimfit.quantities.typed import MM_PER, Length, LengthUnit, scan_length

SHORTEST_MM: Final = 100
LONGEST_MM: Final = 10_000


def read_gauge(cursor: Cursor) -> Length | None:
    """Length after `@`, over or per; None for `@height` (over the reading height whatever stands)."""
    opening = cursor.take()
    if cursor.next_is("height"):
        cursor.take()
        return None
    token = cursor.token
    if token is None:
        cursor.wait("over what length? like @4' or @1200mm")
    cursor.stop_at_bad()
    try:
        length = _scan(cursor, opening, token)
    except EntryError as error:
        cursor.refuse(error.message, opening.end if error.at is None else error.at)
    while cursor.token is not None and cursor.token.start < length.end:
        cursor.take()
    _judge(cursor, length, opening)
    return length


def _scan(cursor: Cursor, opening: Token, token: Token) -> Length:
    if token.kind == "unit" and cursor.said(opening).lower() == "per" and token.value in ("m", "ft"):
        unit: LengthUnit = "m" if token.value == "m" else "ft"
        return Length(cursor.said(token), MM_PER[unit], unit, "whole", token.end)
    if token.kind in ("unit", "ratio"):
        cursor.refuse(f"over how many {cursor.said(token)}?", token.start)
    # Letters that follow without a space are the next amount's, so the scan ends with this length's tokens;
    # the mark says that something follows, so that 4' 3/16n is no 4 ft 3/16 in.
    ahead = 0
    while cursor.next_is("number", "unit", ahead=ahead + 1):
        ahead += 1
    last = cursor.peek(ahead)
    assert last is not None
    more = " ;" if last.end < len(cursor.text.rstrip()) else ""
    text = lower(cursor.text)[: last.end] + more
    return scan_length(text, token.start, cursor.settings.units, "gauge length")


def _judge(cursor: Cursor, length: Length, opening: Token) -> None:
    """A level is no shorter than a hand, no longer than a truck; at the end of the line more may come."""
    if SHORTEST_MM <= length.mm <= LONGEST_MM:
        return
    at = opening.end
    is_last = length.end == len(cursor.text.rstrip())
    if length.mm < SHORTEST_MM:
        if is_last:
            meant = None if length.unit_was_typed else f'{cursor.text.rstrip()}"'
            cursor.wait(f"{length.text} is short for a level", at, meant)
        cursor.refuse(f"{length.text} is too short for a level (from {SHORTEST_MM} mm)", at)
    if is_last and not length.unit_was_typed:
        cursor.wait(f"{length.text}: of what unit?", at)
    cursor.refuse(f"{length.text} is too long for a level (up to {LONGEST_MM // 1000} m)", at)
