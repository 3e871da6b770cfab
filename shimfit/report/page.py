"""Paper: a page being drawn, and the one way that all papers are laid out on it.

`Sheet` is a thin layer over fpdf2 (the only place that talks to it): millimetres from the top left, ink from
0 black to 1 white, any letter that was typed. `Paper` flows on it: heading and foot of every page, sentences,
facts, tables that go on over pages with their head. What is drawn depends on nothing but the data and the
photos: the creation date is given, so the same record gives the same bytes. No text is smaller than `FINE`.
"""

from __future__ import annotations

import math
import operator
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.resources import as_file, files
from io import BytesIO
from itertools import groupby
from operator import itemgetter
from pathlib import Path
from typing import Literal, Self, TypeAlias

import fpdf
from fpdf.fonts import TTFFont
from PIL import Image, ImageOps, UnidentifiedImageError

from shimfit.errors import UsageError
from shimfit.report.tables import Cell, Column, Drawn, Section
from shimfit.report.words import qr_rows

MM_PER_POINT = 25.4 / 72
TITLE, HEAD, BODY, FINE = 15.0, 9.5, 8.0, 7.2
"""Type sizes, points: nothing on paper is smaller than the last."""
GREY = 0.35
MISSING = "▯"
"""Stands for a character that the printed font lacks; CSV and JSON have the character itself."""
PHOTO_MM, _PHOTO_PIXELS = 20.0, (720, 720)
_AIR_MM, _SPREAD_MM, _WORD_MM = 2.6, 9.0, 42.0
"""Of a table's column: room beside its text; what it may get of room to spare; a longer word is broken."""
Align = Literal["left", "right", "centre"]
Fill: TypeAlias = float | None
"""Ink inside an outline; None: see-through. A `wide` of 0 leaves the outline out."""


def ascent(size: float) -> float:
    """From the top of a line to its baseline, mm."""
    return size * MM_PER_POINT * 0.88


def leading(size: float) -> float:
    """From line to line, mm."""
    return size * MM_PER_POINT * 1.13


