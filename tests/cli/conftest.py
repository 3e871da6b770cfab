"""Runs commands in this process, as a person would type them, on a data file of the test's own."""

from __future__ import annotations

import io
import json
import shlex
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from shimfit.cli import main
from shimfit.cli.io import Io
from shimfit.errors import Exit

ROOT = Path(__file__).resolve().parent.parent.parent


@dataclass(frozen=True)
class Ran:
    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        return json.loads(self.out)


_LEFT_BY: dict[tuple[str, ...], bytes] = {}


@pytest.fixture
def after(shimfit: Callable[..., Ran], tmp_path: Path) -> Callable[..., Callable[..., Ran]]:
    """Commands on a data file as others left it, which are run once in a process."""

    def begin(*commands: str) -> Callable[..., Ran]:
        file = tmp_path / "test.db"
        if commands in _LEFT_BY:
            file.write_bytes(_LEFT_BY[commands])
        else:
            for one in commands:
                assert shimfit(one).code in (Exit.DONE, Exit.OVER), one
            _LEFT_BY[commands] = file.read_bytes()
        return shimfit

    return begin


@pytest.fixture
def shimfit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., Ran]:
    for name in ("UNITS", "THEME", "BY", "RULE"):
        monkeypatch.delenv(f"SHIMFIT_{name}", raising=False)
    monkeypatch.setenv("SHIMFIT_DB", str(tmp_path / "test.db"))
    monkeypatch.chdir(ROOT)

    def run(*words: str) -> Ran:
        argv = shlex.split(words[0]) if len(words) == 1 else list(words)
        out, err = io.StringIO(), io.StringIO()
        code = main(argv, Io(out, err))
        return Ran(code, out.getvalue(), err.getvalue())

    return run
