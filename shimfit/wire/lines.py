"""What a line means: NMEA 0183 XDR sentences, delimited text, and which of them it is.

`$--XDR,type,value,unit,name[,…]*hh`: groups of type A and unit D are angles in degrees, everything else is
counted as other. The checksum, the exclusive or of all bytes between `$` and `*`, is required unless the
description says otherwise. XDR is believed after three good sentences with angles. Text is believed after
eight lines in a row with the same separator and column count, all of them numbers, unless a sentence has
passed its checksum; what its columns mean can't be guessed, so the user has to say.

Each reader has a quick way for the line as it should be and a slow one that finds why a line is refused.
`encode_text` writes what the same description reads.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import reduce
from itertools import product
from operator import xor
from typing import TYPE_CHECKING

from shimfit.wire.formats import PAIR, TRIPLE, Xdr
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
    from collections.abc import Mapping

    from shimfit.wire.formats import Text
    from shimfit.wire.samples import Tally

_BOTH_AXES = re.compile(
    rb"\$[A-Z]{2}XDR,A,(%(n)s),D,([A-Za-z0-9_]+),A,(%(n)s),D,([A-Za-z0-9_]+)\*([0-9A-Fa-f]{2})"
    % {b"n": NUMBER.pattern}
)
"""The sentence that most inclinometers send."""
_DIGITS = b"0123456789abcdefABCDEF"
_HEX = {bytes(pair): int(bytes(pair), 16) for pair in product(_DIGITS, _DIGITS)}
_WAIT_S, _LEAST_WAIT_S = 0.25, 0.05
"""How long one axis waits for the other while the period is not known, and at least: half a period of a fast
sensor would be shorter than a link's own grain (USB adapters hand over every 16 ms)."""
_MOST_NAMES = 256


def checksum(body: bytes) -> int:
    """Exclusive or of all bytes; up to 64 are folded as one number, which beats a loop over them."""
    if len(body) > 64:
        return reduce(xor, body)
    folded = int.from_bytes(body, "little")
    for half in (256, 128, 64, 32, 16, 8):
        folded ^= folded >> half
    return folded & 0xFF


def sentence(body: str) -> bytes:
    """`$body*hh` with its checksum and CRLF."""
    data = body.encode("ascii")
    return b"$%b*%02X\r\n" % (data, checksum(data))


