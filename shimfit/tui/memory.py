"""Python's search for garbage, kept out of the way of the first paint and of the keys.

Starting builds some hundred thousand objects that stay until the end: modules, style rules, widgets, the
posts of the run. Looking through them again and again finds nothing: it makes the start slower by a seventh,
and later holds up the one key in a hundred that it falls on (80 ms with 1,000 posts, five times what a key
takes). So nothing is looked for until the first screen is painted, and what is there by then is left alone.
"""

from __future__ import annotations

import gc


def start() -> None:
    """The program starts: look for no garbage until `painted`."""
    gc.disable()


def painted() -> None:
    """The first screen is painted: what is there stays, what comes from now on is looked through as ever.

    Does nothing where no start is under way: a program that holds this one as a part keeps its own ways.
    """
    if not gc.isenabled():
        gc.freeze()
        gc.enable()
