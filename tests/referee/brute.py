"""The referee: tries every pack at every corner of one post. For tiny boxes only, and slow on purpose.

It shares nothing with `core.packing` but the frozen options: stacks are listed one by one, each combination
is rested by solving its force balance, stock is counted piece by piece, and in minutes the chance of plumb is
integrated with scipy's normal distribution. What it is told to find is the definition of the best answer, so
it is written to be read:

* one corner stays down (the one with the least gap) or is lifted by one flat at a price, the three others
  carry a pack or are bare;
* all four corners carry load after tightening, and the rock is within the clamp's reach (4 times δ);
* the lean left over is within the tolerance;
* the box has the pieces; among all that, the least cost of the objective: minutes or weights.
"""

from __future__ import annotations

import functools
import itertools
import math
from collections import Counter
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import scipy  # its parts are loaded where they are used

from shimfit.core.objective import usual_reads
from shimfit.errors import UsageError
from shimfit.model import CORNERS, Face, Seat
from tests.referee.weights import InWeights, weights_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from shimfit.core.objective import Reads
    from shimfit.core.packing.options import Options
    from shimfit.model import Foot, Lean, Lot, Tolerance

    Floats = NDArray[np.float64]

LEAST_INSIDE_MM = 10.0
MOST_COMBINATIONS = 1_000_000
"""More than this is no box for a referee."""


@dataclass(frozen=True, slots=True)
class Use:
    """One piece in a stack."""

    lot: str
    thickness: int
    """In grid steps, where the pack bears; a wedge's and taper's own, a flat's its own."""
    mark_mm: float | None = None
    saw_deg: float | None = None
    reach_mm: float | None = None
    """How far in it bears; None: at the face."""


@dataclass(frozen=True, slots=True)
class Stacked:
    """One possible pack at one seat; no uses = bare."""

    seat: Seat
    steps: int
    uses: tuple[Use, ...]
    at_mm: tuple[float, float]
    error_mm: float
    cost: float
    """Pieces, cuts, new material and bearing."""


@dataclass(frozen=True, slots=True)
class BruteAnswer:
    """The cheapest combination."""

    cost: float
    packs: tuple[Stacked, ...]
    top_mm: tuple[float, float]
    rock_mm: float


def best_corners(
    foot: Foot,
    height_mm: float,
    lean: Lean,
    tolerance: Tolerance,
    *,
    lots: Sequence[Lot],
    options: Options,
    reads: Reads | None = None,
) -> BruteAnswer | None:
    """The cheapest packs at the corners of a rectangular foot, by trying all; None when nothing holds.

    Tapers have at least `min_inside_mm` under the foot; where nothing holds so, 10 mm. UsageError when the
    box is too large to try everything.
    """
    post = _Post(foot, height_mm, lean, tolerance, lots, options, reads or usual_reads())
    down, *others = sorted(CORNERS, key=lambda seat: (round(_gap(foot, lean, seat), 9), CORNERS.index(seat)))
    best = _cheapest(post, down, others, (), None)
    flats = [lot for lot in lots if _is_flat(lot)]
    singles = {(lot,) for lot in flats}
    pairs = {(one, other) for i, one in enumerate(flats) for other in flats[i:]}
    # Two flats under the corner that stays down only where one does not make the post stand.
    for under in (singles, pairs):
        if under is pairs and best is not None:
            break
        for lifting in sorted(under, key=lambda some: [lot.lot for lot in some]):
            best = _cheapest(post, down, others, lifting, best)
    if best is None and options.min_inside_mm > LEAST_INSIDE_MM:
        less = replace(options, min_inside_mm=LEAST_INSIDE_MM)
        return best_corners(foot, height_mm, lean, tolerance, lots=lots, options=less, reads=reads)
    return best


@dataclass(frozen=True, slots=True)
class _Post:
    """What is asked, in one hand."""

    foot: Foot
    height_mm: float
    lean: Lean
    tolerance: Tolerance
    lots: Sequence[Lot]
    options: Options
    reads: Reads

    @property
    def allowed_mm(self) -> float:
        return self.tolerance.allowed_top_mm(self.height_mm)

    @property
    def room_mm(self) -> float:
        """Far more than any error of a pack can be."""
        reach = 2.0 * (self.foot.along_mm + self.foot.across_mm)
        return reach * self.allowed_mm / self.height_mm + 16.0 * self.options.preload_mm


