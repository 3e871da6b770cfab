"""Packs that the carpenter made his own way: `next-out=T1@29+F2` as he says it, against the box as it is."""

from __future__ import annotations

from collections.abc import Sequence

from shimfit.core.foot import gap_plane
from shimfit.entry import parse_length
from shimfit.errors import EntryError, UsageError
from shimfit.model import Foot, Lean, Lot, Pack, Piece, Seat
from shimfit.quantities import shown
from shimfit.settings import Units


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
