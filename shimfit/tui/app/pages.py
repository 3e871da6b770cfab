"""The pages: home is there from the start, the others are built when first visited."""

from __future__ import annotations

from typing import TYPE_CHECKING

from shimfit.tui.deeds import SCREENS
from shimfit.tui.screens.page import Page
from shimfit.tui.screens.post import PostScreen

if TYPE_CHECKING:
    from shimfit.tui.app.program import ShimfitApp
    from shimfit.tui.desk import Desk


class Pages:
    """Brings pages to the front and back."""

    def __init__(self, app: ShimfitApp, desk: Desk) -> None:
        self._app = app
        self._desk = desk
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
