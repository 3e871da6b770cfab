"""Every default number of the work, in one table, with its source or the mark that there is none.

The table is numbers.csv beside this file: about, what, value, unit, mark, source, set_by, where. `where` is
the end of the number's dotted name in the code, and a test holds the two together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from functools import cache
from pathlib import Path
from typing import Any

from shimfit import csvfile

MARKS = {
    "exact": "follows from a definition",
    "read": "the source was read",
    "second-hand": "read where it is quoted or transcribed",
    "from memory": "remembered, not looked up",
    "common practice, no source": "what the trade does; nobody published it, as far as is known",
    "own choice": "how shimfit works; nothing outside says so",
}
"""How a number is known."""


@dataclass(frozen=True, slots=True)
class DefaultNumber:
    """One row: a number that stands until somebody says otherwise."""

    about: str
    what: str
    value: str
    """As the code has it; several numbers are parted by blanks."""
    unit: str
    """Empty for a ratio or a count; `slope` for a lean, which is said in mm per m."""
    mark: str
    """A key of MARKS."""
    source: str
    set_by: str
    """Setting, option or file that changes it; empty where nothing does."""
    where: str


@cache
def numbers() -> tuple[DefaultNumber, ...]:
    """The whole table, in its order."""
    text = Path(__file__).with_name("numbers.csv").read_text("utf-8")
    _, *rows = csvfile.lines(text, "numbers.csv")
    return tuple(DefaultNumber(*cells) for _, cells in rows)


def about(words: Sequence[str]) -> list[DefaultNumber]:
    """The rows that hold every one of the words, in any of their cells; all of them for no words."""
    wanted = [word.casefold() for word in words]
    return [
        row for row in numbers() if all(word in " ".join(asdict(row).values()).casefold() for word in wanted)
    ]


def numbers_json(rows: Sequence[DefaultNumber]) -> dict[str, Any]:
    """The rows and what their marks mean."""
    return {"numbers": [asdict(row) for row in rows], "marks": MARKS}


def number_lines(rows: Sequence[DefaultNumber]) -> list[str]:
    """The rows under the heading of what they are about; a long ratio is told to five figures."""
    lines: list[str] = []
    subject = None
    for row in rows:
        if row.about != subject:
            subject = row.about
            lines += ["", subject.upper()]
        lines.append(f"  {row.what}: {_said(row)}")
        source = f"{row.mark}: {row.source}" if row.source else row.mark
        lines.append(f"      {source}{f'  [{row.set_by}]' if row.set_by else ''}")
    return lines[1:]


def _said(row: DefaultNumber) -> str:
    if ":" in row.value:
        return row.value
    values = [float(part) * (1000.0 if row.unit == "slope" else 1.0) for part in row.value.split()]
    unit = "mm/m" if row.unit == "slope" else row.unit
    return f"{' '.join(f'{value:.5g}' for value in values)} {unit}".rstrip()
