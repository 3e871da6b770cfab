"""The program: starts, brings pages to the front, does the actions, leaves the terminal as it was found."""

from __future__ import annotations

import asyncio
import signal
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

from textual.app import App, SystemCommand
from textual.binding import Binding, BindingType
from textual.command import CommandPalette

from shimfit.entry.result import Understood
from shimfit.errors import ShimfitError, UsageError
from shimfit.model import PostState
from shimfit.settings.keys import DEFAULT_KEYS, parse_keys
from shimfit.text.glyphs import glyphs_for
from shimfit.tui import themes
from shimfit.tui.background import Answering
from shimfit.tui.deeds import DEEDS, SCREENS, KeyWords
from shimfit.tui.screens.page import Page, Question
from shimfit.tui.screens.post import PostScreen
from shimfit.tui.sensing import Listening
from shimfit.tui.session import Outcome, Session
from shimfit.tui.widgets import EntryLine

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from textual.screen import Screen
    from textual.timer import Timer

    from shimfit.tui.sensing import Sensor
    from shimfit.workflow.place import Place
    from shimfit.workflow.site import Site

PAINTED_S = 0.5
"""What is left for painting it, as a person would see it."""


async def _rehearse(app: ShimfitApp) -> None:
    """Log one reading in the sample job and quit: 0 when it is on disk and answered, else 1."""
    session = app.session
    if session.place is None:
        session.site.write_sample()
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


class Pages:
    """Brings pages to the front and back."""

    def __init__(self, app: ShimfitApp, session: Session) -> None:
        self._app = app
        self._desk = session
        self.built: dict[str, Page] = {}
        """Those that were visited, by name."""

    def build_home(self) -> PostScreen:
        """The post is home; called once, when the program starts."""
        page = PostScreen(self._desk)
        self.built["post"] = page
        return page

    @property
    def home(self) -> PostScreen:
        """The post's page."""
        page = self.built["post"]
        assert isinstance(page, PostScreen)
        return page

    @property
    def front(self) -> Page:
        """The page in front, or the one below a help or palette screen."""
        for screen in reversed(self._app.screen_stack):
            if isinstance(screen, Page):
                return screen
        return self.home

    def go(self, name: str) -> None:
        """Bring a page to the front; a page that is there already stops asking."""
        app = self._app
        while not isinstance(app.screen, Page) and len(app.screen_stack) > 1:
            app.pop_screen()
        if name == self.front.NAME:
            if self.front.question is not None:
                self.front.stop_asking()
            return
        if self.front.NAME != "post":
            app.pop_screen()
        if name == "post":
            return
        if name not in self.built:
            self.built[name] = _build(name, self._desk)
            app.install_screen(self.built[name], name)
        app.push_screen(name)

    def go_to_post(self, name: str) -> None:
        """Stand at a post of the open run, on the home page."""
        place = self._desk.place
        if place is None:
            return
        from shimfit.workflow.place import Place

        self._desk.go(Place(place.job, place.run, name))
        self.go("post")
        self.home.outcome = None
        self.home.new_post()


def _build(name: str, session: Session) -> Page:
    """Make a page other than the home page; its module loads now and not earlier."""
    if name == "plan":
        from shimfit.tui.screens.plan import PlanScreen

        return PlanScreen(session)
    assert name in SCREENS
    if name == "run":
        from shimfit.tui.screens.run import RunScreen

        return RunScreen(session)
    if name == "stock":
        from shimfit.tui.screens.stock import StockScreen

        return StockScreen(session)
    if name == "record":
        from shimfit.tui.screens.record import RecordScreen

        return RecordScreen(session)
    from shimfit.tui.screens.setup import SetupScreen

    return SetupScreen(session)


ASKS = {
    "note": ("note", "a note for this post, like: split, replace", "noted"),
    "photo": ("photo", "name of the photo's file", "photographed"),
    "skip": ("skip", "why is this post skipped?", "skipped"),
    "torque": ("N m", "torque of the nut in N m, like 40", "torqued"),
    "packed_otherwise": ("packs", "seat=lot@mark+lot, like next-out=T1@30+F2", "packed_otherwise"),
    "kind": ("kind", "bed, mid, rails-on, verify, or rocks next-out 0.5", "kind_of_next"),
    "insert_post": ("station", "where, from the run's start, like 1800mm", "insert_post"),
}
"""Actions that ask one thing: label, hint, and the session's move that takes the answer."""
PLAIN_MOVES = ("packed", "tightened", "trimmed", "rails_on")
"""Actions that are a move of the session and ask nothing."""
OF_THE_PAGE = (
    "open",
    "export",
)
"""What means another thing on each page: only its own key or tap asks for it."""
ON_A_PAGE = {
    "cut_sheet": ("plan", "export"),
    "hand_over": ("record", "export"),
    "make_plan": ("plan", "make_plan"),
    "line_up": ("plan", "line_up"),
    "stock_add": ("stock", "stock_add"),
    "stock_import": ("stock", "stock_import"),
    "stock_out": ("stock", "stock_out"),
    "new_run": ("setup", "new_run"),
}
"""Actions that belong to one page: the page, and its name for it."""


