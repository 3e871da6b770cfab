"""One post after another: what this post may take from the box when others are still to come.

Whoever packs while reading must not give post 2 what only post 9 will need. So this post is planned together
with as many posts as are still to come, their leans drawn from what was read so far, against what is left
of the box; only this post's packs are taken from that plan. Reading all posts first is still better: then
nothing has to be guessed.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from shimfit.core.planning.plan import plan
from shimfit.core.planning.planned import from_what_is_left
from shimfit.model import Lean

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from shimfit.core.packing.options import Options
    from shimfit.core.planning.geometry import PlanPost
    from shimfit.core.planning.planned import Planned
    from shimfit.core.planning.program import Solver
    from shimfit.model import Lot

PRIOR_SPREAD = 0.008
"""Spread of leans on a deck before anything is read (ratio; common practice, no source)."""
PRIOR_WEIGHT = 2.0
"""The prior counts as so many readings."""
MOST_SAMPLED = 40
"""More posts to come than this are stood for by so many; the box is the scarcer for it, never richer."""


def likely_leans(read: Sequence[Lean], count: int, seed: int) -> tuple[Lean, ...]:
    """Leans that posts to come may have, drawn from those read so far; same seed, same leans.

    Each is one of the readings moved by a little: the readings' own spread, with a prior's added while
    they are few.
    """
    rng = np.random.default_rng(seed)
    leans: NDArray[np.float64] = np.array([(one.slope_along, one.slope_across) for one in read]).reshape(
        -1, 2
    )
    known = len(leans)
    centre = leans.sum(axis=0) / (known + PRIOR_WEIGHT)
    if known == 0:
        drawn = rng.normal(0.0, PRIOR_SPREAD, (count, 2))
    else:
        about = ((leans - centre) ** 2).sum(axis=0)
        spread = np.sqrt((about + PRIOR_WEIGHT * PRIOR_SPREAD**2) / (known + PRIOR_WEIGHT))
        # A smoothed bootstrap: the kernel's width falls as readings come in (Silverman's rule, 2 dimensions).
        width = spread * (known + PRIOR_WEIGHT) ** (-1 / 6)
        drawn = leans[rng.integers(0, known, count)] + rng.normal(0.0, 1.0, (count, 2)) * width
    return tuple(Lean(float(along), float(across)) for along, across in drawn)


def with_foresight(  # noqa: PLR0917 - it takes the quantities it takes
    post: PlanPost,
    read: Sequence[Lean],
    to_come: int,
    lots: Sequence[Lot],
    options: Options,
    solver: Solver,
    *,
    seed: int = 1,
) -> Planned | None:
    """Packs for this post with `to_come` more in mind; None when the box can't serve it.

    `read`: leans of the posts read so far, this one too. `lots`: what is left of the box.
    """
    leans = likely_leans(read, min(to_come, MOST_SAMPLED), seed)
    others = [replace(post, name=f"{post.name}+{k}", lean=lean, aim=None) for k, lean in enumerate(leans, 1)]
    together = plan([post, *others], lots, options, solver, quick=True, swaps=False, why=False)
    planned = {one.post.name: one for one in together.planned}
    if (mine := planned.pop(post.name, None)) is not None:
        # A round foot may stand on its rim, which planning together does not know.
        rim = from_what_is_left(post, planned.values(), lots, options) if post.foot.round else None
        return mine if rim is None or rim.cost >= mine.cost else rim
    # The plan would rather leave this one out: a post that stands here now goes before any that may come.
    return without_foresight(post, lots, options, solver)


def without_foresight(
    post: PlanPost, lots: Sequence[Lot], options: Options, solver: Solver
) -> Planned | None:
    """The cheapest packs for this post by itself; None when the box can't serve it."""
    alone = plan([post], lots, options, solver, quick=True, swaps=False, why=False)
    return alone.planned[0] if alone.planned else None
