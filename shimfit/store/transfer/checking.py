"""Checking an export without a data file: each event by its hash, all of them as a chain."""

from __future__ import annotations

from dataclasses import dataclass

from shimfit.errors import FileError
from shimfit.store.chain import Checker
from shimfit.store.events import Event
from shimfit.store.transfer.lines import events_of


@dataclass(frozen=True, slots=True)
class CheckedFile:
    """An export in which every line is as it was logged."""

    events: tuple[Event, ...]
    chain: bool
    """The lines are the whole log from its first event; False for one job of it, where links are missing."""

    @property
    def last(self) -> str:
        """Hash of the last event; empty without events."""
        return self.events[-1].hash if self.events else ""


def check_text(text: str, name: str) -> CheckedFile:
    """Work out every hash of an export's text again; raises FileError naming the first line that is wrong.

    A part of a log (one job) can't be followed link by link; what its lines say is checked all the same.
    """
    events = tuple(events_of(text, name, outcome="what stands before it can be believed, nothing after it"))
    if not events:
        raise FileError(f"{name} holds no events: is it what `shimfit export` wrote?", path=name)
    checker = Checker()
    return CheckedFile(events, chain=all(checker.trouble(event) is None for event in events))