class XdrReader:
    """Sentences in, samples out; pairs up the axes where each has a sentence of its own."""

    format = "xdr"

    def __init__(self, description: Xdr, tally: Tally) -> None:
        self._tally = tally
        self._range_deg = description.range_deg
        self._checksum_required = description.checksum == "required"
        self._names = tuple(
            tuple(name.strip().upper().encode() for name in names) for names in (description.x, description.y)
        )
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
                axes in ((0, 1), (1, 0))
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
        found = self._angles(line)
        if isinstance(found, Refusal):
            self._tally.refuse(found)
        elif not found:
            self._tally.other += 1
        else:
            self.with_angles += 1
            return self._paired(found, time_s)
        return None

    def restart(self) -> None:
        """Forget an axis that waits for the other."""
        self._waiting = None
        self._pace.restart()

    def _angles(self, line: bytes) -> list[tuple[int, float]] | Refusal:
        """(axis, degrees) of each angle of ours, read from the last `$` on; none: it is no such sentence."""
        start = line.rfind(b"$")
        if start < 0:
            return Refusal.DAMAGED_BYTE if damaged(line) else []
        if start > 0:
            self._tally.refuse(Refusal.TRUNCATED)
        body, star, digits = line[start + 1 :].rpartition(b"*")
        if damaged(line[start:]):
            return Refusal.DAMAGED_BYTE
        if not star:
            if self._checksum_required:
                return Refusal.NO_CHECKSUM
            body = digits
        elif _HEX.get(digits) != checksum(body):
            return Refusal.BAD_CHECKSUM
        else:
            self.sentences += 1
        fields = body.split(b",")
        if len(fields) == 1 or len(fields[0]) != 5 or not fields[0].endswith(b"XDR"):
            return []
        if len(fields) % 4 != 1:
            return Refusal.FIELD_COUNT
        angles = []
        for kind, value, unit, name in zip(*(fields[at::4] for at in (1, 2, 3, 4)), strict=True):
            axis = self._axis(name) if kind == b"A" and unit == b"D" and value else None
            if axis is None:
                continue
            if not NUMBER.fullmatch(value):
                return Refusal.NOT_A_NUMBER
            degrees = float(value)
            if not -self._range_deg <= degrees <= self._range_deg:
                return Refusal.OUT_OF_RANGE
            self._last_digits = value
            angles.append((axis, degrees))
        return angles

    def _axis(self, name: bytes) -> int | None:
        """0 for x, 1 for y, None for any other name; case, spaces and a suffix do not matter."""
        try:
            return self._axes[name]
        except KeyError:
            plain = name.strip().upper()
            axis = next((at for at, names in enumerate(self._names) if plain.startswith(names)), None)
            if len(self._axes) < _MOST_NAMES:
                self._axes[name] = axis
            return axis

    def _paired(self, angles: list[tuple[int, float]], time_s: float) -> Sample | None:
        """The sample of x and y; an axis whose other does not come within half a period is counted."""
        sample = None
        if len(angles) == 2 and angles[0][0] != angles[1][0] and self._waiting is not None:
            self._tally.refuse(Refusal.UNPAIRED)
            self._waiting = None
        patience_s = _WAIT_S
        if self._pace.period_s is not None:
            patience_s = max(self._pace.period_s / 2, _LEAST_WAIT_S)
        for axis, degrees in angles:
            waiting, self._waiting = self._waiting, None
            if waiting is not None and waiting[0] != axis and time_s - waiting[2] <= patience_s:
                x_deg, y_deg = (degrees, waiting[1]) if axis == 0 else (waiting[1], degrees)
                self._tally.good += 1
                self._pace.tick(time_s)
                sample = Sample(time_s, x_deg, y_deg)
                continue
            if waiting is not None:
                self._tally.refuse(Refusal.UNPAIRED)
            self._waiting = (axis, degrees, time_s)
        return sample


_DEGREE_SIGN = re.compile(rb"\xc2?\xb0\Z")
"""In UTF-8, else in Latin-1."""


