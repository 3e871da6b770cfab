"""Delimited text: one sample a line, told by a small table of columns."""

from __future__ import annotations

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
        self.step_deg: float | None = None
        self._plain_degrees = all(c.unit in ("deg", "°") for c in description.columns if c.name in ("x", "y"))

    def read(self, line: bytes, time_s: float) -> Sample | None:
        """The sample in this line, or None; what it is instead is counted."""
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
        digits = b""
        for column in self._columns:
            digits = fields[column.at]
            if not self._number.fullmatch(digits):
                return None
            if self._decimal_comma:
                digits = digits.replace(b",", b".")
            values[column.name] = float(digits)
            if column.name == "x":
                self.step_deg = printed_step(digits) if self._plain_degrees else None
        return values


def _without_degree_sign(field: bytes) -> bytes:
    for sign in _DEGREE_SIGNS:
        if field.endswith(sign):
            return field.removesuffix(sign)
    return field
