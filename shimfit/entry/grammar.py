"""From tokens to an understood entry, or why not and where. The package's docstring gives the grammar."""

from __future__ import annotations

import re
from fractions import Fraction
from typing import Final, NoReturn, cast

from shimfit.entry.result import (
    MAX_LEAN_DEG,
    MAX_LEAN_MM,
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
    number_text,
)
from shimfit.entry.tokens import Token, growths, lower, tokenise
from shimfit.errors import EntryError
from shimfit.model import Face
from shimfit.quantities.shown import decimal_text, fraction_text
from shimfit.quantities.typed import (
    METRIC,
    MM_PER,
    TAPE_DENOMINATORS,
    Length,
    LengthUnit,
    Number,
    scan_length,
)
from shimfit.values import dataclass

_LAST_RUN: Final = re.compile(r"[^\W\d_]+$")
_MIXED_BEGUN: Final = re.compile(r"(?:-|\s+)[0-9]+")
SHORTEST_MM: Final = 100
LONGEST_MM: Final = 10_000
STEEPEST_RATIO: Final = Fraction(1, 19)
"""A typed ratio beyond tan 3° (1 in 19.08) is a slip."""
BUBBLE: Final = "a bubble can't be measured: type the gap or the offset"
ONCE: Final = "strong or shy once is enough"


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


@dataclass(slots=True)
class _Amount:
    typed: Number
    value: Fraction
    """The number, with minutes and seconds of a degree."""
    end: int
    """Where it ends in the text, its unit and sign included."""
    unit: LeanUnit | None = None
    qualifier: Qualifier | None = None
    face: Face | None = None
    """None while no direction was typed: allowed for a bare 0 only."""
    minutes: bool = False
    """Minutes or seconds of a degree were typed."""


class Halt(Exception):  # noqa: N818  # it ends the parse with a result, and never leaves this room
    """Carries the result that the parse ends with."""

    def __init__(self, result: Incomplete | Refused) -> None:
        super().__init__(result)
        self.result = result


