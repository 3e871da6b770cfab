"""The referee: tries every pack at every corner of one post. For tiny boxes only, and slow on purpose.

It shares nothing with `core.packing` but the frozen options and weights: stacks are listed one by one,
each combination is rested by solving its force balance, stock is counted piece by piece. What it is told to
find is the definition of the best answer, so it is written to be read:

* one corner stays down (the one with the least gap), the three others carry a pack or are bare;
* all four corners carry load after tightening, and the rock is within the clamp's reach (4 times δ);
* the lean left over is within the tolerance;
* the box has the pieces; among all that, the least cost.
Only when there is no such answer may the corner that stays down be lifted by one flat.
"""

from __future__ import annotations

import itertools
import math
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from shimfit.errors import UsageError
from shimfit.model import CORNERS, Face, Seat

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from shimfit.core.packing.options import Options
    from shimfit.model import Foot, Lean, Lot, Tolerance

MOST_COMBINATIONS = 20_000_000
"""More than this is no box for a referee."""


@dataclass(frozen=True, slots=True)
class Use:
    """One piece in a stack."""

    lot: str
    thickness: int
    """In grid steps, where the pack bears; a wedge's and taper's own, a flat's its own."""
    mark_mm: float | None = None
    saw_deg: float | None = None


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
    tried: int


def best_corners(
    foot: Foot,
    height_mm: float,
    lean: Lean,
    tolerance: Tolerance,
    lots: Sequence[Lot],
    options: Options,
) -> BruteAnswer | None:
    """The cheapest packs at the corners of a rectangular foot, by trying all; None when nothing holds.

    UsageError when the box is too large to try everything.
    """
    bare_corner, *others = sorted(
        CORNERS, key=lambda seat: (round(_gap(foot, lean, seat), 9), CORNERS.index(seat))
    )
    best = _cheapest(foot, height_mm, lean, tolerance, lots, options, bare_corner, others, None)
    if best is not None:
        return best
    for thickness in sorted({_steps(lot.thickness_mm, options) for lot in lots if _is_flat(lot)}):
        lifted = _cheapest(foot, height_mm, lean, tolerance, lots, options, bare_corner, others, thickness)
        if lifted is not None and (best is None or lifted.cost < best.cost):
            best = lifted
    return best


def _cheapest(
    foot: Foot,
    height_mm: float,
    lean: Lean,
    tolerance: Tolerance,
    lots: Sequence[Lot],
    options: Options,
    down: Seat,
    others: Sequence[Seat],
    lift: int | None,
) -> BruteAnswer | None:
    allowed = tolerance.allowed_top_mm(height_mm)
    lift_mm = 0.0 if lift is None else lift * options.quantum_mm
    room_mm = 2.0 * (foot.along_mm + foot.across_mm) * allowed / height_mm + 16.0 * options.preload_mm
    lists = [list(_stacks(foot, lean, seat, lots, options, lift_mm, room_mm)) for seat in others]
    if lift is None:
        under = [Stacked(down, 0, (), foot.seat_at_mm(down), 0.0, 0.0)]
    else:
        under = [
            Stacked(down, lift, (Use(lot.lot, lift),), foot.seat_at_mm(down), 0.0, _flat_cost(lot, options))
            for lot in lots
            if _is_flat(lot) and _steps(lot.thickness_mm, options) == lift
        ]
    size = math.prod(len(some) for some in [under, *lists])
    if size > MOST_COMBINATIONS:
        raise UsageError(f"{size} combinations are too many to try; use a smaller box.")
    best: BruteAnswer | None = None
    tried = 0
    for packs in itertools.product(under, *lists):
        tried += 1
        cost = sum(pack.cost for pack in packs) + _set_ups(packs, options)
        if best is not None and cost >= best.cost:
            continue
        rested = _rest(foot, height_mm, packs, options)
        if rested is None:
            continue
        x, y, rock = rested
        over = max(abs(x), abs(y)) if tolerance.per_direction else math.hypot(x, y)
        if over > allowed + 1e-9:
            continue
        weights = options.weights
        cost += weights.rock * rock / (4.0 * options.preload_mm)
        cost += weights.residual * (abs(x) + abs(y)) / allowed
        if (best is None or cost < best.cost) and _box_has(packs, lots, options):
            best = BruteAnswer(cost, packs, (x, y), rock, tried)
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


def _inside_mm(foot: Foot, seat: Seat, face: Face, options: Options) -> float:
    axis = 0 if face.is_along else 1
    from_rod = abs(foot.seat_at_mm(seat)[axis] - foot.rod_at_mm[axis])
    return min(options.bearing_mm, from_rod - foot.rod_hole_mm / 2 - options.clearance_mm)


def _rest(
    foot: Foot, height_mm: float, packs: Sequence[Stacked], options: Options
) -> tuple[float, float, float] | None:
    """Top shift and rock from the force balance; None when a corner would not carry or it rocks too far."""
    points = np.array([pack.at_mm for pack in packs]) - np.array(foot.rod_at_mm)
    errors = np.array([pack.error_mm for pack in packs])
    plane = np.column_stack((np.ones(4), points))
    pull = 4.0 * options.preload_mm
    balance = np.linalg.solve(plane.T @ plane, plane.T @ errors - np.array([pull, 0.0, 0.0]))
    if (errors - plane @ balance).min() < 0.0:
        return None
    flattest = plane @ np.linalg.lstsq(plane, errors, rcond=None)[0]
    rock = 2.0 * float(np.linalg.norm(errors - flattest))
    if rock > pull:
        return None
    return -height_mm * float(balance[1]), -height_mm * float(balance[2]), rock


# ---------------------------------------------------------------- packs


