"""How a post stands once its nut is tight: predicted from the packs, not assumed.

The foot is rigid, the packs (and the bare corners of the bed) are springs that only push, and the rod
pulls once. An independent referee that tries every set of contacts is in the tests (`enumeration`).

*Contact.* Coordinates are from the rod, so that the pull does no work in a tilt. With z = z0 + u·x + v·y
the foot minimises E = ½·Σ k·max(0, e − z)² + F·z0; the balance of force and moments is its optimality.
The forces are always unique (the dual problem is strictly convex in them); the plane is unique unless all
that carry stand on one line with the rod, and then the foot rocks between two tilts.
Method: active set on the contact forces, after the quick guess that whatever touches the last plane touches.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace
from itertools import combinations
from typing import TYPE_CHECKING, Literal, NamedTuple

from shimfit.core.foot import DUST_MM, GapPlane, check_foot, gap_plane
from shimfit.errors import EntryError, InternalError, finite, not_negative, positive
from shimfit.model import CORNERS, Foot, Lean, Pack, Resting, Seat
from shimfit.values import dataclass

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

Plane = tuple[float, float, float]
"""z0, u, v about the rod."""
_AT_ROD_MM = 1e-6
_NO_SHARE = 1e-9
_ROLLS = 24
"""Rounds after which a round foot has rolled to where its rim is down; each is some times nearer."""
_ROLLED_RAD = 1e-5
"""It has rolled where it would roll no further than this: half a thousandth of a mm along the rim."""


@dataclass(frozen=True, slots=True)
class Support:
    """One place that can push on the foot."""

    x_mm: float
    y_mm: float
    """Where it bears, from the foot's centre (+next, +out)."""
    error_mm: float
    """Thickness there less the thickness wanted there; a bare corner has minus its gap."""
    stiffness: float = 1.0
    """Relative to a usual seat; the preload is given for four of 1.0."""
    bare: bool = False
    """The bed itself, no pack."""


def rest(foot: Foot, supports: Sequence[Support], preload_mm: float) -> Resting:
    """How the foot comes to rest on its supports, relative to the wanted position.

    preload_mm: common compression of four seats of stiffness 1 under the clamp (δ; pull ÷ stiffness = 4 δ);
    0 = only set down, rigid. The lean left over is minus the tilt of the resting plane: a foot that is
    higher on its + side tips the top to the − side, and thin packs leave some of the old lean.
    EntryError for a foot that is none, a support that is no number, off the foot or at the rod, and when
    the rod pulls outside all supports (the post would tip over). Source: potential energy of push-only
    springs, minimised.

    rock_mm is twice the length of the residuals about the flattest plane through the supports: for the
    four corners of a rectangle exactly |q|, how far the fourth lies from the plane of the other three; for
    four others the power mean of that distance over the choice of the fourth; 0 with three. Packs count
    whether or not they carry, a bare corner only where it touches at rest or at a limit, or is the pivot.
    """
    check_foot(foot)
    pull = 4.0 * not_negative(preload_mm, "preload")
    springs = [_spring(foot, support) for support in supports]
    contact = settle(springs, pull)
    planes = [Lean(0.0 - u, 0.0 - v) for _, u, v in contact.planes]
    # The errors that count, about their own least-squares plane.
    counted = [
        spring if spring.k == 1.0 else spring._replace(k=1.0)
        for i, (spring, support) in enumerate(zip(springs, supports, strict=True))
        if not support.bare or i in contact.touching or support.error_mm > -DUST_MM
    ]
    flattest = _best_plane(counted, range(len(counted)), 0.0) if len(counted) > 3 else None
    nearest = distance_to_nearest_side((springs[i].x, springs[i].y) for i in contact.carrying)
    return Resting(
        lean=planes[0] if len(planes) == 1 else None,
        rock_mm=2.0 * math.hypot(*(s.e - _height(flattest, s) for s in counted)) if flattest else 0.0,
        tipping_arm=min(1.0, nearest / (min(foot.along_mm, foot.across_mm) / 2)),
        limits=(planes[0], planes[1]) if len(planes) == 2 else None,
    )


