"""A sheet's tables, declared once for every front: what each column is called on paper, and how it is said.

A `Section` holds rows of cells under its columns. `report.page` draws it; `lines` says it at a terminal, each
column by its own words; a column without words (a box to tick) is for paper alone. Nothing here loads a
PDF writer.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeAlias

if TYPE_CHECKING:
    from shimfit.model import Lot
    from shimfit.standing import RunState

TICK = "☐"


@dataclass(frozen=True, slots=True)
class Drawn:
    """A cell that is drawn: `draw(sheet, box)`, as wide as its column and so high (mm)."""

    height: float
    draw: Callable[[Any, Any], None]


Cell: TypeAlias = str | Sequence[str | Drawn]
"""A text, or lines and drawings one below the other."""


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a table: its head and a second line of it; on paper as wide as what stands in it."""

    head: str
    under: str = ""
    bold: bool = False
    """Its first line is to be read first."""
    words: str = ""
    """How its cell stands in the row's sentence, `{}` for the cell; an empty cell says nothing."""


def columns(*heads: str | tuple[str, str], bold: str = "") -> list[Column]:
    """Columns by their heads, each alone or with its words; bold: the head of the one to be read first."""
    pairs = [(one, "") if isinstance(one, str) else one for one in heads]
    return [Column(head, words=words, bold=head == bold != "") for head, words in pairs]


@dataclass(frozen=True, slots=True)
class Section:
    """A table of a sheet under its title; one without rows is left out. lead: a sentence above it."""

    title: str
    columns: Sequence[Column]
    rows: Sequence[Sequence[Cell]]
    lead: str = ""


def lines(sections: Iterable[Section]) -> Iterator[str]:
    """The sections' rows as sentences, a line each."""
    for section in sections:
        for row in section.rows:
            cells = zip(section.columns, row, strict=True)
            yield "".join(column.words.format(cell) for column, cell in cells if cell and column.words)


@dataclass(frozen=True, slots=True)
class SheetFacts:
    """What a workshop sheet needs besides what it is of."""

    run: RunState
    made: str | None = None
    """When it was made (ISO 8601)."""
    graduation: int = 16
    """Marks of the tape to the inch."""
    lots: Sequence[Lot] = ()
    """The box: what each lot is made of."""
