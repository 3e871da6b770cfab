"""The house itself: what stands at the top, what loads when, what the package lists hold."""

from __future__ import annotations

import html
import re
import subprocess
import sys
import tomllib
from fractions import Fraction
from pathlib import Path

import grimp
import pytest
from packaging.requirements import Requirement

ROOT = Path(__file__).resolve().parent.parent
TOP_LEVEL = {"README.md", "DEVELOPERS.md", "pyproject.toml", "shimfit", "tests", "fixtures", "hardware_notes"}
SOLVES = (
    "import os; os.environ['SHIMFIT_DB'] = 'none.db'; from shimfit.cli import main; "
    "main(['solve', '6mm n 3mm o', '--height', '1000mm', '--foot', '90x90mm'{}])"
)
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
        ("import shimfit.model, shimfit.errors, shimfit.settings, shimfit.codec", set()),
        ("import shimfit.entry", set()),
        ("import shimfit.cli.parser; shimfit.cli.parser.parse(['job', 'list'])", set()),
        ("import shimfit.__main__, sys; sys.argv = ['shimfit', '--version']; shimfit.__main__.main()", set()),
        ("import shimfit.workflow.site", {"sqlite3"}),
        (SOLVES.format(""), set()),
        (
            SOLVES.format(f", '--stock', {str(ROOT / 'fixtures' / 'stock' / 'porch_box_inch.csv')!r}"),
            {"numpy"},
        ),
    ],
)
def test_a_fresh_interpreter_loads_only_what_it_needs(code: str, may_load: set[str]) -> None:
    assert loaded_by(code) <= may_load


def circles(imports: dict[str, set[str]]) -> list[list[str]]:
    """Modules that lead back to themselves, a list each: strongly connected components (Tarjan 1972)."""
    order: dict[str, int] = {}
    low: dict[str, int] = {}
    path: list[str] = []
    found: list[list[str]] = []

    def walk(module: str) -> None:
        order[module] = low[module] = len(order)
        path.append(module)
        for other in imports.get(module, set()):
            if other not in order:
                walk(other)
            if other in path:
                low[module] = min(low[module], low[other])
        if low[module] == order[module]:
            together = [path.pop()]
            while together[-1] != module:
                together.append(path.pop())
            if len(together) > 1 or module in imports.get(module, set()):
                found.append(sorted(together))

    for module in sorted(imports):
        if module not in order:
            walk(module)
    return found


def test_no_import_leads_in_a_circle_late_and_type_only_ones_counted() -> None:
    assert circles({"a": {"b"}, "b": {"c"}, "c": {"b", "d"}, "d": set()}) == [["b", "c"]]
    graph = grimp.build_graph("shimfit", cache_dir=None)
    assert not circles({one: graph.find_modules_directly_imported_by(one) for one in graph.modules})


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


# Readings and post heights that examples, samples and tests do not use: ours are 1/4 next with 3/8 house,
# 6 mm with 10 mm, posts of 40 or 44 in, 1000 or 1100 mm. Tables out of published sources keep what they say.
BETWEEN = r"(?!\"?, ?\"| if )[^\d\n./]{1,30}?\.?"
LONE = r"(?<![\d/⁄.])"
NOT_MIXED = r"(?<![^/⁄]\d[ -])(?<!^\d[ -])"  # the second half of 3 and a half is none
ENDS = r"(?![\d/⁄]|\.\d)"
THREE_EIGHTHS, ONE_HALF = (
    rf"{LONE}{NOT_MIXED}(?:3[/⁄]8|0?\.375|9\.525){ENDS}",
    rf"{LONE}{NOT_MIXED}(?:1[/⁄]2|0?\.50?|12\.7){ENDS}",
)
NINE, THIRTEEN = rf"{LONE}(?:9(?:\.[05])?|0\.009){ENDS}", rf"{LONE}(?:13(?:\.[05])?|[-−]?0\.013){ENDS}"
STRONG_QUARTER = r"(?:(?:strong|heavy|full) 1[/⁄]4|1[/⁄]4(?:\"| in)? ?(?:\+|strong|heavy))(?!\d)"
TALL = r"(?:36|38|41|42)(?:\.0)?"
FOREIGN = re.compile(
    "|".join(
        [
            *(f"{a}{BETWEEN}{b}" for a, b in [(THREE_EIGHTHS, ONE_HALF), (ONE_HALF, THREE_EIGHTHS)]),
            *(f"{a}{BETWEEN}{b}" for a, b in [(NINE, THIRTEEN), (THIRTEEN, NINE)]),
            *(f"{a}{BETWEEN}{b}" for a, b in [(ONE_HALF, STRONG_QUARTER), (STRONG_QUARTER, ONE_HALF)]),
            rf"(?i:height\w*|tall|high)[\"']?[ =:,(\"']{{1,4}}(?:of |is )?{TALL}(?:\b(?! ?mm)| ?in\b)",
            rf"{LONE}{TALL} ?(?:in|inch|inches)\b(?! \(|\d)|\b(?:1041|914|965|1067|1066)\.[428]\b|\b1041 ?mm",
        ]
    )
)
RULER = re.compile(" +".join(str(Fraction(eighths, 8)) for eighths in range(2, 6)))
"""The marks of a tape in their order, as the pad has them, are no reading."""
SOURCED = (
    "fixtures/published/",
    "fixtures/captures/",
    "tests/published/ours.py",
    "tests/quantities/test_tolerance.py",  # AISC 303-16 states its limit over a yard
    "tests/quantities/test_shown_and_units.py",  # NIST LC 1137 shows a yard in centimetres
    "tests/report/test_statistics.py",  # Anscombe's numbers
)


@pytest.mark.parametrize(
    "text",
    [
        *(
            "{}n{}o",
            "{} next, {} out",
            "strong {}n shy {}o",
            "n{}o{}",
            '{}" → next, {}" ↑ out',
            "{} {}",
            "{}p{}h",
        ),
        "top leans {} in towards next, {} in out",
    ],
)
def test_the_search_for_foreign_readings_finds_them(text: str) -> None:
    halves, thirteen = ("/".join("38"), "/".join("12")), str(9 + 4)
    for pair in (halves, ("9", thirteen)):
        assert FOREIGN.search(text.format(*pair)), text.format(*pair)
        assert FOREIGN.search(text.format(*reversed(pair)))
    assert not FOREIGN.search(text.format("1/4", "3/8"))
    assert not FOREIGN.search(text.format("6", "10"))


def test_examples_samples_and_tests_are_a_scenario_of_our_own() -> None:
    found = []
    for name in tracked_files():
        if name.startswith(SOURCED) or name.startswith(".ci/") or Path(name).suffix in {".ttf", ".png"}:
            continue
        for number, line in enumerate((ROOT / name).read_text(encoding="utf-8").splitlines(), 1):
            seen = html.unescape(re.sub(r"<[^>]*>", "", line)) if name.endswith(".svg") else line
            hit = FOREIGN.search(RULER.sub("", seen.replace("\xa0", " ")))
            if hit:
                found.append(f"{name}:{number}: {hit.group()}")
    assert not found, "\n".join(found)
