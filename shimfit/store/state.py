"""What the log says of jobs and of the box: frozen values read from events, at its end or at any past event.

Nothing here is ever stored. How a post and its run stand is `shimfit.standing`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from shimfit.core.ledger import Ledger

if TYPE_CHECKING:
    from collections.abc import Mapping

    from shimfit.core.ledger import TakenTwice
    from shimfit.model import Instrument, Lot
    from shimfit.standing import Units


@dataclass(frozen=True, slots=True)
class JobState:
    """One job. Its runs are named here and read one by one with `Journal.run(job, name)`."""

    name: str
    sample: bool = False
    units: Units = "mm"
    runs: tuple[str, ...] = ()
    """Names, in the order they were added."""
    undo: str | None = None
    """What undo would take back, in words; None = nothing."""
    redo: str | None = None
    """What redo would bring back, in words; None = nothing."""
    last_run: str | None = None
    """Run that was worked on last; None when the job has none."""
    last_seq: int = 0
    """Position in the log of the job's last event."""


@dataclass(frozen=True, slots=True)
class BoxState:
    """The carpenter's box: what is left, his instruments and settings. One box for all jobs."""

    lots: tuple[Lot, ...] = ()
    """What is left, count > 0, in the order it came in; remainders are lots of their own."""
    used_up: tuple[Lot, ...] = ()
    """Lots that were in the box and are out, count 0."""
    short: tuple[tuple[str, int], ...] = ()
    """(lot, pieces) that were logged as used but were not in the box: the box was counted wrong."""
    taken_twice: tuple[TakenTwice, ...] = ()
    """Wood that two packs were logged to be made of, as when two crews drew on one box."""
    stock: Ledger = field(default_factory=Ledger, compare=False, repr=False)
    """The same pieces one by one: copies, cuts, what remainders were cut from. Not to be changed: copy it."""
    instruments: tuple[Instrument, ...] = ()
    """Latest entry of each instrument, in the order they were first entered."""
    instrument_history: tuple[Instrument, ...] = ()
    """Every entry in order: the zero over time."""
    settings: Mapping[str, Any] = field(default_factory=dict)
    """Key -> value as last set; read only."""
    undo: str | None = None
    """What undo would take back from the box, in words; None = nothing."""
    redo: str | None = None
    last_seq: int = 0
    unread: tuple[str, ...] = ()
    """Events of the box that this version could not understand, a sentence each."""

    def lot(self, name: str) -> Lot | None:
        """What is left of a lot, or None."""
        return next((lot for lot in self.lots if lot.lot == name), None)

    def instrument(self, name: str) -> Instrument | None:
        """The instrument of that name, or None."""
        return next((one for one in self.instruments if one.name == name), None)
