"""The program: starts, brings pages to the front, does the actions, leaves the terminal as it was found."""

from __future__ import annotations

import asyncio
import contextlib
import signal
from functools import partial
from importlib import import_module
from typing import TYPE_CHECKING, ClassVar

from textual import _ansi_sequences, events
from textual.app import App, SystemCommand
from textual.binding import Binding, BindingType
from textual.command import CommandPalette
from textual.geometry import Offset
from textual.widgets import Input

from shimfit.entry.result import Understood
from shimfit.errors import ShimfitError, UsageError
from shimfit.model import PostState
from shimfit.settings.actions import ACTIONS, BY_NAME, DEFAULT_KEYS, SCREENS, KeyWords, parse_keys
from shimfit.text.glyphs import glyphs_for
from shimfit.tui import themes
from shimfit.tui.background import Answering
from shimfit.tui.screens.page import Page, Question
from shimfit.tui.screens.post import PostScreen
from shimfit.tui.sensing import LOOKS_PER_SECOND, WALKS, Listening, look, take
from shimfit.tui.sensing import SETTINGS as SENSOR_SETTINGS
from shimfit.tui.session import Outcome, Session, outcome_of, refused
from shimfit.tui.sound import Sound
from shimfit.tui.widgets import STYLE

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from textual.screen import Screen
    from textual.timer import Timer

    from shimfit.settings import Settings
    from shimfit.settings.actions import Action
    from shimfit.settings.commands import Runs
    from shimfit.wire.inclinometer import Inclinometer
    from shimfit.workflow.site import Place, Site

PAINTED_S = 0.5
"""What is left for painting it, as a person would see it."""
PAGES = {
    "run": ("lists", "RunScreen"),
    "plan": ("plan", "PlanScreen"),
    "stock": ("lists", "StockScreen"),
    "record": ("lists", "RecordScreen"),
    "setup": ("setup", "SetupScreen"),
    "command": ("command", "CommandScreen"),
}
"""Pages other than home: room and class. Each is loaded and built when it is first visited."""
SIGNALS = ("SIGTERM", "SIGHUP", "SIGINT")
"""Those that end the program with the terminal restored and exit code 128 + their number."""
ANSWER_LOOKS_PER_SECOND = 10
LOG_LOOK_S = 1.0
"""How often it is looked whether another program has logged something: one number of the file is asked."""
LONGEST_KEY_S = 2.0
"""So long one key may hold up the next; nothing a key does takes a tenth of it."""
NO_SENSOR = "no inclinometer is set up: F5, sensor"
LEVEL_HINT = "which level do you turn? A name for it, like level-A: its own error is kept under it"
NO_KEY = "none"
"""Stands in the place of a key that no terminal sends: what has none by itself can still be given one."""


# A terminal sends Esc and a key soon after it as it sends Alt and that key, for which the library has signs
# of one maker's keyboards: `ª` for Esc, 9. Without them both keys come, and are taken one after the other.
_ALT_SIGNS = [
    sequence
    for sequence, sign in _ansi_sequences.ANSI_SEQUENCES_KEYS.items()
    if isinstance(sign, str) and len(sequence) == 2 and sequence[0] == "\x1b"
]
for _sequence in _ALT_SIGNS:
    del _ansi_sequences.ANSI_SEQUENCES_KEYS[_sequence]  # type: ignore[attr-defined] # a dict, declared Mapping


