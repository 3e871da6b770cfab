"""Where the person stands and what he does there: the one set of moves behind the screens and plain mode.

A desk holds the open data file, the post on screen and what is being said about it. It draws nothing and
knows no terminal library. Every move returns an Outcome: words for the person, never an exception for
something that he can put right. Rooms: `standing` where, `readings` what is read, `work` what is done at the
post, `file` what is done to the run.
"""

from __future__ import annotations

from shimfit.tui.desk.file import RunFile
from shimfit.tui.desk.outcome import Bell, Outcome
from shimfit.tui.desk.readings import Readings
from shimfit.tui.desk.work import Work

__all__ = ["Bell", "Desk", "Outcome"]


class Desk(Readings, Work, RunFile):
    """One person at one post of an open data file: every move that he can make there."""