def rest_packs(
    foot: Foot,
    lean: Lean,
    packs: Iterable[Pack],
    preload_mm: float,
    *,
    stiffness: Mapping[Seat, float] | None = None,
    rocks_mm: Mapping[Seat, float] | None = None,
    take_up: float = 1.0,
) -> Resting:
    """How a post of this lean is predicted to stand on these packs; no packs = it stands as it leans.

    lean: what the packs are to take out, the foot bare on the bed (with packs in place: the lean it would
    have without them). Each pack bears where it says, from the rod; its error is what it makes less the
    gap there. Bare corners take part with thickness 0, on a round foot also the rim's exact pivot.
    stiffness: relative, per seat, 1 where not given. rocks_mm: feeler thickness of corners that do not
    touch; it is part of the seat's gap. take_up: measured ÷ predicted change (1 = packs give in full).
    """
    share = positive(take_up, "take-up", "")
    plane = gap_plane(foot, Lean(lean.slope_along / share, lean.slope_across / share))
    packs = tuple(packs)
    resting = rest(foot, supports_of(plane, packs, stiffness=stiffness, rocks_mm=rocks_mm), preload_mm)
    rim, part, sides = plane.pivot_at_mm, 1.0, dict[bool, tuple[float, Lean]]()
    last = 0.0
    for _ in range(_ROLLS if foot.round else 0):
        down = _rolled(plane, resting)
        if down is not None and rim is not None and resting.lean is not None:
            at = math.atan2(rim[1], rim[0])
            step = math.remainder(math.atan2(down[1], down[0]) - at, math.tau)
            # Beyond where it comes to lie it rolls back, by half as much each time.
            part /= 2.0 if step * last < 0.0 else 1.0
            last, sides[step > 0.0] = step, (abs(step), resting.lean)
            if abs(step * part) < _ROLLED_RAD:
                break
            down = _on_rim(foot, at + part * step)
        elif down == rim:
            break
        rim = down
        supports = supports_of(plane, packs, stiffness=stiffness, rocks_mm=rocks_mm, rim_at_mm=rim)
        resting = rest(foot, supports, preload_mm)
    if part < 1.0 and resting.lean is not None and abs(last) > _ROLLED_RAD:
        # Down on one place it tips to the other: it lies between, the nearer the less it would roll on there.
        (one, first), (other, second) = sides.values()
        share_of_second = one / (one + other)
        along = first.slope_along + share_of_second * (second.slope_along - first.slope_along)
        across = first.slope_across + share_of_second * (second.slope_across - first.slope_across)
        resting = replace(resting, lean=Lean(along, across))
    return resting if share == 1.0 else scaled_rest(resting, share)


def scaled(lean: Lean, by: float) -> Lean:
    """A lean so many times as large."""
    return Lean(lean.slope_along * by, lean.slope_across * by)


def scaled_rest(resting: Resting, by: float) -> Resting:
    """How it rests where packs give so much of their change: its lean, or both limits of its rocking."""
    return replace(
        resting,
        lean=None if resting.lean is None else scaled(resting.lean, by),
        limits=None
        if resting.limits is None
        else (scaled(resting.limits[0], by), scaled(resting.limits[1], by)),
    )


def shares_of_pull(foot: Foot, supports: Sequence[Support], preload_mm: float) -> tuple[float, ...]:
    """Share of the rod's pull that each support carries at rest, in order; 0 where it does not touch.

    Unique even where the post rocks. preload_mm as for `rest`, but more than 0; errors as for `rest`.
    """
    check_foot(foot)
    pull = 4.0 * positive(preload_mm, "preload")
    springs = [_spring(foot, support) for support in supports]
    z0, u, v = settle(springs, pull).planes[0]
    return tuple(s.k * max(0.0, s.e - z0 - u * s.x - v * s.y) / pull for s in springs)


def tilts_per_mm(supports: Sequence[tuple[float, float, float]]) -> list[tuple[float, float]]:
    """Tilt (along, across) of the resting plane per mm of thickness error at each support; none for a line.

    supports: (x, y, stiffness), all of them carrying, from any origin: the weighted least-squares plane.
    """
    if len(supports) < 3:
        return []
    k_sum = sum(k for _, _, k in supports)
    x_mid, y_mid = (sum(one[2] * one[axis] for one in supports) / k_sum for axis in (0, 1))
    centred = [(x - x_mid, y - y_mid, k) for x, y, k in supports]
    xx = sum(k * x * x for x, _, k in centred)
    xy = sum(k * x * y for x, y, k in centred)
    yy = sum(k * y * y for _, y, k in centred)
    det = xx * yy - xy * xy
    if det <= _FLAT * (xx + yy) ** 2:
        return []
    return [(k * (x * yy - y * xy) / det, k * (y * xx - x * xy) / det) for x, y, k in centred]


