"""Every action by name: one table feeds the keys, the palette, the help page and the taps.

Keys that a line editor or a multiplexer wants are never bound: Ctrl with H I J M (Backspace, Tab, line ends),
S (stops output), A and B (multiplexers' prefixes), Space. Nothing that loses anything is on a single key.
"""

from __future__ import annotations

from dataclasses import dataclass

NEVER_BOUND = (
    "ctrl+h",
    "ctrl+i",
    "ctrl+j",
    "ctrl+m",
    "ctrl+s",
    "ctrl+a",
    "ctrl+b",
    "ctrl+space",
    "ctrl+at",
)


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
    Deed("cut_sheet", "Cut sheet on paper", "Write cut sheet and pack labels of the run as a PDF"),
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
    Deed("axes", "Teach the sensor", "Which way its x and y point on the post, from two tips of the top"),
    Deed("take_over", "Write here", "A file that was opened to look at: write to it from here on"),
    Deed("pad", "Tap pad", "Large keys for typing a reading without a keyboard", "ctrl+t"),
    Deed("theme", "Theme", "Black on white for the sun, white on black, or the terminal's own colours"),
    Deed("quit", "Quit", "Leave; everything that was logged is already on disk", "ctrl+q", "q"),
)
BY_NAME = {deed.name: deed for deed in DEEDS}
SCREENS = ("post", "run", "stock", "record", "setup")


def key_words(deed: Deed) -> str:
    """The deed's keys as the help page writes them: `^Z`, `F1 or ?`."""
    named = [_key_word(key) for key in deed.keys.split(",") if key]
    if deed.on_empty_line:
        named.append(_key_word(deed.on_empty_line))
    return " or ".join(named)


def _key_word(key: str) -> str:
    if key.startswith("ctrl+"):
        return "^" + key.removeprefix("ctrl+").upper()
    return {"escape": "Esc", "up": "Up", "down": "Down", "tab": "Tab"}.get(
        key, key.upper() if key.startswith("f") else key
    )
