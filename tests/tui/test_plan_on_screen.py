"""The whole run planned on the screen: it stays alive, can be stopped, and says what is logged."""

from __future__ import annotations

import threading

import pytest

from shimfit.model import Pack, Piece, Seat
from shimfit.text.glyphs import glyphs_for
from shimfit.text.phrases import Words
from shimfit.text.plan_phrases import cut_lines, gap_words, progress_bar, progress_words
from shimfit.tui.background import Planning
from shimfit.tui.widgets import Rows
from shimfit.workflow import plan as planning_room

LEANS = ("9n5o", "4p3o", "6n", "2.5n7h", "8p2o")
"""Four posts read both ways, one half; two more are not read at all."""
TWO = LEANS[:2]
"""Planned in no time."""


def read_some(session, leans=TWO) -> None:
    """Read as many posts as there are leans, from the first on."""
    session.walks_on = True
    for text in leans:
        assert session.enter(text).done
        if text == "6n":
            session.step(+1)
    session.walks_on = False


def check_labels(app) -> None:
    """Each planned post has its pack label, with every seat and lot of its packs, and the sheet follows."""
    text = app.page.query_one("#list", Rows).text
    assert "PACK LABELS" in text
    for name in ("1", "2", "4", "5"):
        post = app.session.run.post(name)
        assert post.prescription.why == "planned with the whole run"
        block = text.partition(f"\npost {name}  ")[2].partition("\npost ")[0]
        assert " of 20 " in block
        for pack in post.prescription.packs:
            assert f"  {app.session.glyphs.seats[pack.seat]} " in block
            assert all(piece.lot in block for piece in pack.pieces)
    assert "CUT SHEET" in text
    assert "taper T1" in text


async def test_all_read_posts_are_planned_and_the_sheet_is_shown(at_screen, golden) -> None:
    hand = await at_screen(40, 20)
    read_some(hand.session, LEANS)
    await hand.press("f2", "p", sees=("4 posts wait for packs", "As each post was answered"))
    await hand.press("p")
    await hand.sees("4 posts got their packs", "4 to pack", patience_s=50)
    assert hand.page.NAME == "plan"
    check_labels(hand.app)
    golden("plan_40x20", await hand.settled())
    await hand.pilot.resize_terminal(80, 24)
    await hand.sees("4 posts got their packs", "4 to pack")
    check_labels(hand.app)
    golden("plan_80x24", await hand.settled())
    await hand.press("escape")
    await hand.sees("post 7 (7/7)" if hand.session.place.post == "7" else f"post {hand.session.place.post} ")


async def test_a_post_within_its_tolerance_waits_for_no_packs(at_screen) -> None:
    hand = await at_screen(80, 24)
    for text in ("9n5o", "0.5n0.5o"):
        await hand.enter(text)
        await hand.press("down")
    await hand.press("f6", sees="1 post waits for packs")


async def test_what_can_not_be_served_is_named_with_the_reason(at_screen) -> None:
    hand = await at_screen(80, 24)
    read_some(hand.session, TWO[:1])  # while the box is full: only posts with an answer are planned
    for lot in ("T1", "T2", "F3", "F4"):
        hand.session.site.out_of(lot)
    hand.session.site.out_of("F1", 18)
    hand.session.site.out_of("F2", 20)
    await hand.press("f6", "p")
    await hand.sees("NOT SERVED", patience_s=50)
    why = hand.session.planned["why"]
    assert why
    text = " ".join(hand.page.query_one("#list", Rows).text.split())
    for name, reason in why.items():
        assert f"{name} NOT SERVED: {reason}" in text


def read_with_a_scarce_box(session) -> None:
    """Three posts, then few thin flats and one lot of tapers: planning takes more than one round."""
    read_some(session, ("9n0", "4p0", "7n0"))
    session.site.out_of("T1")
    session.site.out_of("F1", 17)
    session.site.out_of("F2", 16)


def held_up(monkeypatch) -> threading.Event:
    """The real planning, which waits in its midst until the test lets it go or it is asked to stop."""
    let_go, real = threading.Event(), planning_room.plan_site_run

    def waits(site, job, run, *, progress, stop, **more):
        def in_the_midst(bound, best):
            if not let_go.is_set() and not stop():
                progress(30.0, 40.0)
                while not let_go.wait(0.01) and not stop():
                    pass
            progress(bound, best)

        return real(site, job, run, progress=in_the_midst, stop=stop, **more)

    monkeypatch.setattr(planning_room, "plan_site_run", waits)
    return let_go


