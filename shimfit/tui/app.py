"""The terminal program: composes the screens, routes actions, leaves the terminal as it was found."""

from __future__ import annotations

import asyncio
import signal
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

from textual.app import App, SystemCommand
from textual.binding import Binding, BindingType

from shimfit.entry.result import Understood
from shimfit.errors import ShimfitError
from shimfit.model import PostState
from shimfit.tui import themes
from shimfit.tui.deeds import DEEDS, SCREENS
from shimfit.tui.desk import Desk, Outcome
from shimfit.tui.glyphs import glyphs_for
from shimfit.tui.screens.page import Page, Question
from shimfit.tui.screens.post import PostScreen
from shimfit.tui.sensing import LOOKS_PER_SECOND, look

if TYPE_CHECKING:
    from collections.abc import Iterable

    from textual.screen import Screen

    from shimfit.tui.sensing import Sensor
    from shimfit.workflow.site import Site

SIGNALS = ("SIGTERM", "SIGHUP", "SIGINT")
"""Those that end the program with the terminal restored and exit code 128 + their number."""
ASKS = {
    "note": ("note", "a note for this post, like: split, replace", "noted"),
    "photo": ("photo", "name of the photo's file", "photographed"),
    "skip": ("skip", "why is this post skipped?", "skipped"),
    "torque": ("N m", "torque of the nut in N m, like 40", "torqued"),
    "packed_otherwise": ("packs", "seat=lot@mark+lot, like next-out=T1@30+F2", "packed_otherwise"),
    "kind": ("kind", "bed, mid, rails-on, verify, or rocks next-out 0.5", "kind_of_next"),
    "insert_post": ("station", "where, from the run's start, like 1800mm", "insert_post"),
}
"""Actions that ask one thing: label, hint, and the desk's move that takes the answer."""
PLAIN_MOVES = ("packed", "tightened", "trimmed", "rails_on")
"""Actions that are a move of the desk and ask nothing."""


