"""Where a rigid foot comes to rest on elastic supports that only push, under one pull of the rod.

Coordinates are from the rod, so that the pull does no work in a tilt. With the plane z = z0 + u·x + v·y
the foot minimises E = ½·Σ k·max(0, e − z)² + F·z0; the balance of force and moments is its optimality.
The forces are always unique (the dual problem is strictly convex in them); the plane is unique unless all
that carry stand on one line with the rod, and then the foot rocks between two tilts.
Method: active set on the contact forces, after the quick guess that whatever touches the last plane touches.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING, NamedTuple

from shimfit.core.foot import DUST_MM
from shimfit.errors import EntryError, InternalError

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    Plane = tuple[float, float, float]
    """z0, u, v about the rod."""

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
        return _settle_rigid(springs)
    plane = _guess(springs, pull)
    if plane is None:
        plane, line = _active_set(springs, pull)
        if line is not None:
            return _finish_on_line(springs, line, plane)
    forces = [s.k * (s.e - _height(plane, s)) for s in springs]
    carrying = tuple(i for i, force in enumerate(forces) if force > _SHARE * pull)
    if len(carrying) < len(springs) and _on_a_line(springs, carrying):
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
    start = _rigid_basis(springs)
    forces = {i: share * pull for i, share in start.items()}
    nothing = _SHARE * pull * 1e-3
    for _ in range(40 * len(springs)):
        members = tuple(sorted(forces))
        plane = _best_plane(springs, members, pull)
        line = None
        if plane is None:
            plane, line = _plane_on_line(springs, members, pull), members
        wanted = {i: springs[i].k * (springs[i].e - _height(plane, springs[i])) for i in members}
        pulling = [i for i in members if wanted[i] < -nothing]
        if pulling:
            _step_towards(forces, wanted, pulling)
            continue
        forces = wanted
        extra = _violating_line(springs, line, plane) if line else _violating(springs, members, plane)
        if not extra:
            return plane, line
        forces.update(dict.fromkeys(extra, 0.0))
    raise InternalError("The resting post could not be worked out; please report its foot and packs.")


def _step_towards(forces: dict[int, float], wanted: dict[int, float], pulling: list[int]) -> None:
    """Go as far towards the wanted forces as none pulls; the one that stops it leaves the contact."""
    stopper = min(pulling, key=lambda i: forces[i] / (forces[i] - wanted[i]))
    share = forces[stopper] / (forces[stopper] - wanted[stopper])
    for i, force in forces.items():
        forces[i] = force + share * (wanted[i] - force)
    del forces[stopper]


def _violating(springs: Sequence[Spring], members: tuple[int, ...], plane: Plane) -> list[int]:
    """The support outside the contact that the plane sinks into most, if any."""
    outside = [i for i in range(len(springs)) if i not in members]
    depth, worst = max(
        ((springs[i].e - _height(plane, springs[i]), i) for i in outside), default=(-math.inf, -1)
    )
    return [worst] if depth > DUST_MM * 1e-3 else []


def _violating_line(springs: Sequence[Spring], line: tuple[int, ...], plane: Plane) -> list[int]:
    """Supports that the foot sinks into whichever way it turns about the line."""
    turn = _turns(springs, line, plane)
    if turn.sunk_on_line is not None:
        return [turn.sunk_on_line]
    if turn.least <= turn.most + DUST_MM * 1e-6:
        return []
    return [i for i in (turn.least_by, turn.most_by) if i is not None]


def _rigid_basis(springs: Sequence[Spring]) -> dict[int, float]:
    """Shares of the pull on the two or three supports that a rigid foot would stand on.

    By linear programming duality the foot stands on the pair or triple around the rod that holds it
    highest. EntryError when none is around the rod.
    """
    best: dict[int, float] = {}
    highest = -math.inf
    for triple in combinations(range(len(springs)), 3):
        shares = _shares(*(springs[i] for i in triple))
        if shares is None:
            continue
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


def _shares(a: Spring, b: Spring, c: Spring) -> tuple[float, float, float] | None:
    """Shares of a unit pull at the rod on three supports; None when the rod is not between them."""
    cross_a = b.x * c.y - c.x * b.y
    cross_b = c.x * a.y - a.x * c.y
    cross_c = a.x * b.y - b.x * a.y
    area = cross_a + cross_b + cross_c
    size = max(abs(value) for s in (a, b, c) for value in (s.x, s.y))
    if abs(area) < _SHARE * size * size:
        return None
    shares = cross_a / area, cross_b / area, cross_c / area
    return None if min(shares) < -1e-12 else shares


def _settle_rigid(springs: Sequence[Spring]) -> Contact:
    """A rigid foot that is only set down: the limit of a small pull."""
    basis = tuple(_rigid_basis(springs))
    if len(basis) < 3:
        plane = _plane_on_line(springs, basis, 0.0)
        return _finish_on_line(springs, basis, plane)
    plane_or_none = _best_plane(springs, basis, 0.0)
    assert plane_or_none is not None
    touching = _touching(springs, plane_or_none)
    return Contact((plane_or_none,), touching, touching)


# ------------------------------------------------------------------- standing on a line: rocking


@dataclass(frozen=True, slots=True)
class _Turns:
    """How far the foot may turn about a line: tilts across it at which the next support touches."""

    least: float
    most: float
    least_by: int | None
    most_by: int | None
    sunk_on_line: int | None


def _on_a_line(springs: Sequence[Spring], members: tuple[int, ...]) -> bool:
    return _best_plane(springs, members, 0.0) is None


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
