"""What waits for the first paint: the search for garbage, and what the next key needs.

Starting builds some hundred thousand objects that stay until the end. Looking through them for garbage
finds nothing, makes the start slower by a seventh and later holds up the one key in a hundred that it falls
on (80 ms with 1,000 posts): so nothing is looked for until the first screen is painted, and what is there by
then is left alone. Grammar and statistics are loaded in a thread after it: the first key would wait 20 ms for
them, the first look at an inclinometer 130 ms.
"""

from __future__ import annotations

import gc
from importlib import import_module
from threading import Thread
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence


def hush() -> None:
    """The program starts: look for no garbage until `painted`."""
    gc.disable()


def painted() -> None:
    """The first screen is painted: what is there stays, what comes from now on is looked through as ever.

    Does nothing where no start is under way: a program that holds this one as a part keeps its own ways.
    """
    if not gc.isenabled():
        gc.freeze()
        gc.enable()


TYPING = (
    "shimfit.entry.grammar",
    "shimfit.entry.second_look",
    "shimfit.core.uncertainty",
    "shimfit.core.bow",
)
STREAMING = ("shimfit.workflow.solving", "shimfit.core.packing.answer")


def load_ahead(*, streams: bool) -> Thread:
    """Begin to load what typing needs, and what a stream needs where there is one."""
    thread = Thread(target=_load, args=[TYPING + STREAMING if streams else TYPING], name="loading ahead")
    thread.start()
    return thread


def _load(names: Sequence[str]) -> None:
    for name in names:
        import_module(name)
