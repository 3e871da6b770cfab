"""One post as it is asked about: where its packs can go, what may stand there, and what an answer says.

`ask` checks a post once; a `Question` knows how it rests on packs and what the next reading will say of them.
`Place` is one seat with its way in; `SeatTask` and `Task` are what the search is handed; `Draft` is what a
layout hands back. `wanted` answers in exact thicknesses without a box. Loads nothing of the search, nor numpy
until a chance is asked for. Positions are from the foot's centre (+next, +out) unless said, all in mm.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import field, replace
from functools import cache
from typing import TYPE_CHECKING, NamedTuple

from shimfit.core.foot import GapPlane, gap_plane
from shimfit.core.objective import Scatter, usual_reads
from shimfit.core.resting import (
    Spring,
    Support,
    rest,
    rest_packs,
    rock_vector,
    scaled,
    settle,
    shares_of_pull,
    supports_of,
    tilts_per_mm,
)
from shimfit.errors import EntryError, not_negative, positive
from shimfit.model import CORNERS, EDGE_MIDDLES, Cost, Face, Lean, Pack, Prescription, Resting, Seat
from shimfit.values import dataclass

if TYPE_CHECKING:
    from shimfit.core.chance import Acceptance
    from shimfit.core.objective import Reads
    from shimfit.core.packing.options import Options
    from shimfit.core.packing.pieces import Row, Stack
    from shimfit.model import Chance, Foot, LayoutName, Purpose, Reading, Status, Tolerance

_SURE = 3.0
"""Standard deviations that a seat is never off by, as good as."""
_SAME_REST_MM = 0.02
_CARRIES = 1e-9
"""Share of the pull below which a support carries nothing."""
_FACE_OF = {face.value: face for face in Face}

# ---------------------------------------------------------------- where packs can go


@dataclass(frozen=True, slots=True)
class Place:
    """One seat of one post. Positions are from the foot's centre (+next, +out), in mm."""

    seat: Seat
    enters: Face
    """The face that the pack is pushed in from."""
    slope: float
    """How much the gap grows outwards along the push (ratio); 0 where it does not."""
    reach_mm: float
    """How far in a piece may go: the bearing length, or less where the rod's hole is nearer."""
    inside_mm: float
    """How far in one is pushed that is flatter than the gap, or flat."""
    face_at_mm: tuple[float, float]
    """The seat itself, where a piece at least as steep as the gap bears."""
    inner_at_mm: tuple[float, float]
    """Where a flatter piece bears."""
    face_need_mm: float
    inner_need_mm: float

    def at_mm(self, inner: bool) -> tuple[float, float]:
        """Where a pack bears."""
        return self.inner_at_mm if inner else self.face_at_mm

    def need_mm(self, inner: bool) -> float:
        """Thickness wanted where a pack bears."""
        return self.inner_need_mm if inner else self.face_need_mm


def place_of(
    plane: GapPlane, seat: Seat, options: Options, extra_mm: float = 0.0, inside_mm: float | None = None
) -> Place | None:
    """The place at a seat; None when the rod's hole leaves no room for a piece there.

    extra_mm is added to the need: the feeler thickness of a corner that does not touch. inside_mm: how far in
    a flatter piece is pushed; None: as usual.
    """
    foot, at = plane.foot, plane.foot.seat_at_mm(seat)
    if seat.is_corner:
        # Its low face, the steeper of two, along the run on a tie.
        faces = (
            Face.NEXT if seat.sign_along > 0 else Face.PREV,
            Face.OUT if seat.sign_across > 0 else Face.HOUSE,
        )
        enters = max(faces, key=plane.slope_towards)
    else:
        enters = _FACE_OF[seat.value]
    axis = 0 if enters.is_along else 1
    # To the rod's hole less the clearance.
    keep_off = foot.rod_hole_mm / 2 + options.clearance_mm
    reach = enters.sign * (at[axis] - foot.rod_at_mm[axis]) - keep_off
    reach = min(options.bearing_mm, reach)
    if reach < options.room_mm:
        return None
    inside = min(inside_mm or options.inside_mm, reach)
    step = 0.0 if options.bearing_point == "corner" else -enters.sign * inside
    inner = (at[0] + step, at[1]) if enters.is_along else (at[0], at[1] + step)
    return Place(
        seat=seat,
        enters=enters,
        slope=max(0.0, plane.slope_towards(enters)),
        reach_mm=reach,
        inside_mm=inside,
        face_at_mm=at,
        inner_at_mm=inner,
        face_need_mm=plane.gap_mm(*at) + extra_mm,
        inner_need_mm=plane.gap_mm(*inner) + extra_mm,
    )


