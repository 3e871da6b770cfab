"""From tokens to an understood entry, or why not and where. The package's docstring gives the grammar."""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction
from typing import Final, NoReturn

from shimfit.entry.result import (
    MM_PER_LEAN_UNIT,
    RATIOS,
    Component,
    EntrySettings,
    Incomplete,
    LeanUnit,
    ParseResult,
    Qualifier,
    Refused,
    Understood,
    decimal_text,
)
from shimfit.entry.tokens import Cursor, Halt, Token, growths, lower
from shimfit.errors import EntryError
from shimfit.model import Face
from shimfit.quantities.typed import METRIC, MM_PER, Length, LengthUnit, Number, scan_length


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
        self._place_zeros()
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

    def _place_zeros(self) -> None:
        """A bare 0 is the direction that the other amount is not; two bare zeros are both."""
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
            self._inboard_question(),
        )
        self._check_sines(parsed, parts)
        return parsed

    def _inboard_question(self) -> str | None:
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


# ---------------------------------------------------------------- one amount, and can a post lean that much


STEEPEST_RATIO: Final = Fraction(1, 19)
"""A typed ratio beyond tan 3° (1 in 19.08) is a slip."""


@dataclass(slots=True)
class Amount:
    """One amount while it is being put together."""

    number: Number
    value: Fraction
    """The number, with minutes and seconds of a degree."""
    end: int
    """Where it ends in the text, its unit and sign included."""
    unit: LeanUnit | None = None
    qualifier: Qualifier | None = None
    face: Face | None = None
    """None while no direction was typed: allowed for a bare 0 only."""
    inboard: bool = False
    """The house side was called inboard."""
    minutes: bool = False
    """Minutes or seconds of a degree were typed."""

    @property
    def is_fraction(self) -> bool:
        """Typed like 3/8 or 1 1/4."""
        return self.number.form in ("fraction", "mixed")

    def component(self, settings: EntrySettings) -> Component:
        """The finished amount; its face and unit are known by then."""
        assert self.face is not None
        assert self.unit is not None
        return Component(
            self.face,
            self.value,
            self.unit,
            self.number.form,
            self.qualifier,
            quarter(self.unit, settings),
            step(self.number, self.unit, self.qualifier, settings),
            self.number.numerator,
            self.number.denominator,
            self.number.places,
            self.minutes,
        )


def read_amount(cursor: Cursor, *, faces_first: bool) -> Amount:
    """The amount at the cursor. `faces_first`: this line says each direction before its number."""
    face = _face(cursor) if faces_first and cursor.next_is("face") else None
    before = _qualifier(cursor)
    amount = _number(cursor, face)
    _unit(cursor, amount, faces_first=faces_first)
    amount.qualifier = before
    _qualifiers_behind(cursor, amount, faces_first=faces_first)
    if face is None:
        _direction(cursor, amount)
    else:
        amount.face, amount.inboard = face
    _check_size(cursor, amount)
    return amount


# ---------------------------------------------------------------- the pieces of an amount


def _face(cursor: Cursor) -> tuple[Face, bool]:
    """The face at the cursor, and whether it was called inboard."""
    token = cursor.take()
    if token.value == "inboard":
        return Face.HOUSE, True
    return Face(token.value), False


def _qualifier(cursor: Cursor) -> Qualifier | None:
    """Strong or shy before the number."""
    found: Qualifier | None = None
    while cursor.next_is("qualifier"):
        token = cursor.take()
        if found is not None:
            cursor.refuse("strong or shy once is enough", token.start)
        found = "strong" if token.value == "strong" else "shy"
    return found


def _number(cursor: Cursor, face: tuple[Face, bool] | None) -> Amount:
    cursor.stop_at_bad()
    token = cursor.token
    towards = "" if face is None else f" towards {cursor.settings.name(face[0])}"
    if token is None:
        cursor.wait(f"how much{towards}?")
    if token.kind == "sign":
        sign_before_number(cursor, token)
    if token.number is None:
        cursor.refuse(f"how much{towards}? {cursor.said(token)!r} isn't a number", token.start)
    cursor.take()
    return Amount(token.number, token.number.value, token.end)


def sign_before_number(cursor: Cursor, sign: Token) -> NoReturn:
    """The trap: a minus is no direction here, and strong and shy stand behind the number."""
    after = cursor.peek(1)
    has_number = after is not None and after.kind == "number"
    text = cursor.text
    if sign.value == "strong":
        meant = text[: sign.start] + text[sign.end :] if has_number else None
        cursor.refuse("plus before a number: strong goes after it", sign.start, meant)
    meant = None
    if has_number:
        assert after is not None
        meant = f"{text[: sign.start]}{text[sign.end : after.end]}-{text[after.end :]}"
    letters = cursor.settings.all_letters
    other = f"{letters[Face.PREV]} / {letters[Face.HOUSE]}"
    cursor.refuse(f"minus before a number: shy goes after it, the other way is {other}", sign.start, meant)


