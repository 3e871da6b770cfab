"""Many posts at once: gaps, bearing points and the linear map from thickness errors to what is left over.

A post rests on its four corners, the pivot bare. The other three seats are called here

    A  the neighbour of the pivot along the run     gap |slope_along| · side along
    B  the neighbour across the run                 gap |slope_across| · side across
    F  the far corner                               gap of A + gap of B

Each of them bears either at its face (state 0) or further in (state 1: pieces flatter than the gap), so a
post has eight combinations of bearing points; with `bearing_point="corner"` only the first is used.
For one combination, with all four in contact, the errors e = thickness - gap at A, B, F give

    (lean left along, lean left across, rock) = constant + M · e

in shares of what is allowed (±1 = exactly at the limit), by weighted least squares of the contact problem:
plane θ = (AᵀA)⁻¹ (Aᵀe - 4δ·(1, 0, 0)), rows of A = (1, x, y) from the rod; rock = 2 n·e, n the unit vector
that no plane can follow. The contact holds while every seat still pushes: an interval of rock.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from shimfit.core.chance import Chances, outlook_of
from shimfit.core.objective import Reads, usual_reads
from shimfit.model import Seat, seat_by_signs

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from shimfit.core.chance import Outlook
    from shimfit.core.objective import Scatter
    from shimfit.core.packing.options import Options
    from shimfit.model import Foot, Lean, Tolerance

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

    def outlook(self, scatter: Scatter) -> Outlook:
        """The next reading, but for the supports; as `packing` has it for the same post."""
        along, across = self.to_correct
        return outlook_of(
            max(self.allowed_mm, 1e-9), self.height_mm, self.reads, scatter,
            per_direction=self.tolerance.per_direction,
            shift_mm=(along * self.height_mm, across * self.height_mm), u_take_up=self.u_take_up,
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Geometry:
    """P posts as arrays; thicknesses, gaps and lengths in mm."""

    posts: tuple[PlanPost, ...]
    seats: tuple[tuple[Seat, Seat, Seat, Seat], ...]
    """Seats A, B, F and the pivot of each post."""
    gap_mm: Floats
    """(P, 3, 2) need where a pack bears, by seat and state."""
    bears_at_mm: Floats
    """(P, 3, 2, 2) where it bears from the rod (+next, +out), by seat and state."""
    steep: Floats
    """(P, 3) slope of the gap in the direction that the pack is pushed in."""
    inside_mm: Floats
    """(P, 3) bearing length: how far in a pack reaches."""
    weighed: Floats
    """(P, 3) slope that a piece's own is weighed against: the same, or the steeper of the post's two where
    everything bears at the seat itself."""
    linear: Floats
    """(P, 8, 3, 3) M: errors at A, B, F → (along, across, rock) in shares of what is allowed."""
    constant: Floats
    """(P, 8, 3)."""
    rock_low: Floats
    rock_high: Floats
    """(P, 8) interval of the rock's share in which all four seats push; empty (low > high) if none."""
    disk: Bools
    """(P,) the tolerance is on the magnitude; else on each direction."""
    residual_share: Floats
    """(P,) what is allowed ÷ the whole tolerance (1 unless the post has an aim)."""
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


