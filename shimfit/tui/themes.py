"""Colours: sun (black on white) and dark (white on black), every pair of text and ground at least 7 : 1.

The hues start from the palette for colour-blind readers of Okabe and Ito (2008), darkened on white; blue,
orange, yellow and black only, never a red against a green. Colour adds to glyph, word and reverse video;
it never says anything alone. `term` leaves the terminal its own palette.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from shimfit.values import dataclass

if TYPE_CHECKING:
    from textual.theme import Theme


@dataclass(frozen=True, slots=True)
class Palette:
    """Colours of one theme as #rrggbb; band: the ground of the head and foot rows."""

    name: str
    dark: bool
    ground: str
    text: str
    pack: str
    tighten: str
    plumb: str
    band: str


PALETTES = {
    "sun": Palette("sun", dark=False, ground="#FFFFFF", text="#000000", pack="#8A3B00", tighten="#004C8C",
                   plumb="#000000", band="#E8E8E8"),
    "dark": Palette("dark", dark=True, ground="#000000", text="#FFFFFF", pack="#E69F00", tighten="#56B4E9",
                    plumb="#F0E442", band="#202020"),
}  # fmt: skip
NAMES = (*PALETTES, "term")


def theme_of(palette: Palette) -> Theme:
    """The palette as a theme of the terminal library, its names as the style sheet's variables."""
    from textual.theme import Theme

    text, ground = palette.text, palette.ground
    cursor = {
        f"{one}-cursor-{side}": colour
        for one in ("input", "block")
        for side, colour in (("background", text), ("foreground", ground))
    }
    return Theme(
        name=palette.name,
        dark=palette.dark,
        primary=palette.tighten,
        secondary=palette.pack,
        accent=palette.pack,
        warning=palette.pack,
        error=palette.pack,
        success=palette.plumb,
        foreground=text,
        background=ground,
        surface=ground,
        boost=ground,
        panel=palette.band,
        text_alpha=1.0,
        variables=_hues(palette.pack, palette.tighten, palette.plumb, palette.band, text)
        | cursor
        | dict.fromkeys(("text", "text-muted", "text-disabled"), text),
    )


def terminal_theme() -> Theme:
    """The terminal's own palette: default colours, hues by the names that every terminal maps itself."""
    from dataclasses import replace

    from textual.theme import BUILTIN_THEMES

    base = BUILTIN_THEMES["ansi-dark"]
    hues = _hues(*["ansi_default"] * 5)
    return replace(base, name="term", ansi=True, variables=dict(base.variables) | hues)


def _hues(*colours: str) -> dict[str, str]:
    """The style sheet's own variables."""
    return dict(zip(("hue-pack", "hue-tighten", "hue-plumb", "band", "band-text"), colours, strict=True))
