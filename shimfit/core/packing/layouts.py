"""Which seats are packed: one layout as told, or the best of them with the reason in words."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from shimfit.core.packing.corners import solve_corners
from shimfit.core.packing.edges import solve_edges
from shimfit.errors import UsageError
from shimfit.quantities import shown

if TYPE_CHECKING:
    from shimfit.core.packing.draft import Draft
    from shimfit.core.packing.drafting import Asked
    from shimfit.core.packing.options import Layout
    from shimfit.model import LayoutName

_ARM_STEP = 0.05
"""Bases whose tipping arms differ by less count as equally wide."""
_WORDS: dict[LayoutName, str] = {
    "corners": "packs at the corners",
    "tripod": "packs at the middles of the low edges",
    "one-way": "one pack at the middle of the low edge",
}


def solve_layout(asked: Asked, layout: Layout) -> Draft:
    """The best packs in a layout; `auto` takes the widest base, then the fewest packs, then the least cost.

    The status speaks of the packs that lift in the layout that is taken. Fillers, and so how wide a base the
    other layouts could have, are the best found; `why` says so where there are some.

    UsageError when totals are told (`needs`) for a layout that is not the corners.
    """
    if asked.question.needs is not None and layout not in ("corners", "auto"):
        raise UsageError("Totals at the corners can only be packed at the corners.")
    if layout == "corners" or asked.question.needs is not None:
        return solve_corners(asked)
    if layout == "auto":
        return _best(asked)
    return solve_edges(asked, layout)


def _best(asked: Asked) -> Draft:
    drafts = [solve_corners(asked), solve_edges(asked, "tripod"), solve_edges(asked, "one-way")]
    holding = [draft for draft in drafts if draft.status in ("proven", "found")]
    if not holding:
        nearest = min(drafts, key=lambda draft: _left_mm(asked, draft))
        return replace(nearest, why=f"With {_WORDS[nearest.layout]}: {nearest.why}")
    best = min(holding, key=_rank)
    why = _reason(best, [draft for draft in drafts if draft is not best])
    return replace(best, why=f"{why} {best.why}" if best.why else why)


def _rank(draft: Draft) -> tuple[int, int, float]:
    return -round(draft.resting.tipping_arm / _ARM_STEP), len(draft.packs), round(draft.cost.total, 6)


def _left_mm(asked: Asked, draft: Draft) -> float:
    lean = draft.resting.lean or asked.question.lean
    return round(lean.magnitude * asked.question.height_mm, 6)


def _reason(best: Draft, others: list[Draft]) -> str:
    """Why this layout: against the one that comes next."""
    name = _WORDS[best.layout][0].upper() + _WORDS[best.layout][1:]
    arm = f"the base is {shown.share(best.resting.tipping_arm)} of the widest"
    holding = [draft for draft in others if draft.status in ("proven", "found")]
    if not holding:
        return f"{name}: nothing else in the box makes the post stand ({arm})."
    second = min(holding, key=_rank)
    mine, its = _rank(best), _rank(second)
    if mine[0] != its[0]:
        return f"{name}: {arm}, with {_WORDS[second.layout]} only {shown.share(second.resting.tipping_arm)}."
    if mine[1] != its[1]:
        fewer = f"{mine[1]} packs instead of {its[1]}"
        return f"{name}: as wide a base as with {_WORDS[second.layout]}, and {fewer}."
    return f"{name}: as wide a base and as many packs as with {_WORDS[second.layout]}, from cheaper pieces."
