"""What goes to the saw and the shop on paper: cut sheet, pack labels, rails, kit, make-up.

The cut sheet works on the plan's answer in the contract's form (`cuts`, `posts`, `remainders`, `unsolved`);
all its lengths are millimetres, `saw_deg` is what the saw is set to (half the wedge's angle), `mark_along_mm`
runs along the strip's centre line from its first end to the near side of the cut that ends the piece.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial
from itertools import pairwise
from typing import Any

from shimfit.codec import from_json
from shimfit.core.cautions import caution_of_material, cautions_of
from shimfit.core.stock import natural_key
from shimfit.model import Face, Pack, Piece, Seat
from shimfit.quantities import shown
from shimfit.report import pictures, words
from shimfit.report.page import FINE, HEAD, Box, Paper, Sheet
from shimfit.report.tables import TICK, Section, SheetFacts, columns
from shimfit.text.phrases import entering_face, in_order, piece_name, seat_name, sentence
from shimfit.text.plan_phrases import remainder

_STRIP_TALL = 11.0
_ACROSS, _LABEL_TALL, _LABEL_FOOT = 3, 33.0, 15.0
"""Labels beside each other, how high one is at least (mm): they fill the page; side of the foot on one."""


class _Sheet(Paper):
    """A paper for the workshop, under its run's name."""

    def __init__(self, sheet: Sheet, title: str, facts: SheetFacts) -> None:
        self.run, self.faces, self.units = facts.run, facts.run.faces, facts.run.units
        self.graduation = facts.graduation
        made = words.clock(facts.made, offset=True)
        name = f"{self.run.job} / {self.run.name}"
        foot = name + (f", as of {made}" if made else "")
        super().__init__(sheet, title, name + (" (SAMPLE)" if self.run.sample else ""), foot=foot)


def sheet_pdf(
    title: str, facts: SheetFacts, sections: Sequence[Section], *,
    lead: str, cautions: Sequence[str], paper: str = "a4",
) -> bytes:  # fmt: skip
    """Rails, kit or make-up on paper: what it comes to in a sentence, tables, cautions.

    Raises UsageError for a paper that is not known.
    """
    name = f"{title} {facts.run.job}/{facts.run.name}"
    with Sheet(paper, title=name, subject=title, made=facts.made) as sheet:
        page = _Sheet(sheet, title, facts)
        page.say(lead, HEAD, bold=True)
        for one in sections:
            page.section(one)
        if cautions:
            page.head("Cautions")
            page.listed(cautions)
        page.end_pages()
        return sheet.finished()


def cut_sheet_pdf(plan: Mapping[str, Any], facts: SheetFacts, *, paper: str = "a4") -> bytes:
    """Cut sheet, then the pack labels on pages of their own. Same plan, same bytes.

    Raises UsageError for a paper that is not known.
    """
    name = f"Cut sheet {facts.run.job}/{facts.run.name}"
    with Sheet(paper, title=name, subject="Cut sheet and pack labels", made=facts.made) as sheet:
        page = _CutSheet(sheet, plan, facts)
        page.draw()
        page.labels()
        page.end_pages()
        return sheet.finished()


