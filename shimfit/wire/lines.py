"""What a line means: NMEA 0183 XDR sentences, delimited text, and which of them it is.

`$--XDR,type,value,unit,name[,…]*hh`: groups of type A and unit D are angles in degrees, everything else is
counted as other. The checksum, the exclusive or of all bytes between `$` and `*`, is required unless the
description says otherwise. XDR is believed after three good sentences with angles. Text is believed after
eight lines in a row with the same separator and column count, all of them numbers, unless a sentence has
passed its checksum; what its columns mean can't be guessed, so a person has to say.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import reduce
from itertools import product
from operator import xor
from typing import TYPE_CHECKING

from shimfit.wire.formats import Xdr
from shimfit.wire.frames import propose_frames
from shimfit.wire.samples import (
    DECIMAL_COMMA,
    NUMBER,
    PRINTABLE,
    Input,
    LineFramer,
    Measure,
    Pace,
    Refusal,
    Sample,
    damaged,
    printed_step,
)

if TYPE_CHECKING:
    from shimfit.wire.formats import Text
    from shimfit.wire.samples import Tally

_BOTH_AXES = re.compile(
    rb"\$[A-Z]{2}XDR,A,(%(n)s),D,([A-Za-z0-9_]+),A,(%(n)s),D,([A-Za-z0-9_]+)\*([0-9A-Fa-f]{2})"
    % {b"n": NUMBER.pattern}
)
"""The sentence that most inclinometers send, read in one go; all others take the long way."""
_DIGITS = b"0123456789abcdefABCDEF"
_HEX = {bytes(pair): int(bytes(pair), 16) for pair in product(_DIGITS, _DIGITS)}
_WAIT_S = 0.25
"""How long one axis waits for the other while the period is not known."""
_LEAST_WAIT_S = 0.05
"""Two sentences of one sample may be torn apart by a link's bursts (USB adapters hand over every 16 ms,
so half a period of a fast sensor would be shorter than the link's own grain)."""
_MOST_NAMES = 256
_BOTH = ((0, 1), (1, 0))


def checksum(body: bytes) -> int:
    """Exclusive or of all bytes.

    A sentence of the usual length is folded as one number, which beats a loop over its bytes.
    """
    if len(body) > 64:
        return reduce(xor, body)
    folded = int.from_bytes(body, "little")
    for half in (256, 128, 64, 32, 16, 8):
        folded ^= folded >> half
    return folded & 0xFF


