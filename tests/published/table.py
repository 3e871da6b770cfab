"""Every check of shimfit against a published source, as one table: python tests/published/table.py [--all]

Columns: number, what, published, ours, how the published value is known (read, second-hand, from memory,
derived, common practice), source. Long published tables take one line; --all prints each of their rows.
A number agrees when it rounds to the figure that was printed, or lies within the width given beside it.
Exit code 1 when something does not agree.
"""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType

SECTIONS = {
    "1": "Plumb tolerances and what instruments claim",
    "3": "Materials",
    "4": "Bolt tightening",
    "5": "Measurement",
    "6": "Units and fractions",
    "7": "Sensors",
    "8": "Packing, cutting and stacking",
    "9": "Geometry",
}


def beside(name: str) -> ModuleType:
    """The module in the file of that name in this folder."""
    spec = importlib.util.spec_from_file_location(f"published_{name}", Path(__file__).with_name(f"{name}.py"))
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


ours = beside("ours")


@dataclass(frozen=True)
class Row:
    """One published value beside ours."""

    number: str
    what: str
    published: str
    unit: str
    ours: float | str
    within: float | None
    """Half-width in which a number agrees; None = text, or half a unit of the last printed digit."""
    source: str
    mark: str
    table: str | None = None
    """The long table that it comes from."""

    @property
    def agrees(self) -> bool:
        """True when ours is what was published."""
        if isinstance(self.ours, str):
            return self.ours == self.published
        width = half_last_digit(self.published) if self.within is None else self.within
        return abs(self.ours - float(self.published)) <= width * (1 + 1e-9)

    @property
    def ours_shown(self) -> str:
        """Ours with a few more digits than the print."""
        return self.ours if isinstance(self.ours, str) else f"{self.ours + 0.0:.7g}"


def half_last_digit(printed: str) -> float:
    """0.0005 for 0.114, 0.5 for 45."""
    _, _, decimals = printed.partition(".")
    return 0.5 * 10.0 ** -len(decimals)


def single_rows() -> Iterator[Row]:
    """Checks of checks.csv, in its order; KeyError names one that nothing of ours is held against."""
    for row in ours.table("checks"):
        within = float(row["within"]) if row["within"] else None
        value = ours.OURS[row["id"]]()
        yield Row(
            row["id"], row["what"], row["published"], row["unit"], value, within, row["source"], row["mark"]
        )


def table_rows(name: str) -> Iterator[Row]:
    """Checks of one long table."""
    number, what, called, value_of, column = ours.TABLES[name]
    for row in ours.table(name):
        published, within = expected(name, row, row[column])
        text = f"{what}: {called(row)}"
        mark = row["mark"].replace("read here", "read")
        yield Row(number, text, published, "", value_of(row), within, row["source"], mark, name)


def expected(name: str, row: dict[str, str], published: str) -> tuple[str, float | None]:
    """What ours must be: traps of the tables are refusals, and two tables say their own width."""
    if name == "nmea_examples":
        return ("reject" if published.startswith("BAD") else "accept"), None
    if name == "thread_stress_areas":
        return published, 0.005 * float(published)
    if name == "tilt_sensitivity":
        upright = float(row["cos_g"]) > 0
        return (published if upright else "refused: lies on its side"), 1e-4
    return published, None


def all_rows() -> list[Row]:
    """Every check."""
    rows = list(single_rows())
    for name in ours.TABLES:
        rows += table_rows(name)
    return sorted(rows, key=lambda row: [int(part) for part in row.number.rstrip("abcdefgh").split(".")])


def main(arguments: list[str]) -> int:
    """Print the table."""
    rows = all_rows()
    shown: list[tuple[str, ...]] = []
    section = ""
    for row in folded(rows, each="--all" in arguments):
        head = row[0].split(".")[0]
        if head != section:
            section = head
            shown.append((head, SECTIONS[head].upper(), "", "", "", "", ""))
        shown.append(row)
    for line in laid_out([("no", "what", "published", "ours", "", "known by", "source"), *shown]):
        print(line)
    wrong = [row for row in rows if not row.agrees]
    print(f"\n{len(rows) - len(wrong)} of {len(rows)} agree.")
    print("\nPublished facts that nothing here can be held against:")
    for number, why in ours.NOT_OURS.items():
        print(f"  {number:<14} {why}")
    return 1 if wrong else 0


def folded(rows: list[Row], *, each: bool) -> Iterator[tuple[str, ...]]:
    """Printable rows; a long table is one row unless `each` or where one of its rows does not agree."""
    reported: set[str] = set()
    for row in rows:
        alike = [one for one in rows if one.table == row.table]
        if row.table is None or each or not row.agrees:
            published = f"{row.published} {row.unit}".strip()
            yield row.number, row.what, published, row.ours_shown, mark_of(row), row.mark, row.source
        elif row.table not in reported:
            reported.add(row.table)
            good = sum(one.agrees for one in alike)
            marks = ", ".join(dict.fromkeys(one.mark for one in alike))
            what = f"{row.what.partition(':')[0]} ({row.table}.csv)"
            sources = "; ".join(dict.fromkeys(one.source for one in alike))
            yield row.number, what, f"{len(alike)} rows", f"{good} agree", mark_of(row), marks, sources


def mark_of(row: Row) -> str:
    """ok, or what nobody can overlook."""
    return "ok" if row.agrees else "DIFFERS"


def laid_out(rows: list[tuple[str, ...]]) -> Iterator[str]:
    """Lines with columns of one width each; only long sources and marks are cut."""
    limits = (6, 74, 22, 24, 7, 24, 90)
    widths = [min(limit, max(len(row[i]) for row in rows)) for i, limit in enumerate(limits)]
    for row in rows:
        cells = [
            cell if len(cell) <= widths[i] or i < 4 else cell[: widths[i] - 1] + "…"
            for i, cell in enumerate(row)
        ]
        yield "  ".join(cell.ljust(widths[i]) for i, cell in enumerate(cells)).rstrip()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