class TextReader:
    """Lines in, samples out. Its framer must drop the first line: a line cut at the front looks fine."""

    format = "text"

    def __init__(self, description: Text, tally: Tally) -> None:
        self._tally = tally
        self._comment = description.comment.encode()
        self._prefix = description.prefix.encode()
        self._columns = description.columns
        self._count = description.count
        whitespace = description.separator == "whitespace"
        self._separator = None if whitespace else description.separator[:1].encode()
        self._blanks_follow = description.separator == ", "
        self._decimal_comma = description.decimal == ","
        self._number = DECIMAL_COMMA if self._decimal_comma else NUMBER
        self._allowed = PRINTABLE + (b"\t" if whitespace or description.separator == "\t" else b"")
        self._measure = Measure(description, tally, count_worth=description.scale)
        self._names = [column.name for column in self._columns]
        self._usual = self._usual_line()
        self._digits_of = 1 + (self._names.index("x") if "x" in self._names else 0)
        self._prints_degrees = {description.units.get(name) for name in PAIR} <= {"deg", "°"}
        self._last_digits = b""

    @property
    def step_deg(self) -> float | None:
        """Value of the last digit that x was printed with; None where units or a triple hide it."""
        return printed_step(self._last_digits) if self._prints_degrees and self._last_digits else None

    def _usual_line(self) -> re.Pattern[bytes]:
        gap = rb"[ \t]+" if self._separator is None else re.escape(self._separator)
        other = rb"[!-~]+" if self._separator is None else rb"[^%b\x00-\x1f\x7f-\xff]*" % gap
        labels = {column.at: re.escape(column.label.encode()) for column in self._columns}
        fields = [
            b"%b(%b)" % (labels[at], NUMBER.pattern) if at in labels else other for at in range(self._count)
        ]
        gap += rb" *" if self._blanks_follow else b""
        start = b"(?!%b)" % re.escape(self._comment) if self._comment else b""
        return re.compile(start + re.escape(self._prefix) + gap.join(fields))

    def read(self, line: bytes, time_s: float) -> Sample | None:
        """The sample in this line, or None; what it is instead is counted."""
        usual = None if self._decimal_comma else self._usual.fullmatch(line)
        if usual is not None:
            self._last_digits = usual[self._digits_of]
            numbers = dict(zip(self._names, map(float, usual.groups()), strict=True))
            return self._measure.sample(numbers, time_s)
        return self._read(line, time_s)

    def _read(self, line: bytes, time_s: float) -> Sample | None:
        if (self._comment and line.startswith(self._comment)) or not line.startswith(self._prefix):
            self._tally.other += 1
            return None
        values = self._values(line[len(self._prefix) :])
        if isinstance(values, Refusal):
            self._tally.refuse(values)
            return None
        return self._measure.sample(values, time_s)

    def restart(self) -> None:
        """Compare nothing across a gap."""
        self._measure.restart()

    def _values(self, data: bytes) -> dict[str, float] | Refusal:
        """Numbers by name; whatever the line should not have refuses it whole."""
        fields = data.split(self._separator)
        if self._blanks_follow:
            fields = [field.lstrip(b" ") for field in fields]
        whole = len(fields) == self._count
        for column in self._columns if whole else ():
            if column.unit == "°":
                fields[column.at] = _DEGREE_SIGN.sub(b"", fields[column.at])
        if damaged(b"".join(fields), self._allowed):
            return Refusal.DAMAGED_BYTE
        if not whole:
            return Refusal.COLUMN_COUNT
        values = {}
        for column in self._columns:
            digits = fields[column.at]
            if column.label:
                if not digits.startswith(column.label.encode()):
                    return Refusal.NOT_A_NUMBER
                digits = digits[len(column.label) :].lstrip(b" ")
            if not self._number.fullmatch(digits):
                return Refusal.NOT_A_NUMBER
            if self._decimal_comma:
                digits = digits.replace(b",", b".")
            values[column.name] = float(digits)
            if column.name == "x":
                self._last_digits = digits
        return values


def line_reader(description: Xdr | Text, tally: Tally) -> XdrReader | TextReader:
    """The reader for a format that comes in lines."""
    if isinstance(description, Xdr):
        return XdrReader(description, tally)
    return TextReader(description, tally)


def encode_text(description: Text, values: Mapping[str, float]) -> bytes:
    """The line that a device of this description sends of its values (`samples.values_of`)."""
    fields = ["0"] * description.count
    for column in description.columns:
        places = 6 if column.name in TRIPLE else 3 if column.name in PAIR else 0
        worth = description.scale if column.unit == "count" else 1.0
        value = values.get(column.name, 0.0) / worth if worth else 0.0
        fields[column.at] = column.label + f"{value:.{places}f}".replace(".", description.decimal)
    separator = " " if description.separator == "whitespace" else description.separator
    return (description.prefix + separator.join(fields) + "\r\n").encode()


# ---------------------------------------------------------------- finding the format

_SENTENCES_TO_BELIEVE, _LINES_TO_BELIEVE = 3, 8
_LARGEST = 1e12
"""A device's microsecond counter is the largest number that a line of samples has."""
_LABEL = rb"(?P<label>(?:[A-Za-z_]+[0-9]?)?[=:]? ?)"
_LABELLED = {
    sign: re.compile(_LABEL + rb"(?P<number>%b)" % number.pattern)
    for sign, number in ((".", NUMBER), (",", DECIMAL_COMMA))
}
_BUILDS = ((";", "."), (";", ","), (", ", "."), (",", "."), ("\t", "."), ("whitespace", "."), (":", "."))
"""Separators, each with the decimal sign that numbers between them may have."""


