"""Every action by name: one table for the keys, the palette, the help page, the taps and plain mode.

A key of one's own is set like `undo=ctrl+u, help=f9`. Only keys that every terminal sends and that no
reading, no line editor and no multiplexer needs: the function keys, and Ctrl with most letters. Ctrl with H,
I, J and M can't be told from Backspace, Tab and the line ends: a terminal sends the same byte (ISO/IEC 6429,
control functions BS, HT, LF, CR).
"""

from __future__ import annotations

import re
import string
from collections.abc import Mapping

from shimfit.errors import UsageError
from shimfit.values import dataclass


@dataclass(frozen=True, slots=True)
class Action:
    """Something that the user can ask for, on screen or line by line."""

    name: str
    title: str
    """As the palette lists it."""
    says: str
    """One sentence for the palette, the help page and plain mode."""
    key: str = ""
    """Its usual key, for which another can be set; empty: none."""
    empty_line: str = ""
    """A key that does it while nothing is typed."""
    page: str = ""
    """The page that it belongs to: from elsewhere that page comes to the front first."""
    letter: str = ""
    """The key that does it on that page."""
    move: str = ""
    """The session's method that does it."""
    label: str = ""
    """Stands before the line while it asks for something; empty: it asks for nothing."""
    asks: str = ""
    """What it asks for: a hint while nothing is typed."""
    plain: str = ""
    """How it is typed in plain mode, with an example; empty: it is not there."""


