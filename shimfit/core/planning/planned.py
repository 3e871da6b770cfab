"""A post with its packs: how it rests on them, and which of several like tapers or strips they come from."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from shimfit.core.cutting import Wedge, assign
from shimfit.core.planning.leftover import ROUNDING_MM, stretch_of, wedge_of
from shimfit.core.resting import rest_packs
from shimfit.errors import InternalError
from shimfit.model import Lean

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from shimfit.core.packing.options import Options
    from shimfit.core.planning.geometry import PlanPost
    from shimfit.model import Lot, Pack, Piece, Resting

    Where = tuple[int, int, int]
    """Post, pack of the post, piece of the pack."""


@dataclass(frozen=True, slots=True)
class Planned:
    """A post that the plan serves."""

    post: PlanPost
    packs: tuple[Pack, ...]
    resting: Resting
    """As predicted, about plumb (an aim is part of it)."""
    cost: float
    """Without set-ups."""
    proven: bool = False
    """By the single search: nothing in the box that it was given is better for this post alone."""


def resting_on(post: PlanPost, packs: Sequence[Pack], options: Options) -> Resting:
    """How the post rests on its packs; the lean is about plumb, so what it is aimed at is part of it."""
    resting = rest_packs(
        post.foot, Lean(*post.to_correct), packs, options.preload_mm, rocks_mm=dict(post.feelers)
    )
    if post.aim is None or resting.lean is None:
        return resting
    lean = Lean(
        resting.lean.slope_along + post.aim.slope_along, resting.lean.slope_across + post.aim.slope_across
    )
    return replace(resting, lean=lean)


def with_copies(planned: Mapping[int, Planned], lots: Sequence[Lot], options: Options) -> dict[int, Planned]:
    """The same posts, each piece of a lot of several tapers or strips with the copy it is cut from.

    InternalError when more is sawn from a strip than there is.
    """
    by_name = {lot.lot: lot for lot in lots}
    copies = _taper_copies(planned, by_name, options) | _strip_copies(planned, by_name, options)
    return {
        number: replace(
            one,
            packs=tuple(
                replace(
                    pack,
                    pieces=tuple(
                        replace(piece, copy=copies.get((number, at, which)))
                        for which, piece in enumerate(pack.pieces)
                    ),
                )
                for at, pack in enumerate(one.packs)
            ),
        )
        for number, one in planned.items()
    }


def _pieces(
    planned: Mapping[int, Planned], form: str, by_name: Mapping[str, Lot]
) -> Iterator[tuple[Where, Piece]]:
    """Pieces of one form from lots of several."""
    for number, one in planned.items():
        for at, pack in enumerate(one.packs):
            for which, piece in enumerate(pack.pieces):
                if piece.form == form and by_name[piece.lot].count > 1:
                    yield (number, at, which), piece


def _taper_copies(
    planned: Mapping[int, Planned], by_name: Mapping[str, Lot], options: Options
) -> dict[Where, int]:
    """The first copy that is free where a stretch begins."""
    uses: dict[str, list[tuple[float, float, Where]]] = defaultdict(list)
    for where, piece in _pieces(planned, "taper", by_name):
        uses[piece.lot].append((*stretch_of(piece, by_name[piece.lot], options), where))
    copies: dict[Where, int] = {}
    for stretches in uses.values():
        taken_to: list[float] = []
        for start, end, where in sorted(stretches):
            copy = next((k for k, to in enumerate(taken_to) if to <= start + ROUNDING_MM), len(taken_to))
            taken_to[copy : copy + 1] = [end]
            copies[where] = copy + 1
    return copies


def _strip_copies(
    planned: Mapping[int, Planned], by_name: Mapping[str, Lot], options: Options
) -> dict[Where, int]:
    wedges: dict[str, list[tuple[Wedge, Where]]] = defaultdict(list)
    for where, piece in _pieces(planned, "strip", by_name):
        wedges[piece.lot].append((wedge_of("/".join(map(str, where)), piece), where))
    copies: dict[Where, int] = {}
    for name, some in wedges.items():
        strips = assign(by_name[name], [wedge for wedge, _ in some], options.saw)
        if strips is None:
            raise InternalError(f"the plan saws more from strip {name} than there is; please report the run")
        on = {wedge.goes_to: copy for copy, each in enumerate(strips, start=1) for wedge in each}
        copies |= {where: on[wedge.goes_to] for wedge, where in some}
    return copies
