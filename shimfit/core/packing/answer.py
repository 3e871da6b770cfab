"""One post, any box: the question in, the prescription out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from shimfit.core.packing.draft import Draft
from shimfit.core.packing.drafting import Asked
from shimfit.core.packing.layouts import solve_layout
from shimfit.core.packing.makeup import cost_of
from shimfit.core.packing.onebox import NODE_LIMIT
from shimfit.core.packing.question import ask
from shimfit.core.packing.shown import ONE_UNIT, still_good
from shimfit.core.packing.task import Offer
from shimfit.model import Seat

if TYPE_CHECKING:
    from shimfit.core.packing.options import Layout
    from shimfit.core.packing.question import Question
    from shimfit.core.packing.tables import Tables
    from shimfit.model import Foot, Lean, Pack, Prescription, Tolerance


def prescribe(
    foot: Foot,
    height_mm: float,
    lean: Lean,
    tolerance: Tolerance,
    tables: Tables,
    *,
    margin_slope: float = 0.0,
    feelers: Mapping[Seat, float] | None = None,
    needs: Mapping[Seat, float] | None = None,
    keep: Mapping[Seat, Pack] | None = None,
    offers: Mapping[Seat, Sequence[Offer]] | None = None,
    layout: Layout | None = None,
    shown: Prescription | None = None,
    relaxed: bool = False,
    node_limit: int = NODE_LIMIT,
) -> Prescription:
    """The best packs for one post from the box in the tables, with the proof in `status`.

    margin_slope: kept from the limit for what the reading, marks and take-up are uncertain by; an answer
    between there and the tolerance comes with a caution. feelers: mm, corners that do not touch. needs: mm,
    totals wanted at the corners instead of the gap plane. keep: packs that stand there and cost nothing when
    they stay; offers: packs at a price of their own. shown: what the screen shows now; it is kept while it
    holds and nothing is better by more than one unit. relaxed: at sensor rate, each seat has the box to
    itself and the status is never proven. A lean within the tolerance wants no packs.
    EntryError, UsageError: see `ask`; EntryError also when the rod's hole leaves no room for any pack.
    """
    every: dict[Seat, list[Offer]] = {seat: list(some) for seat, some in (offers or {}).items()}
    for seat, pack in (keep or {}).items():
        every.setdefault(seat, []).append(Offer(pack, 0.0, _bears_inside(foot, pack)))
    question = ask(
        foot,
        height_mm,
        lean,
        tolerance,
        tables.options.preload_mm,
        margin_slope=margin_slope,
        feelers=feelers,
        needs=needs,
        offers=every,
    )
    asked = Asked(question, tables, relaxed, node_limit)
    draft = _as_it_stands(question, tables) or solve_layout(asked, layout or tables.options.layout)
    if shown is not None and draft.packs:
        held = still_good(asked, shown)
        if held is not None and held.cost.total <= draft.cost.total + ONE_UNIT:
            return held.prescription(question)
    return draft.prescription(question)


def _as_it_stands(question: Question, tables: Tables) -> Draft | None:
    """No packs, when the post rests within the tolerance without any."""
    if question.needs is not None or not question.tolerance.holds(question.lean, question.height_mm):
        return None
    resting = question.rests_on(())
    if not question.stands(resting):
        return None
    top = question.lean.top_mm(question.height_mm)
    cost = cost_of(
        tables, (), bearing=0.0, set_up=0.0, rock_mm=0.0, top_mm=top, allowed_mm=question.allowed_mm
    )
    return Draft("corners", (), resting, "proven", cost, cost.total)


def _bears_inside(foot: Foot, pack: Pack) -> bool:
    """True when a pack does not bear at its seat itself."""
    x, y = foot.seat_at_mm(pack.seat)
    at = pack.bears_at_mm[0] + foot.rod_at_mm[0], pack.bears_at_mm[1] + foot.rod_at_mm[1]
    return max(abs(at[0] - x), abs(at[1] - y)) > 1e-6