def no_room(foot: Foot) -> EntryError:
    """The refusal when no piece fits between the faces and the rod."""
    return EntryError(
        f"The rod hole of {foot.rod_hole_mm:g} mm leaves no room for packs under a foot of {foot.text}; "
        "check the hole and the foot."
    )


# ---------------------------------------------------------------- what the search is handed


@dataclass(frozen=True, slots=True)
class Offer:
    """A pack that may stand at a seat as it is, at a price of its own: kept in place, or pushed a little."""

    pack: Pack
    cost: float = 0.0
    inner: bool = False
    """It bears at the place's inner point."""
    lots: tuple[str, ...] = ()
    """Lots of the box, one whole piece of each: what it is made of, so that no other seat gets that too."""


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
    to_measure: bool = False
    """Offers follow the need: for other needs there are others."""


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
    """The first stays down (its need is what the others are counted from); the others are searched."""
    rod_at_mm: tuple[float, float]
    height_mm: float
    allowed_mm: float
    """Lean at the top that may be left over."""
    disk: bool
    """The limit is on the magnitude; else on each direction."""
    acceptance: Acceptance
    """The next reading."""
    thin: bool = False
    """Only look at some thicknesses of each seat: the cheapest and the nearest (answers are not proven)."""
    lean_only: bool = False
    """Look for the least lean left over, whatever it costs (when nothing keeps the limits)."""
    grounds: Grounds | None = None
    """Where the bed itself bears, for the seats that are packed; the first is the pivot. None for the
    corners of a rectangle: there it is the seats themselves."""
    likely_cost: float = 0.0
    """About what the answer costs, where a look before tells: the search begins there."""
    work: Work = field(default_factory=Work)
    """What the contact problem may still cost."""


# ---------------------------------------------------------------- what is asked

