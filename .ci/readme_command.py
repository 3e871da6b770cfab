"""Print the README's command of a given name: the fenced block that follows `<!-- command: NAME -->`."""

from __future__ import annotations

import re
import sys
from pathlib import Path


def readme_command(text: str, name: str) -> str:
    """Command block of that name; ValueError where the README has none or more than one."""
    found = re.findall(rf"<!-- command: {re.escape(name)} -->\s*```sh\n(.*?)```", text, re.DOTALL)
    if len(found) != 1:
        raise ValueError(f"README.md has {len(found)} command blocks named {name!r}, one is wanted")
    return str(found[0]).strip()


if __name__ == "__main__":
    print(readme_command(Path(sys.argv[1]).read_text(encoding="utf-8"), sys.argv[2]))
