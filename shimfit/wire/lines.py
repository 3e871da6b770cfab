"""Formats that come in lines: NMEA 0183 XDR sentences, delimited text, and which of them it is.

CR or LF ends a line, and empty lines are nothing (so CR, LF, CRLF, LFCR and CRCRLF all work). NUL and 0xFF at
the start of a line are breaks and noise and are stripped. A line of more than LONGEST bytes is dropped up to
its end and counted once. Cutting the same bytes into other chunks changes neither lines nor counts. Numbers
are strict, on ASCII bytes: text is never handed to float() untested, which takes "nan", "inf", "1_000",
blanks and digits of other scripts.

`$--XDR,type,value,unit,name[,…]*hh`: groups of type A and unit D are angles in degrees, everything else is
counted as other. The checksum, the exclusive or of all bytes between `$` and `*`, is required unless the
description makes it optional. XDR is believed after three good sentences with angles. Text is believed after
eight lines in a row with the same separator and column count, all of them numbers, unless a sentence has
passed its checksum; what its columns mean can't be guessed, so the user has to say.
"""

from __future__ import annotations

import re
from functools import lru_cache, reduce
from operator import xor
from typing import TYPE_CHECKING, NamedTuple

from shimfit.wire.formats import PAIR, TRIPLE, Xdr
from shimfit.wire.frames import Input, propose_frames
from shimfit.wire.samples import Measure, Pace, Refusal, Sample

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from shimfit.wire.formats import Text
    from shimfit.wire.samples import Tally

