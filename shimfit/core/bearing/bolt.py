"""From the torque on the nut to the pull of the rod.

T = K·F·d with the nut factor K of the thread's finish; a torque says little about the pull: like bolts at one
torque have been measured 30 % apart when lubricated, 56 % when dry. Source of K and of those bolts: Shigley's
Mechanical Engineering Design, 9th edition, Tables 8-15, 8-14 (both read, page 439) and 8-13 (dry, from
memory: its printed mean and standard deviation come out of the twenty pulls). Bolts of a workshop, on steel:
a rod on timber scatters no less.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from shimfit.core.checks import not_negative, positive
from shimfit.errors import EntryError

NUT_FACTORS = {
    "black finish": 0.30,
    "zinc plated": 0.20,
    "lubricated": 0.18,
    "cadmium plated": 0.16,
    "anti-seize": 0.12,
    "special nuts": 0.09,
}
"""K by the thread's finish (Shigley Table 8-15, read)."""

TORQUE_SCATTER_LUBRICATED = 2.881 / 34.180
"""Standard deviation ÷ mean of the pull of ten lubricated bolts at 90 N·m (Shigley Table 8-14, read)."""
TORQUE_SCATTER_DRY = 4.909 / 34.260
"""The same of twenty bolts that were not lubricated (Shigley Table 8-13, from memory)."""
DRY_FINISHES = ("black finish", "zinc plated")
"""Finishes whose friction nothing evens out; the others are lubricated or lubricate themselves."""

ThreadForm = Literal["metric", "unified"]

# Stress area = that of the mean of pitch and minor diameter, in pitches taken off the major diameter:
# unified (0.649519 + 1.299038)/2 (tribology-abc, read); metric 0.9382 (ISO 898-1, from memory).
_AREA_PITCHES: dict[ThreadForm, float] = {"metric": 0.9382, "unified": 0.974279}


@dataclass(frozen=True, slots=True)
class Clamp:
    """Pull of the rod and how it is known."""

    force_n: float
    u_force_n: float
    """Standard uncertainty: the scatter of torque, wider for a dry nut; 0 for a stated force."""
    source: str
    """In words: `30 N·m on M12, zinc plated` or `as stated`."""


def force_from_torque_n(torque_nm: float, diameter_mm: float, nut_factor: float) -> float:
    """Pull of a nut in newtons: F = T ÷ (K·d), d the thread's major diameter. EntryError for bad numbers."""
    torque = not_negative(torque_nm, "torque", "N·m")
    return torque * 1000.0 / (positive(nut_factor, "nut factor", "") * positive(diameter_mm, "rod diameter"))


def torque_for_force_nm(force_n: float, diameter_mm: float, nut_factor: float) -> float:
    """Torque in N·m that pulls with a force: the inverse of `force_from_torque_n`."""
    force = not_negative(force_n, "clamp force", "N")
    return force * positive(nut_factor, "nut factor", "") * positive(diameter_mm, "rod diameter") / 1000.0


def clamp_from_torque(torque_nm: float, diameter_mm: float, finish: str = "zinc plated") -> Clamp:
    """Clamp of a nut by its finish (see `NUT_FACTORS`), with the scatter of torque as its uncertainty."""
    if finish not in NUT_FACTORS:
        raise EntryError(f"There is no nut factor for {finish!r}; use one of {', '.join(NUT_FACTORS)}.")
    force = force_from_torque_n(torque_nm, diameter_mm, NUT_FACTORS[finish])
    scatter = TORQUE_SCATTER_DRY if finish in DRY_FINISHES else TORQUE_SCATTER_LUBRICATED
    return Clamp(force, force * scatter, f"{torque_nm:g} N·m on a {diameter_mm:g} mm rod, {finish}")


def stated_clamp(force_n: float) -> Clamp:
    """Clamp of a force that someone states."""
    return Clamp(not_negative(force_n, "clamp force", "N"), 0.0, "as stated")


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
