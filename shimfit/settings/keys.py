"""Keys of one's own: `undo=ctrl+u, help=f9` -> which key does what, or what is wrong with it.

Only keys that every terminal sends and that no reading, no line editor and no multiplexer needs: the function
keys, and Ctrl with most letters. Ctrl with H, I, J and M can't be told from Backspace, Tab and the line ends:
a terminal sends the same byte (ISO/IEC 6429, control functions BS, HT, LF, CR).
"""

from __future__ import annotations

import re
import string
from collections.abc import Mapping

from shimfit.errors import UsageError

DEFAULT_KEYS: Mapping[str, str] = {
    "go_run": "f2",
    "go_stock": "f3",
    "go_record": "f4",
    "go_setup": "f5",
    "go_plan": "f6",
    "help": "f1",
    "undo": "ctrl+z",
    "redo": "ctrl+y",
    "find": "ctrl+f",
    "left_to_do": "ctrl+l",
    "note": "ctrl+n",
    "pad": "ctrl+t",
    "palette": "ctrl+p",
    "quit": "ctrl+q",
}
"""Actions that have a key by themselves."""
WITHOUT_KEY = (
    "next_post",
    "previous_post",
    "next_pack",
    "packed",
    "tightened",
    "torque",
    "packed_otherwise",
    "trimmed",
    "kind",
    "rails_on",
    "turn",
    "photo",
    "skip",
    "take",
    "zero",
    "dropped",
    "survey",
    "insert_post",
    "move_post",
    "remove_post",
    "make_plan",
    "line_up",
    "cut_sheet",
    "hand_over",
    "new_run",
    "stock_add",
    "stock_import",
    "stock_out",
    "axes",
    "theme",
)
"""Actions that can be given one."""
ACTIONS = (*DEFAULT_KEYS, *WITHOUT_KEY)
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
        if action not in ACTIONS:
            raise UsageError(f"setting keys: there is no action {action!r}; there are {', '.join(ACTIONS)}")
        if action in chosen:
            raise UsageError(f"setting keys: {action} is set twice, {chosen[action]} and {key}; leave one")
        chosen[action] = _checked(action, key.lower())
    every = {**DEFAULT_KEYS, **chosen}
    for action, key in every.items():
        other = next(one for one, its in every.items() if its == key)
        if other != action:
            new, old = (action, other) if action in chosen else (other, action)
            raise UsageError(
                f"setting keys: {new}={key}, but {key} is {old} already; give {old} another key too"
            )
    return every


def _checked(action: str, key: str) -> str:
    told = f"setting keys: {action}={key} can't be"
    if key in REFUSED:
        raise UsageError(f"{told}: {REFUSED[key]}; {_CHOICE}")
    if len(key) == 1:
        raise UsageError(f"{told}: a sign alone is text on the line; {_CHOICE}")
    if key not in FREE:
        raise UsageError(f"{told}: no such key is sent everywhere; {_CHOICE}")
    return key
