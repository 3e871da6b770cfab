"""The home screen driven as a carpenter would, at the sizes that he has."""

from __future__ import annotations

from types import SimpleNamespace

import pytest
from textual.events import Key, Paste
from textual.geometry import Region

from shimfit.model import PostState
from shimfit.text.glyphs import UNICODE
from shimfit.tui.app import ShimfitApp
from shimfit.tui.session import Session
from shimfit.tui.widgets import EntryLine, Rows
from shimfit.workflow.reading import log_reading

SIZES = [(40, 10), (40, 20), (80, 24), (200, 60)]


@pytest.mark.parametrize(("columns", "rows"), SIZES)
async def test_a_reading_is_echoed_logged_and_answered(at_screen, columns, rows) -> None:
    hand = await at_screen(columns, rows)
    await hand.sees("to read")
    await hand.type("9.5n5o", sees=("9.5 mm", "5 mm"))
    assert hand.typed == "9.5n5o"
    await hand.press("enter", sees=("▲ pack", "TOP leans 9.5 mm", "→ next", "↑ out", "NEXT-OUT", "1 of 3"))
    assert hand.record.state is PostState.PACK
    assert hand.typed == ""
    assert [reading.text for reading in hand.record.readings] == ["9.5n5o"]


@pytest.mark.parametrize("size", [(40, 10), (40, 20), (80, 24), (200, 60)])
async def test_one_thing_to_do_at_a_time_and_a_key_that_ticks_it(at_screen, size) -> None:
    hand = await at_screen(*size)
    await hand.enter("6n10h", sees="1 of 3")
    for number, pack in enumerate(hand.page.snapshot.steps, start=1):
        await hand.sees(f"{number} of 3", pack.step if size[0] > 64 else pack.short.split()[0])
        assert hand.row("sentences").startswith(pack.step[:20]), "the instruction stands first"
        if size[1] > 10:
            await hand.sees(pack.under)
        await hand.press("tab")
    await hand.sees("Tighten")
    assert hand.record.packs_in_place == (), "a tick is the eye's, not the log's"
    await hand.press("space", sees="1 of 3")
    await hand.pilot.click("#big")
    await hand.sees("2 of 3")
    await hand.enter(".3n.2h", sees="plumb")
    assert not hand.page.snapshot.steps


async def test_the_second_round_asks_only_for_what_changes(at_screen) -> None:
    hand = await at_screen(80, 24)
    await hand.enter("6n10h")
    await hand.enter("3n2h", sees="out of plumb")
    steps = hand.page.snapshot.steps
    changes = hand.record.answer.change
    assert len(steps) == len(changes) > 0
    assert all(pack.changed for pack in steps)


async def test_the_pack_is_drawn_on_the_side_that_the_top_leans_to(at_screen) -> None:
    hand = await at_screen(80, 24)
    await hand.enter("9p0", sees=("under PREV", "from prev"))
    plan = hand.row("plan").splitlines()
    middle = next(row for row in plan if "prev" in row and "next" in row)
    frame = middle.index("│")
    low, high = (" ".join(row[side] for row in plan) for side in (slice(frame), slice(frame + 1, None)))
    assert "▓1▓" in low
    assert "▓1▓" not in high, "the thickest pack goes where the top leans to"


async def test_nine_keys_are_enough_for_both_directions(at_screen) -> None:
    keys = [*"1/4n3/8h", "enter"]
    assert len(keys) == 9
    hand = await at_screen(40, 20, "inch")
    names = {"/": "slash"}
    await hand.press(*(names.get(key, key) for key in keys))
    assert hand.record.reading is not None
    await hand.sees('TOP leans 1/4" → next, 3/8" ↓ house')


@pytest.mark.parametrize("typed", ["1 1/4n1 3/8h", "1/4+n3/8-h", ".25n.375h", "6.5mmn10mmh", "1/4 n 3/8 h"])
def test_no_plain_reading_takes_more_than_twelve_keys(make_site, typed) -> None:
    session = Session(make_site("inch"), UNICODE)
    session.open_last()
    assert len(typed) + 1 <= 13 if " " in typed else len(typed) + 1 <= 12
    assert session.enter(typed).done


async def test_a_refusal_keeps_the_text_and_goes_to_the_bad_spot(at_screen) -> None:
    hand = await at_screen(40, 20)
    await hand.enter("1/4n3/8p", sees="✗")
    line = hand.page.query_one(EntryLine)
    assert line.value == "1/4n3/8p"
    assert line.cursor_position == len("1/4n3/8")
    assert hand.record.readings == ()
    await hand.press("end", "backspace", "o", sees="✓")
    await hand.press("enter")
    assert len(hand.record.readings) == 1


