"""The plan: all posts that are read and wait for packs, served from one box; cut sheet and pack labels."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Any

from shimfit.errors import ShimfitError, UsageError
from shimfit.model import PLANNED, Face, PostState
from shimfit.text.canvas import Canvas
from shimfit.text.phrases import Words, hanging
from shimfit.text.plan_phrases import (
    gap_words,
    goes_to,
    outcome_words,
    plan_lines,
    progress_bar,
    progress_words,
)
from shimfit.tui.background import Planning, Running
from shimfit.tui.screens.beside import Drawing, before_after, box_side, from_the_side, lot_side, packs_at
from shimfit.tui.screens.lists import PostList
from shimfit.tui.screens.page import Column, Question
from shimfit.tui.session import Outcome, refused
from shimfit.tui.widgets import Picture, Tap

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from textual.widget import Widget

    from shimfit.standing import PostRecord
    from shimfit.text.canvas import Run
    from shimfit.text.plan_phrases import Line
    from shimfit.tui.screens.beside import Part
    from shimfit.tui.session import Session

_NAMES_POST = re.compile(r"\bpost ([^\s:]+)")

PLANS = "p plans them together from the box: which piece serves which post, and what is cut."
TO_READ = (
    "Nothing to plan yet. Read some posts first, both ways; s on the run's screen (Survey) walks on after "
    "each reading."
)
NONE_WAITS = "Nothing to plan: no post waits for packs. What is left is to be tightened or read again."
ALL_DONE = "Nothing to plan: every post is done."


class PlanScreen(PostList):
    """Progress while it plans; then who gets what, and what is to be cut."""

    NAME = "plan"
    LEAST_COLUMNS = 1

    def __init__(self, session: Session) -> None:
        super().__init__(session)
        self._off_mm: dict[str, float] | None = None
        """Feet off the string, by post; None: each top is aimed at plumb."""
        self._lines: list[Line] = []
        self._title = ""
        self._answer: dict[str, Any] = {}
        """What the sheet is of: the plan, or the answers that the posts wait for."""

    def _above(self) -> Iterator[Widget]:
        yield Picture(self._draw_progress, id="progress")

    @property
    def planning(self) -> Planning | None:
        """The plan in the making; None while there is none."""
        return self._work if isinstance(self._work, Planning) else None

    def on_unmount(self) -> None:
        """Let a plan in the making end before the program does."""
        if self.planning is not None:
            self.planning.leave()

    def _fill(self) -> None:
        """Read the sheet from the log: what is shown is what the posts wait for."""
        if self.planning is None:
            self._read_sheet()
        self.query_one("#progress").display = self.planning is not None
        super()._fill()

    def _columns(self) -> Sequence[Column]:
        """The sheet, broken to the list's width; of each row the post that it belongs to is remembered."""
        run, width = self.session.run, self.list_width
        rows: list[Run] = []
        self._of_rows: list[PostRecord] = []
        names = {post.name: post for post in run.posts} if run is not None else {}
        served = (names[one["id"]] for one in self._answer.get("posts", ()) if one["packs"])
        first = last = next(served, next(iter(names.values()), None))
        for text, role in self._lines:
            named = _NAMES_POST.search(text)
            last = names.get(named[1], first) if named else last if text.startswith(" ") else first
            broken = hanging(text, width)
            rows += [(row, role) for row in broken]
            self._of_rows += [last] * len(broken) if last is not None else []
        return (Column("", rows),) if rows else ()

    def _to_mark(self) -> None:
        """The row stays marked that was."""

    def posts(self) -> Sequence[PostRecord]:
        """Of each row the post that it belongs to."""
        return self._of_rows

    def _below(self) -> Iterator[Part]:
        """Tapers and strips of the cut sheet from their side, to scale, with what is cut where."""
        words = self.session.words
        if words is None:
            return
        box, marks = self.session.site.box(), dict[tuple[str, int | None], list[tuple[float, str]]]()
        for taper in self._answer.get("tapers", ()):
            mark = words.length(taper["mark_mm"]), goes_to(taper["for"], words)
            marks.setdefault((taper["lot"], taper["copy"]), []).append((taper["mark_mm"], "  ".join(mark)))
        for cut in self._answer.get("cuts", ()):
            marks[cut["strip"], cut.get("copy")] = [
                (one["mark_along_mm"], f"{words.thick(one['mark_along_mm'])}  {goes_to(one['for'], words)}")
                for one in cut["pieces"]
            ]
        for (name, copy), cuts in marks.items():
            lot = next((lot for lot in (*box.lots, *box.used_up) if lot.lot == name), None)
            if lot is not None:
                called = f"{name} no. {copy}" if copy else name
                yield lot_side(replace(lot, lot=called), cuts, words)
        if box.lots:
            marked = next((name for name, _ in marks), "")
            drawn = partial(box_side, box.lots, marked, words.glyphs)
            yield Drawing(drawn, 4, 3 * len(box.lots) + 1, "the box to one scale")

    def _beside(self) -> Iterator[Part]:
        """The post of the marked row: how it stands and will, and its packs."""
        post, words = self.marked or (None, None)
        if words is None or post is None or post.reading is None or post.reading.lean is None:
            return
        lean, going_in = words.lean(post.reading.lean, post.height_mm), post.going_in
        packs = going_in.packs if going_in is not None else ()
        yield [
            (f"post {post.name}", "strong"),
            (f"{lean}; {words.off(post.reading.lean, post)}", ""),
            *((f"{words.glyphs.seats[pack.seat]} {words.pieces(pack)}", "") for pack in packs),
        ]
        yield packs_at(post, words)
        yield before_after(post, words)
        yield from_the_side(post, words)

    def marked_post(self) -> str:
        """What is typed here is of the post on screen: the sheet is read, not walked."""
        return self.session.place.post if self.session.place is not None else ""

    # ------------------------------------------------------------ planning

    def make_plan(self) -> None:
        """Begin to plan; the screen stays alive."""
        place = self.session.place
        if self.planning is not None:
            return
        if place is None or self._work is not None:
            self.say(refused("no run is open" if place is None else f"{self._doing}: one after the other"))
            return
        self.outcome = None
        planning = Planning(
            self.session.site,
            place.job,
            place.run,
            off_mm=self._off_mm,
            waits_for=self.session.working,
        )
        self._lines, self._title = [], f"{place.run}  planning from the box"
        self.work(planning, lambda: self._is_over(planning))

    def line_up(self) -> None:
        """Aim the tops at one line, once it is known which feet stand off it; or each at plumb again."""
        run = self.session.run
        if run is None:
            self.say(refused("no run is open"))
        elif self._off_mm is not None:
            self._off_mm = None
            self.say(Outcome("next plan: each top is aimed at plumb"))
            self.show_keys()
        else:
            out = self.session.words.names[Face.OUT] if self.session.words else "out"
            hint = f"which feet stand off the string, + towards {out}, like 2=5mm 3=-4mm"
            self.ask(Question("feet off", hint, self._line_up_by))

    def _line_up_by(self, text: str) -> Outcome:
        from shimfit.quantities.typed import parse_pairs
        from shimfit.workflow.runs import line_up_run

        run = self.session.run
        assert run is not None
        try:
            off_mm = parse_pairs(text.replace(",", " ").split(), run.units)
            if not off_mm:
                return Outcome("with nothing given of its feet a run is aimed at plumb", done=False)
            line_up_run(run, off_mm)
        except ShimfitError as error:
            return refused(error)
        self._off_mm = off_mm
        return Outcome("next plan: the tops are aimed at one line, as far as the tolerance lets")

    def cut_sheet(self) -> None:
        """Ask where to write cut sheet and pack labels for paper."""
        if self.planning is not None:
            self.say(refused("it still plans: the sheet comes after it"))
        else:
            apart = "labels for paper, a .pdf; for one cut sheet: Esc, then p"
            whole = "cut sheet and pack labels for paper, a .pdf"
            self.ask_for_file("cut-sheet", apart if self._answer.get("alternatives") else whole)

    def show_work(self, running: Running) -> None:
        """Show how far the plan is."""
        if self.planning is None:
            super().show_work(running)
        elif self.query_one("#progress").display:
            self.query_one("#progress", Picture).redraw()
        else:
            self.show()

    def _is_over(self, planning: Planning) -> None:
        reported = planning.keep()
        if planning.made is not None:
            answer = planning.made.answer
            self.session.plan_made = self.session.site.journal.head, answer
            reported = f"stopped, the best so far: {reported}" if answer["stopped"] else reported
        self.session.refresh()
        self.tell(Outcome(reported) if planning.made is not None else refused(reported))

    # ------------------------------------------------------------ the sheet

    def _read_sheet(self) -> None:
        from shimfit.workflow.plan import cut_list_of, posts_to_plan

        place, run = self.session.place, self.session.run
        if place is None or run is None:
            self._title, self._lines = self.session.keys.spell("no run yet: F5 sets one up"), []
            return
        words = Words(run, self.session.glyphs, graduation=self.session.settings.graduation)
        self._answer = made = self.session.planned or {}
        if made:
            self._title = f"{run.name}  {outcome_words(made)}"
            self._lines = [(gap_words(made), "strong"), *plan_lines(made, words)]
            return
        # One that stands within its tolerance is planned too, for the box's sake, but waits for nothing.
        within = {post.name for post in run.posts if post.state is PostState.TIGHTEN}
        waiting = sum(post.name not in within for post in posts_to_plan(run))
        self._title = f"{run.name}  {waiting} {'post waits' if waiting == 1 else 'posts wait'} for packs"
        try:
            self._answer = cut_list_of(self.session.site, place.job, place.run)
        except UsageError:
            unread = any(post.state in (PostState.TO_READ, PostState.HALF_READ) for post in run.posts)
            nothing = TO_READ if unread else NONE_WAITS if run.left_to_do else ALL_DONE
            self._lines = [(PLANS if waiting else nothing, "")]
            return
        together = any(post.awaited and post.answer and post.answer.why == PLANNED for post in run.posts)
        how = "As planned; what was logged since is not in it:"
        how = how if together and self._answer["planned"] else "As each post was answered when it was read:"
        self._lines = [(how, ""), *plan_lines(self._answer, words, plans="p here")]

    # ------------------------------------------------------------ drawing

    def _headline(self, width: int) -> str:  # noqa: ARG002 - as it was found when the sheet was read
        return self._title

    def _hint(self) -> str:
        if self.planning is not None:
            return "Esc stops it and keeps the best so far"
        return self.session.keys.spell("p plans all read posts from one box, ^Z undoes it")

    def _own_keys(self) -> Sequence[Tap]:
        if self.planning is not None:
            return (Tap("Esc stop, keep the best", "leave"), Tap("F1 help", "help"))
        line = "u line up" if self._off_mm is None else "u plumb each"
        return (
            Tap("p plan", "make_plan"),
            Tap(line, "line_up"),
            Tap("e pdf", "cut_sheet"),
            Tap("^P all", "palette"),
        )

    def _draw_progress(self, width: int, height: int) -> Canvas:
        canvas = Canvas(width, height)
        planning = self.planning
        if planning is None:
            return canvas
        glyphs = self.session.glyphs
        bar = progress_bar(planning.bound, planning.best, width - 8, glyphs.lift, glyphs.ring)
        canvas.put(0, 0, f"{bar} {planning.seconds:4.0f} s", "strong")
        reported = progress_words(planning.bound, planning.best)
        canvas.put(0, 1, "stopping: the best so far is kept" if planning.stopping else reported)
        return canvas
