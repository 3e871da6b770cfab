"""Formulas that print states beside those that shimfit uses: what its own are held against a table by."""

from __future__ import annotations

import math
from statistics import NormalDist
from typing import Literal

from shimfit.errors import EntryError, finite, not_negative, positive

ThreadForm = Literal["metric", "unified"]

# Stress area = that of the mean of pitch and minor diameter, in pitches taken off the major diameter:
# unified (0.649519 + 1.299038)/2 (tribology-abc, read); metric 0.9382 (ISO 898-1, from memory).
_AREA_PITCHES: dict[ThreadForm, float] = {"metric": 0.9382, "unified": 0.974279}


def bearing_area_factor(length_mm: float, *, at_end: bool = True) -> float:
    """Cb: what a short bearing away from a board's end may carry more. (lb + 0.375 in) ÷ lb below 6 in.

    1.0 at an end and from 6 in (NDS 2018 3.10.4, Eq. 3.10-2, second-hand). At a deck's edge nobody knows how
    far the board goes on, so the end is the default: on the safe side.
    """
    length_in = positive(length_mm, "bearing length") / 25.4
    if at_end or length_in >= 6.0 - 1e-9:  # 6 × 25.4 ÷ 25.4 falls short of 6
        return 1.0
    return (length_in + 0.375) / length_in


def torque_for_force_nm(force_n: float, diameter_mm: float, nut_factor: float) -> float:
    """Torque in N·m that pulls with a force: the inverse of `force_from_torque_n`."""
    force = not_negative(force_n, "clamp force", "N")
    return force * positive(nut_factor, "nut factor", "") * positive(diameter_mm, "rod diameter") / 1000.0


def stress_area_mm2(diameter_mm: float, pitch_mm: float, form: ThreadForm = "metric") -> float:
    """Tensile stress area of a thread: π/4·(d − c·p)², c = 0.9382 metric, 0.9743 unified.

    pitch_mm: of a unified thread 25.4 ÷ threads per inch. EntryError when nothing would be left inside the
    thread.
    """
    diameter = positive(diameter_mm, "thread diameter")
    pitch = positive(pitch_mm, "thread pitch")
    core = diameter - _AREA_PITCHES[form] * pitch
    if core <= 0.0:
        raise EntryError(f"A thread of {diameter:g} mm can't have a pitch of {pitch:g} mm; check both.")
    return math.pi / 4 * core * core


def from_quoted(half_width: float, percent: float) -> float:
    """Standard uncertainty of quoted normal limits ±half_width that hold with this probability in %.

    95 % divides by 1.960, 99 % by 2.576, 50 % multiplies by 1.483 (NIST TN 1297, 4.3 and 4.4).
    """
    if not 0.0 < percent < 100.0:
        raise ValueError(f"a probability lies between 0 and 100 %, not {percent}")
    return half_width / NormalDist().inv_cdf(0.5 + percent / 200.0)


def from_offset_along_post(offset_mm: float, length_mm: float) -> float:
    """Slope of an offset read over a gauge length laid ALONG the post: s = d ÷ √(L² − d²).

    A straightedge lies on the post's face; the offset of its end from a plumb line is the sine of the
    tilt. At 2° the slope is 0.06 % more than d ÷ L. EntryError when the offset is not shorter than L.
    """
    offset = finite(offset_mm, "offset")
    length = positive(length_mm, "gauge length")
    if abs(offset) >= length:
        raise EntryError(
            f"An offset of {offset:g} mm can't be read over a gauge length of {length:g} mm; "
            "it must be shorter than that."
        )
    # (L − d)(L + d) keeps its digits where L² − d² would lose them.
    return offset / math.sqrt((length - offset) * (length + offset))