@dataclass(frozen=True, slots=True)
class TextGuess:
    """How a line is built if it is numbers; what its columns mean is for the user to say."""

    built: tuple[str, str, tuple[str, ...]]
    """Separator, decimal sign, and what stands before each number."""
    numbers: tuple[float, ...]
    example: str

    def description(self, grows: tuple[bool, ...]) -> str:
        """A description to be completed, in TOML, and what it makes of the example.

        A column that only `grows` is a clock or a counter; `X` or `P` before a number tells x, `Y` or `R` y.
        """
        separator, decimal, labels = self.built
        count = len(labels)
        clocks = grows if sum(grows) <= count - 2 else (False,) * count
        names = ["-"] * count
        for name, letters in (("x", "xp"), ("y", "yr")):
            free = [at for at in range(count) if names[at] == "-" and not clocks[at]]
            labelled = [at for at in free if labels[at][:1].lower() in tuple(letters)]
            names[(labelled or free)[0]] = name
        values = dict(zip(names, self.numbers, strict=True))
        columns = ", ".join("'-'" if name == "-" else f"'{name}:deg'" for name in names)
        labelled_so = (
            "labels = [" + ", ".join(f"'{label}'" for label in labels) + "]\n" if any(labels) else ""
        )
        return (
            f"format = 'text'\nseparator = '{separator.replace(chr(9), 'tab')}'\ndecimal = '{decimal}'\n"
            f"columns = [{columns}]\n{labelled_so}# received: {self.example}\n"
            f"# comes to: x {values['x']:+g}, y {values['y']:+g} degrees\n"
        )


def _guess(line: bytes) -> TextGuess | None:
    """How this line is built, when it is numbers, each after a label or not."""
    for separator, decimal in _BUILDS if line.isascii() else ():
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
        return TextGuess((separator, decimal, labels), numbers, line.decode("ascii"))
    return None


_FRAMES_KEPT = 800
"""Bytes that are looked through for frames."""
_LOOK_S, _LOOK_SELDOM_S = 0.4, 8.0
"""Pause after the first look, and the longest one."""


class LineInput(Input):
    """Formats that come in lines; without a description, whatever comes: it finds out.

    Sentences are read from the first one on; text has to be described by the user first.
    """

    def __init__(self, description: Xdr | Text | None, tally: Tally) -> None:
        super().__init__(description or Xdr(), tally)
        self._reader = line_reader(description or Xdr(), tally)
        self._framer = LineFramer(tally, drop_first=self._reader.format == "text")
        self.format = None if description is None else self._reader.format
        self._finding = description is None
        self._guess: TextGuess | None = None
        self._agreed = 0
        """Lines in a row that are built as the last one."""
        self._grows: tuple[bool, ...] = ()
        """Columns that have only grown over them: clocks and counters, no leans."""
        self._received, self._look_s, self._pause_s = b"", 0.0, _LOOK_S

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
            if self._finding:
                self._look_at_line(line)
        if self._finding and self.needs_description is None:
            self._look_for_frames(data, now_s)
        return samples

    def _look_at_line(self, line: bytes) -> None:
        guess, last = None if b"$" in line else _guess(line), self._guess
        self._guess = guess
        if guess is None:
            self._agreed = 0
        elif last is not None and last.built == guess.built:
            steps = zip(self._grows, last.numbers, guess.numbers, strict=True)
            self._grows = tuple(so_far and before < now for so_far, before, now in steps)
            self._agreed += 1
        else:
            self._agreed, self._grows = 1, (True,) * len(guess.numbers)
        reader = self._reader
        assert isinstance(reader, XdrReader)
        if reader.with_angles >= _SENTENCES_TO_BELIEVE:
            self.format, self._finding, self.needs_description = "xdr", False, None
        elif guess and self._agreed >= _LINES_TO_BELIEVE and not (reader.sentences or self.needs_description):
            self.format, self.needs_description = "text", guess.description(self._grows)
            self._news.append(
                f"delimited text with {len(guess.numbers)} columns was found, such as {guess.example!r}; "
                "what they mean can't be guessed: name them with units in a description (--format FILE.toml)"
            )

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

    def restart(self, *, lost: bool) -> None:
        """See Input."""
        self._framer.restart(lost=lost)
        self._reader.restart()
        self._received, self._look_s, self._pause_s = b"", 0.0, _LOOK_S
        self._guess, self._agreed = None, 0