def supports_of(
    plane: GapPlane,
    packs: Iterable[Pack],
    *,
    stiffness: Mapping[Seat, float] | None = None,
    rocks_mm: Mapping[Seat, float] | None = None,
    rim_at_mm: tuple[float, float] | Literal["pivot"] | None = "pivot",
) -> list[Support]:
    """Supports of a foot on its packs, in their order, then the bed itself under its bare corners.

    rim_at_mm: where a round foot's rim is down: at the plane's own pivot, where it is once plumb, or here;
    None = nowhere more than at its seats.
    """
    rod_x, rod_y = plane.foot.rod_at_mm
    stiffness, rocks_mm = stiffness or {}, rocks_mm or {}
    supports = []
    shares = dict.fromkeys(CORNERS, 1.0)
    """Of bare corners."""
    for pack in packs:
        if pack.made_mm > 0.0:
            x, y = pack.bears_at_mm[0] + rod_x, pack.bears_at_mm[1] + rod_y
            error = pack.made_mm - plane.gap_mm(x, y) - rocks_mm.get(pack.seat, 0.0)
            supports.append(Support(x, y, error, stiffness.get(pack.seat, 1.0)))
            shares.pop(pack.seat, None)
    rim = plane.pivot_at_mm if rim_at_mm == "pivot" else rim_at_mm
    if plane.foot.round and rim is not None:
        rim_share = _share_with_pivot(plane.foot, rim, shares)
        if rim_share > 0.0:
            supports.append(Support(*rim, 0.0 - plane.gap_mm(*rim), rim_share, bare=True))
    for seat, share in shares.items():
        if share > _NO_SHARE:
            error = 0.0 - plane.at_seat_mm(seat) - rocks_mm.get(seat, 0.0)
            k = share * stiffness.get(seat, 1.0)
            supports.append(Support(*plane.foot.seat_at_mm(seat), error, k, bare=True))
    return supports


# ------------------------------------------------------------------- the rim of a round foot


def _rolled(plane: GapPlane, resting: Resting) -> tuple[float, float] | None:
    """Where the rim of a round foot is down when the post rests like this: against the tilt over the bed."""
    if resting.lean is None:
        return plane.pivot_at_mm
    along = plane.slope_along - resting.lean.slope_along
    across = plane.slope_across - resting.lean.slope_across
    steepest = math.hypot(along, across)
    if steepest * plane.foot.along_mm < DUST_MM:
        return None
    return _on_rim(plane.foot, math.atan2(-across, -along))


def _on_rim(foot: Foot, angle: float) -> tuple[float, float]:
    """The place on the rim of a round foot at an angle from +next towards +out."""
    return foot.along_mm / 2 * math.cos(angle), foot.along_mm / 2 * math.sin(angle)


def _share_with_pivot(foot: Foot, pivot: tuple[float, float], shares: dict[Seat, float]) -> float:
    """Stiffness of a round foot's bare rim at its exact pivot, taken from the bare corners beside it.

    The rim's four quarters stay as stiff as four seats, so what the pivot carries its neighbours don't:
    their resultant is kept (p = a·cos α + b·sin α between two neighbours a and b), and a foot that stands
    bare, or on exact packs, is left exactly as it should stand. Beside a pack the rim bears at its seats
    only: a pivot there would stiffen one side and tilt a post that is packed exactly. `shares` is changed
    in place; the pivot's own share is returned.
    """
    radius_squared = (foot.along_mm / 2) ** 2
    cosines = {}
    for seat in CORNERS:
        x, y = foot.seat_at_mm(seat)
        cosines[seat] = (pivot[0] * x + pivot[1] * y) / radius_squared
    near, far = sorted(CORNERS, key=lambda seat: -cosines[seat])[:2]
    if near not in shares or far not in shares:
        return 0.0
    cosine, sine = cosines[near], max(0.0, cosines[far])
    shares[near] = 0.0
    shares[far] = 1.0 - sine / cosine
    return 1.0 / cosine


# ------------------------------------------------------------------- figures