LONGEST = 1024
"""Bytes of a line, its end not counted; NMEA 0183 allows 82, chatter at start-up is longer."""
_LINE_NOISE = b"\x00\xff"
NUMBER = re.compile(rb"[+-]?(?:[0-9]+(?:\.[0-9]+)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
DECIMAL_COMMA = re.compile(NUMBER.pattern.replace(rb"\.", b","))
PRINTABLE = bytes(range(0x20, 0x7F))


class LineFramer:
    """Cuts a byte stream into lines; hold one per link."""

    def __init__(self, tally: Tally, *, drop_first: bool = False) -> None:
        """`drop_first`: the first line after a start is not believed ("12.4" cut to "2.4" looks fine)."""
        self._tally = tally
        self._drop_first = self._first = drop_first
        self._rest = b""
        self._overlong = False

    def feed(self, chunk: bytes) -> list[bytes]:
        """Whole lines that these bytes complete, without their ends, in order."""
        *whole, rest = (self._rest + chunk).replace(b"\r\n", b"\n").replace(b"\r", b"\n").split(b"\n")
        lines = []
        for raw in whole:
            line = raw.lstrip(_LINE_NOISE)
            if self._overlong:
                self._overlong = self._first = False  # the end of a line that was counted as it grew too long
            elif not line:
                continue
            elif self._first:
                self._first = False
            elif len(line) > LONGEST:
                self._tally.refuse(Refusal.TOO_LONG)
            else:
                lines.append(line)
        rest = b"" if self._overlong else rest.lstrip(_LINE_NOISE)
        if len(rest) > LONGEST:  # memory stays bounded
            if not self._first:
                self._tally.refuse(Refusal.TOO_LONG)
            self._overlong, rest = True, b""
        self._rest = rest
        return lines

    def restart(self, *, lost: bool) -> None:
        """Begin anew, after opening, a change of speed or a loss; see Input."""
        if lost and self._rest and not self._first:
            self._tally.refuse(Refusal.UNFINISHED)
        self._rest, self._overlong, self._first = b"", False, self._drop_first


def damaged(line: bytes, allowed: bytes = PRINTABLE) -> bool:
    """True when a byte stands in the line that no such line has."""
    return bool(line.translate(None, allowed))


def printed_step(digits: bytes) -> float:
    """Value of the last digit that was printed: 0.01 for `-1.23`, 1 for `12`."""
    mantissa, _, exponent = digits.lower().partition(b"e")
    decimals = len(mantissa.partition(b".")[2])
    return 10.0 ** max(-300, min(300, int(exponent or b"0") - decimals))


def checksum(body: bytes) -> int:
    """Exclusive or of all bytes."""
    return reduce(xor, body, 0)


def sentence(body: str) -> bytes:
    """`$body*hh` with its checksum and CRLF."""
    data = body.encode("ascii")
    return b"$%b*%02X\r\n" % (data, checksum(data))


_HEX = re.compile(rb"[0-9A-Fa-f]{2}")
_GROUP = rb",A,([+-]?[0-9]++\.[0-9]++),D,(\w++)"
_USUAL = re.compile(rb"\$[A-Z]{2}XDR%b%b\*([0-9A-Fa-f]{2})" % (_GROUP, _GROUP))
"""The sentence that most inclinometers send; known at once, for thousands may come a second."""
_BOTH = {(0, 1), (1, 0)}
_WAIT_S, _LEAST_WAIT_S = 0.25, 0.05
"""How long one axis waits for the other while the period is not known, and at least: half a period of a fast
sensor would be shorter than a link's own grain (USB adapters hand over every 16 ms)."""
_MOST_NAMES = 256


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
        self._axis = lru_cache(_MOST_NAMES)(self._axis_named)
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

    def restart(self) -> None:
        """Forget an axis that waits for the other."""
        self._waiting = None
        self._pace.restart()

    def read(self, line: bytes, time_s: float) -> Sample | None:
        """The sample that this line completes, or None; what it is instead is counted."""
        if usual := _USUAL.fullmatch(line):
            first, its_name, second, name, digits = usual.groups()
            axes, most_deg = (self._axis(its_name), self._axis(name)), self._range_deg
            one_deg, other_deg = float(first), float(second)
            is_good = -most_deg <= one_deg <= most_deg and -most_deg <= other_deg <= most_deg
            if is_good and axes in _BOTH and int(digits, 16) == checksum(line[1:-3]):
                self.sentences += 1
                self.with_angles += 1
                self._last_digits = second
                return self._both(time_s, *((other_deg, one_deg) if axes[0] else (one_deg, other_deg)))
        found = self._angles(line)
        if not found:
            self._tally.other += 1
        elif isinstance(found, Refusal):
            self._tally.refuse(found)
        else:
            self.with_angles += 1
            return self._paired(found, time_s)
        return None

    def _angles(self, line: bytes) -> list[tuple[int, float]] | Refusal:
        """(axis, degrees) of each angle of ours, read from the last `$` on; none: it is no such sentence."""
        start = line.rfind(b"$")
        if start > 0:
            self._tally.refuse(Refusal.TRUNCATED)
        if damaged(line[max(start, 0) :]):
            return Refusal.DAMAGED_BYTE
        if start < 0:
            return []
        body, star, digits = line[start + 1 :].rpartition(b"*")
        if star:
            if not _HEX.fullmatch(digits) or int(digits, 16) != checksum(body):
                return Refusal.BAD_CHECKSUM
            self.sentences += 1
        elif self._checksum_required:
            return Refusal.NO_CHECKSUM
        else:
            body = digits
        name, *fields = body.split(b",")
        if not fields or len(name) != 5 or not name.endswith(b"XDR"):
            return []
        if len(fields) % 4:
            return Refusal.FIELD_COUNT
        groups = zip(*(fields[at::4] for at in range(4)), strict=True)
        return self._of_ours(
            [(value, name) for kind, value, unit, name in groups if (kind, unit) == (b"A", b"D") and value]
        )

    def _of_ours(self, angles: Iterable[tuple[bytes, bytes]]) -> list[tuple[int, float]] | Refusal:
        """(axis, degrees) of those (value, name) that are x or y."""
        ours = []
        for value, name in angles:
            axis = self._axis(name)
            if axis is None:
                continue
            if not NUMBER.fullmatch(value):
                return Refusal.NOT_A_NUMBER
            degrees = float(value)
            if not -self._range_deg <= degrees <= self._range_deg:
                return Refusal.OUT_OF_RANGE
            self._last_digits = value
            ours.append((axis, degrees))
        return ours

    def _axis_named(self, name: bytes) -> int | None:
        """0 for x, 1 for y, None for any other name; case, spaces and a suffix do not matter."""
        plain = name.strip().upper()
        return next((at for at, names in enumerate(self._names) if plain.startswith(names)), None)

    def _paired(self, angles: list[tuple[int, float]], time_s: float) -> Sample | None:
        """The sample of x and y; an axis whose other does not come within half a period is counted."""
        if len(angles) == 2:
            both = dict(angles)
            if len(both) == 2:
                return self._both(time_s, both[0], both[1])
        period_s, sample = self._pace.period_s, None
        patience_s = _WAIT_S if period_s is None else max(period_s / 2, _LEAST_WAIT_S)
        for axis, degrees in angles:
            waiting, self._waiting = self._waiting, None
            if waiting is not None and waiting[0] != axis and time_s - waiting[2] <= patience_s:
                self._pace.tick(time_s)
                both = dict([(axis, degrees), waiting[:2]])
                sample = self._both(time_s, both[0], both[1])
                continue
            if waiting is not None:
                self._tally.refuse(Refusal.UNPAIRED)
            self._waiting = (axis, degrees, time_s)
        return sample

    def _both(self, time_s: float, x_deg: float, y_deg: float) -> Sample:
        """The sample of x and y; one that waited for its other is alone."""
        if self._waiting is not None:
            self._tally.refuse(Refusal.UNPAIRED)
            self._waiting = None
        self._tally.good += 1
        return Sample(time_s, x_deg, y_deg)


_DEGREE_SIGN = re.compile(rb"\xc2?\xb0\Z")
"""In UTF-8, else in Latin-1."""


class TextReader:
    """Lines in, samples out. Its framer must drop the first line: a line cut at the front looks fine."""

    format = "text"

    def __init__(self, description: Text, tally: Tally) -> None:
        self._tally = tally
        self._comment = description.comment.encode()
        self._prefix = description.prefix.encode()
        self._columns = [(column, column.label.encode()) for column in description.values]
        self._count = description.count
        whitespace = description.separator == "whitespace"
        self._separator = None if whitespace else description.separator[:1].encode()
        self._blanks_follow = description.separator == ", "
        self._decimal_comma = description.decimal == ","
        self._allowed = PRINTABLE + (b"\t" if whitespace or description.separator == "\t" else b"")
        self._measure = Measure(description, tally)
        self._prints_degrees = {description.units.get(name) for name in PAIR} <= {"deg", "°"}
        self._last_digits = b""

    @property
    def step_deg(self) -> float | None:
        """Value of the last digit that x was printed with; None where units or a triple hide it."""
        return printed_step(self._last_digits) if self._prints_degrees and self._last_digits else None

    def restart(self) -> None:
        """Compare nothing across a gap."""
        self._measure.restart()

    def read(self, line: bytes, time_s: float) -> Sample | None:
        """The sample in this line, or None; what it is instead is counted."""
        if (self._comment and line.startswith(self._comment)) or not line.startswith(self._prefix):
            self._tally.other += 1
            return None
        values = self._values(line[len(self._prefix) :])
        if isinstance(values, Refusal):
            self._tally.refuse(values)
            return None
        return self._measure.sample(values, time_s)

    def _values(self, data: bytes) -> dict[str, float] | Refusal:
        """Numbers by name; whatever the line should not have refuses it whole."""
        fields = data.split(self._separator)
        if self._blanks_follow:
            fields = [field.lstrip(b" ") for field in fields]
        whole = len(fields) == self._count
        for column, _ in self._columns if whole else ():
            if column.unit == "°":
                fields[column.at] = _DEGREE_SIGN.sub(b"", fields[column.at])
        if damaged(b"".join(fields), self._allowed):
            return Refusal.DAMAGED_BYTE
        if not whole:
            return Refusal.COLUMN_COUNT
        values = {}
        for column, label in self._columns:
            digits = fields[column.at]
            if label:
                if not digits.startswith(label):
                    return Refusal.NOT_A_NUMBER
                digits = digits[len(label) :].lstrip(b" ")
            if not (DECIMAL_COMMA if self._decimal_comma else NUMBER).fullmatch(digits):
                return Refusal.NOT_A_NUMBER
            if self._decimal_comma:
                digits = digits.replace(b",", b".")
            values[column.name] = float(digits) * column.scale
            if column.name == "x":
                self._last_digits = digits
        return values


def encode_text(description: Text, values: Mapping[str, float]) -> bytes:
    """The line that a device of this description sends of its values (`samples.values_of`)."""
    fields = ["0"] * description.count
    for column in description.values:
        places = 6 if column.name in TRIPLE else 3 if column.name in PAIR else 0
        value = values.get(column.name, 0.0) / column.scale if column.scale else 0.0
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


class _Guess(NamedTuple):
    """How a line is built if it is numbers; what its columns mean is for the user to say."""

    built: tuple[str, str, tuple[str, ...]]
    """Separator, decimal sign, and what stands before each number."""
    numbers: tuple[float, ...]
    example: str

    @classmethod
    def of(cls, line: bytes) -> _Guess | None:
        """None for a line that is not numbers, each after a label or not."""
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
            return cls((separator, decimal, labels), numbers, line.decode("ascii"))
        return None

    def description(self, grows: tuple[bool, ...]) -> str:
        """A description to be completed, in TOML, and what it makes of the example.

        A column that only `grows` is a clock or a counter; labels in X or P are x, those in Y or R are y.
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
        quoted = ", ".join(f"'{label}'" for label in labels)
        return (
            f"format = 'text'\nseparator = '{separator.replace(chr(9), 'tab')}'\ndecimal = '{decimal}'\n"
            f"columns = [{columns}]\n{f'labels = [{quoted}]{chr(10)}' if any(labels) else ''}"
            f"# received: {self.example}\n"
            f"# comes to: x {values['x']:+g}, y {values['y']:+g} degrees\n"
        )


_FRAMES_KEPT = 800
"""Bytes that are looked through for frames."""
_LOOK_S, _LOOK_SELDOM_S = 0.4, 8.0
"""Pause after the first look, and the longest one."""


class LineInput(Input):
    """Formats that come in lines; without a description, whatever comes: it finds out.

    Sentences are read from the first one on; text has to be described by the user first.
    """

    def __init__(self, description: Xdr | Text | None, tally: Tally) -> None:
        self._finding = description is None
        description = description or Xdr()
        super().__init__(description, tally)
        self._reader: XdrReader | TextReader
        if isinstance(description, Xdr):
            self._reader = XdrReader(description, tally)
        else:
            self._reader = TextReader(description, tally)
        self._framer = LineFramer(tally, drop_first=self._reader.format == "text")
        self.format = None if self._finding else self._reader.format
        self._guess: _Guess | None = None
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
        reader, last = self._reader, self._guess
        assert isinstance(reader, XdrReader)
        self._guess = guess = None if b"$" in line else _Guess.of(line)
        if guess is None:
            self._agreed = 0
        elif last is not None and last.built == guess.built:
            steps = zip(self._grows, last.numbers, guess.numbers, strict=True)
            self._grows = tuple(so_far and before < now for so_far, before, now in steps)
            self._agreed += 1
        else:
            self._agreed, self._grows = 1, (True,) * len(guess.numbers)
        if reader.with_angles >= _SENTENCES_TO_BELIEVE:
            self.format, self._finding, self.needs_description = "xdr", False, None
        elif guess and self._agreed >= _LINES_TO_BELIEVE and not (reader.sentences or self.needs_description):
            self.format, self.needs_description = "text", guess.description(self._grows)
            self.news.append(
                f"delimited text with {len(guess.numbers)} columns was found, such as {guess.example!r}; "
                "what they mean can't be guessed: name them with units in a description (--format FILE.toml)"
            )

    def _look_for_frames(self, data: bytes, now_s: float) -> None:
        """Bytes that are no text may be frames; looked for ever more seldom."""
        self._received = (self._received + data)[-_FRAMES_KEPT:]
        if len(self._received) < _FRAMES_KEPT // 4 or now_s < self._look_s:
            return
        self._look_s, self._pause_s = now_s + self._pause_s, min(2 * self._pause_s, _LOOK_SELDOM_S)
        if damaged(self._received, PRINTABLE + b"\r\n\t"):
            self.needs_description = propose_frames(self._received)
        if self.needs_description is not None:
            self.format = "binary"
            self.news.append(
                "binary frames were found, their check is right; what their values mean can't be known: "
                "name them with units in a description (--format FILE.toml)"
            )

    def restart(self, *, lost: bool) -> None:
        """See Input."""
        self._framer.restart(lost=lost)
        self._reader.restart()
        self._received, self._look_s, self._pause_s = b"", 0.0, _LOOK_S
        self._guess, self._agreed = None, 0
