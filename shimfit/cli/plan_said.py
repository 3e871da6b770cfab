"""A plan in sentences on stdout and its progress on stderr: the same words as the screen's."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Any

from shimfit.core.tolerance import DEFAULT_TOLERANCE, parse_tolerance
from shimfit.model import Foot
from shimfit.settings import load
from shimfit.standing import RunState
from shimfit.tui.glyphs import glyphs_for
from shimfit.tui.plan_words import gap_words, outcome_words, plan_lines, progress_bar, progress_words
from shimfit.tui.telling import Words

if TYPE_CHECKING:
    from collections.abc import Iterator

    from shimfit.cli.io import Io
    from shimfit.settings import Settings

BAR = 24
BETWEEN_S = 0.5
"""Least time between two lines of progress."""


class Progress:
    """Hears how the bound closes in and says it, twice a second at most."""

    def __init__(self, io: Io) -> None:
        self._io = io
        self._last_s = 0.0

    def __call__(self, bound: float, best: float | None) -> None:
        """Say it, unless something was said just now."""
        now_s = time.monotonic()
        if now_s - self._last_s >= BETWEEN_S:
            self._last_s = now_s
            bar = progress_bar(bound, best, BAR, "#", ".")
            self._io.talk(f"  [{bar}] {progress_words(bound, best)}")


def words_of(run: RunState, settings: Settings) -> Words:
    """How a run's plan is told: its faces, its unit, its tape."""
    return Words(run, glyphs_for(ascii_only=settings.ascii), graduation=settings.graduation)


def words_without_a_run() -> Words:
    """Plain face names and millimetres, as a problem from a file is told."""
    run = RunState("", "", Foot(90.0, 90.0), 1000.0, parse_tolerance(DEFAULT_TOLERANCE))
    return words_of(run, load({}))


def outcome_lines(answer: dict[str, Any], words: Words) -> Iterator[str]:
    """How many posts are served and how good the plan is, then the sheet."""
    yield f"{outcome_words(answer)}. {gap_words(answer)}"
    yield from sheet_lines(answer, words)


def sheet_lines(answer: dict[str, Any], words: Words) -> Iterator[str]:
    """Posts not served, pack labels, cut sheet."""
    for text, _ in plan_lines(answer, words):
        yield text