def _cheapest(
    post: _Post, down: Seat, others: Sequence[Seat], lifting: Sequence[Lot], best: BruteAnswer | None
) -> BruteAnswer | None:
    """The cheapest with these flats under the corner that stays down, or the best so far."""
    lift = sum(_steps(lot.thickness_mm, post.options) for lot in lifting)
    lift_mm = lift * post.options.quantum_mm
    lists = [list(_stacks(post, seat, lift_mm)) for seat in others]
    ground = Stacked(down, 0, (), post.foot.seat_at_mm(down), 0.0, 0.0)
    if lifting:
        uses = tuple(Use(lot.lot, _steps(lot.thickness_mm, post.options)) for lot in lifting)
        pieces = sum(_flat_cost(lot, post.options) for lot in lifting)
        ground = replace(ground, steps=lift, uses=uses, cost=pieces + _lift_cost(lift_mm, post.options))
    size = math.prod(map(len, lists))
    if size > MOST_COMBINATIONS:
        raise UsageError(f"{size} combinations are too many to try; use a smaller box.")
    # Packs that bear at the same points share one force balance.
    by_point = [
        [list(some) for _, some in itertools.groupby(sorted(one, key=_point), key=_point)] for one in lists
    ]
    for groups in itertools.product(*by_point):
        best = _cheapest_of(post, ground, groups, best)
    return best


def _point(pack: Stacked) -> tuple[float, float]:
    return pack.at_mm


def _cheapest_of(
    post: _Post, ground: Stacked, groups: Sequence[Sequence[Stacked]], best: BruteAnswer | None
) -> BruteAnswer | None:
    """Every combination of these packs whose pieces do not cost more than the best as it is: rest them all,
    then take them by cost until the box has one."""
    points = [ground.at_mm, *(some[0].at_mm for some in groups)]
    cost = ground.cost + functools.reduce(np.add.outer, ([pack.cost for pack in some] for some in groups))
    which = np.argwhere(cost < (math.inf if best is None else best.cost))
    cost = cost[tuple(which.T)]
    made = [np.array([pack.error_mm for pack in some])[k] for some, k in zip(groups, which.T, strict=True)]
    x, y, rock, holds = _rest(post, points, np.stack([np.full(len(which), ground.error_mm), *made]))
    allowed = post.allowed_mm
    over = np.maximum(abs(x), abs(y)) if post.tolerance.per_direction else np.hypot(x, y)
    fits = holds & (over <= allowed + 1e-9)
    which, cost, x, y, rock = which[fits], cost[fits], x[fits], y[fits], rock[fits]
    if cost.size and not isinstance(post.options, InWeights):
        cost += _next_round(post, points, groups, x, y)
    for n in np.argsort(cost):
        if best is not None and cost[n] >= best.cost:
            break
        packs = (ground, *(some[i] for some, i in zip(groups, which[n], strict=True)))
        total = float(cost[n]) + _set_ups(packs, post.options)
        if (best is None or total < best.cost) and _box_has(packs, post.lots, post.options):
            best = BruteAnswer(total, packs, (float(x[n]), float(y[n])), float(rock[n]))
    return best


# ---------------------------------------------------------------- geometry


def _gap(foot: Foot, lean: Lean, seat: Seat) -> float:
    return _gap_at(foot, lean, *foot.seat_at_mm(seat))


def _gap_at(foot: Foot, lean: Lean, x: float, y: float) -> float:
    corners = [foot.seat_at_mm(seat) for seat in CORNERS]
    lowest = min(lean.slope_along * cx + lean.slope_across * cy for cx, cy in corners)
    return lean.slope_along * x + lean.slope_across * y - lowest


def _push(lean: Lean, seat: Seat) -> tuple[Face, float]:
    """The face that a corner's pack enters from and how the gap grows towards it."""
    along = Face.NEXT if seat.sign_along > 0 else Face.PREV
    across = Face.OUT if seat.sign_across > 0 else Face.HOUSE
    steep_along = lean.slope_along * seat.sign_along
    steep_across = lean.slope_across * seat.sign_across
    return (across, steep_across) if steep_across > steep_along else (along, steep_along)


def _reach_mm(foot: Foot, seat: Seat, face: Face, options: Options) -> float:
    axis = 0 if face.is_along else 1
    from_rod = abs(foot.seat_at_mm(seat)[axis] - foot.rod_at_mm[axis])
    return min(options.bearing_mm, from_rod - foot.rod_hole_mm / 2 - options.clearance_mm)


