"""The as-built plumb record on paper: a report of measurements that somebody signs.

Order: the result in a sentence, who and where and how, what is not proven plumb and why, the run drawn once
to one scale, a row a post with its notes and photos, what was read again, how sure it is, cautions, how to
check the paper, signatures at the end of the last page. Facts come from `shimfit.report.record`; nothing is
derived here.
"""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import TYPE_CHECKING

from shimfit.core.cautions import cautions_of
from shimfit.model import Face
from shimfit.quantities import shown
from shimfit.report import pictures, words
from shimfit.report.due import read_again_lines
from shimfit.report.page import (
    BODY,
    FINE,
    HEAD,
    Box,
    Column,
    Drawn,
    Paper,
    Photo,
    Row,
    Sheet,
    ascent,
    leading,
    paper_named,
    photo_at,
)
from shimfit.report.record import (
    all_readings_lines,
    exceptions_reported,
    facts_reported,
    notes_of,
    record_csv,
    record_json,
    result_words,
)
from shimfit.report.statistics import statistics, statistics_lines

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from shimfit.report.page import Cell
    from shimfit.report.record import RunRecord
    from shimfit.standing import PostRecord

_END_MM = 44.0
"""What checks the paper, and the signatures, at the foot of the last page."""
_QR_MM = 27.0
_CHART_MM, _CHART_LEAST_MM = 24.0, 18.0
_TO_CHECK = (
    "`shimfit record verify --hash` with this job's figure (the square holds it), `--file` for an export, "
    "says: the same; grown since, this record's part unchanged; shorter, its end was cut; or another log. "
    "`shimfit record … --as-of` prints it again. It shows later change to whoever holds this paper; not who "
    "wrote it, nor what was never logged. Attached to the file: record.csv and record.json, every figure in "
    "full."
)
_ONE_LINE = ("Record number", "Date of issue", "Firm", "Customer", "Site", "Read", "Read by", "Program")
_CONDITIONS = ("Weather", "Temperature", "Timber's moisture")
_MARKS = {"plumb": "✓", "out": "✗", "too-close": "≈", "none": "–"}


def record_pdf(
    record: RunRecord, paper: str = "a4", *, all_readings: bool = False, photos: Sequence[Path] = ()
) -> bytes:
    """The record as PDF, with its CSV and JSON attached. Same record and photos, same bytes.

    `paper` is a4 or letter; raises UsageError for another. `all_readings`: also every reading, in a list.
    photos: folders in which the photos' files are looked for.
    """
    title = f"As-built plumb record {record.run.job}/{record.run.name}"
    subject = f"Event log {record.log.events} events, hash {record.log.hash}"
    with Sheet(paper_named(paper), title=title, subject=subject, made=record.made) as sheet:
        _Record(sheet, record, photos).draw(all_readings=all_readings)
        reported = record_json(record)
        sheet.attach("record.csv", record_csv(record, reported).encode(), "text/csv")
        data = json.dumps(reported, ensure_ascii=False, allow_nan=False)
        sheet.attach("record.json", data.encode(), "application/json")
        return sheet.finished()


