"""What is looked up: help by topic, and every default number of the work with where it comes from.

Topics are in topics.txt beside this file. The table of numbers is numbers.csv: about, what, value, unit,
mark, source, set_by, where. `where` is the end of the number's dotted name in the code, and a test holds the
two together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from functools import cache
from itertools import groupby
from pathlib import Path
from typing import Any

from shimfit import csvfile
from shimfit.core.cautions import cautions_of
from shimfit.errors import UsageError
from shimfit.settings.commands import did_you_mean
from shimfit.text.phrases import wrapped


@dataclass(frozen=True, slots=True)
class Topic:
    """One topic: its name, one line about it, the text."""

    name: str
    says: str
    text: str


@cache
def topics() -> tuple[Topic, ...]:
    """All of topics.txt, in its order; the cautions take their sentences from their own list."""
    whole = Path(__file__).with_name("topics.txt").read_text("utf-8")
    found = []
    for part in whole.split("\n== ")[1:]:
        heading, _, text = part.partition("\n")
        name, _, says = heading.partition("  ")
        if name == "cautions":
            text = "\n\n".join(cautions_of("readme"))
        found.append(Topic(name, says.strip(), text.strip("\n")))
    return tuple(found)


def topic_text(name: str, width: int) -> str:
    """A topic under its heading, sentences broken to a width, lines to type left whole.

    UsageError names what there is.
    """
    for topic in topics():
        if topic.name == name:
            rows = [f"{topic.name.upper()}: {topic.says}", ""]
            parts = groupby(topic.text.splitlines(), key=lambda line: line[:1] not in ("", " "))
            for is_sentence, lines in parts:
                rows += wrapped(" ".join(lines), width) if is_sentence else lines
            return "\n".join(rows)
    names = [topic.name for topic in topics()]
    hint = did_you_mean(name, names) or f"; there are {', '.join(names)}"
    raise UsageError(f"there is no help topic {name!r}{hint}")


# ---------------------------------------------------------------- numbers

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
    """The rows under the heading of what they are about; a long ratio to five figures."""
    lines: list[str] = []
    for subject, group in groupby(rows, key=lambda row: row.about):
        lines += ["", subject.upper()]
        for row in group:
            value, unit = row.value, row.unit
            if ":" not in value:
                scale, unit = (1000.0, "mm/m") if unit == "slope" else (1.0, unit)
                value = " ".join(f"{float(part) * scale:.5g}" for part in value.split()) + f" {unit}"
            source = f"{row.mark}: {row.source}" if row.source else row.mark
            lines += [
                f"  {row.what}: {value.rstrip()}",
                f"      {source}{f'  [{row.set_by}]' if row.set_by else ''}",
            ]
    return lines[1:]