def _stacks(
    foot: Foot,
    lean: Lean,
    seat: Seat,
    lots: Sequence[Lot],
    options: Options,
    lift_mm: float,
    room_mm: float,
) -> Iterator[Stacked]:
    """Every pack that could stand at a corner, and no pack."""
    at = foot.seat_at_mm(seat)
    need = _gap(foot, lean, seat) + lift_mm
    if need <= room_mm:
        yield Stacked(seat, 0, (), at, -need, 0.0)
    face, slope = _push(lean, seat)
    inside = _inside_mm(foot, seat, face, options)
    if inside < options.min_inside_mm:
        return
    step = -face.sign * inside
    inner = (at[0] + step, at[1]) if face.is_along else (at[0], at[1] + step)
    corner = options.bearing_point == "corner"
    bearing_slope = max(abs(lean.slope_along), abs(lean.slope_across)) if corner else max(0.0, slope)
    flats = [lot for lot in lots if _is_flat(lot) for _ in range(min(lot.count, options.max_pieces))]
    for tail, sigma, tail_cost in _tails(lots, options, inside, bearing_slope, need + room_mm):
        bears_inside = not corner and sigma < bearing_slope - 1e-9
        where = inner if bears_inside else at
        wanted = _gap_at(foot, lean, *where) + lift_mm
        mismatch = abs(sigma - bearing_slope) * inside * options.weights.bearing_per_mm
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
                    cost = tail_cost + mismatch + sum(_flat_cost(lot, options) for lot in chosen)
                    yield Stacked(seat, steps, uses, where, error, cost)


def _tails(
    lots: Sequence[Lot], options: Options, inside_mm: float, slope: float, thickest_mm: float
) -> Iterator[tuple[tuple[Use, ...], float, float]]:
    """No tapered piece, or one: its use, its slope and its cost."""
    yield (), 0.0, 0.0
    weights, q = options.weights, options.quantum_mm
    for lot in lots:
        if lot.count < 1:
            continue
        if lot.form == "taper":
            sigma = (_told(lot.thick_mm) - _told(lot.thin_mm)) / _told(lot.length_mm)
            deep = inside_mm if options.bearing_point == "auto" and sigma < slope - 1e-9 else 0.0
            cost = weights.piece + weights.cut
            if lot.origin == "bought":
                cost += weights.new_material * weights.new_taper_share
            for steps in range(1, math.floor(min(_told(lot.thick_mm), thickest_mm) / q + 1e-9) + 1):
                mark = (steps * q - _told(lot.thin_mm)) / sigma + deep
                shortest = deep + 1e-9 if deep else options.min_inside_mm - 1e-9
                if shortest <= mark <= _told(lot.length_mm) + 1e-9 and steps * q > _told(lot.thin_mm) - 1e-9:
                    yield (Use(lot.lot, steps, mark_mm=mark),), sigma, cost
        elif lot.form == "strip":
            yield from _wedges(lot, options, inside_mm, slope, thickest_mm)


def _wedges(
    lot: Lot, options: Options, inside_mm: float, slope: float, thickest_mm: float
) -> Iterator[tuple[tuple[Use, ...], float, float]]:
    weights, q = options.weights, options.quantum_mm
    width = _told(lot.width_mm)
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
            if length + _first_cut(lot, options, angle) > _told(lot.length_mm) - options.saw.hold_mm + 1e-9:
                continue
            cost = weights.piece + weights.cut
            if lot.origin == "bought":
                share = length / _told(lot.length_mm)
                cost += weights.new_material * weights.new_strip_share * share
            yield (use,), sigma, cost


def _wedge_length(lot: Lot, options: Options, angle: float, thick_mm: float) -> float:
    thin = thick_mm - 2.0 * _told(lot.width_mm) * math.tan(math.radians(angle))
    return (thin + thick_mm) / 2.0 + options.saw.kerf_mm / math.cos(math.radians(angle))


def _first_cut(lot: Lot, options: Options, angle: float) -> float:
    return _told(lot.width_mm) * math.tan(math.radians(angle)) + options.saw.kerf_mm


def _flat_cost(lot: Lot, options: Options) -> float:
    weights = options.weights
    new = weights.new_material * weights.new_flat_share if lot.origin == "bought" else 0.0
    return weights.piece + new


def _set_ups(packs: Sequence[Stacked], options: Options) -> float:
    angles = {use.saw_deg for pack in packs for use in pack.uses} - {None, options.saw.stands_at_deg}
    return options.weights.saw_set_up * len(angles)


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
            max(0.0, _told(use.mark_mm) - options.bearing_mm),
            min(_told(lot.length_mm), _told(use.mark_mm) + options.saw.kerf_mm),
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
    usable = _told(lot.length_mm) - options.saw.hold_mm
    for copies in itertools.product(range(min(lot.count, len(uses)) or 1), repeat=len(uses)):
        left = dict.fromkeys(range(lot.count), usable)
        for copy in set(copies):
            mine = [use for use, to in zip(uses, copies, strict=True) if to == copy]
            for use in mine:
                thick = use.thickness * options.quantum_mm + _told(use.mark_mm)
                left[copy] -= _wedge_length(lot, options, _told(use.saw_deg), thick)
            for angle in {_told(use.saw_deg) for use in mine}:
                left[copy] -= _first_cut(lot, options, angle)
        if min(left.values(), default=0.0) >= -1e-9:
            return True
    return not uses


def _is_flat(lot: Lot) -> bool:
    return lot.form == "flat" and lot.count > 0


def _steps(thickness_mm: float | None, options: Options) -> int:
    return math.floor(_told(thickness_mm) / options.quantum_mm + 0.5 + 1e-9)


def _told(value: float | None) -> float:
    assert value is not None
    return value
