"""Take-up of a job: learned from what packs should have given and what the readings say they gave.

Each verifying reading after packs were changed logs one observation (`observed`) in the same step as the
reading, so it is undone with it. What is known is worked out from them; a `take-up-reset` begins anew.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from shimfit.core.takeup import Book, Observed, TakeUp, blended, learn, material_shares
from shimfit.store.events import Draft

if TYPE_CHECKING:
    from collections.abc import Sequence

    from shimfit.model import Lot, Pack, Reading
    from shimfit.standing import PostRecord
    from shimfit.workflow.place import Place
    from shimfit.workflow.site import Site

KINDS = ("observed", "take-up-reset")


def book_of(site: Site, job: str) -> Book:
    """What is known of a job's deck, by material; empty when nothing was learned."""
    book: Book = {}
    for event in site.journal.standing(KINDS, job):
        if event.kind == "take-up-reset":
            book = {}
            continue
        data = event.data
        book = learn(
            book,
            Observed(
                predicted_mm=(data["predicted_mm"][0], data["predicted_mm"][1]),
                measured_mm=(data["measured_mm"][0], data["measured_mm"][1]),
                u_reading_mm=data["u_reading_mm"],
                shares=data["shares"],
            ),
        ).book
    return book


def reset(site: Site, job: str) -> str:
    """Forget what was learned of a job's deck; the observations stay in the log."""
    site.journal.job(job)
    site.journal.append_all([Draft("take-up-reset", {}, job=job, by=site.settings.by or None)])
    return f"what packs give on {job} is learned from scratch"


def of_lots(book: Book, lots: Sequence[Lot]) -> TakeUp:
    """Take-up before it is known which pieces go in: all materials of the box alike."""
    return blended(book, {lot.material: 1.0 for lot in lots})


def of_packs(book: Book, packs: Sequence[Pack], lots: Sequence[Lot]) -> TakeUp:
    """Take-up of packs by what they are made of."""
    return blended(book, material_shares(packs, lots))


def observation(site: Site, place: Place, post: PostRecord, reading: Reading) -> list[Draft]:
    """What a verifying reading teaches, as a draft; none when no packs were changed since the last reading.

    post: as it stands before the reading is logged.
    """
    from shimfit.core.correction import predicted_shift_mm
    from shimfit.workflow.solving import options_of

    stood, lean, packed = post.reading, reading.lean, post.packed_since
    if stood is None or stood.lean is None or lean is None or packed is None:
        return []
    if not reading.u_along or not reading.u_across:
        return []
    before, after = packed
    run = site.run(place.job, place.run)
    predicted = predicted_shift_mm(
        post.foot, before, after, post.height_mm, options_of(run, site.settings).preload_mm
    )
    old, new = stood.lean.top_mm(post.height_mm), lean.top_mm(post.height_mm)
    box = site.box()
    data = {
        "predicted_mm": list(predicted),
        "measured_mm": [new[0] - old[0], new[1] - old[1]],
        "u_reading_mm": max(reading.u_along, reading.u_across) * post.height_mm,
        "shares": material_shares(after, (*box.lots, *box.used_up)),
    }
    return [Draft("observed", data, place.job, place.run, place.post)]
