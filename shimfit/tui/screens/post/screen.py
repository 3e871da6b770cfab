"""The home screen itself: composes the parts, hears what is typed, keeps everything up to date."""

from __future__ import annotations

from dataclasses import replace
from functools import cached_property
from typing import TYPE_CHECKING

from textual import on

from shimfit.model import PostState
from shimfit.text.glyphs import ROLES
from shimfit.text.phrases import state_word
from shimfit.tui import ahead, memory
from shimfit.tui.screens.page import Page
from shimfit.tui.screens.post import drawing, taps
from shimfit.tui.screens.post.advice import LiveAdvice, next_step
from shimfit.tui.screens.post.room import Room, share_out
from shimfit.tui.screens.post.sight import look_at
from shimfit.tui.widgets.drawn import Below, Beside, Picture
from shimfit.tui.widgets.entry_line import EntryLine
from shimfit.tui.widgets.rows import Rows
from shimfit.tui.widgets.taps import Taps

if TYPE_CHECKING:
    from collections.abc import Sequence

    from textual import events
    from textual.app import ComposeResult

    from shimfit.standing import PostRecord
    from shimfit.text.canvas import Canvas
    from shimfit.tui.desk import Desk, Outcome
    from shimfit.tui.screens.post.live import LiveTarget
    from shimfit.tui.screens.post.side import Side
    from shimfit.tui.sensing import Live
    from shimfit.tui.widgets.taps import Tap


