"""Nothing that is to be made or pushed may be cut off at the edge of a phone without a sign."""

from __future__ import annotations

from dataclasses import replace

import pytest

from shimfit.model import Lean, PostState
from shimfit.text.canvas import Canvas
from shimfit.text.glyphs import glyphs_for
from shimfit.tui.screens import post_pictures as drawing
from shimfit.tui.screens.live import LiveTarget, next_step
from shimfit.tui.screens.post_pictures import ScreenSize, answer_rows, big_rows, sentence_rows, take_snapshot
from shimfit.tui.sensing import Live
from shimfit.tui.session import Session

LEAN = Lean(0.0151, 0.0102)
SIZES = ((40, 10), (40, 20), (64, 20), (64, 30), (80, 24), (110, 24), (110, 40), (200, 60))
READINGS = ("1 3/4n1 1/2o", "1n1 1/8h", "3/8p5/8o", "13/16n0", "0 5/16h", "1 1/16p7/8h", "3/16n9/16h")
AGAIN = ("7/16n5/16o", "1/4p3/8h", "3/8n1/4h", "1/4n0", "0 1/4o", "1/8n1/4o")


@pytest.fixture
def lost(monkeypatch) -> list[str]:
    """Texts that ran over the edge of a canvas, as they are put."""
    cut: list[str] = []
    put = Canvas.put

    def watched(self: Canvas, x: int, y: int, text: str, role: str = "") -> None:
        if 0 <= y < self.height and text.strip() and x + len(text.rstrip()) > self.width > 0:
            cut.append(f"{text!r} at column {x} of {self.width}")
        put(self, x, y, text, role)

    monkeypatch.setattr(Canvas, "put", watched)
    return cut


@pytest.mark.parametrize("ascii_only", [False, True])
@pytest.mark.parametrize("units", ["mm", "inch"])
def test_packs_and_changes_end_where_they_end(make_site, lost, units, ascii_only) -> None:
    """First packs, then what is to be changed after a reading still out; each pack in large figures."""
    session = Session(make_site(units), glyphs_for(ascii_only=ascii_only))
    session.open_last()
    drawn = set()
    for first, again in zip(READINGS, (*AGAIN, ""), strict=True):
        for text in filter(None, (first, again)):
            if not session.enter(text).done:
                assert session.enter(text).done, "the second Enter"
            for shown in range(len(take_snapshot(session, None, None).steps)):
                snapshot = replace(take_snapshot(session, None, None), done=shown)
                drawn.add((snapshot.record.state, bool(snapshot.pack.changed)))
                for size in SIZES:
                    measure = ScreenSize(*size)
                    for draw, rows in (
                        (drawing.sentences, len(sentence_rows(snapshot, measure))),
                        (drawing.big, big_rows(snapshot, measure)),
                        (drawing.answer, len(answer_rows(snapshot, measure))),
                    ):
                        draw(snapshot, measure, measure.middle, rows)
        if again:
            assert session.step(+1).done
    assert {(PostState.PACK, False), (PostState.OUT, True)} <= drawn
    assert not lost, "\n".join(sorted(set(lost)))


def test_what_is_better_done_first_stands_on_the_first_card_of_a_phone(make_site) -> None:
    """No other card has room for remarks; from the second on it comes too late. Where rounds are dear."""
    site, phone = make_site("mm"), ScreenSize(40, 20)
    site.set("minutes_round", "120")
    session = Session(site, glyphs_for(ascii_only=False))
    session.open_last()
    assert session.enter("9n5o").done
    first, second = (
        [text for text, _ in sentence_rows(replace(take_snapshot(session, None, None), done=done), phone)]
        for done in (0, 1)
    )
    assert first[0].startswith("First read again, turned: saves ")
    assert first[0].endswith(" min")
    assert not second[0].startswith("First read")


@pytest.mark.parametrize("units", ["mm", "inch"])
def test_the_legend_of_the_target_is_whole_or_says_that_it_is_not(make_site, units) -> None:
    """`allowed 2.0 m` on a narrow target is another limit: shorter words, and a sign where none fit."""
    session = Session(make_site(units), glyphs_for(ascii_only=False))
    session.open_last()
    snapshot = take_snapshot(session, None, None)
    assert snapshot.words is not None
    off, allowed = snapshot.words.off_by(LEAN, snapshot.record), snapshot.words.allowed(snapshot.record)
    whole = {f"{off} off, allowed {allowed}", f"{off} off"}
    whole.add(f"{off.removesuffix(' mm')} of {allowed} off" if units == "mm" else f"{off}, allowed {allowed}")
    seen = set()
    for width in range(8, 66):
        live = Live(LEAN, "moving", "", None)
        rows = LiveTarget().draw(replace(snapshot, live=live, looks=1), width, 10)
        reported, step = ("".join(text for text, _ in rows.runs(y)).strip() for y in (8, 9))
        assert reported in whole or reported.endswith(snapshot.glyphs.more), f"{reported!r} at {width}"
        full = next_step(None, LEAN, snapshot.record, snapshot.words, width)
        assert step == full or step.endswith(snapshot.glyphs.more), f"{step!r} at {width}"
        seen.add(reported)
    assert whole <= seen
