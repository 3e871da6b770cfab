"""The table of default numbers holds every one of the code, with the value that the code uses.

The value stands in the table too, on purpose: whoever changes a number is sent to its source and its mark.
"""

from __future__ import annotations

import ast
import importlib
import inspect
from collections import ChainMap
from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import Path
from typing import Any

import pytest

import shimfit
from shimfit.text.topics import MARKS, DefaultNumber, numbers

HOUSE = Path(shimfit.__file__).parent
NOT_LOOKED_AT = {
    "tui": "rows, columns and seconds of the screen",
    "report": "measures of paper",
    "text": "rows and columns",
    "store": "the file's format",
    "solve": "the solver's rounding",
    "core/planning": "how long and how widely is searched: bound and status tell what it did",
    "core/packing": "the same",
    "core/chance.py": "nodes and slack of the integration: its error is bounded and added",
    "core/uncertainty/disk.py": "nodes of the integration",
    "wire/simulate.py": "a made-up post",
    "wire/samples.py": "framing",
    "wire/lines.py": "framing",
    "wire/frames.py": "framing",
    "wire/capture.py": "framing",
    "wire/formats.py": "units and sizes of a format",
    "workflow/sample.py": "the made-up job",
    "outputs.py": "the files' formats",
    "quantities/shown.py": "units",
}
"""Rooms without default numbers of the work; what the table has of them is compared all the same."""
LOOKED_AT = ("core/packing/options.py",)
NO_DEFAULTS = {
    *("Exit.DONE", "Exit.OVER", "Exit.REFUSED", "Exit.DEVICE", "Exit.FILE", "Exit.BUG"),  # exit codes
    *(
        "io.SCHEMA",
        "BAR",
        "BETWEEN_S",
    ),  # what is printed
    *(
        "MM_PER[mm]",
        "MM_PER[cm]",
        "MM_PER[m]",
        "MM_PER[in]",
        "MM_PER[ft]",
        "MM_PER_INCH",
        "MPA_PER_PSI",
    ),  # units
    *("PSI_PER_MPA", "TAPE_DENOMINATORS", "HALF", "FINEST_MARK", "ON_THE_MARK"),
    *("Component.step", "Component.denominator", "Number.denominator", "PostRecord.mean_of"),  # neutral: one
    *("TakeUp.variance", "Prescription.take_up", "Support.stiffness", "QUIET"),
    *("RATIOS[mm/m]", "RATIOS[cm/m]", "RATIOS[in/ft]", "MM_PER_LEAN_UNIT[mm]", "MM_PER_LEAN_UNIT[cm]"),
    *("MM_PER_LEAN_UNIT[in]", "exit_code", "decimals(step)"),
    *("MAD_TO_SD", "MEDIAN_TO_MEAN"),  # mathematics
    *("DUST_MM", "ROOM_MM", "SAME_SLOPE", "STEPS_PER_MM", "SMALLEST_MM", "LARGEST_MM"),  # rounding
    *("SampleRing.__init__(most)", "plot_curve(width)", "plot_curve(height)"),  # memory, rows and columns
    *("SPEEDS", "READ_S", "FREE"),  # a list of choices, the beat of a loop
    "shortest_length_mm(seats)",  # a corner layout: four
    *("inches", "graduations", "figure", "tape", "lean", "both", "other", "fine"),  # pass `graduation` on
    *("answer", "fitted_to_box", "correct", "packs_for", "likely", "turned"),  # neutral: take-up 1
}
"""Numbers that are no defaults of the work."""


def is_looked_at(place: str) -> bool:
    """Every default number of this file is wanted in the table."""
    left_out = any(place == room or place.startswith(f"{room}/") for room in NOT_LOOKED_AT)
    return place in LOOKED_AT or not left_out


@cache
def of_code() -> dict[str, dict[str, Any]]:
    """By file: dotted name and value of every number that a module, a class or a parameter begins with."""
    found = {}
    for file in sorted(set(HOUSE.rglob("*.py")) - {HOUSE / "__main__.py"}):
        place = file.relative_to(HOUSE)
        dotted = ".".join(["shimfit", *place.with_suffix("").parts]).removesuffix(".__init__")
        names = vars(importlib.import_module(dotted))
        body = ast.parse(file.read_text(encoding="utf-8")).body
        found[place.as_posix()] = dict(_of_body(body, dotted, names))
    return found


def everything() -> Mapping[str, Any]:
    """The numbers of all files together."""
    return ChainMap(*of_code().values())


