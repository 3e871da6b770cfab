r"""Strips to wedges: where to mark, what to set the saw to, what is left.

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
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from shimfit.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from shimfit.core.packing.options import Saw
    from shimfit.model import Lot

ROOM_MM = 1e-6


@dataclass(frozen=True, slots=True)
class Wedge:
    """A wedge to be sawn."""

    goes_to: str
    """Post and seat: `3/next-out`."""
    lot: str
    """The strip's lot."""
    saw_deg: float
    thin_mm: float
    thick_mm: float
    copy: int | None = None
    """Which of several like strips, where that is settled."""

    @property
    def mean_mm(self) -> float:
        """Thickness on the strip's centre line."""
        return (self.thin_mm + self.thick_mm) / 2


@dataclass(frozen=True, slots=True)
class CutPiece:
    """One cut."""

    goes_to: str
    thin_mm: float
    thick_mm: float
    mark_along_mm: float
    """On the centre line, from the strip's first end to the near side of the cut that ends the piece."""


@dataclass(frozen=True, slots=True)
class StripCut:
    """All cuts of one setting on one strip, in order."""

    strip: str
    copy: int | None
    """Which of several like strips; None where there is one."""
    saw_deg: float
    pieces: tuple[CutPiece, ...]
    left_mm: float
    """Length of the strip that is left after these cuts."""


def takes_mm(strip: Lot, wedges: Iterable[Wedge], saw: Saw) -> float:
    """Length of one strip that these wedges take in all."""
    assert strip.width_mm is not None
    wedges = tuple(wedges)
    length_mm = sum(wedge.mean_mm + saw.kerf_mm / math.cos(math.radians(wedge.saw_deg)) for wedge in wedges)
    for deg in {wedge.saw_deg for wedge in wedges}:
        length_mm += strip.width_mm * math.tan(math.radians(deg)) + saw.kerf_mm
    return length_mm


def assign(strip: Lot, wedges: Sequence[Wedge], saw: Saw) -> list[list[Wedge]] | None:
    """Wedges of one lot on its strips, none cut shorter than can be held; None when that was not found.

    Settings are kept together (largest group first), then first fit, longest piece first.
    """
    assert strip.length_mm is not None
    usable_mm = strip.length_mm - saw.hold_mm
    by_setting: dict[float, list[Wedge]] = defaultdict(list)
    for wedge in wedges:
        by_setting[wedge.saw_deg].append(wedge)
    groups = sorted(by_setting.values(), key=lambda group: (-takes_mm(strip, group, saw), group[0].saw_deg))
    strips: list[list[Wedge]] = [[] for _ in range(strip.count)]
    for group in groups:
        for wedge in sorted(group, key=lambda one: (-one.mean_mm, one.goes_to)):
            for on in strips:
                if takes_mm(strip, [*on, wedge], saw) <= usable_mm + ROOM_MM:
                    on.append(wedge)
                    break
            else:
                return None
    return strips


def cut_list(lots: Mapping[str, Lot], wedges: Sequence[Wedge], saw: Saw) -> tuple[StripCut, ...]:
    """Cuts grouped so that the saw is set once per angle, smallest first; on a strip by thickness.

    UsageError when the wedges do not fit on the strips: the plan used more than there is.
    """
    by_lot: dict[tuple[str, int | None], list[Wedge]] = defaultdict(list)
    for wedge in wedges:
        by_lot[wedge.lot, wedge.copy].append(wedge)
    cuts: list[StripCut] = []
    for (name, settled), group in by_lot.items():
        lot = lots[name] if settled is None else replace(lots[name], count=1)
        strips = assign(lot, group, saw)
        if strips is None:
            raise UsageError(f"strip {name} is too short for what the plan saws from it")
        for copy, on in enumerate(strips, start=1):
            cuts += _cuts_of(lot, copy if lot.count > 1 else settled, on, saw)
    return tuple(sorted(cuts, key=lambda cut: cut.saw_deg))


def _cuts_of(strip: Lot, copy: int | None, wedges: Sequence[Wedge], saw: Saw) -> list[StripCut]:
    assert strip.length_mm is not None
    assert strip.width_mm is not None
    at_mm = 0.0
    cuts = []
    for deg in sorted({wedge.saw_deg for wedge in wedges}):
        slant_mm = strip.width_mm / 2 * math.tan(math.radians(deg))
        kerf_mm = saw.kerf_mm / math.cos(math.radians(deg))
        at_mm += slant_mm + saw.kerf_mm
        pieces = []
        chosen = [wedge for wedge in wedges if wedge.saw_deg == deg]
        for wedge in sorted(chosen, key=lambda one: (one.thick_mm, one.goes_to)):
            mark_mm = at_mm + wedge.mean_mm
            pieces.append(CutPiece(wedge.goes_to, wedge.thin_mm, wedge.thick_mm, mark_mm))
            at_mm = mark_mm + kerf_mm
        at_mm += slant_mm
        cuts.append(StripCut(strip.lot, copy, deg, tuple(pieces), strip.length_mm - at_mm))
    return cuts
