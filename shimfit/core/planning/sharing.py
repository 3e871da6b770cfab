"""Stretches of tapers that begin behind another's cut: when they can, and which begins behind which.

A stretch that begins inside its taper has its tip cut off, but where another was cut off just there: then it
pays no cut, is as short as need be (at the face 20 to 32 mm, say), and leaves nothing between the two. One
stretch at most begins behind a cut. So of those that begin somewhere from a to b there are never more than
are cut off from a to b. For places on a line that is all there is to it (Hall): where no a and b are broken,
each is given a cut of its own (`laid_out`).

*The bound is below every plan.* Take any, and any stretch of it. (1) It begins at a cut: the program may have
the same, which counts as little as it can take, and no tip. (2) It begins at the thin end: the same, by
itself. (3) Else its tip is paid for. If it is as long as bears it is the program's own. If it is shorter,
move its beginning towards the thin end until it is that long, which costs nothing, or meets another's cut,
which saves the tip. Material costs the same whichever stretch is cut first (`planned.serve_alone`). Of the
stretches in (1) no two are behind one cut, so every row holds. Places are rounded to hundredths of a mm, for
which `PENCIL_MM` leaves room. Pieces shorter than asked for are none of these plans: `Plan.bound_without`.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from shimfit.core.planning.patterns import Pattern, Stretch

    Floats = NDArray[np.float64]

TOO_MANY = 1e-6
"""Stretches that begin behind fewer cuts by more than this are too many."""


class Between(NamedTuple):
    """Two places on the tapers of a lot, mm from the thin end."""

    rank: int
    first: float
    last: float

    def more(self, one: Stretch) -> int:
        """By how much a stretch brings those that begin here behind a cut above those that are cut off."""
        begins = one.first is not None and self.first <= one.first and one.start <= self.last
        return int(begins) - int(self.first <= one.end <= self.last)


def too_many(rank: int, stretches: Sequence[Stretch], used: Floats) -> Between | None:
    """Between which places of a lot most stretches, each so much used, begin behind too few cuts."""
    behind = [k for k, one in enumerate(stretches) if one.first is not None and used[k] > TOO_MANY]
    if not behind:
        return None
    first = np.array([stretches[k].first for k in behind], float)
    last = np.array([stretches[k].start for k in behind])
    end = np.array([one.end for one in stretches])
    low, high = np.unique(first), np.unique(last)
    begin = (used[behind] * (first >= low[:, None])) @ (last[:, None] <= high)
    begin -= (used * (end >= low[:, None])) @ (end[:, None] <= high).astype(float)
    at = np.unravel_index(int(np.argmax(begin)), begin.shape)
    return Between(rank, float(low[at[0]]), float(high[at[1]])) if begin[at] > TOO_MANY else None


def laid_out(patterns: Sequence[Pattern]) -> tuple[Pattern, ...]:
    """Patterns whose stretches begin behind cuts, each behind one of its own.

    From the thin end on, each cut is for the stretch that has to begin first.
    """
    ends: dict[int, list[float]] = defaultdict(list)
    wait: dict[int, list[tuple[float, float, int, int]]] = defaultdict(list)
    for k, pattern in enumerate(patterns):
        places = (place for place, pack in enumerate(pattern.packs) if pack.tail and pack.saw_deg is None)
        for place, one in zip(places, pattern.uses.stretches, strict=True):
            ends[one.rank].append(one.end)
            if one.first is not None:
                wait[one.rank].append((one.start, one.first, k, place))
    packs = [list(pattern.packs) for pattern in patterns]
    for rank, some in wait.items():
        for end in sorted(ends[rank]):
            can = [one for one in some if one[1] <= end <= one[0]]
            if can:
                some.remove(least := min(can))
                _, _, k, place = least
                packs[k][place] = replace(packs[k][place], behind=(end, end))
    return tuple(replace(one, packs=tuple(made)) for one, made in zip(patterns, packs, strict=True))