class XdrReader:
    """Sentences in, samples out; pairs up the axes where each has a sentence of its own."""

    format = "xdr"

    def __init__(self, description: Xdr, tally: Tally) -> None:
        self._tally = tally
        self._range_deg = description.range_deg
        self._checksum_required = description.checksum == "required"
        self._x_names = tuple(name.strip().upper().encode() for name in description.x)
        self._y_names = tuple(name.strip().upper().encode() for name in description.y)
        self._axes: dict[bytes, int | None] = {}
        self._waiting: tuple[int, float, float] | None = None  # axis, degrees, time
        self._pace = Pace()
        self._last_digits = b""
        self.sentences = 0
        """Sentences of any kind whose checksum was right."""
        self.with_angles = 0
        """Those that had an angle of ours."""

    @property
    def step_deg(self) -> float | None:
        """Value of the last printed digit, in degrees; None until an angle came."""
        return printed_step(self._last_digits) if self._last_digits else None

    def read(self, line: bytes, time_s: float) -> Sample | None:
        """The sample that this line completes, or None; what it is instead is counted."""
        usual = _BOTH_AXES.fullmatch(line)
        if usual is not None and self._waiting is None:
            one, one_name, two, two_name, digits = usual.groups()
            axes = self._axis(one_name), self._axis(two_name)
            first, second = float(one), float(two)
            limit = self._range_deg
            if (
                axes in _BOTH
                and -limit <= first <= limit
                and -limit <= second <= limit
                and _HEX[digits] == checksum(line[1:-3])
            ):
                self._last_digits = two
                self._tally.good += 1
                self.sentences += 1
                self.with_angles += 1
                return Sample(time_s, first, second) if axes == (0, 1) else Sample(time_s, second, first)
        return self._read(line, time_s)

    def _read(self, line: bytes, time_s: float) -> Sample | None:
        """Any line, step by step, so that each refusal has its reason."""
        sentence = self._sentence(line)
        if sentence is None:
            return None
        body = self._checked(sentence)
        if body is None:
            return None
        fields = body.split(b",")
        if len(fields) == 1 or len(fields[0]) != 5 or not fields[0].endswith(b"XDR"):
            self._tally.other += 1
            return None
        if len(fields) % 4 != 1:
            self._tally.refuse(Refusal.FIELD_COUNT)
            return None
        angles = self._angles(fields)
        if angles is None:
            return None
        self.with_angles += 1
        return self._sample(angles, time_s)

    def restart(self) -> None:
        """Forget an axis that waits for the other."""
        self._waiting = None
        self._pace.restart()

    def _sentence(self, line: bytes) -> bytes | None:
        """From the last `$` on; None where there is none."""
        start = line.rfind(b"$")
        if start == 0:
            return line
        if start > 0:
            self._tally.refuse(Refusal.TRUNCATED)
            return line[start:]
        if damaged(line):
            self._tally.refuse(Refusal.DAMAGED_BYTE)
        else:
            self._tally.other += 1
        return None

    def _checked(self, sentence: bytes) -> bytes | None:
        """What stands between `$` and `*`, when the sum says that it arrived as sent."""
        body, star, digits = sentence[1:].rpartition(b"*")
        if damaged(sentence):
            self._tally.refuse(Refusal.DAMAGED_BYTE)
        elif not star:
            if not self._checksum_required:
                return sentence[1:]
            self._tally.refuse(Refusal.NO_CHECKSUM)
        elif _HEX.get(digits) != checksum(body):
            self._tally.refuse(Refusal.BAD_CHECKSUM)
        else:
            self.sentences += 1
            return body
        return None

    def _angles(self, fields: list[bytes]) -> list[tuple[int, float]] | None:
        """(axis, degrees) of each group that is an angle of ours; None when one is refused."""
        angles = []
        for at in range(1, len(fields), 4):
            value = fields[at + 1]
            if fields[at] != b"A" or fields[at + 2] != b"D" or not value:
                continue
            axis = self._axis(fields[at + 3])
            if axis is None:
                continue
            if not NUMBER.fullmatch(value):
                self._tally.refuse(Refusal.NOT_A_NUMBER)
                return None
            degrees = float(value)
            if not -self._range_deg <= degrees <= self._range_deg:
                self._tally.refuse(Refusal.OUT_OF_RANGE)
                return None
            self._last_digits = value
            angles.append((axis, degrees))
        if not angles:
            self._tally.other += 1
        return angles or None

    def _axis(self, name: bytes) -> int | None:
        """0 for x, 1 for y, None for any other name; case, spaces and a suffix do not matter."""
        try:
            return self._axes[name]
        except KeyError:
            plain = name.strip().upper()
            axis = 0 if plain.startswith(self._x_names) else 1 if plain.startswith(self._y_names) else None
            if len(self._axes) < _MOST_NAMES:
                self._axes[name] = axis
            return axis

    def _sample(self, angles: list[tuple[int, float]], time_s: float) -> Sample | None:
        """Pair up x and y; an axis that stays alone is dropped and counted."""
        if len(angles) == 2 and angles[0][0] != angles[1][0]:
            if self._waiting is not None:
                self._tally.refuse(Refusal.UNPAIRED)
                self._waiting = None
            (first, one), (_, other) = angles
            return self._good(time_s, one if first == 0 else other, other if first == 0 else one)
        sample = None
        for axis, degrees in angles:
            sample = self._pair(axis, degrees, time_s) or sample
        return sample

    def _pair(self, axis: int, degrees: float, time_s: float) -> Sample | None:
        waiting = self._waiting
        if waiting is not None and waiting[0] != axis and time_s - waiting[2] <= self._patience_s:
            self._waiting = None
            return self._good(
                time_s, degrees if axis == 0 else waiting[1], degrees if axis == 1 else waiting[1]
            )
        if waiting is not None:
            self._tally.refuse(Refusal.UNPAIRED)
        self._waiting = (axis, degrees, time_s)
        return None

    @property
    def _patience_s(self) -> float:
        """Half a period."""
        if self._pace.period_s is None:
            return _WAIT_S
        return max(self._pace.period_s / 2, _LEAST_WAIT_S)

    def _good(self, time_s: float, x_deg: float, y_deg: float) -> Sample:
        self._tally.good += 1
        self._pace.tick(time_s)
        return Sample(time_s, x_deg, y_deg)


