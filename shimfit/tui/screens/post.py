"""The home screen: one post, read, packed and read again."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, ClassVar

from textual import on
from textual.containers import Horizontal, Vertical

from shimfit.entry.result import Incomplete, Refused, Understood
from shimfit.model import Face, Lean, PostState
from shimfit.tui import lengths
from shimfit.tui.glyphs import ROLES
from shimfit.tui.pictures.canvas import Canvas
from shimfit.tui.pictures.elevation import elevation
from shimfit.tui.pictures.foot_plan import foot_plan
from shimfit.tui.pictures.numerals import HEIGHT, STACKED_HEIGHT, numerals, stacked
from shimfit.tui.pictures.run_picture import strip, trend
from shimfit.tui.pictures.target import pair, span_for, target
from shimfit.tui.screens.page import Page, wrapped
from shimfit.tui.telling import state_word
from shimfit.tui.widgets.drawn import Picture
from shimfit.tui.widgets.entry_line import EntryLine
from shimfit.tui.widgets.rows import Rows
from shimfit.tui.widgets.taps import Tap, Taps

if TYPE_CHECKING:
    from collections.abc import Sequence

    from textual.app import ComposeResult

    from shimfit.store.state import PostRecord
    from shimfit.tui.pictures.canvas import Run
    from shimfit.tui.sensing import Live
    from shimfit.tui.telling import PackLine

LEAST_PLAN_ROWS = 5
STACKED_FROM_ROWS = 30


class PostScreen(Page):
    """Echo, answer, plan of the foot, entry line."""

    NAME: ClassVar[str] = "post"
    ALWAYS_ASKS: ClassVar[bool] = True

    shown_pack = 0
    """Which pack stands in large figures."""
    live: Live | None = None
    """What the inclinometer shows now; None without one."""
    _span: float | None = None
    _heard: Incomplete | Understood | Refused | None = None

    def compose_body(self) -> ComposeResult:
        """List | sentences, figures, answer, plan | pictures for wide screens."""
        yield Picture(self._draw_strip, id="strip")
        with Horizontal(id="body"):
            yield Rows(id="posts")
            with Vertical(id="middle"):
                yield Picture(self._draw_said, id="said")
                yield Picture(self._draw_big, id="big")
                yield Picture(self._draw_answer, id="answer")
                yield Picture(self._draw_plan, id="plan")
            with Vertical(id="side"):
                yield Picture(self._draw_pair, id="pair")
                yield Picture(self._draw_elevation, id="elevation")
                yield Picture(self._draw_trend, id="trend")
                yield Picture(self._draw_box, id="box")
        yield Taps(id="pad")

    # ------------------------------------------------------------ keeping up to date

    def show(self) -> None:
        """Lay the rows out for what there is to say, then draw."""
        if not self.is_mounted or not self.size.width:
            return
        self.shown_pack = min(self.shown_pack, max(0, len(self._packs()) - 1))
        self._lay_out()
        self._fill_posts()
        super().show()

    def new_post(self) -> None:
        """Another post is on screen: start with its first pack."""
        self.shown_pack = 0
        self._span = None
        self.show()

    def typed(self) -> None:
        """Hear what is typed, on every key."""
        typed = "" if self.question else self.query_one(EntryLine).value
        self._heard = self.desk.echo(typed)
        self._lay_out()
        for name in ("#big", "#plan", "#said"):
            self.query_one(name, Picture).redraw()
        super().typed()

    def entered(self, text: str) -> None:
        """Enter: log the reading, or walk on when nothing is typed."""
        if not text.strip():
            self.shimfit.do("next_post" if self.desk.run is not None else "sample")
            return
        line = self.query_one(EntryLine)
        line.remember(text)
        outcome = self.desk.enter(text)
        if outcome.done:
            line.value = ""
            self.shown_pack = 0
            self._heard = None
        elif outcome.at is not None:
            line.cursor_position = min(outcome.at, len(line.value))
        self.show()
        self.call_after_refresh(self.say, outcome)

    def show_live(self, live: Live) -> None:
        """Draw what the inclinometer shows; only what changed goes out."""
        was = self.live is None
        self.live = live
        self.warn(live.trouble)
        if was:
            self._lay_out()
        self.query_one("#plan", Picture).redraw()
        if not self.query_one(EntryLine).value:
            self.query_one("#echo", Picture).redraw()

    def next_pack(self) -> None:
        """Put the next pack in large figures."""
        packs = self._packs()
        if packs:
            self.shown_pack = (self.shown_pack + 1) % len(packs)
            self.show()

    def toggle_pad(self) -> None:
        """Show or put away the tap pad."""
        pad = self.query_one("#pad", Taps)
        pad.offer(self._pad_taps())
        pad.toggle_class("-shown")
        self.call_after_refresh(self.show)

    @on(Rows.Chosen, "#posts")
    def _post_chosen(self, event: Rows.Chosen) -> None:
        event.stop()
        self.query_one(EntryLine).focus()
        posts = self._listed()
        if event.index < len(posts):
            self.shimfit.go_to_post(posts[event.index].name)

    # ------------------------------------------------------------ sizes

    @property
    def _squat(self) -> bool:
        return self.has_class("-squat")

    @property
    def _slim(self) -> bool:
        return self.has_class("-slim")

    def _lay_out(self) -> None:
        answer = len(self._answer_rows(self._middle_width()))
        said = len(self._said_rows(self._middle_width()))
        big = self._big_height()
        room = self.size.height - (4 if self._squat else 6) - (1 if self.banner_text else 0)
        if self.query_one("#pad").has_class("-shown"):
            room -= 8
        least_plan = 0 if self._packs() and room < said + big + answer + LEAST_PLAN_ROWS else LEAST_PLAN_ROWS
        answer = max(0, min(answer, room - said - big - least_plan))
        for name, rows in (("#said", said), ("#big", big), ("#answer", answer)):
            styles = self.query_one(name).styles
            if styles.height is None or styles.height.value != rows:
                styles.height = rows

    def _middle_width(self) -> int:
        width = self.size.width
        if self.has_class("-broad"):
            return width - 36 - (54 if self.has_class("-tall") else 0)
        return width - 28 if self.has_class("-mid") else width

    # ------------------------------------------------------------ drawing

    def draw_headline(self, width: int, height: int) -> Canvas:
        """Run, post, state; on the smallest screens with the strip in the same row."""
        canvas = Canvas(width, height)
        desk, record = self.desk, self.desk.record
        if desk.run is None or record is None:
            canvas.put(0, 0, "shimfit: no run yet", "strong")
            return canvas
        sign = desk.glyphs.states[record.state]
        count = f"{desk.index + 1}/{len(desk.run.posts)}"
        state = f" {sign} {state_word(record.state)} "
        if self._squat:
            head = f"{desk.run.name[:8]} {record.name} ({count})"
            canvas.put(0, 0, head, "strong")
            canvas.put(len(head) + 1, 0, state, ROLES[record.state] + " here")
            x = len(head) + len(state) + 2
            states = [post.state for post in desk.run.posts]
            canvas.paste(x, 0, strip(states, desk.index, glyphs=desk.glyphs, width=max(4, width - x)))
            return canvas
        head = f"{desk.run.name}  post {record.name} ({count})"
        canvas.put(0, 0, head, "strong")
        canvas.put(len(head) + 2, 0, state, ROLES[record.state] + " here")
        allowed = lengths.fine(record.tolerance.allowed_top_mm(record.height_mm), desk.run.units)
        told = f"allowed {allowed} at {lengths.tape(record.height_mm, desk.run.units)}"
        if len(head) + len(state) + len(told) + 4 <= width:
            canvas.put_right(width, 0, told, "label")
        return canvas

    def _draw_strip(self, width: int, height: int) -> Canvas:
        if self.desk.run is None:
            return Canvas(width, height)
        states = [post.state for post in self.desk.run.posts]
        return strip(states, self.desk.index, glyphs=self.desk.glyphs, width=width)

    def _said_rows(self, width: int) -> list[Run]:
        view = self.desk.view
        if view is None:
            return [(row, "") for row in wrapped(_NO_RUN, max(10, width))]
        rows = [(view.lean, "strong"), (view.do, ""), (view.result, "")]
        if self._squat:
            rows = [rows[0]] if view.lean else [rows[1]]
        elif self._slim and self._packs():
            rows = [rows[0], rows[2]]
        told = [(part, role) for text, role in rows if text for part in wrapped(text, max(10, width))]
        return told[:2] if self._squat and view.lean == "" else told[: 1 if self._squat else 5]

    def _draw_said(self, width: int, height: int) -> Canvas:
        canvas = Canvas(width, height)
        for y, (text, role) in enumerate(self._said_rows(width)):
            canvas.put(0, y, text, role)
        return canvas

    def _big_height(self) -> int:
        if isinstance(self._heard, Understood) and not self._heard.is_gauge_only:
            return HEIGHT
        packs = self._packs()
        if packs:
            tall = self.size.height >= STACKED_FROM_ROWS and "/" in packs[self.shown_pack].figure
            return STACKED_HEIGHT if tall else HEIGHT
        record = self.desk.record
        return HEIGHT if record is not None and record.state is PostState.PLUMB else 0

    def _draw_big(self, width: int, height: int) -> Canvas:
        if isinstance(self._heard, Understood):
            return self._draw_heard(self._heard, width, height)
        packs = self._packs()
        if packs:
            return self._draw_pack(packs[self.shown_pack], width, height)
        canvas = Canvas(width, height)
        view = self.desk.view
        if view is not None and view.state is PostState.PLUMB:
            word = numerals("PLUMB", blocks=self.desk.glyphs.blocks, role="plumb")
            canvas.paste(0, 0, word)
            for y, row in enumerate(wrapped(view.result, max(8, width - word.width - 2))[:HEIGHT]):
                canvas.put(word.width + 2, y, row, "strong")
        return canvas

    def _draw_heard(self, heard: Understood, width: int, height: int) -> Canvas:
        """What is typed, both ways, at arm's length: did it hear me right?"""
        canvas = Canvas(width, height)
        blocks = self.desk.glyphs.blocks
        x = 0
        for part in (heard.along, heard.across):
            if part is None:
                continue
            from shimfit.entry.echo import number_text

            sign = self.desk.glyphs.faces[part.face]
            text = number_text(part)
            text += {"strong": "+", "shy": "-", None: ""}[part.qualifier]
            figure = numerals(f"{sign}{text}", blocks=blocks, role="big arrow" if blocks else "big")
            if x and x + figure.width > width:
                canvas.put(x, HEIGHT - 1, f"{sign} {text}", "strong")
                break
            canvas.paste(x, 0, figure)
            x += figure.width + 3
        return canvas

    def _draw_pack(self, pack: PackLine, width: int, height: int) -> Canvas:
        """The pack to put in now: side, figure, and in words what it is."""
        canvas = Canvas(width, height)
        glyphs = self.desk.glyphs
        arrow = numerals(glyphs.seats[pack.seat][:1], blocks=glyphs.blocks, role="lift")
        if height >= STACKED_HEIGHT and "/" in pack.figure:
            whole, _, part = pack.figure.rpartition(" ")
            over, _, under = part.partition("/")
            figure = stacked(whole, over, under, blocks=glyphs.blocks, bar=glyphs.horizontal)
        else:
            figure = numerals(pack.figure, blocks=glyphs.blocks)
        top = (height - HEIGHT) // 2
        canvas.paste(0, top, arrow)
        canvas.paste(arrow.width + 2, (height - figure.height) // 2, figure)
        x = arrow.width + 2 + figure.width + 2
        rows = [pack.unit, pack.where, pack.changed or (pack.short if not self._squat else pack.what)]
        if self._squat:
            rows = [f"{pack.unit} {_first_lot(pack)}", pack.where, pack.changed or self._allowed()]
        for y, row in enumerate(rows):
            canvas.put(x, top + y, row[: max(0, width - x)], "strong" if y == 1 else "")
        return canvas

    def _allowed(self) -> str:
        record = self.desk.record
        if record is None or self.desk.run is None:
            return ""
        return "allowed " + lengths.fine(
            record.tolerance.allowed_top_mm(record.height_mm), self.desk.run.units
        )

    def _packs(self) -> tuple[PackLine, ...]:
        view = self.desk.view
        return view.packs if view is not None else ()

    def _answer_rows(self, width: int) -> list[Run]:
        view = self.desk.view
        if view is None:
            return []
        rows: list[Run] = []
        packs = view.packs
        if self._squat and packs:
            packs = (packs[self.shown_pack + 1 :] + packs[: self.shown_pack])[:2]
        for pack in packs:
            marked = pack.number == self.shown_pack + 1 and not self._squat
            role = "strong" if marked else ""
            where = pack.where.rpartition(" ")[0] if width < 48 else pack.where
            lead = f"{pack.number} {self.desk.glyphs.seats[pack.seat]} {where}  "
            what = pack.short if width < 48 else pack.what
            changed = f"{pack.changed}: " if pack.changed and width >= 48 else ""
            kind = "" if pack.lifts or width < 48 else "filler "
            rows.append(((lead + kind + changed + what)[: max(0, width)], role))
        if not self._squat or not packs:
            rows += [(row, "") for remark in view.remarks for row in wrapped(remark, max(10, width))]
        return rows

    def _draw_answer(self, width: int, height: int) -> Canvas:
        canvas = Canvas(width, height)
        for y, (text, role) in enumerate(self._answer_rows(width)):
            canvas.put(0, y, text, role)
        return canvas

    def _draw_plan(self, width: int, height: int) -> Canvas:
        record, words = self.desk.record, self.desk.words
        if record is None or words is None or height < 3:
            return Canvas(width, height)
        if self.live is not None and width < 48:
            return self._draw_target(record, width, height)
        if self.live is not None:
            canvas = Canvas(width, height)
            half = width // 2
            canvas.paste(0, 0, self._draw_foot(record, half, height))
            canvas.paste(half, 0, self._draw_target(record, width - half, height))
            return canvas
        return self._draw_foot(record, min(width, 90), height)

    def _draw_foot(self, record: PostRecord, width: int, height: int) -> Canvas:
        words = self.desk.words
        assert words is not None
        packs = record.prescription.packs if record.prescription and self._packs() else ()
        packs = tuple(sorted(packs, key=lambda pack: (pack.purpose != "lift", -pack.made_mm)))
        lean = record.reading.lean if record.reading else None
        if isinstance(self._heard, Understood) and not self._heard.is_gauge_only:
            along, across = self._heard.slopes(record.height_mm)
            lean, packs = Lean(along or 0.0, across or 0.0), ()
        if record.state is PostState.PLUMB:
            packs = record.packs_in_place
        return foot_plan(
            record.foot,
            packs,
            lean,
            record.height_mm,
            names=words.names,
            glyphs=self.desk.glyphs,
            width=width,
            height=height,
        )

    def _draw_target(self, record: PostRecord, width: int, height: int) -> Canvas:
        live, words = self.live, self.desk.words
        assert words is not None
        lean = live.lean if live is not None else None
        allowed = record.tolerance.allowed_top_mm(record.height_mm)
        top = lean.top_mm(record.height_mm) if lean else None
        self._span = span_for(math.hypot(*top), allowed, self._span) if top else self._span
        ring = lengths.fine(allowed, words.units)
        legend = f"ring {ring}"
        if lean is not None:
            legend = words.off(lean, record)
        elif live is not None:
            legend = live.word
        return target(
            top,
            allowed,
            span=self._span or 4.0,
            names=words.names,
            glyphs=self.desk.glyphs,
            width=width,
            height=height,
            legend=legend,
        )

    # ------------------------------------------------------------ wide screens

    def _draw_pair(self, width: int, height: int) -> Canvas:
        record, words = self.desk.record, self.desk.words
        before = record.before or record.reading if record else None
        if record is None or words is None or before is None or before.lean is None:
            return Canvas(width, height)
        after, title = None, "after packing, expected"
        if record.after is not None and record.after.lean is not None:
            after, title = record.after.lean, "after, as read"
        elif record.prescription is not None:
            after = record.prescription.resting.lean
        allowed = record.tolerance.allowed_top_mm(record.height_mm)
        half = (width - 2) // 2
        pictures = []
        for lean in (before.lean, after):
            top = lean.top_mm(record.height_mm) if lean else None
            pictures.append(
                target(
                    top,
                    allowed,
                    span=span_for(math.hypot(*top), allowed) if top else 4.0,
                    names=words.names,
                    glyphs=self.desk.glyphs,
                    width=half,
                    height=height - 1,
                    legend=words.off(lean, record) if lean else "not known",
                )
            )
        return pair(pictures[0], pictures[1], ("before, as read", title))

    def _draw_elevation(self, width: int, height: int) -> Canvas:
        record, words = self.desk.record, self.desk.words
        if record is None or words is None or record.reading is None or record.reading.lean is None:
            return Canvas(width, height)
        return elevation(
            record.foot,
            record.reading.lean,
            record.height_mm,
            names=words.names,
            glyphs=self.desk.glyphs,
            width=width,
            height=height,
        )

    def _draw_trend(self, width: int, height: int) -> Canvas:
        record, words = self.desk.record, self.desk.words
        canvas = Canvas(width, height)
        if record is None or words is None:
            return canvas
        tops = [
            math.hypot(*reading.lean.top_mm(record.height_mm))
            for reading in record.readings
            if reading.lean is not None
        ]
        if len(tops) < 2:
            return canvas
        allowed = record.tolerance.allowed_top_mm(record.height_mm)
        told = f" {self.desk.glyphs.faces[Face.NEXT]} ".join(f"{top:.1f}" for top in tops[-8:])
        canvas.put(0, 0, f"readings, mm off at the top: {told}", "label")
        canvas.paste(0, 1, trend(tops, allowed, glyphs=self.desk.glyphs, width=width, height=height - 2))
        return canvas

    def _draw_box(self, width: int, height: int) -> Canvas:
        """What is left of the lots that this answer takes from."""
        canvas = Canvas(width, height)
        record = self.desk.record
        if record is None or record.prescription is None or not self._packs():
            return canvas
        wanted = {piece.lot for pack in record.prescription.packs for piece in pack.pieces}
        lots = [lot for lot in self.desk.box().lots if lot.lot in wanted]
        if lots:
            canvas.put(0, 0, "from the box", "label")
        for y, lot in enumerate(lots, start=1):
            canvas.put(0, y, f"{lot.lot}: {lot.form} {lot.material}, {lot.count} left")
        return canvas

    # ------------------------------------------------------------ list of posts

    def _listed(self) -> tuple[PostRecord, ...]:
        if self.desk.run is None:
            return ()
        return self.desk.run.left_to_do if self.desk.only_left else self.desk.run.posts

    def _fill_posts(self) -> None:
        rows = self.query_one("#posts", Rows)
        if not rows.display or self.desk.run is None:
            return
        posts = self._listed()
        names = [post.name for post in posts]
        here = self.desk.place.post if self.desk.place else ""
        index = names.index(here) if here in names else 0
        signs = self.desk.glyphs.states
        rows.fill(
            [
                [
                    (f" {post.name:>4} ", ""),
                    (f"{signs[post.state]} {state_word(post.state)}", ROLES[post.state]),
                ]
                for post in posts
            ],
            index,
        )

    # ------------------------------------------------------------ words and keys at the foot

    def echo_text(self, typed: str) -> tuple[str, str]:
        """The live echo while something is typed; else what came of the last move, or a hint."""
        if self.question is not None or self.outcome is not None or not typed.strip():
            return super().echo_text(typed)
        signs, heard = self.desk.glyphs, self._heard
        if isinstance(heard, Understood):
            return f"{signs.understood} {heard.words}  {signs.enter} logs", "strong"
        if isinstance(heard, Refused):
            return f"{signs.refused} {heard.reason}", "refused"
        if isinstance(heard, Incomplete):
            return f"{signs.incomplete} {heard.reason}", ""
        return super().echo_text(typed)

    def default_hint(self) -> str:
        """What to do with the empty line."""
        if self.desk.run is None:
            return "Enter: the sample job   F5: your own"
        if self.live is not None:
            return f"{self.live.word}: Space takes it, or type"
        if not self.desk.settings.hints:
            return ""
        record = self.desk.record
        example = "3/8n1/2o" if self.desk.run.units == "inch" else "9n13o"
        match record.state if record else None:
            case PostState.TO_READ | PostState.HALF_READ:
                return f"type the lean, like {example}"
            case PostState.PLUMB | PostState.SKIPPED:
                return "Enter walks on to the next post"
            case _:
                return f"when it is tight type the lean again, like {example}"

    def keys(self) -> Sequence[Tap]:
        """Directions while typing, actions on the empty line."""
        glyphs = self.desk.glyphs
        if self.question is not None:
            return (Tap("Esc leave", "leave"), Tap(f"{glyphs.enter} keep", "enter"))
        if self.query_one(EntryLine).value:
            letters = self._letters()
            names = self.desk.words.names if self.desk.words else {}
            taps = [
                Tap(f"{glyphs.faces[face]} {names.get(face, face.value)}", f"type:{letters[face]}")
                for face in (Face.PREV, Face.NEXT, Face.OUT, Face.HOUSE)
            ]
            return (*taps, Tap(f"{glyphs.enter}", "enter"))
        taps = [
            Tap("F1 help", "help"),
            Tap("^Z undo", "undo"),
            Tap("^T pad", "pad"),
            Tap("^P all", "palette"),
        ]
        if not self._slim:
            taps[1:1] = [Tap(f"{glyphs.enter} next", "next_post"), Tap("/ find", "find")]
        if self._packs() and len(self._packs()) > 1:
            taps.insert(1, Tap("Tab pack", "next_pack"))
        return taps[:5] if self._slim else taps

    def _letters(self) -> dict[Face, str]:
        if isinstance(self._heard, Understood):
            return self._heard.settings.all_letters
        return {Face.NEXT: "n", Face.PREV: "p", Face.OUT: "o", Face.HOUSE: "h"}

    def _pad_taps(self) -> list[list[Tap]]:
        inch = self.desk.run is not None and self.desk.run.units == "inch"
        rows = (
            [("1/8", "1/4", "3/8", "1/2"), ("5/8", "3/4", "7/8", "1/16")]
            if inch
            else [("1", "2", "3", "4", "5"), ("6", "7", "8", "9", "0")]
        )
        taps = [[Tap(text, f"type:{text}") for text in row] for row in rows]
        letters, glyphs = self._letters(), self.desk.glyphs
        taps.append([Tap(f"{glyphs.faces[face]} {letters[face]}", f"type:{letters[face]}") for face in Face])
        extra = [Tap("strong", "type:+"), Tap("shy", "type:-")] if inch else [Tap(".5", "type:.5")]
        taps.append([*extra, Tap("erase", "erase"), Tap("LOG", "enter", "here")])
        return taps


_NO_RUN = (
    "No job in this data file yet.\n"
    "Enter starts the sample job: a made-up boardwalk to try everything on, easy to delete. "
    "F5 sets up a job of your own."
)


def _first_lot(pack: PackLine) -> str:
    return pack.short.partition(" ")[0]
