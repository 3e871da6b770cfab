"""The program: starts, brings pages to the front, does the actions, leaves the terminal as it was found."""

from __future__ import annotations

import asyncio
import contextlib
import signal
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

from textual import events
from textual.app import App, SystemCommand
from textual.binding import Binding, BindingType
from textual.command import CommandPalette
from textual.geometry import Offset
from textual.widgets import Input

from shimfit.entry.result import Understood
from shimfit.errors import ShimfitError, UsageError
from shimfit.model import PostState
from shimfit.settings.actions import ACTIONS, BY_NAME, DEFAULT_KEYS, KeyWords, parse_keys
from shimfit.text.glyphs import glyphs_for
from shimfit.tui import themes
from shimfit.tui.background import Answering
from shimfit.tui.screens.page import Page, Question
from shimfit.tui.screens.post import PostScreen
from shimfit.tui.sensing import SETTINGS as SENSOR_SETTINGS
from shimfit.tui.sensing import Listening
from shimfit.tui.session import Outcome, Session
from shimfit.tui.sound import Sound

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from textual.screen import Screen
    from textual.timer import Timer

    from shimfit.settings import Settings
    from shimfit.settings.actions import Action
    from shimfit.tui.commands import Commands
    from shimfit.wire.inclinometer import Inclinometer
    from shimfit.workflow.site import Place, Site

PAINTED_S = 0.5
"""What is left for painting it, as a person would see it."""


async def _rehearse(app: ShimfitApp) -> None:
    """Log one reading in the sample job and quit: 0 when it is on disk and answered, else 1."""
    session = app.session
    if session.place is None:
        from shimfit.workflow.sample import write_sample

        write_sample(session.site)
        session.open_last()
    for _ in range(1000):
        record = session.record
        if record is None or record.state is PostState.TO_READ or not session.step(+1).done:
            break
    outcome = session.enter("3mmn2mmo")
    app.tell(outcome)
    await asyncio.sleep(PAINTED_S)
    record = session.record
    read = record is not None and record.reading is not None
    app.leave(0 if outcome.done and read else 1)


def _build(name: str, session: Session, commands: Commands | None) -> Page:
    """Make a page other than the home page; its module loads now and not earlier."""
    if name == "command" and commands is not None:
        from shimfit.tui.screens.command import CommandScreen

        return CommandScreen(session, commands)
    if name == "plan":
        from shimfit.tui.screens.plan import PlanScreen

        return PlanScreen(session)
    if name in ("run", "stock", "record"):
        from shimfit.tui.screens.lists import RecordScreen, RunScreen, StockScreen

        return {"run": RunScreen, "stock": StockScreen, "record": RecordScreen}[name](session)
    from shimfit.tui.screens.setup import SetupScreen

    return SetupScreen(session)


