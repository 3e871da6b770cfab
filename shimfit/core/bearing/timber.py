"""How hard timber may be pressed across its grain: reference values, editable, each with its source.

Fc-perp is a limit of deformation, not of breaking: it stands for 0.04 in (1 mm) of crushing in the standard
test; for half of that use 0.73 of it (NDS 4.2.6 commentary, second-hand). A deck is wet: 0.67 of it (NDS
Table 4A adjustment, second-hand).
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass

from shimfit.core.checks import positive
from shimfit.errors import EntryError, FileError

MPA_PER_PSI = 0.006894757293168361
"""Exact: 4.4482216152605 N per pound-force over 25.4² mm²."""
WET_FACTOR = 0.67
HALF_CRUSHING_FACTOR = 0.73
_TABLE_4A = "NDS 2018 Supplement Table 4A, as transcribed in public source code"
_MEMORY = "NDS Supplement Table 4A"


@dataclass(frozen=True, slots=True)
class Timber:
    """One row of the table."""

    species: str
    fc_perp_mpa: float
    """Reference value dry, at 0.04 in of crushing."""
    source: str
    mark: str
    """How the value is known: second-hand, from memory, the user's own."""

    def allowed_mpa(self, *, wet: bool = True, half_crushing: bool = False) -> float:
        """Allowed pressure: wet unless told dry; half_crushing for 0.02 in instead of 0.04 in."""
        factor = (WET_FACTOR if wet else 1.0) * (HALF_CRUSHING_FACTOR if half_crushing else 1.0)
        return self.fc_perp_mpa * factor


def _psi(species: str, fc_perp_psi: float, source: str, mark: str) -> Timber:
    return Timber(species, fc_perp_psi * MPA_PER_PSI, source, mark)


TIMBERS = (
    _psi("Douglas Fir-Larch", 625, _TABLE_4A, "second-hand (two transcriptions agree)"),
    _psi("Southern Pine", 565, _TABLE_4A, "second-hand (two transcriptions agree)"),
    _psi("Hem-Fir", 405, _TABLE_4A, "second-hand (two transcriptions agree)"),
    _psi("Spruce-Pine-Fir", 425, _TABLE_4A, "second-hand (two transcriptions agree)"),
    _psi("Douglas Fir-South", 520, _TABLE_4A, "second-hand (one transcription)"),
    _psi("Western Cedars", 425, _MEMORY, "from memory, not verified"),
    _psi("Redwood (close grain)", 650, _MEMORY, "from memory, not verified"),
    _psi("Redwood (open grain)", 425, _MEMORY, "from memory, not verified"),
)
"""The table that a user starts from."""


def timber_named(species: str, timbers: tuple[Timber, ...] = TIMBERS) -> Timber:
    """Row of the table by name, without regard to case; EntryError names what there is."""
    wanted = species.strip().casefold()
    for timber in timbers:
        if timber.species.casefold() == wanted:
            return timber
    raise EntryError(f"There is no timber {species!r}; use one of {', '.join(t.species for t in timbers)}.")


def timbers_from_csv(text: str, name: str = "timber table") -> tuple[Timber, ...]:
    """A user's own table: header `species,fc_perp_mpa,source,mark`, or `fc_perp_psi` for the value.

    FileError with line and column; a table is taken whole or not at all.
    """
    rows = csv.DictReader(io.StringIO(text, newline=""))
    headers = set(rows.fieldnames or ())
    column = next((c for c in ("fc_perp_mpa", "fc_perp_psi") if c in headers), None)
    if column is None or "species" not in headers:
        raise FileError(
            f"{name}: the header must name species and fc_perp_mpa or fc_perp_psi.", path=name, line=1
        )
    unit = MPA_PER_PSI if column == "fc_perp_psi" else 1.0
    found = []
    for row in rows:
        line = rows.line_num
        cell = (row[column] or "").strip()
        try:
            value = positive(float(cell), "allowed pressure", "")
        except ValueError as error:
            raise FileError(
                f"{name}, line {line}: {cell!r} isn't a pressure; give a number above 0.",
                path=name,
                line=line,
                column=column,
            ) from error
        species = (row["species"] or "").strip()
        if not species:
            raise FileError(
                f"{name}, line {line}: the species is missing.", path=name, line=line, column="species"
            )
        source, mark = row.get("source") or "the user's own", row.get("mark") or "the user's own"
        found.append(Timber(species, value * unit, source, mark))
    if not found:
        raise FileError(f"{name} has no rows; it needs at least one timber.", path=name, line=1)
    return tuple(found)


def bearing_area_factor(length_mm: float, *, at_end: bool = True) -> float:
    """Cb: what a short bearing away from a board's end may carry more. (lb + 0.375 in) ÷ lb below 6 in.

    1.0 at an end and from 6 in (NDS 2018 3.10.4, Eq. 3.10-2, second-hand). At a deck's edge nobody knows how
    far the board goes on, so the end is the default: on the safe side.
    """
    length_in = positive(length_mm, "bearing length") / 25.4
    if at_end or length_in >= 6.0 - 1e-9:  # 6 × 25.4 ÷ 25.4 falls short of 6
        return 1.0
    return (length_in + 0.375) / length_in
