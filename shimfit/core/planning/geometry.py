"""Many posts as arrays: needs, bearing points and the linear maps from thickness errors to what is left over.

A post rests on its four corners, the pivot bare. The other three seats are called here

    A  the neighbour of the pivot along the run     gap |slope_along| · side along
    B  the neighbour across the run                 gap |slope_across| · side across
    F  the far corner                               gap of A + gap of B

Each of them bears either at its face (state 0) or further in (state 1: pieces flatter than the gap), so a
post has eight combinations of bearing points; with `bearing_point="corner"` only the first is used. Where
packs bear and how a post rests on them is as for one post alone (`packing.question`, `packing.rests`); for
one combination, with all four in contact, the errors e = thickness - gap at A, B, F give

    (lean left along, lean left across, rock) = constant + M · e

in shares of what is allowed (±1 = exactly at the limit).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from shimfit.core.chance import Chances, acceptance_of
from shimfit.core.foot import GapPlane, gap_plane
from shimfit.core.objective import Reads, usual_reads
from shimfit.core.packing.question import place_of
from shimfit.core.packing.rests import fourfold
from shimfit.model import Foot, Lean, Seat, seat_by_signs

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from shimfit.core.chance import Acceptance
    from shimfit.core.objective import Scatter
    from shimfit.core.packing.options import Options
    from shimfit.model import Tolerance

    Floats = NDArray[np.float64]
    Bools = NDArray[np.bool_]

SEATS = 3
PIVOT = 3
"""Number of the pivot's own seat, which is packed only when the whole foot is lifted."""
STATES = 2
COMBINATIONS = STATES**SEATS


