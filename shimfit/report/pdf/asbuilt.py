"""The as-built plumb record on paper: one page for a run of 20 posts, as many as it takes for more.

Order of what is drawn: what the record is about · pictures of the posts on this page · one row a post ·
notes · figures and cautions · signatures · the event log's hash and how to check it.
"""

from __future__ import annotations

import json
import math
from collections import defaultdict
from typing import TYPE_CHECKING

from shimfit.core.cautions import cautions_of
from shimfit.model import Face
from shimfit.report import words
from shimfit.report.due import read_again_lines
from shimfit.report.pdf import charts, pictures
from shimfit.report.pdf.page import Box, Sheet, ascent, leading, paper_named
from shimfit.report.pdf.table import FINE, HEAD_MM, PostTable, Row
from shimfit.report.record import all_readings_lines, notes_of, record_csv, record_json, result_words
from shimfit.report.statistics import statistics, statistics_lines

if TYPE_CHECKING:
    from shimfit.report.record import RunRecord
    from shimfit.standing import PostRecord

MARGIN = 10.0
FACTS = 6.8
_TOP, _FOOT = 9.0, 8.0
_BAND_FIRST, _BAND_LATER = 36.5, 27.0
_SIGNATURES = 13.0
_CHART, _CHART_LEAST = 17.0, 12.0


def record_pdf(record: RunRecord, paper: str = "a4", *, all_readings: bool = False) -> bytes:
    """The record as PDF, with its CSV and JSON attached. Same record, same bytes.

    `paper` is a4 or letter; raises UsageError for another. `all_readings`: also every reading, in a list.
    """
    title = f"As-built plumb record {record.job}/{record.run}"
    subject = f"Event log {record.log.events} events, hash {record.log.hash}"
    with Sheet(paper_named(paper), title=title, subject=subject, made=record.made) as sheet:
        _Document(sheet, record, all_readings=all_readings).draw()
        sheet.attach("record.csv", record_csv(record).encode(), "text/csv")
        data = json.dumps(record_json(record), ensure_ascii=False, allow_nan=False)
        sheet.attach("record.json", data.encode(), "application/json")
        return sheet.finished()


