"""Every action by name: one table feeds the keys, the palette, the help page and the taps.

Which keys they have stands in settings.keys, where a person may set others. Nothing that loses
anything is on a single key.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from shimfit.settings.keys import DEFAULT_KEYS


@dataclass(frozen=True, slots=True)
class Deed:
    """One action that the person can ask for."""

    name: str
    title: str
    """As the palette lists it."""
    says: str
    """One sentence for the palette and the help page."""
    keys: str = ""
    """Keys, comma-separated; empty = palette and taps only."""
    on_empty_line: str = ""
    """Key that does it while nothing is typed."""


DEEDS = (
    Deed("go_post", "Post", "Read, pack and re-read one post; there it clears the line", "escape"),
    Deed("go_run", "Run", "All posts of the run, as they stand", "f2"),
    Deed("go_stock", "Stock", "The box: what is left, what ran out", "f3"),
    Deed("go_record", "Record", "How each post stands; export for the hand-over", "f4"),
    Deed("go_setup", "Setup", "Jobs, runs, units, tolerance, theme, sensor", "f5"),
    Deed("go_plan", "Plan", "Serve all read posts from one box; pack labels and cut sheet", "f6"),
    Deed("make_plan", "Plan all posts", "All posts that are read and wait for packs, from one box"),
    Deed("line_up", "Line up the tops", "Aim the tops of the run at one line, as far as the tolerance lets"),
    Deed("cut_sheet", "Cut sheet on paper", "Write cut sheet and pack labels of the run as a PDF"),
    Deed("hand_over", "Hand over the record", "Write the record of the run as PDF, CSV or JSON"),
    Deed("new_run", "New run", "Asks for the job, the run's length, spacing, foot, height, tolerance"),
    Deed("stock_add", "Add a lot", "Pieces that came into the box"),
    Deed("stock_import", "Import a stock file", "Lots that you counted, from a CSV file"),
    Deed("stock_out", "Out of a lot", "The lot that is marked in Stock ran out"),
    Deed("help", "Help", "How to type a reading, and the keys of this screen", "f1", "?"),
    Deed("undo", "Undo", "Take back what was logged last; works after a restart too", "ctrl+z"),
    Deed("redo", "Redo", "Bring back what was taken back", "ctrl+y"),
    Deed("next_post", "Next post", "Walk on to the next post", "", "down"),
    Deed("previous_post", "Previous post", "Walk back to the post before", "", "up"),
    Deed("next_pack", "Next pack", "Show the next pack in large figures", "", "tab"),
    Deed("find", "Find post", "Go to a post by its name or by a word in its notes", "ctrl+f", "/"),
    Deed("left_to_do", "Left to do", "Show only posts that still want something, or all again", "ctrl+l"),
    Deed("packed", "Packed as shown", "Log that the packs went in as prescribed"),
    Deed("tightened", "Tightened", "Log that the nut was tightened"),
    Deed("torque", "Tightened to a torque", "Log that the nut was tightened, and to how much"),
    Deed("packed_otherwise", "Packed otherwise", "Log what really went in, seat by seat"),
    Deed("trimmed", "Packs cut flush", "Log that the packs were cut flush; read again after it"),
    Deed("kind", "Next reading is…", "Of the bed, at half height, with the rails on, or a foot that rocks"),
    Deed("rails_on", "Rails are on", "The next reading is the last one, with the rails on"),
    Deed("turn", "Turn the level", "Two readings, the level turned end for end: its own error falls out"),
    Deed("note", "Note", "Leave a note at this post", "ctrl+n"),
    Deed("photo", "Photo", "Name a photo's file at this post; the file stays where it is"),
    Deed("skip", "Skip post", "Leave this post for later, with the reason"),
    Deed(
        "take", "Take the sensor's reading", "Hold still, then log what the inclinometer shows", "", "Space"
    ),
    Deed("survey", "Survey", "Walk on by itself after each reading: read all posts first, pack later"),
    Deed("insert_post", "Insert post", "One more post of the run, between two others"),
    Deed("move_post", "Move post", "Another station for this post, between its neighbours"),
    Deed(
        "remove_post", "Take post out", "Out of the run; what was logged at it is kept, undo brings it back"
    ),
    Deed("zero", "Find the sensor's zero", "Two holds at one post, turned end for end between them"),
    Deed("dropped", "The sensor was dropped", "Its zero counts no more, until it is found anew"),
    Deed("axes", "Teach the sensor", "Which way its x and y point on the post, from two tips of the top"),
    Deed("pad", "Tap pad", "Large keys for typing a reading without a keyboard", "ctrl+t"),
    Deed("theme", "Theme", "Black on white for the sun, white on black, or the terminal's own colours"),
    Deed("quit", "Quit", "Leave; everything that was logged is already on disk", "ctrl+q", "q"),
)
BY_NAME = {deed.name: deed for deed in DEEDS}
SCREENS = ("post", "run", "stock", "record", "setup")


class KeyWords:
    """How the keys are called that are set now: in tables, and in sentences that speak of the usual ones."""

    def __init__(self, keys: Mapping[str, str] = DEFAULT_KEYS) -> None:
        """keys: action -> key, as settings.keys.parse_keys gives it."""
        self._keys = keys
        self._spelled = {
            key_word(usual): key_word(keys[name])
            for name, usual in DEFAULT_KEYS.items()
            if keys[name] != usual
        }

    def of(self, deed: Deed) -> str:
        """The deed's keys as the help page writes them: `^Z`, `F1 or ?`."""
        named = [key_word(key) for key in (self._keys.get(deed.name, deed.keys), deed.on_empty_line) if key]
        return " or ".join(named)

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
    return {"escape": "Esc", "up": "Up", "down": "Down", "tab": "Tab"}.get(
        key, key.upper() if key.startswith("f") else key
    )