def _spring(foot: Foot, support: Support) -> Spring:
    x = support.x_mm - foot.rod_at_mm[0]
    y = support.y_mm - foot.rod_at_mm[1]
    k = support.stiffness
    if not math.isfinite(x + y + support.error_mm + k) or k <= 0.0:
        finite(support.x_mm, "place along where a pack bears")
        finite(support.y_mm, "place across where a pack bears")
        finite(support.error_mm, "thickness of a pack less what is wanted")
        positive(k, "stiffness of a pack", "")
    if abs(x) < _AT_ROD_MM and abs(y) < _AT_ROD_MM:
        raise EntryError("A pack can't bear where the rod goes; move it towards its face.")
    return Spring(x, y, support.error_mm, k)


# ---------------------------------------------------------------- how wide a base the post stands on

Point = tuple[float, float]


def hull(points: Iterable[Point]) -> list[Point]:
    """Corners of the convex hull, anticlockwise (Andrew's monotone chain); fewer than 3 for a line."""
    ordered = sorted(set(points))
    corners: list[Point] = []
    for way in (ordered, ordered[::-1]) if len(ordered) > 2 else ():
        chain: list[Point] = []
        for x, y in way:
            while len(chain) > 1 and _area(chain[-2], chain[-1], (x, y)) <= 0.0:
                chain.pop()
            chain.append((x, y))
        corners += chain[:-1]
    return corners or ordered


def _area(a: Point, b: Point, c: Point) -> float:
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])


def rock_vector(points: Sequence[Point]) -> tuple[float, ...]:
    """The one combination of four errors that no plane can take up, of length 2."""
    a, b, c, d = points
    raw = (_area(b, c, d), -_area(a, c, d), _area(a, b, d), -_area(a, b, c))
    size = math.sqrt(sum(value * value for value in raw)) / 2.0
    return tuple(value / size for value in raw)


def distance_to_nearest_side(points: Iterable[Point]) -> float:
    """Distance from the origin to the nearest side of the points' hull, in the points' unit.

    0 when the origin is outside, on a side, or when the points stand on one line.
    """
    corners = hull(points)
    if len(corners) < 3:
        return 0.0
    sides = zip(corners, corners[1:] + corners[:1], strict=True)
    nearest = min((a[0] * b[1] - b[0] * a[1]) / math.hypot(b[0] - a[0], b[1] - a[1]) for a, b in sides)
    return max(0.0, nearest)


# ---------------------------------------------------------------- contact

_SHARE = 1e-9
"""A support that carries less than this share of the pull does not carry."""
_FLAT = 1e-12
"""Spread across a line ÷ spread along it, squared, below which points lie on the line."""


class Spring(NamedTuple):
    """One support about the rod: it pushes k·(e − z) where the plane z is below its error e.

    A named tuple, because a handful is made for every reading of a live sensor.
    """

    x: float
    y: float
    e: float
    k: float


@dataclass(frozen=True, slots=True)
class Contact:
    """How the foot rests: one plane, or the two at which a further support just touches."""

    planes: tuple[Plane, ...]
    carrying: tuple[int, ...]
    """Indices of the springs that carry load."""
    touching: tuple[int, ...]
    """Indices of the springs that touch the plane, or either of the two limits."""


def settle(springs: Sequence[Spring], pull: float) -> Contact:
    """Contact of the foot under a pull F (force ÷ unit stiffness, mm); 0 means rigid, just set down.

    EntryError when the rod pulls outside, or exactly on, the side of all supports: the post would tip.
    """
    if pull <= 0.0:
        # The limit of a small pull.
        basis = tuple(_rigid_basis(springs))
        plane = _best_plane(springs, basis, 0.0)
        if plane is None:
            return _finish_on_line(springs, basis, _plane_on_line(springs, basis, 0.0))
        touching = _touching(springs, plane)
        return Contact((plane,), touching, touching)
    plane = _guess(springs, pull)
    if plane is None:
        plane, line = _active_set(springs, pull)
        if line is not None:
            return _finish_on_line(springs, line, plane)
    carrying = tuple(i for i, s in enumerate(springs) if s.k * (s.e - _height(plane, s)) > _SHARE * pull)
    if len(carrying) < len(springs) and _best_plane(springs, carrying, 0.0) is None:
        return _finish_on_line(springs, carrying, plane)
    return Contact((plane,), carrying, _touching(springs, plane))


# ------------------------------------------------------------------- the usual case