def _unit(cursor: Cursor, amount: Amount, *, faces_first: bool) -> None:
    """The unit behind the number; degrees take minutes and seconds."""
    _stop_at_bad_behind(cursor, amount)
    token = cursor.token
    if token is None or token.kind not in ("unit", "ratio"):
        return
    if cursor.said(token).lower() == "in" and token.kind == "unit" and not faces_first:
        _inches_or_inboard(cursor, token)
    if amount.is_fraction and token.value in (*METRIC, "mm/m", "cm/m"):
        cursor.refuse(f"a fraction of a {token.value}: use a point", amount.number.start)
    if token.value in ("m", "ft"):
        _unit_not_for_lean(cursor, token)
    cursor.take()
    amount.end = token.end
    amount.unit = _LEAN_UNITS[token.value]
    if amount.unit == "deg":
        _degrees(cursor, amount)


def _stop_at_bad_behind(cursor: Cursor, amount: Amount) -> None:
    """What touches the number and can't be read was meant as its unit or its direction."""
    token = cursor.token
    if token is not None and token.kind == "unknown" and token.meant is None and token.start == amount.end:
        reason = f"{cursor.said(token)!r} is neither a unit nor a direction ({cursor.ways})"
        cursor.refuse(reason, token.start)
    cursor.stop_at_bad()


def _inches_or_inboard(cursor: Cursor, token: Token) -> None:
    """`in` counts as inches only when a direction follows."""
    if cursor.next_is("face", "sign", "qualifier", ahead=1):
        return
    letter = cursor.settings.letter(Face.HOUSE)
    reason = f'in = inches or inboard? use " or {letter}'
    if cursor.peek(1) is None:
        cursor.wait(reason, token.start, cursor.text[: token.start].rstrip() + letter)
    cursor.refuse(reason, token.start)


def _unit_not_for_lean(cursor: Cursor, token: Token) -> NoReturn:
    instead = '"' if token.value == "ft" else "mm"
    meant = cursor.text[: token.start] + instead + cursor.text[token.end :]
    cursor.refuse(f"{cursor.said(token)} is a unit not for a lean: {instead} is", token.start, meant)


def _degrees(cursor: Cursor, amount: Amount) -> None:
    """Minutes and seconds behind degrees: ' is minutes only here. And not too steep."""
    start = amount.number.start
    if amount.is_fraction:
        cursor.refuse("a fraction of a degree: use a point, or minutes", start)
    for size, marks, called in ((60, ("ft", "'"), "minutes"), (3600, ("in", '"'), "seconds")):
        token, mark = cursor.token, cursor.peek(1)
        if token is None or token.number is None:
            break
        is_plain = token.number.form in ("whole", "decimal")
        if mark is None and is_plain:
            cursor.wait(f"{cursor.said(token)}: {called}, or which way? {cursor.ways}")
        if mark is None or mark.kind not in ("unit", "minutes") or mark.value not in marks:
            break
        if token.number.value >= 60 or not is_plain:
            cursor.refuse(f"{called} go up to 59", token.start)
        amount.value += token.number.value / size
        amount.minutes = True
        amount.end = mark.end
        cursor.take()
        cursor.take()
    limit = cursor.settings.max_lean_deg
    if amount.value > Fraction(limit):
        cursor.refuse(f"{_said(amount.value)}° is too steep for a post (up to {limit:g}°)", start)


def _qualifiers_behind(cursor: Cursor, amount: Amount, *, faces_first: bool) -> None:
    """Strong and shy, as a sign or a word, between the number and its direction."""
    while cursor.next_is("sign", "qualifier"):
        if faces_first and cursor.next_is("qualifier") and cursor.next_is("number", ahead=1):
            return  # it belongs to the next number
        token = cursor.take()
        if amount.qualifier is not None:
            cursor.refuse("strong or shy once is enough", token.start)
        amount.qualifier = "strong" if token.value == "strong" else "shy"
        amount.end = token.end


def _direction(cursor: Cursor, amount: Amount) -> None:
    """The face behind the number: every number but a plain 0 must carry one."""
    while cursor.next_is("comma") and cursor.next_is("face", ahead=1):
        cursor.take()
    if cursor.next_is("face"):
        amount.face, amount.inboard = _face(cursor)
    elif amount.value != 0 or amount.qualifier is not None:
        _no_direction(cursor, amount)


