"""What follows from a prescription by itself: packs that a later reading says went in as prescribed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import TYPE_CHECKING

from shimfit.model import Pack, Seat

if TYPE_CHECKING:
    from shimfit.standing import PostRecord
    from shimfit.workflow.site import Site


def awaited_packs(post: PostRecord) -> tuple[Pack, ...]:
    """What an open prescription still takes from the box; pieces that only change place are left out."""
    if not post.implied:
        return ()
    came_out, goes_in = moved_packs(post.packs_in_place, post.implied)
    there = Counter((piece.lot, piece.form) for pack in came_out for piece in pack.pieces)
    found = []
    for pack in goes_in:
        new = []
        for piece in pack.pieces:
            kind = (piece.lot, piece.form)
            if there[kind]:
                there[kind] -= 1
            else:
                new.append(piece)
        found.append(replace(pack, pieces=tuple(new)))
    return tuple(pack for pack in found if pack.pieces)


def promised_packs(site: Site, left_out: Callable[[tuple[str, str], PostRecord], bool]) -> list[Pack]:
    """What posts wait for that is still in the box: it is nobody else's. left_out: posts not to ask."""
    waited_for = [
        pack
        for job in site.jobs()
        for name in job.runs
        for post in site.run(job.name, name).posts
        if post.implied and not left_out((job.name, name), post)
        for pack in awaited_packs(post)
    ]
    return site.box().stock.as_it_lies(waited_for)


def moved_packs(before: Iterable[Pack], after: Iterable[Pack]) -> tuple[list[Pack], list[Pack]]:
    """(packs that came out, packs that went in); a taper that is only pushed did neither."""
    old, new = {pack.seat: pack for pack in before}, {pack.seat: pack for pack in after}
    stays = {
        seat for seat in Seat if seat in old and seat in new and _pieces(old[seat]) == _pieces(new[seat])
    }
    return (
        [pack for seat, pack in old.items() if seat not in stays],
        [pack for seat, pack in new.items() if seat not in stays],
    )


def pushed_packs(before: Iterable[Pack], after: Iterable[Pack]) -> list[tuple[Pack, Pack]]:
    """Packs, before and after, that keep their pieces: a taper in them may be pushed on."""
    old = {pack.seat: pack for pack in before}
    pairs = ((old[pack.seat], pack) for pack in after if pack.seat in old)
    return [(one, other) for one, other in pairs if one != other and _pieces(one) == _pieces(other)]


def _pieces(pack: Pack) -> list[tuple[str, str, int | None]]:
    return sorted((piece.lot, piece.form, piece.copy or 0) for piece in pack.pieces)