def _guess(springs: Sequence[Spring], pull: float) -> Plane | None:
    """Start with every support, keep what pushes, add what penetrates, until nothing changes.

    A set that repeats itself satisfies the balance and so is the answer. None when the sets run in a
    circle or end on a line: the active set takes over.
    """
    members = tuple(range(len(springs)))
    seen = set()
    while members not in seen:
        seen.add(members)
        plane = _best_plane(springs, members, pull)
        if plane is None:
            return None
        z0, u, v = plane
        pushing = tuple(i for i, s in enumerate(springs) if s.e - z0 - u * s.x - v * s.y > 0.0)
        if pushing == members:
            return plane
        members = pushing
    return None


def _best_plane(springs: Sequence[Spring], members: Iterable[int], pull: float) -> Plane | None:
    """Plane that balances the pull on these springs, pushing or not; None when they stand on one line."""
    k_sum = x_sum = y_sum = e_sum = 0.0
    chosen = [springs[i] for i in members]
    if len(chosen) < 3:
        return None
    for s in chosen:
        k_sum += s.k
        x_sum += s.k * s.x
        y_sum += s.k * s.y
        e_sum += s.k * s.e
    x_mid, y_mid, e_mid = x_sum / k_sum, y_sum / k_sum, e_sum / k_sum
    xx = xy = yy = xe = ye = 0.0
    for s in chosen:
        dx, dy, de = s.x - x_mid, s.y - y_mid, s.e - e_mid
        xx += s.k * dx * dx
        xy += s.k * dx * dy
        yy += s.k * dy * dy
        xe += s.k * dx * de
        ye += s.k * dy * de
    det = xx * yy - xy * xy
    if det <= _FLAT * (xx + yy) ** 2:
        return None
    xe += pull * x_mid
    ye += pull * y_mid
    u = (xe * yy - ye * xy) / det
    v = (ye * xx - xe * xy) / det
    return e_mid - pull / k_sum - u * x_mid - v * y_mid, u, v


def _height(plane: Plane, s: Spring) -> float:
    return plane[0] + plane[1] * s.x + plane[2] * s.y


def _touching(springs: Sequence[Spring], plane: Plane) -> tuple[int, ...]:
    return tuple(i for i, s in enumerate(springs) if s.e - _height(plane, s) > -DUST_MM)


# ------------------------------------------------------------------- the general case


def _active_set(springs: Sequence[Spring], pull: float) -> tuple[Plane, tuple[int, ...] | None]:
    """Plane at rest, and the members when they stand on one line (then the plane is any of the valley).

    Every step lowers the dual energy ½·Σ f²/k − Σ f·e over forces that balance, so it ends.
    """
    forces = {i: share * pull for i, share in _rigid_basis(springs).items()}
    nothing = _SHARE * pull * 1e-3
    for _ in range(40 * len(springs)):
        members = tuple(sorted(forces))
        plane, line = _best_plane(springs, members, pull), None
        if plane is None:
            plane, line = _plane_on_line(springs, members, pull), members
        wanted = {i: springs[i].k * (springs[i].e - _height(plane, springs[i])) for i in members}
        pulling = [i for i in members if wanted[i] < -nothing]
        if pulling:
            # As far towards the wanted forces as none pulls; the one that stops it leaves the contact.
            stopper = min(pulling, key=lambda i: forces[i] / (forces[i] - wanted[i]))
            share = forces[stopper] / (forces[stopper] - wanted[stopper])
            forces = {i: f + share * (wanted[i] - f) for i, f in forces.items() if i != stopper}
            continue
        forces = wanted
        if line:
            # Supports that the foot sinks into whichever way it turns about the line.
            turn = _turns(springs, line, plane)
            extra: tuple[int | None, ...] = (turn.sunk_on_line,)
            if turn.sunk_on_line is None and turn.least > turn.most + DUST_MM * 1e-6:
                extra = turn.least_by, turn.most_by
        else:
            # The support outside the contact that the plane sinks into most.
            depths = ((s.e - _height(plane, s), i) for i, s in enumerate(springs) if i not in members)
            depth, worst = max(depths, default=(-math.inf, None))
            extra = (worst if depth > DUST_MM * 1e-3 else None,)
        if extra == (None,):
            return plane, line
        forces |= {i: 0.0 for i in extra if i is not None}
    raise InternalError("The resting post could not be worked out; please report its foot and packs.")