def _no_direction(cursor: Cursor, amount: Amount) -> NoReturn:
    said = cursor.text[amount.number.start : amount.end].strip()
    reason = f"{said} which way? {cursor.ways}"
    token = cursor.token
    if token is None:
        cursor.wait(reason, amount.end)
    cursor.stop_at_bad()
    following = cursor.text[amount.end :]
    is_whole = amount.number.form == "whole" and amount.unit is None
    if is_whole and following.startswith(",") and following[1:2].isdigit():
        meant = f"{cursor.text[: amount.end]}.{following[1:]}"
        cursor.refuse(f"{reason} (the decimal mark is a point)", amount.end, meant)
    if token.kind == "bubble":
        cursor.refuse("a bubble can't be measured: type the gap or the offset", token.start)
    if is_whole and _MIXED_BEGUN.fullmatch(cursor.text, amount.number.end):
        cursor.wait(reason, amount.end)  # `1 1` and `1-1` may become 1 1/4
    if token.kind == "number":
        reason = f"{said} which way, and {cursor.said(token)} which way? {cursor.ways}"
    cursor.refuse(reason, amount.end)


_MIXED_BEGUN: Final = re.compile(r"(?:-|\s+)[0-9]+")


# ---------------------------------------------------------------- is it a lean?


def _check_size(cursor: Cursor, amount: Amount) -> None:
    """Refuse what no post leans, and strong or shy where there is no tape. Gives a bare number its unit."""
    settings = cursor.settings
    start = amount.number.start
    unit = amount.unit = amount.unit or bare_unit(amount.number, settings)
    if unit in RATIOS or unit == "deg":
        if amount.qualifier is not None:
            cursor.refuse(f"{amount.qualifier} is for a tape: type another decimal instead", start)
        if unit in RATIOS and amount.value * RATIOS[unit] > STEEPEST_RATIO:
            cursor.refuse(f"{_said(amount.value)} {unit} is too steep for a post", start)
        return
    if amount.qualifier == "shy" and amount.value < quarter(unit, settings):
        cursor.refuse("shy of nothing: type 0, or the other way", start)
    if amount.value * MM_PER_LEAN_UNIT[unit] > Fraction(settings.max_lean_mm):
        reason = f"{_said(amount.value)} {unit} is more than a post leans"
        meant = _as_sixteenths(cursor, amount)
        guess = f"Meant {amount.number.value}/16?" if meant else "Is the unit right?"
        may_go_on = amount.end == len(cursor.text) == amount.number.end
        (cursor.wait if may_go_on else cursor.refuse)(f"{reason}. {guess}", start, meant)


def bare_unit(number: Number, settings: EntrySettings) -> LeanUnit:
    """Unit of a number that was typed without one."""
    return "in" if number.form in ("fraction", "mixed") or settings.units == "inch" else "mm"


def _as_sixteenths(cursor: Cursor, amount: Amount) -> str | None:
    """Whole bare inches that are too much were sixteenths: 6n8o is 6/16n8/16o."""
    is_bare_whole = amount.number.form == "whole" and amount.number.end == amount.end
    if cursor.settings.units != "inch" or not is_bare_whole or not 0 < amount.number.value < 16:
        return None
    text = cursor.text
    for token, after in reversed(list(zip(cursor.tokens, cursor.tokens[1:], strict=False))):
        number = token.number
        if number and number.form == "whole" and 0 < number.value < 16 and after.kind in ("face", "sign"):
            text = f"{text[: token.end]}/16{text[token.end :]}"
    return text


_LEAN_UNITS: Final[dict[str, LeanUnit]] = {
    "mm": "mm", "cm": "cm", "in": "in", "deg": "deg", "mm/m": "mm/m", "cm/m": "cm/m", "in/ft": "in/ft",
}  # fmt: skip


def quarter(unit: LeanUnit, settings: EntrySettings) -> Fraction:
    """A quarter of the tape's graduation in `unit`; 0 of degrees and ratios."""
    if unit == "in":
        return settings.graduation_in / 4
    if unit in ("mm", "cm"):
        return settings.graduation_mm / 4 / MM_PER["mm" if unit == "mm" else "cm"]
    return Fraction(0)


def step(number: Number, unit: LeanUnit, qualifier: Qualifier | None, settings: EntrySettings) -> Fraction:
    """What a reading tells apart, in `unit`: the tape's graduation, finer where finer was typed.

    Strong and shy part a graduation into more places (shy, on, strong), so the step is half of it. A decimal
    shows its own last place, but no eye parts a graduation finer than in quarters: who reads a caliper sets
    its graduation. One decimal of millimetres that is 0 or 5 tells halves only: whoever reads to the half
    millimetre writes the same. (Common practice, no source.)
    """
    last_place = Fraction(1, 10**number.places)
    if unit == "deg":
        return min(last_place, Fraction(1, 10))
    if unit not in ("mm", "cm", "in"):
        return last_place
    graduation = quarter(unit, settings) * 4
    if qualifier is not None:
        return graduation / 2
    if number.form in ("fraction", "mixed"):
        return min(graduation, Fraction(1, number.denominator))
    if unit == "mm" and number.places == 1 and (2 * number.value).denominator == 1:
        last_place = Fraction(1, 2)
    return min(graduation, max(last_place, graduation / 4))


def _said(value: Fraction) -> str:
    """A number in a sentence."""
    return decimal_text(value) if 10**9 % value.denominator == 0 else f"{float(value):.3g}"
