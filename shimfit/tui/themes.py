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

LEAST_CONTRAST = 7.0
"""WCAG 2 level AAA for normal text; outdoors less cannot be read."""


@dataclass(frozen=True, slots=True)
class Palette:
    """Colours of one theme as #rrggbb."""

    name: str
    dark: bool
    ground: str
    text: str
    pack: str
    tighten: str
    plumb: str
    band: str
    """Ground of the head and foot rows."""
    band_text: str


SUN = Palette(
    name="sun",
    dark=False,
    ground="#FFFFFF",
    text="#000000",
    pack="#8A3B00",
    tighten="#004C8C",
    plumb="#000000",
    band="#E8E8E8",
    band_text="#000000",
)
DARK = Palette(
    name="dark",
    dark=True,
    ground="#000000",
    text="#FFFFFF",
    pack="#E69F00",
    tighten="#56B4E9",
    plumb="#F0E442",
    band="#202020",
    band_text="#FFFFFF",
)
PALETTES = {palette.name: palette for palette in (SUN, DARK)}
NAMES = ("sun", "dark", "term")


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two #rrggbb colours, 1 … 21 (WCAG 2.2, "contrast ratio" and "relative luminance")."""
    lighter, darker = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def text_pairs(palette: Palette) -> list[tuple[str, str, str]]:
    """Every (what, text colour, ground) that the style sheet puts together."""
    on_ground = [(role, getattr(palette, role)) for role in ("text", "pack", "tighten", "plumb")]
    return [
        *((role, colour, palette.ground) for role, colour in on_ground),
        *((f"{role} reversed", palette.ground, colour) for role, colour in on_ground),
        ("band", palette.band_text, palette.band),
    ]


def theme_of(palette: Palette) -> Theme:
    """The palette as a theme of the terminal library, its names as the style sheet's variables."""
    from textual.theme import Theme

    return Theme(
        name=palette.name,
        dark=palette.dark,
        primary=palette.tighten,
        secondary=palette.pack,
        accent=palette.pack,
        warning=palette.pack,
        error=palette.pack,
        success=palette.plumb,
        foreground=palette.text,
        background=palette.ground,
        surface=palette.ground,
        panel=palette.band,
        boost=palette.ground,
        text_alpha=1.0,
        variables=_variables(palette.pack, palette.tighten, palette.plumb, palette.band, palette.band_text)
        | {
            "input-cursor-background": palette.text,
            "input-cursor-foreground": palette.ground,
            "block-cursor-background": palette.text,
            "block-cursor-foreground": palette.ground,
            "text": palette.text,
            "text-muted": palette.text,
            "text-disabled": palette.text,
        },
    )


def terminal_theme() -> Theme:
    """The terminal's own palette: default colours, hues by the names that every terminal maps itself."""
    from textual.theme import BUILTIN_THEMES, Theme

    base = BUILTIN_THEMES["ansi-dark"]
    return Theme(
        name="term",
        primary=base.primary,
        secondary=base.secondary,
        warning=base.warning,
        error=base.error,
        success=base.success,
        accent=base.accent,
        foreground=base.foreground,
        background=base.background,
        surface=base.surface,
        panel=base.panel,
        boost=base.boost,
        dark=base.dark,
        ansi=True,
        variables=dict(base.variables)
        | _variables("ansi_default", "ansi_default", "ansi_default", "ansi_default", "ansi_default"),
    )


def _variables(pack: str, tighten: str, plumb: str, band: str, band_text: str) -> dict[str, str]:
    return {
        "hue-pack": pack,
        "hue-tighten": tighten,
        "hue-plumb": plumb,
        "band": band,
        "band-text": band_text,
    }


def _luminance(colour: str) -> float:
    parts = (int(colour[index : index + 2], 16) / 255 for index in (1, 3, 5))
    red, green, blue = (
        part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue
