"""The record's table: one row a post, each cell broken into lines so that nothing typed is cut off."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from shimfit.quantities import shown
from shimfit.report import words
from shimfit.report.pdf.page import Box, ascent, leading

if TYPE_CHECKING:
    from shimfit.model import Reading
    from shimfit.report.pdf.page import Sheet
    from shimfit.report.record import RunRecord
    from shimfit.standing import PostRecord

BODY, FINE = 6.5, 6.0
HEAD_MM = 8.2
"""Height of the head."""
_COLUMNS: tuple[tuple[str, str, float], ...] = (
    ("Post", "", 10.5),
    ("Before", "top leaned", 22.0),
    ("As built", "top leans, ± U", 30.0),
    ("Off plumb", "of allowed", 21.0),
    ("Decision", "probability", 24.0),
    ("Packs in place", "(f: fills only)", 41.5),
    ("Read", "by, with", 28.0),
    ("Rounds", "torque", 13.0),
)
_MARKS = {"plumb": "✓", "out": "✗", "too-close": "≈", "none": "–"}
_BOLD = (0, 4)
"""Columns whose first line is bold: post and decision."""


@dataclass(frozen=True, slots=True)
class Row:
    """A post's cells, broken into lines, and the height that they take."""

    post: PostRecord
    cells: tuple[tuple[str, ...], ...]
    height: float


class PostTable:
    """Breaks and draws the rows of one record, between `left` and `left + wide` (mm)."""

    def __init__(self, sheet: Sheet, record: RunRecord, left: float, wide: float) -> None:
        self._sheet = sheet
        self._record = record
        self._left = left
        self._wide = wide
        self.offset = words.shared_offset(tuple(post.after.time for post in record.posts if post.after))
        """The offset from UTC that every time in the table has in common; None = each says its own."""
        # A post's name is never broken: its column gives way, up to twice what a short name takes.
        names = (sheet.printable(post.name) for post in record.posts)
        longest = max((sheet.width(name, BODY, bold=True) for name in names), default=0.0)
        more = min(max(0.0, longest + 1.8 - _COLUMNS[0][2]), _COLUMNS[0][2])
        spare = wide - sum(width for *_, width in _COLUMNS) - more
        extra = {"Post": more, "Packs in place": spare}
        self._columns = tuple((head, under, width + extra.get(head, 0.0)) for head, under, width in _COLUMNS)

    def rows(self) -> list[Row]:
        """Every post's row, ready to be drawn."""
        return [self._row(post) for post in self._record.posts]

    def draw_head(self, y: float) -> float:
        """Draw the head with its top at y; gives the y below it."""
        sheet, x = self._sheet, self._left
        sheet.rect(Box(self._left, y, self._wide, HEAD_MM - 0.6), wide=0, fill=0.9)
        for head, under, width in self._columns:
            sheet.text(x + 0.8, y + 3.1, head, BODY, bold=True)
            sheet.text(x + 0.8, y + 6.2, under, FINE)
            x += width
        y += HEAD_MM - 0.6
        sheet.line(self._left, y, self._left + self._wide, y, wide=0.35)
        return y + 0.6

    def draw_row(self, row: Row, y: float) -> float:
        """Draw a row with its top at y; gives the y below it."""
        sheet, x = self._sheet, self._left
        for column, ((_, _, width), lines) in enumerate(zip(self._columns, row.cells, strict=True)):
            baseline = y + ascent(BODY)
            for number, line in enumerate(lines):
                sheet.text(x + 0.8, baseline, line, BODY, bold=column in _BOLD and number == 0)
                baseline += leading(BODY)
            x += width
        below = y + row.height
        sheet.line(self._left, below - 0.35, self._left + self._wide, below - 0.35, wide=0.1, ink=0.4)
        return below

    def _row(self, post: PostRecord) -> Row:
        """Break a post's cells into lines."""
        faces, units = self._record.faces, self._record.units
        cells = (
            [post.name, *([post.kind] if post.kind == "corner" else [])],
            self._reading(post.before, doubt=False),
            self._reading(post.after, doubt=True),
            self._off(post),
            self._decision(post),
            [" · ".join(words.pack(pack, faces, units) for pack in post.packs_in_place)],
            self._read(post),
            [
                str(post.rounds) if post.rounds else "–",
                *([shown.torque(post.torque_nm, units)] if post.torque_nm else []),
            ],
        )
        broken = []
        for (_, _, width), lines in zip(self._columns, cells, strict=True):
            room = width - 1.4
            broken.append(tuple(part for line in lines for part in self._sheet.lines_of(line, BODY, room)))
        tallest = max(2, *(len(lines) for lines in broken))
        return Row(post, tuple(broken), tallest * leading(BODY) + 0.5)

    def _reading(self, reading: Reading | None, *, doubt: bool) -> list[str]:
        if reading is None:
            return ["–"]
        record, lines = self._record, []
        for slope, u, along in (
            (reading.slope_along, reading.u_along, True),
            (reading.slope_across, reading.u_across, False),
        ):
            if slope is None:
                lines.append("not read")
                continue
            text = words.towards(slope * reading.height_mm, along, record.faces, record.units)
            if doubt:
                expanded = words.expanded_mm(u, reading.height_mm)
                text += (
                    f" ±{words.length(expanded, record.units)}" if expanded is not None else " ± not known"
                )
            lines.append(text)
        return lines

    def _off(self, post: PostRecord) -> list[str]:
        units = self._record.units
        allowed = f"of {words.length(post.tolerance.allowed_top_mm(post.height_mm), units)}"
        if post.tolerance != self._record.tolerance:
            allowed += f" ({post.tolerance.text})"
        off = words.worst_of(post.after, post.tolerance) if post.after else None
        if off is None:
            return ["–", allowed]
        text = words.length(off, units)
        if post.verdict and post.verdict.u is not None and post.after:
            text += f" ±{words.length(2 * post.verdict.u * post.after.height_mm, units)}"
        return [text, allowed]

    def _decision(self, post: PostRecord) -> list[str]:
        if post.decision == "none":
            return [f"{_MARKS['none']} not verified", f"({post.state})"]
        return [
            f"{_MARKS[post.decision]} {words.DECISION_WORDS[post.decision]}",
            shown.percent(post.probability),
        ]

    def _read(self, post: PostRecord) -> list[str]:
        reading = post.after or post.before
        if reading is None:
            return ["–"]
        when = words.clock(reading.time, offset=self.offset is None)
        if post.after is None:
            when += " (before)"
        with_what = reading.instrument or ("inclinometer" if reading.method == "sensor" else "")
        return [when, ", ".join(part for part in (reading.by, with_what) if part)]