_DEGREE_SIGNS = (b"\xc2\xb0", b"\xb0")
"""UTF-8, then Latin-1."""


class TextReader:
    """Lines in, samples out. Its framer must drop the first line: a line cut at the front looks fine."""

    format = "text"

    def __init__(self, description: Text, tally: Tally) -> None:
        self._tally = tally
        self._comment = description.comment.encode()
        self._prefix = description.prefix.encode()
        self._columns = description.columns
        self._count = description.count
        self._separator = (
            None if description.separator == "whitespace" else description.separator[:1].encode()
        )
        self._blanks_follow = description.separator == ", "
        self._decimal_comma = description.decimal == ","
        self._number = DECIMAL_COMMA if self._decimal_comma else NUMBER
        self._allowed = PRINTABLE + (b"\t" if description.separator in ("\t", "whitespace") else b"")
        self._measure = Measure(description, tally, count_worth=description.scale)
        self._names = [column.name for column in description.columns]
        self._usual = self._usual_line()
        self._digits_of = 1 + next((at for at, name in enumerate(self._names) if name == "x"), 0)
        self._plain_degrees = all(c.unit in ("deg", "°") for c in description.columns if c.name in ("x", "y"))
        self._last_digits = b""

    @property
    def step_deg(self) -> float | None:
        """Value of the last digit that x was printed with; None where units or a triple hide it."""
        if not (self._plain_degrees and self._last_digits and "x" in self._names):
            return None
        return printed_step(self._last_digits)

    def _usual_line(self) -> re.Pattern[bytes]:
        """A line as it should be, read in one go; all others take the long way."""
        used = {column.at for column in self._columns}
        gap = rb"[ \t]+" if self._separator is None else re.escape(self._separator)
        other = rb"[!-~]+" if self._separator is None else rb"[^%b\x00-\x1f\x7f-\xff]*" % gap
        labels = {column.at: re.escape(column.label.encode()) for column in self._columns}
        fields = [
            b"%b(%b)" % (labels[at], NUMBER.pattern) if at in used else other for at in range(self._count)
        ]
        gap += rb" *" if self._blanks_follow else b""
        start = b"" if not self._comment else b"(?!%b)" % re.escape(self._comment)
        return re.compile(start + re.escape(self._prefix) + gap.join(fields))

    def read(self, line: bytes, time_s: float) -> Sample | None:
        """The sample in this line, or None; what it is instead is counted."""
        usual = self._usual.fullmatch(line)
        if usual is not None and not self._decimal_comma:
            self._last_digits = usual[self._digits_of]
            return self._measure.sample(
                dict(zip(self._names, map(float, usual.groups()), strict=True)), time_s
            )
        return self._read(line, time_s)

    def _read(self, line: bytes, time_s: float) -> Sample | None:
        """Any line, step by step, so that each refusal has its reason."""
        if self._comment and line.startswith(self._comment):
            self._tally.other += 1
            return None
        if not line.startswith(self._prefix):
            self._tally.other += 1
            return None
        fields = self._fields(line[len(self._prefix) :])
        if fields is None:
            return None
        values = self._values(fields)
        if values is None:
            self._tally.refuse(Refusal.NOT_A_NUMBER)
            return None
        return self._measure.sample(values, time_s)

    def restart(self) -> None:
        """Compare nothing across a gap."""
        self._measure.restart()

    def _fields(self, data: bytes) -> list[bytes] | None:
        """The line's columns, when it has as many as it should and no foreign byte."""
        fields = data.split(self._separator)
        if self._blanks_follow:
            fields = [field.lstrip(b" ") for field in fields]
        if len(fields) == self._count:
            for column in self._columns:
                if column.unit == "°":
                    fields[column.at] = _without_degree_sign(fields[column.at])
        if damaged(b"".join(fields), self._allowed):
            self._tally.refuse(Refusal.DAMAGED_BYTE)
            return None
        if len(fields) != self._count:
            self._tally.refuse(Refusal.COLUMN_COUNT)
            return None
        return fields

    def _values(self, fields: list[bytes]) -> dict[str, float] | None:
        """Numbers by name; None when one is not a number."""
        values = {}
        for column in self._columns:
            digits = fields[column.at]
            if column.label:
                if not digits.startswith(column.label.encode()):
                    return None
                digits = digits[len(column.label) :].lstrip(b" ")
            if not self._number.fullmatch(digits):
                return None
            if self._decimal_comma:
                digits = digits.replace(b",", b".")
            values[column.name] = float(digits)
            if column.name == "x":
                self._last_digits = digits
        return values


