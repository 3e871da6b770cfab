"""The pages that list: the run post by post, the box lot by lot, the record as it goes on paper.

A wide window has the list on the left; below it and beside it stands what belongs to its marked row.
"""

from __future__ import annotations

from collections import defaultdict
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

from textual import on

from shimfit.core.ledger import STEPS_PER_MM
from shimfit.errors import ShimfitError
from shimfit.model import PostState
from shimfit.text.canvas import Canvas
from shimfit.text.glyphs import ROLES
from shimfit.text.phrases import fitting, lot_size, post_view, score_words
from shimfit.text.pictures import PostInRun, run_as_it_stands, run_in_plan, strip, turn_of
from shimfit.text.plan_phrases import buy_lines
from shimfit.tui.handover import export_record, suggested_name, writing
from shimfit.tui.screens.beside import (
    Drawing,
    before_after,
    box_side,
    column,
    from_the_side,
    lot_side,
    packs_at,
    readings_trend,
)
from shimfit.tui.screens.page import Column, Page, Question, laid_out
from shimfit.tui.session import Outcome, outcome_of, refused
from shimfit.tui.setting_up import lot_hint
from shimfit.tui.widgets import Below, Beside, Picture, Rows, Tap
from shimfit.workflow.tables import load_lots

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence

    from textual.app import ComposeResult

    from shimfit.model import Lean, Lot, Pack, Piece, Reading
    from shimfit.report.record import RunRecord
    from shimfit.standing import PostRecord
    from shimfit.text.canvas import Run
    from shimfit.text.phrases import Words
    from shimfit.tui.screens.beside import Part
    from shimfit.tui.session import Session

NO_RUN = "Enter on the screen Post opens the sample job, F5 sets up your own."
NAMED_FROM = 64
"""Columns from which on the row below the list has room for more than what to press."""
SHARES_FROM = 110, 24
"""Columns and rows from which on the list shares the window with what belongs to its marked row."""
SHARED_ROWS = 6
"""Rows of a page's tabs, head, headings, echo and keys, and a free one."""
PACKS_BELOW_FROM = 45
"""Rows from which on the record has the packs' picture below its list."""
LIST_SHARE, WIDEST_LIST = 0.55, 92


