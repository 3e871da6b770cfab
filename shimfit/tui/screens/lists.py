"""The pages that list: the run post by post, the box lot by lot, the record as it goes on paper.

A wide window has the list on the left and beside it what belongs to the marked row.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from textual import on

from shimfit.errors import ShimfitError
from shimfit.model import PostState
from shimfit.text.canvas import Canvas
from shimfit.text.glyphs import ROLES
from shimfit.text.phrases import clipped, fitting, lot_row, lot_size, post_view, state_word, wrapped
from shimfit.text.pictures import InPlan, Standing, run_as_it_stands, run_in_plan, strip, to_scale, turn_of
from shimfit.tui.handover import FileToWrite, export_record, suggested_name
from shimfit.tui.screens.page import Page, Question
from shimfit.tui.session import Outcome
from shimfit.tui.setting_up import lot_hint
from shimfit.tui.widgets import Below, Beside, Picture, Rows, Tap
from shimfit.workflow.tables import load_lots

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from textual.app import ComposeResult

    from shimfit.model import Lean, Lot, Reading
    from shimfit.standing import PostRecord
    from shimfit.text.canvas import Run
    from shimfit.text.phrases import Words
    from shimfit.tui.session import Session

NO_RUN = "Enter on the screen Post opens the sample job, F5 sets up your own."
PICTURE_ROWS = ((36, 18), (0, 9))
"""Rows of the picture above the list, by the least rows of the window."""
LEANS_ROWS = 11
"""Rows of the leans below the run's plan, where there is room for both."""
SHARES_FROM = 110, 24
"""Columns and rows from which on the list shares the window with what belongs to its marked row."""
LIST_SHARE, WIDEST_LIST = 0.55, 84
LEAST_BESIDES = 22
"""Columns that packs and notes take in the record's list at least."""
NAMED_FROM = 60
"""Columns from which on a run's row says more than how far off."""


class ListPage(Page):
    """A list that takes the keys; beside it, in a wide window, what belongs to the marked row."""

    EMPTY = ""
    DOES = "keep"
    """What Enter does with what is asked here."""

    def compose_body(self) -> ComposeResult:
        """The list, and beside it the picture of its marked row."""
        with Beside(id="body"):
            with Below(id="listed"):
                yield from self.compose_above()
                yield Rows(id="list", empty=self.session.keys.spell(self.EMPTY))
            yield Picture(self.draw_beside, id="beside")

    def compose_above(self) -> ComposeResult:
        """What stands above the list."""
        yield from ()

    def rows(self, width: int) -> tuple[Sequence[Sequence[Run]], int | None]:
        """The rows of the list at a width, and which is to be marked; None: the one that was."""
        raise NotImplementedError

    def draw_beside(self, width: int, height: int) -> Canvas:
        """What belongs to the marked row."""
        return Canvas(width, height)

    @property
    def shares(self) -> bool:
        """There is room beside the list."""
        return self.window.width >= SHARES_FROM[0] and self.window.height >= SHARES_FROM[1]

    def fill(self) -> None:
        """Fill the list anew."""
        width = self.window.width
        if self.shares:
            width = min(round(LIST_SHARE * width), WIDEST_LIST)
        self.query_one("#listed").styles.width = width
        self.query_one("#beside").display = self.shares
        self.list.fill(*self.rows(width))

    @property
    def list(self) -> Rows:
        """The list."""
        return self.query_one("#list", Rows)

    def focus_home(self) -> None:
        """The list takes the keys."""
        self.list.focus()

    def open_marked(self) -> None:
        """Choose the marked row."""
        self.list.action_choose()

    def keys(self) -> Sequence[Tap]:
        """What can be done from here."""
        if self.question is not None:
            enter = self.session.glyphs.enter
            leave = "leave" if self.question.back is None else "back"
            return (Tap(f"Esc {leave}", "leave"), Tap(f"{enter} {self.DOES}", "enter"))
        return self.own_keys()

    def own_keys(self) -> Sequence[Tap]:
        """What can be done from here while nothing is asked."""
        return ()

    @on(Rows.Moved, "#list")
    def _moved(self, event: Rows.Moved) -> None:
        event.stop()
        self.query_one("#beside", Picture).redraw()

    @on(Rows.Chosen, "#list")
    def _chosen(self, event: Rows.Chosen) -> None:
        event.stop()
        self.chosen(event.index)

    def chosen(self, index: int) -> None:
        """A row was chosen by Enter or a tap."""


