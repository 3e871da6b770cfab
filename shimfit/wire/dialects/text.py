"""Delimited text: one sample a line, told by a small table of columns."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from shimfit.wire.dialects.measure import Measure
from shimfit.wire.dialects.numbers import DECIMAL_COMMA, NUMBER, PRINTABLE, damaged, printed_step
from shimfit.wire.tally import Refusal

if TYPE_CHECKING:
    from shimfit.wire.dialects.description import Text
    from shimfit.wire.sample import Sample
    from shimfit.wire.tally import Tally

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
        signs = dict.fromkeys(description.flip, -1.0)
        self._measure = Measure(
            {column.name: column.unit for column in description.columns},
            tally,
            scales={
                column.name: signs.get(column.name, 1.0)
                * (description.scale if column.unit == "count" else 1.0)
                for column in description.columns
            },
            range_deg=description.range_deg,
        )
        self.elevation = description.elevation
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
        fields = [b"(%b)" % NUMBER.pattern if at in used else other for at in range(self._count)]
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
