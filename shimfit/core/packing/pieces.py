"""The pieces of a pack on the grid: flats by thickness, tapers and sawn wedges by slope, what a use takes.

A class of packs is one slope. Thicknesses of a taper that cost the same are one run; a priced or
forbidden point of a taper cuts its run where stretches start and stop to cover it.
"""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import field
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from shimfit.core.packing.options import PENCIL_MM
from shimfit.core.stock import natural_key
from shimfit.values import dataclass

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from shimfit.core.packing.options import Options
    from shimfit.model import Lot, Pack, Piece

    Floats = NDArray[np.float64]

EPS = 1e-9
TOUCH_MM = 1e-7
"""Stretches of a taper that overlap by no more only touch: they are worked out from both ends."""
TIP_MM = 1e-6
"""A tip shorter than this is none: a stretch that begins there begins at the thin end."""
NO_COST = 1e300
"""Anything finite is below: keeps thicknesses that no pack makes (infinity) out of comparisons."""


class Unit(NamedTuple):
    """One piece of a flat thickness: the cheapest come first."""

    cost: float
    rank: int
    """The lot's place in natural order."""


class Run(NamedTuple):
    """A tapered lot as far as it costs `cost + per_step·T` for every thickness T from lo to hi."""

    lo: int
    hi: int
    cost: float
    per_step: float
    rank: int


@dataclass(frozen=True, slots=True)
class Row:
    """A class of packs."""

    sigma: float
    """Slope of its tapered piece; 0 for flats only."""
    saw_deg: float | None
    """What the saw is set to; None when nothing is sawn."""
    runs: tuple[Run, ...]
    """Lots that give the tapered piece; empty for flats only."""


class Stack(NamedTuple):
    """The pieces of one pack, as ranks of lots."""

    cost: float
    tail: tuple[int, int] | None
    """(rank, thickness in grid steps) of the tapered piece."""
    flats: tuple[int, ...]
    """Ranks of the flats, in natural order."""

    @property
    def ranks(self) -> tuple[int, ...]:
        """Of all its pieces."""
        return self.flats if self.tail is None else (*self.flats, self.tail[0])


class Caps(NamedTuple):
    """What one seat may not use: set by the search when two seats want the same thing. Each in order."""

    flats: tuple[tuple[int, int], ...] = ()
    """(rank, most pieces)."""
    points: tuple[tuple[int, float], ...] = ()
    """(rank, mm from the thin end): a stretch of that taper must not cover the point."""
    strips: tuple[tuple[int, int], ...] = ()
    """(rank, thickest wedge in grid steps)."""
    within: tuple[tuple[int, float, float], ...] = ()
    """(rank, from, to) mm from the thin end: all that a stretch of that taper may take; none if to < from."""

    def also(self, other: Caps) -> Caps:
        """Both caps; of two that bite at one thing the tighter holds."""
        return Caps(*(tuple(sorted({*one, *more})) for one, more in zip(self, other, strict=True)))  # type: ignore[arg-type]

    def part(self, rank: int) -> tuple[float, float]:
        """All that a stretch of a taper may take, mm from the thin end."""
        parts = [(lo, hi) for of, lo, hi in self.within if of == rank]
        return max((lo for lo, _ in parts), default=-math.inf), min((hi for _, hi in parts), default=math.inf)

    def leave(self, ranks: Sequence[int]) -> bool:
        """True where whole pieces of these lots (one for each time that it is named) are not forbidden."""
        most, cut = dict(reversed(self.flats)), {cap[0] for cap in (*self.points, *self.within)}
        return not any(rank in cut or ranks.count(rank) > most.get(rank, len(ranks)) for rank in ranks)


NO_CAPS = Caps()


def stack_key(stack: Stack) -> tuple[float, int, tuple[int, ...], int]:
    """The rule for ties within one pack: cost, fewer pieces, lowest lots, lowest thickness."""
    ranks = tuple(sorted(stack.ranks))
    return round(stack.cost, 6), len(ranks), ranks, stack.tail[1] if stack.tail else 0


def to_steps(thickness_mm: float, quantum_mm: float) -> int:
    """Thickness on the grid, halves away from zero."""
    return math.floor(thickness_mm / quantum_mm + 0.5 + 1e-9)


