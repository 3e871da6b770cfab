"""What the palette reaches besides reading: the run's posts, torque, photo, rails on, writing here."""

from __future__ import annotations

import sqlite3

import pytest

from shimfit.errors import FileError
from shimfit.model import Instrument
from shimfit.settings.actions import BY_NAME, SCREENS
from shimfit.tui.app import ShimfitApp
from shimfit.tui.handover import export
from shimfit.tui.session import Session
from shimfit.tui.widgets import Rows
from shimfit.workflow.reading import log_reading
from shimfit.workflow.site import Site


def names(session: Session) -> str:
    return " ".join(post.name for post in session.run.posts)


@pytest.mark.parametrize("size", [(40, 20), (80, 24)])
async def test_a_post_is_inserted_moved_and_taken_out(at_screen, size) -> None:
    hand = await at_screen(*size)
    await hand.press("f2", "i", sees="where, from the run's start")
    await hand.enter("9m", sees=("✗", "outside"))
    await hand.enter("1800mm", sees=("post 2a stands at 1800 mm", "8 of 8 left to do"))
    assert names(hand.session) == "1 2 2a 3 4 5 6 7"
    hand.page.query_one("#list", Rows).mark(2)
    await hand.press("m", sees="new station of post 2a")
    await hand.enter("2500mm", sees="can't stand behind post 3")
    await hand.enter("2m", sees="post 2a stands at 2000 mm")
    hand.page.query_one("#list", Rows).mark(2)
    hand.do("remove_post")
    await hand.sees("post 2a is out of the run", "7 of 7")
    await hand.press("ctrl+z", sees=("taken back", "8 of 8"))


def test_where_the_post_one_stands_at_goes_one_stands_at_its_neighbour(session) -> None:
    assert session.do("insert_post", "1.8m").done
    assert session.do("find", "2a").done
    assert session.undo().done
    assert session.record is not None
    assert session.place.post == "3"
    assert session.do("find", "7").done
    assert session.do("remove_post", post="7").done
    assert session.place.post == "6"
    assert not session.do("move_post", "soon", post="1").done


def test_torque_photo_and_rails_on_are_logged(session) -> None:
    assert not session.do("torque", "hand tight").done
    assert not session.do("torque", "0").done
    assert "40.7 N m" in session.do("torque", "30 lbf ft").message
    assert "40 N m" in session.do("torque", "40 Nm").message
    assert not session.do("photo", "  ").done
    assert session.do("photo", "p1.jpg").message == "photo p1.jpg"
    assert session.do("rails_on").done
    assert session.enter(".3n.2o").done
    assert session.record.readings[-1].stage == "rails-on"
    kinds = {event.kind: event.data for event in session.site.journal.events("heron")}
    assert kinds["tightened"]["torque_nm"] == 40.0
    assert kinds["photo"]["file"] == "p1.jpg"


def test_the_bow_is_told_at_the_post(session) -> None:
    assert session.do("kind", "mid").done
    assert session.enter("6n0").done
    assert session.enter("1n0").done
    assert any("bowed, its middle stands" in remark for remark in session.view.remarks)


def test_a_level_that_is_due_to_be_checked_is_told_at_the_post(session) -> None:
    assert session.view.remarks == ()
    level = Instrument("level", "level", 1200.0, 0.0005)
    session.site.add_instrument(level)
    assert any("level" in remark for remark in session.view.remarks)


def test_an_altered_log_is_not_handed_over(session, tmp_path) -> None:
    assert session.enter("9n5o").done
    with sqlite3.connect(session.site.journal.path) as db:
        db.execute("DROP TRIGGER event_no_update")
        db.execute("UPDATE event SET data = replace(data, '9n5o', '1n1o') WHERE kind = 'reading'")
    db.close()
    target = tmp_path / "record.csv"
    with pytest.raises(FileError, match="shimfit salvage"):
        export(session.site, session.run, "record", str(target))
    assert not target.exists()


async def test_what_a_command_logs_beside_the_screen_is_shown_and_both_log(make_site, at_screen) -> None:
    site = make_site()
    other = Site.open(site.journal.path, environment={})
    hand = await at_screen(80, 24, app=ShimfitApp(site))
    await hand.sees("to read")
    log_reading(other, hand.session.place, "6n10h")
    await hand.sees("▲ pack")
    hand.do("undo")
    await hand.sees("taken back")
    assert other.post(hand.session.place).readings == ()
    await hand.leave()
    other.close()


BELONG_TO_A_PAGE = {
    "hand_over": ("file›", "heron-jetty-record.pdf"),
    "stock_add": ("lot›", "The box"),
    "stock_import": ("a CSV file with the lots",),
    "stock_out": ("The box", "o: pieces of the marked lot"),
    "new_run": ("job›",),
    "line_up": ("feet off›", "off the string"),
}


async def test_what_belongs_to_one_page_is_reached_from_the_palette_too(at_screen) -> None:
    hand = await at_screen(40, 20)
    for name, asks in BELONG_TO_A_PAGE.items():  # what the palette does for a chosen title
        hand.do(name)
        await hand.sees(*asks)
        await hand.press("escape", "escape")


async def test_every_tap_at_the_foot_does_an_action(at_screen) -> None:
    """The palette names what the taps do: each is one of its actions, or means another thing on each page."""
    of_a_page = {"open", "enter", "leave", "palette", "sample"}
    hand = await at_screen(40, 20)
    for page in (*SCREENS, "plan"):
        hand.do(f"go_{page}")
        await hand.pilot.pause()
        assert page == hand.page.NAME
        taps = {tap.action for tap in hand.page.keys()}  # noqa: SIM118 - a page, no mapping
        assert taps
        assert taps - of_a_page <= set(BY_NAME)


async def test_turning_the_level_asks_which_level_it_is_first(at_screen) -> None:
    hand = await at_screen(40, 20)
    hand.do("turn")
    await hand.sees("which level do you turn?")
    await hand.enter("level-A")
    await hand.enter("fool", sees="'fool' is no reading")
    await hand.type("3n2o")
    assert hand.typed == "3n2o", "it takes the place of what was refused"
    await hand.press("enter", sees="turned›")
    await hand.enter("2n1o", sees="post 1 logged")
    assert hand.record.readings[-1].instrument == "level-A"
    await hand.press("down")
    hand.do("turn")
    await hand.enter("3n2o", sees="turned›")
    await hand.press("ctrl+z", sees="nothing is asked any more")  # the question first; what would go is named
    assert hand.page.question is None
    assert hand.session.run.post("1").readings
    hand.do("photo")
    await hand.press("enter", "escape")
    assert "✗" not in await hand.settled(), "what was refused goes with its question"


async def test_after_a_line_that_was_too_long_the_next_is_seen_from_its_first_letter(at_screen) -> None:
    hand = await at_screen(80, 24)
    await hand.press("f3", "a")
    await hand.enter("junk " * 30)
    await hand.type("2mm x4", sees="lot› 2mm x4")


async def test_a_lot_begun_by_its_count_is_refused(at_screen) -> None:
    """`12 flat 1mm` would be a flat of 12 mm, and one of 1 mm, both made of `flat`."""
    hand = await at_screen(80, 24)
    await hand.press("f3", "a")
    before = hand.session.site.box().lots
    await hand.enter("12 flat 1mm", sees="a flat is typed like")
    assert hand.session.site.box().lots == before
