"""Probability that a true lean lies inside a disk or a square around plumb, from its two uncertainties.

Both directions are normal and independent. There is no closed form for unequal uncertainties, so the disk is
integrated: the direction with the larger uncertainty in closed form (erf), the other one numerically with
x = T sin t, which keeps the integrand smooth at the rim. Adaptive Gauss-Kronrod (7, 15); agrees with scipy's
noncentral chi-square to 1e-12 when both uncertainties are equal (tests).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from itertools import pairwise
from typing import Final

_SQRT2: Final = math.sqrt(2.0)
_TAIL: Final = 10.0
"""Standard deviations beyond which a normal tail (8e-24) is nothing."""
_PRECISION: Final = 1e-10
"""Of one piece, as the 15 points differ from the 7 of them; the 15 alone came out within 1e-13."""
_DEEPEST: Final = 40
_MOST_PIECES: Final = 500
"""An end to halving whatever happens; a hard case takes under 50."""
_SHARPEST: Final = 1e-7
_ROUNDING: Final = 64.0 * 2.0**-52
# Nodes and weights of the 15-point Kronrod rule and its 7-point Gauss rule (QUADPACK; from memory, checked
# against scipy by the tests).
_NODES: Final = (
    0.991455371120812639206854697526329,
    0.949107912342758524526189684047851,
    0.864864423359769072789712788640926,
    0.741531185599394439863864773280788,
    0.586087235467691130294144691258560,
    0.405845151377397166906606412076961,
    0.207784955007898467600689403773245,
)
_KRONROD: Final = (
    0.022935322010529224963732008058970,
    0.063092092629978553290700663189204,
    0.104790010322250183839876322541518,
    0.140653259715525918745189590510238,
    0.169004726639267902826583426598550,
    0.190350578064785409913256402421014,
    0.204432940075298892414161999234649,
)
_KRONROD_MIDDLE: Final = 0.209482141084727828012999174891714
_GAUSS: Final = (
    0.129484966168869693270611432679082,
    0.279705391489276667901467771423780,
    0.381830050505118944950369775488975,
)
_GAUSS_MIDDLE: Final = 0.417959183673469387755102040816327


def normal_below(z: float) -> float:
    """Probability that a standard normal lies below z, exact in the lower tail too."""
    return 0.5 * math.erfc(-z / _SQRT2)


def inside_interval(value: float, u: float, limit: float) -> float:
    """Probability that |true| <= limit; normal around `value` with standard uncertainty `u` (0 allowed)."""
    if u == 0.0:
        return 1.0 if abs(value) <= limit else 0.0
    value = abs(value)  # by symmetry; the far edge then lies in the tail that keeps its digits
    return max(0.0, normal_below((limit - value) / u) - normal_below((-limit - value) / u))


def inside_square(along: float, across: float, u_along: float, u_across: float, limit: float) -> float:
    """Probability that both directions are within ±limit."""
    return inside_interval(along, u_along, limit) * inside_interval(across, u_across, limit)


def inside_disk(along: float, across: float, u_along: float, u_across: float, limit: float) -> float:
    """Probability that hypot(true along, true across) <= limit.

    An uncertainty below a ten-millionth of the limit is taken as that: there, rounding would be all that is
    integrated.
    """
    along, across = abs(along), abs(across)
    # The sharper direction is the one to integrate over; of equal ones always the same, so that naming them
    # the other way round gives the very same figure.
    if (u_along, along) > (u_across, across):
        along, across, u_along, u_across = across, along, u_across, u_along
    size = math.hypot(along, across)
    if abs(size - limit) > _TAIL * u_across or u_across == 0.0:
        return 1.0 if size <= limit else 0.0
    sharpest = limit * _SHARPEST
    found = _over_disk(along, across, max(u_along, sharpest), max(u_across, sharpest), limit)
    return min(1.0, max(0.0, found))


def _over_disk(along: float, across: float, u_along: float, u_across: float, limit: float) -> float:
    """The integral over x = limit sin t; along and across >= 0, u_along the smaller one."""
    low = max(-limit, along - _TAIL * u_along)
    high = min(limit, along + _TAIL * u_along)
    if low >= high:
        return 0.0

    sharp, blunt = 1.0 / (u_along * _SQRT2), 1.0 / (u_across * _SQRT2)
    sin, cos, exp, erfc = math.sin, math.cos, math.exp, math.erfc

    def density(t: float) -> float:
        # `inside_interval` written out: it is called a hundred times for each verdict.
        half_chord = limit * cos(t)
        z = (limit * sin(t) - along) * sharp
        inside = 0.5 * (erfc((across - half_chord) * blunt) - erfc((across + half_chord) * blunt))
        return exp(-z * z) * half_chord * inside

    start, stop = math.asin(low / limit), math.asin(high / limit)
    edge = math.acos(min(1.0, across / limit))  # where the chord's end passes the measured value
    middle = math.asin(min(1.0, along / limit))
    cuts = sorted({start, stop, *(t for t in (edge, -edge, middle) if start < t < stop)})
    scale = 1.0 / (u_along * math.sqrt(2.0 * math.pi))
    noise = _ROUNDING * limit / u_along  # differences of numbers as large as the limit, over the uncertainty
    return scale * _adaptive(density, cuts, max(_PRECISION, noise) / scale)


def _adaptive(f: Callable[[float], float], cuts: list[float], precision: float) -> float:
    """Integral of f between the first and the last cut; halves what is not yet precise."""
    pieces = [(a, b, 0) for a, b in pairwise(cuts)]
    found: list[float] = []
    while pieces:
        left, right, depth = pieces.pop()
        value, error = _gauss_kronrod(f, left, right)
        if error <= precision or depth >= _DEEPEST or len(found) >= _MOST_PIECES:
            found.append(value)
        else:
            middle = 0.5 * (left + right)
            pieces += [(left, middle, depth + 1), (middle, right, depth + 1)]
    return math.fsum(found)


def _gauss_kronrod(f: Callable[[float], float], a: float, b: float) -> tuple[float, float]:
    """Integral by 15 points, and its difference from the 7 of them."""
    centre, half = 0.5 * (a + b), 0.5 * (b - a)
    at_centre = f(centre)
    kronrod, gauss = at_centre * _KRONROD_MIDDLE, at_centre * _GAUSS_MIDDLE
    for i, node in enumerate(_NODES):
        pair = f(centre - half * node) + f(centre + half * node)
        kronrod += _KRONROD[i] * pair
        if i % 2 == 1:
            gauss += _GAUSS[i // 2] * pair
    return half * kronrod, abs(half * (kronrod - gauss))
