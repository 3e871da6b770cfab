"""The pages that list: the run post by post, the box lot by lot, the record as it goes on paper.

A wide window has the list on the left; below it and beside it stands what belongs to its marked row.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

from textual.containers import Horizontal, Vertical

from shimfit.errors import EntryError, ShimfitError
from shimfit.model import PostState
from shimfit.quantities import shown
from shimfit.quantities.typed import whole_number
from shimfit.text.canvas import Canvas
from shimfit.text.glyphs import ROLES
from shimfit.text.phrases import fitting, lot_size, score_words
from shimfit.text.pictures import PostInRun, run_as_it_stands, run_in_plan, turn_of
from shimfit.text.plan_phrases import buy_lines
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
from shimfit.tui.screens.page import Column, Question, RowsPage, laid_out
from shimfit.tui.screens.post_pictures import strip_row
from shimfit.tui.session import Outcome, outcome_of, refused
from shimfit.tui.setting_up import lot_hint
from shimfit.tui.widgets import Picture, Rows, Tap
from shimfit.workflow.tables import load_lots

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence

    from textual.widget import Widget

    from shimfit.model import Lean, Lot, Pack, Piece, Reading
    from shimfit.report.record import RunRecord
    from shimfit.standing import PostRecord
    from shimfit.text.canvas import Run
    from shimfit.text.phrases import PostView, Words
    from shimfit.tui.screens.beside import Part
    from shimfit.tui.session import Session
    from shimfit.workflow.site import Place

NAMED_FROM = 64
"""Columns from which on the row below the list has room for more than what to press."""
SHARES_FROM = 110, 24
"""Columns and rows from which on the list shares the window with what belongs to its marked row."""
SHARED_ROWS = 6
"""Rows of a page's tabs, head, headings, echo and keys, and a free one."""
PACKS_BELOW_FROM = 45
"""Rows from which on the record has the packs' picture below its list."""
LIST_SHARE, WIDEST_LIST = 0.55, 92


class ListPage(RowsPage):
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

    def _above(self) -> Iterable[Widget]:
        """What stands above the list."""
        return ()

    def _columns(self) -> Sequence[Column]:
        """The table that is listed."""
        raise NotImplementedError

    def _to_mark(self) -> int | None:
        """Row to mark when the list is filled; None: the one that was."""
        return None

    def _below(self) -> Iterable[Part]:
        """What stands below the list of a wide window."""
        return ()

    def _beside(self) -> Iterable[Part]:
        """What stands beside the list of a wide window."""
        return ()

    def _body(self) -> Iterator[Widget]:
        with Horizontal(id="body"):
            with Vertical(id="listed"):
                yield from self._above()
                yield Picture(self._draw_headings, id="headings")
                yield Rows(self._chosen, self._moved, id="list", empty=self.session.keys.spell(self.EMPTY))
                yield Picture(partial(self._draw, self._below), id="below")
            yield Picture(partial(self._draw, self._beside), id="beside")

    @property
    def shares(self) -> bool:
        """There is room beside the list."""
        return self.window.width >= SHARES_FROM[0] and self.window.height >= SHARES_FROM[1]

    @property
    def list_width(self) -> int:
        """Columns of the list."""
        width = self.window.width
        return min(round(LIST_SHARE * width), WIDEST_LIST) if self.shares else width

    def _fill(self) -> None:
        columns, width = self._columns(), self.list_width
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
        self.list.fill(rows, self._to_mark())

    def _draw_headings(self, width: int, height: int) -> Canvas:
        canvas, x = Canvas(width, height), 0
        for text, role in self._headings:
            canvas.put(x, 0, text, role)
            x += len(text)
        return canvas

    def _draw(self, parts: Callable[[], Iterable[Part]], width: int, height: int) -> Canvas:
        return column(width, height, self.session.glyphs.more, *parts())

    def _moved(self) -> None:
        for name in ("#below", "#beside"):
            self.query_one(name, Picture).redraw()


