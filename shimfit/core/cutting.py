r"""Cuts: what a piece takes from the copy it is cut from; strips to wedges: where to mark, what is left.

    first end                                              last end
    |·····/  w1  \··/  w2  \ …                                  |      seen from above; · = sawdust, trim
    |<--->| first slanted trim: half the strip's width · tan β, then one kerf
          |<---->| the wedge's mean thickness lies on the centre line

The saw stands at β (half the wedge's angle) and the strip is turned over after each cut, so that every cut
slants the other way: a wedge is as long as the strip is wide, its edges differ by 2 · width · tan β, and
wedges of one setting nest whatever their thickness. A setting on a strip costs width · tan β and a kerf in
all (half of the slant at its start, half at its end); each cut takes kerf / cos β on the centre line.
"""

from __future__ import annotations

import math
from collections import defaultdict
from typing import TYPE_CHECKING, Any

from shimfit.errors import UsageError
from shimfit.model import Name, NotNegative
from shimfit.values import dataclass

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from shimfit.model import Lot

KERF_MM = 2.5
"""Width that a cut takes away when the saw's own is not known."""
_STEP_MM = 0.01
"""The ledger's step: what is left of a strip is kept no finer."""
THROWN_OUT = "out of the box"


@dataclass(frozen=True, slots=True)
class Cut:
    """What one piece of a pack takes from one copy of a taper or a strip."""

    lot: Name
    """The lot that the copy came in with, not the remainder's name."""
    copy: int
    """Which of the lot's copies; 0: still to be chosen."""
    piece: str
    """What it was cut from, as it was called then: the lot itself or a remainder."""
    from_mm: NotNegative = 0.0
    """Taper: where the stretch begins, from the thin end of the copy."""
    to_mm: NotNegative = 0.0
    """Taper: the mark, where the thick rest is cut off."""
    saw_deg: NotNegative | None = None
    """Strip: half the angle of the wedge."""
    thin_mm: NotNegative | None = None
    thick_mm: NotNegative | None = None
    kerf_mm: NotNegative = KERF_MM
    goes_to: str = ""
    """Post and seat: `3/next-out`."""

    @property
    def is_thrown_out(self) -> bool:
        """It was made for no pack."""
        return self.goes_to == THROWN_OUT

    @property
    def mean_mm(self) -> float:
        """Thickness of a wedge on the strip's centre line; 0 of a taper."""
        return ((self.thin_mm or 0.0) + (self.thick_mm or 0.0)) / 2

    def to_json(self) -> dict[str, Any]:
        """As an event holds it."""
        own = ("from_mm", "to_mm") if self.saw_deg is None else ("saw_deg", "thin_mm", "thick_mm")
        keys = ("lot", "copy", "piece", "kerf_mm", *own)
        return {key: getattr(self, key) for key in keys} | {"for": self.goes_to}

    @classmethod
    def from_json(cls, row: Mapping[str, Any]) -> Cut:
        """The same, read back; older events do not name the piece."""
        given = {key: row[key] for key in cls.__slots__ if key in row}
        return cls(**{"piece": row["lot"], "goes_to": row.get("for", "")} | given)


def takes_mm(strip: Lot, wedges: Iterable[Cut]) -> float:
    """Length of a strip that these wedges take, all cut from what was one piece when they were cut."""
    assert strip.width_mm is not None
    length_mm, set_ups = 0.0, {}
    for cut in wedges:
        deg = cut.saw_deg or 0.0
        length_mm += cut.mean_mm + cut.kerf_mm / math.cos(math.radians(deg))
        set_ups[deg] = strip.width_mm * math.tan(math.radians(deg)) + cut.kerf_mm
    return length_mm + sum(set_ups.values())


def cut_list(lots: Mapping[str, Lot], wedges: Iterable[Cut], hold_mm: float) -> list[dict[str, Any]]:
    """The contract's `cuts`: the saw set once per angle, smallest first; on a strip by thickness.

    A wedge's copy is 0 where its lot has one strip. Marks are on the centre line, from the strip's first end
    to the near side of the cut that ends the piece. UsageError when the wedges do not fit on the strips, of
    which `hold_mm` stays in the hand: the plan used more than there is.
    """
    by_strip: dict[tuple[str, int], list[Cut]] = defaultdict(list)
    for wedge in wedges:
        by_strip[wedge.piece, wedge.copy].append(wedge)
    cuts = []
    for (name, copy), on in by_strip.items():
        strip = lots[name]
        assert strip.length_mm is not None
        assert strip.width_mm is not None
        if takes_mm(strip, on) > strip.length_mm - hold_mm + _STEP_MM:
            raise UsageError(f"strip {name} is too short for what the plan saws from it")
        at_mm = 0.0
        for deg in sorted({wedge.saw_deg or 0.0 for wedge in on}):
            slant_mm = strip.width_mm / 2 * math.tan(math.radians(deg))
            at_mm += slant_mm + on[0].kerf_mm
            pieces = []
            chosen = (wedge for wedge in on if wedge.saw_deg == deg)
            for wedge in sorted(chosen, key=lambda one: (one.thick_mm, one.goes_to)):
                mark_mm = at_mm + wedge.mean_mm
                edges = {"thin_mm": wedge.thin_mm, "thick_mm": wedge.thick_mm}
                pieces.append({"for": wedge.goes_to, **edges, "mark_along_mm": mark_mm})
                at_mm = mark_mm + wedge.kerf_mm / math.cos(math.radians(deg))
            at_mm += slant_mm
            cut = {"strip": name, "saw_deg": deg} | ({"copy": copy} if copy else {})
            cuts.append(cut | {"pieces": pieces, "left_mm": strip.length_mm - at_mm})
    return sorted(cuts, key=lambda cut: cut["saw_deg"])