class Doing:
    """Does the actions of deeds.DEEDS for the program."""

    def __init__(self, app: ShimfitApp) -> None:
        self._app = app
        self._desk = app.session
        self._told_of: str | None = None
        """Id of the step that undo named last, so that it is taken back when it is asked for again."""

    def do(self, name: str) -> None:
        """Do an action of the table, or one that only a tap can ask for; errors become words."""
        try:
            self._do(name)
        except ShimfitError as error:
            if error.kind == "internal":
                raise
            self._app.page.say(Outcome(error.message, done=False, bell="refused"))

    def _do(self, name: str) -> None:
        app, session, page = self._app, self._desk, self._app.page
        match name:
            case "go_post" | "leave":
                self._step_back()
            case "go_run" | "go_plan" | "go_stock" | "go_record" | "go_setup":
                app.pages.go(name.removeprefix("go_"))
            case _ if name in ON_A_PAGE:
                self._on_its_page(name)
            case "help":
                self._help()
            case "palette":
                app.action_command_palette()
            case "quit":
                app.leave(0)
            case "undo":
                self._undo()
            case "redo":
                app.tell(session.redo(box=page.NAME == "stock"))
            case "next_post":
                self._walk(session.step(+1))
            case "previous_post":
                self._walk(session.step(-1))
            case "find":
                page.ask(Question("find", "name of a post, or a word from its notes", self._find))
            case "turn":
                page.ask(Question("first", "read as always, like 6n10h", self._turned_first))
            case _ if name in PLAIN_MOVES:
                app.tell(getattr(session, name)())
            case _ if name in ASKS:
                label, hint, move = ASKS[name]
                page.ask(Question(label, hint, getattr(session, move)))
            case "move_post":
                page.ask(self._about_moving(page.marked_post()))
            case "remove_post":
                app.tell(session.remove_post(page.marked_post()))
            case "axes":
                app.listening.teach()
            case "zero":
                app.listening.find_zero()
            case "dropped":
                app.listening.forget_zero()
            case "take":
                app.tell(app.listening.take())
            case "left_to_do":
                session.only_left = not session.only_left
                app.tell(
                    Outcome(
                        f"the list shows {'only what is left to do' if session.only_left else 'all posts'}"
                    )
                )
            case "survey":
                session.walks_on = not session.walks_on
                does = "walks on to the next post" if session.walks_on else "stays"
                app.tell(Outcome(f"each reading {does}"))
            case "next_pack":
                app.pages.home.next_pack()
            case "pad":
                app.pages.go("post")
                app.pages.home.toggle_pad()
            case "theme":
                self._next_theme()
            case "sample":
                session.site.write_sample()
                session.open_last()
                app.tell(Outcome("the sample job: nothing in it is real"))
            case _ if name in OF_THE_PAGE:
                page.tapped_key(name)

    def _on_its_page(self, name: str) -> None:
        """Do what belongs to one page; from elsewhere that page comes to the front first."""
        where, key = ON_A_PAGE[name]
        if where == self._app.page.NAME:
            self._app.page.tapped_key(key)
            return
        self._app.pages.go(where)
        if name != "stock_out":  # there nothing is marked yet: the page says what to do
            self._app.page.call_after_refresh(self._app.page.tapped_key, key)

    def _help(self) -> None:
        """Show the help, or leave it with the same key."""
        from shimfit.tui.screens.help import HelpScreen

        if isinstance(self._app.screen, HelpScreen):
            self._app.screen.action_back()
        else:
            self._app.push_screen(HelpScreen(self._desk, self._app.page.NAME))

    def _undo(self) -> None:
        """Take the last step back. Text on the line goes first, and what is not in view is named first."""
        app, session, page = self._app, self._desk, self._app.page
        box = page.NAME == "stock"
        coming = session.undo_is_of(box=box)
        step, said, here = coming or (None, "", True)
        told, self._told_of = self._told_of, step
        again = f"{session.keys.spell('^Z')} again takes back {said}"
        line = page.query_one(EntryLine)
        if line.value:
            page.clear_line()
            page.say(Outcome(f"line cleared; {again}" if coming else "line cleared"))
        elif page.NAME == "post" and not here and told != step:
            page.say(Outcome(f"not of this post; {again}", done=False))
        else:
            self._told_of = None
            app.tell(session.undo(box=box))

    def _step_back(self) -> None:
        """Esc: the question, then the page's own step, then home; at home the line."""
        page = self._app.page
        if page.question is not None:
            page.stop_asking()
        elif page.step_back():
            return
        elif page is not self._app.pages.home:
            self._app.pages.go("post")
        else:
            page.clear_line()

    def _walk(self, outcome: Outcome) -> None:
        home = self._app.pages.home
        if outcome.done:
            home.outcome = None
            home.new_post()
        if not outcome.done or self._app.page is not home:
            self._app.tell(outcome)

    def _find(self, text: str) -> Outcome:
        outcome = self._desk.find(text)
        if outcome.done:
            self._app.pages.home.new_post()
        return outcome

    def _about_moving(self, name: str) -> Question:
        run = self._desk.run
        post = run.post(name) if run is not None else None
        now = f"{post.station_mm:g} mm" if post is not None else ""
        hint = f"new station of post {name}, from the run's start"
        return Question("station", hint, lambda text: self._desk.move_post(name, text), now)

    def _turned_first(self, first: str) -> Outcome:
        """Ask for the second reading once the first was understood."""
        if not isinstance(self._desk.echo(first), Understood):
            return Outcome(f"{first!r} is no reading", done=False, bell="refused")
        hint = "turn the level end for end, read again"
        self._app.page.ask(Question("turned", hint, lambda second: self._desk.turned(first, second)))
        return Outcome("")

    def _next_theme(self) -> None:
        order = themes.NAMES
        self._app.theme = order[(order.index(self._app.theme) + 1) % len(order)]
        self._desk.site.set("theme", self._app.theme)
        self._app.tell(Outcome(f"theme: {self._app.theme}"))


