"""A grid of single-cell characters, each with the roles that style it; and large numerals.

Columns count from 0 at the left, rows from 0 at the top. Whatever falls outside is left out, so a
picture needs no special case for a small window.

Numerals to be read at arm's length stand here too: three rows high, fractions with a full-size slash or
stacked, drawn on a 3 x 5 grid of dots (arrows 5 x 5). With half blocks a row of text carries two rows of dots
and dots come out nearly square; without them, seven strokes as on a meter, which need no glyph beyond ASCII.
"""

from __future__ import annotations

from itertools import groupby
from operator import itemgetter
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

ASPECT = 2.0
"""Height of a terminal cell ÷ its width (common practice for monospaced fonts, no source)."""

Run = tuple[str, str]
"""Text and the space-separated roles that style it."""


class Canvas:
    """A picture in the making."""

    def __init__(self, width: int, height: int) -> None:
        self.width = max(0, width)
        self.height = max(0, height)
        self._characters = [[" "] * self.width for _ in range(self.height)]
        self._roles = [[""] * self.width for _ in range(self.height)]

    def put(self, x: int, y: int, text: str, role: str = "") -> None:
        """Write text from column x of row y on, clipped to the canvas."""
        if not 0 <= y < self.height:
            return
        for column, character in enumerate(text, start=x):
            if 0 <= column < self.width:
                self._characters[y][column] = character
                self._roles[y][column] = role

    def put_right(self, x: int, y: int, text: str, role: str = "") -> None:
        """Write text so that it ends just before column x."""
        self.put(x - len(text), y, text, role)

    def put_middle(self, x: int, y: int, text: str, role: str = "") -> None:
        """Write text with its middle at column x, kept inside the canvas where it fits."""
        start = min(max(0, x - len(text) // 2), max(0, self.width - len(text)))
        self.put(start, y, text, role)

    def box(self, x: int, y: int, width: int, height: int, lines: tuple[str, str, str]) -> None:
        """Draw a frame: horizontal line, vertical line, four corners as in Glyphs.corners."""
        horizontal, vertical, corners = lines
        top_left, top_right, bottom_left, bottom_right = tuple(corners)
        self.put(x, y, top_left + horizontal * (width - 2) + top_right, "frame")
        for row in range(y + 1, y + height - 1):
            self.put(x, row, vertical, "frame")
            self.put(x + width - 1, row, vertical, "frame")
        self.put(x, y + height - 1, bottom_left + horizontal * (width - 2) + bottom_right, "frame")

    def line(self, start: tuple[int, int], end: tuple[int, int], sign: str, role: str = "") -> None:
        """Dot a straight line from one cell to another, both ends included."""
        steps = max(abs(end[0] - start[0]), abs(end[1] - start[1]), 1)
        for step in range(steps + 1):
            x = start[0] + (end[0] - start[0]) * step / steps
            y = start[1] + (end[1] - start[1]) * step / steps
            self.put(round(x), round(y), sign, role)

    def paste(self, x: int, y: int, other: Canvas) -> None:
        """Copy another canvas onto this one; its blank cells without a role leave what is there."""
        for row in range(other.height):
            for column in range(other.width):
                character, role = other._characters[row][column], other._roles[row][column]
                if character != " " or role:
                    self.put(x + column, y + row, character, role)

    def same_row(self, y: int, other: Canvas) -> bool:
        """True when row y looks the same on both, character by character and role by role."""
        return self._characters[y] == other._characters[y] and self._roles[y] == other._roles[y]

    def runs(self, y: int) -> list[Run]:
        """Row y as stretches of like role, left to right."""
        cells = zip(self._characters[y], self._roles[y], strict=True)
        return [
            ("".join(character for character, _ in group), role)
            for role, group in groupby(cells, key=itemgetter(1))
        ]

    def text(self) -> str:
        """The characters alone, trailing blanks cut off."""
        return "\n".join("".join(row).rstrip() for row in self._characters)


HEIGHT = 3
"""Rows of a numeral."""
STACKED_HEIGHT = 7
"""Rows of a stacked fraction: numerator, bar, denominator."""

_DOTS = {
    "0": "### #.# #.# #.# ###",
    "1": ".#. ##. .#. .#. ###",
    "2": "### ..# ### #.. ###",
    "3": "### ..# ### ..# ###",
    "4": "#.# #.# ### ..# ..#",
    "5": "### #.. ### ..# ###",
    "6": "### #.. ### #.# ###",
    "7": "### ..# ..# ..# ..#",
    "8": "### #.# ### #.# ###",
    "9": "### #.# ### ..# ###",
    "/": "..# ..# .#. #.. #..",
    ".": ". . . . #",
    "-": "... ... ### ... ...",
    "+": "... .#. ### .#. ...",
    " ": "... ... ... ... ...",
    "A": "### #.# ### #.# #.#",
    "B": "##. #.# ##. #.# ##.",
    "F": "### #.. ##. #.. #..",
    "L": "#.. #.. #.. #.. ###",
    "M": "#...# ##.## #.#.# #...# #...#",
    "O": "### #.# #.# #.# ###",
    "P": "### #.# ### #.. #..",
    "R": "### #.# ##. #.# #.#",
    "T": "### .#. .#. .#. .#.",
    "U": "#.# #.# #.# #.# ###",
    "→": "..#.. ...#. ##### ...#. ..#..",
    "←": "..#.. .#... ##### .#... ..#..",
    "↑": "..#.. .###. #.#.# ..#.. ..#..",
    "↓": "..#.. ..#.. #.#.# .###. ..#..",
    "↗": ".#### ...## ..#.# .#..# #....",
    "↖": "####. ##... #.#.. #..#. ....#",
    "↘": "#.... .#..# ..#.# ...## .####",
    "↙": "....# #..#. #.#.. ##... ####.",
}

_STROKES = {
    "0": " _ ,| |,|_|",
    "1": "   ,  |,  |",
    "2": " _ , _|,|_ ",
    "3": " _ , _|, _|",
    "4": "   ,|_|,  |",
    "5": " _ ,|_ , _|",
    "6": " _ ,|_ ,|_|",
    "7": " _ ,  |,  |",
    "8": " _ ,|_|,|_|",
    "9": " _ ,|_|, _|",
    "/": "  /, / ,/  ",
    ".": " , ,.",
    "-": "   , _ ,   ",
    "+": "   ,_|_, | ",
    " ": "  ,  ,  ",
}


_HALVES = {"##": "█", "#.": "▀", ".#": "▄", "..": " "}


def written(rows: Iterable[Run], width: int, height: int) -> Canvas:
    """Rows of text below one another, as many as there is room for."""
    canvas = Canvas(width, height)
    for y, (text, role) in enumerate(rows):
        canvas.put(0, y, text, role)
    return canvas


def numerals(text: str, *, blocks: bool, role: str = "big") -> Canvas:
    """Three rows of numerals, one blank column between two of them.

    Known characters: digits, `/ . - +`, blank, eight arrows and the letters of PLUMB, OUT, PREV's P and R,
    AFTER's A, F, T. Any other, and arrows and letters without half blocks, stand as text on the last row.
    """
    parts = []
    for character in text:
        if blocks and character in _DOTS:
            dots = _DOTS[character].split()
            below = [*dots[1::2], "." * len(dots[0])]
            parts.append(
                [
                    "".join(_HALVES[upper + lower] for upper, lower in zip(*two, strict=True))
                    for two in zip(dots[::2], below, strict=True)
                ]
            )
        else:
            strokes = None if blocks else _STROKES.get(character)
            parts.append(strokes.split(",") if strokes else [" ", " ", character])
    canvas = Canvas(sum(len(rows[0]) + 1 for rows in parts) - bool(parts), HEIGHT)
    x = 0
    for rows in parts:
        for y, row in enumerate(rows):
            canvas.put(x, y, row, role)
        x += len(rows[0]) + 1
    return canvas


def twice(picture: Canvas) -> Canvas:
    """Numerals twice as wide and high, for a wall of a screen. Half blocks become whole ones."""
    canvas = Canvas(2 * picture.width, 2 * picture.height)
    for y in range(picture.height):
        cells = ((sign, role) for text, role in picture.runs(y) for sign in text)
        for x, (sign, role) in enumerate(cells):
            upper, lower = {"▀": ("█", " "), "▄": (" ", "█")}.get(sign, (sign, sign))
            canvas.put(2 * x, 2 * y, upper * 2, role)
            canvas.put(2 * x, 2 * y + 1, lower * 2, role)
    return canvas


def stacked(whole: str, numerator: str, denominator: str, *, blocks: bool, bar: str) -> Canvas:
    """A number with its fraction stacked, seven rows high; `whole` is empty for a plain fraction."""
    over = numerals(numerator, blocks=blocks)
    under = numerals(denominator, blocks=blocks)
    beside = numerals(whole, blocks=blocks) if whole else Canvas(0, HEIGHT)
    fraction_width = max(over.width, under.width)
    left = beside.width + (2 if whole else 0)
    canvas = Canvas(left + fraction_width, STACKED_HEIGHT)
    canvas.paste(0, 2, beside)
    canvas.paste(left + (fraction_width - over.width) // 2, 0, over)
    canvas.put(left, HEIGHT, bar * fraction_width, "big")
    canvas.paste(left + (fraction_width - under.width) // 2, HEIGHT + 1, under)
    return canvas
