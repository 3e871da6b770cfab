"""Help: how a reading is typed, and the keys of the screen that one came from."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from textual.binding import Binding, BindingType

from shimfit.core.cautions import cautions_of
from shimfit.model import FACE_NAMES, Face
from shimfit.settings.actions import ACTIONS
from shimfit.text.phrases import wrapped
from shimfit.tui.widgets import Rows, Sheet

if TYPE_CHECKING:
    from shimfit.text.canvas import Run
    from shimfit.tui.session import Session


def entry_help(session: Session) -> list[tuple[str, str]]:
    """How a reading is typed in this run: its unit, its letters, its names of the faces."""
    letters = session.letters
    names = session.words.names if session.words is not None else FACE_NAMES
    n, o, h = letters[Face.NEXT], letters[Face.OUT], letters[Face.HOUSE]
    there, across = names[Face.NEXT], names[Face.HOUSE]
    rows = [(f"How far the TOP leans, and which way. {session.directions}.", "")]
    if (session.run.units if session.run is not None else session.settings.units) == "inch":
        rows += [
            (f"1/4{n}3/8{h}", f"top 1/4 in towards {there}, 3/8 in towards {across}"),
            (f"1 1/4{n}3/8{h}", f"mixed numbers; words work too: 1/4 {there}, 3/8 {across}"),
            (f"1/4+{n}3/8-{h}", "+ strong (a quarter mark more), - shy"),
            (f"3/16{n}1/8{o}@4'", "gap over a 4 ft level, this reading only"),
            ("@4'", "alone: over that length from now on"),
            (f"1/4{n}0", "the other way is plumb; plumb: both ways"),
            (f"1/4{n}", "half read: the other way comes later"),
        ]
    else:
        rows += [
            (f"6{n}10{h}", f"top 6 mm towards {there}, 10 mm towards {across}"),
            (f"6.5 {there}", "words and decimals work too"),
            (f"1/4{n}3/8{h}", "a fraction is of an inch"),
            (f"5{n}3{o}@1.2m", "gap over a level of 1.2 m, this reading only"),
            ("@1.2m", "alone: over that length from now on"),
            (f"6{n}0", "the other way is plumb; plumb: both ways"),
            (f"6{n}", "half read: the other way comes later"),
        ]
    return [
        *rows,
        (f".6d{n}.8d{o}", "degrees"),
        (f"={session.example()}", "in the place of the last reading, which was wrong"),
        (f"+{session.example()}", "once more before packing: both count"),
        (f"4:{session.example()}", "a reading of post 4, from anywhere"),
        (f"4, {session.example()}", "in pasted lines, each of another post: a table"),
    ]


PAGE_HELP = {
    "post": "Type the lean, Enter logs it and shows what to pack, one piece at a time; Tab or a tap ticks it"
    ". Mark a taper as far from its thin end as it says, push the thin end under "
    "the post until the mark meets the post's face. T1.2-24 is the rest of T1 no. 2 from 24 mm on. "
    "Tighten, type the lean again: the same line is the re-read. Enter on the empty line walks on.",
    "run": "Every post as it stands. Enter opens the marked post, l lists only what is left to do, p plans "
    "all read posts from one box, i inserts a post, m moves the marked one.",
    "plan": "p plans all posts that are read and wait for packs, from one box; Esc stops it and keeps the "
    "best so far. Then the pack labels, and the cut sheet. u aims the tops at one line. ^Z takes it back.",
    "stock": "What is in the box; T1.2-24 is the rest of T1 no. 2 from 24 mm on. o: the marked lot ran out; "
    "a: add a lot; i: take a CSV file.",
    "record": "Before and after, off at the top. e writes the record: .pdf, .csv or .json.",
    "setup": "Jobs and runs, units, theme, sensor. Enter changes the marked row.",
}
WIDE = 64
HEAD = "HELP  Esc or a tap goes back"
MORE_BELOW = (f"{HEAD}, Space goes on, Up and Down move", "HELP  Esc or a tap: back  Space: goes on")
"""What stands on top where the page is longer than the screen: on a wide one, on a slim one."""


class HelpScreen(Sheet):
    """A page to scroll; Esc goes back."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,f1,q,question_mark,enter", "dismiss", "Back", show=False, priority=True),
        Binding("down,j", "roll(1)", "Down", show=False, priority=True),
        Binding("up,k", "roll(-1)", "Up", show=False, priority=True),
        Binding("pagedown,space", "turn(1)", "Page down", show=False, priority=True),
        Binding("pageup", "turn(-1)", "Page up", show=False, priority=True),
    ]

    def __init__(self, session: Session, page: str) -> None:
        super().__init__()
        self._session = session
        self._page = page

    def _show(self) -> None:
        rows = self._help_rows()
        if len(rows) > self.size.height:
            rows[0] = [(MORE_BELOW[self.size.width < WIDE], "strong")]
        self.query_one(Rows).fill(rows)

    def _tapped(self) -> None:
        self.dismiss()

    def action_roll(self, rows: int) -> None:
        """Go on by some rows: nothing is marked here, so the page itself moves."""
        page = self.query_one(Rows)
        page.scroll_to(y=page.scroll_offset.y + rows, animate=False)

    def action_turn(self, pages: int) -> None:
        """Go on by a page, the last row kept in sight."""
        self.action_roll(pages * max(1, self.query_one(Rows).size.height - 1))

    def _help_rows(self) -> list[list[Run]]:
        """The page's help, broken to the width."""
        width, keys = self.size.width, self._session.keys
        rows: list[list[Run]] = [[(HEAD, "strong")]]

        def say(text: str, role: str = "") -> None:
            rows.extend([(row, role)] for row in wrapped(keys.spell(text), width))

        def table(left: str, right: str, column: int = 14) -> None:
            for index, row in enumerate(wrapped(right, width - column)):
                rows.append([((left if index == 0 else "").ljust(column), "strong"), (row, "")])

        say(PAGE_HELP[self._page])
        say("")
        say("TYPING A READING", "strong")
        for left, right in entry_help(self._session):
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