class PostList(ListPage):
    """A list of the run's posts: choosing one goes to it."""

    def posts(self) -> tuple[PostRecord, ...]:
        """The posts in the order of the rows."""
        return self.session.run.posts if self.session.run is not None else ()

    def marked(self) -> PostRecord | None:
        """The post of the marked row."""
        posts, index = self.posts(), self.list.index
        return posts[index] if index < len(posts) else None

    def marked_post(self) -> str:
        """The post that is marked in the list."""
        post = self.marked()
        return post.name if post is not None else super().marked_post()

    def chosen(self, index: int) -> None:
        """Go to the post."""
        posts = self.posts()
        if index < len(posts):
            self.program.go_to_post(posts[index].name)

    def mark_here(self) -> int:
        """The row of the post on screen."""
        here = self.session.place.post if self.session.place else ""
        return next((row for row, post in enumerate(self.posts()) if post.name == here), 0)


def _write(canvas: Canvas, rows: Sequence[Run], top: int = 0) -> int:
    """Sentences below one another, broken to the canvas; returns the row after the last."""
    y = top
    for text, role in rows:
        for row in wrapped(text, canvas.width):
            canvas.put(0, y, row, role)
            y += 1
    return y


class RunScreen(PostList):
    """List of posts, strip, and the run as it stands."""

    NAME = "run"
    EMPTY = NO_RUN
    DOES = "go"

    def compose_above(self) -> ComposeResult:
        """Strip and picture."""
        yield Picture(self._draw_strip, id="strip")
        yield Picture(self._draw_picture, id="picture")

    def fill(self) -> None:
        """Give the picture its rows: none where it stands beside the list."""
        picture = self.query_one("#picture")
        picture.styles.height = next(rows for least, rows in PICTURE_ROWS if self.window.height >= least)
        picture.set_class(self.shares, "-away")
        if self.session.run is not None:
            self.list.empty = "every post is done"
        super().fill()

    def rows(self, width: int) -> tuple[Sequence[Sequence[Run]], int | None]:
        """A row a post."""
        words = self.session.words  # asked once: of ten thousand posts it would take seconds
        if words is None:
            return (), None
        return [self._row(post, words, width) for post in self.posts()], self.mark_here()

    def draw_headline(self, width: int, height: int) -> Canvas:
        """Run, and how many posts are in which state."""
        canvas = Canvas(width, height)
        run = self.session.run
        if run is None:
            canvas.put(0, 0, "no run yet", "strong")
            return canvas
        left = len(run.left_to_do)
        done = f"{left} of {len(run.posts)} left to do" if left else f"all {len(run.posts)} posts done"
        how = ["only these are listed"] if self.session.only_left else []
        how += ["worst first"] if self.session.by_worst else []
        head = f"{run.name}  {done}"
        canvas.put(0, 0, fitting(width, "", f"{head} ({', '.join(how)})" if how else head, head), "strong")
        return canvas

    def own_keys(self) -> Sequence[Tap]:
        """What can be done from here."""
        left = "l all posts" if self.session.only_left else "l left"
        worst = "w in order" if self.session.by_worst else "w worst"
        return (
            Tap(f"{self.session.glyphs.enter} open", "open"),
            Tap(left, "left_to_do"),
            Tap(worst, "by_worst"),
            Tap("/ find", "find"),
            Tap("^P all", "palette"),
        )

    def default_hint(self) -> str:
        """One line on what the list is for."""
        if self.session.run is None:
            return ""
        if self.session.walks_on:
            return "survey: each reading walks on to the next post"
        return "Enter or a tap goes to the post"

    def posts(self) -> tuple[PostRecord, ...]:
        """All, or what is left to do; in walking order, or the worst first."""
        run = self.session.run
        if run is None:
            return ()
        posts = run.left_to_do if self.session.only_left else run.posts
        if not self.session.by_worst:
            return posts
        return tuple(sorted(posts, key=_share_of_limit, reverse=True))

    def _row(self, post: PostRecord, words: Words, width: int) -> list[Run]:
        glyphs = self.session.glyphs
        reported = f"{glyphs.states[post.state]} {state_word(post.state)}"
        runs: list[Run] = [
            (f" {post.name:>4} ", ""),
            (reported, ROLES[post.state]),
            (" " * (20 - len(reported)), ""),
        ]
        lean = post.reading.lean if post.reading else None
        if lean is None:
            return runs
        was = "was " if post.changed else ""
        if width < NAMED_FROM:
            off = words.off_by(lean, post)
            return [*runs, (fitting(width - 26, glyphs.more, f"{was}{off} off", f"{was}{off}", off), "")]
        off = f"{was}{words.off_by(lean, post, unit=False)} of {words.allowed(post)}"
        notes = "; ".join(note.text for note in post.notes)
        leans = words.lean(lean, post.height_mm).removeprefix("TOP leans ").removeprefix("TOP ")
        return [*runs, (clipped(f"{off}  {leans}  {notes}".rstrip(), width - 26, glyphs.more), "")]

    def _draw_strip(self, width: int, height: int) -> Canvas:
        run = self.session.run
        if run is None:
            return Canvas(width, height)
        states = [post.state for post in run.posts]
        return strip(states, self.session.index, glyphs=self.session.glyphs, width=width)

    def draw_beside(self, width: int, height: int) -> Canvas:
        """The marked post in words, below the run."""
        words, post = self.session.words, self.marked()
        if words is None or post is None:
            return Canvas(width, height)
        rows = list(_post_rows(post, words))
        said = sum(len(wrapped(text, width)) for text, _ in rows)
        high = max(PICTURE_ROWS[-1][1], min(height - said - 1, width // 2))
        canvas = Canvas(width, height)
        drawn = 0
        if self._turns and high >= 2 * LEANS_ROWS:
            drawn = high - LEANS_ROWS
            canvas.paste(0, 0, self._in_plan(width, drawn - 1))
        canvas.paste(0, drawn, (self._as_it_stands if drawn else self._draw_picture)(width, high - drawn))
        _write(canvas, rows, high + 1)
        return canvas

    @property
    def _turns(self) -> bool:
        """The run has a corner."""
        return self.session.run is not None and any(post.kind == "corner" for post in self.session.run.posts)

    def _draw_picture(self, width: int, height: int) -> Canvas:
        return (self._in_plan if self._turns else self._as_it_stands)(width, height)

    def _in_plan(self, width: int, height: int) -> Canvas:
        words, run = self.session.words, self.session.run
        if run is None or words is None:
            return Canvas(width, height)
        return run_in_plan(
            [InPlan(post.name, post.station_mm, post.state, turn_of(post)) for post in run.posts],
            self.session.index,
            length=words.distance,
            names=words.names,
            glyphs=self.session.glyphs,
            width=width,
            height=height,
        )

    def _as_it_stands(self, width: int, height: int) -> Canvas:
        words, run = self.session.words, self.session.run
        if run is None or words is None:
            return Canvas(width, height)
        return run_as_it_stands(
            [
                Standing(
                    post.name,
                    post.station_mm,
                    post.state,
                    None if (lean := _lean_as_read(post)) is None else lean.top_mm(post.height_mm),
                    post.height_mm,
                )
                for post in run.posts
            ],
            self.session.index,
            names=words.names,
            glyphs=self.session.glyphs,
            width=width,
            height=height,
            units=words.units,
        )


def _post_rows(post: PostRecord, words: Words) -> Iterator[Run]:
    """What the post's own page says of it, row by row."""
    view = post_view(post, words)
    at = f"post {post.name}, {words.distance(post.station_mm)} from the start"
    yield at, "strong"
    yield f"{words.glyphs.states[post.state]} {view.word}", ROLES[post.state]
    for text in (view.lean, view.do, view.result):
        if text:
            yield text, ""
    for pack in view.packs:
        yield f"{pack.number} {pack.where}  {pack.what}", ""
    for remark in view.remarks:
        yield remark, ""


def _share_of_limit(post: PostRecord) -> float:
    """How far off the top is, as a share of what is allowed; one not read since it was changed is last."""
    lean = _lean_as_read(post)
    return -1.0 if lean is None else post.tolerance.uses(lean, post.height_mm)


def _lean_as_read(post: PostRecord) -> Lean | None:
    """The lean that was read of the post as it stands; None when it was not read, or changed since."""
    return None if post.reading is None or post.changed else post.reading.lean


# ---------------------------------------------------------------- the box


class StockScreen(ListPage):
    """Lots with their sizes, what is left of each, what the post on screen takes of it."""

    NAME = "stock"
    EMPTY = "The box is empty: a adds a lot, i takes a CSV file"

    def rows(self, width: int) -> tuple[Sequence[Sequence[Run]], int | None]:
        """A row a lot; one that the post on screen takes from stands out and says how much."""
        units, taken = self.session.settings.units, self._taken()
        rows = []
        for lot in self._lots():
            takes = f"takes {taken[lot.lot]}" if lot.lot in taken else ""
            room = width - len(takes) - 1 if takes else width
            row = lot_row(lot, 0 if self.shares else width, units)  # beside the list stands the rest
            row = f"{row:<46}{lot.material}" if self.shares else row
            row = clipped(row, room, self.session.glyphs.more)
            rows.append([(f"{row:<{room}}{takes}" if takes else row, "strong" if takes else "")])
        return rows, None

    def draw_headline(self, width: int, height: int) -> Canvas:
        """How much is in the box."""
        canvas = Canvas(width, height)
        lots = self._lots()
        pieces = sum(lot.count for lot in lots)
        short = self.session.box().short
        wrong = f"; counted wrong: {', '.join(lot for lot, _ in short)}" if short else ""
        head = f"The box: {len(lots)} lots, {pieces} pieces{wrong}"
        place = self.session.place
        takes = f"; bold: post {place.post} takes it" if place is not None and self._taken() else ""
        canvas.put(0, 0, fitting(width, self.session.glyphs.more, head + takes, head), "strong")
        return canvas

    def draw_beside(self, width: int, height: int) -> Canvas:
        """The box drawn to one scale, thin on thick; below it the marked lot in words."""
        canvas, lots = Canvas(width, height), self._lots()
        if not lots:
            return canvas
        lot = lots[min(self.list.index, len(lots) - 1)]
        record, words = self.session.record, self.session.words
        rows: list[Run] = [
            (f"{lot.lot}: {lot.form}, {lot_size(lot, self.session.settings.units)}", "strong"),
            (f"{lot.count} left{f', {lot.material}' if lot.material else ''}, {lot.origin}", ""),
        ]
        rows += [(lot.note, "")] if lot.note else []
        if record is not None and words is not None and record.going_in is not None:
            rows += [
                (f"post {record.name} takes it under {words.seat(pack.seat)}: {words.pieces(pack)}", "")
                for pack in record.going_in.packs
                if any(piece.lot == lot.lot for piece in pack.pieces)
            ]
        glyphs = self.session.glyphs
        y = _write(canvas, rows) + 1
        canvas.paste(0, y, to_scale(lots, lot.lot, glyphs=glyphs, width=width, height=height - y))
        return canvas

    def default_hint(self) -> str:
        """What can be done to the marked lot."""
        if not self._lots():
            return ""
        return self.session.keys.spell("o: pieces of the marked lot are gone, ^Z undoes")

    def own_keys(self) -> Sequence[Tap]:
        """What can be done from here."""
        return (
            Tap("o gone", "stock_out"),
            Tap("a add", "stock_add"),
            Tap("i import", "stock_import"),
            Tap("^P all", "palette"),
        )

    def stock_out(self) -> None:
        """Ask how many of the marked lot are gone; undo brings them back."""
        lots = self._lots()
        index = self.list.index
        if index < len(lots):
            lot = lots[index]
            hint = f"how many of {lot.lot} are gone? {lot.count} left; Enter: all of them"
            self.ask(Question(f"{lot.lot} gone", hint, lambda text: self._gone(lot.lot, text.strip())))

    def _gone(self, lot: str, text: str) -> Outcome:
        if text and not (text.isdecimal() and int(text)):
            return Outcome(f"how many pieces, not {text!r}", done=False, at=0, bell="refused")

        def take_out() -> str:
            reported = self.session.site.out_of(lot, int(text) if text else None)
            self.session.answer_missing()
            return self.session.keys.spell(f"{reported}; ^Z brings it back")

        return _outcome_of(take_out)

    def stock_add(self) -> None:
        """Ask for a lot, or several."""
        self.ask(Question("lot", lot_hint(self.session.settings.units), self._add))

    def _add(self, text: str) -> Outcome:
        """Put them in the box; what they are made of is asked for where nothing was said of it."""
        try:
            unsaid = any(not lot.material for lot in self.session.lots_from(text))
        except ShimfitError as error:
            return Outcome(error.message, done=False, at=error.at, bell="refused")

        def add(material: str) -> Outcome:
            return _outcome_of(lambda: self.session.add_lots(text, material.strip()))

        if not unsaid:
            return add("")
        hint = "what is it made of, like PVC? It must not rot or creep. Enter: not said"
        again = Question("lot", lot_hint(self.session.settings.units), self._add, text)
        self.ask(Question("material", hint, add, back=lambda: self.ask(again)))
        return Outcome("")

    def stock_import(self) -> None:
        """Ask for a stock file."""
        self.ask(Question("file", "a CSV file with the lots that you counted", self._load))

    def _load(self, text: str) -> Outcome:
        def load() -> str:
            reported = load_lots(self.session.site, Path(text.strip()).expanduser())
            self.session.answer_missing()
            return reported

        return _outcome_of(load)

    def _lots(self) -> tuple[Lot, ...]:
        return self.session.box().lots

    def _taken(self) -> dict[str, int]:
        """Pieces that the post on screen takes, by lot."""
        record, taken = self.session.record, dict[str, int]()
        if record is not None and record.answer is not None:
            for pack in record.answer.packs:
                for piece in pack.pieces:
                    taken[piece.lot] = taken.get(piece.lot, 0) + 1
        return taken


def _outcome_of(move: Callable[[], str]) -> Outcome:
    try:
        return Outcome(move())
    except ShimfitError as error:
        return Outcome(error.message, done=False, bell="refused")


# ---------------------------------------------------------------- the record


class RecordScreen(PostList):
    """A row a post: how it stood before and after, what is allowed, and what is under it."""

    NAME = "record"
    EMPTY = "no run yet: F5 sets one up"
    DOES = "write"

    def __init__(self, session: Session) -> None:
        super().__init__(session)
        self._headings: list[Run] = []

    def compose_above(self) -> ComposeResult:
        """The headings."""
        yield Picture(self._draw_headings, id="headings")

    def rows(self, width: int) -> tuple[Sequence[Sequence[Run]], int | None]:
        """A row a post."""
        if self.session.run is None:
            return (), None
        self._headings, *rows = record_rows(self.session, width)
        return rows, self.mark_here()

    def draw_headline(self, width: int, height: int) -> Canvas:
        """How many posts stand plumb, as the paper says it where there is room."""
        canvas = Canvas(width, height)
        run = self.session.run
        if run is not None:
            from shimfit.report.record import result_words

            plumb = sum(post.state is PostState.PLUMB for post in run.posts)
            short = f"{run.name}  {plumb} of {len(run.posts)} plumb"
            sample = "  SAMPLE: nothing in it is real" if run.sample else ""
            forms = (f"{run.name}  {result_words(run)}{sample}", short + sample, short)
            canvas.put(0, 0, fitting(width, self.session.glyphs.more, *forms), "strong")
        return canvas

    def draw_beside(self, width: int, height: int) -> Canvas:
        """The marked post as the paper will have it."""
        canvas, run, post = Canvas(width, height), self.session.run, self.marked()
        if run is None or post is None:
            return canvas
        _write(canvas, list(_paper_rows(post, self.session.words)))
        return canvas

    def default_hint(self) -> str:
        """What the columns are."""
        run, words = self.session.run, self.session.words
        if run is None or words is None or not run.posts:
            return ""
        unit = "mm" if words.units == "mm" else "inches"
        return f"{unit} off at the top; allowed {words.allowed(run.posts[0])}"

    def _draw_headings(self, width: int, height: int) -> Canvas:
        canvas, x = Canvas(width, height), 0
        for text, role in self._headings:
            canvas.put(x, 0, text, role)
            x += len(text)
        return canvas

    def own_keys(self) -> Sequence[Tap]:
        """What can be done from here."""
        return (
            Tap("e export", "hand_over"),
            Tap(f"{self.session.glyphs.enter} open", "open"),
            Tap("F1 help", "help"),
            Tap("^P all", "palette"),
        )

    def hand_over(self) -> None:
        """Ask for a file name."""
        if self.session.run is None:
            self.say(Outcome("no run is open", done=False))
            return
        hint = ".pdf for paper, .csv for a table, .json for programs"
        name, write = suggested_name(self.session.run), FileToWrite(self._export).named
        self.ask(Question("write to", hint, write, name, doing="writing"))

    def _export(self, name: str, overwrite: bool) -> Path:
        assert self.session.run is not None
        return export_record(self.session.site, self.session.run, name, overwrite=overwrite)


def record_rows(session: Session, width: int) -> list[list[Run]]:
    """Headings, then a row a post; every column is as wide as what stands in it, so nothing runs together."""
    run, words = session.run, session.words
    assert run is not None
    assert words is not None
    cells = [("post", "before", "after", "allowed")]
    states = [("state", "label")]
    for post in run.posts:
        states.append((f"{session.glyphs.states[post.state]} {state_word(post.state)}", ROLES[post.state]))
        before, after = _off(words, post, post.before or post.reading), _off(words, post, post.after)
        cells.append((post.name, before, after, words.allowed(post, unit=False)))
    wide = [max(len(row[column]) for row in cells) for column in range(4)]
    state_wide = min(width - sum(wide[:3]) - 6, max(len(text) for text, _ in states))
    besides = width - sum(wide) - state_wide - 10
    rows: list[list[Run]] = []
    for number, (row, (state, role)) in enumerate(zip(cells, states, strict=True)):
        text = f"  {row[1]:>{wide[1]}}  {row[2]:>{wide[2]}}"
        if besides >= LEAST_BESIDES:
            more = _besides(words, run.posts[number - 1], besides) if number else "under it, and notes"
            text += f"  {row[3]:>{wide[3]}}  {clipped(more, besides, words.glyphs.more)}"
        label = "" if number else "label"
        shown = clipped(state, state_wide, words.glyphs.more).ljust(state_wide)
        rows.append([(f"{row[0]:>{wide[0]}}  ", label), (shown, role), (text, label)])
    return rows


def _off(words: Words, post: PostRecord, reading: Reading | None) -> str:
    if reading is None or reading.lean is None:
        return "-"
    return words.off_by(reading.lean, post, unit=False)


def _besides(words: Words, post: PostRecord, width: int) -> str:
    """Packs in place and notes, as much as there is room for."""
    packs = ", ".join(
        f"{words.glyphs.seats[pack.seat]} {words.short_pieces(pack)}" for pack in post.packs_in_place
    )
    reported = "; ".join(part for part in (packs, *(note.text for note in post.notes)) if part)
    return clipped(reported, width, words.glyphs.more)


def _paper_rows(post: PostRecord, words: Words | None) -> Iterator[Run]:
    """A post's row of the record, and the readings behind it, as they are printed."""
    from shimfit.quantities import shown
    from shimfit.report import words as paper
    from shimfit.report.record import notes_of, readings_of

    if words is None:
        return
    faces, units = dict(words.names), words.units
    yield f"post {post.name} on paper", "strong"
    unit = paper.unit_name(units)
    for what, reading, uncertainty in (("before", post.before, False), ("as built", post.after, True)):
        told = ", ".join(paper.reading(reading, faces, units, uncertainty=uncertainty)) if reading else ""
        yield f"{what:<9} {told or '-'}{f' {unit}' if told else ''}", ""
    yield f"{'allowed':<9} {words.allowed(post)}", ""
    sure = f", {shown.percent(post.probability)} within" if post.probability is not None else ""
    yield f"{'decision':<9} {paper.DECISION_WORDS[post.stands]}{sure}", ROLES[post.state]
    yield "", ""
    for pack in post.packs_in_place:
        yield f"{words.glyphs.seats[pack.seat]} {paper.pack(pack, faces, units)}", ""
    for note in notes_of(post, faces, units):
        yield note, ""
    readings = readings_of(post)
    if readings:
        yield "", ""
        yield "readings", "label"
    for reading_row in readings:
        yield reading_row, ""
