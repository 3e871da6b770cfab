"""Run, stock, record, setup, help and palette: each reached by key and by tap, each does its one job."""

from __future__ import annotations

import csv
import json
from itertools import groupby

import pytest

from shimfit.model import PostState
from shimfit.settings import Settings
from shimfit.settings.actions import ACTIONS, DEFAULT_KEYS, FREE, REFUSED, WITHOUT_KEY
from shimfit.tui.screens.help import HelpScreen
from shimfit.tui.screens.page import Column, laid_out
from shimfit.tui.setting_up import add_run
from shimfit.tui.widgets import EntryLine, Rows


async def test_every_page_opens_by_key_and_by_tap(at_screen) -> None:
    hand = await at_screen(40, 20)
    assert list(hand.app.built) == ["post"], "other pages are built when first visited"
    for key, name, text in (
        ("f2", "run", "7 of 7 left to do"),
        ("f3", "stock", "The box: 6 lots, 86 pieces"),
        ("f4", "record", "0 of 7 plumb"),
        ("f5", "setup", "open: heron/jetty"),
    ):
        await hand.press(key, sees=text)
        assert name == hand.page.NAME
        await hand.press("escape", sees="post 1 (1/7)")
    for x, text in (
        (8, "left to do"),
        (13, "Nothing to plan yet"),
        (19, "The box"),
        (27, "plumb"),
        (36, "open:"),
        (2, "post 1"),
    ):
        await hand.pilot.click("#tabs", offset=(x, 0))
        await hand.sees(text)


async def test_the_run_lists_filters_and_opens(at_screen) -> None:
    hand = await at_screen(80, 24)
    await hand.enter("0.4n.3o")
    hand.session.enter(".4n.3o")
    await hand.press("f2")
    await hand.sees("6 of 7 left to do", "✓ plumb", "0.5", "allowed 2.0 mm", "leans along the run")
    await hand.press("l", sees="(only these are listed)")
    assert "plumb" not in hand.page.query_one("#list", Rows).text
    await hand.press("down", "enter", sees="post 3 (3/7)")
    assert hand.page.NAME == "post"
    await hand.press("f2", sees="only these are listed")
    await hand.pilot.click("#list", offset=(9, 3))
    await hand.sees("post 5 (5/7)")


@pytest.mark.parametrize("size", [(120, 35), (200, 60)])
async def test_no_page_is_a_list_beside_emptiness(at_screen, size) -> None:
    """What each page shows below and beside its list, and that both halves of a wide window are used."""
    shows = {
        "run": ("run", ("post 1, 0 mm from the start", "packs to go in", "tops from above", "before")),
        "stock": ("stock", ("what jetty still takes", "the box to one scale", "T1 from the side", "post 1")),
        "record": ("record", ("not proven plumb", "what the paper says besides", "not given:", "before")),
        "plan": ("plan", ("from the side", "packs to go in", "expected after")),
    }
    hand = await at_screen(*size)
    await hand.enter("9n5o", sees="▲ pack")
    for name, (page, texts) in shows.items():
        hand.do(f"go_{page}")
        await hand.sees(*texts)
        rows = [row.ljust(size[0]) for row in hand.screen().splitlines()][2:-2]
        from_column = hand.page.query_one("#beside").region.x
        for column in ([row[:from_column] for row in rows], [row[from_column:] for row in rows]):
            empty = max(len(list(rows)) for blank, rows in groupby(column, str.isspace) if blank)
            assert empty <= size[1] / 3.5, (name, empty, "\n".join(column))


def test_a_table_gives_up_its_last_columns_then_cuts_the_one_that_gives() -> None:
    columns = [
        Column("post", [("1", ""), ("12", "")], right=True),
        Column("state", [("too close to call", "x"), ("plumb", "")], gives=True),
        Column("off", [("2.0", ""), ("0.5", "")], right=True),
        Column("notes", [("split at the house corner", ""), ("", "")]),
    ]
    wide = laid_out(columns, 80, "…", 3)
    assert "".join(text for text, _ in wide[1]).rstrip() == (
        "   1  too close to call  2.0  split at the house corner"
    )
    assert "".join(text for text, _ in laid_out(columns, 53, "…", 3)[1]).endswith(
        "  split at the house cor…  "
    )
    narrow = laid_out(columns, 20, "…", 3)
    assert ["".join(text for text, _ in row).rstrip() for row in narrow] == [
        "post state       off",
        "   1 too close … 2.0",
        "  12 plumb       0.5",
    ]
    assert [text for text, role in narrow[1] if role == "x"] == ["too close …"], "no look on the free columns"


