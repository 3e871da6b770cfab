"""The home screen: reads what is typed, keeps the post's pictures up to date, offers what can be tapped."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from textual import events, on
from textual.containers import Horizontal, Vertical

from shimfit.entry.result import Incomplete
from shimfit.model import Face, PostState
from shimfit.quantities import shown
from shimfit.text.canvas import Canvas
from shimfit.text.glyphs import ROLES
from shimfit.text.pictures import taper_side
from shimfit.tui.background import load_ahead, painted
from shimfit.tui.screens.live import LiveAdvice, LiveTarget, live_packs, next_step
from shimfit.tui.screens.page import Column, Page, laid_out
from shimfit.tui.screens.post_pictures import (
    ScreenSize,
    answer,
    big,
    echo_words,
    headline,
    plan,
    sentences,
    share_out,
    strip_row,
    take_snapshot,
)
from shimfit.tui.sensing import NOT_YET, Live
from shimfit.tui.session import Outcome, refused
from shimfit.tui.widgets import Picture, Rows, Tap, Taps

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from textual.widget import Widget

    from shimfit.tui.session import Session
    from shimfit.workflow.solving import Advice

PAD_INCH = ("1/4 1/2 3/4 1/8 3/8 5/8 7/8", "1/16 3/16 5/16 7/16 9/16 11/16", '13/16 15/16 0 1" 2" strong shy')
PAD_MM = ("1 2 3 4 5", "6 7 8 9 0", ".5 plumb")
PAD_TYPES = {'1"': "1 ", '2"': "2 ", "strong": "+", "shy": "-"}
"""What a key of the pad types, where it is not what stands on it."""
WITH_FIGURES_FROM = 36
"""Columns of the list of posts from which on it says how far off each is."""
BEING_PACKED = (PostState.PACK, PostState.TIGHTEN, PostState.OUT)


class PostScreen(Page):
    """Echo, answer, plan of the foot, entry line."""

    NAME = "post"
    ALWAYS_ASKS = True

    def __init__(self, session: Session) -> None:
        super().__init__(session)
        self.snapshot = take_snapshot(session, None, None)
        self._target_picture = Picture(lambda w, h: self._target.draw(self.snapshot, w, h), id="target")
        self._pad = Taps(self.tapped, id="pad")
        self._side: Picture | None = None
        self._target, self._advice = LiveTarget(), LiveAdvice()
        self._place = session.place
        """The post that was looked at last."""
        self._to_come: list[str] = []
        """Lines of a pasted table that wait for the one on the line."""
        self._waits_at = session.place
        """The post that the one on the line was pasted for."""
        self._floor: tuple[object, tuple[int, ...]] = (None, (0, 0, 0, 0))

    def _body(self) -> Iterator[Widget]:
        """List | sentences, figures, answer, plan | pictures for wide screens."""
        yield Picture(lambda w, h: strip_row(self.snapshot, w, h), id="strip")
        with Horizontal(id="body"):
            yield Rows(self._post_chosen, id="posts")
            with Vertical(id="middle"):
                yield Picture(lambda w, h: sentences(self.snapshot, self.screen_size, w, h), id="sentences")
                yield Picture(lambda w, h: big(self.snapshot, self.screen_size, w, h), id="big")
                yield Picture(self._draw_taper, id="taper")
                yield Picture(lambda w, h: answer(self.snapshot, self.screen_size, w, h), id="answer")
                with Horizontal(id="pictures"):
                    yield Picture(lambda w, h: plan(self.snapshot, w, h), id="plan")
                    yield self._target_picture
            if ScreenSize(*self.app.size).has_side:
                yield self._build_side()
        yield self._pad

    def _build_side(self) -> Picture:
        from shimfit.tui.screens.beside import column, post_parts

        def draw(width: int, height: int) -> Canvas:
            parts = post_parts(self.snapshot, self.session.site.box().lots)
            return column(width, height, self.session.glyphs.more, *parts)

        self._side = Picture(draw, id="side")
        return self._side

    def on_resize(self, event: events.Resize) -> None:
        """A window made wide gets its column."""
        if ScreenSize(*event.size).has_side and self._side is None:
            self.query_one("#body").mount(self._build_side())

    def on_mount(self) -> None:
        """The page mounts itself; here only what is done once it is painted."""
        self.call_after_refresh(
            painted
        )  # what there is then stays in memory; what the first key needs is loaded
        self.call_after_refresh(load_ahead, streams=bool(self.session.settings.sensor))

    # ------------------------------------------------------------ keeping up to date

    @property
    def screen_size(self) -> ScreenSize:
        """The size that there is now."""
        padded = self._pad.has_class("-shown")
        return ScreenSize(*self.window, padded, self.banner_rows, self.echo_rows)

    def _fill(self) -> None:
        """Look at the session again, lay the rows out for what there is to say."""
        self._look()
        self._lay_out()
        self._fill_posts()

    def typed(self) -> None:
        """Parse what is typed, on every key."""
        text = "" if self.question else self.line.value
        self.snapshot = replace(self.snapshot, parsed=self.session.echo(text))
        self._lay_out()
        for name in ("#big", "#taper", "#plan"):
            self.query_one(name, Picture).redraw()
        super().typed()

    def entered(self, text: str) -> None:
        """Enter: log the reading; on the empty line walk on, or begin with the sample job."""
        if not text.strip():
            self.clear_line()
            self.program.do("next_post" if self.session.run is not None else "sample")
            return
        line = self.line
        line.remember(text)
        outcome, left = self.session.enter_all([text, *self._to_come])
        self._to_come = list(left[1:])
        if left and left[0] != text:
            line.value = text = left[0]
        if outcome.done:
            self.take_off_line(text)
        elif outcome.at is None:
            line.offered = text  # asked about as a whole: Enter says yes, another reading takes its place
        else:
            line.cursor_position = min(outcome.at, len(line.value))
            if not isinstance(self.snapshot.parsed, Incomplete):  # else what is missing goes there
                line.refused_at_spot = text
        self._waits_at = self.session.place
        if self._to_come:
            wait = f"; {shown.counted(len(self._to_come), 'line')} behind it: Esc drops them"
            outcome = replace(outcome, message=outcome.message + wait)
        self.say(outcome)
        self.show()

    def pasted(self, lines: list[str]) -> None:
        """Log a table of readings, each line as if it were typed; one that is refused waits on the line."""
        first, *self._to_come = self.session.as_typed(lines)
        self.line.value = first
        self.entered(first)

    def clear_line(self) -> None:
        """Begin the line anew; what was pasted after it goes too."""
        self._to_come = []
        super().clear_line()

    def say(self, outcome: Outcome) -> None:
        """Show what came of a move; a long sentence takes rows from the answer."""
        super().say(outcome)
        if self.is_up:
            self._lay_out()

    def show_live(self, live: Live) -> None:
        """Draw what the inclinometer shows; only what changed goes out."""
        if not (self._pad.is_attached and self._target_picture.is_attached):
            return  # while the program begins or closes, the timer outlives the widgets
        before = self.snapshot.live
        self.snapshot = replace(self.snapshot, live=live, looks=self.snapshot.looks + 1)
        self.warn(live.fault)
        if before is None:
            self.add_class("-live")
            self.call_after_refresh(self.show)
            return
        self._advise()
        record, lean = self.snapshot.record, live.believed
        share, within = None, False
        if record is not None and lean is not None:
            within = record.tolerance.holds(lean, record.height_mm)
            if live.taken is None and record.state in BEING_PACKED:
                share = record.tolerance.uses(lean, record.height_mm)
        self.program.sound.beat(share)
        self._target_picture.redraw()
        settled = live.taken is not None and before.taken is None
        if (
            settled
            and self.outcome is not None
            and (self.outcome.done or self.outcome.message.startswith(NOT_YET))
        ):
            self.outcome = None  # seconds have passed since it was said; that a reading is ready matters more
        if live.word != before.word or settled:
            self.show_echo()
        if settled and within:
            self.program.sound.ring("plumb")

    def no_sensor(self) -> None:
        """Nothing is listened to any more: the target goes."""
        self.snapshot = replace(self.snapshot, live=None, advice=None, live_packs=())
        self.remove_class("-live")
        self.warn("")
        self.show()

    def _advise(self) -> None:
        """Show the advice on this lean, when it is another than before."""
        advice = self._advice.tick(self.session, self.snapshot)
        if advice is self.snapshot.advice:
            return
        self._take_advice(advice)
        self._lay_out()
        for name in ("#sentences", "#big", "#taper", "#answer", "#plan"):
            self.query_one(name, Picture).redraw()
        if self._side is not None:
            self._side.redraw()
        self.show_keys()
        if self.has_class("-squat"):
            self.show_echo()

    def step_back(self) -> bool:
        """Esc puts the tap pad away."""
        padded = self._pad.has_class("-shown")
        if padded:
            self.toggle_pad()
        return padded

    def next_pack(self) -> None:
        """Tick the step in large figures and show the next; after the last: tighten, read again."""
        if self.snapshot.steps:
            self.outcome = None
            done = (self.snapshot.done + 1) % (len(self.snapshot.steps) + 1)
            self.snapshot = replace(self.snapshot, done=done)
            self.show()
        else:
            waits = self.session.place in self.session.working
            why = "the packs are still being worked out" if waits else "here none is to go in now"
            self.say(Outcome(f"Tab ticks one pack after another: {why}", done=False))

    def toggle_pad(self) -> None:
        """Show or put away the tap pad: large keys with figures of the run's unit, directions, Log."""
        keys, run = self._pad, self.session.run
        rows = PAD_INCH if run is not None and run.units == "inch" else PAD_MM
        figures = [[Tap(key, f"type:{PAD_TYPES.get(key, key)}") for key in row.split()] for row in rows]
        last = [*self._faces(named=False), Tap("erase", "erase"), Tap("LOG", "enter", "here")]
        keys.offer([*figures, last])
        keys.toggle_class("-shown")
        self.call_after_refresh(self.show)

    @on(events.Click, "#big")
    def _figure_tapped(self, event: events.Click) -> None:
        """A tap on the large figure ticks its pack."""
        event.stop()
        if self.snapshot.steps:
            self.next_pack()

    def _post_chosen(self, index: int) -> None:
        self.focus_home()
        self.program.go_to_post(self.session.listed[index].name)

    def _look(self) -> None:
        """Look at the session; packs are ticked anew for another post, answer or reading."""
        text, before = "" if self.question else self.line.value, self.snapshot
        now = take_snapshot(self.session, self.session.echo(text), before.live)
        answers = [(one.going_in, one.reading) if (one := look.record) else None for look in (before, now)]
        if self.session.place != self._place:
            self._target.forget()
            self._keep_for_its_post()
        elif answers[0] == answers[1]:
            now = replace(now, done=before.done)
        self.snapshot, self._place = now, self.session.place
        if self.snapshot.live is not None:
            self._take_advice(self._advice.look(self.session, self.snapshot.live.believed))

    def _keep_for_its_post(self) -> None:
        """What was pasted and waits stays for its post when one walks away from it: the line names it."""
        was, now, line = self._waits_at, self.session.place, self.line
        if not self._to_come or was is None or was == now:
            return
        if now is None or was.run_path != now.run_path:
            lines = shown.counted(len(self._to_come) + 1, "line")
            self._to_come, self.outcome = [], refused(f"{lines} pasted for {was.run_path}: paste them there")
        elif not self.session.aim(line.value).startswith("post"):
            line.value = f"{was.post}:{line.value}"

    def _take_advice(self, advice: Advice | None) -> None:
        packs = live_packs(advice, self.snapshot.record, self.snapshot.words)
        self.snapshot = replace(self.snapshot, advice=advice, live_packs=packs)

    def _lay_out(self) -> None:
        rows_of = self._steady_rows(share_out(self.snapshot, self.screen_size))
        for name, rows in zip(("#sentences", "#big", "#taper", "#answer"), rows_of, strict=True):
            styles = self.query_one(name).styles
            if styles.height is None or styles.height.value != rows:
                styles.height = rows

    def _steady_rows(self, wanted: tuple[int, ...]) -> tuple[int, ...]:
        """While a bare post is streamed, rows once given are kept: nothing jumps up and down."""
        bare = self.snapshot.advice is not None and not self.snapshot.advice.pushes
        key = (self.session.place, self.size, self.session.site.journal.head) if bare else None
        kept = self._floor[1] if key is not None and key == self._floor[0] else (0, 0, 0, 0)
        rows = tuple(map(max, wanted, kept))
        self._floor = (key, rows)
        return rows

    def _draw_taper(self, width: int, height: int) -> Canvas:
        pack = self.snapshot.pack
        words = self.snapshot.words
        typing = self.snapshot.parsed is not None
        if typing or pack is None or pack.mark_mm is None or words is None or height < 2:
            return Canvas(width, height)
        lot = next(
            (lot for lot in self.session.site.box().lots if lot.lot == pack.short.partition(" ")[0]), None
        )
        length_mm = (lot.length_mm if lot is not None else None) or 2 * pack.mark_mm
        mark = f"{words.length(pack.mark_mm)} mark"
        return taper_side(pack.mark_mm, length_mm, mark, glyphs=words.glyphs, width=width, height=height)

    # ------------------------------------------------------------ the shared rows

    def _draw_headline(self, width: int, height: int) -> Canvas:  # noqa: ARG002 - always one row
        return headline(self.snapshot, self.screen_size, width)

    def _echo(self, typed: str) -> tuple[str, str]:
        """The live echo while something is typed; else what came of the last move, or a hint."""
        is_said = self.outcome is not None and self.outcome.message
        if self.question is not None or is_said or not typed.strip():
            return super()._echo(typed)
        return echo_words(
            self.snapshot.parsed, self.session.aim(typed), self.session.glyphs, self.window.width
        )

    def _hint(self) -> str:
        """What to do with the empty line."""
        snapshot = self.snapshot
        if snapshot.run is None or snapshot.record is None:
            return self.session.keys.spell("Enter: the sample job   F5: your own")
        if snapshot.live is not None and not snapshot.live.fault:
            return self._live_hint(snapshot.live)
        if not self.session.wants_hints:
            return ""
        match snapshot.record.state:
            case PostState.HALF_READ if (half := snapshot.record.half) is not None:
                missing = self.session.example(half=True, across=half.slope_along is not None)
                return f"now the other way, like {missing}"
            case PostState.TO_READ | PostState.HALF_READ:
                return f"type the lean, like {self.session.example()}"
            case PostState.PLUMB if self.session.is_to_tighten(snapshot.record):
                return "tight? type the lean again"
            case PostState.PLUMB | PostState.SKIPPED:
                return "Enter walks on to the next post"
            case PostState.TIGHTEN:
                return "tight? type the lean again"
            case PostState.TOO_CLOSE if snapshot.record.is_contradicted:
                return "type the lean once more"
            case PostState.TOO_CLOSE if (read := snapshot.record.reading) and not read.zero_found:
                return self.session.keys.spell("^P: Find the sensor's zero")
            case PostState.TOO_CLOSE if snapshot.record.is_settled_by_turning:
                return self.session.keys.spell("^P: Turn the level takes both readings")
            case PostState.TOO_CLOSE:
                return "type the next lean"
            case PostState.OUT if not snapshot.packs and not snapshot.record.packs_in_place:
                return self.session.keys.spell("F6, p: what to buy; F3 fills the box")
            case PostState.OUT if not snapshot.packs:
                return self.session.keys.spell("F3 fills the box; or type the next lean")
            case _:
                return "packed and tight? type the lean again"

    def _live_hint(self, live: Live) -> str:
        """What the inclinometer does; where there is no room for the target, what to push or raise."""
        record, words = self.snapshot.record, self.snapshot.words
        squat = self.has_class("-squat")  # not by `screen_size`, which asks how many rows this hint takes
        if not live.zero_found:
            return self.session.keys.spell(f"{live.word}; ^P: Find the sensor's zero")
        if not squat or live.taken or live.believed is None or record is None or words is None:
            return live.word
        return next_step(self.snapshot.advice, live.believed, record, words, self.window.width)

    def _own_keys(self) -> Sequence[Tap]:
        """While typing the directions in the run's own letters; on the empty line at most five on a phone."""
        look, enter = self.snapshot, self.session.glyphs.enter
        if self.line.value:
            return [*self._faces(named=True), Tap(enter, "enter")]
        if look.run is None:
            return [Tap("Enter sample", "sample"), Tap("F5 own job", "go_setup"), Tap("F1 help", "help")]
        taps = [Tap("F1 help", "help")]
        if look.steps:
            ticked = "again" if look.done >= len(look.steps) else f"{look.done + 1}/{len(look.steps)}"
            taps.append(Tap(f"Tab {ticked}", "next_pack"))
        if not self.screen_size.slim:
            taps += [Tap(f"{enter} next post", "next_post"), Tap("/ find", "find")]
        return [*taps, Tap("^Z undo", "undo"), Tap("^T pad", "pad"), Tap("^P all", "palette")]

    def _faces(self, *, named: bool) -> list[Tap]:
        """A key for each direction, as the plan is drawn."""
        letters, glyphs, words = self.session.letters, self.session.glyphs, self.snapshot.words
        taps = []
        for face in (Face.PREV, Face.NEXT, Face.OUT, Face.HOUSE):
            letter, name = letters[face], words.names[face] if words else face.value
            label = letter if not named else name if name.startswith(letter) else f"{letter}={name}"
            taps.append(Tap(f"{glyphs.faces[face]} {label}", f"type:{letter}"))
        return taps

    # ------------------------------------------------------------ list of posts, box

    def _fill_posts(self) -> None:
        rows = self.query_one("#posts", Rows)
        rows.display = self.session.run is not None and not self.screen_size.slim
        if not rows.display:
            return
        posts, words = self.session.listed, self.snapshot.words
        here = self.session.place.post if self.session.place else ""
        signs = self.session.glyphs.states
        columns = [
            Column("", [(post.name, "") for post in posts], right=True),
            Column("", [(f"{signs[post.state]} {post.state}", ROLES[post.state]) for post in posts]),
        ]
        width = self.screen_size.list_columns - 1
        if words is not None and width >= WITH_FIGURES_FROM:
            leans = [post.reading.lean if post.reading is not None else None for post in posts]
            off = [
                words.off_by(lean, post) + " off" if lean else ""
                for lean, post in zip(leans, posts, strict=True)
            ]
            columns.append(Column("", [(text, "") for text in off], right=True))
        _, *listed = laid_out(columns, width, self.session.glyphs.more, 2)
        rows.fill(listed, next((row for row, post in enumerate(posts) if post.name == here), 0))
