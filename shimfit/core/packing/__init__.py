"""One post, any box: the best packs, proven.

`build_tables` once per change of the box, `prescribe` for each reading; `wanted` where there is no box.
The rooms, from the outside in: `layouts` the front door and which seats, `missing` what is said when nothing
does, `draft` from numbers to named pieces, `question` what is asked and what comes back; `onebox`
pieces that two seats want, `search` four corners together, `general` any seats, `rests` what a rest costs;
`tables` the cheapest pack of every thickness, `pieces` what it is made of; `options` limits, saw and prices.

The search and numpy are loaded when they are first asked for: most commands have no post to answer.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from shimfit.core.packing.draft import Mode
    from shimfit.core.packing.layouts import prescribe
    from shimfit.core.packing.options import Options, Saw
    from shimfit.core.packing.pieces import Prices
    from shimfit.core.packing.question import Known, Offer, wanted
    from shimfit.core.packing.tables import Tables, build_tables

__all__ = [
    "Known",
    "Mode",
    "Offer",
    "Options",
    "Prices",
    "Saw",
    "Tables",
    "build_tables",
    "prescribe",
    "wanted",
]

_ROOMS = {
    "draft": ("Mode",),
    "layouts": ("prescribe",),
    "options": ("Options", "Saw"),
    "pieces": ("Prices",),
    "question": ("Known", "Offer", "wanted"),
    "tables": ("Tables", "build_tables"),
}


def __getattr__(name: str) -> Any:
    """Load the room of a name on first use (PEP 562)."""
    for room, names in _ROOMS.items():
        if name in names:
            return getattr(import_module(f"{__name__}.{room}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