def build(posts: Sequence[PlanPost], options: Options) -> Geometry:
    """Arrays of posts that keep their order; a round foot is the square one through its corner seats.

    That is where it stands on three or four corner packs (`core.resting`).
    """
    count = len(posts)
    slope = np.array([post.to_correct for post in posts], float).reshape(count, 2)
    half = np.array([post.foot.seat_at_mm(Seat.NEXT_OUT) for post in posts], float).reshape(count, 2)
    rod = np.array([post.foot.rod_at_mm for post in posts], float).reshape(count, 2)
    sign = np.where(slope < 0, -1.0, 1.0)
    steep_along, steep_across = np.abs(slope[:, 0]), np.abs(slope[:, 1])
    far_along = steep_along >= steep_across
    steep = np.stack([steep_along, steep_across, np.where(far_along, steep_along, steep_across)], 1)
    # Corner positions: A (+, -), B (-, +), F (+, +) times the signs of the lean.
    corner_sign = np.array([(1.0, -1.0), (-1.0, 1.0), (1.0, 1.0)])[None] * sign[:, None, :]
    at = np.repeat((corner_sign * half[:, None, :])[:, :, None, :], STATES, axis=2)
    push_along = np.stack([np.ones(count, bool), np.zeros(count, bool), far_along], 1)
    reach = _inside_mm(posts, at[:, :, 0, :], sign, push_along, options)
    shift = np.where(push_along[:, :, None], [1.0, 0.0], [0.0, 1.0]) * reach[:, :, None] * corner_sign
    at[:, :, 1, :] -= shift
    rise = np.stack([2 * half[:, 0] * steep_along, 2 * half[:, 1] * steep_across], 1)
    at_face = np.stack([rise[:, 0], rise[:, 1], rise.sum(1)], 1)
    gap = np.stack([at_face, np.maximum(0.0, at_face - steep * reach)], 2)
    pivot = -sign * half
    combinations = 1 if options.bearing_point == "corner" else COMBINATIONS
    linear, constant, low, high = _maps(posts, at - rod[:, None, None, :], pivot - rod, options, combinations)
    return Geometry(
        tuple(posts), tuple(map(seats_of, posts)), gap, at - rod[:, None, None, :], steep, reach,
        np.repeat(steep[:, 2:], SEATS, axis=1) if combinations == 1 else steep,
        linear, constant, low, high,
        np.array([not post.tolerance.per_direction for post in posts], bool),
        np.array([post.allowed_mm / post.tolerance.allowed_top_mm(post.height_mm) for post in posts], float),
        combinations,
    )  # fmt: skip


def seats_of(post: PlanPost) -> tuple[Seat, Seat, Seat, Seat]:
    """Seats A, B, F and the pivot; a slope of exactly 0 counts as + (either neighbour could stay down)."""
    a, c = (-1 if slope < 0 else 1 for slope in post.to_correct)
    return seat_by_signs(a, -c), seat_by_signs(-a, c), seat_by_signs(a, c), seat_by_signs(-a, -c)


def _inside_mm(
    posts: Sequence[PlanPost], corner: Floats, sign: Floats, push_along: Bools, options: Options
) -> Floats:
    """(P, 3) how far in packs bear: the bearing length, or to the rod's hole unless the lane clears it."""
    rod = np.array([post.foot.rod_at_mm for post in posts], float).reshape(-1, 1, 2)
    hole = np.array([post.foot.rod_hole_mm for post in posts], float)[:, None]
    keep_off = hole / 2 + options.clearance_mm
    from_rod = (corner - rod) * sign[:, None, :]
    pushed = np.where(push_along, from_rod[:, :, 0], from_rod[:, :, 1])
    beside = np.abs(np.where(push_along, (corner - rod)[:, :, 1], (corner - rod)[:, :, 0])) - keep_off
    reach = pushed - keep_off
    if options.lane_mm is not None:
        depth = 2.0 * np.abs(np.where(push_along, corner[:, :, 0], corner[:, :, 1]))
        reach = np.where(options.lane_mm <= beside, depth, reach)
    return np.asarray(np.minimum(options.bearing_mm, reach), float)


def _maps(
    posts: Sequence[PlanPost], at: Floats, pivot: Floats, options: Options, combinations: int
) -> tuple[Floats, Floats, Floats, Floats]:
    count = len(posts)
    height = np.array([post.height_mm for post in posts], float)
    allowed = np.array([post.allowed_mm for post in posts], float)
    pull = 4.0 * options.preload_mm
    linear = np.zeros((count, combinations, 3, 3))
    constant = np.zeros((count, combinations, 3))
    low, high = np.zeros((count, combinations)), np.zeros((count, combinations))
    for combination in range(combinations):
        states = [(combination >> seat) & 1 for seat in range(SEATS)]
        rows = np.ones((count, 4, 3))
        for seat, state in enumerate(states):
            rows[:, seat, 1:] = at[:, seat, state]
        rows[:, 3, 1:] = pivot
        inverse = np.linalg.inv(np.swapaxes(rows, 1, 2) @ rows)
        fit = inverse @ np.swapaxes(rows, 1, 2)
        sunk = -pull * inverse[:, :, 0]
        scale = -(height / allowed)[:, None]
        linear[:, combination, :2, :] = scale[:, :, None] * fit[:, 1:, :SEATS]
        constant[:, combination, :2] = scale * sunk[:, 1:]
        off = _off_every_plane(rows)
        linear[:, combination, 2, :] = 2.0 / pull * off[:, :SEATS]
        # Forces: what balances the pull alone, plus n (n·e); each must push. Shares of rock: 2 n·e / pull.
        alone = pull * np.einsum("pij,pj->pi", rows, inverse[:, :, 0])
        with np.errstate(divide="ignore", invalid="ignore"):
            stop = -alone / off * 2.0 / pull
        low[:, combination] = np.maximum(-1.0, np.where(off > 0, stop, -np.inf).max(1))
        high[:, combination] = np.minimum(1.0, np.where(off < 0, stop, np.inf).min(1))
    return linear, constant, low, high