@dataclass(frozen=True, slots=True)
class PlanPost:
    """A post that the run's plan has to serve."""

    name: str
    foot: Foot
    height_mm: float
    lean: Lean
    """As read; the packs take it to `aim`."""
    tolerance: Tolerance
    aim: Lean | None = None
    """Where to bring it; None = plumb."""
    margin_slope: float = 0.0
    """Kept from the limit: what the reading, marks and take-up are uncertain by (ratio)."""
    feelers: tuple[tuple[Seat, float], ...] = ()
    """Corners that do not touch with their feeler thickness in mm."""
    reads: Reads = field(default_factory=usual_reads)
    """How the next reading is taken."""
    u_take_up: float = 0.0
    """Standard uncertainty of the take-up, as a share of it."""

    @property
    def to_correct(self) -> tuple[float, float]:
        """Slopes (along, across) that the packs have to take out."""
        aim = (0.0, 0.0) if self.aim is None else (self.aim.slope_along, self.aim.slope_across)
        return self.lean.slope_along - aim[0], self.lean.slope_across - aim[1]

    @property
    def allowed_mm(self) -> float:
        """Displacement of the top that is allowed about the aim, mm; aim and margin use up their parts."""
        allowed = self.tolerance.allowed_top_mm(self.height_mm)
        if self.aim is not None:
            allowed *= 1.0 - self.tolerance.uses(self.aim, self.height_mm)
        return max(0.0, allowed - self.margin_slope * self.height_mm)

    @property
    def used_slope(self) -> float:
        """What aim and margin use up of the tolerance (ratio)."""
        return self.tolerance.allowed_slope(self.height_mm) - self.allowed_mm / self.height_mm

    @property
    def stands(self) -> bool:
        """Within its tolerance as it is: it needs no packs."""
        along, across = self.to_correct
        size = max(abs(along), abs(across)) if self.tolerance.per_direction else math.hypot(along, across)
        allowed = self.allowed_mm + self.margin_slope * self.height_mm
        return size * self.height_mm <= allowed * (1 + 1e-12)

    def acceptance(self, scatter: Scatter) -> Acceptance:
        """The next reading, but for the supports; as `packing` has it for the same post."""
        along, across = self.to_correct
        return acceptance_of(
            max(self.allowed_mm, 1e-9), self.height_mm, self.reads, scatter,
            per_direction=self.tolerance.per_direction,
            shift_mm=(along * self.height_mm, across * self.height_mm), u_take_up=self.u_take_up,
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Geometry:
    """P posts as arrays; thicknesses, gaps and lengths in mm. C = `combinations`."""

    posts: tuple[PlanPost, ...]
    seats: tuple[tuple[Seat, Seat, Seat, Seat], ...]
    """Seats A, B, F and the pivot of each post."""
    gap_mm: Floats
    """(P, 3, 2) need where a pack bears, by seat and state."""
    bears_at_mm: Floats
    """(P, 3, 2, 2) where it bears from the rod (+next, +out), by seat and state."""
    low_mm: Floats
    high_mm: Floats
    """(P, 3, 2) least and greatest error that any combination with that state takes; low > high if none."""
    steep: Floats
    """(P, 3) slope of the gap in the direction that the pack is pushed in."""
    inside_mm: Floats
    """(P, 3) bearing length: how far in a pack reaches; 0 where there is no room for one."""
    linear: Floats
    """(P, C, 3, 3) M: errors at A, B, F → (along, across, rock) in shares of what is allowed."""
    constant: Floats
    """(P, C, 3)."""
    rock_low: Floats
    rock_high: Floats
    """(P, C) interval of the rock's share in which all four seats push; empty (low > high) if none."""
    spread: Floats
    """(P, C, 3) covariance of the next reading's top (along², along·across, across²), in shares squared."""
    disk: Bools
    """(P,) the tolerance is on the magnitude; else on each direction."""
    can_lift: Bools
    """(P,) there is room for a flat under the pivot too."""
    combinations: int
    """1 when everything bears at the seat itself, else 8."""

    def some(self, posts: NDArray[np.int64]) -> Geometry:
        """That of some of the posts."""
        values = {name: getattr(self, name) for name in self.__slots__}
        arrays: dict[str, Any] = {
            name: value[posts] for name, value in values.items() if isinstance(value, np.ndarray)
        }
        numbers = posts.tolist()
        seats = tuple(self.seats[k] for k in numbers)
        return replace(self, posts=tuple(self.posts[k] for k in numbers), seats=seats, **arrays)

    def chances(self, scatter: Scatter) -> Chances:
        """Chances of plumb at the next reading, in shares of what is allowed.

        The class of (post, combination) is post · C + combination.
        """
        zones = [
            post.acceptance(scatter).zone.scaled(1.0 / _allowed(post))
            for post in self.posts
            for _ in range(self.combinations)
        ]
        return Chances(self.spread.reshape(-1, 3), zones, 1.0)


def build(posts: Sequence[PlanPost], options: Options) -> Geometry:
    """Arrays of posts that keep their order; a round foot is the square one through its corner seats.

    That is where it stands on three or four corner packs (`core.resting`).
    """
    count, each = len(posts), 1 if options.bearing_point == "corner" else COMBINATIONS
    by_state, by_combination = (count, SEATS, STATES), (count, each)
    made = Geometry(
        posts=tuple(posts),
        seats=tuple(map(seats_of, posts)),
        gap_mm=np.zeros(by_state),
        bears_at_mm=np.zeros((*by_state, 2)),
        low_mm=np.full(by_state, np.inf),
        high_mm=np.full(by_state, -np.inf),
        steep=np.zeros((count, SEATS)),
        inside_mm=np.zeros((count, SEATS)),
        linear=np.zeros((*by_combination, 3, 3)),
        constant=np.zeros((*by_combination, 3)),
        rock_low=np.ones(by_combination),
        rock_high=-np.ones(by_combination),
        spread=np.ones((*by_combination, 3)),
        disk=np.array([not post.tolerance.per_direction for post in posts], bool),
        can_lift=np.zeros(count, bool),
        combinations=each,
    )
    for number in range(count):
        _fill(made, number, options)
    return made


def _allowed(post: PlanPost) -> float:
    return max(post.allowed_mm, 1e-9)


def _fill(made: Geometry, p: int, options: Options) -> None:
    """The rows of post p."""
    post, seats = made.posts[p], made.seats[p]
    plane, rod = _plane(post), np.array(post.foot.rod_at_mm)
    acceptance, allowed, pull = post.acceptance(options.scatter), _allowed(post), 4.0 * options.preload_mm
    made.can_lift[p] = place_of(plane, seats[PIVOT], options) is not None
    seat_mm2 = [[options.scatter.seat_mm2(inner=False)] * STATES]
    for i, seat in enumerate(seats[:SEATS]):
        place = place_of(plane, seat, options)
        if place is None:
            made.gap_mm[p, i] = plane.at_seat_mm(seat)
            made.bears_at_mm[p, i] = post.foot.seat_at_mm(seat) - rod
            seat_mm2.append(seat_mm2[0])
            continue
        made.gap_mm[p, i] = place.face_need_mm, place.inner_need_mm
        made.bears_at_mm[p, i] = place.face_at_mm - rod, place.inner_at_mm - rod
        made.steep[p, i], made.inside_mm[p, i] = place.slope, place.inside_mm
        seat_mm2.append(
            [options.scatter.seat_mm2(inner=inner, gap_slope=place.slope) for inner in (False, True)]
        )
    pivot = tuple(post.foot.seat_at_mm(seats[PIVOT]) - rod)
    bears_at = [[tuple(at) for at in states] for states in made.bears_at_mm[p].tolist()]
    for c in range(made.combinations):
        states = [(c >> i) & 1 for i in range(SEATS)]
        points = (pivot, *(at[state] for at, state in zip(bears_at, states, strict=True)))
        found = fourfold(points, post.height_mm, pull, allowed, disk=bool(made.disk[p]))
        if found is None:
            continue
        four, windows = found
        made.linear[p, c] = np.array((four.x[1:], four.y[1:], four.n[1:])) / [[allowed], [allowed], [pull]]
        made.constant[p, c, :2] = four.x0 / allowed, four.y0 / allowed
        made.rock_low[p, c], made.rock_high[p, c] = four.q_lo / pull, four.q_hi / pull
        covariance = acceptance.covariance(
            four.x, four.y, [mm2[state] for mm2, state in zip(seat_mm2, (0, *states), strict=True)]
        )
        made.spread[p, c] = np.array(covariance) / allowed**2
        for i, (state, (low, high)) in enumerate(zip(states, windows, strict=True)):
            made.low_mm[p, i, state] = min(made.low_mm[p, i, state], low)
            made.high_mm[p, i, state] = max(made.high_mm[p, i, state], high)


def _plane(post: PlanPost) -> GapPlane:
    plane = gap_plane(post.foot, Lean(*post.to_correct))
    if not post.foot.round:
        return plane
    x, y = post.foot.seat_at_mm(Seat.NEXT_OUT)
    at_centre = abs(plane.slope_along) * x + abs(plane.slope_across) * y
    square = replace(post.foot, round=False, along_mm=2.0 * x, across_mm=2.0 * y)
    return GapPlane(square, plane.slope_along, plane.slope_across, at_centre)


def seats_of(post: PlanPost) -> tuple[Seat, Seat, Seat, Seat]:
    """Seats A, B, F and the pivot; a slope of exactly 0 counts as + (either neighbour could stay down)."""
    a, c = (-1 if slope < 0 else 1 for slope in post.to_correct)
    return seat_by_signs(a, -c), seat_by_signs(-a, c), seat_by_signs(a, c), seat_by_signs(-a, -c)
