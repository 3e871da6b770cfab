"""The house itself: what stands at the top, what loads when, what the package lists hold."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement

ROOT = Path(__file__).resolve().parent.parent
TOP_LEVEL = {"README.md", "DEVELOPERS.md", "pyproject.toml", "shimfit", "tests", "fixtures", "hardware_notes"}
HEAVY = ("numpy", "scipy", "highspy", "pint", "serial", "fpdf", "textual", "textual_serve", "sqlite3")


def tracked_files() -> list[str]:
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True)
    return listed.stdout.splitlines()


def loaded_by(code: str) -> set[str]:
    """Which of the heavy packages a fresh interpreter has loaded after running the code."""
    probe = f"import sys\n{code}\nprint(*[name for name in {HEAVY!r} if name in sys.modules])"
    run = subprocess.run([sys.executable, "-c", probe], capture_output=True, text=True, check=True)
    return set(run.stdout.splitlines()[-1].split())


def test_nothing_else_stands_at_the_top_level() -> None:
    top = {name.split("/")[0] for name in tracked_files()}
    assert {name for name in top if not name.startswith(".")} == TOP_LEVEL


def test_no_file_names_a_place_to_fetch_packages_from() -> None:
    # The lists hold names, versions and hashes only: where they come from is each machine's own affair.
    address = re.compile(r"(--index|--find-links|--extra-index|https?://[^\" )]+\.(whl|tar\.gz|tgz|deb)\b)")
    for name in tracked_files():
        if name.startswith(".ci/") or name == "pyproject.toml":
            assert not address.search((ROOT / name).read_text(encoding="utf-8")), name


@pytest.mark.parametrize(
    ("code", "may_load"),
    [
        ("import shimfit.model, shimfit.errors, shimfit.settings, shimfit.contract", set()),
        ("import shimfit.entry", set()),
        ("import shimfit.cli; shimfit.cli.build_parser()", set()),
        ("import shimfit.__main__, sys; sys.argv = ['shimfit', '--version']; shimfit.__main__.main()", set()),
        ("import shimfit.workflow.site", {"sqlite3"}),
    ],
)
def test_a_fresh_interpreter_loads_only_what_it_needs(code: str, may_load: set[str]) -> None:
    assert loaded_by(code) <= may_load


def names_in(listing: str) -> set[str]:
    return {name.lower() for name in re.findall(r"^([A-Za-z0-9._-]+)==", listing, re.MULTILINE)}


@pytest.mark.parametrize(
    ("file", "extras"), [("constraints-run.txt", []), ("constraints-test.txt", ["test"])]
)
def test_package_lists_hold_every_direct_need_in_its_range_with_hashes(file: str, extras: list[str]) -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    wanted = [
        *project["dependencies"],
        *(need for x in extras for need in project["optional-dependencies"][x]),
    ]
    listing = (ROOT / ".ci" / file).read_text(encoding="utf-8")
    pinned = dict(re.findall(r"^([A-Za-z0-9._-]+)==([^ ;\\]+)", listing, re.MULTILINE))
    for text in wanted:
        need = Requirement(text)
        assert need.name.lower() in pinned, f"{need.name} is not in {file}: run .ci/lock"
        assert need.specifier.contains(pinned[need.name.lower()]), (
            f"{need.name} in {file} is out of its range"
        )
    entries = re.split(r"^(?=[A-Za-z0-9._-]+==)", listing, flags=re.MULTILINE)
    assert all("--hash=sha256:" in entry for entry in entries if "==" in entry)
