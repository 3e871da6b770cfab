"""From tokens to an understood entry, or why not and where. The package's docstring gives the grammar."""

from __future__ import annotations

import re
from fractions import Fraction
from typing import Final

from shimfit.entry.amounts import Amount, bare_unit, read_amount, sign_before_number
from shimfit.entry.result import Component, EntrySettings, Incomplete, ParseResult, Refused, Understood
from shimfit.entry.tokens import Cursor, Halt, Token, growths, lower
from shimfit.errors import EntryError
from shimfit.model import Face
from shimfit.quantities.typed import MM_PER, Length, LengthUnit, Number, scan_length


def parse(text: str, settings: EntrySettings) -> ParseResult:
    """See `shimfit.entry.parse_entry`."""
    parsed = _parse_as_it_stands(text, settings)
    if isinstance(parsed, Refused) and _may_become_good(text, settings):
        return Incomplete(text, parsed.reason, parsed.at, parsed.meant)
    return parsed


def _parse_as_it_stands(text: str, settings: EntrySettings) -> ParseResult:
    try:
        return _Line(text, settings).understood()
    except Halt as halt:
        return halt.result


def _may_become_good(text: str, settings: EntrySettings) -> bool:
    """True when the last word is half typed and one of the words that it may become is no longer refused."""
    run = _LAST_RUN.search(lower(text))
    if run is None:
        return False
    endings = growths(run[0], settings)
    if not endings or isinstance(_parse_as_it_stands(text[: run.start()], settings), Refused):
        return False
    return any(not isinstance(_parse_as_it_stands(text + end, settings), Refused) for end in endings)


_LAST_RUN = re.compile(r"[^\W\d_]+$")


class _Line:
    """One line: amounts, a gauge length, or the word plumb, in any order."""

    def __init__(self, text: str, settings: EntrySettings) -> None:
        self.cursor = Cursor(text, settings)
        self.settings = settings
        self.amounts: list[Amount] = []
        self.over: Length | None = None
        self.at_height = False
        self.plumb = False
        self.faces_first = False

    def understood(self) -> Understood:
        while self.cursor.token is not None:
            self.cursor.stop_at_bad()
            self._one(self.cursor.token)
        if self.plumb:
            nothing = Number(Fraction(0), 0, 0, "whole")
            self.amounts = [Amount(nothing, nothing.value, 0), Amount(nothing, nothing.value, 0)]
        elif not self.amounts and self.over is None and not self.at_height:
            self.cursor.wait(f"type how far the top leans and which way, like {self.cursor.example}")
        self._place_noughts()
        return self._result()

    def _one(self, token: Token) -> None:
        """A comma, the gauge length, the word plumb, or an amount with its direction."""
        match token.kind:
            case "comma":
                self.cursor.take()
            case "over":
                self._gauge(token)
            case "plumb":
                self._plumb_word(token)
            case "face" | "qualifier" | "number":
                self._amount(token)
            case "sign":
                sign_before_number(self.cursor, token)
            case "bubble":
                self.cursor.refuse("a bubble can't be measured: type the gap or the offset", token.start)
            case _:
                self.cursor.refuse(f"{self.cursor.said(token)!r} belongs behind a number", token.start)

    def _gauge(self, token: Token) -> None:
        if self.over is not None or self.at_height:
            self.cursor.refuse("one gauge length is enough", token.start)
        self.over = read_gauge(self.cursor)
        self.at_height = self.over is None

    def _plumb_word(self, token: Token) -> None:
        if self.amounts or self.plumb:
            said = self.cursor.said(token)
            self.cursor.refuse(
                f"{said!r} says both directions: type 0 for the one that is plumb", token.start
            )
        self.plumb = True
        self.cursor.take()

    def _amount(self, token: Token) -> None:
        if self.plumb:
            self.cursor.refuse("plumb says both directions already", token.start)
        if len(self.amounts) == 2:
            self.cursor.refuse("two directions are read already", token.start)
        if not self.amounts:
            self.faces_first = token.kind == "face"
        amount = read_amount(self.cursor, faces_first=self.faces_first)
        for other in self.amounts:
            if other.face and amount.face and other.face.is_along == amount.face.is_along:
                way = "along" if amount.face.is_along else "across"
                last = self.cursor.tokens[self.cursor.index - 1]
                self.cursor.refuse(f"two readings {way} the run", last.start)
        self.amounts.append(amount)

    def _place_noughts(self) -> None:
        """A bare 0 is the direction that the other amount is not; two bare noughts are both."""
        bare = [amount for amount in self.amounts if amount.face is None]
        named = [amount for amount in self.amounts if amount.face is not None]
        if len(bare) == 1 and not named:
            self.cursor.wait(f"0 which way? {self.cursor.ways}; 0 0 for both")
        if len(bare) == 1:
            assert named[0].face is not None
            bare[0].face = Face.OUT if named[0].face.is_along else Face.NEXT
            bare[0].unit = named[0].unit
        elif len(bare) == 2:
            for amount, face in zip(bare, (Face.NEXT, Face.OUT), strict=True):
                amount.face = face
                amount.unit = amount.unit or bare_unit(amount.number, self.settings)

    def _result(self) -> Understood:
        parts = [amount.component(self.settings) for amount in self.amounts]
        parsed = Understood(
            self.cursor.text,
            next((part for part in parts if part.face.is_along), None),
            next((part for part in parts if not part.face.is_along), None),
            self.settings,
            self.over,
            self.at_height,
            self._inboard_doubt(),
        )
        self._check_sines(parsed, parts)
        return parsed

    def _inboard_doubt(self) -> str | None:
        if not any(amount.inboard for amount in self.amounts):
            return None
        house, out = self.settings.name(Face.HOUSE), self.settings.name(Face.OUT)
        letter = self.settings.letter(Face.HOUSE)
        return f"i = inboard, towards {house}? i lies beside o ({out}): Enter again, or type {letter}"

    def _check_sines(self, parsed: Understood, parts: list[Component]) -> None:
        """A straightedge's end can't be further off than it is long."""
        over = parsed.over_mm
        if over is not None and any(part.offset_mm is not None and part.offset_mm >= over for part in parts):
            self.cursor.refuse("the offset is as long as the length that it was read over", 0)


# ---------------------------------------------------------------- the length that offsets were read over


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
