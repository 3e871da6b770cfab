"""Numerals to be read at arm's length: three rows high, fractions with a full-size slash or stacked.

Drawn on a 3 x 5 grid of dots (arrows 5 x 5). With half blocks a row of text carries two rows of dots and
dots come out nearly square; without them, seven strokes as on a meter, which need no glyph beyond ASCII.
"""

from __future__ import annotations

from shimfit.tui.pictures.canvas import Canvas

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


def numerals(text: str, *, blocks: bool, role: str = "big") -> Canvas:
    """Three rows of numerals, one blank column between two of them.

    Known characters: digits, `/ . - +`, blank, eight arrows and the letters of PLUMB, OUT, PREV's P and R,
    AFTER's A, F, T. Any other, and arrows and letters without half blocks, stand as text on the last row.
    """
    parts = [_part(character, blocks) for character in text]
    width = sum(len(rows[0]) for rows in parts) + max(0, len(parts) - 1)
    canvas = Canvas(width, HEIGHT)
    x = 0
    for rows in parts:
        for y, row in enumerate(rows):
            canvas.put(x, y, row, role)
        x += len(rows[0]) + 1
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


def _part(character: str, blocks: bool) -> tuple[str, str, str]:
    if blocks and character in _DOTS:
        return _from_dots(_DOTS[character])
    if not blocks and character in _STROKES:
        top, middle, bottom = _STROKES[character].split(",")
        return top, middle, bottom
    return " ", " ", character


def _from_dots(dots: str) -> tuple[str, str, str]:
    rows = [*dots.split(), ""]
    blank = "." * len(rows[0])
    rows[-1] = blank
    first, second, third = (
        "".join(_HALVES[upper + lower] for upper, lower in zip(rows[y], rows[y + 1], strict=True))
        for y in (0, 2, 4)
    )
    return first, second, third


_HALVES = {"##": "█", "#.": "▀", ".#": "▄", "..": " "}
