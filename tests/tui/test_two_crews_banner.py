"""Two programs wrote one run: where they laid it out differently, a banner says so on every page."""

from __future__ import annotations

import io

import pytest

from shimfit.store.merge import export_text, import_text
from shimfit.tui.app import ShimfitApp
from shimfit.tui.plain import run_plain

WHY = "two crews lay run jetty out differently"


@pytest.fixture
def in_two_minds(make_site):
    """The south crew reads at 1100 mm, the north crew at 900 mm; south takes north's log in."""
    north, south = make_site(), make_site()
    north.change_run("heron", "jetty", height_mm=900.0)
    south.change_run("heron", "jetty", height_mm=1100.0)
    import_text(south.journal, export_text(north.journal), "north.jsonl")
    return south


@pytest.mark.parametrize(("columns", "rows"), [(40, 20), (40, 10), (80, 24)])
async def test_a_run_in_two_minds_has_a_banner(in_two_minds, at_screen, columns, rows) -> None:
    hand = await at_screen(columns, rows, app=ShimfitApp(in_two_minds))
    await hand.settled()
    banner = " ".join(hand.row("banner").split())
    assert banner.startswith(WHY[:28])
    assert rows == 10 or WHY in banner
    await hand.enter("9n5o", sees="post 1 logged: 10.3")
    assert hand.record.reading is not None, "work goes on"
    await hand.press("f2")
    await hand.settled()
    assert WHY[:28] in hand.screen()


async def test_no_banner_where_the_logs_agree(at_screen) -> None:
    hand = await at_screen(80, 24)
    await hand.settled()
    assert hand.app.page.banner_text == ""


def test_plain_mode_says_it(in_two_minds) -> None:
    said = io.StringIO()
    assert run_plain(in_two_minds, stdin=io.StringIO("q\n"), stdout=said, ascii=True) == 0
    assert WHY in said.getvalue()
