"""What the next key needs, loaded while nobody waits: in a thread, once the first screen is painted.

The first paint waits for no grammar and no statistics, since nothing is typed or judged on it; the first key
and the first look at an inclinometer must not wait for them either (20 ms and 130 ms on a laptop).
"""

from __future__ import annotations

from importlib import import_module
from threading import Thread
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

TYPING = (
    "shimfit.entry.grammar",
    "shimfit.entry.second_look",
    "shimfit.core.uncertainty",
    "shimfit.core.bow",
)
STREAMING = ("shimfit.tui.screens.post.live", "shimfit.workflow.live", "shimfit.core.packing.answer")


def load(*, streams: bool) -> Thread:
    """Begin to load what typing needs, and what a stream needs where there is one."""
    thread = Thread(target=_load, args=[TYPING + STREAMING if streams else TYPING], name="loading ahead")
    thread.start()
    return thread


def _load(names: Sequence[str]) -> None:
    for name in names:
        import_module(name)