class Doing:
    """Does the actions of the table: a move of the session, one of the page in front, or a method of this."""

    def __init__(self, app: ShimfitApp) -> None:
        self._app = app
        self._session = app.session
        self._named: str | None = None
        """Id of the step that undo named last, so that it is taken back when it is asked for again."""
        self._undid_box = False
        """True: what undo took back last was of the box or a setting, and redo brings that back."""

    def do(self, name: str) -> None:
        """Do an action of the table, or one that only a tap can ask for; errors become words."""
        try:
            self._do(name)
        except ShimfitError as error:
            if error.kind == "internal":
                raise
            self._app.page.say(Outcome(error.message, done=False, bell="refused"))

    def _do(self, name: str) -> None:
        action, page = BY_NAME.get(name), self._app.page
        if action is not None and action.page:
            self._on_its_page(action)
        elif action is not None and action.move:
            move = getattr(self._session, action.move)
            if action.label:
                page.ask(Question(action.label, action.asks, move))
            else:
                self._app.tell(move())
        elif name.startswith("go_") and name != "go_post":
            self._app.go(name.removeprefix("go_"))
        else:
            getattr(self, name)()

    def _on_its_page(self, action: Action) -> None:
        """Do what belongs to one page; from elsewhere that page comes to the front first."""
        app = self._app
        if action.page == app.page.NAME:
            app.page.perform(action.name)
            return
        app.go(action.page)
        if action.name != "stock_out":  # there nothing is marked yet: the page says what to do
            app.page.call_after_refresh(app.page.perform, action.name)

    def go_post(self) -> None:
        """Esc: the question, then the page's own step, then home; at home the line."""
        page = self._app.page
        if page.question is not None:
            (page.question.back or page.stop_asking)()
        elif page.step_back():
            return
        elif page is not self._app.home:
            self._app.go("post")
        else:
            page.clear_line()

    leave = go_post

    def open(self) -> None:
        """Open what is marked in the list."""
        self._app.page.open_marked()

    def help(self) -> None:
        """Show the help, or leave it with the same key."""
        from shimfit.tui.screens.help import HelpScreen

        if isinstance(self._app.screen, HelpScreen):
            self._app.screen.action_back()
        else:
            self._app.push_screen(HelpScreen(self._session, self._app.page.NAME))

    def palette(self) -> None:
        """Every action by name."""
        self._app.action_command_palette()

    def quit(self) -> None:
        """Leave."""
        self._app.leave(0)

    def undo(self) -> None:
        """Take the last step back, once the keys before this one have reached the line."""
        self._app.page.line.call_later(self._undo)

    def _undo(self) -> None:
        """Text on the line goes first, and what is not in view is named, and seen, first."""
        app, session, page = self._app, self._session, self._app.page
        box = page.NAME == "stock" or (page.NAME == "setup" and session.set_last())
        coming = session.undo_is_of(box=box)
        step, said, here = coming or (None, "", True)
        named, self._named = self._named, None
        again = f"{session.keys.spell('^Z')} again takes back {said}"
        if page.line.value:
            page.clear_line()
            page.say(Outcome(f"line cleared; {again}" if coming else "line cleared"))
        elif named != step and ((page.NAME == "post" and not here) or (page.NAME == "setup" and not box)):
            whose = "post" if page.NAME == "post" else "page"
            page.say(Outcome(f"not of this {whose}; {again}", done=False))
        else:
            self._undid_box, before = box, session.settings
            app.tell(session.undo(box=box, step=step))
            app.take_settings(before)
            return
        # What stands on the screen is named; a key that came in the same burst has not seen it.
        app.call_after_refresh(setattr, self, "_named", step)

    def redo(self) -> None:
        """Bring back what was taken back."""
        name, before = self._app.page.NAME, self._session.settings
        self._app.tell(self._session.redo(box=name == "stock" or (name == "setup" and self._undid_box)))
        self._app.take_settings(before)

    def next_post(self) -> None:
        """Walk on."""
        self._walk(self._session.step(+1))

    def previous_post(self) -> None:
        """Walk back."""
        self._walk(self._session.step(-1))

    def _walk(self, outcome: Outcome) -> None:
        home = self._app.home
        if outcome.done:
            home.outcome = None
            home.new_post()
        if not outcome.done or self._app.page is not home:
            self._app.tell(outcome)

    def retighten(self) -> None:
        """Walk the posts that are due, or every post again."""
        page = self._app.page
        days = "" if self._session.run is None else "; Enter: the run's own interval"
        hint = f"due after how many days{days}; end: walk every post again"
        page.ask(Question("days", hint, self._walk_due, "end" if self._session.due else ""))

    def _walk_due(self, text: str) -> Outcome:
        outcome = self._session.retighten(text)
        if outcome.done:
            self._app.page.stop_asking()
            self._app.go("post")
            self._app.home.new_post()
            self._app.home.say(outcome)
        return outcome

    def verify(self) -> None:
        """Work every hash of the log out again."""
        self._app.command("record", {"path": "verify"}, at_once=True)

    def turn(self) -> None:
        """Ask for two readings, the second once the first was understood."""
        self._app.page.ask(
            Question("first", f"read as always, like {self._session.example()}", self._turned_first)
        )

    def _turned_first(self, first: str) -> Outcome:
        if not isinstance(self._session.echo(first), Understood):
            return Outcome(f"{first!r} is no reading", done=False, bell="refused")
        hint = "turn the level end for end, read again"
        self._app.page.ask(Question("turned", hint, lambda second: self._session.turned(first, second)))
        return Outcome("")

    def move_post(self) -> None:
        """Ask for another station of the marked post."""
        name, run = self._app.page.marked_post(), self._session.run
        post = run.post(name) if run is not None else None
        now = f"{post.station_mm:g} mm" if post is not None else ""
        hint = f"new station of post {name}, from the run's start"
        move = self._session.move_post
        self._app.page.ask(Question("station", hint, lambda text: move(name, text), now))

    def remove_post(self) -> None:
        """Take the marked post out of the run."""
        self._app.tell(self._session.remove_post(self._app.page.marked_post()))

    def axes(self) -> None:
        """Teach the sensor its directions."""
        self._app.listening.teach()

    def zero(self) -> None:
        """Find the sensor's zero."""
        self._app.listening.find_zero()

    def noise(self) -> None:
        """Measure the sensor's noise and drift."""
        self._app.listening.measure_noise()

    def sends(self) -> None:
        """Show what the sensor sends."""
        self._app.listening.describe()

    def dropped(self) -> None:
        """The sensor's zero counts no more."""
        self._app.listening.forget_zero()

    def take(self) -> None:
        """Log what the sensor holds."""
        self._app.tell(self._app.listening.take())

    def left_to_do(self) -> None:
        """List only what is left to do, or all."""
        session = self._session
        session.only_left = not session.only_left
        shows = "only what is left to do" if session.only_left else "all posts"
        self._app.tell(Outcome(f"the list shows {shows}"))

    def by_worst(self) -> None:
        """List the worst first, or the posts as they stand."""
        session = self._session
        session.by_worst = not session.by_worst
        self._app.tell(Outcome("furthest out first" if session.by_worst else "as they stand in the run"))

    def survey(self) -> None:
        """Walk on after each reading, or stay."""
        self._app.tell(Outcome(self._session.survey()))

    def next_pack(self) -> None:
        """The next pack in large figures."""
        self._app.home.next_pack()

    def pad(self) -> None:
        """Show or put away the tap pad."""
        self._app.go("post")
        self._app.home.toggle_pad()

    def theme(self) -> None:
        """The next of the themes."""
        order = themes.NAMES
        self._app.theme = order[(order.index(self._app.theme) + 1) % len(order)]
        self._session.site.set("theme", self._app.theme)
        self._app.tell(Outcome(f"theme: {self._app.theme}"))

    def sound(self) -> None:
        """Ring, or be silent."""
        rings = not self._session.settings.bell
        self._session.site.set("bell", "yes" if rings else "no")
        self._app.tell(Outcome(f"sound: {'on' if rings else 'off'}", bell="logged"))

    def sample(self) -> None:
        """Write the sample job and open it."""
        from shimfit.workflow.sample import write_sample

        write_sample(self._session.site)
        self._session.open_last()
        self._app.tell(Outcome("the sample job: nothing in it is real"))