Offers = Mapping[Seat, "Sequence[Offer] | Callable[[Place], Sequence[Offer]]"]
"""Packs that may stay at a seat; those that are pushed to measure stand for each place."""


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of a post beside its foot, height, lean and tolerance; nothing of it has to be."""

    reads: Reads = field(default_factory=usual_reads)
    """How the next reading is taken."""
    take_up: float = 1.0
    """Measured ÷ predicted change: the lean is packed so much more."""
    u_take_up: float = 0.0
    """Its standard uncertainty."""
    shift_mm: tuple[float, float] | None = None
    """How far the packs take the top; None: all of the lean."""
    margin_slope: float = 0.0
    """Part of the tolerance that is used up already: by an aim off plumb (a slope)."""
    feelers: Mapping[Seat, float] = field(default_factory=dict)
    """Feeler thickness in mm at corners that do not touch; part of their need."""
    offers: Offers = field(default_factory=dict)
    """Packs that stand there and may stay or change at a price of their own."""
    inside_mm: Mapping[Seat, float] = field(default_factory=dict)
    """How far in such a pack bears: what stays was not pushed as far as is usual, or further."""

    def by_packs(self) -> Known:
        """The same in what the packs give, where a post moves take_up times as much."""
        share = 1.0 / self.take_up
        return replace(
            self,
            reads=self.reads.scaled(share),
            take_up=1.0,
            u_take_up=self.u_take_up * share,
            shift_mm=self.shift_mm and (self.shift_mm[0] * share, self.shift_mm[1] * share),
            margin_slope=self.margin_slope * share,
        )


NOTHING = Known()
"""Nothing but what is usual."""


@dataclass(frozen=True, slots=True)
class Question:
    """A post, its lean and what is allowed. Build it with `ask`."""

    foot: Foot
    height_mm: float
    lean: Lean
    tolerance: Tolerance
    plane: GapPlane
    preload_mm: float
    known: Known

    @property
    def allowed_mm(self) -> float:
        """Lean at the top that the tolerance itself allows."""
        return self.tolerance.allowed_top_mm(self.height_mm)

    @property
    def safe_mm(self) -> float:
        """The same less what is used up; not below 0: the hard limit of the search."""
        return max(0.0, self.allowed_mm - self.known.margin_slope * self.height_mm)

    def acceptance(self, scatter: Scatter) -> Acceptance:
        """The next reading, but for the supports."""
        from shimfit.core.chance import acceptance_of

        return acceptance_of(
            max(self.safe_mm, 1e-9),
            self.height_mm,
            self.known.reads,
            scatter,
            per_direction=self.tolerance.per_direction,
            shift_mm=self.shift_mm,
            u_take_up=self.known.u_take_up,
        )

    @property
    def shift_mm(self) -> tuple[float, float]:
        """How far the packs take the top."""
        return self.known.shift_mm or self.lean.top_mm(self.height_mm)

    def extra_mm(self, seat: Seat) -> float:
        """What is wanted at a seat over the gap of the plane."""
        return self.known.feelers.get(seat, 0.0)

    def place(self, seat: Seat, options: Options, lift_mm: float = 0.0) -> Place | None:
        """Where a pack can go at a seat, the foot lifted so far; None where there is no room."""
        inside_mm = self.known.inside_mm.get(seat)
        return place_of(self.plane, seat, options, self.extra_mm(seat) + lift_mm, inside_mm)

    def rests_on(self, packs: Sequence[Pack]) -> Resting:
        """How the post is predicted to stand on these packs."""
        if self.foot.round:
            return rest_packs(self.foot, self.lean, packs, self.preload_mm, rocks_mm=self.known.feelers)
        return rest(self.foot, self._supports(packs), self.preload_mm)

    def left_mm(self, lean: Lean) -> float:
        """The lean at the top as the tolerance judges it: its size, or that of the larger direction."""
        x, y = lean.top_mm(self.height_mm)
        return max(abs(x), abs(y)) if self.tolerance.per_direction else math.hypot(x, y)

    def shares_on(self, packs: Sequence[Pack]) -> tuple[float, ...]:
        """Share of the pull that each pack carries, in order, then each bare support."""
        return shares_of_pull(self.foot, self._supports(packs), self.preload_mm)

    def counted_on(
        self, packs: Sequence[Pack], resting: Resting, options: Options, *, all_carry: bool = False
    ) -> float:
        """Chance that the objective counts, through the supports that carry at rest; 0 where the post rocks.

        Where the instrument can't decide, the tolerance itself counts. all_carry: known of four corners, one
        of which may only just touch.
        """
        if resting.lean is None:
            return 0.0
        alone = self.seats_spread(packs, options.scatter, all_carry=all_carry)
        if alone is None:
            return 0.0
        from shimfit.core.chance import Chances

        acceptance = self.acceptance(options.scatter)
        x, y = resting.lean.top_mm(self.height_mm)
        everything = tuple(a + b for a, b in zip(alone, acceptance.base_mm2, strict=True))
        chances = Chances([everything], [acceptance.zone], max(self.safe_mm, 1e-9, math.hypot(x, y)))
        return float(chances.at(0, [x], [y])[0])

    def chance_on(
        self, packs: Sequence[Pack], resting: Resting, options: Options, *, all_carry: bool = False
    ) -> Chance | None:
        """What the next reading will say; None where the post rocks. all_carry: see `counted_on`."""
        if resting.lean is None:
            return None
        made = self.seats_spread(packs, options.scatter, all_carry=all_carry, as_made=True)
        if made is None:
            return None
        from shimfit.core.chance import next_reading

        xx, xy, yy = made
        sx, sy = (s * self.known.u_take_up for s in self.shift_mm)
        return next_reading(
            self.rests_mm(packs, options.scatter, resting),
            (xx + sx * sx, xy + sx * sy, yy + sy * sy),
            max(self.safe_mm, 1e-9),
            self.height_mm,
            self.known.reads,
            per_direction=self.tolerance.per_direction,
            round_min=options.costs.round,
        )

    def seats_spread(
        self, packs: Sequence[Pack], scatter: Scatter, *, all_carry: bool = False, as_made: bool = False
    ) -> tuple[float, float, float] | None:
        """J diag(v) Jᵀ, mm² at the top (along², along·across, across²); None where they stand on one line.

        as_made: of the pieces that stand there, else by place alone, as the search counts it.
        """
        carrying, seats_mm2 = self._carrying(packs, scatter, all_carry=all_carry, as_made=as_made)
        tilts = tilts_per_mm([(one.x_mm, one.y_mm, one.stiffness) for one in carrying])
        xx = xy = yy = 0.0
        for (u, v), mm2 in zip(tilts, seats_mm2, strict=True) if tilts else ():
            xx, xy, yy = xx + u * u * mm2, xy + u * v * mm2, yy + v * v * mm2
        h2 = self.height_mm * self.height_mm
        return (xx * h2, xy * h2, yy * h2) if tilts else None

    def rests_mm(
        self, packs: Sequence[Pack], scatter: Scatter, resting: Resting
    ) -> list[tuple[float, tuple[float, float]]]:
        """Where the top may rest beside `resting`, with their shares: a post that nearly rocks may tip.

        What four seats are off by out of one plane tilts nothing while all four carry. Where it is as large
        as the clamp presses them, one lifts, and the post tips to one side or the other. By the contact
        problem itself, at the nodes of the normal distribution (Gauss and Hermite).
        """
        assert resting.lean is not None
        at_rest = resting.lean.top_mm(self.height_mm)
        carrying, seats_mm2 = self._carrying(packs, scatter, all_carry=True, as_made=True)
        if len(carrying) != len(CORNERS):
            return [(1.0, at_rest)]
        rod_x, rod_y = self.foot.rod_at_mm
        springs = [
            Spring(one.x_mm - rod_x, one.y_mm - rod_y, one.error_mm, one.stiffness) for one in carrying
        ]
        # The one way to be off that no plane follows: of unit length.
        twist = [n / 2.0 for n in rock_vector([(one.x, one.y) for one in springs])]
        u = math.sqrt(sum(n * n * mm2 for n, mm2 in zip(twist, seats_mm2, strict=True)))
        shares, pull_mm = shares_of_pull(self.foot, carrying, self.preload_mm), 4.0 * self.preload_mm
        pressed = zip(shares, springs, twist, strict=True)
        if all(pull_mm * share / one.k > _SURE * u * abs(n) for share, one, n in pressed):
            return [(1.0, at_rest)]
        found = [(0.0, at_rest)]
        for off, weight in zip(*_hermite(), strict=True):
            moved = [one._replace(e=one.e + u * off * n) for one, n in zip(springs, twist, strict=True)]
            planes = settle(moved, pull_mm).planes
            for _, along, across in planes:
                top = Lean(-along, -across).top_mm(self.height_mm)
                if math.dist(top, at_rest) < _SAME_REST_MM:
                    found[0] = found[0][0] + weight / len(planes), at_rest
                else:
                    found.append((weight / len(planes), top))
        return found

    def _carrying(
        self, packs: Sequence[Pack], scatter: Scatter, *, all_carry: bool, as_made: bool
    ) -> tuple[list[Support], list[float]]:
        """What carries at rest, and the variance of each one's thickness error, mm²."""
        carrying = self._supports(packs)
        if not all_carry:
            shares = shares_of_pull(self.foot, carrying, self.preload_mm)
            carrying = [one for one, share in zip(carrying, shares, strict=True) if share > _CARRIES]
        moved = {pack.bears_at_mm: self._grows(pack) for pack in packs}
        flats = {
            pack.bears_at_mm for pack in packs if pack.pieces and all(one.is_whole for one in pack.pieces)
        }
        rod_x, rod_y = self.foot.rod_at_mm
        seats_mm2 = []
        for one in carrying:
            at = one.x_mm - rod_x, one.y_mm - rod_y
            slope = moved.get(at)
            stands = {"bare": one.bare, "flat": at in flats} if as_made else {}
            inner = slope is not None and not one.bare
            seats_mm2.append(scatter.seat_mm2(inner=inner, gap_slope=slope or 0.0, **stands))
        return carrying, seats_mm2

    def _grows(self, pack: Pack) -> float | None:
        """How much the gap grows outwards from where a pack bears (ratio); None where that is at the face."""
        if self.foot.inner_mm(pack) is None:
            return None
        seat, rod, bears = self.foot.seat_at_mm(pack.seat), self.foot.rod_at_mm, pack.bears_at_mm
        dx, dy = (at - of - there for at, of, there in zip(seat, rod, bears, strict=True))
        out_mm, slope = (dx, self.plane.slope_along) if abs(dx) > abs(dy) else (dy, self.plane.slope_across)
        return max(0.0, slope * math.copysign(1.0, out_mm))

    def _supports(self, packs: Sequence[Pack]) -> list[Support]:
        """What can push."""
        return supports_of(self.plane, packs, rocks_mm=self.known.feelers)

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
    known: Known = NOTHING,
) -> Question:
    """The question, checked.

    EntryError for a number that is none, a height or tolerance that is not above 0, a foot that is none, a
    negative margin or feeler.
    """
    positive(height_mm, "height")
    plane = gap_plane(foot, lean)
    allowed = tolerance.allowed_top_mm(height_mm)
    if not (math.isfinite(allowed) and allowed > 0.0):
        raise EntryError(
            f"The tolerance {tolerance.text} allows {allowed} mm at the top; it must be more than 0."
        )
    not_negative(known.margin_slope, "margin", "")
    not_negative(known.u_take_up, "uncertainty of the take-up", "")
    feelers = {seat: not_negative(value, f"feeler at {seat}") for seat, value in known.feelers.items()}
    if feelers:
        known = replace(known, feelers={seat: value for seat, value in feelers.items() if value > 0.0})
    return Question(foot, height_mm, lean, tolerance, plane, preload_mm, known)


