"""A page being drawn: millimetres from the top left, ink from black to white, any letter that was typed.

One thin layer over fpdf2 (the only place that talks to it). What is drawn depends on nothing but the data:
the creation date is given, so the same record gives the same bytes.
"""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.resources import as_file, files
from typing import Literal, Self

import fpdf
from fpdf.fonts import TTFFont

from shimfit.errors import UsageError

MM_PER_POINT = 25.4 / 72
MISSING = "▯"
"""Stands for a character that the printed font lacks; CSV and JSON have the character itself."""
Align = Literal["left", "right", "centre"]
_FONTS = files("shimfit.report.pdf") / "fonts"
_NO_DATE = datetime(2000, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Paper:
    """A sheet of paper, upright."""

    name: str
    width_mm: float
    height_mm: float


PAPERS = {"a4": Paper("A4", 210.0, 297.0), "letter": Paper("Letter", 215.9, 279.4)}


def paper_named(name: str) -> Paper:
    """A paper by name; raises UsageError for one that is not known."""
    try:
        return PAPERS[name.lower()]
    except KeyError:
        raise UsageError(f"no paper is called {name}; there are {' and '.join(PAPERS)}") from None


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

    @property
    def middle(self) -> tuple[float, float]:
        """Centre."""
        return self.x + self.width / 2, self.y + self.height / 2


class Sheet:
    """A PDF document in the making; leave its `with` to close the fonts' files."""

    def __init__(self, paper: Paper, *, title: str, subject: str, made: str | None) -> None:
        self.paper = paper
        self.lacking: set[str] = set()
        """Characters that had to be replaced by `MISSING`."""
        self._widths: dict[tuple[str, bool], float] = {}
        pdf = fpdf.FPDF(unit="mm", format=(paper.width_mm, paper.height_mm))
        pdf.set_auto_page_break(auto=False)
        pdf.set_margin(0)
        pdf.c_margin = 0
        pdf.set_title(title)
        pdf.set_subject(subject)
        pdf.set_creator("shimfit")
        pdf.set_producer("shimfit")
        pdf.set_lang("en")
        pdf.set_creation_date(_date(made))
        for style, name in (("", "DejaVuSansCondensed.ttf"), ("B", "DejaVuSansCondensed-Bold.ttf")):
            with as_file(_FONTS / name) as path:
                pdf.add_font("body", style, path)
        self._pdf = pdf
        self._cover = frozenset(pdf.fonts["body"].cmap) & frozenset(pdf.fonts["bodyB"].cmap)  # type: ignore[union-attr]  # only core fonts have none
        self._font: tuple[bool, float] | None = None

    def close(self) -> None:
        """Close the fonts' files, which fpdf2 leaves open."""
        for font in self._pdf.fonts.values():
            if isinstance(font, TTFFont):
                font.ttfont.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # ------------------------------------------------------------ pages

    def new_page(self) -> None:
        """Start a page."""
        self._pdf.add_page()
        self._font = None

    @property
    def pages(self) -> int:
        """How many pages there are so far."""
        return self._pdf.pages_count

    def turn_to(self, page: int) -> None:
        """Go on drawing on a page that is there already (1 = the first)."""
        self._pdf.page = page
        # fpdf2 writes a font into a page only when it changes; this page's last one may be another.
        self._pdf.set_font("body", "", 1)
        self._font = None

    def finished(self) -> bytes:
        """The document."""
        return bytes(self._pdf.output() or b"")

    def attach(self, name: str, data: bytes, kind: str) -> None:
        """Put a file into the document; `kind` is its MIME type."""
        self._pdf.embed_file(bytes=data, basename=name, mime_type=kind, compress=True)

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
                wide = self._pdf.get_string_width(letter) / 100
                self._widths[letter, bold] = wide
            total += wide
        return total * size

    def text(
        self,
        x: float,
        y: float,
        text: str,
        size: float,
        *,
        bold: bool = False,
        align: Align = "left",
        ink: float = 0.0,
        room: float | None = None,
    ) -> None:
        """Write one line with its baseline at y; with `room` it is set smaller until it fits."""
        shown = self.printable(text)
        if not shown:
            return
        if room is not None or align != "left":
            wide = self.width(shown, size, bold=bold)
            if room is not None and wide > room > 0:
                size, wide = size * room / wide, room
            if align == "right":
                x -= wide
            elif align == "centre":
                x -= wide / 2
        self._use(size, bold)
        if ink:
            self._pdf.set_text_color(round(255 * ink))
        self._pdf.text(x, y, shown)
        if ink:
            self._pdf.set_text_color(0)

    def lines_of(self, text: str, size: float, room: float, *, bold: bool = False) -> list[str]:
        """Text broken into lines no wider than `room`, at spaces where that is possible; [] for none."""
        lines: list[str] = []
        line = ""
        # Not at a no-break space: k = 2 stays together.
        for word in filter(None, self.printable(text).split(" ")):
            longer = f"{line} {word}" if line else word
            if self.width(longer, size, bold=bold) <= room:
                line = longer
                continue
            if line:
                lines.append(line)
            *full, line = self._chopped(word, size, room, bold)
            lines += full
        return [*lines, line] if line else lines

    def paragraph(
        self, x: float, y: float, text: str, size: float, room: float, *, bold: bool = False
    ) -> float:
        """Write broken text whose first line's TOP is at y; gives the y below it."""
        step = leading(size)
        for line in self.lines_of(text, size, room, bold=bold):
            self.text(x, y + ascent(size), line, size, bold=bold)
            y += step
        return y

    # ------------------------------------------------------------ drawing

    def line(
        self,
        x0: float,
        y0: float,
        x1: float,
        y1: float,
        *,
        wide: float = 0.2,
        ink: float = 0.0,
        dash: float = 0,
    ) -> None:
        """A straight line; `dash` mm long dashes when given."""
        self._pen(wide, ink, dash)
        self._pdf.line(x0, y0, x1, y1)
        if dash:
            self._pdf.set_dash_pattern()

    def rect(self, box: Box, *, wide: float = 0.2, ink: float = 0.0, fill: float | None = None) -> None:
        """A rectangle; `fill` is its ink from 0 black to 1 white, None = see-through; wide 0 = no outline."""
        self._pen(wide, ink)
        self._pdf.rect(box.x, box.y, box.width, box.height, style=self._filled(fill, wide))

    def circle(
        self,
        x: float,
        y: float,
        radius: float,
        *,
        wide: float = 0.2,
        ink: float = 0.0,
        fill: float | None = None,
    ) -> None:
        """A circle about (x, y)."""
        self._pen(wide, ink)
        self._pdf.circle(x, y, radius, style=self._filled(fill, wide))

    def polygon(
        self,
        points: list[tuple[float, float]],
        *,
        wide: float = 0.2,
        ink: float = 0.0,
        fill: float | None = None,
    ) -> None:
        """A closed outline."""
        self._pen(wide, ink)
        self._pdf.polygon(points, style=self._filled(fill, wide))

    def arrow(
        self, x0: float, y0: float, x1: float, y1: float, *, wide: float = 0.3, head: float = 1.6
    ) -> None:
        """An arrow from the first point to the second; nothing when they are the same."""
        along, up = x1 - x0, y1 - y0
        far = (along**2 + up**2) ** 0.5
        if far < 1e-9:
            return
        ex, ey = along / far, up / far
        bx, by = x1 - ex * head, y1 - ey * head
        self.line(x0, y0, bx, by, wide=wide)
        side = head * 0.42
        self.polygon(
            [(x1, y1), (bx - ey * side, by + ex * side), (bx + ey * side, by - ex * side)], wide=0, fill=0.0
        )

    # ------------------------------------------------------------ parts

    def _chopped(self, word: str, size: float, room: float, bold: bool) -> list[str]:
        parts = [""]
        for letter in word:
            if parts[-1] and self.width(parts[-1] + letter, size, bold=bold) > room:
                parts.append("")
            parts[-1] += letter
        return parts

    def _use(self, size: float, bold: bool) -> None:
        if self._font != (bold, size):
            self._pdf.set_font("body", "B" if bold else "", size)
            self._font = (bold, size)

    def _pen(self, wide: float, ink: float, dash: float = 0) -> None:
        self._pdf.set_line_width(wide)
        self._pdf.set_draw_color(round(255 * ink))
        if dash:
            self._pdf.set_dash_pattern(dash, dash)

    def _filled(self, fill: float | None, wide: float) -> str:
        if fill is None:
            return "D"
        self._pdf.set_fill_color(round(255 * fill))
        return "DF" if wide else "F"


def ascent(size: float) -> float:
    """From the top of a line to its baseline, mm."""
    return size * MM_PER_POINT * 0.88


def leading(size: float) -> float:
    """From line to line, mm."""
    return size * MM_PER_POINT * 1.13


def _date(made: str | None) -> datetime:
    if made is None:
        return _NO_DATE
    try:
        when = datetime.fromisoformat(made)
    except ValueError:
        return _NO_DATE
    return when if when.tzinfo else when.replace(tzinfo=UTC)
