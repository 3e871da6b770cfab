"""One post as the search sees it: what may stand at each seat, where the bed bears, what is allowed."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from shimfit.core.chance import Outlook
    from shimfit.core.packing.places import Place
    from shimfit.model import Pack, Seat


@dataclass(frozen=True, slots=True)
class Offer:
    """A pack that may stand at a seat as it is, at a price of its own: kept in place, or pushed a little."""

    pack: Pack
    cost: float = 0.0
    inner: bool = False
    """It bears at the place's inner point."""


@dataclass(frozen=True, slots=True)
class SeatTask:
    """What may stand at one seat."""

    seat: Seat
    place: Place | None
    """None: no room for a piece; the seat can only be bare."""
    bare_need_mm: float
    """Gap at the seat itself."""
    at_mm: tuple[float, float]
    """The seat, from the foot's centre."""
    offers: tuple[Offer, ...] = ()


class Ground(NamedTuple):
    """A place where the bed bears: position from the foot's centre, error (minus the gap), stiffness."""

    x_mm: float
    y_mm: float
    error_mm: float
    share: float = 1.0


Grounds = Callable[[tuple["Seat", ...]], Sequence[Ground]]


MOST_RESTS = 50_000
"""Contact problems that one question may cost (about a second): enough for all but crowded boxes."""


@dataclass(slots=True)
class Work:
    """Contact problems solved for one question so far, over all its layouts: the same on every machine."""

    left: int = MOST_RESTS

    @property
    def spent(self) -> bool:
        """From here on only some thicknesses are looked at, and nothing is proven."""
        return self.left <= 0


@dataclass(frozen=True, slots=True)
class Task:
    """One post as the search sees it."""

    seats: tuple[SeatTask, ...]
    """The first stays down (its need is what the others are told against); the others are searched."""
    rod_at_mm: tuple[float, float]
    height_mm: float
    allowed_mm: float
    """Lean at the top that may be left over."""
    disk: bool
    """The limit is on the magnitude; else on each direction."""
    residual_mm: float
    """What the residual is weighed against: the tolerance itself."""
    outlook: Outlook
    """The next reading."""
    steepest: float
    """The steeper of the two slopes, what bearing is weighed against when everything bears at the seat."""
    thin: bool = False
    """Only look at some thicknesses of each seat: the cheapest and the nearest (answers are not proven)."""
    lean_only: bool = False
    """Look for the least lean left over, whatever it costs (when nothing keeps the limits)."""
    grounds: Grounds | None = None
    """Where the bed itself bears, for the seats that are packed; the first is the pivot. None for the
    corners of a rectangle: there it is the seats themselves."""
    work: Work = field(default_factory=Work)
    """What the contact problem may still cost."""
    row_prices: Mapping[tuple[Seat, float], float] = field(default_factory=dict)
    """Extra price of a saw setting at a seat (whole runs)."""
