"""From tokens to an understood entry, or why not and where. The grammar is told in this room's __init__."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from typing import NoReturn

from shimfit.core.lengths import MM_PER, METRIC, Length, Number, scan_length
from shimfit.entry.echo import decimal_text
from shimfit.entry.result import Component, Heard, Incomplete, LeanUnit, Qualifier, Refused, Understood
from shimfit.entry.settings import EntrySettings
from shimfit.entry.tokens import Token, lower, tokenise
from shimfit.errors import EntryError
from shimfit.model import Face

SHORTEST_GAUGE_MM = 100
LONGEST_GAUGE_MM = 10_000
_BAD_KINDS = ("unknown", "unfinished")
_METRE_WORDS = ("m", "ft")


class _Halt(Exception):  # noqa: N818  # it ends the parse with a result, and never leaves this file
    def __init__(self, result: Incomplete | Refused) -> None:
        super().__init__(result)
        self.result = result


@dataclass(slots=True)
class _Part:
    """One amount while it is being put together."""

    number: Number
    unit: LeanUnit | None = None
    value: Fraction = Fraction(0)
    face: Face | None = None
    """None while no direction was typed: allowed for a bare 0 only."""
    inboard: bool = False
    qualifier: Qualifier | None = None
    end: int = 0

    @property
    def is_zero(self) -> bool:
        return self.value == 0 and self.qualifier is None


def parse(text: str, settings: EntrySettings) -> Heard:
    """See `shimfit.entry.parse_entry`."""
    try:
        return _Parser(text, settings).entry()
    except _Halt as halt:
        return halt.result


class _Parser:
    def __init__(self, text: str, settings: EntrySettings) -> None:
        self.text = text
        self.low = lower(text)
        self.settings = settings
        self.tokens = tokenise(text, settings)
        self.i = 0
        self.parts: list[_Part] = []
        self.over: Length | None = None
        self.at_height = False
        self.plumb = False
        self.faces_first = False

    # -------------------------------------------------------- small moves

    @property
    def token(self) -> Token | None:
        return self.tokens[self.i] if self.i < len(self.tokens) else None

    def next_is(self, *kinds: str) -> bool:
        token = self.token
        return token is not None and token.kind in kinds

    def refuse(self, reason: str, at: int, meant: str | None = None) -> NoReturn:
        raise _Halt(Refused(self.text, reason, at, meant))

    def wait(self, reason: str, at: int | None = None, meant: str | None = None) -> NoReturn:
        raise _Halt(Incomplete(self.text, reason, len(self.text) if at is None else at, meant))

    def stop_at_bad(self) -> None:
        """Ends the parse where the next token can't be read."""
        token = self.token
        if token is not None and token.kind in _BAD_KINDS:
            stop = self.wait if token.kind == "unfinished" else self.refuse
            stop(token.value, token.start, token.meant)

    # -------------------------------------------------------- the whole line

    def entry(self) -> Understood:
        if not self.tokens:
            self.wait(f"type how far the top leans and which way, like {self.example}")
        while self.token is not None:
            self.stop_at_bad()
            self.one_thing()
        return self.finish()

    def one_thing(self) -> None:
        """A comma, the gauge length, the word plumb, or an amount with its direction."""
        token = self.token
        assert token is not None
        if token.kind == "comma":
            self.i += 1
        elif token.kind == "over":
            self.gauge()
        elif token.kind == "plumb":
            self.plumb_word(token)
        elif token.kind in ("face", "qualifier", "number"):
            self.amount()
        elif token.kind == "sign":
            self.sign_before_number(token)
        elif token.kind == "bubble":
            self.refuse("a bubble is no measure: type the gap or the offset", token.start)
        else:
            self.refuse(f"{self.said(token)} belongs behind a number", token.start)

    def said(self, token: Token) -> str:
        return repr(self.text[token.start : token.end])

    @property
    def example(self) -> str:
        letters = self.settings.all_letters
        n, o = letters[Face.NEXT], letters[Face.OUT]
        return f"3/8{n}1/2{o}" if self.settings.units == "inch" else f"9mm{n}13mm{o}"

    @property
    def ways(self) -> str:
        return " ".join(self.settings.all_letters.values())

    def sign_before_number(self, token: Token) -> NoReturn:
        following = self.tokens[self.i + 1] if self.i + 1 < len(self.tokens) else None
        meant = self.without(token) if following is not None and following.kind == "number" else None
        if token.value == "strong":
            self.refuse("plus before a number: strong goes after it", token.start, meant)
        letters = self.settings.all_letters
        other = f"{letters[Face.PREV]} / {letters[Face.HOUSE]}"
        self.refuse(
            f"minus before a number: shy goes after it, the other way is {other}",
            token.start,
            self.moved(token),
        )

    def without(self, token: Token) -> str:
        return self.text[: token.start] + self.text[token.end :]

    def moved(self, sign: Token) -> str | None:
        """The sign behind the number that follows it."""
        following = self.tokens[self.i + 1 : self.i + 2]
        if not following or following[0].kind != "number":
            return None
        end = following[0].end
        return f"{self.text[: sign.start]}{self.text[sign.end : end]}-{self.text[end:]}"

    def plumb_word(self, token: Token) -> None:
        if self.parts or self.plumb:
            self.refuse(
                f"{self.said(token)} says both directions: type 0 for the one that is plumb", token.start
            )
        self.plumb = True
        self.i += 1

    # -------------------------------------------------------- one amount

    def amount(self) -> None:
        token = self.token
        assert token is not None
        if self.plumb:
            self.refuse("plumb says both directions already", token.start)
        if len(self.parts) == 2:
            self.refuse("two directions are read already", token.start)
        if not self.parts:
            self.faces_first = token.kind == "face"
        face = self.face() if self.faces_first and token.kind == "face" else None
        qualifier = self.qualifier_word()
        part = self.number_with_unit(face)
        self.qualifiers_after(part, qualifier)
        if face is not None:
            part.face, part.inboard = face
        else:
            self.direction(part)
        self.check_faces(part)
        self.check_size(part)
        self.parts.append(part)

    def face(self) -> tuple[Face, bool]:
        """The face that is typed here, and whether it was called inboard."""
        token = self.token
        assert token is not None
        self.i += 1
        inboard = token.value == "inboard"
        return (Face.HOUSE if inboard else Face(token.value)), inboard

    def qualifier_word(self) -> Qualifier | None:
        """Strong or shy before the number."""
        found: Qualifier | None = None
        while self.next_is("qualifier"):
            token = self.token
            assert token is not None
            if found is not None:
                self.refuse("strong or shy once is enough", token.start)
            found = "strong" if token.value == "strong" else "shy"
            self.i += 1
        return found

    def number_with_unit(self, face: tuple[Face, bool] | None) -> _Part:
        self.stop_at_bad()
        token = self.token
        if token is None:
            what = "how much?" if face is None else f"how much towards {self.settings.name(face[0])}?"
            self.wait(what)
        if token.kind == "sign":
            self.sign_before_number(token)
        if token.number is None:
            what = "a number" if face is None else f"a number for {self.settings.name(face[0])}"
            self.refuse(f"{what} belongs here, not {self.said(token)}", token.start)
        self.i += 1
        part = _Part(token.number, value=token.number.value, end=token.end)
        self.unit(part, token)
        return part

    def unit(self, part: _Part, number: Token) -> None:
        """The unit behind the number; degrees take minutes and seconds."""
        self.stop_at_bad_unless_number_ends(number)
        token = self.token
        if token is None or token.kind not in ("unit", "ratio"):
            return
        if token.kind == "unit" and token.value == "in":
            self.inches_or_inboard(token)
        is_fraction = part.number.form in ("fraction", "mixed")
        if is_fraction and token.value in (*METRIC, "mm/m", "cm/m"):
            self.refuse(f"a fraction of a {token.value}: use a point", number.start)
        if token.value in _METRE_WORDS:
            self.unit_not_for_lean(token)
        self.i += 1
        part.end = token.end
        if token.value == "deg":
            if is_fraction:
                self.refuse("a fraction of a degree: use a point, or minutes", number.start)
            self.minutes(part)
            if part.value > Fraction(self.settings.max_lean_deg):
                limit = f"{self.settings.max_lean_deg:g}°"
                self.refuse(
                    f"{number_said(part.value)}° is too steep for a post (up to {limit})", number.start
                )
        part.unit = _LEAN_UNITS[token.value]

    def stop_at_bad_unless_number_ends(self, number: Token) -> None:
        token = self.token
        if (
            token is not None
            and token.kind == "unknown"
            and token.meant is None
            and token.start == number.end
        ):
            comma_free = self.text[token.start : token.end]
            self.refuse(f"{comma_free!r} is neither a unit nor a direction ({self.ways})", token.start)
        self.stop_at_bad()

    def unit_not_for_lean(self, token: Token) -> NoReturn:
        if token.value == "m" and token.end == len(self.text):
            self.wait("m for mm?", meant=f"{self.text}m")
        mark = self.text[token.start : token.end]
        swap = '"' if token.value == "ft" else "mm"
        meant = self.text[: token.start] + swap + self.text[token.end :]
        self.refuse(f"{mark} is a unit not for a lean: {swap} is", token.start, meant)

    def inches_or_inboard(self, token: Token) -> None:
        """`in` counts as inches only when a direction follows (or, directions first, stood before)."""
        word = self.low[token.start : token.end]
        if word != "in" or self.faces_first:
            return
        after = self.tokens[self.i + 1] if self.i + 1 < len(self.tokens) else None
        if after is not None and after.kind in ("face", "sign", "qualifier", "unfinished"):
            return
        reason = f'in = inches or inboard? use " or {self.settings.letter(Face.HOUSE)}'
        if after is None:
            self.wait(
                reason, token.start, self.text[: token.start].rstrip() + self.settings.letter(Face.HOUSE)
            )
        self.refuse(reason, token.start)

    def minutes(self, part: _Part) -> None:
        """Minutes and seconds after whole degrees: ' is minutes only here."""
        for size, marks, called in ((60, ("ft", "'"), "minutes"), (3600, ("in", '"'), "seconds")):
            if not self.next_is("number"):
                return
            token, mark = (
                self.tokens[self.i],
                self.tokens[self.i + 1] if self.i + 1 < len(self.tokens) else None,
            )
            assert token.number is not None
            if mark is None and token.number.form in ("whole", "decimal"):
                self.wait(f"{self.text[token.start : token.end]}: {called}, or which way? {self.ways}")
            if mark is None or mark.kind not in ("unit", "minutes") or mark.value not in marks:
                return
            if token.number.value >= 60 or token.number.form not in ("whole", "decimal"):
                self.refuse(f"{called} go up to 59", token.start)
            part.value += token.number.value / size
            part.end = mark.end
            self.i += 2

    def qualifiers_after(self, part: _Part, before: Qualifier | None) -> None:
        """Strong and shy, as a sign or a word, between the number and its direction."""
        part.qualifier = before
        while self.next_is("sign", "qualifier"):
            token = self.token
            assert token is not None
            if self.faces_first and token.kind == "qualifier" and self.number_follows():
                return  # it belongs to the next number
            if part.qualifier is not None:
                self.refuse("strong or shy once is enough", token.start)
            part.qualifier = "strong" if token.value == "strong" else "shy"
            part.end = token.end
            self.i += 1

    def number_follows(self) -> bool:
        return self.i + 1 < len(self.tokens) and self.tokens[self.i + 1].kind == "number"

    def direction(self, part: _Part) -> None:
        """The face behind the number: every number but 0 must carry one."""
        while (
            self.next_is("comma") and self.i + 1 < len(self.tokens) and self.tokens[self.i + 1].kind == "face"
        ):
            self.i += 1
        if self.next_is("face"):
            part.face, part.inboard = self.face()
            return
        if part.is_zero:
            return
        if part.qualifier is None or part.value != 0:
            self.no_direction(part)
        self.refuse(f"0 {part.qualifier} which way? {self.ways}", part.end)

    def no_direction(self, part: _Part) -> NoReturn:
        said = self.text[part.number.start : part.end].strip()
        reason = f"{said} which way? {self.ways}"
        token = self.token
        if token is None:
            self.wait(reason, part.end)
        self.stop_at_bad()
        following = self.text[part.end :]
        if part.number.form == "whole" and following.startswith(",") and following[1:2].isdigit():
            meant = f"{self.text[: part.end]}.{following[1:]}"
            self.refuse(f"{reason} (the decimal mark is a point)", part.end, meant)
        if token.kind == "number" and part.number.form == "whole" and part.unit is None:
            self.maybe_mixed(token, reason, part)
        if token.kind == "sign" and self.number_follows():
            self.refuse(f"{reason} ({self.said(token)} belongs behind a number)", part.end)
        if token.kind == "number":
            second = self.text[token.start : token.end]
            reason = f"{said} which way, and {second} which way? {self.ways}"
        elif token.kind == "bubble":
            reason = "a bubble is no measure: type the gap or the offset"
            self.refuse(reason, token.start)
        self.refuse(reason, part.end)

    def maybe_mixed(self, token: Token, reason: str, part: _Part) -> None:
        """`1 1` at the end may become 1 1/4."""
        number = token.number
        gap = self.text[part.end : token.start]
        if token.end == len(self.text) and number is not None and number.form == "whole" and gap.isspace():
            self.wait(reason, part.end)

    # -------------------------------------------------------- judging an amount

    def check_faces(self, part: _Part) -> None:
        for other in self.parts:
            if other.face and part.face and other.face.is_along == part.face.is_along:
                way = "along" if part.face.is_along else "across"
                at = self.tokens[self.i - 1].start
                self.refuse(f"two readings {way} the run", at)

    def check_size(self, part: _Part) -> None:
        unit = part.unit or self.bare_unit(part.number)
        part.unit = unit
        if part.qualifier is not None and unit not in ("mm", "cm", "in"):
            self.refuse(f"{part.qualifier} is for a tape: type another decimal instead", part.number.start)
        if part.qualifier == "shy" and part.value < quarter(unit, self.settings):
            self.refuse("shy of nothing: type 0, or the other way", part.number.start)
        if unit in ("mm", "cm", "in"):
            mm = part.value * MM_PER[unit]  # type: ignore[index]  # narrowed on the line above
            if mm > Fraction(self.settings.max_lean_mm):
                self.refuse(self.too_much(part), part.number.start, self.meant_fraction(part))
        elif unit != "deg" and part.value * RATIO_LIMITS[unit] > 1:
            self.refuse(f"{number_said(part.value)} {unit} is too steep for a post", part.number.start)

    def bare_unit(self, number: Number) -> LeanUnit:
        return "in" if number.form in ("fraction", "mixed") or self.settings.units == "inch" else "mm"

    def too_much(self, part: _Part) -> str:
        reason = f"{number_said(part.value)} {part.unit} is more than a post leans"
        meant = self.meant_fraction(part)
        sixteenths = f"{part.number.value}/16"
        return f"{reason}. Meant {sixteenths}?" if meant else f"{reason} (Setup holds the limit)"

    def meant_fraction(self, part: _Part) -> str | None:
        """Whole bare inches that are too much were sixteenths: 6n8o is 6/16n8/16o."""
        if self.settings.units != "inch" or part.number.form != "whole" or not 0 < part.number.value < 16:
            return None
        text = self.text
        for token in reversed(self.tokens):
            number = token.number
            follows_face = number and self.kind_behind(token) in ("face", "sign", "qualifier")
            if number and number.form == "whole" and 0 < number.value < 16 and follows_face:
                text = f"{text[: token.end]}/16{text[token.end :]}"
        return text

    def kind_behind(self, token: Token) -> str | None:
        index = self.tokens.index(token) + 1
        return self.tokens[index].kind if index < len(self.tokens) else None

    # -------------------------------------------------------- gauge length

    def gauge(self) -> None:
        """`@4'`, `over 48`, `per 4ft`, `@height`."""
        opening = self.token
        assert opening is not None
        self.i += 1
        if self.over is not None or self.at_height:
            self.refuse("one gauge length is enough", opening.start)
        if self.next_is("height"):
            self.at_height = True
            self.i += 1
            return
        if self.token is None:
            self.wait("over what length? like @4' or @1200mm")
        self.stop_at_bad()
        try:
            length = self.gauge_length(self.token)
        except EntryError as error:
            at = opening.end if error.at is None else error.at
            self.refuse(error.message, at)
        while self.token is not None and self.token.start < length.end:
            self.i += 1
        self.over = self.judged_gauge(length, opening)

    def gauge_length(self, token: Token) -> Length:
        is_per = self.low[: token.start].rstrip().endswith("per")
        if is_per and token.kind == "unit" and token.value in _METRE_WORDS:
            unit = "m" if token.value == "m" else "ft"
            return Length(self.text[token.start : token.end], MM_PER[unit], unit, "whole", token.end)  # type: ignore[arg-type]
        if token.kind == "unit" or token.kind == "ratio":
            self.refuse(f"over how many {self.text[token.start : token.end]}?", token.start)
        # Only this token's letters run may touch the length: a word that follows it is cut off for the scan.
        return scan_length(self.low[: self.end_of_length()], token.start, self.settings.units, "gauge length")

    def end_of_length(self) -> int:
        """End of the numbers and units that follow one another from here."""
        end = self.i
        while end < len(self.tokens) and self.tokens[end].kind in ("number", "unit"):
            end += 1
        return self.tokens[max(end - 1, self.i)].end

    def judged_gauge(self, length: Length, opening: Token) -> Length:
        at = opening.end
        if SHORTEST_GAUGE_MM <= length.mm <= LONGEST_GAUGE_MM:
            return length
        is_last = length.end == len(self.text.rstrip())
        if is_last and length.mm < SHORTEST_GAUGE_MM:
            inches = f'{self.text[: length.end]}"' if not length.unit_was_typed else None
            self.wait(f"{length.text} is short for a level", at, inches)
        if length.mm < SHORTEST_GAUGE_MM:
            self.refuse(f"{length.text} is too short for a level (from {SHORTEST_GAUGE_MM} mm)", at)
        if is_last and not length.unit_was_typed:
            self.wait(f"{length.text}: of what unit?", at)
        self.refuse(f"{length.text} is too long for a level (up to {LONGEST_GAUGE_MM // 1000} m)", at)

    # -------------------------------------------------------- the end

    def finish(self) -> Understood:
        if self.plumb:
            zero = _Part(Number(Fraction(0), 0, 0, "whole"))
            self.parts = [zero, _Part(zero.number)]
        if not self.parts:
            if self.over is None and not self.at_height:
                self.wait(f"type how far the top leans and which way, like {self.example}")
            return Understood(self.text, None, None, self.settings, self.over, self.at_height)
        self.place_zeros()
        along = self.component(lambda face: face.is_along)
        across = self.component(lambda face: not face.is_along)
        heard = Understood(
            self.text,
            along,
            across,
            self.settings,
            self.over,
            self.at_height,
            self.inboard_doubt(),
            self.plumb,
        )
        self.check_sine(heard)
        return heard

    def place_zeros(self) -> None:
        """A bare 0 is the direction that the other part is not; two bare noughts are both."""
        free = [part for part in self.parts if part.face is None]
        named = [part for part in self.parts if part.face is not None]
        if len(free) == 1 and not named:
            self.wait(f"0 which way? {self.ways}; 0 0 for both")
        if len(free) == 1:
            assert named[0].face is not None
            free[0].face = Face.OUT if named[0].face.is_along else Face.NEXT
            free[0].unit = named[0].unit
        elif len(free) == 2:
            for part, face in zip(free, (Face.NEXT, Face.OUT), strict=True):
                part.face = face
                part.unit = part.unit or self.bare_unit(part.number)

    def component(self, belongs: Callable[[Face], bool]) -> Component | None:
        for part in self.parts:
            if part.face is not None and belongs(part.face):
                assert part.unit is not None
                return Component(
                    part.face,
                    part.value,
                    part.unit,
                    part.number.form,
                    part.qualifier,
                    quarter(part.unit, self.settings),
                    step(part.number, part.unit, part.qualifier, self.settings),
                    part.number.numerator,
                    part.number.denominator,
                    part.number.places,
                )
        return None

    def inboard_doubt(self) -> str | None:
        if not any(part.inboard for part in self.parts):
            return None
        house, out = self.settings.name(Face.HOUSE), self.settings.name(Face.OUT)
        letter = self.settings.letter(Face.HOUSE)
        return f"i = inboard, towards {house}? i lies beside o ({out}): Enter again, or type {letter}"

    def check_sine(self, heard: Understood) -> None:
        """A straightedge's end can't be further off than it is long."""
        over = heard.over_mm
        for part in (heard.along, heard.across):
            if (
                part is not None
                and part.offset_mm is not None
                and over is not None
                and part.offset_mm >= over
            ):
                self.refuse("the offset is as long as the length that it was read over", 0)


