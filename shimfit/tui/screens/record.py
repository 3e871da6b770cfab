"""The record: how each post stood, how it stands, and the file for the hand-over."""

from __future__ import annotations

from typing import TYPE_CHECKING

from textual import on

from shimfit.model import PostState
from shimfit.quantities.shown import fine
from shimfit.text.canvas import Canvas
from shimfit.text.glyphs import ROLES
from shimfit.text.phrases import state_word
from shimfit.tui.handover import FileToWrite, export_record, suggested_name
from shimfit.tui.screens.page import Page, Question
from shimfit.tui.session import Outcome
from shimfit.tui.widgets import Rows, Tap

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from textual.app import ComposeResult

    from shimfit.model import Reading
    from shimfit.standing import PostRecord
    from shimfit.text.canvas import Run


class RecordScreen(Page):
    """One row a post: before, after, allowed."""

    NAME = "record"

    def compose_body(self) -> ComposeResult:
        """The list alone."""
        yield Rows(id="list", empty=self.session.keys.spell("no run yet: F5 sets one up"))

    def show(self) -> None:
        """Fill the list anew."""
        if self.is_composed and self.session.run is not None:
            width = self.window.width
            posts = self.session.run.posts
            names = [post.name for post in posts]
            here = self.session.place.post if self.session.place else ""
            self.query_one("#list", Rows).fill(
                [self._row(post, width) for post in posts], names.index(here) if here in names else 0
            )
        super().show()

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
        return "off at the top, before and after" if self.session.run is not None else ""

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

    def _row(self, post: PostRecord, width: int) -> list[Run]:
        told = f"{self.session.glyphs.states[post.state]} {state_word(post.state)}"
        before, after = self._off(post, post.before or post.reading), self._off(post, post.after)
        room = 20 if width >= 48 else 19
        runs: list[Run] = [(f"{post.name:>4} ", ""), (told.ljust(room)[:room], ROLES[post.state])]
        runs.append((f"{before:>7}{after:>8}", ""))
        if width >= 60:
            assert self.session.run is not None
            allowed = fine(post.tolerance.allowed_top_mm(post.height_mm), self.session.run.units)
            runs.append((f"   allowed {allowed}  rounds {post.rounds}", ""))
        if width >= 100:
            runs.append(("  " + "; ".join(note.text for note in post.notes), ""))
        return runs

    def _off(self, post: PostRecord, reading: Reading | None) -> str:
        if reading is None or reading.lean is None:
            return "-"
        assert self.session.words is not None
        return self.session.words.off_by(reading.lean, post).removesuffix(" mm")