def _rigid_basis(springs: Sequence[Spring]) -> dict[int, float]:
    """Shares of the pull on the two or three supports that a rigid foot would stand on.

    By linear programming duality the foot stands on the pair or triple around the rod that holds it
    highest. EntryError when none is around the rod.
    """
    best: dict[int, float] = {}
    highest = -math.inf
    for triple in combinations(range(len(springs)), 3):
        a, b, c = (springs[i] for i in triple)
        cross = b.x * c.y - c.x * b.y, c.x * a.y - a.x * c.y, a.x * b.y - b.x * a.y
        area, size = sum(cross), max(abs(value) for s in (a, b, c) for value in (s.x, s.y))
        if abs(area) < _SHARE * size * size or min(one / area for one in cross) < -1e-12:
            continue  # on a line, or the rod is not between them
        shares = [one / area for one in cross]
        held = sum(share * springs[i].e for share, i in zip(shares, triple, strict=True))
        if held > highest:
            highest = held
            best = {i: s for s, i in zip(shares, triple, strict=True) if s > _SHARE}
    if not best:
        raise EntryError(
            "The rod pulls outside the packs that carry the post, so it would tip over; "
            "support the side that the rod is nearest to."
        )
    return best


# ------------------------------------------------------------------- standing on a line: rocking


class _Turns(NamedTuple):
    """How far the foot may turn about a line: tilts across it at which the next support touches."""

    least: float
    most: float
    least_by: int | None
    most_by: int | None
    sunk_on_line: int | None


def _across(springs: Sequence[Spring], line: tuple[int, ...]) -> tuple[float, float]:
    """Unit vector across the line through the rod and its members."""
    far = max((springs[i] for i in line), key=lambda s: s.x * s.x + s.y * s.y)
    length = math.hypot(far.x, far.y)
    return -far.y / length, far.x / length


def _plane_on_line(springs: Sequence[Spring], line: tuple[int, ...], pull: float) -> Plane:
    """A plane that balances the pull along the line; level across it."""
    nx, ny = _across(springs, line)
    k_sum = w_sum = e_sum = ww = we = 0.0
    for s in (springs[i] for i in line):
        w = s.x * ny - s.y * nx
        k_sum += s.k
        w_sum += s.k * w
        e_sum += s.k * s.e
        ww += s.k * w * w
        we += s.k * w * s.e
    det = k_sum * ww - w_sum * w_sum
    z0 = ((e_sum - pull) * ww - w_sum * we) / det
    along = (k_sum * we - w_sum * (e_sum - pull)) / det
    return z0, along * ny, -along * nx


def _turns(springs: Sequence[Spring], line: tuple[int, ...], plane: Plane) -> _Turns:
    """Range of turns about the line, measured as tilt across it, from the given plane."""
    nx, ny = _across(springs, line)
    least, most = -math.inf, math.inf
    least_by = most_by = sunk = None
    for i, s in enumerate(springs):
        if i in line:
            continue
        side = s.x * nx + s.y * ny
        depth = s.e - _height(plane, s)
        if abs(side) < _SHARE * (abs(s.x) + abs(s.y)):
            if depth > DUST_MM:
                sunk = i
        elif side > 0.0 and depth / side > least:
            least, least_by = depth / side, i
        elif side < 0.0 and depth / side < most:
            most, most_by = depth / side, i
    return _Turns(least, most, least_by, most_by, sunk)


def _finish_on_line(springs: Sequence[Spring], line: tuple[int, ...], plane: Plane) -> Contact:
    """One plane when the neighbours on both sides touch at once, else the two limits."""
    turn = _turns(springs, line, plane)
    if not (math.isfinite(turn.least) and math.isfinite(turn.most)):
        raise EntryError(
            "The rod pulls on the very edge of the packs that carry the post, so it would tip over; "
            "support the side that the rod is nearest to."
        )
    nx, ny = _across(springs, line)
    z0, u, v = plane
    limits = tuple((z0, u + turn_by * nx, v + turn_by * ny) for turn_by in (turn.least, turn.most))
    reach = max(math.hypot(s.x, s.y) for s in springs)
    touching = tuple(sorted({i for limit in limits for i in _touching(springs, limit)}))
    if (turn.most - turn.least) * reach > DUST_MM:
        return Contact(limits, line, touching)
    middle = (turn.least + turn.most) / 2
    # Set down without a pull, or with a pull that just reaches them: the neighbours touch and count.
    return Contact(((z0, u + middle * nx, v + middle * ny),), touching, touching)