class ListPage(Page):
    """A list that takes the keys; in a wide window, below and beside it, what belongs to the marked row."""

    EMPTY = ""
    LEAST_COLUMNS: ClassVar[int] = 1
    """Columns of its table that stay in the narrowest window."""
    ROWS_ABOVE: ClassVar[int] = 0
    """Rows of what stands above the list."""
    LEAST_BELOW: ClassVar[int] = 6
    """Rows that are worth filling below it."""
    KEEPS_BELOW: ClassVar[bool] = False
    """It has them in every window that is tall, however long the list."""

    def compose_body(self) -> ComposeResult:
        """The list, and the two columns of its marked row."""
        with Beside(id="body"):
            with Below(id="listed"):
                yield from self.compose_above()
                yield Picture(self._draw_headings, id="headings")
                yield Rows(id="list", empty=self.session.keys.spell(self.EMPTY))
                yield Picture(partial(self._draw, self.below), id="below")
            yield Picture(partial(self._draw, self.beside), id="beside")

    def compose_above(self) -> ComposeResult:
        """What stands above the list."""
        yield from ()

    def columns(self) -> Sequence[Column]:
        """The table that is listed."""
        raise NotImplementedError

    def to_mark(self) -> int | None:
        """Row to mark when the list is filled; None: the one that was."""
        return None

    def below(self) -> Iterable[Part]:
        """What stands below the list of a wide window."""
        return ()

    def beside(self) -> Iterable[Part]:
        """What stands beside the list of a wide window."""
        return ()

    @property
    def shares(self) -> bool:
        """There is room beside the list."""
        return self.window.width >= SHARES_FROM[0] and self.window.height >= SHARES_FROM[1]

    @property
    def list_width(self) -> int:
        """Columns of the list."""
        width = self.window.width
        return min(round(LIST_SHARE * width), WIDEST_LIST) if self.shares else width

    def fill(self) -> None:
        """Fill the list anew."""
        columns, width = self.columns(), self.list_width
        self._headings, *rows = laid_out(columns, width, self.session.glyphs.more, self.LEAST_COLUMNS)
        # The list has the rows that it needs; what it leaves goes to what belongs to its marked row, which in
        # a wide window has half of them in any case.
        room = self.window.height - SHARED_ROWS - self.ROWS_ABOVE
        needs = max(2, len(rows))
        keeps = self.KEEPS_BELOW and self.window.height >= SHARES_FROM[1]
        below = self.shares or keeps or room - needs >= self.LEAST_BELOW
        self.query_one("#beside").display = self.shares
        self.query_one("#below").display = below
        self.query_one("#listed").styles.width = width
        self.query_one("#headings").display = any(each.head for each in columns)
        self.list.styles.height = min(needs, max(room // 2, room - self.LEAST_BELOW)) if below else "1fr"
        self.list.fill(rows, self.to_mark())

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

    def chosen(self, index: int) -> None:
        """A row was chosen by Enter or a tap."""

    def _draw_headings(self, width: int, height: int) -> Canvas:
        canvas, x = Canvas(width, height), 0
        for text, role in self._headings:
            canvas.put(x, 0, text, role)
            x += len(text)
        return canvas

    def _draw(self, parts: Callable[[], Iterable[Part]], width: int, height: int) -> Canvas:
        return column(width, height, self.session.glyphs.more, *parts())

    @on(Rows.Moved, "#list")
    def _moved(self, event: Rows.Moved) -> None:
        event.stop()
        for name in ("#below", "#beside"):
            self.query_one(name, Picture).redraw()

    @on(Rows.Chosen, "#list")
    def _chosen(self, event: Rows.Chosen) -> None:
        event.stop()
        self.chosen(event.index)


class PostList(ListPage):
    """A table of the run's posts, the worst figure beside what is allowed: choosing one goes to it."""

    LEAST_COLUMNS = 3

    def posts(self) -> Sequence[PostRecord]:
        """The posts in the order of the rows."""
        return self.session.run.posts if self.session.run is not None else ()

    def columns(self) -> Sequence[Column]:
        """Name and state of each post, then the page's own."""
        words, posts = self.session.words, self.posts()  # words: asked once, of ten thousand posts
        if words is None or not posts:
            return ()
        signs = self.session.glyphs.states
        states = [(f"{signs[post.state]} {post.state}", ROLES[post.state]) for post in posts]
        return (
            Column("post", [(post.name, "") for post in posts], right=True),
            Column("state", states, gives=True),
            *self.figures(posts, words),
        )

    def figures(self, posts: Sequence[PostRecord], words: Words) -> Iterator[Column]:
        """Columns behind name and state."""
        raise NotImplementedError

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

    def to_mark(self) -> int | None:
        """The row of the post on screen."""
        here = self.session.place.post if self.session.place else ""
        return next((row for row, post in enumerate(self.posts()) if post.name == here), 0)


def _allowed(posts: Sequence[PostRecord], words: Words) -> Iterator[Column]:
    """How far each top may be off, unless it is the same for all: then the row below the list says it."""
    allowed = [words.allowed(post, unit=False) for post in posts]
    if len(set(allowed)) > 1:
        yield Column("allowed", [(text, "") for text in allowed], right=True)


def _texts(texts: Iterable[str]) -> list[Run]:
    return [(text, "") for text in texts]


# ---------------------------------------------------------------- the run


class RunScreen(PostList):
    """List of posts, strip, and the run as it stands."""

    NAME = "run"
    EMPTY = NO_RUN
    DOES = "go"
    ROWS_ABOVE, LEAST_BELOW, KEEPS_BELOW = 1, 9, True

    def compose_above(self) -> ComposeResult:
        """The strip."""
        yield Picture(self._draw_strip, id="strip")

    def fill(self) -> None:
        """Fill the list anew."""
        if self.session.run is not None:
            self.list.empty = "every post is done"
        super().fill()

    def figures(self, posts: Sequence[PostRecord], words: Words) -> Iterator[Column]:
        """How far off each is, how far it may be, which way it leans, and what was noted."""
        off, leans = [], []
        for post in posts:
            lean = post.reading.lean if post.reading else None
            was = "was " if post.changed else ""
            off.append(("-" if lean is None else f"{was}{words.off_by(lean, post, unit=False)}", ""))
            way = words.lean(lean, post.height_mm).removeprefix("TOP leans ") if lean is not None else ""
            notes = (note.text for note in post.notes)
            leans.append(("; ".join(part for part in (way.removeprefix("TOP "), *notes) if part), ""))
        yield Column(f"{'mm' if words.units == 'mm' else 'inches'} off", off, right=True)
        yield from _allowed(posts, words)
        yield Column("the top leans, and notes", leans)

    def headline(self, width: int) -> str:
        """Run, and how many posts are in which state."""
        run = self.session.run
        if run is None:
            return "no run yet"
        left = len(run.left_to_do)
        done = f"{left} of {len(run.posts)} left to do" if left else f"all {len(run.posts)} posts done"
        how = ["only these are listed"] if self.session.only_left else []
        how += ["worst first"] if self.session.by_worst else []
        head = f"{run.name}  {done}"
        return fitting(width, "", f"{head} ({', '.join(how)})" if how else head, head)

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
        posts, words = self.session.run.posts, self.session.words
        allowed = f"allowed {words.allowed(posts[0])}; " if words is not None and posts else ""
        score = score_words(self.session.run.score) if self.window.width >= NAMED_FROM else None
        return allowed + (score.lower() if score else "Enter or a tap goes to the post")

    def posts(self) -> Sequence[PostRecord]:
        """All, or what is left to do; in walking order, or the worst first."""
        run = self.session.run
        if run is None:
            return ()
        posts = run.left_to_do if self.session.only_left else run.posts
        if not self.session.by_worst:
            return posts
        return tuple(sorted(posts, key=_share_of_limit, reverse=True))

    def below(self) -> Iterator[Part]:
        """The marked post: what is to be done there, its packs; the run itself where nothing is beside."""
        words, post = self.session.words, self.marked()
        if words is None or post is None:
            return
        if not self.shares and self.window.height >= SHARES_FROM[1]:
            yield Drawing(self._in_plan if self._turns else self._as_it_stands, 8, 18)
            return
        yield list(_post_rows(post, words))
        yield packs_at(post, words)
        yield readings_trend(post, words)

    def beside(self) -> Iterator[Part]:
        """The run from above where it turns, its posts as they lean; below them the marked post."""
        words, post = self.session.words, self.marked()
        if self._turns:
            yield Drawing(self._in_plan, 9, 22)
        yield Drawing(self._as_it_stands, 9, 18 if self._turns else 32)
        if words is not None and post is not None:
            yield before_after(post, words) or from_the_side(post, words)

    @property
    def _turns(self) -> bool:
        """The run has a corner."""
        return self.session.run is not None and any(post.kind == "corner" for post in self.session.run.posts)

    def _draw_strip(self, width: int, height: int) -> Canvas:
        run = self.session.run
        if run is None:
            return Canvas(width, height)
        states = [post.state for post in run.posts]
        return strip(states, self.session.index, glyphs=self.session.glyphs, width=width)

    def _in_plan(self, width: int, height: int) -> Canvas:
        words, run = self.session.words, self.session.run
        if run is None or words is None:
            return Canvas(width, height)
        return run_in_plan(
            [PostInRun(post.name, post.station_mm, post.state, turn_of(post)) for post in run.posts],
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
        leans = {post.name: _lean_as_read(post) for post in run.posts}
        tops = {post.name: lean.top_mm(post.height_mm) for post in run.posts if (lean := leans[post.name])}
        return run_as_it_stands(
            [
                PostInRun(post.name, post.station_mm, post.state, top_mm=tops.get(post.name))
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
    yield from _texts(text for text in (view.lean, view.do, view.result) if text)
    yield from _texts(f"{pack.number} {pack.where}  {pack.what}" for pack in view.packs)
    yield from _texts(view.remarks)


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
    LEAST_COLUMNS = 3
    KEYS = (
        ("o gone", "stock_out"),
        ("a add", "stock_add"),
        ("i import", "stock_import"),
        ("^P all", "palette"),
    )

    def columns(self) -> Sequence[Column]:
        """A row a lot; one that the post on screen takes from stands out and says how much."""
        lots, units = self._lots(), self.session.settings.units
        if not lots:
            return ()
        taken = defaultdict[str, int](int)
        for _, piece in _pieces(self.session.record):
            taken[piece.lot] += 1
        roles = ["strong" if lot.lot in taken else "" for lot in lots]

        def cells(texts: Iterable[str]) -> list[Run]:
            return list(zip(texts, roles, strict=True))

        takes = [f"takes {taken[lot.lot]}" if lot.lot in taken else "" for lot in lots]
        return (
            Column("lot", cells(lot.lot for lot in lots)),
            Column("no.", cells(str(lot.count) for lot in lots), right=True),
            Column("size", cells(f"{lot.form} {lot_size(lot, units)}" for lot in lots), gives=True),
            *(
                [Column(f"post {self.session.place.post}", cells(takes))]
                if taken and self.session.place
                else ()
            ),
            Column("made of", cells(lot.material for lot in lots)),
            Column("from", cells(f"{lot.origin} {lot.note}".strip() for lot in lots)),
        )

    def headline(self, width: int) -> str:
        """How much is in the box."""
        lots, short, place = self._lots(), self.session.site.box().short, self.session.place
        wrong = f"; counted wrong: {', '.join(lot for lot, _ in short)}" if short else ""
        lots_there = "1 lot" if len(lots) == 1 else f"{len(lots)} lots"
        head = f"The box: {lots_there}, {sum(lot.count for lot in lots)} pieces{wrong}"
        takes = place is not None and any(_pieces(self.session.record))
        return fitting(
            width,
            self.session.glyphs.more,
            f"{head}; bold: post {place.post} takes it" if place is not None and takes else head,
            head,
        )

    def below(self) -> Iterator[Part]:
        """What the run takes of the box and what is to be bought; the box drawn to one scale."""
        lots = self._lots()
        yield from self._run_takes()
        if lots:
            drawn = partial(
                box_side, lots, lots[min(self.list.index, len(lots) - 1)].lot, self.session.glyphs
            )
            yield Drawing(drawn, 4, 6 * len(lots) + 1, "the box to one scale")

    def _run_takes(self) -> Iterator[Part]:
        """What the run still takes, and what is to be bought for the posts that the box can't serve."""
        run, words = self.session.run, self.session.words
        if run is None or words is None:
            return
        wanted = defaultdict[str, list[str]](list)
        for post in run.posts:
            for _, piece in _pieces(post):
                wanted[piece.lot].append(post.name)
        there = {lot.lot: lot.count for lot in self._lots()}
        rows = []
        for lot, posts in wanted.items():
            left = there.get(lot, 0)
            few = left < len(posts)
            text = f"{lot}: {len(posts)} of {left} left, for post{'s' * (len(set(posts)) > 1)} "
            rows.append((text + ", ".join(dict.fromkeys(posts)), "strong" if few else ""))
        yield [(f"what {run.name} still takes", "label"), *(rows or [("nothing that is worked out", "")])]
        stuck = [post for post in run.posts if post.is_stuck]
        buy = buy_lines(self.session.planned or {}, words)
        if stuck:
            rows = [(f"post {post.name}: {words.sentence(post.why)}", "") for post in stuck]
            plans = "F6, p: works out what to buy for them"
            yield [
                ("not served by this box", "label"),
                *rows,
                *(buy or [(self.session.keys.spell(plans), "")]),
            ]
        waiting = sum(post.state in (PostState.TO_READ, PostState.HALF_READ) for post in run.posts)
        if waiting:
            yield [(f"{waiting} {'post is' if waiting == 1 else 'posts are'} not read yet", "")]

    def beside(self) -> Iterator[Part]:
        """The marked lot with what is cut from it and what was; then what the post on screen takes."""
        lots, words = self._lots(), self.session.words
        if not lots:
            return
        lot = lots[min(self.list.index, len(lots) - 1)]
        units = self.session.settings.units
        rows = [
            (f"{lot.lot}: {lot.form}, {lot_size(lot, units)}", "strong"),
            (f"{lot.count} left{f', {lot.material}' if lot.material else ''}, {lot.origin}", ""),
        ]
        rows += [(lot.note, "")] if lot.note else []
        if words is None:
            yield rows
        else:
            rows += _texts(self._history(lot.lot, words))
            yield rows
            marks = list(self._marks(lot.lot, words)) if lot.is_marked else []
            yield lot_side(lot, marks, words)
            if self.session.record is not None:
                yield packs_at(self.session.record, words)

    def _history(self, lot: str, words: Words) -> Iterator[str]:
        """Where a remainder was cut from, what else is left of the lot, and what stands under which post."""
        stock = self.session.site.box().stock
        parent = stock.parent(lot)
        if parent is not None:
            start = words.length(parent.start / STEPS_PER_MM)
            yield f"rest of {parent.lot} no. {parent.copy} from {start} on"
        rests = [one.lot for one in self._lots() if (cut := stock.parent(one.lot)) and cut.lot == lot]
        if rests:
            yield f"cut from it, and back in the box: {', '.join(rests)}"
        for post in self.session.run.posts if self.session.run is not None else ():
            for pack in post.packs_in_place:
                if any(piece.lot == lot for piece in pack.pieces):
                    yield f"under post {post.name} {words.seat(pack.seat)}: {words.short_pieces(pack)}"

    def _marks(self, lot: str, words: Words) -> Iterator[tuple[float, str]]:
        """Where the run's answers mark the lot, and for which post."""
        for post in self.session.run.posts if self.session.run is not None else ():
            for pack, piece in _pieces(post):
                if piece.lot == lot and piece.mark_mm is not None:
                    seat = words.seat(pack.seat).rpartition(" ")[0]
                    yield piece.mark_mm, f"{words.length(piece.mark_mm)}  post {post.name} {seat}"

    def default_hint(self) -> str:
        """What can be done to the marked lot."""
        if not self._lots():
            return ""
        return self.session.keys.spell("o: pieces of the marked lot are gone, ^Z undoes")

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

        return outcome_of(take_out)

    def stock_add(self) -> None:
        """Ask for a lot, or several."""
        self.ask(Question("lot", lot_hint(self.session.settings.units), self._add))

    def _add(self, text: str) -> Outcome:
        """Put them in the box; what they are made of is asked for where nothing was said of it."""
        try:
            unsaid = [lot.lot for lot in self.session.lots_from(text) if not lot.material]
        except ShimfitError as error:
            return refused(error)

        def add(material: str) -> Outcome:
            return outcome_of(lambda: self.session.add_lots(text, material.strip()))

        if not unsaid:
            return add("")
        hint = f"what {', '.join(unsaid)} {'is' if len(unsaid) == 1 else 'are'} made of, like PVC? "
        hint += "It must not rot or creep. Enter: not said"
        again = Question("lot", lot_hint(self.session.settings.units), self._add, text)
        self.ask(Question("material", hint, add, back=lambda: self.ask(again)))
        return Outcome("")

    def stock_import(self) -> None:
        """Ask for a stock file."""
        hint = "a CSV file with the lots that you counted"
        self.ask(Question("file", hint, self._load, doing="reading"))

    def _load(self, text: str) -> Outcome:
        path = Path(text.strip()).expanduser()
        return outcome_of(lambda: load_lots(self.session.site, path, self.is_stopped))

    def _lots(self) -> tuple[Lot, ...]:
        return self.session.site.box().lots


def _pieces(post: PostRecord | None) -> Iterator[tuple[Pack, Piece]]:
    """Packs and pieces that a post's answer takes from the box."""
    if post is not None and post.answer is not None:
        for pack in post.answer.packs:
            for piece in pack.pieces:
                yield pack, piece


# ---------------------------------------------------------------- the record


class RecordScreen(PostList):
    """A row a post: how it stood before and after, what is allowed, and what is under it."""

    NAME = "record"
    EMPTY = "no run yet: F5 sets one up"
    DOES = "write"
    LEAST_COLUMNS = 4
    KEYS = (("e export", "hand_over"), ("⏎ open", "open"), ("F1 help", "help"), ("^P all", "palette"))

    def __init__(self, session: Session) -> None:
        super().__init__(session)
        self._paper: tuple[object, RunRecord] | None = None

    def figures(self, posts: Sequence[PostRecord], words: Words) -> Iterator[Column]:
        """Off at the top before and after, what is allowed; packs in place, and notes."""

        def off(post: PostRecord, reading: Reading | None) -> Run:
            lean = reading.lean if reading is not None else None
            return ("-" if lean is None else words.off_by(lean, post, unit=False)), ""

        yield Column("before", [off(post, post.before or post.reading) for post in posts], right=True)
        yield Column("after", [off(post, post.after) for post in posts], right=True)
        yield from _allowed(posts, words)
        seats = self.session.glyphs.seats
        packs = (
            ", ".join(f"{seats[pack.seat]} {words.short_pieces(pack)}" for pack in post.packs_in_place)
            for post in posts
        )
        notes = ("; ".join(note.text for note in post.notes) for post in posts)
        rest = _texts("; ".join(filter(None, both)) for both in zip(packs, notes, strict=True))
        yield Column("under it, and notes", rest)

    def headline(self, width: int) -> str:
        """How many posts stand plumb, as the paper says it where there is room."""
        run = self.session.run
        if run is None:
            return ""
        from shimfit.report.record import result_words

        plumb = sum(post.state is PostState.PLUMB for post in run.posts)
        short = f"{run.name}  {plumb} of {len(run.posts)} plumb"
        sample = "  SAMPLE: nothing in it is real" if run.sample else ""
        forms = (f"{run.name}  {result_words(run)}{sample}", short + sample, short)
        return fitting(width, self.session.glyphs.more, *forms)

    def below(self) -> Iterator[Part]:
        """What the paper says of the whole run: exceptions first, each with its reason; then the facts."""
        place = self.session.place
        if place is None:
            return
        from shimfit.report import words as paper
        from shimfit.report.record import exceptions_reported, facts_reported, record_of

        moment = (place.job, place.run, self.session.site.log())
        if self._paper is None or self._paper[0] != moment:  # it reads and checks the whole log
            self._paper = moment, record_of(self.session.site.journal, place.job, place.run)
        record = self._paper[1]
        rows: list[Run] = []
        for names, stands, why in exceptions_reported(record):
            decided = f"{paper.DECISION_WORDS[stands]}: " if stands != "none" else ""
            rows.append((f"{', '.join(names)}  {decided}{why}", "strong" if decided else ""))
        if rows:
            yield [("not proven plumb", "label"), *rows]
        facts = facts_reported(record)
        given = (f"{name}: {text}" if name else text for name, text in facts if text != paper.NOT_GIVEN)
        missing = ", ".join(name.lower() for name, text in facts if text == paper.NOT_GIVEN)
        yield [
            ("what the paper says besides", "label"),
            *([(f"not given: {missing}", "")] if missing else []),
            *_texts(given),
        ]
        yield self._packs(below=True)

    def _packs(self, *, below: bool) -> Part:
        """What is under the marked post: below the list where that has room for more than words."""
        words, post = self.session.words, self.marked()
        if words is None or post is None or below != (self.window.height >= PACKS_BELOW_FROM):
            return None
        return packs_at(post, words)

    def beside(self) -> Iterator[Part]:
        """The marked post as the paper will have it, how it stood and stands, and what is under it."""
        words, post = self.session.words, self.marked()
        if words is None or post is None:
            return
        yield list(_paper_rows(post, words))
        yield before_after(post, words)
        yield self._packs(below=False)
        yield readings_trend(post, words)
        yield from_the_side(post, words)

    def default_hint(self) -> str:
        """What the columns are."""
        run, words = self.session.run, self.session.words
        if run is None or words is None or not run.posts:
            return ""
        unit = "mm" if words.units == "mm" else "inches"
        return f"{unit} off at the top; allowed {words.allowed(run.posts[0])}"

    def hand_over(self) -> None:
        """Ask for a file name."""
        if self.session.run is None:
            self.say(Outcome("no run is open", done=False))
            return
        hint = ".pdf for paper, .csv for a table, .json for programs"
        name, write = suggested_name(self.session.run), writing(self._export)
        self.ask(Question("write to", hint, write, name, doing="writing"))

    def _export(self, name: str, overwrite: bool) -> Path:
        assert self.session.run is not None
        return export_record(
            self.session.site, self.session.run, name, overwrite=overwrite, is_stopped=self.is_stopped
        )


def _paper_rows(post: PostRecord, words: Words) -> Iterator[Run]:
    """A post's row of the record, and the readings behind it, as they are printed."""
    from shimfit.quantities import shown
    from shimfit.report import words as paper
    from shimfit.report.record import notes_of, readings_of

    faces, units = dict(words.names), words.units
    yield f"post {post.name} on paper", "strong"
    for what, reading, uncertainty in (("before", post.before, False), ("as built", post.after, True)):
        given = ", ".join(paper.reading(reading, faces, units, uncertainty=uncertainty)) if reading else ""
        yield f"{what:<9} {given + shown.trailing(units) if given else '-'}", ""
    yield f"{'allowed':<9} {words.allowed(post)}", ""
    sure = f", {shown.percent(post.probability)} within" if post.probability is not None else ""
    yield f"{'decision':<9} {paper.DECISION_WORDS[post.stands]}{sure}", ROLES[post.state]
    if post.packs_in_place:
        yield f"packs, {shown.unit(units)}; f fills only", "label"
    yield from _texts(
        f"{words.glyphs.seats[p.seat]} {paper.pack(p, faces, units)}" for p in post.packs_in_place
    )
    yield from _texts(notes_of(post, faces, units))
    readings = readings_of(post)
    if readings:
        yield "readings", "label"
    yield from _texts(readings)