class _Line:
    """One line: amounts, a gauge length, or the word plumb, in any order; its tokens read left to right."""

    def __init__(self, text: str, settings: EntrySettings) -> None:
        self.text, self.settings = text, settings
        self.tokens = tokenise(text, settings)
        self.index = 0
        self.amounts: list[_Amount] = []
        self.over: Length | None = None
        self.at_height = self.plumb = self.inboard = False
        self.faces_first = False
        self.ways = " ".join(settings.all_letters.values())
        """The four letters, as a question offers them: `n p o h`."""

    def peek(self, ahead: int = 0) -> Token | None:
        index = self.index + ahead
        return self.tokens[index] if index < len(self.tokens) else None

    def take(self) -> Token:
        self.index += 1
        return self.tokens[self.index - 1]

    def next_is(self, *kinds: str, ahead: int = 0) -> bool:
        token = self.peek(ahead)
        return token is not None and token.kind in kinds

    def as_typed(self, token: Token) -> str:
        return self.text[token.start : token.end]

    def refuse(self, reason: str, at: int, meant: str | None = None) -> NoReturn:
        """End the parse: this can't be meant."""
        raise Halt(Refused(self.text, reason, at, meant))

    def wait(self, reason: str, at: int | None = None, meant: str | None = None) -> NoReturn:
        """End the parse: it may become good when more is typed."""
        raise Halt(Incomplete(self.text, reason, len(self.text) if at is None else at, meant))

    def stop_at_bad(self) -> None:
        token = self.peek()
        if token is not None and token.kind in ("unknown", "unfinished"):
            stop = self.wait if token.kind == "unfinished" else self.refuse
            stop(token.value, token.start, token.meant)

    # ------------------------------------------------------------ the line

    def understood(self) -> Understood:
        """The line as it stands; Halt where it is refused or not finished."""
        while (token := self.peek()) is not None:
            self.stop_at_bad()
            match token.kind:
                case "comma":
                    self.take()
                case "over":
                    if self.over is not None or self.at_height:
                        self.refuse("one gauge length is enough", token.start)
                    self.over = self._gauge()
                    self.at_height = self.over is None
                case "plumb":
                    if self.amounts or self.plumb:
                        both = f"{self.as_typed(token)!r} says both directions"
                        self.refuse(f"{both}: type 0 for the one that is plumb", token.start)
                    self.plumb = True
                    self.take()
                case "face" | "qualifier" | "number":
                    self._amount(token)
                case "sign":
                    self._sign_before_number(token)
                case "bubble":
                    self.refuse(BUBBLE, token.start)
                case _:
                    self.refuse(f"{self.as_typed(token)!r} belongs behind a number", token.start)
        if self.plumb:
            nothing = Number(Fraction(0), 0, 0, "whole")
            self.amounts = [_Amount(nothing, nothing.value, 0) for _ in range(2)]
        elif not self.amounts and self.over is None and not self.at_height:
            letters = self.settings.all_letters
            n, h = letters[Face.NEXT], letters[Face.HOUSE]
            example = f"1/4{n}3/8{h}" if self.settings.units == "inch" else f"6mm{n}10mm{h}"
            self.wait(f"type how far the top leans and which way, like {example}")
        self._place_zeros()
        return self._result()

    def _place_zeros(self) -> None:
        """A bare 0 is the direction that the other amount is not; two bare zeros are both."""
        bare = [amount for amount in self.amounts if amount.face is None]
        named = [amount for amount in self.amounts if amount.face is not None]
        if len(bare) == 1 and not named:
            self.wait(f"0 which way? {self.ways}; 0 0 for both")
        if len(bare) == 1:
            assert named[0].face is not None
            bare[0].face = Face.OUT if named[0].face.is_along else Face.NEXT
            bare[0].unit = named[0].unit
        elif len(bare) == 2:
            for amount, face in zip(bare, (Face.NEXT, Face.OUT), strict=True):
                amount.face = face
                amount.unit = amount.unit or self._bare_unit(amount.typed)

    def _result(self) -> Understood:
        settings = self.settings
        parts: dict[bool, Component] = {}  # by whether it is along the run
        for one in self.amounts:  # each has its face and its unit by now
            assert one.face is not None
            assert one.unit is not None
            tape = settings.quarter(one.unit), step(one.typed, one.unit, one.qualifier, settings)
            said = one.face, one.value, one.unit, one.typed, one.qualifier
            parts[one.face.is_along] = Component(*said, *tape, one.minutes)
        question = None
        if self.inboard:
            house, out = settings.name(Face.HOUSE), settings.name(Face.OUT)
            letter = settings.letter(Face.HOUSE)
            question = f"i = inboard, towards {house}? i lies beside o ({out}): Enter again, or type {letter}"
        for part in parts.values():
            question = question or _finger_slip(part)
        both = parts.get(True), parts.get(False)
        parsed = Understood(self.text, *both, settings, self.over, self.at_height, question)
        over = parsed.over_mm
        offsets = [part.offset_mm for part in parsed.parts if part.offset_mm is not None]
        if over is not None and any(offset >= over for offset in offsets):  # no sine is more than 1
            self.refuse("the offset is as long as the length that it was read over", 0)
        return parsed

    # ------------------------------------------------------------ the length that offsets were read over

    def _gauge(self) -> Length | None:
        """Length after `@`, over or per; None for `@height` (over the reading height whatever stands).

        A level is no shorter than a hand and no longer than a truck; at the end of the line more may come.
        """
        opening = self.take()
        if self.next_is("height"):
            self.take()
            return None
        token = self.peek()
        if token is None:
            self.wait("over what length? like @4' or @1200mm")
        self.stop_at_bad()
        at = opening.end
        try:
            length = self._scan_gauge(opening, token)
        except EntryError as error:
            self.refuse(error.message, at if error.at is None else error.at)
        while (token := self.peek()) is not None and token.start < length.end:
            self.take()
        is_last = length.end == len(self.text.rstrip())
        if length.mm < SHORTEST_MM and is_last:
            meant = None if length.unit_was_typed else f'{self.text.rstrip()}"'
            self.wait(f"{length.text} is short for a level", at, meant)
        if length.mm < SHORTEST_MM:
            self.refuse(f"{length.text} is too short for a level (from {SHORTEST_MM} mm)", at)
        if length.mm > LONGEST_MM and is_last and not length.unit_was_typed:
            self.wait(f"{length.text}: of what unit?", at)
        if length.mm > LONGEST_MM:
            self.refuse(f"{length.text} is too long for a level (up to {LONGEST_MM // 1000} m)", at)
        return length

    def _scan_gauge(self, opening: Token, token: Token) -> Length:
        if token.kind == "unit" and self.as_typed(opening).lower() == "per" and token.value in ("m", "ft"):
            unit: LengthUnit = "m" if token.value == "m" else "ft"
            return Length(self.as_typed(token), MM_PER[unit], unit, "whole", token.end)
        if token.kind in ("unit", "ratio"):
            self.refuse(f"over how many {self.as_typed(token)}?", token.start)
        # Letters that follow without a space are the next amount's, so the scan ends with this length's
        # tokens; the mark says that something follows, so that 4' 3/16n is no 4 ft 3/16 in.
        ahead = 0
        while self.next_is("number", "unit", ahead=ahead + 1):
            ahead += 1
        last = self.peek(ahead)
        assert last is not None
        more = " ;" if last.end < len(self.text.rstrip()) else ""
        return scan_length(
            lower(self.text)[: last.end] + more, token.start, self.settings.units, "gauge length"
        )

    # ------------------------------------------------------------ one amount

    def _amount(self, first: Token) -> None:
        if self.plumb:
            self.refuse("plumb says both directions already", first.start)
        if len(self.amounts) == 2:
            self.refuse("two directions are read already", first.start)
        if not self.amounts:
            self.faces_first = first.kind == "face"
        face = self._face() if self.faces_first and self.next_is("face") else None
        before: Qualifier | None = None
        while self.next_is("qualifier"):
            token = self.take()
            if before is not None:
                self.refuse(ONCE, token.start)
            before = cast("Qualifier", token.value)
        amount = self._number(face)
        self._unit(amount)
        amount.qualifier = before
        self._qualifiers_behind(amount)
        amount.face = face or self._direction(amount)
        self._check_size(amount)
        for other in self.amounts:
            if other.face and amount.face and other.face.is_along == amount.face.is_along:
                way = "along" if amount.face.is_along else "across"
                self.refuse(f"two readings {way} the run", self.tokens[self.index - 1].start)
        self.amounts.append(amount)

    def _face(self) -> Face:
        """The face at the cursor; inboard is the house side, and asks for a second Enter."""
        token = self.take()
        if token.value == "inboard":
            self.inboard = True
            return Face.HOUSE
        return Face(token.value)

    def _number(self, face: Face | None) -> _Amount:
        self.stop_at_bad()
        token = self.peek()
        towards = "" if face is None else f" towards {self.settings.name(face)}"
        if token is None:
            self.wait(f"how much{towards}?")
        if token.kind == "sign":
            self._sign_before_number(token)
        if token.number is None:
            self.refuse(f"how much{towards}? {self.as_typed(token)!r} isn't a number", token.start)
        self.take()
        return _Amount(token.number, token.number.value, token.end)

    def _sign_before_number(self, sign: Token) -> NoReturn:
        """The trap: a minus is no direction here, and strong and shy stand behind the number."""
        after, text = self.peek(1), self.text
        has_number = after is not None and after.kind == "number"
        if sign.value == "strong":
            meant = text[: sign.start] + text[sign.end :] if has_number else None
            self.refuse("plus before a number: strong goes after it", sign.start, meant)
        meant = None
        if after is not None and has_number:
            meant = f"{text[: sign.start]}{text[sign.end : after.end]}-{text[after.end :]}"
        other = f"{self.settings.letter(Face.PREV)} / {self.settings.letter(Face.HOUSE)}"
        self.refuse(f"minus before a number: shy goes after it, the other way is {other}", sign.start, meant)

    def _unit(self, amount: _Amount) -> None:
        """The unit behind the number; what touches the number and can't be read was meant as one."""
        token = self.peek()
        if (
            token is not None
            and token.kind == "unknown"
            and token.meant is None
            and token.start == amount.end
        ):
            said = self.as_typed(token)
            self.refuse(f"{said!r} is neither a unit nor a direction ({self.ways})", token.start)
        self.stop_at_bad()
        if token is None or token.kind not in ("unit", "ratio"):
            return
        if self.as_typed(token).lower() == "in" and token.kind == "unit" and not self.faces_first:
            self._inches_or_inboard(token)
        if amount.typed.is_fraction and token.value in (*METRIC, "mm/m", "cm/m"):
            self.refuse(f"a fraction of a {token.value}: use a point", amount.typed.start)
        if token.value in ("m", "ft"):
            instead = '"' if token.value == "ft" else "mm"
            meant = self.text[: token.start] + instead + self.text[token.end :]
            self.refuse(f"{self.as_typed(token)} is a unit not for a lean: {instead} is", token.start, meant)
        self.take()
        amount.end = token.end
        amount.unit = cast("LeanUnit", token.value)
        if amount.unit == "deg":
            self._degrees(amount)

    def _inches_or_inboard(self, token: Token) -> None:
        """`in` counts as inches only when a direction follows."""
        if self.next_is("face", "sign", "qualifier", ahead=1):
            return
        letter = self.settings.letter(Face.HOUSE)
        reason = f'in = inches or inboard? use " or {letter}'
        if self.peek(1) is None:
            self.wait(reason, token.start, self.text[: token.start].rstrip() + letter)
        self.refuse(reason, token.start)

    def _degrees(self, amount: _Amount) -> None:
        """Minutes and seconds behind degrees: ' is minutes only here. And not too steep."""
        start = amount.typed.start
        if amount.typed.is_fraction:
            self.refuse("a fraction of a degree: use a point, or minutes", start)
        for size, marks, called in ((60, ("ft", "'"), "minutes"), (3600, ("in", '"'), "seconds")):
            token, mark = self.peek(), self.peek(1)
            if token is None or token.number is None:
                break
            if mark is None and not token.number.is_fraction:
                self.wait(f"{self.as_typed(token)}: {called}, or which way? {self.ways}")
            if mark is None or mark.kind not in ("unit", "minutes") or mark.value not in marks:
                break
            if token.number.value >= 60 or token.number.is_fraction:
                self.refuse(f"{called} go up to 59", token.start)
            amount.value += token.number.value / size
            amount.minutes = True
            amount.end = mark.end
            self.take()
            self.take()
        if amount.value > MAX_LEAN_DEG:
            self.refuse(f"{_said(amount.value)}° is too steep for a post (up to {MAX_LEAN_DEG:g}°)", start)

    def _qualifiers_behind(self, amount: _Amount) -> None:
        """Strong and shy, as a sign or a word, between the number and its direction."""
        while self.next_is("sign", "qualifier"):
            if self.faces_first and self.next_is("qualifier") and self.next_is("number", ahead=1):
                return  # it belongs to the next number
            token = self.take()
            if amount.qualifier is not None:
                self.refuse(ONCE, token.start)
            amount.qualifier = cast("Qualifier", token.value)
            amount.end = token.end

    def _direction(self, amount: _Amount) -> Face | None:
        """The face behind the number: every number but a plain 0 must carry one."""
        while self.next_is("comma") and self.next_is("face", ahead=1):
            self.take()
        if self.next_is("face"):
            return self._face()
        if amount.value != 0 or amount.qualifier is not None:
            self._no_direction(amount)
        return None

    def _no_direction(self, amount: _Amount) -> NoReturn:
        typed, end, token = amount.typed, amount.end, self.peek()
        said = self.text[typed.start : end].strip()
        reason = f"{said} which way? {self.ways}"
        if token is None:
            self.wait(reason, end)
        self.stop_at_bad()
        following = self.text[end:]
        is_whole = typed.form == "whole" and amount.unit is None
        if is_whole and following.startswith(",") and following[1:2].isdigit():
            self.refuse(f"{reason} (the decimal mark is a point)", end, f"{self.text[:end]}.{following[1:]}")
        if token.kind == "bubble":
            self.refuse(BUBBLE, token.start)
        if is_whole and _MIXED_BEGUN.fullmatch(self.text, typed.end):
            self.wait(reason, end)  # `1 1` and `1-1` may become 1 1/4
        if token.kind == "number":
            reason = f"{said} which way, and {self.as_typed(token)} which way? {self.ways}"
        self.refuse(reason, end)

    # ------------------------------------------------------------ is it a lean?

    def _check_size(self, amount: _Amount) -> None:
        """Refuse what no post leans, and strong or shy off a tape. Gives a bare number its unit."""
        start = amount.typed.start
        unit = amount.unit = amount.unit or self._bare_unit(amount.typed)
        if unit in RATIOS or unit == "deg":
            if amount.qualifier is not None:
                self.refuse(f"{amount.qualifier} is for a tape: type another decimal instead", start)
            if unit in RATIOS and amount.value * RATIOS[unit] > STEEPEST_RATIO:
                self.refuse(f"{_said(amount.value)} {unit} is too steep for a post", start)
            return
        if amount.qualifier == "shy" and amount.value < self.settings.quarter(unit):
            self.refuse("shy of nothing: type 0, or the other way", start)
        if amount.value * MM_PER_LEAN_UNIT[unit] > MAX_LEAN_MM:
            meant = self._as_sixteenths(amount)
            guess = f"Meant {amount.typed.value}/16?" if meant else "Is the unit right?"
            may_go_on = amount.end == len(self.text) == amount.typed.end
            stop = self.wait if may_go_on else self.refuse
            stop(f"{_said(amount.value)} {unit} is more than a post leans. {guess}", start, meant)

    def _bare_unit(self, number: Number) -> LeanUnit:
        return "in" if number.is_fraction or self.settings.units == "inch" else "mm"

    def _as_sixteenths(self, amount: _Amount) -> str | None:
        """Whole bare inches that are too much were sixteenths: 6n8o is 6/16n8/16o."""

        def is_sixteenths(number: Number | None) -> bool:
            return number is not None and number.form == "whole" and 0 < number.value < 16

        if self.settings.units != "inch" or amount.typed.end != amount.end or not is_sixteenths(amount.typed):
            return None
        text = self.text
        for token, after in reversed(list(zip(self.tokens, self.tokens[1:], strict=False))):
            if is_sixteenths(token.number) and after.kind in ("face", "sign"):
                text = f"{text[: token.end]}/16{text[token.end :]}"
        return text


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
    if unit not in MM_PER_LEAN_UNIT:
        return last_place
    graduation = settings.quarter(unit) * 4
    if qualifier is not None:
        return graduation / 2
    if number.is_fraction:
        return min(graduation, Fraction(1, number.denominator))
    if unit == "mm" and number.places == 1 and (2 * number.value).denominator == 1:
        last_place = Fraction(1, 2)
    return min(graduation, max(last_place, graduation / 4))


def _said(value: Fraction) -> str:
    return decimal_text(value) if 10**9 % value.denominator == 0 else f"{float(value):.3g}"


def _finger_slip(part: Component) -> str | None:
    """It looks like a fraction with one key wrong.

    6/16 is 3/8 on a tape (a neighbouring key makes it out of 5/16), and 1.2 in is 1/2 with the point beside
    the slash.
    """
    typed = part.typed
    if typed.denominator > 1 and typed.numerator % 2 == 0:  # 6/16, which a tape calls 3/8
        as_typed = f"{typed.numerator}/{typed.denominator}"
        return f"is that {fraction_text(part.number)}? A tape says no {as_typed}: Enter again if so"
    if part.unit != "in" or typed.form != "decimal" or part.number < 1 or typed.places > 2:
        return None
    whole, digits = number_text(part).split(".")
    if int(digits) in TAPE_DENOMINATORS and int(whole) < int(digits):
        return f"{whole}.{digits} in, or {whole}/{digits}? Enter again if the point is meant"
    return None
