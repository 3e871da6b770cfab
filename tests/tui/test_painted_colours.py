"""Contrast of the cells as they are painted: themes, sizes, pages, no colours, the terminal's own.

The ratio is that of WCAG 2.2 ("contrast ratio", "relative luminance"); 7 : 1 is its level AAA, and what can
be read outdoors.
"""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING

import pytest

from shimfit.tui import themes
from shimfit.tui.widgets import EntryLine

if TYPE_CHECKING:
    from rich.color import Color
    from rich.style import Style

LEAST_CONTRAST = 7.0
"""WCAG 2 level AAA for normal text; outdoors less cannot be read."""
DARK_TERMINAL = ("#D0D0D0", "#101010")
LIGHT_TERMINAL = ("#202020", "#FAFAFA")
SIZES = ((40, 10), (80, 24), (200, 60))


@functools.cache
def contrast(one: str, other: str) -> float:
    """Contrast ratio of two #rrggbb colours, 1 … 21 (WCAG 2.2, "contrast ratio" and "relative luminance")."""
    lighter, darker = sorted(map(luminance, (one, other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def luminance(colour: str) -> float:
    parts = (int(colour[index : index + 2], 16) / 255 for index in (1, 3, 5))
    linear = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return sum(share * part for share, part in zip((0.2126, 0.7152, 0.0722), linear, strict=True))


@pytest.mark.parametrize("palette", themes.PALETTES.values(), ids=lambda palette: palette.name)
def test_every_pair_of_text_and_ground_can_be_read_in_the_sun(palette: themes.Palette) -> None:
    for role in ("text", "pack", "tighten", "plumb"):  # as it is, and reversed
        assert contrast(getattr(palette, role), palette.ground) >= LEAST_CONTRAST, role
    assert contrast(palette.text, palette.band) >= LEAST_CONTRAST


def test_contrast_is_that_of_the_standard() -> None:
    # WCAG 2.2: black on white is 21 : 1; #767676 on white is the well-known 4.54 : 1 (from memory).
    assert contrast("#000000", "#FFFFFF") == pytest.approx(21.0)
    assert contrast("#767676", "#FFFFFF") == pytest.approx(4.54, abs=0.01)
    # design page: pack on white 7.8 : 1, tighten on white 8.7 : 1 (computed there with another program).
    assert contrast("#8A3B00", "#FFFFFF") == pytest.approx(7.8, abs=0.05)
    assert contrast("#004C8C", "#FFFFFF") == pytest.approx(8.7, abs=0.05)


def painted(style: Style | None, terminal: tuple[str, str]) -> tuple[str, str]:
    """Colours of a text cell and its ground as #rrggbb; what is not set is the terminal's."""

    def of(colour: Color | None, default: str) -> str:
        return default if colour is None or colour.is_default else f"#{colour.get_truecolor().hex[1:]}"

    if style is None:
        return terminal
    pair = of(style.color, terminal[0]), of(style.bgcolor, terminal[1])
    return (pair[1], pair[0]) if style.reverse else pair


def weak_cells(hand, terminal: tuple[str, str]) -> list[str]:
    """Runs of visible characters under 7 : 1, or dim, or with one colour of two left to the terminal."""
    found = []
    for row, strip in enumerate(hand.app.screen._compositor.render_strips(), 1):
        for text, style, _ in strip:
            if not text.strip():
                continue
            text_colour, ground = painted(style, terminal)
            ratio = contrast(text_colour, ground)
            half = style is not None and (style.color is None or style.color.is_default) != (
                style.bgcolor is None or style.bgcolor.is_default
            )
            if ratio < LEAST_CONTRAST or half or (style is not None and style.dim):
                found.append(f"row {row}: {text!r} {ratio:.1f} : 1, {text_colour} on {ground}, {half=}")
    return found


async def walk(hand, check) -> None:
    """Every page, and the post's page in the states that a carpenter meets."""
    check("at start")
    await hand.enter("6n10h")
    await hand.press("up")
    check("to pack")
    hand.app.page.query_one(EntryLine).value = "6n8n"
    await hand.pilot.pause()
    check("refused")
    await hand.enter("0.1n 0")
    await hand.press("up")
    check("verified")
    for key in ("f1", "f2", "f3", "f4", "f5", "f6", "ctrl+p", "ctrl+t"):
        await hand.press(key)
        await hand.pilot.pause(0.1 if key == "ctrl+p" else 0.0)  # the palette gathers what it lists
        check(key)
        await hand.press("escape")


@pytest.mark.parametrize(
    ("size", "theme", "no_color", "ascii_only"),
    [
        *(pytest.param(size, "sun", False, False, id=f"sun {size[0]}x{size[1]}") for size in SIZES),
        pytest.param((80, 24), "dark", False, False, id="dark"),
        pytest.param((80, 24), "term", False, False, id="the terminal's own"),
        pytest.param((40, 20), "sun", True, True, id="no colours, ASCII"),
        pytest.param((80, 24), "dark", True, False, id="dark, no colours"),
    ],
)
async def test_every_painted_cell_can_be_read_in_the_sun(
    at_screen, monkeypatch, *, size, theme, no_color, ascii_only
) -> None:
    if no_color:
        monkeypatch.setenv("NO_COLOR", "1")
    found: dict[str, list[str]] = {}

    hand = await at_screen(*size, theme=theme, ascii=ascii_only)

    def check(where: str) -> None:
        for name, terminal in (("dark", DARK_TERMINAL), ("light", LIGHT_TERMINAL)):
            if weak := weak_cells(hand, terminal):
                found[f"{where}, {name} terminal"] = weak[:5]

    await walk(hand, check)
    await hand.leave()
    assert not found
