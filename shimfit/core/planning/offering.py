"""Which patterns the integer program is offered, and a plan that it may begin from."""

from __future__ import annotations

from collections import Counter, defaultdict
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from shimfit.core.packing.tables import Tables
    from shimfit.core.planning.master import Master
    from shimfit.core.planning.patterns import Pattern
    from shimfit.core.planning.rounds import Settled


def worth_offering(master: Master, settled: Settled, most: int, start: Sequence[Pattern]) -> list[Pattern]:
    """The patterns of each post that cost least beyond what serving it is worth, with those in use."""
    if not master.patterns:
        return []
    master.only(settled.allowed)
    priced = master.priced(settled.price)
    priced[np.flatnonzero(settled.x > 1e-9)] = -np.inf
    known = {pattern.key for pattern in start}
    if known:
        priced[[k for k, pattern in enumerate(master.patterns) if pattern.key in known]] = -np.inf
    order = np.lexsort((np.arange(priced.size), priced, master.post))
    post = master.post[order]
    first = np.searchsorted(post, post)
    kept = np.sort(order[(np.arange(post.size) - first < most) & (priced[order] < np.inf)])
    return [master.patterns[k] for k in kept]


def greedy(
    tables: Tables, patterns: Sequence[Pattern], share: Mapping[tuple[object, ...], float]
) -> list[Pattern]:
    """A plan to begin from: the linear program's most certain patterns first, if the box still allows."""
    ordered = sorted(patterns, key=lambda p: (-share.get(p.key, 0.0), p.cost, p.post))
    flats: Counter[int] = Counter()
    stretches: dict[int, list[tuple[float, float]]] = defaultdict(list)
    served: set[int] = set()
    taken = []
    for pattern in ordered:
        if pattern.post in served or pattern.uses.lengths:
            continue
        if any(flats[rank] + n > tables.lots[rank].count for rank, n in pattern.uses.flats):
            continue
        new: Mapping[int, list[tuple[float, float]]] = _with(stretches, pattern)
        if any(_covered(new[rank]) > tables.lots[rank].count for rank, _, _ in pattern.uses.stretches):
            continue
        for rank, n in pattern.uses.flats:
            flats[rank] += n
        for rank, start, end in pattern.uses.stretches:
            stretches[rank].append((start, end))
        served.add(pattern.post)
        taken.append(pattern)
    return taken


def _with(
    stretches: Mapping[int, list[tuple[float, float]]], pattern: Pattern
) -> dict[int, list[tuple[float, float]]]:
    new: dict[int, list[tuple[float, float]]] = {}
    for rank, start, end in pattern.uses.stretches:
        new.setdefault(rank, list(stretches.get(rank, ()))).append((start, end))
    return new


def _covered(stretches: Sequence[tuple[float, float]]) -> int:
    """Most stretches that cover one point."""
    return max(sum(a <= start < b for a, b in stretches) for start, _ in stretches)
