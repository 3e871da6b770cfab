"""The record: how each post stood, how it stands, and the file for the hand-over."""

from __future__ import annotations

from typing import TYPE_CHECKING

from textual import on

from shimfit.model import PostState
from shimfit.text.canvas import Canvas
from shimfit.text.glyphs import ROLES
from shimfit.text.phrases import clipped, state_word
from shimfit.tui.handover import FileToWrite, export_record, suggested_name
from shimfit.tui.screens.page import Page, Question
from shimfit.tui.session import Outcome
from shimfit.tui.widgets import Picture, Rows, Tap

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from textual.app import ComposeResult

    from shimfit.model import Reading
    from shimfit.standing import PostRecord
    from shimfit.text.canvas import Run
    from shimfit.text.phrases import Words
    from shimfit.tui.session import Session


class RecordScreen(Page):
    """A row a post: how it stood before and after, what is allowed, and what is under it."""

    NAME = "record"

    def __init__(self, session: Session) -> None:
        super().__init__(session)
        self._headings: list[Run] = []

    def compose_body(self) -> ComposeResult:
        """Headings, and the list."""
        yield Picture(self._draw_headings, id="headings")
        yield Rows(id="list", empty=self.session.keys.spell("no run yet: F5 sets one up"))

    def fill(self) -> None:
        """Fill the list anew."""
        if self.session.run is not None:
            width = self.window.width
            posts = self.session.run.posts
            names = [post.name for post in posts]
            here = self.session.place.post if self.session.place else ""
            self._headings, *rows = record_rows(self.session, width)
            self.query_one("#list", Rows).fill(rows, names.index(here) if here in names else 0)

    def focus_home(self) -> None:
        """The list takes the keys."""
        self.query_one("#list", Rows).focus()

    def draw_headline(self, width: int, height: int) -> Canvas:
        """How many posts stand plumb."""
        canvas = Canvas(width, height)
        run = self.session.run
        if run is not None:
            plumb = sum(post.state is PostState.PLUMB for post in run.posts)
            sample = "  SAMPLE: nothing in it is real" if run.sample and width >= 60 else ""
            canvas.put(0, 0, f"{run.name}  {plumb} of {len(run.posts)} plumb{sample}", "strong")
        return canvas

    def default_hint(self) -> str:
        """What the two columns are."""
        return self._limit_words() if self.session.run is not None else ""

    def _draw_headings(self, width: int, height: int) -> Canvas:
        canvas, x = Canvas(width, height), 0
        for text, role in self._headings:
            canvas.put(x, 0, text, role)
            x += len(text)
        return canvas

    def _limit_words(self) -> str:
        run, words = self.session.run, self.session.words
        if run is None or words is None or not run.posts:
            return ""
        unit = "mm" if words.units == "mm" else "inches"
        return f"{unit} off at the top; allowed {words.allowed(run.posts[0])}"

    def keys(self) -> Sequence[Tap]:
        """What can be done from here."""
        if self.question is not None:
            return (Tap("Esc leave", "leave"), Tap(f"{self.session.glyphs.enter} write", "enter"))
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
        self.ask(
            Question("write to", hint, FileToWrite(self._export).named, suggested_name(self.session.run))
        )

    @on(Rows.Chosen, "#list")
    def _chosen(self, event: Rows.Chosen) -> None:
        event.stop()
        if self.session.run is not None and event.index < len(self.session.run.posts):
            self.program.go_to_post(self.session.run.posts[event.index].name)

    def open_marked(self) -> None:
        """Go to the marked post."""
        self.query_one("#list", Rows).action_choose()

    def _export(self, name: str, overwrite: bool) -> Path:
        assert self.session.run is not None
        self.session.refresh()
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
        if besides >= 0:
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
