"""What goes to the saw and the shop on paper: cut sheet, pack labels, rails, kit, make-up.

The cut sheet works on the plan's answer in the contract's form (`cuts`, `posts`, `remainders`, `unsolved`);
all its lengths are millimetres, `saw_deg` is what the saw is set to (half the wedge's angle), `mark_along_mm`
runs along the strip's centre line from its first end to the near side of the cut that ends the piece.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from shimfit.codec import from_json
from shimfit.core.cautions import caution_of_material, cautions_of
from shimfit.core.stock import natural_key
from shimfit.model import Face, Foot, Pack
from shimfit.quantities import shown
from shimfit.report import words
from shimfit.report.record import PLAIN_FACES
from shimfit.text.plan_phrases import remainder

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from shimfit.model import Lot, Piece
    from shimfit.report.page import Box, Cell, Column, Paper, Sheet
    from shimfit.standing import RunState, Units

_STRIP_TALL = 11.0
TICK = "☐"
_ACROSS, _LABEL_TALL = 3, 33.0
"""Labels beside each other, and how high one is at least (mm): they fill the page."""


@dataclass(frozen=True, slots=True)
class SheetFacts:
    """What a sheet's heading needs besides what it is of."""

    job: str
    run: str
    units: Units = "mm"
    faces: Mapping[Face, str] = field(default_factory=lambda: dict(PLAIN_FACES))
    """What the run calls its faces."""
    feet: Mapping[str, Foot] = field(default_factory=dict)
    """Foot of each post by name, for the labels' small plans; 90 x 90 mm where it is not given."""
    made: str | None = None
    """When it was made (ISO 8601)."""
    sample: bool = False
    graduation: int = 16
    """Marks of the tape to the inch."""
    materials: Mapping[str, str] = field(default_factory=dict)
    """What each lot is made of, by its name."""


def facts_of(run: RunState, made: str | None, graduation: int = 16, lots: Sequence[Lot] = ()) -> SheetFacts:
    """The heading of a run's sheet: its names, unit, faces, feet, the box. made: ISO 8601."""
    return SheetFacts(
        job=run.job,
        run=run.name,
        units=run.units,
        faces=run.faces,
        feet={post.name: post.foot for post in run.posts},
        made=made,
        sample=run.sample,
        graduation=graduation,
        materials={lot.lot: lot.material for lot in lots if lot.material},
    )


@dataclass(frozen=True, slots=True)
class Section:
    """A table of a sheet, with a sentence above it."""

    title: str
    heads: Sequence[tuple[str, float]]
    """(head, width in mm; 0 = what is left over) of each column."""
    rows: Sequence[Sequence[str]]
    said: str = ""
    bold: int = 0
    """Which column is to be read first."""


def sheet_pdf(
    title: str,
    facts: SheetFacts,
    sections: Sequence[Section],
    *,
    lead: str,
    cautions: Sequence[str],
    paper: str = "a4",
) -> bytes:
    """Rails, kit or make-up on paper: what it comes to in a sentence, tables, cautions.

    Raises UsageError for a paper that is not known.
    """
    from shimfit.report.page import HEAD, Column, Sheet, paper_named

    with Sheet(
        paper_named(paper), title=f"{title} {facts.job}/{facts.run}", subject=title, made=facts.made
    ) as sheet:
        page = _paper(sheet, title, facts)
        page.say(lead, HEAD, bold=True)
        for one in sections:
            if not one.rows:
                continue
            page.head(one.title)
            if one.said:
                page.say(one.said)
                page.y += 0.8
            columns = [Column(head, wide, bold=i == one.bold) for i, (head, wide) in enumerate(one.heads)]
            page.table(columns, one.rows)
        if cautions:
            page.head("Cautions")
            page.listed(cautions)
        page.end_pages()
        return sheet.finished()


def cut_sheet_pdf(plan: Mapping[str, Any], facts: SheetFacts, *, paper: str = "a4") -> bytes:
    """Cut sheet, then the pack labels on pages of their own. Same plan, same bytes.

    Raises UsageError for a paper that is not known.
    """
    from shimfit.report.page import Sheet, paper_named

    packs = [(str(post["id"]), from_json(Pack, pack)) for post in plan["posts"] for pack in post["packs"]]
    title = f"Cut sheet {facts.job}/{facts.run}"
    with Sheet(
        paper_named(paper), title=title, subject="Cut sheet and pack labels", made=facts.made
    ) as sheet:
        page = _paper(sheet, "Cut sheet", facts)
        _CutSheet(page, facts).draw(plan, packs)
        if packs:
            _draw_labels(page, facts, packs)
        page.end_pages()
        return sheet.finished()