def _rest(
    post: _Post, points: Sequence[tuple[float, float]], errors: Floats
) -> tuple[Floats, Floats, Floats, NDArray[np.bool_]]:
    """Top shift along and across, rock, and whether all corners carry and it rocks little enough.

    errors: (4, n), thickness less need at the four points, n cases at once.
    """
    pull = 4.0 * post.options.preload_mm
    plane = np.column_stack((np.ones(4), np.array(points) - np.array(post.foot.rod_at_mm)))
    # Four errors are a plane and one number: how far they stand out of it, corner against corner.
    out_of_plane = np.linalg.svd(plane)[0][:, 3]
    rock = 2.0 * abs(out_of_plane @ errors)
    holds = rock <= pull + 1e-9
    clamp = np.array([[pull], [0.0], [0.0]])
    balance = np.linalg.solve(plane.T @ plane, plane.T @ errors[:, holds] - clamp)
    carry = errors[:, holds] - plane @ balance
    top_mm = np.full((2, len(holds)), np.inf)
    top_mm[:, holds] = -post.height_mm * balance[1:]
    holds[holds] = carry.min(axis=0) >= -1e-9
    return *top_mm, rock, holds


# ---------------------------------------------------------------- the next reading


def _next_round(
    post: _Post,
    points: Sequence[tuple[float, float]],
    groups: Sequence[Sequence[Stacked]],
    x: Floats,
    y: Floats,
) -> Floats:
    """round × (1 ÷ chance − 1): the rounds after the first, each as likely as the first to be settled plumb.

    What settles it is the mean of two readings, the level turned end for end: normal about (x, y), read off
    on marks half as far apart. Per direction those that are decided plumb count, each with the half steps
    about it; of a disk as many as lie in it, as one disk.
    """
    options, reads, h = post.options, post.reads, post.height_mm
    scatter = options.scatter
    mark_mm = scatter.mark_mm * 0.025
    variances = [scatter.seat_mm**2 + scatter.pack_mm**2 + mark_mm**2]
    for some in groups:
        inside = some[0].at_mm != post.foot.seat_at_mm(some[0].seat)
        last = (
            scatter.place_mm * max(0.0, _push(post.lean, some[0].seat)[1])
            if inside
            else scatter.mark_mm * 0.025
        )
        variances.append(scatter.seat_mm**2 + scatter.pack_mm**2 + last**2)
    plane = np.column_stack((np.ones(4), np.array(points)))
    top = -h * np.linalg.pinv(plane)[1:]
    step = reads.step / 2.0
    u = np.array([reads.own_along, reads.own_across]) / math.sqrt(2.0)
    packed_by = np.array([reads.u_along, reads.u_across])
    spread = top @ np.diag(variances) @ top.T + h**2 * np.diag(packed_by**2 + u**2 - step**2 / 12.0)
    step_mm = h * step
    along, across = (float(h * one) for one in u)
    marks = _plumb_marks(
        post.allowed_mm, reads.factor, (along, across), step_mm, per_direction=post.tolerance.per_direction
    )
    if post.tolerance.per_direction:
        chance = sum(_in_box(x, y, spread, middle, step_mm / 2.0) for middle in marks)
    else:
        chance = _in_disk(x, y, spread, step_mm * math.sqrt(len(marks) / math.pi))
    return options.minutes.round * (1.0 / np.maximum(chance, 0.02) - 1.0)


