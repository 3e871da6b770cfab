"""What follows from a prescription by itself: packs that a later reading says went in as prescribed."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from shimfit.model import Pack, PostState, Seat

if TYPE_CHECKING:
    from shimfit.store.state import PostRecord


def followed_packs(post: PostRecord) -> tuple[Pack, ...] | None:
    """Packs of an open prescription that nobody logged otherwise; None when there is none to follow."""
    answer = post.prescription
    if answer is None or not post.prescription_is_current or answer.status in ("impossible", "gave-up"):
        return None
    waits = post.state in (PostState.PACK, PostState.OUT)
    return answer.packs if waits and (answer.packs or answer.change) else None


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


def _pieces(pack: Pack) -> list[tuple[str, str, int | None]]:
    return sorted((piece.lot, piece.form, piece.copy or 0) for piece in pack.pieces)