async def test_the_box_loses_and_gains_lots_and_takes_it_back(at_screen, tmp_path) -> None:
    stock = tmp_path / "more.csv"
    stock.write_text("lot,form,count,thickness_mm\nF9,flat,4,2.5\n", "utf-8")
    bad = tmp_path / "bad.csv"
    bad.write_text("lot,form,count,thickness_mm\nF9,flat,four,2.5\n", "utf-8")
    hand = await at_screen(80, 24)
    await hand.press("f3", "o", sees=("how many of T1 are gone? 4 left", "⏎ take out"))
    await hand.enter("5", sees="only 4 of T1")
    await hand.enter("1", sees="T1: 3 left; ^Z brings it back")
    await hand.press("o", "enter", sees=("T1: 0 left", "The box: 5 lots"))
    await hand.press("ctrl+z", "ctrl+z", sees="The box: 6 lots, 86 pieces")
    await hand.type("8n11o", sees=("post 1›", "8 mm towards next, 11 mm out"))
    await hand.press("enter", sees=("post 1 logged", "The box: 6 lots, 86 pieces"))
    await hand.press("x", sees="x does nothing on this page")
    await hand.press("a", sees="a here: Add a lot? Enter does it")
    await hand.press("enter")
    await hand.enter("S9 strip 600 40 12 x2", sees="made of, like PVC")
    await hand.enter("", sees=("in the box: 2 S9", "600 x 40 x 12 mm"))
    await hand.enter("S9 strip 600", sees="3 to give, not")
    await hand.press("escape", "i")
    await hand.enter(str(bad), sees="line 2")
    await hand.press("escape", "i")
    await hand.enter(str(stock), sees="1 lots from more.csv")


async def test_the_record_is_written_and_asks_before_it_writes_over(at_screen, tmp_path) -> None:
    hand = await at_screen(80, 24)
    await hand.enter("9n5o")
    await hand.enter(".3n.2o")
    await hand.press("f4", sees=("1 of 7 posts proven plumb", "10.3", "0.4"))
    for name in ("record.csv", "record.json", "record.pdf"):
        await hand.press("e")
        assert hand.typed == "heron-jetty-record.pdf"
        await hand.enter(str(tmp_path / name), sees=f"written: {name}")
    await hand.press("e")
    await hand.enter(str(tmp_path / "record.csv"), sees="exists already")
    await hand.press("enter", sees="written")
    await hand.press("f2", "f4")
    assert "written" not in await hand.settled(), "said once"
    await hand.press("e")
    await hand.enter(str(tmp_path / "record.doc"), sees="not 'record.doc'")
    await hand.leave()
    rows = list(csv.DictReader((tmp_path / "record.csv").read_text("utf-8").splitlines()))
    assert [row["decision"] for row in rows].count("plumb") == 1
    assert json.loads((tmp_path / "record.json").read_text("utf-8"))["run"] == "jetty"
    assert (tmp_path / "record.pdf").read_bytes().startswith(b"%PDF")


async def test_a_run_is_set_up_from_the_screen_and_a_setting_changed(at_screen) -> None:
    hand = await at_screen(40, 20, empty=True)
    await hand.press("f5", "n", sees="1 of 8 units")
    for answer in ("mm", "mill", "stair", "4.8m", "1.2m", "90x90mm", "nonsense", "1000mm", "", ""):
        line = hand.page.query_one(EntryLine)
        line.value = answer
        await hand.press("enter")
        if answer == "nonsense":
            await hand.sees("✗")
        if answer == "1.2m":  # Esc asks what was asked before, with the answer that was given
            await hand.sees("6 of 8 foot", "Esc back")
            await hand.press("escape", sees=("5 of 8 spacing", "1.2m"))
            await hand.press("enter")
        if answer == "1000mm":
            await hand.press("enter", sees=("5 posts, 1200 mm apart at most", "Esc goes back"))
            await hand.sees("·─", "4800 mm", "from above")  # the posts in plan, before they are made
            await hand.press("escape", sees="8 of 8 tolerance")
    await hand.sees("post 1 (1/5)")
    assert hand.session.run.tolerance.text == "1:500"
    await hand.press("f5")
    rows = hand.page.query_one("#list", Rows)
    rows.mark(next(i for i, row in enumerate(rows.text.splitlines()) if row.split()[:1] == ["theme"]))
    await hand.press("enter", sees="theme: dark")
    assert hand.app.theme == "dark"


