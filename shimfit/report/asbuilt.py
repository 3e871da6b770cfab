"""The as-built plumb record on paper: a report of measurements that somebody signs.

Order: the result in a sentence, who and where and how, what is not proven plumb and why, the run drawn once
to one scale, a row a post with its notes and photos, what was read again, how sure it is, cautions, how to
check the paper, signatures at the end of the last page. Facts come from `shimfit.report.record`; nothing is
derived here.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from functools import partial
from pathlib import Path

from shimfit.core.cautions import caution_of_material, cautions_of
from shimfit.model import Face
from shimfit.quantities import shown
from shimfit.report import pictures, words
from shimfit.report.due import read_again_lines
from shimfit.report.page import BODY, FINE, HEAD, Box, Paper, Row, Sheet, leading, photo_at
from shimfit.report.record import (
    RunRecord,
    all_readings_lines,
    exceptions_reported,
    facts_reported,
    notes_of,
    off_of,
    posts_table,
    record_csv,
    record_json,
    result_words,
)
from shimfit.report.statistics import statistics, statistics_lines
from shimfit.report.tables import Column, Drawn, Section
from shimfit.standing import PostRecord

_END_MM = 44.0
"""What checks the paper, and the signatures, at the foot of the last page."""
_QR_MM, _PLAN_MM, _GAP_MM = 27.0, 33.0, 7.0
_CHART_MM, _CHART_LEAST_MM = 24.0, 18.0
_TO_CHECK = (
    "`shimfit record verify --hash` with this job's figure (the square holds it), `--file` for an export, "
    "says: the same; grown since, this record's part unchanged; shorter, its end was cut; or another log. "
    "`shimfit record … --as-of` prints it again. It shows later change to whoever holds this paper; not who "
    "wrote it, nor what was never logged. Attached to the file: record.csv and record.json, every figure in "
    "full."
)
_HOW_SURE = (
    "± is the expanded uncertainty U = k·u with coverage factor k\u00a0=\u00a02, about 95 % (JCGM "
    "100:2008, 6.2), of how far the top stands off, in {unit}. The decision counts it in by the rule above; "
    "in the reasons ± is the margin that the rule wants."
)
_ONLY = (
    "The results relate only to the posts named, as they stood when they were read. Reproduce this record "
    "only in full."
)
_SHORT = (
    *("Record number", "Date of issue", "Firm", "Customer", "Site", "Read", "Read by", "Program"),
    *("Weather", "Temperature", "Timber's moisture", "Packs are of"),
)
"""Facts that have room beside each other."""
_NAMED = 8
"""So many posts are named in the column for it; a longer list stands where there is room."""
_MARKS = {"plumb": "✓", "out": "✗", "too-close": "≈", "none": "–"}
_DECIDED = {one: f"{_MARKS[one]} {reported}" for one, reported in words.DECISION_WORDS.items()}


def record_pdf(
    record: RunRecord, paper: str = "a4", *, all_readings: bool = False, photos: Sequence[Path] = ()
) -> bytes:
    """The record as PDF, with its CSV and JSON attached. Same record and photos, same bytes.

    `paper` is a4 or letter; raises UsageError for another. `all_readings`: also every reading, in a list.
    photos: folders in which the photos' files are looked for.
    """
    title = f"As-built plumb record {record.run.job}/{record.run.name}"
    subject = f"Event log {record.log.events} events, hash {record.log.hash}"
    with Sheet(paper, title=title, subject=subject, made=record.made) as sheet:
        _Record(sheet, record, photos).draw(all_readings=all_readings)
        reported = record_json(record)
        sheet.attach("record.csv", record_csv(record, reported).encode(), "text/csv")
        data = json.dumps(reported, ensure_ascii=False, allow_nan=False)
        sheet.attach("record.json", data.encode(), "application/json")
        return sheet.finished()


class _Record(Paper):
    """One record being drawn."""

    def __init__(self, sheet: Sheet, record: RunRecord, photos: Sequence[Path]) -> None:
        self.record, self.folders = record, photos
        self.units, self.faces = record.run.units, record.run.faces
        issue, name = record.issue, f"{record.run.job} / {record.run.name}"
        number = f"record {issue.number}, " if issue and issue.number else ""
        super().__init__(
            sheet,
            "As-built plumb record",
            name,
            notice="SAMPLE: invented data, not a record of anything built." if record.run.sample else "",
            foot=f"{number}{name}, job's hash …{record.log.figure[-12:]}",
            end=", the end of this record",
        )

    def draw(self, *, all_readings: bool) -> None:
        """Draw the whole record."""
        record, facts = self.record, facts_reported(self.record)
        self.say(result_words(record.run) + ".", 12.0, bold=True)
        self.y += 1.6
        self.facts([one for one in facts if one[0] in _SHORT])
        self.facts([one for one in facts if one[0] not in _SHORT], columns=1)
        self._exceptions()
        self._listed("What the log says of the run besides", record.run.remarks)
        if record.run.posts:
            self._run()
            self._table()
        for title, texts in (
            ("Read again after handing over", read_again_lines(record.run)),
            ("All readings, as typed", all_readings_lines(record) if all_readings else []),
        ):
            self._listed(title, texts)
        self._closing()
        self.end_pages()

    def _listed(self, title: str, texts: Sequence[str]) -> None:
        if texts:
            self.head(title)
            self.listed(texts, sign="")

    # ------------------------------------------------------------ the posts

    def _exceptions(self) -> None:
        columns = (Column("Post", bold=True), Column("Stands"), Column("Why, and what it waits for"))
        found = exceptions_reported(self.record)
        rows = [
            (", ".join(names), _DECIDED[stands], why)
            if len(names) <= _NAMED
            else (shown.counted(len(names), "post"), _DECIDED[stands], f"{why}: {', '.join(names)}")
            for names, stands, why in found
        ]
        self.section(Section("Not proven plumb, and why", columns, rows))

    def _run(self) -> None:
        record = self.record
        tall = pictures.run_picture_mm(record.run.posts, self.wide)
        self.head("The run", tall + 3 * leading(FINE))
        scale = pictures.run_picture(self.sheet, Box(self.left, self.y, self.wide, tall), record.run.posts)
        self.y += tall + 1.2
        steeper = scale.per_mm * record.run.height_mm / pictures.POST_MM
        far = "as far as it is" if scale.per_mm == 1.0 else f"{scale.per_mm:g} times as far"
        self.say(
            f"Above: from the {self.faces[Face.HOUSE]} side, {self.faces[Face.NEXT]} to the right, to one "
            f"scale: a lean is drawn {far} ({steeper:.3g} times steeper); "
            "dashed before packing, solid as built, ticks allowed, ▲\u00a0corner. "
            f"Below: from above, {self.faces[Face.OUT]} up: outline allowed, ● plumb, × out, ○ undecided, "
            "line where it came from. What is too long is cut short.",
            FINE,
        )
        self.y += 0.8

    def _table(self) -> None:
        columns, rows = posts_table(self.record)
        posts = zip(self.record.run.posts, rows, strict=True)
        self.table(columns, [self._row(post, *cells) for post, cells in posts])

    def _row(self, post: PostRecord, *cells: list[str]) -> Row:
        """The post's row, with its sign, a bar of how far it is off, and its notes and photos below."""
        *first, off_words, (decided, *chance), packs, read = cells
        off: list[str | Drawn] = [*off_words]
        (off_mm, u_off_mm), allowed_mm = off_of(post), post.tolerance.allowed_top_mm(post.height_mm)
        if off_mm is not None:
            expanded = u_off_mm and 2 * u_off_mm
            bar = partial(pictures.limit_bar, off=off_mm, expanded=expanded, allowed=allowed_mm)
            off.append(Drawn(leading(BODY), bar))
        notes, at_hand, missing = notes_of(post, self.faces, self.units), {}, []
        for file in dict.fromkeys(post.photos):
            given = Path(file).expanduser()
            places = [given] if given.is_absolute() else [folder / given for folder in self.folders]
            photo = next((found for place in places if (found := photo_at(place))), None)
            if photo is None:
                missing.append(f"photo {file}: not at hand when this was printed")
            else:
                at_hand[file] = photo
        if at_hand:
            notes.append(f"photo{'s, from the left' if len(at_hand) > 1 else ''}: {' · '.join(at_hand)}")
        decision = [f"{_MARKS[post.stands]} {decided}", *chance]
        return Row((*first, off, decision, packs, read), [*notes, *missing], list(at_hand.values()))

    # ------------------------------------------------------------ closing

    def _closing(self) -> None:
        """How sure it is, figures, cautions, charts, checking, signatures: all on the last page."""
        record, sheet = self.record, self.sheet
        wide = (self.wide - _GAP_MM) / 2
        figures, rots = statistics_lines(statistics(record), record), caution_of_material(record.materials)
        below = {
            "How sure": (_HOW_SURE.format(unit=words.recorded_in(self.units)), _ONLY),
            "Cautions": (" ".join(filter(None, (*cautions_of("record"), rots))),),
        }
        # How signs and packs are meant, on the post that shows them best: both ways off, and packed.
        packed = [
            (min(abs(post.before.lean.slope_along), abs(post.before.lean.slope_across)), post)
            for post in record.run.posts
            if post.packs_in_place and post.before and post.before.lean
        ]
        example = max(packed, key=lambda one: one[0])[1] if packed else None
        names = (f"{self.faces[Face.NEXT]} → +", self.faces[Face.PREV])
        beside = max(sheet.width(sheet.printable(name), FINE, bold=True) for name in names)
        across = min(max(53.0, 2 * beside + _PLAN_MM - 8.0), wide - 28.0)
        legend, narrow = pictures.plan_caption(record, example), wide - across - 2.0
        legend_mm = len(sheet.lines_of(legend, FINE, narrow)) * leading(FINE) + 7.0
        tall = max(_PLAN_MM, legend_mm, self._block_mm(figures, wide))
        self.keep(tall + sum(self._block_mm(texts, self.wide) for texts in below.values()) + 1.5 + _END_MM)
        self.y += 1.5
        self._block(self.left, self.y, wide, "Figures of the run", figures)
        x = self.left + wide + _GAP_MM
        self._block(x + across + 2.0, self.y, narrow, "How to read it", [legend])
        pictures.post_plan(sheet, Box(x, self.y, across, _PLAN_MM - 4.0), record, example)
        self.y += tall
        for title, texts in below.items():
            self.y = self._block(self.left, self.y, self.wide, title, texts)
        self._charts()
        self._end()

    def _block(self, x: float, y: float, wide: float, title: str, texts: Sequence[str]) -> float:
        """A title and small sentences below it at a place; where it ends."""
        y = self.sheet.write(x, y, title, HEAD, self.wide, bold=True) + 0.5
        for text in texts:
            y = self.sheet.write(x, y, text, FINE, wide) + 0.5
        return y + 1.0

    def _block_mm(self, texts: Sequence[str], wide: float) -> float:
        """Height that a block takes."""
        lines = (self.sheet.lines_of(text, FINE, wide) for text in texts)
        return leading(HEAD) + 1.5 + sum(len(broken) * leading(FINE) + 0.5 for broken in lines)

    def _charts(self) -> None:
        """Lean before packing along the run, and instruments' zeros over time; none with too few points.

        The figures say the same in words, so charts never cost a page: they take what room is left above
        the signatures, and stand away where it is too little.
        """
        drawn = pictures.charts_of(self.record)
        room, rows = self.floor - self.y - _END_MM, math.ceil(len(drawn) / 2)
        if not rows or room / rows < _CHART_LEAST_MM:
            return
        step, wide = min(_CHART_MM, room / rows), (self.wide - _GAP_MM) / 2
        for i, one in enumerate(drawn):
            x, y = self.left + i % 2 * (wide + _GAP_MM), self.y + i // 2 * step
            top = self.sheet.write(x, y, one.title, FINE, wide, bold=True)
            below = Box(x, top + 0.4, wide, self.y + (i // 2 + 1) * step - top - 3.0)
            pictures.chart(self.sheet, below, one, self.units)
        self.y += rows * step

    def _end(self) -> None:
        """How to check the paper, and who answers for it, at the foot of the page."""
        log, sheet = self.record.log, self.sheet
        self.y = self.floor - _END_MM + 2.0
        self.rule(0.3)
        self.y += 1.5
        name = f"{self.record.run.job}/{self.record.run.name}"
        sheet.qr(f"{name}\n{log.figure}", Box(self.left - 2.5, self.y - 1.0, _QR_MM, _QR_MM))
        events = (
            f"Events of this job: {log.figure}. Event log: {log.events} events, SHA-256 of the last "
            f"{log.hash or 'none'}."
        )
        wide = self.wide - _QR_MM - 1.0
        y = self._block(self.right - wide, self.y, wide, "To check this paper", (events, _TO_CHECK))
        rule, half = max(self.floor - 5.0, y + 9.0), (self.wide - 10) / 2
        for i, who in enumerate(("Read and packed by", "Checked by")):
            x = self.left + i * (half + 10)
            sheet.line(x, rule, x + half, rule, wide=0.25)
            sheet.text(x, rule + 3.2, f"{who} (name, signature, date)", FINE)