def _without_degree_sign(field: bytes) -> bytes:
    for sign in _DEGREE_SIGNS:
        if field.endswith(sign):
            return field.removesuffix(sign)
    return field


SENTENCES_TO_BELIEVE = 3
LINES_TO_BELIEVE = 8
_LARGEST = 1e12
"""A device's microsecond counter is the largest number that a line of samples has."""


@dataclass(frozen=True, slots=True)
class TextGuess:
    """How the text is built; what its columns mean is for a person to say."""

    separator: str
    decimal: str
    labels: tuple[str, ...]
    """What stands before each number."""
    numbers: tuple[float, ...]
    """The values of the example, in order."""
    example: str

    @property
    def count(self) -> int:
        """Columns of a line."""
        return len(self.labels)

    def is_built_as(self, other: TextGuess) -> bool:
        """The same columns, labels and signs between them."""
        built = (self.separator, self.decimal, self.labels)
        return built == (other.separator, other.decimal, other.labels)

    def description(self, grows: tuple[bool, ...] = ()) -> str:
        """A description to be completed, in TOML, and what it makes of the example.

        A column that only `grows` is a clock or a counter; `X` or `P` before a number tells x, `Y` or `R` y.
        """
        clocks = grows if grows and sum(grows) <= self.count - 2 else (False,) * self.count
        names = ["-"] * self.count
        for name, letters in (("x", "xp"), ("y", "yr")):
            free = [at for at in range(self.count) if names[at] == "-" and not clocks[at]]
            labelled = [at for at in free if self.labels[at][:1].lower() in tuple(letters)]
            names[(labelled or free)[0]] = name
        values = {name: number for name, number in zip(names, self.numbers, strict=True) if name != "-"}
        columns = ", ".join("'-'" if name == "-" else f"'{name}:deg'" for name in names)
        separator = self.separator.replace("\t", "tab")
        labels = ", ".join(f"'{label}'" for label in self.labels)
        return (
            f"format = 'text'\nseparator = '{separator}'\ndecimal = '{self.decimal}'\ncolumns = [{columns}]\n"
            + (f"labels = [{labels}]\n" if any(self.labels) else "")
            + f"# received: {self.example}\n# comes to: x {values['x']:+g}, y {values['y']:+g} degrees\n"
        )


class Sniffer:
    """Watches lines, beside the reader of sentences, until the format is known."""

    def __init__(self, sentences: XdrReader) -> None:
        self._sentences = sentences
        self._run: TextGuess | None = None
        self._run_length = 0
        self.grows: tuple[bool, ...] = ()
        """Columns that have only grown from line to line: clocks and counters, no leans."""

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
        elif self._run is not None and self._run_length and self._run.is_built_as(guess):
            steps = zip(self.grows, self._run.numbers, guess.numbers, strict=True)
            self.grows = tuple(so_far and before < now for so_far, before, now in steps)
            self._run = guess
            self._run_length += 1
        else:
            self._run, self._run_length, self.grows = guess, 1, (True,) * guess.count

    def restart(self) -> None:
        """Forget the lines that were seen: another speed, another device."""
        self._run = None
        self._run_length = 0


_LABEL = rb"(?P<label>(?:[A-Za-z_]+[0-9]?)?[=:]? ?)"
_LABELLED = {
    ".": re.compile(_LABEL + rb"(?P<number>%b)" % NUMBER.pattern),
    ",": re.compile(_LABEL + rb"(?P<number>%b)" % DECIMAL_COMMA.pattern),
}
_BUILDS = ((";", "."), (";", ","), (", ", "."), (",", "."), ("\t", "."), ("whitespace", "."), (":", "."))