def sum_of(units: Sequence[Unit], k: int) -> float:
    """Cost of the k cheapest pieces; infinite when there are fewer."""
    return sum(unit.cost for unit in units[:k]) if len(units) >= k else math.inf


# ---------------------------------------------------------------- tapers and wedges

ANYWHERE = (-math.inf, math.inf)
"""All of a taper."""


@dataclass(frozen=True, slots=True)
class Prices:
    """What scarce stock is worth while a whole run is planned; everything else is free of extra price."""

    flat: Mapping[str, float] = field(default_factory=dict)
    """Per piece of a flat lot."""
    taper: Mapping[str, Sequence[tuple[float, float]]] = field(default_factory=dict)
    """Per lot: (mm from the thin end, price) of each priced point; a stretch pays for those it covers."""
    behind: Mapping[str, Sequence[tuple[float, float, float]]] = field(default_factory=dict)
    """Per lot: (from, to, price): what a stretch pays that may begin only there, behind another's cut, and
    what one earns that is cut off there (mm from the thin end)."""
    strip_per_mm: Mapping[str, float] = field(default_factory=dict)
    """Per mm of a strip's length."""


class Tapered:
    """The tapers and strips of a box: which thicknesses they give, at what price, and what a use takes."""

    length: int
    """Grid steps up to which thicknesses are listed."""

    def __init__(self, lots: Sequence[Lot], options: Options, prices: Prices | None) -> None:
        self.options = options
        self.prices = prices or Prices()
        self.lots = tuple(sorted(lots, key=lambda lot: natural_key(lot.lot)))
        self.rank = {lot.lot: rank for rank, lot in enumerate(self.lots)}
        self._stretches: dict[tuple[int, int, float | None], tuple[float, float]] = {}
        self._begins: dict[tuple[int, int, float | None], tuple[float, float]] = {}

    def lot_of(self, piece: Piece) -> Lot | None:
        """The lot that a piece is of; None where the box knows none."""
        rank = self.rank.get(piece.lot)
        return None if rank is None or self.lots[rank].form != piece.form else self.lots[rank]

    def slope_of(self, pack: Pack) -> float:
        """Slope of a pack's tapered piece; 0 for flats only, and for pieces whose lot is not in the box."""
        for piece in pack.pieces:
            if piece.saw_deg is not None:
                return 2.0 * math.tan(math.radians(piece.saw_deg))
            if piece.is_marked:
                lot = self.lot_of(piece)
                return 0.0 if lot is None else lot.taper_slope
        return 0.0

    # ------------------------------------------------------------------ what they give

    def taper_rows(self, inner_mm: float | None) -> list[Row]:
        """Rows of tapered pieces, by slope.

        inner_mm: thickness is measured that far in from the face, for pieces flatter than the gap (their
        tip is trimmed there); None: at the face.
        """
        runs: dict[tuple[float, float | None], list[Run]] = defaultdict(list)
        for rank, lot in enumerate(self.lots):
            if lot.count < 1:
                continue
            if lot.is_marked:
                runs[round(lot.taper_slope, 9), None].extend(self.taper_runs(rank, inner_mm, ()))
            elif lot.is_sawn and self.usable_mm(lot) > 0.0:
                for angle in sorted(set(self.options.saw.settings_deg)):
                    run = self._strip_run(rank, angle, inner_mm)
                    if run is not None:
                        runs[round(2.0 * math.tan(math.radians(angle)), 9), angle].append(run)
        return [
            Row(sigma, angle, tuple(found))
            for (sigma, angle), found in sorted(
                runs.items(), key=lambda item: (item[0][0], item[0][1] or 0.0)
            )
            if found
        ]

    def taper_runs(
        self,
        rank: int,
        inner_mm: float | None,
        banned: Sequence[float],
        within: tuple[float, float] = ANYWHERE,
    ) -> list[Run]:
        """Thicknesses that a taper gives, in runs of one price.

        None whose stretches cover banned points or do not lie within a part of it, mm from the thin end.
        """
        lot, options = self.lots[rank], self.options
        assert lot.length_mm is not None
        assert lot.thin_mm is not None
        assert lot.thick_mm is not None
        q, sigma = options.quantum_mm, lot.taper_slope
        if inner_mm is None:
            lo = _ceil((lot.thin_mm + sigma * options.min_inside_mm) / q)
            hi = _floor(lot.thick_mm / q)
        else:
            lo = _floor(lot.thin_mm / q) + 1
            hi = _floor((lot.thick_mm - sigma * inner_mm) / q)
        hi = min(hi, self.length - 1)
        lo = max(lo, 1)
        if lot.length_mm < options.min_inside_mm or lo > hi:
            return []
        costs = options.costs
        per_step = costs.thick_per_mm * q if lot.origin == "offcut" else 0.0
        cost = np.full(
            hi - lo + 1, costs.piece + costs.cut + (costs.new_taper if lot.origin == "bought" else 0.0)
        )
        # Marks and ends of stretches for each thickness: they move up with it.
        mark = np.clip(
            (np.arange(lo, hi + 1) * q - lot.thin_mm) / sigma + (inner_mm or 0.0), 0.0, lot.length_mm
        )
        end = np.minimum(lot.length_mm, mark + options.saw.kerf_mm)
        own, behind = self._begun(lot, mark, end, inner_mm)
        cost += np.minimum(own, behind)
        for first, last, price in self.prices.behind.get(lot.lot, ()):
            cost[end.searchsorted(first, "left") : end.searchsorted(last, "right")] -= price
        start = np.maximum(0.0, mark - self._takes_mm(inner_mm))
        # Stretches below a point come first, then those that cover it.
        for x in banned:
            cost[end.searchsorted(x, "right") : start.searchsorted(x, "right")] = math.inf
        if within != ANYWHERE:
            cost[(start < within[0] - TOUCH_MM) | (end > within[1] + TOUCH_MM)] = math.inf
        begins = [0, *(np.flatnonzero(cost[1:] != cost[:-1]) + 1).tolist(), len(cost)]
        return [
            Run(lo + i, lo + j - 1, float(cost[i]), per_step, rank)
            for i, j in pairwise(begins)
            if math.isfinite(cost[i])
        ]

    def _begun(self, lot: Lot, mark: Floats, end: Floats, inner_mm: float | None) -> tuple[Floats, Floats]:
        """What the beginning of stretches costs, with the points that they cover: by themselves, behind cuts.

        By itself a stretch is as long as bears, its tip cut off where it begins inside the taper.
        """
        options, takes_mm = self.options, self.options.takes_mm(inner_mm)
        own = np.where(mark > takes_mm + TIP_MM, options.costs.tip_cut, 0.0)
        own += self._covered(lot, mark - takes_mm, end)
        if not options.share_cuts:
            return own, np.full(mark.size, math.inf)
        first, last = mark - takes_mm - PENCIL_MM, mark - options.least_mm(inner_mm)
        behind = self._covered(lot, last, end)
        for first_mm, last_mm, price in self.prices.behind.get(lot.lot, ()):
            behind[(first >= first_mm) & (last <= last_mm)] += price
        behind[last < options.min_inside_mm] = math.inf  # there is room for none before it
        return own, behind

    def _covered(self, lot: Lot, start: Floats, end: Floats) -> Floats:
        """Prices of the points that stretches cover, in order."""
        cost, points = np.zeros(end.size), self.prices.taper.get(lot.lot, ())
        at = np.array([x for x, _ in points])
        # Stretches below a point come first, then those that cover it.
        covers = zip(end.searchsorted(at, "right"), start.searchsorted(at, "right"), strict=True)
        for (_, price), (first, behind) in zip(points, covers, strict=True):
            cost[first:behind] += price
        return cost

    def _takes_mm(self, inner_mm: float | None) -> float:
        """What a stretch takes of a taper before its mark, at least."""
        options = self.options
        return options.least_mm(inner_mm) if options.share_cuts else options.takes_mm(inner_mm)

    def _strip_run(self, rank: int, angle: float, inner_mm: float | None) -> Run | None:
        """Wedges of one saw setting from a strip: thickness at the face, or inner_mm in from it."""
        lot, options = self.lots[rank], self.options
        assert lot.width_mm is not None
        q, sigma = options.quantum_mm, 2.0 * math.tan(math.radians(angle))
        if lot.width_mm < options.min_inside_mm or (inner_mm is not None and lot.width_mm <= inner_mm):
            return None
        inside = 0.0 if inner_mm is None else sigma * inner_mm
        lo = max(1, _ceil((options.saw.min_thin_mm + sigma * lot.width_mm - inside) / q))
        longest = self.usable_mm(lot) - self.group_mm(lot, angle) - self.wedge_mm(lot, angle, 0.0)
        hi = min(self.length - 1, _floor((longest - inside) / q))
        if lo > hi:
            return None
        per_mm = self.prices.strip_per_mm.get(lot.lot, 0.0)
        if lot.origin == "bought":
            assert lot.length_mm is not None
            per_mm += options.costs.new_strip_mm(lot.length_mm)
        fixed = per_mm * (self.wedge_mm(lot, angle, 0.0) + inside)
        return Run(lo, hi, options.costs.piece + options.costs.cut + fixed, per_mm * q, rank)

    # ------------------------------------------------------------------ what a use takes

    def stretch(self, rank: int, thickness: int, inner_mm: float | None) -> tuple[float, float]:
        """What a use of a taper takes at least, mm from the thin end.

        From a bearing length inside the mark, or as little as may be behind a cut, to a kerf beyond the mark,
        as far as the taper goes.
        """
        key = rank, thickness, inner_mm
        if key not in self._stretches:
            lot, options = self.lots[rank], self.options
            assert lot.length_mm is not None
            mark = self.mark_mm(rank, thickness, inner_mm)
            end = min(lot.length_mm, mark + options.saw.kerf_mm)
            self._stretches[key] = max(0.0, mark - self._takes_mm(inner_mm)), end
        return self._stretches[key]

    def begins(self, rank: int, thickness: int, inner_mm: float | None) -> tuple[float, float]:
        """What it costs at the prices to begin a stretch of a taper by itself, and behind a cut (or +inf)."""
        key = rank, thickness, inner_mm
        if key not in self._begins:
            lot, mark = self.lots[rank], np.array([self.mark_mm(*key)])
            end = np.minimum(lot.length_mm or 0.0, mark + self.options.saw.kerf_mm)
            own, behind = self._begun(lot, mark, end, inner_mm)
            self._begins[key] = float(own[0]), float(behind[0])
        return self._begins[key]

    def behind(self, rank: int, thickness: int, inner_mm: float | None) -> tuple[float, float]:
        """Between which places a stretch begins where it begins behind a cut, mm from the thin end."""
        mark, options = self.mark_mm(rank, thickness, inner_mm), self.options
        return mark - options.takes_mm(inner_mm) - PENCIL_MM, mark - options.least_mm(inner_mm)

    def mark_mm(self, rank: int, thickness: int, inner_mm: float | None) -> float:
        """Where the line that meets the face comes, mm from the thin end."""
        lot = self.lots[rank]
        assert lot.thin_mm is not None
        assert lot.length_mm is not None
        mark = (thickness * self.options.quantum_mm - lot.thin_mm) / lot.taper_slope + (inner_mm or 0.0)
        return min(lot.length_mm, max(0.0, mark))

    def trims_tip(self, mark_mm: float, inner_mm: float | None) -> bool:
        """True when a stretch to this mark leaves a tip that would foul the rod, or jam."""
        return mark_mm > self.options.takes_mm(inner_mm) + TIP_MM

    def usable_mm(self, lot: Lot) -> float:
        """Length of a strip that may be sawn up: what is held in the hand stays."""
        assert lot.length_mm is not None
        return lot.length_mm - self.options.saw.hold_mm

    def wedge_mm(self, lot: Lot, angle: float, thick_mm: float) -> float:
        """Length of a strip that one wedge of this thick edge takes: its mean thickness and a kerf."""
        assert lot.width_mm is not None
        slant = math.radians(angle)
        return thick_mm - lot.width_mm * math.tan(slant) + self.options.saw.kerf_mm / math.cos(slant)

    def group_mm(self, lot: Lot, angle: float) -> float:
        """Length of a strip that the first cut of one setting takes: the slanted trim and a kerf."""
        assert lot.width_mm is not None
        return lot.width_mm * math.tan(math.radians(angle)) + self.options.saw.kerf_mm


def _ceil(value: float) -> int:
    return math.ceil(value - 1e-9)


def _floor(value: float) -> int:
    return math.floor(value + 1e-9)
