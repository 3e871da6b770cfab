"""Whole screens as text, reviewed by a person when they change; and the styles of the states."""

from __future__ import annotations

import pytest

from shimfit.model import PostState
from shimfit.text.glyphs import ROLES

SIZES = ["40x10", "40x20", "80x24", "200x60"]


@pytest.mark.parametrize("size", SIZES)
async def test_post_and_pages(at_screen, golden, size) -> None:
    columns, rows = map(int, size.split("x"))
    hand = await at_screen(columns, rows)
    hand.session.walks_on = True
    await hand.enter("3p2h")
    hand.session.walks_on = False
    await hand.sees("post 2 (2/7)")
    golden(f"to_read_{size}", await hand.settled())
    await hand.enter("9n5o", sees=("pack", "TOP leans 9 mm"))
    golden(f"pack_{size}", await hand.settled())
    await hand.enter("0.5n.3o", sees="plumb")
    golden(f"plumb_{size}", await hand.settled())
    pages = (("f2", "run", "left to do"), ("f3", "stock", "The box"), ("f4", "record", "1 of 7 p"))
    for key, name, text in pages:
        await hand.press(key, sees=text)
        golden(f"{name}_{size}", await hand.settled())


async def test_in_ascii_and_inches(at_screen, golden) -> None:
    hand = await at_screen(40, 20, "inch", ascii=True)
    await hand.enter("1/4n3/8h", sees="^ pack")
    assert hand.screen().isascii()
    golden("pack_ascii_inch_40x20", await hand.settled())
    for key in ("ctrl+p", "f2", "f3", "f4", "f5", "f1"):
        await hand.press("escape", key)
        assert (await hand.settled()).isascii(), key


async def test_fractions_are_stacked_where_there_is_room(at_screen, golden) -> None:
    hand = await at_screen(110, 40, "inch")
    await hand.enter("1/4n3/8h", sees="▲ pack")
    golden("pack_inch_110x40", await hand.settled())


async def test_no_data_and_too_small(at_screen, golden) -> None:
    hand = await at_screen(40, 20, empty=True)
    await hand.sees("No job")
    golden("no_data_40x20", await hand.settled())
    await hand.pilot.resize_terminal(29, 7)
    await hand.sees("Make the window larger")
    golden("too_small_29x7", await hand.settled())


@pytest.mark.parametrize("theme", ["sun", "dark", "term"])
async def test_no_state_is_told_by_colour_alone(at_screen, theme) -> None:
    """Without their colours (NO_COLOR makes greys of them) states differ by sign, and these by style."""
    hand = await at_screen(80, 24, theme=theme)
    await hand.sees("to read")
    picture = hand.page.query_one("#strip")
    looks = {}
    for state in PostState:
        style = picture._look(ROLES[state], picture.rich_style)
        looks[state] = (bool(style.bold), bool(style.reverse), bool(style.underline))
    assert looks[PostState.HALF_READ][1]
    assert looks[PostState.OUT][:2] == (True, True)
    assert looks[PostState.TOO_CLOSE][2]
    assert looks[PostState.PLUMB][0]
    assert looks[PostState.TO_READ] == looks[PostState.SKIPPED] == (False, False, False)
    assert picture._look("here", picture.rich_style).reverse