SIGNALS = ("SIGTERM", "SIGHUP", "SIGINT")
"""Those that end the program with the terminal restored and exit code 128 + their number."""
ANSWER_LOOKS_PER_SECOND = 10
"""How often an answer that takes its time is looked for."""
LOG_LOOK_S = 1.0
"""How often it is looked whether another program has logged something: one number of the file is asked."""
LONGEST_KEY_S = 2.0
"""So long one key may hold up the next; nothing a key does takes a tenth of it."""
NO_KEY = "none"
"""Stands in the place of a key that no terminal sends: what has none by itself can still be given one."""


class ShimfitApp(App[None]):
    """One open data file on the screen."""

    CSS_PATH = Path(__file__).with_name("style.tcss")
    TITLE = "shimfit"
    ENABLE_COMMAND_PALETTE = True
    HORIZONTAL_BREAKPOINTS = [(0, "-slim"), (64, "-mid"), (110, "-broad"), (150, "-vast")]  # noqa: RUF012 - the library declares it as an instance variable
    VERTICAL_BREAKPOINTS = [(0, "-squat"), (14, "-low"), (24, "-tall")]  # noqa: RUF012 - as above
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("ctrl+c", "how_to_leave", "How to leave", show=False, priority=True),
        *(
            Binding(
                action.key or f"{NO_KEY}+{action.name}",
                f"do('{action.name}')",
                action.title,
                show=False,
                id=action.name,
                priority=action.name != "go_post",
            )
            for action in ACTIONS
        ),
    ]

    def __init__(
        self,
        site: Site,
        *,
        theme: str | None = None,
        ascii: bool = False,  # noqa: A002 - named as the option that it comes from
        sensor: Inclinometer | None = None,
        rehearse: bool = False,
        commands: Commands | None = None,
    ) -> None:
        """commands: the command line, so that all that it can do can be done here; None: it can't."""
        super().__init__()
        self._commands = commands
        settings = site.settings
        self.animation_level = "none"
        self.session = Session(site, glyphs_for(ascii_only=ascii or settings.ascii))
        self.built: dict[str, Page] = {}
        """Pages that were visited, by name: home is there from the start."""
        self.sound = Sound(self, lambda: self.session.settings)
        self.listening = Listening(self, sensor)
        self._doing = Doing(self)
        self._answering = Answering(site)
        self.session.answers_later = self._answer
        self.session.working = self._answering.pending
        self._bound = set(DEFAULT_KEYS.values())
        """Keys that are actions wherever the keys go."""
        self._watch: Timer | None = None
        self._rehearses = rehearse
        self._choose_colours(theme or settings.theme)
        self._read_for = self.theme

    # ------------------------------------------------------------ starting and leaving

    def _choose_colours(self, name: str) -> None:
        """Before the style sheet is read: chosen later, it would be read twice before the first paint."""
        for palette in themes.PALETTES.values():
            self.register_theme(themes.theme_of(palette))
        self.register_theme(themes.terminal_theme())
        self.theme = name if name in themes.NAMES else "sun"
        # The sheet took its variables when the app was made, before there was a theme to take them from.
        self.stylesheet.set_variables(self.get_css_variables())

    def refresh_css(self, animate: bool = True) -> None:
        """Read the style sheet again, but not for the theme that it is read for already.

        The library asks for it after every choice of a theme, also of the first one, which the first reading
        is yet to come for.
        """
        if self._read_for != self.theme:
            self._read_for = self.theme
            super().refresh_css(animate)

    def get_theme_variable_defaults(self) -> dict[str, str]:
        """Names that the style sheet uses, before any theme is chosen."""
        return dict(themes.theme_of(themes.SUN).variables)

    def get_default_screen(self) -> Screen[None]:
        """The post is home."""
        self.session.open_last()
        self.built["post"] = home = PostScreen(self.session)
        return home

    def on_mount(self) -> None:
        """Signals, sensor; a rehearsal starts once everything is painted."""
        self._catch_signals()
        self.take_keys()
        self.listening.start()
        self.set_interval(LOG_LOOK_S, self._look_at_log)
        if self._rehearses:
            # A worker of its own: while the app itself waits for it, nothing would be painted.
            self.call_after_refresh(self.run_worker, partial(_rehearse, self), exclusive=True)

    def on_unmount(self) -> None:
        """Stop listening and working before the terminal is given back."""
        self.listening.stop()
        self._answering.leave()

    def _read_only_words(self) -> str:
        if not self.session.site.read_only:
            return ""
        return "READ ONLY, nothing is logged here: this file can't be written"

    def warn(self, text: str) -> None:
        """Show a banner that stays on the home page until it is taken away."""
        home = self.home
        home.standing_banner = text
        home.call_after_refresh(home.warn, "")

    def _catch_signals(self) -> None:
        loop = asyncio.get_running_loop()
        for name in SIGNALS:
            number = getattr(signal, name, None)
            if number is None:
                continue
            try:
                loop.add_signal_handler(number, self.leave, 128 + number)
            except (NotImplementedError, RuntimeError, ValueError):
                return  # no such thing here (Windows, or a loop outside the main thread in tests)

    def leave(self, code: int) -> None:
        """End with an exit code, the terminal restored."""
        self.exit(return_code=code)

    def _answer(self, place: Place) -> bool:
        """Have a post answered; what takes longer than a moment is looked for until it has come."""
        there = self._answering.ask(place)
        if there:  # the move that asked says its own words first
            self.call_later(self._tell_troubles, self._answering.collect())
        elif self._watch is None:
            self._watch = self.set_interval(1 / ANSWER_LOOKS_PER_SECOND, self._look_for_answers)
        return there

    def _look_for_answers(self) -> None:
        came = self._answering.collect()
        if not came:
            return
        if not self._answering.pending and self._watch is not None:
            self._watch.stop()
            self._watch = None
        self.session.refresh()
        self.page.show()
        self._tell_troubles(came)

    def _tell_troubles(self, came: Sequence[tuple[Place, str]]) -> None:
        """Say which posts have their reading on disk but no answer, and why."""
        for place, fault in came:
            if fault:
                reported = f"post {place.post}: the reading is logged, but not its answer: {fault}"
                self.page.say(Outcome(reported, done=False, bell="refused"))

    def _look_at_log(self) -> None:
        """Show what another program has logged into the same file."""
        if self.session.others_logged():
            self.session.answer_missing()
            self.session.refresh()
            self.page.show()

    def take_keys(self) -> None:
        """Bind the keys of the settings; where they can't be, the usual ones stand and a banner says why."""
        fault = ""
        try:
            keys = parse_keys(self.session.settings.keys)
        except UsageError as error:
            keys, fault = dict(DEFAULT_KEYS), f"KEYS are the usual ones; {error.message}"
        self.set_keymap(keys)
        self.session.keys = KeyWords(keys)
        self._bound = {"escape", "ctrl+c", *keys.values()}
        self.warn(fault or self._read_only_words())

    # ------------------------------------------------------------ pages and actions

    @property
    def cursor_position(self) -> Offset:
        """Cell in which the terminal's own cursor is left: where one types, else the corner.

        The library keeps the place of the last key, which is wrong once the line has moved; what completes
        words beside the terminal, or brings up a soft keyboard, goes by it.
        """
        line = self.focused
        return line.cursor_screen_offset if isinstance(line, Input) else Offset(0, 0)

    @cursor_position.setter
    def cursor_position(self, where: Offset) -> None:
        """Not kept: it is looked up."""

    @property
    def home(self) -> PostScreen:
        """The post's page."""
        page = self.built["post"]
        assert isinstance(page, PostScreen)
        return page

    @property
    def page(self) -> Page:
        """The page in front, or the one below a help or palette screen."""
        for screen in reversed(self.screen_stack):
            if isinstance(screen, Page):
                return screen
        return self.home

    def go(self, name: str) -> None:
        """Bring a page to the front; a page that is there already stops asking."""
        while not isinstance(self.screen, Page) and len(self.screen_stack) > 1:
            self.pop_screen()
        if name == self.page.NAME:
            if self.page.question is not None:
                self.page.stop_asking()
            return
        if self.page.NAME != "post":
            self.pop_screen()
        if name == "post":
            return
        if name not in self.built:
            self.built[name] = _build(name, self.session, self._commands)
            self.install_screen(self.built[name], name)
        self.push_screen(name)

    def go_to_post(self, name: str) -> None:
        """Stand at a post of the open run, on the home page."""
        place = self.session.place
        if place is None:
            return
        self.session.go(replace(place, post=name))
        self.go("post")
        self.home.outcome = None
        self.home.new_post()

    async def on_event(self, event: events.Event) -> None:
        """Take one key after another: the next one waits until what this one does is done.

        The library hands a key to the widget that has the keys and takes the next one at once: in a burst (a
        paste, a slow link) a reading's Enter would come after the keys behind it.
        """
        if not isinstance(event, events.Key) or event.is_forwarded:
            await super().on_event(event)
            return
        screen, bound = self.screen, event.key in self._bound
        if isinstance(screen, Page):
            if screen.has_class("-tiny") and not bound:
                return  # what can't be seen is not typed
            if not bound and screen.press(event):
                return
        await super().on_event(event)
        target = self.focused
        if target is None or not target.is_running:
            return
        taken = asyncio.Event()
        if target.call_later(taken.set):
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(taken.wait(), LONGEST_KEY_S)

    def action_do(self, name: str) -> None:
        """A key was pressed for an action of the table; what is in front of the page keeps it."""
        if isinstance(self.screen, Page):
            if not self.screen.has_class("-tiny") or name == "quit":
                self.do(name)
        elif name in ("help", "quit") or name.startswith("go_"):
            self.do(name)

    def action_how_to_leave(self) -> None:
        """Ctrl+C stops what is being worked out; else it says how to leave."""
        if not self.page.interrupt():
            self.page.say(
                Outcome(self.session.keys.spell("^Q leaves; what was logged is on disk"), done=False)
            )

    def do(self, name: str) -> None:
        """Do an action of the table, or one that only a tap can ask for; errors become words."""
        self._doing.do(name)

    def take_settings(self, before: Settings) -> None:
        """Settings were changed: show in the colours, take the keys and the sensor that they name now.

        Raises ShimfitError where the sensor can't be listened to.
        """
        now = self.session.settings
        if now.theme != before.theme:
            self.theme = now.theme
        if now.keys != before.keys:
            self.take_keys()
            self.page.show()
        if any(getattr(now, name) != getattr(before, name) for name in SENSOR_SETTINGS):
            self.listening.anew()

    def command(self, name: str, given: Mapping[str, str] | None = None, *, at_once: bool = False) -> None:
        """Bring a command of the command line to the front, to be filled in and run; or run it at once."""
        if self._commands is None:
            self.page.say(Outcome("the command line is not at hand here", done=False))
            return
        from shimfit.tui.screens.command import CommandScreen

        before = self.page.NAME
        self.go("command")
        page = self.page
        assert isinstance(page, CommandScreen)
        page.begin(name, given, back="" if before == "command" else before, at_once=at_once)

    def command_ran(self, before: Settings) -> None:
        """A command may have logged something, or changed a setting: look at everything anew.

        before: the settings before it ran.
        """
        self.session.others_logged()
        if self.session.place is None:
            self.session.open_last()
        self.session.answer_missing()
        self.session.refresh()
        try:
            self.take_settings(before)
            self.listening.take_back()
        except ShimfitError as error:
            self.page.say(Outcome(error.message, done=False, bell="refused"))

    def lend_sensor(self) -> None:
        """A command is about to listen to the sensor itself; `command_ran` takes the port back."""
        self.listening.lend()

    def tell(self, outcome: Outcome) -> None:
        """Bring the page in front up to date and say what came of a move."""
        self.page.show()
        self.page.say(outcome)

    def action_command_palette(self) -> None:
        """Every action by name, asked for in signs that any terminal has."""
        if not isinstance(self.screen, CommandPalette):
            palette = CommandPalette(id="--command-palette", placeholder="what to do: undo, find, theme")
            palette.set_class(not self.session.glyphs.blocks, "-ascii")
            self.push_screen(palette)

    def get_system_commands(self, screen: Screen[None]) -> Iterable[SystemCommand]:  # noqa: ARG002 - the library's signature
        """Every action by name, with what it does."""
        for action in ACTIONS:
            if action.name != "palette":
                key = self.session.keys.of(action)
                says = f"{key}: {action.says}" if key else action.says
                yield SystemCommand(action.title, says, lambda name=action.name: self.do(name))
        if self._commands is not None:
            from shimfit.tui.commands import ELSEWHERE

            for one in self._commands.listed:
                if one.name not in ELSEWHERE:
                    says = f"{one.name}: {one.says}"
                    yield SystemCommand(says, f"shimfit {one.name}", lambda name=one.name: self.command(name))
