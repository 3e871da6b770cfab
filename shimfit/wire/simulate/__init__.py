"""An inclinometer on a post, played: the whole job can be practised and tested with no hardware.

`post` moves and is measured · `voice` says it in a wire format · `orders` reads what the person wants done to
the post · `stage` puts them together · `player` plays it on a pseudo-terminal (import it only there: POSIX).
"""

from __future__ import annotations

from shimfit.wire.simulate.orders import Order, Script, parse_order, parse_script
from shimfit.wire.simulate.post import SensorNature, SimulatedPost
from shimfit.wire.simulate.stage import Stage, emit, record
from shimfit.wire.simulate.voice import FORMATS, Voice, voice

__all__ = [
    "FORMATS",
    "Order",
    "Script",
    "SensorNature",
    "SimulatedPost",
    "Stage",
    "Voice",
    "emit",
    "parse_order",
    "parse_script",
    "record",
    "voice",
]
