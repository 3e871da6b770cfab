"""Every action by name: one table for the keys, the palette, the help page, the taps and plain mode.

A key of one's own is set like `undo=ctrl+u, help=f9`. Only keys that every terminal sends and that no
reading, no line editor and no multiplexer needs: the function keys, and Ctrl with most letters. Ctrl with H,
I, J and M can't be told from Backspace, Tab and the line ends: a terminal sends the same byte (ISO/IEC 6429,
control functions BS, HT, LF, CR).
"""

from __future__ import annotations

import re
import string
from collections.abc import Iterator, Mapping
from pathlib import Path

from shimfit.errors import UsageError
from shimfit.values import dataclass


@dataclass(frozen=True, slots=True)
class Action:
    """Something that the user can ask for, on screen or line by line; actions.txt says what each part is."""

    name: str
    title: str
    says: str
    key: str = ""
    empty_line: str = ""
    page: str = ""
    letter: str = ""
    on_run: str = ""
    label: str = ""
    asks: str = ""
    does: str = "keep"
    empty: str = ""
    plain: str = ""


def _actions() -> Iterator[Action]:
    """All of actions.txt."""
    page = Path(__file__).with_name("actions.txt").read_text("utf-8")
    for begins, rest in re.findall(r"^(\w.*)((?:\n .*)?)", page, re.MULTILINE):
        name, _, about = begins.partition(": ")
        title, _, says = about.partition(". ")
        parts = (part.partition("=") for part in rest.strip().split("; ") if part)
        yield Action(name, title, says, **{part: text for part, _, text in parts})


ACTIONS = tuple(_actions())
BY_NAME = {action.name: action for action in ACTIONS}
SCREENS = ("post", "run", "plan", "stock", "record", "setup")
"""Pages in the order of their tabs."""
EMPTY_LINE_KEYS = {
    {"?": "question_mark", "/": "slash"}.get(action.empty_line, action.empty_line): action.name
    for action in ACTIONS
    if action.empty_line
}
"""What these keys do while nothing is typed; with text on the line they are text (up and down: history)."""
DEFAULT_KEYS: Mapping[str, str] = {
    action.name: action.key for action in ACTIONS if action.key and action.name != "go_post"
}
WITHOUT_KEY = tuple(action.name for action in ACTIONS if not action.key)
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
