"""One post, any box: the best packs, proven.

`build_tables` once per change of the box, `prescribe` for each reading; `wanted` where there is no box.
The rooms, from the outside in: `answer` the front door and `exact` the one without a box, `question` what
is asked, `layouts` which seats (`corners`; `edges` with tripod, one-way and fillers), `drafting` and
`makeup` from numbers to named pieces, `missing` what is said when nothing does, `shown` what may stay on
the screen; `onebox` pieces that two seats want, `search` four corners together, `general` any seats,
`task` and `entries` what they work on; `support` the rest as linear maps, `places` where packs bear;
`tapered` what tapers and wedges give, `tables` the cheapest pack of every thickness, `stacks` its pieces;
`options` limits, saw and weights.

The search and numpy are loaded when they are first asked for: most commands have no post to answer.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from shimfit.core.packing.answer import prescribe
    from shimfit.core.packing.exact import wanted
    from shimfit.core.packing.options import Options, Saw, Weights
    from shimfit.core.packing.tables import Tables, build_tables
    from shimfit.core.packing.tapered import Prices
    from shimfit.core.packing.task import Offer

__all__ = [
    "Offer",
    "Options",
    "Prices",
    "Saw",
    "Tables",
    "Weights",
    "build_tables",
    "prescribe",
    "wanted",
]

_ROOMS = {
    "answer": ("prescribe",),
    "exact": ("wanted",),
    "options": ("Options", "Saw", "Weights"),
    "tables": ("Tables", "build_tables"),
    "tapered": ("Prices",),
    "task": ("Offer",),
}


def __getattr__(name: str) -> Any:
    """Load the room of a name on first use (PEP 562)."""
    for room, names in _ROOMS.items():
        if name in names:
            return getattr(import_module(f"{__name__}.{room}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
