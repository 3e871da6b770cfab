"""How an inclinometer is listened to: one frozen object, handed in."""

from __future__ import annotations

from dataclasses import dataclass, field

from shimfit.core.axis_map import AxisMap
from shimfit.core.steady import Doubts, Steadiness
from shimfit.wire.dialects import Description


@dataclass(frozen=True, slots=True)
class ListenOptions:
    """Settings of one device. Everything has a default that works for an XDR sender."""

    description: Description | None = None
    """The format; None = find it by listening."""
    baud: int | None = None
    """The speed to use, and no other; None = the description's, or hunt where the link has a speed."""
    last_good_baud: int | None = None
    """Tried first when hunting."""
    dtr: bool = True
    """Set DTR when opening: some native USB boards send only then; it restarts some others."""
    steadiness: Steadiness = field(default_factory=Steadiness)
    doubts: Doubts = field(default_factory=Doubts)
    axis_map: AxisMap = field(default_factory=AxisMap)
    zero_x_deg: float = 0.0
    """What the sensor says when plumb (from a reversal), taken off every sample."""
    zero_y_deg: float = 0.0
    ring_s: float = 120.0
    """How much of the past is kept to be drawn."""