@cache
def _hermite() -> tuple[list[float], list[float]]:
    """Places and weights of the standard normal distribution."""
    import numpy as np

    at, weight = np.polynomial.hermite_e.hermegauss(7)
    return at.tolist(), (weight / weight.sum()).tolist()


def over_take_up(tolerance: Tolerance, take_up: float) -> Tolerance:
    """What the packs may be off by when the post moves take_up times as much."""
    amount = None if tolerance.amount_mm is None else tolerance.amount_mm / take_up
    return replace(tolerance, slope=tolerance.slope / take_up, amount_mm=amount)


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
    lean = scaled(stood.lean, 1.0 / take_up)
    asked = ask(foot, height_mm, lean, tolerance, preload_mm, known=Known(feelers=feelers))
    four = not foot.round and all(pack.seat.is_corner for pack in packs)
    found = asked.seats_spread(packs, Scatter(), all_carry=four, as_made=True)
    share = take_up * take_up
    return None if found is None else (found[0] * share, found[1] * share, found[2] * share)


# ---------------------------------------------------------------- what comes back


@dataclass(frozen=True, slots=True)
class Build:
    """One pack before its pieces are named."""

    seat: Seat
    place: Place
    inner: bool
    steps: int
    row: Row
    stack: Stack
    need_mm: float
    purpose: Purpose = "lift"

    @property
    def inner_mm(self) -> float | None:
        """How far in its thickness is measured; None at the face."""
        return self.place.inside_mm if self.inner else None