class ShimfitApp(App[None]):
    """One open data file on the screen."""

    CSS_PATH = Path(__file__).with_name("style.tcss")
    TITLE = "shimfit"
    ENABLE_COMMAND_PALETTE = True
    # Not ClassVar: the library declares both as instance variables.
    HORIZONTAL_BREAKPOINTS = [(0, "-slim"), (64, "-mid"), (110, "-broad"), (150, "-vast")]  # noqa: RUF012
    VERTICAL_BREAKPOINTS = [(0, "-squat"), (14, "-low"), (24, "-tall")]  # noqa: RUF012
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding(
            deed.keys,
            f"do('{deed.name}')",
            deed.title,
            show=False,
            id=deed.name,
            priority=deed.name in ("undo", "redo", "help", "quit", "find", "note", "left_to_do", "pad"),
        )
        for deed in DEEDS
        if deed.keys
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
        self._theme_name = theme or settings.theme
        self._sensor = sensor
        self._rehearses = rehearse
        self._pages: dict[str, Page] = {}

    # ------------------------------------------------------------ starting and leaving

    def get_theme_variable_defaults(self) -> dict[str, str]:
        """Names that the style sheet uses, before any theme is chosen."""
        return dict(themes.theme_of(themes.SUN).variables)

    def get_default_screen(self) -> Screen[None]:
        """The post is home."""
        self.desk.open_last()
        page = PostScreen(self.desk)
        self._pages["post"] = page
        return page

    def on_mount(self) -> None:
        """Colours, signals, sensor; a rehearsal starts once everything is painted."""
        for palette in themes.PALETTES.values():
            self.register_theme(themes.theme_of(palette))
        self.register_theme(themes.terminal_theme())
        self.theme = self._theme_name if self._theme_name in themes.NAMES else "sun"
        self._catch_signals()
        if self.desk.site.read_only:
            why = self.desk.site.notice or "this file can't be written"
            self._home.call_after_refresh(self._home.warn, f"READ ONLY, nothing is logged here: {why}")
        if self._sensor is not None:
            self._sensor.start()
            self.set_interval(1 / LOOKS_PER_SECOND, self._look)
        if self._rehearses:
            # A worker of its own: while the app itself waits for it, nothing would be painted.
            self.call_after_refresh(self.run_worker, self._rehearse, exclusive=True)

    def on_unmount(self) -> None:
        """Stop listening before the terminal is given back."""
        if self._sensor is not None:
            self._sensor.stop()

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

    async def _rehearse(self) -> None:
        """Log one reading in the sample job and quit: 0 when it is on disk and answered, else 1."""
        if self.desk.place is None:
            self._start_sample()
        for _ in range(1000):
            record = self.desk.record
            if record is None or record.state is PostState.TO_READ or not self.desk.step(+1).done:
                break
        outcome = self.desk.enter("3mmn2mmo")
        self.page.show()
        self.page.say(outcome)
        await asyncio.sleep(0.5)  # let it be painted, as a person would see it
        record = self.desk.record
        read = record is not None and record.reading is not None
        self.leave(0 if outcome.done and read else 1)

    # ------------------------------------------------------------ pages

    @property
    def page(self) -> Page:
        """The page in front, or the one below a help or palette screen."""
        for screen in reversed(self.screen_stack):
            if isinstance(screen, Page):
                return screen
        return self._pages["post"]

    def _go(self, name: str) -> None:
        """Bring a page to the front; it is built when first visited."""
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
        if name not in self._pages:
            self._pages[name] = _build(name, self.desk)
            self.install_screen(self._pages[name], name)
        self.push_screen(name)

    def go_to_post(self, name: str) -> None:
        """Stand at a post of the open run, on the home screen."""
        place = self.desk.place
        if place is None:
            return
        from shimfit.workflow.place import Place

        self.desk.go(Place(place.job, place.run, name))
        self._go("post")
        self._home.outcome = None
        self._home.new_post()

    @property
    def _home(self) -> PostScreen:
        page = self._pages["post"]
        assert isinstance(page, PostScreen)
        return page

    # ------------------------------------------------------------ actions

    def action_do(self, name: str) -> None:
        """A key was pressed for an action of the table."""
        self.do(name)

    def do(self, name: str) -> None:
        """Do an action of the table, or one that only a tap can ask for; errors become words."""
        try:
            self._do(name)
        except ShimfitError as error:
            if error.kind == "internal":
                raise
            self.page.say(Outcome(error.message, done=False, bell="refused"))

    def _do(self, name: str) -> None:
        page = self.page
        match name:
            case "go_post" | "leave":
                if page.question is not None:
                    page.stop_asking()
                elif page.step_back():
                    pass
                elif page is not self._home:
                    self._go("post")
                else:
                    page.clear_line()
            case "go_run" | "go_plan" | "go_stock" | "go_record" | "go_setup":
                self._go(name.removeprefix("go_"))
            case "cut_sheet":
                self._go("plan")
                self.page.call_after_refresh(self.page.tapped_key, "export")
            case "help":
                from shimfit.tui.screens.help import HelpScreen

                self.push_screen(HelpScreen(self.desk, page.NAME))
            case "palette":
                self.action_command_palette()
            case "quit":
                self.leave(0)
            case "undo" | "redo":
                box = page.NAME == "stock"
                self._tell(self.desk.undo(box=box) if name == "undo" else self.desk.redo(box=box))
            case "next_post":
                self._walk(self.desk.step(+1))
            case "previous_post":
                self._walk(self.desk.step(-1))
            case "find":
                page.ask(Question("find", "name of a post, or a word from its notes", self._find))
            case "turn":
                page.ask(Question("first", "read as always, like 9n13o", self._turned_first))
            case _ if name in PLAIN_MOVES:
                self._tell(getattr(self.desk, name)())
            case _ if name in ASKS:
                label, hint, move = ASKS[name]
                page.ask(Question(label, hint, getattr(self.desk, move)))
            case "move_post":
                page.ask(self._about_moving(page.marked_post()))
            case "remove_post":
                self._tell(self.desk.remove_post(page.marked_post()))
            case "axes":
                self._teach()
            case "take_over":
                self._take_over()
            case "left_to_do":
                self.desk.only_left = not self.desk.only_left
                told = "only what is left to do" if self.desk.only_left else "all posts"
                self._tell(Outcome(f"the list shows {told}"))
            case "survey":
                self.desk.walks_on = not self.desk.walks_on
                told = (
                    "each reading walks on to the next post" if self.desk.walks_on else "each reading stays"
                )
                self._tell(Outcome(told))
            case "next_pack":
                self._home.next_pack()
            case "pad":
                self._go("post")
                self._home.toggle_pad()
            case "theme":
                self._next_theme()
            case "take":
                self._take()
            case (
                "open"
                | "export"
                | "new_run"
                | "stock_out"
                | "stock_add"
                | "stock_import"
                | "make_plan"
                | "line_up"
            ):
                page.tapped_key(name)
            case "sample":
                self._start_sample()
                self._tell(Outcome("the sample job: nothing in it is real"))

    def _tell(self, outcome: Outcome) -> None:
        self.page.show()
        self.page.say(outcome)

    def _walk(self, outcome: Outcome) -> None:
        if outcome.done:
            self._home.outcome = None
            self._home.new_post()
        if not outcome.done or self.page is not self._home:
            self._tell(outcome)

    def _find(self, text: str) -> Outcome:
        outcome = self.desk.find(text)
        if outcome.done:
            self._home.new_post()
        return outcome

    def _about_moving(self, name: str) -> Question:
        run = self.desk.run
        post = run.post(name) if run is not None else None
        now = f"{post.station_mm:g} mm" if post is not None else ""
        hint = f"new station of post {name}, from the run's start"
        return Question("station", hint, lambda text: self.desk.move_post(name, text), now)

    def _take_over(self) -> None:
        outcome = self.desk.take_over()
        if outcome.done:
            self._home.warn("")
        self._tell(outcome)

    def _turned_first(self, first: str) -> Outcome:
        """Ask for the second reading once the first was understood."""
        if not isinstance(self.desk.echo(first), Understood):
            return Outcome(f"{first!r} is no reading", done=False, bell="refused")
        hint = "turn the level end for end, read again"
        self.page.ask(Question("turned", hint, lambda second: self.desk.turned(first, second)))
        return Outcome("")

    def _next_theme(self) -> None:
        order = themes.NAMES
        self.theme = order[(order.index(self.theme) + 1) % len(order)]
        self.desk.site.set("theme", self.theme)
        self._tell(Outcome(f"theme: {self.theme}"))

    def _start_sample(self) -> None:
        self.desk.site.write_sample()
        self.desk.open_last()

    # ------------------------------------------------------------ inclinometer

    def _look(self) -> None:
        page = self._home
        # While the program closes, the timer may outlive the widgets.
        if self._sensor is not None and self.page is page and page.query("#target"):
            page.show_live(look(self._sensor))

    def _teach(self) -> None:
        if self._sensor is None:
            self._tell(Outcome("no inclinometer is set up: F5, sensor", done=False, bell="refused"))
            return
        from shimfit.tui.screens.axes import AxesScreen

        self.push_screen(AxesScreen(self.desk, self._sensor, self._taught))

    def _taught(self, text: str) -> None:
        """Keep the axes that were taught; the inclinometer is listened to anew with them."""
        self.desk.site.set("sensor_axes", text)
        if self.desk.settings.sensor and self._sensor is not None:
            from shimfit.workflow.sensor import inclinometer_of

            self._sensor.stop()
            self._sensor = inclinometer_of(self.desk.site)
            if self._sensor is not None:
                self._sensor.start()
        self._tell(Outcome(f"the sensor points {text}"))

    def _take(self) -> None:
        live = self._home.sight.live
        record = self.desk.record
        if live is None or self._sensor is None or record is None:
            self._tell(Outcome("no inclinometer is set up: F5, sensor", done=False, bell="refused"))
            return
        reading = live.reading(record.height_mm)
        if reading is None:
            self._tell(Outcome(live.trouble or f"not yet: {live.word}", done=False, bell="refused"))
            return
        self._tell(self.desk.take(reading))
        self._sensor.again()

    # ------------------------------------------------------------ palette

    def get_system_commands(self, screen: Screen[None]) -> Iterable[SystemCommand]:  # noqa: ARG002 - the library's signature
        """Every action by name, with what it does."""
        for deed in DEEDS:
            yield SystemCommand(deed.title, deed.says, lambda name=deed.name: self.do(name))


def _build(name: str, desk: Desk) -> Page:
    """Make a page other than the home page; its module loads now and not earlier."""
    if name == "plan":
        from shimfit.tui.screens.plan import PlanScreen

        return PlanScreen(desk)
    assert name in SCREENS
    if name == "run":
        from shimfit.tui.screens.run import RunScreen

        return RunScreen(desk)
    if name == "stock":
        from shimfit.tui.screens.stock import StockScreen

        return StockScreen(desk)
    if name == "record":
        from shimfit.tui.screens.record import RecordScreen

        return RecordScreen(desk)
    from shimfit.tui.screens.setup import SetupScreen

    return SetupScreen(desk)
