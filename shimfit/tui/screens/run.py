"""The run: every post as it stands, what is left to do."""

from __future__ import annotations

from typing import TYPE_CHECKING

from textual import on

from shimfit.text.canvas import Canvas
from shimfit.text.glyphs import ROLES
from shimfit.text.phrases import fitting, state_word
from shimfit.text.pictures import InPlan, Standing, run_as_it_stands, run_in_plan, strip
from shimfit.tui.screens.page import Page
from shimfit.tui.widgets import Picture, Rows, Tap

if TYPE_CHECKING:
    from collections.abc import Sequence

    from textual.app import ComposeResult

    from shimfit.model import Lean
    from shimfit.standing import PostRecord
    from shimfit.text.canvas import Run
    from shimfit.text.phrases import Words


NO_RUN = "Enter on the screen Post opens the sample job, F5 sets up your own."
PICTURE_ROWS = ((50, 30), (36, 18), (0, 9))
"""Rows of the picture, by the least rows of the window."""
RIGHT_ANGLE_DEG = 90.0
"""What a corner turns by, to the house, where nobody told it otherwise."""


class RunScreen(Page):
    """List of posts, strip, and the run as it stands."""

    NAME = "run"

    def compose_body(self) -> ComposeResult:
        """Strip, picture, list."""
        yield Picture(self._draw_strip, id="strip")
        yield Picture(self._draw_picture, id="picture")
        yield Rows(id="list")

    def fill(self) -> None:
        """Fill the list anew."""
        self.query_one("#list", Rows).empty = (
            self.session.keys.spell(NO_RUN) if self.session.run is None else "every post is done"
        )
        words = self.session.words  # asked once: of ten thousand posts it would take seconds
        if words is None:
            return
        posts = self._listed()
        names = [post.name for post in posts]
        here = self.session.place.post if self.session.place else ""
        width = self.window.width
        rows = next(rows for least, rows in PICTURE_ROWS if self.window.height >= least)
        self.query_one("#picture").styles.height = rows
        self.query_one("#list", Rows).fill(
            [self._row(post, words, width) for post in posts], names.index(here) if here in names else 0
        )

    def focus_home(self) -> None:
        """The list takes the keys."""
        self.query_one("#list", Rows).focus()

    def draw_headline(self, width: int, height: int) -> Canvas:
        """Run, and how many posts are in which state."""
        canvas = Canvas(width, height)
        run = self.session.run
        if run is None:
            canvas.put(0, 0, "no run yet", "strong")
            return canvas
        left = len(run.left_to_do)
        done = f"{left} of {len(run.posts)} left to do" if left else f"all {len(run.posts)} posts done"
        only = " (only these are listed)" if self.session.only_left and width >= 60 else ""
        canvas.put(0, 0, f"{run.name}  {done}{only}", "strong")
        return canvas

    def keys(self) -> Sequence[Tap]:
        """What can be done from here."""
        if self.question is not None:
            return (Tap("Esc leave", "leave"), Tap(f"{self.session.glyphs.enter} go", "enter"))
        left = "l all posts" if self.session.only_left else "l left"
        return (
            Tap(f"{self.session.glyphs.enter} open", "open"),
            Tap(left, "left_to_do"),
            Tap("p plan", "go_plan"),
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

    @on(Rows.Chosen, "#list")
    def _chosen(self, event: Rows.Chosen) -> None:
        event.stop()
        posts = self._listed()
        if event.index < len(posts):
            self.program.go_to_post(posts[event.index].name)

    def open_marked(self) -> None:
        """Go to the marked post."""
        self.query_one("#list", Rows).action_choose()

    def marked_post(self) -> str:
        """The post that is marked in the list."""
        posts, index = self._listed(), self.query_one("#list", Rows).index
        return posts[index].name if index < len(posts) else super().marked_post()

    def _listed(self) -> tuple[PostRecord, ...]:
        if self.session.run is None:
            return ()
        run = self.session.run
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
        if width < 60:
            off = words.off_by(lean, post)
            return [*runs, (fitting(width - 26, glyphs.more, f"{was}{off} off", f"{was}{off}", off), "")]
        off = f"{was}{words.off_by(lean, post, unit=False)} of {words.allowed(post)}"
        notes = "; ".join(note.text for note in post.notes)
        return [*runs, (f"{off}  {words.lean(lean, post.height_mm).removeprefix('TOP leans ')}  {notes}", "")]

    def _draw_strip(self, width: int, height: int) -> Canvas:
        if self.session.run is None:
            return Canvas(width, height)
        return strip(
            [post.state for post in self.session.run.posts],
            self.session.index,
            glyphs=self.session.glyphs,
            width=width,
        )

    def _draw_picture(self, width: int, height: int) -> Canvas:
        words, run = self.session.words, self.session.run
        if run is None or words is None:
            return Canvas(width, height)
        if any(post.kind == "corner" for post in run.posts):
            marks = [InPlan(post.name, post.station_mm, post.state, turn_of(post)) for post in run.posts]
            return run_in_plan(
                marks,
                self.session.index,
                length=words.length,
                names=words.names,
                glyphs=self.session.glyphs,
                width=width,
                height=height,
            )
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


def turn_of(post: PostRecord) -> float | None:
    """How far the run turns at a post, + towards out; None: it goes straight on there."""
    if post.kind != "corner":
        return None
    return -RIGHT_ANGLE_DEG if post.turn_deg is None else post.turn_deg


def _share_of_limit(post: PostRecord) -> float:
    """How far off the top is, as a share of what is allowed; one not read since it was changed is last."""
    lean = _lean_as_read(post)
    return -1.0 if lean is None else post.tolerance.uses(lean, post.height_mm)


def _lean_as_read(post: PostRecord) -> Lean | None:
    """The lean that was read of the post as it stands; None when it was not read, or changed since."""
    return None if post.reading is None or post.changed else post.reading.lean