async def test_the_screen_stays_alive_and_esc_keeps_the_best_so_far(at_screen, monkeypatch) -> None:
    let_go = held_up(monkeypatch)
    hand = await at_screen(40, 20)
    read_with_a_scarce_box(hand.session)
    await hand.press("f6", "p", sees=("a plan: at most 25.0 % could be saved", "▓▓▓", "Esc stop"))
    await hand.press("f2", sees="7 of 7 left to do")
    await hand.press("p", sees="at most 25.0 %")
    await hand.press("escape")
    await hand.sees("✓ stopped, the best so far", "Stopped: this is the best so far.", patience_s=50)
    assert hand.page.NAME == "plan"
    left_out = hand.session.planned["unsolved"]
    assert left_out, "the stop came before every post was served"
    for name in {"1", "2", "3"}.difference(left_out):
        kept = hand.session.run.post(name).prescription
        assert kept.why == "planned with the whole run"
        assert kept.packs
    let_go.set()  # the same box, planned to the end, serves them all
    await hand.press("p")
    await hand.sees("jetty  3 to pack", "✓ 3 posts got their packs", patience_s=50)
    assert "Stopped" not in hand.screen()
    assert not hand.session.planned["unsolved"]


async def test_ctrl_c_stops_it_too(at_screen, monkeypatch) -> None:
    held_up(monkeypatch)
    hand = await at_screen(40, 20)
    read_with_a_scarce_box(hand.session)
    await hand.press("f6", "p", sees="at most 25.0 %")
    await hand.press("ctrl+c")
    await hand.sees("✓ stopped", "Stopped: this is the best so far.", patience_s=50)
    assert hand.app.return_code is None


async def test_a_reading_meanwhile_is_not_planned_over(at_screen, monkeypatch) -> None:
    let_go = held_up(monkeypatch)
    hand = await at_screen(80, 24)
    read_some(hand.session)
    await hand.press("f6", "p", sees="at most 25.0 %")
    hand.session.enter("2n2o")
    before = hand.session.run.post("1").prescription
    let_go.set()
    await hand.sees("something was logged meanwhile: not kept, plan again", patience_s=50)
    assert hand.session.run.post("1").prescription == before


async def test_nothing_to_plan_is_said_and_undo_takes_a_plan_back(at_screen) -> None:
    hand = await at_screen(80, 24)
    await hand.press("f6", sees="Nothing to plan yet")
    await hand.press("p", sees="no post is read and waiting for packs")
    read_some(hand.session)
    while hand.session.working:  # each reading's own answer comes first
        await hand.pilot.pause(0.02)
    hand.session.refresh()
    before = [post.prescription for post in hand.session.run.posts]
    await hand.press("p")
    await hand.sees("2 posts got their packs", patience_s=50)
    await hand.press("ctrl+z", sees="taken back")
    assert [post.prescription for post in hand.session.run.posts] == before


async def test_the_cut_sheet_goes_to_paper_and_writes_over_nothing_unasked(
    at_screen, tmp_path, monkeypatch
) -> None:
    monkeypatch.chdir(tmp_path)
    mine = tmp_path / "heron-jetty-cut-sheet.pdf"
    mine.write_bytes(b"mine")
    hand = await at_screen(80, 24)
    await hand.press("f6", "e", "enter", sees=("exists already", "Enter writes over it"))
    await hand.press("x", "enter")  # .pdfx
    await hand.sees("a cut sheet is a .pdf file")
    await hand.press("escape", "e", "enter", "enter", sees="no post waits for packs")
    assert mine.read_bytes() == b"mine"
    await hand.press("escape")
    read_some(hand.session)
    await hand.press("f1")  # from wherever one is: the palette's entry leads there
    await hand.press("escape", "escape")
    hand.do("cut_sheet")
    await hand.sees("file›", "heron-jetty-cut-sheet.pdf")
    await hand.press("enter", "enter", sees="written: heron-jetty-cut-sheet.pdf")
    assert mine.read_bytes().startswith(b"%PDF")


