"""What the log says of jobs and of the box: frozen values read from events, at its end or at any past event.

Nothing here is ever stored. How a post and its run stand is `shimfit.standing`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

from shimfit.core.ledger import Ledger

if TYPE_CHECKING:
    from collections.abc import Mapping

    from shimfit.core.ledger import TakenTwice
    from shimfit.model import Lot
    from shimfit.standing import Units

InstrumentKind = Literal["level", "plumb-line", "inclinometer"]


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
class InstrumentRecord:
    """An instrument as it was entered last; earlier entries are its history."""

    name: str
    kind: InstrumentKind
    length_mm: float | None = None
    accuracy_slope: float | None = None
    """Maker's accuracy as a slope (ratio), as a limit; None = not known."""
    graduation_mm: float | None = None
    zero_along: float = 0.0
    """Slope that it shows on a plumb post, along; taken off readings."""
    zero_across: float = 0.0
    u_zero: float | None = None
    """Standard uncertainty of the zero (slope); None = never checked end for end."""
    checked: str | None = None
    """When it was last turned end for end, ISO 8601; None = never."""
    axes: str | None = None
    """A sensor's: how its x and y lay on the post when the zero was found; None = not told."""
    zero_degc: float | None = None
    """Temperature at which the zero was found; None = not told."""
    floor_deg: float | None = None
    """A sensor's: what averaging can't get below, from a long still record."""
    memory_s: float | None = None
    """A sensor's: how long it remembers, from a long still record."""
    time: str | None = None
    """When this was entered."""
    event: str | None = None


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
    instruments: tuple[InstrumentRecord, ...] = ()
    """Latest entry of each instrument, in the order they were first entered."""
    instrument_history: tuple[InstrumentRecord, ...] = ()
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

    def instrument(self, name: str) -> InstrumentRecord | None:
        """The instrument of that name, or None."""
        return next((one for one in self.instruments if one.name == name), None)