async def test_help_tells_the_grammar_and_the_keys(at_screen) -> None:
    hand = await at_screen(40, 20)
    await hand.press("question_mark", sees=("TYPING A READING", "1/4n3/8h"))
    assert isinstance(hand.app.screen, HelpScreen)
    text = hand.app.screen.query_one(Rows).text
    for action in ACTIONS:
        if action.key or action.empty_line:
            assert action.title in text
    assert "does not design the connection" in " ".join(text.split())
    await hand.press("escape", sees="post 1 (1/7)")
    await hand.type("3/8")
    await hand.type("?")
    assert hand.typed == "3/8?", "with text on the line ? is text"


def test_every_action_is_in_the_palette(app_on) -> None:
    app = app_on()
    assert [command.title for command in app.get_system_commands(None)] == [
        action.title for action in ACTIONS if action.name != "palette"
    ]


async def test_the_palette_does_what_is_chosen(at_screen) -> None:
    hand = await at_screen(40, 20)
    await hand.press("ctrl+p")
    await hand.type("skip", sees="Skip post")
    await hand.press("enter", sees="why is post 1 skipped?")
    await hand.enter("rotten", sees="skipped")
    assert hand.record.state is PostState.SKIPPED


def test_no_key_is_bound_that_terminals_or_multiplexers_want() -> None:
    bound = {action.name: action.key for action in ACTIONS if action.key and action.name != "go_post"}
    assert bound == dict(DEFAULT_KEYS)
    assert {action.name for action in ACTIONS} - set(bound) - {"go_post"} == set(WITHOUT_KEY)
    assert set(DEFAULT_KEYS.values()) <= FREE - set(REFUSED)
    names = [action.name for action in ACTIONS]
    assert len(names) == len(set(names))


async def test_q_quits_on_an_empty_line_only(at_screen) -> None:
    hand = await at_screen(40, 20)
    await hand.type("9nq")
    assert hand.typed == "9nq"
    await hand.press("backspace", "backspace", "backspace", "q")
    assert hand.app.return_code == 0


@pytest.mark.parametrize("name", ["sun", "dark", "term"])
async def test_each_theme_paints(at_screen, name) -> None:
    hand = await at_screen(40, 10, theme=name)
    await hand.sees("to read")
    assert hand.app.theme == name


async def test_read_only_is_said_and_typing_refused_in_words(make_site, at_screen) -> None:
    from shimfit.tui.app import ShimfitApp
    from shimfit.workflow.site import Site

    writer = make_site()
    reader = Site.open(writer.journal.path, read_only=True, environment={})
    hand = await at_screen(80, 24, app=ShimfitApp(reader))
    await hand.sees("READ ONLY")
    await hand.enter("9n5o", sees="✗")
    assert hand.record.readings == ()
    assert hand.typed == "9n5o", "what was typed is kept"
    await hand.leave()
    reader.close()


async def test_what_stands_in_front_of_a_page_or_is_too_small_takes_no_keys(at_screen) -> None:
    hand = await at_screen(80, 24)
    await hand.enter("9n5o", sees="post 1 logged")
    await hand.press("f1", sees="HELP")
    await hand.press("ctrl+z", "ctrl+n")
    await hand.press("escape", sees="post 1 (1/7)")
    assert len(hand.record.readings) == 1, "the help swallows what is not its own"
    await hand.pilot.resize_terminal(20, 6)
    await hand.sees("Make the window")
    await hand.type("3n2o")
    await hand.press("enter", "ctrl+z")
    await hand.pilot.resize_terminal(80, 24)
    await hand.sees("post 1 (1/7)")
    assert hand.typed == ""
    assert len(hand.record.readings) == 1