_LEAN_UNITS: dict[str, LeanUnit] = {
    "mm": "mm", "cm": "cm", "in": "in", "deg": "deg", "mm/m": "mm/m", "cm/m": "cm/m", "in/ft": "in/ft",
}  # fmt: skip
_STEEPEST = Fraction(1, 19)
"""A ratio beyond tan 3° (1 : 19.08) is a slip."""
RATIO_LIMITS = {
    "mm/m": Fraction(1, 1000) / _STEEPEST,
    "cm/m": Fraction(1, 100) / _STEEPEST,
    "in/ft": Fraction(1, 12) / _STEEPEST,
}


def quarter(unit: str, settings: EntrySettings) -> Fraction:
    """A quarter of the tape's graduation in `unit`; 0 of degrees and ratios."""
    if unit == "in":
        return settings.graduation_in / 4
    if unit in ("mm", "cm"):
        return settings.graduation_mm / 4 / MM_PER[unit]  # type: ignore[index]  # narrowed on the line above
    return Fraction(0)


def step(number: Number, unit: str, qualifier: Qualifier | None, settings: EntrySettings) -> Fraction:
    """What a reading tells apart, in `unit`: the tape's graduation, finer where finer was typed.

    Strong and shy part a graduation in two halves more (shy, on, strong), so the step is half of it. A
    decimal shows its own last place, but a tape that shows whole tenths is still read to its graduation.
    """
    last_place = Fraction(1, 10**number.places)
    if unit not in ("mm", "cm", "in"):
        return min(last_place, Fraction(1, 10)) if unit == "deg" else last_place
    graduation = quarter(unit, settings) * 4
    if qualifier is not None:
        return graduation / 2
    if number.form in ("fraction", "mixed"):
        return min(graduation, Fraction(1, number.denominator))
    return min(graduation, last_place)


def number_said(value: Fraction) -> str:
    """A number in a sentence."""
    return decimal_text(value) if 10**9 % value.denominator == 0 else f"{float(value):.3g}"
