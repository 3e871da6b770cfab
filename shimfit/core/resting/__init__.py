"""How a post stands once its nut is tight: predicted from the packs, not assumed.

The foot is rigid, the packs (and the bare corners of the bed) are springs that only push, and the rod
pulls once. Method and signs: `contact`; the independent referee that tries every set of contacts:
`enumeration` of the tests; the width of the base stands last.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

from shimfit.core.checks import finite, not_negative, positive
from shimfit.core.foot import DUST_MM, GapPlane, check_foot, gap_plane
from shimfit.core.resting.contact import Contact, Spring, settle
from shimfit.errors import EntryError
from shimfit.model import CORNERS, Foot, Lean, Pack, Resting, Seat

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence


_AT_ROD_MM = 1e-6
_NO_SHARE = 1e-9
_ROLLS = 8
"""Rounds after which a round foot has rolled to where its rim is down; each is some times nearer."""


@dataclass(frozen=True, slots=True)
class Support:
    """One place that can push on the foot."""

    x_mm: float
    y_mm: float
    """Where it bears, from the foot's centre (+next, +out)."""
    error_mm: float
    """Thickness there less the thickness wanted there; a bare corner has minus its gap."""
    stiffness: float = 1.0
    """Relative to a usual seat; the preload is told for four of 1.0."""
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
    return Resting(
        lean=planes[0] if len(planes) == 1 else None,
        rock_mm=_rock_mm(springs, supports, contact),
        tipping_arm=_tipping_arm(foot, springs, contact),
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
    stiffness: relative, per seat, 1 where not told. rocks_mm: feeler thickness of corners that do not
    touch; it is part of the seat's gap. take_up: measured ÷ predicted change (1 = packs give in full).
    """
    share = positive(take_up, "take-up", "")
    plane = gap_plane(foot, Lean(lean.slope_along / share, lean.slope_across / share))
    packs = tuple(packs)
    stiffness, rocks_mm = stiffness or {}, rocks_mm or {}
    rim = plane.pivot_at_mm if foot.round else None
    resting = rest(foot, supports_of(plane, packs, stiffness=stiffness, rocks_mm=rocks_mm), preload_mm)
    for _ in range(_ROLLS if foot.round else 0):
        before, rim = rim, _rolled(plane, resting)
        if rim == before:
            break
        supports = supports_of(plane, packs, stiffness=stiffness, rocks_mm=rocks_mm, rim_at_mm=rim)
        resting = rest(foot, supports, preload_mm)
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


def supports_of(
    plane: GapPlane,
    packs: Iterable[Pack],
    *,
    stiffness: Mapping[Seat, float],
    rocks_mm: Mapping[Seat, float],
    rim_at_mm: tuple[float, float] | Literal["pivot"] | None = "pivot",
) -> list[Support]:
    """Supports of a foot on its packs, in their order, then its bare corners: what `rest` takes.

    rim_at_mm: where a round foot's rim is down: at the plane's own pivot, where it is once plumb, or as told;
    None = nowhere more than at its seats.
    """
    rod_x, rod_y = plane.foot.rod_at_mm
    supports = []
    packed = set()
    for pack in packs:
        if pack.made_mm <= 0.0:
            continue
        x, y = pack.bears_at_mm[0] + rod_x, pack.bears_at_mm[1] + rod_y
        error = pack.made_mm - plane.gap_mm(x, y) - rocks_mm.get(pack.seat, 0.0)
        supports.append(Support(x, y, error, stiffness.get(pack.seat, 1.0)))
        packed.add(pack.seat)
    rim = plane.pivot_at_mm if rim_at_mm == "pivot" else rim_at_mm
    if not plane.foot.round:
        rim = None
    return supports + _bare(plane, packed, rim, stiffness, rocks_mm)


# ------------------------------------------------------------------- bare corners and the rim


def _bare(
    plane: GapPlane,
    packed: set[Seat],
    rim: tuple[float, float] | None,
    stiffness: Mapping[Seat, float],
    rocks_mm: Mapping[Seat, float],
) -> list[Support]:
    """The bed itself under corners without a pack; a round foot's bare rim bears where it is down, too."""
    shares = dict.fromkeys((seat for seat in CORNERS if seat not in packed), 1.0)
    supports = []
    if rim is not None:
        rim_share = _share_with_pivot(plane.foot, rim, shares)
        if rim_share > 0.0:
            supports.append(Support(*rim, 0.0 - plane.gap_mm(*rim), rim_share, bare=True))
    for seat, share in shares.items():
        if share > _NO_SHARE:
            error = 0.0 - plane.at_seat_mm(seat) - rocks_mm.get(seat, 0.0)
            k = share * stiffness.get(seat, 1.0)
            supports.append(Support(*plane.foot.seat_at_mm(seat), error, k, bare=True))
    return supports


def _rolled(plane: GapPlane, resting: Resting) -> tuple[float, float] | None:
    """Where the rim of a round foot is down when the post rests like this: against the tilt over the bed."""
    if resting.lean is None:
        return plane.pivot_at_mm
    along = plane.slope_along - resting.lean.slope_along
    across = plane.slope_across - resting.lean.slope_across
    steepest = math.hypot(along, across)
    if steepest * plane.foot.along_mm < DUST_MM:
        return None
    reach = plane.foot.along_mm / 2 / steepest
    return -along * reach, -across * reach


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


def _rock_mm(springs: Sequence[Spring], supports: Sequence[Support], contact: Contact) -> float:
    touching = set(contact.touching)
    counted = [
        s
        for i, (s, support) in enumerate(zip(springs, supports, strict=True))
        if not support.bare or i in touching or support.error_mm > -DUST_MM
    ]
    return 2.0 * _off_plane(counted)


def _off_plane(points: Sequence[Spring]) -> float:
    """Length of the residuals of the errors about their least-squares plane."""
    n = len(points)
    if n < 4:
        return 0.0
    x_mid = sum(s.x for s in points) / n
    y_mid = sum(s.y for s in points) / n
    e_mid = sum(s.e for s in points) / n
    xx = xy = yy = xe = ye = 0.0
    for s in points:
        dx, dy, de = s.x - x_mid, s.y - y_mid, s.e - e_mid
        xx += dx * dx
        xy += dx * dy
        yy += dy * dy
        xe += dx * de
        ye += dy * de
    det = xx * yy - xy * xy
    if det <= 0.0:
        return 0.0
    u, v = (xe * yy - ye * xy) / det, (ye * xx - xe * xy) / det
    return math.sqrt(sum((s.e - e_mid - u * (s.x - x_mid) - v * (s.y - y_mid)) ** 2 for s in points))


def _tipping_arm(foot: Foot, springs: Sequence[Spring], contact: Contact) -> float:
    """Distance from the rod to the nearest side of the hull that carries ÷ half the smaller side."""
    nearest = distance_to_nearest_side((springs[i].x, springs[i].y) for i in contact.carrying)
    return min(1.0, nearest / (min(foot.along_mm, foot.across_mm) / 2))


# ---------------------------------------------------------------- how wide a base the post stands on

Point = tuple[float, float]


def hull(points: Iterable[Point]) -> list[Point]:
    """Corners of the convex hull, anticlockwise (Andrew's monotone chain); fewer than 3 for a line."""
    ordered = sorted(set(points))
    if len(ordered) < 3:
        return ordered
    return _half(ordered)[:-1] + _half(ordered[::-1])[:-1]


def _half(ordered: list[Point]) -> list[Point]:
    chain: list[Point] = []
    for point in ordered:
        while len(chain) >= 2 and _turn(chain[-2], chain[-1], point) <= 0.0:
            chain.pop()
        chain.append(point)
    return chain


def _turn(a: Point, b: Point, c: Point) -> float:
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])


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


__all__ = [
    "Support",
    "distance_to_nearest_side",
    "hull",
    "rest",
    "rest_packs",
    "scaled",
    "scaled_rest",
    "shares_of_pull",
    "supports_of",
]