async def test_several_lots_go_in_at_once_and_are_named(at_screen) -> None:
    hand = await at_screen(80, 24, "inch")
    await hand.press("f3", "a")
    await hand.enter("flat 1.5 x4", sees="1.5 inches thick? Type the unit: 1.5mm")
    await hand.enter("flat 1.5mm x4; taper 1/32 5/16 8 x2", sees="made of, like PVC")
    await hand.press("escape")
    await hand.sees("taper 1/32 5/16 8 x2")  # a step back, and nothing typed is lost
    await hand.press("enter")
    await hand.enter("cedar", sees=("in the box: 4 F5, 2 T3", "cedar: rots or creeps", "8 lots"))
    await hand.enter("1/16 1/16 1/8 x3 PVC")  # the next is asked for; thicknesses alone: named and counted
    await hand.sees("in the box: 2 F6, 3 F7", "10 lots", "lot›")
    await hand.press("enter")  # nothing more
    await hand.press("a")
    await hand.sees("thicknesses: 1/16 x4")


@pytest.mark.parametrize("size", [(40, 20), (80, 24)])
async def test_the_run_itself_taken_back_leaves_the_first_page_and_redo_brings_it_again(
    at_screen, size
) -> None:
    hand = await at_screen(*size)
    await hand.sees("post 1 (1/7)")
    for _ in range(40):
        if hand.session.place is None:
            break
        await hand.press("ctrl+z")
        await hand.settled()
    assert hand.session.place is None, "laying the run out can be taken back"
    assert hand.session.run is None
    await hand.sees("no run yet")
    await hand.press("f2")
    await hand.settled()
    await hand.press("escape", sees="no run yet")
    await hand.press("ctrl+y", sees="post 1 (1/7)")


async def test_a_refused_answer_is_replaced_by_the_next_character_or_edited(at_screen) -> None:
    hand = await at_screen(40, 20, empty=True)
    await hand.press("f5")
    await hand.press("n", sees="1 of 8 units")
    await hand.enter("lake", sees=("a reading is in mm or in inch", "units› lake"))
    await hand.type("mm", sees="units› mm")
    await hand.press("backspace", "backspace")
    await hand.enter("mx", sees="units› mx")
    await hand.press("backspace")
    await hand.type("m", sees="units› mm")
    await hand.press("enter", sees="2 of 8 job")


async def test_prices_are_changed_on_the_setup_page_and_undo_takes_them_back(at_screen) -> None:
    usual = f"{Settings().minutes_round:g} min"
    hand = await at_screen(80, 24)
    await hand.enter("6n10h")
    await hand.press("f5")
    rows = hand.page.query_one(Rows)
    listed = rows.text.splitlines()
    rows.mark(next(y for y, row in enumerate(listed) if "minutes round" in row))
    await hand.sees("one more round: loosen, set, tighten, read", f"minutes round   {usual}")
    await hand.press("enter")
    for _ in usual.removesuffix(" min"):
        await hand.press("backspace")
    await hand.enter("9")
    await hand.sees(f"minutes round: 9 min; it was: {usual}. ^Z undoes it", "minutes round   9 min")
    assert hand.session.settings.minutes_round == 9.0
    await hand.press("ctrl+z", sees=("taken back: setting minutes_round 9", f"minutes round   {usual}"))
    await hand.press("ctrl+y", sees=("brought back: setting minutes_round 9", "minutes round   9 min"))
    await hand.press("ctrl+z", sees=f"minutes round   {usual}")
    await hand.press("ctrl+z")  # a reading is not in view here: it is named first
    await hand.sees("not of this page; ^Z again takes back reading 6n10h")
    assert hand.record.reading is not None
    await hand.press("ctrl+z", sees="taken back: reading 6n10h")
    assert hand.record.reading is None


async def test_a_name_typed_where_no_line_is_open_begins_nothing(at_screen) -> None:
    """Its letters are keys of the page too: after one that does nothing, the next is asked about."""
    hand = await at_screen(80, 24)
    await hand.press("f5")
    await hand.type("lan", sees="n here: New run? Enter does it")
    assert hand.page.question is None
    await hand.type("e")
    assert hand.page.question is None
    await hand.type("aqua")
    assert hand.app.is_running, "the q of a word leaves nothing"
    await hand.press("down")
    await hand.type("an")
    await hand.press("enter", sees="1 of 7 job")
    await hand.press("escape")
    await hand.type("n", sees="1 of 7 job")