async def test_lining_up_asks_which_feet_stand_off_the_string(at_screen) -> None:
    """The tops are aimed by what is told of the feet; nothing told would aim each at plumb all the same."""
    hand = await at_screen(80, 24)
    read_some(hand.session)
    await hand.press("f2", "p", "u", sees=("feet off›", "which feet stand off the string, + towards out"))
    for wrong, reported in (
        ("", "nothing given of its feet"),
        ("99=5mm", "no post 99"),
        ("1=5m", "string"),
    ):
        await hand.enter(wrong, sees=(reported, "feet off›"))
    await hand.enter("1=0.9mm, 2=-0.8mm", sees=("aimed at one line", "u plumb each"))
    await hand.press("p")
    await hand.sees("posts got their packs", patience_s=50)
    left_mm = {
        name: hand.session.run.post(name).prescription.resting.lean.top_mm(1000.0)[1] for name in ("1", "2")
    }
    assert left_mm["1"] < -0.3
    assert left_mm["2"] > 0.2
    await hand.press("u", sees=("each top is aimed at plumb", "u line up"))


def test_a_fault_of_the_programs_own_is_not_swallowed(make_site, monkeypatch) -> None:
    def breaks(*_: object, **__: object) -> None:
        raise ZeroDivisionError("a fault")

    monkeypatch.setattr(planning_room, "plan_site_run", breaks)
    planning = Planning(make_site(), "heron", "jetty")
    planning.start()
    planning.leave()
    with pytest.raises(ZeroDivisionError):
        planning.keep()


def test_the_bar_and_the_gap_in_words() -> None:
    assert progress_bar(30.0, 40.0, 8, "#", ".") == "######.."
    assert progress_bar(30.0, None, 4, "#", ".") == "...."
    assert progress_bar(0.0, 0.0, 4, "#", ".") == "####"
    assert progress_words(None, None) == "looking for what each post could take"
    assert progress_words(30.0, None) == progress_words(-104.9, None) == "no plan yet"
    assert "at most 5.5 % could" in progress_words(31.2, 33.0)
    assert "at most 0.0 %" in progress_words(0.0, 0.0)
    proven = {"stopped": False, "status": "proven", "gap": 0.0}
    assert gap_words(proven) == "There is no better way to share out this box."
    assert "As good as any way" in gap_words(proven | {"gap": 0.0025, "status": "found"})
    left_out = proven | {"gap": 0.2, "status": "found", "more_to_serve": 1}
    assert gap_words(left_out) == "A good plan; a better one could serve one more post at most."
    no_more = left_out | {"gap": 0.004, "gap_served": 0.024, "more_to_serve": 0, "unsolved": ["2"]}
    assert gap_words(no_more) == (
        "A good plan; one that serves as many posts could save 2 % of the work at most."
    )
    found = proven | {"status": "found"}
    assert gap_words(found).endswith("share out this box, near enough.")
    apart = found | {"bound_without": ["shared cuts", "rims"]}
    assert gap_words(apart).endswith(
        "box, but for tips cut off that packs could share and round feet on their rims."
    )
    assert "but for corners that hang, a better one could save 4 % of" in gap_words(
        found | {"gap": 0.04, "bound_without": ["hanging corners"]}
    )
    assert gap_words(found | {"gap": 1.0}) == "A plan; how much a better one could save isn't known."
    assert "could save 4 %" in gap_words(proven | {"gap": 0.04, "status": "found"})


def test_marks_on_a_strip_are_told_as_fine_as_a_saw_needs_them(make_site) -> None:
    site = make_site()
    words = Words(site.run("heron", "jetty"), glyphs_for(ascii_only=True))
    piece = {"for": "2/next-out", "mark_along_mm": 4.04, "thin_mm": 0.8, "thick_mm": 1.5}
    answer = {
        "cuts": [{"strip": "S1", "saw_deg": 0.5, "pieces": [piece], "left_mm": 570.4}],
        "tapers": [],
        "remainders": [],
        "unsolved": [],
        "unsawn": [{"strip": "S2", "why": "230 mm long"}],
    }
    reported = [text for text, _ in cut_lines(answer, words)]
    assert "  4.04 mm  post 2 NEXT-OUT, 0.8 to 1.5 mm" in reported
    assert "not sawn: S2, 230 mm long" in reported
    wedge = Piece("S1", "strip", 1.5, trim_tip_mm=8.0, thin_mm=0.8, thick_mm=1.5, saw_deg=0.5)
    pack = Pack(Seat.NEXT_OUT, 1.5, 1.5, (0.0, 0.0), (wedge,))
    assert words.pieces(pack) == (
        "S1 wedge 0.8 mm to 1.5 mm, saw at 0.50 deg, push in flush, tip cut off 8 mm"
    )
