"""The signs on the screen: every state has a glyph, a word and a role; colour only adds to them.

Two sets: one for terminals that write UTF-8, one for the rest. Words are in model.PostState.
"""

from __future__ import annotations

import sys

from shimfit.model import Face, PostState, Seat
from shimfit.values import dataclass


@dataclass(frozen=True, slots=True)
class Glyphs:
    """One set of signs, each a single cell wide."""

    states: dict[PostState, str]
    faces: dict[Face, str]
    seats: dict[Seat, str]
    here: str
    """Stands before the post that is on screen."""
    lift: str
    """Fill of a pack that lifts."""
    fill: str
    """Fill of a pack that only supports."""
    rod: str
    top: str
    """Where the top stands, seen from above."""
    plumb: str
    """Where it should stand."""
    ring: str
    line: str
    """Dots of a drawn line."""
    horizontal: str
    vertical: str
    corners: str
    """Four: top left, top right, bottom left, bottom right."""
    lean_left: str
    """Upright line near the left side of its cell; `vertical` is the middle one."""
    lean_right: str
    bars: str
    """Bars of rising height, lowest first."""
    understood: str
    refused: str
    incomplete: str
    enter: str
    prompt: str
    left: str
    right: str
    blocks: bool
    """True: numerals are made of half blocks."""
    more: str
    """Stands for what does not fit."""
    times: str
    """Before the factor of what is drawn larger."""

    def spell(self, text: str) -> str:
        """A sentence as this set can write it: `+-` and `deg` where there is nothing beyond ASCII."""
        if self.blocks:
            return text
        for sign, spelled in SPELLED.items():
            text = text.replace(sign, spelled)
        return text


SPELLED = {"±": "+-", "°": " deg", "×": "x", "…": "...", "→": "to", "·": ".", "–": "-"}
"""Signs that stand in sentences, and what they are where only ASCII is written."""


_STATES: dict[PostState, tuple[str, str, str]] = {
    PostState.TO_READ: ("·", ".", "to-read"),
    PostState.HALF_READ: ("◐", "?", "half-read"),
    PostState.PACK: ("▲", "^", "pack"),
    PostState.TIGHTEN: ("↻", "~", "tighten"),
    PostState.PLUMB: ("✓", "+", "plumb"),
    PostState.OUT: ("✗", "!", "off"),
    PostState.TOO_CLOSE: ("≈", "=", "too-close"),
    PostState.SKIPPED: ("–", "-", "skipped"),
}
"""Of each state: its sign in UTF-8, its sign in ASCII alone, the role that styles it (style.tcss)."""
ROLES: dict[PostState, str] = {state: role for state, (_, _, role) in _STATES.items()}
_SEATS: dict[Seat, tuple[str, str]] = {
    Seat.PREV_HOUSE: ("↙", "v<"),
    Seat.NEXT_HOUSE: ("↘", "v>"),
    Seat.PREV_OUT: ("↖", "^<"),
    Seat.NEXT_OUT: ("↗", "^>"),
    Seat.NEXT: ("→", ">"),
    Seat.OUT: ("↑", "^"),
    Seat.PREV: ("←", "<"),
    Seat.HOUSE: ("↓", "v"),
}
_OTHERS: dict[str, tuple[str, str]] = {
    "here": ("▸", ">"),
    "lift": ("▓", "#"),
    "fill": ("░", ":"),
    "rod": ("○", "o"),
    "top": ("●", "@"),
    "plumb": ("┼", "+"),
    "ring": ("·", "."),
    "line": ("∙", "."),
    "horizontal": ("─", "-"),
    "vertical": ("│", "|"),
    "corners": ("┌┐└┘", "++++"),
    "lean_left": ("▏", "|"),
    "lean_right": ("▕", "|"),
    "bars": ("▁▂▃▄▅▆▇█", ".:-=+*#@"),
    "understood": ("✓", "+"),
    "refused": ("✗", "!"),
    "incomplete": ("…", "..."),
    "enter": ("⏎", "Enter"),
    "prompt": ("›", ">"),
    "left": ("‹", "<"),
    "right": ("›", ">"),
    "more": ("…", "~"),
    "times": ("×", "x"),
}


def _one_set(which: int) -> Glyphs:
    others = {name: signs[which] for name, signs in _OTHERS.items()}
    return Glyphs(
        states={state: signs[which] for state, signs in _STATES.items()},
        faces={face: _SEATS[Seat(face.value)][which] for face in Face},
        seats={seat: signs[which] for seat, signs in _SEATS.items()},
        blocks=which == 0,
        **others,
    )


UNICODE, ASCII = _one_set(0), _one_set(1)


def glyphs_for(*, ascii_only: bool) -> Glyphs:
    """The set to use: ASCII when asked, or when the terminal's encoding can't carry the other."""
    # The full-screen program writes to stderr's original stream, so its encoding is the one that counts.
    encoding = (getattr(sys.__stderr__, "encoding", None) or "ascii").lower().replace("-", "")
    return ASCII if ascii_only or encoding not in {"utf8", "utf8sig"} else UNICODE