ACTIONS = (
    Action("go_post", "Post", "Read, pack and re-read one post; there it clears the line", "escape"),
    Action("go_run", "Run", "All posts of the run, as they stand", "f2"),
    Action("go_plan", "Plan", "Serve all read posts from one box; pack labels and cut sheet", "f6"),
    Action("go_stock", "Stock", "The box: what is left, what ran out", "f3"),
    Action("go_record", "Record", "How each post stands; export for the hand-over", "f4"),
    Action("go_setup", "Setup", "Jobs, runs, units, tolerance, theme, sensor", "f5"),
    Action(
        "make_plan",
        "Plan all posts",
        "All posts that are read and wait for packs, from one box",
        page="plan",
        letter="p",
    ),
    Action(
        "line_up",
        "Line up the tops",
        "Aim the tops of the run at one line, as far as the tolerance lets",
        page="plan",
        letter="u",
    ),
    Action(
        "cut_sheet",
        "Cut sheet on paper",
        "Write cut sheet and pack labels of the run as a PDF",
        page="plan",
        letter="e",
    ),
    Action(
        "hand_over",
        "Hand over the record",
        "Write the record of the run as PDF, CSV or JSON",
        page="record",
        letter="e",
        plain="write record.pdf",
    ),
    Action(
        "new_run",
        "New run",
        "Asks for the job, the run's length, spacing, foot, height, tolerance",
        page="setup",
        letter="n",
        plain="new",
    ),
    Action(
        "stock_add",
        "Add a lot",
        "Pieces that came into the box",
        page="stock",
        letter="a",
        plain="lot F9 flat 1.5 x4",
    ),
    Action(
        "stock_import",
        "Import a stock file",
        "Lots that you counted, from a CSV file",
        page="stock",
        letter="i",
        plain="load stock.csv",
    ),
    Action(
        "stock_out",
        "Out of a lot",
        "A lot ran out: on its page the marked one",
        page="stock",
        letter="o",
        plain="gone T1",
    ),
    Action("help", "Help", "How to type a reading, and the keys of this screen", "f1", "?", plain="help"),
    Action(
        "undo", "Undo", "Take back what was logged last; works after a restart too", "ctrl+z", plain="undo"
    ),
    Action("redo", "Redo", "Bring back what was taken back", "ctrl+y", plain="redo"),
    Action("next_post", "Next post", "Walk on to the next post", "", "down", plain="next"),
    Action("previous_post", "Previous post", "Walk back to the post before", "", "up", plain="back"),
    Action("next_pack", "Next pack", "Show the next pack in large figures", "", "tab"),
    Action(
        "find",
        "Find post",
        "Go to a post by its name or by a word in its notes",
        "ctrl+f",
        "/",
        move="find",
        label="find",
        asks="name of a post, or a word from its notes",
        plain="find split",
    ),
    Action(
        "left_to_do",
        "Left to do",
        "Show only posts that still want something, or all again",
        "ctrl+l",
        move="list_left",
    ),
    Action(
        "packed", "Packed as shown", "Log that the packs went in as prescribed", move="packed", plain="packed"
    ),
    Action("tightened", "Tightened", "Log that the nut was tightened", move="tightened", plain="tightened"),
    Action(
        "torque",
        "Tightened to a torque",
        "Log that the nut was tightened, and to how much",
        move="tightened",
        label="torque",
        asks="torque of the nut, like 40 N m or 30 lbf ft",
        plain="torque 40 N m",
    ),
    Action(
        "packed_otherwise",
        "Packed otherwise",
        "Log what really went in, seat by seat",
        move="packed_otherwise",
        label="packs",
        asks="seat=lot@mark+lot, like next-out=T1@30+F2",
        plain="fitted next-out=T1@30+F2",
    ),
    Action(
        "trimmed",
        "Packs cut flush",
        "Log that the packs were cut flush; read again after it",
        move="trimmed",
        plain="trimmed",
    ),
    Action(
        "kind",
        "Next reading is…",
        "Of the bed, at half height, with the rails on, or a foot that rocks",
        move="kind_of_next",
        label="kind",
        asks="bed, mid (half height), rails-on, verify, or rocks next-out 0.5",
        plain="as bed",
    ),
    Action(
        "rails_on", "Rails are on", "The next reading is the last one, with the rails on", move="rails_on"
    ),
    Action(
        "turn",
        "Turn the level",
        "Two readings, the level turned end for end: its own error falls out",
        plain="turned 6n10h / 5n9h",
    ),
    Action(
        "note",
        "Note",
        "Leave a note at this post",
        "ctrl+n",
        move="noted",
        label="note",
        asks="a note for this post, like: split, replace",
        plain="note split, replace",
    ),
    Action(
        "photo",
        "Photo",
        "Name a photo's file at this post; the file stays where it is",
        move="photographed",
        label="photo",
        asks="name of the photo's file",
        plain="photo post7.jpg",
    ),
    Action(
        "skip",
        "Skip post",
        "Leave this post for later, with the reason",
        move="skipped",
        label="skip",
        asks="why is this post skipped?",
        plain="skip no access",
    ),
    Action(
        "take", "Take the sensor's reading", "Hold still, then log what the inclinometer shows", "", "space"
    ),
    Action(
        "by_worst",
        "Sort by worst",
        "List the posts that are furthest out first, or as they stand",
        move="list_worst",
    ),
    Action(
        "survey",
        "Survey",
        "Walk on by itself after each reading: read all posts first, pack later",
        move="survey",
        plain="survey",
    ),
    Action(
        "retighten",
        "Re-tighten walk",
        "Walk only the posts that are due: tighten, read again, see how far each has moved",
        plain="retighten 90",
    ),
    Action("verify", "Check the log", "Work every hash of the log out again: was anything altered?"),
    Action(
        "insert_post",
        "Insert post",
        "One more post of the run, between two others",
        move="insert_post",
        label="station",
        asks="where, from the run's start, like 1800mm",
    ),
    Action("move_post", "Move post", "Another station for this post, between its neighbours"),
    Action(
        "remove_post", "Take post out", "Out of the run; what was logged at it is kept, undo brings it back"
    ),
    Action("zero", "Find the sensor's zero", "Two holds at one post, turned end for end between them"),
    Action("noise", "Measure the sensor's noise", "Two minutes of stillness tell its noise and drift"),
    Action("sends", "What the sensor sends", "Listen to an unknown device, and keep a description of it"),
    Action("dropped", "The sensor was dropped", "Its zero counts no more, until it is found anew"),
    Action("axes", "Teach the sensor", "Which way its x and y point on the post, from two tips of the top"),
    Action("pad", "Tap pad", "Large keys for typing a reading without a keyboard", "ctrl+t"),
    Action("palette", "All actions", "Every action by name", "ctrl+p"),
    Action(
        "sound", "Sound", "Ring for refused, logged and plumb, and beat while packing; or be silent", "ctrl+g"
    ),
    Action("theme", "Theme", "Black on white for the sun, white on black, or the terminal's own colours"),
    Action(
        "quit", "Quit", "Leave; everything that was logged is already on disk", "ctrl+q", "q", plain="quit"
    ),
)
BY_NAME = {action.name: action for action in ACTIONS}
SCREENS = ("post", "run", "plan", "stock", "record", "setup")
"""Pages in the order of their tabs."""
ON_PAGES = {
    "run": {
        "l": "left_to_do",
        "w": "by_worst",
        "slash": "find",
        "s": "survey",
        "p": "go_plan",
        "i": "insert_post",
        "m": "move_post",
    },
}
"""Letters of the run's page, whose actions are not its own."""
EMPTY_LINE_KEYS = {
    {"?": "question_mark", "/": "slash"}.get(action.empty_line, action.empty_line): action.name
    for action in ACTIONS
    if action.empty_line
}
"""What these keys do while nothing is typed; with text on the line they are text (up and down: history)."""
DEFAULT_KEYS: Mapping[str, str] = {
    action.name: action.key for action in ACTIONS if action.key and action.name != "go_post"
}
"""Actions that have a key by themselves."""
WITHOUT_KEY = tuple(action.name for action in ACTIONS if not action.key)
"""Actions that can be given one."""
NAMES = (*DEFAULT_KEYS, *WITHOUT_KEY)
REFUSED = {
    "ctrl+h": "a terminal sends Backspace for it",
    "ctrl+i": "a terminal sends Tab for it",
    "ctrl+j": "a terminal sends Enter for it",
    "ctrl+m": "a terminal sends Enter for it",
    "ctrl+s": "many terminals stop their output at it",
    "ctrl+a": "it is the prefix of a terminal multiplexer",
    "ctrl+b": "it is the prefix of a terminal multiplexer",
    "ctrl+c": "it copies, and stops other programs",
    "ctrl+v": "it pastes",
}
"""Keys that look free and are not, with the reason."""
FREE = {f"f{number}" for number in range(1, 13)} | {f"ctrl+{letter}" for letter in string.ascii_lowercase}
_CHOICE = "a key is f1 to f12, or ctrl+ and a letter, like ctrl+u"
_EXAMPLE = "keys are set like undo=ctrl+u, help=f9"