@pytest.mark.parametrize("sign", "9=n")
async def test_esc_and_a_key_soon_after_it_are_both_taken(at_screen, sign) -> None:
    """A terminal sends them as it sends Alt and that key: no sign of another keyboard gets into a reading."""
    from textual._xterm_parser import XTermParser

    hand = await at_screen(80, 24)
    await hand.press("f2", "slash", "7")
    parser = XTermParser()
    for event in (*parser.feed(f"\x1b{sign}"), *parser.feed("")):
        hand.app.post_message(event)
    await hand.pilot.pause()
    await hand.pilot.pause()
    if sign == "9":
        assert hand.page.question.label == "post 1", "the find was left, a reading begins"
        assert hand.typed == "9"
    else:
        assert hand.typed.isascii()


async def test_a_plan_is_not_called_answers_of_single_posts_once_more_was_read(at_screen) -> None:
    from shimfit.workflow.plan import log_plan, plan_site_run

    hand = await at_screen(80, 24)
    session = hand.session
    for text in ("1:4n3h", "2:3p2o"):
        assert session.enter(text).done
    await hand.settled()
    at = session.place
    log_plan(session.site, at.job, at.run, plan_site_run(session.site, at.job, at.run))
    assert session.enter("3:0.2n0").done
    await hand.press("f6", sees="As planned; what was logged since is not in it:")


async def test_what_is_refused_beside_the_screen_is_words_and_no_end_of_the_program(at_screen) -> None:
    from shimfit.errors import FileError
    from shimfit.tui.screens.page import Question

    def torn(_text: str) -> None:
        raise FileError("the box's file is torn: write it anew")

    hand = await at_screen(80, 24)
    await hand.press("f3")
    hand.page.ask(Question("file", "which?", torn, "box.csv", doing="reading"))
    await hand.press("enter", sees=("the box's file is torn", "file› box.csv"))


async def test_a_run_that_only_waits_for_tightening_is_not_told_to_be_read(at_screen) -> None:
    hand = await at_screen(80, 24)
    for post in hand.session.run.posts:
        assert hand.session.enter(f"{post.name}:0 0").done
    await hand.press("f6", sees=("0 posts wait for packs", "no post waits for packs"))


async def test_setup_begins_at_the_open_run_and_shows_what_was_answered_of_a_new_one(
    app_on, at_screen
) -> None:
    """Enter by accident opens no other run; while one is laid out the settings are not in the way."""
    app = app_on()
    answers = {"legs": "3.6m", "every": "1.2m", "foot": "90x90mm", "height": "1000mm", "tolerance": ""}
    add_run(app.session.site, {"job": "alder", "run": "landing", **answers})
    hand = await at_screen(80, 24, app=app)
    await hand.press("f5", sees=("run  alder/", "run  heron/jetty"))
    assert app.page._entries[app.page.list.index].row.endswith("alder/landing")
    assert app.page.list.index > 0
    await hand.press("n")
    await hand.enter("birch")
    await hand.enter("steps")
    listed = app.page.list.text
    assert [row.split() for row in listed.splitlines()[:2]] == [["job", "birch"], ["run", "steps"]]
    assert "theme" not in listed
    await hand.press("escape", "escape", "escape")
    assert "theme" in app.page.list.text


async def test_what_is_offered_gives_way_to_what_is_typed(at_screen) -> None:
    hand = await at_screen(40, 20)
    await hand.press("f2", "down", "m", sees="station› 1200 mm")
    await hand.type("1.3m")
    assert hand.typed == "1.3m"
    await hand.press("enter", sees="post 2 stands at 1300 mm")
    await hand.press("m", "end", "backspace", "backspace", sees="station› 1300")
    await hand.press("escape", "8", sees="post 2› 8")
    await hand.type("n9o")
    assert hand.typed == "8n9o", "the figure that opened the line is the reading's first"


async def test_an_option_says_what_it_was_and_an_overdrawn_lot_who_shares_it_out(at_screen) -> None:
    hand = await at_screen(80, 24)
    await hand.press("f5", "down", "down", "enter")
    await hand.enter("1:300", sees="tolerance: 1:300; it was: 1:500")
    hand.page.list.mark(10)
    await hand.press("enter", sees="units: inch; it was: mm. jetty stays in mm. ^Z undoes it")
    site = hand.session.site
    site.out_of("T1", 3)
    site.out_of("T2", None)
    for post in ("1", "2"):
        hand.session.enter(f"{post}:9n8o")
    await hand.press("f3", sees="more than there is: F6, p shares the box out")
