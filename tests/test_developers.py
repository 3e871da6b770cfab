"""The guide fits the house: every file of shimfit/ in its tree, every place that it names there."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

from shimfit.model import FORMS, Lot, Piece
from tests import tree as house

ROOT = Path(__file__).resolve().parent.parent
GUIDE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")

CHANGES = re.findall(r"^\| ([^|]+) \| `(shimfit/[^`]+)` \| `([^`]+)` \|$", GUIDE, re.MULTILINE)
"""Small changes: what, the file, the name to look for in it."""


def test_every_file_is_in_the_tree_and_nothing_else() -> None:
    assert house.in_guide() == house.tree(), "run: python tests/tree.py --write"


def test_every_file_says_in_a_line_what_it_is() -> None:
    silent = [line for line in house.tree_lines() if not re.search(r"\S+  ?\s*\S.*\S", line.strip())]
    assert not [line for line in silent if "fonts/" not in line and "page/" not in line], silent


@pytest.mark.parametrize(("what", "file", "name"), CHANGES)
def test_a_small_change_is_where_the_guide_says(what: str, file: str, name: str) -> None:
    assert name in (ROOT / file).read_text(encoding="utf-8"), f"{what}: {name} is not in {file}"


def test_ten_small_changes_and_the_places_of_a_new_form_are_named() -> None:
    assert len(CHANGES) >= 16
    assert 1 <= sum(what.startswith("a new form") for what, _, _ in CHANGES) <= 6


def test_few_files_name_a_form_of_stock() -> None:
    """The others ask its row what it is; what is left out here means another thing (a picture, a key)."""
    naming = set()
    for file in (ROOT / "shimfit").rglob("*.py"):
        for node in ast.walk(house.parsed(file)):
            if isinstance(node, ast.Constant) and node.value in tuple(FORMS):
                naming.add(file.relative_to(ROOT / "shimfit").as_posix())
    others = (
        "tui/screens/lists",
        "tui/screens/post",
        "tui/screens/plan",
        "report/sheets",
        "workflow/plan",
        "text/plan_phrases",
        "core/cutting",
        "core/packing/question",
    )
    deciding = naming - {f"{one}.py" for one in others}
    assert deciding == {"model.py", "core/kit.py"}
    assert f"    form {'|'.join(FORMS)} " in (ROOT / "shimfit/settings/commands.txt").read_text(
        encoding="utf-8"
    )


@pytest.mark.parametrize("form", FORMS)
def test_a_form_says_all_that_others_ask(form: str) -> None:
    row = FORMS[form]  # type: ignore[index]
    dimensions = set(Lot.__slots__)
    assert {*row.needs, *row.may_have, *re.findall(r"\w+_mm", row.size)} <= dimensions
    assert set(row.piece_keys) <= set(Piece.__slots__)
    assert FORMS[row.comes_out_as].comes_out_as == row.comes_out_as


NAMED = sorted(set(re.findall(r"`((?:tests|fixtures|\.ci|hardware_notes)/[\w./-]+)`", GUIDE)))


@pytest.mark.parametrize("path", NAMED)
def test_other_paths_that_it_names_are_there(path: str) -> None:
    assert (ROOT / path).exists(), path