async def test_a_doubtful_entry_wants_a_second_enter(at_screen) -> None:
    hand = await at_screen(80, 24)
    await hand.enter("3n2i", sees="Enter")
    assert hand.record.readings == ()
    await hand.press("enter")
    assert len(hand.record.readings) == 1


async def test_read_pack_reread_walk_on(at_screen) -> None:
    hand = await at_screen(40, 10)
    await hand.enter("9n5o", sees="▲ pack")
    await hand.enter(".3n.2o", sees=("✓ plumb", "█▀█ █   █ █ █▄ ▄█ █▀▄", "allowed 2.0 mm"))
    await hand.press("enter", sees="post 2 (2/7)")
    await hand.press("up", sees="post 1 (1/7)")
    await hand.press("down", sees="post 2 (2/7)")


async def test_half_a_reading_is_half(at_screen) -> None:
    hand = await at_screen(80, 24)
    await hand.enter("3n", sees=("◐ half read", "; out/house?"))
    assert hand.record.state is PostState.HALF_READ
    await hand.press("escape", sees="now the other way, like 10h")
    await hand.enter("2o", sees=("TOP leans 3 mm", "2 mm"))


async def test_the_reading_from_before_the_packs_is_no_verifying_one(at_screen) -> None:
    """Typed again, it would say that the packs did nothing: it counts with the last one."""
    hand = await at_screen(40, 20)
    await hand.enter("9n5o", sees="post 1 logged")
    await hand.enter("9n5o", sees=("Not in yet:", "Enter, both count", "9n5o"))
    await hand.press("enter", sees="mean of")
    assert hand.record.mean_of == 2
    assert not hand.record.packs_in_place
    hand.do("packed")
    await hand.enter("9n5o", sees="post 1 logged")
    assert hand.record.packs_in_place
    await hand.press("ctrl+z", sees="taken back: reading 9n5o at")


async def test_undo_and_redo_work_after_a_restart(make_site, at_screen) -> None:
    site = make_site()
    hand = await at_screen(40, 20, app=ShimfitApp(site))
    await hand.enter("9n5o", sees="▲ pack")
    await hand.leave()
    hand = await at_screen(40, 20, app=ShimfitApp(site))
    await hand.sees("▲ pack", "TOP leans 9 mm")
    await hand.press("ctrl+z", sees=("taken back", "to read"))
    assert hand.record.readings == ()
    await hand.press("ctrl+y", sees=("brought back", "▲ pack"))


async def test_direction_buttons_type_the_letter(at_screen) -> None:
    hand = await at_screen(40, 20, "inch")
    await hand.type("1/4")
    await hand.pilot.click("#keys", offset=(12, 0))
    await hand.pilot.pause()
    assert hand.typed == "1/4n"
    await hand.type("3/8")
    await hand.pilot.click("#keys", offset=(28, 0))
    await hand.pilot.pause()
    await hand.pilot.click("#keys", offset=(36, 0))
    await hand.sees('TOP leans 1/4" → next, 3/8" ↓ house')


async def test_the_tap_pad_needs_no_keyboard(at_screen) -> None:
    hand = await at_screen(40, 20, "inch")
    await hand.press("ctrl+t", sees=("LOG", "7/8"))
    for x, y in ((3, 1), (10, 7), (25, 1), (23, 7)):
        await hand.pilot.click("#pad", offset=(x, y))
    await hand.pilot.pause()
    assert hand.typed == "1/4n3/8h"
    await hand.pilot.click("#pad", offset=(36, 7))
    await hand.sees("▲ pack")


async def test_find_note_skip_and_what_is_left(at_screen) -> None:
    hand = await at_screen(80, 24)
    await hand.press("ctrl+n")
    await hand.enter("split, replace", sees=("noted", "split, replace"))
    await hand.press("slash")
    await hand.enter("5", sees="post 5 (5/7)")
    hand.do("skip")
    await hand.enter("no access", sees=("– skipped", "Skipped: no access"))
    await hand.press("slash")
    await hand.enter("split", sees="post 1 (1/7)")
    await hand.press("ctrl+l")
    assert [post.name for post in hand.session.run.left_to_do] == ["1", "2", "3", "4", "6", "7"]
    for _ in range(4):
        await hand.press("down")
    await hand.sees("post 6 (6/7)")


async def test_survey_walks_on_by_itself(at_screen) -> None:
    hand = await at_screen(40, 10)
    hand.do("survey")
    await hand.enter("3n2o", sees=("post 2 (2/7)", "post 1 logged: 3.6 of 2.0 mm"))
    await hand.enter("3p2h", sees="post 3 (3/7)")


