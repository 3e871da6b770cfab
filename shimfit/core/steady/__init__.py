"""Samples to one reading with its uncertainty, or why not.

`spread` has the robust figures, `ring` keeps the samples, `hold` turns a still stretch into a mean with its
standard error, `watch` is the state machine that says in words where things stand.
"""

from __future__ import annotations

from shimfit.core.steady.hold import Doubts, Held, Refused, hold
from shimfit.core.steady.ring import SampleRing
from shimfit.core.steady.settings import Steadiness
from shimfit.core.steady.spread import memory_time, robust_spread, standard_error
from shimfit.core.steady.watch import PostWatch, View, WatchState

__all__ = [
    "Doubts",
    "Held",
    "PostWatch",
    "Refused",
    "SampleRing",
    "Steadiness",
    "View",
    "WatchState",
    "hold",
    "memory_time",
    "robust_spread",
    "standard_error",
]