def _paper(sheet: Sheet, title: str, facts: SheetFacts) -> Paper:
    from shimfit.report.page import Paper

    made = words.clock(facts.made, offset=True)
    return Paper(
        sheet,
        title,
        f"{facts.job} / {facts.run}" + (" (SAMPLE)" if facts.sample else ""),
        foot=f"{facts.job} / {facts.run}" + (f", as of {made}" if made else ""),
    )


class _CutSheet:
    """Draws one plan, from what there is to saw down to what goes back into the box."""

    def __init__(self, page: Paper, facts: SheetFacts) -> None:
        self.page = page
        self.facts = facts
        self.unit = shown.unit(facts.units)

    def draw(self, plan: Mapping[str, Any], packs: Sequence[tuple[str, Pack]]) -> None:
        """Draw the whole sheet."""
        self._summary(plan, packs)
        page, cuts = self.page, plan.get("cuts", ())
        page.y += 1.0
        page.listed((*cautions_of("sawing" if cuts else "tips"), *_rots(packs, self.facts)))
        self._cuts(cuts, _tips(packs))
        self._alternatives(plan)
        alone = {row["post"] for row in plan.get("alternatives", ())}
        self._tapers([(post, pack) for post, pack in packs if post not in alone])
        self._flats(packs)
        self._remainders(plan.get("remainders", ()))

    def _summary(self, plan: Mapping[str, Any], packs: Sequence[tuple[str, Pack]]) -> None:
        page, cuts, posts = self.page, plan.get("cuts", ()), plan["posts"]
        settings = list(dict.fromkeys(cut["saw_deg"] for cut in cuts))
        sawn = sum(len(cut["pieces"]) for cut in cuts)
        served = sum(bool(post["packs"]) for post in posts)
        sawing = f"To saw: {_many(sawn, 'piece')} at {_many(len(settings), 'saw setting')}"
        sawing += f": {', '.join(map(shown.angle, settings))}." if settings else "."
        page.say(
            f"Packs: {len(packs)}, for {_many(served, 'post')}; {len(posts) - served} stand without. "
            f"{sawing if sawn else 'Nothing to saw.'} All lengths in {words.unit_name(self.facts.units)}."
        )
        unsolved = [str(name) for name in plan.get("unsolved", ())]
        if unsolved:
            page.say(f"NOT SERVED from this box: post {', '.join(unsolved)}.", bold=True)
        for name, why in plan.get("why", {}).items():
            page.say(f"Post {name}: {shown.sentence(str(why), self.facts.units)}", indent=3.0)
        for row in plan.get("unsawn", ()) if unsolved or cuts else ():
            page.say(f"Not sawn: strip {row['strip']}, {shown.sentence(row['why'], self.facts.units)}.")

    def _cuts(self, cuts: Sequence[Mapping[str, Any]], tips: Mapping[tuple[str, float], float]) -> None:
        setting = None
        for cut in cuts:
            if cut["saw_deg"] != setting:
                setting = cut["saw_deg"]
                self.page.head(
                    f"Set the saw to {shown.angle(setting)} (half the taper)", 12 + _STRIP_TALL + 16
                )
                self.page.say(
                    "Trim the first end at this angle, then turn the strip over after every cut. Marks run "
                    "along the strip's centre line from its first end to the near side of each cut."
                )
            self._strip(cut, tips)

    def _strip(self, cut: Mapping[str, Any], tips: Mapping[tuple[str, float], float]) -> None:
        pieces = cut["pieces"]
        self.page.keep(8 + _STRIP_TALL + 6.0 + 8.0)
        self.page.y += 2.0
        left = shown.fine(cut["left_mm"], self.facts.units)
        copy = f" no. {cut['copy']}" if "copy" in cut else ""
        self.page.say(
            f"Strip {cut['strip']}{copy}: {_many(len(pieces), 'piece')}, {left} left over",
            bold=True,
        )
        self._strip_picture(cut)
        rows, before = [], 0.0
        for number, piece in enumerate(pieces, 1):
            at = piece["mark_along_mm"]
            thin, thick = (self._thick(piece[key]) for key in ("thin_mm", "thick_mm"))
            place = self._place(piece["for"])
            tip = tips.get((piece["for"], round(piece["thin_mm"], 6)), 0.0)
            off = self._mark(tip) if tip > 0 else "–"
            rows.append((TICK, str(number), self._mark(at), self._mark(at - before), place, thin, thick, off))
            before = at
        heads = ("", "cut", "mark", "from the last", "goes to", "thin", "thick", "cut off the tip")
        self._table(heads, (7.0, 9.0, 37.0, 31.0, 0.0, 14.0, 14.0, 31.0), rows)

    def _strip_picture(self, cut: Mapping[str, Any]) -> None:
        """The strip to scale along its length, cuts leaning one way and the other (not to scale)."""
        from shimfit.report.page import FINE, Box

        page, sheet = self.page, self.page.sheet
        marks = [float(piece["mark_along_mm"]) for piece in cut["pieces"]]
        if not marks or marks[-1] <= 0:
            return
        # Small wedges on a long strip: the sawn part is drawn larger and the rest broken off.
        left_mm = float(cut["left_mm"])
        per_mm = min(max(page.wide / (marks[-1] + left_mm), 0.74 * page.wide / marks[-1]), 7.0)
        broken = left_mm * per_mm > page.wide - marks[-1] * per_mm + 1e-6
        tall = _STRIP_TALL - 4.0
        box = Box(page.left, page.y + 0.8, page.wide, tall)
        sheet.rect(box, wide=0.3)
        slant = min(1.2, *(0.25 * gap * per_mm for gap in _gaps(marks)))
        before, said_to = 0.0, box.x
        for i, at in enumerate(marks):
            x = box.x + at * per_mm
            side = slant if i % 2 else -slant
            sheet.line(x - side, box.y, x + side, box.bottom, wide=0.35)
            middle, half = box.x + (before + at) / 2 * per_mm, sheet.width(str(i + 1), FINE) / 2
            if middle - half > said_to:  # a number that has no room between its cuts is in the table
                sheet.text(middle, box.y + tall / 2 + 0.9, str(i + 1), FINE, align="centre")
                said_to = middle + half + 0.8
            before = at
        end = box.x + before * per_mm
        if box.right - end > 34:
            sheet.text(box.right - 1.5, box.y + tall / 2 + 0.9, "left over: hold here", FINE, align="right")
        if broken:
            self._break(box, end + min(6.0, 0.3 * (box.right - end)))
        sheet.text(box.x, box.bottom + 2.9, "first end", FINE)
        page.y += _STRIP_TALL + 1.4

    def _break(self, box: Box, x: float) -> None:
        """Two slanting lines with nothing between them: some of the strip is not drawn."""
        upper, lower = box.y - 0.6, box.bottom + 0.6
        corners = [(x, upper), (x + 1.5, upper), (x + 0.5, lower), (x - 1, lower)]
        self.page.sheet.polygon(corners, wide=0, fill=1.0)
        self.page.sheet.line(*corners[0], *corners[3], wide=0.25)
        self.page.sheet.line(*corners[1], *corners[2], wide=0.25)

    def _tapers(self, packs: Sequence[tuple[str, Pack]]) -> None:
        uses = [(post, pack, piece) for post, pack in packs for piece in pack.pieces if piece.is_marked]
        if not uses:
            return
        self.page.head("Tapers: marks from the original thin end")
        self.page.say("Push the taper in until the mark meets the post's face; cut flush after tightening.")
        uses.sort(key=lambda use: (natural_key(use[2].lot), use[2].copy or 0, use[2].mark_mm or 0.0))
        rows = [
            (
                TICK,
                f"{piece.lot} no. {piece.copy}" if piece.copy else piece.lot,
                self._mark(piece.mark_mm) if piece.mark_mm is not None else "–",
                self._place(f"{post}/{pack.seat.value}"),
                self._thick(piece.thickness_mm),
                self._mark(piece.trim_tip_mm) if piece.trim_tip_mm > 0 else "–",
            )
            for post, pack, piece in uses
        ]
        heads = ("", "taper", "mark", "goes to", "thickness there", "cut off the tip")
        self._table(heads, (7.0, 28.0, 34.0, 0.0, 28.0, 34.0), rows)

    def _alternatives(self, plan: Mapping[str, Any]) -> None:
        """What answers that were not planned together would each take by itself: nothing to be cut from."""
        rows = plan.get("alternatives", ())
        if not rows:
            return
        self.page.head("Not planned together: alternatives, no cut sheet")
        self.page.say(
            "These answers were given one by one, so what they cut was not fitted together. Plan the run "
            f"for one sheet: shimfit plan {self.facts.job}/{self.facts.run}"
        )
        for row in rows:
            pieces = [self._taper_words(taper) for taper in row["tapers"]]
            pieces += [f"{len(cut['pieces'])} wedges from strip {cut['strip']}" for cut in row["cuts"]]
            self.page.say(f"Post {row['post']}: {'; '.join(pieces) or 'flats only'}", indent=3.0)

    def _taper_words(self, taper: Mapping[str, Any]) -> str:
        which = f"{taper['lot']} no. {taper['copy']}" if taper["copy"] else taper["lot"]
        tip = f", tip cut off {self._mark(taper['trim_tip_mm'])}" if taper["trim_tip_mm"] else ""
        return f"{which} to {self._mark(taper['mark_mm'])}{tip}"

    def _flats(self, packs: Sequence[tuple[str, Pack]]) -> None:
        groups: dict[tuple[str, float], list[str]] = {}
        for post, pack in packs:
            for piece in pack.pieces:
                if piece.is_whole:
                    place = f"{post}\u00a0{words.seat_name(pack.seat, self.facts.faces)}"
                    groups.setdefault((piece.lot, piece.thickness_mm), []).append(place)
        if not groups:
            return
        self.page.head("Flats to take")
        rows = [
            (TICK, lot, self._thick(thickness), str(len(places)), ", ".join(places))
            for (lot, thickness), places in groups.items()
        ]
        heads = ("", "lot", "thick", "pieces", "post and seat")
        self._table(heads, (7.0, 26.0, 20.0, 16.0, 0.0), rows, bold="lot")

    def _remainders(self, rows: Sequence[Mapping[str, Any]]) -> None:
        if not rows:
            return
        self.page.head("Back into the box")
        for row in rows:
            sizes = [
                f"{key.removesuffix('_mm').replace('_', ' ')} {say(float(value), self.facts.units)}"
                for key, value in row.items()
                if key.endswith("_mm") and value is not None
                for say in [shown.fine if key in ("length_mm", "width_mm") else shown.sized]
            ]
            what = remainder(row, lambda mm: shown.fine(mm, self.facts.units))
            count = row.get("count", 1)
            self.page.say(f"{TICK} {what}, {row['form']}, {count}×: {', '.join(sizes)}")
        self.page.say("Pencil that on; the box names each once its packs are logged (shimfit stock list).")

    def _table(
        self,
        heads: Sequence[str],
        widths: Sequence[float],
        rows: Sequence[Sequence[Cell]],
        bold: str = "mark",
    ) -> None:
        from shimfit.report.page import Column

        columns: list[Column] = [
            Column(head, wide, bold=head == bold) for head, wide in zip(heads, widths, strict=True)
        ]
        self.page.table(columns, rows)

    def _place(self, post_and_seat: str) -> str:
        post, _, seat = post_and_seat.rpartition("/")
        names = {face.value: name for face, name in self.facts.faces.items()}
        return f"post {post} {'-'.join(names.get(part, part) for part in seat.split('-'))}"

    def _mark(self, mm: float) -> str:
        return shown.mark(mm, self.facts.units, self.facts.graduation)

    def _thick(self, mm: float) -> str:
        return shown.plain(mm, self.facts.units, 2 if self.facts.units == "mm" else 3)


