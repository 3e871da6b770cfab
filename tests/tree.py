"""The tree of DEVELOPERS.md, from the files themselves: python tests/tree.py [--write]

Each file of shimfit/ is a line: its path and the first sentence of its docstring (of a file that is no
Python: what OTHERS says of it). `--write` puts the tree into DEVELOPERS.md; without it, it is printed. A test
holds the two together, so who moves a file or says it better only runs this again.
"""

from __future__ import annotations

import ast
import functools
import sys
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
GUIDE = ROOT / "DEVELOPERS.md"
BEGIN, END = "<!-- tree: python tests/tree.py --write -->\n```\n", "```\n<!-- end of tree -->\n"
OTHERS = {
    "commands.txt": "The command line on one page: every option and command, declared once.",
    "actions.txt": "Every action on one page: one row for keys, palette, help, taps and plain mode.",
    "numbers.csv": "Every default number: value, unit, mark, source, what sets it, where it stands.",
    "topics.txt": "What `shimfit help TOPIC` prints.",
    "py.typed": "Types are checked and may be relied on (PEP 561).",
    "style.tcss": "What each role looks like on the screen.",
    "app_index.html": "The browser's page.",
    "DejaVuSansCondensed.ttf": "The font of papers.",
    "DejaVuSansCondensed-Bold.ttf": "The same, bold.",
    "LICENSE.txt": "The fonts' licence.",
    "boardwalk_box.csv": "The sample job's box.",
}


@functools.cache
def parsed(file: Path) -> ast.Module:
    """What a file of Python says, as a syntax tree."""
    return ast.parse(file.read_text(encoding="utf-8"))


def first_sentence(file: Path) -> str:
    """What a file says of itself; empty where it says nothing."""
    if file.suffix != ".py":
        return OTHERS.get(file.name, "")
    said = ast.get_docstring(parsed(file)) or ""
    return said.split("\n\n")[0].replace("\n", " ").strip()


def tree_lines() -> Iterator[str]:
    """One line a folder, and one a file below it."""
    house = ROOT / "shimfit"
    files = [
        file
        for file in house.rglob("*")
        if file.is_file() and "__pycache__" not in file.parts and file.suffix != ".pyc"
    ]
    folder = None
    for file in sorted(files, key=lambda one: (one.parent, one.name != "__init__.py", one.name)):
        if file.parent != folder:
            folder = file.parent
            begins = folder / "__init__.py"
            says = f"  {first_sentence(begins)}" if begins.exists() else ""
            yield f"{folder.relative_to(ROOT)}/{says}"
        if file.name != "__init__.py":
            yield f"  {file.name:<18} {first_sentence(file)}"


def tree() -> str:
    """All of it."""
    return "".join(f"{line}\n" for line in tree_lines())


def in_guide() -> str:
    """The tree as the guide has it."""
    text = GUIDE.read_text(encoding="utf-8")
    return text.partition(BEGIN)[2].partition(END)[0]


if __name__ == "__main__":
    if sys.argv[1:] == ["--write"]:
        before, _, rest = GUIDE.read_text(encoding="utf-8").partition(BEGIN)
        GUIDE.write_text(f"{before}{BEGIN}{tree()}{END}{rest.partition(END)[2]}", encoding="utf-8")
    else:
        print(tree(), end="")
