"""The cut sheet: per strip the saw's setting and marks in cutting order, tapers, flats, remainders."""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING, Any

from shimfit.core.cautions import cautions_of
from shimfit.core.stock import natural_key
from shimfit.model import Face
from shimfit.report import words
from shimfit.report.pdf.page import Box, ascent, leading
from shimfit.text.plan_phrases import remainder

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from shimfit.model import Pack
    from shimfit.report.pdf.page import Sheet
    from shimfit.report.sheets import SheetFacts

MARGIN = 12.0
HEAD, BODY, FINE = 10.0, 8.0, 6.6
_STRIP_TALL = 11.0
_TICK = "☐"


class CutSheet:
    """Draws from top to bottom and turns the page when the next thing has no room."""

    def __init__(self, sheet: Sheet, facts: SheetFacts) -> None:
        self.sheet = sheet
        self.facts = facts
        self.unit = words.unit(facts.units)
        self.wide = sheet.paper.width_mm - 2 * MARGIN
        self.floor = sheet.paper.height_mm - 14.0
        self.y = 0.0

    def draw(self, plan: Mapping[str, Any], packs: Sequence[tuple[str, Pack]]) -> None:
        """Draw the whole sheet, from what there is to saw down to what goes back into the box."""
        self._turn()
        self._summary(plan, packs)
        self._cautions(bool(plan.get("cuts")))
        self._cuts(plan.get("cuts", ()))
        self._alternatives(plan)
        alone = {row["post"] for row in plan.get("alternatives", ())}
        self._tapers([(post, pack) for post, pack in packs if post not in alone])
        self._flats(packs)
        self._remainders(plan.get("remainders", ()))

    def footers(self) -> None:
        """Page numbers, when every page is there."""
        sheet, total = self.sheet, self.sheet.pages
        y = sheet.paper.height_mm - 6.0
        made = words.clock(self.facts.made, offset=True)
        for page in range(1, total + 1):
            sheet.turn_to(page)
            said = f"{self.facts.job} / {self.facts.run}" + (f", planned {made}" if made else "")
            sheet.text(MARGIN, y, said, FINE, room=self.wide - 30)
            sheet.text(MARGIN + self.wide, y, f"page {page} of {total}", FINE, align="right")

    # ------------------------------------------------------------ parts of the page

    def _turn(self) -> None:
        sheet, facts = self.sheet, self.facts
        first = sheet.pages == 0
        sheet.new_page()
        size = 14.0 if first else 10.0
        self.y = 10.0 + size * 0.31
        title = "Cut sheet" + ("" if first else ", continued")
        sheet.text(MARGIN, self.y, title, size, bold=True)
        name = f"{facts.job} / {facts.run}" + (" (SAMPLE)" if facts.sample else "")
        room = self.wide - sheet.width(title, size, bold=True) - 8
        sheet.text(MARGIN + self.wide, self.y, name, size, bold=True, align="right", room=room)
        self.y += 2.0
        sheet.line(MARGIN, self.y, MARGIN + self.wide, self.y, wide=0.5)
        self.y += 2.0

    def _keep(self, height: float) -> None:
        if self.y + height > self.floor:
            self._turn()

    def _say(self, text: str, size: float = BODY, *, bold: bool = False, indent: float = 0.0) -> None:
        for line in self.sheet.lines_of(text, size, self.wide - indent, bold=bold):
            self._keep(leading(size))
            self.sheet.text(MARGIN + indent, self.y + ascent(size), line, size, bold=bold)
            self.y += leading(size)

    def _title(self, text: str, room_below: float = 12.0) -> None:
        self._keep(room_below + 6.0)
        self.y += 2.0
        self._say(text, HEAD, bold=True)
        self.y += 0.8

    def _summary(self, plan: Mapping[str, Any], packs: Sequence[tuple[str, Pack]]) -> None:
        cuts = plan.get("cuts", ())
        posts = plan["posts"]
        settings = list(dict.fromkeys(cut["saw_deg"] for cut in cuts))
        sawn = sum(len(cut["pieces"]) for cut in cuts)
        served = sum(bool(post["packs"]) for post in posts)
        sawing = f"To saw: {sawn} pieces at {len(settings)} saw settings{_listed(settings)}."
        self._say(
            f"Packs: {len(packs)}, for {served} posts; {len(posts) - served} stand without. "
            f"{sawing if sawn else 'Nothing to saw.'} All lengths in {words.unit_name(self.facts.units)}."
        )
        unsolved = [str(name) for name in plan.get("unsolved", ())]
        if unsolved:
            self._say(f"NOT SERVED from this box: post {', '.join(unsolved)}.", bold=True)
        for name, why in plan.get("why", {}).items():
            self._say(f"Post {name}: {why}", FINE, indent=3.0)
        for row in plan.get("unsawn", ()) if unsolved or cuts else ():
            self._say(f"Not sawn: strip {row['strip']}, {row['why']}.", FINE)

    def _cautions(self, sawing: bool) -> None:
        self.y += 1.0
        for text in cautions_of("sawing" if sawing else "tips"):
            self._say("• " + text, FINE)

    def _cuts(self, cuts: Sequence[Mapping[str, Any]]) -> None:
        setting = None
        for cut in cuts:
            if cut["saw_deg"] != setting:
                setting = cut["saw_deg"]
                self._title(f"Set the saw to {setting:.2f}° (half the taper)", 12 + _STRIP_TALL + 16)
                self._say(
                    "Trim the first end at this angle, then turn the strip over after every cut. Marks run "
                    "along the strip's centre line from its first end to the near side of each cut.",
                    FINE,
                )
            self._strip(cut)

    def _strip(self, cut: Mapping[str, Any]) -> None:
        pieces = cut["pieces"]
        self._keep(8 + _STRIP_TALL + 6.0 + 4.6)
        self.y += 2.0
        left = words.length(cut["left_mm"], self.facts.units)
        self._say(f"Strip {cut['strip']}: {len(pieces)} pieces, {left} {self.unit} left over", bold=True)
        self._strip_picture(cut)
        columns = (
            ("", 7.0),
            ("cut", 10.0),
            ("mark", 34.0),
            ("from the last", 34.0),
            ("goes to", 48.0),
            ("thin", 20.0),
            ("thick", 20.0),
        )
        rows, before = [], 0.0
        for number, piece in enumerate(pieces, 1):
            at = piece["mark_along_mm"]
            rows.append(
                (
                    _TICK,
                    str(number),
                    self._mark(at),
                    self._mark(at - before),
                    self._place(piece["for"]),
                    self._thick(piece["thin_mm"]),
                    self._thick(piece["thick_mm"]),
                )
            )
            before = at
        self._table(columns, rows)

    def _strip_picture(self, cut: Mapping[str, Any]) -> None:
        """The strip to scale along its length, cuts leaning one way and the other (not to scale)."""
        sheet, pieces = self.sheet, cut["pieces"]
        marks = [float(piece["mark_along_mm"]) for piece in pieces]
        if not marks or marks[-1] <= 0:
            return
        # Small wedges on a long strip: the sawn part is drawn larger and the rest broken off.
        left_mm = float(cut["left_mm"])
        per_mm = min(max(self.wide / (marks[-1] + left_mm), 0.74 * self.wide / marks[-1]), 7.0)
        broken = left_mm * per_mm > self.wide - marks[-1] * per_mm + 1e-6
        tall = _STRIP_TALL - 4.0
        box = Box(MARGIN, self.y + 0.8, self.wide, tall)
        sheet.rect(box, wide=0.3)
        slant = min(1.2, *(0.25 * gap * per_mm for gap in _gaps(marks)))
        before = 0.0
        for i, at in enumerate(marks):
            x = box.x + at * per_mm
            side = slant if i % 2 else -slant
            sheet.line(x - side, box.y, x + side, box.bottom, wide=0.35)
            middle = box.x + (before + at) / 2 * per_mm
            sheet.text(
                middle,
                box.y + tall / 2 + 0.9,
                str(i + 1),
                FINE,
                align="centre",
                room=(at - before) * per_mm * 0.8,
            )
            before = at
        end = box.x + before * per_mm
        if box.right - end > 34:
            y = box.y + tall / 2 + 0.9
            sheet.text(box.right - 1.5, y, "left over: hold here", FINE, align="right", ink=0.35)
        if broken:
            self._break(box, end + min(6.0, 0.3 * (box.right - end)))
        sheet.text(box.x, box.bottom + 2.6, "first end", FINE)
        self.y += _STRIP_TALL + 1.0

    def _break(self, box: Box, x: float) -> None:
        """Two slanting lines with nothing between them: some of the strip is not drawn."""
        corners = [
            (x, box.y - 0.6),
            (x + 1.5, box.y - 0.6),
            (x + 0.5, box.bottom + 0.6),
            (x - 1, box.bottom + 0.6),
        ]
        self.sheet.polygon(corners, wide=0, fill=1.0)
        self.sheet.line(*corners[0], *corners[3], wide=0.25)
        self.sheet.line(*corners[1], *corners[2], wide=0.25)

    def _tapers(self, packs: Sequence[tuple[str, Pack]]) -> None:
        uses = [(post, pack, piece) for post, pack in packs for piece in pack.pieces if piece.form == "taper"]
        if not uses:
            return
        self._title("Tapers: marks from the original thin end")
        self._say("Push the taper in until the mark meets the post's face; cut flush after tightening.", FINE)
        uses.sort(key=lambda use: (natural_key(use[2].lot), use[2].copy or 0, use[2].mark_mm or 0.0))
        rows = [
            (
                _TICK,
                f"{piece.lot} no. {piece.copy}" if piece.copy else piece.lot,
                self._mark(piece.mark_mm) if piece.mark_mm is not None else "–",
                self._place(f"{post}/{pack.seat.value}"),
                self._thick(piece.thickness_mm),
                self._mark(piece.trim_tip_mm) if piece.trim_tip_mm > 0 else "–",
            )
            for post, pack, piece in uses
        ]
        heads = ("", "taper", "mark", "goes to", "thickness there", "trim off the tip")
        self._table(tuple(zip(heads, (7.0, 30.0, 34.0, 48.0, 28.0, 34.0), strict=True)), rows)

    def _alternatives(self, plan: Mapping[str, Any]) -> None:
        """What answers that were not planned together would each take by itself: nothing to be cut from."""
        rows = plan.get("alternatives", ())
        if not rows:
            return
        self._title("Not planned together: alternatives, no cut sheet")
        self._say(
            "These answers were given one by one, so what they cut was not fitted together. Plan the run "
            f"for one sheet: shimfit plan {self.facts.job}/{self.facts.run}"
        )
        for row in rows:
            pieces = [self._taper_words(taper) for taper in row["tapers"]]
            pieces += [f"{len(cut['pieces'])} wedges from strip {cut['strip']}" for cut in row["cuts"]]
            self._say(f"Post {row['post']}: {'; '.join(pieces) or 'flats only'}", indent=3.0)

    def _taper_words(self, taper: Mapping[str, Any]) -> str:
        which = f"{taper['lot']} no. {taper['copy']}" if taper["copy"] else taper["lot"]
        tip = f", tip cut off {self._mark(taper['trim_tip_mm'])}" if taper["trim_tip_mm"] else ""
        return f"{which} to {self._mark(taper['mark_mm'])}{tip}"

    def _flats(self, packs: Sequence[tuple[str, Pack]]) -> None:
        groups: defaultdict[tuple[str, float], list[str]] = defaultdict(list)
        for post, pack in packs:
            for piece in pack.pieces:
                if piece.form == "flat":
                    place = f"{post} {words.seat_name(pack.seat, dict(self.facts.faces))}"
                    groups[piece.lot, piece.thickness_mm].append(place)
        if not groups:
            return
        self._title("Flats to take")
        columns = (
            ("", 7.0),
            ("lot", 26.0),
            ("thick", 20.0),
            ("pieces", 16.0),
            ("post and seat", self.wide - 69.0),
        )
        rows = [
            (_TICK, lot, self._thick(thickness), str(len(places)), ", ".join(places))
            for (lot, thickness), places in groups.items()
        ]
        self._table(columns, rows)

    def _remainders(self, rows: Sequence[Mapping[str, Any]]) -> None:
        if not rows:
            return
        self._title("Back into the box")
        for row in rows:
            sizes = [
                f"{key.removesuffix('_mm').replace('_', ' ')} {words.length(float(value), self.facts.units)}"
                for key, value in row.items()
                if key.endswith("_mm") and value is not None
            ]
            what = remainder(row, lambda mm: f"{words.length(mm, self.facts.units)} {self.unit}")
            count = row.get("count", 1)
            self._say(f"{_TICK} {what}, {row['form']}, {count}×: {', '.join(sizes)} {self.unit}", BODY)
        self._say("Pencil that on; the box names each once its packs are logged (shimfit stock list).", FINE)

    def _table(self, columns: Sequence[tuple[str, float]], rows: Sequence[Sequence[str]]) -> None:
        sheet, step = self.sheet, leading(BODY) + 0.9

        def head() -> None:
            x = MARGIN
            for name, width in columns:
                sheet.text(x, self.y + ascent(FINE), name, FINE, ink=0.25)
                x += width
            self.y += leading(FINE) + 0.3
            sheet.line(MARGIN, self.y, MARGIN + self.wide, self.y, wide=0.2)
            self.y += 0.6

        self._keep(step * 2 + 4)
        head()
        for row in rows:
            cells = [
                sheet.lines_of(text, BODY, width - 1.0) or [""]
                for text, (_, width) in zip(row, columns, strict=True)
            ]
            lines = max(len(cell) for cell in cells)
            if self.y + lines * step > self.floor:
                self._turn()
                head()
            x = MARGIN
            for column, (cell, (_, width)) in enumerate(zip(cells, columns, strict=True)):
                for i, line in enumerate(cell):
                    bold = columns[column][0] == "mark"
                    sheet.text(x, self.y + ascent(BODY) + i * leading(BODY), line, BODY, bold=bold)
                x += width
            self.y += (lines - 1) * leading(BODY) + step
            sheet.line(MARGIN, self.y - 0.5, MARGIN + self.wide, self.y - 0.5, wide=0.08, ink=0.5)

    def _place(self, post_and_seat: str) -> str:
        post, _, seat = post_and_seat.rpartition("/")
        return f"post {post} {_seat_text(seat, self.facts.faces)}"

    def _mark(self, mm: float) -> str:
        return words.mark(mm, self.facts.units, self.facts.graduation)

    def _thick(self, mm: float) -> str:
        return words.length(mm, self.facts.units, 2 if self.facts.units == "mm" else 3)


def _seat_text(seat: str, faces: Mapping[Face, str]) -> str:
    return "-".join(faces.get(Face(part), part) if part in set(Face) else part for part in seat.split("-"))


def _listed(settings: Sequence[float]) -> str:
    return ": " + ", ".join(f"{deg:.2f}°" for deg in settings) if settings else ""


def _gaps(marks: Sequence[float]) -> list[float]:
    return [b - a for a, b in zip([0.0, *marks], marks, strict=False)]