PAPERS = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
"""Width and height upright, mm."""


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle on the page, mm."""

    x: float
    y: float
    width: float
    height: float

    @property
    def right(self) -> float:
        """Right edge."""
        return self.x + self.width

    @property
    def bottom(self) -> float:
        """Lower edge."""
        return self.y + self.height


class Sheet:
    """A PDF document in the making; leave its `with` to close the fonts' files, which fpdf2 leaves open."""

    def __init__(self, paper: str, *, title: str, subject: str, made: str | None) -> None:
        """Made: ISO 8601 time; None, or what is none, gives 2000-01-01. UsageError for an unknown paper."""
        if paper.lower() not in PAPERS:
            raise UsageError(f"no paper is called {paper}; there are {' and '.join(PAPERS)}")
        self.wide_mm, self.high_mm = PAPERS[paper.lower()]
        self.lacking: set[str] = set()
        """Characters that had to be replaced by `MISSING`."""
        self._widths: dict[tuple[str, bool], float] = {}
        self._font: tuple[bool, float] | None = None
        self._pdf = pdf = fpdf.FPDF(unit="mm", format=(self.wide_mm, self.high_mm))
        pdf.set_auto_page_break(auto=False)
        pdf.set_margin(0)
        pdf.c_margin = 0
        pdf.set_title(title)
        pdf.set_subject(subject)
        pdf.set_creator("shimfit")
        pdf.set_producer("shimfit")
        pdf.set_lang("en")
        try:
            when = datetime.fromisoformat(made or "")
        except ValueError:
            when = datetime(2000, 1, 1, tzinfo=UTC)
        pdf.set_creation_date(when if when.tzinfo else when.replace(tzinfo=UTC))
        for style, name in (("", "DejaVuSansCondensed.ttf"), ("B", "DejaVuSansCondensed-Bold.ttf")):
            with as_file(files("shimfit.report") / "fonts" / name) as path:
                pdf.add_font("body", style, path)
        self._cover = frozenset(pdf.fonts["body"].cmap) & frozenset(pdf.fonts["bodyB"].cmap)  # type: ignore[union-attr]  # only core fonts have none

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        for font in self._pdf.fonts.values():
            if isinstance(font, TTFFont):
                font.ttfont.close()

    # ------------------------------------------------------------ pages

    @property
    def pages(self) -> int:
        """How many pages there are so far."""
        return self._pdf.pages_count

    def new_page(self) -> None:
        """Start a page."""
        self._pdf.add_page()
        self._font = None

    def turn_to(self, page: int) -> None:
        """Go on drawing on a page that is there already (1 = the first)."""
        self._pdf.page = page
        # fpdf2 writes fonts and colours into a page only when they change; this page's last may be others.
        self._pdf.set_font("body", "", 1)
        self._pdf.set_fill_color(255)
        self._font = None

    def attach(self, name: str, data: bytes, kind: str) -> None:
        """Put a file into the document; `kind` is its MIME type."""
        self._pdf.embed_file(bytes=data, basename=name, mime_type=kind, compress=True)

    def finished(self) -> bytes:
        """The document."""
        return bytes(self._pdf.output() or b"")

    # ------------------------------------------------------------ text

    def printable(self, text: str) -> str:
        """The text as it can be printed: line breaks become spaces, letters that the font lacks `MISSING`."""
        if text.isascii() and text.isprintable():
            return text
        kept = []
        for letter in unicodedata.normalize("NFC", text):
            if letter in "\n\r\t\v\f":
                kept.append(" ")
            elif unicodedata.category(letter) in ("Cc", "Cf"):
                continue
            elif ord(letter) in self._cover:
                kept.append(letter)
            else:
                self.lacking.add(letter)
                kept.append(MISSING)
        return "".join(kept)

    def width(self, text: str, size: float, *, bold: bool = False) -> float:
        """Width of printable text, mm."""
        total = 0.0
        for letter in text:
            wide = self._widths.get((letter, bold))
            if wide is None:
                self._use(100.0, bold)
                wide = self._widths[letter, bold] = self._pdf.get_string_width(letter) / 100
            total += wide
        return total * size

    def measured(self, text: str, size: float, *, bold: bool = False) -> tuple[float, float]:
        """Widths of a text and of its longest word, mm."""
        whole = self.printable(text)
        word = max(self.width(one, size, bold=bold) for one in whole.split(" "))
        return self.width(whole, size, bold=bold), word

    def text(
        self, x: float, y: float, text: str, size: float, *,
        bold: bool = False, align: Align = "left", ink: float = 0.0, room: float | None = None,
    ) -> None:  # fmt: skip
        """Write one line with its baseline at y; with `room` it is set smaller, down to FINE, to fit."""
        shown = self.printable(text)
        if not shown:
            return
        if room is not None or align != "left":
            wide = self.width(shown, size, bold=bold)
            if room is not None and wide > room > 0:
                size = max(FINE, size * room / wide)
                wide = self.width(shown, size, bold=bold)
            x -= {"left": 0.0, "centre": wide / 2, "right": wide}[align]
        self._use(size, bold)
        if ink:
            self._pdf.set_text_color(round(255 * ink))
        self._pdf.text(x, y, shown)
        if ink:
            self._pdf.set_text_color(0)

    def lines_of(self, text: str, size: float, room: float, *, bold: bool = False) -> list[str]:
        """Text broken into lines no wider than `room`, at spaces where that is possible; [] for none.

        A word that is wider is broken behind a hyphen or a no-break space (k = 2 stays together), else
        anywhere.
        """
        lines: list[str] = []
        line = ""
        for word in filter(None, self.printable(text).split(" ")):
            longer = f"{line} {word}" if line else word
            if self.width(longer, size, bold=bold) <= room:
                line = longer
                continue
            if line:
                lines.append(line)
            line = ""
            for letter in word:
                if line and self.width(line + letter, size, bold=bold) > room:
                    at = max(line.rfind("-"), line.rfind("\u00a0")) + 1 or len(line)
                    lines.append(line[:at].rstrip("\u00a0"))
                    line = line[at:]
                line += letter
        return [*lines, line] if line else lines

    def write(self, x: float, y: float, text: str, size: float, room: float, *, bold: bool = False) -> float:
        """Write a text broken to `room` with its top at y; where it ends."""
        for line in self.lines_of(text, size, room, bold=bold):
            self.text(x, y + ascent(size), line, size, bold=bold)
            y += leading(size)
        return y

    # ------------------------------------------------------------ drawing

    def line(
        self, x0: float, y0: float, x1: float, y1: float, *,
        wide: float = 0.2, ink: float = 0.0, dash: float = 0,
    ) -> None:  # fmt: skip
        """A straight line; `dash` mm long dashes when given."""
        self._pen(wide, ink)
        if dash:
            self._pdf.set_dash_pattern(dash, dash)
        self._pdf.line(x0, y0, x1, y1)
        if dash:
            self._pdf.set_dash_pattern()

    def rect(self, box: Box, **pen: Fill) -> None:
        """A rectangle; pen: `wide` in mm (0.2), `ink` (0, black), `fill` (None, see-through)."""
        self._pdf.rect(box.x, box.y, box.width, box.height, style=self._pen(**pen))

    def circle(self, x: float, y: float, radius: float, **pen: Fill) -> None:
        """A circle about (x, y)."""
        self._pdf.circle(x, y, radius, style=self._pen(**pen))

    def polygon(self, points: list[tuple[float, float]], **pen: Fill) -> None:
        """A closed outline."""
        self._pdf.polygon(points, style=self._pen(**pen))

    def arrow(
        self, x0: float, y0: float, x1: float, y1: float, *, wide: float = 0.3, head: float = 1.6
    ) -> None:
        """An arrow from the first point to the second; nothing when they are the same."""
        far = math.hypot(x1 - x0, y1 - y0)
        if far < 1e-9:
            return
        ex, ey = (x1 - x0) / far, (y1 - y0) / far
        bx, by, side = x1 - ex * head, y1 - ey * head, head * 0.42
        self.line(x0, y0, bx, by, wide=wide)
        ends = [(x1, y1), (bx - ey * side, by + ex * side), (bx + ey * side, by - ex * side)]
        self.polygon(ends, wide=0, fill=0.0)

    def picture(self, jpeg: bytes, box: Box) -> None:
        """A photo that fills the box; its sides are to be in the box's ratio."""
        self._pdf.image(BytesIO(jpeg), box.x, box.y, box.width, box.height)

    def qr(self, text: str, box: Box) -> None:
        """The text as a QR code with its quiet zone, as wide as the box."""
        rows = qr_rows(text)
        side = box.width / len(rows)
        for number, row in enumerate(rows):
            for dark, run in groupby(enumerate(row), key=itemgetter(1)):
                if dark:
                    start, length = next(run)[0], 1 + sum(1 for _ in run)
                    # A hair higher than its modules, or a printer leaves white seams between rows.
                    part = Box(box.x + start * side, box.y + number * side, length * side, side * 1.02)
                    self.rect(part, wide=0, fill=0.0)

    def _use(self, size: float, bold: bool) -> None:
        if self._font != (bold, size):
            self._pdf.set_font("body", "B" if bold else "", size)
            self._font = (bold, size)

    def _pen(self, wide: Fill = 0.2, ink: Fill = 0.0, fill: Fill = None) -> str:
        """Take up the pen; fpdf2's style for an outline."""
        self._pdf.set_line_width(wide or 0.0)
        self._pdf.set_draw_color(round(255 * (ink or 0.0)))
        if fill is None:
            return "D"
        self._pdf.set_fill_color(round(255 * fill))
        return "DF" if wide else "F"