class ShimfitApp(App[None]):
    """One open data file on the screen."""

    CSS_PATH = STYLE
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
        commands: Runs | None = None,
    ) -> None:
        """commands: runs a command, so that all that a shell can do can be done here; None: it can't."""
        super().__init__()
        self._commands = commands
        settings = site.settings
        self.animation_level = "none"
        self.session = Session(site, glyphs_for(ascii_only=ascii or settings.ascii))
        self.built: dict[str, Page] = {}
        """Pages that were visited, by name: home is there from the start."""
        self.sound = Sound(self, lambda: self.session.settings)
        self.listening = Listening(site, sensor)
        self._undo_named: str | None = None
        """Id of the step that undo named last, so that it is taken back when it is asked for again."""
        self._undid_box = False
        """True: what undo took back last was of the box or a setting, and redo brings that back."""
        self._answering = Answering(site)
        self.session.answers_later = self._answer
        self.session.working = self._answering
        self._bound = set(DEFAULT_KEYS.values())
        """Keys that are actions wherever the keys go."""
        self._answer_looks: Timer | None = None
        self._sensor_looks: Timer | None = None
        self._rehearses = rehearse
        self._choose_colours(theme or settings.theme)

    # ------------------------------------------------------------ starting and leaving

    def _choose_colours(self, name: str) -> None:
        """Before the style sheet is read: chosen later, it would be read twice before the first paint."""
        for palette in themes.PALETTES.values():
            self.register_theme(themes.theme_of(palette))
        self.register_theme(themes.terminal_theme())
        self.theme = name if name in themes.NAMES else "sun"
        # The sheet took its variables when the app was made, before there was a theme to take them from.
        self.stylesheet.set_variables(self.get_css_variables())

    def get_theme_variable_defaults(self) -> dict[str, str]:
        """Names that the style sheet uses, before any theme is chosen."""
        return dict(themes.theme_of(themes.PALETTES["sun"]).variables)

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
        self._watch_sensor()
        self.set_interval(LOG_LOOK_S, self._look_at_log)
        if self._rehearses:
            # A worker of its own: while the app itself waits for it, nothing would be painted.
            self.call_after_refresh(self.run_worker, self._rehearse, exclusive=True)

    async def _rehearse(self) -> None:
        """Log one reading in the sample job and quit: 0 when it is on disk and answered, else 1."""
        session = self.session
        if session.place is None:
            self._sample()
        while (record := session.record) is not None and record.state is not PostState.TO_READ:
            if not session.step(+1).done:
                break
        outcome = session.enter("3mmn2mmo")
        self.tell(outcome)
        await asyncio.sleep(PAINTED_S)
        record = session.record
        self.leave(0 if outcome.done and record is not None and record.reading is not None else 1)

    def on_unmount(self) -> None:
        """Stop listening and working before the terminal is given back."""
        self.listening.stop()
        self._answering.leave()

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
        elif self._answer_looks is None:
            self._answer_looks = self.set_interval(1 / ANSWER_LOOKS_PER_SECOND, self._look_for_answers)
        return there

    def _look_for_answers(self) -> None:
        came = self._answering.collect()
        if not came:
            return
        if not self._answering and self._answer_looks is not None:
            self._answer_looks.stop()
            self._answer_looks = None
        self.session.refresh()
        page = self.page
        said = page.outcome
        if said is not None and not (said.done or said.asks or page.line.value or page.question):
            page.outcome = None  # what could not be done before the answer came
        page.show()
        self._tell_troubles(came)

    def _tell_troubles(self, came: Sequence[tuple[Place, str]]) -> None:
        """Say which posts have their reading on disk but no answer, and why."""
        for place, fault in came:
            if fault:
                reported = f"post {place.post}: the reading is logged, but not its answer: {fault}"
                self.page.say(refused(reported))

    def _look_at_log(self) -> None:
        """Show what another program has logged into the same file."""
        if self.session.others_logged():
            self.session.answer_missing()
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
        if not fault and self.session.site.journal.read_only:
            fault = "READ ONLY, nothing is logged here: this file can't be written"
        self.warn(fault)

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
        self.page.outcome = None  # what came of a move there is not said again when one comes back
        if self.page.NAME != "post":
            self.pop_screen()
        if name == "post":
            return
        if name not in self.built:
            room, screen = PAGES[name]
            self.built[name] = getattr(import_module(f"shimfit.tui.screens.{room}"), screen)(self.session)
            self.install_screen(self.built[name], name)
        self.push_screen(name)

    def go_to_post(self, name: str) -> None:
        """Stand at a post of the open run, on the home page."""
        if self.session.place is not None:
            self.session.go_post(name)
            self.go("post")
            self.tell(Outcome(""))

    async def on_event(self, event: events.Event) -> None:
        """Take one key after another: the next one waits until what this one does is done.

        The library hands a key to the widget that has the keys and takes the next one at once: in a burst (a
        paste, a slow link) a reading's Enter would come after the keys behind it.
        """
        if not isinstance(event, events.Key) or event.is_forwarded:
            await super().on_event(event)
            return
        if event.key.startswith("alt+") and event.character:
            # A terminal sends the same for Alt and a key as for Esc, then the key.
            await self.on_event(events.Key("escape", None))
            await self.on_event(events.Key(event.character, event.character))
            return
        screen, bound = self.screen, event.key in self._bound
        if isinstance(screen, Page):
            if event.key == "escape":  # now: by way of the line it would come after the key behind it
                self.action_do("go_post")
                return
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
            self._listen_anew()

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
        page.begin(self._commands, name, given, back="" if before == "command" else before, at_once=at_once)

    def command_ran(self, before: Settings) -> None:
        """A command may have logged something, or changed a setting: look at everything anew.

        before: the settings before it ran.
        """
        self.session.look_anew()
        try:
            self.take_settings(before)
            if self.listening.is_lent:
                self._listen_anew()
        except ShimfitError as error:
            self.page.say(refused(error))

    def lend_sensor(self) -> None:
        """A command is about to listen to the sensor itself; `command_ran` takes the port back."""
        self.listening.lend()

    # ------------------------------------------------------------ the inclinometer

    def _watch_sensor(self) -> None:
        """Look at what comes in at the screen's pace, once there is an inclinometer."""
        if self.listening.sensor is not None and self._sensor_looks is None:
            self._sensor_looks = self.set_interval(1 / LOOKS_PER_SECOND, self._look_at_sensor)

    def _look_at_sensor(self) -> None:
        sensor = self.listening.sensor
        if sensor is None:
            return
        if sensor.snapshot().fell and not self.session.site.journal.read_only:
            self._forget_zero("the sensor fell: its zero counts no more; turn it end for end")
        if self.page is self.home:
            self.home.show_live(look(sensor))

    def _listen_anew(self) -> None:
        self.listening.anew()
        if self.listening.sensor is None:
            self.home.no_sensor()
        self._watch_sensor()

    def _take(self) -> None:
        """Log what the sensor holds; without one, tick a pack: a phone's keyboard has no Tab."""
        sensor = self.listening.sensor
        if sensor is not None:
            self.tell(take(self.session, sensor))
        elif self.page is self.home and self.home.snapshot.steps:
            self.home.next_pack()
        else:
            self.tell(refused(self.session.keys.spell(NO_SENSOR)))

    def _walk_with_sensor(self, name: str) -> None:
        """Begin one of WALKS; what it keeps is listened by at once."""
        session, sensor = self.session, self.listening.sensor
        if sensor is None or (name == "sends" and not session.settings.sensor):
            self.tell(refused(session.keys.spell(NO_SENSOR)))
            return
        from shimfit.tui.screens.sensor import AxesWalk, DescribeWalk, StillWalk, ZeroWalk

        if name == "sends":
            from shimfit.workflow.sensor import undescribed

            self.listening.lend()
            undescribed_one = undescribed(session.site)
            self.push_screen(DescribeWalk(session, undescribed_one, self._sensor_changed, self._give_back))
        else:
            walks = {"axes": AxesWalk, "zero": ZeroWalk, "noise": StillWalk}
            self.push_screen(walks[name](session, sensor, self._sensor_changed))

    def _give_back(self) -> None:
        if self.listening.is_lent:
            outcome = outcome_of(self._listen_anew)
            if not outcome.done:
                self.tell(outcome)

    def _forget_zero(self, words: str) -> None:
        """The zero that was found is not believed any more."""
        from shimfit.workflow.sensor import forget_zero

        forget_zero(self.session.site)
        self._sensor_changed(words)

    def _sensor_changed(self, words: str) -> None:
        """What is kept of the sensor has changed: listen anew with it, and say so."""
        listens = self.session.settings.sensor and self.listening.sensor is not None
        outcome = outcome_of(self._listen_anew) if listens else Outcome("")
        self.session.refresh()
        self.tell(Outcome(words) if outcome.done else outcome)

    # ------------------------------------------------------------ the actions

    def _what_is_done(self) -> Mapping[str, Callable[[], object]]:
        """What an action does that is neither a move of the session nor of one page, by its name."""
        return {
            **{f"go_{name}": partial(self.go, name) for name in SCREENS},
            "go_post": self._back_home,
            "leave": self._back_home,
            "open": self.page.open_marked,
            "help": self._help,
            "palette": self.action_command_palette,
            "quit": partial(self.leave, 0),
            "undo": lambda: self.page.line.call_later(self._undo),  # the keys before it reach the line first
            "redo": self._redo,
            "next_post": partial(self._walk, +1),
            "previous_post": partial(self._walk, -1),
            "next_pack": self.home.next_pack,
            "pad": self._pad,
            "verify": partial(self.command, "record", {"path": "verify"}, at_once=True),
            "turn": self._ask_for_two,
            **{name: partial(self._walk_with_sensor, name) for name in WALKS},
            "dropped": partial(self._forget_zero, "its zero counts no more: turn it end for end"),
            "take": self._take,
            "theme": self._next_theme,
            "sound": self._sound_on_or_off,
            "sample": self._sample,
        }

    def do(self, name: str) -> None:
        """Do an action of the table, or one that only a tap can ask for; errors become words."""
        action, page, does = BY_NAME.get(name), self.page, self._what_is_done()
        try:
            if action is None or name in does:
                does[name]()
            elif action.page == page.NAME:
                getattr(page, name)()
            elif action.page:
                self.go(action.page)
                if name != "stock_out":  # there nothing is marked yet: the page says what to do
                    self.page.call_after_refresh(getattr(self.page, name))
            elif action.label:
                self._ask_for(action)
            else:
                self.tell(self.session.do(name, post=page.marked_post()))
        except ShimfitError as error:
            if error.kind == "internal":
                raise
            self.page.say(refused(error))

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
            ways_out = self.session.keys.spell("^Q leaves; what was logged is on disk")
            self.page.say(Outcome(ways_out, done=False))

    def _back_home(self) -> None:
        """Esc: the question, then the page's own step, then home; at home the line."""
        page = self.page
        if page.question is not None:
            (page.question.back or page.stop_asking)()
        elif not page.step_back():
            if page is self.home:
                page.clear_line()
            else:
                self.go("post")

    def _help(self) -> None:
        """Show the help, or leave it with the same key."""
        from shimfit.tui.screens.help import HelpScreen

        if isinstance(self.screen, HelpScreen):
            self.screen.dismiss()
        else:
            self.push_screen(HelpScreen(self.session, self.page.NAME))

    def _undo(self) -> None:
        """Text on the line goes first, and what is not in view is named, and seen, first."""
        session, page = self.session, self.page
        box = page.NAME == "stock" or (page.NAME == "setup" and session.set_last())
        coming = session.undo_is_of(box=box)
        step, said, here = coming or (None, "", True)
        named, self._undo_named = self._undo_named, None
        again = f"{session.keys.spell('^Z')} again takes back {said}"
        elsewhere = {"post": not here, "setup": not box}.get(page.NAME, False)
        if page.line.value:
            page.clear_line()
            page.say(Outcome(f"line cleared; {again}" if coming else "line cleared"))
        elif page.question is not None:  # what it asks for may be of the very step that would go
            page.stop_asking()
            page.say(Outcome(f"nothing is asked any more; {again}" if coming else ""))
        elif elsewhere and named != step:
            whose = "post" if page is self.home else "page"
            page.say(Outcome(f"not of this {whose}; {again}", done=False, asks=True))
        else:
            self._undid_box, before = box, session.settings
            self.tell(session.undo(box=box, step=step))
            self.take_settings(before)
            return
        # What stands on the screen is named; a key that came in the same burst has not seen it.
        self.call_after_refresh(setattr, self, "_undo_named", step)

    def _redo(self) -> None:
        before, page = self.session.settings, self.page.NAME
        self.tell(self.session.redo(box=page == "stock" or (page == "setup" and self._undid_box)))
        self.take_settings(before)

    def _walk(self, by: int) -> None:
        outcome = self.session.step(by)
        self.tell(Outcome("") if outcome.done and self.page is self.home else outcome)

    def _pad(self) -> None:
        self.go("post")
        self.home.toggle_pad()

    def _ask_for(self, action: Action) -> None:
        """Ask for what an action of the table wants, at the post that the page in front means."""
        session, page, name = self.session, self.page, self.page.marked_post()
        post = session.run.post(name) if session.run is not None else None
        station = session.words.distance(post.station_mm) if post is not None and session.words else ""
        stands = {"move_post": station, "retighten": "end" if session.due else ""}.get(action.name, "")
        has_interval = session.run is not None and session.run.due_days is not None
        asks = action.asks.format(
            post=name,
            mark="1-1/4" if session.units == "inch" else "30",
            interval=", Enter: the run's own interval" if has_interval else "",
            end=", end: walk every post again" if session.due else "",
        )

        def answer(text: str) -> Outcome:
            outcome = session.do(action.name, text, post=name)
            if outcome.done and action.name == "retighten":  # the walk goes on at the post
                page.stop_asking()
                self.go("post")
                self.tell(outcome)
            return outcome

        page.ask(Question(action.label, asks, answer, stands, does=action.does))

    def _ask_for_two(self) -> None:
        """Ask for two readings, the second once the first was understood; before them which level it is.

        The first is not asked for where one was just logged that turning the level settles.
        """
        session = self.session
        if not session.settings.instrument:
            self.page.ask(Question("level", LEVEL_HINT, self._name_level))
            return

        def second(first: str) -> Outcome:
            if not isinstance(session.echo(first), Understood):
                return refused(f"{first!r} is no reading")
            hint = f"first: {first}. Turn the level end for end, read again"
            self.page.ask(Question("turned", hint, partial(session.turned, first), does="log"))
            return Outcome("")

        if logged := session.to_turn_after:
            second(logged)
        else:
            self.page.ask(Question("first", f"read as always, like {session.example()}", second))

    def _name_level(self, name: str) -> Outcome:
        outcome = self.session.use_level(name)
        if outcome.done:
            self._ask_for_two()
        return outcome

    def _next_theme(self) -> None:
        self.theme = themes.NAMES[(themes.NAMES.index(self.theme) + 1) % len(themes.NAMES)]
        self.session.site.set("theme", self.theme)
        self.tell(Outcome(f"theme: {self.theme}"))

    def _sound_on_or_off(self) -> None:
        rings = not self.session.settings.bell
        self.session.site.set("bell", "yes" if rings else "no")
        self.tell(Outcome(f"sound: {'on' if rings else 'off'}", bell="logged"))

    def _sample(self) -> None:
        from shimfit.workflow.sample import write_sample

        write_sample(self.session.site)
        self.session.open_last()
        self.tell(Outcome("the sample job: nothing in it is real"))

    def tell(self, outcome: Outcome) -> None:
        """Bring the page in front up to date and say what came of a move."""
        self.page.tell(outcome)

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
            from shimfit.settings.commands import page

            for one in page().commands:
                if not one.elsewhere:
                    says = f"{one.name}: {one.says}"
                    yield SystemCommand(says, f"shimfit {one.name}", lambda name=one.name: self.command(name))