def _guess(line: bytes) -> TextGuess | None:
    """How this line would be built if it were numbers, each after a label or not; None when it is not."""
    if not line.isascii():
        return None
    for separator, decimal in _BUILDS:
        if separator == ", ":
            fields = [field.lstrip(b" ") for field in line.split(b",")] if b", " in line else []
        else:
            fields = line.split(None if separator == "whitespace" else separator.encode())
        found = [each for each in map(_LABELLED[decimal].fullmatch, fields) if each is not None]
        if len(fields) < 2 or len(found) < len(fields):
            continue
        labels = tuple(each["label"].decode("ascii").rstrip() for each in found)
        numbers = tuple(float(each["number"].replace(b",", b".")) for each in found)
        if max(map(abs, numbers)) > _LARGEST or (separator == ":" and any(labels)):
            return None
        return TextGuess(separator, decimal, labels, numbers, line.decode("ascii"))
    return None


def line_reader(description: Xdr | Text, tally: Tally) -> XdrReader | TextReader:
    """The reader for a format that comes in lines."""
    if isinstance(description, Xdr):
        return XdrReader(description, tally)
    return TextReader(description, tally)


_FRAMES_KEPT = 800
"""Bytes that are looked through for frames."""
_LOOK_S, _LOOK_SELDOM_S = 0.4, 8.0
"""Pause after the first look, and the longest one."""


class LineInput(Input):
    """Formats that come in lines; without a description, whatever comes: it finds out."""

    def __init__(self, description: Xdr | Text | None, tally: Tally) -> None:
        super().__init__(description or Xdr(), tally)
        self._reader = line_reader(description or Xdr(), tally)
        self._framer = LineFramer(tally, drop_first=isinstance(self._reader, TextReader))
        self._sniffer = None
        if isinstance(self._reader, XdrReader) and description is None:
            self._sniffer = Sniffer(self._reader)
        self._received, self._look_s, self._pause_s = b"", 0.0, _LOOK_S
        self.format = None if description is None else self._reader.format

    @property
    def step_deg(self) -> float | None:
        """See Input."""
        return self._reader.step_deg

    def feed(self, data: bytes, now_s: float) -> list[Sample]:
        """See Input."""
        samples = []
        for line in self._framer.feed(data):
            sample = self._reader.read(line, now_s)
            if sample is not None:
                samples.append(sample)
            if self._sniffer is not None:
                self._sniff(self._sniffer, line)
        if self._sniffer is not None and self.needs_description is None:
            self._look_for_frames(data, now_s)
        return samples

    def _look_for_frames(self, data: bytes, now_s: float) -> None:
        """Bytes that are no text may be frames; looked for ever more seldom."""
        self._received = (self._received + data)[-_FRAMES_KEPT:]
        if len(self._received) < _FRAMES_KEPT // 4 or now_s < self._look_s:
            return
        self._look_s, self._pause_s = now_s + self._pause_s, min(2 * self._pause_s, _LOOK_SELDOM_S)
        if not damaged(self._received, PRINTABLE + b"\r\n\t"):
            return
        self.needs_description = propose_frames(self._received)
        if self.needs_description is not None:
            self.format = "binary"
            self._news.append(
                "binary frames were found, their check is right; what their values mean can't be known: "
                "name them with units in a description (--format FILE.toml)"
            )

    def _sniff(self, sniffer: Sniffer, line: bytes) -> None:
        """Sentences are read from the first one on; text has to be described by a person first."""
        sniffer.line(line)
        if sniffer.is_xdr:
            self.format, self._sniffer, self.needs_description = "xdr", None, None
        elif sniffer.text is not None and self.needs_description is None:
            guess = sniffer.text
            self.format, self.needs_description = "text", guess.description(sniffer.grows)
            self._news.append(
                f"delimited text with {guess.count} columns was found, such as {guess.example!r}; "
                "what they mean can't be guessed: name them with units in a description (--format FILE.toml)"
            )

    def restart(self, *, lost: bool) -> None:
        """See Input."""
        self._framer.restart(lost=lost)
        self._reader.restart()
        self._received, self._look_s, self._pause_s = b"", 0.0, _LOOK_S
        if self._sniffer is not None:
            self._sniffer.restart()
