"""An answer that takes its time: the reading is on disk, the screen lives, stale answers are dropped."""

from __future__ import annotations

import threading

import pytest

from shimfit.model import Instrument, PostState
from shimfit.text.glyphs import UNICODE
from shimfit.tui.app import ShimfitApp
from shimfit.tui.session import Outcome, Session
from tests.tui.conftest import LOTS


@pytest.fixture
def held_back(monkeypatch):
    """Answers that come only when they are let go; says for which readings one was worked out."""
    from shimfit.workflow import solving

    let_go, asked, work_out = threading.Event(), [], solving.prescription_for

    def slow(site, place, post):
        asked.append((place.post, post.reading.text))
        assert let_go.wait(20)
        return work_out(site, place, post)

    monkeypatch.setattr(solving, "prescription_for", slow)
    yield let_go, asked
    let_go.set()


async def test_enter_does_not_wait_and_the_answer_comes_by_itself(at_screen, held_back) -> None:
    let_go, asked = held_back
    hand = await at_screen(80, 24)
    await hand.enter("9n5o", sees=("post 1 logged: ", "working…"))
    assert [reading.text for reading in hand.record.readings] == ["9n5o"], "on disk first"
    assert hand.record.prescription is None
    await hand.press("down", sees="post 2 (2/7)")
    await hand.enter("3n8o", sees="post 2 logged: ")
    await hand.type("4n")
    let_go.set()
    await hand.sees("NEXT", "OUT", "allowed 2.0 mm", "4n")
    for _ in range(100):
        if hand.session.site.post(hand.session.place).prescription:
            break
        await hand.pilot.pause(0.05)
    await hand.settled()
    assert "working…" not in hand.screen()
    assert hand.record.state is PostState.PACK
    assert hand.record.prescription is not None
    assert hand.session.run.post("1").prescription is not None
    await hand.leave()
    assert asked == [("1", "9n5o"), ("2", "3n8o")], "in the order of the readings, each once"


async def test_what_is_done_meanwhile_does_not_wait_for_the_answer_either(
    app_on, at_screen, held_back
) -> None:
    """Packs that nobody has prescribed yet can't have gone in; a reading of both faces is logged at once."""
    let_go, _ = held_back

    app = app_on()
    site = app.session.site
    site.add_instrument(Instrument("L1", "level", 600.0, 0.0005))
    site.set("instrument", "L1")
    hand = await at_screen(80, 24, app=app)
    await hand.enter("9n5o", sees="working…")
    app.do("packed")
    await hand.sees("still being worked out")
    assert app.session.record.packs_in_place == ()
    app.tell(app.session.turned("9n5o", "9.4n5.2o"))
    await hand.sees("post 1 logged: ", "working…")
    let_go.set()
    await hand.sees("NEXT-OUT")
    await hand.settled()  # that may have been the answer to the first reading, the second's still to come
    app.do("packed")
    await hand.sees("packed as prescribed")


async def test_an_answer_to_what_was_taken_back_is_dropped(at_screen, held_back) -> None:
    let_go, _ = held_back
    hand = await at_screen(80, 24)
    await hand.enter("9n5o", sees="working…")
    await hand.press("ctrl+z")
    await hand.enter("3n8o")
    let_go.set()
    for _ in range(100):
        await hand.pilot.pause(0.05)
        if not hand.session.working:
            break
    await hand.settled()
    assert [reading.text for reading in hand.record.readings] == ["3n8o"]
    lean = hand.record.prescription.lean
    assert lean.top_mm(1000.0) == pytest.approx((3.0, 8.0))
    kinds = [event.kind for event in hand.session.site.journal.events() if event.post == "1"]
    assert kinds.count("prescribed") == 1, "the stale one is not even in the log"


async def test_nothing_stale_is_said_while_it_is_worked_out_nor_of_that_afterwards(
    app_on, at_screen, held_back
) -> None:
    """The box was empty and was filled; Tab was pressed too early."""
    let_go, _ = held_back

    app = app_on()
    for lot in app.session.site.box().lots:
        app.session.site.out_of(lot.lot)
    hand = await at_screen(80, 24, app=app)
    let_go.set()
    await hand.enter("9n5o", sees="The box is empty: ")
    let_go.clear()
    await hand.press("f3", "a")
    await hand.enter(", ".join(LOTS))
    await hand.enter("PVC", sees="post 1: working…")
    assert "The box is empty" not in hand.screen(), "it was filled"
    await hand.press("escape", "escape", "tab", sees="✗ Tab ticks one pack after another")
    let_go.set()
    await hand.sees("1 of 3", "under NEXT-OUT")
    assert "✗" not in hand.screen()


async def test_a_reading_typed_anew_takes_the_place_of_one_that_was_asked_about(at_screen) -> None:
    hand = await at_screen(80, 24)
    await hand.enter("9n5o", sees="NEXT-OUT")
    await hand.enter("9n5o", sees="? as before the packs. Not in yet")
    await hand.type("8n")
    assert hand.app.home.line.value == "8n"
    await hand.sees("top leans 8 mm towards next; across")


async def test_an_answer_that_was_missed_comes_when_the_post_is_seen_again(make_site, at_screen) -> None:
    """The program was killed between the reading and its answer."""
    site = make_site()
    session = Session(site, UNICODE)
    session.open_last()
    session.answers_later = lambda _place: False
    assert session.enter("9n5o").done
    assert site.post(session.place).prescription is None
    hand = await at_screen(80, 24, app=ShimfitApp(site))
    await hand.sees("NEXT-OUT corner", "after this; allowed")
    assert hand.record.prescription is not None


async def test_a_page_that_is_not_there_yet_or_any_more_is_not_drawn(at_screen) -> None:
    """Answers come by the clock: also between asking for a page and having it, and on the way out."""
    hand = await at_screen(80, 24)
    for name in ("plan", "run", "stock", "record", "setup"):
        hand.app.go(name)
        assert name == hand.page.NAME
        assert not hand.page.is_up, "the library mounts it a moment later"
        hand.app.tell(Outcome(f"came before the {name} page", done=False))
        hand.app.warn(f"trouble before the {name} page")
        await hand.sees(f"came before the {name} page")
    hand.app.go("post")
    hand.app.built.pop("plan")
    hand.app.uninstall_screen("plan")
    hand.app.go("plan")
    hand.page.cut_sheet()
    await hand.sees("file›", "heron-jetty-cut-sheet.pdf")
    await hand.leave()
    for page in hand.app.built.values():
        page.show()
        page.say(Outcome("said on the way out"))
        page.stop_asking()