def _of_body(body: list[ast.stmt], path: str, names: Mapping[str, Any]) -> Iterator[tuple[str, Any]]:
    for node in body:
        if isinstance(node, ast.Assign | ast.AnnAssign) and has_figure(node.value):
            for target in node.targets if isinstance(node, ast.Assign) else [node.target]:
                for name in target.elts if isinstance(target, ast.Tuple) else [target]:
                    if isinstance(name, ast.Name):
                        value = names.get(name.id)
                        if inspect.ismemberdescriptor(value):  # a field of a dataclass with slots
                            fields = names["__dataclass_fields__"]
                            value = fields[name.id].default if name.id in fields else None
                        yield from _numbers_in(f"{path}.{name.id}", value)
        elif isinstance(node, ast.ClassDef) and node.name in names:
            yield from _of_body(node.body, f"{path}.{node.name}", vars(names[node.name]))
        elif isinstance(node, ast.FunctionDef) and node.name in names:
            function = inspect.unwrap(getattr(names[node.name], "__func__", names[node.name]))
            if inspect.isfunction(function):
                figures = [*node.args.args[::-1], *node.args.kwonlyargs[::-1]]
                defaults = [*node.args.defaults[::-1], *[None] * len(node.args.args)][: len(node.args.args)]
                written = zip(figures, [*defaults, *node.args.kw_defaults[::-1]], strict=True)
                own = {one.arg for one, default in written if has_figure(default)}
                parameters = inspect.signature(function).parameters
                for parameter in (parameters[name] for name in parameters if name in own):
                    yield from _numbers_in(f"{path}.{node.name}({parameter.name})", parameter.default)


def has_figure(node: ast.expr | None) -> bool:
    """A figure is written here: what only names another constant cannot drift from it."""
    return node is not None and any(
        isinstance(part, ast.Constant) and (isinstance(part.value, int | float) or part.value == "1:500")
        for part in ast.walk(node)
    )


def _numbers_in(name: str, value: Any) -> Iterator[tuple[str, Any]]:
    if isinstance(value, Mapping):
        for key, one in value.items():
            yield from _numbers_in(f"{name}[{getattr(key, 'value', key)}]", one)
    elif type(value).__name__ == "Fraction":
        yield name, float(value)
    elif isinstance(value, int | float) and not isinstance(value, bool):
        yield name, value
    elif isinstance(value, tuple) and value:
        if all(isinstance(one, int | float) for one in value):
            yield name, value
        for one in value:
            if hasattr(one, "fc_perp_mpa"):
                yield f"{name}[{one.species}]", one.fc_perp_mpa
    elif name.endswith("DEFAULT_TOLERANCE"):
        yield name, value


def ends(name: str, where: str) -> bool:
    """`where` names it: whole parts of its dotted name, from the end."""
    return name.endswith(f".{where}")


def is_counted(name: str, value: Any) -> bool:
    """A default of the work: private names are steps of a method, 0 is none, a factor of 1 is neutral."""
    own = name.rpartition(".")[2]
    if own.startswith("_") or "._" in name or any(ends(name.partition("(")[0], one) for one in NO_DEFAULTS):
        return False
    if any(ends(name, one) for one in NO_DEFAULTS):
        return False
    neutral = value in (0, (0.0, 0.0), (1.0, 0.0)) or ("(" in name and value == 1)
    return not neutral


def fault_of(row: DefaultNumber, everything: Mapping[str, Any]) -> str:
    """What is wrong with a row; empty when nothing is."""
    found = [name for name in everything if ends(name, row.where)]
    if len(found) != 1:
        return f"{row.where} names {found or 'nothing in the code'}"
    value = everything[found[0]]
    agrees = row.value == value
    if not isinstance(value, str):
        reported = [float(part) for part in row.value.split()]
        agrees = reported == pytest.approx([*value] if isinstance(value, tuple) else [value], rel=1e-6)
    if not agrees:
        return f"{found[0]} is {value}, the table says {row.value}: look at its source and mark too"
    if row.mark not in MARKS:
        return f"{row.where}: there is no mark {row.mark!r}"
    needs = row.mark not in ("common practice, no source", "own choice")
    return f"{row.where}: which source?" if needs and not row.source else ""


def test_each_row_has_the_value_that_the_code_uses_and_a_mark() -> None:
    there = everything()
    wrong = [fault for row in numbers() if (fault := fault_of(row, there))]
    assert not wrong, "\n".join(wrong)


def test_every_default_number_stands_in_the_table() -> None:
    rows = [row.where for row in numbers()]
    missing = [
        f"{name} = {value}"
        for place, found in of_code().items()
        if is_looked_at(place)
        for name, value in found.items()
        if is_counted(name, value) and not any(ends(name, where) for where in rows)
    ]
    assert not missing, "\n".join(["no row in shimfit/text/numbers.csv:", *missing])


@pytest.mark.parametrize(
    "where", ["PRIOR_MEAN", "Scatter.seat_mm", "kit_for(share)", "NUT_FACTORS[zinc plated]"]
)
def test_a_number_changed_alone_is_seen(where: str) -> None:
    (row,) = (row for row in numbers() if row.where == where)
    there = everything()
    (name,) = (name for name in there if ends(name, where))
    assert not fault_of(row, there)
    assert "look at its source" in fault_of(row, {**there, name: 0.97 * there[name]})
    assert "nothing in the code" in fault_of(row, {other: 1.0 for other in there if other != name})
