"""One post after another: what this post may take from the box when others are still to come.

Whoever packs while reading must not give post 2 what only post 9 will need. So packs for this post are
weighed in one objective: their own minutes, and those of the posts to come from what these packs leave of the
box. Two answers are weighed: the best for this post alone, and the one that it has in a plan with posts whose
leans are drawn from what was read so far. What leaves this post worse off is taken only where it pays in all,
a post that gets nothing being counted at its price.

More than a few posts ahead nothing can be known: a plan made in a second is off by a post or two, and one
post outweighs anything that is decided here (two draws of 28 posts from the boardwalk box: 19 and 20 served
with it, 18 and 21 without, at 4 s a post). There each post gets its best. Reading all posts first is still
better: then nothing has to be guessed.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from shimfit.core.ledger import Ledger
from shimfit.core.planning.plan import Effort, plan
from shimfit.core.planning.planned import box_after, serve_alone
from shimfit.model import Lean

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from shimfit.core.packing.options import Options
    from shimfit.core.planning.geometry import PlanPost
    from shimfit.core.planning.plan import Plan
    from shimfit.core.planning.planned import Planned
    from shimfit.core.planning.program import Solver
    from shimfit.model import Lot

PRIOR_SPREAD = 0.008
"""Spread of leans on a deck before anything is read (ratio; common practice, no source)."""
PRIOR_WEIGHT = 2.0
"""The prior counts as so many readings."""
MOST_AHEAD = 8
"""Posts to come that are looked at: of so many a plan is as good as proven, in a few tenths of a second."""


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
    alone = without_foresight(post, lots, options)
    if alone is None or not alone.packs or not to_come:
        return alone
    leans = likely_leans(read, to_come, seed)
    others = [replace(post, name=f"{post.name}+{k}", lean=lean, aim=None) for k, lean in enumerate(leans, 1)]

    def planned(posts: Sequence[PlanPost], box: Sequence[Lot]) -> Plan:
        return plan(posts, box, options, solver, effort=Effort(quick=True, swaps=False, why=False))

    together = planned([post, *others], lots)
    mine = next((one for one in together.planned if one.post.name == post.name), alone)
    if mine.packs == alone.packs:
        return alone
    later = planned(others, box_after(lots, alone.packs, options).lots())
    return mine if together.objective < alone.cost + later.objective else alone


def without_foresight(post: PlanPost, lots: Sequence[Lot], options: Options) -> Planned | None:
    """The cheapest packs for this post by itself; None when the box can't serve it."""
    return serve_alone(post, Ledger(lots), options)