async def test_tab_shows_the_next_pack_large(at_screen) -> None:
    hand = await at_screen(40, 20)
    await hand.enter("9n5o", sees="Tab 1/")
    first = hand.row("big")
    await hand.press("tab", sees="Tab 2/")
    assert hand.row("big") != first
    # Read once more with no pack in yet: no pack is in, whatever was ticked before.
    await hand.enter("+9n5o", sees=("mean of\n2", "Tab 1/"))


async def test_without_data_enter_writes_the_sample_job(at_screen) -> None:
    hand = await at_screen(40, 20, empty=True)
    await hand.sees("No job in this data file yet", "sample job", "keeps people from falling")
    await hand.press("enter", sees="post ")
    assert hand.session.run is not None
    assert hand.session.run.sample


async def test_below_the_least_size_there_is_one_sentence_and_the_line(at_screen) -> None:
    hand = await at_screen(29, 7)
    await hand.sees("Make the window larger", "›")
    await hand.pilot.resize_terminal(40, 10)
    await hand.sees("post 1 (1/7)")
    await hand.pilot.resize_terminal(5, 2)
    await hand.pilot.resize_terminal(1, 1)
    await hand.pilot.resize_terminal(80, 24)
    await hand.sees("allowed 2.0 mm at 1000 mm")


async def test_a_storm_of_resizes_is_survived(at_screen) -> None:
    hand = await at_screen(80, 24)
    await hand.enter("9n5o")
    sizes = ((200, 60), (40, 10), (3, 3), (120, 20), (64, 14), (63, 13), (30, 8), (110, 24))
    for columns, rows in sizes:
        await hand.pilot.resize_terminal(columns, rows)
    await hand.pilot.resize_terminal(40, 20)
    await hand.sees("TOP leans 9 mm", "▲ pack")
    await hand.enter(".2n.1o", sees="✓ plumb")


async def test_undo_clears_the_line_first_and_names_what_is_of_another_post(at_screen) -> None:
    hand = await at_screen(80, 24)
    await hand.enter("9n5o", sees="post 1 logged")
    first = hand.session.place
    hand.do("next_post")
    assert hand.session.place != first
    await hand.press("4", "n")
    await hand.press("ctrl+z", sees="line cleared; ^Z again takes back reading 9n5o at")
    assert hand.session.site.post(first).readings, "text on the line: nothing is taken back"
    await hand.press("escape")
    await hand.enter("2n1o")
    hand.do("previous_post")
    assert hand.session.place == first
    await hand.press("ctrl+z", sees="not of this post; ^Z again takes back reading 2n1o at")
    second = [post for post in hand.session.run.posts if post.readings]
    assert len(second) == 2, "another post's reading stays until it is asked for again"
    await hand.press("ctrl+z", sees="taken back: reading 2n1o at")
    assert [bool(post.readings) for post in hand.session.run.posts].count(True) == 1
    await hand.press("ctrl+z")  # of the post in view: at once
    await hand.sees("taken back: reading 9n5o at")


async def test_undo_in_one_burst_of_keys_takes_back_nothing_that_was_not_named(at_screen) -> None:
    """Keys that come faster than the screen is drawn, as from a held key or over a slow line."""
    hand = await at_screen(80, 24)
    await hand.enter("9n5o", sees="post 1 logged")
    first = hand.session.place
    hand.do("next_post")
    await hand.pilot.pause()
    for key, sign in (("4", "4"), ("n", "n"), ("ctrl+z", "\x1a"), ("ctrl+z", "\x1a")):
        hand.app.post_message(Key(key, sign))
    await hand.sees("^Z again takes back reading 9n5o at")
    assert hand.session.site.post(first).readings
    assert hand.typed == ""
    await hand.press("ctrl+z", sees="taken back: reading 9n5o at")


@pytest.mark.parametrize("columns", [40, 80])
async def test_what_the_box_holds_is_what_the_post_is_answered_with(app_on, at_screen, columns) -> None:
    """Read with an empty box, fill it, go back: the new answer is there at once; and the same emptying it."""
    app = app_on()
    lots = [lot.lot for lot in app.session.site.box().lots]
    for lot in lots:
        app.session.site.out_of(lot)
    hand = await at_screen(columns, 20 if columns == 40 else 24, app=app)
    await hand.enter("9n5o", sees="No pack from this box")
    await hand.press("f3", "a")
    await hand.enter("F1 flat 0.5 x20, F2 flat 0.9 x20 PVC", sees="made of, like PVC")
    await hand.enter("PVC", sees="20 F2")
    await hand.press("escape", "escape", sees=("▲ pack", "NEXT-OUT"))
    assert app.session.record.answer.packs
    await hand.press("f3", "o", "enter", "o", "enter", sees="0 left")
    await hand.press("escape", sees="No pack from this box")


