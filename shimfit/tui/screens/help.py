"""Help: how a reading is typed, and the keys of the screen that one came from."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from textual.binding import Binding, BindingType

from shimfit.core.cautions import cautions_of
from shimfit.settings.actions import ACTIONS, KeyWords
from shimfit.text.phrases import wrapped
from shimfit.tui.widgets import RoleScreen, Rows

if TYPE_CHECKING:
    from textual import events
    from textual.app import ComposeResult

    from shimfit.text.canvas import Run
    from shimfit.tui.session import Session

ENTRY_HELP = (
    ("How far the TOP leans, and which way. n next, p prev, o out, h house.", ""),
    ("1/4n3/8h", "top 1/4 in towards next, 3/8 in towards house"),
    ("6mmn10mmh", "6 mm next, 10 mm house; 6n10h when the unit is mm"),
    ("1 1/4n3/8h", "mixed numbers; words work too: 1/4 next, 3/8 house"),
    ("1/4+n3/8-h", "+ strong (a quarter mark more), - shy"),
    (".6dn.8do", "degrees"),
    ("3/16n1/8o@4'", "gap over a 4 ft level, this reading only"),
    ("@4'", "alone: over that length from now on"),
    ("1/4n0", "the other way is plumb; plumb: both ways"),
    ("1/4n", "half read: the other way comes later"),
)
PAGE_HELP = {
    "post": "Type the lean, Enter logs it and shows what to pack, one piece at a time; Tab ticks it and "
    "shows the next. Mark a taper as far from its thin end as it says, push the thin end under "
    "the post until the mark meets the post's face. Tighten, type the lean again: the same line "
    "is the re-read. =6n10h corrects the last reading, 4:6n10h reads post 4. Enter on the empty "
    "line walks on.",
    "run": "Every post as it stands. Enter opens the marked post, l lists only what is left to do, p plans "
    "all read posts from one box, i inserts a post, m moves the marked one.",
    "plan": "p plans all posts that are read and wait for packs, from one box; Esc stops it and keeps the "
    "best so far. Then the pack labels, and the cut sheet. u aims the tops at one line. ^Z takes it back.",
    "stock": "What is in the box. o: the marked lot ran out; a: add a lot; i: take a CSV file.",
    "record": "Before and after, off at the top. e writes the record: .pdf, .csv or .json.",
    "setup": "Jobs and runs, units, theme, sensor. Enter changes the marked row.",
}
WIDE = 64
HEAD = "HELP  Esc or a tap goes back"
MORE_BELOW = (f"{HEAD}, Space goes on, Up and Down move", "HELP  Esc or a tap: back  Space: goes on")
"""What stands on top where the page is longer than the screen: on a wide one, on a slim one."""


class HelpScreen(RoleScreen):
    """A page to scroll; Esc goes back."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,f1,q,question_mark,enter", "back", "Back", show=False, priority=True),
        Binding("down,j", "roll(1)", "Down", show=False, priority=True),
        Binding("up,k", "roll(-1)", "Up", show=False, priority=True),
        Binding("pagedown,space", "turn(1)", "Page down", show=False, priority=True),
        Binding("pageup", "turn(-1)", "Page up", show=False, priority=True),
    ]

    def __init__(self, session: Session, page: str) -> None:
        super().__init__()
        self._desk = session
        self._page = page

    def compose(self) -> ComposeResult:
        """One list of rows."""
        yield Rows(id="list")

    def on_mount(self) -> None:
        """The list takes the arrow keys."""
        self.query_one(Rows).focus()

    def on_resize(self, event: events.Resize) -> None:
        """Break the lines anew."""
        rows = help_rows(self._page, event.size.width, self._desk.keys)
        if len(rows) > event.size.height:
            rows[0] = [(MORE_BELOW[event.size.width < WIDE], "strong")]
        self.query_one(Rows).fill(rows)

    def action_back(self) -> None:
        """Back to where one came from."""
        self.dismiss()

    def action_roll(self, rows: int) -> None:
        """Go on by some rows: nothing is marked here, so the page itself moves."""
        page = self.query_one(Rows)
        page.scroll_to(y=page.scroll_offset.y + rows, animate=False)

    def action_turn(self, pages: int) -> None:
        """Go on by a page, the last row kept in sight."""
        self.action_roll(pages * max(1, self.query_one(Rows).size.height - 1))

    def on_rows_chosen(self, event: Rows.Chosen) -> None:
        """A tap anywhere goes back."""
        event.stop()
        self.dismiss()


def help_rows(page: str, width: int, keys: KeyWords) -> list[list[Run]]:
    """The page's help, broken to a width."""
    rows: list[list[Run]] = [[(HEAD, "strong")]]

    def say(text: str, role: str = "") -> None:
        rows.extend([(row, role)] for row in wrapped(keys.spell(text), width))

    def table(left: str, right: str) -> None:
        column = 14
        for index, row in enumerate(wrapped(right, width - column)):
            rows.append([((left if index == 0 else "").ljust(column), "strong"), (row, "")])

    say(PAGE_HELP[page])
    say("")
    say("TYPING A READING", "strong")
    for left, right in ENTRY_HELP:
        if right:
            table(left, right)
        else:
            say(left)
    say("")
    say("KEYS (all of it is in ^P too)", "strong")
    for action in ACTIONS:
        if keys.of(action):
            table(keys.of(action), f"{action.title}: {action.says}")
    say("Keys of your own: F5, keys, like undo=ctrl+u, help=f9.")
    say("")
    say("CAUTION", "strong")
    for caution in cautions_of("help"):
        say(caution)
    return rows