class _Document:
    """Draws from top to bottom and turns the page when the next thing has no room."""

    def __init__(self, sheet: Sheet, record: RunRecord, *, all_readings: bool) -> None:
        self.sheet = sheet
        self.all_readings = all_readings
        self.record = record
        self.left = MARGIN
        self.wide = sheet.paper.width_mm - 2 * MARGIN
        self.floor = sheet.paper.height_mm - _FOOT - 2.0
        self.y = 0.0
        self.unit = words.unit(record.units)
        self.table = PostTable(sheet, record, self.left, self.wide)

    def draw(self) -> None:
        rows = self.table.rows()
        self._heading()
        self._facts()
        while rows:
            rows = self._table_page(rows)
            if rows:
                self._turn()
        self._notes()
        self._read_again()
        if self.all_readings:
            self._list("All readings, as typed", all_readings_lines(self.record))
        self._figures_and_cautions()
        self._charts()
        self._signatures()
        self._log()
        self._footers()

    # ------------------------------------------------------------ page by page

    def _turn(self) -> None:
        self._heading()

    def _keep(self, height: float) -> None:
        """Turn the page when `height` mm have no room on this one."""
        if self.y + height > self.floor:
            self._turn()

    def _heading(self) -> None:
        sheet, record = self.sheet, self.record
        first = sheet.pages == 0
        sheet.new_page()
        size = 13.0 if first else 9.0
        self.y = _TOP
        baseline = self.y + ascent(size)
        title = "As-built plumb record" + ("" if first else ", continued")
        sheet.text(self.left, baseline, title, size, bold=True)
        name = f"{record.job} / {record.run}"
        room = self.wide - sheet.width(title, size, bold=True) - 8
        sheet.text(self.left + self.wide, baseline, name, size, bold=True, align="right", room=room)
        self.y += leading(size) + 0.6
        if record.sample:
            sheet.text(
                self.left,
                self.y + ascent(FACTS),
                "SAMPLE: invented data, not a record of anything built.",
                FACTS,
                bold=True,
            )
            self.y += leading(FACTS)
        sheet.line(self.left, self.y, self.left + self.wide, self.y, wide=0.5)
        self.y += 1.2

    def _facts(self) -> None:
        """What was judged and by what, in two columns."""
        record = self.record
        digits = 0 if record.units == "mm" else 2
        height = words.length(record.height_mm, record.units, digits)
        left = [
            ("Result", result_words(record)),
            (
                "Posts",
                f"foot {words.foot(record.foot, record.units)}, read at {height} {self.unit} above the foot"
                + self._others(),
            ),
            ("Tolerance", words.tolerance(record.tolerance, record.height_mm, record.units)),
            ("Its source", record.tolerance.source),
            ("Rule", record.rule),
            (
                "Figures",
                f"{words.unit_name(record.units)}, top over foot; ± is the expanded uncertainty "
                "U (k\u00a0=\u00a02)" + (f"; times {self.table.offset}" if self.table.offset else ""),
            ),
        ]
        right = [("Instruments" if i == 0 else "", text) for i, text in enumerate(words.instruments(record))]
        half = self.wide * 0.57
        below = max(
            self._fact_column(self.left, half - 4, left),
            self._fact_column(self.left + half, self.wide - half, right),
        )
        self.y = below + 1.0

    def _others(self) -> str:
        """Posts whose foot or reading height is not the run's, in words."""
        record = self.record
        groups: defaultdict[str, list[str]] = defaultdict(list)
        for post in record.posts:
            told = [] if post.foot == record.foot else [words.foot(post.foot, record.units)]
            if post.height_mm != record.height_mm:
                told.append(f"at {words.length(post.height_mm, record.units)} {self.unit}")
            if told:
                groups[" ".join(told)].append(post.name)
        return "".join(f"; post {', '.join(names)}: {what}" for what, names in groups.items())

    def _fact_column(self, x: float, wide: float, facts: list[tuple[str, str]]) -> float:
        y, label = self.y, 17.0
        for name, text in facts:
            self.sheet.text(x, y + ascent(FACTS), name, FACTS, bold=True)
            bold = name == "Result"
            y = self.sheet.paragraph(x + label, y, text, FACTS, wide - label, bold=bold) + 0.25
        return y

    # ------------------------------------------------------------ pictures and table

    def _table_page(self, rows: list[Row]) -> list[Row]:
        """Pictures and rows of as many posts as this page holds; gives the posts that are left."""
        first = self.sheet.pages == 1
        band = _BAND_FIRST if first else _BAND_LATER
        room = self.floor - self.y - band - HEAD_MM
        here = 0
        for row in rows:
            room -= row.height
            if room < 0 and here:
                break
            here += 1
        self._band([row.post for row in rows[:here]], band, plan=first)
        self.y = self.table.draw_head(self.y)
        for row in rows[:here]:
            self.y = self.table.draw_row(row, self.y)
        self.y += 1.5
        return rows[here:]

    def _band(self, posts: list[PostRecord], height: float, *, plan: bool) -> None:
        sheet, record = self.sheet, self.record
        beside = 50.0 if plan else 0.0
        wide = self.wide - beside
        post_mm = 12.0 if plan else 8.0
        elevation = Box(self.left, self.y + 0.5, wide, post_mm + 4.0)
        scale = pictures.run_scale(posts, elevation, post_mm)
        pictures.elevation(sheet, elevation, posts, scale)
        tops = Box(self.left, elevation.bottom + 0.8, wide, 9.4)
        pictures.targets(sheet, tops, posts, scale)
        caption = self._caption(scale.per_mm, scale.per_mm * record.height_mm / post_mm, brief=not plan)
        sheet.paragraph(self.left, tops.bottom + 0.6, caption, pictures.SMALL, wide - 3)
        if plan:
            example = _example(record)
            box = Box(self.left + wide + 2, self.y - 0.5, beside - 2, height - 9.5)
            pictures.post_plan(sheet, box, record, example)
            sheet.paragraph(
                box.x, box.bottom + 0.8, pictures.plan_caption(record, example), pictures.SMALL, box.width
            )
        self.y += height

    def _caption(self, per_mm: float, steeper: float, *, brief: bool) -> str:
        scale = f"1 {self.unit} of lean drawn {per_mm:g} {self.unit}, {steeper:.3g} times steeper than it is"
        if brief:
            return f"Drawn as on page 1; {scale}."
        faces = self.record.faces
        return (
            f"Above: from the {faces[Face.HOUSE]} side, {faces[Face.NEXT]} to the right; dashed before "
            f"packing, solid as built, ticks allowed; {scale}. Below: tops from above, {faces[Face.OUT]} up; "
            "outline allowed, ● plumb, × out, ○ undecided, thin line where it came from (cut short outside)."
        )

    # ------------------------------------------------------------ closing

    def _notes(self) -> None:
        faces = self.record.faces
        said = [
            (
                post.name,
                " · ".join(
                    [*notes_of(post, faces, self.record.units), *(f"photo {name}" for name in post.photos)]
                ),
            )
            for post in self.record.posts
        ]
        self._list("Notes and photos", [f"Post {name}: {text}" for name, text in said if text])

    def _read_again(self) -> None:
        self._list(f"Read again after handing over ({self.unit})", read_again_lines(self.record))

    def _list(self, title: str, texts: list[str]) -> None:
        """A heading and paragraphs that may go on over pages; nothing when there are none."""
        if not texts:
            return
        self._keep(leading(FACTS) * 2)
        self._title(title)
        for text in texts:
            for line in self.sheet.lines_of(text, FACTS, self.wide):
                self._keep(leading(FACTS))
                self.sheet.text(self.left, self.y + ascent(FACTS), line, FACTS)
                self.y += leading(FACTS)
        self.y += 1.0

    def _figures_and_cautions(self) -> None:
        figures = statistics(self.record)
        gap = 5.0
        wide = (self.wide - gap) / 2
        chart = 44.0
        told = [
            self.sheet.lines_of(line, FINE, wide - chart - 3)
            for line in statistics_lines(figures, self.record)
        ]
        warned = [self.sheet.lines_of(text, FINE, wide) for text in cautions_of("record")]
        step = leading(FINE)
        tall = (
            max(sum(map(len, told)) * step, sum(map(len, warned)) * step + 1.0, 14.0) + leading(FACTS) + 1.5
        )
        self._keep(tall)
        top = self.y
        self._title("Figures of the run")
        y = self.y
        for lines in told:
            y = self._lines(self.left, y, lines)
        box = Box(self.left + wide - chart, self.y, chart, 15.0)
        pictures.histogram(self.sheet, box, figures.histogram)
        self.sheet.text(
            box.x + chart / 2, top + ascent(FACTS), "share of the tolerance used, posts", FINE, align="centre"
        )
        x = self.left + wide + gap
        self.sheet.text(x, top + ascent(FACTS), "Cautions", FACTS, bold=True)
        y = self.y
        for lines in warned:
            y = self._lines(x, y, lines) + 0.4
        self.y = top + tall

    def _charts(self) -> None:
        """Lean before packing along the run, and instruments' zeros over time; none with too few points.

        The figures above say the same in words, so charts never cost a page: they take what room is left
        beside signatures and log, and stand away where it is too little.
        """
        shown = charts.charts_of(self.record)
        rows = math.ceil(len(shown) / 3)
        room = self.floor - self.y - _SIGNATURES - 3 * leading(FINE)
        if not rows or room / rows < _CHART_LEAST:
            return
        step = min(_CHART, room / rows)
        wide = (self.wide - 5.0 * 2) / 3
        for i, one in enumerate(shown):
            x, y = self.left + i % 3 * (wide + 5.0), self.y + i // 3 * step
            self.sheet.text(x, y + ascent(FINE), one.title, FINE, bold=True, room=wide)
            box = Box(x, y + leading(FINE) + 0.4, wide, step - 5.0)
            pictures.chart(self.sheet, box, one.traces, one.ends, self.record.units)
        self.y += rows * step

    def _lines(self, x: float, y: float, lines: list[str]) -> float:
        for line in lines:
            self.sheet.text(x, y + ascent(FINE), line, FINE)
            y += leading(FINE)
        return y

    def _title(self, text: str) -> None:
        self.sheet.text(self.left, self.y + ascent(FACTS), text, FACTS, bold=True)
        self.y += leading(FACTS) + 0.4

    def _signatures(self) -> None:
        tall = _SIGNATURES
        self._keep(tall)
        wide = (self.wide - 10) / 2
        for i, who in enumerate(("Read and packed by", "Checked by")):
            x = self.left + i * (wide + 10)
            rule = self.y + 8.5
            self.sheet.line(x, rule, x + wide, rule, wide=0.25)
            self.sheet.text(x, rule + 2.8, f"{who} (name, signature, date)", FINE)
        self.y += tall

    def _log(self) -> None:
        record = self.record
        text = (
            f"Event log: {record.log.events} events, SHA-256 of the last {record.log.hash or 'none'}; "
            f"of this job: {record.log.figure}. To check: `shimfit record verify --hash` with this job's "
            "figure, `--file` for an export of it, says: the same; grown since, this record's part unchanged"
            "; shorter, its end was cut; or another log. `shimfit record … --as-of` prints it again. "
            "Shows later change to whoever holds this paper; not who wrote it, nor what was never logged. "
            "Attached: record.csv and record.json, every figure in full."
        )
        lines = self.sheet.lines_of(text, FINE, self.wide)
        self._keep(len(lines) * leading(FINE))
        self.y = self._lines(self.left, self.y, lines)

    def _footers(self) -> None:
        sheet, total = self.sheet, self.sheet.pages
        y = sheet.paper.height_mm - _FOOT + 2.5
        made = words.clock(self.record.made, offset=True)
        for page in range(1, total + 1):
            sheet.turn_to(page)
            said = f"{self.record.job} / {self.record.run}" + (f", as logged up to {made}" if made else "")
            if sheet.lacking:
                said += "; ▯ = a letter that this print lacks (the CSV and JSON have it)"
            sheet.text(self.left, y, said, FINE, room=self.wide - 45)
            right = f"log {self.record.log.hash[:12]}   page {page} of {total}"
            sheet.text(self.left + self.wide, y, right, FINE, align="right")


def _example(record: RunRecord) -> PostRecord | None:
    """The post that shows the signs best: packed, read before, leaning both ways if there is one."""
    shown = [post for post in record.posts if post.packs_in_place and post.before and post.before.lean]
    if not shown:
        return None

    def tells(post: PostRecord) -> float:
        lean = post.before.lean if post.before else None
        return min(abs(lean.slope_along), abs(lean.slope_across)) if lean else 0.0

    return max(shown, key=tells)
