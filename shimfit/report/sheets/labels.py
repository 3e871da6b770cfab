"""Pack labels to cut apart: post, seat, which way it goes in, thickness, pieces."""

from __future__ import annotations

from typing import TYPE_CHECKING

from shimfit.model import Face, Foot
from shimfit.report import words
from shimfit.report.pdf import pictures
from shimfit.report.pdf.page import Box

if TYPE_CHECKING:
    from collections.abc import Sequence

    from shimfit.model import Pack, Piece
    from shimfit.report.pdf.page import Sheet
    from shimfit.report.sheets import SheetFacts
    from shimfit.standing import Units

MARGIN = 12.0
FINE = 6.6
_ACROSS, _TALL = 3, 34.0


def draw_labels(sheet: Sheet, facts: SheetFacts, packs: Sequence[tuple[str, Pack]]) -> None:
    """Labels to cut apart: post, seat, which way it goes in, thickness, pieces."""
    top = 20.0
    wide = (sheet.paper.width_mm - 2 * MARGIN) / _ACROSS
    rows = int((sheet.paper.height_mm - top - 12.0) // _TALL)
    a_page = rows * _ACROSS
    for start in range(0, len(packs), a_page):
        sheet.new_page()
        title = "Pack labels" + (", continued" if start else "")
        sheet.text(MARGIN, 14.0, title, 12, bold=True)
        way = f"{facts.faces[Face.NEXT]} is to the right, {facts.faces[Face.OUT]} is up"
        x = MARGIN + sheet.width(title, 12, bold=True) + 5
        sheet.text(x, 14.0, f"cut apart and put with the packs; {way}", FINE)
        for place, (post, pack) in enumerate(packs[start : start + a_page]):
            row, column = divmod(place, _ACROSS)
            box = Box(MARGIN + column * wide, top + row * _TALL, wide, _TALL)
            _draw_label(sheet, box, facts, post, pack)


def _draw_label(sheet: Sheet, box: Box, facts: SheetFacts, post: str, pack: Pack) -> None:
    for x0, y0, x1, y1 in (
        (box.x, box.y, box.right, box.y),
        (box.x, box.bottom, box.right, box.bottom),
        (box.x, box.y, box.x, box.bottom),
        (box.right, box.y, box.right, box.bottom),
    ):
        sheet.line(x0, y0, x1, y1, wide=0.12, ink=0.45, dash=1.2)
    side = 16.0
    foot = facts.feet.get(post, Foot(90.0, 90.0))
    cx, cy = box.right - side / 2 - 3.5, box.y + side / 2 + 3.5
    per_mm = side / max(foot.along_mm, foot.across_mm)
    pictures.draw_foot(sheet, (cx, cy), foot, per_mm)
    pictures.draw_pack(sheet, (cx, cy), foot, per_mm, pack)
    x, y = foot.seat_at_mm(pack.seat)
    reach = 0.55
    sheet.arrow(cx, cy, cx + x * per_mm * reach, cy - y * per_mm * reach, wide=0.7, head=2.4)
    room = box.width - side - 9.0
    left = box.x + 3.0
    sheet.text(left, box.y + 7.0, f"Post {post}", 14, bold=True, room=room)
    sheet.text(left, box.y + 12.5, words.seat_name(pack.seat, dict(facts.faces)), 11, bold=True, room=room)
    digits = 2 if facts.units == "mm" else 3
    made = f"{words.length(pack.made_mm, facts.units, digits)} {words.unit(facts.units)}"
    sheet.text(left, box.y + 19.5, made, 15, bold=True, room=room)
    purpose = "lifts" if pack.purpose == "lift" else "only fills: push in until it touches"
    sheet.text(left, box.y + 24.0, purpose, FINE)
    pieces = (
        " + ".join(_piece_text(piece, facts.units, facts.graduation) for piece in pack.pieces)
        or "no pieces planned"
    )
    y = box.y + 25.2
    for line in sheet.lines_of(pieces, FINE, box.width - 6.0)[:3]:
        sheet.text(left, y + 2.2, line, FINE)
        y += 2.7


def _piece_text(piece: Piece, units: Units, graduation: int) -> str:
    digits = 2 if units == "mm" else 3
    if piece.form == "strip" and piece.thin_mm is not None and piece.thick_mm is not None:
        thin, thick = (words.length(mm, units, digits) for mm in (piece.thin_mm, piece.thick_mm))
        return f"{piece.lot} {thin}–{thick}"
    which = f"{piece.lot} no. {piece.copy}" if piece.copy else piece.lot
    if piece.mark_mm is not None:
        trimmed = (
            f", tip trimmed by {words.mark(piece.trim_tip_mm, units, graduation)}"
            if piece.trim_tip_mm > 0
            else ""
        )
        return f"{which} to mark {words.mark(piece.mark_mm, units, graduation)}{trimmed}"
    return f"{which} {words.length(piece.thickness_mm, units, digits)}"
