"""What each action of the table does: most are a move of the desk, some ask for one line first."""

from __future__ import annotations

from typing import TYPE_CHECKING

from shimfit.entry.result import Understood
from shimfit.errors import ShimfitError
from shimfit.tui import themes
from shimfit.tui.desk import Outcome
from shimfit.tui.screens.page import Question
from shimfit.tui.widgets.entry_line import EntryLine

if TYPE_CHECKING:
    from shimfit.tui.app.program import ShimfitApp

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
        self._desk = app.desk
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
        app, desk, page = self._app, self._desk, self._app.page
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
                app.tell(desk.redo(box=page.NAME == "stock"))
            case "next_post":
                self._walk(desk.step(+1))
            case "previous_post":
                self._walk(desk.step(-1))
            case "find":
                page.ask(Question("find", "name of a post, or a word from its notes", self._find))
            case "turn":
                page.ask(Question("first", "read as always, like 6n10h", self._turned_first))
            case _ if name in PLAIN_MOVES:
                app.tell(getattr(desk, name)())
            case _ if name in ASKS:
                label, hint, move = ASKS[name]
                page.ask(Question(label, hint, getattr(desk, move)))
            case "move_post":
                page.ask(self._about_moving(page.marked_post()))
            case "remove_post":
                app.tell(desk.remove_post(page.marked_post()))
            case "axes":
                app.listening.teach()
            case "zero":
                app.listening.find_zero()
            case "dropped":
                app.listening.forget_zero()
            case "take":
                app.tell(app.listening.take())
            case "left_to_do":
                desk.only_left = not desk.only_left
                app.tell(
                    Outcome(f"the list shows {'only what is left to do' if desk.only_left else 'all posts'}")
                )
            case "survey":
                desk.walks_on = not desk.walks_on
                does = "walks on to the next post" if desk.walks_on else "stays"
                app.tell(Outcome(f"each reading {does}"))
            case "next_pack":
                app.pages.home.next_pack()
            case "pad":
                app.pages.go("post")
                app.pages.home.toggle_pad()
            case "theme":
                self._next_theme()
            case "sample":
                desk.site.write_sample()
                desk.open_last()
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
        app, desk, page = self._app, self._desk, self._app.page
        box = page.NAME == "stock"
        coming = desk.undo_is_of(box=box)
        step, said, here = coming or (None, "", True)
        told, self._told_of = self._told_of, step
        again = f"{desk.keys.spell('^Z')} again takes back {said}"
        line = page.query_one(EntryLine)
        if line.value:
            page.clear_line()
            page.say(Outcome(f"line cleared; {again}" if coming else "line cleared"))
        elif page.NAME == "post" and not here and told != step:
            page.say(Outcome(f"not of this post; {again}", done=False))
        else:
            self._told_of = None
            app.tell(desk.undo(box=box))

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