SIGNALS = ("SIGTERM", "SIGHUP", "SIGINT")
"""Those that end the program with the terminal restored and exit code 128 + their number."""
ANSWER_LOOKS_PER_SECOND = 10
"""How often an answer that takes its time is looked for."""
LOG_LOOK_S = 1.0
"""How often it is looked whether another program has logged something: one number of the file is asked."""
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
        Binding(DEFAULT_KEYS["palette"], "command_palette", "All", show=False, id="palette", priority=True),
        *(
            Binding(
                deed.keys or f"{NO_KEY}+{deed.name}",
                f"do('{deed.name}')",
                deed.title,
                show=False,
                id=deed.name,
                priority=deed.name != "go_post",
            )
            for deed in DEEDS
        ),
    ]

    def __init__(
        self,
        site: Site,
        *,
        theme: str | None = None,
        ascii: bool = False,  # noqa: A002 - named as the option that it comes from
        sensor: Sensor | None = None,
        rehearse: bool = False,
    ) -> None:
        super().__init__()
        settings = site.settings
        self.animation_level = "none"
        self.session = Session(site, glyphs_for(ascii_only=ascii or settings.ascii))
        self.pages = Pages(self, self.session)
        self.listening = Listening(self, sensor)
        self._doing = Doing(self)
        self._answering = Answering(site)
        self.session.answers_later = self._answer
        self.session.working = self._answering.pending
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
        return self.pages.build_home()

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
        home = self.pages.home
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
        for place, trouble in came:
            if trouble:
                told = f"post {place.post}: the reading is logged, but not its answer: {trouble}"
                self.page.say(Outcome(told, done=False, bell="refused"))

    def _look_at_log(self) -> None:
        """Show what another program has logged into the same file."""
        if self.session.others_logged():
            self.session.answer_missing()
            self.session.refresh()
            self.page.show()

    def take_keys(self) -> None:
        """Bind the keys of the settings; where they can't be, the usual ones stand and a banner says why."""
        trouble = ""
        try:
            keys = parse_keys(self.session.settings.keys)
        except UsageError as error:
            keys, trouble = dict(DEFAULT_KEYS), f"KEYS are the usual ones; {error.message}"
        self.set_keymap(keys)
        self.session.keys = KeyWords(keys)
        self.warn(trouble or self._read_only_words())

    # ------------------------------------------------------------ pages and actions

    @property
    def page(self) -> Page:
        """The page in front, or the one below a help or palette screen."""
        return self.pages.front

    def go_to_post(self, name: str) -> None:
        """Stand at a post of the open run, on the home page."""
        self.pages.go_to_post(name)

    def action_do(self, name: str) -> None:
        """A key was pressed for an action of the table."""
        self.do(name)

    def do(self, name: str) -> None:
        """Do an action of the table, or one that only a tap can ask for; errors become words."""
        self._doing.do(name)

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
        for deed in DEEDS:
            yield SystemCommand(deed.title, deed.says, lambda name=deed.name: self.do(name))
