"""One post, any box: the question in, the prescription out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from shimfit.core.objective import usual_reads
from shimfit.core.packing.draft import Asked, bare, still_good
from shimfit.core.packing.layouts import solve_layout
from shimfit.core.packing.onebox import NODE_LIMIT
from shimfit.core.packing.question import Draft, Offer, ask
from shimfit.core.resting import scaled, scaled_rest
from shimfit.errors import EntryError, positive
from shimfit.model import Lean, Seat

if TYPE_CHECKING:
    from shimfit.core.objective import Reads
    from shimfit.core.packing.options import Layout
    from shimfit.core.packing.tables import Tables
    from shimfit.model import Foot, Pack, Prescription, Tolerance


def prescribe(
    foot: Foot,
    height_mm: float,
    lean: Lean,
    tolerance: Tolerance,
    tables: Tables,
    *,
    reads: Reads | None = None,
    take_up: float = 1.0,
    u_take_up: float = 0.0,
    shift_mm: tuple[float, float] | None = None,
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

    reads: how the next reading is taken (a usual level when not told). take_up: measured ÷ predicted change,
    with its uncertainty; the lean is packed so much more. shift_mm: how far the packs take the top where that
    is not all of the lean. margin_slope: part of the tolerance that an aim off plumb uses up. feelers: mm,
    corners that do not touch. needs: mm, totals wanted at the corners instead of the gap plane. keep: packs
    that stand there and cost nothing when they stay; offers: packs at a price of their own. shown: what the
    screen shows now; it is kept while it holds and nothing is better by more than a tenth of a piece.
    relaxed: at sensor rate, each seat has the box to itself and the status is never proven. A lean within the
    tolerance wants no packs. "proven" is meant of the objective of the tables' options, over all packs that
    the layout allows, lifted or not.
    EntryError, UsageError: see `ask`; EntryError also when the rod's hole leaves no room for any pack.
    """
    share = positive(take_up, "take-up", "")
    tables = tables.view()
    every: dict[Seat, list[Offer]] = {seat: list(some) for seat, some in (offers or {}).items()}
    for seat, pack in (keep or {}).items():
        every.setdefault(seat, []).append(Offer(pack, 0.0, _bears_inside(foot, pack)))
    # Asked for lean and tolerance ÷ take-up, told for themselves: what is left moves as little.
    question = ask(
        foot,
        height_mm,
        scaled(lean, 1.0 / share),
        over_take_up(tolerance, share),
        tables.options.preload_mm,
        reads=(reads or usual_reads()).scaled(1.0 / share),
        u_take_up=u_take_up / share,
        shift_mm=None if shift_mm is None else (shift_mm[0] / share, shift_mm[1] / share),
        margin_slope=margin_slope / share,
        feelers=feelers,
        needs=needs,
        offers=every,
    )
    asked = Asked(question, tables, relaxed, node_limit)
    stands = needs is None and question.tolerance.holds(question.lean, height_mm)
    if stands and question.stands(question.rests_on(())):
        draft = bare(asked, "corners", "proven")
    else:
        asked, draft = _long_enough(asked, layout or tables.options.layout)
    if shown is not None and draft.packs:
        held = still_good(asked, shown)
        if held is not None and held.cost.total <= draft.cost.total + tables.options.costs.one:
            draft = held
    answer = draft.prescription(question)
    if share == 1.0:
        return answer
    resting = scaled_rest(answer.resting, share)
    return replace(answer, lean=lean, tolerance=tolerance, resting=resting, take_up=share)


def _long_enough(asked: Asked, layout: Layout) -> tuple[Asked, Draft]:
    """Packs that bear on the length they should; on less, and saying so, where nothing else stands."""
    refused: EntryError | None = None
    draft: Draft | None = None
    try:
        draft = solve_layout(asked, layout)
    except EntryError as error:
        refused = error
    stands = draft is not None and asked.question.stands(draft.resting)
    less = None if stands else asked.tables.with_shorter()
    while less is not None:
        shorter = replace(asked, tables=less)
        other = solve_layout(shorter, layout)
        if asked.question.stands(other.resting):
            said = _how_short(other.packs, asked.options.min_inside_mm)
            return shorter, replace(other, cautions=(*other.cautions, *said))
        less = less.with_shorter()
    if draft is None:
        assert refused is not None
        raise refused
    return asked, draft


def _how_short(packs: Sequence[Pack], wanted_mm: float) -> list[str]:
    """Pieces that reach less far in than they should."""
    return [
        f"{pack.seat}: {piece.lot} reaches only {piece.mark_mm:.0f} mm in, {wanted_mm:.0f} mm are wanted and "
        "the box has nothing longer; look for crushing when it is tightened."
        for pack in packs
        for piece in pack.pieces
        if piece.mark_mm is not None and piece.mark_mm - piece.trim_tip_mm < wanted_mm - 1e-6
    ]


def over_take_up(tolerance: Tolerance, take_up: float) -> Tolerance:
    """What the packs may be off by when the post moves take_up times as much."""
    amount = None if tolerance.amount_mm is None else tolerance.amount_mm / take_up
    return replace(tolerance, slope=tolerance.slope / take_up, amount_mm=amount)


def _bears_inside(foot: Foot, pack: Pack) -> bool:
    """True when a pack does not bear at its seat itself."""
    x, y = foot.seat_at_mm(pack.seat)
    at = pack.bears_at_mm[0] + foot.rod_at_mm[0], pack.bears_at_mm[1] + foot.rod_at_mm[1]
    return max(abs(at[0] - x), abs(at[1] - y)) > 1e-6