class PostList(ListPage):
    """A table of the run's posts, the worst figure beside what is allowed: choosing one goes to it."""

    LEAST_COLUMNS = 3
    _stood: Place | None = None
    """Where one stood when the list was filled last."""
    _named = ""

    def posts(self) -> Sequence[PostRecord]:
        """The posts in the order of the rows."""
        return self.session.run.posts if self.session.run is not None else ()

    def figures(self, posts: Sequence[PostRecord], words: Words) -> Iterator[Column]:
        """Columns behind name and state."""
        raise NotImplementedError

    def _columns(self) -> Sequence[Column]:
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

    @property
    def marked(self) -> tuple[PostRecord, Words] | None:
        """The post of the marked row, and how it is worded."""
        posts, index, words = self.posts(), self.list.index, self.session.words
        return (posts[index], words) if words is not None and index < len(posts) else None

    def marked_post(self) -> str:
        """The post that is marked in the list."""
        marked = self.marked
        return marked[0].name if marked is not None else super().marked_post()

    def _chosen(self, index: int) -> None:
        posts = self.posts()
        if index < len(posts):
            self.program.go_to_post(posts[index].name)

    def _moved(self) -> None:
        super()._moved()
        marked = self.marked
        self._named = marked[0].name if marked is not None else ""

    def _to_mark(self) -> int | None:
        """The post that was marked, wherever its row is now; after a walk the one that one stands at."""
        place, names = self.session.place, [post.name for post in self.posts()]
        if place != self._stood or self._named not in names:
            self._stood, self._named = place, place.post if place is not None else ""
        return names.index(self._named) if self._named in names else 0


def _allowed(posts: Sequence[PostRecord], words: Words) -> Iterator[Column]:
    """How far each top may be off, unless it is the same for all: then the row below the list says it."""
    allowed = [words.allowed(post, unit=False) for post in posts]
    if len(set(allowed)) > 1:
        yield Column("allowed", _texts(allowed), right=True)


def _texts(texts: Iterable[str]) -> list[Run]:
    return [(text, "") for text in texts]


# ---------------------------------------------------------------- the run


class RunScreen(PostList):
    """List of posts, strip, and the run as it stands."""

    NAME = "run"
    EMPTY = "Enter on the screen Post opens the sample job, F5 sets up your own."
    ROWS_ABOVE, LEAST_BELOW, KEEPS_BELOW = 1, 9, True

    def _above(self) -> Iterator[Widget]:
        yield Picture(partial(strip_row, self.session), id="strip")

    def _fill(self) -> None:
        if self.session.run is not None:
            self.list.empty = "every post is done"
        super()._fill()

    def posts(self) -> Sequence[PostRecord]:
        """All, or what is left to do; in walking order, or the worst first."""
        posts = self.session.listed
        return tuple(sorted(posts, key=_share_of_limit, reverse=True)) if self.session.by_worst else posts

    def figures(self, posts: Sequence[PostRecord], words: Words) -> Iterator[Column]:
        """How far off each is, how far it may be, which way it leans, and what was noted."""
        off, leans = [], []
        for post in posts:
            lean = post.reading.lean if post.reading else None
            was = "was " if post.changed else ""
            off.append("-" if lean is None else f"{was}{words.off_by(lean, post, unit=False)}")
            way = words.lean(lean, post.height_mm).removeprefix("TOP leans ") if lean is not None else ""
            notes = post.notes
            leans.append("; ".join(part for part in (way.removeprefix("TOP "), *notes) if part))
        yield Column(f"{'mm' if words.units == 'mm' else 'inches'} off", _texts(off), right=True)
        yield from _allowed(posts, words)
        yield Column("the top leans, and notes", _texts(leans))

    def _headline(self, width: int) -> str:
        run = self.session.run
        if run is None:
            return "no run yet"
        left = len(run.left_to_do)
        done = f"{left} of {len(run.posts)} left to do" if left else f"all {len(run.posts)} posts done"
        how = ["only these are listed"] if self.session.only_left else []
        how += ["worst first"] if self.session.by_worst else []
        head = f"{run.name}  {done}"
        return fitting(width, "", f"{head} ({', '.join(how)})" if how else head, head)

    def _own_keys(self) -> Sequence[Tap]:
        return (
            Tap(f"{self.session.glyphs.enter} open", "open"),
            Tap("l all" if self.session.only_left else "l left", "left_to_do"),
            Tap("w in order" if self.session.by_worst else "w worst", "by_worst"),
            Tap("/ find", "find"),
            Tap("^P all", "palette"),
        )

    def _hint(self) -> str:
        run, words = self.session.run, self.session.words
        if run is None:
            return ""
        if self.session.walks_on:
            return "survey: each reading walks on to the next post"
        allowed = f"allowed {words.allowed(run.posts[0])}; " if words is not None and run.posts else ""
        score = score_words(run.score) if self.window.width >= NAMED_FROM else None
        return allowed + (score.lower() if score else "Enter or a tap goes to the post")

    def _below(self) -> Iterator[Part]:
        """The marked post: what is to be done there, its packs; the run itself where nothing is beside."""
        marked = self.marked
        if marked is None:
            return
        post, words = marked
        if not self.shares and self.window.height >= SHARES_FROM[1]:
            yield self._drawn(8, 18, in_plan=self._turns)
            return
        yield list(_post_rows(post, words, self.session.view_of(post, words)))
        yield packs_at(post, words)
        yield readings_trend(post, words)

    def _beside(self) -> Iterator[Part]:
        """The run from above where it turns, its posts as they lean; below them the marked post."""
        if self._turns:
            yield self._drawn(9, 22, in_plan=True)
        yield self._drawn(9, 18 if self._turns else 32)
        marked = self.marked
        if marked is not None:
            yield before_after(*marked) or from_the_side(*marked)

    @property
    def _turns(self) -> bool:
        """The run has a corner."""
        return self.session.run is not None and any(post.kind == "corner" for post in self.session.run.posts)

    def _drawn(self, least: int, most: int, *, in_plan: bool = False) -> Drawing | None:
        """The run from above, or from the house as its posts stand."""
        run, words = self.session.run, self.session.words
        if run is None or words is None:
            return None

        def draw(width: int, height: int) -> Canvas:
            see = (
                partial(run_in_plan, length=words.distance)
                if in_plan
                else partial(run_as_it_stands, units=words.units)
            )
            posts, here, glyphs = [*map(_in_run, run.posts)], self.session.index, self.session.glyphs
            return see(posts, here, names=words.names, glyphs=glyphs, width=width, height=height)

        return Drawing(draw, least, most)


