"""One post as it is asked about, checked once, with what every layout needs to know of it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from shimfit.core.checks import finite, not_negative, positive
from shimfit.core.foot import GapPlane, gap_plane
from shimfit.core.objective import Scatter, usual_reads
from shimfit.core.resting import Support, rest, rest_packs, scaled, shares_of_pull, supports_of
from shimfit.errors import EntryError, UsageError
from shimfit.model import CORNERS, Pack, Resting, Seat

if TYPE_CHECKING:
    from shimfit.core.chance import Outlook
    from shimfit.core.objective import Reads
    from shimfit.core.packing.task import Offer
    from shimfit.model import Chance, Foot, Lean, Reading, Tolerance

_CARRIES = 1e-9
"""Share of the pull below which a support carries nothing."""
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
    reads: Reads
    """How the next reading is taken."""
    margin_slope: float = 0.0
    """Part of the tolerance that is used up already: by an aim off plumb (a slope)."""
    u_take_up: float = 0.0
    """Standard uncertainty of the take-up, as a share of it."""
    shift_mm: tuple[float, float] | None = None
    """How far the packs take the top; None: all of the lean."""
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
        """The same less what is used up; not below 0: the hard limit of the search."""
        return max(0.0, self.allowed_mm - self.margin_slope * self.height_mm)

    def outlook(self, scatter: Scatter) -> Outlook:
        """The next reading, but for the supports."""
        from shimfit.core.chance import outlook_of

        return outlook_of(
            max(self.safe_mm, 1e-9),
            self.height_mm,
            self.reads,
            scatter,
            per_direction=self.tolerance.per_direction,
            shift_mm=self.shift_mm or self.lean.top_mm(self.height_mm),
            u_take_up=self.u_take_up,
        )

    def extra_mm(self, seat: Seat) -> float:
        """What is wanted at a seat over the gap of the plane."""
        if self.needs is not None:
            return self.needs[seat] - self.plane.at_seat_mm(seat)
        return self.feelers.get(seat, 0.0)

    def rests_on(self, packs: Sequence[Pack]) -> Resting:
        """How the post is predicted to stand on these packs."""
        if self.needs is None:
            return rest_packs(self.foot, self.lean, packs, self.preload_mm, rocks_mm=self.feelers)
        return rest(self.foot, self._supports(packs), self.preload_mm)

    def chance_on(
        self,
        packs: Sequence[Pack],
        resting: Resting,
        scatter: Scatter,
        *,
        all_carry: bool = False,
        in_full: bool = True,
    ) -> tuple[float, Chance | None]:
        """Chance that the objective counts (0 where the post rocks), and what the next reading will say.

        Through the supports that carry at rest. Where the instrument can't decide, the objective counts the
        tolerance itself. all_carry: known of four corners, one of which may only just touch. in_full: else
        only what the objective counts is worked out.
        """
        alone = None if resting.lean is None else self.seats_spread(packs, scatter, all_carry=all_carry)
        if alone is None or resting.lean is None:
            return 0.0, None
        from shimfit.core.chance import Chances, foretold

        outlook = self.outlook(scatter)
        rest_mm = resting.lean.top_mm(self.height_mm)
        everything = tuple(a + b for a, b in zip(alone, outlook.base_mm2, strict=True))
        reach_mm = max(self.safe_mm, 1e-9, math.hypot(*rest_mm))
        chances = Chances([everything], [outlook.zone], reach_mm)
        counted = float(chances.at(0, [rest_mm[0]], [rest_mm[1]])[0])
        if not in_full:
            return counted, None
        sx, sy = (s * self.u_take_up for s in self.shift_mm or self.lean.top_mm(self.height_mm))
        chance = foretold(
            rest_mm,
            alone,
            (sx * sx, sx * sy, sy * sy),
            max(self.safe_mm, 1e-9),
            self.height_mm,
            self.reads,
            per_direction=self.tolerance.per_direction,
        )
        return counted, chance

    def seats_spread(
        self, packs: Sequence[Pack], scatter: Scatter, *, all_carry: bool = False
    ) -> tuple[float, float, float] | None:
        """J diag(v) Jᵀ, mm² at the top (along², along·across, across²); None where they stand on one line."""
        from shimfit.core.chance import top_per_error

        supports = self._supports(packs)
        shares = shares_of_pull(self.foot, supports, self.preload_mm)
        carrying = [one for one, share in zip(supports, shares, strict=True) if all_carry or share > _CARRIES]
        moved = {pack.bears_at_mm: self._moved_in(pack) for pack in packs}
        rod_x, rod_y = self.foot.rod_at_mm
        seats_mm2 = []
        for one in carrying:
            inner, slope = moved.get((one.x_mm - rod_x, one.y_mm - rod_y), (False, 0.0))
            seats_mm2.append(scatter.seat_mm2(inner=inner and not one.bare, gap_slope=slope))
        points = [(one.x_mm, one.y_mm) for one in carrying]
        try:
            along, across = top_per_error(points, self.height_mm, [one.stiffness for one in carrying])
        except ValueError:  # numpy's LinAlgError
            return None
        xx, xy, yy = (
            one * other @ seats_mm2 for one, other in ((along, along), (along, across), (across, across))
        )
        return float(xx), float(xy), float(yy)

    def _moved_in(self, pack: Pack) -> tuple[bool, float]:
        """Whether a pack bears further in than its seat, and how much the gap grows that way."""
        x, y = self.foot.seat_at_mm(pack.seat)
        dx = x - self.foot.rod_at_mm[0] - pack.bears_at_mm[0]
        dy = y - self.foot.rod_at_mm[1] - pack.bears_at_mm[1]
        if max(abs(dx), abs(dy)) < 1e-6:
            return False, 0.0
        slope = (
            self.plane.slope_along * math.copysign(1.0, dx)
            if abs(dx) > abs(dy)
            else (self.plane.slope_across * math.copysign(1.0, dy))
        )
        return True, max(0.0, slope)

    def _supports(self, packs: Sequence[Pack]) -> list[Support]:
        """What can push; against wanted totals the plane only tells how they change inwards."""
        if self.needs is None:
            return supports_of(self.plane, packs, stiffness={}, rocks_mm=self.feelers)
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
    reads: Reads | None = None,
    u_take_up: float = 0.0,
    shift_mm: tuple[float, float] | None = None,
    margin_slope: float = 0.0,
    feelers: Mapping[Seat, float] | None = None,
    needs: Mapping[Seat, float] | None = None,
    offers: Offers | None = None,
) -> Question:
    """The question, checked.

    EntryError for a number that is none, a height or tolerance that is not above 0, a foot that is none, a
    negative margin or feeler; UsageError when totals are not given for all four corners.
    """
    positive(height_mm, "height")
    plane = gap_plane(foot, lean)
    allowed = tolerance.allowed_top_mm(height_mm)
    if not (math.isfinite(allowed) and allowed > 0.0):
        raise EntryError(
            f"The tolerance {tolerance.text} allows {allowed} mm at the top; it must be more than 0."
        )
    not_negative(margin_slope, "margin", "")
    feeler_mm = {seat: not_negative(value, f"feeler at {seat}") for seat, value in (feelers or {}).items()}
    if needs is not None:
        if any(seat not in needs for seat in CORNERS):
            raise UsageError("Give the totals wanted for all four corners, or none.")
        needs = {seat: finite(value, f"total wanted at {seat}") for seat, value in needs.items()}
        if feeler_mm:
            raise UsageError("Feelers are part of the totals wanted; give one of the two.")
    return Question(
        foot=foot,
        height_mm=height_mm,
        lean=lean,
        tolerance=tolerance,
        plane=plane,
        preload_mm=preload_mm,
        reads=usual_reads() if reads is None else reads,
        margin_slope=margin_slope,
        u_take_up=not_negative(u_take_up, "uncertainty of the take-up", ""),
        shift_mm=shift_mm,
        feelers={seat: value for seat, value in feeler_mm.items() if value > 0.0},
        needs=needs,
        offers=dict(offers or {}),
    )


def usual_spread(  # noqa: PLR0917 - it takes the quantities it takes
    foot: Foot,
    height_mm: float,
    stood: Reading,
    tolerance: Tolerance,
    packs: Sequence[Pack],
    preload_mm: float,
    *,
    take_up: float,
) -> tuple[float, float, float] | None:
    """What a usual site's seats scatter the top by once a post that stood bare has these packs, mm².

    stood: the full reading that they were made for. As `Question.seats_spread`, of what packs really give.
    """
    assert stood.lean is not None
    feelers = {seat: mm for seat, mm in stood.rocks if mm > 0.0}
    asked = ask(foot, height_mm, scaled(stood.lean, 1.0 / take_up), tolerance, preload_mm, feelers=feelers)
    four = not foot.round and all(pack.seat.is_corner for pack in packs)
    found = asked.seats_spread(packs, Scatter(), all_carry=four)
    share = take_up * take_up
    return None if found is None else (found[0] * share, found[1] * share, found[2] * share)