def chances_of(geometry: Geometry, options: Options) -> Chances:
    """Chances of plumb at the next reading, one class per post and combination, in shares of what is allowed.

    The class of (post, combination) is post · combinations + combination. With all four in contact a class's
    covariance is that of its four bearing points; the pivot's row of J is what makes the sum over all four
    none, since a foot raised alike everywhere does not turn.
    """
    count, each = len(geometry.posts), geometry.combinations
    outlooks = [post.outlook(options.scatter) for post in geometry.posts]
    allowed = np.array([max(post.allowed_mm, 1e-9) for post in geometry.posts])
    at_face = options.scatter.seat_mm2(inner=False)
    further_in = np.array(
        [
            [options.scatter.seat_mm2(inner=True, gap_slope=one) for one in row]
            for row in geometry.steep.tolist()
        ]
    ).reshape(count, SEATS)
    spread = np.empty((count, each, 3))
    for combination in range(each):
        states = [(combination >> seat) & 1 for seat in range(SEATS)]
        top = geometry.linear[:, combination, :2, :]
        top = np.concatenate((top, -top.sum(axis=2, keepdims=True)), axis=2)
        seats = [
            further_in[:, seat] if state else np.full(count, at_face) for seat, state in enumerate(states)
        ]
        seat_mm2 = np.stack([*seats, np.full(count, at_face)], axis=1)
        spread[:, combination] = np.stack(
            [(top[:, i] * top[:, j] * seat_mm2).sum(axis=1) for i, j in ((0, 0), (0, 1), (1, 1))], axis=1
        )
    readings = np.array([one.base_mm2 for one in outlooks]).reshape(count, 3) / (allowed * allowed)[:, None]
    zones = [
        one.zone.scaled(1.0 / mm)
        for one, mm in zip(outlooks, allowed.tolist(), strict=True)
        for _ in range(each)
    ]
    return Chances((spread + readings[:, None]).reshape(-1, 3), zones, 1.0)


def _off_every_plane(rows: Floats) -> Floats:
    """Unit vector n (P, 4) with nᵀ(1, x, y) = 0: signed areas of the triangles without each point."""
    n = np.empty(rows.shape[:2])
    for corner in range(4):
        others = [k for k in range(4) if k != corner]
        n[:, corner] = (-1) ** corner * np.linalg.det(rows[:, others, :])
    return np.asarray(n / np.linalg.norm(n, axis=1, keepdims=True), float)


def windows_mm(geometry: Geometry) -> tuple[Floats, Floats]:
    """Least and greatest error (P, 3, 2) that any combination with that state can take."""
    count = len(geometry.posts)
    low = np.full((count, SEATS, STATES), np.inf)
    high = np.full((count, SEATS, STATES), -np.inf)
    for combination in range(geometry.combinations):
        inverse = np.linalg.inv(geometry.linear[:, combination])
        start = np.stack([-np.ones(count), -np.ones(count), geometry.rock_low[:, combination]], 1)
        end = np.stack([np.ones(count), np.ones(count), geometry.rock_high[:, combination]], 1)
        start, end = start - geometry.constant[:, combination], end - geometry.constant[:, combination]
        parts = np.stack([inverse * start[:, None, :], inverse * end[:, None, :]])
        least, most = parts.min(0).sum(2), parts.max(0).sum(2)
        possible = geometry.rock_low[:, combination] <= geometry.rock_high[:, combination]
        for seat in range(SEATS):
            state = (combination >> seat) & 1
            low[:, seat, state] = np.where(
                possible, np.minimum(low[:, seat, state], least[:, seat]), low[:, seat, state]
            )
            high[:, seat, state] = np.where(
                possible, np.maximum(high[:, seat, state], most[:, seat]), high[:, seat, state]
            )
    return low, high
