"""What is heard: patterns of the terminal's bell, and while packing beats that come faster towards plumb.

A terminal rings one tone, so what is meant is in the rhythm: one ring for logged, two apart for plumb, three
at once for refused. With an inclinometer that streams, the user looks at the pack and hears the top.
"""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

    from textual.app import App

    from shimfit.settings import Settings

PATTERNS_S = {"none": (), "logged": (0.0,), "plumb": (0.0, 0.35), "refused": (0.0, 0.12, 0.24)}
"""When it rings, seconds from now (common practice, no source)."""
FASTEST_S, SLOWEST_S = 0.15, 1.5
SLOWEST_FROM = 5.0
"""As many times the allowed lean, or more, beats slowest; within the allowed it beats fastest."""


def beat_s(share: float) -> float:
    """Seconds from beat to beat for a lean, as a share of the allowed one (1: just allowed)."""
    along = min(max(0.0, (share - 1.0) / (SLOWEST_FROM - 1.0)), 1.0)
    return FASTEST_S + along * (SLOWEST_S - FASTEST_S)


class Sound:
    """Rings patterns, and beats while somebody packs; the settings `bell` and `cadence` silence it."""

    def __init__(self, app: App[None], settings: Callable[[], Settings]) -> None:
        self._app = app
        self._settings = settings
        self._next_s: float | None = None
        """When the next beat is due; None while it does not beat."""

    def ring(self, pattern: str) -> None:
        """Ring one of PATTERNS_S."""
        if not self._settings().bell:
            return
        for delay_s in PATTERNS_S[pattern]:
            if delay_s:
                self._app.set_timer(delay_s, self._app.bell)
            else:
                self._app.bell()

    def beat(self, share: float | None) -> None:
        """Called at every look: beat when it is time. share: see beat_s; None: nobody packs, be silent."""
        settings = self._settings()
        if share is None or not (settings.bell and settings.cadence):
            self._next_s = None
            return
        now_s = time.monotonic()
        if self._next_s is None:
            self._next_s = now_s + beat_s(share)
        elif now_s >= self._next_s:
            self._app.bell()
            self._next_s = now_s + beat_s(share)
        else:  # it came nearer since the last beat: not waited for as long as was said then
            self._next_s = min(self._next_s, now_s + beat_s(share))