@functools.cache
def _plumb_marks(
    allowed: float, factor: float, u_mm: tuple[float, float], step_mm: float, *, per_direction: bool
) -> tuple[tuple[float, float], ...]:
    """Marks that are called plumb: within the guard band, truly within by 0.95, and rare enough at the limit.

    Rare: posts at the limit read a mark as good, or a better one, no oftener than 5 in 100.
    """
    u = np.array(u_mm)
    far = int(allowed / step_mm) + 1
    marks = [(i * step_mm, j * step_mm) for i, j in itertools.product(range(-far, far + 1), repeat=2)]
    if per_direction:
        truly = [
            math.prod(
                float(np.diff(scipy.stats.norm.cdf([-allowed, allowed], a, v))[0])
                for a, v in zip(at, u, strict=True)
            )
            for at in marks
        ]
        badness = [-one for one in truly]
        within = [
            one >= 0.95
            and all(abs(a) <= allowed - factor * v + 1e-6 * step_mm for a, v in zip(at, u, strict=True))
            for at, one in zip(marks, truly, strict=True)
        ]
    else:
        v = max(u)
        badness = [math.hypot(*at) for at in marks]
        within = [
            size <= allowed - factor * v + 1e-6 * step_mm
            and scipy.stats.ncx2.cdf((allowed / v) ** 2, 2, (size / v) ** 2) >= 0.95
            for size in badness
        ]
    angle = (np.arange(96) + 0.5) * math.tau / 96
    edge = np.stack((np.cos(angle), np.sin(angle)))
    edge *= allowed / (np.abs(edge).max(axis=0) if per_direction else 1.0)
    rest = np.sqrt(u**2 - step_mm**2 / 12.0)
    half = step_mm / 2.0
    # A normal hand alone, and with a rectangular zero twice as wide: the larger share counts.
    nodes, weights = np.polynomial.legendre.leggauss(24)
    nodes = nodes * math.sqrt(3.0 * 0.8)
    as_good = np.zeros(len(marks))
    for zero, weight, hand in ((np.zeros(1), np.ones(1), 1.0), (nodes, weights / 2.0, math.sqrt(0.2))):

        def below(
            to: Floats, v: float, zero: Floats = zero, weight: Floats = weight, hand: float = hand
        ) -> Floats:
            return scipy.special.ndtr((to[:, None] / v - zero) / hand) @ weight

        read = [
            math.prod(
                below(a + half - x, v) - below(a - half - x, v)
                for a, x, v in zip(at, edge, rest, strict=True)
            ).mean()
            for at in marks
        ]
        total = [
            sum(one for one, other in zip(read, badness, strict=True) if other <= bad + 1e-9)
            for bad in badness
        ]
        as_good = np.maximum(as_good, total)
    few = scipy.stats.norm.sf(factor)
    return tuple(at for at, share, fits in zip(marks, as_good, within, strict=True) if fits and share <= few)


def _in_disk(x: Floats, y: Floats, spread: Floats, radius: float) -> Floats:
    """Trapezoid over the angle of the disk's rim, in the axes of the covariance."""
    (v1, v2), axes = np.linalg.eigh(spread)
    m1, m2 = axes.T @ np.stack((x, y))
    t = np.linspace(-np.pi / 2, np.pi / 2, 401)
    a = radius * np.sin(t)[:, None]
    chord = radius * np.cos(t)[:, None]
    inner = scipy.special.ndtr((chord - m2) / np.sqrt(v2)) - scipy.special.ndtr((-chord - m2) / np.sqrt(v2))
    return np.trapezoid(_density(a - m1, v1) * inner * chord, t, axis=0)


def _in_box(x: Floats, y: Floats, spread: Floats, middle: tuple[float, float], half: float) -> Floats:
    """A square about `middle`: Simpson's rule along, the normal's conditional distribution across."""
    a = np.linspace(middle[0] - half, middle[0] + half, 41)[:, None]
    slope = spread[0, 1] / spread[0, 0]
    u = np.sqrt(spread[1, 1] - slope * spread[0, 1])
    m = y + slope * (a - x)
    inner = scipy.special.ndtr((middle[1] + half - m) / u) - scipy.special.ndtr((middle[1] - half - m) / u)
    simpson = np.array([1.0, *[4.0, 2.0] * 19, 4.0, 1.0]) * (a[1] - a[0]) / 3.0
    return simpson @ (_density(a - x, spread[0, 0]) * inner)


def _density(at: Floats, variance: float) -> Floats:
    """The normal's."""
    return np.exp(-(at**2) / (2.0 * variance)) / math.sqrt(math.tau * variance)


# ---------------------------------------------------------------- packs


