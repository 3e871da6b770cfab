"""The packs behind a pattern, in whole pieces with their marks and saw settings."""

from __future__ import annotations

from typing import TYPE_CHECKING

from shimfit.core.foot import gap_plane
from shimfit.core.packing.makeup import Build, packs_of
from shimfit.core.packing.places import place_of
from shimfit.core.packing.tables import Stack
from shimfit.core.planning.geometry import PIVOT, seats_of
from shimfit.errors import InternalError
from shimfit.model import Lean

if TYPE_CHECKING:
    from shimfit.core.packing.tables import Row, Tables
    from shimfit.core.planning.geometry import PlanPost
    from shimfit.core.planning.patterns import Pattern, SeatPack
    from shimfit.model import Pack


def packs_behind(post: PlanPost, pattern: Pattern, tables: Tables) -> tuple[Pack, ...]:
    """Packs of a post's pattern; `tables` are those that the pattern was made from (prices don't matter).

    InternalError when a pack has no room at its seat.
    """
    options = tables.options
    plane = gap_plane(post.foot, Lean(*post.to_correct))
    seats = seats_of(post)
    lift_mm = sum(pack.steps for pack in pattern.packs if pack.seat == PIVOT) * options.quantum_mm
    builds = []
    for pack in pattern.packs:
        place = place_of(plane, seats[pack.seat], options, lift_mm)
        if place is None:
            raise InternalError("a plan put a pack where there is no room for one; please report the run")
        inner = pack.state == 1
        stack = Stack(0.0, pack.tail, pack.flats)
        builds.append(
            Build(
                place.seat, place, inner, pack.steps, _row_of(tables, pack), stack, place.need_mm(inner)
            )
        )  # fmt: skip
    return packs_of(tables, builds, post.foot.rod_at_mm)


def _row_of(tables: Tables, pack: SeatPack) -> Row:
    """The class of pack that it was chosen from: same saw setting, and its tail's lot among the class's."""
    rows = tables.rows if pack.inner_mm is None else tables.inner_rows(pack.inner_mm)[0]
    return next(
        row
        for row in rows
        if row.saw_deg == pack.saw_deg
        and (pack.tail is None) == (not row.runs)
        and (pack.tail is None or any(run.rank == pack.tail[0] for run in row.runs))
    )
