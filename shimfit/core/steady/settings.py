"""The numbers that decide what is steady. Degrees and seconds."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Steadiness:
    """What counts as standing still, and how long to look."""

    window_s: float = 2.0
    """What one judgement looks at."""
    least_samples: int = 10
    """In a window; a slower sensor is judged on `sparse_samples` instead."""
    sparse_samples: int = 20
    move_deg: float = 0.01
    """A shift or a spread up to this is never called moving (0.17 mm/m)."""
    shaking_deg: float = 0.3
    """A spread over this is shaking, however regular."""
    hold_s: float = 4.0
    longest_s: float = 15.0
    target_u_deg: float = 0.02
    """A hold goes on until the mean's standard uncertainty is down to this, or for `longest_s`."""
    look_back_s: float = 60.0
    """How far back the sensor's usual spread is learned from."""
    every_s: float = 0.1
    """Stream time from judgement to judgement."""
    knock_s: float = 3.0
    """Unrest for longer than this is no knock any more but movement."""
    moving_s: float = 0.3
    """Acceleration other than gravity for longer than this ends a hold."""
    frozen_s: float = 20.0
    """Identical values for this long, where noise had been seen, are a stuck sensor."""
