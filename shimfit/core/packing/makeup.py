"""From cells and ranks to packs of named pieces: marks, trimming, copies, wedges, and what each costs."""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

from shimfit.core.objective import LEAST_CHANCE
from shimfit.core.packing.stacks import TOUCH_MM
from shimfit.model import Cost, Pack, Piece, Seat

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from shimfit.core.packing.options import Costs
    from shimfit.core.packing.places import Place
    from shimfit.core.packing.tables import Row, Stack, Tables
    from shimfit.model import Lot, Purpose


@dataclass(frozen=True, slots=True)
class Build:
    """One pack before its pieces are named."""

    seat: Seat
    place: Place
    inner: bool
    steps: int
    row: Row
    stack: Stack
    need_mm: float
    purpose: Purpose = "lift"

    @property
    def inner_mm(self) -> float | None:
        """How far in its thickness is told; None at the face."""
        return self.place.inside_mm if self.inner else None


def packs_of(tables: Tables, builds: Sequence[Build], rod_at_mm: tuple[float, float]) -> tuple[Pack, ...]:
    """Packs with their pieces, in the order of the builds."""
    copies = _copies(tables, builds)
    return tuple(_pack(tables, build, rod_at_mm, copies.get(i)) for i, build in enumerate(builds))


def _pack(tables: Tables, build: Build, rod_at_mm: tuple[float, float], copy: int | None) -> Pack:
    q = tables.options.quantum_mm
    x, y = build.place.at_mm(build.inner)
    pieces = []
    if build.stack.tail is not None:
        pieces.append(_tapered(tables, build, build.stack.tail, copy))
    for rank in build.stack.flats:
        lot = tables.lots[rank]
        assert lot.thickness_mm is not None
        thickness = tables.steps(lot.thickness_mm) * q
        pieces.append(Piece(lot.lot, lot.form, _clean(thickness)))
    return Pack(
        seat=build.seat,
        need_mm=_clean(build.need_mm),
        made_mm=_clean(build.steps * q),
        bears_at_mm=(_clean(x - rod_at_mm[0]), _clean(y - rod_at_mm[1])),
        pieces=tuple(pieces),
        purpose=build.purpose,
    )


def _tapered(tables: Tables, build: Build, tail: tuple[int, int], copy: int | None) -> Piece:
    rank, steps = tail
    lot = tables.lots[rank]
    row, inside = build.row, build.place.inside_mm
    at_face = steps * tables.options.quantum_mm + (build.inner_mm or 0.0) * row.sigma
    if lot.is_marked:
        mark = tables.mark_mm(rank, steps, build.inner_mm)
        return Piece(
            lot.lot,
            lot.form,
            _clean(at_face),
            mark_mm=_clean(mark),
            trim_tip_mm=_clean(max(0.0, mark - inside)),
            copy=copy,
        )
    assert lot.width_mm is not None
    assert row.saw_deg is not None
    rise = 2.0 * lot.width_mm * math.tan(math.radians(row.saw_deg))
    return Piece(
        lot.lot,
        lot.form,
        _clean(at_face),
        trim_tip_mm=_clean(max(0.0, lot.width_mm - inside)),
        copy=copy,
        thin_mm=_clean(at_face - rise),
        thick_mm=_clean(at_face),
        saw_deg=row.saw_deg,
    )


def _copies(tables: Tables, builds: Sequence[Build]) -> dict[int, int]:
    """Which of several like tapers or strips each build uses: the first that is free, by left end.

    For stretches of one length scale that is never more copies than the most that cover one point
    (interval graphs are perfect).
    """
    uses: dict[int, list[tuple[float, float, int]]] = defaultdict(list)
    for i, build in enumerate(builds):
        if build.stack.tail is None:
            continue
        rank, steps = build.stack.tail
        lot = tables.lots[rank]
        if lot.count > 1 and lot.is_marked:
            uses[rank].append((*tables.stretch(rank, steps, build.inner_mm), i))
    copies: dict[int, int] = {}
    for stretches in uses.values():
        taken_to: list[float] = []
        for start, end, i in sorted(stretches):
            copy = next((k for k, to in enumerate(taken_to) if to <= start + TOUCH_MM), len(taken_to))
            taken_to[copy : copy + 1] = [end]
            copies[i] = copy + 1
    return copies


def cost_of(
    tables: Tables,
    packs: Iterable[Pack],
    *,
    bearing: float,
    set_up: float,
    rock_mm: float,
    top_mm: tuple[float, float],
    allowed_mm: float,
    lift_mm: float = 0.0,
    chance: float = 1.0,
    kept: Mapping[Seat, float] | None = None,
) -> Cost:
    """The cost of packs with its parts in the objective's unit (no prices), most important first.

    kept: what packs that stand there already are charged instead of their pieces. lift_mm: how far the whole
    foot is lifted. chance: of plumb at the next reading.
    """
    costs = tables.options.costs
    material = pieces = cuts = 0.0
    kept = kept or {}
    for pack in packs:
        if pack.seat in kept:
            continue
        for piece in pack.pieces:
            lot = tables.lots[tables.rank[piece.lot]]
            pieces += costs.piece
            cuts += costs.cut if not piece.is_whole else 0.0
            if piece.mark_mm is not None and tables.trims_tip(piece.mark_mm):
                cuts += costs.tip_cut
            material += _material(tables, costs, lot, piece, pack)
    parts = (
        ("next round", costs.round * (1.0 / max(chance, LEAST_CHANCE) - 1.0)),
        ("lift", costs.lifting(lift_mm)),
        ("new material" if not costs.round else "material", material),
        ("pieces", pieces),
        ("cuts", cuts),
        ("saw set-ups", set_up),
        ("changes", sum(kept.values())),
        ("rock", costs.rock * abs(rock_mm) / (4.0 * tables.options.preload_mm)),
        ("bearing", bearing),
        ("residual", costs.residual * (abs(top_mm[0]) + abs(top_mm[1])) / allowed_mm),
    )
    return Cost(sum(amount for _, amount in parts), tuple(part for part in parts if part[1]))


def _material(tables: Tables, costs: Costs, lot: Lot, piece: Piece, pack: Pack) -> float:
    """Price of one piece, as the tables count it: a taper's thickness is told where its pack bears."""
    if piece.is_marked:
        tail_mm = pack.made_mm - sum(one.thickness_mm for one in pack.pieces if one.is_whole)
        return costs.new_taper if lot.origin == "bought" else costs.thick_per_mm * tail_mm
    if lot.origin != "bought":
        return 0.0
    if piece.is_whole:
        return costs.new_flat
    assert lot.length_mm is not None
    assert piece.saw_deg is not None
    assert piece.thick_mm is not None
    return costs.new_strip_mm(lot.length_mm) * tables.wedge_mm(lot, piece.saw_deg, piece.thick_mm)


def _clean(value: float) -> float:
    """Without the dust of binary fractions: 1.4900000000000002 is printed as 1.49."""
    return round(value, 9) + 0.0
