"""Posts that the plan left out, asked once more: from what is left, then from what a neighbour gives back."""

from __future__ import annotations

from typing import TYPE_CHECKING

from shimfit.core.planning.alone import serve_alone
from shimfit.core.planning.leftover import left_of

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from shimfit.core.packing.options import Options
    from shimfit.core.planning.geometry import PlanPost
    from shimfit.core.planning.patience import Patience
    from shimfit.core.planning.planned import Planned
    from shimfit.model import Lot

NEIGHBOURS = 8
"""Served posts that are asked to give their pieces back, the likest leans first."""


def from_what_is_left(
    post: PlanPost, planned: Mapping[int, Planned], box: Sequence[Lot], options: Options
) -> Planned | None:
    """The post served from the box less what is planned; None when it can't be."""
    packs = [pack for one in planned.values() for pack in one.packs]
    return serve_alone(post, left_of(box, packs, options), box, options)


def by_swapping(  # noqa: PLR0917 - it takes the quantities it takes
    number: int, posts: Sequence[PlanPost], planned: Mapping[int, Planned], box: Sequence[Lot],
    options: Options, patience: Patience,
) -> dict[int, Planned]:  # fmt: skip
    """Post `number` served from what one served post gives back, and that one anew; nothing when none can."""
    post = posts[number]
    served = [other for other, one in planned.items() if one.packs]
    served.sort(key=lambda other: (_unlike(post, posts[other]), other))
    for other in served[:NEIGHBOURS]:
        if patience.at_an_end():
            break
        packs = [pack for owner, one in planned.items() if owner != other for pack in one.packs]
        mine = serve_alone(post, left_of(box, packs, options), box, options)
        if mine is None:
            continue
        # Its packs name the box's own lots, so they are taken from the whole box together with the others.
        left = left_of(box, [*packs, *mine.packs], options)
        theirs = serve_alone(posts[other], left, box, options)
        if theirs is not None:
            return {number: mine, other: theirs}
    return {}


def _unlike(one: PlanPost, other: PlanPost) -> float:
    """How unlike two leans are: likely to want like pieces when small."""
    a, b = one.to_correct, other.to_correct
    return abs(abs(a[0]) - abs(b[0])) + abs(abs(a[1]) - abs(b[1]))
