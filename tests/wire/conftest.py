"""The wire's tests: a pseudo-terminal, and the way to their shared helpers (`receiving`)."""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

# Tests are imported by file, not as packages, so the folder has to be on the path.
sys.path.insert(0, str(Path(__file__).parent))


@pytest.fixture
def terminal() -> Iterator[tuple[int, str]]:
    """A raw pseudo-terminal: (our end, the other end's name)."""
    if sys.platform == "win32":
        pytest.skip("no pseudo-terminals here")
    import tty

    ours, theirs = os.openpty()
    tty.setraw(theirs)
    yield ours, os.ttyname(theirs)
    for end in (ours, theirs):
        with contextlib.suppress(OSError):
            os.close(end)
