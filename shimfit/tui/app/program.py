"""The program itself: starts, routes keys and palette to the actions, leaves the terminal as it was found."""

from __future__ import annotations

import asyncio
import signal
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

from textual.app import App, SystemCommand
from textual.binding import Binding, BindingType
from textual.command import CommandPalette

from shimfit.errors import UsageError
from shimfit.settings.keys import DEFAULT_KEYS, parse_keys
from shimfit.text.glyphs import glyphs_for
from shimfit.tui import themes
from shimfit.tui.app.answering import Answering
from shimfit.tui.app.doing import Doing
from shimfit.tui.app.pages import Pages
from shimfit.tui.app.rehearsal import rehearse as rehearse_in
from shimfit.tui.deeds import DEEDS, KeyWords
from shimfit.tui.desk import Desk, Outcome
from shimfit.tui.sensing import Listening

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from textual.screen import Screen
    from textual.timer import Timer

    from shimfit.tui.screens.page import Page
    from shimfit.tui.sensing import Sensor
    from shimfit.workflow.place import Place
    from shimfit.workflow.site import Site

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

    CSS_PATH = Path(__file__).parents[1] / "style.tcss"
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
        self.desk = Desk(site, glyphs_for(ascii_only=ascii or settings.ascii))
        self.pages = Pages(self, self.desk)
        self.listening = Listening(self, sensor)
        self._doing = Doing(self)
        self._answering = Answering(site)
        self.desk.answers_later = self._answer
        self.desk.working = self._answering.pending
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
        self.desk.open_last()
        return self.pages.build_home()

    def on_mount(self) -> None:
        """Signals, sensor; a rehearsal starts once everything is painted."""
        self._catch_signals()
        self.take_keys()
        self.listening.start()
        self.set_interval(LOG_LOOK_S, self._look_at_log)
        if self._rehearses:
            # A worker of its own: while the app itself waits for it, nothing would be painted.
            self.call_after_refresh(self.run_worker, partial(rehearse_in, self), exclusive=True)

    def on_unmount(self) -> None:
        """Stop listening and working before the terminal is given back."""
        self.listening.stop()
        self._answering.leave()

    def _read_only_words(self) -> str:
        if not self.desk.site.read_only:
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
        self.desk.refresh()
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
        if self.desk.others_logged():
            self.desk.answer_missing()
            self.desk.refresh()
            self.page.show()

    def take_keys(self) -> None:
        """Bind the keys of the settings; where they can't be, the usual ones stand and a banner says why."""
        trouble = ""
        try:
            keys = parse_keys(self.desk.settings.keys)
        except UsageError as error:
            keys, trouble = dict(DEFAULT_KEYS), f"KEYS are the usual ones; {error.message}"
        self.set_keymap(keys)
        self.desk.keys = KeyWords(keys)
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
            palette.set_class(not self.desk.glyphs.blocks, "-ascii")
            self.push_screen(palette)

    def get_system_commands(self, screen: Screen[None]) -> Iterable[SystemCommand]:  # noqa: ARG002 - the library's signature
        """Every action by name, with what it does."""
        for deed in DEEDS:
            yield SystemCommand(deed.title, deed.says, lambda name=deed.name: self.do(name))
