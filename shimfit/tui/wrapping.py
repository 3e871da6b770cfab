"""Breaking sentences into rows."""

from __future__ import annotations

LEAST_WIDTH = 10


def wrapped(text: str, width: int) -> list[str]:
    """Text broken into rows of at most `width` characters (10 at least), between words where it can be."""
    width = max(LEAST_WIDTH, width)
    rows: list[str] = []
    for paragraph in text.split("\n"):
        row = ""
        for word in paragraph.split(" "):
            if row and len(row) + 1 + len(word) > width:
                rows.append(row)
                row = word
            else:
                row = f"{row} {word}" if row else word
            while len(row) > width:
                rows.append(row[:width])
                row = row[width:]
        rows.append(row)
    return rows


def clipped(text: str, width: int, sign: str) -> str:
    """Text cut to a width, ending in a sign where something is missing."""
    return text if len(text) <= width else text[: max(0, width - len(sign))] + sign


def fitting(width: int, sign: str, *texts: str) -> str:
    """The first of the texts that fits, given from the longest; the last one clipped where none does."""
    return next((text for text in texts if len(text) <= width), clipped(texts[-1], max(0, width), sign))