class _Record(Paper):
    """One record being drawn."""

    def __init__(self, sheet: Sheet, record: RunRecord, photos: Sequence[Path]) -> None:
        self.record = record
        self.unit = shown.trailing(record.run.units).replace(" ", ", ")
        """Behind a column's head: figures in inches have their mark."""
        self.folders = photos
        self.offset = words.shared_offset(tuple(one.time for one in record.readings))
        """The offset from UTC that every time in the table has in common; None = each says its own."""
        issue = record.issue
        number = f"record {issue.number}, " if issue and issue.number else ""
        super().__init__(
            sheet,
            "As-built plumb record",
            f"{record.run.job} / {record.run.name}",
            notice="SAMPLE: invented data, not a record of anything built." if record.run.sample else "",
            foot=f"{number}{record.run.job} / {record.run.name}, job's hash …{record.log.figure[-12:]}",
            end=", the end of this record",
        )

    def draw(self, *, all_readings: bool) -> None:
        """Draw the whole record."""
        record = self.record
        self.say(result_words(record.run) + ".", 12.0, bold=True)
        self.y += 1.6
        reported = facts_reported(record)
        short = (*_ONE_LINE, *_CONDITIONS)
        self.facts([one for one in reported if one[0] in short])
        self.facts([one for one in reported if one[0] not in short], columns=1)
        self._exceptions()
        if record.run.posts:
            self._run()
            self._table()
        self._sentences("Read again after handing over", read_again_lines(record.run))
        if all_readings:
            self._sentences("All readings, as typed", all_readings_lines(record))
        self._closing()
        self.end_pages()

    def _sentences(self, title: str, texts: Sequence[str]) -> None:
        if texts:
            self.head(title)
            self.listed(texts, sign="")

    # ------------------------------------------------------------ the posts

    def _exceptions(self) -> None:
        found = exceptions_reported(self.record)
        if not found:
            return
        self.head("Not proven plumb, and why")
        several = any(len(names) > 1 for names, *_ in found)
        columns = (
            Column("Post", max(self._name_mm(), 40.0 if several else 0.0), bold=True),
            Column("Stands", 32.0),
            Column("Why, and what it waits for"),
        )
        self.table(
            columns,
            [
                (", ".join(names), f"{_MARKS[stands]} {words.DECISION_WORDS[stands]}", why)
                for names, stands, why in found
            ],
        )

    def _run(self) -> None:
        record, sheet = self.record, self.sheet
        tall = pictures.run_picture_mm(record.run.posts, self.wide)
        self.head("The run", tall + 3 * leading(FINE))
        scale = pictures.run_picture(sheet, Box(self.left, self.y, self.wide, tall), record.run.posts)
        self.y += tall + 1.2
        faces = record.run.faces
        steeper = scale.per_mm * record.run.height_mm / scale.post_mm
        self.say(
            f"Above: from the {faces[Face.HOUSE]} side, {faces[Face.NEXT]} to the right, to one scale: "
            f"a lean is drawn {scale.per_mm:g} times as far ({steeper:.3g} times steeper); "
            "dashed before packing, solid as built, ticks allowed, ▲\u00a0corner. "
            f"Below: from above, {faces[Face.OUT]} up: outline allowed, ● plumb, × out, ○ undecided, line "
            "where it came from. Cut short for want of room.",
            FINE,
        )
        self.y += 0.8

    def _name_mm(self) -> float:
        """Room that the posts' names take: never broken, but for one that is a sentence."""
        names = (self.sheet.printable(post.name) for post in self.record.run.posts)
        longest = max((self.sheet.width(name, BODY, bold=True) for name in names), default=0.0)
        return min(max(12.0, longest + 2.4), 42.0)

    def _table(self) -> None:
        rows = [self._row(post) for post in self.record.run.posts]
        heads = (
            ("Post", "", self._name_mm()),
            ("Before", f"leaned{self.unit}", 20.0),
            ("As built", f"leans ± U{self.unit}", 24.0),
            ("Off plumb ± U", f"of allowed{self.unit}", 26.0),
            ("Decision", "chance · rounds", 26.0),
            ("Packs in place", f"{shown.unit(self.record.run.units)}; f fills only", 0.0),
            ("Read", "by, with", 26.0),
        )
        # Each as wide as its longest line; packs take what is left, but one pack is never broken.
        wides = [
            min(max(least, self._longest((row.cells[i] for row in rows), bold=i == 4)), 38.0) if i else least
            for i, (*_, least) in enumerate(heads)
        ]
        packs = [one.split(" · ") for row in rows for one in row.cells[5] if isinstance(one, str)]
        one_pack = self._longest(packs)
        missing = one_pack - (self.wide - sum(wides) + wides[5])
        for i, least in ((6, 20.0), (2, 24.0), (4, 23.0)):  # these break at a space
            taken = max(0.0, min(missing, wides[i] - least))
            wides[i] -= taken
            missing -= taken
        wides[5] = 0.0
        columns = [
            Column(head, wide, under, bold=head in ("Post", "Decision"))
            for (head, under, _), wide in zip(heads, wides, strict=True)
        ]
        self.table(columns, rows)

    def _longest(self, cells: Iterable[Cell], *, bold: bool = False) -> float:
        """Room that the longest line of some cells takes, mm."""
        said = (self.sheet.printable(line) for cell in cells for line in cell if isinstance(line, str))
        return max((self.sheet.width(line, BODY, bold=bold) for line in said), default=0.0) + 2.6

    def _row(self, post: PostRecord) -> Row:
        record = self.record
        reported = (words.pack(pack, record.run.faces, record.run.units) for pack in post.packs_in_place)
        packs = [" · ".join(one.replace(" ", "\u00a0") for one in reported)]
        if post.torque_nm:
            packs.append(f"tightened to {shown.torque(post.torque_nm, record.run.units)}")
        photos = {name: self._photo(name) for name in post.photos}
        at_hand = [name for name, photo in photos.items() if photo]
        notes = notes_of(post, record.run.faces, record.run.units)
        if at_hand:
            notes.append(f"photo{'s, from the left' if len(at_hand) > 1 else ''}: {' · '.join(at_hand)}")
        notes += [
            f"photo {name}: not at hand when this was printed" for name in photos if name not in at_hand
        ]
        return Row(
            (
                [post.name, *([post.kind] if post.kind == "corner" else [])],
                words.reading(post.before, record.run.faces, record.run.units, uncertainty=False),
                words.reading(post.after, record.run.faces, record.run.units, uncertainty=True),
                self._off(post),
                self._decision(post),
                packs,
                self._read(post),
            ),
            notes,
            [photo for photo in photos.values() if photo],
        )

    def _photo(self, name: str) -> Photo | None:
        given = Path(name).expanduser()
        places = [given] if given.is_absolute() else [folder / given for folder in self.folders]
        return next((found for place in places if (found := photo_at(place))), None)

    def _off(self, post: PostRecord) -> list[str | Drawn]:
        units = self.record.run.units
        allowed = post.tolerance.allowed_top_mm(post.height_mm)
        said = f"of {shown.fine(allowed, units, unit=False)}"
        own = [] if post.tolerance == self.record.run.tolerance else [f"({post.tolerance.text})"]
        off = words.worst_of(post.after, post.tolerance) if post.after else None
        if off is None or post.after is None:
            return [f"– {said}", *own]
        u = post.verdict.u if post.verdict else None
        expanded = words.expanded_mm(u, post.after.height_mm)
        uncertainty = "" if expanded is None else f" ±{shown.small(expanded, units, unit=False)}"
        bar = Drawn(leading(BODY), lambda sheet, box: pictures.limit_bar(sheet, box, off, expanded, allowed))
        found = f"{shown.fine(off, units, unit=False)}{uncertainty}"
        return [*([f"{found} {said}"] if units == "mm" else [found, said]), *own, bar]

    @staticmethod
    def _decision(post: PostRecord) -> list[str]:
        first = f"{_MARKS[post.stands]} {words.DECISION_WORDS[post.stands]}"
        if post.verdict is None:
            return [first, str(post.state)]
        rounds = f" · {post.rounds} round{'' if post.rounds == 1 else 's'}" if post.rounds else ""
        return [first, shown.percent(post.probability) + rounds]

    def _read(self, post: PostRecord) -> list[str]:
        reading = post.after or post.before
        if reading is None:
            return ["–"]
        when = words.clock(reading.time, offset=self.offset is None)
        usual = "inclinometer" if reading.method == "sensor" else "level not named"
        return [
            when + (" (before)" if post.after is None else ""),
            f"{reading.by or words.NOT_GIVEN}, {reading.instrument or usual}",
        ]

    # ------------------------------------------------------------ closing

    def _closing(self) -> None:
        """How sure it is, figures, cautions, charts, checking, signatures: all on the last page."""
        record, sheet = self.record, self.sheet
        wide = (self.wide - 7.0) / 2
        figures = [sheet.lines_of(text, FINE, wide) for text in statistics_lines(statistics(record), record)]
        below = [
            ("How sure", [sheet.lines_of(text, FINE, self.wide) for text in _how_sure(record)]),
            ("Cautions", [sheet.lines_of(" ".join(cautions_of("record")), FINE, self.wide)]),
        ]
        plan = self._legend(wide)
        beside = max(plan, _block_mm(figures))
        tall = beside + sum(_block_mm(lines) for _, lines in below)
        self.keep(tall + 1.5 + _END_MM)
        self.y += 1.5
        top = self.y
        self._block(self.left, top, "Figures of the run", figures)
        self._legend(wide, Box(self.left + wide + 7.0, top, wide, plan))
        y = top + beside
        for title, lines in below:
            y = self._block(self.left, y, title, lines)
        self.y = top + tall
        self._charts()
        self._end()

    def _block(self, x: float, y: float, title: str, texts: Sequence[Sequence[str]]) -> float:
        self.sheet.text(x, y + ascent(HEAD), title, HEAD, bold=True)
        y += leading(HEAD) + 0.5
        for lines in texts:
            for line in lines:
                self.sheet.text(x, y + ascent(FINE), line, FINE)
                y += leading(FINE)
            y += 0.5
        return y + 1.0

    def _legend(self, wide: float, box: Box | None = None) -> float:
        """How signs and packs are meant, on one post; the height that it takes, drawn when there is a box."""
        record, sheet, plan = self.record, self.sheet, 33.0
        example = _example(record)
        text = pictures.plan_caption(record, example)
        names = (f"{record.run.faces[Face.NEXT]} → +", record.run.faces[Face.PREV])
        beside = max(sheet.width(sheet.printable(name), FINE, bold=True) for name in names)
        across = min(max(53.0, 2 * beside + plan - 8.0), wide - 28.0)
        lines = sheet.lines_of(text, FINE, wide - across - 2.0)
        if box is not None:
            self._block(box.x + across + 2.0, box.y, "How to read it", [lines])
            pictures.post_plan(sheet, Box(box.x, box.y, across, plan - 4.0), record, example)
        return max(plan, len(lines) * leading(FINE) + 7.0)

    def _charts(self) -> None:
        """Lean before packing along the run, and instruments' zeros over time; none with too few points.

        The figures say the same in words, so charts never cost a page: they take what room is left above
        the signatures, and stand away where it is too little.
        """
        drawn = pictures.charts_of(self.record)
        room = self.floor - self.y - _END_MM
        rows = math.ceil(len(drawn) / 2)
        if not rows or room / rows < _CHART_LEAST_MM:
            return
        step = min(_CHART_MM, room / rows)
        wide = (self.wide - 7.0) / 2
        for i, one in enumerate(drawn):
            x, y = self.left + i % 2 * (wide + 7.0), self.y + i // 2 * step
            for line in self.sheet.lines_of(one.title, FINE, wide, bold=True):
                self.sheet.text(x, y + ascent(FINE), line, FINE, bold=True)
                y += leading(FINE)
            below = Box(x, y + 0.4, wide, self.y + (i // 2 + 1) * step - y - 3.0)
            pictures.chart(self.sheet, below, one, self.record.run.units)
        self.y += rows * step

    def _end(self) -> None:
        """How to check the paper, and who answers for it, at the foot of the page."""
        record, sheet = self.record, self.sheet
        self.y = self.floor - _END_MM + 2.0
        sheet.line(self.left, self.y, self.left + self.wide, self.y, wide=0.3)
        self.y += 1.5
        figure = record.log.figure
        sheet.qr(
            f"{record.run.job}/{record.run.name}\n{figure}",
            Box(self.left - 2.5, self.y - 1.0, _QR_MM, _QR_MM),
        )
        x = self.left + _QR_MM + 1.0
        wide = self.wide - _QR_MM - 1.0
        events = f"Events of this job: {figure}. Event log: {record.log.events} events, SHA-256 of the last "
        reported = [
            sheet.lines_of(text, FINE, wide)
            for text in (events + (record.log.hash or "none") + ".", _TO_CHECK)
        ]
        y = self._block(x, self.y, "To check this paper", reported)
        rule = max(self.floor - 5.0, y + 9.0)
        half = (self.wide - 10) / 2
        for i, who in enumerate(("Read and packed by", "Checked by")):
            x = self.left + i * (half + 10)
            sheet.line(x, rule, x + half, rule, wide=0.25)
            sheet.text(x, rule + 3.2, f"{who} (name, signature, date)", FINE)


def _block_mm(texts: Sequence[Sequence[str]]) -> float:
    """Height that a title and the lines below it take."""
    return leading(HEAD) + 1.5 + sum(len(lines) * leading(FINE) + 0.5 for lines in texts)


def _how_sure(record: RunRecord) -> list[str]:
    """What ± and the decisions mean, and what the record is of."""
    uncertainty = (
        "± is the expanded uncertainty U = k·u with coverage factor k\u00a0=\u00a02, about 95 % (JCGM "
        f"100:2008, 6.2), of how far the top stands off, in {words.unit_name(record.run.units)}. The "
        "decision counts it in by the rule above; in the reasons ± is the margin that the rule wants."
    )
    only = (
        "The results relate only to the posts named, as they stood when they were read. Reproduce this "
        "record only in full."
    )
    return [uncertainty, only]


def _example(record: RunRecord) -> PostRecord | None:
    """The post that shows the signs best: packed, read before, leaning both ways if there is one."""
    shown_by = [post for post in record.run.posts if post.packs_in_place and post.before and post.before.lean]
    if not shown_by:
        return None

    def weight(post: PostRecord) -> float:
        lean = post.before.lean if post.before else None
        return min(abs(lean.slope_along), abs(lean.slope_across)) if lean else 0.0

    return max(shown_by, key=weight)
