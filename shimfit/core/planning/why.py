"""Why a post is left out of a plan, and what it wants: the sentence that a person reads."""

from __future__ import annotations

from typing import TYPE_CHECKING

from shimfit.core.foot import gap_plane
from shimfit.core.packing.answer import prescribe
from shimfit.core.planning.alone import serve_alone
from shimfit.errors import EntryError
from shimfit.model import BESIDE_THE_OTHERS, Lean

if TYPE_CHECKING:
    from shimfit.core.packing.tables import Tables
    from shimfit.core.planning.geometry import PlanPost
    from shimfit.core.planning.patience import Patience

NOT_ASKED = "left out of a quick plan; why was not asked"
HARDLY_MM = 0.05
"""A gap below this is nothing to buy a pack for: no shim is that thin."""


def why_left_out(post: PlanPost, tables: Tables, patience: Patience) -> str:
    """What is missing, asked of the whole box: then the box itself can't; else the others took it."""
    needs = needs_in_words(post)
    if patience.called_off():
        return f"planning was stopped before this post was served; {needs}"
    if patience.at_an_end():
        return f"the time was up before this post was served: allow more; {needs}"
    try:
        alone = serve_alone(post, tables.lots, tables.lots, tables.options)
    except EntryError as error:
        return error.message
    if alone is not None:
        return f"the box holds enough for this post alone, {BESIDE_THE_OTHERS}: buy or cut more; {needs}"
    answer = prescribe(post.foot, post.height_mm, Lean(*post.to_correct), post.tolerance, tables)
    return f"{(answer.why or 'nothing in the box makes it').rstrip('.')}; {needs}"


def needs_in_words(post: PlanPost) -> str:
    """The thicknesses that a post wants at its corners, as what to buy or cut."""
    plane = gap_plane(post.foot, Lean(*post.to_correct))
    gaps = sorted({round(gap, 2) for gap in plane.seats_mm.values() if gap > HARDLY_MM})
    listed = ", ".join(f"{gap:g}" for gap in gaps)
    return f"it wants packs of about {listed} mm" if listed else "it wants hardly anything"