@dataclass(frozen=True, slots=True)
class Draft:
    """Packs that one layout came to."""

    layout: LayoutName
    packs: tuple[Pack, ...]
    resting: Resting
    status: Status
    cost: Cost
    bound: float
    """No answer of this layout is cheaper."""
    why: str | None = None
    cautions: tuple[str, ...] = ()
    saw_settings_deg: tuple[float, ...] = ()
    builds: tuple[Build, ...] = ()
    """The packs before their pieces were named."""
    chance: Chance | None = None

    def prescription(self, question: Question) -> Prescription:
        """The answer to what was asked."""
        return Prescription(
            post=question.foot,
            height_mm=question.height_mm,
            lean=question.lean,
            tolerance=question.tolerance,
            packs=self.packs,
            resting=self.resting,
            within=question.stands(self.resting),
            status=self.status,
            layout=self.layout,
            why=self.why,
            cost=self.cost,
            cautions=self.cautions,
            saw_settings_deg=self.saw_settings_deg,
            chance=self.chance,
        )


def wanted(
    foot: Foot,
    height_mm: float,
    lean: Lean,
    tolerance: Tolerance,
    options: Options,
    *,
    feelers: Mapping[Seat, float] | None = None,
) -> Prescription:
    """The exact thicknesses wanted at the seats, without a box: made is need is gap, and no pieces.

    Also for a lean within the tolerance. The seats are those of the options' layout (auto: corners).
    """
    question = ask(foot, height_mm, lean, tolerance, options.preload_mm, known=Known(feelers=feelers or {}))
    layout: LayoutName = "corners" if options.layout == "auto" else options.layout
    packs = []
    for seat in _seats_of(question, layout):
        gap = question.plane.at_seat_mm(seat) + question.extra_mm(seat)
        if gap > 0.0:
            x, y = foot.seat_at_mm(seat)
            at = (x - foot.rod_at_mm[0], y - foot.rod_at_mm[1])
            packs.append(Pack(seat=seat, need_mm=gap, made_mm=gap, bears_at_mm=at))
    resting = question.rests_on(packs)
    return Draft(layout, tuple(packs), resting, "proven", Cost(0.0), 0.0).prescription(question)


def _seats_of(question: Question, layout: LayoutName) -> tuple[Seat, ...]:
    """Seats that a layout packs, in the seats' own order."""
    if layout == "corners":
        return CORNERS
    plane = question.plane
    steep = {
        seat: plane.slope_along * seat.sign_along + plane.slope_across * seat.sign_across
        for seat in EDGE_MIDDLES
    }
    low = [seat for seat in EDGE_MIDDLES if steep[seat] > 0.0]
    if layout == "one-way" and low:
        return (max(low, key=lambda seat: (steep[seat], -EDGE_MIDDLES.index(seat))),)
    return tuple(low)