def _tips(packs: Sequence[tuple[str, Pack]]) -> dict[tuple[str, float], float]:
    """What is cut off the tip of each wedge: by its place, as the plan's cuts name it, and its thin edge."""
    return {
        (f"{post}/{pack.seat.value}", round(piece.wedge_mm[0], 6)): piece.trim_tip_mm
        for post, pack in packs
        for piece in pack.pieces
        if piece.wedge_mm is not None
    }


def _many(count: int, what: str) -> str:
    return f"{count} {what}{'' if count == 1 else 's'}"


def _gaps(marks: Sequence[float]) -> list[float]:
    return [b - a for a, b in zip([0.0, *marks], marks, strict=False)]


def _rots(packs: Sequence[tuple[str, Pack]], facts: SheetFacts) -> tuple[str, ...]:
    """What is said of the lots that these packs take, where one rots or creeps."""
    lots = {piece.lot for _, pack in packs for piece in pack.pieces}
    said = caution_of_material(facts.materials[lot] for lot in lots if lot in facts.materials)
    return () if said is None else (said,)


# ---------------------------------------------------------------- labels


def _draw_labels(page: Paper, facts: SheetFacts, packs: Sequence[tuple[str, Pack]]) -> None:
    """Labels to cut apart: post, seat, which way it goes in, thickness, pieces; cautions on every page."""
    from shimfit.report.page import Box

    warned = " ".join((*cautions_of("labels"), *_rots(packs, facts)))
    place = 0
    while place < len(packs):
        page.turn("" if place else "Pack labels")
        page.say(
            f"Cut apart and put with the packs; {facts.faces[Face.NEXT]} is to the right, "
            f"{facts.faces[Face.OUT]} is up. {warned}"
        )
        page.y += 1.5
        rows = int((page.floor - page.y) // _LABEL_TALL)
        tall = (page.floor - page.y) / rows
        wide = page.wide / _ACROSS
        for number, (post, pack) in enumerate(packs[place : place + rows * _ACROSS]):
            row, column = divmod(number, _ACROSS)
            box = Box(page.left + column * wide, page.y + row * tall, wide, tall)
            _draw_label(page.sheet, box, facts, post, pack)
        place += rows * _ACROSS


def _draw_label(sheet: Sheet, box: Box, facts: SheetFacts, post: str, pack: Pack) -> None:
    from shimfit.report import pictures
    from shimfit.report.page import FINE, ascent, leading

    for x0, y0, x1, y1 in (
        (box.x, box.y, box.right, box.y),
        (box.x, box.bottom, box.right, box.bottom),
        (box.x, box.y, box.x, box.bottom),
        (box.right, box.y, box.right, box.bottom),
    ):
        sheet.line(x0, y0, x1, y1, wide=0.1, ink=0.4, dash=1.5)
    side = 15.0
    foot = facts.feet.get(post, Foot(90.0, 90.0))
    cx, cy = box.right - side / 2 - 3.5, box.y + side / 2 + 3.5
    per_mm = side / max(foot.along_mm, foot.across_mm)
    pictures.draw_foot(sheet, (cx, cy), foot, per_mm)
    pictures.draw_pack(sheet, (cx, cy), foot, per_mm, pack)
    x, y = foot.seat_at_mm(pack.seat)
    sheet.arrow(cx, cy, cx + x * per_mm * 0.55, cy - y * per_mm * 0.55, wide=0.7, head=2.4)
    room, left, y = box.width - side - 8.0, box.x + 3.0, box.y + 2.0
    digits = 2 if facts.units == "mm" else 3
    made = f"{shown.plain(pack.made_mm, facts.units, digits)} {shown.unit(facts.units)}"
    # A name is set smaller before it is broken.
    for text, most in ((f"Post {post}", 14.0), (words.seat_name(pack.seat, facts.faces), 11.0), (made, 14.0)):
        wide = sheet.width(sheet.printable(text), most, bold=True)
        size = max(FINE, min(most, most * room / wide))
        for line in sheet.lines_of(text, size, room + 0.01, bold=True):
            sheet.text(left, y + ascent(size), line, size, bold=True)
            y += leading(size)
    pieces = [_piece_text(piece, facts) for piece in pack.pieces] or ["no pieces planned"]
    purpose = "lifts" if pack.purpose == "lift" else "only fills: push in until it touches"
    y = max(y + 0.6, box.y + side + 5.5)
    for line in sheet.lines_of(f"{purpose}; {' + '.join(pieces)}", FINE, box.width - 6.0):
        sheet.text(left, y + ascent(FINE), line, FINE)
        y += leading(FINE)


def _piece_text(piece: Piece, facts: SheetFacts) -> str:
    units, graduation = facts.units, facts.graduation
    digits = 2 if units == "mm" else 3
    tip = f", tip cut off {shown.mark(piece.trim_tip_mm, units, graduation)}" if piece.trim_tip_mm > 0 else ""
    if piece.wedge_mm is not None:
        thin, thick = (shown.plain(mm, units, digits) for mm in piece.wedge_mm)
        return f"{piece.lot} wedge {thin}–{thick}{tip}"
    which = f"{piece.lot} no. {piece.copy}" if piece.copy else piece.lot
    if piece.mark_mm is None:
        return f"{which} {shown.plain(piece.thickness_mm, units, digits)}"
    return f"{which} to mark {shown.mark(piece.mark_mm, units, graduation)}{tip}"