class _CutSheet(_Sheet):
    """Draws one plan, from what there is to saw down to what goes back into the box."""

    def __init__(self, sheet: Sheet, plan: Mapping[str, Any], facts: SheetFacts) -> None:
        super().__init__(sheet, "Cut sheet", facts)
        self.plan = plan
        self.cuts: Sequence[Mapping[str, Any]] = plan.get("cuts", ())
        self.packs = [
            (str(post["id"]), pack)
            for post in plan["posts"]
            for pack in in_order(from_json(Pack, one) for one in post["packs"])
        ]
        taken = {piece.lot for _, pack in self.packs for piece in pack.pieces}
        rots = caution_of_material(lot.material for lot in facts.lots if lot.lot in taken and lot.material)
        self.rots = (rots,) if rots else ()
        """What is said of the lots that these packs take, where one rots or creeps."""

    def draw(self) -> None:
        """Draw the whole sheet."""
        self._summary()
        self.y += 1.0
        self.listed((*cautions_of("sawing" if self.cuts else "tips"), *self.rots))
        setting = None
        for cut in self.cuts:
            if cut["saw_deg"] != setting:
                setting = cut["saw_deg"]
                self.head(f"Set the saw to {shown.angle(setting)} (half the taper)", 12 + _STRIP_TALL + 16)
                self.say(
                    "Trim the first end at this angle, then turn the strip over after every cut. Marks run "
                    "along the strip's centre line from its first end to the near side of each cut."
                )
            self._strip(cut)
        self._alternatives()
        self._tapers()
        self._flats()
        self._remainders()

    def _summary(self) -> None:
        plan, cuts, posts = self.plan, self.cuts, self.plan["posts"]
        settings = list(dict.fromkeys(cut["saw_deg"] for cut in cuts))
        sawn = sum(len(cut["pieces"]) for cut in cuts)
        served = sum(bool(post["packs"]) for post in posts)
        at = f": {', '.join(map(shown.angle, settings))}" if settings else ""
        sawing = (
            f"To saw: {shown.counted(sawn, 'piece')} at {shown.counted(len(settings), 'saw setting')}{at}."
        )
        bare = len(posts) - served
        without = f"; {shown.counted(bare, 'post')} without" if bare else ""
        unit = "mm" if self.units == "mm" else "inches"  # `in` would be read as a preposition
        self.say(
            f"Packs: {len(self.packs)}, for {shown.counted(served, 'post')}{without}. "
            f"{sawing if sawn else 'No wedges to saw.'} All lengths in {unit}."
        )
        unsolved = [str(name) for name in plan.get("unsolved", ())]
        if unsolved:
            self.say(f"NOT SERVED from this box: post {', '.join(unsolved)}.", bold=True)
        for name, why in plan.get("why", {}).items():
            self.say(f"Post {name}: {sentence(str(why), self.faces, self.units)}", indent=3.0)
        for row in plan.get("unsawn", ()) if unsolved or cuts else ():
            self.say(f"Not sawn: strip {row['strip']}, {sentence(row['why'], self.faces, self.units)}.")

    def _strip(self, cut: Mapping[str, Any]) -> None:
        pieces = cut["pieces"]
        self.keep(8 + _STRIP_TALL + 6.0 + 8.0)
        self.y += 2.0
        left = shown.tape(cut["left_mm"], self.units, self.graduation)
        which = piece_name(cut["strip"], cut.get("copy"))
        self.say(f"Strip {which}: {shown.counted(len(pieces), 'piece')}, {left} left over", bold=True)
        marks = [0.0, *(float(piece["mark_along_mm"]) for piece in pieces)]
        self._strip_picture(marks, float(cut["left_mm"]))
        # What is cut off the tip of each wedge: by its place, as the plan's cuts name it, and its thin edge.
        tips = {
            (f"{post}/{pack.seat.value}", round(piece.wedge_mm[0], 6)): piece.trim_tip_mm
            for post, pack in self.packs
            for piece in pack.pieces
            if piece.wedge_mm is not None
        }
        rows = []
        for number, (piece, (last, at)) in enumerate(zip(pieces, pairwise(marks), strict=True), 1):
            thin, thick = (words.thick(piece[key], self.units) for key in ("thin_mm", "thick_mm"))
            place, tip = self._place(piece["for"]), tips.get((piece["for"], round(piece["thin_mm"], 6)), 0.0)
            # In mm these add up to the wedges' thicknesses, and are as fine as they.
            set_to = self._mark if self.units == "inch" else partial(words.thick, units="mm")
            marked = set_to(at), set_to(at - last)
            rows.append((TICK, str(number), *marked, place, thin, thick, self._tip(tip) or "–"))
        heads = "", "cut", "mark", "from the last", "goes to", "thin", "thick", "cut off the tip"
        self.table(columns(*heads, bold="mark"), rows)

    def _strip_picture(self, marks: Sequence[float], left_mm: float) -> None:
        """The strip to scale along its length, cuts leaning one way and the other (not to scale)."""
        last_mm = marks[-1]
        if last_mm <= 0:
            return
        # Small wedges on a long strip: the sawn part is drawn larger and the rest broken off.
        per_mm = min(max(self.wide / (last_mm + left_mm), 0.74 * self.wide / last_mm), 7.0)
        broken = left_mm * per_mm > self.wide - last_mm * per_mm + 1e-6
        sheet, box = self.sheet, Box(self.left, self.y + 0.8, self.wide, _STRIP_TALL - 4.0)
        sheet.rect(box, wide=0.3)
        slant = min(1.2, *(0.25 * (at - last) * per_mm for last, at in pairwise(marks)))
        number_y, said_to = box.y + box.height / 2 + 0.9, box.x
        for i, (last, at) in enumerate(pairwise(marks)):
            x, side = box.x + at * per_mm, slant if i % 2 else -slant
            sheet.line(x - side, box.y, x + side, box.bottom, wide=0.35)
            middle, half = box.x + (last + at) / 2 * per_mm, sheet.width(str(i + 1), FINE) / 2
            if middle - half > said_to:  # a number that has no room between its cuts is in the table
                sheet.text(middle, number_y, str(i + 1), FINE, align="centre")
                said_to = middle + half + 0.8
        end = box.x + last_mm * per_mm
        if box.right - end > 34:
            sheet.text(box.right - 1.5, number_y, "left over: hold here", FINE, align="right")
        if broken:  # two slanting lines with nothing between them
            x, upper, lower = end + min(6.0, 0.3 * (box.right - end)), box.y - 0.6, box.bottom + 0.6
            corners = [(x, upper), (x + 1.5, upper), (x + 0.5, lower), (x - 1, lower)]
            sheet.polygon(corners, wide=0, fill=1.0)
            sheet.line(*corners[0], *corners[3], wide=0.25)
            sheet.line(*corners[1], *corners[2], wide=0.25)
        sheet.text(box.x, box.bottom + 2.9, "first end", FINE)
        self.y += _STRIP_TALL + 1.4

    def _tapers(self) -> None:
        alone = {row["post"] for row in self.plan.get("alternatives", ())}
        uses = [
            (piece, self._place(f"{post}/{pack.seat.value}"))
            for post, pack in self.packs
            for piece in pack.pieces
            if piece.is_marked and post not in alone
        ]
        uses.sort(key=lambda use: (natural_key(use[0].lot), use[0].copy or 0, use[0].mark_mm or 0.0))
        rows = [
            (
                *(TICK, piece_name(piece.lot, piece.copy), self._mark(piece.mark_mm or 0.0), place),
                *(words.thick(piece.thickness_mm, self.units), self._tip(piece.trim_tip_mm) or "–"),
            )
            for piece, place in uses
        ]
        heads = columns("", "taper", "mark", "goes to", "thickness there", "cut off the tip", bold="mark")
        lead = "Push the taper in until the mark meets the post's face; cut flush after tightening."
        self.section(Section("Tapers: marks from the original thin end", heads, rows, lead))

    def _alternatives(self) -> None:
        """What answers that were not planned together would each take by itself: nothing to be cut from."""
        rows = self.plan.get("alternatives", ())
        if not rows:
            return
        self.head("Not planned together: alternatives, no cut sheet")
        self.say(
            "These answers were given one by one, so what they cut was not fitted together. Plan the run "
            f"for one sheet: shimfit plan {self.run.job}/{self.run.name}"
        )
        for row in rows:
            pieces = [
                f"{piece_name(one['lot'], one['copy'])} to {self._mark(one['mark_mm'])}"
                + self._tip_words(one["trim_tip_mm"] or 0.0)
                for one in row["tapers"]
            ]
            pieces += [f"{len(cut['pieces'])} wedges from strip {cut['strip']}" for cut in row["cuts"]]
            self.say(f"Post {row['post']}: {'; '.join(pieces) or 'flats only'}", indent=3.0)

    def _flats(self) -> None:
        groups: dict[tuple[str, float], list[str]] = {}
        for post, pack in self.packs:
            for piece in pack.pieces:
                if piece.is_whole:
                    place = f"{post}\u00a0{seat_name(pack.seat, self.faces)}"
                    groups.setdefault((piece.lot, piece.thickness_mm), []).append(place)
        rows = [
            (TICK, lot, words.thick(thickness, self.units), str(len(places)), ", ".join(places))
            for (lot, thickness), places in groups.items()
        ]
        heads = columns("", "lot", "thick", "pieces", "post and seat", bold="lot")
        self.section(Section("Flats to take", heads, rows))

    def _remainders(self) -> None:
        rows, units = self.plan.get("remainders", ()), self.units
        if not rows:
            return
        self.head("Back into the box")
        measured = partial(shown.tape, units=units, graduation=self.graduation)
        caliper = partial(shown.sized, units=units)
        for row in rows:
            sizes = [
                f"{key.removesuffix('_mm').replace('_', ' ')} {say(float(value))}"
                for key, value in row.items()
                if key.endswith("_mm") and value is not None
                for say in [measured if key in ("length_mm", "width_mm") else caliper]
            ]
            what = remainder(row, measured)
            self.say(f"{TICK} {what}, {row['form']}, {row.get('count', 1)}×: {', '.join(sizes)}")
        self.say(
            "Pencil that on each; the box gives it a name once its packs are logged (shimfit stock list)."
        )

    def _place(self, post_and_seat: str) -> str:
        post, _, seat = post_and_seat.rpartition("/")
        return f"post {post} {seat_name(Seat(seat), self.faces)}"

    def _mark(self, mm: float) -> str:
        return shown.mark(mm, self.units, self.graduation)

    def _tip(self, mm: float) -> str:
        """How much is cut off a tip; empty for less than the tape shows."""
        shows = shown.figure(mm, self.units, self.graduation)[0] != "0"
        return self._mark(mm) if shows else ""

    def _tip_words(self, mm: float) -> str:
        return f", tip cut off {tip}" if (tip := self._tip(mm)) else ""

    # ------------------------------------------------------------ labels

    def labels(self) -> None:
        """Labels to cut apart, on pages of their own with the cautions on each."""
        warned, faces = " ".join((*cautions_of("labels"), *self.rots)), self.faces
        place = 0
        while place < len(self.packs):
            self.turn("" if place else "Pack labels")
            self.say(
                f"Cut apart and put with the packs; {faces[Face.NEXT]} is to the right, "
                f"{faces[Face.OUT]} is up. {warned}"
            )
            self.y += 1.5
            rows = int((self.floor - self.y) // _LABEL_TALL)
            tall, wide = (self.floor - self.y) / rows, self.wide / _ACROSS
            for number, (post, pack) in enumerate(self.packs[place : place + rows * _ACROSS]):
                row, column = divmod(number, _ACROSS)
                self._label(Box(self.left + column * wide, self.y + row * tall, wide, tall), post, pack)
            place += rows * _ACROSS

    def _label(self, box: Box, post: str, pack: Pack) -> None:
        """Post, seat, thickness, which way it goes in on a small plan, pieces."""
        sheet = self.sheet
        corners = (box.x, box.y), (box.right, box.y), (box.right, box.bottom), (box.x, box.bottom)
        for start, end in pairwise((*corners, corners[0])):
            sheet.line(*start, *end, wide=0.1, ink=0.4, dash=1.5)
        of_run = self.run.post(post)
        foot = self.run.foot if of_run is None else of_run.foot
        cx, cy = box.right - _LABEL_FOOT / 2 - 3.5, box.y + _LABEL_FOOT / 2 + 3.5
        per_mm = _LABEL_FOOT / max(foot.along_mm, foot.across_mm)
        pictures.draw_foot(sheet, (cx, cy), foot, per_mm)
        answer = None if of_run is None else of_run.answer
        face = entering_face(pack, None if answer is None else answer.lean)
        pictures.draw_pack(sheet, (cx, cy), foot, per_mm, pack, face=face)
        x, y = foot.seat_at_mm(pack.seat)
        sheet.arrow(cx, cy, cx + x * per_mm * 0.55, cy - y * per_mm * 0.55, wide=0.7, head=2.4)
        room, left, y = box.width - _LABEL_FOOT - 8.0, box.x + 3.0, box.y + 2.0
        made = f"{words.thick(pack.made_mm, self.units)} {shown.unit(self.units)}"
        for text, most in (
            (f"Post {post}", 14.0), (seat_name(pack.seat, self.faces), 11.0), (made, 14.0)
        ):  # fmt: skip
            # A name is set smaller before it is broken.
            wide = sheet.width(sheet.printable(text), most, bold=True)
            size = max(FINE, min(most, most * room / wide))
            y = sheet.write(left, y, text, size, room + 0.01, bold=True)
        pieces = " + ".join(map(self._piece, pack.pieces)) or "no pieces planned"
        if pack.inside_mm is not None or pack.seat.is_corner:
            far = "" if pack.inside_mm is None else f"{shown.inside(pack.inside_mm, self.units)} "
            pieces += f", {far}in from {self.faces[face]}"
        purpose = "lifts" if pack.purpose == "lift" else "only fills: push in until it touches"
        y = max(y + 0.6, box.y + _LABEL_FOOT + 5.5)
        sheet.write(left, y, f"{purpose}; {pieces}", FINE, box.width - 6.0)

    def _piece(self, piece: Piece) -> str:
        tip, units = self._tip_words(piece.trim_tip_mm), self.units
        if piece.wedge_mm is not None:
            thin, thick = (words.thick(mm, units) for mm in piece.wedge_mm)
            return f"{piece.lot} wedge {thin}–{thick}{tip}"
        which = piece_name(piece.lot, piece.copy)
        if piece.mark_mm is None:
            return f"{which} {words.thick(piece.thickness_mm, units)}"
        return f"{which} to mark {self._mark(piece.mark_mm)}{tip}"