@pytest.mark.parametrize("columns", [40, 80])
def test_run_and_record_page_hold_the_same_figure_against_the_limit(make_site, columns) -> None:
    """Where each direction counts by itself, the worse one is told, at every width and before as after."""
    from shimfit.codec import to_json
    from shimfit.quantities.typed import parse_tolerance
    from shimfit.text.glyphs import UNICODE
    from shimfit.tui.screens.lists import RecordScreen, RunScreen
    from shimfit.tui.screens.page import laid_out
    from shimfit.tui.session import Session

    session = Session(make_site(), UNICODE)
    assert session.open_last()
    site, place = session.site, session.place
    site.change_run(place.job, place.run, tolerance=to_json(parse_tolerance("1:500", True)))
    log_reading(site, place, "1.9mm n 1.9mm o")
    session.refresh()
    posts, page = [session.run.post(place.post)], SimpleNamespace(session=session)
    on_run, on_record = (
        str(laid_out([*screen.figures(page, posts, session.words)], columns, "…", 1))
        for screen in (RunScreen, RecordScreen)
    )
    assert "1.9" in on_run
    assert "1.9" in on_record
    assert "2.7" not in on_run + on_record  # the magnitude: 1.9 * sqrt(2) = 2.69


async def test_the_pad_types_the_runs_own_letters(app_on, at_screen) -> None:
    """Also on the empty line, where nothing typed has shown yet what the letters are."""
    app = app_on()
    place = app.session.place or app.session.site.last_place()
    app.session.site.change_run(place.job, place.run, face_names={"out": "lake", "house": "yard"})
    hand = await at_screen(40, 20, app=app)
    await hand.press("ctrl+t", sees=("↑ l", "↓ y", "LOG"))
    for x, y in ((3, 1), (15, 7)):  # `1`, then the side that is called lake
        await hand.pilot.click("#pad", offset=(x, y))
    await hand.pilot.pause()
    assert app.page.query_one(EntryLine).value == "1l"


async def test_the_list_beside_the_post_marks_one_post_wherever_one_goes(at_screen) -> None:
    """A row whose words stay the same is drawn anew too where the mark comes or goes."""
    hand = await at_screen(80, 24)
    for post in (1, 2, 3):
        await hand.enter(f"{post}:6n10h", sees=f"post {post} logged")
        rows = hand.page.query_one(Rows)
        shown = rows.render_lines(Region(0, 0, rows.size.width, 7))
        drawn = [strip.text.split()[0] for strip in shown if next(iter(strip)).style.reverse]
        assert drawn == [str(post)]


async def test_a_pasted_table_is_logged_line_by_line_and_waits_at_the_one_that_is_refused(at_screen) -> None:
    hand = await at_screen(80, 24)
    hand.app.home.line.post_message(Paste("post\treading\n2\t9n5o\n3\t3n8q\n5\t2n6o\n"))
    await hand.sees("neither a unit nor a direction", "1 line behind it: ")
    read = {post.name: one.text for post in hand.session.run.posts for one in post.readings}
    assert read == {"2": "9n5o"}
    assert hand.app.home.line.value == "3:3n8q"
    await hand.press("end", "backspace", "o", "enter", sees="post 5 logged")
    read = {post.name: one.text for post in hand.session.run.posts for one in post.readings}
    assert read == {"2": "9n5o", "3": "3n8o", "5": "2n6o"}


async def test_what_was_pasted_and_waits_stays_for_its_post_when_one_walks_on(at_screen) -> None:
    hand = await at_screen(80, 24)
    hand.app.home.line.post_message(Paste("3n8q\n=9n8o\n"))
    await hand.sees("neither a unit nor a direction", "1 line behind it: ")
    await hand.press("f2", "down", "down", "enter", sees=("post 3 (3/7)", "post 1: "))
    assert hand.typed == "1:3n8q"
    await hand.press("end", "backspace", "o", "enter", sees=("post 1 (1/7)", "corrected: post 1 logged"))
    read = {post.name: one.text for post in hand.session.run.posts for one in post.readings}
    assert read == {"1": "9n8o"}


async def test_a_figure_typed_after_a_refusal_begins_the_reading_anew(at_screen) -> None:
    """Else what was wrong would stand behind it; what a reading lacked is typed where it was missing."""
    hand = await at_screen(80, 24)
    await hand.type("9n5q")
    await hand.press("enter", sees="neither a unit nor a direction")
    await hand.type("9n5o")
    assert hand.app.home.line.value == "9n5o"
    await hand.press("ctrl+u")
    await hand.type("9n5")
    await hand.press("enter", sees="5 which way?")
    await hand.type("o", sees="9 mm towards next, 5 mm out")
