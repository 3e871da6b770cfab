"""One post as it is asked about, checked once, with what every layout needs to know of it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from shimfit.core.checks import finite, not_negative, positive
from shimfit.core.foot import GapPlane, gap_plane
from shimfit.core.resting import Support, rest, rest_packs
from shimfit.errors import EntryError, UsageError
from shimfit.model import CORNERS, Pack, Resting, Seat

if TYPE_CHECKING:
    from shimfit.core.packing.task import Offer
    from shimfit.model import Foot, Lean, Tolerance

Offers = Mapping[Seat, Sequence["Offer"]]


@dataclass(frozen=True, slots=True)
class Question:
    """A post, its lean and what is allowed. Build it with `ask`."""

    foot: Foot
    height_mm: float
    lean: Lean
    tolerance: Tolerance
    plane: GapPlane
    preload_mm: float
    margin_slope: float = 0.0
    """Kept from the limit: what the reading, the marks and the take-up are uncertain by (a slope)."""
    feelers: Mapping[Seat, float] = field(default_factory=dict)
    """Feeler thickness in mm at seats that do not touch; part of their need."""
    needs: Mapping[Seat, float] | None = None
    """Totals wanted at the corners in mm, in place of the gap plane (after packs are in place)."""
    offers: Offers = field(default_factory=dict)
    """Packs that may stay or change at a price of their own."""

    @property
    def allowed_mm(self) -> float:
        """Lean at the top that the tolerance itself allows."""
        return self.tolerance.allowed_top_mm(self.height_mm)

    @property
    def safe_mm(self) -> float:
        """The same less the margin; not below 0."""
        return max(0.0, self.allowed_mm - self.margin_slope * self.height_mm)

    def extra_mm(self, seat: Seat) -> float:
        """What is wanted at a seat over the gap of the plane."""
        if self.needs is not None:
            return self.needs[seat] - self.plane.at_seat_mm(seat)
        return self.feelers.get(seat, 0.0)

    def rests_on(self, packs: Sequence[Pack]) -> Resting:
        """How the post is predicted to stand on these packs."""
        if self.needs is None:
            return rest_packs(self.foot, self.lean, packs, self.preload_mm, rocks_mm=self.feelers)
        return rest(self.foot, list(self._supports(packs)), self.preload_mm)

    def _supports(self, packs: Sequence[Pack]) -> list[Support]:
        """Supports against wanted totals: the plane only tells how the wanted total changes inwards."""
        rod_x, rod_y = self.foot.rod_at_mm
        supports = []
        for pack in packs:
            x, y = pack.bears_at_mm[0] + rod_x, pack.bears_at_mm[1] + rod_y
            supports.append(Support(x, y, pack.made_mm - self.plane.gap_mm(x, y) - self.extra_mm(pack.seat)))
        packed = {pack.seat for pack in packs}
        for seat in CORNERS:
            if seat not in packed:
                x, y = self.foot.seat_at_mm(seat)
                error = -self.plane.at_seat_mm(seat) - self.extra_mm(seat)
                supports.append(Support(x, y, error, bare=True))
        return supports

    def stands(self, resting: Resting) -> bool:
        """True when it rests in one way and within the tolerance itself."""
        return resting.lean is not None and self.tolerance.holds(resting.lean, self.height_mm)


def ask(
    foot: Foot,
    height_mm: float,
    lean: Lean,
    tolerance: Tolerance,
    preload_mm: float,
    *,
    margin_slope: float = 0.0,
    feelers: Mapping[Seat, float] | None = None,
    needs: Mapping[Seat, float] | None = None,
    offers: Offers | None = None,
) -> Question:
    """The question, checked.

    EntryError for a number that is none, a height or tolerance that is not above 0, a foot that is none, a
    negative margin or feeler; UsageError when totals are not told for all four corners.
    """
    positive(height_mm, "height")
    plane = gap_plane(foot, lean)
    allowed = tolerance.allowed_top_mm(height_mm)
    if not (math.isfinite(allowed) and allowed > 0.0):
        raise EntryError(
            f"The tolerance {tolerance.text} allows {allowed} mm at the top; it must be more than 0."
        )
    not_negative(margin_slope, "margin", "")
    told = {seat: not_negative(value, f"feeler at {seat}") for seat, value in (feelers or {}).items()}
    if needs is not None:
        if any(seat not in needs for seat in CORNERS):
            raise UsageError("Totals wanted must be told for all four corners.")
        needs = {seat: finite(value, f"total wanted at {seat}") for seat, value in needs.items()}
        if told:
            raise UsageError("Feelers are part of the totals wanted; tell one of the two.")
    return Question(
        foot=foot,
        height_mm=height_mm,
        lean=lean,
        tolerance=tolerance,
        plane=plane,
        preload_mm=preload_mm,
        margin_slope=margin_slope,
        feelers={seat: value for seat, value in told.items() if value > 0.0},
        needs=needs,
        offers=dict(offers or {}),
    )
