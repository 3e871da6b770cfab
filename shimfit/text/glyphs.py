"""The signs on the screen: every state has a glyph, a word and a role; colour only adds to them.

Two sets: one for terminals that write UTF-8, one for the rest. Words are in model.PostState.
"""

from __future__ import annotations

import sys
from dataclasses import field
from typing import TYPE_CHECKING

from shimfit.model import Face, PostState, Seat
from shimfit.values import dataclass

if TYPE_CHECKING:
    from collections.abc import Mapping

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
SPELLED = {"±": "+-", "°": " deg", "×": "x", "…": "...", "→": "to", "·": ".", "–": "-"}
"""Signs that stand in sentences, and what they are where only ASCII is written."""


@dataclass(frozen=True, slots=True)
class Glyphs:
    """One set of signs, each a single cell wide; as it stands here, the set for UTF-8."""

    blocks: bool = True
    """True: numerals are made of half blocks, and sentences may have signs beyond ASCII."""
    here: str = "▸"
    """Stands before the post that is on screen."""
    lift: str = "▓"
    """Fill of a pack that lifts."""
    fill: str = "░"
    """Fill of a pack that only supports."""
    rod: str = "○"
    top: str = "●"
    """Where the top stands, seen from above."""
    plumb: str = "┼"
    """Where it should stand."""
    ring: str = "·"
    line: str = "∙"
    """Dots of a drawn line."""
    horizontal: str = "─"
    vertical: str = "│"
    corners: str = "┌┐└┘"
    """Four: top left, top right, bottom left, bottom right."""
    lean_left: str = "▏"
    """Upright line near the left side of its cell; `vertical` is the middle one."""
    lean_right: str = "▕"
    bars: str = "▁▂▃▄▅▆▇█"
    """Bars of rising height, lowest first."""
    understood: str = "✓"
    refused: str = "✗"
    incomplete: str = "…"
    enter: str = "⏎"
    prompt: str = "›"
    left: str = "‹"
    right: str = "›"
    more: str = "…"
    """Stands for what does not fit."""
    times: str = "×"
    """Before the factor of what is drawn larger."""
    states: Mapping[PostState, str] = field(init=False)
    seats: Mapping[Seat, str] = field(init=False)
    faces: Mapping[Face, str] = field(init=False)

    def __post_init__(self) -> None:
        which = 0 if self.blocks else 1
        object.__setattr__(self, "states", {state: signs[which] for state, signs in _STATES.items()})
        object.__setattr__(self, "seats", {seat: signs[which] for seat, signs in _SEATS.items()})
        object.__setattr__(self, "faces", {face: self.seats[Seat(face.value)] for face in Face})

    def spell(self, text: str) -> str:
        """A sentence as this set can write it: `+-` and `deg` where there is nothing beyond ASCII."""
        if not self.blocks:
            for sign, spelled in SPELLED.items():
                text = text.replace(sign, spelled)
        return text


UNICODE = Glyphs()
ASCII = Glyphs(
    blocks=False, here=">", lift="#", fill=":", rod="o", top="@", plumb="+", ring=".", line=".",
    horizontal="-", vertical="|", corners="++++", lean_left="|", lean_right="|", bars=".:-=+*#@",
    understood="+", refused="!", incomplete="...", enter="Enter", prompt=">", left="<", right=">", more="~",
    times="x",
)  # fmt: skip


def glyphs_for(*, ascii_only: bool) -> Glyphs:
    """The set to use: ASCII when asked, or when the terminal's encoding can't carry the other."""
    # The full-screen program writes to stderr's original stream, so its encoding is the one that counts.
    encoding = (getattr(sys.__stderr__, "encoding", None) or "ascii").lower().replace("-", "")
    return ASCII if ascii_only or encoding not in {"utf8", "utf8sig"} else UNICODE