# ---------------------------------------------------------------- what flows on pages


@dataclass(frozen=True, slots=True)
class Photo:
    """A photo made small for paper."""

    jpeg: bytes
    ratio: float
    """Width ÷ height."""


def photo_at(path: Path) -> Photo | None:
    """A photo file turned upright and made small; None where there is none that can be read."""
    try:
        with Image.open(path) as image:
            image.draft("RGB", _PHOTO_PIXELS)
            upright = ImageOps.exif_transpose(image).convert("RGB")
            upright.thumbnail(_PHOTO_PIXELS)
            made = BytesIO()
            upright.save(made, "JPEG", quality=82)
    except (OSError, ValueError, SyntaxError, UnidentifiedImageError, Image.DecompressionBombError):
        return None
    return Photo(made.getvalue(), upright.width / upright.height)


@dataclass(frozen=True, slots=True)
class Row:
    """A row of a table, and what stands below its cells: sentences and photos, all of it with the row."""

    cells: Sequence[Cell]
    notes: Sequence[str] = ()
    photos: Sequence[Photo] = ()


def _parts(cell: Cell) -> Sequence[str | Drawn]:
    return [cell] if isinstance(cell, str) else cell


class Paper:
    """A document that flows from top to bottom and turns the page when the next thing has no room."""

    def __init__(
        self, sheet: Sheet, title: str, name: str, *, notice: str = "", foot: str = "", end: str = ""
    ) -> None:
        """Begin the first page.

        Name: what the paper is of. notice: stands under each heading; foot: at each page's foot; end: said
        behind the last page's number.
        """
        self.sheet, self.title, self.name = sheet, title, name
        self.notice, self.foot, self.end = notice, foot, end
        self.left, self.y = 13.0, 0.0
        self.wide = sheet.wide_mm - 2 * self.left
        self.right = self.left + self.wide
        self.floor = sheet.high_mm - 14.5
        self._head: Sequence[tuple[Column, float]] = ()
        """Columns of the table that is being drawn, each with its width: its head stands on every page."""
        self.turn()

    # ------------------------------------------------------------ pages

    def turn(self, title: str = "") -> None:
        """Begin a page with its heading, in a table with its head; title: of what begins on this page."""
        sheet = self.sheet
        first = sheet.pages == 0 or bool(title)
        self.title = title or self.title
        sheet.new_page()
        size, right = (TITLE, HEAD + 1.5) if first else (HEAD, HEAD)
        heading = self.title + ("" if first else ", continued")
        baseline = 9.5 + ascent(size)
        sheet.text(self.left, baseline, heading, size, bold=True)
        room = self.wide - sheet.width(heading, size, bold=True) - 8
        lines = sheet.lines_of(self.name, right, room, bold=True)
        for number, line in enumerate(lines):
            sheet.text(self.right, baseline + number * leading(right), line, right, bold=True, align="right")
        self.y = 9.5 + leading(size) + max(0, len(lines) - 1) * leading(right) + 0.6
        self.rule(0.5)
        self.y += 1.8
        if self.notice:
            self.say(self.notice, bold=True)
            self.y += 1.2
        if self._head:
            self._draw_head()

    def rule(self, wide: float, ink: float = 0.0) -> None:
        """A line from margin to margin."""
        self.sheet.line(self.left, self.y, self.right, self.y, wide=wide, ink=ink)

    def keep(self, height: float) -> None:
        """Turn the page when `height` mm have no room on this one."""
        if self.y + height > self.floor:
            self.turn()

    def end_pages(self) -> None:
        """Write every page's foot, when all are there."""
        sheet, total = self.sheet, self.sheet.pages
        self.y = sheet.high_mm - 12.2
        foot = self.foot + ("; ▯ = a letter that this print lacks" if sheet.lacking else "")
        for page in range(1, total + 1):
            sheet.turn_to(page)
            self.rule(0.15, GREY)
            number = f"page {page} of {total}" + (self.end if page == total else "")
            lines = sheet.lines_of(foot, FINE, self.wide - sheet.width(number, FINE) - 6)
            y = self.y + 3.4
            sheet.text(self.left, y, lines[0] + (" …" if len(lines) > 1 else "") if lines else "", FINE)
            sheet.text(self.right, y, number, FINE, align="right")

    # ------------------------------------------------------------ sentences

    def say(self, text: str, size: float = BODY, *, bold: bool = False, indent: float = 0.0) -> None:
        """A sentence that may go on over pages."""
        for line in self.sheet.lines_of(text, size, self.wide - indent, bold=bold):
            self.keep(leading(size))
            self.sheet.text(self.left + indent, self.y + ascent(size), line, size, bold=bold)
            self.y += leading(size)

    def head(self, text: str, room_below: float = 12.0) -> None:
        """A heading, never alone at the end of a page."""
        self.keep(room_below + 6.0)
        self.y += 2.2
        self.say(text, HEAD, bold=True)
        self.y += 0.6

    def listed(self, texts: Iterable[str], *, sign: str = "• ") -> None:
        """Sentences one below the other, small."""
        for text in texts:
            self.say(sign + text, FINE)

    def facts(self, facts: Sequence[tuple[str, str]], columns: int = 2) -> None:
        """Names and what they are, in columns of about one height, read downwards; kept on one page."""
        label, gap, step = 30.0, 6.0, leading(BODY)
        wide = (self.wide - gap * (columns - 1)) / columns
        blocks = [
            (name, self.sheet.lines_of(text, BODY, wide - label) or ["not given"]) for name, text in facts
        ]
        heights = [len(lines) * step + 0.7 for _, lines in blocks]
        column, below, lowest, places = 0, 0.0, 0.0, []
        for height in heights:
            if below + height / 2 > sum(heights) / columns and column < columns - 1:
                column, below = column + 1, 0.0
            places.append((self.left + column * (wide + gap), below))
            below += height
            lowest = max(lowest, below)
        self.keep(lowest)
        for (name, lines), (x, below) in zip(blocks, places, strict=True):
            y = self.y + below + ascent(BODY)
            self.sheet.text(x, y, name, BODY, ink=GREY, room=label - 1)
            for number, line in enumerate(lines):
                self.sheet.text(x + label, y + number * step, line, BODY)
        self.y += lowest + 0.6

    # ------------------------------------------------------------ tables

    def section(self, one: Section) -> None:
        """A table under its title; nothing for one without rows."""
        if one.rows:
            self.head(one.title)
            if one.lead:
                self.say(one.lead)
                self.y += 0.8
            self.table(one.columns, one.rows)

    def table(self, columns: Sequence[Column], rows: Iterable[Row | Sequence[Cell]]) -> None:
        """Rows under their head; a row is kept whole, what stands below it may go on over pages."""
        whole = [row if isinstance(row, Row) else Row(row) for row in rows]
        self.keep(leading(BODY) * 5)
        self._head = tuple(zip(columns, self._widths(columns, whole), strict=True))
        self._draw_head()
        for row in whole:
            self._draw_row(row)
        self._head = ()
        self.y += 1.0

    def _widths(self, columns: Sequence[Column], rows: Sequence[Row]) -> list[float]:
        """As wide as the longest line, with air; too much for the page, the widest are broken, no word is."""
        wides, least = [], []
        for i, column in enumerate(columns):
            lines = [(column.head, FINE, True), (column.under, FINE, False)]
            for parts in (_parts(row.cells[i]) for row in rows):
                lines += [
                    (part, BODY, column.bold and n == 0)
                    for n, part in enumerate(parts)
                    if isinstance(part, str)
                ]
            sizes = [self.sheet.measured(line, size, bold=bold) for line, size, bold in lines]
            wides.append(max(whole for whole, _ in sizes) + _AIR_MM)
            least.append(min(max(word for _, word in sizes) + _AIR_MM, _WORD_MM))
        while sum(wides) > self.wide and any(map(operator.gt, wides, least)):
            widest = max((i for i, one in enumerate(wides) if one > least[i]), key=wides.__getitem__)
            wides[widest] = max(least[widest], wides[widest] - 1.0)
        if (spare := self.wide - sum(wides)) < 0:
            return [one * self.wide / sum(wides) for one in wides]
        headed = [bool(column.head) for column in columns]
        each = min(spare / sum(headed), _SPREAD_MM)
        wides = [one + each * is_headed for one, is_headed in zip(wides, headed, strict=True)]
        return [*wides[:-1], self.wide - sum(wides[:-1])]

    def _draw_head(self) -> None:
        sheet, x, y = self.sheet, self.left, self.y + ascent(FINE) + 0.3
        tall = leading(FINE) * (1 + any(column.under for column, _ in self._head)) + 0.8
        sheet.rect(Box(self.left, self.y, self.wide, tall), wide=0, fill=0.91)
        for column, wide in self._head:
            sheet.text(x + 0.8, y, column.head, FINE, bold=True, room=wide - 1)
            sheet.text(x + 0.8, y + leading(FINE), column.under, FINE, room=wide - 1)
            x += wide
        self.y += tall
        self.rule(0.3)
        self.y += 0.7

    def _draw_row(self, row: Row) -> None:
        sheet, step = self.sheet, leading(BODY)
        broken: list[list[str | Drawn]] = []
        for (column, wide), cell in zip(self._head, row.cells, strict=True):
            parts: list[str | Drawn] = []
            for part in _parts(cell):
                room, bold = wide - 1.8, column.bold and not parts
                parts += sheet.lines_of(part, BODY, room, bold=bold) if isinstance(part, str) else [part]
            broken.append(parts)
        tall = max(sum(step if isinstance(part, str) else part.height for part in parts) for parts in broken)
        indent = self._head[0][1] + 0.8
        notes = [line for note in row.notes for line in sheet.lines_of(note, FINE, self.wide - indent)]
        below = len(notes) * leading(FINE) + (PHOTO_MM + 1) * math.ceil(len(row.photos) / 3)
        self.keep(max(tall, step) + min(below, 100.0) + 1.2)
        x = self.left
        for (column, wide), parts in zip(self._head, broken, strict=True):
            y = self.y
            for number, part in enumerate(parts):
                if isinstance(part, str):
                    sheet.text(x + 0.8, y + ascent(BODY), part, BODY, bold=column.bold and number == 0)
                    y += step
                else:
                    part.draw(sheet, Box(x + 0.8, y, wide - 1.8, part.height))
                    y += part.height
            x += wide
        self.y += max(tall, step)
        for line in notes:
            self.say(line, FINE, indent=indent)
        x = self.right + 1.0
        for photo in row.photos:
            wide = min(PHOTO_MM * photo.ratio, 3 * PHOTO_MM)
            if x + wide > self.right:
                self.keep(PHOTO_MM + 1)
                x = self.left + indent
                self.y += PHOTO_MM + 1
            sheet.picture(photo.jpeg, Box(x, self.y - PHOTO_MM - 0.4, wide, wide / photo.ratio))
            x += wide + 2.0
        self.y += 0.6
        self.rule(0.1, 0.45)
        self.y += 0.6