def _stacks(post: _Post, seat: Seat, lift_mm: float) -> Iterator[Stacked]:
    """Every pack that could stand at a corner, and no pack."""
    foot, lean, options, room_mm = post.foot, post.lean, post.options, post.room_mm
    at = foot.seat_at_mm(seat)
    need = _gap(foot, lean, seat) + lift_mm
    if need <= room_mm:
        yield Stacked(seat, 0, (), at, -need, 0.0)
    face, slope = _push(lean, seat)
    reach = _reach_mm(foot, seat, face, options)
    if reach < options.min_inside_mm:
        return
    inside = min(options.inside_mm, reach)
    step = -face.sign * inside
    inner = (at[0] + step, at[1]) if face.is_along else (at[0], at[1] + step)
    corner = options.bearing_point == "corner"
    bearing_slope = max(abs(lean.slope_along), abs(lean.slope_across)) if corner else max(0.0, slope)
    flats = [lot for lot in post.lots if _is_flat(lot) for _ in range(min(lot.count, options.max_pieces))]
    for tail, sigma, tail_cost in _tails(post.lots, options, inside, bearing_slope, need + room_mm):
        bears_inside = not corner and sigma < bearing_slope - 1e-9
        where = inner if bears_inside else at
        wanted = _gap_at(foot, lean, *where) + lift_mm
        seen = set()
        for n in range(options.max_pieces + 1 - len(tail)):
            if not tail and n == 0:
                continue
            for chosen in itertools.combinations(flats, n):
                names = tuple(sorted(lot.lot for lot in chosen))
                if names in seen:
                    continue
                seen.add(names)
                uses = (*tail, *(Use(lot.lot, _steps(lot.thickness_mm, options)) for lot in chosen))
                steps = sum(use.thickness for use in uses)
                error = steps * options.quantum_mm - wanted
                if abs(error) <= room_mm:
                    cost = tail_cost + sum(_flat_cost(lot, options) for lot in chosen)
                    yield Stacked(seat, steps, uses, where, error, cost)


def _tails(
    lots: Sequence[Lot], options: Options, inside_mm: float, slope: float, thickest_mm: float
) -> Iterator[tuple[tuple[Use, ...], float, float]]:
    """No tapered piece, or one: its use, its slope and its cost."""
    yield (), 0.0, 0.0
    minutes, weights, q = options.minutes, weights_of(options), options.quantum_mm
    for lot in lots:
        if lot.count < 1:
            continue
        if lot.form == "taper":
            sigma = (_known(lot.thick_mm) - _known(lot.thin_mm)) / _known(lot.length_mm)
            deep = inside_mm if options.bearing_point == "auto" and sigma < slope - 1e-9 else 0.0
            cost = weights.piece + weights.cut
            if lot.origin == "bought":
                cost += weights.new_material * weights.new_taper_share
            for steps in range(1, math.floor(min(_known(lot.thick_mm), thickest_mm) / q + 1e-9) + 1):
                mark = (steps * q - _known(lot.thin_mm)) / sigma + deep
                shortest = deep + 1e-9 if deep else options.min_inside_mm - 1e-9
                if not isinstance(options, InWeights):
                    cost = (
                        minutes.piece
                        + minutes.cut
                        + (minutes.cut if mark > (deep or options.bearing_mm) + 1e-6 else 0.0)
                    )
                    cost += (
                        minutes.bought_taper if lot.origin == "bought" else minutes.thick_per_mm * steps * q
                    )
                if (
                    shortest <= mark <= _known(lot.length_mm) + 1e-9
                    and steps * q > _known(lot.thin_mm) - 1e-9
                ):
                    yield (Use(lot.lot, steps, mark_mm=mark, reach_mm=deep or None),), sigma, cost
        elif lot.form == "strip":
            yield from _wedges(lot, options, inside_mm, slope, thickest_mm)


def _wedges(
    lot: Lot, options: Options, inside_mm: float, slope: float, thickest_mm: float
) -> Iterator[tuple[tuple[Use, ...], float, float]]:
    weights, q = weights_of(options), options.quantum_mm
    width = _known(lot.width_mm)
    for angle in options.saw.settings_deg:
        sigma = 2.0 * math.tan(math.radians(angle))
        inner = options.bearing_point == "auto" and sigma < slope - 1e-9
        if width < options.min_inside_mm or (inner and width <= inside_mm):
            continue
        deep = sigma * inside_mm if inner else 0.0
        for steps in range(1, math.floor(thickest_mm / q) + 1):
            thick = steps * q + deep
            if thick - sigma * width < options.saw.min_thin_mm - 1e-9:
                continue
            use = Use(lot.lot, steps, saw_deg=angle, mark_mm=deep)
            length = _wedge_length(lot, options, angle, thick)
            if length + _first_cut(lot, options, angle) > _known(lot.length_mm) - options.saw.hold_mm + 1e-9:
                continue
            cost = weights.piece + weights.cut
            if lot.origin == "bought":
                share = length / _known(lot.length_mm)
                cost += weights.new_material * weights.new_strip_share * share
            if not isinstance(options, InWeights):
                cost = options.minutes.piece + options.minutes.cut
                cost += (
                    options.minutes.bought_strip_per_m * length / 1000.0 if lot.origin == "bought" else 0.0
                )
            yield (use,), sigma, cost