def _in_run(post: PostRecord) -> PostInRun:
    lean = _lean_as_read(post)
    top_mm = lean.top_mm(post.height_mm) if lean is not None else None
    return PostInRun(post.name, post.station_mm, post.state, turn_of(post), top_mm)


def _post_rows(post: PostRecord, words: Words, view: PostView) -> Iterator[Run]:
    """What the post's own page says of it, row by row."""
    at = f"post {post.name}, {words.distance(post.station_mm)} from the start"
    yield at, "strong"
    yield f"{words.glyphs.states[post.state]} {view.word}", ROLES[post.state]
    yield from _texts(text for text in (view.lean, view.do, view.result) if text)
    yield from _texts(f"{pack.number} {pack.where}  {pack.what}" for pack in view.packs)
    yield from _texts(view.briefly.get(remark, remark) for remark in view.remarks)


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
    KEYS = (("a add", "stock_add"), ("i import", "stock_import"), ("^P all", "palette"))

    def _own_keys(self) -> Sequence[Tap]:
        return [*([Tap("o gone", "stock_out")] if self._lots else []), *super()._own_keys()]

    @property
    def _lots(self) -> tuple[Lot, ...]:
        return self.session.site.box().lots

    @property
    def _marked_lot(self) -> Lot | None:
        """The lot of the marked row; of an empty box none."""
        lots = self._lots
        return lots[min(self.list.index, len(lots) - 1)] if lots else None

    def _columns(self) -> Sequence[Column]:
        """A row a lot; one that the post on screen takes from stands out and says how much."""
        lots, units, place = self._lots, self.session.settings.units, self.session.place
        if not lots:
            return ()
        taken = defaultdict[str, int](int)
        for _, piece in _pieces(self.session.record):
            taken[piece.lot] += 1

        def cells(of: Callable[[Lot], str]) -> list[Run]:
            return [(of(lot), "strong" if lot.lot in taken else "") for lot in lots]

        sizes = {lot.lot: lot_size(lot, units) for lot in lots}
        named = {lot.lot: f"{lot.form} {sizes[lot.lot]}" for lot in lots}
        room = self.list_width - max(map(len, sizes)) - len(" no. ")
        shown_sizes = named if max(map(len, named.values())) <= room else sizes
        takes = cells(lambda lot: f"takes {taken[lot.lot]}" if lot.lot in taken else "")
        return (
            Column("lot", cells(lambda lot: lot.lot)),
            Column("no.", cells(lambda lot: str(lot.count)), right=True),
            Column("size", cells(lambda lot: shown_sizes[lot.lot]), gives=True),
            *([Column(f"post {place.post}", takes)] if taken and place else ()),
            Column("made of", cells(lambda lot: lot.material)),
            Column("from", cells(lambda lot: f"{lot.origin} {lot.note}".strip())),
        )

    def _headline(self, width: int) -> str:
        lots, box, place = self._lots, self.session.site.box(), self.session.place
        wrong = f"; counted wrong: {', '.join(lot for lot, _ in box.short)}" if box.short else ""
        wrong += f"; {shown.counted(len(box.unread), 'event')} can't be read" if box.unread else ""
        pieces = sum(lot.count for lot in lots)
        head = f"The box: {len(lots)} lot{'s' * (len(lots) != 1)}, {pieces} piece{'s' * (pieces != 1)}{wrong}"
        takes = place is not None and any(_pieces(self.session.record))
        more = f"; bold: post {place.post} takes it" if place is not None and takes else ""
        return fitting(width, self.session.glyphs.more, head + more, head)

    def _below(self) -> Iterator[Part]:
        """What the run takes of the box and what is to be bought; the box drawn to one scale."""
        yield from self._run_takes()
        if self._marked_lot is not None:
            drawn = partial(box_side, self._lots, self._marked_lot.lot, self.session.glyphs)
            yield Drawing(drawn, 4, 6 * len(self._lots) + 1, "the box to one scale")

    def _run_takes(self) -> Iterator[Part]:
        """What the run still takes, and what is to be bought for the posts that the box can't serve."""
        run, words = self.session.run, self.session.words
        if run is None or words is None:
            return
        wanted = defaultdict[str, list[str]](list)
        for post in run.posts:
            for _, piece in _pieces(post):
                wanted[piece.lot].append(post.name)
        there = {lot.lot: lot.count for lot in self._lots}
        rows = []
        for lot, posts in wanted.items():
            left, names = there.get(lot, 0), dict.fromkeys(posts)
            text = f"{lot}: {len(posts)} of {left} left, for post{'s' * (len(names) > 1)} {', '.join(names)}"
            rows.append((text, "strong" if left < len(posts) else ""))
        if any(role for _, role in rows):
            rows.append((self.session.keys.spell("more than there is: F6, p shares the box out"), "strong"))
        working = [post.name for post in run.posts if self.session.works_on(post.name)]
        rows += [(f"post {name}: working{self.session.glyphs.more}", "") for name in working]
        yield [(f"what {run.name} still takes", "label"), *(rows or [("nothing that is worked out", "")])]
        stuck = [
            (f"post {post.name}: {words.sentence(post.why)}", "")
            for post in run.posts
            if post.is_stuck and post.name not in working
        ]
        if stuck:
            plans = [(self.session.keys.spell("F6, p: works out what to buy for them"), "")]
            yield [
                ("not served by this box", "label"),
                *stuck,
                *(buy_lines(self.session.planned or {}, words) or plans),
            ]
        waiting = sum(post.state in (PostState.TO_READ, PostState.HALF_READ) for post in run.posts)
        if waiting:
            yield [(f"{waiting} {'post is' if waiting == 1 else 'posts are'} not read yet", "")]

    def _beside(self) -> Iterator[Part]:
        """The marked lot with what is cut from it and what was; then what the post on screen takes."""
        lot, words = self._marked_lot, self.session.words
        if lot is None:
            return
        of = f", {lot.material}" if lot.material else ""
        rows = [
            (f"{lot.lot}: {lot.form}, {lot_size(lot, self.session.settings.units)}", "strong"),
            *_texts(text for text in (f"{lot.count} left{of}, {lot.origin}", lot.note) if text),
        ]
        if words is None:
            yield rows
            return
        yield rows + _texts(self._history(lot.lot, words))
        yield lot_side(lot, list(self._marks(lot.lot, words)) if lot.is_marked else [], words)
        if self.session.record is not None:
            yield packs_at(self.session.record, words)

    def _history(self, lot: str, words: Words) -> Iterator[str]:
        """Where a remainder was cut from, what else is left of the lot, and what stands under which post."""
        stock = self.session.site.box().stock
        parent = stock.parent(lot)
        if parent is not None:
            start = words.length(parent.start_mm)
            yield f"rest of {parent.lot} no. {parent.copy} from {start} on"
        rests = [one.lot for one in self._lots if (cut := stock.parent(one.lot)) and cut.lot == lot]
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

    def _hint(self) -> str:
        return (
            self.session.keys.spell("o: pieces of the marked lot are gone, ^Z undoes") if self._lots else ""
        )

    def stock_out(self) -> None:
        """Ask how many of the marked lot are gone; undo brings them back."""
        lot = self._marked_lot
        if lot is None:
            return

        def take_out(text: str) -> str:
            count = whole_number(text, "the number of pieces") if text else None
            if count == 0:
                raise EntryError(f"how many pieces, not {text!r}", at=0)
            reported = self.session.site.out_of(lot.lot, count)
            self.session.answer_missing()
            return self.session.keys.spell(f"{reported}; ^Z brings it back")

        hint = f"how many of {lot.lot} are gone? {lot.count} left; Enter: all of them"

        def answer(text: str) -> Outcome:
            return outcome_of(lambda: take_out(text.strip()))

        self.ask(Question(f"{lot.lot} gone", hint, answer, does="take out"))

    def stock_add(self, text: str = "", *, next_lot: bool = False) -> None:
        """Ask for a lot, or several, and for the next; what they are made of where nothing was said of it.

        Whoever counts a box has several: it is asked until Esc, or Enter on the empty line.
        """

        def put(material: str = "") -> Outcome:
            outcome = outcome_of(lambda: self.session.add_lots(text, material.strip()))
            if outcome.done:
                self.stock_add(next_lot=True)
                self.tell(outcome)
            return outcome

        def add(typed: str) -> Outcome:
            nonlocal text
            if next_lot and not typed.strip():
                return Outcome("")
            text = typed
            try:
                unsaid = [lot.lot for lot in self.session.lots_from(text) if not lot.material]
            except ShimfitError as error:
                return refused(error)
            if not unsaid:
                return put()
            hint = f"what {', '.join(unsaid)} {'is' if len(unsaid) == 1 else 'are'} made of, like PVC? "
            hint += "It must not rot or creep. Enter: not said"
            back = partial(self.stock_add, text, next_lot=next_lot)
            self.ask(Question("material", hint, put, back=back, does="add"))
            return Outcome("")

        self.ask(Question("lot", lot_hint(self.session.settings.units), add, text, does="add"))

    def stock_import(self) -> None:
        """Ask for a stock file."""

        def load(text: str) -> Outcome:
            path = Path(text.strip()).expanduser()
            return outcome_of(lambda: load_lots(self.session.site, path, self.is_stopped))

        hint = "a CSV file with the lots that you counted"
        self.ask(Question("file", hint, load, does="load", doing="reading"))


