"""Packs as they go in: made one's own way, or as prescribed; what posts wait for is nobody else's.

`next-out=T1@29+F2` is read against the box as it is. A prescription that is followed moves only the pieces
that are new under the post; a taper that is pushed on stays where it is.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from shimfit.core.foot import gap_plane
from shimfit.entry import parse_length
from shimfit.errors import EntryError, UsageError
from shimfit.model import Foot, Lean, Lot, Pack, Piece, Seat
from shimfit.quantities import shown
from shimfit.settings import Units

if TYPE_CHECKING:
    from shimfit.standing import PostRecord
    from shimfit.workflow.site import Site


def parse_seat(text: str, at: int = 0) -> Seat:
    """Seat by its name; EntryError naming them."""
    try:
        return Seat(text.strip().lower())
    except ValueError as error:
        raise EntryError(f"{text!r} isn't a seat; the seats are {', '.join(Seat)}", at=at) from error


def parse_seat_lengths(text: str, units: Units) -> dict[Seat, float]:
    """`next-out=1.5,prev-out=0.5` as mm per seat; EntryError with the bad spot."""
    found: dict[Seat, float] = {}
    at = 0
    for part in text.split(","):
        name, equals, length = part.partition("=")
        if not equals:
            raise EntryError(f"{part.strip()!r}: a seat is given like next-out=1.5", at=at)
        seat = parse_seat(name, at)
        if seat in found:
            raise EntryError(f"{seat} is given twice", at=at)
        try:
            found[seat] = parse_length(length, units, what=f"pack at {seat}", zero_ok=True)
        except EntryError as error:
            raise EntryError(error.message, at=at + len(name) + 1 + (error.at or 0)) from error
        at += len(part) + 1
    return found


def parse_packs(
    words: Sequence[str], foot: Foot, lean: Lean | None, lots: Sequence[Lot], units: Units
) -> tuple[Pack, ...]:
    """Packs from `SEAT=LOT[@MARK][+LOT…]` words; each lot must be in the box, a taper needs its mark.

    lean: of the latest reading, for the need beside what was made (0 where nothing was read).
    """
    packs: dict[Seat, Pack] = {}
    for word in words:
        name, equals, made_of = word.partition("=")
        if not equals:
            raise EntryError(f"{word!r}: a pack is given like next-out=T1@29+F2", at=0)
        seat = parse_seat(name)
        if seat in packs:
            raise EntryError(f"{seat} is given twice", at=0)
        pieces = tuple(_piece(part, lots, units) for part in made_of.split("+"))
        made_mm = sum(piece.thickness_mm for piece in pieces)
        x, y = foot.seat_at_mm(seat)
        rod_x, rod_y = foot.rod_at_mm
        need_mm = gap_plane(foot, lean).at_seat_mm(seat) if lean else 0.0
        packs[seat] = Pack(seat, need_mm, made_mm, (x - rod_x, y - rod_y), pieces)
    return tuple(packs.values())


def _piece(text: str, lots: Sequence[Lot], units: Units) -> Piece:
    name, at_sign, mark = (part.strip() for part in text.partition("@"))
    lot = next((one for one in lots if one.lot == name), None)
    if lot is None:
        names = ", ".join(one.lot for one in lots) or "nothing"
        raise UsageError(f"there is no lot {name!r} in the box; it holds {names}")
    if lot.form == "strip":
        raise UsageError(f"{name} is saw stock: cut it first, then put the wedge in the box as a taper")
    if lot.form == "flat":
        if at_sign:
            raise UsageError(f"{name} is a flat: it has no mark")
        assert lot.thickness_mm is not None
        return Piece(name, "flat", lot.thickness_mm)
    if not at_sign:
        like = "30mm" if units == "mm" else "1-1/4in"
        raise UsageError(f"{name} is a taper: say the mark that meets the face, like {name}@{like}")
    mark_mm = parse_length(mark, units, what=f"mark on {name}")
    assert lot.length_mm is not None
    assert lot.thin_mm is not None
    if mark_mm > lot.length_mm:
        raise EntryError(
            f"{name} is {shown.sized(lot.length_mm, units)} long: a mark at {shown.sized(mark_mm, units)} is "
            "past its end",
            at=0,
        )
    return Piece(name, "taper", lot.thin_mm + lot.taper_slope * mark_mm, mark_mm=mark_mm)


# ---------------------------------------------------------------- what a prescription moves


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