def parse_keys(text: str) -> dict[str, str]:
    """Action -> key of all that have one, from the setting's text (empty: the usual ones).

    Raises UsageError: a sentence that names the setting, the action or key that is wrong, and what there is.
    """
    chosen: dict[str, str] = {}
    for part in re.split(r"[,;\s]+", re.sub(r"\s*=\s*", "=", text.strip())):
        if not part:
            continue
        action, equals, key = part.partition("=")
        if not equals:
            raise UsageError(f"setting keys: {part!r} names no key; {_EXAMPLE}")
        if action not in NAMES:
            raise UsageError(f"setting keys: there is no action {action!r}; there are {', '.join(NAMES)}")
        if action in chosen:
            raise UsageError(f"setting keys: {action} is set twice, {chosen[action]} and {key}; leave one")
        chosen[action] = key = key.lower()
        wrong = REFUSED.get(key) or (
            "a letter alone is text on the line" if len(key) == 1 else "not every terminal sends that key"
        )
        if key not in FREE or key in REFUSED:
            raise UsageError(f"setting keys: {action}={key} can't be: {wrong}; {_CHOICE}")
    every = {**DEFAULT_KEYS, **chosen}
    for action, key in every.items():
        other = next(one for one, its in every.items() if its == key)
        if other != action:
            new, old = (action, other) if action in chosen else (other, action)
            raise UsageError(
                f"setting keys: {new}={key}, but {key} is {old} already; give {old} another key too"
            )
    return every


class KeyWords:
    """How the keys are called that are set now: in tables, and in sentences that speak of the usual ones."""

    def __init__(self, keys: Mapping[str, str] = DEFAULT_KEYS) -> None:
        """keys: action -> key, as parse_keys gives it."""
        self._keys = keys
        self._spelled = {
            key_word(usual): key_word(keys[name])
            for name, usual in DEFAULT_KEYS.items()
            if keys[name] != usual
        }

    def of(self, action: Action) -> str:
        """The action's keys as the help page writes them: `^Z`, `F1 or ?`."""
        named = (self._keys.get(action.name, action.key), action.empty_line)
        return " or ".join(key_word(key) for key in named if key)

    def spell(self, text: str) -> str:
        """A sentence that names usual keys (`F1 help`, `^Z undoes it`), with those that are set now."""
        if not self._spelled:
            return text
        return _NAMED.sub(lambda found: self._spelled.get(found[0], found[0]), text)


USUAL_KEYS = KeyWords()
_NAMED = re.compile(r"\^[A-Z]\b|\bF\d+\b")


def key_word(key: str) -> str:
    """One key as it is written: `^Z`, `F1`, `Esc`."""
    if key.startswith("ctrl+"):
        return "^" + key.removeprefix("ctrl+").upper()
    return {"escape": "Esc", "up": "Up", "down": "Down", "tab": "Tab", "space": "Space"}.get(
        key, key.upper() if key.startswith("f") else key
    )