def _wedge_length(lot: Lot, options: Options, angle: float, thick_mm: float) -> float:
    thin = thick_mm - 2.0 * _known(lot.width_mm) * math.tan(math.radians(angle))
    return (thin + thick_mm) / 2.0 + options.saw.kerf_mm / math.cos(math.radians(angle))


def _first_cut(lot: Lot, options: Options, angle: float) -> float:
    return _known(lot.width_mm) * math.tan(math.radians(angle)) + options.saw.kerf_mm


def _flat_cost(lot: Lot, options: Options) -> float:
    weights, minutes = weights_of(options), options.minutes
    if not isinstance(options, InWeights):
        return minutes.piece + (minutes.bought_flat if lot.origin == "bought" else 0.0)
    new = weights.new_material * weights.new_flat_share if lot.origin == "bought" else 0.0
    return weights.piece + new


def _set_ups(packs: Sequence[Stacked], options: Options) -> float:
    angles = {use.saw_deg for pack in packs for use in pack.uses} - {None, options.saw.stands_at_deg}
    each = (
        options.minutes.saw_set_up if not isinstance(options, InWeights) else weights_of(options).saw_set_up
    )
    return each * len(angles)


def _lift_cost(lift_mm: float, options: Options) -> float:
    if isinstance(options, InWeights):
        return weights_of(options).lift
    return options.minutes.lift + options.minutes.lift_per_mm * lift_mm


# ---------------------------------------------------------------- the box


def _box_has(packs: Sequence[Stacked], lots: Sequence[Lot], options: Options) -> bool:
    """True when the box has all pieces at once: flats by count, tapers by length, strips by length."""
    by_name = {lot.lot: lot for lot in lots}
    flats = Counter(use.lot for pack in packs for use in pack.uses if by_name[use.lot].form == "flat")
    if any(n > by_name[name].count for name, n in flats.items()):
        return False
    uses = [use for pack in packs for use in pack.uses]
    for lot in lots:
        mine = [use for use in uses if use.lot == lot.lot]
        if lot.form == "taper" and not _taper_has(lot, mine, options):
            return False
        if lot.form == "strip" and not _strip_has(lot, mine, options):
            return False
    return True


def _taper_has(lot: Lot, uses: Sequence[Use], options: Options) -> bool:
    """Try every way to give the uses to the copies; no two on one copy may overlap."""
    stretches = [
        (
            max(0.0, _known(use.mark_mm) - (use.reach_mm or options.bearing_mm)),
            min(_known(lot.length_mm), _known(use.mark_mm) + options.saw.kerf_mm),
        )
        for use in uses
    ]
    for copies in itertools.product(range(min(lot.count, len(uses)) or 1), repeat=len(uses)):
        if all(
            copies[i] != copies[j] or stretches[i][1] <= stretches[j][0] or stretches[j][1] <= stretches[i][0]
            for i, j in itertools.combinations(range(len(uses)), 2)
        ):
            return True
    return False


def _strip_has(lot: Lot, uses: Sequence[Use], options: Options) -> bool:
    """Try every way to give the wedges to the strips; each must keep its holding length."""
    usable = _known(lot.length_mm) - options.saw.hold_mm
    for copies in itertools.product(range(min(lot.count, len(uses)) or 1), repeat=len(uses)):
        left = dict.fromkeys(range(lot.count), usable)
        for copy in set(copies):
            mine = [use for use, to in zip(uses, copies, strict=True) if to == copy]
            for use in mine:
                thick = use.thickness * options.quantum_mm + _known(use.mark_mm)
                left[copy] -= _wedge_length(lot, options, _known(use.saw_deg), thick)
            for angle in {_known(use.saw_deg) for use in mine}:
                left[copy] -= _first_cut(lot, options, angle)
        if min(left.values(), default=0.0) >= -1e-9:
            return True
    return not uses


def _is_flat(lot: Lot) -> bool:
    return lot.form == "flat" and lot.count > 0


def _steps(thickness_mm: float | None, options: Options) -> int:
    return math.floor(_known(thickness_mm) / options.quantum_mm + 0.5 + 1e-9)


def _known(value: float | None) -> float:
    assert value is not None
    return value