class PostScreen(Page):
    """Echo, answer, plan of the foot, entry line."""

    NAME = "post"
    ALWAYS_ASKS = True

    def __init__(self, desk: Desk) -> None:
        super().__init__(desk)
        self.sight = look_at(desk, 0, None, None)
        self._target_picture = Picture(lambda w, h: self._target.draw(self.sight, w, h), id="target")
        self._side: Side | None = None
        """The column of pictures, once there was room for it."""
        self._advice = LiveAdvice()
        self._floor: tuple[object, tuple[int, ...]] = (None, (0, 0, 0))

    def compose_body(self) -> ComposeResult:
        """List | sentences, figures, answer, plan | pictures for wide screens."""
        yield Picture(lambda w, h: drawing.strip_row(self.sight, w, h), id="strip")
        with Beside(id="body"):
            yield Rows(id="posts")
            with Below(id="middle"):
                yield Picture(lambda w, h: drawing.said(self.sight, self.room, w, h), id="said")
                yield Picture(lambda w, h: drawing.big(self.sight, self.room, w, h), id="big")
                yield Picture(lambda w, h: drawing.answer(self.sight, self.room, w, h), id="answer")
                with Beside(id="pictures"):
                    yield Picture(lambda w, h: drawing.plan(self.sight, w, h), id="plan")
                    yield self._target_picture
            if Room(*self.app.size).has_side:
                yield self._build_side()
        yield Taps(id="pad")

    def _build_side(self) -> Side:
        from shimfit.tui.screens.post.side import Side

        self._side = Side(lambda: self.sight, lambda: self.desk.box().lots)
        return self._side

    @cached_property
    def _target(self) -> LiveTarget:
        from shimfit.tui.screens.post.live import LiveTarget

        return LiveTarget()

    def on_resize(self, event: events.Resize) -> None:
        """A window made wide gets its column."""
        if Room(*event.size).has_side and self._side is None:
            self.query_one("#body").mount(self._build_side())

    def on_mount(self) -> None:
        """The page mounts itself; here only what is done once it is painted."""
        self.call_after_refresh(self._painted)

    def _painted(self) -> None:
        """What there is now stays in memory; what the first key needs is loaded."""
        memory.painted()
        ahead.load(streams=bool(self.desk.settings.sensor))

    # ------------------------------------------------------------ keeping up to date

    @property
    def room(self) -> Room:
        """The room that there is now."""
        pad = self.query_one("#pad").has_class("-shown")
        return Room(*self.window, pad, self.banner_rows, self.echo_rows)

    def show(self) -> None:
        """Look at the desk again, lay the rows out for what there is to say, draw."""
        if not self.is_composed:
            return
        self._look(self.sight.shown_pack)
        self._lay_out()
        self._fill_posts()
        super().show()

    def new_post(self) -> None:
        """Another post is on screen: start with its first pack."""
        self._look(0)
        self._target.forget()
        self.show()

    def typed(self) -> None:
        """Hear what is typed, on every key."""
        text = "" if self.question else self.query_one(EntryLine).value
        self.sight = self.sight.with_heard(self.desk.echo(text))
        self._lay_out()
        for name in ("#big", "#plan"):
            self.query_one(name, Picture).redraw()
        super().typed()

    def entered(self, text: str) -> None:
        """Enter: log the reading; on the empty line walk on, or begin with the sample job."""
        if not text.strip():
            self.shimfit.do("next_post" if self.desk.run is not None else "sample")
            return
        line = self.query_one(EntryLine)
        line.remember(text)
        outcome = self.desk.enter(text)
        if outcome.done:
            self.take_off_line(text)
            self._look(0)
        elif outcome.at is not None:
            line.cursor_position = min(outcome.at, len(line.value))
        self.say(outcome)
        self.show()

    def say(self, outcome: Outcome) -> None:
        """Show what came of a move; a long sentence takes rows from the answer."""
        super().say(outcome)
        self._lay_out()

    def show_live(self, live: Live) -> None:
        """Draw what the inclinometer shows; only what changed goes out."""
        if not self._target_picture.is_attached:
            return  # while the program begins or closes, the timer outlives the widgets
        before = self.sight.live
        self.sight = self.sight.with_live(live)
        self.warn(live.trouble)
        if before is None:
            self.add_class("-live")
            self.call_after_refresh(self.show)
            return
        self._advise()
        self._target_picture.redraw()
        refused = self.outcome is not None and self.outcome.message.startswith("not yet: ")
        if refused and live.taken is not None:
            self.outcome = None  # what was refused a moment ago is ready now
        if live.word != before.word or (refused and live.taken is not None):
            self.show_echo()
        settled = live.taken is not None and before.taken is None
        if settled and self._stands_within(live) and self.desk.settings.bell:
            self.app.bell()
            self.app.bell()

    def no_sensor(self) -> None:
        """Nothing is listened to any more: the target goes."""
        self.sight = replace(self.sight, live=None, advice=None, live_packs=())
        self.remove_class("-live")
        self.warn("")
        self.show()

    def _advise(self) -> None:
        """Show what the engine says to this lean, when it says something else than before."""
        advice = self._advice.tick(self.desk, self.sight)
        if advice is self.sight.advice:
            return
        self.sight = self.sight.with_advice(advice)
        self._lay_out()
        for name in ("#said", "#big", "#answer", "#plan"):
            self.query_one(name, Picture).redraw()
        if self._side is not None:
            self._side.query_one("#box", Picture).redraw()
        self.show_keys()
        if self.has_class("-squat"):
            self.show_echo()

    def next_pack(self) -> None:
        """Put the next pack in large figures."""
        if self.sight.packs:
            self._look((self.sight.shown_pack + 1) % len(self.sight.packs))
            self.show()

    def toggle_pad(self) -> None:
        """Show or put away the tap pad."""
        pad = self.query_one("#pad", Taps)
        pad.offer(taps.pad(self.sight))
        pad.toggle_class("-shown")
        self.call_after_refresh(self.show)

    @on(Rows.Chosen, "#posts")
    def _post_chosen(self, event: Rows.Chosen) -> None:
        event.stop()
        self.focus_home()
        posts = self._listed()
        if event.index < len(posts):
            self.shimfit.go_to_post(posts[event.index].name)

    def _look(self, shown_pack: int) -> None:
        text = "" if self.question else self.query_one(EntryLine).value
        self.sight = look_at(self.desk, shown_pack, self.desk.echo(text), self.sight.live)
        if self.sight.live is not None:
            self.sight = self.sight.with_advice(self._advice.look(self.desk, self.sight.live.believed))

    def _lay_out(self) -> None:
        shares = share_out(self.sight, self.room)
        rows_of = self._steady_rows((shares.said, shares.big, shares.answer))
        for name, rows in zip(("#said", "#big", "#answer"), rows_of, strict=True):
            styles = self.query_one(name).styles
            if styles.height is None or styles.height.value != rows:
                styles.height = rows

    def _steady_rows(self, wanted: tuple[int, ...]) -> tuple[int, ...]:
        """While a bare post is streamed, rows once given are kept: nothing jumps up and down."""
        bare = self.sight.advice is not None and not self.sight.advice.pushes
        key = (self.desk.place, self.size, self.desk.site.log()) if bare else None
        kept = self._floor[1] if key is not None and key == self._floor[0] else (0, 0, 0)
        rows = tuple(map(max, wanted, kept))
        self._floor = (key, rows)
        return rows

    def _stands_within(self, live: Live) -> bool:
        record = self.sight.record
        return (
            record is not None
            and live.believed is not None
            and record.tolerance.holds(live.believed, record.height_mm)
        )

    # ------------------------------------------------------------ the shared rows

    def draw_headline(self, width: int, height: int) -> Canvas:  # noqa: ARG002 - always one row
        """Run, post, state."""
        return drawing.headline(self.sight, self.room, width)

    def echo_text(self, typed: str) -> tuple[str, str]:
        """The live echo while something is typed; else what came of the last move, or a hint."""
        if self.question is not None or self.outcome is not None or not typed.strip():
            return super().echo_text(typed)
        return drawing.echo(self.sight.heard, self.desk.glyphs, self.window.width)

    def default_hint(self) -> str:
        """What to do with the empty line."""
        sight = self.sight
        if sight.run is None or sight.record is None:
            return self.desk.keys.spell("Enter: the sample job   F5: your own")
        if sight.live is not None:
            return self._live_hint(sight.live)
        if not self.desk.wants_hints:
            return ""
        along, across = ("1/4n", "3/8h") if sight.run.units == "inch" else ("6n", "10h")
        match sight.record.state:
            case PostState.HALF_READ if (half := sight.record.half) is not None:
                missing = along if half.slope_along is None else across
                return f"now the other way, like {missing}"
            case PostState.TO_READ | PostState.HALF_READ:
                return f"type the lean, like {along}{across}"
            case PostState.PLUMB | PostState.SKIPPED:
                return "Enter walks on to the next post"
            case PostState.TIGHTEN:
                return "tight? type the lean again"
            case PostState.TOO_CLOSE:
                return self.desk.keys.spell("^P: Turn the level takes both readings")
            case _:
                return "packed and tight? type the lean again"

    def _live_hint(self, live: Live) -> str:
        """What the inclinometer does; where there is no room for the target, what to push or raise."""
        record, words = self.sight.record, self.sight.words
        squat = self.has_class("-squat")  # not by `room`, which asks how many rows this hint takes
        if not squat or live.taken or live.believed is None or record is None or words is None:
            return live.word
        return next_step(self.sight.advice, live.believed, record, words, self.window.width)

    def keys(self) -> Sequence[Tap]:
        """Directions while typing, actions on the empty line."""
        if self.question is not None:
            return taps.asking(self.sight)
        if self.query_one(EntryLine).value:
            return taps.typing(self.sight)
        return taps.resting(self.sight, slim=self.room.slim)

    # ------------------------------------------------------------ list of posts, box

    def _listed(self) -> tuple[PostRecord, ...]:
        if self.desk.run is None:
            return ()
        return self.desk.run.left_to_do if self.desk.only_left else self.desk.run.posts

    def _fill_posts(self) -> None:
        rows = self.query_one("#posts", Rows)
        if self.room.slim or self.desk.run is None:
            return
        posts = self._listed()
        names = [post.name for post in posts]
        here = self.desk.place.post if self.desk.place else ""
        signs = self.desk.glyphs.states
        rows.fill(
            [
                [
                    (f" {post.name:>4} ", ""),
                    (f"{signs[post.state]} {state_word(post.state)}", ROLES[post.state]),
                ]
                for post in posts
            ],
            names.index(here) if here in names else 0,
        )