def _pieces(post: PostRecord | None) -> Iterator[tuple[Pack, Piece]]:
    """Packs and pieces that a post's answer takes from the box."""
    if post is not None and post.answer is not None:
        yield from ((pack, piece) for pack in post.answer.packs for piece in pack.pieces)


# ---------------------------------------------------------------- the record


class RecordScreen(PostList):
    """A row a post: how it stood before and after, what is allowed, and what is under it."""

    NAME = "record"
    EMPTY = "no run yet: F5 sets one up"
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
        rest = []
        for post in posts:
            # They are in: no tip is to be cut off any more.
            pieces = ([replace(one, trim_tip_mm=0.0) for one in pack.pieces] for pack in post.packs_in_place)
            whole = zip(post.packs_in_place, pieces, strict=True)
            packs = words.short_packs([replace(pack, pieces=tuple(some)) for pack, some in whole])
            rest.append("; ".join(part for part in (packs, *post.notes) if part))
        yield Column("under it, and notes", _texts(rest))

    def _headline(self, width: int) -> str:
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

    def _below(self) -> Iterator[Part]:
        """What the paper says of the whole run: exceptions first, each with its reason; then the facts."""
        place = self.session.place
        if place is None:
            return
        from shimfit.report import words as paper
        from shimfit.report.record import exceptions_reported, facts_reported, record_of

        moment = (place.job, place.run, self.session.site.journal.head)
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
        missing = ", ".join(name.lower() for name, text in facts if text == paper.NOT_GIVEN)
        yield [
            ("what the paper says besides", "label"),
            *(
                [(self.session.keys.spell(f"not given: {missing}; ^P, job set gives them"), "")]
                if missing
                else []
            ),
            *_texts(f"{name}: {text}" if name else text for name, text in facts if text != paper.NOT_GIVEN),
        ]
        yield self._packs(below=True)

    def _packs(self, *, below: bool) -> Part:
        """What is under the marked post: below the list where that has room for more than words."""
        marked = self.marked if below == (self.window.height >= PACKS_BELOW_FROM) else None
        return packs_at(*marked) if marked is not None else None

    def _beside(self) -> Iterator[Part]:
        """The marked post as the paper will have it, how it stood and stands, and what is under it."""
        marked = self.marked
        if marked is not None:
            yield list(_paper_rows(*marked))
            yield before_after(*marked)
            yield self._packs(below=False)
            yield readings_trend(*marked)
            yield from_the_side(*marked)

    def _hint(self) -> str:
        run, words = self.session.run, self.session.words
        if run is None or words is None or not run.posts:
            return ""
        unit = "mm" if words.units == "mm" else "inches"
        return f"{unit} off at the top; allowed {words.allowed(run.posts[0])}"

    def hand_over(self) -> None:
        """Ask for a file name."""
        self.ask_for_file("record", ".pdf for paper, .csv for a table, .json for programs")


def _paper_rows(post: PostRecord, words: Words) -> Iterator[Run]:
    """A post's row of the record, and the readings behind it, as they are printed."""
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
